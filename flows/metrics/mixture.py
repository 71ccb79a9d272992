"""The full-throttle mixture against its target: lean error, and where it is off for how far.

Lean errors are positive where the mixture is lean. Curves stand on an ascending speed grid; NaN
means not seen. Between grid points the error is taken as a straight line.
"""

from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from flows.metrics.domain_checks import require

FloatArray = NDArray[np.float64]

LEVELS = ("none", "notice", "warn", "stop")
LEAN_LEVELS = LEVELS[2:]
"""Too lean to be left so."""
"""Levels of a window, mildest first."""

_HAIR_PCT = 1e-9
"""Far above the rounding of an error, and far below what any gauge shows."""
NEAR_PEAK_TORQUE_RPM = 500.0
"""Distance that counts as near: cylinder filling, and with it knock, is close to its greatest
there."""

CRUISE_TO_PCT, FULL_FROM_PCT = 40.0, 85.0
"""Opening up to which an engine cruises, and from which it takes the air of full throttle. [%]"""

LEAST_SEEN_SHARE = 0.5
"""Share of a window's grid points that a pull must have seen to count."""


class Window(NamedTuple):
    """An unbroken range of engine speed where the mixture is off its target.

    Attributes
    ----------
    side : str. "lean" or "rich".
    level : str. "notice", "warn" or "stop".
    from_rpm, to_rpm : float
        Where the error crosses the notice threshold, or where the curve begins or ends. [rpm]
    worst_error_pct : float. Greatest error in the window: positive lean, negative rich. [%]
    worst_speed_rpm : float. Where it stands. [rpm]
    is_near_peak_torque : bool
        Whether some part of the window is near the speed of peak torque, where knock bites.
    """

    side: str
    level: str
    from_rpm: float
    to_rpm: float
    worst_error_pct: float
    worst_speed_rpm: float
    is_near_peak_torque: bool


class HeldError(NamedTuple):
    """The worst lean error that is more than a spike.

    Attributes
    ----------
    error_pct : float. The lean error that is reached or passed over an unbroken width. [%]
    speed_rpm : float. Where the error is greatest within that width. [rpm]
    """

    error_pct: float
    speed_rpm: float


class Repeatability(NamedTuple):
    """Whether a window is there pull after pull.

    Attributes
    ----------
    pulls : int. Pulls that saw the window's speeds.
    seen_in : int. Those in which the error passes notice there, on the window's side.
    depth_pct : float. Mean over the pulls of each one's held error in the window, signed as the
        error; NaN if no pull saw it. [%]
    depth_sd_pct : float. Standard deviation of that from pull to pull; NaN below two pulls. [%]
    """

    pulls: int
    seen_in: int
    depth_pct: float
    depth_sd_pct: float


class ErrorInterval(NamedTuple):
    """What a lean error may be, given what the gauge and the pulls allow.

    Attributes
    ----------
    low_pct, high_pct : ndarray. Ends of the interval. [%]
    standard_uncertainty_pct : ndarray. Gauge and scatter together, as one standard deviation. [%]
    """

    low_pct: FloatArray
    high_pct: FloatArray
    standard_uncertainty_pct: FloatArray


class WorstError(NamedTuple):
    """The worst lean error of a session with its 95 % interval, and what that is made of.

    Attributes
    ----------
    error_pct : float. Of the mean curve, held over a width; NaN if nothing was. [%]
    speed_rpm : float. Where it stands. [rpm]
    lower_pct, upper_pct : float. Ends of the interval for the true one, over the whole range. [%]
    gauge_pct : float. Standard uncertainty by the gauge, which no further pull makes less. [%]
    scatter_pct : float. Standard uncertainty by the pulls' scatter. [%]
    pulls : int. Pulls that got there with a mixture.
    is_scatter_assumed : bool. Whether there was but one, whose scatter nobody can see.
    """

    error_pct: float
    speed_rpm: float
    lower_pct: float
    upper_pct: float
    gauge_pct: float
    scatter_pct: float
    pulls: int
    is_scatter_assumed: bool


ASSUMED_SCATTER_PCT = 1.0
"""Scatter of the mixture from pull to pull (1 SD) where a single one shows none: common practice,
no source. [%]"""
MOST_MORE_PULLS = 10
"""More pulls are no way to settle a question: the engine heats up, and nobody makes them."""
PROBE_LAG_S = 0.1
"""Time constant of a slow probe. Published are 50 ms to 100 ms, by conditions (abstract of a paper
on a faster one, whose title is "Fast response air-to-fuel ratio measurements using a novel device
based on a wide band lambda sensor"). [s]"""
LONGEST_DELAY_S = 0.3
"""Delay of a probe of which nobody knows it: gas takes 50 ms to 300 ms (common practice). [s]"""
SETTLING_LAGS = 3.0
"""Time constants after the delay, which holds one already: 2 % of a step is then left. [1]"""
GAUGE_ACCURACY = 0.01
"""Greatest error of a wideband gauge in good order, in lambda; common practice, no source. [1]"""


def lean_error_pct(lambda_measured: ArrayLike, lambda_target: ArrayLike) -> FloatArray:
    r"""Return the lean error: the fuel increase that would meet the target.

    Parameters
    ----------
    lambda_measured : array_like. Measured lambda, from a wideband probe. [1]
    lambda_target : array_like. Target lambda at the same points. [1]

    Returns
    -------
    ndarray. Lean error, positive where the mixture is lean. [%]

    Raises
    ------
    ValueError. If a lambda is not above 0.

    Notes
    -----
    .. math:: e = 100 \left( \frac{\lambda}{\lambda_t} - 1 \right)

    Fuel mass is air mass over lambda times a constant of the fuel, so at unchanged air the same
    number is the percentage by which the fuel has to grow. That holds where injected fuel and
    burnt fuel grow alike; wall film and dead time of the injector are left out.

    Examples
    --------
    >>> lean_error_pct([0.87, 0.957], 0.87)
    array([ 0., 10.])
    """
    measured = np.asarray(lambda_measured, dtype=float)
    target = np.asarray(lambda_target, dtype=float)
    require("lambda_measured", measured, above=0.0)
    require("lambda_target", target, above=0.0)
    return 100.0 * (measured / target - 1.0)


def full_throttle_target(
    grid_rpm: ArrayLike, points: float | Iterable[tuple[float, float]]
) -> FloatArray:
    """Return the target lambda on the speed grid.

    Parameters
    ----------
    grid_rpm : array_like. Engine speeds. [rpm]
    points : float or iterable of (float, float)
        One lambda for all speeds, or pairs of engine speed and lambda in any order.

    Returns
    -------
    ndarray. Target lambda: straight lines between the points, flat outside them. [1]

    Raises
    ------
    ValueError. If there is no point, two points share a speed, or a lambda is not above 0.

    Examples
    --------
    >>> full_throttle_target([2000.0, 5000.0, 9000.0], [(4000.0, 0.90), (6000.0, 0.86)])
    array([0.9 , 0.88, 0.86])
    """
    grid = np.asarray(grid_rpm, dtype=float)
    if isinstance(points, int | float):
        require("points", points, above=0.0)
        return np.full(grid.shape, float(points))
    table = np.array(sorted(points), dtype=float).reshape(-1, 2)
    if table.shape[0] == 0:
        raise ValueError("points must hold at least 1 pair of speed and lambda, got 0")
    if np.any(np.diff(table[:, 0]) == 0.0):
        twice = table[:-1, 0][np.diff(table[:, 0]) == 0.0][0]
        raise ValueError(f"points must name each speed once, got {twice:g} rpm twice")
    require("points", table[:, 1], above=0.0)
    return np.interp(grid, table[:, 0], table[:, 1])


def part_throttle_band(
    throttle_pct: ArrayLike,
    cruise: tuple[float, float] = (0.94, 1.00),
    full_throttle: float = 0.87,
) -> tuple[FloatArray, FloatArray]:
    r"""Return the lambda wanted at an opening: the cruise band, and from it to full throttle.

    Parameters
    ----------
    throttle_pct : array_like. Throttle opening; NaN where not seen. [%]
    cruise : (float, float), default (0.94, 1.00). Lowest and highest lambda wanted at cruise. [1]
    full_throttle : float, default 0.87. Lambda wanted at full throttle. [1]

    Returns
    -------
    (ndarray, ndarray). Lowest and highest lambda wanted. [1]

    Raises
    ------
    ValueError. If the band is upside down, or a lambda is not above 0.

    Notes
    -----
    .. math:: \lambda_{l,h}(\theta) = (1 - s) \lambda_{l,h} + s \lambda_f, \qquad
              s = \frac{\theta - \theta_c}{\theta_f - \theta_c} \in [0, 1]

    with :math:`\theta_c` and :math:`\theta_f` `CRUISE_TO_PCT` and `FULL_FROM_PCT`. Engines are made
    richer as the load rises, over which openings is common practice, no source. Held against the
    cruise band, a right mixture at three quarters throttle would look rich, and be leaned out where
    that can destroy the engine.

    Examples
    --------
    >>> part_throttle_band([10.0, 62.5, 100.0])
    (array([0.94 , 0.905, 0.87 ]), array([1.   , 0.935, 0.87 ]))
    """
    opening = np.asarray(throttle_pct, dtype=float)
    low, high = cruise
    require("cruise", low, above=0.0, at_most=high)
    require("full_throttle", full_throttle, above=0.0)
    share = np.clip((opening - CRUISE_TO_PCT) / (FULL_FROM_PCT - CRUISE_TO_PCT), 0.0, 1.0)
    return (
        (1.0 - share) * low + share * full_throttle,
        (1.0 - share) * high + share * full_throttle,
    )


def mixture_windows(
    grid_rpm: ArrayLike,
    lean_error_pct: ArrayLike,
    *,
    notice_pct: float = 5.0,
    warn_pct: float = 10.0,
    stop_pct: float = 15.0,
    least_width_rpm: float = 150.0,
    speed_at_peak_torque_rpm: float | None = None,
) -> list[Window]:
    """Return the ranges of engine speed where the mixture is lean or rich beyond notice.

    A lean full-throttle mixture can destroy an engine in one pull: a stop-level window is a
    reason not to make another.

    Parameters
    ----------
    grid_rpm : array_like. Engine speeds, ascending. [rpm]
    lean_error_pct : array_like. Lean error at each speed; NaN where it was not seen. [%]
    notice_pct, warn_pct, stop_pct : float, default 5, 10, 15
        Thresholds of the levels, the same for both sides. [%]
    least_width_rpm : float, default 150. Width over which an error must hold to set the level: the
        half width of the smoothing, below which a curve carries noise rather than mixture. [rpm]
    speed_at_peak_torque_rpm : float, optional
        Where torque peaks; without it no window is near. [rpm]

    Returns
    -------
    list of Window. One for each unbroken range, by ascending speed.

    Raises
    ------
    ValueError. If the thresholds do not ascend from above 0, the lengths differ, or the grid does
        not ascend.

    Notes
    -----
    A window begins and ends where the error crosses `notice_pct`, or where the curve does: unseen
    points may hide anything and are never bridged. Its level is that of the greatest error held
    over `least_width_rpm` (see `held_worst_error_pct`); a narrower window is a notice, however high
    its spike, and still shows its worst error.

    Examples
    --------
    >>> grid = [5000.0, 5100.0, 5200.0, 5300.0, 5400.0]
    >>> lean = mixture_windows(grid, [0.0, 10.0, 12.0, 12.0, 0.0])[0]
    >>> lean.level, lean.from_rpm, lean.worst_error_pct
    ('warn', 5050.0, 12.0)
    """
    speed, error = _curve(grid_rpm, lean_error_pct)
    require("notice_pct", notice_pct, above=0.0, unit="%")
    require("warn_pct", warn_pct, at_least=notice_pct, unit="%")
    require("stop_pct", stop_pct, at_least=warn_pct, unit="%")
    require("least_width_rpm", least_width_rpm, at_least=0.0, unit="rpm")

    windows = []
    for side, sign in (("lean", 1.0), ("rich", -1.0)):
        off = sign * error
        for low, high in _ranges_at_least(speed, off, notice_pct):
            level = "notice"
            for threshold, name in ((warn_pct, "warn"), (stop_pct, "stop")):
                if any(
                    low <= start and end <= high and end - start >= least_width_rpm
                    for start, end in _ranges_at_least(speed, off, threshold)
                ):
                    level = name
            worst = int(np.argmax(np.where((speed >= low) & (speed <= high), off, -np.inf)))
            near = speed_at_peak_torque_rpm is not None and bool(
                low - NEAR_PEAK_TORQUE_RPM
                <= speed_at_peak_torque_rpm
                <= high + NEAR_PEAK_TORQUE_RPM
            )
            windows.append(
                Window(side, level, low, high, float(error[worst]), float(speed[worst]), near)
            )
    return sorted(windows, key=lambda window: window.from_rpm)


def mixture_level(windows: Sequence[Window]) -> str:
    """Return the worst level of the lean windows.

    Parameters
    ----------
    windows : sequence of Window
        Windows of one stage; rich ones do not count, for they cost power and not the engine.

    Returns
    -------
    str. "none", "notice", "warn" or "stop". "none" is also the answer where nothing was seen.

    Examples
    --------
    >>> mixture_level(mixture_windows([5000.0, 5500.0], [12.0, 12.0]))
    'warn'
    """
    lean = [window.level for window in windows if window.side == "lean"]
    return max(lean, key=LEVELS.index, default="none")


def held_worst_error_pct(
    grid_rpm: ArrayLike, lean_error_pct: ArrayLike, least_width_rpm: float
) -> HeldError:
    r"""Return the worst lean error that is held over a width, for ranking.

    Parameters
    ----------
    grid_rpm, lean_error_pct : As in `mixture_windows`.
    least_width_rpm : float. Width over which the error must hold. [rpm]

    Returns
    -------
    HeldError. The held error, which is negative where the mixture is rich throughout, and the speed
        of the greatest error within it; both NaN if no unbroken stretch is as wide as that.

    Raises
    ------
    ValueError. If the width is below 0, the lengths differ, or the grid does not ascend.

    Notes
    -----
    .. math:: \max_{r} \; \min_{r \le s \le r + w} e(s)

    with straight lines between the points. Unlike the highest point it does not grow with the
    number of grid points or the noise of one.

    Examples
    --------
    >>> held_worst_error_pct([5000.0, 5100.0, 5200.0, 5300.0], [0.0, 8.0, 12.0, 6.0], 100.0)
    HeldError(error_pct=9.6, speed_rpm=5200.0)
    """
    speed, error = _curve(grid_rpm, lean_error_pct)
    require("least_width_rpm", least_width_rpm, at_least=0.0, unit="rpm")
    seen = np.flatnonzero(np.isfinite(error))
    stretches = np.split(seen, np.flatnonzero(np.diff(seen) > 1) + 1) if seen.size else []
    held = max(
        (
            _most_held(speed[part], error[part], least_width_rpm)
            for part in stretches
            if speed[part[-1]] - speed[part[0]] >= least_width_rpm
        ),
        default=float("nan"),
    )
    if np.isnan(held):
        return HeldError(held, held)
    # Down by a hair: at its very height rounding can leave a range short of the width.
    ranges = [
        (start, end)
        for start, end in _ranges_at_least(speed, error, held - _HAIR_PCT)
        if end - start >= least_width_rpm
    ]
    inside = np.zeros(speed.shape, dtype=bool)
    for start, end in ranges:
        inside |= (speed >= start) & (speed <= end)
    if not inside.any():
        # A width below the grid step can be held between two points.
        start, end = ranges[0]
        return HeldError(held, 0.5 * (start + end))
    return HeldError(held, float(speed[np.argmax(np.where(inside, error, -np.inf))]))


def _most_held(speed: FloatArray, error: FloatArray, width: float) -> float:
    """Return the greatest error that an unbroken curve of straight lines holds over a width."""
    # The least within a window takes another course only where one of its ends meets a point ...
    begin = np.concatenate((speed, speed - width))
    begin = np.unique(begin[(begin >= speed[0]) & (begin <= speed[-1] - width)])
    if not begin.size:
        begin = speed[:1]
    higher = np.interp(begin + width, speed, error) - np.interp(begin, speed, error)
    # ... or where both ends stand at one height.
    turns = np.flatnonzero(higher[:-1] * higher[1:] < 0.0)
    share = higher[turns] / (higher[turns] - higher[turns + 1])
    begin = np.concatenate((begin, begin[turns] + share * (begin[turns + 1] - begin[turns])))
    held = np.minimum(np.interp(begin, speed, error), np.interp(begin + width, speed, error))
    first = np.searchsorted(speed, begin)
    stop = np.searchsorted(speed, begin + width, side="right")
    for step in range(int((stop - first).max())):
        at = first + step
        within = error[np.minimum(at, speed.size - 1)]
        held = np.where(at < stop, np.minimum(held, within), held)
    return float(held.max())


def worst_lean_error(
    grid_rpm: ArrayLike,
    lean_error_pct: ArrayLike,
    lean_error_by_pull_pct: ArrayLike,
    *,
    least_width_rpm: float = 150.0,
    gauge_accuracy_pct: float = 1.0,
) -> WorstError:
    r"""Return the worst lean error of a session, with an interval for the true one.

    Parameters
    ----------
    grid_rpm, lean_error_pct : As in `mixture_windows`, of the session's mean curve.
    lean_error_by_pull_pct : array_like
        Lean error of each pull, a row each; NaN where it was not seen. [%]
    least_width_rpm : float, default 150. Width over which an error must hold. [rpm]
    gauge_accuracy_pct : float, default 1. Greatest error of the gauge, of what it shows. [%]

    Returns
    -------
    WorstError. The figure of `held_worst_error_pct`, which always lies in its interval.

    Raises
    ------
    ValueError. If a choice is out of its range, the lengths differ, or the grid does not ascend.

    Notes
    -----
    The worst of a curve is a choice among its speeds, so the interval is that of the choice and
    not of one speed. With :math:`M` the worst of the mean of *n* pulls and :math:`M_{-i}` that of
    the mean without pull *i*, the jackknife [1]_ gives

    .. math::
        b = (n - 1)(\bar M_{-i} - M), \qquad
        s^2 = \frac{n - 1}{n} \sum_i (M_{-i} - \bar M_{-i})^2

    as bias and variance. The gauge's error, the same at all speeds in all pulls, is in proportion
    to lambda and adds :math:`u_g = (100 + M)\, a / (100 \sqrt 3)` [2]_ (4.3.7). The interval is

    .. math:: M - \max(b, 0) - t\, u \;\ldots\; M + t\, u, \qquad u^2 = u_g^2 + s^2 + b^2

    with Student's *t* at the effective degrees of freedom [2]_ (G.4.1). The bias is taken off the
    lower end alone: it is not well known from few pulls, hence in *u*, and what guards an engine
    must not come down by it. Of one pull `ASSUMED_SCATTER_PCT` stands for *s*.

    Where one noisy speed is as lean as the next all along the range, and the noise outweighs the
    gauge, the lower end is too high in up to one such session of ten.

    Examples
    --------
    >>> grid = [5000.0, 5100.0, 5200.0, 5300.0]
    >>> pulls = np.array([[11.0, 12.0, 12.0, 3.0], [12.0, 13.0, 13.0, 4.0]])
    >>> found = worst_lean_error(grid, pulls.mean(axis=0), pulls, least_width_rpm=100.0)
    >>> found.error_pct, round(found.lower_pct, 1), round(found.upper_pct, 1)
    (12.5, 10.6, 14.4)

    References
    ----------
    .. [1] B. Efron and R. J. Tibshirani, "An Introduction to the Bootstrap," Chapman and Hall,
       chapters 10 and 11, 1993 (from memory).
    .. [2] JCGM 100:2008, Guide to the expression of uncertainty in measurement (from memory).
    """
    speed, error = _curve(grid_rpm, lean_error_pct)
    errors = np.atleast_2d(np.asarray(lean_error_by_pull_pct, dtype=float))
    require("gauge_accuracy_pct", gauge_accuracy_pct, at_least=0.0, unit="%")
    held = held_worst_error_pct(speed, error, least_width_rpm)
    if np.isnan(held.error_pct):
        nan = float("nan")
        return WorstError(*held, nan, nan, nan, nan, 0, is_scatter_assumed=False)
    worst = held.error_pct
    # A pull that did not get there says nothing of how well it is known.
    got_there = np.isfinite(errors[:, np.argmin(np.abs(speed - held.speed_rpm))])
    pulls = max(int(got_there.sum()), 1)
    if pulls > 1:
        found = _jackknifed(speed, error, errors, got_there, least_width_rpm)
        bias = (pulls - 1) * (float(np.mean(found)) - worst)
        scatter = float(np.hypot(np.std(found) * np.sqrt(pulls - 1), bias))
    else:
        bias, scatter = 0.0, ASSUMED_SCATTER_PCT
    gauge = (100.0 + worst) * gauge_accuracy_pct / 100.0 / np.sqrt(3.0)
    half = _half_width_pct(gauge, scatter, pulls - 1.0)
    return WorstError(
        *held,
        lower_pct=float(worst - max(bias, 0.0) - half),
        upper_pct=float(worst + half),
        gauge_pct=float(gauge),
        scatter_pct=scatter,
        pulls=pulls,
        is_scatter_assumed=pulls == 1,
    )


def _jackknifed(
    speed: FloatArray,
    error: FloatArray,
    errors: FloatArray,
    left_out: NDArray[np.bool_],
    width: float,
) -> list[float]:
    """Return the worst error of the mean without each of some pulls in turn."""
    seen = np.isfinite(errors)
    total, count = np.where(seen, errors, 0.0).sum(axis=0), seen.sum(axis=0)
    found = []
    for pull, there in zip(errors[left_out], seen[left_out], strict=True):
        others = count - there
        mean = np.where(there, total - np.nan_to_num(pull), total) / np.maximum(others, 1)
        # A speed that this pull alone saw stays in: the range must not shrink with the pull.
        rest = np.where(np.isfinite(error) & (others > 0), mean, error)
        found.append(held_worst_error_pct(speed, rest, width).error_pct)
    return found


def _half_width_pct(gauge: float, scatter: float, free: float) -> float:
    """Return half the 95 % interval by the gauge and the pulls; no freedom: scatter assumed."""
    uncertainty = float(np.hypot(gauge, scatter))
    if free > 0.0 and scatter > 0.0:
        free = min(free * (uncertainty / scatter) ** 4, 1e9)
    else:
        free = 1e9
    return float(special.stdtrit(free, 0.975)) * uncertainty


def level_of_error(
    error_pct: float, *, notice_pct: float = 5.0, warn_pct: float = 10.0, stop_pct: float = 15.0
) -> str:
    r"""Return the level of a held error; of the upper end it is the level that is not excluded.

    Parameters
    ----------
    error_pct : float. Lean error held over the least width, or the upper end of its interval. [%]
    notice_pct, warn_pct, stop_pct : float, default 5, 10, 15. Thresholds of the levels. [%]

    Returns
    -------
    str. "none", "notice", "warn" or "stop".

    Notes
    -----
    Of the upper end of `worst_lean_error` this is the decision rule with a guard band
    :math:`w = U`, the expanded uncertainty at 95 % [1]_ (one-sided limit, guarded acceptance),
    [2]_ (section 4.2): a level is excluded only if

    .. math:: M + U < T

    so that of mixtures truly at a threshold *T* at most 2.5 % are told as below it, and of those
    past it fewer.

    Examples
    --------
    >>> level_of_error(8.0), level_of_error(8.0 + 2.3)
    ('notice', 'warn')

    References
    ----------
    .. [1] JCGM 106:2012, The role of measurement uncertainty in conformity assessment, clause 8
       (from memory).
    .. [2] ILAC-G8:09/2019, Guidelines on decision rules and statements of conformity (from memory).
    """
    limits = zip(LEVELS, (-np.inf, notice_pct, warn_pct, stop_pct), strict=True)
    return [level for level, least in limits if not error_pct < least][-1]


def pulls_to_exclude(worst: WorstError, limit_pct: float) -> int | None:
    r"""Return how many more pulls like these would exclude a level that is not excluded.

    Parameters
    ----------
    worst : WorstError. From `worst_lean_error`, its error below the threshold.
    limit_pct : float. Threshold of the level. [%]

    Returns
    -------
    int or None. Fewest further pulls after which the upper end lies below, if they show the same
        mean and scatter; None if `MOST_MORE_PULLS` are not enough.

    Notes
    -----
    Scatter falls by the root of the pulls and Student's *t* with their number; what the gauge is
    off by stays (`is_gauge_in_the_way`).

    Examples
    --------
    >>> pulls_to_exclude(WorstError(8.0, 7000.0, 5.2, 10.8, 0.6, 0.6, 2, False), 10.0)
    1
    """
    one = worst.scatter_pct * np.sqrt(worst.pulls)
    for more in range(1, MOST_MORE_PULLS + 1):
        pulls = worst.pulls + more
        half = _half_width_pct(worst.gauge_pct, one / np.sqrt(pulls), pulls - 1.0)
        if worst.error_pct + half < limit_pct:
            return more
    return None


def is_gauge_in_the_way(worst: WorstError, limit_pct: float) -> bool:
    """Return whether the gauge alone keeps a level from being excluded, however many the pulls.

    Parameters
    ----------
    worst : WorstError. From `worst_lean_error`.
    limit_pct : float. Threshold of the level. [%]

    Returns
    -------
    bool. Whether the upper end would not lie below it if the pulls did not scatter at all.

    Examples
    --------
    >>> is_gauge_in_the_way(WorstError(9.0, 7000.0, 6.2, 11.8, 0.6, 0.6, 2, False), 10.0)
    True
    """
    return worst.error_pct + _half_width_pct(worst.gauge_pct, 0.0, 0.0) >= limit_pct


def settling_s(delay_s: float, *, is_known: bool) -> float:
    r"""Return how long after full throttle a probe still shows the mixture of before.

    Parameters
    ----------
    delay_s : float. Delay of the probe, transport and lag together. [s]
    is_known : bool. Whether it was measured or stated; else the longest usual one counts.

    Returns
    -------
    float. Time from the opening of the throttle, by the probe's own clock. [s]

    Raises
    ------
    ValueError. If the delay is below 0.

    Notes
    -----
    Late by transport *T* and a first-order lag :math:`\tau`, a step of the mixture leaves

    .. math:: \frac{\Delta(t)}{\Delta(0)} = e^{-(t - T) / \tau}

    of itself. The delay is :math:`T + \tau`, so after three lags more the rest is
    :math:`e^{-4}` = 1.8 %: below 1 % of lambda for any step up to half of it, as from the air of
    a closed throttle. The lag itself is taken as `PROBE_LAG_S`, a slow probe's.

    Examples
    --------
    >>> round(settling_s(0.15, is_known=True), 2), round(settling_s(0.0, is_known=False), 2)
    (0.45, 0.6)
    """
    require("delay_s", delay_s, at_least=0.0, unit="s")
    delay = delay_s if is_known else max(delay_s, LONGEST_DELAY_S)
    return delay + SETTLING_LAGS * PROBE_LAG_S


def torque_weighted_error_pct(
    grid_rpm: ArrayLike, lean_error_pct: ArrayLike, torque_nm: ArrayLike
) -> float:
    r"""Return the mean lean error, weighted by torque.

    Parameters
    ----------
    grid_rpm, lean_error_pct : As in `mixture_windows`.
    torque_nm : array_like. Torque at each speed; NaN where it was not seen. [N*m]

    Returns
    -------
    float
        Mean error: one figure for how far the map as a whole is off; NaN if nothing was seen. [%]

    Raises
    ------
    ValueError. If a torque is below 0, the lengths differ, or the grid does not ascend.

    Notes
    -----
    .. math:: \bar e = \frac{\sum T_i\, \Delta_i\, e_i}{\sum T_i\, \Delta_i}

    over points where both were seen, :math:`\Delta` being the width of grid that a point stands
    for. Lean and rich parts cancel: it says nothing about safety, windows do.

    Examples
    --------
    >>> torque_weighted_error_pct([4000.0, 5000.0], [2.0, 6.0], [50.0, 150.0])
    5.0
    """
    speed, error = _curve(grid_rpm, lean_error_pct)
    torque = np.asarray(torque_nm, dtype=float)
    if torque.shape != speed.shape:
        raise ValueError(
            f"torque_nm must match grid_rpm in length, got {torque.shape} for {speed.shape}"
        )
    require("torque_nm", torque, at_least=0.0, unit="N*m")
    width = np.gradient(speed) if speed.size > 1 else np.ones(speed.shape)
    weight = np.where(np.isfinite(error) & np.isfinite(torque), torque * width, 0.0)
    total = float(weight.sum())
    if total == 0.0:
        return float("nan")
    return float(weight @ np.nan_to_num(error)) / total


def window_duration_s(window: Window, time_s: ArrayLike, engine_speed_rpm: ArrayLike) -> float:
    """Return how long a pull stays within a window.

    Parameters
    ----------
    window : Window. From `mixture_windows`.
    time_s : array_like. Clock of one pull, ascending. [s]
    engine_speed_rpm : array_like. Its engine speed; NaN where not seen. [rpm]

    Returns
    -------
    float. Time with the engine in the window: what the piston has to bear; 0 if the pull did not
        get there, NaN below two samples. [s]

    Raises
    ------
    ValueError. If the clock does not ascend or the lengths differ.

    Notes
    -----
    Speed is a straight line between samples. Give the sweep only: the way back down, with the
    throttle closed, is not the same engine.

    Examples
    --------
    >>> lean = Window("lean", "warn", 5000.0, 6000.0, 12.0, 5500.0, True)
    >>> window_duration_s(lean, [0.0, 2.0, 4.0], [4000.0, 6000.0, 8000.0])
    1.0
    """
    time = np.asarray(time_s, dtype=float)
    speed = np.asarray(engine_speed_rpm, dtype=float)
    if time.ndim != 1 or time.shape != speed.shape:
        raise ValueError(
            f"engine_speed_rpm must match time_s in length, got {speed.shape} for {time.shape}"
        )
    if not np.all(np.diff(time) > 0.0):
        raise ValueError("time_s must ascend, got a clock that stands still or runs back")
    seen = np.isfinite(speed)
    time, speed = time[seen], speed[seen]
    if time.size < 2:
        return float("nan")
    low, high = np.minimum(speed[:-1], speed[1:]), np.maximum(speed[:-1], speed[1:])
    inside = np.clip(np.minimum(high, window.to_rpm) - np.maximum(low, window.from_rpm), 0.0, None)
    flat = (high == low) & (low >= window.from_rpm) & (high <= window.to_rpm)
    share = np.divide(inside, high - low, out=flat.astype(float), where=high > low)
    return float(share @ np.diff(time))


def distance_from_peak_torque_rpm(window: Window, speed_at_peak_torque_rpm: float) -> float:
    """Return how far a window is from peak torque, where filling and knock are greatest.

    Parameters
    ----------
    window : Window. From `mixture_windows`.
    speed_at_peak_torque_rpm : float. Where torque peaks. [rpm]

    Returns
    -------
    float. From there to the nearest edge of the window: positive where the window lies above,
        negative below, 0 where it holds the peak. [rpm]

    Examples
    --------
    >>> lean = Window("lean", "warn", 7000.0, 8000.0, 12.0, 7500.0, False)
    >>> distance_from_peak_torque_rpm(lean, 6200.0)
    800.0
    """
    nearest = float(np.clip(speed_at_peak_torque_rpm, window.from_rpm, window.to_rpm))
    return nearest - speed_at_peak_torque_rpm


def window_repeatability(
    window: Window,
    grid_rpm: ArrayLike,
    lean_error_by_pull_pct: ArrayLike,
    *,
    notice_pct: float = 5.0,
    least_width_rpm: float = 150.0,
) -> Repeatability:
    r"""Return in how many pulls of the session a window is seen, and how alike its depth is.

    Parameters
    ----------
    window : Window. Of the session's mean curve.
    grid_rpm : array_like. Engine speeds, ascending. [rpm]
    lean_error_by_pull_pct : array_like
        Lean error of each pull, a row each; NaN where it was not seen. [%]
    notice_pct : float, default 5. Error from which a pull shows the window. [%]
    least_width_rpm : float, default 150
        Width over which a pull must hold it; half of the window if that is less. [rpm]

    Returns
    -------
    Repeatability. Pulls, how many show it, mean and standard deviation of its depth.

    Raises
    ------
    ValueError. If the grid does not ascend, the lengths differ, or a choice is out of its range.

    Notes
    -----
    Depth is each pull's own `held_worst_error_pct` within the window. A window that one pull in
    three shows is a reason to pull again, not to change a map.

    Examples
    --------
    >>> lean = Window("lean", "warn", 5000.0, 5200.0, 12.0, 5100.0, True)
    >>> window_repeatability(
    ...     lean, [5000.0, 5100.0, 5200.0], [[11.0, 12.0, 11.0], [2.0, 3.0, 2.0]]
    ... )
    Repeatability(pulls=2, seen_in=1, depth_pct=7.0, depth_sd_pct=6.36)
    """
    speed = np.asarray(grid_rpm, dtype=float)
    errors = np.atleast_2d(np.asarray(lean_error_by_pull_pct, dtype=float))
    require("notice_pct", notice_pct, above=0.0, unit="%")
    require("least_width_rpm", least_width_rpm, at_least=0.0, unit="rpm")
    inside = (speed >= window.from_rpm) & (speed <= window.to_rpm)
    sign = 1.0 if window.side == "lean" else -1.0
    width = min(least_width_rpm, 0.5 * (window.to_rpm - window.from_rpm))
    depths = []
    for error in errors:
        grid, off = _curve(speed, sign * error)
        seen = inside & np.isfinite(off)
        if not inside.any() or seen.sum() < LEAST_SEEN_SHARE * inside.sum():
            continue
        held = held_worst_error_pct(grid[inside], off[inside], width).error_pct
        # Seen with gaps too narrow for the width: the highest point is all there is.
        depths.append(held if np.isfinite(held) else float(np.nanmax(off[inside])))
    if not depths:
        return Repeatability(0, 0, float("nan"), float("nan"))
    depth = np.array(depths)
    spread = float(np.std(depth, ddof=1)) if depth.size > 1 else float("nan")
    return Repeatability(
        depth.size, int((depth >= notice_pct).sum()), float(sign * depth.mean()), spread
    )


def lean_error_interval_pct(
    error_pct: ArrayLike,
    lambda_target: ArrayLike,
    *,
    gauge_accuracy: ArrayLike = GAUGE_ACCURACY,
    depth_sd_pct: ArrayLike = float("nan"),
    pulls: ArrayLike = 1,
) -> ErrorInterval:
    r"""Return the 95 % interval of a lean error from the gauge's accuracy and the pulls' scatter.

    Parameters
    ----------
    error_pct : array_like. Lean error of the session, the worst for one. [%]
    lambda_target : array_like. Target where it stands. [1]
    gauge_accuracy : array_like, default 0.01. Greatest error of the gauge. [1]
    depth_sd_pct : array_like, optional
        Standard deviation from pull to pull, of `window_repeatability` or `error_scatter_pct`;
        NaN leaves the scatter out, as with a single pull. [%]
    pulls : array_like of int, default 1. Pulls that the error is the mean of.

    Returns
    -------
    ErrorInterval. Its ends, and the standard uncertainty.

    Raises
    ------
    ValueError. If the target is not above 0, or a choice is out of its range.

    Notes
    -----
    .. math:: u^2 = \left( \frac{100\, a}{\sqrt{3}\, \lambda_t} \right)^2 + \frac{s^2}{n}

    The gauge's error is the same in all pulls and does not average out; within its limits
    nothing is more likely than anything else, hence the root of 3 [1]_ (4.3.7). Student's t with
    the effective degrees of freedom of both [1]_ (G.4.1). What the probe's place and the delay
    do is not in it; the worst of many speeds stands a little too high besides.

    Examples
    --------
    >>> low, high, _ = lean_error_interval_pct(12.0, 0.87)
    >>> round(float(low), 1), round(float(high), 1)
    (10.7, 13.3)

    References
    ----------
    .. [1] JCGM 100:2008, Guide to the expression of uncertainty in measurement (from memory).
    """
    error, target, accuracy, spread, count = (
        np.asarray(value, dtype=float)
        for value in (error_pct, lambda_target, gauge_accuracy, depth_sd_pct, pulls)
    )
    require("lambda_target", target, above=0.0)
    require("gauge_accuracy", accuracy, at_least=0.0)
    require("depth_sd_pct", spread, at_least=0.0, unit="%")
    require("pulls", count, at_least=1)
    gauge = 100.0 * accuracy / np.sqrt(3.0) / target
    scatter = np.where(np.isfinite(spread) & (count > 1), spread / np.sqrt(count), 0.0)
    uncertainty = np.hypot(gauge, scatter)
    with np.errstate(divide="ignore", invalid="ignore"):
        free = np.where(scatter > 0.0, (count - 1) * (uncertainty / scatter) ** 4, np.inf)
    half = special.stdtrit(np.minimum(free, 1e9), 0.975) * uncertainty
    return ErrorInterval(error - half, error + half, uncertainty)


def error_scatter_pct(lean_error_by_pull_pct: ArrayLike) -> float:
    r"""Return by how much the lean error of a pull differs from that of another like it.

    Parameters
    ----------
    lean_error_by_pull_pct : array_like
        Lean error of each pull, a row each, over one speed grid; NaN where it was not seen. [%]

    Returns
    -------
    float. Standard deviation of a single pull at a speed, pooled over the speeds that two pulls or
        more saw; NaN without any. [%]

    Notes
    -----
    .. math:: s^2 = \frac{\sum_j (n_j - 1) s_j^2}{\sum_j (n_j - 1)}

    over speeds j: the pooled variance [1]_ (section 5.4.5.3, from memory). Pulls differ in level
    rather than in wiggles, so the degrees of freedom of s are those of the pulls, not of the
    speeds.

    Examples
    --------
    >>> error_scatter_pct([[4.0, 6.0], [6.0, 8.0]])
    1.4142

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods.
    """
    errors = np.atleast_2d(np.asarray(lean_error_by_pull_pct, dtype=float))
    seen = np.isfinite(errors).sum(axis=0)
    kept = seen > 1
    if not kept.any():
        return float("nan")
    spread = np.nanvar(errors[:, kept], axis=0, ddof=1)
    free = seen[kept] - 1
    return float(np.sqrt(np.sum(free * spread) / np.sum(free)))


def _curve(grid_rpm: ArrayLike, error_pct: ArrayLike) -> tuple[FloatArray, FloatArray]:
    speed = np.asarray(grid_rpm, dtype=float)
    error = np.asarray(error_pct, dtype=float)
    if speed.ndim != 1 or speed.shape != error.shape:
        raise ValueError(
            f"lean_error_pct must match grid_rpm in length, got {error.shape} for {speed.shape}"
        )
    if not np.all(np.diff(speed) > 0.0):
        raise ValueError("grid_rpm must ascend, got a speed that does not")
    return speed, error


def _ranges_at_least(
    speed: FloatArray, error: FloatArray, threshold: float
) -> list[tuple[float, float]]:
    # NaN compares false, so an unseen point ends a range like one below the threshold.
    above = np.concatenate([[False], error >= threshold, [False]])
    first = np.flatnonzero(above[1:] & ~above[:-1])
    last = np.flatnonzero(above[:-1] & ~above[1:]) - 1
    return [
        (
            _crossing_rpm(speed, error, int(i), int(i) - 1, threshold),
            _crossing_rpm(speed, error, int(j), int(j) + 1, threshold),
        )
        for i, j in zip(first, last, strict=True)
    ]


def _crossing_rpm(
    speed: FloatArray, error: FloatArray, inside: int, outside: int, threshold: float
) -> float:
    if outside < 0 or outside >= speed.size or np.isnan(error[outside]):
        return float(speed[inside])
    share = (error[inside] - threshold) / (error[inside] - error[outside])
    return float(speed[inside] + share * (speed[outside] - speed[inside]))
