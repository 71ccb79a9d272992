"""What a damaged file of the shop's own is: how it shows, and where it is put out of the way."""

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
    "Permission denied": errno.EACCES,
    "Read-only file system": errno.EROFS,
    "Input/output error": errno.EIO,
}


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


def disk_trouble(error: duckdb.Error) -> OSError | None:
    """Return what the system said when DuckDB could not use the disk; None for all else."""
    for said, number in _DISK_TROUBLES.items():
        if said in str(error):
            return OSError(number, os.strerror(number))
    return None


def is_damage(error: Exception) -> bool:
    """Whether an error says that a database file no longer holds what was written."""
    if not isinstance(error, duckdb.Error) or disk_trouble(error):
        return False
    # A block whose sum is wrong comes as the bare class; what follows it in that connection as one
    # of the others.
    kinds = (duckdb.IOException, duckdb.FatalException, duckdb.SerializationException)
    return type(error) is duckdb.Error or isinstance(error, kinds)


def first_line(error: Exception) -> str:
    """Return the first line of an error, cut to what a sentence can hold."""
    return (str(error).splitlines() or [""])[0][:120]
