"""A change over bikes on the dynos of many shops: the mean everywhere, and the next bike on one."""

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from flows.metrics.domain_checks import require
from flows.metrics.pooling import BETWEEN_BIKES_SHARE, LEVEL, PRIOR_DOF

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

BETWEEN_DYNOS_SHARE = 0.005
"""Scale of the prior on what dynos differ by in a gain: a scale of its own cancels (5 % of a gain
of 5 % are 0.25 %), the shop's hand in fitting and mapping does not. Common practice, no source."""

_NODES = np.concatenate([[0.0], np.geomspace(5e-4, 0.2, 15)])
"""Spreads that are tried, as shares of power: below them all is noise, above them nothing sound."""
_DEPTHS = (2.0, 0.3, 0.05, 0.01, 0.002)
_FEW = 9
"""The likelihood's top is searched where it is by so little lower, with so many points: mean and
standard error are then right to 1 % of the error (120 made-up chains, against Nelder and Mead).
"""
_POINTS = 10
_DEEP = 8.0
"""Spreads that are e^8 times less likely than the likeliest weigh nothing."""
LEAST_DEGREES = 5
"""Gains are shared to 0.01 %: of a few bikes two may well be equal."""
TOO_GOOD_SHARE = 0.05
"""Bikes that scatter by less than this share of their stated variance: under a quarter of 1 SD."""
TOO_GOOD_P = 1e-6
"""One sound shop in a million is told so wrongly."""


class Chain(NamedTuple):
    """A change over all dynos; one entry a group (a model with one change).

    Attributes
    ----------
    bikes, dynos : ndarray. How many stand behind each group.
    mean, sd : ndarray. Mean over dynos and its standard error by restricted likelihood. [1]
    lower, upper : ndarray. Interval of that mean, by t; NaN for one dyno. [1]
    between_bikes, between_dynos : ndarray. Standard deviations, single estimates; the second NaN
        for one dyno. [1]
    next_mean, next_lower, next_upper : ndarray. The next bike on the dyno that was asked for. [1]
    cell_group, cell_dyno : ndarray. Group and dyno of each cell: the bikes of one group on a dyno.
    cell_off, cell_variance : ndarray. What a cell's mean is off the group's by, and how well that
        mean is measured. [1]
    """

    bikes: IntArray
    dynos: IntArray
    mean: FloatArray
    sd: FloatArray
    lower: FloatArray
    upper: FloatArray
    between_bikes: FloatArray
    between_dynos: FloatArray
    next_mean: FloatArray
    next_lower: FloatArray
    next_upper: FloatArray
    cell_group: IntArray
    cell_dyno: IntArray
    cell_off: FloatArray
    cell_variance: FloatArray


class _Rows(NamedTuple):
    """Bikes sorted by group and dyno, with where each cell and each group of cells begins."""

    effect: FloatArray
    variance: FloatArray
    group: IntArray
    cell: IntArray
    cell_starts: IntArray
    group_starts: IntArray
    cell_group: IntArray
    cell_dyno: IntArray


class _Cells(NamedTuple):
    """Mean and precision of each cell given the spread between bikes; what it says of that."""

    mean: FloatArray
    precision: FloatArray
    fit: FloatArray


class _Fit(NamedTuple):
    """A group given both spreads: mean, its precision, misfit of its cells, log likelihood."""

    mean: FloatArray
    precision: FloatArray
    misfit: FloatArray
    log_likelihood: FloatArray


def chain(
    effect: ArrayLike, variance: ArrayLike, group: ArrayLike, dyno: ArrayLike, here: int
) -> Chain:
    r"""Pool bikes within dynos within a chain, for many groups at once.

    Parameters
    ----------
    effect : array_like. One effect a bike: the log of a ratio. [1]
    variance : array_like. Variance of each from measurement alone, taken as known. [1]
    group : array_like of int. Which group a bike is of; all numbers from 0 on must occur.
    dyno : array_like of int. On which dyno it was measured.
    here : int. The dyno on which the next bike will stand; one without bikes is a new one.

    Returns
    -------
    Chain. One entry a group.

    Raises
    ------
    ValueError. If there is no bike, lengths differ, or a variance is not above 0.

    Notes
    -----
    Bike j on dyno i shows :math:`y_{ij} = \mu + d_i + b_{ij} + e_{ij}` with
    :math:`d \sim N(0, \sigma^2)`, :math:`b \sim N(0, \tau^2)` and :math:`e \sim N(0, v_{ij})`,
    :math:`v` known. The bikes of a dyno have the covariance
    :math:`D + \sigma^2 1 1^T`, D diagonal with :math:`1 / w_{ij} = v_{ij} + \tau^2`. With
    :math:`S_i = \sum_j w_{ij}` and :math:`m_i = \sum_j w_{ij} y_{ij} / S_i`, its determinant is
    :math:`(1 + \sigma^2 S_i) \prod 1 / w_{ij}` and its quadratic form
    :math:`\sum_j w_{ij} (y_{ij} - m_i)^2 + u_i (m_i - \mu)^2`, where
    :math:`u_i = S_i / (1 + \sigma^2 S_i)` (matrix determinant lemma; Sherman and Morrison). So
    what a shop tells in one stage is in :math:`m_i`, :math:`S_i` and its own scatter, and the
    restricted likelihood [1]_ is, exactly,

    .. math::
        2 \ell = \sum \ln w_{ij} - \sum \ln (1 + \sigma^2 S_i) - \sum w_{ij} (y_{ij} - m_i)^2
        - \sum u_i (m_i - \hat\mu)^2 - \ln \sum u_i

    with :math:`\hat\mu = \sum u_i m_i / \sum u_i` of variance :math:`1 / \sum u_i`. It is searched
    over both spreads on a grid and then closer around its top. The interval is that of t with one
    degree of freedom less than dynos, the variance times
    :math:`\max(1, \sum u_i (m_i - \hat\mu)^2 / (k - 1))` [2]_: two dynos give 12.7 standard errors.

    The next bike on dyno *h* is, given the spreads, normal about
    :math:`\hat\mu + B (m_h - \hat\mu)`, :math:`B = \sigma^2 S_h / (1 + \sigma^2 S_h)`, with
    variance :math:`(1 - B) \sigma^2 + (1 - B)^2 / \sum u_i + \tau^2`; without bikes there
    :math:`B = 0`. Mean and variance are averaged over what the bikes and half-t priors say of the
    spreads (`pooling` has the reason): a single estimate is often 0 where there are few.

    Assumes that bikes of one model differ alike on all dynos.

    Examples
    --------
    >>> found = chain([0.02, 0.03, 0.04, 0.03], [1e-4] * 4, [0] * 4, [0, 0, 1, 1], here=0)
    >>> found.mean, found.dynos
    (array([0.03]), array([2]))

    References
    ----------
    .. [1] W. Viechtbauer, "Bias and efficiency of meta-analytic variance estimators in the
       random-effects model," J. Educ. Behav. Stat., vol. 30, pp. 261-293, 2005.
    .. [2] C. Roever, G. Knapp and T. Friede, "Hartung-Knapp-Sidik-Jonkman approach and its
       modification for random-effects meta-analysis with few studies," BMC Med. Res.
       Methodol., vol. 15, 99, 2015.
    """
    rows = _sorted(effect, variance, group, dyno)
    everywhere = np.repeat(_NODES[None, :, None], 2, axis=0) * np.ones(rows.group_starts.size)
    tried = _likelihood(rows, everywhere)
    next_mean, next_variance = _averaged(rows, here, everywhere, tried)
    dynos = np.diff([*rows.group_starts, rows.cell_group.size])
    tau, sigma = _best(rows, everywhere, tried)
    cells = _cells(rows, tau)
    # One dyno tells nothing of others: what is said is said of its own bikes.
    fit = _fit(rows, cells, np.where(dynos > 1, sigma, 0.0))
    tail = 0.5 + 0.5 * LEVEL
    with np.errstate(divide="ignore", invalid="ignore"):
        factor = np.maximum(1.0, fit.misfit / (dynos - 1))
        reach = special.stdtrit(np.where(dynos > 1, dynos - 1.0, np.nan), tail)
        reach *= np.sqrt(factor / fit.precision)
    next_reach = special.ndtri(tail) * np.sqrt(next_variance)
    return Chain(
        bikes=np.bincount(rows.group),
        dynos=dynos,
        mean=fit.mean,
        sd=1.0 / np.sqrt(fit.precision),
        lower=fit.mean - reach,
        upper=fit.mean + reach,
        between_bikes=tau,
        between_dynos=np.where(dynos > 1, sigma, np.nan),
        next_mean=next_mean,
        next_lower=next_mean - next_reach,
        next_upper=next_mean + next_reach,
        cell_group=rows.cell_group,
        cell_dyno=rows.cell_dyno,
        cell_off=cells.mean - fit.mean[rows.cell_group],
        cell_variance=1.0 / cells.precision,
    )


def offsets(
    off: ArrayLike, variance: ArrayLike, dyno: ArrayLike
) -> tuple[IntArray, FloatArray, FloatArray]:
    r"""Return what each dyno is off the others by over many groups, and the p of its being none.

    Parameters
    ----------
    off : array_like. What each cell's mean is off its group's by. [1]
    variance : array_like. How well each cell's mean is measured. [1]
    dyno : array_like of int. Dyno of each cell.

    Returns
    -------
    tuple of ndarray. Dynos, their mean offsets, and two-sided p; NaN with fewer than three dynos.

    Raises
    ------
    ValueError. If a variance is not above 0.

    Notes
    -----
    Each dyno's offset is the mean over its cells, weighted by the inverse of their variance, with
    variance :math:`s_i^2`. It is held against the mean and standard deviation of the k - 1 other
    offsets: t with k - 2 degrees of freedom for
    :math:`|\delta_i - \bar\delta_{-i}| / \sqrt{S_{-i}^2 (1 + 1 / (k - 1)) + s_i^2}`, the
    externally studentised residual [1]_ with what this dyno's own measurement adds: one far off
    does not widen the scale that it is held against, and what a dyno differs by in all groups
    alike counts once. Ask for p times the number of dynos.

    Assumes that the others are sound.

    Examples
    --------
    >>> _, far, p = offsets([0.06, 0.001, -0.001, 0.0, 0.002], [1e-6] * 5, [0, 1, 2, 3, 4])
    >>> p[:2] < 1e-4
    array([ True, False])

    References
    ----------
    .. [1] R. D. Cook and S. Weisberg, "Residuals and Influence in Regression," 1982 (from memory).
    """
    d, s2 = np.asarray(off, dtype=float), np.asarray(variance, dtype=float)
    require("variance", s2, above=0.0)
    dynos, at = np.unique(np.asarray(dyno, dtype=np.int64), return_inverse=True)
    weight = np.bincount(at, 1.0 / s2)
    delta = np.bincount(at, d / s2) / weight
    count = dynos.size
    if count < 3:
        return dynos, delta, np.full(count, np.nan)
    rest = (delta.sum() - delta) / (count - 1)
    squares = np.sum(np.square(delta)) - np.square(delta) - (count - 1) * np.square(rest)
    spread = np.maximum(squares, 0.0) / (count - 2)
    t = np.abs(delta - rest) / np.sqrt(spread * (1.0 + 1.0 / (count - 1)) + 1.0 / weight)
    return dynos, delta, 2.0 * special.stdtr(count - 2, -t)


def agrees_too_well(effect: ArrayLike, variance: ArrayLike, group: ArrayLike) -> bool:
    r"""Whether bikes agree far better than their own stated variances allow: as made-up ones do.

    Parameters
    ----------
    effect : array_like. Effects that one shop states. [1]
    variance : array_like. The variances that it states. [1]
    group : array_like of int. Model and change of each.

    Returns
    -------
    bool. Whether they do; never with fewer than `LEAST_DEGREES` bikes beyond one a group.

    Raises
    ------
    ValueError. If there is no bike, lengths differ, or a variance is not above 0.

    Notes
    -----
    :math:`Q = \sum (y_i - m_g)^2 / v_i` is chi-squared if the bikes of a group are alike, and
    larger if they differ. It is too small where its chance is below `TOO_GOOD_P` and it is below
    `TOO_GOOD_SHARE` of its degrees of freedom: a shop that states twice the scatter it has is
    careful, and no liar.

    Examples
    --------
    >>> agrees_too_well([0.0] * 12, [2.5e-5] * 12, [0] * 12)
    True
    """
    rows = _sorted(effect, variance, group, np.zeros(np.size(effect), dtype=int))
    cells = _cells(rows, np.zeros(rows.group_starts.size))
    degrees = rows.effect.size - rows.cell_starts.size
    q = float(np.sum(np.square(rows.effect - cells.mean[rows.cell]) / rows.variance))
    if degrees < LEAST_DEGREES or q >= TOO_GOOD_SHARE * degrees:
        return False
    return bool(special.chdtr(degrees, q) < TOO_GOOD_P)


def _sorted(effect: ArrayLike, variance: ArrayLike, group: ArrayLike, dyno: ArrayLike) -> _Rows:
    y, v = np.asarray(effect, dtype=float), np.asarray(variance, dtype=float)
    g, d = np.asarray(group, dtype=np.int64), np.asarray(dyno, dtype=np.int64)
    if y.size == 0 or not y.shape == v.shape == g.shape == d.shape:
        shapes = (y.shape, v.shape, g.shape, d.shape)
        raise ValueError(f"effect must hold a bike, and all be of one length, got {shapes}")
    require("variance", v, above=0.0)
    order = np.lexsort((d, g))
    y, v, g, d = y[order], v[order], g[order], d[order]
    begins = np.concatenate([[True], (np.diff(g) != 0) | (np.diff(d) != 0)])
    cell_starts = np.flatnonzero(begins)
    cell_group = g[cell_starts]
    first = np.concatenate([[True], np.diff(cell_group) != 0])
    return _Rows(
        y, v, g, np.cumsum(begins) - 1, cell_starts, np.flatnonzero(first), cell_group,
        d[cell_starts],
    )  # fmt: skip


def _cells(rows: _Rows, tau: FloatArray) -> _Cells:
    """Return each cell given the spread between bikes, which has one entry a group."""
    w = 1.0 / (rows.variance + np.square(tau)[rows.group])
    precision = np.add.reduceat(w, rows.cell_starts)
    mean = np.add.reduceat(w * rows.effect, rows.cell_starts) / precision
    own = np.log(w) - w * np.square(rows.effect - mean[rows.cell])
    of_cell = np.add.reduceat(own, rows.cell_starts)
    return _Cells(mean, precision, np.add.reduceat(of_cell, rows.group_starts))


def _fit(rows: _Rows, cells: _Cells, sigma: FloatArray) -> _Fit:
    """Return each group given its cells and the spread between dynos."""
    inflated = 1.0 + np.square(sigma)[rows.cell_group] * cells.precision
    u = cells.precision / inflated
    total = np.add.reduceat(u, rows.group_starts)
    mean = np.add.reduceat(u * cells.mean, rows.group_starts) / total
    off = cells.mean - mean[rows.cell_group]
    misfit = np.add.reduceat(u * np.square(off), rows.group_starts)
    widened = np.add.reduceat(np.log(inflated), rows.group_starts)
    return _Fit(mean, total, misfit, 0.5 * (cells.fit - widened - misfit - np.log(total)))


def _averaged(
    rows: _Rows, here: int, nodes: FloatArray, tried: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return mean and variance of the next bike, averaged over what is said of the spreads.

    First over all that may be, then closer: many bikes know a spread to less than a node.
    """
    nodes = _closer(nodes, _posterior(nodes, tried), _DEEP, _POINTS)
    nodes = _closer(nodes, _posterior(nodes, _likelihood(rows, nodes)), _DEEP, _POINTS)
    groups = rows.group_starts.size
    at = np.flatnonzero(rows.cell_dyno == here)
    fits = np.empty((_POINTS, _POINTS, groups))
    means, variances = np.empty_like(fits), np.empty_like(fits)
    for a, tau in enumerate(nodes[0]):
        cells = _cells(rows, tau)
        own_precision, own_mean = np.zeros(groups), np.zeros(groups)
        own_precision[rows.cell_group[at]] = cells.precision[at]
        own_mean[rows.cell_group[at]] = cells.mean[at]
        for b, sigma in enumerate(nodes[1]):
            fit = _fit(rows, cells, sigma)
            left = 1.0 / (1.0 + np.square(sigma) * own_precision)
            fits[a, b] = fit.log_likelihood
            means[a, b] = fit.mean + (1.0 - left) * (own_mean - fit.mean)
            known = np.square(left) / fit.precision
            variances[a, b] = left * np.square(sigma) + known + np.square(tau)
    weight = np.exp(_posterior(nodes, fits))
    weight /= weight.sum(axis=(0, 1))
    centre = np.sum(weight * means, axis=(0, 1))
    return centre, np.sum(weight * (variances + np.square(means - centre)), axis=(0, 1))


def _posterior(nodes: FloatArray, log_likelihood: FloatArray) -> FloatArray:
    """Return the log of what bikes and priors say of each pair of spreads; 0 at its top."""
    found = log_likelihood + _log_prior(nodes[0], BETWEEN_BIKES_SHARE)[:, None]
    found += _log_prior(nodes[1], BETWEEN_DYNOS_SHARE)
    return found - found.max(axis=(0, 1))


def _log_prior(nodes: FloatArray, scale: float) -> FloatArray:
    """Return the log of the half-t prior at each node, times the stretch that it stands for."""
    density = -0.5 * (PRIOR_DOF + 1.0) * np.log1p(np.square(nodes / scale) / PRIOR_DOF)
    steps = np.diff(nodes, axis=0, prepend=nodes[:1], append=nodes[-1:])
    return density + np.log(0.5 * (steps[1:] + steps[:-1]))


def _closer(nodes: FloatArray, log_weight: FloatArray, deep: float, points: int) -> FloatArray:
    """Return so many nodes of each spread over the stretch whose weight is not e^deep times less.

    The log weight is 0 at the top of each group; a node more is kept on each side.
    """
    groups, last = np.arange(nodes.shape[2]), nodes.shape[1] - 1
    found = []
    for axis in (0, 1):
        has = log_weight.max(axis=1 - axis) >= -deep
        low = np.maximum(has.argmax(axis=0) - 1, 0)
        high = np.minimum(last - has[::-1].argmax(axis=0) + 1, last)
        found.append(np.linspace(nodes[axis][low, groups], nodes[axis][high, groups], points))
    return np.array(found)


def _likelihood(rows: _Rows, nodes: FloatArray) -> FloatArray:
    """Return the log likelihood at all pairs of spreads."""
    found = np.empty((nodes.shape[1], nodes.shape[1], nodes.shape[2]))
    for a, tau in enumerate(nodes[0]):
        cells = _cells(rows, tau)
        for b, sigma in enumerate(nodes[1]):
            found[a, b] = _fit(rows, cells, sigma).log_likelihood
    return found


def _best(rows: _Rows, nodes: FloatArray, tried: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the spreads of the highest restricted likelihood.

    Searched closer and closer where it is high, not around the best node: along a ridge the top
    may be far from there.
    """
    for deep in _DEPTHS:
        nodes = _closer(nodes, tried - tried.max(axis=(0, 1)), deep, _FEW)
        tried = _likelihood(rows, nodes)
    groups = np.arange(rows.group_starts.size)
    tau, sigma = np.unravel_index(tried.reshape(-1, groups.size).argmax(axis=0), (_FEW, _FEW))
    return nodes[0][tau, groups], nodes[1][sigma, groups]
