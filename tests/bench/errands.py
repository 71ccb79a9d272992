"""Drives the errands that people come with through a browser, and counts clicks and seconds.

    python -m tests.bench.errands SHOP [--write]

SHOP is a full demo shop that may be written to: one errand sets a pull aside. Every errand begins
on the start page. A click is a press of the mouse, also into a field; keys are typed without one.
Seconds run from the first click until what was asked for is seen, at a machine's speed of hand.
"""

from __future__ import annotations

import argparse
import os
import re
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

from tests.pictures import SETTLED, browser_path, served
from tests.result_table import write_beside

FOUR_STAGES = "J-0007"
"""A job of the demo with four stages."""
PATIENCE_MS = 180_000


class Hand:
    """A person at the page: what is pressed is counted."""

    def __init__(self, page: Any) -> None:
        self.page, self.clicks = page, 0

    def click(self, target: Any) -> None:
        """Press something with the mouse."""
        target.click(timeout=PATIENCE_MS)
        self.clicks += 1

    def link(self, text: str) -> None:
        """Press the first link of the page that is called so."""
        self.click(self.page.get_by_test_id("stMain").get_by_role("link", name=text).first)

    def sees(self, target: Any) -> None:
        """Wait until something is there."""
        target.first.wait_for(timeout=PATIENCE_MS)


def _open_bike_on_dyno(hand: Hand) -> None:
    hand.link("B-")
    hand.page.wait_for_url("**/bike?**", timeout=PATIENCE_MS)
    hand.sees(hand.page.locator("[data-testid=stPlotlyChart] .main-svg"))


def overlay(hand: Hand) -> None:
    """Search for a job and open it."""
    box = hand.page.get_by_test_id("stSidebar").get_by_role("textbox")
    hand.click(box)
    box.fill(FOUR_STAGES)
    box.press("Enter")
    hand.page.wait_for_url("**/find?**", timeout=PATIENCE_MS)
    hand.link(FOUR_STAGES)
    hand.sees(hand.page.locator("[data-testid=stPlotlyChart] .main-svg"))
    lines = hand.page.locator(".legendtext").filter(has_text=re.compile(r"^[1-4] "))
    if lines.count() != 4:
        raise RuntimeError(f"{lines.count()} stages lie over one another")


def sheet(hand: Hand) -> None:
    """Open the bike on the dyno and take its sheet."""
    _open_bike_on_dyno(hand)
    with hand.page.expect_download(timeout=PATIENCE_MS) as coming:
        hand.click(hand.page.get_by_role("button", name="The customer's sheet (PDF)"))
    if Path(coming.value.path()).read_bytes()[:5] != b"%PDF-":
        raise RuntimeError("what came is no PDF")


def remap(hand: Hand) -> None:
    """Look at the start page."""
    said = hand.page.get_by_text("Needs a remap most:")
    hand.sees(said)
    box = said.first.bounding_box()
    if box is None or box["y"] + box["height"] > 900:
        raise RuntimeError("it stands below the first screen")


def aside(hand: Hand) -> None:
    """Open the bike on the dyno, its pulls, and set one aside with a reason."""
    _open_bike_on_dyno(hand)
    page = hand.page
    hand.click(page.get_by_test_id("stMain").get_by_text("Pulls", exact=True).first)
    hand.click(page.get_by_test_id("stButtonGroup").get_by_text("pull 2 (").first)
    reason = page.get_by_label("Why it does not count")
    hand.click(reason)
    reason.fill("the tyre slipped")
    reason.press("Enter")
    hand.sees(page.get_by_text("Set aside:"))


def like_it(hand: Hand) -> None:
    """Open the bike on the dyno, and what was built like it."""
    _open_bike_on_dyno(hand)
    hand.link("Built like it before")
    hand.sees(hand.page.get_by_text("Ended on:"))


class Errand(NamedTuple):
    """What a person comes for, and in how many clicks it must be done."""

    wanted: str
    most: int
    do: Callable[[Hand], None]


ERRANDS = [
    Errand("overlay of four stages, of a job that is searched for", 2, overlay),
    Errand("sheet in hand", 3, sheet),
    Errand("what needs a remap most", 0, remap),
    Errand("a similar build and the map it ended on", 3, like_it),
    Errand("a bad pull set aside, until the page shows it so", 4, aside),
]


class Took(NamedTuple):
    """Clicks and seconds of an errand."""

    errand: Errand
    clicks: int
    seconds: float


def measure(shop: Path) -> list[Took]:
    """Serve a shop's pages and do every errand once, from the start page."""
    from playwright.sync_api import sync_playwright

    found = []
    with served(shop) as address, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=browser_path(), args=["--no-sandbox"])
        for errand in ERRANDS:
            page = browser.new_page(viewport={"width": 1440, "height": 900})
            page.goto(address)
            page.wait_for_function(SETTLED, timeout=PATIENCE_MS)
            hand, began = Hand(page), time.monotonic()
            errand.do(hand)
            found.append(Took(errand, hand.clicks, time.monotonic() - began))
            sys.stdout.write(f"{errand.wanted}: {hand.clicks}, {found[-1].seconds:.1f} s\n")
            page.close()
        browser.close()
    return found


def table(found: list[Took]) -> str:
    """Return the result as Markdown."""
    lines = [
        "| errand, from the start page | clicks | at most | seconds |",
        "| --- |" + " --- |" * 3,
    ]
    lines += [
        f"| {one.errand.wanted} | {one.clicks} | {one.errand.most} | {one.seconds:.1f} |"
        for one in found
    ]
    return "\n".join(lines)


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description="Count clicks and seconds of people's errands.")
    parser.add_argument("shop", type=Path, help="a full demo shop that may be written to")
    parser.add_argument("--write", action="store_true", help="write errands.md")
    asked = parser.parse_args()
    load = os.getloadavg()[0]
    found = measure(asked.shop.resolve())
    text = (
        f"{table(found)}\n\nA click is a press of the mouse, also into a field; keys are typed "
        "without one. Seconds run from the first click until it is seen, with no time to read or "
        f"to think. Load of the machine at the start: {load:.0f} on {os.cpu_count()} cores."
    )
    sys.stdout.write(f"{text}\n")
    if asked.write:
        write_beside(
            __file__,
            "Errands by clicks and seconds",
            text,
            "python -m tests.bench.errands DEMO --write",
        )
    if late := [one for one in found if one.clicks > one.errand.most]:
        sys.exit(f"too many clicks: {', '.join(one.errand.wanted for one in late)}")


if __name__ == "__main__":
    main()
