"""A logger that changes is told within five files; what differs between bikes is not."""

import json
from datetime import date, timedelta

import numpy as np
import pytest

from flows.metrics.logged import channel_figures, common_step, rate_and_gap
from flows.metrics.notes import note
from flows.metrics.precedence import beyond_past, looks, most_beyond
from flows.steps.log_quality import WATCHED, changes, series_of
from tests.studies import logger_watch as study
from warehouse.sentences import said


def test_the_chance_of_an_order_is_what_counting_all_orders_gives():
    # By hand: 2 of the past and 2 new stand in 6 orders. In 1 both new are above both past (none
    # of the past above the least new); in 1 + 2 at most one of the past is. 1/6 = 0.17, 3/6 = 0.5.
    assert most_beyond(2, 2, 0.16) == -1
    assert most_beyond(2, 2, 0.17) == 0
    assert most_beyond(2, 2, 0.49) == 0
    assert most_beyond(2, 2, 0.5) == 1


def test_values_of_no_law_at_all_give_no_more_alarms_than_promised():
    chance = np.random.default_rng(7)
    (five, *_) = looks(np.arange(40_000), 1e-3)
    alarms = 0
    for draw in (chance.standard_cauchy, chance.standard_normal, chance.standard_exponential):
        above, below, _ = beyond_past(draw(40_000), five)
        alarms += int((above > 0).sum() + (below > 0).sum())
    # Two sides of three series; windows overlap, so alarms come in twos and threes.
    assert 0 < alarms < 6 * 40 * 1.3


def test_values_of_one_subject_count_once():
    # Thirty of the past and five new ones, but of five bikes and one: nothing can be told.
    of_whom = np.concatenate((np.arange(30) % 5, np.full(5, 9)))
    assert all(look.places.size == 0 for look in looks(of_whom, 1e-5))


@pytest.mark.parametrize(
    ("step", "factor"),
    [(0.1, 1.0), (0.001, 1.0), (1.0, 5 / 9), (0.1, 1 / 3.6), (0.01, 1 / 14.7), (1.0, 100.0)],
)
def test_a_step_survives_the_conversion_of_units(step, factor):
    chance = np.random.default_rng(3)
    shown = np.round(np.cumsum(chance.normal(0, 30 * step, 400)) / step) * step
    # NIST SP 811: exact factors of °F, km/h, hPa; 14.7 is a gauge's own scale.
    assert common_step(shown * factor + 273.15) == pytest.approx(step * factor, rel=1e-4)


def test_what_moves_in_no_step_has_none():
    assert np.isnan(common_step(np.random.default_rng(1).normal(size=500)))
    assert np.isnan(common_step(np.full(500, 3.0)))


def test_rate_pauses_and_repeats_are_counted_as_by_hand():
    assert rate_and_gap([0, 0.1, 0.2, 0.3, 0.4, 1.4]) == pytest.approx((10.0, 10.0))
    found = channel_figures([1.0, 1.0, 2.0, 4.0, 4.0, np.nan])
    assert (found.low, found.middle, found.high) == (1.0, 2.0, 4.0)
    assert (found.seen, found.held, found.top) == pytest.approx((5 / 6, 2 / 4, 2 / 5))


@pytest.mark.parametrize("name", study.PLANTED)
def test_a_planted_change_is_told_within_five_files_of_as_many_bikes(name):
    change, about = study.PLANTED[name]
    files, bikes = study.found_after(np.random.default_rng(5), change, about, is_dyno=False)
    assert files <= 5, (files, bikes)


@pytest.mark.parametrize("situation", study.SOUND)
def test_nothing_is_told_of_a_sound_shop(situation):
    shop = study.Shop(np.random.default_rng(11), is_dyno=situation != "as it is drawn")
    study.SOUND[situation](shop, 300)
    assert shop.told() == []


def test_a_shop_of_few_files_is_told_nothing():
    shop = study.Shop(np.random.default_rng(1), is_dyno=False)
    for at in range(12):
        shop.visit(change=study.half_rate if at > 6 else None)
    assert shop.told() == []


def test_a_change_that_is_put_right_is_told_as_over():
    shop = study.Shop(np.random.default_rng(2), is_dyno=False)
    for change, files in ((None, 60), (study.half_rate, 12), (None, 8)):
        for _ in range(files):
            shop.visit(change=change)
    (told,) = shop.told(quantity="rate", channel="")
    assert (told.since, told.noticed, told.until) == (60, 64, 72)


def test_a_channel_that_no_file_has_yet_and_a_file_that_was_refused_break_nothing():
    figures = [{"rejected": 1.0}, {"rejected": 0.0, "rate": 5.0, "gap": 1.0, "channels": {}}] * 20
    files = [
        {"bike": str(at), "model": "M", "seen_on": date(2025, 1, 1) + timedelta(days=at)}
        for at in range(40)
    ]
    assert changes(series_of(json.loads(json.dumps(figures))), files) == []


def ride(number, lambda_step):
    """Return a road log whose mixture comes in steps; all else is as ever."""
    chance = np.random.default_rng(number)
    lines = ["seconds,crank,km/h,grip,lambda"]
    for step in range(80):
        mixture = round((0.97 + 0.03 * chance.normal()) / lambda_step) * lambda_step
        speed = 3000 + 20 * chance.integers(0, 30)
        lines.append(f"{0.1 * step:.1f},{speed},{speed / 50:.1f},{9 + step % 5},{mixture:.4f}")
    return "\n".join(lines) + "\n"


@pytest.fixture
def logged(shop, make):
    """Take in road logs of 36 bikes, then 5 whose mixture comes in coarse steps."""
    for number in range(41):
        shop.put(f"job {number:02d}/ride.csv", ride(number, 0.1 if number > 35 else 0.001))
        stage = make.stage(pulls=[], rides=["ride.csv"])
        day = date(2025, 1, 1) + timedelta(days=number)
        card = make.card(f"J-{number}", [stage], bike=f"B-{number}", received=day.isoformat())
        shop.put(f"job {number:02d}/card.toml", card)
    shop.work_out("out.logger_change")
    return shop


def test_the_shop_says_since_when_a_logger_gives_coarse_steps(logged):
    ((news_id, told, news_on),) = logged.rows(
        "SELECT news_id, told, news_on FROM out.news WHERE starts_with(news_id, 'watch ')"
    )
    # The 37th card is of 6 February; the fifth file since then, by which it shows, of the 10th.
    assert news_id == "watch plain-ride: 2025-02-06"
    assert news_on == date(2025, 2, 10)
    assert "Mixture in steps of 0.1, of 0.001 before" in told


def test_one_more_file_is_looked_at_alone(logged, make):
    logged.put("job 99/ride.csv", ride(99, 0.1))
    stage = make.stage(pulls=[], rides=["ride.csv"])
    logged.put("job 99/card.toml", make.card("J-99", [stage], bike="B-99", received="2025-03-14"))
    made = logged.work_out("out.logger_change")
    assert made["look at logs"] == 1
    assert made["watch the loggers"] == 1


@pytest.mark.parametrize("watched", WATCHED)
def test_every_change_has_its_words(watched):
    told = {"watched": watched, "channel": "Coolant", "unit": "°C", "before": 0.1, "after": 20.0}
    words = said(note("logger now", **told))
    assert "20" in words or "2000" in words
    assert words.endswith("before")
