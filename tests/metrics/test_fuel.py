"""Fuel: blends by mass, and the atoms of a mixture against textbooks' air-fuel ratios."""

import pytest

from flows.metrics.fuel import FORMULAS, ethanol_mass_share, mixed_atom_ratios
from schemas.card import ETHANOL_SHARE


def air_needed(masses):
    """Return the air that burns a unit mass, by the oxygen balance of complete combustion.

    Heywood, Internal Combustion Engine Fundamentals, section 3.4 (from memory); dry air has a
    molar mass of 28.9647 and 20.946 % oxygen (ISO 2533).
    """
    found = mixed_atom_ratios(masses)
    hydrogen, oxygen = found.hydrogen_per_carbon, found.oxygen_per_carbon
    oxygen_kmol = 1.0 + hydrogen / 4.0 - oxygen / 2.0
    mass_kg = 12.011 + 1.008 * hydrogen + 15.999 * oxygen
    return 28.9647 / 0.20946 * oxygen_kmol / mass_kg


# First column: oxygen balance with 20.946 % oxygen, as Cantera 3.2.0 gives with real air to
# 0.001; MTBE and ETBE by hand. Second: printed in textbooks (Heywood, appendix D, from memory).
@pytest.mark.parametrize(
    ("component", "balance", "textbook"),
    [
        ("isooctane", 15.1318, 15.13),
        ("toluene", 13.5070, 13.50),
        ("ethanol", 9.0049, 9.00),
        ("methanol", 6.4735, 6.47),
        ("methane", 17.2390, 17.23),
        ("propane", 15.6794, 15.67),
        ("gasoline", 14.5749, 14.6),
        ("MTBE", 11.7654, 11.7),
        ("ETBE", 12.1803, 12.2),
    ],
)
def test_the_atoms_of_a_component_need_the_air_of_the_textbooks(component, balance, textbook):
    assert air_needed({component: 3.0}) == pytest.approx(balance, abs=1e-3)
    assert air_needed({component: 3.0}) == pytest.approx(textbook, abs=0.1)


def test_every_component_has_been_checked_by_its_air():
    assert set(FORMULAS) == {
        *("gasoline", "isooctane", "toluene", "ethanol", "methanol"),
        *("MTBE", "ETBE", "propane", "methane"),
    }


@pytest.mark.parametrize(("fuel", "afr"), [("E10", 14.0), ("E85", 9.9)])
def test_blends_need_the_air_of_the_reference_fuels(fuel, afr):
    # Reference fuels of type approval, CH1.93O0.033 and CH2.74O0.385: 14.0 and 9.9.
    ethanol = ethanol_mass_share(ETHANOL_SHARE[fuel])
    assert air_needed({"gasoline": 1.0 - ethanol, "ethanol": ethanol}) == pytest.approx(
        afr, abs=0.1
    )


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
        ({"methanol": 0.5, "toluene": 0.5}, (6.4735 + 13.5070) / 2.0),
        ({"methane": 0.2, "ethanol": 0.8}, 0.2 * 17.2390 + 0.8 * 9.0049),
    ],
)
def test_a_mixture_needs_the_air_of_its_parts(masses, afr):
    assert air_needed(masses) == pytest.approx(afr, abs=1e-3)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: ethanol_mass_share(10.0), "ethanol_volume_share must be at most 1, got 10"),
        (lambda: mixed_atom_ratios({"water": 1.0}), "got .'water'."),
        (lambda: mixed_atom_ratios({"ethanol": -1.0}), "mass share of ethanol must be at least 0"),
        (lambda: mixed_atom_ratios({}), "mass in all must be above 0"),
    ],
)
def test_impossible_fuels_are_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()
