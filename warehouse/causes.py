"""Why a row changed between two snapshots: one of four causes, the one nearest to the row.

Nearest is what touches the row's own job, then its bike, then its model; then a raised version of
what makes the table, then a changed setting, then what came in for the rest of the shop. At one
distance a corrected card goes before new evidence: the evidence came with it.
"""

from __future__ import annotations

import duckdb

EVIDENCE, CARD, SETTING, VERSION = (
    "new evidence",
    "corrected card",
    "changed setting",
    "new version",
)

_OWNERS = (
    "SELECT job_id AS key, job_id, bike_id, model_id FROM {s}.out.stage",
    "SELECT job_folder, job_id, bike_id, model_id FROM {s}.out.stage",
    "SELECT stage_id, job_id, bike_id, model_id FROM {s}.out.stage",
    "SELECT bike_id, NULL, bike_id, model_id FROM {s}.out.stage",
    "SELECT model_id, NULL, NULL, model_id FROM {s}.out.stage",
    "SELECT gain_id, job_id, bike_id, model_id FROM {s}.out.gain",
    "SELECT pull_id, s.job_id, s.bike_id, s.model_id "
    "FROM {s}.out.pull AS p JOIN {s}.out.stage AS s USING (stage_id)",
    "SELECT ride_id, s.job_id, s.bike_id, s.model_id "
    "FROM {s}.out.ride AS r JOIN {s}.out.stage AS s USING (stage_id)",
    "SELECT need_id, NULL, NULL, model_id FROM {s}.out.remap_need",
    "SELECT map_id, NULL, NULL, model_id FROM {s}.out.map_revision",
    "SELECT expected_id, NULL, NULL, model_id FROM {s}.out.expected_mixture",
    "SELECT effect_id, NULL, NULL, model_id FROM {s}.out.pooled_effect",
)
"""Whose a key is, by the tables that tell it."""


def tell(
    connection: duckdb.DuckDBPyConnection, old: str, new: str, new_versions: list[str]
) -> None:
    """Fill in the cause of every row of the table `change`, which lies in this connection."""
    both = [query.format(s=f'"{snapshot}"') for query in _OWNERS for snapshot in (old, new)]
    owners = " UNION ALL ".join(query for query in both if _can_be_asked(connection, query))
    connection.execute(
        "CREATE TEMP TABLE owner AS SELECT key, any_value(job_id) AS job_id, "  # noqa: S608
        "any_value(bike_id) AS bike_id, any_value(model_id) AS model_id "
        f"FROM ({owners}) WHERE key IN (SELECT key FROM change) GROUP BY key"
    )
    _touched(connection, old, new)
    changed = connection.execute(
        "SELECT count(*) FROM change WHERE table_name = 'setting'"
    ).fetchall()[0][0]
    near = [
        f"WHEN owner.{level} IN (SELECT {level} FROM touched WHERE cause = '{cause}') "  # noqa: S608
        f"THEN '{cause}'"
        for level in ("job_id", "bike_id", "model_id")
        for cause in (CARD, EVIDENCE)
    ]
    far = [
        f"WHEN EXISTS (FROM touched WHERE cause = '{cause}') THEN '{cause}'"
        for cause in (CARD, EVIDENCE)
    ]
    connection.execute(
        "CREATE OR REPLACE TEMP TABLE told AS SELECT change.table_name, change.key, CASE "  # noqa: S608
        f"WHEN table_name = 'setting' THEN '{SETTING}' {' '.join(near)} "
        f"WHEN list_contains(?, table_name) THEN '{VERSION}' "
        f"WHEN {changed} > 0 THEN '{SETTING}' {' '.join(far)} ELSE '{VERSION}' END AS cause "
        "FROM change LEFT JOIN owner USING (key)",
        [new_versions],
    )
    connection.execute(
        "UPDATE change SET cause = told.cause FROM told "
        "WHERE change.table_name = told.table_name AND change.key = told.key"
    )


def _can_be_asked(connection: duckdb.DuckDBPyConnection, query: str) -> bool:
    """Whether a snapshot of another version has the tables and columns of a query."""
    try:
        connection.execute(f"{query} LIMIT 0")
    except (duckdb.CatalogException, duckdb.BinderException):
        return False
    return True


def _touched(connection: duckdb.DuckDBPyConnection, old: str, new: str) -> None:
    """Find the jobs into which files came or went, or whose card became another."""
    connection.execute(
        f"""
        CREATE TEMP TABLE touched AS
        WITH
        fresh AS (
            SELECT job_folder FROM (
                (SELECT job_folder, file_sha256, state FROM "{new}".out.file WHERE state <> 'card')
                EXCEPT
                (SELECT job_folder, file_sha256, state FROM "{old}".out.file WHERE state <> 'card')
            )
            UNION ALL
            SELECT job_folder FROM (
                (SELECT job_folder, file_sha256 FROM "{old}".out.file WHERE state <> 'card')
                EXCEPT
                (SELECT job_folder, file_sha256 FROM "{new}".out.file WHERE state <> 'card')
            )
        ),
        cards AS (
            SELECT
                job_folder,
                "before".file_sha256 AS was,
                "after".file_sha256 AS is_now
            FROM (FROM "{old}".out.card WHERE is_in_force) AS "before"
            FULL JOIN (FROM "{new}".out.card WHERE is_in_force) AS "after" USING (job_folder)
            WHERE "before".file_sha256 IS DISTINCT FROM "after".file_sha256
        ),
        folders AS (
            SELECT job_folder, '{EVIDENCE}' AS cause FROM fresh
            UNION
            SELECT
                job_folder,
                CASE WHEN was IS NULL THEN '{EVIDENCE}' ELSE '{CARD}' END
            FROM cards
        ),
        jobs AS (
            SELECT DISTINCT job_folder, job_id, bike_id, model_id FROM (
                FROM "{old}".out.stage UNION ALL BY NAME FROM "{new}".out.stage
            )
        )
        SELECT cause, job_id, bike_id, model_id
        FROM folders LEFT JOIN jobs USING (job_folder)
        """  # noqa: S608
    )
