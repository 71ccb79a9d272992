"""When the disk will be full, at the rate at which files come in."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

LOOK_DAYS = 90
LEAST_DAYS = 14
"""From a shorter record no rate is told: the first days bring whole archives."""
WARN_DAYS = 183
KEPT_TIMES = 2.75
"""What a byte that came in takes in all, in inbox, archive, samples and snapshots: measured on the
invented shop, 704 MB for 256 MB that came."""


def forecast(free_bytes: int, came: Sequence[tuple[dt.date, int]], today: dt.date) -> str:
    """Return in words when the disk is full, '' where that is half a year away or cannot be told.

    `came` has the bytes of each day on which files came, in order. The first day is left out: it
    brings what had gathered before.

    >>> day = dt.date(2026, 1, 1)
    >>> came = [(day, 9), *((day + dt.timedelta(n), 10**8) for n in range(1, 91))]
    >>> forecast(10**10, came, day + dt.timedelta(90))
    'At the rate of the last 90 days the disk is full in May 2026 (10 GB are free)'
    """
    if not came:
        return ""
    since = max(came[0][0], today - dt.timedelta(LOOK_DAYS))
    days = (today - since).days
    rate = KEPT_TIMES * sum(size for day, size in came if day > since) / max(days, 1)
    left_days = free_bytes / rate if rate else WARN_DAYS
    if days < LEAST_DAYS or left_days >= WARN_DAYS:
        return ""
    full_on = today + dt.timedelta(left_days)
    return (
        f"At the rate of the last {days} days the disk is full in {full_on:%B %Y} "
        f"({free_bytes / 1e9:,.0f} GB are free)"
    )
