"""Holds the gearing that each log shows against other logs of the same model."""

from __future__ import annotations

import json
from collections import defaultdict
from typing import Any

import duckdb

from flows.metrics.plausibility import SPEED_MIX_UPS, speed_mix_up
from flows.steps.refresh import fingerprint, outdated, replace
from warehouse import store

GEARING_VERSION = 1
"""Raise it when this step changes what it gives for the same facts."""


def derive_log_doubts(connection: duckdb.DuckDBPyConnection) -> int:
    """Tell which logs have a road speed in another unit than their layout says.

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
    wanted = {model_id: fingerprint(GEARING_VERSION, logs) for model_id, logs in models.items()}
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
    if to_make or to_delete:
        replace(
            connection,
            "model_id",
            to_delete,
            {"out.gearing": gearings, "out.log_doubt": doubts},
        )
    return len(to_make)


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
