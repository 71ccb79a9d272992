"""Units at the edges: from a file's words to SI, and from SI to what the shop chose to see."""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

# Our words for units on the left, pint's on the right. The trade writes these in many ways; the
# definitions behind them are those of NIST SP 811.
_WORDS = {
    "1": "dimensionless",
    "": "dimensionless",
    "lambda": "dimensionless",
    "%": "percent",
    "% vol": "percent",
    "vol%": "percent",
    "ppm": "ppm",
    "rpm": "revolutions_per_minute",
    "1/min": "revolutions_per_minute",
    "s": "second",
    "ms": "millisecond",
    "us": "microsecond",
    "min": "minute",
    "W": "watt",
    "kW": "kilowatt",
    "PS": "metric_horsepower",
    "CV": "metric_horsepower",
    "hp": "horsepower",
    "Nm": "newton * meter",
    "N*m": "newton * meter",
    "N·m": "newton * meter",
    "lbf*ft": "pound_force * foot",
    "lb-ft": "pound_force * foot",
    "kgf*m": "kilogram_force * meter",
    "m/s": "meter / second",
    "km/h": "kilometer / hour",
    "mph": "mile / hour",
    "K": "kelvin",
    "degC": "degree_Celsius",
    "°C": "degree_Celsius",
    "degF": "degree_Fahrenheit",
    "°F": "degree_Fahrenheit",
    "Pa": "pascal",
    "hPa": "hectopascal",
    "mbar": "millibar",
    "kPa": "kilopascal",
    "bar": "bar",
    "kgf/cm2": "kilogram_force / centimeter ** 2",
    "psi": "pound_force_per_square_inch",
    "mmHg": "millimeter_Hg",
    "inHg": "inch_Hg",
    "V": "volt",
    "mV": "millivolt",
    "deg": "degree",
    "°": "degree",
}

_SI_OF_UNIT = {
    "s": "second",
    "rpm": "revolutions_per_minute",
    "m/s": "meter / second",
    "W": "watt",
    "N·m": "newton * meter",
    "1": "dimensionless",
    "": "dimensionless",
    "V": "volt",
    "%": "percent",
    "ppm": "ppm",
    "Pa": "pascal",
    "K": "kelvin",
    "°": "degree",
}


class Conversion(NamedTuple):
    """An affine conversion: SI value = `factor` · shown value + `offset`."""

    factor: float
    offset: float


def known_units() -> list[str]:
    """Return the unit words that layouts may use.

    >>> "PS" in known_units()
    True
    """
    return sorted(word for word in _WORDS if word)


@cache
def conversion(word: str, si_unit: str) -> Conversion:
    """Return how to turn a value in a file's unit into the dictionary's unit.

    Raises ValueError if the word is unknown or measures something else.

    >>> round(conversion("PS", "W").factor, 5)
    735.49875
    >>> fahrenheit = conversion("degF", "K")
    >>> round(77 * fahrenheit.factor + fahrenheit.offset, 2)
    298.15
    """
    import pint

    if word not in _WORDS:
        raise ValueError(f"unit must be one of {', '.join(known_units())}, got {word!r}")
    pure_number = {"", "1", "lambda", "%", "% vol", "vol%", "ppm"}
    angle = {"deg", "°"}
    # An angle counts as a pure number in SI: a unit word of one is never meant for the other.
    if (si_unit in pure_number) != (word in pure_number) or (si_unit == "°") != (word in angle):
        raise ValueError(f"unit {word!r} does not measure what {si_unit or 'a number'} measures")
    registry = _registry()
    source, target = registry.Unit(_WORDS[word]), registry.Unit(_SI_OF_UNIT[si_unit])
    try:
        zero = registry.Quantity(0.0, source).to(target).magnitude
        one = registry.Quantity(1.0, source).to(target).magnitude
    except pint.DimensionalityError:
        raise ValueError(
            f"unit {word!r} does not measure what {si_unit or 'a number'} measures"
        ) from None
    # All these conversions are straight lines: two points give them.
    return Conversion(one - zero, zero)


@cache
def _registry():
    import pint

    return pint.UnitRegistry(autoconvert_offset_to_baseunit=True)


SHOWN_POWER_UNITS = ("kW", "PS", "hp")


def shown_power(power_w: float, unit: str) -> float:
    """Return a power in the unit that the shop chose to see.

    Raises ValueError if the unit is not one of these.

    >>> round(shown_power(74_569.987, "hp"), 4)
    100.0
    """
    if unit not in SHOWN_POWER_UNITS:
        raise ValueError(f"unit must be one of {', '.join(SHOWN_POWER_UNITS)}, got {unit!r}")
    return power_w / conversion(unit, "W").factor
