"""The plan of a comparison: what a number of pulls could see, before any of them is run."""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

from flows.metrics.domain_checks import require
from flows.metrics.gain import LEVEL, POWER

BIKES = 2000
"""Equally likely scatters a plan is averaged over: the chance is then right to 0.1 %."""


class Plan(NamedTuple):
    """A planned comparison, and what stands behind its error.

    Attributes
    ----------
    pulls : tuple of int
        Pulls of each session, in order of running.
    repeatability_share : float
        1 SD of the level of back-to-back pulls in this shop. [0..1]
    repeatability_dof : float
        Degrees of freedom that figure is worth for one session.
    pull_factor : float
        Variance of the estimate over that of one pull, from the pulls alone. [1]
    fixed_share : float
        1 SD of what more pulls do not lower: mounting, correction, drift. [0..1]
    mounting_share : float
        1 SD of the part of it that mounting has. [0..1]
    remount_dof : float
        Degrees of freedom behind the shop's figure for mounting.
    """

    pulls: tuple[int, ...]
    repeatability_share: float
    repeatability_dof: float
    pull_factor: float
    fixed_share: float
    mounting_share: float = 0.0
    remount_dof: float = math.inf


def before_after(
    pulls_before: int,
    pulls_after: int,
    *,
    repeatability_share: float,
    repeatability_dof: float,
    remount_share: float,
    same_mounting: bool,
    remount_dof: float = math.inf,
    correction_share: float = 0.0,
    drift_share: float = 0.0,
) -> Plan:
    r"""Plan two sessions: one before the change, one after.

    Parameters
    ----------
    pulls_before, pulls_after : int
        Pulls of each session.
    repeatability_share : float
        1 SD of the level of back-to-back pulls in this shop. [0..1]
    repeatability_dof : float
        Degrees of freedom that figure is worth for one session; both are what
        `session.shop_repeatability` gives and `gain.gain` takes.
    remount_share : float
        1 SD of one mounting. [0..1]
    same_mounting : bool
        Whether the bike will stay strapped down throughout.
    remount_dof : float, default inf
        Degrees of freedom behind `remount_share`.
    correction_share : float, default 0
        1 SD of the random part of the ratio of two sessions' correction factors. [0..1]
    drift_share : float, default 0
        1 SD of the change of the dyno and the bike from one session to the next, other than by
        mounting and air. [0..1]

    Returns
    -------
    Plan
        To be asked with `detectable_pct`, `floor_pct` and `chance_of_verdict`.

    Raises
    ------
    ValueError
        If a number of pulls is not a whole number of at least 1, the repeatability is not above
        0, dof are below 1, another share is negative, or any of them is not a number.

    Notes
    -----
    The estimate is after less before on the ln scale, its variance that of `gain.gain` with the
    drift on top:

    .. math:: s^2 \left(\tfrac{1}{n_b} + \tfrac{1}{n_a}\right) + 2 m^2 + u_c^2 + \tau^2

    `gain.gain` knows no drift of its own: to have it in the interval too, hand it the root of
    :math:`u_c^2 + \tau^2` as `correction_share`. Algebra, no source.

    Examples
    --------
    >>> strapped = before_after(
    ...     3, 3, repeatability_share=0.004, repeatability_dof=30.0, remount_share=0.008,
    ...     same_mounting=True,
    ... )
    >>> detectable_pct(strapped)
    0.95
    """
    return _plan(
        {"pulls_before": (pulls_before, -1.0), "pulls_after": (pulls_after, 1.0)},
        repeatability_share,
        repeatability_dof,
        remount_share,
        remount_dof,
        correction_share,
        drift_share,
        same_mounting,
    )


def before_after_before(
    pulls_first: int,
    pulls_between: int,
    pulls_last: int,
    *,
    repeatability_share: float,
    repeatability_dof: float,
    remount_share: float,
    same_mounting: bool,
    remount_dof: float = math.inf,
    correction_share: float = 0.0,
    drift_share: float = 0.0,
) -> Plan:
    r"""Plan three sessions: as it came, changed, and put back as it came (A-B-A).

    Parameters
    ----------
    pulls_first, pulls_between, pulls_last : int
        Pulls of each session; the one between has the change fitted.
    repeatability_share, repeatability_dof, remount_share : float
        As in `before_after`.
    same_mounting : bool
        Whether the bike will stay strapped down throughout; else each session has a mounting
        of its own.
    remount_dof : float, default inf
        As in `before_after`.
    correction_share, drift_share : float, default 0
        As in `before_after`: between two neighbouring sessions.

    Returns
    -------
    Plan
        To be asked with `detectable_pct`, `floor_pct` and `chance_of_verdict`.

    Raises
    ------
    ValueError
        As `before_after` does.

    Notes
    -----
    The estimate is :math:`B - (A_1 + A_2)/2` on the ln scale, with the sessions evenly spaced
    in time. A steady trend falls out of it altogether; of independent steps :math:`\tau` half
    the variance is left, as :math:`(\tau_1 - \tau_2)/2` is all they do to it:

    .. math:: s^2 \left(\tfrac{1}{n_B} + \tfrac{1}{4 n_1} + \tfrac{1}{4 n_2}\right)
              + \tfrac{3}{2} m^2 + \tfrac{3}{4} u_c^2 + \tfrac{1}{2} \tau^2

    As in `before_after`, but for the drift, the air and the mounting of the three are taken as
    independent. Algebra, no source.

    Examples
    --------
    >>> plan = before_after_before(
    ...     2, 4, 2, repeatability_share=0.004, repeatability_dof=30.0, remount_share=0.008,
    ...     same_mounting=False,
    ... )
    >>> plan.pull_factor, plan.fixed_share
    (0.5, 0.0098)
    """
    return _plan(
        {
            "pulls_first": (pulls_first, -0.5),
            "pulls_between": (pulls_between, 1.0),
            "pulls_last": (pulls_last, -0.5),
        },
        repeatability_share,
        repeatability_dof,
        remount_share,
        remount_dof,
        correction_share,
        drift_share,
        same_mounting,
    )


def _plan(
    sessions: dict[str, tuple[int, float]],
    repeatability_share: float,
    repeatability_dof: float,
    remount_share: float,
    remount_dof: float,
    correction_share: float,
    drift_share: float,
    same_mounting: bool,
) -> Plan:
    """Add up the variances of a weighted sum of sessions; the weights add up to 0."""
    for name, (pulls, _) in sessions.items():
        if isinstance(pulls, bool) or not math.isfinite(pulls) or pulls != int(pulls) or pulls < 1:
            raise ValueError(f"{name} must be a whole number of at least 1, got {pulls}")
    shares = {
        "repeatability_share": repeatability_share,
        "remount_share": remount_share,
        "correction_share": correction_share,
        "drift_share": drift_share,
    }
    # A plan with an unknown in it would come out as NaN, not as a warning.
    for name, share in shares.items():
        if not math.isfinite(share):
            raise ValueError(f"{name} must be a finite number, got {share}")
        require(name, share, at_least=0.0)
    for name, dof in (("repeatability_dof", repeatability_dof), ("remount_dof", remount_dof)):
        if math.isnan(dof):
            raise ValueError(f"{name} must be a number, got nan")
    require("repeatability_share", repeatability_share, above=0.0)
    require("repeatability_dof", repeatability_dof, at_least=1.0)
    require("remount_dof", remount_dof, at_least=1.0)
    weights = [weight for _, weight in sessions.values()]
    per_session = sum(weight**2 for weight in weights)
    # Steps of drift add up: a step moves all sessions after it.
    per_step = sum(sum(weights[step:]) ** 2 for step in range(1, len(weights)))
    mounting = 0.0 if same_mounting else per_session * remount_share**2
    fixed = mounting + per_session * correction_share**2 / 2.0 + per_step * drift_share**2
    return Plan(
        pulls=tuple(int(pulls) for pulls, _ in sessions.values()),
        repeatability_share=float(repeatability_share),
        repeatability_dof=float(repeatability_dof),
        pull_factor=sum(weight**2 / pulls for pulls, weight in sessions.values()),
        fixed_share=math.sqrt(fixed),
        mounting_share=math.sqrt(mounting),
        remount_dof=float(remount_dof),
    )


class _Pairs(NamedTuple):
    """Equally likely pairs of a plan: standard error, degrees of freedom, limit of Student's t."""

    sd: NDArray[np.float64]
    dof: NDArray[np.float64]
    limit: NDArray[np.float64]

    def chance(self, log_gain: float) -> float:
        """Return the chance that the interval of such a comparison leaves out 0."""
        away = log_gain / self.sd
        seen = special.stdtr(self.dof, away - self.limit)
        return float(np.mean(seen + special.stdtr(self.dof, -away - self.limit)))


def _pairs(plan: Plan) -> _Pairs:
    own_dof = sum(plan.pulls) - len(plan.pulls)
    from_pulls = plan.repeatability_share**2 * plan.pull_factor
    fixed = plan.fixed_share**2
    if own_dof and from_pulls > 0.0 and math.isfinite(plan.repeatability_dof):
        # What the pair itself will show over the shop's figure, and the moderated scatter of it.
        at = (np.arange(BIKES) + 0.5) / BIKES
        shown = special.fdtri(own_dof, plan.repeatability_dof, at)
        moderated = (plan.repeatability_dof + own_dof * shown) / (plan.repeatability_dof + own_dof)
    else:
        moderated = np.ones(1)
    from_level = from_pulls * moderated
    sd = np.sqrt(from_level + fixed)
    per_dof = from_level**2 / (plan.repeatability_dof + own_dof)
    per_dof = per_dof + plan.mounting_share**4 / plan.remount_dof
    # Student's t of this many is the normal distribution.
    dof = sd**4 / np.maximum(per_dof, 1e-12 * sd**4)
    return _Pairs(sd, dof, special.stdtrit(dof, 0.5 + LEVEL / 2.0))


def chance_of_verdict(plan: Plan, true_gain_pct: float) -> float:
    r"""Return the chance that a planned comparison says more than "within noise".

    Parameters
    ----------
    plan : Plan
        The plan.
    true_gain_pct : float
        Mean gain that the change truly brings; negative for a loss. [%]

    Returns
    -------
    float
        Chance of "real gain" or "real loss"; at 0 % it is the chance of a false one. [0..1]

    Raises
    ------
    ValueError
        If the gain is NaN or not above -100 %.

    Notes
    -----
    Bikes scatter differently: :math:`\sigma^2 = s_0^2 d_0 / \chi^2_{d_0}` [1]_, the model that
    `gain.gain` weighs a pair's own scatter by. A pair with *d* degrees of freedom of its own
    shows :math:`s^2/s_0^2 \sim F_{d, d_0}`, and given the moderated scatter that follows, the
    error of the estimate in units of its standard error is :math:`t_{d_0 + d}`; with a fixed
    part on top, *t* with Satterthwaite's degrees of freedom [2]_. The chance is the mean over
    2000 equally likely pairs. A non-central *t* at the usual scatter alone would promise too
    much: with three pulls a side and the shop's figure worth 4 dof, a ninth too small a
    detectable gain, since the bikes that scatter more cost more than the calm ones give back.

    With a fixed part the *t* is near, not exact: where it weighs as much as the pulls and the
    shop's figure is worth 4 dof, 5.9 % of 400,000 simulated unchanged pairs were called real,
    not the 5.0 % that stands here; at 10 dof 5.4 %. From 1 % of gain on the two agree to 0.01.

    Examples
    --------
    >>> plan = before_after(
    ...     3, 3, repeatability_share=0.005, repeatability_dof=4.0, remount_share=0.0,
    ...     same_mounting=True,
    ... )
    >>> chance_of_verdict(plan, 0.0), chance_of_verdict(plan, 1.0), chance_of_verdict(plan, 2.0)
    (0.050, 0.525, 0.921)

    References
    ----------
    .. [1] G. K. Smyth, "Linear models and empirical Bayes methods for assessing differential
       expression in microarray experiments," Stat. Appl. Genet. Mol. Biol., vol. 3, no. 1,
       art. 3, 2004 (from memory).
    .. [2] JCGM 100:2008, Guide to the expression of uncertainty in measurement, annex G.4.
    """
    if math.isnan(true_gain_pct):
        raise ValueError("true_gain_pct must be a number, got nan")
    require("true_gain_pct", true_gain_pct, above=-100.0, unit="%")
    return _pairs(plan).chance(math.log1p(true_gain_pct / 100.0))


def detectable_pct(plan: Plan) -> float:
    """Return the smallest true mean gain that a plan would call real four times in five.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    float
        Gain. [%]

    Notes
    -----
    Where `chance_of_verdict` reaches 80 %, the customary figure (`gain.POWER`). It is the chance
    over all of the shop's bikes; `Gain.smallest_detectable_pct` looks back instead, with the
    scatter that the pair did show.

    Examples
    --------
    >>> known = {"repeatability_share": 0.005, "repeatability_dof": np.inf, "remount_share": 0.008}
    >>> detectable_pct(before_after(3, 3, same_mounting=True, **known))
    1.15
    >>> detectable_pct(before_after(3, 3, same_mounting=False, **known))
    3.43
    """
    usual = math.sqrt(plan.repeatability_share**2 * plan.pull_factor + plan.fixed_share**2)
    highest = 4.0 * usual
    pairs = _pairs(plan)
    while pairs.chance(highest) < POWER:
        highest *= 2.0
    found = optimize.root_scalar(
        lambda log_gain: pairs.chance(log_gain) - POWER, bracket=(0.0, highest)
    )
    return 100.0 * math.expm1(found.root)


def floor_pct(plan: Plan) -> float:
    r"""Return what even endless pulls would not see: the part that more pulls do not lower.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    float
        Gain. [%]

    Notes
    -----
    .. math:: e^{\Delta_\nu f} - 1

    with *f* the plan's `fixed_share` and :math:`\Delta_\nu` what a two-sided 5 % test sees with a
    chance of 80 %: :math:`z_{0.975} + z_{0.80}` [1]_ where the share of mounting is known for
    certain, else that of Student's *t* with the degrees of freedom behind it.

    Examples
    --------
    >>> floor_pct(before_after(
    ...     3, 3, repeatability_share=0.004, repeatability_dof=30.0, remount_share=0.008,
    ...     same_mounting=False,
    ... ))
    3.22

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 7.2.2.2.
    """
    if plan.fixed_share == 0.0:
        return 0.0
    return detectable_pct(plan._replace(pull_factor=0.0))


def pulls_needed(
    wanted_pct: float,
    *,
    put_back: bool,
    repeatability_share: float,
    repeatability_dof: float,
    remount_share: float,
    same_mounting: bool,
    remount_dof: float = math.inf,
    correction_share: float = 0.0,
    drift_share: float = 0.0,
    most_pulls: int = 12,
) -> int | None:
    """Return how many pulls each session needs to see a gain four times in five.

    Parameters
    ----------
    wanted_pct : float
        The true mean gain to be seen. [%]
    put_back : bool
        Whether the bike will be put back and pulled again (A-B-A), or only before and after.
    repeatability_share, repeatability_dof, remount_share : float
        As in `before_after`.
    same_mounting : bool
        Whether the bike will stay strapped down throughout.
    remount_dof : float, default inf
        As in `before_after`.
    correction_share, drift_share : float, default 0
        As in `before_after`.
    most_pulls : int, default 12
        What a session can hold before heat soak spoils it: common practice, no source.

    Returns
    -------
    int or None
        Pulls of each session, the same number in all; None if `most_pulls` are too few.

    Raises
    ------
    ValueError
        If the wanted gain is NaN or not above 0, `most_pulls` is below 1, or as `before_after`
        does.

    Examples
    --------
    >>> shop = {"repeatability_share": 0.004, "repeatability_dof": 30.0, "remount_share": 0.008}
    >>> pulls_needed(1.0, put_back=False, same_mounting=True, **shop)
    3
    >>> pulls_needed(1.0, put_back=False, same_mounting=False, **shop) is None
    True
    """
    if math.isnan(wanted_pct):
        raise ValueError("wanted_pct must be a number, got nan")
    require("wanted_pct", wanted_pct, above=0.0, unit="%")
    require("most_pulls", most_pulls, at_least=1)
    known = {
        "repeatability_share": repeatability_share,
        "repeatability_dof": repeatability_dof,
        "remount_share": remount_share,
        "remount_dof": remount_dof,
        "correction_share": correction_share,
        "drift_share": drift_share,
    }
    for pulls in range(1, most_pulls + 1):
        if put_back:
            plan = before_after_before(pulls, pulls, pulls, same_mounting=same_mounting, **known)
        else:
            plan = before_after(pulls, pulls, same_mounting=same_mounting, **known)
        if chance_of_verdict(plan, wanted_pct) >= POWER:
            return pulls
    return None
