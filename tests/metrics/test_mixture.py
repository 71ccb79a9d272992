"""Lean error, windows and what is held over a width: rules of the trade, hand reckoning, laws."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flows.metrics.mixture import (
    Window,
    distance_from_peak_torque_rpm,
    full_throttle_target,
    held_worst_error_pct,
    lean_error_interval_pct,
    lean_error_pct,
    mixture_level,
    mixture_windows,
    part_throttle_band,
    torque_weighted_error_pct,
    window_duration_s,
    window_repeatability,
)

GRID = np.arange(3000.0, 9001.0, 50.0)


def bump(height_pct, at_rpm=6000.0, half_width_rpm=800.0):
    """Return a triangle of lean error on nothing."""
    return np.maximum(0.0, height_pct * (1.0 - np.abs(GRID - at_rpm) / half_width_rpm))


errors = st.lists(st.floats(-25.0, 25.0), min_size=2, max_size=60)


def test_stoichiometric_at_full_throttle_is_stop_lean():
    # Common practice, no source: 14.7 shown against a target of 12.8 is about 15 % lean.
    error = lean_error_pct(14.7 / 14.7, 12.8 / 14.7)
    assert error == pytest.approx(14.84, abs=0.005)
    assert 14.0 < error < 16.0


def test_lean_error_is_the_fuel_that_would_meet_the_target():
    # By hand: 10 % more fuel at the same air divides lambda by 1.10.
    measured = 0.957
    assert measured / (1 + lean_error_pct(measured, 0.87) / 100) == pytest.approx(0.87)


@given(st.floats(0.5, 1.5), st.floats(0.5, 1.5))
def test_lean_is_positive_and_rich_is_negative(measured, target):
    assert np.sign(lean_error_pct(measured, target)) == np.sign(measured - target)


def test_what_was_not_seen_stays_unseen():
    assert np.isnan(lean_error_pct([np.nan, 0.9], 0.87)).tolist() == [True, False]


def test_one_number_is_a_target_for_all_speeds():
    assert full_throttle_target(GRID, 0.87).tolist() == [0.87] * GRID.size


def test_target_is_straight_between_points_and_flat_outside_them():
    target = full_throttle_target(
        [2000.0, 4000.0, 5000.0, 6000.0, 9000.0], [(6000.0, 0.86), (4000.0, 0.90)]
    )
    assert target == pytest.approx([0.90, 0.90, 0.88, 0.86, 0.86])


def test_a_mixture_on_target_has_no_window():
    assert mixture_windows(GRID, np.zeros(GRID.size)) == []
    assert mixture_level([]) == "none"


def test_a_window_ends_where_the_error_crosses_the_threshold():
    # By hand: a triangle of 12 % and 800 rpm to either side passes 5 % at 800*(1 - 5/12) =
    # 466.67 rpm from its top; it holds 10 % over 2*800*(1 - 10/12) = 266.67 rpm.
    (window,) = mixture_windows(GRID, bump(12.0))
    assert window.side == "lean"
    assert window.level == "warn"
    assert (window.from_rpm, window.to_rpm) == pytest.approx((6000 - 466.667, 6000 + 466.667))
    assert (window.worst_error_pct, window.worst_speed_rpm) == (12.0, 6000.0)


def test_edges_do_not_hang_on_the_grid():
    coarse = GRID[::4]
    (fine,) = mixture_windows(GRID, bump(12.0))
    (rough,) = mixture_windows(coarse, bump(12.0)[::4])
    assert (fine.from_rpm, fine.to_rpm) == pytest.approx((rough.from_rpm, rough.to_rpm))


@pytest.mark.parametrize(
    ("error", "level"),
    [
        (4.9, None),
        (5.0, "notice"),
        (9.9, "notice"),
        (10.0, "warn"),
        (14.9, "warn"),
        (15.0, "stop"),
        (40.0, "stop"),
    ],
)
def test_a_threshold_belongs_to_the_level_it_names(error, level):
    windows = mixture_windows(GRID, np.full(GRID.size, error))
    assert [window.level for window in windows] == ([] if level is None else [level])


def test_a_single_spike_makes_no_stop_but_is_shown():
    error = np.full(GRID.size, 6.0)
    error[40] = 30.0
    (window,) = mixture_windows(GRID, error)
    assert window.level == "notice"
    assert window.worst_error_pct == 30.0


def test_an_error_held_over_the_least_width_makes_the_level():
    # Stop is reached over exactly 150 rpm: four points of the grid.
    error = np.full(GRID.size, 6.0)
    error[40:44] = 15.0
    assert mixture_windows(GRID, error)[0].level == "stop"
    assert mixture_windows(GRID, error, least_width_rpm=250.0)[0].level == "notice"


def test_a_worse_window_elsewhere_does_not_raise_this_one():
    error = bump(7.0, at_rpm=4500.0) + bump(25.0, at_rpm=7500.0)
    assert [window.level for window in mixture_windows(GRID, error)] == ["notice", "stop"]


def test_an_unseen_stretch_ends_a_window_and_is_not_bridged():
    error = np.full(GRID.size, 12.0)
    error[50:60] = np.nan
    first, second = mixture_windows(GRID, error)
    assert (first.from_rpm, first.to_rpm) == (3000.0, GRID[49])
    assert (second.from_rpm, second.to_rpm) == (GRID[60], 9000.0)


def test_near_peak_torque_is_within_500_rpm_of_any_part_of_the_window():
    error = np.where((GRID >= 6000.0) & (GRID <= 7000.0), 12.0, 0.0)
    # By hand: edges at 12 -> 0 over 50 rpm, 5 % is passed 29.17 rpm outside.
    edge = 6000.0 - 50.0 * 7.0 / 12.0

    def near(peak_rpm):
        return mixture_windows(GRID, error, speed_at_peak_torque_rpm=peak_rpm)[0][-1]

    assert near(6500.0)
    assert near(edge - 499.0)
    assert not near(edge - 501.0)
    assert not mixture_windows(GRID, error)[0].is_near_peak_torque


def test_rich_windows_do_not_set_the_level_of_a_stage():
    windows = mixture_windows(GRID, -bump(25.0))
    assert [(window.side, window.level) for window in windows] == [("rich", "stop")]
    assert windows[0].worst_error_pct == -25.0
    assert mixture_level(windows) == "none"


@given(errors)
def test_lean_and_rich_mirror_each_other(error):
    grid = 3000.0 + 50.0 * np.arange(len(error))
    there = mixture_windows(grid, error)
    back = mixture_windows(grid, -np.array(error))
    swap = {"lean": "rich", "rich": "lean"}
    assert sorted((w.from_rpm, w.to_rpm, w.level, w.side) for w in there) == sorted(
        (w.from_rpm, w.to_rpm, w.level, swap[w.side]) for w in back
    )


@given(errors)
def test_every_point_beyond_notice_lies_in_exactly_one_window(error):
    grid = 3000.0 + 50.0 * np.arange(len(error))
    windows = mixture_windows(grid, error)
    for speed, value in zip(grid, error, strict=True):
        holds = [w for w in windows if w.from_rpm <= speed <= w.to_rpm and abs(value) >= 5.0]
        assert len(holds) == (1 if abs(value) >= 5.0 else 0)


def test_held_error_of_a_triangle_is_the_height_at_which_it_is_that_wide():
    # By hand: 12 % high, 800 rpm to either side: 150 rpm wide at 12*(1 - 75/800) = 10.875.
    held = held_worst_error_pct(GRID, bump(12.0), 150.0)
    assert held.error_pct == pytest.approx(10.875, abs=1e-6)
    assert held.speed_rpm == 6000.0


def test_held_error_passes_over_a_spike():
    error = bump(9.0)
    error[100] = 40.0
    assert held_worst_error_pct(GRID, error, 150.0).error_pct < 9.0


def test_held_error_of_a_rich_curve_is_negative():
    assert held_worst_error_pct(GRID, np.full(GRID.size, -4.0), 150.0).error_pct == -4.0


def test_nothing_is_held_where_no_stretch_is_wide_enough():
    error = np.full(GRID.size, np.nan)
    assert np.isnan(held_worst_error_pct(GRID, error, 150.0).error_pct)
    error[10:13] = 12.0
    assert np.isnan(held_worst_error_pct(GRID, error, 150.0).error_pct)
    assert held_worst_error_pct(GRID, error, 100.0).error_pct == 12.0


@given(errors, st.floats(60.0, 400.0))
@settings(deadline=None)
def test_held_error_agrees_with_a_sliding_minimum_on_a_fine_grid(error, width):
    grid = 3000.0 + 50.0 * np.arange(len(error))
    held = held_worst_error_pct(grid, error, width)
    if width > grid[-1] - grid[0]:
        assert np.isnan(held.error_pct)
        return
    fine = np.linspace(grid[0], grid[-1], 2 * 50 * (len(error) - 1) + 1)
    value = np.interp(fine, grid, error)
    span = int(np.ceil(width / (fine[1] - fine[0]))) + 1
    sliding = max((value[i : i + span].min() for i in range(fine.size - span + 1)), default=-np.inf)
    # The fine window is up to one step of 0.5 rpm wider: 50 % in 50 rpm changes 0.5 % there.
    assert sliding - 1e-6 <= held.error_pct <= sliding + 0.6 or sliding == -np.inf


@given(errors)
@settings(deadline=None)
def test_held_error_falls_with_the_width(error):
    grid = 3000.0 + 50.0 * np.arange(len(error))
    narrow = held_worst_error_pct(grid, error, 25.0).error_pct
    wide = held_worst_error_pct(grid, error, 50.0).error_pct
    assert wide <= narrow + 1e-9 <= max(error) + 1e-8


def test_held_error_and_level_agree():
    for height in (9.0, 11.0, 12.0, 16.0, 20.0):
        held = held_worst_error_pct(GRID, bump(height), 150.0).error_pct
        level = mixture_level(mixture_windows(GRID, bump(height)))
        assert level == ("stop" if held >= 15 else "warn" if held >= 10 else "notice")


def test_torque_weighs_the_error_where_the_engine_pulls():
    # By hand: (50*2 + 150*6)/200 = 5.
    assert torque_weighted_error_pct([4000.0, 5000.0], [2.0, 6.0], [50.0, 150.0]) == 5.0


def test_an_uneven_grid_is_weighed_by_its_width():
    # By hand: an error of 0 up to 6000 and 10 from there to 9000 rpm is 5 on average.
    grid = np.concatenate([np.arange(3000.0, 6000.0, 10.0), np.arange(6000.0, 9001.0, 100.0)])
    mean = torque_weighted_error_pct(grid, np.where(grid < 6000, 0.0, 10.0), np.ones(grid.size))
    assert mean == pytest.approx(5.0, abs=0.2)


def test_unseen_points_have_no_weight():
    assert torque_weighted_error_pct(GRID, np.full(GRID.size, np.nan), GRID) != 0.0
    error = np.full(GRID.size, 4.0)
    error[:30] = np.nan
    assert torque_weighted_error_pct(GRID, error, GRID) == pytest.approx(4.0)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: lean_error_pct([0.9, 0.0], 0.87), "lambda_measured must be above 0, got 0"),
        (lambda: lean_error_pct(0.9, -1.0), "lambda_target must be above 0, got -1"),
        (lambda: full_throttle_target(GRID, []), "points must hold at least 1 pair"),
        (
            lambda: full_throttle_target(GRID, [(4000.0, 0.9), (4000.0, 0.8)]),
            "points must name each speed once, got 4000 rpm twice",
        ),
        (lambda: full_throttle_target(GRID, 0.0), "points must be above 0, got 0"),
        (
            lambda: mixture_windows(GRID, bump(9.0), warn_pct=4.0),
            "warn_pct must be at least 5 %, got 4",
        ),
        (lambda: mixture_windows(GRID[::-1], bump(9.0)), "grid_rpm must ascend"),
        (lambda: mixture_windows(GRID, [1.0]), "lean_error_pct must match grid_rpm in length"),
        (
            lambda: torque_weighted_error_pct(GRID, bump(9.0), -GRID),
            r"torque_nm must be at least 0 N\*m, got -3000",
        ),
    ],
)
def test_impossible_numbers_are_refused_in_words(call, message):
    with pytest.raises(ValueError, match=message):
        call()


LEAN = Window("lean", "warn", 5000.0, 6000.0, 12.0, 5500.0, True)


def test_duration_of_a_window_is_its_share_of_the_sweep():
    # 1000 rpm/s from 3000 rpm: one second in a window of 1000 rpm, wherever samples fall.
    time_s = np.arange(0.0, 6.0, 0.03)
    assert window_duration_s(LEAN, time_s, 3000.0 + 1000.0 * time_s) == pytest.approx(1.0)
    # Slower where it is held: 500 rpm/s.
    assert window_duration_s(LEAN, time_s, 4000.0 + 500.0 * time_s) == pytest.approx(2.0)
    # Ends within it, at 5500 rpm; never gets there; stands in it.
    assert window_duration_s(LEAN, [0.0, 1.0], [4500.0, 5500.0]) == pytest.approx(0.5)
    assert window_duration_s(LEAN, [0.0, 1.0], [3000.0, 4500.0]) == 0.0
    assert window_duration_s(LEAN, [0.0, 1.0], [5500.0, 5500.0]) == 1.0
    assert window_duration_s(LEAN, [0.0, 1.0], [6500.0, 6500.0]) == 0.0


def test_a_sample_not_seen_does_not_shorten_a_window():
    time_s = np.arange(0.0, 6.0, 0.1)
    speed = 3000.0 + 1000.0 * time_s
    speed[25] = np.nan
    assert window_duration_s(LEAN, time_s, speed) == pytest.approx(1.0)
    assert np.isnan(window_duration_s(LEAN, [0.0, 1.0], [np.nan, 5000.0]))


@pytest.mark.parametrize(
    ("peak_rpm", "distance_rpm"), [(4200.0, 800.0), (5500.0, 0.0), (6000.0, 0.0), (7500.0, -1500.0)]
)
def test_distance_from_peak_torque_has_a_side(peak_rpm, distance_rpm):
    assert distance_from_peak_torque_rpm(LEAN, peak_rpm) == distance_rpm


def test_a_window_in_every_pull_repeats():
    rng = np.random.default_rng(1)
    offsets = rng.normal(0.0, 1.0, 5)
    pulls = np.array([bump(12.0) + offset for offset in offsets])
    (window,) = mixture_windows(GRID, pulls.mean(axis=0))
    found = window_repeatability(window, GRID, pulls)
    assert (found.pulls, found.seen_in) == (5, 5)
    # The offsets are all that differs; statistics gives their standard deviation.
    assert found.depth_sd_pct == pytest.approx(np.std(offsets, ddof=1))
    # A triangle of 12 % over 800 rpm holds 12*(1 - 75/800) over 150 rpm.
    assert found.depth_pct == pytest.approx(12.0 * (1 - 75 / 800) + offsets.mean(), abs=1e-6)


def test_a_window_of_one_odd_pull_does_not_repeat():
    pulls = np.array([bump(24.0), np.zeros(GRID.size), np.zeros(GRID.size)])
    (window,) = mixture_windows(GRID, pulls.mean(axis=0))
    found = window_repeatability(window, GRID, pulls)
    assert (found.pulls, found.seen_in) == (3, 1)
    assert found.depth_sd_pct > 10.0


def test_pulls_that_did_not_see_the_window_do_not_count():
    short = np.where(GRID < 5500.0, bump(12.0), np.nan)
    (window,) = mixture_windows(GRID, bump(12.0))
    found = window_repeatability(window, GRID, [bump(12.0), short])
    assert (found.pulls, found.seen_in) == (1, 1)
    assert np.isnan(found.depth_sd_pct)
    nobody = window_repeatability(window, GRID, [short])
    assert (nobody.pulls, nobody.seen_in) == (0, 0)
    assert np.isnan(nobody.depth_pct)


def test_a_rich_window_repeats_on_its_own_side():
    (window,) = mixture_windows(GRID, -bump(12.0))
    found = window_repeatability(window, GRID, [-bump(12.0), bump(12.0)])
    assert (found.pulls, found.seen_in) == (2, 1)
    assert window_repeatability(window, GRID, [-bump(12.0)]).depth_pct < -10.0


def test_gauge_accuracy_alone_by_hand():
    # JCGM 100:2008 4.3.7: limits of +-a have a standard uncertainty of a/sqrt(3). Here
    # 0.01/0.87/1.73205 = 0.6636 %; times 1.959964 = 1.3007 %.
    found = lean_error_interval_pct(12.0, 0.87)
    assert found.standard_uncertainty_pct == pytest.approx(0.66363, abs=1e-5)
    assert (found.low_pct, found.high_pct) == pytest.approx((10.6993, 13.3007), abs=1e-4)
    # Scatter of a single pull is not known and cannot be added.
    assert lean_error_interval_pct(12.0, 0.87, depth_sd_pct=2.0) == found


def test_scatter_falls_with_the_pulls_and_the_gauge_does_not():
    few = lean_error_interval_pct(12.0, 0.87, depth_sd_pct=1.0, pulls=3)
    many = lean_error_interval_pct(12.0, 0.87, depth_sd_pct=1.0, pulls=300)
    assert few.standard_uncertainty_pct == pytest.approx(np.hypot(0.66363, 1 / 3**0.5), abs=1e-5)
    assert many.standard_uncertainty_pct == pytest.approx(np.hypot(0.66363, 0.05774), abs=1e-4)
    # Effective degrees of freedom, JCGM 100:2008 G.4.1: 2*(0.8796/0.57735)^4 = 10.78; Student's
    # t is 2.207 there.
    half = few.high_pct - 12.0
    assert half / few.standard_uncertainty_pct == pytest.approx(2.207, abs=2e-3)


@pytest.mark.parametrize("pulls", [3, 5])
def test_the_interval_holds_the_truth_as_often_as_it_says(pulls):
    rng = np.random.default_rng(2)
    held = 0
    for _ in range(2000):
        gauge = 100.0 * rng.uniform(-0.01, 0.01) / 0.87
        seen = 12.0 + gauge + rng.normal(0.0, 1.0, pulls)
        found = lean_error_interval_pct(
            seen.mean(), 0.87, depth_sd_pct=np.std(seen, ddof=1), pulls=pulls
        )
        held += found.low_pct <= 12.0 <= found.high_pct
    assert 0.93 <= held / 2000 <= 0.975


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: window_duration_s(LEAN, [0.0, 0.0], [1.0, 2.0]), "time_s must ascend"),
        (lambda: window_duration_s(LEAN, [0.0], [1.0, 2.0]), "engine_speed_rpm must match"),
        (
            lambda: window_repeatability(LEAN, [5000.0, 5100.0], [[1.0]]),
            "must match grid_rpm in length",
        ),
        (lambda: lean_error_interval_pct(12.0, 0.0), "lambda_target must be above 0"),
        (lambda: lean_error_interval_pct(12.0, 0.9, pulls=0), "pulls must be at least 1"),
    ],
)
def test_impossible_windows_are_refused_in_words(call, message):
    with pytest.raises(ValueError, match=message):
        call()


def test_the_band_goes_from_cruise_to_full_throttle_without_a_step():
    opening = np.linspace(0.0, 100.0, 2001)
    low, high = part_throttle_band(opening, (0.94, 1.00), 0.87)
    assert (low[0], high[0]) == (0.94, 1.00)
    assert low[-1] == high[-1] == 0.87
    for edge in (low, high):
        assert np.all(np.diff(edge) <= 0.0)
        assert np.abs(np.diff(edge)).max() < 0.0002
    # Half of the way from 40 to 85 % is half of the way from the band to the target.
    at = part_throttle_band(62.5, (0.94, 1.00), 0.87)
    assert at == pytest.approx((0.905, 0.935))


def test_a_band_upside_down_is_refused():
    with pytest.raises(ValueError, match="cruise must be at most"):
        part_throttle_band(10.0, (1.0, 0.9))


def _held_by_halving(speed, error, width):
    """Return the held error as the greatest threshold at which a range is wide enough."""

    def is_held(threshold):
        above = np.flatnonzero(error >= threshold)
        for run in np.split(above, np.flatnonzero(np.diff(above) > 1) + 1) if above.size else []:
            ends = []
            for inside, outside in ((run[0], run[0] - 1), (run[-1], run[-1] + 1)):
                share = 0.0
                if 0 <= outside < error.size and np.isfinite(error[outside]):
                    share = (error[inside] - threshold) / (error[inside] - error[outside])
                other = speed[np.clip(outside, 0, error.size - 1)]
                ends.append(speed[inside] + share * (other - speed[inside]))
            if ends[1] - ends[0] >= width:
                return True
        return False

    low, high = float(np.nanmin(error)), float(np.nanmax(error))
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if is_held(middle) else (low, middle)
    return high if is_held(high) else low


@settings(max_examples=80, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_the_held_error_is_the_greatest_threshold_that_is_held(seed):
    chance = np.random.default_rng(seed)
    size = int(chance.integers(8, 60))
    speed = 3000.0 + np.cumsum(chance.uniform(1.0, 120.0, size))
    error = np.cumsum(chance.normal(0.0, 2.0, size))
    error[chance.random(size) < chance.choice([0.0, 0.1])] = np.nan
    width = float(chance.choice([10.0, 75.0, 150.0]))
    found = held_worst_error_pct(speed, error, width)
    if np.isfinite(found.error_pct):
        assert found.error_pct == pytest.approx(_held_by_halving(speed, error, width), abs=1e-9)
