"""The dyno itself: control charts of a bike that never changes, and slopes against the air."""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from flows.metrics.domain_checks import require

RANGE_PER_SD = 1.128
"""d2 for ranges of two: 2 / sqrt(pi), rounded as the tables print it."""

RANGE_LIMIT_FACTOR = 3.267
"""D4 for ranges of two, as the tables print it."""

LIMIT_WIDTH = 3.0
"""Shewhart's three standard deviations: one false alarm in 370 points."""


class IndividualsChart(NamedTuple):
    """Limits of a chart of single values.

    Attributes
    ----------
    centre, lower, upper : float
        Centre line and limits, in the unit of the values.
    sd : float
        Scatter that the moving range implies.
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


def individuals_chart(values: ArrayLike, *, reference: ArrayLike | None = None) -> IndividualsChart:
    r"""Return the limits that single values of a steady process stay within.

    Parameters
    ----------
    values : array_like
        One value a session, in order of time; NaN where not seen.
    reference : array_like of bool, optional
        Which values set the limits: a period known to be sound. Default: all.

    Returns
    -------
    IndividualsChart
        Centre, limits, scatter and moving ranges; all NaN with fewer than two reference values.

    Raises
    ------
    ValueError
        If `values` is not one row, or `reference` differs from it in length.

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
    sd = mean_range / RANGE_PER_SD
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


def signals(
    values: ArrayLike,
    individuals: IndividualsChart,
    ewma: EwmaChart | None = None,
    *,
    run_length: int = 8,
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
    run_length : int, default 8
        So many values in a row on one side of the centre are a shift.

    Returns
    -------
    list of str
        One entry a value: "" or the reasons, joined by "; ".

    Raises
    ------
    ValueError
        If `values` is not one row, differs from `ewma` in length, or `run_length` is below 2.

    Notes
    -----
    Three rules: beyond a limit; `run_length` in a row on one side (the Western Electric rule
    [1]_); the moving average beyond its limit. A value not seen neither counts nor breaks a run;
    one on the centre line breaks it. Two rules on one chart raise the false alarms of a steady
    process to about one in 150 values (from memory).

    Examples
    --------
    >>> chart = individuals_chart([10.0, 12.0, 10.0, 12.0, 30.0], reference=[1, 1, 1, 1, 0])
    >>> signals([10.0, 12.0, 10.0, 12.0, 30.0], chart)
    ['', '', '', '', 'beyond the upper limit']

    References
    ----------
    .. [1] Western Electric, Statistical Quality Control Handbook, 1956 (from memory).
    """
    require("run_length", run_length, at_least=2)
    row = _row("values", values)
    if ewma is not None and ewma.values.shape != row.shape:
        raise ValueError(
            f"ewma must have the length of values, got {ewma.values.shape} and {row.shape}"
        )
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
        if ewma is not None:
            if ewma.values[index] > ewma.upper[index]:
                reasons.append("moving average beyond the upper limit")
            elif ewma.values[index] < ewma.lower[index]:
                reasons.append("moving average beyond the lower limit")
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
    spread = float(away @ away)
    slope = float(away @ height) / spread
    dof = influence.size - 2
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
