"""How a map stands over all bikes that carry it: where it misses, and what a revision mended."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from flows.metrics.domain_checks import require
from flows.metrics.session import PooledSd

FloatArray = NDArray[np.float64]


LEAST_PAIRS = 4
"""Bikes that must have had both revisions before their differences alone count: fewer say less of
their own scatter than the shop's other maps do."""


class MeanBySpeed(NamedTuple):
    """Mean error over bikes at each speed; NaN where no bike saw it.

    Attributes
    ----------
    mean_pct, sd_pct : ndarray. Mean over the bikes, and standard deviation from bike to bike. [%]
    lower_pct, upper_pct : ndarray. Interval of the mean; NaN below two bikes. [%]
    bikes : ndarray of int. Bikes that saw the speed.
    """

    mean_pct: FloatArray
    sd_pct: FloatArray
    lower_pct: FloatArray
    upper_pct: FloatArray
    bikes: NDArray[np.int64]


class MissedRange(NamedTuple):
    """An unbroken range of speed in which the mean over the bikes misses the target.

    Attributes
    ----------
    side : str. "lean" or "rich".
    from_rpm, to_rpm : float. Its ends. [rpm]
    least_pct, most_pct : float. Smallest and greatest size of the mean error in it. [%]
    worst_speed_rpm : float. Where it is greatest. [rpm]
    bikes, bikes_missing : int
        Bikes that saw the range, and those whose own mean in it misses as far.
    """

    side: str
    from_rpm: float
    to_rpm: float
    least_pct: float
    most_pct: float
    worst_speed_rpm: float
    bikes: int
    bikes_missing: int


class Change(NamedTuple):
    """What a revision changed in the size of the error.

    Attributes
    ----------
    change_pct : float
        Mean error of the later revision less that of the earlier: below 0 is better. [%]
    lower_pct, upper_pct : float. Its interval; NaN where too few bikes tell. [%]
    is_paired : bool. Whether the same bikes had both.
    """

    change_pct: float
    lower_pct: float
    upper_pct: float
    is_paired: bool


def mean_by_speed(errors_by_bike_pct: ArrayLike, *, level: float = 0.95) -> MeanBySpeed:
    r"""Return the mean error over bikes at each speed.

    Parameters
    ----------
    errors_by_bike_pct : array_like
        Lean error, a row each bike, a column each speed; NaN where it was not seen. [%]
    level : float, default 0.95. Share of true means that lie within their interval. [1]

    Returns
    -------
    MeanBySpeed. Mean, spread and interval.

    Raises
    ------
    ValueError. If a level is not between 0 and 1.

    Notes
    -----
    .. math:: \bar e \pm t_{n-1} \frac{s}{\sqrt n}

    with the bikes as the sample, whatever pulls stand behind each: the map goes into further
    bikes, not into further pulls.

    Examples
    --------
    >>> found = mean_by_speed([[4.0], [6.0], [8.0]])
    >>> float(found.mean_pct[0]), round(float(found.upper_pct[0]), 2)
    (6.0, 10.97)
    """
    require("level", level, above=0.0, below=1.0)
    errors = np.atleast_2d(np.asarray(errors_by_bike_pct, dtype=float))
    seen = np.isfinite(errors)
    bikes = seen.sum(axis=0)
    total = np.where(seen, errors, 0.0).sum(axis=0)
    nothing = np.full(bikes.shape, np.nan)
    mean = np.divide(total, bikes, out=nothing.copy(), where=bikes > 0)
    square = np.where(seen, (errors - mean) ** 2, 0.0).sum(axis=0)
    sd = np.sqrt(np.divide(square, bikes - 1, out=nothing.copy(), where=bikes > 1))
    half = special.stdtrit(np.maximum(bikes - 1, 1), 0.5 + 0.5 * level) * sd
    half = half / np.sqrt(np.maximum(bikes, 1))
    return MeanBySpeed(mean, sd, mean - half, mean + half, bikes)


def missed_ranges(
    engine_speed_rpm: ArrayLike,
    errors_by_bike_pct: ArrayLike,
    *,
    notice_pct: float = 5.0,
    least_width_rpm: float = 250.0,
) -> list[MissedRange]:
    """Return the ranges of speed in which a map misses its target, by ascending speed.

    Parameters
    ----------
    engine_speed_rpm : array_like. Engine speeds, ascending. [rpm]
    errors_by_bike_pct : array_like
        Lean error, a row each bike, a column each speed; NaN where it was not seen. [%]
    notice_pct : float, default 5. Size of the mean error from which it is missed. [%]
    least_width_rpm : float, default 250. Narrower ranges are left out. [rpm]

    Returns
    -------
    list of MissedRange. Unbroken runs of speeds at which the mean over the bikes is off by
        `notice_pct` or more, to one side.

    Raises
    ------
    ValueError. If the speeds do not ascend, or are not as many as the columns.

    Examples
    --------
    >>> found = missed_ranges(
    ...     [5000.0, 5250.0, 5500.0, 5750.0], [[1.0, 7.0, 9.0, 2.0], [1.0, 5.0, 7.0, 2.0]])
    >>> found[0].from_rpm, found[0].most_pct, found[0].bikes_missing
    (5250.0, 8.0, 2)
    """
    speed = np.asarray(engine_speed_rpm, dtype=float)
    errors = np.atleast_2d(np.asarray(errors_by_bike_pct, dtype=float))
    if speed.ndim != 1 or not np.all(np.diff(speed) > 0.0):
        raise ValueError("engine_speed_rpm must ascend, got a speed that does not")
    if errors.shape[1] != speed.size:
        raise ValueError(
            f"errors_by_bike_pct must have a column for each speed, got {errors.shape[1]} for "
            f"{speed.size}"
        )
    require("notice_pct", notice_pct, above=0.0, unit="%")
    require("least_width_rpm", least_width_rpm, at_least=0.0, unit="rpm")
    mean = mean_by_speed(errors).mean_pct
    found = []
    for side, sign in (("lean", 1.0), ("rich", -1.0)):
        off = sign * mean >= notice_pct
        edges = np.flatnonzero(np.diff(np.concatenate([[False], off, [False]]).astype(int)))
        for start, stop in zip(edges[::2], edges[1::2], strict=True):
            if speed[stop - 1] - speed[start] < least_width_rpm:
                continue
            size = sign * mean[start:stop]
            here = sign * errors[:, start:stop]
            saw = np.isfinite(here).any(axis=1)
            own = np.array([float(np.nanmean(row)) for row in here[saw]])
            found.append(
                MissedRange(
                    side,
                    float(speed[start]),
                    float(speed[stop - 1]),
                    float(size.min()),
                    float(size.max()),
                    float(speed[start + int(np.argmax(size))]),
                    int(saw.sum()),
                    int((own >= notice_pct).sum()),
                )
            )
    return sorted(found, key=lambda one: one.from_rpm)


def change_between(
    earlier_pct: Sequence[tuple[str, float]],
    later_pct: Sequence[tuple[str, float]],
    *,
    scatter: PooledSd | None = None,
    level: float = 0.95,
) -> Change:
    r"""Return what a revision changed in the mean size of the error.

    Parameters
    ----------
    earlier_pct, later_pct : sequence of (str, float)
        Bike and its mean size of error on the earlier and on the later revision, a bike once. [%]
    scatter : PooledSd, optional. That of bikes on one map, from `session.pooled_sd` over all of a
        shop's maps: a pair of maps has few bikes. [%]
    level : float, default 0.95. Share of true changes that lie within their interval. [1]

    Returns
    -------
    Change. Paired over the bikes that had both, where there are two such, or four with a scatter
        given; else of the two groups. NaN where either group is empty. No size of error is below 0:
        the interval ends where either map's would be.

    Raises
    ------
    ValueError. If a level is not between 0 and 1.

    Notes
    -----
    Paired: Student's interval of the differences. Otherwise of two groups, with the scatter given
    in the place of both :math:`s`, else with their own, which may be unlike: Welch's ([1]_, section
    7.3.1, from memory):

    .. math:: \bar b - \bar a \pm t_\nu \sqrt{ \frac{s_a^2}{n_a} + \frac{s_b^2}{n_b} }

    Examples
    --------
    >>> earlier = [("B-1", 4.0), ("B-2", 5.0), ("B-3", 6.0)]
    >>> later = [("B-1", 2.0), ("B-2", 3.5), ("B-3", 3.5)]
    >>> change_between(earlier, later).change_pct
    -2.0

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods.
    """
    require("level", level, above=0.0, below=1.0)
    nan = float("nan")
    first, second = dict(earlier_pct), dict(later_pct)
    if not first or not second:
        return Change(nan, nan, nan, is_paired=False)
    shared = [bike for bike in first if bike in second]
    if scatter is not None and not scatter.dof:
        scatter = None
    a, b = np.array(list(first.values())), np.array(list(second.values()))
    is_paired = len(shared) >= (LEAST_PAIRS if scatter else 2)
    if is_paired:
        apart = np.array([second[bike] - first[bike] for bike in shared])
        error, free = float(apart.std(ddof=1) / np.sqrt(apart.size)), apart.size - 1.0
        change = float(apart.mean())
        a, b = (np.array([one[bike] for bike in shared]) for one in (first, second))
    else:
        change = float(b.mean() - a.mean())
        if scatter:
            error = scatter.sd * float(np.sqrt(1.0 / a.size + 1.0 / b.size))
            free = float(scatter.dof)
        elif a.size < 2 or b.size < 2:
            return Change(change, nan, nan, is_paired=False)
        else:
            parts = np.array([a.var(ddof=1) / a.size, b.var(ddof=1) / b.size])
            error = float(np.sqrt(parts.sum()))
            below = float(np.sum(parts**2 / np.array([a.size - 1, b.size - 1])))
            free = float(parts.sum() ** 2 / below) if below > 0.0 else 1.0
    half = float(special.stdtrit(free, 0.5 + 0.5 * level)) * error
    ends = (max(change - half, -float(a.mean())), min(change + half, float(b.mean())))
    return Change(change, *ends, is_paired=is_paired)
