"""Units at the edges: from a file's words to SI, and from SI to what the shop chose to see."""

from __future__ import annotations

from typing import NamedTuple


class Conversion(NamedTuple):
    """An affine conversion: SI value = `factor` · shown value + `offset`."""

    factor: float
    offset: float


# Word → size in the dictionary's unit: NIST SP 811, appendix B. Feet, pounds, inches and standard
# gravity are exact there; the columns of mercury are the conventional ones.
_POUND_FORCE_N, _FOOT_M, _INCH_M = 0.45359237 * 9.80665, 0.3048, 0.0254
_MERCURY_PA_M = 13_595.1 * 9.80665
_SIZES: dict[str, dict[str, float]] = {
    "s": {"s": 1.0, "ms": 1e-3, "us": 1e-6, "min": 60.0},
    "rpm": {"rpm": 1.0, "1/min": 1.0},
    "W": {"W": 1.0, "kW": 1000.0, "PS": 735.49875, "CV": 735.49875,
          "hp": 550.0 * _FOOT_M * _POUND_FORCE_N},
    "N·m": {"Nm": 1.0, "N*m": 1.0, "N·m": 1.0, "lbf*ft": _FOOT_M * _POUND_FORCE_N,
            "lb-ft": _FOOT_M * _POUND_FORCE_N, "kgf*m": 9.80665},
    "m/s": {"m/s": 1.0, "km/h": 1.0 / 3.6, "mph": 0.44704},
    "K": {"K": 1.0, "degC": 1.0, "°C": 1.0, "degF": 1.0 / 1.8, "°F": 1.0 / 1.8},
    "Pa": {"Pa": 1.0, "hPa": 100.0, "mbar": 100.0, "kPa": 1000.0, "bar": 100_000.0,
           "kgf/cm2": 98_066.5, "psi": _POUND_FORCE_N / _INCH_M**2,
           "mmHg": 1e-3 * _MERCURY_PA_M, "inHg": _INCH_M * _MERCURY_PA_M},
    "V": {"V": 1.0, "mV": 1e-3},
    "°": {"deg": 1.0, "°": 1.0},
}  # fmt: skip
_ZEROS_K = {"degC": 273.15, "°C": 273.15, "degF": 459.67 / 1.8, "°F": 459.67 / 1.8}

# How many of it make one: as whole numbers they turn into each other without a rounding. An angle
# is no pure number here: a unit word of one is never meant for the other.
_IN_ONE = {"": 1.0, "1": 1.0, "lambda": 1.0, "%": 100.0, "% vol": 100.0, "vol%": 100.0, "ppm": 1e6}

_WORDS = {*_IN_ONE, *(word for sizes in _SIZES.values() for word in sizes)}


def known_units() -> list[str]:
    """Return the unit words that layouts may use.

    >>> "PS" in known_units()
    True
    """
    return sorted(word for word in _WORDS if word)


def conversion(word: str, si_unit: str) -> Conversion:
    """Return how to turn a value in a file's unit into the dictionary's unit.

    Raises ValueError if the word is unknown or measures something else.

    >>> round(conversion("PS", "W").factor, 5)
    735.49875
    >>> fahrenheit = conversion("degF", "K")
    >>> round(77 * fahrenheit.factor + fahrenheit.offset, 2)
    298.15
    """
    if word not in _WORDS:
        raise ValueError(f"unit must be one of {', '.join(known_units())}, got {word!r}")
    if word in _IN_ONE and si_unit in _IN_ONE:
        return Conversion(_IN_ONE[si_unit] / _IN_ONE[word], 0.0)
    size = _SIZES.get(si_unit, {}).get(word)
    if size is None:
        raise ValueError(f"unit {word!r} does not measure what {si_unit or 'a number'} measures")
    return Conversion(size, _ZEROS_K.get(word, 0.0))


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
