"""How fast the pages are to the eye: `python -m tests.bench.pages DEMO TEN_YEARS`.

Each page of each shop is opened once in a browser whose files of the frame are there already, on a
server that has shown another page: the time until the page stands. Then the processor's time of
the server for the same page once more, and for choosing something else, over the websocket that a
browser uses. Writes pages.md beside itself.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import sys
import time
from pathlib import Path
from typing import Any, NamedTuple

from playwright.sync_api import Page, sync_playwright

from tests import pictures
from tests.bench.visitor import Visitor, memory_mb, processor_s

RUNS = 5
CHOICES_A_LIST = 3
SESSIONS = 5
PAGES = pictures.PAGES | {"latest-pull": "latest-pull", "find": "find?q=exhaust"}
NO_CHOICE = ("Part of the page",)
"""What leads to a page that stands in the table by itself."""
DRAWN = (
    "() => [...document.querySelectorAll('[data-testid=stPlotlyChart]')]"
    ".every(one => one.querySelector('.main-svg') || !one.checkVisibility())"
)
SEEN = (
    "() => [...document.querySelectorAll('[data-testid=stMain] [data-testid=stElementContainer]')]"
    ".filter(one => one.innerText.trim() && !one.closest('[data-testid=stExpander]')"
    " && !one.querySelector('[data-testid=stSkeleton]')).length > 1"
)
"""Its title, and the first that it says under it."""
HERE = Path(__file__).resolve()


class Measured(NamedTuple):
    """A page: what it took."""

    seen_s: float
    paint_s: float
    browser_ms: float
    first_ms: float
    sent_kb: float
    warm_ms: float
    choices_ms: list[float]


class Shop(NamedTuple):
    """A shop: its pages, and what the server held before and with all sessions."""

    pages: dict[str, Measured]
    one_mb: float
    all_mb: float


def measure(shop: Path, browser: Any) -> Shop:
    """Return what every page of a shop takes."""
    with pictures.serving(shop) as (address, process):
        context = browser.new_context(viewport={"width": 1440, "height": 900})
        page = context.new_page()
        paint(page, f"{address}/how-many-pulls")
        found = {name: of_page(address, path, process, page) for name, path in PAGES.items()}
        context.close()
        one = memory_mb(process)
        visitors = [Visitor(address) for _ in range(SESSIONS)]
        for visitor in visitors:
            for path in PAGES.values():
                visitor.open(path)
        return Shop(found, one, memory_mb(process))


def paint(page: Page, url: str) -> tuple[float, float]:
    """Return the seconds until what a page says first is seen, and until its pictures stand."""
    begun = time.perf_counter()
    page.goto(url)
    page.wait_for_function(SEEN, timeout=60_000)
    seen = time.perf_counter() - begun
    page.wait_for_function(pictures.SETTLED, timeout=60_000)
    page.wait_for_function(DRAWN, timeout=60_000)
    return seen, time.perf_counter() - begun


def of_page(address: str, path: str, process: int, page: Page) -> Measured:
    """Return what a page takes, at first in the browser, then without it."""
    before, browser_before = processor_s(process), browser_s()
    seen, painted = paint(page, f"{address}/{path}")
    first, drawing = processor_s(process) - before, browser_s() - browser_before
    page.goto("about:blank")
    with Visitor(address) as visitor:
        visitor.open(path)
        sent = visitor.received_bytes / 1e3
        warm = sorted(spent(visitor, process) for _ in range(RUNS))[RUNS // 2]
        chosen = choose(visitor, process)
        return Measured(seen, painted, 1e3 * drawing, 1e3 * first, sent, warm, chosen)


def browser_s() -> float:
    """Return the processor seconds of all processes of the browser that this one started."""
    parents: dict[int, list[int]] = {}
    for state in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):
            number, _, rest = state.read_text(encoding="utf-8").partition(" (")
            parents.setdefault(int(rest.rpartition(")")[2].split()[1]), []).append(int(number))
    found, open_ends = 0.0, [os.getpid()]
    while open_ends:
        for child in parents.get(open_ends.pop(), []):
            open_ends.append(child)
            with contextlib.suppress(OSError):
                name = Path(f"/proc/{child}/comm").read_text(encoding="utf-8")
                found += processor_s(child) if name.startswith("chrom") else 0.0
    return found


def spent(visitor: Visitor, process: int, *changed: Any, fragment: str = "") -> float:
    """Return the processor's time of a run [ms]."""
    before = processor_s(process)
    visitor.run(*changed, fragment=fragment)
    return 1e3 * (processor_s(process) - before)


def choose(visitor: Visitor, process: int) -> list[float]:
    """Return what it takes to choose something else, from each list of the page."""
    lists: dict[str, list[Any]] = {}
    for label, choice, fragment in visitor.choices():
        if label not in NO_CHOICE:
            lists.setdefault(label, []).append((choice, fragment))
    found = []
    for choices in lists.values():
        for choice, _ in choices[1 : CHOICES_A_LIST + 1]:
            # A choice above may have drawn this list anew, or not at all.
            now = {one.id: where for _, one, where in visitor.choices()}
            if choice.id in now:
                found.append(spent(visitor, process, choice, fragment=now[choice.id]))
                visitor.run()
    return found


def table(shops: dict[str, Shop], load: float) -> str:
    """Return what was measured as text."""
    lines = [
        "# How fast the pages are to the eye",
        "",
        "Written by `python -m tests.bench.pages DEMO TEN_YEARS`. Seen: seconds in a browser until",
        "the title and the first words under it of a page that nobody opened before are there, on",
        "a server that showed another; paint: until all of it stands, every picture drawn, below",
        "the first screen too. Browser and first: milliseconds of processor that browser and",
        "server spent on that; together they are what paint takes on an idle core at most. Warm,",
        f"choice: of the server, for the same page once more (median of {RUNS}), and for choosing",
        "something else (median, and the most). kB: what is sent when it is opened.",
        f"{os.cpu_count()} cores; load of the machine at the beginning {load:.1f}: paint is by the",
        "clock, and waits for other work.",
    ]
    for title, shop in shops.items():
        lines += [
            "",
            f"## {title}",
            "",
            "| page | seen s | paint s | browser ms | first ms | kB | warm ms | choice ms | most |",
            "| --- | --: | --: | --: | --: | --: | --: | --: | --: |",
        ]
        for name, one in shop.pages.items():
            picked = sorted(one.choices_ms)
            chosen = f"{picked[len(picked) // 2]:.0f} | {picked[-1]:.0f}" if picked else "– | –"
            lines.append(
                f"| {name} | {one.seen_s:.2f} | {one.paint_s:.2f} "
                f"| {one.browser_ms:.0f} | {one.first_ms:.0f} "
                f"| {one.sent_kb:,.0f} "
                f"| {one.warm_ms:.0f} | {chosen} |"
            )
        lines += [
            "",
            f"Memory of the server: {shop.one_mb:.0f} MB after that, {shop.all_mb:.0f} MB with "
            f"{SESSIONS} more sessions that opened every page and stay.",
        ]
    return "\n".join(lines) + "\n"


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("demo", type=Path, help="a shop as `rollbook demo` makes it")
    parser.add_argument("ten_years", type=Path, help="a shop of ten years, or many_times.multiply")
    asked = parser.parse_args()
    load = os.getloadavg()[0]
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=pictures.browser_path(), args=["--no-sandbox"]
        )
        shops = {
            "A demo shop": measure(asked.demo, browser),
            "A shop of ten years": measure(asked.ten_years, browser),
        }
        browser.close()
    text = table(shops, load)
    HERE.with_suffix(".md").write_text(text, encoding="utf-8")
    sys.stdout.write(text)


if __name__ == "__main__":
    main()
