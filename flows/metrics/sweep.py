"""The sweep: which part of a recorded pull is full throttle with the engine speed rising."""

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from flows.metrics.short_rows import median, quantile, slope

FOLLOWS = ("", "gear change", "gear change or lift", "lift", "break", "jump")
"""How a rise can follow on the one before it.

- empty: it is a pull of its own, or the first.
- gear change: the speed falls back at once and climbs again: with the throttle open all through,
  or at another ratio of engine to roller speed.
- gear change or lift: the same with the throttle shut between, or not logged, and no roller.
- lift: the same at an unchanged ratio.
- break: it climbs on from where it stopped: a misfire, or a hole in the record.
- jump: the speed leaps up between: a lower gear, or a clutch or tyre that lets go.
"""

OPEN_SHARE = 0.9
"""The throttle counts as open from this share of the greatest opening that it held for half a
second in all: grips and sensors seldom reach 100 %."""
LEAST_RISE_SHARE = 0.15
"""The speed counts as rising from this share of the brisk rise (the 90th percentile) of the same
climb: torque at the ends of a sweep is seldom below a third of its peak."""
LEAST_SPAN_RPM = 1500.0
"""A shorter sweep makes no curve."""
LEAST_S = 1.0
"""A quicker one is a stab of the throttle in neutral."""
LONGEST_GAP_S = 0.5
"""A longer hole in the record breaks the sweep."""
HALF_WIDTH_RANGE_S = (0.1, 0.5)
"""Bounds of the half width over which the rise is judged: below, the cycles of the engine show;
above, the ends blur. It is never less than two samples."""
LISTED_SPAN_RPM = 500.0
"""Rises that span less are not listed: noise, and single teeth of a limiter's saw."""
LISTED_S = 0.3
"""The same for quicker ones, except where the whole record is no longer."""
CHAIN_S = 2.0
"""A gear is changed within this; a roller takes longer to slow down for another pull."""
MISFIRE_S = 0.8
"""The same for an engine that stumbles."""
LEAST_FALL, MOST_FALL = 0.06, 0.5
"""Shares of the speed that a gear change takes off: the closest gears are some 8 % apart, first to
second some 40 % (common practice, no source)."""
JUMP_RISE = 4.0
"""A sweep rises no faster than this many times its median: torque is never that uneven."""
COMPLETE_SHARE = 0.97
"""A sweep that ends lower than this share of the file's highest was aborted."""
TOOTH_SHARE = 0.02
"""A limiter lets the engine climb back to the same speed, within this."""
HELD_OPEN_S = 0.5
"""The greatest throttle opening is one held this long in all: a spike is no opening."""
FLICKER_S = 0.15
"""A throttle shut for less is a sample lost: no grip closes and opens so fast."""
SHUT_SHARE = 0.05
"""A throttle reads shut up to this share of its travel above the least that the record shows."""
GOES_ON_SHARE = 0.5
"""An engine whose throttle is shut brakes: one that goes on at half its pace was never shut."""
BESIDE_S = 0.6
"""Time beside a drop of the throttle signal over which pace and power are looked at."""
LEAST_STEPS = 2.0
"""No window is narrower on either side, in samples: of a slow record it would hold one alone."""
END_HALF_WIDTH_S = 0.04
"""The least half width over which the end of a sweep is placed, and the least that is left out
before it: what the file shows there may have been smoothed."""
END_SHARE = 0.5
"""A sweep goes on to the top while it rises by this share of its pace before, and by no more than
the inverse of it."""


class Sweep(NamedTuple):
    """One rise of the engine speed in a record.

    Attributes
    ----------
    start, stop : int. Samples from its first to past its last.
    from_s, to_s : float. Times of both. [s]
    from_rpm, to_rpm : float. Engine speeds there. [rpm]
    follows : str. How it follows on the rise before, one of `FOLLOWS`.
    why_not : str. Why it makes no curve; empty if it makes one.
    """

    start: int
    stop: int
    from_s: float
    to_s: float
    from_rpm: float
    to_rpm: float
    follows: str
    why_not: str

    @property
    def span_rpm(self) -> float:
        """Engine speed that it covers, in rpm."""
        return self.to_rpm - self.from_rpm


class SweepChoice(NamedTuple):
    """The sweep of a record that makes its curve, and what must be said of the others.

    Attributes
    ----------
    sweep : Sweep. The one.
    notes : tuple of str
        What a reader should know: how many there were, which was taken, where a gear changed.
    trouble : str. Why it should not count all the same; empty when nothing speaks against it.
    """

    sweep: Sweep
    notes: tuple[str, ...]
    trouble: str


def _window_slope(
    time_s: np.ndarray, value: np.ndarray, half_width_s: float, is_open: np.ndarray | None = None
) -> np.ndarray:
    """Fit a line to the samples within half_width_s of each sample; return its slope.

    No window runs over an opening or closing of the throttle: there the slope jumps, and the time
    is known. Sums run over prefixes, so the cost does not grow with the window.
    """
    first = np.searchsorted(time_s, time_s - half_width_s, side="left")
    stop = np.searchsorted(time_s, time_s + half_width_s, side="right")
    if is_open is not None:
        turns = np.flatnonzero(is_open[1:] != is_open[:-1]) + 1
        if turns.size:
            edges = np.concatenate(([0], turns, [time_s.size]))
            lasts = np.diff(edges)
            first = np.maximum(first, np.repeat(edges[:-1], lasts))
            stop = np.minimum(stop, np.repeat(edges[1:], lasts))
    time = time_s - time_s.mean()
    level = value - value.mean()
    prefix = np.zeros((4, time.size + 1))
    np.cumsum((time, level, time * time, time * level), axis=1, out=prefix[:, 1:])
    sum_t, sum_v, sum_tt, sum_tv = prefix[:, stop] - prefix[:, first]
    count = (stop - first).astype(float)
    spread = sum_tt - sum_t * sum_t / count
    joint = sum_tv - sum_t * sum_v / count
    alone = (count < 2) | (spread <= 0.0)
    return np.where(alone, 0.0, joint / np.where(alone, 1.0, spread))


def _runs(inside: np.ndarray, holes: np.ndarray) -> list[tuple[int, int]]:
    """Return first and last of each stretch that is inside, with no hole between samples."""
    joined = inside[1:] & inside[:-1] & ~holes
    starts = np.flatnonzero(inside & ~np.concatenate(([False], joined)))
    ends = np.flatnonzero(inside & ~np.concatenate((joined, [False])))
    return list(zip(starts.tolist(), ends.tolist(), strict=True))


def _half_width_s(
    time: np.ndarray,
    speed: np.ndarray,
    is_open: np.ndarray,
    holes: np.ndarray,
) -> float:
    """Return the half width that tells a rise from the noise of this tachometer."""
    step_s = median(np.diff(time))
    # A hair more, or the rounding of the clock decides whether the outermost samples are in.
    least_s = max(HALF_WIDTH_RANGE_S[0], 1.001 * LEAST_STEPS * step_s)
    most_s = max(HALF_WIDTH_RANGE_S[1], least_s)
    rise = _window_slope(time, speed, most_s)
    runs = _runs((rise > 0.0) & is_open, holes) or _runs(rise > 0.0, holes)
    if not runs:
        return most_s
    # A stab of the throttle rises faster than any sweep; it is over sooner.
    lasting = [run for run in runs if time[run[1]] - time[run[0]] >= 1.5] or runs
    first, last = max(lasting, key=lambda run: speed[run[1]] - speed[run[0]])
    least_rise = LEAST_RISE_SHARE * quantile(rise[first : last + 1], 0.9)
    return float(np.clip(_enough_s(speed, step_s, least_rise), least_s, most_s))


def _enough_s(speed: np.ndarray, step_s: float, least_rise: float) -> float:
    """Return the half width whose slope has a standard error of a quarter of a rise."""
    # A second difference holds 1.5 times the variance of a sample: the 3/2 under the root.
    noise_rpm = 1.4826 * median(np.abs(speed[1:-1] - (speed[:-2] + speed[2:]) / 2.0))
    return (noise_rpm * math.sqrt(step_s) / (least_rise / 4.0)) ** (2.0 / 3.0)


def _end(
    time: np.ndarray,
    speed: np.ndarray,
    is_open: np.ndarray,
    first: int,
    last: int,
    half_width_s: float,
) -> int:
    """Return the last sample of a climb before whatever ends it: limiter, or closed throttle.

    A whole half width before `last` is safe, and more than is needed: the pace of the climb is
    known there, and its end shows in fewer samples than its rise against the noise did.
    """
    safe = int(np.searchsorted(time, time[last] - half_width_s, side="right")) - 1
    before = slice(int(np.searchsorted(time, time[safe] - max(2.0 * half_width_s, 0.3))), safe + 1)
    if before.start < first or time[before].size < 4:
        return safe
    step_s = median(np.diff(time))
    pace = slope(time[before] - time[safe], speed[before])
    if pace <= 0.0:
        return safe
    near_s = max(
        END_HALF_WIDTH_S,
        1.001 * LEAST_STEPS * step_s,
        _enough_s(speed, step_s, END_SHARE * pace),
    )
    around = slice(before.start, int(np.searchsorted(time, time[last] + 2.0 * near_s)))
    rise = _window_slope(time[around], speed[around], near_s, is_open[around])
    share = rise[safe - around.start : last + 1 - around.start] / pace
    goes_on = (share > END_SHARE) & (share < 1.0 / END_SHARE)
    left_out_s = near_s
    over = last
    if not goes_on.all():
        over = safe + int(np.argmin(goes_on))
    elif not is_open[last + 1]:
        # The throttle tells the end to a sample.
        left_out_s = max(END_HALF_WIDTH_S, 0.999 * step_s)
    end = int(np.searchsorted(time, time[over] - left_out_s, side="right")) - 1
    return max(end, safe)


def _brisk_parts(
    rise: np.ndarray,
    time: np.ndarray,
    speed: np.ndarray,
    inside: np.ndarray,
    holes: np.ndarray,
    least_s: float,
) -> list[tuple[int, int]]:
    """Return the stretches that rise at a sweep's own pace, whatever else the record holds.

    Shorter ones than `least_s` are not looked for, unless that is the whole record.
    """
    brisk = np.zeros(speed.size, dtype=bool)
    for first, last in _runs(inside & (rise > 0.0), holes):
        if time[last] - time[first] < least_s and last - first < time.size - 1:
            continue
        own = rise[first : last + 1]
        brisk[first : last + 1] = own > LEAST_RISE_SHARE * quantile(own, 0.9)
    for first, last in _runs(brisk, holes):
        own = rise[first : last + 1]
        leaps = own > JUMP_RISE * median(own)
        if not leaps.any():
            continue
        for begin, end in _runs(leaps, holes[first:last]):
            if speed[first + end] - speed[first + begin] > LEAST_FALL * speed[first + begin]:
                brisk[first + begin : first + end + 1] = False
    return _runs(brisk, holes)


def _open_throttle(
    time: np.ndarray, throttle_pct: ArrayLike | None, at: np.ndarray, rows: int
) -> tuple[np.ndarray, float]:
    """Return where the throttle is open, and the opening that counts as such (NaN: not logged)."""
    everywhere = np.ones(time.size, dtype=bool)
    if throttle_pct is None:
        return everywhere, math.nan
    throttle = np.asarray(throttle_pct, dtype=float)
    if throttle.shape != (rows,):
        raise ValueError(
            f"throttle_pct must have the length of time_s, got {throttle.shape} and {(rows,)}"
        )
    throttle = throttle[at]
    known = np.isfinite(throttle)
    if not known.any():
        return everywhere, math.nan
    throttle = np.interp(time, time[known], throttle[known])
    step_s = median(np.diff(time))
    held = min(max(round(HELD_OPEN_S / step_s), 1), throttle.size)
    least = OPEN_SHARE * float(np.sort(throttle)[-held])
    is_open = throttle >= least
    for first, last in _runs(~is_open, np.zeros(time.size - 1, dtype=bool)):
        within = first > 0 and last < time.size - 1
        if within and time[last + 1] - time[first - 1] - step_s < FLICKER_S:
            is_open[first : last + 1] = True
    return is_open, least


def failing_throttle(
    time_s: ArrayLike,
    engine_speed_rpm: ArrayLike,
    throttle_pct: ArrayLike,
    power_w: ArrayLike | None = None,
) -> list[tuple[int, int]]:
    """Return where the throttle reads shut within a sweep and the engine shows that it is open.

    Parameters
    ----------
    time_s : array_like. Time of each sample, increasing. [s]
    engine_speed_rpm : array_like. Engine speed. [rpm]
    throttle_pct : array_like. Throttle opening. [%]
    power_w : array_like, optional. Power; it must go on as well where it is known. [W]

    Returns
    -------
    list of (int, int)
        First and past-last sample of each stretch: of its signal, not of the throttle.

    Notes
    -----
    The signal drops from open to shut, or rises from it, within 0.15 s, and the engine speed goes
    on at half or more of its pace beside for longer than that: an engine whose throttle is shut
    brakes. A throttle that is half shut is left alone, for at low speed it lets nearly all through.
    Common practice, no source.

    Examples
    --------
    >>> time_s = np.arange(0.0, 8.0, 0.05)
    >>> speed_rpm = 3000.0 + 800.0 * time_s
    >>> failing_throttle(time_s, speed_rpm, np.where((time_s > 3.0) & (time_s < 5.0), 0.0, 98.0))
    [(61, 100)]
    """
    time, speed, throttle = (
        np.asarray(values, dtype=float) for values in (time_s, engine_speed_rpm, throttle_pct)
    )
    seen = np.flatnonzero(np.isfinite(time) & np.isfinite(speed) & np.isfinite(throttle))
    if seen.size < 10 or np.ptp(throttle[seen]) == 0.0:
        return []
    time, speed, throttle = time[seen], speed[seen], throttle[seen]
    power = None if power_w is None else np.asarray(power_w, dtype=float)[seen]
    least, most = float(throttle.min()), quantile(throttle, 0.95)
    is_open = throttle >= OPEN_SHARE * most
    is_shut = throttle <= least + SHUT_SHARE * (most - least)
    found = []
    step = median(np.diff(time))
    if step <= 0.0:
        return []  # a clock that stands still tells of no flicker
    reach = max(1, round(FLICKER_S / step))
    for first, last in _runs(is_shut, np.zeros(time.size - 1, dtype=bool)):
        drops = bool(is_open[max(first - reach, 0) : first].any())
        rises = bool(is_open[last + 1 : last + 1 + reach].any())
        own = speed[first : last + 1]
        inside, beside = slice(first, last + 1), np.zeros(time.size, dtype=bool)
        if drops:
            # To the top of the climb; what follows it is the throttle shut in earnest.
            top = own.max() - 0.02 * max(own.max() - own[0], 0.0)
            inside = slice(first, first + int(np.flatnonzero(own >= top)[0]) + 1)
            beside = (time < time[first]) & (time >= time[first] - BESIDE_S)
        elif rises:
            low = own.min() + 0.02 * max(own[-1] - own.min(), 0.0)
            inside = slice(first + int(np.flatnonzero(own <= low)[-1]), last + 1)
            beside = (time > time[last]) & (time <= time[last] + BESIDE_S)
        if (drops or rises) and _goes_on(time, speed, power, inside, beside):
            found.append((int(seen[inside.start]), int(seen[inside.stop - 1]) + 1))
    return found


def _goes_on(
    time: np.ndarray,
    speed: np.ndarray,
    power: np.ndarray | None,
    inside: slice,
    beside: np.ndarray,
) -> bool:
    """Whether the engine pulls on within a stretch as it does beside it."""
    if inside.stop - inside.start < 3 or beside.sum() < 3:
        return False
    lasts_s = time[inside.stop - 1] - time[inside.start]
    if lasts_s <= FLICKER_S:
        return False
    pace = slope(time[beside], speed[beside])
    own = slope(time[inside], speed[inside])
    if pace <= 0.0 or own < GOES_ON_SHARE * pace:
        return False
    if power is None or not (np.isfinite(power[inside]).any() and np.isfinite(power[beside]).any()):
        return True
    return bool(np.nanmedian(power[inside]) >= GOES_ON_SHARE * np.nanmedian(power[beside]))


def sweeps(
    time_s: ArrayLike,
    engine_speed_rpm: ArrayLike,
    throttle_pct: ArrayLike | None = None,
    roller_speed_m_s: ArrayLike | None = None,
) -> list[Sweep]:
    r"""List the rises of the engine speed in a record, those that make no curve with the reason.

    Parameters
    ----------
    time_s : array_like
        Time of each sample, increasing. [s]
    engine_speed_rpm : array_like
        Engine speed; NaN where not seen. [rpm]
    throttle_pct : array_like, optional
        Throttle opening; NaN where not seen. Without it only the speed decides. [%]
    roller_speed_m_s : array_like, optional
        Roller speed; NaN where not seen. Tells a gear change from a lifted throttle. [m/s]

    Returns
    -------
    list of Sweep
        Every rise of at least 500 rpm, in the order of time, the teeth of a bouncing limiter left
        out; empty if the speed never rises so.

    Raises
    ------
    ValueError
        If time does not increase, the arrays differ in length, fewer than 10 samples have an
        engine speed, or the samples lie further apart than 0.5 s.

    Notes
    -----
    The rise is the slope of a least-squares line in a moving window, so that noise on the speed
    does not break a sweep. The half width *h* is what brings the standard error of that slope,

    .. math:: u = \sigma \sqrt{\frac{3}{2 h^3 f}},

    down to a quarter of the least rise, with :math:`\sigma` the noise of the speed (robust, from
    second differences) and *f* the sampling rate: short for a clean record, long for a slow ramp
    on a rough tachometer. Where the record goes on beyond a rise, *h* is trimmed off: at the
    limiter the windowed slope falls late, by at most *h*, and samples of the cut ignition must not
    become a curve. At the top the end is then placed more closely: from there the sweep goes on
    for as long as it rises at half to twice the pace it had, judged over the few samples that tell
    so, 0.04 s or two samples at least, which in turn are trimmed off.

    Each climb is judged by its own pace, so that a stab of the throttle or a pull in a low gear
    does not decide what a slow pull in a high gear must reach. Without a throttle channel a
    part-throttle climb at more than 0.15 of the pace that runs into the sweep cannot
    be told from it. Common practice, no source.

    Examples
    --------
    >>> time_s = np.arange(0.0, 14.0, 0.02)
    >>> speed_rpm = np.interp(time_s, [0, 4, 6, 12, 14], [3000, 6500, 3000, 9000, 4000])
    >>> [round(one.to_rpm, -2) for one in sweeps(time_s, speed_rpm)]
    [6400.0, 8900.0]
    """
    time = np.asarray(time_s, dtype=float)
    speed = np.asarray(engine_speed_rpm, dtype=float)
    rows = time.size
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
    is_open, least_open_pct = _open_throttle(time, throttle_pct, at, rows)
    ratio = _ratio(roller_speed_m_s, at, rows, speed)

    step_s = median(np.diff(time))
    if step_s > LONGEST_GAP_S:
        raise ValueError(
            f"no usable sweep: the record holds a sample every {step_s:.2g} s, one every "
            f"{LONGEST_GAP_S:g} s needed"
        )
    # A hair more than the limit is the rounding of the clock.
    holes = np.diff(time) > 1.001 * LONGEST_GAP_S
    half_width_s = _half_width_s(time, speed, is_open, holes)
    rise = _window_slope(time, speed, half_width_s, is_open)
    climbs = [
        (first, last, "")
        for first, last in _brisk_parts(rise, time, speed, is_open, holes, LISTED_S)
    ] + [
        (first, last, f"the throttle is not open to {least_open_pct:.0f} %")
        for first, last in _brisk_parts(rise, time, speed, ~is_open, holes, LEAST_S)
        if speed[last] - speed[first] >= LEAST_SPAN_RPM and time[last] - time[first] >= LEAST_S
    ]
    found: list[Sweep] = []
    before: tuple[int, int] | None = None
    for first, last, why_not in sorted(climbs):
        whole = first == 0 and last == time.size - 1
        if speed[last] - speed[first] < LISTED_SPAN_RPM or (
            time[last] - time[first] < LISTED_S and not whole
        ):
            continue
        if before is not None and _is_tooth(before, (first, last), time, speed):
            before = (before[0], last)
            continue
        follows = ""
        if before is not None and not why_not:
            follows = _following(before, (first, last), time, speed, is_open, ratio, least_open_pct)
        if not why_not:
            before = (first, last)
        start = int(np.searchsorted(time, time[first] + half_width_s)) if first > 0 else first
        end = last
        if last < time.size - 1:
            end = _end(time, speed, is_open, first, last, half_width_s)
        if end <= start:
            start, end = first, last
            why_not = why_not or f"it lasts no longer than {2 * half_width_s:.2f} s"
        span_rpm, lasts_s = speed[end] - speed[start], time[end] - time[start]
        if not why_not and span_rpm < LEAST_SPAN_RPM:
            why_not = f"it spans {span_rpm:.0f} rpm, {LEAST_SPAN_RPM:.0f} rpm needed"
        elif not why_not and lasts_s < LEAST_S:
            why_not = f"it lasts {lasts_s:.2f} s, {LEAST_S:g} s needed"
        found.append(
            Sweep(
                int(at[start]),
                int(at[end]) + 1,
                float(time[start]),
                float(time[end]),
                float(speed[start]),
                float(speed[end]),
                follows,
                why_not,
            )
        )
    return found


def _ratio(
    roller_speed_m_s: ArrayLike | None, at: np.ndarray, rows: int, speed: np.ndarray
) -> np.ndarray:
    """Return engine over roller speed, NaN where the roller stands or was not seen."""
    if roller_speed_m_s is None:
        return np.full(at.size, np.nan)
    roller = np.asarray(roller_speed_m_s, dtype=float)
    if roller.shape != (rows,):
        raise ValueError(
            f"roller_speed_m_s must have the length of time_s, got {roller.shape} and {(rows,)}"
        )
    roller = roller[at]
    return np.divide(speed, roller, out=np.full(at.size, np.nan), where=roller > 1.0)


def _is_tooth(
    before: tuple[int, int],
    climb: tuple[int, int],
    time: np.ndarray,
    speed: np.ndarray,
) -> bool:
    """Return whether a climb is a tooth of the limiter's saw: short, and back to the same top."""
    first, last = climb
    return (
        time[first] - time[before[1]] <= CHAIN_S
        and time[last] - time[first] < LEAST_S
        and abs(speed[last] / speed[before[1]] - 1.0) < TOOTH_SHARE
    )


def _following(
    before: tuple[int, int],
    climb: tuple[int, int],
    time: np.ndarray,
    speed: np.ndarray,
    is_open: np.ndarray,
    ratio: np.ndarray,
    least_open_pct: float,
) -> str:
    """Return how a climb follows on the one before, one of `FOLLOWS`."""
    last, first = before[1], climb[0]
    fall = 1.0 - speed[first] / speed[last]
    if time[first] - time[last] > CHAIN_S or fall > MOST_FALL:
        return ""
    if fall < -LEAST_FALL:
        return "jump"
    if fall < LEAST_FALL:
        # Held for a while, the engine is at the speed from which a pull begins.
        is_hole = float(np.diff(time[last : first + 1]).max()) > MISFIRE_S / 2.0
        return "break" if is_hole or time[first] - time[last] < MISFIRE_S else ""
    # Half a second on either side, the change itself left out: the clutch slips there.
    earlier = ratio[(time > time[last] - 0.6) & (time < time[last] - 0.1)]
    later = ratio[(time > time[first] + 0.1) & (time < time[first] + 0.6)]
    if np.isfinite(earlier).sum() >= 3 and np.isfinite(later).sum() >= 3:
        change = float(np.nanmedian(later) / np.nanmedian(earlier)) - 1.0
        return "gear change" if abs(change) > LEAST_FALL * 0.7 else "lift"
    stayed_open = math.isfinite(least_open_pct) and is_open[last : first + 1].all()
    return "gear change" if stayed_open else "gear change or lift"


def chosen_sweep(found: Sequence[Sweep], *, has_throttle: bool = True) -> SweepChoice:
    """Choose the sweep that makes a record's curve: the longest that goes to the top.

    Parameters
    ----------
    found : sequence of Sweep. All rises of the record, from `sweeps`.
    has_throttle : bool, default True
        Whether the record has a throttle channel; for the words only.

    Returns
    -------
    SweepChoice. The sweep, with what is to be said of it.

    Raises
    ------
    ValueError. If none makes a curve; the message says why the longest does not.

    Notes
    -----
    Of the sweeps that reach 97 % of the highest engine speed of any, the one that spans most is
    taken: an aborted pull has no peak. One that covers less than half of the widest does not
    count as complete. Trouble is told where the sweep was cut by a gear change or a break and the
    engine went on above it: its highest point need not be the engine's. A choice of ours.

    Examples
    --------
    >>> time_s = np.arange(0.0, 14.0, 0.02)
    >>> speed_rpm = np.interp(time_s, [0, 4, 6, 12, 14], [3000, 6500, 3000, 9000, 4000])
    >>> chosen_sweep(sweeps(time_s, speed_rpm)).notes
    ('2 sweeps in this file: the second, from 3,100 to 8,900 rpm, was used',)
    """
    usable = [one for one in found if not one.why_not]
    if not usable:
        raise ValueError(f"no usable sweep: {_why_none(found, has_throttle)}")
    widest = max(one.span_rpm for one in usable)
    wide = [one for one in usable if one.span_rpm >= widest / 2.0]
    top_rpm = max(one.to_rpm for one in wide)
    complete = [one for one in wide if one.to_rpm >= COMPLETE_SHARE * top_rpm]
    best = max(complete, key=lambda one: one.span_rpm)

    notes = []
    if len(usable) > 1:
        notes.append(
            f"{len(usable)} sweeps in this file: the {ordinal(usable.index(best) + 1)}, from "
            f"{_rounded(best.from_rpm)} to {_rounded(best.to_rpm)} rpm, was used"
        )
    trouble = ""
    rises = [one for one in found if not one.why_not.startswith("the throttle")]
    place = rises.index(best)
    first = place
    while first > 0 and rises[first].follows:
        first -= 1
    last = place
    while last + 1 < len(rises) and rises[last + 1].follows:
        last += 1
    for one, after in zip(rises[first:last], rises[first + 1 : last + 1], strict=True):
        notes.append(f"{_FOLLOWS_WORDS[after.follows]} at {_rounded(one.to_rpm)} rpm")
    beyond = max(one.to_rpm for one in rises[place : last + 1])
    if best.to_rpm < COMPLETE_SHARE * beyond:
        trouble = (
            f"{_FOLLOWS_WORDS[rises[place + 1].follows]} at {_rounded(best.to_rpm)} rpm: the sweep "
            f"ends there, and the engine went on to {_rounded(beyond)} rpm"
        )
    return SweepChoice(best, tuple(notes), trouble)


_FOLLOWS_WORDS = {
    "gear change": "gear change",
    "gear change or lift": "gear change or lifted throttle",
    "lift": "throttle lifted",
    "break": "break",
    "jump": "the engine speed leaps (gear, clutch or tyre)",
}
_ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth")


def ordinal(number: int) -> str:
    """Return the word for a place among sweeps, from 1 on.

    Parameters
    ----------
    number : int. Place.

    Returns
    -------
    str. Word; figures from the tenth on.

    Examples
    --------
    >>> ordinal(2), ordinal(12)
    ('second', '12th')
    """
    return _ORDINALS[number - 1] if number <= len(_ORDINALS) else f"{number}th"


def _rounded(speed_rpm: float) -> str:
    return f"{round(speed_rpm, -2):,.0f}"


def _why_none(found: Sequence[Sweep], has_throttle: bool) -> str:
    where = " with the throttle open" if has_throttle else ""
    rises = [one for one in found if not one.why_not.startswith("the throttle")]
    if not rises:
        return (
            f"the engine speed never rises{where} by {LISTED_SPAN_RPM:.0f} rpm in one climb of "
            f"{LISTED_S:g} s or more"
        )
    longest = max(rises, key=lambda one: one.span_rpm)
    return f"the longest rise{where}: {longest.why_not}"


def sweep_slice(
    time_s: ArrayLike,
    engine_speed_rpm: ArrayLike,
    throttle_pct: ArrayLike | None = None,
) -> slice:
    """Return the samples of the longest complete full-throttle sweep in a pull.

    Parameters
    ----------
    time_s : array_like. Time of each sample, increasing. [s]
    engine_speed_rpm : array_like. Engine speed; NaN where not seen. [rpm]
    throttle_pct : array_like, optional
        Throttle opening; NaN where not seen. Without it only the speed decides. [%]

    Returns
    -------
    slice. Samples of the sweep, from its first to past its last.

    Raises
    ------
    ValueError. If time does not increase, the arrays differ in length, or there is no usable sweep;
        the message says which.

    Examples
    --------
    >>> time_s = np.arange(0.0, 10.0, 0.02)
    >>> speed_rpm = np.clip(3000.0 + 1000.0 * (time_s - 2.0), 3000.0, 9000.0)
    >>> sweep = sweep_slice(time_s, speed_rpm)
    >>> float(speed_rpm[sweep][0] // 100 * 100), float(speed_rpm[sweep][-1] // 100 * 100)
    (3000.0, 8900.0)
    """
    found = sweeps(time_s, engine_speed_rpm, throttle_pct)
    best = chosen_sweep(found, has_throttle=throttle_pct is not None).sweep
    return slice(best.start, best.stop)
