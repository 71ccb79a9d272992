"""Published snapshots: immutable files of everything that may be shown, swapped in whole.

A snapshot is a small database that holds the short tables; of the long ones it holds views over
parts, which are databases of their own. A part holds all rows of some keys (values of a table's
first column), and is shared by all snapshots in which few of these keys changed: one new job
writes its own rows, at any age of the shop. Keys of a part that are gone, or stand changed in
another one, are listed in the snapshot, and its view leaves them out.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import hashlib
import json
import re
import threading
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import NamedTuple

import duckdb

from warehouse import statements
from warehouse.contents import SUM, Contents
from warehouse.damage import DamagedError, file_sha256, first_line, is_damage, put_aside, remove
from warehouse.shop import SHOP_FORMAT, ShopFolder, refuse_newer
from warehouse.store import columns, first, quoted, transaction
from warehouse.whole_file import write_whole

POINTER = "current.json"
REMEDY = "run `rollbook publish` to make it again"
KEPT_SNAPSHOTS = 3
LONGEST_QUERY_MS = 10_000
LONG_VALUES = 200_000
"""A table of more values (rows by columns) is published in parts."""
PART_VALUES = 2_000_000
"""What a full part holds, some 16 MB: larger ones take longer to write, more of them to open."""
OUTWEIGHED = 8
"""A part that is not full is written again only with an eighth of its rows at least: a row is so
written some eight times at each of a few sizes, and a table has as many small parts as sizes."""
MOST_GONE = 1 / 8
"""A part of whose rows more are gone is written again: few rows are read in vain, and a part of
which a few rows change each day is written once in as many days as it takes to lose an eighth."""
SMALL_BLOCKS = "(BLOCK_SIZE 32768)"
"""Of what holds a hundred short tables: a column takes a block at least, 256 kB by default. Half as
large it is a tenth to a fifth smaller, and takes half again as long to write."""
_NUMBERED = re.compile(r"(?:snap|part)-(\d{8})(?:-\d{4})?\.duckdb")
_OPENING = threading.Lock()


class Part(NamedTuple):
    """A file that holds some rows of one table."""

    file: str
    table: str
    size_bytes: int
    sha256: str


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
    parts: tuple[Part, ...] = ()
    rests_on: str = ""
    """Hash of the tables that it was made from: of equal ones nothing is made to see what it is."""
    long: tuple[tuple[str, str, str], ...] = ()
    """Of each long table what it was made from, and what it holds: equal ones are not listed."""
    holds: tuple[tuple[str, str], ...] = ()
    """Of each table a sum of what it holds; none of a snapshot that an older version published."""

    def files(self) -> dict[Path, tuple[int, str]]:
        """Return all its files, with size and hash."""
        folder = self.path.parent
        parts = {folder / part.file: (part.size_bytes, part.sha256) for part in self.parts}
        return {self.path: (self.size_bytes, self.sha256), **parts}

    def damaged(self, *, read: bool) -> list[Path]:
        """Return its files that are not as published: by their size, or by every byte of them."""
        return [
            path
            for path, (size_bytes, sha256) in self.files().items()
            if not path.is_file()
            or size_bytes not in (-1, path.stat().st_size)
            or (read and file_sha256(path) != sha256)
        ]


def current(shop: Path) -> Snapshot | None:
    """Return the snapshot that readers should open now.

    Raises DamagedError if the pointer is damaged or names a file that is not there.
    """
    found = _pointed(ShopFolder(shop).published)
    if found is None:
        return None
    for path in found.damaged(read=False):
        what = "not whole" if path.is_file() else "gone"
        raise DamagedError(f"the published snapshot {path} is {what}; {REMEDY}")
    return found


def damage(shop: ShopFolder) -> str:
    """Return what is wrong with the published snapshot, every byte of it read; "" if nothing."""
    try:
        found = current(shop.root)
    except DamagedError as told:
        return str(told)
    for path in found.damaged(read=True) if found else ():
        return f"the published snapshot {path} no longer holds what was published; {REMEDY}"
    return ""


def _pointed(folder: Path) -> Snapshot | None:
    path = folder / POINTER
    try:
        pointer = json.loads(path.read_text(encoding="utf-8"))
        check = pointer.pop("check", None)
        if check is not None and check != seal(pointer):
            raise ValueError
        refuse_newer(pointer.get("format"), f"the snapshot that {path} names")
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
            parts=tuple(Part(*entries) for entries in pointer.get("parts", ())),
            rests_on=str(pointer.get("rests_on", "")),
            long=tuple((str(a), str(b), str(c)) for a, b, c in pointer.get("long", ())),
            holds=tuple((str(a), str(b)) for a, b in pointer.get("holds", ())),
        )
    except FileNotFoundError:
        # Snapshots without a pointer: it was lost, not never written.
        if any(folder.glob("snap-*.duckdb")):
            raise DamagedError(f"{path} is gone; {REMEDY}") from None
        return None
    except (ValueError, KeyError, TypeError, AttributeError, IsADirectoryError, RecursionError):
        raise DamagedError(f"{path} is damaged; {REMEDY}") from None


def seal(said: dict[str, object]) -> str:
    """Return a sum of what a small file says, to be written into it."""
    return hashlib.sha256(json.dumps(said, sort_keys=True).encode()).hexdigest()[:16]


def _name(number: int) -> str:
    return f"snap-{number:08d}.duckdb"


def open_reader(path: Path) -> duckdb.DuckDBPyConnection:
    """Open a snapshot for reading, with everything else shut.

    Raises DamagedError if it is no database any more. A block that is damaged shows only when it is
    read.
    """
    config: dict[str, str | bool | int | float | list[str]] = {
        "threads": "2",
        "memory_limit": "2GB",
        "max_execution_time": str(LONGEST_QUERY_MS),
    }
    try:
        # A second reader in one process is of the same database: all is open, and shut, already.
        with _OPENING:
            reader = duckdb.connect(str(path), read_only=True, config=config)
            if first(reader, "SELECT current_setting('lock_configuration')") != (True,):
                for part in _part_files(reader, "main"):
                    reader.execute(_attach(path.with_name(part), "(READ_ONLY)"))
                reader.execute("SET enable_external_access = false")
                reader.execute("SET lock_configuration = true")
            return reader
    except duckdb.Error as error:
        if not is_damage(error):
            raise
        raise DamagedError(
            f"the published snapshot {path} is damaged ({first_line(error)}); {REMEDY}"
        ) from None


def _part_files(connection: duckdb.DuckDBPyConnection, place: str) -> list[str]:
    """Return the parts that a snapshot is made of, none of one that was made before there were."""
    try:
        return [f for (f,) in connection.execute(f"SELECT file FROM {place}.part").fetchall()]  # noqa: S608
    except duckdb.CatalogException:
        return []


def gone_from(connection: duckdb.DuckDBPyConnection, place: str) -> str:
    """Return the query for the keys that an attached snapshot leaves out of its parts."""
    known = connection.execute(
        "SELECT 1 FROM duckdb_tables() WHERE database_name = ? AND schema_name = 'main' "
        "AND table_name = 'gone'",
        [place],
    ).fetchone()
    # One that was made before keys could be gone from a part leaves none out.
    return f'FROM "{place}".main.gone' if known else "SELECT '' AS file, '' AS key WHERE false"


def publish(
    connection: duckdb.DuckDBPyConnection,
    shop: ShopFolder,
    meanings: list[tuple[str, str, str, str]],
    now: dt.datetime,
    contents: Contents,
    heal: Callable[[str], None] | None = None,
    keep: Collection[str] = (),
) -> Snapshot:
    """Publish all of `out` as a new snapshot, of the parts that are as they were, and point to it.

    Nothing new makes no new snapshot, unless what stands is damaged. Where `contents` only counts a
    table's rows, another table must change with it. Files in `keep` are not swept.
    """
    try:
        return _published(connection, shop, meanings, now, contents, heal, keep, read=False)
    except duckdb.Error as error:
        # A part that cannot be opened looks like a damaged database: every byte of all is read.
        if not is_damage(error):
            raise
        return _published(connection, shop, meanings, now, contents, heal, keep, read=True)


def _published(
    connection: duckdb.DuckDBPyConnection,
    shop: ShopFolder,
    meanings: list[tuple[str, str, str, str]],
    now: dt.datetime,
    contents: Contents,
    heal: Callable[[str], None] | None,
    keep: Collection[str],
    *,
    read: bool,
) -> Snapshot:
    folder = shop.published
    folder.mkdir(parents=True, exist_ok=True)
    names = [name for name in statements.definitions() if name.startswith("out.")]
    looked_at = contents.of(statements.of_tables(names))
    rests_on = _hashed(meanings, statements.fingerprint(), looked_at)
    try:
        standing = _pointed(folder)
        told = ""
    except DamagedError as error:
        standing, told = None, str(error)
    is_new = standing is None or standing.rests_on != rests_on
    damaged = standing.damaged(read=read or not is_new) if standing else []
    if standing and not is_new and not damaged:
        return standing
    if damaged:
        told = f"the published snapshot {damaged[0]} was lost or damaged"
    if told and heal is not None:
        heal(f"{told.partition(';')[0]}: it was published again.")
    number = 1 + max(map(_number, folder.iterdir()), default=0)
    if standing:
        number = max(number, standing.number + 1)
    for path in damaged:
        # A reader on another system may still hold it; it is swept like any old one then.
        with contextlib.suppress(OSError):
            if path.exists():
                put_aside(shop, path, "snapshot.duckdb")
    # Which keys of its parts are gone is known by the snapshot itself.
    known = standing if standing and standing.path not in damaged else None
    kept = [p for p in known.parts if folder / p.file not in damaged] if known else []
    marks = {name: _mark(name, contents) for name in names}
    same = _same(standing, kept, marks)
    listed = _long(connection, contents, [name for name in names if name not in same])
    held = same | listed
    long = tuple((name, marks[name], held[name]) for name in held)
    maker = _Maker(connection, folder, number)
    maker.know_gone(known.path if known else None)
    target = folder / _name(number)
    with contextlib.ExitStack() as opened:
        for part in kept:
            opened.enter_context(_attached(connection, folder / part.file))
        parts = [part for part in kept if part.table in same]
        for name in listed:
            parts += maker.parts_of(name, [p for p in kept if p.table == name])
        for part in parts:  # views are held against what they show when they are made
            if part not in kept:
                opened.enter_context(_attached(connection, folder / part.file))
        size_bytes, sha256 = maker.made(
            target,
            lambda: held.update(
                _fill(
                    connection,
                    names,
                    parts,
                    meanings,
                    contents,
                    looked_at.keys() - contents.counted,
                )
            ),
            SMALL_BLOCKS,
        )
    found = {name: held.get(name) or looked_at[name] for name in names}
    content = _hashed(meanings, found)
    holds = tuple((name.removeprefix("out."), _hashed(held)[:12]) for name, held in found.items())
    if standing and standing.content == content and not standing.damaged(read=True):
        target.unlink()
        snapshot = replace(standing, rests_on=rests_on, long=long, holds=holds)
    else:
        snapshot = Snapshot(
            number, target, now, content, size_bytes, sha256, tuple(parts), rests_on, long, holds
        )
    _point(folder, snapshot)
    _sweep(connection, folder, snapshot, keep)
    return snapshot


def _mark(name: str, contents: Contents) -> str:
    return _hashed(statements.fingerprint(), contents.marks(statements.rests_on(name)))


def _same(standing: Snapshot | None, kept: list[Part], marks: dict[str, str]) -> dict[str, str]:
    """Return what those long tables hold that are as published, in parts that are all there."""
    if standing is None:
        return {}
    lost = {part.table for part in standing.parts if part not in kept}
    return {
        name: holds
        for name, mark, holds in standing.long
        if marks.get(name) == mark and name not in lost
    }


class _Maker:
    """Makes the files of one snapshot."""

    def __init__(self, connection: duckdb.DuckDBPyConnection, folder: Path, number: int) -> None:
        self._connection = connection
        self._folder = folder
        self._number = number
        self._parts = 0
        for leftover in folder.glob("making-*"):
            remove(leftover)

    def made(self, target: Path, fill: Callable[[], None], how: str = "") -> tuple[int, str]:
        """Make a database file, known as `published` while it is filled; return size and hash."""
        made = self._folder / f"making-{self._number:08d}.duckdb"
        self._connection.execute(f"ATTACH '{quoted(made)}' AS published {how}")
        try:
            # One transaction: each commit of its own would wait for the disk, hundreds of times.
            with transaction(self._connection):
                fill()
        finally:
            self._connection.execute("DETACH published")
        size_bytes, sha256 = made.stat().st_size, file_sha256(made)
        made.replace(target)
        return size_bytes, sha256

    def parts_of(self, name: str, standing: list[Part]) -> list[Part]:
        """Return the parts of a long table: those that hold only what they should, and new ones."""
        width = len(columns(self._connection, name))
        held = self._held(name, standing)
        (rows,) = first(self._connection, f"SELECT sum(rows) FROM {_keys(name)}") or (0,)  # noqa: S608
        left = sorted(held)
        if sum(held.values()) != rows:
            left = _left(held, PART_VALUES // width, rows - sum(held.values()))
        self._list_gone(name, standing, left)
        if sum(held.values()) == rows:
            return [standing[at] for at in left]
        self._connection.execute(
            "CREATE OR REPLACE TEMP TABLE placed AS "  # noqa: S608
            "SELECT *, (sum(rows) OVER (ORDER BY low, key) - rows) // ? AS part FROM "
            f"{_keys(name)} ANTI JOIN (FROM standing WHERE list_contains(?, part)) "
            "USING (key, rows, digest)",
            [max(PART_VALUES // width, 1), left],
        )
        ranges = self._connection.execute(
            "SELECT part, min(low), max(high) FROM placed GROUP BY part ORDER BY part"
        ).fetchall()
        return [*(standing[at] for at in left), *(self._part(name, *found) for found in ranges)]

    def know_gone(self, standing: Path | None) -> None:
        """Read which keys of its parts the standing snapshot leaves out."""
        self._connection.execute("CREATE OR REPLACE TEMP TABLE gone (file VARCHAR, key VARCHAR)")
        if standing:
            with _attached(self._connection, standing):
                told = gone_from(self._connection, standing.stem)
                self._connection.execute(f"INSERT INTO gone {told}")

    def _held(self, name: str, standing: list[Part]) -> dict[int, int]:
        """Return the standing parts of which little is gone, and their rows that are not."""
        self._connection.execute(
            "CREATE OR REPLACE TEMP TABLE standing "
            "(part BIGINT, key VARCHAR, rows BIGINT, digest UBIGINT)"
        )
        keys = [
            # Without its digest what is gone is like nothing that is: it does not come back.
            f"SELECT {at}, key, rows, if(gone.key IS NULL, digest, NULL) "  # noqa: S608
            f'FROM "{Path(part.file).stem}".main.keys '
            f"LEFT JOIN (FROM gone WHERE file = '{part.file}') AS gone USING (key)"
            for at, part in enumerate(standing)
        ]
        if keys:
            self._connection.execute(f"INSERT INTO standing {' UNION ALL '.join(keys)}")
        found = self._connection.execute(
            "SELECT part, coalesce(sum(rows) FILTER (low IS NOT NULL), 0)::BIGINT "  # noqa: S608
            f"FROM standing LEFT JOIN {_keys(name)} USING (key, rows, digest) GROUP BY part "
            "HAVING coalesce(sum(rows) FILTER (low IS NULL), 0) <= ? * sum(rows)",
            [MOST_GONE],
        ).fetchall()
        return dict(found)

    def _list_gone(self, name: str, standing: list[Part], left: list[int]) -> None:
        files = [part.file for part in standing]
        self._connection.execute("DELETE FROM gone WHERE file IN (SELECT unnest(?))", [files])
        self._connection.execute(
            "INSERT INTO gone SELECT list_extract(?, part + 1), key FROM standing "  # noqa: S608
            f"ANTI JOIN {_keys(name)} USING (key, rows, digest) WHERE list_contains(?, part)",
            [files, left],
        )

    def _part(self, name: str, place: int, low: int, high: int) -> Part:
        self._parts += 1
        file = f"part-{self._number:08d}-{self._parts:04d}.duckdb"
        key = next(iter(columns(self._connection, name)))

        def fill() -> None:
            self._connection.execute(
                f"CREATE TABLE published.main.rows AS SELECT * FROM {_source(name)} "  # noqa: S608
                f"WHERE rowid BETWEEN {low} AND {high} AND {key}::VARCHAR IN "
                f"(SELECT key FROM placed WHERE part = {place})"
            )
            self._connection.execute(
                "CREATE TABLE published.main.keys AS "  # noqa: S608
                f"SELECT key, rows, digest FROM placed WHERE part = {place}"
            )

        return Part(file, name, *self.made(self._folder / file, fill))


def _left(held: dict[int, int], full: int, new: int) -> list[int]:
    """Return which parts are left as they are, of their rows: whole ones, and those that outweigh.

    >>> _left({0: 900, 1: 400, 2: 40, 3: 3}, 1000, 5)
    [0, 1]
    """
    left = []
    for at in sorted(held, key=lambda one: held[one]):
        if 2 * held[at] > full or held[at] > OUTWEIGHED * new:
            left.append(at)
        else:
            new += held[at]
    return sorted(left)


def _point(folder: Path, snapshot: Snapshot) -> None:
    pointer: dict[str, object] = {
        "format": SHOP_FORMAT,
        "number": snapshot.number,
        "file": snapshot.path.name,
        "published_at": snapshot.published_at.isoformat(),
        "content": snapshot.content,
        "size_bytes": snapshot.size_bytes,
        "sha256": snapshot.sha256,
        "parts": [list(part) for part in snapshot.parts],
        "rests_on": snapshot.rests_on,
        "long": [list(one) for one in snapshot.long],
        "holds": [list(one) for one in snapshot.holds],
    }
    pointer["check"] = seal(pointer)
    if (folder / POINTER).is_dir():
        remove(folder / POINTER)
    write_whole(folder / POINTER, json.dumps(pointer, indent=1))


def _fill(
    connection: duckdb.DuckDBPyConnection,
    names: list[str],
    parts: list[Part],
    meanings: list[tuple[str, str, str, str]],
    contents: Contents,
    known: Collection[str],
) -> dict[str, str]:
    """Fill a snapshot; return what its short tables hold of which it is not known."""
    of_table: dict[str, list[str]] = {}
    for part in parts:
        of_table.setdefault(part.table, []).append(part.file)
    connection.execute("CREATE SCHEMA published.out")
    files = [part.file for part in parts]
    connection.execute(
        "CREATE TABLE published.main.part AS SELECT unnest(?::VARCHAR[]) AS file", [files]
    )
    connection.execute(
        "CREATE TABLE published.main.gone AS FROM gone WHERE file IN (SELECT unnest(?))", [files]
    )
    thinned = {f for (f,) in connection.execute("SELECT file FROM published.main.gone").fetchall()}
    for name in names:
        if name in of_table:
            key = next(iter(columns(connection, name)))
            rows = " UNION ALL ".join(
                f'FROM "{Path(file).stem}".main.rows'
                + (
                    f" ANTI JOIN main.gone ON gone.file = '{file}' AND gone.key = {key}::VARCHAR"
                    if file in thinned
                    else ""
                )
                for file in of_table[name]
            )
            connection.execute(f"CREATE VIEW published.{name} AS {rows}")
        else:
            rows = contents.rows_of(name) if statements.is_named_view(name) else name
            connection.execute(f"CREATE TABLE published.{name} AS FROM {rows}")
    connection.execute(
        "CREATE TABLE published.out.column_meaning "
        "(table_name VARCHAR, column_name VARCHAR, unit VARCHAR, meaning VARCHAR)"
    )
    connection.execute(
        "INSERT INTO published.out.column_meaning SELECT unnest(row) FROM "
        "(SELECT unnest(?::STRUCT(a VARCHAR, b VARCHAR, c VARCHAR, d VARCHAR)[]) AS row)",
        [[dict(zip("abcd", row, strict=True)) for row in meanings]],
    )
    asked = [f"published.{name}" for name in names if name not in known and name not in of_table]
    held = Contents(connection).of(asked)
    return {name.removeprefix("published."): found for name, found in held.items()}


def _long(
    connection: duckdb.DuckDBPyConnection, contents: Contents, names: list[str]
) -> dict[str, str]:
    """List the keys of long tables; return what these hold."""
    rows = _rows(connection)
    held = {}
    for name in names:
        if not _is_long(connection, name, max(rows[one] for one in statements.rests_on(name))):
            continue
        if statements.is_named_view(name):  # how many rows it has is known when it is worked out
            made = contents.rows_of(name)
            (count,) = first(connection, f"SELECT count(*) FROM {made}") or (0,)  # noqa: S608
            if not _is_long(connection, name, count):
                continue
        held[name] = _list_keys(connection, name)
    return held


def _rows(connection: duckdb.DuckDBPyConnection) -> dict[str, int]:
    """Return about how many rows each table has."""
    return dict(
        connection.execute(
            "SELECT schema_name || '.' || table_name, estimated_size FROM duckdb_tables() "
            "WHERE database_name = current_database()"
        ).fetchall()
    )


def _is_long(connection: duckdb.DuckDBPyConnection, name: str, rows: int) -> bool:
    return rows * len(columns(connection, name)) > LONG_VALUES


def _hashed(*told: object) -> str:
    return hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()


def _list_keys(connection: duckdb.DuckDBPyConnection, name: str) -> str:
    """List the keys of a long table: rows, sum, and between which places they stand."""
    key = next(iter(columns(connection, name)))
    connection.execute(
        f"CREATE OR REPLACE TEMP TABLE {_keys(name)} AS "  # noqa: S608
        f"SELECT {key}::VARCHAR AS key, count(*) AS rows, ({SUM})::UBIGINT AS digest, "
        f"min(rowid) AS low, max(rowid) AS high FROM {_source(name)} AS t GROUP BY key"
    )
    found = first(
        connection,
        "SELECT sum(rows)::BIGINT, sum(digest::HUGEINT) % 18446744073709551616 "  # noqa: S608
        f"FROM {_keys(name)}",
    )
    return str(found)


def _keys(name: str) -> str:
    return f'"keys of {name}"'


def _source(name: str) -> str:
    """Return where rows of a table can be taken by place: those of a view are set down by now."""
    return f"temp.{name.partition('.')[2]}" if statements.is_named_view(name) else name


@contextlib.contextmanager
def _attached(connection: duckdb.DuckDBPyConnection, path: Path) -> Iterator[str]:
    connection.execute(_attach(path, "(READ_ONLY)"))
    try:
        yield f'"{path.stem}"'
    finally:
        connection.execute(f'DETACH "{path.stem}"')


def _attach(path: Path, how: str) -> str:
    return f"ATTACH IF NOT EXISTS '{quoted(path)}' AS \"{path.stem}\" {how}"


def _number(path: Path) -> int:
    """Return the number of a snapshot or part; 0 of a file that is neither."""
    found = _NUMBERED.fullmatch(path.name)
    return int(found[1]) if found else 0


def _sweep(
    connection: duckdb.DuckDBPyConnection, folder: Path, newest: Snapshot, keep: Collection[str]
) -> None:
    """Delete snapshots that are no longer kept, and the parts that none of the kept ones names."""
    named = {*keep, *(part.file for part in newest.parts)}
    old = []
    for path in filter(_number, folder.glob("snap-*.duckdb")):
        if path.name in named:
            continue
        if _number(path) <= newest.number - KEPT_SNAPSHOTS:
            old.append(path)
        elif path != newest.path:
            with contextlib.suppress(duckdb.Error), _attached(connection, path) as place:
                named |= set(_part_files(connection, f"{place}.main"))
    for path in (
        *old,
        *(p for p in filter(_number, folder.glob("part-*.duckdb")) if p.name not in named),
    ):
        # A reader on another system may still hold it; the next publish tries again.
        with contextlib.suppress(OSError):
            path.unlink()
