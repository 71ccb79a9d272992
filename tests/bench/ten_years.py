"""The shop of ten years: really made, taken in, derived and published, and then one more job.

    python -m tests.bench.ten_years FOLDER [--share 0.05]
    python -m tests.bench.ten_years SHOP --again

5,000 bikes, 60,000 pulls of 600 rows and 10,000 rides of 2,000 to 20,000 rows, or a share of them.
Each piece of work runs in a process of its own. Writes ten_years.md beside itself when it made the
whole; a share is printed only, and so is what one more job costs a shop that stands (`--again`).
That shop is written to.
"""

from __future__ import annotations

import argparse
import shutil
import sys
from pathlib import Path

from tests.bench import logs
from tests.bench import path as bench

PULLS, RIDES = 60_000, 10_000
RIDE_ROWS = (2_000, 4_000, 4_000, 8_000, 20_000)
"""Lengths that come in turn: 7,600 rows on average."""
BYTES_A_PULL, BYTES_A_RIDE_ROW = 30_000, 60
HERE = Path(__file__).resolve()
WHOLE, ONE_MORE, NOTHING = "whole shop", "one more job", "nothing new"


def needed_bytes(pulls: int, rides: int) -> int:
    """Return the space that a shop takes: text, its archive, samples and tables, generously."""
    text = pulls * BYTES_A_PULL + rides * BYTES_A_RIDE_ROW * sum(RIDE_ROWS) // len(RIDE_ROWS)
    return 3 * text + 1_000_000_000


def measure(folder: Path, share: float) -> str:
    """Make the shop, work on it three times, and return the table.

    Raises BenchError if the disk is too small or files were lost on the way.
    """
    pulls, rides = max(int(PULLS * share), 10), int(RIDES * share)
    free = shutil.disk_usage(folder.parent).free
    if free < needed_bytes(pulls, rides):
        raise bench.BenchError(
            f"{needed_bytes(pulls, rides) / 1e9:.0f} GB are needed, {free / 1e9:.0f} GB are free"
        )
    shop = folder / "shop"
    made = logs.write_bench_shop(shop, pulls, rides, RIDE_ROWS, progress=tell)
    found = {WHOLE: bench._in_fresh_process("update", str(shop), tell)}
    sizes = {name: size_of(shop / name) for name in ("inbox", "archive", "warehouse", "published")}
    found |= again(shop, made.jobs)
    for work, files in ((WHOLE, pulls + rides), (NOTHING, pulls + rides + logs.PULLS_A_JOB)):
        if found[work].files != files:
            raise bench.BenchError(f"{work}: {files} files went in, {found[work].files} came out")
    bikes = {logs._first_job(job) for job in range(made.jobs)}
    return table(found, sizes, f"{len(bikes):,} bikes, {pulls:,} pulls, {rides:,} rides")


def again(shop: Path, jobs: int) -> dict[str, bench.Measured]:
    """Add a job to a shop of so many, and then nothing."""
    logs.write_one_more_job(shop, jobs)
    return {
        work: bench._in_fresh_process("update", str(shop), tell) for work in (ONE_MORE, NOTHING)
    }


def size_of(folder: Path) -> int:
    """Return the bytes of all files of a folder."""
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())


def table(found: dict[str, bench.Measured], sizes: dict[str, int], shop: str) -> str:
    """Return the measurements as Markdown."""
    lines = [
        "# A shop of ten years",
        "",
        f"Written by `python -m tests.bench.ten_years`: {shop}.",
        "Seconds of the clock and of the processor, each piece of work in a process of its own.",
        "",
        f"| step | {' | '.join(f'{work}, s | CPU s' for work in found)} |",
        "| --- |" + " --: |" * (2 * len(found)),
    ]
    for phase in next(iter(found.values())).seconds:
        cells = [
            f"{figure:.2f}"
            for one in found.values()
            for figure in (one.seconds.get(phase, 0.0), one.cpu_seconds.get(phase, 0.0))
        ]
        lines.append(f"| {phase} | {' | '.join(cells)} |")
    sums = [f"{figure:.1f}" for one in found.values() for figure in (one.work_s, one.work_cpu_s)]
    lines += [f"| **without start** | {' | '.join(sums)} |", ""]
    memory = [f"{work} {(one.peak_rss_bytes or 0) / 1e6:,.0f} MB" for work, one in found.items()]
    lines.append(f"Peak memory: {', '.join(memory)}.")
    if sizes:
        held = [f"{name} {size / 1e9:.2f} GB" for name, size in sizes.items()]
        lines += ["", f"On disk: {', '.join(held)}."]
    return "\n".join(lines) + "\n"


def tell(done: int, total: int, word: str) -> None:
    """Show how far the work is, on a terminal."""
    if sys.stderr.isatty():
        sys.stderr.write(f"\r{word}: {done:,} of {total:,}   ")


def main() -> None:
    """Measure and print; write the table of the whole shop."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--share", type=float, default=1.0, help="of the whole shop")
    parser.add_argument("--again", action="store_true", help="only one more job of a standing shop")
    given = parser.parse_args()
    if given.again:
        jobs = sum(1 for _ in (given.folder / "inbox").iterdir())
        found = again(given.folder.resolve(), jobs)
        sys.stdout.write(table(found, {}, f"{jobs:,} jobs stood"))
        return
    given.folder.mkdir(parents=True)
    text = measure(given.folder.resolve(), given.share)
    sys.stdout.write(text)
    if given.share == 1.0:
        HERE.with_suffix(".md").write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
