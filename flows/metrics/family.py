"""Verdicts that share one error rate: of a gain's mean and peak, and of all gains of one card."""

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from flows.metrics.domain_checks import require

NODES = 32
"""Gauss nodes in each direction: the chance is then right to 1e-4 from 2 dof on."""


def both_within(limit: float, correlation: float, dof: float) -> float:
    r"""Return the chance that two correlated *t* both stay within a limit when nothing changed.

    Parameters
    ----------
    limit : float. Limit of either, in standard errors.
    correlation : float. Between them, 0 to 1.
    dof : float. Degrees of freedom of their common scale.

    Returns
    -------
    float. Chance.

    Raises
    ------
    ValueError. If the limit is negative, the correlation beyond 0 and 1, or the dof not above 0.

    Notes
    -----
    The bivariate *t* of one scale, :math:`S^2 \sim \chi^2_\nu / \nu`:

    .. math::
        P = \mathrm{E}_S \int_{-cS}^{cS} \varphi(z)\, \Bigl[
        \Phi\Bigl(\tfrac{cS - \rho z}{\sqrt{1-\rho^2}}\Bigr)
        - \Phi\Bigl(\tfrac{-cS - \rho z}{\sqrt{1-\rho^2}}\Bigr)\Bigr]\, dz

    by Gauss-Legendre nodes over *z* and over the quantiles of *S*. Algebra, no source; checked
    against `scipy.stats.multivariate_t`.

    Examples
    --------
    >>> round(both_within(1.959964, 0.0, 1e9), 4)
    0.9025
    """
    require("limit", limit, at_least=0.0)
    require("correlation", correlation, at_least=0.0, at_most=1.0)
    require("dof", dof, above=0.0)
    if correlation > 1.0 - 1e-9:
        return 2.0 * float(special.stdtr(min(dof, 1e9), limit)) - 1.0
    node, weight = np.polynomial.legendre.leggauss(NODES)
    if dof > 1e6:
        scale, chance = np.ones(1), np.ones(1)
    else:
        scale = np.sqrt(2.0 * special.gammaincinv(dof / 2.0, (node + 1.0) / 2.0) / dof)
        chance = weight / 2.0
    reach = np.minimum(limit * scale, 9.0)[:, None]
    z = reach * node
    root = math.sqrt(1.0 - correlation**2)
    inside = special.ndtr((reach - correlation * z) / root)
    inside -= special.ndtr((-reach - correlation * z) / root)
    density = np.exp(-0.5 * z**2) / math.sqrt(2.0 * math.pi)
    return float(chance @ (reach * weight * density * inside).sum(axis=1))


def joint_p(statistics: Sequence[float], correlation: float, dof: Sequence[float]) -> list[float]:
    """Return the p-values of one or two verdicts on the same pulls, held to one error rate.

    Parameters
    ----------
    statistics : sequence of float. Estimate over standard error, of one or two figures.
    correlation : float. Between the two errors, 0 to 1.
    dof : sequence of float. Degrees of freedom of each.

    Returns
    -------
    list of float. Adjusted p-values, in the order given.

    Raises
    ------
    ValueError. As `both_within`; or if there are more than two figures.

    Notes
    -----
    Step-down by the greatest statistic [1]_: the clearer of the two is held against the chance
    that either is so far out, with the fewer degrees of freedom of both; the other for itself,
    but never below the first. Mean and peak share mounting, day and air, so that the price is
    small: a limit of 2.05 to 2.15 in place of 1.96.

    Examples
    --------
    >>> [round(p, 3) for p in joint_p([3.0, 1.0], 0.9, [1e9, 1e9])]
    [0.004, 0.317]

    References
    ----------
    .. [1] P. H. Westfall and S. S. Young, Resampling-Based Multiple Testing, Wiley, 1993 (from
       memory).
    """
    if len(statistics) > 2 or len(dof) != len(statistics):
        raise ValueError(f"statistics must be one or two with their dof, got {len(statistics)}")
    alone = [
        2.0 * float(special.stdtr(min(own, 1e9), -abs(one)))
        for one, own in zip(statistics, dof, strict=True)
    ]
    if len(alone) < 2:
        return alone
    first = int(np.argmin(alone))
    least = 1.0 - both_within(abs(statistics[first]), correlation, min(dof))
    adjusted = [max(one, least) for one in alone]
    adjusted[first] = max(least, alone[first])
    return adjusted


def family_p(p_of_each: Sequence[ArrayLike]) -> list[np.ndarray]:
    r"""Return p-values of all verdicts of a card, held to one error rate.

    Parameters
    ----------
    p_of_each : sequence of array_like. Of each comparison its p-values, already held to one error
        rate among themselves.

    Returns
    -------
    list of ndarray. Adjusted p-values, in the same order.

    Raises
    ------
    ValueError. If a p-value is not within 0 and 1.

    Notes
    -----
    Holm's step-down [1]_, counted by comparisons: the p-values in rising order, each times the
    number of comparisons that still hold a verdict not given, never below the one before. At the
    first false 'real' every comparison in which something did not change still holds such a
    verdict, so that the factor is at least their number, and by Bonferroni's inequality the
    chance of any false verdict on the card is at most the level. With one verdict a comparison it
    is Holm's procedure itself. Needs nothing to be independent: the comparisons of a job share
    sessions. Better than widening every interval at once, for a clear change pays nothing.

    Examples
    --------
    >>> family_p([[0.01], [0.04], [0.03]])
    [array([0.03]), array([0.06]), array([0.06])]

    References
    ----------
    .. [1] S. Holm, "A simple sequentially rejective multiple test procedure," Scand. J. Stat.,
       vol. 6, pp. 65-70, 1979.
    """
    each = [np.asarray(one, dtype=float) for one in p_of_each]
    for one in each:
        require("p_of_each", one, at_least=0.0, at_most=1.0)
    left = [one.size for one in each]
    adjusted = [np.ones(one.shape) for one in each]
    highest = 0.0
    order = sorted((float(p), at, place) for at, one in enumerate(each) for place, p in
                   enumerate(one))  # fmt: skip
    for p, at, place in order:
        highest = max(highest, min(p * sum(count > 0 for count in left), 1.0))
        adjusted[at][place] = highest
        left[at] -= 1
    return adjusted
