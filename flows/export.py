"""Export: any published table as a file in `reports/`, for other programs."""

from __future__ import annotations

from pathlib import Path

import duckdb
import polars as pl

from flows.answers import show, table_of
from flows.mixture_answers import NothingKnownError
from schemas.settings import ShopSettings
from warehouse import takeaway
from warehouse.near import nearest_names
from warehouse.questions import ask, worded
from warehouse.shop import ShopFolder
from warehouse.snapshot import Snapshot, open_reader
from warehouse.whole_file import write_whole


def print_tables(snapshot: Snapshot) -> None:
    """Print which tables there are."""
    with open_reader(snapshot.path) as reader:
        meanings = ask(reader, "column_meanings")
    tables = meanings.group_by("table_name", maintain_order=True).agg(
        pl.len(), pl.col("column_name").head(4).str.join(", ")
    )
    rows = [(name.removeprefix("out."), *rest) for name, *rest in tables.iter_rows()]
    show(table_of("", [("table", "left"), ("columns", "right"), ("such as", "left")]), rows)


def write_table(
    shop: Path, settings: ShopSettings, snapshot: Snapshot, table: str, kind: str
) -> Path:
    """Write a published table into `reports/`; what was exported before is written over.

    In CSV and XLSX facts are said in words and moments in the shop's time zone; Parquet holds all
    as published. Raises NothingKnownError if there is no such table or the file cannot hold it.
    """
    with open_reader(snapshot.path) as reader:
        columns = _columns(reader, table)
        frame = reader.table(columns["table_name"][0]).pl()
    about = takeaway.About(
        settings.shop.name,
        takeaway.which_snapshot(snapshot.number, snapshot.published_at, settings.shop.timezone),
        settings.figures.reference_air,
        settings.shop.timezone,
    )
    try:
        content = _content(frame, columns, about, kind)
    except takeaway.TooLongError as trouble:
        raise NothingKnownError(str(trouble)) from None
    path = ShopFolder(shop).reports / f"{table.removeprefix('out.')}.{kind}"
    write_whole(path, content)
    return path


def _content(frame: pl.DataFrame, columns: pl.DataFrame, about: takeaway.About, kind: str) -> bytes:
    if kind == "parquet":
        return takeaway.as_parquet(frame)
    if kind == "csv":
        return takeaway.as_csv(worded(frame), {}, about)
    units = {
        name: f"{name} [{unit}]" if unit else name
        for name, unit in columns.select("column_name", "unit").iter_rows()
    }
    meanings = dict(columns.select("column_name", "meaning").iter_rows())
    return takeaway.as_xlsx(worded(frame), units, about, meanings)


def _columns(reader: duckdb.DuckDBPyConnection, table: str) -> pl.DataFrame:
    """Return what stands in the columns of a table."""
    meanings = ask(reader, "column_meanings")
    wanted = f"out.{table.removeprefix('out.')}"
    found = meanings.filter(pl.col("table_name") == wanted)
    if found.is_empty():
        known = [name.removeprefix("out.") for name in meanings["table_name"].unique().sort()]
        near = nearest_names(table, known)
        raise NothingKnownError(
            f"no table is called {table!r}; the nearest: {', '.join(near)}. Without a name all "
            "tables are listed"
        )
    return found
