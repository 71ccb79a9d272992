"""Holds the gearing and the power that each log shows against others of its bike and model."""

from __future__ import annotations

import json
from collections import defaultdict
from itertools import pairwise
from typing import Any

import duckdb
import numpy as np
import polars as pl

from flows.metrics.notes import Note, note
from flows.metrics.plausibility import SPEED_MIX_UPS, speed_mix_ups
from flows.metrics.ratio import SLIP_PCT, against_others, split_ratios
from flows.metrics.short_rows import medians_of_others
from flows.steps.engine import Given, Inputs, Records, Step, by_key
from warehouse import store

LEAST_OTHER_BIKES = 3
OTHER_UNIT = "road speed in another unit"
"""The one doubt about a log that leaves its power as it is."""
MOST_POWER_OFF = 2.0
"""Parts, maps, air and dynos together do not double an engine's power or halve it: a unit of power
or of speed, or the roller's inertia, may (common practice, no source)."""
LEAST_GEAR_STEP = 1.06
"""A lesser step between two ratios is no other gear: the closest two of a motorcycle lie some 8 %
apart (common practice, no source)."""


def _inputs(connection: duckdb.DuckDBPyConnection, _: Given) -> Inputs:
    logs = store.rows(
        connection,
        "SELECT bike.model_id, log.file_sha256, log.layout, "
        "reading.facts ->> '$.speed_ratio_rpm_per_m_s' AS ratios FROM ("
        "SELECT file_sha256, stage_id, layout FROM core.ride UNION ALL "
        "SELECT file_sha256, stage_id, layout FROM core.pull) AS log "
        "JOIN core.stage AS stage USING (stage_id) "
        "JOIN core.bike AS bike ON stage.bike_id = bike.bike_id "
        "JOIN raw.reading AS reading USING (file_sha256) "
        "WHERE reading.facts ->> '$.speed_ratio_rpm_per_m_s' IS NOT NULL "
        "ORDER BY bike.model_id, log.file_sha256",
    )
    parts = {"logs": logs, "pulls": _pulls(connection), "powers": _powers(connection)}
    return by_key("model_id", parts)


def _make(_: Given, payloads: list[dict[str, Any]]) -> Records:
    """Tell which logs have a road speed, a gear or a power that is not the one that is said."""
    gearings, doubts = [], []
    for payload in payloads:
        model_id, logs, pulls = payload["model_id"], payload["logs"], payload["pulls"]
        ratios = [json.loads(log["ratios"]) for log in logs]
        held = {log["file_sha256"] for log in (*logs, *pulls)}
        held.update(*(stage["files"] for stage in payload["powers"]))
        gearings.append({"model_id": model_id, "logs": len(held)})
        doubts += [
            _speed_doubt(model_id, log, mix_up)
            for log, mix_up in zip(logs, speed_mix_ups(ratios), strict=True)
            if mix_up is not None
        ]
        doubts += _ratio_doubts(model_id, pulls)
        doubts += _power_doubts(model_id, payload["powers"])
    return {"out.gearing": gearings, "out.log_doubt": doubts}


GEARING = Step(
    name="hold logs against their model's",
    doing="holding logs against their model's",
    version=4,
    key="model_id",
    tables=("out.gearing", "out.log_doubt"),
    reads=(
        "core.ride", "core.pull", "core.stage", "core.bike", "core.build_part", "raw.reading",
        "out.pull",
    ),
    inputs=_inputs,
    make=_make,
)  # fmt: skip


def _pulls(connection: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Return by model the pulls that keep one ratio, with what it hangs on."""
    return store.rows(
        connection,
        "SELECT bike.model_id, stage.bike_id, pull.stage_id, pull.pull_no, pull.file_sha256, "
        "pull.engine_roller_ratio, "
        "coalesce(stage.gear, source.file_gear) AS gear, stage.tyre, "
        "(SELECT string_agg(part.maker || ' ' || part.part_name, '; ' ORDER BY part.maker, "
        "part.part_name) FROM core.build_part AS part WHERE part.build_id = stage.build_id "
        "AND part.category = 'final drive') AS final_drive "
        "FROM out.pull AS pull JOIN core.pull AS source USING (pull_id) "
        "JOIN core.stage AS stage ON pull.stage_id = stage.stage_id "
        "JOIN core.bike AS bike ON stage.bike_id = bike.bike_id "
        "WHERE pull.is_used AND pull.engine_roller_ratio IS NOT NULL "
        "ORDER BY bike.model_id, pull.file_sha256, pull.stage_id",
    )


def _powers(connection: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Return by model the middle peak of each stage's pulls, of models with bikes enough."""
    powers = store.rows(
        connection,
        "SELECT bike.model_id, stage.bike_id, pull.stage_id, "
        "arg_min(pull.file_sha256, (pull.pull_no, pull.file_sha256)) AS file_sha256, "
        "arg_min(pull.layout, (pull.pull_no, pull.file_sha256)) AS layout, "
        "arg_min(pull.power_state, (pull.pull_no, pull.file_sha256)) AS power_state, "
        "list(pull.file_sha256 ORDER BY pull.file_sha256) AS files, "
        "median(pull.peak_power_w) AS peak_power_w "
        "FROM out.pull AS pull JOIN core.stage AS stage ON pull.stage_id = stage.stage_id "
        "JOIN core.bike AS bike ON stage.bike_id = bike.bike_id "
        "WHERE pull.is_used GROUP BY ALL ORDER BY bike.model_id, pull.stage_id",
    )
    return powers.filter(pl.col("bike_id").n_unique().over("model_id") > LEAST_OTHER_BIKES)


def _power_doubts(model_id: str, stages: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return one doubt for each stage whose power is a multiple, or a part, of other bikes'."""
    by_bike: dict[str, list[float]] = defaultdict(list)
    for stage in stages:
        by_bike[stage["bike_id"]].append(stage["peak_power_w"])
    levels = [float(np.median(peaks)) for peaks in by_bike.values()]
    usual_w = dict(zip(by_bike, medians_of_others(levels), strict=True))
    doubts = []
    for stage in stages:
        share = stage["peak_power_w"] / usual_w[stage["bike_id"]]
        if 1.0 / MOST_POWER_OFF <= share <= MOST_POWER_OFF:
            continue
        told = note(
            "power unlike its model's",
            power_kw=stage["peak_power_w"] / 1000,
            times=share,
            bikes=len(levels) - 1,
            is_from_roller=stage["power_state"] == "from roller",
            layout=stage["layout"],
        )
        doubts.append(_doubt(model_id, stage, told["code"], told))
    return doubts


def _ratio_doubts(model_id: str, pulls: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the pulls whose ratio is not that of the same bike in the gear that is said."""
    # Sprockets and tyre belong to the ratio as the gear does.
    sets: dict[tuple[Any, ...], dict[int | None, list[dict[str, Any]]]] = {}
    for pull in pulls:
        of_bike = sets.setdefault((pull["bike_id"], pull["tyre"], pull["final_drive"]), {})
        of_bike.setdefault(pull["gear"], []).append(pull)
    doubts = []
    for of_bike in sets.values():
        usual = {
            gear: float(np.median([pull["engine_roller_ratio"] for pull in of_gear]))
            for gear, of_gear in of_bike.items()
        }
        for gear, of_gear in of_bike.items():
            others = [ratio for other, ratio in usual.items() if other != gear]
            ratios = [pull["engine_roller_ratio"] for pull in of_gear]
            if max(ratios) < (1.0 + SLIP_PCT / 100.0) * min(ratios):
                continue  # none is further off the others than that
            if split := split_ratios(ratios):
                doubts += _split_doubts(model_id, gear, of_gear, split)
                continue
            for place, pull in enumerate(of_gear):
                found = against_others(
                    ratios[place],
                    ratios[:place] + ratios[place + 1 :],
                    gears_rpm_per_m_s=others,
                )
                if found is None:
                    continue
                doubts.append(_doubt(model_id, pull, found.kind, found.reason))
    return doubts


def _split_doubts(
    model_id: str, gear: int | None, pulls: list[dict[str, Any]], split: list[tuple[float, int]]
) -> list[dict[str, Any]]:
    """Return one doubt a stage, with its first pull, where pulls of one gear have several ratios.

    A stage that holds only one of the ratios is told of the bike's pulls as a whole: it may be the
    one that is wrong.
    """
    stages: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for pull in pulls:
        stages[pull["stage_id"]].append(pull)
    doubts = []
    for of_stage in stages.values():
        own = split_ratios([pull["engine_roller_ratio"] for pull in of_stage])
        levels = own or split
        are_gears = all(high / low >= LEAST_GEAR_STEP for (high, _), (low, _) in pairwise(levels))
        told = note(
            "several ratios",
            are_gears=are_gears,
            of_stage=bool(own),
            gear=gear,
            ratios=[ratio for ratio, _ in levels],
            pulls=[number for _, number in levels],
        )
        first = min(of_stage, key=lambda pull: (pull["pull_no"], pull["file_sha256"]))
        code = "several gears" if are_gears else told["code"]
        doubts.append(_doubt(model_id, first, code, told))
    return doubts


def _speed_doubt(model_id: str, log: dict[str, Any], mix_up: str) -> dict[str, Any]:
    times = 1 / SPEED_MIX_UPS[mix_up]
    told = note(OTHER_UNIT, times=times, likely=mix_up, layout=log["layout"])
    return _doubt(model_id, log, told["code"], told)


def _doubt(model_id: str, log: dict[str, Any], code: str, reason: Note) -> dict[str, Any]:
    return {
        "model_id": model_id,
        "file_sha256": log["file_sha256"],
        "reason_code": code,
        "reason": reason,
    }
