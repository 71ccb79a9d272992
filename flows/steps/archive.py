"""Keeps every byte that reached the inbox, before anything else is done with it."""

from __future__ import annotations

import contextlib
import datetime as dt
import hashlib
import os
import time
from collections.abc import Collection, Iterator
from pathlib import Path
from typing import NamedTuple

import duckdb
import polars as pl

from flows.metrics.notes import note
from flows.readers.source import UnreadableError
from flows.steps.inbox import Entry, files_in
from flows.steps.ledger import (
    LEDGER,
    append,
    begin,
    enter_appended,
    has_begun,
    last_arrival_no,
    load_ledger,
    nameless,
    sealed,
)
from flows.steps.progress import Progress
from schemas.shop_note import NOTES_FOLDER
from warehouse import store
from warehouse.archived import (
    GoneError,
    archived_path,
    held,
    is_archived,
    is_there,
    pieces,
    plain_path,
)
from warehouse.damage import FULL_OR_SHUT, DamagedError, file_sha256
from warehouse.sentences import remedy_of
from warehouse.shop import ShopFolder
from warehouse.whole_file import write_whole

ARCHIVE_LOST = ("archive damaged", "archived bytes gone")
"""The refusals of what came and is not to be had any more."""

QUIET_S = 60.0
"""A file that nobody has touched for so long is no longer being written, whatever writes it."""

PIECE_BYTES = 16 * 1024 * 1024

_ENTRY = ["job_folder", "file_name", "size_bytes", "modified_ns"]
"""The columns of an `Entry`."""


class Arrivals(NamedTuple):
    """What came: how many files, those not to be read, those still being written, what was mended.

    The unreadable ones come with the system's reason.
    """

    files: int
    unreadable: list[str]
    unsettled: list[str]
    mended: list[str]


class _StillWrittenError(OSError):
    """A file changed while it was read."""


def whole_archived(shop: ShopFolder, sha256: str) -> Path:
    """Return a plain file of archived bytes, held against their name before anybody reads them.

    Raises UnreadableError if they are gone, or are no longer those that came.
    """
    with _told_as_unreadable(shop, sha256):
        path = plain_path(shop, sha256)
        if file_sha256(path) != sha256:
            raise GoneError(sha256)
        return path
    raise AssertionError  # the block returns or raises


def archived_bytes(shop: ShopFolder, sha256: str) -> bytes:
    """Return archived bytes of a small file. Raises what `whole_archived` raises."""
    return b"".join(sound_pieces(shop, sha256))


def sound_pieces(shop: ShopFolder, sha256: str) -> Iterator[bytes]:
    """Yield archived bytes. Raises what `whole_archived` raises, at their end at the latest."""
    with _told_as_unreadable(shop, sha256):
        yield from pieces(shop, sha256)


@contextlib.contextmanager
def _told_as_unreadable(shop: ShopFolder, sha256: str) -> Iterator[None]:
    try:
        yield
    except (FileNotFoundError, NotADirectoryError):
        raise UnreadableError("archived bytes gone", sha256=sha256) from None
    except GoneError:
        if is_there(shop, sha256):
            raise UnreadableError("archive damaged", sha256=sha256, why=None) from None
        raise UnreadableError("archived bytes gone", sha256=sha256) from None
    except OSError as error:
        raise UnreadableError("archive damaged", sha256=sha256, why=error.strerror) from None


def restore_from_inbox(connection: duckdb.DuckDBPyConnection, shop: ShopFolder) -> list[str]:
    """Archive again what was not to be read and the inbox still holds; return a sentence each."""
    lost = {sha for *_, sha in _lost(connection, "is_current")}
    return [told for sha in sorted(lost) if (told := restored(connection, shop, sha))]


def restored(connection: duckdb.DuckDBPyConnection, shop: ShopFolder, sha256: str) -> str:
    """Archive lost bytes again if the inbox holds them; return a sentence on it, "" if not."""
    for folder, name in connection.execute(
        "SELECT job_folder, file_name FROM raw.arrival "
        "WHERE file_sha256 = ? AND is_current AND is_present ORDER BY ALL",
        [sha256],
    ).fetchall():
        path = shop.inbox / folder / name
        if path.is_file() and file_sha256(path) == sha256:
            _keep(shop, path, path.stat())
            return f"The archive had lost {folder}/{name}; the inbox still held it."
    return ""


def lost_from_archive(connection: duckdb.DuckDBPyConnection) -> list[str]:
    """Return the files that were to be read and of which the archive holds no whole copy.

    Raises DamagedError if that is all of them: then a folder is missing, and nothing must be
    published from it.
    """
    lost = _lost(connection, "is_current")
    if not lost:
        return []
    (files,) = store.first(connection, "SELECT count(*) FROM raw.file") or (0,)
    if len({sha for *_, sha in lost}) == files:
        raise DamagedError(
            f"the archive holds none of its {files} files: connect its disk, or bring the folder "
            "back from a backup, and run this again"
        )
    return [
        f"{folder}/{name}: the archive lost it or holds other bytes. "
        + remedy_of(note("archived bytes gone", sha256=sha))
        for folder, name, sha in lost
    ]


def _lost(connection: duckdb.DuckDBPyConnection, which: str) -> list[tuple[str, str, str]]:
    return connection.execute(
        "SELECT DISTINCT arrival.job_folder, file_name, arrival.file_sha256 "  # noqa: S608
        "FROM raw.arrival AS arrival "
        "LEFT JOIN raw.reading AS reading ON arrival.file_sha256 = reading.file_sha256 "
        "LEFT JOIN raw.card AS card ON arrival.job_folder = card.job_folder "
        "AND arrival.file_sha256 = card.file_sha256 "
        "LEFT JOIN raw.shop_note AS said ON arrival.job_folder = $notes "
        "AND arrival.file_name = said.note_name AND arrival.file_sha256 = said.file_sha256 "
        f"WHERE {which} AND (list_contains($lost, reading.reason_code) "
        "OR list_contains($lost, card.problems ->> '$[0].code') "
        "OR list_contains($lost, said.problems ->> '$[0].code')) ORDER BY ALL",
        {"lost": ARCHIVE_LOST, "notes": NOTES_FOLDER},
    ).fetchall()


def archive_arrivals(
    connection: duckdb.DuckDBPyConnection,
    shop: ShopFolder,
    now: dt.datetime,
    progress: Progress,
    settle_s: float = 0.0,
    rested: Collection[Entry] = (),
) -> Arrivals:
    """Copy what is new in the inbox into the archive and write its arrival down.

    A file whose name, size and time of writing are on record is not read again; where only the time
    is another, as in a shop that was copied, its bytes are held against the record, once. The bytes
    are archived first, then the arrival goes into the archive's own ledger, then into the
    warehouse: a kill between any two steps is made good by the next run. Files that somebody saw
    `rested` are not waited for.

    Raises DamagedError if the archive is not there, or its ledger cannot be made whole.
    """
    for torn in shop.archive.glob("*.arriving"):
        torn.unlink()  # of a kill: the file is still in the inbox
    mended = _refuse_lost_archive(connection, shop)
    mended += load_ledger(connection, shop)
    files, unreadable = files_in(shop.inbox)
    fresh, taken_out, known = _changes(connection, shop, files)
    moving = [
        (path, stat)
        for path, stat in fresh
        if (_job_folder(shop, path), path.name, stat.st_size, stat.st_mtime_ns) not in rested
    ]
    unsettled = _unsettled(moving, settle_s, progress)
    fresh = [(path, stat) for path, stat in fresh if path not in unsettled]
    if fresh:
        begin(shop)
    number = last_arrival_no(connection)
    arrived = 0
    lines: list[str] = []
    moved: list[Entry] = []
    for done, (path, stat) in enumerate(fresh):
        progress(done, len(fresh), "archiving")
        try:
            if _is_as_known(shop, path, stat, known.get(path, "")):
                moved.append((_job_folder(shop, path), path.name, stat.st_size, stat.st_mtime_ns))
                continue
            sha = _keep(shop, path, stat)
        except _StillWrittenError:
            unsettled.add(path)
            continue
        except OSError as error:
            if error.errno in FULL_OR_SHUT or error.filename not in (None, str(path)):
                raise  # the archive's disk: no other file would fare better
            # Gone again, open elsewhere or not ours to read: it must not hold the others up, and
            # is looked for again at the next intake.
            unreadable.append(f"{_job_folder(shop, path)}/{path.name}: {error.strerror}")
            continue
        number += 1
        arrived += 1
        line = {
            "arrival_no": number,
            "job_folder": _job_folder(shop, path),
            "file_name": path.name,
            "file_sha256": sha,
            "size_bytes": stat.st_size,
            "modified_ns": stat.st_mtime_ns,
            "received_at": now.isoformat(),
        }
        lines.append(sealed(line))
        if len(lines) == 250:
            append(shop, lines)
            lines = []
    for folder, name, sha in taken_out:
        number += 1
        line = {
            "arrival_no": number,
            "job_folder": folder,
            "file_name": name,
            "file_sha256": sha,
            "taken_out_at": now.isoformat(),
        }
        lines.append(sealed(line))
    if lines:
        append(shop, lines)
    if fresh or taken_out:
        progress(len(fresh), len(fresh), "archiving")
    if arrived or taken_out:
        enter_appended(connection, shop)
    if moved:
        _move_times(connection, moved)
    still = sorted(f"{_job_folder(shop, path)}/{path.name}" for path in unsettled)
    return Arrivals(arrived, unreadable, still, mended)


def _changes(
    connection: duckdb.DuckDBPyConnection, shop: ShopFolder, files: list[Entry]
) -> tuple[list[tuple[Path, os.stat_result]], list[tuple[str, str, str]], dict[Path, str]]:
    """Return the files that are not on record as they lie there, and those on record that are gone.

    Also the hash on record of those of which only the time is another.

    What was taken out of the inbox stays in the shop; only what waited there waits no more. An
    inbox without a single file is a disk that is not there, not a decision.
    """
    connection.register("found", pl.DataFrame(files, schema=_ENTRY, orient="row"))
    fresh = connection.execute(
        "SELECT found.job_folder, found.file_name, file_sha256 FROM found LEFT JOIN "
        "(FROM raw.arrival WHERE is_current AND is_present) AS known "
        "USING (job_folder, file_name, size_bytes) "
        "WHERE found.modified_ns IS DISTINCT FROM known.modified_ns"
    ).fetchall()
    gone = connection.execute(
        "SELECT job_folder, file_name, file_sha256 FROM raw.arrival "
        "ANTI JOIN found USING (job_folder, file_name) WHERE is_current AND is_present "
        "AND EXISTS (FROM found SEMI JOIN (FROM raw.arrival WHERE is_current) "
        "USING (job_folder, file_name)) ORDER BY ALL"
    ).fetchall()
    connection.unregister("found")
    stats: list[tuple[Path, os.stat_result]] = []
    known = {shop.inbox / folder / name: sha for folder, name, sha in fresh}
    for path in sorted(known):
        with contextlib.suppress(OSError):  # gone again
            stats.append((path, path.stat()))
    return stats, gone, {path: sha for path, sha in known.items() if sha}


def _move_times(connection: duckdb.DuckDBPyConnection, moved: list[Entry]) -> None:
    """Note the new times of files that are as they were; the ledger need not know them."""
    connection.register("moved", pl.DataFrame(moved, schema=_ENTRY, orient="row"))
    connection.execute(
        "UPDATE raw.arrival SET modified_ns = moved.modified_ns FROM moved "
        "WHERE arrival.job_folder = moved.job_folder AND arrival.file_name = moved.file_name "
        "AND is_current"
    )
    connection.unregister("moved")


def _unsettled(
    fresh: list[tuple[Path, os.stat_result]], settle_s: float, progress: Progress
) -> set[Path]:
    """Return the files that change between two looks; those touched long ago need no second one.

    A copy may keep the time of its original, but the disk's own time of change is then of now; a
    time in the future is another machine's clock and says nothing.
    """
    if settle_s <= 0:
        return set()
    now = time.time()
    young = [
        (path, stat)
        for path, stat in fresh
        if max(stat.st_mtime, stat.st_ctime) > now - max(QUIET_S, settle_s)
    ]
    if young:
        progress(0, 1, "letting files rest")
        time.sleep(settle_s)
        progress(1, 1, "letting files rest")
    return {path for path, stat in young if _is_changed(path, stat)}


def _is_changed(path: Path, before: os.stat_result) -> bool:
    try:
        after = path.stat()
    except OSError:
        return True
    return (after.st_size, after.st_mtime_ns) != (before.st_size, before.st_mtime_ns)


def _refuse_lost_archive(connection: duckdb.DuckDBPyConnection, shop: ShopFolder) -> list[str]:
    """Refuse to begin an archive anew over one whose disk, or whose ledger, is not there.

    A sentence is returned where the ledger can begin anew: the inbox holds all that came.
    """
    if last_arrival_no(connection) or has_begun(shop):
        if not held(shop) and not (shop.archive / LEDGER).is_file():
            raise DamagedError(
                f"{shop.archive} is empty, though files were archived: connect its disk, or bring "
                "the folder back from a backup, and run this again"
            )
        return []
    standing = nameless(connection, shop)
    if not standing:
        return []
    lying = (shop.inbox / folder / name for folder, name, *_ in files_in(shop.inbox)[0])
    if not standing <= {file_sha256(path) for path in lying}:
        raise DamagedError(told_nameless(shop, standing))
    return [
        "The ledger of arrivals was gone; it begins anew from the inbox, which holds all of it."
    ]


def told_nameless(shop: ShopFolder, standing: set[str]) -> str:
    """Return one sentence on archived bytes that nothing names any more, with what can be done.

    The shop does not begin anew by itself: jobs that are no longer in the inbox would be gone from
    it without a word, and a backup of that would take the place of a sound one.
    """
    return (
        f"No line of {shop.archive / LEDGER}, of its copies or of the database names "
        f"{len(standing)} files that the archive holds. Nothing was begun anew: bring that ledger "
        "back from a backup, or put all jobs back into the inbox, and run this again. Only if "
        f"there is neither, move {shop.archive.name}/ out of the shop yourself: it then begins "
        "anew from what lies in the inbox"
    )


def _job_folder(shop: ShopFolder, path: Path) -> str:
    """Return the folder a file lies in, "." for the inbox itself."""
    return path.parent.relative_to(shop.inbox).as_posix()


def _is_as_known(shop: ShopFolder, path: Path, stat: os.stat_result, sha256: str) -> bool:
    """Whether a file still holds the bytes on record of it; an archive that lost them gets them."""
    if not sha256 or file_sha256(path) != sha256:
        return False
    if _is_changed(path, stat):
        raise _StillWrittenError
    return is_there(shop, sha256) or _keep(shop, path, stat) == sha256


def _keep(shop: ShopFolder, path: Path, stat: os.stat_result) -> str:
    """Archive a file's bytes; return their hash. Large ones never stand in memory."""
    if stat.st_size > PIECE_BYTES:
        return _keep_large(shop, path, stat)
    data = path.read_bytes()
    if _is_changed(path, stat):
        raise _StillWrittenError
    sha = hashlib.sha256(data).hexdigest()
    if not is_archived(shop, sha):
        write_whole(archived_path(shop, sha), data, to_disk=False, made_in=shop.archive)
    return sha


def _keep_large(shop: ShopFolder, path: Path, stat: os.stat_result) -> str:
    made = shop.archive / "large-file.arriving"
    digest = hashlib.sha256()
    try:
        with path.open("rb") as source, made.open("wb") as copy:
            while piece := source.read(PIECE_BYTES):
                digest.update(piece)
                copy.write(piece)
            copy.flush()
            os.fsync(copy.fileno())
        if _is_changed(path, stat):
            raise _StillWrittenError
        sha = digest.hexdigest()
        if not is_archived(shop, sha):
            target = archived_path(shop, sha)
            target.parent.mkdir(parents=True, exist_ok=True)
            made.replace(target)
    finally:
        made.unlink(missing_ok=True)
    return sha
