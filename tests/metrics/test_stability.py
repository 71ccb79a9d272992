"""Slopes of corrected power against the air, against certified and reference fits."""

import math
from importlib.resources import files

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from flows.metrics.stability import common_slope


def slope_against(x, y):
    """Return the slope within one steady spell of one chart."""
    return common_slope(x, y, ["spell"] * len(x), ["chart"] * len(x))[0]


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
    ],
)
def test_rows_that_do_not_belong_together_are_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()
