"""Expected mixtures: what a bike that was not run yet will show, from builds like it.

A build is a model with categories of parts on a map and a fuel. Thin builds borrow from the same
parts on other models, on like fuel, at the same share of the speed at peak power.
"""

from __future__ import annotations

import math
from collections import Counter
from typing import Any, NamedTuple

import duckdb
import numpy as np
import polars as pl

from flows.metrics import expected_mixture
from flows.metrics.expected_mixture import Expected
from flows.metrics.notes import Note, note
from flows.steps.builds import fuel_kind
from flows.steps.engine import Given, Inputs, Records, Step, each, marks
from flows.steps.refresh import fingerprint, or_none, parts_of
from schemas.settings import ShopSettings
from warehouse import store

LEAST_MODELS = 3
"""Models that must have been seen with a build before anything is said of another model."""

RELATIVE_SPEEDS = np.round(np.arange(0.30, 1.31, 0.04), 2)
"""Places on the axis of speed over that at peak power. [1]"""

CELL_STEP = 0.125
"""Width of the part-throttle cells on the same axis. [1]"""

SPEED_STEP_RPM = 250.0
Key = tuple[str, str, str, str]
"""Model, parts, map and fuel."""
Kind = tuple[str, bool, str]
"""Parts, whether the map is the untouched one, and which fuels are alike: what may lend."""


class _Group(NamedTuple):
    """The bikes of one build: curves on the relative axis, and cells by throttle and place.

    `worst` has the greatest lean error of each bike over its whole curve.
    """

    key: Key
    stages: list[dict[str, Any]]
    curves: np.ndarray
    worst: np.ndarray
    cells: list[dict[tuple[float, float, int], float]]


def _inputs(connection: duckdb.DuckDBPyConnection, given: Given) -> Inputs:
    """Return what each build's expectation rests on: all bikes of its kind of build."""
    stages = store.rows(
        connection,
        "SELECT stage.stage_id, stage.bike_id, stage.job_id, stage.model_id, stage.model_label, "
        "stage.parts_key, stage.map_label, stage.map_name, stage.fuel, mixture.made_from, "
        "cruise.made_from AS cruise_from "
        "FROM out.stage_mixture AS mixture JOIN out.stage AS stage USING (stage_id) "
        "LEFT JOIN out.stage_cruise AS cruise USING (stage_id) "
        "WHERE NOT stage.is_control AND mixture.worst_lean_error_pct IS NOT NULL "
        "QUALIFY row_number() OVER (PARTITION BY stage.bike_id, stage.model_id, stage.parts_key, "
        "stage.map_label, stage.fuel "
        "ORDER BY stage.received_on, stage.job_id, stage.stage_no) = 1 "
        "ORDER BY stage.model_id, stage.parts_key, stage.map_label, stage.fuel, stage.bike_id",
    )
    of_stage = marks(stages, "stage_id")
    peaks = {
        # Rounded, so that a new session rarely moves what hangs on its model's peak.
        model_id: (label, 100.0 * round(peak / 100.0))
        for model_id, label, peak in connection.execute(
            "SELECT stage.model_id, any_value(stage.model_label), "
            "median(session.peak_power_speed_rpm) "
            "FROM out.session AS session JOIN out.stage AS stage USING (stage_id) "
            "WHERE session.peak_power_speed_rpm IS NOT NULL AND stage.map_name = 'stock' "
            "GROUP BY stage.model_id ORDER BY stage.model_id"
        ).fetchall()
    }
    kinds: dict[Kind, list[dict[str, Any]]] = {}
    for stage in stages.iter_rows(named=True):
        if stage["model_id"] in peaks:
            fuel = fuel_kind(stage["fuel"], given.settings)
            kind = (stage["parts_key"], stage["map_name"] == "stock", fuel)
            kinds.setdefault(kind, []).append(stage)
    marked: dict[str, str] = {}
    kind_of: dict[str, Kind] = {}
    keys: dict[Kind, list[Key]] = {}
    for kind, members in kinds.items():
        mark = fingerprint(
            [of_stage[member["stage_id"]] for member in members],
            sorted({(m["model_id"], peaks[m["model_id"]][1]) for m in members}),
        )
        keys[kind] = list(dict.fromkeys(map(_key, members)))
        seen = {key[0] for key in keys[kind]}
        if kind[1] and len(seen) >= LEAST_MODELS:
            # What most of them ran on: the fuel of a bike that was never run is nobody's word.
            fuel = Counter(key[3] for key in keys[kind]).most_common(1)[0][0]
            keys[kind] += [(other, kind[0], "stock", fuel) for other in peaks if other not in seen]
        for key in keys[kind]:
            marked[fingerprint(*key)] = f"{mark} {peaks[key[0]]}"
            kind_of[fingerprint(*key)] = kind

    def load(due: list[str]) -> list[Any]:
        return [
            (keys[kind], _groups(connection, kinds[kind], peaks), peaks, set(due))
            for kind in dict.fromkeys(kind_of[expected_id] for expected_id in due)
        ]

    return Inputs(marked, load)


def _make(given: Given, payload: Any) -> Records:
    """Return what to expect of the builds of one kind."""
    keys, groups, peaks, due = payload
    made = _of_kind(keys, groups, peaks, given.settings)
    return {t: [row for row in rows if row["expected_id"] in due] for t, rows in made.items()}


EXPECTED = Step(
    name="work out what to expect",
    doing="working out what to expect",
    version=5,
    key="expected_id",
    tables=(
        "out.expected_mixture", "out.expected_mixture_speed", "out.expected_mixture_cell",
        "out.expected_mixture_bike",
    ),
    reads=(
        "out.stage", "out.stage_mixture", "out.stage_cruise", "out.session", "out.session_curve",
        "out.cruise_cell",
    ),
    inputs=_inputs,
    make=each(_make),
    set_by=lambda settings: [settings.mixture.notice_pct, settings.suggestion, settings.fuel],
)  # fmt: skip


def _key(stage: dict[str, Any]) -> Key:
    return stage["model_id"], stage["parts_key"], stage["map_label"], stage["fuel"]


def _groups(
    connection: duckdb.DuckDBPyConnection,
    members: list[dict[str, Any]],
    peaks: dict[str, tuple[str, float]],
) -> list[_Group]:
    stage_ids = [member["stage_id"] for member in members]
    curves = parts_of(
        connection,
        "stage_id",
        "SELECT stage_id, engine_speed_rpm, lean_error_pct FROM out.session_curve "
        "WHERE lean_error_pct IS NOT NULL AND stage_id IN (SELECT unnest(?)) "
        "ORDER BY stage_id, engine_speed_rpm",
        stage_ids,
    )
    cells = parts_of(
        connection,
        "stage_id",
        "SELECT stage_id, throttle_from_pct, throttle_to_pct, speed_mean_rpm, lean_error_pct, "
        "dwell_s FROM out.cruise_cell "
        "WHERE NOT is_closed_loop AND dwell_s >= 2 AND stage_id IN (SELECT unnest(?)) "
        "ORDER BY stage_id, throttle_from_pct, speed_from_rpm",
        stage_ids,
    )
    by_key: dict[Key, list[dict[str, Any]]] = {}
    for member in members:
        by_key.setdefault(_key(member), []).append(member)
    return [
        _Group(
            key,
            stages,
            np.array([_relative(curves.get(s["stage_id"]), peaks[key[0]][1]) for s in stages]),
            np.array([_greatest(curves.get(s["stage_id"])) for s in stages]),
            [_places(cells.get(s["stage_id"]), peaks[key[0]][1]) for s in stages],
        )
        for key, stages in by_key.items()
    ]


def _relative(curve: pl.DataFrame | None, peak_rpm: float) -> np.ndarray:
    """Return a curve on the relative axis; NaN beyond its ends."""
    if curve is None:
        return np.full(RELATIVE_SPEEDS.shape, np.nan)
    speed, error = curve["engine_speed_rpm"].to_numpy(), curve["lean_error_pct"].to_numpy()
    return np.interp(RELATIVE_SPEEDS * peak_rpm, speed, error, left=np.nan, right=np.nan)


def _greatest(curve: pl.DataFrame | None) -> float:
    return math.nan if curve is None else float(curve["lean_error_pct"].to_numpy().max())


def _places(cells: pl.DataFrame | None, peak_rpm: float) -> dict[tuple[float, float, int], float]:
    """Return a bike's lean error by throttle cell and place of speed, weighted by time."""
    if cells is None:
        return {}
    sums: dict[tuple[float, float, int], list[float]] = {}
    for low, high, speed, error, dwell in cells.iter_rows():
        place = (low, high, int(speed / peak_rpm / CELL_STEP))
        total = sums.setdefault(place, [0.0, 0.0])
        total[0] += dwell * error
        total[1] += dwell
    return {place: error / dwell for place, (error, dwell) in sums.items()}


def _of_kind(
    keys: list[Key],
    groups: list[_Group],
    peaks: dict[str, tuple[str, float]],
    settings: ShopSettings,
) -> dict[str, list[dict[str, Any]]]:
    limit_pct = min(settings.suggestion.most_enrichment_pct, settings.suggestion.most_total_pct)
    worst = _answers([(group.key, group.worst) for group in groups], keys, limit_pct)
    found: dict[Key, list[Expected | None]] = {key: [] for key in keys}
    for at in range(RELATIVE_SPEEDS.size):
        answers = _answers([(group.key, group.curves[:, at]) for group in groups], keys)
        for key in keys:
            found[key].append(answers.get(key))
    places = sorted({place for group in groups for bike in group.cells for place in bike})
    in_cells: dict[Key, list[tuple[tuple[float, float, int], Expected]]] = {key: [] for key in keys}
    for place in places:
        seen = [
            (group.key, np.array([bike.get(place, math.nan) for bike in group.cells]))
            for group in groups
        ]
        for key, answer in _answers(seen, []).items():
            in_cells[key].append((place, answer))

    members = {group.key: group for group in groups}
    made: dict[str, list[dict[str, Any]]] = {table: [] for table in EXPECTED.tables}
    for key in keys:
        expected_id = fingerprint(*key)
        label, peak_rpm = peaks[key[0]]
        lines, enough_pct = _held_together(_by_speed(found[key], peak_rpm), worst.get(key))
        group = members.get(key)
        bikes = len(group.stages) if group else 0
        borrowed = [one.borrowed_share for one in found[key] if one is not None]
        share = float(np.nanmean(borrowed)) if np.isfinite(borrowed).any() else 0.0
        ranges = expected_mixture.lean_ranges(
            lines["engine_speed_rpm"],
            lines["expected_error_pct"],
            lines["lower_pct"],
            lines["upper_pct"],
            notice_pct=settings.mixture.notice_pct,
            # A single speed beyond notice level counts: no sentence says that there is none.
            least_width_rpm=0.0,
        )
        whole = worst.get(key)
        made["out.expected_mixture"].append(
            {
                "expected_id": expected_id,
                "model_id": key[0],
                "model_label": label,
                "parts_key": key[1],
                "map_label": key[2],
                "fuel": key[3],
                "bikes": bikes,
                "other_bikes": sum(len(other.stages) for other in groups) - bikes,
                "borrowed_share": share,
                **_worst(ranges),
                "enough_pct": or_none(enough_pct),
                "limit_pct": limit_pct,
                "within_limit_share": or_none(whole.within_share) if whole else None,
                "told": _told(ranges, lines),
            }
        )
        made["out.expected_mixture_speed"] += [
            {
                "expected_id": expected_id,
                **{name: or_none(float(lines[name][at])) for name in lines},
                "bikes": int(lines["bikes"][at]),
            }
            for at in range(lines["bikes"].size)
        ]
        made["out.expected_mixture_cell"] += [
            {
                "expected_id": expected_id,
                "throttle_from_pct": low,
                "throttle_to_pct": high,
                "speed_from_rpm": place * CELL_STEP * peak_rpm,
                "speed_to_rpm": (place + 1) * CELL_STEP * peak_rpm,
                "expected_error_pct": one.expected_pct,
                "lower_pct": or_none(one.lower_pct),
                "upper_pct": or_none(one.upper_pct),
                "bikes": one.bikes,
            }
            for (low, high, place), one in in_cells[key]
        ]
        made["out.expected_mixture_bike"] += [
            {
                "expected_id": expected_id,
                "stage_id": stage["stage_id"],
                "bike_id": stage["bike_id"],
                "job_id": stage["job_id"],
            }
            for stage in (group.stages if group else [])
        ]
    return made


def _answers(
    all_seen: list[tuple[Key, np.ndarray]], keys: list[Key], limit_pct: float = 0.0
) -> dict[Key, Expected]:
    """Return what to expect of each group at one place, and of those of `keys` not seen."""
    seen = [(key, errors[np.isfinite(errors)]) for key, errors in all_seen]
    seen = [(key, errors) for key, errors in seen if errors.size]
    if not seen:
        return {}
    found = expected_mixture.expected_of_groups([e for _, e in seen], limit_pct=limit_pct)
    answers = dict(zip([key for key, _ in seen], found, strict=False))
    by_model: dict[str, list[np.ndarray]] = {}
    for key, errors in seen:
        by_model.setdefault(key[0], []).append(errors)
    # Other maps and fuels of a model that was run say more of it than other models do.
    unseen = [key for key in keys if key[0] not in by_model]
    if unseen and len(by_model) >= LEAST_MODELS:
        models = [np.concatenate(errors) for errors in by_model.values()]
        other = expected_mixture.expected_of_groups(models, limit_pct=limit_pct)[-1]
        answers |= dict.fromkeys(unseen, other)
    return answers


def _held_together(
    lines: dict[str, np.ndarray], worst: Expected | None
) -> tuple[dict[str, np.ndarray], float]:
    """Return the expectation by speed and the fuel that is enough at all of them, in agreement.

    What a whole curve stays below holds at each of its speeds: no speed needs more.
    """
    expected = lines["expected_error_pct"]
    if worst is None or not expected.size or not math.isfinite(worst.upper_pct):
        return lines, math.nan
    enough_pct = max(worst.upper_pct, float(expected.max()))
    # A speed that too few bikes reached has the whole curve's end too.
    return lines | {"upper_pct": np.fmin(lines["upper_pct"], enough_pct)}, enough_pct


def _by_speed(found: list[Expected | None], peak_rpm: float) -> dict[str, np.ndarray]:
    """Return what to expect on a grid of engine speeds, by straight lines between places."""
    known = [at for at, one in enumerate(found) if one is not None]
    fields = {
        "expected_error_pct": "expected_pct",
        "lower_pct": "lower_pct",
        "upper_pct": "upper_pct",
        "bikes": "bikes",
    }
    if len(known) < 2:
        return {name: np.zeros(0) for name in ("engine_speed_rpm", *fields)}
    at_rpm = RELATIVE_SPEEDS[known] * peak_rpm
    grid = np.arange(
        math.ceil(at_rpm[0] / SPEED_STEP_RPM) * SPEED_STEP_RPM, at_rpm[-1] + 1.0, SPEED_STEP_RPM
    )
    columns = {"engine_speed_rpm": grid}
    for name, field in fields.items():
        values = np.array([float(getattr(found[at], field)) for at in known])
        columns[name] = np.interp(grid, at_rpm, values)
    columns["bikes"] = np.round(columns["bikes"])
    return columns


def _worst(ranges: list[expected_mixture.LeanRange]) -> dict[str, float | None]:
    worst = max(ranges, key=lambda one: one.expected_pct, default=None)
    return {
        "worst_from_rpm": worst.from_rpm if worst else None,
        "worst_to_rpm": worst.to_rpm if worst else None,
        "worst_speed_rpm": worst.worst_speed_rpm if worst else None,
        "worst_error_pct": worst.expected_pct if worst else None,
        "worst_lower_pct": or_none(worst.lower_pct) if worst else None,
        "worst_upper_pct": or_none(worst.upper_pct) if worst else None,
    }


def _told(ranges: list[expected_mixture.LeanRange], lines: dict[str, np.ndarray]) -> Note:
    """Return what a row does not hold of what is to be expected."""
    if not lines["engine_speed_rpm"].size:
        return note("nothing to expect")
    most_pct = np.nanmax(lines["expected_error_pct"])
    return note("to expect", lean_ranges=len(ranges), most_pct=most_pct)
