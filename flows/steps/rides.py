"""Rides: delay taken out, steady evidence sorted from the rest, part-throttle cells.

What the ECU regulates by itself tells of the map by its trims, not by its mixture: closed loop
makes cells of its own. Quick movements of the throttle are counted apart.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from typing import Any, NamedTuple

import duckdb
import numpy as np
import polars as pl

from flows.metrics import cruise, transients
from flows.metrics.exhaust_gas import GASOLINE, lambda_from_exhaust_gas
from flows.metrics.fuel import mixed_atom_ratios
from flows.metrics.mixture import LEAN_LEVELS, part_throttle_band
from flows.metrics.notes import Note, note
from flows.steps.builds import blend_by_mass
from flows.steps.engine import Given, Inputs, Records, Step, by_key, each, with_settings
from flows.steps.ride_repeats import find_repeats, repeated
from flows.steps.samples import MANY_ROWS, Channels, read_samples
from schemas.columns import CHANNELS
from schemas.settings import Mixture, ShopSettings
from warehouse import store

LAMBDAS = ("lambda_wide", "lambda_wide_2")
LEAST_CELL_DWELL_S = 2.0
"""A cell passed through for less has no say in the worst of a stage."""
MOST_DELAY_SHIFT_S = 0.15
"""An estimate further than this from the delay that a person stated does not count."""
STATED, ASSUMED = "the layout's", "assumed in the layout"
WAYS_APART_S = 0.03
"""Two ways of estimating a delay that differ by more do not agree; of the demo's 82 engine logs the
correlation alone was within it of the truth in all."""
USUAL_STRENGTH = 0.6
"""Correlation of those logs; a weaker one is as much less sure."""
DELAY_FROM_S = 3600.0
"""Time from which the delay is worked out: an hour holds more than enough throttle movements."""
COVERED_FROM_RPM, COVERED_THROTTLE_PCT = 1000.0, (2.0, 90.0)
"""Where a road engine runs: cells from there to the fastest speed logged should be covered."""
SETTLE_S, GAS_SETTLE_S = 0.5, 8.0
"""Time to wait after a movement: a probe follows within tenths of a second, a four-gas analyser
within some seconds (common practice, no source)."""
WINDOW_S = 0.5
SLOW_STEP_S, SLOW_SETTLE_S = 0.5, 2.0
"""A log whose clock steps by more than the first is steady where it is so over the second, before
and after: two of its samples."""
TRIM_STEP_PCT = 0.78
"""Step of a trim in one byte, (A - 128) * 100 / 128 (SAE J1979, from memory)."""
APART_PCT, MOST_APART_PCT = 3.0, 10.0
"""Two probes further apart than the first are told; cylinders differ by less than the second, and
beyond it neither is evidence. Common practice, no source."""
GASES = ("exhaust_co_pct", "exhaust_co2_pct", "exhaust_o2_pct")
TABLES = (
    "out.cruise_cell",
    "out.pressure_cell",
    "out.trim_cell",
    "out.transient",
    "out.stage_heat",
)
"""Tables by stage, beside the stage's line."""


def _inputs(connection: duckdb.DuckDBPyConnection, given: Given) -> Inputs:
    """Return the rides of each stage, with a note on what a ride is a copy of."""
    settings = given.settings
    rides = store.rows(
        connection,
        "SELECT ride.*, stage.job_id, stage.bike_id, stage.target_lambda, build.fuel, "
        "bike.model_id, reading.sample_id, "
        "reading.sample_path, reading.facts ->> '$.notes' AS reading_notes, "
        "reading.facts ->> '$.marks' AS marks, "
        "TRY_CAST(reading.facts ->> '$.clock_step_s' AS DOUBLE) AS clock_step_s "
        "FROM core.ride AS ride JOIN core.stage AS stage USING (stage_id) "
        "JOIN core.bike AS bike ON stage.bike_id = bike.bike_id "
        "JOIN core.build AS build USING (build_id) "
        "JOIN raw.reading AS reading USING (file_sha256) ORDER BY ride.stage_id, ride.ride_id",
    )
    copy_of = pl.col("ride_id").replace_strict(
        repeated(connection), default="", return_dtype=pl.String
    )
    rides = with_settings(
        rides.with_columns(copy_of=copy_of),
        ("fuel",),
        lambda fuel: [settings.mixture_on(fuel), blend_by_mass(fuel, settings)],
    )
    return by_key("stage_id", {"rides": rides}, without=("sample_path",))


def _find_repeats(connection: duckdb.DuckDBPyConnection, due: list[str]) -> None:
    changed = connection.execute(
        "SELECT ride_id FROM core.ride WHERE stage_id IN (SELECT unnest(?)) ORDER BY ALL", [due]
    ).fetchall()
    find_repeats(connection, [ride_id for (ride_id,) in changed])


def _make(given: Given, payload: dict[str, Any]) -> Records:
    """Return the rides and cruise cells of a stage."""
    settings = given.settings
    rides = [row | {"marks": json.loads(row["marks"] or "{}")} for row in payload["rides"]]
    wanted = settings.mixture_on(rides[0]["fuel"], rides[0]["target_lambda"])
    heads, exclusions, parts = [], [], []
    for row in rides:
        # One ride at a time: a long one may fill the memory that there is.
        samples = read_samples(given.shop, [row], CHANNELS)[row["sample_id"]]
        head, left_out, part = _ride(row, samples, settings, wanted)
        if row["copy_of"]:
            head, left_out, part = _as_copy(head, json.loads(row["copy_of"]))
        heads.append(head)
        exclusions += left_out
        parts += [part] if part is not None else []
    of_stage = _of_stage(payload["stage_id"], parts, settings.mixture.gauge_accuracy_pct)
    of_rides = {"out.ride": heads, "out.ride_exclusion": exclusions}
    return {**of_stage, **of_rides, "out.stage_cruise": [_line(rides, parts, of_stage)]}


RIDES = Step(
    name="read rides",
    doing="reading rides",
    version=10,
    key="stage_id",
    tables=("out.stage_cruise", *TABLES, "out.ride", "out.ride_exclusion"),
    beside=("out.same_ride",),
    through={"out.ride_exclusion": ("ride_id", "out.ride")},
    reads=(
        "core.ride", "core.stage", "core.bike", "core.build", "raw.reading", "raw.arrival",
    ),
    inputs=_inputs,
    make=each(_make),
    batch=20,
    settle=_find_repeats,
)  # fmt: skip


def _as_copy(
    head: dict[str, Any], reason: Note
) -> tuple[dict[str, Any], list[dict[str, Any]], None]:
    """Return a ride that came twice as one that is no evidence."""
    zero = {"steady_s": 0.0, "closed_loop_s": 0.0, "in_band_share": None, "lambda_from": ""}
    left_out = {
        "ride_id": head["ride_id"],
        "exclusion_reason": "the same ride as another file",
        "excluded_s": head["duration_s"],
    }
    return head | zero | {"trouble": reason}, [left_out], None


def _shown_lambda(
    channel: dict[str, np.ndarray], row: dict[str, Any], settings: ShopSettings
) -> tuple[np.ndarray, str]:
    """Return the leanest wideband reading, else lambda from the exhaust's gases, and which."""
    lean = np.fmax(channel["lambda_wide"], channel["lambda_wide_2"])
    if np.isfinite(lean).any():
        return lean, "wideband"
    if not all(np.isfinite(channel[name]).any() for name in GASES):
        return lean, ""
    blend = blend_by_mass(row["fuel"], settings)
    fuel = GASOLINE if blend is None else mixed_atom_ratios(blend)
    # A zero that is off shows gases below nothing.
    co, co2, o2 = (0.01 * np.clip(channel[name], 0.0, None) for name in GASES)
    # An analyser without hydrocarbons leaves out what they hold: some tenths of a percent.
    hc = 1e-6 * np.clip(np.nan_to_num(channel["exhaust_hc_ppm"]), 0.0, None)
    return lambda_from_exhaust_gas(co2, co, o2, hc, fuel), "exhaust gas"


def _trouble(
    lean: np.ndarray, channel: dict[str, np.ndarray], row: dict[str, Any], apart_pct: float
) -> Note | None:
    """Say why the mixture of a ride is no evidence; None where it may be."""
    if not np.isfinite(lean).any():
        marked = [row["marks"][name] for name in LAMBDAS if name in row["marks"]]
        if marked:
            return note("probes no evidence", why=marked)
        return _gas_trouble(channel) or note("no wideband")
    if apart_pct > MOST_APART_PCT:
        return note("probes far apart", apart_pct=apart_pct)
    if np.nanmax(lean) - np.nanmin(lean) < 0.002:
        return note("lambda stands still", channel="lambda", value=np.nanmedian(lean))
    return None


def _gas_trouble(channel: dict[str, np.ndarray]) -> Note | None:
    """Say why an exhaust analyser gives no lambda; None where none was logged."""
    seen = {name: np.isfinite(channel[name]).any() for name in GASES}
    if not any(seen.values()):
        return None
    symbols = {"exhaust_co_pct": "CO", "exhaust_co2_pct": "CO2", "exhaust_o2_pct": "O2"}
    if lacking := [symbols[name] for name, is_seen in seen.items() if not is_seen]:
        return note("gas not logged", gases=lacking)
    co_pct, co2_pct, o2_pct = (np.nanmedian(channel[name]) for name in GASES)
    return note("no lambda from gases", co_pct=co_pct, co2_pct=co2_pct, o2_pct=o2_pct)


def _probes_apart_pct(channel: dict[str, np.ndarray]) -> float:
    """Return how far two wideband probes are apart in the middle of a ride, 0 with one."""
    first, second = (channel[name] for name in LAMBDAS)
    both = np.isfinite(first) & np.isfinite(second) & (first > 0.0) & (second > 0.0)
    if not both.any():
        return 0.0
    return 100.0 * float(np.expm1(np.median(np.abs(np.log(first[both] / second[both])))))


class _Part(NamedTuple):
    """What of one ride can be evidence, sample by sample."""

    ride_id: str
    resolution: float
    channel: dict[str, np.ndarray]
    is_slow: bool
    """One sample a second or so: quick movements are over between two of them."""


class _Delay(NamedTuple):
    """How late the mixture of each sample is shown, in all, and how well that is known."""

    by_sample: np.ndarray | float
    middle_s: float
    half_width_s: float
    lag_s: float
    moves: int
    origin: str
    by_log_s: float = math.nan
    """What the log says by correlation, whether or not it counts."""


def _delay(
    time: np.ndarray,
    channel: dict[str, np.ndarray],
    lean: np.ndarray,
    stated: _Delay,
) -> _Delay:
    """Return the delay by the response to the throttle and by correlation, else the layout's.

    Two ways that see other things: the mean of both where they agree, the correlation alone where
    they do not, for it is off by the least. An answer far from what the layout states does not
    count: it may be a chance peak. What a draft assumed has no such weight.
    """
    part = slice(0, int(np.searchsorted(time, time[0] + DELAY_FROM_S, side="right")))
    throttle, speed = channel["throttle_pct"], channel["engine_speed_rpm"]
    plain, strength = cruise.estimated_delay_s(time[part], throttle[part], lean[part])
    if not math.isfinite(plain):
        return stated
    if stated.origin == STATED and abs(plain - stated.middle_s) > MOST_DELAY_SHIFT_S:
        return stated._replace(by_log_s=plain)
    flow = None
    for name in ("injector_time_s", "map_pressure_pa"):
        if np.isfinite(channel[name]).any():
            flow = np.clip(channel[name] * speed, 0.0, None)
            break
    aligned = cruise.aligned_lambda(time[part], lean[part], plain)
    effect = cruise.steady_effect(throttle[part], aligned)
    found = cruise.probe_response(
        time[part],
        throttle[part],
        lean[part],
        effect=effect if np.isfinite(effect).any() else None,
        engine_speed_rpm=speed[part],
        flow=None if flow is None else flow[part],
    )
    apart = found.arrival_s - plain
    if not abs(apart) <= WAYS_APART_S:
        rough = "estimated from the log, by correlation alone"
        half = WAYS_APART_S * max(1.0, USUAL_STRENGTH / strength)
        return _Delay(plain, plain, half, np.nan, found.moves, rough, plain)
    middle = 0.5 * (found.arrival_s + plain)
    by_sample: np.ndarray | float = middle
    if flow is not None and found.per_flow:
        by_flow = cruise.arrival_at_flow_s(found, flow)
        by_sample = np.clip(by_flow + middle - found.arrival_s, 0.0, None)
    half = max(found.arrival_half_width_s, abs(apart))
    return _Delay(
        by_sample, middle, half, found.lag_s, found.moves, "estimated from the log", plain
    )


def _origin(row: dict[str, Any]) -> str:
    """Return whose word the layout's delay is."""
    if row["probe_delay_s"] is None:
        return "none given"
    return ASSUMED if row["is_delay_assumed"] else STATED


def _delay_notes(delay: _Delay) -> list[Note]:
    """Say where the log speaks against the layout's delay, or nobody and nothing tells of it."""
    if delay.origin == STATED and math.isfinite(delay.by_log_s):
        return [note("delay unlike stated", by_log_s=delay.by_log_s, stated_s=delay.middle_s)]
    if delay.origin in (ASSUMED, "none given"):
        return [note("delay not known", assumed_s=delay.middle_s)]
    return []


class _Mixture(NamedTuple):
    """The mixture of a ride at the engine's own time, and where it is what."""

    aligned: np.ndarray
    closed: np.ndarray
    between: np.ndarray
    doubtful: np.ndarray
    delay: _Delay
    origin: str
    trouble: Note | None
    resolution: float
    notes: tuple[Note, ...]


def _mixture(
    row: dict[str, Any], channel: dict[str, np.ndarray], probe: str, settings: ShopSettings
) -> _Mixture:
    time = channel["time_s"]
    shown, origin = _shown_lambda(channel, row, settings)
    apart_pct = _probes_apart_pct(channel)
    trouble = _trouble(shown, channel, row, apart_pct)
    given_s = row["probe_delay_s"] or 0.0
    delay = _Delay(given_s, given_s, np.nan, np.nan, 0, _origin(row))
    unknown, nowhere = np.full_like(time, np.nan), np.zeros(time.shape, dtype=bool)
    volts = _logged(channel["o2_narrow_v"])
    trim = _logged(channel["fuel_trim_short_pct"])
    if trouble:
        nothing = _Mixture(unknown, nowhere, nowhere, nowhere, delay, origin, trouble, 0.0, ())
        if origin or volts is None or trim is None:
            return nothing
        # Held at lambda 1 by its own sensor, an engine without a wideband still shows its trims.
        closed = cruise.closed_loop_mask(time, o2_narrow_v=volts, fuel_trim_short_pct=trim)
        if not closed.any():
            return nothing
        delay = _Delay(0.0, 0.0, np.nan, np.nan, 0, "none needed")
        held = np.where(closed, 1.0, np.nan)
        return nothing._replace(
            aligned=held, closed=closed, delay=delay, origin="narrowband", trouble=None
        )
    closed = cruise.closed_loop_mask(time, o2_narrow_v=volts, fuel_trim_short_pct=trim)
    near = cruise.near_closed_loop_mask(time, o2_narrow_v=volts, fuel_trim_short_pct=trim)
    doubtful = cruise.doubtful_lambda(
        time,
        shown,
        channel["throttle_pct"],
        channel["engine_speed_rpm"],
        closed_loop=closed,
        probe=probe,
    )
    if origin == "wideband" and not _is_slow(row, time):
        free = np.where(closed | doubtful, np.nan, shown)
        delay = _delay(time, channel, free, delay)
    # What counts of a slow log is steady for longer than the gap between its samples.
    gap_s = SLOW_SETTLE_S if _is_slow(row, time) else cruise.LONGEST_GAP_S
    aligned = cruise.aligned_lambda(time, shown, delay.by_sample, longest_gap_s=gap_s)
    notes = _delay_notes(delay) if origin == "wideband" else []
    if apart_pct > APART_PCT:
        notes.append(note("probes apart", apart_pct=apart_pct))
    if origin == "exhaust gas" and blend_by_mass(row["fuel"], settings) is None:
        notes.append(note("fuel taken as gasoline", fuel=row["fuel"]))
    return _Mixture(
        aligned,
        closed,
        near & ~closed,
        doubtful,
        delay,
        origin,
        trouble,
        _step_of(shown),
        tuple(notes),
    )


def _ride(
    row: dict[str, Any], samples: Channels, settings: ShopSettings, wanted: Mixture
) -> tuple[dict[str, Any], list[dict[str, Any]], _Part | None]:
    """Return a ride's line, its exclusions, and its aligned channels if it has a mixture."""
    # A throttle sensor's play reaches beyond its ends; the cells do not.
    channel = samples | {"throttle_pct": np.clip(samples["throttle_pct"], 0.0, 100.0)}
    time, throttle, speed = (
        channel[name] for name in ("time_s", "throttle_pct", "engine_speed_rpm")
    )
    probe = row["probe_place"] or "collector"
    slow_s = SLOW_SETTLE_S if _is_slow(row, time) else 0.0
    shown = _mixture(row, channel, probe, settings)
    aligned, closed, delay = shown.aligned, shown.closed, shown.delay
    origin, trouble = shown.origin, shown.trouble
    reasons = cruise.exclusion_reasons(
        time,
        throttle_pct=throttle,
        engine_speed_rpm=speed,
        lambda_aligned=aligned,
        probe=probe,
        coolant_temp_k=_logged(channel["coolant_temp_k"]),
        injector_time_s=_logged(channel["injector_time_s"]),
        gear=_logged(channel["gear"]),
        roller_speed_m_s=_logged(channel["roller_speed_m_s"]),
        map_pressure_pa=_logged(channel["map_pressure_pa"]),
        doubtful=shown.doubtful,
        between_loops=shown.between,
        settle_s=max(GAS_SETTLE_S if origin == "exhaust gas" else SETTLE_S, slow_s),
        window_s=max(WINDOW_S, slow_s),
    )
    notes = json.loads(row["reading_notes"] or "[]")
    if row["rows_rejected"]:
        notes.append(note("rows rejected", rows=row["rows_rejected"]))
    if row["rows_kept"] > MANY_ROWS:
        step_ms = 1000 * float(np.median(np.diff(time)))
        notes.append(note("read as means", rows=row["rows_kept"], step_ms=step_ms))
    notes += shown.notes
    duration = cruise.sample_duration_s(time)
    steady = reasons == ""
    low, high = part_throttle_band(
        throttle, (wanted.cruise_low, wanted.cruise_high), wanted.target_full_throttle
    )
    in_band = steady & (aligned >= low) & (aligned <= high)
    steady_s = float(duration[steady].sum())
    known = math.isfinite(delay.half_width_s)
    head = {
        "ride_id": row["ride_id"],
        "stage_id": row["stage_id"],
        "file_name": row["file_name"],
        "file_sha256": row["file_sha256"],
        "layout": row["layout"],
        "duration_s": float(duration.sum()),
        "steady_s": steady_s,
        "in_band_share": float(duration[in_band].sum()) / steady_s if steady_s else None,
        "closed_loop_s": float(duration[closed].sum()),
        "lambda_from": "" if trouble else origin,
        "delay_s": delay.middle_s,
        "delay_lower_s": max(0.0, delay.middle_s - delay.half_width_s) if known else None,
        "delay_upper_s": delay.middle_s + delay.half_width_s if known else None,
        "probe_lag_s": delay.lag_s if math.isfinite(delay.lag_s) else None,
        "probe_moves": delay.moves,
        "delay_origin": delay.origin,
        "delay_by_log_s": delay.by_log_s if math.isfinite(delay.by_log_s) else None,
        "probe_place": row["probe_place"],
        "trouble": trouble,
        "notes": notes,
    }
    starts = np.flatnonzero(np.concatenate(([True], reasons[1:] != reasons[:-1])))
    excluded_s: dict[str, float] = {}
    for reason, lasts_s in zip(reasons[starts], np.add.reduceat(duration, starts), strict=True):
        excluded_s[reason] = excluded_s.get(reason, 0.0) + float(lasts_s)
    left_out = [
        {"ride_id": row["ride_id"], "exclusion_reason": reason, "excluded_s": excluded_s[reason]}
        for reason in sorted(excluded_s)
        if reason
    ]
    if trouble:
        return head, left_out, None
    added = cruise.trim_fuel_pct(
        channel["fuel_trim_short_pct"], np.nan_to_num(channel["fuel_trim_long_pct"])
    )
    part = {
        "time_s": time,
        "throttle_pct": throttle,
        "engine_speed_rpm": speed,
        "map_pressure_pa": channel["map_pressure_pa"],
        "lambda": aligned,
        "reasons": reasons,
        "duration_s": duration,
        "in_band": in_band,
        "closed": closed,
        "low": low,
        "high": high,
        "trim_pct": np.where(closed, added, np.nan),
        "long_trim_pct": channel["fuel_trim_long_pct"],
        "outside_air_pct": cruise.outside_air_most_pct(throttle, speed, probe),
        "coolant_k": channel["coolant_temp_k"],
        "oil_k": channel["oil_temp_k"],
        "intake_k": channel["intake_air_temp_k"],
    }
    return head, left_out, _Part(row["ride_id"], shown.resolution, part, slow_s > 0.0)


def _is_slow(row: dict[str, Any], time: np.ndarray) -> bool:
    """Whether delays and quick movements are over between two samples or times."""
    step_s = float(np.median(np.diff(time))) if time.size > 1 else 0.0
    return max(row["clock_step_s"] or 0.0, step_s) > SLOW_STEP_S


def _logged(values: np.ndarray) -> np.ndarray | None:
    return values if np.isfinite(values).any() else None


def _step_of(values: np.ndarray) -> float:
    """Return the step in which a gauge was logged: two decimals make steps of 0.01."""
    seen = np.unique(np.round(values[np.isfinite(values)][:20_000], 7))
    return float(np.diff(seen).min()) if seen.size > 1 else 0.0


def _of_stage(
    stage_id: str, parts: list[_Part], gauge_accuracy_pct: float
) -> dict[str, list[dict[str, Any]]]:
    """Return the rows of a stage's tables, from all of its rides together."""
    made: dict[str, list[dict[str, Any]]] = {name: [] for name in TABLES}
    if not parts:
        return made
    # Rides follow one another on one clock, a minute apart, so that no step spans two of them.
    clocks, offset = [], 0.0
    for part in parts:
        time = part.channel["time_s"]
        clocks.append(time - time[0] + offset)
        offset = clocks[-1][-1] + 60.0
    joined = {
        name: np.concatenate([part.channel[name] for part in parts]) for name in parts[0].channel
    }
    joined["time_s"] = np.concatenate(clocks)
    step = max(part.resolution for part in parts)
    steady = joined["reasons"] == ""
    for is_closed in (False, True):
        reasons = np.where(steady & (joined["closed"] == is_closed), "", "?")
        for table, load, edges in (
            ("out.cruise_cell", "throttle_pct", cruise.THROTTLE_EDGES_PCT),
            ("out.pressure_cell", "map_pressure_pa", cruise.PRESSURE_EDGES_PA),
        ):
            made[table] += [
                {"stage_id": stage_id, "is_closed_loop": is_closed, **cell}
                for cell in _cells(joined, reasons, load, edges, step, gauge_accuracy_pct)
            ]
    made["out.trim_cell"] = [
        {"stage_id": stage_id, **cell} for cell in _trim_cells(joined, reasons)
    ]
    made["out.transient"] = [
        {
            "ride_id": part.ride_id,
            "stage_id": stage_id,
            "transient_no": number,
            "kind": found.kind,
            "outcome": found.outcome,
            "level": found.level,
            "start_s": found.start_s,
            "end_s": found.end_s,
            "throttle_before_pct": found.throttle_from_pct,
            "throttle_after_pct": found.throttle_to_pct,
            "engine_speed_rpm": found.engine_speed_rpm,
            "depth_pct": found.depth_pct if math.isfinite(found.depth_pct) else None,
            "excursion_s": found.duration_s if math.isfinite(found.duration_s) else None,
        }
        for part in parts
        for number, found in enumerate(_movements(part), start=1)
    ]
    made["out.stage_heat"] = [{"stage_id": stage_id, **_heat(joined)}]
    return made


def _cells(
    joined: dict[str, np.ndarray],
    reasons: np.ndarray,
    load: str,
    edges: tuple[float, ...],
    step: float,
    gauge_accuracy_pct: float,
) -> Iterator[dict[str, Any]]:
    word, unit = ("throttle", "pct") if load == "throttle_pct" else ("pressure", "pa")
    place = (joined["time_s"], joined[load], joined["engine_speed_rpm"])
    found = cruise.steady_cells(
        *place,
        joined["lambda"],
        reasons,
        load_edges=edges,
        band=(joined["low"], joined["high"]),
        resolution=step,
    )
    # The same samples in the same cells: what holds for a cell is their median.
    beside = [joined[name] for name in ("low", "high", "outside_air_pct", "long_trim_pct")]
    low, high, outside_air, long_trim = cruise.cell_medians(
        *place, beside, reasons, load_edges=edges
    )
    for cell in found:
        corners = cell[:4]
        target_low, target_high, air = low[corners], high[corners], outside_air[corners]
        # The gauge's limits hold its error, evenly likely within: hence the root of 3.
        gauge = 1.96 * gauge_accuracy_pct / 100.0 / math.sqrt(3.0) * cell.median
        half = math.hypot(cell.half_width, gauge)
        yield {
            f"{word}_from_{unit}": cell.load_from,
            f"{word}_to_{unit}": cell.load_to,
            "speed_from_rpm": cell.speed_from_rpm,
            "speed_to_rpm": cell.speed_to_rpm,
            f"{word}_mean_{unit}": cell.load_mean,
            "speed_mean_rpm": cell.speed_mean_rpm,
            "lambda_median": cell.median,
            "lambda_spread": cell.spread,
            "lambda_se": cell.standard_error,
            "lambda_lower": cell.median / (1.0 + air / 100.0) - half,
            "lambda_upper": cell.median + half,
            "effective_samples": cell.effective_samples,
            "target_low": target_low,
            "target_high": target_high,
            "lean_error_pct": float(cruise.band_error_pct(cell.median, (target_low, target_high))),
            "dwell_s": cell.dwell_s,
            "hits": cell.hits,
            "in_band_share": cell.in_band_share,
            "outside_air_most_pct": air,
            "long_trim_pct": long_trim.get(corners),
        }


def _trim_cells(joined: dict[str, np.ndarray], reasons: np.ndarray) -> Iterator[dict[str, Any]]:
    """Return what the trims add in closed loop: there the base map lacks just that."""
    place = (joined["time_s"], joined["throttle_pct"], joined["engine_speed_rpm"])
    (by_cell,) = cruise.cell_medians(*place, [joined["long_trim_pct"]], reasons)
    for cell in cruise.steady_cells(*place, joined["trim_pct"], reasons, resolution=TRIM_STEP_PCT):
        yield {
            "throttle_from_pct": cell.load_from,
            "throttle_to_pct": cell.load_to,
            "speed_from_rpm": cell.speed_from_rpm,
            "speed_to_rpm": cell.speed_to_rpm,
            "throttle_mean_pct": cell.load_mean,
            "speed_mean_rpm": cell.speed_mean_rpm,
            "trim_pct": cell.median,
            "trim_se_pct": cell.standard_error,
            "trim_lower_pct": cell.median - cell.half_width,
            "trim_upper_pct": cell.median + cell.half_width,
            "long_trim_pct": by_cell.get(cell[:4]),
            "dwell_s": cell.dwell_s,
            "hits": cell.hits,
        }


def _movements(part: _Part) -> list[transients.Transient]:
    if part.is_slow:
        return []
    names = ("time_s", "throttle_pct", "engine_speed_rpm", "lambda", "reasons")
    return transients.transients(*(part.channel[name] for name in names))


def _heat(joined: dict[str, np.ndarray]) -> dict[str, Any]:
    """Return how hot the engine ran at a steady cruise, and at its hottest."""
    weight = np.where(joined["reasons"] == "", joined["duration_s"], 0.0)
    heat: dict[str, Any] = {"cruise_s": float(weight.sum())}
    for name in ("coolant", "oil", "intake"):
        values = joined[f"{name}_k"]
        middle = cruise.weighted_median(values, weight)
        heat[f"{name}_cruise_k"] = middle if math.isfinite(middle) else None
        if name != "intake":
            seen = np.isfinite(values).any()
            heat[f"{name}_most_k"] = float(np.nanmax(values)) if seen else None
    return heat


def _line(
    rides: list[dict[str, Any]],
    parts: list[_Part],
    made: dict[str, list[dict[str, Any]]],
) -> dict[str, Any]:
    def seconds(name: str, part: _Part) -> float:
        chosen = part.channel["reasons"] == "" if name == "steady" else part.channel[name]
        return float(part.channel["duration_s"][chosen].sum())

    steady_s = sum(seconds("steady", part) for part in parts)
    cells = made["out.cruise_cell"]
    dwelt = [cell for cell in cells if cell["dwell_s"] >= LEAST_CELL_DWELL_S]
    told = [cell for cell in dwelt if not cell["is_closed_loop"]] or dwelt
    worst = max(told, key=lambda cell: cell["lean_error_pct"], default=None)
    covered = {(cell["throttle_from_pct"], cell["speed_from_rpm"]) for cell in dwelt}
    table = _table(parts)
    judged = [row for row in made["out.transient"] if not row["outcome"]]

    def moves(kind: str, levels: tuple[str, ...]) -> int:
        return sum(row["kind"] == kind and row["level"] in levels for row in judged)

    every = ("none", "notice", *LEAN_LEVELS)
    return {
        "stage_id": rides[0]["stage_id"],
        "job_id": rides[0]["job_id"],
        "bike_id": rides[0]["bike_id"],
        "model_id": rides[0]["model_id"],
        "rides": len(rides),
        "steady_s": steady_s,
        "in_band_share": sum(seconds("in_band", part) for part in parts) / steady_s
        if steady_s
        else None,
        "closed_loop_s": sum(seconds("closed", part) for part in parts),
        "cells": len(cells),
        "covered_share": len(covered & table) / len(table) if table else None,
        "tip_ins": moves("tip-in", every),
        "lean_tip_ins": moves("tip-in", LEAN_LEVELS),
        "lift_offs": moves("lift-off", every),
        "rich_lift_offs": moves("lift-off", LEAN_LEVELS),
        "worst_lean_error_pct": worst["lean_error_pct"] if worst else None,
        "worst_throttle_pct": (worst["throttle_from_pct"] + worst["throttle_to_pct"]) / 2
        if worst
        else None,
        "worst_speed_rpm": (worst["speed_from_rpm"] + worst["speed_to_rpm"]) / 2 if worst else None,
    }


def _table(parts: list[_Part]) -> set[tuple[float, float]]:
    """Return the cells that riding should cover, up to the fastest speed logged."""
    if not parts:
        return set()
    fastest = max(float(np.nanmax(part.channel["engine_speed_rpm"])) for part in parts)
    low, high = COVERED_THROTTLE_PCT
    return {
        (throttle, speed)
        for throttle in cruise.THROTTLE_EDGES_PCT[:-1]
        if low <= throttle < high
        for speed in cruise.SPEED_EDGES_RPM[:-1]
        if COVERED_FROM_RPM <= speed < fastest
    }
