"""Channels that cannot be as labelled, are dead, or say something other than they should."""

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

METRIC_HORSEPOWER_W = 735.49875
"""NIST SP 811, appendix B: exact."""
HORSEPOWER_W = 745.6998715822702
"""NIST SP 811, appendix B: 550 ft·lbf/s."""
FOOT_POUND_NM = 1.3558179483314004
"""NIST SP 811, appendix B: exact pound-force and foot."""

POWER_UNITS_W = {"kW": 1000.0, "PS": METRIC_HORSEPOWER_W, "hp": HORSEPOWER_W, "W": 1.0}
TORQUE_UNITS_NM = {"Nm": 1.0, "lbf*ft": FOOT_POUND_NM, "kgf*m": 9.80665}

LOADED_NM, LOADED_RPM = 5.0, 1500.0
"""Power and torque are held against each other above: below, offsets of the sensors rule."""
LEAST_SAMPLES = 20
"""Fewer tell nothing."""
TOLERANCE = 0.01
"""Power and torque further apart than this must be told: PS and hp differ by 1.39 %. [1]"""
STANDARDISED_WITHIN = 0.05
"""How near 0 and 1 mean and deviation lie; a stretch cut from standardised data keeps them
roughly."""
LEAN_BELOW_V, RICH_ABOVE_V, MOST_V = 0.35, 0.55, 1.2
"""A zirconia cell sits below the first when lean and above the second when rich, hurries between
and never gives more than the third (common practice, no source)."""
LEAST_ROAD_SPEED_M_S = 3.0
"""Below, the clutch slips. [m/s]"""
LEAST_GEAR_SHARE = 0.02
"""A gear held for less of the log is left out. [0..1]"""
GEAR_WIDTH = 0.03
"""Ratios within this share of each other are one gear; the closest steps of gearboxes are wider
than 8 % (common practice, no source)."""
FILLED_SHARE = 0.95
"""Only a hole in a column that else is filled points at a shift. [0..1]"""
JUMP = 25.0
"""A value this many of its column's usual steps off its neighbours jumps. [1]"""
LEAST_JUMPS = 2
"""So many other columns must jump: one may be a disturbance."""
LEAST_GEARS = 3
"""A log that dwells on fewer is not told to be in another unit."""
AGREEING_SHARE = 0.6
"""A log agrees with another that shows so many of its gears. [0..1]"""
FULLEST = 16
"""So many logs of a model are asked first."""
LEAST_OTHERS = 2
"""So many other logs must agree with a log once it is put right: one alone may be the wrong one,
or have other sprockets."""


class Disagreement(NamedTuple):
    """Power over torque times speed, and the mix-up of units that explains it best.

    Attributes
    ----------
    ratio : float. Median of P / (T ω); 1 where they agree. [1]
    power_unit, torque_unit : str. Units that they are likely in.
    """

    ratio: float
    power_unit: str
    torque_unit: str


def power_over_torque(
    engine_speed_rpm: ArrayLike,
    power_w: ArrayLike,
    torque_nm: ArrayLike,
    *,
    power_unit: str,
    torque_unit: str,
) -> Disagreement | None:
    r"""Return how far power is from torque times angular speed at one shaft, if it is.

    Parameters
    ----------
    engine_speed_rpm : array_like. Channel as labelled; NaN where not seen. [rpm]
    power_w : array_like. The same. [W]
    torque_nm : array_like. The same. [N*m]
    power_unit, torque_unit : str. Units that they were read in.

    Returns
    -------
    Disagreement or None. None where :math:`P = T \omega` holds, or too little is known. A ratio
        that no mix-up of units explains comes with the labelled units.

    Notes
    -----
    The median of the ratio stands firm against a few samples that lag; its standard error is
    :math:`1.2533\, s / \sqrt{n}` for normal scatter.

    Examples
    --------
    >>> speed_rpm = np.linspace(3000.0, 9000.0, 50)
    >>> power_w = 60.0 * speed_rpm * np.pi / 30.0 * 1000.0 / 735.49875
    >>> units = {"power_unit": "kW", "torque_unit": "Nm"}
    >>> power_over_torque(speed_rpm, power_w, np.full(50, 60.0), **units).power_unit
    'PS'
    """
    speed = np.asarray(engine_speed_rpm, dtype=float)
    power, torque = np.asarray(power_w, dtype=float), np.asarray(torque_nm, dtype=float)
    loaded = (torque > LOADED_NM) & (speed > LOADED_RPM) & (power > 0)
    if loaded.sum() < LEAST_SAMPLES:
        return None
    log_ratio = np.log(power[loaded] / (torque[loaded] * speed[loaded] * math.pi / 30.0))
    ratio = float(np.exp(np.median(log_ratio)))
    scatter = 1.4826 * float(np.median(np.abs(log_ratio - np.median(log_ratio))))
    sure = 2.0 * 1.2533 * scatter / math.sqrt(loaded.sum())
    if abs(math.log(ratio)) <= TOLERANCE + sure:
        return None
    # A number in PS read as kW comes out 1000 / 735.5 times too large, and so on.
    read_power, read_torque = POWER_UNITS_W[power_unit], TORQUE_UNITS_NM[torque_unit]
    mixes = {
        (true_power, true_torque): (read_power / watts) / (read_torque / newtons)
        for true_power, watts in POWER_UNITS_W.items()
        for true_torque, newtons in TORQUE_UNITS_NM.items()
        # One slip at a time: with two any ratio could be explained.
        if true_power == power_unit or true_torque == torque_unit
    }
    best = min(mixes, key=lambda pair: abs(math.log(ratio / mixes[pair])))
    if abs(math.log(ratio / mixes[best])) > 0.05 + sure:
        best = (power_unit, torque_unit)
    return Disagreement(ratio, *best)


def rail_share(values: ArrayLike) -> tuple[float, float]:
    """Return the value at the channel's ends that most samples sit on, and their share.

    Parameters
    ----------
    values : array_like. Samples; NaN where not seen.

    Returns
    -------
    value, share : float
        The greatest or smallest value, whichever more samples hold; NaN and 0 without samples.

    Examples
    --------
    >>> rail_share([1.0, 1.2, 1.5, 1.5, 1.5])
    (1.5, 0.6)
    """
    seen = np.asarray(values, dtype=float)
    seen = seen[np.isfinite(seen)]
    if not seen.size:
        return math.nan, 0.0
    ends = [
        (float(end), float((np.abs(seen - end) <= 1e-9).mean())) for end in (seen.min(), seen.max())
    ]
    return max(ends, key=lambda pair: pair[1])


def is_standardised(channels: Sequence[ArrayLike]) -> bool:
    """Whether channels were brought to mean 0 and standard deviation 1.

    Parameters
    ----------
    channels : sequence of array_like. Samples, NaN where not seen; two channels at least can tell.

    Returns
    -------
    bool. True if every channel with samples is so: no set of real channels in SI is.

    Examples
    --------
    >>> wave = np.sqrt(2.0) * np.sin(np.linspace(0.0, 20.0 * np.pi, 2000))
    >>> is_standardised([wave, -wave]), is_standardised([wave, 5000.0 + wave])
    (True, False)
    """
    told = 0
    for channel in channels:
        seen = np.asarray(channel, dtype=float)
        seen = seen[np.isfinite(seen)]
        if seen.size < 20:
            continue
        if abs(seen.mean()) > STANDARDISED_WITHIN or abs(seen.std() - 1.0) > STANDARDISED_WITHIN:
            return False
        told += 1
    return told >= 2


def switches_between_two_levels(values: ArrayLike) -> bool:
    """Whether a channel is a narrowband sensor's voltage rather than a lambda.

    Parameters
    ----------
    values : array_like. Samples; NaN where not seen. [V] if it is one.

    Returns
    -------
    bool. True if nearly all samples sit at the two levels and both are visited: no engine burns at
        lambda below 0.35.

    Examples
    --------
    >>> switches_between_two_levels([0.1, 0.8] * 20), switches_between_two_levels([0.9, 1.1] * 20)
    (True, False)
    """
    seen = np.asarray(values, dtype=float)
    seen = seen[np.isfinite(seen)]
    if seen.size < 20:
        return False
    below, above = (seen < LEAN_BELOW_V).mean(), (seen > RICH_ABOVE_V).mean()
    return bool(
        below > 0.1 and above > 0.1 and below + above > 0.85 and np.quantile(seen, 0.99) < MOST_V
    )


def fastest_rise(time_s: ArrayLike, engine_speed_rpm: ArrayLike) -> float:
    """Return how fast the engine speed moves at most, sustained over a fifth of its range.

    Parameters
    ----------
    time_s : array_like. Channel as labelled. [s]
    engine_speed_rpm : array_like. Channel as labelled. [rpm]

    Returns
    -------
    float. Greatest mean rate over stretches that rise by a fifth of the speed's range; NaN if there
        is none. [rpm/s]

    Examples
    --------
    >>> time_s = np.arange(0.0, 6.0, 0.125)
    >>> fastest_rise(time_s, 3000.0 + 1000.0 * time_s)
    1000.0
    """
    time, speed = np.asarray(time_s, dtype=float), np.asarray(engine_speed_rpm, dtype=float)
    seen = np.isfinite(time) & np.isfinite(speed)
    time, speed = time[seen], speed[seen]
    if time.size < 10 or np.ptp(speed) < 1000.0:
        return math.nan
    wanted = np.ptp(speed) / 5.0
    best = math.nan
    start = 0
    for stop in range(1, time.size):
        if speed[stop] < speed[start]:
            start = stop
        elif speed[stop] - speed[start] >= wanted and time[stop] > time[start]:
            rate = (speed[stop] - speed[start]) / (time[stop] - time[start])
            best = rate if math.isnan(best) else max(best, rate)
            start = stop
    return float(best)


def speed_ratios(
    engine_speed_rpm: ArrayLike, road_speed_m_s: ArrayLike
) -> list[tuple[float, float]]:
    """Return the ratios of engine to road speed that a log dwells on, one a gear.

    Parameters
    ----------
    engine_speed_rpm : array_like. Channel. [rpm]
    road_speed_m_s : array_like. Channel. [m/s]

    Returns
    -------
    list of (float, float). Ratio [rpm per m/s] and share of the samples, from the longest gear on.

    Examples
    --------
    >>> road_m_s = np.linspace(10.0, 20.0, 100)
    >>> speed_rpm = np.concatenate((150.0 * road_m_s, 200.0 * road_m_s))
    >>> gears = speed_ratios(speed_rpm, np.tile(road_m_s, 2))
    >>> [(round(ratio), share) for ratio, share in gears]
    [(150, 0.5), (200, 0.5)]
    """
    speed = np.asarray(engine_speed_rpm, dtype=float)
    road = np.asarray(road_speed_m_s, dtype=float)
    rolling = np.isfinite(speed) & np.isfinite(road) & (road > LEAST_ROAD_SPEED_M_S) & (speed > 500)
    if rolling.sum() < 50:
        return []
    logs = np.sort(np.log(speed[rolling] / road[rolling]))
    edges = np.arange(logs[0], logs[-1] + 2 * GEAR_WIDTH, GEAR_WIDTH)
    counts, edges = np.histogram(logs, edges)
    gears: list[tuple[float, float]] = []
    for place in range(counts.size):
        around = counts[max(0, place - 1) : place + 2]
        if (
            counts[place]
            and counts[place] == around.max()
            and around.sum() >= (LEAST_GEAR_SHARE * logs.size)
        ):
            low, high = edges[max(0, place - 1)], edges[min(counts.size, place + 2)]
            inside = logs[(logs >= low) & (logs <= high)]
            ratio = float(np.exp(np.median(inside)))
            if not gears or abs(math.log(ratio / gears[-1][0])) > 2 * GEAR_WIDTH:
                gears.append((ratio, inside.size / logs.size))
    return gears


def shifted_rows(rows: ArrayLike) -> np.ndarray:
    """Return which rows have their values in the wrong columns, one cell too many or too few.

    Parameters
    ----------
    rows : array_like, shape (rows, channels). Channels; NaN where not seen.

    Returns
    -------
    ndarray of bool. True where a row has a hole and jumps.

    Examples
    --------
    >>> table = np.column_stack([np.arange(50.0), 3000 + np.arange(50.0), 80 + 0.1 * np.arange(50)])
    >>> table[20] = [np.nan, 20.0, 3020.0]
    >>> np.flatnonzero(shifted_rows(table)).tolist()
    [20]
    """
    values = np.asarray(rows, dtype=float)
    shifted = np.zeros(values.shape[0], dtype=bool)
    if values.shape[0] < 20:
        return shifted
    missing = np.isnan(values)
    filled = (~missing).mean(axis=0)
    suspects = np.flatnonzero(missing[:, filled >= FILLED_SHARE].any(axis=1))
    if not suspects.size:
        return shifted
    used = np.flatnonzero(filled >= FILLED_SHARE)
    with np.errstate(invalid="ignore"):
        usual = np.array(
            [
                max(
                    float(np.nanmedian(np.abs(np.diff(values[:, column])))),
                    1e-3
                    * float(np.nanmax(values[:, column]) - np.nanmin(values[:, column]))
                    / JUMP,
                    1e-9,
                )
                for column in used
            ]
        )
    for row in suspects:
        near = [
            at for at in range(row - 3, row + 4) if 0 <= at < len(values) and at not in suspects
        ]
        if not near:
            continue
        off = np.abs(values[row, used] - np.median(values[near][:, used], axis=0))
        shifted[row] = np.sum(off > JUMP * usual) >= LEAST_JUMPS
    return shifted


SPEED_MIX_UPS = {
    "miles read as kilometres": 1.0 / 1.609344,
    "kilometres read as miles": 1.609344,
    "m/s read as km/h": 1.0 / 3.6,
    "km/h read as m/s": 3.6,
}
"""Mix-up → factor that makes the ratios of engine to road speed right; NIST SP 811, appendix B."""


def speed_mix_ups(logs: Sequence[Sequence[float]]) -> list[str | None]:
    """Return which mix-up of speed units makes each log agree with the others of its model.

    Parameters
    ----------
    logs : sequence of sequence of float. Of each log of bikes of one model, the ratios of engine to
        road speed that it dwells on. [rpm per m/s]

    Returns
    -------
    list of (str or None). Keys of `SPEED_MIX_UPS`; None of a log that agrees as it is, or with
        nothing.

    Notes
    -----
    Gearboxes step by 8 to 30 % (common practice, no source): of three gears or more that all fit
    after one factor and did not before, chance is no explanation; of one or two it may be.

    Most logs agree with one of the few that show the most gears. Only those that do not are held
    against every other.

    Examples
    --------
    >>> gears = [260.0, 300.0, 350.0, 430.0]
    >>> speed_mix_ups([[1.609344 * ratio for ratio in gears[:3]], gears, gears[1:]])
    ['miles read as kilometres', None, None]
    """
    found: list[str | None] = [None] * len(logs)
    sizes = np.array([len(log) for log in logs])
    if not sizes.size:
        return found
    levels = np.full((sizes.size, max(sizes.max(), 1)), np.nan)
    levels[np.arange(levels.shape[1]) < sizes[:, None]] = np.log([r for log in logs for r in log])
    left = np.flatnonzero(sizes >= LEAST_GEARS)
    fullest = np.argsort(-sizes, kind="stable")[:FULLEST]
    left = left[_agreeing(levels, left, fullest) == 0]
    everyone = np.arange(sizes.size)
    for place in left:
        own = np.array([place])
        if _agreeing(levels, own, everyone)[0]:
            continue
        agreeing = {
            name: int(_agreeing(levels, own, everyone, math.log(factor))[0])
            for name, factor in SPEED_MIX_UPS.items()
        }
        best = max(agreeing, key=lambda name: agreeing[name])
        found[place] = best if agreeing[best] >= LEAST_OTHERS else None
    return found


def _agreeing(
    levels: np.ndarray, asked: np.ndarray, others: np.ndarray, shift: float = 0.0
) -> np.ndarray:
    """Return how many of some other logs each log agrees with, once its levels are shifted."""
    own = levels[asked] + shift
    # A log without a gear has nothing that is near.
    held = np.where(np.isnan(levels[others]), np.inf, levels[others])
    is_near = np.zeros((asked.size, others.size, own.shape[1]), dtype=bool)
    for column in range(held.shape[1]):
        is_near |= np.abs(own[:, None, :] - held[None, :, column, None]) < GEAR_WIDTH
    share = is_near.sum(axis=2) / np.isfinite(own).sum(axis=1)[:, None]
    return ((share >= AGREEING_SHARE) & (asked[:, None] != others)).sum(axis=1)
