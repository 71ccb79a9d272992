"""Pulls of one session that hang together: their mean is less sure than their scatter says."""

import math

import numpy as np
import pytest

from flows.metrics.soak import pulls_together


def sessions(together, count, seed, slope=0.0, pulls=(3, 4, 5)):
    """Return scatter, slope and pulls of sessions of a first-order autoregression, and means."""
    rng = np.random.default_rng(seed)
    rows, means = [], []
    for number in range(count):
        n = pulls[number % len(pulls)]
        scatter = [rng.standard_normal()]
        while len(scatter) < n:
            fresh = math.sqrt(1.0 - together**2) * rng.standard_normal()
            scatter.append(together * scatter[-1] + fresh)
        level = np.array(scatter) + slope * np.arange(n)
        rows.append((level.std(ddof=1), np.polyfit(np.arange(n), level, 1)[0], n))
        means.append(np.mean(scatter))
    return (*np.transpose(rows), np.array(means))


@pytest.mark.parametrize("together", [0.3, 0.6, 0.8])
def test_means_are_less_sure_by_what_they_truly_scatter(together):
    sd, slope, n, means = sessions(together, 2500, seed=1)
    # The means' own spread, which nothing told, over the pulls' scatter by the root of n. The
    # slopes and squares of 2,500 sessions tell it to 5 % (1 SD).
    truly = math.sqrt((n * means**2).mean() / (((n - 1) * sd**2).sum() / (n - 1).sum()))
    assert pulls_together(sd, slope, n) == pytest.approx(truly, rel=0.12)


def test_three_pulls_that_hang_together_by_a_half_count_as_by_hand():
    # By hand: 1'C1 / 3 = (3 + 4/2 + 2/4) / 3 = 11/6; (3 - 11/6) / 2 = 7/12: the root of 22/7. Of
    # the squares about the mean, 7/6, the line takes 1 - 1/4 = 3/4: 9 of 14.
    part = math.sqrt(9 / 14)
    slope = np.array([1.0, -1.0] * 50) * part
    assert pulls_together(np.ones(100), slope, np.full(100, 3)) == pytest.approx(
        math.sqrt(22 / 7), rel=1e-6
    )


def test_pulls_that_stand_for_themselves_seldom_seem_to_hang_together():
    found = [pulls_together(*sessions(0.0, 24, seed)[:3]) for seed in range(300)]
    # One in 44 by the normal: of 300 more than 16 have a chance below 1 in 500.
    assert np.mean(np.array(found) > 1.0) <= 16 / 300


@pytest.mark.parametrize("slope", [-1.0, 2.0])
def test_a_slope_in_common_is_no_hanging_together(slope):
    assert pulls_together(*sessions(0.0, 400, seed=3, slope=slope)[:3]) == 1.0
    assert pulls_together(*sessions(0.7, 400, seed=3, slope=slope)[:3]) > 2.0


def test_pulls_that_all_rise_or_fall_count_as_at_the_most_that_can_be_told():
    # By hand: of three pulls at 0.9, 1'C1 / 3 = (3 + 3.6 + 1.62) / 3 = 2.74; (3 - 2.74) / 2 = 0.13.
    found = pulls_together([1.0] * 20, [1.0, -1.0] * 10, [3] * 20)
    assert found == pytest.approx(math.sqrt(2.74 / 0.13), rel=1e-9)


def test_few_sessions_or_pairs_of_pulls_tell_nothing_of_it():
    assert pulls_together([1.0] * 7, [1.0, -1.0, 1.0, -1.0, 1.0, -1.0, 1.0], [3] * 7) == 1.0
    assert pulls_together([1.0] * 20, [1.4, -1.4] * 10, [2] * 20) == 1.0
    assert pulls_together([0.0] * 20, [0.0] * 20, [3] * 20) == 1.0
