"""Leaves a note in `refused/` for each file that waits or was refused: why, and what to do."""

from __future__ import annotations

import duckdb

from flows.steps.refresh import fingerprint
from schemas.visible import visible
from warehouse import store
from warehouse.shop import ShopFolder
from warehouse.whole_file import write_whole

LONGEST_NAME = 120
"""In bytes, leaving room for what is added: common disks take 255."""


def write_notes(connection: duckdb.DuckDBPyConnection, shop: ShopFolder) -> int:
    """Make `refused/` say what the warehouse says, and nothing that is over.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        Writer.
    shop : ShopFolder
        The shop.

    Returns
    -------
    int
        Notes that stand now.
    """
    wanted = {
        shop.refused / row["job_folder"] / _note_name(row["file_name"]): _note(row)
        for row in store.rows(
            connection,
            "SELECT * FROM out.file WHERE state IN ('refused', 'waiting', 'missing') "
            "ORDER BY job_folder, file_name",
        ).iter_rows(named=True)
    }
    for path in sorted(shop.refused.rglob("*.txt")):
        if path not in wanted:
            path.unlink()
    for folder in sorted(shop.refused.rglob("*"), reverse=True):
        if folder.is_dir() and not any(folder.iterdir()):
            folder.rmdir()
    for path, text in wanted.items():
        if not path.is_file() or path.read_text(encoding="utf-8") != text:
            write_whole(path, text)
    return len(wanted)


def _note_name(file_name: str) -> str:
    """Return a name that any disk takes: long ones are cut and told apart by their hash."""
    if len(file_name.encode()) <= LONGEST_NAME:
        return f"{file_name}.txt"
    cut = file_name.encode()[:LONGEST_NAME].decode(errors="ignore")
    return f"{cut}-{fingerprint(file_name)}.txt"


def _note(row: dict[str, object]) -> str:
    kept = f"archive, as {row['file_sha256']}" if row["file_sha256"] else "nowhere: it never came"
    return visible(
        f"{row['job_folder']}/{row['file_name']}: {row['state']}\n\n"
        f"Why:         {row['reason']}\n"
        f"What to do:  {row['remedy']}\n"
        f"Kept:        {kept}\n"
    )
