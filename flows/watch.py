"""Tells whether anything in a shop is new, by names, sizes and times alone; nothing heavy here.

A `Glance` costs so little that it is cast every second: it looks at the folders of the inbox, and
at the files of those touched last. A `Watch` looks at every file, and is asked when the glance saw
something come to rest, or every few minutes for what a glance cannot see.
"""

from __future__ import annotations

import contextlib
import heapq
import os
import time
from pathlib import Path

from flows.steps.inbox import Entry, files_in, lying_in
from warehouse.shop import ShopFolder

DAMAGE_LOOK_S = 3600.0
"""An intake also looks for damage, and tries again what could not be read."""


YOUNG_FOLDERS = 20
"""Folders whose files are looked at: people work on few jobs at a time."""
ALL_FOLDERS_S = 5.0
"""How often all folders are looked at: thousands of them take 17 ms."""


class Glance:
    """Sees files come into the inbox, and tells once they have come to rest."""

    def __init__(self, shop: ShopFolder) -> None:
        self._shop = shop
        self._folders: dict[str, int] = {".": -1}
        """The inbox's folders, by path within it, and when each was last touched."""
        self._young: list[str] = []
        self._changes = 0
        self._all_at = 0.0
        self._seen: object = None
        self._since = 0.0
        self._told: object = None

    def rested(self, settle_s: float) -> frozenset[Entry] | None:
        """Return the files that lie in the folders touched last, None while there is nothing new.

        None also while something changes: what is being written must rest for `settle_s` first.
        """
        now = time.monotonic()
        if now >= self._all_at:
            self._all_at = now + ALL_FOLDERS_S
            self._touched(list(self._folders))
        else:
            self._touched([".", *self._young])
        lying = frozenset(e for folder in self._young for e in lying_in(self._shop.inbox, folder))
        given = (*_files(self._shop.layouts), *_states(self._shop.settings))
        seen = (lying, self._changes, given)
        if seen != self._seen:
            # What lay there when it was first looked at is the watch's to judge.
            self._told = seen if self._seen is None else self._told
            self._seen, self._since = seen, now
        if seen == self._told or now - self._since < settle_s:
            return None
        self._told = seen
        return lying

    def _touched(self, queue: list[str]) -> None:
        """Bring folders up to date: one that was not touched holds the folders that it held."""
        inbox, changes = str(self._shop.inbox), self._changes
        while queue:
            folder = queue.pop()
            # Strings, not paths: this is done for thousands of folders, every second.
            place = f"{inbox}/{folder}"
            try:
                touched = os.stat(place).st_mtime_ns  # noqa: PTH116
            except OSError:
                if folder == ".":  # a disk that is away: all is looked for again once it is back
                    self._changes += len(self._folders) > 1
                    self._folders = {".": -1}
                    break
                self._changes += self._folders.pop(folder, None) is not None
                continue
            if self._folders.get(folder) != touched:
                self._folders[folder] = touched
                self._changes += 1
                queue += [one for one in _folders_in(place, folder) if one not in self._folders]
        if self._changes != changes:
            age = self._folders.__getitem__
            self._young = heapq.nlargest(YOUNG_FOLDERS, self._folders, key=age)


class Watch:
    """Remembers how a shop's folder stood when it was last brought up to date."""

    def __init__(self, shop: ShopFolder) -> None:
        self._shop = shop
        self._stood: tuple[int, int] | None = None
        self._at = 0.0

    def given(self) -> int:
        """Return a sum of all that people put there: inbox, layouts and settings."""
        shop = self._shop
        files, odd = files_in(shop.inbox)
        return hash((frozenset(files), *odd, *_files(shop.layouts), *_states(shop.settings)))

    def is_new(self, given: int) -> bool:
        """Whether the shop is not as it was left, or was not looked at closely for an hour."""
        is_old = time.monotonic() - self._at > DAMAGE_LOOK_S
        return self._stood is None or is_old or self._stood != (given, self._kept())

    def done(self, given: int) -> None:
        """Remember the shop as it is now, brought up to date with what was given before."""
        self._stood, self._at = (given, self._kept()), time.monotonic()

    def again(self) -> None:
        """Have the next look find something new."""
        self._stood = None

    def _kept(self) -> int:
        """Return a sum of the shop's own files: somebody may lose or change them."""
        shop = self._shop
        ledger = shop.archive / "arrivals.jsonl"
        kept = (*_states(shop.archive, shop.samples, ledger), *_files(shop.published))
        return hash((kept, shop.database.exists()))


def _folders_in(path: str, folder: str) -> list[str]:
    with contextlib.suppress(OSError), os.scandir(path) as entries:
        return [
            entry.name if folder == "." else f"{folder}/{entry.name}"
            for entry in entries
            if not entry.name.startswith(".") and entry.is_dir(follow_symlinks=False)
        ]
    return []


def _files(folder: Path) -> list[tuple[str, int, int]]:
    found = []
    # A folder that is not there holds nothing; a link to nowhere must not hide its neighbours.
    with contextlib.suppress(OSError), os.scandir(folder) as entries:
        for entry in entries:
            with contextlib.suppress(OSError):
                stat = entry.stat()
                found.append((entry.name, stat.st_size, stat.st_mtime_ns))
    return sorted(found)


def _states(*paths: Path) -> list[tuple[int, int] | None]:
    """Return size and time of writing of each; of a folder the time tells of names only."""
    found: list[tuple[int, int] | None] = []
    for path in paths:
        try:
            stat = path.stat()
            found.append((stat.st_size, stat.st_mtime_ns))
        except OSError:
            found.append(None)
    return found
