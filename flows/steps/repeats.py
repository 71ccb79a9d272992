"""Finds one run that was exported more than once, in another layout, unit or name, shop-wide."""

from __future__ import annotations

from typing import Any, NamedTuple

import duckdb
import numpy as np

from warehouse import store

REPEATED = "the same pull as"
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
        "UPDATE out.pull SET trouble = '', is_used = true "
        "WHERE pull_id IN (SELECT unnest(?)) AND starts_with(trouble, ?)",
        [sorted(touched), REPEATED],
    )
    connection.execute(
        "UPDATE out.pull SET is_used = false, trouble = concat(?, ' ', earlier.file_name, "
        "CASE WHEN earlier.stage_id = pull.stage_id THEN '' "
        "ELSE concat(' of job ', split_part(earlier.stage_id, '/', 1)) END, "
        "', exported ', CASE WHEN earlier.layout = pull.layout THEN 'again' "
        "ELSE 'in another layout' END) "
        "FROM (SELECT same.pull_id, first(other.file_name ORDER BY arrived) AS file_name, "
        "first(other.stage_id ORDER BY arrived) AS stage_id, "
        "first(other.layout ORDER BY arrived) AS layout "
        "FROM out.same_pull AS same JOIN out.pull AS other ON same.earlier_pull_id = other.pull_id "
        "JOIN (SELECT file_sha256, min(arrival_no) AS arrived FROM raw.arrival GROUP BY file_sha256"
        ") AS arrival ON other.file_sha256 = arrival.file_sha256 GROUP BY same.pull_id) AS earlier "
        "WHERE pull.pull_id = earlier.pull_id AND pull.pull_id IN (SELECT unnest(?))",
        [REPEATED, sorted(touched)],
    )


def _pairs(connection: duckdb.DuckDBPyConnection, changed: list[str]) -> list[tuple[str, str]]:
    """Return (later, earlier) for every pair of one run that a changed pull is part of."""
    near = connection.execute(
        "WITH standing AS (SELECT pull.*, arrived FROM out.pull AS pull JOIN (SELECT file_sha256, "
        "min(arrival_no) AS arrived FROM raw.arrival GROUP BY file_sha256) AS arrival "
        "USING (file_sha256) WHERE peak_power_w > 0) "
        "SELECT DISTINCT CASE WHEN one.arrived > other.arrived THEN one.pull_id "
        "ELSE other.pull_id END, CASE WHEN one.arrived > other.arrived THEN other.pull_id "
        "ELSE one.pull_id END FROM standing AS one JOIN standing AS other "
        "ON one.pull_id <> other.pull_id "
        "AND abs(one.sweep_from_rpm - other.sweep_from_rpm) <= ? "
        "AND abs(one.sweep_to_rpm - other.sweep_to_rpm) <= ? "
        "AND abs(ln(one.peak_power_w / other.peak_power_w)) <= ? "
        "WHERE one.pull_id IN (SELECT unnest(?)) ORDER BY ALL",
        [SPEED_SLACK_RPM, SPEED_SLACK_RPM, LEVEL_SLACK, changed],
    ).fetchall()
    if not near:
        return []
    runs = _runs(connection, sorted({pull_id for pair in near for pull_id in pair}))
    return [(later, earlier) for later, earlier in near if is_same_run(runs[later], runs[earlier])]


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
