"""Units: factors against NIST SP 811, round trips, and refusals of what does not fit."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from schemas.columns import CHANNELS
from schemas.units import SHOWN_POWER_UNITS, conversion, known_units, shown_power

SI_OF_WORD = {
    "rpm": "rpm",
    "1/min": "rpm",
    **dict.fromkeys(("s", "ms", "us", "min"), "s"),
    **dict.fromkeys(("W", "kW", "PS", "CV", "hp"), "W"),
    **dict.fromkeys(("Nm", "N*m", "N·m", "lbf*ft", "lb-ft", "kgf*m"), "N·m"),
    **dict.fromkeys(("m/s", "km/h", "mph"), "m/s"),
    **dict.fromkeys(("K", "degC", "°C", "degF", "°F"), "K"),
    **dict.fromkeys(("Pa", "hPa", "mbar", "kPa", "bar", "kgf/cm2", "psi", "mmHg", "inHg"), "Pa"),
    **dict.fromkeys(("V", "mV"), "V"),
    **dict.fromkeys(("deg", "°"), "°"),
    **dict.fromkeys(("%", "% vol", "vol%"), "%"),
    "ppm": "ppm",
    **dict.fromkeys(("1", "lambda"), "1"),
}


# NIST SP 811 (2008), appendix B.8: conversion factors, the digits as printed there or exact by
# definition (ft, lb, standard gravity, mile). Conventional inch and millimetre of mercury at 0 °C.
@pytest.mark.parametrize(
    ("word", "si_unit", "factor", "digits"),
    [
        ("hp", "W", 745.6999, 5e-5),  # horsepower (550 ft·lbf/s)
        ("PS", "W", 735.4988, 5e-5),  # horsepower (metric)
        ("CV", "W", 735.4988, 5e-5),
        ("kW", "W", 1000.0, 1e-9),
        ("lbf*ft", "N·m", 1.355818, 5e-7),  # foot pound-force
        ("lb-ft", "N·m", 1.355818, 5e-7),
        ("kgf*m", "N·m", 9.80665, 1e-12),  # exact
        ("mph", "m/s", 0.44704, 1e-12),  # exact
        ("km/h", "m/s", 0.2777778, 5e-8),
        ("psi", "Pa", 6894.757, 5e-4),
        ("bar", "Pa", 1.0e5, 1e-6),
        ("mbar", "Pa", 100.0, 1e-9),
        ("hPa", "Pa", 100.0, 1e-9),
        ("kPa", "Pa", 1000.0, 1e-9),
        ("inHg", "Pa", 3386.389, 5e-4),  # inch of mercury, conventional
        ("mmHg", "Pa", 133.3224, 5e-5),  # millimetre of mercury, conventional
        ("min", "s", 60.0, 1e-9),
        ("ms", "s", 0.001, 1e-15),
        ("us", "s", 1e-6, 1e-18),
        ("kgf/cm2", "Pa", 98_066.5, 1e-6),  # exact
        ("mV", "V", 0.001, 1e-15),
        ("% vol", "ppm", 1.0e4, 1e-9),  # by definition of both
    ],
)
def test_a_factor_is_that_of_the_guide_to_the_si(word, si_unit, factor, digits):
    found = conversion(word, si_unit)
    assert found.factor == pytest.approx(factor, abs=digits)
    assert found.offset == pytest.approx(0.0, abs=1e-12)


# NIST SP 811 (2008), appendix B.8: t/°C = (t/°F - 32)/1.8 and T/K = t/°C + 273.15.
@pytest.mark.parametrize(
    ("word", "shown", "kelvin"),
    [
        ("degC", 25.0, 298.15),
        ("°C", -40.0, 233.15),
        ("degF", 77.0, 298.15),
        ("°F", -40.0, 233.15),
        ("degF", 60.0, 288.705556),
        ("K", 300.0, 300.0),
    ],
)
def test_a_temperature_has_its_own_zero(word, shown, kelvin):
    step = conversion(word, "K")
    assert shown * step.factor + step.offset == pytest.approx(kelvin, abs=5e-7)


def test_every_word_is_tried_here():
    assert set(known_units()) == set(SI_OF_WORD)


PINT_WORDS = {
    **dict.fromkeys(("1", "lambda"), "dimensionless"),
    **dict.fromkeys(("%", "% vol", "vol%"), "percent"),
    **dict.fromkeys(("rpm", "1/min"), "revolutions_per_minute"),
    **dict.fromkeys(("PS", "CV"), "metric_horsepower"),
    "hp": "horsepower",
    **dict.fromkeys(("Nm", "N*m", "N·m"), "newton * meter"),
    **dict.fromkeys(("lbf*ft", "lb-ft"), "pound_force * foot"),
    "kgf*m": "kilogram_force * meter",
    **dict.fromkeys(("degC", "°C"), "degree_Celsius"),
    **dict.fromkeys(("degF", "°F"), "degree_Fahrenheit"),
    "kgf/cm2": "kilogram_force / centimeter ** 2",
    "psi": "pound_force_per_square_inch",
    "mmHg": "millimeter_Hg",
    "inHg": "inch_Hg",
    **dict.fromkeys(("deg", "°"), "degree"),
}
"""Our words as pint, a table of units by others, writes them where it differs."""


@pytest.fixture(scope="module")
def registry():
    import pint

    return pint.UnitRegistry(autoconvert_offset_to_baseunit=True)


@given(st.sampled_from(sorted(SI_OF_WORD)), st.floats(-1e4, 1e5))
def test_pint_makes_the_same_of_a_value(registry, word, shown):
    step, si_unit = conversion(word, SI_OF_WORD[word]), SI_OF_WORD[word]
    quantity = registry.Quantity(shown, PINT_WORDS.get(word, word))
    expected = quantity.to(PINT_WORDS.get(si_unit, si_unit)).magnitude
    assert shown * step.factor + step.offset == pytest.approx(expected, rel=1e-12, abs=1e-9)


@given(st.sampled_from(SHOWN_POWER_UNITS), st.floats(-1e5, 1e6))
def test_a_shown_power_taken_back_is_the_same(unit, power_w):
    back = shown_power(power_w, unit) * conversion(unit, "W").factor
    assert back == pytest.approx(power_w, rel=1e-12, abs=1e-9)


def test_a_hundred_horsepower_are_shown_as_such():
    # NIST SP 811: 550 ft·lbf/s; 100 hp = 74.569987 kW = 101.386967 PS.
    assert shown_power(74_569.987158, "hp") == pytest.approx(100.0, abs=1e-8)
    assert shown_power(74_569.987158, "PS") == pytest.approx(101.386967, abs=5e-7)
    assert shown_power(74_569.987158, "kW") == pytest.approx(74.569987, abs=5e-7)


@pytest.mark.parametrize(
    ("word", "si_unit"),
    [
        ("kW", "N·m"),
        ("km/h", "rpm"),
        ("degC", "Pa"),
        ("V", "1"),
        ("%", "V"),
        ("1", "°"),
        ("deg", "1"),
        ("deg", "%"),
        ("rpm", "1"),
        ("1", "rpm"),
    ],
)
def test_a_unit_of_something_else_is_refused(word, si_unit):
    with pytest.raises(ValueError, match="does not measure what"):
        conversion(word, si_unit)


def test_an_unknown_word_is_refused_with_the_known_ones():
    with pytest.raises(ValueError, match=r"unit must be one of .*hp.*, got 'horses'"):
        conversion("horses", "W")


def test_an_unknown_unit_to_show_is_refused():
    with pytest.raises(ValueError, match="unit must be one of kW, PS, hp, got 'W'"):
        shown_power(1.0, "W")


@pytest.mark.parametrize("name", list(CHANNELS))
def test_every_channel_has_a_word_for_its_own_unit(name):
    unit = CHANNELS[name].unit
    word = {"N·m": "N*m", "°": "deg", "": "1"}.get(unit, unit)
    assert conversion(word, unit) == pytest.approx((1.0, 0.0))
