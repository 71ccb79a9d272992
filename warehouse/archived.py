"""The one door to archived bytes: where they lie, plain or packed, how they are kept and read.

What came lies plain until it is packed, when nothing else is to be done: then the file is named
`<hash of the plain bytes>.zst`, and the program `zstd` opens it without us.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import random
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import BinaryIO, TypeVar

from warehouse.damage import file_sha256, put_aside
from warehouse.shop import ShopFolder
from warehouse.whole_file import write_whole

Result = TypeVar("Result")

PIECE_BYTES = 1 << 20
PACKED = ".zst"
MOST_TIMES = 2_000
"""Packed bytes that give more than so many times as many are not ours: logs shrink to a tenth, a
file of zeros to a 20,000th, and such a file is left plain."""
TRIES = 3
PACK_AT_UPDATE_S = 2.0
PACK_AT_NIGHT_S = 600.0
UNPACKED_FOR_S = 3_600.0


class GoneError(ValueError):
    """Archived bytes are gone, or are no longer those that came."""


def archived_path(shop: ShopFolder, sha256: str) -> Path:
    """Return where the archive keeps plain bytes; it may hold them packed instead."""
    return shop.archive / sha256[:2] / sha256


def is_archived(shop: ShopFolder, sha: str) -> bool:
    """Whether the archive holds these bytes, whole: a damaged copy is written over."""
    target = archived_path(shop, sha)
    if target.is_file() and file_sha256(target) == sha:
        return True
    put_damaged_plain_aside(shop, sha)
    with contextlib.suppress(GoneError):
        for _ in pieces(shop, sha):
            pass
        return True
    return False


def is_there(shop: ShopFolder, sha256: str) -> bool:
    """Whether a file of these bytes stands in the archive, whole or not."""
    path = archived_path(shop, sha256)
    return path.is_file() or _packed(path).is_file()


def held(shop: ShopFolder) -> set[str]:
    """Return the hashes of all that the archive holds."""
    found: set[str] = set()
    with contextlib.suppress(FileNotFoundError), os.scandir(shop.archive) as folders:
        for folder in folders:
            if len(folder.name) == 2 and folder.is_dir():
                names = os.listdir(folder)  # noqa: PTH208 - a Path for each takes ten times as long
                found.update(name.removesuffix(PACKED) for name in names)
    return {name for name in found if len(name) == 64}


def size_of(shop: ShopFolder, sha256: str) -> int:
    """Return about how many bytes a file has; 0 of one that is gone."""
    path = archived_path(shop, sha256)
    with contextlib.suppress(OSError):
        return path.stat().st_size
    with contextlib.suppress(OSError):
        return 4 * _packed(path).stat().st_size
    return 0


def pieces(shop: ShopFolder, sha256: str) -> Iterator[bytes]:
    """Yield archived bytes; raises GoneError, at their end at the latest, if they are others."""
    path = archived_path(shop, sha256)
    put_damaged_plain_aside(shop, sha256)
    digest = hashlib.sha256()
    try:
        file = path.open("rb")
    except OSError:  # packed: it may have become so this very moment
        found = _unpacked(_packed(path))
    else:
        found = _plain_pieces(file)
    for piece in found:
        digest.update(piece)
        yield piece
    if digest.hexdigest() != sha256:
        raise GoneError(sha256)


def whole(shop: ShopFolder, sha256: str) -> bytes:
    """Return archived bytes that fit into memory. Raises GoneError as `pieces` does."""
    return b"".join(pieces(shop, sha256))


def plain_path(shop: ShopFolder, sha256: str) -> Path:
    """Return a plain file of archived bytes for who reads by path; packed ones are unpacked.

    Raises GoneError if there are none, or the packed ones are damaged. Without the shop's lock a
    plain file may be packed while it is read: see `read_by_path`.
    """
    path = archived_path(shop, sha256)
    put_damaged_plain_aside(shop, sha256)
    if path.is_file():
        return path
    if not _packed(path).is_file():
        raise GoneError(sha256)
    beside = shop.warehouse / "unpacked" / sha256
    if not beside.is_file():
        beside.parent.mkdir(parents=True, exist_ok=True)
        made = beside.with_name(f".making-{os.getpid()}-{sha256[:12]}")
        try:
            with made.open("wb") as file:
                for piece in pieces(shop, sha256):
                    file.write(piece)
            made.replace(beside)
        finally:
            made.unlink(missing_ok=True)
    return beside


def read_by_path(shop: ShopFolder, sha256: str, read: Callable[[Path], Result]) -> Result:
    """Return what somebody without the shop's lock reads from a plain file of archived bytes.

    It is asked once more where the file was packed meanwhile. Raises what `plain_path` raises.
    """
    path = plain_path(shop, sha256)
    try:
        return read(path)
    except Exception:
        if path.is_file():
            raise
    return read(plain_path(shop, sha256))


def put_damaged_plain_aside(shop: ShopFolder, sha256: str) -> bool:
    """Move a damaged plain file away that stands before a sound packed one; tell whether it was.

    Both stand there after a kill between packing and deleting, and then both are sound.
    """
    path = archived_path(shop, sha256)
    if not _packed(path).is_file() or not path.is_file():
        return False
    with contextlib.suppress(OSError, GoneError):  # it cannot be read, or another moved it
        if file_sha256(path) == sha256 or _hash_of(_unpacked(_packed(path))) != sha256:
            return False
        put_aside(shop, path, sha256)
        return True
    return False


def forget_unpacked(shop: ShopFolder, shas: Iterator[str] | None = None) -> None:
    """Delete unpacked files: those named, or those that nobody can still be reading."""
    folder = shop.warehouse / "unpacked"
    for path in map(folder.joinpath, shas) if shas is not None else folder.glob("*"):
        with contextlib.suppress(OSError):  # gone, or open elsewhere
            if shas is not None or path.stat().st_mtime < time.time() - UNPACKED_FOR_S:
                path.unlink()


def keep(shop: ShopFolder, data: bytes) -> str:
    """Archive a small text that a person wrote; return its hash."""
    sha = hashlib.sha256(data).hexdigest()
    for left in reversed(range(TRIES)):
        if is_archived(shop, sha):
            break
        try:
            write_whole(archived_path(shop, sha), data, made_in=shop.archive)
        except FileNotFoundError:  # half-made, it was swept by an update that began
            if not left:
                raise
    return sha


def pack(shop: ShopFolder, within_s: float) -> tuple[int, int]:
    """Pack plain files for some seconds; return how many are packed and how many bytes fewer.

    The plain file goes only once the packed one was read back and stands on the disk. Call with
    the shop's lock held.
    """
    until = time.monotonic() + within_s
    folders = list(shop.archive.glob("??"))
    random.shuffle(folders)  # so that a file which cannot be packed holds no other up for ever
    count = saved = 0
    for path in (path for folder in folders for path in sorted(folder.iterdir())):
        if time.monotonic() >= until:
            break
        if len(path.name) == 64 and path.is_file() and (fewer := _pack_one(shop, path)) is not None:
            count, saved = count + 1, saved + fewer
    return count, saved


def _pack_one(shop: ShopFolder, path: Path) -> int | None:
    """Pack a file; return how many bytes fewer it takes, None if it stays as it is."""
    import pyarrow as pa

    made = shop.archive / f".making-{os.getpid()}-{path.name[:12]}"
    try:
        with pa.CompressedOutputStream(pa.PythonFile(made.open("wb"), "w"), "zstd") as packed:
            for piece in _plain_pieces(path.open("rb")):
                packed.write(piece)
        try:
            if _hash_of(_unpacked(made)) != path.name:  # damaged
                return None
        except GoneError:  # shrunk beyond what is taken for ours
            return None
        with made.open("rb+") as file:
            os.fsync(file.fileno())
        before, after = path.stat().st_size, made.stat().st_size
        made.replace(_packed(path))
        path.unlink()
        return before - after
    finally:
        made.unlink(missing_ok=True)


def _hash_of(found: Iterator[bytes]) -> str:
    digest = hashlib.sha256()
    for piece in found:
        digest.update(piece)
    return digest.hexdigest()


def _packed(path: Path) -> Path:
    return path.with_name(path.name + PACKED)


def _plain_pieces(file: BinaryIO) -> Iterator[bytes]:
    with file:
        while piece := file.read(PIECE_BYTES):
            yield piece


def _unpacked(path: Path) -> Iterator[bytes]:
    """Yield what packed bytes hold; raises GoneError if they are gone, damaged or a bomb."""
    import pyarrow as pa

    try:
        left = MOST_TIMES * path.stat().st_size
        with (
            path.open("rb") as file,
            pa.CompressedInputStream(pa.PythonFile(file, "r"), "zstd") as packed,
        ):
            while piece := packed.read(PIECE_BYTES):
                left -= len(piece)
                if left < 0:
                    raise GoneError(path.name)
                yield piece
    except pa.ArrowException:
        raise GoneError(path.name) from None
    except OSError as error:
        # Of a frame that ends too early the library says so without a number of the system's.
        if error.errno in (None, errno.ENOENT, errno.ENOTDIR):
            raise GoneError(path.name) from None
        raise
