"""Rides: delay taken out, steady evidence sorted from the rest, part-throttle cells."""

from __future__ import annotations

import json
import math
from typing import Any

import duckdb
import numpy as np
import polars as pl

from flows.metrics import cruise
from flows.steps.progress import Progress
from flows.steps.refresh import fingerprint, outdated, replace
from flows.steps.samples import MANY_ROWS, read_samples
from schemas.columns import CHANNELS
from schemas.settings import ShopSettings
from warehouse import store
from warehouse.shop import ShopFolder

RIDES_VERSION = 3
"""Raise it when this step changes what it gives for the same samples."""

BATCH_RIDES = 20
LAMBDAS = ("lambda_wide", "lambda_wide_2")
LEAST_CELL_DWELL_S = 2.0
"""A cell passed through for less has no say in the worst of a stage."""
MOST_DELAY_SHIFT_S = 0.15
"""An estimate further than this from the layout's delay is a chance peak, not a delay."""


def derive_rides(
    connection: duckdb.DuckDBPyConnection,
    shop: ShopFolder,
    settings: ShopSettings,
    progress: Progress,
) -> int:
    """Make the rides and cruise cells of every stage whose logs or settings changed.

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
        Stages made.
    """
    stages: dict[str, list[dict[str, Any]]] = {}
    for row in store.rows(
        connection,
        "SELECT ride.*, stage.job_id, stage.bike_id, bike.model_id, reading.sample_id, "
        "reading.sample_path, reading.facts ->> '$.notes' AS reading_notes, "
        "reading.facts ->> '$.marks' AS marks "
        "FROM core.ride AS ride JOIN core.stage AS stage USING (stage_id) "
        "JOIN core.bike AS bike ON stage.bike_id = bike.bike_id "
        "JOIN raw.reading AS reading USING (file_sha256) ORDER BY ride.stage_id, ride.ride_id",
    ).iter_rows(named=True):
        row["marks"] = json.loads(row["marks"] or "{}")
        stages.setdefault(row["stage_id"], []).append(row)
    wanted = {
        stage_id: fingerprint(
            RIDES_VERSION,
            settings.mixture.model_dump(),
            [{k: v for k, v in row.items() if k != "sample_path"} for row in rides],
        )
        for stage_id, rides in stages.items()
    }
    to_make, to_delete = outdated(connection, "out.stage_cruise", "stage_id", wanted)
    gone_rides = [
        ride_id
        for (ride_id,) in connection.execute(
            "SELECT ride_id FROM out.ride WHERE stage_id IN (SELECT unnest(?))", [to_delete]
        ).fetchall()
    ]
    ride_rows: list[dict[str, Any]] = []
    exclusions: list[dict[str, Any]] = []
    cells: list[dict[str, Any]] = []
    lines: list[dict[str, Any]] = []
    for start in range(0, len(to_make), BATCH_RIDES):
        batch = to_make[start : start + BATCH_RIDES]
        for stage_id in batch:
            parts = []
            for row in stages[stage_id]:
                # One ride at a time: a long one may fill the memory that there is.
                samples = read_samples(shop, [row])[row["sample_id"]]
                head, left_out, part = _ride(row, samples, settings)
                head["made_from"] = wanted[stage_id]
                ride_rows.append(head)
                exclusions += left_out
                if part is not None:
                    parts.append(part)
            made = _cells(stage_id, parts, settings)
            cells += made
            lines.append(_line(stages[stage_id], parts, made, wanted[stage_id]))
        progress(min(start + BATCH_RIDES, len(to_make)), len(to_make), "reading rides")
    if to_make or to_delete:
        replace(connection, "ride_id", gone_rides, {"out.ride": [], "out.ride_exclusion": []})
        replace(
            connection,
            "stage_id",
            to_delete,
            {"out.cruise_cell": cells, "out.stage_cruise": lines},
        )
        replace(
            connection, "ride_id", [], {"out.ride": ride_rows, "out.ride_exclusion": exclusions}
        )
    return len(to_make)


def _ride(
    row: dict[str, Any], samples: pl.DataFrame, settings: ShopSettings
) -> tuple[dict[str, Any], list[dict[str, Any]], dict[str, np.ndarray] | None]:
    """Return a ride's line, its exclusions, and its aligned channels if it has a mixture."""
    channel = {name: samples[name].to_numpy() for name in CHANNELS}
    time = channel["time_s"]
    lean = np.fmax(channel["lambda_wide"], channel["lambda_wide_2"])
    trouble = "" if np.isfinite(lean).any() else "no wideband lambda was logged"
    if trouble and (marked := [row["marks"][n] for n in LAMBDAS if n in row["marks"]]):
        trouble = "; ".join(marked)
    if not trouble and np.nanmax(lean) - np.nanmin(lean) < 0.002:
        trouble = f"lambda stands still at {np.nanmedian(lean):.3f}: not evidence"
    delay, origin = row["probe_delay_s"] or 0.0, "the layout's"
    if row["probe_delay_s"] is None:
        origin = "none given"
    if not trouble:
        found = cruise.estimated_delay_s(time, channel["throttle_pct"], lean)
        stated = row["probe_delay_s"]
        if math.isfinite(found.delay_s) and (
            stated is None or abs(found.delay_s - stated) <= MOST_DELAY_SHIFT_S
        ):
            delay, origin = found.delay_s, "estimated from the log"
    aligned = (
        cruise.aligned_lambda(time, lean, delay) if not trouble else np.full_like(time, np.nan)
    )
    reasons = cruise.exclusion_reasons(
        time,
        throttle_pct=channel["throttle_pct"],
        engine_speed_rpm=channel["engine_speed_rpm"],
        lambda_aligned=aligned,
        probe=row["probe_place"] or "collector",
        coolant_temp_k=_logged(channel["coolant_temp_k"]),
        injector_time_s=_logged(channel["injector_time_s"]),
        gear=_logged(channel["gear"]),
        roller_speed_m_s=_logged(channel["roller_speed_m_s"]),
    )
    notes = json.loads(row["reading_notes"] or "[]")
    if row["rows_rejected"]:
        notes.append(f"{row['rows_rejected']} rows rejected")
    if row["rows_kept"] > MANY_ROWS:
        step_ms = 1000 * float(np.median(np.diff(time)))
        notes.append(f"{row['rows_kept']} rows, read as means over {step_ms:.0f} ms")
    duration = cruise.sample_duration_s(time)
    steady = reasons == ""
    band = (settings.mixture.cruise_low, settings.mixture.cruise_high)
    in_band = steady & (aligned >= band[0]) & (aligned <= band[1])
    steady_s = float(duration[steady].sum())
    head = {
        "ride_id": row["ride_id"],
        "stage_id": row["stage_id"],
        "file_name": row["file_name"],
        "file_sha256": row["file_sha256"],
        "layout": row["layout"],
        "duration_s": float(duration.sum()),
        "steady_s": steady_s,
        "in_band_share": float(duration[in_band].sum()) / steady_s if steady_s else None,
        "delay_s": float(delay),
        "delay_origin": origin,
        "probe_place": row["probe_place"],
        "trouble": trouble,
        "notes": "; ".join(notes),
    }
    left_out = [
        {
            "ride_id": row["ride_id"],
            "exclusion_reason": str(reason),
            "excluded_s": float(duration[reasons == reason].sum()),
        }
        for reason in np.unique(reasons)
        if reason
    ]
    if trouble:
        return head, left_out, None
    part = {
        "time_s": time,
        "throttle_pct": channel["throttle_pct"],
        "engine_speed_rpm": channel["engine_speed_rpm"],
        "lambda": aligned,
        "reasons": reasons,
        "duration_s": duration,
        "in_band": in_band,
    }
    return head, left_out, part


def _logged(values: np.ndarray) -> np.ndarray | None:
    return values if np.isfinite(values).any() else None


def _cells(
    stage_id: str, parts: list[dict[str, np.ndarray]], settings: ShopSettings
) -> list[dict[str, Any]]:
    if not parts:
        return []
    # Rides follow one another on one clock, a minute apart, so that no step spans two of them.
    clock, offset = [], 0.0
    for part in parts:
        clock.append(part["time_s"] - part["time_s"][0] + offset)
        offset = clock[-1][-1] + 60.0
    band = (settings.mixture.cruise_low, settings.mixture.cruise_high)
    joined = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    return [
        {
            "stage_id": stage_id,
            **cell._asdict(),
            "lean_error_pct": float(cruise.band_error_pct(cell.lambda_median, band)),
        }
        for cell in cruise.cruise_cells(
            np.concatenate(clock),
            joined["throttle_pct"],
            joined["engine_speed_rpm"],
            joined["lambda"],
            joined["reasons"],
            band=band,
        )
    ]


def _line(
    rides: list[dict[str, Any]],
    parts: list[dict[str, np.ndarray]],
    cells: list[dict[str, Any]],
    made_from: str,
) -> dict[str, Any]:
    steady_s = sum(float(part["duration_s"][part["reasons"] == ""].sum()) for part in parts)
    in_band_s = sum(float(part["duration_s"][part["in_band"]].sum()) for part in parts)
    dwelt = [cell for cell in cells if cell["dwell_s"] >= LEAST_CELL_DWELL_S]
    worst = max(dwelt, key=lambda cell: cell["lean_error_pct"], default=None)
    return {
        "stage_id": rides[0]["stage_id"],
        "job_id": rides[0]["job_id"],
        "bike_id": rides[0]["bike_id"],
        "model_id": rides[0]["model_id"],
        "rides": len(rides),
        "steady_s": steady_s,
        "in_band_share": in_band_s / steady_s if steady_s else None,
        "cells": len(cells),
        "worst_lean_error_pct": worst["lean_error_pct"] if worst else None,
        "worst_throttle_pct": (worst["throttle_from_pct"] + worst["throttle_to_pct"]) / 2
        if worst
        else None,
        "worst_speed_rpm": (worst["speed_from_rpm"] + worst["speed_to_rpm"]) / 2 if worst else None,
        "made_from": made_from,
    }
