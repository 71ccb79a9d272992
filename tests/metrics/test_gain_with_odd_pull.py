"""One odd pull in a gain: it drags no figure, widens no interval for nothing, and hides nothing."""

import math

import numpy as np
import pytest
from scipy import stats

from flows.metrics.gain import gain

GRID_RPM = np.arange(3000.0, 9001.0, 50.0)
SHAPE_W = 50e3 * (1.0 - ((GRID_RPM - 8000.0) / 7000.0) ** 2)
SOUND = ((0.002,), (-0.002,), (0.0,))


def measured(before_pct, after_pct, seed=None):
    """Compare two sessions of one mounting whose pulls lie so many percent off one shape."""
    ripple = np.zeros((2, 8, GRID_RPM.size))
    if seed is not None:
        ripple = np.random.default_rng(seed).normal(0.0, 0.001, ripple.shape)
    sides = [
        SHAPE_W * np.exp(np.array(levels)[:, None] / 100.0 + ripple[side, : len(levels)])
        for side, levels in enumerate((before_pct, after_pct))
    ]
    return gain(
        GRID_RPM, *sides, repeatability_share=0.005, repeatability_dof=4.0,
        remount_share=0.008, correction_share=0.0, same_mounting=True,
    )  # fmt: skip


@pytest.mark.parametrize("off_pct", [-4.0, 4.0])
def test_one_pull_of_three_four_percent_off_moves_the_gain_by_less_than_0_15_percent(off_pct):
    sound = measured((0.2, -0.2, 0.0), (5.2, 4.8, 5.0))
    odd = measured((0.2, -0.2, 0.0), (5.2, 4.8, 5.0 + off_pct))
    assert abs(odd.log_mean_gain - 0.05) < 0.0015
    assert odd.verdict == "real gain"
    # By hand for two sound pulls against three: root (1/2 + 1/3) / root (1/3 + 1/3) = 1.12; the
    # doubt which pull is right may add half as much again, not the spread of the odd one.
    width = odd.mean_gain_upper_pct - odd.mean_gain_lower_pct
    assert width < 1.7 * (sound.mean_gain_upper_pct - sound.mean_gain_lower_pct)
    assert odd.level_sd < 1.2 * 0.005


def test_two_pulls_that_differ_make_the_gain_wide_enough_for_either_to_be_right():
    found = measured((0.0, 0.1, -0.1), (-0.5, 3.5))
    assert found.log_mean_gain == pytest.approx(0.015, abs=1e-3)
    assert found.mean_gain_lower_pct < -0.5 < 3.5 < found.mean_gain_upper_pct
    assert found.verdict == "within noise"


def test_sound_pulls_give_the_gain_that_plain_means_give():
    # Drawn at the shop's own scatter: none of them is odd, and weights hardly matter.
    levels = np.random.default_rng(11).normal(0.0, 0.5, (200, 2, 3))
    apart = [
        measured(before, after).log_mean_gain - (after.mean() - before.mean()) / 100.0
        for before, after in levels
    ]
    assert np.mean(np.abs(apart) < 1e-9) > 0.9
    assert math.sqrt(np.mean(np.square(apart))) < 0.0003


def test_how_pulls_scatter_is_told_about_their_own_mean_where_one_of_them_counts_less():
    before, after = (0.4, -0.4, 0.1, 2.0), (5.3, 4.7, 5.0, 5.1)
    found = measured(before, after)
    assert found.log_mean_gain > 0.0451  # of plain means 4.5 %: the high pull does count less
    # By hand, squares about 0.525 and 5.025: 3.2275 and 0.1875, with the shop's four of 0.5 %:
    # root ((1 + 3.415) / (4 + 3 + 3)) = 0.66445 %.
    assert found.level_sd == pytest.approx(0.0066445, abs=1e-7)


def test_a_gain_within_noise_at_the_peak_is_called_so_there():
    found = measured((0.2, -0.2, 0.0), (0.3, -0.1, 0.1))
    assert found.verdict_at_peak == "within noise"


@pytest.mark.parametrize("count", [100, 101])
def test_a_grid_of_any_size_has_its_band_to_the_last_point(count):
    part = slice(0, count)
    sides = [SHAPE_W[part] * np.exp(np.array(SOUND) + lift) for lift in (0.0, 0.05)]
    found = gain(
        GRID_RPM[part], *sides, repeatability_share=0.005, repeatability_dof=4.0,
        remount_share=0.008, correction_share=0.0, same_mounting=True,
    )  # fmt: skip
    above, below = (
        np.log1p(end / 100.0) - 0.05 for end in (found.whole_upper_pct, found.whole_lower_pct)
    )
    assert above == pytest.approx(-below)
    # Three and three pulls of 0.5 %, fewer degrees of freedom than many: 1.96 of 0.41 % and more.
    assert 0.008 < above[-1] < 0.04


@pytest.mark.parametrize("dof", [9.0, 29.0, 1e9])
def test_the_band_of_the_whole_curve_is_nowhere_narrower_than_that_of_one_speed(dof):
    # Mountings that move all speeds alike: both are the same, but for the luck of the draws.
    sides = [SHAPE_W * np.exp(np.array(SOUND) + lift) for lift in (0.0, 0.05)]
    found = gain(
        GRID_RPM, *sides, repeatability_share=0.005, repeatability_dof=4.0, remount_share=0.5,
        remount_dof=dof, correction_share=0.0, same_mounting=False,
    )  # fmt: skip
    over = found.whole_upper_pct / found.upper_pct
    assert np.all((over > 1.0 - 1e-9) & (over < 1.02))


def test_a_peak_that_mountings_leave_alone_shares_one_error_with_the_mean():
    # A mounting lifts the low end, and nothing at the top: the peak is surer than the mean.
    lift = np.linspace(0.016, 0.0, GRID_RPM.size)
    sides = [SHAPE_W * np.exp(np.array(SOUND) + level) for level in (0.0, 0.012)]
    found = gain(
        GRID_RPM, *sides, repeatability_share=0.005, repeatability_dof=1e9, remount_share=0.008,
        remount_dof=1e9, remount_shapes=np.stack([lift, 0.0 * lift, 0.0 * lift]),
        correction_share=0.0, same_mounting=False,
    )  # fmt: skip
    mean_half = (found.mean_gain_upper_pct - found.mean_gain_lower_pct) / 200.0
    assert found.log_peak_gain_sd < 0.6 * mean_half / 1.96
    # Of one error there is nothing to pay for looking twice: the chance of a normal alone.
    alone = 2.0 * stats.norm.sf(found.log_peak_gain / found.log_peak_gain_sd)
    assert found.peak_p == pytest.approx(alone, rel=0.02)
    # The greatest gain lies between its ends.
    low, high = found.greatest_gain_lower_pct, found.greatest_gain_upper_pct
    assert low < found.greatest_gain_pct < high


def test_a_peak_at_the_first_speed_seen_has_a_gain_there():
    falling = 50e3 * (1.0 - (GRID_RPM - 3000.0) / 20_000.0)
    sides = [falling * np.exp(np.array(SOUND) + lift) for lift in (0.0, 0.05)]
    found = gain(
        GRID_RPM, *sides, repeatability_share=0.005, repeatability_dof=4.0,
        remount_share=0.008, correction_share=0.0, same_mounting=True,
    )  # fmt: skip
    assert found.gain_at_peak_pct == pytest.approx(100.0 * math.expm1(0.05), abs=0.01)


def test_what_a_pull_did_not_see_is_no_scatter():
    sides = [SHAPE_W * np.exp(np.array(SOUND) + lift) for lift in (0.0, 0.05)]
    sides[0][0, -20:] = np.nan
    found = gain(
        GRID_RPM, *sides, repeatability_share=0.005, repeatability_dof=4.0,
        remount_share=0.008, correction_share=0.0, same_mounting=True,
    )  # fmt: skip
    # Flat pulls: the floor, a fifth of the shop's own.
    assert found.local_sd == pytest.approx(0.2 * 0.005)


def test_waves_along_a_curve_hold_many_independent_values():
    # Pulls of hardly any level, with waves: a speed's interval is Student's t of the waves' own
    # degrees of freedom. By hand: 2 + 2, each worth range / (150 rpm * root of pi).
    rng = np.random.default_rng(21)
    waves = rng.normal(0.0, 0.004, (2, 3, GRID_RPM.size))
    waves -= waves.mean(axis=2, keepdims=True)
    sides = [SHAPE_W * np.exp(1e-5 * np.array([[1.0], [-1.0], [0.0]]) + one) for one in waves]
    found = gain(
        GRID_RPM, *sides, repeatability_share=0.005, repeatability_dof=0.0,
        remount_share=0.008, correction_share=0.0, same_mounting=True,
    )  # fmt: skip
    dof = 4 * (found.range_to_rpm - found.range_from_rpm) / (150.0 * math.sqrt(math.pi))
    t = stats.t.isf(0.025, dof)
    half = (np.log1p(found.upper_pct / 100.0) - np.log1p(found.lower_pct / 100.0)) / 2.0
    half = half[(found.range_from_rpm <= GRID_RPM) & (found.range_to_rpm >= GRID_RPM)]
    by_hand = t * found.local_sd * math.sqrt(2.0 / 3.0)
    assert math.sqrt(np.mean(half**2)) == pytest.approx(by_hand, rel=0.01)


def test_speed_past_a_sweep_that_was_cut_short_is_no_over_rev():
    # Power still rises where the first sweep ends: nobody saw its limit.
    rising = 25e3 * (1.0 + GRID_RPM / 9000.0)
    sides = [rising * np.exp(np.array(SOUND) + lift) for lift in (0.0, 0.05)]
    sides[0][:, GRID_RPM > 8000.0] = np.nan
    found = gain(
        GRID_RPM, *sides, repeatability_share=0.005, repeatability_dof=4.0,
        remount_share=0.008, correction_share=0.0, same_mounting=True,
    )  # fmt: skip
    assert found.over_rev_rpm == 0.0
