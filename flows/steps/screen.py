"""Looks at the channels of many files at once: which files are plain, and which doubts are idle.

Least, greatest and a few counts of every file and channel say of nearly all files that no row of
theirs can be rejected, and that most looks for doubts would find nothing. What is said here must
never be said of a file of which the careful way would say otherwise.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from flows.metrics import stuck
from flows.steps import doubts
from schemas.columns import CHANNELS
from schemas.layout import CHANNEL_COLUMNS, Layout
from schemas.samples import NEEDED

LEAST_ROWS = 20
MOST_FILLED = 0.949
"""A column that is filled more than that may have single holes, which point at shifted rows."""


@dataclass(frozen=True)
class Heap:
    """Channels of files, one behind the other, and the row at which each file starts."""

    channels: Mapping[str, np.ndarray]
    starts: np.ndarray
    rows: np.ndarray

    def least(self, values: np.ndarray) -> np.ndarray:
        """Return the least value of each file; NaN where it has none."""
        return np.fmin.reduceat(values, self.starts)

    def greatest(self, values: np.ndarray) -> np.ndarray:
        """Return the greatest value of each file; NaN where it has none."""
        return np.fmax.reduceat(values, self.starts)

    def count(self, holds: np.ndarray) -> np.ndarray:
        """Return in how many rows of each file something holds."""
        if not holds.any():
            return np.zeros(self.rows.size, dtype=np.int64)  # as nearly always, and much cheaper
        return np.add.reduceat(holds, self.starts, dtype=np.int64)

    def steps(self, values: np.ndarray) -> np.ndarray:
        """Return by how much each row goes on from the one before; NaN in a file's first row."""
        steps = np.empty_like(values)
        np.subtract(values[1:], values[:-1], out=steps[1:])
        steps[self.starts] = np.nan
        return steps

    @cached_property
    def lows(self) -> dict[str, np.ndarray]:
        """Least value by channel and file."""
        return {name: self.least(values) for name, values in self.channels.items()}

    @cached_property
    def highs(self) -> dict[str, np.ndarray]:
        """Greatest value by channel and file."""
        return {name: self.greatest(values) for name, values in self.channels.items()}

    @cached_property
    def given(self) -> dict[str, np.ndarray]:
        """Number of values by channel and file."""
        return {n: self.rows - self.count(np.isnan(values)) for n, values in self.channels.items()}

    @cached_property
    def time_steps(self) -> np.ndarray:
        """Times from row to row."""
        return self.steps(self.channels["time_s"])


def plain_files(heap: Heap, layout: Layout, odd: np.ndarray, in_pieces: np.ndarray) -> np.ndarray:
    """Return which files keep every row as it stands: no rule can reject one, nothing is empty.

    `odd` are rows with a cell that is no number, `in_pieces` files that are read piece by piece,
    and of which each piece is then looked at for itself.
    """
    time = heap.channels["time_s"]
    plain = (heap.rows >= LEAST_ROWS) & (heap.count(odd) == 0)
    plain &= heap.least(heap.time_steps) > 0.0
    plain &= heap.greatest(np.abs(time - np.rint(time))) >= 1e-6  # not a clock of whole seconds
    for name in ("time_s", *NEEDED[layout.layout.kind]):
        plain &= heap.given[name] == heap.rows
    for name, given in heap.given.items():
        meaning = CHANNELS[name]
        plain &= (given == heap.rows) | (
            ((given == 0) | (given >= LEAST_ROWS)) & (given < MOST_FILLED * heap.rows) & ~in_pieces
        )
        within = (heap.lows[name] >= meaning.low) & (heap.highs[name] <= meaning.high)
        plain &= (given == 0) | within
    return plain


def needless_looks(heap: Heap, layout: Layout) -> list[frozenset[str]]:
    """Return for each plain file the looks for doubts that would find nothing."""
    speed = heap.channels["engine_speed_rpm"]
    looks = {
        doubts.FEW_SAMPLES: np.ones(heap.rows.size, dtype=bool),
        doubts.STANDARDISED: heap.lows["engine_speed_rpm"] > 1.0,
        doubts.ENGINE_SPEED: heap.count(speed < doubts.LEAST_TURNING_RPM) < 0.5 * heap.rows,
        doubts.DOUBLED: _never_doubles(heap),
        doubts.CLOCK: _keeps_time(heap, layout),
        doubts.MIXTURE: _each(heap, doubts.LAMBDAS, _mixes),
        doubts.THROTTLE: _each(heap, ("throttle_pct",), _opens),
        doubts.TEMPERATURES: _each(heap, TEMPERATURES, lambda h, n: _warm(h, n, layout)),
        doubts.PRESSURE: _each(heap, ("map_pressure_pa",), _breathes),
        doubts.INVERTED: _each(heap, LOADS, _goes_with_throttle),
        doubts.STUCK: _each(heap, (*doubts.LAMBDAS, "map_pressure_pa"), _moves),
    }
    return [
        frozenset(name for name, spared in looks.items() if spared[file])
        for file in range(heap.rows.size)
    ]


LOADS = ("map_pressure_pa", "wheel_power_w")
TEMPERATURES = ("coolant_temp_k", "oil_temp_k", "intake_air_temp_k")


def _each(
    heap: Heap, names: tuple[str, ...], is_idle: Callable[[Heap, str], np.ndarray]
) -> np.ndarray:
    """Return for which files a look is idle for every channel that they have."""
    idle = np.ones(heap.rows.size, dtype=bool)
    for name in names:
        if name in heap.channels:
            idle &= (heap.given[name] == 0) | is_idle(heap, name)
    return idle


def _never_doubles(heap: Heap) -> np.ndarray:
    """Whether no step of the engine speed is one to twice or to half of it."""
    speed = heap.channels["engine_speed_rpm"]
    times = np.exp(np.abs(np.log(speed[1:] / speed[:-1])))
    doubles = np.zeros(speed.size, dtype=bool)
    low, high = stuck.DOUBLE
    doubles[1:] = (times > 0.99 * low) & (times < 1.01 * high)
    doubles[heap.starts] = False
    return (heap.lows["engine_speed_rpm"] > 0.0) & (heap.count(doubles) == 0)


def _keeps_time(heap: Heap, layout: Layout) -> np.ndarray:
    """Whether no step is too long or rises too fast, and the whole rises fast enough for a pull.

    A mean rate is never above the highest from row to row; and a stretch that rises by a fifth of
    the speed's range lasts no longer than the log.
    """
    lows, highs = heap.lows, heap.highs
    rate = heap.steps(heap.channels["engine_speed_rpm"]) / heap.time_steps
    keeps = heap.greatest(heap.time_steps) <= doubts.SLOWEST_STEP_S
    keeps &= heap.greatest(rate) <= 0.99 * doubts.FASTEST_RISE_RPM_S
    if layout.layout.kind == "pull":
        span_rpm = highs["engine_speed_rpm"] - lows["engine_speed_rpm"]
        lasts_s = highs["time_s"] - lows["time_s"]
        keeps &= span_rpm / 5.0 >= 1.01 * doubts.SLOWEST_RISE_RPM_S * lasts_s
    return keeps


def _mixes(heap: Heap, name: str) -> np.ndarray:
    """Whether it is no ratio, volts or free air, and neither still nor at one end of its range."""
    values, given = heap.channels[name], heap.given[name]
    low, high = heap.lows[name], heap.highs[name]
    idle = (heap.count(values < 0.35) < 0.099 * given) & (high - low > 1.01 * doubts.STILL_SPREAD)
    idle &= heap.count(values > doubts.FREE_AIR_LAMBDA) < 0.5 * given
    for end in (low, high):
        at_end = np.abs(values - np.repeat(end, heap.rows)) <= 1e-9
        idle &= heap.count(at_end) <= doubts.RAIL_SHARE * given
    return idle


def _opens(heap: Heap, name: str) -> np.ndarray:
    return (heap.highs[name] > heap.lows[name]) & (heap.highs[name] > doubts.LEAST_OPENING_PCT)


def _warm(heap: Heap, name: str, layout: Layout) -> np.ndarray:
    """Whether it moves and is not so hot that another unit is likely."""
    word = next(word for word, column in CHANNEL_COLUMNS.items() if column == name)
    idle = heap.highs[name] - heap.lows[name] > 0.011
    if name == "coolant_temp_k" and layout.channels[word].unit in ("degF", "°F"):
        idle &= False
    return idle & ((heap.highs[name] <= 403.0) | (name == "intake_air_temp_k"))


def _goes_with_throttle(heap: Heap, name: str) -> np.ndarray:
    """Whether a load does not fall as the throttle opens; both are given in every row."""
    if "throttle_pct" not in heap.channels:
        return np.ones(heap.rows.size, dtype=bool)
    throttle = _off_the_mean(heap, heap.channels["throttle_pct"])
    load = _off_the_mean(heap, heap.channels[name])
    joint, own, other = (
        np.add.reduceat(one * two, heap.starts)
        for one, two in ((throttle, load), (throttle, throttle), (load, load))
    )
    # NaN, of what is not given or stands still, is no reason to spare the look.
    return joint / np.sqrt(own * other) > -0.5


def _off_the_mean(heap: Heap, values: np.ndarray) -> np.ndarray:
    return values - np.repeat(np.add.reduceat(values, heap.starts) / heap.rows, heap.rows)


def _breathes(heap: Heap, name: str) -> np.ndarray:
    low, high = heap.lows[name], heap.highs[name]
    return (low >= 15_000.0) & (high <= 260_000.0) & (high > low)


def _moves(heap: Heap, name: str) -> np.ndarray:
    """Whether no run of one value can be as long as a stuck column's."""
    still = heap.count(heap.steps(heap.channels[name]) == 0.0)
    return (heap.given[name] == heap.rows) & (still < stuck.LEAST_RUN - 1)
