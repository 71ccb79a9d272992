"""The store of many shops as one DuckDB file: one writer at a time, the others wait."""

from __future__ import annotations

import contextlib
import datetime as dt
from collections.abc import Iterator
from pathlib import Path

import duckdb
import filelock

from warehouse.many import LEDGER, Batch, ManyShopsError, OtherContentError, table_names
from warehouse.store import first, quoted, transaction

NAME = "many.duckdb"
WAIT_S = 60.0
_LEDGER = """
CREATE TABLE IF NOT EXISTS ledger (
    shop VARCHAR, number BIGINT, content_hash VARCHAR, state BIGINT, kept_at TIMESTAMPTZ,
    PRIMARY KEY (shop, number)
)"""


class Embedded:
    """A file of a folder; it is open only while it is used, so that processes take turns."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._file = folder / NAME
        self._turn = filelock.FileLock(folder / "many.lock", timeout=WAIT_S)

    def append(self, batch: Batch) -> bool:
        """Add rows and ledger line, both or neither; return False where the number stands."""
        names = table_names(batch)
        with self._opened() as many:
            known = first(
                many,
                "SELECT content_hash FROM ledger WHERE shop = ? AND number = ?",
                batch.shop,
                batch.number,
            )
            if known:
                if known[0] != batch.content_hash:
                    raise OtherContentError(batch)
                return False
            with transaction(many):
                for name in names:
                    _add(many, name, batch)
                many.execute(
                    "INSERT INTO ledger SELECT ?, ?, ?, coalesce(max(state), 0) + 1, now() "
                    "FROM ledger",
                    [batch.shop, batch.number, batch.content_hash],
                )
        return True

    def state(self, at: dt.datetime | None = None) -> int:
        """Return the number of the newest state, or of the one that stood at a time."""
        with self._opened() as many:
            found = first(
                many,
                "SELECT coalesce(max(state), 0) FROM ledger "
                "WHERE kept_at <= coalesce(?, 'infinity'::TIMESTAMPTZ)",
                at,
            )
        return found[0] if found else 0

    def read(self, table: str, into: Path, state: int) -> int:
        """Write a table as it stood in a state to a Parquet file; return how many rows it has."""
        if table == LEDGER:
            query = f"SELECT * EXCLUDE (state, kept_at) FROM ledger WHERE state <= {state:d}"  # noqa: S608
        else:
            query = (
                f"SELECT * FROM rows_{table} SEMI JOIN "  # noqa: S608
                f"(FROM ledger WHERE state <= {state:d}) USING (shop, number)"
            )
        with self._opened() as many:
            try:
                found = first(many, f"COPY ({query}) TO '{quoted(into)}' (FORMAT parquet)")
            except duckdb.CatalogException as error:
                raise ManyShopsError(f"nobody gave a table {table} yet") from error
        return found[0] if found else 0

    def close(self) -> None:
        """Nothing stays open."""

    @contextlib.contextmanager
    def _opened(self) -> Iterator[duckdb.DuckDBPyConnection]:
        with self._turn, duckdb.connect(str(self._file)) as many:
            many.execute(_LEDGER)
            yield many


def _add(many: duckdb.DuckDBPyConnection, name: str, batch: Batch) -> None:
    rows = (
        "SELECT $shop AS shop, $number::BIGINT AS number, * "  # noqa: S608
        f"FROM read_parquet('{quoted(batch.tables[name])}')"
    )
    named = {"shop": batch.shop, "number": batch.number}
    many.execute(f"CREATE TABLE IF NOT EXISTS rows_{name} AS {rows} LIMIT 0", named)
    for column, kind, *_ in many.execute(f"DESCRIBE {rows}", named).fetchall():
        many.execute(f'ALTER TABLE rows_{name} ADD COLUMN IF NOT EXISTS "{column}" {kind}')
    many.execute(f"INSERT INTO rows_{name} BY NAME {rows}", named)
