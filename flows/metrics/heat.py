"""Knock and ignition in a lean window against the speeds beside it: what lean costs the engine.

Knock activity comes in the logger's own scale and grows with speed by itself, so only what stands
out from the neighbouring speeds of the same pull says anything.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from flows.metrics.domain_checks import require

FloatArray = NDArray[np.float64]

REACH_RPM = 1000.0
"""How far from the window its neighbours may be: near enough for a straight line. [rpm]"""

APART_RPM = 150.0
"""What lies as near outside the window's ends is no neighbour: the curve's smoothing mixes the two
there. Within its ends it counts, and makes a step look smaller. [rpm]"""

LEAST_POINTS = 4
"""Grid points beside the window that a line needs, and at least one within it."""

CONFIDENCE = 0.95
"""Share of true values that lie within their interval."""


class Standout(NamedTuple):
    """What a quantity does in a window against the speeds beside it, over the pulls.

    Ends of 95 % intervals are NaN below two pulls.

    Attributes
    ----------
    pulls : int. Pulls that saw window and neighbours.
    inside : float. Mean in the window, over the pulls; NaN without any.
    beside : float. What the line through the speeds beside it would give there.
    difference, difference_lower, difference_upper : float
        Inside less beside, in the quantity's unit.
    ratio, ratio_lower, ratio_upper : float
        Inside over beside, by geometric means; NaN where either is not above 0. [1]
    """

    pulls: int
    inside: float
    beside: float
    difference: float
    difference_lower: float
    difference_upper: float
    ratio: float
    ratio_lower: float
    ratio_upper: float


def window_standout(
    grid_rpm: ArrayLike,
    value_by_pull: ArrayLike,
    from_rpm: float,
    to_rpm: float,
) -> Standout:
    r"""Return how a quantity stands out in a window of speed from its neighbours.

    Parameters
    ----------
    grid_rpm : array_like. Engine speeds, ascending. [rpm]
    value_by_pull : array_like. The quantity in each pull, a row each; NaN where it was not seen.
    from_rpm, to_rpm : float. Ends of the window. [rpm]

    Returns
    -------
    Standout. Difference and ratio over the pulls; counts no pull and is NaN where none was seen.

    Raises
    ------
    ValueError. If the grid does not ascend, lengths differ, or the window is upside down.

    Notes
    -----
    In each pull a straight line is fitted to the speeds beside the window, and the mean of the
    window is held against the line's mean over the same speeds. The pulls are then the sample,

    .. math:: \bar d \pm t_{n-1} \, s_d / \sqrt{n}

    the ratio likewise in logarithms: within one pull the readings share their error, so that
    counting grid points would be too sure. With neighbours on one side only the line is drawn on
    past its end, and says less.

    Assumes that the quantity would run straight over window and neighbours; an ignition map with
    a corner there shows as a step of its own.

    Examples
    --------
    >>> speed = np.arange(4000.0, 8001.0, 50.0)
    >>> lean = np.where((speed >= 5500.0) & (speed <= 6500.0), 3.0, 1.0)
    >>> found = window_standout(speed, [lean, 1.1 * lean], 5500.0, 6500.0)
    >>> round(found.ratio, 2), found.pulls
    (3.0, 2)
    """
    speed = np.asarray(grid_rpm, dtype=float)
    values = np.atleast_2d(np.asarray(value_by_pull, dtype=float))
    if speed.ndim != 1 or not np.all(np.diff(speed) > 0.0):
        raise ValueError("grid_rpm must ascend, got a speed that does not")
    if values.shape[1] != speed.size:
        raise ValueError(
            f"value_by_pull must have a column for each speed, got {values.shape[1]} for "
            f"{speed.size}"
        )
    require("from_rpm", from_rpm, at_most=to_rpm, unit="rpm")
    within = (speed >= from_rpm) & (speed <= to_rpm)
    near = (speed >= from_rpm - REACH_RPM) & (speed < from_rpm - APART_RPM)
    near |= (speed <= to_rpm + REACH_RPM) & (speed > to_rpm + APART_RPM)
    inside, beside = [], []
    for row in values:
        here, there = within & np.isfinite(row), near & np.isfinite(row)
        if not here.any() or there.sum() < LEAST_POINTS:
            continue
        line = np.polynomial.Polynomial.fit(speed[there], row[there], 1)
        inside.append(float(row[here].mean()))
        beside.append(float(line(speed[here]).mean()))
    nan = float("nan")
    if not inside:
        return Standout(0, nan, nan, nan, nan, nan, nan, nan, nan)
    a, b = np.array(inside), np.array(beside)
    difference = _mean_interval(a - b)
    ratio = (nan, nan, nan)
    if np.all(a > 0.0) and np.all(b > 0.0):
        low, middle, high = _mean_interval(np.log(a / b))
        ratio = (float(np.exp(low)), float(np.exp(middle)), float(np.exp(high)))
    return Standout(
        a.size,
        float(a.mean()),
        float(b.mean()),
        difference[1],
        difference[0],
        difference[2],
        ratio[1],
        ratio[0],
        ratio[2],
    )


def _mean_interval(values: FloatArray) -> tuple[float, float, float]:
    """Return lower end, mean and upper end."""
    mean = float(values.mean())
    if values.size < 2:
        return float("nan"), mean, float("nan")
    error = float(values.std(ddof=1)) / np.sqrt(values.size)
    half = float(special.stdtrit(values.size - 1, 0.5 + 0.5 * CONFIDENCE)) * error
    return mean - half, mean, mean + half
