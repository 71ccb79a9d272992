"""Finds what must be made again: every derived row carries the fingerprint of what made it."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping
from typing import Any

import duckdb
import numpy as np
import polars as pl

from warehouse import statements, store


def fingerprint(*parts: object) -> str:
    """Return a short hash of values; equal values give equal hashes on any machine.

    >>> fingerprint("a", 1) == fingerprint("a", 1) != fingerprint("a1")
    True
    """
    text = json.dumps(parts, ensure_ascii=False, sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def outdated(
    connection: duckdb.DuckDBPyConnection, table: str, key: str, wanted: dict[str, str]
) -> tuple[list[str], list[str]]:
    """Compare a table with the fingerprints that its rows should carry."""
    standing = dict(
        connection.execute(f"SELECT DISTINCT {key}, made_from FROM {table}").fetchall()  # noqa: S608
    )
    to_make = [name for name, made_from in wanted.items() if standing.get(name) != made_from]
    to_delete = [name for name, made_from in standing.items() if wanted.get(name) != made_from]
    return to_make, to_delete


def replace(
    connection: duckdb.DuckDBPyConnection,
    key: str,
    to_delete: list[str],
    records: Mapping[str, list[dict[str, Any]] | pl.DataFrame],
) -> None:
    """Replace rows of a parent table and its children in one transaction.

    All that belongs to one fingerprint is kept at once: a kill between two commits would leave a
    fingerprint without its rows, which nothing would make again.
    """
    with store.transaction(connection):
        swap(connection, key, to_delete, records)


def swap(
    connection: duckdb.DuckDBPyConnection,
    key: str,
    to_delete: list[str],
    records: Mapping[str, list[dict[str, Any]] | pl.DataFrame],
) -> None:
    """Do what `replace` does, inside a transaction that holds more than these tables."""
    for table, rows in records.items():
        store.delete(connection, table, key, to_delete)
        if not isinstance(rows, pl.DataFrame):
            rows = store.frame(connection, table, rows)
        store.insert(connection, table, rows)


def forget_derived(connection: duckdb.DuckDBPyConnection) -> None:
    """Empty all that was linked and derived: the next steps find all of it to be made again."""
    with store.transaction(connection):
        for table, statement in statements.definitions().items():
            is_made = table.startswith(("core.", "out.")) or table in {"raw.outcome", "raw.linked"}
            if is_made and not statements.is_view(statement):
                connection.execute(f"DELETE FROM {table}")  # noqa: S608
        connection.execute("DELETE FROM raw.finished WHERE flow_name = 'derive'")


def stacked(key: str, parts: dict[str, dict[str, np.ndarray]]) -> pl.DataFrame:
    """Return curves of many keys as one frame; NaN becomes null."""
    if not parts:
        return pl.DataFrame()
    names = list(next(iter(parts.values())))
    sizes = [part[names[0]].size for part in parts.values()]
    keys = pl.Series(key, list(parts), dtype=pl.String)
    return pl.DataFrame(
        {
            key: keys.gather(np.repeat(np.arange(len(sizes)), sizes)),
            **{name: np.concatenate([part[name] for part in parts.values()]) for name in names},
        },
        nan_to_null=True,
    )


def parts_of(
    connection: duckdb.DuckDBPyConnection, key: str, query: str, *values: Any
) -> dict[str, pl.DataFrame]:
    """Return the rows of a query by the values of a key, in the order of the query."""
    frame = store.rows(connection, query, *values)
    return {str(name[0]): part.drop(key) for name, part in frame.group_by(key, maintain_order=True)}


def or_none(value: float) -> float | None:
    """Return a figure as a table keeps it: what is not known is empty."""
    return value if math.isfinite(value) else None
