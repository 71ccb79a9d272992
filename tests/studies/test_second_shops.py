"""Gains hold what they say in shops of a second physics; that physics is checked by hand."""

import datetime as dt
import math

import numpy as np
import pytest

from tests.studies.second_shops import (
    DAY_CORRELATION,
    PLAIN,
    SHOPS,
    SITUATIONS,
    Heat,
    Room,
    a_bike,
    a_gain,
    a_mounting,
    a_shop,
    judged,
    main,
    skewed,
)
from tests.studies.situations import failings

NOON = dt.datetime(2024, 5, 6, 12, 0)


def test_heat_goes_with_two_time_constants():
    heat = Heat(NOON)
    heat.pull()
    heat.pull()
    heat.rest(NOON + dt.timedelta(minutes=6))
    # By hand: two pulls, exp(-6/3) and exp(-6/60) of them left.
    assert heat.fast == pytest.approx(2 * 0.135335, rel=1e-5)
    assert heat.slow == pytest.approx(2 * 0.904837, rel=1e-5)
    # Cold 1, then 0.4, then 0.16; it comes back by 1 - exp(-6/60) of what was lost.
    assert heat.cold == pytest.approx(1 - 0.84 * 0.904837, rel=1e-5)


def test_a_day_resembles_the_day_before():
    rng = np.random.default_rng(4)
    levels = [Room(PLAIN, rng).level / PLAIN.day_sd for _ in range(40)]
    products = np.concatenate([one[:-1] * one[1:] for one in levels])
    assert float(products.mean()) == pytest.approx(DAY_CORRELATION, abs=0.08)
    assert np.std(np.concatenate(levels)) == pytest.approx(1.0, abs=0.05)


def test_pulls_slip_now_and_then_and_never_gain_much():
    rng = np.random.default_rng(5)
    drawn = np.array([skewed(rng) for _ in range(20_000)])
    assert drawn.mean() == pytest.approx(0.0, abs=0.03)
    assert drawn.std() == pytest.approx(1.0, abs=0.03)
    # A gamma distribution of shape 3 has a skewness of 2 over the root of 3.
    assert float((drawn**3).mean()) == pytest.approx(-2 / math.sqrt(3), abs=0.15)


def test_a_mounting_lifts_a_curve_and_bends_it_about_that():
    rng = np.random.default_rng(6)
    bike = a_bike("B", "model", rng)
    ridden = bike.share >= 0.4
    drawn = np.array([a_mounting(PLAIN, bike, 0.5, rng) for _ in range(4000)])
    level = drawn[:, ridden].mean(axis=1)
    assert level.std() == pytest.approx(PLAIN.mount_sd, rel=0.15)
    bend = drawn - level[:, None]
    assert 0.2 < bend[:, ridden].std() / PLAIN.mount_sd < 0.6
    assert abs(np.corrcoef(level, bend[:, -1])[0, 1]) < 0.1


def test_the_station_is_exchanged_once_where_that_is_asked():
    room = Room(next(one for one in SITUATIONS if one.is_station_exchanged), rng_of(7))
    off = [room.at(day, 12.0) for day in range(260)]
    errors = np.array([read.temp_k - true.temp_k for true, read in off])
    assert np.flatnonzero(abs(np.diff(errors)) > 0.6).size <= 1
    assert errors[: room.exchanged].std() < 0.2


def rng_of(seed):
    return np.random.default_rng(seed)


def test_a_gain_is_within_what_parts_give():
    bike = a_bike("B", "model", rng_of(8))
    mean = float(a_gain(bike, rng_of(9))[bike.share >= 0.4].mean())
    assert 0.01 <= mean <= 0.045
    assert 0.4 < bike.share[0] / 0.4 < 1.0
    assert bike.ln_power.argmax() < bike.ln_power.size - 3


def test_a_shop_runs_what_it_planned():
    shop = a_shop(PLAIN, rng_of(10))
    counts = [len(one.pulls) for one in shop.sessions.values()]
    assert set(counts) == {3, 4, 5}
    assert sum(one.job_id.startswith("J-") for one in shop.sessions.values()) == 2 * PLAIN.bikes
    assert all(one.pulls[0].started_at == one.begins for one in shop.sessions.values())


def test_a_part_of_the_second_study_can_be_asked_for(capsys):
    main(["--only", "no such situation"])
    assert "0 s of processor" in capsys.readouterr().out


NOT_HELD: dict[str, str] = {}
"""What is known not to hold, with its figure: whoever mends one takes it out."""


def marked(physics):
    reason = NOT_HELD.get(physics.name)
    marks = [pytest.mark.xfail(strict=True, reason=reason)] if reason else []
    return pytest.param(physics, id=physics.name, marks=marks)


def test_what_does_not_hold_in_the_second_study_is_marked_by_a_name_that_is_there():
    assert set(NOT_HELD) <= {one.name for one in SITUATIONS}


@pytest.mark.long
@pytest.mark.parametrize("physics", [marked(one) for one in SITUATIONS])
def test_verdicts_hold_under_another_physics(physics):
    assert failings([one for number in range(SHOPS) for one in judged(physics, number)]) == []
