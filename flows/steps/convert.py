"""Turns a source table into canonical channels: dictionary names, SI units, texts into numbers."""

from __future__ import annotations

import datetime as dt
import zoneinfo
from typing import NamedTuple

import numpy as np
import polars as pl

from flows.metrics.notes import Note, note
from flows.metrics.plausibility import shifted_rows
from flows.readers.source import BadRow, Source, SourceTable, UnreadableError
from flows.readers.words import known_unit, numbers
from flows.steps.clock_times import ClockTimes
from schemas.columns import CHANNELS
from schemas.layout import AS_STATED, CHANNEL_COLUMNS, Channel, Layout
from schemas.samples import NEEDED
from schemas.units import conversion

SHIFT_RULE = "each value stands in its column"


class Converted(NamedTuple):
    """Canonical rows of a piece of a file, and what was rejected on the way.

    `values` has one row a kept row and one column a channel, in the order of the dictionary, NaN
    where the file has nothing. Channels that were logged on another clock than the engine speed
    have rows of their own, told by `clock_no` above 0: nothing is brought together here.
    """

    values: np.ndarray
    line_no: np.ndarray
    clock_no: np.ndarray
    bad_rows: list[BadRow]


PLACE = {name: place for place, name in enumerate(CHANNELS)}
"""Column of each channel in `Converted.values`."""

SPARSE_SHARE = 0.2
"""With the engine speed in fewer of the rows than the rest of this, its blanks are not faults: the
file gives channels of several rates row by row."""


class Converter:
    """Turns the pieces of one file into canonical channels, all by the same reading of its words.

    Raises UnreadableError if the file states another unit than the layout, or none where the layout
    trusts it to.
    """

    def __init__(self, source: Source, layout: Layout, shop_zone: str = "UTC") -> None:
        self.layout = layout
        self.source = source
        self.notes: list[Note] = []
        self.has_clock = True
        self._zone = zoneinfo.ZoneInfo(shop_zone)
        self.checked_columns: set[str] = set()
        self._units = {word: self._unit(word, channel) for word, channel in layout.channels.items()}
        self._times: ClockTimes | None = None
        if "time" in layout.channels:
            self._times = ClockTimes(
                layout.channels["time"], layout, self._units["time"], shop_zone
            )
        self._own_clocks = {
            channel.clock: number
            for number, channel in enumerate(
                {c.clock: c for c in layout.channels.values() if c.clock}.values(), start=1
            )
        }
        self._main_clock: int | None = None
        self._is_sparse: bool | None = None

    def _unit(self, word: str, channel: Channel) -> str:
        """Return the unit to read a channel in, after holding the file's own word against it."""
        if channel.form in ("clock", "date and time"):
            return "s"
        si_unit = CHANNELS[CHANNEL_COLUMNS[word]].unit
        stated = self.source.units.get(channel.column, "").strip()
        known = known_unit(stated) if stated else None
        if channel.unit == AS_STATED:
            try:
                if known is not None:
                    conversion(known, si_unit)
                    return known
            except ValueError:
                known = None
            raise UnreadableError(
                "unit not stated", column=channel.column, stated=stated, word=word
            )
        if known is not None and not is_same_unit(known, channel.unit, si_unit):
            raise UnreadableError(
                "unit differs", column=channel.column, stated=stated, unit=channel.unit,
                known=known, word=word, is_in_cells=False,
            )  # fmt: skip
        return channel.unit

    def convert(self, table: SourceTable) -> Converted:
        """Return a piece of the file in canonical channels.

        Raises UnreadableError if its times cannot be understood.
        """
        self.checked_columns |= set(table.frame.columns)
        bad_rows = list(table.bad_rows)
        rows = table.frame.height
        values = np.full((rows, len(CHANNELS)), np.nan)
        broken = np.zeros(rows, dtype=bool)
        for word, channel in self.layout.channels.items():
            name = CHANNEL_COLUMNS[word]
            if word == "time" or channel.column not in table.frame.columns:
                continue
            cells = table.frame[channel.column]
            shown, odd, glued = numbers(
                cells,
                decimal=self.layout.text.decimal,
                thousands=self.layout.text.thousands,
                missing=self.layout.text.missing,
            )
            self._hold_glued_units(word, channel, glued)
            values[:, PLACE[name]] = self._in_si(word, shown)
            broken |= self._tell_odd(table, cells, odd, channel.column, name, bad_rows)
        times, no_time = self._read_times(table, bad_rows)
        values[:, PLACE["time_s"]] = times
        broken |= no_time
        clock_no = np.full(rows, self._clock_number(table), dtype=np.int64)
        shifted = shifted_rows(values) & ~broken
        bad_rows += [
            BadRow(
                int(table.line_no[int(place)]),
                "",
                SHIFT_RULE,
                "a hole, and values far off those around",
            )
            for place in np.flatnonzero(shifted)
        ]
        kept = ~(broken | shifted)
        values, line_no, clock_no = values[kept], table.line_no.to_numpy()[kept], clock_no[kept]
        values, line_no, clock_no = self._on_own_clocks(table, kept, values, line_no, clock_no)
        clock_no = self._apart_if_sparse(values, clock_no)
        return Converted(values, line_no, clock_no, bad_rows)

    def channels_of(self, frame: pl.DataFrame) -> tuple[dict[str, np.ndarray], np.ndarray]:
        """Return columns of numbers as channels in SI, and which rows hold what is none.

        Of as many files as one likes: no row's value rests on another row. Only where
        `is_row_by_row`.
        """
        self.checked_columns |= set(frame.columns)
        channels: dict[str, np.ndarray] = {}
        odd = np.zeros(frame.height, dtype=bool)
        for word, channel in self.layout.channels.items():
            if channel.column not in frame.columns:
                continue
            cells = frame[channel.column].to_numpy()
            odd |= np.isinf(cells)
            channels[CHANNEL_COLUMNS[word]] = self._in_si(word, cells)
        return channels, odd

    @property
    def is_row_by_row(self) -> bool:
        """Whether each row has its time, in seconds of one clock, whatever stands above it."""
        is_elapsed = self._times is not None and self._times.channel.form == "elapsed"
        return is_elapsed and not self._own_clocks

    def _in_si(self, word: str, shown: np.ndarray) -> np.ndarray:
        step = conversion(self._units[word], CHANNELS[CHANNEL_COLUMNS[word]].unit)
        gauge_scale = self.layout.channels[word].gauge_scale or 1.0
        return (shown * step.factor + step.offset) / gauge_scale

    def _hold_glued_units(self, word: str, channel: Channel, glued: list[str]) -> None:
        """Refuse cells that carry another unit than the layout says."""
        si_unit = CHANNELS[CHANNEL_COLUMNS[word]].unit
        for text in glued:
            known = known_unit(text)
            if known is not None and not is_same_unit(known, self._units[word], si_unit):
                raise UnreadableError(
                    "unit differs", column=channel.column, stated=text, unit=self._units[word],
                    known=known, word=word, is_in_cells=True,
                )  # fmt: skip

    @staticmethod
    def _tell_odd(
        table: SourceTable,
        cells: pl.Series,
        odd: np.ndarray,
        column: str,
        name: str,
        bad_rows: list[BadRow],
    ) -> np.ndarray:
        bad_rows += [
            BadRow(
                int(table.line_no[int(place)]),
                column,
                f"{name} is a number" if name != "time_s" else "time_s is a time",
                str(cells[int(place)])[:200],
            )
            for place in np.flatnonzero(odd)
        ]
        return odd

    def _read_times(
        self, table: SourceTable, bad_rows: list[BadRow]
    ) -> tuple[np.ndarray, np.ndarray]:
        rows = table.frame.height
        if table.time_s is not None:
            return table.time_s.cast(pl.Float64).to_numpy(), np.zeros(rows, dtype=bool)
        if self._times is None:
            self.has_clock = False
            return np.full(rows, np.nan), np.zeros(rows, dtype=bool)
        channel = self._times.channel
        if channel.column not in table.frame.columns:
            return np.full(rows, np.nan), np.zeros(rows, dtype=bool)
        cells = table.frame[channel.column]
        dates = table.frame[channel.date_column] if channel.date_column else None
        found = self._times.read(cells, dates)
        odd = self._tell_odd(table, cells, found.odd, channel.column, "time_s", bad_rows)
        return found.values, odd

    def _clock_number(self, table: SourceTable) -> int:
        """Return 0 for the clock that the engine speed runs on, the others behind it."""
        if self._main_clock is None:
            column = self.layout.channels["engine_speed"].column
            if column in table.frame.columns:
                self._main_clock = table.clock
        if table.clock == self._main_clock:
            return 0
        return table.clock + 1 if self._main_clock is None else 1 + table.clock

    def _on_own_clocks(
        self,
        table: SourceTable,
        kept: np.ndarray,
        values: np.ndarray,
        line_no: np.ndarray,
        clock_no: np.ndarray,
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Move channels with times of their own into rows of their own."""
        if not self._own_clocks or self._times is None:
            return values, line_no, clock_no
        stacks = [(values, line_no, clock_no)]
        for column, number in self._own_clocks.items():
            if column not in table.frame.columns:
                continue
            names = [
                CHANNEL_COLUMNS[word]
                for word, channel in self.layout.channels.items()
                if channel.clock == column
            ]
            times = self._times.read(table.frame[column], clock=column).values[kept]
            own = np.full_like(values, np.nan)
            for name in names:
                own[:, PLACE[name]] = values[:, PLACE[name]]
                values[:, PLACE[name]] = np.nan
            own[:, PLACE["time_s"]] = times
            given = np.isfinite(times) & np.isfinite(own[:, [PLACE[n] for n in names]]).any(axis=1)
            stacks.append((own[given], line_no[given], np.full(given.sum(), number)))
        main_given = np.isfinite(values[:, PLACE["time_s"]])
        stacks[0] = (values[main_given], line_no[main_given], clock_no[main_given])
        return (
            np.concatenate([part[0] for part in stacks]),
            np.concatenate([part[1] for part in stacks]),
            np.concatenate([part[2] for part in stacks]),
        )

    def _apart_if_sparse(self, values: np.ndarray, clock_no: np.ndarray) -> np.ndarray:
        """Give rows without engine speed another clock where channels come at their own rates."""
        main = clock_no == 0
        speed = np.isfinite(values[:, PLACE["engine_speed_rpm"]])
        others = np.isfinite(np.delete(values, PLACE["time_s"], axis=1)).any(axis=1)
        apart = main & ~speed & others & np.isfinite(values[:, PLACE["time_s"]])
        if self._is_sparse is None and main.any():
            self._is_sparse = bool(apart.sum() > SPARSE_SHARE * main.sum() and speed.any())
            if self._is_sparse:
                self.notes.append(note("rates of their own"))
        return (
            np.where(apart, 1 + clock_no.max(initial=0), clock_no) if self._is_sparse else clock_no
        )

    def started_at(self) -> dt.datetime | None:
        """Return the start of the log as far as its times or its format tell."""
        if self._times and self._times.started_at:
            return self._times.started_at
        if not self.source.started_at:
            return None
        start = dt.datetime.fromisoformat(self.source.started_at)
        return start.astimezone(self._zone).replace(tzinfo=None) if start.tzinfo else start

    def all_notes(self) -> list[Note]:
        """Return what is to be said of the conversion."""
        said = [*self.source.notes, *self.notes, *(self._times.notes if self._times else [])]
        if not self.has_clock:
            said.append(note("no clock"))
        return said

    def refuse_missing_columns(self) -> None:
        """Refuse the file if a needed channel's column never came.

        Raises UnreadableError: Naming the column.
        """
        layout = self.layout
        needed = set(NEEDED[layout.layout.kind])
        present = {
            CHANNEL_COLUMNS[word]
            for word, channel in layout.channels.items()
            if channel.column in self.checked_columns
        }
        if layout.layout.kind == "pull" and not present & {"wheel_power_w", "wheel_torque_nm"}:
            needed |= {"wheel_power_w"}
        for word, channel in layout.channels.items():
            name = CHANNEL_COLUMNS[word]
            if name in needed and name not in present:
                raise UnreadableError("column missing", column=channel.column, channel=name)


def is_same_unit(one: str, other: str, si_unit: str) -> bool:
    """Whether two unit words mean the same of a quantity."""
    try:
        return conversion(one, si_unit) == conversion(other, si_unit)
    except ValueError:
        # One of them measures something else: the plausibility of the values decides, not a word.
        return False
