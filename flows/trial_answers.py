"""What a tried change gives, in the terminal: foretold first, then held against what stands."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

from flows import trial
from flows.answers import print_cautions, table_of
from flows.past_answers import apart
from flows.steps.progress import Progress
from flows.terminal import console, line, prose, say
from warehouse.damage import DamagedError
from warehouse.headlines import KINDS, Changed, Changes, changes_between
from warehouse.shop import ShopFolder
from warehouse.snapshot import Snapshot, current
from warehouse.wording import counted

MOST_SHOWN = 4
"""Each takes three lines of a screen of 40."""
MOST_STEPS = 6


def print_trial(
    shop: ShopFolder, change: trial.Change, progress: Progress, *, full: bool, wait_s: float
) -> bool:
    """Try a change and print what it would give; whether files would be lost to it."""
    found = trial.try_out(
        shop, change, progress, lambda told: _print_forecast(told, full=full), wait_s=wait_s
    )
    _print_outcome(found, full=full)
    return bool(found.lost)


def _print_forecast(found: trial.Forecast, *, full: bool) -> None:
    what = "; ".join(found.told) or "nothing: files, settings, layouts and program are as published"
    prose(f"Tried on a copy: {what}. The shop stays as it is.", style="bold")
    if found.is_all:
        prose("This version keeps other tables: all is made again from the archive.")
    elif not (found.due or found.files):
        prose("Nothing would be made again.")
        return
    else:
        prose(_what_is_made(found, full=full))
    prose(_how_long(found))


def _what_is_made(found: trial.Forecast, *, full: bool) -> str:
    own = [one for one in found.due if one.keys]
    shown = own if full else own[:MOST_STEPS]
    told = [f"{one.step} {one.keys:,}" for one in shown]
    if len(own) > len(shown):
        told.append(f"{len(own) - len(shown)} further steps")
    said = [f"read {counted(found.files, 'file')}"] if found.files else []
    said += [f"{counted(len(own), 'step')}: {', '.join(told)}"] if own else []
    follow = [one.step for one in found.due if one.at_most > one.keys]
    may = f" May follow: {', '.join(follow) if full else counted(len(follow), 'step')}."
    return f"Made again: {'; '.join(said)}.{may if follow else ''}"


def _how_long(found: trial.Forecast) -> str:
    if (found.is_all and found.unknown) or (found.unknown and not found.most_s):
        return "How long that takes is not known yet: no update has kept its times."
    most = f", {_took(found.most_s)} at most" if found.most_s > 1.1 * found.least_s else ""
    but = f", {counted(len(found.unknown), 'step')} not counted" if found.unknown else ""
    return f"About {_took(found.least_s)}{most}, by the times of the last runs (an estimate{but})."


def _took(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min"


def _print_outcome(found: trial.Outcome, *, full: bool) -> None:
    if found.lost:
        prose(
            f"{counted(len(found.lost), 'file')} taken in now would NOT be any more, such as "
            f"{found.lost[0]}.",
            style="bold red",
        )
    if found.won:
        prose(f"{counted(found.won, 'file')} not taken in now would be.")
    if found.came:
        prose(
            f"{counted(found.came, 'file')} came in since the last publish; what they change is "
            "among these.",
            style="yellow",
        )
    for broken in found.broken_checks if full else ():
        line(f"worth a look: {broken}", style="yellow")
    prose(found.changes.sentence, style="bold")
    if found.changes.changed or found.changes.new or found.changes.gone:
        _print_counts(found.changes)
        _print_sentences(found.changes, full=full)
    print_cautions()


def _print_counts(changes: Changes) -> None:
    table = table_of("", [("sentences", "left")] + [(name, "right") for name in _COUNTED])
    for kind in KINDS:
        of_kind = [one for one in changes.changed if one.now.kind == kind]
        turned = sum(one.is_turned for one in of_kind)
        came, went = (
            sum(one.kind == kind for one in which) for which in (changes.new, changes.gone)
        )
        row = (turned, len(of_kind) - turned, came, went)
        if any(row):
            table.add_row(kind, *map(str, row))
    console.print(table)


_COUNTED = ("other verdict", "other figures", "new", "gone")


def _print_sentences(changes: Changes, *, full: bool) -> None:
    rows = [_Row.of(one, full=full) for one in changes.changed]
    gone = [_Row(f"{one.kind}: {one.about}", one.sentence, "nothing") for one in changes.gone]
    new = [_Row(f"{one.kind}: {one.about}", "nothing", one.sentence) for one in changes.new]
    # A verdict that turned or went weighs more than figures that moved.
    turned = sum(one.is_turned for one in changes.changed)
    rows = [*rows[:turned], *gone, *rows[turned:], *new]
    shown = rows if full else rows[:MOST_SHOWN]
    write = prose if full else line
    for row in shown:
        line(row.about, style="bold")
        write(f"  now   {row.now}")
        write(f"  tried {row.tried}")
    if len(shown) < len(rows):
        prose(f"and {len(rows) - len(shown):,} more: --full", style="dim")


class _Row(NamedTuple):
    about: str
    now: str
    tried: str

    @classmethod
    def of(cls, one: Changed, *, full: bool) -> _Row:
        # The snapshot compared with is what stands now, and that of the trial what may come.
        now, tried = (one.then, one.now.sentence) if full else apart(one.then, one.now.sentence)
        return cls(f"{one.now.kind}: {one.now.about}", now, tried)


class Before(NamedTuple):
    """What stood before an update."""

    snapshot: Snapshot | None
    versions: dict[str, str]


def before_update(shop: ShopFolder) -> Before:
    """Return what stands, to be held against what an update makes of it."""
    try:
        return Before(current(shop.root), trial.method_versions(shop))
    except DamagedError:
        return Before(None, {})


def say_what_the_method_changed(before: Before, after: Snapshot, shop: Path) -> None:
    """Say in a line how many sentences another version of the program changed; mostly nothing."""
    then = before.snapshot
    if then is None or then.content == after.content or not trial.raised_since(before.versions):
        return
    found = changes_between(then, after, {})
    if not (found.changed or found.new or found.gone):
        return
    turned = sum(one.is_turned for one in found.changed)
    _, _, came = trial.files_between(then, after)
    among = f" (what {counted(came, 'new file')} changed is among them)" if came else ""
    day = then.published_at.date()
    how = f": rollbook changed {shop} {day}" if day < after.published_at.date() else ""
    say(
        f"{counted(len(found.changed), 'headline sentence')} changed because the method changed, "
        f"{turned} in the verdict; {len(found.new)} came new, {len(found.gone)} went{among}{how}",
        style="yellow",
    )
