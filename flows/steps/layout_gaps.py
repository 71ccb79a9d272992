"""What layouts ask for and none of their last files had, told as problems."""

from __future__ import annotations

import duckdb

from warehouse.wording import gap_sentence


def layout_gaps(connection: duckdb.DuckDBPyConnection) -> list[str]:
    """Return a sentence for each head entry or column that a layout asks for in vain."""
    rows = connection.execute(
        "SELECT layout, gap_kind, entry, files FROM out.layout_gap ORDER BY layout, gap_kind, entry"
    ).fetchall()
    return [gap_sentence(*row) for row in rows]
