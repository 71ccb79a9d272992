"""Published snapshots: an immutable file of everything that may be shown, swapped in whole."""

from __future__ import annotations

import contextlib
import datetime as dt
import json
from dataclasses import dataclass
from pathlib import Path

import duckdb

from warehouse import statements
from warehouse.shop import ShopFolder
from warehouse.store import DamagedError, columns, first, transaction
from warehouse.whole_file import write_whole

POINTER = "current.json"
KEPT_SNAPSHOTS = 3
LONGEST_QUERY_MS = 10_000


@dataclass(frozen=True)
class Snapshot:
    """A published state of the shop."""

    number: int
    path: Path
    published_at: dt.datetime
    content: str
    """Hash of what it holds: equal content is not published twice."""


def current(shop: Path) -> Snapshot | None:
    """Return the snapshot that readers should open now.

    Parameters
    ----------
    shop : Path
        The shop's folder.

    Returns
    -------
    Snapshot or None
        None before the first publish.

    Raises
    ------
    DamagedError
        If the pointer is damaged or names a file that is not there.
    """
    found = _pointed(ShopFolder(shop).published)
    if found is not None and not found.path.is_file():
        raise DamagedError(f"{found.path} is gone; run `rollbook publish` to make a snapshot again")
    return found


def _pointed(folder: Path) -> Snapshot | None:
    try:
        pointer = json.loads((folder / POINTER).read_text(encoding="utf-8"))
        return Snapshot(
            number=int(pointer["number"]),
            path=folder / str(pointer["file"]),
            published_at=dt.datetime.fromisoformat(pointer["published_at"]),
            content=str(pointer["content"]),
        )
    except FileNotFoundError:
        return None
    except (ValueError, KeyError, TypeError):
        raise DamagedError(
            f"{folder / POINTER} is damaged; run `rollbook publish` to make it again"
        ) from None


def open_reader(path: Path) -> duckdb.DuckDBPyConnection:
    """Open a snapshot for reading, with everything else shut.

    Parameters
    ----------
    path : Path
        Snapshot file.

    Returns
    -------
    duckdb.DuckDBPyConnection
        Read-only connection that can touch no other file and whose settings are locked.
    """
    # All of it in the configuration: once the settings are locked, a second reader of the same file
    # in one process could not make them.
    return duckdb.connect(
        str(path),
        read_only=True,
        config={
            "threads": "2",
            "memory_limit": "2GB",
            "max_execution_time": str(LONGEST_QUERY_MS),
            "enable_external_access": "false",
            "lock_configuration": "true",
        },
    )


def publish(
    connection: duckdb.DuckDBPyConnection,
    shop: ShopFolder,
    meanings: list[tuple[str, str, str, str]],
    now: dt.datetime,
) -> Snapshot:
    """Copy all of `out` into a new snapshot file and point readers at it.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        Writer.
    shop : ShopFolder
        The shop.
    meanings : list of (table, column, unit, meaning)
        Dictionary of the published columns, which travels with them.
    now : datetime
        Time of publishing, with its zone.

    Returns
    -------
    Snapshot
        The new snapshot, or the standing one when nothing differs from it.
    """
    folder = shop.published
    folder.mkdir(parents=True, exist_ok=True)
    names = [name for name in statements.definitions() if name.startswith("out.")]
    content = _content_hash(connection, names, meanings)
    try:
        standing = _pointed(folder)
    except DamagedError:
        standing = None
    if standing and standing.content == content and _is_sound(standing.path):
        return standing
    number = 1 + max((_number(path) for path in folder.glob("snap-*.duckdb")), default=0)
    if standing:
        number = max(number, standing.number + 1)
    target = folder / f"snap-{number:08d}.duckdb"
    made = folder / f"making-{number:08d}.duckdb"
    for leftover in folder.glob("making-*"):
        leftover.unlink()
    connection.execute(f"ATTACH '{_quoted(made)}' AS published")
    try:
        # One transaction: each commit of its own would wait for the disk, hundreds of times.
        with transaction(connection):
            _fill(connection, names, meanings)
    finally:
        connection.execute("DETACH published")
    made.replace(target)
    snapshot = Snapshot(number, target, now, content)
    write_whole(
        folder / POINTER,
        json.dumps(
            {
                "number": number,
                "file": target.name,
                "published_at": now.isoformat(),
                "content": content,
            },
            indent=1,
        ),
    )
    _sweep(folder, number)
    return snapshot


def _is_sound(path: Path) -> bool:
    """Whether a snapshot is there and can be opened: else it is published anew."""
    if not path.is_file():
        return False
    try:
        with contextlib.closing(open_reader(path)) as reader:
            first(reader, "SELECT count(*) FROM out.file")
    except duckdb.Error:
        return False
    return True


def _fill(
    connection: duckdb.DuckDBPyConnection,
    names: list[str],
    meanings: list[tuple[str, str, str, str]],
) -> None:
    connection.execute("CREATE SCHEMA published.out")
    for name in names:
        connection.execute(f"CREATE TABLE published.{name} AS SELECT * FROM {name}")  # noqa: S608
    connection.execute(
        "CREATE TABLE published.out.column_meaning "
        "(table_name VARCHAR, column_name VARCHAR, unit VARCHAR, meaning VARCHAR)"
    )
    connection.execute(
        "INSERT INTO published.out.column_meaning SELECT unnest(row) FROM "
        "(SELECT unnest(?::STRUCT(a VARCHAR, b VARCHAR, c VARCHAR, d VARCHAR)[]) AS row)",
        [[dict(zip("abcd", row, strict=True)) for row in meanings]],
    )


def _content_hash(
    connection: duckdb.DuckDBPyConnection,
    names: list[str],
    meanings: list[tuple[str, str, str, str]],
) -> str:
    # The order of rows in a table is no part of its content: sum the rows' hashes, modulo 2^64.
    import hashlib

    digest = hashlib.sha256(repr(sorted(meanings)).encode())
    for name in sorted(names):
        listed = ", ".join(columns(connection, name))
        row = first(
            connection,
            f"SELECT count(*), sum(hash({listed})::HUGEINT) % 18446744073709551616 FROM {name}",  # noqa: S608
        )
        digest.update(f"{name}({listed})={row}".encode())
    return digest.hexdigest()


def _quoted(path: Path) -> str:
    return str(path).replace("'", "''")


def _number(path: Path) -> int:
    return int(path.stem.removeprefix("snap-"))


def _sweep(folder: Path, number: int) -> None:
    for path in folder.glob("snap-*.duckdb"):
        if _number(path) <= number - KEPT_SNAPSHOTS:
            # A reader on another system may still hold it; the next publish tries again.
            with contextlib.suppress(OSError):
                path.unlink()
