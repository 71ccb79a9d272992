"""The dyno itself: control charts of a bike that never changes, and doubts about its weather."""

import math
from collections.abc import Mapping, Sequence
from itertools import combinations
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from flows.metrics import air
from flows.metrics.domain_checks import require
from flows.metrics.notes import Note, note

RANGE_PER_SD = 1.128
"""d2 for ranges of two: 2 / sqrt(pi), rounded as the tables print it."""

LIMIT_WIDTH = 3.0
"""Shewhart's three standard deviations: one false alarm in 370 points."""

EWMA_WEIGHT = 0.3
"""Weight of the newest value: a shift of about one standard deviation shows in ten values."""

CUSUM_ALLOWANCE = 0.5
"""Half of the shift to be seen, in standard deviations: tuned to a shift of one."""

CUSUM_LIMIT = 5.0
"""Sum that signals, in standard deviations: one false alarm in 465 values, if level and scatter
are known."""

ONSET_LIMIT = 7.35
"""Twice the fall of ln likelihood that bounds the beginning of a shift with 95 %."""

RUN_LENGTH = 8
"""So many values in a row on one side of the centre are a shift (Western Electric, 1956)."""

ZONES = (
    (3, 2, 2.0),
    (5, 4, 1.0),
)
"""Of the last so many values, so many beyond so many standard deviations on one side."""

SLOPE_LEVEL = 0.95
"""Coverage of the intervals of slopes."""

STUCK_CHANCE = 0.001
"""A run of equal readings rarer than that is a stuck sensor."""

SPELL_DAYS = 3
"""Days that a stuck reading or a spell of odd pressure must last; weather makes shorter ones."""

SHARED_DAYS = 2
"""Days on which both of two stations must have logged."""

USUAL_DAYS, USUAL_WITHIN_PA = 10, 2_000.0
"""Days below which nothing is said of the usual pressure, and how far from the standard
atmosphere the mean of many days seldom departs (common practice, no source)."""

MOST_DIFFERENCE = {"temperature": 3.0, "pressure": 400.0, "humidity": 15.0}
"""What two sound stations in one room differ by at most [K, Pa, %] (common practice, no source)."""


class IndividualsChart(NamedTuple):
    """Limits of a chart of single values, in the unit of the values.

    Attributes
    ----------
    centre, lower, upper : float. Centre line and limits.
    sd : float. Scatter that the moving range implies, or the least that was given.
    """

    centre: float
    lower: float
    upper: float
    sd: float


class EwmaChart(NamedTuple):
    """An exponentially weighted moving average and its limits, one a value.

    Attributes
    ----------
    values : ndarray. The average after each value.
    lower, upper : ndarray. Limits, which widen as the start is forgotten.
    """

    values: np.ndarray
    lower: np.ndarray
    upper: np.ndarray


class CusumChart(NamedTuple):
    """Tabular cumulative sums, one a value, in the unit of the values.

    Attributes
    ----------
    high, low : ndarray
        What has piled up above and below the level beyond the allowance; both at least 0.
    limit : float. A sum above it signals.
    """

    high: np.ndarray
    low: np.ndarray
    limit: float


class Shift(NamedTuple):
    """A lasting change of level.

    Attributes
    ----------
    first : int. Place of the first value of the new level, as the sums date it.
    seen : int. Place of the value that made it sure.
    last : int. Place of its last value; the last of all if it lasts.
    earliest, latest : int. Places between which its first value lies with 95 %.
    size : float. Mean of its values less the first level.
    size_sd : float. Standard error of that.
    is_away : bool. Whether that is more than two standard errors; if not, the process came back.
    """

    first: int
    seen: int
    last: int
    earliest: int
    latest: int
    size: float
    size_sd: float
    is_away: bool


class LevelChart(NamedTuple):
    """The level of a process over time, and where it changed.

    Attributes
    ----------
    level : ndarray. Level at each value: the mean of the stretch it belongs to.
    sums : CusumChart. Sums about the level as it was known then; they start again after each shift.
    shifts : list of Shift. In order of time; empty for a process that never left its level.
    """

    level: np.ndarray
    sums: CusumChart
    shifts: list[Shift]


class StuckRun(NamedTuple):
    """A reading that did not move where it should have.

    Attributes
    ----------
    first, last : int. Places of the first and last such reading.
    days : int. Days on which it read the same.
    value : float. What it read, in the unit of the readings.
    """

    first: int
    last: int
    days: int
    value: float


class PressureSpell(NamedTuple):
    """Days on which the pressure stands where this shop's never does.

    Attributes
    ----------
    first, last : int. Places of the first and last reading of the spell.
    days : int. Days in it.
    departure_pa : float. Mean departure from the shop's usual pressure. [Pa]
    is_reduced : bool. Whether it looks like one reduced to sea level.
    """

    first: int
    last: int
    days: int
    departure_pa: float
    is_reduced: bool


class StationDifference(NamedTuple):
    """Two stations that logged the same days and do not agree.

    Attributes
    ----------
    station, other : str. Their names, in order of the alphabet.
    quantity : str. temperature, pressure or humidity.
    difference : float. The first less the other, mean over the days. [K, Pa or %]
    days : int. Days on which both logged.
    first_day, last_day : int. The first and last of them.
    """

    station: str
    other: str
    quantity: str
    difference: float
    days: int
    first_day: int
    last_day: int


class Slope(NamedTuple):
    """A fitted slope with its 95 % interval.

    Attributes
    ----------
    slope : float. Change of y per unit of x.
    lower, upper : float. Interval.
    p : float. Chance of a slope this far from 0 if there were none.
    """

    slope: float
    lower: float
    upper: float
    p: float


def _rows(**named: ArrayLike) -> list[np.ndarray]:
    """Return rows of numbers; refuse what is no row, and rows that differ in length."""
    rows = [np.asarray(values, dtype=float) for values in named.values()]
    for name, row in zip(named, rows, strict=True):
        if row.ndim != 1:
            raise ValueError(f"{name} must be one row, got shape {row.shape}")
    if len({row.size for row in rows}) > 1:
        sizes = ", ".join(f"{row.size}" for row in rows)
        raise ValueError(f"{', '.join(named)} must have one length, got {sizes}")
    return rows


def individuals_chart(values: ArrayLike, reference: ArrayLike, least_sd: float) -> IndividualsChart:
    r"""Return the limits that single values of a steady process stay within.

    Parameters
    ----------
    values : array_like. One value a session, in order of time; NaN where not seen.
    reference : array_like of bool. Which values set the limits: a period known to be sound.
    least_sd : float. Scatter that is known from elsewhere to be there at least. Ten values alone
        know theirs within a quarter, and limits too narrow by chance cry wolf for good.

    Returns
    -------
    IndividualsChart. All NaN with fewer than two reference values side by side.

    Raises
    ------
    ValueError. If the rows differ in length, or `least_sd` is negative.

    Notes
    -----
    .. math:: \bar x \pm 3\,\frac{\overline{MR}}{1.128}

    with the moving range between neighbours that were both seen and both in the reference [1]_;
    a value not seen is skipped, not bridged. Limits are set once on the reference and then left
    alone: recomputed with every point they would follow the drift they are there to show.
    Assumes values independent in time; values that follow one another make the limits narrow.

    Examples
    --------
    >>> chart = individuals_chart([10.0, 12.0, 10.0, 12.0], [True] * 4, 0.0)
    >>> chart.lower, chart.upper
    (5.68, 16.32)

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.2.
    """
    require("least_sd", least_sd, at_least=0.0)
    row, chosen = _rows(values=values, reference=reference)
    usable = np.isfinite(row) & (chosen > 0.0)
    side_by_side = usable[1:] & usable[:-1]
    if not side_by_side.any():
        return IndividualsChart(math.nan, math.nan, math.nan, math.nan)
    centre = float(row[usable].mean())
    mean_range = float(np.abs(np.diff(row))[side_by_side].mean())
    sd = max(mean_range / RANGE_PER_SD, least_sd)
    return IndividualsChart(centre, centre - LIMIT_WIDTH * sd, centre + LIMIT_WIDTH * sd, sd)


def ewma_chart(values: ArrayLike, *, centre: float, sd: float) -> EwmaChart:
    r"""Return the chart that sees a small lasting shift sooner than single values do.

    Parameters
    ----------
    values : array_like. One value a session, in order of time; NaN where not seen.
    centre : float. Where the steady process lies; the average starts there.
    sd : float. Scatter of single values.

    Returns
    -------
    EwmaChart
        Average and limits at each value. Where a value was not seen, the ones before it hold.

    Raises
    ------
    ValueError. If `values` is not one row, or `sd` is negative.

    Notes
    -----
    .. math:: z_i = w x_i + (1 - w) z_{i-1}, \quad
              \pm L s \sqrt{\frac{w}{2 - w} \left[1 - (1 - w)^{2i}\right]}

    as [1]_, with *w* of 0.3, *L* of 3, and *i* counting the values seen.

    Examples
    --------
    >>> chart = ewma_chart([52.0, 47.0], centre=50.0, sd=2.0539)
    >>> chart.values
    array([50.6 , 49.52])

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.4.
    """
    require("sd", sd, at_least=0.0)
    (row,) = _rows(values=values)
    weight = EWMA_WEIGHT
    average = np.empty(row.size)
    last = centre
    for index, value in enumerate(row):
        if not math.isnan(value):
            last = weight * value + (1.0 - weight) * last
        average[index] = last
    count = np.cumsum(np.isfinite(row))
    forgotten = weight / (2.0 - weight) * (1.0 - (1.0 - weight) ** (2 * count))
    half = LIMIT_WIDTH * sd * np.sqrt(forgotten)
    return EwmaChart(average, centre - half, centre + half)


class Sums:
    """Adds up small departures until they cannot be chance, above and below."""

    def __init__(self, sd: float) -> None:
        self.slack = CUSUM_ALLOWANCE * sd
        self.high = self.low = 0.0
        self.run_high = self.run_low = 0
        """Values since each sum last stood at 0."""

    def add(self, departure: float) -> None:
        """Take in one more value, as its departure from the level."""
        self.high = max(0.0, self.high + departure - self.slack)
        self.low = max(0.0, self.low - departure - self.slack)
        self.run_high = self.run_high + 1 if self.high > 0.0 else 0
        self.run_low = self.run_low + 1 if self.low > 0.0 else 0


def level_chart(values: ArrayLike, *, centre: float, sd: float, reference: ArrayLike) -> LevelChart:
    r"""Return the lasting changes of level, each with when it began and how large it is.

    Parameters
    ----------
    values : array_like. One value a session, in order of time; NaN where not seen.
    centre : float. Level of the reference period.
    sd : float. Scatter of single values.
    reference : array_like of bool
        Which values made the centre. It is taken as known no better than they know it, and sound
        values that follow make it better. Without any the centre is taken as known.

    Returns
    -------
    LevelChart. Levels, sums and shifts. Where a value was not seen, the sums before it hold.

    Raises
    ------
    ValueError. If the rows differ in length, or `sd` is negative.

    Notes
    -----
    .. math::
        C_i^+ &= \max(0,\; d_i - k s + C_{i-1}^+), \quad C_i^- = \max(0,\; -d_i - k s + C_{i-1}^-)

    as [1]_ and [2]_; above :math:`h s` they signal. With k = 0.5 and h = 5 a steady process of
    independent values and known scatter signals once in 465 values, a shift of one standard
    deviation after 10.4 and of two after 4 [3]_.

    A self-starting CUSUM [4]_: :math:`d_i` is each value held against the mean of the *n* values
    of its level so far, scaled by :math:`\sqrt{1 + 1/n}` for what that mean does not know. Held
    against the mean of ten values alone, a steady process would raise false alarms several times
    as often as the tables say. A departure counts for three standard deviations at most: one wild
    value is no level. When a sum signals, the new level begins at the value of the run from which
    on the mean departs most surely (greatest :math:`n (\bar x - \mu)^2`), and the sums start
    again about that. The size is biased away from 0 while a shift is new (only large sums signal),
    and less with each value that follows. A slow drift comes out as several shifts in one
    direction.

    Within which values a shift began is told by the likelihood: with *R(t)* the squares left
    about the two means if it began at *t*, all *t* with

    .. math:: \frac{R(t) - \min R}{s^2} \le 7.35, \quad \left(1 - e^{-7.35/2}\right)^2 = 0.95

    as [5]_.

    With a scatter from the moving ranges of ten values, one steady process in four shows a shift
    within the next 52 values (one in fifteen with a known scatter); of shifts of two standard
    deviations 92 % are seen within nine values, of shifts of one 66 % within 26 (own simulation of
    3,000 and 1,500 processes each).

    Examples
    --------
    >>> chart = level_chart([0.0, 0.1, -0.1, 3.0, 3.1, 2.9], centre=0.0, sd=1.0,
    ...                     reference=[False] * 6)
    >>> chart.shifts[0][:6]
    (3, 5, 5, 2, 4, 3.0)

    References
    ----------
    .. [1] D. C. Montgomery, Introduction to Statistical Quality Control, section 9.1.
    .. [2] NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.3.
    .. [3] J. M. Lucas and R. B. Crosier, Technometrics 24, 1982 (from memory).
    .. [4] D. M. Hawkins and D. H. Olwell, Cumulative Sum Charts and Charting for Quality
       Improvement, 1998, chapter 7 (from memory).
    .. [5] D. Siegmund, Confidence sets in change-point problems, International Statistical
       Review 56, 1988 (from memory).
    """
    require("sd", sd, at_least=0.0)
    row, chosen = _rows(values=values, reference=reference)
    is_seen = np.isfinite(row)
    within = is_seen & (chosen > 0.0)
    high, low = np.zeros(row.size), np.zeros(row.size)
    limit, widest = CUSUM_LIMIT * sd, LIMIT_WIDTH * sd
    begun: list[tuple[int, int]] = []
    sums, mean, held_against = Sums(sd), centre, centre
    count = float(within.sum()) or math.inf
    for index, value in enumerate(row):
        if is_seen[index]:
            away = (value - mean) / math.sqrt(1.0 + 1.0 / count)
            # One wild value must not make a level of its own.
            sums.add(min(max(away, -widest), widest))
            if not within[index] and math.isfinite(count):
                mean, count = (mean * count + value) / (count + 1.0), count + 1.0
        high[index], low[index] = sums.high, sums.low
        if max(sums.high, sums.low) > limit:
            run = sums.run_high if sums.high > sums.low else sums.run_low
            places = np.flatnonzero(is_seen[: index + 1])[-run:]
            first = int(places[_onset(row[places], held_against)])
            begun.append((first, index))
            of_run = row[first : index + 1][is_seen[first : index + 1]]
            mean = held_against = float(of_run.mean())
            sums, count = Sums(sd), float(of_run.size)
    level, found = _levels_and_shifts(row, begun, within, centre, sd)
    return LevelChart(level, CusumChart(high, low, limit), found)


def _onset(values: np.ndarray, level: float) -> int:
    """Return from which value on the mean is surest to have left the level."""
    count = np.arange(values.size, 0, -1)
    means = np.cumsum(values[::-1])[::-1] / count
    return int(np.argmax(count * (means - level) ** 2))


def _levels_and_shifts(
    row: np.ndarray, begun: list[tuple[int, int]], within: np.ndarray, centre: float, sd: float
) -> tuple[np.ndarray, list[Shift]]:
    """Return the level at each value, and each change of it against the first level."""
    is_seen = np.isfinite(row)
    first_of_all = begun[0][0] if begun else row.size
    base, known = centre, math.inf
    if within.any():
        # The reference made the centre; what followed before the first shift makes it better.
        after = is_seen & ~within & (np.arange(row.size) < first_of_all)
        known = float(within.sum() + after.sum())
        base = (centre * within.sum() + float(row[after].sum())) / known
    level = np.full(row.size, base)
    found = []
    ends = [first - 1 for first, _ in begun[1:]] + ([row.size - 1] if begun else [])
    for (first, seen), end in zip(begun, ends, strict=True):
        stretch = row[first : end + 1][is_seen[first : end + 1]]
        level[first:] = float(stretch.mean())
        size = float(stretch.mean() - base)
        error = sd * math.sqrt(1.0 / stretch.size + 1.0 / known)
        last = int(np.flatnonzero(is_seen[: end + 1])[-1])
        since = found[-1].first if found else 0
        earliest, latest = _begins_within(row, since, first, last, sd)
        away = bool(abs(size) > 2.0 * error)
        found.append(Shift(first, seen, last, earliest, latest, size, error, away))
    return level, found


def _begins_within(
    row: np.ndarray, since: int, first: int, last: int, sd: float
) -> tuple[int, int]:
    """Return the first and last place at which a shift may have begun."""
    places = since + np.flatnonzero(np.isfinite(row[since : last + 1]))
    values = row[places]
    if values.size < 3 or sd == 0.0:
        return first, first
    # Squares left when the first k values have one mean and the others another.
    k = np.arange(1, values.size)
    total, squares = np.cumsum(values), float(values @ values)
    left = squares - total[:-1] ** 2 / k - (total[-1] - total[:-1]) ** 2 / (values.size - k)
    may = places[1:][left - left.min() <= ONSET_LIMIT * sd**2]
    return int(min(may[0], first)), int(max(may[-1], first))


def signals(
    values: ArrayLike, individuals: IndividualsChart, ewma: EwmaChart, cusum: CusumChart
) -> list[list[Note]]:
    """Say at each value what the charts object to.

    Parameters
    ----------
    values : array_like. The charted values; NaN where not seen.
    individuals : IndividualsChart. Their limits.
    ewma : EwmaChart. Their moving average.
    cusum : CusumChart. Their sums.

    Returns
    -------
    list of list of dict. The broken rules at each value, as notes.

    Raises
    ------
    ValueError. If `values` is not one row, or differs from the charts in length.

    Notes
    -----
    The rules: beyond a limit; eight in a row on one side; two of three beyond two standard
    deviations or four of five beyond one, on one side [1]_; the moving average beyond its limit; a
    sum beyond its limit. A zone rule is told at a value that takes part in it. A value not seen
    neither counts nor breaks a run; one on the centre line breaks it. More rules see more and cry
    wolf more: the limits alone alarm a steady process once in 370 values, all four zone rules once
    in 92 [2]_; all rules with both charts once in 88 (own simulation).

    Examples
    --------
    >>> values = [10.0, 12.0, 10.0, 12.0, 16.5]
    >>> limits = individuals_chart(values, [True] * 4 + [False], 0.0)
    >>> about = {"centre": limits.centre, "sd": limits.sd}
    >>> sums = level_chart(values, **about, reference=[True] * 4 + [False]).sums
    >>> signals(values, limits, ewma_chart(values, **about), sums)[3:]
    [[], [{'code': 'beyond limit', 'side': 'upper'}]]

    References
    ----------
    .. [1] Western Electric, Statistical Quality Control Handbook, 1956 (from memory).
    .. [2] C. W. Champ and W. H. Woodall, Technometrics 29, 1987, pages 393 to 399.
    """
    row, average, sums = _rows(values=values, ewma=ewma.values, cusum=cusum.high)
    found: list[list[Note]] = []
    seen: list[float] = []
    run, side_before = 0, 0.0
    for index, value in enumerate(row):
        if math.isnan(value):
            found.append([])
            continue
        seen.append(float(value) - individuals.centre)
        side = float(np.sign(value - individuals.centre))
        run = run + 1 if side == side_before and side != 0.0 else int(side != 0.0)
        side_before = side
        where = "above" if side > 0.0 else "below"
        rules = [
            (value > individuals.upper, note("beyond limit", side="upper")),
            (value < individuals.lower, note("beyond limit", side="lower")),
            (run >= RUN_LENGTH, note("run on one side", values=run, side=where)),
        ]
        for among, needed, width in ZONES:
            beyond = [side * away > width * individuals.sd for away in seen[-among:]]
            told = side != 0.0 and beyond[-1] and sum(beyond) >= needed
            zone = note("zone rule", needed=needed, among=among, width_sd=width, side=where)
            rules.append((told, zone))
        rules += [
            (average[index] > ewma.upper[index], note("average beyond limit", side="upper")),
            (average[index] < ewma.lower[index], note("average beyond limit", side="lower")),
            (sums[index] > cusum.limit, note("sum beyond limit", side="upper")),
            (cusum.low[index] > cusum.limit, note("sum beyond limit", side="lower")),
        ]
        found.append([rule for is_broken, rule in rules if is_broken])
    return found


def _slope(away: np.ndarray, height: np.ndarray, dof: int) -> Slope:
    """Return the slope of what was taken about its means, with its interval."""
    spread = float(away @ away)
    slope = float(away @ height) / spread
    if dof < 1:
        return Slope(slope, math.nan, math.nan, math.nan)
    left = height - slope * away
    sd = math.sqrt(float(left @ left) / dof / spread)
    half = float(special.stdtrit(dof, 0.5 + SLOPE_LEVEL / 2.0)) * sd
    if sd == 0.0:
        return Slope(slope, slope, slope, 0.0 if slope else 1.0)
    return Slope(
        slope, slope - half, slope + half, 2.0 * float(special.stdtr(dof, -abs(slope / sd)))
    )


def common_slope(
    x: ArrayLike, y: ArrayLike, spells: Sequence[str], charts: Sequence[str]
) -> tuple[Slope, float]:
    r"""Return the one slope that several charts share, and whether they may share one.

    Parameters
    ----------
    x : array_like. The influence, such as ln air density; taken as known far better than y.
    y : array_like
        The residual, such as ln corrected power of the control bike; NaN where not seen.
    spells : sequence of str. Steady spell of each value: each has a level of its own, so that a
        dyno whose level changed in spring does not look like the air of spring.
    charts : sequence of str. Chart of each value, such as its bike and dyno.

    Returns
    -------
    Slope. Slope, interval and p; all NaN where no spell saw x change, all but the slope where too
        few values are left to tell.
    float. Chance of slopes as unlike as those of the charts if they were one; NaN for one chart, or
        where too few values are left to tell.

    Raises
    ------
    ValueError. If the rows differ in length.

    Notes
    -----
    Analysis of covariance [1]_: x and y are taken about the means of their spell, then

    .. math:: \hat b \pm t_{n-g-1} \sqrt{\frac{S_1}{(n - g - 1) \sum (x_i - \bar x)^2}}, \quad
              F = \frac{(S_1 - S_c) / (c - 1)}{S_c / (n - g - c)}

    with :math:`S_1` the squares left about one slope, :math:`S_c` those about a slope for each of
    *c* charts, *n* values and *g* spells; with one spell and one chart it is ordinary least
    squares. Assumes one scatter in all of them, and residuals independent in time.

    Examples
    --------
    >>> slope, _ = common_slope([1.0, 2.0, 3.0, 1.0, 2.0], [2.0, 4.0, 6.0, 9.0, 11.0],
    ...                         ["a", "a", "a", "b", "b"], ["one"] * 5)
    >>> round(slope.slope, 6)
    2.0

    References
    ----------
    .. [1] G. W. Snedecor and W. G. Cochran, Statistical Methods, chapter 18 (from memory).
    """
    influence, residual = _rows(x=x, y=y)
    chart_of, spell_of = np.array(charts, dtype=str), np.array(spells, dtype=str)
    if {chart_of.size, spell_of.size} != {influence.size}:
        raise ValueError("x, y, spells and charts must have one length")
    seen = np.isfinite(influence) & np.isfinite(residual)
    away, height = influence[seen], residual[seen]
    chart_of, spell_of = chart_of[seen], spell_of[seen]
    spread_of = []
    for spell in np.unique(spell_of):
        own = spell_of == spell
        # A mean of equal readings may miss them by a last digit, and divide by that.
        moved = np.ptp(away[own]) > 0.0
        away[own] = away[own] - away[own].mean() if moved else 0.0
        height[own] -= height[own].mean()
        spread_of.append(moved)
    if not any(spread_of):
        return Slope(math.nan, math.nan, math.nan, math.nan), math.nan
    dof = away.size - len(spread_of) - 1
    slope = _slope(away, height, dof)
    left, own_slopes = 0.0, 0
    for chart in np.unique(chart_of):
        x_own, y_own = away[chart_of == chart], height[chart_of == chart]
        spread = float(x_own @ x_own)
        left += float(y_own @ y_own) - (float(x_own @ y_own) ** 2 / spread if spread else 0.0)
        own_slopes += spread > 0.0
    rest = height - slope.slope * away
    dof -= own_slopes - 1
    if own_slopes < 2 or dof < 1 or left <= 0.0:
        return slope, math.nan
    ratio = (float(rest @ rest) - left) / (own_slopes - 1) / (left / dof)
    return slope, float(special.fdtrc(own_slopes - 1, dof, max(ratio, 0.0)))


def correction_cause(density: Slope, temperature: Slope, pressure: Slope) -> Note | None:
    """Say what a slope of corrected power against the air speaks for, or nothing.

    Parameters
    ----------
    density : Slope. Of ln corrected power against ln air density, percent per percent.
    temperature, pressure : Slope. Of the same power against the temperature and the pressure read.

    Returns
    -------
    dict or None. None while the interval holds 0 or there is none; else a note.

    Notes
    -----
    Observed power of a naturally aspirated engine follows density about one to one. A slope that
    may be +1, within a tenth, is power that was never corrected, -1 power corrected twice.
    Between them the correction takes out too little (+) or too much (-), and of temperature and
    pressure the reading that power follows more surely is named. Reasoning of ours, no source.

    Examples
    --------
    >>> unclear = Slope(0.0, -1.0, 1.0, 1.0)
    >>> correction_cause(Slope(0.95, 0.7, 1.2, 1e-6), unclear, unclear)
    {'code': 'not corrected'}
    """
    if not (density.lower > 0.0 or density.upper < 0.0):
        return None
    if density.lower <= 1.1 and density.upper >= 0.9:
        return note("not corrected")
    if density.lower <= -0.9 and density.upper >= -1.1:
        return note("corrected twice")
    told = [
        (slope.p, name)
        for slope, name in ((temperature, "temperature"), (pressure, "pressure"))
        if slope.p < 0.05
    ]
    follows = min(told)[1] if told else ""
    return note("corrected in part", is_too_little=density.slope > 0.0, follows=follows)


def stuck_runs(readings: ArrayLike, days: ArrayLike) -> list[StuckRun]:
    r"""Return where a weather reading stood still for longer than chance allows.

    Parameters
    ----------
    readings : array_like
        One reading a session of one station, in order of time; NaN where there was none.
    days : array_like of int. Day of each, as a number.

    Returns
    -------
    list of StuckRun. In order of time.

    Raises
    ------
    ValueError. If the rows differ in length.

    Notes
    -----
    How often neighbouring days read the same by chance depends on the display's digits and the
    room, so the shop's other days say it: :math:`q = (e + 1)/(m + 2)` with *e* equal ones of *m*
    neighbouring days outside the run. A run over *d* of *D* days then has a chance of at most
    :math:`D q^{d-1}`; below a thousandth it is told, from three days on. Without other days q is a
    half. Design of ours, no source.

    Examples
    --------
    >>> readings = [20.1, 22.4, 19.8, 23.3, 21.7, 20.9, 18.2, 25.0, 25.0, 25.0, 25.0, 25.0, 25.0]
    >>> run = stuck_runs(readings, range(13))[0]
    >>> run.first, run.last, run.days
    (7, 12, 6)
    """
    row, day = _rows(readings=readings, days=days)
    seen = np.flatnonzero(np.isfinite(row) & np.isfinite(day))
    if seen.size < 2:
        return []
    value, on = row[seen], day[seen]
    equal, next_day = np.diff(value) == 0.0, np.diff(on) != 0.0
    starts = np.flatnonzero(np.concatenate(([True], ~equal)))
    ends = np.concatenate((starts[1:] - 1, [value.size - 1]))
    all_days = np.unique(on).size
    found = []
    for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
        of_run = np.unique(on[start : end + 1]).size
        if of_run < SPELL_DAYS:
            continue
        outside = next_day.copy()
        outside[start:end] = False
        share = ((equal & outside).sum() + 1) / (outside.sum() + 2)
        chance = float(all_days * share ** (of_run - 1))
        if chance < STUCK_CHANCE:
            found.append(StuckRun(int(seen[start]), int(seen[end]), of_run, float(value[start])))
    return found


def pressure_spells(
    pressures_pa: ArrayLike, days: ArrayLike, altitude_m: float | None
) -> list[PressureSpell]:
    r"""Return the spells in which a station's pressure stepped away from the shop's usual one.

    Parameters
    ----------
    pressures_pa : array_like
        One reading a session of one station, in order of time; NaN where there was none. [Pa]
    days : array_like of int. Day of each, as a number.
    altitude_m : float or None. Height of the shop above sea level. [m]

    Returns
    -------
    list of PressureSpell. In order of time.

    Raises
    ------
    ValueError. If the rows differ in length, or a pressure is not above 0.

    Notes
    -----
    Usual is the median of the daily medians, its scatter *s* 1.4826 times their median absolute
    deviation, at least 500 Pa. Neighbouring days beyond 1.5 *s* on one side are a spell if their
    mean is beyond 3 *s* and 2.5 kPa, and, going up at a known height, beyond 0.6 of what
    reducing to sea level adds. Sea level is named if the mean comes within a third of that;
    without a height, if the spell lies within 2 kPa of 101.325 kPa and the usual pressure more
    than 2 kPa below. A long high in winter can look like one. Common practice, no source.

    Examples
    --------
    >>> pressures = [97_600.0, 97_900.0, 97_200.0, 98_300.0, 97_000.0, 97_700.0, 97_400.0,
    ...              101_500.0, 101_300.0, 101_600.0]
    >>> spell = pressure_spells(pressures, range(10), 310.0)[0]
    >>> spell.first, spell.days, spell.is_reduced
    (7, 3, True)
    """
    require("pressures_pa", pressures_pa, above=0.0, unit="Pa")
    row, day = _rows(pressures_pa=pressures_pa, days=days)
    seen = np.flatnonzero(np.isfinite(row) & np.isfinite(day))
    listed, of_day = np.unique(day[seen], return_inverse=True)
    if listed.size < 2 * SPELL_DAYS:
        return []
    by_day = np.split(row[seen][np.argsort(of_day, kind="stable")], np.cumsum(np.bincount(of_day)))
    daily = np.array([np.median(readings) for readings in by_day[:-1]])
    usual = float(np.median(daily))
    scatter = max(1.4826 * float(np.median(np.abs(daily - usual))), 500.0)
    reduced = 0.0
    if altitude_m is not None:
        reduced = float(air.sea_level_pressure_pa(usual, altitude_m)) - usual
    side = np.where(np.abs(daily - usual) > 1.5 * scatter, np.sign(daily - usual), 0.0)
    starts = np.flatnonzero(np.concatenate(([True], np.diff(side) != 0.0)))
    ends = np.concatenate((starts[1:] - 1, [side.size - 1]))
    found = []
    for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
        if side[start] == 0.0 or end - start + 1 < SPELL_DAYS:
            continue
        departure = float(daily[start : end + 1].mean()) - usual
        least = max(3.0 * scatter, 2_500.0, 0.6 * reduced if departure > 0.0 else 0.0)
        if abs(departure) < least:
            continue
        within = seen[(day[seen] >= listed[start]) & (day[seen] <= listed[end])]
        found.append(
            PressureSpell(
                int(within[0]),
                int(within[-1]),
                end - start + 1,
                departure,
                _is_reduced(usual, departure, reduced),
            )
        )
    return found


def _is_reduced(usual_pa: float, departure_pa: float, reduced_pa: float) -> bool:
    """Whether a spell of odd pressure is likely one that was reduced to sea level."""
    if reduced_pa > 0.0:
        return abs(departure_pa - reduced_pa) <= reduced_pa / 3.0
    standard = air.ATMOSPHERE_PA
    return abs(usual_pa + departure_pa - standard) <= 2_000.0 and usual_pa < standard - 2_000.0


def usual_pressure_doubt(pressures_pa: ArrayLike, altitude_m: float | None) -> Note | None:
    """Say whether the shop's usual pressure fits its height, or nothing.

    Parameters
    ----------
    pressures_pa : array_like. Pressures, one a day; NaN where there was none. [Pa]
    altitude_m : float or None. Height of the shop above sea level. [m]

    Returns
    -------
    dict or None. None when it fits or nothing is known, else a note.

    Raises
    ------
    ValueError. If a pressure is not above 0.

    Notes
    -----
    A station that always reads for sea level is never out of the ordinary: only the height tells
    it.

    Examples
    --------
    >>> usual_pressure_doubt([101_300.0] * 10, 310.0)["is_reduced"]
    True
    """
    require("pressures_pa", pressures_pa, above=0.0, unit="Pa")
    (row,) = _rows(pressures_pa=pressures_pa)
    row = row[np.isfinite(row)]
    if altitude_m is None or row.size < USUAL_DAYS:
        return None
    usual = float(np.median(row))
    expected = float(air.standard_atmosphere_pressure_pa(altitude_m))
    if abs(usual - expected) <= USUAL_WITHIN_PA:
        return None
    sea_level = float(air.sea_level_pressure_pa(expected, altitude_m))
    return note(
        "usual pressure unfit",
        usual_kpa=usual / 1000.0,
        altitude_m=altitude_m,
        expected_kpa=expected / 1000.0,
        is_reduced=abs(usual - sea_level) < abs(usual - expected),
    )


def station_differences(
    stations: Sequence[str],
    days: ArrayLike,
    temperatures_k: ArrayLike,
    pressures_pa: ArrayLike,
    humidities_pct: ArrayLike,
) -> list[StationDifference]:
    """Return which stations that logged the same days do not agree, and in what.

    Parameters
    ----------
    stations : sequence of str. Equipment that logged each reading.
    days : array_like of int. Day of each, as a number.
    temperatures_k, pressures_pa, humidities_pct : array_like
        What it read; NaN where nothing. [K] [Pa] [%]

    Returns
    -------
    list of StationDifference
        By quantity and name; differences within `MOST_DIFFERENCE` are left out.

    Raises
    ------
    ValueError. If the rows differ in length.

    Notes
    -----
    Daily means of each station are taken apart, then averaged over the days that both logged.
    Which of the two is wrong, two stations cannot tell. Assumes both stand in the same room;
    readings taken hours apart differ by weather too, hence the wide tolerances.

    Examples
    --------
    >>> found = station_differences(["a", "b", "a", "b"], [1, 1, 2, 2], [295.0, 295.5] * 2,
    ...                             [97_800.0, 101_500.0] * 2, [40.0, 44.0] * 2)
    >>> [(one.quantity, one.difference, one.days) for one in found]
    [('pressure', -3700.0, 2)]
    """
    day, temperature, pressure, humidity = _rows(
        days=days,
        temperatures_k=temperatures_k,
        pressures_pa=pressures_pa,
        humidities_pct=humidities_pct,
    )
    if len(stations) != day.size:
        raise ValueError(
            f"stations and days must have one length, got {len(stations)} and {day.size}"
        )
    readings = {"temperature": temperature, "pressure": pressure, "humidity": humidity}
    name_of = np.array(stations, dtype=str)
    names = sorted(set(stations))
    found = []
    for quantity, row in readings.items():
        daily = [_daily_means(row[name_of == name], day[name_of == name]) for name in names]
        for one, other in combinations(range(len(names)), 2):
            both = sorted(set(daily[one]) & set(daily[other]))
            if len(both) < SHARED_DAYS:
                continue
            difference = float(np.mean([daily[one][on] - daily[other][on] for on in both]))
            if abs(difference) > MOST_DIFFERENCE[quantity]:
                found.append(
                    StationDifference(
                        names[one],
                        names[other],
                        quantity,
                        difference,
                        len(both),
                        int(both[0]),
                        int(both[-1]),
                    )
                )
    return found


def _daily_means(row: np.ndarray, day: np.ndarray) -> dict[float, float]:
    """Return the mean of each day on which something was read."""
    seen = np.isfinite(row) & np.isfinite(day)
    listed, of_day = np.unique(day[seen], return_inverse=True)
    means = np.bincount(of_day, weights=row[seen]) / np.bincount(of_day)
    return dict(zip(listed.tolist(), means.tolist(), strict=True))


def drift_of_pair(
    before: Mapping[str, tuple[float, float]], after: Mapping[str, tuple[float, float]]
) -> float:
    r"""Return what events of the dyno add to the uncertainty of a comparison.

    Parameters
    ----------
    before, after : mapping of str to (float, float). The events that each session may stand in:
        event → (how surely it stands in it, 0 to 1; size of the event on the ln scale).

    Returns
    -------
    float. 1 SD on the ln scale, to be added in squares; 0 when both read alike.

    Raises
    ------
    ValueError. If a size is negative, or a share not from 0 to 1.

    Notes
    -----
    .. math:: u = \sum_e |\Delta_e| \sqrt{|p_b - p_a|}

    An event that began at one time stands between two sessions with the difference of their
    shares, and its square is then expected in that share of cases. A known error that is left in
    (we never rescale) counts with its full size as one standard deviation [1]_; several are
    summed up, as they may have gone apart.

    Examples
    --------
    >>> drift_of_pair({}, {"service": (1.0, 0.012)})
    0.012
    >>> drift_of_pair({"service": (1.0, 0.012)}, {"service": (0.75, 0.012)})
    0.006

    References
    ----------
    .. [1] S. D. Phillips, K. R. Eberhardt and B. Parry, Guidelines for expressing the uncertainty
       of measurement results containing uncorrected bias, 1997 (from memory).
    """
    total = 0.0
    for event in sorted({*before, *after}):
        sides = [side[event] for side in (before, after) if event in side]
        require("size of an event", [size for _, size in sides], at_least=0.0)
        require("share of an event", [share for share, _ in sides], at_least=0.0, at_most=1.0)
        apart = abs(before.get(event, (0.0, 0.0))[0] - after.get(event, (0.0, 0.0))[0])
        total += max(size for _, size in sides) * math.sqrt(apart)
    return total
