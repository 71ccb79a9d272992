"""Keeps every byte that reached the inbox, before anything else is done with it."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import os
from pathlib import Path
from stat import S_ISDIR, S_ISREG
from typing import Any, NamedTuple

import duckdb

from flows.steps.progress import Progress
from warehouse import store
from warehouse.shop import ShopFolder
from warehouse.store import DamagedError
from warehouse.whole_file import write_whole

LEDGER = "arrivals.jsonl"
PIECE_BYTES = 16 * 1024 * 1024
REPARSE_TAG_MOUNT_POINT = 0xA0000003  # IO_REPARSE_TAG_MOUNT_POINT of Windows' winnt.h
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
    for torn in shop.archive.glob("*.arriving"):
        torn.unlink()  # of a kill: the file is still in the inbox
    load_ledger(connection, shop)
    known = {
        (folder, name): (size, modified, sha, is_present)
        for folder, name, size, modified, sha, is_present in connection.execute(
            "SELECT job_folder, file_name, size_bytes, modified_ns, file_sha256, is_present "
            "FROM raw.arrival WHERE is_current"
        ).fetchall()
    }
    fresh: list[tuple[Path, os.stat_result]] = []
    absent = set(known)
    paths, unreadable = _inbox_files(shop.inbox)
    for path in paths:
        try:
            stat = path.stat()
        except OSError:
            continue
        absent.discard((_job_folder(shop, path), path.name))
        before = known.get((_job_folder(shop, path), path.name))
        if before is None or before[:2] != (stat.st_size, stat.st_mtime_ns) or not before[3]:
            fresh.append((path, stat))
    number = _last_arrival_no(connection)
    lines: list[str] = []
    odd = len(unreadable)
    for done, (path, stat) in enumerate(fresh):
        progress(done, len(fresh), "archiving")
        if not _is_text(path.relative_to(shop.inbox).as_posix()):
            unreadable.append(f"{path.name!a}: its name is not readable text; rename it")
            continue
        try:
            sha = _keep(shop, path, stat.st_size)
        except OSError as error:
            # Gone again, open elsewhere or not ours to read: it must not hold the others up, and
            # is looked for again at the next intake.
            unreadable.append(f"{_job_folder(shop, path)}/{path.name}: {error.strerror}")
            continue
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
    # What was taken out of the inbox stays in the shop; only what waited there waits no more. An
    # inbox without a single file is a disk that is not there, not a decision.
    is_there = len(absent) < len(known)
    taken_out = sorted(place for place in absent if known[place][3]) if is_there else []
    for folder, name in taken_out:
        number += 1
        line = {
            "arrival_no": number,
            "job_folder": folder,
            "file_name": name,
            "file_sha256": known[folder, name][2],
            "taken_out_at": now.isoformat(),
        }
        lines.append(json.dumps(line, ensure_ascii=False) + "\n")
    if lines:
        _append(shop.archive / LEDGER, lines)
    if fresh or taken_out:
        progress(len(fresh), len(fresh), "archiving")
        load_ledger(connection, shop)
    return Arrivals(len(fresh) - len(unreadable) + odd, unreadable)


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
    new = [entry for entry in read_ledger(path, whole) if entry["arrival_no"] > last]
    if not new:
        return
    places: dict[tuple[str, str, str], dict[str, object]] = {
        (row["job_folder"], row["file_name"], row["file_sha256"]): row
        for row in store.rows(
            connection,
            "SELECT * FROM raw.arrival WHERE job_folder IN (SELECT unnest(?))",
            sorted({entry["job_folder"] for entry in new}),
        ).iter_rows(named=True)
    }
    current = {key[:2]: key for key, row in places.items() if row["is_current"]}
    touched: set[tuple[str, str, str]] = set()
    for entry in new:
        key = (entry["job_folder"], entry["file_name"], entry["file_sha256"])
        if "taken_out_at" in entry:
            if key in places:
                places[key] = {**places[key], "is_present": False}
                touched.add(key)
            continue
        before = current.get(key[:2])
        if before is not None and before != key:
            places[before] = {**places[before], "is_current": False, "is_present": False}
            touched.add(before)
        current[key[:2]] = key
        # First come, first served: bytes that come back keep the number they first came under.
        first = places.get(key)
        places[key] = {
            **{name: entry[name] for name in ("job_folder", "file_name", "file_sha256")},
            "arrival_no": first["arrival_no"] if first else entry["arrival_no"],
            "last_no": entry["arrival_no"],
            "size_bytes": entry["size_bytes"],
            "modified_ns": entry["modified_ns"],
            "received_at": first["received_at"]
            if first
            else dt.datetime.fromisoformat(entry["received_at"]),
            "is_current": True,
            "is_present": True,
        }
        touched.add(key)
    records = store.frame(connection, "raw.arrival", [places[key] for key in sorted(touched)])
    with store.transaction(connection):
        connection.register("fresh_arrival", records)
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
        connection.execute(
            "INSERT OR REPLACE INTO raw.finished VALUES ('ledger', ?)",
            [str(new[-1]["arrival_no"])],
        )


def read_ledger(path: Path, text: str) -> list[dict[str, Any]]:
    """Return the entries of a ledger's whole lines.

    Parameters
    ----------
    path : Path
        Where it lies, for messages.
    text : str
        Its lines.

    Returns
    -------
    list of dict
        One a line.

    Raises
    ------
    DamagedError
        Naming the line that cannot be read.
    """
    entries = []
    for number, line in enumerate(text.split("\n"), start=1):
        if not line:
            continue
        try:
            entry = json.loads(line)
            if not {"arrival_no", "job_folder", "file_name", "file_sha256"} <= entry.keys():
                raise ValueError
        except (ValueError, AttributeError):
            raise DamagedError(
                f"{path}: line {number} is damaged; bring the file back from backups/, or take "
                "that line out: a file that still lies in the inbox is then archived anew"
            ) from None
        entries.append(entry)
    return entries


def _inbox_files(inbox: Path) -> tuple[list[Path], list[str]]:
    """Return the inbox's files in order, and what lies between them and is none, with the reason.

    Links are not followed: they would take in what lies elsewhere, under the shop's rights.
    """
    files: list[Path] = []
    odd: list[str] = []
    folders = [inbox]
    while folders:
        folder = folders.pop()
        try:
            entries = list(os.scandir(folder))
        except OSError as error:
            odd.append(f"{_shown(folder, inbox)}: {error.strerror}")
            continue
        for entry in entries:
            if entry.name in IGNORED_NAMES or entry.name.startswith("."):
                continue
            path = Path(entry.path)
            if trouble := _trouble(entry):
                odd.append(f"{_shown(path, inbox)}: {trouble}")
            elif entry.is_dir(follow_symlinks=False):
                folders.append(path)
            else:
                files.append(path)
    return sorted(files), sorted(odd)


def _shown(path: Path, inbox: Path) -> str:
    name = path.relative_to(inbox).as_posix()
    return name if _is_text(name) else ascii(name)


def _trouble(entry: os.DirEntry[str]) -> str | None:
    """Return why an entry of the inbox is neither file nor folder of its own."""
    try:
        found = entry.stat(follow_symlinks=False)
    except OSError:
        return None  # gone again
    # Windows: a junction is a folder that stands elsewhere, and no symbolic link.
    if entry.is_symlink() or getattr(found, "st_reparse_tag", 0) == REPARSE_TAG_MOUNT_POINT:
        return "is a link, not a file: copy the file itself here"
    if S_ISREG(found.st_mode) or S_ISDIR(found.st_mode):
        return None
    return "is no file: copy the file itself here"


def _is_text(name: str) -> bool:
    """Whether a name can be written down: some systems let any bytes be one."""
    try:
        name.encode()
    except UnicodeEncodeError:
        return False
    return True


def _job_folder(shop: ShopFolder, path: Path) -> str:
    """Return the folder a file lies in, "." for the inbox itself."""
    return path.parent.relative_to(shop.inbox).as_posix()


def _keep(shop: ShopFolder, path: Path, size: int) -> str:
    """Archive a file's bytes; return their hash. Large ones never stand in memory."""
    if size > PIECE_BYTES:
        return _keep_large(shop, path)
    data = path.read_bytes()
    sha = hashlib.sha256(data).hexdigest()
    target = archived_path(shop, sha)
    if not target.is_file() or target.stat().st_size != len(data):
        write_whole(target, data, to_disk=False)
    return sha


def _keep_large(shop: ShopFolder, path: Path) -> str:
    made = shop.archive / "large-file.arriving"
    digest = hashlib.sha256()
    try:
        with path.open("rb") as source, made.open("wb") as copy:
            while piece := source.read(PIECE_BYTES):
                digest.update(piece)
                copy.write(piece)
            copy.flush()
            os.fsync(copy.fileno())
        sha = digest.hexdigest()
        target = archived_path(shop, sha)
        if not target.is_file() or target.stat().st_size != made.stat().st_size:
            target.parent.mkdir(parents=True, exist_ok=True)
            made.replace(target)
    finally:
        made.unlink(missing_ok=True)
    return sha


def _append(path: Path, lines: list[str]) -> None:
    with path.open("a", encoding="utf-8", newline="\n") as ledger:
        ledger.writelines(lines)
        ledger.flush()
        os.fsync(ledger.fileno())


def _last_arrival_no(connection: duckdb.DuckDBPyConnection) -> int:
    row = store.first(connection, "SELECT made_from FROM raw.finished WHERE flow_name = 'ledger'")
    return int(row[0]) if row else 0
