"""The archive's ledger of arrivals: written line by line, held against its copies, mended."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import os
from pathlib import Path
from typing import Any, NamedTuple

import duckdb
import polars as pl

from warehouse import store
from warehouse.acts import journal, kept_in
from warehouse.archived import held
from warehouse.damage import DamagedError, put_aside
from warehouse.shop import SHOP_FORMAT, ShopFolder, refuse_newer
from warehouse.whole_file import write_whole

LEDGER = "arrivals.jsonl"
BEGINNING = ".first-intake"
"""Stands in an archive whose first files came and are in no ledger yet."""
FORMAT = "format"
CHECK = "check"
"""Key of a line's own sum; lines of before there was one are taken as they stand."""

_NEEDED = {"arrival_no", "job_folder", "file_name", "file_sha256"}


class Ledger(NamedTuple):
    """The ledger as it should be: line by number, and what was wrong with the file."""

    lines: dict[int, str]
    damage: str
    lost: list[int]
    """Places in the file of lines that cannot be read and of which no copy is known."""
    fresh: list[int]
    """Numbers that the database does not know yet."""

    @property
    def text(self) -> str:
        """The whole file."""
        return "".join(line + "\n" for line in self.lines.values())


class _Mark(NamedTuple):
    """How far the database has read the ledger, and what the file was like then."""

    last_no: int
    size: int
    modified_ns: int

    def is_of(self, path: Path) -> bool:
        """Whether a file is as it was left: nobody has written to it since."""
        stat = path.stat() if path.is_file() else None
        return stat is not None and (stat.st_size, stat.st_mtime_ns) == self[1:]


def sealed(entry: dict[str, Any]) -> str:
    """Return an entry as a line with its own sum, so that a changed letter shows."""
    # Lines of the first format bear no mark.
    entry = {FORMAT: SHOP_FORMAT, **entry}
    return json.dumps({**entry, CHECK: _sum(entry)}, ensure_ascii=False)


def append(shop: ShopFolder, lines: list[str]) -> None:
    """Add lines to the ledger; they are on the disk when this returns."""
    with (shop.archive / LEDGER).open("a", encoding="utf-8", newline="\n") as ledger:
        ledger.writelines(line + "\n" for line in lines)
        ledger.flush()
        os.fsync(ledger.fileno())
    (shop.archive / BEGINNING).unlink(missing_ok=True)


def last_arrival_no(connection: duckdb.DuckDBPyConnection) -> int:
    """Return the number of the last line that the database knows."""
    return _mark(connection).last_no


def is_behind(connection: duckdb.DuckDBPyConnection, shop: ShopFolder) -> bool:
    """Whether the archive holds arrivals that the database was never told: an emptied database."""
    return last_arrival_no(connection) == 0 and (
        has_begun(shop) or bool(nameless(connection, shop))
    )


def has_begun(shop: ShopFolder) -> bool:
    """Whether the ledger or its copy holds a whole line: an empty or torn one tells of nothing."""
    for path in (shop.archive / LEDGER, shop.backups / LEDGER):
        sound, bad, _ = lines_of(path.read_bytes() if path.is_file() else b"", 0)
        if sound or bad:
            return True
    return False


def nameless(connection: duckdb.DuckDBPyConnection, shop: ShopFolder) -> set[str]:
    """Return the hashes of archived bytes of a shop whose ledger is gone with all its copies.

    Of a new shop there are none: a layout may be taught before the first file comes, and the first
    intake may have been stopped between a file's bytes and its line.
    """
    if (shop.archive / BEGINNING).is_file() or last_arrival_no(connection) or has_begun(shop):
        return set()
    return held(shop) - kept_in(journal(shop)).keys()


def begin(shop: ShopFolder) -> None:
    """Mark an archive whose ledger is about to get its first line; that line takes the mark away.

    Bytes without a line would look like those of a lost ledger, had a kill come between.
    """
    ledger = shop.archive / LEDGER
    if not ledger.is_file() or not ledger.stat().st_size:
        (shop.archive / BEGINNING).touch()


def look_at_ledger(connection: duckdb.DuckDBPyConnection, shop: ShopFolder) -> Ledger:
    """Return the whole ledger, mended where the database or the backup knows a line.

    Changes nothing.
    """
    path = shop.archive / LEDGER
    data = path.read_bytes() if path.is_file() else b""
    found, bad, is_in_order = lines_of(data, 0)
    known = dict(connection.execute("SELECT arrival_no, entry_text FROM raw.ledger").fetchall())
    backup = shop.backups / LEDGER
    kept = lines_of(backup.read_bytes(), 0)[0] if backup.is_file() else {}
    merged = {**kept, **found, **known}
    lines = {number: merged[number] for number in sorted(merged)}
    gaps = len(lines) < max(lines, default=0)
    is_end_lost = (
        bool(bad) and bad[-1] > len(found) and max(lines, default=0) in {0, *list(found)[-1:]}
    )
    lost = bad if gaps or is_end_lost else []
    changed = sum(found.get(number) != line for number, line in lines.items())
    damage = ""
    if changed or bad or not is_in_order:
        what = f"{len(bad) or changed} lines" if (bad or changed) else "the order of its lines"
        damage = f"the ledger {path} was damaged ({what if data else 'it was gone'})"
    return Ledger(lines, damage, lost, sorted(lines.keys() - known.keys()))


def load_ledger(connection: duckdb.DuckDBPyConnection, shop: ShopFolder) -> list[str]:
    """Bring the warehouse's record of arrivals up to the archive's own ledger, mended if need be.

    A file of the size and time at which it was left is not read: who writes to it changes these.
    What changes without (a failing disk) is found by the nightly check, which reads all of it.

    Raises DamagedError: Naming the line that cannot be read and that no copy knows.
    """
    path = shop.archive / LEDGER
    if _mark(connection).is_of(path):
        return []
    ledger = look_at_ledger(connection, shop)
    if ledger.lost:
        raise DamagedError(
            f"{path}: line {ledger.lost[0]} is damaged and neither the database nor backups/ has "
            "it; bring the file back from a backup of your own, or take that line out: a file that "
            "still lies in the inbox is then archived anew"
        )
    if ledger.damage:
        if path.exists():
            put_aside(shop, path, LEDGER)
        write_whole(path, ledger.text)
    else:
        _drop_torn_end(path)
    if path.is_file():
        _enter(connection, {number: ledger.lines[number] for number in ledger.fresh}, path)
    return [f"{ledger.damage}; it was made whole from its copies."] if ledger.damage else []


def enter_appended(connection: duckdb.DuckDBPyConnection, shop: ShopFolder) -> None:
    """Enter the lines that were appended since `load_ledger`, under the same lock."""
    path = shop.archive / LEDGER
    mark = _mark(connection)
    with path.open("rb") as file:
        file.seek(mark.size)
        _enter(connection, lines_of(file.read(), mark.last_no)[0], path)


def _sum(entry: dict[str, Any]) -> str:
    return hashlib.sha256(json.dumps(entry, ensure_ascii=False).encode()).hexdigest()[:12]


def lines_of(data: bytes, after: int) -> tuple[dict[int, str], list[int], bool]:
    """Return sound lines by number, the places of others, and whether the numbers go on by one.

    What stands behind the last line end was torn by a kill: that arrival was never acknowledged
    and is found again in the inbox.
    """
    found: dict[int, str] = {}
    bad: list[int] = []
    is_in_order = True
    for place, line in enumerate(data.split(b"\n")[:-1], start=1):
        if not line:
            continue
        number = _number_of(line)
        if number is None:
            bad.append(place)
            continue
        is_in_order = is_in_order and number == after + 1
        after = number
        found[number] = line.decode()
    return found, bad, is_in_order


def _number_of(line: bytes) -> int | None:
    """Return the number of a sound line; None for one that is not as it was written."""
    try:
        entry = json.loads(line)
        seal = entry.pop(CHECK, None)
        is_whole = entry.keys() >= _NEEDED and {"received_at", "taken_out_at"} & entry.keys()
        if seal is not None and seal == _sum(entry):
            refuse_newer(entry.get(FORMAT), "the ledger of arrivals")
        if not is_whole or (seal is not None and seal != _sum(entry)):
            return None
        return int(entry["arrival_no"])
    except (ValueError, TypeError, AttributeError, RecursionError):
        return None


def _drop_torn_end(path: Path) -> None:
    if not path.is_file() or not path.stat().st_size:
        return
    with path.open("rb+") as file:
        file.seek(-1, os.SEEK_END)
        if file.read() == b"\n":
            return
        file.seek(0)
        file.truncate(file.read().rfind(b"\n") + 1)


def _mark(connection: duckdb.DuckDBPyConnection) -> _Mark:
    row = store.first(connection, "SELECT made_from FROM raw.finished WHERE flow_name = 'ledger'")
    if row is None:
        return _Mark(0, 0, 0)
    number, size, modified_ns = row[0].split("|")
    # Of a shop made before, the third is a sum: no file was written at that time.
    return _Mark(int(number), int(size), int(modified_ns, 16))


def _enter(connection: duckdb.DuckDBPyConnection, lines: dict[int, str], path: Path) -> None:
    """Enter new arrivals, with their lines, and note how far the ledger was read."""
    new = [json.loads(line) for line in lines.values()]
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
        connection.execute(
            "INSERT INTO raw.file SELECT file_sha256, any_value(size_bytes) FROM fresh_arrival "
            "ANTI JOIN raw.file USING (file_sha256) GROUP BY file_sha256"
        )
        connection.unregister("fresh_arrival")
        store.insert(connection, "raw.arrival", records)
        frame = pl.DataFrame(
            {"arrival_no": list(lines), "entry_text": list(lines.values())},
            schema={"arrival_no": pl.Int64, "entry_text": pl.String},
        )
        store.insert(connection, "raw.ledger", frame)
        stat = path.stat()
        connection.execute(
            "INSERT OR REPLACE INTO raw.finished "
            "SELECT 'ledger', format('{}|{}|{:x}', coalesce(max(arrival_no), 0), ?::BIGINT, "
            "?::BIGINT) FROM raw.ledger",
            [stat.st_size, stat.st_mtime_ns],
        )
