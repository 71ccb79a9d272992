"""A change over many bikes at many places at once: each speed, or each bike against the others.

The same model as `pooling.of_unseen`, laid out so that a whole curve costs about as much as a
figure.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from flows.metrics.domain_checks import require
from flows.metrics.pooling import LEVEL, SpreadPrior, half_line, quantile, scales, shares

FloatArray = NDArray[np.floating]

TAU_STEPS, OMEGA_STEPS, SCALE_STEPS = 24, 10, 13
"""Ends are then off by less than 2 % of the interval's width against `pooling`'s finer steps."""
NEAR = 1e-3
"""Ends are right to a thousandth of their own standard deviation: no drawn line shows less."""
LOGGED_AT_ONCE = 8
"""Variances from 1e-38 to 1e38 give a product of eight that a float holds."""
MOST_NEAR = 200_000
"""Numbers in one array that stay in a processor's own memory: some 1.6 MB."""
MOST_AT_ONCE = 2_000_000
"""Numbers held in one array while bikes are held against the others: some 16 MB."""


class OverBikes(NamedTuple):
    """What the bikes say at each place, given each spread: rows are spreads, columns places.

    Attributes
    ----------
    weight : ndarray. What each row is worth; a column adds up to 1. [1]
    mean, variance : ndarray. Of the mean over bikes, given the row. [1]
    between : ndarray. Variance of one bike about that mean, given the row. [1]
    scale : ndarray. Factor on the stated variances, given the row. [1]
    """

    weight: FloatArray
    mean: FloatArray
    variance: FloatArray
    between: FloatArray
    scale: FloatArray

    @property
    def centre(self) -> FloatArray:
        """The mean over bikes at each place."""
        return np.sum(self.weight * self.mean, axis=0)

    @property
    def ends(self) -> tuple[FloatArray, FloatArray]:
        """The interval of the mean over bikes."""
        return _ends(self.weight, self.mean, self.variance)

    @property
    def next_ends(self) -> tuple[FloatArray, FloatArray]:
        """Where the next bike will fall."""
        return _ends(self.weight, self.mean, self.variance + self.between)

    @property
    def p(self) -> FloatArray:
        """Two-sided p of a mean of nothing: below 0.05 where the interval of the mean is off 0."""
        below = np.sum(self.weight * special.ndtr(-self.mean / np.sqrt(self.variance)), axis=0)
        return two_sided(below)

    def measured_ends(self, variance: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Return where the next bike will be measured, with a stated variance at each place."""
        return _ends(self.weight, self.mean, self._measured(variance))

    def chance_below(self, effect: ArrayLike, variance: ArrayLike) -> FloatArray:
        """Return the chance that the next bike is measured below an effect at each place."""
        z = (np.asarray(effect, dtype=float) - self.mean) / np.sqrt(self._measured(variance))
        return np.sum(self.weight * special.ndtr(z), axis=0)

    def _measured(self, variance: ArrayLike) -> FloatArray:
        return self.variance + self.between + self.scale * np.asarray(variance, dtype=float)


def over_bikes(
    effect: ArrayLike,
    variance: ArrayLike,
    prior: SpreadPrior,
    *,
    model: Sequence[str] | None = None,
) -> OverBikes:
    r"""Pool bikes at each of many places.

    Parameters
    ----------
    effect : array_like. Effects, bikes by places; NaN where a bike was not seen. [1]
    variance : array_like. Their stated variances. [1]
    prior : SpreadPrior. What is assumed of the spreads before any bike was seen.
    model : sequence of str, optional
        The model of each bike. With it the next bike is one of a model not seen yet; without it,
        all are of one model and the next one too.

    Returns
    -------
    OverBikes. One column a place.

    Raises
    ------
    ValueError. If the shapes differ, a place was seen by no bike, a variance is not above 0, or a
        scale of the prior is not.

    Notes
    -----
    The effect of bike *i* of model *g* is :math:`\mu + b_g + u_{gi}` plus measurement error, at
    each place for itself, with half-t priors on both spreads and a common factor on the stated
    variances [1]_, as `pooling.of_unseen`. Given spreads and factor everything is normal; the
    rows are averaged by what restricted likelihood and priors say of them.

    Bands are pointwise: at each speed by itself 19 of 20 lie within. One place for each bike,
    with its own row set to NaN, is leave-one-out.

    Examples
    --------
    >>> one = over_bikes([[0.02], [0.03], [0.04]], [[1e-5]] * 3, SpreadPrior(0.01, 0.02, np.inf))
    >>> one.centre, one.p < 0.05
    (array([0.03]), array([ True]))

    References
    ----------
    .. [1] C. Roever et al., "On weakly informative prior distributions for the heterogeneity
       parameter in Bayesian random-effects meta-analysis," Res. Synth. Methods, vol. 12,
       pp. 448-474, 2021.
    """
    y, v = _checked(effect, variance, prior)
    order, first = _by_model(model, y.shape[0])
    y, v = y[order], v[order]
    is_seen = np.isfinite(y)
    filled = np.where(is_seen, y, 0.0)
    bikes = is_seen.sum(axis=0)
    v_seen = np.where(is_seen, v, np.nan)
    level = filled.sum(axis=0) / bikes
    # About their mean: sums of squares would lose what the bikes differ by.
    filled = np.where(is_seen, y - level, 0.0)
    spread = np.sum(np.square(filled), axis=0)
    typical = np.sqrt(np.nanmean(v_seen, axis=0) + spread / bikes)

    tau, log_tau = half_line(typical, TAU_STEPS, prior.tau_scale)
    scale, log_scale = scales(prior.variance_dof, SCALE_STEPS)
    tau = np.repeat(tau, scale.size, axis=0)
    log_row = np.repeat(log_tau, scale.size, axis=0) + np.tile(log_scale, TAU_STEPS)[:, None]
    scale = np.tile(scale, TAU_STEPS)[:, None]

    # Axes from here on: row, place, model. A few places at once: what stays near costs half.
    size = max(1, MOST_NEAR // (scale.size * y.shape[0]))
    parts = [
        _given_spreads(filled[:, some], v[:, some], is_seen[:, some], tau[:, some], scale, first)
        for some in (slice(start, start + size) for start in range(0, y.shape[1], size))
    ]
    total, mean, fit = (np.concatenate(part, axis=1) for part in zip(*parts, strict=True))
    has_bike = total > 0.0
    safe = np.where(has_bike, total, 1.0)
    log_fit = log_row + 0.5 * (fit - np.sum(np.log(safe), axis=2))
    if model is None:
        rows = (log_fit, level + mean[..., 0], 1.0 / safe[..., 0], np.square(tau))
        return OverBikes(shares(rows[0], axis=0), *rows[1:], scale)

    omega, log_omega = half_line(typical, OMEGA_STEPS, prior.omega_scale)
    # One more axis in front: the spread between models.
    squared = np.square(omega)[:, None, :, None]
    wider = 1.0 / safe + squared
    w = has_bike / wider
    wider[np.broadcast_to(~has_bike, wider.shape)] = 1.0
    total = w.sum(axis=3)
    centre = np.vecdot(w, mean) / total
    misfit = np.vecdot(w, np.square(mean)) - total * np.square(centre)
    log_fit = log_fit + log_omega[:, None]
    log_fit = log_fit - 0.5 * (_log_product(wider) + misfit + np.log(total))
    between = squared[..., 0] + np.square(tau)
    shape = (-1, y.shape[1])
    return OverBikes(
        shares(log_fit.reshape(shape), axis=0),
        (level + centre).reshape(shape),
        (1.0 / total).reshape(shape),
        between.reshape(shape),
        np.tile(scale, (OMEGA_STEPS, 1)),
    )


def _given_spreads(
    y: FloatArray,
    v: FloatArray,
    is_seen: NDArray[np.bool_],
    tau: FloatArray,
    scale: FloatArray,
    first: NDArray[np.intp],
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return for each row, place and model the sum of weights and the mean, and how well all fit.

    Effects are 0 where a bike was not seen; bikes of a model stand together from `first` on.
    """
    wider = scale[..., None] * np.where(is_seen, v, 1.0).T + np.square(tau)[..., None]
    w = is_seen.T / wider
    wider[:, ~is_seen.T] = 1.0
    total = np.add.reduceat(w, first, axis=2)
    squares = np.vecdot(w, np.square(y.T))
    w *= y.T
    mean = np.add.reduceat(w, first, axis=2) / np.where(total > 0.0, total, 1.0)
    misfit = squares - np.vecdot(total, np.square(mean))
    return total, mean, -_log_product(wider) - misfit


def by_bike(
    effect: ArrayLike, variance: ArrayLike, bike: Sequence[str]
) -> tuple[list[str], FloatArray, FloatArray]:
    """Return one row a bike, so that a bike with many jobs counts as one bike at every place.

    Parameters
    ----------
    effect : array_like. Effects, jobs by places; NaN where a job did not see a place. [1]
    variance : array_like. Their stated variances. [1]
    bike : sequence of str. The bike of each job.

    Returns
    -------
    tuple. The bikes, sorted, with effects and variances, weighted as `pooling.bike_means`.

    Examples
    --------
    >>> by_bike([[0.02, np.nan], [0.04, 0.04]], [[1.0, 1.0], [1.0, 1.0]], ["B-1", "B-1"])
    (['B-1'], array([[0.03, 0.04]]), array([[0.5, 1. ]]))
    """
    y, v = np.asarray(effect, dtype=float), np.asarray(variance, dtype=float)
    bikes, place = np.unique(np.asarray(bike), return_inverse=True)
    is_of = np.eye(bikes.size)[place].T
    is_seen = np.isfinite(y)
    weight = np.where(is_seen, 1.0 / np.where(is_seen, v, 1.0), 0.0)
    total = is_of @ weight
    with np.errstate(divide="ignore", invalid="ignore"):
        return bikes.tolist(), is_of @ (weight * np.where(is_seen, y, 0.0)) / total, 1.0 / total


class Against(NamedTuple):
    """Each bike held against what the others foretell of it.

    Attributes
    ----------
    lower, upper : ndarray. Where the others say that it would be measured, 19 times in 20. [1]
    off_sd : ndarray. How far out it was: a normal deviate of the same chance.
    p : ndarray. Two-sided chance of being so far out, or further.
    """

    lower: FloatArray
    upper: FloatArray
    off_sd: FloatArray
    p: FloatArray


def against_others(
    effect: ArrayLike,
    variance: ArrayLike,
    prior: SpreadPrior,
    *,
    model: Sequence[str] | None = None,
    asked: Sequence[int] | None = None,
) -> Against:
    """Hold bikes against the others: each is left out and foretold as the next one.

    Parameters
    ----------
    effect : array_like. One effect a bike. [1]
    variance : array_like. Their stated variances. [1]
    prior : SpreadPrior. As in `over_bikes`.
    model : sequence of str, optional. As in `over_bikes`: with it, a bike is one of another model.
    asked : sequence of int, optional. Which bikes; without it, all of them.

    Returns
    -------
    Against. One entry for each bike that was asked for.

    Raises
    ------
    ValueError. As `over_bikes`; among others if there is no other bike.

    Notes
    -----
    The studentised residual of leave-one-out, with the uncertainty of the spread in it: an odd
    bike does not hide itself in the spread that it widened.

    Examples
    --------
    >>> prior = SpreadPrior(0.008, 0.016, 8.0)
    >>> found = against_others([0.03, 0.04, 0.035, 0.032, 0.12], [4e-5] * 5, prior)
    >>> (found.p < 0.05).tolist()
    [False, False, False, False, True]
    """
    y, v = np.asarray(effect, dtype=float), np.asarray(variance, dtype=float)
    left_out = np.arange(y.size) if asked is None else np.asarray(asked, dtype=int)
    size = max(1, MOST_AT_ONCE // (TAU_STEPS * SCALE_STEPS * y.size))
    parts = []
    for start in range(0, left_out.size, size):
        at = left_out[start : start + size]
        others = np.repeat(y[:, None], at.size, axis=1)
        others[at, np.arange(at.size)] = np.nan
        foretold = over_bikes(others, np.repeat(v[:, None], at.size, axis=1), prior, model=model)
        below = foretold.chance_below(y[at], v[at])
        # Far out, the sum of the weights may fall a rounding short of 1.
        below = np.clip(below, np.finfo(float).tiny, 1.0)
        above = np.maximum(1.0 - below, np.finfo(float).eps)
        p = np.minimum(2.0 * np.minimum(below, above), 1.0)
        off = np.where(below < 0.5, special.ndtri(below), -special.ndtri(above))
        parts.append([*foretold.measured_ends(v[at]), off, p])
    return Against(*(np.concatenate(one) for one in zip(*parts, strict=True)))


def two_sided(below: ArrayLike) -> FloatArray:
    """Return the two-sided p of a chance of lying below.

    Parameters
    ----------
    below : array_like. Chances; a sum of weights may fall a rounding outside of 0 to 1.

    Returns
    -------
    ndarray. From 0 to 1.

    Examples
    --------
    >>> two_sided([0.025, 0.5, 1.0 + 1e-16])
    array([0.05, 1.  , 0.  ])
    """
    chance = np.asarray(below, dtype=float)
    return 2.0 * np.clip(np.minimum(chance, 1.0 - chance), 0.0, 0.5)


def _checked(
    effect: ArrayLike, variance: ArrayLike, prior: SpreadPrior
) -> tuple[FloatArray, FloatArray]:
    y, v = np.asarray(effect, dtype=float), np.asarray(variance, dtype=float)
    if y.ndim != 2 or y.shape != v.shape:
        raise ValueError(f"effect and variance must be bikes by places, got {y.shape}, {v.shape}")
    if not np.isfinite(y).any(axis=0).all():
        raise ValueError("effect must hold at least 1 bike at each place")
    require("variance", v[np.isfinite(y)], above=0.0)
    for name, value in prior._asdict().items():
        require(name, value, above=0.0)
    return y, v


def _by_model(model: Sequence[str] | None, bikes: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return an order of bikes in which those of a model stand together, and where each begins."""
    models = np.zeros(bikes, dtype=int) if model is None else np.asarray(model)
    place = np.unique(models, return_inverse=True)[1]
    order = np.argsort(place, kind="stable")
    return order, np.flatnonzero(np.diff(place[order], prepend=-1))


def _log_product(factors: FloatArray) -> FloatArray:
    """Return the log of the product along the last axis: few logs are taken, of small products."""
    size = factors.shape[-1] // LOGGED_AT_ONCE
    product = np.ones((*factors.shape[:-1], size))
    for start in range(0, LOGGED_AT_ONCE * size, size or 1):
        product *= factors[..., start : start + size]
    rest = factors[..., LOGGED_AT_ONCE * size :]
    return np.sum(np.log(product), axis=-1) + np.sum(np.log(rest), axis=-1)


def _ends(
    weight: FloatArray, mean: FloatArray, variance: FloatArray
) -> tuple[FloatArray, FloatArray]:
    tail = 0.5 * (1.0 - LEVEL)
    sd = np.sqrt(variance)
    lower, upper = (quantile(of, weight, mean, sd, near=NEAR) for of in (tail, 1.0 - tail))
    return lower, upper
