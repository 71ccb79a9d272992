"""Brings derived tables up to what they rest on: the one cycle that every step goes through.

A step declares its tables, what it reads, what each of its keys is made from and how it is made.
Gathering, comparing, making in batches and replacing stand here, once.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import partial
from itertools import chain
from typing import Any, NamedTuple

import duckdb
import polars as pl

from flows.steps.progress import Progress, Runner
from flows.steps.refresh import fingerprint, short_hash
from schemas.settings import ShopSettings
from warehouse import statements, store
from warehouse.contents import Contents
from warehouse.shop import ShopFolder

Records = Mapping[str, list[dict[str, Any]] | pl.DataFrame]
"""Rows by table; the engine fills in `made_from`."""

Mapped = Callable[[Callable[[list[Any]], Records], Iterable[list[Any]], int], Iterable[Records]]
"""Makes so many batches, wherever it likes, and keeps their order."""

WHOLE = ""
"""The one key of a step whose tables are made as a whole."""
FINISHED = "derive: "
"""Before a step's name in raw.finished."""


class Given(NamedTuple):
    """What a step may know besides its inputs."""

    shop: ShopFolder
    settings: ShopSettings


class Inputs(NamedTuple):
    """What each key is to be made from: a mark by key, and the payloads of some of them."""

    marks: dict[str, str]
    load: Callable[[list[str]], list[Any]]


@dataclass(frozen=True)
class Step:
    """How some tables are derived.

    `make` is handed payloads and nothing else: it may run anywhere.
    """

    name: str
    doing: str
    version: int
    """Raise it when the step gives other rows for the same inputs."""
    tables: tuple[str, ...]
    """Its own tables; rows of the first carry `made_from`."""
    reads: tuple[str, ...]
    inputs: Callable[[duckdb.DuckDBPyConnection, Given], Inputs]
    make: Callable[[Given, list[Any]], Records]
    key: str = WHOLE
    set_by: Callable[[ShopSettings], object] = field(default=lambda _: None)
    """Settings that change every key."""
    beyond: Callable[[ShopFolder], object] = field(default=lambda _: None)
    """What it reads of the shop's folder: not made again where that is as it was."""
    through: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    """Tables without the key: the column that they share with another of these tables."""
    beside: tuple[str, ...] = ()
    """Tables of its own that `settle` and `within` keep."""
    batch: int = 250
    """Keys that are made at once: about a second's work, for a process that is handed them."""
    settle: Callable[[duckdb.DuckDBPyConnection, list[str]], None] | None = None
    """What is found out of the keys that are due before it is known what they are made from."""
    within: Callable[[duckdb.DuckDBPyConnection, list[str], list[str]], None] | None = None
    """What else is done, in the transaction that changes some keys and removes others."""


def marks(frame: pl.DataFrame, key: str, without: Collection[str] = ()) -> dict[str, str]:
    """Return a hash of all rows of each key, in their order."""
    told = pl.struct(name for name in frame.columns if name not in without)
    rows = frame.select(pl.col(key), text=told.struct.json_encode())
    if rows[key].n_unique() < rows.height:
        rows = rows.group_by(key, maintain_order=True).agg(pl.col("text").str.join("\n"))
    return {name: short_hash(said) for name, said in rows.iter_rows()}


def with_settings(
    frame: pl.DataFrame, columns: tuple[str, ...], told: Callable[..., object]
) -> pl.DataFrame:
    """Return rows with a hash of the settings that hold for some of their values."""
    values = frame.select(columns).unique()
    hashes = [fingerprint(told(*row)) for row in values.iter_rows()]
    known = values.with_columns(pl.Series("settings", hashes, dtype=pl.String))
    return frame.join(known, on=list(columns), how="left", nulls_equal=True, maintain_order="left")


def by_key(
    key: str,
    parts: Mapping[str, pl.DataFrame],
    more: Callable[[list[str]], Callable[[str], dict[str, Any]]] | None = None,
    without: Collection[str] = (),
) -> Inputs:
    """Return inputs of which each key has rows in some frames.

    A payload holds the key and its rows by the frame's name, and what `more` finds for some keys.
    """
    told = {name: marks(frame, key, without) for name, frame in parts.items()}
    keys = dict.fromkeys(one for of_part in told.values() for one in of_part)
    wanted = {one: ";".join(of_part.get(one, "") for of_part in told.values()) for one in keys}

    def load(due: list[str]) -> list[dict[str, Any]]:
        rows = {name: rows_by(frame, key, due) for name, frame in parts.items()}
        found = more(due) if more else lambda _: {}
        return [
            {key: one, **{name: rows[name].get(one, []) for name in parts}, **found(one)}
            for one in due
        ]

    return Inputs(wanted, load)


def rows_by(frame: pl.DataFrame, key: str, keys: list[str]) -> dict[str, list[dict[str, Any]]]:
    """Return rows of some keys as records."""
    found: dict[str, list[dict[str, Any]]] = {}
    for row in frame.filter(pl.col(key).is_in(keys)).iter_rows(named=True):
        found.setdefault(row[key], []).append(row)
    return found


def whole(mark: str, load: Callable[[], Any]) -> Inputs:
    """Return the inputs of a step whose tables are made as a whole, from one payload."""
    return Inputs({WHOLE: mark}, lambda _: [load()])


def each(function: Callable[[Given, Any], Records]) -> Callable[[Given, list[Any]], Records]:
    """Return the making of a batch that makes one payload after the other."""
    return partial(_each, function)


def _each(function: Callable[[Given, Any], Records], given: Given, payloads: list[Any]) -> Records:
    made: dict[str, list[Any]] = {}
    for payload in payloads:
        for table, rows in function(given, payload).items():
            if len(rows):
                made.setdefault(table, []).append(rows)
    return {
        table: pl.concat(parts) if isinstance(parts[0], pl.DataFrame) else list(chain(*parts))
        for table, parts in made.items()
    }


def ordered(steps: Iterable[Step]) -> list[Step]:
    """Return steps so that none reads what a later one makes; else in the order given."""
    left, found = list(steps), []
    while left:
        to_come = {table: step for step in left for table in (*step.tables, *step.beside)}
        for step in left:
            read = statements.of_tables(step.reads)
            if all(to_come.get(table, step) is step for table in read):
                break
        else:
            raise ValueError(f"steps that rest on each other: {[step.name for step in left]}")
        left.remove(step)
        found.append(step)
    return found


def figures_settings(settings: ShopSettings) -> dict[str, Any]:
    """Return the settings that may change a figure."""
    return settings.model_dump(exclude={"show", "schedule", "tell"})


def made_here(
    make: Callable[[list[Any]], Records], payloads: Iterable[list[Any]], _: int
) -> Iterable[Records]:
    """Make batches in this process, each as it is asked for."""
    return map(make, payloads)


def bring_up(
    connection: duckdb.DuckDBPyConnection,
    steps: Iterable[Step],
    given: Given,
    run: Runner,
    progress: Progress,
    mapped: Mapped = made_here,
    contents: Contents | None = None,
) -> dict[str, int]:
    """Take each step whose inputs, settings, code or tables changed; return how many keys it made.

    A step of which nothing changed is not even gathered. `contents` knows afterwards what is held.
    """
    contents = contents or Contents(connection)
    reads, state = _states(steps, given, contents)
    finished = _finished(connection)
    made = dict.fromkeys((step.name for step in ordered(steps)), 0)
    changed: set[str] = set()
    looked_at = []
    for step in ordered(steps):
        # Of what was just made anew no sum is taken to see that it changed.
        if not changed & reads[step.name] and finished.get(FINISHED + step.name) == state(step):
            continue
        made[step.name] = run(step.name, bring_one_up, connection, step, given, progress, mapped)
        looked_at.append(step)
        contents.changed((*step.tables, *step.beside))
        changed |= {*step.tables} if made[step.name] else set()
    contents.of(table for step in looked_at for table in (*reads[step.name], step.tables[0]))
    # All at once: none of them can change what an earlier one read or made.
    store.finish(connection, {FINISHED + step.name: state(step) for step in looked_at})
    return made


def _finished(connection: duckdb.DuckDBPyConnection) -> dict[str, str]:
    return dict(connection.execute("SELECT flow_name, made_from FROM raw.finished").fetchall())


def _states(
    steps: Iterable[Step], given: Given, contents: Contents
) -> tuple[dict[str, set[str]], Callable[[Step], str]]:
    """Return what each step reads, and what tells the state that it was, or is to be, taken in."""
    heads = {table: step.tables[0] for step in steps for table in (*step.tables, *step.beside)}
    settings = figures_settings(given.settings)
    reads = {
        step.name: {heads.get(table, table) for table in statements.of_tables(step.reads)}
        for step in steps
    }

    def state(step: Step) -> str:
        told = contents.of({*reads[step.name], step.tables[0]})
        set_by, beyond = step.set_by(given.settings), step.beyond(given.shop)
        return fingerprint(step.version, settings, set_by, told, beyond)

    return reads, state


class Due(NamedTuple):
    """What a step would make again."""

    step: str
    keys: int
    """Of which it is known by what stands now."""
    at_most: int
    """All that it has, where what it reads is made again too."""


def due(
    connection: duckdb.DuckDBPyConnection,
    steps: Iterable[Step],
    given: Given,
    *,
    all_follow: bool = False,
) -> list[Due]:
    """Return what would be made again, told from the declarations; nothing is made.

    `all_follow` says that what the first of them read is yet to change.
    """
    reads, state = _states(steps, given, Contents(connection))
    finished = _finished(connection)
    moving: set[str] = set()
    found = []
    for step in ordered(steps):
        follows = all_follow or not moving.isdisjoint(reads[step.name])
        is_as_it_was = finished.get(FINISHED + step.name) == state(step)
        if is_as_it_was and not follows:
            continue
        inputs, _, keys, gone = _compared(connection, step, given)
        if not (keys or gone or follows):
            continue
        moving.update(step.tables, step.beside)
        found.append(Due(step.name, len(keys), len(inputs.marks) if follows else len(keys)))
    return found


def bring_one_up(
    connection: duckdb.DuckDBPyConnection,
    step: Step,
    given: Given,
    progress: Progress,
    mapped: Mapped = made_here,
) -> int:
    """Gather, compare, make what is due in batches, replace; return how many keys were made."""
    inputs, wanted, due, gone = _compared(connection, step, given)
    if step.settle and (due or gone):
        step.settle(connection, due)
        inputs, wanted, due, gone = _compared(connection, step, given)
    if gone:
        _replace(connection, step, (), [], gone)
    batches = [due[start : start + step.batch] for start in range(0, len(due), step.batch)]
    # Loaded one by one, as they are asked for: all of them need not fit into memory.
    payloads = (inputs.load(keys) for keys in batches)
    results = mapped(partial(step.make, given), payloads, len(batches))
    done = 0
    for keys, records in zip(batches, results, strict=True):
        _replace(connection, step, _signed(connection, step, records, wanted), keys, [])
        done += len(keys)
        progress(done, len(due), step.doing)
    return len(due)


def _compared(
    connection: duckdb.DuckDBPyConnection, step: Step, given: Given
) -> tuple[Inputs, dict[str, str], list[str], list[str]]:
    """Return what is wanted of each key, which are due, and which stand and should not."""
    inputs = step.inputs(connection, given)
    of_all = fingerprint(step.version, step.set_by(given.settings))
    wanted = {key: short_hash(f"{of_all} {mark}") for key, mark in inputs.marks.items()}
    standing = _standing(connection, step)
    due = [key for key, made_from in wanted.items() if standing.get(key) != made_from]
    gone = [key for key in standing if key not in wanted]
    return inputs, wanted, due, gone


def _standing(connection: duckdb.DuckDBPyConnection, step: Step) -> dict[str, str]:
    head = step.tables[0]
    if "made_from" not in store.columns(connection, head):
        return {}
    key = step.key or f"'{WHOLE}'"
    found = connection.execute(f"SELECT DISTINCT {key}, made_from FROM {head}").fetchall()  # noqa: S608
    standing = dict(found)
    # Rows of two fingerprints under one key are not of one making.
    return standing if len(standing) == len(found) else dict.fromkeys(standing, "")


def _signed(
    connection: duckdb.DuckDBPyConnection, step: Step, records: Records, wanted: dict[str, str]
) -> Iterator[tuple[str, pl.DataFrame]]:
    """Return the rows of each table with the fingerprint that belongs to them."""
    for table, rows in records.items():
        columns = store.columns(connection, table)
        if not isinstance(rows, pl.DataFrame):
            if "made_from" in columns:
                rows = [row | {"made_from": wanted[row.get(step.key, WHOLE)]} for row in rows]
            yield table, store.frame(connection, table, rows)
        elif "made_from" in columns and rows.height:
            of_row = pl.col(step.key).replace_strict(wanted, return_dtype=pl.String)
            yield table, rows.with_columns(made_from=of_row)
        else:
            yield table, rows


def _replace(
    connection: duckdb.DuckDBPyConnection,
    step: Step,
    records: Iterable[tuple[str, pl.DataFrame]],
    made: list[str],
    gone: list[str],
) -> None:
    """Replace the rows of some keys, in a parent table and its children, in one transaction.

    A kill between two commits would leave a fingerprint without its rows, which nothing would make
    again. So the table that carries it is filled last.
    """
    frames = dict(records)
    with store.transaction(connection):
        for table in (*step.through, *(t for t in step.tables if t not in step.through)):
            _delete(connection, step, table, made + gone)
        for table in reversed(step.tables):
            if table in frames:
                store.insert(connection, table, frames[table])
        if step.within:
            step.within(connection, made, gone)


def _delete(connection: duckdb.DuckDBPyConnection, step: Step, table: str, keys: list[str]) -> None:
    if not step.key:
        connection.execute(f"DELETE FROM {table}")  # noqa: S608
    elif table in step.through:
        column, parent = step.through[table]
        connection.execute(
            f"DELETE FROM {table} WHERE {column} IN (SELECT {column} FROM {parent} "  # noqa: S608
            f"WHERE {step.key} IN (SELECT unnest(?)))",
            [keys],
        )
    else:
        store.delete(connection, table, step.key, keys)
