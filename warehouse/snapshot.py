"""Published snapshots: an immutable file of everything that may be shown, swapped in whole."""

from __future__ import annotations

import contextlib
import datetime as dt
import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import duckdb

from warehouse import statements
from warehouse.damage import DamagedError, file_sha256, first_line, is_damage, put_aside, remove
from warehouse.shop import ShopFolder
from warehouse.store import columns, first, transaction
from warehouse.whole_file import write_whole

POINTER = "current.json"
REMEDY = "run `rollbook publish` to make it again"
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
    size_bytes: int = -1
    sha256: str = ""
    """Of the file; unknown of one that was published before these were written down."""


def current(shop: Path) -> Snapshot | None:
    """Return the snapshot that readers should open now.

    Raises DamagedError if the pointer is damaged or names a file that is not there.
    """
    found = _pointed(ShopFolder(shop).published)
    if found is None:
        return None
    if not found.path.is_file():
        raise DamagedError(f"the published snapshot {found.path} is gone; {REMEDY}")
    if found.size_bytes not in (-1, found.path.stat().st_size):
        raise DamagedError(f"the published snapshot {found.path} is not whole; {REMEDY}")
    return found


def damage(shop: ShopFolder) -> str:
    """Return what is wrong with the published snapshot, every byte of it read; "" if nothing."""
    try:
        found = current(shop.root)
    except DamagedError as told:
        return str(told)
    if found is None or _is_sound(found):
        return ""
    return f"the published snapshot {found.path} no longer holds what was published; {REMEDY}"


def _pointed(folder: Path) -> Snapshot | None:
    path = folder / POINTER
    try:
        pointer = json.loads(path.read_text(encoding="utf-8"))
        seal = pointer.pop("check", None)
        if seal is not None and seal != _seal(pointer):
            raise ValueError
        number = int(pointer["number"])
        if pointer["file"] != _name(number):
            raise ValueError
        return Snapshot(
            number=number,
            path=folder / _name(number),
            published_at=dt.datetime.fromisoformat(pointer["published_at"]),
            content=str(pointer["content"]),
            size_bytes=int(pointer.get("size_bytes", -1)),
            sha256=str(pointer.get("sha256", "")),
        )
    except FileNotFoundError:
        # Snapshots without a pointer: it was lost, not never written.
        if any(folder.glob("snap-*.duckdb")):
            raise DamagedError(f"{path} is gone; {REMEDY}") from None
        return None
    except (ValueError, KeyError, TypeError, AttributeError, IsADirectoryError):
        raise DamagedError(f"{path} is damaged; {REMEDY}") from None


def _seal(pointer: dict[str, object]) -> str:
    return hashlib.sha256(json.dumps(pointer, sort_keys=True).encode()).hexdigest()[:16]


def _name(number: int) -> str:
    return f"snap-{number:08d}.duckdb"


def open_reader(path: Path) -> duckdb.DuckDBPyConnection:
    """Open a snapshot for reading, with everything else shut.

    Raises DamagedError if it is no database any more. A block that is damaged shows only when it is
    read.
    """
    # All of it in the configuration: once the settings are locked, a second reader of the same file
    # in one process could not make them.
    config: dict[str, str | bool | int | float | list[str]] = {
        "threads": "2",
        "memory_limit": "2GB",
        "max_execution_time": str(LONGEST_QUERY_MS),
        "enable_external_access": "false",
        "lock_configuration": "true",
    }
    try:
        return duckdb.connect(str(path), read_only=True, config=config)
    except duckdb.Error as error:
        if not is_damage(error):
            raise
        raise DamagedError(
            f"the published snapshot {path} is damaged ({first_line(error)}); {REMEDY}"
        ) from None


def publish(
    connection: duckdb.DuckDBPyConnection,
    shop: ShopFolder,
    meanings: list[tuple[str, str, str, str]],
    now: dt.datetime,
    heal: Callable[[str], None] | None = None,
) -> Snapshot:
    """Copy all of `out` into a new snapshot file and point readers at it."""
    folder = shop.published
    folder.mkdir(parents=True, exist_ok=True)
    names = [name for name in statements.definitions() if name.startswith("out.")]
    content = _content_hash(connection, names, meanings)
    try:
        standing = _pointed(folder)
        told = ""
    except DamagedError as error:
        standing, told = None, str(error)
    if standing and standing.content == content:
        if _is_sound(standing):
            return standing
        told = f"the published snapshot {standing.path} was lost or damaged"
    if told and heal is not None:
        heal(f"{told.partition(';')[0]}: it was published again.")
    number = 1 + max((_number(path) for path in folder.glob("snap-*.duckdb")), default=0)
    if standing:
        number = max(number, standing.number + 1)
        if told and standing.path.exists():
            # A reader on another system may still hold it; it is swept like any old one then.
            with contextlib.suppress(OSError):
                put_aside(shop, standing.path, "snapshot.duckdb")
    target = folder / _name(number)
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
    size_bytes, sha256 = made.stat().st_size, file_sha256(made)
    made.replace(target)
    _point(folder, snapshot := Snapshot(number, target, now, content, size_bytes, sha256))
    _sweep(folder, number)
    return snapshot


def _point(folder: Path, snapshot: Snapshot) -> None:
    pointer: dict[str, object] = {
        "number": snapshot.number,
        "file": snapshot.path.name,
        "published_at": snapshot.published_at.isoformat(),
        "content": snapshot.content,
        "size_bytes": snapshot.size_bytes,
        "sha256": snapshot.sha256,
    }
    pointer["check"] = _seal(pointer)
    if (folder / POINTER).is_dir():
        remove(folder / POINTER)
    write_whole(folder / POINTER, json.dumps(pointer, indent=1))


def _is_sound(snapshot: Snapshot) -> bool:
    """Whether a snapshot's file is byte for byte what was published: else it is made anew."""
    return snapshot.path.is_file() and file_sha256(snapshot.path) == snapshot.sha256


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
