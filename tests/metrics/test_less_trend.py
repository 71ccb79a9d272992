"""The usual scatter of pulls in shops that soak or warm up: no common trend is in it."""

import math

import numpy as np
import pytest

from flows.metrics.soak import less_trend

PULL_SD = 0.0035


def a_shop(slopes, pulls, seed):
    """Return sessions' scatter and slopes by numpy's own fit, and all levels and places."""
    rng = np.random.default_rng(seed)
    sds, found, levels, places = [], [], [], []
    for slope, count in zip(slopes, pulls, strict=True):
        place = np.arange(count)
        level = slope * place + rng.normal(0.0, PULL_SD, count)
        sds.append(level.std(ddof=1))
        found.append(np.polyfit(place, level, 1)[0])
        levels.append(level - level.mean())
        places.append(place - place.mean())
    return np.array(sds), np.array(found), np.concatenate(levels), np.concatenate(places)


@pytest.mark.parametrize("slope", [-0.004, 0.004])
def test_the_scatter_of_a_shop_that_soaks_or_warms_up_is_that_about_its_trend(slope):
    pulls = np.array([3, 4, 2, 5] * 15)
    sd, slopes, level, place = a_shop([slope] * 60, pulls, seed=1)
    kept = less_trend(sd, slopes, pulls)
    found = math.sqrt(((pulls - 1) * kept**2).sum() / (pulls - 1).sum())
    # By numpy: one slope through all sessions, each about its own mean; 60 means and it are fitted.
    left = np.linalg.lstsq(place[:, None], level)[1][0]
    assert found == pytest.approx(math.sqrt(left / (pulls.sum() - 61)), rel=1e-9)
    assert found == pytest.approx(PULL_SD, rel=0.15)
    assert kept / sd == pytest.approx(kept[0] / sd[0])


def test_trends_that_go_up_as_often_as_down_stay_scatter():
    sd, slopes, _, _ = a_shop([0.005, -0.005] * 20, [3] * 40, seed=2)
    assert less_trend(sd, slopes, [3] * 40).mean() == pytest.approx(sd.mean(), rel=0.03)


def test_chance_makes_no_scatter_smaller_than_it_is():
    times = []
    for seed in range(60):
        sd, slopes, _, _ = a_shop([0.0] * 20, [3] * 20, seed=100 + seed)
        times.append(less_trend(sd, slopes, [3] * 20)[0] / sd[0])
    assert max(times) <= 1.0
    # By hand: chance takes one of 40 degrees of freedom, and that is given back.
    assert np.mean(times) > 0.985


def test_a_session_whose_line_is_of_other_pulls_has_no_say_and_follows_the_rest():
    sd, slopes, _, _ = a_shop([-0.006] * 40, [3] * 40, seed=4)
    times = less_trend(sd, slopes, [3] * 40)[0] / sd[0]
    more = less_trend([*sd, 0.02, 0.03], [*slopes, 0.02, math.nan], [*[3] * 40, 1, 5])
    assert more == pytest.approx(times * np.array([*sd, 0.02, 0.03]))
    assert times < 0.7


@pytest.mark.parametrize(
    ("sds", "slopes", "pulls"),
    [([], [], []), ([0.0, 0.0], [0.0, 0.0], [3, 3]), ([0.004], [0.004], [2])],
)
def test_a_shop_that_tells_no_scatter_about_a_trend_keeps_its_figures(sds, slopes, pulls):
    # Of two pulls the line takes all: nothing would be left to be wrong by.
    assert less_trend(sds, slopes, pulls).tolist() == sds


def test_pulls_all_on_one_line_have_no_scatter():
    # By hand: 0, 1, 2 % in each of four sessions have an SD of 1 %, and lie on it.
    assert less_trend([0.01] * 4, [0.01] * 4, [3] * 4) == pytest.approx([0.0] * 4, abs=1e-9)


def test_rows_of_sessions_that_do_not_match_are_refused():
    with pytest.raises(ValueError, match="rows of one length"):
        less_trend([0.004], [0.0, 0.0], [3, 3])
