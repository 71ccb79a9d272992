"""The dyno's own charts, against the worked examples of NIST and the quality textbooks."""

import math
from importlib.resources import files

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from flows.metrics import stability
from flows.metrics.stability import (
    CusumChart,
    EwmaChart,
    common_slope,
    ewma_chart,
    individuals_chart,
    signals,
)
from tests.in_words import words

# NIST/SEMATECH e-Handbook 6.3.2.2.
NIST_INDIVIDUALS = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]

# Montgomery and Runger, Applied Statistics and Probability for Engineers, table 16-3.
MONTGOMERY_INDIVIDUALS = [
    102.0, 94.8, 98.3, 98.4, 102.0, 98.5, 99.0, 97.7, 100.0, 98.1,
    101.3, 98.7, 101.1, 98.4, 97.0, 96.7, 100.3, 101.4, 97.2, 101.0,
]  # fmt: skip

# Thirty tyre-belt diameters, from the documentation of a general statistics system.
BELT_DIAMETERS = [
    24.05, 23.99, 23.95, 23.93, 23.97, 24.02, 24.06, 24.10, 23.98, 24.03,
    23.91, 24.06, 24.06, 23.96, 23.98, 24.06, 24.01, 24.00, 23.93, 23.92,
    24.09, 24.11, 24.05, 23.98, 23.98, 24.06, 24.02, 24.06, 23.97, 23.96,
]  # fmt: skip

# NIST/SEMATECH e-Handbook 6.3.2.4.
NIST_EWMA = [
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
    49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1,
]  # fmt: skip
NIST_EWMA_VALUES = [
    50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
    50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
]  # fmt: skip

# Montgomery, Introduction to Statistical Quality Control, table 9-1.
MONTGOMERY_EWMA = [
    9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34,
    9.03, 11.47, 10.51, 9.40, 10.08, 9.37, 10.62, 10.31, 8.52, 10.84,
    10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52,
]  # fmt: skip


def limits_of(values):
    """Return the limits that all values set."""
    return individuals_chart(values, [True] * len(values), 0.0)


def slope_against(x, y):
    """Return the slope within one steady spell of one chart."""
    return common_slope(x, y, ["spell"] * len(x), ["chart"] * len(x))[0]


def test_limits_match_the_nist_example():
    chart = limits_of(NIST_INDIVIDUALS)
    assert chart.centre == pytest.approx(50.81, abs=5e-3)
    assert chart.sd == pytest.approx(1.8778 / 1.128, abs=5e-5)
    assert chart.upper == pytest.approx(55.8041, abs=5e-5)
    assert chart.lower == pytest.approx(45.8159, abs=5e-5)


def test_limits_match_the_textbook_example():
    chart = limits_of(MONTGOMERY_INDIVIDUALS)
    assert chart.centre == pytest.approx(99.095, abs=5e-4)
    assert chart.sd == pytest.approx(2.5895 / 1.128, abs=5e-5)
    assert chart.upper == pytest.approx(105.98, abs=5e-3)
    assert chart.lower == pytest.approx(92.21, abs=5e-3)


def test_limits_match_the_belt_example():
    # Printed with d2 = 1.128379: 1.128 moves the limits by 5e-5 of 0.15 and the last digit.
    chart = limits_of(BELT_DIAMETERS)
    assert chart.centre == pytest.approx(24.0083, abs=5e-5)
    assert chart.lower == pytest.approx(23.8571, abs=1.1e-4)
    assert chart.upper == pytest.approx(24.1596, abs=1.1e-4)
    assert chart.sd == pytest.approx(0.050423, abs=2e-5)


def test_limits_rest_on_the_reference_period_alone():
    values = [*NIST_INDIVIDUALS, 70.0, 80.0, 90.0]
    reference = [True] * 10 + [False] * 3
    assert individuals_chart(values, reference, 0.0) == limits_of(NIST_INDIVIDUALS)


def test_a_value_not_seen_is_skipped_not_bridged():
    assert limits_of([10.0, 12.0, math.nan, 50.0, 52.0]).sd == pytest.approx(2.0 / 1.128)


@pytest.mark.parametrize("values", [[], [1.0], [1.0, math.nan, 2.0]])
def test_too_few_values_make_no_limits(values):
    assert math.isnan(limits_of(values).upper)


def test_limits_hold_all_but_one_in_370_of_a_steady_process():
    # Shewhart: 0.27 % beyond three standard deviations; limits from 200,000 values.
    values = np.random.default_rng(51).normal(0.0, 1.0, 200_000)
    chart = limits_of(values)
    beyond = np.mean((values > chart.upper) | (values < chart.lower))
    assert beyond == pytest.approx(1.0 / 370.398, rel=0.12)


def test_the_moving_average_matches_the_nist_example():
    chart = ewma_chart(NIST_EWMA, centre=50.0, sd=2.0539)
    assert chart.values == pytest.approx(NIST_EWMA_VALUES, abs=5.1e-3)
    assert chart.upper[-1] == pytest.approx(52.5884, abs=1e-4)
    assert chart.lower[-1] == pytest.approx(47.4115, abs=1e-4)
    # First limits by hand from the formula: 50 + 3 * 2.0539 * 0.3 = 51.8485.
    assert chart.upper[:5] == pytest.approx([51.8485, 52.2564, 52.4314, 52.5127, 52.5516], abs=5e-5)


def test_the_moving_average_signals_where_the_textbook_does(monkeypatch):
    monkeypatch.setattr(stability, "EWMA_WEIGHT", 0.1)
    monkeypatch.setattr(stability, "LIMIT_WIDTH", 2.7)
    chart = ewma_chart(MONTGOMERY_EWMA, centre=10.0, sd=1.0)
    assert chart.values[[0, 9, 28]] == pytest.approx([9.945, 10.0232, 10.6468], abs=5e-5)
    beyond = np.flatnonzero((chart.values > chart.upper) | (chart.values < chart.lower)) + 1
    assert list(beyond) == [29, 30]


def test_a_moving_average_holds_while_nothing_is_seen():
    chart = ewma_chart([1.0, math.nan, 1.0], centre=0.0, sd=1.0)
    alone = ewma_chart([1.0, 1.0], centre=0.0, sd=1.0)
    assert list(chart.values[[0, 2]]) == list(alone.values)
    assert chart.values[1] == chart.values[0]
    assert chart.upper[1] == chart.upper[0]


def told_of_single_values(values, limits, average=None):
    """Return what the limits, runs and zones say; the other charts see nothing."""
    wide = np.full(len(values), np.inf)
    still = np.zeros(len(values))
    ewma = average or EwmaChart(still, -wide, wide)
    found = signals(values, limits, ewma, CusumChart(still, still, math.inf))
    return [words(told) for told in found]


def test_each_rule_is_told_in_words_where_it_breaks():
    values = [0.1, -0.1, 5.0, -5.0, math.nan, *[0.5] * 8, 0.0, 0.5]
    limits = limits_of([0.0, 1.128, 0.0, -1.128, 0.0])  # centre 0, sd 1 by hand
    assert (limits.centre, limits.sd) == pytest.approx((0.0, 1.0))
    found = told_of_single_values(values, limits)
    assert found[2] == "beyond the upper limit"
    assert found[3] == "beyond the lower limit"
    assert found[11] == ""
    assert found[12] == "8 in a row above the centre"
    assert found[13] == found[14] == ""


def test_a_value_not_seen_does_not_break_a_run():
    limits = limits_of([0.0, 1.128, 0.0, -1.128, 0.0])
    found = told_of_single_values([-0.5] * 4 + [math.nan] + [-0.5] * 4, limits)
    assert found[-1] == "8 in a row below the centre"
    assert found[4] == ""


def test_a_small_lasting_shift_is_seen_by_the_moving_average():
    limits = limits_of([0.0, 1.128, 0.0, -1.128, 0.0])
    values = [0.1, -0.1] * 3 + [0.99] * 7
    chart = ewma_chart(values, centre=0.0, sd=0.6)
    found = told_of_single_values(values, limits, chart)
    assert found[-1] == "moving average beyond the upper limit"
    assert told_of_single_values(values, limits)[-1] == ""


def test_slopes_match_the_certified_norris_line():
    # NIST StRD Norris, read from SciPy's own copy of the data: b1, its standard error (34 dof).
    data = norris()
    got = slope_against(data[:, 1], data[:, 0])
    assert got.slope == pytest.approx(1.00211681802045, rel=1e-12)
    half = stats.t.ppf(0.975, 34) * 0.429796848199937e-3
    assert got.upper - got.slope == pytest.approx(half, rel=1e-9)


def norris():
    pytest.importorskip("scipy.stats.tests")
    data = files("scipy.stats.tests") / "data" / "nist_linregress" / "Norris.dat"
    text = data.read_text(encoding="utf-8")
    return np.array(text.split()[-72:], dtype=float).reshape(36, 2)  # y, x: the file's last part


@given(st.integers(0, 10_000))
def test_slope_and_p_are_those_of_scipy(seed):
    rng = np.random.default_rng(seed)
    x, y = rng.normal(1.15, 0.03, 12), rng.normal(0.0, 0.01, 12)
    expected = stats.linregress(x, y)
    got = slope_against(x, y)
    assert got.slope == pytest.approx(expected.slope, rel=1e-9)
    assert got.p == pytest.approx(expected.pvalue, rel=1e-9)
    half = stats.t.ppf(0.975, 10) * expected.stderr
    assert (got.lower, got.upper) == pytest.approx((got.slope - half, got.slope + half), rel=1e-9)


def test_pairs_not_seen_are_left_out():
    assert slope_against([1.0, 2.0, math.nan, 4.0], [1.0, 2.1, 9.0, 4.0]) == slope_against(
        [1.0, 2.0, 4.0], [1.0, 2.1, 4.0]
    )


@pytest.mark.parametrize("x", [[1.0], [2.0, 2.0, 2.0], []])
def test_an_influence_that_never_changes_has_no_slope(x):
    assert math.isnan(slope_against(x, [0.0] * len(x)).slope)


def spells_of_two_charts(seed, slopes=(0.6, 0.6)):
    rng = np.random.default_rng(seed)
    x = rng.normal(0.0, 1.5, 36)
    spells = np.repeat(["left 0", "left 1", "right 0"], 12)
    charts = np.repeat(["left", "right"], [24, 12])
    level = np.repeat([0.0, 2.0, -1.0], 12)
    slope = np.where(charts == "left", *slopes)
    y = level + slope * x + rng.normal(0.0, 0.5, 36)
    return x, y, spells.tolist(), charts.tolist()


@given(st.integers(0, 10_000))
def test_the_slope_that_charts_share_is_that_of_an_analysis_of_covariance(seed):
    # statsmodels: one intercept a spell, one slope; F of a slope for each chart against it.
    x, y, spells, charts = spells_of_two_charts(seed)
    data = pd.DataFrame({"x": x, "y": y, "spell": spells, "chart": charts})
    one = smf.ols("y ~ C(spell) + x", data).fit()
    each = smf.ols("y ~ C(spell) + x:C(chart)", data).fit()
    got, p_unlike = common_slope(x, y, spells, charts)
    low, high = one.conf_int().loc["x"]
    assert got == pytest.approx((one.params["x"], low, high, one.pvalues["x"]), rel=1e-6)
    assert p_unlike == pytest.approx(each.compare_f_test(one)[1], rel=1e-6)


def test_unlike_slopes_are_told_from_like_ones():
    x, y, spells, charts = spells_of_two_charts(3, (0.0, 1.0))
    assert common_slope(x, y, spells, charts)[1] < 1e-3
    x, y, spells, charts = spells_of_two_charts(3)
    assert common_slope(x, y, spells, charts)[1] > 0.05


def test_a_change_of_level_is_no_slope():
    # The level and the air change on one day: within each spell there is nothing to see.
    x = np.repeat([0.0, 3.0], 10) + np.tile([-1.0, 1.0], 10)
    y = np.repeat([0.0, 2.0], 10)
    spells = ["before"] * 10 + ["after"] * 10
    assert slope_against(x, y).slope > 0.4
    assert common_slope(x, y, spells, ["one"] * 20)[0].slope == pytest.approx(0.0, abs=1e-12)


def test_spells_that_saw_nothing_move_share_no_slope():
    slope, p_unlike = common_slope(
        [0.1 + 0.2, 0.3, 0.3], [1.0, 2.0, 3.0], ["a", "b", "b"], ["one"] * 3
    )
    assert math.isnan(slope.slope)
    assert math.isnan(p_unlike)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: common_slope([1.0], [1.0], ["a", "b"], ["c"]), "must have one length"),
        (lambda: common_slope([1.0], [1.0, 2.0], ["a"], ["c"]), "x, y must have one length"),
        (lambda: individuals_chart([1.0, 2.0], [True], 0.0), "reference must have one length"),
        (lambda: limits_of([[1.0]]), "values must be one row"),
        (lambda: ewma_chart([1.0], centre=0.0, sd=-1.0), "sd must be at least 0, got -1"),
        (
            lambda: signals(
                [1.0, 2.0],
                limits_of([1.0, 2.0]),
                ewma_chart([1.0, 2.0], centre=0.0, sd=1.0),
                CusumChart(np.zeros(1), np.zeros(1), 5.0),
            ),
            "values, ewma, cusum must have one length, got 2, 2, 1",
        ),
    ],
)
def test_rows_that_do_not_belong_together_are_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()
