"""Which files lie in the inbox and are not in the snapshot yet: names and sizes alone."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Collection
from pathlib import Path

from schemas.card_text import CARD_NAME

YOUNG_FOLDERS = 3
"""Folders that are looked into: on a screen that shows the latest, only the latest counts."""


def arriving(inbox: Path, held: Callable[[str], Collection[tuple[str, int]]]) -> list[str]:
    """Return the files that the snapshot does not hold as they lie there, the newest first.

    `held` gives names and sizes of the files of a folder in the snapshot. It looks into the folders
    touched last; cards are no logs.
    """
    folders: list[tuple[int, str]] = []
    with contextlib.suppress(OSError), os.scandir(inbox) as entries:
        for entry in entries:
            with contextlib.suppress(OSError):
                if entry.is_dir(follow_symlinks=False) and not entry.name.startswith("."):
                    folders.append((entry.stat(follow_symlinks=False).st_mtime_ns, entry.name))
    found: list[tuple[int, str]] = []
    for _, folder in sorted(folders)[-YOUNG_FOLDERS:]:
        known = set(held(folder))
        with contextlib.suppress(OSError), os.scandir(inbox / folder) as entries:
            for entry in entries:
                with contextlib.suppress(OSError):
                    if entry.name.startswith(".") or entry.name == CARD_NAME:
                        continue
                    stat = entry.stat(follow_symlinks=False)
                    is_file = entry.is_file(follow_symlinks=False)
                    if is_file and (entry.name, stat.st_size) not in known:
                        found.append((stat.st_ctime_ns, f"{folder} / {entry.name}"))
    return [name for _, name in sorted(found, reverse=True)]
