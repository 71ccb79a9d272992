"""Attribution: what each part gives by itself, and which one job would tell apart what is not."""

from __future__ import annotations

import math
from typing import Any

import duckdb
import numpy as np

from flows.metrics.attribution import MOST_INFLATION, Apart, Attribution, attributed
from flows.steps.builds import PartRow, parts_of_builds
from flows.steps.effects import ASSUMED_DOF, VARIANCE_DOF, prior_of
from flows.steps.engine import Given, Inputs, Records, Step, whole
from flows.steps.gains import PREVIOUS, verdict_of
from flows.steps.refresh import fingerprint, in_percent, or_none
from schemas.card import CATEGORIES
from warehouse import store

REMAP, REVISION = "remap", "revision"
NOT_APART = "cannot be separated"
Steps = dict[str, int]
"""Part categories, or a step of the map: 1 where fitted, -1 where taken off."""


def _inputs(connection: duckdb.DuckDBPyConnection, _: Given) -> Inputs:
    """Return all comparisons of neighbouring stages that may be pooled.

    First against last of a job says nothing that its neighbours did not say.
    """
    rows = store.rows(
        connection,
        "SELECT gain.bike_id, gain.model_id, gain.job_id, gain.before_stage_id, "  # noqa: S608
        "gain.after_stage_id, gain.log_mean_gain, gain.log_mean_gain_sd, "
        "old.build_id AS old_build_id, new.build_id AS new_build_id, "
        f"{VARIANCE_DOF} AS variance_dof, "
        "had.map_name AS old_map, had.map_revision AS old_revision, "
        "has.map_name AS new_map, has.map_revision AS new_revision "
        "FROM out.gain AS gain "
        "JOIN core.stage AS old ON gain.before_stage_id = old.stage_id "
        "JOIN core.stage AS new ON gain.after_stage_id = new.stage_id "
        "JOIN core.build AS had ON old.build_id = had.build_id "
        "JOIN core.build AS has ON new.build_id = has.build_id "
        "CROSS JOIN out.trust AS trust "
        "WHERE gain.is_pooled AND gain.basis = ? ORDER BY gain.gain_id",
        ASSUMED_DOF,
        PREVIOUS,
    )
    parts = parts_of_builds(connection)
    compared = [
        row | {"steps": _steps(row, parts.get(row["old_build_id"], []),
                               parts.get(row["new_build_id"], []))}
        for row in rows.iter_rows(named=True)
    ]  # fmt: skip
    return whole(fingerprint(compared), lambda: compared)


def _steps(row: dict[str, Any], had: list[PartRow], has: list[PartRow]) -> Steps:
    """Return what a comparison changed; a part for another of its kind is a step of its own."""
    added = {part[0] for part in has if part not in had}
    removed = {part[0] for part in had if part not in has}
    found = {f"{category} swapped": 1 for category in added & removed}
    found |= dict.fromkeys(added - removed, 1) | dict.fromkeys(removed - added, -1)
    if (row["old_map"], row["old_revision"]) != (row["new_map"], row["new_revision"]):
        is_first, is_last = (row[f"{side}_map"] == "stock" for side in ("old", "new"))
        found[REMAP if is_first or is_last else REVISION] = -1 if is_last else 1
    return found


def _make(_: Given, payloads: list[list[dict[str, Any]]]) -> Records:
    """Tell what each part gives."""
    rows = [row for row in payloads[0] if row["steps"]]
    if not rows:
        return {"out.attribution": []}
    changed = {step for row in rows for step in row["steps"]}
    names = sorted(changed, key=_place)
    design = np.array([[row["steps"].get(name, 0) for name in names] for row in rows], dtype=float)
    ends = {(row["job_id"], row["after_stage_id"]): at for at, row in enumerate(rows)}
    bike = [row["bike_id"] for row in rows]
    variance = np.array([row["log_mean_gain_sd"] ** 2 for row in rows])
    found = attributed(
        [row["log_mean_gain"] for row in rows],
        variance,
        design,
        bike,
        [row["model_id"] for row in rows],
        prior_of(rows),
        follows=[ends.get((row["job_id"], row["before_stage_id"]), -1) for row in rows],
        planned_variance=float(variance.mean()),
    )
    return {
        "out.attribution": [
            _row(contrast, names, design, bike, found.told, number)
            | _apart(
                found.apart,
                contrast,
                names,
                is_unknown=math.isnan(found.told.effect[number]),
            )
            for number, contrast in enumerate(found.told.contrasts)
        ]
    }


ATTRIBUTION = Step(
    name="tell parts apart",
    doing="telling parts apart",
    version=2,
    tables=("out.attribution",),
    reads=("out.gain", "out.trust", "core.stage", "core.build", "core.build_part"),
    inputs=_inputs,
    make=_make,
)


def _place(name: str) -> tuple[int, str]:
    """Return where a step stands in a list: parts as on a build, maps last."""
    category = name.removesuffix(" swapped")
    return (CATEGORIES.index(category) if category in CATEGORIES else len(CATEGORIES), name)


def _row(
    contrast: np.ndarray,
    names: list[str],
    design: np.ndarray,
    bike: list[str],
    told: Attribution,
    number: int,
) -> dict[str, Any]:
    is_in = contrast != 0
    has_it = np.count_nonzero(design[:, is_in], axis=1) > 0
    is_alone = has_it & (np.count_nonzero(design[:, ~is_in], axis=1) == 0)
    effect, lower, upper, p = (
        or_none(float(one[number])) for one in (told.effect, told.lower, told.upper, told.p)
    )
    return {
        "part_change": " + ".join(
            name + (" taken off" if sign < 0 else "")
            for name, sign in zip(names, contrast, strict=True)
            if sign
        ),
        "is_together": bool(is_in.sum() > 1),
        "bikes": _bikes(bike, has_it),
        "comparisons": int(has_it.sum()),
        "alone_bikes": _bikes(bike, is_alone),
        "mean_pct": _pct(effect),
        "lower_pct": _pct(lower),
        "upper_pct": _pct(upper),
        "effect_p": p,
        "verdict": _verdict(effect, p),
        "between_bikes_sd_pct": 100 * told.tau,
        "between_models_sd_pct": 100 * told.omega,
    }


def _apart(
    apart: list[Apart], contrast: np.ndarray, names: list[str], *, is_unknown: bool
) -> dict[str, Any]:
    """Return how a part stands apart, and for one that does not, what would tell it apart."""
    found: dict[str, Any] = dict.fromkeys(
        ("inflation", "together_with", "next_job", "half_width_pct", "half_width_then_pct")
    )
    if np.count_nonzero(contrast) > 1:
        return found
    one = apart[int(np.argmax(contrast))]
    found["inflation"] = one.inflation
    if is_unknown or one.inflation > MOST_INFLATION:
        found |= {
            "verdict": NOT_APART,
            "together_with": " + ".join(names[other] for other in one.caught_with),
            "next_job": names[one.best],
            "half_width_pct": 100 * one.half_width,
            "half_width_then_pct": 100 * one.half_width_then,
        }
    return found


def _bikes(bike: list[str], rows: np.ndarray) -> int:
    return len({name for name, is_in in zip(bike, rows, strict=True) if is_in})


def _verdict(effect: float | None, p: float | None) -> str:
    return NOT_APART if effect is None or p is None else verdict_of(p, effect)


def _pct(log_ratio: float | None) -> float | None:
    return None if log_ratio is None else in_percent(log_ratio)
