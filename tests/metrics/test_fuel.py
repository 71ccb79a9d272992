"""Fuel: stoichiometric ratios against textbooks, blends by mass, and the gauge's constant."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flows.metrics.fuel import (
    ETHANOL_AFR,
    ETHANOL_SHARE,
    FORMULAS,
    blend_stoichiometric_afr,
    ethanol_mass_share,
    lambda_from_gauge,
    mixed_atom_ratios,
    shown_on_scale,
    stoichiometric_afr,
)


# First column: oxygen balance with 20.946 % oxygen, as Cantera 3.2.0 gives with real air to
# 0.001. Second: printed in textbooks (Heywood, appendix D, from memory).
@pytest.mark.parametrize(
    ("formula", "balance", "textbook"),
    [
        pytest.param((8, 18, 0), 15.1318, 15.13, id="isooctane"),
        pytest.param((7, 16, 0), 15.1800, 15.18, id="n-heptane"),
        pytest.param((7, 8, 0), 13.5070, 13.50, id="toluene"),
        pytest.param((2, 6, 1), 9.0049, 9.00, id="ethanol"),
        pytest.param((1, 4, 1), 6.4735, 6.47, id="methanol"),
        pytest.param((1, 4, 0), 17.2390, 17.23, id="methane"),
        pytest.param((3, 8, 0), 15.6794, 15.67, id="propane"),
        pytest.param((1, 1.85, 0), 14.5749, 14.6, id="gasoline"),
        pytest.param((1, 1.93, 0.033), 13.9959, 14.0, id="E10 reference fuel"),
        pytest.param((1, 2.74, 0.385), 9.8596, 9.9, id="E85 reference fuel"),
    ],
)
def test_stoichiometric_ratios_match_the_textbooks(formula, balance, textbook):
    assert stoichiometric_afr(*formula) == pytest.approx(balance, abs=1e-3)
    assert stoichiometric_afr(*formula) == pytest.approx(textbook, abs=0.05)


@pytest.mark.parametrize("formula", [(8, 18, 0), (2, 6, 1), (1, 1.85, 0)])
def test_the_mass_share_form_gives_the_same_ratio(formula):
    # AFR = 11.513 wC + 34.296 wH - 4.322 wO, the same balance written on mass shares.
    carbon, hydrogen, oxygen = 12.011 * formula[0], 1.008 * formula[1], 15.999 * formula[2]
    total = carbon + hydrogen + oxygen
    by_mass = (11.513 * carbon + 34.296 * hydrogen - 4.322 * oxygen) / total
    assert stoichiometric_afr(*formula) == pytest.approx(by_mass, abs=1e-3)


# Hand calculation with densities 745 and 789 kg/m^3, gasoline 14.7.
@pytest.mark.parametrize(
    ("fuel", "afr"),
    [
        ("E0", 14.7),
        ("E5", 14.3993),
        ("E10", 14.1004),
        ("E15", 13.8032),
        ("E20", 13.5078),
        ("E85", 9.8184),
    ],
)
def test_blends_are_weighted_by_mass(fuel, afr):
    assert blend_stoichiometric_afr(ETHANOL_SHARE[fuel]) == pytest.approx(afr, abs=1e-4)


# Densities of EN 228 gasoline (745) and ethanol at 20 degC (789, CoolProp 8.0.0), by hand.
@pytest.mark.parametrize(
    ("fuel", "mass_share"),
    [("E5", 0.05280), ("E10", 0.10528), ("E15", 0.15746), ("E20", 0.20934), ("E85", 0.85717)],
)
def test_ethanol_by_volume_becomes_ethanol_by_mass(fuel, mass_share):
    assert ethanol_mass_share(ETHANOL_SHARE[fuel]) == pytest.approx(mass_share, abs=5e-6)


# Ratios of the reference fuels of type approval (UN R83, from memory), which are mixed of
# other gasolines: half of the last printed digit and what their gasoline may differ by.
@pytest.mark.parametrize(
    ("fuel", "hydrogen", "oxygen"),
    [("E5", 1.89, 0.016), ("E10", 1.93, 0.033), ("E85", 2.74, 0.385)],
)
def test_atoms_of_a_blend_are_those_of_the_reference_fuels(fuel, hydrogen, oxygen):
    ethanol = ethanol_mass_share(ETHANOL_SHARE[fuel])
    found = mixed_atom_ratios({"gasoline": 1.0 - ethanol, "ethanol": ethanol})
    assert found.hydrogen_per_carbon == pytest.approx(hydrogen, abs=0.02)
    assert found.oxygen_per_carbon == pytest.approx(oxygen, rel=0.02, abs=5e-4)


def test_oxygen_by_mass_of_e10_is_within_the_limit_of_the_pump_standard():
    # 0.10528 * 15.999 / 46.069 = 3.656 %; EN 228 allows 3.7 % (from memory).
    found = mixed_atom_ratios({"gasoline": 1.0 - 0.10528, "ethanol": 0.10528})
    oxygen = 15.999 * found.oxygen_per_carbon
    whole = 12.011 + 1.008 * found.hydrogen_per_carbon + oxygen
    assert 100.0 * oxygen / whole == pytest.approx(3.656, abs=1e-3)


# Air for 1 kg of mixture is the sum over its parts: 13.9885 for E10 of CH1.85 (14.5749) and
# ethanol (9.0049) by hand; pure parts as in the table of ratios above.
@pytest.mark.parametrize(
    ("masses", "afr"),
    [
        ({"gasoline": 0.89472, "ethanol": 0.10528}, 13.9885),
        ({"isooctane": 3.0}, 15.1318),
        ({"methanol": 0.5, "toluene": 0.5}, (6.4735 + 13.5070) / 2.0),
        ({"MTBE": 1.0}, 11.7654),
        ({"ETBE": 1.0}, 12.1803),
        ({"propane": 1.0}, 15.6794),
        ({"methane": 0.2, "ethanol": 0.8}, 0.2 * 17.2390 + 0.8 * 9.0049),
    ],
)
def test_a_mixture_needs_the_air_of_its_parts(masses, afr):
    assert stoichiometric_afr(1.0, *mixed_atom_ratios(masses)) == pytest.approx(afr, abs=1e-3)


def test_every_component_has_been_checked_by_its_air():
    assert set(FORMULAS) == {
        *("gasoline", "isooctane", "toluene", "ethanol", "methanol"),
        *("MTBE", "ETBE", "propane", "methane"),
    }


def test_the_scale_of_a_display_is_undone_by_the_same_scale():
    # Lambda 0.88 shows 12.936 on a 14.7 scale, and 12.408 on the scale of E10 (14.1004).
    assert shown_on_scale(0.88, 14.7) == pytest.approx(12.936)
    assert shown_on_scale(0.88, 14.1004) == pytest.approx(12.408, abs=5e-4)
    assert lambda_from_gauge(shown_on_scale(0.91, 13.2), 13.2) == pytest.approx(0.91)


def test_a_blend_weighted_by_volume_would_read_high():
    by_volume = 0.10 * ETHANOL_AFR + 0.90 * 14.7  # 14.1305
    assert by_volume - blend_stoichiometric_afr(0.10) == pytest.approx(0.030, abs=1e-3)


@given(st.floats(0.0, 0.99))
def test_more_ethanol_needs_less_air(share):
    assert blend_stoichiometric_afr(share + 0.01) < blend_stoichiometric_afr(share)


def test_pure_fuels_are_the_ends_of_the_blend():
    assert blend_stoichiometric_afr(1.0) == pytest.approx(stoichiometric_afr(2, 6, 1), abs=1e-4)
    assert blend_stoichiometric_afr(0.0, gasoline_afr=14.6) == pytest.approx(14.6)


def test_a_gauge_is_undone_by_its_own_scale_whatever_the_fuel():
    # Lambda 0.88 shows 12.936 on a 14.7 scale on E10 too; the fuel's 14.10 would give 0.917.
    assert lambda_from_gauge(12.936, 14.7) == pytest.approx(0.88, abs=1e-9)
    assert lambda_from_gauge(14.7, 14.7) == 1.0


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: lambda_from_gauge(14.7, 0.0), "gauge_scale must be above 0, got 0"),
        (lambda: lambda_from_gauge(-1.0, 14.7), "shown must be at least 0, got -1"),
        (lambda: blend_stoichiometric_afr(10.0), "ethanol_volume_share must be at most 1, got 10"),
        (lambda: ethanol_mass_share(10.0), "ethanol_volume_share must be at most 1, got 10"),
        (
            lambda: blend_stoichiometric_afr(0.1, gasoline_density_kg_m3=0.0),
            "gasoline_density_kg_m3 must be above 0 kg/m.3, got 0",
        ),
        (lambda: mixed_atom_ratios({"water": 1.0}), "got .'water'."),
        (lambda: mixed_atom_ratios({"ethanol": -1.0}), "mass share of ethanol must be at least 0"),
        (lambda: mixed_atom_ratios({}), "mass in all must be above 0"),
        (lambda: shown_on_scale(0.9, 0.0), "gauge_scale must be above 0, got 0"),
        (lambda: stoichiometric_afr(-1, 4), "carbon must be at least 0, got -1"),
        (lambda: stoichiometric_afr(0, 0, 1), r"carbon \+ hydrogen must be above 0, got 0"),
    ],
)
def test_impossible_fuels_are_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()
