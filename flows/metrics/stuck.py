"""Columns that stand still, leap or run against another one for a part of a log."""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

LEAST_RUN = 50
"""Samples of one value in a row; fewer are chance in a column of few digits."""
ALIVE_SHARE = 0.5
"""A column whose next value mostly equals the one before is too coarse to be called stuck."""
DOUBLE = (1.85, 2.15)
"""Two pulses for one, or one for two: no gear of a motorcycle is so far from the next."""
STRETCHES = 5
LASTS_S = 0.35
"""Time for which it stays there: a disturbance is over within a sample or two."""
LEAST_STILL_SHARE = 0.25
"""A run of one value counts from this share of all samples seen."""
MOST_CORRELATION = -0.6
"""Correlation with the load below which a channel runs against it."""


class Run(NamedTuple):
    """A stretch of one value.

    Attributes
    ----------
    start, stop : int. Rows from its first to past its last.
    value : float. What it holds, in the column's own unit.
    """

    start: int
    stop: int
    value: float


def longest_still_run(values: ArrayLike) -> Run | None:
    """Return the stretch in which a column that else moves holds one value; None without one.

    Parameters
    ----------
    values : array_like. Samples in the order of time; NaN where not seen.

    Returns
    -------
    Run or None. Rows of `values`.

    Examples
    --------
    >>> moving = np.sin(np.arange(150.0))
    >>> longest_still_run(np.concatenate((moving, np.full(100, 0.3))))
    Run(start=150, stop=250, value=0.3)
    """
    column = np.asarray(values, dtype=float)
    at = np.flatnonzero(np.isfinite(column))
    seen = column[at]
    if seen.size < 2 * LEAST_RUN:
        return None
    edges = np.flatnonzero(np.concatenate(([True], np.diff(seen) != 0.0, [True])))
    lengths = np.diff(edges)
    longest = int(np.argmax(lengths))
    length, start = int(lengths[longest]), int(edges[longest])
    rest = seen.size - length
    if length < max(LEAST_RUN, LEAST_STILL_SHARE * seen.size) or rest < LEAST_RUN:
        return None
    # Of the rest: how often a value equals the one before.
    if (rest - (lengths.size - 1)) / rest > ALIVE_SHARE:
        return None
    return Run(int(at[start]), int(at[start + length - 1]) + 1, float(seen[start]))


def doubled_from(
    time_s: ArrayLike, engine_speed_rpm: ArrayLike, gear: ArrayLike | None = None
) -> int:
    """Return the row from which an engine speed is twice or half of what it was; -1 if none.

    Parameters
    ----------
    time_s : array_like. Times, rising. [s]
    engine_speed_rpm : array_like. Engine speed; NaN where not seen. [rpm]
    gear : array_like, optional. Gear; a leap where it changes is none. [1]

    Returns
    -------
    int. Row of the leap: within one sample of a quick log, and lasting for a third of a second.

    Examples
    --------
    >>> time_s = np.arange(0.0, 10.0, 0.1)
    >>> doubled_from(time_s, np.where(time_s < 5.0, 3000.0, 6000.0) + 10.0 * np.sin(time_s))
    50
    """
    time, speed = np.asarray(time_s, dtype=float), np.asarray(engine_speed_rpm, dtype=float)
    at = np.flatnonzero(np.isfinite(time) & np.isfinite(speed) & (speed > 0.0))
    time, speed = time[at], speed[at]
    if time.size < 20 or np.any(np.diff(time) <= 0.0) or np.median(np.diff(time)) > 0.15:
        return -1
    step = speed[1:] / speed[:-1]
    leaps = _is_double(step) & (np.diff(time) <= 0.3) & (speed[:-1] > 800.0)
    if gear is not None:
        leaps &= ~(np.abs(np.diff(np.asarray(gear, dtype=float)[at])) > 0.0)
    for place in np.flatnonzero(leaps) + 1:
        before = speed[(time >= time[place] - LASTS_S) & (time < time[place])]
        after = speed[(time >= time[place]) & (time <= time[place] + LASTS_S)]
        if min(before.size, after.size) < 3:
            continue
        times = abs(math.log(float(np.median(after) / np.median(before))))
        if abs(times - math.log(2.0)) < 0.2:
            return int(at[place])
    return -1


def _is_double(ratio: np.ndarray) -> np.ndarray:
    low, high = DOUBLE
    return ((ratio > low) & (ratio < high)) | ((ratio > 1.0 / high) & (ratio < 1.0 / low))


def runs_against(values: ArrayLike, load: ArrayLike) -> bool:
    """Whether a throttle falls where the engine's load rises: it is upside down.

    Parameters
    ----------
    values : array_like. Throttle; NaN where not seen. [%]
    load : array_like. Intake pressure or power. [Pa or W]

    Returns
    -------
    bool. True if so; False where one of them hardly moves.

    Examples
    --------
    >>> load = 50.0 + 40.0 * np.sin(np.arange(200.0) / 9.0)
    >>> runs_against(100.0 - load, load), runs_against(load, load)
    (True, False)
    """
    one, other = np.asarray(values, dtype=float), np.asarray(load, dtype=float)
    seen = np.isfinite(one) & np.isfinite(other)
    one, other = one[seen], other[seen]
    if one.size < LEAST_RUN or np.ptp(one) < 5.0 or np.std(other) < 0.02 * abs(np.mean(other)):
        return False
    return bool(np.corrcoef(one, other)[0, 1] < MOST_CORRELATION)


def ratio_scatter_in_gear(
    engine_speed_rpm: ArrayLike, road_speed_m_s: ArrayLike, gear: ArrayLike
) -> float:
    """Return by how much engine over road speed scatters within the gears that a log names.

    Parameters
    ----------
    engine_speed_rpm : array_like. Engine speed. [rpm]
    road_speed_m_s : array_like. Road or roller speed. [m/s]
    gear : array_like. Gear. [1]

    Returns
    -------
    float. Of the gears held for a tenth of the log the greatest robust 1 SD of the logarithm, or
        half of what lies between the medians of five stretches of it; NaN without one. In one gear
        it is one number but for the clutch: above 0.05 one of the three is wrong. [1]

    Examples
    --------
    >>> road_m_s = np.linspace(10.0, 20.0, 200)
    >>> gear = np.repeat([3.0, 4.0], 100)
    >>> ratio_scatter_in_gear(np.where(gear == 3.0, 250.0, 200.0) * road_m_s, road_m_s, gear)
    0.0
    """
    speed, road, gears = (
        np.asarray(values, dtype=float) for values in (engine_speed_rpm, road_speed_m_s, gear)
    )
    rolling = np.isfinite(speed) & (road > 3.0) & (speed > 1000.0) & (gears >= 1.0)
    found = []
    for one in np.unique(gears[rolling]):
        logs = np.log(speed[rolling & (gears == one)] / road[rolling & (gears == one)])
        if logs.size >= max(LEAST_RUN, 0.1 * rolling.sum()):
            parts = [float(np.median(part)) for part in np.array_split(logs, STRETCHES)]
            scatter = 1.4826 * float(np.median(np.abs(logs - np.median(logs))))
            found.append(max(scatter, 0.5 * (max(parts) - min(parts))))
    return round(max(found), 6) if found else math.nan
