"""Clocks: channels that were logged at other times, brought onto one clock on purpose."""

import numpy as np
from numpy.typing import ArrayLike

from flows.metrics.notes import NotToldError

GAP_FACTOR = 2.5
"""A hole longer than this many of the channel's usual steps is not bridged: one lost sample is a
hole of two steps."""
MOST_GAP_S = 1.0
"""Nor is a hole longer than this, however slow the channel."""
LEAST_TOLD_SAMPLES = 20
"""Of a clock of fewer samples nothing is said."""
MOST_ROWS_A_SECOND = 3.0
"""A second with more than so many times the usual rows is a clock that stood still."""
LEAST_SPAN_RPM = 1500.0
"""A shorter climb of a pull without a clock makes no curve."""
LEAST_SAMPLES = 10
"""Nor does a climb of fewer samples."""
LEAST_SWEEP_SHARE = 0.5
"""A climb of less than this share of the widest is no sweep: a blip before the pull."""
RETURN_SHARE = 0.3
"""A sweep begins within this share of the widest from its beginning: a climb after a gear change
begins higher."""
OPEN_SHARE = 0.9
"""The throttle counts as open from this share of its greatest opening."""
SLACK_RPM = 60.0
"""A climb may fall back this far below its highest so far: the tachometer's noise (common practice,
no source)."""


def aligned_to(
    time_s: ArrayLike,
    value: ArrayLike,
    wanted_s: ArrayLike,
) -> np.ndarray:
    r"""Return a channel at other times, straight lines between its own samples.

    Parameters
    ----------
    time_s : array_like. The channel's own times, rising. [s]
    value : array_like. Its samples; NaN where nothing was seen.
    wanted_s : array_like. Times to give it at. [s]

    Returns
    -------
    ndarray. Values at `wanted_s`; NaN outside the channel's own times and within its holes.

    Raises
    ------
    ValueError. If the channel's times do not rise.

    Notes
    -----
    Straight lines between samples of a signal with no content above half its rate are off by at
    most :math:`(\pi f / f_s)^2 / 2` of a wave's height at frequency *f* and sampling rate
    :math:`f_s`; linear interpolation error bound, any numerical text.

    Examples
    --------
    >>> aligned_to([0.0, 0.1, 0.2], [1.0, 2.0, 3.0], [0.05, 0.15, 0.3])
    array([1.5, 2.5, nan])
    """
    time, seen = np.asarray(time_s, dtype=float), np.asarray(value, dtype=float)
    wanted = np.asarray(wanted_s, dtype=float)
    known = np.isfinite(time) & np.isfinite(seen)
    time, seen = time[known], seen[known]
    if time.size == 0:
        return np.full(wanted.shape, np.nan)
    if time.size == 1:
        return np.where(wanted == time[0], seen[0], np.nan)
    steps = np.diff(time)
    if np.any(steps <= 0.0):
        raise NotToldError("time does not increase")
    limit = min(GAP_FACTOR * float(np.median(steps)), MOST_GAP_S)
    # A channel of one sample a second or slower still has its neighbours.
    limit = max(limit, 1.001 * float(np.median(steps)))
    found = np.interp(wanted, time, seen, left=np.nan, right=np.nan)
    place = np.clip(np.searchsorted(time, wanted, side="left"), 1, time.size - 1)
    on_sample = np.isin(wanted, time)
    return np.where((steps[place - 1] <= limit) | on_sample, found, np.nan)


def is_whole_seconds(time_s: ArrayLike) -> bool:
    """Whether a clock shows whole seconds only.

    Parameters
    ----------
    time_s : array_like. Times from the log's start; NaN where not seen. [s]

    Returns
    -------
    bool. True if every time is a whole number and the next one is mostly one or two further: whole
        milliseconds that are labelled as seconds go in longer steps.

    Examples
    --------
    >>> is_whole_seconds(np.arange(40) // 2), is_whole_seconds(np.arange(40) / 2)
    (True, False)
    """
    time = np.asarray(time_s, dtype=float)
    time = time[np.isfinite(time)]
    if time.size < LEAST_TOLD_SAMPLES or np.any(np.abs(time - np.rint(time)) >= 1e-6):
        return False
    steps = np.diff(np.unique(time))
    return bool(steps.size and np.median(steps) <= 2.0)


def spread_seconds(time_s: ArrayLike) -> np.ndarray:
    """Return times within whole seconds, their rows evenly apart: assumed, not measured.

    Parameters
    ----------
    time_s : array_like. Whole seconds, not falling, several rows to one. [s]

    Returns
    -------
    ndarray. The same order, each time within its own second. Unchanged where the clock falls, stood
        still, or a time is missing.

    Notes
    -----
    No rate is invented: a second that the log shows has the rows that the log shows in it. Only the
    first and the last, which the log may have cut, stand at the usual distance from their
    neighbour. A time is off by less than a second, which no delay or transient survives.

    Examples
    --------
    >>> spread_seconds([5.0, 6.0, 6.0, 7.0, 7.0, 8.0, 8.0])
    array([5.5, 6. , 6.5, 7. , 7.5, 8. , 8.5])
    """
    time = np.asarray(time_s, dtype=float)
    if time.size < 2 or not np.isfinite(time).all() or np.any(np.diff(time) < 0.0):
        return time
    seconds, first, count = np.unique(time, return_index=True, return_counts=True)
    usual = float(np.median(count))
    if count.max() > MOST_ROWS_A_SECOND * max(usual, 1.0):
        return time
    place = np.arange(time.size) - np.repeat(first, count)
    rows = np.repeat(count.astype(float), count)
    within = place / rows
    if seconds.size > 2:
        at_start = slice(0, int(count[0]))
        fewer = max(usual, float(count[0]))
        within[at_start] = 1.0 - (count[0] - place[at_start]) / fewer
        at_end = slice(int(first[-1]), time.size)
        within[at_end] = place[at_end] / max(usual, float(count[-1]))
    return time + within


def rising_part(
    engine_speed_rpm: ArrayLike,
    throttle_pct: ArrayLike | None = None,
) -> slice:
    """Return the part of a pull without a clock in which the engine speed climbs.

    Parameters
    ----------
    engine_speed_rpm : array_like
        Engine speed in the order of the file's rows; NaN where not seen. [rpm]
    throttle_pct : array_like, optional. Throttle opening. [%]

    Returns
    -------
    slice. Rows of the longest climb.

    Raises
    ------
    ValueError. If there is no such part.

    Notes
    -----
    Only the order of rows is used: no rate is invented, so nothing that needs one (how fast the
    speed rose, how long the pull took) can be told.

    Examples
    --------
    >>> rising_part([3000 + 50 * step for step in range(60)] + [5000, 4000])
    slice(0, 60, None)
    """
    found = climbs(engine_speed_rpm, throttle_pct)
    speed = np.asarray(engine_speed_rpm, dtype=float)
    spans = [float(np.max(speed[part]) - np.min(speed[part])) for part in found]
    best = int(np.argmax(spans)) if spans else -1
    rows = found[best].stop - found[best].start if spans else 0
    if not spans or spans[best] < LEAST_SPAN_RPM or rows < LEAST_SAMPLES:
        raise NotToldError(
            "no sweep: short climb",
            span_rpm=max(spans, default=0.0),
            rows=rows,
            needed_rpm=LEAST_SPAN_RPM,
            needed_rows=LEAST_SAMPLES,
        )
    return found[best]


def climbs(
    engine_speed_rpm: ArrayLike,
    throttle_pct: ArrayLike | None = None,
) -> list[slice]:
    """Return the parts of a log without a clock in which the engine speed climbs.

    Parameters
    ----------
    engine_speed_rpm, throttle_pct : As in `rising_part`.

    Returns
    -------
    list of slice. Rows of each climb, to its top, in the order of the file.

    Examples
    --------
    >>> climbs([3000.0, 4000.0, 5000.0, 3000.0, 4500.0])
    [slice(0, 3, None), slice(3, 5, None)]
    """
    speed = np.asarray(engine_speed_rpm, dtype=float)
    usable = np.isfinite(speed)
    if throttle_pct is not None:
        throttle = np.asarray(throttle_pct, dtype=float)
        if np.isfinite(throttle).any():
            usable &= ~(throttle < OPEN_SHARE * np.nanmax(throttle))
    found, start, top, top_at, low = [], 0, -np.inf, 0, np.inf
    for place in range(speed.size + 1):
        is_over = place == speed.size or not usable[place] or speed[place] < top - SLACK_RPM
        if is_over:
            if top > low:
                found.append(slice(start, top_at + 1))
            start, top, low = place, -np.inf, np.inf
            if place == speed.size:
                break
            if not usable[place]:
                start = place + 1
                continue
        low = min(low, speed[place])
        if speed[place] >= top:
            top, top_at = speed[place], place
    return found


def sweeps_in_a_row(
    engine_speed_rpm: ArrayLike,
    throttle_pct: ArrayLike | None = None,
) -> int:
    """Return how many whole sweeps stand one behind the other in a log without a clock.

    Parameters
    ----------
    engine_speed_rpm, throttle_pct : As in `rising_part`.

    Returns
    -------
    int. Sweeps; more than one cannot be told apart without a clock, for they may be other engines'.

    Examples
    --------
    >>> one = np.linspace(3000.0, 9000.0, 100)
    >>> sweeps_in_a_row(one), sweeps_in_a_row(np.concatenate((one, one, one)))
    (1, 3)
    """
    speed = np.asarray(engine_speed_rpm, dtype=float)
    parts = climbs(speed, throttle_pct)
    ends = [(float(np.min(speed[part])), float(np.max(speed[part]))) for part in parts]
    if not ends:
        return 0
    start, top = max(ends, key=lambda pair: pair[1] - pair[0])
    span = top - start
    return sum(
        high - low >= max(LEAST_SPAN_RPM, LEAST_SWEEP_SHARE * span)
        and abs(low - start) <= RETURN_SHARE * span
        for low, high in ends
    )
