"""Faults that each break a promise: the machine must find every one."""

import socket
from collections.abc import Callable
from functools import partial
from hashlib import sha256
from pathlib import Path

import duckdb
import polars as pl
import pytest

from flows import intake, update
from flows.steps import acts, archive, cards, link, notes, read
from tests.conftest import NOW
from warehouse import archived, snapshot, store
from warehouse.damage import DamagedError

Patch = pytest.MonkeyPatch


def forgets_bytes(patch: Patch) -> None:
    """1, nothing is lost: empty files are written down and not kept."""
    keep = archive.write_whole
    patch.setattr(
        archive, "write_whole", lambda path, data, **how: data and keep(path, data, **how)
    )


def writes_down_all_but_the_last(patch: Patch) -> None:
    """1, nothing is lost: of several lines the last is left to the database alone."""
    write = archive.append
    patch.setattr(archive, "append", lambda shop, lines: write(shop, lines[:-1] or lines))


def packs_without_looking(patch: Patch) -> None:
    """1, nothing is lost: the plain bytes go, and the packed ones were cut short."""
    pack = archived._pack_one

    def cut(shop: object, path: Path) -> int | None:
        fewer = pack(shop, path)  # type: ignore[arg-type]
        for packed in path.parent.glob(f"{path.name}.zst"):
            packed.write_bytes(packed.read_bytes()[:-9])
        return fewer

    patch.setattr(archived, "_pack_one", cut)


def gives_a_number_twice(patch: Patch) -> None:
    """11, nothing stops the shop: two arrivals bear one number, which the database refuses."""
    last = archive.last_arrival_no
    patch.setattr(archive, "last_arrival_no", lambda connection: max(last(connection) - 1, 0))


def goes_by_the_clock(patch: Patch) -> None:
    """5, figures lead home: which of two cards is in force hangs on the machine's clock."""
    _in_sql(patch, cards, "arg_max(file_sha256, last_no)", "arg_max(file_sha256, modified_ns)")


def lets_two_write(patch: Patch) -> None:
    """4, one writer: nobody waits for the lock."""
    patch.setattr(store.filelock, "FileLock", lambda *_, **__: _Open())


class _Open:
    def acquire(self, timeout: float = 0.0) -> None:
        """Lock nothing."""

    def release(self) -> None:
        """Release nothing."""


def points_too_early(patch: Patch) -> None:
    """4, many readers: the pointer is written before what it points to."""
    made = snapshot._Maker.made

    def early(self: snapshot._Maker, target: Path, *given: object) -> object:
        found = snapshot.Snapshot(self._number, target, NOW, "", 0, "", (), "")
        snapshot._point(self._folder, found)
        return made(self, target, *given)  # type: ignore[arg-type]

    patch.setattr(snapshot._Maker, "made", early)


def leads_to_another_card(patch: Patch) -> None:
    """5, figures lead home: a card with a slip is named behind figures that the former made."""
    rows = link._job_rows

    def wrong(linked: object, folder: str, sha: str, card: object) -> None:
        told = linked.places[0].file_sha256 if linked.places else sha  # type: ignore[attr-defined]
        rows(linked, folder, told, card)  # type: ignore[arg-type]

    patch.setattr(link, "_job_rows", wrong)


def drops_rows(patch: Patch) -> None:
    """6, no silent repair: bad rows leave no trace."""
    kept = read._keep
    patch.setattr(
        read, "_keep", lambda c, batch, rules: kept(c, batch._replace(rejected=[]), rules)
    )


def hides_duplicates(patch: Patch) -> None:
    """6, no silent repair: of a second copy nothing is said."""
    write = link._write

    def silent(connection: object, linked: dict, wanted: dict) -> None:
        for one in linked.values():
            one.places = [place for place in one.places if place.state != "duplicate"]
        write(connection, linked, wanted)  # type: ignore[arg-type]

    patch.setattr(link, "_write", silent)


def reads_all_anew(patch: Patch) -> None:
    """7, small work: a new file has all others read again."""
    load = intake.load_cards

    def forget(connection: duckdb.DuckDBPyConnection, shop: object) -> int:
        connection.execute("UPDATE raw.reading SET recognised_with = '', read_with = ''")
        return load(connection, shop)  # type: ignore[arg-type]

    patch.setattr(intake, "load_cards", forget)


def takes_kilowatts_for_watts(patch: Patch) -> None:
    """8, honest units: what was logged in kW is kept as if it were W."""
    write = read._write_samples

    def unlike(shop: object, kind: str, name: str, frame: pl.DataFrame) -> str:
        return write(shop, kind, name, frame.with_columns(pl.col("wheel_power_w") / 1000))  # type: ignore[arg-type]

    patch.setattr(read, "_write_samples", unlike)


def keeps_positions(patch: Patch) -> None:
    """9, private: where somebody rode stands in the samples."""
    write = read._write_samples

    def telling(shop: object, kind: str, name: str, frame: pl.DataFrame) -> str:
        if kind == "ride":
            frame = frame.with_columns(pl.lit(-41.87).alias("latitude_deg"))
        return write(shop, kind, name, frame)  # type: ignore[arg-type]

    patch.setattr(read, "_write_samples", telling)


def asks_outside(patch: Patch) -> None:
    """9 and 10, private and offline: a refused file is reported to somebody."""
    write = intake.write_notes

    def asking(connection: object, shop: object, arriving: object = ()) -> int:
        with socket.socket() as line:
            line.connect(("127.0.0.1", 9))
        return write(connection, shop, arriving)  # type: ignore[arg-type]

    patch.setattr(intake, "write_notes", asking)


def names_notes_as_the_job(patch: Patch) -> None:
    """10, any desk: a note is named with a sign that Windows does not take."""
    name = notes.note_name
    patch.setattr(notes, "note_name", lambda folder, file: f"{folder}|{name(folder, file)}")


def stops_at_a_bad_file(patch: Patch) -> None:
    """11, one bad file never stops the shop: an empty one does."""
    guarded = read.open_guarded

    def strict(worker: object, sha: str, *given: object) -> object:
        if sha == sha256(b"").hexdigest():
            raise DamagedError("an empty file")  # within the guard it would be this file's alone
        return guarded(worker, sha, *given)  # type: ignore[arg-type]

    patch.setattr(read, "open_guarded", strict)


def mends_in_silence(patch: Patch) -> None:
    """12, damage is told: what was put aside and made again is not."""
    patch.setattr(update.store, "writer", partial(_silent, store.writer))
    patch.setattr(intake, "forget_lost_samples", _said_nothing(intake.forget_lost_samples))


def tells_no_going(patch: Patch) -> None:
    """13, hands are told: a card or note that was taken out leaves no line."""
    told = acts._of_arrival

    def silent(shop: object, line: dict, before: object) -> list:
        return [] if "taken_out_at" in line else told(shop, line, before)  # type: ignore[arg-type]

    patch.setattr(acts, "_of_arrival", silent)


def _silent(writer: Callable, shop: object, **how: object) -> object:
    heal = how.pop("heal", None)
    return writer(shop, heal=(lambda _: None) if heal else None, **how)


def _said_nothing(act: Callable) -> Callable:
    return lambda *given: act(*given) and []


def _in_sql(patch: Patch, module: object, said: str, other: str) -> None:
    """Let a module ask something else."""
    load = module.load_cards  # type: ignore[attr-defined]

    def asked(connection: object, shop: object) -> int:
        return load(_Asked(connection, said, other), shop)

    patch.setattr(intake, "load_cards", asked)


class _Asked:
    """A connection that changes what it is asked."""

    def __init__(self, connection: object, said: str, other: str) -> None:
        self._connection, self._said, self._other = connection, said, other

    def execute(self, query: str, *values: object) -> object:
        """Ask it otherwise."""
        return self._connection.execute(query.replace(self._said, self._other), *values)  # type: ignore[attr-defined]

    def __getattr__(self, name: str) -> object:
        return getattr(self._connection, name)


FAULTS = (
    forgets_bytes,
    writes_down_all_but_the_last,
    gives_a_number_twice,
    goes_by_the_clock,
    lets_two_write,
    points_too_early,
    leads_to_another_card,
    drops_rows,
    hides_duplicates,
    reads_all_anew,
    takes_kilowatts_for_watts,
    keeps_positions,
    asks_outside,
    names_notes_as_the_job,
    stops_at_a_bad_file,
    mends_in_silence,
    packs_without_looking,
    tells_no_going,
)
