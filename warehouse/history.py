"""History: what each publish changed, so that the snapshot of any day can be opened again.

`history/` holds, for each publish that changed a value, what each changed column of a row held
before it, with the cause. From the newest recorded snapshot, the anchor, one goes back: of each
column what was kept first after a day is what it held on that day. Of pictures it is kept only that
they changed. The files of a month that is over are packed into one, then those of a year.
`index.json` is written last and whole; what it does not name never was.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import os
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from decimal import ROUND_05UP, Context
from pathlib import Path
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import duckdb
import polars as pl

from warehouse import causes, statements
from warehouse.damage import DamagedError, file_sha256, first_line, put_aside
from warehouse.shop import ShopFolder
from warehouse.snapshot import SMALL_BLOCKS, Part, Snapshot, current, gone_from, seal
from warehouse.store import first, quoted, transaction
from warehouse.whole_file import write_whole

INDEX = "index.json"
DRAWN = {
    "cruise_cell",
    "expected_mixture_cell",
    "expected_mixture_speed",
    "fuel_change_cell",
    "gain_budget",
    "gain_curve",
    "health_curve",
    "map_revision_speed",
    "news",
    "pooled_curve",
    "pressure_cell",
    "pull_curve",
    "session_curve",
    "similar_build",
    "transient",
}
"""Tables that are drawn, or told and ranked anew from others: of a key (a value of the first
column) that an eye can tell from what it was, the past shows nothing."""
LEFT_OUT = (
    "Left out where they changed since: curves with their bands, maps, builds alike, what an "
    "interval is made of, and news. Of those only today's are kept."
)
DRAWN_PLACES, DRAWN_DIGITS = 1, 3
"""What an eye can tell of a picture: places of a percent, digits of all else."""
NOTE = re.compile(r"\[?\{\"code\": ")
"""Facts that a sentence is made of: its figures are cut like those of columns."""
DIGITS, DIGITS_OF_DOUBT = (Context(prec=n, rounding=ROUND_05UP) for n in (6, 5))
"""Of a number that is kept. The last is neither 0 nor 5 where more followed, so that rounding it
further, as pages do, tells the same as rounding the number itself."""
DOUBT = re.compile(r"\w+_(?:p|sd|sd_pct|share)|share_of_\w+")
"""Columns that are read to two digits, or compared with a threshold of as many."""
CHANGE = pl.Schema(
    {"number": pl.Int64, "since": pl.Int64}
    | dict.fromkeys(("table_name", "key", "row", "column_name", "cause", "held"), pl.String)
)
KEPT = "FROM change ORDER BY table_name, key, row"
COLUMNS = " "
"""Between the columns of a row that changed at once; what they held is a JSON list then."""
AS_TODAY = {"column_meaning", "likeness"}
"""The meaning of columns is the program's; of likeness it is asked only why a build alike is."""
NOT_KEPT = AS_TODAY | {"gearing", "log_quality", "pull_source", "same_pull"}
"""Beside those, tables of which no question asks anything."""
NOT_ASKED = {
    "gain": {"peak_verdict_p", "gain_at_peak_pct", "gain_at_peak_w", "peak_gain_w"},
    "pooled_effect": {"i2_share"},
    "pooled_member": {"gain_pct", "gain_sd_pct"},
    "promise": {"next_lower_pct", "next_upper_pct"},
}
"""Columns that no question asks for: the past holds nothing there, as in tables not kept."""
MADE_FROM = "made_from"
"""Fingerprints are no value that a person reads: rows made again alike are the same rows."""
ABSENT = ""
"""Instead of a column's name: no such row stood then, or no such picture as now."""
PACKED_ROWS = 16384
"""Rows in a group of a packed file: a reader of an older day skips all but the first groups."""
VIEW_DIGITS = 16
"""Of a sum that tells a view's rows apart, which have one key: earlier versions kept 32."""
OF_A_DAY, OF_A_MONTH, OF_A_YEAR = (
    f"COMPRESSION {how}"
    for how in ("zstd, COMPRESSION_LEVEL 9", "brotli", "zstd, COMPRESSION_LEVEL 19")
)
"""How files are packed: a fifth smaller by the month and a seventh by the year, for some 3 s of the
processor once a month and 13 once a year; a day's file stands for a month only."""
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
    holds: dict[str, str] = {}  # noqa: RUF012 it is never changed
    """By table, a sum of what it holds: equal ones are not read."""

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
        the first that can be told, and for one that has not come.
        """
        last = dt.datetime.fromisoformat(self.states[-1][0])
        if day > max(last.date(), dt.datetime.now(last.tzinfo).date()):
            raise HistoryError(f"{day} has not come yet: leave the day out for what stands now")
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
        if said.pop("check") != seal(said):
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
    write_whole(folder / INDEX, json.dumps({**said, "check": seal(said)}, indent=None))


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
        snapshot.path.name, snapshot.content, snapshot.sha256, parts, versions, _grains(),
        dict(snapshot.holds),
    )  # fmt: skip
    index = _known(shop, tell)
    if index is None or index.anchor != anchor:
        index = _gone_on(shop, index, anchor, snapshot, tell)
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


def _zone(connection: duckdb.DuckDBPyConnection, anchor: Anchor) -> dt.tzinfo:
    """Return the shop's own zone: a past day is one of its calendar."""
    found = connection.execute(
        f'SELECT setting_json FROM "{Path(anchor.file).stem}".out.setting '  # noqa: S608
        "WHERE setting = 'shop.timezone'"
    ).fetchall()
    return ZoneInfo(json.loads(found[0][0])) if found else dt.UTC


def _known(shop: ShopFolder, tell: Callable[[str], None]) -> Index | None:
    try:
        return read_index(shop.history)
    except DamagedError as error:
        tell(f"{error}. It lies in warehouse/damaged/ now.")
        put_aside(shop, shop.history / INDEX, f"history-{INDEX}")
        return None


def _gone_on(
    shop: ShopFolder,
    index: Index | None,
    anchor: Anchor,
    snapshot: Snapshot,
    tell: Callable[[str], None],
) -> Index:
    """Return the index with one more state; the same states where no value changed."""
    if index and anchor.content == index.anchor.content:
        return replace(index, anchor=anchor)
    known = index if index and index.anchor.stands(shop.published) else None
    before = known.anchor.files(shop.published) if known else []
    with _opened(before, anchor.files(shop.published)) as connection:
        at = snapshot.published_at.astimezone(_zone(connection, anchor)).isoformat()
        states = [*(index.states if index else ()), (at, snapshot.number)]
        number = len(states) - 1
        if index is None:
            return Index(anchor, states)
        if known is None:
            lost = "the snapshot that it went on from is gone"
            tell(f"History begins anew: {lost}, and what is published now is another.")
            return Index(anchor, states, [], number, lost)
        if not _find_changes(connection, index.anchor, anchor, number):
            return replace(index, anchor=anchor)
        name = f"rows-{number:08d}-{number:08d}.parquet"
        kept = _kept(connection, shop.history / name, number, number, KEPT, OF_A_DAY)
    return replace(index, anchor=anchor, states=states, files=[*index.files, kept])


@contextlib.contextmanager
def _opened(*files: list[Path]) -> Iterator[duckdb.DuckDBPyConnection]:
    """Open snapshots, each under the name of its file, with the parts that they are made of."""
    with duckdb.connect(config={"threads": "2"}) as connection:
        connection.execute("SET TimeZone = 'UTC'")
        for path in dict.fromkeys(path for of_one in files for path in of_one):
            connection.execute(f"ATTACH '{quoted(path)}' AS \"{path.stem}\" (READ_ONLY)")
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
    """Fill the table `change` with what the changed columns of a row held; return how many."""
    old, new = Path(before.file).stem, Path(after.file).stem
    connection.execute(
        "CREATE TABLE change (number BIGINT, since BIGINT, table_name VARCHAR, key VARCHAR, "
        "row VARCHAR, column_name VARCHAR, cause VARCHAR, held VARCHAR)"
    )
    was, now = _tables(connection, old), _tables(connection, new)
    sides = [
        Side(place, anchor, tables, gone_from(connection, place))
        for place, anchor, tables in ((old, before, was), (new, after, now))
    ]
    thinned = _thinned(connection, sides)
    looked_at = {
        table: found
        for table in sorted((was.keys() | now.keys()) - NOT_KEPT)
        if not before.holds.get(table)
        or before.holds[table] != after.holds.get(table)
        or was.get(table) != now.get(table)
        if (found := _where_to_look(connection, table, sides, thinned))
    }
    _find_rows(
        connection, sides, {t: told for t, told in looked_at.items() if t not in DRAWN}, number
    )
    for table in sorted(DRAWN & looked_at.keys()):
        connection.execute(
            f"INSERT INTO change SELECT {number}, 0, '{table}', key, '', '{ABSENT}', '', NULL "  # noqa: S608
            f"FROM ({_drawn_changes(table, sides, looked_at[table])})"
        )
    causes.tell(connection, old, new, _new_versions(before, after, was, now))
    (count,) = first(connection, "SELECT count(*) FROM change") or (0,)
    return count


Columns = dict[str, str]


class Side(NamedTuple):
    """One of two snapshots that are compared."""

    place: str
    anchor: Anchor
    tables: dict[str, Columns]
    gone: str
    """The query for the keys that it leaves out of its parts."""


def _thinned(connection: duckdb.DuckDBPyConnection, sides: Sequence[Side]) -> set[str]:
    """Return the parts of which two snapshots leave out other keys."""
    one, other = (f"({side.gone})" for side in sides)
    found = connection.execute(
        f"SELECT file FROM ({one} EXCEPT {other}) UNION SELECT file FROM ({other} EXCEPT {one})"  # noqa: S608
    )
    return {file for (file,) in found.fetchall()}


def _find_rows(
    connection: duckdb.DuckDBPyConnection,
    sides: Sequence[Side],
    looked_at: Mapping[str, Mapping[str, str]],
    number: int,
) -> None:
    """Add to the table `change` the rows that came, and what changed of those that stood."""
    then, now = (
        _of_one_side(connection, side, other, looked_at) for side, other in (sides, sides[::-1])
    )
    changed: list[tuple] = [
        (number, 0, *which, ABSENT, "", None) for which in now.keys() - then.keys()
    ]
    for which, row in then.items():
        other, (was, is_now) = now.get(which, {}), (one.tables.get(which[0], {}) for one in sides)
        held = {}
        for name, value in (dict.fromkeys(other) | row).items():
            if name not in other or value != other[name]:
                told = _cut(name, was.get(name), value)
                if name not in other or told != _cut(name, is_now[name], other[name]):
                    held[name] = told
        if held:
            told = [*held.values()]
            text = told[0] if len(told) == 1 else json.dumps(told, ensure_ascii=False)
            changed.append((number, 0, *which, COLUMNS.join(held), "", text))
    connection.register("changed rows", pl.DataFrame(changed, schema=CHANGE, orient="row"))
    connection.execute('INSERT INTO change FROM "changed rows"')


def _of_one_side(
    connection: duckdb.DuckDBPyConnection,
    side: Side,
    other: Side,
    looked_at: Mapping[str, Mapping[str, str]],
) -> dict[tuple[str, str, str], dict[str, str | None]]:
    """Return the rows that are not alike on the other side, as texts by what tells them apart."""
    kept: dict[str, list[str]] = {}
    queries = []
    for table, rows in looked_at.items():
        if side.place not in rows:
            continue
        columns = side.tables[table]
        kept[table] = [name for name in columns if _is_kept(table, name)]
        told = ", ".join(_identity(columns, side.anchor.grains.get(table, [])))
        texts = ", ".join(f"{name}::VARCHAR" for name in kept[table])
        query = f"SELECT '{table}', {told}, [{texts}] FROM {rows[side.place]}"  # noqa: S608
        if other.place in rows:
            query += (
                f" AND {_digest(table, columns)} NOT IN "  # noqa: S608
                f"(SELECT {_digest(table, other.tables[table])} FROM {rows[other.place]})"
            )
        queries.append(query)
    if not queries:
        return {}
    return {
        (table, key, row): dict(zip(kept[table], values, strict=True))
        for table, key, row, values in connection.execute(" UNION ALL ".join(queries)).fetchall()
    }


def _digest(table: str, columns: Columns) -> str:
    return f"hash({', '.join(name for name in columns if _is_kept(table, name))})"


def _is_kept(table: str, name: str) -> bool:
    return name != MADE_FROM and name not in NOT_ASKED.get(table, ())


def _cut(name: str, kind: str | None, value: str | None) -> str | None:
    if value and kind == "DOUBLE":
        return str((DIGITS_OF_DOUBT if DOUBT.fullmatch(name) else DIGITS).create_decimal(value))
    if not value or not NOTE.match(value):
        return value
    with contextlib.suppress(ValueError):  # what a person wrote may look like a note
        note = json.loads(value, parse_float=lambda told: float(DIGITS.create_decimal(told)))
        return json.dumps(note, ensure_ascii=False)
    return value


def _drawn_changes(table: str, sides: Sequence[Side], rows: Mapping[str, str]) -> str:
    """Return the query for the keys whose picture came, went or changed."""
    sums = []
    for side in sides:
        columns = side.tables.get(table, {})
        told = ", ".join(_seen(*column) for column in columns.items())
        sums.append(
            f"SELECT {_key(columns)} AS key, sum(hash('{' '.join(columns)}', {told})::HUGEINT) "  # noqa: S608
            f"AS seen FROM {rows[side.place]} GROUP BY 1"
            if side.place in rows
            else "SELECT NULL AS key, NULL AS seen WHERE false"
        )
    return (
        f"SELECT key FROM ({sums[0]}) AS a FULL JOIN ({sums[1]}) AS b USING (key) "  # noqa: S608
        "WHERE a.seen IS DISTINCT FROM b.seen"
    )


def _seen(name: str, kind: str) -> str:
    """Return what an eye can tell of a drawn column."""
    if kind != "DOUBLE":
        return name
    if name.endswith("_pct"):
        return f"round({name}, {DRAWN_PLACES})"
    digits = f"{DRAWN_DIGITS - 1} - floor(log10(abs({name})))::INT"
    return f"if({name} = 0 OR NOT isfinite({name}), {name}, round({name}, {digits}))"


def _all(columns: Columns) -> str:
    return ", ".join(name for name in columns if name != MADE_FROM)


def _parts(anchor: Anchor, table: str) -> set[str]:
    return {file for file, of in anchor.parts if of == f"out.{table}"}


def _key(columns: Columns) -> str:
    return f"coalesce({next(iter(columns))}::VARCHAR, '')"


def _identity(columns: Columns, grain: Sequence[str]) -> list[str]:
    """Return what tells a row from all others: the rest of its grain; of a view's, all of it."""
    if grain:
        rest = [name for name in grain if name != next(iter(columns))]
        row = f"concat_ws('|', {', '.join(rest)})" if rest else "''"
    else:
        row = f"left(md5(row({_all(columns)})::VARCHAR), {VIEW_DIGITS})"
    return [f'{_key(columns)} AS "the key"', f'{row} AS "the row"']


def _where_to_look(
    connection: duckdb.DuckDBPyConnection, table: str, sides: Sequence[Side], thinned: set[str]
) -> dict[str, str]:
    """Return by snapshot in what a table's changes are; of a long one only parts not alike."""
    own = [_parts(side.anchor, table) for side in sides]
    there = [side for side in sides if table in side.tables]
    if not all(own):
        return {side.place: f'"{side.place}".out.{table} WHERE true' for side in there}
    shared = own[0] & own[1] - thinned
    if own[0] | own[1] == shared:
        return {}
    keys, rows = [], []
    for side, files in zip(sides, own, strict=True):
        mine = sorted(files - shared)
        key = next(iter(side.tables[table]))
        keys.append(
            " UNION ALL ".join(_of_part(side, file, "keys", "key") for file in mine)
            or "SELECT NULL AS key, 0 AS rows, 0::UBIGINT AS digest WHERE false"
        )
        rows.append(
            " UNION ALL ".join(_of_part(side, file, "rows", f"{key}::VARCHAR") for file in mine)
            or f'FROM "{side.place}".out.{table} WHERE false'
        )
    connection.execute(
        f'CREATE TEMP TABLE "in parts of {table}" AS '  # noqa: S608
        f"SELECT DISTINCT coalesce(key, '') FROM (({keys[0]}) EXCEPT ({keys[1]}) "
        f"UNION ALL (({keys[1]}) EXCEPT ({keys[0]})))"
    )
    return {
        side.place: f'({of_side}) WHERE {_key(side.tables[table])} IN (FROM "in parts of {table}")'
        for side, of_side in zip(sides, rows, strict=True)
    }


def _of_part(side: Side, file: str, what: str, key: str) -> str:
    return (
        f'FROM "{Path(file).stem}".main.{what} '  # noqa: S608
        f"ANTI JOIN (SELECT key AS gone FROM ({side.gone}) WHERE file = '{file}') ON gone = {key}"
    )


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
    connection: duckdb.DuckDBPyConnection, path: Path, first: int, last: int, query: str, how: str
) -> KeptFile:
    """Write rows beside their place, then put them there."""
    made = path.with_name(f".making-{path.name}")
    try:
        connection.execute(
            f"COPY ({query}) TO '{quoted(made)}' "
            f"(FORMAT parquet, {how}, ROW_GROUP_SIZE {PACKED_ROWS})"
        )
        with made.open("rb+") as file:
            os.fsync(file.fileno())
        kept = KeptFile(first, last, path.name, made.stat().st_size, file_sha256(made))
        made.replace(path)
    finally:
        made.unlink(missing_ok=True)
    return kept


def _packed(folder: Path, index: Index) -> Index | None:
    """Return the index with months, then years, that are over packed; None if none are.

    What is packed tells its days by their last publish.
    """
    ends = index.ends_of_days()
    found = index
    months, years = _over(index, len("2026-03")), _over(index, len("2026"))
    for run, how in [*((run, OF_A_MONTH) for run in months), *((run, OF_A_YEAR) for run in years)]:
        if any(file not in found.files or not (folder / file.name).is_file() for file in run):
            continue
        with duckdb.connect() as connection:
            name = f"rows-{run[0].first:08d}-{run[-1].last:08d}.parquet"
            query = (
                "WITH one AS (SELECT * REPLACE (coalesce(lag(number) OVER "  # noqa: S608
                "(PARTITION BY table_name, key, row, column_name ORDER BY number), 0) AS since) "
                f"FROM ({_by_column(folder, run)})) SELECT number, since, table_name, key, row, "
                f"string_agg(column_name, '{COLUMNS}' ORDER BY column_name) AS column_name, cause, "
                "if(count(*) = 1, any_value(held), "
                "to_json(list(held ORDER BY column_name))::VARCHAR) AS held "
                "FROM one WHERE since = 0 OR EXISTS "
                f"(FROM (SELECT unnest({ends}) AS place) WHERE since <= place AND place < number) "
                "GROUP BY number, since, table_name, key, row, cause "
                "ORDER BY one.since > 0, table_name, key, row, number"
            )
            one = _kept(connection, folder / name, run[0].first, run[-1].last, query, how)
        others = [file for file in found.files if file not in run]
        found = replace(found, files=sorted([*others, one]))
    return found if found is not index else None


def _over(index: Index, length: int) -> list[list[KeptFile]]:
    """Return the files of each month or year that is over, where they are several in a row."""
    of_state = [at[:length] for at, _ in index.states]
    runs: dict[str, list[KeptFile]] = {}
    for file in index.files:
        period = of_state[file.last]
        run = runs.setdefault(period, [])
        # A month that a clock set back came into twice: only what follows on each other is packed.
        if period != of_state[-1] and (not run or file.first == run[-1].last + 1):
            run.append(file)
    return [run for run in runs.values() if len(run) > 1]


def _parquet(folder: Path, files: list[KeptFile]) -> str:
    paths = ", ".join(f"'{quoted(folder / file.name)}'" for file in files)
    return f"read_parquet([{paths}])"


def _by_column(folder: Path, files: list[KeptFile], where: str = "true") -> str:
    """Return the query for what changed, each column a row."""
    return (
        f"SELECT * REPLACE (unnest(string_split(column_name, '{COLUMNS}')) AS column_name, "  # noqa: S608
        f"unnest(if(contains(column_name, '{COLUMNS}'), from_json(held, '[\"VARCHAR\"]'), [held])) "
        f"AS held) FROM {_parquet(folder, files)} WHERE {where}"
    )


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
            connection.execute(f"ATTACH '{quoted(made)}' AS past {SMALL_BLOCKS}")
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
                            f"CREATE VIEW past.out.{table} AS {_today(now, table, columns)}"
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
    told = _by_column(folder, files, f"since <= {place} AND number > {place}")
    connection.execute(
        "CREATE TEMP TABLE back AS SELECT table_name, key, row, column_name, "  # noqa: S608
        f"min(number) AS number, arg_min({{'held': held}}, number).held AS held FROM ({told}) "
        "GROUP BY ALL"
    )
    found = connection.execute("SELECT DISTINCT table_name, column_name FROM back").fetchall()
    held: dict[str, list[str]] = {}
    for table, column in found:
        held.setdefault(table, []).append(column)
    return held


def _today(now: str, table: str, columns: Columns, and_: str = "") -> str:
    """Return the query for today's rows of a table, without what is not kept of its past."""
    unknown = ", ".join(
        f"NULL::{columns[name]} AS {name}"
        for name in sorted(NOT_ASKED.get(table, ()))
        if name in columns
    )
    rows = f'SELECT {and_}*{f" REPLACE ({unknown})" * bool(unknown)} FROM "{now}".out.{table}'  # noqa: S608
    return f"{rows} WHERE {table not in NOT_KEPT - AS_TODAY}"


def _put_back(
    connection: duckdb.DuckDBPyConnection,
    now: str,
    table: str,
    columns: Columns,
    grain: list[str],
    held: list[str],
) -> None:
    """Make a table's view: today's rows, and of the rows that changed since those of then."""
    if table in DRAWN:
        _leave_out(connection, now, table, columns)
        return
    then = "".join(
        f", max(CASE WHEN column_name = '{name}' THEN held END) AS \"then {name}\""
        for name in columns
        if name in held
    )
    connection.execute(
        "CREATE OR REPLACE TEMP TABLE stood AS SELECT key, row, list(column_name) AS held, "  # noqa: S608
        f"arg_min(column_name, number) = '{ABSENT}' AS is_absent{then} "
        f"FROM (SELECT * REPLACE ({'row' if grain else f'left(row, {VIEW_DIGITS})'} AS row) "
        f"FROM back WHERE table_name = '{table}') GROUP BY key, row"
    )
    told = ", ".join(
        f"CASE WHEN list_contains(held, '{name}') THEN \"then {name}\"::{kind} ELSE {name} END "
        f"AS {name}"
        if name in held
        else f"'' AS {name}"
        if name == MADE_FROM
        else name
        for name, kind in columns.items()
    )
    today = _today(now, table, columns, f"{', '.join(_identity(columns, grain))}, ")
    is_same = 'key = "the key" AND row = "the row"'
    connection.execute(
        f'CREATE TABLE past.main."rows of {table}" AS SELECT {told} FROM stood '  # noqa: S608
        f"LEFT JOIN ({today}) ON {is_same} WHERE NOT is_absent"
    )
    connection.execute(f'CREATE TABLE past.main."changed {table}" AS SELECT key, row FROM stood')  # noqa: S608
    connection.execute(
        f"CREATE VIEW past.out.{table} AS SELECT {', '.join(columns)} FROM ({today}) "  # noqa: S608
        f'ANTI JOIN main."changed {table}" ON {is_same} UNION ALL FROM main."rows of {table}"'
    )


def _leave_out(
    connection: duckdb.DuckDBPyConnection, now: str, table: str, columns: Columns
) -> None:
    """Make a drawn table's view: what changed since is left out of it."""
    connection.execute(
        f'CREATE TABLE past.main."changed {table}" AS SELECT DISTINCT key FROM back '  # noqa: S608
        f"WHERE table_name = '{table}'"
    )
    connection.execute(
        f'CREATE VIEW past.out.{table} AS FROM "{now}".out.{table} '  # noqa: S608
        f'WHERE {_key(columns)} NOT IN (SELECT key FROM main."changed {table}")'
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
