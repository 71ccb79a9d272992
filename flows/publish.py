"""Publish: everything that may be shown goes into a new snapshot, and readers are pointed at it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

import duckdb

from flows.derive import STEPS
from flows.steps import checks
from flows.steps.progress import quietly_mended
from schemas.columns import COLUMNS
from warehouse import history, statements, store
from warehouse.contents import Contents
from warehouse.damage import DamagedError
from warehouse.shop import ShopFolder
from warehouse.snapshot import Snapshot, current, publish


def publish_snapshot(
    connection: duckdb.DuckDBPyConnection,
    shop: ShopFolder,
    contents: Contents | None = None,
    *,
    now: dt.datetime | None = None,
    heal: Callable[[str], None] = quietly_mended,
) -> Snapshot:
    """Publish the shop's derived tables. Nothing new makes no new snapshot.

    `contents` is what deriving found that they hold, if nothing was written to them since.
    """
    now = now or dt.datetime.now(dt.UTC)
    keep = history.anchored(shop)
    contents = contents or checks.contents_of(connection, STEPS)
    snapshot = publish(connection, shop, meanings(connection), now, contents, heal, keep)
    history.record(shop, snapshot, versions(), heal)
    # A kill between derive and here leaves the shop behind, and the next intake asks for both.
    connection.execute(
        "INSERT OR REPLACE INTO raw.finished "
        "SELECT 'publish', made_from FROM raw.finished WHERE flow_name = 'derive'"
    )
    return snapshot


def versions() -> dict[str, str]:
    """Return, for each published table, the versions of the steps that it rests on."""
    of_step = {table: f"{s.name} {s.version}" for s in STEPS for table in (*s.tables, *s.beside)}
    return {
        table.removeprefix("out."): "; ".join(
            sorted({of_step[one] for one in statements.rests_on(table) if one in of_step})
        )
        for table in statements.definitions()
        if table.startswith("out.")
    }


def meanings(connection: duckdb.DuckDBPyConnection) -> list[tuple[str, str, str, str]]:
    """Return table, column, unit and meaning of everything published."""
    return [
        (table, column, COLUMNS[column].unit, COLUMNS[column].meaning)
        for table in statements.definitions()
        if table.startswith("out.")
        for column in store.columns(connection, table)
    ]


def is_snapshot_lost(shop: ShopFolder) -> bool:
    """Whether the published snapshot is plainly not there or not whole; reads none of it."""
    try:
        current(shop.root)
    except DamagedError:
        return True
    return False
