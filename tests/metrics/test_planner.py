"""The planner: variances against simulated sessions, chances against statsmodels and trials."""

import math

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.power import NormalIndPower

from flows.metrics.curve import speed_grid_rpm
from flows.metrics.gain import gain, smallest_detectable_pct
from flows.metrics.planner import (
    before_after,
    before_after_before,
    chance_of_verdict,
    detectable_pct,
    floor_pct,
    pulls_needed,
)

SHOP = {"repeatability_share": 0.005, "repeatability_dof": 4.0, "remount_share": 0.008}
KNOWN = {**SHOP, "repeatability_dof": math.inf}


def variance(plan):
    return plan.repeatability_share**2 * plan.pull_factor + plan.fixed_share**2


def test_the_variance_before_and_after_is_the_sum_worked_by_hand():
    # By hand: 0.005^2 (1/2 + 1/4) + 2 * 0.008^2 + 0.003^2 + 0.002^2.
    plan = before_after(
        2, 4, same_mounting=False, correction_share=0.003, drift_share=0.002, **SHOP
    )
    assert variance(plan) == pytest.approx(1.875e-5 + 1.28e-4 + 9e-6 + 4e-6, rel=1e-12)


@pytest.mark.parametrize(
    ("plan", "sessions", "weights"), [(before_after, 2, 2.0), (before_after_before, 3, 1.5)]
)
def test_a_mounting_known_from_few_pairs_makes_the_plan_dearer(plan, sessions, weights):
    # Satterthwaite, JCGM 100:2008 G.4: dof = nu * (V / V_m)^2, and Student's t of scipy.
    made = plan(*[3] * sessions, same_mounting=False, remount_dof=8.0, **KNOWN)
    mounting = weights * 0.008**2
    total = 0.005**2 * weights / 3 + mounting
    dof = 8.0 * (total / mounting) ** 2
    limit = stats.t.ppf(0.975, dof)
    expected = stats.t.sf(limit - 0.03 / math.sqrt(total), dof) + stats.t.cdf(
        -limit - 0.03 / math.sqrt(total), dof
    )
    assert chance_of_verdict(made, 100 * math.expm1(0.03)) == pytest.approx(expected, rel=1e-9)
    sure = plan(*[3] * sessions, same_mounting=False, **KNOWN)
    assert detectable_pct(made) > detectable_pct(sure)


def test_the_floor_knows_how_well_mounting_is_known():
    # scipy's t: with 8 dof the chance at delta is that of t shifted by delta / f beyond its limit.
    plan = before_after(3, 3, same_mounting=False, remount_dof=8.0, **KNOWN)
    share = math.sqrt(2.0) * 0.008
    limit = stats.t.ppf(0.975, 8.0)
    delta = math.log1p(floor_pct(plan) / 100.0) / share
    seen = stats.t.sf(limit - delta, 8.0) + stats.t.cdf(-limit - delta, 8.0)
    assert seen == pytest.approx(0.80, abs=1e-9)
    assert floor_pct(plan) > floor_pct(before_after(3, 3, same_mounting=False, **KNOWN))
    assert floor_pct(before_after(3, 3, same_mounting=True, **KNOWN)) == 0.0


@pytest.mark.parametrize("same_mounting", [False, True])
def test_the_variance_of_both_plans_is_that_of_simulated_sessions(same_mounting):
    # Sessions made one by one: mounting, air, a walk of the dyno, then the mean of their pulls.
    rng = np.random.default_rng(61)
    trials, pulls = 200_000, (2, 4, 3)
    mounting = np.zeros((trials, 3)) if same_mounting else rng.normal(0.0, 0.008, (trials, 3))
    air = rng.normal(0.0, 0.006 / math.sqrt(2.0), (trials, 3))  # the ratio of two: 0.006
    walk = np.cumsum(rng.normal(0.0, 0.007, (trials, 3)), axis=1)
    of_pulls = np.stack([rng.normal(0.0, 0.005, (trials, n)).mean(axis=1) for n in pulls], axis=1)
    level = mounting + air + walk + of_pulls
    settings = {"correction_share": 0.006, "drift_share": 0.007, "same_mounting": same_mounting}
    two = before_after(*pulls[:2], **settings, **SHOP)
    three = before_after_before(*pulls, **settings, **SHOP)
    # 200,000 trials: the variance is known to 0.32 % (1 SD).
    assert variance(two) == pytest.approx((level[:, 1] - level[:, 0]).var(), rel=0.013)
    back = level[:, 1] - (level[:, 0] + level[:, 2]) / 2.0
    assert variance(three) == pytest.approx(back.var(), rel=0.013)


def test_putting_back_halves_what_drift_does_and_a_steady_trend_falls_out():
    drift_only = {**SHOP, "remount_share": 0.0}
    two = before_after(3, 3, same_mounting=True, drift_share=0.01, **drift_only)
    three = before_after_before(3, 3, 3, same_mounting=True, drift_share=0.01, **drift_only)
    assert three.fixed_share**2 / two.fixed_share**2 == pytest.approx(0.5)
    # The published rule B - (A1 + A2) / 2 on a trend of 0.5 a session: 105 - (100 + 101) / 2 = 4.5
    # = 5 - 0.5 of the middle session, while before and after alone would say 5.
    levels = np.array([100.0, 105.0, 101.0])
    assert levels @ np.array([-0.5, 1.0, -0.5]) == 4.5


# statsmodels 0.15 NormalIndPower, two-sided 5 %: the scatter known for certain.
@pytest.mark.parametrize(("before_n", "after_n"), [(1, 1), (3, 3), (2, 5)])
@pytest.mark.parametrize("true_gain_pct", [-1.5, 0.2, 0.8, 1.5])
def test_the_chance_with_a_certain_scatter_is_that_of_statsmodels(before_n, after_n, true_gain_pct):
    plan = before_after(before_n, after_n, same_mounting=True, **KNOWN)
    effect = math.log1p(true_gain_pct / 100.0) / 0.005
    expected = NormalIndPower().power(effect, before_n, 0.05, ratio=after_n / before_n)
    assert chance_of_verdict(plan, true_gain_pct) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("count", [3, 4, 5, 8])
def test_the_detectable_gain_with_a_certain_scatter_is_the_normal_one(count):
    # (1.9600 + 0.8416) sqrt(2 / n) standard deviations: NIST e-Handbook 7.2.2.2, both sides.
    got = detectable_pct(before_after(count, count, same_mounting=True, **KNOWN))
    expected = (stats.norm.ppf(0.975) + stats.norm.ppf(0.8)) * math.sqrt(2.0 / count)
    # The side that is wrong adds less than 1e-6 of chance.
    assert math.log1p(got / 100.0) / 0.005 == pytest.approx(expected, rel=1e-5)


@pytest.mark.parametrize("remount", [0.0, 0.004])
@pytest.mark.parametrize("shop_dof", [2.0, 4.0, 10.0])
def test_the_chance_is_that_of_trials_with_bikes_that_scatter_differently(shop_dof, remount):
    # 200,000 pairs of 3 pulls a side by the definition of the model: sigma^2 = s0^2 d0 / chi2(d0)
    # (Smyth 2004), the pair's own variance, the two weighed by their dof, an interval of t.
    rng = np.random.default_rng(62)
    trials, own = 200_000, 4
    bike = 0.005**2 * shop_dof / rng.chisquare(shop_dof, trials)
    shown = bike * rng.chisquare(own, trials) / own
    used = (shop_dof * 0.005**2 + own * shown) / (shop_dof + own) * 2.0 / 3.0
    true = math.log1p(0.012)
    fixed = 2.0 * remount**2
    found = rng.normal(true, np.sqrt(bike * 2.0 / 3.0 + fixed))
    dof = (used + fixed) ** 2 / (used**2 / (shop_dof + own))
    seen = np.abs(found) > stats.t.ppf(0.975, dof) * np.sqrt(used + fixed)
    plan = before_after(
        3,
        3,
        repeatability_share=0.005,
        repeatability_dof=shop_dof,
        remount_share=remount,
        same_mounting=False,
    )
    # 0.11 points of standard error; Satterthwaite's t is near, not exact, with a fixed part.
    assert chance_of_verdict(plan, 1.2) == pytest.approx(
        seen.mean(), abs=0.012 if remount else 4e-3
    )


def test_one_pull_a_side_rests_on_the_shop_alone():
    plan = before_after(1, 1, same_mounting=True, **SHOP)
    away = math.log1p(0.02) / (0.005 * math.sqrt(2.0))
    limit = stats.t.ppf(0.975, 4)
    expected = stats.t.sf(limit - away, 4) + stats.t.cdf(-limit - away, 4)
    assert chance_of_verdict(plan, 2.0) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("same_mounting", [False, True])
@pytest.mark.parametrize("shop_dof", [1.0, 4.0, math.inf])
def test_no_change_is_called_real_once_in_twenty_times(shop_dof, same_mounting):
    plan = before_after(
        3, 2, same_mounting=same_mounting, **{**SHOP, "repeatability_dof": shop_dof}
    )
    assert chance_of_verdict(plan, 0.0) == pytest.approx(0.05, abs=1e-9)


def test_what_was_planned_is_what_the_comparison_then_sees():
    # The whole path of a comparison, `gain` on 500 simulated pairs of the shop's bikes.
    rng = np.random.default_rng(63)
    grid_rpm = speed_grid_rpm(4000.0, 9000.0)
    base = np.log(8.0 * grid_rpm)
    plan = before_after(3, 3, same_mounting=True, **SHOP)
    true = math.log1p(detectable_pct(plan) / 100.0)
    seen = 0
    for _ in range(500):
        bike = 0.005 * math.sqrt(4.0 / rng.chisquare(4.0))
        before, after = rng.normal(0.0, bike, (2, 3, 1))
        found = gain(
            grid_rpm,
            np.exp(base + before),
            np.exp(base + true + after),
            correction_share=0.0,
            same_mounting=True,
            **SHOP,
        )
        seen += found.verdict != "within noise"
    # 500 trials at 80 %: 1.8 points of standard error.
    assert seen / 500.0 == pytest.approx(0.80, abs=0.055)


def test_a_certain_scatter_gives_the_figure_of_the_look_back():
    got = detectable_pct(before_after(3, 4, same_mounting=False, **KNOWN))
    assert got == pytest.approx(smallest_detectable_pct(3, 4, 0.005, 0.008), rel=1e-5)


def test_bikes_that_scatter_differently_cost_more_than_the_usual_scatter_says():
    # Against the non-central t of the usual scatter alone, as the look back has it.
    plan = before_after(3, 3, same_mounting=True, **SHOP)
    usual = smallest_detectable_pct(3, 3, 0.005, 0.0, same_mounting=True, dof=8.0)
    assert detectable_pct(plan) > 1.1 * usual


def test_endless_pulls_come_down_to_the_floor_and_no_further():
    floor = floor_pct(before_after(3, 3, same_mounting=False, **SHOP))
    # 2.8016 sqrt(2) 0.008 on the ln scale, by hand.
    assert floor == pytest.approx(100.0 * math.expm1(2.8016 * math.sqrt(2.0) * 0.008), rel=1e-4)
    many = [detectable_pct(before_after(n, n, same_mounting=False, **SHOP)) for n in (3, 30, 3000)]
    assert many[0] > many[1] > many[2] > floor
    assert many[2] == pytest.approx(floor, rel=2e-3)
    assert floor_pct(before_after(3, 3, same_mounting=True, **SHOP)) == 0.0


@pytest.mark.parametrize("put_back", [False, True])
def test_the_pulls_needed_see_the_gain_and_one_fewer_do_not(put_back):
    settings = {**SHOP, "same_mounting": True, "drift_share": 0.001}
    count = pulls_needed(1.2, put_back=put_back, **settings)
    assert count is not None

    def detectable(pulls):
        if put_back:
            return detectable_pct(before_after_before(pulls, pulls, pulls, **settings))
        return detectable_pct(before_after(pulls, pulls, **settings))

    assert detectable(count) <= 1.2 < detectable(count - 1)
    assert pulls_needed(1.2, put_back=put_back, most_pulls=count, **settings) == count
    assert pulls_needed(1.2, put_back=put_back, most_pulls=count - 1, **settings) is None


def test_a_gain_below_the_floor_needs_another_plan_not_more_pulls():
    settings = {**SHOP, "put_back": False}
    assert pulls_needed(1.0, same_mounting=False, most_pulls=500, **settings) is None
    assert pulls_needed(1.0, same_mounting=True, most_pulls=3, **settings) is None
    assert pulls_needed(1.0, same_mounting=True, most_pulls=40, **settings) is not None


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"pulls_before": 0}, "pulls_before must be a whole number of at least 1, got 0"),
        ({"pulls_after": 2.5}, "pulls_after must be a whole number of at least 1, got 2.5"),
        ({"pulls_after": math.nan}, "pulls_after must be a whole number"),
        ({"repeatability_share": 0.0}, "repeatability_share must be above 0"),
        ({"repeatability_share": math.nan}, "repeatability_share must be a finite number, got nan"),
        ({"remount_share": math.inf}, "remount_share must be a finite number, got inf"),
        ({"pulls_before": math.inf}, "pulls_before must be a whole number"),
        ({"pulls_before": True}, "pulls_before must be a whole number"),
        ({"repeatability_dof": math.nan}, "repeatability_dof must be a number, got nan"),
        ({"repeatability_dof": 0.5}, "repeatability_dof must be at least 1"),
        ({"remount_share": -0.1}, "remount_share must be at least 0"),
        ({"correction_share": -0.1}, "correction_share must be at least 0"),
        ({"drift_share": math.nan}, "drift_share must be a finite number, got nan"),
    ],
)
def test_a_plan_that_cannot_be_is_refused(wrong, says):
    arguments = {"pulls_before": 3, "pulls_after": 3, "same_mounting": True, **SHOP, **wrong}
    with pytest.raises(ValueError, match=says):
        before_after(**arguments)


def test_a_gain_that_cannot_be_is_refused():
    plan = before_after(3, 3, same_mounting=True, **SHOP)
    with pytest.raises(ValueError, match="true_gain_pct must be above -100 %, got -100"):
        chance_of_verdict(plan, -100.0)
    with pytest.raises(ValueError, match="true_gain_pct must be a number"):
        chance_of_verdict(plan, math.nan)
    with pytest.raises(ValueError, match="wanted_pct must be above 0 %"):
        pulls_needed(0.0, put_back=False, same_mounting=True, **SHOP)
    with pytest.raises(ValueError, match="wanted_pct must be a number"):
        pulls_needed(math.nan, put_back=False, same_mounting=True, **SHOP)
    with pytest.raises(ValueError, match="most_pulls must be at least 1"):
        pulls_needed(1.0, put_back=False, same_mounting=True, most_pulls=0, **SHOP)
