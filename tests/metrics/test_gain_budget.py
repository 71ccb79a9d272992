"""The budget of a gain: parts by published examples, trends that go on, days, one error rate."""

import math

import numpy as np
import pytest
from scipy import integrate, stats
from statsmodels.regression.linear_model import WLS
from statsmodels.stats.multitest import multipletests

from flows.metrics.budget import AIR_SHARES, Component, air_gap, combined
from flows.metrics.family import both_within, family_p, joint_p
from flows.metrics.gain import gain
from flows.metrics.planner import ShopScatter, detectable_pct, planned
from flows.metrics.soak import (
    DEFAULT_SLOPE_SHARE,
    Slope,
    carried_over,
    soak_places,
    usual_slope,
    within_trend,
)

GRID_RPM = np.arange(3000.0, 11_001.0, 100.0)
BASE_W = 60e3 - 4e-4 * (GRID_RPM - 9500.0) ** 2
PULL_SD = 0.004
DEFAULT = usual_slope([], [])
AT_ONCE = [np.arange(3) * 180.0, 540.0 + np.arange(3) * 180.0]


def compared(*levels, **given):
    """Compare sessions of flat pulls, given the ln levels of their pulls."""
    sides = [np.exp(np.asarray(one))[:, None] * BASE_W for one in levels]
    known = {
        "repeatability_share": PULL_SD, "repeatability_dof": math.inf, "remount_share": 0.007,
        "correction_share": 0.0, "same_mounting": True,
    }  # fmt: skip
    again = {"again_curves": sides[2]} if len(sides) > 2 else {}
    return gain(GRID_RPM, *sides[:2], **known | again | given)


def holds(found, truth):
    return found.mean_gain_lower_pct <= 100.0 * math.expm1(truth) <= found.mean_gain_upper_pct


# Parts and their sum.


@pytest.mark.parametrize(
    ("parts", "share", "dof"),
    [
        # JCGM 100:2008, example of G.4.2: relative 0.25, 0.57, 0.82 % of 10, 5, 15 readings.
        ([(0.25, 9), (0.57, 4), (0.82, 14)], 1.03, 19.0),
        # JCGM 100:2008, H.1.6, end gauge in nm: 25 (18), 9.7 (25.6), 2.9 (50), 16.6 (2): 32, 16.7.
        ([(25, 18), (9.7, 25.6), (2.9, 50), (16.6, 2)], 31.7, 16.7),
    ],
)
def test_a_budget_adds_up_as_in_the_examples_of_the_guide(parts, share, dof):
    # Both from memory of the guide; their sums were worked out anew by hand.
    made = combined([Component(str(at), u, nu) for at, (u, nu) in enumerate(parts)])
    assert made.share == pytest.approx(share, rel=2e-3)
    assert made.dof == pytest.approx(dof, rel=5e-3)


def test_parts_of_one_estimate_are_unsure_together():
    # Two halves of one variance on 8 dof are that variance on 8 dof; untied they would pass for 16.
    parts = [Component("a", 1.0, 8.0), Component("b", 1.0, 8.0)]
    assert combined(parts, tied=[("a", "b")]).dof == pytest.approx(8.0)
    assert combined(parts).dof == pytest.approx(16.0)


def test_the_budget_of_a_gain_is_the_sum_worked_by_hand():
    found = compared(
        [0.0, 0.0, 0.0], [0.01] * 3, same_mounting=False, correction_share=0.002, days=[1, 2],
        day_share=0.005, day_dof=6.0, of_air=[Component("air correction", 0.001, math.inf)],
    )  # fmt: skip
    # By hand, squares in 1e-6: 16 * 2/3; 2 * 49; 2 * 25; 4; 1.
    by_hand = {
        "scatter of pulls": 16 * 2 / 3, "remounting": 98, "day": 50, "air instruments": 4,
        "air correction": 1,
    }  # fmt: skip
    assert {one.name: one.share**2 * 1e6 for one in found.budget} == pytest.approx(by_hand)
    assert found.log_mean_gain_sd**2 * 1e6 == pytest.approx(sum(by_hand.values()))
    # G.4.1 by hand: only the day's dof are not infinite.
    assert found.dof == pytest.approx(6.0 * (sum(by_hand.values()) / 50) ** 2)


@pytest.mark.parametrize(
    ("days", "weight"),
    [([1, 1, 1], 0.0), ([1, 1, 2], 0.5), ([1, 2, 1], 2.0), ([1, 2, 3], 1.5), ([2, 1, 1], 0.5)],
)
def test_what_one_day_has_in_common_falls_out_of_a_bike_put_back(days, weight):
    # B - (A1 + A2) / 2, before, after, again: (sum of the weights of a day)^2, added up by hand.
    found = compared([0.0, 0.0], [0.0, 0.0], [0.0, 0.0], days=days, day_share=0.005)
    [day] = [one.share for one in found.budget if one.name == "day"]
    assert day**2 == pytest.approx(weight * 0.005**2)


def test_sessions_of_two_days_hold_the_truth_though_the_dyno_moved_between():
    # The dyno's level of a day 1 % (1 SD): without it in the interval 51 % would hold.
    rng = np.random.default_rng(71)
    held = 0
    for _ in range(400):
        levels = rng.normal(0.0, PULL_SD, (2, 3)) + rng.normal(0.0, 0.010, (2, 1))
        held += holds(compared(*levels, days=[1, 2], day_share=0.010), 0.0)
    # 400 trials at 95 %: 1.1 points of standard error.
    assert 0.92 <= held / 400 <= 0.98


# A trend that goes on.


def trend_trials(slopes, usual, places, *, restarts=False, pulls=3, seed=72):
    """Return how many intervals held no change, and the mean gain told, over a row of slopes."""
    rng = np.random.default_rng(seed)
    held, told = 0, []
    at = np.arange(pulls)
    for slope in slopes:
        bike = PULL_SD * math.sqrt(12.0 / rng.chisquare(12.0))
        first, second = rng.normal(0.0, bike, (2, pulls))
        found = compared(
            first + slope * at, second + slope * (at if restarts else at + pulls),
            places=places, usual_slope=usual, repeatability_dof=12.0,
        )  # fmt: skip
        held += holds(found, 0.0)
        told.append(found.mean_gain_pct)
    return held / len(told), float(np.mean(told))


def test_heat_soak_that_goes_on_is_taken_off_the_gain():
    # 0.4 % a pull through both sessions: taken as it stands, the gain would be 1.2 % too low.
    places = soak_places(AT_ONCE, [3, 3], [1, 1])
    held, told = trend_trials([-0.004] * 600, DEFAULT, places)
    # By hand the bias is 3 * 0.4 % / (1 + 0.7^2 / 0.2^2) = 0.09 %; standard error 0.03 %, and of
    # the share 0.9 points.
    assert abs(told) < 0.16
    assert held >= 0.93


def test_without_a_trend_a_shop_that_knows_its_slopes_pays_little_for_it():
    # 3 + 3 pulls of 0.4 %, slopes of 0.05 % (1 SD): z limits by hand: 2 * 0.004^2 / 3 of scatter
    # and 9 B v of trend, v = 0.004^2 / 4, B = 25e-8 / (25e-8 + v): 17 % more, and no more.
    places = soak_places(AT_ONCE, [3, 3], [1, 1])
    quiet = compared([0.0] * 3, [0.0] * 3)
    found = compared([0.0] * 3, [0.0] * 3, places=places, usual_slope=Slope(0.0, 0.0005, False))
    by_hand = math.sqrt(1.0 + 9 * 4e-6 * (25e-8 / (25e-8 + 4e-6)) / (2 * 1.6e-5 / 3))
    assert by_hand == pytest.approx(1.09, abs=0.01)
    assert found.log_mean_gain_sd / quiet.log_mean_gain_sd == pytest.approx(by_hand, rel=1e-9)


def test_pulls_on_one_trend_scatter_by_nothing_of_their_own():
    places = soak_places(AT_ONCE, [3, 3], [1, 1])
    levels = [0.003 * one for one in places.places]
    found = compared(*levels, places=places, repeatability_dof=4.0)
    # By hand: four of the shop's own 0.4 %, and of six pulls two means and the slope leave three.
    assert found.level_sd == pytest.approx(PULL_SD * math.sqrt(4 / 7), rel=1e-6)


def test_half_of_what_a_trend_is_told_from_carries_nothing_over():
    # Where the times are not known, or no slope is usual, there is nothing to carry over.
    levels = ([0.0, 0.001, 0.003], [0.02, 0.021, 0.023])
    places = soak_places(AT_ONCE, [3, 3], [1, 1])
    plain = compared(*levels)
    for known in ({"usual_slope": Slope(-0.001, 0.002, False)}, {"places": places}):
        found = compared(*levels, **known)
        assert found.log_mean_gain == pytest.approx(plain.log_mean_gain, abs=1e-12)
        assert "trend" not in {part.name for part in found.budget}


def test_slopes_that_differ_as_the_shop_s_do_are_held():
    places = soak_places(AT_ONCE, [3, 3], [1, 1])
    slopes = np.random.default_rng(73).normal(-0.002, 0.0015, 400)
    held, told = trend_trials(slopes, Slope(-0.002, 0.0015, False), places)
    assert 0.92 <= held <= 0.98
    assert abs(told) < 0.1


def test_after_a_long_rest_little_is_carried_and_little_is_paid():
    # By hand: of three pulls the mean of exp(-147 / T) over 10 to 30 min is left, 0.3 %.
    rested = [AT_ONCE[0], AT_ONCE[1] + 9000.0]
    places = soak_places(rested, [3, 3], [1, 1])
    held, told = trend_trials([-0.004] * 400, DEFAULT, places, restarts=True)
    assert held >= 0.92
    assert abs(told) < 0.1
    found = compared([0.0, -0.004, -0.008], [0.0, -0.004, -0.008], places=places,
                     usual_slope=DEFAULT)  # fmt: skip
    assert found.trend_pct == pytest.approx(0.0, abs=0.005)
    assert found.log_mean_gain_sd == pytest.approx(PULL_SD * math.sqrt(2 / 3), rel=1e-3)


@pytest.mark.parametrize("cools_min", [10, 17, 25, 30])
@pytest.mark.parametrize("rest_min", [10, 30, 60])
def test_heat_that_a_rest_leaves_is_taken_off_as_far_as_its_cooling_is_known(cools_min, rest_min):
    # Newton's law of cooling: three pulls of 0.4 %, of which exp(-(rest - 3) / T) is felt after.
    felt = 3 * math.exp(-(rest_min - 3) / cools_min)
    gap = [AT_ONCE[0], AT_ONCE[0][-1] + 60.0 * rest_min + np.arange(3) * 180.0]
    places = soak_places(gap, [3, 3], [1, 1])
    after = [-0.004 * (felt + pull) for pull in range(3)]
    found = compared([0.0, -0.004, -0.008], after, places=places, usual_slope=DEFAULT)
    assert found.mean_gain_lower_pct <= 0.0 <= found.mean_gain_upper_pct
    apart = places.places[1].mean() - places.places[0].mean()
    # The ends of a rectangle lie 1.7 SD out; the exponential skews that.
    assert abs(felt - apart) <= 2.5 * places.loose[1]


def test_without_times_either_course_of_heating_lies_in_the_interval():
    # 0.4 % a pull, over 1.2 % or nothing carried over; nobody can know which.
    places = soak_places([[math.nan] * 3] * 2, [3, 3], [1, 1])
    assert places.is_assumed
    held = [trend_trials([-0.004] * 200, DEFAULT, places, restarts=restarts)[0]
            for restarts in (False, True)]  # fmt: skip
    assert np.mean(held) >= 0.93
    assert min(held) >= 0.85
    # What is assumed does not move what was measured.
    levels = [0.0, -0.004, -0.008], [-0.012, -0.016, -0.020]
    found = compared(*levels, places=places, usual_slope=DEFAULT)
    assert found.log_mean_gain == pytest.approx(-0.012)


def test_a_steady_trend_falls_out_of_a_bike_put_back():
    times = [np.arange(3) * 180.0 + start for start in (0.0, 1080.0, 540.0)]
    order = [0, 2, 1]  # in the order run: before, after, again
    run = soak_places([times[at] for at in order], [3, 3, 3], [1, 1, 1])
    places = run._replace(places=[run.places[0], run.places[1], run.places[2]])
    levels = [-0.004 * place for place in places.places]
    found = compared(*levels, places=places, usual_slope=DEFAULT)
    assert found.mean_gain_pct == pytest.approx(0.0, abs=1e-9)
    assert found.trend_pct == 0.0


def test_the_slope_s_posterior_is_that_of_least_squares_with_the_prior_as_a_reading():
    # statsmodels' weighted least squares: levels of two sessions on a level each and a common
    # slope, and the usual slope as one more reading. The gain and its error follow from it.
    rng = np.random.default_rng(74)
    usual = Slope(-0.001, 0.002, False)
    places = [np.arange(3.0), np.arange(3.0, 7.0)]
    levels = [rng.normal(0.0, PULL_SD, 3), rng.normal(0.02, PULL_SD, 4)]
    rows = np.zeros((8, 3))
    rows[:3, 0], rows[3:7, 1], rows[:7, 2], rows[7, 2] = 1.0, 1.0, np.concatenate(places), 1.0
    weights = np.append(np.full(7, PULL_SD**-2.0), usual.sd**-2.0)
    fit = WLS(np.concatenate([*levels, [usual.mean]]), rows, weights=weights).fit()
    contrast = np.array([-1.0, 1.0, 0.0])
    variance = contrast @ fit.normalized_cov_params @ contrast
    slope, squares = within_trend(levels, places)
    distance = places[1].mean() - places[0].mean()
    shift, sd, _ = carried_over(distance, 0.0, slope, squares, usual, PULL_SD**2, 10.0)
    plain = levels[1].mean() - levels[0].mean()
    assert plain - shift == pytest.approx(contrast @ fit.params, rel=1e-9)
    assert sd**2 + PULL_SD**2 * (1 / 3 + 1 / 4) == pytest.approx(variance, rel=1e-9)


def test_without_pulls_that_tell_a_slope_the_usual_one_stands_with_all_its_spread():
    shift, sd, dof = carried_over(2.0, 0.0, 0.0, 0.0, Slope(-0.001, 0.003, False), 1.6e-5, 4.0)
    assert (shift, sd, dof) == (-0.002, 0.006, math.inf)


def test_rests_take_heat_back_by_their_length():
    # By hand: scipy's quad of exp(-27 / T) / 20 over T from 10 to 30 min is 0.2509.
    half = soak_places([AT_ONCE[0], [360.0 + 1800.0]], [3, 1], [1, 1])
    assert half.places[1] == pytest.approx([3 * 0.2509], abs=3e-4)
    # And of exp(-54 / T) it is 0.0729: the SD of the share is the root of 0.0729 - 0.2509^2.
    assert half.loose[1] == pytest.approx(3 * math.sqrt(0.0729 - 0.2509**2), abs=3e-3)
    # Another day, a night between.
    assert soak_places(AT_ONCE, [3, 3], [1, 2]).places[1] == pytest.approx([0.0, 1.0, 2.0])
    # A long rest within a session.
    within = soak_places([[0.0, 180.0, 2000.0, 2180.0]], [4], [1])
    # By scipy's quad, 27.3 min more than usual leave 0.2469 of two pulls.
    assert within.places[0] == pytest.approx([0.0, 1.0, 2 * 0.2469, 1 + 2 * 0.2469], abs=3e-4)
    # A clock that jumps back, or stands still, is no time.
    assert soak_places([[0.0, 0.0], [60.0, 90.0]], [2, 2], [1, 1]).is_assumed


def left_by(rest_s):
    """Return the mean and SD of what a rest leaves, T evenly likely from 10 to 30 minutes."""

    def moment(power):
        return integrate.quad(lambda cools: math.exp(-power * rest_s / cools) / 1200, 600, 1800)[0]

    return moment(1), math.sqrt(moment(2) - moment(1) ** 2)


@pytest.mark.parametrize("rest_s", [100.0, 180.0, 435.0, 945.0, 1200.0, 5000.0])
def test_what_a_rest_leaves_is_the_mean_over_all_it_may_cool_by(rest_s):
    first = np.array([0.0, 180.0, 360.0])
    found = soak_places([first, 360.0 + rest_s + np.array([0.0, 180.0])], [3, 2], ["a", "a"])
    # Newton's law of cooling by quadrature; the usual rest of 180 s is no rest.
    share, sd = left_by(max(rest_s - 180.0, 0.0))
    assert found.places[0] == pytest.approx([0.0, 1.0, 2.0])
    assert found.places[1] == pytest.approx([3 * share, 3 * share + 1.0], abs=1e-3)
    assert found.loose == pytest.approx([0.0, 3 * sd], abs=1e-3)
    assert not found.is_assumed


@pytest.mark.parametrize("rest_s", [-50.0, 0.0])
def test_a_clock_put_back_says_nothing_of_the_rest(rest_s):
    first = np.array([0.0, 180.0, 360.0])
    found = soak_places([first, 360.0 + rest_s + np.array([0.0, 180.0])], [3, 2], ["a", "a"])
    # Anything from none of three pulls to all: the mean and SD of an even chance.
    assert found.places[1] == pytest.approx([1.5, 2.5])
    assert found.loose == pytest.approx([0.0, 1.5 / math.sqrt(3.0)])


def test_the_usual_rest_is_the_middle_one():
    # Rests of 100, 300, 300: 300 is usual, and 750 s later all four have cooled for 450 s.
    found = soak_places([[0.0, 100.0, 400.0, 700.0], [1450.0]], [4, 1], [1, 1])
    assert found.places[0] == pytest.approx([0.0, 1.0, 2.0, 3.0])
    assert found.places[1] == pytest.approx([4 * left_by(450.0)[0]], abs=1e-3)
    # Single pulls tell no rest: three minutes is the usual one.
    alone = soak_places([[0.0], [690.0]], [1, 1], [1, 1]).places[1]
    assert alone == pytest.approx([left_by(510.0)[0]], abs=1e-3)


def test_heat_adds_up_over_three_sessions_and_another_day_takes_it_all():
    times = [[0.0, 180.0], [360.0, 540.0], [720.0]]
    for days, felt in (([1, 1, 1], 4.0), ([1, 1, 2], 0.0), ([1, 2, 2], 2.0)):
        assert soak_places(times, [2, 2, 1], days).places[2] == pytest.approx([felt])


@pytest.mark.parametrize("missing", [0, 1])
def test_where_one_session_has_no_times_none_or_all_may_go_on(missing):
    times = [[0.0, 180.0, 360.0], [540.0, 720.0, 900.0]]
    times[missing] = [math.nan] * 3
    found = soak_places(times, [3, 3], [1, 1])
    # Hand calculation: nothing or three pulls; the root mean square of either is 3 / sqrt(2).
    for place in found.places:
        assert place == pytest.approx([0.0, 1.0, 2.0])
    assert found.loose == pytest.approx([0.0, 3.0 / math.sqrt(2.0)])
    assert found.is_assumed
    assert not soak_places(times, [3, 3], [1, 2]).is_assumed


def test_sessions_that_do_not_match_their_times_are_refused():
    with pytest.raises(ValueError, match="must name the same sessions"):
        soak_places([[0.0]], [1, 1], [1, 1])
    with pytest.raises(ValueError, match="one time a pull"):
        soak_places([[0.0, 1.0], [5.0]], [2, 2], [1, 1])
    with pytest.raises(ValueError, match="must be of one length"):
        usual_slope([0.0] * 9, [0.1] * 8)


def test_what_is_carried_over_by_hand():
    # Hand calculation: v = 16e-6 / 2 = 8e-6, B = 4e-6 / 12e-6 = 1/3, slope -0.001 - 0.006 / 3 =
    # -0.003, its variance 8e-6 / 3; distance 3, loose by 0.5.
    shift, sd, dof = carried_over(3.0, 0.5, -0.007, 2.0, Slope(-0.001, 0.002, False), 16e-6, 8.0)
    left = 8e-6 / 3
    variance = 9 * left + (9e-6 + left) * 0.25
    assert shift == pytest.approx(-0.009)
    assert sd == pytest.approx(math.sqrt(variance))
    assert dof == pytest.approx(8.0 * (variance / (9 * 8e-6 / 9)) ** 2)
    # Pulls without scatter and a slope that never differs: the pulls' own slope, known for sure.
    assert carried_over(2.0, 0.0, -0.004, 2.0, Slope(0.0, 0.0, False), 0.0, 8.0) == pytest.approx(
        (-0.008, 0.0, math.inf)
    )


def test_a_common_trend_is_that_of_least_squares_with_a_level_for_each_session():
    levels, places = [[0.0, -0.01, -0.03], [0.5, 0.48]], [[0.0, 1.0, 2.0], [4.0, 6.0]]
    # Hand calculation: squares 2 + 2, products -0.03 - 0.02.
    assert within_trend(levels, places) == pytest.approx((-0.0125, 4.0))
    assert within_trend([[0.3], [0.1]], [[0.0], [5.0]]) == (0.0, 0.0)


def test_the_usual_slope_of_unlike_sessions_by_hand():
    # Hand calculation: eight slopes far apart, measured alike: REML is their variance less that of
    # measurement. 8 * 1e-4 / 7 - 1e-6; the standard error of it, and that of the mean.
    found = usual_slope([-0.012, 0.008] * 4, [0.001] * 8)
    between = 8e-4 / 7 - 1e-6
    variance = between + (between + 1e-6) * (math.sqrt(2 / 7) + 1 / 8)
    assert found.mean == pytest.approx(-0.002)
    assert found.sd == pytest.approx(math.sqrt(variance), rel=1e-6)
    assert not found.is_assumed


def test_a_shop_s_usual_slope_is_found_and_never_surer_than_its_sessions_allow():
    rng = np.random.default_rng(75)
    sd = np.full(200, 0.002)
    slopes = rng.normal(-0.003, 0.0015, 200) + rng.normal(0.0, 0.002, 200)
    found = usual_slope(slopes, sd)
    # Standard error of the mean 0.0025 / sqrt(200) = 0.00018.
    assert found.mean == pytest.approx(-0.003, abs=5.5e-4)
    assert 0.0015 <= found.sd <= 0.0025
    alike = usual_slope([0.0] * 8, [0.002] * 8)
    # No spread seen in 8: one standard error of it, 2e-3^2 sqrt(2/7), and that of the mean.
    assert alike.sd == pytest.approx(0.002 * math.sqrt(math.sqrt(2 / 7) + 1 / 8))
    assert usual_slope(slopes[:7], sd[:7]) == Slope(0.0, DEFAULT_SLOPE_SHARE, True)


# Airs that are not known.


def test_a_shop_s_own_weather_takes_the_place_of_the_default_from_20_readings_on():
    rng = np.random.default_rng(76)
    days = np.repeat(np.arange(60), 3)
    start = days * 86_400.0 + np.tile([0.0, 1800.0, 20_000.0], 60)
    of_day = np.repeat(rng.normal(0.0, 0.02, 60), 3)
    factor = of_day + rng.normal(0.0, 0.001, 180)
    assert air_gap("other day", start, days, factor).share == pytest.approx(
        0.02 * math.sqrt(2), rel=0.2
    )
    for when in ("same hour", "same day"):
        found = air_gap(when, start, days, factor)
        assert found.share == pytest.approx(0.001 * math.sqrt(2), rel=0.25)
        assert (found.dof, found.is_assumed) == (60.0, False)
    few = air_gap("same hour", start[:57], days[:57], factor[:57])
    assert (few.share, few.is_assumed) == (AIR_SHARES["same hour"], True)


HOURS = np.arange(21.0)


@pytest.mark.parametrize(
    ("when", "gap_s", "steps", "share", "dof"),
    [
        # Hand calculation: 20 steps of 0.002 within the hour, the last second of it still counts.
        ("same hour", 3600.0, HOURS * 0.002, 0.002, 20.0),
        # A second more is the same day; ten steps of 0.001 and ten of 0.003: the root of 5e-6.
        ("same day", 3601.0, np.cumsum([0.0, *[0.001, -0.003] * 10]), math.sqrt(5e-6), 20.0),
        # None of 20: the default.
        ("same hour", 3601.0, HOURS * 0.002, 0.003, math.inf),
        ("same day", 3600.0, HOURS * 0.002, 0.010, math.inf),
    ],
)
def test_airs_of_one_day_differ_by_the_steps_between_sessions_that_followed(
    when, gap_s, steps, share, dof
):
    start = np.arange(21) * gap_s
    back = slice(None, None, -1)
    for order in (slice(None), back):
        found = air_gap(when, start[order], np.full(21, 7), steps[order])
        assert found == pytest.approx((share, dof, math.isinf(dof)))


def test_a_session_without_a_time_and_one_of_another_day_follow_no_other():
    start = np.append(np.arange(21) * 600.0, [math.nan, 12_600.0])
    factor = np.append(np.arange(21) * 0.002, [9.0, 5.0])
    found = air_gap("same hour", start, [7] * 22 + [8], factor)
    assert found == pytest.approx((0.002, 20.0, False))  # hand calculation


def test_days_differ_by_the_scatter_of_their_means_from_twenty_on():
    # Hand calculation: ten days at +1 %, ten at -1 %, each the mean of two sessions: the variance
    # is 20 * 1e-4 / 19, and twice that between two of them.
    factor = np.repeat([0.01, -0.01] * 10, 2) + np.tile([0.002, -0.002], 20)
    days = np.repeat(np.arange(20), 2)
    found = air_gap("other day", np.zeros(40), days, factor)
    assert found == pytest.approx((math.sqrt(2 * 20e-4 / 19), 19.0, False))
    few = air_gap("other day", np.zeros(38), days[:38], factor[:38])
    assert few == (0.025, math.inf, True)


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        (("next week", [], [], []), "when must be one of same hour, same day, other day"),
        (("same hour", [1.0], [1, 1], [0.0, 0.0]), "rows must be of one length"),
        (("same hour", [1.0, 2.0], [1, 1], [0.0]), "rows must be of one length"),
    ],
)
def test_airs_that_cannot_be_are_refused(rows, message):
    with pytest.raises(ValueError, match=message):
        air_gap(*rows)


def test_a_budget_of_parts_known_for_certain_has_endless_degrees_of_freedom():
    assert combined([Component("a", 3.0, math.inf), Component("b", 4.0, math.inf)]) == (
        5.0,
        math.inf,
    )
    assert combined([]) == (0.0, math.inf)
    # Hand calculation: two ties of their own. (1 + 1 + 4 + 4)^2 / ((2/2)^2 + (8/3)^2).
    parts = [
        Component("a", 1.0, 4.0),
        Component("b", 1.0, 4.0),
        Component("c", 2.0, 9.0),
        Component("d", 2.0, 9.0),
    ]
    tied = [("a", "b"), ("c", "d")]
    assert combined(parts, tied).dof == pytest.approx(100.0 / (1.0 + 64.0 / 9.0))


# One error rate.


@pytest.mark.parametrize("seed", range(5))
def test_one_verdict_a_comparison_is_held_as_holm_does(seed):
    p = np.random.default_rng(seed).uniform(0.0, 0.1, 6)
    expected = multipletests(p, method="holm")[1]
    found = np.concatenate(family_p([[one] for one in p]))
    assert found == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("dof", [3.0, 6.0, 30.0])
@pytest.mark.parametrize("correlation", [0.0, 0.6, 0.97])
def test_two_verdicts_of_one_gain_have_the_chance_of_a_bivariate_t(dof, correlation):
    shape = [[1.0, correlation], [correlation, 1.0]]
    t = stats.multivariate_t(shape=shape, df=dof)
    expected = t.cdf([2.2, 2.2], lower_limit=[-2.2, -2.2], random_state=1)
    # scipy integrates by random points, right to about 2e-4.
    assert both_within(2.2, correlation, dof) == pytest.approx(expected, abs=4e-4)


def test_a_card_without_a_change_calls_something_real_in_no_more_than_one_of_twenty():
    # Three stages, 1-2, 2-3, 1-3, mean and peak each: levels of sessions and a shape of their own.
    rng = np.random.default_rng(77)
    trials = 1200
    level, shape = rng.normal(size=(2, trials, 3))
    scale = np.sqrt(rng.chisquare(8.0, trials) / 8.0)
    false = 0
    for row in range(trials):
        cards = []
        for first, second in ((0, 1), (1, 2), (0, 2)):
            mean = level[row, second] - level[row, first]
            peak = mean + 0.5 * (shape[row, second] - shape[row, first])
            t = (mean / math.sqrt(2.0), peak / math.sqrt(2.5))
            p = joint_p([one / scale[row] for one in t], math.sqrt(2.0 / 2.5), [8.0, 8.0])
            cards.append(p)
        false += any(p.min() <= 0.05 for p in family_p(cards))
    # 1,200 trials at 5 %: 0.63 points of standard error; each alone would be 12 %.
    assert false / trials <= 0.069


def test_a_clear_change_pays_nothing_for_the_others_of_its_card():
    assert family_p([[1e-9, 1e-9], [0.04, 0.3]])[1][0] == 0.04


def test_mean_and_peak_that_say_the_same_are_one_verdict():
    alone = 2.0 * stats.t.sf(2.5, 7)
    assert joint_p([2.5, 2.5], 1.0, [7.0, 7.0]) == pytest.approx([alone, alone])
    # Independent and known for certain: Sidak, 1 - (1 - p)^2, by hand.
    p = 2.0 * stats.norm.sf(2.5)
    assert joint_p([2.5, 0.1], 0.0, [1e12, 1e12])[0] == pytest.approx(1 - (1 - p) ** 2, rel=1e-6)


@pytest.mark.parametrize("dof", [2.0, 7.0, 1e12])
def test_two_verdicts_far_out_or_one_and_the_same_have_the_chance_of_one(dof):
    for limit in (0.5, 2.0, 4.0):
        one = 1.0 - 2.0 * stats.t.sf(limit, min(dof, 1e9))
        assert both_within(limit, 1.0, dof) == pytest.approx(one, abs=1e-9)
        assert both_within(limit, 1.0 - 1e-6, dof) == pytest.approx(one, abs=1e-3)
    # Law: what is never passed is always within.
    assert both_within(1e4, 0.5, dof) == pytest.approx(1.0, abs=1e-3)
    assert both_within(0.0, 0.5, dof) == 0.0


def test_one_figure_has_its_own_p_and_the_less_clear_of_two_is_not_below_the_clearer():
    assert joint_p([2.0], 0.5, [9.0]) == pytest.approx([2.0 * stats.t.sf(2.0, 9.0)])
    # scipy's bivariate t of the fewer degrees of freedom, by a correlation of 0: a product over
    # the common scale, integrated over chi.
    scale = np.linspace(1e-4, 6.0, 20_001)
    within = (1.0 - 2.0 * stats.norm.sf(2.5 * scale)) ** 2
    density = stats.chi.pdf(scale * math.sqrt(5.0), 5.0) * math.sqrt(5.0)
    either = 1.0 - np.trapezoid(within * density, scale)
    for order in (slice(None), slice(None, None, -1)):
        found = joint_p([1.0, -2.5][order], 0.0, [9.0, 5.0][order])
        alone = 2.0 * stats.t.sf(1.0, 9.0)
        assert found[order] == pytest.approx([max(alone, either), either], abs=2e-4)
    close = joint_p([-2.5, 2.49], 0.0, [5.0, 5.0])
    assert close[1] == close[0] == pytest.approx(either, abs=2e-4)


def test_no_more_than_two_verdicts_share_their_pulls():
    for statistics, dof in (([1.0] * 3, [5.0] * 3), ([1.0, 2.0], [5.0])):
        with pytest.raises(ValueError, match="one or two with their dof"):
            joint_p(statistics, 0.5, dof)


def test_the_verdicts_of_a_card_by_hand():
    found = family_p([[0.01, 0.2], [0.02, 0.015], [0.9]])
    # Hand calculation: 0.01 and 0.015 and 0.02 times three comparisons; then the first and the
    # third hold one each, 0.2 times two; 0.9 alone.
    assert [one.size for one in found] == [2, 2, 1]
    assert np.concatenate(found) == pytest.approx([0.03, 0.4, 0.06, 0.045, 0.9])
    # Law: no p is above 1, and none below a clearer one.
    assert np.concatenate(family_p([[0.9], [0.6], [0.04]])) == pytest.approx([1.0, 1.0, 0.12])


# The greatest gain.


def wiggles(rng, count):
    """Smooth deviations of unit scatter, correlated over about 200 rpm, by random waves."""
    waves = rng.normal(0.0, 1.0 / 200.0, (count, 60, 1))
    phases = rng.uniform(0.0, 2.0 * np.pi, (count, 60, 1))
    return math.sqrt(2.0 / 60.0) * np.cos(waves * GRID_RPM + phases).sum(axis=1)


@pytest.mark.parametrize("shape", ["even", "hump"])
def test_the_greatest_gain_is_not_what_noise_makes_of_it(shape):
    rng = np.random.default_rng(78)
    true = np.full(GRID_RPM.size, 0.03)
    if shape == "hump":
        true += 0.03 * np.exp(-(((GRID_RPM - 7000.0) / 900.0) ** 2))
    best_pct = 100.0 * math.expm1(true.max())
    held, told, raw = 0, [], []
    for _ in range(150):
        sides = [
            BASE_W * np.exp(rng.normal(0.0, PULL_SD, (3, 1)) + 0.004 * wiggles(rng, 3) + shift)
            for shift in (0.0, true)
        ]
        found = gain(
            GRID_RPM, *sides, repeatability_share=PULL_SD, repeatability_dof=math.inf,
            remount_share=0.0, correction_share=0.0, same_mounting=True,
        )  # fmt: skip
        held += found.greatest_gain_lower_pct <= best_pct <= found.greatest_gain_upper_pct
        told.append(found.greatest_gain_pct)
        raw.append(np.nanmax(found.gain_pct))
    off, off_raw = np.mean(told) - best_pct, np.mean(raw) - best_pct
    # The plain maximum of an even gain stands 0.6 % too high, its standard error is 0.03 %.
    assert abs(off) < 0.6 * off_raw
    # At least 95 %, three standard errors of 150 trials below.
    assert held / 150 >= 0.90


# The plan sees what the comparison then sees.


@pytest.mark.parametrize(
    "how", [{"is_rested": False}, {"is_one_day": False}], ids=["at once", "another day"]
)
def test_a_plan_with_a_trend_or_another_day_promises_what_a_simulation_sees(how):
    rng = np.random.default_rng(79)
    shop = ShopScatter(PULL_SD, 12.0, 0.007, math.inf, 0.0, 0.006, 30.0, 0.002)
    plan = planned(3, shop, is_put_back=False, is_strapped_once=True, **how)
    true = math.log1p(detectable_pct(plan) / 100.0)
    at_once = "is_rested" in how
    gap = 0.0 if at_once else 1200.0
    days = [1, 1] if at_once else [1, 2]
    places = soak_places([AT_ONCE[0], AT_ONCE[1] + gap], [3, 3], days)
    seen = 0
    for _ in range(400):
        bike = PULL_SD * math.sqrt(12.0 / rng.chisquare(12.0))
        slope = rng.normal(0.0, 0.002)
        level = rng.normal(0.0, 0.006, (2, 1)) if not at_once else np.zeros((2, 1))
        levels = rng.normal(0.0, bike, (2, 3)) + level + slope * np.array(places.places)
        levels[1] += true
        found = compared(
            *levels, places=places, usual_slope=Slope(0.0, 0.002, False), days=days,
            day_share=0.006, day_dof=30.0, repeatability_dof=12.0,
        )  # fmt: skip
        seen += found.verdict == "real gain"
    # 400 trials at 80 %: 2 points; 10 % of the gain would be 8 points and more.
    assert seen / 400 == pytest.approx(0.80, abs=0.06)
