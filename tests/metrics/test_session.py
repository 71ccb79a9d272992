"""The session: mean curves, drift, and repeatability against published examples."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from flows.metrics.session import (
    level_drift_pct_per_pull,
    pooled_sd,
    pull_levels,
    session_mean,
)

SHAPE_W = 60e3 * np.sin(np.linspace(0.6, 1.7, 120))


def pulls(*levels):
    """Curves of one shape at the given levels, 1.0 being the usual one."""
    return np.array(levels)[:, None] * SHAPE_W


def test_the_mean_of_pulls_that_saw_the_same_is_their_geometric_mean():
    curves = np.random.default_rng(1).uniform(40e3, 60e3, (4, 30))
    assert session_mean(curves) == pytest.approx(stats.gmean(curves, axis=0), rel=1e-12)


def test_the_mean_does_not_step_where_a_pull_ends():
    curves = pulls(1.00, 1.00, 1.03)
    curves[2, 80:] = np.nan
    ratio = session_mean(curves) / SHAPE_W
    assert ratio == pytest.approx(np.full(120, 1.03 ** (1 / 3)), rel=1e-9)


def test_the_mean_is_silent_where_fewer_than_half_of_the_pulls_saw_anything():
    curves = pulls(1.0, 1.0, 1.0, 1.0)
    curves[2:, 100:] = np.nan
    curves[1:, 110:] = np.nan
    seen = np.isfinite(session_mean(curves))
    assert seen[:110].all()
    assert not seen[110:].any()


def test_a_pull_that_saw_nothing_changes_nothing():
    curves = pulls(1.01, 1.02)
    with_empty = np.vstack((curves, np.full(120, np.nan)))
    assert session_mean(with_empty) == pytest.approx(session_mean(curves), rel=1e-12)


@settings(max_examples=40)
@given(st.permutations(range(5)), st.floats(0.5, 2.0))
def test_order_and_scale_of_the_pulls_do_not_matter(order, scale):
    curves = pulls(1.00, 1.01, 0.99, 1.02, 0.98)
    assert session_mean(scale * curves[order]) == pytest.approx(scale * session_mean(curves))
    assert pull_levels(scale * curves[order]) == pytest.approx(
        pull_levels(curves)[order], abs=1e-12
    )


def test_levels_are_log_ratios_to_the_median_pull():
    got = pull_levels(pulls(1.00, 1.02, 0.97))
    assert got == pytest.approx(np.log([1.00, 1.02, 0.97]), abs=1e-12)


def test_an_aborted_pull_does_not_shrink_the_range_the_others_are_judged_by():
    curves = pulls(1.00, 1.00, 1.00, 1.00)
    curves[0, 10:] = np.nan
    curves[1, :60] *= 1.10
    # On the ten points of the aborted pull the second would be 10 % off; over the curve it is
    # high on half of it only: ln(1.1) / 2 = 0.0477.
    assert pull_levels(curves)[1] == pytest.approx(0.0477, abs=1e-3)


def test_power_that_is_not_positive_is_refused():
    with pytest.raises(ValueError, match="power_curves must be above 0, got -5"):
        session_mean([[50.0, -5.0]])


def test_drift_is_the_slope_of_ordinary_regression():
    levels = np.array([0.004, 0.001, 0.002, -0.003, -0.004])
    expected = stats.linregress(np.arange(5), 100.0 * levels)
    got = level_drift_pct_per_pull(levels)
    assert got.slope_pct == pytest.approx(expected.slope)
    assert got.sd_pct == pytest.approx(expected.stderr)


def test_drift_keeps_the_place_of_a_pull_that_was_not_seen():
    got = level_drift_pct_per_pull([0.0, math.nan, -0.004])
    assert got.slope_pct == pytest.approx(-0.2)


def test_one_pull_has_no_drift():
    assert math.isnan(level_drift_pct_per_pull([0.001]).slope_pct)


def test_pooling_matches_the_nist_resistivity_example():
    # NIST/SEMATECH e-Handbook 2.4.4.3: five standard deviations of one degree of freedom each;
    # two values at +-s / sqrt(2) have standard deviation s. Pooled: 0.0197.
    groups = [
        np.array([-1.0, 1.0]) * sd / math.sqrt(2.0)
        for sd in (0.0223, 0.0027, 0.0289, 0.0133, 0.0205)
    ]
    got = pooled_sd(groups)
    assert got.sd == pytest.approx(0.0197, abs=5e-5)
    assert got.dof == 5


def test_groups_of_one_value_add_nothing():
    assert pooled_sd([[1.0, 2.0], [7.0], [math.nan, 3.0]]) == pooled_sd([[1.0, 2.0]])
    assert pooled_sd([[1.0], [2.0]]).dof == 0


@given(st.floats(-1e6, 1e6))
def test_pooled_scatter_does_not_see_a_shift_of_a_group(shift):
    here = pooled_sd([[1.0, 2.0, 4.0], [5.0, 5.5]])
    there = pooled_sd([[1.0, 2.0, 4.0], [5.0 + shift, 5.5 + shift]])
    assert there.sd == pytest.approx(here.sd, rel=1e-6)


# ISO 5725-2:1994, Annex B, example 1: sulfur in coal, 8 laboratories. Published: s_r.
SULFUR = [
    (
        "71 71 70 71|69 67 68|66 65 69|67 65 66|70 69 66 71 69|73 74 73|71 71 69|70 65 68",
        0.015,
    ),
    (
        "120 118 123 121|122 121 122|128 131 130|123 118 120|131 122 122 124|139 136 137"
        "|120 126 126|124 122 130",
        0.029,
    ),
    (
        "168 170 168 169|164 164 165|161 161 162|168 166 166|164 167 160 166 168|170 173 173"
        "|169 170 168|167 168 167",
        0.017,
    ),
    (
        "326 326 320 324|320 320 320|337 336 338|316 322 323|320 319 318 327 324|327 331 329"
        "|327 324 323|325 326 326",
        0.026,
    ),
]


def parsed(text, scale=1.0):
    return [[float(word) * scale for word in group.split()] for group in text.split("|")]


@pytest.mark.parametrize(("text", "repeatability"), SULFUR)
def test_repeatability_matches_the_standards_example(text, repeatability):
    assert pooled_sd(parsed(text, 0.01)).sd == pytest.approx(repeatability, abs=5e-4)


# Balanced one-way sets. Rail: Pinheiro and Bates 2000 (REML 4.020779 within); Dyestuff: lme4
# (49.510 within).
RAIL = "55 53 54|26 37 32|78 91 85|92 100 96|49 51 50|80 85 83"
DYESTUFF = (
    "1545 1440 1440 1520 1580|1540 1555 1490 1560 1495|1595 1550 1605 1510 1560"
    "|1445 1440 1595 1465 1545|1595 1630 1515 1635 1625|1520 1455 1450 1480 1445"
)


@pytest.mark.parametrize(("text", "within"), [(RAIL, 4.020779), (DYESTUFF, 49.510)])
def test_balanced_sets_match_published_mixed_models(text, within):
    assert pooled_sd(parsed(text)).sd == pytest.approx(within, rel=1e-5)


def test_leading_digits_do_not_eat_the_scatter():
    # After NIST StRD NumAcc4: mean 10000000.2, differences of 0.1.
    got = pooled_sd([[10_000_000.2] + [10_000_000.1, 10_000_000.3] * 500])
    assert got.sd == pytest.approx(0.1, rel=1e-6)


def test_pulls_that_saw_nothing_have_a_level_each_that_is_not_known():
    assert np.isnan(pull_levels(np.full((2, 5), math.nan))).tolist() == [True, True]
