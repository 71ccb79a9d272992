"""History: what each publish changed, so that the snapshot of any day can be opened again.

`history/` holds, for each publish that changed a value, what each changed column of a key held
before it (a key is a value of a table's first column), with the cause. From the newest recorded
snapshot, the anchor, one goes back: of each column what was kept first after a day is what it held
on that day. The files of a month that is over are packed into one, by days. `index.json` is written
last and whole; what it does not name never was.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import hashlib
import json
import os
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import duckdb

from warehouse import causes, statements
from warehouse.damage import DamagedError, file_sha256, first_line, put_aside
from warehouse.shop import ShopFolder
from warehouse.snapshot import Part, Snapshot, current
from warehouse.store import first_of_each, transaction
from warehouse.whole_file import write_whole

INDEX = "index.json"
DRAWN = {
    "cruise_cell",
    "expected_mixture_cell",
    "expected_mixture_speed",
    "fuel_change_cell",
    "gain_curve",
    "health_curve",
    "map_revision_speed",
    "pooled_curve",
    "pressure_cell",
    "pull_curve",
    "session_curve",
    "similar_build",
    "transient",
}
"""Long tables that are drawn or ranked. Of their values history keeps what an eye can tell of a
picture, percent to one place and all else to three digits; of all other tables every bit."""
PCT_PLACES, DIGITS = 1, 3
NOT_KEPT = {"likeness", "column_meaning"}
"""Tables that nobody reads a value of, and the meaning of columns, which is the program's."""
MADE_FROM = "made_from"
"""Fingerprints are no value that a person reads: rows made again alike are the same rows."""
PACKED_ROWS = 4096
"""Keys in a group of a packed file: a reader of an older day skips all but the first groups."""
_PRIMARY = re.compile(r"^ +(?:(?P<one>\w+) .*PRIMARY KEY|PRIMARY KEY \((?P<several>[^)]+)\))", re.M)


class HistoryError(LookupError):
    """What stood on a day cannot be told, with the reason."""


class KeptFile(NamedTuple):
    """A file of changes: it leads from the state `last` back to the one before `first`."""

    first: int
    last: int
    name: str
    size_bytes: int
    sha256: str


class Anchor(NamedTuple):
    """The published snapshot that is the newest state, and what tells it from others."""

    file: str
    content: str
    sha256: str
    """Of the file: where `published/` was lost, numbers begin anew and so do names."""
    parts: list[list[str]]
    """File and table of each."""
    versions: dict[str, str]
    """By table: a raised one is a cause of changes."""
    grains: dict[str, list[str]]
    """By table, the columns that tell the rows of a key apart, where its definition names them."""

    def files(self, published: Path) -> list[Path]:
        """Return its files, the snapshot's own first."""
        return [published / self.file, *(published / file for file, _ in self.parts)]

    def stands(self, published: Path) -> bool:
        """Whether all its files are there, the snapshot's own as it was."""
        own, *parts = self.files(published)
        return all(path.is_file() for path in (own, *parts)) and file_sha256(own) == self.sha256


@dataclass(frozen=True)
class Index:
    """All that is known of the past."""

    anchor: Anchor
    states: list[tuple[str, int]]
    """When each was published, and the snapshot's number; the place in the list is its own."""
    files: list[KeptFile] = field(default_factory=list)
    begins: int = 0
    """The first state that can be told: later than 0 where a part of the past was lost."""
    lost: str = ""
    """Why it begins later."""

    def place(self, day: dt.date) -> int:
        """Return the last state published until the end of a day.

        The last by number: a clock may have been set back. Raises HistoryError for a day before
        the first that can be told.
        """
        places = [p for p in self.ends_of_days() if self.states[p][0][:10] <= day.isoformat()]
        if places and places[-1] >= self.begins:
            return places[-1]
        why = f" ({self.lost})" if self.lost else ""
        raise HistoryError(
            f"history begins on {self.told(self.begins)}{why}: what stood on {day} cannot be told"
        )

    def told(self, place: int) -> str:
        """Return when a state was published, by the shop's clock."""
        return f"{dt.datetime.fromisoformat(self.states[place][0]):%Y-%m-%d %H:%M}"

    def ends_of_days(self) -> list[int]:
        """Return the states that were the last of their day, also when days came twice."""
        found: list[int] = []
        for place in reversed(range(len(self.states))):
            if not found or self.states[place][0][:10] < self.states[found[-1]][0][:10]:
                found.append(place)
        return found[::-1]

    def leading_to(self, place: int) -> list[KeptFile]:
        """Return the files that lead from the newest state back to one."""
        return [file for file in self.files if file.last > place]


def read_index(folder: Path) -> Index | None:
    """Return the index of a history; None where there is none.

    Raises DamagedError if it is not as it was written.
    """
    path = folder / INDEX
    try:
        said = json.loads(path.read_text(encoding="utf-8"))
        if said.pop("check") != _seal(said):
            raise ValueError
        return Index(
            Anchor(**said["anchor"]),
            [(at, number) for at, number in said["states"]],
            [KeptFile(*file) for file in said["files"]],
            said["begins"],
            said["lost"],
        )
    except FileNotFoundError:
        return None
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        raise DamagedError(
            f"{path} is damaged: bring it and what stands beside it back from a backup; without "
            "one history begins anew at the next publish"
        ) from None


def _write_index(folder: Path, index: Index) -> None:
    said: dict[str, Any] = asdict(index) | {"anchor": index.anchor._asdict()}
    write_whole(folder / INDEX, json.dumps({**said, "check": _seal(said)}, indent=None))


def _seal(said: dict[str, Any]) -> str:
    return hashlib.sha256(json.dumps(said, sort_keys=True).encode()).hexdigest()[:16]


def record(
    shop: ShopFolder,
    snapshot: Snapshot,
    versions: Mapping[str, str],
    tell: Callable[[str], None],
) -> None:
    """Keep what a publish changed; told, and made good by the next, where it cannot be written."""
    try:
        _record(shop, snapshot, dict(versions), tell)
    except (OSError, DamagedError, duckdb.Error) as error:
        tell(
            f"History could not be written ({first_line(error)}): the next publish covers this one."
        )


def _record(
    shop: ShopFolder, snapshot: Snapshot, versions: dict[str, str], tell: Callable[[str], None]
) -> None:
    folder = shop.history
    folder.mkdir(parents=True, exist_ok=True)
    parts = [[part.file, part.table] for part in snapshot.parts]
    anchor = Anchor(
        snapshot.path.name, snapshot.content, snapshot.sha256, parts, versions, _grains()
    )
    state = (snapshot.published_at.astimezone(_zone(anchor, shop)).isoformat(), snapshot.number)
    index = _known(shop, tell)
    if index is None:
        _write_index(folder, Index(anchor, [state]))
        return
    if index.anchor != anchor:
        index = _gone_on(shop, index, anchor, state, tell)
        _write_index(folder, index)
    if packed := _packed(folder, index):
        index = packed
        _write_index(folder, index)
    _sweep(shop, index)


def _grains() -> dict[str, list[str]]:
    """Return the columns of each table's primary key, as its definition names them."""
    found = {}
    for name, text in statements.definitions().items():
        if match := _PRIMARY.search(text):
            columns = match["several"] or match["one"]
            found[name.removeprefix("out.")] = re.findall(r"\w+", columns)
    return found


def _zone(anchor: Anchor, shop: ShopFolder) -> dt.tzinfo:
    """Return the shop's own zone: a past day is one of its calendar."""
    with _opened(anchor.files(shop.published)) as connection:
        found = connection.execute(
            f'SELECT setting_json FROM "{Path(anchor.file).stem}".out.setting '  # noqa: S608
            "WHERE setting = 'shop.timezone'"
        ).fetchall()
    return ZoneInfo(json.loads(found[0][0])) if found else dt.UTC


def _known(shop: ShopFolder, tell: Callable[[str], None]) -> Index | None:
    try:
        return read_index(shop.history)
    except DamagedError as error:
        tell(f"{first_line(error)}. It lies in warehouse/damaged/ now.")
        put_aside(shop, shop.history / INDEX, f"history-{INDEX}")
        return None


def _gone_on(
    shop: ShopFolder,
    index: Index,
    anchor: Anchor,
    state: tuple[str, int],
    tell: Callable[[str], None],
) -> Index:
    """Return the index with one more state; the same states where no value changed."""
    number = len(index.states)
    before = index.anchor.files(shop.published)
    if anchor.content == index.anchor.content:
        return replace(index, anchor=anchor)
    if not index.anchor.stands(shop.published):
        lost = "the snapshot that it went on from is gone"
        tell(f"History begins anew: {lost}, and what is published now is another.")
        return Index(anchor, [*index.states, state], [], number, lost)
    name = f"rows-{number:08d}-{number:08d}.parquet"
    with _opened(before, anchor.files(shop.published)) as connection:
        changed = _find_changes(connection, index.anchor, anchor, number)
        if not changed:
            return replace(index, anchor=anchor)
        kept = _kept(connection, shop.history / name, number, number, "SELECT * FROM change")
    return replace(index, anchor=anchor, states=[*index.states, state], files=[*index.files, kept])


@contextlib.contextmanager
def _opened(*files: list[Path]) -> Iterator[duckdb.DuckDBPyConnection]:
    """Open snapshots, each under the name of its file, with the parts that they are made of."""
    with duckdb.connect(config={"threads": "2"}) as connection:
        connection.execute("SET TimeZone = 'UTC'")
        for path in dict.fromkeys(path for of_one in files for path in of_one):
            quoted = str(path).replace("'", "''")
            connection.execute(f"ATTACH '{quoted}' AS \"{path.stem}\" (READ_ONLY)")
        yield connection


def _tables(connection: duckdb.DuckDBPyConnection, place: str) -> dict[str, dict[str, str]]:
    """Return the columns of each table of a snapshot, with their types."""
    found: dict[str, dict[str, str]] = {}
    for table, column, kind in connection.execute(
        "SELECT table_name, column_name, data_type FROM duckdb_columns() "
        "WHERE database_name = ? AND schema_name = 'out' ORDER BY table_name, column_index",
        [place],
    ).fetchall():
        found.setdefault(table, {})[column] = kind
    return found


def _find_changes(
    connection: duckdb.DuckDBPyConnection, before: Anchor, after: Anchor, number: int
) -> int:
    """Fill the table `change` with what each changed column of a key held; return how many."""
    old, new = Path(before.file).stem, Path(after.file).stem
    connection.execute(
        "CREATE TABLE change (number BIGINT, since BIGINT, table_name VARCHAR, key VARCHAR, "
        "column_name VARCHAR, cause VARCHAR, rows VARCHAR)"
    )
    was, now = _tables(connection, old), _tables(connection, new)
    for table in _other(connection, before, after, was, now):
        grain = after.grains.get(table, [])
        is_alike = was.get(table) == now.get(table) and before.grains.get(table, []) == grain
        sides = ((old, was.get(table)), (new, now.get(table)))
        narrow = _in_parts(connection, table, before, after)
        digests = [_digests(place, table, columns, narrow) for place, columns in sides]
        connection.execute(
            "CREATE OR REPLACE TEMP TABLE changed AS SELECT key, a.rows > 0 AS was_there FROM "  # noqa: S608
            f"({digests[0]}) AS a FULL JOIN ({digests[1]}) AS b USING (key) "
            "WHERE (a.rows, a.digest) IS DISTINCT FROM (b.rows, b.digest)"
        )
        connection.execute(
            "INSERT INTO change SELECT ?, 0, ?, key, '', '', NULL FROM changed "
            "WHERE was_there IS NULL",
            [number, table],
        )
        if connection.execute("SELECT 1 FROM changed WHERE was_there LIMIT 1").fetchall():
            _keep_columns(connection, table, sides, grain if is_alike else [], number)
    causes.tell(connection, old, new, _new_versions(before, after, was, now))
    return len(connection.execute("SELECT 1 FROM change").fetchall())


Columns = dict[str, str]


def _other(
    connection: duckdb.DuckDBPyConnection,
    before: Anchor,
    after: Anchor,
    was: dict[str, Columns],
    now: dict[str, Columns],
) -> list[str]:
    """Return the tables that hold other values; long ones by their parts, nothing of them read."""
    tables = sorted((was.keys() | now.keys()) - NOT_KEPT)
    in_parts = {of.removeprefix("out.") for one in (before, after) for _, of in one.parts}
    short = [t for t in tables if t not in in_parts and was.get(t) == now.get(t)]
    sides = [
        f"SELECT count(*), sum(hash({', '.join(_values(table, now[table]).values())})::HUGEINT) "  # noqa: S608
        f'FROM "{Path(one.file).stem}".out.{table}'
        for one in (before, after)
        for table in short
    ]
    sums = first_of_each(connection, sides)
    pairs = zip(short, sums[: len(short)], sums[len(short) :], strict=True)
    alike = {table for table, old, new in pairs if old == new}
    alike |= {
        t for t in in_parts if _parts(before, t) == _parts(after, t) and t in was.keys() & now
    }
    return [table for table in tables if table not in alike]


def _parts(anchor: Anchor, table: str) -> set[str]:
    return {file for file, of in anchor.parts if of == f"out.{table}"}


def _values(table: str, columns: Columns | None, grain: Sequence[str] = ()) -> dict[str, str]:
    """Return what is compared and kept of each column: of drawn tables what an eye can tell."""
    return {
        name: _drawn(name) if table in DRAWN and kind == "DOUBLE" and name not in grain else name
        for name, kind in (columns or {}).items()
        if name != MADE_FROM
    }


def _drawn(name: str) -> str:
    if name.endswith("_pct"):
        return f"round({name}, {PCT_PLACES})"
    return f"if({name} = 0, 0, round({name}, {DIGITS - 1} - floor(log10(abs({name})))::INT))"


def _digests(place: str, table: str, columns: Columns | None, narrow: str) -> str:
    """Return the query for the rows and the sum of each key; of a table not there, of none."""
    if not columns:
        return "SELECT '' AS key, 0 AS rows, 0::HUGEINT AS digest WHERE false"
    kinds = ";".join(f"{name} {kind}" for name, kind in columns.items())
    told = ", ".join(_values(table, columns).values())
    return (
        f"SELECT key, count(*) AS rows, sum(hash('{kinds}', {told})::HUGEINT) AS digest "  # noqa: S608
        f'FROM (SELECT {_key(columns)} AS key, * FROM "{place}".out.{table}) {narrow} GROUP BY key'
    )


def _key(columns: Columns) -> str:
    return f"coalesce({next(iter(columns))}::VARCHAR, '')"


def _lists(
    place: str,
    table: str,
    columns: Columns,
    grain: list[str],
    keys: str,
    *,
    is_exact: bool = False,
) -> str:
    """Return the query for each key's columns, as lists of one order."""
    order = ", ".join(grain or columns)
    lists = ", ".join(
        f"list({told} ORDER BY {order}) AS {name}"
        for name, told in _values("" if is_exact else table, columns, grain).items()
    )
    first = _key(columns)
    return (
        f'SELECT {first} AS "the key", {lists} FROM "{place}".out.{table} '  # noqa: S608
        f"WHERE {first} IN ({keys}) GROUP BY 1"
    )


def _keep_columns(
    connection: duckdb.DuckDBPyConnection,
    table: str,
    sides: tuple[tuple[str, Columns | None], tuple[str, Columns | None]],
    grain: list[str],
    number: int,
) -> None:
    """Keep, of each changed key, the columns that differ; all where it has other rows now."""
    keys = "SELECT key FROM changed WHERE was_there"
    for (place, columns), name in zip(sides, ("lists_before", "lists_after"), strict=True):
        query = (
            _lists(place, table, columns, grain, keys) if columns else "SELECT '' AS \"the key\""
        )
        connection.execute(f"CREATE OR REPLACE TEMP TABLE {name} AS {query}")
    old, new = (columns or {} for _, columns in sides)
    moved = " OR ".join(f"a.{one} IS DISTINCT FROM b.{one}" for one in grain) or "true"
    kept = [
        f"SELECT \"the key\" AS key, '{name}' AS column_name, "  # noqa: S608
        + (f"to_json(a.{name})::VARCHAR" if name in old else "'null'")
        + ' AS rows FROM lists_before AS a LEFT JOIN lists_after AS b USING ("the key") WHERE '
        + (f"{moved} OR a.{name} IS DISTINCT FROM b.{name}" if grain else "true")
        for name in (old | new)
        if name != MADE_FROM
    ]
    connection.execute(
        "INSERT INTO change SELECT ?, 0, ?, key, column_name, '', rows FROM "  # noqa: S608
        f"({' UNION ALL '.join(kept)})",
        [number, table],
    )


def _in_parts(
    connection: duckdb.DuckDBPyConnection, table: str, before: Anchor, after: Anchor
) -> str:
    """Return what narrows a long table to keys that stand in other parts, or otherwise in them."""
    own = [_parts(before, table), _parts(after, table)]
    if not all(own):
        return ""
    held = [
        " UNION ALL ".join(f'FROM "{Path(file).stem}".main.keys' for file in mine - other)
        or "SELECT NULL AS key, 0 AS rows, 0::UBIGINT AS digest WHERE false"
        for mine, other in (own, own[::-1])
    ]
    connection.execute(
        "CREATE OR REPLACE TEMP TABLE in_parts AS "  # noqa: S608
        f"SELECT DISTINCT coalesce(key, '') AS key FROM (({held[0]}) EXCEPT ({held[1]}) "
        f"UNION ALL (({held[1]}) EXCEPT ({held[0]})))"
    )
    return "SEMI JOIN in_parts USING (key)"


def _new_versions(
    before: Anchor,
    after: Anchor,
    was: dict[str, dict[str, str]],
    now: dict[str, dict[str, str]],
) -> list[str]:
    """Return the tables that another version of the program made."""
    return [
        table
        for table in was.keys() | now.keys()
        if before.versions.get(table) != after.versions.get(table)
        or was.get(table) != now.get(table)
    ]


def _kept(
    connection: duckdb.DuckDBPyConnection, path: Path, first: int, last: int, query: str
) -> KeptFile:
    """Write rows beside their place, then put them there."""
    made = path.with_name(f".making-{path.name}")
    quoted = str(made).replace("'", "''")
    try:
        connection.execute(
            f"COPY ({query}) TO '{quoted}' (FORMAT parquet, COMPRESSION zstd, "
            f"COMPRESSION_LEVEL 9, ROW_GROUP_SIZE {PACKED_ROWS})"
        )
        with made.open("rb+") as file:
            os.fsync(file.fileno())
        kept = KeptFile(first, last, path.name, made.stat().st_size, file_sha256(made))
        made.replace(path)
    finally:
        made.unlink(missing_ok=True)
    return kept


def _packed(folder: Path, index: Index) -> Index | None:
    """Return the index with the files of the months before the newest packed; None if none are.

    A packed month tells its days by their last publish.
    """
    ends = index.ends_of_days()
    of_state = [at[:7] for at, _ in index.states]
    loose = [file for file in index.files if file.first == file.last]
    due = [file for file in loose if of_state[file.last] != of_state[-1]]
    months = {of_state[file.last] for file in due}
    found = index
    for month in sorted(months):
        files = [file for file in due if of_state[file.last] == month]
        # A month that a clock set back came into twice: only what follows on each other is packed.
        run = [file for place, file in enumerate(files) if file.first == files[0].first + place]
        if len(run) < 2 or any(not (folder / file.name).is_file() for file in run):
            continue
        with duckdb.connect() as connection:
            name = f"rows-{run[0].first:08d}-{run[-1].last:08d}.parquet"
            query = (
                "WITH one AS (SELECT * REPLACE (coalesce(lag(number) OVER "  # noqa: S608
                "(PARTITION BY table_name, key, column_name ORDER BY number), 0) AS since) "
                f"FROM {_parquet(folder, run)}) FROM one WHERE since = 0 OR EXISTS "
                f"(FROM (SELECT unnest({ends}) AS place) WHERE since <= place AND place < number) "
                "ORDER BY since > 0, table_name, column_name, key, number"
            )
            one = _kept(connection, folder / name, run[0].first, run[-1].last, query)
        others = [file for file in found.files if file not in run]
        found = replace(found, files=sorted([*others, one]))
    return found if found is not index else None


def _parquet(folder: Path, files: list[KeptFile]) -> str:
    paths = ", ".join("'" + str(folder / file.name).replace("'", "''") + "'" for file in files)
    return f"read_parquet([{paths}])"


def _sweep(shop: ShopFolder, index: Index) -> None:
    """Delete what a kill left beside the files that the index names, and past states gone by."""
    named = {file.name for file in index.files}
    leftovers = [
        *(p for p in shop.history.glob("rows-*.parquet") if p.name not in named),
        *shop.history.glob(".making-*"),
        *shop.published.glob(".then-*"),
        *(
            path
            for path in shop.published.glob("then-*.duckdb")
            if not path.stem.endswith(Path(index.anchor.file).stem)
        ),
    ]
    for path in leftovers:
        # A reader on another system may hold it; the next publish tries again.
        with contextlib.suppress(OSError):
            path.unlink()


def damage(shop: ShopFolder) -> list[str]:
    """Return what is wrong with the history, every byte of it read; a sentence each."""
    try:
        index = read_index(shop.history)
    except DamagedError as error:
        return [str(error)]
    if index is None:
        return []
    return [
        f"{path} is {'damaged' if path.is_file() else 'gone'}: days before "
        f"{index.told(file.last)} cannot be shown; bring it back from a backup"
        for file in index.files
        if not _is_whole(path := shop.history / file.name, file, read=True)
    ]


def _is_whole(path: Path, file: KeptFile, *, read: bool) -> bool:
    return (
        path.is_file()
        and path.stat().st_size == file.size_bytes
        and (not read or file_sha256(path) == file.sha256)
    )


def as_of(root: Path, day: dt.date) -> Snapshot:
    """Return the snapshot that stood at a day's end, as a file that readers open like any other.

    Raises HistoryError if that cannot be told, DamagedError if what is kept is damaged.
    """
    shop = ShopFolder(root)
    for attempt in (1, 2):
        index = read_index(shop.history)
        published = current(root)
        if index is None or published is None:
            raise HistoryError(
                "there is no history yet: it begins with the next `rollbook update` or publish"
            )
        try:
            return _then(shop, index, index.place(day), published)
        except (duckdb.IOException, FileNotFoundError):
            # Packed or swept meanwhile: the index of now names what there is.
            if attempt == 2:
                raise
    raise AssertionError


def _then(shop: ShopFolder, index: Index, place: int, published: Snapshot) -> Snapshot:
    at, number = index.states[place]
    anchor = index.anchor
    if place == len(index.states) - 1 and anchor.content == published.content:
        return published
    path = shop.published / f"then-{place:08d}-{Path(anchor.file).stem}.duckdb"
    if not path.is_file():
        files = index.leading_to(place)
        for file in files:
            if not _is_whole(shop.history / file.name, file, read=False):
                raise HistoryError(
                    f"{shop.history / file.name} is gone or damaged: days before "
                    f"{index.told(file.last)} cannot be shown; bring it back from a backup"
                )
        if not anchor.stands(shop.published):
            raise HistoryError(
                "the snapshot that history goes on from is gone: the next publish tells whether "
                "the past can be shown"
            )
        _make(shop, anchor, place, files, path)
    parts = tuple(Part(file, table, -1, "") for file, table in anchor.parts)
    content = f"state {place} before {anchor.content}"
    return Snapshot(number, path, dt.datetime.fromisoformat(at), content, parts=parts)


def _make(shop: ShopFolder, anchor: Anchor, place: int, files: list[KeptFile], path: Path) -> None:
    """Write a past state: views over the anchor, and the rows that stood then instead."""
    made = path.with_name(f".then-{os.getpid()}-{place}.duckdb")
    made.unlink(missing_ok=True)
    standing = anchor.files(shop.published)
    try:
        with _opened(standing) as connection:
            quoted = str(made).replace("'", "''")
            connection.execute(f"ATTACH '{quoted}' AS past")
            back = _back(connection, shop.history, place, files)
            with transaction(connection):
                connection.execute("CREATE SCHEMA past.out")
                connection.execute("CREATE TABLE past.main.part (file VARCHAR)")
                connection.execute(
                    "INSERT INTO past.main.part SELECT unnest(?)", [[one.name for one in standing]]
                )
                now = standing[0].stem
                for table, columns in _tables(connection, now).items():
                    grain = anchor.grains.get(table, [])
                    if table in back:
                        _put_back(connection, now, table, columns, grain, back[table])
                    else:
                        connection.execute(
                            f'CREATE VIEW past.out.{table} AS FROM "{now}".out.{table}'
                        )
            connection.execute("DETACH past")
        made.replace(path)
    finally:
        made.unlink(missing_ok=True)


def _back(
    connection: duckdb.DuckDBPyConnection, folder: Path, place: int, files: list[KeptFile]
) -> dict[str, list[str]]:
    """Fill the table `back`: of each column of a key what it first held after a state.

    Return the tables and columns of which there is anything.
    """
    if not files:
        return {}
    connection.execute(
        "CREATE TEMP TABLE back AS SELECT table_name, key, column_name, min(number) AS number, "  # noqa: S608
        f"arg_min({{'rows': rows}}, number).rows AS rows FROM {_parquet(folder, files)} "
        f"WHERE since <= {place} AND number > {place} GROUP BY ALL"
    )
    found = connection.execute("SELECT DISTINCT table_name, column_name FROM back").fetchall()
    told: dict[str, list[str]] = {}
    for table, column in found:
        told.setdefault(table, []).append(column)
    return told


def _put_back(
    connection: duckdb.DuckDBPyConnection,
    now: str,
    table: str,
    columns: Columns,
    grain: list[str],
    held: list[str],
) -> None:
    """Make a table's view: today's rows, and of the keys that changed since those of then."""
    own = [name for name in columns if name != MADE_FROM]
    then = ", ".join(
        f"max(CASE WHEN column_name = '{name}' THEN rows END) AS {name}"
        for name in own
        if name in held
    )
    connection.execute(
        "CREATE OR REPLACE TEMP TABLE held AS SELECT key, "  # noqa: S608
        "arg_min(column_name, number) = '' AS is_absent, "
        f"list(column_name) AS held{', ' if then else ''}{then} "
        f"FROM back WHERE table_name = '{table}' GROUP BY key"
    )
    keys = "SELECT key FROM held WHERE NOT is_absent"
    connection.execute(
        "CREATE OR REPLACE TEMP TABLE standing AS "
        + _lists(now, table, columns, grain, keys, is_exact=True)
    )
    lists = ", ".join(
        f"unnest(CASE WHEN list_contains(h.held, '{name}') "
        f"THEN from_json(h.{name}, '[\"{columns[name]}\"]') ELSE s.{name} END) AS {name}"
        if name in held
        else f"unnest(s.{name}) AS {name}"
        for name in own
    )
    connection.execute(
        f'CREATE TABLE past.main."rows of {table}" AS SELECT {lists} FROM held AS h '  # noqa: S608
        'LEFT JOIN standing AS s ON h.key = s."the key" WHERE NOT h.is_absent'
    )
    connection.execute(f'CREATE TABLE past.main."keys of {table}" AS SELECT key FROM held')  # noqa: S608
    named = ", ".join(f"'' AS {name}" if name == MADE_FROM else name for name in columns)
    connection.execute(
        f'CREATE VIEW past.out.{table} AS SELECT {", ".join(columns)} FROM "{now}".out.{table} '  # noqa: S608
        f'WHERE {_key(columns)} NOT IN (SELECT key FROM main."keys of {table}") '
        f'UNION ALL SELECT {named} FROM main."rows of {table}"'
    )


def anchored(shop: ShopFolder) -> set[str]:
    """Return the files of `published/` that history goes on from: they are not swept."""
    try:
        index = read_index(shop.history)
    except DamagedError:
        return set()
    return {path.name for path in index.anchor.files(shop.published)} if index else set()


def why_changed(root: Path, day: dt.date) -> dict[tuple[str, str], str]:
    """Return, for each table and key that changed since a day, the cause of its last change."""
    shop = ShopFolder(root)
    index = read_index(shop.history)
    if index is None:
        return {}
    place = index.place(day)
    files = [file for file in index.leading_to(place) if (shop.history / file.name).is_file()]
    if not files:
        return {}
    with duckdb.connect() as connection:
        rows = connection.execute(
            "SELECT table_name, key, arg_max(cause, number) FROM "  # noqa: S608
            f"{_parquet(shop.history, files)} WHERE number > {place} GROUP BY ALL"
        ).fetchall()
    return {(table, key): cause for table, key, cause in rows}
