"""Tells whether anything in a shop is new, by names, sizes and times alone; nothing heavy here."""

from __future__ import annotations

import contextlib
import os
import time
from pathlib import Path

from flows.steps.inbox import files_in
from warehouse.shop import ShopFolder

DAMAGE_LOOK_S = 3600.0
"""An intake also looks for damage, and tries again what could not be read."""


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
