"""Pulls to standard curves: sweep, correction undone and redone, smoothing onto the grid."""

from __future__ import annotations

import json
import math
from itertools import islice
from typing import Any, NamedTuple

import duckdb
import numpy as np
import polars as pl

from flows.metrics import air, cruise, curve, mixture, roller_power
from flows.metrics.clocks import rising_part
from flows.metrics.notes import Note, NotToldError, note, note_of
from flows.metrics.ratio import ratio_check
from flows.metrics.short_rows import median, quantile, slope
from flows.metrics.sweep import OPEN_SHARE, Sweep, chosen_sweep, failing_throttle, sweeps
from flows.steps.engine import Given, Inputs, Records, Step, by_key
from flows.steps.refresh import or_none, stacked
from flows.steps.repeats import set_repeats_aside
from flows.steps.samples import Channels, read_samples
from flows.steps.short_pulls import set_short_aside
from schemas.settings import ShopSettings
from warehouse import store

WARM_COOLANT_K = 343.15
"""70 °C: a colder liquid-cooled engine makes less power (common practice, no source)."""
DEAD_LAMBDA_SPREAD = 0.002
"""A live gauge moves more than this over a whole pull; one that does not is stuck."""
PROBE_TAIL_S = 0.15
"""A probe mixes in what comes after: in the last part of a sweep the gas of the shut throttle.
Some probe's lag, common practice, no source; a longer delay counts in its place."""
USED_CHANNELS = (
    "time_s",
    "engine_speed_rpm",
    "roller_speed_m_s",
    "throttle_pct",
    "wheel_power_w",
    "wheel_torque_nm",
    "lambda_wide",
    "lambda_wide_2",
    "coolant_temp_k",
    "oil_temp_k",
    "intake_air_temp_k",
    "knock",
    "ignition_advance_deg",
)
KNOCK_REACH_RPM = 75.0
"""A knock is a moment's: its greatest reading within this of a speed stands for the speed."""
LEAST_LAMBDAS = 10
"""Fewer readings of a probe over a sweep are no course of a mixture."""
SATURATED_LAMBDA = 1.6
"""Free air, not a mixture that would burn (common practice, no source)."""
LEAST_W_PER_CC, MOST_W_PER_CC = 20.0, 200.0
"""Peak power over displacement, the same in kW a litre: the laziest big twins make some 30, the
keenest unblown engines of the road some 170 (common practice, no source)."""
ROLLER_STEPS = 3.0
"""Least half width of the roller's slope in samples, so that five of them lie within it."""
MOST_BANDWIDTH_RPM = 600.0
"""No sparse record is smoothed over more on either side: a peak would be flattened by percents."""
LEAST_SHOWN_SHARE = 0.5
"""A curve that shows less of the speeds at which power was recorded has no peak worth the name."""
AT_END_RPM = 100.0
"""A greatest power this near the sweep's end is no top that was passed."""
END_LOOK_S, END_SKIP_S = 0.6, 0.12
"""What ended a sweep is looked for in this time after it; its last moments are trimmed off it."""
HELD_PACE_SHARE = 0.3
"""A limiter holds the speed: it rises by less than this share of the sweep's pace."""
DELAY_STEP_S = 0.02
"""Delays by rides are taken in steps: a further ride must not draw every curve anew. Half of one is
9 rpm of a sweep of 900 rpm a second."""
SHARED_SPAN_RPM = 500.0
"""Two sweeps that share fewer speeds are not held against each other."""


def _inputs(connection: duckdb.DuckDBPyConnection, _: Given) -> Inputs:
    pulls = store.rows(
        connection,
        "SELECT pull.*, model.induction, model.displacement_cc, reading.sample_id, "
        "reading.sample_path, "
        "reading.facts ->> '$.notes' AS reading_notes, reading.facts ->> '$.marks' AS marks, "
        "TRY_CAST(reading.facts ->> '$.roller_mass_kg' AS DOUBLE) AS roller_mass_kg, "
        "logged.delay_s AS delay_by_rides_s "
        "FROM core.pull AS pull JOIN core.stage AS stage USING (stage_id) "
        "JOIN core.bike AS bike ON stage.bike_id = bike.bike_id "
        "JOIN core.model AS model USING (model_id) "
        "JOIN raw.reading AS reading USING (file_sha256) "
        # A delay that a person stated rests on no ride: its pulls stay as they are.
        "LEFT JOIN (SELECT ridden.equipment, ridden.probe_place, "
        "median(ride.delay_s) AS delay_s "
        "FROM out.ride AS ride JOIN core.ride AS ridden USING (ride_id) "
        "WHERE starts_with(ride.delay_origin, 'estimated') GROUP BY ALL) AS logged "
        "ON pull.equipment = logged.equipment AND pull.probe_place = logged.probe_place "
        "AND (pull.probe_delay_s IS NULL OR pull.is_delay_assumed) ORDER BY pull.pull_id",
    )
    in_steps = (pl.col("delay_by_rides_s") / DELAY_STEP_S).round() * DELAY_STEP_S
    pulls = pulls.with_columns(in_steps.alias("delay_by_rides_s"))
    # Where the samples lie says nothing of what they are.
    return by_key("pull_id", {"pull": pulls}, without=("sample_path",))


def _make(given: Given, payloads: list[dict[str, Any]]) -> Records:
    """Return the standard curve of pulls, and the line of each."""
    rows = [
        pull | {"marks": json.loads(pull["marks"] or "{}")} for p in payloads for pull in p["pull"]
    ]
    samples = read_samples(given.shop, rows, USED_CHANNELS)
    heads, curves = make_curves(rows, samples, given.settings)
    return {"out.pull": heads, "out.pull_curve": stacked("pull_id", curves)}


def _set_aside(connection: duckdb.DuckDBPyConnection, changed: list[str], gone: list[str]) -> None:
    """Leave out what came twice and what was broken off."""
    set_repeats_aside(connection, changed, gone)
    set_short_aside(connection)


CURVES = Step(
    name="draw curves",
    doing="drawing curves",
    version=11,
    key="pull_id",
    tables=("out.pull", "out.pull_curve"),
    beside=("out.same_pull",),
    reads=(
        "core.pull", "core.stage", "core.bike", "core.model", "raw.reading", "raw.arrival",
        "core.ride", "out.ride",
    ),
    inputs=_inputs,
    make=_make,
    set_by=lambda settings: [settings.figures, settings.shop.altitude_m],
    batch=500,
    within=_set_aside,
)  # fmt: skip


def make_curves(
    rows: list[dict[str, Any]], samples: dict[str, Channels], settings: ShopSettings
) -> tuple[list[dict[str, Any]], dict[str, dict[str, np.ndarray]]]:
    """Return the lines of some pulls, and the curves of those that have one, by pull_id.

    All of them are smoothed at once.
    """
    pulls = [_Pull(row, samples[row["sample_id"]], *_head(row, settings)) for row in rows]
    drawn: list[tuple[_Pull, _Drawing]] = []
    for pull in pulls:
        if not pull.head["trouble"]:
            try:
                drawn.append((pull, _drawing(pull, settings)))
            except ValueError as error:
                pull.head["trouble"] = note_of(error)
    smoothed = iter(curve.smoothed_curves(one for _, drawing in drawn for one in drawing.wanted()))
    curves: dict[str, dict[str, np.ndarray]] = {}
    for pull, drawing in drawn:
        found = list(islice(smoothed, len(drawing.wanted())))
        try:
            curves[pull.head["pull_id"]] = _curve(pull, drawing, found)
        except ValueError as error:
            pull.head["trouble"] = note_of(error)
    for pull in pulls:
        _set_aside_by_hand(pull)
        pull.head["is_used"] = not pull.head["trouble"]
        pull.head["notes"] = pull.notes
    return [pull.head for pull in pulls], curves


def _set_aside_by_hand(pull: _Pull) -> None:
    """Leave out a pull that a person set aside; it keeps its curve, and what our checks found."""
    head, reason = pull.head, pull.row.get("set_aside_reason")
    head["set_aside"] = None
    if reason is not None:
        head["set_aside"] = note("set aside", reason=reason, by=pull.row["set_aside_by"])
        if head["trouble"]:
            pull.notes.append(head["set_aside"])
        else:
            head["trouble"] = head["set_aside"]


class _Pull(NamedTuple):
    """A pull as it was read, its line as far as it is known, and what is to be said of it."""

    row: dict[str, Any]
    channel: Channels
    head: dict[str, Any]
    notes: list[Note]


class _Lambdas(NamedTuple):
    """What the probes show over a sweep at the engine's own time, and where that is evidence."""

    shown: list[np.ndarray]
    from_rpm: float
    to_rpm: float
    settling_s: float | None
    unsettled: int
    """Readings of the sweep before the probe had settled."""
    notes: list[Note]


class _Drawing(NamedTuple):
    """What of a pull is smoothed: its sweep's power and, beside it, whatever goes with it."""

    part: slice
    throttle: np.ndarray | None
    speed: np.ndarray
    power: np.ndarray
    grid: np.ndarray
    bandwidth_rpm: float
    others: dict[int, tuple[np.ndarray, np.ndarray]]
    """Engine speed and power of the file's other sweeps, by their place."""
    lambdas: _Lambdas
    advance: np.ndarray

    def wanted(self) -> list[tuple[np.ndarray, np.ndarray, np.ndarray, float]]:
        """Return all of it: power, other sweeps, lambdas and the ignition's advance."""
        rows = [(self.speed, self.power), *self.others.values()]
        rows += [(self.speed, values) for values in (*self.lambdas.shown, self.advance)]
        return [(speed, values, self.grid, self.bandwidth_rpm) for speed, values in rows]


def _head(row: dict[str, Any], settings: ShopSettings) -> tuple[dict[str, Any], list[Note]]:
    """Return a pull's line with nothing known of its sweep yet, and what is to be said."""
    notes = _given_notes(row)
    head: dict[str, Any] = {
        **{
            name: row[name]
            for name in (
                "pull_id",
                "stage_id",
                "pull_no",
                "file_name",
                "file_sha256",
                "layout",
                "started_at",
                "power_state",
                "file_standard",
                "file_factor",
                "ambient_temp_k",
                "ambient_pressure_pa",
                "ambient_humidity_pct",
                "probe_place",
            )
        },
        "probe_delay_s": _probe_delay(row)[0],
        **dict.fromkeys(
            (
                "peak_power_w",
                "peak_power_speed_rpm",
                "peak_power_mid_w",
                "peak_power_lower_w",
                "peak_power_upper_w",
                "peak_torque_nm",
                "peak_torque_speed_rpm",
                "engine_roller_ratio",
                "ratio_kind",
                "sweep_from_rpm",
                "sweep_to_rpm",
                "sweep_s",
                "sweep_end",
                "is_peak_at_end",
                "missing_speed_share",
                "settling_s",
                "unsettled_samples",
                "mixture_from_rpm",
                "coolant_start_k",
                "coolant_end_k",
                "oil_start_k",
                "oil_end_k",
                "intake_air_start_k",
            )
        ),
        "has_lambda": False,
        "is_used": False,
        **_factors(row, settings, notes),
    }
    return head, notes


def _given_notes(row: dict[str, Any]) -> list[Note]:
    notes = json.loads(row["reading_notes"]) if row["reading_notes"] else []
    if row["rows_rejected"]:
        notes.append(note("rows rejected", rows=row["rows_rejected"]))
    return notes


def _factors(row: dict[str, Any], settings: ShopSettings, notes: list[Note]) -> dict[str, Any]:
    """Return which factor was taken out and which is put in, and what speaks against them."""
    reference = settings.figures.reference_air
    weather = [row["ambient_temp_k"], row["ambient_pressure_pa"], row["ambient_humidity_pct"]]
    found: dict[str, Any] = {
        "undone_factor": 1.0,
        "factor_disagreement_pct": None,
        "reference_air": reference,
        "reference_factor": None,
        "reference_factor_sd": None,
        "air_density_kg_m3": None,
        "trouble": None,
    }
    state = None
    if all(value is not None for value in weather):
        temp_k, pressure_pa, humidity_pct = weather
        vapour_pa = air.vapour_pressure_pa(temp_k, humidity_pct)
        state = (temp_k, pressure_pa, float(vapour_pa))
        found["air_density_kg_m3"] = float(air.air_density_kg_m3(*state))
        if doubt := air.pressure_doubt(pressure_pa, settings.shop.altitude_m):
            notes.append(note("air in doubt", why=doubt))
    if row["power_state"] == "corrected":
        standard = row["file_standard"]
        if row["file_factor"] is not None:
            found["undone_factor"] = row["file_factor"]
            if state is not None:
                against = air.factor_disagreement(
                    row["file_factor"],
                    standard,
                    weather[0],
                    weather[1],
                    weather[2],
                    settings.shop.altitude_m,
                )
                found["factor_disagreement_pct"] = against.disagreement_pct
                if against.likely_cause:
                    told = note(
                        "factor off",
                        factor=row["file_factor"],
                        off_pct=against.disagreement_pct,
                        recomputed=against.recomputed_factor,
                        cause=against.likely_cause,
                    )
                    doubted = against.is_air_in_doubt
                    notes.append(note("air in doubt", why=told) if doubted else told)
        elif state is not None:
            found["undone_factor"] = float(air.correction_factor(standard, *state))
        elif standard == reference and row["induction"] != "forced":
            found["reference_factor"] = 1.0
        else:
            found["trouble"] = note("correction not undone", standard=standard)
    if row["induction"] == "forced":
        notes.append(note("forced induction"))
    elif state is not None:
        found["reference_factor"] = float(air.correction_factor(reference, *state))
        found["reference_factor_sd"] = float(air.correction_factor_sd(reference, *state))
        if outside := air.air_outside(reference, *state):
            notes.append(outside)
    elif found["reference_factor"] is None and row["file_standard"] == reference:
        found["reference_factor"] = row["file_factor"]
    elif found["reference_factor"] is None and not found["trouble"]:
        names = ("air temperature", "pressure", "humidity")
        missing = [name for name, value in zip(names, weather, strict=True) if value is None]
        notes.append(note("no weather", missing=missing if len(missing) < 3 else ["weather"]))
    return found


def _drawing(pull: _Pull, settings: ShopSettings) -> _Drawing:
    """Find the sweep and its power; raise ValueError where there is none."""
    row, channel, head, notes = pull
    time, speed = channel["time_s"], channel["engine_speed_rpm"]
    throttle = channel["throttle_pct"]
    throttle = None if np.isnan(throttle).all() else throttle
    others: dict[int, slice] = {}
    if np.isfinite(time).any():
        if throttle is not None:
            throttle = _mended(channel, throttle)
        part, others = _sweep(channel, throttle, notes)
    else:
        part = rising_part(speed, throttle)
    head["engine_roller_ratio"], head["ratio_kind"] = _ratio(
        speed[part], channel["roller_speed_m_s"][part], notes
    )
    factor = head["reference_factor"] if head["reference_factor"] is not None else 1.0
    power = _power(row, channel, part, notes) / head["undone_factor"] * factor
    powers: dict[int, tuple[np.ndarray, np.ndarray]] = {}
    for which, other in others.items():
        try:
            told = _power(row, channel, other, []) / head["undone_factor"] * factor
        except ValueError:
            continue  # its roller was not seen: nothing is known of it
        powers[which] = (speed[other], told)
    swept = speed[part]
    grid = curve.speed_grid_rpm(float(np.nanmin(swept)), float(np.nanmax(swept)))
    recorded = np.isfinite(power) & np.isfinite(swept)
    bandwidth = _bandwidth_rpm(swept[recorded], settings.figures.bandwidth_rpm, notes)
    advance = channel["ignition_advance_deg"][part]
    if np.isfinite(advance).sum() < curve.LEAST_SAMPLES:
        advance = np.full(advance.shape, np.nan)
    return _Drawing(
        part,
        throttle,
        swept,
        power,
        grid,
        bandwidth,
        powers,
        _lambdas(channel, throttle, part, *_probe_delay(row)),
        advance,
    )


def _curve(
    pull: _Pull, drawing: _Drawing, found: list[curve.SmoothedCurve]
) -> dict[str, np.ndarray]:
    """Return a pull's curve from what was smoothed of it; fill in its line."""
    row, channel, head, notes = pull
    part, swept, power, grid = drawing.part, drawing.speed, drawing.power, drawing.grid
    time, throttle = channel["time_s"], drawing.throttle
    has_clock = bool(np.isfinite(time).any())
    smooth, *beside, advance = found
    recorded = np.isfinite(power) & np.isfinite(swept)
    if not recorded.any() or np.nanmax(power) <= 0:
        raise NotToldError("no power recorded")
    shown = np.isfinite(smooth.value).sum()
    might = float(np.ptp(swept[recorded])) / curve.SPEED_STEP_RPM
    if shown == 0 or shown < LEAST_SHOWN_SHARE * might:
        raise NotToldError(
            "few samples over the sweep",
            samples=recorded.sum(),
            from_rpm=np.nanmin(swept),
            to_rpm=np.nanmax(swept),
            needed=curve.LEAST_SAMPLES,
            within_rpm=drawing.bandwidth_rpm,
        )
    for which, theirs in zip(drawing.others, beside, strict=False):
        _tell_apart(which, theirs.value, smooth.value, notes)
    lambdas = drawing.lambdas
    notes += lambdas.notes
    lean = np.full(grid.shape, np.nan)
    for shown_lambda in beside[len(drawing.others) :]:
        lean = np.fmax(lean, shown_lambda.value)
    lean[(grid < lambdas.from_rpm) | (grid > lambdas.to_rpm)] = np.nan
    seen = np.isfinite(smooth.value) & (smooth.value > 0)
    grid, value, sd, lean = grid[seen], smooth.value[seen], smooth.sd[seen], lean[seen]
    advance = advance.value[seen]
    torque = curve.torque_nm(value, grid)
    top, strongest = curve.peak(grid, value), curve.peak(grid, torque)
    settled = curve.peak_interval(swept, power)
    end = _sweep_end(time, channel["engine_speed_rpm"], throttle, part) if has_clock else "unknown"
    head.update(
        sweep_end=end,
        is_peak_at_end=end != "limit" and top.speed_rpm > grid[-1] - AT_END_RPM,
        peak_power_w=top.value,
        peak_power_speed_rpm=top.speed_rpm,
        peak_power_mid_w=or_none(settled.value),
        peak_power_lower_w=or_none(settled.lower),
        peak_power_upper_w=or_none(settled.upper),
        peak_torque_nm=strongest.value,
        peak_torque_speed_rpm=strongest.speed_rpm,
        sweep_from_rpm=float(swept[0]),
        sweep_to_rpm=float(np.nanmax(swept)),
        sweep_s=float(time[part][-1] - time[part][0]) if has_clock else None,
        coolant_start_k=_first(channel["coolant_temp_k"][part]),
        coolant_end_k=_first(channel["coolant_temp_k"][part][::-1]),
        oil_start_k=_first(channel["oil_temp_k"][part]),
        oil_end_k=_first(channel["oil_temp_k"][part][::-1]),
        intake_air_start_k=_first(channel["intake_air_temp_k"][part]),
        has_lambda=bool(np.isfinite(lean).any()),
        settling_s=lambdas.settling_s,
        unsettled_samples=lambdas.unsettled if lambdas.shown else None,
        mixture_from_rpm=float(grid[np.isfinite(lean)][0]) if np.isfinite(lean).any() else None,
    )
    if doubt := _power_doubt(top.value, row):
        notes.append(doubt)
    if head["coolant_start_k"] is not None and head["coolant_start_k"] < WARM_COOLANT_K:
        notes.append(note("engine cold", coolant_degc=head["coolant_start_k"] - 273.15))
    return {
        "engine_speed_rpm": grid,
        "power_w": value,
        "power_sd_w": sd,
        "torque_nm": torque,
        "lambda_wide": lean,
        "elapsed_s": _when(time[part], swept, grid),
        "knock": _greatest(channel["knock"][part], swept, grid),
        "ignition_advance_deg": advance,
    }


def _when(time: np.ndarray, speed: np.ndarray, grid: np.ndarray) -> np.ndarray:
    """Return the time at which a sweep first passed each speed; NaN without a clock."""
    seen = np.isfinite(time) & np.isfinite(speed)
    if seen.sum() < 2:
        return np.full(grid.shape, np.nan)
    # Ripple makes speed fall for moments: the highest so far is what has been passed.
    passed = np.maximum.accumulate(speed[seen])
    return np.interp(grid, passed, time[seen] - time[seen][0], left=np.nan, right=np.nan)


def _greatest(values: np.ndarray, speed: np.ndarray, grid: np.ndarray) -> np.ndarray:
    """Return the greatest reading near each speed; NaN where there was none."""
    found = np.full(grid.shape, -np.inf)
    seen = np.isfinite(values) & np.isfinite(speed)
    speed, values = speed[seen], values[seen]
    first = np.searchsorted(grid, speed - KNOCK_REACH_RPM)
    stop = np.searchsorted(grid, speed + KNOCK_REACH_RPM, side="right")
    for step in range(int((stop - first).max(initial=0))):
        near = first + step < stop
        np.maximum.at(found, first[near] + step, values[near])
    return np.where(np.isfinite(found), found, np.nan)


def _sweep(
    channel: dict[str, np.ndarray], throttle: np.ndarray | None, notes: list[Note]
) -> tuple[slice, dict[int, slice]]:
    """Return the samples of the sweep that makes the curve, and those of others by their place.

    What else the file holds is noted.
    """
    found = sweeps(
        channel["time_s"], channel["engine_speed_rpm"], throttle, channel["roller_speed_m_s"]
    )
    choice = chosen_sweep(found, has_throttle=throttle is not None)
    notes += choice.notes
    if choice.trouble:
        raise NotToldError(**choice.trouble)

    def samples(one: Sweep) -> slice:
        return slice(one.start, one.stop)

    usable = [one for one in found if not one.why_not]
    others = {
        number: samples(one) for number, one in enumerate(usable, start=1) if one != choice.sweep
    }
    return samples(choice.sweep), others


def _mended(channel: dict[str, np.ndarray], throttle: np.ndarray) -> np.ndarray:
    """Return the throttle as open where its signal fails and the engine pulls on.

    Nothing but the sweep's ends is told by it, and the reading's notes say so.
    """
    time, speed = channel["time_s"], channel["engine_speed_rpm"]
    if np.any(np.diff(time[np.isfinite(time)]) <= 0.0):
        return throttle
    power = channel["wheel_power_w"]
    found = failing_throttle(time, speed, throttle, None if np.isnan(power).all() else power)
    mended, most = throttle.copy(), float(np.nanmax(throttle))
    for start, stop in found:
        mended[start:stop] = most
    return mended


def _sweep_end(
    time: np.ndarray, speed: np.ndarray, throttle: np.ndarray | None, part: slice
) -> str:
    """Return what ended a sweep: limit, throttle shut, speed falls, or record ends."""
    last = part.stop - 1
    after = (time > time[last] + END_SKIP_S) & (time <= time[last] + END_LOOK_S)
    if after.sum() < 2:
        return "record ends"
    is_open = after
    if throttle is not None:
        seen = throttle[part][np.isfinite(throttle[part])]
        least = 0.8 * median(seen) if seen.size else math.nan
        is_open = after & ~(throttle < least)
    if is_open.sum() >= 3:
        pace = slope(time[part], speed[part])
        rise = slope(time[is_open] - time[last], speed[is_open])
        if abs(rise) < HELD_PACE_SHARE * pace:
            return "limit"
    if throttle is not None and is_open.sum() < after.sum():
        return "throttle shut"
    return "speed falls"


def _bandwidth_rpm(speed: np.ndarray, usual_rpm: float, notes: list[Note]) -> float:
    """Return half the window of the curve: the shop's, or a wider one that a slow record needs."""
    ordered = np.sort(speed)
    if ordered.size <= curve.LEAST_SAMPLES:
        return usual_rpm
    # As many steps as samples hold them wherever the window lies; lost rows must not widen it.
    apart = ordered[curve.LEAST_SAMPLES :] - ordered[: -curve.LEAST_SAMPLES]
    needed = 1.025 * quantile(apart, 0.9) / 2.0
    bandwidth = max(usual_rpm, min(needed, MOST_BANDWIDTH_RPM))
    if bandwidth > usual_rpm:
        notes.append(note("smoothed wider", bandwidth_rpm=bandwidth, usual_rpm=usual_rpm))
    return bandwidth


def _tell_apart(which: int, theirs: np.ndarray, ours: np.ndarray, notes: list[Note]) -> None:
    """Note by how much another sweep's power differs from the one that is used."""
    shared = np.isfinite(theirs) & np.isfinite(ours) & (theirs > 0) & (ours > 0)
    if shared.sum() * curve.SPEED_STEP_RPM < SHARED_SPAN_RPM:
        return
    change_pct = 100.0 * (float(theirs[shared].mean() / ours[shared].mean()) - 1.0)
    notes.append(note("other sweep differs", sweep=which, change_pct=change_pct))


def _power_doubt(peak_w: float, row: dict[str, Any]) -> Note | None:
    """Return what is odd about the power for an engine of this size, if anything is."""
    displacement_cc = row.get("displacement_cc")
    if not displacement_cc:
        return None
    share = peak_w / displacement_cc
    most = math.inf if row["induction"] == "forced" else MOST_W_PER_CC
    if LEAST_W_PER_CC <= share <= most:
        return None
    return note(
        "power in doubt",
        power_kw=peak_w / 1000,
        displacement_cc=displacement_cc,
        kw_a_litre=share,
        least=LEAST_W_PER_CC,
        most=most,
        is_from_roller=row["power_state"] == "from roller",
        layout=row["layout"],
    )


def _ratio(
    speed: np.ndarray, roller: np.ndarray, notes: list[Note]
) -> tuple[float | None, str | None]:
    """Return engine over roller speed where it is one over the whole sweep, and what it does.

    Notes why it is not one, or could not be checked.
    """
    if not np.isfinite(roller).any():
        return None, None
    try:
        found = ratio_check(speed, roller)
    except ValueError as error:
        notes.append(note("ratio not checked", why=note_of(error)))
        return None, None
    if found.kind == "constant":
        return found.rpm_per_m_s, found.kind
    notes.append(found.reason)
    return None, found.kind


def _power(
    row: dict[str, Any], channel: dict[str, np.ndarray], part: slice, notes: list[Note]
) -> np.ndarray:
    """Return the power over a sweep as the file or its roller gives it."""
    if row["power_state"] == "from roller":
        return _from_roller(channel, row.get("roller_mass_kg"), part, notes)
    power = channel["wheel_power_w"]
    if np.isnan(power).all():
        power = channel["wheel_torque_nm"] * channel["engine_speed_rpm"] * 2 * math.pi / 60
    if np.isnan(power).all() and (why := row["marks"].get("wheel_power_w")):
        raise NotToldError(**why)
    return power[part]


def _from_roller(
    channel: dict[str, np.ndarray], mass_kg: float | None, part: slice, notes: list[Note]
) -> np.ndarray:
    """Return the power at the roller's surface over a sweep, from how the roller speeds up.

    Nothing outside the sweep is looked at: there the roller coasts, and a window that ran over
    its ends would mix the two. What a coast-down shows to be lost is noted and never added: a pull
    with one would read some percent above its neighbours without.
    """
    time, roller = channel["time_s"], channel["roller_speed_m_s"]
    if mass_kg is None:
        raise NotToldError("roller mass not known")
    seen = np.isfinite(roller[part]) & np.isfinite(time[part])
    if not seen.any():
        raise NotToldError("roller speed not recorded")
    half_width_s = roller_power.HALF_WIDTH_S
    if seen.sum() > 1:
        step_s = median(np.diff(time[part][seen]))
        half_width_s = max(half_width_s, ROLLER_STEPS * step_s)
    found = roller_power.roller_power(time[part], roller[part], mass_kg, half_width_s=half_width_s)
    notes.append(
        note(
            "power from roller",
            mass_kg=mass_kg,
            window_s=2 * half_width_s,
            noise_sd_kw=np.nanmedian(found.sd_w) / 1000,
        )
    )
    coast = roller_power.coasting_part(time, roller, channel["engine_speed_rpm"], part)
    if coast is None:
        return found.power_w
    try:
        losses = roller_power.coast_down(
            time[coast], roller[coast], mass_kg, half_width_s=half_width_s
        )
    except ValueError:
        return found.power_w
    fastest = losses.to_m_s
    lost_w = float(losses.force_n(fastest)) * fastest
    if lost_w > 0:
        notes.append(note("coast-down", lost_kw=lost_w / 1000, at_km_h=3.6 * fastest))
    return found.power_w


def _first(values: np.ndarray) -> float | None:
    seen = values[np.isfinite(values)]
    return float(seen[0]) if seen.size else None


def _probe_delay(row: dict[str, Any]) -> tuple[float | None, Note | None]:
    """Return the delay to take out, and what is to be said of one that nobody stated.

    Rides of the same equipment with the probe in the same place tell more than a draft assumed.
    """
    stated_s, by_rides_s = row["probe_delay_s"], row["delay_by_rides_s"]
    if stated_s is not None and not row["is_delay_assumed"]:
        return stated_s, None
    if by_rides_s is not None:
        return by_rides_s, note("delay from rides", delay_s=by_rides_s)
    return stated_s, note("delay not known", assumed_s=stated_s or 0.0)


def _lambdas(
    channel: Channels,
    throttle: np.ndarray | None,
    part: slice,
    delay_s: float | None,
    delay_note: Note | None,
) -> _Lambdas:
    """Return over the sweep what each probe shows, the delay taken out, and where it is evidence.

    Notes say why a probe is none.
    """
    time, speed = channel["time_s"], channel["engine_speed_rpm"][part]
    has_clock = bool(np.isfinite(time[part]).any())
    late_s = delay_s or 0.0
    settling_s = None
    is_evidence = np.ones(speed.shape, dtype=bool)
    is_settled = is_evidence.copy()
    if has_clock:
        is_known = delay_note is None or delay_note["code"] == "delay from rides"
        settling_s = mixture.settling_s(late_s, is_known=is_known)
        settled_at = _opened_s(time, throttle, part) + settling_s - late_s
        is_settled = time[part] >= settled_at
        is_evidence = is_settled & (time[part] < time[part][-1] - max(PROBE_TAIL_S, late_s))
    seen_rpm = speed[is_evidence & np.isfinite(speed)]
    notes: list[Note] = []
    found: list[np.ndarray] = []
    for name in ("lambda_wide", "lambda_wide_2"):
        values = channel[name]
        seen = values[part][np.isfinite(values[part])]
        if seen.size < LEAST_LAMBDAS:
            continue
        if np.ptp(seen) < DEAD_LAMBDA_SPREAD:
            notes.append(note("lambda stands still", channel=name, value=median(seen)))
            continue
        if median(seen) > SATURATED_LAMBDA:
            notes.append(note("lambda reads free air", channel=name, value=median(seen)))
            continue
        if has_clock:
            values = cruise.aligned_lambda(time, values, late_s)
        found.append(np.where(is_evidence, values[part], np.nan))
    if found and delay_note is not None:
        notes.append(delay_note)
    if found and not seen_rpm.size:
        notes.append(note("probe not settled", settling_s=settling_s))
    return _Lambdas(
        found,
        float(seen_rpm.min()) if seen_rpm.size else math.inf,
        float(seen_rpm.max()) if seen_rpm.size else -math.inf,
        settling_s if found else None,
        int((~is_settled).sum()),
        notes,
    )


def _opened_s(time: np.ndarray, throttle: np.ndarray | None, part: slice) -> float:
    """Return when the throttle opened for a sweep.

    Not logged, it opened as the sweep began; open from the record's first sample on, no earlier
    than that.
    """
    if throttle is None:
        return float(time[part.start])
    opening = throttle[part][np.isfinite(throttle[part])]
    least = OPEN_SHARE * median(opening) if opening.size else math.inf
    shut = np.flatnonzero(throttle[: part.start] < least)
    return float(time[shut[-1] + 1 if shut.size else 0])
