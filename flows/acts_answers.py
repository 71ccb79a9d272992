"""What the terminal says of the journal of acts: who did what, when and why."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

from rich import box
from rich.table import Table

from flows.restore import moment
from flows.settings import clock_of, open_shop
from flows.terminal import console, prose, say
from warehouse.act_words import act_in_words
from warehouse.acts import entries_of, journal
from warehouse.shop import ShopFolder
from warehouse.wording import counted

MOST_LINES = 30
"""Of a table that fits a window of 40 lines with what is said around it."""
WHEN_WIDE, WHO_WIDE = len("2026-11-30 18:00"), len("somebody, by hand")
"""A long act is cut, not its moment."""


def print_acts(folder: Path, since: str, words: str, *, full: bool) -> None:
    """Print the acts since a day or moment, the last first, of all that hold some words.

    Raises BackupError if the moment is none.
    """
    shop = ShopFolder(folder.resolve())
    if not shop.exists():
        open_shop(folder)  # says what is missing; mistakes in settings do not hide the journal
    found, bad = entries_of(journal(shop))
    zone = clock_of(shop)
    begin = moment(since, at_end=False, zone=zone)
    shown = [
        entry
        for entry in reversed(found)
        if (begin is None or dt.datetime.fromisoformat(entry["at"]) >= begin)
        and words.casefold() in " ".join(map(str, entry.values())).casefold()
    ]
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0))
    for title, least in (("When", WHEN_WIDE), ("Who", WHO_WIDE), ("What", None)):
        table.add_column(title, min_width=least, no_wrap=not full, overflow="ellipsis")
    for entry in shown if full else shown[:MOST_LINES]:
        table.add_row(*_row(entry, zone, full=full))
    if shown:
        console.print(table)
    left = 0 if full else len(shown) - MOST_LINES
    say(f"{counted(len(shown), 'act')}{f', {left} earlier ones with --full' if left > 0 else ''}.")
    if bad:
        prose(
            f"Line {bad[0]} of the journal was changed, or one before it is gone: compare it with "
            "its copy in backups/.",
            "bold red",
        )


def _row(entry: dict[str, Any], zone: dt.tzinfo | None, *, full: bool) -> tuple[str, str, str]:
    at = dt.datetime.fromisoformat(entry["at"]).astimezone(zone)
    hashes = [f"{key} {entry[key][:12]}" for key in ("before", "after") if full and entry[key]]
    told = act_in_words(entry)
    return f"{at:%Y-%m-%d %H:%M}", entry["person"], ", ".join([told, *hashes])
