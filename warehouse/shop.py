"""The shop's folder: where each thing lies."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

SETTINGS_NAME = "rollbook.toml"


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
    def published(self) -> Path:
        """Snapshots for readers."""
        return self.root / "published"

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
        """Make the folders; those that stand are left as they are."""
        for folder in (
            self.layouts,
            self.inbox,
            self.archive,
            self.refused,
            self.samples,
            self.published,
            self.reports,
            self.backups,
        ):
            folder.mkdir(parents=True, exist_ok=True)
