"""What a log shows of its logger: rate, gaps, and of each channel ends, step and repeats."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

LEAST_MOVES = 20
"""From fewer changes a step is a guess: three even differences do not make a step of two."""
OFF_STEP_SHARE = 0.05
"""A difference this far off a whole number of steps shows a finer one; conversion of units leaves
less than a millionth."""
NOISE_SHARE = 1e-9
"""Differences below this share of the greatest value are the rounding of a conversion."""
FINEST_SHARE = 1e-6
"""Of the range; what moves in finer steps is told to have none."""
MOST_ROUNDS = 12
"""Each round takes a rest of less than half of the step before: 2^12 to one is beyond any file."""


class ChannelFigures(NamedTuple):
    """What one channel of a log shows.

    Attributes
    ----------
    seen : float. Share of rows that have a value.
    low, middle, high : float. Least, median and greatest value, in the channel's own unit.
    step : float. What all differences are whole multiples of; NaN where none can be told.
    held : float. Share of values that repeat the one before.
    top : float. Share of values that equal the greatest.
    """

    seen: float
    low: float
    middle: float
    high: float
    step: float
    held: float
    top: float


def common_step(values: ArrayLike) -> float:
    """Return the step in which values move: the greatest number that measures all differences.

    Euclid's algorithm on the differences from row to row, with room for rounding: while one of
    them leaves a rest, the least rest is tried as the step.

    Parameters
    ----------
    values : array_like. Samples in the order of time, all of them seen.

    Returns
    -------
    float. In the unit of `values`; NaN where they move too seldom, or in no step at all.

    Examples
    --------
    >>> tens = np.array([0.0, 0.3, 0.5, 1.1, 0.7] * 8)
    >>> round(common_step(tens), 6)
    0.1
    """
    column = np.asarray(values, dtype=float)
    if column.size <= LEAST_MOVES:
        return math.nan
    moves = np.abs(np.diff(column))
    moves = moves[moves > NOISE_SHARE * np.abs(column).max()]
    if moves.size < LEAST_MOVES:
        return math.nan
    finest = FINEST_SHARE * (column.max() - column.min())
    step = float(moves.min())
    for _ in range(MOST_ROUNDS):
        rest = np.abs(moves - step * np.rint(moves / step))
        rest = rest[rest > OFF_STEP_SHARE * step]
        if not rest.size:
            times = np.rint(moves / step)
            return float(moves.sum() / times.sum())
        step = float(rest.min())
        if step < finest:
            break
    return math.nan


def channel_figures(values: ArrayLike) -> ChannelFigures:
    """Return what one channel of a log shows of its logger.

    Parameters
    ----------
    values : array_like. Samples in the order of time; NaN where not seen.

    Returns
    -------
    ChannelFigures. Of a channel without a value only that it has none.

    Examples
    --------
    >>> channel_figures([1.0, 1.0, 2.0, np.nan]).held
    0.5
    """
    column = np.asarray(values, dtype=float)
    seen = column[np.isfinite(column)]
    if not seen.size:
        return ChannelFigures(0.0, *(math.nan,) * 6)
    high = float(seen.max())
    return ChannelFigures(
        seen.size / column.size,
        float(seen.min()),
        float(np.median(seen)),
        high,
        common_step(seen),
        float(np.mean(seen[1:] == seen[:-1])) if seen.size > 1 else math.nan,
        float(np.mean(seen == high)),
    )


def rate_and_gap(time_s: ArrayLike) -> tuple[float, float]:
    """Return the usual rate of a log, and its longest pause in usual steps.

    Parameters
    ----------
    time_s : array_like. Times of one clock, in the order of rows. [s]

    Returns
    -------
    tuple of float. Rows a second, from the median step [Hz]; the longest step over the median
    one [1]. NaN for both where time does not run.

    Examples
    --------
    >>> rate_and_gap([0.0, 0.05, 0.1, 0.15, 0.4])
    (20.0, 5.0)
    """
    steps = np.diff(np.asarray(time_s, dtype=float))
    steps = steps[np.isfinite(steps) & (steps > 0.0)]
    if steps.size < 4:
        return math.nan, math.nan
    usual = float(np.median(steps))
    return round(1.0 / usual, 9), round(float(steps.max()) / usual, 9)
