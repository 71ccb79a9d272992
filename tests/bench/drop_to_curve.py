"""Times how long a dropped pull takes to its curve on a screen that nobody touches.

    python -m tests.bench.drop_to_curve SHOP [--drops 10] [--write]

SHOP is a demo shop that may be written to. It is served as a shop serves it, a browser stands on
the page of the latest pull, and pulls are dropped one by one into a job whose card takes them.
Seconds count from the last byte written: until the pointer names a new snapshot, and until the
browser shows the pull. Beside them stand the processor seconds of all that is served, which other
work on the machine does not change.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import random
import shutil
import socket
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import psutil

from fixtures.odd_files import FOLDER as ODD
from tests.conftest import card_text, pull_text, stage_text
from tests.pictures import browser_path
from tests.result_table import write_beside
from warehouse.questions import ask
from warehouse.shop import ShopFolder
from warehouse.snapshot import current, open_reader

FOLDER, PAUSES_S = "J-99001", (0.0, 1.7)
"""Drops come at any time of the server's own rounds."""
PATIENCE_S = 120.0


class Took(NamedTuple):
    """Seconds from the drop."""

    published_s: float
    shown_s: float
    processor_s: float


def processor_s() -> float:
    """Return what this process's children, and theirs, have used of the processor."""
    total = 0.0
    for child in psutil.Process().children(recursive=True):
        with contextlib.suppress(psutil.Error):
            if "chrom" not in child.name():
                times = child.cpu_times()
                total += times.user + times.system
    return total


def free_port() -> int:
    """Return a port that nobody listens on."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return free.getsockname()[1]


def prepare(shop: ShopFolder) -> None:
    """Put a job with one pull into the shop, and take it in."""
    shutil.copy(ODD / "layouts" / "plain-pull.toml", shop.layouts)
    folder = shop.inbox / FOLDER
    folder.mkdir()  # a shop that was measured already would show other pulls
    stages = [stage_text("remapped", ["run_*.csv"])]
    card = card_text(job=FOLDER, bike="B-99001", stages=stages)
    (folder / "card.toml").write_text(card, encoding="utf-8")
    drop(shop, 0)
    subprocess.run([sys.executable, "-m", "flows.cli", "update", str(shop.root)], check=False)


def drop(shop: ShopFolder, number: int) -> str:
    """Write a pull as dyno software does, and return its name."""
    name = f"run_{number}.csv"
    text = pull_text(1.0 + random.Random(number).gauss(0.0, 0.004))
    (shop.inbox / FOLDER / name).write_text(text, encoding="utf-8")
    return name


@contextlib.contextmanager
def served(shop: ShopFolder) -> Iterator[str]:
    """Serve a shop as `rollbook serve` does, for the life of the block."""
    pages, scheduler = free_port(), free_port()
    ports = ["--dashboard-port", str(pages), "--server-port", str(scheduler)]
    command = [sys.executable, "-m", "flows.cli", "serve", str(shop.root), *ports]
    process = subprocess.Popen(command, start_new_session=True, env=dict(os.environ))
    try:
        wait_for(lambda: _answers(pages) and _answers(scheduler))
        yield f"http://127.0.0.1:{pages}"
    finally:
        process.terminate()
        process.wait(60)


def _answers(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


def wait_for(is_so) -> float:
    """Return when something became so; raise TimeoutError if it does not."""
    ends = time.monotonic() + PATIENCE_S
    while time.monotonic() < ends:
        if is_so():
            return time.monotonic()
        time.sleep(0.05)
    raise TimeoutError("nothing came of it")


def is_published(shop: ShopFolder, number: int) -> bool:
    """Whether the snapshot that is pointed to shows this pull as the latest."""
    with open_reader(current(shop.root).path) as reader:
        return ask(reader, "latest_pull", held_rpm=150.0)["file_name"][0] == f"run_{number}.csv"


def measure(shop: ShopFolder, drops: int) -> list[Took]:
    """Serve the shop, drop pulls, and return what each took."""
    from playwright.sync_api import sync_playwright

    prepare(shop)
    found = []
    with served(shop) as address, sync_playwright() as playwright:
        options = {"executable_path": browser_path(), "args": ["--no-sandbox"]}
        page = playwright.chromium.launch(**options).new_page()
        page.goto(f"{address}/latest-pull")
        page.get_by_text("pull 1", exact=False).first.wait_for(timeout=1000 * PATIENCE_S)
        wait_for(lambda: "schedule" not in str(shop.logs) and (shop.logs / "flows.log").exists())
        time.sleep(15.0)  # the server's first look at all of it
        for number in range(1, drops + 1):
            time.sleep(PAUSES_S[number % 2])
            seen = current(shop.root).number
            used = processor_s()
            drop(shop, number)
            began = time.monotonic()
            wait_for(lambda seen=seen: current(shop.root).number != seen)
            published = time.monotonic()
            text = f"pull {number + 1}"
            page.get_by_text(text).first.wait_for(timeout=1000 * PATIENCE_S)
            page.locator("[data-testid=stPlotlyChart] .main-svg").first.wait_for()
            took = (published - began, time.monotonic() - began, processor_s() - used)
            found.append(Took(*took))
            if not is_published(shop, number):
                raise RuntimeError(f"another pull than {number} is shown as the latest")
            print(number, found[-1], flush=True)
        page.screenshot(path=str(shop.reports / "latest-pull.png"))
    return found


def table(found: list[Took]) -> str:
    """Return the result as Markdown."""
    lines = ["| seconds from the drop | median | slowest |", "| --- | --- | --- |"]
    for word, values in (
        ("until it is published", [one.published_s for one in found]),
        ("until its curve is on the screen", [one.shown_s for one in found]),
        ("of the processor, all that is served", [one.processor_s for one in found]),
    ):
        lines.append(f"| {word} | {statistics.median(values):.1f} | {max(values):.1f} |")
    return "\n".join(lines)


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description="Time a dropped pull to its curve on a screen.")
    parser.add_argument("shop", type=Path, help="a demo shop that may be written to")
    parser.add_argument("--drops", type=int, default=10)
    parser.add_argument("--write", action="store_true", help="write drop_to_curve.md")
    asked = parser.parse_args()
    load = os.getloadavg()[0]
    found = measure(ShopFolder(asked.shop.resolve()), asked.drops)
    text = (
        f"{len(found)} pulls dropped one by one into a served demo shop, a browser on the page "
        f"of the latest pull.\n\n{table(found)}\n\nTwo of the seconds are the rest that a file "
        f"must have had (`settle_s`). Load of the machine at the start: {load:.0f} on "
        f"{os.cpu_count()} cores; above their number, wall-clock seconds are those of a queue."
    )
    print(text)
    if asked.write:
        write_beside(__file__, "From a dropped pull to its curve on the screen", text)


if __name__ == "__main__":
    main()
