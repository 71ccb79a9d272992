"""What is said of channels that cannot be as labelled, over many invented bikes."""

import numpy as np
import pytest

from flows.steps.doubts import doubts
from schemas.layout import Layout
from schemas.toml_text import read_toml
from tests.broken.broken_files import layout_text, sound_log
from tests.in_words import words
from warehouse.sentences import remedy_of

BIKES = 40
LAYOUTS = {kind: read_toml(layout_text(kind), Layout, "x") for kind in ("pull", "ride")}


def judged(kind, number, spoil=None):
    truth = {
        name: v.copy() for name, v in sound_log(kind, np.random.default_rng(number)).truth.items()
    }
    if spoil is not None:
        spoil(truth)
    return doubts(truth, LAYOUTS[kind])


def scaled(channel, factor, offset=0.0):
    def spoil(truth):
        truth[channel] = truth[channel] * factor + offset

    return spoil


def set_to(channel, value):
    def spoil(truth):
        truth[channel] = np.full_like(truth[channel], value)

    return spoil


@pytest.mark.parametrize("kind", ["pull", "ride"])
def test_sound_logs_raise_no_doubt(kind):
    for number in range(BIKES):
        found = judged(kind, number)
        assert found.doubts == []
        assert found.marks == {}


# Kelvin of a number of degrees Fahrenheit that was read as degrees Celsius.
FAHRENHEIT = scaled("coolant_temp_k", 1.8, -459.67 + 273.15)


@pytest.mark.parametrize(
    ("kind", "spoil", "channel", "grade", "likely"),
    [
        ("pull", scaled("wheel_power_w", 1 / 0.73549875), "wheel_power_w", "refuse", "PS"),
        ("pull", scaled("wheel_power_w", 1000.0), "wheel_power_w", "refuse", "W"),
        ("pull", scaled("time_s", 1000.0), "time_s", "refuse", "ms"),
        ("ride", scaled("time_s", 1000.0), "time_s", "refuse", "ms"),
        ("pull", scaled("time_s", 0.001), "time_s", "refuse", ""),
        ("pull", scaled("engine_speed_rpm", 1 / 60), "engine_speed_rpm", "refuse",
         "turns a second"),
        ("pull", scaled("engine_speed_rpm", 1e-3), "engine_speed_rpm", "refuse",
         "thousands of rpm"),
        ("pull", scaled("lambda_wide", 14.7), "lambda_wide", "refuse", "air-fuel ratio"),
        ("ride", scaled("throttle_pct", 0.01), "throttle_pct", "refuse", "a share of 1"),
        ("pull", FAHRENHEIT, "coolant_temp_k", "set aside", "degF"),
        ("pull", scaled("map_pressure_pa", 10.0), "map_pressure_pa", "set aside", "mbar"),
        ("ride", scaled("map_pressure_pa", 0.01), "map_pressure_pa", "set aside", "bar"),
    ],
)  # fmt: skip
def test_a_wrong_unit_is_told_with_the_likely_right_one(kind, spoil, channel, grade, likely):
    told = 0
    for number in range(BIKES):
        found = [doubt for doubt in judged(kind, number, spoil).doubts if doubt.channel == channel]
        if found and found[0].grade == grade and found[0].likely_unit == likely:
            told += 1
            assert words(found[0].note)
            assert remedy_of(found[0].note)
    assert told >= 0.95 * BIKES


@pytest.mark.parametrize(
    ("spoil", "channel"),
    [
        (set_to("lambda_wide", 0.85), "lambda_wide"),
        (set_to("lambda_wide", 0.0), "lambda_wide"),
        (set_to("coolant_temp_k", 215.0 + 273.15), "coolant_temp_k"),
        (set_to("throttle_pct", 0.0), "throttle_pct"),
        (set_to("map_pressure_pa", 98_000.0), "map_pressure_pa"),
    ],
)
def test_a_dead_channel_is_marked_and_never_refuses_the_pull(spoil, channel):
    for number in range(BIKES):
        found = judged("pull", number, spoil)
        assert set(found.marks) == {channel}
        assert all(doubt.grade != "refuse" for doubt in found.doubts)


def test_a_saturated_gauge_is_marked():
    # 22.4 on a gauge of 14.7 is lambda 1.524, the upper end of common gauges (common practice).
    def spoil(truth):
        lean = truth["lambda_wide"]
        lean[: int(0.7 * lean.size)] = 22.4 / 14.7

    for number in range(BIKES):
        assert "saturated" in words(judged("ride", number, spoil).marks["lambda_wide"])


def test_narrowband_volts_are_marked():
    def spoil(truth):
        place = np.arange(truth["lambda_wide"].size)
        truth["lambda_wide"] = np.where(np.sin(place / 4) > 0, 0.82, 0.13)

    assert "narrowband" in words(judged("ride", 1, spoil).marks["lambda_wide"])


def test_standardised_data_are_refused():
    def spoil(truth):
        for name in truth:
            if name not in ("time_s", "gear"):
                truth[name] = (truth[name] - truth[name].mean()) / truth[name].std()

    for kind in ("pull", "ride"):
        (doubt,) = judged(kind, 3, spoil).doubts
        assert (doubt.grade, doubt.note["code"]) == ("refuse", "standardised data")


def test_a_channel_that_no_gear_explains_is_said():
    for number in range(BIKES):
        found = judged("ride", number, scaled("roller_speed_m_s", 1 / 3.6)).doubts
        assert [(d.channel, d.grade, d.likely_unit) for d in found] == [
            ("roller_speed_m_s", "note", "m/s")
        ]


def test_the_ratios_of_the_gears_are_kept_as_a_fact():
    facts = judged("ride", 2).facts
    assert 3 <= len(facts["speed_ratio_rpm_per_m_s"]) <= 6


def test_every_log_of_the_demo_shop_passes(demo, read_demo):
    from warehouse import store

    with store.writer(demo.folder, wait_s=60.0) as connection:
        refused = connection.execute(
            "SELECT DISTINCT reason_code FROM raw.reading WHERE state = 'refused'"
        ).fetchall()
    # What the demo breaks on purpose is broken in its own ways: no doubt refuses a sound file.
    assert not {code for (code,) in refused} & {
        "unit is wrong", "standardised data", "ratio read as lambda", "engine does not turn",
    }  # fmt: skip


def inertia_pull(ratio_rpm_per_m_s=190.0, unit=1.0, without=()):
    """Return a pull of an inertia roller with its coast-down, the clutch pulled, at idle."""
    time_s = np.arange(0.0, 40.0, 0.05)
    roller = np.interp(time_s, [0.0, 2.0, 8.0, 40.0], [16.0, 16.0, 48.0, 12.0])
    pulled = time_s > 8.2
    truth = {
        "time_s": time_s,
        "engine_speed_rpm": np.where(pulled, 1400.0, ratio_rpm_per_m_s * roller),
        "roller_speed_m_s": roller * unit,
        "throttle_pct": np.where((time_s > 2.0) & (time_s <= 8.0), 98.0, 4.0),
    }
    return {name: values for name, values in truth.items() if name not in without}


CLOCKLESS = [(), ("throttle_pct",), ("time_s",), ("time_s", "throttle_pct")]


@pytest.mark.parametrize("without", CLOCKLESS)
def test_a_coast_down_with_the_clutch_pulled_is_no_odd_gearing(without):
    # 1,400 rpm at 12 to 48 m/s are 8 to 32 rpm a km/h, and no gear of the bike.
    found = doubts(inertia_pull(without=without), LAYOUTS["pull"])
    assert [doubt for doubt in found.doubts if doubt.channel == "roller_speed_m_s"] == []
    assert found.facts["speed_ratio_rpm_per_m_s"] == [pytest.approx(190.0, rel=0.01)]


@pytest.mark.parametrize("without", CLOCKLESS)
def test_a_roller_in_another_unit_is_still_told_beside_a_coast_down(without):
    # 500 rpm per m/s; of metres a second read as km/h the roller shows the 3.6th part, which
    # makes 500 rpm a km/h.
    found = doubts(inertia_pull(500.0, 1 / 3.6, without), LAYOUTS["pull"])
    (doubt,) = [doubt for doubt in found.doubts if doubt.channel == "roller_speed_m_s"]
    assert "gives 500 to 500 rpm a km/h, which no gearing does" in words(doubt.note)
