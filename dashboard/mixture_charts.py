"""Charts of what a map needs and what to expect of one: frames in, plotly figures out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import plotly.graph_objects as go
import polars as pl

from dashboard.look import (
    Limits,
    Look,
    amount_scale,
    cell_table,
    dress,
    faded,
    level_lines,
    literal,
    need_scale,
    shade_between,
    signed,
)
from warehouse.fuel_table import HELD_BY

MOST_SHOWN_PCT = 10.0
"""Change at which the colours of the table end."""


def fuel_change_chart(
    cells: pl.DataFrame,
    throttle_pct: Sequence[float],
    speed_rpm: Sequence[float],
    look: Look,
    *,
    seams: Mapping[tuple[float, float], float] | None = None,
    show: str = "enter",
) -> go.Figure:
    """Draw a suggested fuel change on the map's own breakpoints."""
    beside = dict(seams or {}) if show == "enter" else {}
    rows = _seen(throttle_pct, [*cells["throttle_pct"], *(place[0] for place in beside)])
    columns = _seen(speed_rpm, [*cells["speed_rpm"], *(place[1] for place in beside)])
    value = np.full((len(rows), len(columns)), np.nan)
    written = np.full(value.shape, "", dtype=object)
    told = np.full(value.shape, "nothing was seen here: left as it is", dtype=object)
    for cell in cells.iter_rows(named=True):
        at = rows.index(cell["throttle_pct"]), columns.index(cell["speed_rpm"])
        half = 0.5 * (cell["upper_pct"] - cell["lower_pct"])
        if show == "need":
            value[at], written[at] = half, f"±{half:.1f}"
        elif show == "evidence":
            value[at] = 100 * cell["evidence_share"]
            written[at] = f"{value[at]:.0f}"
        else:
            value[at] = cell["suggested_pct"]
            written[at] = signed(cell["suggested_pct"]) + ("*" if cell["held_by"] else "")
        told[at] = (
            f"<b>{signed(cell['suggested_pct'])} % fuel</b> at {cell['throttle_pct']:g} % "
            f"throttle, {cell['speed_rpm']:,.0f} rpm<br>needed {signed(cell['needed_pct'])} % "
            f"({signed(cell['lower_pct'])} to {signed(cell['upper_pct'])})<br>"
            f"{literal(HELD_BY.get(cell['held_by'], cell['held_by'])) or 'as needed'}<br>"
            f"told by evidence: {100 * cell['evidence_share']:.0f} %"
        )
    for (throttle, speed), seam in beside.items():
        at = rows.index(throttle), columns.index(speed)
        value[at], written[at] = seam, f"{signed(seam)}?"
        told[at] = (
            f"<b>{signed(seam)} % fuel</b> at {throttle:g} % throttle, {speed:,.0f} rpm<br>"
            "not seen: half of what is added beside it"
        )
    ends = {
        "enter": (-MOST_SHOWN_PCT, MOST_SHOWN_PCT),
        "need": (0.0, 4.0),
        "evidence": (0.0, 100.0),
    }[show]
    return cell_table(
        value,
        [f"{speed / 1000:g}" for speed in columns],
        [f"{throttle:g}" for throttle in rows],
        written,
        told,
        look,
        scale=need_scale(look.palette) if show == "enter" else amount_scale(look.palette),
        ends=ends,
        row_px=34,
    )


def expected_cell_chart(cells: pl.DataFrame, look: Look) -> go.Figure:
    """Draw the part-throttle lean error to expect on throttle and engine speed."""
    throttle = sorted(set(zip(cells["throttle_from_pct"], cells["throttle_to_pct"], strict=True)))
    speed = sorted(set(zip(cells["speed_from_rpm"], cells["speed_to_rpm"], strict=True)))
    value = np.full((len(throttle), len(speed)), np.nan)
    written = np.full(value.shape, "", dtype=object)
    told = np.full(value.shape, "", dtype=object)
    for row in cells.iter_rows(named=True):
        at = (
            throttle.index((row["throttle_from_pct"], row["throttle_to_pct"])),
            speed.index((row["speed_from_rpm"], row["speed_to_rpm"])),
        )
        value[at] = row["expected_error_pct"]
        written[at] = signed(row["expected_error_pct"])
        span = (
            "too few bikes to say how far"
            if row["lower_pct"] is None
            else f"{signed(row['lower_pct'])} to {signed(row['upper_pct'])} on 19 of 20 bikes"
        )
        told[at] = (
            f"throttle {row['throttle_from_pct']:g} to {row['throttle_to_pct']:g} %, "
            f"{row['speed_from_rpm']:,.0f} to {row['speed_to_rpm']:,.0f} rpm<br>expected "
            f"{signed(row['expected_error_pct'])} %<br>{span}, {row['bikes']} ridden"
        )
    return cell_table(
        value,
        [f"{low / 1000:.1f}–{high / 1000:.1f}" for low, high in speed],
        [f"{low:g}–{high:g}" for low, high in throttle],
        written,
        told,
        look,
        scale=need_scale(look.palette),
        ends=(-15.0, 15.0),
    )


def error_chart(
    lines: Sequence[tuple[str, pl.DataFrame]],
    look: Look,
    limits: Limits,
    *,
    band: str = "",
    regions: Sequence[tuple[float, float]] = (),
) -> go.Figure:
    """Draw lean error over engine speed: the last line with its band, the others thin."""
    palette = look.palette
    figure = go.Figure()
    figure.update_layout(legend_traceorder="normal")
    for from_rpm, to_rpm in regions:
        figure.add_vrect(
            x0=from_rpm, x1=to_rpm, fillcolor=faded(palette.warn, 0.12), line_width=0, layer="below"
        )
    for place, (name, frame) in enumerate(lines):
        is_main = place == len(lines) - 1
        speed = frame["engine_speed_rpm"].to_numpy()
        if is_main and band:
            lower, upper = (frame[end].cast(pl.Float64) for end in ("lower_pct", "upper_pct"))
            shade_between(
                figure,
                speed,
                lower.to_numpy(),
                upper.to_numpy(),
                faded(palette.after, 0.16),
                literal(band),
            )
        figure.add_scatter(
            x=speed,
            y=frame["error_pct"].to_numpy(),
            mode="lines",
            line={
                "color": palette.after if is_main else palette.before,
                "width": 2.5 if is_main else 1.5,
                "dash": "solid" if is_main else "dash",
            },
            name=literal(name),
            hovertemplate="%{y:+.1f} %",
        )
    level_lines(figure, limits, palette)
    dress(figure, look, height=420)
    figure.update_xaxes(title_text="Engine speed [rpm]", tickformat=",.0f", hoverformat=",.0f")
    figure.update_yaxes(title_text="Lean error [%]")
    return figure


def _seen(axis: Sequence[float], used: Sequence[float]) -> list[float]:
    """Return the breakpoints from one before the first used to one after the last."""
    if not used:
        return list(axis)
    places = [axis.index(value) for value in used]
    return list(axis[max(min(places) - 1, 0) : max(places) + 2])
