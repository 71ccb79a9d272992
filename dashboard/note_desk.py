"""Writes what a person notes on a page as a file of its own into the inbox. Nothing here draws."""

from __future__ import annotations

import contextlib
import hashlib
import uuid
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from dashboard.intake_desk import LONGEST_UPDATE_S, NotWrittenError, must_be_allowed_to_add
from dashboard.open_shop import OpenShop
from dashboard.who import who
from schemas.shop_note import NOTES_FOLDER, ShopNote, read_shop_note, shop_note_text
from schemas.toml_text import MistakesError
from warehouse.acts import Act, file_written
from warehouse.shop import ShopFolder
from warehouse.whole_file import write_whole

Row = dict[str, Any]


def write_note(shop: OpenShop, note: ShopNote) -> str:
    """Write a new note; return its name. No two notes share a file, so nobody waits for another.

    Raises NotWrittenError, saying what to do. Raises OSError if the disk does not take it.
    """
    must_be_allowed_to_add()
    name = f"{note.on}-{uuid.uuid4().hex}.toml"
    text = shop_note_text(note)
    write_whole(_folder(shop) / name, text)
    _write_down(shop, "note written", name, note, b"", text)
    return name


def set_taken_back(shop: OpenShop, row: Mapping[str, Any], *, is_taken_back: bool) -> None:
    """Write a note anew, taken back or holding again; the version before it stays in the archive.

    `row` is one of the question `shop_notes`. Raises what `write_note` raises.
    """
    must_be_allowed_to_add()
    path = _folder(shop) / row["note_name"]
    if path.parent != _folder(shop) or path.is_symlink():
        raise NotWrittenError(f"{row['note_name']!r} is no note of this inbox")
    standing = path.read_bytes() if path.is_file() else b""
    # What is not archived yet must not be written over: somebody's words would be lost.
    if standing and hashlib.sha256(standing).hexdigest() != row["file_sha256"]:
        raise NotWrittenError(
            "this note was changed and is not taken in yet; nothing was written. Wait for the next "
            "update, and look again"
        )
    note = _note_of(row).model_copy(update={"taken_back": is_taken_back})
    text = shop_note_text(note, standing.decode("utf-8-sig"))
    write_whole(path, text)
    code = "note taken back" if is_taken_back else "note holds again"
    _write_down(shop, code, path.name, note, standing, text)


def _write_down(
    shop: OpenShop, code: str, name: str, note: ShopNote, before: bytes, text: str
) -> None:
    """Write into the journal who wrote a note, and on which job."""
    act = Act(code, f"inbox/{NOTES_FOLDER}/{name}", who(), note.job or "")
    file_written(ShopFolder(shop.folder), [act], before or None, text.encode())


def notes_of_job(shop: OpenShop, job_id: str, is_here: Callable[[ShopNote], bool]) -> list[Row]:
    """Return the notes that touch a job, also those in the inbox that are not taken in yet.

    `is_here` tells of a note whether it touches the job.
    """
    rows = {
        row["note_name"]: row | {"is_waiting": False}
        for row in shop.ask("shop_notes", job_ids=[job_id]).to_dicts()
    }
    since = shop.snapshot.published_at.timestamp() - LONGEST_UPDATE_S
    fresh: dict[str, Row] = {}
    for name, data in _lying(ShopFolder(shop.folder).inbox / NOTES_FOLDER, since):
        sha = hashlib.sha256(data).hexdigest()
        if name in rows and rows[name]["file_sha256"] == sha:
            continue
        with contextlib.suppress(MistakesError, ValueError):
            note = read_shop_note(data.decode("utf-8-sig"), name)
            if is_here(note):
                fresh[name] = _row_of(note, name, sha)
    return [*fresh.values(), *(row for name, row in rows.items() if name not in fresh)]


def _folder(shop: OpenShop) -> Path:
    folder = ShopFolder(shop.folder).inbox / NOTES_FOLDER
    if folder.is_symlink() or (folder.exists() and not folder.is_dir()):
        raise NotWrittenError(
            f"{NOTES_FOLDER} in the inbox is a link or a file: rename it, a folder must stand there"
        )
    return folder


def _lying(folder: Path, since: float) -> list[tuple[str, bytes]]:
    """Return the notes that were written lately, the latest first."""
    found = []
    with contextlib.suppress(OSError):
        for path in folder.iterdir():
            with contextlib.suppress(OSError):
                stat = path.stat(follow_symlinks=False)
                if stat.st_mtime >= since and path.suffix == ".toml" and not path.is_symlink():
                    found.append((stat.st_mtime, path.name, path.read_bytes()))
    return [(name, data) for _, name, data in sorted(found, reverse=True)]


def _note_of(row: Mapping[str, Any]) -> ShopNote:
    part = {"category": row["category"], "maker": row["maker"], "name": row["part_name"]}
    return ShopNote.model_validate(
        {
            "job": row["job_id"],
            "stage": row["stage_no"],
            "part": part if row["category"] else None,
            "model": row["model_id"],
            "on": row["noted_on"],
            "by": row["noted_by"],
            "text": row["note_text"],
        }
    )


def _row_of(note: ShopNote, name: str, sha: str) -> Row:
    part = note.part
    return {
        "note_name": name,
        "file_sha256": sha,
        "noted_on": note.on,
        "noted_by": note.by,
        "note_text": note.text,
        "is_taken_back": note.taken_back,
        "job_id": note.job,
        "stage_no": note.stage,
        "stage_name": None,
        "category": part.category if part else None,
        "maker": part.maker if part else None,
        "part_name": part.name if part else None,
        "model_id": note.model,
        "model_label": None,
        "is_waiting": True,
    }
