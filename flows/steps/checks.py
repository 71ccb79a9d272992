"""Asks the checks that stand beside the tables, each only where what it reads changed."""

from __future__ import annotations

import json
from collections.abc import Iterable

import duckdb

from flows.steps.engine import Step
from flows.steps.refresh import fingerprint
from warehouse import statements, store
from warehouse.contents import Contents

FINISHED = "checks"
"""In raw.finished: a hash of each check that found nothing, with what it read."""


def contents_of(connection: duckdb.DuckDBPyConnection, steps: Iterable[Step]) -> Contents:
    """Return what tables hold; of those that change with a step's first one, how many rows.

    The first one carries what each key was made from: it differs wherever one of the others may.
    """
    counted: dict[str, str] = {}
    for step in steps:
        if "made_from" in store.columns(connection, step.tables[0]):
            counted |= dict.fromkeys((*step.tables[1:], *step.beside), step.tables[0])
    return Contents(connection, counted)


def broken(
    connection: duckdb.DuckDBPyConnection, steps: Iterable[Step], contents: Contents
) -> list[tuple[statements.Check, int]]:
    """Return the checks that find rows, with their number."""
    first = {table: step.tables[0] for step in steps for table in (*step.tables, *step.beside)}
    reads = {}
    for check in statements.checks():
        tables = statements.of_tables(check.names)
        reads[check] = {*tables, *(first.get(name, name) for name in tables)}
    contents.of({name for read in reads.values() for name in read})
    marks = {check: fingerprint(check.query, contents.of(read)) for check, read in reads.items()}
    row = store.first(
        connection, "SELECT made_from FROM raw.finished WHERE flow_name = ?", FINISHED
    )
    sound = set(json.loads(row[0])) if row else set()
    asked = [check for check in marks if marks[check] not in sound]
    found = store.failed_checks(connection, asked, contents.from_rows)
    told = {check for check, _ in found}
    now_sound = {mark for check, mark in marks.items() if check not in told}
    if now_sound != sound:
        store.finish(connection, {FINISHED: json.dumps(sorted(now_sound))})
    return found
