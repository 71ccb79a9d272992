"""The journal of hands: who did what, when and why, one line an act, beside the arrivals.

Each line carries a sum of itself and one of the line before it, so that a changed line shows, and
a removed one. Pages and commands write it at once; what was done by hand is found by the update.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import getpass
import hashlib
import json
import os
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, BinaryIO, NamedTuple

import filelock

from warehouse.archived import keep
from warehouse.shop import ShopFolder

JOURNAL = "acts.jsonl"
BY_HAND = "somebody, by hand"
WAIT_S = 10.0
LONGEST_LINES = 65_536
"""Bytes at the journal's end that hold its last line, as a rule, and the latest hundred or so."""


class Act(NamedTuple):
    """What somebody did to what; the hashes are of the file that changed, as archived."""

    code: str
    about: str
    """A path within the shop, a job or a person's reference."""
    person: str = BY_HAND
    detail: str = ""
    reason: str = ""
    before: str | None = None
    after: str | None = None


Entry = dict[str, Any]


def now() -> dt.datetime:
    """Return the moment that a line carries."""
    return dt.datetime.now(dt.UTC)


def at_terminal() -> str:
    """Return who sits at this machine, as its system knows them."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "somebody, at a terminal"


def write(shop: ShopFolder, acts: Iterable[Act], at: dt.datetime | None = None) -> None:
    """Add a line for each act; they are on the disk when this returns.

    Raises OSError if the disk does not take them, or others write for long.
    """
    shop.archive.mkdir(parents=True, exist_ok=True)
    shop.warehouse.mkdir(exist_ok=True)
    moment = (at or now()).isoformat()
    with _alone(shop), (shop.archive / JOURNAL).open("a+b") as file:
        number, last = _end(file)
        for act in acts:
            number += 1
            line = sealed({"no": number, "at": moment, **act._asdict(), "last": last})
            file.write(line + b"\n")
            last = sum_of(line)
        file.flush()
        os.fsync(file.fileno())


@contextlib.contextmanager
def _alone(shop: ShopFolder) -> Iterator[None]:
    lock = filelock.FileLock(shop.warehouse / "acts.lock", timeout=WAIT_S)
    with contextlib.suppress(NotImplementedError):  # a share without locks
        lock.acquire()
    try:
        yield
    finally:
        lock.release()


def write_done(shop: ShopFolder, acts: Iterable[Act], *kept: bytes) -> None:
    """Write down what was done to a file, and keep the bytes of before and after.

    Where the disk does not take it the act stands all the same: the next update finds it.
    """
    with contextlib.suppress(OSError):  # filelock's Timeout is one
        for data in kept:
            keep(shop, data)
        write(shop, acts)


def file_written(shop: ShopFolder, acts: Iterable[Act], before: bytes | None, after: bytes) -> None:
    """Write down what was done by writing a file; its bytes are kept and named by their hash."""
    was = None if before is None else hashlib.sha256(before).hexdigest()
    done = [act._replace(before=was, after=hashlib.sha256(after).hexdigest()) for act in acts]
    write_done(shop, done, *(data for data in (before, after) if data is not None))


def layout_saved(shop: ShopFolder, path: Path, person: str, before: bytes | None = None) -> None:
    """Write down who taught a layout or put it right."""
    with contextlib.suppress(OSError):
        code = "layout taught" if before is None else "layout changed"
        act = Act(code, path.relative_to(shop.root).as_posix(), person)
        file_written(shop, [act], before, path.read_bytes())


def sheet_given_out(shop: ShopFolder, job_id: str, person: str, paper: bytes) -> None:
    """Write down who made a customer's sheet of a job, and the hash of the paper."""
    sha = hashlib.sha256(paper).hexdigest()
    write_done(shop, [Act("sheet given out", job_id, person, after=sha)])


def sealed(entry: Entry) -> bytes:
    """Return an entry as a line with its own sum."""
    return _text({**entry, "check": sum_of(_text(entry))})


def sum_of(line: bytes) -> str:
    """Return the sum of a line or of what it says."""
    return hashlib.sha256(line).hexdigest()[:12]


def sum_of_last(lines: bytes) -> str:
    """Return the sum of the last of some whole lines."""
    return sum_of(lines[:-1].rpartition(b"\n")[2])


def entries_of(data: bytes, last: str = "") -> tuple[list[Entry], list[int]]:
    """Return the sound lines, and the places of those that were changed or follow a lost one.

    `last` is the sum of the line before the first. A line torn by a kill at the end is none.
    """
    found: list[Entry] = []
    bad: list[int] = []
    for place, line in enumerate(data.split(b"\n")[:-1], start=1):
        entry = _entry(line)
        if entry is not None:
            found.append(entry)
        if entry is None or entry["last"] != last:
            bad.append(place)
        last = sum_of(line)
    return found, bad


def chained(entries: Iterable[Entry]) -> bytes:
    """Return entries as the lines of a journal, numbered and chained anew."""
    lines: list[bytes] = []
    for number, entry in enumerate(entries, start=1):
        last = sum_of(lines[-1]) if lines else ""
        lines.append(sealed({**entry, "no": number, "last": last}))
    return b"".join(line + b"\n" for line in lines)


def sum_of_line_before(shop: ShopFolder, place: int) -> str:
    """Return the sum of the line that ends at a place in the journal; "gone" if none ends there."""
    path = shop.archive / JOURNAL
    if not place:
        return ""
    if not path.is_file() or path.stat().st_size < place:
        return "gone"
    with path.open("rb") as file:
        data = _tail(file, place)
    return sum_of_last(data) if data.endswith(b"\n") else "gone"


def journal(shop: ShopFolder) -> bytes:
    """Return the whole journal as it stands."""
    path = shop.archive / JOURNAL
    return path.read_bytes() if path.is_file() else b""


def latest(shop: ShopFolder) -> list[Entry]:
    """Return the latest acts, the last first; whatever the journal's age it is read from its end.

    Some hundred of them, of a long journal.
    """
    with contextlib.suppress(OSError), (shop.archive / JOURNAL).open("rb") as file:
        return entries_of(_last_lines(file))[0][::-1]
    return []


def of_job(shop: ShopFolder, job_id: str, job_folder: str) -> list[Entry]:
    """Return the acts on a job, its card, its notes and its papers, the last first."""
    marks = [json.dumps(word, ensure_ascii=False)[1:-1].encode() for word in (job_id, job_folder)]
    # Years of lines are looked through as bytes; only those that may be meant are taken apart.
    lines = [line for line in journal(shop).split(b"\n") if any(mark in line for mark in marks)]
    place = f"inbox/{job_folder}/"
    found = [entry for entry in map(_entry, reversed(lines)) if entry]
    return [
        entry
        for entry in found
        if entry["about"].startswith(place) or job_id in (entry["about"], entry["detail"])
    ]


def kept_in(journal: bytes) -> dict[str, str]:
    """Return the hashes of all bytes that a journal names, each with the path it stood under."""
    return {
        sha: entry["about"]
        for entry in entries_of(journal)[0]
        for sha in (entry["before"], entry["after"])
        if sha and entry["code"] not in WITHOUT_BYTES
    }


_TEXTS = ("code", "about", "person", "detail", "reason", "last")

WITHOUT_BYTES = ("sheet given out",)
"""Acts whose hash is of a paper, which can be made again."""


def _text(entry: Entry) -> bytes:
    # A name on disk need not be UTF-8: what stands for its bytes is written as it is.
    return json.dumps(entry, ensure_ascii=False).encode(errors="surrogatepass")


def _entry(line: bytes) -> Entry | None:
    """Return a line as it was written; None if it is not."""
    try:
        entry = json.loads(line)
        check = entry.pop("check")
        # A line of another hand may carry its sum as well and say anything.
        texts = [entry[name] for name in _TEXTS]
        dt.datetime.fromisoformat(entry["at"])
        is_ours = isinstance(entry["no"], int) and all(isinstance(text, str) for text in texts)
        return entry if is_ours and check == sum_of(_text(entry)) else None
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None


def _end(file: BinaryIO) -> tuple[int, str]:
    """Return number and sum of the last line; what a kill tore off behind it is dropped."""
    size = file.seek(0, os.SEEK_END)
    data = _last_lines(file)
    file.seek(0)
    whole = size - len(_tail(file, size).rpartition(b"\n")[2])
    file.truncate(whole)
    file.seek(0, os.SEEK_END)
    lines = data.split(b"\n")[:-1]
    for back, line in enumerate(reversed(lines)):
        if entry := _entry(line):
            return int(entry["no"]) + back, sum_of(lines[-1])
    return len(lines), sum_of(lines[-1]) if lines else ""


def _tail(file: BinaryIO, size: int) -> bytes:
    """Return what stands before a place: more of it where that holds no whole line."""
    span = LONGEST_LINES
    while True:
        begin = max(size - span, 0)
        file.seek(begin)
        data = file.read(size - begin)
        if not begin or data.count(b"\n") > 1:
            return data
        span *= 8


def _last_lines(file: BinaryIO) -> bytes:
    """Return whole lines from the end of a file."""
    size = file.seek(0, os.SEEK_END)
    data = _tail(file, size)
    if size > len(data):
        data = data.partition(b"\n")[2]
    return data[: data.rfind(b"\n") + 1]
