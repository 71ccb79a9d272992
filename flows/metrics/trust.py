"""How far a dyno is trusted: its usual scatter, and what strapping down again adds.

Scatter lives on the ln scale, where one percent is one percent at every engine speed.
"""

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from flows.metrics.domain_checks import require
from flows.metrics.session import PooledSd

DEFAULT_REMOUNT_SHARE = 0.008
"""1 SD of strapping a bike down again, until the shop has its own: common practice, no source."""

DEFAULT_AIR_EXPONENT_SHARE = 0.3 / math.sqrt(3.0)
"""1 SD of the error of the correction's exponent of the air: ISO 1585 raises the temperature to
0.6, engines follow it with 0.3 to 0.9, each as likely as the other (JCGM 100, 4.3.7; that range is
common practice, no source)."""

REGION_EDGES = (0.40, 0.65, 0.90, 1.15)
"""Low, middle and top of the riding range, in shares of the speed at peak power (our choice)."""

LEAST_POINTS = 5
"""Points at which a pair must be seen within a region to count there."""


class RemountShare(NamedTuple):
    """What taking a bike off and strapping it down again adds.

    Attributes
    ----------
    share : float. 1 SD on the ln scale. [0..1]
    dof : float. Degrees of freedom behind it; 0 for the default.
    is_default : bool. Whether there were too few pairs to use the shop's own.
    """

    share: float
    dof: float
    is_default: bool


class RegionRemount(NamedTuple):
    """What remounting adds within one region of speed.

    Attributes
    ----------
    from_share, to_share : float. The region, in shares of the speed at peak power. [1]
    share : float. 1 SD on the ln scale. [0..1]
    dof : float. Degrees of freedom behind it; 0 for the default.
    pairs : int. Pairs seen in the region.
    origin : str. region, whole curve, or default.
    """

    from_share: float
    to_share: float
    share: float
    dof: float
    pairs: int
    origin: str


def shop_repeatability(sd_by_session: ArrayLike, dof_by_session: ArrayLike) -> PooledSd:
    r"""Return the shop's usual scatter of pulls, and how far one session is sure to share it.

    Parameters
    ----------
    sd_by_session : array_like. Standard deviation of the pulls' ln levels in each session.
    dof_by_session : array_like. Degrees of freedom of each, pulls less one.

    Returns
    -------
    PooledSd. Usual scatter, and the degrees of freedom it is worth *as a prior for the next
        session*: few when sessions differ, infinite when they all scatter alike.

    Raises
    ------
    ValueError. If a standard deviation is negative, or the two rows differ in length.

    Notes
    -----
    Session variances :math:`s_g^2` are taken as :math:`s_0^2 F_{d_g, d_0}`, and fitted through
    the mean and variance of

    .. math:: e_g = \ln s_g^2 - \psi(d_g/2) + \ln(d_g/2)

    as in [1]_, section 6.2. The pooled dof of a shop's history is *not* `gain`'s
    `repeatability_dof`: it says how well the mean scatter is known, not how alike the sessions are.
    Sessions with a scatter of 0 are left out. Below four sessions: NaN and 0.

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
    between_session_log_differences : array_like. ln ratio of the mean levels of two sessions with
        nothing changed but the mounting; one a pair.
    session_variance_of_each : array_like. Variance that the pulls alone leave on *one* session mean
        of the pair (for pairs of unequal size, the average of the two); one a pair, or one for all.
    default_share : float, default 0.008. What to return below `least_pairs`. [0..1]
    least_pairs : int, default 4. Fewer pairs say too little: the 95 % interval of a scatter from
        three reaches to 3.7 times the estimate.

    Returns
    -------
    RemountShare. 1 SD of one mounting, its degrees of freedom, and whether it is the default.

    Raises
    ------
    ValueError. If a variance, or the default, is negative.

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


def remount_by_region(
    speed_shares: ArrayLike,
    log_ratios: ArrayLike,
    session_variance_of_each: ArrayLike,
    *,
    default_share: float = DEFAULT_REMOUNT_SHARE,
    least_pairs: int = 6,
) -> list[RegionRemount]:
    r"""Return what remounting adds in each region of speed, from pairs in which nothing changed.

    Parameters
    ----------
    speed_shares : array_like
        Speeds as shares of the speed at peak power: one row for all pairs, or a row a pair. [1]
    log_ratios : array_like
        ln ratio of the two session curves at those speeds, a row a pair; NaN where not seen.
    session_variance_of_each : array_like. As for `remount_share`; one a pair, or one for all.
    default_share : float, default 0.008
        What to return when the pairs are too few for any figure of their own. [0..1]
    least_pairs : int, default 6
        Pairs that a region, or the whole curve, must have for a figure of its own.

    Returns
    -------
    list of RegionRemount. One a region, in order of speed, each with where its figure comes from.

    Raises
    ------
    ValueError. If the rows do not fit together, or as `remount_share`.

    Notes
    -----
    In each region the mean ln ratio of each pair goes into `remount_share`. A region with fewer
    than `least_pairs` pairs takes the figure of the whole curve; if that has too few as well, the
    default. Taking errors between regions as fully shared makes the interval of a mean too wide
    rather than too narrow. Design of ours, no source.

    Examples
    --------
    >>> regions = remount_by_region([0.5] * 5 + [0.8] * 5 + [1.0] * 5,
    ...                             [[0.01] * 5 + [-0.01] * 5 + [0.02] * 5] * 6, 0.0)
    >>> [(region.origin, round(region.share, 5)) for region in regions]
    [('region', 0.00707), ('region', 0.00707), ('region', 0.01414)]
    """
    ratio = np.asarray(log_ratios, dtype=float)
    if ratio.size == 0:
        ratio = ratio.reshape(0, 0)
    if ratio.ndim != 2:
        raise ValueError(f"log_ratios must be pairs by speeds, got shape {ratio.shape}")
    share = np.asarray(speed_shares, dtype=float)
    if ratio.shape[0] and share.shape not in (ratio.shape, ratio.shape[1:]):
        raise ValueError(
            f"speed_shares must be one row or as log_ratios, got {share.shape} and {ratio.shape}"
        )
    share = np.broadcast_to(share, ratio.shape) if ratio.shape[0] else np.empty(ratio.shape)
    variance = np.broadcast_to(np.asarray(session_variance_of_each, dtype=float), (ratio.shape[0],))

    def of(low: float, high: float) -> tuple[RemountShare, int]:
        inside = np.isfinite(ratio) & (share >= low) & (share < high)
        count = inside.sum(axis=1)
        enough = count >= LEAST_POINTS
        total = np.where(inside, ratio, 0.0).sum(axis=1)
        found = remount_share(
            total[enough] / count[enough],
            variance[enough],
            default_share=default_share,
            least_pairs=least_pairs,
        )
        return found, int(enough.sum())

    whole, _ = of(REGION_EDGES[0], REGION_EDGES[-1])
    regions = []
    for low, high in pairwise(REGION_EDGES):
        own, pairs = of(low, high)
        used = whole if own.is_default else own
        origin = "default" if used.is_default else "whole curve" if own.is_default else "region"
        regions.append(RegionRemount(low, high, used.share, used.dof, pairs, origin))
    return regions


def remount_at(speed_shares: ArrayLike, regions: Sequence[RegionRemount]) -> np.ndarray:
    """Return the remount share at each speed, without steps where two regions meet.

    Parameters
    ----------
    speed_shares : array_like. Speeds as shares of the speed at peak power. [1]
    regions : sequence of RegionRemount. Regions in order of speed.

    Returns
    -------
    ndarray. 1 SD on the ln scale at each speed. [0..1]

    Raises
    ------
    ValueError. If there is no region.

    Notes
    -----
    The share holds at the middle of each region; between two middles it is interpolated on the
    variance, and beyond the first and last it stays. A band with steps at arbitrary edges would
    show what is not there. Design of ours, no source.

    Examples
    --------
    >>> low = RegionRemount(0.4, 0.6, 0.006, 8.0, 8, "region")
    >>> remount_at([0.3, 0.6, 0.7], [low, RegionRemount(0.6, 0.8, 0.008, 8.0, 8, "region")])
    array([0.006     , 0.00707107, 0.008     ])
    """
    if not regions:
        raise ValueError("regions must hold at least 1 region, got none")
    middles = [(region.from_share + region.to_share) / 2.0 for region in regions]
    variance = [region.share**2 for region in regions]
    return np.sqrt(np.interp(np.asarray(speed_shares, dtype=float), middles, variance))
