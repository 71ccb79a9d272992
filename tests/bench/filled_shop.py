"""Fills the tables that derive starts from, without making or reading a file.

The ledger, the readings and cards of a shop of any number of jobs, and the curves of its pulls,
are written by numpy: the steps after the curves can then be timed at sizes whose files would take
hours.
The jobs are those of `tests.bench.logs`; the curves come from the same formulas, smoothed.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from typing import Any

import duckdb
import numpy as np
import polars as pl

from tests.bench import logs
from warehouse import store

BATCH_JOBS = 200
LAYOUT = logs.PULL_LAYOUT
FIRST_RPM, STEP_RPM = 2600.0, 50.0


def fill_ledger(connection: duckdb.DuckDBPyConnection, jobs: range) -> None:
    """Let the cards and pulls of some jobs have arrived and been read."""
    arrivals: list[dict[str, Any]] = []
    readings: list[dict[str, Any]] = []
    cards: list[dict[str, Any]] = []
    for job in jobs:
        folder, text = f"J-{job:05d}", logs._card(job)
        names = [_name(number) for number in range(logs.PULLS_A_JOB)]
        for place, name in enumerate(["card.toml", *names]):
            sha = _sha(text if name == "card.toml" else f"{folder}/{name}")
            arrivals.append(_arrival(folder, name, sha, job * 20 + place))
        cards.append(
            {
                "job_folder": folder,
                "file_sha256": _sha(text),
                "card_text": text,
                "job_id": folder,
                "problems": "[]",
                "is_in_force": True,
            }
        )
        readings += [
            _reading(job, number, _sha(f"{folder}/{_name(number)}")) for number in range(10)
        ]
    with store.transaction(connection):
        for table, rows in (
            ("raw.arrival", arrivals),
            ("raw.card", cards),
            ("raw.reading", readings),
        ):
            store.insert(connection, table, store.frame(connection, table, rows))


def fill_curves(connection: duckdb.DuckDBPyConnection, jobs: range) -> list[list[str]]:
    """Let the pulls of some jobs have their curves; return their ids, a list a batch."""
    known = set(logs_folders(connection))
    batches = []
    for start in range(jobs.start, jobs.stop, BATCH_JOBS):
        heads: list[dict[str, Any]] = []
        points: list[pl.DataFrame] = []
        for job in range(start, min(start + BATCH_JOBS, jobs.stop)):
            if f"J-{job:05d}" in known:
                _job_curves(job, heads, points)
        with store.transaction(connection):
            store.insert(connection, "out.pull", store.frame(connection, "out.pull", heads))
            store.insert(connection, "out.pull_curve", pl.concat(points))
        batches.append([head["pull_id"] for head in heads])
    return batches


def logs_folders(connection: duckdb.DuckDBPyConnection) -> list[str]:
    """Return the folders that are linked."""
    return [
        folder for (folder,) in connection.execute("SELECT job_folder FROM core.job").fetchall()
    ]


def _name(number: int) -> str:
    return f"{'changed' if number >= logs.PULLS_A_STAGE else 'as_arrived'}_{number:02d}.csv"


def _sha(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _started(job: int, number: int) -> dt.datetime:
    day = dt.datetime.combine(logs._day(job), dt.time(8 + 3 * (job % 3)))
    return day + dt.timedelta(minutes=5 * number)


def _air(job: int, number: int) -> tuple[float, float, float]:
    draw = np.random.default_rng([job, number // logs.PULLS_A_STAGE, 1])
    temperature, pressure, humidity = draw.uniform(
        [291.0, 97_000.0, 35.0], [301.0, 98_400.0, 65.0]
    ).round(1)
    return float(temperature), float(pressure), float(humidity)


def _arrival(folder: str, name: str, sha: str, number: int) -> dict[str, Any]:
    return {
        "job_folder": folder,
        "file_name": name,
        "file_sha256": sha,
        "arrival_no": number,
        "last_no": number,
        "size_bytes": 30_000,
        "modified_ns": 0,
        "received_at": dt.datetime(2026, 1, 1, tzinfo=dt.UTC),
        "is_current": True,
        "is_present": True,
    }


def _reading(job: int, number: int, sha: str) -> dict[str, Any]:
    temperature, pressure, humidity = _air(job, number)
    facts = {
        "started_at": _started(job, number).isoformat(),
        "power_state": "observed",
        "ambient_temp_k": temperature,
        "ambient_pressure_pa": pressure,
        "ambient_humidity_pct": humidity,
        "probe_place": "tailpipe",
        "marks": {},
        "notes": [],
    }
    return {
        "file_sha256": sha,
        "sample_id": sha[:16],
        "state": "read",
        "layout": LAYOUT,
        "layout_kind": "pull",
        "equipment": "main dyno",
        "read_with": "filled",
        "recognised_with": "filled",
        "reason_code": "",
        "reason": None,
        "rows_read": 600,
        "rows_kept": 600,
        "rows_rejected": 0,
        "facts": json.dumps(facts),
        "sample_path": None,
    }


def _job_curves(job: int, heads: list[dict[str, Any]], points: list[pl.DataFrame]) -> None:
    model, change = logs._model(job), logs._change(job)
    bike = np.random.default_rng([10**6 if logs._is_control(job) else logs._first_job(job), 2])
    grid = np.arange(FIRST_RPM, model.limit_rpm, STEP_RPM)
    torque = 1.0 - 1.1 * ((grid - model.torque_speed_rpm) / model.limit_rpm) ** 2
    own = np.exp(0.015 * bike.normal() + _wiggle(bike, grid, 0.006))
    lean = model.lean_lambda * np.exp(0.01 * bike.normal() + _wiggle(bike, grid, 0.008))
    for number in range(logs.PULLS_A_JOB):
        is_changed = number >= logs.PULLS_A_STAGE
        draw = np.random.default_rng([job, number, 3])
        stage = np.random.default_rng([job, is_changed, 4])
        level = np.exp(0.006 * stage.normal() + 0.004 * draw.normal())
        level *= 1.0 + is_changed * change.power_share
        watts = model.torque_nm * torque * own * level * grid * np.pi / 30.0
        watts *= np.exp(_wiggle(draw, grid, 0.002))
        seen = slice(int(draw.integers(0, 4)), grid.size - int(draw.integers(0, 4)))
        mixture = lean * (1.0 + is_changed * change.lambda_share) + draw.normal(0, 0.003, grid.size)
        speed, power = grid[seen], watts[seen]
        sha = _sha(f"J-{job:05d}/{_name(number)}")
        heads.append(_head(job, number, sha, speed, power))
        points.append(
            pl.DataFrame(
                {
                    "pull_id": pl.Series([sha[:16]]).new_from_index(0, speed.size),
                    "engine_speed_rpm": speed,
                    "power_w": power,
                    "power_sd_w": 0.002 * power,
                    "torque_nm": power / speed * 30.0 / np.pi,
                    "lambda_wide": mixture[seen],
                    "elapsed_s": (speed - FIRST_RPM) / 700.0,
                    "knock": pl.Series([None], dtype=pl.Float64).new_from_index(0, speed.size),
                    "ignition_advance_deg": pl.Series([None], dtype=pl.Float64).new_from_index(
                        0, speed.size
                    ),
                }
            )
        )


def _wiggle(draw: np.random.Generator, grid: np.ndarray, size: float) -> np.ndarray:
    knots = np.linspace(grid[0], grid[-1], 14)
    return np.interp(grid, knots, size * draw.normal(size=knots.size))


def _head(job: int, number: int, sha: str, speed: np.ndarray, power: np.ndarray) -> dict[str, Any]:
    temperature, pressure, humidity = _air(job, number)
    top, torque = int(np.argmax(power)), power / speed * 30.0 / np.pi
    twist = int(np.argmax(torque))
    unknown = (
        "file_standard factor_disagreement_pct file_factor missing_speed_share oil_start_k "
        "oil_end_k probe_delay_s set_aside mixture_from_rpm settling_s"
    )
    return {
        "pull_id": sha[:16],
        "stage_id": f"J-{job:05d}/{1 + (number >= logs.PULLS_A_STAGE)}",
        "pull_no": number % logs.PULLS_A_STAGE + 1,
        "file_name": _name(number),
        "file_sha256": sha,
        "layout": LAYOUT,
        "started_at": _started(job, number),
        "peak_power_w": float(power[top]),
        "peak_power_speed_rpm": float(speed[top]),
        "peak_power_mid_w": float(power[top]),
        "peak_power_lower_w": 0.998 * float(power[top]),
        "peak_power_upper_w": 1.002 * float(power[top]),
        "peak_torque_nm": float(torque[twist]),
        "peak_torque_speed_rpm": float(speed[twist]),
        "engine_roller_ratio": 220.0,
        "ratio_kind": "constant",
        "sweep_from_rpm": float(speed[0]) - 10.0,
        "sweep_to_rpm": float(speed[-1]) + 10.0,
        "sweep_s": 10.0,
        "sweep_end": "throttle shut",
        "is_peak_at_end": False,
        "power_state": "observed",
        "undone_factor": 1.0,
        "reference_air": "SAE J1349",
        "reference_factor": 1.01,
        "reference_factor_sd": 0.003,
        "ambient_temp_k": temperature,
        "ambient_pressure_pa": pressure,
        "ambient_humidity_pct": humidity,
        "air_density_kg_m3": 1.15,
        "coolant_start_k": 357.0 + 0.5 * number,
        "coolant_end_k": 360.0 + 0.5 * number,
        "intake_air_start_k": temperature + 4.0,
        "probe_place": "tailpipe",
        "has_lambda": True,
        "unsettled_samples": 0,
        "is_used": True,
        "trouble": None,
        "notes": "[]",
        "made_from": "filled",
        **dict.fromkeys(unknown.split()),
    }
