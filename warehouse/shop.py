"""The shop's folder: where each thing lies."""

from __future__ import annotations

import contextlib
import os
import stat
from dataclasses import dataclass
from pathlib import Path

SETTINGS_NAME = "rollbook.toml"
OWNER_ONLY = 0o700
SHOP_FORMAT = 1
"""Stands in the database, the ledger and the snapshot. Raised with each release: an older program
would make older figures of a newer shop, or not understand what it reads."""


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


@dataclass(frozen=True)
class ShopFolder:
    """Paths inside one shop's folder."""

    root: Path

    @property
    def settings(self) -> Path:
        """Settings file."""
        return self.root / SETTINGS_NAME

    @property
    def layouts(self) -> Path:
        """Taught layouts."""
        return self.root / "layouts"

    @property
    def inbox(self) -> Path:
        """Where people drop jobs; never changed by us."""
        return self.root / "inbox"

    @property
    def archive(self) -> Path:
        """Raw bytes by hash, never changed."""
        return self.root / "archive"

    @property
    def refused(self) -> Path:
        """Notes on files that wait or were refused."""
        return self.root / "refused"

    @property
    def warehouse(self) -> Path:
        """Database and samples."""
        return self.root / "warehouse"

    @property
    def database(self) -> Path:
        """The writer's database file."""
        return self.warehouse / "shop.duckdb"

    @property
    def samples(self) -> Path:
        """Parquet files of samples."""
        return self.warehouse / "samples"

    @property
    def lock(self) -> Path:
        """Lock file of the single writer."""
        return self.warehouse / "writer.lock"

    @property
    def serving_lock(self) -> Path:
        """Lock file of the one `serve`."""
        return self.warehouse / "serving.lock"

    @property
    def step_times(self) -> Path:
        """How long each step took."""
        return self.warehouse / "step-times.json"

    @property
    def trial(self) -> Path:
        """A copy of this shop in which changes are tried; there only meanwhile."""
        return self.warehouse / "trial"

    @property
    def trial_lock(self) -> Path:
        """Lock file of the one trial."""
        return self.warehouse / "trial.lock"

    @property
    def tried(self) -> Path:
        """What was tried last, to be applied."""
        return self.warehouse / "tried.json"

    @property
    def logs(self) -> Path:
        """What the served processes say."""
        return self.warehouse / "logs"

    @property
    def prefect(self) -> Path:
        """The scheduler's own files."""
        return self.warehouse / "prefect"

    @property
    def sign_in(self) -> Path:
        """The secret that the scheduler's API asks for."""
        return self.warehouse / "sign-in"

    @property
    def people(self) -> Path:
        """Who may sign in to the pages: names, roles and hashes of passwords."""
        return self.warehouse / "people.json"

    @property
    def signed_in(self) -> Path:
        """Who is signed in: hashes of what their browsers show."""
        return self.warehouse / "signed-in.json"

    @property
    def published(self) -> Path:
        """Snapshots for readers."""
        return self.root / "published"

    @property
    def history(self) -> Path:
        """What each publish changed."""
        return self.root / "history"

    @property
    def pool(self) -> Path:
        """What this shop has to do with others; a backup takes it along."""
        return self.root / "pool"

    @property
    def everywhere(self) -> Path:
        """What many shops measured, where somebody pooled it."""
        return self.pool / "everywhere.parquet"

    @property
    def reports(self) -> Path:
        """Reviews and sheets."""
        return self.root / "reports"

    @property
    def backups(self) -> Path:
        """Copies of the settings, layouts and ledger."""
        return self.root / "backups"

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
