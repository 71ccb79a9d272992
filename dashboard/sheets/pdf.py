"""Writes a document as PDF: pages are filled from the top, then drawn with their numbers.

Charts are lines and letters, not images; the font travels in the file. The library's fixed mode
leaves out clock and chance, so that the same document gives the same bytes.
"""

from __future__ import annotations

import functools
import io
from collections.abc import Callable, Iterator, Sequence
from typing import NamedTuple

from fontpkg_fira_sans import ROOT as FIRA
from reportlab.lib.colors import HexColor
from reportlab.lib.utils import ImageReader
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from dashboard.look import LIGHT
from dashboard.on_paper import (
    DASHES,
    WIDTH,
    Area,
    Dot,
    Drawing,
    Shape,
    Stroke,
    Words,
    cleaned,
    laid_out,
)
from dashboard.sheets.document import (
    EDGES,
    LEVEL_INKS,
    TEXT_WIDTH_MM,
    UNITS_PER_MM,
    Block,
    Box,
    Column,
    Document,
    Figure,
    Figures,
    Heading,
    Link,
    NewPage,
    Picture,
    Table,
    Text,
    anchors,
    lines,
)

POINTS_PER_MM = 72 / 25.4
PAGE_WIDTH, PAGE_HEIGHT = 210 * POINTS_PER_MM, 297 * POINTS_PER_MM
TEXT_WIDTH = TEXT_WIDTH_MM * POINTS_PER_MM
LEFT = (PAGE_WIDTH - TEXT_WIDTH) / 2
TOP = 15 * POINTS_PER_MM
NUMBERS_AT = 10 * POINTS_PER_MM
"""Of the page's number, from the lower edge."""
SCALE = TEXT_WIDTH / WIDTH
"""Points a unit of a drawing."""

PLAIN, BOLD = "Paper", "Paper-Bold"
MISSING = "◊"
"""Stands for a letter that the font has not."""
VARIANTS = frozenset(map(chr, range(0xFE00, 0xFE10)))
"""Say how the letter before them looks; they are none of their own."""
LEADING = 1.32
"""Of a line, in sizes of its letters."""
FOOT_PT, SMALL_PT, TEXT_PT, LEAD_PT = 6.8, 8.0, 9.2, 11.5
HEADING_PT = {1: 19.0, 2: 13.0, 3: 10.5}
KEPT_BELOW, MOST_KEPT = 70.0, 500.0
"""Room that a heading asks for below itself, so that it does not stand alone."""
MOST_FOOT_LINES, MOST_CARD_LINES, MOST_HEAD_LINES = 6, 3, 8
CARDS_A_ROW, CARD_GAP = 5, 6.0
LOGO_WIDTH, LOGO_HEIGHT = 40 * POINTS_PER_MM, 20 * POINTS_PER_MM
CELL_GAP, ROW_GAP = 6.0, 3.0
MOST_COLUMN = 170.0
"""Beyond it a cell takes lines."""
ROUNDING = 0.1
"""More than a word's own width, lest the last digit break it."""
ROWS_MEASURED = 200
"""Of a table, to find the widths of its columns."""
MANY_COLUMNS = 8
"""More of them are set in smaller letters."""

Draw = Callable[[Canvas], None]


def written(document: Document) -> bytes:
    """Return a document as PDF."""
    _fonts()
    paper = _Paper(document)
    for at, block in enumerate(document.blocks):
        if isinstance(block, Heading):
            _set_heading(block, paper, _kept(document.blocks[at + 1 : at + 3]))
        else:
            _set(block, paper)
    into = io.BytesIO()
    canvas = Canvas(
        into,
        (PAGE_WIDTH, PAGE_HEIGHT),
        pageCompression=1,
        invariant=1,
        lang="en",
        initialFontName=PLAIN,  # pyrefly: ignore[bad-argument-type]
    )
    canvas.setTitle(_shown(document.title))
    canvas.setAuthor(" · ".join(map(_shown, lines(document.shop)[:1])))
    canvas.setCreator("Rollbook")
    for number, page in enumerate(paper.pages, start=1):
        for draw in [*page, *paper.foot(number)]:
            draw(canvas)
        canvas.showPage()
    canvas.save()
    return into.getvalue()


@functools.cache
def _fonts() -> None:
    for name, weight in ((PLAIN, "Regular"), (BOLD, "SemiBold")):
        pdfmetrics.registerFont(TTFont(name, str(FIRA / "files" / f"FiraSans-{weight}.ttf")))


@functools.cache
def _letters() -> dict[int, int]:
    _fonts()
    return pdfmetrics.getFont(PLAIN).face.charToGlyph  # type: ignore[attr-defined]


def _shown(text: str) -> str:
    """Return text in letters that the font has."""
    known = _letters()
    shown = []
    for sign in cleaned(text):
        # The library writes a letter beyond the first 65,536 so that no reader finds it again.
        if ord(sign) in known and ord(sign) <= 0xFFFF:
            shown.append(sign)
        elif sign not in VARIANTS:
            shown.append(" " if sign.isspace() else MISSING)
    return "".join(shown)


@functools.cache
def _width_of(sign: str, font: str) -> float:
    return pdfmetrics.stringWidth(sign, font, 1.0)


def _width(text: str, font: str, size: float) -> float:
    return size * sum(_width_of(sign, font) for sign in text)


def _wrapped(text: str, font: str, size: float, width: float, most: int | None = None) -> list[str]:
    """Return the lines of a text; a word wider than a line is broken, what is beyond most cut."""
    found, used, gap = [""], 0.0, _width(" ", font, size)
    for word in text.split(" "):
        wide = _width(word, font, size)
        before = used + gap if found[-1] else 0.0
        if before + wide <= width:
            found[-1] += f" {word}" if found[-1] else word
            used = before + wide
            continue
        pieces = _broken(word, font, size, width)
        found[len(found) - (not found[-1]) :] = pieces
        used = _width(pieces[-1], font, size)
    if most is not None and len(found) > most:
        last = found[most - 1]
        while last and _width(last + "…", font, size) > width:
            last = last[:-1]
        found = [*found[: most - 1], last + "…"]
    return found


def _broken(word: str, font: str, size: float, width: float) -> list[str]:
    pieces, used = [""], 0.0
    for sign in word:
        wide = size * _width_of(sign, font)
        if used + wide > width and pieces[-1]:
            pieces.append("")
            used = 0.0
        pieces[-1] += sign
        used += wide
    return pieces


class _Paper:
    """Pages that are being filled."""

    def __init__(self, document: Document) -> None:
        self.anchors = anchors(document)
        self.shop = " · ".join(map(_shown, lines(document.shop)[:1]))
        self.title = _shown(document.title)
        cautions = " ".join(map(_shown, document.foot))
        self.cautions = _wrapped(cautions, PLAIN, FOOT_PT, TEXT_WIDTH, MOST_FOOT_LINES)
        if not cautions:
            self.cautions = []
        self.bottom = PAGE_HEIGHT - NUMBERS_AT - 16 - FOOT_PT * LEADING * len(self.cautions)
        self.pages: list[list[Draw]] = []
        self.turn()
        self._head(document)

    def turn(self) -> None:
        """Begin a new page."""
        self.pages.append([])
        self.y = TOP

    @property
    def room(self) -> float:
        return self.bottom - self.y

    @property
    def is_fresh(self) -> bool:
        return self.y <= TOP

    def ask(self, height: float) -> None:
        """Begin a new page unless so much room is left on this one."""
        if height > self.room and not self.is_fresh:
            self.turn()

    def put(self, draw: Draw) -> None:
        self.pages[-1].append(draw)

    def write(
        self, line: str, size: float, *, font: str = PLAIN, ink: str = LIGHT.text, x: float = LEFT
    ) -> None:
        """Write a line below what is there."""
        self.ask(size * LEADING)
        self.put(_words(x, self.y + size, line, font, size, ink))
        self.y += size * LEADING

    def foot(self, number: int) -> Iterator[Draw]:
        """Yield what stands at the foot of a page."""
        y = self.bottom + 8
        yield _rule(LEFT, y, LEFT + TEXT_WIDTH, y, LIGHT.muted, 0.5)
        for line in self.cautions:
            y += FOOT_PT * LEADING
            yield _words(LEFT, y, line, PLAIN, FOOT_PT, LIGHT.muted)
        y = PAGE_HEIGHT - NUMBERS_AT + 4
        said = _wrapped(f"{self.shop} · {self.title}", PLAIN, FOOT_PT, TEXT_WIDTH - 60, 1)[0]
        yield _words(LEFT, y, said, PLAIN, FOOT_PT, LIGHT.muted)
        page = f"{number} / {len(self.pages)}"
        at = LEFT + TEXT_WIDTH - _width(page, PLAIN, FOOT_PT)
        yield _words(at, y, page, PLAIN, FOOT_PT, LIGHT.muted)

    def _head(self, document: Document) -> None:
        width, start = TEXT_WIDTH, self.y
        if document.logo is not None:
            width -= LOGO_WIDTH + 10
            image = ImageReader(io.BytesIO(document.logo))
            self.put(functools.partial(_logo, image=image, y=start))
        for line in map(_shown, lines(document.shop)):
            for part in _wrapped(line, PLAIN, SMALL_PT, width, 2):
                self.write(part, SMALL_PT, ink=LIGHT.muted)
        self.y += 2
        for line in _wrapped(self.title, BOLD, HEADING_PT[1], width, MOST_HEAD_LINES):
            self.write(line, HEADING_PT[1], font=BOLD)
        if document.logo is not None:
            self.y = max(self.y, start + LOGO_HEIGHT)
        self.y += 4


def _set(block: Block, paper: _Paper) -> None:
    """Put a block below what is there."""
    match block:
        case Text():
            size = LEAD_PT if block.is_strong else SMALL_PT if block.is_small else TEXT_PT
            font = BOLD if block.is_strong else PLAIN
            ink = LIGHT.muted if block.is_small else LIGHT.text
            for line in _wrapped(_shown(block.text), font, size, TEXT_WIDTH):
                paper.write(line, size, font=font, ink=ink)
            paper.y += 4
        case Box():
            _set_box(block, paper)
        case Figures():
            for first in range(0, len(block.entries), CARDS_A_ROW):
                _set_cards(block.entries[first : first + CARDS_A_ROW], paper)
        case Picture():
            _set_picture(_laid(block), paper)
        case Table():
            _set_table(block, paper)
        case Link():
            line = _wrapped(_shown(block.text), PLAIN, TEXT_PT, TEXT_WIDTH, MOST_CARD_LINES)
            for part in line:
                paper.ask(TEXT_PT * LEADING)
                paper.put(_lead(LEFT, paper.y, part, TEXT_PT, block.to, paper))
                paper.y += TEXT_PT * LEADING
        case NewPage():
            if not paper.is_fresh:
                paper.turn()


def _kept(following: Sequence[Block]) -> float:
    """Return the room a heading asks for below itself, so that what it heads is on its page."""
    for block in following:
        if isinstance(block, Picture):
            return KEPT_BELOW + min(_laid(block).height * SCALE, MOST_KEPT)
        if isinstance(block, Table) and block.columns:
            return KEPT_BELOW + min(_begun(block), MOST_KEPT)
    return KEPT_BELOW


def _laid(picture: Picture) -> Drawing:
    height = None if picture.height_mm is None else picture.height_mm * UNITS_PER_MM
    return laid_out(picture.drawn, height)


def _set_heading(heading: Heading, paper: _Paper, kept: float) -> None:
    size = HEADING_PT[heading.level]
    found = _wrapped(_shown(heading.text), BOLD, size, TEXT_WIDTH, MOST_HEAD_LINES)
    if not paper.is_fresh:
        paper.y += 10 if heading.level == 2 else 6
    paper.ask(len(found) * size * LEADING + kept)
    if heading.level == 2:
        paper.put(_rule(LEFT, paper.y, LEFT + TEXT_WIDTH, paper.y, LIGHT.text, 1.2))
        paper.y += 3
        paper.put(functools.partial(_mark, name=found[0], key=heading.anchor, y=paper.y))
    elif heading.anchor:
        paper.put(functools.partial(_mark, name="", key=heading.anchor, y=paper.y))
    for line in found:
        paper.write(line, size, font=BOLD)
    paper.y += 2


def _set_box(box: Box, paper: _Paper) -> None:
    """Frame words; what is longer than a page goes on in a frame of its own."""
    width = TEXT_WIDTH - 26
    said = [(line, BOLD) for line in _wrapped(_shown(box.text), BOLD, TEXT_PT, width)]
    for point in box.points:
        wrapped = _wrapped(_shown(point), PLAIN, TEXT_PT, width - 10)
        said += [(("• " if not at else "   ") + line, PLAIN) for at, line in enumerate(wrapped)]
    step, around = TEXT_PT * LEADING, 12.0
    paper.y += 3
    paper.ask(min(len(said) * step + around, paper.bottom - TOP))
    while said:
        if paper.room < step + around:
            paper.turn()
        fits = int((paper.room - around) / step)
        part, said = said[:fits], said[fits:]
        height, edge = len(part) * step + around - 3, EDGES[box.level]
        paper.put(functools.partial(_frame, y=paper.y, height=height, edge=edge))
        y = paper.y + 3
        for line, font in part:
            paper.put(_words(LEFT + 16, y + TEXT_PT, line, font, TEXT_PT, LIGHT.text))
            y += step
        paper.y += height + 6


def _set_cards(entries: Sequence[Figure], paper: _Paper) -> None:
    width = (TEXT_WIDTH - CARD_GAP * (len(entries) - 1)) / len(entries)
    inner = width - 14
    cards = []
    for entry in entries:
        title = _wrapped(_shown(entry.title), PLAIN, SMALL_PT, inner, MOST_CARD_LINES)
        value, size = _shown(entry.value), 19.0
        while size > 9 and _width(value, BOLD, size) > inner:
            size -= 0.5
        below = [
            part
            for line in entry.below
            for part in _wrapped(_shown(line), PLAIN, SMALL_PT, inner, MOST_CARD_LINES)
        ]
        cards.append((title, _wrapped(value, BOLD, size, inner, 1)[0], size, below, entry.to))
    step = SMALL_PT * LEADING
    titles = max(len(card[0]) for card in cards) * step
    height = 12 + titles + 24 + max(len(card[3]) for card in cards) * step
    paper.ask(height + 6)
    for at, (title, value, size, below, to) in enumerate(cards):
        x, y = LEFT + at * (width + CARD_GAP), paper.y
        paper.put(_outline(x, y, width, height))
        for line in title:
            paper.put(_words(x + 7, y + 5 + SMALL_PT, line, PLAIN, SMALL_PT, LIGHT.muted))
            y += step
        y = paper.y + titles + 5
        if to:
            paper.put(_lead(x + 7, y + 20 - size, value, size, to, paper, font=BOLD))
        else:
            paper.put(_words(x + 7, y + 20, value, BOLD, size, LIGHT.text))
        y += 26
        for line in below:
            paper.put(_words(x + 7, y + SMALL_PT, line, PLAIN, SMALL_PT, LIGHT.text))
            y += step
    paper.y += height + 6


def _set_picture(drawing: Drawing, paper: _Paper) -> None:
    # What is higher than a page is made smaller as a whole.
    scale = min(SCALE, (paper.bottom - TOP) / drawing.height)
    height = drawing.height * scale
    paper.ask(height)
    x = LEFT + (TEXT_WIDTH - scale * WIDTH) / 2
    paper.put(functools.partial(_draw, drawing=drawing, x=x, y=paper.y, scale=scale))
    paper.y += height + 6


class _Cell(NamedTuple):
    """A cell that is ready to be written."""

    lines: list[str]
    font: str
    ink: str
    to: str
    """Where it leads."""


def _size(table: Table) -> float:
    return 7.0 if len(table.columns) > MANY_COLUMNS else SMALL_PT


def _heads(table: Table, widths: Sequence[float], size: float) -> list[_Cell]:
    return [
        _Cell(
            _wrapped(_shown(column.title), BOLD, size, width - CELL_GAP, 5), BOLD, LIGHT.muted, ""
        )
        for column, width in zip(table.columns, widths, strict=True)
    ]


def _height(cells: Sequence[_Cell], step: float) -> float:
    return max(len(cell.lines) for cell in cells) * step + ROW_GAP


def _begun(table: Table) -> float:
    """Return the room for a table's heads and its first row."""
    size = _size(table)
    widths = _column_widths(table, size)
    tall = _height(_heads(table, widths, size), size * LEADING)
    for row in table.rows[:1]:
        cells = map(_cell, row, table.columns, widths, [size] * len(widths))
        tall += _height(list(cells), size * LEADING)
    return tall + 2 * size * LEADING


def _set_table(table: Table, paper: _Paper) -> None:
    if not table.columns:
        return
    size = _size(table)
    step = size * LEADING
    widths = _column_widths(table, size)
    heads = _heads(table, widths, size)
    tall = _height(heads, step)
    paper.ask(min(_begun(table), MOST_KEPT))

    def begin() -> None:
        _set_row(heads, table.columns, widths, size, paper)
        paper.put(_rule(LEFT, paper.y, LEFT + TEXT_WIDTH, paper.y, LIGHT.text, 0.9))
        paper.y += 2

    begin()
    for row in table.rows:
        cells = [
            _cell(cell, column, width, size)
            for cell, column, width in zip(row, table.columns, widths, strict=True)
        ]
        most = max(len(cell.lines) for cell in cells)
        if most * step + ROW_GAP > paper.room and paper.y > TOP + tall + 3:
            paper.turn()
            begin()
        while most * step + ROW_GAP > paper.room:  # a row longer than a page
            fits = int((paper.room - ROW_GAP) / step)
            first = [cell._replace(lines=cell.lines[:fits]) for cell in cells]
            cells = [cell._replace(lines=cell.lines[fits:]) for cell in cells]
            most -= fits
            _set_row(first, table.columns, widths, size, paper)
            paper.turn()
            begin()
        _set_row(cells, table.columns, widths, size, paper)
        paper.put(_rule(LEFT, paper.y, LEFT + TEXT_WIDTH, paper.y, LIGHT.grid, 0.6))
        paper.y += 1.5
    paper.y += 6


def _set_row(
    cells: Sequence[_Cell],
    columns: Sequence[Column],
    widths: Sequence[float],
    size: float,
    paper: _Paper,
) -> None:
    x, step = LEFT, size * LEADING
    for (found, font, ink, to), column, width in zip(cells, columns, widths, strict=True):
        for at, line in enumerate(found):
            start, y = x, paper.y + at * step
            if column.kind == "figure":
                start = x + width - CELL_GAP - _width(line, font, size)
            if to:
                paper.put(_lead(start, y, line, size, to, paper))
            elif line:
                paper.put(_words(start, y + size, line, font, size, ink))
        x += width
    paper.y += max(len(cell.lines) for cell in cells) * step + ROW_GAP


def _cell(cell: str | Link, column: Column, width: float, size: float) -> _Cell:
    text = _shown(cell if isinstance(cell, str) else cell.text)
    ink = LEVEL_INKS.get(text.lower()) if column.kind == "level" else None
    font, ink = (BOLD, ink) if ink else (PLAIN, LIGHT.text)
    to = "" if isinstance(cell, str) else cell.to
    return _Cell(_wrapped(text, font, size, width - CELL_GAP), font, ink, to)


def _column_widths(table: Table, size: float) -> list[float]:
    """Return the widths of columns: as asked, or by the words and lengths they hold."""
    if table.widths is not None:
        whole = sum(table.widths)
        return [TEXT_WIDTH * share / whole for share in table.widths]
    least, wanted = [], []
    for at, column in enumerate(table.columns):
        cells = [row[at] for row in table.rows[:ROWS_MEASURED]]
        texts = [_shown(cell if isinstance(cell, str) else cell.text)[:200] for cell in cells]
        title = _shown(column.title)[:200]
        words = [*title.split(" "), *(texts if column.kind in ("code", "figure") else
                 [word for text in texts for word in text.split(" ")])]  # fmt: skip
        word = max((_width(one, BOLD, size) for one in words), default=0.0) + CELL_GAP + ROUNDING
        whole = max((_width(one, PLAIN, size) for one in texts), default=0.0) + CELL_GAP
        least.append(word)
        wanted.append(max(least[-1], min(whole, MOST_COLUMN)))
    spare = TEXT_WIDTH - sum(least)
    if spare < 0:
        return _narrowed(least)
    asked = sum(wanted) - sum(least)
    if asked <= spare:
        return [TEXT_WIDTH * one / sum(wanted) for one in wanted]
    return [one + spare * (most - one) / asked for one, most in zip(least, wanted, strict=True)]


def _narrowed(widths: Sequence[float]) -> list[float]:
    """Return widths that fill the page together: only the widest are cut, all to one width."""
    left, most = TEXT_WIDTH, 0.0
    for count, one in zip(range(len(widths), 0, -1), sorted(widths), strict=True):
        most = left / count
        if one > most:
            break
        left -= one
    return [min(one, most) for one in widths]


def _words(x: float, y: float, said: str, font: str, size: float, ink: str) -> Draw:
    return functools.partial(_write, x=x, y=y, said=said, font=font, size=size, ink=ink)


def _write(
    canvas: Canvas, *, x: float, y: float, said: str, font: str, size: float, ink: str
) -> None:
    canvas.setFont(font, size)
    canvas.setFillColor(HexColor(ink))
    canvas.drawString(x, PAGE_HEIGHT - y, said)


def _lead(
    x: float, y: float, said: str, size: float, to: str, paper: _Paper, font: str = PLAIN
) -> Draw:
    """Return words that lead to a heading, if there is one of that anchor."""
    if to not in paper.anchors:
        return _words(x, y + size, said, font, size, LIGHT.text)

    def draw(canvas: Canvas) -> None:
        _write(canvas, x=x, y=y + size, said=said, font=font, size=size, ink=LIGHT.after)
        wide = _width(said, font, size)
        low = PAGE_HEIGHT - y - size - 2
        _line(canvas, [(x, low + 0.8), (x + wide, low + 0.8)], LIGHT.after, 0.4)
        canvas.linkRect("", to, (x, low, x + wide, low + size + 3), relative=0, thickness=0)

    return draw


def _mark(canvas: Canvas, *, name: str, key: str, y: float) -> None:
    """Make a place findable: by links, and in the reader's list of contents if it has a name."""
    place = key or f"at-{canvas.getPageNumber()}-{y:.1f}"
    canvas.bookmarkHorizontal(place, 0, PAGE_HEIGHT - y + 6)
    if name:
        canvas.addOutlineEntry(name, place, 0)


def _logo(canvas: Canvas, *, image: ImageReader, y: float) -> None:
    wide, high = image.getSize()
    scale = min(LOGO_WIDTH / wide, LOGO_HEIGHT / high)
    x = LEFT + TEXT_WIDTH - scale * wide
    low = PAGE_HEIGHT - y - scale * high
    canvas.drawImage(image, x, low, scale * wide, scale * high, mask="auto")


def _rule(x: float, y: float, end_x: float, end_y: float, ink: str, width: float) -> Draw:
    points = [(x, PAGE_HEIGHT - y), (end_x, PAGE_HEIGHT - end_y)]
    return functools.partial(_line, points=points, ink=ink, width=width)


def _line(
    canvas: Canvas,
    points: Sequence[tuple[float, float]],
    ink: str,
    width: float,
    dash: Sequence[float] = (),
) -> None:
    canvas.setStrokeColor(HexColor(ink))
    canvas.setLineWidth(width)
    canvas.setDash(list(dash))
    path = canvas.beginPath()
    path.moveTo(*points[0])
    for point in points[1:]:
        path.lineTo(*point)
    canvas.drawPath(path, stroke=1, fill=0)


def _outline(x: float, y: float, width: float, height: float) -> Draw:
    top, low = PAGE_HEIGHT - y, PAGE_HEIGHT - y - height
    corners = [(x, top), (x + width, top), (x + width, low), (x, low), (x, top)]
    return functools.partial(_line, points=corners, ink=LIGHT.muted, width=0.6)


def _frame(canvas: Canvas, *, y: float, height: float, edge: str) -> None:
    canvas.setFillColor(HexColor(edge))
    canvas.rect(LEFT, PAGE_HEIGHT - y - height, 7, height, stroke=0, fill=1)
    canvas.setStrokeColor(HexColor(edge))
    canvas.setLineWidth(1.2)
    canvas.setDash()
    canvas.rect(LEFT, PAGE_HEIGHT - y - height, TEXT_WIDTH, height, stroke=1, fill=0)


def _draw(canvas: Canvas, *, drawing: Drawing, x: float, y: float, scale: float) -> None:
    """Draw a chart's shapes, whose heights count from above."""
    canvas.saveState()
    canvas.translate(x, PAGE_HEIGHT - y)
    canvas.scale(scale, scale)
    for shape in drawing.shapes:
        _draw_shape(canvas, shape)
    canvas.restoreState()


def _draw_shape(canvas: Canvas, shape: Shape) -> None:
    match shape:
        case Stroke(points=[_, _, *_]):
            dash = [float(one) for one in DASHES.get(shape.dash, "").split()]
            points = [(x, -y) for x, y in shape.points]
            _line(canvas, points, shape.colour, shape.width, dash)
        case Area(points=[_, _, *_]):
            canvas.setFillColor(HexColor(shape.colour))
            canvas.setFillAlpha(shape.strength)
            path = canvas.beginPath()
            path.moveTo(shape.points[0][0], -shape.points[0][1])
            for x, y in shape.points[1:]:
                path.lineTo(x, -y)
            path.close()
            canvas.drawPath(path, stroke=0, fill=1)
            canvas.setFillAlpha(1)
        case Dot():
            canvas.setFillColor(HexColor(shape.colour))
            canvas.setStrokeColor(HexColor(shape.edge or shape.colour))
            canvas.setLineWidth(1.6)
            canvas.setDash()
            has_edge = int(bool(shape.edge))
            canvas.circle(shape.x, -shape.y, shape.radius, stroke=has_edge, fill=1)
        case Words():
            font = BOLD if shape.is_bold else PLAIN
            said = _shown(shape.said)
            wide = _width(said, font, shape.px)
            x = shape.x - {"start": 0.0, "middle": wide / 2, "end": wide}[shape.anchor]
            canvas.setFont(font, shape.px)
            canvas.setFillColor(HexColor(shape.colour))
            canvas.drawString(x, -shape.y, said)
