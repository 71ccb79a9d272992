"""Gains and quotes of simulated shops hold what they say; the simulation is checked by hand."""

import datetime as dt
import functools
import math
from dataclasses import replace

import numpy as np
import pytest

from tests.studies.simulated_shops import (
    Air,
    Dyno,
    Session,
    Situation,
    Warehouse,
    a_bike,
    a_gain,
    a_shop,
)
from tests.studies.situations import (
    BIKES_BEHIND,
    PLAIN,
    QUOTES,
    RIGHTLY_WIDE,
    SITUATIONS,
    Judged,
    Quoted,
    best_sd,
    failings,
    failings_of_quotes,
    gains_table,
    judged,
    main,
    powers,
    quoted,
    quotes_table,
)

SILENT = replace(PLAIN, name="silent", pull_sd=1e-6, wiggle_sd=0.0, mount_sd=0.0, day_sd=0.0)
READING_PCT = 0.07
"""What the last digits of a weather station put into a level: 3 SD of 0.06 K, 6 Pa, 0.3 %."""
MORNING = dt.datetime(2024, 5, 6, 9, 0)


@pytest.fixture(scope="module")
def replayed():
    """Replay shops of a situation, once."""
    return functools.cache(
        lambda situation: [one for number in range(SHOPS) for one in quoted(situation, number)]
    )


def two_sessions(situation, gap_min=150.0, nights=0):
    """Return two sessions of one bike, run."""
    rng = np.random.default_rng(5)
    bike = a_bike("B", "model", rng)
    later = MORNING + dt.timedelta(days=nights, minutes=gap_min + 6.6)
    made = [
        Session(bike, "J", place, "standard", np.zeros_like(bike.speed_rpm), at, strap, strap)
        for place, at, strap in ((1, MORNING, "a"), (2, later, "a"))
    ]
    if situation.is_strapped_anew:
        made[1].strapped = "b"
    Dyno(situation, rng).run(made)
    return made


def levels_pct(session):
    ridden = session.bike.share >= 0.4
    base = session.bike.ln_power + session.ln_gain
    return [100 * float((np.log(p.power_w) - base)[ridden].mean()) for p in session.pulls]


@pytest.mark.parametrize(("celsius", "factor"), [(15.0, 0.980032), (35.0, 1.019635)])
def test_the_air_of_the_simulation_follows_the_published_formula(celsius, factor):
    # SAE J1349 (form of 1990), 99 kPa of dry air, worked by hand: 1.18 * sqrt((t+273)/298) - 0.18.
    assert math.exp(Air(celsius + 273.15, 99_000.0, 0.0).ln_factor()) == pytest.approx(
        factor, abs=1e-6
    )


def test_the_vapour_of_the_simulation_is_that_of_the_steam_tables():
    # Saturation at 25 °C: 3169.82 Pa (IAPWS SR1-86); the simpler formula is 0.3 % below.
    assert Air(298.15, 1e5, 100.0).vapour_pa == pytest.approx(3169.82, rel=4e-3)


def test_soak_costs_what_it_says_a_pull_and_goes_on_after_a_short_rest():
    hot = replace(SILENT, soak=0.004)
    before, after = two_sessions(hot, gap_min=2.0)
    first, _, third = levels_pct(before)
    assert (third - first) / 2 == pytest.approx(-0.4, abs=READING_PCT)
    assert levels_pct(after)[0] < third - 0.2
    # By hand: with r = exp(-3/25) of the heat left after a rest of 3 min, three pulls leave
    # 1 + r + r^2 = 2.67; after 150 min exp(-6) of it are left: nothing.
    before, after = two_sessions(hot, gap_min=150.0)
    assert levels_pct(after)[0] == pytest.approx(levels_pct(before)[0], abs=READING_PCT)


def test_a_driveline_warms_by_what_it_says_a_pull_less_each_time():
    before, after = two_sessions(replace(SILENT, cold=0.004), gap_min=2.0)
    steps = np.diff(levels_pct(before) + levels_pct(after))
    assert steps[0] == pytest.approx(0.4, abs=READING_PCT)
    assert steps[-1] == pytest.approx(steps[0] * math.exp(-4 / 4.5), abs=READING_PCT)


def test_the_best_possible_is_what_a_hand_calculation_gives():
    # 3 and 3 pulls: 2 (s^2 / 3); strapped anew: 2 m^2 more; another day: 2 d^2 and the station's.
    quiet = Situation("by hand", pull_sd=0.006, wiggle_sd=0.0, mount_sd=0.01, day_sd=0.005)
    strapped = replace(quiet, is_strapped_anew=False)
    assert best_sd(strapped, *two_sessions(strapped)) ** 2 == pytest.approx(2 * 0.006**2 / 3)
    assert best_sd(quiet, *two_sessions(quiet)) ** 2 == pytest.approx(2 * (0.006**2 / 3 + 0.01**2))
    assert best_sd(quiet, *two_sessions(quiet, nights=1)) ** 2 == pytest.approx(
        2 * (0.006**2 / 3 + 0.01**2 + 0.005**2 + 0.002**2)
    )


def test_a_gain_differs_by_speed_and_has_the_mean_it_was_given():
    rng = np.random.default_rng(8)
    bike = a_bike("B", "model", rng)
    gain = a_gain(bike, 3.0, rng)
    assert float(gain[bike.share >= 0.4].mean()) == pytest.approx(math.log(1.03))
    assert np.ptp(gain) > 0.005
    assert bike.speed_rpm[np.argmax(bike.ln_power)] == pytest.approx(
        bike.speed_rpm[np.argmin(abs(bike.share - 1))], rel=0.12
    )


def test_a_day_is_one_level_and_one_error_of_the_station_for_all_who_run_on_it():
    shop = a_shop(replace(SILENT, bikes=8, day_sd=0.02), np.random.default_rng(3))
    days = {}
    for one in shop.sessions.values():
        days.setdefault(one.begins.date(), []).extend(levels_pct(one))
    assert len(days) >= 3
    assert (
        max(np.ptp(levels) for levels in days.values())
        < 0.5
        < np.ptp([*map(np.mean, days.values())])
    )


def test_without_noise_the_whole_way_gives_back_the_true_gains():
    found = judged(replace(SILENT, bikes=10), 0)
    assert len(found) == 10
    assert max(abs(one.error) for one in found) < READING_PCT
    assert all(one.mean_in and one.peak_in and one.whole_in for one in found)


def test_no_simulated_bike_is_doubted():
    shop = a_shop(replace(PLAIN, bikes=24), np.random.default_rng(6))
    with Warehouse() as warehouse:
        warehouse.put(shop.sessions.values())
        warehouse.bring_up()
        assert warehouse.rows("SELECT * FROM out.log_doubt") == []
        assert warehouse.rows("SELECT * FROM out.dyno_event") == []
        query = "SELECT count(*) AS n FROM out.gain WHERE is_pooled AND is_like_for_like"
        assert warehouse.rows(query) == [{"n": 24}]


def test_a_shop_whose_assumptions_hold_is_covered():
    found = [one for number in range(2) for one in judged(replace(PLAIN, bikes=20), number)]
    assert len(found) == 40
    # 40 comparisons at 95 %: 3 standard errors of 3.4 points.
    assert np.mean([one.mean_in for one in found]) > 0.95 - 3 * 0.034
    (row,) = gains_table(found).splitlines()[2:]
    assert row.startswith("| remounted, control bike | 40 | 0.0 |")


def test_a_replay_asks_before_each_number_of_bikes_and_judges_by_what_came():
    found = quoted(QUOTES[-1]._replace(changes=1), 0)
    assert [one.bikes for one in sorted(found, key=lambda one: one.bikes)] == [1, 2, 3, 5, 10]
    table = quotes_table(found).splitlines()
    assert len(table) == 2 + 5
    assert len({row.count("|") for row in table}) == 1


def test_names_are_told_apart_and_a_part_of_the_study_can_be_asked_for(capsys):
    names = [one.name for one in (*SITUATIONS, *QUOTES)]
    assert len(set(names)) == len(names)
    main(["--only", "no such situation", "--shops", "1"])
    assert "0 s of processor" in capsys.readouterr().out


def judgement(**changed):
    usual = {
        "situation": "x", "shop": 0, "job_id": "J", "is_told": True, "is_null": False,
        "is_real": True, "is_real_anywhere": True, "truth": 2.0, "error": 0.0, "half": 1.0,
        "best_half": 1.0, "mean_in": 1.0, "peak_in": 1.0, "speeds_in": 1.0, "whole_in": 1.0,
    }  # fmt: skip
    return Judged(**(usual | changed))


def shops(held, shops=20, each=20, **changed):
    """Return comparisons of which a share is held, the same in every shop."""
    return [
        judgement(shop=shop, mean_in=float(place < held * each), **changed)
        for shop in range(shops)
        for place in range(each)
    ]


@pytest.mark.parametrize(
    ("of", "failing"),
    [
        (shops(0.95), []),
        (shops(0.9), ["the mean's interval too narrow"]),
        (shops(1.0), ["the mean's interval too wide"]),
        (shops(0.95, error=-0.2), ["bias"]),
        (shops(0.95, is_null=True), ["false 'real'", "false 'real' on a card"]),
        (shops(0.95, is_null=True, is_real=False), ["false 'real' on a card"]),
        (shops(0.95, is_null=True, is_real=False, is_real_anywhere=False), []),
        (shops(0.5, is_told=False), []),
    ],
)
def test_what_does_not_hold_is_named(of, failing):
    assert failings(of) == failing


def test_a_row_that_is_rightly_wide_says_what_nobody_could_know():
    name, (_, reason) = next(iter(RIGHTLY_WIDE.items()))
    for called, words in ((name, f"too wide: {reason} |"), ("another", "too wide |")):
        (row,) = gains_table(shops(1.0, situation=called)).splitlines()[2:]
        assert row.endswith(f"| the mean's interval {words}")


def test_rows_have_a_cell_for_each_heading():
    rows = gains_table([*shops(0.95), *shops(0.9, is_null=True)]).splitlines()
    assert len(rows) == 3
    assert len({row.count(" | ") for row in rows}) == 1


def quotes(bikes=3, half=1.0, **changed):
    usual = Quoted("x", 0, bikes, True, 0.95, 0.95, math.nan, half, 1.0)
    return [usual._replace(shop=shop, **changed) for shop in range(20) for _ in range(20)]


@pytest.mark.parametrize(
    ("of", "failing"),
    [
        (quotes(), []),
        (quotes(half=2.5), ["of no use"]),
        (quotes(bikes=2, half=2.5), []),
        (quotes(is_given=False), ["not given"]),
        (quotes(holds_measured=0.86), ["what it measures: too narrow"]),
        (quotes(holds_measured=0.86, measured_holds=0.95), []),
        (quotes(holds_truth=1.0), ["what it is: too wide"]),
    ],
)
def test_what_does_not_hold_of_quotes_is_named(of, failing):
    assert failings_of_quotes(of) == failing


def test_a_dozen_quotes_that_all_held_prove_no_range_too_wide():
    # By hand: 0.95 to the power of 12 is 0.54.
    assert failings_of_quotes(quotes(holds_truth=1.0, holds_measured=1.0)[::34]) == []


def test_a_gain_counts_as_found_only_with_the_right_sign():
    right, wrong = judgement(), judgement(error=-4.5)
    small = judgement(truth=1.0)
    found, at_best = powers([right, wrong, small])
    assert found == 0.5
    # By hand: 2 % with 1.96 SD = 1 % is 2 * 1.96 SD away; found where it comes out above 1.96 SD.
    assert at_best == pytest.approx(0.975, abs=1e-4)


SHOPS = 12
"""As in the table beside: the same seeds, so that what holds there holds here."""
NOT_HELD: dict[str, str] = {}
"""What is known not to hold, with its figure: whoever mends one takes it out."""
WIDE_AS_THEY_ARE = ["the mean's interval too wide"]


def marked(situation):
    reason = NOT_HELD.get(situation.name)
    marks = [pytest.mark.xfail(strict=True, reason=reason)] if reason else []
    return pytest.param(situation, id=situation.name, marks=marks)


def test_what_does_not_hold_is_marked_by_a_name_that_is_there():
    assert set(NOT_HELD) | set(RIGHTLY_WIDE) <= {one.name for one in SITUATIONS}


@pytest.mark.long
@pytest.mark.parametrize(
    "situation", [marked(one) for one in SITUATIONS if one.name not in RIGHTLY_WIDE]
)
def test_verdicts_hold_in_every_situation_or_are_not_given(situation):
    assert failings([one for number in range(SHOPS) for one in judged(situation, number)]) == []


@pytest.mark.long
@pytest.mark.parametrize(
    "situation",
    [
        pytest.param(one, id=f"{one.name}: {RIGHTLY_WIDE[one.name][1]}")
        for one in SITUATIONS
        if one.name in RIGHTLY_WIDE
    ],
)
def test_at_least_93_of_100_hold_where_what_would_narrow_them_cannot_be_known(situation):
    found = [one for number in range(SHOPS) for one in judged(situation, number)]
    assert failings(found) in ([], WIDE_AS_THEY_ARE)
    assert np.mean([one.mean_in for one in found]) >= 0.93
    most, _ = RIGHTLY_WIDE[situation.name]
    assert np.mean([one.half / one.best_half for one in found]) <= most


@pytest.mark.long
@pytest.mark.parametrize("situation", QUOTES, ids=lambda one: one.name)
@pytest.mark.parametrize("bikes", BIKES_BEHIND)
def test_quotes_come_true_as_often_as_they_say(situation, bikes, replayed):
    assert failings_of_quotes([one for one in replayed(situation) if one.bikes == bikes]) == []


@pytest.mark.long
def test_true_gains_are_found_with_a_control_bike():
    found = [one for number in range(SHOPS) for one in judged(PLAIN, number)]
    assert powers(found)[0] >= 0.6


@pytest.mark.long
def test_intervals_are_near_the_best_with_a_control_bike_run_twice_a_day():
    # Once a day, strapped anew each time, it cannot tell mounting from day: 1.15 to 1.2.
    twice = next(one for one in SITUATIONS if one.control_hours == (7.5, 17.5))
    found = [one for number in range(SHOPS) for one in judged(twice, number)]
    assert np.mean([one.half / one.best_half for one in found]) <= 1.15
