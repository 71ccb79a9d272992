"""The session: mean curve of back-to-back pulls, their levels, odd pulls, drift, repeatability.

Scatter lives on the ln scale, where one percent is one percent at every engine speed.
"""

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from flows.metrics.domain_checks import require

DEFAULT_REMOUNT_SHARE = 0.008
"""1 SD of strapping a bike down again, until the shop has its own: common practice, no source."""


class Drift(NamedTuple):
    """Change of level from pull to pull.

    Attributes
    ----------
    slope_pct : float
        Change per pull, in order of running; negative is heat soak. [%]
    sd_pct : float
        Its standard error; NaN below three pulls. [%]
    """

    slope_pct: float
    sd_pct: float


class PooledSd(NamedTuple):
    """Scatter within groups, all groups together.

    Attributes
    ----------
    sd : float
        Pooled standard deviation, in the unit of the values.
    dof : float
        Degrees of freedom behind it.
    """

    sd: float
    dof: float


class Repeatability(NamedTuple):
    """Scatter within and between groups, in the unit of the values.

    Attributes
    ----------
    mean : float
        Mean of all values.
    repeatability_sd : float
        Within a group (s_r).
    between_sd : float
        Between groups beyond what s_r explains (s_L).
    reproducibility_sd : float
        Of a single value from any group (s_R).
    """

    mean: float
    repeatability_sd: float
    between_sd: float
    reproducibility_sd: float


class RemountShare(NamedTuple):
    """What taking a bike off and strapping it down again adds.

    Attributes
    ----------
    share : float
        1 SD on the ln scale. [0..1]
    dof : float
        Degrees of freedom behind it; 0 for the default.
    is_default : bool
        Whether there were too few pairs to use the shop's own.
    """

    share: float
    dof: float
    is_default: bool


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
    deviation = part - np.nanmedian(part, axis=0)
    count = np.isfinite(deviation).sum(axis=1)
    total = np.nansum(deviation, axis=1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def session_mean(power_curves: ArrayLike) -> np.ndarray:
    r"""Return the mean curve of a session's pulls.

    Parameters
    ----------
    power_curves : array_like
        Pulls by grid points, all above 0; NaN where a pull saw nothing.

    Returns
    -------
    ndarray
        Mean on the grid, in the curves' unit; NaN where fewer than half of the pulls saw a point.

    Raises
    ------
    ValueError
        If a value is not above 0, or there is no pull.

    Notes
    -----
    .. math:: \bar y_j = \exp\left(\bar a + \frac{1}{n_j} \sum_i (\ln y_{ij} - a_i)\right)

    with :math:`a_i` the level of pull *i* (`pull_levels`). Where all pulls are seen this is
    their geometric mean, below the plain mean by half the square of their scatter (0.001 % at
    0.5 %). Taking the levels out first keeps the mean from stepping where a pull ends. Assumes
    that pulls differ mainly in level. A choice of ours, no source.

    Examples
    --------
    >>> session_mean([[50.0, 60.0, np.nan], [50.0, 60.0, 70.0]])
    array([50., 60., 70.])
    """
    logs = _log_curves(power_curves)
    return np.exp(_log_mean(logs))


def _log_mean(logs: np.ndarray) -> np.ndarray:
    """Level-adjusted mean of ln curves; NaN where fewer than half of the pulls are seen."""
    level = np.nan_to_num(_levels(logs))
    seen = np.isfinite(logs)
    count = seen.sum(axis=0)
    total = np.where(seen, logs - level[:, None], 0.0).sum(axis=0)
    carried = _half_seen(logs) & (count > 0)
    # A pull that saw nothing has no level: it must not pull the mean level towards 0.
    mean_level = level[seen.any(axis=1)].mean() if seen.any() else 0.0
    return np.where(carried, mean_level + total / np.maximum(count, 1), np.nan)


def pull_levels(power_curves: ArrayLike) -> np.ndarray:
    r"""Return how far each pull lies above or below its session as a whole.

    Parameters
    ----------
    power_curves : array_like
        Pulls by grid points, all above 0, in order of running; NaN where not seen.

    Returns
    -------
    ndarray
        Mean ln deviation of each pull from the session's median curve; NaN for a pull that saw
        nothing of the range.

    Raises
    ------
    ValueError
        If a value is not above 0, or there is no pull.

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
    power_curves: ArrayLike, *, repeatability_share: float, false_alarm_share: float = 0.01
) -> list[str]:
    r"""Say which pulls of a session do not belong with the others, and why.

    Parameters
    ----------
    power_curves : array_like
        Pulls by grid points, all above 0; NaN where not seen.
    repeatability_share : float
        1 SD of back-to-back pulls in this shop. [0..1]
    false_alarm_share : float, default 0.01
        Sound sessions in which some pull may be called odd by chance. [0..1]

    Returns
    -------
    list of str
        One entry a pull: "" when it belongs, else one plain sentence.

    Raises
    ------
    ValueError
        If the repeatability is not above 0, the share of false alarms not between 0 and 1, or a
        value of a curve not above 0.

    Notes
    -----
    The level of a pull is held against the mean level of the others. The one furthest away is
    odd if

    .. math:: |a_i - \bar a_{-i}| > z_{1 - \alpha/2n}\; s \sqrt{1 + \frac{1}{n - 1}}

    and is then set aside for judging the rest in the same way. This is Grubbs' test [1]_, one
    pull at a time, with a known standard deviation *s*, the shop's repeatability: his own
    statistic can hardly speak on so few pulls (at n = 3 it cannot exceed 1.155, and its 5 %
    point is 1.153). It also keeps two odd pulls from hiding each other.

    Where half of the pulls or more would be odd, or there are only two, nothing tells which are
    right, and all are named. Nothing is dropped here: that is for a person to decide.

    Examples
    --------
    >>> curves = np.array([1.000, 1.002, 0.999, 1.040])[:, None] * np.full((4, 50), 60e3)
    >>> odd_pulls(curves, repeatability_share=0.005)[3]
    '4.0 % above the other pulls; up to 1.8 % is usual'

    References
    ----------
    .. [1] F. E. Grubbs, "Procedures for detecting outlying observations in samples,"
       Technometrics, vol. 11, pp. 1-21, 1969 (from memory).
    """
    require("repeatability_share", repeatability_share, above=0.0)
    require("false_alarm_share", false_alarm_share, above=0.0, below=1.0)
    logs = _log_curves(power_curves)
    level = _levels(logs)
    reasons = [
        "" if math.isfinite(value) else "nothing seen where the other pulls were" for value in level
    ]
    judged = [pull for pull, value in enumerate(level) if math.isfinite(value)]
    left = judged.copy()
    odd: dict[int, str] = {}
    while len(left) >= 2:
        known = level[left]
        count = known.size
        departure = known - (known.sum() - known) / (count - 1)
        furthest = int(np.argmax(np.abs(departure)))
        # Of two pulls there is one difference to judge, not two.
        chances = 1 if count == 2 else count
        critical = float(special.ndtri(1.0 - false_alarm_share / (2.0 * chances)))
        limit = critical * repeatability_share * math.sqrt(1.0 + 1.0 / (count - 1))
        if abs(departure[furthest]) <= limit:
            break
        shown_pct = 100.0 * abs(math.expm1(departure[furthest]))
        side = "above" if departure[furthest] > 0 else "below"
        odd[left.pop(furthest)] = (
            f"{shown_pct:.1f} % {side} the other pulls; up to {100.0 * math.expm1(limit):.1f} % "
            "is usual"
        )
    if odd and len(odd) * 2 >= len(judged):
        spread_pct = 100.0 * math.expm1(float(np.ptp(level[judged])))
        disagree = (
            f"the pulls do not agree: their levels spread over {spread_pct:.1f} %, and nothing "
            "tells which are right"
        )
        odd = dict.fromkeys(judged, disagree)
    for pull, reason in odd.items():
        reasons[pull] = reason
    return reasons


def level_drift_pct_per_pull(levels: ArrayLike) -> Drift:
    r"""Return how the level changes from pull to pull: heat soak or warming up.

    Parameters
    ----------
    levels : array_like
        ln level of each pull, in order of running; NaN where not known.

    Returns
    -------
    Drift
        Slope and its standard error; the slope is NaN below two pulls, the error below three.

    Raises
    ------
    ValueError
        If `levels` is not one row.

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


def _clean_groups(values_by_group: Sequence[ArrayLike]) -> list[np.ndarray]:
    groups = [np.asarray(group, dtype=float).ravel() for group in values_by_group]
    groups = [group[np.isfinite(group)] for group in groups]
    return [group for group in groups if group.size]


def pooled_sd(values_by_group: Sequence[ArrayLike]) -> PooledSd:
    r"""Return the scatter within groups, pooled over groups.

    Parameters
    ----------
    values_by_group : sequence of array_like
        The values of each group; NaN is left out.

    Returns
    -------
    PooledSd
        Standard deviation and degrees of freedom; NaN and 0 if no group has two values.

    Raises
    ------
    ValueError
        If a group's values are not numbers.

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


def iso5725(values_by_group: Sequence[ArrayLike]) -> Repeatability:
    r"""Return repeatability and reproducibility of grouped values.

    Parameters
    ----------
    values_by_group : sequence of array_like
        The values of each group (session, day, laboratory); NaN is left out. Groups may differ
        in size.

    Returns
    -------
    Repeatability
        Mean, s_r, s_L and s_R.

    Raises
    ------
    ValueError
        If there are fewer than two groups, or no group has two values.

    Notes
    -----
    With :math:`T_1 = \sum n_i \bar y_i`, :math:`T_2 = \sum n_i \bar y_i^2`,
    :math:`T_3 = \sum n_i`, :math:`T_4 = \sum n_i^2`, :math:`T_5 = \sum (n_i - 1) s_i^2` and *p*
    groups [1]_:

    .. math::
        s_r^2 &= \frac{T_5}{T_3 - p} \\
        s_L^2 &= \max\left(0, \left[\frac{T_2 T_3 - T_1^2}{T_3 (p - 1)} - s_r^2\right]
                 \frac{T_3 (p - 1)}{T_3^2 - T_4}\right) \\
        s_R^2 &= s_L^2 + s_r^2

    The values are taken about their grand mean first, which changes nothing but the rounding.

    Examples
    --------
    >>> iso5725([[9.0, 11.0], [19.0, 21.0]]).reproducibility_sd
    7.14

    References
    ----------
    .. [1] ISO 5725-2:1994, clause 7.4 (formulas from memory, checked on its Annex B).
    """
    groups = _clean_groups(values_by_group)
    sizes = np.array([group.size for group in groups], dtype=float)
    number, total = len(groups), float(sizes.sum())
    if number < 2:
        raise ValueError(f"values_by_group must hold at least 2 groups, got {number}")
    if total == number:
        raise ValueError("values_by_group must hold a group of at least 2 values, got none")
    centre = float(np.concatenate(groups).mean())
    means = np.array([group.mean() - centre for group in groups])
    within = sum(float(((group - group.mean()) ** 2).sum()) for group in groups)
    variance_within = within / (total - number)
    first, second = float(sizes @ means), float(sizes @ means**2)
    between = (second * total - first**2) / (total * (number - 1))
    scale = total * (number - 1) / (total**2 - float(sizes @ sizes))
    variance_between = max(0.0, (between - variance_within) * scale)
    return Repeatability(
        centre,
        math.sqrt(variance_within),
        math.sqrt(variance_between),
        math.sqrt(variance_within + variance_between),
    )


def shop_repeatability(sd_by_session: ArrayLike, dof_by_session: ArrayLike) -> PooledSd:
    r"""Return the shop's usual scatter of pulls, and how far one session is sure to share it.

    Parameters
    ----------
    sd_by_session : array_like
        Standard deviation of the pulls' ln levels in each session.
    dof_by_session : array_like
        Degrees of freedom of each, pulls less one.

    Returns
    -------
    PooledSd
        Usual scatter, and the degrees of freedom it is worth *as a prior for the next session*:
        few when sessions differ, infinite when they all scatter alike.

    Raises
    ------
    ValueError
        If a standard deviation is negative, or the two rows differ in length.

    Notes
    -----
    Session variances :math:`s_g^2` are taken as :math:`s_0^2 F_{d_g, d_0}`, and fitted through
    the mean and variance of

    .. math:: e_g = \ln s_g^2 - \psi(d_g/2) + \ln(d_g/2)

    as in [1]_, section 6.2. The result is what `gain` takes as `repeatability_share` and
    `repeatability_dof`. The pooled dof of a shop's history is *not*: it says how well the mean
    scatter is known, not how alike the sessions are. Sessions with a scatter of 0 are left out.
    Below four sessions: NaN and 0.

    Examples
    --------
    >>> usual = shop_repeatability([0.004, 0.005, 0.006, 0.005], [2, 2, 2, 2])
    >>> usual.dof
    inf

    References
    ----------
    .. [1] G. K. Smyth, "Linear models and empirical Bayes methods for assessing differential
       expression in microarray experiments," Stat. Appl. Genet. Mol. Biol., vol. 3, no. 1,
       art. 3, 2004 (from memory).
    """
    require("sd_by_session", sd_by_session, at_least=0.0)
    sd = np.asarray(sd_by_session, dtype=float)
    dof = np.asarray(dof_by_session, dtype=float)
    if sd.shape != dof.shape or sd.ndim != 1:
        raise ValueError(
            f"sd_by_session and dof_by_session must be rows of one length, got {sd.shape} and "
            f"{dof.shape}"
        )
    useful = np.isfinite(sd) & (sd > 0.0) & (dof > 0.0)
    sd, dof = sd[useful], dof[useful]
    if sd.size < 4:
        return PooledSd(math.nan, 0.0)
    height = 2.0 * np.log(sd) - special.digamma(dof / 2.0) + np.log(dof / 2.0)
    excess = float(height.var(ddof=1) - special.polygamma(1, dof / 2.0).mean())
    if excess <= 0.0:
        return PooledSd(math.exp(float(height.mean()) / 2.0), math.inf)
    half = _trigamma_inverse(excess)
    level = float(height.mean()) + float(special.digamma(half)) - math.log(half)
    return PooledSd(math.exp(level / 2.0), 2.0 * half)


def _trigamma_inverse(value: float) -> float:
    """Newton's method on 1/trigamma, which is convex and near linear."""
    guess = 0.5 + 1.0 / value
    for _ in range(50):
        trigamma = float(special.polygamma(1, guess))
        step = trigamma * (1.0 - trigamma / value) / float(special.polygamma(2, guess))
        guess += step
        if -step / guess < 1e-10:
            break
    return guess


def remount_share(
    between_session_log_differences: ArrayLike,
    session_variance_of_each: ArrayLike,
    *,
    default_share: float = DEFAULT_REMOUNT_SHARE,
    least_pairs: int = 4,
) -> RemountShare:
    r"""Return what remounting adds to the scatter, from sessions between which nothing changed.

    Parameters
    ----------
    between_session_log_differences : array_like
        ln ratio of the mean levels of two sessions with nothing changed but the mounting; one a
        pair.
    session_variance_of_each : array_like
        Variance that the pulls alone leave on *one* session mean of the pair (for pairs of
        unequal size, the average of the two); one a pair, or one for all.
    default_share : float, default 0.008
        What to return below `least_pairs`. [0..1]
    least_pairs : int, default 4
        Fewer pairs say too little: the 95 % interval of a scatter from three reaches to 3.7
        times the estimate.

    Returns
    -------
    RemountShare
        1 SD of one mounting, its degrees of freedom, and whether it is the default.

    Raises
    ------
    ValueError
        If a variance, or the default, is negative.

    Notes
    -----
    .. math:: s_m^2 = \max\left(0, \frac{1}{k} \sum_k \left(\frac{d_k^2}{2} - v_k\right)\right)

    since :math:`E\,d^2 = 2 (s_m^2 + v)`. The moment form of the between-group variance of
    [1]_ for groups of two. The dof follow Satterthwaite with the pulls' variance taken as known.
    Assumes independent pairs: successive differences of one control bike share a session
    each, which leaves the estimate right and the dof too high by up to a half.

    Examples
    --------
    >>> remount_share([0.011, -0.013, 0.010, -0.012, 0.014], 0.00001).share
    0.0079

    References
    ----------
    .. [1] ISO 5725-2:1994, clause 7.4 (from memory).
    """
    require("session_variance_of_each", session_variance_of_each, at_least=0.0)
    require("default_share", default_share, at_least=0.0)
    difference = np.asarray(between_session_log_differences, dtype=float)
    difference, variance = np.broadcast_arrays(
        difference, np.asarray(session_variance_of_each, dtype=float)
    )
    seen = np.isfinite(difference) & np.isfinite(variance)
    difference, variance = difference[seen], variance[seen]
    pairs = difference.size
    if pairs < least_pairs:
        return RemountShare(default_share, 0.0, True)
    in_all = float(np.mean(difference**2) / 2.0)
    excess = in_all - float(variance.mean())
    if excess <= 0.0:
        return RemountShare(0.0, float(pairs), False)
    return RemountShare(math.sqrt(excess), pairs * (excess / in_all) ** 2, False)
