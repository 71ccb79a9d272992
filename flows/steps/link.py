"""Gives each file its place: which job, which stage, or why it has none yet.

Works on job folders, from their cards in force and what came of reading their files, and only on
folders where either changed. First come, first served: of two claims on the same bytes, the same
job number or the same bike, the folder that arrived first is right.
"""

from __future__ import annotations

import hashlib
import json
from collections import defaultdict
from typing import Any, NamedTuple

import duckdb
import polars as pl

from flows.metrics.notes import Note, note
from flows.steps.progress import Progress
from flows.steps.shop_notes import place_notes
from schemas.card import CATEGORIES, ETHANOL_SHARE, Bike, JobCard, Stage, read_card
from schemas.card_files import in_number_order, is_pattern, one_form, takes
from schemas.card_text import CARD_NAME
from schemas.shop_note import NOTES_FOLDER
from warehouse import store

BATCH_FOLDERS = 200
LINK_VERSION = 9
"""Raise it when linking changes what it gives for the same cards and readings."""

CONTRADICTS = "card contradicts another"
OUT = "job out of the shop"
"""A card that contradicts another too, where it or the other one did not before it was changed."""


class _File(NamedTuple):
    """A file that stands in a folder, with what came of reading it."""

    name: str
    sha256: str
    state: str
    kind: str | None
    reason: Note | None
    is_present: bool


class _Place(NamedTuple):
    """Where one file of a folder stands."""

    file_name: str
    file_sha256: str | None
    state: str
    reason: Note | None = None
    stage_id: str | None = None


class _Log(NamedTuple):
    """A log that belongs to a stage."""

    sha256: str
    kind: str
    stage_id: str
    number: int
    file_name: str
    set_aside_reason: str | None
    set_aside_by: str | None


class _Folder(NamedTuple):
    """What a job folder holds now."""

    files: list[_File]
    newest_card: tuple[str, list[Note]] | None
    in_force: tuple[str, str] | None


class _Known(NamedTuple):
    """What a folder in the book says of its bike."""

    job_id: str
    bike_id: str
    model_id: str
    induction: str
    model_year: int | None
    cylinders: int | None


class _Card(NamedTuple):
    """A version of a folder's card, and when it first and last came."""

    card: JobCard
    sha256: str
    first_no: int
    last_no: int


class _Facts(NamedTuple):
    """What two cards of one bike must not say unlike."""

    model_id: str
    model_year: int | None
    cylinders: int | None


class _Linked:
    """The rows that one folder gives."""

    def __init__(self) -> None:
        self.tables: dict[str, list[dict[str, Any]]] = defaultdict(list)
        self.places: list[_Place] = []
        self.logs: list[_Log] = []


def link_jobs(connection: duckdb.DuckDBPyConnection, progress: Progress) -> list[str]:
    """Bring jobs, stages, builds, pulls and rides up to the cards and readings."""
    done = _link_changed(connection, progress)
    place_notes(connection)
    return done


def _link_changed(connection: duckdb.DuckDBPyConnection, progress: Progress) -> list[str]:
    wanted = _wanted(connection)
    standing = dict(connection.execute("SELECT job_folder, linked_from FROM raw.linked").fetchall())
    changed = {folder for folder, mark in wanted.items() if standing.get(folder) != mark}
    if not changed:
        return []
    # A card that another one kept out may be right by now.
    changed |= {
        folder
        for (folder,) in connection.execute(
            "SELECT DISTINCT job_folder FROM raw.outcome WHERE reason_code IN (?, ?)",
            [CONTRADICTS, OUT],
        ).fetchall()
    }
    book = _Book(connection, list(wanted))
    queue = [folder for folder in wanted if folder in changed]
    waiting = set(queue)
    done: list[str] = []
    while queue:
        batch, queue = queue[:BATCH_FOLDERS], queue[BATCH_FOLDERS:]
        linked: dict[str, _Linked] = {}
        for folder in batch:
            if folder not in book.folders:
                book.look_up(connection, [f for f in batch if f not in book.folders])
            linked[folder] = _link(folder, book)
            # Folders that lose or regain a claim are linked again, in this batch or the next.
            waiting.discard(folder)
            touched = [other for other in book.take_touched() if other not in waiting]
            waiting.update(touched)
            batch += touched
        with store.transaction(connection):
            _write(connection, linked, wanted)
            # Also one whose own card did not change must be linked again when a kill comes first.
            if not done:
                store.delete(connection, "raw.linked", "job_folder", queue)
        done += linked
        progress(len(done), len(done) + len(queue), "linking")
    return list(dict.fromkeys(done))


def _wanted(connection: duckdb.DuckDBPyConnection) -> dict[str, str]:
    """Return what each folder is to be linked from, folders in the order of their arrival."""
    rows = connection.execute(
        "SELECT arrival.job_folder, md5(string_agg(concat_ws('|', arrival.file_name, "
        "arrival.file_sha256, reading.state, reading.read_with, card.is_in_force, card.problems, "
        "arrival.is_present), "
        "';' ORDER BY arrival.file_name, arrival.file_sha256)) "
        "FROM raw.arrival AS arrival "
        "LEFT JOIN raw.reading AS reading USING (file_sha256) "
        "LEFT JOIN raw.card AS card ON arrival.job_folder = card.job_folder "
        "AND arrival.file_sha256 = card.file_sha256 "
        "WHERE (arrival.is_current OR card.is_in_force) AND arrival.job_folder <> ? "
        "GROUP BY arrival.job_folder ORDER BY min(arrival.arrival_no)",
        [NOTES_FOLDER],
    ).fetchall()
    return {folder: f"{LINK_VERSION}|{digest}" for folder, digest in rows}


class _Book:
    """Who holds what: which folder has which bytes, job number, bike and model.

    Folders are found by what they hold, so that linking one does not look at all others.
    """

    def __init__(self, connection: duckdb.DuckDBPyConnection, order: list[str]) -> None:
        self._connection = connection
        self.place = {folder: number for number, folder in enumerate(order)}
        self.folders: dict[str, _Folder] = {}
        self._known: dict[str, _Known] = {}
        self._of_job: dict[str, set[str]] = defaultdict(set)
        self._of_bike: dict[str, dict[_Facts, set[str]]] = defaultdict(lambda: defaultdict(set))
        self._of_model: dict[str, dict[str, set[str]]] = defaultdict(lambda: defaultdict(set))
        for folder, *rest in connection.execute(
            "SELECT job.job_folder, job.job_id, job.bike_id, bike.model_id, model.induction, "
            "job.model_year, job.cylinders "
            "FROM core.job AS job JOIN core.bike AS bike USING (bike_id) "
            "JOIN core.model AS model USING (model_id)"
        ).fetchall():
            self.note(folder, _Known(*rest))
        self.owner: dict[str, tuple[str, str]] = {}
        self.claims: dict[str, set[str]] = defaultdict(set)
        self._held: dict[str, set[str]] = defaultdict(set)
        self._looked_up: set[str] = set()
        self._touched: dict[str, None] = {}

    def look_up(self, connection: duckdb.DuckDBPyConnection, folders: list[str]) -> None:
        """Read what some folders hold, and which others have a claim on the same bytes."""
        held = _read_folders(connection, folders)
        self.folders.update(held)
        named = {file.sha256 for folder in held.values() for file in folder.files}
        claims = connection.execute(
            "SELECT file_sha256, job_folder, file_name, state FROM raw.outcome "
            "WHERE state IN ('taken in', 'duplicate') AND file_sha256 IN ("
            "SELECT unnest(?) UNION ALL SELECT file_sha256 FROM raw.outcome "
            "WHERE job_folder IN (SELECT unnest(?)))",
            [sorted(named), folders],
        ).fetchall()
        for sha, folder, name, state in claims:
            # What this batch changed of bytes that were looked up before is not written yet.
            if sha in self._looked_up:
                continue
            if state == "taken in":
                self.own(sha, folder, name)
            else:
                self.claims[sha].add(folder)
        self._looked_up |= named | {sha for sha, *_ in claims}

    def note(self, folder: str, known: _Known) -> None:
        """Note what a folder's card says of its bike."""
        self._known[folder] = known
        for folders in self._kept_under(known):
            folders.add(folder)

    def own(self, sha: str, folder: str, name: str) -> None:
        """Let a folder hold some bytes, and take them from the one that did."""
        if sha in self.owner:
            self._held[self.owner[sha][0]].discard(sha)
        self.owner[sha] = (folder, name)
        self._held[folder].add(sha)

    def touch(self, folder: str) -> None:
        """Note a folder that must be linked again."""
        self._touched[folder] = None

    def take_touched(self) -> list[str]:
        """Return the folders noted since the last time."""
        touched, self._touched = list(self._touched), {}
        return touched

    def forget(self, folder: str) -> set[str]:
        """Take out what stood for a folder; return the bytes it held."""
        known = self._known.pop(folder, None)
        if known is not None:
            for folders in self._kept_under(known):
                folders.discard(folder)
        released = self._held.pop(folder, set())
        for sha in released:
            del self.owner[sha]
        return released

    def at_odds(self, job_id: str, bike: Bike) -> list[tuple[str, _Known]]:
        """Return the folders whose cards say otherwise, in the order of their arrival."""
        found = set(self._of_job[job_id])
        for facts, folders in self._of_bike[bike.reference].items():
            if _unlike(facts, bike):
                found |= folders
        for induction, folders in self._of_model[bike.model_id].items():
            if induction != bike.induction:
                found |= folders
        return [
            (folder, self._known[folder]) for folder in sorted(found, key=self.place.__getitem__)
        ]

    def cards(self, folder: str) -> list[_Card]:
        """Return a folder's cards without mistakes, the one in force first, then the latest."""
        rows = self._connection.execute(
            "SELECT card_text, file_sha256, arrival_no, last_no FROM raw.card "
            "JOIN raw.arrival USING (job_folder, file_sha256) "
            "WHERE job_folder = ? AND file_name = ? AND problems = '[]' ORDER BY last_no DESC",
            [folder, CARD_NAME],
        ).fetchall()
        return [_Card(read_card(text), *rest) for text, *rest in rows]

    def _kept_under(self, known: _Known) -> list[set[str]]:
        facts = _Facts(known.model_id, known.model_year, known.cylinders)
        return [
            self._of_job[known.job_id],
            self._of_bike[known.bike_id][facts],
            self._of_model[known.model_id][known.induction],
        ]


def _read_folders(connection: duckdb.DuckDBPyConnection, folders: list[str]) -> dict[str, _Folder]:
    files: dict[str, list[_File]] = defaultdict(list)
    for folder, *row in connection.execute(
        "SELECT arrival.job_folder, arrival.file_name, arrival.file_sha256, "
        "coalesce(reading.state, 'card'), reading.layout_kind, reading.reason, arrival.is_present "
        "FROM raw.arrival AS arrival "
        "LEFT JOIN raw.reading AS reading USING (file_sha256) "
        "WHERE arrival.job_folder IN (SELECT unnest(?)) AND arrival.is_current "
        "AND arrival.file_name <> ? ORDER BY arrival.job_folder, arrival.file_name",
        [folders, CARD_NAME],
    ).fetchall():
        row[-2] = row[-2] and json.loads(row[-2])
        files[folder].append(_File(*row))
    newest = {
        folder: (sha, json.loads(problems))
        for folder, sha, problems in connection.execute(
            "SELECT job_folder, file_sha256, problems FROM raw.card JOIN raw.arrival "
            "USING (job_folder, file_sha256) WHERE job_folder IN (SELECT unnest(?)) "
            "AND file_name = ? AND is_current",
            [folders, CARD_NAME],
        ).fetchall()
    }
    in_force = {
        folder: (sha, text)
        for folder, sha, text in connection.execute(
            "SELECT job_folder, file_sha256, card_text FROM raw.card "
            "WHERE job_folder IN (SELECT unnest(?)) AND is_in_force",
            [folders],
        ).fetchall()
    }
    return {f: _Folder(files[f], newest.get(f), in_force.get(f)) for f in folders}


def _link(folder: str, book: _Book) -> _Linked:
    """Return the rows of one folder; note in the book which others its claims touch."""
    held = book.folders[folder]
    released = book.forget(folder)
    linked = _Linked()
    card = read_card(held.in_force[1]) if held.in_force else None
    refusal = _contradiction(card, folder, book) if card else None
    if card is not None and refusal is not None:
        refusal = _job_out(card, refusal, folder, book) or refusal
    if held.newest_card:
        linked.places.append(_card_place(held.newest_card, refusal, card is not None))
    if card is None or held.in_force is None or refusal is not None:
        has_card = held.newest_card is not None
        linked.places += [_waiting(file, has_card, folder) for file in held.files]
    else:
        book.note(folder, _known(card))
        _job_rows(linked, folder, held.in_force[0], card)
        _place_files(linked, card, held.files, folder, book)
        is_newest = held.newest_card is not None and held.newest_card[0] == held.in_force[0]
        if is_newest and (whole := _wholly_set_aside(card, linked.logs)):
            told = note("stages set aside whole", stages=whole)
            linked.places[0] = linked.places[0]._replace(reason=told)
    absent = {file.name for file in held.files if not file.is_present}
    linked.places = [
        _withdrawn(place) if place.file_name in absent and place.state != "taken in" else place
        for place in linked.places
    ]
    for place in linked.places:
        if place.file_sha256 is not None:
            book.claims[place.file_sha256].discard(folder)
            if place.state == "duplicate":
                book.claims[place.file_sha256].add(folder)
    for sha in released:
        if sha not in book.owner:
            for other in sorted(book.claims[sha] - {folder}):
                book.touch(other)
    return linked


def _contradiction(card: JobCard, folder: str, book: _Book) -> Note | None:
    """Return what the card of an earlier folder says otherwise, if one does.

    A later folder that says otherwise is linked again, and then told itself.
    """
    for other, known in book.at_odds(card.job, card.bike):
        if book.place[other] > book.place[folder]:
            book.touch(other)
            continue
        return _odds(card, other, known)
    return None


def _odds(card: JobCard, other: str, known: _Known) -> Note | None:
    """Return what another folder's card says that cannot be true beside this one, if anything."""
    bike = card.bike
    if known.job_id == card.job:
        return note(CONTRADICTS, what="job", which=card.job, known=None, said=None, folder=other)
    if known.bike_id == bike.reference and (unlike := _unlike(known, bike)):
        return note(CONTRADICTS, which=bike.reference, **unlike, folder=other)
    if known.model_id == bike.model_id and known.induction != bike.induction:
        induction = {"known": known.induction, "said": bike.induction}
        return note(CONTRADICTS, what="induction", which=bike.model_id, **induction, folder=other)
    return None


def _job_out(card: JobCard, refusal: Note, folder: str, book: _Book) -> Note | None:
    """Return that a job is out of the shop only since a card was changed, its own or the other."""
    own = book.cards(folder)
    for earlier in own[1:]:
        if _contradiction(earlier.card, folder, book) is None:
            return note(OUT, job=earlier.card.job, why=refusal, of=None, as_it_was=earlier.sha256)
    other = refusal["folder"]
    theirs = book.cards(other)
    if own[0].first_no < theirs[0].last_no and any(
        _odds(card, other, _known(earlier.card)) is None for earlier in theirs[1:]
    ):
        return note(OUT, job=card.job, why=refusal, of=other, as_it_was=None)
    return None


def _known(card: JobCard) -> _Known:
    bike = card.bike
    return _Known(
        card.job, bike.reference, bike.model_id, bike.induction, bike.year, bike.cylinders
    )


def _unlike(known: _Known | _Facts, bike: Bike) -> dict[str, Any] | None:
    """Return what two cards of one reference say that cannot both be true, or nothing.

    What one of them leaves out contradicts nothing. Owners change: bikes are sold.
    """
    for what, before, now in (
        ("model", known.model_id, bike.model_id),
        ("model year", known.model_year, bike.year),
        ("cylinders", known.cylinders, bike.cylinders),
    ):
        if None not in (before, now) and before != now:
            return {"what": what, "known": before, "said": now}
    return None


def _card_place(card_row: tuple[str, list[Note]], refusal: Note | None, has_card: bool) -> _Place:
    sha, problems = card_row
    if problems:
        mistakes = note("card has mistakes", mistakes=problems, has_earlier=has_card)
        return _Place(CARD_NAME, sha, "refused", mistakes)
    if refusal is not None:
        return _Place(CARD_NAME, sha, "refused", refusal)
    return _Place(CARD_NAME, sha, "card")


def _waiting(file: _File, has_card: bool, folder: str) -> _Place:
    if file.state in ("refused", "untaught"):
        return _unreadable(file)
    if folder == ".":
        return _Place(file.name, file.sha256, "waiting", note("no job folder"))
    if has_card:
        return _Place(file.name, file.sha256, "waiting", note("card not usable"))
    return _Place(file.name, file.sha256, "waiting", note("no card"))


def _withdrawn(place: _Place) -> _Place:
    taken = note("taken out of the inbox", state=place.state, why=place.reason)
    return _Place(place.file_name, place.file_sha256, "withdrawn", taken)


def _unreadable(file: _File) -> _Place:
    state = "waiting" if file.state == "untaught" else "refused"
    return _Place(file.name, file.sha256, state, file.reason)


def _job_rows(linked: _Linked, folder: str, card_sha: str, card: JobCard) -> None:
    bike = card.bike
    first, last = bike.generation
    linked.tables["core.model"].append(
        {
            "model_id": bike.model_id,
            "make": bike.make,
            "model": bike.model,
            "first_year": first,
            "last_year": last,
            "displacement_cc": bike.displacement_cc,
            "cylinders": bike.cylinders,
            "induction": bike.induction,
        }
    )
    linked.tables["core.bike"].append(
        {
            "bike_id": bike.reference,
            "model_id": bike.model_id,
            "model_year": bike.year,
            "is_control": bike.control,
        }
    )
    linked.tables["core.job"].append(
        {
            "job_id": card.job,
            "job_folder": folder,
            "bike_id": bike.reference,
            "received_on": card.received,
            "model_year": bike.year,
            "is_control": bike.control,
            "cylinders": bike.cylinders,
            "card_sha256": card_sha,
        }
    )
    for number, stage in enumerate(card.stage, start=1):
        stage_id = f"{card.job}/{number}"
        linked.tables["core.stage"].append(
            {
                "stage_id": stage_id,
                "job_id": card.job,
                "bike_id": bike.reference,
                "stage_no": number,
                "stage_name": stage.name,
                "build_id": _build_rows(linked, stage),
                "mounting": stage_id
                if stage.mounting is None
                else f"{card.job}/mounting {stage.mounting}",
                "map_from": None if stage.map == "stock" else stage.map.from_revision,
                "gear": stage.gear,
                "tyre": stage.tyre,
                "dyno": stage.dyno,
                "target_lambda": stage.target_lambda,
                "suggestion_entered": stage.suggestion_entered,
            }
        )


def _build_rows(linked: _Linked, stage: Stage) -> str:
    parts = sorted((part.category, part.maker, part.name) for part in stage.parts)
    parts.sort(key=lambda part: CATEGORIES.index(part[0]))
    map_name, revision = "stock", None
    if stage.map != "stock":
        map_name, revision = stage.map.name, stage.map.revision
    state = json.dumps([parts, map_name, revision, stage.fuel], ensure_ascii=False)
    build_id = hashlib.sha256(state.encode()).hexdigest()[:12]
    categories = list(dict.fromkeys(category for category, _, _ in parts))
    linked.tables["core.build"].append(
        {
            "build_id": build_id,
            "map_name": map_name,
            "map_revision": revision,
            "fuel": stage.fuel,
            "ethanol_share": ETHANOL_SHARE.get(stage.fuel.upper()),
            "parts_key": " + ".join(categories) or "standard parts",
            "parts_label": "; ".join(
                f"{category}: {maker} {name}" for category, maker, name in parts
            )
            or "standard parts",
        }
    )
    linked.tables["core.build_part"] += [
        {"build_id": build_id, "category": category, "maker": maker, "part_name": name}
        for category, maker, name in parts
    ]
    return build_id


def _place_files(
    linked: _Linked, card: JobCard, files: list[_File], folder: str, book: _Book
) -> None:
    """Give the card's files to its stages."""
    places: dict[str, _Place] = {}
    # A file that was taken out again without ever being read is not there for the card either.
    by_name = {file.name: file for file in files if file.is_present or file.state == "read"}
    written = {one_form(name) for stage in card.stage for name in stage.pulls + stage.rides}
    # By bytes: a copy under another name is the same pull.
    aside = {
        file.sha256: (one.reason, one.by)
        for one in card.set_aside
        for file in files
        if one_form(file.name) == one_form(one.file)
    }
    for number, stage in enumerate(card.stage, start=1):
        stage_id = f"{card.job}/{number}"
        order_in_stage = 0
        for kind, patterns in (("pull", stage.pulls), ("ride", stage.rides)):
            for pattern in patterns:
                names = [
                    name
                    for name in sorted(by_name, key=in_number_order)
                    if name not in places and takes(pattern, name, written)
                ]
                if not names and pattern not in places and not is_pattern(pattern):
                    missing = note("file missing", stage_no=number, stage_name=stage.name)
                    places[pattern] = _Place(pattern, None, "missing", missing)
                for name in names:
                    order_in_stage += kind == "pull"
                    file = by_name[name]
                    places[name] = _place_one(file, kind, stage_id, folder, book)
                    if places[name].state != "taken in":
                        continue
                    if file.sha256 in book.owner:
                        book.touch(book.owner[file.sha256][0])
                    book.own(file.sha256, folder, name)
                    reason, by = aside.get(file.sha256, (None, None))
                    log = _Log(file.sha256, kind, stage_id, order_in_stage, name, reason, by)
                    linked.logs.append(log)
    there = {one_form(name) for name in places}
    for one in card.set_aside:
        if one_form(one.file) not in there:
            places[one.file] = _Place(one.file, None, "missing", note("set aside is not there"))
    for file in files:
        name = file.name
        if name not in places:
            owner = book.owner.get(file.sha256)
            places[name] = (
                _unreadable(file)
                if file.state in ("refused", "untaught")
                else _same_bytes(file, owner)
                if owner is not None and owner[0] == folder
                else _Place(name, file.sha256, "waiting", note("not on the card"))
            )
    linked.places += places.values()


def _wholly_set_aside(card: JobCard, logs: list[_Log]) -> list[str]:
    """Return the stages of which a person left no pull to count."""
    found = []
    for number, stage in enumerate(card.stage, start=1):
        own = [log for log in logs if log.stage_id == f"{card.job}/{number}" and log.kind == "pull"]
        if own and all(log.set_aside_reason for log in own):
            found.append(f"{number} ({stage.name})")
    return found


def _same_bytes(file: _File, owner: tuple[str, str]) -> _Place:
    same = note("same bytes", file_name=owner[1], folder=owner[0])
    return _Place(file.name, file.sha256, "duplicate", same)


def _place_one(file: _File, kind: str, stage_id: str, folder: str, book: _Book) -> _Place:
    if file.state in ("refused", "untaught"):
        return _unreadable(file)
    if file.kind != kind:
        wrong = note("named as the wrong kind", named_as=kind, kind=file.kind)
        return _Place(file.name, file.sha256, "refused", wrong)
    owner = book.owner.get(file.sha256)
    if owner is not None and (owner[0] == folder or book.place[owner[0]] < book.place[folder]):
        return _same_bytes(file, owner)
    return _Place(file.name, file.sha256, "taken in", stage_id=stage_id)


def _write(
    connection: duckdb.DuckDBPyConnection, linked: dict[str, _Linked], wanted: dict[str, str]
) -> None:
    """Replace what stood for some folders, and drop what nothing refers to any more."""
    folders = list(linked)
    stages = (
        "SELECT stage_id FROM core.stage JOIN core.job USING (job_id) "
        "WHERE job_folder IN (SELECT unnest(?))"
    )
    for table in ("core.pull", "core.ride", "core.stage"):
        connection.execute(f"DELETE FROM {table} WHERE stage_id IN ({stages})", [folders])  # noqa: S608
    for table in ("core.job", "raw.outcome", "raw.linked"):
        store.delete(connection, table, "job_folder", folders)
    for table, key in (
        ("core.model", "model_id"),
        ("core.bike", "bike_id"),
        ("core.build", "build_id"),
        ("core.build_part", "build_id"),
        ("core.job", "job_id"),
        ("core.stage", "stage_id"),
    ):
        # Folders share models, bikes and builds: each row once, of two versions of one the last.
        rows: dict[tuple[Any, ...], dict[str, Any]] = {}
        for part in linked.values():
            for row in part.tables[table]:
                rows[tuple(row.values()) if table == "core.build_part" else (row[key],)] = row
        store.delete(connection, table, key, [str(row[key]) for row in rows.values()])
        store.insert(connection, table, store.frame(connection, table, list(rows.values())))
    # What several cards say of one bike or model: the last job's word, whichever was linked last.
    connection.execute(
        "UPDATE core.bike SET model_year = said.model_year, is_control = said.is_control FROM ("
        "SELECT bike_id, arg_max(model_year, (received_on, job_id)) AS model_year, "
        "arg_max(is_control, (received_on, job_id)) AS is_control FROM core.job GROUP BY bike_id"
        ") AS said WHERE bike.bike_id = said.bike_id AND (bike.model_year, bike.is_control) "
        "IS DISTINCT FROM (said.model_year, said.is_control)"
    )
    connection.execute(
        "UPDATE core.model SET cylinders = said.cylinders FROM ("
        "SELECT bike.model_id, arg_max(job.cylinders, (job.received_on, job.job_id)) AS cylinders "
        "FROM core.job AS job JOIN core.bike AS bike USING (bike_id) GROUP BY bike.model_id"
        ") AS said WHERE model.model_id = said.model_id "
        "AND model.cylinders IS DISTINCT FROM said.cylinders"
    )
    outcomes = [
        {
            "job_folder": folder,
            **place._asdict(),
            "reason_code": place.reason["code"] if place.reason else "",
        }
        for folder, part in linked.items()
        for place in part.places
    ]
    store.insert(connection, "raw.outcome", store.frame(connection, "raw.outcome", outcomes))
    marks = [{"job_folder": folder, "linked_from": wanted[folder]} for folder in folders]
    store.insert(connection, "raw.linked", store.frame(connection, "raw.linked", marks))
    _write_logs(connection, [log for part in linked.values() for log in part.logs])
    for table, key, user in (
        ("core.bike", "bike_id", "core.job"),
        ("core.model", "model_id", "core.bike"),
        ("core.build", "build_id", "core.stage"),
        ("core.build_part", "build_id", "core.build"),
    ):
        connection.execute(f"DELETE FROM {table} WHERE {key} NOT IN (SELECT {key} FROM {user})")  # noqa: S608


def _write_logs(connection: duckdb.DuckDBPyConnection, logs: list[_Log]) -> None:
    if not logs:
        return
    schema = dict.fromkeys(_Log._fields, pl.String) | {"number": pl.Int64}
    connection.register("log", pl.DataFrame(logs, schema=schema, orient="row"))
    head = "try_cast(facts ->> 'started_at' AS TIMESTAMP), rows_kept, rows_rejected"
    tail = (
        "facts ->> 'probe_place', (facts ->> 'probe_delay_s')::DOUBLE, "
        "(facts ->> 'is_delay_assumed')::BOOLEAN"
    )
    source = "FROM log JOIN raw.reading ON log.sha256 = reading.file_sha256 WHERE log.kind = "
    connection.execute(
        "INSERT INTO core.ride SELECT substr(sha256, 1, 16), stage_id, sha256, file_name, layout, "
        f"equipment, read_with, {head}, {tail} {source} 'ride'"
    )
    connection.execute(
        "INSERT INTO core.pull SELECT substr(sha256, 1, 16), stage_id, number, sha256, file_name, "
        f"layout, equipment, read_with, {head}, coalesce(facts ->> 'power_state', 'observed'), "
        "facts ->> 'file_standard', (facts ->> 'file_factor')::DOUBLE, "
        "(facts ->> 'ambient_temp_k')::DOUBLE, (facts ->> 'ambient_pressure_pa')::DOUBLE, "
        f"(facts ->> 'ambient_humidity_pct')::DOUBLE, {tail}, (facts ->> 'file_gear')::BIGINT, "
        f"set_aside_reason, set_aside_by {source} 'pull'"
    )
    connection.unregister("log")
