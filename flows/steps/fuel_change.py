"""Suggested fuel changes: what each stage's map needs, and what the last change removed.

A suggestion with its evidence; nothing here writes to a control unit, and a qualified tuner checks
it before use.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from typing import Any, NamedTuple

import duckdb
import numpy as np
import polars as pl

from flows.metrics import fuel_change
from flows.metrics.fuel_change import Evidence, FuelChange
from flows.metrics.notes import Note, note
from flows.steps.engine import Given, Inputs, Records, Step, each, marks, with_settings
from flows.steps.refresh import or_none, parts_of, short_hash
from schemas.settings import ShopSettings
from warehouse import store

UNKNOWN_SCATTER_PCT = 1.0
"""Standard error of a lean error that one pull alone saw; common practice, no source."""

TRIM_GAUGE_PCT = 1.0
"""Standard uncertainty of the level that an ECU holds by its narrowband sensor; common practice,
no source."""

LEAST_DWELL_S = 2.0
SPACING_RPM = 300.0
LEAST_ERROR_PCT = 1.0
"""A mean error below it is within a gauge's own accuracy: a share of it means nothing."""

MOST_OFF_PCT = 3.0
"""Fuel between what was entered and what the mixture shows from which a round is not counted: three
times what two readings of good gauges differ by, common practice, no source."""

CELL_COLUMNS = (
    "is_closed_loop",
    "throttle_mean_pct",
    "speed_mean_rpm",
    "lambda_median",
    "lambda_se",
    "target_low",
    "target_high",
    "lean_error_pct",
    "dwell_s",
    "throttle_from_pct",
    "speed_from_rpm",
    "outside_air_most_pct",
    "long_trim_pct",
)
TRIM_COLUMNS = ("throttle_mean_pct", "speed_mean_rpm", "trim_pct", "trim_se_pct", "dwell_s")
CURVE_COLUMNS = ("engine_speed_rpm", "lambda_wide", "lean_error_pct", "lean_error_se_pct")


class _Seen(NamedTuple):
    """What was seen of a stage: columns by name."""

    cells: dict[str, np.ndarray]
    trims: dict[str, np.ndarray]
    curve: dict[str, np.ndarray]
    windows: list[tuple[float, float]]


class _Round(NamedTuple):
    """A stage in its chain of rounds: evidence, and what was in the map already."""

    evidence: list[Evidence]
    already_pct: np.ndarray | float
    change: FuelChange
    earlier: list[tuple[list[Evidence], np.ndarray | float]]


def _inputs(connection: duckdb.DuckDBPyConnection, given: Given) -> Inputs:
    """Return each stage whose mixture was seen, marked by the stages of its job before it too."""
    settings = given.settings
    stages = store.rows(
        connection,
        "SELECT stage.stage_id, stage.job_id, stage.bike_id, stage.model_id, stage.model, "
        "stage.stage_no, stage.map_name, stage.map_label, stage.fuel, stage.parts_label, "
        "core_stage.suggestion_entered, core_stage.target_lambda, "
        "session.made_from AS session_from, cruise.made_from AS cruise_from "
        "FROM out.stage AS stage JOIN core.stage AS core_stage USING (stage_id) "
        "LEFT JOIN out.stage_mixture AS session "
        "ON stage.stage_id = session.stage_id AND session.worst_lean_error_pct IS NOT NULL "
        "LEFT JOIN out.stage_cruise AS cruise "
        "ON stage.stage_id = cruise.stage_id AND cruise.cells > 0 "
        "WHERE NOT stage.is_control ORDER BY stage.job_id, stage.stage_no",
    )
    stages = with_settings(
        stages,
        ("model", "map_name", "fuel", "target_lambda"),
        lambda model, name, fuel, target: [
            settings.axes_of(model, name), settings.mixture_on(fuel, target)
        ],
    )  # fmt: skip
    of_stage = marks(stages, "stage_id")
    jobs: dict[str, list[dict[str, Any]]] = {}
    for stage in stages.iter_rows(named=True):
        jobs.setdefault(stage["job_id"], []).append(stage)
    marked: dict[str, str] = {}
    job_of: dict[str, str] = {}
    for job_id, of_job in jobs.items():
        before = ""
        for stage in of_job:
            before = short_hash(before + of_stage[stage["stage_id"]])
            if _is_seen(stage):
                marked[stage["stage_id"]], job_of[stage["stage_id"]] = before, job_id

    def load(due: list[str]) -> list[Any]:
        needed = [jobs[job_id] for job_id in dict.fromkeys(job_of[one] for one in due)]
        seen = _seen_of(connection, [s["stage_id"] for of_job in needed for s in of_job])
        return [
            (of_job, {s["stage_id"]: seen[s["stage_id"]] for s in of_job}, set(due))
            for of_job in needed
        ]

    return Inputs(marked, load)


def _is_seen(stage: dict[str, Any]) -> bool:
    return bool(stage["session_from"] or stage["cruise_from"])


def _make(given: Given, payload: Any) -> Records:
    """Suggest the fuel changes of a job."""
    of_job, seen, due = payload
    made = _job(of_job, seen, given.settings)
    return {t: [row for row in rows if row["stage_id"] in due] for t, rows in made.items()}


FUEL_CHANGES = Step(
    name="suggest fuel changes",
    doing="suggesting fuel changes",
    version=5,
    key="stage_id",
    tables=(
        "out.fuel_change", "out.fuel_change_cell", "out.fuel_change_seam", "out.fuel_change_check",
    ),
    reads=(
        "out.stage", "out.stage_mixture", "out.stage_cruise", "out.cruise_cell", "out.trim_cell",
        "out.session_curve", "out.lean_window", "core.stage",
    ),
    inputs=_inputs,
    make=each(_make),
    set_by=lambda settings: [settings.suggestion, settings.mixture.gauge_accuracy_pct],
    batch=100,
)  # fmt: skip


def _seen_of(connection: duckdb.DuckDBPyConnection, stage_ids: list[str]) -> dict[str, _Seen]:
    def columns(table: str, names: tuple[str, ...], order: str) -> dict[str, pl.DataFrame]:
        return parts_of(
            connection,
            "stage_id",
            f"SELECT stage_id, {', '.join(names)} FROM {table} "  # noqa: S608
            f"WHERE stage_id IN (SELECT unnest(?)) ORDER BY stage_id, {order}",
            stage_ids,
        )

    place = "throttle_from_pct, speed_from_rpm"
    cells = columns("out.cruise_cell", CELL_COLUMNS, f"is_closed_loop, {place}")
    trims = columns("out.trim_cell", TRIM_COLUMNS, place)
    curves = columns("out.session_curve", CURVE_COLUMNS, "engine_speed_rpm")
    windows: dict[str, list[tuple[float, float]]] = {}
    for stage_id, low, high in connection.execute(
        "SELECT stage_id, from_rpm, to_rpm FROM out.lean_window WHERE side = 'lean' "
        "AND level IN ('warn', 'stop') AND stage_id IN (SELECT unnest(?)) "
        "ORDER BY stage_id, from_rpm",
        [stage_ids],
    ).fetchall():
        windows.setdefault(stage_id, []).append((low, high))

    def arrays(found: dict[str, pl.DataFrame], stage_id: str, names: tuple[str, ...]) -> Any:
        part = found.get(stage_id)
        if part is None:
            return {name: np.zeros(0) for name in names}
        return {name: part[name].cast(pl.Float64).to_numpy() for name in names}

    return {
        stage_id: _Seen(
            arrays(cells, stage_id, CELL_COLUMNS),
            arrays(trims, stage_id, TRIM_COLUMNS),
            arrays(curves, stage_id, CURVE_COLUMNS),
            windows.get(stage_id, []),
        )
        for stage_id in stage_ids
    }


def _job(
    stages: list[dict[str, Any]],
    seen: dict[str, _Seen],
    settings: ShopSettings,
) -> dict[str, list[dict[str, Any]]]:
    """Return the rows of all stages of a job, round after round."""
    made: dict[str, list[dict[str, Any]]] = {name: [] for name in FUEL_CHANGES.tables}
    before: tuple[dict[str, Any], _Round] | None = None
    for stage in stages:
        stage_id = stage["stage_id"]
        if not _is_seen(stage):
            before = None
            continue
        is_entered = stage["suggestion_entered"]
        why_not = _why_not_counted(before, stage, seen, settings) if is_entered else None
        counted = before[1] if before and is_entered and not why_not else None
        found = _round(stage, seen[stage_id], settings, counted)
        made["out.fuel_change"].append(_head(stage, found, why_not, settings))
        made["out.fuel_change_cell"] += _cells(stage_id, found.change)
        made["out.fuel_change_seam"] += _seams(stage_id, found.change)
        if before and _is_remapped(before[0], stage):
            check = _check(before, stage, seen, is_entered=counted is not None)
            made["out.fuel_change_check"] += check
        before = (stage, found)
    return made


def _is_remapped(before: dict[str, Any], stage: dict[str, Any]) -> bool:
    return before["map_label"] != stage["map_label"] and _is_built_alike(before, stage)


def _is_built_alike(before: dict[str, Any], stage: dict[str, Any]) -> bool:
    return (
        before["fuel"].casefold() == stage["fuel"].casefold()
        and before["parts_label"] == stage["parts_label"]
    )


def _why_not_counted(
    before: tuple[dict[str, Any], _Round] | None,
    stage: dict[str, Any],
    seen: dict[str, _Seen],
    settings: ShopSettings,
) -> Note | None:
    """Say why the suggestion of the stage before does not stand in this map; None where it does.

    The card says that it was entered; what it was then is worked out by today's settings and
    cards, and people smooth by hand. So the mixture has the last word.
    """
    if before is None:
        return note("suggestion not counted", why="nothing before", off_pct=None)
    earlier, last = before
    axes = _axes_of(stage, settings)
    targets = [settings.mixture_on(one["fuel"], one["target_lambda"]) for one in (earlier, stage)]
    was, now = seen[earlier["stage_id"]], seen[stage["stage_id"]]
    why, off_pct = "", None
    if not _is_built_alike(earlier, stage):
        why = "other build"
    elif earlier["map_label"] == stage["map_label"]:
        why = "same map"
    elif not all(map(np.array_equal, axes, (last.change.throttle_pct, last.change.speed_rpm))):
        why = "other breakpoints"
    elif targets[0] != targets[1]:
        why = "other target"
    elif (off := _off_by_pct(_joined(*_seen_twice(was, now)), last.change)) > MOST_OFF_PCT:
        why, off_pct = "other change", off
    return note("suggestion not counted", why=why, off_pct=off_pct) if why else None


def _axes_of(
    stage: dict[str, Any], settings: ShopSettings
) -> tuple[Sequence[float], Sequence[float]]:
    axes = settings.axes_of(stage["model"], stage["map_name"])
    if axes is None:
        return fuel_change.STANDARD_THROTTLE_PCT, fuel_change.STANDARD_SPEED_RPM
    return axes.throttle_pct, axes.speed_rpm


def _round(
    stage: dict[str, Any], seen: _Seen, settings: ShopSettings, before: _Round | None
) -> _Round:
    gauge_pct = settings.mixture.gauge_accuracy_pct / math.sqrt(3.0)
    cells, trims, curve = seen.cells, seen.trims, seen.curve
    # What the trims add in closed loop, the base map would be lean by without them.
    base = 1.0 + trims["trim_pct"] / 100.0
    bands = _bands_of_trims(cells, trims)
    outside_air = cells["outside_air_most_pct"] / 100.0 / math.sqrt(12.0)
    evidence = [
        fuel_change.part_throttle_evidence(
            cells["throttle_mean_pct"],
            cells["speed_mean_rpm"],
            cells["lambda_median"] * _learnt(cells),
            np.hypot(cells["lambda_se"], outside_air * cells["lambda_median"]),
            cells["dwell_s"],
            target=(cells["target_low"], cells["target_high"]),
            is_closed_loop=cells["is_closed_loop"],
            least_dwell_s=LEAST_DWELL_S,
            gauge_error_pct=gauge_pct,
        ),
        fuel_change.part_throttle_evidence(
            trims["throttle_mean_pct"],
            trims["speed_mean_rpm"],
            base,
            trims["trim_se_pct"] / 100.0,
            trims["dwell_s"],
            target=bands,
            least_dwell_s=LEAST_DWELL_S,
            gauge="trims",
            gauge_error_pct=TRIM_GAUGE_PCT,
        ),
        fuel_change.full_throttle_evidence(
            curve["engine_speed_rpm"],
            curve["lean_error_pct"],
            np.where(
                np.isfinite(curve["lean_error_se_pct"]),
                curve["lean_error_se_pct"],
                UNKNOWN_SCATTER_PCT,
            ),
            spacing_rpm=SPACING_RPM,
            gauge_error_pct=gauge_pct,
        ),
    ]
    axes = settings.axes_of(stage["model"], stage["map_name"])
    throttle, speed = _axes_of(stage, settings)
    already: np.ndarray | float = 0.0
    earlier: list[tuple[list[Evidence], np.ndarray | float]] = []
    if before is not None:
        entered = before.change.entered_pct
        already = 100.0 * ((1.0 + np.asarray(before.already_pct) / 100.0) * (1.0 + entered / 100.0))
        already = already - 100.0
        earlier = [*before.earlier, (before.evidence, before.already_pct)]
    limits = settings.suggestion
    change = fuel_change.suggested_fuel_change(
        evidence,
        throttle_pct=throttle,
        speed_rpm=speed,
        already_pct=already,
        earlier=earlier,
        lean_windows_rpm=seen.windows,
        most_enrichment_pct=limits.most_enrichment_pct,
        most_enleanment_pct=limits.most_enleanment_pct,
        most_total_pct=limits.most_total_pct,
        map_step_pct=axes.step_pct if axes else 0.5,
    )
    return _Round(evidence, already, change, earlier)


def _learnt(cells: dict[str, np.ndarray]) -> np.ndarray:
    """Return the factor of fuel that the long-term trim adds in each cell.

    It is logged where it acts, in open loop as well (SAE J1979, from memory).
    """
    return 1.0 + np.nan_to_num(cells["long_trim_pct"]) / 100.0


def _bands_of_trims(
    cells: dict[str, np.ndarray], trims: dict[str, np.ndarray]
) -> tuple[np.ndarray, np.ndarray]:
    """Return the band wanted at each trim cell: that of the closed-loop cell at the same place."""
    closed = cells["is_closed_loop"] == 1.0
    low, high = np.ones(trims["trim_pct"].size), np.ones(trims["trim_pct"].size)
    if not closed.any():
        return low, high
    for at, (throttle, speed) in enumerate(
        zip(trims["throttle_mean_pct"], trims["speed_mean_rpm"], strict=True)
    ):
        away = np.abs(cells["throttle_mean_pct"][closed] - throttle) + np.abs(
            cells["speed_mean_rpm"][closed] - speed
        )
        nearest = int(np.argmin(away))
        low[at], high[at] = (cells[end][closed][nearest] for end in ("target_low", "target_high"))
    return low, high


def _head(
    stage: dict[str, Any], found: _Round, why_not: Note | None, settings: ShopSettings
) -> dict[str, Any]:
    change = found.change
    told = np.isfinite(change.suggested_pct)
    axes = settings.axes_of(stage["model"], stage["map_name"])
    part, trims, full = (one.change_pct.size for one in found.evidence)
    head: dict[str, Any] = {
        **{name: stage[name] for name in ("stage_id", "job_id", "bike_id", "model_id")},
        "cells_told": int(told.sum()),
        "cells_held": int((told & (change.held_by != "")).sum()),
        "cells_of_map": change.suggested_pct.size,
        "part_throttle_readings": part,
        "trim_readings": trims,
        "full_throttle_readings": full,
        "earlier_rounds": len(found.earlier),
        "round_note": why_not,
        "throttle_axis": json.dumps(change.throttle_pct.tolist()),
        "speed_axis": json.dumps(change.speed_rpm.tolist()),
        "axes_origin": "the map's own" if axes else "standard",
        "most_change_pct": None,
        "most_change_throttle_pct": None,
        "most_change_speed_rpm": None,
        "most_enrichment_pct": settings.suggestion.most_enrichment_pct,
        "most_enleanment_pct": settings.suggestion.most_enleanment_pct,
        "left_out": [
            note("readings left out", why=why, readings=count)
            for why, count in sorted(change.left_out.items())
            if why not in ("repeats its neighbour", "no lambda")
        ],
        "shape_sd_pct": change.shape.sd_pct,
        "shape_throttle_length": change.shape.throttle_length,
        "shape_speed_length_rpm": change.shape.speed_length_rpm,
        "shape_nugget_pct": change.shape.nugget_pct,
    }
    if told.any():
        size = np.where(told, np.abs(change.needed_pct), -1.0)
        row, column = np.unravel_index(int(np.argmax(size)), size.shape)
        head |= {
            "most_change_pct": float(change.needed_pct[row, column]),
            "most_change_throttle_pct": float(change.throttle_pct[row]),
            "most_change_speed_rpm": float(change.speed_rpm[column]),
        }
    return head | {"told": _told(change)}


def _told(change: FuelChange) -> Note:
    """Return what is suggested where the greatest change is needed."""
    told = np.isfinite(change.suggested_pct)
    if not told.any():
        return note("nothing to suggest")
    counts = {"cells_told": told.sum(), "cells_of_map": told.size}
    if not np.nanmax(np.abs(change.suggested_pct)) > 0.0:
        return note("nothing to enter", **counts)
    place = np.unravel_index(
        int(np.argmax(np.where(told, np.abs(change.needed_pct), -1))), told.shape
    )
    return note(
        "fuel needed",
        needed_pct=change.needed_pct[place],
        lower_pct=change.low_pct[place],
        upper_pct=change.high_pct[place],
        suggested_pct=change.suggested_pct[place],
        is_held=bool(change.held_by[place]),
        throttle_pct=change.throttle_pct[place[0]],
        speed_rpm=change.speed_rpm[place[1]],
        **counts,
    )


def _cells(stage_id: str, change: FuelChange) -> list[dict[str, Any]]:
    return [
        {
            "stage_id": stage_id,
            "throttle_pct": float(change.throttle_pct[row]),
            "speed_rpm": float(change.speed_rpm[column]),
            "needed_pct": float(change.needed_pct[row, column]),
            "lower_pct": float(change.low_pct[row, column]),
            "upper_pct": float(change.high_pct[row, column]),
            "suggested_pct": float(change.suggested_pct[row, column]),
            "evidence_share": float(change.evidence_share[row, column]),
            "held_by": str(change.held_by[row, column]),
            "is_guarded": bool(change.is_guarded[row, column]),
        }
        for row, column in np.argwhere(np.isfinite(change.suggested_pct))
    ]


def _seams(stage_id: str, change: FuelChange) -> list[dict[str, Any]]:
    return [
        {
            "stage_id": stage_id,
            "throttle_pct": float(change.throttle_pct[row]),
            "speed_rpm": float(change.speed_rpm[column]),
            "seam_pct": float(change.seam_pct[row, column]),
        }
        for row, column in np.argwhere(np.isfinite(change.seam_pct))
    ]


class _Pair(NamedTuple):
    """Places seen both before and after a change of the map."""

    throttle_pct: np.ndarray
    speed_rpm: np.ndarray
    before_pct: np.ndarray
    after_pct: np.ndarray
    fuel_factor: np.ndarray
    weight: np.ndarray


def _check(
    before: tuple[dict[str, Any], _Round],
    stage: dict[str, Any],
    seen: dict[str, _Seen],
    *,
    is_entered: bool,
) -> list[dict[str, Any]]:
    """Return how much of the error the change from one stage to the next removed."""
    earlier, last = before
    was, now = seen[earlier["stage_id"]], seen[stage["stage_id"]]
    part, full = _seen_twice(was, now)
    joined = _joined(part, full)
    if not joined.weight.size:
        return []
    removed = fuel_change.removed_share(joined.before_pct, joined.after_pct, joined.weight)
    error_before, error_after = (
        float(np.average(np.abs(each), weights=joined.weight))
        for each in (joined.before_pct, joined.after_pct)
    )
    known = error_before >= LEAST_ERROR_PCT and math.isfinite(removed.removed_share)
    row: dict[str, Any] = {
        "stage_id": stage["stage_id"],
        "before_stage_id": earlier["stage_id"],
        "job_id": stage["job_id"],
        "bike_id": stage["bike_id"],
        "is_suggestion": is_entered,
        "places": joined.weight.size,
        "before_error_pct": error_before,
        "after_error_pct": error_after,
        "removed_share": removed.removed_share if known else None,
        "removed_lower_share": or_none(removed.low_share) if known else None,
        "removed_upper_share": or_none(removed.high_share) if known else None,
        "part_removed_share": _removed(part),
        "full_removed_share": _removed(full),
        "came_share": _came_share(joined, last.change) if is_entered else None,
    }
    return [row]


def _seen_twice(was: _Seen, now: _Seen) -> tuple[_Pair, _Pair]:
    """Return the places that both stages saw, at part and at full throttle."""
    return _same_cells(was.cells, now.cells), _same_speeds(was.curve, now.curve)


def _joined(part: _Pair, full: _Pair) -> _Pair:
    """Return both with half of the say each: many cells must not drown the full throttle."""
    both = (part, full)
    weight = np.concatenate([one.weight / max(one.weight.sum(), 1e-9) for one in both])
    names = [name for name in _Pair._fields if name != "weight"]
    joined = {name: np.concatenate([getattr(one, name) for one in both]) for name in names}
    return _Pair(**joined, weight=weight)


def _same_cells(was: dict[str, np.ndarray], now: dict[str, np.ndarray]) -> _Pair:
    def places(cells: dict[str, np.ndarray]) -> dict[tuple[float, float], int]:
        kept = (cells["is_closed_loop"] == 0.0) & (cells["dwell_s"] >= LEAST_DWELL_S)
        return {
            (float(cells["throttle_from_pct"][at]), float(cells["speed_from_rpm"][at])): int(at)
            for at in np.flatnonzero(kept)
        }

    old, new = places(was), places(now)
    shared = [place for place in old if place in new]
    a = np.array([old[place] for place in shared], dtype=int)
    b = np.array([new[place] for place in shared], dtype=int)
    return _Pair(
        was["throttle_mean_pct"][a],
        was["speed_mean_rpm"][a],
        was["lean_error_pct"][a],
        now["lean_error_pct"][b],
        was["lambda_median"][a] * _learnt(was)[a] / (now["lambda_median"] * _learnt(now))[b],
        np.minimum(was["dwell_s"][a], now["dwell_s"][b]),
    )


def _same_speeds(was: dict[str, np.ndarray], now: dict[str, np.ndarray]) -> _Pair:
    speed, a, b = np.intersect1d(
        was["engine_speed_rpm"], now["engine_speed_rpm"], return_indices=True
    )
    seen = np.isfinite(was["lean_error_pct"][a]) & np.isfinite(now["lean_error_pct"][b])
    step = max(1, round(SPACING_RPM / 50.0))
    kept = np.flatnonzero(seen)[::step]
    a, b = a[kept], b[kept]
    return _Pair(
        np.full(kept.size, 100.0),
        speed[kept],
        was["lean_error_pct"][a],
        now["lean_error_pct"][b],
        was["lambda_wide"][a] / now["lambda_wide"][b],
        np.ones(kept.size),
    )


def _removed(pair: _Pair) -> float | None:
    if not pair.weight.size:
        return None
    if np.average(np.abs(pair.before_pct), weights=pair.weight) < LEAST_ERROR_PCT:
        return None
    return or_none(
        fuel_change.removed_share(pair.before_pct, pair.after_pct, pair.weight).removed_share
    )


def _asked_pct(pair: _Pair, change: FuelChange) -> np.ndarray:
    """Return the fuel that was entered at each place, between breakpoints as the map does."""
    along = np.array(
        [np.interp(pair.speed_rpm, change.speed_rpm, row) for row in change.entered_pct]
    )
    return np.array(
        [
            np.interp(throttle, change.throttle_pct, column)
            for throttle, column in zip(pair.throttle_pct, along.T, strict=True)
        ]
    )


def _off_by_pct(pair: _Pair, change: FuelChange) -> float:
    """Return how far the mixture's change is from what was entered, root mean square; 0 unseen."""
    if not pair.weight.size:
        return 0.0
    off = 100.0 * (pair.fuel_factor - 1.0) - _asked_pct(pair, change)
    return float(np.sqrt(np.average(off**2, weights=pair.weight)))


def _came_share(pair: _Pair, change: FuelChange) -> float | None:
    """Return how much of the entered change shows in the mixture: 1 is all of it."""
    asked = _asked_pct(pair, change)
    came = 100.0 * (pair.fuel_factor - 1.0)
    size = float(np.sum(pair.weight * asked**2))
    # Next to no change cannot be told from the noise of two rides.
    if math.sqrt(size / float(pair.weight.sum())) < LEAST_ERROR_PCT:
        return None
    return float(np.sum(pair.weight * asked * came) / size)
