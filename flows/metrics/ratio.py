"""The ratio check: engine speed over roller speed, which nothing but slip or a gear can change."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.ndimage import median_filter

from flows.metrics.domain_checks import require
from flows.metrics.notes import Note, NotToldError, note
from flows.metrics.short_rows import median, quantile

LEAST_ROLLER_M_S = 3.0
"""Below, a roller's pulses are too far apart for a ratio (common practice, no source)."""
LEAST_SAMPLES = 30
LEAST_OTHERS = 3
"""Fewer other pulls do not tell which of them is the odd one."""
SLIP_PCT = 2.0
"""A lesser change is the creep of a tyre under load (common practice, no source)."""
GEAR_PCT = 6.0
"""A lesser jump is no other gear: the closest two of a motorcycle lie some 8 % apart (common
practice, no source)."""
LEAST_SD_PCT = 0.3
"""Least scatter of the ratio from pull to pull."""
LEAST_SPLIT_SHARE = 1.0 / 3.0
"""With this share of the pulls or more outside the largest group, none is certain."""
LEAST_RISE = 1.1
"""A roller that gains less over the pull stands still, or its signal does."""
GROWTH_PCT = 1.5
"""A tyre grows by up to this at the pull's top speed, with the square of the speed, and lowers
the ratio (common practice, no source)."""
LEVEL_SHARE, END_SHARE = 20, 50
"""A level is a median over a twentieth of the samples; near a pull's ends over a fiftieth."""
LEAST_KEPT = 0.95
"""Where engine and roller both fall below this share of their best so far, the sweep is over."""
MATCH = math.log(1.03)
"""Ratios within 3 % are one gear: tyres of one size differ by a percent or two, and the closest
gears by some 8 % (common practice, no source)."""
FAILING_PCT = 40.0
"""A greater change is more than any two neighbouring gears differ by (common practice, no
source)."""
SLOW_RATIO = 2.0
"""Levels of scatter that does not last seem to wander by less than this times their error."""
LEAST_LEVELS = 12
"""Fewer do not tell wandering from a fault."""
GRIPPED_SHARE = 0.6
"""A ratio that falls and is low for more of the pull than this was high from slip."""
LEFT_SHARE = 0.2
"""Where a rise starts is judged without its last part: the highest level is high by noise too,
and a rise that is over would bend the line again."""
QUICK_SHARE = 0.7
"""Of a jump this share is done within a twentieth of the samples, else it is a slope."""
CERTAIN_SD = 7.0
"""A change counts from this many standard errors of a level: of pure noise, the farthest two
levels of a pull lie further apart than six in one pull of some thirty."""

KINDS = (
    "constant",
    "slip",
    "gear change",
    "slip or gear change",
    "ratio falls",
    "wrong gear",
    "wrong ratio",
)
"""What a ratio can be called.

- constant: nothing seen, and a small change would not have shown.
- slip: the engine runs ahead of the roller for a while (tyre or clutch).
- gear change: the ratio falls at once to a level that it keeps.
- slip or gear change: the ratio rises at once to a level that it keeps: a lower gear, or a clutch
  that lets go by as much. The two speeds alone cannot tell them apart.
- ratio falls: the roller outruns the engine: over-run, a tyre that grows, a failing speed signal.
- wrong gear: even, and that of another known gear.
- wrong ratio: even, and not the expected one.
"""


@dataclass(frozen=True, slots=True)
class RatioCheck:
    """What engine speed over roller speed says about one pull.

    Attributes
    ----------
    kind : str. One of `KINDS`.
    from_rpm : float or None
        Engine speed at which it starts; None when the ratio is constant. [rpm]
    change_pct : float. Farthest that the ratio gets from `rpm_per_m_s`; of a wrong gear or ratio,
        how far it stands from the expected one. Positive when the engine runs ahead. [%]
    rpm_per_m_s : float. The ratio while the two are geared to each other, before a change if there
        is one: engine speed [rpm] over roller speed [m/s].
    sd_pct : float. Robust scatter of one sample's ratio about its neighbours. [%]
    reason : dict. The verdict with its figures, as a note.
    """

    kind: str
    from_rpm: float | None
    change_pct: float
    rpm_per_m_s: float
    sd_pct: float
    reason: Note


def ratio_check(
    engine_speed_rpm: ArrayLike,
    roller_speed_m_s: ArrayLike,
) -> RatioCheck:
    r"""Return whether engine and roller stay geared to each other over a pull.

    Parameters
    ----------
    engine_speed_rpm : array_like
        Engine speed over the sweep, in the order of time; NaN where not seen. [rpm]
    roller_speed_m_s : array_like
        Speed of the roller's surface at the same samples. [m/s]

    Returns
    -------
    RatioCheck
        The verdict, with the engine speed where the trouble starts.

    Raises
    ------
    ValueError
        If the rows differ in length, a speed is negative, fewer than 30 samples hold both, or the
        roller slows or stands still.

    Notes
    -----
    Without slip

    .. math:: k = n / v = \frac{i}{2 \pi r}

    is constant, *i* the overall ratio and *r* the driven wheel's radius. Levels are medians over a
    twentieth of the samples, so single wrong pulses do not count. Jumps are looked for first:
    between the levels on both sides of a gap, over a fiftieth of the samples where a pull's end
    leaves no more. A jump is another gear only if the ratio was even before and stays even at the
    new level. What is left is judged by its greatest rise, and its greatest fall beyond what a
    growing tyre explains. A fall is slip that grips if most of the pull lies near the low level.
    All limits widen with the scatter of the samples. Where a slow change starts comes from the
    straight line with one bend that fits best.

    Change at the very ends stays unseen: within a fiftieth of the samples a gear, within a
    fortieth slip. So does slip that is even over the whole pull: see `against_others`.

    Examples
    --------
    >>> speed_rpm = np.linspace(3000.0, 9000.0, 400)
    >>> found = ratio_check(speed_rpm, speed_rpm / 180.0)
    >>> round(found.rpm_per_m_s, 1), found.kind
    (180.0, 'constant')
    """
    speed, roller = _rows_seen(engine_speed_rpm, roller_speed_m_s)
    log_ratio = np.log(speed / roller)
    level = _median(log_ratio, LEVEL_SHARE)
    sd = _robust_sd(log_ratio - level)
    slow_sd = _slow_sd(level)
    trace = _Trace(
        log_ratio,
        math.log1p(GROWTH_PCT / 100.0) * (roller / quantile(roller, 0.99)) ** 2,
        slow_sd if slow_sd > SLOW_RATIO * sd else sd,
    )
    change = _jump(trace, level) or _drift(trace, level)
    from_rpm = None
    if change.at is not None:
        from_rpm = median(speed[max(change.at - 2, 0) : max(change.at, 2) + 1])
    change_pct = 100.0 * math.expm1(change.top - change.base)
    least_pct = 100.0 * math.expm1(trace.limit(_width(speed.size, LEVEL_SHARE)))
    return RatioCheck(
        change.kind,
        from_rpm,
        change_pct,
        math.exp(change.level),
        100.0 * sd,
        _reason(change, from_rpm, change_pct, least_pct),
    )


def against_others(
    ratio: float,
    other_ratios: ArrayLike,
    *,
    gears_rpm_per_m_s: Sequence[float] = (),
) -> RatioCheck | None:
    """Hold the one ratio of a pull against those of the same bike's other pulls in its gear.

    Parameters
    ----------
    ratio : float. Engine speed over roller speed, one over the whole pull. [rpm/(m/s)]
    other_ratios : array_like
        The same of the bike's other pulls in the gear that the card names. [rpm/(m/s)]
    gears_rpm_per_m_s : sequence of float, optional
        The bike's other gears: engine speed [rpm] over roller speed [m/s].

    Returns
    -------
    RatioCheck or None. "wrong gear" or "wrong ratio", with no speed at which it starts; None where
        the ratio is that of the others, the others are fewer than three, or the pulls as a whole
        are split, so that nobody knows which of them are right: see `split_ratios`.

    Raises
    ------
    ValueError. If a ratio is not above 0.

    Notes
    -----
    Expected is the median of the others, the scatter 1.4826 times their median absolute
    deviation, 0.3 % at least; three of it are allowed, and 2 % in any case. Common practice, no
    source.

    Examples
    --------
    >>> against_others(210.0, [200.1, 199.8, 200.0]).kind
    'wrong ratio'
    >>> against_others(160.4, [200.1, 199.8, 200.0], gears_rpm_per_m_s=[160.0]).kind
    'wrong gear'
    """
    others = np.asarray(other_ratios, dtype=float)
    for name, values in (
        ("ratio", ratio),
        ("other_ratios", others),
        ("gears_rpm_per_m_s", np.asarray(gears_rpm_per_m_s, dtype=float)),
    ):
        require(name, values, above=0.0)
    if others.size < LEAST_OTHERS or split_ratios([ratio, *others]):
        return None
    usual = median(np.log(others))
    sd_pct = max(100.0 * _robust_sd(np.log(others) - usual), LEAST_SD_PCT)
    least_pct = max(SLIP_PCT, 3.0 * sd_pct)
    level = math.log(ratio)
    found = _against_expected(
        _Change("constant", 0, level, level, level), usual, least_pct, np.log(gears_rpm_per_m_s)
    )
    if found.kind == "constant":
        return None
    change_pct = 100.0 * math.expm1(level - usual)
    reason = _reason(found, None, change_pct, least_pct)
    return RatioCheck(found.kind, None, change_pct, ratio, sd_pct, reason)


def split_ratios(ratios: ArrayLike) -> list[tuple[float, int]]:
    """Return the ratios that a bike's pulls in one gear fall apart into, if none is the usual one.

    Parameters
    ----------
    ratios : array_like. Engine speed over roller speed of each pull. [rpm/(m/s)]

    Returns
    -------
    list of (float, int). Median ratio of each group and its number of pulls, from the highest ratio
        on; empty where more than two thirds of the pulls have one ratio.

    Raises
    ------
    ValueError. If a ratio is not above 0.

    Notes
    -----
    A step of 2 % parts two groups. With a third of the pulls or more elsewhere, which of them are
    wrong is not in the numbers: a majority is no proof, as a whole session may have been run in the
    gear that the card does not name. Common practice, no source.

    Examples
    --------
    >>> split_ratios([318.0, 290.2, 318.2, 289.8])
    [(318.1, 2), (290.0, 2)]
    >>> split_ratios([318.0, 318.1, 317.9, 290.0])
    []
    """
    levels = np.asarray(ratios, dtype=float)
    require("ratios", levels, above=0.0)
    levels = np.sort(levels)[::-1]
    steps = -np.diff(np.log(levels)) > math.log1p(SLIP_PCT / 100.0)
    groups = np.split(levels, np.flatnonzero(steps) + 1)
    largest = max(group.size for group in groups)
    # Two of three are no certainty, whatever the rounding says.
    if levels.size - largest < LEAST_SPLIT_SHARE * levels.size - 1e-9:
        return []
    return [(median(group), int(group.size)) for group in groups]


class _Trace(NamedTuple):
    """The logarithm of the ratio, what growth of the tyre may add to it, and its scatter."""

    log_ratio: np.ndarray
    growth: np.ndarray
    sd: float

    def limit(self, width: int, levels: int = 1) -> float:
        """Return the least change that counts; a median has 1.2533 times a mean's error."""
        return max(
            math.log1p(SLIP_PCT / 100.0), CERTAIN_SD * 1.2533 * self.sd * math.sqrt(levels / width)
        )

    def part(self, start: int, stop: int) -> "_Trace":
        return self._replace(log_ratio=self.log_ratio[start:stop], growth=self.growth[start:stop])


class _Change(NamedTuple):
    """A verdict: where it starts, from and to which level, and the level when geared."""

    kind: str
    at: int | None
    base: float
    top: float
    level: float
    is_early: bool = False


def _rows_seen(
    engine_speed_rpm: ArrayLike, roller_speed_m_s: ArrayLike
) -> tuple[np.ndarray, np.ndarray]:
    speed = np.asarray(engine_speed_rpm, dtype=float)
    roller = np.asarray(roller_speed_m_s, dtype=float)
    if speed.shape != roller.shape or speed.ndim != 1:
        raise ValueError(
            "engine_speed_rpm and roller_speed_m_s must be rows of one length, got "
            f"{speed.shape} and {roller.shape}"
        )
    require("engine_speed_rpm", speed, at_least=0.0, unit="rpm")
    require("roller_speed_m_s", roller, at_least=0.0, unit="m/s")
    seen = np.isfinite(speed) & np.isfinite(roller) & (roller >= LEAST_ROLLER_M_S) & (speed > 0.0)
    if seen.sum() < LEAST_SAMPLES:
        raise NotToldError(
            "no ratio: few samples",
            samples=seen.sum(),
            least_m_s=LEAST_ROLLER_M_S,
            needed=LEAST_SAMPLES,
        )
    speed, roller = speed[seen], roller[seen]
    width = _width(roller.size, LEVEL_SHARE)
    is_kept = np.all(roller >= LEAST_KEPT * np.maximum.accumulate(roller))
    if is_kept and median(roller[-width:]) >= LEAST_RISE * median(roller[:width]):
        return speed, roller  # so are its levels, and nothing below speaks against it
    engine, wheel = _median(speed, LEVEL_SHARE), _median(roller, LEVEL_SHARE)
    # A gear lets only the engine fall, slip neither: both fall where the throttle is shut.
    slowed = (wheel < LEAST_KEPT * np.maximum.accumulate(wheel)) & (
        engine < LEAST_KEPT * np.maximum.accumulate(engine)
    )
    if slowed.any():
        raise NotToldError("no ratio: slows down", from_m_s=wheel.max())
    if wheel.max() < LEAST_RISE * wheel.min():
        raise NotToldError(
            "no ratio: roller hardly speeds up",
            low_m_s=wheel.min(),
            high_m_s=wheel.max(),
            least_rise_share=LEAST_RISE - 1.0,
        )
    return speed, roller


def _width(samples: int, share: int) -> int:
    """Return the odd width of a running median over one in `share` of the samples."""
    least = min(15, samples // 4) if share == LEVEL_SHARE else 5
    return max(least, samples // share) | 1


def _median(values: np.ndarray, share: int) -> np.ndarray:
    return median_filter(values, _width(values.size, share), mode="nearest")


def _robust_sd(off: np.ndarray) -> float:
    """Return the standard deviation of normal scatter with this median absolute deviation."""
    return 1.4826 * median(np.abs(off))


def _slow_sd(level: np.ndarray) -> float:
    """Return the scatter of samples that would make their running median wander so.

    Scatter that lasts over many samples hardly averages out in a level.
    """
    width = _width(level.size, LEVEL_SHARE)
    levels = level[width // 2 :: width]
    if levels.size < LEAST_LEVELS:
        return 0.0
    # A level off the middle of its neighbours: a slope cancels, and 3/2 of the variance is left.
    off = levels[1:-1] - (levels[:-2] + levels[2:]) / 2.0
    return _robust_sd(off) / math.sqrt(1.5) * math.sqrt(width) / 1.2533


def _whole_windows(level: np.ndarray) -> np.ndarray:
    """Return a running median with its ends as the first and last that a whole window gives."""
    half = _width(level.size, LEVEL_SHARE) // 2
    levels = level.copy()
    # A window that hangs over holds copies of the end sample, and follows its noise.
    levels[:half], levels[levels.size - half :] = levels[half], levels[levels.size - half - 1]
    return levels


def _rise(levels: np.ndarray) -> tuple[float, int]:
    """Return the greatest rise, and the sample where it ends."""
    rises = levels - np.minimum.accumulate(levels)
    top = int(np.argmax(rises))
    return float(rises[top]), top


def _is_even(trace: _Trace) -> bool:
    size = trace.log_ratio.size
    width = _width(size, LEVEL_SHARE)
    level, grown = (
        _whole_windows(_median(values, LEVEL_SHARE))
        for values in (trace.log_ratio, trace.log_ratio + trace.growth)
    )
    rise, fall = _rise(level)[0], _rise(-grown)[0]
    return max(rise, fall) < trace.limit(width)


def _jump_places(trace: _Trace, running: np.ndarray, least: float) -> list[int]:
    """Return the first samples after each jump between two levels, in order."""
    values, size = trace.log_ratio, trace.log_ratio.size
    found: list[int] = []
    reach = _width(size, LEVEL_SHARE) + 1
    for share in (LEVEL_SHARE, END_SHARE):
        width = _width(size, share)
        half, gap = width // 2, max(1, width // 5)
        level = running if share == LEVEL_SHARE else _median(values, share)
        at = np.arange(gap + width, size - gap - width + 1)
        jumps = np.abs(level[at + gap + half] - level[at - gap - half - 1])
        limit = max(least, trace.limit(width, levels=2))
        while jumps.size and jumps.max() > limit:
            place = int(at[np.argmax(jumps)])
            jumps = np.where(np.abs(at - place) <= width + gap, 0.0, jumps)
            if all(abs(place - other) > reach for other in found):
                found.append(place)
    places = []
    for place in found:
        start, stop = max(place - reach, 0), min(place + reach, size)
        # The jump is where two levels leave the least sum of absolute deviations.
        costs = [
            sum(np.abs(side - median(side)).sum() for side in np.split(values[start:stop], [cut]))
            for cut in range(1, stop - start)
        ]
        places.append(start + 1 + int(np.argmin(costs)))
    return sorted(set(places))


def _jump(trace: _Trace, running: np.ndarray) -> _Change | None:
    """Return the first jump from one even level to another that is kept, if there is one."""
    values, size = trace.log_ratio, trace.log_ratio.size
    least = math.log1p(GEAR_PCT / 100.0)
    places = _jump_places(trace, running, 0.8 * least)
    if not places:
        return None
    gap = max(1, size // 100)
    edges = [0, *places, size]
    parts = [
        trace.part(start + (gap if start else 0), stop - (gap if stop < size else 0))
        for start, stop in pairwise(edges)
    ]
    if any(part.log_ratio.size < 3 for part in parts):
        return None
    levels = [median(part.log_ratio) for part in parts]
    for number, place in enumerate(places):
        before, after = levels[number], levels[number + 1]
        if abs(after - before) < least or not all(map(_is_even, parts[number : number + 2])):
            continue
        if any(0 < abs(place - other) <= size // 10 for other in places):
            continue  # jump upon jump is a slope
        beside = _width(size, END_SHARE)
        quick = abs(
            median(values[place + gap :][:beside]) - median(values[: max(place - gap, 1)][-beside:])
        )
        if quick < QUICK_SHARE * abs(after - before):
            continue
        came_back = [abs(level - before) for level in levels[number + 2 :]]
        came_back += [abs(level - after) for level in levels[:number]]
        if min(came_back, default=least) < least / 2.0:
            continue  # no gear is put in and taken out again within a pull
        kind = "slip or gear change" if after > before else "gear change"
        return _Change(kind, max(place - 1 - gap, 0), before, after, before)
    return None


def _drift(trace: _Trace, running: np.ndarray) -> _Change:
    """Return what the greatest rise and fall of the ratio are, if they count."""
    values = trace.log_ratio
    levels = _whole_windows(running)
    grown = _whole_windows(_median(values + trace.growth, LEVEL_SHARE))
    limit = trace.limit(_width(values.size, LEVEL_SHARE))
    held = np.clip(values, levels - 3.0 * trace.sd, levels + 3.0 * trace.sd)
    rise, top = _rise(levels)
    fall, bottom = _rise(-grown)
    middle = median(levels)
    if rise < limit and fall < limit:
        farthest = float(levels[np.argmax(np.abs(levels - middle))])
        return _Change("constant", None, middle, farthest, middle)
    if rise >= limit and (fall < limit or top <= bottom):
        at = _bend(held, levels, top, rise)
        base = median(values[: max(at, 5)])
        return _Change("slip", at, base, float(levels[top]), base)
    start, end = float(np.max(levels[: bottom + 1])), float(levels[bottom])
    nearer_end = levels - end < start - levels
    if np.mean(nearer_end) > GRIPPED_SHARE:
        base = median(values[bottom:])
        return _Change("slip", 0, base, start, base, is_early=True)
    at = _bend(held + trace.growth, -grown, bottom, fall)
    base = median(values[: max(at, 5)])
    return _Change("ratio falls", at, base, end, base)


def _bend(values: np.ndarray, levels: np.ndarray, top: int, rise: float) -> int:
    """Return where the rise to `top` starts: the bend of a flat line that begins to climb."""
    stop = int(np.argmax(levels[: top + 1] >= levels[top] - LEFT_SHARE * rise)) + 1
    flat_then_up = values[:stop]
    sample = np.arange(stop, dtype=float)
    best, best_left = 0, np.inf
    for at in np.unique(np.linspace(0, max(stop - 2, 0), 200).astype(int)):
        climb = np.maximum(sample - at, 0.0)
        climb -= climb.mean()
        around = flat_then_up - flat_then_up.mean()
        steep = (climb @ around) / max(climb @ climb, 1e-12)
        left = float(np.sum((around - steep * climb) ** 2))
        if left < best_left:
            best, best_left = int(at), left
    return best


def _against_expected(
    change: _Change, usual: float, least_pct: float, gears: np.ndarray
) -> _Change:
    off = change.level - usual
    if abs(off) < math.log1p(least_pct / 100.0):
        return change
    others = gears[np.abs(gears - usual) > MATCH]
    is_gear = others.size > 0 and np.abs(others - change.level).min() < MATCH
    return _Change("wrong gear" if is_gear else "wrong ratio", 0, usual, change.level, change.level)


def _reason(change: _Change, from_rpm: float | None, change_pct: float, least_pct: float) -> Note:
    if change.kind == "constant":
        return note("ratio holds", least_pct=least_pct)
    if change.kind in ("wrong gear", "wrong ratio"):
        return note(
            "ratio unlike other pulls",
            is_other_gear=change.kind == "wrong gear",
            change_pct=change_pct,
        )
    return note(
        "ratio changes",
        kind=change.kind,
        is_early=change.is_early,
        from_rpm=from_rpm,
        change_pct=change_pct,
        may_be_signal=abs(change_pct) > FAILING_PCT,
    )
