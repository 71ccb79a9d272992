"""The standard curve: a channel smoothed over engine speed on a fixed grid, and its peak."""

import math
from collections.abc import Iterable
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

BATCH_POINTS = 1000
"""Grid points smoothed at once: enough that calls cost nothing, few enough for the cache."""

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
    value : ndarray. Smoothed value, in the unit of the samples.
    sd : ndarray. Standard error of that value from the scatter of the samples around it.
    """

    value: np.ndarray
    sd: np.ndarray


class Peak(NamedTuple):
    """The highest point of a curve.

    Attributes
    ----------
    speed_rpm : float. Where it is. [rpm]
    value : float. How high, in the unit of the curve.
    """

    speed_rpm: float
    value: float


class PeakInterval(NamedTuple):
    """The top of the curve behind a noisy sweep, with its interval.

    Attributes
    ----------
    speed_rpm : float. Where it is. [rpm]
    value : float. How high, the lift of the noise taken out, in the unit of the samples.
    sd : float. Standard error of `value`.
    lower, upper : float. Ends of its interval.
    lift : float. By how much noise lifts the highest point, already taken out of `value`.
    bend : float. Second derivative there; below 0. [unit of the samples per rpm^2]
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
    low_rpm : float. Lowest speed to cover. [rpm]
    high_rpm : float. Highest speed to cover. [rpm]

    Returns
    -------
    ndarray. Every multiple of 50 rpm from `low_rpm` to `high_rpm`, both counted in. [rpm]

    Raises
    ------
    ValueError. If a speed is negative, or `high_rpm` is below `low_rpm`.

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
    speed_rpm : array_like. Engine speed of each sample, in any order. [rpm]
    value : array_like. The channel; NaN where not seen.
    grid_rpm : array_like. Speeds to give the curve at, increasing. [rpm]
    bandwidth_rpm : float, default 150
        Half width of the kernel: samples further away have no weight. [rpm]

    Returns
    -------
    SmoothedCurve. Value and standard error on the grid. NaN where fewer than 4 samples have weight,
        where they all share one speed, and beyond the lowest and highest sample.

    Raises
    ------
    ValueError. If the bandwidth is not above 0, or the samples differ in length.

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
    return smoothed_curves([(speed_rpm, value, grid_rpm, bandwidth_rpm)])[0]


def smoothed_curves(
    wanted: Iterable[tuple[ArrayLike, ArrayLike, ArrayLike, float]],
) -> list[SmoothedCurve]:
    """Smooth many channels at once, each as `smoothed_curve` does.

    Parameters
    ----------
    wanted : iterable of (array_like, array_like, array_like, float)
        Of each channel: engine speeds, values, grid and bandwidth.

    Returns
    -------
    list of SmoothedCurve. In the same order.

    Raises
    ------
    ValueError. As `smoothed_curve`.

    Examples
    --------
    >>> speed_rpm = np.linspace(3000.0, 9000.0, 601)
    >>> one, other = smoothed_curves(
    ...     [(speed_rpm, 5.0 * speed_rpm, [6000.0], 150.0), (speed_rpm, -speed_rpm, [4000.0], 90.0)]
    ... )
    >>> one.value, other.value
    (array([30000.]), array([-4000.]))
    """
    found: list[SmoothedCurve] = []
    batch: list[_Samples] = []
    points = 0
    for speed_rpm, value, grid_rpm, bandwidth_rpm in wanted:
        require("bandwidth_rpm", bandwidth_rpm, above=0.0, unit="rpm")
        speed, channel = _in_order(speed_rpm, value)
        grid = np.asarray(grid_rpm, dtype=float)
        batch.append(_Samples(speed, channel, grid, bandwidth_rpm))
        points += grid.size
        if points >= BATCH_POINTS:
            found += _local_lines(batch)
            batch, points = [], 0
    return found + (_local_lines(batch) if batch else [])


class _Samples(NamedTuple):
    """A channel's samples in the order of speed, and where its curve is wanted."""

    speed: np.ndarray
    channel: np.ndarray
    grid: np.ndarray
    bandwidth_rpm: float


def _in_order(speed_rpm: ArrayLike, value: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
    """Return what was seen of both in the order of speed."""
    speed = np.asarray(speed_rpm, dtype=float)
    channel = np.asarray(value, dtype=float)
    if speed.shape != channel.shape or speed.ndim != 1:
        raise ValueError(
            f"speed_rpm and value must be rows of one length, got {speed.shape} and {channel.shape}"
        )
    seen = np.isfinite(speed) & np.isfinite(channel)
    speed, channel = speed[seen], channel[seen]
    order = np.lexsort((channel, speed))  # ties too in a fixed order, so that row order is nothing
    return speed[order], channel[order]


def _local_lines(batch: list[_Samples]) -> list[SmoothedCurve]:
    """Fit a line around each grid point of each channel."""
    points = [one.grid.size for one in batch]
    first, stop = _reach(batch)
    speed, channel, grid = (
        np.concatenate([one[field] for one in batch]) for field in range(len(_Samples._fields) - 1)
    )
    bandwidth, low, high = (
        np.repeat(values, points)
        for values in (
            [one.bandwidth_rpm for one in batch],
            *([one.speed[end] if one.speed.size else np.nan for one in batch] for end in (0, -1)),
        )
    )
    cuts = np.cumsum(points)[:-1]
    count = stop - first
    if not count.any():
        return [SmoothedCurve(*np.full((2, one.grid.size), np.nan)) for one in batch]
    # Only the samples in reach of each grid point are gathered: a row a grid point, padded.
    index = first[:, None] + np.arange(int(count.max()))
    in_reach = index < stop[:, None]
    np.minimum(index, speed.size - 1, out=index)
    # Distance in bandwidths and values from a nearby level keep the sums well conditioned.
    distance = (speed[index] - grid[:, None]) / bandwidth[:, None]
    weight = np.where(in_reach, 1.0 - distance * distance, 0.0)
    near = channel[np.minimum(first, speed.size - 1)]
    height = channel[index] - near[:, None]
    tilt = weight * distance
    sum_0, sum_1, sum_2 = weight.sum(axis=1), tilt.sum(axis=1), _row_sums(tilt, distance)
    high_0, high_1 = _row_sums(weight, height), _row_sums(tilt, height)
    with np.errstate(divide="ignore", invalid="ignore"):
        determinant = sum_0 * sum_2 - sum_1**2
        carried = (
            (count >= LEAST_SAMPLES)
            & (determinant / sum_0**2 > 1e-9)
            & (grid >= low)
            & (grid <= high)
        )
        level = (sum_2 * high_0 - sum_1 * high_1) / determinant
        value = np.where(carried, near + level, np.nan)
        slope = (sum_0 * high_1 - sum_1 * high_0) / determinant
        residual = height - level[:, None] - slope[:, None] * distance
        square_0, square_1 = _row_sums(weight, weight), _row_sums(weight, tilt)
        square_2 = _row_sums(tilt, tilt)
        spent = (sum_2 * square_0 - 2.0 * sum_1 * square_1 + sum_0 * square_2) / determinant
        scatter = np.maximum(_row_sums(weight, residual * residual) / (sum_0 - spent), 0.0)
        # The curve is a sum of the samples' values: the squares of their effective weights.
        effective = (
            sum_2**2 * square_0 - 2.0 * sum_1 * sum_2 * square_1 + sum_1**2 * square_2
        ) / determinant**2
        sd = np.where(carried, np.sqrt(scatter * effective), np.nan)
    return [
        SmoothedCurve(*both) for both in zip(np.split(value, cuts), np.split(sd, cuts), strict=True)
    ]


def _pilot(samples: _Samples) -> np.ndarray:
    """Return what `_local_lines` fits, from sums along the samples; -inf where it is not carried.

    Ten digits hold, which tell where the top is: at a fraction of the work, for any width.
    """
    first, stop = _reach([samples])
    middle = (samples.speed[0] + samples.speed[-1]) / 2.0
    at = (samples.speed - middle) / samples.bandwidth_rpm
    grid = (samples.grid - middle) / samples.bandwidth_rpm
    level = samples.channel.mean()
    terms = at ** np.arange(5)[:, None]
    terms = np.concatenate((terms, terms[:4] * (samples.channel - level)))
    prefix = np.zeros((9, at.size + 1))
    np.cumsum(terms, axis=1, out=prefix[:, 1:])
    s0, s1, s2, s3, s4, t0, t1, t2, t3 = prefix[:, stop] - prefix[:, first]
    # Moments about each grid point instead of about the middle.
    m1 = s1 - grid * s0
    m2 = s2 - grid * (2.0 * s1 - grid * s0)
    m3 = s3 - grid * (3.0 * s2 - grid * (3.0 * s1 - grid * s0))
    m4 = s4 - grid * (4.0 * s3 - grid * (6.0 * s2 - grid * (4.0 * s1 - grid * s0)))
    n1 = t1 - grid * t0
    n2 = t2 - grid * (2.0 * t1 - grid * t0)
    n3 = t3 - grid * (3.0 * t2 - grid * (3.0 * t1 - grid * t0))
    sum_0, sum_1, sum_2, high_0, high_1 = s0 - m2, m1 - m3, m2 - m4, t0 - n2, n1 - n3
    with np.errstate(divide="ignore", invalid="ignore"):
        determinant = sum_0 * sum_2 - sum_1**2
        carried = (stop - first >= LEAST_SAMPLES) & (determinant / sum_0**2 > 1e-9)
        return np.where(carried, level + (sum_2 * high_0 - sum_1 * high_1) / determinant, -np.inf)


def _reach(batch: list[_Samples]) -> tuple[np.ndarray, np.ndarray]:
    """Return the first sample in reach of each grid point and the first beyond, of all in a row."""
    sizes = [one.speed.size for one in batch]
    placed = list(zip(batch, (np.cumsum(sizes) - sizes).tolist(), strict=True))
    first = [
        np.searchsorted(one.speed, one.grid - one.bandwidth_rpm, side="right") + offset
        for one, offset in placed
    ]
    stop = [
        np.searchsorted(one.speed, one.grid + one.bandwidth_rpm, side="left") + offset
        for one, offset in placed
    ]
    return np.concatenate(first), np.concatenate(stop)


def _row_sums(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Return the sums over each row of a product."""
    return np.einsum("ij,ij->i", one, other)


def peak(grid_rpm: ArrayLike, value: ArrayLike) -> Peak:
    r"""Return the highest point of a curve, between grid points if need be.

    Parameters
    ----------
    grid_rpm : array_like. Engine speeds, increasing. [rpm]
    value : array_like. The curve; NaN where not seen.

    Returns
    -------
    Peak. Speed and value; both NaN if nothing was seen.

    Raises
    ------
    ValueError. If the two differ in length.

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
    top = int(np.argmax(np.where(np.isnan(curve), -np.inf, curve)))
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


class _Parabolas(NamedTuple):
    """Local parabolas at some speeds: the weights on the samples that read off their heights."""

    distance: np.ndarray
    weight: np.ndarray
    inverse: np.ndarray
    heights: np.ndarray

    def bend(self, at: int) -> np.ndarray:
        """Return the weights that read off the second derivative at one, for a width of 1."""
        mix, distance = self.inverse[at, 2], self.distance[at]
        return 2.0 * self.weight[at] * (mix[0] + mix[1] * distance + mix[2] * distance**2)


def _parabolas(speed: np.ndarray, at: np.ndarray) -> _Parabolas:
    distance = (speed - at[:, None]) / PEAK_HALF_WIDTH_RPM
    square = distance * distance
    weight = np.clip(1.0 - square, 0.0, None)
    tilt, curved = weight * distance, weight * square
    moments = (
        weight.sum(axis=1),
        tilt.sum(axis=1),
        curved.sum(axis=1),
        _row_sums(curved, distance),
        _row_sums(curved, square),
    )
    normal = np.array([[moments[row + column] for column in range(3)] for row in range(3)])
    # For each speed: which mix of 1, distance and its square picks the height, and the bend.
    inverse = np.linalg.inv(normal.transpose(2, 0, 1))
    mix = inverse[:, 0, :, None]
    return _Parabolas(
        distance, weight, inverse, mix[:, 0] * weight + mix[:, 1] * tilt + mix[:, 2] * curved
    )


def peak_interval(speed_rpm: ArrayLike, value: ArrayLike) -> PeakInterval:
    r"""Estimate the top of the curve behind a noisy sweep, without the lift of the noise.

    Parameters
    ----------
    speed_rpm : array_like
        Engine speed of each sample of the sweep, in any order. [rpm]
    value : array_like
        The channel, such as power; NaN where not seen.

    Returns
    -------
    PeakInterval
        All NaN where fewer than 10 samples lie around the highest point.

    Raises
    ------
    ValueError
        If the samples differ in length.

    Notes
    -----
    The highest of many noisy points is too high on average. Here local parabolas with
    Epanechnikov weights over 800 rpm, five times the bandwidth of the shown curve, are
    read off along the speeds around the top, and the greatest is taken: for a cubic they have no
    bias, for a fourth derivative :math:`f` one of :math:`-h^4 f/504`. What noise still
    lifts is, to second order,

    .. math:: \frac{\mathrm{Var}(\hat m')}{2 |m''|},

    and is taken out, by no more than one standard error: a flat top has no bend. At an end of the
    sweep nothing is taken out. The noise is that of independent samples, from the residuals
    (inflated by their own correlation within 100 rpm, as a roller's filter makes it; from the short
    stretch around a peak it is seen in part only), plus a wiggle of 0.25 % (1 SD) that keeps
    together over 200 rpm. The standard error is
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
    nothing = PeakInterval(*[math.nan] * 7)
    speed, channel = _in_order(speed_rpm, value)
    if speed.size < 10:
        return nothing
    half_width = PEAK_HALF_WIDTH_RPM
    grid = speed_grid_rpm(max(float(speed[0]), 0.0), float(speed[-1]))
    pilot = _pilot(_Samples(speed, channel, grid, half_width / 2.0))
    if not np.isfinite(pilot).any():
        return nothing
    top_rpm = float(grid[np.argmax(pilot)])
    near = np.abs(speed - top_rpm) < 2.0 * half_width
    speed, channel = _thinned(speed[near], channel[near])
    along = speed_grid_rpm(
        max(top_rpm - half_width / 2.0, speed[0]), min(top_rpm + half_width / 2.0, speed[-1])
    )
    # The last sample stands between grid points, and a curve that still rises peaks there.
    along = np.unique(np.clip(np.append(along, speed[-1]), None, top_rpm + half_width / 2.0))
    reach = (np.abs(speed - along[:, None]) < half_width).sum(axis=1)
    if reach.min() < 10:
        return nothing
    try:
        fitted = _parabolas(speed, along)
    except np.linalg.LinAlgError:
        return nothing
    heights = fitted.heights
    smooth = heights @ channel
    found = peak(along, smooth)
    at = int(np.argmax(smooth))

    # At an end the residuals of half a window say too little of their noise: look further in.
    middle_rpm = (speed[0] + speed[-1]) / 2.0
    inward = min(
        max(along[at], min(speed[0] + half_width, middle_rpm)),
        max(speed[-1] - half_width, middle_rpm),
    )
    noise = _sample_variance(speed, channel, float(inward), half_width)
    apart = np.subtract.outer(*[speed / (math.sqrt(2.0) * WIGGLE_RPM)] * 2)
    together = np.exp(-(apart * apart))
    wiggle = (WIGGLE_SHARE * found.value) ** 2
    variance = noise * _row_sums(heights, heights) + wiggle * _row_sums(heights @ together, heights)
    could_be = smooth >= smooth[at] - math.sqrt(variance[at])
    sd = math.sqrt(variance[could_be].max())
    bend = float(fitted.bend(at) @ channel) / half_width**2
    lift = 0.0
    if 0 < at < along.size - 1 and bend < 0.0:
        tilts = (heights[at + 1] - heights[at - 1]) / (along[at + 1] - along[at - 1])
        tilt_variance = noise * float(tilts @ tilts) + wiggle * float(tilts @ together @ tilts)
        lift = min(tilt_variance / (2.0 * -bend), sd)
    half = sd * float(special.stdtrit(int(reach[at]) - 3, 0.975))
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
    together = float(np.correlate(weighted, weighted, "full")[weighted.size :][:lags].sum())
    return scatter * max(1.0, 1.0 + 2.0 * together / whole)


def torque_nm(power_w: ArrayLike, engine_speed_rpm: ArrayLike) -> np.ndarray:
    r"""Return the torque that carries a power at an engine speed.

    Parameters
    ----------
    power_w : array_like. Power. [W]
    engine_speed_rpm : array_like. Engine speed. [rpm]

    Returns
    -------
    ndarray. Torque at the engine's speed; from wheel power it is wheel torque *referred to* engine
        speed, without the gearing. [N*m]

    Raises
    ------
    ValueError. If a speed is not above 0 rpm.

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
