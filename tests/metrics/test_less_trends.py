"""The usual scatter of pulls in shops that soak or warm up: no trend counts as scatter."""

import math

import numpy as np
import pytest
from scipy import stats

from flows.metrics.soak import less_trends

PULL_SD = 0.0035


def a_shop(slope, sds, pulls, seed):
    """Return sessions' scatter, slopes by numpy's own fit, pulls, and squares about those lines."""
    rng = np.random.default_rng(seed)
    found = []
    for sd, count in zip(sds, pulls, strict=True):
        place = np.arange(count)
        level = slope * place + rng.normal(0.0, sd, count)
        line = np.polyfit(place, level, 1)
        left = float(((level - np.polyval(line, place)) ** 2).sum())
        found.append((level.std(ddof=1), line[0], count, left))
    return np.array(found).T


@pytest.mark.parametrize("slope", [-0.004, 0.004])
def test_the_scatter_of_a_shop_that_soaks_or_warms_up_is_that_about_its_lines(slope):
    pulls = [3, 4, 3, 5] * 15
    sd, slopes, count, left = a_shop(slope, [PULL_SD] * 60, pulls, seed=1)
    kept = less_trends(sd, slopes, count)
    # By numpy's lines: their squares over their degrees of freedom, two less than pulls.
    level = math.sqrt(((count - 1) * kept**2).sum() / (count - 1).sum())
    assert level == pytest.approx(math.sqrt(left.sum() / (count - 2).sum()), rel=1e-9)
    assert level == pytest.approx(PULL_SD, rel=0.15)
    assert kept / sd == pytest.approx(kept[0] / sd[0])


def test_chance_makes_a_trend_of_next_to_no_shop_however_unlike_its_sessions():
    taken = 0
    for seed in range(400):
        sds = PULL_SD * np.exp(np.random.default_rng(seed).normal(0.0, 1.0, 24))
        sd, slopes, count, _ = a_shop(0.0, sds, [3, 4] * 12, seed=1000 + seed)
        taken += not np.array_equal(less_trends(sd, slopes, count), sd)
    # One in 700 by the normal, beyond 3: of 400 the chance of more than 4 is below 1 in 1,000.
    assert taken <= 4


@pytest.mark.parametrize(("errors", "is_taken"), [(2.9, False), (3.1, True)])
def test_a_trend_counts_from_three_standard_errors_of_scipy_s_beta_on(errors, is_taken):
    count = np.array([3.0, 4.0, 6.0] * 10)
    chance = stats.beta(0.5, (count - 2) / 2)
    part = chance.mean() + errors * math.sqrt(chance.var().sum()) / count.size
    sd = np.full(30, 0.005)
    slope = np.sqrt(part * (count - 1) * sd**2 / (count * (count**2 - 1) / 12))
    assert (less_trends(sd, slope, count) < sd).all() == is_taken


def test_two_pulls_and_sessions_whose_line_is_of_other_pulls_follow_the_rest():
    sd, slopes, count, _ = a_shop(-0.006, [PULL_SD] * 40, [3] * 40, seed=4)
    times = less_trends(sd, slopes, count)[0] / sd[0]
    more = less_trends([*sd, 0.02, 0.03], [*slopes, 0.02, math.nan], [*count, 2, 5])
    # Law: what tells no line has no say in it, and is no other dyno.
    assert more == pytest.approx(times * np.array([*sd, 0.02, 0.03]))
    assert times < 0.8


def test_a_shop_of_no_session_has_no_trend_and_rows_that_do_not_match_are_refused():
    assert less_trends([], [], []).size == 0
    assert less_trends([0.0, 0.004], [0.0, 0.0], [3, 1]).tolist() == [0.0, 0.004]
    with pytest.raises(ValueError, match="rows of one length"):
        less_trends([0.004], [0.0, 0.0], [3, 3])
