"""Pulls to standard curves: sweep, correction undone and redone, smoothing onto the grid."""

from __future__ import annotations

import json
import math
from functools import partial
from typing import Any

import duckdb
import numpy as np
import polars as pl

from flows.metrics import air, cruise, curve, roller_power
from flows.metrics.clocks import rising_part
from flows.metrics.ratio import ratio_check
from flows.metrics.sweep import chosen_sweep, sweeps
from flows.steps.progress import Progress
from flows.steps.refresh import fingerprint, outdated, replace, stacked
from flows.steps.repeats import set_repeats_aside
from flows.steps.samples import read_samples
from schemas.settings import ShopSettings
from warehouse import store
from warehouse.shop import ShopFolder

CURVES_VERSION = 3
"""Raise it when this step changes what it gives for the same samples."""

BATCH_PULLS = 500
WARM_COOLANT_K = 343.15
"""70 °C: a colder liquid-cooled engine makes less power (common practice, no source)."""
DEAD_LAMBDA_SPREAD = 0.002
"""A live gauge moves more than this over a whole pull; one that does not is stuck."""
_USED = (
    "time_s",
    "engine_speed_rpm",
    "roller_speed_m_s",
    "throttle_pct",
    "wheel_power_w",
    "wheel_torque_nm",
    "lambda_wide",
    "lambda_wide_2",
    "coolant_temp_k",
    "intake_air_temp_k",
)
SATURATED_LAMBDA = 1.6
"""Free air, not a mixture that would burn (common practice, no source)."""


def derive_curves(
    connection: duckdb.DuckDBPyConnection,
    shop: ShopFolder,
    settings: ShopSettings,
    progress: Progress,
) -> int:
    """Make the standard curve of every pull that is new or was read or set otherwise.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        Writer.
    shop : ShopFolder
        The shop.
    settings : ShopSettings
        Its settings.
    progress : callable
        Called with done, total and a word.

    Returns
    -------
    int
        Curves made.
    """
    pulls = store.rows(
        connection,
        "SELECT pull.*, model.induction, reading.sample_id, reading.sample_path, "
        "reading.facts ->> '$.notes' AS reading_notes, reading.facts ->> '$.marks' AS marks, "
        "TRY_CAST(reading.facts ->> '$.roller_mass_kg' AS DOUBLE) AS roller_mass_kg "
        "FROM core.pull AS pull JOIN core.stage AS stage USING (stage_id) "
        "JOIN core.bike AS bike ON stage.bike_id = bike.bike_id "
        "JOIN core.model AS model USING (model_id) "
        "JOIN raw.reading AS reading USING (file_sha256) ORDER BY pull.pull_id",
    )
    rows = {
        row["pull_id"]: {**row, "marks": json.loads(row["marks"] or "{}")}
        for row in pulls.iter_rows(named=True)
    }
    chosen = [settings.figures.model_dump(), settings.shop.altitude_m]
    wanted = {
        pull_id: fingerprint(
            CURVES_VERSION,
            chosen,
            {name: value for name, value in row.items() if name != "sample_path"},
        )
        for pull_id, row in rows.items()
    }
    to_make, to_delete = outdated(connection, "out.pull", "pull_id", wanted)
    if to_delete:
        replace(
            connection,
            "pull_id",
            to_delete,
            {"out.pull": [], "out.pull_curve": []},
            lambda: set_repeats_aside(connection, [], to_delete),
        )
    for start in range(0, len(to_make), BATCH_PULLS):
        batch = [rows[pull_id] for pull_id in to_make[start : start + BATCH_PULLS]]
        samples = read_samples(shop, batch)
        heads: list[dict[str, Any]] = []
        curves: dict[str, dict[str, np.ndarray]] = {}
        for row in batch:
            head, points = pull_curve(row, samples[row["sample_id"]], settings)
            head["made_from"] = wanted[row["pull_id"]]
            heads.append(head)
            if points:
                curves[row["pull_id"]] = points
        replace(
            connection,
            "pull_id",
            [],
            {"out.pull": heads, "out.pull_curve": stacked("pull_id", curves)},
            partial(set_repeats_aside, connection, [row["pull_id"] for row in batch], []),
        )
        progress(min(start + BATCH_PULLS, len(to_make)), len(to_make), "drawing curves")
    return len(to_make)


def pull_curve(
    row: dict[str, Any], samples: pl.DataFrame, settings: ShopSettings
) -> tuple[dict[str, Any], dict[str, np.ndarray]]:
    """Return one pull's line and its curve.

    Parameters
    ----------
    row : dict
        Its row of core.pull, with the model's induction.
    samples : polars.DataFrame
        Its canonical channels.
    settings : ShopSettings
        The shop's settings.

    Returns
    -------
    head : dict
        Row of out.pull, without made_from.
    points : dict of str to ndarray
        Columns of out.pull_curve; empty if the pull has no usable sweep.
    """
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
                "probe_delay_s",
            )
        },
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
                "sweep_from_rpm",
                "sweep_to_rpm",
                "sweep_s",
                "coolant_start_k",
                "intake_air_start_k",
            )
        ),
        "has_lambda": False,
        "is_used": False,
        **_factors(row, settings, notes),
    }
    trouble = head.pop("factor_trouble")
    points: dict[str, np.ndarray] = {}
    if not trouble:
        try:
            points = _curve(row, samples, settings, head, notes)
        except ValueError as error:
            trouble = str(error)
    head["is_used"] = not trouble
    head["trouble"] = trouble
    head["notes"] = "; ".join(notes)
    return head, points


def _given_notes(row: dict[str, Any]) -> list[str]:
    notes = json.loads(row["reading_notes"]) if row["reading_notes"] else []
    if row["rows_rejected"]:
        notes.append(f"{row['rows_rejected']} rows rejected")
    return notes


def _factors(row: dict[str, Any], settings: ShopSettings, notes: list[str]) -> dict[str, Any]:
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
        "factor_trouble": "",
    }
    state = None
    if all(value is not None for value in weather):
        temp_k, pressure_pa, humidity_pct = weather
        vapour_pa = air.vapour_pressure_pa(temp_k, humidity_pct)
        state = (temp_k, pressure_pa, float(vapour_pa))
        found["air_density_kg_m3"] = float(air.air_density_kg_m3(*state))
        if doubt := air.pressure_doubt(pressure_pa, settings.shop.altitude_m):
            notes.append(f"air in doubt: {doubt}")
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
                    notes.append(
                        ("air in doubt: " if against.is_air_in_doubt else "")
                        + f"the file's factor {row['file_factor']:.4f} is "
                        f"{against.disagreement_pct:+.1f} % off the one its weather gives "
                        f"({against.recomputed_factor:.4f}); likely {against.likely_cause}"
                    )
        elif state is not None:
            found["undone_factor"] = float(air.correction_factor(standard, *state))
        elif standard == reference and row["induction"] != "forced":
            found["reference_factor"] = 1.0
        else:
            found["factor_trouble"] = (
                f"power is corrected to {standard}, and the file gives neither factor nor weather "
                "to undo it"
            )
    if row["induction"] == "forced":
        notes.append("forced induction: the correction does not apply, power is as observed")
    elif state is not None:
        found["reference_factor"] = float(air.correction_factor(reference, *state))
        found["reference_factor_sd"] = float(air.correction_factor_sd(reference, *state))
        if outside := air.air_outside(reference, *state):
            notes.append(outside)
    elif found["reference_factor"] is None and row["file_standard"] == reference:
        found["reference_factor"] = row["file_factor"]
    elif found["reference_factor"] is None and not found["factor_trouble"]:
        words = ("air temperature", "pressure", "humidity")
        missing = [word for word, value in zip(words, weather, strict=True) if value is None]
        absent = "no weather" if len(missing) == len(weather) else f"no {' and no '.join(missing)}"
        notes.append(f"{absent} in the file: power is as observed")
    return found


def _curve(
    row: dict[str, Any],
    samples: pl.DataFrame,
    settings: ShopSettings,
    head: dict[str, Any],
    notes: list[str],
) -> dict[str, np.ndarray]:
    channel = {name: samples[name].to_numpy() for name in _USED}
    time, speed = channel["time_s"], channel["engine_speed_rpm"]
    throttle = channel["throttle_pct"]
    throttle = None if np.isnan(throttle).all() else throttle
    has_clock = bool(np.isfinite(time).any())
    part = _sweep(channel, throttle, notes) if has_clock else rising_part(speed, throttle)
    head["engine_roller_ratio"] = _ratio(speed[part], channel["roller_speed_m_s"][part], notes)
    power = channel["wheel_power_w"]
    if row["power_state"] == "from roller":
        power = _from_roller(channel, row.get("roller_mass_kg"), part, notes)
    elif np.isnan(power).all():
        power = channel["wheel_torque_nm"] * speed * 2 * math.pi / 60
    factor = head["reference_factor"] if head["reference_factor"] is not None else 1.0
    power = power / head["undone_factor"] * factor
    swept = speed[part]
    grid = curve.speed_grid_rpm(float(np.nanmin(swept)), float(np.nanmax(swept)))
    bandwidth = settings.figures.bandwidth_rpm
    smooth = curve.smoothed_curve(swept, power[part], grid, bandwidth_rpm=bandwidth)
    recorded = np.isfinite(power[part])
    if not recorded.any() or np.nanmax(power[part]) <= 0:
        raise ValueError("no power was recorded over the sweep")
    if not np.isfinite(smooth.value).any():
        raise ValueError(
            f"too few samples over the sweep: {recorded.sum()} from {np.nanmin(swept):.0f} to "
            f"{np.nanmax(swept):.0f} rpm, where {curve.LEAST_SAMPLES} must lie within "
            f"{bandwidth:.0f} rpm of a speed"
        )
    lean = _leanest(channel, time, part, grid, row["probe_delay_s"], bandwidth, notes)
    seen = np.isfinite(smooth.value) & (smooth.value > 0)
    grid, value, sd, lean = grid[seen], smooth.value[seen], smooth.sd[seen], lean[seen]
    torque = curve.torque_nm(value, grid)
    top, pull = curve.peak(grid, value), curve.peak(grid, torque)
    settled = curve.peak_interval(swept, power[part])
    head.update(
        peak_power_w=top.value,
        peak_power_speed_rpm=top.speed_rpm,
        peak_power_mid_w=_or_none(settled.value),
        peak_power_lower_w=_or_none(settled.lower),
        peak_power_upper_w=_or_none(settled.upper),
        peak_torque_nm=pull.value,
        peak_torque_speed_rpm=pull.speed_rpm,
        sweep_from_rpm=float(swept[0]),
        sweep_to_rpm=float(np.nanmax(swept)),
        sweep_s=float(time[part][-1] - time[part][0]) if has_clock else None,
        coolant_start_k=_first(channel["coolant_temp_k"][part]),
        intake_air_start_k=_first(channel["intake_air_temp_k"][part]),
        has_lambda=bool(np.isfinite(lean).any()),
    )
    if head["coolant_start_k"] is not None and head["coolant_start_k"] < WARM_COOLANT_K:
        notes.append(f"engine cold: coolant {head['coolant_start_k'] - 273.15:.0f} °C")
    return {
        "engine_speed_rpm": grid,
        "power_w": value,
        "power_sd_w": sd,
        "torque_nm": torque,
        "lambda_wide": lean,
    }


def _sweep(channel: dict[str, np.ndarray], throttle: np.ndarray | None, notes: list[str]) -> slice:
    """Return the samples of the sweep that makes the curve, and note what else the file holds."""
    found = sweeps(
        channel["time_s"], channel["engine_speed_rpm"], throttle, channel["roller_speed_m_s"]
    )
    choice = chosen_sweep(found, has_throttle=throttle is not None)
    notes += choice.notes
    if choice.trouble:
        raise ValueError(choice.trouble)
    return slice(choice.sweep.start, choice.sweep.stop)


def _ratio(speed: np.ndarray, roller: np.ndarray, notes: list[str]) -> float | None:
    """Return engine over roller speed where it is one over the whole sweep; else note why not."""
    if not np.isfinite(roller).any():
        return None
    try:
        found = ratio_check(speed, roller)
    except ValueError as error:
        notes.append(f"engine against roller speed could not be checked: {error}")
        return None
    if found.kind == "constant":
        return found.rpm_per_m_s
    # Notes are parted by semicolons.
    notes.append(found.reason.replace(";", ",").rstrip("."))
    return None


def _from_roller(
    channel: dict[str, np.ndarray], mass_kg: float | None, part: slice, notes: list[str]
) -> np.ndarray:
    """Return the power at the roller's surface, from how it speeds up.

    What a coast-down shows to be lost is noted and never added: a pull with one would read some
    percent above its neighbours without.
    """
    time, roller = channel["time_s"], channel["roller_speed_m_s"]
    if mass_kg is None:
        raise ValueError(
            "power is to come from the roller, and its mass is not known: read the file again with "
            "a layout that gives the roller's inertia"
        )
    if not np.isfinite(roller[part]).any() or not np.isfinite(time[part]).any():
        raise ValueError("power is to come from the roller, and its speed was not recorded")
    found = roller_power.roller_power(time, roller, mass_kg)
    notes.append(
        f"power worked out from the roller's speed with {mass_kg:.1f} kg, over "
        f"{2 * roller_power.HALF_WIDTH_S:g} s, 1 SD of noise "
        f"{np.nanmedian(found.sd_w[part]) / 1000:.2f} kW a sample; the roller's own losses are not "
        "in it"
    )
    coast = roller_power.coasting_part(time, roller, channel["engine_speed_rpm"], part)
    if coast is None:
        return found.power_w
    try:
        losses = roller_power.coast_down(time[coast], roller[coast], mass_kg)
    except ValueError:
        return found.power_w
    fastest = losses.to_m_s
    lost_w = float(losses.force_n(fastest)) * fastest
    if lost_w > 0:
        notes.append(
            f"the coast-down after it shows {lost_w / 1000:.1f} kW lost at {3.6 * fastest:.0f} "
            "km/h in roller, tyre and wheel, which is not in the power"
        )
    return found.power_w


def _or_none(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _first(values: np.ndarray) -> float | None:
    seen = values[np.isfinite(values)]
    return float(seen[0]) if seen.size else None


def _leanest(
    channel: dict[str, np.ndarray],
    time: np.ndarray,
    part: slice,
    grid: np.ndarray,
    delay_s: float | None,
    bandwidth_rpm: float,
    notes: list[str],
) -> np.ndarray:
    """Return lambda on the grid, of several probes the leanest, delay taken out."""
    curves = []
    for name in ("lambda_wide", "lambda_wide_2"):
        values = channel[name]
        if np.isfinite(values[part]).sum() < 10:
            continue
        if np.nanmax(values[part]) - np.nanmin(values[part]) < DEAD_LAMBDA_SPREAD:
            notes.append(f"{name} stands still at {np.nanmedian(values[part]):.3f}: not evidence")
            continue
        if np.nanmedian(values[part]) > SATURATED_LAMBDA:
            notes.append(f"{name} reads free air: not evidence")
            continue
        aligned = values
        if np.isfinite(time).any():
            aligned = cruise.aligned_lambda(time, values, delay_s or 0.0)
        curves.append(
            curve.smoothed_curve(
                channel["engine_speed_rpm"][part], aligned[part], grid, bandwidth_rpm=bandwidth_rpm
            ).value
        )
    if not curves:
        return np.full(grid.shape, np.nan)
    return np.fmax.reduce(curves)
