"""Finds one run that was exported more than once, in another layout, unit or name, shop-wide."""

from __future__ import annotations

from typing import Any, NamedTuple

import duckdb
import numpy as np
import polars as pl

from flows.metrics import curve
from warehouse import store

SAME_LEVEL = 0.01
"""Two exports may be corrected to other air and undone with rounded factors."""
SAME_WIGGLE = 0.0008
"""1 SD of ln power along the sweep that rounding in two exports leaves at most; two runs of one
bike differ by 0.2 % and more (common practice, no source)."""
ROUNDING = 0.0002
"""1 SD that rounding leaves where the record itself is all but free of noise."""
NOISE_SHARE = 0.3
"""Two runs scatter by their own noise; one run twice by far less than that."""
SAME_TEXT = 1e-5
"""Within one layout the same numbers come again, whatever else in the file was changed."""
SAME_DURATION = 0.03
MOST_APART_S = 120.0
"""Two loggers' clocks may be a minute or two apart; two pulls of one bike seldom start closer."""
SPEED_SLACK_RPM = 150.0
LEVEL_SLACK = 0.02


STRETCH_RPM = 500.0
STRETCH_POINTS = int(STRETCH_RPM / curve.SPEED_STEP_RPM)
PAIRS_AT_ONCE = 50_000


class _Run(NamedTuple):
    """What two exports are held against each other by."""

    layout: str
    started_at: Any
    sweep_s: float | None
    curve: np.ndarray


def set_repeats_aside(
    connection: duckdb.DuckDBPyConnection, changed: list[str], gone: list[str]
) -> None:
    """Let a pull that came more than once count once: the one whose file arrived first.

    Call inside a transaction.
    """
    ids = [*changed, *gone]
    if not ids:
        return
    touched = {
        pull_id
        for pair in connection.execute(
            "DELETE FROM out.same_pull WHERE pull_id IN (SELECT unnest(?)) "
            "OR earlier_pull_id IN (SELECT unnest(?)) RETURNING pull_id, earlier_pull_id",
            [ids, ids],
        ).fetchall()
        for pull_id in pair
    }
    pairs = _pairs(connection, changed)
    if pairs:
        connection.executemany("INSERT INTO out.same_pull VALUES (?, ?)", pairs)
    touched |= {pull_id for pair in pairs for pull_id in pair}
    if not touched:
        return
    connection.execute(
        "UPDATE out.pull SET trouble = set_aside, is_used = set_aside IS NULL "
        "WHERE pull_id IN (SELECT unnest(?)) AND trouble ->> '$.code' = 'the same pull'",
        [sorted(touched)],
    )
    connection.execute(
        "UPDATE out.pull SET is_used = false, trouble = json_object('code', 'the same pull', "
        "'file_name', earlier.file_name, "
        "'job_id', CASE WHEN earlier.stage_id <> pull.stage_id "
        "THEN split_part(earlier.stage_id, '/', 1) END, "
        "'is_same_layout', earlier.layout = pull.layout) "
        "FROM (SELECT same.pull_id, first(other.file_name ORDER BY arrived) AS file_name, "
        "first(other.stage_id ORDER BY arrived) AS stage_id, "
        "first(other.layout ORDER BY arrived) AS layout "
        "FROM out.same_pull AS same JOIN out.pull AS other ON same.earlier_pull_id = other.pull_id "
        "JOIN (SELECT file_sha256, min(arrival_no) AS arrived FROM raw.arrival GROUP BY file_sha256"
        ") AS arrival ON other.file_sha256 = arrival.file_sha256 GROUP BY same.pull_id) AS earlier "
        "WHERE pull.pull_id = earlier.pull_id AND pull.pull_id IN (SELECT unnest(?))",
        [sorted(touched)],
    )


def _pairs(connection: duckdb.DuckDBPyConnection, changed: list[str]) -> list[tuple[str, str]]:
    """Return (later, earlier) for every pair of one run that a changed pull is part of."""
    near = _near(connection, changed)
    if near.is_empty():
        return []
    timed = near.filter("is_timed")
    likely = pl.concat([timed, _of_like_shape(connection, near.filter(~pl.col("is_timed")))])
    runs = _runs(connection, pl.concat([likely["later"], likely["earlier"]]).unique().to_list())
    return [
        (later, earlier)
        for later, earlier in likely.select("later", "earlier").iter_rows()
        if is_same_run(runs[later], runs[earlier])
    ]


def _near(connection: duckdb.DuckDBPyConnection, changed: list[str]) -> pl.DataFrame:
    """Return the pairs of like speeds and power, of which no two starts are too far apart.

    Where both starts are known they lie in one stretch of time or in neighbouring ones: nothing
    is held against all other pulls.
    """
    return store.rows(
        connection,
        "WITH standing AS (SELECT pull_id, file_sha256, sweep_from_rpm, sweep_to_rpm, "
        "peak_power_w, "
        "(epoch(started_at) / $2)::BIGINT AS stretch FROM out.pull WHERE peak_power_w > 0), "
        "asked AS (SELECT * FROM standing WHERE pull_id IN (SELECT unnest($1))), "
        "timed AS (SELECT *, unnest([stretch - 1, stretch, stretch + 1]) AS near FROM asked), "
        "pair AS ("
        "SELECT one, other FROM timed AS one JOIN standing AS other ON one.near = other.stretch "
        "UNION ALL SELECT one, other FROM (FROM asked WHERE stretch IS NULL) AS one "
        "CROSS JOIN standing AS other "
        "UNION ALL SELECT one, other FROM (FROM asked WHERE stretch IS NOT NULL) AS one "
        "CROSS JOIN (FROM standing WHERE stretch IS NULL) AS other), "
        "near AS MATERIALIZED (SELECT * FROM pair WHERE one.pull_id <> other.pull_id "
        "AND abs(one.sweep_from_rpm - other.sweep_from_rpm) <= $3 "
        "AND abs(one.sweep_to_rpm - other.sweep_to_rpm) <= $3 "
        "AND abs(ln(one.peak_power_w / other.peak_power_w)) <= $4), "
        "arrival AS (SELECT file_sha256, min(arrival_no) AS arrived FROM raw.arrival "
        "WHERE file_sha256 IN (SELECT one.file_sha256 FROM near "
        "UNION ALL SELECT other.file_sha256 FROM near) GROUP BY file_sha256) "
        "SELECT DISTINCT if(here.arrived > there.arrived, one.pull_id, other.pull_id) AS later, "
        "if(here.arrived > there.arrived, other.pull_id, one.pull_id) AS earlier, "
        "one.stretch IS NOT NULL AND other.stretch IS NOT NULL AS is_timed FROM near "
        "JOIN arrival AS here ON one.file_sha256 = here.file_sha256 "
        "JOIN arrival AS there ON other.file_sha256 = there.file_sha256 ORDER BY ALL",
        changed,
        MOST_APART_S,
        SPEED_SLACK_RPM,
        LEVEL_SLACK,
    )


def _of_like_shape(connection: duckdb.DuckDBPyConnection, pairs: pl.DataFrame) -> pl.DataFrame:
    """Leave out pairs whose means over stretches of speed already differ by too much.

    What the means of stretches scatter by is part of what the whole curves do: no pair of one run
    is lost, and few others are left to be held against each other point by point.
    """
    if pairs.is_empty():
        return pairs
    ids = pl.concat([pairs["later"], pairs["earlier"]]).unique(maintain_order=True)
    means = store.rows(
        connection,
        "SELECT pull_id, floor(engine_speed_rpm / $2)::BIGINT AS stretch, "
        "avg(ln(power_w)) AS log_mean, sum(count(*)) OVER (PARTITION BY pull_id)::BIGINT AS points "
        "FROM out.pull_curve WHERE power_w > 0 AND pull_id IN (SELECT unnest($1)) "
        "GROUP BY pull_id, stretch QUALIFY count(*) = $3",
        ids.to_list(),
        STRETCH_RPM,
        STRETCH_POINTS,
    )
    if means.is_empty():
        return pairs
    rows = pl.DataFrame({"pull_id": ids}).with_row_index("row")
    placed = means.join(rows, on="pull_id")
    row, stretch = placed["row"].to_numpy(), placed["stretch"].to_numpy()
    grid = np.full((ids.len(), stretch.max() + 1), np.nan)
    grid[row, stretch] = placed["log_mean"].to_numpy()
    points = np.zeros(ids.len())
    points[row] = placed["points"].to_numpy()
    kept = []
    for part in pairs.iter_slices(PAIRS_AT_ONCE):
        one, other = (
            part.select(name).join(rows, left_on=name, right_on="pull_id", maintain_order="left")
            for name in ("later", "earlier")
        )
        a, b = one["row"].to_numpy(), other["row"].to_numpy()
        kept.append(part.filter(_may_be_one(grid[a] - grid[b], np.minimum(points[a], points[b]))))
    return pl.concat(kept)


def _may_be_one(apart: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Whether the differences of the means, a row a pair, scatter no more than one run's may.

    Pairs of which nothing is known, without a stretch in common, may be one.
    """
    shared = np.isfinite(apart)
    count = np.maximum(shared.sum(axis=1), 1)
    away = np.where(shared, apart, 0.0)
    scatter = np.square(away).sum(axis=1) - np.square(away.sum(axis=1)) / count
    return STRETCH_POINTS * scatter <= points * SAME_WIGGLE**2 + 1e-12


def _runs(connection: duckdb.DuckDBPyConnection, ids: list[str]) -> dict[str, _Run]:
    heads = store.rows(
        connection,
        "SELECT pull_id, layout, started_at, sweep_s FROM out.pull "
        "WHERE pull_id IN (SELECT unnest(?))",
        ids,
    )
    points = store.rows(
        connection,
        "SELECT pull_id, engine_speed_rpm, power_w, power_sd_w FROM out.pull_curve "
        "WHERE pull_id IN (SELECT unnest(?)) ORDER BY pull_id, engine_speed_rpm",
        ids,
    )
    curves = {
        str(pull_id): part.select("engine_speed_rpm", "power_w", "power_sd_w").to_numpy()
        for (pull_id,), part in points.group_by(["pull_id"], maintain_order=True)
    }
    empty = np.empty((0, 3))
    return {
        row["pull_id"]: _Run(
            row["layout"], row["started_at"], row["sweep_s"], curves.get(row["pull_id"], empty)
        )
        for row in heads.iter_rows(named=True)
    }


def is_same_run(one: _Run, other: _Run) -> bool:
    """Whether two exports are one run: no two runs have the same wiggle at every speed."""
    _, at, there = np.intersect1d(one.curve[:, 0], other.curve[:, 0], return_indices=True)
    if at.size < 10 or at.size < 0.9 * max(len(one.curve), len(other.curve)):
        return False
    if one.sweep_s and other.sweep_s and abs(one.sweep_s / other.sweep_s - 1) > SAME_DURATION:
        return False
    if one.started_at and other.started_at:
        apart_s = abs((one.started_at - other.started_at).total_seconds())
        if apart_s > MOST_APART_S:
            return False
    power, twin = one.curve[at], other.curve[there]
    ratio = np.log(power[:, 1] / twin[:, 1])
    if one.layout == other.layout:
        return bool(np.abs(ratio).max() < SAME_TEXT)
    if abs(ratio.mean()) >= SAME_LEVEL:
        return False
    noise = np.median(np.hypot(power[:, 2] / power[:, 1], twin[:, 2] / twin[:, 1]))
    return bool(ratio.std() < min(SAME_WIGGLE, max(ROUNDING, NOISE_SHARE * float(noise))))
