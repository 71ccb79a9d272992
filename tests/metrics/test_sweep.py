"""The sweep: found whole and alone in pulls made of idling, opening, limiter and roll-out."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flows.metrics.sweep import sweep_slice
from tests.in_words import refused

OPENS_S, LIMITER_S, CLOSES_S = 2.0, 8.5, 10.0
START_RPM, LIMIT_RPM = 3000.0, 9500.0


def recorded_pull(rate_hz=100.0, noise_rpm=0.0, seed=3):
    """Steady, then 1000 rpm/s to the limiter, a bouncing limiter, then roll-out."""
    time_s = np.arange(0.0, 14.0, 1.0 / rate_hz)
    speed_rpm = np.interp(
        time_s,
        [0.0, OPENS_S, LIMITER_S, CLOSES_S, 14.0],
        [START_RPM, START_RPM, LIMIT_RPM, LIMIT_RPM, 2500.0],
    )
    at_limiter = (time_s > LIMITER_S) & (time_s < CLOSES_S)
    speed_rpm[at_limiter] += 60.0 * np.sin(2.0 * np.pi * 8.0 * (time_s[at_limiter] - LIMITER_S))
    speed_rpm += np.random.default_rng(seed).normal(0.0, noise_rpm, time_s.size)
    throttle_pct = np.where((time_s >= OPENS_S) & (time_s < CLOSES_S), 98.0, 12.0)
    return time_s, speed_rpm, throttle_pct


@pytest.mark.parametrize("noise_rpm", [0.0, 10.0, 40.0])
@pytest.mark.parametrize("has_throttle", [True, False])
def test_the_sweep_is_found_without_the_limiter_and_without_the_steady_part(
    noise_rpm, has_throttle
):
    time_s, speed_rpm, throttle_pct = recorded_pull(noise_rpm=noise_rpm)
    found = sweep_slice(time_s, speed_rpm, throttle_pct if has_throttle else None)
    assert OPENS_S <= time_s[found][0] <= OPENS_S + 0.4
    assert LIMITER_S - 0.4 <= time_s[found][-1] <= LIMITER_S


@settings(max_examples=30)
@given(st.sampled_from([20.0, 50.0, 100.0, 200.0]), st.integers(0, 1000))
def test_the_sampling_rate_moves_the_ends_by_little(rate_hz, seed):
    time_s, speed_rpm, throttle_pct = recorded_pull(rate_hz, noise_rpm=5.0, seed=seed)
    found = sweep_slice(time_s, speed_rpm, throttle_pct)
    fine_s, fine_rpm, fine_pct = recorded_pull(400.0)
    fine = sweep_slice(fine_s, fine_rpm, fine_pct)
    assert time_s[found][0] == pytest.approx(fine_s[fine][0], abs=0.12)
    assert time_s[found][-1] == pytest.approx(fine_s[fine][-1], abs=0.12)


@pytest.mark.parametrize("noise_rpm", [0.0, 5.0, 20.0])
@pytest.mark.parametrize("has_throttle", [True, False])
@pytest.mark.parametrize("rate_hz", [4.0, 5.0, 8.0, 10.0, 20.0])
def test_a_slow_record_has_its_sweep_too(rate_hz, has_throttle, noise_rpm):
    # 6,500 rpm in 6.5 s, then the throttle is shut and the engine falls by 4,000 rpm a second.
    for seed in range(8):
        opens_s = 2.0 + 0.031 * seed
        time_s = np.arange(0.0, 14.0, 1.0 / rate_hz)
        over_s = opens_s + 6.5
        speed_rpm = np.interp(time_s, [opens_s, over_s, over_s + 1.75], [3000.0, 9500.0, 2500.0])
        speed_rpm += np.random.default_rng(seed).normal(0.0, noise_rpm, time_s.size)
        throttle_pct = np.where((time_s >= opens_s) & (time_s <= over_s), 98.0, 3.0)
        found = sweep_slice(time_s, speed_rpm, throttle_pct if has_throttle else None)
        step_s = 1.0 / rate_hz
        # Nothing of the steady part and of the fall, beyond a sample; a step to the first sample
        # of the rise and two that are trimmed.
        assert opens_s - step_s <= time_s[found][0] <= opens_s + 0.3 + 3.0 * step_s
        least_s = 0.05 + 2.0 * step_s if has_throttle else 0.5 + 4.0 * step_s
        assert over_s - least_s <= time_s[found][-1] <= over_s


def test_a_record_too_slow_for_any_sweep_says_so():
    time_s = np.arange(0.0, 30.0, 1.0)
    with refused(r"holds a sample every 1 s, one every 0\.5 s needed"):
        sweep_slice(time_s, 3000.0 + 200.0 * time_s)


@pytest.mark.parametrize("has_throttle", [True, False])
@pytest.mark.parametrize("after", ["held", "shut"])
def test_little_is_lost_at_the_top_and_nothing_of_what_follows_taken_in(after, has_throttle):
    # At 100 Hz with 5 rpm of noise: the end, less the 0.04 s that are trimmed.
    for seed in range(10):
        time_s = np.arange(0.0, 14.0, 0.01)
        over_s = 8.0 + 0.0031 * seed
        falls = {"held": 0.0, "shut": -1500.0}[after]
        speed_rpm = np.interp(time_s, [2.0, over_s], [3000.0, 9000.0])
        speed_rpm += falls * np.clip(time_s - over_s, 0.0, 3.0)
        speed_rpm += np.random.default_rng(seed).normal(0.0, 5.0, time_s.size)
        throttle_pct = np.where((time_s >= 2.0) & (time_s <= over_s), 98.0, 3.0)
        found = sweep_slice(time_s, speed_rpm, throttle_pct if has_throttle else None)
        assert over_s - 0.1 <= time_s[found][-1] <= over_s - 0.01


@given(st.floats(-1000.0, 1e6))
def test_a_shifted_clock_changes_nothing(shift_s):
    time_s, speed_rpm, throttle_pct = recorded_pull(50.0, noise_rpm=5.0)
    here = sweep_slice(time_s, speed_rpm, throttle_pct)
    there = sweep_slice(np.round(time_s + shift_s, 6), speed_rpm, throttle_pct)
    assert (here.start, here.stop) == pytest.approx((there.start, there.stop), abs=1)


def test_a_record_that_is_all_sweep_is_kept_whole():
    time_s = np.arange(0.0, 6.0, 0.02)
    found = sweep_slice(time_s, 3000.0 + 1000.0 * time_s)
    assert (found.start, found.stop) == (0, time_s.size)


def test_a_slow_loaded_ramp_survives_a_noisy_tachometer():
    time_s = np.arange(0.0, 20.0, 0.01)
    speed_rpm = 3000.0 + 250.0 * time_s + np.random.default_rng(4).normal(0.0, 20.0, time_s.size)
    found = sweep_slice(time_s, speed_rpm)
    assert np.ptp(speed_rpm[found]) > 4500.0


def test_of_two_sweeps_the_one_that_spans_more_wins():
    time_s = np.arange(0.0, 13.0, 0.02)
    speed_rpm = np.interp(time_s, [0, 4, 5, 11, 13], [3000, 6500, 3000, 9000, 4000])
    found = sweep_slice(time_s, speed_rpm)
    assert 5.0 <= time_s[found][0] <= time_s[found][-1] <= 11.0
    assert np.ptp(speed_rpm[found]) > 5000.0


def test_rising_speed_on_a_part_open_throttle_is_not_a_sweep():
    time_s, speed_rpm, throttle_pct = recorded_pull()
    throttle_pct = np.where((time_s > 2.0) & (time_s < 4.0), 60.0, throttle_pct)
    found = sweep_slice(time_s, speed_rpm, throttle_pct)
    assert time_s[found][0] >= 4.0


def test_a_hole_in_the_record_breaks_the_sweep():
    time_s = np.concatenate((np.arange(0.0, 2.0, 0.02), np.arange(3.0, 7.0, 0.02)))
    found = sweep_slice(time_s, 2000.0 + 1000.0 * time_s)
    assert time_s[found][0] >= 3.0


def test_samples_without_a_speed_do_not_break_the_sweep():
    time_s, speed_rpm, throttle_pct = recorded_pull()
    whole = sweep_slice(time_s, speed_rpm, throttle_pct)
    speed_rpm[::7] = np.nan
    throttle_pct[::5] = np.nan
    found = sweep_slice(time_s, speed_rpm, throttle_pct)
    assert time_s[found][0] == pytest.approx(time_s[whole][0], abs=0.1)
    assert time_s[found][-1] == pytest.approx(time_s[whole][-1], abs=0.1)


def test_a_throttle_channel_that_never_spoke_is_as_good_as_none():
    time_s, speed_rpm, _ = recorded_pull()
    assert sweep_slice(time_s, speed_rpm, np.full(time_s.size, np.nan)) == sweep_slice(
        time_s, speed_rpm
    )


@pytest.mark.parametrize(
    ("time_s", "speed_rpm", "reason"),
    [
        (np.arange(5.0), np.arange(5.0), "only 5 samples of engine speed"),
        (np.arange(0.0, 5.0, 0.02), np.full(250, np.nan), "only 0 samples"),
        (np.arange(0.0, 5.0, 0.02), np.full(250, 4000.0), "the engine speed never rises"),
        (np.arange(0.0, 5.0, 0.02), np.linspace(9000.0, 3000.0, 250), "speed never rises"),
        (np.arange(0.0, 5.0, 0.02), np.linspace(4000.0, 5000.0, 250), "spans 1000 rpm, 1500 rpm"),
        (np.arange(0.0, 0.8, 0.01), np.linspace(3000.0, 9000.0, 80), "lasts 0.79 s, 1 s needed"),
        (np.zeros(250), np.linspace(3000.0, 9000.0, 250), "the clock does not go on"),
        (np.arange(5.0), np.arange(6.0), "rows of one length"),
    ],
)
def test_a_record_without_a_sweep_is_refused_with_its_reason(time_s, speed_rpm, reason):
    with refused(reason):
        sweep_slice(time_s, speed_rpm)


def test_a_throttle_that_is_never_open_while_speed_rises_is_refused():
    time_s = np.arange(0.0, 6.0, 0.02)
    speed_rpm = np.interp(time_s, [0.0, 4.0, 6.0], [3000.0, 8000.0, 2000.0])
    throttle_pct = np.where(time_s < 4.5, 30.0, 100.0)
    with refused("never rises with the throttle open"):
        sweep_slice(time_s, speed_rpm, throttle_pct)
