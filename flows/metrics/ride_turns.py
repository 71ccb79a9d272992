"""What a ride is known by in any export: where its engine speed turns, and when."""

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.ndimage import gaussian_filter1d

GRID_S, SMOOTH_S = 0.5, 2.0
"""Slow and fast loggers see the same over two seconds."""
LEAST_TURN_RPM, LEAST_TURN_SHARE = 200.0, 0.06
"""A turn of less, of all that the ride spans, may be there in one export only."""
MOST_TURNS = 2000
LONGEST_S = 7 * 86_400.0
SPEED_STEP, TIME_STEP_S = 0.03, 1.5
"""Two turns are alike within one step of ln speed, and their distance within one of time."""
LEAST_LIKE, LEAST_LIKE_SHARE = 10, 0.6
"""So many pairs of turns, and this share of those of the shorter ride, must be alike at one shift
of the clock: of two rides on one road a hundredth is, by chance."""
OFFSET_STEP_S = 1.0


class Turns(NamedTuple):
    """Turns of the engine speed, in the order of time.

    Attributes
    ----------
    at_s : ndarray. Times. [s]
    speed_rpm : ndarray. Smoothed engine speed there. [rpm]
    """

    at_s: np.ndarray
    speed_rpm: np.ndarray


def turns(time_s: ArrayLike, engine_speed_rpm: ArrayLike) -> Turns:
    """Return where the engine speed of a ride turns.

    Parameters
    ----------
    time_s : array_like. Times, not falling; NaN where not seen. [s]
    engine_speed_rpm : array_like. Engine speed; NaN where not seen. [rpm]

    Returns
    -------
    Turns. At most 2,000, the first ones; empty where nothing turns, the clock falls, or the log
        spans more than a week.

    Examples
    --------
    >>> time_s = np.arange(0.0, 120.0, 0.1)
    >>> found = turns(time_s, 4000.0 + 1000.0 * np.sin(2.0 * np.pi * time_s / 40.0))
    >>> np.round(found.at_s).tolist(), np.round(found.speed_rpm, -2).tolist()
    ([10.0, 30.0, 50.0, 70.0, 90.0, 110.0], [5000.0, 3000.0, 5000.0, 3000.0, 5000.0, 3000.0])
    """
    time, speed = np.asarray(time_s, dtype=float), np.asarray(engine_speed_rpm, dtype=float)
    seen = np.isfinite(time) & np.isfinite(speed)
    time, speed = time[seen], speed[seen]
    nothing = Turns(np.empty(0), np.empty(0))
    lasts_s = float(np.ptp(time)) if time.size else 0.0
    # A clock that falls, or that counts weeks, is judged elsewhere.
    if time.size < 10 or not 4 * SMOOTH_S <= lasts_s <= LONGEST_S or np.any(np.diff(time) < 0.0):
        return nothing
    place = np.floor((time - time[0]) / GRID_S).astype(np.int64)
    count = np.bincount(place)
    filled = count > 0
    middle = np.bincount(place, time)[filled] / count[filled]
    mean = np.bincount(place, speed)[filled] / count[filled]
    grid = np.arange(time[0], time[-1], GRID_S)
    smooth = gaussian_filter1d(np.interp(grid, middle, mean), SMOOTH_S / GRID_S, mode="nearest")
    least = max(LEAST_TURN_RPM, LEAST_TURN_SHARE * float(np.ptp(smooth)))
    at = np.sort(np.concatenate((_tops(smooth, least), _tops(-smooth, least))))[:MOST_TURNS]
    return Turns(grid[at], smooth[at]) if at.size else nothing


def _tops(values: np.ndarray, least: float) -> np.ndarray:
    """Return the tops that stand out by so much: the middle of each, where it is flat.

    A top stands out by its height over the higher of the two lowest points between it and what is
    higher, or the end, on either side. By hand, because the library that has it takes as long to
    load as twenty rides to read.
    """
    first = np.flatnonzero(np.concatenate(([True], np.diff(values) != 0.0)))
    height = values[first]
    tops = np.flatnonzero((height[1:-1] > height[:-2]) & (height[1:-1] > height[2:])) + 1
    if not tops.size:
        return tops
    lowest = np.minimum.reduceat(height, np.concatenate(([0], tops)))
    left = _lowest_before_higher(height[tops], lowest[:-1])
    right = _lowest_before_higher(height[tops][::-1], lowest[:0:-1])[::-1]
    tops = tops[height[tops] - np.maximum(left, right) >= least]
    return (first[tops] + first[tops + 1] - 1) // 2


def _lowest_before_higher(height: np.ndarray, lowest: np.ndarray) -> np.ndarray:
    """Return for each top the lowest point since a higher one; `lowest` is that since the last."""
    found = lowest.copy()
    higher: list[int] = []
    for place in range(height.size):
        while higher and height[higher[-1]] <= height[place]:
            found[place] = min(found[place], found[higher.pop()])
        higher.append(place)
    return found


def _pairs(of: Turns) -> np.ndarray:
    """Return each turn with the next: ln of both speeds and the time between, in whole steps."""
    logs = np.log(np.maximum(of.speed_rpm, 1.0)) / SPEED_STEP
    gaps = np.diff(of.at_s) / TIME_STEP_S
    return np.floor(np.column_stack((logs[:-1], logs[1:], gaps))).astype(np.int64)


def _key(steps: np.ndarray) -> np.ndarray:
    """Return one whole number for each pair of turns."""
    return (steps[:, 0] * 1_000 + steps[:, 1]) * 100_000 + steps[:, 2]


def same_rides(rides: list[Turns], asked: list[int]) -> list[tuple[int, int]]:
    r"""Return which rides are one, exported twice.

    Parameters
    ----------
    rides : list of Turns. All rides.
    asked : list of int. Places of those that are held against all.

    Returns
    -------
    list of (int, int). Places, the lower one first.

    Notes
    -----
    Pairs of successive turns are looked up in a sorted index by both speeds and the time between,
    each within one step: :math:`n \log n` in all turns, never ride against ride. Two rides are one
    where at one shift of the clock 10 pairs and 60 % of the shorter one's are alike. Shift, rate,
    time zone, further channels and cut ends play no part. A choice of ours, no source.

    Examples
    --------
    >>> time_s = np.arange(0.0, 600.0, 0.1)
    >>> speed_rpm = 4000 + 900 * np.sin(time_s / 7) + 700 * np.sin(time_s / 3.1)
    >>> whole, slow = turns(time_s, speed_rpm), turns(time_s[900::10] + 3600, speed_rpm[900::10])
    >>> same_rides([whole, slow], [1])
    [(0, 1)]
    """
    sizes = np.array([max(of.at_s.size - 1, 0) for of in rides], dtype=np.int64)
    if not sizes.sum() or not asked:
        return []
    keys = np.concatenate([_key(_pairs(of)) for of in rides if of.at_s.size > 1])
    owner = np.repeat(np.arange(len(rides)), sizes)
    at_s = np.concatenate([of.at_s[:-1] for of in rides if of.at_s.size > 1])
    order = np.argsort(keys, kind="stable")
    keys, owner, at_s = keys[order], owner[order], at_s[order]
    steps = np.stack(np.meshgrid(*[(-1, 0, 1)] * 3, indexing="ij"), axis=-1).reshape(-1, 3)
    found: set[tuple[int, int]] = set()
    for place in asked:
        of = rides[place]
        if sizes[place] < LEAST_LIKE:
            continue
        own = _pairs(of)
        near = _key((own[:, None, :] + steps[None, :, :]).reshape(-1, 3))
        mine = np.repeat(np.arange(sizes[place]), len(steps))
        first, stop = np.searchsorted(keys, near), np.searchsorted(keys, near, side="right")
        hits = np.repeat(mine, stop - first)
        where = np.concatenate([np.arange(a, b) for a, b in zip(first, stop, strict=True) if b > a])
        others = owner[where]
        shift = np.rint((at_s[where] - of.at_s[hits]) / OFFSET_STEP_S).astype(np.int64)
        least = np.maximum(LEAST_LIKE, LEAST_LIKE_SHARE * np.minimum(sizes[place], sizes))
        # Most rides share a turn or two with any other by chance: too few to be looked at.
        for other in np.flatnonzero(np.bincount(others, minlength=len(rides)) >= least):
            ours = others == other
            if other != place and _alike(hits[ours], shift[ours]) >= least[other]:
                found.add((min(place, int(other)), max(place, int(other))))
    return sorted(found)


def _alike(turn: np.ndarray, shift: np.ndarray) -> int:
    """Return how many turns agree on one shift of the clock, within a step."""
    best, counts = np.unique(shift, return_counts=True)
    top = int(best[np.argmax(counts)])
    return int(np.unique(turn[np.abs(shift - top) <= 1]).size)
