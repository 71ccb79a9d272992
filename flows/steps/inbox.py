"""Lists what lies in the inbox; imports nothing heavy, for the serving process looks by it."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path
from stat import S_ISDIR, S_ISREG

REPARSE_TAG_MOUNT_POINT = 0xA0000003  # IO_REPARSE_TAG_MOUNT_POINT of Windows' winnt.h
IGNORED_NAMES = {".DS_Store", "Thumbs.db", "desktop.ini"}

Entry = tuple[str, str, int, int]
"""Job folder ("." for the inbox itself), file name, size in bytes, time of writing in ns."""


def files_in(inbox: Path) -> tuple[list[Entry], list[str]]:
    """Return the inbox's files, and what lies between them and cannot be taken in, with the reason.

    Links are not followed: they would take in what lies elsewhere, under the shop's rights.
    """
    files: list[Entry] = []
    odd: list[str] = []
    folders = ["."]
    while folders:
        folder = folders.pop()
        try:
            entries = list(os.scandir(inbox / folder))
        except OSError as error:
            odd.append(f"{_shown(folder)}: {error.strerror}")
            continue
        for entry in entries:
            if entry.name in IGNORED_NAMES or entry.name.startswith("."):
                continue
            name = entry.name if folder == "." else f"{folder}/{entry.name}"
            try:
                found = entry.stat(follow_symlinks=False)
            except OSError:
                continue  # gone again
            if trouble := trouble_of(entry, found):
                odd.append(f"{_shown(name)}: {trouble}")
            elif S_ISDIR(found.st_mode):
                folders.append(name)
            elif _is_text(name):
                files.append((folder, entry.name, found.st_size, found.st_mtime_ns))
            else:
                odd.append(f"{entry.name!a}: its name is not readable text; rename it")
    return files, sorted(odd)


def lying_in(inbox: Path, folder: str) -> list[Entry]:
    """Return the files of one folder of the inbox, as `files_in` does of all."""
    found = []
    with contextlib.suppress(OSError), os.scandir(inbox / folder) as entries:
        for entry in entries:
            if entry.name in IGNORED_NAMES or entry.name.startswith("."):
                continue
            with contextlib.suppress(OSError):  # gone again
                if entry.is_file(follow_symlinks=False):
                    stat = entry.stat(follow_symlinks=False)
                    found.append((folder, entry.name, stat.st_size, stat.st_mtime_ns))
    return found


def trouble_of(entry: os.DirEntry[str], found: os.stat_result) -> str | None:
    """Return why an entry of the inbox is neither file nor folder of its own."""
    # Windows: a junction is a folder that stands elsewhere, and no symbolic link.
    if entry.is_symlink() or getattr(found, "st_reparse_tag", 0) == REPARSE_TAG_MOUNT_POINT:
        return "is a link, not a file: copy the file itself here"
    if S_ISREG(found.st_mode) or S_ISDIR(found.st_mode):
        return None
    return "is no file: copy the file itself here"


def _shown(name: str) -> str:
    return name if _is_text(name) else ascii(name)


def _is_text(name: str) -> bool:
    """Whether a name can be written down: some systems let any bytes be one."""
    try:
        name.encode()
    except UnicodeEncodeError:
        return False
    return True
