"""The simulation study of quotes: a small run of it holds, within the chance of a small run."""

import numpy as np
import pytest

from tests.studies import quote_study as study


@pytest.fixture(scope="module")
def small():
    return study.replay(12, seed=7)


def test_every_kind_of_shop_is_run(small):
    assert {one.kind for one in small} == set(study.KINDS)
    assert len(small) > 12 * 25


def test_quotes_are_kept_about_as_often_as_they_say(small):
    # Some 500 quotes at 95 %: 1 point of standard error, more as those of a shop hang together.
    for hit in ("is_measured_held", "is_true_held"):
        assert 0.90 < np.mean([getattr(one, hit) for one in small]) < 0.99


def test_ranges_at_three_bikes_are_at_most_twice_as_wide_as_could_be(small):
    assert np.median([one.width / one.ideal for one in small if one.bikes == 3]) < 2.0


def test_the_ideal_is_that_of_known_variances():
    # By hand: three bikes, spread 0.8 %, measured to 0.6 %: each 1.0 %, their mean 1/sqrt(3) %;
    # 2 * 1.959964 * sqrt(0.8^2 + 1/3) = 3.8669 %.
    row = {
        "model_id": "M",
        "change_key": "c",
        "log_mean_gain_sd": 0.006,
        "true_variance": 0.6e-2**2,
    }
    day = study.dt.date(2025, 1, 1)
    rows = [
        row | {"gain_id": f"G{n}", "bike_id": f"B{n}", "run_on": day + study.dt.timedelta(days=n),
               "log_mean_gain": 0.04, "true": 0.04, "variance_dof": 8.0}
        for n in range(4)
    ]  # fmt: skip
    shop = study.Shop(0.008, 0.01, 0.004, 0.005, 0.0, 0.0, 8.0, 1.0, 1)
    last = study.kept_of(rows, shop, "learnt")[-1]
    assert last.bikes == 3
    assert 100 * last.ideal == pytest.approx(3.8669, abs=1e-3)


@pytest.mark.long
def test_what_the_page_says_comes_true_93_to_97_times_in_a_hundred():
    kept = study.replay(300, seed=11)
    for low, high in ((1, 2), (3, 4), (5, 9), (10, 999)):
        group = [one for one in kept if low <= one.bikes <= high]
        for hit in ("is_measured_held", "is_true_held"):
            assert 0.93 <= np.mean([getattr(one, hit) for one in group]) <= 0.97
    three = [one.width / one.ideal for one in kept if one.bikes == 3]
    assert np.median(three) < 2.0


def test_no_shop_is_no_study(capsys):
    with pytest.raises(ValueError, match="shops must be at least 1, got 0"):
        study.replay(0)
    with pytest.raises(SystemExit):
        study.main(["--shops", "0"])
    assert "--shops must be at least 1, got 0" in capsys.readouterr().err
