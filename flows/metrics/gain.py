"""The gain of one stage over another: difference curve, its bands, its figures, the verdict.

All of it on the ln scale, back-transformed to percent at the end.
"""

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from flows.metrics.budget import Combined, Component, combined
from flows.metrics.curve import peak
from flows.metrics.domain_checks import require
from flows.metrics.family import joint_p
from flows.metrics.session import BELONGS_FROM, SessionMean, robust_mean, session_mean
from flows.metrics.soak import Places, Slope, carried_over, within_trend

LEVEL = 0.95
"""Coverage of every interval here."""

POWER = 0.80
"""Chance of seeing the smallest detectable difference: the customary figure."""

RIDING_RANGE_FROM_SHARE = 0.4
"""Where the riding range starts, as a share of the speed at peak power."""

OVER_REV_SHARE = 0.9
"""Over-rev counts while the after-curve holds this share of its peak."""

ENDS_EARLY_SHARE = 0.9
"""A curve that ends below this share of the other's last speed was cut short: no rev limit is
raised that far (common practice, no source)."""

STEADY_DRIFT_SHARE = 0.01
"""A greater drift of a bike that was put back need not have been steady: our judgement."""

LEAST_SHARED_RPM = 500.0
"""Least part of the riding range that both sessions must have seen."""

NO_SCATTER_SHARE = 1e-9
"""Pulls that differ by less are one pull and its copies: no logger tells powers apart so finely,
and rounding alone makes 1e-15 of a mean."""

LOCAL_FLOOR_SHARE = 0.2
"""Least local scatter as a share of the repeatability: two pulls can agree by luck."""

DRAWS = 4000
"""Draws behind a simultaneous band: they fix its critical value to about 1.5 % (1 SD)."""

SEED = 20_240_229
"""Any number; fixed, so that the same pulls always give the same band."""


TIED = (("scatter of pulls", "trend"), ("remounting", "day"))
"""Parts of the budget that rest on the same estimate of the pulls' scatter."""

GREATEST_DRAWS = 500
"""Draws behind the bias of a greatest gain: right to a twentieth of its spread."""


@dataclass(frozen=True, eq=False)
class Gain:
    """What changed between two stages, with 95 % intervals.

    Where the bike was put back and pulled again, "before" is the mean of both times.

    Arrays stand on the grid, NaN where either stage saw nothing.

    Attributes
    ----------
    grid_rpm : ndarray. Engine speeds. [rpm]
    before_w, after_w : ndarray. Session means. [W]
    gain_pct : ndarray. After over before, less one. [%]
    lower_pct, upper_pct : ndarray. Interval at each speed for itself. [%]
    whole_lower_pct, whole_upper_pct : ndarray. Band that holds the whole true curve at once. [%]
    range_from_rpm, range_to_rpm : float. The part of the riding range that both stages saw. [rpm]
    mean_gain_pct, mean_gain_lower_pct, mean_gain_upper_pct : float. Mean over that range. [%]
    peak_gain_pct, peak_gain_lower_pct, peak_gain_upper_pct : float. Peak power against peak power,
        each where it is; over the speeds that both saw where one curve was cut short. [%]
    gain_at_peak_pct, gain_at_peak_lower_pct, gain_at_peak_upper_pct : float
        At the speed of the before-peak; NaN where the after-curve does not reach it. [%]
    gain_at_peak_w : float. The same in power. [W]
    greatest_gain_pct, greatest_gain_speed_rpm : float
        Highest gain in the range, less what noise alone adds to a maximum, and where; 0 and NaN if
        nowhere above 0. [%], [rpm]
    greatest_gain_lower_pct, greatest_gain_upper_pct : float. Its interval; NaN likewise. [%]
    greatest_loss_pct, greatest_loss_speed_rpm : float
        Lowest gain, a negative figure, likewise; 0 and NaN if nowhere below 0. [%], [rpm]
    greatest_loss_lower_pct, greatest_loss_upper_pct : float. Its interval; NaN likewise. [%]
    over_rev_rpm : float. Added speed, beyond the before-curve's last, that holds 90 % of the
        after-peak; 0 where the before-curve was cut short. [rpm]
    log_mean_gain, log_mean_gain_sd : float
        ln of the mean gain's ratio and its standard error, for pooling.
    log_peak_gain, log_peak_gain_sd : float. The same, peak against peak.
    level_sd, local_sd : float
        Scatter of a pull's level, and of its shape about that level, as used (1 SD, ln scale).
    dof : float. Degrees of freedom of the mean's interval.
    budget : tuple of Component. What the variance of the mean is the sum of.
    trend_pct : float. What a trend that goes on was taken to put into the gain, and was taken off
        all figures of it; 0 where nothing is known of one. [%]
    mean_p, peak_p : float
        Chance of so clear a mean gain, and of so clear a gain peak against peak, when nothing
        changed; both held to one error rate. [0..1]
    drift_pct, drift_lower_pct, drift_upper_pct : float. Change of the mean level from before to the
        time it was put back; NaN where it was not. [%]
    smallest_detectable_pct : float
        True mean gain that these sessions would call real four times in five. [%]
    verdict, verdict_at_peak : str
        "real gain", "real loss" or "within noise", for the mean and at the before-peak.
    """

    grid_rpm: np.ndarray
    before_w: np.ndarray
    after_w: np.ndarray
    gain_pct: np.ndarray
    lower_pct: np.ndarray
    upper_pct: np.ndarray
    whole_lower_pct: np.ndarray
    whole_upper_pct: np.ndarray
    range_from_rpm: float
    range_to_rpm: float
    mean_gain_pct: float
    mean_gain_lower_pct: float
    mean_gain_upper_pct: float
    peak_gain_pct: float
    peak_gain_lower_pct: float
    peak_gain_upper_pct: float
    gain_at_peak_pct: float
    gain_at_peak_lower_pct: float
    gain_at_peak_upper_pct: float
    gain_at_peak_w: float
    greatest_gain_pct: float
    greatest_gain_speed_rpm: float
    greatest_gain_lower_pct: float
    greatest_gain_upper_pct: float
    greatest_loss_pct: float
    greatest_loss_speed_rpm: float
    greatest_loss_lower_pct: float
    greatest_loss_upper_pct: float
    over_rev_rpm: float
    log_mean_gain: float
    log_mean_gain_sd: float
    log_peak_gain: float
    log_peak_gain_sd: float
    level_sd: float
    local_sd: float
    dof: float
    budget: tuple[Component, ...]
    trend_pct: float
    mean_p: float
    peak_p: float
    drift_pct: float
    drift_lower_pct: float
    drift_upper_pct: float
    smallest_detectable_pct: float
    verdict: str
    verdict_at_peak: str


class Weighed(NamedTuple):
    """What the pulls of a session count, as `session.robust_mean` found it.

    Attributes
    ----------
    weights : ndarray. One a pull. [0..1]
    effective_pulls : float. Good pulls whose plain mean would be as sure.
    """

    weights: np.ndarray
    effective_pulls: float


def verdict(lower: float, upper: float) -> str:
    """Say what an interval of a gain means.

    Parameters
    ----------
    lower : float. Lower end, in percent or on the ln scale.
    upper : float. Upper end.

    Returns
    -------
    str. "real gain" if all of it lies above 0, "real loss" if below, else "within noise"; NaN is
        "within noise".

    Raises
    ------
    ValueError. If `lower` is above `upper`.

    Notes
    -----
    "Within noise" does not say that nothing changed: the smallest detectable difference tells
    what could have gone unseen. Common practice, no source.

    Examples
    --------
    >>> verdict(0.4, 2.1)
    'real gain'
    >>> verdict(-0.4, 2.1)
    'within noise'
    """
    require("lower", lower, at_most=upper)
    if lower > 0.0:
        return "real gain"
    if upper < 0.0:
        return "real loss"
    return "within noise"


def riding_range_rpm(before_grid: ArrayLike, before_power: ArrayLike) -> tuple[float, float]:
    """Return the engine speeds that a rider uses, from the before-curve.

    Parameters
    ----------
    before_grid : array_like. Engine speeds, increasing. [rpm]
    before_power : array_like. Power there; NaN where not seen. [W]

    Returns
    -------
    tuple of float
        40 % of the speed at peak power, and the curve's last speed; NaN if nothing was seen. [rpm]

    Raises
    ------
    ValueError. If the two differ in length.

    Notes
    -----
    Anchored to the before-curve, so that a raised rev limit does not stretch the range it is
    judged over. A definition of ours, no source.

    Examples
    --------
    >>> riding_range_rpm([3000.0, 9000.0, 10_000.0, 11_000.0], [20e3, 69e3, 70e3, 69e3])
    (4000.0, 11000.0)
    """
    grid = np.asarray(before_grid, dtype=float)
    power = np.asarray(before_power, dtype=float)
    at_peak = peak(grid, power).speed_rpm
    if math.isnan(at_peak):
        return math.nan, math.nan
    return RIDING_RANGE_FROM_SHARE * at_peak, float(grid[np.isfinite(power)][-1])


def _t_quantile(share: float, dof: float) -> float:
    if dof > 1e6:
        return float(special.ndtri(share))
    return float(special.stdtrit(dof, share))


def _detectable_in_sd(dof: float) -> float:
    """Return the true difference, in standard errors, that a t test sees with chance POWER."""
    critical = _t_quantile(0.5 + LEVEL / 2.0, dof)
    if dof > 1e4:
        return critical + float(special.ndtri(POWER))
    # The chance of a significant result on the wrong side is below 1e-6 here and left out.
    return float(special.nctdtrinc(dof, 1.0 - POWER, critical))


def _pct(log_ratio: ArrayLike) -> np.ndarray:
    return 100.0 * np.expm1(log_ratio)


def _moderated(own: float, own_dof: float, prior: float, prior_dof: float) -> tuple[float, float]:
    """Weigh a variance against the shop's by their degrees of freedom."""
    says_nothing = own_dof == 0.0 or own < NO_SCATTER_SHARE**2
    if math.isinf(prior_dof) or (prior_dof == 0.0 and says_nothing):
        # Neither history nor a repeat: the shop's figure with the widest interval there is.
        return prior, prior_dof if prior_dof else 1.0
    return (prior_dof * prior + own_dof * own) / (prior_dof + own_dof), prior_dof + own_dof


class _Seen(NamedTuple):
    """A session within the riding range: which pulls count, their levels, their local scatter."""

    is_seen: np.ndarray
    level: np.ndarray
    local_squares: float

    @property
    def dof(self) -> int:
        return self.level.size - 1

    @property
    def level_squares(self) -> float:
        return float(((self.level - self.level.mean()) ** 2).sum())


def _within(curves: np.ndarray, mean: np.ndarray, in_range: np.ndarray) -> _Seen:
    deviation = np.log(curves[:, in_range]) - np.log(mean[in_range])
    seen = np.isfinite(deviation)
    is_seen = np.asarray(seen.any(axis=1))
    deviation, seen = deviation[is_seen], seen[is_seen]
    count = seen.sum(axis=1)
    level = np.where(seen, deviation, 0.0).sum(axis=1) / count
    local = np.where(seen, deviation - level[:, None], 0.0)
    return _Seen(is_seen, level, float(((local**2).sum(axis=1) / count).sum()))


def _of_labels(weights: np.ndarray, labels: Sequence[Hashable]) -> float:
    """Sum the squares of what each label weighs: what is common to it cancels within it."""
    total = dict.fromkeys(labels, 0.0)
    for label, weight in zip(labels, weights, strict=True):
        total[label] += float(weight)
    return sum(one**2 for one in total.values())


@lru_cache(maxsize=16)
def _local_draws(points: int, step_in_bandwidths: float) -> np.ndarray:
    """Draws of unit local deviations, a row a grid point: white noise, smoothed and rescaled."""
    # White noise under a Gaussian kernel of sd b / sqrt(2) correlates as exp(-(d / b)^2 / 2).
    kernel_sd = 1.0 / (math.sqrt(2.0) * step_in_bandwidths)
    reach = math.ceil(4.0 * kernel_sd)
    offset = np.arange(points + 2 * reach)[:, None] - reach - np.arange(points)
    kernel = np.where(np.abs(offset) <= reach, np.exp(-0.5 * (offset / kernel_sd) ** 2), 0.0)
    kernel /= np.sqrt((kernel**2).sum(axis=0))
    noise = np.random.default_rng(SEED).standard_normal((DRAWS, points + 2 * reach))
    draws = np.ascontiguousarray((noise @ kernel).astype(np.float32).T)
    draws.flags.writeable = False
    return draws


@lru_cache(maxsize=1)
def _common_draws() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Draws of the level that all speeds share, of three shapes, and of chi-square's share."""
    rng = np.random.default_rng(SEED + 1)
    common = rng.standard_normal(DRAWS).astype(np.float32)
    below = (rng.permutation(DRAWS) + 0.5) / DRAWS
    return common, rng.standard_normal((3, DRAWS)).astype(np.float32), below


class _Band(NamedTuple):
    """The whole curve at once: its critical value, and what noise adds to its ends."""

    critical: float
    highest_bias: float
    lowest_bias: float


def _whole_band(
    log_gain: np.ndarray,
    at: np.ndarray,
    step_in_bandwidths: float,
    in_range: np.ndarray,
    common_variance: float,
    shapes: np.ndarray,
    local_scale: np.ndarray,
    dof: float,
) -> _Band:
    """Draw the error along a curve.

    `at` are the grid indices of the points, `shapes` 1 SD of each independent shape that mounting
    adds, a row each, at most three, `local_scale` the sd of the local part over the root
    of its shape factor, at each of them. The greatest |t| stays below the critical value with
    chance LEVEL. The biases are those of the greatest and the least gain within the range.
    """
    points = 100 * math.ceil((at[-1] + 1) / 100)
    local = _rows(_local_draws(points, step_in_bandwidths), at)
    local = local - _rows(local, np.flatnonzero(in_range)).mean(axis=0)
    common, shaped, below = _common_draws()
    sd = np.sqrt(common_variance + (shapes**2).sum(axis=0) + local_scale**2 * local.var(axis=1))
    error = local * (local_scale / sd).astype(np.float32)[:, None]
    error += common * (math.sqrt(common_variance) / sd).astype(np.float32)[:, None]
    # Not as a product of matrices: two columns are not worth waking all processors for.
    for one, draws in zip(shapes, shaped, strict=False):
        error += draws * (one / sd).astype(np.float32)[:, None]
    greatest = np.maximum(error.max(axis=0), -error.min(axis=0))
    critical = _quantile_over_root_chi(greatest, below, dof)
    critical = max(critical, _t_quantile(0.5 + LEVEL / 2.0, dof))
    ranged = np.flatnonzero(in_range)
    drawn = _rows(error, ranged)[:, :GREATEST_DRAWS] * sd[ranged, None].astype(np.float32)
    drawn += log_gain[ranged, None].astype(np.float32)
    ends = []
    for sign in (1.0, -1.0):
        end = (sign * drawn).max(axis=0)
        # Against the same draws where the estimate has its end: what they share falls out.
        there = sign * drawn[int(np.argmax(sign * log_gain[ranged]))]
        ends.append(sign * float((end - there).mean()))
    return _Band(critical, *ends)


def _rows(values: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Return some rows, ascending; rows in a row are not copied."""
    first, last = int(at[0]), int(at[-1])
    return values[first : last + 1] if last - first + 1 == at.size else values[at]


def _quantile_over_root_chi(greatest: np.ndarray, below: np.ndarray, dof: float) -> float:
    """Return the LEVEL quantile of draws over the root of their chi-square per degree of freedom.

    `below` is the share of that chi-square below each draw's own. Its inverse costs more than all
    else here, and only the largest few hundred ratios matter: the others are told by bounds.
    """
    if dof >= 1e6:
        return float(np.quantile(greatest, LEVEL))

    def ratio(share: np.ndarray) -> np.ndarray:
        return np.sqrt(2.0 * special.gammaincinv(dof / 2.0, share) / dof)

    steps = np.linspace(0.0, 1.0, 65)
    at = np.searchsorted(steps, below) - 1
    roots = ratio(steps)
    wanted = greatest.size - math.floor((greatest.size - 1) * LEVEL)
    lowest = np.partition(greatest / roots[at + 1], -wanted)[-wanted]
    # Rounding must not shut out a draw that just reaches it.
    large = greatest >= 0.999 * lowest * roots[at]
    over = np.where(large, 0.0, -np.inf)
    over[large] = greatest[large] / ratio(below[large])
    return float(np.quantile(over, LEVEL))


def gain(
    grid_rpm: ArrayLike,
    before_curves: ArrayLike,
    after_curves: ArrayLike,
    *,
    repeatability_share: float,
    repeatability_dof: float,
    remount_share: float,
    correction_share: float,
    same_mounting: bool,
    again_curves: ArrayLike | None = None,
    remount_dof: float = math.inf,
    remount_shapes: ArrayLike | None = None,
    days: Sequence[Hashable] | None = None,
    day_share: float = 0.0,
    day_dof: float = math.inf,
    of_air: Sequence[Component] = (),
    places: Places | None = None,
    usual_slope: Slope | None = None,
    weighed_by_share: float | None = None,
    weighed: Sequence[Weighed] | None = None,
    bandwidth_rpm: float = 150.0,
) -> Gain:
    r"""Compare two sessions of one bike.

    Parameters
    ----------
    grid_rpm : array_like. Engine speeds in equal steps. [rpm]
    before_curves, after_curves : array_like
        Power curves, pulls by grid points, above 0; NaN where not seen. [W]
    repeatability_share : float. 1 SD of the level of back-to-back pulls in this shop. [0..1]
    repeatability_dof : float. How many degrees of freedom the shop's figure is worth for one
        session: the dof of `session.shop_repeatability`, not those of its pooled history.
    remount_share : float. 1 SD of one mounting. [0..1]
    correction_share : float
        1 SD of the *random* part of the ratio of the two correction factors. [0..1]
    same_mounting : bool. Whether the bike stayed strapped down between the sessions, all of them.
    again_curves : array_like, optional
        The bike put back as it was before, and pulled again (A-B-A). [W]
    remount_dof : float, default inf. Degrees of freedom behind `remount_share`.
    remount_shapes : array_like, optional
        What one mounting adds along the curve: 1 SD at each grid point, with sign, a row for each
        of at most three independent shapes (`trust.remount_shapes`). Their level over the riding
        range is scaled to `remount_share`; without them a mounting lifts all speeds alike. [1]
    days : sequence of hashable, optional
        Day of each session, before, after and again; without them, one day.
    day_share : float, default 0. 1 SD of the dyno's own level of one day. [0..1]
    day_dof : float, default inf. Degrees of freedom behind it.
    of_air : sequence of Component, optional
        Other parts that are random from session to session, each 1 SD of the *ratio* of two.
    places : Places, optional
        Place of each pull on one course of heating; the sessions in the order of `days`.
    usual_slope : Slope, optional. How power usually changes from pull to pull; with `places`.
    weighed_by_share : float, optional
        1 SD by which the sessions' own means weighed their pulls (`session.robust_mean`), so that
        both have the same weights; without it the shop's figure. [0..1]
    weighed : sequence of Weighed, optional. What each pull counts where that is known already, of
        the sessions in the order of `days`; without it the weights are found here.
    bandwidth_rpm : float, default 150
        Bandwidth the curves were smoothed with: local deviations hang together over it. [rpm]

    Returns
    -------
    Gain. Curves, figures and verdicts.

    Raises
    ------
    ValueError. If a share or dof is negative, the repeatability is not above 0, the grid is not
        even, the shapes do not match, a power is not above 0, or the sessions share too little of
        the riding range.

    Notes
    -----
    The ln power of pull *i* in session *s* at speed *r* is taken as

    .. math:: y_{si}(r) = \mu_s(r) + M_s + B_s(r) + D_{d(s)} + b x_{si} + L_{si} + W_{si}(r)

    *M*: mounting and air, common to a session and all speeds. *B*: how that mounting bends
    the curve, of mean 0 over the riding range, a sum of the smooth shapes given. *D*: the dyno's
    level of the day. *b x*: a trend over the pulls that the engine still feels. *L*: the level of
    the pull. *W*: its shape about that level, of mean 0 over the riding range, correlated as
    :math:`e^{-(\Delta r / b)^2/2}`. The mean has variance *V*, a point or a peak *V(r)*, with *m*
    1 SD of *M* and :math:`m_k(r)` that of independent shapes of :math:`M + B(r)`:

    .. math::
        V &= s_L^2 \left(\tfrac{1}{n_b} + \tfrac{1}{n_a}\right) + 2 m^2 + 2 u_d^2 + V_b + u_c^2 \\
        V(r) &= V + 2 \left(\textstyle\sum_k m_k(r)^2 - m^2\right)
            + s_W^2\, c(r) \left(\tfrac{1}{n_b(r)} + \tfrac{1}{n_a(r)}\right)

    with *n* the effective pulls of each session (`session.robust_mean`), scatter and mean without
    odd pulls, *c* the shape factor of a deviation centred over the range; :math:`2 m^2` and the
    shapes fall away
    under `same_mounting`, :math:`2 u_d^2` within one day: of a contrast with weights :math:`w_s`,
    each day counts by the square of what its sessions weigh together. :math:`V_b` and what the
    trend is taken to have done are those of `soak.carried_over`. :math:`s_L^2` is the pair's pooled
    variance moderated by the shop's, :math:`(d_0 s_0^2 + d s^2)/(d_0 + d)` [1]_;
    :math:`s_W^2` is the pair's own, not below its floor (without any repeat: the shop's
    level scatter). Degrees of freedom follow Satterthwaite [2]_, with :math:`u_c` taken as
    known, scatter and trend tied, for both rest on :math:`s_L^2`, and mounting and day, for of
    another day often only their sum is known;
    with `places` that is the scatter about the sessions' common trend. The band for the whole
    curve uses the 95 % point of the greatest :math:`|t|` along the grid, by 4000 seeded draws of
    that process (a sup-t band [4]_).

    With `again_curves` the gain is :math:`B - (A_1 + A_2)/2`, in which a steady drift falls out:
    :math:`1/n_b` becomes :math:`\tfrac{1}{4 n_1} + \tfrac{1}{4 n_2}`, :math:`2 m^2` becomes
    :math:`\tfrac{3}{2} m^2` and :math:`u_c^2` three quarters of it. A real drift beyond 1 % need
    not have been steady: *V* then has the variance of a step that came at any time, :math:`d^2/12`.

    The greatest gain is a maximum, hence biased up. With :math:`\hat g` the curve and *e* draws of
    its error, it is :math:`\max \hat g - \mathrm{E}[\max(\hat g + e) - \max \hat g]` (parametric
    bootstrap [3]_), which takes off most of that, half where the gain is the same at all speeds.
    Its interval owes nothing to that: from the highest point of the whole curve's lower edge,
    below which the true curve's top lies with a chance of 2.5 % at most, to the highest upper end
    of the speeds each for itself, for one of them is where the true top stands.

    Assumes one scatter at all speeds and in both sessions. Above the old rev limit there is no
    gain: see `over_rev_rpm`. A peak is biased up by noise; the ratio of two is not, unless the
    numbers of pulls differ much. Figures are this shop's own comparison, not a certified rating.

    Examples
    --------
    >>> grid_rpm = np.arange(3000.0, 9001.0, 50.0)
    >>> before = np.outer([0.996, 1.000, 1.004], 8.0 * grid_rpm)
    >>> found = gain(
    ...     grid_rpm, before, 1.05 * before, repeatability_share=0.004, repeatability_dof=4.0,
    ...     remount_share=0.008, correction_share=0.001, same_mounting=True,
    ... )
    >>> found.mean_gain_pct, found.verdict
    (5.00, 'real gain')

    References
    ----------
    .. [1] G. K. Smyth, "Linear models and empirical Bayes methods for assessing differential
       expression in microarray experiments," Stat. Appl. Genet. Mol. Biol., vol. 3, no. 1,
       art. 3, 2004 (from memory).
    .. [2] JCGM 100:2008, Guide to the expression of uncertainty in measurement, annex G.4.
    .. [3] B. Efron and R. J. Tibshirani, An Introduction to the Bootstrap, Chapman & Hall, 1993,
       chapter 10 (from memory).
    .. [4] J. L. Montiel Olea and M. Plagborg-Møller, "Simultaneous confidence bands: theory,
       implementation, and an application to SVARs," J. Appl. Econometrics, vol. 34, no. 1,
       pp. 1-17, 2019 (from memory).
    """
    known = _Known(
        repeatability_share,
        repeatability_dof,
        remount_share,
        remount_dof,
        correction_share,
        same_mounting,
        day_share,
        day_dof,
        tuple(of_air),
        bandwidth_rpm,
    )
    grid, sessions = _laid(grid_rpm, before_curves, after_curves, again_curves)
    mounted = _mounted(grid, remount_shapes, remount_share)
    share = repeatability_share if weighed_by_share is None else weighed_by_share
    compared = _compared(grid, sessions, _means(sessions, weighed, share), days)
    scatter = _scatter(compared, known, places)
    budget = _budget(compared, scatter, known, places, usual_slope)
    points = _points(compared, scatter, budget, known, mounted)
    return _told(compared, scatter, budget, points, _peaks(compared, budget, points, known))


@dataclass(frozen=True)
class _Known:
    """What is known beside the curves; see `gain`."""

    repeatability_share: float
    repeatability_dof: float
    remount_share: float
    remount_dof: float
    correction_share: float
    same_mounting: bool
    day_share: float
    day_dof: float
    of_air: tuple[Component, ...]
    bandwidth_rpm: float

    def __post_init__(self) -> None:
        require("repeatability_share", self.repeatability_share, above=0.0)
        require("repeatability_dof", self.repeatability_dof, at_least=0.0)
        require("remount_share", self.remount_share, at_least=0.0)
        require("remount_dof", self.remount_dof, above=0.0)
        require("correction_share", self.correction_share, at_least=0.0)
        require("day_share", self.day_share, at_least=0.0)
        require("day_dof", self.day_dof, above=0.0)
        require("bandwidth_rpm", self.bandwidth_rpm, above=0.0, unit="rpm")


@dataclass(frozen=True, eq=False)
class _Compared:
    """The sessions in the order of their weights: before, again if there is one, after."""

    grid: np.ndarray
    sessions: list[np.ndarray]
    found: list[SessionMean]
    weights: np.ndarray
    """How much each session has to say in "after less before"; they add up to 0."""
    labels: list[Any]
    order: list[int]
    """Of each session its place in the order before, after, again."""
    before_w: np.ndarray
    log_gain: np.ndarray
    in_range: np.ndarray
    range_to_rpm: float

    @property
    def after_w(self) -> np.ndarray:
        return self.found[-1].mean

    @property
    def at(self) -> np.ndarray:
        """Where both saw something."""
        return np.flatnonzero(np.isfinite(self.log_gain))

    @property
    def ranged(self) -> np.ndarray:
        """Which of these places lie in the riding range."""
        return self.in_range[self.at]

    @property
    def shared_rpm(self) -> float:
        return float(np.ptp(self.grid[self.in_range])) if self.in_range.any() else 0.0

    @property
    def pulls(self) -> np.ndarray:
        return np.array([one.effective_pulls for one in self.found])


@dataclass(frozen=True)
class _Scatter:
    """Scatter of a pull: its level, moderated by the shop's; its shape, from this pair."""

    level_variance: float
    level_dof: float
    local_variance: float
    local_dof: float
    slope: float
    squares: float
    """The trend within the sessions, and the squares of the places that it is known from."""


@dataclass(frozen=True)
class _Budget:
    """What the variance of the mean is made of, and what a trend and a drift did."""

    parts: list[Component]
    whole: Combined
    shift: float
    drift: float
    drift_half: float

    @property
    def mean_sd(self) -> float:
        return self.whole.share

    @property
    def mean_half(self) -> float:
        return _t_quantile(0.5 + LEVEL / 2.0, self.whole.dof) * self.mean_sd


@dataclass(frozen=True, eq=False)
class _Points:
    """The curve of the gain, its standard error at each speed, and its bands."""

    log_gain: np.ndarray
    sd: np.ndarray
    dof: float
    critical: float
    band: _Band


@dataclass(frozen=True)
class _Peaks:
    """Peak against peak, and the gain at the speed of the before-peak."""

    log_peak: float
    sd: float
    half: float
    at_peak: float
    at_peak_w: float
    over_rev_rpm: float


def _laid(
    grid_rpm: ArrayLike, before: ArrayLike, after: ArrayLike, again: ArrayLike | None
) -> tuple[np.ndarray, list[np.ndarray]]:
    """Return the grid and the curves of each session: before, again if there is one, after."""
    grid = np.asarray(grid_rpm, dtype=float)
    first, last = (np.atleast_2d(np.asarray(one, dtype=float)) for one in (before, after))
    if grid.ndim != 1 or first.shape[1:] != grid.shape or last.shape[1:] != grid.shape:
        raise ValueError(
            f"before_curves and after_curves must be pulls by {grid.size} grid points, got shapes "
            f"{first.shape} and {last.shape}"
        )
    steps = np.diff(grid)
    if steps.size == 0 or steps[0] <= 0.0 or not np.allclose(steps, steps[0]):
        raise ValueError("grid_rpm must rise in equal steps")
    if again is None:
        return grid, [first, last]
    back = np.atleast_2d(np.asarray(again, dtype=float))
    if back.shape[1:] != grid.shape:
        raise ValueError(f"again_curves must be pulls by {grid.size} grid points, got {back.shape}")
    return grid, [first, back, last]


def _mounted(grid: np.ndarray, shapes: ArrayLike | None, remount_share: float) -> np.ndarray:
    """Return what one mounting adds along the curve, a row a shape."""
    if shapes is None:
        return np.full((1, grid.size), remount_share)
    mounted = np.atleast_2d(np.asarray(shapes, dtype=float))
    if mounted.shape[1:] != grid.shape or len(mounted) > 3:
        raise ValueError(
            f"remount_shapes must be at most 3 rows of {grid.size} grid points, got {mounted.shape}"
        )
    return mounted


def _means(
    sessions: list[np.ndarray], weighed: Sequence[Weighed] | None, share: float
) -> list[SessionMean]:
    """Return the mean of each session, by the weights that are known of its pulls or found anew."""
    if weighed is None:
        return [robust_mean(curves, repeatability_share=share) for curves in sessions]
    return [
        SessionMean(session_mean(curves, weights), np.asarray(weights, dtype=float), effective)
        for curves, (weights, effective) in zip(
            sessions, _session_order(weighed, len(sessions)), strict=True
        )
    ]


def _compared(
    grid: np.ndarray,
    sessions: list[np.ndarray],
    found: list[SessionMean],
    days: Sequence[Hashable] | None,
) -> _Compared:
    """Hold the means against each other, over the part of the riding range that all saw."""
    firsts = len(sessions) - 1
    before_w = np.exp(np.mean(np.log([one.mean for one in found[:-1]]), axis=0))
    log_gain = np.log(found[-1].mean) - np.log(before_w)
    range_from, range_to = riding_range_rpm(grid, before_w)
    compared = _Compared(
        grid=grid,
        sessions=sessions,
        found=found,
        weights=np.array([*(-1.0 / firsts for _ in range(firsts)), 1.0]),
        labels=_session_order(days, len(sessions)),
        order=_session_order(range(len(sessions)), len(sessions)),
        before_w=before_w,
        log_gain=log_gain,
        in_range=np.isfinite(log_gain) & (grid >= range_from) & (grid <= range_to),
        range_to_rpm=range_to,
    )
    if compared.shared_rpm < LEAST_SHARED_RPM:
        raise ValueError(
            f"before_curves and after_curves must share {LEAST_SHARED_RPM:g} rpm of the riding "
            f"range, got {compared.shared_rpm:g}"
        )
    return compared


def _scatter(compared: _Compared, known: _Known, places: Places | None) -> _Scatter:
    # An odd pull says nothing of how the others scatter.
    belongs = [one.weights >= BELONGS_FROM for one in compared.found]
    within = [
        _within(curves[kept], one.mean, compared.in_range)
        for curves, kept, one in zip(compared.sessions, belongs, compared.found, strict=True)
    ]
    own_dof = sum(one.dof for one in within)
    level_squares, residual_dof = sum(one.level_squares for one in within), own_dof
    slope, squares = 0.0, 0.0
    if places is not None:
        placed = [
            places.places[number][kept][one.is_seen]
            for number, kept, one in zip(compared.order, belongs, within, strict=True)
        ]
        slope, squares = within_trend([one.level for one in within], placed)
        if squares > 0.0:
            level_squares, residual_dof = level_squares - slope**2 * squares, own_dof - 1
    shop_variance = known.repeatability_share**2
    level_variance, level_dof = _moderated(
        level_squares / residual_dof if residual_dof else 0.0,
        residual_dof,
        shop_variance,
        known.repeatability_dof,
    )
    local_variance, local_dof = shop_variance, level_dof
    if own_dof:
        floor = (LOCAL_FLOOR_SHARE * known.repeatability_share) ** 2
        local_variance = max(sum(one.local_squares for one in within) / own_dof, floor)
        # Chi-square of a field that correlates as above: it holds this many independent values.
        independent = compared.shared_rpm / (known.bandwidth_rpm * math.sqrt(math.pi))
        local_dof = own_dof * max(1.0, independent)
    return _Scatter(level_variance, level_dof, local_variance, local_dof, slope, squares)


def _parts(
    weights: np.ndarray, compared: _Compared, scatter: _Scatter, known: _Known
) -> list[Component]:
    """Return what the variance of a weighted sum of levels is made of, but for a trend."""
    squares = weights**2
    of_ratio = math.sqrt(float(squares.sum()) / 2.0)
    mounting = 0.0
    if not known.same_mounting:
        mounting = math.sqrt(float(squares.sum())) * known.remount_share
    of_pulls = math.sqrt(scatter.level_variance * float((squares / compared.pulls).sum()))
    of_days = known.day_share * math.sqrt(_of_labels(weights, compared.labels))
    return [
        Component("scatter of pulls", of_pulls, scatter.level_dof),
        Component("remounting", mounting, known.remount_dof),
        Component("day", of_days, known.day_dof),
        Component("air instruments", of_ratio * known.correction_share, math.inf),
        *(one._replace(share=of_ratio * one.share) for one in known.of_air),
    ]


def _budget(
    compared: _Compared,
    scatter: _Scatter,
    known: _Known,
    places: Places | None,
    usual_slope: Slope | None,
) -> _Budget:
    drift, drift_half, shift = math.nan, math.nan, 0.0
    parts = _parts(compared.weights, compared, scatter, known)
    if len(compared.sessions) > 2:
        first, back = (np.log(one.mean) for one in compared.found[:2])
        drift = float((back - first)[compared.in_range].mean())
        of_drift = combined(_parts(np.array([-1.0, 1.0, 0.0]), compared, scatter, known))
        drift_half = _t_quantile(0.5 + LEVEL / 2.0, of_drift.dof) * of_drift.share
        if abs(drift) > max(drift_half, STEADY_DRIFT_SHARE):
            parts.append(Component("unsteady drift", abs(drift) / math.sqrt(12.0), math.inf))
    if places is not None and usual_slope is not None:
        shift, trend = _trend(compared, scatter, places, usual_slope)
        parts.append(trend)
    return _Budget(parts, combined(parts, TIED), shift, drift, drift_half)


def _trend(
    compared: _Compared, scatter: _Scatter, places: Places, usual_slope: Slope
) -> tuple[float, Component]:
    """Return what a trend through the sessions is taken to have done, and how sure that is."""
    middle = [
        np.average(places.places[number], weights=one.weights)
        for number, one in zip(compared.order, compared.found, strict=True)
    ]
    loose = np.array([places.loose[number] for number in compared.order])
    shift, sd, dof = carried_over(
        float(compared.weights @ middle),
        abs(float(compared.weights @ loose)),
        scatter.slope,
        scatter.squares,
        usual_slope,
        scatter.level_variance,
        scatter.level_dof,
    )
    return shift, Component("trend", sd, dof)


def _points(
    compared: _Compared, scatter: _Scatter, budget: _Budget, known: _Known, mounted: np.ndarray
) -> _Points:
    """Return the bands: the local part comes on top of the mean's, centred over the range."""
    at, ranged, weights = compared.at, compared.ranged, compared.weights
    place = compared.grid[at]
    common = budget.whole.share**2
    away = (place[:, None] - place[ranged]) / known.bandwidth_rpm
    with_mean = np.exp(-0.5 * away**2).mean(axis=1)
    shape = np.maximum(1.0 - 2.0 * with_mean + with_mean[ranged].mean(), 0.0)
    seen = np.array(
        [
            one.weights @ np.isfinite(curves[:, at])
            for curves, one in zip(compared.sessions, compared.found, strict=True)
        ]
    )
    usual_shape = float(shape[ranged].mean())
    per_local = scatter.local_variance / usual_shape * (weights[:, None] ** 2 / seen).sum(axis=0)
    shapes = _levelled(mounted[:, at], ranged, known.remount_share)
    shapes *= 0.0 if known.same_mounting else math.sqrt(float((weights**2).sum()))
    # The mounting's level is in the shapes.
    level_at = common - next(part.share**2 for part in budget.parts if part.name == "remounting")
    from_local = float((per_local * shape)[ranged].mean())
    per_dof = common**2 / budget.whole.dof + from_local**2 / scatter.local_dof
    dof = (common + from_local) ** 2 / per_dof if per_dof else math.inf
    log_gain = compared.log_gain - budget.shift
    step = float(compared.grid[1] - compared.grid[0])
    band = _whole_band(
        log_gain[at],
        at - at[0],
        round(step / known.bandwidth_rpm, 6),
        ranged,
        level_at,
        shapes,
        np.sqrt(per_local),
        dof,
    )
    sd = np.full(compared.grid.shape, np.nan)
    sd[at] = np.sqrt(level_at + (shapes**2).sum(axis=0) + per_local * shape)
    return _Points(log_gain, sd, dof, _t_quantile(0.5 + LEVEL / 2.0, dof), band)


def _peaks(compared: _Compared, budget: _Budget, points: _Points, known: _Known) -> _Peaks:
    grid, at = compared.grid, compared.at
    place = grid[at]
    sides = (compared.before_w, compared.after_w)
    before, after = (peak(grid, side) for side in sides)
    ends = [float(grid[np.isfinite(side)][-1]) for side in sides]
    # A curve that still rises where it ends, far below the other's end, never showed its peak.
    is_cut = min(ends) < ENDS_EARLY_SHARE * max(ends) and (
        (before, after)[int(np.argmin(ends))].speed_rpm > min(ends) - known.bandwidth_rpm
    )
    tops = [
        peak(place, side[at]).value if is_cut else whole.value
        for side, whole in zip(sides, (before, after), strict=True)
    ]
    sd = float(np.interp(before.speed_rpm, place, points.sd[at]))
    at_peak, at_peak_w = math.nan, math.nan
    if place[0] <= before.speed_rpm <= place[-1]:
        at_peak = float(np.interp(before.speed_rpm, place, points.log_gain[at]))
        at_peak_w = before.value * math.expm1(at_peak)
    over_rev = 0.0
    if not (is_cut and ends[0] < ends[1]):
        over_rev = _over_rev_rpm(grid, compared.after_w, after.value, compared.range_to_rpm)
    log_peak = math.log(tops[1] / tops[0]) - budget.shift
    return _Peaks(log_peak, sd, points.critical * sd, at_peak, at_peak_w, over_rev)


def _told(
    compared: _Compared, scatter: _Scatter, budget: _Budget, points: _Points, peaks: _Peaks
) -> Gain:
    """Return all of it in the figures that people read."""
    log_gain, sd, in_range = points.log_gain, points.sd, compared.in_range
    ranged_rpm = compared.grid[in_range]
    log_mean, mean_sd, dof = float(log_gain[in_range].mean()), budget.mean_sd, budget.whole.dof
    mean, mean_lower, mean_upper = _with_ends(log_mean, budget.mean_half)
    top, top_lower, top_upper = _with_ends(peaks.log_peak, peaks.half)
    at_peak, at_peak_lower, at_peak_upper = _with_ends(peaks.at_peak, peaks.half)
    drift, drift_lower, drift_upper = _with_ends(budget.drift, budget.drift_half)
    halves = (points.critical * sd[in_range], points.band.critical * sd[in_range])
    highest = _end(log_gain[in_range], ranged_rpm, points.band.highest_bias, *halves, sign=1.0)
    lowest = _end(log_gain[in_range], ranged_rpm, points.band.lowest_bias, *halves, sign=-1.0)
    mean_p, peak_p = joint_p(
        [log_mean / mean_sd, peaks.log_peak / peaks.sd],
        min(mean_sd / peaks.sd, 1.0),
        [dof, points.dof],
    )
    return Gain(
        grid_rpm=compared.grid,
        before_w=compared.before_w,
        after_w=compared.after_w,
        gain_pct=_pct(log_gain),
        lower_pct=_pct(log_gain - points.critical * sd),
        upper_pct=_pct(log_gain + points.critical * sd),
        whole_lower_pct=_pct(log_gain - points.band.critical * sd),
        whole_upper_pct=_pct(log_gain + points.band.critical * sd),
        range_from_rpm=float(ranged_rpm[0]),
        range_to_rpm=float(ranged_rpm[-1]),
        mean_gain_pct=mean,
        mean_gain_lower_pct=mean_lower,
        mean_gain_upper_pct=mean_upper,
        peak_gain_pct=top,
        peak_gain_lower_pct=top_lower,
        peak_gain_upper_pct=top_upper,
        gain_at_peak_pct=at_peak,
        gain_at_peak_lower_pct=at_peak_lower,
        gain_at_peak_upper_pct=at_peak_upper,
        gain_at_peak_w=peaks.at_peak_w,
        greatest_gain_pct=highest[0],
        greatest_gain_speed_rpm=highest[1],
        greatest_gain_lower_pct=highest[2],
        greatest_gain_upper_pct=highest[3],
        greatest_loss_pct=lowest[0],
        greatest_loss_speed_rpm=lowest[1],
        greatest_loss_lower_pct=lowest[2],
        greatest_loss_upper_pct=lowest[3],
        over_rev_rpm=peaks.over_rev_rpm,
        log_mean_gain=log_mean,
        log_mean_gain_sd=mean_sd,
        log_peak_gain=peaks.log_peak,
        log_peak_gain_sd=peaks.sd,
        level_sd=math.sqrt(scatter.level_variance),
        local_sd=math.sqrt(scatter.local_variance),
        dof=dof,
        budget=tuple(budget.parts),
        trend_pct=float(_pct(budget.shift)),
        mean_p=mean_p,
        peak_p=peak_p,
        drift_pct=drift,
        drift_lower_pct=drift_lower,
        drift_upper_pct=drift_upper,
        smallest_detectable_pct=float(_pct(_detectable_in_sd(dof) * mean_sd)),
        verdict=verdict(log_mean - budget.mean_half, log_mean + budget.mean_half),
        verdict_at_peak=verdict(peaks.at_peak - peaks.half, peaks.at_peak + peaks.half),
    )


def _with_ends(log_ratio: float, half: float) -> tuple[float, float, float]:
    """Return a ratio and its ends in percent."""
    value, lower, upper = (float(_pct(log_ratio + side)) for side in (0.0, -half, half))
    return value, lower, upper


def _session_order(values: Sequence[Any] | None, count: int) -> list[Any]:
    """Return before, after, again in the order of the weights; without values, all alike."""
    given = list(values) if values is not None else [None] * count
    if len(given) != count:
        raise ValueError(f"days must name {count} sessions, got {len(given)}")
    return [given[0], *given[2:], given[1]]


def _levelled(shapes: np.ndarray, in_range: np.ndarray, share: float) -> np.ndarray:
    """Return shapes whose means over the range together have the share of the mean."""
    level = shapes[:, in_range].mean(axis=1, keepdims=True)
    size = float(np.linalg.norm(level))
    return shapes - level + (level * (share / size) if size else share / math.sqrt(len(shapes)))


def _end(
    log_gain: np.ndarray,
    grid: np.ndarray,
    bias: float,
    half: np.ndarray,
    whole_half: np.ndarray,
    sign: float,
) -> tuple[float, float, float, float]:
    """Return the greatest gain (or loss, sign -1), its speed and interval, noise taken off."""
    along = sign * log_gain
    place = int(np.argmax(along))
    inner, outer = float((along - whole_half).max()), float((along + half).max())
    best = min(max(float(along[place]) - sign * bias, inner), outer)
    if best <= 0.0:
        return 0.0, math.nan, math.nan, math.nan
    low, high = sorted((sign * inner, sign * outer))
    return float(_pct(sign * best)), float(grid[place]), float(_pct(low)), float(_pct(high))


def _over_rev_rpm(
    grid: np.ndarray, after_w: np.ndarray, after_peak_w: float, before_last_rpm: float
) -> float:
    """Speed added beyond the before-curve's last while the after-curve holds its share."""
    beyond = grid > before_last_rpm
    holds = after_w[beyond] >= OVER_REV_SHARE * after_peak_w
    # Unbroken from the old limit on; NaN does not hold.
    held = int(np.argmin(holds)) if not holds.all() else holds.size
    return float(grid[beyond][held - 1] - before_last_rpm) if held else 0.0
