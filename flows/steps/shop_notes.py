"""Keeps every note that people write to jobs, stages, parts and models, and says where each stands.

A file of the inbox's folder `_notes` is a note and nothing else. Its next version takes its place,
unless it has a slip.
"""

from __future__ import annotations

import json
from typing import Any

import duckdb

from flows.metrics.notes import Note, note
from flows.steps.archive import ARCHIVE_LOST
from flows.steps.cards import archived_text, told_mistakes
from flows.steps.refresh import fingerprint
from schemas.shop_note import NOTES_FOLDER, read_shop_note
from schemas.toml_text import MistakesError
from warehouse import store
from warehouse.shop import ShopFolder

LARGEST_NOTE_B = 16_384
"""500 letters take 2,000 bytes: a larger file is a log in the wrong folder, and is not opened."""

SAID = (
    "job_id", "stage_no", "category", "maker", "part_name", "model_id",
    "noted_on", "noted_by", "note_text", "is_taken_back",
)  # fmt: skip
"""What a note says, by its columns."""


def load_shop_notes(connection: duckdb.DuckDBPyConnection, shop: ShopFolder) -> None:
    """Load the notes that arrived, right or wrong, and mark which version of each is in force."""
    if not _are_any(connection):
        return
    fresh = connection.execute(
        "SELECT file_name, file_sha256, size_bytes FROM raw.arrival WHERE job_folder = ? "
        "AND NOT EXISTS (SELECT 1 FROM raw.shop_note AS said WHERE said.note_name = file_name "
        "AND said.file_sha256 = arrival.file_sha256 "
        "AND NOT coalesce(list_contains(?, said.problems ->> '$[0].code'), false)) "
        "ORDER BY arrival_no",
        [NOTES_FOLDER, ARCHIVE_LOST],
    ).fetchall()
    records = [_read(shop, *one) for one in fresh]
    with store.transaction(connection):
        # What the archive had lost is read again at each intake, until it is back.
        for name, sha, _ in fresh:
            connection.execute(
                "DELETE FROM raw.shop_note WHERE note_name = ? AND file_sha256 = ?", [name, sha]
            )
        store.insert(connection, "raw.shop_note", store.frame(connection, "raw.shop_note", records))
        connection.execute(
            "UPDATE raw.shop_note SET is_in_force = (note_name, file_sha256) IN ("
            "SELECT (note_name, arg_max(said.file_sha256, last_no)) FROM raw.shop_note AS said "
            "JOIN raw.arrival AS arrival ON said.note_name = arrival.file_name "
            "AND said.file_sha256 = arrival.file_sha256 "
            "WHERE problems = '[]' AND job_folder = ? GROUP BY note_name)",
            [NOTES_FOLDER],
        )


def _are_any(connection: duckdb.DuckDBPyConnection) -> bool:
    """Whether a note ever arrived: to ask what becomes of none is a tenth of a small intake."""
    found = store.first(
        connection, "SELECT 1 FROM raw.arrival WHERE job_folder = ? LIMIT 1", NOTES_FOLDER
    )
    return found is not None


def _read(shop: ShopFolder, name: str, sha: str, size_bytes: int) -> dict[str, Any]:
    found: dict[str, Any] = dict.fromkeys(SAID)
    found |= {"note_name": name, "file_sha256": sha, "is_in_force": False, "problems": []}
    if size_bytes > LARGEST_NOTE_B:
        return found | {"problems": [note("no note so large", size_bytes=size_bytes)]}
    text, problems = archived_text(shop, sha)
    if problems:
        return found | {"problems": problems}
    try:
        said = read_shop_note(text, name)
    except MistakesError as error:
        return found | {"problems": told_mistakes(error)}
    part = said.part
    return found | {
        "job_id": said.job,
        "stage_no": said.stage,
        "category": part.category if part else None,
        "maker": part.maker if part else None,
        "part_name": part.name if part else None,
        "model_id": said.model,
        "noted_on": said.on,
        "noted_by": said.by,
        "note_text": said.text,
        "is_taken_back": said.taken_back,
    }


def place_notes(connection: duckdb.DuckDBPyConnection) -> None:
    """Say where each note stands, once it is linked which jobs, stages and parts there are.

    What it was said from counts as a folder that was linked: another note alone is published too.
    """
    if not _are_any(connection):
        return
    rows = store.rows(
        connection,
        "SELECT arrival.file_name, arrival.file_sha256, arrival.is_present, newest.problems, "
        "said.file_sha256 AS said_sha256, said.* EXCLUDE (file_sha256) FROM raw.arrival AS arrival "
        "JOIN raw.shop_note AS newest ON arrival.file_name = newest.note_name "
        "AND arrival.file_sha256 = newest.file_sha256 "
        "LEFT JOIN out.shop_note AS said ON arrival.file_name = said.note_name "
        "WHERE arrival.job_folder = ? AND arrival.is_current ORDER BY arrival.file_name",
        NOTES_FOLDER,
    ).to_dicts()
    standing = store.first(
        connection, "SELECT linked_from FROM raw.linked WHERE job_folder = ?", NOTES_FOLDER
    )
    outcomes = [_outcome(row) for row in rows]
    told = [(row["file_sha256"], row["said_sha256"]) for row in rows]
    wanted = fingerprint(outcomes, told)
    if (standing or (None,))[0] == (wanted if rows else None):
        return
    with store.transaction(connection):
        for table in ("raw.outcome", "raw.linked"):
            store.delete(connection, table, "job_folder", [NOTES_FOLDER])
        store.insert(connection, "raw.outcome", store.frame(connection, "raw.outcome", outcomes))
        mark = [{"job_folder": NOTES_FOLDER, "linked_from": wanted}] * bool(rows)
        store.insert(connection, "raw.linked", store.frame(connection, "raw.linked", mark))


def _outcome(row: dict[str, Any]) -> dict[str, Any]:
    state, reason = _standing(row)
    if not row["is_present"] and state != "note":
        reason = note("taken out of the inbox", state=state, why=reason)
        state = "withdrawn"
    return {
        "job_folder": NOTES_FOLDER,
        "file_name": row["file_name"],
        "file_sha256": row["file_sha256"],
        "state": state,
        "reason_code": reason["code"] if reason else "",
        "reason": reason,
        "stage_id": None,
    }


def _standing(row: dict[str, Any]) -> tuple[str, Note | None]:
    if row["problems"] != "[]":
        has_earlier = row["said_sha256"] is not None
        mistakes = json.loads(row["problems"])
        return "refused", note("note has mistakes", mistakes=mistakes, has_earlier=has_earlier)
    if row["is_known"] or row["is_taken_back"]:
        return "note", None
    part = " ".join(row[name] for name in ("maker", "part_name") if row[name])
    return "waiting", note(
        "noted on nothing known",
        job=row["job_id"], stage=row["stage_no"], part=part or None, model=row["model_id"],
    )  # fmt: skip
