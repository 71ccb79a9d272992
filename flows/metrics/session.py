"""The session: mean of back-to-back pulls, odd pulls, drift and heat, settling, repeatability.

Scatter lives on the ln scale, where one percent is one percent at every engine speed.
"""

import math
from collections.abc import Sequence
from functools import lru_cache
from itertools import combinations
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from flows.metrics.domain_checks import require
from flows.metrics.notes import Note, note

REPEATABILITY_FACTOR = 2.8
"""Limit for the difference of two results, in standard deviations: 1.96 times the root of 2."""

STEADY_INTAKE_K = 0.5
"""Intake air that rises by less a pull holds (common practice, no source)."""

STEADY_COOLANT_K = 1.0
"""Coolant that rises by less a pull holds (common practice, no source)."""

ODD_SHARE = 0.05
"""Pulls that do not belong with their session's others, before any is seen (our choice)."""
ODD_SPAN = 0.2
"""Range of ln power over which the level of an odd pull is evenly likely: 10 % either way."""
SCATTER_DOF = 6.0
"""What the shop's scatter is worth beside the session's own pulls: one session of forty scatters
by more than 2.2 times as much (our choice)."""
BELONGS_FROM = 0.5
"""A pull of less weight is odd: it is more likely that it does not belong than that it does."""
SURE_FROM = 0.9
"""A pull counts in full from this chance on, beside the surest: sound sessions keep plain means."""
DOUBT_LEFT_OUT = 1.05
"""So much variance by the doubt which pulls are good is left out, for the same reason: 2.5 % of a
standard deviation."""
SELDOM_SHARE = 0.01
"""What is called usual holds in all but this share of sound sessions."""
MOST_PATTERNS = 20_000
"""Ways in which pulls may be odd that are weighed at once: all of them up to 15 pulls."""


class SessionMean(NamedTuple):
    """The mean curve of a session that an odd pull cannot drag, and what each pull counts.

    Attributes
    ----------
    mean : ndarray. On the grid, in the curves' unit; NaN where too few pulls saw a point.
    weights : ndarray. One a pull: 1 counts in full, below 0.5 is odd, 0 saw nothing. [0..1]
    effective_pulls : float
        Good pulls whose plain mean would be as sure: below their number where it is not clear which
        pulls belong.
    """

    mean: np.ndarray
    weights: np.ndarray
    effective_pulls: float


class Drift(NamedTuple):
    """Change of level from pull to pull.

    Attributes
    ----------
    slope_pct : float. Change per pull, in order of running; negative is heat soak. [%]
    sd_pct : float. Its standard error; NaN below three pulls. [%]
    """

    slope_pct: float
    sd_pct: float


class PooledSd(NamedTuple):
    """Scatter within groups, all groups together.

    Attributes
    ----------
    sd : float. Pooled standard deviation, in the unit of the values.
    dof : float. Degrees of freedom behind it.
    """

    sd: float
    dof: float


class Grubbs(NamedTuple):
    """The value that stands furthest from the others, and whether chance explains it.

    Attributes
    ----------
    place : int. Which value it is, counted from 0; -1 if there are too few or they are all alike.
    statistic : float
        Its distance from the mean, in standard deviations of all values; NaN without one.
    critical : float. What sound values seldom exceed; NaN below three values.
    is_outlier : bool. Whether the statistic exceeds it.
    """

    place: int
    statistic: float
    critical: float
    is_outlier: bool


class Mandel(NamedTuple):
    """How groups stand against each other: their means by h, their scatter by k; one a group.

    Attributes
    ----------
    h, k : ndarray. The statistics; NaN where a group is too small.
    h_critical : float. What a sound group's h seldom exceeds, either way; NaN below three groups.
    k_critical : ndarray. What a sound group's k seldom exceeds; it depends on the group's size.
    """

    h: np.ndarray
    k: np.ndarray
    h_critical: float
    k_critical: np.ndarray


class Settled(NamedTuple):
    """Whether the last two pulls of a session agree.

    Attributes
    ----------
    is_settled : bool or None. None with fewer than two pulls.
    after_place : int or None. The pull, counted from 0, from which on each pull agrees with the one
        before it; None when not settled.
    difference_pct : float. The last pull against the one before it; NaN where not known. [%]
    limit_pct : float. The repeatability limit r. [%]
    """

    is_settled: bool | None
    after_place: int | None
    difference_pct: float
    limit_pct: float


class HeatSoak(NamedTuple):
    """The trend of a session's level over the order of its pulls, and what the heat says to it.

    Attributes
    ----------
    slope_pct : float. Change of power per pull; NaN below two pulls. [%]
    lower_pct, upper_pct : float. Its 95 % interval. [%]
    intake_slope_k : float
        Rise of the intake air per pull; NaN where fewer than two pulls logged it. [K]
    coolant_slope_k : float. Rise of the coolant per pull; likewise. [K]
    explained_pct : float
        Change per pull that the warmer intake air alone would make; NaN without it. [%]
    kind : str. heat soak, warming up, not heat, unknown cause, or none.
    told : dict. What is to be said of it, as a note.
    """

    slope_pct: float
    lower_pct: float
    upper_pct: float
    intake_slope_k: float
    coolant_slope_k: float
    explained_pct: float
    kind: str
    told: Note


def _log_curves(power_curves: ArrayLike) -> np.ndarray:
    curves = np.atleast_2d(np.asarray(power_curves, dtype=float))
    if curves.ndim != 2 or curves.shape[0] == 0:
        raise ValueError(f"power_curves must be pulls by grid points, got shape {curves.shape}")
    require("power_curves", curves, above=0.0)
    return np.log(curves)


def _half_seen(logs: np.ndarray) -> np.ndarray:
    return np.isfinite(logs).sum(axis=0) * 2 >= logs.shape[0]


def _levels(logs: np.ndarray) -> np.ndarray:
    """Mean ln deviation of each pull from the median curve, over the common range."""
    seen = np.isfinite(logs)
    half = _half_seen(logs) & seen.any(axis=0)
    common = seen.all(axis=0)
    # One aborted pull must not shrink the range until nothing is left to judge the others by.
    if common.sum() * 2 < half.sum():
        common = half
    if not common.any():
        return np.full(logs.shape[0], np.nan)
    part = logs[:, common]
    middle = np.median if seen[:, common].all() else np.nanmedian
    deviation = part - middle(part, axis=0)
    count = np.isfinite(deviation).sum(axis=1)
    total = np.nansum(deviation, axis=1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def session_mean(power_curves: ArrayLike, weights: ArrayLike | None = None) -> np.ndarray:
    r"""Return the mean curve of a session's pulls.

    Parameters
    ----------
    power_curves : array_like. Pulls by grid points, all above 0; NaN where a pull saw nothing.
    weights : array_like, optional. What each pull counts; all alike without them.

    Returns
    -------
    ndarray
        Mean on the grid, in the curves' unit; NaN where fewer than half of the pulls saw a point.

    Raises
    ------
    ValueError. If a value is not above 0, there is no pull, or a weight is negative.

    Notes
    -----
    .. math::
        \bar y_j = \exp\left(\frac{\sum_i w_i a_i}{\sum_i w_i}
        + \frac{\sum_{i \ni j} w_i (\ln y_{ij} - a_i)}{\sum_{i \ni j} w_i}\right)

    with :math:`a_i` the level of pull *i* (`pull_levels`) and the second sum over the pulls that
    saw point *j*: levels apart from shapes keep the mean from stepping where a pull ends. It is
    below the plain mean by half the square of the pulls' scatter (0.001 % at 0.5 %). A choice of
    ours, no source.

    Examples
    --------
    >>> session_mean([[50.0, 60.0, np.nan], [50.0, 60.0, 70.0]])
    array([50., 60., 70.])
    """
    logs = _log_curves(power_curves)
    pulls = np.ones(logs.shape[0]) if weights is None else np.asarray(weights, dtype=float)
    require("weights", pulls, at_least=0.0)
    return np.exp(_log_mean(logs, _levels(logs), pulls))


def _log_mean(logs: np.ndarray, levels: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Level-adjusted mean of ln curves; NaN where fewer than half of the pulls are seen."""
    level = np.nan_to_num(levels)
    seen = np.isfinite(logs)
    count = np.where(seen, weights[:, None], 0.0)
    heavy = count.sum(axis=0)
    total = (np.where(seen, logs - level[:, None], 0.0) * count).sum(axis=0)
    carried = _half_seen(logs) & (heavy > 0.0)
    # A pull that saw nothing has no level: it must not pull the mean level towards 0.
    known = np.where(seen.any(axis=1), weights, 0.0)
    mean_level = float(known @ level) / known.sum() if known.any() else 0.0
    return np.where(carried, mean_level + total / np.where(carried, heavy, 1.0), np.nan)


def robust_mean(power_curves: ArrayLike, *, repeatability_share: float) -> SessionMean:
    r"""Return the mean curve of a session's pulls, which one odd pull of three cannot drag.

    Parameters
    ----------
    power_curves : array_like. Pulls by grid points, all above 0; NaN where a pull saw nothing.
    repeatability_share : float. 1 SD of back-to-back pulls in this shop. [0..1]

    Returns
    -------
    SessionMean. The mean, what each pull counts, and what they are worth together.

    Raises
    ------
    ValueError. If a value is not above 0, there is no pull, or the repeatability is not above 0.

    Notes
    -----
    The level of a pull (`pull_levels`) is taken as normal about the session's, with the session's
    own scatter, or with chance :math:`\epsilon` as odd: evenly likely within a span *R*. Scatter
    and level are integrated out [1]_, the scatter with the shop's *s* as a prior worth
    :math:`d_0` degrees of freedom. A set *G* of *g* good pulls, at least half of all, with sum of
    squares :math:`S_G` about its mean :math:`\bar a_G`, then has the chance

    .. math::
        p_G \propto \left(\frac{\epsilon}{(1 - \epsilon) R}\right)^{n - g}
        \frac{\Gamma(\nu_G / 2)}{\sqrt g\, (2 \pi)^{(g - 1)/2}}
        \left(\frac{d_0 s^2 + S_G}{2}\right)^{-\nu_G / 2},
        \quad \nu_G = d_0 + g - 1

    The weight of a pull is its chance to be good, :math:`\sum_{G \ni i} p_G`, over 0.9 of the
    greatest of all pulls, at most 1; it holds at all speeds. With *S* and *k* those of the pulls of
    weight 0.5 and more, the effective number is

    .. math::
        n_e = 1.05\, \frac{d_0 s^2 + S}{d_0 + k - 3} \Big/ \sum_G p_G \left(
        \frac{d_0 s^2 + S_G}{g\, (d_0 + g - 3)} + (\bar a_G - \bar a)^2\right)

    so that scatter over :math:`n_e` is the variance of the mean, with the doubt which pulls are
    good in it, but at most what the weights allow, :math:`(\sum w)^2 / \sum w^2`. Of two pulls
    that differ nothing tells which is right: their weights are equal, the mean lies between, and
    they are worth less than one. One pull alone is taken as good.

    Where none is odd the mean is the plain one in most sessions, and no less sure. At a
    repeatability of 0.5 % one pull of three that is 4 % off moves it by 0.12 %, one that is 3 % off
    by 0.4 %: from three pulls no more can be told, for a session may scatter.

    Examples
    --------
    >>> curves = np.outer([1.000, 1.001, 0.960], np.full(50, 60e3))
    >>> found = robust_mean(curves, repeatability_share=0.005)
    >>> found.weights.round(2)
    array([1.  , 1.  , 0.05])

    References
    ----------
    .. [1] G. E. P. Box and G. C. Tiao, "A Bayesian approach to some outlier problems," Biometrika,
       vol. 55, pp. 119-129, 1968 (from memory; there the odd ones are normal and wider).
    """
    require("repeatability_share", repeatability_share, above=0.0)
    logs = _log_curves(power_curves)
    level = _levels(logs)
    known = np.isfinite(level)
    weights, effective = np.zeros(level.size), 0.0
    if known.any():
        weights[known], effective = _weighed(level[known], repeatability_share)
    return SessionMean(np.exp(_log_mean(logs, level, weights)), weights, effective)


def _weighed(level: np.ndarray, usual: float) -> tuple[np.ndarray, float]:
    """Return what each level counts, and the effective number of them."""
    good = _patterns(level.size)
    count = good.sum(axis=1)
    # About their middle: squares of the levels themselves would lose digits.
    away = level - float(np.median(level))
    mean = good @ away / count
    square = np.maximum(good @ away**2 - mean**2 * count, 0.0)
    prior = SCATTER_DOF * usual**2
    half_dof = (SCATTER_DOF + count - 1.0) / 2.0
    log_chance = (
        (level.size - count) * math.log(ODD_SHARE / ((1.0 - ODD_SHARE) * ODD_SPAN))
        + special.gammaln(half_dof)
        - half_dof * np.log((prior + square) / 2.0)
        - 0.5 * np.log(count)
        - 0.5 * (count - 1.0) * math.log(2.0 * math.pi)
    )
    chance = np.exp(log_chance - log_chance.max())
    chance /= chance.sum()
    belongs = chance @ good
    weights = np.minimum(belongs / (SURE_FROM * belongs.max()), 1.0)
    middle = float(weights @ away) / float(weights.sum())
    variance = (prior + square) / (count * (SCATTER_DOF + count - 3.0)) + (mean - middle) ** 2
    agreeing = away[weights >= BELONGS_FROM]
    own = (prior + agreeing.var() * agreeing.size) / (SCATTER_DOF + agreeing.size - 3.0)
    effective = DOUBT_LEFT_OUT * own / float(chance @ variance)
    # No more than the weights themselves allow.
    return weights, float(min(effective, weights.sum() ** 2 / (weights @ weights)))


@lru_cache(maxsize=16)
def _patterns(pulls: int) -> np.ndarray:
    """Return which pulls may be the good ones, a row a way: at least half of them."""
    rows: list[np.ndarray] = []
    for odd in range(pulls // 2 + 1):
        if odd and len(rows) + math.comb(pulls, odd) > MOST_PATTERNS:
            break
        for which in combinations(range(pulls), odd):
            row = np.ones(pulls)
            row[list(which)] = 0.0
            rows.append(row)
    good = np.array(rows)
    good.flags.writeable = False
    return good


def pull_levels(power_curves: ArrayLike) -> np.ndarray:
    r"""Return how far each pull lies above or below its session as a whole.

    Parameters
    ----------
    power_curves : array_like
        Pulls by grid points, all above 0, in order of running; NaN where not seen.

    Returns
    -------
    ndarray. Mean ln deviation of each pull from the session's median curve; NaN for a pull that saw
        nothing of the range.

    Raises
    ------
    ValueError. If a value is not above 0, or there is no pull.

    Notes
    -----
    .. math:: a_i = \frac{1}{J} \sum_j \left(\ln y_{ij} - \mathrm{med}_k \ln y_{kj}\right)

    over the grid points that all pulls saw, or, if a short pull leaves less than half of them,
    over those that at least half of the pulls saw. The median keeps one odd pull from moving
    the line it is judged by. 0.01 is about 1 %. A choice of ours, no source.

    Examples
    --------
    >>> pull_levels([[100.0, 100.0], [101.0, 101.0], [100.0, 100.0]])
    array([0.        , 0.00995033, 0.        ])
    """
    return _levels(_log_curves(power_curves))


def odd_pulls(
    levels: ArrayLike, weights: ArrayLike, *, repeatability_share: float
) -> list[Note | None]:
    r"""Say which pulls of a session do not belong with the others, and by how much.

    Parameters
    ----------
    levels : array_like. ln level of each pull, in order of running; NaN where not known.
    weights : array_like. What each counts, of `robust_mean`. [0..1]
    repeatability_share : float. 1 SD of back-to-back pulls in this shop. [0..1]

    Returns
    -------
    list of dict or None. One entry a pull: None when it belongs, else a note.

    Raises
    ------
    ValueError. If the rows differ in length, or the repeatability is not above 0.

    Notes
    -----
    Odd is a pull of less than half a weight. What is called usual is the distance from the mean of
    *n* others that one sound pull of a hundred exceeds, :math:`z_{0.995}\, s \sqrt{1 + 1/n}`. A
    first pull that is odd and low is marked, for a cold engine makes such pulls. Nothing is dropped
    here: that is for a person to decide.

    Examples
    --------
    >>> odd = odd_pulls([0.0, 0.001, 0.04], [1.0, 1.0, 0.03], repeatability_share=0.005)[2]
    >>> odd["code"], round(odd["away_pct"], 1), round(odd["usual_pct"], 1)
    ('odd pull', 4.0, 1.6)
    """
    level, weight = _levels_and_weights(levels, weights, repeatability_share)
    belongs = weight >= BELONGS_FROM
    others = int(belongs.sum())
    usual_pct = _usual_pct(repeatability_share * math.sqrt(1.0 + 1.0 / max(others, 1)))
    middle = level[belongs].mean() if others else math.nan
    found: list[Note | None] = []
    for place, (own, counts) in enumerate(zip(level, weight, strict=True)):
        if not math.isfinite(own):
            found.append(note("nothing seen"))
        elif counts >= BELONGS_FROM:
            found.append(None)
        else:
            told = note(
                "odd pull",
                away_pct=100.0 * math.expm1(own - middle),
                usual_pct=usual_pct,
                weight_pct=100.0 * counts,
                is_low_first=place == 0 and own < middle,
            )
            found.append(told)
    return found


def pulls_disagree(
    levels: ArrayLike, weights: ArrayLike, *, repeatability_share: float
) -> Note | None:
    r"""Say that a session's pulls scatter more than is usual, and nothing tells which are right.

    Parameters
    ----------
    levels, weights, repeatability_share : As in `odd_pulls`.

    Returns
    -------
    dict or None. None where the pulls that belong agree.

    Raises
    ------
    ValueError. As `odd_pulls`.

    Notes
    -----
    .. math:: \sum_i (a_i - \bar a)^2 > s^2 \chi^2_{0.99,\; k - 1}

    over the *k* pulls of weight 0.5 and more: textbook test of a known variance. Of two pulls it
    judges their one difference.

    Examples
    --------
    >>> told = pulls_disagree([0.0, -0.04], [1.0, 1.0], repeatability_share=0.005)
    >>> told["code"], round(told["apart_pct"], 1), round(told["usual_pct"], 1)
    ('two pulls differ', 4.1, 1.8)
    """
    level, weight = _levels_and_weights(levels, weights, repeatability_share)
    own = level[weight >= BELONGS_FROM]
    if own.size < 2:
        return None
    most = float(special.chdtri(own.size - 1, SELDOM_SHARE))
    if own.var() * own.size <= most * repeatability_share**2:
        return None
    apart_pct = 100.0 * math.expm1(float(np.ptp(own)))
    if own.size > 2:
        return note("pulls disagree", spread_pct=apart_pct)
    usual_pct = _usual_pct(repeatability_share * math.sqrt(2.0))
    return note("two pulls differ", apart_pct=apart_pct, usual_pct=usual_pct)


def _levels_and_weights(
    levels: ArrayLike, weights: ArrayLike, usual: float
) -> tuple[np.ndarray, np.ndarray]:
    require("repeatability_share", usual, above=0.0)
    level, weight = np.asarray(levels, dtype=float), np.asarray(weights, dtype=float)
    if level.ndim != 1 or weight.shape != level.shape:
        raise ValueError(
            f"levels and weights must be rows of one length, got {level.shape} and {weight.shape}"
        )
    return level, np.where(np.isfinite(level), weight, 0.0)


def _usual_pct(sd: float) -> float:
    """Return what a sound difference seldom exceeds, either way."""
    return 100.0 * math.expm1(float(special.ndtri(1.0 - SELDOM_SHARE / 2.0)) * sd)


def level_drift_pct_per_pull(levels: ArrayLike) -> Drift:
    r"""Return how the level changes from pull to pull: heat soak or warming up.

    Parameters
    ----------
    levels : array_like. ln level of each pull, in order of running; NaN where not known.

    Returns
    -------
    Drift. Slope and its standard error; the slope is NaN below two pulls, the error below three.

    Raises
    ------
    ValueError. If `levels` is not one row.

    Notes
    -----
    Least squares of level on the pull's number, times 100. Assumes pulls at about equal
    intervals. Textbook regression, no source needed.

    Examples
    --------
    >>> level_drift_pct_per_pull([0.000, -0.002, -0.004])
    Drift(slope_pct=-0.2, sd_pct=0.0)
    """
    level = np.asarray(levels, dtype=float)
    if level.ndim != 1:
        raise ValueError(f"levels must be one row, got shape {level.shape}")
    seen = np.isfinite(level)
    number, known = np.flatnonzero(seen).astype(float), 100.0 * level[seen]
    if known.size < 2:
        return Drift(math.nan, math.nan)
    away = number - number.mean()
    spread = float(away @ away)
    slope = float(away @ known) / spread
    if known.size < 3:
        return Drift(slope, math.nan)
    residual = known - known.mean() - slope * away
    return Drift(slope, math.sqrt(float(residual @ residual) / (known.size - 2) / spread))


def grubbs(values: ArrayLike, *, false_alarm_share: float = 0.05) -> Grubbs:
    r"""Return Grubbs' test for one outlier on either side.

    Parameters
    ----------
    values : array_like. The values of one group; NaN is left out and keeps its place.
    false_alarm_share : float, default 0.05
        Sound groups in which some value may be called an outlier. [0..1]

    Returns
    -------
    Grubbs. The furthest value, its statistic, and the critical value.

    Raises
    ------
    ValueError. If `values` is not one row, or the share of false alarms not between 0 and 1.

    Notes
    -----
    .. math::
        G = \frac{\max_i |x_i - \bar x|}{s}, \quad
        G_c = \frac{n - 1}{\sqrt n} \sqrt{\frac{t^2}{n - 2 + t^2}}, \quad
        t = t_{1 - \alpha / 2n,\; n - 2}

    as [1]_, which [2]_ tabulates. It judges a group by its own scatter. Of three values G cannot
    exceed 1.1547, and the critical value at 5 % is 1.1543: three pulls tell next to nothing
    this way, which is why `odd_pulls`, with the shop's scatter, names a session's odd pulls.
    This test is for what that cannot see: a pull within the shop's usual scatter that stands
    apart from an unusually close session. Assumes normal scatter and at most one outlier.

    Examples
    --------
    >>> grubbs([10.0, 10.1, 9.9, 10.0, 14.0])
    Grubbs(place=4, statistic=1.787, critical=1.715, is_outlier=True)

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.5.17.1.
    .. [2] ISO 5725-2:1994, clause 7.3.4 and table 5 (from memory).
    """
    require("false_alarm_share", false_alarm_share, above=0.0, below=1.0)
    row = np.asarray(values, dtype=float)
    if row.ndim != 1:
        raise ValueError(f"values must be one row, got shape {row.shape}")
    seen = np.isfinite(row)
    count = int(seen.sum())
    if count < 3:
        return Grubbs(-1, math.nan, math.nan, False)
    t_squared = float(special.stdtrit(count - 2, 1.0 - false_alarm_share / (2.0 * count))) ** 2
    critical = (count - 1) / math.sqrt(count) * math.sqrt(t_squared / (count - 2 + t_squared))
    sd = float(row[seen].std(ddof=1))
    if sd == 0.0:
        return Grubbs(-1, math.nan, critical, False)
    away = np.where(seen, np.abs(row - row[seen].mean()), -1.0)
    place = int(np.argmax(away))
    statistic = float(away[place]) / sd
    return Grubbs(place, statistic, critical, statistic > critical)


def mandel(values_by_group: Sequence[ArrayLike], *, false_alarm_share: float = 0.01) -> Mandel:
    r"""Return Mandel's h and k: which group lies apart, and which scatters too much.

    Parameters
    ----------
    values_by_group : sequence of array_like
        The values of each group, such as the pulls of each session; NaN is left out.
    false_alarm_share : float, default 0.01
        Chance that one sound group exceeds a critical value. [0..1]

    Returns
    -------
    Mandel. h and k of each group, and their critical values.

    Raises
    ------
    ValueError. If the share of false alarms is not between 0 and 1.

    Notes
    -----
    With *p* groups of *n* values, means :math:`\bar y_i` and scatters :math:`s_i` [1]_:

    .. math::
        h_i &= \frac{\bar y_i - \bar{\bar y}}{\sqrt{\sum (\bar y_i - \bar{\bar y})^2 / (p - 1)}},
        \quad h_c = \frac{(p - 1)\, t}{\sqrt{p\,(t^2 + p - 2)}}, \quad
        t = t_{1 - \alpha/2,\; p - 2} \\
        k_i &= \frac{s_i}{s_r}, \quad
        k_c = \sqrt{\frac{N F}{\nu_i F + N - \nu_i}}, \quad
        F = F_{1 - \alpha;\; \nu_i,\; N - \nu_i}

    with :math:`\nu_i = n_i - 1`, :math:`N = \sum \nu_i` and :math:`s_r` pooled over the groups;
    for equal groups :math:`k_c = \sqrt{p F / (F + p - 1)}`. The critical values are exact, and
    for a single group: of ten groups one exceeds its 1 % value in a tenth of sound sets.

    Examples
    --------
    >>> found = mandel([[10.0, 10.2], [10.1, 9.9], [10.0, 10.2], [10.0, 11.8]])
    >>> found.k
    array([0.218, 0.218, 0.218, 1.964])
    >>> found.k_critical
    array([1.917, 1.917, 1.917, 1.917])

    References
    ----------
    .. [1] ISO 5725-2:1994, clauses 7.3.1 and 8.3, tables 6 and 7 (from memory).
    """
    require("false_alarm_share", false_alarm_share, above=0.0, below=1.0)
    groups = [np.asarray(group, dtype=float).ravel() for group in values_by_group]
    groups = [group[np.isfinite(group)] for group in groups]
    means = np.array([group.mean() if group.size else math.nan for group in groups])
    known = np.isfinite(means)
    number = int(known.sum())
    h = np.full(len(groups), math.nan)
    h_critical = math.nan
    if number >= 3:
        t = float(special.stdtrit(number - 2, 1.0 - false_alarm_share / 2.0))
        h_critical = (number - 1) * t / math.sqrt(number * (t * t + number - 2))
        between = float(means[known].std(ddof=1))
        if between > 0.0:
            h = (means - means[known].mean()) / between
    dof = np.array([max(group.size - 1, 0) for group in groups], dtype=float)
    pooled = pooled_sd(groups)
    k = np.full(len(groups), math.nan)
    k_critical = np.full(len(groups), math.nan)
    for index, group in enumerate(groups):
        own, others = dof[index], pooled.dof - dof[index]
        if own == 0 or others == 0 or pooled.sd == 0.0:
            continue
        k[index] = float(group.std(ddof=1)) / pooled.sd
        ratio = float(special.fdtri(own, others, 1.0 - false_alarm_share))
        k_critical[index] = math.sqrt(pooled.dof * ratio / (own * ratio + others))
    return Mandel(h, k, h_critical, k_critical)


def settled(levels: ArrayLike, *, repeatability_share: float) -> Settled:
    r"""Say whether a session has settled: its last two pulls agree within r.

    Parameters
    ----------
    levels : array_like. ln level of each pull, in order of running; NaN where not known.
    repeatability_share : float. 1 SD of back-to-back pulls in this shop. [0..1]

    Returns
    -------
    Settled. Whether, from which pull on, and by how much the last two differ.

    Raises
    ------
    ValueError. If `levels` is not one row, or the repeatability not above 0.

    Notes
    -----
    .. math:: |a_n - a_{n-1}| \le r = 2.8\, s_r

    the repeatability limit [1]_: two sound results differ by more in one case of twenty. The
    session settled at the earliest pull from which on every pull agrees with the one before it.
    A pull of unknown level agrees with none. A slow steady fall passes this rule; `heat_soak`
    is there to see it.

    Examples
    --------
    >>> settled([0.0, 0.021, 0.023, 0.022], repeatability_share=0.004)
    Settled(is_settled=True, after_place=2, difference_pct=-0.1, limit_pct=1.12)

    References
    ----------
    .. [1] ISO 5725-6:1994, clause 4 (from memory).
    """
    require("repeatability_share", repeatability_share, above=0.0)
    level = np.asarray(levels, dtype=float)
    if level.ndim != 1:
        raise ValueError(f"levels must be one row, got shape {level.shape}")
    limit_pct = 100.0 * REPEATABILITY_FACTOR * repeatability_share
    if level.size < 2:
        return Settled(None, None, math.nan, limit_pct)
    step_pct = 100.0 * np.diff(level)
    agrees = np.abs(step_pct) <= limit_pct
    if not agrees[-1]:
        return Settled(False, None, float(step_pct[-1]), limit_pct)
    apart = np.flatnonzero(~agrees)
    first = int(apart[-1]) + 2 if apart.size else 1
    return Settled(True, first, float(step_pct[-1]), limit_pct)


def heat_soak(
    levels: ArrayLike,
    *,
    repeatability_share: float,
    repeatability_dof: float = 4.0,
    intake_air_start_k: ArrayLike | None = None,
    coolant_start_k: ArrayLike | None = None,
) -> HeatSoak:
    r"""Return the trend of power over the pulls of a session, and whether heat explains it.

    Parameters
    ----------
    levels, repeatability_share : As in `settled`.
    repeatability_dof : float, default 4
        Degrees of freedom that figure is worth beside the session's own pulls.
    intake_air_start_k, coolant_start_k : array_like, optional
        Temperatures as each pull begins; NaN where not logged. [K]

    Returns
    -------
    HeatSoak. Slope with interval, slopes of the temperatures, and what they say.

    Raises
    ------
    ValueError. If the rows differ in length, the repeatability or its dof is not above 0, or a
        temperature is not above 0 K.

    Notes
    -----
    Least squares on the pull's number, with the shop's scatter beside the session's own:

    .. math::
        s^2 = \frac{\nu_0 s_r^2 + \sum e_i^2}{\nu_0 + n - 2}, \quad
        \hat b \pm t_{\nu_0 + n - 2}\, \frac{s}{\sqrt{\sum (i - \bar\imath)^2}}

    A trend is told from three pulls on, and only if its interval leaves out 0. Whether heat
    explains it cannot be tested on so few; what can be said is whether the temperatures rise, and
    how much the intake air would do: :math:`-50\, \Delta T / T` percent, by the square root of
    temperature in [1]_; up to twice that if power followed the density of the air. Assumes pulls at
    about equal intervals.

    Examples
    --------
    >>> heat_soak([0.0, -0.008, -0.016], repeatability_share=0.002,
    ...           intake_air_start_k=[300.0, 303.0, 306.0]).kind
    'heat soak'

    References
    ----------
    .. [1] SAE J1349 (from memory; the exponent 0.5 of its temperature term).
    """
    require("repeatability_share", repeatability_share, above=0.0)
    require("repeatability_dof", repeatability_dof, above=0.0)
    level = np.asarray(levels, dtype=float)
    if level.ndim != 1:
        raise ValueError(f"levels must be one row, got shape {level.shape}")
    intake = _beside("intake_air_start_k", intake_air_start_k, level)
    coolant = _beside("coolant_start_k", coolant_start_k, level)
    intake_k, coolant_k = _per_pull(intake), _per_pull(coolant)
    warm_k = float(np.nanmean(intake)) if math.isfinite(intake_k) else math.nan
    explained_pct = -50.0 * intake_k / warm_k
    number = np.flatnonzero(np.isfinite(level)).astype(float)
    slope_pct = level_drift_pct_per_pull(level).slope_pct
    if number.size < 2:
        nothing = (math.nan, math.nan, math.nan, intake_k, coolant_k, explained_pct)
        return HeatSoak(*nothing, "none", note("few pulls for a trend"))
    known_pct = 100.0 * level[np.isfinite(level)]
    away = number - number.mean()
    left = known_pct - known_pct.mean() - slope_pct * away
    dof = repeatability_dof + number.size - 2
    variance = (repeatability_dof * (100.0 * repeatability_share) ** 2 + float(left @ left)) / dof
    half = float(special.stdtrit(dof, 0.975)) * math.sqrt(variance / float(away @ away))
    lower, upper = slope_pct - half, slope_pct + half
    kind, told = _trend(number.size, slope_pct, lower, upper, intake_k, coolant_k)
    if kind == "heat soak" and intake_k >= STEADY_INTAKE_K and upper < 2.0 * explained_pct:
        told["air_alone_pct"] = abs(explained_pct)
    return HeatSoak(slope_pct, lower, upper, intake_k, coolant_k, explained_pct, kind, told)


def _beside(name: str, temperature_k: ArrayLike | None, level: np.ndarray) -> np.ndarray:
    """Return temperatures beside the levels, all NaN where none was logged."""
    if temperature_k is None:
        return np.full(level.shape, math.nan)
    temperature = np.asarray(temperature_k, dtype=float)
    if temperature.shape != level.shape:
        raise ValueError(
            f"{name} must have the length of levels, got {temperature.shape} and {level.shape}"
        )
    require(name, temperature, above=0.0, unit="K")
    return temperature


def _per_pull(values: np.ndarray) -> float:
    return level_drift_pct_per_pull(values).slope_pct / 100.0


def _trend(
    count: int,
    slope_pct: float,
    lower_pct: float,
    upper_pct: float,
    intake_k: float,
    coolant_k: float,
) -> tuple[str, Note]:
    """Return the kind of a trend and what is to be said of it."""
    if count < 3:
        return "none", note("few pulls for a trend")
    if lower_pct <= 0.0 <= upper_pct:
        ends = {"lower_pct": lower_pct, "upper_pct": upper_pct}
        return "none", note("no trend", pulls=count, slope_pct=slope_pct, **ends)
    falls = slope_pct < 0.0
    logged = {"intake air": math.isfinite(intake_k), "coolant": math.isfinite(coolant_k)}
    kind, warmed, rise_k, missing = "unknown cause", "", math.nan, []
    if falls and intake_k >= STEADY_INTAKE_K:
        kind, warmed, rise_k = "heat soak", "intake air", intake_k
    elif coolant_k >= STEADY_COOLANT_K:
        kind, warmed, rise_k = "heat soak" if falls else "warming up", "coolant", coolant_k
    elif all(logged.values()) if falls else logged["coolant"]:
        kind = "not heat"
    else:
        missing = [name for name, is_there in logged.items() if not is_there and falls]
        missing = missing or ["coolant"]
    told = note(
        "power trend",
        kind=kind,
        slope_pct=slope_pct,
        warmed=warmed,
        rise_k=rise_k,
        missing=missing,
        air_alone_pct=None,
    )
    return kind, told


def _clean_groups(values_by_group: Sequence[ArrayLike]) -> list[np.ndarray]:
    groups = [np.asarray(group, dtype=float).ravel() for group in values_by_group]
    groups = [group[np.isfinite(group)] for group in groups]
    return [group for group in groups if group.size]


def pooled_sd(values_by_group: Sequence[ArrayLike]) -> PooledSd:
    r"""Return the scatter within groups, pooled over groups.

    Parameters
    ----------
    values_by_group : sequence of array_like. The values of each group; NaN is left out.

    Returns
    -------
    PooledSd. Standard deviation and degrees of freedom; NaN and 0 if no group has two values.

    Raises
    ------
    ValueError. If a group's values are not numbers.

    Notes
    -----
    .. math:: s = \sqrt{\frac{\sum_g \nu_g s_g^2}{\sum_g \nu_g}}, \quad \nu_g = n_g - 1

    Variances are pooled, never averaged standard deviations [1]_. Assumes one scatter for all
    groups.

    Examples
    --------
    >>> pooled_sd([[1.0, 3.0], [5.0, 5.0]])
    PooledSd(sd=1.0, dof=2)

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 2.4.4.3.
    """
    groups = _clean_groups(values_by_group)
    dof = sum(group.size - 1 for group in groups)
    if dof == 0:
        return PooledSd(math.nan, 0)
    squares = sum(float(((group - group.mean()) ** 2).sum()) for group in groups)
    return PooledSd(math.sqrt(squares / dof), dof)
