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

SIGNALS_IN_TWO_YEARS = 0.19
"""False signals that the charts of a stable dyno are set for: one in ten years.

The promise is one in two years of all that is watched, in the worst case too. The rest is for the
weather and the air correction, and for a scatter and a succession known from few sessions only
(`tests/studies/chart_study.md`). Worst are weekly sessions that hang together by 0.4: the charts
alone make 0.88 ± 0.04 of it in 2,000 such dynos; set for 0.22 they made 0.99."""

ODD_SHARE = 0.3
"""Part of that for single odd sessions; the rest is for lasting changes."""

CUSUM_ALLOWANCE = 0.75
"""Half of the shift that is seen soonest, in standard deviations: tuned to one and a half."""

WIDEST = 3.0
"""A session counts for so many standard deviations at most: one wild value is no level."""

LEAST_LEARNT = 8
"""Sessions that are learnt from before one is judged."""

FOLLOWS_USUAL, FOLLOWS_WEIGHT, FOLLOWS_MOST = 0.3, 25.0, 0.6
"""How far a session follows the one before (lag-1 correlation) where nothing is known, the
sessions that this assumption weighs as much as (0.3 give or take 0.2), and what is taken at most
(common practice, no source)."""

KNOWN = 1e6
"""Degrees of freedom of a scatter that is known."""

ONSET_LIMIT = 7.35
"""Twice the fall of ln likelihood that bounds the beginning of a shift with 95 %."""

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


class Limits(NamedTuple):
    """What makes a signal, in standard deviations.

    Attributes
    ----------
    single : float. A session further off than that is odd.
    sums : float. A sum of departures above that is a lasting change.
    """

    single: float
    sums: float


class Shift(NamedTuple):
    """A lasting change of level.

    Attributes
    ----------
    first : int. Place of the first value of the new level, as the sums date it.
    seen : int. Place of the value that made it sure.
    last : int. Place of its last value; the last of all if it lasts.
    earliest, latest : int. Places between which its first value lies with 95 %.
    size : float. Mean of its values less the first level.
    half : float. Half width of its 95 % interval.
    is_away : bool. Whether the interval leaves out 0; if not, the process came back.
    """

    first: int
    seen: int
    last: int
    earliest: int
    latest: int
    size: float
    half: float
    is_away: bool


class ControlChart(NamedTuple):
    """What a row of sessions says of the process behind it, one value a session.

    Attributes
    ----------
    lower, upper : ndarray. Limits of the session, from those before it; NaN where none is judged.
    is_odd : ndarray of bool. Whether it lies beyond them.
    high, low : ndarray
        Departures above and below the level, summed up beyond the allowance, in standard
        deviations; both at least 0, and at 0 again after each shift.
    level : ndarray. The mean of the stretch that the session belongs to.
    shifts : list of Shift. In order of time; empty for a process that never left its level.
    half : float. Half width of the 95 % interval of the last level; NaN where none is judged.
    """

    lower: np.ndarray
    upper: np.ndarray
    is_odd: np.ndarray
    high: np.ndarray
    low: np.ndarray
    level: np.ndarray
    shifts: list[Shift]
    half: float


class Scatter(NamedTuple):
    """How values scatter about their levels, each level learnt from its own stretch.

    Attributes
    ----------
    follows : float. Lag-1 correlation.
    sd : float. Scatter of what the value before does not foretell.
    dof : float. Its degrees of freedom.
    """

    follows: float
    sd: float
    dof: float


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


def cusum_run_length(limit: float, shift: float = 0.0) -> float:
    r"""Return how many values a cumulative sum on both sides takes to signal, on average.

    Parameters
    ----------
    limit : float. Sum that signals, in standard deviations.
    shift : float. How far the level lies off, in standard deviations; 0 for a steady process.

    Returns
    -------
    float. Average run length, for independent values of known level and scatter.

    Raises
    ------
    ValueError. If `limit` is negative.

    Notes
    -----
    Siegmund's approximation [1]_ for one side, with :math:`\Delta` of the shift less the allowance:

    .. math:: \frac{e^{-2 \Delta b} + 2 \Delta b - 1}{2 \Delta^2}, \quad b = h + 1.166

    The two sides signal independently: their rates add up. Within 3 % of the exact run lengths of a
    steady process [2]_.

    Examples
    --------
    >>> round(cusum_run_length(3.34))
    380

    References
    ----------
    .. [1] D. Siegmund, Sequential Analysis, Springer, 1985 (from memory).
    .. [2] D. C. Montgomery, Introduction to Statistical Quality Control, table 9-4 (from memory).
    """
    require("limit", limit, at_least=0.0)
    rate = 0.0
    for side in (shift, -shift):
        drift = side - CUSUM_ALLOWANCE
        reach = limit + 1.166
        if abs(drift) < 1e-9:
            rate += 1.0 / reach**2
            continue
        # Far from a shift to the other side the exponent is beyond a float, and the rate is 0.
        power = min(-2.0 * drift * reach, 700.0)
        rate += 2.0 * drift**2 / (math.exp(power) + 2.0 * drift * reach - 1.0)
    return 1.0 / rate


def signal_limits(sessions_a_year: float) -> Limits:
    r"""Return the limits that a stable dyno passes as seldom as `SIGNALS_IN_TWO_YEARS` says.

    Parameters
    ----------
    sessions_a_year : float. Sessions that are judged in a year, on all charts together.

    Returns
    -------
    Limits

    Raises
    ------
    ValueError. If `sessions_a_year` is not above 0.

    Notes
    -----
    Of *n* sessions in two years each may pass the limit of single ones with a chance of
    :math:`0.3 \cdot 0.19 / n`, on either side of a normal distribution; the sums may take
    :math:`n / (0.7 \cdot 0.19)` sessions to a signal, by `cusum_run_length`.

    Examples
    --------
    >>> limits = signal_limits(26.0)
    >>> round(limits.single, 2), round(limits.sums, 2)
    (3.26, 3.36)
    """
    require("sessions_a_year", sessions_a_year, above=0.0)
    of_two_years = 2.0 * sessions_a_year
    odd = ODD_SHARE * SIGNALS_IN_TWO_YEARS / of_two_years
    wanted = of_two_years / ((1.0 - ODD_SHARE) * SIGNALS_IN_TWO_YEARS)
    low, high = 0.0, 20.0
    for _ in range(50):
        middle = (low + high) / 2.0
        low, high = (middle, high) if cusum_run_length(middle) < wanted else (low, middle)
    return Limits(-float(special.ndtri(min(odd, 1.0) / 2.0)), low)


class Sums:
    """Adds up small departures until they cannot be chance, above and below."""

    def __init__(self) -> None:
        self.high = self.low = 0.0
        self.run_high = self.run_low = 0
        """Values since each sum last stood at 0."""

    def add(self, departure: float) -> None:
        """Take in one more value, as its departure from the level in standard deviations."""
        self.high = max(0.0, self.high + departure - CUSUM_ALLOWANCE)
        self.low = max(0.0, self.low - departure - CUSUM_ALLOWANCE)
        self.run_high = self.run_high + 1 if self.high > 0.0 else 0
        self.run_low = self.run_low + 1 if self.low > 0.0 else 0

    @property
    def longer_run(self) -> int:
        """Values of the longer run: what may be a shift that is not told yet."""
        return max(self.run_high, self.run_low)

    @property
    def run(self) -> int:
        """Values that the higher of the two sums was made of."""
        return self.run_high if self.high > self.low else self.run_low


def scatter_of(
    values: np.ndarray, relative_sd: np.ndarray, starts: Sequence[int], least_sd: float
) -> Scatter:
    r"""Return how values scatter about the levels of their stretches, and follow one another.

    Parameters
    ----------
    values : ndarray. One value a session, in order of time.
    relative_sd : ndarray. Scatter of each against the usual one.
    starts : sequence of int. Place of the first value of each stretch.
    least_sd : float. Scatter that is known from elsewhere to be there at least.

    Returns
    -------
    Scatter

    Notes
    -----
    The lag-1 correlation *r* of *n* values is biased by :math:`-(1 + 4 r) / n` for each level that
    was learnt [1]_; that is put back, and the result is drawn towards `FOLLOWS_USUAL`, which weighs
    as much as `FOLLOWS_WEIGHT` values (the variance of *r* is about 1 / n). What is taken as known
    is the mean of the two, which few sessions know no better than within 0.15.

    Examples
    --------
    >>> scatter_of(np.array([1.0, -1.0, 1.0, -1.0]), np.ones(4), [0], 0.0).follows
    0.0

    References
    ----------
    .. [1] M. G. Kendall, Note on bias in the estimation of autocorrelation, Biometrika 41, 1954
       (from memory).
    """
    ends = [*starts[1:], values.size]
    away = np.concatenate(
        [
            (values[start:end] - _mean(values[start:end], relative_sd[start:end]))
            / relative_sd[start:end]
            for start, end in zip(starts, ends, strict=True)
        ]
    )
    follows_one = np.ones(away.size, dtype=bool)
    follows_one[list(starts)] = False
    later = np.flatnonzero(follows_one)
    squares = float(away @ away)
    lag = float(away[later] @ away[later - 1]) / squares if squares > 0.0 else 0.0
    lag += len(starts) * (1.0 + 4.0 * lag) / away.size
    drawn = (away.size * lag + FOLLOWS_WEIGHT * FOLLOWS_USUAL) / (away.size + FOLLOWS_WEIGHT)
    follows = min(max(drawn, 0.0), FOLLOWS_MOST)
    # The first value of a stretch has none before it, and scatters by so much more.
    new = away * math.sqrt(1.0 - follows**2)
    new[later] = away[later] - follows * away[later - 1]
    dof = float(away.size - len(starts))
    sd = math.sqrt(float(new @ new) / dof)
    return Scatter(follows, sd, dof) if sd > least_sd else Scatter(follows, least_sd, KNOWN)


def _mean(values: np.ndarray, relative_sd: np.ndarray) -> float:
    """Return the mean, in which a value weighs by its scatter."""
    weights = relative_sd**-2.0
    return float(weights @ values / weights.sum())


def control_chart(
    values: ArrayLike, limits: Limits, *, relative_sd: ArrayLike, least_sd: float
) -> ControlChart:
    r"""Return which sessions are odd, and where the level of the process changed for good.

    Parameters
    ----------
    values : array_like. One value a session, in order of time; NaN where not seen.
    limits : Limits. What makes a signal.
    relative_sd : array_like. Scatter of each value against the usual one; ones if all are alike.
    least_sd : float. Scatter that is known from elsewhere to be there at least. Few values know
        theirs badly, and limits too narrow by chance cry wolf for good.

    Returns
    -------
    ControlChart. Where a value was not seen, the sums before it hold.

    Raises
    ------
    ValueError. If the rows differ in length, `least_sd` is negative, or a relative scatter is not
        above 0.

    Notes
    -----
    A self-starting chart [1]_. Each value is held against what those before it foretell,

    .. math:: \hat x_i = m + \phi\,(x_{i-1} - m), \quad
              u_i = \frac{x_i - \hat x_i}{s \sqrt{1 + 1/n}}, \quad
              z_i = \Phi^{-1}\!\left[F_{t, \nu}(u_i)\right]

    with the mean *m* of the *n* values of its stretch, and *s* and :math:`\phi` of `scatter_of`.
    With :math:`\phi` of 0 the *z* of a steady process are exactly independent and standard normal,
    however few values the level and the scatter were learnt from, so that limits from formulas
    hold; `tests/studies/chart_study.md` says how nearly they do otherwise. Each is judged alone and
    by tabular cumulative sums [2]_ :math:`C_i = \max(0, C_{i-1} \pm z_i - k)`. For the sums *s* and
    :math:`\phi` are learnt without the run that they are made of: a shift not told yet passes for
    scatter that hangs together, and two in ten of 2 SD hid so for good. What that costs in false
    signals is in the limit, by that study. A value counts, and is learnt from, as if it lay at most
    three standard deviations off.

    When a sum signals, the new level begins at the value of the run from which on the mean departs
    most surely (greatest :math:`n (\bar x - m)^2`), and the sums start again about that. The size
    is biased away from 0 while a shift is new (only large sums signal), and less with each value
    that follows. A slow drift comes out as several shifts in one direction.

    Within which values a shift began is told by the likelihood: with *R(t)* the squares left
    about the two means if it began at *t*, all *t* with

    .. math:: \frac{R(t) - \min R}{s^2} \le 7.35, \quad \left(1 - e^{-7.35/2}\right)^2 = 0.95

    as [3]_. There, and in the error of a mean, *s* is that of long means,
    :math:`s / (1 - \phi)`.

    Examples
    --------
    >>> values = [0.1, -0.1] * 5 + [3.0, 3.1, 2.9]
    >>> chart = control_chart(values, Limits(3.0, 3.0), relative_sd=[1.0] * 13, least_sd=1.0)
    >>> chart.shifts[0][:5]
    (10, 11, 12, 9, 10)

    References
    ----------
    .. [1] D. M. Hawkins and D. H. Olwell, Cumulative Sum Charts and Charting for Quality
       Improvement, 1998, chapter 7 (from memory).
    .. [2] NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.3.
    .. [3] D. Siegmund, Confidence sets in change-point problems, International Statistical
       Review 56, 1988 (from memory).
    """
    require("least_sd", least_sd, at_least=0.0)
    require("relative_sd", relative_sd, above=0.0)
    row, relative = _rows(values=values, relative_sd=relative_sd)
    seen = np.flatnonzero(np.isfinite(row))
    judge = _Judge(row[seen], relative[seen], limits, least_sd)
    judge.take_all()
    lower, upper = np.full((2, row.size), math.nan)
    lower[seen], upper[seen] = judge.lower, judge.upper
    # Where a value was not seen, what the one before it made still holds.
    last = np.cumsum(np.isfinite(row)) - 1
    sums = np.array([(0.0, 0.0), *judge.sums_after])[last + 1]
    level, found, half = _levels_and_shifts(judge, seen)
    level = np.full(row.size, math.nan) if not seen.size else level[np.maximum(last, 0)]
    with np.errstate(invalid="ignore"):
        is_odd = (row < lower) | (row > upper)
    return ControlChart(lower, upper, is_odd, sums[:, 0], sums[:, 1], level, found, half)


class _Judge:
    """Holds each value against those before it, and starts anew after a shift."""

    def __init__(
        self, values: np.ndarray, relative_sd: np.ndarray, limits: Limits, least_sd: float
    ) -> None:
        self.values, self.relative, self.limits = values, relative_sd, limits
        self.least_sd = least_sd
        self.learnt = values.copy()
        self.starts, self.seen_at = [0], [0]
        self.lower, self.upper = np.full((2, values.size), math.nan)
        self.sums, self.sums_after = Sums(), [(0.0, 0.0)] * min(LEAST_LEARNT, values.size)

    def take_all(self) -> None:
        """Judge the values in order of time."""
        for place in range(LEAST_LEARNT, self.values.size):
            self.take(place)
            self.sums_after.append((self.sums.high, self.sums.low))
            if max(self.sums.high, self.sums.low) > self.limits.sums:
                self.start_anew(place)

    def take(self, place: int) -> None:
        """Judge one value."""
        scatter = self.scatter(place)
        if scatter.sd == 0.0:
            return
        expected, error = self.foretold(place, scatter)
        reach = -float(special.stdtrit(scatter.dof, special.ndtr(-self.limits.single))) * error
        self.lower[place], self.upper[place] = expected - reach, expected + reach
        # Values of a shift not told yet look like scatter that hangs together, and hide it.
        before = self.scatter(place - self.sums.longer_run)
        scatter = before if before.sd > 0.0 else scatter
        expected, error = self.foretold(place, scatter)
        off = (self.values[place] - expected) / error
        # By the nearer tail: the other one rounds to 1, and that to endless.
        z = -float(special.ndtri(special.stdtr(scatter.dof, -abs(off)))) * float(np.sign(off))
        z = min(max(z, -WIDEST), WIDEST)
        self.sums.add(z)
        most = -float(special.stdtrit(scatter.dof, special.ndtr(-WIDEST))) * error
        self.learnt[place] = expected + min(max(off * error, -most), most)

    def foretold(self, place: int, scatter: Scatter) -> tuple[float, float]:
        """Return what those of its stretch before it foretell of a value, and the error of that."""
        start, own = self.starts[-1], self.relative[place]
        mean = _mean(self.learnt[start:place], self.relative[start:place])
        weight = float((self.relative[start:place] ** -2.0).sum())
        last = (self.learnt[place - 1] - mean) / self.relative[place - 1]
        expected = mean + own * scatter.follows * last
        return expected, scatter.sd * math.sqrt(own**2 + 1.0 / weight)

    def scatter(self, before: int) -> Scatter:
        """Return the scatter as the values before one place tell it."""
        return scatter_of(self.learnt[:before], self.relative[:before], self.starts, self.least_sd)

    def start_anew(self, place: int) -> None:
        """Begin a new stretch with the value from which on the sum that signals was made."""
        start = self.starts[-1]
        run = np.arange(max(place + 1 - self.sums.run, start + 1), place + 1)
        held_against = _mean(self.learnt[start : run[0]], self.relative[start : run[0]])
        first = int(run[_onset(self.values[run], held_against)])
        self.starts.append(first)
        self.seen_at.append(place)
        self.learnt[first : place + 1] = self.values[first : place + 1]
        self.sums = Sums()


def _onset(values: np.ndarray, level: float) -> int:
    """Return from which value on the mean is surest to have left the level."""
    count = np.arange(values.size, 0, -1)
    means = np.cumsum(values[::-1])[::-1] / count
    return int(np.argmax(count * (means - level) ** 2))


def _levels_and_shifts(judge: _Judge, seen: np.ndarray) -> tuple[np.ndarray, list[Shift], float]:
    """Return the level at each value seen, each change of it against the first, its last error."""
    size, starts = judge.values.size, judge.starts
    level, found = np.full(size, math.nan), []
    if size <= LEAST_LEARNT:
        level[:] = _mean(judge.values, judge.relative) if size else math.nan
        return level, found, math.nan
    scatter = judge.scatter(size)
    lasting_sd = scatter.sd / (1.0 - scatter.follows)
    wide = float(special.stdtrit(scatter.dof, 0.975)) * lasting_sd
    known = 0.0
    for number, (start, end) in enumerate(zip(starts, [*starts[1:], size], strict=True)):
        weight = float((judge.relative[start:end] ** -2.0).sum())
        level[start:end] = _mean(judge.learnt[start:end], judge.relative[start:end])
        known = known or weight
        if not number:
            continue
        off = float(level[start] - level[0])
        half = wide * math.sqrt(1.0 / weight + 1.0 / known)
        since = starts[number - 1]
        may = since + _may_begin(judge.learnt[since:end], lasting_sd)
        earliest, latest = min([*may.tolist(), start]), max([*may.tolist(), start])
        first, told, last, early, late = (
            int(seen[at]) for at in (start, judge.seen_at[number], end - 1, earliest, latest)
        )
        found.append(Shift(first, told, last, early, late, off, half, abs(off) > half))
    return level, found, wide / math.sqrt(float((judge.relative[starts[-1] :] ** -2.0).sum()))


def _may_begin(values: np.ndarray, sd: float) -> np.ndarray:
    """Return the places at which a shift between two levels may have begun."""
    if values.size < 3 or sd == 0.0:
        return np.zeros(0, dtype=int)
    # Squares left when the first k values have one mean and the others another.
    k = np.arange(1, values.size)
    total, squares = np.cumsum(values), float(values @ values)
    left = squares - total[:-1] ** 2 / k - (total[-1] - total[:-1]) ** 2 / (values.size - k)
    return 1 + np.flatnonzero(left - left.min() <= ONSET_LIMIT * sd**2)


def signals(values: ArrayLike, chart: ControlChart, limits: Limits) -> list[list[Note]]:
    """Say at each value what the chart objects to.

    Parameters
    ----------
    values : array_like. The charted values; NaN where not seen.
    chart : ControlChart. Their chart.
    limits : Limits. What makes a signal.

    Returns
    -------
    list of list of dict. What was broken at each value, as notes.

    Raises
    ------
    ValueError. If `values` is not one row, or differs from the chart in length.

    Examples
    --------
    >>> values = [0.1, -0.1] * 5 + [9.0]
    >>> limits = Limits(3.0, 3.0)
    >>> chart = control_chart(values, limits, relative_sd=[1.0] * 11, least_sd=1.0)
    >>> signals(values, chart, limits)[9:]
    [[], [{'code': 'beyond limit', 'side': 'upper'}]]
    """
    row, lower, upper = _rows(values=values, lower=chart.lower, upper=chart.upper)
    found = []
    for place, value in enumerate(row):
        # A value not seen changes no sum: what was told of the one before is not told again.
        rules = (
            (value > upper[place], note("beyond limit", side="upper")),
            (value < lower[place], note("beyond limit", side="lower")),
            (chart.high[place] > limits.sums, note("sum beyond limit", side="upper")),
            (chart.low[place] > limits.sums, note("sum beyond limit", side="lower")),
        )
        found.append([rule for is_broken, rule in rules if is_broken and not math.isnan(value)])
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
    enough = ends - starts >= SPELL_DAYS - 1
    for start, end in zip(starts[enough].tolist(), ends[enough].tolist(), strict=True):
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
    mean is beyond 3.5 *s* and 3.1 kPa, which the weather of some two years in a hundred reaches
    (`tests/studies/chart_study.md`; 3 *s* and 2.5 kPa: one in six), and, going up at a known
    height, beyond 0.6 of what reducing to sea level adds. Sea level is named if the mean comes
    within a third of that; without a height, if the spell lies within 2 kPa of 101.325 kPa and the
    usual pressure more than 2 kPa below. A long high in winter can look like one. Common practice,
    no source.

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
        least = max(3.5 * scatter, 3_100.0, 0.6 * reduced if departure > 0.0 else 0.0)
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
