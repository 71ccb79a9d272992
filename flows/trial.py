"""Tries a change on a copy that costs the shop nothing; applies it once somebody looked at it.

The copy stands in `warehouse/trial/`: database and ledger copied, samples, archive and the parts of
the snapshot as further names of the same files. Nobody writes into these: what changes is written
beside and renamed, so the shop keeps its own. Other writers wait only while the copy is made.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import errno
import hashlib
import json
import os
import shutil
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import filelock

from flows.derive import STEPS, derive
from flows.intake import take_in
from flows.publish import meanings, versions
from flows.steps import engine
from flows.steps.ledger import LEDGER, is_behind
from flows.steps.progress import Progress
from flows.steps.read import files_due
from flows.steps.refresh import fingerprint
from flows.steps.sweep import HALF_MADE
from flows.steps.times import foretold_s, times
from schemas.layout import Layout, read_layouts
from schemas.settings import ShopSettings, changed_between, read_published, read_settings
from schemas.toml_text import MistakesError, read_toml, with_value
from warehouse import history, statements, store
from warehouse.contents import Contents
from warehouse.damage import DamagedError, file_sha256, remove
from warehouse.headlines import Changes, changes_between
from warehouse.in_force import kept_settings
from warehouse.questions import ask
from warehouse.shop import SETTINGS_NAME, ShopFolder
from warehouse.snapshot import Snapshot, current, open_reader, publish
from warehouse.whole_file import write_whole

ROOM = 2.0
"""So many times the database and the snapshot must be free: one for the copy, as much for what is
made in it anew, and a full disk would stop the shop itself."""


TAKEN_IN = "taken in"


class TryError(ValueError):
    """What was asked cannot be tried or applied, with what to do."""


class Change(NamedTuple):
    """What is to be tried: texts of the shop's files as they would be, by their place in it."""

    files: dict[str, str]
    asked: list[str]
    """The command's own words, to ask it again."""


class Forecast(NamedTuple):
    """What would be made again, told before anything is."""

    told: list[str]
    """What would change."""
    files: int
    """To be read again."""
    due: list[engine.Due]
    is_all: bool
    """The tables are another version's: all is made again from the archive."""
    least_s: float
    most_s: float
    unknown: list[str]
    """Steps of which it is not known how long they take."""


class Outcome(NamedTuple):
    """What a trial gave, held against what is published."""

    changes: Changes
    lost: list[str]
    """Files that are taken in now and would not be."""
    won: int
    came: int
    """Files that came in since the last publish."""
    broken_checks: list[str]


def changed(
    shop: ShopFolder, values: Sequence[str], settings: Path | None, layouts: Sequence[Path]
) -> Change:
    """Return what somebody asks to try.

    Raises MistakesError if a text could not be used, TryError if it is not clear what is meant.
    """
    text = _text(settings or shop.settings)
    for asked in values:
        text = _with(text, asked)
    read_toml(text, ShopSettings, f"{SETTINGS_NAME}, as it is to be tried,")
    files = {SETTINGS_NAME: text} if text != _text(shop.settings) else {}
    for path in layouts:
        files[_place_of_layout(shop, path)] = _text(path)
    words = [word for value in values for word in ("--set", value)]
    words += [] if settings is None else ["--settings", str(settings)]
    return Change(files, words + [word for one in layouts for word in ("--layout", str(one))])


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except UnicodeDecodeError:
        raise MistakesError(path.name, ["must be UTF-8 text; save it again as UTF-8"]) from None


def _with(text: str, asked: str) -> str:
    name, is_told, value = asked.partition("=")
    section, _, key = name.strip().partition(".")
    if not (is_told and section and key) or "." in key:
        raise TryError(f"{asked!r} is no setting and value such as mixture.warn_pct=12")
    try:
        found = tomllib.loads(f"value = {value}")
    except tomllib.TOMLDecodeError:
        found = {}
    try:
        return with_value(text, section, key, found.get("value", value.strip()))
    except TypeError:
        told = f"[{section}] holds several entries: change a copy and name it with --settings"
        raise TryError(told) from None


def _place_of_layout(shop: ShopFolder, path: Path) -> str:
    """Return where a layout is to stand: in place of the one of its name, else beside the others.

    Raises TryError if another one stands there.
    """
    name = read_toml(_text(path), Layout, path.name).name
    for standing in sorted(shop.layouts.glob("*.toml")):
        with contextlib.suppress(MistakesError):
            if read_toml(_text(standing), Layout, standing.name).name == name:
                return f"layouts/{standing.name}"
    if (shop.layouts / path.name).exists():
        raise TryError(f"layouts/{path.name} is there and is not {name!r}: rename {path}")
    return f"layouts/{path.name}"


def try_out(
    shop: ShopFolder,
    change: Change,
    progress: Progress,
    tell: Callable[[Forecast], None],
    *,
    wait_s: float = 0.0,
) -> Outcome:
    """Make what a change would give on a copy, and hold it against what is published.

    Raises ShopIsBusyError if another trial, or a writer, is at work.
    """
    with _alone(shop):
        try:
            return _tried(shop, change, progress, tell, wait_s)
        finally:
            with contextlib.suppress(OSError):  # open in another program: swept by the next intake
                remove(shop.trial)


@contextlib.contextmanager
def _alone(shop: ShopFolder) -> Iterator[None]:
    shop.warehouse.mkdir(parents=True, exist_ok=True)
    try:
        with filelock.FileLock(shop.trial_lock).acquire(timeout=0):
            yield
    except filelock.Timeout:
        raise store.ShopIsBusyError(
            f"another change is being tried in {shop.root.name}; wait for it to end"
        ) from None


def _tried(
    shop: ShopFolder,
    change: Change,
    progress: Progress,
    tell: Callable[[Forecast], None],
    wait_s: float,
) -> Outcome:
    remove(shop.trial)
    with store.held(shop, wait_s=wait_s):
        before = current(shop.root)
        if before is None:
            raise TryError("nothing is published yet, so there is nothing to compare with")
        mark = _mark(shop, before, change)
        trial = _copy(shop)
    for place, text in change.files.items():
        write_whole(trial.root / place, text)
    if mistakes := read_layouts(trial.layouts)[1]:
        name, told = next(iter(mistakes.items()))
        raise MistakesError(f"layouts/{name}", told)
    settings = read_settings(trial.settings)
    with store.writer(trial) as connection:
        tell(_forecast(connection, shop, trial, settings, before, change))
        take_in(connection, trial, settings, progress=progress)
        made = derive(connection, trial, settings, progress=progress)
        after = publish(
            connection, trial, meanings(connection), dt.datetime.now(dt.UTC), Contents(connection)
        )
    lost, won, came = files_between(before, after)
    found = Outcome(changes_between(before, after, {}), lost, won, came, made.broken_checks)
    write_whole(
        shop.tried, json.dumps({"mark": mark, "files": change.files, "asked": change.asked})
    )
    return found


def _copy(shop: ShopFolder) -> ShopFolder:
    """Make the copy, with the shop's lock held."""
    kept = [shop.database, *shop.published.glob("*.duckdb")]
    needed = ROOM * sum(path.stat().st_size for path in kept if path.is_file())
    if shutil.disk_usage(shop.root).free < needed:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(shop.trial))
    trial = ShopFolder(shop.trial)
    trial.make()
    wal = shop.database.with_name(f"{shop.database.name}.wal")
    layouts = shop.layouts.glob("*.toml")
    # What stands in the archive itself is appended to, and must not be the shop's own.
    beside = shop.archive.glob("*.*")
    for path in (shop.database, wal, *beside, shop.settings, *layouts):
        if path.is_file():
            _copied(path, trial.root / path.relative_to(shop.root))
    for folder in (shop.archive, shop.samples, shop.published, shop.pool):
        for place, _, names in os.walk(folder):
            target = trial.root / Path(place).relative_to(shop.root)
            target.mkdir(exist_ok=True)
            for name in names:
                if Path(place) != shop.archive and not HALF_MADE.fullmatch(name):
                    _named_again(Path(place, name), target / name)
    return trial


def _copied(source: Path, target: Path) -> None:
    """Copy a file, in a blink where the disk can share its blocks."""
    if hasattr(os, "copy_file_range"):
        with contextlib.suppress(OSError), source.open("rb") as one, target.open("wb") as other:
            while os.copy_file_range(one.fileno(), other.fileno(), 1 << 30):
                pass
            if other.seek(0, os.SEEK_END) == source.stat().st_size:
                return
    shutil.copyfile(source, target)


def _named_again(source: Path, target: Path) -> None:
    """Give a file a further name; where the disk knows none, copy it."""
    try:
        target.hardlink_to(source)
    except OSError as error:
        if error.errno == errno.ENOSPC:
            raise
        shutil.copyfile(source, target)


def _forecast(
    connection: Any,
    shop: ShopFolder,
    trial: ShopFolder,
    settings: ShopSettings,
    before: Snapshot,
    change: Change,
) -> Forecast:
    told = told_of(shop, settings, before, change)
    known = times(shop)
    if is_behind(connection, trial):
        total = sum(taken for _, taken in known.values())
        return Forecast(told, 0, [], True, total, total, [] if known else ["all"])
    layouts, _ = read_layouts(trial.layouts)
    _, files = files_due(connection, trial, settings, layouts)
    given = engine.Given(trial, settings)
    due = engine.due(connection, STEPS, given, all_follow=bool(files))
    read = {"read files": len(files)}
    unknown = [one.step for one in due if one.at_most and one.step not in known]
    least = foretold_s(known, read | {one.step: one.keys for one in due})
    most = foretold_s(known, read | {one.step: one.at_most for one in due})
    return Forecast(told, len(files), due, False, least, most, unknown)


def told_of(
    shop: ShopFolder, settings: ShopSettings, before: Snapshot, change: Change
) -> list[str]:
    """Return what would change, a few words each: settings, layouts, the program's own version."""
    with open_reader(before.path) as reader:
        kept = read_published(kept_settings(reader))
    between = changed_between(kept, settings) if kept else {}
    told = [f"{name} {old} → {new}" for name, (old, new) in between.items()]
    if SETTINGS_NAME in change.files and not between:
        told.append(f"{SETTINGS_NAME}, in what no figure and no word rests on")
    told += sorted(place for place in change.files if place != SETTINGS_NAME)
    if raised := raised_since(method_versions(shop)):
        told.append(f"the method of {len(raised)} tables, by this version of the program")
    return told


def method_versions(shop: ShopFolder) -> dict[str, str]:
    """Return, by published table, the versions of the steps that it was published with."""
    with contextlib.suppress(DamagedError):
        index = history.read_index(shop.history)
        return dict(index.anchor.versions) if index else {}
    return {}


def raised_since(then: Mapping[str, str]) -> list[str]:
    """Return the tables that this version of the program makes otherwise; none of no past."""
    now = versions()
    return sorted(table for table in then if table in now and now[table] != then[table])


def files_between(before: Snapshot, after: Snapshot) -> tuple[list[str], int, int]:
    """Return which files are no longer read, how many now are, and how many came."""
    then, now = _states_of(before), _states_of(after)
    lost = [
        f"{folder}/{name}"
        for (folder, name, sha), state in then.items()
        if state == TAKEN_IN and now.get((folder, name, sha)) != TAKEN_IN
    ]
    won = sum(
        state == TAKEN_IN and then.get(key, TAKEN_IN) != TAKEN_IN for key, state in now.items()
    )
    return lost, won, len(now.keys() - then.keys())


def _states_of(snapshot: Snapshot) -> dict[tuple[str, str, str], str]:
    with open_reader(snapshot.path) as reader:
        rows = ask(reader, "file_states").iter_rows()
        return {(folder, name, sha): state for folder, name, sha, state in rows}


def _mark(shop: ShopFolder, snapshot: Snapshot, change: Change) -> dict[str, Any]:
    """Return what a trial rests on: nothing is applied where any of it is another by then."""
    ledger = shop.archive / LEDGER
    layouts = [f"layouts/{path.name}" for path in shop.layouts.glob("*.toml")]
    places = {SETTINGS_NAME, *layouts, *change.files}
    return {
        "snapshot": snapshot.content,
        "arrivals": ledger.stat().st_size if ledger.is_file() else 0,
        "program": fingerprint(versions(), statements.fingerprint()),
        "files": {place: _sha256(shop.root / place) for place in sorted(places)},
    }


def _sha256(path: Path) -> str:
    return file_sha256(path) if path.is_file() else ""


def apply(shop: ShopFolder, *, wait_s: float = 0.0) -> list[str]:
    """Write what was tried last into the shop's own files; return which. They act by an update.

    Raises TryError if the shop moved on since. Killed between two files, it goes on when called
    again.
    """
    kept = _tried_last(shop)
    if kept is None:
        raise TryError("nothing was tried that could be applied; try it first")
    change, mark = kept
    with store.held(shop, wait_s=wait_s):
        if moved := _moved(shop, change, mark):
            raise TryError(f"{moved} since this was tried: nothing was applied. Try it again")
        for place, text in change.files.items():
            path = (shop.root / place).resolve()
            mode = path.stat().st_mode if path.is_file() else None
            write_whole(path, text)
            if mode is not None:
                path.chmod(mode)  # what the owner shared stays shared
        shop.tried.unlink()
    return list(change.files)


def asked_last(shop: ShopFolder) -> list[str]:
    """Return the words with which a change was tried last."""
    kept = _tried_last(shop)
    return kept[0].asked if kept else []


def _tried_last(shop: ShopFolder) -> tuple[Change, dict[str, Any]] | None:
    """Return what was tried last, and what it rests on; None of nothing that could be applied."""
    try:
        kept = json.loads(shop.tried.read_text(encoding="utf-8"))
        return Change(kept["files"], list(kept["asked"])), kept["mark"]
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _moved(shop: ShopFolder, change: Change, mark: dict[str, Any]) -> str:
    """Say what is no longer as it was; "" if nothing."""
    snapshot = current(shop.root)
    if snapshot is None:
        return "The snapshot went"
    now = _mark(shop, snapshot, change)
    for place in sorted({*now["files"], *mark["files"]}):
        path = shop.root / place
        is_written = place in change.files and _sha256(path) == _hash_of(change.files[place])
        if now["files"].get(place, "") != mark["files"].get(place, "") and not is_written:
            return f"{place} was changed"
    if now["program"] != mark["program"]:
        return "The program became another version"
    if now["snapshot"] != mark["snapshot"]:
        return "Another snapshot was published"
    return "Files came in" if now["arrivals"] != mark["arrivals"] else ""


def _hash_of(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()
