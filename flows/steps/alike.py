"""Similar builds: for every stage, the builds on other bikes most like it, with reasons."""

from __future__ import annotations

from typing import Any

import duckdb
import numpy as np

from flows.metrics import alike
from flows.steps.builds import parts_of_builds
from flows.steps.engine import Given, Inputs, Records, Step
from flows.steps.refresh import fingerprint
from flows.steps.trust import session_curves
from flows.steps.wording import signed_pct
from warehouse import store

SHOWN = 10
DISPLACEMENT_SHARE = 0.35
"""Builds further apart in displacement than this are never looked at: they teach little, and a new
job then touches the lists of its own size class only."""


def _inputs(connection: duckdb.DuckDBPyConnection, _: Given) -> Inputs:
    """Return each stage with the builds of its size class that it is held against."""
    stages = _stages(connection)
    candidates = [stage for stage in stages if stage["made_from"] and not stage["is_control"]]
    outcomes = _outcomes(connection, stages)
    marks = {stage["stage_id"]: fingerprint(stage, outcomes[stage["job_id"]]) for stage in stages}
    near: dict[float, list[dict[str, Any]]] = {}
    for displacement in {stage["displacement_cc"] for stage in stages}:
        low, high = displacement * (1 - DISPLACEMENT_SHARE), displacement * (1 + DISPLACEMENT_SHARE)
        near[displacement] = [c for c in candidates if low <= c["displacement_cc"] <= high]
    # The scale of each number spans the whole shop: a bike of a new size moves every likeness.
    ranges = alike.ranges_of([_numbers(stage) for stage in stages])
    pools = {
        displacement: fingerprint(ranges, [marks[c["stage_id"]] for c in pool])
        for displacement, pool in near.items()
    }
    marked = {
        stage["stage_id"]: f"{marks[stage['stage_id']]} {pools[stage['displacement_cc']]}"
        for stage in stages
        if not stage["is_control"]
    }

    def load(due: list[str]) -> list[Any]:
        curves = session_curves(connection, [stage["stage_id"] for stage in candidates])
        features = {stage["stage_id"]: _features(stage, stages, curves) for stage in stages}
        making = set(due)
        return [
            (stage, near[stage["displacement_cc"]], features, ranges, outcomes)
            for stage in stages
            if stage["stage_id"] in making
        ]

    return Inputs(marked, load)


def _make(_: Given, payloads: list[Any]) -> Records:
    """Return the similar builds of stages."""
    rows: list[dict[str, Any]] = []
    laid: dict[float, Any] = {}
    for stage, pool, features, ranges, outcomes in payloads:
        displacement = stage["displacement_cc"]
        if displacement not in laid:
            laid[displacement] = alike.population([features[c["stage_id"]] for c in pool])
        if pool:
            found = alike.similarity(features[stage["stage_id"]], laid[displacement], ranges=ranges)
            rows += _rows(stage, pool, found, features, outcomes)
    heads = [{"stage_id": stage["stage_id"]} for stage, *_ in payloads]
    return {"out.likeness": heads, "out.similar_build": rows}


ALIKE = Step(
    name="find similar builds",
    doing="finding similar builds",
    version=2,
    key="stage_id",
    tables=("out.likeness", "out.similar_build"),
    reads=(
        "out.stage", "out.session", "out.session_curve", "out.gain", "out.stage_mixture",
        "out.comeback", "core.stage", "core.model", "core.build", "core.build_part",
    ),
    inputs=_inputs,
    make=_make,
    batch=100_000,
)  # fmt: skip


def _stages(connection: duckdb.DuckDBPyConnection) -> list[dict[str, Any]]:
    stages = store.rows(
        connection,
        "SELECT stage.stage_id, stage.job_id, stage.bike_id, stage.stage_no, stage.build_id, "
        "stage.received_on, stage.is_control, stage.make, stage.model, stage.first_year, "
        "stage.last_year, stage.displacement_cc, model.cylinders, stage.map_name, "
        "stage.map_revision, stage.map_label, stage.parts_label, build.ethanol_share, "
        "session.made_from FROM out.stage AS stage JOIN core.model AS model USING (model_id) "
        "JOIN core.build AS build USING (build_id) "
        "LEFT JOIN out.session AS session USING (stage_id) "
        "ORDER BY stage.received_on, stage.job_id, stage.stage_no",
    ).to_dicts()
    parts = parts_of_builds(connection)
    for stage in stages:
        stage["parts"] = parts.get(stage["build_id"], [])
    return stages


def _features(
    stage: dict[str, Any], stages: list[dict[str, Any]], curves: dict[str, np.ndarray]
) -> alike.Features:
    own = curves.get(stage["stage_id"])
    # The first stage of the job that was run tells what engine this is, whatever was fitted later.
    first = next(
        (
            curves[s["stage_id"]]
            for s in stages
            if s["job_id"] == stage["job_id"] and s["stage_id"] in curves
        ),
        None,
    )
    return alike.Features(
        model_key=(stage["make"], stage["model"]),
        generation=(stage["first_year"], stage["last_year"]),
        displacement_cc=stage["displacement_cc"],
        cylinders=stage["cylinders"],
        parts=tuple(stage["parts"]),
        map_name=stage["map_name"],
        map_revision=stage["map_revision"],
        ethanol_share=stage["ethanol_share"],
        torque_shape=None
        if first is None
        else alike.torque_shape(first[:, 0], first[:, 2], first[np.argmax(first[:, 1]), 0]),
        mixture_shape=None
        if own is None
        else alike.mixture_shape(own[:, 0], own[:, 3], own[np.argmax(own[:, 1]), 0]),
    )


def _numbers(stage: dict[str, Any]) -> alike.Features:
    return alike.Features(
        displacement_cc=stage["displacement_cc"],
        cylinders=stage["cylinders"],
        ethanol_share=stage["ethanol_share"],
    )


def _outcomes(
    connection: duckdb.DuckDBPyConnection, stages: list[dict[str, Any]]
) -> dict[str, dict[str, str]]:
    """Return what each job ended on, what it gained and what went wrong."""
    gains: dict[str, list[dict[str, Any]]] = {}
    for row in store.rows(
        connection,
        "SELECT job_id, basis, mean_gain_pct, mean_gain_lower_pct, mean_gain_upper_pct, "
        "change_label, verdict, air_state FROM out.gain WHERE basis <> 'earlier job' "
        "ORDER BY gain_id",
    ).iter_rows(named=True):
        gains.setdefault(row["job_id"], []).append(row)
    lean: dict[str, list[str]] = {}
    for job_id, stage_name, level, worst, speed in connection.execute(
        "SELECT mixture.job_id, stage.stage_name, level, worst_lean_error_pct, worst_speed_rpm "
        "FROM out.stage_mixture AS mixture JOIN core.stage AS stage USING (stage_id) "
        "WHERE level IN ('warn', 'stop') ORDER BY stage.stage_no"
    ).fetchall():
        lean.setdefault(job_id, []).append(
            f"{worst:.0f} % lean at {speed:,.0f} rpm ({stage_name}, {level})"
        )
    back = {
        earlier: f"came back after {days} days on the same build"
        for earlier, days in connection.execute(
            "SELECT earlier_job_id, min(days_between) FROM out.comeback GROUP BY earlier_job_id"
        ).fetchall()
    }
    last = {stage["job_id"]: stage for stage in stages}
    found = {}
    for job_id, stage in last.items():
        made = gains.get(job_id, [])
        whole = next((g for g in made if g["basis"] == "first stage"), made[-1] if made else None)
        found[job_id] = {
            "ended_on": f"{stage['map_label']}; {stage['parts_label']}",
            "gained": "not measured" if whole is None else _gained(whole),
            "went_wrong": "; ".join(
                lean.get(job_id, []) + ([back[job_id]] if job_id in back else [])
            ),
        }
    return found


def _gained(gain: dict[str, Any]) -> str:
    if gain["mean_gain_pct"] is None:
        return gain["verdict"]
    mean, low, high = (
        signed_pct(gain[name])
        for name in ("mean_gain_pct", "mean_gain_lower_pct", "mean_gain_upper_pct")
    )
    observed = ", power as observed" if gain["air_state"] == "observed" else ""
    return f"{mean} % ({low} to {high} %), {gain['verdict']}{observed}"


def _rows(
    stage: dict[str, Any],
    pool: list[dict[str, Any]],
    found: alike.Similarities,
    features: dict[str, alike.Features],
    outcomes: dict[str, dict[str, str]],
) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = []
    jobs: set[str] = set()
    order = np.argsort(-np.nan_to_num(found.similarity, nan=-1.0), kind="stable")
    for place in order:
        other = pool[place]
        if (
            other["bike_id"] == stage["bike_id"]
            or other["job_id"] in jobs
            or not np.isfinite(found.similarity[place])
        ):
            continue
        jobs.add(other["job_id"])
        likeness = found[int(place)]
        matches, differs = alike.why(
            features[stage["stage_id"]], features[other["stage_id"]], likeness.scores
        )
        rows.append(
            {
                "stage_id": stage["stage_id"],
                "likeness_rank": len(rows) + 1,
                "other_stage_id": other["stage_id"],
                "other_job_id": other["job_id"],
                "other_bike_id": other["bike_id"],
                "similarity_share": float(found.similarity[place]),
                "matches": "; ".join(matches),
                "differs": "; ".join(differs),
                **outcomes[other["job_id"]],
            }
        )
        if len(rows) == SHOWN:
            break
    return rows
