"""How the work of every derived step grows with the shop, and what one more job costs.

    python -m tests.bench.growth [--sizes 500 2000 16000 60000] [--write]

Tables are filled (see `filled_shop`), no file is read. Each size runs in a process of its own; the
exponent of a step is the slope of ln processor seconds over ln pulls.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import math
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import psutil

SIZES = (500, 2_000, 8_000, 16_000)
HERE = Path(__file__).resolve()
REST = "compare, check and the rest"
LEAST_S = 0.05
"""A step that takes less is not judged: starting costs more than its work."""


def processor_s() -> float:
    """Return the processor seconds of this process and its workers, those at work included."""
    me = psutil.Process()
    found = sum(me.cpu_times()[:4])
    for worker in me.children(recursive=True):
        with contextlib.suppress(psutil.NoSuchProcess):  # ended just now: counted next time
            found += sum(worker.cpu_times()[:4])
    return found


class Watch:
    """Keeps the processor seconds of each step, and has the curves filled instead of drawn."""

    def __init__(self, connection: Any, jobs: range) -> None:
        self.seconds: dict[str, float] = {}
        self._connection, self._jobs, self._filling = connection, jobs, 0.0

    def run(self, name: str, function: Callable[..., Any], *arguments: object) -> Any:
        """Run a step as derive asks."""
        if name == "draw curves":
            return self._fill()
        if name in ("read rides", "suggest fuel changes"):
            return 0
        began = processor_s()
        result = function(*arguments)
        self.seconds[name] = self.seconds.get(name, 0.0) + processor_s() - began
        return result

    def rest(self, function: Callable[..., Any], *arguments: object, **named: Any) -> None:
        """Run what takes the steps, and keep what it takes besides them."""
        before, self._filling = sum(self.seconds.values()), 0.0
        began = processor_s()
        function(*arguments, **named)
        took = processor_s() - began - self._filling
        self.seconds[REST] = took - (sum(self.seconds.values()) - before)

    def _fill(self) -> int:
        from flows.steps.repeats import set_repeats_aside
        from flows.steps.short_pulls import set_short_aside
        from tests.bench.filled_shop import fill_curves
        from warehouse import store

        began = processor_s()
        batches = fill_curves(self._connection, self._jobs)
        self._filling += processor_s() - began
        with store.transaction(self._connection):
            for ids in batches:
                self.run("set repeats aside", set_repeats_aside, self._connection, ids, [])
                self.run("set short pulls aside", set_short_aside, self._connection)
        return len(batches)


def measure(pulls: int) -> dict[str, dict[str, float]]:
    """Return the seconds of each step for a whole shop, for one more job, and for nothing new."""
    import flows.derive
    from flows.settings import open_shop
    from flows.steps.link import link_jobs
    from flows.steps.progress import quietly
    from tests.bench import logs
    from tests.bench.filled_shop import fill_ledger
    from warehouse.store import writer

    jobs = pulls // logs.PULLS_A_JOB
    found = {}
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        (Path(folder) / "rollbook.toml").write_text(logs.SETTINGS, encoding="utf-8")
        shop, settings = open_shop(Path(folder))
        with writer(shop) as connection:
            for work, span in (
                ("whole", range(jobs)),
                ("one more job", range(jobs, jobs + 1)),
                ("nothing new", range(jobs + 1, jobs + 1)),
            ):
                watch = Watch(connection, span)
                if span:
                    fill_ledger(connection, span)
                watch.run("link files to stages", link_jobs, connection, quietly)
                watch.rest(flows.derive.derive, connection, shop, settings, run=watch.run)
                found[work] = watch.seconds
    return found


def exponent(sizes: list[int], seconds: list[float]) -> float:
    """Return the slope of ln seconds over ln pulls between the sizes at which a step is seen."""
    seen = [(math.log(n), math.log(s)) for n, s in zip(sizes, seconds, strict=True) if s >= LEAST_S]
    if len(seen) < 2:
        return math.nan
    return (seen[-1][1] - seen[0][1]) / (seen[-1][0] - seen[0][0])


def table(found: dict[int, dict[str, dict[str, float]]]) -> str:
    """Return the measurements as Markdown."""
    sizes = sorted(found)
    head = " | ".join(f"{n:,}" for n in sizes)
    lines = [
        "# How the work grows",
        "",
        "Written by `python -m tests.bench.growth`: processor seconds of each step on filled",
        "tables, no file read. The exponent is between the smallest size at which a step takes",
        f"{LEAST_S} s and the largest. One more job: a job of ten pulls, at the largest size.",
        "",
        f"| step | {head} | exponent | one more job | nothing new |",
        "| --- |" + " --: |" * (len(sizes) + 3),
    ]
    for step in found[sizes[-1]]["whole"]:
        seconds = [found[n]["whole"].get(step, 0.0) for n in sizes]
        slope = exponent(sizes, seconds)
        cells = [f"{s:.2f}" for s in seconds]
        cells += ["–" if math.isnan(slope) else f"{slope:.2f}"]
        cells += [
            f"{found[sizes[-1]][w].get(step, 0.0):.2f}" for w in ("one more job", "nothing new")
        ]
        lines.append(f"| {step} | {' | '.join(cells)} |")
    return "\n".join(lines) + "\n"


def main() -> None:
    """Measure each size in its own process and print, or write, the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sizes", type=int, nargs="+", default=list(SIZES))
    parser.add_argument("--write", action="store_true", help=f"write {HERE.stem}.md")
    parser.add_argument("--worker", type=int)
    given = parser.parse_args()
    if given.worker:
        print(json.dumps(measure(given.worker)))
        return
    found = {}
    for pulls in given.sizes:
        process = subprocess.run(
            [sys.executable, "-m", "tests.bench.growth", "--worker", str(pulls)],
            stdout=subprocess.PIPE,
            check=True,
            env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
        )
        found[pulls] = json.loads(process.stdout.splitlines()[-1])
        if given.write:
            HERE.with_suffix(".md").write_text(table(found), encoding="utf-8", newline="\n")
    sys.stdout.write(table(found))


if __name__ == "__main__":
    main()
