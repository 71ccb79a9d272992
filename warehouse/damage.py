"""Damaged files of the shop's own: how they are recognised and where they are put aside."""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
from pathlib import Path

import duckdb

from warehouse.shop import ShopFolder

DAMAGED = "damaged"
_DISK_TROUBLES = {
    "No space left": errno.ENOSPC,
    "Disk quota exceeded": errno.ENOSPC,
    "Permission denied": errno.EACCES,
    "Read-only file system": errno.EROFS,
    "Input/output error": errno.EIO,
}
"""Libraries that write by themselves pass on what the system said, under errors of their own."""

_REMEDIES = {
    errno.ENOSPC: "the disk is full: make room",
    errno.EROFS: "the disk can only be read: have it opened for writing",
    errno.EACCES: "this is not permitted to who runs it: see to whom the file belongs",
    errno.EIO: "the disk does not answer or is failing: look at it, and bring back a backup",
}
FULL_OR_SHUT = {errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC), errno.EROFS}
"""System errors of a disk that is full or cannot be written."""


class DamagedError(RuntimeError):
    """A file of the shop's own is damaged, with what to do about it."""


def file_sha256(path: Path) -> str:
    """Return the hash of a file's bytes; it never stands in memory."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def put_aside(shop: ShopFolder, path: Path, kind: str) -> None:
    """Move a damaged thing into `warehouse/damaged/`; of each kind only the newest is kept."""
    target = shop.warehouse / DAMAGED / kind
    target.parent.mkdir(parents=True, exist_ok=True)
    remove(target)
    shutil.move(path, target)


def remove(path: Path) -> None:
    """Delete a file or a folder, if there is one."""
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)


def disk_trouble(error: Exception) -> OSError | None:
    """Return what the system said when a disk could not be used; None for all else."""
    if isinstance(error, OSError):
        number = errno.ENOSPC if error.errno in FULL_OR_SHUT - {errno.EROFS} else error.errno
        number = errno.EACCES if number == errno.EPERM else number
        return OSError(number, error.strerror, error.filename) if number in _REMEDIES else None
    for said, number in _DISK_TROUBLES.items():
        if said in str(error):
            return OSError(number, os.strerror(number))
    return None


def disk_remedy(trouble: OSError) -> str:
    """Return one sentence on a disk that could not be used, with what to do."""
    where = f" ({trouble.filename})" if trouble.filename else ""
    told = _REMEDIES[trouble.errno or errno.EIO]
    return (
        f"{trouble.strerror}{where}: {told}, and run the same command again; it goes on where it "
        "was, nothing is half-written"
    )


def is_damage(error: Exception) -> bool:
    """Whether an error says that a database file no longer holds what was written."""
    if not isinstance(error, duckdb.Error) or disk_trouble(error):
        return False
    # A block whose sum is wrong comes as the bare class; what follows it in that connection as one
    # of the others.
    kinds = (duckdb.IOException, duckdb.FatalException, duckdb.SerializationException)
    return type(error) is duckdb.Error or isinstance(error, kinds)


def plainly(error: Exception) -> str:
    """Return a sentence on a disk or a database that failed, with what to do; "" for all else."""
    if trouble := disk_trouble(error):
        return disk_remedy(trouble)
    if isinstance(error, (FileExistsError, NotADirectoryError)) and error.filename:
        asked = Path(error.filename)
        # Asked for a file below it, the system names that file and not what is in its way.
        in_the_way = next((one for one in asked.parents if one.is_file()), asked)
        return (
            f"{in_the_way} is in the way: a file stands where a folder belongs. Move it away "
            "and run this again; nothing is lost"
        )
    if is_damage(error):
        return (
            f"The database or the snapshot is damaged ({first_line(error)}). Nothing is lost: run "
            "`rollbook update`; what is damaged is made again from the archive"
        )
    return ""


def first_line(error: Exception) -> str:
    """Return the first line of an error, cut to what a sentence can hold."""
    return (str(error).splitlines() or [""])[0][:120]
