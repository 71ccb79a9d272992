"""Trust: the shop's usual scatter, and remounting, recovered from what made them."""

import math

import numpy as np
import pytest

from flows.metrics.session import pooled_sd
from flows.metrics.trust import (
    RegionRemount,
    remount_at,
    remount_by_region,
    remount_share,
    shop_repeatability,
)


def test_a_session_prior_recovers_the_scatter_and_the_spread_that_made_it():
    # s_g^2 = s_0^2 (d_0 / chi2(d_0)) (chi2(d) / d): Smyth 2004. Truth 0.4 %, 6 dof.
    rng = np.random.default_rng(31)
    true = 0.004**2 * 6.0 / rng.chisquare(6.0, 3000)
    sd = np.sqrt(true * rng.chisquare(2.0, 3000) / 2.0)
    got = shop_repeatability(sd, np.full(3000, 2.0))
    assert got.sd == pytest.approx(0.004, rel=0.05)
    assert got.dof == pytest.approx(6.0, rel=0.25)


def test_sessions_that_scatter_alike_make_a_prior_without_doubt():
    rng = np.random.default_rng(32)
    sd = 0.004 * np.sqrt(rng.chisquare(4.0, 5000) / 4.0)
    got = shop_repeatability(sd, np.full(5000, 4.0))
    assert got.sd == pytest.approx(0.004, rel=0.03)
    assert got.dof > 50.0


def test_a_few_sessions_make_no_prior():
    got = shop_repeatability([0.004, 0.005, 0.0], [2, 2, 2])
    assert math.isnan(got.sd)
    assert got.dof == 0.0


def test_remounting_is_recovered_from_pairs_in_which_nothing_changed():
    # Truth: mounting 0.8 %, three pulls of 0.5 % a session; 4000 pairs fix it to about 2 %.
    rng = np.random.default_rng(33)
    noise = math.hypot(0.008, 0.005 / math.sqrt(3.0))
    differences = rng.normal(0.0, noise, 4000) - rng.normal(0.0, noise, 4000)
    got = remount_share(differences, 0.005**2 / 3.0)
    assert got.share == pytest.approx(0.008, rel=0.05)
    assert not got.is_default


def test_remounting_equals_the_between_group_scatter_of_the_standard():
    # The same pairs as groups of two single values, with no variance known: s_L^2 + s_r^2 = s_R^2.
    rng = np.random.default_rng(34)
    first, second = rng.normal(0.0, 0.01, (2, 50))
    got = remount_share(second - first, 0.0)
    assert got.share == pytest.approx(pooled_sd(list(zip(first, second, strict=True))).sd)


def test_scatter_that_the_pulls_explain_is_not_blamed_on_the_mounting():
    assert remount_share([0.001, -0.001, 0.002, 0.0], 0.005**2 / 3.0).share == 0.0


def test_three_pairs_are_too_few_and_the_default_says_so():
    got = remount_share([0.01, 0.02, math.nan, 0.01], 1e-5)
    assert got == (0.008, 0.0, True)
    assert remount_share([], 1e-5, default_share=0.01).share == 0.01


def unchanged_pairs(count, sds, seed):
    """Ratios of repeats over speeds 0.40 to 1.14 of peak; each region has its own scatter."""
    draw = np.random.default_rng(seed)
    speed = np.arange(0.40, 1.145, 0.01)
    region = np.searchsorted([0.65, 0.90], speed, side="right")
    level = draw.standard_normal((count, 3)) * np.array(sds) * math.sqrt(2.0)
    return speed, level[:, region]


def test_each_region_recovers_the_scatter_that_made_it():
    speed, ratios = unchanged_pairs(4000, (0.004, 0.007, 0.012), 5)
    found = remount_by_region(speed, ratios, 0.0)
    # 1 SD of an SD from 4,000 pairs is 1.1 % of it.
    assert [region.share for region in found] == pytest.approx([0.004, 0.007, 0.012], rel=0.045)
    assert [region.origin for region in found] == ["region"] * 3


def test_the_scatter_of_the_pulls_is_taken_out_in_each_region():
    speed, ratios = unchanged_pairs(4000, (0.005, 0.005, 0.005), 6)
    found = remount_by_region(speed, ratios, 0.003**2)
    assert [region.share for region in found] == pytest.approx([0.004] * 3, rel=0.07)


def test_a_region_that_too_few_pairs_saw_takes_the_whole_curves_figure():
    speed, ratios = unchanged_pairs(12, (0.006, 0.006, 0.006), 7)
    ratios[5:, speed >= 0.90] = math.nan
    low, middle, top = remount_by_region(speed, ratios, 0.0)
    assert (low.origin, middle.origin, top.origin) == ("region", "region", "whole curve")
    assert top.pairs == 5
    whole = remount_share(np.nanmean(ratios, axis=1), 0.0)
    assert top.share == pytest.approx(whole.share)


def test_with_too_few_pairs_anywhere_the_stated_default_holds():
    speed, ratios = unchanged_pairs(3, (0.006, 0.006, 0.006), 8)
    found = remount_by_region(speed, ratios, 0.0, default_share=0.009)
    assert {(region.share, region.origin, region.dof) for region in found} == {
        (0.009, "default", 0.0)
    }
    assert [r.origin for r in remount_by_region([], np.empty((0, 0)), 0.0)] == ["default"] * 3


def test_a_pair_seen_at_too_few_points_of_a_region_does_not_count_there():
    speed, ratios = unchanged_pairs(8, (0.006, 0.006, 0.006), 9)
    ratios[:, speed >= 0.94] = math.nan
    assert [r.pairs for r in remount_by_region(speed, ratios, 0.0)] == [8, 8, 0]


def test_pairs_may_have_speeds_of_their_own():
    speed, ratios = unchanged_pairs(9, (0.004, 0.007, 0.012), 10)
    alone = remount_by_region(speed, ratios, 0.0)
    assert remount_by_region(np.tile(speed, (9, 1)), ratios, 0.0) == alone


def test_between_regions_the_share_is_interpolated_on_the_variance():
    regions = [
        RegionRemount(0.4, 0.6, 0.003, 8.0, 8, "region"),
        RegionRemount(0.6, 0.8, 0.005, 8.0, 8, "region"),
    ]
    # By hand: half of 9 and 25 is 17; a quarter of the way it is 13.
    got = remount_at([0.2, 0.5, 0.55, 0.6, 0.7, 1.2], regions)
    expected = np.array([3.0, 3.0, math.sqrt(13), math.sqrt(17), 5.0, 5.0]) / 1000
    assert got == pytest.approx(expected)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: remount_by_region([0.5, 0.6], [[0.1]], 0.0), "speed_shares"),
        (lambda: remount_by_region([0.5], [0.1], 0.0), "pairs by speeds"),
        (lambda: remount_at([0.5], []), "at least 1 region"),
    ],
)
def test_what_cannot_be_judged_is_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()
