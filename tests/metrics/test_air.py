"""Air: vapour pressure, altitude, correction factors, and the traps of other people's factors."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flows.metrics.air import (
    DIN_DRY,
    J607_FRICTION,
    J1349_EXACT,
    STANDARDS,
    air_density_kg_m3,
    air_outside,
    correction_factor,
    correction_factor_sd,
    factor_disagreement,
    pressure_doubt,
    saturation_vapour_pressure_pa,
    sea_level_pressure_pa,
    standard_atmosphere_pressure_pa,
    station_pressure_pa,
    vapour_pressure_pa,
)
from tests.in_words import words as words_of

ZERO_K = 273.15

temperatures_k = st.floats(263.15, 313.15)
pressures_pa = st.floats(80_000.0, 105_000.0)
humidities_pct = st.floats(0.0, 100.0)
standards = st.sampled_from(STANDARDS)

# Buck's 1996 equation, hPa, printed to 4 decimals; IAPWS saturation line (Wagner and Pruss) as
# evaluated by CoolProp 8.0.0, hPa.
SATURATION = [
    (0.01, 6.1165, 6.1165),
    (5.0, 8.7244, 8.7258),
    (10.0, 12.2786, 12.2820),
    (15.0, 17.0517, 17.0579),
    (20.0, 23.3834, 23.3932),
    (25.0, 31.6853, 31.6993),
    (30.0, 42.4513, 42.4697),
    (35.0, 56.2675, 56.2902),
    (40.0, 73.8236, 73.8494),
    (45.0, 95.9230, 95.9500),
]


@pytest.mark.parametrize(("celsius", "buck_hpa", "iapws_hpa"), SATURATION)
def test_saturation_pressure_is_bucks_and_within_a_thousandth_of_iapws(
    celsius, buck_hpa, iapws_hpa
):
    got = saturation_vapour_pressure_pa(celsius + ZERO_K) / 100.0
    assert got == pytest.approx(buck_hpa, abs=6e-5)
    assert got == pytest.approx(iapws_hpa, rel=5e-4)


def test_saturation_pressure_agrees_with_the_us_emission_regulation():
    # 40 CFR 1065.645, worked example: 9.5 degC gives 1.186581 kPa (another equation: 0.1 %).
    assert saturation_vapour_pressure_pa(282.65) == pytest.approx(1186.581, rel=1e-3)


# Vapour pressure from Buck 1996 as above; dry pressure of each row checked with CoolProp.
@pytest.mark.parametrize(
    ("celsius", "humidity_pct", "vapour_pa"),
    [(30.0, 60.0, 254.71e1), (20.0, 50.0, 116.92e1), (25.0, 31.56, 100.00e1)],
)
def test_vapour_pressure_is_the_humid_share_of_saturation(celsius, humidity_pct, vapour_pa):
    assert vapour_pressure_pa(celsius + ZERO_K, humidity_pct) == pytest.approx(vapour_pa, abs=0.1)


# Grid computed independently from the published formulas with t + 273 (J607 with the
# Rankine ratio 288.71 K, which its printed 460 / 520 meets to 1e-4); 5 decimals.
# p kPa, t degC, RH %, J1349, ISO 1585, DIN 70020 (total pressure), J607 pure
FACTORS = [
    (99.000, 25.0, 0.0, 1.00000, 1.00000, 1.03193, 1.04008),
    (100.000, 25.0, 31.56, 1.00000, 1.00000, 1.02161, 1.04008),
    (101.325, 25.0, 0.0, 0.97292, 0.97253, 1.00825, 1.01622),
    (101.325, 15.0, 0.0, 0.95341, 0.95281, 0.99119, 0.99903),
    (101.325, 20.0, 50.0, 0.97656, 0.97621, 0.99975, 1.01942),
    (101.300, 20.0, 0.0, 0.96349, 0.96299, 1.00000, 1.00791),
    (98.000, 30.0, 60.0, 1.05407, 1.05524, 1.05116, 1.08774),
    (95.000, 35.0, 40.0, 1.10048, 1.10304, 1.09327, 1.12864),
    (102.500, 5.0, 80.0, 0.92834, 0.92758, 0.96266, 0.97694),
    (90.000, 25.0, 30.0, 1.13186, 1.13555, 1.13512, 1.15630),
    (97.000, 10.0, 70.0, 1.00412, 1.00419, 1.02635, 1.04373),
    (101.325, 15.556, 0.0, 0.95451, 0.95392, 0.99214, 1.0000),
]


@pytest.mark.parametrize(("kpa", "celsius", "humidity", "j1349", "iso", "din", "j607"), FACTORS)
def test_factors_match_the_worked_grid(kpa, celsius, humidity, j1349, iso, din, j607):
    air = (celsius + ZERO_K, 1000.0 * kpa, vapour_pressure_pa(celsius + ZERO_K, humidity))
    assert correction_factor("SAE J1349", *air) == pytest.approx(j1349, abs=2e-5)
    assert correction_factor("ISO 1585", *air) == pytest.approx(iso, abs=2e-5)
    assert correction_factor("DIN 70020", *air) == pytest.approx(din, abs=2e-5)
    assert correction_factor("SAE J607", *air) == pytest.approx(j607, abs=1.2e-4)


# The other printed and programmed forms, from the same grid: J1349 with the efficiency of 85 %
# written out, and J607 with the friction term.
OTHER_FORMS = [
    (99.000, 25.0, 0.0, 1.00000, 1.04730),
    (101.325, 25.0, 0.0, 0.97300, 1.01914),
    (101.325, 20.0, 50.0, 0.97663, 1.02292),
    (98.000, 30.0, 60.0, 1.05391, 1.10353),
    (95.000, 35.0, 40.0, 1.10018, 1.15180),
    (90.000, 25.0, 30.0, 1.13146, 1.18444),
    (101.325, 15.556, 0.0, 0.95464, 1.0000),
]


@pytest.mark.parametrize(("kpa", "celsius", "humidity", "exact", "friction"), OTHER_FORMS)
def test_other_forms_match_the_worked_grid(kpa, celsius, humidity, exact, friction):
    air = (celsius + ZERO_K, 1000.0 * kpa, vapour_pressure_pa(celsius + ZERO_K, humidity))
    assert correction_factor(J1349_EXACT, *air) == pytest.approx(exact, abs=2e-5)
    assert correction_factor(J607_FRICTION, *air) == pytest.approx(friction, abs=1.5e-4)


def test_din_with_dry_pressure_stands_in_a_fixed_ratio_to_the_indicated_factor():
    # 101.3 / 99 * sqrt(298 / 293) = 1.031926 in any weather; J1349 with efficiency 1 is a.
    for celsius, kpa, vapour_kpa in ((10.0, 97.0, 0.86), (35.0, 95.0, 2.25)):
        indicated = 99.0 / (kpa - vapour_kpa) * math.sqrt((celsius + 273.0) / 298.0)
        dry = correction_factor(DIN_DRY, celsius + ZERO_K, 1000.0 * kpa, 1000.0 * vapour_kpa)
        assert dry / indicated == pytest.approx(1.031926, abs=1e-6)


def test_iso_4106_has_the_form_of_iso_1585_and_a_range_of_its_own():
    air = (308.15, 95_000.0, 600.0)
    assert correction_factor("ISO 4106", *air) == correction_factor("ISO 1585", *air)
    # 99 / 94 at 25 degC: 1.0642 by hand, inside 0.93 to 1.07 and outside 0.96 to 1.06.
    assert not air_outside("ISO 1585", 298.15, 94_000.0, 0.0)
    assert air_outside("ISO 4106", 298.15, 94_000.0, 0.0)


# The same formulas with dry pressure given, so that no humidity formula enters; 6 decimals.
DRY_FACTORS = [
    (99.0, 15.0, 0.980032, 0.979728),
    (99.0, 35.0, 1.019635, 1.020001),
    (95.0, 25.0, 1.049684, 1.050737),
    (103.0, 25.0, 0.954175, 0.953581),
    (95.0, 35.0, 1.070146, 1.071753),
    (103.0, 15.0, 0.934983, 0.934250),
    (90.0, 30.0, 1.128844, 1.132419),
    (101.325, 15.0, 0.953414, 0.952814),
]


@pytest.mark.parametrize(("dry_kpa", "celsius", "j1349", "iso"), DRY_FACTORS)
def test_dry_factors_match_to_six_decimals(dry_kpa, celsius, j1349, iso):
    air = (celsius + ZERO_K, 1000.0 * dry_kpa, 0.0)
    assert correction_factor("SAE J1349", *air) == pytest.approx(j1349, abs=1e-6)
    assert correction_factor("ISO 1585", *air) == pytest.approx(iso, abs=1e-6)


# Reference air of each standard: SAE J1349 and ISO 1585 25 degC, 99 kPa dry; DIN 70020 20 degC,
# 1013 mbar; SAE J607 60 degF, 29.92 inHg dry (101.325 kPa).
@pytest.mark.parametrize(
    ("standard", "celsius", "kpa", "vapour_kpa"),
    [
        ("SAE J1349", 25.0, 100.0, 1.0),
        ("ISO 1585", 25.0, 100.0, 1.0),
        ("DIN 70020", 20.0, 101.3, 1.5),
        ("SAE J607", 15.0 + 5.0 / 9.0, 102.325, 1.0),
    ],
)
def test_the_factor_is_one_at_the_reference_air(standard, celsius, kpa, vapour_kpa):
    got = correction_factor(standard, celsius + ZERO_K, 1000.0 * kpa, 1000.0 * vapour_kpa)
    assert got == pytest.approx(1.0, abs=1e-9)


def test_power_converts_from_one_standard_to_another_by_its_own_weather():
    # Hand calculation from the formulas: 98 kPa, 30 degC, 60 %, 100 hp by SAE J1349.
    vapour = vapour_pressure_pa(303.15, 60.0)
    observed = 100.0 / correction_factor("SAE J1349", 303.15, 98_000.0, vapour)
    assert observed == pytest.approx(94.87001, abs=1e-4)
    for standard, power, tolerance in [
        ("ISO 1585", 100.11057, 1e-4),
        ("DIN 70020", 99.72403, 1e-4),
        ("SAE J607", 103.19394, 1e-2),  # 460 / 520 against 288.71 K
    ]:
        again = observed * correction_factor(standard, 303.15, 98_000.0, vapour)
        assert again == pytest.approx(power, abs=tolerance)


@given(standards, standards, temperatures_k, pressures_pa, humidities_pct)
def test_undoing_what_was_redone_returns_the_power(
    first, second, temperature_k, pressure_pa, humidity_pct
):
    air = (temperature_k, pressure_pa, vapour_pressure_pa(temperature_k, humidity_pct))
    there = 70_000.0 / correction_factor(first, *air) * correction_factor(second, *air)
    back = there / correction_factor(second, *air) * correction_factor(first, *air)
    assert back == pytest.approx(70_000.0, rel=1e-12)


@given(standards, temperatures_k, pressures_pa)
def test_thinner_air_asks_for_more_correction(standard, temperature_k, pressure_pa):
    here = correction_factor(standard, temperature_k, pressure_pa, 500.0)
    assert correction_factor(standard, temperature_k + 1.0, pressure_pa, 500.0) > here
    assert correction_factor(standard, temperature_k, pressure_pa - 500.0, 500.0) > here


@given(temperatures_k, pressures_pa, st.floats(100.0, 5000.0))
def test_only_din_with_total_pressure_is_blind_to_humidity(temperature_k, pressure_pa, vapour_pa):
    for standard in STANDARDS:
        dry = correction_factor(standard, temperature_k, pressure_pa, 0.0)
        moist = correction_factor(standard, temperature_k, pressure_pa, vapour_pa)
        assert (moist == dry) if standard == "DIN 70020" else (moist > dry)


@given(temperatures_k, pressures_pa)
def test_j1349_and_iso_agree_to_two_thousandths_within_seven_percent(temperature_k, pressure_pa):
    # Both are approximations of the same engine; common knowledge, computed from the formulas.
    j1349 = correction_factor("SAE J1349", temperature_k, pressure_pa, 0.0)
    iso = correction_factor("ISO 1585", temperature_k, pressure_pa, 0.0)
    if 0.93 < j1349 < 1.07:
        assert j1349 == pytest.approx(iso, rel=2e-3)


def test_factors_of_arrays_are_the_factors_of_their_elements():
    temperatures, pressures = np.array([288.15, 303.15]), np.array([101_325.0, 95_000.0])
    vapour = vapour_pressure_pa(temperatures, np.array([30.0, 60.0]))
    for standard in STANDARDS:
        together = correction_factor(standard, temperatures, pressures, vapour)
        alone = [
            correction_factor(standard, t, p, e)
            for t, p, e in zip(temperatures, pressures, vapour, strict=True)
        ]
        assert list(together) == alone


def test_unknown_air_gives_an_unknown_factor():
    assert math.isnan(correction_factor("ISO 1585", 293.15, 98_000.0, math.nan))


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("SAE J1995", 293.15, 98_000.0, 0.0), "standard must be one of SAE J1349, .* 'SAE J1995'"),
        (("ISO 1585", 20.0, 98_000.0, 0.0), "temperature_k must be above 200 K, got 20"),
        (("ISO 1585", 293.15, 98_000.0, -1.0), "vapour_pressure_pa must be at least 0 Pa, got -1"),
        (("ISO 1585", 293.15, 980.0, 2000.0), "vapour_pressure_pa must be below 980 Pa, got 2000"),
    ],
)
def test_impossible_air_is_refused(arguments, words):
    with pytest.raises(ValueError, match=words):
        correction_factor(*arguments)


# Dry pressures at which the factors meet the limits at 25 degC, solved from the formulas.
@pytest.mark.parametrize(
    ("standard", "dry_pa"),
    [
        ("ISO 1585", 93_572.6),
        ("ISO 1585", 105_171.8),
        ("SAE J1349", 93_456.0),
        ("SAE J1349", 105_243.2),
    ],
)
def test_the_range_ends_where_the_factor_leaves_seven_percent(standard, dry_pa):
    inwards = 1.0 if dry_pa < 99_000.0 else -1.0
    assert not air_outside(standard, 298.15, dry_pa + inwards, 0.0)
    assert air_outside(standard, 298.15, dry_pa - inwards, 0.0)


# Regulation (EU) 134/2014, Annex X, Appendix 2.2: test air of 283.2 to 318.2 K.
@pytest.mark.parametrize(
    ("standard", "temperature_k", "pressure_pa", "words"),
    [
        ("ISO 1585", 283.1, 99_000.0, "air of 10 °C is outside 10 to 45 °C"),
        ("ISO 4106", 318.3, 99_000.0, "air of 45 °C is outside"),
        ("ISO 1585", 283.3, 99_000.0, ""),
        ("ISO 1585", 318.1, 99_000.0, ""),
        ("SAE J1349", 278.15, 99_000.0, ""),
        ("ISO 4106", 298.15, 94_000.0, "factor 1.064 is outside 0.96 to 1.06, where ISO 4106"),
        ("SAE J1349", 298.15, 90_000.0, "factor 1.118 is outside 0.93 to 1.07, where SAE J1349"),
        ("SAE J607", 298.15, 80_000.0, ""),
    ],
)
def test_air_outside_the_limits_is_told_and_not_clamped(
    standard, temperature_k, pressure_pa, words
):
    said = words_of(air_outside(standard, temperature_k, pressure_pa, 0.0))
    assert said.startswith(words)
    assert bool(said) == bool(words)


def test_standards_without_a_range_always_pass():
    assert not air_outside("DIN 70020", 308.15, 80_000.0, 0.0)
    assert not air_outside("SAE J607", 308.15, 80_000.0, 0.0)


# Sensitivities at 25 degC and 99 kPa dry, differentiated by hand:
# J1349 1.18 / 99 per kPa = 0.011919 and 1.18 / (2 * 298) per K = 0.0019799;
# ISO 1.2 / 99 = 0.012121 and 0.6 / 298 = 0.0020134.
@pytest.mark.parametrize(
    ("standard", "per_kpa", "per_k"),
    [("SAE J1349", 0.011919, 0.0019799), ("ISO 1585", 0.012121, 0.0020134)],
)
def test_uncertainty_is_the_slope_times_that_of_the_instrument(standard, per_kpa, per_k):
    air = (298.15, 99_000.0, 0.0)
    off = {"temperature_sd_k": 0.0, "pressure_sd_pa": 0.0, "humidity_sd_pct": 0.0}
    pressure = correction_factor_sd(standard, *air, **{**off, "pressure_sd_pa": 100.0})
    temperature = correction_factor_sd(standard, *air, **{**off, "temperature_sd_k": 2.0})
    humidity = correction_factor_sd(standard, *air, **{**off, "humidity_sd_pct": 10.0})
    assert pressure == pytest.approx(0.1 * per_kpa, rel=1e-3)
    assert temperature == pytest.approx(2.0 * per_k, rel=1e-3)
    # 10 % of the saturation pressure at 25 degC (3.1685 kPa, Buck) is 0.317 kPa.
    assert humidity == pytest.approx(0.31685 * per_kpa, rel=1e-3)
    together = correction_factor_sd(
        standard, *air, temperature_sd_k=2.0, pressure_sd_pa=100.0, humidity_sd_pct=10.0
    )
    assert together == pytest.approx(math.sqrt(pressure**2 + temperature**2 + humidity**2))


@given(standards, temperatures_k, pressures_pa, st.floats(20.0, 80.0))
def test_uncertainty_agrees_with_simulated_instruments(
    standard, temperature_k, pressure_pa, humidity_pct
):
    rng = np.random.default_rng(5)
    warm = temperature_k + rng.normal(0.0, 1.0, 4000)
    thick = pressure_pa + rng.normal(0.0, 60.0, 4000)
    moist = humidity_pct + rng.normal(0.0, 3.0, 4000)
    simulated = correction_factor(standard, warm, thick, vapour_pressure_pa(warm, moist))
    expected = correction_factor_sd(
        standard,
        temperature_k,
        pressure_pa,
        vapour_pressure_pa(temperature_k, humidity_pct),
        temperature_sd_k=1.0,
        pressure_sd_pa=60.0,
        humidity_sd_pct=3.0,
    )
    # 4000 draws fix a standard deviation to 1.1 % (1 SD).
    assert simulated.std() / simulated.mean() == pytest.approx(expected, rel=0.05)


# ISO 2533 standard atmosphere, hPa.
@pytest.mark.parametrize(
    ("altitude_m", "hpa"),
    [
        (0, 1013.25),
        (100, 1001.29),
        (250, 983.58),
        (500, 954.61),
        (1000, 898.75),
        (1500, 845.56),
        (1609, 834.31),
    ],
)
def test_pressure_falls_with_height_as_in_the_standard_atmosphere(altitude_m, hpa):
    assert standard_atmosphere_pressure_pa(altitude_m) / 100.0 == pytest.approx(hpa, abs=6e-3)


# MetPy 1.7.1 altimeter_to_station_pressure gives 961.31 for the first row.
@pytest.mark.parametrize(
    ("sea_level_hpa", "altitude_m", "station_hpa", "tolerance"),
    [(1020.0, 500.0, 961.35, 6e-3), (1005.0, 250.0, 975.82, 6e-3), (1020.0, 500.0, 961.31, 0.05)],
)
def test_sea_level_pressure_turns_into_station_pressure(
    sea_level_hpa, altitude_m, station_hpa, tolerance
):
    got = station_pressure_pa(100.0 * sea_level_hpa, altitude_m) / 100.0
    assert got == pytest.approx(station_hpa, abs=tolerance)


@given(st.floats(95_000.0, 105_000.0), st.floats(0.0, 2500.0))
def test_reducing_to_sea_level_and_back_returns_the_pressure(sea_level_pa, altitude_m):
    station = station_pressure_pa(sea_level_pa, altitude_m)
    assert sea_level_pressure_pa(station, altitude_m) == pytest.approx(sea_level_pa, rel=1e-10)


# Dry air at 20 degC and 15 degC: ISO 2533 prints 1.2250 at 15 degC; moist air at 20 degC, 50 %:
# 1.1994 by CoolProp's humid air, 1.1989 by MetPy 1.7.1.
def test_density_matches_the_standard_atmosphere_and_humid_air_tables():
    assert air_density_kg_m3(288.15, 101_325.0) == pytest.approx(1.2250, abs=5e-5)
    assert air_density_kg_m3(293.15, 101_325.0) == pytest.approx(1.2041, abs=5e-5)
    moist = air_density_kg_m3(293.15, 101_325.0, vapour_pressure_pa(293.15, 50.0))
    assert moist == pytest.approx(1.1989, abs=6e-4)
    assert air_density_kg_m3(298.15, 99_000.0) == pytest.approx(1.15673, abs=1e-4)


@given(temperatures_k, pressures_pa, st.floats(0.001, 0.05))
def test_moist_air_is_lighter_than_dry(temperature_k, pressure_pa, vapour_share):
    moist = air_density_kg_m3(temperature_k, pressure_pa, vapour_share * pressure_pa)
    assert moist < air_density_kg_m3(temperature_k, pressure_pa)


def test_a_sea_level_pressure_at_500_m_costs_seven_percent():
    # Common trap, computed from the formulas: 954.61 hPa gives 1.0644, 1013.25 hPa 0.9912.
    vapour = vapour_pressure_pa(298.15, 50.0)
    right = correction_factor("SAE J1349", 298.15, 95_461.0, vapour)
    wrong = correction_factor("SAE J1349", 298.15, 101_325.0, vapour)
    assert (right, wrong) == pytest.approx((1.0644, 0.9912), abs=1e-4)


# Stated factors worked out from the formulas by hand: 98 kPa, 30 degC, 60 %, J1349 1.05407;
# DIN 1.05116 (0.28 % away) is told apart at 95 kPa, 35 degC, 40 %: J1349 1.10048, DIN 1.09327.
@pytest.mark.parametrize(
    ("stated", "standard", "air", "cause"),
    [
        (1.0541, "SAE J1349", (303.15, 98_000.0, 60.0, 500.0), ""),
        (1.0933, "SAE J1349", (308.15, 95_000.0, 40.0, 300.0), "the factor fits DIN 70020"),
        (1.0877, "ISO 1585", (303.15, 98_000.0, 60.0, 150.0), "the factor fits SAE J607"),
        # 100 kPa, 30 degC, 80 %: alpha 1.0402 with humidity, 0.9979 without.
        (0.9979, "ISO 1585", (303.15, 100_000.0, 80.0, 100.0), "humidity left out"),
        (0.80, "ISO 1585", (303.15, 100_000.0, 80.0, 100.0), "unknown"),
        # 98 kPa, 30 degC, 60 %: J607 with friction 1.10353; 95 kPa, 35 degC, 40 %: dry DIN is
        # 1.08516 * 1.031926 = 1.11981; J1349 twice 1.10048^2 = 1.21106.
        (1.1035, "SAE J607", (303.15, 98_000.0, 60.0, 500.0), "J607 with the friction term"),
        (1.1198, "DIN 70020", (308.15, 95_000.0, 40.0, 300.0), "DIN 70020 with dry pressure"),
        (1.2111, "SAE J1349", (308.15, 95_000.0, 40.0, 300.0), "the factor was put in twice"),
    ],
)
def test_a_wrong_factor_is_traced_to_its_cause(stated, standard, air, cause):
    got = factor_disagreement(stated, standard, *air)
    likely = words_of(got.likely_cause)
    assert likely.endswith(cause)
    assert bool(likely) == bool(cause)
    # Whoever used another form of the same standard did not misread the weather.
    assert got.is_air_in_doubt == (bool(cause) and not likely.startswith("another form"))


def test_a_sea_level_pressure_in_the_factor_is_named():
    # 961.35 hPa at 500 m belong to 1020 hPa at sea level (altimeter equation, above).
    vapour = vapour_pressure_pa(298.15, 50.0)
    mistaken = correction_factor("SAE J1349", 298.15, 102_000.0, vapour)
    got = factor_disagreement(mistaken, "SAE J1349", 298.15, 96_135.0, 50.0, 500.0)
    assert words_of(got.likely_cause) == "sea-level pressure used where station pressure belongs"
    # By hand: CA rises by 95.3 / 101.2 or so, so the factor falls by about 7 %.
    assert got.disagreement_pct == pytest.approx(-6.8, abs=0.3)


def test_a_sea_level_pressure_in_the_note_only_is_named():
    vapour = vapour_pressure_pa(298.15, 50.0)
    right = correction_factor("SAE J1349", 298.15, 96_135.0, vapour)
    got = factor_disagreement(right, "SAE J1349", 298.15, 102_000.0, 50.0, 500.0)
    assert (
        words_of(got.likely_cause)
        == "the pressure noted is for sea level, the factor used the station's"
    )


def test_without_an_altitude_no_sea_level_cause_is_guessed():
    got = factor_disagreement(0.9912, "SAE J1349", 298.15, 95_461.0, 50.0, None)
    assert words_of(got.likely_cause) == "unknown"


def test_a_factor_without_its_weather_is_unknown_not_sound():
    got = factor_disagreement(1.02, "SAE J1349", 298.15, 95_461.0, math.nan, 300.0)
    assert math.isnan(got.disagreement_pct)
    assert words_of(got.likely_cause) == "unknown"


@pytest.mark.parametrize(
    ("pressure_pa", "altitude_m", "words"),
    [
        (97_660.0, 310.0, ""),
        (99_500.0, 310.0, ""),  # 1032 hPa at sea level: a fine winter's day
        (101_325.0, 310.0, "looks like one reduced to sea level"),
        (100_500.0, 310.0, "looks like one reduced to sea level"),
        (93_000.0, 310.0, "more than 4 kPa off"),
        (101_325.0, 150.0, ""),
        (101_325.0, None, ""),
        (976.6, 310.0, "wrong unit"),
        (110_000.0, None, "outside 60 to 108 kPa"),
        (math.nan, 310.0, ""),
    ],
)
def test_only_an_implausible_pressure_is_doubted(pressure_pa, altitude_m, words):
    # 310 m: 976.6 hPa in the standard atmosphere (ISO 2533). Rules: common practice, no source.
    got = words_of(pressure_doubt(pressure_pa, altitude_m))
    assert words in got
    assert bool(got) == bool(words)
