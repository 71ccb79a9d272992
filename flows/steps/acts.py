"""Writes down what people did without a page: cards, notes, layouts and settings by hand.

What a page or a command wrote down itself is not told twice; what a kill kept it from writing is
found here.
"""

from __future__ import annotations

import copy
import datetime as dt
import itertools
import json
from collections.abc import Iterator
from typing import Any

import duckdb

from flows.readers.source import UnreadableError
from flows.steps.archive import archived_bytes
from schemas.card_acts import CardAct, card_acts
from schemas.card_text import CARD_NAME
from schemas.shop_note import NOTES_FOLDER
from warehouse import acts, store
from warehouse.acts import JOURNAL, Act
from warehouse.archived import keep
from warehouse.damage import put_aside
from warehouse.shop import SETTINGS_NAME, ShopFolder
from warehouse.whole_file import write_whole

Mark = dict[str, Any]
NEW: Mark = {"no": 0, "size": 0, "sum": "", "arrival": 0, "standing": {}, "told": {}}
"""How far journal and arrivals were read; layouts and settings as last written down; and of cards
and notes what was written down and did not arrive yet."""


def write_acts(
    connection: duckdb.DuckDBPyConnection, shop: ShopFolder, now: dt.datetime
) -> list[str]:
    """Write down what was done by hand since the last time; return what was wrong, a sentence each.

    Layouts and settings are told with the moment at which they were found, cards and notes with
    that of their arrival.
    """
    row = store.first(connection, "SELECT made_from FROM raw.finished WHERE flow_name = 'acts'")
    mark: Mark = json.loads(row[0]) if row else copy.deepcopy(NEW)
    before = copy.deepcopy(mark)
    mended = _made_whole(shop, mark)
    _read_on(shop, mark)
    if changed := list(_of_files(shop, mark)):
        acts.write(shop, changed, now)
        _read_on(shop, mark)
    arrived = _arrived(connection, mark["arrival"])
    untold = _untold(arrived, copy.deepcopy(mark["told"]))
    before_each = _before_each(_arrived(connection, 0)) if untold else {}
    for at, lines in itertools.groupby(untold, key=_moment):
        found = [
            act
            for line in lines
            for act in _of_arrival(shop, line, before_each[line["arrival_no"]])
        ]
        acts.write(shop, found, dt.datetime.fromisoformat(at))
    _read_on(shop, mark)
    _untold(arrived, mark["told"])
    if arrived:
        mark["arrival"] = arrived[-1]["arrival_no"]
    if mark != before:
        connection.execute(
            "INSERT OR REPLACE INTO raw.finished VALUES ('acts', ?)",
            [json.dumps(mark)],
        )
    return mended


def _read_on(shop: ShopFolder, mark: Mark) -> None:
    """Read what was added to the journal since the mark."""
    path = shop.archive / JOURNAL
    if not path.is_file() or path.stat().st_size == mark["size"]:
        return
    with path.open("rb") as file:
        file.seek(mark["size"])
        data = file.read()
    data = data[: data.rfind(b"\n") + 1]
    for entry in acts.entries_of(data)[0]:
        about, after = entry["about"], entry["after"]
        if about == SETTINGS_NAME or about.startswith("layouts/"):
            mark["standing"][about] = after
        elif about.startswith("inbox/"):
            told = mark["told"].setdefault(about, [])
            if told[-1:] != [after]:  # one card may do several things at once
                told.append(after)
        mark["no"] = entry["no"]
    if data:
        mark["size"] += len(data)
        mark["sum"] = acts.sum_of_last(data)


def _made_whole(shop: ShopFolder, mark: Mark) -> list[str]:
    """Bring lines back that the journal had and has no more; read it anew from its beginning."""
    if acts.sum_of_line_before(shop, mark["size"]) == mark["sum"]:
        return []
    had, path = mark["no"], shop.archive / JOURNAL
    copied = shop.backups / JOURNAL
    kept = acts.entries_of(copied.read_bytes())[0] if copied.is_file() else []
    known = {json.dumps(entry) for entry in kept}
    standing = acts.entries_of(acts.journal(shop))[0]
    lines = [*kept, *(entry for entry in standing if json.dumps(entry) not in known)]
    if path.exists():
        put_aside(shop, path, JOURNAL)
    write_whole(path, acts.chained(lines))
    mark.clear()
    mark.update(copy.deepcopy(NEW))
    lost = max(had - len(lines), 0)
    told = f"{lost} are in no copy" if lost else "it was made whole from its copy"
    return [f"The journal of acts had lost lines; {told}."]


def _of_files(shop: ShopFolder, mark: Mark) -> Iterator[Act]:
    """Yield what became of settings and layouts since the last time; keep their bytes."""
    standing: dict[str, str | None] = dict(mark["standing"])
    for path in [shop.settings, *sorted(shop.layouts.glob("*.toml"))]:
        about = path.relative_to(shop.root).as_posix()
        what = "settings" if path == shop.settings else "layout"
        before = standing.pop(about, None)
        try:
            text = path.read_bytes()
        except OSError:  # gone, or no file that can be read: reading the layouts says so
            continue
        after = keep(shop, text)
        if after != before:
            verb = "changed" if before else "written" if what == "settings" else "taught"
            yield Act(f"{what} {verb}", about, before=before, after=after)
    for about, before in standing.items():
        if before and about.startswith("layouts/"):
            yield Act("layout taken out", about, before=before)


def _arrived(connection: duckdb.DuckDBPyConnection, after: int) -> list[dict[str, Any]]:
    """Return the ledger's lines on cards and notes behind a number."""
    found = connection.execute(
        "SELECT entry_text FROM raw.ledger WHERE arrival_no > ? AND "
        "(contains(entry_text, ?) OR contains(entry_text, ?)) ORDER BY arrival_no",
        [after, f'"{CARD_NAME}"', f'"{NOTES_FOLDER}"'],
    ).fetchall()
    lines = [json.loads(text) for (text,) in found]
    return [
        line
        for line in lines
        if line["file_name"] == CARD_NAME or line["job_folder"] == NOTES_FOLDER
    ]


def _untold(arrived: list[dict[str, Any]], told: dict[str, list[Any]]) -> list[dict[str, Any]]:
    """Return the arrivals of which no line tells, and take off what is told of the others."""
    untold = []
    for line in arrived:
        about = _path_of(line)
        after = _stands_after(line)
        if after not in told.get(about, []):
            untold.append(line)
            continue
        told[about].remove(after)
        if not told[about]:
            del told[about]
    return untold


def _path_of(line: dict[str, Any]) -> str:
    folder, name = line["job_folder"], line["file_name"]
    return f"inbox/{name}" if folder == "." else f"inbox/{folder}/{name}"


def _stands_after(line: dict[str, Any]) -> str | None:
    """Return the hash of what stands under a line's name from it on; None where it went."""
    return None if "taken_out_at" in line else line["file_sha256"]


def _moment(line: dict[str, Any]) -> str:
    return line.get("taken_out_at") or line["received_at"]


def _before_each(lines: list[dict[str, Any]]) -> dict[int, str | None]:
    """Return the bytes that stood under a line's name before it, by its number."""
    standing: dict[str, str | None] = {}
    found = {}
    for line in lines:
        found[line["arrival_no"]] = standing.get(_path_of(line))
        standing[_path_of(line)] = _stands_after(line)
    return found


def _of_arrival(shop: ShopFolder, line: dict[str, Any], before: str | None) -> list[Act]:
    """Return what somebody did by hand by putting a card or a note there, or taking it out."""
    what = "note" if line["job_folder"] == NOTES_FOLDER else "card"
    about, sha = _path_of(line), line["file_sha256"]
    if "taken_out_at" in line:
        return [Act(f"{what} taken out", about, before=sha)]
    if before == sha:  # touched, or copied over itself
        return []
    first = "written" if what == "note" else "saved"
    done = [CardAct(f"{what} {'corrected' if before else first}")]
    if what == "card" and before:
        done = card_acts(_text(shop, before), _text(shop, sha))
    return [
        Act(one.code, about, detail=one.detail, reason=one.reason, before=before, after=sha)
        for one in done
    ]


def _text(shop: ShopFolder, sha: str) -> str:
    """Return an archived text; "" of one that is gone or damaged."""
    try:
        return archived_bytes(shop, sha).decode("utf-8-sig", errors="replace")
    except (UnreadableError, OSError):
        return ""
