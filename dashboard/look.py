"""How charts look: colours, units, and the few strokes that all charts are drawn with."""

from __future__ import annotations

import html
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import plotly.graph_objects as go

from dashboard.wording import number
from schemas.units import shown_power


@dataclass(frozen=True)
class Palette:
    """Colours for one background; meaning never hangs on hue alone."""

    paper: str
    text: str
    muted: str
    grid: str
    before: str
    after: str
    notice: str
    warn: str
    stop: str
    rich: str
    good: str


# Levels go from light to dark (or dim to bright) as they get worse, so that they keep their
# order for every kind of colour vision; tests/dashboard/test_charts.py measures it.
LIGHT = Palette(
    paper="#FBFAF7",
    text="#1A2226",
    muted="#5A666C",
    grid="#DEE1DD",
    before="#77838A",
    after="#0A5C9C",
    notice="#B88700",
    warn="#A83A06",
    stop="#6E0A2A",
    rich="#5B7FB9",
    good="#0F6E6A",
)
DARK = Palette(
    paper="#14191C",
    text="#E9E7E1",
    muted="#A3AEB3",
    grid="#333C41",
    before="#97A3AA",
    after="#6DB7F2",
    notice="#94741A",
    warn="#F09A3E",
    stop="#FF93A8",
    rich="#6F8FD0",
    good="#5CC4BC",
)


@dataclass(frozen=True)
class Look:
    """How the shop and the reader want figures shown."""

    palette: Palette = LIGHT
    power_unit: str = "kW"
    mixture: str = "lambda"
    afr_scale: float = 14.7

    @property
    def mixture_title(self) -> str:
        """Axis title of the mixture."""
        if self.mixture == "afr":
            return f"Mixture [AFR, {self.afr_scale:g} at λ 1]"
        return "Mixture, λ [1]"

    def shown_mixture(self, lambda_wide: Any) -> Any:
        """Return lambda on the gauge that the shop chose."""
        return lambda_wide * self.afr_scale if self.mixture == "afr" else lambda_wide

    def shown_power(self, power_w: Any) -> Any:
        """Return power in the unit that the shop chose."""
        return shown_power(power_w, self.power_unit)


@dataclass(frozen=True)
class Limits:
    """The shop's lean levels, as percent of lean error."""

    notice_pct: float
    warn_pct: float
    stop_pct: float

    def levels(self) -> tuple[tuple[str, float], ...]:
        """Return the levels with their thresholds, mildest first."""
        return (("notice", self.notice_pct), ("warn", self.warn_pct), ("stop", self.stop_pct))


def literal(text: object) -> str:
    """Return text so that the chart shows it letter for letter.

    >>> literal('<a href="x">tail</a>')
    '&lt;a href=&quot;x&quot;&gt;tail&lt;/a&gt;'
    """
    return html.escape(" ".join(str(text).split())).replace("%{", "%&#123;")


def shade_between(
    figure: go.Figure,
    speed: np.ndarray,
    lower: np.ndarray,
    upper: np.ndarray,
    colour: str,
    name: str,
    row: int | None = None,
) -> None:
    """Shade between two curves where both are seen; nothing where neither is."""
    seen = np.isfinite(lower) & np.isfinite(upper)
    if not seen.any():
        return
    figure.add_scatter(
        x=np.concatenate([speed[seen], speed[seen][::-1]]),
        y=np.concatenate([lower[seen], upper[seen][::-1]]),
        fill="toself",
        fillcolor=colour,
        line={"width": 0},
        hoverinfo="skip",
        name=name,
        showlegend=bool(name),
        row=row,
        col=None if row is None else 1,
    )


def dress(figure: go.Figure, look: Look, *, height: int, below: int = 96, left: int = 56) -> None:
    """Give a figure the colours, fonts and margins that all charts have."""
    palette = look.palette
    figure.update_layout(
        height=height,
        margin={"l": left, "r": 12, "t": 12, "b": below},
        paper_bgcolor="rgba(0,0,0,0)",
        plot_bgcolor="rgba(0,0,0,0)",
        font={
            "family": "Source Sans, Source Sans Pro, sans-serif",
            "size": 13,
            "color": palette.text,
        },
        hovermode="x unified",
        hoverlabel={
            "bgcolor": palette.paper,
            "bordercolor": palette.grid,
            "font": {"color": palette.text, "size": 13},
        },
        legend={
            "orientation": "h",
            "yref": "container",
            "y": 0,
            "yanchor": "bottom",
            "x": 0,
            "font": {"size": 12},
        },
        dragmode=False,
        template=None,
    )
    axes = {
        "gridcolor": palette.grid,
        "linecolor": palette.muted,
        "tickcolor": palette.muted,
        "zeroline": False,
        "fixedrange": True,
        "title_font": {"size": 13, "color": palette.muted},
        "tickfont": {"size": 12, "color": palette.muted},
    }
    figure.update_xaxes(
        **axes,
        showline=True,
        ticks="outside",
        showspikes=True,
        spikemode="across",
        spikethickness=1,
        spikedash="solid",
        spikecolor=palette.muted,
    )
    figure.update_yaxes(**axes, title_standoff=6)


def level_colours(palette: Palette) -> dict[str, str]:
    """Return the colour of each mixture level."""
    return {
        "stop": palette.stop,
        "warn": palette.warn,
        "notice": palette.notice,
        "none": palette.muted,
    }


def signed(value: float, digits: int = 1) -> str:
    """Return a figure with its sign."""
    return number(value, digits, signed=True)


def wrapped_lines(text: str, most: int) -> str:
    """Return text wrapped for a chart, letter for letter."""
    # A phone holds about 56 signs of this size on a line.
    wrapped = textwrap.wrap(" ".join(text.split()), 56, max_lines=most, placeholder=" …")
    return "<br>".join(literal(line) for line in wrapped)


def with_gaps(starts: Any, ends: Any) -> list[float | None]:
    """Return starts and ends in turn, with a gap between pairs: many strokes as one trace."""
    joined: list[float | None] = []
    for start, end in zip(starts, ends, strict=True):
        joined += [float(start), float(end), None]
    return joined


def _channels(colour: str) -> tuple[int, int, int]:
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def faded(colour: str, strength: float) -> str:
    """Return a colour made partly transparent."""
    red, green, blue = _channels(colour)
    return f"rgba({red},{green},{blue},{strength})"


def mixed(colour: str, ground: str, strength: float) -> str:
    """Return the opaque colour that a transparent one makes on its background."""
    pairs = zip(_channels(colour), _channels(ground), strict=True)
    mixed = [round(strength * front + (1 - strength) * back) for front, back in pairs]
    return "#" + "".join(f"{channel:02X}" for channel in mixed)


def need_scale(palette: Palette) -> list[list[float | str]]:
    """Return colours from rich over nothing to lean."""
    return [
        [0, mixed(palette.rich, palette.paper, 0.85)],
        [0.5, mixed(palette.muted, palette.paper, 0.07)],
        [0.75, mixed(palette.warn, palette.paper, 0.5)],
        [1, palette.stop],
    ]


def amount_scale(palette: Palette) -> list[list[float | str]]:
    """Return colours from little to much."""
    return [
        [0, mixed(palette.good, palette.paper, 0.08)],
        [1, mixed(palette.good, palette.paper, 0.65)],
    ]


def cell_table(
    value: np.ndarray,
    columns: Sequence[str],
    rows: Sequence[str],
    written: np.ndarray,
    told: np.ndarray,
    look: Look,
    *,
    scale: list[list[float | str]],
    ends: tuple[float, float | None],
    load: str = "Throttle [%]",
    row_px: int = 36,
) -> go.Figure:
    """Return a table of cells over engine speed and load, coloured by value; NaN is blank."""
    figure = go.Figure(
        go.Heatmap(
            z=value,
            x=columns,
            y=rows,
            text=written,
            texttemplate="%{text}",
            customdata=told,
            hovertemplate="%{customdata}<extra></extra>",
            colorscale=scale,
            zmin=ends[0],
            zmax=ends[1],
            xgap=2,
            ygap=2,
            showscale=False,
            hoverongaps=False,
        )
    )
    dress(figure, look, height=84 + row_px * max(len(rows), 3), below=60)
    figure.update_layout(hovermode="closest")
    figure.update_xaxes(
        title_text="Engine speed [1000 rpm]", type="category", showgrid=False, showspikes=False
    )
    figure.update_yaxes(title_text=load, type="category", showgrid=False)
    return figure


def level_lines(figure: go.Figure, limits: Limits, palette: Palette) -> None:
    """Draw the lean levels and the target across a chart of lean error."""
    colours = level_colours(palette)
    for level, at in limits.levels():
        figure.add_hline(
            y=at,
            line={"color": colours[level], "width": 1, "dash": "dash"},
            annotation={"text": f"{level} {at:g} %", "bgcolor": palette.paper, "borderpad": 0},
            annotation_position="top left",
        )
    figure.add_hline(y=0, line={"color": palette.text, "width": 1})
