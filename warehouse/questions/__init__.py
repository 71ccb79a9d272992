"""Asks the snapshot: one SQL file a question, shared by the pages, the sheets and the terminal."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import Any

import duckdb
import polars as pl


@cache
def text(question: str) -> str:
    """Return the SQL of a question."""
    return files("warehouse").joinpath("questions", f"{question}.sql").read_text("utf-8")


def ask(reader: duckdb.DuckDBPyConnection, question: str, **given: Any) -> pl.DataFrame:
    """Return the answer to a question; its file says which values it takes."""
    return reader.sql(text(question), params=given).pl()


def behind(figure: str) -> str:
    """Return the question that lists what stands behind a figure of a quarter.

    >>> behind("control sessions")
    'behind_control_sessions'
    """
    return f"behind_{figure.replace(' ', '_')}"
