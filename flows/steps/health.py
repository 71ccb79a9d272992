"""Health: each bike's baseline held against the baselines of its siblings, power and mixture."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any, NamedTuple

import duckdb
import numpy as np
import polars as pl

from flows.metrics import siblings
from flows.metrics.notes import Note, note
from flows.steps.engine import Given, Inputs, Records, Step, by_key, marks, rows_by
from flows.steps.refresh import stacked
from flows.steps.sessions import on_one_grid
from flows.steps.trust import SHARE_STEP, session_curves, trust_of
from warehouse import store

MIDDLE_HALF = (0.25, 0.75)
"""Quantiles between which the middle half of the siblings lies."""

FROM_ROLLER, FROM_FILE, FROM_BOTH = "roller", "file", "both"
"""Where the power of a bike's baseline comes from."""

POWER, SHAPE, MIXTURE = "power", "shape", "mixture"


JUDGED_BY = (
    "fuel",
    "gear",
    "dyno",
    "is_corrected",
    "has_air_doubt",
    "is_from_roller",
    "is_from_file",
    "reason",
    "probe_place",
)
"""What decides whose siblings a bike is: bikes alike in these have the same siblings."""


class _Family(NamedTuple):
    """The siblings of like bikes: their places in the model, and their curves ordered once."""

    places: np.ndarray
    curves: siblings.Family

    def place_of(self, bike: int) -> int | None:
        """Return where a bike stands among the siblings, which it is then none of itself."""
        at = int(np.searchsorted(self.places, bike))
        return at if at < self.places.size and self.places[at] == bike else None

    def count(self, bike: int) -> int:
        """Return how many siblings a bike has."""
        return self.places.size - (self.place_of(bike) is not None)


class _Model:
    """The baselines of one model on one grid, and who of them is whose sibling."""

    def __init__(self, bikes: list[dict[str, Any]], curves: list[np.ndarray]) -> None:
        self.bikes = bikes
        self.places = {bike["bike_id"]: place for place, bike in enumerate(bikes)}
        self.grid_rpm, self.power_w = on_one_grid(curves, 1)
        # A dyno that shows nothing or less at the foot of a sweep has not seen that speed.
        self.power_w[~(self.power_w > 0.0)] = np.nan
        self.lambda_wide = on_one_grid(curves, 2)[1]
        self._targets = on_one_grid(curves, 3)[1]
        kinds: dict[tuple[Any, ...], int] = {}
        self.kind = np.array(
            [kinds.setdefault(tuple(b[name] for name in JUDGED_BY), len(kinds)) for b in bikes]
        )
        firsts = [bikes[int(np.argmax(self.kind == kind))] for kind in range(len(kinds))]
        self.against = [[_against(bike, other) for other in firsts] for bike in firsts]
        self._families: dict[tuple[Any, ...], _Family] = {}
        nobody = np.empty(0, dtype=np.int64)
        self.nobody = _Family(nobody, siblings.Family(self.power_w[nobody]))

    def power_family(self, bike: int) -> _Family:
        """Return who a bike is held against in power."""
        kind = int(self.kind[bike])
        if (kind,) not in self._families:
            counts = [not both + power for both, power, _ in self.against[kind]]
            places = np.flatnonzero(np.array(counts)[self.kind])
            self._families[kind,] = _Family(places, siblings.Family(self.power_w[places]))
        return self._families[kind,]

    def mixture_family(self, bike: int) -> _Family:
        """Return who a bike is held against in mixture: all against this bike's target.

        Cards may name different ones, and a target is no mixture.
        """
        target = self._targets[bike]
        seen = target[np.isfinite(target)]
        if seen.size and seen.min() == seen.max():
            target = np.full(target.shape, seen[0])
        key = (int(self.kind[bike]), target.tobytes())
        if key not in self._families:
            counts = [not both + lean for both, _, lean in self.against[key[0]]]
            places = np.flatnonzero(np.array(counts)[self.kind])
            errors = self.errors(places, target)
            self._families[key] = _Family(places, siblings.Family(errors))
        return self._families[key]

    def errors(self, places: np.ndarray, target: np.ndarray) -> np.ndarray:
        """Return the lean errors of some bikes against a target, in percent."""
        return 100.0 * (self.lambda_wide[places] / target - 1.0)

    def own_error(self, bike: int) -> np.ndarray:
        """Return a bike's lean errors, in percent."""
        return self.errors(np.array([bike]), self._targets[bike])[0]


def _inputs(connection: duckdb.DuckDBPyConnection, _: Given) -> Inputs:
    """Return each bike's baseline, and with it those of its model and the least scatter."""
    least_sd_share = max(trust_of(connection)["other_day_share"], SHARE_STEP)
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
        held = {model_id: _model(connection, members) for model_id, members in of_model.items()}
        return lambda bike_id: {
            "model": held.get(models[bike_id]),
            "least_sd_share": least_sd_share,
        }

    return by_key("bike_id", {"bike": marked}, more)


def _make(_: Given, payloads: list[dict[str, Any]]) -> Records:
    """Hold bikes against their siblings."""
    records: dict[str, list[dict[str, Any]]] = {"out.health": [], "out.health_region": []}
    curves: dict[str, dict[str, np.ndarray]] = {}
    due: dict[_Model, list[int]] = {}
    for payload in payloads:
        (bike,), model = payload["bike"], payload["model"]
        if not bike["stage_id"]:
            records["out.health"].append(_never_run(bike))
            continue
        own = model.places[bike["bike_id"]]
        due.setdefault(model, []).append(own)
        made, points = _health(model, own, payload["least_sd_share"])
        for table, rows in made.items():
            records[table] += rows
        if points is not None:
            curves[bike["bike_id"]] = points
    pairs = [_siblings(model, bikes) for model, bikes in due.items()]
    return {
        **records,
        "out.health_sibling": pl.concat(pairs) if pairs else pl.DataFrame(),
        "out.health_curve": stacked("bike_id", curves),
    }


HEALTH = Step(
    name="hold bikes against siblings",
    doing="holding bikes against siblings",
    version=5,
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
        "baseline.reason, baseline.made_from "
        "FROM core.bike AS bike JOIN core.model AS model USING (model_id) "
        "LEFT JOIN baseline ON bike.bike_id = baseline.bike_id "
        "WHERE bike.bike_id IN (SELECT bike_id FROM out.session) "
        "ORDER BY bike.model_id, bike.bike_id",
    )


def _model(connection: duckdb.DuckDBPyConnection, bikes: list[dict[str, Any]]) -> _Model:
    columns = ("power_w", "lambda_wide", "lambda_target")
    by_stage = session_curves(connection, [bike["stage_id"] for bike in bikes], columns)
    return _Model(bikes, [by_stage[bike["stage_id"]] for bike in bikes])


def _health(
    model: _Model, own: int, least_sd_share: float
) -> tuple[dict[str, list[dict[str, Any]]], dict[str, np.ndarray] | None]:
    bike = model.bikes[own]
    in_power, in_mixture = model.power_family(own), model.mixture_family(own)
    power_reason = None if bike["is_corrected"] else note("own power not corrected")
    if bike["induction"] == "forced":
        power_reason = note("own induction forced")
    if not power_reason and _origin(bike) == FROM_BOTH:
        power_reason = note("own power from both")
    power_reason = power_reason or _too_few(in_power.count(own))
    mixture_reason = _reason(bike) or _too_few(in_mixture.count(own))

    watts = model.nobody if power_reason else in_power
    errors = model.nobody if mixture_reason else in_mixture
    power = siblings.power_health(
        model.grid_rpm,
        model.power_w[own],
        watts.curves,
        place=watts.place_of(own),
        least_sd_share=least_sd_share,
    )
    mixture = siblings.mixture_health(
        model.grid_rpm, model.own_error(own), errors.curves, place=errors.place_of(own)
    )
    if power.is_unusual is None:
        power_reason = power_reason or _never_together()
    if mixture.is_unusual is None:
        mixture_reason = mixture_reason or _never_together()
    if bike["has_air_doubt"] and power.is_unusual is False:
        # That it stands out is told and doubted; that it is sound cannot be told.
        power, power_reason = power._replace(is_unusual=None), note("own air may hide")
    told = _told(power, mixture, power_reason, mixture_reason)
    if bike["has_air_doubt"] and not power_reason:
        told.insert(0, note("own air in doubt"))
    row = {
        **_head(bike),
        "power_health": siblings.power_state(power),
        "mixture_health": siblings.mixture_state(mixture),
        "siblings": in_power.count(own),
        "mixture_siblings": in_mixture.count(own),
        "peak_change_pct": power.peak_change_pct,
        "peak_z": power.peak.z,
        "shape_distance_pct": power.shape_distance_pct,
        "shape_z": power.shape.z,
        "lean_change_pct": mixture.level_change_pct,
        "lean_z": mixture.level.z,
        "power_reason": power_reason,
        "mixture_reason": mixture_reason,
        "told": told[0],
        "further": told[1:],
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
    }
    return made, _points(model, own, watts, errors)


def _reason(bike: dict[str, Any]) -> Note | None:
    """Return why a bike's mixture is not known, None where it is."""
    return json.loads(bike["reason"]) if bike["reason"] else None


def _never_together() -> Note:
    return note("never seen together", needed=siblings.LEAST_SIBLINGS)


def _against(
    bike: dict[str, Any], other: dict[str, Any]
) -> tuple[list[Note], list[Note], list[Note]]:
    """Return why another bike is no sibling at all, none in power, and none in mixture."""
    both = [
        note("sibling other", what=name, theirs=other[name], ours=bike[name])
        for name in ("fuel", "gear", "dyno")
        if other[name] != bike[name] and None not in (other[name], bike[name])
    ]
    power = [] if other["is_corrected"] else [note("sibling not at reference air")]
    if other["has_air_doubt"]:
        power.append(note("sibling's weather in doubt"))
    # The roller's own losses are in the one and not in the other.
    origins = (_origin(other), _origin(bike))
    if origins[0] != origins[1]:
        power.append(note("sibling's power from", theirs=origins[0], ours=origins[1]))
    elif origins[0] == FROM_BOTH:
        power.append(note("sibling's power from", theirs=origins[0], ours=None))
    reason = _reason(other)
    lean = [reason] if reason else []
    places = (other["probe_place"], bike["probe_place"])
    if None not in places and places[0] != places[1]:
        lean.append(note("sibling other", what="probe", theirs=places[0], ours=places[1]))
    return both, power, lean


def _origin(bike: dict[str, Any]) -> str:
    """Return where the power of a bike's baseline comes from."""
    if bike["is_from_roller"] and bike["is_from_file"]:
        return FROM_BOTH
    return FROM_ROLLER if bike["is_from_roller"] else FROM_FILE


def _too_few(count: int) -> Note | None:
    needed = siblings.LEAST_SIBLINGS
    return None if count >= needed else note("too few siblings", siblings=count, needed=needed)


def _told(
    power: siblings.PowerHealth,
    mixture: siblings.MixtureHealth,
    power_reason: Note | None,
    mixture_reason: Note | None,
) -> list[Note]:
    """Return first what stands out, then what does not, then what cannot be compared."""
    if power_reason and power_reason == mixture_reason:
        return [note("not comparable", quantity=None, why=power_reason)]
    told = [] if power_reason and mixture_reason else siblings.health_notes(power, mixture)
    is_unusual = bool(power.is_unusual or mixture.is_unusual)
    if is_unusual:
        told += [
            note("quantity as its siblings'", quantity=quantity)
            for quantity, found in ((POWER, power), (MIXTURE, mixture))
            if found.is_unusual is False
        ]
    if power_reason:
        # Without this, a bike whose power could not be compared would read as sound.
        untold = note("not comparable", quantity=POWER, why=power_reason)
        told.insert(len(told) if is_unusual else 0, untold)
    if mixture_reason:
        told.append(note("not comparable", quantity=MIXTURE, why=mixture_reason))
    return told


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
    never = note("no baseline")
    return {
        **_head(bike),
        "power_health": "not compared",
        "mixture_health": "not compared",
        "siblings": 0,
        "mixture_siblings": 0,
        **dict.fromkeys((*figures, "lean_change_pct", "lean_z")),
        "power_reason": never,
        "mixture_reason": never,
        "told": note("not comparable", quantity=None, why=never),
        "further": [],
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


def _siblings(model: _Model, due: list[int]) -> pl.DataFrame:
    """Return the other bikes of some bikes, counted or not, and why not."""
    kinds = range(len(model.against))
    told = [[_left_out(model.against[one][other]) for other in kinds] for one in kinds]
    bike = np.repeat(due, len(model.bikes))
    other = np.tile(np.arange(len(model.bikes)), len(due))
    bike, other = bike[bike != other], other[bike != other]
    pair = model.kind[bike] * len(kinds) + model.kind[other]
    by_pair = pl.DataFrame(
        [row for of_bike in told for row in of_bike],
        schema=["is_power_sibling", "is_mixture_sibling", "left_out"],
        orient="row",
    )
    ids = pl.Series([one["bike_id"] for one in model.bikes])
    stages = pl.Series([one["stage_id"] for one in model.bikes])
    return pl.DataFrame(
        {
            "bike_id": ids.gather(bike),
            "other_bike_id": ids.gather(other),
            "other_stage_id": stages.gather(other),
        }
    ).hstack(by_pair[pair])


def _left_out(against: tuple[list[Note], list[Note], list[Note]]) -> tuple[bool, bool, str]:
    """Return whether a bike counts in power and in mixture, and why not, as a table keeps it."""
    both, power, lean = against
    left_out = [*both, *(note("left out", quantity=POWER, why=why) for why in power)]
    left_out += [note("left out", quantity=MIXTURE, why=why) for why in lean]
    return not both + power, not both + lean, store.kept(left_out)


def _points(
    model: _Model, own: int, watts: _Family, errors: _Family
) -> dict[str, np.ndarray] | None:
    """Return what is usual at each speed that this bike was seen at; None where nothing is."""
    seen = np.isfinite(model.power_w[own]) | np.isfinite(model.lambda_wide[own])
    usual_w, low_w, high_w = _usual(watts, own)
    usual_pct, low_pct, high_pct = _usual(errors, own)
    seen &= np.isfinite(usual_w) | np.isfinite(usual_pct)
    if not seen.any():
        return None
    columns = {
        "engine_speed_rpm": model.grid_rpm,
        "siblings": watts.curves.count(watts.place_of(own)),
        "usual_power_w": usual_w,
        "usual_power_lower_w": low_w,
        "usual_power_upper_w": high_w,
        "usual_lean_error_pct": usual_pct,
        "usual_lean_error_lower_pct": low_pct,
        "usual_lean_error_upper_pct": high_pct,
    }
    return {name: values[seen] for name, values in columns.items()}


def _usual(family: _Family, own: int) -> list[np.ndarray]:
    """Return median and quartiles of the siblings at each speed, NaN where too few."""
    place = family.place_of(own)
    enough = family.curves.count(place) >= siblings.LEAST_SIBLINGS
    found = [family.curves.quantile(place, share) for share in (0.5, *MIDDLE_HALF)]
    return [np.where(enough, values, np.nan) for values in found]
