"""Review: the quarter's document, written from the published snapshot into `reports/`."""

from __future__ import annotations

import datetime as dt
import subprocess
import sys
from pathlib import Path

from warehouse.shop import ShopFolder


class ReviewError(RuntimeError):
    """The review could not be written."""


def quarter_before(day: dt.date) -> str:
    """Return the quarter that ended before a day.

    >>> quarter_before(dt.date(2026, 1, 1))
    '2025 Q4'
    """
    quarter = (day.month - 1) // 3
    return f"{day.year} Q{quarter}" if quarter else f"{day.year - 1} Q4"


def write_review(shop: ShopFolder, quarter: str | None = None) -> tuple[Path, Path]:
    """Write the review of a quarter, as PDF and as HTML.

    Raises ReviewError if there is no snapshot or no such quarter.
    """
    # The sheets are the dashboard's; a process of its own keeps imports pointing one way.
    command = [sys.executable, "-m", "dashboard.sheets.review", str(shop.root)]
    if quarter:
        command += ["--quarter", quarter]
    done = subprocess.run(command, capture_output=True, text=True, encoding="utf-8", check=False)
    if done.returncode:
        raise ReviewError((done.stderr or done.stdout).strip())
    pdf, html = done.stdout.strip().splitlines()[-2:]
    return Path(pdf), Path(html)
