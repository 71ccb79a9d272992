"""Map revisions: how each map stands over all bikes that carry it, and which still miss."""

from __future__ import annotations

from typing import Any, NamedTuple

import duckdb
import numpy as np

from flows.metrics import map_revision
from flows.metrics.mixture import LEAN_LEVELS
from flows.metrics.session import PooledSd, pooled_sd
from flows.steps.engine import Given, Inputs, Records, Step, each, marks
from flows.steps.refresh import fingerprint, or_none
from flows.steps.trust import whole_dof
from warehouse import store

SPEED_STEP_RPM = 250.0

Key = tuple[str, str, int | None, str, str]
"""Model, map, revision, parts where the map is the untouched one (it was made for none), fuel."""


class _Carried(NamedTuple):
    """A map revision with the bikes that carry it, and those of the one it was made from."""

    key: Key
    members: list[dict[str, Any]]
    before: list[dict[str, Any]]
    newest: int | None
    scatter: PooledSd
    sizes: dict[str, float]
    curves: dict[str, dict[float, float]]
    part: dict[str, tuple[float, float]]


def _inputs(connection: duckdb.DuckDBPyConnection, _: Given) -> Inputs:
    """Return the bikes that carry each map, those of the map it was made from, and the scatter."""
    members = store.rows(
        connection,
        "SELECT stage.stage_id, stage.bike_id, stage.job_id, stage.model_id, stage.model_label, "
        "stage.map_name, stage.map_revision, stage.map_label, stage.parts_key, stage.fuel, "
        "core_stage.map_from, mixture.level, mixture.torque_weighted_error_pct, "
        "mixture.made_from, cruise.made_from AS cruise_from "
        "FROM out.stage_mixture AS mixture JOIN out.stage AS stage USING (stage_id) "
        "JOIN core.stage AS core_stage USING (stage_id) "
        "LEFT JOIN out.stage_cruise AS cruise USING (stage_id) "
        "WHERE NOT stage.is_control AND mixture.worst_lean_error_pct IS NOT NULL "
        "QUALIFY row_number() OVER (PARTITION BY stage.bike_id, stage.model_id, stage.map_name, "
        "stage.map_revision, if(stage.map_name = 'stock', stage.parts_key, ''), stage.fuel "
        "ORDER BY stage.received_on DESC, stage.job_id DESC, stage.stage_no DESC) = 1 "
        "ORDER BY stage.model_id, stage.map_name, stage.map_revision, stage.parts_key, "
        "stage.fuel, stage.bike_id",
    )
    of_stage = marks(members, "stage_id")
    groups: dict[Key, list[dict[str, Any]]] = {}
    for member in members.iter_rows(named=True):
        of_parts = member["parts_key"] if member["map_name"] == "stock" else ""
        key = (
            member["model_id"], member["map_name"], member["map_revision"], of_parts,
            member["fuel"],
        )  # fmt: skip
        groups.setdefault(key, []).append(member)
    sizes = _sizes(connection, members["stage_id"].to_list())
    scatter = pooled_sd(
        [[size for _, size in _of_bikes(of_map, sizes)] for of_map in groups.values()]
    )
    if scatter.dof:
        # Rounded, so that a new bike rarely moves every interval.
        scatter = PooledSd(round(scatter.sd, 1), int(whole_dof(scatter.dof)))
    newest = {
        (model_id, name): revision
        for model_id, name, revision in connection.execute(
            "SELECT model_id, map_name, max(map_revision) FROM out.stage GROUP BY ALL"
        ).fetchall()
    }
    earlier = {key: _origin(key, of_map, groups) for key, of_map in groups.items()}
    told = {
        key: fingerprint([of_stage[member["stage_id"]] for member in of_map])
        for key, of_map in groups.items()
    }
    marked = {
        fingerprint(*key): " ".join(
            map(str, (told[key], before and told[before], *scatter, newest[key[:2]]))
        )
        for key, before in earlier.items()
    }

    def load(due: list[str]) -> list[_Carried]:
        making = set(due)
        todo = [key for key in groups if fingerprint(*key) in making]
        needed = set(todo) | {before for key in todo if (before := earlier[key])}
        stage_ids = [m["stage_id"] for key in groups if key in needed for m in groups[key]]
        curves, part = _curves(connection, stage_ids), _part_throttle(connection, stage_ids)
        return [
            _Carried(
                key, groups[key], _of(groups, earlier[key]), newest[key[:2]], scatter, sizes,
                curves, part,
            )
            for key in todo
        ]  # fmt: skip

    return Inputs(marked, load)


def _of(groups: dict[Key, list[dict[str, Any]]], key: Key | None) -> list[dict[str, Any]]:
    return groups[key] if key is not None else []


def _origin(
    key: Key, members: list[dict[str, Any]], groups: dict[Key, list[dict[str, Any]]]
) -> Key | None:
    """Return the revision that a map was made from, if bikes carried it too."""
    revision = _revision_before(members)
    before = (key[0], key[1], revision, *key[3:])
    return before if revision is not None and before in groups else None


def _revision_before(members: list[dict[str, Any]]) -> int | None:
    """Return the revision that a map was made from, as the cards say."""
    named = [member["map_from"] for member in members if member["map_from"] is not None]
    return max(named, default=None)


def _sizes(connection: duckdb.DuckDBPyConnection, stage_ids: list[str]) -> dict[str, float]:
    """Return the mean size of each stage's full-throttle error, on the speeds of `_curves`."""
    return dict(
        connection.execute(
            "SELECT stage_id, avg(abs(lean_error_pct) ORDER BY engine_speed_rpm) "
            "FROM out.session_curve WHERE lean_error_pct IS NOT NULL AND engine_speed_rpm % ? = 0 "
            "AND stage_id IN (SELECT unnest(?)) GROUP BY stage_id",
            [SPEED_STEP_RPM, stage_ids],
        ).fetchall()
    )


def _curves(
    connection: duckdb.DuckDBPyConnection, stage_ids: list[str]
) -> dict[str, dict[float, float]]:
    found: dict[str, dict[float, float]] = {}
    for stage_id, speed, error in connection.execute(
        "SELECT stage_id, engine_speed_rpm, lean_error_pct FROM out.session_curve "
        "WHERE lean_error_pct IS NOT NULL AND engine_speed_rpm % ? = 0 "
        "AND stage_id IN (SELECT unnest(?)) ORDER BY stage_id, engine_speed_rpm",
        [SPEED_STEP_RPM, stage_ids],
    ).fetchall():
        found.setdefault(stage_id, {})[speed] = error
    return found


def _part_throttle(
    connection: duckdb.DuckDBPyConnection, stage_ids: list[str]
) -> dict[str, tuple[float, float]]:
    """Return each stage's part-throttle error, with its sign and in size, weighted by time."""
    return {
        stage_id: (signed, size)
        for stage_id, signed, size in connection.execute(
            "SELECT stage_id, "
            "sum(lean_error_pct * dwell_s ORDER BY throttle_from_pct, speed_from_rpm) "
            "/ sum(dwell_s ORDER BY throttle_from_pct, speed_from_rpm), "
            "sum(abs(lean_error_pct) * dwell_s ORDER BY throttle_from_pct, speed_from_rpm) "
            "/ sum(dwell_s ORDER BY throttle_from_pct, speed_from_rpm) "
            "FROM out.cruise_cell WHERE NOT is_closed_loop AND dwell_s >= 2 "
            "AND stage_id IN (SELECT unnest(?)) GROUP BY stage_id ORDER BY stage_id",
            [stage_ids],
        ).fetchall()
    }


def _revision(given: Given, carried: _Carried) -> Records:
    """Judge a map revision."""
    key, members, before, newest, scatter, sizes, curves, part = carried
    map_id = fingerprint(*key)
    speed, errors = _on_one_grid([curves.get(member["stage_id"], {}) for member in members])
    by_speed = map_revision.mean_by_speed(errors)
    missed = map_revision.missed_ranges(speed, errors, notice_pct=given.settings.mixture.notice_pct)
    against = map_revision.change_between(
        _of_bikes(before, sizes), _of_bikes(members, sizes), scatter=scatter
    )
    rides = [part[m["stage_id"]] for m in members if m["stage_id"] in part]
    weighted = [
        m["torque_weighted_error_pct"]
        for m in members
        if m["torque_weighted_error_pct"] is not None
    ]
    own_sizes = [size for _, size in _of_bikes(members, sizes)]
    lean_bikes = sum(member["level"] in LEAN_LEVELS for member in members)
    row: dict[str, Any] = {
        "map_id": map_id,
        "model_id": key[0],
        "model_label": members[0]["model_label"],
        "map_name": key[1],
        "map_revision": key[2],
        "map_label": members[0]["map_label"],
        "fuel": key[4],
        "map_from": _revision_before(members),
        "parts_seen": "; ".join(sorted({member["parts_key"] for member in members})),
        "bikes": len(members),
        "lean_bikes": lean_bikes,
        "mean_size_pct": float(np.mean(own_sizes)) if own_sizes else None,
        "torque_weighted_error_pct": float(np.mean(weighted)) if weighted else None,
        "cruise_bikes": len(rides),
        "cruise_error_pct": float(np.mean([signed for signed, _ in rides])) if rides else None,
        "cruise_size_pct": float(np.mean([size for _, size in rides])) if rides else None,
        # Bikes off to either side are no map on target, whatever their mean.
        "is_missing": bool(missed) or 2 * lean_bikes >= len(members),
        "is_newest": key[2] == newest,
        "size_change_pct": or_none(against.change_pct),
        "size_change_lower_pct": or_none(against.lower_pct),
        "size_change_upper_pct": or_none(against.upper_pct),
        "is_paired": against.is_paired,
    }
    return {
        "out.map_revision": [row],
        "out.map_revision_speed": [
            {
                "map_id": map_id,
                "engine_speed_rpm": float(speed[at]),
                "mean_error_pct": float(by_speed.mean_pct[at]),
                "between_bikes_sd_pct": or_none(float(by_speed.sd_pct[at])),
                "lower_pct": or_none(float(by_speed.lower_pct[at])),
                "upper_pct": or_none(float(by_speed.upper_pct[at])),
                "bikes": int(by_speed.bikes[at]),
            }
            for at in range(speed.size)
        ],
        "out.map_revision_region": [
            {
                "map_id": map_id,
                "side": one.side,
                "from_rpm": one.from_rpm,
                "to_rpm": one.to_rpm,
                "least_error_pct": one.least_pct,
                "most_error_pct": one.most_pct,
                "worst_speed_rpm": one.worst_speed_rpm,
                "bikes": one.bikes,
                "bikes_missing": one.bikes_missing,
            }
            for one in missed
        ],
        "out.map_revision_bike": [
            {
                "map_id": map_id,
                "stage_id": member["stage_id"],
                "bike_id": member["bike_id"],
                "job_id": member["job_id"],
                "parts_key": member["parts_key"],
                "level": member["level"],
            }
            for member in members
        ],
    }


MAP_REVISIONS = Step(
    name="judge maps",
    doing="judging maps",
    version=4,
    key="map_id",
    tables=(
        "out.map_revision", "out.map_revision_speed", "out.map_revision_region",
        "out.map_revision_bike",
    ),
    reads=(
        "out.stage", "out.stage_mixture", "out.stage_cruise", "out.session_curve",
        "out.cruise_cell", "core.stage",
    ),
    inputs=_inputs,
    make=each(_revision),
    set_by=lambda settings: settings.mixture.notice_pct,
)  # fmt: skip


def _on_one_grid(curves: list[dict[float, float]]) -> tuple[np.ndarray, np.ndarray]:
    speed = np.array(sorted({at for curve in curves for at in curve}))
    errors = np.array([[curve.get(at, np.nan) for at in speed] for curve in curves])
    return speed, errors.reshape(len(curves), speed.size)


def _of_bikes(members: list[dict[str, Any]], sizes: dict[str, float]) -> list[tuple[str, float]]:
    """Return each bike's mean size of the full-throttle error."""
    return [
        (member["bike_id"], sizes[member["stage_id"]])
        for member in members
        if member["stage_id"] in sizes
    ]
