"""Measures history: its size a month, what a publish costs more, and answers ten years back.

`python -m tests.bench.history DEMO [JOBS]` takes the last jobs out of a copy of a whole demo shop
and lets them come in again, a job a day, and writes history.md beside this file. Ten years are the
month so measured, again and again.
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
from flows.publish import publish_snapshot
from flows.settings import open_shop
from flows.terminal import say
from warehouse import history, store
from warehouse.questions import ask
from warehouse.snapshot import current, open_reader

BEGINS = dt.datetime(2026, 1, 1, 17, tzinfo=dt.UTC)
MONTHS = 120
OF_JOBS = ("arrival", "outcome", "card", "linked")
"""Tables that tell which files of which jobs came."""
WORKING_DAYS = 22
"""Of a month, a job or two each."""
JOBS_A_MONTH = 1.5 * WORKING_DAYS


def main() -> None:
    """Measure and write down."""
    demo, jobs = Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 9
    with tempfile.TemporaryDirectory(prefix="history_") as place:
        root = Path(place) / "shop"
        shutil.copytree(demo, root, ignore=shutil.ignore_patterns("inbox", "history", "published"))
        shop, settings = open_shop(root)
        with store.writer(shop) as connection:
            found = connection.execute(
                "SELECT job_folder FROM raw.linked WHERE job_folder SIMILAR TO 'J-0.*' ORDER BY 1"
            ).fetchall()
            later = [folder for (folder,) in found[-jobs:]]
            for table in OF_JOBS:
                connection.execute(
                    f"CREATE TEMP TABLE later_{table} AS FROM raw.{table} "
                    "WHERE list_contains(?, job_folder)",
                    [later],
                )
                connection.execute(
                    f"DELETE FROM raw.{table} WHERE list_contains(?, job_folder)",  # noqa: S608
                    [later],
                )
            publish(connection, shop, settings, BEGINS)
            spent, loose = [], 0
            for day, folder in enumerate(later, start=1):
                for table in OF_JOBS:
                    connection.execute(
                        f"INSERT INTO raw.{table} FROM later_{table} WHERE job_folder = ?", [folder]
                    )
                now = BEGINS + dt.timedelta(days=day)
                spent.append(publish(connection, shop, settings, now))
                loose = size(shop)
                say(
                    f"{folder}: {spent[-1][0]:.2f} s, history {spent[-1][1]:.2f} s, {loose:,} bytes"
                )
        pack(shop)
        standing = current(root)
        assert standing
        packed, out = size(shop), sum(path.stat().st_size for path in standing.files())
        lines = [
            "| what | figure |",
            "| --- | --- |",
            f"| jobs in the book, then one a day | {len(found) - jobs}, then {jobs} |",
            f"| published | {out / 1e6:.1f} MB |",
            f"| history of {jobs} jobs, day by day, then packed | {loose / 1e6:.2f} MB, "
            f"{packed / 1e6:.2f} MB |",
            f"| a month of {JOBS_A_MONTH:.0f} jobs, packed, of what is published | "
            f"{packed / jobs * JOBS_A_MONTH / out:.1%} |",
            f"| a publish, of which history | {mean(spent, 0):.2f} s, {mean(spent, 1):.2f} s |",
            *ten_years(shop),
        ]
    text = "\n".join(lines)
    say(text)
    place = Path(__file__).with_suffix(".md")
    head = "# History\n\n`python -m tests.bench.history DEMO`, seconds of the processor\n\n"
    place.write_text(f"{head}{text}\n", encoding="utf-8")


def mean(spent: list[tuple[float, float]], which: int) -> float:
    """Return the mean over all publishes that had a past."""
    return sum(one[which] for one in spent) / len(spent)


def publish(connection, shop, settings, now) -> tuple[float, float]:
    """Derive and publish; return the processor seconds of the last, and of history."""
    own = []

    def timed(*given):
        began = time.process_time()
        plain(*given)
        own.append(time.process_time() - began)

    plain, history.record = history.record, timed
    try:
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
    assert index
    later = replace(index, states=[*index.states, ("2099-01-01T00:00:00+00:00", 0)])
    packed = history._packed(shop.history, later) or later
    history._write_index(shop.history, replace(packed, states=index.states))
    history._sweep(shop, packed)


def ten_years(shop) -> list[str]:
    """Repeat the month, and open its first, its middle and its last days."""
    index = history.read_index(shop.history)
    assert index
    (month,) = index.files
    count, files = month.last, []
    for turn in range(MONTHS):
        by, name = turn * count, f"rows-{turn * count + 1:08d}-{(turn + 1) * count:08d}.parquet"
        target = shop.history / f"ten-{name}"
        duckdb.execute(
            f"COPY (SELECT * REPLACE (number + {by} AS number, if(since = 0, 0, since + {by}) AS "  # noqa: S608
            f"since) FROM '{shop.history / month.name}') TO '{target}' (FORMAT parquet, "
            f"{history.OF_A_MONTH}, ROW_GROUP_SIZE {history.PACKED_ROWS})"
        )
        files.append(history.KeptFile(by + 1, by + count, target.name, target.stat().st_size, ""))
    days = [BEGINS + dt.timedelta(days=3 * n) for n in range(MONTHS * count + 1)]
    states = [(day.isoformat(), n) for n, day in enumerate(days)]
    index = replace(index, states=states, files=files)
    while packed := history._packed(shop.history, index):
        index = packed
    history._write_index(shop.history, index)
    history._sweep(shop, index)
    told = [
        f"| ten years so | {size(shop) / 1e6:.1f} MB in {len(index.files)} files, "
        f"{len(states)} days |"
    ]
    for word, place in (("oldest", 1), ("middle", len(days) // 2), ("newest", len(days) - 3)):
        began = time.process_time()
        then = history.as_of(shop.root, days[place].date())
        opened = time.process_time()
        with open_reader(then.path) as reader:
            for question in ("remap_needs", "quarters", "map_revisions"):
                ask(reader, question)
        asked = time.process_time()
        told.append(
            f"| the {word} day: opened for the first time, then three answers | "
            f"{opened - began:.2f} s, {asked - opened:.2f} s; {then.path.stat().st_size / 1e6:.1f} "
            "MB |"
        )
    return told


if __name__ == "__main__":
    main()
