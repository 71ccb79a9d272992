"""Morning: what needs somebody today, written from the published snapshot into `reports/`."""

from __future__ import annotations

import datetime as dt
import subprocess
import sys
from pathlib import Path
from zoneinfo import ZoneInfo

from flows.review import ReviewError
from schemas.settings import ShopSettings
from warehouse.shop import ShopFolder


class MorningError(ReviewError):
    """The morning file could not be written."""


def write_morning(shop: ShopFolder, settings: ShopSettings, day: dt.date | None = None) -> Path:
    """Write the morning file of a day, of the shop's own today where none is given.

    Raises MorningError if there is no snapshot.
    """
    day = day or dt.datetime.now(ZoneInfo(settings.shop.timezone)).date()
    # The sheets are the dashboard's; a process of its own keeps imports pointing one way.
    command = [sys.executable, "-m", "dashboard.sheets.morning", str(shop.root)]
    command += ["--day", day.isoformat()]
    done = subprocess.run(command, capture_output=True, text=True, encoding="utf-8", check=False)
    if done.returncode:
        raise MorningError((done.stderr or done.stdout).strip())
    return Path(done.stdout.strip().splitlines()[-1])
