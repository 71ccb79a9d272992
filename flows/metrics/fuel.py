"""Fuel: stoichiometric air-fuel ratios, ethanol blends, and lambda from a gauge's figure."""

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from flows.metrics.domain_checks import require

Values = float | np.ndarray

AIR_PER_OXYGEN_KG_KMOL = 28.9647 / 0.20946
"""Dry air per kmol of oxygen: molar mass of dry air over its oxygen share (ISO 2533)."""

ATOMIC_MASS_CARBON = 12.011
"""IUPAC, conventional."""

ATOMIC_MASS_HYDROGEN = 1.008
"""IUPAC, conventional."""

ATOMIC_MASS_OXYGEN = 15.999
"""IUPAC, conventional."""

ETHANOL_AFR = 9.0049
"""`stoichiometric_afr(2, 6, 1)`."""

GASOLINE_AFR = 14.7
"""The trade's round figure for gasoline without ethanol; real ones lie from 14.4 to 14.8."""

GASOLINE_DENSITY_KG_M3 = 745.0
"""Middle of the 720 to 775 kg/m^3 that EN 228 allows at 15 degC (from memory)."""

ETHANOL_DENSITY_KG_M3 = 789.0
"""At 20 degC, from the CoolProp equation of state."""

ETHANOL_SHARE = {"E0": 0.0, "E5": 0.05, "E10": 0.10, "E15": 0.15, "E20": 0.20, "E85": 0.85}
"""Ethanol by volume in the fuels that a pump names; the most that the name allows."""


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
textbooks take for one without alcohol and whose ratio is 14.57, not the trade's 14.7."""


class AtomRatios(NamedTuple):
    """What a fuel is made of, for one carbon atom.

    Attributes
    ----------
    hydrogen_per_carbon : float
        Hydrogen atoms.
    oxygen_per_carbon : float
        Oxygen atoms.
    """

    hydrogen_per_carbon: float
    oxygen_per_carbon: float


def stoichiometric_afr(carbon: Values, hydrogen: Values, oxygen: Values = 0.0) -> Values:
    r"""Return the mass of dry air that burns a unit mass of fuel completely.

    Parameters
    ----------
    carbon : float or ndarray
        Carbon atoms in the fuel's formula.
    hydrogen : float or ndarray
        Hydrogen atoms.
    oxygen : float or ndarray, default 0
        Oxygen atoms.

    Returns
    -------
    float or ndarray
        Stoichiometric air-fuel ratio by mass.

    Raises
    ------
    ValueError
        If a count is negative, or there is neither carbon nor hydrogen.

    Notes
    -----
    .. math:: \mathrm{AFR}_{st} = \frac{28.9647}{0.20946} \,
              \frac{c + h/4 - o/2}{12.011 c + 1.008 h + 15.999 o}

    The oxygen balance of complete combustion [1]_ with real dry air, 20.946 % oxygen. With the
    textbooks' 3.76 parts of nitrogen the result is 0.7 % lower.

    Examples
    --------
    >>> stoichiometric_afr(8, 18)
    15.1318

    References
    ----------
    .. [1] J. B. Heywood, Internal Combustion Engine Fundamentals, 1988, section 3.4 (from
       memory).
    """
    require("carbon", carbon, at_least=0.0)
    require("hydrogen", hydrogen, at_least=0.0)
    require("oxygen", oxygen, at_least=0.0)
    require("carbon + hydrogen", np.add(carbon, hydrogen), above=0.0)
    oxygen_kmol = carbon + hydrogen / 4.0 - oxygen / 2.0
    mass_kg = (
        ATOMIC_MASS_CARBON * carbon + ATOMIC_MASS_HYDROGEN * hydrogen + ATOMIC_MASS_OXYGEN * oxygen
    )
    return AIR_PER_OXYGEN_KG_KMOL * oxygen_kmol / mass_kg


def ethanol_mass_share(
    ethanol_volume_share: Values,
    *,
    gasoline_density_kg_m3: float = GASOLINE_DENSITY_KG_M3,
    ethanol_density_kg_m3: float = ETHANOL_DENSITY_KG_M3,
) -> Values:
    r"""Return the mass share of ethanol in a blend that is known by volume.

    Parameters
    ----------
    ethanol_volume_share : float or ndarray
        Ethanol by volume, as a pump names it. [0..1]
    gasoline_density_kg_m3 : float, default 745
        Density of the gasoline. [kg/m^3]
    ethanol_density_kg_m3 : float, default 789
        Density of ethanol. [kg/m^3]

    Returns
    -------
    float or ndarray
        Ethanol by mass. [0..1]

    Raises
    ------
    ValueError
        If the share is not from 0 to 1, or a density is not above 0.

    Notes
    -----
    .. math:: w = \frac{v \rho_e}{v \rho_e + (1 - v) \rho_g}

    Volumes are taken as additive. Follows from the definition of density.

    Examples
    --------
    >>> ethanol_mass_share(0.10)
    0.10528
    """
    require("ethanol_volume_share", ethanol_volume_share, at_least=0.0, at_most=1.0)
    require("gasoline_density_kg_m3", gasoline_density_kg_m3, above=0.0, unit="kg/m^3")
    require("ethanol_density_kg_m3", ethanol_density_kg_m3, above=0.0, unit="kg/m^3")
    ethanol = ethanol_volume_share * ethanol_density_kg_m3
    return ethanol / (ethanol + (1.0 - ethanol_volume_share) * gasoline_density_kg_m3)


def mixed_atom_ratios(mass_shares: Mapping[str, float]) -> AtomRatios:
    """Return the hydrogen and oxygen of a mixture of fuels for one carbon atom.

    Parameters
    ----------
    mass_shares : mapping of str to float
        Mass of each component of `FORMULAS`, in any one unit; shares of a whole, for one.

    Returns
    -------
    AtomRatios
        What `stoichiometric_afr(1, ...)` and the exhaust-gas balance ask for.

    Raises
    ------
    ValueError
        If a component is unknown, a mass is negative, or all are 0.

    Notes
    -----
    Exact: atoms are counted, component by component, and their mass is the mass given.

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


def blend_stoichiometric_afr(
    ethanol_volume_share: Values,
    *,
    gasoline_afr: float = GASOLINE_AFR,
    ethanol_afr: float = ETHANOL_AFR,
    gasoline_density_kg_m3: float = GASOLINE_DENSITY_KG_M3,
    ethanol_density_kg_m3: float = ETHANOL_DENSITY_KG_M3,
) -> Values:
    r"""Return the stoichiometric air-fuel ratio of gasoline with ethanol.

    Parameters
    ----------
    ethanol_volume_share : float or ndarray
        Ethanol by volume. [0..1]
    gasoline_afr : float, default 14.7
        Stoichiometric ratio of the gasoline alone.
    ethanol_afr : float, default 9.0049
        Stoichiometric ratio of ethanol.
    gasoline_density_kg_m3 : float, default 745
        Density of the gasoline. [kg/m^3]
    ethanol_density_kg_m3 : float, default 789
        Density of ethanol. [kg/m^3]

    Returns
    -------
    float or ndarray
        Stoichiometric air-fuel ratio by mass.

    Raises
    ------
    ValueError
        If the share is not from 0 to 1, or a density or ratio is not above 0.

    Notes
    -----
    .. math:: w = \frac{v \rho_e}{v \rho_e + (1 - v) \rho_g}, \quad
              \mathrm{AFR} = w\,\mathrm{AFR}_e + (1 - w)\,\mathrm{AFR}_g

    Exact in the mass share :math:`w`; weighting by volume instead reads 0.03 high on E10. A
    gasoline 10 kg/m^3 lighter or denser moves E10 by 0.008. Volumes are taken as additive. The
    balance follows from the definition of the ratio; no source is needed.

    Examples
    --------
    >>> blend_stoichiometric_afr(0.10)
    14.1004
    """
    require("gasoline_afr", gasoline_afr, above=0.0)
    require("ethanol_afr", ethanol_afr, above=0.0)
    ethanol = ethanol_mass_share(
        ethanol_volume_share,
        gasoline_density_kg_m3=gasoline_density_kg_m3,
        ethanol_density_kg_m3=ethanol_density_kg_m3,
    )
    return ethanol * ethanol_afr + (1.0 - ethanol) * gasoline_afr


def lambda_from_gauge(shown: Values, gauge_scale: float) -> Values:
    r"""Return lambda from the air-fuel figure that a gauge shows.

    Parameters
    ----------
    shown : float or ndarray
        The gauge's air-fuel figure.
    gauge_scale : float
        What the gauge shows at lambda 1, usually 14.7, whatever fuel is in the tank.

    Returns
    -------
    float or ndarray
        Lambda.

    Raises
    ------
    ValueError
        If the scale is not above 0, or a shown value is negative.

    Notes
    -----
    .. math:: \lambda = \frac{\mathrm{shown}}{\mathrm{scale}}

    The probe senses lambda; the figure is that times a constant. Dividing by the *fuel's* ratio
    instead would make E10 look 4 % lean. Common practice, no source.

    Examples
    --------
    >>> lambda_from_gauge(12.936, 14.7)
    0.880
    """
    require("gauge_scale", gauge_scale, above=0.0)
    require("shown", shown, at_least=0.0)
    return shown / gauge_scale


def shown_on_scale(lambda_value: Values, gauge_scale: float) -> Values:
    r"""Return lambda as an air-fuel figure on a stated scale, for people who think in it.

    Parameters
    ----------
    lambda_value : float or ndarray
        Lambda. [1]
    gauge_scale : float
        What lambda 1 shows as; say it beside the figure.

    Returns
    -------
    float or ndarray
        The figure a gauge of that scale would show; the true ratio of air to fuel only if the
        scale is that of the fuel in the tank.

    Raises
    ------
    ValueError
        If the scale is not above 0, or a lambda is negative.

    Notes
    -----
    .. math:: \mathrm{shown} = \lambda \cdot \mathrm{scale}

    The inverse of `lambda_from_gauge`.

    Examples
    --------
    >>> shown_on_scale(0.88, 14.7)
    12.936
    """
    require("gauge_scale", gauge_scale, above=0.0)
    require("lambda_value", lambda_value, at_least=0.0)
    return lambda_value * gauge_scale
