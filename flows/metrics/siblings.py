"""Health against siblings: a bike's baseline held against baselines of the same model."""

from __future__ import annotations

import math
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from flows.metrics.domain_checks import require
from flows.metrics.notes import Note, note
from flows.metrics.trust import DEFAULT_REMOUNT_SHARE

FloatArray = NDArray[np.float64]

LEAST_SIBLINGS = 5
"""Fewer bikes do not tell what is usual: their scatter could be wrong by half. Our choice."""

LASTING_RPM = 300.0
"""What lasts over less engine speed is a wiggle: two default bandwidths of a curve. Our choice."""

REGION_RPM = 1_500.0
"""Stretch of a curve that can differ on its own; a choice of ours, held by simulation."""

LEAST_LEAN_ERROR_SD_PCT = 1.0
"""What a wideband probe is good for from bike to bike: common practice, no source. [%]"""

FALSE_ALARM_SHARE = 0.05
"""Sound bikes that may be called unusual, in power and in mixture each. Our choice. [0..1]"""

ALL_PAIRS = 64
"""Rows up to this long have so few pairs that choosing among them takes longer."""

LEAST_SHAPE_SD = 0.2
"""Shapes' distances are not known to better than a fifth. Our choice."""

QN_FACTOR = 2.219144
"""1 / (sqrt(2) Phi^-1(5/8)): makes Qn a standard deviation where scatter is normal."""

_POWER_ADVICE = (
    "look for a fault before tuning",
    "check weather and gear, and for a map or part that the card does not name",
)
_QN_SMALL = {5: 0.844, 6: 0.611, 7: 0.857, 8: 0.669, 9: 0.872}
_DOF_PER_SIBLING = 0.6


class Standing(NamedTuple):
    """Where one figure stands among those of its siblings.

    Attributes
    ----------
    siblings : int. Siblings that have the figure.
    centre : float. Their median, in the unit of the figure.
    sd : float. Robust scatter of a single sibling, in the unit of the figure, not below the least.
    z : float. Distance from the centre over the standard error of a further bike.
    p : float. Chance that a sound bike stands this far away, to either side.
    """

    siblings: int
    centre: float
    sd: float
    z: float
    p: float


class Region(NamedTuple):
    """A stretch of engine speed over which a bike differs from its siblings.

    Attributes
    ----------
    from_rpm, to_rpm : float. Where it starts and ends. [rpm]
    reaches_top : bool. Whether it goes on to the highest speed that could be compared.
    change_pct : float. Mean difference from the siblings' median: in % of it for power, in points
        of lean error for mixture. [%]
    z : float. Robust z where it is furthest from 0.
    siblings : int. Fewest siblings at any speed of the stretch.
    """

    from_rpm: float
    to_rpm: float
    reaches_top: bool
    change_pct: float
    z: float
    siblings: int


class PowerHealth(NamedTuple):
    """A baseline power curve against those of its siblings.

    Attributes
    ----------
    peak : Standing. Of ln peak power. NaN where the curve stops before its siblings' peak.
    peak_change_pct : float. Peak power against the siblings' median. [%]
    shape : Standing
        Of ln distance from the siblings' shape; only far away counts, so p is one-sided.
    shape_distance_pct : float
        Root mean square of the difference from the siblings' median, level taken out. [%]
    shape_region : Region or None. Where power is furthest from the siblings' median; z is the
        shape's. None where that lasts over less than 300 rpm or over all speeds compared.
    regions : tuple of Region
        Where power is lower or higher than siblings explain, in order of speed.
    is_unusual : bool or None
        Whether peak, shape or a region stands out; None where nothing could be compared.
    least_shown_pct : float
        Difference from which on a region would stand out, at half of the speeds; NaN likewise. [%]
    """

    peak: Standing
    peak_change_pct: float
    shape: Standing
    shape_distance_pct: float
    shape_region: Region | None
    regions: tuple[Region, ...]
    is_unusual: bool | None
    least_shown_pct: float = math.nan


class MixtureHealth(NamedTuple):
    """A baseline's full-throttle mixture against those of its siblings.

    Attributes
    ----------
    level : Standing. Of the mean lean error over the speeds compared.
    level_change_pct : float
        Mean difference from the siblings' median, in points of lean error; above 0 is leaner. [%]
    regions : tuple of Region
        Where the mixture is leaner or richer than siblings explain, in order of speed.
    is_unusual : bool or None
        Whether level or a region stands out; None where nothing could be compared.
    least_shown_pct : float
        Difference from which on a region would stand out, at half of the speeds, in points of lean
        error; NaN likewise. [%]
    """

    level: Standing
    level_change_pct: float
    regions: tuple[Region, ...]
    is_unusual: bool | None
    least_shown_pct: float = math.nan


class Family:
    """Baselines of one model on one grid, ordered once to hold each of them against the others.

    Attributes
    ----------
    curves : ndarray. Bikes by grid points; NaN where not seen.
    """

    curves: FloatArray

    def __init__(self, curves: FloatArray) -> None:
        self.curves = curves
        self._seen = np.isfinite(curves)
        self._count = self._seen.sum(axis=0)
        # NaN sorts last, so that the seen ones fill the first places.
        order = np.argsort(curves, axis=0, kind="stable")
        self._ordered = np.take_along_axis(curves, order, axis=0)
        self._rank = np.argsort(order, axis=0, kind="stable")

    @cached_property
    def logs(self) -> Family:
        """The natural logarithms of the curves."""
        return Family(np.log(self.curves))

    def count(self, place: int | None) -> NDArray[np.int64]:
        """Return how many others were seen at each speed."""
        return self._count if place is None else self._count - self._seen[place]

    def quantile(self, place: int | None, share: float) -> FloatArray:
        """Return a quantile of the others at each speed, by straight lines; NaN without others."""
        count = self.count(place)
        at = share * (count - 1.0)
        low = np.maximum(np.floor(at).astype(np.int64), 0)
        below = self._nth(low, place)
        above = self._nth(np.minimum(low + 1, np.maximum(count - 1, 0)), place)
        return np.where(count > 0, below + (above - below) * (at - low), np.nan)

    def usual(self, place: int | None) -> FloatArray:
        """Return the median of the others at each speed; NaN without others."""
        count = self.count(place)
        middle = self._nth(np.maximum(count - 1, 0) // 2, place) + self._nth(count // 2, place)
        return np.where(count > 0, middle / 2.0, np.nan)

    def scatter(self, place: int | None) -> FloatArray:
        """Return Qn of the others at each speed; NaN where they are too few."""
        whole, each = self._scatters
        return whole if place is None else each[place]

    def shape_distances(self, place: int | None, compared: NDArray[np.bool_]) -> FloatArray:
        """Return how far the shape of each other bike is from the median of its own others.

        Over the speeds that are compared; NaN for a bike that was seen over less than half of them.
        """
        if place is not None:
            return np.delete(self._distances[place], place)
        found = np.full(len(self.curves), np.nan)
        for other, curve in enumerate(self.curves):
            usable = self._seen[other] & compared
            if usable.sum() * 2 >= compared.sum() > 0:
                found[other] = _distance((curve - self.usual(other))[usable])
        return found

    def _nth(self, at: NDArray[np.int64], place: int | None) -> FloatArray:
        """Return the value at a place of the order in which one bike is left out."""
        if place is not None:
            # Without this bike everything from its own place on moves down by one.
            at = at + (self._seen[place] & (at >= self._rank[place]))
        if not len(self.curves):
            return np.full(at.shape, np.nan)
        at = np.minimum(at, len(self.curves) - 1)
        return np.take_along_axis(self._ordered, at[None, :], axis=0)[0]

    @cached_property
    def _scatters(self) -> tuple[FloatArray, FloatArray]:
        whole = np.full(self.curves.shape[1], np.nan)
        each = np.full(self.curves.shape, np.nan)
        for column in np.flatnonzero(self._count >= LEAST_SIBLINGS):
            row = self._ordered[: self._count[column], column]
            whole[column] = _qn(row)
            each[:, column] = whole[column]
            if row.size > LEAST_SIBLINGS:
                seen = self._seen[:, column]
                each[seen, column] = _qn_without_each(row)[self._rank[seen, column]]
        return whole, each

    @cached_property
    def _distances(self) -> FloatArray:
        """Return by bike left out, and by bike, the distance from the median of all but the two.

        Which value is the median depends on the bike left out by four cases alone: it stands below
        the middle, on either of the two places above it, or beyond. By case the differences are
        known beforehand, and a product of matrices adds up those of each pair of bikes.
        """
        low, high = (self._count - 3) // 2, (self._count - 2) // 2
        compared = self._seen & (self._count - 1 >= LEAST_SIBLINGS)
        rank = self._rank
        case = np.select([rank <= low, rank == low + 1, rank == low + 2], [0, 1, 2], 3)
        total = np.zeros((3, len(rank), len(rank)))
        stands_for = (np.full_like(low, -1), low + 1, low + 2, np.full_like(low, len(rank)))
        for number, left_out in enumerate(stands_for):
            first, second = np.minimum(rank, left_out), np.maximum(rank, left_out)
            median = np.zeros(rank.shape)
            for middle in (low, high):
                at = middle + (middle >= first)
                at = np.clip(at + (at >= second), 0, len(rank) - 1)
                median += np.take_along_axis(self._ordered, at, axis=0) / 2.0
            usable = self._seen & (self._count - 1 >= LEAST_SIBLINGS)
            away = np.where(usable, self.curves - median, 0.0)
            chosen = (compared & (case == number)).astype(float)
            total += np.stack([chosen @ part.T for part in (usable.astype(float), away, away**2)])
        seen, mean = total[0], total[1] / np.maximum(total[0], 1.0)
        variance = np.maximum(total[2] / np.maximum(total[0], 1.0) - mean**2, 0.0)
        enough = (seen * 2 >= compared.sum(axis=1)[:, None]) & (seen > 0)
        return np.where(enough, np.sqrt(variance), np.nan)

    @cached_property
    def peaks(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """The greatest value of each curve, and the places on the grid where it and the end are."""
        return _peaks(self.curves)


def standing(value: float, sibling_values: ArrayLike, *, least_sd: float = 0.0) -> Standing:
    r"""Return where one figure stands among those of its siblings.

    Parameters
    ----------
    value : float. This bike's figure; NaN where not seen.
    sibling_values : array_like. One figure a sibling, this bike not among them; NaN where not seen.
    least_sd : float, default 0
        Scatter that siblings cannot be known to undercut, in the unit of the figure.

    Returns
    -------
    Standing
        All but the count are NaN with fewer than five siblings; z and p are NaN where `value` is.

    Raises
    ------
    ValueError. If `sibling_values` is not one row, a figure is infinite, or `least_sd` is negative.

    Notes
    -----
    .. math:: z = \frac{x - m}{s \sqrt{1 + \pi / (2n)}}, \quad
              s = 2.2191\,d_n \{|x_i - x_j|\}_{(k)}, \quad k = \binom{\lfloor n/2 \rfloor + 1}{2}

    with the median m, whose variance is :math:`\pi/2n` of a sibling's, and the scatter Qn [1]_,
    which almost half of the siblings cannot carry away; :math:`d_n` takes out its bias in small
    numbers [2]_. The chance p is that of a t with :math:`0.6\,(n - 1)` degrees of freedom: Qn of
    so few bikes is itself uncertain. The 0.6 is ours, from simulation: of sound bikes with 5 to
    40 siblings 0.7 to 1.3 % fall below p = 0.01. Assumes normal scatter of sound bikes.

    Examples
    --------
    >>> found = standing(94.0, [99.0, 100.0, 101.0, 100.5, 99.5, 100.0, 101.5])
    >>> found.centre, round(found.z, 1), round(found.p, 3)
    (100.0, -5.7, 0.005)

    References
    ----------
    .. [1] P. J. Rousseeuw and C. Croux, "Alternatives to the median absolute deviation,"
       J. Am. Stat. Assoc. 88, 1993 (from memory).
    .. [2] C. Croux and P. J. Rousseeuw, "Time-efficient algorithms for two highly robust
       estimators of scale," COMPSTAT, 1992 (from memory).
    """
    require("least_sd", least_sd, at_least=0.0)
    row = np.asarray(sibling_values, dtype=float)
    if row.ndim != 1:
        raise ValueError(f"sibling_values must be one row, got shape {row.shape}")
    for name, figures in (("value", np.asarray(value, dtype=float)), ("sibling_values", row)):
        if np.isinf(figures).any():
            raise ValueError(f"{name} must be finite, or NaN where not seen, got an infinite one")
    row = row[np.isfinite(row)]
    if row.size < LEAST_SIBLINGS:
        return Standing(row.size, math.nan, math.nan, math.nan, math.nan)
    centre = float(np.median(row))
    sd = max(_qn(np.sort(row)), least_sd)
    away = float(value) - centre
    if sd == 0.0:
        z = math.copysign(math.inf, away) if away else away
    else:
        z = away / (sd * math.sqrt(1.0 + math.pi / (2.0 * row.size)))
    p = 2.0 * float(special.stdtr(_DOF_PER_SIBLING * (row.size - 1), -abs(z)))
    return Standing(row.size, centre, sd, z, p)


def power_health(
    grid_rpm: ArrayLike,
    power_w: ArrayLike,
    sibling_power_w: ArrayLike | Family,
    *,
    place: int | None = None,
    least_sd_share: float = DEFAULT_REMOUNT_SHARE,
) -> PowerHealth:
    r"""Hold a bike's baseline power curve against those of the same model.

    Parameters
    ----------
    grid_rpm : array_like. Engine speeds of all curves, ascending. [rpm]
    power_w : array_like. This bike's baseline, in the reference air that the siblings' are in; NaN
        where not seen. [W]
    sibling_power_w : array_like or Family. Siblings by grid points: one baseline a bike; NaN where
        not seen. A `Family` of them where many bikes are held against the same ones. [W]
    place : int, optional
        Row of this bike among the siblings, left out; by default it is not among them.
    least_sd_share : float, default 0.008. Scatter that siblings cannot be known to undercut: that
        of strapping one bike down again. [0..1]

    Returns
    -------
    PowerHealth. Standing of peak and shape, and the regions that stand out. Without five siblings
        at a speed nothing is said of that speed.

    Raises
    ------
    ValueError. If the grid does not ascend, lengths differ, power is not above 0 or infinite, or
        `least_sd_share` is not above 0.

    Notes
    -----
    All on the ln scale; see `standing` for centre, scatter and chance. The scatter of a grid
    point is evened out against that of the whole curve, half and half by variance. A region lies
    beyond a z that allows for as many chances as the range holds stretches of 1500 rpm, over
    300 rpm or more; it is followed outwards as far as the difference keeps its sign and half its
    size. Its t has n - 1 degrees of freedom, by simulation: sound bikes with 5 to 30 siblings are
    called unusual less often than `FALSE_ALARM_SHARE`. Curves that stop before the siblings' median
    speed of peak power have no peak.

    Shape is the root mean square of what is left of the ln difference when its mean is taken
    out; siblings seen over less than half of the range have none. The region of a shape says where
    to look; whether the shape is off at all the whole of it says.

    Examples
    --------
    >>> grid_rpm = np.arange(4000.0, 10001.0, 50.0)
    >>> usual = 60_000.0 * np.sin(grid_rpm / 7000.0)
    >>> siblings = usual * (1.0 + np.linspace(-0.01, 0.01, 11)[:, None])
    >>> tired = usual * np.where(grid_rpm >= 8000.0, 0.94, 1.0)
    >>> power_health(grid_rpm, tired, siblings).regions[0].from_rpm
    8000.0
    """
    require("least_sd_share", least_sd_share, above=0.0)
    family = _family("power_w", grid_rpm, sibling_power_w)
    grid, own = _curve("power_w", grid_rpm, power_w)
    require("power_w", own, above=0.0, unit="W")
    logs, own = family.logs, np.log(own)

    peak, peak_away = _peak_standing(grid, own, logs, place, least_sd_share)
    shape, distance = _shape_standing(own, logs, place, least_sd_share)
    bend = _bend(grid, own, logs, place, shape.z)
    alarm = FALSE_ALARM_SHARE / 3.0
    regions, least = _regions(grid, own, logs, place, least_sd_share, alarm)
    found = tuple(_in_pct(region) for region in regions)
    stands_out = bool(found) or any(one.p < alarm for one in (peak, shape))
    return PowerHealth(
        peak,
        100.0 * math.expm1(peak_away),
        shape,
        100.0 * distance,
        _in_pct(bend) if bend else None,
        found,
        stands_out if _compared(own, logs, place).any() else None,
        100.0 * math.expm1(least),
    )


def mixture_health(
    grid_rpm: ArrayLike,
    lean_error_pct: ArrayLike,
    sibling_lean_error_pct: ArrayLike | Family,
    *,
    place: int | None = None,
) -> MixtureHealth:
    r"""Hold a bike's full-throttle mixture against that of the same model.

    Parameters
    ----------
    grid_rpm : array_like. Engine speeds of all curves, ascending. [rpm]
    lean_error_pct : array_like
        This bike's baseline lean error, above 0 leaner than its target; NaN where not seen. [%]
    sibling_lean_error_pct : array_like or Family. Siblings by grid points: one baseline a bike; NaN
        where not seen. A `Family` of them where many bikes are held against the same ones. [%]
    place : int, optional
        Row of this bike among the siblings, left out; by default it is not among them.

    Returns
    -------
    MixtureHealth. Standing of the level, and the regions that stand out.

    Raises
    ------
    ValueError. If the grid does not ascend, lengths differ, or a lean error is at or below -100 %
        or infinite.

    Notes
    -----
    As `power_health`, on lean errors as they are. The level of each bike is its mean difference
    from the siblings' median at the speeds it was seen at, so that a sibling that was seen over
    another range does not look leaner by that alone; a bike seen over less than half of them
    has no level. Usual is not safe: siblings can all be lean together, which the lean windows
    tell and this does not.

    Examples
    --------
    >>> grid_rpm = np.arange(4000.0, 10001.0, 50.0)
    >>> siblings = np.linspace(-2.0, 2.0, 9)[:, None] + np.zeros(grid_rpm.size)
    >>> found = mixture_health(grid_rpm, np.full(grid_rpm.size, 12.0), siblings)
    >>> round(found.level_change_pct, 1), found.is_unusual
    (12.0, True)
    """
    family = _family("lean_error_pct", grid_rpm, sibling_lean_error_pct)
    grid, own = _curve("lean_error_pct", grid_rpm, lean_error_pct)
    require("lean_error_pct", own, above=-100.0, unit="%")

    compared = _compared(own, family, place)
    if not compared.any():
        nothing = standing(math.nan, np.full(0, math.nan))
        return MixtureHealth(nothing, math.nan, (), None)
    usual = family.usual(place)[compared]
    level = float(np.mean(own[compared] - usual))
    away = _without(family.curves[:, compared] - usual, place)
    among = standing(level, _means_where_seen(away), least_sd=LEAST_LEAN_ERROR_SD_PCT)
    alarm = FALSE_ALARM_SHARE / 2.0
    regions, least = _regions(grid, own, family, place, LEAST_LEAN_ERROR_SD_PCT, alarm)
    return MixtureHealth(among, level, regions, bool(regions) or among.p < alarm, least)


def power_state(power: PowerHealth) -> str:
    """Say in a word or two how a baseline's power stands among its siblings'.

    Parameters
    ----------
    power : PowerHealth. From `power_health`.

    Returns
    -------
    str. "low", "high", "low and high", "another shape", "as its siblings" or "not compared".

    Examples
    --------
    >>> grid_rpm = np.arange(4000.0, 10001.0, 50.0)
    >>> usual = 60_000.0 * np.sin(grid_rpm / 7000.0)
    >>> siblings = usual * (1.0 + np.linspace(-0.01, 0.01, 11)[:, None])
    >>> power_state(power_health(grid_rpm, 0.9 * usual, siblings))
    'low'
    """
    if power.is_unusual is None:
        return "not compared"
    if not power.is_unusual:
        return "as its siblings"
    if power.regions:
        return _both_ways([region.change_pct for region in power.regions], ("low", "high"))
    if _shape_is_odder(power):
        return "another shape"
    return "low" if power.peak_change_pct < 0.0 else "high"


def mixture_state(mixture: MixtureHealth) -> str:
    """Say in a word or two how a baseline's mixture stands among its siblings'.

    Parameters
    ----------
    mixture : MixtureHealth. From `mixture_health`.

    Returns
    -------
    str. "leaner", "richer", "richer and leaner", "as its siblings" or "not compared".

    Examples
    --------
    >>> grid_rpm = np.arange(4000.0, 10001.0, 50.0)
    >>> siblings = np.linspace(-2.0, 2.0, 9)[:, None] + np.zeros(grid_rpm.size)
    >>> mixture_state(mixture_health(grid_rpm, np.full(grid_rpm.size, 12.0), siblings))
    'leaner'
    """
    if mixture.is_unusual is None:
        return "not compared"
    if not mixture.is_unusual:
        return "as its siblings"
    changes = [region.change_pct for region in mixture.regions] or [mixture.level_change_pct]
    return _both_ways(changes, ("richer", "leaner"))


def health_notes(power: PowerHealth, mixture: MixtureHealth | None = None) -> list[Note]:
    """Say what stands out against the siblings.

    Parameters
    ----------
    power : PowerHealth. From `power_health`.
    mixture : MixtureHealth, optional. From `mixture_health`.

    Returns
    -------
    list of dict. One note a finding; a single one where nothing stands out or could be compared.

    Examples
    --------
    >>> grid_rpm = np.arange(4000.0, 10001.0, 50.0)
    >>> usual = 60_000.0 * np.sin(grid_rpm / 7000.0)
    >>> siblings = usual * (1.0 + np.linspace(-0.01, 0.01, 11)[:, None])
    >>> tired = usual * np.where(grid_rpm >= 8000.0, 0.94, 1.0)
    >>> found = health_notes(power_health(grid_rpm, tired, siblings))[0]
    >>> round(found["change_pct"], 1), found["siblings"], found["from_rpm"], found["to_rpm"]
    (-6.0, 11, 8000.0, None)
    """
    told = [_region_note("power", region) for region in power.regions]
    if power.is_unusual and not power.regions:
        # Without a region it is peak or shape that stands out; the stronger one is told.
        if not _shape_is_odder(power):
            against = {"change_pct": power.peak_change_pct, "siblings": power.peak.siblings}
            told.append(note("peak unlike siblings", **against))
        elif power.shape_region is not None:
            told.append(_region_note("shape", power.shape_region))
        else:
            away = {"distance_pct": power.shape_distance_pct, "siblings": power.shape.siblings}
            told.append(note("shape unlike siblings", **away))
    if mixture is not None:
        told += [_region_note("mixture", region) for region in mixture.regions]
        if mixture.is_unusual and not mixture.regions:
            against = {"change_pct": mixture.level_change_pct, "siblings": mixture.level.siblings}
            told.append(note("mixture unlike siblings", **against))
    if told:
        return told
    known = [one.is_unusual for one in (power, mixture) if one is not None]
    if all(one is None for one in known):
        return [note("no speed in common", needed=LEAST_SIBLINGS)]
    parts: list[str] = []
    shown: list[Note] = []
    if power.is_unusual is not None:
        parts.append("power")
        shown.append(note("shown in power", least_pct=power.least_shown_pct))
    if mixture is not None and mixture.is_unusual is not None:
        parts.append("mixture")
        shown.append(note("shown in mixture", least_pct=mixture.least_shown_pct))
    # A single speed in common makes no stretch.
    shown = [one for one in shown if math.isfinite(one["least_pct"])]
    counts = [one.siblings for one in (power.peak, mixture and mixture.level) if one]
    return [note("as its siblings", parts=parts, siblings=max(counts), shown=shown)]


def _both_ways(changes: list[float], down_up: tuple[str, str]) -> str:
    down, up = any(change < 0.0 for change in changes), any(change > 0.0 for change in changes)
    return " and ".join(word for word, is_so in zip(down_up, (down, up), strict=True) if is_so)


def _shape_is_odder(power: PowerHealth) -> bool:
    peak_p, shape_p = (math.inf if math.isnan(p) else p for p in (power.peak.p, power.shape.p))
    return shape_p < peak_p


def _region_note(quantity: str, region: Region) -> Note:
    return note(
        "region unlike siblings",
        quantity=quantity,
        change_pct=region.change_pct,
        siblings=region.siblings,
        from_rpm=region.from_rpm,
        to_rpm=None if region.reaches_top else region.to_rpm,
    )


def _curve(name: str, grid_rpm: ArrayLike, own: ArrayLike) -> tuple[FloatArray, FloatArray]:
    grid, mine = np.asarray(grid_rpm, dtype=float), np.asarray(own, dtype=float)
    if grid.ndim != 1 or grid.size == 0 or not np.all(np.diff(grid) > 0.0):
        raise ValueError("grid_rpm must be one row, ascend and not be empty")
    require("grid_rpm", grid, at_least=0.0, unit="rpm")
    if mine.shape != grid.shape:
        raise ValueError(f"{name} must match grid_rpm in length, got {mine.shape} for {grid.shape}")
    if np.isinf(mine).any():
        raise ValueError(f"{name} must be finite, or NaN where not seen, got an infinite one")
    return grid, mine


def _family(name: str, grid_rpm: ArrayLike, theirs: ArrayLike | Family) -> Family:
    if isinstance(theirs, Family):
        return theirs
    size, others = np.size(grid_rpm), np.asarray(theirs, dtype=float)
    if others.ndim != 2 or others.shape[1] != size:
        raise ValueError(
            f"sibling_{name} must be siblings by {size} grid points, got shape {others.shape}"
        )
    if np.isinf(others).any():
        raise ValueError(
            f"sibling_{name} must be finite, or NaN where not seen, got an infinite one"
        )
    if name == "power_w":
        require("sibling_power_w", others, above=0.0, unit="W")
    else:
        require("sibling_lean_error_pct", others, above=-100.0, unit="%")
    return Family(others)


def _qn_rank(count: int) -> int:
    half = count // 2 + 1
    return half * (half - 1) // 2


def _qn_factor(count: int) -> float:
    small = _QN_SMALL.get(count, count / (count + (1.4 if count % 2 else 3.8)))
    return QN_FACTOR * small


def _qn(row: FloatArray) -> float:
    """Return Qn of an ascending row."""
    rank = _qn_rank(row.size)
    pairs = _pairs_about(row, rank, rank)
    distance = np.sort(row[pairs.upper] - row[pairs.lower])
    return _qn_factor(row.size) * float(distance[rank - pairs.nearer - 1])


def _qn_without_each(row: FloatArray) -> FloatArray:
    """Return for each place of an ascending row Qn of all the others.

    The distances are ordered once. Leaving one out takes away those it is part of, so that the
    wanted one moves up by as many as stand before it.
    """
    count = row.size
    rank = _qn_rank(count - 1)
    pairs = _pairs_about(row, rank, rank + count)
    order = np.argsort(row[pairs.upper] - row[pairs.lower], kind="stable")
    lower, upper = pairs.lower[order], pairs.upper[order]
    distance = row[upper] - row[lower]
    # By bike: the places of its pairs in that order, less the number of its own before each.
    owner = np.concatenate((lower, upper))
    at = np.concatenate((np.arange(lower.size), np.arange(lower.size)))
    sorted_by = np.lexsort((at, owner))
    owner, at = owner[sorted_by], at[sorted_by]
    starts = np.searchsorted(owner, np.arange(count))
    others_before = at - (np.arange(at.size) - starts[owner])
    wanted = rank - (pairs.nearer - pairs.nearer_of) - 1
    span = lower.size + 1
    before = np.searchsorted(
        owner * span + others_before, np.arange(count) * span + wanted, side="right"
    )
    return _qn_factor(count - 1) * distance[wanted + before - starts]


class _Pairs(NamedTuple):
    """Pairs of places of an ascending row, and how many pairs stand nearer than all of them."""

    lower: NDArray[np.int64]
    upper: NDArray[np.int64]
    nearer: int
    nearer_of: NDArray[np.int64]


def _pairs_about(row: FloatArray, first: int, last: int) -> _Pairs:
    """Return the pairs whose distances rank from the first to the last, and not many more.

    Halving finds two distances between which these ranks lie: n log n instead of all pairs.
    """
    places = np.arange(row.size)
    few = 4 * row.size
    nearer = _within(row, first - 1 - few, first - 1)
    below = places if nearer is None else nearer
    within = _within(row, last, last + few)
    beyond = np.full(row.size, row.size - 1) if within is None else within
    sizes = beyond - below
    lower = np.repeat(places, sizes)
    upper = np.arange(lower.size) - np.repeat(np.cumsum(sizes) - sizes, sizes) + below[lower] + 1
    nearer_of = below - np.searchsorted(below, places)
    return _Pairs(lower, upper, int((below - places).sum()), nearer_of)


def _within(row: FloatArray, least: int, most: int) -> NDArray[np.int64] | None:
    """Return for each place the last one near it, where near is such that so many pairs are.

    None in a short row, where all pairs are few, and where equal distances leave no such number.
    """
    if row.size <= ALL_PAIRS:
        return None
    places = np.arange(row.size)
    low, high = 0.0, float(row[-1] - row[0])
    for _ in range(60):
        middle = (low + high) / 2.0
        near = np.maximum(np.searchsorted(row, row + middle, side="right") - 1, places)
        pairs = int((near - places).sum())
        if least <= pairs <= most:
            return near
        low, high = (middle, high) if pairs < least else (low, middle)
    return None


def _without(rows: FloatArray, place: int | None) -> FloatArray:
    return rows if place is None else np.delete(rows, place, axis=0)


def _compared(own: FloatArray, family: Family, place: int | None) -> NDArray[np.bool_]:
    return np.isfinite(own) & (family.count(place) >= LEAST_SIBLINGS)


def _means_where_seen(away: FloatArray) -> FloatArray:
    seen = np.isfinite(away)
    count = seen.sum(axis=1)
    mean = np.where(seen, away, 0.0).sum(axis=1) / np.maximum(count, 1)
    return np.where(count * 2 >= away.shape[1], mean, np.nan)


def _peaks(curves: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    seen = np.isfinite(curves)
    filled = np.where(seen, curves, -np.inf)
    at_peak = np.where(seen.any(axis=1), np.argmax(filled, axis=1), np.nan)
    last = np.where(seen, np.arange(curves.shape[1]), -np.inf).max(axis=1)
    return filled.max(axis=1), at_peak, last


def _peak_standing(
    grid: FloatArray, own: FloatArray, family: Family, place: int | None, least_sd: float
) -> tuple[Standing, float]:
    heights, at_peaks, lasts = (_without(part, place) for part in family.peaks)
    if np.isfinite(at_peaks).sum() < LEAST_SIBLINGS:
        return standing(math.nan, np.full(heights.size, np.nan)), math.nan
    speeds = grid[at_peaks[np.isfinite(at_peaks)].astype(np.int64)]
    ends = np.where(np.isfinite(lasts), grid[np.maximum(lasts, 0).astype(np.int64)], -np.inf)
    usual_speed = np.median(speeds)
    (height,), _, (last,) = _peaks(own[None, :])
    is_reached = math.isfinite(last) and grid[int(last)] >= usual_speed
    mine = float(height) if is_reached else math.nan
    found = standing(mine, np.where(ends >= usual_speed, heights, np.nan), least_sd=least_sd)
    return found, mine - found.centre


def _shape_standing(
    own: FloatArray, family: Family, place: int | None, least_sd: float
) -> tuple[Standing, float]:
    compared = _compared(own, family, place)
    if not compared.any():
        return standing(math.nan, np.full(0, np.nan)), math.nan
    distance = _distance((own - family.usual(place))[compared])
    # Below the least scatter one shape is as good as another.
    found = standing(
        math.log(max(distance, least_sd)),
        np.log(np.maximum(family.shape_distances(place, compared), least_sd)),
        least_sd=LEAST_SHAPE_SD,
    )
    one_sided = found.p / 2.0 if found.z > 0.0 else 1.0 - found.p / 2.0
    return found._replace(p=one_sided), distance


def _bend(
    grid: FloatArray, own: FloatArray, family: Family, place: int | None, shape_z: float
) -> Region | None:
    compared = np.flatnonzero(_compared(own, family, place))
    if compared.size < 2:
        return None
    away = (own - family.usual(place))[compared]
    first = last = int(np.argmax(np.abs(away)))
    sign = float(np.sign(away[first]))
    half = abs(float(away[first])) / 2.0
    unbroken = np.diff(compared) == 1
    while first > 0 and unbroken[first - 1] and sign * away[first - 1] >= half:
        first -= 1
    while last + 1 < compared.size and unbroken[last] and sign * away[last + 1] >= half:
        last += 1
    speed = grid[compared]
    is_all = first == 0 and last == speed.size - 1
    if is_all or speed[last] - speed[first] < LASTING_RPM:
        return None
    return Region(
        from_rpm=float(speed[first]),
        to_rpm=float(speed[last]),
        reaches_top=last == speed.size - 1,
        change_pct=float(away[first : last + 1].mean()),
        z=sign * abs(shape_z),
        siblings=int(family.count(place)[compared[first : last + 1]].min()),
    )


def _in_pct(region: Region) -> Region:
    return region._replace(change_pct=100.0 * math.expm1(region.change_pct))


def _distance(away: FloatArray) -> float:
    return float(np.sqrt(np.mean(np.square(away - away.mean()))))


def _regions(
    grid: FloatArray,
    own: FloatArray,
    family: Family,
    place: int | None,
    least_sd: float,
    alarm: float,
) -> tuple[tuple[Region, ...], float]:
    """Return the stretches that stand out, and from what difference on one would."""
    compared = np.flatnonzero(_compared(own, family, place))
    if compared.size < 2:
        return (), math.nan
    count = family.count(place)[compared]
    away = (own - family.usual(place))[compared]
    variance = np.square(family.scatter(place)[compared])
    sd = np.maximum(np.sqrt((variance + variance.mean()) / 2.0), least_sd)
    error = sd * np.sqrt(1.0 + math.pi / (2.0 * count))
    z = away / error
    speed = grid[compared]
    chances = max(1.0, (speed[-1] - speed[0]) / REGION_RPM)
    critical = -special.stdtrit(count - 1.0, alarm / (2.0 * chances))
    beyond = np.abs(z) >= critical
    # Neighbours in the list that are none on the grid do not carry a region over the hole.
    unbroken = np.diff(compared) == 1

    found: list[Region] = []
    start = free = 0
    while start < speed.size:
        if not beyond[start]:
            start += 1
            continue
        sign = np.sign(away[start])
        end = start
        while (
            end + 1 < speed.size
            and unbroken[end]
            and beyond[end + 1]
            and np.sign(away[end + 1]) == sign
        ):
            end += 1
        if speed[end] - speed[start] < LASTING_RPM:
            start = end + 1
            continue
        half = sign * float(np.median(away[start : end + 1])) / 2.0
        first, last = start, end
        while first > free and unbroken[first - 1] and sign * away[first - 1] >= half:
            first -= 1
        while last + 1 < speed.size and unbroken[last] and sign * away[last + 1] >= half:
            last += 1
        part = slice(first, last + 1)
        furthest = first + int(np.argmax(np.abs(z[part])))
        found.append(
            Region(
                from_rpm=float(speed[first]),
                to_rpm=float(speed[last]),
                reaches_top=last == speed.size - 1,
                change_pct=float(away[part].mean()),
                z=float(z[furthest]),
                siblings=int(count[part].min()),
            )
        )
        start = free = last + 1
    return tuple(found), float(np.median(critical * error))
