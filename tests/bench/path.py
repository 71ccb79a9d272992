"""Times the path from inbox to snapshot, and beside it the bare floor under it.

    python -m tests.bench.path [--pulls 2000] [--rides 40] [--ride-rows 30000] [--write]
    python -m tests.bench.path --long-ride-gb 5

The floor is what any intake must do with polars at hand: hash each file's bytes, copy them into an
archive, read them as typed columns, hold them against the contract's bounds and write Parquet. It
knows the columns beforehand and judges nothing else. Every part runs in a fresh process, one after
the other, on files that were just written, so that they come from memory and not from the disk.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import importlib
import io
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

from rich import box
from rich.console import Console, Group
from rich.table import Table
from rich.text import Text

from flows.steps.progress import Progress
from tests.bench import logs
from tests.result_table import write_beside

TELL_EVERY_S = 0.2
"""Telling more often would itself be a cost."""
START = "start"
"""Importing libraries and opening the store."""
PULLS_ONLY = ("floor: pulls", "draw curves")
RIDES_ONLY = ("floor: rides", "read rides")
FLOOR_FILES = 250
"""Files of the floor's one Parquet file, as many as intake puts together."""
TO_SAMPLES = ("archive what arrived", "load job cards", "read files")
"""The steps after which the text is Parquet, as it is after the floor."""


class BenchError(RuntimeError):
    """The benchmark did not measure what it should."""


class Heap(NamedTuple):
    """What is worked on: how many files, bytes and rows of each kind, in how many jobs."""

    pulls: int
    rides: int
    pull_bytes: int
    ride_bytes: int
    rows: int
    jobs: int

    def share(self, phase: str) -> tuple[int, int]:
        """Return files and bytes that a phase is about."""
        if phase in PULLS_ONLY:
            return self.pulls, self.pull_bytes
        if phase in RIDES_ONLY:
            return self.rides, self.ride_bytes
        return self.pulls + self.rides, self.pull_bytes + self.ride_bytes


class Measured(NamedTuple):
    """What one process took: seconds by phase, memory at its peak, and what came out.

    Beside the seconds of the clock stand those of the processor, over all threads: on a machine
    that has other work to do, only they can be compared.
    """

    seconds: dict[str, float]
    cpu_seconds: dict[str, float]
    peak_rss_bytes: int | None
    files: int
    rows: int

    @property
    def work_s(self) -> float:
        """Seconds of all phases but the start, which a bigger heap does not lengthen."""
        return sum(seconds for phase, seconds in self.seconds.items() if phase != START)

    @property
    def work_cpu_s(self) -> float:
        """The same of the processor."""
        return sum(seconds for phase, seconds in self.cpu_seconds.items() if phase != START)


def run_bench(pulls: int, rides: int, ride_rows: int, folder: Path | None, tell: Progress) -> Group:
    """Make logs, time the floor, a whole update, and the update for one more pull.

    Raises BenchError if the folder holds other things, a process fails, or not every file and row
    came through: a refused file is quick to deal with and would flatter.
    """
    if folder is not None:
        if folder.exists() and any(folder.iterdir()):
            raise BenchError(f"{folder} holds other things; name a new folder")
        return _report(_measure(folder.resolve(), pulls, rides, ride_rows, tell))
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as temporary:
        return _report(_measure(Path(temporary).resolve(), pulls, rides, ride_rows, tell))


class Figures(NamedTuple):
    """All that a benchmark measured: the floor, intake of one kind alone, and whole updates."""

    heap: Heap
    floor: Measured
    pulls: Measured
    rides: Measured | None
    whole: Measured
    one_more: Measured


def _measure(folder: Path, pulls: int, rides: int, ride_rows: int, tell: Progress) -> Figures:
    """Return the figures of a shop that is made in a folder."""
    shop = folder / "shop"
    made = logs.write_bench_shop(shop, pulls, rides, ride_rows, progress=tell)
    heap = Heap(
        len(made.pulls),
        len(made.rides),
        sum(path.stat().st_size for path in made.pulls),
        sum(path.stat().st_size for path in made.rides),
        pulls * logs.PULL_ROWS + rides * ride_rows,
        made.jobs,
    )
    floor = _in_fresh_process("floor", _floor_parts(folder, made), tell)
    alone = {kind: _shop_without(shop, pattern) for kind, pattern in
             (("pulls", "ride_*.txt"), ("rides", "*.csv"))}  # fmt: skip
    only_pulls = _in_fresh_process("intake", str(alone["pulls"]), tell)
    only_rides = _in_fresh_process("intake", str(alone["rides"]), tell) if made.rides else None
    whole = _in_fresh_process("update", str(shop), tell)
    logs.write_one_more_pull(shop)
    one_more = _in_fresh_process("update", str(shop), tell)
    files = heap.pulls + heap.rides
    _refuse_loss("floor", floor, files, heap.rows)
    _refuse_loss("intake of pulls", only_pulls, heap.pulls, pulls * logs.PULL_ROWS)
    if only_rides is not None:
        _refuse_loss("intake of rides", only_rides, heap.rides, rides * ride_rows)
    _refuse_loss("update", whole, files, heap.rows)
    _refuse_loss("small update", one_more, files + 1, heap.rows + logs.PULL_ROWS)
    return Figures(heap, floor, only_pulls, only_rides, whole, one_more)


def _floor_parts(folder: Path, made: Any) -> list[dict[str, Any]]:
    """Return what the floor's process is to do, kind by kind."""
    from schemas.columns import CHANNELS
    from schemas.layout import CHANNEL_COLUMNS
    from schemas.units import conversion

    def bounds(column: logs.Column) -> tuple[float, float]:
        channel = CHANNELS[CHANNEL_COLUMNS[column.channel]]
        step = conversion(column.unit, channel.unit)
        assert channel.low is not None
        assert channel.high is not None
        return (channel.low - step.offset) / step.factor, (channel.high - step.offset) / step.factor

    kinds = (
        ("pulls", made.pulls, logs.PULL_HEAD_LINES, logs.PULL_COLUMNS, FLOOR_FILES),
        ("rides", made.rides, 0, logs.RIDE_COLUMNS, 1),
    )
    return [
        {
            "phase": f"floor: {kind}",
            "files": [str(path) for path in files],
            "skip": skip,
            "bounds": {column.name: bounds(column) for column in columns},
            "together": together,
            "target": str(folder / f"floor-{kind}"),
        }
        for kind, files, skip, columns, together in kinds
        if files
    ]


def _shop_without(shop: Path, pattern: str) -> Path:
    """Return a copy of a shop that nothing was taken in to, without the files of a pattern."""
    target = shop.with_name(f"{shop.name} without {pattern.replace('*', '')}")
    return shutil.copytree(shop, target, ignore=shutil.ignore_patterns(pattern))


LONG_BLOCK_ROWS = 400_000
LONG_RATE_HZ = 1000.0
"""A day of it is 86 million rows: longer logs there are none."""


def run_long_ride(gigabytes: float, folder: Path | None, tell: Progress) -> Group:
    """Make one ride of a given size, and take it in, derive and publish it.

    Raises BenchError if the folder holds other things, the process fails, or not every row came
    through.
    """
    if folder is None:
        with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as temporary:
            return run_long_ride(gigabytes, Path(temporary) / "bench", tell)
    if folder.exists() and any(folder.iterdir()):
        raise BenchError(f"{folder} holds other things; name a new folder")
    shop = folder.resolve() / "shop"
    logs.write_bench_shop(shop, 1, 0, logs.LEAST_RIDE_ROWS)
    path = shop / "inbox" / "J-00000" / "ride_long.txt"
    rows = _write_long_ride(path, gigabytes * 1e9, tell)
    found = _in_fresh_process("update", str(shop), tell)
    _refuse_loss("update", found, 2, rows + logs.PULL_ROWS)
    table = Table(box=box.MARKDOWN)
    for heading in ("step", "clock s", "processor s"):
        table.add_column(heading, justify="left" if heading == "step" else "right")
    for phase, seconds in found.seconds.items():
        if seconds >= 0.1:
            table.add_row(phase, _seconds(seconds), _seconds(found.cpu_seconds[phase]))
    size = path.stat().st_size / 1e9
    line = f"One ride of {size:.2f} GB, {rows:,} rows; peak memory {_memory(found)}.\n"
    return Group(Text(line), table)


def _write_long_ride(path: Path, size: float, tell: Progress) -> int:
    """Write a ride of a size [B]; return its rows."""
    import numpy as np
    import polars as pl

    random = np.random.default_rng(1)
    rows = 0
    with path.open("wb") as file:
        while file.tell() < size:
            time_s = (rows + np.arange(LONG_BLOCK_ROWS)) / LONG_RATE_HZ
            turn = 2 * np.pi * time_s
            grip = 14.0 + 6.0 * np.sin(turn / 47.0)
            speed = 4200.0 + 900.0 * np.sin(turn / 61.0)
            noise = random.normal(size=(4, LONG_BLOCK_ROWS))
            columns = (
                time_s,
                speed + 12.0 * noise[0],
                speed / 70.0,
                grip + 0.1 * noise[1],
                0.97 + 0.02 * np.sin(turn / 13.0) + 0.008 * noise[2],
                88.0 + 0.2 * noise[3],
                np.full(LONG_BLOCK_ROWS, 26.0),
                1.2 + 0.09 * grip,
                np.full(LONG_BLOCK_ROWS, 4.0),
                np.full(LONG_BLOCK_ROWS, 14.1),
            )
            places = (5, 1, 2, 2, 4, 2, 1, 4, 0, 2)
            pl.DataFrame(
                [
                    pl.Series(column.name, np.round(values, place))
                    for column, values, place in zip(
                        logs.RIDE_COLUMNS, columns, places, strict=True
                    )
                ]
            ).write_csv(file, include_header=rows == 0)
            rows += LONG_BLOCK_ROWS
            tell(int(min(file.tell(), size) / 1e6), int(size / 1e6), "making the ride")
    return rows


def _refuse_loss(name: str, found: Measured, files: int, rows: int) -> None:
    if (found.files, found.rows) != (files, rows):
        raise BenchError(
            f"{name}: {files} files and {rows} rows went in, "
            f"{found.files} files and {found.rows} rows came out"
        )


def _in_fresh_process(worker: str, given: Any, tell: Progress) -> Measured:
    command = [sys.executable, "-m", "tests.bench.path", "--worker", worker]
    process = subprocess.Popen(
        command,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        encoding="utf-8",
        cwd=Path(__file__).resolve().parents[2],
        env={**os.environ, "PYTHONUTF8": "1"},
    )
    measured = None
    with process:
        # A process that fails at once reads nothing; its own traceback says why.
        with contextlib.suppress(OSError):
            if process.stdin is not None:
                json.dump(given, process.stdin)
                process.stdin.close()
        for line in process.stdout or ():
            told = json.loads(line)
            if "progress" in told:
                tell(*told["progress"])
            else:
                measured = Measured(**told["measured"])
    if process.returncode or measured is None:
        raise BenchError(f"the process of the {worker} ended with {process.returncode}")
    return measured


class _Stopwatch:
    """Runs steps as `plainly` does and keeps how long each took, by the clock and the processor."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self.cpu_seconds: dict[str, float] = {}
        self._began = (time.perf_counter(), _processor_s())

    def run(self, name: str, function: Callable[..., Any], *arguments: object) -> Any:
        began, cpu_began = time.perf_counter(), _processor_s()
        result = function(*arguments)
        self.seconds[name] = time.perf_counter() - began
        self.cpu_seconds[name] = _processor_s() - cpu_began
        return result

    def take_rest(self, name: str) -> None:
        """Book what has passed since the beginning and belongs to no step yet."""
        began, cpu_began = self._began
        self.seconds[name] = time.perf_counter() - began - sum(self.seconds.values())
        self.cpu_seconds[name] = _processor_s() - cpu_began - sum(self.cpu_seconds.values())


def _processor_s() -> float:
    """Return the processor seconds of this process and of those that it started and that ended."""
    taken = os.times()
    return taken.user + taken.system + taken.children_user + taken.children_system


def _floor(given: list[dict[str, Any]]) -> Measured:
    """Hash, archive, read, judge and write the files of each kind."""
    watch = _Stopwatch()
    watch.run(START, importlib.import_module, "polars")
    rows = sum(watch.run(part["phase"], _floor_of, part) for part in given)
    files = sum(len(part["files"]) for part in given)
    return Measured(watch.seconds, watch.cpu_seconds, _peak_rss_bytes(), files, rows)


def _floor_of(part: dict[str, Any]) -> int:
    """Return the rows that came of the files of one kind."""
    import polars as pl

    target = Path(part["target"])
    target.mkdir()
    schema = dict.fromkeys(part["bounds"], pl.Float64)
    holds = [pl.col(name).is_between(*bounds) for name, bounds in part["bounds"].items()]
    rows = 0
    for first in range(0, len(part["files"]), part["together"]):
        frames = []
        for file in part["files"][first : first + part["together"]]:
            data = Path(file).read_bytes()
            sha = hashlib.sha256(data).hexdigest()
            (target / sha).write_bytes(data)
            frame = pl.read_csv(data, schema=schema, skip_rows=part["skip"])
            frames.append(frame.select(pl.lit(sha).alias("sha"), pl.all()))
        kept = pl.concat(frames).filter(*holds)
        rows += kept.height
        kept.write_parquet(target / f"{first}.parquet", compression="zstd", compression_level=3)
    return rows


def _intake(given: str) -> Measured:
    """Take in, as the first part of `rollbook update`."""
    return _update(given, is_whole=False)


def _update(given: str, *, is_whole: bool = True) -> Measured:
    """Take in, derive and publish, as `rollbook update` does."""
    watch = _Stopwatch()
    from flows.derive import derive
    from flows.intake import take_in
    from flows.publish import publish_snapshot
    from flows.settings import open_shop
    from warehouse.store import writer

    shop, settings = open_shop(Path(given))
    with writer(shop) as connection:
        watch.take_rest(START)
        tell = _progress_lines()
        taken = take_in(connection, shop, settings, run=watch.run, progress=tell)
        if is_whole:
            made = derive(connection, shop, settings, run=watch.run, progress=tell)
            watch.run("publish", publish_snapshot, connection, shop, made.contents)
        counted = connection.execute("SELECT sum(rows_kept) FROM raw.reading").fetchone()
    watch.take_rest("the rest")
    return Measured(
        watch.seconds,
        watch.cpu_seconds,
        _peak_rss_bytes(),
        taken.states.get("taken in", 0),
        int(counted[0]) if counted else 0,
    )


def _progress_lines() -> Progress:
    """Return a progress that writes lines for the process that started this one."""
    last = -TELL_EVERY_S

    def tell(done: int, total: int, word: str) -> None:
        nonlocal last
        now = time.monotonic()
        if now - last >= TELL_EVERY_S or done == total:
            last = now
            sys.stdout.write(json.dumps({"progress": [done, total, word]}) + "\n")
            sys.stdout.flush()

    return tell


def _peak_rss_bytes() -> int | None:
    """Return the greatest memory of this process or of one it started, if the system says."""
    status = Path("/proc/self/status")
    if status.is_file():
        # Not getrusage: on Linux its peak is inherited from the process that started this one.
        for line in status.read_text(encoding="utf-8").splitlines():
            if line.startswith("VmHWM:"):
                return max(int(line.split()[1]) * 1024, _peak_of(who="RUSAGE_CHILDREN") or 0)
    return _peak_of(who="RUSAGE_SELF")


def _peak_of(who: str) -> int | None:
    try:
        import resource
    except ImportError:
        return None
    peak = resource.getrusage(getattr(resource, who)).ru_maxrss
    return peak if sys.platform == "darwin" else peak * 1024


def _report(figures: Figures) -> Group:
    heap, floor, whole, one_more = figures.heap, figures.floor, figures.whole, figures.one_more
    table = Table(box=box.MARKDOWN)
    table.add_column("phase")
    for heading in ("s", "CPU s", "files/s", "MB/s", "one more pull, s", "CPU s"):
        table.add_column(heading, justify="right")
    for name, measured, more in (("floor", floor, None), ("Rollbook", whole, one_more)):
        for phase, seconds in measured.seconds.items():
            again = (more.seconds.get(phase), more.cpu_seconds.get(phase)) if more else ()
            cpu_s = measured.cpu_seconds[phase]
            table.add_row(phase, *_rates(heap, phase, seconds, cpu_s), *map(_seconds, again))
        again = (more.work_s, more.work_cpu_s) if more else ()
        table.add_row(
            f"{name}, without start",
            *_rates(heap, name, measured.work_s, measured.work_cpu_s),
            *map(_seconds, again),
        )
    megabytes = (heap.pull_bytes + heap.ride_bytes) / 1e6
    lines = (
        f"{heap.pulls:,} pulls and {heap.rides:,} rides in {heap.jobs:,} jobs: "
        f"{heap.rows:,} rows, {megabytes:,.1f} MB of text.",
        f"Peak memory: Rollbook {_memory(whole)}, floor {_memory(floor)}.",
    )
    return Group(*(Text(f"{line}\n") for line in lines), _over_floor(figures), Text(""), table)


def _over_floor(figures: Figures) -> Table:
    """Return the processor seconds of intake and of the whole path beside those of the floor."""
    table = Table(box=box.MARKDOWN)
    for heading in ("processor seconds", "floor", "Rollbook", "Rollbook / floor"):
        table.add_column(heading, justify="left" if heading.startswith("proc") else "right")
    floor = figures.floor.cpu_seconds
    rows = [("intake of pulls", floor["floor: pulls"], _to_samples_cpu_s(figures.pulls))]
    if figures.rides is not None:
        rows.append(("intake of rides", floor["floor: rides"], _to_samples_cpu_s(figures.rides)))
    rows += [
        ("intake of all", figures.floor.work_cpu_s, _to_samples_cpu_s(figures.whole)),
        ("to the published snapshot", figures.floor.work_cpu_s, figures.whole.work_cpu_s),
    ]
    for name, under, ours in rows:
        table.add_row(name, f"{under:.2f}", f"{ours:.2f}", f"{ours / max(under, 0.01):.1f}")
    return table


def _to_samples_cpu_s(measured: Measured) -> float:
    return sum(measured.cpu_seconds.get(phase, 0.0) for phase in TO_SAMPLES)


def _rates(heap: Heap, phase: str, seconds: float, cpu_s: float) -> tuple[str, ...]:
    files, size = heap.share(phase)
    if phase == START or seconds <= 0.0:
        return _seconds(seconds), _seconds(cpu_s), "", ""
    rates = f"{files / seconds:,.0f}", f"{size / seconds / 1e6:,.1f}"
    return _seconds(seconds), _seconds(cpu_s), *rates


def _seconds(value: float | None) -> str:
    return "" if value is None else f"{value:.2f}"


def _memory(measured: Measured) -> str:
    if measured.peak_rss_bytes is None:
        return "not told by this system"
    return f"{measured.peak_rss_bytes / 1e6:,.0f} MB"


WORKERS: dict[str, Callable[[Any], Measured]] = {
    "floor": _floor,
    "intake": _intake,
    "update": _update,
}


def main() -> None:
    """Measure and print, or also write, the report; or do one part of it in this process."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pulls", type=int, default=2000)
    parser.add_argument("--rides", type=int, default=40)
    parser.add_argument("--ride-rows", type=int, default=30_000)
    parser.add_argument("--long-ride-gb", type=float, help="take in one ride of so many GB instead")
    parser.add_argument("--folder", type=Path, help="where; a temporary folder if none")
    parser.add_argument("--write", action="store_true", help="write the report beside this program")
    parser.add_argument("--worker", choices=sorted(WORKERS))
    given = parser.parse_args()
    if given.worker:
        measured = WORKERS[given.worker](json.load(sys.stdin))
        sys.stdout.write(json.dumps({"measured": measured._asdict()}) + "\n")
        return
    if given.long_ride_gb:
        report = run_long_ride(given.long_ride_gb, given.folder, _tell)
    else:
        report = run_bench(given.pulls, given.rides, given.ride_rows, given.folder, _tell)
    text = io.StringIO()
    Console(file=text, width=120).print(report)
    print(text.getvalue())
    if given.write:
        write_beside(__file__, "The path from inbox to snapshot", text.getvalue())


def _tell(done: int, total: int, word: str) -> None:
    print(f"\r{word} {done} of {total}".ljust(60), end="", file=sys.stderr)


if __name__ == "__main__":
    main()
