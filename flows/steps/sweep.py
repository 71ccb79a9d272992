"""Sweeps what a killed process left half-made, and never what another one is writing now."""

from __future__ import annotations

import contextlib
import os
import re
import time
from collections.abc import Iterator
from pathlib import Path

import filelock

from warehouse.damage import remove
from warehouse.shop import ShopFolder

HALF_MADE = re.compile(
    r"\.making-\d+-[0-9a-f]{12}|making-\d{8}\.duckdb(\.wal)?|large-file\.arriving"
)
"""Names under which this program writes a file before it moves it to its place."""
LEAST_AGE_S = 3600.0
"""Nothing is written for so long without a pause: a process that began it is gone."""


def sweep_half_made(shop: ShopFolder) -> int:
    """Delete half-made files: at once where only a writer works, elsewhere those of an hour ago.

    Call with the shop's lock held. A process id in a name tells nothing: it may be another
    process's by now, or of another machine on the same disk.
    """
    sweep_trial(shop)
    # The folders in the archive hold whole files only: those are made in the archive itself.
    of_writer = (shop.archive.iterdir(), _inside(shop.refused), shop.published.iterdir())
    folders = (shop.inbox, shop.layouts, shop.reports, shop.backups)
    flat = (shop.root, shop.warehouse, shop.pool)
    of_anyone = (*map(_inside, folders), *(place.iterdir() for place in flat if place.is_dir()))
    swept = 0
    for places, least_age_s in ((of_writer, 0.0), (of_anyone, LEAST_AGE_S)):
        for path in (p for place in places for p in place if HALF_MADE.fullmatch(p.name)):
            # Gone meanwhile, or held open by another program: the next intake looks again.
            with contextlib.suppress(OSError):
                if time.time() - path.stat().st_mtime >= least_age_s:
                    path.unlink()
                    swept += 1
    return swept


def sweep_trial(shop: ShopFolder) -> None:
    """Delete the copy that a killed trial left; one that is at work keeps its own."""
    if shop.trial.is_dir():
        lock = filelock.FileLock(shop.trial_lock)
        # Held open by another program on another system: the next intake looks again.
        with contextlib.suppress(filelock.Timeout, OSError), lock.acquire(timeout=0):
            remove(shop.trial)


def _inside(folder: Path) -> Iterator[Path]:
    # Of 6,000 job folders `os.walk` asks the disk twice about each.
    folders = [str(folder)]
    while folders:
        with contextlib.suppress(OSError), os.scandir(folders.pop()) as entries:
            for entry in entries:
                if entry.is_dir(follow_symlinks=False):
                    folders.append(entry.path)
                elif "making-" in entry.name:
                    yield Path(entry.path)
