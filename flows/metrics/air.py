"""Air: vapour pressure, density, altitude, and the factors that correct power to reference air.

Only for naturally aspirated spark-ignition engines; a boosted engine has no factor here.
"""

import math
from typing import NamedTuple

import numpy as np

from flows.metrics.domain_checks import require
from flows.metrics.notes import Note, note

Values = float | np.ndarray

STANDARDS = ("SAE J1349", "ISO 1585", "ISO 4106", "DIN 70020", "SAE J607")
"""The reference airs a power figure may be stated in."""

J1349_EXACT = "SAE J1349 with the 85 % efficiency written out"
DIN_DRY = "DIN 70020 with dry pressure"
J607_FRICTION = "SAE J607 with the friction term"
OTHER_FORMS = (J1349_EXACT, DIN_DRY, J607_FRICTION)
"""Forms that go by the same three names in programs: a file says the name, not the form."""

MECHANICAL_EFFICIENCY = 0.85
"""SAE J1349: brake over indicated power where friction was not measured."""

ZERO_CELSIUS_K = 273.15
"""0 degC, by definition of the Celsius scale."""

ATMOSPHERE_PA = 101_325.0
"""Sea-level pressure of the ISO 2533 standard atmosphere."""

GAS_CONSTANT_DRY_AIR_J_KGK = 287.055
"""8.314463 J/(mol K) over 28.9647 g/mol, the molar mass of dry air."""

GAS_CONSTANT_WATER_VAPOUR_J_KGK = 461.523
"""8.314463 J/(mol K) over 18.0153 g/mol, the molar mass of water."""

DRY_REFERENCE_PA = 99_000.0
"""Dry pressure of the 25 degC reference air: 100 kPa in all, of which 1 kPa is vapour."""

BRAKE_SHARE_SLOPE = 1.180
"""SAE J1349: brake power per indicated power at 85 % mechanical efficiency, as rounded there."""

BRAKE_SHARE_OFFSET = 0.180
"""SAE J1349: the friction part that the air does not scale, as rounded there."""

ISO_PRESSURE_EXPONENT = 1.2
"""ISO 1585, spark ignition without boost."""

ISO_TEMPERATURE_EXPONENT = 0.6
"""ISO 1585, spark ignition without boost."""

DIN_REFERENCE_PA = 101_300.0
"""DIN 70020: 1013 mbar, total pressure."""

FACTOR_RANGE = (0.93, 1.07)
"""Range of the ISO 1585 factor. Taken over for SAE J1349 from memory, hence only a warning."""

ISO_4106_RANGE = (0.96, 1.06)
"""Often cited for ISO 15550, which ISO 4106 goes by; from memory, hence only a warning."""

TOLERANCE_PCT = 0.3
"""Agreement of two factors within this is rounding and variants of a formula; it is also how well a
cause must explain a stated factor. Common practice, no source. [%]"""

TEST_TEMPERATURE_K = (283.2, 318.2)
"""Air in which Regulation (EU) 134/2014, Annex X, Appendix 2.2 lets motorcycles be tested."""

INSTRUMENT_TEMPERATURE_K = 2.0
"""Accuracy of the intake-air thermometer, Regulation (EU) 134/2014, Annex X, Appendix 2.3."""

INSTRUMENT_PRESSURE_PA = 100.0
"""Accuracy of the barometer, the same clause."""

INSTRUMENT_HUMIDITY_PCT = 5.0
"""Accuracy of a workshop hygrometer: common practice, no source."""

LAPSE_RATE_K_M = 0.0065
"""Fall of temperature with height in the troposphere of ISO 2533."""

SEA_LEVEL_TEMPERATURE_K = 288.15
"""Sea-level temperature of ISO 2533."""

BAROMETRIC_EXPONENT = 5.25588
"""g M / (R L) of ISO 2533."""

ALTIMETER_EXPONENT = 0.190284
"""Exponent of the altimeter-setting equation of the weather services."""

ALTIMETER_OFFSET_PA = 30.0
"""Its constant of 0.3 hPa."""

LEAST_STATION_PA = 60_000.0
"""Below this no shop stands: about 4,200 m."""

MOST_STATION_PA = 108_000.0
"""Near the highest sea-level pressure ever reported."""
MOST_DEPARTURE_PA = 4_000.0
"""The weather seldom moves pressure further from the standard atmosphere."""
NEAR_SEA_LEVEL_PA = 2_000.0
"""Distance from 101.325 kPa that looks like a weather report's figure."""
RARE_SEA_LEVEL_PA = 103_500.0
"""A sea-level pressure that few days of a year exceed."""
SEA_LEVEL_ALTITUDE_M = 200.0
"""Below this height station and sea-level pressure are too alike to tell."""


def saturation_vapour_pressure_pa(temperature_k: Values) -> Values:
    r"""Return the vapour pressure of saturated air over liquid water.

    Parameters
    ----------
    temperature_k : float or ndarray. Air temperature. [K]

    Returns
    -------
    float or ndarray. Saturation vapour pressure. [Pa]

    Raises
    ------
    ValueError. If a temperature is not above 200 K and below 373.15 K.

    Notes
    -----
    .. math:: e_s = 611.21 \exp\left[\left(18.678 - \frac{t}{234.5}\right)
              \frac{t}{257.14 + t}\right], \quad t = T - 273.15

    The 1996 form of Buck's equation [1]_. From 0 degC to 45 degC it stays within 0.05 % of the
    IAPWS saturation line. The 0.4 % enhancement of vapour pressure in air under pressure is
    left out, as the engine standards leave it out.

    Examples
    --------
    >>> float(saturation_vapour_pressure_pa(298.15))
    3168.53

    References
    ----------
    .. [1] A. L. Buck, "New equations for computing vapor pressure and enhancement factor,"
       J. Appl. Meteor., vol. 20, pp. 1527-1532, 1981; coefficients as revised in 1996.
    """
    require("temperature_k", temperature_k, above=200.0, below=373.15, unit="K")
    celsius = np.asarray(temperature_k, dtype=float)[()] - ZERO_CELSIUS_K
    return 611.21 * np.exp((18.678 - celsius / 234.5) * celsius / (257.14 + celsius))


def vapour_pressure_pa(temperature_k: Values, relative_humidity_pct: Values) -> Values:
    r"""Return the partial pressure of water vapour in air of known humidity.

    Parameters
    ----------
    temperature_k : float or ndarray. Air temperature where the humidity was read. [K]
    relative_humidity_pct : float or ndarray. Relative humidity. [%]

    Returns
    -------
    float or ndarray. Vapour pressure. [Pa]

    Raises
    ------
    ValueError. If humidity is not from 0 % to 100 %, or a temperature is out of range.

    Notes
    -----
    .. math:: e = \frac{RH}{100} e_s(T)

    Assumes that humidity and temperature were read at the same place: a hygrometer in the sun
    and a thermometer in the shade do not belong together. Saturation pressure as in [1]_.

    Examples
    --------
    >>> float(vapour_pressure_pa(303.15, 60.0))
    2547.1

    References
    ----------
    .. [1] See `saturation_vapour_pressure_pa`.
    """
    require("relative_humidity_pct", relative_humidity_pct, at_least=0.0, at_most=100.0, unit="%")
    return relative_humidity_pct / 100.0 * saturation_vapour_pressure_pa(temperature_k)


def air_density_kg_m3(
    temperature_k: Values, pressure_pa: Values, vapour_pressure_pa: Values = 0.0
) -> Values:
    r"""Return the density of moist air as a mixture of two ideal gases.

    Parameters
    ----------
    temperature_k : float or ndarray. Air temperature. [K]
    pressure_pa : float or ndarray. Total pressure at the place, not reduced to sea level. [Pa]
    vapour_pressure_pa : float or ndarray, default 0. Partial pressure of water vapour. [Pa]

    Returns
    -------
    float or ndarray. Density. [kg/m^3]

    Raises
    ------
    ValueError. If a temperature is not above 0 K, or the vapour pressure is negative or exceeds
        `pressure_pa`.

    Notes
    -----
    .. math:: \rho = \frac{p - e}{R_d T} + \frac{e}{R_v T}

    Ideal gases: the compressibility that [1]_ adds moves the result by at most 0.11 % from
    250 K to 330 K and up to 110 kPa.

    Examples
    --------
    >>> air_density_kg_m3(293.15, 101_325.0)
    1.2041

    References
    ----------
    .. [1] A. Picard et al., "Revised formula for the density of moist air (CIPM-2007),"
       Metrologia, vol. 45, pp. 149-155, 2008. doi:10.1088/0026-1394/45/2/004
    """
    require("temperature_k", temperature_k, above=0.0, unit="K")
    require("vapour_pressure_pa", vapour_pressure_pa, at_least=0.0, at_most=pressure_pa, unit="Pa")
    dry = (pressure_pa - vapour_pressure_pa) / (GAS_CONSTANT_DRY_AIR_J_KGK * temperature_k)
    vapour = vapour_pressure_pa / (GAS_CONSTANT_WATER_VAPOUR_J_KGK * temperature_k)
    return dry + vapour


def standard_atmosphere_pressure_pa(altitude_m: Values) -> Values:
    r"""Return the pressure of the standard atmosphere at an altitude.

    Parameters
    ----------
    altitude_m : float or ndarray. Height above sea level. [m]

    Returns
    -------
    float or ndarray. Pressure. [Pa]

    Raises
    ------
    ValueError. If the altitude is not from -500 m to 11 000 m.

    Notes
    -----
    .. math:: p = p_0 \left(1 - \frac{L h}{T_0}\right)^{5.25588}

    Troposphere of ISO 2533 [1]_. The weather of a day moves the real pressure a few kPa away.

    Examples
    --------
    >>> standard_atmosphere_pressure_pa(500.0)
    95461.

    References
    ----------
    .. [1] ISO 2533:1975, Standard Atmosphere (formula from memory, checked against its table).
    """
    require("altitude_m", altitude_m, at_least=-500.0, at_most=11_000.0, unit="m")
    warmth = 1.0 - LAPSE_RATE_K_M * altitude_m / SEA_LEVEL_TEMPERATURE_K
    return ATMOSPHERE_PA * warmth**BAROMETRIC_EXPONENT


def station_pressure_pa(sea_level_pressure_pa: Values, altitude_m: Values) -> Values:
    r"""Return the pressure at the shop when the weather report gives it for sea level.

    Parameters
    ----------
    sea_level_pressure_pa : float or ndarray
        Pressure reduced to sea level, as weather services report it. [Pa]
    altitude_m : float or ndarray. Height of the shop above sea level. [m]

    Returns
    -------
    float or ndarray. Pressure at the shop. [Pa]

    Raises
    ------
    ValueError. If the pressure is not from 85 kPa to 110 kPa, or the altitude not from -500 m to 11
        000 m.

    Notes
    -----
    .. math:: p = \left(p_s^{n} - p_0^{n} \frac{L h}{T_0}\right)^{1/n} + 0.3\ \mathrm{hPa},
              \quad n = 0.190284

    The altimeter-setting equation of the weather services [1]_. Assumes the temperature of the
    standard atmosphere between shop and sea level: at 500 m a day 20 K warmer is off by 0.4 %.

    Examples
    --------
    >>> station_pressure_pa(102_000.0, 500.0)
    96135.

    References
    ----------
    .. [1] Altimeter-setting equation as used by weather services and by MetPy's
       `altimeter_to_station_pressure`.
    """
    require(
        "sea_level_pressure_pa",
        sea_level_pressure_pa,
        at_least=85_000.0,
        at_most=110_000.0,
        unit="Pa",
    )
    require("altitude_m", altitude_m, at_least=-500.0, at_most=11_000.0, unit="m")
    fall = LAPSE_RATE_K_M * altitude_m / SEA_LEVEL_TEMPERATURE_K
    reduced = (sea_level_pressure_pa / 100.0) ** ALTIMETER_EXPONENT
    sea_level = (ATMOSPHERE_PA / 100.0) ** ALTIMETER_EXPONENT
    return (reduced - sea_level * fall) ** (1.0 / ALTIMETER_EXPONENT) * 100.0 + ALTIMETER_OFFSET_PA


def sea_level_pressure_pa(station_pressure_pa: Values, altitude_m: Values) -> Values:
    r"""Return the sea-level pressure that a weather report would give for a shop's pressure.

    Parameters
    ----------
    station_pressure_pa : float or ndarray. Pressure at the shop. [Pa]
    altitude_m : float or ndarray. Height of the shop above sea level. [m]

    Returns
    -------
    float or ndarray. Pressure reduced to sea level. [Pa]

    Raises
    ------
    ValueError. If the pressure is not above 0.3 hPa, or the altitude not from -500 m to 11 000 m.

    Notes
    -----
    .. math:: p_s = \left[(p - 0.3\ \mathrm{hPa})^{n}
              + p_0^{n} \frac{L h}{T_0}\right]^{1/n}

    The inverse of `station_pressure_pa` [1]_, with the same assumption.

    Examples
    --------
    >>> sea_level_pressure_pa(96_135.0, 500.0)
    102000.

    References
    ----------
    .. [1] See `station_pressure_pa`.
    """
    require("station_pressure_pa", station_pressure_pa, above=ALTIMETER_OFFSET_PA, unit="Pa")
    require("altitude_m", altitude_m, at_least=-500.0, at_most=11_000.0, unit="m")
    fall = LAPSE_RATE_K_M * altitude_m / SEA_LEVEL_TEMPERATURE_K
    local = ((station_pressure_pa - ALTIMETER_OFFSET_PA) / 100.0) ** ALTIMETER_EXPONENT
    sea_level = (ATMOSPHERE_PA / 100.0) ** ALTIMETER_EXPONENT
    return (local + sea_level * fall) ** (1.0 / ALTIMETER_EXPONENT) * 100.0


def _factor(
    standard: str, temperature_k: Values, pressure_pa: Values, vapour_pressure_pa: Values
) -> Values:
    """Evaluate a standard's formula, unchecked, so that derivatives may step past a bound."""
    celsius = temperature_k - ZERO_CELSIUS_K
    dry_pa = pressure_pa - vapour_pressure_pa
    indicated = DRY_REFERENCE_PA / dry_pa * np.sqrt((celsius + 273.0) / 298.0)
    if standard == "SAE J1349":
        return BRAKE_SHARE_SLOPE * indicated - BRAKE_SHARE_OFFSET
    if standard == J1349_EXACT:
        return (indicated - 1.0) / MECHANICAL_EFFICIENCY + 1.0
    if standard in ("ISO 1585", "ISO 4106"):
        return (DRY_REFERENCE_PA / dry_pa) ** ISO_PRESSURE_EXPONENT * (
            (celsius + 273.0) / 298.0
        ) ** ISO_TEMPERATURE_EXPONENT
    if standard in ("DIN 70020", DIN_DRY):
        of = dry_pa if standard == DIN_DRY else pressure_pa
        return DIN_REFERENCE_PA / of * np.sqrt((celsius + 273.0) / 293.0)
    fahrenheit = 1.8 * celsius + 32.0
    indicated = ATMOSPHERE_PA / dry_pa * np.sqrt((fahrenheit + 460.0) / 520.0)
    if standard == J607_FRICTION:
        return BRAKE_SHARE_SLOPE * indicated - BRAKE_SHARE_OFFSET
    return indicated


def _require_air(
    standard: str, temperature_k: Values, pressure_pa: Values, vapour_pressure_pa: Values
) -> None:
    if standard not in STANDARDS + OTHER_FORMS:
        known = ", ".join(STANDARDS + OTHER_FORMS)
        raise ValueError(f"standard must be one of {known}, got {standard!r}")
    require("temperature_k", temperature_k, above=200.0, below=373.15, unit="K")
    require("vapour_pressure_pa", vapour_pressure_pa, at_least=0.0, below=pressure_pa, unit="Pa")


def correction_factor(
    standard: str, temperature_k: Values, pressure_pa: Values, vapour_pressure_pa: Values
) -> Values:
    r"""Return the factor that turns observed power into power at a standard's reference air.

    Parameters
    ----------
    standard : str. One of `STANDARDS` or `OTHER_FORMS`.
    temperature_k : float or ndarray. Temperature of the air the engine takes in. [K]
    pressure_pa : float or ndarray. Total pressure at the dyno, not reduced to sea level. [Pa]
    vapour_pressure_pa : float or ndarray. Partial pressure of water vapour. [Pa]

    Returns
    -------
    float or ndarray. Corrected power over observed power. Above 1 in thin air.

    Raises
    ------
    ValueError. If the standard is unknown, a temperature is not above 200 K and below 373.15 K, or
        the vapour pressure is negative or not below `pressure_pa`.

    Notes
    -----
    With dry pressure :math:`p_d = p - e` in kPa and :math:`t` in degC:

    .. math::
        f_{J1349} &= 1.180 \frac{99}{p_d} \sqrt{\frac{t + 273}{298}} - 0.180 \\
        f_{ISO} &= \left(\frac{99}{p_d}\right)^{1.2} \left(\frac{t + 273}{298}\right)^{0.6} \\
        f_{DIN} &= \frac{101.3}{p} \sqrt{\frac{t + 273}{293}} \\
        f_{J607} &= \frac{101.325}{p_d} \sqrt{\frac{1.8 t + 32 + 460}{520}}

    J1349 is the form since 1990 with 85 % mechanical efficiency [1]_; ISO 1585 [2]_ has the form
    that Regulation (EU) 134/2014 [3]_ prescribes for motorcycles, and ISO 4106 [6]_, the
    motorcycle's net power, takes by way of ISO 15550. DIN 70020 [4]_ is taken with **total**
    pressure, so it knows no humidity; programs that use dry pressure there read up to 4 % more
    on a humid day. J607 [5]_ is the pure form, without the friction term that some programs add
    (0.7 % more at 25 degC). The other forms in use go by `OTHER_FORMS`; J1349 with
    :math:`\eta_m` = 0.85 written out, :math:`(a - 1)/\eta_m + 1`, is within 0.05 % of the
    rounded one inside its range.

    For naturally aspirated spark-ignition engines. A boosted engine that controls its own
    pressure would be corrected twice. The formulas come from open restatements of the
    standards; no conformity is claimed.

    Examples
    --------
    >>> float(correction_factor("SAE J1349", 303.15, 98_000.0, 2547.1))
    1.05407
    >>> float(correction_factor("DIN 70020", 303.15, 98_000.0, 2547.1))
    1.05116

    References
    ----------
    .. [1] SAE J1349, revision of June 1990 (from an open restatement).
    .. [2] ISO 1585:1992 (from an open restatement).
    .. [3] Regulation (EU) 134/2014, Annex X, Appendix 2.2, clause 3 (formula from memory).
    .. [4] DIN 70020 (from an open restatement).
    .. [5] SAE J607, cancelled (from an open restatement).
    .. [6] ISO 4106:2004, in conjunction with ISO 15550 (scope read, formula from memory).
    """
    _require_air(standard, temperature_k, pressure_pa, vapour_pressure_pa)
    return _factor(standard, temperature_k, pressure_pa, vapour_pressure_pa)


def air_outside(
    standard: str, temperature_k: float, pressure_pa: float, vapour_pressure_pa: float
) -> Note | None:
    """Say where the air lies outside of what a standard vouches for, or nothing.

    Parameters
    ----------
    standard : str. One of `STANDARDS`.
    temperature_k : float. Temperature of the air the engine takes in. [K]
    pressure_pa : float. Total pressure at the dyno. [Pa]
    vapour_pressure_pa : float. Partial pressure of water vapour. [Pa]

    Returns
    -------
    dict or None. None inside; else what lies outside of which limits. The factor stands all the
        same, and is never clamped: the regulation has it stated with the air it was taken in [1]_.

    Raises
    ------
    ValueError. As `correction_factor`.

    Notes
    -----
    ISO 1585 is valid from 0.93 to 1.07 (from memory). The same range serves SAE J1349 as a
    warning (from memory too; its newer editions ask for less); ISO 4106 has its own. DIN 70020 and
    SAE J607 state none, so they always pass. The temperature is the regulation's, for motorcycles
    and the form that it shares with ISO 1585 and ISO 4106 [1]_.

    Examples
    --------
    >>> air_outside("ISO 1585", 308.15, 95_000.0, 2250.7)["code"]
    'factor out of range'
    >>> air_outside("ISO 1585", 278.15, 98_000.0, 600.0)["temperature_degc"]
    5.0
    >>> air_outside("SAE J1349", 303.15, 98_000.0, 2547.1)

    References
    ----------
    .. [1] Regulation (EU) 134/2014, Annex X, Appendix 2.2, clause 3.
    """
    factor = float(correction_factor(standard, temperature_k, pressure_pa, vapour_pressure_pa))
    low, high = ISO_4106_RANGE if standard == "ISO 4106" else FACTOR_RANGE
    if standard not in ("DIN 70020", "SAE J607") and not low <= factor <= high:
        span = {"low": low, "high": high}
        return note("factor out of range", factor=factor, **span, standard=standard)
    coldest, hottest = TEST_TEMPERATURE_K
    if standard in ("ISO 1585", "ISO 4106") and not coldest <= temperature_k <= hottest:
        return note(
            "air out of range",
            temperature_degc=temperature_k - ZERO_CELSIUS_K,
            low_degc=coldest - ZERO_CELSIUS_K,
            high_degc=hottest - ZERO_CELSIUS_K,
        )
    return None


def correction_factor_sd(
    standard: str,
    temperature_k: Values,
    pressure_pa: Values,
    vapour_pressure_pa: Values,
    *,
    temperature_sd_k: float = INSTRUMENT_TEMPERATURE_K / math.sqrt(3.0),
    pressure_sd_pa: float = INSTRUMENT_PRESSURE_PA / math.sqrt(3.0),
    humidity_sd_pct: float = INSTRUMENT_HUMIDITY_PCT / math.sqrt(3.0),
) -> Values:
    r"""Return the relative uncertainty (1 SD) of a factor from its instruments.

    Parameters
    ----------
    standard, temperature_k, pressure_pa, vapour_pressure_pa : As in `correction_factor`.
    temperature_sd_k : float, default 2 / sqrt(3). Uncertainty of the thermometer, 1 SD. [K]
    pressure_sd_pa : float, default 100 / sqrt(3). Uncertainty of the barometer, 1 SD. [Pa]
    humidity_sd_pct : float, default 5 / sqrt(3). Uncertainty of the hygrometer, 1 SD. [%]

    Returns
    -------
    float or ndarray. Standard deviation of the factor over the factor itself.

    Raises
    ------
    ValueError. If an uncertainty is negative; else as `correction_factor`.

    Notes
    -----
    .. math:: \frac{u_f}{f} = \frac{1}{f} \sqrt{\sum_x
              \left(\frac{\partial f}{\partial x} u_x\right)^2}, \quad x = T, p, RH

    First-order propagation [1]_ with central differences; the second order adds less than
    0.01 % of the factor. The accuracies of [2]_ are read as half-widths of a uniform
    distribution. Temperature is moved at constant relative humidity, since that is what a
    hygrometer shows: a warm reading then also means more vapour.

    Assumes independent instruments. Between two runs on one set of instruments most of the
    error is common and cancels from the ratio: the caller decides what part is random.

    Examples
    --------
    >>> float(correction_factor_sd("SAE J1349", 298.15, 99_000.0, 0.0))
    0.00262

    References
    ----------
    .. [1] JCGM 100:2008, Guide to the expression of uncertainty in measurement, clause 5.1.2.
    .. [2] Regulation (EU) 134/2014, Annex X, Appendix 2.3 (thermometer and barometer).
    """
    require("temperature_sd_k", temperature_sd_k, at_least=0.0, unit="K")
    require("pressure_sd_pa", pressure_sd_pa, at_least=0.0, unit="Pa")
    require("humidity_sd_pct", humidity_sd_pct, at_least=0.0, unit="%")
    factor = correction_factor(standard, temperature_k, pressure_pa, vapour_pressure_pa)
    humidity = vapour_pressure_pa / saturation_vapour_pressure_pa(temperature_k)

    def factor_at(warmer_k: float, denser_pa: float, moister_share: float) -> Values:
        temperature = temperature_k + warmer_k
        vapour = (humidity + moister_share) * saturation_vapour_pressure_pa(temperature)
        return _factor(standard, temperature, pressure_pa + denser_pa, vapour)

    slopes = (
        (temperature_sd_k, (factor_at(0.5, 0, 0) - factor_at(-0.5, 0, 0)) / 1.0),
        (pressure_sd_pa, (factor_at(0, 50.0, 0) - factor_at(0, -50.0, 0)) / 100.0),
        (humidity_sd_pct, (factor_at(0, 0, 0.01) - factor_at(0, 0, -0.01)) / 2.0),
    )
    return np.sqrt(sum((sd * slope) ** 2 for sd, slope in slopes)) / factor


class FactorDisagreement(NamedTuple):
    """How far a file's own factor is from the one its weather gives, and the likely cause.

    Attributes
    ----------
    recomputed_factor : float. The factor that the stated standard and weather give.
    disagreement_pct : float. Stated over recomputed factor, less one. [%]
    likely_cause : dict or None. None when they agree; else the mistake that would explain it.
    is_air_in_doubt : bool
        Whether the cause leaves the weather in doubt: the form of a formula does not.
    """

    recomputed_factor: float
    disagreement_pct: float
    likely_cause: Note | None
    is_air_in_doubt: bool


def factor_disagreement(
    stated_factor: float,
    stated_standard: str,
    temperature_k: float,
    pressure_pa: float,
    relative_humidity_pct: float,
    altitude_m: float | None,
) -> FactorDisagreement:
    """Compare a file's own correction factor with the one its stated weather gives.

    Parameters
    ----------
    stated_factor : float. The factor that the file says it used.
    stated_standard : str. The standard it says it used; one of `STANDARDS`.
    temperature_k : float. Air temperature in the file. [K]
    pressure_pa : float. Pressure in the file. [Pa]
    relative_humidity_pct : float. Humidity in the file. [%]
    altitude_m : float or None
        Height of the shop above sea level; None leaves out the sea-level causes. [m]

    Returns
    -------
    FactorDisagreement. Recomputed factor, disagreement, likely cause.

    Raises
    ------
    ValueError. If the stated factor is not above 0; else as `correction_factor`.

    Notes
    -----
    Each cause predicts a factor: another standard; another form of the same one; sea-level
    pressure in the file's own calculation; sea-level pressure noted in the file while the
    calculation used the station's; humidity left out; the factor put in twice. The
    one that comes nearest is named if it explains the stated factor within `TOLERANCE_PCT`. Two
    causes at once are "unknown".

    A file whose wrong pressure went into both the note and the factor agrees with itself: that
    is for `pressure_doubt` to find.

    Examples
    --------
    >>> factor_disagreement(1.0512, "SAE J1349", 303.15, 98_000.0, 60.0, 310.0).likely_cause
    >>> factor_disagreement(1.0877, "SAE J1349", 303.15, 98_000.0, 60.0, 310.0).likely_cause
    {'code': 'another standard', 'standard': 'SAE J607'}
    """
    require("stated_factor", stated_factor, above=0.0)
    vapour = vapour_pressure_pa(temperature_k, relative_humidity_pct)
    recomputed = float(correction_factor(stated_standard, temperature_k, pressure_pa, vapour))
    disagreement_pct = 100.0 * (stated_factor / recomputed - 1.0)
    if abs(disagreement_pct) < TOLERANCE_PCT:
        return FactorDisagreement(recomputed, disagreement_pct, None, False)

    predicted = [
        (note("another form", form=form), _factor(form, temperature_k, pressure_pa, vapour))
        for form in OTHER_FORMS
        if form.startswith(stated_standard)
    ]
    predicted += [
        (
            note("another standard", standard=other),
            _factor(other, temperature_k, pressure_pa, vapour),
        )
        for other in STANDARDS
        if other != stated_standard
    ]
    dry = _factor(stated_standard, temperature_k, pressure_pa, 0.0)
    predicted += [(note("factor put in twice"), recomputed**2), (note("humidity left out"), dry)]
    if altitude_m is not None:
        reduced = sea_level_pressure_pa(pressure_pa, altitude_m)
        at_sea_level = _factor(stated_standard, temperature_k, reduced, vapour)
        predicted.append((note("sea-level pressure in the factor"), at_sea_level))
        if 85_000.0 <= pressure_pa <= 110_000.0:
            station = station_pressure_pa(pressure_pa, altitude_m)
            at_station = _factor(stated_standard, temperature_k, station, vapour)
            predicted.append((note("sea-level pressure noted"), at_station))
    misfits = [abs(100.0 * (stated_factor / float(factor) - 1.0)) for _, factor in predicted]
    best = misfits.index(min(misfits))
    cause = predicted[best][0] if misfits[best] < TOLERANCE_PCT else note("unknown cause")
    return FactorDisagreement(recomputed, disagreement_pct, cause, cause["code"] != "another form")


def pressure_doubt(
    pressure_pa: float,
    altitude_m: float | None,
) -> Note | None:
    """Say why a station pressure cannot be right, or nothing.

    Parameters
    ----------
    pressure_pa : float. Pressure given as the one at the dyno. [Pa]
    altitude_m : float or None. Height of the shop above sea level, if known. [m]

    Returns
    -------
    dict or None. None when nothing speaks against it (or nothing is known), else a note.

    Raises
    ------
    ValueError. If the altitude is not from -500 m to 11 000 m.

    Notes
    -----
    Three rules, the first that holds is told. (1) Outside 60 kPa to 108 kPa. (2) Above
    `sea_level_altitude_m`: within `near_sea_level_pa` of 101.325 kPa, and as a station pressure
    it would mean a sea-level pressure above `rare_sea_level_pa`. (3) Further than
    `most_departure_pa` from the standard atmosphere. At 310 m rule 2 doubts readings from
    99.7 kPa up: most reports of a weather service, and an honest barometer on only a few days
    of a winter. Thresholds: common practice, no source.

    Examples
    --------
    >>> pressure_doubt(97_700.0, 310.0)
    >>> pressure_doubt(101_500.0, 310.0)["code"]
    'pressure reduced'
    """
    if math.isnan(pressure_pa):
        return None
    if not LEAST_STATION_PA <= pressure_pa <= MOST_STATION_PA:
        low, high = LEAST_STATION_PA / 1000.0, MOST_STATION_PA / 1000.0
        span = {"low_kpa": low, "high_kpa": high}
        return note("pressure impossible", pressure_kpa=pressure_pa / 1000.0, **span)
    if altitude_m is None or math.isnan(altitude_m):
        return None
    expected = float(standard_atmosphere_pressure_pa(altitude_m))
    figures = {
        "pressure_kpa": pressure_pa / 1000.0,
        "altitude_m": altitude_m,
        "usual_kpa": expected / 1000.0,
    }
    looks_reduced = (
        altitude_m > SEA_LEVEL_ALTITUDE_M
        and abs(pressure_pa - ATMOSPHERE_PA) <= NEAR_SEA_LEVEL_PA
        and sea_level_pressure_pa(pressure_pa, altitude_m) > RARE_SEA_LEVEL_PA
    )
    if looks_reduced:
        return note("pressure reduced", **figures)
    if abs(pressure_pa - expected) > MOST_DEPARTURE_PA:
        return note("pressure off", **figures, most_kpa=MOST_DEPARTURE_PA / 1000.0)
    return None
