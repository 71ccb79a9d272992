"""The settings that pages and sheets go by: the snapshot's own, whatever rollbook.toml says now."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import NamedTuple

import duckdb

from schemas.settings import ShopSettings, changed_between, read_published, read_settings
from warehouse.damage import DamagedError, is_damage
from warehouse.in_force import kept_settings, told_of_changes, told_of_mistakes
from warehouse.shop import SETTINGS_NAME, ShopFolder
from warehouse.snapshot import Snapshot, open_reader


class InForce(NamedTuple):
    """The settings shown, and how the file of this minute stands to them."""

    settings: ShopSettings | None
    """None where neither a snapshot nor the file tells any."""
    mistakes: str = ""
    """Why the file cannot be read."""
    told: str = ""
    """What a reader should know of the file, "" where it says what was published."""


def in_force(folder: Path, snapshot: Snapshot | None) -> InForce:
    """Return the settings of a snapshot; those of the file where nothing is published yet."""
    now, mistakes = _of_file(ShopFolder(folder).settings)
    kept = _of_snapshot(str(snapshot.path)) if snapshot else None
    if kept is None:
        return InForce(now, mistakes)
    if now is None:
        return InForce(kept, mistakes, told_of_mistakes(mistakes))
    return InForce(kept, "", told_of_changes(changed_between(kept, now)))


def _of_file(path: Path) -> tuple[ShopSettings | None, str]:
    try:
        state = path.stat()
    except OSError:
        return None, f"{SETTINGS_NAME} is not there"
    return _read(path, state.st_mtime_ns, state.st_size)


# Every run of a page looks; the file changes once a month.
@lru_cache(maxsize=4)
def _read(path: Path, *_state: int) -> tuple[ShopSettings | None, str]:
    try:
        return read_settings(path), ""
    except (OSError, ValueError) as error:
        return None, str(error).removeprefix(f"{SETTINGS_NAME}: ")


@lru_cache(maxsize=4)
def _of_snapshot(path: str) -> ShopSettings | None:
    try:
        with open_reader(Path(path)) as reader:
            return read_published(kept_settings(reader))
    except DamagedError:
        return None
    except duckdb.Error as error:
        if not is_damage(error):
            raise
        return None
