"""The standard curve: what smoothing keeps, what it takes away, where it stays silent."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import constants
from statsmodels.regression.linear_model import WLS

from flows.metrics.curve import (
    peak,
    smoothed_curve,
    smoothed_curves,
    speed_grid_rpm,
    torque_nm,
)

GRID_RPM = speed_grid_rpm(3000.0, 10_000.0)


def swept_rpm(samples=700, low=2950.0, high=10_050.0):
    return np.linspace(low, high, samples)


@given(st.floats(0.0, 5000.0, allow_subnormal=False), st.floats(0.0, 15_000.0))
def test_the_grid_holds_every_multiple_of_50_and_nothing_outside(low, width):
    grid = speed_grid_rpm(low, low + width)
    assert np.all(grid % 50.0 == 0.0)
    assert np.all((grid >= low) & (grid <= low + width))
    assert np.all(np.diff(grid) == 50.0)
    assert grid.size in (math.floor(width / 50.0), math.floor(width / 50.0) + 1)


def test_two_grids_share_their_points_where_they_overlap():
    assert set(speed_grid_rpm(3010.0, 5000.0)) <= set(speed_grid_rpm(2000.0, 6000.0))


@given(st.floats(-1e3, 1e3), st.floats(-20.0, 20.0), st.integers(0, 10_000))
def test_a_straight_line_passes_unchanged(level, slope, seed):
    speed = np.random.default_rng(seed).uniform(3000.0, 10_000.0, 500)
    curve = smoothed_curve(speed, level + slope * speed, GRID_RPM)
    seen = np.isfinite(curve.value)
    assert seen.sum() > 130
    assert curve.value[seen] == pytest.approx((level + slope * GRID_RPM)[seen], abs=1e-6)
    assert curve.sd[seen] == pytest.approx(0.0, abs=1e-6)


def test_local_lines_are_those_of_weighted_least_squares():
    # statsmodels WLS, one fitted line a grid point.
    rng = np.random.default_rng(8)
    speed = np.sort(rng.uniform(3000.0, 6000.0, 200))
    power = 40e3 * np.sin(speed / 3000.0) + rng.normal(0.0, 300.0, 200)
    grid = np.arange(3500.0, 5501.0, 250.0)

    expected = []
    for at in grid:
        weight = np.clip(1.0 - ((speed - at) / 150.0) ** 2, 0.0, None)
        near = weight > 0.0
        design = np.column_stack((np.ones(near.sum()), speed[near] - at))
        expected.append(WLS(power[near], design, weights=weight[near]).fit().params[0])
    assert smoothed_curve(speed, power, grid).value == pytest.approx(np.array(expected), rel=1e-9)


@pytest.mark.parametrize("fall_share", [0.05, 0.10, 0.20])
def test_a_quadratic_peak_is_kept_within_a_third_of_a_percent(fall_share):
    # The curve falls by fall_share within 1000 rpm of its peak, sharper than engines are.
    rng = np.random.default_rng(11)
    speed = swept_rpm()
    truth = 60e3 * (1.0 - fall_share * ((speed - 8230.0) / 1000.0) ** 2)
    curve = smoothed_curve(speed, truth + rng.normal(0.0, 0.002 * 60e3, speed.size), GRID_RPM)
    found = peak(GRID_RPM, curve.value)
    assert found.value == pytest.approx(60e3, rel=3e-3)
    assert found.speed_rpm == pytest.approx(8230.0, abs=100.0)


def test_the_lowering_of_a_peak_is_the_one_stated():
    # Local line on a parabola: bias = h^2 mu_2 f''/2 with mu_2 = 1/5 for Epanechnikov, so
    # 0.2 d (h / D)^2: d = 10 % within D = 1500 rpm, h = 150 rpm: 0.02 %.
    speed = swept_rpm(samples=20_001)
    truth = 1.0 - 0.10 * ((speed - 7000.0) / 1500.0) ** 2
    lowered = 1.0 - smoothed_curve(speed, truth, [7000.0]).value[0]
    assert lowered == pytest.approx(0.2 * 0.10 * (150.0 / 1500.0) ** 2, rel=0.01)


def test_smoothing_adds_no_wiggle_of_its_own():
    # A curve with one hump must come back with one hump, from uneven samples too.
    rng = np.random.default_rng(12)
    speed = np.sort(rng.uniform(2900.0, 10_100.0, 900))
    curve = smoothed_curve(speed, 60e3 * np.exp(-(((speed - 8000.0) / 4000.0) ** 2)), GRID_RPM)
    turns = np.diff(np.sign(np.diff(curve.value)))
    assert np.count_nonzero(turns) == 1


def test_a_constant_power_run_gives_its_power_back():
    # v = sqrt(v0^2 + 2 P t / m): 250 kg, 60 kW, from 15 m/s; 50 rpm per km/h (physics of a run).
    time_s = np.arange(0.0, 5.0, 0.01)
    speed_m_s = np.sqrt(15.0**2 + 2.0 * 60e3 * time_s / 250.0)
    assert np.sqrt(15.0**2 + 2.0 * 60e3 * 5.0 / 250.0) == pytest.approx(51.234754, abs=1e-6)
    power_w = 250.0 * speed_m_s * np.gradient(speed_m_s, time_s)
    speed_rpm = speed_m_s * 3.6 * 50.0
    grid = speed_grid_rpm(speed_rpm[20], speed_rpm[-20])
    assert smoothed_curve(speed_rpm, power_w, grid).value == pytest.approx(60e3, rel=2e-3)


@settings(max_examples=25)
@given(st.integers(0, 10_000))
def test_the_order_of_rows_changes_nothing(seed):
    rng = np.random.default_rng(seed)
    speed = np.round(rng.uniform(3000.0, 10_000.0, 300), -1)  # with ties
    power = rng.normal(50e3, 500.0, 300)
    shuffled = rng.permutation(300)
    here = smoothed_curve(speed, power, GRID_RPM)
    there = smoothed_curve(speed[shuffled], power[shuffled], GRID_RPM)
    assert np.array_equal(here.value, there.value, equal_nan=True)
    assert np.array_equal(here.sd, there.sd, equal_nan=True)


def test_the_sampling_rate_changes_nothing_but_noise():
    def curve(samples):
        speed = swept_rpm(samples)
        return smoothed_curve(speed, 50e3 * np.sin(speed / 5000.0), GRID_RPM).value

    assert curve(500) == pytest.approx(curve(5000), rel=1e-4)


def test_values_not_seen_are_as_if_never_recorded():
    speed = swept_rpm()
    power = 7.0 * speed
    power[100:160] = np.nan
    kept = np.isfinite(power)
    with_gap = smoothed_curve(speed, power, GRID_RPM)
    without = smoothed_curve(speed[kept], power[kept], GRID_RPM)
    assert np.array_equal(with_gap.value, without.value, equal_nan=True)


def test_the_curve_is_silent_beyond_the_samples_and_inside_a_hole():
    speed = np.concatenate((np.arange(4000.0, 5000.0, 10.0), np.arange(6000.0, 7001.0, 10.0)))
    grid = speed_grid_rpm(3500.0, 7500.0)
    silent = np.isnan(smoothed_curve(speed, speed, grid).value)
    assert silent[(grid < 4000.0) | (grid > 7000.0)].all()
    assert silent[(grid > 5120.0) & (grid < 5880.0)].all()
    assert not silent[(grid >= 4000.0) & (grid <= 5000.0)].any()


@pytest.mark.parametrize("samples", [0, 1, 3])
def test_too_few_samples_make_no_curve(samples):
    speed = np.linspace(5000.0, 5050.0, samples)
    assert np.isnan(smoothed_curve(speed, speed, GRID_RPM).value).all()


def test_samples_that_share_one_speed_make_no_curve():
    curve = smoothed_curve(np.full(20, 5000.0), np.arange(20.0), [5000.0])
    assert np.isnan(curve.value).all()


def test_the_standard_error_covers_independent_noise():
    # 95 % of 1.96 standard errors: 200 sweeps, every 10th grid point (bandwidths apart).
    rng = np.random.default_rng(13)
    speed = swept_rpm(2000)
    inside = []
    for _ in range(200):
        curve = smoothed_curve(speed, rng.normal(0.0, 500.0, speed.size), GRID_RPM[5:-5:10])
        inside.append(np.abs(curve.value) < 1.96 * curve.sd)
    assert 0.93 < np.mean(inside) < 0.965


def test_the_standard_error_is_unbiased_on_few_samples():
    # Six samples in reach: the mean of its square is the variance of the curve itself.
    rng = np.random.default_rng(14)
    speed = np.arange(4000.0, 6001.0, 50.0) + 25.0
    curves = [smoothed_curve(speed, rng.normal(0.0, 1.0, 41), [5000.0]) for _ in range(4000)]
    variance = np.var([curve.value[0] for curve in curves])
    assert np.mean([curve.sd[0] ** 2 for curve in curves]) == pytest.approx(variance, rel=0.1)


@pytest.mark.parametrize(
    ("arguments", "bandwidth_rpm", "words"),
    [
        (([1.0], [1.0, 2.0]), 150.0, "rows of one length"),
        (([1.0], [1.0]), 0.0, "bandwidth_rpm must be above 0 rpm, got 0"),
    ],
)
def test_samples_that_do_not_belong_together_are_refused(arguments, bandwidth_rpm, words):
    with pytest.raises(ValueError, match=words):
        smoothed_curve(*arguments, GRID_RPM, bandwidth_rpm=bandwidth_rpm)


@given(st.floats(7000.0, 8000.0), st.floats(1e-4, 1e-1))
def test_the_vertex_of_a_parabola_is_found_between_grid_points(top_rpm, bend):
    found = peak(GRID_RPM, 50e3 - bend * (GRID_RPM - top_rpm) ** 2)
    assert found.speed_rpm == pytest.approx(top_rpm, abs=0.5)
    assert found.value == pytest.approx(50e3, abs=1e-6)


def test_a_peak_at_the_end_or_beside_a_gap_is_the_grid_point():
    assert peak([3000.0, 3050.0, 3100.0], [1.0, 2.0, 3.0]) == (3100.0, 3.0)
    assert peak([3000.0, 3050.0, 3100.0], [1.0, 2.0, np.nan]) == (3050.0, 2.0)
    assert peak([3000.0, 3050.0, 3100.0], [2.0, 2.0, 2.0]) == (3000.0, 2.0)


def test_a_curve_not_seen_has_no_peak():
    assert all(math.isnan(part) for part in peak([3000.0, 3050.0], [np.nan, np.nan]))


# Units from scipy.constants: kW and N*m cross at 9549.3 rpm; 80 lbf*ft at 9000 rpm is 102.226 kW.
@pytest.mark.parametrize(
    ("power_w", "speed_rpm", "expected_nm"),
    [
        (1000.0, 9549.296586, 1.0),
        (102_226.26, 9000.0, 80.0 * constants.lbf * constants.foot),
        (17_920.0, 9000.0, 19.01371),  # roller: 8 kg m^2 at 16 rad/s^2 and 140 rad/s
    ],
)
def test_torque_is_power_over_angular_speed(power_w, speed_rpm, expected_nm):
    assert torque_nm(power_w, speed_rpm) == pytest.approx(expected_nm, rel=1e-6)


def test_torque_of_a_standing_engine_is_refused():
    with pytest.raises(ValueError, match="engine_speed_rpm must be above 0 rpm, got 0"):
        torque_nm(1000.0, 0.0)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_channels_smoothed_together_are_each_as_alone(seed):
    chance = np.random.default_rng(seed)
    wanted = []
    for samples in chance.integers(0, 400, 12):
        speed = np.sort(chance.uniform(2000.0, 9000.0, samples))
        value = 5e4 + 2e3 * np.cumsum(chance.normal(size=samples))
        value[chance.random(samples) < chance.choice([0.0, 0.1, 0.95])] = np.nan
        grid = speed_grid_rpm(*np.sort(chance.uniform(1500.0, 9500.0, 2)))
        wanted.append((speed, value, grid, float(chance.uniform(60.0, 600.0))))
    together = smoothed_curves(wanted)
    for found, (speed, value, grid, bandwidth) in zip(together, wanted, strict=True):
        alone = smoothed_curve(speed, value, grid, bandwidth_rpm=bandwidth)
        np.testing.assert_allclose(found.value, alone.value, rtol=1e-12)
        np.testing.assert_allclose(found.sd, alone.sd, rtol=1e-6, atol=1e-6)
