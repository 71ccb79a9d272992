"""Draws charts for papers: SVG text, no script and no outside font."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import polars as pl
from markupsafe import Markup, escape

from dashboard.drawing import (
    Band,
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
from dashboard.look import Palette

WIDTH = 680
NAMES_WIDTH = 250
"""Room for the names of rows, left of the drawing."""
ROW_HEIGHT, PANEL_HEIGHT = 38, 180
SIGN_WIDTH = 5.8
"""Of a letter in the legend, about."""
DASHES = {"dash": "5 4", "dot": "2 3"}

Scale = Callable[[Any], float]


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


def drawing(chart: Chart) -> Markup:
    """Return a chart as SVG."""
    rows = [item for panel in chart.panels for item in panel.items if isinstance(item, RowName)]
    left = NAMES_WIDTH if rows else 46
    tall = ROW_HEIGHT * len(rows) + 8 if rows else PANEL_HEIGHT
    along = [value for panel in chart.panels for item in panel.items for value in _along(item)]
    low, high = chart.x_ends or _widened([_number(value) for value in along], 0.02)

    def across(value: Any) -> float:
        return left + (WIDTH - left - 12) * (_number(value) - low) / (high - low)

    parts: list[Markup] = []
    top = 10.0
    for panel in chart.panels:
        parts += _panel(panel, chart, across, (low, high), (top, top + tall), left)
        top += tall + 14
    parts += _below(chart, across, (low, high), along, top)
    legend, height = _legend(chart, top + 28)
    said = escape(chart.said)
    return Markup(
        '<svg viewBox="0 0 {} {}" role="img" aria-label="{}" '
        'xmlns="http://www.w3.org/2000/svg">{}</svg>'
    ).format(WIDTH, _at(height), said, Markup("").join([*parts, *legend]))


def _panel(
    panel: Panel,
    chart: Chart,
    across: Scale,
    x_ends: tuple[float, float],
    room: tuple[float, float],
    left: float,
) -> Iterator[Markup]:
    palette = chart.palette
    top, bottom = room
    upright = [value for item in panel.items for value in _upright(item)]
    low, high = panel.ends or _widened(upright, 0.08)

    def up(value: float) -> float:
        return bottom - (bottom - top) * (value - low) / (high - low)

    if panel.title:
        for tick in nice_ticks(low, high):
            yield _line(left, up(tick), WIDTH - 12, up(tick), palette.grid, 1)
            yield _text(left - 6, up(tick) + 4, _figure(tick), palette.text, anchor="end")
        yield _text(0, top - 2, panel.title, palette.muted)
    else:
        for tick in nice_ticks(*x_ends):
            yield _line(across(tick), top, across(tick), bottom, palette.grid, 1)
    for item in panel.items:
        yield from _drawn(item, across, up, room, left, palette)


def _below(
    chart: Chart, across: Scale, ends: tuple[float, float], along: Sequence[Any], top: float
) -> Iterator[Markup]:
    """Yield the figures and the title of the horizontal axis."""
    days = [value for value in along if isinstance(value, dt.date)]
    if days:
        for day, anchor in ((min(days), "start"), (max(days), "end")):
            said = f"{day.day} {day:%b %Y}"
            yield _text(across(day), top + 2, said, chart.palette.muted, anchor=anchor)
    else:
        for tick in nice_ticks(*ends):
            said = _figure(tick)
            yield _text(across(tick), top + 2, said, chart.palette.muted, anchor="middle")
        middle = across(sum(ends) / 2)
        yield _text(middle, top + 18, chart.x_title, chart.palette.text, anchor="middle")


def _legend(chart: Chart, top: float) -> tuple[list[Markup], float]:
    """Return what each colour and mark is, and where that ends."""
    named: dict[str, Line | Marks | Band] = {}
    for panel in chart.panels:
        for item in panel.items:
            if isinstance(item, Line | Marks | Band) and item.name and len(_listed(item.x)):
                named.setdefault(item.name, item)
    parts, x, y = [], 0.0, top + 8
    for name, item in named.items():
        width = 34 + SIGN_WIDTH * len(name)
        if x and x + width > WIDTH:
            x, y = 0.0, y + 18
        if isinstance(item, Marks):
            parts.append(_mark(x + 9, y - 4, item))
        else:
            thick = item.width or 2 if isinstance(item, Line) else 8
            dash = item.dash if isinstance(item, Line) else "solid"
            parts.append(_line(x, y - 4, x + 18, y - 4, item.colour, thick, dash))
        parts.append(_text(x + 22, y, name, chart.palette.muted))
        x += width
    return parts, y + 8


def _drawn(
    item: Item,
    across: Scale,
    up: Scale,
    room: tuple[float, float],
    left: float,
    palette: Palette,
) -> Iterator[Markup]:
    """Yield what an item is in SVG."""
    top, bottom = room
    match item:
        case Line():
            for stroke in _strokes(item):
                points = [(across(x), up(y)) for x, y in stroke]
                if item.width:
                    yield _path(points, item)
                if item.mark:
                    dot = Marks([], [], item.colour, px=item.mark_px)
                    yield from (_mark(x, y, dot) for x, y in points)
        case Marks():
            for x, y in zip(_listed(item.x), _listed(item.y), strict=True):
                if x is not None and y is not None:
                    yield _mark(across(x), up(y), item)
        case Band():
            edges = zip(_listed(item.x), _listed(item.lower), _listed(item.upper), strict=True)
            seen = [one for one in edges if None not in one]
            around = [(x, lower) for x, lower, _ in seen] + [(x, y) for x, _, y in seen[::-1]]
            points = " ".join(f"{_at(across(x))},{_at(up(y))}" for x, y in around)
            shape = Markup('<polygon points="{}" fill="{}" opacity="{}"/>')
            yield shape.format(points, item.colour, item.strength)
        case Stretch():
            start, end = across(item.start), across(item.end)
            yield Markup(
                '<rect x="{}" y="{}" width="{}" height="{}" fill="{}" opacity="{}"/>'
            ).format(
                _at(start), _at(top), _at(end - start), _at(bottom - top), item.colour,
                item.strength,
            )  # fmt: skip
            yield _text(start + 4, bottom - 6, item.label, palette.muted)
        case Level():
            ends = (
                (across(item.at), top, across(item.at), bottom)
                if item.is_upright
                else (left, up(item.at), WIDTH - 12, up(item.at))
            )
            yield _line(*ends, item.colour, item.width, item.dash)
            yield _text(left + 4, ends[1] - 3, item.label, palette.text)
        case Note():
            y = top + 12 if item.y is None else up(item.y) - 3
            anchor = "middle" if item.is_centred else "start"
            ink = item.colour or palette.text
            yield _text(across(item.x), y, item.text, ink, anchor=anchor)
        case RowName():
            yield _text(0, up(item.y) + 2, _short(item.title, 40), palette.text, weight=600)
            yield _text(0, up(item.y) + 15, _short(item.below, 43), palette.muted)


def _strokes(line: Line) -> Iterator[list[tuple[Any, float]]]:
    """Yield the parts of a line between its gaps, with a corner at each step."""
    part: list[tuple[Any, float]] = []
    for x, y in zip(_listed(line.x), _listed(line.y), strict=True):
        if x is None or y is None:
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
            return [value for value in _listed(item.x) if value is not None]
        case Level(is_upright=True):
            return [item.at]
    return []


def _upright(item: Item) -> list[float]:
    match item:
        case Line() | Marks():
            found = _listed(item.y)
        case Band():
            found = [*_listed(item.lower), *_listed(item.upper)]
        case Level(is_upright=False):
            found = [item.at]
        case _:
            found = []
    return [value for value in found if value is not None and math.isfinite(value)]


def _widened(values: Sequence[float], share: float) -> tuple[float, float]:
    """Return the ends of some values with a little room on both sides."""
    low, high = min(values, default=0.0), max(values, default=1.0)
    room = share * (high - low) or 1.0
    return low - room, high + room


def _number(value: Any) -> float:
    return float(value.toordinal()) if isinstance(value, dt.date) else float(value)


def _listed(values: Any) -> list[Any]:
    return values.to_list() if isinstance(values, pl.Series) else list(values)


def _line(
    x1: float, y1: float, x2: float, y2: float, colour: str, width: float, dash: str = "solid"
) -> Markup:
    return Markup(
        '<line x1="{}" y1="{}" x2="{}" y2="{}" stroke="{}" stroke-width="{}" '
        'stroke-dasharray="{}"/>'
    ).format(_at(x1), _at(y1), _at(x2), _at(y2), colour, width, DASHES.get(dash, "none"))


def _path(points: Sequence[tuple[float, float]], line: Line) -> Markup:
    joined = " ".join(f"{_at(x)},{_at(y)}" for x, y in points)
    return Markup(
        '<polyline points="{}" fill="none" stroke="{}" stroke-width="{}" stroke-dasharray="{}"/>'
    ).format(joined, line.colour, line.width, DASHES.get(line.dash, "none"))


def _mark(x: float, y: float, marks: Marks) -> Markup:
    half = marks.px / 2
    if marks.mark.startswith("line-ns"):
        return _line(x, y - half, x, y + half, marks.colour, 3)
    return Markup(
        '<circle cx="{}" cy="{}" r="{}" fill="{}" stroke="{}" stroke-width="1.6"/>'
    ).format(_at(x), _at(y), _at(0.7 * half), marks.colour, marks.edge or "none")


def _text(
    x: float, y: float, said: str, colour: str, *, anchor: str = "start", weight: int = 400
) -> Markup:
    if not said:
        return Markup("")
    return Markup(
        '<text x="{}" y="{}" fill="{}" text-anchor="{}" font-weight="{}">{}</text>'
    ).format(_at(x), _at(y), colour, anchor, weight, said)


def _figure(value: float) -> str:
    return f"{value:g}".replace("-", "−")


def _at(value: float) -> str:
    return f"{value:.1f}"


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1].rstrip() + "…"
