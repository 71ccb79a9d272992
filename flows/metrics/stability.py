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

RANGE_PER_SD = 1.128
"""d2 for ranges of two: 2 / sqrt(pi), rounded as the tables print it."""

RANGE_LIMIT_FACTOR = 3.267
"""D4 for ranges of two, as the tables print it."""

LIMIT_WIDTH = 3.0
"""Shewhart's three standard deviations: one false alarm in 370 points."""

CUSUM_ALLOWANCE = 0.5
"""Half of the shift to be seen, in standard deviations: tuned to a shift of one."""

CUSUM_LIMIT = 5.0
"""Sum that signals, in standard deviations: one false alarm in 465 values, if level and scatter
are known."""

ONSET_LIMIT = 7.35
"""Twice the fall of ln likelihood that bounds the beginning of a shift with 95 %."""

MOST_DIFFERENCE = {"temperature": 3.0, "pressure": 400.0, "humidity": 15.0}
"""What two sound stations in one room differ by at most [K, Pa, %] (common practice, no source)."""


class IndividualsChart(NamedTuple):
    """Limits of a chart of single values.

    Attributes
    ----------
    centre, lower, upper : float
        Centre line and limits, in the unit of the values.
    sd : float
        Scatter that the moving range implies, or the least that was given.
    moving_range_mean, moving_range_upper : float
        Mean and upper limit of the moving range.
    moving_range : ndarray
        Moving range at each value; NaN at the first and where not seen.
    """

    centre: float
    lower: float
    upper: float
    sd: float
    moving_range_mean: float
    moving_range_upper: float
    moving_range: np.ndarray


class EwmaChart(NamedTuple):
    """An exponentially weighted moving average and its limits, one a value.

    Attributes
    ----------
    values : ndarray
        The average after each value.
    lower, upper : ndarray
        Limits, which widen as the start is forgotten.
    """

    values: np.ndarray
    lower: np.ndarray
    upper: np.ndarray


class CusumChart(NamedTuple):
    """Tabular cumulative sums, one a value.

    Attributes
    ----------
    high, low : ndarray
        What has piled up above and below the centre beyond the allowance; both at least 0, in
        the unit of the values.
    run_high, run_low : ndarray
        Values since each sum last stood at 0.
    limit : float
        A sum above it signals.
    """

    high: np.ndarray
    low: np.ndarray
    run_high: np.ndarray
    run_low: np.ndarray
    limit: float


class Shift(NamedTuple):
    """A lasting change of level.

    Attributes
    ----------
    first : int
        Place of the first value of the new level, as the sums date it.
    seen : int
        Place of the value that made it sure.
    last : int
        Place of its last value; the last of all if it lasts.
    earliest, latest : int
        Places between which its first value lies with 95 %.
    size : float
        Mean of its values less the first level.
    size_sd : float
        Standard error of that.
    is_away : bool
        Whether that is more than two standard errors; if not, the process came back.
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
    level : ndarray
        Level at each value: the mean of the stretch it belongs to.
    sums : CusumChart
        Sums about the level as it was known then; they start again after each shift.
    shifts : list of Shift
        In order of time; empty for a process that never left its level.
    """

    level: np.ndarray
    sums: CusumChart
    shifts: list[Shift]


class StuckRun(NamedTuple):
    """A reading that did not move where it should have.

    Attributes
    ----------
    first, last : int
        Places of the first and last such reading.
    days : int
        Days on which it read the same.
    value : float
        What it read, in the unit of the readings.
    chance : float
        How often a live sensor of this shop would read so. [0..1]
    """

    first: int
    last: int
    days: int
    value: float
    chance: float


class PressureSpell(NamedTuple):
    """Days on which the pressure stands where this shop's never does.

    Attributes
    ----------
    first, last : int
        Places of the first and last reading of the spell.
    days : int
        Days in it.
    departure_pa : float
        Mean departure from the shop's usual pressure. [Pa]
    cause : str
        The likely cause.
    """

    first: int
    last: int
    days: int
    departure_pa: float
    cause: str


class StationDifference(NamedTuple):
    """Two stations that logged the same days and do not agree.

    Attributes
    ----------
    station, other : str
        Their names, in order of the alphabet.
    quantity : str
        temperature, pressure or humidity.
    difference : float
        The first less the other, mean over the days. [K, Pa or %]
    days : int
        Days on which both logged.
    first_day, last_day : int
        The first and last of them.
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
    slope : float
        Change of y per unit of x.
    lower, upper : float
        Interval.
    p : float
        Chance of a slope this far from 0 if there were none.
    """

    slope: float
    lower: float
    upper: float
    p: float


def _row(name: str, values: ArrayLike) -> np.ndarray:
    row = np.asarray(values, dtype=float)
    if row.ndim != 1:
        raise ValueError(f"{name} must be one row, got shape {row.shape}")
    return row


def individuals_chart(
    values: ArrayLike, *, reference: ArrayLike | None = None, least_sd: float = 0.0
) -> IndividualsChart:
    r"""Return the limits that single values of a steady process stay within.

    Parameters
    ----------
    values : array_like
        One value a session, in order of time; NaN where not seen.
    reference : array_like of bool, optional
        Which values set the limits: a period known to be sound. Default: all.
    least_sd : float, default 0
        Scatter that is known from elsewhere to be there at least. Ten values alone know theirs
        within a quarter, and limits too narrow by chance cry wolf for good.

    Returns
    -------
    IndividualsChart
        Centre, limits, scatter and moving ranges; all NaN with fewer than two reference values.

    Raises
    ------
    ValueError
        If `values` is not one row, `reference` differs from it in length, or `least_sd` is
        negative.

    Notes
    -----
    .. math:: \bar x \pm 3\,\frac{\overline{MR}}{1.128}, \quad
              UCL_{MR} = 3.267\,\overline{MR}

    with the moving range between neighbours that were both seen and both in the reference [1]_;
    a value not seen is skipped, not bridged. Limits are set once on the reference and then left
    alone: recomputed with every point they would follow the drift they are there to show.
    Assumes values independent in time; values that follow one another make the limits narrow.

    Examples
    --------
    >>> chart = individuals_chart([10.0, 12.0, 10.0, 12.0])
    >>> chart.lower, chart.upper
    (5.68, 16.32)

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.2.
    """
    require("least_sd", least_sd, at_least=0.0)
    row = _row("values", values)
    usable = np.isfinite(row)
    if reference is not None:
        chosen = np.asarray(reference, dtype=bool)
        if chosen.shape != row.shape:
            raise ValueError(
                f"reference must have the length of values, got {chosen.shape} and {row.shape}"
            )
        usable = usable & chosen
    moving_range = np.concatenate(([np.nan], np.abs(np.diff(row))))[: row.size]
    in_reference = usable & np.concatenate(([False], usable[:-1]))[: row.size]
    if usable.sum() < 2 or not in_reference.any():
        nothing = math.nan
        return IndividualsChart(nothing, nothing, nothing, nothing, nothing, nothing, moving_range)
    centre = float(row[usable].mean())
    mean_range = float(moving_range[in_reference].mean())
    sd = max(mean_range / RANGE_PER_SD, least_sd)
    return IndividualsChart(
        centre=centre,
        lower=centre - LIMIT_WIDTH * sd,
        upper=centre + LIMIT_WIDTH * sd,
        sd=sd,
        moving_range_mean=mean_range,
        moving_range_upper=RANGE_LIMIT_FACTOR * mean_range,
        moving_range=moving_range,
    )


def ewma_chart(
    values: ArrayLike, *, centre: float, sd: float, weight: float = 0.3, width: float = LIMIT_WIDTH
) -> EwmaChart:
    r"""Return the chart that sees a small lasting shift sooner than single values do.

    Parameters
    ----------
    values : array_like
        One value a session, in order of time; NaN where not seen.
    centre : float
        Where the steady process lies; the average starts there.
    sd : float
        Scatter of single values.
    weight : float, default 0.3
        Weight of the newest value: a shift of about one standard deviation shows in ten.
    width : float, default 3
        Limits, in standard deviations of the average.

    Returns
    -------
    EwmaChart
        Average and limits at each value. Where a value was not seen, the ones before it hold.

    Raises
    ------
    ValueError
        If `values` is not one row, `sd` is negative, `weight` not above 0 and at most 1, or
        `width` not above 0.

    Notes
    -----
    .. math:: z_i = w x_i + (1 - w) z_{i-1}, \quad
              \pm L s \sqrt{\frac{w}{2 - w} \left[1 - (1 - w)^{2i}\right]}

    as [1]_, with *i* counting the values seen.

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
    require("weight", weight, above=0.0, at_most=1.0)
    require("width", width, above=0.0)
    row = _row("values", values)
    average = np.empty(row.size)
    last = centre
    for index, value in enumerate(row):
        if not math.isnan(value):
            last = weight * value + (1.0 - weight) * last
        average[index] = last
    count = np.cumsum(np.isfinite(row))
    half = width * sd * np.sqrt(weight / (2.0 - weight) * (1.0 - (1.0 - weight) ** (2 * count)))
    return EwmaChart(average, centre - half, centre + half)


def cusum_chart(
    values: ArrayLike,
    *,
    centre: float,
    sd: float,
    allowance: float = CUSUM_ALLOWANCE,
    limit: float = CUSUM_LIMIT,
) -> CusumChart:
    r"""Return the chart that adds up small departures until they cannot be chance.

    Parameters
    ----------
    values : array_like
        One value a session, in order of time; NaN where not seen.
    centre : float
        Where the steady process lies.
    sd : float
        Scatter of single values.
    allowance : float, default 0.5
        What each value may depart for nothing, in standard deviations.
    limit : float, default 5
        Sum that signals, in standard deviations.

    Returns
    -------
    CusumChart
        Both sums and how long each has been piling up. Where a value was not seen, the sums
        before it hold.

    Raises
    ------
    ValueError
        If `values` is not one row, `sd` or `allowance` is negative, or `limit` not above 0.

    Notes
    -----
    .. math::
        C_i^+ &= \max(0,\; x_i - (\mu_0 + k s) + C_{i-1}^+) \\
        C_i^- &= \max(0,\; (\mu_0 - k s) - x_i + C_{i-1}^-)

    as [1]_ and [2]_; above :math:`h s` they signal. With k = 0.5 and h = 5 a steady process
    signals once in 465 values, a shift of one standard deviation after 10.4 and of two after 4
    (`cusum_run_length`). The values of the run that signals date the shift. Assumes values
    independent in time, and a scatter that is known: from ten values of a reference it is known
    within a quarter.

    Examples
    --------
    >>> cusum_chart([10.0, 12.0, 12.0], centre=10.0, sd=1.0).high
    array([0. , 1.5, 3. ])

    References
    ----------
    .. [1] D. C. Montgomery, Introduction to Statistical Quality Control, section 9.1.
    .. [2] NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.3.
    """
    require("sd", sd, at_least=0.0)
    require("allowance", allowance, at_least=0.0)
    require("limit", limit, above=0.0)
    row = _row("values", values)
    slack = allowance * sd
    sums = np.zeros((2, row.size))
    runs = np.zeros((2, row.size), dtype=int)
    now, run = [0.0, 0.0], [0, 0]
    for index, value in enumerate(row):
        if not math.isnan(value):
            for side, sign in enumerate((1.0, -1.0)):
                now[side] = max(0.0, now[side] + sign * (value - centre) - slack)
                run[side] = run[side] + 1 if now[side] > 0.0 else 0
        sums[:, index], runs[:, index] = now, run
    return CusumChart(sums[0], sums[1], runs[0], runs[1], limit * sd)


def cusum_run_length(
    shift: float, *, allowance: float = CUSUM_ALLOWANCE, limit: float = CUSUM_LIMIT
) -> float:
    r"""Return after how many values, in the mean, a two-sided CUSUM signals.

    Parameters
    ----------
    shift : float
        Change of level, in standard deviations; 0 for the distance between false alarms.
    allowance : float, default 0.5
        In standard deviations.
    limit : float, default 5
        In standard deviations.

    Returns
    -------
    float
        Average run length. [values]

    Raises
    ------
    ValueError
        If `allowance` or `limit` is not above 0.

    Notes
    -----
    Siegmund's approximation [1]_, with :math:`b = h + 1.166` and :math:`\Delta = \pm\delta - k`:

    .. math::
        L^\pm = \frac{e^{-2 \Delta b} + 2 \Delta b - 1}{2 \Delta^2}, \quad
        \frac{1}{L} = \frac{1}{L^+} + \frac{1}{L^-}

    Within a few percent of the exact values, enough to plan how often to run the control bike.

    Examples
    --------
    >>> round(cusum_run_length(0.0)), round(cusum_run_length(1.0), 1)
    (469, 10.3)

    References
    ----------
    .. [1] D. C. Montgomery, Introduction to Statistical Quality Control, section 9.1.3.
    """
    require("allowance", allowance, above=0.0)
    require("limit", limit, above=0.0)
    reach = limit + 1.166

    def one_side(change: float) -> float:
        path = 2.0 * (change - allowance) * reach
        if abs(path) < 1e-9:
            return reach**2
        if path < -600.0:
            return math.inf
        return (math.exp(-path) + path - 1.0) / (2.0 * (change - allowance) ** 2)

    rate = 1.0 / one_side(shift) + 1.0 / one_side(-shift)
    return 1.0 / rate if rate > 0.0 else math.inf


def level_chart(
    values: ArrayLike,
    *,
    centre: float,
    sd: float,
    reference: ArrayLike | None = None,
    allowance: float = CUSUM_ALLOWANCE,
    limit: float = CUSUM_LIMIT,
) -> LevelChart:
    r"""Return the lasting changes of level, each with when it began and how large it is.

    Parameters
    ----------
    values : array_like
        One value a session, in order of time; NaN where not seen.
    centre : float
        Level of the reference period.
    sd : float
        Scatter of single values.
    reference : array_like of bool, optional
        Which values made the centre. The centre is then taken as known no better than they know
        it, and sound values that follow make it better. Default: the centre is known.
    allowance, limit : float
        As for `cusum_chart`.

    Returns
    -------
    LevelChart
        Levels, sums and shifts.

    Raises
    ------
    ValueError
        As `cusum_chart`, or if `reference` differs from `values` in length or holds no value.

    Notes
    -----
    A self-starting CUSUM [1]_: each value is held against the mean of the *n* values of its level
    so far, scaled by :math:`\sqrt{1 + 1/n}` for what that mean does not know. Held against the
    mean of ten values alone, a steady process would raise false alarms several times as often as
    the tables say. A departure counts for three standard deviations at most: one wild value is no
    level. When a sum signals, the new level begins at the value of the run from which on the
    mean departs most surely (greatest :math:`n (\bar x - \mu)^2`), and the sums start again
    about that. The size is biased away from 0 while a shift is new
    (only large sums signal), and less with each value that follows. A slow drift comes out as
    several shifts in one direction.

    Within which values a shift began is told by the likelihood: with *R(t)* the squares left
    about the two means if it began at *t*, all *t* with

    .. math:: \frac{R(t) - \min R}{s^2} \le 7.35, \quad \left(1 - e^{-7.35/2}\right)^2 = 0.95

    as [2]_.

    The run lengths of the tables hold for a known scatter. With a scatter from the moving ranges
    of ten values, one steady process in four shows a shift within the next 52 values (one in
    fifteen with a known scatter); of shifts of two standard deviations 92 % are seen within nine
    values, of shifts of one 66 % within 26 (own simulation of 3,000 and 1,500 processes each).

    Examples
    --------
    >>> chart = level_chart([0.0, 0.1, -0.1, 3.0, 3.1, 2.9], centre=0.0, sd=1.0)
    >>> chart.shifts[0][:6]
    (3, 5, 5, 2, 4, 3.0)

    References
    ----------
    .. [1] D. M. Hawkins and D. H. Olwell, Cumulative Sum Charts and Charting for Quality
       Improvement, 1998, chapter 7 (from memory).
    .. [2] D. Siegmund, Confidence sets in change-point problems, International Statistical
       Review 56, 1988 (from memory).
    """
    row = _row("values", values)
    is_seen = np.isfinite(row)
    within = np.zeros(row.shape, dtype=bool)
    count = math.inf
    if reference is not None:
        within = np.asarray(reference, dtype=bool)
        if within.shape != row.shape:
            raise ValueError(
                f"reference must have the length of values, got {within.shape} and {row.shape}"
            )
        within = within & is_seen
        count = float(within.sum())
        if count == 0.0:
            raise ValueError("reference must hold at least 1 value that was seen, got none")
    high, low = np.zeros(row.size), np.zeros(row.size)
    run_high, run_low = np.zeros(row.size, dtype=int), np.zeros(row.size, dtype=int)
    begun: list[tuple[int, int]] = []
    start, mean = 0, centre
    while True:
        held_against = mean
        departure = np.full(row.size - start, math.nan)
        for index in range(start, row.size):
            if not is_seen[index]:
                continue
            away = (row[index] - mean) / math.sqrt(1.0 + 1.0 / count)
            # One wild value must not make a level of its own.
            departure[index - start] = min(max(away, -LIMIT_WIDTH * sd), LIMIT_WIDTH * sd)
            if not within[index] and math.isfinite(count):
                mean, count = (mean * count + row[index]) / (count + 1.0), count + 1.0
        chart = cusum_chart(departure, centre=0.0, sd=sd, allowance=allowance, limit=limit)
        over = np.flatnonzero((chart.high > chart.limit) | (chart.low > chart.limit))
        end = int(over[0]) + 1 if over.size else row.size - start
        for whole, part in zip((high, low, run_high, run_low), chart[:4], strict=True):
            whole[start : start + end] = part[:end]
        if not over.size:
            break
        seen = start + end - 1
        run = run_high[seen] if high[seen] > low[seen] else run_low[seen]
        places = np.flatnonzero(is_seen[: seen + 1])[-run:]
        first = int(places[_onset(row[places], held_against)])
        begun.append((first, seen))
        of_run = row[first : seen + 1][is_seen[first : seen + 1]]
        mean, count, start = float(of_run.mean()), float(of_run.size), seen + 1
    level, found = _levels_and_shifts(row, begun, within, centre, sd)
    return LevelChart(level, CusumChart(high, low, run_high, run_low, limit * sd), found)


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
    values: ArrayLike,
    individuals: IndividualsChart,
    ewma: EwmaChart | None = None,
    cusum: CusumChart | None = None,
    *,
    run_length: int = 8,
    zones: bool = False,
) -> list[str]:
    """Say at each value what the charts object to.

    Parameters
    ----------
    values : array_like
        The charted values; NaN where not seen.
    individuals : IndividualsChart
        Their limits.
    ewma : EwmaChart, optional
        Their moving average.
    cusum : CusumChart, optional
        Their sums.
    run_length : int, default 8
        So many values in a row on one side of the centre are a shift.
    zones : bool, default False
        Whether two of three beyond two standard deviations and four of five beyond one, on one
        side, count too.

    Returns
    -------
    list of str
        One entry a value: "" or the reasons, joined by "; ".

    Raises
    ------
    ValueError
        If `values` is not one row, differs from `ewma` or `cusum` in length, or `run_length` is
        below 2.

    Notes
    -----
    The rules: beyond a limit; `run_length` in a row on one side; with `zones` the other two zone
    rules [1]_; the moving average beyond its limit; a sum beyond its limit. A zone rule is told
    at a value that takes part in it. A value not seen neither counts nor breaks a run; one on the
    centre line breaks it. More rules see more and cry wolf more: the limits alone alarm a steady
    process once in 370 values, limits and run once in about 150 (from memory), all four zone
    rules once in 92 [2]_; all rules with both charts once in 88 (own simulation).

    Examples
    --------
    >>> chart = individuals_chart([10.0, 12.0, 10.0, 12.0, 30.0], reference=[1, 1, 1, 1, 0])
    >>> signals([10.0, 12.0, 10.0, 12.0, 30.0], chart)
    ['', '', '', '', 'beyond the upper limit']

    References
    ----------
    .. [1] Western Electric, Statistical Quality Control Handbook, 1956 (from memory).
    .. [2] C. W. Champ and W. H. Woodall, Technometrics 29, 1987, pages 393 to 399.
    """
    require("run_length", run_length, at_least=2)
    row = _row("values", values)
    for name, length in (
        ("ewma", None if ewma is None else ewma.values.shape),
        ("cusum", None if cusum is None else cusum.high.shape),
    ):
        if length is not None and length != row.shape:
            raise ValueError(f"{name} must have the length of values, got {length} and {row.shape}")
    found: list[str] = []
    run, side_before = 0, 0.0
    for index, value in enumerate(row):
        reasons = []
        if math.isnan(value):
            found.append("")
            continue
        if value > individuals.upper:
            reasons.append("beyond the upper limit")
        elif value < individuals.lower:
            reasons.append("beyond the lower limit")
        side = float(np.sign(value - individuals.centre))
        run = run + 1 if side == side_before and side != 0.0 else int(side != 0.0)
        side_before = side
        if run >= run_length:
            where = "above" if side > 0.0 else "below"
            reasons.append(f"{run} in a row {where} the centre")
        if zones and side != 0.0:
            where = "above" if side > 0.0 else "below"
            for among, needed, width, words in (
                (3, 2, 2.0, "2 of 3 beyond two standard deviations"),
                (5, 4, 1.0, "4 of 5 beyond one standard deviation"),
            ):
                past = row[: index + 1][np.isfinite(row[: index + 1])][-among:]
                beyond = side * (past - individuals.centre) > width * individuals.sd
                if beyond[-1] and beyond.sum() >= needed:
                    reasons.append(f"{words} {where} the centre")
        if ewma is not None:
            if ewma.values[index] > ewma.upper[index]:
                reasons.append("moving average beyond the upper limit")
            elif ewma.values[index] < ewma.lower[index]:
                reasons.append("moving average beyond the lower limit")
        if cusum is not None:
            if cusum.high[index] > cusum.limit:
                reasons.append("sum of departures beyond the upper limit")
            if cusum.low[index] > cusum.limit:
                reasons.append("sum of departures beyond the lower limit")
        found.append("; ".join(reasons))
    return found


def slope_against(x: ArrayLike, y: ArrayLike, *, level: float = 0.95) -> Slope:
    r"""Return how a residual changes with what it should not depend on.

    Parameters
    ----------
    x : array_like
        The influence, such as air density.
    y : array_like
        The residual, such as ln corrected power of the control bike; NaN where not seen.
    level : float, default 0.95
        Coverage of the interval. [0..1]

    Returns
    -------
    Slope
        Slope, interval and p; the interval is NaN below three points, all of it below two or
        if x never changes.

    Raises
    ------
    ValueError
        If the rows differ in length, or `level` is not between 0 and 1.

    Notes
    -----
    .. math:: \hat b \pm t_{n-2} \sqrt{\frac{\sum e_i^2}{(n - 2) \sum (x_i - \bar x)^2}}

    Ordinary least squares [1]_. If corrected power still follows air density, the correction
    does not correct or the weather station errs. Assumes that x is known far better than y,
    and residuals independent in time.

    Examples
    --------
    >>> slope_against([1.0, 2.0, 3.0], [2.0, 4.0, 6.0]).slope
    2.0

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 4.4.3.1 (from memory).
    """
    require("level", level, above=0.0, below=1.0)
    influence, residual = _row("x", x), _row("y", y)
    if influence.shape != residual.shape:
        raise ValueError(
            f"x and y must have one length, got {influence.shape} and {residual.shape}"
        )
    seen = np.isfinite(influence) & np.isfinite(residual)
    influence, residual = influence[seen], residual[seen]
    if influence.size < 2 or np.ptp(influence) == 0.0:
        return Slope(math.nan, math.nan, math.nan, math.nan)
    away = influence - influence.mean()
    height = residual - residual.mean()
    return _slope(away, height, influence.size - 2, level)


def _slope(away: np.ndarray, height: np.ndarray, dof: int, level: float) -> Slope:
    """Return the slope of what was taken about its means, with its interval."""
    spread = float(away @ away)
    slope = float(away @ height) / spread
    if dof < 1:
        return Slope(slope, math.nan, math.nan, math.nan)
    left = height - slope * away
    sd = math.sqrt(float(left @ left) / dof / spread)
    half = float(special.stdtrit(dof, 0.5 + level / 2.0)) * sd
    if sd == 0.0:
        return Slope(slope, slope, slope, 0.0 if slope else 1.0)
    return Slope(
        slope, slope - half, slope + half, 2.0 * float(special.stdtr(dof, -abs(slope / sd)))
    )


def common_slope(
    x: ArrayLike,
    y: ArrayLike,
    spells: Sequence[str],
    *,
    charts: Sequence[str] | None = None,
    level: float = 0.95,
) -> tuple[Slope, float]:
    r"""Return the one slope that several charts share, and whether they may share one.

    Parameters
    ----------
    x : array_like
        The influence, such as ln air density.
    y : array_like
        The residual, such as ln corrected power of the control bike; NaN where not seen.
    spells : sequence of str
        Steady spell of each value: each has a level of its own, so that a dyno whose level
        changed in spring does not look like the air of spring.
    charts : sequence of str, optional
        Chart of each value, such as its bike and dyno. Default: one for all.
    level : float, default 0.95
        Coverage of the interval. [0..1]

    Returns
    -------
    Slope
        Slope, interval and p; all NaN where no spell saw x change.
    float
        Chance of slopes as unlike as those of the charts if they were one; NaN for one chart, or
        where too few values are left to tell.

    Raises
    ------
    ValueError
        If the rows differ in length, or `level` is not between 0 and 1.

    Notes
    -----
    Analysis of covariance [1]_: x and y are taken about the means of their spell, then

    .. math:: F = \frac{(S_1 - S_c) / (c - 1)}{S_c / (n - g - c)}

    with :math:`S_1` the squares left about one slope, :math:`S_c` those about a slope for each of
    *c* charts, *n* values and *g* spells. Assumes one scatter in all of them.

    Examples
    --------
    >>> slope, _ = common_slope([1.0, 2.0, 3.0, 1.0, 2.0], [2.0, 4.0, 6.0, 9.0, 11.0],
    ...                         ["a", "a", "a", "b", "b"])
    >>> round(slope.slope, 6)
    2.0

    References
    ----------
    .. [1] G. W. Snedecor and W. G. Cochran, Statistical Methods, chapter 18 (from memory).
    """
    require("level", level, above=0.0, below=1.0)
    influence, residual = _row("x", x), _row("y", y)
    chart_of = np.array([""] * influence.size if charts is None else charts, dtype=str)
    spell_of = np.array(spells, dtype=str)
    if {residual.size, chart_of.size, spell_of.size} != {influence.size}:
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
    slope = _slope(away, height, dof, level)
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


def correction_cause(
    density: Slope, *, temperature: Slope | None = None, pressure: Slope | None = None
) -> str:
    """Say what a slope of corrected power against the air speaks for, or nothing.

    Parameters
    ----------
    density : Slope
        Of ln corrected power against ln air density, percent per percent.
    temperature, pressure : Slope, optional
        Of the same power against the temperature and the pressure read.

    Returns
    -------
    str
        "" while the interval holds 0 or there is none; else one plain sentence.

    Notes
    -----
    Observed power of a naturally aspirated engine follows density about one to one. A slope that
    may be +1, within a tenth, is power that was never corrected, -1 power corrected twice.
    Between them the correction takes out too little (+) or too much (-), and of temperature and
    pressure the reading that power follows more surely is named. Reasoning of ours, no source.

    Examples
    --------
    >>> correction_cause(Slope(0.95, 0.7, 1.2, 1e-6))
    'power moves with the air as if it had not been corrected at all'
    """
    if not (density.lower > 0.0 or density.upper < 0.0):
        return ""
    if density.lower <= 1.1 and density.upper >= 0.9:
        return "power moves with the air as if it had not been corrected at all"
    if density.lower <= -0.9 and density.upper >= -1.1:
        return "power moves against the air as if it had been corrected twice"
    much = "too little" if density.slope > 0.0 else "too much"
    told = [
        (slope.p, name)
        for slope, name in ((temperature, "temperature"), (pressure, "pressure"))
        if slope is not None and slope.p < 0.05
    ]
    where = f": it follows the {min(told)[1]} read, so look at that sensor first" if told else ""
    return f"the correction takes out {much} of the weather{where}"


def stuck_runs(
    readings: ArrayLike, days: ArrayLike, *, most_chance: float = 0.001, least_days: int = 3
) -> list[StuckRun]:
    r"""Return where a weather reading stood still for longer than chance allows.

    Parameters
    ----------
    readings : array_like
        One reading a session of one station, in order of time; NaN where there was none.
    days : array_like of int
        Day of each, as a number.
    most_chance : float, default 0.001
        A run of equal readings rarer than that is a stuck sensor. [0..1]
    least_days : int, default 3
        Days that it must have lasted.

    Returns
    -------
    list of StuckRun
        In order of time.

    Raises
    ------
    ValueError
        If the rows differ in length, or the chance is not between 0 and 1.

    Notes
    -----
    How often neighbouring days read the same by chance depends on the display's digits and the
    room, so the shop's other days say it: :math:`q = (e + 1)/(m + 2)` with *e* equal ones of *m*
    neighbouring days outside the run. A run over *d* of *D* days then has a chance of at most
    :math:`D q^{d-1}`. Without other days q is a half. Design of ours, no source.

    Examples
    --------
    >>> readings = [20.1, 22.4, 19.8, 23.3, 21.7, 20.9, 18.2, 25.0, 25.0, 25.0, 25.0, 25.0, 25.0]
    >>> run = stuck_runs(readings, range(13))[0]
    >>> run.first, run.last, run.days
    (7, 12, 6)
    """
    require("most_chance", most_chance, above=0.0, below=1.0)
    row, day = _row("readings", readings), _row("days", days)
    if row.shape != day.shape:
        raise ValueError(f"readings and days must have one length, got {row.shape} and {day.shape}")
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
        if of_run < least_days:
            continue
        outside = next_day.copy()
        outside[start:end] = False
        share = ((equal & outside).sum() + 1) / (outside.sum() + 2)
        chance = float(all_days * share ** (of_run - 1))
        if chance < most_chance:
            found.append(
                StuckRun(int(seen[start]), int(seen[end]), of_run, float(value[start]), chance)
            )
    return found


def pressure_spells(
    pressures_pa: ArrayLike,
    days: ArrayLike,
    *,
    altitude_m: float | None = None,
    least_days: int = 3,
) -> list[PressureSpell]:
    r"""Return the spells in which a station's pressure stepped away from the shop's usual one.

    Parameters
    ----------
    pressures_pa : array_like
        One reading a session of one station, in order of time; NaN where there was none. [Pa]
    days : array_like of int
        Day of each, as a number.
    altitude_m : float, optional
        Height of the shop above sea level. [m]
    least_days : int, default 3
        Days that a spell must hold; the weather itself makes shorter ones.

    Returns
    -------
    list of PressureSpell
        In order of time.

    Raises
    ------
    ValueError
        If the rows differ in length, or a pressure is not above 0.

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
    >>> spell = pressure_spells(pressures, range(10), altitude_m=310.0)[0]
    >>> spell.first, spell.days, spell.cause
    (7, 3, 'pressure reduced to sea level')
    """
    require("pressures_pa", pressures_pa, above=0.0, unit="Pa")
    row, day = _row("pressures_pa", pressures_pa), _row("days", days)
    if row.shape != day.shape:
        raise ValueError(
            f"pressures_pa and days must have one length, got {row.shape} and {day.shape}"
        )
    seen = np.flatnonzero(np.isfinite(row) & np.isfinite(day))
    listed, of_day = np.unique(day[seen], return_inverse=True)
    if listed.size < 2 * least_days:
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
        if side[start] == 0.0 or end - start + 1 < least_days:
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
                _spell_cause(usual, departure, reduced),
            )
        )
    return found


def _spell_cause(usual_pa: float, departure_pa: float, reduced_pa: float) -> str:
    if reduced_pa > 0.0:
        near = abs(departure_pa - reduced_pa) <= reduced_pa / 3.0
    else:
        standard = air.ATMOSPHERE_PA
        near = abs(usual_pa + departure_pa - standard) <= 2_000.0 and usual_pa < standard - 2_000.0
    if near:
        return "pressure reduced to sea level"
    return "another sensor, another unit, or a station that drifted"


def usual_pressure_doubt(
    pressures_pa: ArrayLike, altitude_m: float | None, *, least: int = 10, most_pa: float = 2_000.0
) -> str:
    """Say whether the shop's usual pressure fits its height, or nothing.

    Parameters
    ----------
    pressures_pa : array_like
        Pressures, one a day; NaN where there was none. [Pa]
    altitude_m : float or None
        Height of the shop above sea level. [m]
    least : int, default 10
        Days below which nothing is said.
    most_pa : float, default 2000
        The mean of many days seldom departs further from the standard atmosphere. [Pa]

    Returns
    -------
    str
        "" when it fits or nothing is known, else one plain sentence.

    Raises
    ------
    ValueError
        If a pressure is not above 0.

    Notes
    -----
    A station that always reads for sea level is never out of the ordinary: only the height tells
    it. Tolerance: common practice, no source.

    Examples
    --------
    >>> usual_pressure_doubt([101_300.0] * 10, 310.0)[:59]
    'the usual pressure of 101.3 kPa does not fit 310 m, where a'
    """
    require("pressures_pa", pressures_pa, above=0.0, unit="Pa")
    row = _row("pressures_pa", pressures_pa)
    row = row[np.isfinite(row)]
    if altitude_m is None or row.size < least:
        return ""
    usual = float(np.median(row))
    expected = float(air.standard_atmosphere_pressure_pa(altitude_m))
    if abs(usual - expected) <= most_pa:
        return ""
    sea_level = float(air.sea_level_pressure_pa(expected, altitude_m))
    reduced = abs(usual - sea_level) < abs(usual - expected)
    cause = (
        "every pressure seems reduced to sea level"
        if reduced
        else "altitude_m or the station's pressure is wrong"
    )
    return (
        f"the usual pressure of {usual / 1000.0:.1f} kPa does not fit {altitude_m:.0f} m, where "
        f"about {expected / 1000.0:.1f} kPa are usual: {cause}"
    )


def station_differences(
    stations: Sequence[str],
    days: ArrayLike,
    temperatures_k: ArrayLike,
    pressures_pa: ArrayLike,
    humidities_pct: ArrayLike,
    *,
    least_days: int = 2,
) -> list[StationDifference]:
    """Return which stations that logged the same days do not agree, and in what.

    Parameters
    ----------
    stations : sequence of str
        Equipment that logged each reading.
    days : array_like of int
        Day of each, as a number.
    temperatures_k, pressures_pa, humidities_pct : array_like
        What it read; NaN where nothing. [K] [Pa] [%]
    least_days : int, default 2
        Days on which both must have logged.

    Returns
    -------
    list of StationDifference
        By quantity and name; differences within `MOST_DIFFERENCE` are left out.

    Raises
    ------
    ValueError
        If the rows differ in length.

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
    day = _row("days", days)
    readings = {
        "temperature": _row("temperatures_k", temperatures_k),
        "pressure": _row("pressures_pa", pressures_pa),
        "humidity": _row("humidities_pct", humidities_pct),
    }
    if {len(stations), day.size, *(row.size for row in readings.values())} != {day.size}:
        raise ValueError("stations, days and readings must have one length")
    name_of = np.array(stations, dtype=str)
    names = sorted(set(stations))
    found = []
    for quantity, row in readings.items():
        daily = [_daily_means(row[name_of == name], day[name_of == name]) for name in names]
        for one, other in combinations(range(len(names)), 2):
            both = sorted(set(daily[one]) & set(daily[other]))
            if len(both) < least_days:
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
    before, after : mapping of str to (float, float)
        The events that each session may stand in: event → (how surely it stands in it, 0 to 1;
        size of the event on the ln scale).

    Returns
    -------
    float
        1 SD on the ln scale, to be added in squares; 0 when both read alike.

    Raises
    ------
    ValueError
        If a size is negative, or a share not from 0 to 1.

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
