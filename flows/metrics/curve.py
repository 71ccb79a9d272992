"""The standard curve: a channel smoothed over engine speed on a fixed grid, and its peak."""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from flows.metrics.domain_checks import require

SPEED_STEP_RPM = 50
"""Step of the standard speed grid. A bandwidth covers several, a part's effect many."""

LEAST_SAMPLES = 4
"""Fewer samples around a grid point leave a local line no residual worth the name."""


PEAK_HALF_WIDTH_RPM = 800.0
"""Half width of the parabolas that a peak's interval is read from: five bandwidths, so that noise
averages out, and narrow enough for the shapes of engines."""

MOST_PEAK_SAMPLES = 400
"""Samples that a peak's interval is worked out from: the work grows with their square."""

WIGGLE_SHARE = 0.0025
"""1 SD by which two pulls of one bike differ at a single speed beyond their level. A stated default
until a shop knows its own; common practice, no source."""

WIGGLE_RPM = 200.0
"""Speed over which that difference keeps together (1 SD of a Gaussian correlation); as above."""


class SmoothedCurve(NamedTuple):
    """A channel on the grid; NaN where the samples do not carry a grid point.

    Attributes
    ----------
    value : ndarray
        Smoothed value, in the unit of the samples.
    sd : ndarray
        Standard error of that value from the scatter of the samples around it.
    """

    value: np.ndarray
    sd: np.ndarray


class Peak(NamedTuple):
    """The highest point of a curve.

    Attributes
    ----------
    speed_rpm : float
        Where it is. [rpm]
    value : float
        How high, in the unit of the curve.
    """

    speed_rpm: float
    value: float


class PeakInterval(NamedTuple):
    """The top of the curve behind a noisy sweep, with its interval.

    Attributes
    ----------
    speed_rpm : float
        Where it is. [rpm]
    value : float
        How high, the lift of the noise taken out, in the unit of the samples.
    sd : float
        Standard error of `value`.
    lower, upper : float
        Ends of its interval.
    lift : float
        By how much noise lifts the highest point, already taken out of `value`.
    bend : float
        Second derivative there; below 0. [unit of the samples per rpm^2]
    """

    speed_rpm: float
    value: float
    sd: float
    lower: float
    upper: float
    lift: float
    bend: float


def speed_grid_rpm(low_rpm: float, high_rpm: float) -> np.ndarray:
    """Return the standard grid between two engine speeds.

    Parameters
    ----------
    low_rpm : float
        Lowest speed to cover. [rpm]
    high_rpm : float
        Highest speed to cover. [rpm]

    Returns
    -------
    ndarray
        Every multiple of 50 rpm from `low_rpm` to `high_rpm`, both counted in. [rpm]

    Raises
    ------
    ValueError
        If a speed is negative, or `high_rpm` is below `low_rpm`.

    Notes
    -----
    Multiples, not steps from the first sample: all curves share their points and can be
    subtracted without interpolation. A choice of ours, no source.

    Examples
    --------
    >>> speed_grid_rpm(3010.0, 3200.0)
    array([3050., 3100., 3150., 3200.])
    """
    require("low_rpm", low_rpm, at_least=0.0, unit="rpm")
    require("high_rpm", high_rpm, at_least=low_rpm, unit="rpm")
    first = math.ceil(low_rpm / SPEED_STEP_RPM)
    last = math.floor(high_rpm / SPEED_STEP_RPM)
    return np.arange(first, last + 1) * float(SPEED_STEP_RPM)


def smoothed_curve(
    speed_rpm: ArrayLike, value: ArrayLike, grid_rpm: ArrayLike, *, bandwidth_rpm: float = 150.0
) -> SmoothedCurve:
    r"""Smooth a channel of a sweep over engine speed by local lines.

    Parameters
    ----------
    speed_rpm : array_like
        Engine speed of each sample, in any order. [rpm]
    value : array_like
        The channel; NaN where not seen.
    grid_rpm : array_like
        Speeds to give the curve at, increasing. [rpm]
    bandwidth_rpm : float, default 150
        Half width of the kernel: samples further away have no weight. [rpm]

    Returns
    -------
    SmoothedCurve
        Value and standard error on the grid. NaN where fewer than 4 samples have weight, where
        they all share one speed, and beyond the lowest and highest sample.

    Raises
    ------
    ValueError
        If the bandwidth is not above 0, or the samples differ in length.

    Notes
    -----
    At each grid point :math:`x` a line is fitted with Epanechnikov weights

    .. math:: w_i = 1 - \left(\frac{x_i - x}{h}\right)^2, \quad |x_i - x| < h

    and read off at :math:`x` [1]_. A straight curve passes unchanged. A peak that falls by a
    share :math:`d` within :math:`D` rpm to either side is lowered by
    :math:`0.2\,d\,(h/D)^2`: at the default 0.02 % for 10 % in 1500 rpm.

    The scatter is the weighted mean square of the residuals over
    :math:`\mathrm{tr}(W) - \mathrm{tr}[(X'WX)^{-1} X'W^2X]`, which is unbiased for independent
    samples of equal scatter. Samples of one pull are not independent (the roller smooths
    them), so the standard error is a lower bound; it says nothing about the next pull.

    Examples
    --------
    >>> speed_rpm = np.linspace(3000.0, 9000.0, 601)
    >>> curve = smoothed_curve(speed_rpm, 5.0 * speed_rpm, [2950.0, 3000.0, 6000.0])
    >>> curve.value
    array([   nan, 15000., 30000.])

    References
    ----------
    .. [1] J. Fan and I. Gijbels, Local Polynomial Modelling and Its Applications, 1996,
       chapter 3 (from memory).
    """
    require("bandwidth_rpm", bandwidth_rpm, above=0.0, unit="rpm")
    speed = np.asarray(speed_rpm, dtype=float)
    channel = np.asarray(value, dtype=float)
    grid = np.asarray(grid_rpm, dtype=float)
    if speed.shape != channel.shape or speed.ndim != 1:
        raise ValueError(
            f"speed_rpm and value must be rows of one length, got {speed.shape} and {channel.shape}"
        )
    seen = np.isfinite(speed) & np.isfinite(channel)
    speed, channel = speed[seen], channel[seen]
    nothing = np.full(grid.shape, np.nan)
    if speed.size < LEAST_SAMPLES or grid.size == 0:
        return SmoothedCurve(nothing, nothing.copy())
    order = np.lexsort((channel, speed))  # ties too in a fixed order, so that row order is nothing
    speed, channel = speed[order], channel[order]

    # Only the samples in reach of each grid point are gathered: a row a grid point, padded.
    first = np.searchsorted(speed, grid - bandwidth_rpm, side="right")
    stop = np.searchsorted(speed, grid + bandwidth_rpm, side="left")
    count = stop - first
    index = first[:, None] + np.arange(max(int(count.max()), 1))
    in_reach = index < stop[:, None]
    index = np.minimum(index, speed.size - 1)
    # Distance in bandwidths and values from a nearby level keep the sums well conditioned.
    distance = (speed[index] - grid[:, None]) / bandwidth_rpm
    weight = np.where(in_reach, 1.0 - distance**2, 0.0)
    near = channel[np.minimum(first, speed.size - 1)]
    height = channel[index] - near[:, None]

    sum_0 = weight.sum(axis=1)
    sum_1 = (weight * distance).sum(axis=1)
    sum_2 = (weight * distance**2).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        determinant = sum_0 * sum_2 - sum_1**2
        spread = determinant / sum_0**2
        carried = (
            (count >= LEAST_SAMPLES) & (spread > 1e-9) & (grid >= speed[0]) & (grid <= speed[-1])
        )
        # Effective weights: the curve is their sum over the samples' values.
        effective = weight * (sum_2[:, None] - sum_1[:, None] * distance) / determinant[:, None]
        level = (effective * height).sum(axis=1)
        slope = (weight * (sum_0[:, None] * distance - sum_1[:, None]) * height).sum(
            axis=1
        ) / determinant
        residual = height - level[:, None] - slope[:, None] * distance
        squared = weight**2
        spent = (
            sum_2 * squared.sum(axis=1)
            - 2.0 * sum_1 * (squared * distance).sum(axis=1)
            + sum_0 * (squared * distance**2).sum(axis=1)
        ) / determinant
        scatter = np.maximum((weight * residual**2).sum(axis=1) / (sum_0 - spent), 0.0)
        error = np.sqrt(scatter * (effective**2).sum(axis=1))
    return SmoothedCurve(np.where(carried, near + level, np.nan), np.where(carried, error, np.nan))


def peak(grid_rpm: ArrayLike, value: ArrayLike) -> Peak:
    r"""Return the highest point of a curve, between grid points if need be.

    Parameters
    ----------
    grid_rpm : array_like
        Engine speeds, increasing. [rpm]
    value : array_like
        The curve; NaN where not seen.

    Returns
    -------
    Peak
        Speed and value; both NaN if nothing was seen.

    Raises
    ------
    ValueError
        If the two differ in length.

    Notes
    -----
    The vertex of the parabola through the highest grid point and its neighbours. At an end of
    the curve, or beside a gap, the grid point itself. Of equal points the lowest speed wins.
    The peak of a noisy curve is biased high: compare peaks of curves smoothed alike. Algebra,
    no source.

    Examples
    --------
    >>> peak([8000.0, 8050.0, 8100.0], [50_000.0, 50_200.0, 50_200.0])
    Peak(speed_rpm=8075.0, value=50225.0)
    """
    grid = np.asarray(grid_rpm, dtype=float)
    curve = np.asarray(value, dtype=float)
    if grid.shape != curve.shape or grid.ndim != 1:
        raise ValueError(
            f"grid_rpm and value must be rows of one length, got {grid.shape} and {curve.shape}"
        )
    if not np.isfinite(curve).any():
        return Peak(math.nan, math.nan)
    top = int(np.nanargmax(curve))
    speed, height = float(grid[top]), float(curve[top])
    if 0 < top < grid.size - 1:
        left, right = grid[top - 1] - speed, grid[top + 1] - speed
        fall_left, fall_right = curve[top - 1] - height, curve[top + 1] - height
        # Through (0, 0), (left, fall_left), (right, fall_right): a x^2 + b x.
        bend = (fall_right / right - fall_left / left) / (right - left)
        tilt = fall_left / left - bend * left
        if math.isfinite(bend) and bend < 0.0:
            at = float(-tilt / (2.0 * bend))
            return Peak(speed + at, height + float(bend * at**2 + tilt * at))
    return Peak(speed, height)


def peak_bias_bound(bend: float, bandwidth_rpm: float = 150.0) -> float:
    r"""Return by how much smoothing with local lines moves a curve where it bends.

    Parameters
    ----------
    bend : float
        Second derivative of the true curve; below 0 at a peak. [unit per rpm^2]
    bandwidth_rpm : float, default 150
        Half width of the kernel of `smoothed_curve`. [rpm]

    Returns
    -------
    float
        Smoothed less true, in the unit of the curve: below 0 at a peak.

    Raises
    ------
    ValueError
        If the bandwidth is not above 0.

    Notes
    -----
    .. math:: b = \frac{h^2 \mu_2}{2} f'' = \frac{h^2}{10} f''

    with :math:`\mu_2 = 1/5` the second moment of the Epanechnikov kernel [1]_: exact for a
    parabola, and with the sharpest bend within *h* a bound for any curve.

    Examples
    --------
    A curve of 60 kW that falls by 10 % within 1500 rpm of its peak:

    >>> round(peak_bias_bound(-2 * 0.10 * 60_000 / 1500**2), 1)
    -12.0

    References
    ----------
    .. [1] J. Fan and I. Gijbels, Local Polynomial Modelling and Its Applications, 1996,
       chapter 3 (from memory).
    """
    require("bandwidth_rpm", bandwidth_rpm, above=0.0, unit="rpm")
    return bandwidth_rpm**2 / 10.0 * bend


def _parabola_weights(
    speed: np.ndarray, at: np.ndarray, half_width_rpm: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return the weights on the samples that give local parabolas' heights and bends at speeds."""
    distance = (speed - at[:, None]) / half_width_rpm
    weight = np.clip(1.0 - distance**2, 0.0, None)
    moment = [(weight * distance**power).sum(axis=1) for power in range(5)]
    normal = np.array([[moment[row + column] for column in range(3)] for row in range(3)])
    # For each speed: which mix of 1, distance and its square picks the height, and the bend.
    height, half_bend = np.linalg.inv(normal.transpose(2, 0, 1))[:, [0, 2]].transpose(1, 2, 0)

    def weights(mix: np.ndarray) -> np.ndarray:
        return weight * (
            mix[0][:, None] + mix[1][:, None] * distance + mix[2][:, None] * distance**2
        )

    return weights(height), 2.0 * weights(half_bend) / half_width_rpm**2


def peak_interval(
    speed_rpm: ArrayLike,
    value: ArrayLike,
    *,
    confidence: float = 0.95,
    half_width_rpm: float = PEAK_HALF_WIDTH_RPM,
    wiggle_share: float = WIGGLE_SHARE,
    wiggle_rpm: float = WIGGLE_RPM,
) -> PeakInterval:
    r"""Estimate the top of the curve behind a noisy sweep, without the lift of the noise.

    Parameters
    ----------
    speed_rpm : array_like
        Engine speed of each sample of the sweep, in any order. [rpm]
    value : array_like
        The channel, such as power; NaN where not seen.
    confidence : float, default 0.95
        Of the interval. [0..1]
    half_width_rpm : float, default 800
        Half width of the parabolas. [rpm]
    wiggle_share : float, default 0.0025
        1 SD by which a pull strays from the engine's own curve at a speed, beyond its level. [1]
    wiggle_rpm : float, default 200
        Speed over which it keeps together. [rpm]

    Returns
    -------
    PeakInterval
        All NaN where fewer than 10 samples lie around the highest point.

    Raises
    ------
    ValueError
        If the samples differ in length, or an option is out of its range.

    Notes
    -----
    The highest of many noisy points is too high on average. Here local parabolas with
    Epanechnikov weights over `half_width_rpm`, five times the bandwidth of the shown curve, are
    read off along the speeds around the top, and the greatest is taken: for a cubic they have no
    bias, for a fourth derivative :math:`f` one of :math:`-h^4 f/504`. What noise still
    lifts is, to second order,

    .. math:: \frac{\mathrm{Var}(\hat m')}{2 |m''|},

    and is taken out, by no more than one standard error: a flat top has no bend. At an end of the
    sweep nothing is taken out. The noise is that of independent samples, from the residuals
    (inflated by their own correlation within 100 rpm, as a roller's filter makes it; from the short
    stretch around a peak it is seen in part only), plus the stated wiggle. The standard error is
    the greatest among speeds that could as well be the peak: at the end of a sweep the parabolas
    hang on few samples.

    The interval is that of this pull's peak at its own level; what level the next pull has is
    `repeatability_share`'s to say.

    Examples
    --------
    >>> speed_rpm = np.linspace(3000.0, 11_000.0, 401)
    >>> found = peak_interval(speed_rpm, 60_000.0 - 1e-3 * (speed_rpm - 9000.0) ** 2)
    >>> round(found.speed_rpm), round(found.value + found.lift), round(found.sd)
    (9000, 60000, 121)
    """
    require("confidence", confidence, above=0.0, below=1.0)
    require("half_width_rpm", half_width_rpm, above=0.0, unit="rpm")
    require("wiggle_share", wiggle_share, at_least=0.0)
    require("wiggle_rpm", wiggle_rpm, above=0.0, unit="rpm")
    speed = np.asarray(speed_rpm, dtype=float)
    channel = np.asarray(value, dtype=float)
    if speed.shape != channel.shape or speed.ndim != 1:
        raise ValueError(
            f"speed_rpm and value must be rows of one length, got {speed.shape} and {channel.shape}"
        )
    nothing = PeakInterval(*[math.nan] * 7)
    seen = np.isfinite(speed) & np.isfinite(channel)
    if seen.sum() < 10:
        return nothing
    order = np.lexsort((channel[seen], speed[seen]))
    speed, channel = speed[seen][order], channel[seen][order]
    grid = speed_grid_rpm(max(float(speed[0]), 0.0), float(speed[-1]))
    pilot = smoothed_curve(speed, channel, grid, bandwidth_rpm=half_width_rpm / 2.0).value
    if not np.isfinite(pilot).any():
        return nothing
    top_rpm = float(grid[np.nanargmax(pilot)])
    near = np.abs(speed - top_rpm) < 2.0 * half_width_rpm
    speed, channel = _thinned(speed[near], channel[near])
    along = speed_grid_rpm(
        max(top_rpm - half_width_rpm / 2.0, speed[0]),
        min(top_rpm + half_width_rpm / 2.0, speed[-1]),
    )
    # The last sample stands between grid points, and a curve that still rises peaks there.
    along = np.unique(np.clip(np.append(along, speed[-1]), None, top_rpm + half_width_rpm / 2.0))
    reach = np.abs(speed - along[:, None]) < half_width_rpm
    if reach.sum(axis=1).min() < 10:
        return nothing
    try:
        heights, bends = _parabola_weights(speed, along, half_width_rpm)
    except np.linalg.LinAlgError:
        return nothing
    smooth = heights @ channel
    found = peak(along, smooth)
    at = int(np.argmax(smooth))

    # At an end the residuals of half a window say too little of their noise: look further in.
    middle_rpm = (speed[0] + speed[-1]) / 2.0
    inward = np.clip(
        along[at],
        min(speed[0] + half_width_rpm, middle_rpm),
        max(speed[-1] - half_width_rpm, middle_rpm),
    )
    noise = _sample_variance(speed, channel, float(inward), half_width_rpm)
    wiggle = (wiggle_share * found.value) ** 2 * np.exp(
        -0.5 * ((speed - speed[:, None]) / wiggle_rpm) ** 2
    )
    variance = noise * (heights**2).sum(axis=1) + ((heights @ wiggle) * heights).sum(axis=1)
    could_be = smooth >= smooth[at] - math.sqrt(variance[at])
    sd = math.sqrt(variance[could_be].max())
    bend = float(bends[at] @ channel)
    lift = 0.0
    if 0 < at < along.size - 1 and bend < 0.0:
        tilts = (heights[at + 1] - heights[at - 1]) / (along[at + 1] - along[at - 1])
        tilt_variance = noise * float(tilts @ tilts) + float(tilts @ wiggle @ tilts)
        lift = min(tilt_variance / (2.0 * -bend), sd)
    half = sd * float(special.stdtrit(int(reach[at].sum()) - 3, (1.0 + confidence) / 2.0))
    middle = found.value - lift
    return PeakInterval(found.speed_rpm, middle, sd, middle - half, middle + half, lift, bend)


def _thinned(speed: np.ndarray, channel: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return means of neighbours where there are more samples than a peak needs."""
    starts = np.arange(0, speed.size, -(-speed.size // MOST_PEAK_SAMPLES))
    counts = np.diff(np.append(starts, speed.size))
    return np.add.reduceat(speed, starts) / counts, np.add.reduceat(channel, starts) / counts


def _sample_variance(
    speed: np.ndarray, channel: np.ndarray, at_rpm: float, half_width_rpm: float
) -> float:
    """Return the variance of a sample about the parabola at a speed, as far as it averages out.

    Correlation of the residuals within 100 rpm makes samples worth less: the variance of their
    mean grows by one plus twice the sum of the correlations.
    """
    distance = (speed - at_rpm) / half_width_rpm
    weight = np.clip(1.0 - distance**2, 0.0, None)
    inside = weight > 0.0
    distance, weight = distance[inside], weight[inside]
    design = np.column_stack((np.ones(distance.size), distance, distance**2))
    normal = design.T @ (weight[:, None] * design)
    residual = channel[inside] - design @ np.linalg.solve(
        normal, design.T @ (weight * channel[inside])
    )
    spent = float(np.trace(np.linalg.solve(normal, design.T @ (weight[:, None] ** 2 * design))))
    scatter = float((weight * residual**2).sum()) / (float(weight.sum()) - spent)
    weighted = np.sqrt(weight) * residual
    whole = float(weighted @ weighted)
    if whole <= 0.0:
        return 0.0
    step_rpm = float(np.ptp(speed[inside])) / max(distance.size - 1, 1)
    lags = min(int(100.0 / step_rpm), distance.size // 4)
    together = sum(float(weighted[lag:] @ weighted[:-lag]) for lag in range(1, lags + 1))
    return scatter * max(1.0, 1.0 + 2.0 * together / whole)


def torque_nm(power_w: ArrayLike, engine_speed_rpm: ArrayLike) -> np.ndarray:
    r"""Return the torque that carries a power at an engine speed.

    Parameters
    ----------
    power_w : array_like
        Power. [W]
    engine_speed_rpm : array_like
        Engine speed. [rpm]

    Returns
    -------
    ndarray
        Torque at the engine's speed; from wheel power it is wheel torque *referred to* engine
        speed, without the gearing. [N*m]

    Raises
    ------
    ValueError
        If a speed is not above 0 rpm.

    Notes
    -----
    .. math:: T = \frac{P}{2 \pi n / 60}

    The definition of power; no source is needed.

    Examples
    --------
    >>> float(torque_nm(102_226.26, 9000.0))
    108.4654
    """
    require("engine_speed_rpm", engine_speed_rpm, above=0.0, unit="rpm")
    return np.asarray(power_w, dtype=float) / (
        2.0 * np.pi * np.asarray(engine_speed_rpm, dtype=float) / 60.0
    )
