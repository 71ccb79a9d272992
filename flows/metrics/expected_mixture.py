"""The mixture to expect of a bike that was not run yet, from bikes built like it."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flows.metrics.next_bike import next_bikes

FloatArray = NDArray[np.float64]

ONE_SIDED = 0.95
"""Share of next bikes on the sound side of either end: 19 of 20."""


class Expected(NamedTuple):
    """Lean error to expect of the next bike of a group, as it will be measured.

    Attributes
    ----------
    expected_pct : float. Expected lean error. [%]
    lower_pct, upper_pct : float
        19 of 20 next bikes lie above the first, 19 of 20 below the second; NaN where too few bikes
        tell. [%]
    bikes : int. Bikes of the group itself.
    borrowed_share : float. Weight of the other groups in it: 1 where the group itself has no
        bike. [1]
    within_share : float. Chance that the next bike is no leaner than the limit asked for. [1]
    """

    expected_pct: float
    lower_pct: float
    upper_pct: float
    bikes: int
    borrowed_share: float
    within_share: float


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
    errors_by_group_pct: Sequence[ArrayLike], *, limit_pct: float = 0.0
) -> list[Expected]:
    r"""Return what to expect of the next bike of each group, thin groups helped by the others.

    Parameters
    ----------
    errors_by_group_pct : sequence of array_like
        Lean errors, one a bike, for each group: a model on one build. At one place of the map, or
        each bike's greatest, wherever that was. [%]
    limit_pct : float, default 0. Lean error whose chance is asked for. [%]

    Returns
    -------
    list of Expected. One for each group, in the order given, then one for a group never seen.

    Raises
    ------
    ValueError. If a group is empty, or there is none.

    Notes
    -----
    Errors are taken in logarithms, :math:`y = \ln(1 + e / 100)`, where lean and rich are alike, and
    predicted by `next_bike.next_bikes`. Of each bike's greatest error over the speeds, the upper
    end is what its whole curve stays below in 19 of 20 bikes: no band of single speeds is that.

    Examples
    --------
    >>> groups = [[8.0, 10.0, 12.0], [6.0, 7.0, 8.0], [9.0, 11.0, 10.0], [14.0]]
    >>> thin = expected_of_groups(groups)[3]
    >>> 9.0 < thin.expected_pct < 14.0 and thin.borrowed_share > 0.1
    True
    """
    logs = [np.log1p(np.asarray(errors, dtype=float) / 100.0) for errors in errors_by_group_pct]
    found = next_bikes(logs)
    columns = (
        100.0 * np.expm1(found.mean),
        100.0 * np.expm1(found.quantile(1.0 - ONE_SIDED)),
        100.0 * np.expm1(found.quantile(ONE_SIDED)),
        np.array([*(y.size for y in logs), 0]),
        found.borrowed_share,
        found.chance_below(float(np.log1p(limit_pct / 100.0))),
    )
    return [Expected(*each) for each in zip(*(one.tolist() for one in columns), strict=True)]


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
