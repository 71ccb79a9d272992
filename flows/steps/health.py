"""Health: each bike's baseline held against the baselines of its siblings, power and mixture."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

import duckdb
import numpy as np
import polars as pl

from flows.metrics import siblings
from flows.steps.engine import Given, Inputs, Records, Step, by_key, marks, rows_by
from flows.steps.refresh import stacked
from flows.steps.sessions import on_one_grid
from flows.steps.trust import SHARE_STEP, session_curves, trust_of
from warehouse import store

MIDDLE_HALF = (25.0, 75.0)
"""Percentiles between which the middle half of the siblings lies. [%]"""

NO_BASELINE = "it was never run on the untouched map with standard parts"
FORCED = "its induction is forced, so its power stands as measured and moves with the weather"
FROM_ROLLER, FROM_FILE = "worked out from the roller's speed", "from the file"
FROM_BOTH = f"in some of its pulls {FROM_ROLLER}, in some {FROM_FILE}"
UNCORRECTED = "its power could not be brought to the reference air"
NEVER_TOGETHER = (
    f"at no speed were {siblings.LEAST_SIBLINGS} siblings and this bike all seen together"
)
OWN_AIR_IN_DOUBT = (
    "The weather behind this bike's correction is in doubt, so that a difference in power may be "
    "the weather alone: run it again before anything is said."
)

POWER, SHAPE, MIXTURE = "power", "shape", "mixture"


class _Lines(NamedTuple):
    """Baselines of one model on one grid: bikes by grid points, NaN where not seen."""

    grid_rpm: np.ndarray
    power_w: np.ndarray
    lambda_wide: np.ndarray
    lambda_target: np.ndarray


def _inputs(connection: duckdb.DuckDBPyConnection, _: Given) -> Inputs:
    """Return each bike's baseline, and with it those of its model and the least scatter."""
    least_sd_share = max(trust_of(connection)["remount_share"], SHARE_STEP)
    bikes = _baselines(connection)
    run = bikes.filter(pl.col("stage_id").is_not_null())
    pools = marks(run, "model_id")
    pool = pl.col("model_id").replace_strict(pools, default="", return_dtype=pl.String)
    marked = bikes.with_columns(pool=pool + f" {least_sd_share}")

    def more(due: list[str]) -> Callable[[str], dict[str, Any]]:
        models = dict(
            bikes.filter(pl.col("bike_id").is_in(due)).select("bike_id", "model_id").rows()
        )
        of_model = rows_by(run, "model_id", sorted(set(models.values())))
        lines = {model_id: _lines(connection, members) for model_id, members in of_model.items()}
        return lambda bike_id: {
            "run": of_model.get(models[bike_id], []),
            "lines": lines.get(models[bike_id]),
            "least_sd_share": least_sd_share,
        }

    return by_key("bike_id", {"bike": marked}, more)


def _make(_: Given, payloads: list[dict[str, Any]]) -> Records:
    """Hold bikes against their siblings."""
    records: dict[str, list[dict[str, Any]]] = {table: [] for table in HEALTH.tables[:-1]}
    curves: dict[str, dict[str, np.ndarray]] = {}
    for payload in payloads:
        (bike,) = payload["bike"]
        if not bike["stage_id"]:
            records["out.health"].append(_never_run(bike))
            continue
        made, points = _health(bike, payload["run"], payload["lines"], payload["least_sd_share"])
        for table, rows in made.items():
            records[table] += rows
        if points is not None:
            curves[bike["bike_id"]] = points
    return {**records, "out.health_curve": stacked("bike_id", curves)}


HEALTH = Step(
    name="hold bikes against siblings",
    doing="holding bikes against siblings",
    version=2,
    key="bike_id",
    tables=("out.health", "out.health_region", "out.health_sibling", "out.health_curve"),
    reads=(
        "out.session", "out.session_curve", "out.stage_mixture", "out.pull", "out.trust",
        "out.remount_region",
        "core.pull", "core.stage", "core.job", "core.build", "core.bike", "core.model",
    ),
    inputs=_inputs,
    make=_make,
)  # fmt: skip


def _baselines(connection: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Return one row a bike: its baseline, or nulls where it was never run standard.

    The baseline is the bike's first session on the untouched map with standard parts; one at the
    reference air and without doubt about the weather goes before one that is not.
    """
    return store.rows(
        connection,
        "WITH of_pulls AS ("
        "SELECT stage_id, min(file_gear) AS gear, min(equipment) AS dyno "
        "FROM core.pull GROUP BY stage_id), "
        "origins AS ("
        "SELECT stage_id, bool_or(power_state = 'from roller') AS is_from_roller, "
        "bool_or(power_state <> 'from roller') AS is_from_file "
        "FROM out.pull WHERE is_used GROUP BY stage_id), "
        "baseline AS ("
        "SELECT session.*, build.fuel, mixture.probe_place, mixture.reason, "
        "coalesce(stage.gear, of_pulls.gear) AS gear, coalesce(stage.dyno, of_pulls.dyno) AS dyno, "
        "origins.is_from_roller, origins.is_from_file "
        "FROM out.session AS session JOIN core.stage AS stage USING (stage_id) "
        "JOIN core.job AS job ON stage.job_id = job.job_id "
        "JOIN core.build AS build USING (build_id) "
        "JOIN out.stage_mixture AS mixture ON session.stage_id = mixture.stage_id "
        "JOIN of_pulls ON session.stage_id = of_pulls.stage_id "
        "JOIN origins ON session.stage_id = origins.stage_id "
        "WHERE build.map_name = 'stock' AND build.parts_key = 'standard parts' "
        "QUALIFY row_number() OVER (PARTITION BY session.bike_id ORDER BY "
        "NOT session.is_corrected, session.has_air_doubt, job.received_on, stage.job_id, "
        "stage.stage_no) = 1) "
        "SELECT bike.bike_id, bike.model_id, model.induction, baseline.stage_id, "
        "baseline.run_on, baseline.fuel, baseline.gear, baseline.dyno, "
        "baseline.is_from_roller, baseline.is_from_file, "
        "coalesce(baseline.is_corrected, false) AS is_corrected, "
        "coalesce(baseline.has_air_doubt, false) AS has_air_doubt, baseline.probe_place, "
        "coalesce(baseline.reason, '') AS reason, baseline.made_from "
        "FROM core.bike AS bike JOIN core.model AS model USING (model_id) "
        "LEFT JOIN baseline ON bike.bike_id = baseline.bike_id "
        "WHERE bike.bike_id IN (SELECT bike_id FROM out.session) "
        "ORDER BY bike.model_id, bike.bike_id",
    )


def _lines(connection: duckdb.DuckDBPyConnection, bikes: list[dict[str, Any]]) -> _Lines:
    stage_ids = [bike["stage_id"] for bike in bikes]
    columns = ("power_w", "lambda_wide", "lambda_target")
    by_stage = session_curves(connection, stage_ids, columns)
    curves = [by_stage[stage_id] for stage_id in stage_ids]
    grid, power = on_one_grid(curves, 1)
    # A dyno that shows nothing or less at the foot of a sweep has not seen that speed.
    power[~(power > 0.0)] = np.nan
    return _Lines(grid, power, on_one_grid(curves, 2)[1], on_one_grid(curves, 3)[1])


def _health(
    bike: dict[str, Any],
    run: list[dict[str, Any]],
    lines: _Lines,
    least_sd_share: float,
) -> tuple[dict[str, list[dict[str, Any]]], dict[str, np.ndarray] | None]:
    own = next(at for at, one in enumerate(run) if one["bike_id"] == bike["bike_id"])
    others = [(place, other) for place, other in enumerate(run) if place != own]
    against = {place: _against(bike, other) for place, other in others}
    with_power = [place for place, (both, power, _) in against.items() if not both + power]
    with_mixture = [place for place, (both, _, lean) in against.items() if not both + lean]
    power_reason = "" if bike["is_corrected"] else UNCORRECTED
    if bike["induction"] == "forced":
        power_reason = FORCED
    if not power_reason and _origin(bike) == FROM_BOTH:
        power_reason = f"its power is {FROM_BOTH}"
    power_reason = power_reason or _too_few(len(with_power))
    mixture_reason = bike["reason"] or _too_few(len(with_mixture))

    watts = lines.power_w[[] if power_reason else with_power]
    # All against this bike's target: cards may name different ones, and a target is no mixture.
    error = 100.0 * (lines.lambda_wide / lines.lambda_target[own] - 1.0)
    errors = error[[] if mixture_reason else with_mixture]
    power = siblings.power_health(
        lines.grid_rpm, lines.power_w[own], watts, least_sd_share=least_sd_share
    )
    mixture = siblings.mixture_health(lines.grid_rpm, error[own], errors)
    if power.is_unusual is None:
        power_reason = power_reason or NEVER_TOGETHER
    if mixture.is_unusual is None:
        mixture_reason = mixture_reason or NEVER_TOGETHER
    sentences = _sentences(power, mixture, power_reason, mixture_reason)
    if bike["has_air_doubt"] and not power_reason:
        sentences.insert(0, OWN_AIR_IN_DOUBT)
    row = {
        **_head(bike),
        "power_health": siblings.power_state(power),
        "mixture_health": siblings.mixture_state(mixture),
        "siblings": len(with_power),
        "mixture_siblings": len(with_mixture),
        "peak_change_pct": power.peak_change_pct,
        "peak_z": power.peak.z,
        "shape_distance_pct": power.shape_distance_pct,
        "shape_z": power.shape.z,
        "lean_change_pct": mixture.level_change_pct,
        "lean_z": mixture.level.z,
        "power_reason": power_reason,
        "mixture_reason": mixture_reason,
        "sentence": sentences[0],
        "further": " ".join(sentences[1:]),
    }
    made = {
        "out.health": [row],
        "out.health_region": [
            _region(bike["bike_id"], quantity, region)
            for quantity, regions in (
                (POWER, power.regions),
                (SHAPE, _shape_regions(power)),
                (MIXTURE, mixture.regions),
            )
            for region in regions
        ],
        "out.health_sibling": [
            _sibling(bike["bike_id"], other, against[place]) for place, other in others
        ],
    }
    return made, _points(lines, own, watts, errors)


def _against(bike: dict[str, Any], other: dict[str, Any]) -> tuple[list[str], list[str], list[str]]:
    """Return why another bike is no sibling at all, none in power, and none in mixture."""
    both = [
        f"{name} {other[name]}, this bike {bike[name]}"
        for name in ("fuel", "gear", "dyno")
        if other[name] != bike[name] and None not in (other[name], bike[name])
    ]
    power = [] if other["is_corrected"] else ["power not at the reference air"]
    if other["has_air_doubt"]:
        power.append("weather in doubt")
    # The roller's own losses are in the one and not in the other.
    origins = (_origin(other), _origin(bike))
    if origins[0] != origins[1]:
        power.append(f"power {origins[0]}, this bike's {origins[1]}")
    elif origins[0] == FROM_BOTH:
        power.append(f"power {FROM_BOTH}")
    lean = [other["reason"]] if other["reason"] else []
    places = (other["probe_place"], bike["probe_place"])
    if None not in places and places[0] != places[1]:
        lean.append(f"probe: {places[0]}, this bike {places[1]}")
    return both, power, lean


def _origin(bike: dict[str, Any]) -> str:
    """Return in words where the power of a bike's baseline comes from."""
    if bike["is_from_roller"] and bike["is_from_file"]:
        return FROM_BOTH
    return FROM_ROLLER if bike["is_from_roller"] else FROM_FILE


def _too_few(count: int) -> str:
    if count >= siblings.LEAST_SIBLINGS:
        return ""
    there_are = {0: "there is no sibling", 1: "there is 1 sibling"}.get(
        count, f"there are {count} siblings"
    )
    return f"{there_are} to compare with, at least {siblings.LEAST_SIBLINGS} are needed"


def _sentences(
    power: siblings.PowerHealth,
    mixture: siblings.MixtureHealth,
    power_reason: str,
    mixture_reason: str,
) -> list[str]:
    """Return sentences: first what stands out, then what does not, then what cannot be compared."""
    if power_reason and power_reason == mixture_reason:
        return [f"Cannot be compared: {power_reason}."]
    said = [] if power_reason and mixture_reason else siblings.health_words(power, mixture)
    is_unusual = bool(power.is_unusual or mixture.is_unusual)
    if is_unusual:
        said += ["Power is as its siblings'."] * (power.is_unusual is False)
        said += ["Mixture is as its siblings'."] * (mixture.is_unusual is False)
    if power_reason:
        # Without this, a bike whose power could not be compared would read as sound.
        said.insert(len(said) if is_unusual else 0, f"Power cannot be compared: {power_reason}.")
    if mixture_reason:
        said.append(f"Mixture cannot be compared: {mixture_reason}.")
    return said


def _shape_regions(power: siblings.PowerHealth) -> list[siblings.Region]:
    if siblings.power_state(power) != "another shape" or power.shape_region is None:
        return []
    return [power.shape_region]


def _head(bike: dict[str, Any]) -> dict[str, Any]:
    return {
        **{name: bike[name] for name in ("bike_id", "model_id", "stage_id", "run_on")},
        "has_air_doubt": bike["has_air_doubt"],
    }


def _never_run(bike: dict[str, Any]) -> dict[str, Any]:
    figures = ("peak_change_pct", "peak_z", "shape_distance_pct", "shape_z")
    return {
        **_head(bike),
        "power_health": "not compared",
        "mixture_health": "not compared",
        "siblings": 0,
        "mixture_siblings": 0,
        **dict.fromkeys((*figures, "lean_change_pct", "lean_z")),
        "power_reason": NO_BASELINE,
        "mixture_reason": NO_BASELINE,
        "sentence": f"Cannot be compared: {NO_BASELINE}.",
        "further": "",
    }


def _region(bike_id: str, quantity: str, region: siblings.Region) -> dict[str, Any]:
    return {
        "bike_id": bike_id,
        "quantity": quantity,
        "from_rpm": region.from_rpm,
        "to_rpm": region.to_rpm,
        "reaches_top": bool(region.reaches_top),
        "change_pct": region.change_pct,
        "region_z": region.z,
        "siblings": region.siblings,
    }


def _sibling(
    bike_id: str, other: dict[str, Any], against: tuple[list[str], list[str], list[str]]
) -> dict[str, Any]:
    both, power, lean = against
    left_out = both + [f"power: {why}" for why in power] + [f"mixture: {why}" for why in lean]
    return {
        "bike_id": bike_id,
        "other_bike_id": other["bike_id"],
        "other_stage_id": other["stage_id"],
        "is_power_sibling": not both + power,
        "is_mixture_sibling": not both + lean,
        "left_out": "; ".join(left_out),
    }


def _points(
    lines: _Lines, own: int, watts: np.ndarray, errors: np.ndarray
) -> dict[str, np.ndarray] | None:
    """Return what is usual at each speed that this bike was seen at; None where nothing is."""
    seen = np.isfinite(lines.power_w[own]) | np.isfinite(lines.lambda_wide[own])
    usual_w, low_w, high_w, count = _usual(watts)
    usual_pct, low_pct, high_pct, _ = _usual(errors)
    seen &= np.isfinite(usual_w) | np.isfinite(usual_pct)
    if not seen.any():
        return None
    columns = {
        "engine_speed_rpm": lines.grid_rpm,
        "siblings": count,
        "usual_power_w": usual_w,
        "usual_power_lower_w": low_w,
        "usual_power_upper_w": high_w,
        "usual_lean_error_pct": usual_pct,
        "usual_lean_error_lower_pct": low_pct,
        "usual_lean_error_upper_pct": high_pct,
    }
    return {name: values[seen] for name, values in columns.items()}


def _usual(curves: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return median, quartiles and number of the curves at each speed, NaN where too few."""
    count = np.isfinite(curves).sum(axis=0)
    enough = count >= siblings.LEAST_SIBLINGS
    found = np.full((3, curves.shape[1]), np.nan)
    if enough.any():
        found[:, enough] = np.nanpercentile(curves[:, enough], (50.0, *MIDDLE_HALF), axis=0)
    return found[0], found[1], found[2], count
