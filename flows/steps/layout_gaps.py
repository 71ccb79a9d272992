"""What layouts ask for and do not get, what nobody stated, and whose files come otherwise."""

from __future__ import annotations

import datetime as dt
import shutil

import duckdb
import polars as pl

from warehouse import disk
from warehouse.questions import ask
from warehouse.sentences import day
from warehouse.shop import ShopFolder


def layout_gaps(connection: duckdb.DuckDBPyConnection) -> list[str]:
    """Return a sentence for each head entry or column that a layout asks for in vain."""
    return _told(connection, is_problem=True)


def never_confirmed(connection: duckdb.DuckDBPyConnection) -> list[str]:
    """Return a sentence for each entry of a layout that a draft put in and nobody has stated."""
    return _told(connection, is_problem=False)


def logger_changes(connection: duckdb.DuckDBPyConnection) -> list[str]:
    """Return a sentence for each change of a logger that lasts and that few files rest on yet."""
    changes = ask(connection, "logger_changes").filter(pl.col("is_fresh"))
    return [
        f"files of layout {change['layout']!r} since {day(change['since_on'])}: "
        f"{change['sentence']}"
        for change in changes.iter_rows(named=True)
    ]


def disk_forecast(connection: duckdb.DuckDBPyConnection, shop: ShopFolder) -> list[str]:
    """Return a sentence where the disk is full within half a year."""
    today = dt.datetime.now(dt.UTC).date()
    days = ask(connection, "bytes_by_day").rows()
    told = disk.forecast(shutil.disk_usage(shop.root).free, days, today)
    return [told] if told else []


def _told(connection: duckdb.DuckDBPyConnection, *, is_problem: bool) -> list[str]:
    gaps = ask(connection, "layout_gaps").rows(named=True)
    return [
        f"{gap['sentence']}. {gap['remedy']}".rstrip(".")
        for gap in gaps
        if gap["is_problem"] == is_problem
    ]
