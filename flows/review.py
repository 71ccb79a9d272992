"""Review: the quarter's document, written from the published snapshot into `reports/`."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

from flows import papers
from warehouse.shop import ShopFolder


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
    pdf, html = papers.written("review", shop, *asked)[-2:]
    return Path(pdf), Path(html)
