"""Intake: whatever lies in the inbox is archived, read, judged and given its place."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection
from typing import NamedTuple

import duckdb

from flows.steps.acts import write_acts
from flows.steps.archive import archive_arrivals, lost_from_archive, restore_from_inbox
from flows.steps.cards import load_cards
from flows.steps.inbox import Entry
from flows.steps.link import OUT, link_jobs
from flows.steps.notes import write_notes
from flows.steps.progress import Progress, Runner, plainly, quietly
from flows.steps.read import read_files, sweep_samples
from flows.steps.samples import forget_lost_samples
from flows.steps.shop_notes import load_shop_notes
from flows.steps.sweep import sweep_half_made
from flows.steps.times import Taken
from schemas.layout import read_layouts
from schemas.settings import ShopSettings
from warehouse.archived import forget_unpacked
from warehouse.sentences import in_words, remedy_in_words
from warehouse.shop import ShopFolder


class IntakeResult(NamedTuple):
    """What one intake did, and where the inbox stands after it."""

    arrived: int
    read: int
    linked: list[str]
    states: dict[str, int]
    layout_mistakes: dict[str, list[str]]
    unreadable: tuple[str, ...] = ()
    unsettled: tuple[str, ...] = ()
    """Files that are still being written: they are taken in when they rest."""
    lost: tuple[str, ...] = ()
    """Files of which the archive holds no whole copy any more: a person must put them back."""
    out: tuple[str, ...] = ()
    """Jobs that left the shop with a change of a card, a sentence each, and the way back."""
    mended: tuple[str, ...] = ()
    """What was damaged and is whole again, a sentence each."""

    @property
    def changed(self) -> bool:
        """Whether anything is to be derived anew."""
        return bool(self.arrived or self.read or self.linked)


def take_in(
    connection: duckdb.DuckDBPyConnection,
    shop: ShopFolder,
    settings: ShopSettings,
    *,
    run: Runner = plainly,
    progress: Progress = quietly,
    now: dt.datetime | None = None,
    settle_s: float = 0.0,
    rested: Collection[Entry] = (),
) -> IntakeResult:
    """Take in what lies in the inbox. Done twice, the second time changes nothing."""
    now = now or dt.datetime.now(dt.UTC)
    sweep_half_made(shop)
    forget_unpacked(shop)
    layouts, mistakes = read_layouts(shop.layouts)
    arrived = run(
        "archive what arrived", archive_arrivals, connection, shop, now, progress, settle_s, rested
    )
    mended = [*arrived.mended, *run("write down acts", write_acts, connection, shop, now)]
    mended += forget_lost_samples(connection, shop)
    run("load job cards", load_cards, connection, shop)
    run("load people's notes", load_shop_notes, connection, shop)
    # A slip in a layout must not empty the shop: what it had read stays until it is right again.
    keep = bool(mistakes)
    taken = Taken(run)
    read = taken.run("read files", read_files, connection, shop, settings, layouts, progress, keep)
    if restored := restore_from_inbox(connection, shop):
        mended += restored
        load_cards(connection, shop)
        load_shop_notes(connection, shop)
        read += read_files(connection, shop, settings, layouts, progress, keep)
    taken.keep(shop)
    linked = run("link files to stages", link_jobs, connection, progress)
    run("write notes", write_notes, connection, shop, arrived.unsettled)
    sweep_samples(connection, shop)
    states = dict(
        connection.execute(
            "SELECT state, count(*) FROM raw.outcome "
            "WHERE NOT (state = 'missing' AND concat(job_folder, '/', file_name) "
            "IN (SELECT unnest(?::VARCHAR[]))) GROUP BY state",
            [list(arrived.unsettled)],
        ).fetchall()
    )
    return IntakeResult(
        arrived.files,
        read,
        linked,
        states,
        mistakes,
        tuple(arrived.unreadable),
        tuple(arrived.unsettled),
        tuple(lost_from_archive(connection)),
        tuple(_jobs_out(connection)),
        tuple(mended),
    )


def _jobs_out(connection: duckdb.DuckDBPyConnection) -> list[str]:
    told = connection.execute(
        "SELECT reason FROM raw.outcome WHERE reason_code = ? ORDER BY job_folder", [OUT]
    ).fetchall()
    return [f"{in_words(reason)}. {remedy_in_words(reason)}" for (reason,) in told]
