"""The parts of each build, as several steps need them."""

from __future__ import annotations

import duckdb

PartRow = tuple[str, str, str]
"""Category, maker and name."""


def parts_of_builds(connection: duckdb.DuckDBPyConnection) -> dict[str, list[PartRow]]:
    """Return the parts of every build that has any.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        Any connection to the warehouse.

    Returns
    -------
    dict of str to list of (category, maker, name)
        By build_id, parts in the order of the alphabet.
    """
    parts: dict[str, list[PartRow]] = {}
    for build_id, category, maker, name in connection.execute(
        "SELECT build_id, category, maker, part_name FROM core.build_part ORDER BY ALL"
    ).fetchall():
        parts.setdefault(build_id, []).append((category, maker, name))
    return parts
