"""Bands of a gain against the same model by linear algebra, and its ends by their definitions.

The model is the one that the gain states: a level and shapes of a mounting, a level of each pull,
and a local part that correlates as exp(-(d / b)^2 / 2). Here it is a covariance matrix, its draws
come from an eigendecomposition, and no function of the gain is asked for any of it.
"""

import itertools
import math
from typing import Any

import numpy as np
import pytest
from scipy import stats

from flows.metrics import gain as gain_module
from flows.metrics.gain import Weighed, gain, riding_range_rpm
from flows.metrics.soak import Slope, soak_places

GRID_RPM = np.arange(3000.0, 9001.0, 50.0)
# The peak at 8140 rpm: the riding range starts at 3256, and 3300 is its first speed.
BASE_W = 50e3 - 1e-3 * (GRID_RPM - 8140.0) ** 2
RIDDEN = GRID_RPM >= 3256.0
SLOPE = (GRID_RPM - 6150.0) / 2850.0
SHAPES = np.array([0.005 + 0.006 * SLOPE, 0.002 - 0.004 * SLOPE**2, 0.001 * np.ones(GRID_RPM.size)])
KNOWN: dict[str, Any] = {
    "repeatability_share": 0.004, "repeatability_dof": 4.0, "remount_share": 0.007,
    "correction_share": 0.0, "same_mounting": True,
}  # fmt: skip


def correlation(bandwidth_rpm, grid_rpm=GRID_RPM):
    away = (grid_rpm[:, None] - grid_rpm) / bandwidth_rpm
    return np.exp(-0.5 * away**2)


def centred(matrix, ranged):
    """Return the covariance of a field less its own mean over the range."""
    less = np.eye(ranged.size) - ranged / ranged.sum()
    return less @ matrix @ less.T


def waved(rng, pulls, bandwidth_rpm, lift=0.0):
    value, vector = np.linalg.eigh(correlation(bandwidth_rpm))
    root = vector * np.sqrt(np.maximum(value, 0.0))
    waves = rng.standard_normal((pulls, GRID_RPM.size)) @ root.T
    return np.log(BASE_W) + lift + 0.004 * rng.standard_normal((pulls, 1)) + 0.003 * waves


def by_algebra(sessions, weights, ridden, bandwidth_rpm, shapes, remount_share, remount_dof):
    """Return the gain's log curve, its variance at each speed and their degrees of freedom."""
    means = [one.mean(axis=0) for one in sessions]
    apart = [(one - mean)[:, ridden] for one, mean in zip(sessions, means, strict=True)]
    levels = [one.mean(axis=1, keepdims=True) for one in apart]
    dof = sum(len(one) - 1 for one in sessions)
    # JCGM 100, G.4, and Smyth's moderation: of 4 degrees of freedom 0.4 %, beside the pulls' own.
    level = (4 * 0.004**2 + sum(float((one**2).sum()) for one in levels)) / (4 + dof)
    squares = [
        np.square(one - mean).mean(axis=1).sum() for one, mean in zip(apart, levels, strict=True)
    ]
    local = max(sum(squares) / dof, (0.2 * 0.004) ** 2)
    local_dof = dof * max(1.0, np.ptp(GRID_RPM[ridden]) / (bandwidth_rpm * math.sqrt(math.pi)))
    pulls = sum(weight**2 / len(one) for weight, one in zip(weights, sessions, strict=True))
    mounts = 0.0 if shapes is None else sum(one**2 for one in weights)
    whole = level * pulls + mounts * remount_share**2
    per_dof = (level * pulls) ** 2 / (4 + dof) + (mounts * remount_share**2) ** 2 / remount_dof
    mounted = np.zeros(GRID_RPM.size)
    if shapes is not None:
        middle = shapes[:, ridden].mean(axis=1, keepdims=True)
        size = math.sqrt(float((middle**2).sum()))
        even = np.full(middle.shape, remount_share / math.sqrt(len(shapes)))
        to = middle * remount_share / size if size else even
        mounted = mounts * ((shapes - middle + to) ** 2).sum(axis=0)
    factor = np.diag(centred(correlation(bandwidth_rpm), ridden))
    of_local = local * pulls * factor / factor[ridden].mean()
    variance = level * pulls + mounted + of_local
    spread = of_local[ridden].mean()
    point_dof = (whole + spread) ** 2 / (per_dof + spread**2 / local_dof)
    log_gain = sum(weight * mean for weight, mean in zip(weights, means, strict=True))
    return log_gain, variance, point_dof


TWO, THREE = (-1.0, 1.0), (-0.5, -0.5, 1.0)


@pytest.mark.parametrize(
    ("weights", "pulls", "bandwidth_rpm", "shapes"),
    [
        pytest.param(TWO, (3, 3), 150.0, None, id="strapped, as many as the shop's own"),
        pytest.param(TWO, (2, 5), 400.0, SHAPES, id="three shapes"),
        pytest.param(TWO, (4, 3), 6000.0, SHAPES[:1], id="one wave along the whole range"),
        pytest.param(THREE, (2, 4, 3), 250.0, SHAPES[:2], id="put back"),
        pytest.param(TWO, (3, 4), 150.0, 0.0 * SHAPES, id="shapes of no level"),
    ],
)
def test_the_interval_of_each_speed_is_that_of_the_model_by_linear_algebra(
    weights, pulls, bandwidth_rpm, shapes
):
    rng = np.random.default_rng(101)
    sessions = [waved(rng, count, bandwidth_rpm) for count in pulls]
    sessions[-1] += 0.02
    # In the order of the weights: before, again, after; the gain is asked before, after, again.
    asked = [sessions[0], sessions[-1], *sessions[1:-1]]
    given: dict[str, Any] = KNOWN | {"same_mounting": shapes is None, "remount_dof": 9.0}
    if bandwidth_rpm != 150.0:  # which is what the gain takes unasked
        given["bandwidth_rpm"] = bandwidth_rpm
    if shapes is not None:
        given["remount_shapes"] = shapes
    if len(asked) > 2:
        given["again_curves"] = np.exp(asked[2])
    found = gain(
        GRID_RPM, np.exp(asked[0]), np.exp(asked[1]), **given,
        weighed=[Weighed(np.ones(len(one)), float(len(one))) for one in asked],
    )  # fmt: skip
    ridden = (found.range_from_rpm <= GRID_RPM) & (found.range_to_rpm >= GRID_RPM)
    log_gain, variance, dof = by_algebra(
        sessions, weights, ridden, bandwidth_rpm, shapes, 0.007, 9.0
    )
    assert np.log1p(found.gain_pct / 100.0) == pytest.approx(log_gain, abs=1e-12)
    halves = [
        np.log1p(getattr(found, name) / 100.0) - log_gain for name in ("lower_pct", "upper_pct")
    ]
    by_hand = stats.t.isf(0.025, dof) * np.sqrt(variance)
    assert halves[1] == pytest.approx(by_hand, rel=1e-6)
    assert halves[0] == pytest.approx(-by_hand, rel=1e-6)


def drawn_by_algebra(count, bandwidth_rpm, ranged, common, shapes, local):
    """Return draws of the error along a curve, a row a draw, and its SD at each speed."""
    rng = np.random.default_rng(102)
    matrix = local[:, None] * centred(correlation(bandwidth_rpm), ranged) * local
    matrix = matrix + common + shapes.T @ shapes
    value, vector = np.linalg.eigh(matrix)
    root = vector * np.sqrt(np.maximum(value, 0.0))
    return rng.standard_normal((count, ranged.size)) @ root.T, np.sqrt(np.diag(matrix))


NONE = np.zeros((1, GRID_RPM.size))
ONE = np.full(GRID_RPM.size, 0.01)
HUMP = 0.01 * np.exp(-(((GRID_RPM - 6000.0) / 800.0) ** 2))


@pytest.mark.parametrize(
    ("bandwidth_rpm", "common", "shapes", "local", "log_gain", "dof"),
    [
        pytest.param(150.0, 0.0, NONE, ONE, 0.0 * HUMP, 1e9, id="short waves alone"),
        pytest.param(1500.0, 0.0, NONE, ONE, 0.0 * HUMP, 1e9, id="long waves alone"),
        pytest.param(300.0, 0.01**2, NONE, ONE, 2.0 * HUMP, 6.0, id="and a level, few dof"),
        pytest.param(
            300.0, 0.0, np.array([0.0 * SLOPE, 0.0 * SLOPE, 0.03 * SLOPE]), 0.2 * ONE, -HUMP, 30.0,
            id="a tilt, the third of three shapes",
        ),
        pytest.param(
            300.0, 0.0, np.array([0.02 * SLOPE, 0.02 * SLOPE**2, 0.02 * np.sin(6.0 * SLOPE)]), ONE,
            HUMP * (1.0 + SLOPE), 30.0, id="three shapes",
        ),
    ],
)  # fmt: skip
def test_the_band_of_the_whole_curve_is_that_of_draws_from_the_covariance_matrix(
    bandwidth_rpm, common, shapes, local, log_gain, dof
):
    found = gain_module._whole_band(
        log_gain, np.arange(GRID_RPM.size), 50.0 / bandwidth_rpm, RIDDEN, common, shapes, local, dof
    )
    error, sd = drawn_by_algebra(12_000, bandwidth_rpm, RIDDEN, common, shapes, local)
    scale = np.sqrt(np.random.default_rng(103).chisquare(dof, len(error)) / dof)
    greatest = np.abs(error / sd).max(axis=1) / scale
    # Three standard errors: of the gain's 4000 draws 1.5 %.
    assert found.critical == pytest.approx(np.quantile(greatest, 0.95), rel=0.045)
    for bias, sign in ((found.highest_bias, 1.0), (found.lowest_bias, -1.0)):
        along = sign * log_gain[RIDDEN]
        with_noise = sign * (log_gain + error)[:, RIDDEN]
        over = with_noise.max(axis=1) - with_noise[:, int(np.argmax(along))]
        # The gain takes 500 draws: four standard errors of their mean.
        slack = 4.0 * over.std() / math.sqrt(500.0)
        assert sign * bias == pytest.approx(over.mean(), abs=slack)
        assert sign * bias > 0.0


@pytest.mark.parametrize("step", [1.0 / 3.0, 0.1])
def test_drawn_local_deviations_have_the_correlation_of_the_model_up_to_the_ends(step):
    draws = gain_module._local_draws(100, step)
    assert draws.shape == (100, 4000)
    for apart in (0, 2, 4, 8, 20):
        product = (draws[: 100 - apart] * draws[apart:]).mean(axis=1)
        expected = math.exp(-0.5 * (apart * step) ** 2)
        # 4000 draws: 1.6 points each; of all hundred no more than four of them off.
        assert product == pytest.approx(np.full(product.size, expected), abs=0.09)
        assert product.mean() == pytest.approx(expected, abs=0.03)
    # They are kept from one comparison to the next.
    with pytest.raises(ValueError, match="read-only"):
        draws[0, 0] = 1.0


def test_draws_of_level_shapes_and_chi_square_are_what_they_say():
    common, shaped, below = gain_module._common_draws()
    assert shaped.shape == (3, common.size)
    normal = np.vstack([common, shaped])
    # Kolmogorov and Smirnov's test, and correlations within four standard errors of 0.
    assert all(stats.kstest(one, "norm").pvalue > 0.001 for one in normal)
    assert np.corrcoef(normal) == pytest.approx(np.eye(4), abs=4.0 / math.sqrt(common.size))
    # Each share once, at the middle of its step; by chance beside the level.
    assert np.sort(below) * common.size == pytest.approx(np.arange(common.size) + 0.5)
    assert abs(np.corrcoef(common, below)[0, 1]) < 4.0 / math.sqrt(common.size)


def test_rows_are_the_same_whichever_are_asked_for():
    values = np.arange(12.0).reshape(6, 2)
    for count in range(1, 7):
        for asked in itertools.combinations(range(6), count):
            found = gain_module._rows(values, np.array(asked))
            assert found.tolist() == [values[one].tolist() for one in asked]


def wavy(lift, seed=104):
    """Return a gain of a hump and a dip, or of the same curve upside down."""
    rng = np.random.default_rng(seed)
    before, after = waved(rng, 3, 150.0), waved(rng, 3, 150.0)
    after = after - after.mean(axis=0) + before.mean(axis=0) + lift
    return gain(GRID_RPM, np.exp(before), np.exp(after), **KNOWN, weighed_by_share=0.02)


HUMP_AND_DIP = 0.04 * np.exp(-(((GRID_RPM - 7000.0) / 500.0) ** 2)) - 0.03 * np.exp(
    -(((GRID_RPM - 5000.0) / 500.0) ** 2)
)


def test_the_ends_of_the_greatest_gain_and_loss_are_those_of_the_two_bands():
    found = wavy(HUMP_AND_DIP)
    ridden = (found.range_from_rpm <= GRID_RPM) & (found.range_to_rpm >= GRID_RPM)
    by_definition = [
        found.whole_lower_pct[ridden].max(), found.upper_pct[ridden].max(),
        found.lower_pct[ridden].min(), found.whole_upper_pct[ridden].min(),
    ]  # fmt: skip
    assert [
        found.greatest_gain_lower_pct, found.greatest_gain_upper_pct,
        found.greatest_loss_lower_pct, found.greatest_loss_upper_pct,
    ] == pytest.approx(by_definition)  # fmt: skip
    # Noise makes a top higher and a dip deeper: what is told is less of both.
    assert found.greatest_gain_lower_pct < found.greatest_gain_pct < found.gain_pct[ridden].max()
    assert found.gain_pct[ridden].min() < found.greatest_loss_pct < found.greatest_loss_upper_pct


def test_the_range_that_both_saw_starts_at_the_first_speed_beyond_two_fifths_of_peak_speed():
    # By hand: 0.4 of 8140 rpm is 3256.
    flat = np.outer(np.ones(3), BASE_W)
    found = gain(GRID_RPM, flat, flat, **KNOWN)
    assert (found.range_from_rpm, found.range_to_rpm) == (3300.0, 9000.0)


def test_a_curve_upside_down_has_its_gain_where_it_had_its_loss():
    there, back = wavy(HUMP_AND_DIP), wavy(-HUMP_AND_DIP)
    assert back.greatest_loss_speed_rpm == there.greatest_gain_speed_rpm
    for one, other in (("gain", "loss"), ("loss", "gain")):
        for this, that in (("pct", "pct"), ("lower_pct", "upper_pct"), ("upper_pct", "lower_pct")):
            first = math.log1p(getattr(there, f"greatest_{one}_{this}") / 100.0)
            second = math.log1p(getattr(back, f"greatest_{other}_{that}") / 100.0)
            # The draws are not turned round: their mean's own luck is left, 0.02 % of 0.3 %.
            assert first == pytest.approx(-second, abs=3e-4)


def test_a_drift_of_more_than_one_percent_is_a_step_and_a_lesser_one_is_not():
    # A shop that repeats to 0.05 %: both drifts are clear, and only the limit of 1 % decides.
    flat = np.outer(np.ones(3), BASE_W)
    for drift, is_step in ((0.009, False), (0.011, True)):
        found = gain(
            GRID_RPM, flat, flat, again_curves=math.exp(drift) * flat,
            **KNOWN | {"repeatability_share": 0.0005, "repeatability_dof": math.inf},
        )  # fmt: skip
        assert ("unsteady drift" in {one.name for one in found.budget}) is is_step


def test_days_of_which_the_dyno_s_level_is_not_told_add_nothing():
    flat = np.outer(np.ones(3), BASE_W)
    found = gain(GRID_RPM, flat, flat, **KNOWN, days=[1, 2])
    assert [one.share for one in found.budget if one.name == "day"] == [0.0]


def test_two_pulls_before_and_one_after_tell_their_scatter_without_any_history():
    # By hand: 0 and 1 % scatter by 0.01 / root 2 on one degree of freedom.
    before = np.outer(np.exp([0.0, 0.01]), BASE_W)
    found = gain(
        GRID_RPM, before, before[:1], **KNOWN | {"repeatability_dof": 0.0}, weighed_by_share=0.02
    )
    assert (found.level_sd, found.dof) == pytest.approx((0.01 / math.sqrt(2.0), 1.0))
    # One pull each: the shop's figure, with the widest interval there is.
    alone = gain(GRID_RPM, before[:1], before[:1], **KNOWN | {"repeatability_dof": 0.0})
    assert (alone.level_sd, alone.dof) == pytest.approx((0.004, 1.0))


RISING_W = 5.0 * GRID_RPM


def ending(curve, last_rpm):
    return np.outer(np.ones(3), np.where(last_rpm >= GRID_RPM, curve, np.nan))


def test_a_curve_is_cut_short_only_below_nine_tenths_of_the_other_s_end():
    # 8100 of 9000 rpm are nine tenths: a limit raised, and its 900 rpm count.
    raised = gain(GRID_RPM, ending(RISING_W, 8100.0), ending(RISING_W, 9000.0), **KNOWN)
    assert raised.over_rev_rpm == 900.0
    assert raised.peak_gain_pct == pytest.approx(100.0 * (9000.0 / 8100.0 - 1.0))
    cut = gain(GRID_RPM, ending(RISING_W, 8050.0), ending(RISING_W, 9000.0), **KNOWN)
    assert cut.over_rev_rpm == 0.0
    assert cut.peak_gain_pct == pytest.approx(0.0, abs=1e-9)


def test_a_short_curve_that_has_shown_its_peak_was_not_cut_short():
    # Peaks of 40 kW at 5000 rpm, seen to 6000, and of 44 kW at 8000 rpm: 10 % by hand.
    early = 40e3 - 2e-3 * (GRID_RPM - 5000.0) ** 2
    late = 44e3 - 1e-3 * (GRID_RPM - 8000.0) ** 2
    found = gain(GRID_RPM, ending(early, 6000.0), ending(late, 9000.0), **KNOWN)
    assert found.peak_gain_pct == pytest.approx(10.0, abs=1e-6)
    # Turned round: 40 / 44.
    back = gain(GRID_RPM, ending(late, 9000.0), ending(early, 6000.0), **KNOWN)
    assert back.peak_gain_pct == pytest.approx(100.0 * (40.0 / 44.0 - 1.0), abs=1e-6)


def test_over_rev_counts_from_the_first_speed_beyond_the_old_limit():
    # By hand: nine tenths of the power at 8950 rpm are there from 8055 on; the old limit is 8050.
    falling = 40e3 - 2e-3 * (GRID_RPM - 6000.0) ** 2
    found = gain(GRID_RPM, ending(falling, 8050.0), ending(RISING_W, 8950.0), **KNOWN)
    assert found.over_rev_rpm == 900.0


def test_the_chance_of_a_mean_gain_is_that_of_student_s_t_where_peak_and_mean_are_one():
    # Mountings of 5 % that lift all speeds alike: of one error nothing is paid for looking twice.
    flat = np.outer(np.ones(3), BASE_W)
    known = KNOWN | {"same_mounting": False, "remount_share": 0.05, "remount_dof": 12.0}
    for lift in (0.08, 0.15, -0.15):
        found = gain(GRID_RPM, flat, math.exp(lift) * flat, **known)
        alone = 2.0 * stats.t.sf(abs(lift) / found.log_mean_gain_sd, found.dof)
        assert found.mean_p == pytest.approx(alone, rel=0.02)
        assert found.peak_p == pytest.approx(alone, rel=0.02)


def test_a_grid_may_be_as_short_and_as_fine_as_one_likes_and_four_shapes_are_too_many():
    for grid in ([3000.0, 3600.0], [3000.0, 3000.5, 3001.0]):
        power = np.ones((1, len(grid)))
        assert gain_module._laid(grid, power, power, None)[0].tolist() == grid
    for grid in ([3000.0, 3000.0], [3600.0, 3000.0], [3000.0, 3100.0, 3250.0]):
        with pytest.raises(ValueError, match="must rise in equal steps"):
            gain_module._laid(grid, np.ones((1, len(grid))), np.ones((1, len(grid))), None)
    assert gain_module._mounted(GRID_RPM, SHAPES, 0.007).shape == (3, GRID_RPM.size)
    with pytest.raises(ValueError, match="at most 3 rows"):
        gain_module._mounted(GRID_RPM, SHAPES[[0, 1, 2, 2]], 0.007)


@pytest.mark.parametrize("size", [20, 21, 22, 40, 41, 57, 100])
def test_the_quantile_of_few_draws_is_that_of_all_of_them(size):
    chance = np.random.default_rng(size)
    greatest = np.abs(chance.standard_normal(size)) + 1.0
    below = (chance.permutation(size) + 0.5) / size
    every = greatest / np.sqrt(stats.chi2.ppf(below, 5.0) / 5.0)
    found = gain_module._quantile_over_root_chi(greatest, below, 5.0)
    assert found == pytest.approx(np.quantile(every, 0.95), rel=1e-9)


def trending(pulls, slope):
    """Return a gain of none but a trend of so much a pull, three minutes from each to the next."""
    at = [180.0 * np.arange(pulls), 180.0 * (pulls + np.arange(pulls))]
    places = soak_places(at, [pulls, pulls], [1, 1])
    sides = [np.outer(np.exp(slope * one / 180.0), BASE_W) for one in at]
    return gain(
        GRID_RPM, *sides, **KNOWN, places=places, usual_slope=Slope(0.0, 0.003, False),
        weighed_by_share=0.02,
    )  # fmt: skip


def test_two_pulls_a_side_tell_a_trend_and_one_a_side_tells_none():
    # By hand: two means and a slope leave one degree of freedom of four pulls, and that without
    # any scatter, beside the shop's four: 0.004 root (4 / 5).
    assert trending(2, -0.003).level_sd == pytest.approx(0.004 * math.sqrt(0.8), rel=1e-6)
    # One pull each leaves the shop's figure.
    assert trending(1, -0.003).level_sd == pytest.approx(0.004, rel=1e-9)


def test_what_a_trend_did_is_taken_off_the_peak_as_off_the_mean():
    found = trending(3, -0.003)
    assert found.log_peak_gain == pytest.approx(found.log_mean_gain, abs=1e-9)
    assert -0.009 < found.log_mean_gain + math.log1p(found.trend_pct / 100.0) < -0.008999


def test_a_peak_is_as_sure_as_its_speed():
    rng = np.random.default_rng(105)
    flat = [np.outer(np.exp(0.004 * rng.standard_normal(3)), BASE_W) for _ in range(2)]
    given: dict[str, Any] = KNOWN | {"same_mounting": False, "remount_shapes": SHAPES}
    found = gain(GRID_RPM, *flat, **given, weighed_by_share=0.02)
    half = np.log1p(found.upper_pct / 100.0) - np.log1p(found.gain_pct / 100.0)
    by_hand = float(np.interp(8140.0, GRID_RPM, half))
    for name in ("peak_gain", "gain_at_peak"):
        low, told, high = (
            math.log1p(getattr(found, f"{name}{end}_pct") / 100.0)
            for end in ("_lower", "", "_upper")
        )
        assert (told - low, high - told) == pytest.approx((by_hand, by_hand), rel=1e-3)


def test_of_a_curve_that_nobody_saw_there_is_no_riding_range():
    assert np.isnan(riding_range_rpm(GRID_RPM, np.full(GRID_RPM.size, np.nan))).all()


def test_the_limits_of_the_range_and_of_what_must_be_shared_belong_to_them():
    # By hand: two fifths of 9000 rpm are 3600, a point of the grid; 8500 to 9000 are 500 rpm.
    rising = ending(RISING_W, 9000.0)
    late = np.where(GRID_RPM >= 8500.0, rising, np.nan)
    assert gain(GRID_RPM, rising, rising, **KNOWN).range_from_rpm == 3600.0
    assert gain(GRID_RPM, rising, late, **KNOWN).range_from_rpm == 8500.0


def test_where_scatter_is_known_for_certain_power_is_that_of_the_normal():
    flat = np.outer(np.ones(3), BASE_W)
    found = gain(GRID_RPM, flat, flat, **KNOWN | {"repeatability_dof": math.inf})
    # Tables of the normal: 97.5 % at 1.95996 and 80 % at 0.84162, together 2.80158.
    in_sd = math.log1p(found.smallest_detectable_pct / 100.0) / found.log_mean_gain_sd
    assert in_sd == pytest.approx(2.80158, abs=1e-5)


def test_a_pull_that_saw_a_part_of_the_range_tells_of_the_scatter_too():
    whole = np.outer([1.0, 1.001, 0.999], BASE_W)
    cut = whole.copy()
    cut[0, -20:] = np.nan
    # By hand: three pulls a side, two degrees of freedom each.
    assert gain(GRID_RPM, cut, whole, **KNOWN | {"repeatability_dof": 0.0}).dof == 4.0


def test_a_day_s_own_level_is_no_part_of_a_drift_within_that_day():
    flat = np.outer(np.ones(3), BASE_W)
    ends = [
        gain(
            GRID_RPM, flat, flat, again_curves=flat, **KNOWN, days=[1, 1, 1], day_share=share
        ).drift_upper_pct
        for share in (0.0, 0.02)
    ]  # fmt: skip
    assert ends[0] == pytest.approx(ends[1], rel=1e-12)
