"""Rules on a session: outliers, h and k, settling, heat."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from flows.metrics.session import (
    grubbs,
    heat_soak,
    mandel,
    settled,
)
from tests.in_words import words as words_of

# NIST/SEMATECH e-Handbook 1.3.5.17.1: eight mass readings, one of them far off.
NIST_MASSES = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]

# ISO 5725-2:1994, table 5, one largest or smallest value (from memory): values, 1 %, 5 %.
ISO_GRUBBS = [
    (3, 1.155, 1.155), (4, 1.496, 1.481), (5, 1.764, 1.715), (6, 1.973, 1.887),
    (7, 2.139, 2.020), (8, 2.274, 2.126), (9, 2.387, 2.215), (10, 2.482, 2.290),
]  # fmt: skip

# ASTM E691, table of critical h and k at 0.5 % (from memory): groups, h, k of 2, 3, 4 results.
E691_CRITICAL = [
    (3, 1.15, 1.72, 1.67, 1.61), (4, 1.49, 1.95, 1.82, 1.73), (5, 1.74, 2.11, 1.92, 1.79),
    (6, 1.92, 2.22, 1.98, 1.84), (7, 2.05, 2.30, 2.03, 1.87), (8, 2.15, 2.36, 2.06, 1.90),
]  # fmt: skip


def test_grubbs_matches_the_nist_example():
    # The handbook tests the greatest value only, at 5 %: both sides at 10 % are the same limit.
    found = grubbs(NIST_MASSES, false_alarm_share=0.10)
    assert found.place == 7
    assert found.statistic == pytest.approx(2.4687, abs=1e-4)
    assert found.critical == pytest.approx(2.0317, abs=5e-5)
    assert found.is_outlier


@pytest.mark.parametrize(("count", "at_1", "at_5"), ISO_GRUBBS)
def test_critical_values_are_those_of_the_standards_table(count, at_1, at_5):
    values = np.arange(count, dtype=float)
    # The standard prints 2.126 for 2.1266: it cuts where others round.
    assert grubbs(values, false_alarm_share=0.01).critical == pytest.approx(at_1, abs=7e-4)
    assert grubbs(values).critical == pytest.approx(at_5, abs=7e-4)


@pytest.mark.parametrize("count", [4, 6, 8])
def test_sound_values_are_called_outliers_as_often_as_asked_for(count):
    # Exact for three values and in the tails; Grubbs' bound is from above.
    draws = np.random.default_rng(count).standard_normal((4000, count))
    alarms = np.mean([grubbs(row).is_outlier for row in draws])
    assert alarms == pytest.approx(0.05, abs=4 * math.sqrt(0.05 * 0.95 / 4000))


@given(st.floats(-1e3, 1e3), st.floats(0.1, 50.0), st.sampled_from([-1.0, 1.0]))
def test_grubbs_does_not_depend_on_unit_or_side(shift, scale, side):
    found = grubbs(shift + side * scale * np.array(NIST_MASSES))
    assert found.place == 7
    assert found.statistic == pytest.approx(2.46876, abs=1e-4)


def test_a_value_not_seen_keeps_its_place():
    found = grubbs([math.nan, *NIST_MASSES])
    assert found.place == 8
    assert found.critical == pytest.approx(2.126, abs=7e-4)


@pytest.mark.parametrize("values", [[], [1.0, 9.0], [1.0, math.nan, 9.0]])
def test_fewer_than_three_values_have_no_outlier(values):
    found = grubbs(values)
    assert (found.place, found.is_outlier) == (-1, False)
    assert math.isnan(found.critical)


def test_values_all_alike_have_no_outlier():
    assert grubbs([2.0, 2.0, 2.0, 2.0])[:1] == (-1,)
    assert not grubbs([2.0, 2.0, 2.0, 2.0]).is_outlier


@pytest.mark.parametrize(("groups", "h", "of_2", "of_3", "of_4"), E691_CRITICAL)
def test_critical_h_and_k_are_those_of_the_published_table(groups, h, of_2, of_3, of_4):
    for size, expected in ((2, of_2), (3, of_3), (4, of_4)):
        values = [np.arange(size) * (1.0 + group) for group in range(groups)]
        found = mandel(values, false_alarm_share=0.005)
        assert found.h_critical == pytest.approx(h, abs=6e-3)
        assert found.k_critical == pytest.approx(np.full(groups, expected), abs=6e-3)


def test_h_is_the_standard_score_of_the_means_and_k_squares_pool_to_one():
    groups = [[1.0, 1.2, 1.1], [2.0, 2.6], [1.4, 1.3, 1.5, 1.9]]
    found = mandel(groups)
    means = [np.mean(group) for group in groups]
    assert found.h == pytest.approx(stats.zscore(means, ddof=1))
    dof = np.array([2, 1, 3])
    assert float(dof @ found.k**2) == pytest.approx(dof.sum())
    assert found.k[1] / found.k[0] == pytest.approx(np.std([2.0, 2.6], ddof=1) / 0.1)


def test_unequal_groups_exceed_their_critical_k_as_often_as_asked_for():
    draw = np.random.default_rng(9)
    beyond = np.zeros(3)
    for _ in range(3000):
        found = mandel([draw.standard_normal(size) for size in (2, 3, 6)], false_alarm_share=0.05)
        beyond += found.k > found.k_critical
    assert beyond / 3000 == pytest.approx(np.full(3, 0.05), abs=4 * math.sqrt(0.05 * 0.95 / 3000))


def test_groups_too_small_have_no_h_or_k():
    found = mandel([[1.0], [math.nan], [2.0, 2.5]])
    assert math.isnan(found.h_critical)
    assert np.isnan(found.h).all()
    assert np.isnan(found.k).all()


@pytest.mark.parametrize(
    ("levels_pct", "expected"),
    [
        # r = 2.8 * 0.4 % = 1.12 %, ISO 5725-6.
        ([0.0, 1.11], (True, 1)),
        ([0.0, 1.13], (False, None)),
        ([0.0, -1.13], (False, None)),
        ([0.0, 2.0, 2.1, 2.0], (True, 2)),
        ([0.0, 0.1, 2.0, 2.1], (True, 3)),
        ([0.0, 0.1, 0.2, 2.0], (False, None)),
        ([0.0, math.nan, 0.1, 0.2], (True, 3)),
        ([0.0, 0.1, math.nan], (False, None)),
        ([0.0], (None, None)),
        ([], (None, None)),
    ],
)
def test_a_session_settles_when_its_last_two_pulls_agree(levels_pct, expected):
    found = settled(np.array(levels_pct) / 100, repeatability_share=0.004)
    assert found[:2] == expected
    assert found.limit_pct == pytest.approx(1.12)


def test_a_session_that_did_not_settle_tells_its_last_step():
    # Hand calculation: steps of 0.1 and 4.9 %; the limit is 2.8 times 0.4 %.
    found = settled([0.0, 0.001, 0.050], repeatability_share=0.004)
    assert found == (False, None, pytest.approx(4.9), pytest.approx(1.12))


def test_the_usual_scatter_is_worth_four_degrees_of_freedom_where_nothing_is_said():
    levels = [0.0, -0.004, 0.001, -0.009]
    # The stated default.
    stated = heat_soak(levels, repeatability_share=0.003, repeatability_dof=4.0)
    found = heat_soak(levels, repeatability_share=0.003)
    assert (found.lower_pct, found.upper_pct) == (stated.lower_pct, stated.upper_pct)


def test_sound_pulls_settle_in_nineteen_of_twenty_sessions():
    # ISO 5725-1: r covers the difference of two results with about 95 %; 2.8 gives 95.23 %.
    draws = np.random.default_rng(3).normal(0.0, 0.004, (20_000, 3))
    share = np.mean([settled(row, repeatability_share=0.004).is_settled for row in draws])
    assert share == pytest.approx(2 * stats.norm.cdf(2.8 / math.sqrt(2)) - 1, abs=0.006)


def test_a_known_scatter_alone_gives_the_normal_interval():
    # By hand: 1.95996 * 0.4 % / sqrt(2) = 0.5544 % for three pulls on a line.
    found = heat_soak([0.0, -0.003, -0.006], repeatability_share=0.004, repeatability_dof=1e9)
    assert found.slope_pct == pytest.approx(-0.3)
    assert found.upper_pct - found.slope_pct == pytest.approx(0.5544, abs=1e-4)
    assert found.slope_pct - found.lower_pct == pytest.approx(0.5544, abs=1e-4)


def test_without_a_prior_the_interval_is_that_of_ordinary_regression():
    levels = np.array([0.000, -0.004, -0.003, -0.009, -0.008])
    found = heat_soak(levels, repeatability_share=0.004, repeatability_dof=1e-9)
    line = stats.linregress(np.arange(5.0), 100 * levels)
    half = stats.t.ppf(0.975, 3) * line.stderr
    assert found.slope_pct == pytest.approx(line.slope)
    assert (found.lower_pct, found.upper_pct) == pytest.approx(
        (line.slope - half, line.slope + half), rel=1e-6
    )


def test_prior_and_pulls_share_the_scatter_by_their_degrees_of_freedom():
    # By hand: residuals of 0, 3, 0 on their line are -1, 2, -1: squares 6, one dof, in percent.
    found = heat_soak([0.0, 0.03, 0.0], repeatability_share=0.01, repeatability_dof=4.0)
    sd = math.sqrt((4 * 1.0**2 + 6.0) / 5)
    assert found.upper_pct == pytest.approx(2.570582 * sd / math.sqrt(2), rel=1e-6)


def test_the_trend_of_sound_and_of_drifting_sessions_lies_in_its_interval():
    draw = np.random.default_rng(17)
    inside = 0
    for _ in range(4000):
        slope_pct = draw.uniform(-0.5, 0.2)
        scatter = 0.004 * math.sqrt(8 / draw.chisquare(8))
        levels = slope_pct / 100 * np.arange(4) + draw.normal(0.0, scatter, 4)
        found = heat_soak(levels, repeatability_share=0.004, repeatability_dof=8)
        inside += found.lower_pct <= slope_pct <= found.upper_pct
    assert inside / 4000 == pytest.approx(0.95, abs=4 * math.sqrt(0.95 * 0.05 / 4000))


FALLING = [0.0, -0.008, -0.016, -0.024]
RISING = [-value for value in FALLING]


def told(levels, **temperatures):
    return heat_soak(levels, repeatability_share=0.003, **temperatures)


def test_warm_air_is_named_with_both_slopes():
    found = told(FALLING, intake_air_start_k=[300.0, 303.0, 306.0, 309.0])
    assert found.kind == "heat soak"
    assert found.intake_slope_k == pytest.approx(3.0)
    # SAE J1349: power falls with the square root of temperature; by hand 50 * 3 / 304.5.
    assert found.explained_pct == pytest.approx(-0.4926, abs=1e-4)
    assert words_of(found.told) == (
        "power falls 0.8 % a pull while the intake air rises 3.0 K a pull: heat soak, let it cool"
    )


def test_a_fall_that_the_air_cannot_make_is_not_put_down_to_it_alone():
    found = heat_soak(
        [0.0, -0.03, -0.06, -0.09], repeatability_share=0.003,
        intake_air_start_k=[300.0, 301.0, 302.0, 303.0],
    )  # fmt: skip
    # By hand: 1 K of 301.5 K is 0.166 % to 0.332 %.
    assert "the air alone would take 0.2 to 0.3 %" in words_of(found.told)


@pytest.mark.parametrize(
    ("levels", "temperatures", "kind", "words"),
    [
        (FALLING, {"coolant_start_k": [350, 352, 354, 356]}, "heat soak", "coolant rises 2.0 K"),
        (
            FALLING,
            {"intake_air_start_k": [300] * 4, "coolant_start_k": [353] * 4},
            "not heat",
            "not heat, look at tyre",
        ),
        (FALLING, {}, "unknown cause", "intake air and coolant was not logged: heat soak"),
        (FALLING, {"intake_air_start_k": [300] * 4}, "unknown cause", "coolant was not logged"),
        (RISING, {"coolant_start_k": [330, 338, 346, 354]}, "warming up", "warm the engine"),
        (RISING, {"coolant_start_k": [353] * 4}, "not heat", "not the warming engine"),
        (RISING, {"intake_air_start_k": [300] * 4}, "unknown cause", "coolant was not logged"),
        ([0.0, 0.001, -0.001, 0.0], {}, "none", "no trend that 4 pulls could show"),
        ([0.0, -0.05], {}, "none", "too few pulls"),
        ([0.0], {}, "none", "too few pulls"),
    ],
)
def test_each_trend_is_told_with_its_likely_cause(levels, temperatures, kind, words):
    found = told(levels, **temperatures)
    assert found.kind == kind
    assert words in words_of(found.told)


def test_a_pull_of_unknown_level_keeps_its_place_in_the_trend():
    assert told([0.0, math.nan, -0.016, -0.024]).slope_pct == pytest.approx(-0.8)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: grubbs([[1.0]]), "one row"),
        (lambda: grubbs([1.0], false_alarm_share=0.0), "false_alarm_share"),
        (lambda: mandel([[1.0]], false_alarm_share=1.0), "false_alarm_share"),
        (lambda: settled([0.0], repeatability_share=0.0), "repeatability_share"),
        (lambda: settled([[0.0]], repeatability_share=0.1), "one row"),
        (lambda: heat_soak([0.0], repeatability_share=0.0), "repeatability_share"),
        (lambda: heat_soak([[0.0]], repeatability_share=0.1), "one row"),
        (lambda: told([0.0, 0.0], intake_air_start_k=[300.0]), "length of levels"),
        (lambda: told([0.0], coolant_start_k=[-20.0]), "above 0 K"),
    ],
)
def test_what_cannot_be_judged_is_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()


def test_a_group_of_one_value_has_no_critical_scatter():
    found = mandel([[1.0], [1.0, 2.0], [3.0, 3.5]])
    assert np.isnan(found.k_critical).tolist() == [True, False, False]  # law: it has no scatter
