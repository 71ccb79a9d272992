"""The mixture to expect of a bike that was not run yet, from bikes built like it."""

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from flows.metrics.domain_checks import require
from flows.metrics.pooling import borrowed

FloatArray = NDArray[np.float64]

LEAST_MODELS = 3
"""Models that must have been seen with a build before anything is said of another model."""


class Expected(NamedTuple):
    """Lean error to expect of the next bike of a group.

    Attributes
    ----------
    expected_pct : float. Expected lean error. [%]
    lower_pct, upper_pct : float. Where the next bike will fall; NaN where too few bikes tell. [%]
    bikes : int. Bikes of the group itself.
    borrowed_share : float. Weight of the other groups in it: 1 where the group itself has no bike,
        NaN where nothing could be borrowed. [1]
    """

    expected_pct: float
    lower_pct: float
    upper_pct: float
    bikes: int
    borrowed_share: float


class LeanRange(NamedTuple):
    """An unbroken range of engine speed in which the next bike is expected lean.

    Attributes
    ----------
    from_rpm, to_rpm : float. Its ends. [rpm]
    worst_speed_rpm : float. Where the expected error is greatest. [rpm]
    expected_pct, lower_pct, upper_pct : float. Expected error and interval there. [%]
    """

    from_rpm: float
    to_rpm: float
    worst_speed_rpm: float
    expected_pct: float
    lower_pct: float
    upper_pct: float


def expected_of_groups(
    errors_by_group_pct: Sequence[ArrayLike], error_sd_pct: float = 0.5, *, level: float = 0.95
) -> list[Expected]:
    r"""Return what to expect of the next bike of each group, thin groups helped by the others.

    Parameters
    ----------
    errors_by_group_pct : sequence of array_like
        Lean errors at one place of the map, one a bike, for each group: a model on one build. [%]
    error_sd_pct : float, default 0.5
        Standard error of one bike's figure, what all bikes share left out. [%]
    level : float, default 0.95. Share of next bikes that fall into their interval. [1]

    Returns
    -------
    list of Expected. One for each group, in the order given.

    Raises
    ------
    ValueError. If a group is empty, or the standard error not above 0.

    Notes
    -----
    Errors are taken in logarithms, :math:`y = \ln(1 + e / 100)`, where lean and rich are alike,
    and pooled by `pooling.borrowed`: bikes within groups, groups within their kind of build. Where
    no group has two bikes, what bikes of one group differ by is in what the groups differ by: the
    interval is then that of the difference of any two bikes, :math:`t_{k-1} s \sqrt 2`.

    Examples
    --------
    >>> groups = [[8.0, 10.0, 12.0], [6.0, 7.0, 8.0], [9.0, 11.0, 10.0], [14.0]]
    >>> thin = expected_of_groups(groups)[3]
    >>> 9.0 < thin.expected_pct < 14.0 and thin.borrowed_share > 0.1
    True
    """
    require("error_sd_pct", error_sd_pct, above=0.0, unit="%")
    logs = [np.log1p(np.asarray(errors, dtype=float) / 100.0) for errors in errors_by_group_pct]
    variance = (error_sd_pct / 100.0) ** 2
    found = borrowed([(y, np.full(y.shape, variance)) for y in logs], level=level)
    answers = []
    half = math.nan
    if not all(math.isfinite(one.next_lower + one.next_upper) for one in found):
        # Half the width of the unseen, on the scale on which it is even, and laid about one bike's
        # own figure: two bikes of a model differ by no more than any two do.
        unseen = expected_of_unseen(errors_by_group_pct, level=level)
        half = 0.5 * float(np.log1p(unseen.upper_pct / 100.0) - np.log1p(unseen.lower_pct / 100.0))
        half *= math.sqrt(2.0 / (1.0 + 1.0 / len(logs)))
    for one in found:
        ends = (one.next_lower, one.next_upper)
        if not math.isfinite(sum(ends)):
            ends = (one.mean - half, one.mean + half)
        low, mean, high = (100.0 * np.expm1((ends[0], one.mean, ends[1]))).tolist()
        answers.append(Expected(mean, low, high, one.bikes, one.borrowed_share))
    return answers


def expected_of_unseen(
    errors_by_group_pct: Sequence[ArrayLike], *, level: float = 0.95
) -> Expected:
    r"""Return what to expect of a bike whose own group was never seen, from the other groups.

    Parameters
    ----------
    errors_by_group_pct : sequence of array_like
        Lean errors, one a bike, for each group that was seen. [%]
    level : float, default 0.95. Share of next bikes that fall into their interval. [1]

    Returns
    -------
    Expected. NaN with fewer than three groups.

    Raises
    ------
    ValueError. If a level is not between 0 and 1.

    Notes
    -----
    With :math:`m_g` the mean of each of k groups and :math:`s^2` the variance of those means, and
    :math:`w^2` the variance between bikes of one group,

    .. math:: \bar m \pm t_\nu \sqrt{ s^2 \left( 1 + \frac1k \right)
              + w^2 \left( 1 - \frac1{\tilde n} \right) }

    the prediction of one further observation [1]_ (section 4.8), a group's mean, and of one bike
    about it; :math:`\tilde n` is the harmonic mean of the groups' sizes, for that much of
    :math:`w^2` is in :math:`s^2` already. Degrees of freedom are those of Welch and Satterthwaite
    for the two parts, with k - 1 behind the first and the bikes beyond one a group behind the
    second, but never narrower than the first part with its own k - 1.

    Examples
    --------
    >>> seen = expected_of_unseen([[8.0], [10.0], [12.0]])
    >>> round(seen.expected_pct, 1), round(seen.lower_pct, 1), round(seen.upper_pct, 1)
    (10.0, 0.5, 20.4)

    References
    ----------
    .. [1] G. J. Hahn and W. Q. Meeker, Statistical Intervals, 1991 (from memory).
    """
    require("level", level, above=0.0, below=1.0)
    logs = [np.log1p(np.asarray(errors, dtype=float) / 100.0) for errors in errors_by_group_pct]
    nan = float("nan")
    if len(logs) < LEAST_MODELS:
        return Expected(nan, nan, nan, 0, nan)
    means = np.array([float(y.mean()) for y in logs])
    sizes = np.array([y.size for y in logs])
    count = means.size
    free = int((sizes - 1).sum())
    within = sum(float(np.sum((y - y.mean()) ** 2)) for y in logs) / free if free else 0.0
    typical = count / float(np.sum(1.0 / sizes))
    parts = (float(means.var(ddof=1)) * (1.0 + 1.0 / count), within * (1.0 - 1.0 / typical))
    variance = sum(parts)
    below = parts[0] ** 2 / (count - 1) + (parts[1] ** 2 / free if free else 0.0)
    degrees = variance**2 / below if below > 0.0 else count - 1.0
    half = float(special.stdtrit(degrees, 0.5 + 0.5 * level)) * np.sqrt(variance)
    # More freedom must not make it narrower than the models' means alone do.
    alone = float(special.stdtrit(count - 1, 0.5 + 0.5 * level)) * np.sqrt(parts[0])
    half = max(half, alone)
    middle = float(means.mean())
    low, mid, high = (float(100.0 * np.expm1(middle + side * half)) for side in (-1.0, 0.0, 1.0))
    return Expected(mid, low, high, 0, 1.0)


def lean_ranges(
    engine_speed_rpm: ArrayLike,
    expected_pct: ArrayLike,
    lower_pct: ArrayLike,
    upper_pct: ArrayLike,
    *,
    notice_pct: float = 5.0,
    least_width_rpm: float = 250.0,
) -> list[LeanRange]:
    """Return the ranges of speed in which a bike is expected lean, by ascending speed.

    Parameters
    ----------
    engine_speed_rpm : array_like. Engine speeds, ascending. [rpm]
    expected_pct, lower_pct, upper_pct : array_like
        Expected lean error and the next bike's interval; NaN where not known. [%]
    notice_pct : float, default 5. Expected error from which it matters. [%]
    least_width_rpm : float, default 250. Narrower ranges are left out. [rpm]

    Returns
    -------
    list of LeanRange. Unbroken runs of speeds at which the expected error reaches `notice_pct`.

    Raises
    ------
    ValueError. If the speeds do not ascend or the lengths differ.

    Examples
    --------
    >>> found = lean_ranges(
    ...     [5000.0, 5500.0, 6000.0, 6500.0], [2.0, 8.0, 11.0, 3.0],
    ...     [0.0, 5.0, 8.0, 0.0], [4.0, 11.0, 14.0, 6.0])
    >>> found[0].from_rpm, found[0].to_rpm, found[0].upper_pct
    (5500.0, 6000.0, 14.0)
    """
    speed, expected, lower, upper = (
        np.asarray(each, dtype=float)
        for each in (engine_speed_rpm, expected_pct, lower_pct, upper_pct)
    )
    if speed.ndim != 1 or not np.all(np.diff(speed) > 0.0):
        raise ValueError("engine_speed_rpm must ascend, got a speed that does not")
    for name, each in (("expected_pct", expected), ("lower_pct", lower), ("upper_pct", upper)):
        if each.shape != speed.shape:
            raise ValueError(
                f"{name} must match engine_speed_rpm in length, got {each.shape} for {speed.shape}"
            )
    lean = expected >= notice_pct
    edges = np.flatnonzero(np.diff(np.concatenate([[False], lean, [False]]).astype(int)))
    found = []
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        worst = int(start + np.argmax(expected[start:stop]))
        if speed[stop - 1] - speed[start] < least_width_rpm:
            continue
        found.append(
            LeanRange(
                float(speed[start]),
                float(speed[stop - 1]),
                float(speed[worst]),
                float(expected[worst]),
                float(lower[worst]),
                float(upper[worst]),
            )
        )
    return found
