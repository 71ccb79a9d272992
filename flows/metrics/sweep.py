"""The sweep: which part of a recorded pull is full throttle with the engine speed rising."""

import math

import numpy as np
from numpy.typing import ArrayLike

from flows.metrics.domain_checks import require


def _window_slope(time_s: np.ndarray, value: np.ndarray, half_width_s: float) -> np.ndarray:
    """Fit a line to the samples within half_width_s of each sample; return its slope.

    Sums run over prefixes, so the cost does not grow with the window.
    """
    first = np.searchsorted(time_s, time_s - half_width_s, side="left")
    stop = np.searchsorted(time_s, time_s + half_width_s, side="right")
    time = time_s - time_s.mean()
    level = value - value.mean()

    def window_sum(terms: np.ndarray) -> np.ndarray:
        prefix = np.concatenate(([0.0], np.cumsum(terms)))
        return prefix[stop] - prefix[first]

    count = (stop - first).astype(float)
    sum_t, sum_v = window_sum(time), window_sum(level)
    spread = window_sum(time * time) - sum_t * sum_t / count
    joint = window_sum(time * level) - sum_t * sum_v / count
    alone = (count < 2) | (spread <= 0.0)
    return np.where(alone, 0.0, joint / np.where(alone, 1.0, spread))


def sweep_slice(
    time_s: ArrayLike,
    engine_speed_rpm: ArrayLike,
    throttle_pct: ArrayLike | None = None,
    *,
    open_share: float = 0.9,
    least_rise_share: float = 0.15,
    least_span_rpm: float = 1500.0,
    least_duration_s: float = 1.0,
    longest_gap_s: float = 0.5,
    half_width_range_s: tuple[float, float] = (0.1, 0.5),
) -> slice:
    r"""Return the samples of the longest unbroken full-throttle sweep in a pull.

    Parameters
    ----------
    time_s : array_like
        Time of each sample, increasing. [s]
    engine_speed_rpm : array_like
        Engine speed; NaN where not seen. [rpm]
    throttle_pct : array_like, optional
        Throttle opening; NaN where not seen. Without it only the speed decides. [%]
    open_share : float, default 0.9
        The throttle counts as open from this share of its greatest opening in the pull: grips
        and sensors seldom reach 100 %. [0..1]
    least_rise_share : float, default 0.15
        The speed counts as rising from this share of the pull's brisk rise (its 90th
        percentile): torque at the ends of a sweep is seldom below a third of its peak. [0..1]
    least_span_rpm : float, default 1500
        A shorter sweep makes no curve. [rpm]
    least_duration_s : float, default 1
        A quicker one is a stab of the throttle in neutral. [s]
    longest_gap_s : float, default 0.5
        A longer hole in the record breaks the sweep. [s]
    half_width_range_s : tuple of float, default (0.1, 0.5)
        Bounds of the half width over which the rise is judged: below, the cycles of the engine
        show; above, the ends blur. [s]

    Returns
    -------
    slice
        Samples of the sweep, from its first to past its last.

    Raises
    ------
    ValueError
        If time does not increase, the arrays differ in length, or there is no usable sweep; the
        message says which.

    Notes
    -----
    The rise is the slope of a least-squares line in a moving window, so that noise on the speed
    does not break a sweep. The half width *h* is what brings the standard error of that slope,

    .. math:: u = \sigma \sqrt{\frac{3}{2 h^3 f}},

    down to a quarter of the least rise, with :math:`\sigma` the noise of the speed (robust, from
    second differences) and *f* the sampling rate: short for a clean record, long for a slow ramp
    on a rough tachometer. Of the unbroken runs of rising samples with open throttle the one that
    spans most engine speed wins. Where the record goes on beyond a run, *h* is trimmed off: at
    the limiter the windowed slope falls late, by at most *h*, and samples of the cut ignition
    must not become a curve. Common practice, no source.

    Examples
    --------
    >>> time_s = np.arange(0.0, 10.0, 0.02)
    >>> speed_rpm = np.clip(3000.0 + 1000.0 * (time_s - 2.0), 3000.0, 9000.0)
    >>> sweep = sweep_slice(time_s, speed_rpm)
    >>> float(speed_rpm[sweep][0] // 100 * 100), float(speed_rpm[sweep][-1] // 100 * 100)
    (3000.0, 8900.0)
    """
    require("open_share", open_share, above=0.0, at_most=1.0)
    require("least_rise_share", least_rise_share, above=0.0, below=1.0)
    time = np.asarray(time_s, dtype=float)
    speed = np.asarray(engine_speed_rpm, dtype=float)
    if time.shape != speed.shape or time.ndim != 1:
        raise ValueError(
            f"time_s and engine_speed_rpm must be rows of one length, got {time.shape} and "
            f"{speed.shape}"
        )
    seen = np.isfinite(speed) & np.isfinite(time)
    if seen.sum() < 10:
        raise ValueError(f"no usable sweep: only {seen.sum()} samples of engine speed, 10 needed")
    if np.any(np.diff(time[np.isfinite(time)]) <= 0.0):
        raise ValueError("time_s must increase from sample to sample")

    at = np.flatnonzero(seen)
    time, speed = time[at], speed[at]
    half_width_s = half_width_range_s[1]
    rise = _window_slope(time, speed, half_width_s)
    if not (rise > 0.0).any():
        raise ValueError("no usable sweep: the engine speed never rises")
    least_rise = least_rise_share * float(np.quantile(rise[rise > 0.0], 0.9))
    # A second difference holds 1.5 times the variance of a sample: the 3/2 under the root.
    noise_rpm = 1.4826 * float(np.median(np.abs(speed[1:-1] - (speed[:-2] + speed[2:]) / 2.0)))
    rate_hz = 1.0 / float(np.median(np.diff(time)))
    enough_s = (noise_rpm / math.sqrt(rate_hz) / (least_rise / 4.0)) ** (2.0 / 3.0)
    half_width_s = float(np.clip(enough_s, *half_width_range_s))
    in_sweep = _window_slope(time, speed, half_width_s) > least_rise

    if throttle_pct is not None:
        throttle = np.asarray(throttle_pct, dtype=float)
        if throttle.shape != seen.shape:
            raise ValueError(
                f"throttle_pct must have the length of time_s, got {throttle.shape} and "
                f"{seen.shape}"
            )
        throttle = throttle[at]
        known = np.isfinite(throttle)
        if known.any():
            throttle = np.interp(time, time[known], throttle[known])
            in_sweep &= throttle >= open_share * throttle.max()

    # A run is a stretch of samples that all belong, with no hole in time between them.
    joined = in_sweep[1:] & in_sweep[:-1] & (np.diff(time) <= longest_gap_s)
    starts = np.flatnonzero(in_sweep & ~np.concatenate(([False], joined)))
    ends = np.flatnonzero(in_sweep & ~np.concatenate((joined, [False])))
    if starts.size == 0:
        raise ValueError("no usable sweep: the engine speed never rises with the throttle open")
    trimmed_from = np.where(starts > 0, np.searchsorted(time, time[starts] + half_width_s), starts)
    trimmed_to = np.where(
        ends < time.size - 1,
        np.searchsorted(time, time[ends] - half_width_s, side="right") - 1,
        ends,
    )
    kept = trimmed_to > trimmed_from
    if not kept.any():
        raise ValueError(f"no usable sweep: no rise lasts longer than {2 * half_width_s:.2f} s")
    starts, ends = trimmed_from[kept], trimmed_to[kept]
    spans_rpm = speed[ends] - speed[starts]
    longest = int(np.argmax(spans_rpm))
    start, end, span_rpm = starts[longest], ends[longest], spans_rpm[longest]
    if span_rpm < least_span_rpm:
        raise ValueError(
            f"no usable sweep: the longest rise with the throttle open spans {span_rpm:.0f} rpm, "
            f"{least_span_rpm:.0f} rpm needed"
        )
    if time[end] - time[start] < least_duration_s:
        raise ValueError(
            f"no usable sweep: the longest rise with the throttle open lasts "
            f"{time[end] - time[start]:.2f} s, {least_duration_s:g} s needed"
        )
    return slice(int(at[start]), int(at[end]) + 1)
