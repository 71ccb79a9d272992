"""Holds the gearing that each log shows against other logs of the same model and bike."""

from __future__ import annotations

import json
from collections import defaultdict
from typing import Any

import duckdb
import numpy as np

from flows.metrics.plausibility import SPEED_MIX_UPS, speed_mix_up
from flows.metrics.ratio import against_others
from flows.steps.refresh import fingerprint, outdated, replace
from warehouse import store

GEARING_VERSION = 2
"""Raise it when this step changes what it gives for the same facts."""


def derive_log_doubts(connection: duckdb.DuckDBPyConnection) -> int:
    """Tell which logs have a road speed in another unit, or a pull another gear, than is said.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        Writer.

    Returns
    -------
    int
        Models looked at again.
    """
    models: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for row in store.rows(
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
    ).iter_rows(named=True):
        models[row["model_id"]].append(row)
    pulls = _pulls(connection)
    wanted = {
        model_id: fingerprint(GEARING_VERSION, models[model_id], pulls[model_id])
        for model_id in sorted({*models, *pulls})
    }
    to_make, to_delete = outdated(connection, "out.gearing", "model_id", wanted)
    gearings, doubts = [], []
    for model_id in to_make:
        logs = models[model_id]
        ratios = [json.loads(log["ratios"]) for log in logs]
        gearings.append({"model_id": model_id, "logs": len(logs), "made_from": wanted[model_id]})
        for place, log in enumerate(logs):
            others = ratios[:place] + ratios[place + 1 :]
            mix_up = speed_mix_up(ratios[place], others)
            if mix_up is not None:
                doubts.append(_doubt(model_id, log, mix_up))
        doubts += _ratio_doubts(model_id, pulls[model_id])
    if to_make or to_delete:
        replace(
            connection,
            "model_id",
            to_delete,
            {"out.gearing": gearings, "out.log_doubt": doubts},
        )
    return len(to_make)


def _pulls(connection: duckdb.DuckDBPyConnection) -> dict[str, list[dict[str, Any]]]:
    """Return by model the pulls that keep one ratio, with what it hangs on."""
    pulls: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for row in store.rows(
        connection,
        "SELECT bike.model_id, stage.bike_id, pull.file_sha256, pull.engine_roller_ratio, "
        "coalesce(stage.gear, source.file_gear) AS gear, stage.tyre, "
        "(SELECT string_agg(part.maker || ' ' || part.part_name, '; ' ORDER BY part.maker, "
        "part.part_name) FROM core.build_part AS part WHERE part.build_id = stage.build_id "
        "AND part.category = 'final drive') AS final_drive "
        "FROM out.pull AS pull JOIN core.pull AS source USING (pull_id) "
        "JOIN core.stage AS stage ON pull.stage_id = stage.stage_id "
        "JOIN core.bike AS bike ON stage.bike_id = bike.bike_id "
        "WHERE pull.is_used AND pull.engine_roller_ratio IS NOT NULL "
        "ORDER BY bike.model_id, pull.file_sha256",
    ).iter_rows(named=True):
        pulls[row["model_id"]].append(row)
    return pulls


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
            for place, pull in enumerate(of_gear):
                found = against_others(
                    ratios[place],
                    ratios[:place] + ratios[place + 1 :],
                    gears_rpm_per_m_s=others,
                )
                if found is None:
                    continue
                reason, _, remedy = found.reason.partition(": ")
                doubts.append(
                    {
                        "model_id": model_id,
                        "file_sha256": pull["file_sha256"],
                        "reason_code": found.kind,
                        "reason": reason,
                        "remedy": remedy[:1].upper() + remedy[1:],
                    }
                )
    return doubts


def _doubt(model_id: str, log: dict[str, Any], mix_up: str) -> dict[str, Any]:
    return {
        "model_id": model_id,
        "file_sha256": log["file_sha256"],
        "reason_code": "road speed in another unit",
        "reason": (
            f"its gears stand {1 / SPEED_MIX_UPS[mix_up]:.3f} times where other logs of this "
            f"model have them: likely {mix_up}"
        ),
        "remedy": (
            f"Look at channels.roller_speed.unit in layout {log['layout']!r}; if this file alone "
            "is written in that unit, teach a layout of its own for it."
        ),
    }
