"""The planner: variances against simulated sessions, chances against statsmodels and trials."""

import math

import numpy as np
import pytest
from scipy import optimize, stats
from statsmodels.stats.power import NormalIndPower

from flows.metrics.curve import speed_grid_rpm
from flows.metrics.gain import gain
from flows.metrics.planner import ShopScatter, detectable_pct, floor_pct, planned

SHOP = ShopScatter(0.005, 4.0, 0.008, math.inf, 0.0)
KNOWN = SHOP._replace(repeatability_dof=math.inf)


def plan(pulls, scatter=SHOP, *, put_back=False, strapped=True):
    return planned(pulls, scatter, is_put_back=put_back, is_strapped_once=strapped)


def variance(made):
    return made.pulls_share**2 + made.fixed_share**2


def detectable_log(made):
    return math.log1p(detectable_pct(made) / 100.0)


def chance_of_t(away, dof):
    """Return the chance that a shifted Student's t of scipy lies beyond its 95 % limits."""
    limit = stats.t.ppf(0.975, dof)
    return stats.t.sf(limit - away, dof) + stats.t.cdf(-limit - away, dof)


def test_the_variance_before_and_after_is_the_sum_worked_by_hand():
    # By hand: 0.005^2 (1/4 + 1/4) + 2 * 0.008^2 + 0.003^2.
    made = plan(4, SHOP._replace(correction_share=0.003), strapped=False)
    assert variance(made) == pytest.approx(1.25e-5 + 1.28e-4 + 9e-6, rel=1e-12)


@pytest.mark.parametrize(("put_back", "weights"), [(False, 2.0), (True, 1.5)])
def test_a_mounting_known_from_few_pairs_makes_the_plan_dearer(put_back, weights):
    # Satterthwaite, JCGM 100:2008 G.4: dof = nu * (V / V_m)^2, and Student's t of scipy.
    made = plan(3, KNOWN._replace(remount_dof=8.0), put_back=put_back, strapped=False)
    mounting = weights * 0.008**2
    total = 0.005**2 * weights / 3 + mounting
    dof = 8.0 * (total / mounting) ** 2
    away = detectable_log(made) / math.sqrt(total)
    assert chance_of_t(away, dof) == pytest.approx(0.80, abs=1e-9)
    sure = plan(3, KNOWN, put_back=put_back, strapped=False)
    assert detectable_pct(made) > detectable_pct(sure)


def test_the_floor_knows_how_well_mounting_is_known():
    # scipy's t: with 8 dof the chance at delta is that of t shifted by delta / f beyond its limit.
    made = plan(3, KNOWN._replace(remount_dof=8.0), strapped=False)
    away = math.log1p(floor_pct(made) / 100.0) / (math.sqrt(2.0) * 0.008)
    assert chance_of_t(away, 8.0) == pytest.approx(0.80, abs=1e-9)
    assert floor_pct(made) > floor_pct(plan(3, KNOWN, strapped=False))
    assert floor_pct(plan(3, KNOWN)) == 0.0


@pytest.mark.parametrize("strapped", [False, True])
def test_the_variance_of_both_plans_is_that_of_simulated_sessions(strapped):
    # Sessions made one by one: mounting, air, a steady trend, then the mean of their pulls.
    rng = np.random.default_rng(61)
    trials, pulls = 200_000, 3
    mounting = np.zeros((trials, 3)) if strapped else rng.normal(0.0, 0.008, (trials, 3))
    air = rng.normal(0.0, 0.006 / math.sqrt(2.0), (trials, 3))  # the ratio of two: 0.006
    trend = rng.normal(0.0, 0.007, (trials, 1)) * np.arange(3)
    level = mounting + air + rng.normal(0.0, 0.005 / math.sqrt(pulls), (trials, 3))
    known = SHOP._replace(correction_share=0.006)
    two = plan(pulls, known, strapped=strapped)
    three = plan(pulls, known, put_back=True, strapped=strapped)
    # 200,000 trials: the variance is known to 0.32 % (1 SD).
    assert variance(two) == pytest.approx((level[:, 1] - level[:, 0]).var(), rel=0.013)
    level = level + trend
    back = level[:, 1] - (level[:, 0] + level[:, 2]) / 2.0
    assert variance(three) == pytest.approx(back.var(), rel=0.013)


# statsmodels 0.15 NormalIndPower, two-sided 5 %: the scatter known for certain.
@pytest.mark.parametrize("pulls", [1, 2, 3, 5])
def test_the_chance_with_a_certain_scatter_is_that_of_statsmodels(pulls):
    effect = detectable_log(plan(pulls, KNOWN)) / 0.005
    assert NormalIndPower().power(effect, pulls, 0.05) == pytest.approx(0.80, abs=1e-9)


@pytest.mark.parametrize("count", [3, 4, 5, 8])
def test_the_detectable_gain_with_a_certain_scatter_is_the_normal_one(count):
    # (1.9600 + 0.8416) sqrt(2 / n) standard deviations: NIST e-Handbook 7.2.2.2, both sides.
    expected = (stats.norm.ppf(0.975) + stats.norm.ppf(0.8)) * math.sqrt(2.0 / count)
    # The side that is wrong adds less than 1e-6 of chance.
    assert detectable_log(plan(count, KNOWN)) / 0.005 == pytest.approx(expected, rel=1e-5)


@pytest.mark.parametrize("remount", [0.0, 0.004])
@pytest.mark.parametrize("shop_dof", [2.0, 4.0, 10.0])
def test_the_chance_is_that_of_trials_with_bikes_that_scatter_differently(shop_dof, remount):
    # 200,000 pairs of 3 pulls a side by the definition of the model: sigma^2 = s0^2 d0 / chi2(d0)
    # (Smyth 2004), the pair's own variance, the two weighed by their dof, an interval of t.
    made = plan(3, ShopScatter(0.005, shop_dof, remount, math.inf, 0.0), strapped=False)
    rng = np.random.default_rng(62)
    trials, own = 200_000, 4
    bike = 0.005**2 * shop_dof / rng.chisquare(shop_dof, trials)
    shown = bike * rng.chisquare(own, trials) / own
    used = (shop_dof * 0.005**2 + own * shown) / (shop_dof + own) * 2.0 / 3.0
    fixed = 2.0 * remount**2
    found = rng.normal(detectable_log(made), np.sqrt(bike * 2.0 / 3.0 + fixed))
    dof = (used + fixed) ** 2 / (used**2 / (shop_dof + own))
    seen = np.abs(found) > stats.t.ppf(0.975, dof) * np.sqrt(used + fixed)
    # 0.09 points of standard error; Satterthwaite's t is near, not exact, with a fixed part.
    assert seen.mean() == pytest.approx(0.80, abs=0.012 if remount else 4e-3)


def test_one_pull_a_side_rests_on_the_shop_alone():
    away = detectable_log(plan(1)) / (0.005 * math.sqrt(2.0))
    assert chance_of_t(away, 4) == pytest.approx(0.80, rel=1e-9)


def test_what_was_planned_is_what_the_comparison_then_sees():
    # The whole path of a comparison, `gain` on 500 simulated pairs of the shop's bikes.
    rng = np.random.default_rng(63)
    grid_rpm = speed_grid_rpm(4000.0, 9000.0)
    base = np.log(8.0 * grid_rpm)
    true = detectable_log(plan(3))
    seen = 0
    for _ in range(500):
        bike = 0.005 * math.sqrt(4.0 / rng.chisquare(4.0))
        before, after = rng.normal(0.0, bike, (2, 3, 1))
        found = gain(
            grid_rpm,
            np.exp(base + before),
            np.exp(base + true + after),
            repeatability_share=0.005,
            repeatability_dof=4.0,
            remount_share=0.008,
            correction_share=0.0,
            same_mounting=True,
        )
        seen += found.verdict != "within noise"
    # 500 trials at 80 %: 1.8 points of standard error.
    assert seen / 500.0 == pytest.approx(0.80, abs=0.055)


def test_bikes_that_scatter_differently_cost_more_than_the_usual_scatter_says():
    # Against the non-central t of scipy at the usual scatter alone, with 8 degrees of freedom.
    limit = stats.t.ppf(0.975, 8)
    usual = optimize.brentq(lambda away: stats.nct.sf(limit, 8, away) - 0.80, 1.0, 10.0)
    assert detectable_log(plan(3)) > 1.1 * usual * 0.005 * math.sqrt(2.0 / 3.0)


def test_endless_pulls_come_down_to_the_floor_and_no_further():
    floor = floor_pct(plan(3, strapped=False))
    # 2.8016 sqrt(2) 0.008 on the ln scale, by hand.
    assert floor == pytest.approx(100.0 * math.expm1(2.8016 * math.sqrt(2.0) * 0.008), rel=1e-4)
    many = [detectable_pct(plan(n, strapped=False)) for n in (3, 30, 3000)]
    assert many[0] > many[1] > many[2] > floor
    assert many[2] == pytest.approx(floor, rel=2e-3)
    assert floor_pct(plan(3)) == 0.0


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"repeatability_share": 0.0}, "repeatability_share must be above 0"),
        ({"repeatability_share": math.nan}, "repeatability_share must be a finite number, got nan"),
        ({"remount_share": math.inf}, "remount_share must be a finite number, got inf"),
        ({"repeatability_dof": math.nan}, "repeatability_dof must be a finite number, got nan"),
        ({"repeatability_dof": 0.5}, "repeatability_dof must be at least 1"),
        ({"remount_share": -0.1}, "remount_share must be at least 0"),
        ({"correction_share": -0.1}, "correction_share must be at least 0"),
    ],
)
def test_a_plan_that_cannot_be_is_refused(wrong, says):
    with pytest.raises(ValueError, match=says):
        plan(3, SHOP._replace(**wrong))


def test_a_plan_without_a_pull_is_refused():
    with pytest.raises(ValueError, match="pulls must be at least 1, got 0"):
        plan(0)
