"""How likely a build needs a remap, and how lean it gets: bikes few, groups many."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special

from flows.metrics.domain_checks import require
from flows.metrics.pooling import Borrowed, borrowed

LEAST_PRIOR_STRENGTH = 1.0
MOST_PRIOR_STRENGTH = 20.0
"""Bounds on what the shop's other builds may say about one: as much as 1 to 20 bikes. Beyond 20
a build of its own would need dozens of bikes to stand out."""


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
    """What the shop's builds as a whole say of a build not seen yet.

    Attributes
    ----------
    prior_share : float. Share of bikes with a warn-level lean window. [1]
    prior_strength : float. How many bikes that is worth.
    """

    prior_share: float
    prior_strength: float


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
    share, strength = prior
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


def shop_prior(lean_bikes_by_group: ArrayLike, bikes_by_group: ArrayLike) -> Prior:
    r"""Return the share of lean bikes over all builds, and how far one build may be judged by it.

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
    Greatest beta-binomial likelihood over share :math:`\pi` and strength s, held to 1 ... 20:

    .. math::
        \sum_g \ln \frac{B(s\pi + x_g,\; s(1-\pi) + n_g - x_g)}{B(s\pi,\; s(1-\pi))}
        + \tfrac12 \ln \pi (1 - \pi)

    The last term, half a bike on either side, keeps the share off 0 and 1 in a shop that has
    seen only one kind. Builds with one bike say nothing of the strength; with fewer than three
    builds of two bikes or more the answer is the overall share with half a bike on either side,
    and strength 1: Jeffreys' prior when there is no bike at all.

    Examples
    --------
    >>> shop_prior([], [])
    Prior(prior_share=0.5, prior_strength=1.0)
    >>> shop_prior([4, 0, 5, 1], [5, 6, 5, 6]).prior_strength < 3.0
    True
    """
    lean = np.asarray(lean_bikes_by_group, dtype=float)
    bikes = np.asarray(bikes_by_group, dtype=float)
    if lean.shape != bikes.shape or lean.ndim != 1:
        raise ValueError(
            f"bikes_by_group must match lean_bikes_by_group, got {bikes.shape} for {lean.shape}"
        )
    require("bikes_by_group", bikes, at_least=0.0)
    require("lean_bikes_by_group", lean, at_least=0.0, at_most=bikes)
    overall = float((lean.sum() + 0.5) / (bikes.sum() + 1.0))
    if np.sum(bikes >= 2.0) < 3:
        return Prior(overall, LEAST_PRIOR_STRENGTH)

    def misfit(place: NDArray[np.float64]) -> float:
        share, strength = special.expit(place[0]), np.exp(place[1])
        a, b = strength * share, strength * (1.0 - share)
        fit = np.sum(special.betaln(a + lean, b + bikes - lean) - special.betaln(a, b))
        return -float(fit + 0.5 * np.log(share * (1.0 - share)))

    log_bounds = (np.log(LEAST_PRIOR_STRENGTH), np.log(MOST_PRIOR_STRENGTH))
    found = optimize.minimize(
        misfit,
        x0=[special.logit(overall), np.mean(log_bounds)],
        bounds=[(-12.0, 12.0), log_bounds],
        method="L-BFGS-B",
    )
    return Prior(float(special.expit(found.x[0])), float(np.exp(found.x[1])))


def shrunk_error(
    error_pct_by_group: Sequence[ArrayLike], measurement_sd_pct: float
) -> list[Borrowed]:
    """Return the worst lean error to expect of each build, thin builds leaning on the others.

    Parameters
    ----------
    error_pct_by_group : sequence of array_like
        For each build, the held worst lean error of each bike; NaN where it was not seen. [%]
    measurement_sd_pct : float
        Standard deviation with which one bike's error is measured: gauge, probe and air. [%]

    Returns
    -------
    list of Borrowed. One for each build, in the order given. [%]

    Raises
    ------
    ValueError. If a build has no bike whose error was seen, or the deviation is not above 0.

    Notes
    -----
    As `borrowed`, with one variance for all bikes.

    Examples
    --------
    >>> [round(build.mean, 1) for build in shrunk_error([[12.0, 14.0]], 2.0)]
    [13.0]
    """
    require("measurement_sd_pct", measurement_sd_pct, above=0.0, unit="%")
    groups = []
    for place, errors in enumerate(error_pct_by_group):
        error = np.atleast_1d(np.asarray(errors, dtype=float))
        error = error[np.isfinite(error)]
        if error.size == 0:
            raise ValueError(f"error_pct_by_group[{place}] must hold at least 1 bike, got 0")
        groups.append((error, np.full(error.size, measurement_sd_pct**2)))
    return borrowed(groups, level=LEVEL)


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
