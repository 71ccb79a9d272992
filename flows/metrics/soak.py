"""Heat soak and warm-up that go on from one session into the next, and what they do to a gain."""

import math
from collections.abc import Hashable, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from flows.metrics.domain_checks import require
from flows.metrics.pooling import tau_squared

LONG_REST_S = 1200.0
"""After such a rest an engine is as it was before the first pull: common practice, no source."""

USUAL_REST_S = 180.0
"""Between two pulls, where a session tells none: common practice, no source."""

DEFAULT_SLOPE_SHARE = 0.007
"""1 SD of the change of power a pull, until the shop has its own: wide enough that 0.4 % a pull,
a hard soak by common practice (no source), is taken out to a twelfth by three pulls a side that
scatter by 0.4 %."""

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
    Each pull adds one. A rest of *g* between sessions keeps the share

    .. math:: c = 1 - \frac{g - g_0}{20\,\text{min} - g_0}

    of it, within 0 and 1, with :math:`g_0` the usual rest between two pulls: none of it after 20
    minutes or on another day. How fast it goes is not known, so *c* is loose by
    :math:`\min(c, 1 - c)/\sqrt 3`, a rectangle; in all rests alike, for it is the same engine.
    Without times *c* is 0 or 1 and nobody knows which. What is only assumed shifts nothing: the
    places stay those of :math:`c = 0`, loose by the root mean square of the other,
    :math:`1/\sqrt 2` of it. Times that do not rise are none. A definition of ours, no source.

    Examples
    --------
    >>> soak_places([[0.0, 180.0], [360.0, 540.0]], [2, 2], [1, 1]).places
    [array([0., 1.]), array([2., 3.])]
    >>> soak_places([[0.0, 180.0], [3600.0, 3780.0]], [2, 2], [1, 1]).places
    [array([0., 1.]), array([0., 1.])]
    """
    if not len(started_s) == len(pulls) == len(days):
        raise ValueError("started_s, pulls and days must name the same sessions")
    times = [np.asarray(one, dtype=float) for one in started_s]
    if any(one.shape != (count,) for one, count in zip(times, pulls, strict=True)):
        raise ValueError("started_s must hold one time a pull")
    is_timed = [bool(one.size and np.isfinite(one).all() and (np.diff(one) > 0).all())
                for one in times]  # fmt: skip
    rests = [np.diff(one) for one, known in zip(times, is_timed, strict=True) if known]
    rests = np.concatenate(rests) if rests else np.empty(0)
    rests = rests[rests < LONG_REST_S]
    usual = float(np.median(rests)) if rests.size else USUAL_REST_S
    keeps: list[tuple[float, float]] = []
    is_assumed = False
    for number in range(1, len(times)):
        if days[number] != days[number - 1]:
            keeps.append((0.0, 0.0))
        elif is_timed[number] and is_timed[number - 1]:
            gap = float(times[number][0] - times[number - 1][-1])
            # A clock that runs backwards says nothing of the rest.
            share = 1.0 - (gap - usual) / (LONG_REST_S - usual) if gap > 0.0 else 0.5
            share = min(max(share, 0.0), 1.0)
            free = min(share, 1.0 - share)
            keeps.append((share - free, share + free))
        else:
            keeps.append((0.0, 1.0))
            is_assumed = True
    least, most = (_placed(times, pulls, [0.0, *(ends[way] for ends in keeps)]) for way in (0, 1))
    apart = [float((high - low).mean()) for low, high in zip(least, most, strict=True)]
    if is_assumed:
        return Places(least, [one / math.sqrt(2.0) for one in apart], True)
    middle = [(low + high) / 2.0 for low, high in zip(least, most, strict=True)]
    return Places(middle, [one / (2.0 * math.sqrt(3.0)) for one in apart], False)


def _placed(
    times: Sequence[np.ndarray], pulls: Sequence[int], keeps: Sequence[float]
) -> list[np.ndarray]:
    """Return the place of each pull where the rests before the sessions keep these shares."""
    places: list[np.ndarray] = []
    carried = 0.0
    for time, count, share in zip(times, pulls, keeps, strict=True):
        at = share * carried + np.arange(count, dtype=float)
        for late in np.flatnonzero(np.diff(time) >= LONG_REST_S) + 1:
            at[late:] -= at[late]
        places.append(at)
        carried = float(at[-1]) + 1.0
    return places


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
