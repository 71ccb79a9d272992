"""Kills updates at every commit and every move of a file, and holds the next update to the truth.

The truth is a shop that nobody killed: equal hashes of raw, core and out, the same notes, no file
left half-made. Run all of it with `python -m tests.studies.kill_study --kills 500`.
"""

import argparse
import contextlib
import datetime as dt
import hashlib
import json
import multiprocessing
import os
import random
import shutil
import signal
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import NamedTuple

import duckdb

from flows import apart
from flows.derive import STEPS
from flows.steps import archive, link, read
from schemas.units import conversion
from tests.conftest import LittleShop, card_text, part, pull_text, ride_text, stage_text
from tests.result_table import write_beside
from warehouse import statements, store
from warehouse.snapshot import current, open_reader

NOW = dt.datetime(2025, 6, 2, 9, 30, tzinfo=dt.UTC)
WRITES = {"INSERT", "DELETE", "UPDATE", "CREATE", "DROP", "ATTACH", "DETACH"}
PASSED_OVER = ("warehouse/store.py", "warehouse/whole_file.py", "flows/steps/refresh.py")
"""Where a commit or a move is carried out; a point is named after who asked for it."""
REPOSITORY = Path(__file__).parents[2]
SMALL_BYTES = 8_000
"""From this size on files are taken as large here: both ways of archiving and reading are gone."""
Act = Callable[[], object]


# The shop, before its first and before its second update


def fill_first(shop: LittleShop) -> None:
    """Put a shop's past into the inbox: something for every step to do."""
    shop.folder.settings.write_text(
        shop.folder.settings.read_text(encoding="utf-8")
        + '[[map_axes]]\nmap = "own"\nthrottle_pct = [5, 10, 15, 100]\n'
        + "speed_rpm = [2000, 3000, 4000, 6000, 8000]\n",
        encoding="utf-8",
    )
    for number in range(1, 7):
        shop.job(number, levels=(1.0, 1.1) if number == 2 else (1.0,))
    shop.job(3, begun="2025-03-15 10:40")  # the day after another bike had the same
    shop.put("job 1/s1_1 again.csv", pull_text(1.0001) + "\n")  # the same run in other bytes
    stages = [stage_text("stage 1", ["s1_*.csv"])]
    shop.put("job 1/card.toml", card_text("J-1", stages, bike="B-1", more="control = true"))
    for day in range(11, 15):  # with job 1 the five sessions that a control bike needs
        level, received = (0.98 + 0.003 * day,), f"2025-05-{day}"
        shop.job(day, level, bike="B-1", received=received, more="control = true")
    own = 'map = { name = "own", revision = %d%s }\nmounting = 1'
    for number in (1, 2):
        lean = pull_text(0.9 + 0.01 * number, lambda rpm: 0.95 + rpm / 4e5)
        shop.put(f"job 7/pull_{number}.csv", lean)
        shop.put(f"job 7/ride_{number}.csv", ride_text(1.06 - 0.03 * number))
    stages = [
        stage_text("one", ["pull_1.csv"], ["ride_1.csv"], more=own % (1, "")),
        stage_text(
            "two", ["pull_2.csv", "gone.csv"], ["ride_2.csv"],
            more=own % (2, ", from = 1") + "\nsuggestion_entered = true",
        ),
    ]  # fmt: skip
    shop.put("job 7/card.toml", card_text("J-7", stages, bike="B-7"))
    shop.put("job 8/ride.csv", ride_text(1.01, seconds=30))
    shop.put("job 8/pull.csv", pull_text(2.2, air=None))  # a power that its model does not have
    stages = [stage_text(pulls=["pull.csv"], rides=["ride.csv"])]
    shop.put("job 8/card.toml", card_text("J-8", stages, bike="B-2", received="2025-04-01"))
    shop.put("job 9/empty.csv", b"")
    shop.put("job 9/junk.csv", bytes(range(256)) * 4)
    shop.put("job 9/pull.csv", pull_text().replace("3000,4.0", "3000,four", 1))
    shop.put("job 9/card.toml", card_text("J-9", [stage_text(pulls=["*.csv"])], bike="B-9"))
    shop.put("walk-in.csv", pull_text(0.97))
    shop.put("zz late/pull.csv", pull_text(1.03))  # kept out by what job 4 says of its bike
    shop.put(
        "zz late/card.toml", card_text("J-99", [stage_text(pulls=["pull.csv"])], "B-4", cc=700)
    )
    shop.put("job 5/copy.csv", (shop.folder.inbox / "job 2/s1_1.csv").read_bytes())


def fill_second(shop: LittleShop) -> None:
    """Change what a shop changes: new, corrected, withdrawn, set and taught otherwise."""
    shop.job(10)
    shop.job(3, levels=(1.0, 1.12), begun="2025-03-15 10:40")
    shop.put("job 3/ride.csv", ride_text(0.99, seconds=40))
    stages = [
        stage_text("one", ["pull_1.csv"], ["ride_1.csv"], more="dyno = 'left'"),
        stage_text("two", ["pull_2.csv"], ["ride_2.csv"], parts=[part("airbox")]),
    ]
    shop.put("job 7/card.toml", card_text("J-7", stages, bike="B-7"))
    stages = [stage_text(pulls=["pull.csv"])]
    shop.put("job 8/card.toml", card_text("J-8", stages, bike="B-2", received="2025-04-02"))
    shop.job(4, levels=(1.0,), cc=700)  # what kept zz late out
    shop.put("job 5/card.toml", "job = 5")
    (shop.folder.inbox / "job 9/empty.csv").unlink()
    (shop.folder.inbox / "job 2/s1_2.csv").unlink()
    settings = shop.folder.settings.read_text(encoding="utf-8")
    more = "\n[figures]\nbandwidth_rpm = 180.0\n\n[mixture]\nwarn_pct = 9.0\n"
    shop.folder.settings.write_text(settings + more, encoding="utf-8")
    layout = shop.folder.layouts / "plain-ride.toml"
    taught = layout.read_text(encoding="utf-8")
    layout.write_text(taught.replace("delay_s = 0.1", "delay_s = 0.12"), encoding="utf-8")


# One update in a process of its own, with every point at which it may be killed


class Points:
    """Counts commits and moves of files, and kills the process at one of them."""

    def __init__(self, kill_at: int | None) -> None:
        self.kill_at = kill_at
        self.names: list[str] = []
        self._seen: Counter[str] = Counter()

    def run(self, kind: str, act: Act, torn: Act = bool) -> object:
        """Do what is done at a point, killed before it or after it; `torn` is half of it."""
        where = self._who() + ":" + kind
        self._seen[where] += 1
        self._pass(f"{where} {self._seen[where]}:before", torn)
        result = act()
        self._pass(f"{where} {self._seen[where]}:after")
        return result

    def _pass(self, name: str, torn: Act = bool) -> None:
        if len(self.names) == self.kill_at:
            torn()
            os.kill(os.getpid(), getattr(signal, "SIGKILL", signal.SIGTERM))
        self.names.append(name)

    def _who(self) -> str:
        frame = sys._getframe(2)
        while frame is not None:
            path = Path(frame.f_code.co_filename)
            place = path.relative_to(REPOSITORY).as_posix() if REPOSITORY in path.parents else ""
            if place == "flows/steps/engine.py" and "step" in frame.f_locals:
                return frame.f_locals["step"].name
            if place.startswith(("flows/", "warehouse/")) and place not in PASSED_OVER:
                return f"{path.stem}.{frame.f_code.co_name}"
            frame = frame.f_back
        return "store.create"


class WatchedConnection:
    """A writer's connection whose every commit is a point, also one that nobody asked for."""

    def __init__(self, connection: duckdb.DuckDBPyConnection, points: Points) -> None:
        self._connection = connection
        self._points = points
        self._is_open = False

    def execute(self, query: str, *values: object) -> object:
        """Execute a statement, at a point where it is kept for good."""
        word = query.split(maxsplit=1)[0].upper()

        def act() -> object:
            return self._connection.execute(query, *values)

        if word in {"BEGIN", "COMMIT", "ROLLBACK"}:
            self._is_open = word == "BEGIN"
        if word == "COMMIT":
            return self._points.run("commit", act)
        if word in WRITES and not self._is_open:
            return self._points.run(f"bare {word.lower()}", act)
        return act()

    def __enter__(self) -> "WatchedConnection":
        return self

    def __exit__(self, *_: object) -> None:
        self._connection.close()

    def __getattr__(self, name: str) -> object:
        return getattr(self._connection, name)


class WatchedAppend:
    """A file written to at its end; a kill tears what was to be written in two."""

    def __init__(self, file: object, points: Points) -> None:
        self._file = file
        self._points = points

    def writelines(self, given: Iterable[str]) -> None:
        """Write lines, at a point."""
        lines = list(given)
        self._points.run("append", lambda: self._file.writelines(lines), lambda: self._torn(lines))

    def _torn(self, lines: list[str]) -> None:
        self._file.write("".join(lines)[: -len(lines[-1]) // 2])
        self._file.flush()

    def __enter__(self) -> "WatchedAppend":
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    def __getattr__(self, name: str) -> object:
        return getattr(self._file, name)


def watch(points: Points) -> None:
    """Make points of all commits, moves, deletions and appended lines of this process."""
    connect, open_, move, unlink = duckdb.connect, Path.open, Path.replace, Path.unlink

    def watched_connect(*args: object, read_only: bool = False, **more: object) -> object:
        made = connect(*args, read_only=read_only, **more)
        return made if read_only else WatchedConnection(made, points)

    def watched_open(path: Path, mode: str = "r", *args: object, **more: object) -> object:
        opened = open_(path, mode, *args, **more)
        return WatchedAppend(opened, points) if mode == "a" else opened

    duckdb.connect = watched_connect
    Path.open = watched_open
    Path.replace = lambda self, to: points.run("move", lambda: move(self, to))
    Path.unlink = lambda self, missing_ok=False: points.run(
        "delete", lambda: unlink(self, missing_ok=missing_ok)
    )


def update(root: str, answer: str, kill_at: int | None, with_state: bool) -> None:
    """Bring a shop up to date and write what was passed, and what stands then, as JSON."""
    os.fsync = lambda _: None  # a killed process, unlike a cut cable, loses nothing written
    archive.PIECE_BYTES = read.LONG_BYTES = SMALL_BYTES
    read.BATCH_FILES, link.BATCH_FOLDERS = 12, 4
    for step in STEPS:
        object.__setattr__(step, "batch", 8)
    told: dict[str, object] = {}
    points = Points(kill_at)
    try:
        watch(points)
        shop = LittleShop(Path(root))
        shop.update(now=NOW)
        told["points"] = list(points.names)
        points.kill_at = None
        if with_state:
            told["state"] = state_of(shop)
    except Exception:  # noqa: BLE001 told to who asked
        told["error"] = traceback.format_exc()
    Path(answer).write_text(json.dumps(told), encoding="utf-8")


def state_of(shop: LittleShop) -> dict[str, str]:
    """Return all that must be equal: rows, notes, the snapshot; and what must not be there."""
    found: dict[str, str] = {}
    with store.writer(shop.folder) as connection:
        for table in statements.definitions():
            listed = ", ".join(store.columns(connection, table))
            query = f"SELECT count(*), sum(hash({listed})::HUGEINT) FROM {table}"  # noqa: S608
            if table == "raw.finished":
                query += " WHERE flow_name <> 'ledger'"  # it tells when that file was written
            found[table] = str(store.first(connection, query))
        samples = connection.execute(
            "SELECT DISTINCT sample_path FROM raw.reading WHERE sample_path IS NOT NULL"
        ).fetchall()
    named = sorted(Path(path).name for (path,) in samples)
    found["samples"] = str(sorted(p.name for p in shop.folder.samples.iterdir()) == named)
    for path in sorted(shop.folder.refused.rglob("*.txt")):
        place = path.relative_to(shop.folder.root).as_posix()
        found[place] = hashlib.sha256(path.read_bytes()).hexdigest()
    snapshot = current(shop.folder.root)
    assert snapshot is not None
    found["snapshot"] = snapshot.content
    with open_reader(snapshot.path) as reader:
        found["snapshot rows"] = str(store.first(reader, "SELECT count(*) FROM out.file"))
    half_made = (p for mark in ("*making*", "*.arriving") for p in shop.folder.root.rglob(mark))
    found["half-made"] = str(sorted(path.name for path in half_made))
    return found


class Killed(NamedTuple):
    """What came of one kill."""

    scenario: str
    point: str
    again: str
    verdict: str
    """"equal", or what is not."""


class Study:
    """Makes the shops once, then kills updates of their copies."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        # A server that has imported everything forks in milliseconds; Windows has no fork.
        ways = multiprocessing.get_all_start_methods()
        self._way = multiprocessing.get_context("forkserver" if "forkserver" in ways else "spawn")
        os.environ |= {SERVER: "1", "POLARS_MAX_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
        if "forkserver" in ways:
            self._way.set_forkserver_preload(["tests.studies.kill_study", *LATE_MODULES])
        self.starts: dict[str, Path] = {}
        self.points: dict[str, list[str]] = {}
        self.truth: dict[str, dict[str, str]] = {}
        self._number = 0
        root = folder / "first"
        fill_first(LittleShop(root))
        self._keep("first", root)
        root = folder / "second"
        shutil.copytree(self.folder / "first", root)
        self._asked(root)
        fill_second(LittleShop(root))
        self._keep("second", root)

    def _keep(self, scenario: str, root: Path) -> None:
        self.starts[scenario] = root
        whole = self._copy(scenario)
        told = self._asked(whole)
        if "error" in told:
            raise RuntimeError(told["error"])
        self.points[scenario], self.truth[scenario] = told["points"], told["state"]
        shutil.rmtree(whole)

    def _copy(self, scenario: str) -> Path:
        self._number += 1
        return Path(shutil.copytree(self.starts[scenario], self.folder / f"torn {self._number}"))

    def _asked(self, root: Path, kill_at: int | None = None) -> dict:
        answer = self.folder / "answer.json"
        answer.unlink(missing_ok=True)
        arguments = (str(root), str(answer), kill_at, kill_at is None)
        process = self._way.Process(target=update, args=arguments)
        with apart.without_main():
            process.start()
        process.join()
        return json.loads(answer.read_text(encoding="utf-8")) if answer.is_file() else {}

    def kill(self, scenario: str, at: int, again_at: int | None = None) -> Killed:
        """Kill an update at a point, perhaps its recovery too, then let one run to its end."""
        root = self._copy(scenario)
        told = self._asked(root, at)
        assert not told.get("points"), f"{scenario}: no kill at {at}"
        again = ""
        if again_at is not None and not self._asked(root, again_at):
            again = f"recovery killed at its point {again_at}"
        told = self._asked(root)
        truth = self.truth[scenario]
        state = told.get("state", {})
        verdict = told["error"].strip().splitlines()[-1] if "error" in told else "equal"
        if state and state != truth:
            unlike = sorted(k for k in truth.keys() | state.keys() if truth.get(k) != state.get(k))
            verdict = f"unequal: {', '.join(unlike)}"
        shutil.rmtree(root)
        return Killed(scenario, self.points[scenario][at], again, verdict)


LATE_MODULES = [
    "flows.readers.text", "scipy.stats", "scipy.signal", "scipy.optimize", "scipy.interpolate",
    "pyarrow.parquet", "pandera.polars",
]  # fmt: skip
"""What an update imports only when it needs it."""

SERVER = "ROLLBOOK_KILL_STUDY_SERVER"
if SERVER in os.environ:
    conversion("kW", "W")  # makes the table of all units, which is half a second of every process


def spread(study: Study, kills: int) -> list[tuple[str, int, int | None]]:
    """Return kills at every point, or evenly over them; a third with a killed recovery.

    Beyond one a point, every step is as likely: archiving has a point a file, rides have two.
    """
    draw = random.Random(7)
    every = [(name, at) for name, points in study.points.items() for at in range(len(points))]
    steps: dict[tuple[str, str], list[tuple[str, int]]] = {}
    for name, at in every:
        steps.setdefault((name, study.points[name][at].split(":")[0]), []).append((name, at))
    chosen = []
    for number in range(kills):
        if kills < len(every):
            scenario, at = every[number * len(every) // kills]
        elif number < len(every):
            scenario, at = every[number]
        else:
            scenario, at = draw.choice(draw.choice(list(steps.values())))
        left = len(study.points[scenario]) - at
        chosen.append((scenario, at, draw.randrange(left) if number % 3 == 2 else None))
    return chosen


def table(results: list[Killed], study: Study) -> str:
    """Return the results as a table in Markdown, a line for each step that was killed."""
    lines = [
        "| update | where | points | kills | recovery killed too | unequal | errors |",
        "| --- | --- | --: | --: | --: | --: | --: |",
    ]
    for scenario, points in study.points.items():
        for who in dict.fromkeys(point.split(":")[0] for point in points):
            here = [r for r in results if (r.scenario, r.point.split(":")[0]) == (scenario, who)]
            lines.append(_line(scenario, who, sum(p.split(":")[0] == who for p in points), here))
    lines.append(_line("**all**", "", sum(map(len, study.points.values())), results))
    return "\n".join(lines)


def _line(scenario: str, who: str, points: int, here: list[Killed]) -> str:
    unequal = sum(r.verdict.startswith("unequal") for r in here)
    errors = sum(r.verdict != "equal" for r in here) - unequal
    both = sum(bool(r.again) for r in here)
    return f"| {scenario} | {who} | {points} | {len(here)} | {both} | {unequal} | {errors} |"


def main() -> None:
    """Run from the command line."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--kills", type=int, default=500)
    asked.add_argument("--points", action="store_true", help="name every point and stop")
    asked.add_argument("--folder", type=Path, help="where to work, best in memory")
    given = asked.parse_args()
    started = time.monotonic()
    with tempfile.TemporaryDirectory(dir=given.folder) as folder:
        study = Study(Path(folder))
        print(f"shops made in {time.monotonic() - started:.1f} s", file=sys.stderr)
        if given.points:
            for scenario, points in study.points.items():
                print(*(f"{scenario} {point}" for point in points), sep="\n")
            return
        results: list[Killed] = []
        with contextlib.suppress(KeyboardInterrupt):  # then the table of what was done
            for scenario, at, again in spread(study, given.kills):
                results.append(study.kill(scenario, at, again))
                if results[-1].verdict != "equal":
                    print(*results[-1], sep=" | ", file=sys.stderr, flush=True)
        found = table(results, study)
        found += f"\n\n{len(results)} of {given.kills} kills in {time.monotonic() - started:.0f} s"
        print(found)
        write_beside(__file__, "Updates killed at a commit or a move of a file", found)


if __name__ == "__main__":
    # By its own name: what runs in another process is found by that.
    from tests.studies.kill_study import main as by_name

    by_name()
