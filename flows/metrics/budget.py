"""The budget of an uncertainty: named parts, their sum, and what may lie between two airs."""

import math
from collections.abc import Collection, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from flows.metrics.domain_checks import require

LEAST_PAIRS = 20
"""Pairs of weather readings before the shop's own weather counts: its SD is then right to 16 %."""

AIR_SHARES = {"same hour": 0.003, "same day": 0.010, "other day": 0.025}
"""1 SD of what lies between two airs, until the shop's own weather tells. Common practice, no
source: power follows pressure in full and temperature by its root; within an hour a room warms by
2 K (0.3 %), within a day by 6 K (1 %), and of two days pressure differs by 1.4 kPa and
temperature by 10 K (1 SD; 1.4 and 1.8 % of power, with humidity 2.5 %)."""

HOUR_S = 3600.0


class Component(NamedTuple):
    """One part of the uncertainty of a gain.

    Attributes
    ----------
    name : str. A fixed code.
    share : float. 1 SD that it puts into the ln of the mean gain. [0..1]
    dof : float. Degrees of freedom behind that.
    """

    name: str
    share: float
    dof: float


class Combined(NamedTuple):
    """The sum of a budget.

    Attributes
    ----------
    share : float. Combined standard uncertainty. [0..1]
    dof : float. Its effective degrees of freedom.
    """

    share: float
    dof: float


class AirGap(NamedTuple):
    """What may lie between two airs of which at least one is not known.

    Attributes
    ----------
    share : float. 1 SD of the ratio of powers. [0..1]
    dof : float. Degrees of freedom behind it; inf where it is assumed.
    is_assumed : bool. Whether it is the stated default and not the shop's own weather.
    """

    share: float
    dof: float
    is_assumed: bool


def combined(components: Sequence[Component], tied: Sequence[Collection[str]] = ()) -> Combined:
    r"""Add the parts of a budget.

    Parameters
    ----------
    components : sequence of Component. The parts, independent of each other.
    tied : sequence of collections of str, optional. Names of parts whose sizes rest on one and the
        same estimate of a scatter: if it is too small, all of them are.

    Returns
    -------
    Combined. Standard uncertainty and effective degrees of freedom.

    Raises
    ------
    ValueError. If a share is negative or a dof is not above 0.

    Notes
    -----
    The Welch-Satterthwaite formula [1]_, with the variances :math:`V_i` and their dof
    :math:`\nu_i`,

    .. math:: \nu = \frac{(\sum V_i)^2}{\sum V_i^2 / \nu_i}

    in which the standard errors of tied variances, each :math:`V_i \sqrt{2/\nu_i}`, add up before
    they are squared.

    Examples
    --------
    >>> made = combined([Component("a", 0.0025, 9.0), Component("b", 0.0057, 4.0),
    ...                  Component("c", 0.0082, 14.0)])
    >>> (round(made.share, 4), round(made.dof))
    (0.0103, 19)

    References
    ----------
    .. [1] JCGM 100:2008, Guide to the expression of uncertainty in measurement, annex G.4.1, whose
       example is the one above.
    """
    for one in components:
        require("share", one.share, at_least=0.0)
        require("dof", one.dof, above=0.0)
    variance = sum(one.share**2 for one in components)
    group_of = {name: number for number, names in enumerate(tied) for name in names}
    errors: dict[int | str, float] = {}
    for one in components:
        group = group_of.get(one.name, one.name)
        errors[group] = errors.get(group, 0.0) + one.share**2 / math.sqrt(one.dof)
    per_dof = sum(error**2 for error in errors.values())
    return Combined(math.sqrt(variance), variance**2 / per_dof if per_dof else math.inf)


def air_gap(when: str, started_s: ArrayLike, day: ArrayLike, log_factor: ArrayLike) -> AirGap:
    r"""Return how far two airs lie apart, from a shop's weather or a stated default.

    Parameters
    ----------
    when : str. same hour, same day, or other day.
    started_s : array_like. When each session with known air began; NaN where not known. [s]
    day : array_like of int. Its day.
    log_factor : array_like. ln of its correction factor. [1]

    Returns
    -------
    AirGap. 1 SD of the ratio of two powers.

    Raises
    ------
    ValueError. If `when` is none of the three or the rows differ in length.

    Notes
    -----
    Within an hour and a day: the root mean square of the differences of sessions that followed
    each other so. Between days: :math:`\sqrt 2` times the SD of the days' means, for two days of
    any season may meet. Sessions, not pulls: many shops read the station once a session. From 20
    pairs or days on; else the default. A definition of ours, no source.

    Examples
    --------
    >>> air_gap("other day", [], [], []).share
    0.025
    """
    if when not in AIR_SHARES:
        raise ValueError(f"when must be one of {', '.join(AIR_SHARES)}, got {when!r}")
    start, days, factor = (np.asarray(one, dtype=float) for one in (started_s, day, log_factor))
    if not start.shape == days.shape == factor.shape:
        raise ValueError(f"rows must be of one length, got {start.shape}, {days.shape}")
    if when == "other day":
        kinds, place = np.unique(days, return_inverse=True)
        if kinds.size >= LEAST_PAIRS:
            means = np.bincount(place, factor) / np.bincount(place)
            return AirGap(math.sqrt(2.0) * float(means.std(ddof=1)), kinds.size - 1.0, False)
        return AirGap(AIR_SHARES[when], math.inf, True)
    order = np.lexsort((start, days))
    gap_s, step = np.diff(start[order]), np.diff(factor[order])
    follows = (np.diff(days[order]) == 0.0) & np.isfinite(gap_s)
    follows &= (gap_s <= HOUR_S) if when == "same hour" else (gap_s > HOUR_S)
    if follows.sum() >= LEAST_PAIRS:
        return AirGap(math.sqrt(float(np.mean(step[follows] ** 2))), float(follows.sum()), False)
    return AirGap(AIR_SHARES[when], math.inf, True)
