"""The nightly self-check: whether all that was promised is still there and still true."""

from __future__ import annotations

import hashlib
import shutil
from pathlib import Path

import duckdb

from flows.steps.archive import LEDGER, archived_path, read_ledger
from flows.steps.layout_gaps import layout_gaps
from flows.steps.progress import Progress
from warehouse import store
from warehouse.shop import ShopFolder
from warehouse.snapshot import current, open_reader


def self_check(
    connection: duckdb.DuckDBPyConnection, shop: ShopFolder, progress: Progress
) -> list[str]:
    """Return everything that is not as it should be, a sentence each.

    Reads every archived file and compares it with its name; looks for every sample file; runs
    every check of the store; opens the published snapshot; copies settings, layouts and the
    ledger of arrivals to `backups/`.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        Writer.
    shop : ShopFolder
        The shop.
    progress : callable
        Called with done, total and a word.

    Returns
    -------
    list of str
        Problems; empty when all is well.
    """
    problems: list[str] = []
    ledger = _ledger(shop)
    known = {sha for (sha,) in connection.execute("SELECT file_sha256 FROM raw.file").fetchall()}
    if lost := known - ledger:
        problems.append(
            f"archive: the ledger of arrivals lacks {len(lost)} files that the database knows; "
            f"bring {LEDGER} back from backups/"
        )
    if late := ledger - known:
        problems.append(
            f"database: {len(late)} archived files are not in it; run `rollbook update`"
        )
    shas = sorted(known | ledger)
    for done, sha in enumerate(shas, start=1):
        path = archived_path(shop, sha)
        if not path.is_file():
            problems.append(f"archive: {sha} is gone; restore it from a backup of archive/")
        elif _hash(path) != sha:
            problems.append(f"archive: {sha} no longer holds the bytes it is named after")
        if done % 200 == 0 or done == len(shas):
            progress(done, len(shas), "checking the archive")
    for (path,) in connection.execute(
        "SELECT DISTINCT sample_path FROM raw.reading WHERE sample_path IS NOT NULL"
    ).fetchall():
        if not (shop.root / path).is_file():
            problems.append(
                f"samples: {path} is gone; delete warehouse/ and run `rollbook update` to make all "
                "samples again from the archive"
            )
    problems += [
        f"{check.table}: {check.name}: {count} rows break it. {check.reason}"
        for check, count in store.failed_checks(connection)
        if check.severity == "fail"
    ]
    problems += [f"layouts: {told}" for told in layout_gaps(connection)]
    try:
        snapshot = current(shop.root)
    except store.DamagedError as damage:
        problems.append(f"published: {damage}")
        snapshot = None
    if snapshot is not None:
        try:
            reader = open_reader(snapshot.path)
            store.first(reader, "SELECT count(*) FROM out.file")
            reader.close()
        except duckdb.Error as error:
            problems.append(
                f"published: {snapshot.path.name} cannot be read ({error}); run `rollbook publish`"
            )
    _back_up(shop, keep_ledger=bool(lost))
    return problems


def _hash(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _ledger(shop: ShopFolder) -> set[str]:
    path = shop.archive / LEDGER
    if not path.is_file():
        return set()
    return {entry["file_sha256"] for entry in read_ledger(path, path.read_text(encoding="utf-8"))}


def _back_up(shop: ShopFolder, *, keep_ledger: bool) -> None:
    shop.backups.mkdir(exist_ok=True)
    sources = [shop.settings, shop.archive / LEDGER, *sorted(shop.layouts.glob("*.toml"))]
    for source in sources:
        # A ledger that lost lines must not take the place of a whole one.
        if source.is_file() and not (keep_ledger and source.name == LEDGER):
            target = shop.backups / (
                f"layouts-{source.name}" if source.parent == shop.layouts else source.name
            )
            made = target.with_name(target.name + ".making")
            shutil.copyfile(source, made)
            made.replace(target)
