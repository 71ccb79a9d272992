"""Backup: what a shop cannot make again, copied into a folder of backups; only what is new.

It needs no lock and stops nobody: the ledger is read first, and whatever it names was archived
before; settings, layouts and reports are replaced whole by whoever writes them.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import hashlib
import json
import os
import stat
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import NamedTuple

import filelock

from flows.backup_folder import (
    PIECE_BYTES,
    BackupError,
    BackupFolder,
    FileKept,
    Manifest,
    NotThoseBytesError,
    UnreadableFileError,
    pieces_of,
    source_told,
)
from flows.settings import NEW_SHOP
from flows.steps.inbox import IGNORED_NAMES, files_in, trouble_of
from flows.steps.ledger import LEDGER, lines_of
from flows.steps.progress import Progress
from warehouse import acts
from warehouse.archived import GoneError, held
from warehouse.archived import pieces as archived_pieces
from warehouse.damage import DamagedError, file_sha256
from warehouse.shop import ShopFolder
from warehouse.whole_file import write_whole

MADE_AGAIN = {"warehouse", "published", "refused"}
"""Folders that `update` makes again from the rest."""

GUIDE = NEW_SHOP / "DISASTER.md"

OWN_FOLDERS = {"archive", "backups", "layouts", "reports"}
"""Folders that may stand on another disk, by a link; other links are not followed."""

TRIES = 3
"""How often a file that changes while it is copied is begun anew."""


class Backup(NamedTuple):
    """What one backup did."""

    manifest: Manifest
    files: int
    copied: int
    copied_bytes: int
    left_out: list[str]
    """What is no file of the shop's or still being written, a sentence each."""
    lost: list[str]
    """What should be in the backup and could not be had."""


class Arrived(NamedTuple):
    """What the ledger tells: each hash with one name, and what should lie in the inbox."""

    names: dict[str, str]
    inbox: dict[str, tuple[str, int, int]]
    """Hash, size and time of writing by path."""


def back_up(shop: ShopFolder, to: Path, now: dt.datetime, progress: Progress) -> Backup:
    """Copy what is new into a folder of backups and write down what the shop is made of now.

    Raises BackupError if the folder is of another shop, in the shop itself or being written.
    Raises DamagedError if the ledger must be mended first.
    """
    folder = BackupFolder(to.resolve())
    if folder.root == shop.root or shop.root in folder.root.parents:
        raise BackupError(f"{to} lies in the shop itself: name a folder on another disk")
    ledger = _ledger(shop)
    _refuse_other_folders(folder)
    folder.make()
    with _alone(folder):
        _refuse_other_shops(folder, ledger, shop.root.name)
        work = _Work(shop, folder, progress)
        pieces = work.ledger(ledger)
        journal = acts.journal(shop)
        acted = work.ledger(journal[: journal.rfind(b"\n") + 1])
        arrived = arrivals(ledger)
        names = acts.kept_in(journal) | arrived.names
        work.archive(names)
        files, missing = work.inbox(arrived)
        files += work.others()
        number = max(folder.numbers(), default=0) + 1
        manifest = Manifest(number, now, shop.root.name, pieces, files, missing, acted)
        folder.write(manifest)
        # Whoever has only this disk left reads there what to do.
        write_whole(folder.root / GUIDE.name, GUIDE.read_bytes(), made_in=folder.making)
    count = len(pieces) + len(acted) + len(names) + len(files)
    return Backup(manifest, count, work.copied, work.copied_bytes, work.left_out, work.lost)


def read_back(folder: BackupFolder, progress: Progress) -> int:
    """Read all that a folder of backups holds; put what is damaged aside and return how many.

    The next backup copies it again from the shop.
    """
    held = sorted(folder.held())
    damaged = 0
    for done, sha in enumerate(held, start=1):
        if not folder.is_whole(sha):
            folder.damaged.mkdir(exist_ok=True)
            folder.path_of(sha).replace(folder.damaged / f"{sha}.zst")
            damaged += 1
        if done % 100 == 0 or done == len(held):
            progress(done, len(held), "reading back")
    return damaged


def not_to_be_had(folder: BackupFolder) -> list[str]:
    """Return, a sentence each, what a backup names and the folder does not hold."""
    held = folder.held()
    told: dict[str, str] = {}
    for path in folder.numbers().values():
        manifest = folder.read(path)
        if manifest is None:
            told[path.name] = f"{path}: this backup's list is damaged; the others count"
            continue
        text, damaged = folder.ledger_of(manifest.ledger)
        journal, damaged_acts = folder.ledger_of(manifest.acts)
        damaged += damaged_acts
        needed = acts.kept_in(journal) | arrivals(text).names
        needed |= {file.sha256: file.path for file in manifest.files}
        needed |= dict.fromkeys(damaged, "a piece of the ledger")
        for sha in needed.keys() - held:
            told.setdefault(sha, f"{needed[sha]} of {manifest.name}: not in the backup any more")
    return sorted(told.values())


def arrivals(ledger: bytes) -> Arrived:
    """Return what the lines of a ledger tell; a line that is damaged tells nothing."""
    names: dict[str, str] = {}
    inbox: dict[str, tuple[str, int, int]] = {}
    for line in lines_of(ledger, 0)[0].values():
        entry = json.loads(line)
        folder, name, sha = (entry[key] for key in ("job_folder", "file_name", "file_sha256"))
        path = name if folder == "." else f"{folder}/{name}"
        names.setdefault(sha, path)
        if "taken_out_at" in entry:
            inbox.pop(path, None)
        else:
            inbox[path] = (sha, entry["size_bytes"], entry["modified_ns"])
    return Arrived(names, inbox)


def _ledger(shop: ShopFolder) -> bytes:
    """Return the ledger up to its last whole line: an intake may be writing the next."""
    path = shop.archive / LEDGER
    data = path.read_bytes() if path.is_file() else b""
    data = data[: data.rfind(b"\n") + 1]
    if not data and held(shop) - acts.kept_in(acts.journal(shop)).keys():
        raise DamagedError(
            f"{path} is missing or empty, and a backup without it would name none of the archive's "
            "files. Run `rollbook update`, which makes it whole or says what to do, then this again"
        )
    if bad := lines_of(data, 0)[1]:
        raise DamagedError(
            f"{path}: line {bad[0]} is damaged, and a backup of it would be worth little. Run "
            "`rollbook check`, which says how it is made whole, then this again"
        )
    return data


def _refuse_other_folders(folder: BackupFolder) -> None:
    """Refuse a folder that holds other things: nothing of ours is strewn among them."""
    own = {folder.blobs.name, folder.manifests.name, folder.making.name, folder.damaged.name}
    if folder.root.is_dir():
        names = {entry.name for entry in os.scandir(folder.root)}
        visible = {name for name in names if not name.startswith(".")} - IGNORED_NAMES
        if visible and not own & visible:
            raise BackupError(f"{folder.root} holds other things: name a new folder in it")


def _refuse_other_shops(folder: BackupFolder, ledger: bytes, name: str) -> None:
    """Refuse a folder whose newest backup knows arrivals that this shop does not."""
    if not folder.numbers():
        return
    newest = folder.newest()
    if newest is None:
        raise BackupError(f"no backup in {folder.root} can be read: name a new folder")
    if not newest.ledger and newest.shop != name:
        # A shop into which nothing came yet tells itself apart by its name alone.
        raise BackupError(f"{folder.root} holds backups of {newest.shop}: name a new folder")
    start = 0
    for sha, size in newest.ledger:
        if hashlib.sha256(ledger[start : start + size]).hexdigest() != sha:
            raise BackupError(
                f"{folder.root} holds backups of {newest.shop}, and its newest tells of files "
                "that this shop's ledger does not have: it is another shop, or one that went on "
                "elsewhere, or this shop's archive is not there. Name a new folder, or connect "
                "the disk"
            )
        start += size


@contextlib.contextmanager
def _alone(folder: BackupFolder) -> Iterator[None]:
    lock = filelock.FileLock(folder.root / "one-at-a-time.lock")
    try:
        lock.acquire(timeout=0)
    except filelock.Timeout:
        raise BackupError(f"another backup into {folder.root} is running; wait for it") from None
    except NotImplementedError:
        pass  # a share without locks: two at once copy some files twice, and harm nothing
    try:
        yield
    finally:
        lock.release()


class _Work:
    """Copies what is new and keeps account of it."""

    def __init__(self, shop: ShopFolder, folder: BackupFolder, progress: Progress) -> None:
        self.shop, self.folder, self.progress = shop, folder, progress
        self.held = folder.held()
        self.copied = self.copied_bytes = 0
        self.left_out: list[str] = []
        self.lost: list[str] = []

    def _put(self, sha: str, source: Iterable[bytes]) -> None:
        if sha not in self.held:
            self.copied_bytes += self.folder.put(sha, source)
            self.copied += 1
            self.held.add(sha)

    def ledger(self, data: bytes) -> list[tuple[str, int]]:
        """Copy the ledger in pieces: all but the last stay as they are for ever."""
        pieces: list[tuple[str, int]] = []
        for start in range(0, len(data), PIECE_BYTES):
            piece = data[start : start + PIECE_BYTES]
            sha = hashlib.sha256(piece).hexdigest()
            self._put(sha, [piece])
            pieces.append((sha, len(piece)))
        return pieces

    def archive(self, names: dict[str, str]) -> None:
        """Copy archived bytes; those that the archive lost and the backup holds are not missed."""
        todo = [sha for sha in names if sha not in self.held]
        for done, sha in enumerate(todo, start=1):
            try:
                self._put(sha, self._archived(sha))
            except (NotThoseBytesError, UnreadableFileError, GoneError):
                self.lost.append(
                    f"{names[sha]}: the archive lost it or holds other bytes ({sha[:12]}). "
                    "Run `rollbook update`, which takes it from the inbox if it lies there"
                )
            if done % 50 == 0 or done == len(todo):
                self.progress(done, len(todo), "copying the archive")

    def _archived(self, sha: str) -> Iterator[bytes]:
        with source_told():
            yield from archived_pieces(self.shop, sha)

    def inbox(self, arrived: Arrived) -> tuple[list[FileKept], list[str]]:
        """Return what lies in the inbox otherwise than the ledger tells, copied, and what not."""
        found, odd = files_in(self.shop.inbox)
        self.left_out += [f"inbox/{told}" for told in odd]
        fresh: list[FileKept] = []
        seen: set[str] = set()
        for folder, name, size, modified_ns in found:
            path = name if folder == "." else f"{folder}/{name}"
            seen.add(path)
            sha, *as_told = arrived.inbox.get(path, ("", 0, 0))
            if as_told != [size, modified_ns]:
                kept = self._copied(f"inbox/{path}", self.shop.inbox / path)
                fresh += [file for file in kept if file.sha256 != sha]
        # An inbox without a single file is a disk that is not there, not a decision.
        return fresh, sorted(arrived.inbox.keys() - seen) if seen else []

    def others(self) -> list[FileKept]:
        """Copy settings, layouts, reports and whatever else lies in the shop's folder."""
        kept: list[FileKept] = []
        folders = ["."]
        while folders:
            folder = folders.pop()
            for entry in self._entries(folder):
                path = entry.name if folder == "." else f"{folder}/{entry.name}"
                if not self._is_wanted(path, entry.name):
                    continue
                found = entry.stat(follow_symlinks=False)
                if path in OWN_FOLDERS and entry.is_dir():
                    folders.append(path)
                elif trouble := trouble_of(entry, found):
                    self.left_out.append(f"{path}: {trouble}")
                elif stat.S_ISDIR(found.st_mode):
                    folders.append(path)
                else:
                    kept += self._copied(path, Path(entry.path))
        return kept

    def _entries(self, folder: str) -> list[os.DirEntry[str]]:
        try:
            return sorted(os.scandir(self.shop.root / folder), key=lambda entry: entry.name)
        except OSError as error:
            self.lost.append(f"{folder}: {error.strerror}")
            return []

    def _is_wanted(self, path: str, name: str) -> bool:
        ledgers = [f"archive/{ledger}" for ledger in (LEDGER, acts.JOURNAL)]
        if path in MADE_AGAIN or path in ("inbox", *ledgers):
            return False
        if name.startswith(".") or name in IGNORED_NAMES or name.endswith(".arriving"):
            return False
        if len(name) == 2 and path == f"archive/{name}":
            return False  # copied by the ledger
        try:
            path.encode()
        except UnicodeEncodeError:
            self.left_out.append(f"{path!a}: its name is not readable text; rename it")
            return False
        return True

    def _copied(self, path: str, source: Path) -> list[FileKept]:
        """Copy a file as it is now; none if it is gone, cannot be read or does not rest."""
        for _ in range(TRIES):
            try:
                modified_ns = source.stat().st_mtime_ns
                sha = file_sha256(source)
            except FileNotFoundError:
                return []
            except OSError as error:
                self.lost.append(f"{path}: {error.strerror}")
                return []
            try:
                self._put(sha, pieces_of(source))
            except NotThoseBytesError:
                continue
            except UnreadableFileError as error:
                self.lost.append(f"{path}: {error}")
                return []
            return [FileKept(path, sha, modified_ns)]
        self.left_out.append(f"{path}: is still being written, comes with the next backup")
        return []
