"""Takes what the pool of many shops said into the shop's own tables, beside its own figures."""

from __future__ import annotations

from pathlib import Path

import duckdb
import polars as pl

from flows.steps.engine import Given, Inputs, Records, Step, whole
from flows.steps.refresh import short_hash
from warehouse.shop import ShopFolder


def _mark(shop: ShopFolder) -> str:
    try:
        return short_hash(shop.everywhere.read_bytes().hex())
    except OSError:
        return ""


def _inputs(_: duckdb.DuckDBPyConnection, given: Given) -> Inputs:
    return whole(_mark(given.shop), lambda: _rows(given.shop.everywhere))


def _rows(path: Path) -> pl.DataFrame | None:
    """Return what stands in the file; None where it is gone or damaged: figures of others only."""
    try:
        return pl.read_parquet(path.read_bytes())
    except (OSError, pl.exceptions.PolarsError):
        return None


def _make(_: Given, payloads: list[pl.DataFrame | None]) -> Records:
    frame = payloads[0]
    return {"out.everywhere": [] if frame is None else frame.to_dicts()}


EVERYWHERE = Step(
    name="take in the pool",
    doing="taking in the pool",
    version=1,
    tables=("out.everywhere",),
    reads=(),
    inputs=_inputs,
    make=_make,
    beyond=_mark,
)
