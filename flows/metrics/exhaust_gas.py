"""Lambda from the exhaust gas: Brettschneider's balance of carbon, hydrogen and oxygen.

Gases are volume fractions of the dried exhaust, as an analyser with a cold trap gives them.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flows.metrics.domain_checks import require
from flows.metrics.fuel import AtomRatios

FloatArray = NDArray[np.float64]

WATER_GAS = 3.5
"""Brettschneider's constant of the water-gas reaction; equilibrium has it near 1740 K."""

HEXANE_CARBON = 6.0
"""Carbon atoms in one molecule that an analyser calibrated for hexane counts."""

GASOLINE = AtomRatios(hydrogen_per_carbon=1.73, oxygen_per_carbon=0.02)
"""Gasoline as the idle test of type approval has it (98/69/EC, from memory)."""

LEAST_CARBON_SHARE = 0.06
"""CO2 + CO below which the probe is not in the exhaust, or the exhaust is thinned by air beyond
use; common practice, no source. [0..1]"""


def lambda_from_exhaust_gas(
    co2_share: ArrayLike,
    co_share: ArrayLike,
    o2_share: ArrayLike,
    hc_share: ArrayLike = 0.0,
    fuel: AtomRatios = GASOLINE,
) -> FloatArray:
    r"""Return lambda from a four-gas reading.

    Parameters
    ----------
    co2_share, co_share, o2_share : array_like
        Carbon dioxide, carbon monoxide and oxygen by volume, dry. [0..1]
    hc_share : array_like, default 0. Hydrocarbons by volume, as hexane; 250 ppm is 250e-6. [0..1]
    fuel : AtomRatios, default GASOLINE. What the fuel is made of.

    Returns
    -------
    ndarray. Lambda; NaN where a gas was not seen, or there is too little exhaust in the sample. [1]

    Raises
    ------
    ValueError. If a share is below 0 or above what an exhaust can hold (a percentage taken for a
        share, for one), or a ratio of atoms is impossible.

    Notes
    -----
    .. math::
        \lambda = \frac{\mathrm{CO_2} + \frac{\mathrm{CO}}{2} + \mathrm{O_2}
        + \left( \frac{H}{4} \, \frac{3.5}{3.5 + \mathrm{CO/CO_2}}
        - \frac{O}{2} \right) (\mathrm{CO_2} + \mathrm{CO})}
        {\left( 1 + \frac{H}{4} - \frac{O}{2} \right)
        (\mathrm{CO_2} + \mathrm{CO} + 6 \, \mathrm{HC})}

    [1]_, in shares where the original has vol-% and ppm, and without the nitrogen oxides that a
    four-gas analyser does not give. Taking hexane for methane makes 250 ppm read 0.8 % lean.

    Valid from about 0.7 to 1.4. The balance holds before and after a catalyst, but air drawn in
    by a leak or a tailpipe at low flow reads lean, as with any probe; the reading also lags by
    seconds, so only steady running is evidence.

    Examples
    --------
    >>> lambda_from_exhaust_gas(0.120, 0.040, 0.003, 250e-6)
    array(0.89052)

    References
    ----------
    .. [1] J. Brettschneider, "Berechnung des Luftverhaeltnisses lambda," Technische Berichte,
       vol. 6, no. 4, pp. 177-186, 1979 (formula from a restatement).
    """
    gases = []
    for name, value, most in (
        ("co2_share", co2_share, 0.21),
        ("co_share", co_share, 0.21),
        ("o2_share", o2_share, 0.22),
        ("hc_share", hc_share, 0.1),
    ):
        gas = np.asarray(value, dtype=float)
        require(name, gas, at_least=0.0, at_most=most)
        gases.append(gas)
    hydrogen, oxygen_atoms = fuel
    require("hydrogen_per_carbon", hydrogen, at_least=0.0, at_most=4.0)
    require("oxygen_per_carbon", oxygen_atoms, at_least=0.0, at_most=2.0)
    burnt = 1.0 + hydrogen / 4.0 - oxygen_atoms / 2.0
    require("oxygen needed by the fuel", burnt, above=0.0)

    co2, co, o2, hc = gases
    carbon = np.where(co2 + co >= LEAST_CARBON_SHARE, co2 + co, np.nan)
    water = WATER_GAS * co2 / (WATER_GAS * co2 + np.where(carbon > 0.0, co, np.nan))
    oxygen = co2 + co / 2.0 + o2
    oxygen = oxygen + (hydrogen / 4.0 * water - oxygen_atoms / 2.0) * carbon
    return np.asarray(oxygen / (burnt * (carbon + HEXANE_CARBON * hc)))
