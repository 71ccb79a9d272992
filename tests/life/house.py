"""A small house for many lives: few tables, no waiting for the disk, no way out, named points."""

import contextlib
import errno
import json
import os
import shutil
import socket
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import duckdb
import pytest

from flows import derive as deriving
from flows import publish as publishing
from flows.derive import derive
from flows.intake import IntakeResult, take_in
from flows.publish import publish_snapshot
from flows.update import healing
from schemas.settings import read_settings
from tests.conftest import needed
from tests.studies.kill_study import Points, watch
from warehouse import statements, store
from warehouse.shop import ShopFolder

SHOWN = ("out.file", "out.shop_note", "out.shop_note_stage")
MADE = ("out.pull", "out.setting")


class Killed(BaseException):
    """The process is gone at this point."""


class Stop(Points):
    """Kills, or fills the disk, at the point of a number; what stands then on the disk is kept."""

    def __init__(self, root: Path, at: int, way: str) -> None:
        super().__init__(at)
        self.root, self.way = root, way
        self.where = ""

    def _pass(self, name: str, torn: Callable[[], object] = bool) -> None:
        is_here = not self.where and len(self.names) >= (self.kill_at or 0)
        self.names.append(name)
        if not is_here:
            return
        if self.way == "kill":
            self.where = name
            torn()
            # Whatever cleans up on its way out does so in a shop that is thrown away.
            shutil.copytree(self.root, self.twin)
            raise Killed
        kind = name.rpartition(" ")[0].rpartition(":")[2]
        if kind in ("commit", "move", "append") and name.endswith(":before"):
            self.where = name
            if kind == "commit":
                raise duckdb.IOException("Could not write file: No space left on device")
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    @property
    def twin(self) -> Path:
        """Return where the shop lies as the kill left it."""
        return self.root.with_name(self.root.name + " as left")

    @contextlib.contextmanager
    def stopping(self) -> Iterator[None]:
        """Stop the work within, if it comes to the point."""
        try:
            with watching(self):
                yield
        finally:
            if self.twin.exists():
                shutil.rmtree(self.root)
                self.twin.replace(self.root)


class Look(Points):
    """Lets somebody look at the shop at every point, numbered from 0."""

    def __init__(self, look: Callable[[int], object]) -> None:
        super().__init__(None)
        self._look = look

    def _pass(self, name: str, torn: Callable[[], object] = bool) -> None:
        self._look(len(self.names))
        super()._pass(name, torn)


@contextlib.contextmanager
def watching(points: Points) -> Iterator[None]:
    """Make points of what the work within keeps for good."""
    held = duckdb.connect, Path.open, Path.replace, Path.unlink
    watch(points)
    try:
        yield
    finally:
        duckdb.connect, Path.open, Path.replace, Path.unlink = held


CONNECT = socket.socket.connect
WITHIN = getattr(socket, "AF_UNIX", None)
"""The machine's own: it is how a process is asked for another one."""


def no_way_out(line: socket.socket, address: Any) -> None:
    """Stand for any connection to anywhere else."""
    assert line.family == WITHIN, "promise 9, private: something wanted to connect"
    CONNECT(line, address)


@contextlib.contextmanager
def small_house() -> Iterator[pytest.MonkeyPatch]:
    """Let a shop have only the tables that these lives look at: a quarter of the work."""
    every, checks = statements.definitions(), statements.checks()
    steps = needed(*MADE)
    wanted = {*SHOWN, *(t for step in steps for t in (*step.tables, *step.beside))}
    wanted |= {t for name in {*SHOWN, *(n for step in steps for n in step.reads)}
               for t in statements.rests_on(name)}  # fmt: skip
    small = {t: sql for t, sql in every.items() if not t.startswith("out.") or t in wanted}
    asked = tuple(c for c in checks if statements.tables_named(c.query) <= small.keys())
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(statements, "definitions", lambda: small)
        patch.setattr(statements, "fingerprint", lambda: "small")
        patch.setattr(statements, "checks", lambda: asked)
        patch.setattr(deriving, "STEPS", steps)
        patch.setattr(publishing, "STEPS", steps)
        patch.setattr(os, "fsync", lambda _: None)
        patch.setattr(duckdb, "connect", _as_written(duckdb.connect))
        patch.setattr(socket.socket, "connect", no_way_out)
        yield patch


def _as_written(connect: Callable[..., Any]) -> Callable[..., Any]:
    """Open databases that work queries out as they stand: for ten rows a better plan costs more."""

    def connected(*given: Any, **named: Any) -> Any:
        connection = connect(*given, **named)
        if not named.get("read_only"):  # a reader's settings are locked
            connection.execute("PRAGMA disable_optimizer")
        return connection

    return connected


class Seen(NamedTuple):
    """What one update said, and what stood when it ended."""

    taken: IntakeResult
    made: dict[str, int]
    told: list[str]
    rows: dict[str, list[tuple[Any, ...]]]
    is_alone: bool
    """Whether a second writer was refused meanwhile."""


LOOKED_AT = {
    "outcome": "SELECT job_folder, file_name, file_sha256, state, reason FROM raw.outcome",
    "pull": "SELECT file_sha256, stage_id, set_aside_reason, card_sha256, job_folder, rows_kept "
    "FROM core.pull JOIN core.stage USING (stage_id) JOIN core.job USING (job_id)",
    "ride": "SELECT file_sha256, stage_id FROM core.ride",
    "reading": "SELECT file_sha256, state, rows_read, rows_kept, rows_rejected, sample_path, "
    "sample_id, layout FROM raw.reading",
    "rejected": "SELECT file_sha256, count(*) FROM raw.rejected_row GROUP BY ALL",
    "arrival": "SELECT job_folder, file_name, file_sha256, is_present FROM raw.arrival "
    "WHERE is_current",
    "used": "SELECT file_name, is_used FROM out.pull",
}


def update(folder: ShopFolder, work: str, now: Any, settle_s: float = 0.0) -> Seen:
    """Take in; if the work is "publish", derive and publish too."""
    told: list[str] = []

    def act(connection: duckdb.DuckDBPyConnection) -> Seen:
        settings = read_settings(folder.settings)
        taken = take_in(connection, folder, settings, now=now, settle_s=settle_s)
        made: dict[str, int] = {}
        if work == "publish":
            made = derive(connection, folder, settings).made
            publish_snapshot(connection, folder, now=now, heal=told.append)
        rows = {name: connection.execute(q).fetchall() for name, q in LOOKED_AT.items()}
        return Seen(taken, made, told, rows, is_shut(folder))

    return healing(folder, act, told.append)


def is_shut(folder: ShopFolder) -> bool:
    """Whether a second writer is refused."""
    try:
        with store.writer(folder):
            return False
    except store.ShopIsBusyError:
        return True


def ledger_lines(folder: ShopFolder) -> list[dict[str, Any]]:
    """Return the whole lines of the archive's ledger; a torn end counts for nothing."""
    path = folder.archive / "arrivals.jsonl"
    text = path.read_text(encoding="utf-8") if path.is_file() else ""
    return [json.loads(line) for line in text[: text.rfind("\n") + 1].splitlines()]
