"""Holds two shops' tables against each other: which columns moved, and by how much.

    python -m tests.same_figures BEFORE AFTER

Fingerprints and times of making are left out; rows are matched by the columns that are no figures.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import duckdb
import polars as pl

from warehouse import store

LEAST_MOVE = 1e-9
NOT_COMPARED = {"made_from", "read_with", "recognised_with", "linked_from", "sample_path"}
NOT_COMPARED |= {"sample_id", "arrived_at", "made_at"}


def tables(shop: Path) -> dict[str, pl.DataFrame]:
    """Return the core and out tables of a shop, and its readings, each in one order of rows."""
    connection = duckdb.connect(str(shop / "warehouse" / "shop.duckdb"), read_only=True)
    connection.execute("SET enable_progress_bar = false")
    found: dict[str, pl.DataFrame] = {}
    named = connection.execute(
        "SELECT schema_name || '.' || table_name FROM duckdb_tables() "
        "WHERE schema_name IN ('core', 'out') OR table_name = 'reading' ORDER BY ALL"
    ).fetchall()
    for (name,) in named:
        frame = store.rows(connection, f"SELECT * FROM {name}")  # noqa: S608
        frame = frame.drop(set(frame.columns) & NOT_COMPARED)
        numbers = [c for c, kind in frame.schema.items() if kind in (pl.Float64, pl.Float32)]
        order = [c for c in frame.columns if c not in numbers and not frame.schema[c].is_nested()]
        found[name] = frame.sort([*order, *numbers], nulls_last=True) if frame.columns else frame
    return found


def moved(before: pl.DataFrame, after: pl.DataFrame) -> list[str]:
    """Return a line for each column that is not as it was."""
    if before.columns != after.columns:
        return [f"columns {sorted(set(before.columns) ^ set(after.columns))} on one side only"]
    if before.height != after.height:
        return [f"{before.height} rows before, {after.height} after"]
    told = []
    for name in before.columns:
        one, other = before[name], after[name]
        if one.dtype in (pl.Float64, pl.Float32):
            unlike = one.is_null() != other.is_null()
            size = pl.select(pl.max_horizontal(one.abs(), other.abs(), pl.lit(1.0))).to_series()
            apart = ((one - other).abs() / size).fill_null(0.0).fill_nan(0.0)
            count = int((unlike | (apart > LEAST_MOVE)).sum())
            if count:
                most = apart.max()
                told.append(f"{name}: {count} of {one.len()} moved, by at most {most:.3g}")
        else:
            at = one.ne_missing(other).arg_true() if not one.dtype.is_nested() else None
            if at is None:
                if one.to_list() != other.to_list():
                    told.append(f"{name}: lists differ")
            elif at.len():
                told.append(
                    f"{name}: {at.len()} of {one.len()} differ, as {str(one[at[0]])[:80]!r} "
                    f"and {str(other[at[0]])[:80]!r}"
                )
    return told


def main() -> int:
    """Tell what moved; return 1 if anything did."""
    parser = argparse.ArgumentParser(description=str(__doc__).splitlines()[0])
    parser.add_argument("before", type=Path)
    parser.add_argument("after", type=Path)
    given = parser.parse_args()
    one, other = tables(given.before), tables(given.after)
    lines = [f"{name}: on one side only" for name in sorted(set(one) ^ set(other))]
    for name in sorted(set(one) & set(other)):
        lines += [f"{name}.{line}" for line in moved(one[name], other[name])]
    print("\n".join(lines) or f"{len(one)} tables are equal")
    return 1 if lines else 0


if __name__ == "__main__":
    sys.exit(main())
