"""Keeps every job card as it came, and says which one of a folder is in force."""

from __future__ import annotations

import duckdb

from flows.metrics.notes import Note, note
from flows.readers.source import UnreadableError
from flows.steps.archive import ARCHIVE_LOST, archived_bytes
from schemas.card import read_card
from schemas.card_text import CARD_NAME
from schemas.shop_note import NOTES_FOLDER
from schemas.toml_text import MistakesError
from warehouse import store
from warehouse.shop import ShopFolder


def load_cards(connection: duckdb.DuckDBPyConnection, shop: ShopFolder) -> int:
    """Load the cards that arrived, right or wrong, and mark the one in force in each folder.

    The newest card without mistakes is in force: a corrected card with a slip in it does not
    take the earlier one's place.
    """
    fresh = connection.execute(
        "SELECT job_folder, file_sha256 FROM raw.arrival AS arrival WHERE file_name = ? "
        "AND job_folder <> ? AND NOT EXISTS (SELECT 1 FROM raw.card AS card "
        "WHERE card.job_folder = arrival.job_folder AND card.file_sha256 = arrival.file_sha256 "
        "AND NOT coalesce(list_contains(?, card.problems ->> '$[0].code'), false)) "
        "ORDER BY arrival_no",
        [CARD_NAME, NOTES_FOLDER, ARCHIVE_LOST],
    ).fetchall()
    records = []
    for job_folder, sha in fresh:
        text, job_id, problems = _read(shop, sha)
        records.append(
            {
                "job_folder": job_folder,
                "file_sha256": sha,
                "card_text": text,
                "job_id": job_id,
                "problems": problems,
                "is_in_force": False,
            }
        )
    with store.transaction(connection):
        # A card that the archive had lost is read again at each intake, until it is back.
        if fresh:
            connection.executemany(
                "DELETE FROM raw.card WHERE job_folder = ? AND file_sha256 = ?", fresh
            )
        store.insert(connection, "raw.card", store.frame(connection, "raw.card", records))
        connection.execute(
            "UPDATE raw.card SET is_in_force = (job_folder, file_sha256) IN ("
            "SELECT (job_folder, arg_max(file_sha256, last_no)) "
            "FROM raw.card JOIN raw.arrival USING (job_folder, file_sha256) "
            "WHERE problems = '[]' AND file_name = ? GROUP BY job_folder)",
            [CARD_NAME],
        )
    return len(records)


def _read(shop: ShopFolder, sha: str) -> tuple[str, str | None, list[Note]]:
    text, problems = archived_text(shop, sha)
    if problems:
        return text, None, problems
    try:
        return text, read_card(text).job, []
    except MistakesError as error:
        return text, None, told_mistakes(error)


def archived_text(shop: ShopFolder, sha: str) -> tuple[str, list[Note]]:
    """Return what a person wrote, as far as it can be read, and what is wrong with its bytes."""
    try:
        data = archived_bytes(shop, sha)
    except UnreadableError as error:
        return "", [error.note]
    try:
        return data.decode("utf-8-sig"), []
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        return data.decode("utf-8", errors="replace"), [note("card is no text", line=line)]


def told_mistakes(error: MistakesError) -> list[Note]:
    """Return each mistake as a note."""
    return [note("card mistake", what=mistake) for mistake in error.mistakes]
