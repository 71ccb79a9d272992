"""Standing out in a window: hand calculations, scipy, laws, and pulls of known truth."""

import numpy as np
import pytest
from scipy import stats

from flows.metrics.heat import window_standout

speed_rpm = np.arange(4000.0, 8001.0, 50.0)
low_rpm, high_rpm = 5500.0, 6500.0
WINDOW = (low_rpm, high_rpm)
in_window = (speed_rpm >= low_rpm) & (speed_rpm <= high_rpm)


def pull(base=2.0, slope=0.001, step=0.0, factor=1.0):
    """Return a straight line over speed, `base` at 6000 rpm, raised in the window."""
    line = base + slope * (speed_rpm - 6000.0)
    return np.where(in_window, factor * line + step, line)


def test_a_step_on_a_sloping_line_is_found_in_full():
    found = window_standout(speed_rpm, [pull(step=1.5)], *WINDOW)
    # Hand calculation: the line is 2 at the window's middle, 3.5 with the step.
    assert (found.inside, found.beside) == pytest.approx((3.5, 2.0))
    assert found.difference == pytest.approx(1.5)
    assert found.ratio == pytest.approx(3.5 / 2.0)


@pytest.mark.parametrize("slope", [-0.0015, 0.0, 0.0015])
def test_a_straight_rise_with_speed_alone_does_not_stand_out(slope):
    found = window_standout(speed_rpm, [pull(3.0, slope), pull(4.0, slope)], *WINDOW)
    # Law: a straight line is its own neighbourhood.
    assert found.difference == pytest.approx(0.0, abs=1e-9)
    assert found.ratio == pytest.approx(1.0)


def test_a_window_seen_in_part_is_held_against_the_same_part_of_the_line():
    row = pull(2.0, 0.001, step=0.5)
    row[in_window & (speed_rpm < 6300.0)] = np.nan
    found = window_standout(speed_rpm, [row], *WINDOW)
    # Hand calculation: 6300 to 6500 rpm is left, 6400 on the mean, where the line is 2.4.
    assert (found.inside, found.beside) == pytest.approx((2.9, 2.4))
    assert found.difference == pytest.approx(0.5)


@pytest.mark.parametrize("side", ["below", "above"])
def test_neighbours_on_one_side_only_are_drawn_on_straight(side):
    row = pull(2.0, 0.001, step=0.7)
    row[speed_rpm > high_rpm if side == "below" else speed_rpm < low_rpm] = np.nan
    # Law: a straight line is known from any part of it.
    assert window_standout(speed_rpm, [row], *WINDOW).difference == pytest.approx(0.7)


def test_the_line_is_that_of_least_squares():
    row = 2.0 + np.random.default_rng(1).standard_normal(speed_rpm.size)
    near = (speed_rpm >= 4500.0) & (speed_rpm < 5350.0) | (speed_rpm > 6650.0) & (
        speed_rpm <= 7500.0
    )
    line = stats.linregress(speed_rpm[near], row[near])  # scipy
    found = window_standout(speed_rpm, [row], *WINDOW)
    assert found.beside == pytest.approx(line.intercept + line.slope * 6000.0)


def test_difference_and_its_interval_are_those_of_the_paired_t_test():
    chance = np.random.default_rng(2)
    bases, steps = chance.uniform(2.0, 4.0, 5), chance.normal(1.0, 0.4, 5)
    found = window_standout(
        speed_rpm,
        [pull(b, step=s) for b, s in zip(bases, steps, strict=True)],
        *WINDOW,
    )
    ends = stats.ttest_rel(bases + steps, bases).confidence_interval(0.95)  # scipy
    assert found.pulls == 5
    assert found.difference == pytest.approx(steps.mean())
    assert (found.difference_lower, found.difference_upper) == pytest.approx(tuple(ends))


def test_ratio_and_its_interval_are_those_of_t_in_logarithms():
    chance = np.random.default_rng(3)
    bases, factors = chance.uniform(2.0, 4.0, 6), np.exp(chance.normal(0.4, 0.2, 6))
    rows = [pull(b, 0.0, factor=f) for b, f in zip(bases, factors, strict=True)]
    found = window_standout(speed_rpm, rows, *WINDOW)
    logs = np.log(factors)
    ends = stats.t.interval(0.95, 5, logs.mean(), stats.sem(logs))  # scipy
    assert found.ratio == pytest.approx(stats.gmean(factors))  # scipy
    assert (found.ratio_lower, found.ratio_upper) == pytest.approx(tuple(np.exp(ends)))


def test_one_pull_has_no_interval():
    found = window_standout(speed_rpm, pull(step=1.0), *WINDOW)
    # Law: one value says nothing of its scatter.
    assert found.pulls == 1
    ends = found.difference_lower, found.difference_upper, found.ratio_lower, found.ratio_upper
    assert np.isnan(ends).all()


def test_what_is_too_near_to_the_window_or_too_far_from_it_does_not_count():
    row = pull(step=1.0)
    gap = np.maximum(low_rpm - speed_rpm, speed_rpm - high_rpm)
    row[(gap > 0.0) & (gap <= 150.0) | (gap > 1000.0)] = 99.0
    # Hand calculation: only the undisturbed line is left beside the window.
    assert window_standout(speed_rpm, [row], *WINDOW).difference == pytest.approx(1.0)
    # Hand calculation: the next point on each side counts, two of 34, at 99 where the line is 2.
    row[(gap > 100.0) & (gap <= 200.0)] = 99.0
    found = window_standout(speed_rpm, [row], *WINDOW)
    assert found.difference == pytest.approx(1.0 - 2 * (99.0 - 2.0) / 34)


def test_a_pull_without_window_or_without_enough_beside_it_is_left_out():
    no_window = np.where(in_window, np.nan, pull(step=9.0))
    beside = np.flatnonzero((speed_rpm >= 4500.0) & (speed_rpm < 5350.0))
    three, four = (np.where(in_window, pull(step=3.0), np.nan) for _ in range(2))
    three[beside[:3]], four[beside[:4]] = pull()[beside[:3]], pull()[beside[:4]]
    rows = [pull(step=1.0), no_window, three, four]
    found = window_standout(speed_rpm, rows, *WINDOW)
    # Hand calculation: steps of 1 and 3 are left.
    assert (found.pulls, found.difference) == (2, pytest.approx(2.0))


def test_nothing_seen_gives_no_number():
    found = window_standout(speed_rpm, np.full((2, speed_rpm.size), np.nan), *WINDOW)
    assert found.pulls == 0
    assert np.isnan(found[1:]).all()


@pytest.mark.parametrize(("base", "step"), [(-3.0, 1.0), (2.0, -2.0), (0.0, 2.0)])
def test_a_quantity_that_is_not_above_0_has_a_difference_but_no_ratio(base, step):
    # Law: 0 and less have no logarithm; ignition after top dead centre is below 0.
    found = window_standout(speed_rpm, [pull(base, 0.0, step), pull(5.0, 0.0, 4.0)], *WINDOW)
    assert found.difference == pytest.approx((step + 4.0) / 2)
    assert np.isnan([found.ratio, found.ratio_lower, found.ratio_upper]).all()


def test_the_logger_s_own_scale_drops_out_of_the_ratio():
    chance = np.random.default_rng(4)
    rows = np.array([pull(3.0, factor=f) for f in (1.2, 1.5, 1.4)])
    rows += 0.05 * chance.standard_normal(rows.shape)
    once, scaled = (window_standout(speed_rpm, k * rows, *WINDOW) for k in (1.0, 40.0))
    # Law: a ratio has no unit, and a difference has that of its parts.
    assert scaled[6:] == pytest.approx(once[6:])
    assert scaled[1:6] == pytest.approx(tuple(40.0 * each for each in once[1:6]))


def test_an_offset_shifts_both_means_and_leaves_the_difference():
    rows = np.array([pull(3.0, step=s) for s in (0.5, 0.9, 1.0)])
    once, raised = (window_standout(speed_rpm, rows + k, *WINDOW) for k in (0.0, 10.0))
    # Law: a line fitted to y + k is the line fitted to y, raised by k.
    assert (raised.inside, raised.beside) == pytest.approx((once.inside + 10, once.beside + 10))
    assert raised[3:6] == pytest.approx(once[3:6])


def test_the_order_of_the_pulls_does_not_matter():
    rows = [pull(3.0, step=s) for s in (0.5, 0.9, 1.7, 0.1)]
    # Law: a mean and a spread know no order.
    assert window_standout(speed_rpm, rows[::-1], *WINDOW) == pytest.approx(
        window_standout(speed_rpm, rows, *WINDOW)
    )


def test_the_intervals_hold_the_truth_in_95_of_100_although_readings_share_their_error():
    chance = np.random.default_rng(5)
    grid = np.arange(4400.0, 7601.0, 100.0)
    inside = (grid >= 5500.0) & (grid <= 6500.0)
    line = 5.0 + 0.001 * (grid - 6000.0)
    held = np.zeros(2)
    for _ in range(3000):
        # Each pull has a stand-out of its own about the true one of 20 %; its readings share it.
        factor = np.exp(np.log(1.2) + 0.08 * chance.standard_normal((3, 1)))
        rows = np.where(inside, factor, 1.0) * line
        found = window_standout(grid, rows, 5500.0, 6500.0)
        true = 5.0 * (1.2 * np.exp(0.08**2 / 2) - 1.0)  # mean of a log-normal, law
        held += (
            found.difference_lower <= true <= found.difference_upper,
            (found.ratio_lower <= 1.2 <= found.ratio_upper),
        )
    assert (held / 3000 > 0.93).all()
    assert (held / 3000 < 0.97).all()


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"grid_rpm": [1.0, 1.0, 2.0]}, "grid_rpm must ascend"),
        ({"grid_rpm": [3.0, 2.0, 1.0]}, "grid_rpm must ascend"),
        ({"grid_rpm": [1.0, np.nan, 2.0]}, "grid_rpm must ascend"),
        ({"grid_rpm": [[1.0, 2.0, 3.0]]}, "grid_rpm must ascend"),
        ({"value_by_pull": [[1.0, 2.0]]}, "a column for each speed, got 2 for 3"),
        ({"from_rpm": 7.0, "to_rpm": 6.0}, "from_rpm must be at most 6 rpm, got 7"),
    ],
)
def test_impossible_calls_are_refused_in_words(change, message):
    given = {
        "grid_rpm": [1.0, 2.0, 3.0],
        "value_by_pull": [[1.0, 2.0, 3.0]],
        "from_rpm": 1.0,
        "to_rpm": 2.0,
    }
    with pytest.raises(ValueError, match=message):
        window_standout(**(given | change))
