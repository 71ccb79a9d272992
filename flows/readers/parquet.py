"""Parquet files: columns with types of their own, read a batch of rows at a time."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from flows.metrics.notes import note
from flows.readers.columns import Columns, Heading, match_columns, nearest, numbered
from flows.readers.source import (
    LOOKED_ROWS,
    Look,
    Source,
    SourceTable,
    UnreadableError,
    first_words,
    refuse_endless,
)
from schemas.layout import Layout

BATCH_ROWS = 200_000
_BLOBS = ("pandas", "ARROW:schema", "org.apache.spark")


def fits(path: Path, start: bytes, layout: Layout) -> bool:  # noqa: ARG001 - as every reader
    """Whether a file has the columns that the layout names."""
    with _opened(path) as file:
        return match_columns(file.schema_arrow.names, layout) is not None


def headings(path: Path, start: bytes, layout: Layout) -> list[Heading]:  # noqa: ARG001
    """Return the names of a file's columns."""
    with _opened(path) as file:
        return [Heading(note("the file"), file.schema_arrow.names)]


def read(path: Path, layout: Layout) -> Source:
    """Return the table of a Parquet file, a batch of rows at a time.

    Raises UnreadableError if the file is damaged, or a used column holds lists or records.
    """
    with _opened(path) as file:
        schema = file.schema_arrow
        refuse_endless(file.metadata.num_rows)
        columns = match_columns(schema.names, layout)
        if columns is None:
            near = nearest(lambda _: headings(path, b"", layout), [layout])
            raise UnreadableError("column missing", near=near)
        columns.refuse_doubled(note("the file"), layout)
        _refuse_nested(schema, columns)
        units = dict(columns.units) | _field_units(schema, columns.kept)
        if not file.metadata.num_rows:
            raise UnreadableError("no rows")
        return Source(_head(schema), units, _pieces(path, columns))


def shown(path: Path) -> Look:
    """Return what a Parquet file shows of itself.

    Raises UnreadableError if the file is damaged or has no rows.
    """
    with _opened(path) as file:
        schema = file.schema_arrow
        names = numbered(schema.names)
        plain = [place for place, kind in enumerate(schema.types) if _is_plain(kind)]
        batch = next(file.iter_batches(batch_size=LOOKED_ROWS), None)
        if batch is None or not batch.num_rows:
            raise UnreadableError("no rows")
        frame = pl.DataFrame({names[place]: _column(batch.column(place)) for place in plain})
        units = _field_units(schema, {place: names[place] for place in plain})
        return Look("parquet", "columns of the file", frame, units, _head(schema))


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[Any]:
    """Open a Parquet file whose every failure is told in plain words."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        file = pq.ParquetFile(path, pre_buffer=False)
    except (pa.ArrowException, OSError, ValueError) as error:
        raise UnreadableError("damaged Parquet", why=first_words(error)) from None
    try:
        with file:
            yield file
    except (pa.ArrowException, OSError) as error:
        raise UnreadableError("damaged Parquet", why=first_words(error)) from None


def _pieces(path: Path, columns: Columns) -> Iterator[SourceTable]:
    done = 0
    with _opened(path) as file:
        for batch in file.iter_batches(batch_size=BATCH_ROWS):
            frame = pl.DataFrame(
                {name: _column(batch.column(place)) for place, name in columns.kept.items()}
            )
            line_no = pl.Series("line_no", np.arange(done + 1, done + batch.num_rows + 1))
            done += batch.num_rows
            yield SourceTable(frame, line_no)


def _column(array: Any) -> pl.Series:
    series = pl.Series(pl.from_arrow(array))
    if isinstance(series.dtype, pl.Decimal) or series.dtype == pl.Boolean:
        return series.cast(pl.Float64)
    if isinstance(series.dtype, (pl.Categorical, pl.Enum)):
        return series.cast(pl.String)
    return series


def _is_plain(kind: Any) -> bool:
    import pyarrow.types as types

    return not (types.is_nested(kind) or types.is_binary(kind) or types.is_large_binary(kind))


def _refuse_nested(schema: Any, columns: Columns) -> None:
    for place, name in columns.kept.items():
        kind = schema.field(place).type
        if not _is_plain(kind):
            raise UnreadableError("no plain column", column=name, holds=str(kind))


def _field_unit(field: Any) -> str:
    metadata = field.metadata or {}
    for key in (b"unit", b"units", b"Unit"):
        if key in metadata:
            return metadata[key].decode("utf-8", errors="replace").strip()
    return ""


def _field_units(schema: Any, names: dict[int, str]) -> dict[str, str]:
    found = {name: _field_unit(schema.field(place)) for place, name in names.items()}
    return {name: unit for name, unit in found.items() if unit}


def _head(schema: Any) -> dict[str, str]:
    entries = {}
    for key, value in (schema.metadata or {}).items():
        name = key.decode("utf-8", errors="replace")
        if not name.startswith(_BLOBS) and len(value) < 1000:
            entries[name] = value.decode("utf-8", errors="replace")
    return entries
