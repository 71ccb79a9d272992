"""The gain: figures by hand, intervals that cover a known truth, verdicts, what can be seen."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special, stats
from statsmodels.regression.linear_model import OLS
from statsmodels.stats.power import TTestIndPower

from flows.metrics import gain as gain_module
from flows.metrics.curve import speed_grid_rpm
from flows.metrics.gain import Weighed, gain, riding_range_rpm, verdict
from flows.metrics.session import robust_mean

GRID_RPM = speed_grid_rpm(3000.0, 11_000.0)
BASE_W = 60e3 * np.exp(-(((GRID_RPM - 9500.0) / 5000.0) ** 2))
TRUE_LOG_GAIN = 0.03 + 0.02 * np.sin(GRID_RPM / 900.0)
LOCAL_RPM = 200.0


def compared(before, after, grid_rpm=GRID_RPM, **settings_given):
    arguments = {
        "repeatability_share": 0.004,
        "repeatability_dof": 4.0,
        "remount_share": 0.007,
        "correction_share": 0.0,
        "same_mounting": True,
    }
    return gain(grid_rpm, before, after, **{**arguments, **settings_given})


ALL_ALIKE = 0.011
"""A scatter beside which no pull of these tests is odd: the formulas of plain means hold."""


def pulls(*levels, curve=BASE_W):
    return np.array(levels)[:, None] * curve


def local_deviations(rng, count):
    """Smooth wiggles of unit scatter, correlated over LOCAL_RPM, made another way than in gain."""
    # Random Fourier features of a Gaussian correlation.
    waves = rng.normal(0.0, 1.0 / LOCAL_RPM, (count, 60, 1))
    phases = rng.uniform(0.0, 2.0 * np.pi, (count, 60, 1))
    return math.sqrt(2.0 / 60.0) * np.cos(waves * GRID_RPM + phases).sum(axis=1)


def simulated(rng, count, log_curve, *, level=0.004, local=0.0025, mounting=0.0):
    levels = rng.normal(0.0, level, (count, 1)) + rng.normal(0.0, mounting)
    return np.exp(log_curve + levels + local * local_deviations(rng, count))


def test_the_gain_of_means_is_the_one_worked_by_hand():
    # Before 100, 101, 99; after 105, 106, 104.5: geometric means 99.9967 and 105.1648, so
    # 5.1683 % (5.1667 % of plain means); each session's scatter on the ln scale by its variance.
    before, after = pulls(1.00, 1.01, 0.99), pulls(1.05, 1.06, 1.045)
    found = compared(before, after, repeatability_dof=0.0, weighed_by_share=ALL_ALIKE)
    by_hand = 105.1648 / 99.9967
    assert found.mean_gain_pct == pytest.approx(100.0 * (by_hand - 1.0), abs=2e-4)
    assert found.gain_pct == pytest.approx(np.full(GRID_RPM.size, found.mean_gain_pct), abs=1e-9)
    # Standard error of the ln ratio from plain Welch with pooled variances: 0.00713 (delta method).
    assert found.log_mean_gain_sd == pytest.approx(0.0071354, rel=2e-3)


def test_the_interval_without_a_shop_history_is_that_of_a_pooled_t_test():
    # scipy.stats.ttest_ind on the ln levels, equal variances: d0 = 0 leaves the pair alone.
    first, second = [1.00, 1.01, 0.99, 1.004], [1.05, 1.06, 1.045]
    found = compared(
        pulls(*first), pulls(*second), repeatability_dof=0.0, weighed_by_share=ALL_ALIKE
    )
    expected = stats.ttest_ind(np.log(second), np.log(first)).confidence_interval(0.95)
    low, high = np.log1p(np.array([found.mean_gain_lower_pct, found.mean_gain_upper_pct]) / 100.0)
    assert (low, high) == pytest.approx((expected.low, expected.high), rel=1e-9)
    assert found.dof == pytest.approx(5.0)


def test_a_shop_history_without_doubt_makes_it_a_z_interval():
    found = compared(
        pulls(1.0, 1.01),
        pulls(1.05, 1.05),
        repeatability_dof=math.inf,
        weighed_by_share=ALL_ALIKE,
    )
    half = stats.norm.ppf(0.975) * 0.004  # two pulls against two: sd * sqrt(1/2 + 1/2)
    assert found.log_mean_gain_sd == pytest.approx(0.004)
    assert math.log1p(found.mean_gain_upper_pct / 100.0) - found.log_mean_gain == pytest.approx(
        half
    )


def test_scatter_is_moderated_between_the_pair_and_the_shop():
    # (d0 s0^2 + d s^2) / (d0 + d) by hand (Smyth 2004): levels 0 and 0.01 in both sessions, so
    # s^2 = 5e-5 on 2 dof; shop 0.004 on 4 dof: (4 * 1.6e-5 + 2 * 5e-5) / 6.
    first = pulls(1.0, math.exp(0.01))
    found = compared(first, 1.03 * first)
    assert found.level_sd**2 == pytest.approx((4.0 * 1.6e-5 + 2.0 * 5e-5) / 6.0)
    assert found.dof == pytest.approx(6.0)


def test_weights_that_a_session_has_already_give_the_gain_of_those_found_anew():
    # One pull of three 4 % low, and a bike put back: three sessions, each with its own weights.
    first, after, last = pulls(1.0, 1.003, 0.96), pulls(1.05, 1.052), pulls(0.99, 0.991, 0.988)
    found = compared(first, after, again_curves=last)
    means = [robust_mean(one, repeatability_share=0.004) for one in (first, after, last)]
    weighed = [Weighed(one.weights, one.effective_pulls) for one in means]
    known = compared(first, after, again_curves=last, weighed=weighed)
    for name in ("mean_gain_pct", "mean_gain_upper_pct", "drift_pct", "greatest_gain_pct", "dof"):
        assert getattr(known, name) == pytest.approx(getattr(found, name), rel=1e-12)
    # Handed to the wrong sessions they would not.
    wrong = compared(first, after, again_curves=last, weighed=[weighed[2], *weighed[1::-1]])
    assert wrong.mean_gain_pct != pytest.approx(found.mean_gain_pct, abs=0.01)


def test_remounting_and_correction_add_their_variances():
    curves = pulls(1.0, 1.0, 1.0)
    strapped = compared(curves, curves, repeatability_dof=math.inf)
    remounted = compared(
        curves,
        curves,
        repeatability_dof=math.inf,
        same_mounting=False,
        correction_share=0.002,
    )
    # By hand: 0.004^2 * 2/3 and on top 2 * 0.007^2 + 0.002^2.
    assert strapped.log_mean_gain_sd**2 == pytest.approx(0.004**2 * 2.0 / 3.0)
    assert remounted.log_mean_gain_sd**2 == pytest.approx(
        0.004**2 * 2.0 / 3.0 + 2.0 * 0.007**2 + 0.002**2
    )


SCENARIOS = [
    pytest.param(0.007, 3, 3, False, 4.0, id="remounted"),
    pytest.param(0.0, 3, 3, True, 4.0, id="strapped once"),
    pytest.param(0.0, 3, 4, True, math.inf, id="long history"),
    pytest.param(0.0, 3, 3, True, 0.0, id="no history"),
]


@pytest.mark.parametrize("pairs", [100, pytest.param(400, marks=pytest.mark.long)])
@pytest.mark.parametrize(("mounting", "before_n", "after_n", "same", "shop_dof"), SCENARIOS)
def test_intervals_cover_the_truth_as_often_as_they_say(
    mounting, before_n, after_n, same, shop_dof, pairs
):
    # Simulated pairs with a known gain. The shop's history is worth shop_dof because bikes
    # differ that much: scatter^2 = 0.004^2 d0 / chi2(d0) (Smyth 2004), a new one each pair.
    rng = np.random.default_rng(41)
    covered = {"mean": 0.0, "point": 0.0, "whole": 0.0, "at peak": 0.0, "peak": 0.0}
    truth_pct = 100.0 * np.expm1(TRUE_LOG_GAIN)
    top = int(np.argmax(BASE_W))
    true_peak_pct = 100.0 * ((BASE_W * np.exp(TRUE_LOG_GAIN)).max() / BASE_W.max() - 1.0)
    for _ in range(pairs):
        bike = 0.004
        if 0.0 < shop_dof < math.inf:
            bike *= math.sqrt(shop_dof / rng.chisquare(shop_dof))
        noise = {"level": bike, "mounting": mounting}
        before = simulated(rng, before_n, np.log(BASE_W), **noise)
        after = simulated(rng, after_n, np.log(BASE_W) + TRUE_LOG_GAIN, **noise)
        found = compared(before, after, same_mounting=same, repeatability_dof=shop_dof)
        ranged = (found.range_from_rpm <= GRID_RPM) & (found.range_to_rpm >= GRID_RPM)
        true_mean = 100.0 * np.expm1(TRUE_LOG_GAIN[ranged].mean())
        covered["mean"] += found.mean_gain_lower_pct <= true_mean <= found.mean_gain_upper_pct
        points = (found.lower_pct <= truth_pct) & (truth_pct <= found.upper_pct)
        covered["point"] += points[ranged].mean()
        whole = (found.whole_lower_pct <= truth_pct) & (truth_pct <= found.whole_upper_pct)
        covered["whole"] += whole.all()
        covered["at peak"] += (
            found.gain_at_peak_lower_pct <= truth_pct[top] <= found.gain_at_peak_upper_pct
        )
        covered["peak"] += found.peak_gain_lower_pct <= true_peak_pct <= found.peak_gain_upper_pct
    shares = {name: count / pairs for name, count in covered.items()}
    # 95 %, and three standard errors on either side: of other seeds 3 in 1,000 would fail.
    slack = 3.0 * math.sqrt(0.95 * 0.05 / pairs)
    assert all(abs(share - 0.95) <= slack for share in shares.values()), shares


def test_bands_for_each_speed_alone_do_not_hold_the_whole_curve():
    # Why there are two bands: the pointwise one misses somewhere far more often than in 5 %. At
    # 5 % more than 8 of 40 would be missed once in 4,000 (binomial).
    rng = np.random.default_rng(42)
    missed = 0
    for _ in range(40):
        before = simulated(rng, 3, np.log(BASE_W), level=0.001, local=0.004)
        after = simulated(rng, 3, np.log(BASE_W), level=0.001, local=0.004)
        found = compared(before, after, repeatability_share=0.001)
        missed += not np.all((found.lower_pct <= 0.0) & (found.upper_pct >= 0.0))
        assert np.all(found.whole_upper_pct >= found.upper_pct)
    assert missed > 8


@pytest.mark.parametrize("pairs", [100, pytest.param(300, marks=pytest.mark.long)])
def test_no_gain_is_called_real_about_once_in_twenty_times(pairs):
    rng = np.random.default_rng(43)
    real = 0
    for _ in range(pairs):
        before = simulated(rng, 3, np.log(BASE_W))
        after = simulated(rng, 3, np.log(BASE_W))
        real += compared(before, after).verdict != "within noise"
    # Three standard errors, and never none: of other seeds 1 in 100 would fail with 100 pairs.
    slack = 3.0 * math.sqrt(0.05 * 0.95 / pairs)
    assert max(0.05 - slack, 1.0 / pairs) <= real / pairs <= 0.05 + slack


def test_a_gain_of_the_smallest_detectable_size_is_seen_four_times_in_five():
    rng = np.random.default_rng(44)
    # 2.8016 sqrt(2 / n), n = 3: 2.2875 standard deviations.
    size_pct = 100.0 * math.expm1(2.2875 * 0.004)
    truth = math.log1p(size_pct / 100.0)
    seen = 0
    for _ in range(300):
        before = simulated(rng, 3, np.log(BASE_W), local=0.0)
        after = simulated(rng, 3, np.log(BASE_W) + truth, local=0.0)
        found = compared(before, after, repeatability_dof=math.inf, weighed_by_share=ALL_ALIKE)
        seen += found.verdict == "real gain"
        assert found.smallest_detectable_pct == pytest.approx(size_pct, rel=1e-4)
    # 300 trials at 80 %: 2.3 points of standard error.
    assert 0.73 <= seen / 300.0 <= 0.87


# statsmodels 0.15 TTestIndPower, two-sided 5 %, 80 %: exact non-central t.
@pytest.mark.parametrize("count", [3, 4, 5, 6, 8])
def test_the_smallest_detectable_gain_is_that_of_statsmodels(count):
    expected = TTestIndPower().solve_power(nobs1=count, alpha=0.05, power=0.80)
    rng = np.random.default_rng(count)
    sides = (simulated(rng, count, np.log(BASE_W)) for _ in range(2))
    # Without the shop's figure the pair's own 2 n - 2 degrees of freedom are all there are.
    got = compared(*sides, repeatability_dof=0.0)
    in_sd = math.log1p(got.smallest_detectable_pct / 100.0) / got.log_mean_gain_sd
    assert in_sd / math.sqrt(count / 2.0) == pytest.approx(expected, abs=2e-4)


@settings(max_examples=20, deadline=None)
@given(st.floats(0.8, 1.2), st.floats(0.5, 2.0))
def test_a_gain_is_undone_by_its_inverse_and_blind_to_the_unit(ratio, unit):
    before, after = pulls(1.0, 1.003, 0.998), pulls(ratio, 1.002 * ratio)
    there, back = compared(before, after), compared(unit * after, unit * before)
    assert there.log_mean_gain == pytest.approx(-back.log_mean_gain, abs=1e-12)
    assert there.log_mean_gain_sd == pytest.approx(back.log_mean_gain_sd)
    assert math.log1p(there.mean_gain_upper_pct / 100.0) == pytest.approx(
        -math.log1p(back.mean_gain_lower_pct / 100.0), abs=1e-12
    )


def test_the_same_pulls_always_give_the_same_band():
    rng = np.random.default_rng(45)
    before, after = simulated(rng, 3, np.log(BASE_W)), simulated(rng, 3, np.log(BASE_W))
    first = compared(before, after)
    compared(after, 2.0 * before)
    again = compared(before[::-1], after[[1, 0, 2]])
    assert first.whole_upper_pct == pytest.approx(again.whole_upper_pct, rel=1e-9)


def test_figures_of_a_shifted_peak_are_those_of_its_geometry():
    # Peak 60 kW at 9500 rpm before, 63 kW at 10 000 rpm after: parabolas, worked by hand.
    before = 60e3 - 1.0e-3 * (GRID_RPM - 9500.0) ** 2
    after = 63e3 - 1.0e-3 * (GRID_RPM - 10_000.0) ** 2
    found = compared(pulls(1.0, 1.0, curve=before), pulls(1.0, 1.0, curve=after))
    assert found.peak_gain_pct == pytest.approx(5.0, abs=1e-9)
    # At 9500 rpm: 63 000 - 250 = 62 750 W.
    assert found.gain_at_peak_w == pytest.approx(2750.0, abs=1e-6)
    assert found.gain_at_peak_pct == pytest.approx(100.0 * 2750.0 / 60e3, abs=1e-9)
    assert found.log_peak_gain == pytest.approx(math.log(1.05))


def test_greatest_gain_and_loss_are_found_with_their_speeds_inside_the_range():
    log_gain = 0.05 * np.exp(-(((GRID_RPM - 9000.0) / 300.0) ** 2)) - 0.02 * np.exp(
        -(((GRID_RPM - 6000.0) / 300.0) ** 2)
    )
    log_gain[GRID_RPM < 3500.0] = -0.30  # below the riding range: 40 % of 9500 rpm is 3800 rpm
    found = compared(pulls(1.0, 1.0), pulls(1.0, 1.0, curve=BASE_W * np.exp(log_gain)))
    assert found.greatest_gain_pct == pytest.approx(100.0 * math.expm1(0.05), abs=1e-3)
    assert found.greatest_gain_speed_rpm == 9000.0
    assert found.greatest_loss_pct == pytest.approx(100.0 * math.expm1(-0.02), abs=1e-3)
    assert found.greatest_loss_speed_rpm == 6000.0


def test_where_power_never_falls_there_is_no_loss():
    found = compared(pulls(1.0, 1.0), pulls(1.02, 1.02))
    assert found.greatest_loss_pct == 0.0
    assert math.isnan(found.greatest_loss_speed_rpm)


def test_speed_beyond_the_old_limit_is_over_rev_not_gain():
    before = pulls(1.0, 1.0)
    before[:, GRID_RPM > 10_000.0] = np.nan
    found = compared(before, pulls(1.0, 1.0))
    # The after-curve holds 90 % of its peak to 9500 + 5000 sqrt(-ln 0.9) = 11 123 rpm: to its end.
    assert found.over_rev_rpm == 1000.0
    assert np.isnan(found.gain_pct[GRID_RPM > 10_000.0]).all()
    assert found.range_to_rpm == 10_000.0


def test_over_rev_ends_where_power_falls_below_nine_tenths_of_the_peak():
    grid = speed_grid_rpm(3000.0, 13_000.0)
    curve = 60e3 * np.exp(-(((grid - 9500.0) / 5000.0) ** 2))
    before = pulls(1.0, 1.0, curve=curve)
    before[:, grid > 10_000.0] = np.nan
    found = compared(before, pulls(1.0, 1.0, curve=curve), grid)
    assert found.over_rev_rpm == 1100.0  # last multiple of 50 below 11 123 rpm


def test_an_after_curve_that_stops_short_is_compared_as_far_as_it_goes():
    after = pulls(1.03, 1.03)
    after[:, GRID_RPM > 9000.0] = np.nan
    found = compared(pulls(1.0, 1.0), after)
    assert found.range_to_rpm == 9000.0
    assert found.mean_gain_pct == pytest.approx(3.0)
    assert math.isnan(found.gain_at_peak_pct)
    assert found.verdict_at_peak == "within noise"


def test_without_any_repeat_or_history_nothing_short_of_huge_is_real():
    # One pull each, one degree of freedom: t = 12.7, so 12.7 * 0.004 * sqrt(2) = 7.2 %.
    curves = pulls(1.0)
    assert compared(curves, 1.06 * curves, repeatability_dof=0.0).verdict == "within noise"
    assert compared(curves, 1.09 * curves, repeatability_dof=0.0).verdict == "real gain"


# A shape along the curve leaves some 1e-17 of rounding between it and the mean of its copies.
@pytest.mark.parametrize("curve", [np.full(GRID_RPM.size, 5e4), BASE_W / 3.0])
def test_no_scatter_seen_and_none_known_is_not_a_scatter_of_nothing(curve):
    # As without a repeat: t = 12.706 at one degree of freedom, three pulls a side:
    # 12.706 * 0.004 * sqrt(2 / 3) = 0.0415 on the ln scale, so 4.2 %.
    copies = pulls(1.0, 1.0, 1.0, curve=curve)
    for gained, told in ((1.04, "within noise"), (1.045, "real gain")):
        found = compared(copies, gained * copies, repeatability_dof=0.0)
        assert (found.dof, found.level_sd, found.verdict) == (1.0, 0.004, told)


def test_two_pulls_that_agree_by_luck_do_not_make_a_band_of_no_width():
    found = compared(pulls(1.0, 1.0), pulls(1.01, 1.01), repeatability_dof=4.0)
    assert found.local_sd == pytest.approx(0.2 * 0.004)
    assert np.all(found.upper_pct - found.lower_pct > 0.5)


@pytest.mark.parametrize(
    ("before_from", "after_to", "words"),
    [(9000.0, 9200.0, "share 500 rpm of the riding range, got 200"), (9000.0, 8000.0, "got 0")],
)
def test_sessions_that_hardly_overlap_are_refused(before_from, after_to, words):
    before, after = pulls(1.0, 1.0), pulls(1.0, 1.0)
    before[:, before_from > GRID_RPM] = np.nan
    after[:, after_to < GRID_RPM] = np.nan
    with pytest.raises(ValueError, match=words):
        compared(before, after)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"repeatability_share": 0.0}, "repeatability_share must be above 0, got 0"),
        ({"repeatability_dof": -1.0}, "repeatability_dof must be at least 0, got -1"),
        ({"remount_share": -0.1}, "remount_share must be at least 0, got -0.1"),
        ({"correction_share": -0.1}, "correction_share must be at least 0, got -0.1"),
        ({"grid_rpm": GRID_RPM**2}, "grid_rpm must rise in equal steps"),
        ({"grid_rpm": GRID_RPM[:-1]}, "pulls by 160 grid points"),
    ],
)
def test_impossible_settings_are_refused(change, words):
    with pytest.raises(ValueError, match=words):
        compared(pulls(1.0), pulls(1.0), **change)


def test_a_grid_of_one_speed_is_refused():
    one = np.array([[1.0]])
    with pytest.raises(ValueError, match="grid_rpm must rise in equal steps"):
        gain([3000.0], one, one, repeatability_share=0.004, repeatability_dof=9.0,
             remount_share=0.0, correction_share=0.0, same_mounting=True)  # fmt: skip


def test_the_riding_range_runs_from_two_fifths_of_peak_speed_to_the_last_speed_seen():
    power = np.where(GRID_RPM > 10_500.0, np.nan, BASE_W)
    low, high = riding_range_rpm(GRID_RPM, power)
    assert low == pytest.approx(0.4 * 9500.0, abs=1.0)
    assert high == 10_500.0


@pytest.mark.parametrize(
    ("lower", "upper", "word"),
    [
        (0.1, 2.0, "real gain"),
        (-2.0, -0.1, "real loss"),
        (-0.1, 2.0, "within noise"),
        (0.0, 2.0, "within noise"),
        (math.nan, math.nan, "within noise"),
    ],
)
def test_the_verdict_follows_the_interval(lower, upper, word):
    assert verdict(lower, upper) == word


def test_a_verdict_on_ends_the_wrong_way_round_is_refused():
    with pytest.raises(ValueError, match="lower must be at most 1, got 2"):
        verdict(2.0, 1.0)


def test_a_bike_put_back_is_the_contrast_of_a_linear_model():
    # statsmodels' OLS of the ln levels on three sessions, tested for B - (A1 + A2) / 2.
    sessions = ([1.00, 1.01, 0.99, 1.004], [1.05, 1.06, 1.045], [0.993, 1.0, 1.001])
    levels = np.log(np.concatenate(sessions))
    group = np.repeat(np.eye(3), [len(one) for one in sessions], axis=0)
    model = OLS(levels, group).fit()
    expected = model.t_test([-0.5, 1.0, -0.5])
    first, between, last = (pulls(*one) for one in sessions)
    found = compared(
        first, between, again_curves=last, repeatability_dof=0.0, weighed_by_share=ALL_ALIKE
    )
    assert found.log_mean_gain == pytest.approx(expected.effect[0], rel=1e-9)
    assert found.log_mean_gain_sd == pytest.approx(expected.sd[0, 0], rel=1e-9)
    ends = np.log1p(np.array([found.mean_gain_lower_pct, found.mean_gain_upper_pct]) / 100.0)
    assert ends == pytest.approx(expected.conf_int()[0], rel=1e-9)
    drift = model.t_test([-1.0, 0.0, 1.0])
    told = np.log1p(
        np.array([found.drift_pct, found.drift_lower_pct, found.drift_upper_pct]) / 100.0
    )
    assert told == pytest.approx([drift.effect[0], *drift.conf_int()[0]], rel=1e-9)


def test_the_variance_of_a_bike_put_back_is_the_sum_worked_by_hand():
    # By hand: 0.004^2 (1/4 + 1/8 + 1/16) + 1.5 * 0.007^2 + 0.75 * 0.002^2 = 8.35e-5.
    found = compared(
        pulls(1.0, 1.0), pulls(1.0, 1.0, 1.0, 1.0), again_curves=pulls(1.0, 1.0, 1.0, 1.0),
        repeatability_dof=math.inf, same_mounting=False, correction_share=0.002,
    )  # fmt: skip
    assert found.log_mean_gain_sd**2 == pytest.approx(8.35e-5, rel=1e-9)


def test_a_drift_is_unknown_where_the_bike_was_not_put_back():
    found = compared(pulls(1.0, 1.01), pulls(1.05, 1.05))
    assert np.isnan([found.drift_pct, found.drift_lower_pct, found.drift_upper_pct]).all()


def test_a_mounting_share_known_from_few_pairs_widens_the_interval():
    # Satterthwaite, JCGM 100:2008 G.4, by hand: V = 0.004^2 * 2/3 + 2 * 0.007^2 = 1.086667e-4;
    # dof = 6 * (V / 9.8e-5)^2 = 7.3771.
    sides = pulls(1.0, 1.0, 1.0), pulls(1.0, 1.0, 1.0)
    known = {"repeatability_dof": math.inf, "same_mounting": False}
    found = compared(*sides, remount_dof=6.0, **known)
    assert found.dof == pytest.approx(7.3771, abs=2e-4)
    half = stats.t.ppf(0.975, 7.3771) * math.sqrt(1.086667e-4)
    assert math.log1p(found.mean_gain_upper_pct / 100.0) == pytest.approx(half, rel=1e-5)
    strapped = compared(*sides, remount_dof=6.0, repeatability_dof=math.inf)
    assert strapped.dof == math.inf


def test_a_curve_cut_short_gives_no_false_peak_and_no_over_rev():
    # 4 % at all speeds; one side ends at 6000 rpm, far below its peak at 9500.
    cut = np.where(GRID_RPM <= 6000.0, BASE_W, np.nan)
    for before, after, again in (
        (cut, 1.04 * BASE_W, None),
        (BASE_W, 1.04 * cut, None),
        (BASE_W, 1.04 * BASE_W, cut),
    ):
        found = compared(
            pulls(1.0, 1.0, 1.0, curve=before),
            pulls(1.0, 1.0, 1.0, curve=after),
            again_curves=None if again is None else pulls(1.0, 1.0, 1.0, curve=again),
        )
        assert found.peak_gain_pct == pytest.approx(4.0, abs=1e-6)
        assert found.over_rev_rpm == 0.0
    # A limit raised from 9000 to 9700 rpm is no cut: the peak beyond the old limit counts.
    limited = np.where(GRID_RPM <= 9000.0, BASE_W, np.nan)
    raised = np.where(GRID_RPM <= 9700.0, BASE_W, np.nan)
    found = compared(pulls(1.0, 1.0, curve=limited), pulls(1.0, 1.0, curve=raised))
    assert found.peak_gain_pct == pytest.approx(100 * (60e3 / np.nanmax(limited) - 1), abs=0.01)
    assert found.over_rev_rpm == pytest.approx(700.0)


def test_a_great_drift_is_taken_as_a_step_at_any_time():
    # Uniform over the drift's width: variance d^2 / 12 on top of the sum worked by hand before.
    known = {"repeatability_dof": math.inf}
    for drift, expected in ((0.008, 0.0), (0.03, 0.03**2 / 12.0)):
        found = compared(
            pulls(1.0, 1.0), pulls(1.02, 1.02), again_curves=pulls(*[math.exp(-drift)] * 2), **known
        )
        assert found.log_mean_gain_sd**2 == pytest.approx(0.004**2 * 0.75 + expected, rel=1e-9)


def test_what_bends_a_curve_widens_the_points_and_not_the_mean():
    # By hand, flat curves: V(r) = 0.004^2 * 2/3 + 2 (m^2 + b^2); the mean has m = 0.004 alone.
    sides = pulls(1.0, 1.0, 1.0), pulls(1.0, 1.0, 1.0)
    known = {"repeatability_dof": math.inf, "same_mounting": False, "remount_share": 0.004}
    even = compared(*sides, **known)
    ranged = (even.range_from_rpm <= GRID_RPM) & (even.range_to_rpm >= GRID_RPM)
    # A step at the middle of the range has a mean of 0 there, but for the odd point.
    bend = np.where(np.cumsum(ranged) <= ranged.sum() / 2, -0.007, 0.007)
    found = compared(*sides, **known, remount_shapes=[np.full(bend.shape, 0.004), bend])
    assert found.log_mean_gain_sd**2 == pytest.approx(0.004**2 * (2 / 3 + 2), rel=1e-9)
    half = np.log1p(found.upper_pct / 100.0)
    expected = stats.norm.ppf(0.975) * math.sqrt(0.004**2 * (2 / 3 + 2) + 2 * 0.007**2)
    # Flat pulls still have the least local scatter, 0.2 of 0.004, which adds 0.6 %.
    assert half == pytest.approx(np.full(half.shape, expected), rel=2e-2)
    whole = found.whole_upper_pct - found.upper_pct
    assert (whole >= -1e-9).all()
    strapped = compared(*sides, remount_shapes=[bend])
    assert strapped.log_mean_gain_sd == pytest.approx(compared(*sides).log_mean_gain_sd)


def test_a_mounting_that_moves_the_top_alone_leaves_the_low_end_sure():
    # One shape of 0 below and 0.008 above: level and bend of the low half cancel.
    sides = pulls(1.0, 1.0, 1.0), pulls(1.0, 1.0, 1.0)
    known = {"repeatability_dof": math.inf, "remount_share": 0.004}
    strapped = compared(*sides, **known, same_mounting=True)
    ranged = (strapped.range_from_rpm <= GRID_RPM) & (strapped.range_to_rpm >= GRID_RPM)
    top = np.where(np.cumsum(ranged) <= ranged.sum() / 2, 0.0, 0.008)
    found = compared(*sides, **known, same_mounting=False, remount_shapes=[top])
    assert found.upper_pct[0] == pytest.approx(strapped.upper_pct[0], rel=0.01)
    # By hand: 0.004^2 * 2/3 + 2 * 0.008^2.
    expected = stats.norm.ppf(0.975) * math.sqrt(0.004**2 * 2 / 3 + 2 * 0.008**2)
    assert np.log1p(found.upper_pct[-1] / 100) == pytest.approx(expected, rel=0.02)


def test_sessions_that_do_not_fit_the_grid_are_refused():
    with pytest.raises(ValueError, match="again_curves must be pulls by 161 grid points"):
        compared(pulls(1.0), pulls(1.0), again_curves=pulls(1.0)[:, :-1])
    with pytest.raises(ValueError, match="remount_shapes must be at most 3 rows of 161"):
        compared(pulls(1.0), pulls(1.0), remount_shapes=[0.01])
    with pytest.raises(ValueError, match="remount_dof"):
        compared(pulls(1.0), pulls(1.0), remount_dof=0.0)


@pytest.mark.parametrize("dof", [1.0, 2.0, 3.7, 12.0, 90.0])
def test_only_the_largest_draws_decide_the_band_of_the_whole_curve(dof):
    chance = np.random.default_rng(7)
    greatest = np.abs(chance.standard_normal((4000, 5))).max(axis=1)
    below = (chance.permutation(4000) + 0.5) / 4000
    every = greatest / np.sqrt(2.0 * special.gammaincinv(dof / 2.0, below) / dof)
    found = gain_module._quantile_over_root_chi(greatest, below, dof)
    assert found == np.quantile(every, 0.95)
