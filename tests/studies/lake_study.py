"""Eight shops write one lake while writers and server are killed: nothing is lost or doubled.

`python -m tests.studies.lake_study` writes `lake_study.md`. It needs PostgreSQL's programs and the
lake's client, whose Python is named by ROLLBOOK_LAKE_PYTHON.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import pwd
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import duckdb
import psutil

from tests.studies.lake_writer import client_python, noted
from warehouse.many import Batch, ManyShops
from warehouse.many.embedded import Embedded
from warehouse.many.lake import Lake

SHOPS, BATCHES, KILLS, SERVER_STOPS, STATES = 8, 200, 100, 4, 6
ROWS = 40
"""Comparisons of a publish; a shop's first share file of the demo has some hundreds."""
MOST_S = 900.0
TABLE = Path(__file__).with_suffix(".md")


def server_programs() -> Path | None:
    """Return the folder of PostgreSQL's programs, Debian's or what is on the path."""
    on_path = shutil.which("initdb")
    found = [*sorted(Path("/usr/lib/postgresql").glob("*/bin"))]
    return Path(on_path).resolve().parent if on_path else (found[-1] if found else None)


class Server:
    """A PostgreSQL of our own: a new data folder, a socket in it and no port of the network."""

    def __init__(self, folder: Path) -> None:
        programs = server_programs()
        assert programs is not None
        self._programs, self._folder = programs, folder
        folder.mkdir()
        # It refuses to run as root; where we are root, it gets the user its package made for it.
        self._as: dict[str, Any] = {}
        if os.geteuid() == 0:
            self._as = {"user": "postgres"}
            os.chown(folder, pwd.getpwnam("postgres").pw_uid, -1)
        self._run("initdb", "-A", "trust", "-U", "lake", "-E", "UTF8", "--no-locale")
        self.start()

    @property
    def catalogue(self) -> str:
        return f"dbname=postgres user=lake host={self._folder}"

    def start(self) -> None:
        options = f"-k {self._folder} -c listen_addresses= -c max_connections=200"
        self._run("pg_ctl", "-w", "-l", str(self._folder / "log"), "-o", options, "start")

    def stop(self) -> None:
        """End it at once, as by a power cut: no connection is asked."""
        self._run("pg_ctl", "-w", "-m", "immediate", "stop")

    def asked(self, query: str) -> int:
        told = self._run("psql", "-U", "lake", "-h", str(self._folder), "-Atc", query, "postgres")
        return int(told)

    def _run(self, program: str, *rest: str) -> str:
        data = () if program == "psql" else ("-D", str(self._folder / "data"))
        done = subprocess.run(
            [str(self._programs / program), *data, *rest],
            cwd=self._folder, check=True, stdout=subprocess.PIPE if program == "psql" else
            subprocess.DEVNULL, text=True, **self._as,
        )  # fmt: skip
        return done.stdout or ""


@contextlib.contextmanager
def place() -> Iterator[tuple[Server, Path]]:
    """Give a server, and a folder that all share."""
    with tempfile.TemporaryDirectory(prefix="lake") as made:
        folder = Path(made)
        folder.chmod(0o755)
        server = Server(folder / "server")
        try:
            yield server, folder
        finally:
            server.stop()


def lake_at(server: Server, folder: Path) -> Lake:
    return Lake(server.catalogue, folder / "rows", Path(client_python()))


def invented(folder: Path, shops: int, batches: int) -> list[list[Batch]]:
    """Write the same invented rows whoever asks: in half of them a column that others lack."""
    folder.mkdir(exist_ok=True)
    found = []
    for shop in range(shops):
        found.append([])
        for number in range(1, batches + 1):
            path = folder / f"{shop}-{number}.parquet"
            more = ", i % 3 = 0 AS is_tuned" if number % 2 else ""
            duckdb.sql(
                f"SELECT 'bike ' || i AS bike, sin(i * {number} + {shop}) AS log_gain, "  # noqa: S608
                f"CASE WHEN i % 7 > 0 THEN cos(i) / {number} END AS variance{more} "
                f"FROM range({ROWS}) AS t(i)"
            ).write_parquet(str(path))
            content = hashlib.sha256(path.read_bytes()).hexdigest()
            found[-1].append(Batch(f"shop {shop}", number, content, {"comparisons": path}))
    return found


def content_of(many: ManyShops, folder: Path, state: int, table: str) -> str:
    """Return a hash of a table's rows in a state, whatever their order."""
    into = folder / f"read-{random.randrange(10**9)}.parquet"
    many.read(table, into, state)
    rows = duckdb.sql(f"FROM '{into}' ORDER BY ALL").fetchall()
    names = duckdb.sql(f"DESCRIBE FROM '{into}'").fetchall()
    into.unlink()
    return hashlib.sha256(repr((sorted(n for n, *_ in names), rows)).encode()).hexdigest()


class Writer:
    """One writer's process, started anew until it is through."""

    def __init__(self, server: Server, folder: Path, shop: int, batches: int) -> None:
        self._given = [server.catalogue, str(folder), str(shop), str(batches)]
        self.notes = folder / f"notes-{shop}"
        self.log = folder / f"log-{shop}"
        self.start()

    def start(self) -> None:
        with self.log.open("a") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "tests.studies.lake_writer", *self._given],
                stderr=log,
            )

    def kill(self, chance: random.Random) -> bool:
        """End the writer, its client, or both, wherever they are."""
        ours = psutil.Process(self.process.pid)
        children = ours.children(recursive=True)
        if not children:
            return False
        which = chance.choice(["writer", "client", "both"])
        for one in [
            *(children if which != "writer" else []),
            *([ours] if which != "client" else []),
        ]:
            with contextlib.suppress(psutil.NoSuchProcess):
                one.send_signal(signal.SIGKILL)
        if which != "client":
            self.process.wait()
            self.start()
        return True


class Told(NamedTuple):
    """What came of a run under kills."""

    kills: int
    server_stops: int
    seconds: float
    lost: int
    doubled: int
    states: int
    states_changed: int
    is_equal: bool
    given_twice: int
    orphans: int


def under_kills(shops: int, batches: int, kills: int, server_stops: int, seed: int = 1) -> Told:
    """Let shops write at once and end what can be ended; then compare with the embedded file."""
    chance = random.Random(seed)
    with place() as (server, folder):
        given = invented(folder / "given", shops, batches)
        lake = lake_at(server, folder)
        lake.state()
        started = time.monotonic()
        writers = [Writer(server, folder, shop, batches) for shop in range(shops)]
        done, stopped, seen = 0, 0, {}
        while any(one.process.poll() is None for one in writers):
            assert time.monotonic() - started < MOST_S, [w.log.read_text()[-300:] for w in writers]
            share = sum(len(noted(one.notes)) for one in writers) / (shops * batches)
            if share * (STATES + 1) > len(seen) + 1:
                state = lake.state()
                seen[state] = content_of(lake, folder, state, "comparisons")
            if share * (server_stops + 1) > stopped + 1:
                stopped += 1
                server.stop()
                time.sleep(chance.uniform(0.2, 1.0))
                server.start()
            alive = [one for one in writers if one.process.poll() is None]
            if done < kills and share * kills * 1.1 >= done and alive:
                done += chance.choice(alive).kill(chance)
            time.sleep(chance.uniform(0.01, 0.1))
        seconds = time.monotonic() - started
        assert not any(one.process.returncode for one in writers), [
            w.log.read_text() for w in writers
        ]
        return _compared(server, folder, given, lake, seen, done, stopped, seconds)


def _compared(
    server: Server, folder: Path, given: list[list[Batch]], lake: Lake, seen: dict[int, str],
    kills: int, stops: int, seconds: float,
) -> Told:  # fmt: skip
    file = Embedded(folder / "embedded")
    for batch in (one for of_shop in zip(*given, strict=True) for one in of_shop):
        assert file.append(batch)
    assert not any(file.append(batch) for batch in given[0])  # twice
    newest = lake.state()
    lake.read("ledger", folder / "ledger.parquet", newest)
    ledger = duckdb.read_parquet(str(folder / "ledger.parquet")).project("shop, number").fetchall()
    lake.read("comparisons", folder / "all.parquet", newest)
    rows = duckdb.sql(
        f"SELECT shop, number, count(*) FROM '{folder / 'all.parquet'}' GROUP BY ALL"  # noqa: S608
    ).fetchall()
    wanted = {(one.shop, one.number) for of_shop in given for one in of_shop}
    here = {(shop, number): count for shop, number, count in rows}
    known = server.asked("SELECT count(*) FROM ducklake_data_file")
    files = sum(1 for _ in (folder / "rows").rglob("*.parquet"))
    lines = [line for notes in folder.glob("notes-*") for line in notes.read_text().splitlines()]
    told = Told(
        kills,
        stops,
        seconds,
        lost=sum(here.get(one, 0) < ROWS or one not in ledger for one in wanted),
        doubled=len(ledger) - len(set(ledger)) + sum(count > ROWS for count in here.values()),
        states=len(seen),
        states_changed=sum(
            content_of(lake, folder, state, "comparisons") != then for state, then in seen.items()
        ),
        is_equal=all(
            content_of(lake, folder, newest, table) == content_of(file, folder, file.state(), table)
            for table in ("ledger", "comparisons")
        ),
        given_twice=sum(line.split()[2] == "0" for line in lines),
        orphans=files - known,
    )
    lake.close()
    return told


class Pace(NamedTuple):
    """What a commit costs with so many writers at once."""

    writers: int
    batches: int
    seconds_a_commit: float
    commits_a_second: float
    catalogue_rows_a_batch: float
    catalogue_bytes_a_batch: float
    row_bytes_a_batch: float


COUNTED = (
    "SELECT sum((xpath('/row/c/text()', query_to_xml(format('SELECT count(*) AS c FROM %I', "
    "tablename), false, true, '')))[1]::text::bigint) FROM pg_tables "
    "WHERE tablename LIKE 'ducklake%'"
)
SIZED = (
    "SELECT sum(pg_total_relation_size(quote_ident(tablename)::regclass)) FROM pg_tables "
    "WHERE tablename LIKE 'ducklake%'"
)


def pace(shops: int, batches: int) -> Pace:
    """Let shops write undisturbed; return what it takes and leaves."""
    with place() as (server, folder):
        invented(folder / "given", shops, batches)
        lake = lake_at(server, folder)
        lake.state()
        lake.close()
        rows_before, bytes_before = server.asked(COUNTED), server.asked(SIZED)
        writers = [Writer(server, folder, shop, batches) for shop in range(shops)]
        for one in writers:
            assert one.process.wait() == 0, one.log.read_text()
        server.asked("SELECT 1")
        of_each = [line.split() for one in writers for line in one.notes.read_text().splitlines()]
        seconds = [float(line[1]) for line in of_each if int(line[0]) > 2]
        total = len(of_each)
        files = sum(path.stat().st_size for path in (folder / "rows").rglob("*.parquet"))
        return Pace(
            shops,
            total,
            sum(seconds) / len(seconds),
            shops * len(seconds) / sum(seconds),
            (server.asked(COUNTED) - rows_before) / total,
            (server.asked(SIZED) - bytes_before) / total,
            files / total,
        )


def report(told: Told, paces: list[Pace]) -> str:
    """Return the tables."""
    lines = [
        "# One lake, many writers",
        "",
        "Written by `python -m tests.studies.lake_study`: a real PostgreSQL, writers as processes "
        "with a client each; writer, client or both ended by SIGKILL wherever they were, the "
        f"server stopped without asking. A batch is {ROWS} invented rows.",
        "",
        "| what | found |",
        "| --- | ---: |",
        f"| batches (shops × publishes) | {SHOPS} × {BATCHES} |",
        f"| kills of writer, client or both | {told.kills} |",
        f"| stops of the server | {told.server_stops} |",
        f"| batches lost | {told.lost} |",
        f"| batches doubled | {told.doubled} |",
        f"| batches given twice, added once | {told.given_twice} |",
        f"| rows and ledger equal to the embedded file's | {'yes' if told.is_equal else 'NO'} |",
        f"| states read again at the end, of those other than at first | {told.states}, "
        f"{told.states_changed} |",
        f"| files of killed commits, in no state | {told.orphans} |",
        f"| seconds | {told.seconds:.0f} |",
        "",
        "| writers | batches | s a commit | commits a s | catalogue rows a batch | "
        "catalogue kB a batch | Parquet kB a batch |",
        "| ---: " * 7 + "|",
    ]
    lines += [
        f"| {one.writers} | {one.batches} | {one.seconds_a_commit:.3f} | "
        f"{one.commits_a_second:.0f} | {one.catalogue_rows_a_batch:.1f} | "
        f"{one.catalogue_bytes_a_batch / 1e3:.1f} | {one.row_bytes_a_batch / 1e3:.1f} |"
        for one in paces
    ]
    return "\n".join(lines) + "\n"


def main() -> None:
    """Write the tables."""
    told = under_kills(SHOPS, BATCHES, KILLS, SERVER_STOPS)
    print(told)
    TABLE.write_text(report(told, [pace(writers, 80) for writers in (1, 2, 4, 8)]))


if __name__ == "__main__":
    main()
