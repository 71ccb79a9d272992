"""What changed since a day, in the terminal, and the day that a person names."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

from flows.answers import print_cautions
from flows.mixture_answers import NothingKnownError
from flows.terminal import line, prose
from warehouse import history
from warehouse.headlines import changes_since
from warehouse.snapshot import Snapshot

MOST_CHANGED = 6
"""Each takes up to five lines of a screen of 40."""


def day_of(text: str) -> dt.date:
    """Return the day that a text names; raises NothingKnownError for what is none."""
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise NothingKnownError(f"{text!r} is no day such as 2026-03-31") from None


def snapshot_of(folder: Path, day: str) -> Snapshot:
    """Return the snapshot of a day, and say which it is."""
    found = history.as_of(folder.resolve(), day_of(day))
    told = f"As it stood on {day}: snapshot {found.number}, published {found.published_at:%d %b %Y}"
    prose(f"{told}. What came later is not in it.", style="yellow")
    return found


def print_changed(folder: Path, now: Snapshot, since: str, *, full: bool) -> None:
    """Print the headline sentences that read otherwise than on a day, then and now."""
    found = changes_since(folder.resolve(), day_of(since), now)
    prose(f"Since {since} (snapshot {found.then.number}): {found.sentence}", style="bold")
    shown = found.changed if full else found.changed[:MOST_CHANGED]
    for one in shown:
        line(f"{one.now.kind}: {one.now.about}  [{one.cause}]", style="bold")
        (prose if full else line)(f"  then {one.then}")
        (prose if full else line)(f"  now  {one.now.sentence}")
    if len(shown) < len(found.changed):
        prose(f"and {len(found.changed) - len(shown):,} more: --full", style="dim")
    print_cautions()
