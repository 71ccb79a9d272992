"""Measures history: its size a month, what a publish costs more, and answers ten years back.

`python -m tests.bench.history DEMO [JOBS [READY]]` takes the files of a whole demo shop, all but
the last jobs at once (or a shop that holds these) and then a job a day, and writes history.md
beside this file. Ten years are the month
so measured, again and again: each month's file is a real one, only its numbers are moved.
"""

from __future__ import annotations

import datetime as dt
import shutil
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import duckdb

from flows.derive import derive
from flows.intake import take_in
from flows.publish import publish_snapshot
from flows.settings import open_shop
from flows.terminal import say
from warehouse import history, store
from warehouse.questions import ask
from warehouse.snapshot import current, open_reader

BEGINS = dt.datetime(2026, 1, 1, 17, tzinfo=dt.UTC)
MONTHS = 120
WORKING_DAYS = 22
"""Of a month, a job or two each."""
JOBS_A_MONTH = 1.5 * WORKING_DAYS


def main() -> None:
    """Measure and write down."""
    demo, jobs = Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 20
    folders = sorted(path for path in (demo / "inbox").iterdir() if path.name.startswith("J-0"))
    with tempfile.TemporaryDirectory(prefix="history_") as place:
        root = Path(place) / "shop"
        if len(sys.argv) > 3:
            shutil.copytree(sys.argv[3], root)
            shutil.rmtree(root / "history")
        else:
            (root / "inbox").mkdir(parents=True)
            shutil.copy(demo / "rollbook.toml", root)
            shutil.copytree(demo / "layouts", root / "layouts")
            for folder in folders[:-jobs]:
                shutil.copytree(folder, root / "inbox" / folder.name)
        shop, settings = open_shop(root)
        spent = [publish(shop, settings, BEGINS)]
        for day, folder in enumerate(folders[-jobs:], start=1):
            shutil.copytree(folder, root / "inbox" / folder.name)
            spent.append(publish(shop, settings, BEGINS + dt.timedelta(days=day)))
            say(f"{folder.name}: {spent[-1][0]:.1f} s, of which history {spent[-1][1]:.1f} s")
        loose = size(shop)
        pack(shop)
        packed, out = size(shop), sum(p.stat().st_size for p in current(root).files())
        lines = [
            "| what | figure |",
            "| --- | --- |",
            f"| jobs in the book, then one a day | {len(folders) - jobs}, then {jobs} |",
            f"| published | {out / 1e6:.1f} MB |",
            f"| history of {jobs} jobs, day by day, then packed | {loose / 1e6:.2f} MB, "
            f"{packed / 1e6:.2f} MB |",
            f"| a month of {JOBS_A_MONTH:.0f} jobs, packed, of what is published | "
            f"{packed / jobs * JOBS_A_MONTH / out:.1%} |",
            f"| a publish, processor | {mean(spent, 0):.2f} s, of which history "
            f"{mean(spent, 1):.2f} s |",
            *ten_years(shop),
        ]
    text = "\n".join(lines)
    say(text)
    place = Path(__file__).with_suffix(".md")
    head = "# History\n\n`python -m tests.bench.history DEMO`, on two cores with others at work\n\n"
    place.write_text(f"{head}{text}\n", encoding="utf-8")


def mean(spent: list[tuple[float, float]], which: int) -> float:
    """Return the mean over all publishes but the first, which has no past."""
    return sum(one[which] for one in spent[1:]) / len(spent[1:])


def publish(shop, settings, now) -> tuple[float, float]:
    """Take in, derive and publish; return the processor seconds of the last, and of history."""
    own = []

    def timed(*given):
        began = time.process_time()
        plain(*given)
        own.append(time.process_time() - began)

    plain, history.record = history.record, timed
    try:
        with store.writer(shop) as connection:
            take_in(connection, shop, settings, now=now, settle_s=0.0)
            derive(connection, shop, settings)
            began = time.process_time()
            publish_snapshot(connection, shop, now=now, heal=say)
            return time.process_time() - began, own[0]
    finally:
        history.record = plain


def size(shop) -> int:
    """Return the bytes of the history."""
    return sum(path.stat().st_size for path in shop.history.iterdir())


def pack(shop) -> None:
    """Pack all there is, as when the month is over."""
    index = history.read_index(shop.history)
    later = replace(index, states=[*index.states, ("2099-01-01T00:00:00+00:00", 0)])
    packed = history._packed(shop.history, later)
    history._write_index(shop.history, replace(packed, states=index.states))
    history._sweep(shop, packed)


def ten_years(shop) -> list[str]:
    """Repeat the month, and open its first, its middle and its last days."""
    index = history.read_index(shop.history)
    (month,) = index.files
    count, files = month.last, []
    for turn in range(MONTHS):
        by, name = turn * count, f"rows-{turn * count + 1:08d}-{(turn + 1) * count:08d}.parquet"
        target = shop.history / f"ten-{name}"
        duckdb.execute(
            f"COPY (SELECT * REPLACE (number + {by} AS number, if(since = 0, 0, since + {by}) AS "  # noqa: S608
            f"since) FROM '{shop.history / month.name}') TO '{target}' (FORMAT parquet, "
            f"COMPRESSION zstd, COMPRESSION_LEVEL 9, ROW_GROUP_SIZE {history.PACKED_ROWS})"
        )
        files.append(history.KeptFile(by + 1, by + count, target.name, target.stat().st_size, ""))
    days = [BEGINS + dt.timedelta(days=3 * n) for n in range(MONTHS * count + 1)]
    states = [(day.isoformat(), n) for n, day in enumerate(days)]
    history._write_index(shop.history, replace(index, states=states, files=files))
    told = [f"| ten years so | {size(shop) / 1e6:.0f} MB in {MONTHS} files, {len(states)} days |"]
    for word, place in (("oldest", 1), ("middle", len(days) // 2), ("newest", len(days) - 3)):
        began = time.perf_counter()
        then = history.as_of(shop.root, days[place].date())
        opened = time.perf_counter()
        with open_reader(then.path) as reader:
            for question in ("remap_needs", "quarters", "map_revisions"):
                ask(reader, question)
        asked = time.perf_counter()
        told.append(
            f"| the {word} day: opened for the first time, then three answers | "
            f"{opened - began:.2f} s, {asked - opened:.2f} s; {then.path.stat().st_size / 1e6:.1f} "
            "MB |"
        )
    return told


if __name__ == "__main__":
    main()
