"""Papers are the dashboard's: a process of its own writes them, so that imports point one way."""

from __future__ import annotations

import datetime as dt
import subprocess
import sys
from pathlib import Path
from zoneinfo import ZoneInfo

from schemas.settings import ShopSettings
from warehouse.shop import ShopFolder


class PaperError(RuntimeError):
    """A paper could not be written; the message says why."""


def written(paper: str, shop: ShopFolder, *arguments: str) -> list[str]:
    """Have a paper of `dashboard/sheets` written; return what is said of it, a line each."""
    command = [sys.executable, "-m", "dashboard.sheets", paper, str(shop.root), *arguments]
    done = subprocess.run(command, capture_output=True, text=True, encoding="utf-8", check=False)
    if done.returncode:
        raise PaperError((done.stderr or done.stdout).strip())
    return done.stdout.strip().splitlines()


def quarter_before(day: dt.date) -> str:
    """Return the quarter that ended before a day.

    >>> quarter_before(dt.date(2026, 1, 1))
    '2025 Q4'
    """
    quarter = (day.month - 1) // 3
    return f"{day.year} Q{quarter}" if quarter else f"{day.year - 1} Q4"


def write_review(
    shop: ShopFolder, quarter: str | None = None, as_of: str = ""
) -> tuple[Path, Path]:
    """Write the review of a quarter, as PDF and as HTML, from the snapshot of now or of a day.

    Raises PaperError if there is no snapshot or no such quarter.
    """
    asked = ("--quarter", quarter) if quarter else ()
    asked += ("--as-of", as_of) if as_of else ()
    pdf, html = written("review", shop, *asked)[-2:]
    return Path(pdf), Path(html)


def write_morning(shop: ShopFolder, settings: ShopSettings, day: dt.date | None = None) -> Path:
    """Write what needs somebody on a day, on the shop's own today where none is given.

    Raises PaperError if there is no snapshot.
    """
    day = day or dt.datetime.now(ZoneInfo(settings.shop.timezone)).date()
    return Path(written("morning", shop, "--day", day.isoformat())[-1])
