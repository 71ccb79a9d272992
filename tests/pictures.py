"""Takes a picture of every page, wide and narrow: `python -m tests.pictures SHOP OUTDIR`."""

from __future__ import annotations

import argparse
import contextlib
import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path

from schemas.network import Network

APP = Path(__file__).parents[1] / "dashboard" / "app.py"
PAGES = {
    "today": "",  # the first page stands at the address itself
    "what-came-in": "what-came-in",
    "bring-in-a-job": "bring-in-a-job",
    "teach-a-layout": "teach-a-layout",
    # Of the demo; elsewhere the last bike on the dyno.
    "bike-story": "bike?bike=B-0059&job=J-0246",
    "bike-gain": "bike?bike=B-0059&job=J-0246&part=gain",
    "bike-map": "bike?bike=B-0010&job=J-0108&part=map&stage=J-0108/1",
    "bike-health": "bike?bike=B-0059&part=health",
    "bike-rides": "bike?bike=B-0059&part=rides",
    "bike-pulls": "bike?bike=B-0059&part=pulls",
    "builds-like-this": "builds-like-this",
    "expected-mixture": "expected-mixture",
    "map-revisions": "map-revisions",
    "remap-need": "remap-need",
    "what-may-i-quote": "what-may-i-quote",
    "how-many-pulls": "how-many-pulls",
    "dyno-trust": "dyno-trust",
    "this-quarter": "this-quarter",
    "what-changed": "what-changed",
    "find": "find?q=exhaust",
    "latest-pull": "latest-pull",
}
WIDTHS_PX = (1440, 390)
SETTLED = (
    "() => document.querySelector('[data-testid=stApp]')?.dataset.testScriptState === 'notRunning'"
    " && document.querySelector('[data-testid=stExpander]')"
    " && !document.querySelector('[data-testid=stSkeleton]')"
)
"""The page has run to its end: the cautions, which every page carries, are there."""


def browser_path() -> str | None:
    """Return a Chromium on this machine, if there is one."""
    names = ("chromium", "chromium-browser", "google-chrome", "chrome", "msedge")
    return next((found for name in names if (found := shutil.which(name))), None)


@contextlib.contextmanager
def served(shop: Path) -> Iterator[str]:
    """Serve the pages of a shop on a free loopback port for the life of the block."""
    with serving(shop) as (address, _):
        yield address


@contextlib.contextmanager
def serving(shop: Path, *, patience_s: float = 60.0) -> Iterator[tuple[str, int]]:
    """Serve the pages of a shop; give their address and the number of the server's process.

    Raises TimeoutError if the server does not answer in time.
    """
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    command = [sys.executable, "-m", "flows.pages", str(APP), str(port)]
    command.append(Network().model_dump_json())
    address = f"http://127.0.0.1:{port}"
    server = subprocess.Popen(
        command,
        cwd=APP.parents[1],
        env={**os.environ, "ROLLBOOK_SHOP": str(shop.resolve())},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        until = time.monotonic() + patience_s
        while True:
            try:
                with urllib.request.urlopen(f"{address}/_stcore/health", timeout=2):  # noqa: S310
                    break
            except (urllib.error.URLError, ConnectionError, TimeoutError):
                if time.monotonic() > until or server.poll() is not None:
                    raise TimeoutError("the pages' server did not start") from None
                time.sleep(0.2)
        yield address, server.pid
    finally:
        server.terminate()
        server.wait(timeout=10)


def take(
    shop: Path, folder: Path, *, scheme: str = "light", highest_px: int = 8_000, ask: str = ""
) -> list[Path]:
    """Write a picture of every page at every width.

    Raises FileNotFoundError if this machine has no Chromium.
    """
    from playwright.sync_api import sync_playwright

    chromium = browser_path()
    if chromium is None:
        raise FileNotFoundError("no Chromium on this machine's PATH")
    folder.mkdir(parents=True, exist_ok=True)
    taken = []
    with served(shop) as address, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        for width in WIDTHS_PX:
            page = browser.new_page(
                viewport={"width": width, "height": 900},
                color_scheme=scheme,  # type: ignore[arg-type]
            )
            for name, path in PAGES.items():
                page.goto(f"{address}/{path}?{ask}" if ask else f"{address}/{path}")
                page.wait_for_function(SETTLED, timeout=60_000)
                # The page scrolls inside its frame: a frame as high as the page shows all of it.
                height = page.evaluate(
                    "document.querySelector('[data-testid=stMain]').scrollHeight"
                )
                page.set_viewport_size(
                    {"width": width, "height": min(int(height) + 40, highest_px)}
                )
                page.wait_for_timeout(1_500)
                target = folder / f"{name}-{width}.png"
                page.screenshot(path=target)
                taken.append(target)
                page.set_viewport_size({"width": width, "height": 900})
            page.close()
        browser.close()
    return taken


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("shop", type=Path, help="the shop's folder")
    parser.add_argument("folder", type=Path, help="where the pictures go")
    parser.add_argument("--scheme", choices=("light", "dark"), default="light")
    parser.add_argument("--highest", type=int, default=8_000, help="cut pictures here [px]")
    parser.add_argument("--ask", default="", help='such as "bike=B-0001&stage=J-0001/2"')
    asked = parser.parse_args()
    for path in take(
        asked.shop, asked.folder, scheme=asked.scheme, highest_px=asked.highest, ask=asked.ask
    ):
        sys.stdout.write(f"{path}\n")


if __name__ == "__main__":
    main()
