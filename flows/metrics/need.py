"""How likely a build needs a remap, and how lean it gets: bikes few, groups many."""

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from flows.metrics.domain_checks import require

LEAST_STRENGTH = 1.0
MOST_STRENGTH = 20.0
"""What a kind's other builds may say about one: as much as 1 to 20 bikes. Beyond 20 a build of its
own would need dozens of bikes to stand out."""

LEAST_BUILDS = 3
"""Builds below which a kind says hardly anything of its next one (as for the spread of effects
between models): the prior is then told as assumed."""

_LOGITS = np.linspace(-9.0, 9.0, 73)
_LOG_STRENGTHS = np.linspace(np.log(LEAST_STRENGTH), np.log(MOST_STRENGTH), 10)

LEVEL = 0.90
"""Coverage of the central intervals: their lower end is then the one-sided 95 % bound that builds
are ranked by."""


class Probability(NamedTuple):
    """The chance that the next bike so built shows a warn-level lean window.

    Attributes
    ----------
    mean, lower, upper : float. Mean of the posterior and its central interval. [1]
    """

    mean: float
    lower: float
    upper: float


class Prior(NamedTuple):
    """What the shop's builds of one kind say of a build not seen yet.

    Attributes
    ----------
    prior_share : float. Share of bikes with a warn-level lean window. [1]
    prior_strength : float. How many bikes that is worth.
    is_assumed : bool. Whether too few builds stand behind it for it to be the shop's own.
    """

    prior_share: float
    prior_strength: float
    is_assumed: bool = False


def warn_probability(lean_bikes: int, bikes: int, prior: Prior) -> Probability:
    r"""Return the chance that a bike so built shows a warn-level lean window.

    Parameters
    ----------
    lean_bikes : int. Bikes that showed one.
    bikes : int. Bikes so built.
    prior : Prior. What is expected before any was seen; see `shop_prior`.

    Returns
    -------
    Probability. Mean, lower and upper end.

    Raises
    ------
    ValueError. If more bikes are lean than there are, or the prior is not a distribution.

    Notes
    -----
    .. math:: p \sim \mathrm{Beta}(s\pi + x,\; s(1 - \pi) + n - x)

    with x lean of n bikes, prior share :math:`\pi` and strength s [1]_.

    Where nearly all is known of nearly nothing (none lean of many, in a shop where hardly any
    is) the mean of so skew a distribution lies beyond its own quantile: the interval is then
    carried on to the mean.

    Assumes that bikes are independent: one bike in two jobs counts once.

    Examples
    --------
    >>> flat = Prior(prior_share=0.5, prior_strength=2.0)
    >>> warn_probability(1, 1, flat).lower
    0.2236
    >>> warn_probability(9, 10, flat).lower
    0.6356

    References
    ----------
    .. [1] A. Gelman et al., "Bayesian Data Analysis," 3rd ed., section 2.4, 2013.
    """
    require("bikes", bikes, at_least=0)
    require("lean_bikes", lean_bikes, at_least=0, at_most=bikes)
    share, strength, _ = prior
    require("prior_share", share, above=0.0, below=1.0)
    require("prior_strength", strength, above=0.0)
    lean = strength * share + lean_bikes
    fine = strength * (1.0 - share) + bikes - lean_bikes
    tail = 0.5 * (1.0 - LEVEL)
    mean = lean / (lean + fine)
    return Probability(
        mean=mean,
        lower=min(float(special.betaincinv(lean, fine, tail)), mean),
        upper=max(float(special.betaincinv(lean, fine, 1.0 - tail)), mean),
    )


def share_seen(lean_bikes: int, bikes: int) -> Probability:
    r"""Return the share of lean bikes among those seen, with nothing borrowed.

    Parameters
    ----------
    lean_bikes : int. Bikes that showed a lean window.
    bikes : int. Bikes seen.

    Returns
    -------
    Probability. The share seen and its interval.

    Raises
    ------
    ValueError. If there is no bike, or more are lean than there are.

    Notes
    -----
    Jeffreys' interval [1]_, the quantiles of :math:`\mathrm{Beta}(x + \frac12, n - x + \frac12)`,
    with its end at 0 where none is lean and at 1 where all are.

    Examples
    --------
    >>> share_seen(0, 4).lower, round(share_seen(0, 4).upper, 3)
    (0.0, 0.362)

    References
    ----------
    .. [1] L. D. Brown, T. T. Cai and A. DasGupta, "Interval estimation for a binomial
       proportion," Stat. Sci., vol. 16, pp. 101-133, 2001.
    """
    require("bikes", bikes, at_least=1)
    require("lean_bikes", lean_bikes, at_least=0, at_most=bikes)
    ends = (lean_bikes + 0.5, bikes - lean_bikes + 0.5)
    tail = 0.5 * (1.0 - LEVEL)
    return Probability(
        mean=lean_bikes / bikes,
        lower=float(special.betaincinv(*ends, tail)) if lean_bikes else 0.0,
        upper=float(special.betaincinv(*ends, 1.0 - tail)) if lean_bikes < bikes else 1.0,
    )


def shop_prior(lean_bikes_by_group: ArrayLike, bikes_by_group: ArrayLike) -> Prior:
    r"""Return the share of lean bikes over builds of a kind, and how far one is judged by it.

    Parameters
    ----------
    lean_bikes_by_group : array_like. Lean bikes of each build.
    bikes_by_group : array_like. Bikes of each build.

    Returns
    -------
    Prior. Share and strength, for `warn_probability`.

    Raises
    ------
    ValueError. If the lengths differ, or more bikes are lean than there are.

    Notes
    -----
    The shares of builds are taken as :math:`\mathrm{Beta}(s\pi, s(1-\pi))`, so that

    .. math::
        p(\pi, s \mid x) \propto \prod_g \frac{B(s\pi + x_g,\; s(1-\pi) + n_g - x_g)}
        {B(s\pi,\; s(1-\pi))}\; p(\pi)\, p(s)

    [1]_, section 5.3, with Jeffreys' prior on :math:`\pi` and s even in its logarithm from 1 to 20.
    The answer is the beta distribution with mean and variance of a next build's share,

    .. math::
        \mathrm{E}\,\pi, \qquad
        \mathrm{Var}\,\pi + \mathrm{E}\,\frac{\pi (1 - \pi)}{s + 1}

    so that few builds, and builds of one bike, which say nothing of s, make a weak prior by
    themselves. Fewer than three builds are left out of it, for each would judge itself: what then
    stands is assumed.

    Examples
    --------
    >>> round(shop_prior([], []).prior_share, 6), shop_prior([], []).is_assumed
    (0.5, True)
    >>> shop_prior([4, 0, 5, 1], [5, 6, 5, 6]).prior_strength < 3.0
    True

    References
    ----------
    .. [1] A. Gelman et al., "Bayesian Data Analysis," 3rd ed., 2013.
    """
    lean = np.asarray(lean_bikes_by_group, dtype=float)
    bikes = np.asarray(bikes_by_group, dtype=float)
    if lean.shape != bikes.shape or lean.ndim != 1:
        raise ValueError(
            f"bikes_by_group must match lean_bikes_by_group, got {bikes.shape} for {lean.shape}"
        )
    require("bikes_by_group", bikes, at_least=0.0)
    require("lean_bikes_by_group", lean, at_least=0.0, at_most=bikes)
    is_assumed = bikes.size < LEAST_BUILDS
    if is_assumed:
        lean, bikes = lean[:0], bikes[:0]
    share = special.expit(_LOGITS)[:, None]
    strength = np.exp(_LOG_STRENGTHS)
    a, b = strength * share, strength * (1.0 - share)
    # Jeffreys' prior, on the logit scale of the raster.
    fit = np.broadcast_to(0.5 * np.log(share * (1.0 - share)), a.shape).copy()
    # Builds with the same counts weigh alike: each is worked out once.
    counts, times = np.unique(np.stack([lean, bikes]), axis=1, return_counts=True)
    for x, n, count in zip(*counts, times, strict=True):
        fit += count * (special.betaln(a + x, b + n - x) - special.betaln(a, b))
    weight = np.exp(fit - fit.max())
    weight /= weight.sum()
    mean = float(np.sum(weight * share))
    between = float(np.sum(weight * (share - mean) ** 2))
    variance = between + float(np.sum(weight * share * (1.0 - share) / (strength + 1.0)))
    return Prior(mean, mean * (1.0 - mean) / variance - 1.0, is_assumed)


def rank_by_lower(lower: ArrayLike, tie_break: ArrayLike) -> NDArray[np.intp]:
    """Return ranks by the lower bound, so that one odd bike does not top the list.

    Parameters
    ----------
    lower : array_like. Lower bound of each row: the greatest comes first. NaN comes last.
    tie_break : array_like. The greater comes first among equals; then the order given decides.

    Returns
    -------
    ndarray of int. Ranks from 1, each once.

    Raises
    ------
    ValueError. If the lengths differ.

    Examples
    --------
    >>> rank_by_lower([0.2, 0.7, 0.2], [5.0, 9.0, 8.0])
    array([3, 1, 2])
    """
    bound = np.asarray(lower, dtype=float)
    second = np.asarray(tie_break, dtype=float)
    if bound.shape != second.shape or bound.ndim != 1:
        raise ValueError(f"tie_break must match lower, got {second.shape} for {bound.shape}")
    # lexsort puts NaN last, and keeps the order given among full ties.
    order = np.lexsort((-second, -bound))
    rank = np.empty(bound.size, dtype=np.intp)
    rank[order] = np.arange(1, bound.size + 1)
    return rank


def leading_since(lower_by_time: ArrayLike, places: int) -> NDArray[np.intp]:
    """Return since when each build has stood among the first places without a break.

    Parameters
    ----------
    lower_by_time : array_like. Lower bound of each build (column) at each time (row), in order of
        time; NaN before anything is known of a build.
    places : int. How many places count as leading.

    Returns
    -------
    ndarray of int. Row of the first time of its stay at the end; -1 where it does not lead there.

    Raises
    ------
    ValueError. If the bounds are no table, or there is no place.

    Notes
    -----
    A build leads where fewer than `places` others have a greater bound. Equals lead together.

    Examples
    --------
    >>> leading_since([[0.5, np.nan], [0.5, 0.2], [0.5, 0.7]], places=1)
    array([-1,  2])
    """
    require("places", places, at_least=1)
    bound = np.asarray(lower_by_time, dtype=float)
    if bound.ndim != 2:
        raise ValueError(f"lower_by_time must be a table, got {bound.ndim} dimensions")
    since = np.full(bound.shape[1], -1, dtype=np.intp)
    if not len(bound):
        return since
    # At the end the others' bounds decide; only the few that lead there are followed back.
    at_end = np.sort(np.nan_to_num(bound[-1], nan=-np.inf))
    least = at_end[-places] if at_end.size > places else -np.inf
    for build in np.flatnonzero(bound[-1] >= least):
        own = bound[:, build, None]
        leads = (np.sum(bound > own, axis=1) < places) & ~np.isnan(own[:, 0])
        breaks = np.flatnonzero(~leads)
        since[build] = breaks[-1] + 1 if breaks.size else 0
    return since
