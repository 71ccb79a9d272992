"""Draws charts on pages: a plotly figure as one dict, which is far cheaper than trace by trace."""

from __future__ import annotations

import html
import textwrap
from typing import Any

import numpy as np
import polars as pl

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
    Values,
)
from dashboard.look import Palette, faded, mixed

GAP = 0.04
"""Between two panels, as a share of the height."""
TOP_PX = 12
UNDER_AXIS_PX = 52
"""Where the legend begins: under the ticks and the axis' title. What is below is left for its
lines, which a phone has more of."""
SIGNS_A_LINE = 56
"""A phone holds about so many signs of a row's name on a line."""


def literal(text: object) -> str:
    """Return text so that the chart shows it letter for letter.

    >>> literal('<a href="x">tail</a>')
    '&lt;a href=&quot;x&quot;&gt;tail&lt;/a&gt;'
    """
    return html.escape(" ".join(str(text).split())).replace("%{", "%&#123;")


def figure(chart: Chart | CellTable) -> dict[str, Any]:
    """Return a chart as plotly takes it."""
    if isinstance(chart, CellTable):
        return _cells(chart)
    drawn: dict[str, list[dict[str, Any]]] = {"data": [], "shapes": [], "annotations": []}
    named: set[str] = set()
    for number, panel in enumerate(chart.panels, start=1):
        for item in panel.items:
            _draw(item, panel, f"y{number if number > 1 else ''}", chart.palette, named, drawn)
    if chart.corner:
        drawn["annotations"].append(
            {
                "x": 0.01, "xref": "x domain", "xanchor": "left",
                "y": 0.98, "yref": "y domain", "yanchor": "top",
                "text": literal(chart.corner), "showarrow": False,
                "font": {"color": chart.palette.muted, "size": 12},
            }
        )  # fmt: skip
    has_rows = not chart.panels[0].title
    layout = _layout(
        chart.palette, chart.height_px, below=chart.below_px, left=8 if has_rows else 56
    )
    layout |= {
        "hovermode": "closest" if chart.points_at_one else "x unified",
        "hoversubplots": "axis",
        "showlegend": chart.has_legend,
        "shapes": drawn["shapes"],
        "annotations": drawn["annotations"],
        "xaxis": _x_axis(chart),
    }
    for number, (panel, ends) in enumerate(
        zip(chart.panels, _domains(chart.panels), strict=True), start=1
    ):
        layout[f"yaxis{number if number > 1 else ''}"] = _y_axis(panel, ends, chart.palette)
    # Without any trace nothing at all would be drawn, not even the axes.
    return {"data": drawn["data"] or [{"type": "scatter"}], "layout": layout}


def _layout(palette: Palette, height: float, *, below: float, left: float) -> dict[str, Any]:
    return {
        "height": height,
        "margin": {"l": left, "r": 12, "t": TOP_PX, "b": below},
        # The page's own ground: a picture that is taken away keeps it.
        "paper_bgcolor": palette.paper,
        "plot_bgcolor": "rgba(0,0,0,0)",
        "font": {
            "family": "Source Sans, Source Sans Pro, sans-serif",
            "size": 13,
            "color": palette.text,
        },
        "hoverlabel": {
            "bgcolor": palette.paper,
            "bordercolor": palette.grid,
            "font": {"color": palette.text, "size": 13},
            "align": "left",
        },
        "legend": {
            "orientation": "h", "y": -UNDER_AXIS_PX / max(height - TOP_PX - below, 1),
            "yanchor": "top", "x": 0, "font": {"size": 12},
        },
        "dragmode": False,
        "autotypenumbers": "strict",
    }  # fmt: skip


def _axis(title: str, palette: Palette) -> dict[str, Any]:
    return {
        "title": {
            "text": title, "font": {"size": 13, "color": palette.muted}, "standoff": 15,
        },
        "tickfont": {"size": 12, "color": palette.muted},
        "gridcolor": palette.grid,
        "linecolor": palette.muted,
        "tickcolor": palette.muted,
        "ticks": "",
        "automargin": True,
        "zeroline": False,
        "fixedrange": True,
    }  # fmt: skip


def _x_axis(chart: Chart) -> dict[str, Any]:
    last = len(chart.panels)
    axis = _axis(chart.x_title, chart.palette) | {
        "anchor": f"y{last if last > 1 else ''}",
        "showline": True,
        "ticks": "outside",
        "showspikes": not chart.points_at_one,
        "spikemode": "across",
        "spikethickness": 1,
        "spikedash": "solid",
        "spikecolor": chart.palette.muted,
    }
    if chart.x_format.startswith("%"):
        # Few enough days to lie flat on a phone.
        axis |= {"hoverformat": chart.x_format, "nticks": 6, "tickangle": 0}
    elif chart.x_format:
        axis |= {"hoverformat": chart.x_format, "tickformat": chart.x_format}
    if chart.x_ends:
        axis["range"] = list(chart.x_ends)
    if chart.x_step:
        axis["dtick"] = chart.x_step
    return axis


def _y_axis(panel: Panel, domain: tuple[float, float], palette: Palette) -> dict[str, Any]:
    axis = _axis(panel.title, palette) | {"anchor": "x", "domain": list(domain)}
    axis["title"]["standoff"] = 6
    if panel.ends:
        axis["range"] = list(panel.ends)
    if panel.starts_at_zero:
        axis["rangemode"] = "tozero"
    if not panel.title:
        axis["visible"] = False
    return axis


def _domains(panels: list[Panel]) -> list[tuple[float, float]]:
    room = 1 - GAP * (len(panels) - 1)
    whole = sum(panel.weight for panel in panels)
    top, found = 1.0, []
    for panel in panels:
        bottom = max(top - room * panel.weight / whole, 0.0)
        found.append((bottom, top))
        top = bottom - GAP
    return found


def _draw(
    item: Item,
    panel: Panel,
    axis: str,
    palette: Palette,
    named: set[str],
    drawn: dict[str, list[dict[str, Any]]],
) -> None:
    """Add what an item is to plotly: a trace, a shape or an annotation."""
    match item:
        case Line() | Marks() | Band():
            trace = {"type": "scatter", "xaxis": "x", "yaxis": axis} | _trace(item, panel)
            trace |= {
                "name": literal(item.name),
                "legendgroup": item.name,
                "showlegend": bool(item.name) and item.name not in named and len(trace["x"]) > 0,
            }
            if trace["showlegend"]:
                named.add(item.name)
            if len(trace["x"]):
                drawn["data"].append(trace)
        case Stretch():
            drawn["shapes"].append(
                {
                    "type": "rect", "layer": "below", "line": {"width": 0},
                    "xref": "x", "x0": item.start, "x1": item.end,
                    "yref": f"{axis} domain", "y0": 0, "y1": 1,
                    "fillcolor": item.colour, "opacity": item.strength,
                }
            )  # fmt: skip
            if item.label:
                drawn["annotations"].append(
                    _words(item.label, item.start, 0, axis, palette)
                    | {
                        "yref": f"{axis} domain",
                        "font": {"size": 12, "color": palette.muted},
                        "bgcolor": "rgba(0,0,0,0)",
                    }
                )
        case Level():
            drawn["shapes"].append(_across(item, axis))
            if item.label:
                side = {"x": 1, "xanchor": "right"} if item.is_named_last else {"x": 0}
                drawn["annotations"].append(
                    _words(item.label, 0, item.at, axis, palette) | {"xref": "x domain"} | side
                )
        case Note():
            note = _words(item.text, item.x, item.y or 0.0, axis, palette, item.px, item.is_bold)
            if item.is_centred:
                note["xanchor"] = "center"
            if item.colour:
                note["font"]["color"] = item.colour
            if item.y is None:
                note |= {"y": 1, "yref": f"{axis} domain", "yanchor": "top"}
            note["bgcolor"] = faded(palette.paper, 0.7) if item.y is None else "rgba(0,0,0,0)"
            drawn["annotations"].append(note)
        case RowName():
            lines = [f"<b>{_wrapped(item.title, 1)}</b>", *filter(None, [_wrapped(item.below, 2)])]
            drawn["annotations"].append(
                _words("", 0, item.y, axis, palette, px=12)
                | {"xref": "x domain", "align": "left", "text": "<br>".join(lines)}
            )


def _words(
    text: str,
    x: Any,
    y: float,
    axis: str,
    palette: Palette,
    px: float = 12,
    is_bold: bool = False,
) -> dict[str, Any]:
    said = literal(text)
    return {
        "x": x, "xref": "x", "xanchor": "left", "y": y, "yref": axis, "yanchor": "bottom",
        "text": f"<b>{said}</b>" if is_bold else said, "showarrow": False,
        "font": {"size": px}, "bgcolor": palette.paper, "borderpad": 0,
    }  # fmt: skip


def _across(item: Level, axis: str) -> dict[str, Any]:
    along, other = ("y", "x") if not item.is_upright else ("x", "y")
    names = {"x": "x", "y": axis}
    return {
        "type": "line",
        f"{along}ref": names[along],
        f"{along}0": item.at,
        f"{along}1": item.at,
        f"{other}ref": f"{names[other]} domain",
        f"{other}0": 0,
        f"{other}1": 1,
        "line": {"color": item.colour, "width": item.width, "dash": item.dash},
    }


def _trace(item: Line | Marks | Band, panel: Panel) -> dict[str, Any]:
    match item:
        case Line():
            who, (form, _, unit) = literal(item.who or item.name), panel.told.partition(" ")
            told = f"{who}: %{{y:{form}}} {unit}" if who and form else ""
            return {
                "x": _plain(item.x),
                "y": _plain(item.y),
                "mode": "lines+markers" if item.mark else "lines",
                "line": {
                    "color": item.colour,
                    "width": item.width,
                    "dash": item.dash,
                    "shape": "hvh" if item.is_stepped else "linear",
                },
                "marker": {"size": item.mark_px, "symbol": item.mark or "circle"},
            } | _hover(told)
        case Marks():
            trace: dict[str, Any] = {
                "x": _plain(item.x),
                "y": _plain(item.y),
                "mode": "markers",
                "marker": {"size": item.px, "symbol": item.mark, "color": item.colour},
                "text": ["<br>".join(map(literal, said.split("\n"))) for said in item.words],
            } | _hover("%{text}" if item.words else "")
            if item.edge:
                trace["marker"]["line"] = {"width": 2, "color": item.edge}
            if item.half is not None:
                trace["error_y"] = {
                    "type": "data", "array": _plain(item.half), "color": item.colour,
                    "thickness": 2, "width": 5,
                }  # fmt: skip
            return trace
        case Band():
            lower, upper = (_numbers(end) for end in (item.lower, item.upper))
            seen = np.isfinite(lower) & np.isfinite(upper)
            speed = _numbers(item.x)[seen]
            return {
                "x": [*speed.tolist(), *speed[::-1].tolist()],
                "y": [*lower[seen].tolist(), *upper[seen][::-1].tolist()],
                "mode": "lines",
                "fill": "toself",
                "fillcolor": faded(item.colour, item.strength),
                "line": {"width": 0},
            } | _hover("")


def _plain(values: Values) -> Any:
    return values.to_list() if isinstance(values, pl.Series) else values


def _numbers(values: Values) -> np.ndarray:
    return np.asarray(_plain(values), dtype=float)


def _hover(told: str) -> dict[str, Any]:
    return {"hovertemplate": f"{told}<extra></extra>"} if told else {"hoverinfo": "skip"}


def _wrapped(text: str, most: int) -> str:
    wrapped = textwrap.wrap(" ".join(text.split()), SIGNS_A_LINE, max_lines=most, placeholder=" …")
    return "<br>".join(literal(line) for line in wrapped)


def _cells(table: CellTable) -> dict[str, Any]:
    """Return a table of cells; a place without one is blank."""
    shape = (len(table.loads), len(table.speeds))
    value = np.full(shape, np.nan)
    written = np.full(shape, "", dtype=object)
    told = np.full(shape, literal(table.told_elsewhere), dtype=object)
    row = {load: at for at, load in enumerate(table.loads)}
    column = {speed: at for at, speed in enumerate(table.speeds)}
    for (load, speed), cell in table.cells.items():
        at = row[load], column[speed]
        value[at], written[at] = cell.value, cell.written
        first, *rest = map(literal, cell.told.split("\n"))
        told[at] = "<br>".join([f"<b>{first}</b>", *rest])
    heatmap = {
        "type": "heatmap",
        "x": list(table.speeds.values()),
        "y": list(table.loads.values()),
        "z": value.tolist(),
        "text": written.tolist(),
        "texttemplate": "%{text}",
        "customdata": told.tolist(),
        "colorscale": cell_colours(table.palette, is_signed=table.is_signed),
        "zmin": table.ends[0],
        "zmax": table.ends[1],
        "xgap": 2,
        "ygap": 2,
        "showscale": False,
        "hoverongaps": False,
    } | _hover("%{customdata}")
    category = {"type": "category", "showgrid": False}
    layout = _layout(table.palette, 84 + 36 * max(len(table.loads), 3), below=60, left=56)
    layout |= {
        "hovermode": "closest",
        "xaxis": _axis("Engine speed [1000 rpm]", table.palette) | category,
        "yaxis": _axis(table.load_title, table.palette) | category,
    }
    return {"data": [heatmap], "layout": layout}


def cell_colours(palette: Palette, *, is_signed: bool) -> list[list[float | str]]:
    """Return colours from rich over nothing to lean, or from little to much."""
    if is_signed:
        return [
            [0, mixed(palette.rich, palette.paper, 0.85)],
            [0.5, mixed(palette.muted, palette.paper, 0.07)],
            [0.75, mixed(palette.warn, palette.paper, 0.5)],
            [1, palette.stop],
        ]
    return [
        [0, mixed(palette.good, palette.paper, 0.08)],
        [1, mixed(palette.good, palette.paper, 0.65)],
    ]
