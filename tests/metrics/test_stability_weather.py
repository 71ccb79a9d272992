"""Doubts about the weather station: stuck, stepped, for sea level, or at odds with another."""

import math

import numpy as np
import pytest
from scipy import stats

from flows.metrics import stability
from flows.metrics.stability import (
    Slope,
    common_slope,
    correction_cause,
    pressure_spells,
    station_differences,
    stuck_runs,
    usual_pressure_doubt,
)
from tests.in_words import words as words_of

DRAW = np.random.default_rng(310)
# A year of a shop at 310 m, a session a working day: 97.66 kPa by the standard atmosphere
# (ICAO 7488: 101.325 kPa * (1 - 0.0065 * 310 / 288.15)^5.2559), weather of 0.9 kPa about it.
DAYS = np.arange(0, 250)


def weather(seed, count=250, memory=0.8):
    """Pressures that follow one another from day to day as weather does, in pascals."""
    draw = np.random.default_rng(seed)
    level, row = draw.standard_normal(), []
    for _ in range(count):
        level = memory * level + math.sqrt(1 - memory**2) * draw.standard_normal()
        row.append(97_660.0 + 900.0 * level)
    return np.round(row, -1)


def test_a_reading_that_stands_still_is_found_and_dated():
    readings = np.round(295.0 + DRAW.normal(0.0, 2.0, 40), 1)
    readings[20:27] = 294.3
    (run,) = stuck_runs(readings, np.arange(40))
    assert (run.first, run.last, run.days, run.value) == (20, 26, 7, 294.3)


@pytest.mark.parametrize("again", [0, 1])
def test_the_chance_of_a_run_is_that_of_the_formula(monkeypatch, again):
    # By hand: ten days, none of the 6 other steps equal: q = 1/8; 10 * (1/8)^3 = 0.01953. A second
    # equal reading on the first day says nothing of neighbouring days.
    readings = [*[1.0] * again, 1.0, 2.0, 3.0, 4.0, 9.0, 9.0, 9.0, 9.0, 5.0, 6.0]
    days = [*[0] * again, *range(10)]
    monkeypatch.setattr(stability, "STUCK_CHANCE", 0.0196)
    assert [run.days for run in stuck_runs(readings, days)] == [4]
    monkeypatch.setattr(stability, "STUCK_CHANCE", 0.0195)
    assert stuck_runs(readings, days) == []


def test_a_coarse_display_needs_a_longer_run():
    # Whole degrees in a heated room repeat by themselves.
    readings = np.array([20.0, 20.0, 21.0, 21.0, 20.0, 20.0, 21.0, 20.0] * 5)
    readings[10:15] = 21.0
    assert stuck_runs(readings, np.arange(40)) == []


def test_several_sessions_of_one_day_are_no_run():
    readings = [20.1, 20.1, 20.1, 20.1, 20.1, 21.0, 22.0, 23.0, 22.5, 21.5, 20.5]
    assert stuck_runs(readings, [1, 1, 1, 1, 1, 2, 3, 4, 5, 6, 7]) == []


def test_sound_sensors_seldom_seem_stuck():
    alarms = 0
    for seed in range(200):
        draw = np.random.default_rng(seed)
        # Tenths of a kelvin about a room's temperature, and a display of whole kelvins.
        for digits in (1, 0):
            readings = np.round(295.0 + draw.normal(0.0, 1.5, 120), digits)
            alarms += bool(stuck_runs(readings, np.arange(120)))
    assert alarms <= 4


def test_readings_that_are_missing_keep_their_places():
    readings = [math.nan, 20.1, math.nan, *np.linspace(18, 25, 12), *[21.7] * 6]
    (run,) = stuck_runs(readings, range(21))
    assert (run.first, run.last) == (15, 20)
    assert stuck_runs([math.nan, 20.0], [1, 2]) == []


@pytest.mark.parametrize("altitude_m", [310.0, None])
def test_two_weeks_of_sea_level_pressure_are_found(altitude_m):
    pressure = weather(1)
    # ICAO 7488: at 310 m reducing to sea level adds about 3.67 kPa.
    pressure[100:110] += 3_670.0
    (spell,) = pressure_spells(pressure, DAYS, altitude_m)
    assert spell.first in range(98, 103)
    assert spell.last in range(107, 112)
    assert spell.departure_pa == pytest.approx(3_670.0, abs=1_000.0)
    assert spell.is_reduced


def test_a_fall_is_not_put_down_to_sea_level():
    pressure = weather(2)
    pressure[50:60] -= 4_500.0
    (spell,) = pressure_spells(pressure, DAYS, 310.0)
    assert spell.departure_pa < -3_000.0
    assert not spell.is_reduced


def test_a_rise_far_beyond_sea_level_is_another_cause():
    pressure = weather(3)
    pressure[50:60] += 8_000.0
    for altitude_m in (310.0, None):
        (spell,) = pressure_spells(pressure, DAYS, altitude_m)
        assert not spell.is_reduced


def test_sound_weather_seldom_makes_a_spell():
    found = [pressure_spells(weather(seed), DAYS, 310.0) for seed in range(100, 200)]
    assert sum(bool(spells) for spells in found) <= 10


def test_a_shop_at_the_sea_has_no_sea_level_spell():
    pressure = weather(4) + 3_665.0
    assert pressure_spells(pressure, DAYS, 0.0) == []


def test_two_days_are_weather_not_a_spell():
    pressure = weather(5)
    pressure[30:32] += 6_000.0
    assert pressure_spells(pressure, DAYS, 310.0) == []
    assert pressure_spells(pressure[:5], DAYS[:5], 310.0) == []


def test_a_station_that_always_reads_for_sea_level_is_told_by_the_height():
    assert "reduced to sea level" in words_of(usual_pressure_doubt([101_300.0] * 12, 310.0))
    assert "altitude_m or" in words_of(usual_pressure_doubt([93_000.0] * 12, 310.0))


@pytest.mark.parametrize(
    ("pressures", "altitude_m"),
    [([97_700.0] * 12, 310.0), ([101_300.0] * 9, 310.0), ([101_300.0] * 12, None),
     ([101_300.0] * 12, 0.0), ([math.nan] * 12, 310.0)],
)  # fmt: skip
def test_a_usual_pressure_that_fits_is_not_doubted(pressures, altitude_m):
    assert usual_pressure_doubt(pressures, altitude_m) is None


def pair(days, **offsets):
    """Two stations over some days; the second reads off by the offsets."""
    stations = ["bench", "door"] * len(days)
    day = np.repeat(days, 2)
    second = np.tile([0.0, 1.0], len(days))
    rows = {
        "temperatures_k": 295.0 + day + second * offsets.get("temperature", 0.0),
        "pressures_pa": 97_700.0 + 300.0 * day + second * offsets.get("pressure", 0.0),
        "humidities_pct": 40.0 + day + second * offsets.get("humidity", 0.0),
    }
    return {"stations": stations, "days": day, **rows}


@pytest.mark.parametrize(
    ("quantity", "beyond", "within"),
    [("temperature", 3.1, 2.9), ("pressure", 410.0, 390.0), ("humidity", -15.1, -14.9)],
)
def test_stations_that_do_not_agree_are_named_with_the_quantity(quantity, beyond, within):
    (found,) = station_differences(**pair([1, 2, 3], **{quantity: beyond}))
    assert (found.station, found.other, found.quantity) == ("bench", "door", quantity)
    assert found.difference == pytest.approx(-beyond)
    assert (found.days, found.first_day, found.last_day) == (3, 1, 3)
    assert station_differences(**pair([1, 2, 3], **{quantity: within})) == []


def test_only_days_that_both_logged_are_held_against_each_other():
    rows = pair([1, 2, 3], pressure=3_700.0)
    rows["days"] = np.array([1, 11, 2, 12, 3, 13])
    assert station_differences(**rows) == []
    rows["days"] = np.array([1, 1, 2, 12, 3, 13])
    assert station_differences(**rows) == []


def slope_against(x, y):
    """Return the slope within one steady spell of one chart."""
    return common_slope(x, y, ["spell"] * len(x), ["chart"] * len(x))[0]


def control_bike(seed, factor, count=30):
    """Corrected power that still moves by `factor` percent a percent of density."""
    draw = np.random.default_rng(seed)
    temperature = draw.uniform(283.0, 305.0, count)
    pressure = draw.normal(97_700.0, 900.0, count)
    density = np.log(pressure / temperature)
    level = 100 * factor * (density - density.mean()) + draw.normal(0.0, 0.5, count)
    return level, 100 * density, temperature, pressure


@pytest.mark.parametrize(
    ("factor", "words"),
    [
        (0.0, ""),
        (1.0, "as if it had not been corrected at all"),
        (-1.0, "as if it had been corrected twice"),
        (0.5, "takes out too little"),
        (-0.5, "takes out too much"),
    ],
)
def test_the_slope_on_density_names_its_cause(factor, words):
    level, density, temperature, pressure = control_bike(3, factor)
    cause = correction_cause(
        *(slope_against(read, level) for read in (density, temperature, pressure))
    )
    assert (words in words_of(cause)) if words else cause is None


def test_the_reading_that_power_follows_more_surely_is_named():
    draw = np.random.default_rng(4)
    temperature, pressure = draw.uniform(283, 305, 40), draw.normal(97_700, 900, 40)
    level = 0.12 * (temperature - 294) + draw.normal(0, 0.3, 40)
    cause = correction_cause(
        slope_against(100 * np.log(pressure / temperature), level),
        slope_against(temperature, level),
        slope_against(pressure, level),
    )
    assert "takes out too much" in words_of(cause)
    assert "the temperature read" in words_of(cause)
    # The likelier cause has the smaller p of the two regressions, as scipy gives them.
    ours = [stats.linregress(x, level).pvalue for x in (temperature, pressure)]
    assert ours[0] < ours[1]


@pytest.mark.parametrize(
    ("of_temperature", "of_pressure", "named"),
    [(0.001, 0.04, "temperature"), (0.04, 0.001, "pressure"), (0.06, 0.04, "pressure")],
)
def test_the_surer_of_two_readings_is_named(of_temperature, of_pressure, named):
    cause = correction_cause(
        Slope(0.4, 0.2, 0.6, 0.001),
        Slope(0.1, 0.0, 0.2, of_temperature),
        Slope(0.1, 0.0, 0.2, of_pressure),
    )
    assert f"follows the {named} read" in words_of(cause)


def test_no_slope_or_too_few_sessions_tell_nothing():
    sure = Slope(0.1, 0.05, 0.2, 0.001)
    assert correction_cause(Slope(0.4, -0.1, 0.9, 0.1), sure, sure) is None
    assert correction_cause(Slope(0.4, math.nan, math.nan, math.nan), sure, sure) is None


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: stuck_runs([1.0], [1, 2]), "one length"),
        (lambda: pressure_spells([1.0], [1, 2], None), "one length"),
        (lambda: pressure_spells([-1.0], [1], None), "above 0 Pa"),
        (lambda: usual_pressure_doubt([0.0], 310.0), "above 0 Pa"),
        (lambda: station_differences(["a"], [1, 2], [1.0], [1.0], [1.0]), "one length"),
    ],
)
def test_rows_that_make_no_weather_are_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()
