"""The ratio check: engine speed over roller speed, which nothing but slip or a gear can change."""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from flows.metrics.domain_checks import require

KMH_PER_M_S = 3.6
LEAST_ROLLER_M_S = 3.0
"""Below, a roller's pulses are too far apart for a ratio (common practice, no source)."""
LEAST_SAMPLES = 20


class RatioCheck(NamedTuple):
    """What engine speed over roller speed says about one pull.

    Attributes
    ----------
    rpm_per_kmh : float
        The ratio at the low end of the pull, before anything can have slipped.
    sd_pct : float
        Robust scatter of one sample's ratio about its own neighbours. [%]
    drift_pct : float
        Ratio at the high end against the low end; positive when the engine runs ahead. [%]
    kind : str
        `constant`, `slip` or `gear change`.
    from_rpm : float or None
        Engine speed at which it starts; None when the ratio is constant. [rpm]
    """

    rpm_per_kmh: float
    sd_pct: float
    drift_pct: float
    kind: str
    from_rpm: float | None


def ratio_check(
    engine_speed_rpm: ArrayLike,
    roller_speed_m_s: ArrayLike,
    *,
    slip_pct: float = 2.0,
    gear_pct: float = 10.0,
    lasting_rpm: float = 300.0,
) -> RatioCheck:
    r"""Return whether engine and roller stay geared to each other over a pull.

    Parameters
    ----------
    engine_speed_rpm : array_like
        Engine speed over the sweep, in the order of time; NaN where not seen. [rpm]
    roller_speed_m_s : array_like
        Speed of the roller's surface at the same samples. [m/s]
    slip_pct : float, default 2
        A ratio that rises further above the low end's is slip: a tyre that grows with speed
        lowers the ratio, and by less (common practice, no source). [%]
    gear_pct : float, default 10
        A jump of more than this, to a level that is kept, is another gear: two neighbouring
        gears of a motorcycle lie further apart (common practice, no source). [%]
    lasting_rpm : float, default 300
        What lasts over less engine speed is a blip of the pick-up. [rpm]

    Returns
    -------
    RatioCheck
        The verdict, with the engine speed where the trouble starts.

    Raises
    ------
    ValueError
        If the rows differ in length, a speed is negative, or fewer than 20 samples hold both.

    Notes
    -----
    Without slip

    .. math:: k = n / v = \frac{i}{2 \pi r}

    is constant, *i* the overall ratio and *r* the driven wheel's radius. A median over a twentieth
    of the samples takes out single wrong pulses. The low end is the first quarter of the sweep,
    where the driving force of a pull has hardly begun to work on tyre and clutch.

    Examples
    --------
    >>> speed_rpm = np.linspace(3000.0, 9000.0, 400)
    >>> found = ratio_check(speed_rpm, speed_rpm / 50.0 / 3.6)
    >>> round(found.rpm_per_kmh, 3), found.kind
    (50.0, 'constant')
    """
    require("slip_pct", slip_pct, above=0.0, unit="%")
    require("gear_pct", gear_pct, above=slip_pct, unit="%")
    require("lasting_rpm", lasting_rpm, above=0.0, unit="rpm")
    speed = np.asarray(engine_speed_rpm, dtype=float)
    roller = np.asarray(roller_speed_m_s, dtype=float)
    if speed.shape != roller.shape or speed.ndim != 1:
        raise ValueError(
            "engine_speed_rpm and roller_speed_m_s must be rows of one length, got "
            f"{speed.shape} and {roller.shape}"
        )
    require("engine_speed_rpm", speed, at_least=0.0, unit="rpm")
    require("roller_speed_m_s", roller, at_least=0.0, unit="m/s")
    seen = np.isfinite(speed) & np.isfinite(roller) & (roller >= LEAST_ROLLER_M_S) & (speed > 0.0)
    if seen.sum() < LEAST_SAMPLES:
        raise ValueError(
            f"no ratio: {seen.sum()} samples hold engine speed and a roller at "
            f"{LEAST_ROLLER_M_S:g} m/s or faster, {LEAST_SAMPLES} needed"
        )
    speed = speed[seen]
    ratio = speed / (roller[seen] * KMH_PER_M_S)
    smooth = _running_median(ratio, max(5, ratio.size // 20))
    low = float(np.median(smooth[: max(LEAST_SAMPLES // 4, ratio.size // 4)]))
    off_pct = 100.0 * (smooth / low - 1.0)
    # A second difference holds 1.5 times the variance of a sample: the 3/2 under the root.
    wiggle = np.abs(ratio[1:-1] - (ratio[:-2] + ratio[2:]) / 2.0)
    sd_pct = 100.0 * 1.4826 * float(np.median(wiggle)) / math.sqrt(1.5) / low
    drift_pct = float(np.median(off_pct[-max(LEAST_SAMPLES // 4, ratio.size // 10) :]))

    # A gear moves the engine's own speed at once: it is judged by samples, not by a span of rpm.
    width = max(LEAST_SAMPLES // 4, ratio.size // 10)
    for at in np.flatnonzero(np.abs(off_pct) > gear_pct):
        kept = off_pct[at : at + width]
        before = off_pct[max(at - width, 0) : at]
        if kept.size < width or before.size == 0:
            continue
        is_level = np.ptp(kept[width // 4 :]) < gear_pct / 2.0
        is_jump = abs(float(np.median(kept)) - float(np.median(before))) > gear_pct
        if is_level and is_jump:
            return RatioCheck(low, sd_pct, drift_pct, "gear change", float(speed[at]))
        break

    high = off_pct > slip_pct
    starts = np.flatnonzero(high & ~np.concatenate(([False], high[:-1])))
    ends = np.flatnonzero(high & ~np.concatenate((high[1:], [False])))
    for start, end in zip(starts, ends, strict=True):
        if speed[end] - speed[start] >= lasting_rpm:
            return RatioCheck(low, sd_pct, drift_pct, "slip", float(speed[start]))
    return RatioCheck(low, sd_pct, drift_pct, "constant", None)


def _running_median(values: np.ndarray, width: int) -> np.ndarray:
    width |= 1
    padded = np.pad(values, width // 2, mode="edge")
    return np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1)
