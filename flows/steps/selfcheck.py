"""The nightly self-check of archive, samples, store, layouts and snapshot."""

from __future__ import annotations

import duckdb

from flows.readers.source import UnreadableError
from flows.steps.archive import restored, sound_pieces, told_nameless
from flows.steps.layout_gaps import layout_gaps
from flows.steps.ledger import LEDGER, look_at_ledger, nameless
from flows.steps.progress import Heal, Progress, quietly_mended
from flows.steps.samples import DamagedSamplesError, sound_samples
from schemas.layout import read_layouts
from warehouse import history, snapshot, store
from warehouse.acts import JOURNAL, entries_of, journal, kept_in
from warehouse.archived import archived_path, held, put_damaged_plain_aside
from warehouse.shop import ShopFolder
from warehouse.whole_file import write_whole


def self_check(
    connection: duckdb.DuckDBPyConnection,
    shop: ShopFolder,
    progress: Progress,
    heal: Heal = quietly_mended,
) -> list[str]:
    """Return every problem found, a sentence each.

    Reads all there is: every value of the database, every archived file and sample file, the
    ledger and the published snapshot, each held against its own sum; runs every check of the
    store; copies settings, layouts and the ledger of arrivals to `backups/`.
    """
    problems = [
        f"database: {told}; the next `rollbook update` puts it aside and makes it again"
        for told in store.damaged_tables(connection)
    ]
    if problems:
        store.condemn(shop, "found by the nightly check")
        return problems
    ledger = look_at_ledger(connection, shop)
    if ledger.damage or ledger.lost:
        remedy = "bring it back from a backup" if ledger.lost else "run `rollbook update`"
        problems.append(f"archive: {ledger.damage}; {remedy}")
    if ledger.fresh:
        problems.append(
            f"database: {len(ledger.fresh)} arrivals are not in it; run `rollbook update`"
        )
    problems += _archive(connection, shop, progress, heal)
    broken = entries_of(journal(shop))[1]
    if broken:
        problems.append(
            f"archive: {JOURNAL}: line {broken[0]} was changed, or one before it is gone; compare "
            "it with its copy in backups/ or with a backup"
        )
    problems += _samples(connection, shop, progress)
    problems += [
        f"{check.table}: {check.name}: {count} rows break it. {check.reason}"
        for check, count in store.failed_checks(connection)
        if check.severity == "fail"
    ]
    problems += [f"layouts: {told}" for told in layout_gaps(connection)]
    if told := snapshot.damage(shop):
        problems.append(f"published: {told}")
        # The schedule then publishes again by itself.
        connection.execute("DELETE FROM raw.finished WHERE flow_name = 'publish'")
    problems += [f"history: {told}" for told in history.damage(shop)]
    _, mistakes = read_layouts(shop.layouts)
    problems += [f"layouts/{name} has mistakes: {told[0]}" for name, told in mistakes.items()]
    spoilt = {*mistakes, *([LEDGER] if ledger.damage or ledger.lost else [])}
    _back_up(shop, spoilt | ({JOURNAL} if broken else set()))
    return problems


def _archive(
    connection: duckdb.DuckDBPyConnection, shop: ShopFolder, progress: Progress, heal: Heal
) -> list[str]:
    """Hold every archived file against its name, and look for bytes that no line names."""
    problems = []
    known = {sha for (sha,) in connection.execute("SELECT file_sha256 FROM raw.file").fetchall()}
    acted = kept_in(journal(shop))
    for done, sha in enumerate(sorted(known | acted.keys()), start=1):
        if put_damaged_plain_aside(shop, sha):
            heal(
                f"{archived_path(shop, sha)} was damaged ({sha[:12]}) and now lies in "
                f"{shop.warehouse.name}/damaged/; its packed copy is sound and is read."
            )
        try:
            for _ in sound_pieces(shop, sha):
                pass
        except UnreadableError as error:
            if told := restored(connection, shop, sha):
                heal(told)
                continue
            names = connection.execute(
                "SELECT string_agg(job_folder || '/' || file_name, ', ' ORDER BY ALL) "
                "FROM raw.arrival WHERE file_sha256 = ?",
                [sha],
            ).fetchall()
            problems.append(f"archive: {error} ({names[0][0] or acted[sha]}). {error.remedy}")
        if done % 200 == 0 or done == len(known | acted.keys()):
            progress(done, len(known | acted.keys()), "checking the archive")
    unnamed = held(shop) - known - acted.keys()
    if standing := nameless(connection, shop):
        problems.append(f"archive: {told_nameless(shop, standing)}")
    elif unnamed:
        problems.append(
            f"archive: {len(unnamed)} files are named by no line of the ledger; bring {LEDGER} "
            "back from a backup, or put the jobs they belong to into the inbox again"
        )
    return problems


def _samples(
    connection: duckdb.DuckDBPyConnection, shop: ShopFolder, progress: Progress
) -> list[str]:
    """Read every sample file; a damaged one is put aside, so that the next intake misses it."""
    problems = []
    paths = connection.execute(
        "SELECT DISTINCT sample_path FROM raw.reading WHERE sample_path IS NOT NULL ORDER BY ALL"
    ).fetchall()
    for done, (path,) in enumerate(paths, start=1):
        try:
            sound_samples(shop, path)
        except DamagedSamplesError as error:
            problems.append(f"samples: {error}")
        if done % 200 == 0 or done == len(paths):
            progress(done, len(paths), "checking the samples")
    return problems


def _back_up(shop: ShopFolder, spoilt: set[str]) -> None:
    shop.backups.mkdir(exist_ok=True)
    ledgers = [shop.archive / LEDGER, shop.archive / JOURNAL]
    sources = [shop.settings, *ledgers, *sorted(shop.layouts.glob("*.toml"))]
    for source in sources:
        # A damaged file must not replace a whole copy.
        if source.is_file() and source.name not in spoilt:
            target = shop.backups / (
                f"layouts-{source.name}" if source.parent == shop.layouts else source.name
            )
            write_whole(target, source.read_bytes())
