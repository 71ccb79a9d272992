"""Does a writer's work, and once more where something proves damaged that can be made again."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

import duckdb

from flows.steps.progress import Heal
from flows.steps.samples import DamagedSamplesError, put_damaged_samples_aside
from warehouse import store
from warehouse.shop import ShopFolder

Result = TypeVar("Result")


def healing(
    shop: ShopFolder,
    work: Callable[[duckdb.DuckDBPyConnection], Result],
    heal: Heal,
    *,
    wait_s: float = 0.0,
) -> Result:
    """Return what work gives that begins with an intake; told what was put aside to get there."""
    try:
        with store.writer(shop, wait_s=wait_s, heal=heal) as connection:
            return work(connection)
    except DamagedSamplesError:
        # Put other damaged files aside too, or the second try would stop at the next.
        put_damaged_samples_aside(shop)
    except store.DatabaseWasDamagedError:
        pass  # put aside already, and told
    with store.writer(shop, wait_s=wait_s, heal=heal) as connection:
        return work(connection)
