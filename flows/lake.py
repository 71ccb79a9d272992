"""What this shop may give goes to a store of many shops; what they gave is read as of a day."""

from __future__ import annotations

import datetime as dt
import hashlib
import tempfile
import tomllib
from pathlib import Path

import polars as pl

from flows.share import to_share, write_share
from warehouse.many import Batch, ManyShops, ManyShopsError
from warehouse.many.embedded import Embedded
from warehouse.many.lake import Lake
from warehouse.snapshot import Snapshot

LAKE = "lake.toml"
TABLE = "comparisons"
_ENTRIES = {"catalogue", "rows"}


def opened(place: Path, client: Path | None) -> ManyShops:
    """Return the store in a folder: a lake where it has a lake.toml, else one file.

    Raises ManyShopsError if a lake's entries are wrong or its client is not named.
    """
    if not (place / LAKE).is_file():
        return Embedded(place)
    try:
        told = tomllib.loads((place / LAKE).read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ManyShopsError(f"{place / LAKE} cannot be read: {error}") from None
    if not told.keys() <= _ENTRIES or not isinstance(told.get("catalogue"), str):
        raise ManyShopsError(f"{place / LAKE} has `catalogue`, and may have `rows`; nothing else")
    if client is None:
        # Not from the shared folder: who may write there would choose what runs here.
        raise ManyShopsError("a lake needs its client: name that environment's Python by --client")
    return Lake(told["catalogue"], place / told.get("rows", "rows"), client)


def give(shop: Path, snapshot: Snapshot, many: ManyShops) -> tuple[Batch, bool]:
    """Append what a shop may share of its newest publish; return it, and whether it is new."""
    rows = to_share(shop, snapshot).rows
    if rows.is_empty():
        raise ManyShopsError("this shop has nothing yet that it may share")
    # Of the rows, not of the file: another version of a library writes the same rows otherwise.
    content = hashlib.sha256(rows.write_csv().encode()).hexdigest()
    with tempfile.TemporaryDirectory(prefix="rollbook") as folder:
        file = Path(folder) / "share.parquet"
        write_share(file, rows)
        batch = Batch(rows["shop_id"][0], snapshot.number, content, {TABLE: file})
        return batch, many.append(batch)


def take(many: ManyShops, into: Path, at: dt.datetime | None) -> tuple[int, int]:
    """Write each shop's newest share file, as of a time, into a folder; return state and shops."""
    state = many.state(at)
    if not state:
        raise ManyShopsError("nobody gave anything by then")
    with tempfile.TemporaryDirectory(prefix="rollbook") as folder:
        file = Path(folder) / "all.parquet"
        many.read(TABLE, file, state)
        rows = pl.read_parquet(file)
    newest = rows.filter(pl.col("number") == pl.col("number").max().over("shop"))
    by_shop = newest.partition_by("shop", as_dict=True)
    for (shop,), given in by_shop.items():
        write_share(into / f"{shop}.parquet", given.drop("shop", "number"))
    return state, len(by_shop)
