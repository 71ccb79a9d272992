"""Channels that cannot be as labelled: what is told, and what must not be."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flows.metrics import plausibility

SPEED = np.linspace(3000.0, 9000.0, 200)
TORQUE = 60.0 + 5.0 * np.sin(SPEED / 900.0)


def off(power_in, torque_in="Nm", *, read=("kW", "Nm"), noise=0.003, seed=1):
    """Return what is found when numbers in some units are read as others."""
    random = np.random.default_rng(seed)
    watts = TORQUE * SPEED * math.pi / 30.0
    shown_power = watts / plausibility.POWER_UNITS_W[power_in]
    shown_torque = TORQUE / plausibility.TORQUE_UNITS_NM[torque_in]
    shown_power = shown_power * (1 + noise * random.normal(size=SPEED.size))
    return plausibility.power_over_torque(
        SPEED,
        shown_power * plausibility.POWER_UNITS_W[read[0]],
        shown_torque * plausibility.TORQUE_UNITS_NM[read[1]],
        power_unit=read[0],
        torque_unit=read[1],
    )


def test_the_units_are_those_of_the_handbook():
    # NIST SP 811 (2008), appendix B.8: horsepower (metric) 7.354988 E+02 W, horsepower (550
    # ft·lbf/s) 7.456999 E+02 W, foot pound-force 1.355818 N·m, kilogram-force meter 9.80665 N·m.
    assert plausibility.POWER_UNITS_W["PS"] == pytest.approx(735.4988, rel=1e-7)
    assert plausibility.POWER_UNITS_W["hp"] == pytest.approx(745.6999, rel=1e-7)
    assert plausibility.TORQUE_UNITS_NM["lbf*ft"] == pytest.approx(1.355818, rel=1e-6)
    assert plausibility.TORQUE_UNITS_NM["kgf*m"] == 9.80665


@pytest.mark.parametrize("right", ["kW", "PS", "hp"])
def test_power_that_is_torque_times_speed_is_let_be(right):
    assert off(right, read=(right, "Nm")) is None


@pytest.mark.parametrize(
    ("true", "read"), [("PS", "kW"), ("hp", "kW"), ("kW", "PS"), ("kW", "hp"), ("W", "kW")]
)
def test_a_power_unit_read_as_another_is_named(true, read):
    found = off(true, read=(read, "Nm"))
    assert found is not None
    if {true, read} <= {"PS", "hp", "kW"} and "kW" in (true, read):
        # PS and hp are 1.4 % apart: against torque they can be told, within the noise.
        assert found.power_unit in ("PS", "hp", "kW")
    assert found.torque_unit == "Nm"
    assert found.power_unit == true


def test_a_torque_unit_read_as_another_is_named():
    found = off("kW", "lbf*ft", read=("kW", "Nm"))
    # 1.3558 and 1 / 0.7355 = 1.3596 lie 0.3 % apart: either may be named, neither as kW and Nm.
    assert (found.power_unit, found.torque_unit) in {("kW", "lbf*ft"), ("PS", "Nm")}


def test_horsepower_of_two_kinds_are_told_apart():
    assert off("hp", read=("PS", "Nm")).power_unit == "hp"


def test_too_little_tells_nothing():
    few = slice(0, 10)
    assert (
        plausibility.power_over_torque(
            SPEED[few], SPEED[few] * 9, TORQUE[few], power_unit="kW", torque_unit="Nm"
        )
        is None
    )


@given(st.integers(0, 10_000))
def test_noise_alone_is_no_disagreement(seed):
    assert off("kW", noise=0.02, seed=seed) is None


def test_the_end_that_most_samples_sit_on_is_named():
    value, share = plausibility.rail_share([0.9, 1.0, 1.524, 1.524])
    assert (value, share) == (1.524, 0.5)


def test_a_standardised_set_agrees_with_scipy():
    from scipy.stats import zscore

    random = np.random.default_rng(2)
    channels = [zscore(random.normal(size=500) * scale + 7) for scale in (1.0, 900.0)]
    assert plausibility.is_standardised(channels)
    assert not plausibility.is_standardised([channels[0], SPEED])
    assert not plausibility.is_standardised([channels[0]])


def test_a_narrowband_voltage_is_known_and_a_lambda_is_not_taken_for_one():
    random = np.random.default_rng(4)
    volts = np.where(np.sin(np.arange(400) / 5) > 0, 0.85, 0.1) + 0.03 * random.normal(size=400)
    assert plausibility.switches_between_two_levels(volts)
    lean = 0.9 + 0.15 * np.sin(np.arange(400) / 30) + 0.01 * random.normal(size=400)
    assert not plausibility.switches_between_two_levels(lean)


@pytest.mark.parametrize("rate", [150.0, 1000.0, 4000.0])
def test_the_rise_is_that_of_the_ramp(rate):
    time = np.arange(0.0, 6000.0 / rate, 0.02)
    noise = np.random.default_rng(5).normal(size=time.size) * 5.0
    assert plausibility.fastest_rise(time, 3000 + rate * time + noise) == pytest.approx(
        rate, rel=0.05
    )


def test_gears_are_found_with_their_ratios():
    # Ratios by hand: 1000 rpm at 10 m/s in the long gear, 1500 in the short one.
    road = np.linspace(8.0, 20.0, 300)
    speed = np.concatenate((100.0 * road, 150.0 * road))
    both = np.tile(road, 2)
    noise = 1 + 0.002 * np.random.default_rng(6).normal(size=speed.size)
    gears = plausibility.speed_ratios(speed * noise, both)
    assert [round(ratio) for ratio, _ in gears] == [100, 150]
    assert sum(share for _, share in gears) == pytest.approx(1.0, abs=0.05)
    assert plausibility.speed_ratios(speed[:20], both[:20]) == []


def shifted_table():
    random = np.random.default_rng(7)
    return np.column_stack(
        [
            np.arange(100) * 0.05,
            3000 + 40 * np.arange(100),
            20 + 0.3 * np.arange(100),
            0.88 + 0.004 * random.normal(size=100),
            99.0 + 0.2 * random.normal(size=100),
        ]
    )


def test_a_row_with_a_cell_too_many_is_found_and_an_empty_cell_is_let_be():
    rows = shifted_table()
    rows[40] = [rows[40, 0], rows[40, 1], np.nan, rows[40, 2], rows[40, 3]]
    rows[60, 3] = np.nan
    assert np.flatnonzero(plausibility.shifted_rows(rows)).tolist() == [40]


@given(st.lists(st.tuples(st.integers(0, 99), st.integers(1, 4)), max_size=4))
def test_holes_alone_shift_nothing(holes):
    rows = shifted_table()
    for row, column in holes:
        rows[row, column] = np.nan
    assert not plausibility.shifted_rows(rows).any()
