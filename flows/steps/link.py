"""Gives each file its place: which job, which stage, or why it has none yet.

Works a job folder at a time, from its card in force and what came of reading its files, and only
on folders where either changed. First come, first served: of two claims on the same bytes, the
same job number or the same bike, the folder that arrived first is right.
"""

from __future__ import annotations

import hashlib
import json
from fnmatch import fnmatchcase
from typing import NamedTuple

import duckdb
import polars as pl

from flows.steps.progress import Progress
from flows.steps.read import CARD_NAME
from schemas.card import CATEGORIES, ETHANOL_SHARE, JobCard, Stage, read_card
from warehouse import store

BATCH_FOLDERS = 100
LINK_VERSION = 1
"""Raise it when linking changes what it gives for the same cards and readings."""


class _File(NamedTuple):
    """A file that stands in a folder, with what came of reading it."""

    name: str
    sha256: str
    state: str
    kind: str | None
    reason_code: str
    reason: str
    remedy: str


class _Place(NamedTuple):
    """Where one file of a folder stands."""

    file_name: str
    sha256: str | None
    state: str
    reason_code: str = ""
    reason: str = ""
    remedy: str = ""
    stage_id: str | None = None


def link_jobs(connection: duckdb.DuckDBPyConnection, progress: Progress) -> list[str]:
    """Bring jobs, stages, builds, pulls and rides up to the cards and readings.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        Writer.
    progress : callable
        Called with done, total and a word.

    Returns
    -------
    list of str
        Job folders that were linked anew.
    """
    wanted = _wanted(connection)
    standing = dict(connection.execute("SELECT job_folder, linked_from FROM raw.linked").fetchall())
    order = list(wanted)
    claims = _Claims(connection, order)
    queue = [folder for folder in order if standing.get(folder) != wanted[folder]]
    done: list[str] = []
    while queue:
        # A commit waits for the disk: one for many folders, all of them linked or none.
        batch, queue = queue[:BATCH_FOLDERS], queue[BATCH_FOLDERS:]
        with store.transaction(connection):
            while batch:
                folder = batch.pop(0)
                touched = _link(connection, folder, claims)
                connection.execute(
                    "INSERT OR REPLACE INTO raw.linked VALUES (?, ?)", [folder, wanted[folder]]
                )
                done.append(folder)
                waiting = {*batch, *queue, folder}
                batch += [other for other in dict.fromkeys(touched) if other not in waiting]
        progress(len(done), len(done) + len(queue), "linking")
    return done


def _wanted(connection: duckdb.DuckDBPyConnection) -> dict[str, str]:
    """Return what each folder is to be linked from, folders in the order of their arrival."""
    rows = connection.execute(
        "SELECT arrival.job_folder, md5(string_agg(concat_ws('|', arrival.file_name, "
        "arrival.file_sha256, reading.state, reading.read_with, card.is_in_force, card.problems), "
        "';' ORDER BY arrival.file_name, arrival.file_sha256)) "
        "FROM raw.arrival AS arrival "
        "LEFT JOIN raw.reading AS reading USING (file_sha256) "
        "LEFT JOIN raw.card AS card ON arrival.job_folder = card.job_folder "
        "AND arrival.file_sha256 = card.file_sha256 "
        "WHERE arrival.is_current OR card.is_in_force "
        "GROUP BY arrival.job_folder ORDER BY min(arrival.arrival_no)"
    ).fetchall()
    return {folder: f"{LINK_VERSION}|{digest}" for folder, digest in rows}


class _Claims:
    """Which folder holds which bytes, and which folder came first."""

    def __init__(self, connection: duckdb.DuckDBPyConnection, order: list[str]) -> None:
        self.place = {folder: number for number, folder in enumerate(order)}
        self.owner: dict[str, tuple[str, str]] = {
            sha: (folder, name)
            for sha, folder, name in connection.execute(
                "SELECT log.file_sha256, job.job_folder, log.file_name FROM ("
                "SELECT file_sha256, stage_id, file_name FROM core.pull UNION ALL "
                "SELECT file_sha256, stage_id, file_name FROM core.ride) AS log "
                "JOIN core.stage AS stage USING (stage_id) JOIN core.job AS job USING (job_id)"
            ).fetchall()
        }


def _link(connection: duckdb.DuckDBPyConnection, folder: str, claims: _Claims) -> list[str]:
    """Link one folder; return other folders whose claims changed by it."""
    files = [
        _File(*row)
        for row in connection.execute(
            "SELECT arrival.file_name, arrival.file_sha256, coalesce(reading.state, 'card'), "
            "reading.layout_kind, coalesce(reading.reason_code, ''), coalesce(reading.reason, ''), "
            "coalesce(reading.remedy, '') FROM raw.arrival AS arrival "
            "LEFT JOIN raw.reading AS reading USING (file_sha256) "
            "WHERE arrival.job_folder = ? AND arrival.is_current AND arrival.file_name <> ? "
            "ORDER BY arrival.file_name",
            [folder, CARD_NAME],
        ).fetchall()
    ]
    card_row = connection.execute(
        "SELECT file_sha256, problems FROM raw.card JOIN raw.arrival "
        "USING (job_folder, file_sha256) WHERE job_folder = ? AND file_name = ? AND is_current",
        [folder, CARD_NAME],
    ).fetchone()
    in_force = connection.execute(
        "SELECT file_sha256, card_text FROM raw.card WHERE job_folder = ? AND is_in_force", [folder]
    ).fetchone()
    released = _forget(connection, folder)
    for sha in released:
        claims.owner.pop(sha, None)
    card = read_card(in_force[1]) if in_force else None
    refusal = _contradiction(connection, card) if card else None
    places: list[_Place] = []
    touched: list[str] = []
    if card_row:
        places.append(_card_place(card_row, refusal, card is not None))
    if card is None or in_force is None or refusal is not None:
        places += [_waiting(file, card_row is not None, folder) for file in files]
    else:
        _load_job(connection, folder, in_force[0], card)
        found, touched = _place_files(connection, card, files, folder, claims)
        places += found
    _write_outcomes(connection, folder, places)
    held = {place.sha256 for place in places if place.state == "taken in"}
    freed = [sha for sha in released if sha not in held]
    touched += [
        other
        for (other,) in connection.execute(
            "SELECT DISTINCT job_folder FROM raw.outcome "
            "WHERE state = 'duplicate' AND file_sha256 IN (SELECT unnest(?)) AND job_folder <> ?",
            [freed, folder],
        ).fetchall()
    ]
    if card is not None and refusal is None:
        return touched
    return touched + _waiting_on_names(connection, folder)


def _waiting_on_names(connection: duckdb.DuckDBPyConnection, folder: str) -> list[str]:
    """Return folders whose card was turned away because of this one."""
    return [
        other
        for (other,) in connection.execute(
            "SELECT DISTINCT job_folder FROM raw.outcome WHERE state = 'refused' "
            "AND reason_code = 'card contradicts another' AND job_folder <> ? AND remedy LIKE ?",
            [folder, f"%{folder}%"],
        ).fetchall()
    ]


def _forget(connection: duckdb.DuckDBPyConnection, folder: str) -> list[str]:
    """Take out what stood for this folder; return the bytes it held."""
    job = connection.execute("SELECT 1 FROM core.job WHERE job_folder = ?", [folder]).fetchone()
    if job is None:
        return []
    stages = [
        stage
        for (stage,) in connection.execute(
            "SELECT stage_id FROM core.stage JOIN core.job USING (job_id) WHERE job_folder = ?",
            [folder],
        ).fetchall()
    ]
    held = [
        sha
        for (sha,) in connection.execute(
            "SELECT file_sha256 FROM core.pull WHERE stage_id IN (SELECT unnest(?)) "
            "UNION ALL SELECT file_sha256 FROM core.ride WHERE stage_id IN (SELECT unnest(?))",
            [stages, stages],
        ).fetchall()
    ]
    for table in ("core.pull", "core.ride", "core.stage"):
        store.delete(connection, table, "stage_id", stages)
    store.delete(connection, "core.job", "job_folder", [folder])
    connection.execute("DELETE FROM core.bike WHERE bike_id NOT IN (SELECT bike_id FROM core.job)")
    connection.execute(
        "DELETE FROM core.model WHERE model_id NOT IN (SELECT model_id FROM core.bike)"
    )
    for table in ("core.build_part", "core.build"):
        connection.execute(
            f"DELETE FROM {table} WHERE build_id NOT IN (SELECT build_id FROM core.stage)"  # noqa: S608
        )
    return held


def _contradiction(connection: duckdb.DuckDBPyConnection, card: JobCard) -> tuple[str, str] | None:
    """Return reason and remedy if another folder's card says otherwise."""
    row = connection.execute(
        "SELECT job_folder FROM core.job WHERE job_id = ?", [card.job]
    ).fetchone()
    if row:
        return (
            f"job {card.job!r} is already in the book, from folder {row[0]!r}",
            f"Give this job a number of its own, or move its files into {row[0]!r}.",
        )
    row = connection.execute(
        "SELECT bike.model_id, any_value(job.job_folder) FROM core.bike AS bike "
        "JOIN core.job AS job USING (bike_id) WHERE bike.bike_id = ? GROUP BY bike.model_id",
        [card.bike.reference],
    ).fetchone()
    if row and row[0] != card.bike.model_id:
        return (
            f"bike {card.bike.reference!r} is a {row[0]} by the card in folder {row[1]!r}, "
            f"and a {card.bike.model_id} by this one",
            f"Correct the bike's reference or model here or in {row[1]!r}.",
        )
    row = connection.execute(
        "SELECT model.induction, any_value(job.job_folder) FROM core.model AS model "
        "JOIN core.bike AS bike USING (model_id) JOIN core.job AS job USING (bike_id) "
        "WHERE model.model_id = ? GROUP BY model.induction",
        [card.bike.model_id],
    ).fetchone()
    if row and row[0] != card.bike.induction:
        return (
            f"a {card.bike.model_id} has {row[0]} induction by the card in folder {row[1]!r}, "
            f"and {card.bike.induction} by this one",
            f"Correct bike.induction here or in {row[1]!r}.",
        )
    return None


def _card_place(
    card_row: tuple[str, str], refusal: tuple[str, str] | None, has_card: bool
) -> _Place:
    sha, problems = card_row
    if problems:
        kept = " An earlier card without mistakes stays in force." if has_card else ""
        return _Place(
            CARD_NAME,
            sha,
            "refused",
            "card has mistakes",
            problems,
            f"Correct these lines in card.toml and save it; nothing else is needed.{kept}",
        )
    if refusal is not None:
        return _Place(CARD_NAME, sha, "refused", "card contradicts another", *refusal)
    return _Place(CARD_NAME, sha, "card")


def _waiting(file: _File, has_card: bool, folder: str) -> _Place:
    if file.state in ("refused", "untaught"):
        return _unreadable(file)
    if folder == ".":
        return _Place(
            file.name,
            file.sha256,
            "waiting",
            "no job folder",
            "the file lies in the inbox itself, not in a job's folder",
            "Make a folder for the job, with a card.toml, and move the file there.",
        )
    if has_card:
        return _Place(
            file.name,
            file.sha256,
            "waiting",
            "card has mistakes",
            "the folder's card.toml cannot be used yet",
            "Correct the card; this file is then taken in by itself.",
        )
    return _Place(
        file.name,
        file.sha256,
        "waiting",
        "no card",
        "the folder has no card.toml, so nobody knows which bike this is",
        "Write a card.toml beside the files; they are then taken in by themselves.",
    )


def _unreadable(file: _File) -> _Place:
    state = "waiting" if file.state == "untaught" else "refused"
    return _Place(file.name, file.sha256, state, file.reason_code, file.reason, file.remedy)


def _load_job(
    connection: duckdb.DuckDBPyConnection, folder: str, card_sha: str, card: JobCard
) -> None:
    bike = card.bike
    connection.execute(
        "INSERT OR REPLACE INTO core.model VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        [
            bike.model_id,
            bike.make,
            bike.model,
            *bike.generation,
            bike.displacement_cc,
            bike.cylinders,
            bike.induction,
        ],
    )
    connection.execute(
        "INSERT OR REPLACE INTO core.bike VALUES (?, ?, ?, ?)",
        [bike.reference, bike.model_id, bike.year, bike.control],
    )
    connection.execute(
        "INSERT INTO core.job VALUES (?, ?, ?, ?, ?)",
        [card.job, folder, bike.reference, card.received, card_sha],
    )
    for number, stage in enumerate(card.stage, start=1):
        build_id = _load_build(connection, stage)
        stage_id = f"{card.job}/{number}"
        mounting = stage_id if stage.mounting is None else f"{card.job}/mounting {stage.mounting}"
        connection.execute(
            "INSERT INTO core.stage VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [
                stage_id,
                card.job,
                bike.reference,
                number,
                stage.name,
                build_id,
                mounting,
                stage.gear,
                stage.tyre,
                stage.dyno,
                stage.target_lambda,
            ],
        )


def _load_build(connection: duckdb.DuckDBPyConnection, stage: Stage) -> str:
    parts = sorted((part.category, part.maker, part.name) for part in stage.parts)
    parts.sort(key=lambda part: CATEGORIES.index(part[0]))
    map_name, revision, origin = "stock", None, None
    if stage.map != "stock":
        map_name, revision, origin = (
            stage.map.name,
            stage.map.revision,
            stage.map.from_revision,
        )
    state = json.dumps([parts, map_name, revision, stage.fuel], ensure_ascii=False)
    build_id = hashlib.sha256(state.encode()).hexdigest()[:12]
    categories = list(dict.fromkeys(category for category, _, _ in parts))
    connection.execute(
        "INSERT OR REPLACE INTO core.build VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        [
            build_id,
            map_name,
            revision,
            origin,
            stage.fuel,
            ETHANOL_SHARE.get(stage.fuel.upper()),
            " + ".join(categories) or "standard parts",
            "; ".join(f"{category}: {maker} {name}" for category, maker, name in parts)
            or "standard parts",
        ],
    )
    for part in parts:
        connection.execute(
            "INSERT OR REPLACE INTO core.build_part VALUES (?, ?, ?, ?)", [build_id, *part]
        )
    return build_id


def _place_files(
    connection: duckdb.DuckDBPyConnection,
    card: JobCard,
    files: list[_File],
    folder: str,
    claims: _Claims,
) -> tuple[list[_Place], list[str]]:
    """Give the card's files to its stages; return all places and folders that lost a claim."""
    places: dict[str, _Place] = {}
    logs: list[_Log] = []
    touched: list[str] = []
    by_name = {file.name: file for file in files}
    for number, stage in enumerate(card.stage, start=1):
        stage_id = f"{card.job}/{number}"
        order_in_stage = 0
        for kind, patterns in (("pull", stage.pulls), ("ride", stage.rides)):
            for pattern in patterns:
                names = sorted(n for n in by_name if n not in places and fnmatchcase(n, pattern))
                if not names and pattern not in places and not _is_glob(pattern):
                    places[pattern] = _Place(
                        pattern,
                        None,
                        "missing",
                        "file missing",
                        f"the card names this file under stage {number} ({stage.name}), "
                        "and it is not in the folder",
                        "Put the file into the folder, or take its name off the card.",
                    )
                for name in names:
                    order_in_stage += kind == "pull"
                    file = by_name[name]
                    place = _place_one(file, kind, stage_id, folder, claims)
                    places[name] = place
                    if place.state != "taken in":
                        continue
                    if file.sha256 in claims.owner:
                        touched.append(claims.owner[file.sha256][0])
                    claims.owner[file.sha256] = (folder, name)
                    logs.append(_Log(file.sha256, kind, stage_id, order_in_stage, name))
    for name, file in by_name.items():
        if name not in places:
            places[name] = (
                _unreadable(file)
                if file.state in ("refused", "untaught")
                else _Place(
                    name,
                    file.sha256,
                    "waiting",
                    "not on the card",
                    "the folder's card does not name this file",
                    "Write its name under the stage it belongs to, on the card.",
                )
            )
    _load_logs(connection, logs)
    return list(places.values()), touched


class _Log(NamedTuple):
    """A file that belongs to a stage."""

    sha256: str
    kind: str
    stage_id: str
    number: int
    file_name: str


def _is_glob(pattern: str) -> bool:
    return any(mark in pattern for mark in "*?[")


def _place_one(file: _File, kind: str, stage_id: str, folder: str, claims: _Claims) -> _Place:
    if file.state in ("refused", "untaught"):
        return _unreadable(file)
    if file.kind != kind:
        return _Place(
            file.name,
            file.sha256,
            "refused",
            "named as the wrong kind",
            f"the card names it as a {kind}, and its layout says it is a {file.kind}",
            f"Move its name to {file.kind}s on the card.",
        )
    owner = claims.owner.get(file.sha256)
    if owner is not None and (owner[0] == folder or claims.place[owner[0]] < claims.place[folder]):
        return _Place(
            file.name,
            file.sha256,
            "duplicate",
            "same bytes",
            f"byte for byte the same as {owner[1]} in folder {owner[0]}",
            "Nothing to do: it counts once. If it should be another run, export that run.",
        )
    return _Place(file.name, file.sha256, "taken in", stage_id=stage_id)


def _load_logs(connection: duckdb.DuckDBPyConnection, logs: list[_Log]) -> None:
    if not logs:
        return
    shas = [log.sha256 for log in logs]
    for table in ("core.pull", "core.ride"):
        store.delete(connection, table, "file_sha256", shas)
    connection.register("log", pl.DataFrame(logs, schema=_Log._fields, orient="row"))
    head = "try_cast(facts ->> 'started_at' AS TIMESTAMP), rows_kept, rows_rejected"
    tail = "facts ->> 'probe_place', (facts ->> 'probe_delay_s')::DOUBLE"
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
        f"(facts ->> 'ambient_humidity_pct')::DOUBLE, {tail}, (facts ->> 'file_gear')::BIGINT "
        f"{source} 'pull'"
    )
    connection.unregister("log")


def _write_outcomes(
    connection: duckdb.DuckDBPyConnection, folder: str, places: list[_Place]
) -> None:
    store.delete(connection, "raw.outcome", "job_folder", [folder])
    records = [
        {
            "job_folder": folder,
            "file_name": place.file_name,
            "file_sha256": place.sha256,
            "state": place.state,
            "reason_code": place.reason_code,
            "reason": place.reason,
            "remedy": place.remedy,
            "stage_id": place.stage_id,
        }
        for place in places
    ]
    store.insert(connection, "raw.outcome", store.frame(connection, "raw.outcome", records))
