"""Leaves out pulls that were broken off below the power that others of their session reached."""

from __future__ import annotations

import duckdb

FULL_SHARE = 0.93
"""Riders shut the throttle at like speeds, and a limiter cuts at one; a sweep that ends below this
share of the session's highest was broken off (common practice, no source)."""


def set_short_aside(connection: duckdb.DuckDBPyConnection) -> None:
    """Leave out each pull whose power still rose where it ended, while others went well beyond.

    Call inside the transaction that changes out.pull. All stages are looked at: what a pull is held
    against may have come or gone.
    """
    connection.execute(
        "UPDATE out.pull SET trouble = judged.trouble, is_used = judged.trouble IS NULL, "
        "missing_speed_share = judged.missing FROM ("
        "SELECT pull_id, is_short, CASE WHEN is_short THEN missing END AS missing, "
        "CASE WHEN is_short THEN json_object('code', 'broken off', 'at_rpm', sweep_to_rpm, "
        "'missing_share', missing)::VARCHAR END AS trouble FROM ("
        "SELECT *, is_peak_at_end AND sweep_to_rpm < ? * top_rpm AS is_short, "
        "(top_rpm - sweep_to_rpm) / (top_rpm - low_rpm) AS missing FROM ("
        "SELECT pull_id, sweep_to_rpm, is_peak_at_end, "
        "max(sweep_to_rpm) OVER (PARTITION BY stage_id) AS top_rpm, "
        "min(sweep_from_rpm) OVER (PARTITION BY stage_id) AS low_rpm "
        "FROM out.pull WHERE is_used OR trouble ->> '$.code' = 'broken off'))"
        ") AS judged WHERE pull.pull_id = judged.pull_id "
        "AND pull.trouble IS DISTINCT FROM judged.trouble",
        [FULL_SHARE],
    )
