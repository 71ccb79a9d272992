"""Remap need: which parts on which map leave a model too lean, ranked by what is sure."""

from __future__ import annotations

from typing import Any

import duckdb
import numpy as np

from flows.metrics import need
from flows.steps.engine import Given, Inputs, Records, Step, marks, whole
from flows.steps.refresh import fingerprint
from warehouse import store

GAUGE_SD_PCT = 0.8
"""1 SD of a session's lean error from gauge and probe (common practice, no source: half of the
1.5 % within which a fresh wideband gauge is usually trusted)."""
LEAN = ("warn", "stop")


def _inputs(connection: duckdb.DuckDBPyConnection, _: Given) -> Inputs:
    """Return the latest stage of each bike on each build, and what remaps gave back."""
    stages = store.rows(
        connection,
        "SELECT stage.stage_id, stage.bike_id, stage.model_id, stage.model_label, "
        "stage.parts_key, stage.map_label, mixture.level, mixture.worst_lean_error_pct, "
        "mixture.worst_speed_rpm, cruise.in_band_share, mixture.made_from, "
        "cruise.made_from AS cruise_made_from "
        "FROM out.stage_mixture AS mixture JOIN out.stage AS stage USING (stage_id) "
        "LEFT JOIN out.stage_cruise AS cruise USING (stage_id) "
        "WHERE NOT stage.is_control AND mixture.worst_lean_error_pct IS NOT NULL "
        "QUALIFY row_number() OVER (PARTITION BY stage.bike_id, stage.model_id, stage.parts_key, "
        "stage.map_label ORDER BY stage.received_on DESC, stage.job_id DESC, stage.stage_no DESC) "
        "= 1 ORDER BY stage.model_id, stage.parts_key, stage.map_label, stage.bike_id",
    )
    remaps = store.rows(
        connection,
        "SELECT * FROM out.pooled_effect WHERE scope = 'one model' "
        "AND change_kind = 'map only' AND figure = 'mean gain over the riding range' "
        "ORDER BY effect_id",
    )
    # The prior is the whole shop's: a build is ranked anew when any build's evidence changes.
    mark = fingerprint(marks(stages, "stage_id"), marks(remaps, "effect_id"))
    return whole(mark, lambda: (stages.to_dicts(), remaps.to_dicts()))


def _make(_: Given, payloads: list[Any]) -> Records:
    """Rank every build of every model by the sure part of its need for a remap."""
    ((stages, remaps),) = payloads
    groups: dict[tuple[str, str, str], list[dict[str, Any]]] = {}
    for stage in stages:
        groups.setdefault((stage["model_id"], stage["parts_key"], stage["map_label"]), []).append(
            stage
        )
    given_back = {(row["model_id"], row["change_key"]): row for row in remaps}
    prior = need.shop_prior(
        np.array([_lean(members) for members in groups.values()]),
        np.array([len(members) for members in groups.values()]),
    )
    errors = need.shrunk_error(
        [np.array([m["worst_lean_error_pct"] for m in members]) for members in groups.values()],
        GAUGE_SD_PCT,
    )
    rows = []
    for (key, members), error in zip(groups.items(), errors, strict=True):
        remap = given_back.get((key[0], f"remap, on {key[1]}")) if key[2] == "stock" else None
        rows.append(_row(key, members, error, prior, remap))
    ranks = need.rank_by_lower(
        np.array([row["warn_lower_share"] for row in rows]),
        np.array([row["worst_error_lower_pct"] for row in rows]),
    )
    for row, rank in zip(rows, ranks, strict=True):
        row["need_rank"] = int(rank)
    members_rows = [
        {
            "need_id": fingerprint(*key),
            **{
                name: member[name]
                for name in (
                    "stage_id",
                    "bike_id",
                    "worst_lean_error_pct",
                    "worst_speed_rpm",
                    "level",
                )
            },
        }
        for key, members in groups.items()
        for member in members
    ]
    return {"out.remap_need": rows, "out.need_member": members_rows}


NEED = Step(
    name="rank remap need",
    doing="ranking remap need",
    version=2,
    tables=("out.remap_need", "out.need_member"),
    reads=("out.stage_mixture", "out.stage", "out.stage_cruise", "out.pooled_effect"),
    inputs=_inputs,
    make=_make,
    set_by=lambda settings: settings.mixture,
)


def _lean(members: list[dict[str, Any]]) -> int:
    return sum(member["level"] in LEAN for member in members)


def _row(
    key: tuple[str, str, str],
    members: list[dict[str, Any]],
    error: need.Borrowed,
    prior: need.Prior,
    remap: dict[str, Any] | None,
) -> dict[str, Any]:
    lean = _lean(members)
    chance = need.warn_probability(lean, len(members), prior)
    speeds = [m["worst_speed_rpm"] for m in members if m["level"] in LEAN] or [
        m["worst_speed_rpm"] for m in members
    ]
    cruise = [1 - m["in_band_share"] for m in members if m["in_band_share"] is not None]
    return {
        "need_id": fingerprint(*key),
        "model_id": key[0],
        "parts_key": key[1],
        "map_label": key[2],
        "is_stock_map": key[2] == "stock",
        "bikes": len(members),
        "lean_bikes": lean,
        "warn_share": chance.mean,
        "warn_lower_share": chance.lower,
        "warn_upper_share": chance.upper,
        "worst_error_pct": error.mean,
        "worst_error_lower_pct": error.lower,
        "worst_error_upper_pct": error.upper,
        "worst_speed_from_rpm": min(speeds),
        "worst_speed_to_rpm": max(speeds),
        "cruise_bikes": len(cruise),
        "cruise_out_share": float(np.mean(cruise)) if cruise else None,
        "given_back_bikes": remap["bikes"] if remap else 0,
        "given_back_pct": remap["mean_pct"] if remap else None,
        "given_back_lower_pct": remap["next_lower_pct"] if remap else None,
        "given_back_upper_pct": remap["next_upper_pct"] if remap else None,
        "need_rank": 0,
    }
