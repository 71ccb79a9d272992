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


def broken(
    connection: duckdb.DuckDBPyConnection, steps: Iterable[Step]
) -> list[tuple[statements.Check, int]]:
    """Return the checks that find rows, with their number.

    What a step makes besides its first table changes with that one: there, rows are counted only.
    """
    head = {table: step.tables[0] for step in steps for table in (*step.tables, *step.beside)}
    contents = Contents(connection, counted=head.keys() - head.values())
    reads = {check: statements.of_tables(check.names) for check in statements.checks()}
    whole = {
        check: {*read, *(head.get(name, name) for name in read)} for check, read in reads.items()
    }
    contents.of({name for read in whole.values() for name in read})
    marks = {check: fingerprint(check.query, contents.of(read)) for check, read in whole.items()}
    row = store.first(
        connection, "SELECT made_from FROM raw.finished WHERE flow_name = ?", FINISHED
    )
    sound = set(json.loads(row[0])) if row else set()
    found = store.failed_checks(connection, [check for check in marks if marks[check] not in sound])
    told = {check for check, _ in found}
    now_sound = sorted(mark for check, mark in marks.items() if check not in told)
    store.finish(connection, {FINISHED: json.dumps(now_sound)})
    return found
