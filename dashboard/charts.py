"""Which charts there are: frames in, descriptions out, for pages and paper alike."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np
import polars as pl

from dashboard.drawing import (
    Band,
    Cell,
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
from dashboard.look import Limits, Look, Palette, mixed
from schemas.channels import CHANNELS
from schemas.desk import Tried
from warehouse.wording import (
    HELD_BY,
    between,
    combination,
    counted,
    fuel_to_enter,
    number,
    plan_words,
    share,
    signed,
)

MOST_ROWS = 8
"""Rows of a ranking that are drawn; the page lists the others."""

THIN_BELOW_S = 3.0
"""A cell seen for less stands in brackets."""

SPEED_TITLE, SPEED_FORMAT = "Engine speed [rpm]", ",.0f"
ERROR_TITLE = "Lean error [%]"
DAY_TITLE, DAY_FORMAT = "Day of the session [date]", "%-d %b %Y"

Row = Mapping[str, Any]


class Drawn(NamedTuple):
    """A curve and how it is drawn."""

    curve: pl.DataFrame
    name: str
    colour: str
    width: float
    dash: str = "solid"
    who: str = ""


def need_chart(needs: pl.DataFrame, look: Look) -> Chart:
    """Draw the chance of a lean window for each combination; the sure part is drawn heavy."""
    palette, rows = look.palette, needs.head(MOST_ROWS).to_dicts()
    place = list(range(len(rows)))[::-1]
    low, middle, high = (
        [100 * row[name] for row in rows]
        for name in ("warn_lower_share", "warn_share", "warn_upper_share")
    )
    told = [
        f"{combination(row)}\n{row['lean_bikes']} of {counted(row['bikes'], 'bike')} lean\n"
        f"chance {share(row['warn_share'])}, at least {share(row['warn_lower_share'])}, at most "
        f"{share(row['warn_upper_share'])}"
        for row in rows
    ]
    sure, may_be = _strokes([0.0] * len(rows), low, place), _strokes(low, high, place)
    names = [
        RowName(
            at + 0.13,
            f"{row['need_rank']}. {row['model_label']}, {row['map_label']} map, {row['fuel']}",
            f"n = {row['bikes']}: {row['parts_label']}",
        )
        for at, row in zip(place, rows, strict=True)
    ]
    items: list[Item] = [
        Line(*sure, palette.warn, "sure of (lower bound)", width=9),
        Line(*may_be, palette.muted, "may be (90 % interval)"),
        Marks(middle, place, palette.paper, "best estimate", px=10, edge=palette.text, words=told),
        *names,
    ]
    chart = _rows(items, len(rows), look, "Chance of a lean window at warn level [%]")
    return replace(chart, x_ends=(-1, 101), x_step=20)


def quarter_gain_chart(summary: pl.DataFrame, gains: pl.DataFrame, look: Look) -> Chart:
    """Draw what each kind of change gave in a quarter: every bike, their mean, the mean before."""
    palette, rows = look.palette, summary.head(MOST_ROWS).to_dicts()
    heights = list(range(len(rows)))[::-1]
    keys = [(row["change_kind"], row["change_key"]) for row in rows]
    place = dict(zip(keys, heights, strict=True))
    points = [
        gain
        for gain in gains.iter_rows(named=True)
        if gain["is_pooled"] and (gain["change_kind"], gain["change_key"]) in place
    ]
    at = _lanes([place[gain["change_kind"], gain["change_key"]] for gain in points])
    lower, middle, upper = (
        [gain[f"mean_gain{end}_pct"] for gain in points] for end in ("_lower", "", "_upper")
    )
    told = [f"{gain['bike_id']}, {gain['job_id']}: {_gain(gain)}" for gain in points]
    items: list[Item] = [
        Line(*_strokes(lower, upper, at), palette.rich, "95 % of each bike", 1.5),
        Marks(middle, at, palette.after, "each bike", px=6, words=told),
        Level(0, palette.text, is_upright=True),
    ]
    for column, ink, name, words in (
        ("previous_mean_gain_pct", palette.before, "mean, quarter before",
         [f"quarter before: {signed(row['previous_mean_gain_pct'])} %" for row in rows]),
        ("mean_gain_pct", palette.text, "mean over bikes",
         [f"mean over bikes: {_gain(row)}" for row in rows]),
    ):  # fmt: skip
        means = [row[column] for row in rows]
        items.append(Marks(means, heights, ink, name, "line-ns-open", 16, ink, words=words))
    for where, row in zip(heights, rows, strict=True):
        before = f", {row['previous_bikes']} before" if row["previous_bikes"] else ""
        items.append(RowName(where + 0.12, row["change_key"], f"n = {row['bikes']}{before}"))
    return _rows(items, len(rows), look, "Gain over the riding range [%]")


def member_chart(
    curves: pl.DataFrame, members: pl.DataFrame, look: Look, limits: Limits, *, as_error: bool
) -> Chart:
    """Draw the full-throttle mixture of several stages over one another."""
    palette = look.palette
    if not as_error:
        curves = curves.with_columns(look.shown_mixture(pl.col("lambda_wide", "lambda_target")))
    items: list[Item] = []
    for row in members.iter_rows(named=True):
        curve = curves.filter(pl.col("stage_id") == row["stage_id"])
        level = row["level"] if row["level"] in ("notice", "warn", "stop") else "no lean window"
        width = 2.5 if level in ("warn", "stop") else 1.5
        dash = {"no lean window": "dot", "notice": "dash"}.get(level, "solid")
        value = curve["lean_error_pct" if as_error else "lambda_wide"]
        who = f"{row['bike_id']} {row['stage_name']}"
        colour = palette.level(level)
        items.append(Line(curve["engine_speed_rpm"], value, colour, level, width, dash, who=who))
    target = curves.drop_nulls("lambda_target")
    if as_error:
        items += [*_error_levels(limits, palette), Level(0, palette.text)]
    elif not target.is_empty():
        first = target.filter(pl.col("stage_id") == target["stage_id"][0])
        speed, wanted = first["engine_speed_rpm"], first["lambda_target"]
        items.append(Line(speed, wanted, palette.text, "target", 1.5, "dash"))
    panel = (
        Panel(ERROR_TITLE, items, "+.1f %") if as_error else Panel(look.mixture_title, items, ".2f")
    )
    said = "Full-throttle mixture of the stages"
    chart = over_speed([panel], palette, 430, said, below_px=96)
    return replace(chart, points_at_one=members.height > 12)


def error_chart(
    lines: Sequence[tuple[str, pl.DataFrame]],
    look: Look,
    limits: Limits,
    *,
    band: str,
    regions: Sequence[tuple[float, float]],
) -> Chart:
    """Draw lean error over engine speed: the last line with its band, the others thin."""
    palette = look.palette
    items: list[Item] = [Stretch(*region, palette.warn, 0.12) for region in regions]
    *others, (name, frame) = lines
    speed = frame["engine_speed_rpm"]
    if band:
        lower, upper = frame["lower_pct"], frame["upper_pct"]
        items.append(Band(speed, lower, upper, palette.after, 0.16, band))
    for other, drawn in others:
        along, error = drawn["engine_speed_rpm"], drawn["error_pct"]
        items.append(Line(along, error, palette.before, other, 1.5, "dash"))
    items.append(Line(speed, frame["error_pct"], palette.after, name, 2.5))
    items += [*_error_levels(limits, palette), Level(0, palette.text)]
    panel = Panel(ERROR_TITLE, items, "+.1f %")
    return over_speed([panel], palette, 420, "Lean error over engine speed", below_px=96)


def comparison_chart(
    difference: pl.DataFrame,
    before: pl.DataFrame | None,
    after: pl.DataFrame,
    windows: pl.DataFrame,
    look: Look,
    limits: Limits,
    *,
    names: tuple[str, str],
    power_at: str,
) -> Chart:
    """Draw power, gain, torque and mixture of one or two stages on one engine-speed axis."""
    palette = look.palette
    stages = [Drawn(after, names[1], palette.after, 2.8)]
    if before is not None:
        stages.insert(0, Drawn(before, names[0], palette.before, 2.2))
    band = power_band(difference, look, "95 % at each speed")
    power = [*band, *lines(stages, "power_w", look.shown_power)]
    gain = _gain_items(difference, palette)
    mixture = mixture_panel(stages, windows, look, limits, 0.29)
    panels = [
        Panel(f"Wheel power [{look.power_unit}]", power, f".1f {look.power_unit}", 0.32),
        *([Panel("Gain [%]", gain, "+.1f %", 0.2)] if gain else []),
        Panel("Wheel torque [N·m]", lines(stages, "torque_nm"), ".1f N·m", 0.19),
        mixture,
    ]
    shade_lean(panels, mixture, windows, palette)
    height = 980 if gain else 800
    return over_speed(panels, palette, height, "Power, torque and mixture", corner=power_at)


def health_chart(
    points: pl.DataFrame, regions: pl.DataFrame, look: Look, limits: Limits, *, power_at: str
) -> Chart:
    """Draw a bike's baseline over the band of its siblings: power, difference and mixture."""
    palette, speed = look.palette, points["engine_speed_rpm"]
    watts = ("power_w", "usual_power_w", "usual_power_lower_w", "usual_power_upper_w")
    errors = (
        "lean_error_pct",
        "usual_lean_error_pct",
        "usual_lean_error_lower_pct",
        "usual_lean_error_upper_pct",
    )
    usual = points["usual_power_w"]
    power = _against_siblings(speed, [look.shown_power(points[name]) for name in watts], palette)
    shape = _against_siblings(speed, [100 * (points[name] / usual - 1) for name in watts], palette)
    mixture = _against_siblings(speed, [points[name] for name in errors], palette)
    panels = {
        "power": Panel(f"Wheel power [{look.power_unit}]", power, f".1f {look.power_unit}", 0.42),
        "shape": Panel("Against median [%]", shape, "+.1f %", 0.26),
        "mixture": Panel(ERROR_TITLE, mixture, "+.1f %", 0.32),
    }
    panels = {name: panel for name, panel in panels.items() if panel.items}
    mixture += _error_levels(limits, palette)
    for region in regions.iter_rows(named=True):
        in_mixture = region["quantity"] == "mixture"
        start, end = region["from_rpm"], region["to_rpm"]
        # Weak and lean are the colour of a warning, strong and rich the cool one.
        is_bad = (region["change_pct"] > 0) == in_mixture
        stretch = Stretch(start, end, palette.warn if is_bad else palette.rich, 0.16)
        said = signed(region["change_pct"]) + ("" if in_mixture else " %")
        note = Note((start + end) / 2, None, said, px=13, is_bold=True, is_centred=True)
        if in_mixture:
            mixture += [stretch, note]
        else:
            power.append(stretch)
            shape += [stretch, note]
    height = round(130 + 730 * sum(panel.weight for panel in panels.values()))
    shown = list(panels.values())
    return over_speed(shown, palette, height, "The bike beside its siblings", corner=power_at)


def control_chart(checks: pl.DataFrame, look: Look) -> Chart:
    """Draw the control bike's level over time, with the limits beyond which a session is odd."""
    palette, day = look.palette, checks["run_on"]
    reference = checks.filter("is_reference")["run_on"].to_list()
    items: list[Item] = [
        Line(
            day, checks[f"level_{end}_pct"], palette.warn, "control limits", 1.2, "dash",
            is_stepped=True, who="limit",
        )
        for end in ("lower", "upper")
    ]  # fmt: skip
    level = checks["level_pct"]
    items.append(Line(day, level, palette.after, "each session", 1.5, mark="circle", mark_px=6))
    for marked, symbol, ink, label in (
        (checks.filter(pl.col("signal") != ""), "diamond", palette.stop, "signal"),
        (checks.filter("has_air_doubt"), "x-thin", palette.text, "air in doubt"),
    ):
        words = [said or label for said in marked["signal"]]
        at, height = marked["run_on"], marked["level_pct"]
        items.append(Marks(at, height, ink, label, symbol, 12, ink, words=words))
    if reference:
        label = "reference period"
        items.append(Stretch(min(reference), max(reference), palette.muted, 0.12, label))
    items.append(Level(0, palette.text))
    last = number(next(iter(level.tail(1)), None), 1)
    said = f"Level of the control bike, last {last} %"
    return _over_days([Panel("Level [%]", items, "+.2f %")], palette, 400, said, below_px=112)


def level_chart(checks: pl.DataFrame, events: pl.DataFrame, look: Look) -> Chart:
    """Draw the sums of the control bike's departures, and the level they tell."""
    palette, day = look.palette, checks["run_on"]
    zero = Level(0, palette.muted)
    levels: list[Item] = [
        Line(day, checks["level_pct"], palette.after, "each session", 0, mark="circle", mark_px=7),
        Line(day, checks["shift_pct"], palette.text, "level", is_stepped=True),
        *_change_marks(checks, events, palette),
        zero,
    ]
    sums: list[Item] = [zero]
    for side, sign, name, colour in (
        ("above", 1, "sum above the level", palette.after),
        ("below", -1, "sum below the level", palette.before),
    ):
        height, limit = sign * checks[f"sum_{side}"], sign * checks["sum_limit"]
        sums += [
            Line(day, height, colour, name, 1.5, mark="circle", mark_px=5),
            Line(day, limit, palette.warn, "limit of the sums", 1.2, "dash", who="limit"),
        ]
    panels = [
        Panel("Level [%]", levels, "+.2f %"),
        Panel("Sum of departures [SD]", sums, "+.2f"),
    ]
    return _over_days(panels, palette, 680, "Changes of the control bike's level", below_px=124)


def density_chart(checks: pl.DataFrame, look: Look) -> Chart:
    """Draw the control bike's corrected level against the air's density."""
    palette = look.palette
    seen = checks.drop_nulls("air_density_kg_m3")
    items: list[Item] = [Level(0, palette.text)]
    for doubted, colour, mark, name in (
        (False, palette.after, "circle", "air readings sound"),
        (True, palette.stop, "x", "air readings in doubt"),
    ):
        part = seen.filter(pl.col("has_air_doubt") == doubted)
        words = [
            f"{row['run_on'].day} {row['run_on']:%b %Y}: {signed(row['level_pct'], 2)} % at "
            f"{row['air_density_kg_m3']:.3f} kg/m³"
            for row in part.iter_rows(named=True)
        ]
        density, level = part["air_density_kg_m3"], part["level_pct"]
        items.append(Marks(density, level, colour, name, mark, 10, words=words))
    return Chart(
        [Panel("Corrected level [%]", items)],
        "Air density [kg/m³]",
        palette,
        420,
        "Corrected level against air density",
        below_px=112,
        points_at_one=True,
    )


def budget_chart(budget: pl.DataFrame, look: Look) -> Chart:
    """Draw what the uncertainty of a gain is made of, a bar a part; what is assumed is pale."""
    palette, rows = look.palette, budget.to_dicts()
    place = list(range(len(rows)))[::-1]
    items: list[Item] = []
    for is_assumed, name in ((False, "measured"), (True, "assumed")):
        parts = [
            (100.0 * row["share_of_variance"], at)
            for row, at in zip(rows, place, strict=True)
            if row["is_assumed"] is is_assumed
        ]
        if parts:
            ends, at = (list(values) for values in zip(*parts, strict=True))
            strokes = _strokes([0.0] * len(ends), ends, at)
            ink = mixed(palette.after, palette.paper, 0.4) if is_assumed else palette.after
            items.append(Line(*strokes, ink, name, width=9))
    for row, at in zip(rows, place, strict=True):
        assumed = ", assumed" if row["is_assumed"] else ""
        said = f"{share(row['share_of_variance'])}: {number(row['sd_pct'], 2)} % (1 SD){assumed}"
        items.append(RowName(at + 0.13, row["component"], said))
    chart = _rows(items, len(rows), look, "Part of the uncertainty (variance) [%]")
    return replace(chart, x_ends=(-1, 101), x_step=20)


def pooled_curve_chart(curve: pl.DataFrame, look: Look) -> Chart:
    """Draw what a change gives over speed: the mean of the bikes, its band and the next bike's."""
    is_share = curve["engine_speed_rpm"].null_count() > 0
    speed = 100 * curve["peak_speed_share"] if is_share else curve["engine_speed_rpm"]
    ink = look.palette.after
    next_, mean = ((curve[f"{name}lower_pct"], curve[f"{name}upper_pct"]) for name in ("next_", ""))
    items: list[Item] = [
        Band(speed, *next_, ink, 0.12, "the next bike, 19 of 20"),
        Band(speed, *mean, ink, 0.22, "mean of such bikes, 95 %"),
        Line(speed, curve["mean_pct"], ink, width=2.2, who="mean"),
        Line(speed, next_[0], ink, width=0, who="next bike from"),
        Line(speed, next_[1], ink, width=0, who="to"),
        Level(0, look.palette.text),
    ]
    drawn = over_speed(
        [Panel("Gain [%]", items, told="+.1f %")], look.palette, 360, "Gain over speed"
    )
    if is_share:
        return replace(drawn, x_title="Speed, of that at peak power [%]", x_format=".0f")
    return drawn


def plan_chart(plans: pl.DataFrame, wanted_pct: float, look: Look) -> Chart:
    """Draw what each number of pulls could see, by how the bike is handled."""
    palette = look.palette
    inks = {
        "strapped once, at once": palette.rich,
        "strapped once, rested": palette.after,
        "taken off between": palette.warn,
        "on another day": palette.before,
    }
    items: list[Item] = []
    for (is_put_back, handling), part in plans.group_by(
        "is_put_back", "handling", maintain_order=True
    ):
        colour = inks[str(handling)]
        name = plan_words(bool(is_put_back), str(handling))
        dash, mark = ("dot", "diamond") if is_put_back else ("solid", "circle")
        gain = part["smallest_detectable_pct"]
        items.append(Line(part["pulls"], gain, colour, name, 2, dash, mark=mark, mark_px=7))
    said = f"to be seen: {number(wanted_pct, 1)} %"
    items.append(Level(wanted_pct, palette.text, "dash", 1.2, said, is_named_last=True))
    return Chart(
        [Panel("Gain seen 4 times in 5 [%]", items, ".1f % or more", starts_at_zero=True)],
        "Pulls in each session [1]",
        palette,
        480,
        "Gain that so many pulls see",
        below_px=112,
        x_step=1,
    )


def trial_chart(found: Tried, kind: str, look: Look) -> Chart:
    """Draw what a layout makes of a file: power over speed, or the main channels over time."""
    curve = found.curve
    channels = {one.channel: (one.at, one.values) for one in found.channels}
    over_speed = kind == "pull" and curve is not None and not curve.trouble
    if over_speed and curve is not None:
        drawn = {"power_w": curve.power_w, **curve.beside}
        channels = {name: (curve.engine_speed_rpm, values) for name, values in drawn.items()}
    # All that was read beside the power stands below it: a column taken for another is seen.
    wanted = (
        (f"Power as stated [{look.power_unit}]", ("power_w",), over_speed),
        (SPEED_TITLE, ("engine_speed_rpm",), not over_speed),
        ("Torque [N·m]", ("wheel_torque_nm",), over_speed),
        (look.mixture_title, ("lambda_wide", "lambda_wide_2"), True),
        ("Throttle [%]", ("throttle_pct",), True),
    )
    panels = []
    for title, names, is_wanted in wanted:
        items: list[Item] = []
        for name in names:
            if is_wanted and name in channels:
                at, values = channels[name]
                shown = _shown(name, np.asarray(values, dtype=float), look)
                dash = "dot" if name == "lambda_wide_2" else "solid"
                who = CHANNELS[name].label if name in CHANNELS else "Power"
                items.append(Line(at, shown, look.palette.after, width=1.6, dash=dash, who=who))
        if items:
            ends = (0.0, 105.0) if "throttle_pct" in names else None
            weight = 2.0 if "power_w" in names else 1.0
            panels.append(Panel(title, items, ".4g", weight, ends))
    return Chart(
        panels or [Panel(SPEED_TITLE)],
        SPEED_TITLE if over_speed else "Time [s]",
        look.palette,
        (230 if over_speed else 140) + 120 * max(len(panels), 1),
        "What the layout makes of the file",
        below_px=56,
        x_format=SPEED_FORMAT if over_speed else "",
        has_legend=False,
    )


def cell_chart(
    cells: pl.DataFrame, look: Look, *, show_time: bool = False, by_pressure: bool = False
) -> CellTable:
    """Draw the steady part-throttle mixture on engine speed and throttle, or pressure."""
    word, unit, size = ("pressure", "pa", 1000.0) if by_pressure else ("throttle", "pct", 1.0)

    def cell(row: Row) -> Cell:
        text = f"{row['dwell_s']:.0f}" if show_time else signed(row["lean_error_pct"])
        text += "c" * row["is_closed_loop"]
        lower, middle, upper, wanted_low, wanted_high = (
            look.shown_mixture(row[name])
            for name in (
                "lambda_lower", "lambda_median", "lambda_upper", "target_low", "target_high"
            )
        )  # fmt: skip
        low, high = row[f"{word}_from_{unit}"] / size, row[f"{word}_to_{unit}"] / size
        return Cell(
            row["dwell_s"] if show_time else row["lean_error_pct"],
            f"({text})" if row["dwell_s"] < THIN_BELOW_S else text,
            f"{word} {low:g} to {high:g} {'kPa' if by_pressure else '%'}, "
            f"{number(row['speed_from_rpm'])} to {number(row['speed_to_rpm'])} rpm\n"
            f"median {middle:.2f} ({lower:.2f} to {upper:.2f}), wanted {wanted_low:.2f} to "
            f"{wanted_high:.2f}\nlean error {signed(row['lean_error_pct'])} %\n"
            f"seen {row['dwell_s']:.1f} s, {counted(row['hits'], 'time')}, in band "
            f"{share(row['in_band_share'])} of it"
            + "\nclosed loop: the trims tell of the map"
            * row["is_closed_loop"],
        )

    return _cell_table(
        cells,
        (f"{word}_from_{unit}", f"{word}_to_{unit}"),
        size,
        cell,
        look,
        title="Manifold pressure [kPa]" if by_pressure else "Throttle [%]",
        ends=(0.0, None) if show_time else (-15.0, 15.0),
    )


def expected_cell_chart(cells: pl.DataFrame, look: Look) -> CellTable:
    """Draw the part-throttle lean error to expect on throttle and engine speed."""

    def cell(row: Row) -> Cell:
        span = (
            "too few bikes to say how far"
            if row["lower_pct"] is None
            else f"{between(row['lower_pct'], row['upper_pct'])} on 19 of 20 bikes"
        )
        expected = signed(row["expected_error_pct"])
        return Cell(
            row["expected_error_pct"],
            expected,
            f"throttle {row['throttle_from_pct']:g} to {row['throttle_to_pct']:g} %, "
            f"{number(row['speed_from_rpm'])} to {number(row['speed_to_rpm'])} rpm\n"
            f"expected {expected} %\n{span}, {row['bikes']} ridden",
        )

    return _cell_table(
        cells,
        ("throttle_from_pct", "throttle_to_pct"),
        1.0,
        cell,
        look,
        title="Throttle [%]",
        ends=(-15.0, 15.0),
    )


def fuel_change_chart(
    cells: pl.DataFrame,
    throttle_pct: Sequence[float],
    speed_rpm: Sequence[float],
    look: Look,
    *,
    seams: Mapping[tuple[float, float], float],
    show: str,
) -> CellTable:
    """Draw a suggested fuel change on the map's own breakpoints: to enter, how sure, evidence."""
    drawn: dict[tuple[Any, Any], Cell] = {}
    for cell in cells.iter_rows(named=True):
        half = 0.5 * (cell["upper_pct"] - cell["lower_pct"])
        value, written = {
            "need": (half, f"±{half:.1f}"),
            "evidence": (100 * cell["evidence_share"], f"{100 * cell['evidence_share']:.0f}"),
            "enter": (
                cell["suggested_pct"],
                fuel_to_enter(cell["suggested_pct"], cell["held_by"]),
            ),
        }[show]
        drawn[cell["throttle_pct"], cell["speed_rpm"]] = Cell(
            value,
            written,
            f"{_entry(cell['suggested_pct'], cell['throttle_pct'], cell['speed_rpm'])}\n"
            f"needed {signed(cell['needed_pct'])} % "
            f"({between(cell['lower_pct'], cell['upper_pct'])})\n"
            f"{HELD_BY[cell['held_by']] or 'as needed'}\n"
            f"told by evidence: {share(cell['evidence_share'])}",
        )
    if show == "enter":
        for place, seam in seams.items():
            told = f"{_entry(seam, *place)}\nnot seen: half of what is added beside it"
            drawn[place] = Cell(seam, f"{signed(seam)}?", told)
    ends = {"enter": (-10.0, 10.0), "need": (0.0, 4.0), "evidence": (0.0, 100.0)}
    return CellTable(
        drawn,
        {load: f"{load:g}" for load in _seen(throttle_pct, [load for load, _ in drawn])},
        {speed: f"{speed / 1000:g}" for speed in _seen(speed_rpm, [speed for _, speed in drawn])},
        "Throttle [%]",
        look.palette,
        is_signed=show == "enter",
        ends=ends[show],
        told_elsewhere="nothing was seen here: left as it is",
    )


def _entry(change_pct: float, throttle_pct: float, speed_rpm: float) -> str:
    return f"{signed(change_pct)} % fuel at {throttle_pct:g} % throttle, {number(speed_rpm)} rpm"


def _gain(row: Row) -> str:
    span = between(row["mean_gain_lower_pct"], row["mean_gain_upper_pct"])
    return f"{signed(row['mean_gain_pct'])} % ({span})"


def _strokes(starts: Any, ends: Any, heights: Iterable[float]) -> tuple[list, list]:
    """Return many level strokes as one line with gaps."""
    x: list[float | None] = []
    y: list[float | None] = []
    for start, end, height in zip(starts, ends, heights, strict=True):
        x += [float(start), float(end), None]
        y += [height, height, None]
    return x, y


LANES, LANE = 7, 0.045
"""Seven end a third of a row down: three lines of the next row's name have room below them."""


def _lanes(rows: Sequence[int]) -> list[float]:
    """Lay the bikes of one row a little apart, so that their intervals can be told apart."""
    seen: dict[int, int] = {}
    at = []
    for row in rows:
        seen[row] = seen.get(row, -1) + 1
        at.append(row - 0.06 - LANE * (seen[row] % LANES))
    return at


def _error_levels(limits: Limits, palette: Palette) -> list[Item]:
    """Return the lean levels across a panel of lean error."""
    return [
        Level(at, palette.level(level), "dash", label=f"{level} {at:g} %")
        for level, at in limits.levels()
    ]


def lines(
    stages: Iterable[Drawn], column: str, shown: Callable[[Any], Any] = lambda value: value
) -> list[Item]:
    """Return one column of each stage as a line over engine speed."""
    return [
        Line(one.curve["engine_speed_rpm"], shown(one.curve[column]), one.colour, one.name,
             one.width, one.dash, who=one.who)
        for one in stages
    ]  # fmt: skip


def mixture_panel(
    stages: Sequence[Drawn], windows: pl.DataFrame, look: Look, limits: Limits, weight: float
) -> Panel:
    """Return the mixture of some stages, with what is wanted of the last."""
    items = [
        *lines(stages, "lambda_wide", look.shown_mixture),
        *_mixture_target_items(stages[-1].curve, windows, look, limits),
    ]
    return Panel(look.mixture_title, items, f".2f {look.mixture_unit}", weight)


def shade_lean(
    panels: Iterable[Panel], mixture: Panel, windows: pl.DataFrame, palette: Palette
) -> None:
    """Shade the lean windows over all panels, over the mixture the heaviest."""
    for window in windows.filter(pl.col("side") == "lean").iter_rows(named=True):
        colour = palette.level(window["level"])
        for panel in panels:
            strength = 0.2 if panel is mixture else 0.07
            panel.items.append(Stretch(window["from_rpm"], window["to_rpm"], colour, strength))


def power_band(difference: pl.DataFrame, look: Look, name: str) -> list[Item]:
    """Return the range of the power after a change, nothing where it is not known."""
    if difference.is_empty():
        return []
    lower, upper = (
        look.shown_power(difference["before_w"] * (1 + difference[end] / 100))
        for end in ("lower_pct", "upper_pct")
    )
    speed = difference["engine_speed_rpm"]
    return [Band(speed, lower, upper, look.palette.after, 0.22, name)]


def _gain_items(difference: pl.DataFrame, palette: Palette) -> list[Item]:
    if difference.is_empty():
        return []
    speed = difference["engine_speed_rpm"]
    whole = difference["whole_lower_pct"], difference["whole_upper_pct"]
    each = difference["lower_pct"], difference["upper_pct"]
    return [
        Band(speed, *whole, palette.after, 0.12, "95 % for the whole curve"),
        Band(speed, *each, palette.after, 0.22, "95 % at each speed"),
        Line(speed, difference["gain_pct"], palette.after, width=2.2, who="gain"),
        Line(speed, each[0], palette.after, width=0, who="95 % from"),
        Line(speed, each[1], palette.after, width=0, who="to"),
        Level(0, palette.text),
    ]


def _mixture_target_items(
    after: pl.DataFrame, windows: pl.DataFrame, look: Look, limits: Limits
) -> list[Item]:
    """Return the wanted mixture with the lean levels over it, and the name of each lean window."""
    palette = look.palette
    wanted = after.drop_nulls("lambda_target")
    if wanted.is_empty():
        return []
    speed, target = wanted["engine_speed_rpm"], look.shown_mixture(wanted["lambda_target"])
    items: list[Item] = [
        Line(speed, target, palette.text, "target mixture", 1.5, "dash", who="target")
    ]
    for level, at in limits.levels():
        line = target * (1 + at / 100)
        items += [
            Line(speed, line, palette.level(level), width=1, dash="dot"),
            Note(speed[0], line[0], f"{level} {at:g} %"),
        ]
    for window in windows.filter(pl.col("side") == "lean").iter_rows(named=True):
        worst, error = window["worst_speed_rpm"], window["worst_error_pct"]
        height = target[(speed - worst).abs().arg_min()] * (1 + error / 100)
        said = f"{window['level'].upper()} {signed(error, 0)} %"
        items.append(Note(worst, height, said, px=13, is_bold=True, is_centred=True))
    return items


def _against_siblings(speed: pl.Series, lines: Sequence[pl.Series], palette: Palette) -> list[Item]:
    """Return a bike's line over the band of its siblings; nothing where it has none."""
    own, usual, lower, upper = lines
    if own.is_null().all():
        return []
    items: list[Item] = [
        Band(speed, lower, upper, palette.before, 0.28, "the middle half of the siblings")
    ]
    if not usual.is_null().all():
        items.append(Line(speed, usual, palette.before, "siblings' median", dash="dash"))
    return [*items, Line(speed, own, palette.after, "this bike", 2.8)]


def _change_marks(checks: pl.DataFrame, events: pl.DataFrame, palette: Palette) -> list[Item]:
    """Mark each change of level where it most likely began, with what is not known about it."""
    changes = events.filter(pl.col("event_kind").is_in(["shift", "drift"])).sort("first_on")
    begun = checks.filter(pl.col("shift_pct") != pl.col("shift_pct").shift(1))["run_on"].to_list()
    at, items = [], []
    for event in changes.iter_rows(named=True):
        first, last = event["begins_after"] or event["first_on"], event["first_on"]
        at.append(next((day for day in begun if first < day <= last), last))
        size = [event["event_pct"]] * 2
        items.append(Line([first, last], size, palette.rich, "when it may have begun", 9))
    half = changes["event_half_pct"].fill_null(0.0)
    words = [textwrap.fill(said, 56) for said in changes["sentence"]]
    size, ink = changes["event_pct"], palette.stop
    return [*items, Marks(at, size, ink, "change of level", "diamond", 10, half=half, words=words)]


def over_speed(
    panels: list[Panel],
    palette: Palette,
    height: float,
    said: str,
    *,
    below_px: float = 128,
    corner: str = "",
) -> Chart:
    """Return a chart over engine speed."""
    return Chart(
        panels,
        SPEED_TITLE,
        palette,
        height,
        said,
        below_px=below_px,
        x_format=SPEED_FORMAT,
        corner=corner,
    )


def _rows(items: list[Item], rows: int, look: Look, title: str) -> Chart:
    """Return a chart whose vertical axis counts rows, each with its name above it."""
    return Chart(
        [Panel("", items, ends=(-0.55, rows - 0.1))],
        title,
        look.palette,
        166 + 84 * max(rows, 1),
        title.partition(" [")[0],
        below_px=132,
        points_at_one=True,
    )


def _over_days(
    panels: list[Panel], palette: Palette, height: float, said: str, *, below_px: float
) -> Chart:
    return Chart(panels, DAY_TITLE, palette, height, said, below_px=below_px, x_format=DAY_FORMAT)


def _cell_table(
    cells: pl.DataFrame,
    load: tuple[str, str],
    size: float,
    cell: Any,
    look: Look,
    *,
    title: str,
    ends: tuple[float, float | None],
) -> CellTable:
    """Return cells by their edges, over engine speed and load."""
    speed = ("speed_from_rpm", "speed_to_rpm")
    loads = sorted(set(cells.select(load).iter_rows()))
    speeds = sorted(set(cells.select(speed).iter_rows()))
    return CellTable(
        {
            (tuple(row[end] for end in load), tuple(row[end] for end in speed)): cell(row)
            for row in cells.iter_rows(named=True)
        },
        {edges: f"{edges[0] / size:.3g}–{edges[1] / size:.3g}" for edges in loads},
        {edges: f"{edges[0] / 1000:.3g}–{edges[1] / 1000:.3g}" for edges in speeds},
        title,
        look.palette,
        is_signed=ends[0] < 0,
        ends=ends,
    )


def _seen(axis: Sequence[float], used: Sequence[float]) -> list[float]:
    """Return the breakpoints from one before the first used to one after the last."""
    if not used:
        return list(axis)
    places = [axis.index(value) for value in used]
    return list(axis[max(min(places) - 1, 0) : max(places) + 2])


def _shown(name: str, values: np.ndarray, look: Look) -> np.ndarray:
    if name == "power_w":
        return look.shown_power(values)
    return look.shown_mixture(values) if name.startswith("lambda") else values
