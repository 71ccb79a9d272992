"""What layouts ask for and their last files do not give, and what in them nobody stated."""

from __future__ import annotations

import duckdb

from warehouse.questions import ask


def layout_gaps(connection: duckdb.DuckDBPyConnection) -> list[str]:
    """Return a sentence for each head entry or column that a layout asks for in vain."""
    return _told(connection, is_problem=True)


def never_confirmed(connection: duckdb.DuckDBPyConnection) -> list[str]:
    """Return a sentence for each entry of a layout that a draft put in and nobody has stated."""
    return _told(connection, is_problem=False)


def _told(connection: duckdb.DuckDBPyConnection, *, is_problem: bool) -> list[str]:
    gaps = ask(connection, "layout_gaps").rows(named=True)
    return [
        f"{gap['sentence']}. {gap['remedy']}".rstrip(".")
        for gap in gaps
        if gap["is_problem"] == is_problem
    ]
