"""Finds what must be made again: every derived row carries the fingerprint of what made it."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Callable, Iterable
from typing import Any, TypeVar

import duckdb
import numpy as np
import polars as pl
from pydantic import BaseModel

from warehouse import statements, store

K = TypeVar("K")
V = TypeVar("V")


def fingerprint(*parts: object) -> str:
    """Return a short hash of values; equal values give equal hashes on any machine.

    >>> fingerprint("a", 1) == fingerprint("a", 1) != fingerprint("a1")
    True
    """
    text = json.dumps(parts, ensure_ascii=False, sort_keys=True, default=_plain)
    return short_hash(text)


def short_hash(text: str) -> str:
    """Return a short hash of a text, equal on any machine."""
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _plain(value: Any) -> object:
    return value.model_dump() if isinstance(value, BaseModel) else str(value)


def forget_derived(connection: duckdb.DuckDBPyConnection) -> None:
    """Empty all that was linked and derived: the next steps find all of it to be made again."""
    with store.transaction(connection):
        for table, statement in statements.definitions().items():
            is_made = table.startswith(("core.", "out.")) or table in {"raw.outcome", "raw.linked"}
            if is_made and not statements.is_view(statement):
                connection.execute(f"DELETE FROM {table}")  # noqa: S608
        connection.execute(
            "DELETE FROM raw.finished "
            "WHERE flow_name = 'derive' OR starts_with(flow_name, 'derive: ')"
        )


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
    """Return the rows of a query by the values of a key; the query brings them key by key."""
    return _cut(store.rows(connection, query, *values), key, lambda rows: rows)


def arrays_of(
    connection: duckdb.DuckDBPyConnection, key: str, query: str, *values: Any
) -> dict[str, np.ndarray]:
    """Return the same as arrays, NaN for null: one after the other, 2,000 take half a second."""
    return _cut(store.rows(connection, query, *values), key, pl.DataFrame.to_numpy)


def _cut(frame: pl.DataFrame, key: str, shaped: Callable[[pl.DataFrame], Any]) -> dict[str, Any]:
    runs, rows = frame[key].rle().struct, shaped(frame.drop(key))
    # Cut by place: grouped and with their key dropped one by one, 10,000 curves take 2 s.
    ends = runs.field("len").cast(pl.Int64).cum_sum().to_list()
    places = zip(runs.field("value").to_list(), [0, *ends], ends, strict=False)
    return {str(name): rows[start:end] for name, start, end in places}


def grouped(rows: Iterable[V], key: Callable[[V], K]) -> dict[K, list[V]]:
    """Return rows by a key of theirs, both in the order that they come in."""
    groups: dict[K, list[V]] = {}
    for row in rows:
        groups.setdefault(key(row), []).append(row)
    return groups


def in_percent(log_ratio: float) -> float:
    """Return the log of a ratio as a change in percent."""
    return 100 * math.expm1(log_ratio)


def or_none(value: float) -> float | None:
    """Return a figure as a table keeps it: what is not known is empty."""
    return value if math.isfinite(value) else None
