"""Heat soak and warm-up that go on from one session into the next, and what they do to a gain."""

import math
from collections.abc import Hashable, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize

from flows.metrics.domain_checks import require
from flows.metrics.pooling import tau_squared

COOLING_S = (600.0, 1800.0)
"""Within these lies the time in which an engine at rest loses 63 % of its heat: a fan before it or
none, its oil hot or its skin alone. Common practice, no source."""

LONG_REST_S = 1200.0
"""From here on a rest is a pause and not the usual one between two pulls: common practice, no
source."""

NODES = 5
"""Gauss nodes over the cooling time: what is left of a rest is then right to 1e-4."""

USUAL_REST_S = 180.0
"""Between two pulls, where a session tells none: common practice, no source."""

DEFAULT_SLOPE_SHARE = 0.007
"""1 SD of the change of power a pull, until the shop has its own: wide enough that 0.4 % a pull,
a hard soak by common practice (no source), is taken out to a twelfth by three pulls a side that
scatter by 0.4 %."""

TOGETHER_FROM = 2.0
"""Standard errors by which lines explain more than chance lets them before pulls are taken to hang
together: by chance one shop in 44. Its intervals are too wide, which costs less than those too
narrow of a shop of too few sessions to be sure."""

MOST_TOGETHER = 0.9
"""From here on pulls that hang together and a level of the session cannot be told apart."""

LEAST_SESSIONS = 8
"""Sessions with a slope before the shop's own slopes count, as for its repeatability."""


class Places(NamedTuple):
    """Where the pulls of some sessions stand on one course of heating.

    Attributes
    ----------
    places : list of ndarray. A session each: pulls that the engine still feels, before each pull.
    loose : list of float. 1 SD of the whole session's place, for what a rest took back is not
        known; of all sessions the same way at once.
    is_assumed : bool. Whether times were missing, so that it is assumed that it may go on.
    """

    places: list[np.ndarray]
    loose: list[float]
    is_assumed: bool


class Slope(NamedTuple):
    """How power usually changes from pull to pull, before a pair says anything itself.

    Attributes
    ----------
    mean : float. Usual change of ln power a pull. [1]
    sd : float. How much bikes differ in it. [1]
    is_assumed : bool. Whether it is the stated default.
    """

    mean: float
    sd: float
    is_assumed: bool


def soak_places(
    started_s: Sequence[ArrayLike], pulls: Sequence[int], days: Sequence[Hashable]
) -> Places:
    r"""Return how many pulls the engine still feels at each pull of some sessions.

    Parameters
    ----------
    started_s : sequence of array_like. Start times of each session's pulls, NaN where not known,
        on one clock; the sessions in the order run. [s]
    pulls : sequence of int. Number of pulls of each session.
    days : sequence of hashable. Day of each session; equal where nothing says otherwise.

    Returns
    -------
    Places. Place of each pull, looseness of each session.

    Raises
    ------
    ValueError. If the sessions differ in number, or times in number from the pulls.

    Notes
    -----
    Each pull adds one. A rest of *g*, where :math:`g_0` is the usual one between two pulls, leaves

    .. math:: c = e^{-(g - g_0)/T}, \qquad T \sim U(10\,\text{min}, 30\,\text{min})

    of it (Newton's law of cooling), all of it where *g* is shorter, nothing on another day. The
    places are means over *T*, and loose by their SD over *T*; the same *T* in all rests, for it is
    the same engine. Of a clock that runs backwards *c* is anything from 0 to 1. Without times *c*
    is 0 or 1 and nobody knows which. What is only assumed shifts nothing: the places stay those of
    :math:`c = 0`, loose by the root mean square of the other, :math:`1/\sqrt 2` of it. Times that
    do not rise are none. The range of *T* is ours, no source.

    Examples
    --------
    >>> soak_places([[0.0, 180.0], [360.0, 540.0]], [2, 2], [1, 1]).places
    [array([0., 1.]), array([2., 3.])]
    >>> soak_places([[0.0, 180.0], [1980.0, 2160.0]], [2, 2], [1, 1]).places[1].round(2)
    array([0.5, 1.5])
    """
    if not len(started_s) == len(pulls) == len(days):
        raise ValueError("started_s, pulls and days must name the same sessions")
    times = [np.asarray(one, dtype=float) for one in started_s]
    if any(one.shape != (count,) for one, count in zip(times, pulls, strict=True)):
        raise ValueError("started_s must hold one time a pull")
    is_timed = [bool(one.size and np.isfinite(one).all() and (np.diff(one) > 0).all())
                for one in times]  # fmt: skip
    usual = _usual_rest(times, is_timed)
    rests = _rests(times, is_timed, days, usual)
    node, weight = np.polynomial.legendre.leggauss(NODES)
    shares, weight = (node + 1.0) / 2.0, weight / 2.0
    tried = [_placed(rests, usual, share, unknown=0.0) for share in shares]
    # From one of them on: what all have alike stays so to the last digit.
    places = [
        one[0] + np.tensordot(weight, np.array(one) - one[0], axes=1)
        for one in zip(*tried, strict=True)
    ]
    middles = np.array([[one.mean() for one in placed] for placed in tried])
    loose = np.sqrt(weight @ (middles - weight @ middles) ** 2)
    is_assumed = any(np.isnan(one).any() for one in rests)
    if is_assumed:
        most = _placed(rests, usual, 0.5, unknown=1.0)
        apart = [(high - low).mean() for low, high in zip(places, most, strict=True)]
        loose = np.hypot(loose, np.array(apart) / math.sqrt(2.0))
    return Places(places, loose.tolist(), is_assumed)


def _usual_rest(times: Sequence[np.ndarray], is_timed: Sequence[bool]) -> float:
    """Return the usual time from pull to pull within a session."""
    rests = [np.diff(one) for one, known in zip(times, is_timed, strict=True) if known]
    rests = np.concatenate(rests) if rests else np.empty(0)
    rests = rests[rests < LONG_REST_S]
    return float(np.median(rests)) if rests.size else USUAL_REST_S


def _rests(
    times: Sequence[np.ndarray], is_timed: Sequence[bool], days: Sequence[Hashable], usual: float
) -> list[np.ndarray]:
    """Return the rest before each pull: NaN where not known, inf where nothing went before."""
    rests: list[np.ndarray] = []
    for number, time in enumerate(times):
        within = np.diff(time) if is_timed[number] else np.full(max(time.size - 1, 0), usual)
        before = math.nan
        if number == 0 or days[number] != days[number - 1]:
            before = math.inf
        elif is_timed[number] and is_timed[number - 1]:
            before = float(time[0] - times[number - 1][-1])
        rests.append(np.array([before, *within][: time.size]))
    return rests


def _placed(
    rests: Sequence[np.ndarray], usual: float, share: float, *, unknown: float
) -> list[np.ndarray]:
    """Return the place of each pull where cooling is so far along its range."""
    cooling = COOLING_S[0] + share * (COOLING_S[1] - COOLING_S[0])
    placed: list[np.ndarray] = []
    last = 0.0
    for of_session in rests:
        places = []
        for rest in of_session:
            keep = math.exp(-max(rest - usual, 0.0) / cooling)
            if math.isnan(rest):
                keep = unknown
            elif rest <= 0.0:
                keep = share
            last = keep * last
            places.append(last)
            last += 1.0
        placed.append(np.array(places))
    return placed


def usual_slope(slopes: ArrayLike, sds: ArrayLike) -> Slope:
    r"""Return how power usually changes from pull to pull in a shop.

    Parameters
    ----------
    slopes : array_like. Change of ln power a pull, one a session. [1]
    sds : array_like. Standard error of each. [1]

    Returns
    -------
    Slope. Its mean and spread over sessions, widened for what is not known of them.

    Raises
    ------
    ValueError. If the two differ in length or a standard error is not above 0.

    Notes
    -----
    The mean and the spread :math:`\tau` between sessions of a random-effects model
    (`pooling.tau_squared`). With *k* sessions the variance used is :math:`\tau^2` with one
    standard error of it, :math:`\sqrt{2/(k-1)}\,(\tau^2 + \bar s^2)`, and that of the mean: a
    spread told too small would make every interval too narrow. Below 8 sessions, the default.

    Examples
    --------
    >>> usual_slope([-0.004] * 4, [0.002] * 4)
    Slope(mean=0.0, sd=0.007, is_assumed=True)
    """
    slope, sd = np.asarray(slopes, dtype=float), np.asarray(sds, dtype=float)
    if slope.shape != sd.shape:
        raise ValueError(f"slopes and sds must be of one length, got {slope.shape}, {sd.shape}")
    require("sds", sd, above=0.0)
    if slope.size < LEAST_SESSIONS:
        return Slope(0.0, DEFAULT_SLOPE_SHARE, True)
    between = tau_squared(slope, sd**2)
    weight = 1.0 / (between + sd**2)
    usual_variance = 1.0 / float(np.mean(1.0 / sd**2))
    unsure = math.sqrt(2.0 / (slope.size - 1.0)) * (between + usual_variance)
    variance = between + unsure + 1.0 / float(weight.sum())
    return Slope(float(weight @ slope / weight.sum()), math.sqrt(variance), False)


def less_trend(sds: ArrayLike, slopes: ArrayLike, pulls: ArrayLike) -> np.ndarray:
    r"""Return how sessions scatter, without the trend that a shop's sessions have in common.

    Parameters
    ----------
    sds : array_like. Standard deviation of the pulls' ln levels in each session. [1]
    slopes : array_like. Change of ln power a pull by least squares; NaN where it is not of all of
        these pulls. [1]
    pulls : array_like of int. Pulls of each session.

    Returns
    -------
    ndarray. The standard deviations, all made smaller in one proportion.

    Raises
    ------
    ValueError. If a standard deviation is negative or the rows differ in length.

    Notes
    -----
    The usual slope is known to `carried_over`, and is not to count as scatter too. With
    :math:`S_i = (n_i - 1) s_i^2` and :math:`X_i = n_i (n_i^2 - 1) / 12`, the places' squares about
    their mean, the slope in common is :math:`\bar b = \sum X_i b_i / \sum X_i`, and the squares
    about it :math:`\sum S_i - \bar b^2 \sum X_i` on a degree of freedom less (analysis of
    covariance, algebra). All variances are multiplied by

    .. math:: \frac{\sum S_i - \bar b^2 \sum X_i}{\sum S_i}
        \cdot \frac{\sum (n_i - 1)}{\sum (n_i - 1) - 1}

    but never made larger. Slopes that differ from session to session stay scatter: pulls that hang
    together make such, and their mean is less sure than a line would have it.

    Examples
    --------
    >>> float(less_trend([0.005] * 20, [0.0048] * 20, [3] * 20).max().round(5))
    0.00142
    >>> float(less_trend([0.005] * 20, [0.0048, -0.0048] * 10, [3] * 20).max())
    0.005
    """
    require("sds", sds, at_least=0.0)
    sd, slope, count = (np.asarray(one, dtype=float) for one in (sds, slopes, pulls))
    if not sd.shape == slope.shape == count.shape:
        raise ValueError(f"sds, slopes and pulls must be rows of one length, got {sd.shape}")
    told = np.isfinite(slope) & (count > 1.0)
    n = count[told]
    places = n * (n**2 - 1.0) / 12.0
    whole, dof = float(((n - 1.0) * sd[told] ** 2).sum()), float((n - 1.0).sum())
    if whole == 0.0 or dof < 2.0:
        return sd
    of_trend = float(places @ slope[told]) ** 2 / float(places.sum())
    left = max(whole - of_trend, 0.0) / whole * dof / (dof - 1.0)
    return sd * math.sqrt(min(left, 1.0))


def pulls_together(sds: ArrayLike, slopes: ArrayLike, pulls: ArrayLike) -> float:
    r"""Return how much less sure means of sessions are than if each pull stood for itself.

    Parameters
    ----------
    sds, slopes, pulls : As for `less_trend`.

    Returns
    -------
    float. Times by which the SD of a mean is greater; 1 where nothing shows that pulls hang
        together.

    Notes
    -----
    A line through *n* pulls of a session, apart from the slope in common, takes :math:`Q_i` of
    :math:`S_i`. Where pulls stand for themselves and in any order, that is :math:`1/(n-1)` of it in
    the mean, however much a session scatters; of normal pulls with the variance of the beta
    distribution :math:`\mathrm{B}(1/2, (n-2)/2)`. Where the sum of the parts is `TOGETHER_FROM`
    standard errors above that, the pulls are taken as :math:`C_{jk} = \phi^{|j-k|}`, with the
    :math:`\phi` at which the expected squares of the lines are to those about them as the sums are.
    Of such pulls the variance of a mean is to :math:`s^2/n` as

    .. math:: \frac{1^T C\, 1 / n}{(n - 1^T C\, 1 / n) / (n-1)}

    averaged over the sessions. A first-order autoregression, of a choice of ours (no source); the
    moments by algebra.

    Examples
    --------
    >>> pulls_together([0.005] * 40, [0.0033, -0.0033] * 20, [3] * 40)
    1.0
    >>> pulls_together([0.005] * 40, [0.0045, -0.0045] * 20, [3] * 40) > 2.0
    True
    """
    sd, slope, count = (np.asarray(one, dtype=float) for one in (sds, slopes, pulls))
    told = np.isfinite(slope) & (count > 2.0) & (sd > 0.0)
    sd, slope, n = sd[told], slope[told], count[told]
    if n.size < LEAST_SESSIONS:
        return 1.0
    places = n * (n**2 - 1.0) / 12.0
    rest = np.maximum((n - 1.0) * sd**2 - places * slope**2, 0.0)
    of_line = places * (slope - float(places @ slope) / float(places.sum())) ** 2
    whole = np.maximum(of_line + rest, np.finfo(float).tiny)
    excess = float((of_line / whole - 1.0 / (n - 1.0)).sum())
    if excess <= TOGETHER_FROM * math.sqrt((2 * (n - 2) / ((n - 1) ** 2 * (n + 1))).sum()):
        return 1.0
    lengths, sessions = np.unique(n.astype(int), return_counts=True)

    def expected(together: float) -> tuple[float, float, float]:
        """Return squares of lines, squares about means, and means' variances, over the sessions."""
        found = np.array([_squares(length, together) for length in lengths])
        return tuple(sessions @ found)

    def beyond(together: float) -> float:
        lines, about_means, _ = expected(together)
        return lines / about_means - float(of_line.sum() / whole.sum())

    together = MOST_TOGETHER
    if beyond(MOST_TOGETHER) > 0.0:
        together = optimize.root_scalar(beyond, bracket=(0.0, MOST_TOGETHER)).root
    _, about_means, of_means = expected(together)
    freedom = float(sessions @ (lengths - 1.0)) / float(sessions.sum())
    return math.sqrt(of_means / (about_means / freedom))


def _squares(count: int, together: float) -> tuple[float, float, float]:
    """Return what a line takes, what there is about the mean, and the mean's variance times n."""
    place = np.arange(count) - (count - 1.0) / 2.0
    alike = together ** abs(np.subtract.outer(place, place))
    of_mean = float(alike.sum()) / count
    return float(place @ alike @ place / (place @ place)), count - of_mean, of_mean


def within_trend(levels: Sequence[ArrayLike], places: Sequence[ArrayLike]) -> tuple[float, float]:
    r"""Return the trend that sessions have in common, and how much their pulls say of it.

    Parameters
    ----------
    levels : sequence of array_like. ln level of each pull, a session each. [1]
    places : sequence of array_like. Place of each pull.

    Returns
    -------
    tuple of float. Slope a pull, and the sum of squares of the places about their means; the slope
        is 0 where that is.

    Notes
    -----
    Least squares with a level of its own for each session, so that no gain is in it.

    Examples
    --------
    >>> within_trend([[0.0, -0.01], [0.05, 0.04]], [[0, 1], [2, 3]])
    (-0.01, 1.0)
    """
    away, level = (
        np.concatenate([one - one.mean() for one in map(np.asarray, given)])
        for given in (places, levels)
    )
    squares = float(away @ away)
    return (float(away @ level) / squares if squares else 0.0), squares


def carried_over(
    distance: float,
    distance_sd: float,
    slope: float,
    squares: float,
    usual: Slope,
    pull_variance: float,
    pull_dof: float,
) -> tuple[float, float, float]:
    r"""Return what a trend that goes on puts into a contrast of sessions, and what stays unsure.

    Parameters
    ----------
    distance : float. The contrast of the sessions' mean places. [1]
    distance_sd : float. 1 SD of that. [1]
    slope, squares : float. As `within_trend` returns them.
    usual : Slope. What is known of the slope before these pulls.
    pull_variance : float. Variance of a pull's level. [1]
    pull_dof : float. Degrees of freedom behind that.

    Returns
    -------
    tuple of float
        ln power to be taken off the contrast, 1 SD of what is left, and its degrees of freedom.

    Raises
    ------
    ValueError. If a variance, dof or standard deviation is negative.

    Notes
    -----
    The slope *b* of a bike is taken from a normal distribution, mean :math:`\mu`, SD
    :math:`\beta`; its pulls show :math:`\hat b` with variance :math:`v = s^2 / S_{xx}`, and
    :math:`\hat b` does not depend on the sessions' means. So, with :math:`B = \beta^2/(\beta^2+v)`,

    .. math::
        \tilde b = \mu + B (\hat b - \mu), \qquad
        \operatorname{var} b = B v, \qquad
        \Delta = D\,\tilde b, \qquad
        V = D^2 B v + (\tilde b^2 + B v)\, u_D^2

    (conjugate normal model, algebra). With no evidence in the pulls, :math:`v \to \infty`, that is
    the usual slope with all of its spread; with much, the least-squares slope with its error: one
    formula corrects where the evidence is good and widens where it is not. Only :math:`s^2` is
    estimated: :math:`\partial V / \partial v = D^2 B^2` gives
    :math:`\nu_V = \nu\, V^2 / (D^2 B^2 v)^2`.

    Examples
    --------
    >>> shift, sd, dof = carried_over(3.0, 0.0, -0.004, 1e9, Slope(0.0, 0.007, True), 1.6e-5, 8.0)
    >>> round(shift, 6), round(sd, 6)
    (-0.012, 0.0)
    """
    for name, value in (("distance_sd", distance_sd), ("pull_variance", pull_variance)):
        require(name, value, at_least=0.0)
    require("pull_dof", pull_dof, above=0.0)
    between = usual.sd**2
    if squares > 0.0:
        error = pull_variance / squares
        trust = between / (between + error) if between + error else 1.0
        left = trust * error
    else:
        error, trust, left = 0.0, 0.0, between
    best = usual.mean + trust * (slope - usual.mean)
    variance = distance**2 * left + (best**2 + left) * distance_sd**2
    from_pulls = distance**2 * trust**2 * error
    dof = pull_dof * (variance / from_pulls) ** 2 if from_pulls > 0.0 else math.inf
    return distance * best, math.sqrt(variance), dof
