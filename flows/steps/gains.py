"""Gains: each stage against an earlier one of the same bike, with what changed between them."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import duckdb
import numpy as np

from flows.metrics import gain as gain_metric
from flows.steps.builds import parts_of_builds
from flows.steps.progress import Progress
from flows.steps.refresh import fingerprint, outdated, replace, stacked
from flows.steps.sessions import curves_of, on_one_grid
from flows.steps.trust import correction_share
from schemas.card import CATEGORIES
from schemas.settings import ShopSettings
from warehouse import store

GAINS_VERSION = 2
"""Raise it when this step changes what it gives for the same sessions."""

PREVIOUS, FIRST, EARLIER = "previous stage", "first stage", "earlier job"


def derive_gains(
    connection: duckdb.DuckDBPyConnection,
    settings: ShopSettings,
    trust: dict[str, Any],
    progress: Progress,
) -> int:
    """Make every comparison whose sessions, builds or trust changed.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        Writer.
    settings : ShopSettings
        The shop's settings.
    trust : dict
        Row of out.trust.
    progress : callable
        Called with done, total and a word.

    Returns
    -------
    int
        Gains made.
    """
    pairs = {
        f"{before['stage_id']} → {after['stage_id']}": (before, after, basis)
        for before, after, basis in _pairs(_stages(connection))
    }
    wanted = {
        gain_id: fingerprint(
            GAINS_VERSION, settings.figures.model_dump(), trust["made_from"], before, after, basis
        )
        for gain_id, (before, after, basis) in pairs.items()
    }
    to_make, to_delete = outdated(connection, "out.gain", "gain_id", wanted)
    stage_ids = sorted({s["stage_id"] for name in to_make for s in pairs[name][:2]})
    curves = curves_of(connection, stage_ids)
    pulls: dict[str, list[str]] = {}
    for stage_id, pull_id in connection.execute(
        "SELECT stage_id, pull_id FROM out.pull WHERE is_used ORDER BY stage_id, pull_no"
    ).fetchall():
        pulls.setdefault(stage_id, []).append(pull_id)
    heads: list[dict[str, Any]] = []
    points: dict[str, dict[str, np.ndarray]] = {}
    for done, gain_id in enumerate(to_make, start=1):
        before, after, basis = pairs[gain_id]
        sides = [[curves[p] for p in pulls[s["stage_id"]]] for s in (before, after)]
        made = _gain(before, after, sides, trust, settings)
        if made is not None:
            heads.append(_head(gain_id, before, after, basis, made, wanted[gain_id]))
            points[gain_id] = _points(made)
        if done % 25 == 0 or done == len(to_make):
            progress(done, len(to_make), "comparing stages")
    if to_make or to_delete:
        curves_frame = stacked("gain_id", points)
        replace(
            connection, "gain_id", to_delete, {"out.gain": heads, "out.gain_curve": curves_frame}
        )
    return len(to_make)


def _stages(connection: duckdb.DuckDBPyConnection) -> list[dict[str, Any]]:
    stages = store.rows(
        connection,
        "SELECT stage.stage_id, stage.job_id, stage.bike_id, stage.stage_no, stage.mounting, "
        "stage.gear, stage.tyre, coalesce(any_value(stage.dyno), min(pull.equipment)) AS dyno, "
        "stage.build_id, build.map_name, build.map_revision, build.fuel, build.ethanol_share, "
        "session.model_id, session.run_on, job.received_on, session.pulls_used, "
        "session.is_corrected, session.has_air_doubt, session.reference_factor_sd, "
        "session.made_from, bike.is_control "
        "FROM out.session AS session JOIN core.stage AS stage USING (stage_id) "
        "JOIN core.job AS job ON stage.job_id = job.job_id "
        "JOIN core.bike AS bike ON stage.bike_id = bike.bike_id "
        "JOIN core.build AS build USING (build_id) "
        "JOIN core.pull AS pull ON stage.stage_id = pull.stage_id "
        "GROUP BY ALL ORDER BY stage.bike_id, job.received_on, stage.job_id, stage.stage_no",
    ).to_dicts()
    parts = parts_of_builds(connection)
    for stage in stages:
        stage["parts"] = sorted(
            parts.get(stage["build_id"], []), key=lambda part: CATEGORIES.index(part[0])
        )
    return stages


def _pairs(
    stages: list[dict[str, Any]],
) -> list[tuple[dict[str, Any], dict[str, Any], str]]:
    """Return what is compared.

    Stage against stage in a job, its end against its start, and its start against the end of the
    bike's job before.
    """
    pairs = []
    jobs: dict[str, list[dict[str, Any]]] = {}
    for stage in stages:
        jobs.setdefault(stage["job_id"], []).append(stage)
    last_of_bike: dict[str, dict[str, Any]] = {}
    for job in jobs.values():
        first, last = job[0], job[-1]
        if (earlier := last_of_bike.get(first["bike_id"])) is not None:
            pairs.append((earlier, first, EARLIER))
        pairs += [(b, a, PREVIOUS) for b, a in pairwise(job)]
        if len(job) > 2:
            pairs.append((first, last, FIRST))
        last_of_bike[first["bike_id"]] = last
    return pairs


def _gain(
    before: dict[str, Any],
    after: dict[str, Any],
    sides: list[list[Any]],
    trust: dict[str, Any],
    settings: ShopSettings,
) -> gain_metric.Gain | None:
    grid, power = on_one_grid(sides[0] + sides[1], 1)
    cut = len(sides[0])
    try:
        return gain_metric.gain(
            grid,
            power[:cut],
            power[cut:],
            repeatability_share=trust["repeatability_share"],
            repeatability_dof=trust["repeatability_dof"],
            remount_share=trust["remount_share"],
            correction_share=correction_share(before, after),
            same_mounting=before["mounting"] == after["mounting"],
            bandwidth_rpm=settings.figures.bandwidth_rpm,
        )
    except ValueError:
        # The two sessions share too little of the riding range to be compared at all.
        return None


def change_of(before: dict[str, Any], after: dict[str, Any]) -> tuple[str, str, str]:
    """Return what changed between two stages: kind, key to pool by, and full words.

    Parameters
    ----------
    before, after : dict
        Stages with parts, map_name, map_revision and fuel.

    Returns
    -------
    kind, key, label : str
        Such as "parts only", "full exhaust, map untouched",
        "+ full exhaust: Halden F4; map untouched".
    """
    had, has = before["parts"], after["parts"]
    added = [part for part in has if part not in had]
    removed = [part for part in had if part not in has]
    stayed = [part for part in has if part in had]
    map_changed = _map(before) != _map(after)
    fuel_changed = before["fuel"] != after["fuel"]
    words = [
        word
        for word, changed in (
            ("parts", added or removed),
            ("map", map_changed),
            ("fuel", fuel_changed),
        )
        if changed
    ]
    kind = "nothing"
    if words:
        kind = " and ".join(words) if len(words) > 1 else f"{words[0]} only"
    label = [f"+ {category}: {maker} {name}" for category, maker, name in added]
    label += [f"− {category}: {maker} {name}" for category, maker, name in removed]
    label.append(
        f"map {_map(before)} → {_map(after)}" if map_changed else f"map stays {_map(after)}"
    )
    if fuel_changed:
        label.append(f"fuel {before['fuel']} → {after['fuel']}")
    return kind, _key(added, removed, stayed, map_changed, fuel_changed), "; ".join(label)


def _map(stage: dict[str, Any]) -> str:
    revision = stage["map_revision"]
    return stage["map_name"] + (f" r{revision}" if revision is not None else "")


def _key(
    added: list[tuple[str, str, str]],
    removed: list[tuple[str, str, str]],
    stayed: list[tuple[str, str, str]],
    map_changed: bool,
    fuel_changed: bool,
) -> str:
    def categories(parts: list[tuple[str, str, str]]) -> list[str]:
        return list(dict.fromkeys(part[0] for part in parts))

    more, less = categories(added), categories(removed)
    swapped = [category for category in more if category in less]
    steps = [f"{category} swapped" if category in swapped else category for category in more]
    steps += [f"{category} taken off" for category in less if category not in swapped]
    ground = " + ".join(categories(stayed))
    if not steps and not map_changed:
        return ("fuel changed" if fuel_changed else "nothing changed") + (
            f", on {ground}" if ground else ""
        )
    if not steps:
        key = f"remap, on {ground or 'standard parts'}"
    else:
        key = " + ".join(steps) + (f", on {ground}" if ground else "")
        key += ", with remap" if map_changed else ", map untouched"
    return key + (", other fuel" if fuel_changed else "")


def _unlike(before: dict[str, Any], after: dict[str, Any]) -> list[str]:
    reasons = []
    if before["fuel"] != after["fuel"]:
        reasons.append(f"fuel {before['fuel']} before, {after['fuel']} after")
    for name, word in (("gear", "gear"), ("dyno", "dyno"), ("tyre", "tyre")):
        if before[name] != after[name] and None not in (before[name], after[name]):
            reasons.append(f"{word} {before[name]} before, {after[name]} after")
    if before["has_air_doubt"] or after["has_air_doubt"]:
        reasons.append("the weather behind the correction is in doubt")
    if not (before["is_corrected"] and after["is_corrected"]):
        reasons.append("power could not be brought to the reference air")
    return reasons


def _head(
    gain_id: str,
    before: dict[str, Any],
    after: dict[str, Any],
    basis: str,
    made: gain_metric.Gain,
    made_from: str,
) -> dict[str, Any]:
    kind, key, label = change_of(before, after)
    unlike = _unlike(before, after)
    pooled = not unlike and basis != EARLIER and kind != "nothing" and not after["is_control"]
    return {
        "gain_id": gain_id,
        "job_id": after["job_id"],
        "bike_id": after["bike_id"],
        "model_id": after["model_id"],
        "before_stage_id": before["stage_id"],
        "after_stage_id": after["stage_id"],
        "basis": basis,
        "run_on": after["run_on"],
        "change_kind": kind,
        "change_key": key,
        "change_label": label,
        "is_like_for_like": not unlike,
        "unlike_reason": "; ".join(unlike),
        "is_pooled": pooled,
        "pulls_before": before["pulls_used"],
        "pulls_after": after["pulls_used"],
        "riding_from_rpm": made.range_from_rpm,
        "riding_to_rpm": made.range_to_rpm,
        "peak_gain_w": made.peak_gain_pct / 100 * _top(made.before_w),
        "verdict_at_peak": gain_metric.verdict(made.peak_gain_lower_pct, made.peak_gain_upper_pct),
        "made_from": made_from,
        **{
            name: getattr(made, name)
            for name in (
                "mean_gain_pct",
                "mean_gain_lower_pct",
                "mean_gain_upper_pct",
                "peak_gain_pct",
                "peak_gain_lower_pct",
                "peak_gain_upper_pct",
                "gain_at_peak_pct",
                "gain_at_peak_w",
                "greatest_gain_pct",
                "greatest_gain_speed_rpm",
                "greatest_loss_pct",
                "greatest_loss_speed_rpm",
                "over_rev_rpm",
                "smallest_detectable_pct",
                "verdict",
                "log_mean_gain",
                "log_mean_gain_sd",
                "log_peak_gain",
                "log_peak_gain_sd",
            )
        },
    }


def _top(power_w: Any) -> float:
    return float(np.nanmax(power_w))


def _points(made: gain_metric.Gain) -> dict[str, np.ndarray]:
    names = ("before_w", "after_w", "gain_pct", "lower_pct", "upper_pct")
    whole = ("whole_lower_pct", "whole_upper_pct")
    return {
        "engine_speed_rpm": made.grid_rpm,
        **{name: getattr(made, name) for name in names + whole},
    }
