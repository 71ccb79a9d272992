"""ASAM MDF measurement files: groups of channels, each on a clock of its own."""

from __future__ import annotations

import contextlib
import datetime as dt
import io
import logging
import tempfile
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import polars as pl

from flows.metrics.notes import Note, note
from flows.readers.columns import Columns, Heading, match_columns, nearest, numbered
from flows.readers.source import (
    EARLIEST_S,
    LATEST_S,
    LOOKED_ROWS,
    Look,
    Source,
    SourceTable,
    UnreadableError,
    first_words,
    refuse_endless,
    stamp,
)
from schemas.layout import Layout
from warehouse.sentences import said

BLOCK_ROWS = 200_000
LONGEST_S = 86_400.0
"""A log's own times never pass a day: what does counts from somewhere else."""
_SECONDS = {
    "s": 1.0, "sec": 1.0, "seconds": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "min": 60.0,
    "h": 3600.0, "d": 86_400.0, "days": 86_400.0,
}  # fmt: skip
_MASTERS = (2, 3)
"""Channel types master and virtual master (ASAM MDF 4.1, cn_type)."""
_TIME = 1
"""Synchronisation type time (ASAM MDF 4.1, cn_sync_type); others run over angle or distance."""


class _Channel(NamedTuple):
    """A channel that can be read: its group, place in it, name and unit."""

    group: int
    place: int
    name: str
    unit: str


class _Clock(NamedTuple):
    """How a group's times become seconds since the start: `factor` · time − `origin_s`."""

    factor: float
    origin_s: float

    def seconds(self, times: np.ndarray) -> np.ndarray:
        """Return times in seconds since the start."""
        return times.astype(float) * self.factor - self.origin_s


class _Contents(NamedTuple):
    """What is in a file: channels, groups that run on the same times, start, and what is left."""

    channels: list[_Channel]
    clock_of: dict[int, int]
    rows_of: dict[int, int]
    clocks: list[_Clock]
    started_at: str
    notes: list[Note]


def fits(path: Path, start: bytes, layout: Layout) -> bool:  # noqa: ARG001 - as every reader
    """Whether a file has the channels that the layout names, in whichever groups."""
    names = [channel.name for channel in _contents(path, *stamp(path)).channels]
    return match_columns(names, layout) is not None


def headings(path: Path, start: bytes, layout: Layout) -> list[Heading]:  # noqa: ARG001
    """Return the names of a file's channels."""
    names = [channel.name for channel in _contents(path, *stamp(path)).channels]
    return [Heading(note("the file"), names)]


def read(path: Path, layout: Layout) -> Source:
    """Return the channels of a measurement file, group by group.

    Raises UnreadableError if the file is damaged, or a used channel runs on no clock.
    """
    contents = _contents(path, *stamp(path))
    columns = match_columns([channel.name for channel in contents.channels], layout)
    if columns is None:
        near = nearest(lambda _: headings(path, b"", layout), [layout])
        raise UnreadableError("column missing", near=near)
    columns.refuse_doubled(note("the file"), layout)
    units = dict(columns.units)
    for place, name in columns.kept.items():
        if contents.channels[place].unit:
            units[name] = contents.channels[place].unit
    notes = list(contents.notes)
    pieces = _pieces(path, contents, columns, notes)
    return Source({}, units, pieces, notes, contents.started_at)


def shown(path: Path) -> Look:
    """Return what a measurement file shows of itself.

    Raises UnreadableError if the file is damaged or has no channels on a clock.
    """
    contents = _contents(path, *stamp(path))
    names = numbered([channel.name for channel in contents.channels])
    columns: dict[str, pl.Series] = {}
    units: dict[str, str] = {}
    with _opened(path) as file:
        for name, channel in zip(names, contents.channels, strict=True):
            values, _ = _samples(file, channel, 0, LOOKED_ROWS)
            columns[name] = values.rename(name)
            if channel.unit:
                units[name] = channel.unit
    most = max((series.len() for series in columns.values()), default=0)
    if not most:
        raise UnreadableError("no rows")
    frame = pl.DataFrame({name: s.extend_constant(None, most - s.len()) for name, s in
                          columns.items()})  # fmt: skip
    groups = len({contents.clock_of[channel.group] for channel in contents.channels})
    return Look(
        "mdf",
        f"{len(names)} channels on {groups} clock{'s' if groups > 1 else ''}",
        frame,
        units,
        doubts=[said(one) for one in contents.notes],
    )


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[Any]:
    """Open a measurement file whose every failure is told in plain words."""
    # Half a file makes the library raise anything, and print more of it from its destructor.
    logging.getLogger("asammdf").setLevel(logging.CRITICAL)
    file = None
    # Some files it copies before it opens them: the copy must not stay behind.
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        try:
            with contextlib.redirect_stderr(io.StringIO()):
                from asammdf import MDF
                from asammdf.blocks.mdf_v3 import MDF3
                from asammdf.blocks.mdf_v4 import MDF4

                # Its destructors ask for what a constructor that failed has not made yet.
                for kind in (MDF, MDF3, MDF4):
                    kind.__del__ = _close_quietly  # type: ignore[attr-defined]
                file = MDF(path, temporary_folder=folder)
            yield file
        except UnreadableError:
            raise
        except Exception as error:  # noqa: BLE001 - see above
            raise UnreadableError("damaged measurement file", why=first_words(error)) from None
        finally:
            _close_quietly(file)


def _close_quietly(file: Any) -> None:
    with contextlib.suppress(Exception):
        file.close()


@lru_cache(maxsize=2)
def _contents(path: Path, size: int, modified_ns: int) -> _Contents:  # noqa: ARG001 - the key
    channels: list[_Channel] = []
    clock_of: dict[int, int] = {}
    rows_of: dict[int, int] = {}
    notes: list[Note] = []
    clocks: list[tuple[np.ndarray, int]] = []
    factors: list[float] = []
    with _opened(path) as file:
        for number, group in enumerate(file.groups):
            rows = int(group.channel_group.cycles_nr)
            refuse_endless(rows)
            master = file.masters_db.get(number)
            readable = [
                (place, channel)
                for place, channel in enumerate(group.channels)
                if place != master and channel.channel_type not in _MASTERS
            ]
            if not rows or not readable:
                continue
            if master is None:
                notes.append(note("group without clock", group=number + 1))
                continue
            sync = getattr(group.channels[master], "sync_type", _TIME)
            if sync not in (0, _TIME):
                notes.append(note("group over no time", group=number + 1))
                continue
            times = np.asarray(file.get_master(number, record_offset=0, record_count=2000))
            factor = _seconds_in(_unit(group.channels[master]), times)
            alike = (
                at for at, (known, length) in enumerate(clocks)
                if length == rows and np.array_equal(known, times)
            )  # fmt: skip
            clock = next(alike, None)
            if clock is None:
                clock = len(clocks)
                clocks.append((times, rows))
                factors.append(factor)
            clock_of[number], rows_of[number] = clock, rows
            channels += [
                _Channel(number, place, channel.name, _unit(channel)) for place, channel in readable
            ]
        start = getattr(file.header, "start_time", None)
    firsts = [
        float(times[0]) * factor if times.size else 0.0
        for (times, _), factor in zip(clocks, factors, strict=True)
    ]
    absolute = [first for first in firsts if first > LONGEST_S]
    origin = min(absolute, default=0.0)
    if EARLIEST_S < origin < LATEST_S:
        # Seconds since 1970 say when it began better than a head that many writers leave empty.
        start = dt.datetime.fromtimestamp(origin, tz=dt.UTC)
    if absolute:
        notes.append(note("times not from start", is_epoch=EARLIEST_S < origin < LATEST_S))
    made = [
        _Clock(factor, origin if first > LONGEST_S else 0.0)
        for first, factor in zip(firsts, factors, strict=True)
    ]
    started_at = start.isoformat() if start is not None else ""
    return _Contents(channels, clock_of, rows_of, made, started_at, notes)


def _seconds_in(unit: str, times: np.ndarray) -> float:
    """Return how many seconds a master's unit is; a time far beyond all dates is told by size."""
    first = float(times[0]) if times.size else 0.0
    said = unit.strip("[]").lower().replace("µ", "u").replace("μ", "u")
    factor = _SECONDS.get(said, 1.0)
    if first * factor <= LATEST_S:
        return factor
    dated = [small for small in (1e-3, 1e-6, 1e-9) if EARLIEST_S < first * small < LATEST_S]
    return dated[0] if dated else factor


def _unit(channel: Any) -> str:
    conversion = getattr(channel, "conversion", None)
    found = getattr(conversion, "unit", "") if conversion is not None else ""
    return str(found or getattr(channel, "unit", "") or "").strip()


def _samples(file: Any, channel: _Channel, start: int, count: int) -> tuple[pl.Series, int]:
    """Return some samples of a channel, and how many of them are marked invalid."""
    signal = file.get(
        group=channel.group,
        index=channel.place,
        record_offset=start,
        record_count=count,
        ignore_invalidation_bits=True,
    )
    samples = np.asarray(signal.samples)
    bits = signal.invalidation_bits
    invalid = np.zeros(samples.shape[0], dtype=bool)
    if bits is not None:
        invalid = np.asarray(getattr(bits, "asarray", lambda: bits)(), dtype=bool)
    if samples.ndim != 1 or samples.dtype.names:
        return pl.Series(channel.name, [None] * samples.shape[0], dtype=pl.Float64), 0
    if samples.dtype.kind in "SUO":
        texts = [
            text.decode("utf-8", errors="replace").strip("\0 ") if isinstance(text, bytes)
            else str(text)
            for text in samples
        ]  # fmt: skip
        return pl.Series(channel.name, texts, dtype=pl.String), int(invalid.sum())
    values = samples.astype(float)
    values[invalid] = np.nan
    return pl.Series(channel.name, values), int(invalid.sum())


def _pieces(
    path: Path, contents: _Contents, columns: Columns, notes: list[Note]
) -> Iterator[SourceTable]:
    by_clock: dict[int, list[tuple[str, _Channel]]] = {}
    for place, name in columns.kept.items():
        channel = contents.channels[place]
        by_clock.setdefault(contents.clock_of[channel.group], []).append((name, channel))
    invalid: dict[str, int] = {}
    with _opened(path) as file:
        for clock, wanted in by_clock.items():
            group = wanted[0][1].group
            rows = contents.rows_of[group]
            for start in range(0, rows, BLOCK_ROWS):
                count = min(BLOCK_ROWS, rows - start)
                times = contents.clocks[clock].seconds(
                    np.asarray(file.get_master(group, record_offset=start, record_count=count))
                )
                series = []
                for name, channel in wanted:
                    values, bad = _samples(file, channel, start, count)
                    invalid[name] = invalid.get(name, 0) + bad
                    series.append(values.rename(name))
                yield SourceTable(
                    pl.DataFrame(series),
                    pl.Series("line_no", np.arange(start + 1, start + times.size + 1)),
                    [],
                    clock,
                    pl.Series("time_s", times),
                )
    notes += [
        note("samples marked invalid", column=name, samples=count)
        for name, count in invalid.items()
        if count
    ]
