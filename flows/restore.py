"""Restore: a shop brought back from a folder of backups, each byte held against its hash."""

from __future__ import annotations

import datetime as dt
import os
import re
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path, PurePosixPath
from typing import NamedTuple, Protocol

from flows.backup import arrivals
from flows.backup_folder import BackupError, BackupFolder, Manifest, NotThoseBytesError
from flows.steps.ledger import LEDGER, lines_of
from flows.steps.progress import Progress
from warehouse import acts
from warehouse.archived import archived_path
from warehouse.shop import SETTINGS_NAME, ShopFolder
from warehouse.whole_file import write_whole

MOST_NAME_BYTES = 255
"""Of one name, on the file systems of Linux and macOS (POSIX NAME_MAX there); from memory."""
_NOT_ON_WINDOWS = re.compile(
    r'[<>:"\\|?*\x00-\x1f]|[ .]$|^(con|prn|aux|nul|com\d|lpt\d)(\.|$)', re.IGNORECASE
)


class Restored(NamedTuple):
    """What came back."""

    manifest: Manifest
    files: int
    lost: list[str]
    """What the backup names and could not be brought back, a sentence each."""


def restore(source: Path, target: Path, at: dt.datetime | None, progress: Progress) -> Restored:
    """Bring a shop back into a new or empty folder, as it was in the newest backup until then.

    The settings come last: a folder without them, of a restore that was stopped, is no shop.
    Raises BackupError if there is no such backup or the folder holds anything.
    """
    folder = BackupFolder(source.resolve())
    if folder.root in (target.resolve(), *target.resolve().parents):
        raise BackupError(f"{target} lies in the backups themselves: name another folder")
    if target.exists() and any(target.iterdir()):
        raise BackupError(
            f"{target} holds something, and nothing is written over: name a new folder. What a "
            "stopped restore left can be deleted"
        )
    manifest = _chosen(folder, at)
    shop = ShopFolder(target.resolve())
    shop.make()
    work = Work(folder, shop, progress)
    if at is None:
        work.lost += _lists_lost(folder, manifest)
    work.archive(manifest)
    for file in sorted(manifest.files, key=lambda file: file.path == SETTINGS_NAME):
        work.bring(file.sha256, file.path, file.modified_ns)
    return Restored(manifest, work.files, work.lost)


def moment(text: str, *, at_end: bool = True, zone: dt.tzinfo | None = None) -> dt.datetime | None:
    """Return a day's end, or its beginning, or a moment, by this machine's clock; None for "".

    Where a zone is given, by that zone's.

    Raises BackupError for what is neither.
    """
    if not text:
        return None
    try:
        if len(text) == len("2026-11-30"):
            text += "T23:59:59.999999" if at_end else "T00:00"
        found = dt.datetime.fromisoformat(text)
        return found.replace(tzinfo=found.tzinfo or zone).astimezone(zone)
    except (ValueError, OverflowError):  # the last hours of the year 9999 elsewhere
        raise BackupError(f'{text!r} is no day or moment such as "2026-11-30 18:00"') from None


def _chosen(folder: BackupFolder, at: dt.datetime | None) -> Manifest:
    if not folder.numbers():
        raise BackupError(f"{folder.root} holds no backup")
    if manifest := folder.newest(at):
        return manifest
    known = [path.stem for path in folder.numbers().values()]
    raise BackupError(
        f"no backup in {folder.root} is so old and can be read; there are {known[0]} to {known[-1]}"
    )


def _lists_lost(folder: BackupFolder, manifest: Manifest) -> list[str]:
    """Tell of newer backups that would have been taken, were their lists not damaged."""
    newer = [path for number, path in folder.numbers().items() if number > manifest.number]
    return [f"{path.name}: its list is damaged; the one before was taken" for path in newer]


class Source(Protocol):
    """Where bytes and ledgers are brought back from."""

    def pieces(self, sha256: str) -> Iterator[bytes]:
        """Yield the bytes of a hash; NotThoseBytesError says that they cannot be had."""
        ...

    def ledger_of(self, pieces: list[tuple[str, int]]) -> tuple[bytes, list[str]]:
        """Return a ledger, and what of it is damaged."""
        ...


class Work:
    """Brings files back and keeps account of them."""

    def __init__(self, folder: Source, shop: ShopFolder, progress: Progress) -> None:
        self.folder, self.shop, self.progress = folder, shop, progress
        self.files = 0
        self.lost: list[str] = []

    def archive(self, manifest: Manifest) -> None:
        """Bring back the archive, its ledger, and the inbox as the ledger tells of it."""
        text, damaged = self.folder.ledger_of(manifest.ledger)
        journal, damaged_acts = self.folder.ledger_of(manifest.acts)
        damaged += damaged_acts
        self.lost += [f"a piece of the ledger ({sha[:12]}), with what it names" for sha in damaged]
        arrived = arrivals(text)
        names = acts.kept_in(journal) | arrived.names
        for done, (sha, name) in enumerate(names.items(), start=1):
            self._write(sha, archived_path(self.shop, sha), name)
            if done % 50 == 0 or done == len(names):
                self.progress(done, len(names), "bringing back")
        write_whole(self.shop.archive / acts.JOURNAL, journal)
        lines = lines_of(text, 0)[0].values()
        write_whole(self.shop.archive / LEDGER, "".join(line + "\n" for line in lines))
        # What changed there since it was taken in comes with the list of files, as it is now.
        listed = (file.path for file in manifest.files if file.path.startswith("inbox/"))
        otherwise = {*manifest.not_in_inbox, *(path.removeprefix("inbox/") for path in listed)}
        for path, (sha, _, modified_ns) in arrived.inbox.items():
            held = archived_path(self.shop, sha)
            if path not in otherwise and held.is_file():
                self._place(
                    f"inbox/{path}", modified_ns, lambda to, held=held: shutil.copy(held, to)
                )

    def bring(self, sha256: str, path: str, modified_ns: int) -> None:
        """Bring back a file that stands in the list."""
        self._place(path, modified_ns, lambda to: self._write(sha256, to, path))

    def _place(self, path: str, modified_ns: int, write: Callable[[Path], object]) -> None:
        """Write a file where its path leads, if this system takes it and it is free."""
        target = self.shop.root / path
        if not is_name_here(path, os.name == "nt"):
            self.lost.append(f"{path}: this system takes no such name")
        elif os.path.lexists(target):
            self.lost.append(f"{path}: for this system another file has the same name")
        else:
            target.parent.mkdir(parents=True, exist_ok=True)
            write(target)
            if target.is_file():
                os.utime(target, ns=(modified_ns, modified_ns))

    def _write(self, sha256: str, target: Path, name: str) -> None:
        """Write the bytes of a hash; none of them where they are damaged."""
        target.parent.mkdir(parents=True, exist_ok=True)
        made = target.parent / ".making-restored"
        try:
            with made.open("wb") as file:
                for piece in self.folder.pieces(sha256):
                    file.write(piece)
            made.replace(target)
            self.files += 1
        except NotThoseBytesError:
            self.lost.append(f"{name}: gone from the backup or damaged there ({sha256[:12]})")
        finally:
            made.unlink(missing_ok=True)


def is_name_here(path: str, on_windows: bool) -> bool:
    r"""Whether a path of a backup's list leads into the shop's folder, and the system takes it.

    >>> is_name_here("inbox/J 1/run:1.csv", on_windows=False)
    True
    >>> is_name_here("inbox/J 1/run:1.csv", on_windows=True), is_name_here("../x", on_windows=False)
    (False, False)
    """
    parts = PurePosixPath(path).parts
    if not parts or path.startswith("/") or {"..", ""} & set(path.split("/")):
        return False
    if "\0" in path or any(len(part.encode(errors="replace")) > MOST_NAME_BYTES for part in parts):
        return False
    return not (on_windows and any(_NOT_ON_WINDOWS.search(part) for part in parts))
