"""The writer's side of the store: one writer at a time, tables made from the SQL files."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import duckdb
import filelock
import polars as pl

from warehouse import statements
from warehouse.damage import DamagedError, disk_trouble, first_line, is_damage, put_aside
from warehouse.shop import SHOP_FORMAT, ShopFolder, refuse_newer
from warehouse.whole_file import write_whole

ASKED_AT_ONCE = 8
"""In one statement: a quarter less work than one by one, for 20 MB; 40 would take 70 MB more."""
NEW_DATABASE: dict[str, str | bool | int | float | list[str]] = {"default_block_size": "65536"}
"""Blocks of 64 kB: a tiny shop takes 15 MB for 58, one of ten years is read a tenth slower."""
_HELD = ("Could not set lock", "being used by another process")
"""How DuckDB says that another program has the file open, here and on Windows."""


class ShopIsBusyError(RuntimeError):
    """Another writer holds the shop's lock."""


class DatabaseWasDamagedError(DamagedError):
    """The database proved damaged at work and was put aside: the same work goes on a new one."""


@contextlib.contextmanager
def writer(
    shop: ShopFolder, *, wait_s: float = 0.0, heal: Callable[[str], None] | None = None
) -> Iterator[duckdb.DuckDBPyConnection]:
    """Open the shop's database for writing, alone.

    The lock is a file of its own, held for the writer's life and released by the operating
    system when a writer is killed. The database file must not be opened by any other means
    while it is held: closing a second handle would drop the lock that DuckDB itself holds.

    Raises ShopIsBusyError if another writer does not end in time. Raises DamagedError if the
    database cannot be opened.
    """
    with held(shop, wait_s=wait_s, heal=heal):
        connection = _connected(shop, heal)
        try:
            yield connection
        except duckdb.Error as error:
            if heal is None or not is_damage(error):
                raise
            connection.close()
            _put_database_aside(shop, first_line(error), heal)
            raise DatabaseWasDamagedError(
                "the database was damaged and put aside; run `rollbook update` to make it again"
            ) from error
        finally:
            connection.close()


@contextlib.contextmanager
def held(
    shop: ShopFolder, *, wait_s: float = 0.0, heal: Callable[[str], None] | None = None
) -> Iterator[None]:
    """Keep all writers out for a while, the database unopened.

    Raises ShopIsBusyError if another writer does not end in time.
    """
    shop.make()
    if shop.lock.is_dir():
        put_aside(shop, shop.lock, shop.lock.name)
        if heal is not None:
            heal(
                f"A folder stood where {shop.lock.name} belongs; it lies in warehouse/damaged/ now."
            )
    lock = filelock.FileLock(shop.lock)
    try:
        lock.acquire(timeout=wait_s)
    except filelock.Timeout:
        raise ShopIsBusyError(
            f"another intake, derive or publish is at work in {shop.root.name}; "
            "wait for it to end and run this again"
        ) from None
    try:
        yield
    finally:
        lock.release()


def _connected(shop: ShopFolder, heal: Callable[[str], None] | None) -> duckdb.DuckDBPyConnection:
    reason = _condemned(shop)
    has_arrivals = (shop.archive / "arrivals.jsonl").is_file()
    if heal is not None and not shop.database.exists() and has_arrivals:
        # A shop restored or made again as of a day never had one.
        was_there = shop.published.is_dir() and any(shop.published.iterdir())
        said = "The database was gone" if was_there else "There is no database yet"
        heal(f"{said}; all of it is made {'again ' if was_there else ''}from the archive.")
    try:
        if not reason:
            return _opened(shop.database)
    except duckdb.Error as error:
        if any(said in str(error) for said in _HELD):
            raise ShopIsBusyError(
                f"another program has {shop.database} open; close it and run this again"
            ) from None
        if trouble := disk_trouble(error):
            raise trouble from None
        reason = first_line(error)
    if heal is None:
        raise DamagedError(
            f"the database {shop.database} is damaged ({reason}). Nothing is lost: "
            "run `rollbook update`; it is put aside and made again from the archive"
        )
    _put_database_aside(shop, reason, heal)
    return _opened(shop.database)


def _opened(database: Path) -> duckdb.DuckDBPyConnection:
    connection = duckdb.connect(str(database), config=NEW_DATABASE)
    try:
        connection.execute("SET TimeZone = 'UTC'")
        connection.execute("SET enable_progress_bar = false")
        create(connection)
    except BaseException:
        connection.close()
        raise
    return connection


def condemn(shop: ShopFolder, reason: str) -> None:
    """Have the next writer that can make a database again put this one aside."""
    write_whole(_beside(shop, ".condemned"), reason)


def _condemned(shop: ShopFolder) -> str:
    path = _beside(shop, ".condemned")
    return path.read_text(encoding="utf-8") if path.is_file() else ""


def _beside(shop: ShopFolder, ending: str) -> Path:
    return shop.database.with_name(shop.database.name + ending)


def _put_database_aside(shop: ShopFolder, reason: str, heal: Callable[[str], None]) -> None:
    for path in (_beside(shop, ".wal"), shop.database):
        if path.exists():
            put_aside(shop, path, path.name)
    _beside(shop, ".condemned").unlink(missing_ok=True)
    heal(
        f"The database was damaged ({reason}); it lies in warehouse/damaged/ now, and "
        "all of it is made again from the archive."
    )


def create(connection: duckdb.DuckDBPyConnection) -> None:
    """Make every schema, table and view, unless they are those of this version already."""
    wanted = statements.fingerprint()
    connection.execute("CREATE TABLE IF NOT EXISTS main.made_with (definitions VARCHAR)")
    connection.execute("ALTER TABLE main.made_with ADD COLUMN IF NOT EXISTS shop_format BIGINT")
    row = first(connection, "SELECT definitions, shop_format FROM main.made_with")
    if row is not None:
        # Before anything else: tables of a newer version must not be dropped as older ones are.
        refuse_newer(row[1], "the database")
        if row == (wanted, SHOP_FORMAT):
            return
        if row[0] == wanted:
            connection.execute("UPDATE main.made_with SET shop_format = ?", [SHOP_FORMAT])
            return
    # Tables of an older version are not altered but made again: archive, ledger, layouts and
    # settings hold all that is needed, and the next intake and derive fill them.
    with transaction(connection):
        for layer in reversed(statements.LAYERS):
            connection.execute(f"DROP SCHEMA IF EXISTS {layer} CASCADE")
        for layer in statements.LAYERS:
            connection.execute(f"CREATE SCHEMA {layer}")
        for statement in statements.definitions().values():
            connection.execute(statement)
        connection.execute("DELETE FROM main.made_with")
        connection.execute("INSERT INTO main.made_with VALUES (?, ?)", [wanted, SHOP_FORMAT])


@contextlib.contextmanager
def transaction(connection: duckdb.DuckDBPyConnection) -> Iterator[None]:
    """Run a block in one transaction: all of it is kept, or none."""
    connection.execute("BEGIN TRANSACTION")
    try:
        yield
    except BaseException:
        connection.execute("ROLLBACK")
        raise
    connection.execute("COMMIT")


def rows(connection: duckdb.DuckDBPyConnection, query: str, *params: object) -> pl.DataFrame:
    """Return a query's rows."""
    return connection.sql(query, params=list(params)).pl()


def first(
    connection: duckdb.DuckDBPyConnection, query: str, *params: object
) -> tuple[Any, ...] | None:
    """Return a query's first row."""
    found = connection.execute(query, list(params)).fetchall()
    return found[0] if found else None


def first_of_each(
    connection: duckdb.DuckDBPyConnection, queries: Sequence[str]
) -> list[tuple[Any, ...]]:
    """Return the only row of each of some queries, asked for in a few statements.

    All queries must give as many columns.
    """
    found = []
    for start in range(0, len(queries), ASKED_AT_ONCE):
        asked = [
            f"SELECT {place} AS place, * FROM ({query})"  # noqa: S608
            for place, query in enumerate(queries[start : start + ASKED_AT_ONCE])
        ]
        rows = connection.execute(" UNION ALL ".join(asked)).fetchall()
        found += [row[1:] for row in sorted(rows, key=lambda row: row[0])]
    return found


def columns(connection: duckdb.DuckDBPyConnection, table: str) -> dict[str, str]:
    """Return a table's columns and their DuckDB types, in order."""
    if table in _COLUMNS:
        return _COLUMNS[table]
    # Of all tables at once: asked for one by one it is a tenth of a small update.
    described = connection.execute(
        "SELECT schema_name || '.' || table_name, column_name, data_type FROM duckdb_columns() "
        "WHERE database_name = current_database() AND NOT internal ORDER BY column_index"
    ).fetchall()
    found: dict[str, dict[str, str]] = {}
    for of_table, name, kind in described:
        found.setdefault(of_table, {})[name] = kind
    _COLUMNS.update(found)
    return found.get(table, {})


_COLUMNS: dict[str, dict[str, str]] = {}

POLARS_TYPES = {
    "VARCHAR": pl.String(),
    "DOUBLE": pl.Float64(),
    "BIGINT": pl.Int64(),
    "BOOLEAN": pl.Boolean(),
    "DATE": pl.Date(),
    "TIMESTAMP": pl.Datetime("us"),
    "TIMESTAMP WITH TIME ZONE": pl.Datetime("us", "UTC"),
}
"""The only types that tables here use, and what they are in polars."""


def frame(
    connection: duckdb.DuckDBPyConnection, table: str, records: Sequence[Mapping[str, Any]]
) -> pl.DataFrame:
    """Return records as a frame of exactly a table's columns and types; notes become JSON.

    Raises KeyError if a record lacks a column or names an unknown one.
    """
    wanted = columns(connection, table)
    for record in records:
        if record.keys() != wanted.keys():
            missing = wanted.keys() - record.keys()
            unknown = record.keys() - wanted.keys()
            raise KeyError(f"{table}: missing {sorted(missing)}, unknown {sorted(unknown)}")
    return pl.DataFrame([_series(name, kind, records) for name, kind in wanted.items()])


def _series(name: str, kind: str, records: Sequence[Mapping[str, Any]]) -> pl.Series:
    values = [record[name] for record in records]
    if kind == "VARCHAR":
        values = [kept(value) for value in values]
    # Column by column: a frame made of a dictionary of them takes four times as long.
    made = pl.Series(name, values, POLARS_TYPES[kind], strict=True)
    return made.fill_nan(None) if kind == "DOUBLE" else made


def kept(value: Any) -> Any:
    """Return a note, or a list of notes, as text; all else as it is."""
    return json.dumps(value, ensure_ascii=False) if isinstance(value, dict | list) else value


def insert(connection: duckdb.DuckDBPyConnection, table: str, data: pl.DataFrame) -> None:
    """Append a frame to a table, column by name."""
    if data.is_empty():
        return
    # Not unregistered on failure: in an aborted transaction that would hide what went wrong.
    connection.register("incoming_rows", data)
    connection.execute(f"INSERT INTO {table} BY NAME SELECT * FROM incoming_rows")  # noqa: S608
    connection.unregister("incoming_rows")


def delete(connection: duckdb.DuckDBPyConnection, table: str, key: str, values: list[str]) -> None:
    """Delete the rows of a table whose key is one of the values."""
    if values:
        connection.execute(
            f"DELETE FROM {table} WHERE {key} IN (SELECT unnest(?))",  # noqa: S608
            [values],
        )


def quoted(path: Path) -> str:
    """Return a path as it stands between quotes in SQL."""
    return str(path).replace("'", "''")


def finish(connection: duckdb.DuckDBPyConnection, made_from: Mapping[str, str]) -> None:
    """Write down, of some flows and steps by name, from what they were brought to an end."""
    if made_from:
        with transaction(connection):
            connection.execute(
                "INSERT OR REPLACE INTO raw.finished SELECT unnest(?), unnest(?)",
                [list(made_from), list(made_from.values())],
            )


def failed_checks(
    connection: duckdb.DuckDBPyConnection,
    checks: Sequence[statements.Check] | None = None,
    told: Callable[[str], str] = str,
) -> list[tuple[statements.Check, int]]:
    """Return which checks, of all or of some, found rows, with their number.

    `told` says how a query of theirs is to be asked.
    """
    checks = statements.checks() if checks is None else checks
    asked = [f"SELECT count(*) FROM ({told(check.query)})" for check in checks]  # noqa: S608
    counts = first_of_each(connection, asked)
    return [(check, count) for check, (count,) in zip(checks, counts, strict=True) if count]


def damaged_tables(connection: duckdb.DuckDBPyConnection) -> list[str]:
    """Read every value of every table; return those that cannot be read, with the reason.

    DuckDB keeps a sum with each block and raises when a block that it needs is not as written.
    """
    damaged = []
    for table, definition in statements.definitions().items():
        if statements.is_view(definition):
            continue
        try:
            first(connection, f"SELECT sum(hash(t)::HUGEINT) FROM {table} AS t")  # noqa: S608
        except duckdb.Error as error:
            damaged.append(f"{table} ({first_line(error)})")
    return damaged
