"""Keeps every byte that reached the inbox, before anything else is done with it."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import os
from pathlib import Path
from typing import NamedTuple

import duckdb

from flows.steps.progress import Progress
from warehouse import store
from warehouse.shop import ShopFolder
from warehouse.whole_file import write_whole

LEDGER = "arrivals.jsonl"
IGNORED_NAMES = {".DS_Store", "Thumbs.db", "desktop.ini"}


class Arrivals(NamedTuple):
    """What came: how many files, and which could not be read, with the system's reason."""

    files: int
    unreadable: list[str]


def archived_path(shop: ShopFolder, sha256: str) -> Path:
    """Return where the archive keeps bytes.

    Parameters
    ----------
    shop : ShopFolder
        The shop.
    sha256 : str
        Their hash.

    Returns
    -------
    Path
        File in the archive.
    """
    return shop.archive / sha256[:2] / sha256


def archive_arrivals(
    connection: duckdb.DuckDBPyConnection,
    shop: ShopFolder,
    now: dt.datetime,
    progress: Progress,
) -> Arrivals:
    """Copy what is new in the inbox into the archive and write its arrival down.

    A file whose name, size and time of writing are on record is not read again. The bytes are
    archived first, then the arrival goes into the archive's own ledger, then into the
    warehouse: a kill between any two steps is made good by the next run.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        Writer.
    shop : ShopFolder
        The shop.
    now : datetime
        Time of arrival, with its zone.
    progress : callable
        Called with done, total and a word.

    Returns
    -------
    Arrivals
        Files that arrived, and those that could not be read.
    """
    load_ledger(connection, shop)
    known = {
        (folder, name): (size, modified, sha)
        for folder, name, size, modified, sha in connection.execute(
            "SELECT job_folder, file_name, size_bytes, modified_ns, file_sha256 "
            "FROM raw.arrival WHERE is_current"
        ).fetchall()
    }
    fresh: list[tuple[Path, os.stat_result]] = []
    for path in _inbox_files(shop.inbox):
        try:
            stat = path.stat()
        except OSError:
            continue
        before = known.get((_job_folder(shop, path), path.name))
        if before is None or before[:2] != (stat.st_size, stat.st_mtime_ns):
            fresh.append((path, stat))
    number = _last_arrival_no(connection)
    lines: list[str] = []
    unreadable: list[str] = []
    for done, (path, stat) in enumerate(fresh):
        progress(done, len(fresh), "archiving")
        try:
            data = path.read_bytes()
        except OSError as error:
            # Gone again, open elsewhere or not ours to read: it must not hold the others up, and
            # is looked for again at the next intake.
            unreadable.append(f"{_job_folder(shop, path)}/{path.name}: {error.strerror}")
            continue
        sha = _keep(shop, data)
        number += 1
        line = {
            "arrival_no": number,
            "job_folder": _job_folder(shop, path),
            "file_name": path.name,
            "file_sha256": sha,
            "size_bytes": stat.st_size,
            "modified_ns": stat.st_mtime_ns,
            "received_at": now.isoformat(),
        }
        lines.append(json.dumps(line, ensure_ascii=False) + "\n")
        if len(lines) == 250:
            _append(shop.archive / LEDGER, lines)
            lines = []
    if lines:
        _append(shop.archive / LEDGER, lines)
    if fresh:
        progress(len(fresh), len(fresh), "archiving")
        load_ledger(connection, shop)
    return Arrivals(len(fresh) - len(unreadable), unreadable)


def load_ledger(connection: duckdb.DuckDBPyConnection, shop: ShopFolder) -> None:
    """Bring the warehouse's record of arrivals up to the archive's own ledger.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        Writer.
    shop : ShopFolder
        The shop.
    """
    path = shop.archive / LEDGER
    if not path.is_file():
        return
    last = _last_arrival_no(connection)
    text = path.read_text(encoding="utf-8")
    whole, _, torn = text.rpartition("\n")
    if torn:
        # A kill in mid-line: the arrival was never acknowledged and is found again in the inbox.
        write_whole(path, whole + "\n" if whole else "")
    new = [
        entry
        for line in whole.split("\n")
        if line and (entry := json.loads(line))["arrival_no"] > last
    ]
    if not new:
        return
    with store.transaction(connection):
        latest: dict[tuple[str, str], dict[str, object]] = {}
        versions: dict[tuple[str, str, str], dict[str, object]] = {}
        for entry in new:
            key = (entry["job_folder"], entry["file_name"])
            latest[key] = entry
            versions[(*key, entry["file_sha256"])] = entry
        records = store.frame(
            connection,
            "raw.arrival",
            [
                {
                    **entry,
                    "received_at": dt.datetime.fromisoformat(str(entry["received_at"])),
                    "is_current": latest[key[:2]]["file_sha256"] == key[2],
                }
                for key, entry in versions.items()
            ],
        )
        connection.register("fresh_arrival", records)
        connection.execute(
            "UPDATE raw.arrival SET is_current = false FROM fresh_arrival AS fresh "
            "WHERE arrival.job_folder = fresh.job_folder AND arrival.file_name = fresh.file_name"
        )
        connection.execute(
            "DELETE FROM raw.arrival USING fresh_arrival AS fresh "
            "WHERE arrival.job_folder = fresh.job_folder AND arrival.file_name = fresh.file_name "
            "AND arrival.file_sha256 = fresh.file_sha256"
        )
        connection.unregister("fresh_arrival")
        store.insert(connection, "raw.arrival", records)
        connection.execute(
            "INSERT INTO raw.file SELECT file_sha256, any_value(size_bytes) FROM raw.arrival "
            "WHERE file_sha256 NOT IN (SELECT file_sha256 FROM raw.file) GROUP BY file_sha256"
        )


def _inbox_files(inbox: Path) -> list[Path]:
    return [
        path
        for path in sorted(inbox.rglob("*"))
        if path.is_file()
        and path.name not in IGNORED_NAMES
        and not any(step.startswith(".") for step in path.relative_to(inbox).parts)
    ]


def _job_folder(shop: ShopFolder, path: Path) -> str:
    """Return the folder a file lies in, "." for the inbox itself."""
    return path.parent.relative_to(shop.inbox).as_posix()


def _keep(shop: ShopFolder, data: bytes) -> str:
    sha = hashlib.sha256(data).hexdigest()
    target = archived_path(shop, sha)
    if not target.is_file() or target.stat().st_size != len(data):
        write_whole(target, data, to_disk=False)
    return sha


def _append(path: Path, lines: list[str]) -> None:
    with path.open("a", encoding="utf-8", newline="\n") as ledger:
        ledger.writelines(lines)
        ledger.flush()
        os.fsync(ledger.fileno())


def _last_arrival_no(connection: duckdb.DuckDBPyConnection) -> int:
    row = store.first(connection, "SELECT coalesce(max(arrival_no), 0) FROM raw.arrival")
    return row[0] if row else 0
