"""What a chart is, said once: panels with lines, marks, bands and words; nothing here draws.

`on_page` makes a plotly figure of it, `on_paper` an SVG drawing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from dashboard.look import Palette

Values = Sequence[Any] | Any
"""Numbers, days or None, as a list, an array or a series."""


@dataclass(frozen=True)
class Line:
    """A line, with or without a mark at each of its points."""

    x: Values
    y: Values
    colour: str
    name: str = ""
    """In the legend, once for all lines of one name; none without."""
    width: float = 2.0
    dash: str = "solid"
    is_stepped: bool = False
    mark: str = ""
    mark_px: float = 0.0
    who: str = ""
    """What stands before its value under the pointer, if not the name."""


@dataclass(frozen=True)
class Marks:
    """Points without a line."""

    x: Values
    y: Values
    colour: str
    name: str = ""
    mark: str = "circle"
    px: float = 7.0
    edge: str = ""
    """Colour of the mark's edge, if it has one of its own."""
    half: Values | None = None
    """Half of the interval drawn up and down from each."""
    words: Sequence[str] = ()
    """What is told of each under the pointer."""


@dataclass(frozen=True)
class Band:
    """The space between two curves."""

    x: Values
    lower: Values
    upper: Values
    colour: str
    strength: float
    name: str = ""


@dataclass(frozen=True)
class Stretch:
    """A stretch of the horizontal axis, over the whole height of a panel."""

    start: Any
    end: Any
    colour: str
    strength: float
    label: str = ""


@dataclass(frozen=True)
class Level:
    """A straight line across a panel: level at a value, or upright at one of the axis below."""

    at: float
    colour: str
    dash: str = "solid"
    width: float = 1.0
    label: str = ""
    is_named_last: bool = False
    """The label stands at the right end."""
    is_upright: bool = False


@dataclass(frozen=True)
class Note:
    """Words at a point, or at the top of the panel where no height is given."""

    x: Any
    y: float | None
    text: str
    px: float = 11.0
    is_bold: bool = False
    is_centred: bool = False
    colour: str = ""
    """That of the text where none is given."""


@dataclass(frozen=True)
class RowName:
    """The name of a row of a chart whose vertical axis counts rows."""

    y: float
    title: str
    below: str = ""


Item = Line | Marks | Band | Stretch | Level | Note | RowName


@dataclass(frozen=True)
class Panel:
    """One panel over the common horizontal axis."""

    title: str
    """With its unit; without one the axis is not drawn."""
    items: list[Item] = field(default_factory=list)
    told: str = ""
    """How a line's value is told under the pointer, such as `.1f kW`; not at all without."""
    weight: float = 1.0
    ends: tuple[float, float] | None = None
    starts_at_zero: bool = False


@dataclass(frozen=True)
class Chart:
    """Panels over one another, on one horizontal axis."""

    panels: list[Panel]
    x_title: str
    palette: Palette
    height_px: float
    said: str
    """The chart in a few words, for who cannot see it."""
    below_px: float = 96.0
    x_format: str = ""
    x_ends: tuple[float, float] | None = None
    x_step: float | None = None
    points_at_one: bool = False
    """The pointer tells of the nearest point alone, not of all at its place."""
    has_legend: bool = True
    corner: str = ""
    """Words in the corner of the first panel."""


@dataclass(frozen=True)
class Cell:
    """One cell of a table over engine speed and load."""

    value: float
    written: str
    told: str


@dataclass(frozen=True)
class CellTable:
    """Cells over engine speed and load, coloured by their value."""

    cells: dict[tuple[Any, Any], Cell]
    """By their load and speed."""
    loads: dict[Any, str]
    """What each row is called, from the bottom up."""
    speeds: dict[Any, str]
    load_title: str
    palette: Palette
    is_signed: bool
    """Rich to lean about nothing, or little to much."""
    ends: tuple[float, float | None]
    told_elsewhere: str = ""
    """Of a place without a cell."""
