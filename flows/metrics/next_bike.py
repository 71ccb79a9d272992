"""Where the next bike of a build will fall, from bikes of the build and of others like it."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

FloatArray = NDArray[np.float64]

LEAST_DEGREES = 2
"""Bikes beyond the first that must stand behind a range: with fewer it is wider than any engine's
mixture and of no use."""

LEAST_WITHIN = 3
"""Bikes beyond one a group from which their scatter within groups is told from that between them
(coverage in simulation; with fewer, figures of single bikes could be either)."""

_LOG_RATIOS = np.linspace(np.log(0.03), np.log(60.0), 40)


class Predicted(NamedTuple):
    """What the next bike of each group will show: Student's t about a middle.

    Attributes
    ----------
    mean, scale : ndarray
        Middle and spread of each group; the spread is NaN where too few bikes tell.
    degrees : ndarray. Degrees of freedom of each spread.
    borrowed_share : ndarray. Weight of the other groups in each group's middle. [1]
    """

    mean: FloatArray
    scale: FloatArray
    degrees: FloatArray
    borrowed_share: FloatArray

    def chance_below(self, figure: float) -> FloatArray:
        """Return the chance that the next bike of each group stays below a figure."""
        return special.stdtr(self.degrees, (figure - self.mean) / self.scale)

    def quantile(self, chance: float) -> FloatArray:
        """Return the figure below which the next bike of each group stays with a chance."""
        return self.mean + self.scale * special.stdtrit(self.degrees, chance)


def next_bikes(figures_by_group: Sequence[ArrayLike]) -> Predicted:
    r"""Return where the next bike of each group will be measured, and one of a group never seen.

    Parameters
    ----------
    figures_by_group : sequence of array_like. One figure a bike for each group.

    Returns
    -------
    Predicted. A column for each group in the order given, then one for a group never seen.

    Raises
    ------
    ValueError. If a group is empty, or there is none.

    Notes
    -----
    Bike i of group g shows :math:`y_{gi} = \mu + b_g + u_{gi}` with
    :math:`u \sim N(0, \tau^2)`, the scatter of measurement in it, and
    :math:`b \sim N(0, \lambda^2 \tau^2)`. Under :math:`p(\mu, \tau) \propto 1 / \tau` everything
    but :math:`\lambda` is had in closed form ([1]_, chapters 3 and 5). With N bikes, n of them in
    g, :math:`p_g = n_g / (1 + n_g \lambda^2)` and P their sum,

    .. math::
        \hat\mu = \sum p_g \bar y_g / P, \qquad
        S = \sum (y_{gi} - \bar y_g)^2 + \sum p_g (\bar y_g - \hat\mu)^2

    .. math::
        \hat y_g = (1 - B_g) \bar y_g + B_g \hat\mu, \qquad B_g = \frac{1}{1 + n_g \lambda^2}

    and the next bike is Student's t with N - 1 degrees of freedom about :math:`\hat y_g`, of
    squared scale :math:`(1 + \lambda^2 B_g + B_g^2 / P)\, S / (N - 1)`; that of a group never
    seen about :math:`\hat\mu`, of :math:`(1 + \lambda^2 + 1 / P)\, S / (N - 1)`. These are averaged
    over what the figures say of :math:`\lambda`,

    .. math:: \prod (1 + n_g \lambda^2)^{-1/2}\, P^{-1/2}\, S^{-(N-1)/2}\, p(\lambda)

    with the share that a typical group borrows uniform on 0 to 1 before anything was seen [2]_.
    The mixture of these t is given as one t of its middle and spread. Where hardly a group has two
    bikes, nothing tells :math:`\tau` from :math:`\lambda`: the squared scale is then at least that
    of any two bikes of all, :math:`(1 + 1 / n_g)` times their variance; that of a group never seen
    is at least the variance of the groups' means times one and the inverse of their number. One
    group alone has the t prediction of one further observation. Nothing is told with fewer than
    three bikes in all.

    Assumes that bikes of every group scatter alike.

    Examples
    --------
    >>> found = next_bikes([[8.0, 10.0, 12.0], [6.0, 7.0, 8.0], [9.0, 11.0, 10.0], [14.0]])
    >>> bool(9.0 < found.mean[3] < 14.0)
    True

    References
    ----------
    .. [1] A. Gelman et al., "Bayesian Data Analysis," 3rd ed., 2013.
    .. [2] M. J. Daniels, "A prior for the variance in hierarchical models," Can. J. Stat.,
       vol. 27, pp. 567-578, 1999 (from memory).
    """
    groups = [np.atleast_1d(np.asarray(figures, dtype=float)) for figures in figures_by_group]
    sizes = np.array([group.size for group in groups], dtype=float)
    if not sizes.all() or not groups:
        raise ValueError("figures_by_group must hold at least 1 bike in each group, got 0")
    means = np.array([group.mean() for group in groups])
    within = sum(float(np.sum((y - m) ** 2)) for y, m in zip(groups, means, strict=True))
    degrees = int(sizes.sum()) - 1

    ratio2 = np.exp(2.0 * _LOG_RATIOS)[:, None]
    share = 1.0 / (1.0 + sizes * ratio2)
    precision = sizes * share
    total = precision.sum(axis=1, keepdims=True)
    middle = (precision @ means)[:, None] / total
    squares = within + np.sum(precision * (means - middle) ** 2, axis=1)
    # Bikes that agree to the last digit would have no scatter at all.
    squares = np.maximum(squares, np.finfo(float).tiny ** 0.5)
    typical = sizes.size / np.sum(1.0 / sizes)
    prior = 2.0 * (np.log(ratio2[:, 0]) / 2.0 - np.log1p(typical * ratio2[:, 0])) + np.log(typical)
    fit = prior + 0.5 * (
        np.log(share).sum(axis=1) - np.log(total[:, 0]) - degrees * np.log(squares)
    )
    weight = np.exp(fit - fit.max())
    weight /= weight.sum()

    centre = np.hstack([(1.0 - share) * means + share * middle, middle])
    spread = np.hstack([1.0 + ratio2 * share + share**2 / total, 1.0 + ratio2 + 1.0 / total])
    mean = weight @ centre
    variance = weight @ (spread * squares[:, None] / max(degrees, 1) + (centre - mean) ** 2)
    if sizes.sum() - sizes.size < LEAST_WITHIN and degrees:
        every = float(np.concatenate(groups).var(ddof=1))
        variance[:-1] = np.maximum(variance[:-1], every * (1.0 + 1.0 / sizes))
    if sizes.size == 1:
        share[:] = 0.0  # nobody lends
    else:
        further = float(means.var(ddof=1)) * (1.0 + 1.0 / sizes.size)
        variance[-1] = max(float(variance[-1]), further)
    behind = np.append(np.full(sizes.size, degrees), sizes.size - 1)
    return Predicted(
        mean=mean,
        scale=np.sqrt(np.where(behind >= LEAST_DEGREES, variance, np.nan)),
        degrees=np.maximum(behind, 1.0),
        borrowed_share=np.append(weight @ share, 1.0),
    )
