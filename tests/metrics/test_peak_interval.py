"""The top of a noisy sweep: the lift of the noise taken out, and an interval that covers."""

import math

import numpy as np
import pytest
from scipy import integrate, stats
from statsmodels.regression.linear_model import WLS

from flows.metrics import curve
from flows.metrics.curve import (
    peak,
    peak_interval,
    smoothed_curve,
    speed_grid_rpm,
)

SPEED_RPM = np.linspace(3000.0, 11_000.0, 401)
SPACING_RPM = 20.0
TOP_RPM, TOP_W = 8500.0, 60_000.0
HALF_WIDTH_RPM = 800.0


def bias_bound(bend, bandwidth_rpm=150.0):
    """Return h^2 mu_2 f''/2, by which a local line moves a parabola, mu_2 being 1/5.

    Fan and Gijbels, Local Polynomial Modelling and Its Applications, chapter 3 (from memory).
    """
    return bandwidth_rpm**2 / 10.0 * bend


def interval(speed_rpm, power_w, wiggle_share, wiggle_rpm=200.0):
    """Return the interval under another wiggle from pull to pull than the stated one."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(curve, "WIGGLE_SHARE", wiggle_share)
        patch.setattr(curve, "WIGGLE_RPM", wiggle_rpm)
        return peak_interval(speed_rpm, power_w)


def hump(speed_rpm, fall_share=0.05, top_rpm=TOP_RPM):
    """Fall by a share within 1000 rpm to either side."""
    return TOP_W * (1.0 - fall_share * ((speed_rpm - top_rpm) / 1000.0) ** 2)


def wiggled(chance, share, corr_rpm, speed_rpm=SPEED_RPM):
    """Return a smooth random curve of 1 SD `share`: waves of random length and phase."""
    waves = chance.normal(0.0, 1.0 / corr_rpm, (40, 1)) * speed_rpm
    phases = chance.uniform(0.0, 2.0 * np.pi, (40, 1))
    return share * math.sqrt(2.0 / 40.0) * np.cos(waves + phases).sum(axis=0)


def test_the_bias_of_smoothing_is_that_of_the_kernel_s_second_moment():
    # Fan and Gijbels: h^2 mu_2 f''/2, with mu_2 integrated from the kernel itself.
    second, _ = integrate.quad(lambda u: 0.75 * (1.0 - u**2) * u**2, -1.0, 1.0)
    assert bias_bound(-0.012, 150.0) == pytest.approx(150.0**2 * second / 2.0 * -0.012)


@pytest.mark.parametrize("bandwidth_rpm", [100.0, 150.0, 300.0])
def test_smoothing_lowers_a_parabola_by_exactly_the_bound(bandwidth_rpm):
    speed = np.linspace(3000.0, 11_000.0, 40_001)
    smooth = smoothed_curve(speed, hump(speed), [TOP_RPM], bandwidth_rpm=bandwidth_rpm)
    bend = -2.0 * 0.05 * TOP_W / 1000.0**2
    moved = smooth.value[0] - TOP_W
    assert moved == pytest.approx(bias_bound(bend, bandwidth_rpm), rel=1e-3)


def test_the_sharpest_bend_bounds_the_lowering_of_any_curve():
    # A cosine bends most at its top: f'' = -amplitude / scale^2 there, less elsewhere.
    speed = np.linspace(3000.0, 11_000.0, 40_001)
    scale_rpm = 250.0
    smooth = smoothed_curve(speed, 1000.0 * np.cos((speed - 7000.0) / scale_rpm), [7000.0])
    bound = bias_bound(-1000.0 / scale_rpm**2)
    assert bound < smooth.value[0] - 1000.0 < 0.9 * bound


def test_the_top_is_that_of_weighted_parabolas():
    # statsmodels WLS, a fitted parabola a speed; the greatest height of all.
    chance = np.random.default_rng(4)
    power = hump(SPEED_RPM) * (1.0 + chance.normal(0.0, 0.004, SPEED_RPM.size))
    heights = []
    for at in np.arange(7500.0, 9501.0, 50.0):
        weight = np.clip(1.0 - ((SPEED_RPM - at) / HALF_WIDTH_RPM) ** 2, 0.0, None)
        near = weight > 0.0
        distance = (SPEED_RPM[near] - at) / 1000.0
        design = np.column_stack((np.ones(distance.size), distance, distance**2))
        heights.append(WLS(power[near], design, weights=weight[near]).fit().params[0])
    found = peak_interval(SPEED_RPM, power)
    expected = peak(np.arange(7500.0, 9501.0, 50.0), heights)
    assert found.value + found.lift == pytest.approx(expected.value, rel=1e-9)
    assert found.speed_rpm == pytest.approx(expected.speed_rpm, abs=0.01)


@pytest.mark.parametrize("samples", [60, 5000])
def test_the_first_look_is_at_the_weighted_lines_themselves(samples):
    # Reference: statsmodels' weighted least squares, a line about each speed, 400 rpm to each side.
    random = np.random.default_rng(samples)
    speed = np.sort(random.uniform(2500.0, 13_500.0, samples))
    power = 60_000.0 - 1e-3 * (speed - 9000.0) ** 2 + random.normal(0.0, 300.0, samples)
    grid = curve.speed_grid_rpm(speed[0], speed[-1])
    seen = curve._pilot(curve._Samples(speed, power, grid, 400.0))
    for at, found in zip(grid, seen, strict=True):
        weight = 1.0 - ((speed - at) / 400.0) ** 2
        near = weight > 0.0
        if near.sum() < curve.LEAST_SAMPLES:
            assert found == -math.inf
            continue
        design = np.column_stack((np.ones(near.sum()), speed[near] - at))
        line = WLS(power[near], design, weights=weight[near]).fit()
        assert found == pytest.approx(line.params[0], rel=1e-9)


def test_a_parabola_comes_back_exactly_with_its_bend():
    found = interval(SPEED_RPM, hump(SPEED_RPM), 0.0)
    assert found.value == pytest.approx(TOP_W, rel=1e-9)
    assert found.speed_rpm == pytest.approx(TOP_RPM, abs=0.01)
    assert found.bend == pytest.approx(-2.0 * 0.05 * TOP_W / 1000.0**2, rel=1e-6)
    assert found.lift == pytest.approx(0.0, abs=1e-6)
    assert found.upper - found.lower == pytest.approx(0.0, abs=1e-6)


def test_the_bias_of_a_fourth_derivative_is_the_one_stated():
    # Equivalent kernel (15/32)(3 - 10 u^2 + 7 u^4): its fourth moment over 4! is -1/504.
    fourth, _ = integrate.quad(
        lambda u: 15.0 / 32.0 * (3.0 - 10.0 * u**2 + 7.0 * u**4) * u**4, -1.0, 1.0
    )
    assert fourth / 24.0 == pytest.approx(-1.0 / 504.0)
    speed = np.linspace(6000.0, 11_000.0, 20_001)
    quartic = -1e-9
    power = hump(speed) + quartic * (speed - TOP_RPM) ** 4
    found = interval(speed, power, 0.0)
    expected = -(HALF_WIDTH_RPM**4) * 24.0 * quartic / 504.0
    assert found.value - TOP_W == pytest.approx(expected, rel=0.01)


def test_a_wiggle_without_end_moves_the_whole_curve():
    # Correlated over everything: the curve's level, so 1 SD is the share of the value itself.
    found = interval(SPEED_RPM, hump(SPEED_RPM), 0.004, 1e6)
    assert found.sd == pytest.approx(0.004 * TOP_W, rel=1e-3)
    assert found.lift == pytest.approx(0.0, abs=0.1)


def test_a_wiggle_without_length_is_noise_of_each_sample():
    # Roughness of the equivalent kernel is 5/4, so 1 SD = sigma sqrt(1.25 spacing / h).
    roughness, _ = integrate.quad(
        lambda u: (15.0 / 32.0 * (3.0 - 10.0 * u**2 + 7.0 * u**4)) ** 2, -1.0, 1.0
    )
    found = interval(SPEED_RPM, hump(SPEED_RPM), 0.004, 1.0)
    expected = 0.004 * TOP_W * math.sqrt(roughness * SPACING_RPM / HALF_WIDTH_RPM)
    assert found.sd == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize("fall_share", [0.02, 0.05])
def test_the_lift_is_the_slope_s_variance_over_twice_the_bend(fall_share):
    # The slope of the equivalent kernel, (15/32)(28 u^3 - 20 u), has the roughness 75/8, so
    # Var(m') = 75/8 sigma^2 spacing / h^3 under noise of each sample.
    roughness, _ = integrate.quad(
        lambda u: (15.0 / 32.0 * (28.0 * u**3 - 20.0 * u)) ** 2, -1.0, 1.0
    )
    assert roughness == pytest.approx(75.0 / 8.0)
    found = interval(SPEED_RPM, hump(SPEED_RPM, fall_share), 0.004, 1.0)
    variance = roughness * (0.004 * TOP_W) ** 2 * SPACING_RPM / HALF_WIDTH_RPM**3
    bend = 2.0 * fall_share * TOP_W / 1000.0**2
    # The slope is taken over two steps of the grid, which rounds the kernel's edges.
    assert found.lift == pytest.approx(variance / (2.0 * bend), rel=0.1)
    assert found.value == pytest.approx(TOP_W - found.lift, abs=1.0)


@pytest.mark.parametrize("wiggle_rpm", [100.0, 200.0, 400.0])
def test_a_wiggle_of_some_length_averages_out_as_its_correlation_says(wiggle_rpm):
    # Variance of a weighted mean: the double integral of both kernels and the correlation.
    nodes, weights = np.polynomial.legendre.leggauss(120)
    kernel = weights * 15.0 / 32.0 * (3.0 - 10.0 * nodes**2 + 7.0 * nodes**4)
    apart_rpm = HALF_WIDTH_RPM * (nodes - nodes[:, None])
    share = kernel @ np.exp(-(apart_rpm**2) / (2.0 * wiggle_rpm**2)) @ kernel
    found = interval(SPEED_RPM, hump(SPEED_RPM), 0.004, wiggle_rpm)
    assert found.sd == pytest.approx(0.004 * TOP_W * math.sqrt(share), rel=0.01)


def test_a_top_just_inside_the_end_is_no_surer_than_one_at_the_end():
    inside = peak_interval(SPEED_RPM, hump(SPEED_RPM, 0.03, 10_850.0))
    at_end = peak_interval(SPEED_RPM, hump(SPEED_RPM, 0.03, 11_100.0))
    assert inside.speed_rpm < 10_900.0
    assert inside.sd == pytest.approx(at_end.sd, rel=0.05)


@pytest.mark.parametrize(("spacing_rpm", "filtered"), [(120.0, 0.0), (20.0, 0.6)])
def test_the_noise_is_judged_rightly_on_few_samples_and_through_a_filter(spacing_rpm, filtered):
    # 13 samples a parabola, or many that a roller's filter has made alike.
    chance = np.random.default_rng(16)
    speed = np.arange(5000.0, 12_001.0, spacing_rpm)
    found = []
    for _ in range(500):
        noise = chance.normal(0.0, 1.0, speed.size)
        for place in range(1, noise.size if filtered else 0):
            noise[place] = filtered * noise[place - 1] + math.sqrt(1 - filtered**2) * noise[place]
        power = hump(speed, 0.05) + 200.0 * noise
        found.append(interval(speed, power, 0.0))
    stated = np.mean([one.sd**2 for one in found])
    seen = np.var([one.value for one in found])
    # A variance of 500 is good to 6 %. A filter's correlation is seen in part only, from the short
    # stretch around a peak; taken for independent, the samples would give a quarter.
    low, high = (0.45, 1.0) if filtered else (0.85, 1.15)
    assert low < stated / seen < high


def test_a_lift_is_no_more_than_one_standard_error():
    found = interval(SPEED_RPM, hump(SPEED_RPM, 1e-5), 0.004)
    assert found.lift == found.sd


def test_the_interval_is_student_s():
    chance = np.random.default_rng(4)
    power = hump(SPEED_RPM) + chance.normal(0.0, 200.0, SPEED_RPM.size)
    found = peak_interval(SPEED_RPM, power)
    # 79 or 80 samples lie within 800 rpm at 20 rpm apart, three go to the parabola.
    assert (found.upper - found.lower) / 2 / found.sd == pytest.approx(
        stats.t.ppf(0.975, 77), rel=1e-3
    )
    assert (found.upper + found.lower) / 2 == pytest.approx(found.value)


@pytest.mark.parametrize(
    ("sample_share", "wiggle_share"), [(0.004, 0.0), (0.0, 0.0025), (0.004, 0.0025)]
)
def test_lift_and_spread_are_those_seen_over_many_pulls(sample_share, wiggle_share):
    chance = np.random.default_rng(11)
    found = []
    for _ in range(600):
        power = hump(SPEED_RPM, 0.03) * np.exp(wiggled(chance, wiggle_share, 200.0))
        power = power * (1.0 + chance.normal(0.0, sample_share, SPEED_RPM.size))
        found.append(interval(SPEED_RPM, power, wiggle_share))
    values = np.array([one.value for one in found])
    # Means of 600, within three of their standard errors.
    slack = 3.0 * values.std() / math.sqrt(600)
    assert values.mean() == pytest.approx(TOP_W, abs=slack)
    assert np.mean([one.lift for one in found]) > 0.0
    assert np.mean([one.sd**2 for one in found]) == pytest.approx(values.var(), rel=0.25)


def test_what_is_taken_out_is_what_noise_had_lifted():
    # A flat top under independent noise: without the correction the bias is plain to see.
    chance = np.random.default_rng(12)
    found = []
    for _ in range(600):
        power = hump(SPEED_RPM, 0.02) * (1.0 + chance.normal(0.0, 0.02, SPEED_RPM.size))
        found.append(interval(SPEED_RPM, power, 0.0))
    lifted = np.array([one.value + one.lift for one in found])
    slack = 3.0 * lifted.std() / math.sqrt(600)
    assert lifted.mean() - TOP_W > slack
    assert np.mean([one.value for one in found]) == pytest.approx(TOP_W, abs=slack)


@pytest.mark.parametrize("top_rpm", [8500.0, 11_300.0])
@pytest.mark.parametrize("filtered", [0.0, 0.6])
def test_the_interval_covers_as_it_says_and_the_bias_is_small(top_rpm, filtered):
    # At the noise of a shop: 0.4 % a sample, as it is or through a roller's filter, 0.25 % of
    # wiggle; the top inside the sweep, or still ahead where the limiter ends it.
    chance = np.random.default_rng(13)
    truth = hump(SPEED_RPM, 0.03, top_rpm)
    hits, errors = [], []
    for _ in range(500):
        noise = chance.normal(0.0, 1.0, SPEED_RPM.size)
        for place in range(1, noise.size if filtered else 0):
            noise[place] = filtered * noise[place - 1] + math.sqrt(1 - filtered**2) * noise[place]
        power = truth * np.exp(wiggled(chance, 0.0025, 200.0)) * (1.0 + 0.004 * noise)
        speed = SPEED_RPM + chance.normal(0.0, 4.0, SPEED_RPM.size)
        found = peak_interval(speed, power)
        hits.append(found.lower <= truth.max() <= found.upper)
        errors.append(found.value / truth.max() - 1.0)
    # 95 % of 500: three standard deviations of a binomial are 2.9 %.
    assert 0.921 <= np.mean(hits) <= 0.979
    assert abs(np.mean(errors)) < 0.001


def test_the_shown_maximum_is_lifted_by_more():
    chance = np.random.default_rng(14)
    grid = speed_grid_rpm(3000.0, 11_000.0)
    plain, taken = [], []
    for _ in range(200):
        power = hump(SPEED_RPM, 0.02) * (1.0 + chance.normal(0.0, 0.006, SPEED_RPM.size))
        plain.append(peak(grid, smoothed_curve(SPEED_RPM, power, grid).value).value)
        taken.append(peak_interval(SPEED_RPM, power).value)
    assert np.mean(plain) / TOP_W - 1.0 > 0.001
    assert abs(np.mean(taken) / TOP_W - 1.0) < 0.001


def test_power_that_still_rises_at_the_end_peaks_there():
    found = peak_interval(SPEED_RPM, 5.0 * SPEED_RPM)
    assert found.speed_rpm == pytest.approx(11_000.0)
    assert found.value == pytest.approx(55_000.0)
    assert found.lift == 0.0


def test_the_order_of_rows_and_holes_changes_nothing():
    chance = np.random.default_rng(15)
    power = hump(SPEED_RPM) + chance.normal(0.0, 200.0, SPEED_RPM.size)
    power[::9] = np.nan
    kept = np.isfinite(power)
    mixed = chance.permutation(SPEED_RPM.size)
    assert peak_interval(SPEED_RPM[mixed], power[mixed]) == peak_interval(
        SPEED_RPM[kept], power[kept]
    )


@pytest.mark.parametrize(
    ("speed_rpm", "power_w"),
    [
        ([], []),
        (np.linspace(3000.0, 9000.0, 9), np.ones(9)),
        (SPEED_RPM, np.full(SPEED_RPM.size, np.nan)),
        (np.full(50, 5000.0), np.ones(50)),
        (np.linspace(3000.0, 9000.0, 30), np.ones(30)),
    ],
)
def test_too_little_around_the_top_gives_no_interval(speed_rpm, power_w):
    assert all(math.isnan(part) for part in peak_interval(speed_rpm, power_w))


def test_samples_that_do_not_belong_together_are_refused():
    with pytest.raises(ValueError, match="rows of one length"):
        peak_interval(SPEED_RPM, [1.0, 2.0])
