"""Leaves a note in `refused/` for each file that waits or was refused: why, and what to do."""

from __future__ import annotations

import contextlib
import re
import unicodedata
from collections.abc import Collection
from pathlib import Path
from typing import Any

import duckdb

from flows.steps.refresh import fingerprint
from schemas.visible import visible
from warehouse import store
from warehouse.sentences import in_words, remedy_in_words
from warehouse.shop import ShopFolder
from warehouse.whole_file import write_whole

LONGEST_NAME = 100
"""In bytes, before the mark: common disks take 255, and some write an accent as a letter more."""
OURS = re.compile(
    rb".+: (refused|waiting|missing)\n\n"
    rb"Why:         .+\nWhat to do:  .+\nKept:        .+\n",
    re.DOTALL,
)
"""What a note looks like, also one of an older name: other files in there are people's own."""
LONGEST_NOTE = 1024 * 1024
"""In bytes. A larger file is no note."""


def write_notes(
    connection: duckdb.DuckDBPyConnection, shop: ShopFolder, arriving: Collection[str] = ()
) -> int:
    """Make `refused/` say what the warehouse says, and nothing that is over."""
    wanted = {
        note_name(row["job_folder"], row["file_name"]): _note(row)
        for row in store.rows(
            connection,
            "SELECT * FROM out.file WHERE state IN ('refused', 'waiting', 'missing') "
            "ORDER BY job_folder, file_name",
        ).iter_rows(named=True)
        if f"{row['job_folder']}/{row['file_name']}" not in arriving
    }
    standing = _standing(shop.refused)
    for path in standing:
        if path.parent != shop.refused or _one_form(path.name) not in wanted:
            _take_away(path, shop.refused)
    told = {_one_form(path.name): text for path, text in standing.items()}
    for name, text in wanted.items():
        if told.get(name) != text.encode():
            # Open in somebody's editor, which locks it on some systems: the next intake writes it.
            with contextlib.suppress(PermissionError):
                write_whole(shop.refused / name, text)
    return len(wanted)


def note_name(job_folder: str, file_name: str) -> str:
    """Return the name of a file's note: readable, one no other file has, taken by any disk.

    >>> note_name("job 3", "pull_2.csv")
    'job-3-pull_2-csv-f27695f3fd21700f.txt'
    """
    # Letters and figures only: no sign of one is a device, a folder or a pattern anywhere.
    plain = re.sub(r"\W+", "-", _one_form(f"{job_folder}/{file_name}")).strip("-")
    cut = plain.encode()[:LONGEST_NAME].decode(errors="ignore")
    return f"{cut or 'file'}-{fingerprint(job_folder, file_name)}.txt"


def _standing(refused: Path) -> dict[Path, bytes]:
    """Return the notes that stand, and what they say."""
    found = {}
    for path in sorted(refused.rglob("*.txt")):
        with contextlib.suppress(OSError):
            if path.is_file() and path.stat().st_size <= LONGEST_NOTE:
                text = path.read_bytes()
                if OURS.fullmatch(text):
                    found[path] = text
    return found


def _take_away(note: Path, refused: Path) -> None:
    """Delete a note, and the folder it lay in: once each job had one, and none other is ours."""
    with contextlib.suppress(OSError):
        note.unlink()
        for folder in note.parents[: len(note.relative_to(refused).parts) - 1]:
            folder.rmdir()


def _one_form(name: str) -> str:
    """Return a name as it was given, whichever way the disk writes its accents."""
    return unicodedata.normalize("NFC", name)


def _note(row: dict[str, Any]) -> str:
    kept = f"archive, as {row['file_sha256']}" if row["file_sha256"] else "nowhere: it never came"
    return visible(
        f"{row['job_folder']}/{row['file_name']}: {row['state']}\n\n"
        f"Why:         {in_words(row['reason'])}\n"
        f"What to do:  {remedy_in_words(row['reason'])}\n"
        f"Kept:        {kept}\n"
    )
