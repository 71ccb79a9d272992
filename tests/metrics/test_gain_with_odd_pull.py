"""One odd pull in a gain: it drags no figure, widens no interval for nothing, and hides nothing."""

import math

import numpy as np
import pytest

from flows.metrics.gain import gain

GRID_RPM = np.arange(3000.0, 9001.0, 50.0)
SHAPE_W = 50e3 * (1.0 - ((GRID_RPM - 8000.0) / 7000.0) ** 2)


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
