"""Power against torque times engine speed over a whole sweep: where they part, and who is right."""

import math
from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

MOST_BINS, LEAST_BINS, LEAST_IN_BIN = 12, 4, 6
"""A sweep is judged in so many parts of equal samples; fewer tell nothing."""
TOLERANCE = 0.06
"""A tyre's slip, a filter's ripple and losses that grow with speed move the ratio by less over one
sweep (common practice, no source)."""
ROUGH = 0.02
"""Below this root mean square about its level a course is not worth a look for a delay."""
MOST_SCATTER = 0.15
"""1 SD of the ratio about its course; load cells and rollers scatter by a third of it at most
(common practice, no source)."""
MOST_SOUND_DELAY_S = 0.26
"""One of the two may be filtered: common filters lag by a tenth of a second."""
LONGEST_DELAY_S, DELAY_STEP_S = 1.2, 0.05
COPY_SPREAD = 0.002
"""1 SD of the ratio of two columns of which one is the other times a number, rounded."""
LEAST_MOVE = 0.02
"""A column that moves by less over the sweep is like many others."""
PLATEAU_SHARE, LEAST_PLATEAU = 0.04, 6
PLATEAU_STEPS = 8.0
"""A round top falls by two steps of the column where its own width lies beyond its edge; one that
was cut off falls by many."""


class Course(NamedTuple):
    """What power over torque times engine speed does over a sweep.

    Attributes
    ----------
    kind : str. "holds", "delayed" (the same with one of the two later), "leaves" or "scatters".
    from_rpm, to_rpm : float
        Speeds between which it is further off its level than it may be; NaN where it holds. [rpm]
    lowest, highest : float. Least and greatest ratio of any part of the sweep. [1]
    scatter : float. 1 SD of the logarithm of the ratio about its course. [1]
    delay_s : float. How much later the power is than the torque; NaN unless delayed. [s]
    """

    kind: str
    from_rpm: float
    to_rpm: float
    lowest: float
    highest: float
    scatter: float
    delay_s: float


class _Parts(NamedTuple):
    """Parts of a sweep: middle speed [rpm], median and standard error of the ln ratio, scatter."""

    speed_rpm: np.ndarray
    middle: np.ndarray
    error: np.ndarray
    scatter: float


def power_course(
    engine_speed_rpm: ArrayLike,
    power_w: ArrayLike,
    torque_nm: ArrayLike,
    time_s: ArrayLike | None = None,
    *,
    is_level_known: bool = True,
) -> Course | None:
    r"""Return what :math:`P / (T \omega)` does over one sweep; None where too little is known.

    Parameters
    ----------
    engine_speed_rpm : array_like
        Engine speed of one sweep, in the order of time; NaN where not seen. [rpm]
    power_w : array_like. Power. [W]
    torque_nm : array_like. Torque. [N*m]
    time_s : array_like, optional
        Times; without them a delay cannot be told from another course. [s]
    is_level_known : bool, default True
        Whether the ratio should be 1: False for torque at another shaft, where it is any constant.

    Returns
    -------
    Course or None. None with fewer than 24 samples under load.

    Notes
    -----
    The logarithm of the ratio is taken in up to 12 parts of equal samples; each part's median must
    lie within 6 % of the level and three of its standard errors, :math:`1.2533\, s / \sqrt{n}` for
    normal scatter. Where they do not, or the scatter is less by half with the power moved in time,
    the shift of up to 1.2 s that makes the scatter least is tried; up to a quarter of a second is
    the filter of a sound logger. A choice of ours, no source.

    Examples
    --------
    >>> speed_rpm = np.linspace(3000.0, 9000.0, 240)
    >>> torque_nm = np.full(240, 60.0)
    >>> power_w = 60.0 * speed_rpm * np.pi / 30.0
    >>> power_course(speed_rpm, power_w, torque_nm).kind
    'holds'
    >>> cut = power_course(speed_rpm, power_w, np.where(speed_rpm > 6000.0, 40.0, 60.0))
    >>> cut.kind, round(cut.from_rpm, -3), round(cut.highest, 2)
    ('leaves', 6000.0, 1.5)
    """
    speed, power, torque = (
        np.asarray(values, dtype=float) for values in (engine_speed_rpm, power_w, torque_nm)
    )
    loaded = np.isfinite(speed) & (power > 0.0) & (torque > 0.0) & (speed > 0.0)
    if loaded.sum() < LEAST_BINS * LEAST_IN_BIN:
        return None
    speed, power, torque = speed[loaded], power[loaded], torque[loaded]
    log_ratio = np.log(power / (torque * speed * math.pi / 30.0))
    parts = _parts(speed, log_ratio)
    level = _level(parts, is_level_known)
    off = _off(parts, level)
    kind = "leaves" if off.any() else "scatters" if parts.scatter > MOST_SCATTER else "holds"
    delay_s, roughness = math.nan, _roughness(parts, level)
    if time_s is not None and (kind != "holds" or roughness > ROUGH):
        moved_s, moved = _delay(np.asarray(time_s, dtype=float)[loaded], speed, power, torque)
        at = _level(moved, is_level_known)
        if not _off(moved, at).any() and moved.scatter <= MOST_SCATTER:
            by_chance = 2.0 * float(np.mean(parts.error**2)) ** 0.5
            is_late = abs(moved_s) > MOST_SOUND_DELAY_S and roughness > by_chance
            is_late = is_late and _roughness(moved, at) < roughness / 2.0
            kind = "delayed" if is_late else kind if abs(moved_s) > MOST_SOUND_DELAY_S else "holds"
            delay_s = moved_s if is_late else math.nan
    away = parts.speed_rpm[off] if kind in ("leaves", "delayed") and off.any() else np.array([])
    return Course(
        kind,
        float(away.min()) if away.size else math.nan,
        float(away.max()) if away.size else math.nan,
        math.exp(float(parts.middle.min())),
        math.exp(float(parts.middle.max())),
        parts.scatter,
        delay_s,
    )


def _parts(speed: np.ndarray, log_ratio: np.ndarray) -> _Parts:
    """Cut a sweep into parts of equal samples, in the order of speed; what is left over is out."""
    order = np.argsort(speed, kind="stable")
    count = min(MOST_BINS, speed.size // LEAST_IN_BIN)
    size = speed.size // count
    ratio = log_ratio[order[: count * size]].reshape(count, size)
    at = np.median(speed[order[: count * size]].reshape(count, size), axis=1)
    place = np.arange(size) - (size - 1) / 2.0
    lean = ratio @ place / (place @ place)
    # What leans within a part is no scatter.
    own = ratio - ratio.mean(axis=1, keepdims=True) - lean[:, None] * place
    own -= np.median(own, axis=1, keepdims=True)
    sd = 1.4826 * np.median(np.abs(own), axis=1)
    return _Parts(at, np.median(ratio, axis=1), 1.2533 * sd / math.sqrt(size), _robust_sd(own))


def _robust_sd(values: np.ndarray) -> float:
    """Return the standard deviation that the median departure implies."""
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))


def _level(parts: _Parts, is_level_known: bool) -> float:
    """Return the ln ratio that most of the sweep holds: that of a known shaft, or the middle."""
    middle = float(np.median(parts.middle))
    if is_level_known and _off(parts, 0.0).sum() <= _off(parts, middle).sum():
        return 0.0
    return middle


def _off(parts: _Parts, level: float) -> np.ndarray:
    """Return which parts are further off a level than they may be."""
    return np.abs(parts.middle - level) > TOLERANCE + 3.0 * parts.error


def _roughness(parts: _Parts, level: float) -> float:
    """Return the root mean square of the parts about a level."""
    return float(np.mean((parts.middle - level) ** 2)) ** 0.5


def _delay(
    time: np.ndarray, speed: np.ndarray, power: np.ndarray, torque: np.ndarray
) -> tuple[float, _Parts]:
    """Return by how much the power is late where that makes its ratio steadiest, and its parts."""
    log_power = np.log(power)
    log_other = np.log(torque * speed * math.pi / 30.0)
    found: list[tuple[float, float, _Parts]] = []
    if time.size < 2 or np.any(np.diff(time) <= 0.0):
        return 0.0, _parts(speed, log_power - log_other)
    for delay_s in np.arange(-LONGEST_DELAY_S, LONGEST_DELAY_S + 1e-9, DELAY_STEP_S):
        moved = time + delay_s
        inside = (moved >= time[0]) & (moved <= time[-1])
        if inside.sum() < LEAST_BINS * LEAST_IN_BIN or inside.mean() < 0.5:
            continue
        ratio = np.interp(moved[inside], time, log_power) - log_other[inside]
        parts = _parts(speed[inside], ratio)
        spread = float(np.std(parts.middle)) + 0.002 * abs(delay_s)
        found.append((spread, float(delay_s), parts))
    if not found:
        return 0.0, _parts(speed, log_power - log_other)
    _, delay_s, parts = min(found, key=lambda one: one[0])
    return delay_s, parts


def believed(
    engine_speed_rpm: ArrayLike, power_w: ArrayLike, torque_nm: ArrayLike, time_s: ArrayLike
) -> str:
    r"""Return which of power and torque the engine's own acceleration speaks for.

    Parameters
    ----------
    engine_speed_rpm : array_like. Engine speed of one sweep, in the order of time. [rpm]
    power_w : array_like. Power. [W]
    torque_nm : array_like. Torque. [N*m]
    time_s : array_like. Times. [s]

    Returns
    -------
    str. "power", "torque", or empty: a brake holds the pace, or both are as far off.

    Notes
    -----
    On rollers without a brake :math:`P \propto \omega\, \mathrm{d}\omega/\mathrm{d}t` in one gear.
    The one whose ratio to that is steady within 8 % over the parts of the sweep is believed where
    the other's is less steady by twice as much and 5 % more, and where the pace explains at least
    half of how the torque moves: at the even pace of a brake a flat torque would fit by chance.

    Examples
    --------
    >>> time_s = np.linspace(0.0, 6.0, 240)
    >>> speed_rpm = 3000.0 + 1500.0 * time_s - 80.0 * time_s**2
    >>> torque_nm = 1500.0 - 160.0 * time_s
    >>> power_w = torque_nm * speed_rpm * np.pi / 30.0
    >>> believed(speed_rpm, power_w, np.minimum(torque_nm, 900.0), time_s)
    'power'
    """
    speed, power, torque, time = (
        np.asarray(values, dtype=float) for values in (engine_speed_rpm, power_w, torque_nm, time_s)
    )
    seen = np.isfinite(time) & (speed > 0.0) & (power > 0.0) & (torque > 0.0)
    if seen.sum() < LEAST_BINS * LEAST_IN_BIN:
        return ""
    speed, power, torque, time = speed[seen], power[seen], torque[seen], time[seen]
    named = {"power": np.log(power), "torque": np.log(torque) + np.log(speed * math.pi / 30.0)}
    pace, told = [], {name: [] for name in named}
    parts = np.array_split(np.arange(speed.size), min(MOST_BINS, speed.size // LEAST_IN_BIN))
    for part in parts:
        # Least squares by hand: a library's gives up on the numbers that broken files hold.
        since = time[part] - time[part].mean()
        with np.errstate(all="ignore"):
            slope = float(since @ speed[part] / (since @ since))
        if not 0.0 < slope < math.inf:
            return ""
        pace.append(math.log(slope * float(np.median(speed[part]))))
        for name, values in named.items():
            told[name].append(float(np.median(values[part])))
    unsteady = {name: float(np.std(np.array(values) - pace)) for name, values in told.items()}
    best, other = sorted(unsteady, key=lambda name: unsteady[name])
    turning = np.log([float(np.median(speed[part])) for part in parts])
    own_move = float(np.std(np.array(told[best]) - turning))
    sure = unsteady[best] <= 0.08 and unsteady[other] >= 2.0 * unsteady[best] + 0.05
    sure = sure and unsteady[best] <= 0.5 * own_move
    return best if sure else ""


def copied_from(values: ArrayLike, others: Mapping[str, ArrayLike]) -> str:
    """Return the column that another one repeats, times a number; empty if it is none's copy.

    Parameters
    ----------
    values : array_like. The column over a sweep.
    others : mapping of str to array_like. Name → column it may be a copy of, equal lengths.

    Returns
    -------
    str. A key of `others`, or empty.

    Examples
    --------
    >>> speed_rpm = np.linspace(3000.0, 9000.0, 60)
    >>> copied_from(0.01 * speed_rpm, {"engine speed": speed_rpm, "throttle": np.full(60, 98.0)})
    'engine speed'
    """
    own = np.asarray(values, dtype=float)
    for name, column in others.items():
        other = np.asarray(column, dtype=float)
        seen = np.isfinite(own) & np.isfinite(other) & (own > 0.0) & (other > 0.0)
        if seen.sum() < LEAST_BINS * LEAST_IN_BIN:
            continue
        ratio = own[seen] / other[seen]
        moves = float(np.std(other[seen]) / np.mean(other[seen])) > LEAST_MOVE
        if moves and float(np.std(ratio) / np.mean(ratio)) < COPY_SPREAD:
            return name
    return ""


def cut_off_at(values: ArrayLike) -> float:
    """Return the value at which a column was cut off at the top: a sensor or number at its end.

    Parameters
    ----------
    values : array_like. The column over a sweep, in the order of time; NaN where not seen.

    Returns
    -------
    float. The value; NaN where the top is none of a saturated column. That of a column which stands
        still throughout.

    Notes
    -----
    A rounded top stands still too. Beside a plateau of a curve with a round top, at its own half
    width beyond its edge, a parabola has fallen by :math:`(2^2 - 1^2) / 2 = 1.5` rounding steps;
    one that was cut off came up steeply.

    Examples
    --------
    >>> torque_nm = 60.0 * (1.0 - ((np.linspace(3.0, 9.0, 200) - 7.0) / 9.0) ** 2)
    >>> cut_off_at(np.round(torque_nm, 1)), cut_off_at(np.minimum(torque_nm, 55.0))
    (nan, 55.0)
    """
    seen = np.asarray(values, dtype=float)
    seen = seen[np.isfinite(seen)]
    if seen.size < LEAST_BINS * LEAST_IN_BIN:
        return math.nan
    top = float(seen.max())
    at_top = np.flatnonzero(seen >= top)
    if at_top.size >= 0.9 * seen.size:
        return top
    first, last = int(at_top[0]), int(at_top[-1])
    long_enough = at_top.size >= max(LEAST_PLATEAU, PLATEAU_SHARE * seen.size)
    if not long_enough or at_top.size < 0.5 * (last - first + 1):
        return math.nan
    steps = np.diff(np.unique(seen))
    if not steps.size:
        return math.nan
    step, reach = float(steps.min()), max(1, (last - first + 1) // 2)
    beside = [max(first - reach, 0)] if first > 0 else []
    beside += [min(last + reach, seen.size - 1)] if last < seen.size - 1 else []
    falls = [(top - seen[at]) / step for at in beside]
    return top if falls and min(falls) > PLATEAU_STEPS else math.nan
