"""Power from the roller's own motion: inertia, absorber and losses, each where it was seen."""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from flows.metrics.domain_checks import require
from flows.metrics.notes import NotToldError

HALF_WIDTH_S = 0.25
"""Half width in time over which the roller's gain of energy is estimated: shorter, and the noise
grows with its power of 3/2; longer, and the curve's own bends are flattened."""

LEAST_SAMPLES = 5
"""A parabola through fewer leaves no residual worth the name."""

UNCOUPLED_SHARE = 0.8
"""Engine over roller speed falls below this share of the sweep's once the clutch is pulled: the
engine drops to idle while the roller runs on (common practice, no source)."""

LEAST_COAST_S = 2.0
LEAST_COAST_FALL = 0.2
"""A coast-down that is shorter, or loses less of its speed, tells no quadratic."""


class RollerPower(NamedTuple):
    """Power at the roller, a sample each; NaN where the speed was not seen.

    Attributes
    ----------
    power_w : ndarray. Power. [W]
    sd_w : ndarray. Its standard uncertainty from the noise of the speed alone. [W]
    speed_m_s : ndarray. Smoothed surface speed. [m/s]
    """

    power_w: np.ndarray
    sd_w: np.ndarray
    speed_m_s: np.ndarray


class Losses(NamedTuple):
    """Force at the roller's surface that it takes to keep turning: A + B v + C v^2.

    Attributes
    ----------
    constant_n : float. A. [N]
    per_speed : float. B. [N s/m]
    per_square : float. C. [N s^2/m^2]
    from_m_s : float. Lowest speed at which they were seen. [m/s]
    to_m_s : float. Highest. [m/s]
    scatter_n : float. Standard deviation of the force about the fit. [N]
    """

    constant_n: float
    per_speed: float
    per_square: float
    from_m_s: float
    to_m_s: float
    scatter_n: float

    def force_n(self, speed_m_s: ArrayLike) -> np.ndarray:
        """Return the force at surface speeds in m/s, also beyond those that were seen."""
        speed = np.asarray(speed_m_s, dtype=float)
        return self.constant_n + self.per_speed * speed + self.per_square * speed**2


def equivalent_mass_kg(inertia_kg_m2: ArrayLike, radius_m: ArrayLike) -> float:
    r"""Return the mass that resists at a rim as a turning part does.

    Parameters
    ----------
    inertia_kg_m2 : float or array_like
        Moments of inertia, each about its own axle: the roller, the wheel. [kg m^2]
    radius_m : float or array_like. Radius at which each meets the roller's surface. [m]

    Returns
    -------
    float. Sum over the parts. [kg]

    Raises
    ------
    ValueError. If an inertia or a radius is not above 0.

    Notes
    -----
    .. math:: m = \sum \frac{J}{r^2}

    Parts that share a surface speed add up; this is the reflection by the square of the ratio of
    speeds. Mechanics, no source is needed.

    Examples
    --------
    >>> round(equivalent_mass_kg(8.0, 0.225), 3)
    158.025
    """
    require("inertia_kg_m2", inertia_kg_m2, above=0.0, unit="kg m^2")
    require("radius_m", radius_m, above=0.0, unit="m")
    inertia, radius = np.broadcast_arrays(
        np.asarray(inertia_kg_m2, dtype=float), np.asarray(radius_m, dtype=float)
    )
    return float((inertia / radius**2).sum())


def roller_power(
    time_s: ArrayLike,
    roller_speed_m_s: ArrayLike,
    mass_kg: float,
    *,
    absorber_force_n: ArrayLike | None = None,
    losses: Losses | None = None,
    half_width_s: float = HALF_WIDTH_S,
) -> RollerPower:
    r"""Work out the power that a tyre gives a roller from how the roller speeds up.

    Parameters
    ----------
    time_s : array_like. Time of each sample, increasing. [s]
    roller_speed_m_s : array_like. Surface speed of the roller; NaN where not seen. [m/s]
    mass_kg : float. Equivalent mass of all that turns with the surface: the roller, and the wheel
        and driveline where they are to count. See `equivalent_mass_kg`. [kg]
    absorber_force_n : array_like, optional
        Braking force of the absorber at the surface: its torque over the roller's radius. [N]
    losses : Losses, optional
        Of what turns with the surface, from a coast-down. Left out, they are not added.
    half_width_s : float, default 0.25
        Half width of the window of the derivative. Towards the ends of the record the half width
        grows to twice that, so that the window holds as many samples as inside. [s]

    Returns
    -------
    RollerPower. Power with its uncertainty, and the speed.

    Raises
    ------
    ValueError. If time does not increase, the arrays differ in length, the mass or the window is
        not above 0, or fewer than 5 samples were seen.

    Notes
    -----
    .. math:: P = \frac{m}{2} \frac{\mathrm{d} v^2}{\mathrm{d} t} + F_\mathrm{absorber} v
              + F_\mathrm{losses} v

    What figure that is hangs on what is counted. With the roller's mass alone it is the power at
    the roller's surface less what the roller's bearings and air take. With `losses` of a coast-down
    with the bike strapped on and its clutch pulled, the tyre's, the wheel's and part of the
    gearbox's losses are in as well, and the figure lies between wheel and engine. Never compare one
    with the other. The engine's own inertia is never in: a slower sweep reads more.

    The slope is that of a parabola fitted to the square of the speed around each sample with
    Epanechnikov weights: exact for a steady force and for a steady power. Its bias is
    :math:`h^2 \ddot P_k / 14`, and its standard error under independent noise :math:`\sigma` of the
    speed, sampled every :math:`\Delta t`, taken from the residuals,

    .. math:: u(P) = m v \sigma \sqrt{\frac{15 \Delta t}{7 h^3}}

    inside the record; at its ends the noise is some four times that. Give the sweep alone: a window
    over the throttle's opening or closing smears the power on both sides. The uncertainty of the
    mass, which scales all pulls of one roller alike, is not in it.

    Examples
    --------
    250 kg under constant power, 60 kW, from 15 m/s:

    >>> time_s = np.arange(0.0, 5.0, 0.02)
    >>> found = roller_power(time_s, np.sqrt(15.0**2 + 2 * 60_000 / 250 * time_s), 250.0)
    >>> round(float(found.power_w[125]), -2)
    60000.0
    """
    require("mass_kg", mass_kg, above=0.0, unit="kg")
    require("half_width_s", half_width_s, above=0.0, unit="s")
    time = np.asarray(time_s, dtype=float)
    speed = np.asarray(roller_speed_m_s, dtype=float)
    if time.shape != speed.shape or time.ndim != 1:
        raise ValueError(
            f"time_s and roller_speed_m_s must be rows of one length, got {time.shape} and "
            f"{speed.shape}"
        )
    braking = np.zeros(time.shape)
    if absorber_force_n is not None:
        braking = np.asarray(absorber_force_n, dtype=float)
        if braking.shape != time.shape:
            raise ValueError(
                f"absorber_force_n must have the length of time_s, got {braking.shape} and "
                f"{time.shape}"
            )
    seen = np.isfinite(time) & np.isfinite(speed)
    if seen.sum() < LEAST_SAMPLES:
        raise NotToldError("few samples of the roller", samples=seen.sum(), needed=LEAST_SAMPLES)
    if np.any(np.diff(time[np.isfinite(time)]) <= 0.0):
        raise NotToldError("time does not increase")

    seen_speed, seen_braking = speed[seen], braking[seen]
    fit = _parabolas(time[seen], seen_speed, half_width_s)
    around = seen_speed[fit.near]
    smooth = (fit.level * around).sum(axis=1)
    energy_rate = mass_kg / 2.0 * (fit.slope * around**2).sum(axis=1)
    drag = np.zeros(smooth.shape) if losses is None else losses.force_n(smooth)
    power = energy_rate + (seen_braking + drag) * smooth
    # By how much each sample of the speed moves the power: through the energy, and the forces.
    steeper = 0.0
    if losses is not None:
        steeper = losses.per_speed + 2.0 * losses.per_square * smooth
    by_speed = seen_braking + drag + steeper * smooth
    moves = mass_kg * fit.slope * around + by_speed[:, None] * fit.level
    sd = fit.noise * np.sqrt((moves**2).sum(axis=1))

    def spread(values: np.ndarray) -> np.ndarray:
        whole = np.full(time.shape, np.nan)
        whole[seen] = values
        return whole

    return RollerPower(spread(power), spread(sd), spread(smooth))


class _Parabolas(NamedTuple):
    """Parabolas around each sample: which samples they see, and the weights of what they read.

    `level` and `slope` are weights on the samples at `near`; `noise` is the standard deviation of
    a sample about them.
    """

    near: np.ndarray
    level: np.ndarray
    slope: np.ndarray
    noise: float


def _parabolas(time: np.ndarray, value: np.ndarray, half_width_s: float) -> _Parabolas:
    # One-sided windows are as long as whole ones, or their noise would be many times as much.
    to_end = np.minimum(time - time[0], time[-1] - time)
    reach = 2.0 * half_width_s - np.minimum(to_end, half_width_s)
    first = np.searchsorted(time, time - reach, side="right")
    stop = np.searchsorted(time, time + reach, side="left")
    count = stop - first
    index = first[:, None] + np.arange(int(count.max()))
    inside = index < stop[:, None]
    index = np.minimum(index, time.size - 1)
    distance = (time[index] - time[:, None]) / reach[:, None]
    weight = np.where(inside, 1.0 - distance**2, 0.0)
    powers = np.stack((np.ones(distance.shape), distance, distance**2))
    moment = [(weight * distance**power).sum(axis=1) for power in range(5)]
    normal = np.array([[moment[row + column] for column in range(3)] for row in range(3)])
    carried = count >= LEAST_SAMPLES
    inverse = np.full((time.size, 3, 3), np.nan)
    inverse[carried] = np.linalg.inv(normal.transpose(2, 0, 1)[carried])
    level, slope, bend = np.einsum("gpq,qgn->pgn", inverse, weight * powers)
    around = value[index]
    fitted = sum(
        (part * around).sum(axis=1)[:, None] * power
        for part, power in zip((level, slope, bend), powers, strict=True)
    )
    # What the fit takes of the weights: tr[(X'WX)^-1 X'W^2X].
    squared = [(weight**2 * distance**power).sum(axis=1) for power in range(5)]
    spent = sum(
        inverse[:, row, column] * squared[row + column] for row in range(3) for column in range(3)
    )
    scatter = (weight * (around - fitted) ** 2).sum(axis=1) / (moment[0] - spent)
    noise = math.sqrt(float(np.mean(scatter[carried]))) if carried.any() else math.nan
    return _Parabolas(index, level, slope / reach[:, None], noise)


def coast_down(
    time_s: ArrayLike,
    roller_speed_m_s: ArrayLike,
    mass_kg: float,
    *,
    half_width_s: float = HALF_WIDTH_S,
) -> Losses:
    r"""Fit the losses of what turns with a roller to how it runs down by itself.

    Parameters
    ----------
    time_s : array_like. Time of each sample of the coast-down, increasing. [s]
    roller_speed_m_s : array_like
        Surface speed of the roller, clutch pulled and absorber off. [m/s]
    mass_kg : float. Equivalent mass of all that turns with the surface, wheel included. [kg]
    half_width_s : float, default 0.25. Half width of the window of the derivative. [s]

    Returns
    -------
    Losses. Force against speed.

    Raises
    ------
    ValueError. If the coast-down is shorter than 2 s, loses less than a fifth of its speed, or
        gains speed as a whole.

    Notes
    -----
    Least squares of the force :math:`-P/v` on :math:`A + B v + C v^2`, the three terms of a road
    load (40 CFR 1066.210 lists them). On a short coast-down the terms trade with each other: the
    force between the speeds that were seen is good, a single term seldom is.

    Examples
    --------
    200 kg against a steady 100 N lose 0.5 m/s in a second:

    >>> time_s = np.arange(0.0, 20.0, 0.05)
    >>> float(coast_down(time_s, 30.0 - 0.5 * time_s, 200.0).force_n(25.0).round(3))
    100.0
    """
    motion = roller_power(time_s, roller_speed_m_s, mass_kg, half_width_s=half_width_s)
    time = np.asarray(time_s, dtype=float)
    # Half windows at the ends are noisy in the slope.
    whole = (time >= np.nanmin(time) + half_width_s) & (time <= np.nanmax(time) - half_width_s)
    used = whole & (motion.speed_m_s > 0.0)
    speed = motion.speed_m_s[used]
    force = -motion.power_w[used] / speed
    lasts_s = float(np.ptp(time[used])) if used.any() else 0.0
    if lasts_s < LEAST_COAST_S - 2.0 * half_width_s - 1e-9:
        raise ValueError(
            f"the coast-down lasts {lasts_s + 2 * half_width_s:.1f} s, {LEAST_COAST_S:g} s needed"
        )
    fall_share = 1.0 - float(speed[-1] / speed[0])
    if fall_share < LEAST_COAST_FALL:
        raise ValueError(
            f"the coast-down loses {100 * fall_share:.0f} % of its speed, "
            f"{100 * LEAST_COAST_FALL:.0f} % needed"
        )
    # In shares of the top speed the three columns are of one size.
    top = float(speed.max())
    design = np.column_stack([(speed / top) ** power for power in range(3)])
    terms, *_ = np.linalg.lstsq(design, force, rcond=None)
    scatter = math.sqrt(float(((force - design @ terms) ** 2).sum()) / max(speed.size - 3, 1))
    return Losses(
        float(terms[0]),
        float(terms[1] / top),
        float(terms[2] / top**2),
        float(speed.min()),
        top,
        scatter,
    )


def coasting_part(
    time_s: ArrayLike,
    roller_speed_m_s: ArrayLike,
    engine_speed_rpm: ArrayLike,
    sweep: slice,
) -> slice | None:
    """Return the coast-down after a sweep: the roller runs on, the engine no longer with it.

    Parameters
    ----------
    time_s : array_like. Time of each sample, increasing. [s]
    roller_speed_m_s : array_like. Surface speed of the roller. [m/s]
    engine_speed_rpm : array_like. Engine speed. [rpm]
    sweep : slice. Samples of the sweep.

    Returns
    -------
    slice or None. Samples of the longest such part; None where there is none of 2 s. With the
        clutch in gear the engine brakes as well, and that is no loss of the roller.

    Notes
    -----
    Uncoupled means that engine over roller speed is below 80 % of the sweep's median. Common
    practice, no source.

    Examples
    --------
    >>> time_s = np.arange(0.0, 10.0, 0.1)
    >>> roller = np.interp(time_s, [0, 5, 10], [10.0, 40.0, 20.0])
    >>> engine = np.where(time_s < 5.5, 200.0 * roller, 1500.0)
    >>> coasting_part(time_s, roller, engine, slice(0, 50))
    slice(55, 100, None)
    """
    time, roller, engine = (
        np.asarray(column, dtype=float) for column in (time_s, roller_speed_m_s, engine_speed_rpm)
    )
    ratio = np.divide(engine, roller, out=np.full(time.shape, np.nan), where=roller > 1.0)
    coupled = ratio[sweep]
    if not np.isfinite(coupled).any():
        return None
    free = ratio < UNCOUPLED_SHARE * float(np.nanmedian(coupled))
    free[: sweep.stop] = False
    edges = np.flatnonzero(np.diff(np.concatenate(([False], free, [False])).astype(int)))
    parts = [
        slice(int(first), int(stop))
        for first, stop in zip(edges[::2], edges[1::2], strict=True)
        if time[stop - 1] - time[first] >= LEAST_COAST_S
    ]
    return max(parts, key=lambda part: time[part.stop - 1] - time[part.start], default=None)
