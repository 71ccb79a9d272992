"""A shop's day: what came in, what waits, which bikes are on the dyno, what is new.

The page and the morning file show the same one; it follows from the snapshot and the day alone.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import polars as pl

from dashboard.troubles import Trouble, troubles
from warehouse import day_words, wording

Row = dict[str, Any]


Ask = Callable[..., pl.DataFrame]
"""Answers a question of warehouse/questions to one snapshot."""

DAYS_ON_DYNO = 3
"""A job run within so many days up to the last day on the dyno counts as on it now."""
FRESH_DAYS = 7
"""News are fresh for a week up to the last day on the dyno."""
NOTED_DAYS = 14
"""Notes of people stand so long, up to the last day on the dyno, and later ones too."""
LATELY_DAYS = 60
"""For so long after that they still stand behind the fresh ones."""
_GRAVITIES = list(day_words.GRAVITIES)


class OnDyno(NamedTuple):
    """A job on the dyno, as its last stage stands."""

    row: Row
    advice: wording.Advice

    @property
    def is_alarm(self) -> bool:
        """Whether it is lean, or may be."""
        return self.advice.is_alarm

    @property
    def name(self) -> str:
        """Bike and model."""
        control = " · control bike" if self.row["is_control"] else ""
        return f"{self.row['bike_id']} · {self.row['model_label']}{control}"


class Day(NamedTuple):
    """What a shop needs to know of one day."""

    day: dt.date
    last_on: dt.date | None
    """The last day on the dyno."""
    came: str
    waiting: int
    jobs_out: list[str]
    """Jobs that left the shop with a change of a card, a sentence each."""
    troubles: list[Trouble]
    gaps: list[Row]
    """What layouts ask for in vain."""
    bikes: list[OnDyno]
    """The lean first, then the latest."""
    need: Row | None
    """The combination on an untouched map that needs a remap most, where one stands."""
    lean_out: list[Row]
    """News of bikes that left lean and were not measured since."""
    fresh: list[Row]
    """News of the week that still hold, the weightiest first."""
    lately: list[Row]
    """Those of the weeks before."""
    news: list[Row]
    """All news, the latest first, also those that are over."""
    notes: list[Row]
    """What people wrote lately and did not take back, the latest first."""

    @property
    def is_empty(self) -> bool:
        """Whether nothing was ever run or waits."""
        return self.last_on is None and not self.waiting

    @property
    def waits(self) -> str:
        """What waits, in one sentence."""
        return day_words.wait_sentence(self.waiting, len(self.gaps))

    @property
    def lean(self) -> str:
        """Which bikes are lean, or "" where none is."""
        standing = [bike.row["bike_id"] for bike in self.bikes if bike.is_alarm]
        out = [json.loads(row["page_query"])["bike"] for row in self.lean_out]
        return day_words.lean_sentence(standing, list(dict.fromkeys(out)))

    @property
    def heading(self) -> str:
        """What stands above the news."""
        return day_words.news_heading(self.last_on, len(self.fresh), FRESH_DAYS)


def read_day(ask: Ask, day: dt.date, zone: str) -> Day:
    """Return the day of a shop from its snapshot."""
    since = day - dt.timedelta(days=1)
    begins, ends = (
        dt.datetime.combine(on, dt.time(), ZoneInfo(zone))
        for on in (since, day + dt.timedelta(days=1))
    )
    came = ask("day_came", day=day, since=since, since_at=begins, until_at=ends)
    came = came.row(0, named=True)
    in_need = ask("files_in_need")
    gaps = ask("layout_gaps")
    bikes = _on_dyno(ask("on_the_dyno", day=day, days=DAYS_ON_DYNO))
    # A bike on the dyno has not left yet: its row says how it stands.
    staying = {f"left {bike.row['job_id']}" for bike in bikes}
    news = [row for row in ask("news", day=day).to_dicts() if row["news_id"] not in staying]
    last_on = came["last_on"]
    first = (last_on or day) - dt.timedelta(days=FRESH_DAYS - 1)
    needs = ask("remap_needs").filter("is_stock_map", pl.col("lean_bikes") > 0)
    noted_since = (last_on or day) - dt.timedelta(days=NOTED_DAYS - 1)
    lately = first - dt.timedelta(days=LATELY_DAYS)
    standing = [row for row in news if not row["is_over"]]
    return Day(
        day=day,
        last_on=last_on,
        came=day_words.came_sentence(came),
        waiting=in_need.height,
        jobs_out=ask("jobs_out")["reason"].to_list(),
        troubles=troubles(in_need),
        gaps=gaps.filter(pl.col("is_problem")).to_dicts(),
        bikes=bikes,
        need=next(iter(needs.to_dicts()), None),
        lean_out=[row for row in standing if row["news_kind"] == "left lean"],
        fresh=_weightiest_first([row for row in standing if row["news_on"] >= first]),
        lately=_weightiest_first([row for row in standing if lately <= row["news_on"] < first]),
        news=news,
        notes=ask("notes_lately", since=noted_since, day=day).to_dicts(),
    )


def _weightiest_first(news: list[Row]) -> list[Row]:
    """Return news by what they ask; those that ask alike stay as they came."""
    return sorted(news, key=lambda row: _GRAVITIES.index(row["gravity"]))


def _on_dyno(rows: pl.DataFrame) -> list[OnDyno]:
    bikes = [OnDyno(row, wording.advice(row)) for row in rows.to_dicts()]
    levels = wording.LEVELS
    # Not measured stands between lean and fine: nothing says that it is safe.
    place = {level: levels.index(level) for level in levels} | {"unknown": 1.5}
    return sorted(bikes, key=lambda bike: (bike.row["is_control"], place[bike.advice.level]))
