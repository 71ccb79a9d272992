"""What a paper is, said once: blocks in their order; `as_html` and `as_pdf` make files of it.

Both files say the same whenever they are made of the same document: neither looks at a clock.
"""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from markupsafe import Markup

from dashboard.drawing import CellTable, Chart
from dashboard.look import LIGHT
from dashboard.on_paper import WIDTH, cleaned, drawing
from dashboard.sheets.letters import isolated

TEXT_WIDTH_MM = 182.0
"""Of an A4 page between its margins."""
UNITS_PER_MM = WIDTH / TEXT_WIDTH_MM
"""Of a drawing."""
PNG_START = b"\x89PNG"
STYLE_FILE = Path(__file__).with_name("paper.css")

Level = Literal["", "notice", "warn", "stop"]


@dataclass(frozen=True)
class Heading:
    """A heading, which a `Link` may lead to by its anchor."""

    text: str
    level: Literal[2, 3] = 2
    anchor: str = ""


@dataclass(frozen=True)
class Text:
    """A paragraph."""

    text: str
    is_strong: bool = False
    is_small: bool = False


@dataclass(frozen=True)
class Box:
    """A caution or an alarm: framed, with a heavy edge; its points below it."""

    text: str
    level: Level = "stop"
    points: Sequence[str] = ()


@dataclass(frozen=True)
class Figure:
    """One large figure with its name above it and its circumstances below."""

    title: str
    value: str
    below: Sequence[str] = ()
    to: str = ""
    """The anchor of the heading where what stands behind it is listed."""


@dataclass(frozen=True)
class Figures:
    """Large figures side by side, five at most in a row."""

    entries: Sequence[Figure]


@dataclass(frozen=True)
class Picture:
    """A chart over the whole width."""

    drawn: Chart | CellTable
    height_mm: float | None = None
    """Of the whole chart, legend included; its own where None. Cells keep their own."""


@dataclass(frozen=True)
class Link:
    """Words that lead to a heading; plain words where there is no heading of that anchor."""

    text: str
    to: str


@dataclass(frozen=True)
class Column:
    """A column of a table."""

    title: str
    kind: Literal["words", "figure", "level", "code"] = "words"
    """Figures stand to the right, levels are coloured by what they say, codes do not break."""


@dataclass(frozen=True)
class Table:
    """A table; its heads stand again on every page that it goes over to."""

    columns: Sequence[Column]
    rows: Sequence[Sequence[str | Link]]
    widths: Sequence[float] | None = None
    """Of the columns, as shares of their sum; by what stands in them where None."""


@dataclass(frozen=True)
class NewPage:
    """Here a new page begins on paper."""


Block = Heading | Text | Box | Figures | Picture | Table | Link | NewPage


@dataclass(frozen=True)
class Document:
    """A paper: one page or many."""

    title: str
    shop: str
    """Its name, with address lines below it if there are any, one a line."""
    blocks: Sequence[Block]
    foot: Sequence[str] = ()
    """At the foot of every page: the cautions, short."""
    logo: bytes | None = None
    """A PNG or JPEG that has been looked at: see `Image.verify` of pillow."""


def lines(text: str) -> list[str]:
    """Return the lines of a text, cleaned, without empty ones."""
    return [line for line in map(cleaned, text.split("\n")) if line]


def anchors(document: Document) -> set[str]:
    """Return where links of a document may lead."""
    return {block.anchor for block in document.blocks if isinstance(block, Heading)} - {""}


def as_pdf(document: Document) -> bytes:
    """Return a document as PDF for A4."""
    from dashboard.sheets.pdf import written  # the library takes its time

    return written(document)


def as_html(document: Document) -> str:
    """Return a document as one HTML file: no script, nothing asked of any network."""
    known = anchors(document)
    body = Markup("\n").join(_block(block, known) for block in document.blocks)
    shop = Markup("<br>").join(map(isolated, lines(document.shop)))
    foot = Markup("").join(Markup("<p>{}</p>").format(isolated(line)) for line in document.foot)
    return str(
        PAGE.format(
            page_title=cleaned(document.title),
            title=isolated(document.title),
            style=_style(),
            logo=_logo(document.logo),
            shop=shop,
            body=body,
            foot=foot,
        )
    )


def _logo(logo: bytes | None) -> Markup:
    if logo is None:
        return Markup("")
    kind = "png" if logo.startswith(PNG_START) else "jpeg"
    data = base64.b64encode(logo).decode("ascii")
    return Markup('<img class="logo" alt="" src="data:image/{};base64,{}">').format(kind, data)


def _block(block: Block, known: set[str]) -> Markup:
    match block:
        case Heading():
            anchor = Markup(' id="{}"').format(block.anchor) if block.anchor else ""
            return Markup("<h{0}{1}>{2}</h{0}>").format(block.level, anchor, isolated(block.text))
        case Text():
            name = "lead" if block.is_strong else "small" if block.is_small else "plain"
            return Markup('<p class="{}">{}</p>').format(name, isolated(block.text))
        case Box():
            points = Markup("").join(
                Markup("<li>{}</li>").format(isolated(point)) for point in block.points
            )
            said = Markup('<div class="box {}"><strong>{}</strong>{}</div>')
            listed = Markup("<ul>{}</ul>").format(points) if points else ""
            return said.format(f"edge-{block.level}", isolated(block.text), listed)
        case Figures():
            cards = Markup("").join(_card(entry, known) for entry in block.entries)
            return Markup('<dl class="figures">{}</dl>').format(cards)
        case Picture():
            height = None if block.height_mm is None else block.height_mm * UNITS_PER_MM
            return drawing(block.drawn, height)
        case Table():
            return _table(block, known)
        case Link():
            return Markup("<p>{}</p>").format(_linked(block, known))
        case NewPage():
            return Markup('<div class="new-page"></div>')


def _card(entry: Figure, known: set[str]) -> Markup:
    value = _linked(Link(entry.value, entry.to), known)
    below = Markup("<br>").join(map(isolated, entry.below))
    return Markup(
        '<div><dt>{}</dt><dd class="value">{}</dd><dd class="below">{}</dd></div>'
    ).format(isolated(entry.title), value, below)


def _linked(cell: str | Link, known: set[str]) -> Markup:
    if isinstance(cell, str):
        return isolated(cell)
    if cell.to not in known:
        return isolated(cell.text)
    return Markup('<a href="#{}">{}</a>').format(cell.to, isolated(cell.text))


def _table(table: Table, known: set[str]) -> Markup:
    kinds = [column.kind for column in table.columns]
    heads = Markup("").join(
        Markup('<th scope="col" class="{}">{}</th>').format(column.kind, isolated(column.title))
        for column in table.columns
    )
    shares = table.widths or ()
    sizes = Markup("").join(
        Markup('<col style="width: {:.1f}%">').format(100 * share / sum(shares)) for share in shares
    )
    rows = Markup("\n").join(
        Markup("<tr>{}</tr>").format(
            Markup("").join(_cell(cell, kind, known) for cell, kind in zip(row, kinds, strict=True))
        )
        for row in table.rows
    )
    return Markup(
        '<div class="wide"><table>{}<thead><tr>{}</tr></thead>\n<tbody>{}</tbody></table></div>'
    ).format(sizes, heads, rows)


def _cell(cell: str | Link, kind: str, known: set[str]) -> Markup:
    said = _linked(cell, known)
    if kind == "level" and str(said).lower() in LEVEL_INKS:
        said = Markup('<span class="ink-{}">{}</span>').format(str(said).lower(), said)
    return Markup('<td class="{}">{}</td>').format(kind, said)


LEVEL_INKS = {
    "notice": LIGHT.text,
    "warn": LIGHT.warn,
    "watch": LIGHT.warn,
    "stop": LIGHT.stop,
    "act": LIGHT.stop,
}
"""Colours of words that say how bad something is."""
EDGES = {"": LIGHT.muted, "notice": LIGHT.notice, "warn": LIGHT.warn, "stop": LIGHT.stop}
"""Colours of a box's edge."""

PAGE = Markup("""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" \
content="default-src 'none'; style-src 'unsafe-inline'; img-src data:">
<title>{page_title}</title>
<style>{style}</style>
</head>
<body>
<header>{logo}<p class="shop">{shop}</p>
<h1>{title}</h1>
</header>
{body}
<footer>{foot}</footer>
</body>
</html>
""")


def _style() -> Markup:
    """Return the style of papers in their colours."""
    inks = "".join(f"--{name}: {ink}; " for name, ink in vars(LIGHT).items())
    words = "".join(
        f".ink-{name} {{ color: {ink}; font-weight: 700; }}\n" for name, ink in LEVEL_INKS.items()
    )
    edges = "".join(f".edge-{name} {{ border-color: {ink}; }}\n" for name, ink in EDGES.items())
    return Markup(f":root {{ {inks}}}\n{STYLE_FILE.read_text('utf-8')}{words}{edges}")  # noqa: S704
