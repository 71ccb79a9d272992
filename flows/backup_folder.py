"""A folder of backups: each file once by its hash, compressed, and one manifest a backup.

A manifest is written last and whole, so that whatever stands in `backups/` was finished. Files are
plain zstd: the program `zstd` opens them without us.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import hashlib
import json
import os
import re
import socket
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

from warehouse.shop import Inside
from warehouse.whole_file import write_whole

FORMAT = 1
PIECE_BYTES = 1 << 20
TORN_AFTER_S = 86_400.0
"""What lies half-written for a day is of a killed backup; younger may be another machine's."""

_NAME = re.compile(r"\d{4}-\d\d-\d\dT\d{6}Z-(\d+)\.json")


class BackupError(RuntimeError):
    """A backup cannot be made or brought back, with what to do about it."""


class NotThoseBytesError(ValueError):
    """A file holds other bytes than those asked for: it changed meanwhile, or is damaged."""


class UnreadableFileError(ValueError):
    """A file that was to be copied cannot be read, with the system's reason."""


class FileKept(NamedTuple):
    """A file of the shop as one backup holds it; the path is relative, with slashes."""

    path: str
    sha256: str
    modified_ns: int


class Manifest(NamedTuple):
    """What one backup holds. What the ledger tells is not told again."""

    number: int
    made_at: dt.datetime
    shop: str
    ledger: list[tuple[str, int]]
    """Hash and size of the ledger's pieces in their order."""
    files: list[FileKept]
    not_in_inbox: list[str]
    """Files that the inbox should hold by the ledger, and did not."""
    acts: list[tuple[str, int]] = []  # noqa: RUF012 - never written into
    """The same of the journal of acts; none of a backup made before there was one."""

    @property
    def name(self) -> str:
        """Return the name of its file, which every system takes."""
        return f"{self.made_at:%Y-%m-%dT%H%M%SZ}-{self.number}.json"


@dataclass(frozen=True)
class BackupFolder:
    """Paths inside a folder of backups, and the bytes in it."""

    root: Path

    blobs = Inside("blobs")
    """Compressed files by their hash."""
    manifests = Inside("backups")
    """One file a backup."""
    making = Inside("making")
    """What is not whole yet."""
    damaged = Inside("damaged")
    """What no longer held the bytes it was named after."""

    def make(self) -> None:
        """Make the folders, and sweep what a killed backup left half-written."""
        for folder in (self.blobs, self.manifests, self.making):
            folder.mkdir(parents=True, exist_ok=True)
        for torn in self.making.iterdir():
            if torn.stat().st_mtime < time.time() - TORN_AFTER_S:
                torn.unlink(missing_ok=True)

    def path_of(self, sha256: str) -> Path:
        """Return where the bytes of a hash lie."""
        return self.blobs / sha256[:2] / f"{sha256}.zst"

    def held(self) -> set[str]:
        """Return the hashes of all that lies here; what a disk emptied does not."""
        return {path.stem for path in self.blobs.glob("??/*.zst") if path.stat().st_size}

    def put(self, sha256: str, source: Iterable[bytes]) -> int:
        """Keep bytes under their hash; return how many these are, compressed.

        Raises NotThoseBytesError, and keeps nothing, if the file holds others, UnreadableFileError
        if it cannot be read.
        """
        import pyarrow as pa

        made = self.making / f"{socket.gethostname()[:40]}-{os.getpid()}.zst"
        digest = hashlib.sha256()
        try:
            with pa.CompressedOutputStream(pa.PythonFile(made.open("wb"), "w"), "zstd") as packed:
                for piece in source:
                    digest.update(piece)
                    packed.write(piece)
            if digest.hexdigest() != sha256:
                raise NotThoseBytesError(sha256)
            with made.open("rb+") as file:
                os.fsync(file.fileno())
            target = self.path_of(sha256)
            target.parent.mkdir(exist_ok=True)
            size = made.stat().st_size
            made.replace(target)
            return size
        finally:
            made.unlink(missing_ok=True)

    def pieces(self, sha256: str) -> Iterator[bytes]:
        """Yield the bytes of a hash.

        Raises NotThoseBytesError, at the end at the latest, if they are gone or damaged.
        """
        import pyarrow as pa

        digest = hashlib.sha256()
        try:
            with (
                self.path_of(sha256).open("rb") as file,
                pa.CompressedInputStream(pa.PythonFile(file, "r"), "zstd") as packed,
            ):
                while piece := packed.read(PIECE_BYTES):
                    digest.update(piece)
                    yield piece
        except (OSError, pa.ArrowException):
            raise NotThoseBytesError(sha256) from None
        if digest.hexdigest() != sha256:
            raise NotThoseBytesError(sha256)

    def is_whole(self, sha256: str) -> bool:
        """Whether the bytes of a hash can be had back, read to their end."""
        try:
            for _ in self.pieces(sha256):
                pass
        except NotThoseBytesError:
            return False
        return True

    def numbers(self) -> dict[int, Path]:
        """Return the manifests by number; the clock may have been set back between two."""
        found = {
            int(match[1]): path
            for path in self.manifests.glob("*.json")
            if (match := _NAME.fullmatch(path.name))
        }
        return dict(sorted(found.items()))

    def read(self, path: Path) -> Manifest | None:
        """Return what a manifest says; None for one that is not as it was written."""
        try:
            said = json.loads(path.read_text(encoding="utf-8"))
            if said.pop("check") != _sum(said) or said["format"] != FORMAT:
                return None
            return Manifest(
                said["number"],
                dt.datetime.fromisoformat(said["made_at"]),
                said["shop"],
                [(sha, size) for sha, size in said["ledger"]],
                [FileKept(*file) for file in said["files"]],
                said["not_in_inbox"],
                [(sha, size) for sha, size in said.get("acts", ())],
            )
        except (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError):
            return None

    def write(self, manifest: Manifest) -> Path:
        """Write a manifest, whole or not at all: with it the backup counts."""
        said: dict[str, Any] = {
            "format": FORMAT,
            **manifest._asdict(),
            "made_at": manifest.made_at.isoformat(),
        }
        path = self.manifests / manifest.name
        text = json.dumps({**said, "check": _sum(said)}, ensure_ascii=False, indent=1)
        write_whole(path, text, made_in=self.making)
        return path

    def newest(self, at: dt.datetime | None = None) -> Manifest | None:
        """Return the newest backup that can be read, of those made until a moment."""
        for path in reversed(self.numbers().values()):
            manifest = self.read(path)
            if manifest and (at is None or manifest.made_at <= at):
                return manifest
        return None

    def ledger_of(self, pieces: list[tuple[str, int]]) -> tuple[bytes, list[str]]:
        """Return a ledger of a backup, and the hashes of its pieces that are damaged."""
        whole: list[bytes] = []
        damaged: list[str] = []
        for sha, _ in pieces:
            try:
                whole.append(b"".join(self.pieces(sha)))
            except NotThoseBytesError:
                # The line torn at the seam must not swallow the next.
                whole.append(b"\n")
                damaged.append(sha)
        return b"".join(whole), damaged


def pieces_of(source: Path) -> Iterator[bytes]:
    """Yield a file's bytes; raises UnreadableFileError where its disk does not give them."""
    with source_told(), source.open("rb") as file:
        while piece := file.read(PIECE_BYTES):
            yield piece


@contextlib.contextmanager
def source_told() -> Iterator[None]:
    """Tell a source that cannot be read from a backup that cannot be written."""
    try:
        yield
    except OSError as error:
        raise UnreadableFileError(error.strerror) from error


def _sum(said: dict[str, Any]) -> str:
    text = json.dumps(said, ensure_ascii=False, sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()
