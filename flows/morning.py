"""Morning: what needs somebody today, written from the published snapshot into `reports/`."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from zoneinfo import ZoneInfo

from flows import papers
from schemas.settings import ShopSettings
from warehouse.shop import ShopFolder


def write_morning(shop: ShopFolder, settings: ShopSettings, day: dt.date | None = None) -> Path:
    """Write the morning file of a day, of the shop's own today where none is given.

    Raises PaperError if there is no snapshot.
    """
    day = day or dt.datetime.now(ZoneInfo(settings.shop.timezone)).date()
    return Path(papers.written("morning", shop, "--day", day.isoformat())[-1])
