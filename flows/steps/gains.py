"""Gains: each stage against an earlier one of the same bike, with what changed between them."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any, NamedTuple

import duckdb
import numpy as np
import polars as pl

from flows.metrics import gain as gain_metric
from flows.metrics.notes import Note, note
from flows.metrics.stability import drift_of_pair
from flows.metrics.trust import remount_at
from flows.steps.builds import parts_of_builds
from flows.steps.engine import Given, Inputs, Records, Step, marks
from flows.steps.refresh import fingerprint, stacked
from flows.steps.sessions import curves_of, on_one_grid
from flows.steps.stability import drifts_of
from flows.steps.trust import correction_share, trust_of
from schemas.card import CATEGORIES
from schemas.settings import ShopSettings
from warehouse import store

NOT_COMPARABLE, NO_AIR = "not comparable", "cannot be told: no air"
"""Verdicts where the weather may have moved power by percents: there no gain has a figure."""
NO_VERDICT = {"one side": NOT_COMPARABLE, "none": NO_AIR}
"""State of the air → verdict; in the other states the figures decide."""
NO_PEAK = "cannot be told: peak not reached"
"""Verdict peak against peak where one side was shut off below its peak and the other went on."""
LIKE_TOP_SHARE = 0.97
"""Sweeps that end nearer to each other were run to the same speed: their peaks can be compared."""
PEAKS = (
    "peak_gain_pct",
    "peak_gain_lower_pct",
    "peak_gain_upper_pct",
    "peak_gain_w",
    "log_peak_gain",
    "log_peak_gain_sd",
)
FIGURES = (
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
    "log_mean_gain",
    "log_mean_gain_sd",
    "log_peak_gain",
    "log_peak_gain_sd",
)
DRIFTS = ("drift_pct", "drift_lower_pct", "drift_upper_pct")

PREVIOUS, FIRST, EARLIER = "previous stage", "first stage", "earlier job"


class Comparison(NamedTuple):
    """Two stages to be compared, and the stage that put the bike back as it was before."""

    before: dict[str, Any]
    after: dict[str, Any]
    basis: str
    again: dict[str, Any] | None = None
    is_counted: bool = False
    """Whether its sessions, or its change within the job, stand in a comparison before it."""

    @property
    def stages(self) -> list[dict[str, Any]]:
        """All of them, in the order of running."""
        return [stage for stage in (self.before, self.after, self.again) if stage is not None]


def _inputs(connection: duckdb.DuckDBPyConnection, _: Given) -> Inputs:
    """Return what is compared, marked by the stages, their builds and drifts, and the trust."""
    trust, stages = trust_of(connection), _stages(connection)
    told = {
        name: value
        for name, value in trust.items()
        # What they are known from counts sessions; only the figures decide whether gains are made
        # again.
        if not name.endswith(("_origin", "_pairs", "_told"))
    }
    told["remount_regions"] = [region[:3] for region in trust["remount_regions"]]
    of_trust = fingerprint(told)
    of_stage = marks(stages, "stage_id")
    rows = stages.to_dicts()
    parts, drifts = parts_of_builds(connection), drifts_of(connection)
    for stage in rows:
        stage["drifts"] = drifts.get(stage["stage_id"], {})
        stage["parts"] = sorted(
            parts.get(stage["build_id"], []), key=lambda part: CATEGORIES.index(part[0])
        )
        if stage["drifts"] or stage["parts"]:
            of_stage[stage["stage_id"]] += f" {stage['drifts']} {stage['parts']}"
    pairs = {f"{pair.before['stage_id']} → {pair.after['stage_id']}": pair for pair in _pairs(rows)}
    marked = {
        gain_id: f"{of_trust} {pair.basis} {pair.is_counted} "
        + " ".join(of_stage[stage["stage_id"]] for stage in pair.stages)
        for gain_id, pair in pairs.items()
    }

    def load(due: list[str]) -> list[Any]:
        stage_ids = sorted({s["stage_id"] for name in due for s in pairs[name].stages})
        curves = curves_of(connection, stage_ids)
        pulls: dict[str, list[np.ndarray]] = {}
        for stage_id, pull_id in connection.execute(
            "SELECT stage_id, pull_id FROM out.pull "
            "WHERE is_used AND stage_id IN (SELECT unnest(?)) ORDER BY stage_id, pull_no",
            [stage_ids],
        ).fetchall():
            pulls.setdefault(stage_id, []).append(curves[pull_id])
        return [
            (name, pairs[name], [pulls[s["stage_id"]] for s in pairs[name].stages], trust)
            for name in due
        ]

    return Inputs(marked, load)


def _make(given: Given, payloads: list[Any]) -> Records:
    """Compare stages."""
    heads, curves = [], {}
    for gain_id, pair, sides, trust in payloads:
        made = _gain(pair, sides, trust, given.settings)
        if made is None:
            continue
        heads.append(_head(gain_id, pair, made))
        if air_state(pair.stages) not in NO_VERDICT:
            curves[gain_id] = _points(made)
    return {"out.gain": heads, "out.gain_curve": stacked("gain_id", curves)}


GAINS = Step(
    name="compare stages",
    doing="comparing stages",
    version=10,
    key="gain_id",
    tables=("out.gain", "out.gain_curve"),
    reads=(
        "out.session", "out.pull", "out.pull_curve", "out.log_doubt", "out.session_drift",
        "out.trust", "out.remount_region", "core.stage", "core.job", "core.bike", "core.model",
        "core.build", "core.build_part", "core.pull",
    ),
    inputs=_inputs,
    make=_make,
    set_by=lambda settings: settings.figures,
)  # fmt: skip


def _stages(connection: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    return store.rows(
        connection,
        "SELECT stage.stage_id, stage.job_id, stage.bike_id, stage.stage_no, stage.mounting, "
        "coalesce(any_value(stage.gear), min(pull.file_gear)) AS gear, stage.tyre, "
        "coalesce(any_value(stage.dyno), min(pull.equipment)) AS dyno, "
        "min(pull.started_at) AS started_at, "
        "list_sort(list(DISTINCT doubt.reason_code) FILTER (doubt.reason_code IS NOT NULL AND "
        "doubt.reason_code <> 'road speed in another unit')) AS doubts, "
        "list_sort(list(DISTINCT made.ratio_kind) FILTER (made.is_used AND "
        "made.ratio_kind <> 'constant')) AS ratio_kinds, "
        "stage.build_id, build.map_name, build.map_revision, build.fuel, build.ethanol_share, "
        "session.model_id, session.run_on, job.received_on, session.pulls_used, "
        "session.is_corrected, session.has_air_doubt, session.reference_factor_sd, "
        "session.air_density_kg_m3, session.is_peak_reached, session.made_from, bike.is_control, "
        "model.induction, "
        "bool_or(pull.power_state = 'from roller') AS is_from_roller "
        "FROM out.session AS session JOIN core.stage AS stage USING (stage_id) "
        "JOIN core.job AS job ON stage.job_id = job.job_id "
        "JOIN core.bike AS bike ON stage.bike_id = bike.bike_id "
        "JOIN core.model AS model ON bike.model_id = model.model_id "
        "JOIN core.build AS build USING (build_id) "
        "JOIN core.pull AS pull ON stage.stage_id = pull.stage_id "
        "LEFT JOIN out.pull AS made ON pull.pull_id = made.pull_id "
        "LEFT JOIN out.log_doubt AS doubt ON pull.file_sha256 = doubt.file_sha256 "
        "GROUP BY ALL ORDER BY stage.bike_id, job.received_on, stage.job_id, stage.stage_no",
    )


def _pairs(stages: list[dict[str, Any]]) -> list[Comparison]:
    """Return what is compared.

    Stage against stage in a job, its end against its start, and its start against the end of the
    bike's job before. Where a stage puts the bike back as it was two stages ago, both of these
    are held against the one between: what drifted meanwhile falls out.
    """
    pairs: list[Comparison] = []
    jobs: dict[str, list[dict[str, Any]]] = {}
    for stage in stages:
        jobs.setdefault(stage["job_id"], []).append(stage)
    last_of_bike: dict[str, dict[str, Any]] = {}
    for job in jobs.values():
        first, last = job[0], job[-1]
        if (earlier := last_of_bike.get(first["bike_id"])) is not None:
            pairs.append(Comparison(earlier, first, EARLIER))
        is_way_back = False
        counted: set[str] = set()
        for place, (before, after) in enumerate(pairwise(job), start=2):
            later = job[place] if place < len(job) else None
            again = later if not is_way_back and _is_put_back(before, after, later) else None
            pair = Comparison(before, after, PREVIOUS, again, is_way_back)
            pairs.append(_counted_once(pair, counted))
            is_way_back = again is not None
        if len(job) > 2:
            pairs.append(_counted_once(Comparison(first, last, FIRST), counted))
        last_of_bike[first["bike_id"]] = last
    return pairs


def _counted_once(pair: Comparison, counted: set[str]) -> Comparison:
    """Return a pair, marked where its job has measured the same change before.

    Comparisons of one job share sessions: to pool them all would make the pool too sure.
    """
    if pair.is_counted or _unlike(pair.before, pair.after):
        return pair
    key = change_of(pair.before, pair.after)[1]
    if key in counted:
        return pair._replace(is_counted=True)
    counted.add(key)
    return pair


def _is_put_back(
    before: dict[str, Any], after: dict[str, Any], later: dict[str, Any] | None
) -> bool:
    if later is None or not later["build_id"] == before["build_id"] != after["build_id"]:
        return False
    began = [stage["started_at"] for stage in (before, after, later)]
    # Drift is even from session to session only if they were run in that order.
    in_order = None in began or began == sorted(began)
    return in_order and not _unlike(before, later)


def _gain(
    pair: Comparison, sides: list[list[Any]], trust: dict[str, Any], settings: ShopSettings
) -> gain_metric.Gain | None:
    grid, power = on_one_grid([curve for side in sides for curve in side], 1)
    laid = np.split(power, np.cumsum([len(side) for side in sides])[:-1])
    try:
        return gain_metric.gain(
            grid,
            laid[0],
            laid[1],
            again_curves=laid[2] if pair.again else None,
            repeatability_share=trust["repeatability_share"],
            repeatability_dof=trust["repeatability_dof"],
            weighed_by_share=settings.trust.repeatability_share,
            remount_share=trust["remount_share"],
            remount_dof=trust["remount_dof"],
            remount_share_at=remount_at(
                grid / grid[np.nanargmax(laid[0]) % grid.size], trust["remount_regions"]
            ),
            correction_share=max(
                # What the dyno or its station drifted by is never rescaled: it widens.
                math.hypot(
                    correction_share(pair.after, other),
                    observed_share(pair.after, other),
                    drift_of_pair(pair.after["drifts"], other["drifts"]),
                )
                for other in pair.stages
                if other is not pair.after
            ),
            same_mounting=len({stage["mounting"] for stage in pair.stages}) == 1,
            bandwidth_rpm=settings.figures.bandwidth_rpm,
        )
    except ValueError:
        # The two sessions share too little of the riding range to be compared at all.
        return None


def air_state(stages: list[dict[str, Any]]) -> str:
    """Return what the power of some stages is held against each other at."""
    corrected = {stage["is_corrected"] for stage in stages}
    if corrected == {True}:
        return "reference"
    if True in corrected:
        return "one side"
    blown = all(stage["induction"] == "forced" for stage in stages)
    seen = all(stage["air_density_kg_m3"] is not None for stage in stages)
    return "observed" if blown and seen else "none"


def observed_share(one: dict[str, Any], other: dict[str, Any]) -> float:
    """Return 1 SD of what the weather may put into the ratio of two powers as observed.

    A blown engine follows the air's density in full, not at all or anything between: evenly
    likely, hence the root of 3. A choice of ours, no source.
    """
    if air_state([one, other]) != "observed":
        return 0.0
    return abs(math.log(one["air_density_kg_m3"] / other["air_density_kg_m3"])) / math.sqrt(3.0)


def change_of(before: dict[str, Any], after: dict[str, Any]) -> tuple[str, str, str]:
    """Return what changed between two stages: kind, key to pool by, and full words."""
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


def _unlike(before: dict[str, Any], after: dict[str, Any]) -> list[Note]:
    reasons = [
        note("one side other", what=name, before=before[name], after=after[name])
        for name in ("fuel", "gear", "dyno", "tyre")
        if before[name] != after[name] and None not in (before[name], after[name])
    ]
    if before["has_air_doubt"] or after["has_air_doubt"]:
        reasons.append(note("weather in doubt"))
    for stage, when in ((before, "before"), (after, "after")):
        if seen := [*(stage["doubts"] or ()), *(stage["ratio_kinds"] or ())]:
            reasons.append(note("among the pulls", what=seen, when=when))
    if before["is_from_roller"] != after["is_from_roller"]:
        reasons.append(note("roller on one side"))
    if not (before["is_corrected"] and after["is_corrected"]):
        reasons.append(note("not at reference air"))
    return reasons


def _head(gain_id: str, pair: Comparison, made: gain_metric.Gain) -> dict[str, Any]:
    before, after, basis = pair.before, pair.after, pair.basis
    kind, key, label = change_of(before, after)
    unlike = _unlike(before, after)
    # The way back says nothing that the way there has not said.
    pooled = not (unlike or pair.is_counted or basis == EARLIER or kind == "nothing")
    pooled = pooled and not after["is_control"]
    air = air_state(pair.stages)
    untold = NO_VERDICT.get(air)
    figures = dict.fromkeys((*FIGURES, "peak_gain_w", *DRIFTS))
    if untold is None:
        figures |= {name: getattr(made, name) for name in FIGURES}
        figures["peak_gain_w"] = made.peak_gain_pct / 100 * _top(made.before_w)
    if untold is None and pair.again is not None:
        figures |= {name: getattr(made, name) for name in DRIFTS}
    at_peak = gain_metric.verdict(made.peak_gain_lower_pct, made.peak_gain_upper_pct)
    if not _has_peaks(pair, made):
        at_peak = NO_PEAK
        figures |= dict.fromkeys(PEAKS)
    return {
        "gain_id": gain_id,
        "job_id": after["job_id"],
        "bike_id": after["bike_id"],
        "model_id": after["model_id"],
        "before_stage_id": before["stage_id"],
        "after_stage_id": after["stage_id"],
        "again_stage_id": pair.again["stage_id"] if pair.again else None,
        "basis": basis,
        "run_on": after["run_on"],
        "change_kind": kind,
        "change_key": key,
        "change_label": label,
        "is_like_for_like": not unlike,
        "unlike_reason": unlike,
        "is_pooled": pooled,
        "pulls_before": before["pulls_used"],
        "pulls_after": after["pulls_used"],
        "pulls_again": pair.again["pulls_used"] if pair.again else None,
        "riding_from_rpm": made.range_from_rpm,
        "riding_to_rpm": made.range_to_rpm,
        "air_state": air,
        "verdict": untold or made.verdict,
        "verdict_at_peak": untold or at_peak,
        **figures,
    }


def _has_peaks(pair: Comparison, made: gain_metric.Gain) -> bool:
    """Whether peak may be held against peak: both were reached, or both ended at one speed."""
    sides = ((pair.before, made.before_w), (pair.after, made.after_w))
    if all(stage["is_peak_reached"] for stage, _ in sides):
        return True
    ends = [float(made.grid_rpm[np.isfinite(power)].max()) for _, power in sides]
    return min(ends) >= LIKE_TOP_SHARE * max(ends)


def _top(power_w: Any) -> float:
    return float(np.nanmax(power_w))


def _points(made: gain_metric.Gain) -> dict[str, np.ndarray]:
    names = ("before_w", "after_w", "gain_pct", "lower_pct", "upper_pct")
    whole = ("whole_lower_pct", "whole_upper_pct")
    return {
        "engine_speed_rpm": made.grid_rpm,
        **{name: getattr(made, name) for name in names + whole},
    }
