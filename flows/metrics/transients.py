"""Tip-in and lift-off: how far and how long the mixture strays when the throttle moves.

Not steady evidence, and never mixed with it: these are counted, by severity. Lambda has to be
aligned first (`flows.metrics.cruise.aligned_lambda`).
"""

from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

from flows.metrics.cruise import CUT_LAMBDA, LEAST_LAMBDA, LONGEST_GAP_S

FloatArray = NDArray[np.float64]

KINDS = ("tip-in", "lift-off")

# Thresholds are our judgement.
LEAST_THROTTLE_RATE = 20.0
"""Rate from which an opening or closing is quick: a hand's slow correction is below. [%/s]"""
LEAST_MOVE_PCT = 4.0
"""Least movement in all."""
WATCH_S = 1.0
"""Time after a movement in which its excursion is looked for."""
SETTLED_S = 0.5
"""Time before a movement, and after `WATCH_S`, whose medians are the mixtures before and after."""
LEVELS_PCT = {"notice": 5.0, "warn": 10.0, "stop": 20.0}
"""Depth from which each level is reached."""
LEAST_HOLD_S = 0.1
"""Time for which a depth must hold to set the level: shorter is noise to a gauge that lags 50 ms to
100 ms."""

OUTCOMES = ("", "no lambda", "cold engine", "fuel cut", "gear change or clutch", "too short")
"""Why a movement was not judged, in order of precedence; "" was judged."""


class Transient(NamedTuple):
    """One quick movement of the throttle and what the mixture did.

    Attributes
    ----------
    kind : str. "tip-in" or "lift-off".
    outcome : str. "" if judged, else why not: one of `OUTCOMES`.
    level : str. "none", "notice", "warn" or "stop"; "none" if not judged.
    start_s, end_s : float. Where the throttle began and ended to move, on the log's clock. [s]
    throttle_from_pct, throttle_to_pct : float. Opening before and after. [%]
    engine_speed_rpm : float. Engine speed at the start. [rpm]
    depth_pct : float. Greatest excursion beyond both the mixture before and that after: positive
        lean for a tip-in, negative rich for a lift-off; 0 if there was none, NaN if not judged. [%]
    duration_s : float. Time beyond the notice threshold. [s]
    """

    kind: str
    outcome: str
    level: str
    start_s: float
    end_s: float
    throttle_from_pct: float
    throttle_to_pct: float
    engine_speed_rpm: float
    depth_pct: float
    duration_s: float


def transients(
    time_s: ArrayLike,
    throttle_pct: ArrayLike,
    engine_speed_rpm: ArrayLike,
    lambda_aligned: ArrayLike,
    reasons: ArrayLike,
) -> list[Transient]:
    r"""Return the quick movements of the throttle with the excursion each made.

    Parameters
    ----------
    time_s : array_like. Clock of the log, ascending. [s]
    throttle_pct : array_like. Throttle opening. [%]
    engine_speed_rpm : array_like. Engine speed. [rpm]
    lambda_aligned : array_like. Lambda with the probe's delay taken out. [1]
    reasons : array_like of str. From `exclusion_reasons`: cold engine, fuel cut, gear change and
        doubtful lambda are not judged here either.

    Returns
    -------
    list of Transient. By ascending time. A movement that is followed by another within `WATCH_S` is
        "too short": what belongs to which cannot be told.

    Raises
    ------
    ValueError. If the clock does not ascend or the lengths differ.

    Notes
    -----
    The depth of a tip-in is

    .. math::
        100 \left( \frac{\lambda(t)}{\max(\lambda_b, \lambda_a)} - 1 \right)

    with the mixtures before and after, so that going from a rich to a lean place of the map is
    no excursion; of a lift-off likewise against the lesser.

    The probe's lag hides part of a short excursion: of one that lasts :math:`w` it shows
    :math:`1 - e^{-w/\tau}`, 63 % at 0.1 s and a lag of 0.1 s. Depths are at least what is said.

    Examples
    --------
    >>> time = np.arange(0.0, 10.0, 0.05)
    >>> throttle = np.interp(time, [5.0, 5.2], [10.0, 30.0])
    >>> lean = 0.95 + 0.12 * np.exp(-0.5 * ((time - 5.3) / 0.15) ** 2)
    >>> found = transients(time, throttle, 4000.0 + 0.0 * time, lean, [""] * 200)[0]
    >>> found.kind, found.level, found.depth_pct
    ('tip-in', 'warn', 12.6)
    """
    time = np.asarray(time_s, dtype=float)
    if time.ndim != 1 or not np.all(np.diff(time) > 0.0):
        raise ValueError("time_s must ascend, got a clock that stands still or runs back")
    channels = []
    for name, given in (
        ("throttle_pct", throttle_pct),
        ("engine_speed_rpm", engine_speed_rpm),
        ("lambda_aligned", lambda_aligned),
        ("reasons", reasons),
    ):
        values = np.asarray(given) if name == "reasons" else np.asarray(given, dtype=float)
        if values.shape != time.shape:
            raise ValueError(
                f"{name} must match time_s in length, got {values.shape} for {time.shape}"
            )
        channels.append(values)
    throttle, speed, mixture, why = channels
    if time.size < 3:
        return []
    mixture = np.where(mixture >= LEAST_LAMBDA, mixture, np.nan)

    moves = _moves(time, throttle)
    found = []
    for number, (first, last, rate) in enumerate(moves):
        following = time[moves[number + 1][0]] if number + 1 < len(moves) else np.inf
        lean = rate > 0.0
        start, end = float(time[first]), float(time[last])
        rows = np.arange(first, np.searchsorted(time, end + WATCH_S, side="right"))
        before = np.arange(np.searchsorted(time, start - SETTLED_S), first)
        until = np.searchsorted(time, min(end + WATCH_S + SETTLED_S, following))
        after = np.arange(rows[-1] + 1, max(until, rows[-1] + 1))
        kind = KINDS[0] if lean else KINDS[1]
        outcome = _outcome(time, mixture, why, rows, before, following < end + WATCH_S)
        if not outcome and not lean and np.nanmax(mixture[rows]) > CUT_LAMBDA:
            outcome = "fuel cut"
        depth, duration, level = float("nan"), 0.0, "none"
        if not outcome:
            levels = [np.nanmedian(mixture[before])]
            if np.isfinite(mixture[after]).sum() >= 2:
                levels.append(np.nanmedian(mixture[after]))
            level_of = max(levels) if lean else min(levels)
            off = 100.0 * (mixture[rows] / level_of - 1.0) * (1.0 if lean else -1.0)
            most = max(0.0, float(np.nanmax(off)))
            depth = most if lean else -most
            duration = _longest_s(time[rows], off, LEVELS_PCT["notice"])
            for name, threshold in LEVELS_PCT.items():
                held = _longest_s(time[rows], off, threshold)
                if held > 0.0 and held >= LEAST_HOLD_S:
                    level = name
        found.append(
            Transient(
                kind,
                outcome,
                level,
                start,
                end,
                float(throttle[first]),
                float(throttle[last]),
                float(speed[first]),
                depth,
                duration,
            )
        )
    return found


def _moves(time: FloatArray, throttle: FloatArray) -> list[tuple[int, int, float]]:
    """Return first and last row and greatest rate of every unbroken quick movement."""
    rate = np.diff(throttle) / np.diff(time)
    count = max(1, round(0.1 / float(np.median(np.diff(time)))))
    if count > 1:
        rate = ndimage.uniform_filter1d(np.nan_to_num(rate), count, mode="nearest")
    rate = np.where(np.diff(time) > LONGEST_GAP_S, 0.0, np.nan_to_num(rate))
    going = np.where(rate >= LEAST_THROTTLE_RATE, 1, np.where(rate <= -LEAST_THROTTLE_RATE, -1, 0))
    cut = np.concatenate([[0], np.flatnonzero(np.diff(going)) + 1, [going.size]])
    moves = []
    for first, last in pairwise(cut.tolist()):
        moved = abs(throttle[last] - throttle[first]) if going[first] else 0.0
        if moved >= LEAST_MOVE_PCT:
            steepest = first + int(np.argmax(np.abs(rate[first:last])))
            moves.append((int(first), int(last), float(rate[steepest])))
    return moves


def _outcome(
    time: FloatArray,
    mixture: FloatArray,
    why: NDArray[np.str_],
    rows: NDArray[np.intp],
    before: NDArray[np.intp],
    disturbed: bool,
) -> str:
    around = set(why[rows].tolist()) | set(why[before].tolist())
    clear = np.isfinite(mixture[rows])
    if "lambda in doubt" in around or clear.mean() < 0.8 or np.isfinite(mixture[before]).sum() < 2:
        return "no lambda"
    for reason in ("cold engine", "fuel cut", "gear change or clutch"):
        if reason in around:
            return reason
    broken = rows.size > 1 and float(np.diff(time[rows]).max()) > LONGEST_GAP_S
    return "too short" if disturbed or broken or time[-1] < time[rows[-1]] + 0.2 else ""


def _longest_s(time: FloatArray, off: FloatArray, threshold: float) -> float:
    """Return the longest unbroken time at or above a threshold, straight lines between samples."""
    longest = start = 0.0
    is_above = False
    for i in range(time.size):
        above = bool(off[i] >= threshold)
        if above and not is_above:
            start = time[i]
            if i and off[i - 1] < threshold:
                start -= (off[i] - threshold) / (off[i] - off[i - 1]) * (time[i] - time[i - 1])
        if is_above and not above:
            end = time[i - 1]
            if off[i] < threshold:
                end += (off[i - 1] - threshold) / (off[i - 1] - off[i]) * (time[i] - time[i - 1])
            longest = max(longest, end - start)
        is_above = above
    return max(longest, time[-1] - start) if is_above else longest
