"""Clocks: channels brought onto one clock, and a climb without a clock."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flows.metrics.clocks import aligned_to, rising_part
from tests.in_words import refused


def test_agrees_with_straight_lines_of_the_reference_library():
    # scipy.interpolate.interp1d(kind="linear"), the reference implementation.
    from scipy.interpolate import interp1d

    random = np.random.default_rng(3)
    time = np.cumsum(random.uniform(0.09, 0.11, 200))
    value = random.normal(size=200)
    wanted = random.uniform(time[0], time[-1], 500)
    np.testing.assert_allclose(
        aligned_to(time, value, wanted), interp1d(time, value)(wanted), rtol=1e-12
    )


def test_a_slow_wave_comes_out_within_the_error_bound():
    # |error| <= h^2 max|f''| / 8 for linear interpolation (any numerical analysis text).
    time = np.arange(0.0, 10.0, 0.1)
    wanted = np.linspace(0.0, 9.9, 1000)
    wave = 2.0 * np.pi * 0.5
    error = aligned_to(time, np.sin(wave * time), wanted) - np.sin(wave * wanted)
    assert np.abs(error).max() <= 0.1**2 * wave**2 / 8.0 * (1 + 1e-9)


def test_holes_and_ends_are_not_filled():
    time = np.concatenate((np.arange(0.0, 1.0, 0.1), np.arange(5.0, 6.0, 0.1)))
    found = aligned_to(time, np.ones(time.size), [-0.1, 0.05, 3.0, 5.0, 5.05, 7.0])
    assert np.isnan(found).tolist() == [True, False, True, False, False, True]


def test_one_lost_sample_is_bridged_and_two_are_not():
    time = np.array([0.0, 0.1, 0.2, 0.4, 0.5, 0.6, 0.9])
    found = aligned_to(time, time, [0.3, 0.75])
    assert found[0] == pytest.approx(0.3)
    assert np.isnan(found[1])


def test_times_that_do_not_rise_are_refused():
    with refused("does not go on"):
        aligned_to([0.0, 0.0], [1.0, 2.0], [0.0])


@given(st.lists(st.floats(-5, 5), min_size=2, max_size=40), st.integers(0, 2**32 - 1))
def test_never_leaves_the_range_of_its_neighbours(values, seed):
    time = np.arange(len(values)) * 0.1
    wanted = np.random.default_rng(seed).uniform(0, time[-1], 50)
    found = aligned_to(time, values, wanted)
    assert found.min() >= min(values) - 1e-12
    assert found.max() <= max(values) + 1e-12


def climb(noise=0.0, seed=1):
    random = np.random.default_rng(seed)
    rise = np.linspace(3000, 9000, 300)
    speed = np.concatenate((np.full(20, 3000.0), rise, np.linspace(8900, 5000, 40)))
    return speed + noise * random.normal(size=speed.size)


def test_the_climb_is_found_without_any_time():
    found = rising_part(climb(noise=8.0))
    speed = climb()[found]
    assert speed[0] <= 3100
    assert speed[-1] >= 8950


def test_a_closed_throttle_ends_the_climb():
    speed = climb()
    throttle = np.where(np.arange(speed.size) < 200, 100.0, 20.0)
    assert climb()[rising_part(speed, throttle)].max() == pytest.approx(speed[199])


def test_no_climb_is_said_so():
    with refused("no usable sweep"):
        rising_part(np.full(200, 4000.0))
    with refused("no usable sweep"):
        rising_part([3000, 9000])
    with refused("no usable sweep"):
        rising_part([])
