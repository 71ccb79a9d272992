"""The simulation study: a small run of it holds, within the chance that a small run has."""

import math

import numpy as np
import pytest

from tests.studies import gain_study as study


@pytest.fixture(scope="module")
def small():
    return study.outcomes(130, seed=7)


def test_whole_shops_are_run_and_every_case_is_among_them(small):
    made, run = small
    # 12 unchanged pairs; 3 shapes, with and without a gain, 3 times, in 3 designs of two sessions
    # and one of three.
    assert run == 2 * 12 + 3 * 2 * 3 * (3 * 2 + 3)
    assert len(made) == 72
    cases = {(one.shape, one.design, one.is_changed) for one in made}
    assert len(cases) == 24


@pytest.mark.long
def test_the_same_seed_gives_the_same_study(small):
    assert study.outcomes(130, seed=7) == small
    assert study.outcomes(130, seed=8) != small


def test_smoothing_and_averaging_bring_no_bias_of_a_tenth_of_a_percent(small):
    for name in ("mean_bias", "peak_bias"):
        bias = np.array([getattr(one, name) for one in small[0]])
        assert abs(bias.mean()) < 0.001 + 3.0 * bias.std() / math.sqrt(bias.size)
        assert bias.std() < 0.003


def test_intervals_cover_about_as_often_as_they_say(small):
    # 72 comparisons at 95 %: 3 points of standard error.
    for hit in ("mean_hit", "point_hit", "whole_hit", "peak_hit"):
        assert np.mean([getattr(one, hit) for one in small[0]]) > 0.95 - 3.0 * 0.03


def outcome(error, half, planned):
    hits = dict.fromkeys(("mean_hit", "point_hit", "whole_hit", "peak_hit", "called_real"), 0.0)
    return study.Outcome(
        "3 + 3", "plain", False, error, half, 0.0, 0.0, planned_log=planned, **hits
    )


def test_detectable_over_planned_is_one_where_the_plan_is_right():
    # Normal errors with a known scatter: seen four times in five at (1.9600 + 0.8416) sd.
    rng = np.random.default_rng(9)
    made = [outcome(error, 1.9600, 2.8016) for error in rng.normal(0.0, 1.0, 20_000)]
    assert study.detectable_over_planned(made) == pytest.approx(1.0, abs=0.01)
    made = [outcome(error, 1.9600, 1.4008) for error in rng.normal(0.0, 1.0, 20_000)]
    assert study.detectable_over_planned(made) == pytest.approx(2.0, abs=0.02)


def test_the_table_has_a_line_for_each_design_shape_and_all(small):
    lines = study.table(*small).splitlines()
    assert lines[0].startswith("186 sessions, 72 comparisons")
    names = [line.split(" | ")[0].strip("| ") for line in lines[4:]]
    assert names == [*(one.name for one in study.DESIGNS), *study.SHAPES, "all"]
    assert len({line.count("|") for line in lines[2:]}) == 1


def test_no_session_is_no_study(capsys):
    with pytest.raises(ValueError, match="sessions must be at least 1, got 0"):
        study.outcomes(0)
    with pytest.raises(SystemExit):
        study.main(["--sessions", "0"])
    assert "--sessions must be at least 1, got 0" in capsys.readouterr().err
