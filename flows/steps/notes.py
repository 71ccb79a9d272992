"""Leaves a note in `refused/` for each file that waits or was refused: why, and what to do."""

from __future__ import annotations

import duckdb

from warehouse import store
from warehouse.shop import ShopFolder
from warehouse.whole_file import write_whole


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
        shop.refused / row["job_folder"] / f"{row['file_name']}.txt": _note(row)
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


def _note(row: dict[str, object]) -> str:
    kept = f"archive, as {row['file_sha256']}" if row["file_sha256"] else "nowhere: it never came"
    return (
        f"{row['job_folder']}/{row['file_name']}: {row['state']}\n\n"
        f"Why:         {row['reason']}\n"
        f"What to do:  {row['remedy']}\n"
        f"Kept:        {kept}\n"
    )
