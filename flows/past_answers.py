"""What changed since a day, in the terminal, and the day that a person names."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

from flows.answers import print_cautions
from flows.mixture_answers import NothingKnownError
from flows.terminal import line, prose
from warehouse import history
from warehouse.headlines import Headline, changes_since
from warehouse.snapshot import Snapshot

MOST_CHANGED = 5
"""Each takes four lines of a screen of 40, beside the cautions and what is listed."""
MOST_LISTED = 2
"""Of what came new, and of what went, a line each."""
WORDS_BEFORE = 3


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
    prose(f"{told}. What came later is not in it. {history.LEFT_OUT}", style="yellow")
    return found


def apart(then: str, now: str) -> tuple[str, str]:
    """Return two sentences from a little before the word in which they part.

    >>> apart("Real gain: +4.2 % over the riding range, 95 % between +2.9 and +5.5 %",
    ...       "Real gain: +4.2 % over the riding range, 95 % between +1.8 and +6.4 %")
    ('… 95 % between +2.9 and +5.5 %', '… 95 % between +1.8 and +6.4 %')
    """
    words = then.split(), now.split()
    alike = [a == b for a, b in zip(*words, strict=False)]
    start = max((alike.index(False) if False in alike else len(alike)) - WORDS_BEFORE, 0)
    if not start:
        return then, now
    return f"… {' '.join(words[0][start:])}", f"… {' '.join(words[1][start:])}"


def print_changed(folder: Path, now: Snapshot, since: str, *, full: bool) -> None:
    """Print the headline sentences that read otherwise than on a day, then and now."""
    found = changes_since(folder.resolve(), day_of(since), now)
    prose(f"Since {since} (snapshot {found.then.number}): {found.sentence}", style="bold")
    shown = found.changed if full else found.changed[:MOST_CHANGED]
    for one in shown:
        line(f"{one.now.kind}: {one.now.about}", style="bold")
        then, now_ = (one.then, one.now.sentence) if full else apart(one.then, one.now.sentence)
        for word, text in (("why ", one.reason), ("then", then), ("now ", now_)):
            (prose if full else line)(f"  {word} {text}")
    if len(shown) < len(found.changed):
        prose(f"and {len(found.changed) - len(shown):,} more: --full", style="dim")
    for word, others in (("New", found.new), ("Gone", found.gone)):
        _list(word, others, full=full)
    print_cautions()


def _list(word: str, headlines: list[Headline], *, full: bool) -> None:
    """Print the sentences that came, or went, a line each."""
    shown = headlines if full else headlines[:MOST_LISTED]
    for one in shown:
        (prose if full else line)(f"{word}, {one.kind}: {one.about}: {one.sentence}")
    if len(shown) < len(headlines):
        prose(f"and {len(headlines) - len(shown):,} more: --full", style="dim")
