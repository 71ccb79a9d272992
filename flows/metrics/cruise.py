"""The part-throttle mixture of a ride: one clock, only steady evidence, cell by cell.

A probe shows the mixture late, so `aligned_lambda` comes before any sorting by throttle or speed.
"""

from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage, special

from flows.metrics.domain_checks import require

FloatArray = NDArray[np.float64]

THROTTLE_EDGES_PCT = (0.0, 2.0, 5.0, 10.0, 15.0, 20.0, 30.0, 40.0, 60.0, 80.0, 100.0)
"""Edges of the throttle cells, finer where a small opening changes the air most. [%]"""

SPEED_EDGES_RPM = tuple(float(edge) for edge in range(0, 15_000, 1000))
"""Edges of the engine-speed cells. [rpm]"""

PRESSURE_EDGES_PA = tuple(float(edge) for edge in range(10_000, 110_001, 10_000))
"""Edges of the manifold-pressure cells of an engine without a blower. [Pa]"""

EFFECT_EDGES_PCT = (0.0, 3.0, 6.0, 9.0, 12.0, 16.0, 20.0, 25.0, 30.0, 36.0, 42.0, 48.0, 55.0, 63.0,
                    72.0, 82.0, 92.0, 101.0)  # fmt: skip
"""Edges between which `steady_effect` takes openings together. [%]"""

REASONS = (
    "",
    "no lambda",
    "lambda in doubt",
    "no throttle or speed",
    "cold engine",
    "fuel cut",
    "stopped or idling",
    "gear change or clutch",
    "throttle moving",
    "speed moving",
    "pressure moving",
    "settling",
    "low flow at the tailpipe",
    "full throttle",
    "between open and closed loop",
)
"""Why a sample is not evidence, in order of precedence; "" is steady evidence."""

LONGEST_GAP_S = 0.5
"""Clock gap above which a log is taken as broken: ten samples of the slowest usual logger. [s]"""

LOW_FLOW_RPM = 1500.0
"""The throttle's share of engine speed below which a probe in the tailpipe is no evidence: the
exhaust then flows about as at this speed with the throttle open. That it reads lean there is common
practice, no source; where it begins is our judgement. [rpm]"""

OUTSIDE_AIR_PCT = 2.0
"""Most by which outside air makes a probe in the tailpipe read lean at `LOW_FLOW_RPM`; common
practice that it does, our judgement how much. [%]"""

RAILS = (0.72, 1.25)
"""Where scales of gauges may end, at the latest: within them a figure that stands is a steady
mixture. [1]"""

LEAST_LAMBDA = 0.5
"""Lambda below which a gauge is dead or disconnected: no engine fires there. [1]"""
DIFFERENCE_S = 0.2
"""Time over which a delay's changes are taken: shorter lets gauge noise in, longer lets trends."""
LEAST_STRENGTH = 0.1
"""Correlation below which a delay has no answer; in a short ride, four standard errors of no
correlation if that is more."""
RASTER_S = 0.01
"""Step of the even raster that a delay is looked for on: a parabola finds the top between."""
LONGEST_DELAY_S = 0.6
"""Longest delay or transport looked for: twice the longest that common probes show."""
LONGEST_LAG_S = 0.4
"""Longest time constant of a probe that is looked for."""
FEWEST_FALLS, MOST_FALLS = 8, 200
"""Falls of the driver that a probe's response needs, and the most that are used: the greatest."""
WIDEST_ARRIVAL_S = 0.06
"""Half width of arrival above which a probe's response has no answer."""
LEAST_EFFECT_SAMPLES = 20
"""Samples that a place of the throttle must have to show a steady effect."""
LOOP_HZ = (0.5, 3.0)
"""Cycles from lean to rich and back in a second, of a controller on a switching sensor; common
practice, no source."""
LEAN_BELOW_V, RICH_ABOVE_V = 0.3, 0.6
"""Narrowband voltages that count as lean and as rich; between them nothing is told."""
LEAST_CYCLES = 3
"""Cycles of that length in a row that are closed loop."""
TRIM_WINDOW_S = 4.0
"""Time about each sample within which the trim of a closed loop must move."""
LEAST_TRIM_CHANGE_PCT = 0.5
"""Its least change: below the step in which trims are logged."""
LOOP_REACH_S = 2.0
"""How far beyond the sensor's first and last turn the controller may be at work: the slowest takes
that long for a cycle."""
MOST_THROTTLE_CHANGE_PCT = 2.0
"""Greatest change of the throttle while steady: the narrowest cell, twice a hand's tremor."""
MOST_SPEED_CHANGE_RPM = 200.0
"""Greatest change of the engine speed while steady: a fifth of a cell, and well above the ripple of
a single at low speed."""
WARM_COOLANT_K = 343.0
"""70 °C: below it most engines still enrich for warming up."""
CLOSED_THROTTLE_PCT = 2.0
"""Opening that counts as closed: the play of a worn throttle sensor."""
CUT_LAMBDA = 1.25
"""With a closed throttle, leaner than any engine runs: fuel is cut."""
CUT_AFTER_S = 0.5
"""Time after a cut in which air is still leaving the exhaust."""
LEAST_SPEED_RPM = 1500.0
"""Engine speed below which the engine idles."""
LEAST_ROLLER_SPEED_M_S = 1.5
"""Speed below which the bike is standing or being paddled."""
MOST_RATIO_CHANGE_SHARE = 0.06
"""Greatest change of engine speed over roller speed while steady: half of the smallest step between
two gears."""
ROLLER_RESOLUTION_M_S = 0.3
"""Step of a speed logged in whole km/h, allowed on top."""
FULL_THROTTLE_PCT = 90.0
"""Opening that is judged in pulls, against another target."""
MOST_PRESSURE_CHANGE_PA = 5000.0
"""Greatest change of manifold pressure while steady: half a cell, and above the pulse that a logger
catches of a single."""
DOUBT_WINDOW_S = 10.0
"""Time about each sample over which impossible readings are counted."""
MOST_IMPOSSIBLE_SHARE = 0.1
"""Share of readings in that window, or in the whole log, that no running engine gives."""
STILL_S = 3.0
"""Time for which the very same reading may stand while the throttle moves."""
STILL_THROTTLE_PCT = 5.0
"""Movement of the throttle that any gauge must follow."""
MOST_SCALE_ERROR_SHARE = 0.025
"""How far the median of closed-loop running may be from lambda 1: beyond what gauge and narrowband
are off together; common practice, no source."""
RAIL_S = 0.5
"""Time for which the log's greatest or smallest figure must stand, with the throttle open, to be
the end of the gauge's scale: the mixture lies somewhere beyond."""


class Delay(NamedTuple):
    """How late the probe shows the mixture.

    Attributes
    ----------
    delay_s : float. Delay; NaN if the two channels have too little in common. [s]
    strength : float. Size of the correlation at that delay, 0 to 1. [1]
    """

    delay_s: float
    strength: float


class ProbeResponse(NamedTuple):
    """How a probe shows the mixture: late by transport, smeared by a first-order lag.

    Attributes
    ----------
    transport_s : float
        Time of the gas to the probe, at `flow` if it falls with flow; NaN if not found. [s]
    lag_s : float. Time constant of the probe and its electronics; NaN if not found. [s]
    arrival_s : float
        Transport and lag together, by which slow changes come late: what to align by. [s]
    arrival_half_width_s : float. Of its 95 % interval; transport and lag alone are known much
        worse, since they stand in for one another. [s]
    moves : int. Falls of the driver that were used.
    per_flow : float. Transport volume: transport time is a constant plus this over the flow; 0
        where one time for all flows says as much. [s times the unit of the flow]
    flow : float. Median flow in the falls; NaN without `per_flow`. In the caller's unit.
    flow_from, flow_to : float
        Range of the flow in the falls; NaN without `per_flow`. In the caller's unit.
    """

    transport_s: float
    lag_s: float
    arrival_s: float
    arrival_half_width_s: float
    moves: int
    per_flow: float
    flow: float
    flow_from: float
    flow_to: float


class SteadyCell(NamedTuple):
    """What was steady in one cell of load and engine speed, and how well it is known.

    Attributes
    ----------
    load_from, load_to : float
        Load from (included) to (not included, but for the last cell), in the unit of its edges.
    speed_from_rpm, speed_to_rpm : float. Engine speed, likewise. [rpm]
    load_mean : float. Time-weighted mean of the load of its samples, in the unit of its edges.
    speed_mean_rpm : float. That of their engine speed. [rpm]
    median : float. Time-weighted median of the value, in its unit.
    spread : float. Time-weighted robust standard deviation.
    standard_error : float. Of the median, from the samples that count as independent.
    half_width : float
        Of its 95 % interval; what all readings share, as a gauge's accuracy, is not in it.
    effective_samples : float. Independent samples that would say as much. [1]
    hits : int. Samples.
    dwell_s : float. Time spent. [s]
    in_band_share : float. Share of that time within the band; NaN without one. [1]
    """

    load_from: float
    load_to: float
    speed_from_rpm: float
    speed_to_rpm: float
    load_mean: float
    speed_mean_rpm: float
    median: float
    spread: float
    standard_error: float
    half_width: float
    effective_samples: float
    hits: int
    dwell_s: float
    in_band_share: float


def aligned_lambda(
    time_s: ArrayLike,
    lambda_wide: ArrayLike,
    delay_s: ArrayLike,
    *,
    longest_gap_s: float = LONGEST_GAP_S,
) -> FloatArray:
    r"""Return the mixture that belongs to the engine's state at each time.

    Parameters
    ----------
    time_s : array_like. Clock of the log, ascending. [s]
    lambda_wide : array_like. Lambda as shown by a wideband probe; NaN where there is none. [1]
    delay_s : float or array_like
        How late the probe shows it, one for all or each sample's own. [s]
    longest_gap_s : float, default 0.5. Longest stretch without a reading that a straight line may
        cross: beyond it the engine can have been anywhere. [s]

    Returns
    -------
    ndarray. Lambda seen at each time plus the delay; NaN beyond the end and in gaps. [1]

    Raises
    ------
    ValueError. If the clock does not ascend, the lengths differ, or the delay is below 0.

    Notes
    -----
    .. math:: \lambda_a(t) = \lambda(t + d)

    by straight lines between readings. Exhaust gas takes 50 ms to 300 ms to the probe, longest at
    low flow. The probe's own lag is not undone, which would multiply the gauge's noise: taken in as
    part of the delay it leaves slow changes in place.

    Examples
    --------
    >>> aligned_lambda([0.0, 0.1, 0.2, 0.3], [0.90, 0.92, 0.94, 0.96], 0.15)
    array([0.93, 0.95,  nan,  nan])
    """
    time, shown = _one_clock(time_s, lambda_wide=lambda_wide)
    require("delay_s", delay_s, at_least=0.0, unit="s")
    require("longest_gap_s", longest_gap_s, above=0.0, unit="s")
    late = np.asarray(delay_s, dtype=float)
    if late.ndim and late.shape != time.shape:
        raise ValueError(f"delay_s must match time_s in length, got {late.shape} for {time.shape}")
    return _read_at(time + late, time, shown, longest_gap_s)


def estimated_delay_s(
    time_s: ArrayLike,
    driver: ArrayLike,
    lambda_wide: ArrayLike,
) -> Delay:
    r"""Return how late lambda follows a channel that drives it.

    Parameters
    ----------
    time_s : array_like. Clock of the log, ascending. [s]
    driver : array_like
        What moves the mixture: throttle, injector time or manifold pressure, in any unit.
    lambda_wide : array_like. Lambda as shown by the probe. [1]

    Returns
    -------
    Delay. Delay and strength; the delay is NaN if the correlation is too weak, or greatest at an
        end of the range looked through.

    Raises
    ------
    ValueError. If the clock does not ascend or the lengths differ.

    Notes
    -----
    The delay is the lag of the greatest

    .. math::
        |r_l| = \frac{|\sum_i u_i\, v_{i+l}|}{\sqrt{\sum_i u_i^2 \, \sum_i v_{i+l}^2}}

    of both channels' differences :math:`u_i = x_{i+h} - x_i` on an even raster (two trends
    correlate best at no delay at all), refined by the parabola through its neighbours. Only falls
    of the driver count: an opening throttle leans the mixture by its rate as well as by its place,
    which makes the answer up to 0.1 s too early. Readings leaner than `CUT_LAMBDA` and dead ones
    are left out: a fuel cut comes at the ECU's own time and would outvote the ride. Includes what
    the probe's own lag adds. A ride at constant speed gives NaN.

    Examples
    --------
    >>> time = np.arange(0.0, 10.0, 0.02)
    >>> def pulse(at):
    ...     return np.exp(-0.5 * ((time - at) / 0.5) ** 2)
    >>> estimated_delay_s(time, pulse(4.0), 1.0 + 0.1 * pulse(4.173)).delay_s
    0.173
    """
    time, push, shown = _one_clock(time_s, driver=driver, lambda_wide=lambda_wide)
    nothing = Delay(float("nan"), 0.0)
    lags = round(LONGEST_DELAY_S / RASTER_S)
    step = max(1, round(DIFFERENCE_S / RASTER_S))
    if time.size < 2:
        return nothing
    raster = np.arange(time[0], time[-1], RASTER_S)
    if raster.size <= 2 * (lags + step):
        return nothing
    shown = np.where((shown >= LEAST_LAMBDA) & (shown <= CUT_LAMBDA), shown, np.nan)
    moves = []
    for channel in (push, shown):
        even = _read_at(raster, time, channel, LONGEST_GAP_S)
        moves.append(np.nan_to_num(even[step:] - even[:-step], nan=0.0))

    before, after = moves
    before = np.minimum(before, 0.0)
    length = before.size
    strength = np.full(lags + 2, 0.0)
    # One lag beyond either end, so that a top at the end can be told from a slope.
    for place, lag in enumerate(range(-1, lags + 1)):
        u = before[max(0, -lag) : length - max(0, lag)]
        v = after[max(0, lag) : length + min(0, lag)]
        size = np.sqrt((u @ u) * (v @ v))
        strength[place] = abs(u @ v) / size if size > 0.0 else 0.0
    top = int(np.argmax(strength))
    found = float(strength[top])
    # Differences that overlap are not independent: one counts for each 0.2 s.
    by_chance = 4.0 / np.sqrt(length / step)
    if found < max(LEAST_STRENGTH, by_chance) or top in (0, strength.size - 1):
        return Delay(float("nan"), found)
    left, right = strength[top - 1], strength[top + 1]
    shift = 0.5 * (left - right) / (left - 2.0 * found + right)
    return Delay(max(0.0, (top - 1 + float(shift)) * RASTER_S), found)


def probe_response(
    time_s: ArrayLike,
    driver: ArrayLike,
    lambda_wide: ArrayLike,
    *,
    effect: ArrayLike | None = None,
    engine_speed_rpm: ArrayLike | None = None,
    flow: ArrayLike | None = None,
) -> ProbeResponse:
    r"""Return transport time and lag of a probe, from how lambda follows the driver's falls.

    Parameters
    ----------
    time_s, driver : As in `estimated_delay_s`.
    lambda_wide : array_like. Lambda as shown by a wideband probe; NaN where it is in doubt or the
        loop is closed, for there the ECU moves the mixture and not the driver. A fall of which a
        fifth is not seen does not count. [1]
    effect : array_like, optional. What the driver's place does to a steady mixture, from
        `steady_effect`, in any unit. Without it the mixture is taken to follow the driver evenly;
        where most of the change comes in a part of the movement, the answer is then off by a third
        of the time that the movement takes. [1]
    engine_speed_rpm : array_like, optional
        Engine speed, which falls with the throttle and moves the mixture too. Without it a
        straight line in time stands in, and the answer can be 0.05 s too early. [rpm]
    flow : array_like, optional. Anything in proportion to exhaust flow: injector time or pressure
        times engine speed. Without it transport is one time.

    Returns
    -------
    ProbeResponse. NaN times where the falls are too few or say too little, as at steady speed.

    Raises
    ------
    ValueError. If the clock does not ascend or the lengths differ.

    Notes
    -----
    In the window about each fall, from 0.4 s before to 1.5 s after it and never within 1 s of an
    opening, whose tip-in excursion would pass for a delay,

    .. math::
        \lambda(t) = a_e + b_e\, g(t - d) + c_e\, n(t - d), \qquad
        \tau \dot g = u - g

    with driver (or its effect) :math:`u`, engine speed :math:`n` lagged alike, and :math:`a, b, c`
    free in every fall. Delay and time constant are common to all falls and found by Gauss-Newton
    steps from the best of a coarse grid; :math:`d = d_0 + V / q` where the flow :math:`q` differs
    by more than 1.5 times between the falls and :math:`V` is above three of its standard errors.
    Intervals come from the curvature with the scatter between the falls and Student's t. An answer
    must fit better than any delay below nothing does.

    Not in the intervals: a map that bends strongly over the speeds of one fall (0.02 of lambda
    up and down within 4000 rpm) makes lag and arrival up to 0.03 s too short and transport up to
    0.025 s too long. Lift-off excursions of wall film, if the same in all falls, pass for lag.

    Examples
    --------
    >>> time = np.arange(0.0, 60.0, 0.02)
    >>> throttle = np.interp(time % 6.0, [0.0, 1.0, 3.0, 3.3, 6.0], [20.0, 30.0, 30.0, 20.0, 20.0])
    >>> shown = np.interp(time - 0.2, time, 1.0 + 0.002 * throttle)
    >>> found = probe_response(time, throttle, shown + 1e-5 * np.sin(time * 77.0))
    >>> round(found.arrival_s, 2)
    0.2
    """
    time, push, shown = _one_clock(time_s, driver=driver, lambda_wide=lambda_wide)
    beside, volume, moved = (
        None if channel is None else _one_clock(time_s, **{name: channel})[1]
        for name, channel in (
            ("engine_speed_rpm", engine_speed_rpm),
            ("flow", flow),
            ("effect", effect),
        )
    )
    nan = float("nan")
    nothing = ProbeResponse(nan, nan, nan, nan, 0, 0.0, nan, nan, nan)
    falls = _falls(time, push, moved, shown, beside, volume)
    if falls is None or falls.moves < FEWEST_FALLS:
        return nothing

    best = (np.inf, 0.0, 0.0)
    for lag in (0.03, 0.1, 0.2):
        for delay in np.arange(0.0, LONGEST_DELAY_S + 0.01, 0.05):
            best = min(best, (falls.misfit(float(delay), 0.0, lag), float(delay), lag))
    start = np.array([best[1], 0.0, best[2]])
    limits = (LONGEST_DELAY_S, LONGEST_LAG_S)
    found, covariance = falls.fitted(start, limits, use_flow=False)
    least = falls.misfit(*found)
    # What a delay below nothing explains is chance or the driver's own regularity.
    chance = min(falls.misfit(float(delay), 0.0, 0.1) for delay in np.arange(-0.6, -0.15, 0.05))
    told = 0.0 < found[0] < LONGEST_DELAY_S and chance > least * np.exp(12.0 / falls.moves)

    per_flow, middle, ends = 0.0, float("nan"), (float("nan"), float("nan"))
    low, high = np.quantile(falls.flow, [0.05, 0.95])
    if told and high > 1.5 * low:
        flowing, spread = falls.fitted(found, limits, use_flow=True)
        if flowing[1] > 3.0 * np.sqrt(spread[1, 1]):
            per_flow, middle = float(flowing[1]), float(np.median(falls.flow))
            ends = (float(falls.flow.min()), float(falls.flow.max()))
            # Transport at the median flow: the sum of its two parts there.
            turn = np.eye(3)
            turn[0, 1] = 1.0 / middle
            found, covariance = turn @ flowing, turn @ spread @ turn.T
    student = float(special.stdtrit(falls.moves - (3 if per_flow else 2), 0.975))
    both = student * np.sqrt(max(0.0, float(covariance[np.ix_([0, 2], [0, 2])].sum())))
    if not told or both > WIDEST_ARRIVAL_S:
        return nothing._replace(moves=falls.moves)
    return ProbeResponse(
        transport_s=float(found[0]),
        lag_s=float(found[2]),
        arrival_s=float(found[0] + found[2]),
        arrival_half_width_s=float(both),
        moves=falls.moves,
        per_flow=per_flow,
        flow=middle,
        flow_from=ends[0],
        flow_to=ends[1],
    )


def steady_effect(
    driver: ArrayLike,
    lambda_aligned: ArrayLike,
) -> FloatArray:
    """Return the mixture that each place of the driver usually has, sample by sample.

    Parameters
    ----------
    driver : array_like. Throttle opening, in the unit of `edges`.
    lambda_aligned : array_like
        Lambda with a rough delay taken out; NaN where it is in doubt or the loop is closed. [1]

    Returns
    -------
    ndarray. Straight lines between the medians of the places; NaN where nothing can be told, or the
        driver was not seen. [1]

    Raises
    ------
    ValueError. If the lengths differ, or the edges do not ascend.

    Notes
    -----
    For `probe_response`: a map that enriches from half throttle on changes the mixture in the
    first part of a closing movement only. The rough delay of the samples does not matter to
    medians, which are of time spent in each place.

    Examples
    --------
    >>> steady_effect([10.0, 30.0] * 20 + [20.0], [0.98, 0.94] * 20 + [0.5])[-3:]
    array([0.98, 0.94, 0.96])
    """
    place, mixture = np.asarray(driver, dtype=float), np.asarray(lambda_aligned, dtype=float)
    if mixture.shape != place.shape:
        raise ValueError(
            f"lambda_aligned must match driver in length, got {mixture.shape} for {place.shape}"
        )
    kept = np.isfinite(place) & (mixture >= LEAST_LAMBDA) & (mixture <= CUT_LAMBDA)
    cell = np.where(kept, _cell_of(place, np.array(EFFECT_EDGES_PCT)), -1)
    middles, medians = [], []
    for number in np.unique(cell[cell >= 0]):
        chosen = cell == number
        if chosen.sum() >= LEAST_EFFECT_SAMPLES:
            middles.append(float(np.median(place[chosen])))
            medians.append(float(np.median(mixture[chosen])))
    if len(middles) < 2:
        return np.full(place.shape, np.nan)
    return np.interp(place, middles, medians)


def arrival_at_flow_s(response: ProbeResponse, flow: ArrayLike) -> FloatArray:
    r"""Return how late the mixture of each sample is shown, at its flow.

    Parameters
    ----------
    response : ProbeResponse. From `probe_response`.
    flow : array_like. Exhaust flow of each sample, in the unit that `probe_response` was given.

    Returns
    -------
    ndarray
        Transport and lag, for `aligned_lambda`; that at median flow where flow is not seen. [s]

    Raises
    ------
    ValueError. If a flow is below 0.

    Notes
    -----
    .. math:: d(q) + \tau = d(q_m) + V \left( \frac{1}{q} - \frac{1}{q_m} \right) + \tau

    Flows beyond those of the falls count as the nearest of them: nothing was seen there.

    Examples
    --------
    >>> response = ProbeResponse(0.2, 0.08, 0.28, 0.01, 40, 0.1, 1.0, 0.5, 2.0)
    >>> arrival_at_flow_s(response, [0.1, 0.5, 1.0, 2.0])
    array([0.38, 0.38, 0.28, 0.23])
    """
    volume = np.asarray(flow, dtype=float)
    require("flow", volume, at_least=0.0)
    if response.per_flow == 0.0:
        return np.full(volume.shape, response.arrival_s)
    seen = np.clip(volume, response.flow_from, response.flow_to)
    seen = np.where(np.isfinite(volume), seen, response.flow)
    late = response.arrival_s + response.per_flow * (1.0 / seen - 1.0 / response.flow)
    return np.maximum(late, 0.0)


def sample_duration_s(time_s: ArrayLike) -> FloatArray:
    """Return the time each sample stands for.

    Parameters
    ----------
    time_s : array_like. Clock of the log, ascending. [s]

    Returns
    -------
    ndarray. Half of the interval to either neighbour; nothing of one longer than 0.5 s, or than 1.5
        times the median interval of a logger slower than that. [s]

    Raises
    ------
    ValueError. If the clock does not ascend.

    Examples
    --------
    >>> sample_duration_s([0.0, 0.1, 0.2, 5.0, 5.1])
    array([0.05, 0.1 , 0.05, 0.05, 0.05])
    """
    (time,) = _one_clock(time_s)
    if time.size < 2:
        return np.zeros(time.shape)
    interval = np.diff(time)
    limit = max(LONGEST_GAP_S, 1.5 * float(np.median(interval)))
    half = np.where(interval <= limit, 0.5 * interval, 0.0)
    return np.concatenate([[0.0], half]) + np.concatenate([half, [0.0]])


def exclusion_reasons(
    time_s: ArrayLike,
    *,
    throttle_pct: ArrayLike,
    engine_speed_rpm: ArrayLike,
    coolant_temp_k: ArrayLike | None = None,
    lambda_aligned: ArrayLike | None = None,
    injector_time_s: ArrayLike | None = None,
    gear: ArrayLike | None = None,
    roller_speed_m_s: ArrayLike | None = None,
    map_pressure_pa: ArrayLike | None = None,
    doubtful: ArrayLike | None = None,
    between_loops: ArrayLike | None = None,
    probe: str = "collector",
    window_s: float = 0.5,
    settle_s: float = 0.5,
) -> NDArray[np.str_]:
    """Return for each sample why it is not steady evidence of the mixture, or "".

    Parameters
    ----------
    time_s : array_like. Clock of the log, ascending. [s]
    throttle_pct : array_like. Throttle opening. [%]
    engine_speed_rpm : array_like. Engine speed. [rpm]
    coolant_temp_k : array_like, optional. Coolant temperature; without it no sample is cold. [K]
    lambda_aligned : array_like, optional
        Lambda from `aligned_lambda`; without it there is no evidence at all. [1]
    injector_time_s : array_like, optional. Injector opening time. [s]
    gear : array_like, optional. Gear; only its changes are used.
    roller_speed_m_s : array_like, optional. Speed of roller or road. [m/s]
    map_pressure_pa : array_like, optional. Manifold pressure. [Pa]
    doubtful : array_like of bool, optional
        Where the gauge is not to be believed, from `doubtful_lambda`.
    between_loops : array_like of bool, optional
        Where neither open nor closed loop is sure, from `near_closed_loop_mask`.
    probe : str, default "collector"
        The probe's place: "port", "header", "collector" or "tailpipe".
    window_s : float, default 0.5. Time about each sample within which changes are judged: the
        longest usual probe delay and lag together. [s]
    settle_s : float, default 0.5. Time to wait after movement, the beginning of the log or a gap:
        wall film and probe follow late. [s]

    Returns
    -------
    ndarray of str. One of `REASONS` each; where several hold, the first in that order.

    Raises
    ------
    ValueError. If the clock does not ascend, the lengths differ, or a choice is below 0.

    Notes
    -----
    Thresholds are common practice, no source. A gauge below 0.5 is dead and counts as no
    lambda. A sample whose coolant, injector, gear or roller speed was not logged is not judged
    by it. Without roller speed and gear, a clutch pulled at steady engine speed goes unseen.
    Windows are counted in samples of the median interval, three at least, so the answer does not
    hang on the logging rate from about 5 Hz upwards.

    Examples
    --------
    >>> time = np.arange(0.0, 3.0, 0.1)
    >>> reasons = exclusion_reasons(
    ...     time,
    ...     throttle_pct=np.full(30, 20.0),
    ...     engine_speed_rpm=np.full(30, 4000.0),
    ...     lambda_aligned=np.full(30, 0.97),
    ... )
    >>> str(reasons[0]), str(reasons[-1])
    ('settling', '')
    """
    time, throttle, speed = _one_clock(
        time_s, throttle_pct=throttle_pct, engine_speed_rpm=engine_speed_rpm
    )
    require("window_s", window_s, at_least=0.0, unit="s")
    require("settle_s", settle_s, at_least=0.0, unit="s")
    absent = np.full(time.shape, np.nan)
    coolant, mixture, injector, gears, roller, pressure = (
        absent if channel is None else _one_clock(time_s, **{name: channel})[1]
        for name, channel in (
            ("coolant_temp_k", coolant_temp_k),
            ("lambda_aligned", lambda_aligned),
            ("injector_time_s", injector_time_s),
            ("gear", gear),
            ("roller_speed_m_s", roller_speed_m_s),
            ("map_pressure_pa", map_pressure_pa),
        )
    )
    doubt, between = (
        np.zeros(time.shape, dtype=bool) if flag is None else np.asarray(flag, bool)
        for flag in (doubtful, between_loops)
    )
    for name, flag in (("doubtful", doubt), ("between_loops", between)):
        if flag.shape != time.shape:
            raise ValueError(f"{name} must match time_s in length, got {flag.shape}")
    require("coolant_temp_k", coolant, above=0.0, unit="K")

    # Comparisons with NaN are false: what was not logged excludes nothing.
    count = _window_samples(time, window_s)
    cut = ((throttle <= CLOSED_THROTTLE_PCT) & (mixture > CUT_LAMBDA)) | (injector <= 0.0)
    rolling = np.where(roller >= LEAST_ROLLER_SPEED_M_S, roller, np.nan)
    ratio = speed / rolling
    allowed = (MOST_RATIO_CHANGE_SHARE + ROLLER_RESOLUTION_M_S / rolling) * ratio
    shifting = (_change(ratio, count) > allowed) | (_change(gears, count) > 0.0)
    throttle_moves = _change(throttle, count) > MOST_THROTTLE_CHANGE_PCT
    speed_moves = _change(speed, count) > MOST_SPEED_CHANGE_RPM
    pressure_moves = _change(pressure, count) > MOST_PRESSURE_CHANGE_PA
    unseen = ~(np.isfinite(throttle) & np.isfinite(speed))
    moves = throttle_moves | speed_moves | pressure_moves
    unsettled = shifting | moves | unseen | _starts(time)

    holds = {
        "no lambda": ~(mixture >= LEAST_LAMBDA),
        "lambda in doubt": doubt,
        "no throttle or speed": unseen,
        "cold engine": coolant < WARM_COOLANT_K,
        "fuel cut": _lately(time, cut, CUT_AFTER_S),
        "stopped or idling": (speed < LEAST_SPEED_RPM) | (roller < LEAST_ROLLER_SPEED_M_S),
        "gear change or clutch": shifting,
        "throttle moving": throttle_moves,
        "speed moving": speed_moves,
        "pressure moving": pressure_moves,
        "settling": _lately(time, unsettled, settle_s),
        "low flow at the tailpipe": (throttle / 100.0 * speed < LOW_FLOW_RPM)
        & (probe == "tailpipe"),
        "full throttle": throttle >= FULL_THROTTLE_PCT,
        "between open and closed loop": between,
    }
    code = np.zeros(time.shape, dtype=np.intp)
    for reason in reversed(REASONS[1:]):
        code[holds[reason]] = REASONS.index(reason)
    # As objects: every sample of a long ride as text of its own would fill the memory.
    return np.array(REASONS, dtype=object)[code]


def outside_air_most_pct(
    throttle_pct: ArrayLike, engine_speed_rpm: ArrayLike, probe: str
) -> FloatArray:
    r"""Return how much leaner than the engine runs a probe may read by its place.

    Parameters
    ----------
    throttle_pct, engine_speed_rpm : As in `exclusion_reasons`.
    probe : str. The probe's place: "port", "header", "collector" or "tailpipe".

    Returns
    -------
    ndarray. Most by which the reading is too lean; 0 anywhere but in a tailpipe. [%]

    Notes
    -----
    .. math:: a = a_0 \, q_0 / q, \qquad q = \frac{\alpha}{100} \, n

    A pulsing outlet draws back about the same amount of air whatever else flows, so its share
    falls as the flow :math:`q` grows; :math:`a_0` is `OUTSIDE_AIR_PCT` at :math:`q_0`,
    `LOW_FLOW_RPM`. It is a limit on one side, not a correction.

    Examples
    --------
    >>> outside_air_most_pct([30.0, 60.0], 5000.0, "tailpipe")
    array([2., 1.])
    """
    throttle, speed = np.broadcast_arrays(
        np.asarray(throttle_pct, dtype=float), np.asarray(engine_speed_rpm, dtype=float)
    )
    if probe != "tailpipe":
        return np.zeros(throttle.shape)
    flow = np.clip(throttle / 100.0 * speed, LOW_FLOW_RPM, None)
    return OUTSIDE_AIR_PCT * LOW_FLOW_RPM / flow


def weighted_median(values: ArrayLike, weights: ArrayLike) -> float:
    """Return the value with half of the weight on either side.

    Merges the medians of several rides in one cell when weighted by their dwell.

    Parameters
    ----------
    values : array_like. Values; those that are NaN are left out.
    weights : array_like. Their weights.

    Returns
    -------
    float. Weighted median; the middle of two values where half of the weight ends between them, as
        in the plain median of an even number; NaN if no value has weight.

    Raises
    ------
    ValueError. If the lengths differ, or a weight is below 0 or not seen.

    Examples
    --------
    >>> weighted_median([0.95, 1.00, 1.10], [10.0, 25.0, 5.0])
    1.0
    """
    value = np.atleast_1d(np.asarray(values, dtype=float))
    weight = np.atleast_1d(np.asarray(weights, dtype=float))
    if value.shape != weight.shape or value.ndim != 1:
        raise ValueError(
            f"weights must match values in length, got {weight.shape} for {value.shape}"
        )
    require("weights", weight, at_least=0.0)
    if np.isnan(weight).any():
        raise ValueError("weights must be seen, got nan")
    kept = np.isfinite(value) & (weight > 0.0)
    if not kept.any():
        return float("nan")
    group = np.zeros(int(kept.sum()), dtype=np.intp)
    return float(_medians(value[kept], weight[kept], group)[0])


def steady_cells(
    time_s: ArrayLike,
    load: ArrayLike,
    engine_speed_rpm: ArrayLike,
    value: ArrayLike,
    reasons: ArrayLike,
    *,
    load_edges: ArrayLike = THROTTLE_EDGES_PCT,
    speed_edges_rpm: ArrayLike = SPEED_EDGES_RPM,
    band: tuple[ArrayLike, ArrayLike] | None = None,
    longest_memory_s: float = 5.0,
    resolution: float = 0.0,
) -> list[SteadyCell]:
    r"""Return the median of any steady quantity over load and speed, with its standard error.

    Parameters
    ----------
    time_s : array_like. Clock of the log, ascending. [s]
    load : array_like. Throttle opening or manifold pressure, in the unit of `load_edges`.
    engine_speed_rpm : array_like. Engine speed. [rpm]
    value : array_like. Lambda from `aligned_lambda`, or fuel from `trim_fuel_pct` where the loop is
        closed (NaN elsewhere).
    reasons : array_like of str. From `exclusion_reasons`; only samples with "" count.
    load_edges : array_like, default THROTTLE_EDGES_PCT
        Edges of the load cells, ascending; `PRESSURE_EDGES_PA` for pressure.
    speed_edges_rpm : array_like, default SPEED_EDGES_RPM
        Edges of the speed cells, ascending. [rpm]
    band : (array_like, array_like), optional
        Lowest and highest value wanted, both included: for all samples or each.
    longest_memory_s : float, default 5. Time beyond which readings count as independent; so do
        readings on either side of an excluded stretch. [s]
    resolution : float, default 0. Step in which the value was logged; its standard deviation within
        a step is added to the standard error.

    Returns
    -------
    list of SteadyCell. Cells that were visited, by ascending load, then speed.

    Raises
    ------
    ValueError. If the clock or edges do not ascend, the lengths differ, the band is upside down, or
        a choice is below 0.

    Notes
    -----
    .. math::
        n_e = \frac{(\sum_i w_i)^2}{\sum_{i,j} w_i w_j\, \rho(|t_i - t_j|)}, \qquad
        s = \sqrt{\frac{\pi}{2}} \, \frac{\sigma}{\sqrt{n_e}}

    with :math:`\rho` the autocorrelation of the side of the cell's median on which a reading lies,
    of all cells together since one alone is too short, up to where it first falls to 0; for a first
    order process of correlation :math:`\phi` per sample it is :math:`(2/\pi) \arcsin \phi^k`.
    The interval takes Student's t with :math:`n_e - 1` degrees of freedom. Taking all samples as
    independent makes intervals of a 20-Hz log two to four times too narrow.

    Examples
    --------
    >>> time = np.arange(0.0, 20.0, 0.1)
    >>> ten = np.ones(200)
    >>> value = 0.97 + 0.01 * np.sin(time * 40.0)
    >>> cell = steady_cells(time, 45e3 * ten, 4200.0 * ten, value, [""] * 200,
    ...                     load_edges=PRESSURE_EDGES_PA)[0]
    >>> cell.load_from, cell.hits, round(cell.median, 2)
    (40000.0, 200, 0.97)
    """
    require("longest_memory_s", longest_memory_s, at_least=0.0, unit="s")
    require("resolution", resolution, at_least=0.0)
    time, values = _one_clock(time_s, value=value)
    low, high = (np.broadcast_to(np.asarray(end, float), time.shape) for end in band or (0.0, 0.0))
    require("band", low, at_most=high)
    placed = _placed(time, load, engine_speed_rpm, reasons, load_edges, speed_edges_rpm)
    placed = placed.seen(values)
    if not placed.place.size:
        return []
    cells, group = placed.grouped()
    weight, found = placed.weight, values[placed.place]
    median = _medians(found, weight, group)
    away = found - median[group]
    spread = 1.4826 * _medians(np.abs(away), weight, group)
    effective = _effective_samples(placed, group, np.sign(away), longest_memory_s)
    least = resolution / np.sqrt(12.0)
    error = np.hypot(least, np.sqrt(0.5 * np.pi / effective) * spread)
    student = special.stdtrit(np.maximum(1.0, effective - 1.0), 0.975)
    dwell = np.bincount(group, weight)
    inside = np.full(cells.size, np.nan)
    if band is not None:
        within = (found >= low[placed.place]) & (found <= high[placed.place])
        inside = np.bincount(group, weight * within) / dwell
    figures = (
        *(np.bincount(group, weight * each) / dwell for each in (placed.load, placed.speed)),
        median,
        spread,
        error,
        student * error,
        effective,
        np.bincount(group),
        dwell,
        inside,
    )
    rows = zip(*(each.tolist() for each in figures), strict=True)
    return [
        SteadyCell(*corners, *row) for corners, row in zip(placed.corners(cells), rows, strict=True)
    ]


def cell_medians(
    time_s: ArrayLike,
    load: ArrayLike,
    engine_speed_rpm: ArrayLike,
    values: Sequence[ArrayLike],
    reasons: ArrayLike,
    *,
    load_edges: ArrayLike = THROTTLE_EDGES_PCT,
) -> list[dict[tuple[float, float, float, float], float]]:
    """Return the time-weighted medians of quantities in each cell, by the cell's corners.

    Parameters
    ----------
    time_s, load, engine_speed_rpm : As in `steady_cells`.
    values : sequence of array_like. The quantities.
    reasons, load_edges : As in `steady_cells`.

    Returns
    -------
    list of dict. Of each quantity, load from and to, speed from and to, as in `SteadyCell`, to the
        median in its unit; cells in which it was not seen are not in it.

    Raises
    ------
    ValueError. As `steady_cells`.

    Examples
    --------
    >>> cell_medians([0.0, 0.1, 0.2], [12.0] * 3, [4200.0] * 3, [[1.0, 2.0, 3.0]], [""] * 3)
    [{(10.0, 15.0, 4000.0, 5000.0): 2.0}]
    """
    placed = _placed(time_s, load, engine_speed_rpm, reasons, load_edges, SPEED_EDGES_RPM)
    medians = []
    for value in values:
        _, quantity = _one_clock(placed.time, value=value)
        seen = placed.seen(quantity)
        cells, group = seen.grouped()
        found = _medians(quantity[seen.place], seen.weight, group) if cells.size else cells
        medians.append(dict(zip(seen.corners(cells), found.tolist(), strict=True)))
    return medians


def doubtful_lambda(
    time_s: ArrayLike,
    lambda_wide: ArrayLike,
    throttle_pct: ArrayLike,
    engine_speed_rpm: ArrayLike,
    *,
    closed_loop: ArrayLike | None = None,
    probe: str = "collector",
) -> NDArray[np.bool_]:
    """Return where a wideband gauge is not to be believed, whatever figure it shows.

    Parameters
    ----------
    time_s : array_like. Clock of the log, ascending. [s]
    lambda_wide : array_like. Lambda as shown. [1]
    throttle_pct, engine_speed_rpm : As in `exclusion_reasons`.
    closed_loop : array_like of bool, optional
        From `closed_loop_mask`; without it a wrong gauge scale goes unseen.
    probe : str, default "collector"
        The probe's place: in a tailpipe, closed loop at low flow reads lean and checks nothing.

    Returns
    -------
    ndarray of bool. True where it is a narrowband sensor's voltage, a dead or unplugged sensor, the
        end of a gauge's scale, or a figure on another scale.

    Raises
    ------
    ValueError. If the clock does not ascend, the lengths differ, or a choice is below 0.

    Notes
    -----
    Lambda below 0.6, or above 1.6 with the throttle open, does not burn (common practice, no
    source). A narrowband voltage taken for lambda lies below 0.6 for much of the time and between
    0.6 and 0.9 for the rest, which would pass for rich; hence the window. In closed loop a wrong
    scale shows as the ratio of the two scales.

    Examples
    --------
    >>> time = np.arange(0.0, 30.0, 0.1)
    >>> volts = np.where(time % 1.0 < 0.5, 0.1, 0.8)
    >>> bool(doubtful_lambda(time, volts, np.full(300, 15.0), np.full(300, 4e3)).all())
    True
    """
    time, shown, throttle, speed = _one_clock(
        time_s,
        lambda_wide=lambda_wide,
        throttle_pct=throttle_pct,
        engine_speed_rpm=engine_speed_rpm,
    )
    nowhere = np.zeros(time.shape, dtype=bool)
    if time.size < 3:
        return nowhere
    seen = np.isfinite(shown)
    impossible = (shown < 0.6) | ((shown > 1.6) & (throttle > 5.0))
    count = _window_samples(time, DOUBT_WINDOW_S)
    lost = ndimage.uniform_filter1d(impossible.astype(float), count, mode="nearest")
    doubt = lost > MOST_IMPOSSIBLE_SHARE
    if (shown < 0.6).sum() > MOST_IMPOSSIBLE_SHARE * max(1, seen.sum()):
        return ~nowhere

    cut = np.concatenate([[0], np.flatnonzero(np.diff(shown) != 0.0) + 1, [time.size]])
    ends = {float(np.nanmax(shown)), float(np.nanmin(shown))} if seen.any() else set()
    rails = {end for end in ends if not RAILS[0] < end < RAILS[1]}
    lasts_s = time[cut[1:] - 1] - time[cut[:-1]]
    # A sample that differs from its neighbours, as most do, lasts no time.
    for run in np.flatnonzero(lasts_s >= min(RAIL_S, STILL_S)).tolist():
        first, last = cut[run : run + 2].tolist()
        if float(shown[first]) in rails and lasts_s[run] >= RAIL_S:
            doubt[first:last] |= throttle[first:last] > 5.0
        if lasts_s[run] >= STILL_S:
            moved = throttle[first:last][np.isfinite(throttle[first:last])]
            doubt[first:last] |= moved.size > 0 and np.ptp(moved) > STILL_THROTTLE_PCT

    if closed_loop is not None:
        loop = np.asarray(closed_loop, dtype=bool)
        if loop.shape != time.shape:
            raise ValueError(f"closed_loop must match time_s in length, got {loop.shape}")
        thin = (probe == "tailpipe") & (throttle / 100.0 * speed < LOW_FLOW_RPM)
        judged = loop & seen & ~doubt & ~thin
        if sample_duration_s(time)[judged].sum() >= DOUBT_WINDOW_S:
            off = abs(float(np.median(shown[judged])) - 1.0)
            doubt |= off > MOST_SCALE_ERROR_SHARE
    return doubt


def closed_loop_mask(
    time_s: ArrayLike,
    *,
    o2_narrow_v: ArrayLike | None = None,
    fuel_trim_short_pct: ArrayLike | None = None,
) -> NDArray[np.bool_]:
    """Return where the ECU holds the mixture at lambda 1 by itself.

    Parameters
    ----------
    time_s : array_like. Clock of the log, ascending. [s]
    o2_narrow_v : array_like, optional. Voltage of the narrowband sensor. [V]
    fuel_trim_short_pct : array_like, optional. Short-term fuel trim. [%]

    Returns
    -------
    ndarray of bool. True in closed loop; False where neither was seen.

    Raises
    ------
    ValueError. If the clock does not ascend, the lengths differ.

    Notes
    -----
    A controller on a switching sensor cannot but swing about its set point, sensor and trim
    alike, at the rates of `LOOP_HZ`. In open loop the trim stands still,
    and then the sensor's own switching, by chance near lambda 1, does not count. Where both are
    logged both must say so; a trim alone says so half its window too long. Needs 10 Hz.

    Examples
    --------
    >>> time = np.arange(0.0, 20.0, 0.05)
    >>> volts = np.where(time < 10.0, 0.45 + 0.4 * np.sin(2 * np.pi * time), 0.85)
    >>> closed = closed_loop_mask(time, o2_narrow_v=volts)
    >>> bool(closed[100]), bool(closed[300])
    (True, False)
    """
    (time,) = _one_clock(time_s)
    absent = np.full(time.shape, np.nan)
    volts, trim = (
        absent if channel is None else _one_clock(time_s, **{name: channel})[1]
        for name, channel in (
            ("o2_narrow_v", o2_narrow_v),
            ("fuel_trim_short_pct", fuel_trim_short_pct),
        )
    )
    side = np.where(volts < LEAN_BELOW_V, -1, np.where(volts > RICH_ABOVE_V, 1, 0))
    told = np.flatnonzero(side)
    turned = told[1:][(side[told[1:]] == 1) & (side[told[:-1]] == -1)]
    switching = np.zeros(time.shape, dtype=bool)
    if turned.size > 1:
        cycle = np.diff(time[turned])
        # Whole cycles fall between samples: a step either way is allowed.
        slack = float(np.median(np.diff(time)))
        fits = (cycle >= 1.0 / LOOP_HZ[1] - slack) & (cycle <= 1.0 / LOOP_HZ[0] + slack)
        cut = np.concatenate([[0], np.flatnonzero(np.diff(fits)) + 1, [fits.size]])
        for first, last in pairwise(cut.tolist()):
            if fits[first] and last - first >= LEAST_CYCLES:
                switching[turned[first] : turned[last] + 1] = True

    moves = _change(trim, _window_samples(time, TRIM_WINDOW_S)) >= LEAST_TRIM_CHANGE_PCT
    # The trim's window runs over the ends of a closed stretch; the sensor's last turn does not.
    moves &= switching | ~np.isfinite(volts)
    return np.where(np.isfinite(trim), moves, switching)


def near_closed_loop_mask(
    time_s: ArrayLike,
    *,
    o2_narrow_v: ArrayLike | None = None,
    fuel_trim_short_pct: ArrayLike | None = None,
) -> NDArray[np.bool_]:
    """Return where the ECU may hold the mixture, as far as either sign of it tells.

    Parameters
    ----------
    time_s, o2_narrow_v, fuel_trim_short_pct : As in `closed_loop_mask`.

    Returns
    -------
    ndarray of bool. True in closed loop and about it; False where neither was seen.

    Raises
    ------
    ValueError. If the clock does not ascend.

    Notes
    -----
    What is near and not in `closed_loop_mask` reads lambda 1 by the controller, or does not, and
    is evidence of neither: taken for open loop it would pass for a map that is right.

    Examples
    --------
    >>> time = np.arange(0.0, 20.0, 0.05)
    >>> volts = np.where(time < 10.0, 0.45 + 0.4 * np.sin(2 * np.pi * time), 0.85)
    >>> near = near_closed_loop_mask(time, o2_narrow_v=volts)
    >>> bool(near[205]), bool(near[300])
    (True, False)
    """
    (time,) = _one_clock(time_s)
    by_trim = closed_loop_mask(time, fuel_trim_short_pct=fuel_trim_short_pct)
    by_sensor = closed_loop_mask(time, o2_narrow_v=o2_narrow_v)
    if not by_sensor.any():
        return by_trim
    reach = max(1, round(LOOP_REACH_S / float(np.median(np.diff(time)))))
    return np.logical_or(by_trim, ndimage.binary_dilation(by_sensor, iterations=reach))


def trim_fuel_pct(
    fuel_trim_short_pct: ArrayLike, fuel_trim_long_pct: ArrayLike = 0.0
) -> FloatArray:
    r"""Return the fuel that the ECU adds to its base map, both trims together.

    Parameters
    ----------
    fuel_trim_short_pct : array_like. Short-term trim, positive where fuel is added. [%]
    fuel_trim_long_pct : array_like, default 0. Long-term trim, likewise. [%]

    Returns
    -------
    ndarray. Fuel added. [%]

    Raises
    ------
    ValueError. If a trim is -100 % or below.

    Notes
    -----
    .. math:: T = 100 \left[ \left(1 + \frac{s}{100}\right)
              \left(1 + \frac{l}{100}\right) - 1 \right]

    In closed loop lambda stays at 1 however wrong the base map is; what is wrong with it stands
    in the trims: `base_map_error_pct`.

    Examples
    --------
    >>> trim_fuel_pct([0.0, 10.0], 5.0)
    array([ 5. , 15.5])
    """
    short = np.asarray(fuel_trim_short_pct, dtype=float)
    long = np.asarray(fuel_trim_long_pct, dtype=float)
    require("fuel_trim_short_pct", short, above=-100.0, unit="%")
    require("fuel_trim_long_pct", long, above=-100.0, unit="%")
    return 100.0 * ((1.0 + short / 100.0) * (1.0 + long / 100.0) - 1.0)


def band_error_pct(lambda_value: ArrayLike, band: tuple[float, float] = (0.94, 1.00)) -> FloatArray:
    """Return the lean error against the nearer edge of the cruise band.

    Parameters
    ----------
    lambda_value : array_like. Lambda, of a cell for one. [1]
    band : (float, float), default (0.94, 1.00). Lambda wanted, both ends included. [1]

    Returns
    -------
    ndarray. 0 inside the band, positive above it, negative below it. [%]

    Raises
    ------
    ValueError. If a lambda is not above 0, or the band is upside down.

    Examples
    --------
    >>> band_error_pct([0.893, 0.97, 1.05])
    array([-5.,  0.,  5.])
    """
    value = np.asarray(lambda_value, dtype=float)
    low, high = band
    require("band", low, above=0.0, at_most=high)
    require("lambda_value", value, above=0.0)
    return 100.0 * (value / np.clip(value, low, high) - 1.0)


class _Falls:
    """Windows about the falls of the driver, and how well a response fits them."""

    step_s = 0.01

    def __init__(
        self,
        time: FloatArray,
        shown: FloatArray,
        fall: NDArray[np.intp],
        push: FloatArray,
        beside: FloatArray | None,
        flow: FloatArray,
    ) -> None:
        """Take readings with the window each belongs to, and each window's fine raster."""
        self.time, self.shown, self.fall = time, shown, fall
        self.push, self.beside, self.flow = push, beside, flow
        self.moves = push.shape[0]

    def misfit(self, delay: float, per_flow: float, lag: float) -> float:
        """Return the sum of squares that the response leaves."""
        left, _ = self._left(np.array([delay, per_flow, lag]), slopes=False)
        return float(left @ left)

    def fitted(
        self, start: FloatArray, limits: tuple[float, float], *, use_flow: bool
    ) -> tuple[FloatArray, FloatArray]:
        """Return constant, flow part and lag, and their covariance from fall to fall."""
        free = np.array([0, 1, 2] if use_flow else [0, 2])
        now, damping = start.astype(float), 1e-3
        least = self.misfit(*now)
        for _ in range(40):
            left, slopes = self._left(now, slopes=True)
            slopes = slopes[:, free]
            normal = slopes.T @ slopes
            damped = normal + damping * np.diag(np.diag(normal) + 1e-300)
            move = np.linalg.lstsq(damped, slopes.T @ left, rcond=None)[0]
            trial = now.copy()
            trial[free] += move
            if not use_flow:
                trial[0] = np.clip(trial[0], 0.0, limits[0])
            trial[2] = np.clip(trial[2], 0.002, limits[1])
            misfit = self.misfit(*trial)
            if misfit < least:
                done = np.abs(trial - now)[[0, 2]].max() < 1e-5
                now, least, damping = trial, misfit, max(damping / 4.0, 1e-8)
                if done:
                    break
            else:
                damping *= 10.0
                if damping > 1e6:
                    break
        left, slopes = self._left(now, slopes=True)
        slopes = slopes[:, free]
        inverse = np.linalg.pinv(slopes.T @ slopes)
        apart = np.zeros((self.moves, free.size))
        for fall in range(self.moves):
            own = slopes[self.fall == fall]
            # What the answer would move by without this fall.
            without = np.eye(free.size) - own.T @ own @ inverse
            apart[fall] = (
                inverse @ np.linalg.lstsq(without, own.T @ left[self.fall == fall], rcond=None)[0]
            )
        covariance = np.zeros((3, 3))
        covariance[np.ix_(free, free)] = apart.T @ apart * (self.moves - 1) / self.moves
        return now, covariance

    def _left(self, at: FloatArray, *, slopes: bool) -> tuple[FloatArray, FloatArray]:
        constant, per_flow, lag = at
        inverse_flow = 1.0 / self.flow[self.fall]
        place = (self.time - constant - per_flow * inverse_flow) / self.step_s
        place = np.clip(place, 0.0, self.push.shape[1] - 1.001)
        whole = place.astype(np.intp)
        part = place - whole

        def read(table: FloatArray) -> FloatArray:
            here = table[self.fall, whole]
            return here + part * (table[self.fall, whole + 1] - here)

        lagged = _lagged(self.push, lag, self.step_s)
        basis: list[FloatArray] = []
        follow = self.time if self.beside is None else read(_lagged(self.beside, lag, self.step_s))
        for column in (np.ones(self.time.size), follow, read(lagged)):
            basis.append(self._unit(self._without(column, basis)))
        share = np.bincount(self.fall, basis[-1] * self.shown, self.moves)
        size = np.bincount(self.fall, basis[-1] * read(lagged), self.moves)
        gain = np.divide(share, size, out=np.zeros(self.moves), where=np.abs(size) > 1e-12)
        left = self._without(self.shown, basis)
        if not slopes:
            return left, left
        later = 0.02 * lag + 5e-4
        by_time = -gain[self.fall] * read(np.gradient(lagged, self.step_s, axis=1))
        by_lag = (_lagged(self.push, lag + later, self.step_s) - lagged) / later
        columns = (by_time, by_time * inverse_flow, gain[self.fall] * read(by_lag))
        return left, np.column_stack([self._without(column, basis) for column in columns])

    def _without(self, column: FloatArray, basis: list[FloatArray]) -> FloatArray:
        for unit in basis:
            column = column - unit * np.bincount(self.fall, unit * column, self.moves)[self.fall]
        return column

    def _unit(self, column: FloatArray) -> FloatArray:
        size = np.sqrt(np.bincount(self.fall, column * column, self.moves))
        # A column that the others hold already has nothing left but rounding.
        scale = np.divide(1.0, size, out=np.zeros(self.moves), where=size > 1e-9)
        return column * scale[self.fall]


def _lagged(value: FloatArray, lag_s: float, step_s: float) -> FloatArray:
    """Return straight lines between points after a first-order lag, exactly, along each row."""
    # Not at the top: it loads all of scipy.stats, a second of every command's start.
    from scipy import signal

    keep = np.exp(-step_s / lag_s)
    mean = lag_s / step_s * (1.0 - keep)
    ahead, behind = 1.0 - mean, mean - keep
    start = (behind + keep) * value[:, :1]
    return signal.lfilter([ahead, behind], [1.0, -keep], value, axis=1, zi=start)[0]


def _falls(
    time: FloatArray,
    push: FloatArray,
    effect: FloatArray | None,
    shown: FloatArray,
    beside: FloatArray | None,
    volume: FloatArray | None,
) -> _Falls | None:
    before_s, after_s, calm_s, run_in_s = 0.4, 1.5, 1.0, 1.5
    step = _Falls.step_s
    if time.size < 20 or time[-1] - time[0] < 10.0:
        return None
    clock = np.arange(time[0], time[-1], step)
    even = _read_at(clock, time, push, LONGEST_GAP_S)
    if np.isfinite(even).sum() < 0.5 * clock.size:
        return None
    low, high = np.nanquantile(even, [0.01, 0.99])
    filled = np.interp(clock, clock[np.isfinite(even)], even[np.isfinite(even)])
    smooth = ndimage.uniform_filter1d(filled, 21, mode="nearest")
    rate = np.gradient(smooth, step)
    limit = 0.15 * (high - low)
    going = np.where(rate < -limit, -1, np.where(rate > limit, 1, 0))
    cut = np.concatenate([[0], np.flatnonzero(np.diff(going)) + 1, [going.size]])
    rises = np.flatnonzero(going == 1)
    length = round((run_in_s + before_s + after_s + 1.0) / step)
    other = None if beside is None else _read_at(clock, time, beside, LONGEST_GAP_S)
    moved = even if effect is None else _read_at(clock, time, effect, LONGEST_GAP_S)
    # Lambda on an even raster as well: straight lines between samples then smear both alike.
    raster = max(1, min(2, round(float(np.median(np.diff(time))) / step)))
    dead = np.where(shown >= LEAST_LAMBDA, shown, np.nan)
    mixture = _read_at(clock, time, dead, LONGEST_GAP_S)
    if volume is not None:
        volume = _read_at(clock, time, volume, LONGEST_GAP_S)

    windows = []
    for first, last in pairwise(cut.tolist()):
        depth = smooth[first] - smooth[last - 1]
        if going[first] != -1 or depth < 0.08 * (high - low):
            continue
        place = int(np.searchsorted(rises, first))
        rise_before = rises[place - 1] * step if place else -np.inf
        rise_after = rises[place] * step if place < rises.size else np.inf
        start = max(first * step - before_s, rise_before + calm_s)
        end = min(last * step + after_s, rise_after + 0.05)
        zero = round((start - run_in_s) / step)
        if start > first * step - 0.1 or end < last * step + LONGEST_DELAY_S or zero < 0:
            continue
        rows = slice(zero, zero + length)
        wanted = [moved] if other is None else [moved, other]
        if zero + length > clock.size or not all(np.isfinite(x[rows]).all() for x in wanted):
            continue
        samples = np.arange(round(start / step), min(round(end / step), clock.size), raster)
        reading = mixture[samples]
        good = np.isfinite(reading)
        if good.sum() < max(8, 0.8 * good.size) or (reading > CUT_LAMBDA).any():
            continue
        flow = 1.0
        if volume is not None:
            flow = float(np.nanmean(volume[(first + last) // 2 : last + round(0.1 / step)]))
            if not flow > 0.0:
                continue
        windows.append((depth, zero, clock[samples][good] - clock[zero], reading[good], flow))
    if not windows:
        return None
    windows = sorted(windows, key=lambda window: -window[0])[:MOST_FALLS]
    rows = np.array([np.arange(window[1], window[1] + length) for window in windows])
    sizes = [window[2].size for window in windows]
    return _Falls(
        np.concatenate([window[2] for window in windows]),
        np.concatenate([window[3] for window in windows]),
        np.repeat(np.arange(len(windows)), sizes),
        moved[rows],
        None if other is None else other[rows],
        np.array([window[4] for window in windows]),
    )


class _Placed(NamedTuple):
    """Steady samples within the cells; arrays go by kept sample."""

    time: FloatArray
    place: NDArray[np.intp]
    cell: NDArray[np.intp]
    weight: FloatArray
    load: FloatArray
    speed: FloatArray
    edges: tuple[FloatArray, FloatArray]

    def seen(self, value: FloatArray) -> "_Placed":
        """Return those at which a quantity was seen."""
        known = np.isfinite(value[self.place])
        if known.all():
            return self
        return self._replace(
            place=self.place[known],
            cell=self.cell[known],
            weight=self.weight[known],
            load=self.load[known],
            speed=self.speed[known],
        )

    def grouped(self) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Return the cells that were visited, and the place of each sample's among them."""
        cells = np.flatnonzero(np.bincount(self.cell))
        return cells, np.searchsorted(cells, self.cell)

    def corners(self, cells: NDArray[np.intp]) -> list[tuple[float, float, float, float]]:
        loads, speeds = self.edges
        row, column = np.divmod(cells, speeds.size - 1)
        ends = (loads[row], loads[row + 1], speeds[column], speeds[column + 1])
        return list(zip(*(each.tolist() for each in ends), strict=True))


def _placed(
    time_s: ArrayLike,
    load: ArrayLike,
    engine_speed_rpm: ArrayLike,
    reasons: ArrayLike,
    load_edges: ArrayLike,
    speed_edges_rpm: ArrayLike,
) -> _Placed:
    time, loads, speed = _one_clock(time_s, load=load, engine_speed_rpm=engine_speed_rpm)
    why = np.asarray(reasons)
    if why.shape != time.shape:
        raise ValueError(f"reasons must match time_s in length, got {why.shape} for {time.shape}")
    edges = []
    for name, given in (("load_edges", load_edges), ("speed_edges_rpm", speed_edges_rpm)):
        edge = np.asarray(given, dtype=float)
        if edge.size < 2 or not np.all(np.diff(edge) > 0.0):
            raise ValueError(f"{name} must ascend and hold at least 2 edges, got {edge}")
        edges.append(edge)
    weight = sample_duration_s(time)
    place = np.flatnonzero((why == "") & (weight > 0.0))
    row, column = _cell_of(loads[place], edges[0]), _cell_of(speed[place], edges[1])
    inside = (row >= 0) & (column >= 0)
    place = place[inside]
    cell = row[inside] * (edges[1].size - 1) + column[inside]
    return _Placed(
        time, place, cell, weight[place], loads[place], speed[place], (edges[0], edges[1])
    )


def _effective_samples(
    placed: _Placed, group: NDArray[np.intp], side: FloatArray, longest_s: float
) -> FloatArray:
    """Return for each cell how many independent samples would say as much."""
    weight, place = placed.weight, placed.place
    total = np.bincount(group, weight)
    alone = np.bincount(group, weight**2)
    size = place.size
    if size < 2:
        return total**2 / alone
    step = float(np.median(np.diff(placed.time)))
    clock = placed.time[place]
    together, alike_together = np.zeros(size), np.zeros(size)
    for lag in range(1, min(size - 1, round(longest_s / step)) + 1):
        # Only pairs of one cell, one unbroken stretch: nothing was left out between them.
        same = (
            (group[lag:] == group[:-lag])
            & (place[lag:] - place[:-lag] == lag)
            & (clock[lag:] - clock[:-lag] <= (lag + 1) * step + LONGEST_GAP_S)
        )
        alike = float((side[lag:] * side[:-lag]) @ same) / max(int(same.sum()), 1)
        if alike <= 0.0:
            break
        both = 2.0 * weight[lag:] * weight[:-lag] * same
        together[lag:] += both
        alike_together[lag:] += alike * both
    in_all, alike_in_all = (
        np.bincount(group, each, total.size) for each in (together, alike_together)
    )
    effective = total**2 / (alone + alike_in_all)
    if not in_all.any():
        return effective
    # Held against medians of their own, readings look more independent than they are: by one
    # part in the effective samples of the cell.
    hidden = min(0.5, float(np.average(1.0 / effective, weights=np.bincount(group))))
    return total**2 / (alone + alike_in_all + hidden * (in_all - alike_in_all))


def _one_clock(time_s: ArrayLike, **channels: ArrayLike) -> list[FloatArray]:
    time = np.asarray(time_s, dtype=float)
    if time.ndim != 1 or not np.all(np.diff(time) > 0.0):
        raise ValueError("time_s must ascend, got a clock that stands still or runs back")
    found = [time]
    for name, channel in channels.items():
        values = np.asarray(channel, dtype=float)
        if values.shape != time.shape:
            raise ValueError(
                f"{name} must match time_s in length, got {values.shape} for {time.shape}"
            )
        found.append(values)
    return found


def _read_at(at: FloatArray, time: FloatArray, value: FloatArray, gap_s: float) -> FloatArray:
    seen = np.isfinite(value)
    if seen.sum() < 2:
        return np.full(at.shape, np.nan)
    time, value = time[seen], value[seen]
    read = np.interp(at, time, value, left=np.nan, right=np.nan)
    after = np.clip(np.searchsorted(time, at, side="left"), 1, time.size - 1)
    # A reading on the spot, but for rounding, needs no line across the gap beside it.
    away = np.minimum(np.abs(at - time[after]), np.abs(at - time[after - 1])) > 1e-6
    read[(time[after] - time[after - 1] > gap_s) & away] = np.nan
    return read


def _window_samples(time: FloatArray, window_s: float) -> int:
    if time.size < 2:
        return 3
    return max(3, 2 * round(0.5 * window_s / float(np.median(np.diff(time)))) + 1)


def _change(value: FloatArray, count: int) -> FloatArray:
    # A sample that was not seen must not hide the movement of its neighbours.
    seen = np.isfinite(value)
    if not seen.any():
        return np.full(value.shape, np.nan)
    most = ndimage.maximum_filter1d(np.where(seen, value, -np.inf), count, mode="nearest")
    least = ndimage.minimum_filter1d(np.where(seen, value, np.inf), count, mode="nearest")
    return most - least


def _starts(time: FloatArray) -> NDArray[np.bool_]:
    first = np.zeros(time.shape, dtype=bool)
    if time.size:
        first[0] = True
        limit = max(LONGEST_GAP_S, 1.5 * float(np.median(np.diff(time)))) if time.size > 1 else 0.0
        first[1:] = np.diff(time) > limit
    return first


def _lately(time: FloatArray, flag: NDArray[np.bool_], seconds: float) -> NDArray[np.bool_]:
    last = np.maximum.accumulate(np.where(flag, time, -np.inf)) if time.size else time
    return time - last <= seconds


def _cell_of(value: FloatArray, edges: FloatArray) -> NDArray[np.intp]:
    cell = np.searchsorted(edges, value, side="right") - 1
    cell[value == edges[-1]] = edges.size - 2
    cell[~((value >= edges[0]) & (value <= edges[-1]))] = -1
    return cell


def _medians(value: FloatArray, weight: FloatArray, group: NDArray[np.intp]) -> FloatArray:
    """Return the weighted median of each group; groups are numbered from 0, none empty."""
    order = np.argsort(value)
    # Few groups: a stable sort of short integers only counts them.
    order = order[np.argsort(group[order].astype(np.uint16), kind="stable")]
    value, weight, group = value[order], weight[order], group[order]
    total = np.bincount(group, weight)
    passed = np.cumsum(weight) - (np.cumsum(total) - total)[group]
    half = 0.5 * total
    # Sums of equal steps miss the half by rounding; that must not break the tie.
    slack = 1e-9 * total
    below = np.flatnonzero(passed >= (half - slack)[group])
    above = np.flatnonzero(passed > (half + slack)[group])
    first = below[np.unique(group[below], return_index=True)[1]]
    second = above[np.unique(group[above], return_index=True)[1]]
    return 0.5 * (value[first] + value[second])
