"""Takes what the pool of many shops said into the shop's own tables, beside its own figures."""

from __future__ import annotations

from pathlib import Path

import duckdb
import polars as pl

from flows.steps.engine import Given, Inputs, Records, Step, whole
from flows.steps.refresh import short_hash
from warehouse.shop import ShopFolder

FIGURES_SCHEMA = {
    "figure": pl.String, "model_id": pl.String, "change_key": pl.String, "fitted_parts": pl.String,
    "shops": pl.Int64, "dynos": pl.Int64, "bikes": pl.Int64, "own_bikes": pl.Int64,
    **dict.fromkeys(
        ("mean_pct", "lower_pct", "upper_pct", "next_lower_pct", "next_upper_pct",
         "between_bikes_sd_pct", "between_dynos_sd_pct"), pl.Float64,
    ),
}  # fmt: skip
"""Columns of the file that `pool` leaves in the shop."""


def _mark(shop: ShopFolder) -> str:
    try:
        return short_hash(shop.everywhere.read_bytes().hex())
    except OSError:
        return ""


def _inputs(_: duckdb.DuckDBPyConnection, given: Given) -> Inputs:
    return whole(_mark(given.shop), lambda: _rows(given.shop.everywhere))


def _rows(path: Path) -> pl.DataFrame | None:
    """Return what stands in the file; None where it is gone, damaged or another version's.

    These are figures of others only: the next `pool` makes them anew.
    """
    try:
        found = pl.read_parquet(path.read_bytes())
    except (OSError, pl.exceptions.PolarsError):
        return None
    return found if dict(found.schema) == FIGURES_SCHEMA else None


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
