"""Frames in, plotly figures out. Nothing here knows of pages or of the store."""

from __future__ import annotations

from typing import Any

import numpy as np
import plotly.graph_objects as go
import polars as pl
from plotly.subplots import make_subplots

from dashboard.look import (
    Limits,
    Look,
    Palette,
    amount_scale,
    cell_table,
    dress,
    faded,
    level_colours,
    level_lines,
    literal,
    need_scale,
    shade_between,
    signed,
    with_gaps,
    wrapped_lines,
)
from dashboard.wording import number, plan_words
from schemas.desk import Tried

MOST_NEEDS = 12
"""A chart has room for no more; the table below it shows all."""
THIN_BELOW_S = 3.0
"""A cell that was seen for less stands in brackets. [s]"""


def need_chart(needs: pl.DataFrame, look: Look) -> go.Figure:
    """Draw the chance of a lean window for each combination; the sure part is drawn heavy."""
    shown = needs.head(MOST_NEEDS)
    palette = look.palette
    place = list(range(shown.height))[::-1]
    low, middle, high = (
        100 * shown[name].to_numpy()
        for name in ("warn_lower_share", "warn_share", "warn_upper_share")
    )
    told = [
        f"{literal(row['model_label'])}<br>{literal(row['parts_label'])}, map "
        f"{literal(row['map_label'])}<br>{row['lean_bikes']} of {row['bikes']} bikes lean"
        f"<br>chance {100 * row['warn_share']:.0f} %, at least "
        f"{100 * row['warn_lower_share']:.0f} %, at most {100 * row['warn_upper_share']:.0f} %"
        for row in shown.iter_rows(named=True)
    ]
    figure = go.Figure()
    for start, end, width, colour, name in (
        (np.zeros_like(low), low, 9, palette.warn, "sure of (lower bound)"),
        (low, high, 2, palette.muted, "may be (90 % interval)"),
    ):
        figure.add_scatter(
            x=with_gaps(start, end),
            y=with_gaps(place, place),
            mode="lines",
            line={"width": width, "color": colour},
            name=name,
            hoverinfo="skip",
        )
    figure.add_scatter(
        x=middle,
        y=place,
        mode="markers",
        marker={
            "size": 10,
            "color": palette.paper,
            "line": {"width": 2, "color": palette.text},
        },
        name="best estimate",
        text=told,
        hovertemplate="%{text}<extra></extra>",
    )
    for at, row in zip(place, shown.iter_rows(named=True), strict=True):
        title = f"{row['need_rank']}. {row['model_label']}, {row['map_label']} map"
        built = f"n = {row['bikes']}: {row['parts_label']}"
        figure.add_annotation(
            x=0,
            y=at + 0.13,
            xanchor="left",
            yanchor="bottom",
            showarrow=False,
            align="left",
            text=f"<b>{wrapped_lines(title, 1)}</b><br>{wrapped_lines(built, 2)}",
            font={"size": 12},
            bgcolor=palette.paper,
            borderpad=0,
        )
    dress(figure, look, height=166 + 78 * max(shown.height, 1), below=132, left=8)
    figure.update_layout(hovermode="closest")
    figure.update_xaxes(
        title_text="Chance of a lean window at warn level [%]",
        range=[-1, 101],
        dtick=20,
        showspikes=False,
    )
    figure.update_yaxes(visible=False, range=[-0.5, shown.height - 0.1])
    return figure


def member_chart(
    curves: pl.DataFrame,
    members: pl.DataFrame,
    look: Look,
    limits: Limits,
    *,
    as_error: bool = True,
) -> go.Figure:
    """Draw the full-throttle mixture of several stages over one another."""
    palette = look.palette
    colours = level_colours(palette)
    figure = go.Figure()
    named: set[str] = set()
    for row in members.iter_rows(named=True):
        curve = curves.filter(pl.col("stage_id") == row["stage_id"])
        if curve.is_empty():
            continue
        level = row["level"] if row["level"] in colours else "none"
        value = (
            curve["lean_error_pct"].to_numpy()
            if as_error
            else look.shown_mixture(curve["lambda_wide"].to_numpy())
        )
        figure.add_scatter(
            x=curve["engine_speed_rpm"].to_numpy(),
            y=value,
            mode="lines",
            line={
                "color": colours[level],
                "width": 2.5 if level in ("warn", "stop") else 1.5,
                "dash": {"stop": "solid", "warn": "solid", "notice": "dash"}.get(level, "dot"),
            },
            name="no lean window" if level == "none" else level,
            legendgroup=level,
            showlegend=level not in named,
            hovertemplate=f"{literal(row['bike_id'])} {literal(row['stage_name'])}: "
            + ("%{y:+.1f} %" if as_error else "%{y:.2f}")
            + "<extra></extra>",
        )
        named.add(level)
    if as_error:
        level_lines(figure, limits, palette)
        title = "Lean error [%]"
    else:
        target = curves.drop_nulls("lambda_target")
        if not target.is_empty():
            first = target.filter(pl.col("stage_id") == target["stage_id"][0])
            figure.add_scatter(
                x=first["engine_speed_rpm"].to_numpy(),
                y=look.shown_mixture(first["lambda_target"].to_numpy()),
                mode="lines",
                line={"color": palette.text, "width": 1.5, "dash": "dash"},
                name="target",
                hoverinfo="skip",
            )
        title = look.mixture_title
    dress(figure, look, height=430)
    figure.update_layout(hovermode="closest" if members.height > 12 else "x unified")
    figure.update_xaxes(title_text="Engine speed [rpm]", tickformat=",.0f")
    figure.update_yaxes(title_text=title)
    return figure


def comparison_chart(
    difference: pl.DataFrame,
    before: pl.DataFrame | None,
    after: pl.DataFrame,
    windows: pl.DataFrame,
    look: Look,
    limits: Limits,
    *,
    names: tuple[str, str] = ("before", "after"),
    power_at: str = "",
) -> go.Figure:
    """Draw power, gain, torque and mixture of one or two stages on one engine-speed axis."""
    palette = look.palette
    has_gain = not difference.is_empty()
    panels = ["power", *(["gain"] if has_gain else []), "torque", "mixture"]
    row_of = {panel: place for place, panel in enumerate(panels, start=1)}
    weights = {"power": 0.32, "gain": 0.2, "torque": 0.19, "mixture": 0.29}
    figure = make_subplots(
        rows=len(panels),
        cols=1,
        shared_xaxes=True,
        vertical_spacing=0.035,
        row_heights=[weights[panel] for panel in panels],
    )
    stages = [(after, names[1], palette.after, 2.8)]
    if before is not None:
        stages.insert(0, (before, names[0], palette.before, 2.2))
    if has_gain:
        speed = difference["engine_speed_rpm"].to_numpy()
        was = difference["before_w"].to_numpy()
        shade_between(
            figure,
            speed,
            look.shown_power(was * (1 + difference["lower_pct"].to_numpy() / 100)),
            look.shown_power(was * (1 + difference["upper_pct"].to_numpy() / 100)),
            faded(palette.after, 0.22),
            "95 % at each speed",
            row_of["power"],
        )
    for panel, column, digits, unit in (
        ("power", "power_w", 1, f" {look.power_unit}"),
        ("torque", "torque_nm", 1, " N·m"),
        ("mixture", "lambda_wide", 2, " AFR" if look.mixture == "afr" else " λ"),
    ):
        for curve, name, colour, width in stages:
            value = curve[column].to_numpy()
            if panel == "power":
                value = look.shown_power(value)
            elif panel == "mixture":
                value = look.shown_mixture(value)
            figure.add_scatter(
                x=curve["engine_speed_rpm"].to_numpy(),
                y=value,
                mode="lines",
                line={"color": colour, "width": width},
                name=literal(name),
                legendgroup=name,
                showlegend=panel == "power",
                hovertemplate=f"{literal(name)}: %{{y:.{digits}f}}{unit}<extra></extra>",
                row=row_of[panel],
                col=1,
            )
    if has_gain:
        _gain_panel(figure, difference, look, row_of["gain"])
    _mixture_panel(figure, after, windows, look, limits, row_of["mixture"])
    for window in windows.filter(pl.col("side") == "lean").iter_rows(named=True):
        colour = level_colours(palette).get(window["level"], palette.notice)
        for panel in panels:
            figure.add_vrect(
                x0=window["from_rpm"],
                x1=window["to_rpm"],
                fillcolor=colour,
                opacity=0.2 if panel == "mixture" else 0.07,
                line_width=0,
                layer="below",
                **_panel(row_of[panel]),
            )
    dress(figure, look, height=980 if has_gain else 800, below=128)
    _onto_one_axis(figure, len(panels))
    _over_engine_speed(figure, len(panels), power_at, palette)
    figure.update_yaxes(title_text=f"Wheel power [{look.power_unit}]", row=row_of["power"], col=1)
    figure.update_yaxes(title_text="Wheel torque [N·m]", row=row_of["torque"], col=1)
    figure.update_yaxes(title_text=look.mixture_title, row=row_of["mixture"], col=1)
    return figure


def health_chart(
    points: pl.DataFrame, regions: pl.DataFrame, look: Look, limits: Limits, *, power_at: str = ""
) -> go.Figure:
    """Draw a bike's baseline over the band of its siblings: power, difference and mixture."""
    palette = look.palette
    values = {
        name: points[name].to_numpy().astype(float) for name in points.columns if name != "siblings"
    }
    speed, usual_w = values["engine_speed_rpm"], values["usual_power_w"]
    against = {
        name: 100 * (values[column] / usual_w - 1)
        for name, column in (
            ("own", "power_w"),
            ("lower", "usual_power_lower_w"),
            ("upper", "usual_power_upper_w"),
        )
    }
    drawn = {
        "power": (
            look.shown_power(values["power_w"]),
            look.shown_power(usual_w),
            look.shown_power(values["usual_power_lower_w"]),
            look.shown_power(values["usual_power_upper_w"]),
            f"%{{y:.1f}} {look.power_unit}",
        ),
        "shape": (
            against["own"],
            np.where(np.isfinite(usual_w), 0.0, np.nan),
            against["lower"],
            against["upper"],
            "%{y:+.1f} %",
        ),
        "mixture": (
            values["lean_error_pct"],
            values["usual_lean_error_pct"],
            values["usual_lean_error_lower_pct"],
            values["usual_lean_error_upper_pct"],
            "%{y:+.1f} %",
        ),
    }
    panels = [name for name, lines in drawn.items() if np.isfinite(lines[0]).any()]
    row_of = {name: row for row, name in enumerate(panels, start=1)}
    weights = {"power": 0.42, "shape": 0.26, "mixture": 0.32}
    figure = make_subplots(
        rows=len(panels),
        cols=1,
        shared_xaxes=True,
        vertical_spacing=0.04,
        row_heights=[weights[name] for name in panels],
    )
    for name_of_panel, row in row_of.items():
        own, usual, lower, upper, told = drawn[name_of_panel]
        shade_between(
            figure,
            speed,
            lower,
            upper,
            faded(palette.before, 0.28),
            "the middle half of the siblings" if row == 1 else "",
            row,
        )
        for name, line, colour, width, dash in (
            ("siblings' median", usual, palette.before, 2.0, "dash"),
            ("this bike", own, palette.after, 2.8, "solid"),
        ):
            if not np.isfinite(line).any():
                continue
            figure.add_scatter(
                x=speed,
                y=line,
                mode="lines",
                line={"color": colour, "width": width, "dash": dash},
                name=name,
                legendgroup=name,
                showlegend=row == 1,
                hovertemplate=f"{name}: {told}<extra></extra>",
                row=row,
                col=1,
            )
    colours = level_colours(palette)
    for level, at in limits.levels() if "mixture" in row_of else ():
        figure.add_hline(
            y=at,
            line={"color": colours[level], "width": 1, "dash": "dot"},
            annotation={"text": f"{level} {at:g} %", "bgcolor": palette.paper, "borderpad": 0},
            annotation_position="top left",
            **_panel(row_of["mixture"]),
        )
    for region in regions.iter_rows(named=True):
        is_up = region["change_pct"] > 0
        in_mixture = region["quantity"] == "mixture"
        # Weak and lean are the colour of a warning, strong and rich the cool one.
        colour = palette.warn if is_up == in_mixture else palette.rich
        where = row_of["mixture" if in_mixture else "shape"]
        for row in {where, where if in_mixture else row_of["power"]}:
            figure.add_vrect(
                x0=region["from_rpm"],
                x1=region["to_rpm"],
                fillcolor=colour,
                opacity=0.16,
                line_width=0,
                layer="below",
                **_panel(row),
            )
        figure.add_annotation(
            x=(region["from_rpm"] + region["to_rpm"]) / 2,
            y=1,
            yref=f"y{where} domain",
            yanchor="top",
            showarrow=False,
            text=f"<b>{signed(region['change_pct'])}{'' if in_mixture else ' %'}</b>",
            font={"size": 13},
            bgcolor=faded(palette.paper, 0.7),
            borderpad=0,
            **_panel(where),
        )
    height = 130 + 730 * sum(weights[name] for name in panels)
    dress(figure, look, height=round(height), below=128)
    _onto_one_axis(figure, len(panels))
    _over_engine_speed(figure, len(panels), power_at, palette)
    for name, title in (
        ("power", f"Wheel power [{look.power_unit}]"),
        ("shape", "Against median [%]"),
        ("mixture", "Lean error [%]"),
    ):
        if name in row_of:
            figure.update_yaxes(title_text=title, **_panel(row_of[name]))
    return figure


def cell_chart(
    cells: pl.DataFrame,
    look: Look,
    *,
    show_time: bool = False,
    by_pressure: bool = False,
) -> go.Figure:
    """Draw the steady part-throttle mixture on throttle and engine speed."""
    word, unit, size = ("pressure", "pa", 1000.0) if by_pressure else ("throttle", "pct", 1.0)
    ends = (f"{word}_from_{unit}", f"{word}_to_{unit}")
    load = sorted(set(zip(*(cells[end] for end in ends), strict=True)))
    speed = sorted(set(zip(cells["speed_from_rpm"], cells["speed_to_rpm"], strict=True)))
    shape = (len(load), len(speed))
    value = np.full(shape, np.nan)
    written = np.full(shape, "", dtype=object)
    told = np.full(shape, "", dtype=object)
    for row in cells.iter_rows(named=True):
        at = (
            load.index((row[ends[0]], row[ends[1]])),
            speed.index((row["speed_from_rpm"], row["speed_to_rpm"])),
        )
        value[at] = row["dwell_s"] if show_time else row["lean_error_pct"]
        text = f"{row['dwell_s']:.0f}" if show_time else signed(row["lean_error_pct"])
        text += "c" * row["is_closed_loop"]
        written[at] = f"({text})" if row["dwell_s"] < THIN_BELOW_S else text
        low, high = (look.shown_mixture(row[f"lambda_{end}"]) for end in ("lower", "upper"))
        told[at] = (
            f"{word} {row[ends[0]] / size:g} to {row[ends[1]] / size:g} "
            f"{'kPa' if by_pressure else '%'}, "
            f"{row['speed_from_rpm']:,.0f} to {row['speed_to_rpm']:,.0f} rpm<br>"
            f"median {look.shown_mixture(row['lambda_median']):.2f} ({low:.2f} to {high:.2f}), "
            f"wanted {look.shown_mixture(row['target_low']):.2f} to "
            f"{look.shown_mixture(row['target_high']):.2f}<br>lean error "
            f"{signed(row['lean_error_pct'])} %<br>seen {row['dwell_s']:.1f} s, "
            f"{row['hits']} times, in band {100 * row['in_band_share']:.0f} % of it"
            + "<br>closed loop: the trims tell of the map"
            * row["is_closed_loop"]
        )
    return cell_table(
        value,
        [f"{low / 1000:g}–{high / 1000:g}" for low, high in speed],
        [f"{low / size:g}–{high / size:g}" for low, high in load],
        written,
        told,
        look,
        scale=amount_scale(look.palette) if show_time else need_scale(look.palette),
        ends=(0, None) if show_time else (-15, 15),
        load="Manifold pressure [kPa]" if by_pressure else "Throttle [%]",
    )


def control_chart(checks: pl.DataFrame, look: Look) -> go.Figure:
    """Draw the control bike's level over time with the limits of both charts."""
    palette = look.palette
    day = checks["run_on"].to_list()
    figure = make_subplots(rows=2, cols=1, shared_xaxes=True, vertical_spacing=0.06)
    reference = checks.filter(pl.col("is_reference"))["run_on"].to_list()
    for row, value, lower, upper, name, colour, mark in (
        (
            1,
            "level_pct",
            "individual_lower_pct",
            "individual_upper_pct",
            "each session",
            palette.after,
            "circle",
        ),
        (
            2,
            "ewma_pct",
            "ewma_lower_pct",
            "ewma_upper_pct",
            "weighted average",
            palette.good,
            "square-open",
        ),
    ):
        for limit in (lower, upper):
            figure.add_scatter(
                x=day,
                y=checks[limit].to_numpy(),
                mode="lines",
                line={"color": palette.warn, "width": 1.2, "dash": "dash", "shape": "hvh"},
                name="control limits",
                legendgroup="limits",
                showlegend=row == 1 and limit == lower,
                hovertemplate="limit: %{y:+.2f} %<extra></extra>",
                row=row,
                col=1,
            )
        figure.add_scatter(
            x=day,
            y=checks[value].to_numpy(),
            mode="lines+markers",
            line={"color": colour, "width": 1.5},
            marker={"size": 6, "symbol": mark},
            name=name,
            hovertemplate=f"{name}: %{{y:+.2f}} %<extra></extra>",
            row=row,
            col=1,
        )
        for marked, symbol, ink, label in (
            (checks.filter(pl.col("signal") != ""), "diamond", palette.stop, "signal"),
            (checks.filter(pl.col("has_air_doubt")), "x-thin", palette.text, "air in doubt"),
        ):
            figure.add_scatter(
                x=marked["run_on"].to_list(),
                y=marked[value].to_numpy(),
                mode="markers",
                marker={
                    "size": 12,
                    "symbol": symbol,
                    "color": ink,
                    "line": {"width": 2, "color": ink},
                },
                name=label,
                legendgroup=label,
                showlegend=row == 1 and not marked.is_empty(),
                text=[literal(text or label) for text in marked["signal"].to_list()],
                hovertemplate="%{text}<extra></extra>",
                row=row,
                col=1,
            )
        if reference:
            figure.add_vrect(
                x0=min(reference),
                x1=max(reference),
                fillcolor=palette.muted,
                opacity=0.12,
                line_width=0,
                layer="below",
                **_panel(row),
                annotation_text="reference period" if row == 1 else "",
                annotation_position="bottom left",
                annotation_font_color=palette.muted,
            )
    if not checks.is_empty():
        centre = float(checks["individual_centre_pct"][0])
        figure.add_hline(y=centre, line={"color": palette.text, "width": 1}, **_panel(1))
        figure.add_hline(y=centre, line={"color": palette.text, "width": 1}, **_panel(2))
    dress(figure, look, height=660, below=150)
    _days_below(figure)
    figure.update_yaxes(title_text="Level [%]", row=1, col=1)
    figure.update_yaxes(title_text="Weighted average [%]", row=2, col=1)
    return figure


def plan_chart(plans: pl.DataFrame, wanted_pct: float, look: Look) -> go.Figure:
    """Draw what each number of pulls could see, by how the bike is handled."""
    palette = look.palette
    figure = go.Figure()
    for (is_put_back, is_strapped_once), part in plans.group_by(
        "is_put_back", "is_strapped_once", maintain_order=True
    ):
        name = plan_words(bool(is_put_back), bool(is_strapped_once))
        figure.add_scatter(
            x=part["pulls"].to_numpy(),
            y=part["smallest_detectable_pct"].to_numpy(),
            mode="lines+markers",
            line={
                "color": palette.after if is_strapped_once else palette.warn,
                "width": 2,
                "dash": "dot" if is_put_back else "solid",
            },
            marker={"size": 7, "symbol": "diamond" if is_put_back else "circle"},
            name=name,
            hovertemplate=f"{name}, %{{x}} pulls: %{{y:.1f}} % or more<extra></extra>",
        )
    figure.add_hline(
        y=wanted_pct,
        line={"color": palette.text, "width": 1.2, "dash": "dash"},
        annotation_text=f"to be seen: {number(wanted_pct, 1)} %",
        annotation_position="top right",
    )
    dress(figure, look, height=460, below=136)
    figure.update_xaxes(title_text="Pulls in each session [1]", title_standoff=8, dtick=1)
    figure.update_yaxes(title_text="Gain seen 4 times in 5 [%]", rangemode="tozero")
    return figure


def level_chart(checks: pl.DataFrame, events: pl.DataFrame, look: Look) -> go.Figure:
    """Draw the sums of the control bike's departures, and the level they tell."""
    palette = look.palette
    day = checks["run_on"].to_list()
    figure = make_subplots(rows=2, cols=1, shared_xaxes=True, vertical_spacing=0.06)
    figure.add_scatter(
        x=day,
        y=checks["level_pct"].to_numpy(),
        mode="markers",
        marker={"size": 7, "color": palette.after},
        name="each session",
        hovertemplate="session: %{y:+.2f} %<extra></extra>",
        row=1,
        col=1,
    )
    figure.add_scatter(
        x=day,
        y=checks["shift_pct"].to_numpy(),
        mode="lines",
        line={"color": palette.text, "width": 2, "shape": "hvh"},
        name="level",
        hovertemplate="level: %{y:+.2f} %<extra></extra>",
        row=1,
        col=1,
    )
    for value, sign, name in (
        ("cusum_high_pct", 1, "sum above the level"),
        ("cusum_low_pct", -1, "sum below the level"),
    ):
        figure.add_scatter(
            x=day,
            y=sign * checks[value].to_numpy(),
            mode="lines+markers",
            line={"color": palette.after if sign > 0 else palette.before, "width": 1.5},
            marker={"size": 5},
            name=name,
            hovertemplate=f"{name}: %{{y:+.2f}} %<extra></extra>",
            row=2,
            col=1,
        )
        figure.add_scatter(
            x=day,
            y=sign * checks["cusum_limit_pct"].to_numpy(),
            mode="lines",
            line={"color": palette.warn, "width": 1.2, "dash": "dash"},
            name="limit of the sums",
            legendgroup="limit",
            showlegend=sign > 0,
            hovertemplate="limit: %{y:+.2f} %<extra></extra>",
            row=2,
            col=1,
        )
    _change_marks(figure, checks, events, palette)
    figure.add_hline(y=0, line={"color": palette.muted, "width": 1}, **_panel(1))
    figure.add_hline(y=0, line={"color": palette.muted, "width": 1}, **_panel(2))
    dress(figure, look, height=680, below=176)
    _days_below(figure)
    figure.update_yaxes(title_text="Level [%]", row=1, col=1)
    figure.update_yaxes(title_text="Sum of departures [%]", row=2, col=1)
    return figure


def _change_marks(
    figure: go.Figure, checks: pl.DataFrame, events: pl.DataFrame, palette: Palette
) -> None:
    """Mark each change of level where it most likely began, with what is not known about it."""
    changes = events.filter(pl.col("event_kind").is_in(["shift", "drift"])).sort("first_on")
    begun = checks.filter(pl.col("shift_pct") != pl.col("shift_pct").shift(1))["run_on"].to_list()
    at, words = [], []
    for event in changes.iter_rows(named=True):
        first, last = event["begins_after"] or event["first_on"], event["first_on"]
        likely = [day for day in begun if first < day <= last]
        at.append(likely[0] if likely else last)
        words.append(wrapped_lines(event["sentence"], 6))
        figure.add_scatter(
            x=[first, last],
            y=[event["event_pct"]] * 2,
            mode="lines",
            line={"color": faded(palette.stop, 0.35), "width": 9},
            name="when it may have begun",
            legendgroup="begun",
            showlegend=len(at) == 1,
            hoverinfo="skip",
            row=1,
            col=1,
        )
    if not at:
        return
    figure.add_scatter(
        x=at,
        y=changes["event_pct"].to_numpy(),
        mode="markers",
        marker={"size": 10, "symbol": "diamond", "color": palette.stop},
        error_y={
            "type": "data",
            "array": 2 * changes["event_sd_pct"].fill_null(0.0).to_numpy(),
            "color": palette.stop,
            "thickness": 2,
            "width": 5,
        },
        name="change of level",
        text=words,
        hovertemplate="%{text}<extra></extra>",
        row=1,
        col=1,
    )


def _days_below(figure: go.Figure) -> None:
    """Put the days under the lower of two panels."""
    # Few enough to lie flat on a phone.
    figure.update_xaxes(hoverformat="%-d %b %Y", nticks=6, tickangle=0)
    figure.update_xaxes(showticklabels=False, row=1, col=1)
    figure.update_xaxes(title_text="Day of the session [date]", title_standoff=8, row=2, col=1)


def density_chart(checks: pl.DataFrame, look: Look) -> go.Figure:
    """Draw the control bike's corrected level against the air's density."""
    palette = look.palette
    figure = go.Figure()
    seen = checks.drop_nulls("air_density_kg_m3")
    for doubted, colour, symbol, name in (
        (False, palette.after, "circle", "air readings sound"),
        (True, palette.stop, "x", "air readings in doubt"),
    ):
        part = seen.filter(pl.col("has_air_doubt") == doubted)
        if part.is_empty():
            continue
        figure.add_scatter(
            x=part["air_density_kg_m3"].to_numpy(),
            y=part["level_pct"].to_numpy(),
            mode="markers",
            marker={"size": 10, "color": colour, "symbol": symbol},
            name=name,
            text=[f"{day.day} {day:%b %Y}" for day in part["run_on"].to_list()],
            hovertemplate="%{text}: %{y:+.2f} % at %{x:.3f} kg/m³<extra></extra>",
        )
    figure.add_hline(y=0, line={"color": palette.text, "width": 1})
    dress(figure, look, height=420, below=112)
    figure.update_layout(hovermode="closest")
    figure.update_xaxes(title_text="Air density [kg/m³]", title_standoff=8, nticks=6)
    figure.update_yaxes(title_text="Corrected level [%]")
    return figure


def quarter_gain_chart(
    summary: pl.DataFrame, gains: pl.DataFrame, look: Look, *, most: int = 12
) -> go.Figure:
    """Draw what each kind of change gave in a quarter: every bike, their mean, the mean before."""
    summary = summary.head(most)
    palette = look.palette
    place_of = {
        (row["change_kind"], row["change_key"]): summary.height - 1 - number
        for number, row in enumerate(summary.iter_rows(named=True))
    }
    figure = go.Figure()
    pooled = gains.filter(pl.col("is_pooled"))
    points: dict[tuple[str, str], int] = {}
    at, low, high, middle, told = [], [], [], [], []
    for row in pooled.iter_rows(named=True):
        key = (row["change_kind"], row["change_key"])
        if key not in place_of:
            continue
        points[key] = points.get(key, 0) + 1
        # Bikes of one change lie a little apart, so that their intervals can be told apart.
        at.append(place_of[key] - 0.1 - 0.055 * ((points[key] - 1) % 7))
        low.append(row["mean_gain_lower_pct"])
        high.append(row["mean_gain_upper_pct"])
        middle.append(row["mean_gain_pct"])
        told.append(
            f"{literal(row['bike_id'])}, {literal(row['job_id'])}: "
            f"{signed(row['mean_gain_pct'])} % ({signed(row['mean_gain_lower_pct'])} to "
            f"{signed(row['mean_gain_upper_pct'])})"
        )
    figure.add_scatter(
        x=with_gaps(low, high),
        y=with_gaps(at, at),
        mode="lines",
        line={"color": faded(palette.after, 0.45), "width": 1.5},
        name="95 % of each bike",
        hoverinfo="skip",
    )
    figure.add_scatter(
        x=middle,
        y=at,
        mode="markers",
        marker={"size": 6, "color": palette.after},
        name="each bike",
        text=told,
        hovertemplate="%{text}<extra></extra>",
    )
    for column, symbol, colour, name in (
        ("previous_mean_gain_pct", "line-ns-open", palette.before, "mean, quarter before"),
        ("mean_gain_pct", "line-ns-open", palette.text, "mean over bikes"),
    ):
        figure.add_scatter(
            x=summary[column].to_numpy(),
            y=[place + 0.02 for place in place_of.values()],
            mode="markers",
            marker={
                "symbol": symbol,
                "size": 16,
                "color": colour,
                "line": {"width": 3, "color": colour},
            },
            name=name,
            hovertemplate=f"{name}: %{{x:+.1f}} %<extra></extra>",
        )
    for place, row in zip(place_of.values(), summary.iter_rows(named=True), strict=True):
        before = f", {row['previous_bikes']} before" if row["previous_bikes"] else ""
        figure.add_annotation(
            x=0,
            xref="paper",
            y=place + 0.2,
            xanchor="left",
            yanchor="bottom",
            showarrow=False,
            text=f"<b>{wrapped_lines(row['change_key'], 1)}</b>, n = {row['bikes']}{before}",
            font={"size": 12},
            bgcolor=palette.paper,
            borderpad=0,
        )
    figure.add_vline(x=0, line={"color": palette.text, "width": 1})
    dress(figure, look, height=176 + 84 * max(summary.height, 1), below=132, left=8)
    figure.update_layout(hovermode="closest")
    figure.update_xaxes(title_text="Gain over the riding range [%]", showspikes=False)
    figure.update_yaxes(visible=False, range=[-0.7, summary.height - 0.3])
    return figure


def trial_chart(found: Tried, kind: str, look: Look) -> go.Figure:
    """Return what a layout makes of a file: power over speed, or the main channels over time."""
    palette = look.palette
    channels = {channel.channel: channel for channel in found.channels}
    curve = found.curve
    if kind == "pull" and curve and not curve.trouble:
        drawn = {"power_w": curve.power_w, **curve.beside}
        # All that was read beside the power stands below it: a column taken for another is seen.
        panels = [
            (title, names)
            for title, names in (
                (f"Power as stated [{look.power_unit}]", ("power_w",)),
                ("Torque [N·m]", ("wheel_torque_nm",)),
                (look.mixture_title, ("lambda_wide", "lambda_wide_2")),
                ("Throttle [%]", ("throttle_pct",)),
            )
            if any(name in drawn for name in names)
        ]
        figure = make_subplots(
            rows=len(panels),
            cols=1,
            shared_xaxes=True,
            vertical_spacing=0.05,
            row_heights=[0.4, *[0.2] * (len(panels) - 1)],
        )
        for row, (title, names) in enumerate(panels, start=1):
            for name in names:
                if name not in drawn:
                    continue
                values = np.asarray(drawn[name], dtype=float)
                if name == "power_w":
                    values = look.shown_power(values)
                elif name.startswith("lambda"):
                    values = look.shown_mixture(values)
                figure.add_scatter(
                    x=curve.engine_speed_rpm,
                    y=values,
                    mode="lines",
                    line={
                        "color": palette.after,
                        "width": 2.5 if row == 1 else 1.6,
                        "dash": "dot" if name == "lambda_wide_2" else "solid",
                    },
                    name=name,
                    hovertemplate="%{y:.4g}<extra></extra>",
                    **_panel(row),
                )
            figure.update_yaxes(title_text=title, **_panel(row))
            if names == ("throttle_pct",):
                figure.update_yaxes(range=[0, 105], **_panel(row))
        dress(figure, look, height=230 + 120 * len(panels), below=56)
        _onto_one_axis(figure, len(panels))
        figure.update_xaxes(title_text="Engine speed [rpm]", tickformat=",.0f", hoverformat=",.0f")
        figure.update_layout(showlegend=False)
        return figure
    wanted = [
        (name, title)
        for name, title in (
            ("engine_speed_rpm", "Engine speed [rpm]"),
            ("throttle_pct", "Throttle [%]"),
            ("lambda_wide", look.mixture_title),
        )
        if name in channels
    ]
    rows = max(len(wanted), 1)
    figure = make_subplots(rows=rows, cols=1, shared_xaxes=True, vertical_spacing=0.06)
    for row, (name, title) in enumerate(wanted, start=1):
        values = np.asarray(channels[name].values)
        shown = look.shown_mixture(values) if name == "lambda_wide" else values
        figure.add_trace(
            go.Scatter(
                x=channels[name].at,
                y=shown,
                mode="lines",
                line={"color": palette.after, "width": 1.4},
                hovertemplate="%{x:.2f} s: %{y:.4g}<extra></extra>",
            ),
            **_panel(row),
        )
        figure.update_yaxes(title_text=title, **_panel(row))
    figure.update_xaxes(title_text="Time [s]", **_panel(rows))
    dress(figure, look, height=140 + 130 * rows)
    figure.update_layout(showlegend=False)
    return figure


def _gain_panel(figure: go.Figure, difference: pl.DataFrame, look: Look, row: int) -> None:
    palette = look.palette
    speed = difference["engine_speed_rpm"].to_numpy()
    for lower, upper, strength, name in (
        ("whole_lower_pct", "whole_upper_pct", 0.12, "95 % for the whole curve"),
        ("lower_pct", "upper_pct", 0.22, ""),
    ):
        shade_between(
            figure,
            speed,
            difference[lower].to_numpy(),
            difference[upper].to_numpy(),
            faded(palette.after, strength),
            name,
            row,
        )
    figure.add_scatter(
        x=speed,
        y=difference["gain_pct"].to_numpy(),
        customdata=difference.select("lower_pct", "upper_pct").to_numpy(),
        mode="lines",
        line={"color": palette.after, "width": 2.2},
        showlegend=False,
        name="gain",
        hovertemplate="gain: %{y:+.1f} % (%{customdata[0]:+.1f} to %{customdata[1]:+.1f})"
        "<extra></extra>",
        row=row,
        col=1,
    )
    figure.add_hline(y=0, line={"color": palette.text, "width": 1}, **_panel(row))
    figure.update_yaxes(title_text="Gain [%]", row=row, col=1)


def _mixture_panel(
    figure: go.Figure,
    after: pl.DataFrame,
    windows: pl.DataFrame,
    look: Look,
    limits: Limits,
    row: int,
) -> None:
    palette = look.palette
    colours = level_colours(palette)
    speed = after["engine_speed_rpm"].to_numpy()
    target = after["lambda_target"].to_numpy().astype(float)
    if np.isnan(target).all():
        return
    figure.add_scatter(
        x=speed,
        y=look.shown_mixture(target),
        mode="lines",
        line={"color": palette.text, "width": 1.5, "dash": "dash"},
        name="target mixture",
        hovertemplate="target: %{y:.2f}<extra></extra>",
        row=row,
        col=1,
    )
    for level, at in limits.levels():
        line = look.shown_mixture(target * (1 + at / 100))
        figure.add_scatter(
            x=speed,
            y=line,
            mode="lines",
            line={"color": colours[level], "width": 1, "dash": "dot"},
            showlegend=False,
            hoverinfo="skip",
            row=row,
            col=1,
        )
        last = int(np.flatnonzero(~np.isnan(line))[0])
        figure.add_annotation(
            x=speed[last],
            y=line[last],
            xanchor="left",
            yanchor="bottom",
            showarrow=False,
            text=f"{level} {at:g} %",
            font={"size": 11},
            row=row,
            col=1,
        )
    for window in windows.filter(pl.col("side") == "lean").iter_rows(named=True):
        level = window["level"]
        at = int(np.abs(speed - window["worst_speed_rpm"]).argmin())
        figure.add_annotation(
            x=window["worst_speed_rpm"],
            y=look.shown_mixture(target[at] * (1 + window["worst_error_pct"] / 100)),
            yanchor="bottom",
            showarrow=False,
            text=f"<b>{literal(level).upper()} {signed(window['worst_error_pct'], 0)} %</b>",
            font={"size": 13},
            row=row,
            col=1,
        )


def _onto_one_axis(figure: go.Figure, panels: int) -> None:
    # Only panels that hang on one and the same axis answer a pointer together.
    last = f"x{panels}"
    figure.update_traces(xaxis=last)
    layout: Any = figure.layout
    for note in (*layout.shapes, *layout.annotations):
        if note.xref and note.xref.split(" ")[0] != "paper":
            note.xref = " ".join([last, *note.xref.split(" ")[1:]])
    for row in range(1, panels):
        figure.layout[f"xaxis{row if row > 1 else ''}"] = None
        figure.layout[f"yaxis{row if row > 1 else ''}"].anchor = last
    figure.layout[f"xaxis{panels}"].anchor = f"y{panels}"
    figure.update_layout(hoversubplots="axis")


def _over_engine_speed(figure: go.Figure, panels: int, power_at: str, palette: Palette) -> None:
    """Name the engine speed below the panels, and in the first what air the power is stated at."""
    figure.update_xaxes(title_text="Engine speed [rpm]", tickformat=",.0f", hoverformat=",.0f")
    if power_at:
        figure.add_annotation(
            x=0.01,
            xref=f"x{panels} domain",
            y=0.98,
            yref="y domain",
            yanchor="top",
            xanchor="left",
            showarrow=False,
            text=literal(power_at),
            font={"color": palette.muted, "size": 12},
        )


def _panel(row: int) -> dict[str, Any]:
    # Plotly's own annotations call these two strings.
    return {"row": row, "col": 1}
