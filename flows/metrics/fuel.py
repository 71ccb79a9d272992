"""Fuel: stoichiometric air-fuel ratios, ethanol blends, and lambda from a gauge's figure."""

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
    require("ethanol_volume_share", ethanol_volume_share, at_least=0.0, at_most=1.0)
    for name, value in (
        ("gasoline_afr", gasoline_afr),
        ("ethanol_afr", ethanol_afr),
        ("gasoline_density_kg_m3", gasoline_density_kg_m3),
        ("ethanol_density_kg_m3", ethanol_density_kg_m3),
    ):
        require(name, value, above=0.0)
    ethanol = ethanol_volume_share * ethanol_density_kg_m3
    gasoline = (1.0 - ethanol_volume_share) * gasoline_density_kg_m3
    return (ethanol * ethanol_afr + gasoline * gasoline_afr) / (ethanol + gasoline)


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
