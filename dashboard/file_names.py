"""Names of files and folders that every system takes, made from names that cannot be trusted."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Collection

from schemas.shop_note import NOTES_FOLDER

MOST_NAME_BYTES = 120
"""Leaves room for a folder before it and for what notes put behind it."""

_FORBIDDEN = set('<>:"/\\|?*')
"""Signs that one system or another takes in no file name, or that mean a pattern on a card."""

_RESERVED = {"con", "prn", "aux", "nul", "conin$", "conout$"} | {
    f"{port}{number}" for port in ("com", "lpt") for number in "0123456789¹²³"
}
"""Names that open a device on Windows, whatever stands behind their first point."""


def safe_name(raw: str) -> str:
    r"""Return a name that every system takes for a file inside one folder.

    >>> safe_name("run_01.csv"), safe_name("..\\x/run:1?.csv"), safe_name("NUL.txt")
    ('run_01.csv', 'run_1_.csv', '_NUL.txt')
    """
    whole = unicodedata.normalize("NFC", raw)
    last = re.split(r"[\\/]", whole)[-1]
    text = "".join(sign if sign.isprintable() and sign not in _FORBIDDEN else "_" for sign in last)
    # Points and spaces: at the front they hide a file, at the end Windows drops them.
    text = text.lstrip(" .").rstrip(" .") or "file"
    if text.partition(".")[0].strip().casefold() in _RESERVED:
        text = f"_{text}"
    return _cut(text)


def safe_folder(job: str) -> str:
    """Return the name of the folder for a job.

    >>> safe_folder("J-0124"), safe_folder("2026/14")
    ('J-0124', '2026-14')
    >>> safe_folder("_notes")
    '_notes-'
    """
    name = safe_name(re.sub(r"[\\/]", "-", job))
    return f"{name}-" if one_on_disk(name) == NOTES_FOLDER else name


def _cut(text: str) -> str:
    if len(text.encode()) <= MOST_NAME_BYTES:
        return text
    stem, _, ending = text.rpartition(".")
    if not stem or len(ending.encode()) > 12:
        stem, ending = text, ""
    # Two long names that differ only at their end stay two names.
    mark = "-" + hashlib.sha256(text.encode()).hexdigest()[:8] + (f".{ending}" if ending else "")
    room = MOST_NAME_BYTES - len(mark.encode())
    return stem.encode()[:room].decode(errors="ignore") + mark


def free_name(name: str, taken: Collection[str]) -> str:
    """Return a name like this one that no file has yet.

    >>> free_name("run_01.csv", {"RUN_01.csv", "run_01-2.csv"})
    'run_01-3.csv'
    """
    stem, point, ending = name.partition(".")
    used = {one_on_disk(other) for other in taken}
    number = 2
    while one_on_disk(proposed := safe_name(f"{stem}-{number}{point}{ending}")) in used:
        number += 1
    return proposed


def one_on_disk(name: str) -> str:
    """Return what makes two names one on a disk that knows no case.

    >>> one_on_disk("Run.csv") == one_on_disk("run.CSV")
    True
    """
    return unicodedata.normalize("NFC", name).casefold()
