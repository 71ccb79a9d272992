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


class ShopScatter(NamedTuple):
    """How well a shop repeats itself, all that a plan rests on.

    Attributes
    ----------
    repeatability_share : float. 1 SD of the level of back-to-back pulls. [0..1]
    repeatability_dof : float. Degrees of freedom that figure is worth for one session.
    remount_share : float. 1 SD of one mounting. [0..1]
    remount_dof : float. Degrees of freedom behind that.
    correction_share : float
        1 SD of the random part of the ratio of two sessions' correction factors. [0..1]
    day_share : float, default 0. 1 SD of the dyno's own level of one day. [0..1]
    day_dof : float, default inf. Degrees of freedom behind that.
    slope_share : float, default 0. How much bikes differ in their change a pull, 1 SD. [0..1]
    """

    repeatability_share: float
    repeatability_dof: float
    remount_share: float
    remount_dof: float
    correction_share: float
    day_share: float = 0.0
    day_dof: float = math.inf
    slope_share: float = 0.0


class Plan(NamedTuple):
    """A planned comparison, and what stands behind its error.

    Attributes
    ----------
    own_dof : int. Degrees of freedom that the planned pulls will show of their own scatter.
    repeatability_dof : float. Those of the shop's figure for back-to-back pulls.
    pulls_share : float. 1 SD of the estimate from the pulls alone. [0..1]
    fixed_share : float. 1 SD of what more pulls do not lower: mounting, day, correction. [0..1]
    mounting_share : float. 1 SD of the part of it that mounting has. [0..1]
    remount_dof : float. Degrees of freedom behind the shop's figure for mounting.
    of_days_share : float. 1 SD of the part of it that days have. [0..1]
    day_dof : float. Degrees of freedom behind that.
    trend_share : float
        1 SD that a trend from session to session puts in if the pulls say nothing of it. [0..1]
    per_slope : float. Variance of the trend by the pulls' own slope, over `pulls_share` squared.
    """

    own_dof: int
    repeatability_dof: float
    pulls_share: float
    fixed_share: float
    mounting_share: float
    remount_dof: float
    of_days_share: float = 0.0
    day_dof: float = math.inf
    trend_share: float = 0.0
    per_slope: float = 0.0


def planned(
    pulls: int,
    scatter: ShopScatter,
    *,
    is_put_back: bool,
    is_strapped_once: bool,
    is_one_day: bool = True,
    is_rested: bool = True,
) -> Plan:
    r"""Plan a comparison: before and after, or as it came, changed, and put back (A-B-A).

    Parameters
    ----------
    pulls : int. Pulls of each session.
    scatter : ShopScatter. How well the shop repeats itself.
    is_put_back : bool. Whether the bike will be put back as it came and pulled once more.
    is_strapped_once : bool
        Whether it stays strapped down throughout; else each session has a mounting of its own.
    is_one_day : bool, default True. Whether all is run on one day; else each session has its own.
    is_rested : bool, default True
        Whether the engine rests an hour before each session; else heating goes on through all.

    Returns
    -------
    Plan. To be asked with `detectable_pct` and `floor_pct`.

    Raises
    ------
    ValueError. If there is no pull, the repeatability is not above 0, dof are below 1, another
        share is negative, or any of them is not a number.

    Notes
    -----
    The estimate is :math:`B - A` or :math:`B - (A_1 + A_2)/2` on the ln scale. With *w* the
    squares of the weights added up, 2 or 3/2, its variance is

    .. math:: w \left(\tfrac{s^2}{n} + m^2 + u_d^2 + \tfrac{1}{2} u_c^2\right) + D^2 B v

    that of `gain.gain`, the last that of a trend (`soak.carried_over`): sessions run at once stand
    :math:`D = n` pulls apart, and their :math:`n` pulls each show the slope with variance
    :math:`v = 6 s^2 / (n (n^2 - 1))`. A steady trend falls out of A-B-A altogether. Algebra, no
    source.

    Examples
    --------
    >>> shop = ShopScatter(0.004, 30.0, 0.008, np.inf, 0.0)
    >>> detectable_pct(planned(3, shop, is_put_back=False, is_strapped_once=True))
    0.95
    """
    require("pulls", pulls, at_least=1)
    for name, value in scatter._asdict().items():
        # A plan with an unknown in it would come out as NaN, not as a warning.
        if math.isnan(value) or (name.endswith("share") and math.isinf(value)):
            raise ValueError(f"{name} must be a finite number, got {value}")
        require(name, value, at_least=1.0 if name.endswith("dof") else 0.0)
    require("repeatability_share", scatter.repeatability_share, above=0.0)
    weights = (-0.5, 1.0, -0.5) if is_put_back else (-1.0, 1.0)
    squares = sum(weight**2 for weight in weights)
    mounting = 0.0 if is_strapped_once else squares * scatter.remount_share**2
    of_days = 0.0 if is_one_day else squares * scatter.day_share**2
    goes_on = scatter.slope_share > 0.0 and not (is_put_back or is_rested)
    # A slope that the pulls are asked for takes one degree of freedom of their scatter.
    asked = scatter.slope_share > 0.0 and pulls > 1
    per_slope = math.inf if pulls == 1 else pulls**2 * 3.0 / (pulls**2 - 1.0)
    return Plan(
        own_dof=(pulls - 1) * len(weights) - asked,
        repeatability_dof=scatter.repeatability_dof,
        pulls_share=scatter.repeatability_share * math.sqrt(squares / pulls),
        fixed_share=math.sqrt(mounting + of_days + squares * scatter.correction_share**2 / 2.0),
        mounting_share=math.sqrt(mounting),
        remount_dof=scatter.remount_dof,
        of_days_share=math.sqrt(of_days),
        day_dof=scatter.day_dof,
        trend_share=pulls * scatter.slope_share if goes_on else 0.0,
        per_slope=per_slope if goes_on else 0.0,
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
    """Return the pairs that a plan may turn out as."""
    from_pulls, fixed = plan.pulls_share**2, plan.fixed_share**2
    if plan.own_dof and from_pulls > 0.0 and math.isfinite(plan.repeatability_dof):
        # What the pair itself will show over the shop's figure, and the moderated scatter of it.
        at = (np.arange(BIKES) + 0.5) / BIKES
        shown = special.fdtri(plan.own_dof, plan.repeatability_dof, at)
        moderated = plan.repeatability_dof + plan.own_dof * shown
        moderated = moderated / (plan.repeatability_dof + plan.own_dof)
    else:
        moderated = np.ones(1)
    from_level = from_pulls * moderated
    trend, of_pulls = _trend(plan, from_level)
    sd = np.sqrt(from_level + trend + fixed)
    per_dof = (from_level + of_pulls) ** 2 / (plan.repeatability_dof + plan.own_dof)
    of_mounting = plan.mounting_share**2 / math.sqrt(plan.remount_dof)
    per_dof = per_dof + (of_mounting + plan.of_days_share**2 / math.sqrt(plan.day_dof)) ** 2
    # Student's t of this many is the normal distribution.
    dof = sd**4 / np.maximum(per_dof, 1e-12 * sd**4)
    return _Pairs(sd, dof, special.stdtrit(dof, 0.5 + LEVEL / 2.0))


def _trend(
    plan: Plan, from_level: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the variance of a trend that goes on, and the part that hangs on the scatter."""
    usual = plan.trend_share**2
    if usual == 0.0 or math.isinf(plan.per_slope):
        return np.full(from_level.shape, usual), np.zeros(from_level.shape)
    error = plan.per_slope * from_level
    trust = usual / (usual + error)
    return trust * error, trust**2 * error


def detectable_pct(plan: Plan) -> float:
    r"""Return the smallest true mean gain that a plan would call real four times in five.

    Parameters
    ----------
    plan : Plan. The plan.

    Returns
    -------
    float. Gain. [%]

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
    shop's figure is worth 4 dof, 5.9 % of 400,000 simulated unchanged pairs were called real, not
    5.0 %; at 10 dof 5.4 %.

    `Gain.smallest_detectable_pct` looks back instead, with the scatter that the pair did show.

    Examples
    --------
    >>> known = ShopScatter(0.005, np.inf, 0.008, np.inf, 0.0)
    >>> detectable_pct(planned(3, known, is_put_back=False, is_strapped_once=True))
    1.15
    >>> detectable_pct(planned(3, known, is_put_back=False, is_strapped_once=False))
    3.43

    References
    ----------
    .. [1] G. K. Smyth, "Linear models and empirical Bayes methods for assessing differential
       expression in microarray experiments," Stat. Appl. Genet. Mol. Biol., vol. 3, no. 1,
       art. 3, 2004 (from memory).
    .. [2] JCGM 100:2008, Guide to the expression of uncertainty in measurement, annex G.4.
    """
    pairs = _pairs(plan)
    highest = 4.0 * math.hypot(plan.pulls_share, plan.fixed_share, plan.trend_share)
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
    plan : Plan. The plan.

    Returns
    -------
    float. Gain. [%]

    Notes
    -----
    .. math:: e^{\Delta_\nu f} - 1

    with *f* the plan's `fixed_share` and :math:`\Delta_\nu` what a two-sided 5 % test sees with a
    chance of 80 %: :math:`z_{0.975} + z_{0.80}` [1]_ where the share of mounting is known for
    certain, else that of Student's *t* with the degrees of freedom behind it.

    Examples
    --------
    >>> shop = ShopScatter(0.004, 30.0, 0.008, np.inf, 0.0)
    >>> floor_pct(planned(3, shop, is_put_back=False, is_strapped_once=False))
    3.22

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 7.2.2.2.
    """
    endless = plan._replace(pulls_share=0.0, trend_share=0.0)
    return detectable_pct(endless) if plan.fixed_share else 0.0
