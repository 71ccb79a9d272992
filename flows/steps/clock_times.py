"""Turns a file's times into seconds since its start: elapsed, clock, date and time, or epoch."""

from __future__ import annotations

import datetime as dt
import zoneinfo
from typing import NamedTuple

import numpy as np
import polars as pl

from flows.metrics.notes import Note, note
from flows.readers.source import UnreadableError
from flows.readers.words import numbers
from schemas.layout import Channel, Layout
from schemas.units import conversion

DAY_S = 86_400.0
HALF_DAY_S = 43_200.0
_TIMES = ("%H:%M:%S%.f", "%H:%M:%S", "%H:%M", "%I:%M:%S%.f %p", "%I:%M:%S %p", "%I:%M %p")
_YEAR_FIRST = ("%Y-%m-%d", "%Y/%m/%d", "%Y.%m.%d", "%Y%m%d")
_DAY_FIRST = ("%d/%m/%Y", "%d-%m-%Y", "%d.%m.%Y", "%d/%m/%y", "%d-%m-%y", "%d.%m.%y")
LEAST_YEAR = 100
"""Below, a year of two digits was taken for a whole one: 03.04.26 is no day of the year 3."""
FIRST_YEAR = 1980
"""Before it no logger wrote the time: a clock that stands at its own zero, or was never set."""
_MONTH_FIRST = ("%m/%d/%Y", "%m-%d-%Y", "%m.%d.%Y", "%m/%d/%y", "%m-%d-%y", "%m.%d.%y")


class Seconds(NamedTuple):
    """Times of some rows [s], NaN where there is none, and which cells are no times."""

    values: np.ndarray
    odd: np.ndarray


class ClockTimes:
    """Reads the times of one file, piece after piece, all counted from the same start."""

    def __init__(self, channel: Channel, layout: Layout, unit: str, shop_zone: str) -> None:
        self.channel = channel
        self.layout = layout
        self.unit = unit
        self.shop_zone = zoneinfo.ZoneInfo(shop_zone)
        self.started_at: dt.datetime | None = None
        self.notes: list[Note] = []
        self._origin_s: float | None = None
        self._origin_us: int | None = None
        self._format = channel.format
        self._last_s: dict[str, float] = {}
        self._added_s: dict[str, float] = {}

    def read(self, cells: pl.Series, dates: pl.Series | None = None, clock: str = "") -> Seconds:
        """Return times of some rows.

        Raises UnreadableError if dates can be read in two ways, or in none.
        """
        if self.channel.form == "elapsed":
            if cells.dtype == pl.Duration:
                values = cells.dt.total_microseconds().cast(pl.Float64).to_numpy() * 1e-6
                return Seconds(values, np.zeros(values.size, dtype=bool))
            shown, odd, _ = self._numbers(cells)
            return Seconds(shown * conversion(self.unit, "s").factor, odd)
        if self.channel.form == "epoch":
            shown, odd, _ = self._numbers(cells)
            values = shown * conversion(self.unit, "s").factor
            self._start_from_epoch(values)
            return Seconds(self._from_origin(values), odd)
        if self.channel.form == "clock":
            return self._clock(cells, clock)
        return self._date_and_time(cells, dates)

    def _numbers(self, cells: pl.Series) -> tuple[np.ndarray, np.ndarray, list[str]]:
        text = self.layout.text
        return numbers(cells, decimal=text.decimal, thousands=text.thousands, missing=text.missing)

    def _from_origin(self, values: np.ndarray) -> np.ndarray:
        seen = values[np.isfinite(values)]
        if self._origin_s is None and seen.size:
            self._origin_s = float(seen[0])
        return values - (self._origin_s or 0.0)

    def _start_from_epoch(self, values: np.ndarray) -> None:
        seen = values[np.isfinite(values)]
        if self.started_at is None and seen.size:
            try:
                start = dt.datetime.fromtimestamp(float(seen[0]), tz=self.shop_zone)
            except (OverflowError, OSError, ValueError):
                raise UnreadableError(
                    "time not readable", column=self.channel.column, since_1970=seen[0],
                    unit=self.unit,
                ) from None  # fmt: skip
            self._begin(start.replace(tzinfo=None))

    def _begin(self, at: dt.datetime) -> None:
        """Keep when the log began, where its clock was ever set."""
        if at.year >= FIRST_YEAR:
            self.started_at = at
            return
        never = note("head entry clock never set", key=self.channel.column, found=str(at))
        if never["code"] not in {told["code"] for told in self.notes}:
            self.notes.append(never)

    def _clock(self, cells: pl.Series, clock: str) -> Seconds:
        if cells.dtype == pl.Time:
            values = cells.cast(pl.Int64).cast(pl.Float64).to_numpy() * 1e-9
            odd = np.zeros(values.size, dtype=bool)
        elif cells.dtype == pl.Duration:
            values = cells.dt.total_microseconds().cast(pl.Float64).to_numpy() * 1e-6
            odd = np.zeros(values.size, dtype=bool)
        else:
            values, odd = _clock_texts(cells, self.layout.text.missing)
        # A clock of the day starts again at midnight; nothing else falls by half a day.
        if values.size:
            at = np.flatnonzero(np.isfinite(values))
            seen = values[at]
            before = np.concatenate(
                ([self._last_s.get(clock, seen[0] if seen.size else 0.0)], seen)
            )
            over = np.diff(before) < -HALF_DAY_S
            if over.any():
                passed = note("clock passed midnight")
                if passed not in self.notes:
                    self.notes.append(passed)
            added = self._added_s.get(clock, 0.0) + DAY_S * np.cumsum(over)
            if seen.size:
                self._last_s[clock] = float(seen[-1])
                self._added_s[clock] = float(added[-1])
                values = values.copy()
                values[at] = seen + added
        return Seconds(self._from_origin(values), odd)

    def _date_and_time(self, cells: pl.Series, dates: pl.Series | None) -> Seconds:
        moments, odd = self._moments(cells, dates)
        if isinstance(moments.dtype, pl.Datetime) and moments.dtype.time_zone is not None:
            absolute = moments.dt.convert_time_zone("UTC")
            local = absolute.dt.convert_time_zone(self.shop_zone.key).dt.replace_time_zone(None)
        elif self.channel.timezone is not None:
            zoned = moments.dt.replace_time_zone(
                self.channel.timezone, ambiguous="earliest", non_existent="null"
            )
            absolute = zoned.dt.convert_time_zone("UTC")
            local = zoned.dt.convert_time_zone(self.shop_zone.key).dt.replace_time_zone(None)
        else:
            absolute = local = moments
        if self.started_at is None and (given := local.drop_nulls()).len():
            self._begin(given[0])
        # Whole microseconds: seconds since 1970 as a float are good to a quarter of one only.
        micros = absolute.dt.epoch("us")
        if self._origin_us is None and (given := micros.drop_nulls()).len():
            self._origin_us = int(given[0])
        values = (micros - (self._origin_us or 0)).cast(pl.Float64).to_numpy() * 1e-6
        return Seconds(values, odd)

    def _moments(self, cells: pl.Series, dates: pl.Series | None) -> tuple[pl.Series, np.ndarray]:
        if isinstance(cells.dtype, pl.Datetime) and dates is None:
            return cells.cast(pl.Datetime("us", cells.dtype.time_zone)), np.zeros(
                cells.len(), dtype=bool
            )
        text = _as_text(cells)
        if dates is not None:
            text = _as_text(dates).str.strip_chars() + " " + text.str.strip_chars()
        text = text.str.strip_chars()
        missing = text.is_null() | (text == "") | text.is_in(self.layout.text.missing)
        text = text.set(missing, None)
        # A decimal comma, a T between date and time, and a Z for UTC are one form to us.
        text = (
            text.str.replace(r"(:\d{2}),(\d+)", "$1.$2")
            .str.replace(r"(\d)T(\d)", "$1 $2")
            .str.replace(r"Z$", "+00:00")
        )
        if self._format is None and (given := text.drop_nulls()).len():
            self._format = self._found_format(given)
        if self._format is None:
            empty = pl.Series(cells.name, [None] * cells.len(), dtype=pl.Datetime("us"))
            return empty, np.zeros(cells.len(), dtype=bool)
        moments = text.str.to_datetime(self._format, strict=False, time_unit="us")
        odd = (text.is_not_null() & moments.is_null()).to_numpy()
        return moments, odd

    def _found_format(self, text: pl.Series) -> str:
        """Return the form in which all of the first texts are dates and times."""
        some = text.head(2000)
        offset = some.str.contains(r"[+-]\d{2}:?\d{2}$").all()
        day_first, month_first = self._reading(some, _DAY_FIRST, bool(offset)), None
        year_first = self._reading(some, _YEAR_FIRST, bool(offset))
        if year_first is not None:
            return year_first
        month_first = self._reading(some, _MONTH_FIRST, bool(offset))
        wish = self.channel.day_first
        if day_first and month_first:
            if wish is None and "." not in str(some[0]):
                column = self.channel.date_column or self.channel.column
                raise UnreadableError("date ambiguous", column=column, found=some[0])
            # Points between the numbers mean the day stands first (ISO 8601's forerunners).
            return month_first if wish is False else day_first
        if found := day_first or month_first:
            return found
        raise UnreadableError(
            "time not readable", column=self.channel.column, found=str(some[0])[:40]
        )

    def _reading(self, some: pl.Series, dates: tuple[str, ...], offset: bool) -> str | None:
        for date in dates:
            for time in _TIMES:
                form = f"{date} {time}" + ("%#z" if offset else "")
                try:
                    found = some.str.to_datetime(form, strict=False, time_unit="us")
                except pl.exceptions.PolarsError:
                    continue
                years = found.dt.year()
                if found.null_count() <= 0.05 * some.len() and (years >= LEAST_YEAR).all():
                    return form
        return None


def _as_text(cells: pl.Series) -> pl.Series:
    if cells.dtype == pl.String:
        return cells
    if cells.dtype == pl.Date:
        return cells.dt.to_string("%Y-%m-%d")
    if cells.dtype == pl.Time:
        return cells.dt.to_string("%H:%M:%S%.f")
    if isinstance(cells.dtype, pl.Datetime):
        return cells.dt.to_string("%Y-%m-%d %H:%M:%S%.f")
    return cells.cast(pl.String)


def _clock_texts(cells: pl.Series, missing: list[str]) -> tuple[np.ndarray, np.ndarray]:
    """Return seconds of texts such as 1:02:03.5, 12:03,25 or 11:02:03 PM, and which are none."""
    text = _as_text(cells).str.strip_chars()
    given = (text.is_not_null() & (text != "") & ~text.is_in(missing)).fill_null(value=False)
    steps = text.str.extract_groups(
        r"^(?:(\d{1,3}):)?(\d{1,2}):(\d{1,2}(?:[.,]\d+|:\d{3})?)(?:\s*([AaPp])[Mm])?$"
    ).struct.unnest()
    hours = steps.to_series(0).cast(pl.Float64, strict=False).fill_null(0.0)
    half = steps.to_series(3).str.to_lowercase()
    hours = (hours % 12.0 + 12.0 * (half == "p")).zip_with(half.is_not_null(), hours)
    minutes = steps.to_series(1).cast(pl.Float64, strict=False)
    seconds = steps.to_series(2).str.replace(r"[,:]", ".").cast(pl.Float64, strict=False)
    values = (hours * 3600 + minutes * 60 + seconds).to_numpy()
    wrong = (minutes.to_numpy() >= 60) | (seconds.to_numpy() >= 60)
    values = np.where(wrong, np.nan, values)
    return values, given.to_numpy() & ~np.isfinite(values)
