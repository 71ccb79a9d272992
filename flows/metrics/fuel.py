"""Fuel: ethanol blends by mass, and the atoms of what a fuel is mixed of."""

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from flows.metrics.domain_checks import require

Values = float | np.ndarray

ATOMIC_MASS_CARBON = 12.011
"""IUPAC, conventional."""

ATOMIC_MASS_HYDROGEN = 1.008
"""IUPAC, conventional."""

ATOMIC_MASS_OXYGEN = 15.999
"""IUPAC, conventional."""

GASOLINE_DENSITY_KG_M3 = 745.0
"""Middle of the 720 to 775 kg/m^3 that EN 228 allows at 15 degC (from memory)."""

ETHANOL_DENSITY_KG_M3 = 789.0
"""At 20 degC, from the CoolProp equation of state."""

FORMULAS = {
    "gasoline": (1.0, 1.85, 0.0),
    "isooctane": (8.0, 18.0, 0.0),
    "toluene": (7.0, 8.0, 0.0),
    "ethanol": (2.0, 6.0, 1.0),
    "methanol": (1.0, 4.0, 1.0),
    "MTBE": (5.0, 12.0, 1.0),
    "ETBE": (6.0, 14.0, 1.0),
    "propane": (3.0, 8.0, 0.0),
    "methane": (1.0, 4.0, 0.0),
}
"""Carbon, hydrogen and oxygen atoms of what fuels are mixed of; gasoline as CH1.85, which
textbooks take for one without alcohol."""


class AtomRatios(NamedTuple):
    """What a fuel is made of, for one carbon atom.

    Attributes
    ----------
    hydrogen_per_carbon : float. Hydrogen atoms.
    oxygen_per_carbon : float. Oxygen atoms.
    """

    hydrogen_per_carbon: float
    oxygen_per_carbon: float


def ethanol_mass_share(ethanol_volume_share: Values) -> Values:
    r"""Return the mass share of ethanol in a blend that is known by volume.

    Parameters
    ----------
    ethanol_volume_share : float or ndarray. As a pump names it. [0..1]

    Returns
    -------
    float or ndarray. Ethanol by mass. [0..1]

    Raises
    ------
    ValueError. If the share is not from 0 to 1.

    Notes
    -----
    .. math:: w = \frac{v \rho_e}{v \rho_e + (1 - v) \rho_g}

    Volumes are taken as additive.

    Examples
    --------
    >>> ethanol_mass_share(0.10)
    0.10528
    """
    require("ethanol_volume_share", ethanol_volume_share, at_least=0.0, at_most=1.0)
    ethanol = ethanol_volume_share * ETHANOL_DENSITY_KG_M3
    return ethanol / (ethanol + (1.0 - ethanol_volume_share) * GASOLINE_DENSITY_KG_M3)


def mixed_atom_ratios(mass_shares: Mapping[str, float]) -> AtomRatios:
    """Return the hydrogen and oxygen of a mixture of fuels for one carbon atom.

    Parameters
    ----------
    mass_shares : mapping of str to float
        Mass of each component of `FORMULAS`, in any one unit; shares of a whole, for one.

    Returns
    -------
    AtomRatios. What the exhaust-gas balance asks for.

    Raises
    ------
    ValueError. If a component is unknown, a mass is negative, or all are 0.

    Notes
    -----
    Exact: atoms are counted component by component.

    Examples
    --------
    >>> e10 = ethanol_mass_share(0.10)
    >>> mixed_atom_ratios({"gasoline": 1.0 - e10, "ethanol": e10})
    AtomRatios(hydrogen_per_carbon=1.926, oxygen_per_carbon=0.0331)
    """
    unknown = sorted(set(mass_shares) - set(FORMULAS))
    if unknown:
        raise ValueError(f"mass_shares must name components of {list(FORMULAS)}, got {unknown}")
    carbon = hydrogen = oxygen = 0.0
    for name, mass in mass_shares.items():
        require(f"mass share of {name}", mass, at_least=0.0)
        c, h, o = FORMULAS[name]
        weight = ATOMIC_MASS_CARBON * c + ATOMIC_MASS_HYDROGEN * h + ATOMIC_MASS_OXYGEN * o
        carbon += mass / weight * c
        hydrogen += mass / weight * h
        oxygen += mass / weight * o
    require("mass in all", carbon, above=0.0)
    return AtomRatios(hydrogen / carbon, oxygen / carbon)
