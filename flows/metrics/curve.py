"""The standard curve: a channel smoothed over engine speed on a fixed grid, and its peak."""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from flows.metrics.domain_checks import require

SPEED_STEP_RPM = 50
"""Step of the standard speed grid. A bandwidth covers several, a part's effect many."""

LEAST_SAMPLES = 4
"""Fewer samples around a grid point leave a local line no residual worth the name."""


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
