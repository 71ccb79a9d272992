"""Which tables an update reads whole for one more job, step by step.

    python -m tests.bench.reads [--sizes 1000 4000]

DuckDB's own profile says of each scan how many rows it passed and whether an index led to them.
Tables are filled (see `filled_shop`); the job of ten pulls is the same at both sizes, so what a
step reads more of at the larger one it reads only because it stands there.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import duckdb

from tests.bench.growth import REST, Watch
from tests.result_table import write_beside

SIZES = (1_000, 4_000)
LONG = 5
"""Rows a pull, from which a table is long: the others hold a row a pull, a stage or a job."""
WHOLE_SHARE = 0.5
"""Of a table's rows, from which on it was read whole: a few keys are far below, a scan is 1."""


class Read(NamedTuple):
    """What a step read of a table for one more job."""

    scanned: int
    by_index: int
    holds: int
    pulls: int

    @property
    def is_long(self) -> bool:
        """Tell whether the table grows by many rows a pull."""
        return self.holds >= LONG * self.pulls

    @property
    def times_whole(self) -> float:
        """Return how often all rows of the table were passed."""
        return self.scanned / max(self.holds, 1)


class Counting:
    """A connection that keeps of each table the rows that its queries scanned."""

    def __init__(self, connection: duckdb.DuckDBPyConnection) -> None:
        self._connection, self._is_open = connection, False
        self.scanned: Counter[str] = Counter()
        self.by_index: Counter[str] = Counter()
        connection.execute("SET enable_profiling = 'no_output'")
        connection.execute("SET profiling_mode = 'detailed'")

    def __getattr__(self, name: str) -> Any:
        return getattr(self._connection, name)

    def execute(self, *arguments: Any) -> Any:
        """Run a query; what the last one scanned is known by now."""
        self.gather()
        self._is_open = True
        return self._connection.execute(*arguments)

    def sql(self, *arguments: Any, **named: Any) -> Any:
        """Ask a query that runs when its rows are asked for."""
        self.gather()
        self._is_open = True
        return self._connection.sql(*arguments, **named)

    def gather(self) -> None:
        """Take down what the last query scanned."""
        if self._is_open:
            self._is_open = False
            profile = json.loads(self._connection.get_profiling_information(format="json"))
            for table, kind, rows in scans(profile):
                (self.by_index if kind == "Index Scan" else self.scanned)[table] += rows

    def take(self) -> tuple[Counter[str], Counter[str]]:
        """Return what was scanned since it was last asked for, without and with an index."""
        self.gather()
        found = self.scanned, self.by_index
        self.scanned, self.by_index = Counter(), Counter()
        return found


def scans(node: dict[str, Any]) -> Iterator[tuple[str, str, int]]:
    """Yield table, kind and rows of each scan in a profile."""
    told = node.get("extra_info", {})
    if node.get("type") == "TABLE_SCAN" and "Table" in told:
        table = ".".join(told["Table"].replace('"', "").split(".")[-2:])
        yield table, told.get("Type", ""), int(node.get("rows_scanned", 0))
    for below in (*node.get("children", ()), *node.get("operator", ())):
        yield from scans(below)


class Reading(Watch):
    """Keeps what each step read, besides its seconds."""

    def __init__(self, connection: Counting, jobs: range) -> None:
        super().__init__(connection, jobs)
        self.read: dict[str, tuple[Counter[str], Counter[str]]] = {}

    def run(self, name: str, function: Callable[..., Any], *arguments: object) -> Any:
        """Run a step; what was read before it belongs to no step."""
        self.keep(REST)
        result = super().run(name, function, *arguments)
        # The curves are filled in: what that reads is no part of an update.
        if name == "draw curves":
            self._connection.take()
        else:
            self.keep(name)
        return result

    def keep(self, name: str) -> None:
        """Add what was read just now to a step's."""
        taken = self._connection.take()
        known = self.read.setdefault(name, (Counter(), Counter()))
        for so_far, new in zip(known, taken, strict=True):
            so_far.update(new)


def measure(pulls: int) -> dict[tuple[str, str], Read]:
    """Return what one more job has each step read of each table."""
    import flows.derive
    from flows.settings import open_shop
    from flows.steps.link import link_jobs
    from flows.steps.progress import quietly
    from tests.bench import logs
    from tests.bench.filled_shop import fill_ledger
    from warehouse.store import writer

    jobs = pulls // logs.PULLS_A_JOB
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        (Path(folder) / "rollbook.toml").write_text(logs.SETTINGS, encoding="utf-8")
        shop, settings = open_shop(Path(folder))
        with writer(shop) as connection:
            counting: Any = Counting(connection)
            watch = Reading(counting, range(0))
            for span in (range(jobs), range(jobs, jobs + 1)):
                watch = Reading(counting, span)
                fill_ledger(connection, span)
                watch.run("link files to stages", link_jobs, counting, quietly)
                flows.derive.derive(counting, shop, settings, run=watch.run)
                watch.keep(REST)
            holds = dict(
                connection.execute(
                    "SELECT schema_name || '.' || table_name, estimated_size FROM duckdb_tables()"
                ).fetchall()
            )
    return {
        (step, table): Read(scanned[table], by_index[table], holds.get(table, 0), pulls)
        for step, (scanned, by_index) in watch.read.items()
        for table in {*scanned, *by_index}
    }


def read_whole(found: dict[tuple[str, str], Read]) -> dict[tuple[str, str], float]:
    """Return how often a step passed all rows of a long table, where it did."""
    return {
        key: read.times_whole
        for key, read in found.items()
        if read.is_long and read.times_whole >= WHOLE_SHARE
    }


def table(found: dict[int, dict[tuple[str, str], Read]]) -> str:
    """Return what is read of long tables as Markdown."""
    sizes = sorted(found)
    lines = [
        "One more job of ten pulls; tables of at least five rows a pull. Times: how often all rows",
        "of the table were passed; below 1 its parts' least and greatest keys spared some.",
        "",
        "No step finds a few keys of a long table by its index: the index is over the key and the",
        "engine speed together, and DuckDB looks up keys only in an index over one column (tried).",
        f"`{REST}` holds the sums by which a change is seen, and the checks:",
        "both go over all rows by intent.",
        "",
        "| step | table | "
        + " | ".join(f"rows at {n:,} pulls | times" for n in sizes)
        + " | by index |",
        "| --- | --- |" + " --: | --: |" * len(sizes) + " --: |",
    ]
    keys = sorted(
        {key for of_size in found.values() for key, read in of_size.items() if read.is_long}
    )
    for key in keys:
        reads = [found[n].get(key) for n in sizes]
        cells = [
            f"{read.scanned:,} | {read.times_whole:.1f}" if read else "– | –" for read in reads
        ]
        by_index = sum(read.by_index for read in reads if read)
        lines.append(f"| {key[0]} | {key[1]} | {' | '.join(cells)} | {by_index:,} |")
    return "\n".join(lines)


def main() -> None:
    """Measure each size and write the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sizes", type=int, nargs="+", default=list(SIZES))
    found = {pulls: measure(pulls) for pulls in parser.parse_args().sizes}
    print(table(found))
    write_beside(__file__, "What one more job has the update read", table(found))


if __name__ == "__main__":
    main()
