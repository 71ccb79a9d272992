"""Expected mixtures: what a bike that was not run yet will show, from builds like it.

A build is a model with categories of parts on a map. Thin builds borrow from the same parts on
other models, at the same share of the speed at peak power.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import duckdb
import numpy as np
import polars as pl

from flows.metrics import expected_mixture
from flows.metrics.expected_mixture import Expected
from flows.metrics.notes import Note, note
from flows.steps.builds import ethanol_share
from flows.steps.engine import Given, Inputs, Records, Step, each, marks
from flows.steps.refresh import fingerprint, or_none, parts_of
from schemas.settings import ShopSettings
from warehouse import store

MOST_ETHANOL_SHARE = 0.12
"""Fuels with more are another mixture on the same map, and left out."""

RELATIVE_SPEEDS = np.round(np.arange(0.30, 1.31, 0.04), 2)
"""Places on the axis of speed over that at peak power. [1]"""

CELL_STEP = 0.125
"""Width of the part-throttle cells on the same axis. [1]"""

MOST_START_PCT = 20.0
"""Most fuel to start with: beyond it a bike may be too rich to fire at all. Common practice, no
source."""

SPEED_STEP_RPM = 250.0
Key = tuple[str, str, str]
"""Model, parts and map."""


class _Group(NamedTuple):
    """The bikes of one build: curves on the relative axis, and cells by throttle and place."""

    key: Key
    stages: list[dict[str, Any]]
    curves: np.ndarray
    cells: list[dict[tuple[float, float, int], float]]


def _inputs(connection: duckdb.DuckDBPyConnection, given: Given) -> Inputs:
    """Return what each build's expectation rests on: all bikes of its kind of build."""
    fuels = store.rows(connection, "SELECT DISTINCT fuel FROM out.stage ORDER BY 1")["fuel"]
    stages = store.rows(
        connection,
        "SELECT stage.stage_id, stage.bike_id, stage.job_id, stage.model_id, stage.model_label, "
        "stage.parts_key, stage.map_label, stage.map_name, stage.fuel, mixture.made_from, "
        "cruise.made_from AS cruise_from "
        "FROM out.stage_mixture AS mixture JOIN out.stage AS stage USING (stage_id) "
        "LEFT JOIN out.stage_cruise AS cruise USING (stage_id) "
        "WHERE NOT stage.is_control AND mixture.worst_lean_error_pct IS NOT NULL "
        "AND NOT list_contains(?, stage.fuel) "
        "QUALIFY row_number() OVER (PARTITION BY stage.bike_id, stage.model_id, stage.parts_key, "
        "stage.map_label ORDER BY stage.received_on, stage.job_id, stage.stage_no) = 1 "
        "ORDER BY stage.model_id, stage.parts_key, stage.map_label, stage.bike_id",
        [fuel for fuel in fuels if ethanol_share(fuel, given.settings) > MOST_ETHANOL_SHARE],
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
    kinds: dict[tuple[str, bool], list[dict[str, Any]]] = {}
    for stage in stages.iter_rows(named=True):
        if stage["model_id"] in peaks:
            kinds.setdefault((stage["parts_key"], stage["map_name"] == "stock"), []).append(stage)
    marked: dict[str, str] = {}
    kind_of: dict[str, tuple[str, bool]] = {}
    keys: dict[tuple[str, bool], list[Key]] = {}
    for kind, members in kinds.items():
        mark = fingerprint(
            [of_stage[member["stage_id"]] for member in members],
            sorted({(m["model_id"], peaks[m["model_id"]][1]) for m in members}),
        )
        keys[kind] = list(
            dict.fromkeys((m["model_id"], m["parts_key"], m["map_label"]) for m in members)
        )
        if kind[1] and len(keys[kind]) >= expected_mixture.LEAST_MODELS:
            seen = {model_id for model_id, _, _ in keys[kind]}
            keys[kind] += [(other, kind[0], "stock") for other in peaks if other not in seen]
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
    version=4,
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
    set_by=lambda settings: [settings.mixture.notice_pct, settings.mixture.warn_pct],
)  # fmt: skip


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
        key = (member["model_id"], member["parts_key"], member["map_label"])
        by_key.setdefault(key, []).append(member)
    return [
        _Group(
            key,
            stages,
            np.array([_relative(curves.get(s["stage_id"]), peaks[key[0]][1]) for s in stages]),
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
    found: dict[Key, list[Expected | None]] = {key: [] for key in keys}
    for at in range(RELATIVE_SPEEDS.size):
        seen = [(group.key, group.curves[np.isfinite(group.curves[:, at]), at]) for group in groups]
        answers = _answers([(key, errors) for key, errors in seen if errors.size], keys)
        for key in keys:
            found[key].append(answers.get(key))
    places = sorted({place for group in groups for bike in group.cells for place in bike})
    in_cells: dict[Key, list[tuple[tuple[float, float, int], Expected]]] = {key: [] for key in keys}
    for place in places:
        seen = [
            (group.key, np.array([bike[place] for bike in group.cells if place in bike]))
            for group in groups
        ]
        seen = [(key, errors) for key, errors in seen if errors.size]
        for key, answer in _answers(seen, [key for key, _ in seen]).items():
            in_cells[key].append((place, answer))

    members = {group.key: group for group in groups}
    made: dict[str, list[dict[str, Any]]] = {table: [] for table in EXPECTED.tables}
    for key in keys:
        expected_id = fingerprint(*key)
        label, peak_rpm = peaks[key[0]]
        lines = _by_speed(found[key], peak_rpm)
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
        made["out.expected_mixture"].append(
            {
                "expected_id": expected_id,
                "model_id": key[0],
                "model_label": label,
                "parts_key": key[1],
                "map_label": key[2],
                "bikes": bikes,
                "other_bikes": sum(len(other.stages) for other in groups) - bikes,
                "borrowed_share": share,
                **_worst(ranges),
                "told": _told(ranges, lines, settings.mixture.warn_pct),
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


def _answers(seen: list[tuple[Key, np.ndarray]], keys: list[Key]) -> dict[Key, Expected]:
    """Return what to expect of each key, seen or not, at one place."""
    if not seen:
        return {}
    errors = [errors for _, errors in seen]
    answers = dict(
        zip([key for key, _ in seen], expected_mixture.expected_of_groups(errors), strict=True)
    )
    unseen = expected_mixture.expected_of_unseen(errors)
    if math.isfinite(unseen.expected_pct):
        answers |= {key: unseen for key in keys if key not in answers}
    return answers


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


def _told(
    ranges: list[expected_mixture.LeanRange], lines: dict[str, np.ndarray], warn_pct: float
) -> Note:
    """Return what a row does not hold of what is to be expected."""
    if not lines["engine_speed_rpm"].size:
        return note("nothing to expect")
    upper = lines["upper_pct"][np.isfinite(lines["upper_pct"])]
    return note(
        "to expect",
        lean_ranges=len(ranges),
        most_pct=np.nanmax(lines["expected_error_pct"]),
        most_upper_pct=upper.max(initial=-math.inf),
        most_start_pct=MOST_START_PCT,
        warn_pct=warn_pct,
    )
