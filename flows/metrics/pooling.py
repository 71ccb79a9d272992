"""What a change does over many bikes, and what the next bike may see: random-effects pooling.

Effects are logs of ratios (after over before), so that gains and losses weigh alike; turning
them into percent is the caller's.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special

from flows.metrics.domain_checks import require

FloatArray = NDArray[np.float64]

LEVEL = 0.95
"""Coverage of the intervals of pooled effects."""

LEAST_GROUPS_TO_BORROW = 3
"""Under a flat prior, two groups do not bound the spread between groups."""

_SEARCH_STEPS = 60
_SPREAD_STEPS = 64
_MOST_STEPS = 50


class BikeMeans(NamedTuple):
    """One estimate a bike.

    Attributes
    ----------
    bike : ndarray. The bikes, sorted.
    effect : ndarray. Mean effect of each bike. [1]
    variance : ndarray. Variance of that mean. [1]
    """

    bike: np.ndarray
    effect: FloatArray
    variance: FloatArray


class Pooled(NamedTuple):
    """The effect of one change over all bikes that had it.

    Attributes
    ----------
    bikes : int. Number of bikes.
    mean, lower, upper : float. Mean over bikes and its interval (modified Knapp-Hartung). [1]
    i2_share : float. Share of the scatter that is not measurement error; NaN for one bike. [1]
    """

    bikes: int
    mean: float
    lower: float
    upper: float
    i2_share: float


class Borrowed(NamedTuple):
    """The effect of one group after it has borrowed from the groups of its category.

    Attributes
    ----------
    bikes : int. Number of bikes in the group.
    mean, sd, lower, upper : float
        Mean of the group after borrowing, its standard error and its interval. [1]
    borrowed_share : float
        Weight of the category in `mean`, 0 to 1; NaN where nothing could be borrowed. [1]
    tau : float. Standard deviation between bikes of one group, common to all groups; NaN if no
        group has two bikes. [1]
    next_lower, next_upper : float
        Where the next bike of the group will fall; NaN where `tau` has too little behind it. [1]
    """

    bikes: int
    mean: float
    sd: float
    lower: float
    upper: float
    borrowed_share: float
    tau: float
    next_lower: float
    next_upper: float


def bike_means(effect: ArrayLike, variance: ArrayLike, bike: Sequence[str]) -> BikeMeans:
    r"""Return one effect a bike, so that a bike with many jobs counts as one bike.

    Parameters
    ----------
    effect : array_like. Effect of each job. [1]
    variance : array_like. Variance of each effect. [1]
    bike : sequence of str. The bike of each job.

    Returns
    -------
    BikeMeans. The bikes in sorted order, with mean effect and variance.

    Raises
    ------
    ValueError. If the lengths differ, an effect is not finite, or a variance is not above 0.

    Notes
    -----
    Within a bike the jobs are weighted by the inverse of their variance:

    .. math:: \bar y = \frac{\sum y_i / v_i}{\sum 1 / v_i}, \qquad v = \frac{1}{\sum 1 / v_i}

    Assumes that the jobs of one bike measure one and the same effect; what differs from bike
    to bike is left to the pooling.

    Examples
    --------
    >>> bike_means([0.02, 0.04, 0.03], [1.0, 1.0, 2.0], ["B-2", "B-2", "B-1"]).effect
    array([0.03, 0.03])
    """
    y, v = _checked(effect, variance)
    if len(bike) != y.size:
        raise ValueError(f"bike must name a bike for each of {y.size} effects, got {len(bike)}")
    bikes, place = np.unique(np.asarray(bike), return_inverse=True)
    weight = np.bincount(place, weights=1.0 / v, minlength=bikes.size)
    return BikeMeans(bikes, np.bincount(place, y / v, bikes.size) / weight, 1.0 / weight)


def tau_squared(effect: ArrayLike, variance: ArrayLike) -> float:
    r"""Return the variance of the true effect between bikes, by restricted likelihood.

    Parameters
    ----------
    effect : array_like. One effect a bike. [1]
    variance : array_like. Variance of each effect from measurement alone. [1]

    Returns
    -------
    float. Variance between bikes, never below 0. [1]

    Raises
    ------
    ValueError. If there are fewer than two bikes, or a variance is not above 0.

    Notes
    -----
    With :math:`w_i = 1 / (v_i + \tau^2)` and :math:`\mu` the mean weighted by them, restricted
    likelihood [1]_ maximises

    .. math:: \tfrac12 \sum \ln w_i - \tfrac12 \sum w_i (y_i - \mu)^2 - \tfrac12 \ln \sum w_i

    It can have more than one top, so it is searched from 0 to the squared range of the effects
    before the highest top is refined.

    Assumes that the variances are known. From a handful of bikes the estimate is rough: with
    five, zero is a common answer even where bikes do differ.

    Examples
    --------
    >>> tau_squared([3.1, 2.4, 4.0, 1.8], [0.36, 0.25, 0.64, 0.16])
    0.464428

    References
    ----------
    .. [1] W. Viechtbauer, "Bias and efficiency of meta-analytic variance estimators in the
       random-effects model," J. Educ. Behav. Stat., vol. 30, pp. 261-293, 2005.
    """
    y, v = _checked(effect, variance)
    if y.size < 2:
        raise ValueError(f"effect must hold at least 2 bikes, got {y.size}")

    def log_likelihood(tau2: FloatArray) -> FloatArray:
        w = 1.0 / (v + tau2[:, None])
        total = w.sum(axis=1)
        mean = (w @ y) / total
        fit = np.log(w).sum(axis=1) - np.sum(w * np.square(y - mean[:, None]), axis=1)
        return 0.5 * (fit - np.log(total))

    widest = float(np.ptp(y)) ** 2
    if widest == 0.0:
        return 0.0
    search = np.concatenate([[0.0], np.geomspace(1e-6, 1.0, _SEARCH_STEPS) * widest])
    best = int(np.argmax(log_likelihood(search)))
    if best == 0:
        return 0.0
    found = optimize.minimize_scalar(
        lambda tau2: -log_likelihood(np.array([tau2]))[0],
        bounds=(search[best - 1], search[min(best + 1, _SEARCH_STEPS)]),
        method="bounded",
        options={"xatol": 1e-12 * widest},
    )
    return float(found.x)


def pooled(effect: ArrayLike, variance: ArrayLike) -> Pooled:
    r"""Return the mean effect over bikes.

    Parameters
    ----------
    effect : array_like. One effect a bike; see `bike_means`. [1]
    variance : array_like. Variance of each effect from measurement alone. [1]

    Returns
    -------
    Pooled. Mean, interval and heterogeneity.

    Raises
    ------
    ValueError. If there is no bike, or a variance is not above 0.

    Notes
    -----
    .. math::
        \mu = \frac{\sum w_i y_i}{\sum w_i}, \qquad
        s^2 = \frac{\max(1, f)}{\sum w_i}, \qquad
        f = \frac{\sum w_i (y_i - \mu)^2}{k - 1}, \qquad
        w_i = \frac{1}{v_i + \tau^2}

    with :math:`\tau^2` from `tau_squared`. The interval is :math:`\mu \pm t_{k-1} s` [1]_, with
    the factor held at 1 or more [2]_: without that, bikes that agree by luck give an interval
    narrower than their own measurement error. One bike gives the normal interval of its own
    measurement: it says how well that bike is known, and nothing about others.

    Assumes that the true effects are normal about their mean. Where the next bike will fall,
    `borrowed` says.

    Examples
    --------
    >>> four = pooled([3.1, 2.4, 4.0, 1.8], [0.36, 0.25, 0.64, 0.16])
    >>> four.mean, four.i2_share
    (2.6611, 0.6041)

    References
    ----------
    .. [1] G. Knapp and J. Hartung, "Improved tests for a random effects meta-regression with a
       single covariate," Stat. Med., vol. 22, pp. 2693-2710, 2003.
    .. [2] C. Roever, G. Knapp and T. Friede, "Hartung-Knapp-Sidik-Jonkman approach and its
       modification for random-effects meta-analysis with few studies," BMC Med. Res.
       Methodol., vol. 15, 99, 2015.
    """
    y, v = _checked(effect, variance)
    tail = 0.5 + 0.5 * LEVEL
    bikes = y.size
    if bikes == 1:
        mean, reach = float(y[0]), float(special.ndtri(tail) * np.sqrt(v[0]))
        return Pooled(1, mean, mean - reach, mean + reach, float("nan"))
    w = 1.0 / (v + tau_squared(y, v))
    mean = float((w @ y) / w.sum())
    factor = max(1.0, _weighted_scatter(y, w) / (bikes - 1))
    reach = float(special.stdtrit(bikes - 1, tail)) * (factor / float(w.sum())) ** 0.5
    q = _weighted_scatter(y, 1.0 / v)
    i2_share = max(0.0, 1.0 - (bikes - 1) / q) if q > 0.0 else 0.0
    return Pooled(bikes, mean, mean - reach, mean + reach, i2_share)


def borrowed(
    effects_by_group: Sequence[tuple[ArrayLike, ArrayLike]], *, level: float = LEVEL
) -> list[Borrowed]:
    r"""Return each group's effect after thin groups have borrowed from all of them.

    A group is a model with one change; the groups together are a category of change.

    Parameters
    ----------
    effects_by_group : sequence of (array_like, array_like)
        For each group, one effect a bike and the variance of each. [1]
    level : float, default 0.95. Coverage of the intervals. [1]

    Returns
    -------
    list of Borrowed. One for each group, in the order given.

    Raises
    ------
    ValueError. If a group is empty or a variance is not above 0.

    Notes
    -----
    The effect of bike i in group g is :math:`\mu + b_g + u_{gi}` plus measurement error, with
    :math:`u \sim N(0, \tau^2)` between bikes and :math:`b \sim N(0, \omega^2)` between groups.
    Given both deviations, and with :math:`m_g` the group's own mean weighted by
    :math:`1 / (v_{gi} + \tau^2)` and :math:`s_g^2` its variance,

    .. math:: \hat m_g = (1 - B_g)\, m_g + B_g\, \mu, \qquad B_g = \frac{s_g^2}{s_g^2 + \omega^2}

    and the next bike has the variance of :math:`\hat m_g` plus :math:`\tau^2`. All of it is
    averaged over what the effects say of :math:`\tau` and :math:`\omega` under flat priors on
    both [1]_; `borrowed_share` is the average of :math:`B_g`. A single estimate would do for
    many bikes; for few it is often 0, which would declare all bikes or all models alike and
    promise too much. With exact measurements and one group of k bikes, the intervals are those
    of t with k - 2 degrees of freedom.

    The prior on :math:`\omega` needs three groups: with fewer, nothing is borrowed, and
    `borrowed_share` is NaN. The prior on :math:`\tau` needs two more bikes than groups: with
    fewer, :math:`\tau` is the single estimate of Paule and Mandel [2]_, or left out where no
    group has two bikes, and there is no interval for the next bike. `tau` is that single
    estimate in any case.

    Assumes that bikes of every group differ by the same :math:`\tau`, and that nothing but
    chance tells one group from another.

    Examples
    --------
    >>> thin = ([0.08], [1e-3])
    >>> others = [([0.02, 0.03, 0.04], [1e-4] * 3), ([0.03, 0.04, 0.05], [1e-4] * 3)]
    >>> first = borrowed([thin, *others])[0]
    >>> first.borrowed_share > 0.5 and 0.04 < first.mean < 0.08
    True

    References
    ----------
    .. [1] A. Gelman, "Prior distributions for variance parameters in hierarchical models,"
       Bayesian Anal., vol. 1, pp. 515-534, 2006.
    .. [2] R. C. Paule and J. Mandel, "Consensus values and weighting factors," J. Res. Natl.
       Bur. Stand., vol. 87, pp. 377-385, 1982.
    """
    require("level", level, above=0.0, below=1.0)
    groups = [_checked(effect, variance) for effect, variance in effects_by_group]
    if not groups:
        return []
    dof = sum(y.size - 1 for y, _ in groups)
    tau = _paule_mandel(groups) ** 0.5 if dof else 0.0
    spread, log_step = np.array([tau]), np.zeros(1)
    if dof >= 2:
        typical = float(np.mean([v.mean() + y.var() for y, v in groups])) ** 0.5
        spread, log_step = _half_line(typical)

    # Rows: one between-bikes deviation each. Columns: groups.
    mean, variance, log_fit = _own(groups, spread)
    share = np.full(mean.shape, np.nan)
    if len(groups) >= LEAST_GROUPS_TO_BORROW:
        mean, variance, share, log_evidence = _shrunk(mean, variance)
        log_fit = log_fit + log_evidence
    weight = np.exp(log_fit + log_step - np.max(log_fit + log_step))
    weight /= weight.sum()

    centre = weight @ mean
    borrowed_share = weight @ share
    sd = np.sqrt(weight @ (variance + np.square(mean - centre)))
    tail = 0.5 * (1.0 - level)
    next_sd = np.sqrt(variance + np.square(spread)[:, None])
    unknown = np.full(len(groups), np.nan)
    lower, upper, next_lower, next_upper = (
        _quantile(chance, weight, mean, each_sd) if known else unknown
        for chance, each_sd, known in (
            (tail, np.sqrt(variance), True),
            (1.0 - tail, np.sqrt(variance), True),
            (tail, next_sd, dof >= 2),
            (1.0 - tail, next_sd, dof >= 2),
        )
    )
    return [
        Borrowed(
            bikes=y.size,
            mean=float(centre[g]),
            sd=float(sd[g]),
            lower=float(lower[g]),
            upper=float(upper[g]),
            borrowed_share=float(borrowed_share[g]),
            tau=tau if dof else float("nan"),
            next_lower=float(next_lower[g]),
            next_upper=float(next_upper[g]),
        )
        for g, (y, _) in enumerate(groups)
    ]


def _checked(effect: ArrayLike, variance: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Return effects and variances as rows; refuse what cannot be pooled."""
    y = np.atleast_1d(np.asarray(effect, dtype=float))
    v = np.atleast_1d(np.asarray(variance, dtype=float))
    if y.shape != v.shape or y.ndim != 1:
        raise ValueError(f"variance must match effect in length, got {v.shape} for {y.shape}")
    if y.size == 0:
        raise ValueError("effect must hold at least 1 bike, got 0")
    if not np.all(np.isfinite(y)):
        raise ValueError(f"effect must be finite, got {y[~np.isfinite(y)][0]}")
    # A bike of unknown or endless variance says nothing and has no place in a pool.
    if not np.all(np.isfinite(v)):
        raise ValueError(f"variance must be finite, got {v[~np.isfinite(v)][0]}")
    require("variance", v, above=0.0)
    return y, v


def _weighted_scatter(y: FloatArray, w: FloatArray) -> float:
    """Return the weighted squares about the weighted mean."""
    return float(w @ np.square(y - (w @ y) / w.sum()))


def _paule_mandel(groups: Sequence[tuple[FloatArray, FloatArray]]) -> float:
    """Return the variance between bikes that makes the scatter within groups what it should be."""
    y = np.concatenate([effect for effect, _ in groups])
    v = np.concatenate([variance for _, variance in groups])
    sizes = np.array([effect.size for effect, _ in groups])
    first = np.cumsum(sizes) - sizes
    dof = y.size - sizes.size

    def excess(tau2: float) -> float:
        w = 1.0 / (v + tau2)
        mean = np.add.reduceat(w * y, first) / np.add.reduceat(w, first)
        return float(w @ np.square(y - np.repeat(mean, sizes))) - dof

    if excess(0.0) <= 0.0:
        return 0.0
    high = max(float(np.ptp(y)) for y, _ in groups) ** 2
    while excess(high) > 0.0:
        high *= 2.0
    found = optimize.root_scalar(excess, bracket=(0.0, high), method="brentq", xtol=1e-14 * high)
    return float(found.root)


def _half_line(scale: float) -> tuple[FloatArray, FloatArray]:
    """Return deviations that cover 0 to infinity, and the log of the step each stands for."""
    angle = (np.arange(_SPREAD_STEPS) + 0.5) * (0.5 * np.pi / _SPREAD_STEPS)
    return scale * np.tan(angle), -2.0 * np.log(np.cos(angle))


def _own(
    groups: Sequence[tuple[FloatArray, FloatArray]], tau: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return mean and variance of each group alone, and how well `tau` fits within groups."""
    y = np.concatenate([effect for effect, _ in groups])
    v = np.concatenate([variance for _, variance in groups])
    sizes = [effect.size for effect, _ in groups]
    first = np.cumsum([0, *sizes[:-1]])
    w = 1.0 / (v + np.square(tau)[:, None])
    total = np.add.reduceat(w, first, axis=1)
    mean = np.add.reduceat(w * y, first, axis=1) / total
    misfit = np.sum(w * np.square(y - np.repeat(mean, sizes, axis=1)), axis=1)
    log_fit = 0.5 * (np.log(w).sum(axis=1) - misfit - np.log(total).sum(axis=1))
    return mean, 1.0 / total, log_fit


def _shrunk(
    mean: FloatArray, variance: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return means, variances and borrowed shares after borrowing, and the log evidence.

    Rows stand for themselves; columns are groups. The middle axis is the spread of the groups.
    """
    omega, log_step = _half_line(float(np.sqrt(np.mean(variance) + np.mean(mean.var(axis=1)))))
    m, s2 = mean[:, None, :], variance[:, None, :]
    w = 1.0 / (s2 + np.square(omega)[:, None])
    total = w.sum(axis=2, keepdims=True)
    centre = np.sum(w * m, axis=2, keepdims=True) / total
    log_density = log_step + 0.5 * (
        np.log(w).sum(axis=2) - np.sum(w * np.square(m - centre), axis=2) - np.log(total[..., 0])
    )
    top = log_density.max(axis=1, keepdims=True)
    density = np.exp(log_density - top)
    evidence = density.sum(axis=1, keepdims=True)
    density = (density / evidence)[..., None]

    share = s2 * w
    means = m + share * (centre - m)
    variances = (1.0 - share) * s2 + np.square(share) / total
    shrunk = np.sum(density * means, axis=1)
    spread = np.sum(density * (variances + np.square(means - shrunk[:, None, :])), axis=1)
    return shrunk, spread, np.sum(density * share, axis=1), (top + np.log(evidence))[:, 0]


def _quantile(chance: float, weight: FloatArray, mean: FloatArray, sd: FloatArray) -> FloatArray:
    """Return the quantile of a weighted mixture of normal distributions, for each column."""
    component = mean + special.ndtri(chance) * sd
    # The mixture's quantile lies between those of its components that have weight.
    kept = weight > 1e-12 * weight.max()
    low, high = component[kept].min(axis=0), component[kept].max(axis=0)
    near = 1e-14 * (high - low) + 8.0 * np.spacing(np.maximum(np.abs(low), np.abs(high)))
    at = np.clip(weight @ component, low, high)
    for _ in range(_MOST_STEPS):
        z = (at - mean) / sd
        over = weight @ special.ndtr(z) - chance
        low, high = np.where(over < 0.0, at, low), np.where(over < 0.0, high, at)
        density = weight @ (np.exp(-0.5 * z * z) / sd) / np.sqrt(2.0 * np.pi)
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            newton = at - over / density
        # Newton's step where it stays between the bounds, else their middle.
        before, at = at, np.where((newton >= low) & (newton <= high), newton, 0.5 * (low + high))
        if np.all(np.abs(at - before) <= near):
            break
    return at
