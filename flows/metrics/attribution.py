"""What each part gives by itself, out of comparisons that changed several at once.

A mixed model with known measurement variances. It also says which parts the comparisons cannot
tell apart, and which one more job would.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from flows.metrics.domain_checks import require
from flows.metrics.over_bikes import NEAR, two_sided
from flows.metrics.pooling import LEVEL, SpreadPrior, half_line, quantile, scales

FloatArray = NDArray[np.floating]

MOST_INFLATION = 10.0
"""Beyond it a variance is mostly owed to what else was changed: a common rule of thumb (Kutner et
al., Applied Linear Statistical Models, 2005, from memory)."""
SHARES_DIRECTION = 0.3
"""Parts with this much of the greatest loading in the least known direction are caught in it."""
LARGEST_SD = 0.3
"""Weak bound on the effect of one part, 1 SD in ln power, only where parts are planned apart: none
moves power by more than some 60 %. Our judgement, no source."""
NO_DIRECTION = 1e-12
"""What a bike tells along a direction, over the most it tells along any, that is rounding alone."""
TAU_STEPS, OMEGA_STEPS, SCALE_STEPS = 16, 12, 7
SHARED_SESSION = -0.5
"""Correlation of two comparisons, the later of which begins with the session that ends the
earlier: half of each variance is that session's, once up and once down."""


class Attribution(NamedTuple):
    """Effects of combinations of parts that the comparisons can tell.

    Attributes
    ----------
    contrasts : ndarray. What each row tells of: 1 or -1 for each part in it, else 0.
    effect, lower, upper : ndarray. Mean over models and its interval; NaN where not to be told. [1]
    p : ndarray. Two-sided p of an effect of nothing; NaN where not to be told.
    tau, omega : float. Spread of one part's effect between bikes, and between models. [1]
    """

    contrasts: FloatArray
    effect: FloatArray
    lower: FloatArray
    upper: FloatArray
    p: FloatArray
    tau: float
    omega: float


class Apart(NamedTuple):
    """How well one part stands apart from the others.

    Attributes
    ----------
    inflation : float. Variance of its effect over what it were with all others known.
    caught_with : tuple of int. Other parts that share its least known direction.
    best : int. The part that, fitted alone to one more bike, would narrow its effect most.
    half_width, half_width_then : float. Half of its interval now, and after that job. [1]
    """

    inflation: float
    caught_with: tuple[int, ...]
    best: int
    half_width: float
    half_width_then: float


class Fitted(NamedTuple):
    """The effects of the parts, and how they stand apart.

    Attributes
    ----------
    told : Attribution. Effects.
    apart : list of Apart. One for each part, in the order of the design's columns.
    """

    told: Attribution
    apart: list[Apart]


class _Sums(NamedTuple):
    """Sums of squares of some clusters: what a mixed model needs to know of them."""

    a: FloatArray
    b: FloatArray
    c: FloatArray
    log_det: FloatArray
    rows: FloatArray


class _Directions(NamedTuple):
    """In which directions bikes tell of the parts, model by model, and the sums of each model.

    Along its own directions a bike's sums at any spread and factor are plain numbers.
    """

    size: FloatArray
    products: FloatArray
    first: NDArray[np.intp]
    of_model: _Sums

    @classmethod
    def of(cls, sums: _Sums, model: NDArray[np.intp]) -> "_Directions":
        """Return the directions of bikes, of which each is of a model."""
        size, direction = np.linalg.eigh(sums.a)
        bike, at = np.nonzero(size > NO_DIRECTION * size[:, -1:])
        order = np.argsort(model[bike], kind="stable")
        bike, at = bike[order], at[order]
        size, q = size[bike, at], direction[bike, :, at]
        along = np.sum(q * sums.b[bike], axis=1)
        squares = (size[:, None, None] * q[:, :, None] * q[:, None, :]).reshape(size.size, -1)
        products = np.column_stack([squares, along[:, None] * q, np.square(along)])
        first = np.flatnonzero(np.diff(model[bike], prepend=-1))
        is_of = np.eye(first.size)[:, model]
        of_model = (np.tensordot(is_of, one, axes=1) for one in sums)
        return cls(size, products, first, _Sums(*of_model))

    def summed(self, factor: float, sd: FloatArray) -> _Sums:
        """Return the sums of models, a row a deviation of the bikes, variances times a factor."""
        shift = np.square(sd)[:, None] / factor
        wider = 1.0 + shift * self.size
        parts = np.split(1.0 / wider, self.first[1:], axis=1)
        told = zip(parts, np.split(self.products, self.first[1:]), strict=True)
        found = np.stack([part @ product for part, product in told], axis=1) / factor
        names = self.of_model.b.shape[1]
        of = self.of_model
        return _Sums(
            found[..., : names**2].reshape(*found.shape[:2], names, names),
            found[..., names**2 : -1],
            of.c / factor - shift * found[..., -1],
            of.log_det
            + of.rows * np.log(factor)
            + np.add.reduceat(np.log(wider), self.first, axis=1),
            np.broadcast_to(of.rows, found.shape[:2]),
        )


def attributed(
    effect: ArrayLike,
    variance: ArrayLike,
    design: ArrayLike,
    bike: Sequence[str],
    model: Sequence[str],
    prior: SpreadPrior,
    *,
    follows: ArrayLike,
    planned_variance: float,
) -> Fitted:
    r"""Return what each part gives by itself.

    Parameters
    ----------
    effect : array_like. Effect of each comparison. [1]
    variance : array_like. Variance of each effect from measurement alone. [1]
    design : array_like
        Comparisons by parts: 1 where a part was fitted, -1 where it was taken off, else 0.
    bike, model : sequence of str. Bike and model of each comparison.
    prior : SpreadPrior. What is assumed of the spreads, and how well the variances are known.
    follows : array_like
        The comparison whose later session is this one's earlier; -1 where there is none.
    planned_variance : float. Variance with which one more job will be measured. [1]

    Returns
    -------
    Fitted. Effects of the parts, and how they stand apart.

    Raises
    ------
    ValueError. If lengths differ, a value is not finite, a variance or a figure of the prior is not
        above 0, a part was never changed, or nothing was compared.

    Notes
    -----
    With :math:`X` the design, the comparisons of bike *i* of model *g* are

    .. math:: y_{gi} = X_{gi} (\beta + b_g + u_{gi}) + e_{gi}

    Each part's effect deviates by :math:`b \sim N(0, \omega^2)` from model to model and by
    :math:`u \sim N(0, \tau^2)` from bike to bike, the same two spreads for all parts [1]_. So a
    bike that comes back with the same part counts once, a part fitted and then mapped gives two
    deviations, and many bikes of one model are one model. Errors have the stated variances
    but for a common factor, as in `pooling.borrowed`; comparisons that follow each other share a
    session (`SHARED_SESSION`). Effects of parts add in ln power: what a map gives beyond its usual
    on an open exhaust stands in the spreads.

    With :math:`A = X' R^{-1} X` of a cluster, its covariance being :math:`R + \tau^2 X X'`,
    Woodbury's identity gives :math:`(I + \tau^2 A)^{-1} A` and so on from bikes to models to the
    whole: exact, without a matrix greater than the number of parts. Restricted likelihood times
    the half-t priors of `pooling` weighs a grid of :math:`\tau, \omega` and that factor; effects
    and intervals are averaged over it.

    Parts always changed together are told together: columns that are alike up to a sign give one
    row. What is not in the row space of the design is NaN. The variance inflation of a part is
    :math:`M_{kk} (M^{-1})_{kk}` of :math:`M = X' V^{-1} X`, the uncentred one, for a gain is 0
    where nothing was changed; what it is caught with are the parts that load on the direction
    which most of its variance comes from [2]_. One more bike with part *j* alone adds
    :math:`a\, e_j e_j'`, :math:`a^{-1} = v + \tau^2 + \omega^2`, so that

    .. math:: (M^{-1})_{kk} - \frac{a\, (M^{-1})_{kj}^2}{1 + a\, (M^{-1})_{jj}}

    remains; `best` is the *j* with the least, a c-optimal next job.

    Examples
    --------
    >>> both, one = [1.0, 1.0], [1.0, 0.0]
    >>> found = attributed([0.06, 0.05, 0.02], [1e-5] * 3, [both, both, one], ["B-1", "B-2", "B-3"],
    ...     ["M-1"] * 3, SpreadPrior(0.008, 0.016, 8.0), follows=[-1] * 3, planned_variance=1e-5)
    >>> bool(0.01 < found.told.effect[0] < 0.03)
    True

    References
    ----------
    .. [1] J. C. Pinheiro and D. M. Bates, Mixed-Effects Models in S and S-PLUS, Springer, 2000.
    .. [2] D. A. Belsley, E. Kuh and R. E. Welsch, Regression Diagnostics, Wiley, 1980 (from
       memory).
    """
    y, v, x, after = _checked(effect, variance, design, follows, (len(bike), len(model)), prior)
    sums, model_of = _of_bikes(y, v, x, after, bike, model)
    basis = _row_space(x)
    typical = float(np.sqrt(v.mean() + y.var()))
    tau, log_tau = half_line(typical, TAU_STEPS, prior.tau_scale)
    omega, log_omega = half_line(typical, OMEGA_STEPS, prior.omega_scale)

    factor, log_factor = scales(prior.variance_dof, SCALE_STEPS)
    nodes, parts = [], []
    of_bikes = _Directions.of(sums, model_of)
    for f, log_f in zip(factor, log_factor, strict=True):
        of_models = of_bikes.summed(f, tau)
        for at, (t, log_t) in enumerate(zip(tau, log_tau, strict=True)):
            of_model = _Sums(*(one[at] for one in of_models))
            parts.append(_at(_spread(of_model, omega), basis))
            nodes += [(f, t, o, log_f + log_t + log_o)
                      for o, log_o in zip(omega, log_omega, strict=True)]  # fmt: skip
    effects, covariances, log_fits = map(np.concatenate, zip(*parts, strict=True))
    log_fit = log_fits + np.array([node[3] for node in nodes])
    weight = np.exp(log_fit - log_fit.max())
    weight /= weight.sum()
    spreads = weight @ np.array([node[1:3] for node in nodes])

    contrasts = _contrasts(x)
    told = _told(contrasts, basis, weight, effects, covariances)
    at = int(np.argmax(weight))
    information = basis @ np.linalg.inv(covariances[at]) @ basis.T
    scale, own_tau, own_omega, _ = nodes[at]
    planned = 1.0 / (scale * planned_variance + own_tau**2 + own_omega**2)
    return Fitted(
        Attribution(contrasts, *told, float(spreads[0]), float(spreads[1])),
        _apart(information, planned),
    )


def _checked(
    effect: ArrayLike,
    variance: ArrayLike,
    design: ArrayLike,
    follows: ArrayLike,
    named: tuple[int, int],
    prior: SpreadPrior,
) -> tuple[FloatArray, FloatArray, FloatArray, NDArray[np.intp]]:
    y, v, x = (np.asarray(one, dtype=float) for one in (effect, variance, design))
    after = np.asarray(follows, dtype=int)
    if y.size == 0:
        raise ValueError("effect must hold at least 1 comparison, got 0")
    if not y.shape == v.shape == x.shape[:1] == after.shape or named != (y.size, y.size):
        raise ValueError(f"all must hold {y.size} comparisons, got design {x.shape}, {named}")
    if not (np.isfinite(y).all() and np.isfinite(v).all() and np.isfinite(x).all()):
        raise ValueError("effect, variance and design must be finite")
    if not np.abs(x).any(axis=0).all():
        raise ValueError("each part of the design must have been changed at least once")
    require("variance", v, above=0.0)
    require("tau_scale", prior.tau_scale, above=0.0)
    require("omega_scale", prior.omega_scale, above=0.0)
    require("variance_dof", prior.variance_dof, above=0.0)
    return y, v, x, after


def _of_bikes(
    y: FloatArray,
    v: FloatArray,
    x: FloatArray,
    after: NDArray[np.intp],
    bike: Sequence[str],
    model: Sequence[str],
) -> tuple[_Sums, NDArray[np.intp]]:
    """Return the sums of each bike, and the number of its model."""
    place = np.unique(np.asarray(bike), return_inverse=True)[1]
    count = np.bincount(place)
    rows_by_bike = np.argsort(place, kind="stable")
    first = np.cumsum(count) - count
    parts = x.shape[1]
    found = _Sums(
        np.empty((count.size, parts, parts)), np.empty((count.size, parts)),
        *(np.empty(count.size) for _ in range(3)),
    )  # fmt: skip
    for rows_of_bike in np.unique(count):
        bikes = np.flatnonzero(count == rows_of_bike)
        rows = rows_by_bike[first[bikes, None] + np.arange(rows_of_bike)]
        follows = after[rows][:, :, None] == rows[:, None, :]
        sd = np.sqrt(v[rows])
        share = np.eye(rows_of_bike) + SHARED_SESSION * (follows | follows.swapaxes(1, 2))
        covariance = share * (sd[:, :, None] * sd[:, None, :])
        weighted = np.linalg.solve(
            covariance, np.concatenate([x[rows], y[rows][..., None]], axis=2)
        )
        across = x[rows].swapaxes(1, 2) @ weighted
        found.a[bikes], found.b[bikes] = across[..., :-1], across[..., -1]
        found.c[bikes] = np.sum(y[rows] * weighted[..., -1], axis=1)
        found.log_det[bikes] = np.linalg.slogdet(covariance)[1]
        found.rows[bikes] = rows_of_bike
    models = np.unique(np.asarray(model), return_inverse=True)[1]
    return found, models[rows_by_bike[first]]


def _spread(sums: _Sums, sd: FloatArray | float) -> _Sums:
    """Return the sums of clusters after each part's effect in each of them may deviate.

    Many deviations give as many sums, along a first axis.
    """
    square = np.square(sd)
    wider = np.eye(sums.b.shape[1]) + square[..., None, None, None] * sums.a
    solved = np.linalg.solve(wider, np.concatenate([sums.a, sums.b[..., None]], axis=2))
    b = solved[..., -1]
    return _Sums(
        solved[..., :-1],
        b,
        sums.c - square[..., None] * np.sum(sums.b * b, axis=-1),
        sums.log_det + np.linalg.slogdet(wider)[1],
        sums.rows,
    )


def _at(sums: _Sums, basis: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return effects in the row space of the design, their covariances, and how well each fits."""
    information = basis.T @ sums.a.sum(axis=-3) @ basis
    covariance = np.linalg.inv(information)
    b = sums.b.sum(axis=-2) @ basis
    effects = (covariance @ b[..., None])[..., 0]
    misfit = sums.c.sum(axis=-1) - np.sum(b * effects, axis=-1)
    log_det = sums.log_det.sum(axis=-1) + np.linalg.slogdet(information)[1]
    return effects, covariance, -0.5 * (log_det + misfit)


def _row_space(x: FloatArray) -> FloatArray:
    """Return an orthonormal basis of what the design can tell, parts by directions."""
    _, size, directions = np.linalg.svd(x, full_matrices=False)
    return directions[size > 1e-9 * size[0]].T


def _contrasts(x: FloatArray) -> FloatArray:
    """Return every part alone, and those together that were never changed apart."""
    rows = list(np.eye(x.shape[1]))
    left = list(range(x.shape[1]))
    while left:
        first = left[0]
        sign = np.array([1.0 if np.array_equal(x[:, one], x[:, first]) else
                         -1.0 if np.array_equal(x[:, one], -x[:, first]) else 0.0
                         for one in range(x.shape[1])])  # fmt: skip
        left = [one for one in left if sign[one] == 0.0]
        if np.count_nonzero(sign) > 1:
            rows.append(sign)
    return np.array(rows)


def _told(
    contrasts: FloatArray,
    basis: FloatArray,
    weight: FloatArray,
    effects: FloatArray,
    covariances: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return mean, interval and p of each contrast."""
    inside = contrasts @ basis
    can_tell = np.abs(inside @ basis.T - contrasts).max(axis=1) < 1e-9
    mean = effects @ inside.T
    variance = np.sum(inside @ covariances * inside, axis=-1)
    variance[:, ~can_tell] = 1.0
    sd, column = np.sqrt(variance), weight[:, None]
    below = np.sum(column * special.ndtr(-mean / sd), axis=0)
    tail = 0.5 * (1.0 - LEVEL)
    figures = (
        np.sum(column * mean, axis=0),
        quantile(tail, column, mean, sd, near=NEAR),
        quantile(1.0 - tail, column, mean, sd, near=NEAR),
        two_sided(below),
    )
    effect, lower, upper, p = (np.where(can_tell, one, np.nan) for one in figures)
    return effect, lower, upper, p


def _apart(information: FloatArray, planned: float) -> list[Apart]:
    """Return how each part stands apart, and what one more job would do."""
    bounded = information + np.eye(len(information)) / LARGEST_SD**2
    covariance = np.linalg.inv(bounded)
    own = np.diag(covariance)
    spread, direction = np.linalg.eigh(covariance)
    # Rows: the part that is asked for. Columns: the part that one more bike gets alone.
    then = own[:, None] - planned * covariance**2 / (1.0 + planned * own)
    half = float(special.ndtri(0.5 + 0.5 * LEVEL))
    found = []
    for part, inflation in enumerate(np.diag(bounded) * own):
        loading = np.abs(direction[:, int(np.argmax(spread * direction[part] ** 2))])
        is_caught = loading >= SHARES_DIRECTION * loading.max()
        best = int(np.argmin(then[part].round(12)))
        found.append(
            Apart(
                float(inflation),
                tuple(int(one) for one in np.flatnonzero(is_caught) if one != part),
                best,
                half * float(own[part]) ** 0.5,
                half * float(then[part, best]) ** 0.5,
            )
        )
    return found
