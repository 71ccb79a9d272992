"""The shop's folder: where each thing lies."""

from __future__ import annotations

import contextlib
import os
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import Any

SETTINGS_NAME = "rollbook.toml"
OWNER_ONLY = 0o700
SHOP_FORMAT = 2
"""Stands in the database, the ledger and the snapshot. Raised with each release: an older program
would make older figures of a newer shop, or not understand what it reads.

2: a snapshot leaves out keys of its parts, which an older program would show."""


class NewerShopError(RuntimeError):
    """A newer version of this program wrote here; nothing was touched."""


def refuse_newer(mark: object, what: object) -> None:
    """Refuse what a newer version of this program wrote; what bears no mark is the oldest.

    Raises NewerShopError.
    """
    if isinstance(mark, int) and mark > SHOP_FORMAT:
        raise NewerShopError(
            f"{what} was written by a newer version of this program (format {mark}; this one knows "
            f"{SHOP_FORMAT}). Nothing was touched: update the program, or bring back a backup of "
            "before into a new folder"
        )


def is_private_file(path: Path) -> bool:
    """Whether a path is a plain file that only its owner can read, where a system tells."""
    found = path.lstat()
    return stat.S_ISREG(found.st_mode) and (os.name == "nt" or not found.st_mode & 0o077)


def keep_to_owner() -> int:
    """Make what this process writes from now on private; return what held before."""
    return os.umask(0o077)


class Inside:
    """A path inside a folder whose own path is its `root`."""

    def __init__(self, *steps: str) -> None:
        self._steps = steps

    def __get__(self, folder: Any, kind: type) -> Path:
        """Return the path."""
        return folder.root.joinpath(*self._steps)


@dataclass(frozen=True)
class ShopFolder:
    """Paths inside one shop's folder."""

    root: Path

    settings = Inside(SETTINGS_NAME)
    """Settings file."""
    layouts = Inside("layouts")
    """Taught layouts."""
    inbox = Inside("inbox")
    """Where people drop jobs; never changed by us."""
    archive = Inside("archive")
    """Raw bytes by hash, never changed."""
    refused = Inside("refused")
    """Notes on files that wait or were refused."""
    warehouse = Inside("warehouse")
    """Database and samples."""
    database = Inside("warehouse", "shop.duckdb")
    """The writer's database file."""
    samples = Inside("warehouse", "samples")
    """Parquet files of samples."""
    lock = Inside("warehouse", "writer.lock")
    """Lock file of the single writer."""
    serving_lock = Inside("warehouse", "serving.lock")
    """Lock file of the one `serve`."""
    step_times = Inside("warehouse", "step-times.json")
    """How long each step took."""
    trial = Inside("warehouse", "trial")
    """A copy of this shop in which changes are tried; there only meanwhile."""
    trial_lock = Inside("warehouse", "trial.lock")
    """Lock file of the one trial."""
    tried = Inside("warehouse", "tried.json")
    """What was tried last, to be applied."""
    logs = Inside("warehouse", "logs")
    """What the served processes say."""
    prefect = Inside("warehouse", "prefect")
    """The scheduler's own files."""
    sign_in = Inside("warehouse", "sign-in")
    """The secret that the scheduler's API asks for."""
    people = Inside("warehouse", "people.json")
    """Who may sign in to the pages: names, roles and hashes of passwords."""
    signed_in = Inside("warehouse", "signed-in.json")
    """Who is signed in: hashes of what their browsers show."""
    published = Inside("published")
    """Snapshots for readers."""
    history = Inside("history")
    """What each publish changed."""
    pool = Inside("pool")
    """What this shop has to do with others; a backup takes it along."""
    everywhere = Inside("pool", "everywhere.parquet")
    """What many shops measured, where somebody pooled it."""
    reports = Inside("reports")
    """Reviews and sheets."""
    backups = Inside("backups")
    """Copies of the settings, layouts and ledger."""

    def exists(self) -> bool:
        """Whether this is a shop's folder at all."""
        return self.settings.is_file()

    def make(self) -> None:
        """Make the folders, private to their owner; those that others can read are closed.

        Root, inbox and layouts can be shared: rights that the owner gave to a group stay, and
        where somebody opened the inbox to everyone's files all three stay as they are.
        """
        shared = (self.root, self.layouts, self.inbox)
        own = (
            self.archive,
            self.refused,
            self.warehouse,
            self.samples,
            self.published,
            self.history,
            self.reports,
            self.backups,
        )
        for folder in (*shared, *own):
            # Of a folder that stands, the mode is left to what follows.
            folder.mkdir(mode=OWNER_ONLY, parents=True, exist_ok=True)
        for folder in own:
            _take_away(folder, 0o077)
        if not _is_opened(self.inbox):
            for folder in shared:
                _take_away(folder, 0o007)


def _is_opened(folder: Path) -> bool:
    """Whether everyone may write here; that is no system's default, so the owner chose it."""
    return bool(folder.stat().st_mode & stat.S_IWOTH)


def _take_away(folder: Path, rights: int) -> None:
    mode = stat.S_IMODE(folder.stat().st_mode)
    # Windows guards by lists of its own; and what is not ours is its owner's to guard.
    if os.name != "nt" and mode & rights:
        with contextlib.suppress(OSError):
            folder.chmod(mode & ~rights)
