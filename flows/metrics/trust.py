"""How far a dyno is trusted: its usual scatter, and what strapping down again adds.

Scatter lives on the ln scale, where one percent is one percent at every engine speed.
"""

import math
from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, special

from flows.metrics.domain_checks import require
from flows.metrics.pooling import BETWEEN_BIKES_SHARE, PRIOR_DOF
from flows.metrics.session import PooledSd

DEFAULT_REMOUNT_SHARE = 0.008
"""1 SD of strapping a bike down again, until the shop has its own: common practice, no source."""

DEFAULT_AIR_EXPONENT_SHARE = 0.3 / math.sqrt(3.0)
"""1 SD of the error of the correction's exponent of the air: ISO 1585 raises the temperature to
0.6, engines follow it with 0.3 to 0.9, each as likely as the other (JCGM 100, 4.3.7; that range is
common practice, no source)."""

PRIOR_LN_SD = math.log(2.0)
"""How far the prior reaches: two shops in three scatter between half and double of the default."""

HELD_TIMES = 2.0
"""Intervals hold up to so many times the default until a dyno's own sessions speak against it:
within it, says the prior, five shops in six lie."""

ALIKE_SHARE = 0.5
"""Share of changes that do the same to every bike of a model: many parts give nothing to any
(our judgement, no source)."""

GRID = 33
"""Points of each axis: 4 SD of the prior either way, then as many over what carries weight."""
NEGLIGIBLE = 1e-6
"""Weight beside the greatest from which on a point of the grid is left out."""
BLOCKS_AT_ONCE = 100
"""What bounds the memory of one step over the grid, to some 10 MB."""
LEAST_DOF = 6.0
"""With fewer, Satterthwaite's interval shrinks where known scatter is added; the SD is raised
instead, so that the interval of 95 % stays right with one pull and with ten."""
MOST_DOF = 30.0
"""More degrees of freedom than these are not told apart: t is within 4 % of the normal."""
LEAST_SPELL = 4
SPELL_LIMIT = 4.5
"""Standard errors that two means must lie apart; of 100 steady rows about one is cut."""
LEAST_SLOPE_DOF = 6
LEAST_DENSITY_SD = 0.002
"""Air that moves by less is no test of a correction: a station's last digits make so much."""

REGION_EDGES = (0.40, 0.65, 0.90, 1.15)
"""Low, middle and top of the riding range, in shares of the speed at peak power (our choice)."""

REGION_BENDS = (0.575, 0.1, 0.575)
"""What one mounting bends the curve by in each, over what it adds to the mean, until the shop has
its own: it also tilts a curve, by half of that at 1 SD of speed from the middle, as grip and
rolling loss change with speed (common practice, no source). By hand: the outer regions lie 1.15 SD
from the middle, 1.15 / 2 = 0.575; a tilt leaves the middle where it is, but for a little."""


class Series(NamedTuple):
    """Sessions of one bike between which nothing changed, as far as trust is read from them.

    Attributes
    ----------
    level : ndarray. Level of each session on the ln scale, all from one zero.
    variance : ndarray. What the pulls and the readings of the air alone leave on it.
    mounting, day : ndarray. Which mounting and which day, as numbers.
    density : ndarray. ln of the air's density; NaN where not known.
    """

    level: np.ndarray
    variance: np.ndarray
    mounting: np.ndarray
    day: np.ndarray
    density: np.ndarray


class Agreement(NamedTuple):
    """Bikes of one model that all had one change, each strapped down anew for it the same day.

    Attributes
    ----------
    gain : ndarray. ln ratio of each bike's two session levels.
    variance : ndarray. What the pulls and the air alone leave on each.
    """

    gain: np.ndarray
    variance: np.ndarray


class Scatter(NamedTuple):
    """One part of the scatter between sessions, fit for an interval of Student's t.

    Attributes
    ----------
    share : float. 1 SD on the ln scale, made larger for what is not known of it. [0..1]
    dof : float. Degrees of freedom behind it.
    learnt_share : float. The same but for what `held_times` adds. [0..1]
    median_share : float. What it is as likely above as below. [0..1]
    prior_weight : float. How much of what is known of it is the prior, from 0 to 1.
    below, above : float. Chance that it lies below, and above, the prior's median.
    """

    share: float
    dof: float
    learnt_share: float
    median_share: float
    prior_weight: float
    below: float
    above: float


class SessionScatter(NamedTuple):
    """What sessions scatter by beyond their pulls.

    Attributes
    ----------
    remount : Scatter. One mounting.
    day : Scatter. One day.
    both : Scatter. A new mounting on another day.
    """

    remount: Scatter
    day: Scatter
    both: Scatter


class AirExponent(NamedTuple):
    """What the air correction leaves of the air's density.

    Attributes
    ----------
    share : float. 1 SD of power's ln per ln of density. [1]
    slope : float. Slope that the sessions show, with sign; NaN where they show none. [1]
    """

    share: float
    slope: float


class RegionRemount(NamedTuple):
    """What remounting adds within one region of speed.

    Attributes
    ----------
    from_share, to_share : float. The region, in shares of the speed at peak power. [1]
    share : float. 1 SD on the ln scale. [0..1]
    bend_share : float. 1 SD of its distance there from the mean of the regions. [0..1]
    dof : float. Degrees of freedom behind it; 0 for the default.
    pairs : int. Pairs seen in the region.
    origin : str. region, whole curve, or default.
    """

    from_share: float
    to_share: float
    share: float
    bend_share: float
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


def restricted_log_likelihood(
    series: Sequence[Series],
    remount_variance: ArrayLike,
    day_variance: ArrayLike,
    *,
    exponent_sd: float,
) -> np.ndarray:
    r"""Return how likely the sessions are under each pair of variances of mounting and day.

    Parameters
    ----------
    series : sequence of Series. Each with a level of its own.
    remount_variance, day_variance : array_like. Variances to try, one row of each.
    exponent_sd : float. 1 SD of the error of the correction's exponent of the air's density.

    Returns
    -------
    ndarray. Natural logarithm, up to a constant; one a pair of variances.

    Raises
    ------
    ValueError. If a variance is negative.

    Notes
    -----
    The level of session *i* of a bike is

    .. math:: y_i = \mu + M_{m(i)} + D_{d(i)} + b x_i + e_i

    with *M* and *D* of the variances tried, :math:`e_i` of the variance known, :math:`x_i` the ln
    density about its mean and :math:`b` normal of SD `exponent_sd`. The restricted (residual)
    likelihood [1]_ is that of what no :math:`\mu` can explain:

    .. math:: -\tfrac12 (\ln |V| + \ln |X^T V^{-1} X| + y^T P y)

    *V* falls apart into blocks of sessions that share a mounting or a day; the line in *x* is
    carried as a second column of *X* with a prior. Days are taken as each bike's own.

    Examples
    --------
    >>> pair = Series(*map(np.array, ([0.0, 0.01], [1e-5, 1e-5], [0, 1], [0, 0], [0.0, 0.0])))
    >>> found = restricted_log_likelihood([pair], [1e-5, 4e-5, 4e-4], [0.0] * 3, exponent_sd=0.1)
    >>> int(found.argmax())
    1

    References
    ----------
    .. [1] H. D. Patterson and R. Thompson, "Recovery of inter-block information when block sizes
       are unequal," Biometrika, vol. 58, no. 3, pp. 545-554, 1971 (from memory).
    """
    require("remount_variance", remount_variance, at_least=0.0)
    require("day_variance", day_variance, at_least=0.0)
    remount, day = np.broadcast_arrays(
        np.asarray(remount_variance, dtype=float), np.asarray(day_variance, dtype=float)
    )
    alike = list(_alike(series))
    width = max((level.shape[1] for _, level, _ in alike), default=0)
    counts = np.array([count for _, _, count in alike], dtype=float)
    blocks: dict[int, list[_Block]] = {}
    for number, (one, level, _) in enumerate(alike):
        padded = np.pad(level, ((0, 0), (0, width - level.shape[1])))
        for block in _blocks(one, padded, number, exponent_sd):
            blocks.setdefault(block.design.shape[0], []).append(block)
    cross = np.zeros((len(alike), remount.size, 2, 2 + width))
    log_det, squares = np.zeros(remount.shape), np.zeros(remount.shape)
    for of_size in blocks.values():
        for start in range(0, len(of_size), BLOCKS_AT_ONCE):
            some = of_size[start : start + BLOCKS_AT_ONCE]
            design = np.array([block.design for block in some])
            covariance = (
                np.array([np.diag(block.variance) for block in some])
                + remount[:, None, None, None] * np.array([block.same_mounting for block in some])
                + day[:, None, None, None] * np.array([block.same_day for block in some])
            )
            places = np.array([block.series for block in some])
            if design.shape[1] == 1:
                # Those of a series that are known as well are told by their sums.
                told = np.column_stack([places, [block.variance[0] for block in some]])
                _, one_of, which = np.unique(told, axis=0, return_index=True, return_inverse=True)
                row, is_of = design[:, 0], np.eye(one_of.size)[:, which]
                per = 1.0 / covariance[:, one_of, 0, 0]
                log_det -= np.log(per) @ (is_of @ counts[places])
                squares += per @ (is_of @ np.square(row[:, 2:]).sum(axis=1))
                products = np.tensordot(is_of, row[:, :2, None] * row[:, None, :], axes=1)
                found, places = per[..., None, None] * products, places[one_of]
            else:
                log_det += np.linalg.slogdet(covariance)[1] @ counts[places]
                weighted = np.linalg.solve(covariance, design[None])
                squares += np.sum(weighted[..., 2:] * design[..., 2:], axis=(1, 2, 3))
                found = design[..., :2].transpose(0, 2, 1) @ weighted
            # Blocks stand in the order of their series.
            first = np.flatnonzero(np.diff(places, prepend=-1))
            cross[places[first]] += np.add.reduceat(found, first, axis=1).swapaxes(0, 1)
    # Design columns: 1, the line times its SD, the levels. The line's prior then is 1.
    of_mean, mixed, of_line = cross[..., 0, 0], cross[..., 0, 1], cross[..., 1, 1] + 1.0
    mean_mean, mean_line, line_line = (
        np.sum(cross[..., one, 2:] * cross[..., other, 2:], axis=-1)
        for one, other in ((0, 0), (0, 1), (1, 1))
    )
    determinant = of_mean * of_line - mixed**2
    explained = (of_line * mean_mean - 2.0 * mixed * mean_line + of_mean * line_line) / determinant
    return -0.5 * (log_det + squares + counts @ np.log(determinant) - explained.sum(axis=0))


def _alike(series: Sequence[Series]) -> Iterator[tuple[Series, np.ndarray, int]]:
    """Yield series that differ in their levels alone, as one: with levels, and how many they are.

    The likelihood knows them by the sum of y y': more of them than sessions are told by as many
    columns of a triangle with the same sum.
    """
    found: dict[tuple[bytes, ...], list[Series]] = {}
    for one in series:
        ties = np.equal.outer(one.mounting, one.mounting), np.equal.outer(one.day, one.day)
        told = (np.asarray(one.variance, dtype=float), np.asarray(one.density, dtype=float), *ties)
        found.setdefault(tuple(part.tobytes() for part in told), []).append(one)
    for some in found.values():
        level = np.array([one.level - np.mean(one.level) for one in some])
        if level.shape[0] > level.shape[1]:
            level = np.asarray(np.linalg.qr(level, mode="r"))
        yield some[0], level.T, len(some)


class _Block(NamedTuple):
    """Sessions of a series that hang together."""

    design: np.ndarray
    variance: np.ndarray
    same_mounting: np.ndarray
    same_day: np.ndarray
    series: int


def _blocks(one: Series, level: np.ndarray, number: int, exponent_sd: float) -> list[_Block]:
    """Return a series cut where sessions share neither mounting nor day."""
    density = np.asarray(one.density, dtype=float)
    seen = np.isfinite(density)
    line = np.where(seen, density - (density[seen].mean() if seen.any() else 0.0), 0.0)
    whole = np.column_stack([np.ones(line.size), exponent_sd * line, level])
    same_mounting = np.equal.outer(one.mounting, one.mounting)
    same_day = np.equal.outer(one.day, one.day)
    # What all sessions share is the series' own level, and tells of no scatter.
    same_mounting = same_mounting & ~same_mounting.all()
    same_day = same_day & ~same_day.all()
    part = _hanging_together(same_mounting | same_day)
    found = []
    for name in np.unique(part):
        at = np.flatnonzero(part == name)
        inside = np.ix_(at, at)
        found.append(
            _Block(whole[at], one.variance[at], same_mounting[inside], same_day[inside], number)
        )
    return found


def _hanging_together(is_tied: np.ndarray) -> np.ndarray:
    """Return for each row the first one that it is tied to, through others too.

    A series is seldom longer than a few rows: a library for large graphs takes ten times as long.
    """
    part = np.arange(is_tied.shape[0])
    while True:
        reached = np.minimum(np.where(is_tied, part, part.size).min(axis=1), part)
        if np.array_equal(reached, part):
            return part
        part = reached


def agreement_fit(agreements: Sequence[Agreement], remount_variance: ArrayLike) -> np.ndarray:
    r"""Return how well bikes with one change agree for each variance of mounting.

    Parameters
    ----------
    agreements : sequence of Agreement. Three bikes and more each.
    remount_variance : array_like. Variances to try.

    Returns
    -------
    ndarray. Natural logarithm of the likelihood, 0 where it is greatest; one a variance.

    Raises
    ------
    ValueError. If a variance is negative.

    Notes
    -----
    Bikes may truly differ. The restricted likelihood of

    .. math:: g_i \sim N(\mu,\ v_i + 2 m^2 + \tau^2)

    is averaged over the spread :math:`\tau` of each change: nothing with a chance of `ALIKE_SHARE`,
    else half-normal with what is usual in the shop, and then over what is usual, half-t with the
    scale of `pooling.BETWEEN_BIKES_SHARE`. Without that chance a part that gives nothing to any
    bike would lend its bikes a spread they do not have, and *m* came out a tenth too small. A best
    :math:`\tau` for each change would not do: chance makes some changes agree too well, none of the
    others could answer, and *m* would fall without end as changes come in. So bikes that agree
    better than *m* allows speak against it, and bikes that differ by more than bikes do speak for a
    larger one. A choice of ours, no source.

    Examples
    --------
    >>> alike = Agreement(np.array([0.0, 1e-4] * 6), np.full(12, 1e-6))
    >>> agreement_fit([alike], [1e-8, 1e-4]).round(0)
    array([  0., -29.])
    """
    require("remount_variance", remount_variance, at_least=0.0)
    tried = np.asarray(remount_variance, dtype=float)
    spread, usual = np.append(0.0, np.geomspace(1e-4, 0.1, 36)), np.geomspace(2e-4, 0.05, 24)
    away = spread / usual[:, None]
    share = away * np.exp(-0.5 * away**2)
    share *= (1.0 - ALIKE_SHARE) / share.sum(axis=1, keepdims=True)
    share[:, 0] = ALIKE_SHARE
    # On grids of even steps of ln, a prior's density counts times the spread itself.
    away = (usual / BETWEEN_BIKES_SHARE) ** 2 / PRIOR_DOF
    total = np.log(usual) - 0.5 * (PRIOR_DOF + 1.0) * np.log1p(away) + np.zeros((tried.size, 1))
    for one in agreements:
        variance = one.variance + 2.0 * tried[:, None, None] + spread[:, None] ** 2
        weight = 1.0 / variance
        whole = weight.sum(axis=2)
        mean = weight @ one.gain / whole
        squares = weight @ one.gain**2 - whole * mean**2
        fits = -0.5 * (np.log(variance).sum(axis=2) + np.log(whole) + squares)
        best = fits.max(axis=1, keepdims=True)
        total = total + best + np.log(np.exp(fits - best) @ share.T)
    found = special.logsumexp(total, axis=1)
    return found - found.max(initial=-np.inf)


def session_scatter(
    series: Sequence[Series],
    agreements: Sequence[Agreement] = (),
    *,
    default_remount_share: float,
    default_day_share: float,
    exponent_sd: float,
    pulls_variance: float,
    held_times: float = 0.0,
) -> SessionScatter:
    r"""Return remounting and day, estimated together from all sessions that tell of them.

    Parameters
    ----------
    series : sequence of Series. Sessions of one bike between which nothing changed.
    agreements : sequence of Agreement, optional. Changes that several bikes had.
    default_remount_share, default_day_share : float. The medians of the prior. [0..1]
    exponent_sd : float. As for `restricted_log_likelihood`.
    pulls_variance : float. What the pulls leave on a usual session: see the notes.
    held_times : float, optional. Times the default that an interval must hold as long as the
        sessions leave that as likely as it was.

    Returns
    -------
    SessionScatter. Remounting, day, and both as one.

    Raises
    ------
    ValueError. If a default or the pulls' variance is not above 0.

    Notes
    -----
    The posterior is summed over a grid of both standard deviations. Prior: each is lognormal and
    independent of the other, `PRIOR_LN_SD` about its default, so two shops in three lie within
    half and double of it (a choice of ours, no source: weak, and proper without a single pair).

    Each part *V* is then handed on as an SD and degrees of freedom that give, put together with
    the pulls' known variance *k* by Satterthwaite's formula, the posterior's own interval of 95 %.
    With *q* the 97.5 % point of a normal error of variance :math:`T = k + V` over the posterior:

    .. math:: S = q / t_{0.975, \nu_T}, \quad s^2 = S^2 - k, \quad \nu = \nu_T\, s^4 / S^4

    :math:`\nu_T` makes :math:`S^2` the median of *T*, if that is from `LEAST_DOF` to `MOST_DOF`.
    So what is not known of a part makes its SD larger: without a session 1.06 % for 0.8 %.

    That interval is right over all shops of the prior, and too narrow in one of twice the default,
    which with two or three pairs of its own had 91 of 100. With *d* the default and
    *c* = `held_times`, *q* therefore becomes

    .. math:: q + \min\!\left(\frac{P(V > c^2 d^2 \mid \text{sessions})}{P(V > c^2 d^2)},\ 1\right)
        \max(z_{0.975} \sqrt{k + c^2 d^2} - q,\ 0)

    in full where nothing is known or the sessions scatter much, not at all where they rule so much
    out. So it widens where a shop of *c* times the default would stand, as Neyman and Pearson's
    ratio would have it, and hardly one that is better than its default. Design of ours, no source.

    Examples
    --------
    >>> found = session_scatter([], default_remount_share=0.008, default_day_share=0.004,
    ...                         exponent_sd=0.17, pulls_variance=8e-6)
    >>> found.remount.prior_weight
    1.0
    """
    require("default_remount_share", default_remount_share, above=0.0)
    require("default_day_share", default_day_share, above=0.0)
    require("pulls_variance", pulls_variance, above=0.0)
    defaults = np.log([default_remount_share, default_day_share])
    before = _known([], [], defaults, exponent_sd)
    after = _known(series, agreements, defaults, exponent_sd)
    medians = (*np.exp(defaults), math.hypot(default_remount_share, default_day_share))
    return SessionScatter(
        *(
            _scatter(part, prior, pulls_variance, median, held_times)
            for part, prior, median in zip(after, before, medians, strict=True)
        )
    )


class _Part(NamedTuple):
    """Variances of a part of the scatter, rising, and their weights, which add up to 1."""

    variance: np.ndarray
    weights: np.ndarray

    @property
    def below(self) -> np.ndarray:
        """Return the chance below each."""
        return np.cumsum(self.weights) - self.weights / 2.0

    @property
    def log_sd(self) -> float:
        """Return how widely ln SD is spread."""
        log = np.log(self.variance) / 2.0
        return math.sqrt(float(self.weights @ (log - self.weights @ log) ** 2))

    def above(self, variance: float) -> float:
        """Return the chance of more."""
        return 1.0 - float(np.interp(math.log(variance), np.log(self.variance), self.below))


def _known(
    series: Sequence[Series],
    agreements: Sequence[Agreement],
    defaults: np.ndarray,
    exponent_sd: float,
) -> list[_Part]:
    """Return what is known of mounting, day and both: on a wide raster, then where it matters."""
    axes = [centre + PRIOR_LN_SD * np.linspace(-4.0, 4.0, GRID) for centre in defaults]
    weights = _posterior(series, agreements, axes, defaults, exponent_sd)
    axes = [_finer(axes[0], weights.sum(axis=1)), _finer(axes[1], weights.sum(axis=0))]
    return _parts(axes, _posterior(series, agreements, axes, defaults, exponent_sd))


def _posterior(
    series: Sequence[Series],
    agreements: Sequence[Agreement],
    axes: list[np.ndarray],
    defaults: np.ndarray,
    exponent_sd: float,
) -> np.ndarray:
    """Return the posterior over ln SD of mounting (rows) and of a day; it adds up to 1."""
    remount, day = (np.exp(2.0 * axis) for axis in axes)
    from_mean = [(axis - centre) / PRIOR_LN_SD for axis, centre in zip(axes, defaults, strict=True)]
    log = -0.5 * np.add.outer(from_mean[0] ** 2, from_mean[1] ** 2)
    if agreements:
        log += agreement_fit(agreements, remount)[:, None]
    if series:
        tried = np.repeat(remount, day.size), np.tile(day, remount.size)
        found = restricted_log_likelihood(series, *tried, exponent_sd=exponent_sd)
        log += found.reshape(log.shape)
    weights = np.exp(log - log.max())
    return weights / weights.sum()


def _finer(axis: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Return an axis over what carries weight, and a step beyond on either side."""
    carries = np.flatnonzero(weights > NEGLIGIBLE * weights.max())
    step = axis[1] - axis[0]
    return np.linspace(axis[carries[0]] - step, axis[carries[-1]] + step, GRID)


def _parts(axes: list[np.ndarray], weights: np.ndarray) -> list[_Part]:
    """Return mounting, day and both."""
    remount, day = (np.exp(2.0 * axis) for axis in axes)
    both = np.add.outer(remount, day).ravel()
    order = np.argsort(both)
    return [
        _Part(remount, weights.sum(axis=1)),
        _Part(day, weights.sum(axis=0)),
        _Part(both[order], weights.ravel()[order]),
    ]


def _dof_of(critical: float) -> float:
    """Return the degrees of freedom whose 97.5 % point of t is so large, within what is used."""
    if critical <= special.stdtrit(MOST_DOF, 0.975):
        return MOST_DOF
    if critical >= special.stdtrit(LEAST_DOF, 0.975):
        return LEAST_DOF
    found = optimize.root_scalar(
        lambda dof: float(special.stdtrit(dof, 0.975)) - critical, bracket=(LEAST_DOF, MOST_DOF)
    )
    return float(found.root)


def _scatter(part: _Part, before: _Part, known: float, median: float, held_times: float) -> Scatter:
    """Return a part as an SD and degrees of freedom: see the notes of `session_scatter`."""
    total = known + part.variance
    middle = float(np.interp(0.5, part.below, total))

    def beyond(half: float) -> float:
        return float(part.weights @ special.ndtr(-half / np.sqrt(total))) - 0.025

    half = optimize.root_scalar(beyond, bracket=(0.0, 4.0 * math.sqrt(float(total.max())))).root
    more = 0.0
    if held_times:
        limit = (held_times * median) ** 2
        left = min(part.above(limit) / before.above(limit), 1.0)
        more = left * max(float(special.ndtri(0.975)) * math.sqrt(known + limit) - half, 0.0)
    share, dof = _handed_on(half + more, middle, known)
    below_median = float(part.weights[part.variance < median**2].sum())
    return Scatter(
        share,
        dof,
        _handed_on(half, middle, known)[0] if more else share,
        math.sqrt(middle - known),
        min((part.log_sd / before.log_sd) ** 2, 1.0),
        below_median,
        1.0 - below_median,
    )


def _handed_on(half: float, middle: float, known: float) -> tuple[float, float]:
    """Return SD and degrees of freedom that give half an interval, and *T* its median."""
    total_dof = _dof_of(half / math.sqrt(middle))
    whole = (half / float(special.stdtrit(total_dof, 0.975))) ** 2
    own = max(whole - known, 0.0)
    return math.sqrt(own), max(total_dof * (own / whole) ** 2, 1.0)


def steady_spells(levels: ArrayLike) -> np.ndarray:
    r"""Say which sessions of a bike lie within one steady spell of its level.

    Parameters
    ----------
    levels : array_like. Levels in order of time.

    Returns
    -------
    ndarray. Number of the spell of each, counted from 0.

    Raises
    ------
    ValueError. If the levels are not one row.

    Notes
    -----
    The row is cut where two means differ most, if by more than `SPELL_LIMIT` of their standard
    error, and each part again. The scatter is that of successive differences, by their median:
    a step touches one of them. A dyno that moved once is no dyno that scatters from day to day.
    Design of ours, no source; the limit by simulation (tests).

    Examples
    --------
    >>> steady_spells([0.0, 0.1, 0.0, 0.1, 3.0, 3.1, 3.0, 3.1])
    array([0, 0, 0, 0, 1, 1, 1, 1])
    """
    row = np.asarray(levels, dtype=float)
    if row.ndim != 1:
        raise ValueError(f"levels must be one row, got shape {row.shape}")
    if row.size < 2 * LEAST_SPELL:
        return np.zeros(row.size, dtype=int)
    # Of a normal, the median of |x| is 0.6745 of its SD; a difference has the root of 2 more.
    sd = float(np.median(np.abs(np.diff(row)))) / (0.6745 * math.sqrt(2.0))
    begins = np.zeros(row.size, dtype=int)
    parts = [(0, row.size)]
    while parts:
        first, end = parts.pop()
        before = np.arange(LEAST_SPELL, end - first - LEAST_SPELL + 1)
        if before.size == 0:
            continue
        after = end - first - before
        sums = np.cumsum(row[first:end])
        apart = sums[before - 1] / before - (sums[-1] - sums[before - 1]) / after
        size = np.abs(apart) / np.sqrt(1.0 / before + 1.0 / after)
        at = int(size.argmax())
        if size[at] > SPELL_LIMIT * sd:
            middle = first + int(before[at])
            begins[middle] = 1
            parts += [(first, middle), (middle, end)]
    return np.cumsum(begins)


def air_exponent(series: Sequence[Series]) -> AirExponent:
    r"""Return what the correction leaves of the air, from a control bike's sessions.

    Parameters
    ----------
    series : sequence of Series. The control bike's sessions, a series a steady spell.

    Returns
    -------
    AirExponent. The default's share, or more where the sessions show a slope.

    Raises
    ------
    ValueError. If the series are not of equal length throughout.

    Notes
    -----
    A line through level against ln density, each series about its own means. A slope that its 95 %
    interval sets apart from 0 counts with :math:`\sqrt{b^2 - s_b^2}`, if that is more than the
    default. One that shows none does not make the default less: other engines follow the air
    by exponents of their own. Design of ours, no source.

    Examples
    --------
    >>> air_exponent([]).share == DEFAULT_AIR_EXPONENT_SHARE
    True
    """
    lines, levels = [], []
    for one in series:
        seen = np.isfinite(one.density)
        if seen.sum() >= 2:
            lines.append(one.density[seen] - one.density[seen].mean())
            levels.append(one.level[seen] - one.level[seen].mean())
    nothing = AirExponent(DEFAULT_AIR_EXPONENT_SHARE, math.nan)
    dof = sum(line.size - 1 for line in lines) - 1
    if dof < LEAST_SLOPE_DOF:
        return nothing
    line, level = np.concatenate(lines), np.concatenate(levels)
    squares = float(line @ line)
    if squares < LEAST_DENSITY_SD**2 * (dof + 1):
        return nothing
    slope = float(line @ level) / squares
    left = level - slope * line
    slope_sd = math.sqrt(float(left @ left) / dof / squares)
    if abs(slope) <= float(special.stdtrit(dof, 0.975)) * slope_sd:
        return nothing
    shown = math.sqrt(slope**2 - slope_sd**2)
    return AirExponent(max(shown, DEFAULT_AIR_EXPONENT_SHARE), slope)


def remount_shapes(
    speed_shares: ArrayLike, regions: Sequence[RegionRemount], *, remount_share: float
) -> np.ndarray:
    r"""Return what one mounting adds along a curve, as independent smooth shapes.

    Parameters
    ----------
    speed_shares : array_like. Speeds as shares of the speed at peak power. [1]
    regions : sequence of RegionRemount. Three regions of one width, in order of speed.
    remount_share : float. What one mounting adds to the level, 1 SD on the ln scale. [0..1]

    Returns
    -------
    ndarray. 1 SD at each speed, with sign, a row for each of three shapes.

    Raises
    ------
    ValueError. If there are not three regions, or `remount_share` is negative.

    Notes
    -----
    In region *i* a mounting adds :math:`l + c_i`: its level *l* of variance :math:`m^2`, and its
    bend there, the distance from the mean of the three, of variance :math:`b_i^2`. With the share
    :math:`s_i` of the region, and as the bends add up to 0,

    .. math::
        \operatorname{cov}(l, c_i) &= (s_i^2 - m^2 - b_i^2) / 2 \\
        \operatorname{cov}(c_i, c_j) &= (b_k^2 - b_i^2 - b_j^2) / 2

    with *k* the third. So a tilt is :math:`b_2 = 0,\ b_1 = b_3`, and what lifts the top alone is
    :math:`b_1 = b_2 = m,\ b_3 = 2 m,\ s_1 = s_2 = 0`. Where no three bends could have such
    variances, what is negative in that matrix is left out, which makes them larger. Its roots
    stand at the middles of the regions; a line joins them and goes on beyond, as a tilt does: a
    shape that stayed at the outer middles' size would make a band too narrow at the ends of a
    sweep. Design of ours, no source.

    Examples
    --------
    >>> edges, bends = [0.4, 0.65, 0.9, 1.15], [0.003, 0.0, 0.003]
    >>> tilted = [RegionRemount(low, high, math.hypot(0.004, bend), bend, 9.0, 9, "region")
    ...           for low, high, bend in zip(edges, edges[1:], bends)]
    >>> shapes = remount_shapes([0.4, 0.525, 0.775, 1.025], tilted, remount_share=0.004)
    >>> 1e6 * (shapes**2).sum(axis=0)  # 16 of the level, and 9 of the bend; 1.5^2 of it at the end
    array([36.25, 25.  , 16.  , 25.  ])
    """
    require("remount_share", remount_share, at_least=0.0)
    if len(regions) != 3:
        raise ValueError(f"regions must be 3 regions, got {len(regions)}")
    bend = np.array([region.bend_share**2 for region in regions])
    both = np.add.outer(bend, bend)
    covariance = np.full((4, 4), remount_share**2)
    covariance[1:, 1:] = np.where(np.eye(3, dtype=bool), bend, bend.sum() / 2.0 - both)
    of_region = np.array([region.share**2 for region in regions])
    tied = (of_region - remount_share**2 - bend) / 2.0
    covariance[0, 1:] = covariance[1:, 0] = tied - tied.mean()
    values, vectors = np.linalg.eigh(covariance)
    level, *at_middles = vectors[:, 1:] * np.sqrt(np.maximum(values[1:], 0.0))
    low, middle, high = ((one.from_share + one.to_share) / 2.0 for one in regions)
    speed = np.asarray(speed_shares, dtype=float)
    below = np.minimum(speed - middle, 0.0) / (low - middle)
    above = np.maximum(speed - middle, 0.0) / (high - middle)
    parts = np.stack([below, 1.0 - below - above, above])
    return level[:, None] + np.transpose(at_middles) @ parts


def tie_to_level(bends: Sequence[Series], levels: Sequence[ArrayLike]) -> float:
    r"""Return how a mounting's bend in a region goes with its level.

    Parameters
    ----------
    bends : sequence of Series. The bend in the region of each session.
    levels : sequence of array_like. The level of each, on the ln scale.

    Returns
    -------
    float. Their correlation; 0 where it may be chance.

    Raises
    ------
    ValueError. If there are not as many levels as bends.

    Notes
    -----
    Pooled within series. A correlation within :math:`2/\sqrt\nu` of 0, two standard errors, counts
    as none: of few mountings it would make a band narrow by luck. Design of ours, no source.

    Examples
    --------
    >>> bend = np.array([-0.01, 0.0, 0.01, 0.0, -0.01, 0.01])
    >>> one = Series(bend, 0.0 * bend, np.arange(6), 0.0 * bend, 0.0 * bend)
    >>> tie_to_level([one], [2.0 * bend])
    1.00
    >>> tie_to_level([one], [bend**2])
    0.00
    """
    cross, dof = np.zeros((2, 2)), 0
    for one, level in zip(bends, levels, strict=True):
        pair = np.stack([one.level, np.asarray(level, dtype=float)])
        pair = pair - pair.mean(axis=1, keepdims=True)
        cross += pair @ pair.T
        dof += one.level.size - 1
    squares = float(cross[0, 0] * cross[1, 1])
    if squares == 0.0 or cross[0, 1] ** 2 * dof <= 4.0 * squares:
        return 0.0
    return float(cross[0, 1]) / math.sqrt(squares)
