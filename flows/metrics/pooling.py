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

FloatArray = NDArray[np.floating]

LEVEL = 0.95
"""Coverage of the intervals of pooled effects."""

LEAST_GROUPS_TO_BORROW = 3
"""Under a flat prior, two groups do not bound the spread between groups."""

BETWEEN_BIKES_SHARE = 0.008
"""Scale of the prior on what bikes of a model differ by: half of shops below 0.6 %, one in twenty
above 2.2 %. Where a change gives 3 to 8 %, two sound bikes seldom differ by more than 2 %: common
practice, no source. To choose a prior by the range of effects it allows: Roever et al. 2021."""

PRIOR_DOF = 4.0
"""Degrees of freedom of the half-t priors: near 0 as half-normal ones, with tails that the bikes of
an odd change can pull away from."""

UNKNOWN = float("nan")

_SEARCH_STEPS = 60
_SPREAD_STEPS = 64
_PRIOR_STEPS = 24
"""Under a prior little lies far out, and fewer cover the line: with the steps below, ends are off
by 0.4 % of the interval's width on average, by 3 % at most (72 made-up shops against 64 x 61 x 32
steps)."""
_GROUP_STEPS = 16
"""The spread between groups is known from few groups, and nothing sharp hangs on it."""
_SCALE_STEPS = 13
_SCALE_REACH = 2.5
"""The factor on the stated variances is followed for 2.5 of its standard deviations either way."""
_MOST_STEPS = 60
_NEAR = 1e-14
"""Ends are as exact as floats allow."""


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


class SpreadPrior(NamedTuple):
    """What is assumed of the spreads before any bike was seen.

    Attributes
    ----------
    tau_scale : float. Scale of the half-t prior on the spread between bikes of a group. [1]
    omega_scale : float. Scale of that on the spread between groups. [1]
    variance_dof : float. Degrees of freedom behind the stated variances; infinite where they are
        known.
    """

    tau_scale: float
    omega_scale: float
    variance_dof: float


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
        group has two bikes and there is no prior. [1]
    next_lower, next_upper : float
        Where the next bike of the group will fall; NaN where `tau` has too little behind it. [1]
    measured_lower, measured_upper : float
        Where it will be measured; NaN without a prior or a planned variance. [1]
    prior_share : float. How much of what is said of `tau` is assumed, 0 to 1; NaN without a
        prior. [1]
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
    measured_lower: float = UNKNOWN
    measured_upper: float = UNKNOWN
    prior_share: float = UNKNOWN


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
    effects_by_group: Sequence[tuple[ArrayLike, ArrayLike]],
    *,
    level: float = LEVEL,
    prior: SpreadPrior | None = None,
    planned_variance: float = float("nan"),
    asked: Sequence[int] | None = None,
) -> list[Borrowed]:
    r"""Return each group's effect after thin groups have borrowed from all of them.

    A group is a model with one change; the groups together are a category of change.

    Parameters
    ----------
    effects_by_group : sequence of (array_like, array_like)
        For each group, one effect a bike and the variance of each. [1]
    level : float, default 0.95. Coverage of the intervals. [1]
    prior : SpreadPrior, optional. What is assumed of the spreads; without it they have flat priors.
    planned_variance : float, optional. Stated variance with which the next bike will be measured;
        only asked for with a prior. [1]
    asked : sequence of int, optional. Places of the groups that are wanted; without it, all.

    Returns
    -------
    list of Borrowed. One for each group that was asked for, in that order.

    Raises
    ------
    ValueError. If a group is empty or a variance, or a scale of the prior, is not above 0.

    Notes
    -----
    The effect of bike i in group g is :math:`\mu + b_g + u_{gi}` plus measurement error, with
    :math:`u \sim N(0, \tau^2)` between bikes and :math:`b \sim N(0, \omega^2)` between groups.
    Given both deviations, and with :math:`m_g` the group's own mean weighted by
    :math:`1 / (v_{gi} + \tau^2)` and :math:`s_g^2` its variance,

    .. math:: \hat m_g = (1 - B_g)\, m_g + B_g\, \mu, \qquad B_g = \frac{s_g^2}{s_g^2 + \omega^2}

    and the next bike has the variance of :math:`\hat m_g` plus :math:`\tau^2`. All of it is
    averaged over what the effects say of :math:`\tau` and :math:`\omega` [1]_; `borrowed_share` is
    the average of :math:`B_g`. A single estimate would do for many bikes; for few it is often 0,
    which would declare all bikes or all models alike and promise too much. Over :math:`\omega`
    mean and variance of a group are averaged, over :math:`\tau` its whole distribution.

    **Without a prior** both are flat. With exact measurements and one group of k bikes, the
    intervals are those of t with k - 2 degrees of freedom. A flat prior on :math:`\omega` needs
    three groups: with fewer, nothing is borrowed, and `borrowed_share` is NaN. That on
    :math:`\tau` needs two more bikes than groups: with fewer, :math:`\tau` is the single estimate
    of Paule and Mandel [2]_, or left out where no group has two bikes, and there is no interval
    for the next bike. `tau` is that single estimate in any case.

    **With a prior** both have half-t ones of `PRIOR_DOF` degrees of freedom [3]_, so that one bike
    is enough, and two groups to borrow. The stated variances are right but for a common factor
    :math:`\varphi`: :math:`v_{gi}` is :math:`\varphi` times what is stated, :math:`\ln \varphi`
    normal about 0 with variance 2 / `variance_dof`, that of a variance learnt from so many degrees
    of freedom. Where bikes agree better than their stated variances allow, :math:`\varphi` takes
    it up and :math:`\tau` is not pushed to 0. The next bike is measured with
    :math:`\varphi` times `planned_variance` more. `tau` is its mean; `prior_share` is how much of
    the prior on :math:`\tau` overlaps with what stands after the bikes were seen: 1 where they
    say nothing of it.

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
    .. [3] C. Roever et al., "On weakly informative prior distributions for the heterogeneity
       parameter in Bayesian random-effects meta-analysis," Res. Synth. Methods, vol. 12,
       pp. 448-474, 2021.
    """
    if not effects_by_group:
        return []
    groups = _groups(effects_by_group, level, prior)
    wanted = list(range(groups.sizes.size) if asked is None else asked)
    nodes = _nodes(groups, prior)
    mean, variance, log_fit = _own(groups, nodes)
    if groups.sizes.size >= (LEAST_GROUPS_TO_BORROW if prior is None else 2):
        between = _between(mean, variance, prior)
        density, log_evidence = _of_spread(between)
        mean, variance, share = _shrunk(mean[:, wanted], variance[:, wanted], between, density)
        log_fit = log_fit + log_evidence
    else:
        mean, variance = mean[:, wanted], variance[:, wanted]
        share = np.full(mean.shape, np.nan)
    weight = shares(log_fit + nodes.log_weight)

    centre = weight @ mean
    borrowed_share = weight @ share
    sd = np.sqrt(weight @ (variance + np.square(mean - centre)))
    next_variance = variance + np.square(nodes.tau)[:, None]
    unknown = (np.full(len(wanted), UNKNOWN),) * 2
    is_told = prior is not None or groups.dof >= 2
    lower, upper = _ends(weight, mean, variance, level)
    next_lower, next_upper = _ends(weight, mean, next_variance, level) if is_told else unknown
    planned = (nodes.scale * planned_variance)[:, None]
    measured_lower, measured_upper = _ends(weight, mean, next_variance + planned, level)
    tau = nodes.spread(weight) if prior is not None or groups.dof else UNKNOWN
    overlap = nodes.overlap(weight)
    return [
        Borrowed(
            bikes=int(groups.sizes[group]),
            mean=float(centre[g]),
            sd=float(sd[g]),
            lower=float(lower[g]),
            upper=float(upper[g]),
            borrowed_share=float(borrowed_share[g]),
            tau=tau,
            next_lower=float(next_lower[g]),
            next_upper=float(next_upper[g]),
            measured_lower=float(measured_lower[g]) if prior is not None else UNKNOWN,
            measured_upper=float(measured_upper[g]) if prior is not None else UNKNOWN,
            prior_share=overlap,
        )
        for g, group in enumerate(wanted)
    ]


def of_unseen(
    effects_by_group: Sequence[tuple[ArrayLike, ArrayLike]],
    prior: SpreadPrior,
    *,
    level: float = LEVEL,
    planned_variance: float = float("nan"),
) -> Borrowed:
    r"""Return the mean effect over all groups, and where a bike of a group not seen yet will fall.

    Parameters
    ----------
    effects_by_group : sequence of (array_like, array_like)
        For each group that was seen, one effect a bike and the variance of each. [1]
    prior : SpreadPrior. What is assumed of the spreads.
    level : float, default 0.95. Coverage of the intervals. [1]
    planned_variance : float, optional. Stated variance with which that bike will be measured. [1]

    Returns
    -------
    Borrowed. The mean is that of the groups; all of it is borrowed.

    Raises
    ------
    ValueError. If there is no group, one is empty, or a variance or scale is not above 0.

    Notes
    -----
    As `borrowed` with a prior, averaged over both spreads and the scale at once. Given them,
    the mean :math:`\mu` has the variance :math:`1 / \sum 1 / (s_g^2 + \omega^2)`, and a bike of
    another group :math:`\omega^2 + \tau^2` more.

    Examples
    --------
    >>> seen = [([0.02, 0.03, 0.04], [1e-4] * 3), ([0.03, 0.04, 0.05], [1e-4] * 3)]
    >>> other = of_unseen(seen, SpreadPrior(0.01, 0.02, 6.0))
    >>> other.next_upper - other.next_lower > other.upper - other.lower
    True
    """
    if not effects_by_group:
        raise ValueError("effects_by_group must hold at least 1 group, got 0")
    groups = _groups(effects_by_group, level, prior)
    nodes = _nodes(groups, prior)
    own_mean, own_variance, log_fit = _own(groups, nodes)
    between = _between(own_mean, own_variance, prior)
    joint = shares((log_fit + nodes.log_weight)[:, None] + between.log_density)
    weight = joint.sum(axis=1)

    # Rows: both spreads and the scale. One column.
    rows = joint.reshape(-1)
    mean = between.centre.reshape(-1, 1)
    variance = between.centre_variance.reshape(-1, 1)
    own = np.square(between.omega) + np.square(nodes.tau)[:, None]
    next_variance = variance + own.reshape(-1, 1)
    planned = np.repeat(nodes.scale * planned_variance, between.omega.size)[:, None]
    centre = rows @ mean
    sd = np.sqrt(rows @ (variance + np.square(mean - centre)))
    lower, upper, next_lower, next_upper, measured_lower, measured_upper = (
        float(end[0])
        for each in (variance, next_variance, next_variance + planned)
        for end in _ends(rows, mean, each, level)
    )
    return Borrowed(
        bikes=groups.effect.size,
        mean=float(centre[0]),
        sd=float(sd[0]),
        lower=lower,
        upper=upper,
        borrowed_share=1.0,
        tau=nodes.spread(weight),
        next_lower=next_lower,
        next_upper=next_upper,
        measured_lower=measured_lower,
        measured_upper=measured_upper,
        prior_share=nodes.overlap(weight),
    )


class _Groups(NamedTuple):
    """The bikes of all groups in one row, group after group."""

    effect: FloatArray
    variance: FloatArray
    sizes: NDArray[np.int64]
    first: NDArray[np.int64]

    @property
    def dof(self) -> int:
        """How many bikes there are besides one a group."""
        return self.effect.size - self.sizes.size

    def sums(self, values: FloatArray) -> FloatArray:
        """Return the sum over each group's bikes."""
        return np.add.reduceat(values, self.first, axis=-1)

    def spread(self, of_group: FloatArray) -> FloatArray:
        """Return for each bike what belongs to its group."""
        return np.repeat(of_group, self.sizes, axis=-1)


class _Nodes(NamedTuple):
    """Spreads between bikes and scales of the stated variances, one of each a row."""

    tau: FloatArray
    scale: FloatArray
    log_weight: FloatArray
    prior_of_tau: FloatArray
    """Share of the prior that each spread stands for; empty without a prior."""
    single: float

    def spread(self, weight: FloatArray) -> float:
        """Return the spread between bikes to tell."""
        return self.single if self.prior_of_tau.size == 0 else float(weight @ self.tau)

    def overlap(self, weight: FloatArray) -> float:
        """Return the share that prior and posterior of the spread have in common."""
        if self.prior_of_tau.size == 0:
            return UNKNOWN
        posterior = weight.reshape(self.prior_of_tau.size, -1).sum(axis=1)
        return float(np.minimum(posterior, self.prior_of_tau).sum())


class _Between(NamedTuple):
    """What the groups say of the spread between them: rows are nodes, columns that spread."""

    omega: FloatArray
    centre: FloatArray
    centre_variance: FloatArray
    log_density: FloatArray


def _groups(
    effects_by_group: Sequence[tuple[ArrayLike, ArrayLike]],
    level: float,
    prior: SpreadPrior | None,
) -> _Groups:
    require("level", level, above=0.0, below=1.0)
    for name, value in prior._asdict().items() if prior is not None else ():
        require(name, value, above=0.0)
    pairs = [_rows(effect, variance) for effect, variance in effects_by_group]
    effects, variances = ([pair[at] for pair in pairs] for at in (0, 1))
    y, v = _checked(np.concatenate(effects), np.concatenate(variances))
    sizes = np.array([effect.size for effect in effects])
    return _Groups(y, v, sizes, np.cumsum(sizes) - sizes)


def _rows(effect: ArrayLike, variance: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Return effects and variances as rows of one length, with a bike at least."""
    y = np.atleast_1d(np.asarray(effect, dtype=float))
    v = np.atleast_1d(np.asarray(variance, dtype=float))
    if y.shape != v.shape or y.ndim != 1:
        raise ValueError(f"variance must match effect in length, got {v.shape} for {y.shape}")
    if y.size == 0:
        raise ValueError("effect must hold at least 1 bike, got 0")
    return y, v


def _checked(effect: ArrayLike, variance: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Return effects and variances as rows; refuse what cannot be pooled."""
    y, v = _rows(effect, variance)
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


def _paule_mandel(groups: _Groups) -> float:
    """Return the variance between bikes that makes the scatter within groups what it should be."""
    y, v = groups.effect, groups.variance

    def excess(tau2: float) -> float:
        w = 1.0 / (v + tau2)
        mean = groups.sums(w * y) / groups.sums(w)
        return float(w @ np.square(y - groups.spread(mean))) - groups.dof

    if excess(0.0) <= 0.0:
        return 0.0
    widest = np.maximum.reduceat(y, groups.first) - np.minimum.reduceat(y, groups.first)
    high = float(widest.max()) ** 2
    while excess(high) > 0.0:
        high *= 2.0
    found = optimize.root_scalar(excess, bracket=(0.0, high), method="brentq", xtol=1e-14 * high)
    return float(found.root)


def _nodes(groups: _Groups, prior: SpreadPrior | None) -> _Nodes:
    """Return the spreads and scales that are averaged over."""
    y, v = groups.effect, groups.variance
    away = np.square(y - groups.spread(groups.sums(y) / groups.sizes))
    typical = float(np.mean(groups.sums(v + away) / groups.sizes)) ** 0.5
    if prior is not None:
        tau, log_weight = half_line(typical, _PRIOR_STEPS, prior.tau_scale)
        scale, log_scale = scales(prior.variance_dof, _SCALE_STEPS)
        of_tau = shares(log_weight)
        log_weight = (log_weight[:, None] + log_scale).reshape(-1)
        tau, scale = np.repeat(tau, scale.size), np.tile(scale, tau.size)
        return _Nodes(tau, scale, log_weight, of_tau, float("nan"))
    single = _paule_mandel(groups) ** 0.5 if groups.dof else 0.0
    tau, log_weight = np.array([single]), np.zeros(1)
    if groups.dof >= 2:
        tau, log_weight = half_line(typical, _SPREAD_STEPS)
    return _Nodes(tau, np.ones(tau.size), log_weight, np.empty(0), single)


def half_line(
    typical: ArrayLike, steps: int, prior_scale: float = 0.0
) -> tuple[FloatArray, FloatArray]:
    """Return deviations that cover 0 to infinity, and the log of what each stands for.

    Parameters
    ----------
    typical : array_like. Size of a usual deviation, one or one a place. [1]
    steps : int. How many deviations.
    prior_scale : float, default 0. Scale of a half-t prior on them; 0 is a flat one. [1]

    Returns
    -------
    tuple of ndarray. Deviations and logs, steps first: the step under a flat prior, times the
        density of the prior where it has a scale.

    Examples
    --------
    >>> deviation, log_share = half_line([0.01], 4, 0.01)
    >>> deviation.shape, bool(np.all(np.diff(log_share[1:], axis=0) < 0.0))
    ((4, 1), True)
    """
    usual = np.hypot(np.asarray(typical, dtype=float), prior_scale)
    angle = (np.arange(steps) + 0.5) * (0.5 * np.pi / steps)
    angle = angle.reshape(-1, *(1,) * usual.ndim)
    at, log_step = usual * np.tan(angle), -2.0 * np.log(np.cos(angle))
    if prior_scale:
        away = np.log1p(np.square(at / prior_scale) / PRIOR_DOF)
        log_step = log_step - 0.5 * (PRIOR_DOF + 1.0) * away
    return at, log_step


def scales(dof: float, steps: int) -> tuple[FloatArray, FloatArray]:
    """Return factors on the stated variances, and the log of what each stands for.

    Parameters
    ----------
    dof : float. Degrees of freedom behind the stated variances; infinite where they are known.
    steps : int. How many factors, where they are not known.

    Returns
    -------
    tuple of ndarray. Factors and logs: lognormal about 1, with variance 2 / dof.

    Examples
    --------
    >>> scales(np.inf, 5)
    (array([1.]), array([0.]))
    """
    if np.isinf(dof):
        return np.ones(1), np.zeros(1)
    away = np.linspace(-_SCALE_REACH, _SCALE_REACH, steps)
    return np.exp(away * (2.0 / dof) ** 0.5), -0.5 * np.square(away)


def shares(log_density: FloatArray, axis: int | None = None) -> FloatArray:
    """Return weights that add up to 1.

    Parameters
    ----------
    log_density : ndarray. Logs of what each is worth, up to a constant.
    axis : int, optional. Along which they add up; without it, all together.

    Returns
    -------
    ndarray. The weights. [1]

    Examples
    --------
    >>> shares(np.log([1.0, 3.0]))
    array([0.25, 0.75])
    """
    density = np.exp(log_density - log_density.max(axis=axis))
    return density / density.sum(axis=axis)


def _own(groups: _Groups, nodes: _Nodes) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return mean and variance of each group alone, and how well each node fits within groups."""
    y = groups.effect
    w = 1.0 / (nodes.scale[:, None] * groups.variance + np.square(nodes.tau)[:, None])
    total = groups.sums(w)
    mean = groups.sums(w * y) / total
    misfit = np.sum(w * np.square(y - groups.spread(mean)), axis=1)
    log_fit = 0.5 * (np.log(w).sum(axis=1) - misfit - np.log(total).sum(axis=1))
    return mean, 1.0 / total, log_fit


def _between(mean: FloatArray, variance: FloatArray, prior: SpreadPrior | None) -> _Between:
    """Return what groups say of the spread between them; rows stand for themselves."""
    typical = float(np.sqrt(np.mean(variance) + np.mean(mean.var(axis=1))))
    if prior is None:
        omega, log_step = half_line(typical, _SPREAD_STEPS)
    else:
        omega, log_step = half_line(typical, _GROUP_STEPS, prior.omega_scale)
    m, s2 = mean[:, None, :], variance[:, None, :]
    w = 1.0 / (s2 + np.square(omega)[:, None])
    total = w.sum(axis=2)
    centre = np.sum(w * m, axis=2) / total
    log_density = log_step + 0.5 * (
        np.log(w).sum(axis=2) - np.sum(w * np.square(m - centre[..., None]), axis=2) - np.log(total)
    )
    return _Between(omega, centre, 1.0 / total, log_density)


def _of_spread(between: _Between) -> tuple[FloatArray, FloatArray]:
    """Return what each spread between groups is worth in its row, and the log of the evidence."""
    top = between.log_density.max(axis=1, keepdims=True)
    density = np.exp(between.log_density - top)
    evidence = density.sum(axis=1, keepdims=True)
    return density / evidence, (top + np.log(evidence))[:, 0]


def _shrunk(
    mean: FloatArray, variance: FloatArray, between: _Between, density: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return means, variances and borrowed shares of some groups after borrowing.

    Rows stand for themselves; columns are groups. The middle axis is the spread of the groups.
    """
    m, s2, density = mean[:, None, :], variance[:, None, :], density[..., None]
    share = s2 / (s2 + np.square(between.omega)[:, None])
    means = m + share * (between.centre[..., None] - m)
    variances = (1.0 - share) * s2 + np.square(share) * between.centre_variance[..., None]
    shrunk = np.sum(density * means, axis=1)
    spread = np.sum(density * (variances + np.square(means - shrunk[:, None, :])), axis=1)
    return shrunk, spread, np.sum(density * share, axis=1)


def _ends(
    weight: FloatArray, mean: FloatArray, variance: FloatArray, level: float
) -> tuple[FloatArray, FloatArray]:
    """Return the ends of the central interval of each column; NaN where the variance is."""
    if np.isnan(variance).any():
        unknown = np.full(mean.shape[1], np.nan)
        return unknown, unknown
    tail, column, sd = 0.5 * (1.0 - level), weight[:, None], np.sqrt(variance)
    lower, upper = (quantile(of, column, mean, sd, near=_NEAR) for of in (tail, 1.0 - tail))
    return lower, upper


def quantile(
    chance: float, weight: FloatArray, mean: FloatArray, sd: FloatArray, *, near: float
) -> FloatArray:
    """Return the quantile of a weighted mixture of normal distributions, for each column.

    Parameters
    ----------
    chance : float. Which quantile.
    weight : ndarray. What each row is worth, a column each or one for all; adds up to 1. [1]
    mean, sd : ndarray. Of each distribution. [1]
    near : float. How near it is wanted, in standard deviations of the column.

    Returns
    -------
    ndarray. One quantile a column.

    Examples
    --------
    >>> quantile(0.975, np.ones((1, 1)), np.zeros((1, 1)), np.ones((1, 1)), near=1e-3)
    array([1.96])
    """
    centre = np.sum(weight * mean, axis=0)
    whole = np.sqrt(np.sum(weight * (np.square(sd) + np.square(mean - centre)), axis=0))
    # By the one-sided inequality of Chebyshev no quantile lies further out.
    reach = whole * np.sqrt(1.0 / min(chance, 1.0 - chance))
    low, high = centre - reach, centre + reach
    enough = near * whole + 8.0 * np.spacing(np.maximum(np.abs(low), np.abs(high)))
    at = centre + special.ndtri(chance) * whole
    for _ in range(_MOST_STEPS):
        z = (at - mean) / sd
        over = np.sum(weight * special.ndtr(z), axis=0) - chance
        low, high = np.where(over < 0.0, at, low), np.where(over < 0.0, high, at)
        density = np.sum(weight * np.exp(-0.5 * z * z) / sd, axis=0) / np.sqrt(2.0 * np.pi)
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            newton = at - over / density
        # Newton's step where it stays between the bounds, else their middle.
        before, at = at, np.where((newton >= low) & (newton <= high), newton, 0.5 * (low + high))
        if np.all(np.abs(at - before) <= enough):
            break
    return at
