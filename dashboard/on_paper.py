"""Lays charts out for papers, as shapes; draws the shapes as SVG: no script, no outside font.

`sheets/pdf.py` draws the same shapes on a PDF page.
"""

from __future__ import annotations

import datetime as dt
import itertools
import math
import unicodedata
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import polars as pl
from markupsafe import Markup

from dashboard.drawing import (
    Band,
    CellTable,
    Chart,
    Item,
    Level,
    Line,
    Marks,
    Note,
    Panel,
    RowName,
    Stretch,
)
from dashboard.look import Palette, mixed
from dashboard.on_page import cell_colours

WIDTH = 680
NAMES_WIDTH = 290
"""Room for the names of rows, left of the drawing."""
ROW_HEIGHT, PANEL_HEIGHT, CELL_HEIGHT = 38, 180, 26
LEAST_PANEL_HEIGHT = 40
FIGURES_WIDTH = 46
"""Room for the figures of an upright axis."""
BEFORE_PANELS, AFTER_PANEL = 18, 26
LEGEND_STRENGTH = 0.25
"""Of a band in the legend, at least."""
SIGN_WIDTH = 5.8
"""Of a letter in the legend, about."""
MOST_SIGNS = 100
"""Of a name in the legend."""
TEXT_PX = 11.0
DASHES = {"dash": "5 4", "dot": "2 3"}

Scale = Callable[[Any], float]
Point = tuple[float, float]


@dataclass(frozen=True)
class Stroke:
    """A line from point to point."""

    points: Sequence[Point]
    colour: str
    width: float
    dash: str = "solid"


@dataclass(frozen=True)
class Area:
    """A filled shape."""

    points: Sequence[Point]
    colour: str
    strength: float = 1.0


@dataclass(frozen=True)
class Dot:
    """A filled circle, with or without an edge."""

    x: float
    y: float
    radius: float
    colour: str
    edge: str = ""


@dataclass(frozen=True)
class Words:
    """Words that start, are centred or end at a point."""

    x: float
    y: float
    said: str
    colour: str
    anchor: str = "start"
    is_bold: bool = False
    px: float = TEXT_PX


Shape = Stroke | Area | Dot | Words


@dataclass(frozen=True)
class Drawing:
    """A chart laid out: its shapes on a ground 680 wide, from the top down."""

    shapes: list[Shape]
    height: float
    said: str


def nice_ticks(low: float, high: float, most: int = 6) -> list[float]:
    """Return round numbers that span a range.

    Raises ValueError if the range is empty.

    >>> nice_ticks(-1.3, 6.2)
    [0.0, 2.0, 4.0, 6.0]
    """
    if not high > low:
        raise ValueError(f"high must be above low, got {low} and {high}")
    rough = (high - low) / most
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * times for times in (1, 2, 5, 10) if power * times >= rough)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [round(step * at, 10) for at in range(first, last + 1)]


def cleaned(text: str) -> str:
    r"""Return text as one line without signs that nobody sees.

    Control characters would break a file, marks of direction would turn the words beside them.

    >>> cleaned("one\x00two\nthree\u202e\ud800")
    'one two three'
    """
    kept = []
    for sign in unicodedata.normalize("NFC", text):
        kind = unicodedata.category(sign)
        if kind in ("Cc", "Zl", "Zp"):
            kept.append(" ")
        elif kind not in ("Cf", "Cs"):
            kept.append(sign)
    return " ".join("".join(kept).split(" ")).strip()


def drawing(chart: Chart | CellTable, height: float | None = None) -> Markup:
    """Return a chart as SVG."""
    laid = laid_out(chart, height)
    return Markup(
        '<svg viewBox="0 0 {} {}" role="img" aria-label="{}" '
        'xmlns="http://www.w3.org/2000/svg">{}</svg>'
    ).format(WIDTH, _at(laid.height), laid.said, Markup("").join(map(_svg, laid.shapes)))


def laid_out(chart: Chart | CellTable, height: float | None = None) -> Drawing:
    """Return a chart as shapes, its panels stretched so that all of it is as high as asked."""
    if isinstance(chart, CellTable):
        return _cells(chart)
    rows = sum(isinstance(item, RowName) for panel in chart.panels for item in panel.items)
    left = NAMES_WIDTH if rows else FIGURES_WIDTH
    panels = len(chart.panels)
    tall = (ROW_HEIGHT * rows + 8 if rows else PANEL_HEIGHT) * panels
    legend, ends_at = _legend(chart, 0)
    below = 28 + ends_at
    if height is not None:
        around = BEFORE_PANELS + AFTER_PANEL * panels + below
        tall = max(height - around, LEAST_PANEL_HEIGHT * panels)
    along = [value for panel in chart.panels for item in panel.items for value in _along(item)]
    low, high = chart.x_ends or _widened([_number(value) for value in along], 0.02)

    def across(value: Any) -> float:
        return left + (WIDTH - left - 12) * (_number(value) - low) / (high - low)

    shapes: list[Shape] = []
    top = float(BEFORE_PANELS)
    whole = sum(panel.weight for panel in chart.panels)
    for panel in chart.panels:
        bottom = top + tall * panel.weight / whole
        shapes += _panel(panel, chart, across, (low, high), (top, bottom), left)
        top = bottom + AFTER_PANEL
    if chart.corner:
        shapes.append(Words(left + 4, BEFORE_PANELS + 12, chart.corner, chart.palette.muted))
    shapes += _below(chart, across, (low, high), along, top)
    legend, ends_at = _legend(chart, top + 28)
    return _cleaned([*shapes, *legend], ends_at, chart.said)


def _cleaned(shapes: list[Shape], height: float, said: str) -> Drawing:
    """Return a drawing whose words are clean, without empty ones."""
    kept: list[Shape] = []
    for shape in shapes:
        if isinstance(shape, Words):
            shape = replace(shape, said=cleaned(shape.said))
        if not isinstance(shape, Words) or shape.said:
            kept.append(shape)
    return Drawing(kept, height, cleaned(said))


def _cells(table: CellTable) -> Drawing:
    """Lay out a table of cells; a place without one is blank."""
    palette, colours = table.palette, cell_colours(table.palette, is_signed=table.is_signed)
    low, high = table.ends
    if high is None:
        high = max((cell.value for cell in table.cells.values()), default=low + 1.0)
    wide = (WIDTH - FIGURES_WIDTH - 12) / max(len(table.speeds), 1)
    bottom = BEFORE_PANELS + AFTER_PANEL + CELL_HEIGHT * len(table.loads)
    shapes: list[Shape] = [Words(0, BEFORE_PANELS, table.load_title, palette.muted)]
    for row, (load, named) in enumerate(table.loads.items()):
        y = bottom - CELL_HEIGHT * (row + 1)
        middle = y + CELL_HEIGHT / 2 + 4
        shapes.append(Words(FIGURES_WIDTH - 6, middle, named, palette.text, "end"))
        for column, speed in enumerate(table.speeds):
            cell = table.cells.get((load, speed))
            if cell is None:
                continue
            x = FIGURES_WIDTH + wide * column
            share = min(max((cell.value - low) / ((high - low) or 1.0), 0.0), 1.0)
            colour = _between(colours, share)
            ink = palette.paper if _is_dark(colour) else palette.text
            shapes.append(Area(_box(x, y, wide - 2, CELL_HEIGHT - 2), colour))
            shapes.append(Words(x + wide / 2 - 1, middle, cell.written, ink, "middle"))
    for column, named in enumerate(table.speeds.values()):
        x = FIGURES_WIDTH + wide * (column + 0.5)
        shapes.append(Words(x, bottom + 14, named, palette.muted, "middle"))
    title = "Engine speed [1000 rpm]"
    shapes.append(Words(WIDTH / 2, bottom + 30, title, palette.text, "middle"))
    return _cleaned(shapes, bottom + 38, f"{table.load_title} over {title}")


def _between(colours: list[list[float | str]], share: float) -> str:
    """Return the colour at a place of a scale."""
    for (start, first), (end, last) in itertools.pairwise(colours):
        if share <= float(end):
            part = (share - float(start)) / (float(end) - float(start))
            return mixed(str(last), str(first), part)
    return str(colours[-1][1])


def _is_dark(colour: str) -> bool:
    """Tell whether light words are read better on a colour, by ITU-R BT.601's luma."""
    red, green, blue = (int(colour[at : at + 2], 16) for at in (1, 3, 5))
    return 0.299 * red + 0.587 * green + 0.114 * blue < 128


def _box(x: float, y: float, width: float, height: float) -> list[Point]:
    return [(x, y), (x + width, y), (x + width, y + height), (x, y + height)]


def _panel(
    panel: Panel,
    chart: Chart,
    across: Scale,
    x_ends: tuple[float, float],
    room: tuple[float, float],
    left: float,
) -> Iterator[Shape]:
    palette = chart.palette
    top, bottom = room
    upright = [value for item in panel.items for value in _upright(item)]
    low, high = panel.ends or _widened(upright, 0.08)

    def up(value: float) -> float:
        return bottom - (bottom - top) * (value - low) / (high - low)

    if panel.title:
        for tick in nice_ticks(low, high):
            yield _line(left, up(tick), WIDTH - 12, up(tick), palette.grid, 1)
            yield Words(left - 6, up(tick) + 4, _figure(tick), palette.text, "end")
        yield Words(0, top - 9, panel.title, palette.muted)
    else:
        for tick in nice_ticks(*x_ends):
            yield _line(across(tick), top, across(tick), bottom, palette.grid, 1)
    for item in panel.items:
        yield from _drawn(item, across, up, room, left, palette)


def _below(
    chart: Chart, across: Scale, ends: tuple[float, float], along: Sequence[Any], top: float
) -> Iterator[Shape]:
    """Yield the figures and the title of the horizontal axis."""
    days = [value for value in along if isinstance(value, dt.date)]
    if days:
        for day, anchor in ((min(days), "start"), (max(days), "end")):
            said = f"{day.day} {day:%b %Y}"
            yield Words(across(day), top + 2, said, chart.palette.muted, anchor)
    else:
        for tick in nice_ticks(*ends):
            said = _figure(tick)
            yield Words(across(tick), top + 2, said, chart.palette.muted, "middle")
        middle = across(sum(ends) / 2)
        yield Words(middle, top + 18, chart.x_title, chart.palette.text, "middle")


def _legend(chart: Chart, top: float) -> tuple[list[Shape], float]:
    """Return what each colour and mark is, and where that ends."""
    named: dict[str, Line | Marks | Band] = {}
    for panel in chart.panels:
        for item in panel.items:
            if isinstance(item, Line | Marks | Band) and item.name and len(_listed(item.x)):
                named.setdefault(item.name, item)
    parts: list[Shape] = []
    x, y = 0.0, top + 8
    for name, item in named.items():
        said = _short(name, MOST_SIGNS)
        width = 34 + SIGN_WIDTH * len(said)
        if x and x + width > WIDTH:
            x, y = 0.0, y + 18
        if isinstance(item, Marks):
            parts += _mark(x + 9, y - 4, item)
        elif isinstance(item, Band):
            strength = max(item.strength, LEGEND_STRENGTH)
            parts.append(Area(_box(x, y - 8, 18, 8), item.colour, strength))
        else:
            parts.append(_line(x, y - 4, x + 18, y - 4, item.colour, item.width or 2, item.dash))
        parts.append(Words(x + 22, y, said, chart.palette.muted))
        x += width
    return parts, y + 8


def _drawn(
    item: Item,
    across: Scale,
    up: Scale,
    room: tuple[float, float],
    left: float,
    palette: Palette,
) -> Iterator[Shape]:
    """Yield what an item is in shapes."""
    top, bottom = room
    match item:
        case Line():
            for stroke in _strokes(item):
                points = [(across(x), up(y)) for x, y in stroke]
                if item.width:
                    yield Stroke(points, item.colour, item.width, item.dash)
                if item.mark:
                    dot = Marks([], [], item.colour, px=item.mark_px)
                    yield from (shape for x, y in points for shape in _mark(x, y, dot))
        case Marks():
            halves = itertools.repeat(None) if item.half is None else _listed(item.half)
            for x, y, half in zip(_listed(item.x), _listed(item.y), halves, strict=False):
                if _is_told(x) and _is_told(y):
                    if _is_told(half):
                        ends = [(across(x), up(y - half)), (across(x), up(y + half))]
                        yield Stroke(ends, item.colour, 2)
                    yield from _mark(across(x), up(y), item)
        case Band():
            edges = zip(_listed(item.x), _listed(item.lower), _listed(item.upper), strict=True)
            seen = [one for one in edges if all(map(_is_told, one))]
            around = [(x, lower) for x, lower, _ in seen] + [(x, y) for x, _, y in seen[::-1]]
            yield Area([(across(x), up(y)) for x, y in around], item.colour, item.strength)
        case Stretch():
            start, end = across(item.start), across(item.end)
            yield Area(_box(start, top, end - start, bottom - top), item.colour, item.strength)
            yield Words(start + 4, bottom - 6, item.label, palette.muted)
        case Level(is_upright=True):
            yield _line(
                across(item.at), top, across(item.at), bottom, item.colour, item.width, item.dash
            )
            yield Words(across(item.at) + 4, top + 9, item.label, palette.text)
        case Level():
            y = up(item.at)
            yield _line(left, y, WIDTH - 12, y, item.colour, item.width, item.dash)
            if item.is_named_last:
                yield Words(WIDTH - 14, y - 3, item.label, palette.text, "end")
            else:
                yield Words(left + 4, y - 3, item.label, palette.text)
        case Note():
            y = top + 12 if item.y is None else up(item.y) - 3
            anchor = "middle" if item.is_centred else "start"
            ink = item.colour or palette.text
            yield Words(across(item.x), y, item.text, ink, anchor, item.is_bold, item.px)
        case RowName():
            yield Words(0, up(item.y) + 2, _short(item.title, 50), palette.text, is_bold=True)
            yield Words(0, up(item.y) + 15, _short(item.below, 54), palette.muted)


def _strokes(line: Line) -> Iterator[list[tuple[Any, float]]]:
    """Yield the parts of a line between its gaps, with a corner at each step."""
    part: list[tuple[Any, float]] = []
    for x, y in zip(_listed(line.x), _listed(line.y), strict=True):
        if not (_is_told(x) and _is_told(y)):
            if part:
                yield part
            part = []
        else:
            if line.is_stepped and part:
                middle = (_number(part[-1][0]) + _number(x)) / 2
                part += [(middle, part[-1][1]), (middle, y)]
            part.append((x, y))
    if part:
        yield part


def _along(item: Item) -> list[Any]:
    match item:
        case Line() | Marks() | Band():
            return [value for value in _listed(item.x) if _is_told(value)]
        case Level(is_upright=True):
            return [item.at]
    return []


def _upright(item: Item) -> list[float]:
    match item:
        case Marks(half=half) if half is not None:
            ends = list(zip(_listed(item.y), _listed(half), strict=True))
            seen = [end for end in ends if all(map(_is_told, end))]
            found = _listed(item.y) + [y + sign * half for y, half in seen for sign in (-1, 1)]
        case Line() | Marks():
            found = _listed(item.y)
        case Band():
            found = [*_listed(item.lower), *_listed(item.upper)]
        case Level(is_upright=False):
            found = [item.at]
        case _:
            found = []
    return [value for value in found if _is_told(value)]


def _widened(values: Sequence[float], share: float) -> tuple[float, float]:
    """Return the ends of some values with a little room on both sides."""
    low, high = min(values, default=0.0), max(values, default=1.0)
    room = share * (high - low) or 1.0
    return low - room, high + room


def _number(value: Any) -> float:
    return float(value.toordinal()) if isinstance(value, dt.date) else float(value)


def _listed(values: Any) -> list[Any]:
    return values.to_list() if isinstance(values, pl.Series) else list(values)


def _is_told(value: Any) -> bool:
    return isinstance(value, dt.date) or (value is not None and math.isfinite(value))


def _line(
    x1: float, y1: float, x2: float, y2: float, colour: str, width: float, dash: str = "solid"
) -> Stroke:
    return Stroke([(x1, y1), (x2, y2)], colour, width, dash)


def _mark(x: float, y: float, marks: Marks) -> Iterator[Shape]:
    """Yield a mark; what means something else has another shape, for grey paper."""
    half = marks.px / 2
    if marks.mark.startswith("line-ns"):
        yield _line(x, y - half, x, y + half, marks.colour, 3)
    elif marks.mark.startswith("x"):
        arm = 0.7 * half
        yield _line(x - arm, y - arm, x + arm, y + arm, marks.colour, 1.6)
        yield _line(x - arm, y + arm, x + arm, y - arm, marks.colour, 1.6)
    elif marks.mark.startswith("diamond"):
        yield Area([(x, y - half), (x + half, y), (x, y + half), (x - half, y)], marks.colour)
    else:
        yield Dot(x, y, 0.7 * half, marks.colour, marks.edge)


def _svg(shape: Shape) -> Markup:
    match shape:
        case Stroke():
            return Markup(
                '<polyline points="{}" fill="none" stroke="{}" stroke-width="{}" '
                'stroke-dasharray="{}"/>'
            ).format(
                _joined(shape.points), shape.colour, shape.width, DASHES.get(shape.dash, "none")
            )
        case Area():
            drawn = Markup('<polygon points="{}" fill="{}" opacity="{}"/>')
            return drawn.format(_joined(shape.points), shape.colour, shape.strength)
        case Dot():
            return Markup(
                '<circle cx="{}" cy="{}" r="{}" fill="{}" stroke="{}" stroke-width="1.6"/>'
            ).format(
                _at(shape.x), _at(shape.y), _at(shape.radius), shape.colour, shape.edge or "none"
            )
        case Words():
            size = (
                "" if shape.px == TEXT_PX else Markup(' style="font-size: {}px"').format(shape.px)
            )
            return Markup(
                '<text x="{}" y="{}" fill="{}" text-anchor="{}" font-weight="{}"{}>{}</text>'
            ).format(
                _at(shape.x), _at(shape.y), shape.colour, shape.anchor,
                600 if shape.is_bold else 400, size, shape.said,
            )  # fmt: skip


def _joined(points: Sequence[Point]) -> str:
    return " ".join(f"{_at(x)},{_at(y)}" for x, y in points)


def _figure(value: float) -> str:
    return f"{value:g}".replace("-", "−")


def _at(value: float) -> str:
    return f"{value:.1f}"


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1].rstrip() + "…"
