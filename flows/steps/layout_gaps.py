"""What layouts ask for and none of their last files had, told as problems."""

from __future__ import annotations

import duckdb


def layout_gaps(connection: duckdb.DuckDBPyConnection) -> list[str]:
    """Return a sentence for each head entry or column that a layout asks for in vain."""
    rows = connection.execute(
        "SELECT layout, gap_kind, entry, files FROM out.layout_gap ORDER BY layout, gap_kind, entry"
    ).fetchall()
    return [gap_sentence(*row) for row in rows]


def gap_sentence(layout: str, kind: str, entry: str, files: int) -> str:
    """Return what is to be said of one gap."""
    told = "its only file has none" if files == 1 else f"none of its last {files} files has it"
    remedy = (
        "correct the key under metadata or power, or take it off"
        if kind == "head entry"
        else "correct the column's name under channels, or take it off"
    )
    return f"layout {layout!r} asks for the {kind} {entry!r}, and {told}: {remedy}"
