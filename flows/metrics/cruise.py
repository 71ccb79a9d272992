"""The part-throttle mixture of a ride: one clock, only steady evidence, cell by cell.

A probe shows the mixture late, so `aligned_lambda` comes before any sorting by throttle or speed.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

from flows.metrics.domain_checks import require

FloatArray = NDArray[np.float64]

THROTTLE_EDGES_PCT = (0.0, 2.0, 5.0, 10.0, 15.0, 20.0, 30.0, 40.0, 60.0, 80.0, 100.0)
"""Edges of the throttle cells, finer where a small opening changes the air most. [%]"""

SPEED_EDGES_RPM = tuple(float(edge) for edge in range(0, 15_000, 1000))
"""Edges of the engine-speed cells. [rpm]"""

REASONS = (
    "",
    "no lambda",
    "no throttle or speed",
    "cold engine",
    "fuel cut",
    "stopped or idling",
    "gear change or clutch",
    "throttle moving",
    "speed moving",
    "settling",
    "low flow at the tailpipe",
    "full throttle",
)
"""Why a sample is not evidence, in order of precedence; "" is steady evidence."""

LONGEST_GAP_S = 0.5
"""Clock gap above which a log is taken as broken: ten samples of the slowest usual logger. [s]"""

LEAST_LAMBDA = 0.5
"""Lambda below which a gauge is dead or disconnected: no engine fires there. [1]"""


class Delay(NamedTuple):
    """How late the probe shows the mixture.

    Attributes
    ----------
    delay_s : float
        Delay; NaN if the two channels have too little in common. [s]
    strength : float
        Size of the correlation at that delay, 0 to 1. [1]
    """

    delay_s: float
    strength: float


class Cell(NamedTuple):
    """The steady mixture in one cell of throttle and engine speed.

    Attributes
    ----------
    throttle_from_pct, throttle_to_pct : float
        Throttle from (included) to (not included, but for the last cell). [%]
    speed_from_rpm, speed_to_rpm : float
        Engine speed, likewise. [rpm]
    lambda_median : float
        Time-weighted median. [1]
    lambda_spread : float
        Time-weighted robust standard deviation. [1]
    hits : int
        Samples.
    dwell_s : float
        Time spent. [s]
    in_band_share : float
        Share of that time within the cruise band. [1]
    """

    throttle_from_pct: float
    throttle_to_pct: float
    speed_from_rpm: float
    speed_to_rpm: float
    lambda_median: float
    lambda_spread: float
    hits: int
    dwell_s: float
    in_band_share: float


def aligned_lambda(
    time_s: ArrayLike,
    lambda_wide: ArrayLike,
    delay_s: float,
    *,
    longest_gap_s: float = LONGEST_GAP_S,
) -> FloatArray:
    r"""Return the mixture that belongs to the engine's state at each time.

    Parameters
    ----------
    time_s : array_like
        Clock of the log, ascending. [s]
    lambda_wide : array_like
        Lambda as shown by a wideband probe; NaN where there is none. [1]
    delay_s : float
        How late the probe shows it. [s]
    longest_gap_s : float, default 0.5
        Longest stretch without a reading that a straight line may cross: beyond it the engine
        can have been anywhere. [s]

    Returns
    -------
    ndarray
        Lambda seen at each time plus the delay; NaN beyond the end and in gaps. [1]

    Raises
    ------
    ValueError
        If the clock does not ascend, the lengths differ, or the delay is below 0.

    Notes
    -----
    .. math:: \lambda_a(t) = \lambda(t + d)

    by straight lines between readings. Exhaust gas takes 50 ms to 300 ms to the probe, longest
    at low flow; one delay for a whole ride leaves some tens of milliseconds, which does not
    matter to samples that have been steady for half a second. The probe's own lag is not undone.

    Examples
    --------
    >>> aligned_lambda([0.0, 0.1, 0.2, 0.3], [0.90, 0.92, 0.94, 0.96], 0.15)
    array([0.93, 0.95,  nan,  nan])
    """
    time, shown = _one_clock(time_s, lambda_wide=lambda_wide)
    require("delay_s", delay_s, at_least=0.0, unit="s")
    require("longest_gap_s", longest_gap_s, above=0.0, unit="s")
    return _read_at(time + delay_s, time, shown, longest_gap_s)


def estimated_delay_s(
    time_s: ArrayLike,
    driver: ArrayLike,
    lambda_wide: ArrayLike,
    *,
    longest_s: float = 0.6,
    raster_s: float = 0.01,
    difference_s: float = 0.2,
    least_strength: float = 0.1,
    most_lambda: float = 1.25,
    falling_only: bool = True,
) -> Delay:
    r"""Return how late lambda follows a channel that drives it.

    Parameters
    ----------
    time_s : array_like
        Clock of the log, ascending. [s]
    driver : array_like
        What moves the mixture: throttle, injector time or manifold pressure, in any unit.
    lambda_wide : array_like
        Lambda as shown by the probe. [1]
    longest_s : float, default 0.6
        Longest delay looked for: twice the longest that common probes show. [s]
    raster_s : float, default 0.01
        Step of the even raster on which both are laid: a parabola finds the top between. [s]
    difference_s : float, default 0.2
        Time over which changes are taken: shorter lets gauge noise in, longer lets trends in. [s]
    least_strength : float, default 0.1
        Correlation below which there is no answer; in a short ride, four standard errors of no
        correlation if that is more. [1]
    most_lambda : float, default 1.25
        Lambda above which fuel is taken as cut. [1]
    falling_only : bool, default True
        Whether only falls of the driver count. An opening throttle leans the mixture by its rate
        as well as by its place, and makes the answer up to 0.1 s too early.

    Returns
    -------
    Delay
        Delay and strength; the delay is NaN if the correlation is too weak, or greatest at an
        end of the range looked through.

    Raises
    ------
    ValueError
        If the clock does not ascend, the lengths differ, or a choice is not above 0.

    Notes
    -----
    Both channels are laid on an even raster and differenced,
    :math:`u_i = x_{i+h} - x_i`, because the correlation of two trends peaks at no delay at all.
    Rises of the driver are then set to 0.
    The delay is the lag of the greatest

    .. math::
        |r_l| = \frac{|\sum_i u_i\, v_{i+l}|}{\sqrt{\sum_i u_i^2 \, \sum_i v_{i+l}^2}}

    refined by the parabola through its neighbours. Differences across gaps are left out, and so
    are readings leaner than `most_lambda` and dead ones: a fuel cut comes at the ECU's own time
    after the throttle closes, and being large would outvote the ride.

    Includes what the probe's own lag adds. Valid where the driver moves: a ride at constant
    speed gives NaN, not a delay.

    Examples
    --------
    >>> time = np.arange(0.0, 10.0, 0.02)
    >>> def pulse(at):
    ...     return np.exp(-0.5 * ((time - at) / 0.5) ** 2)
    >>> estimated_delay_s(time, pulse(4.0), 1.0 + 0.1 * pulse(4.173)).delay_s
    0.173
    """
    time, push, shown = _one_clock(time_s, driver=driver, lambda_wide=lambda_wide)
    for name, value in (
        ("longest_s", longest_s),
        ("raster_s", raster_s),
        ("difference_s", difference_s),
    ):
        require(name, value, above=0.0, unit="s")
    nothing = Delay(float("nan"), 0.0)
    lags = round(longest_s / raster_s)
    step = max(1, round(difference_s / raster_s))
    if time.size < 2:
        return nothing
    raster = np.arange(time[0], time[-1], raster_s)
    if raster.size <= 2 * (lags + step):
        return nothing
    shown = np.where((shown >= LEAST_LAMBDA) & (shown <= most_lambda), shown, np.nan)
    moves = []
    for channel in (push, shown):
        even = _read_at(raster, time, channel, LONGEST_GAP_S)
        moves.append(np.nan_to_num(even[step:] - even[:-step], nan=0.0))

    before, after = moves
    if falling_only:
        before = np.minimum(before, 0.0)
    length = before.size
    strength = np.full(lags + 2, 0.0)
    # One lag beyond either end, so that a top at the end can be told from a slope.
    for place, lag in enumerate(range(-1, lags + 1)):
        u = before[max(0, -lag) : length - max(0, lag)]
        v = after[max(0, lag) : length + min(0, lag)]
        size = np.sqrt(np.sum(u * u) * np.sum(v * v))
        strength[place] = abs(np.sum(u * v)) / size if size > 0.0 else 0.0
    top = int(np.argmax(strength))
    found = float(strength[top])
    # Differences that overlap are not independent: one counts for each `difference_s`.
    by_chance = 4.0 / np.sqrt(length / step)
    if found < max(least_strength, by_chance) or top in (0, strength.size - 1):
        return Delay(float("nan"), found)
    left, right = strength[top - 1], strength[top + 1]
    shift = 0.5 * (left - right) / (left - 2.0 * found + right)
    return Delay(max(0.0, (top - 1 + float(shift)) * raster_s), found)


def sample_duration_s(time_s: ArrayLike, *, longest_gap_s: float = LONGEST_GAP_S) -> FloatArray:
    """Return the time each sample stands for.

    Parameters
    ----------
    time_s : array_like
        Clock of the log, ascending. [s]
    longest_gap_s : float, default 0.5
        Longer intervals count as none of anybody's time. A logger slower than that has its own
        median interval as the limit, times 1.5. [s]

    Returns
    -------
    ndarray
        Half of the interval to either neighbour. [s]

    Raises
    ------
    ValueError
        If the clock does not ascend.

    Examples
    --------
    >>> sample_duration_s([0.0, 0.1, 0.2, 5.0, 5.1])
    array([0.05, 0.1 , 0.05, 0.05, 0.05])
    """
    (time,) = _one_clock(time_s)
    if time.size < 2:
        return np.zeros(time.shape)
    interval = np.diff(time)
    limit = max(longest_gap_s, 1.5 * float(np.median(interval)))
    half = np.where(interval <= limit, 0.5 * interval, 0.0)
    return np.concatenate([[0.0], half]) + np.concatenate([half, [0.0]])


def steady_mask(
    time_s: ArrayLike,
    throttle_pct: ArrayLike,
    engine_speed_rpm: ArrayLike,
    *,
    window_s: float = 0.5,
    most_throttle_change_pct: float = 2.0,
    most_speed_change_rpm: float = 200.0,
    settle_s: float = 0.5,
) -> NDArray[np.bool_]:
    """Return where throttle and engine speed hold still, and have done so for a while.

    Parameters
    ----------
    time_s : array_like
        Clock of the log, ascending. [s]
    throttle_pct : array_like
        Throttle opening. [%]
    engine_speed_rpm : array_like
        Engine speed. [rpm]
    window_s : float, default 0.5
        Time about each sample within which changes are judged: the longest usual probe delay and
        lag together. [s]
    most_throttle_change_pct : float, default 2
        Greatest change in the window: the narrowest cell, and twice a hand's tremor. [%]
    most_speed_change_rpm : float, default 200
        Greatest change in the window: a fifth of a cell, and well above the ripple of a single at
        low speed. [rpm]
    settle_s : float, default 0.5
        Time to wait after movement, the beginning of the log or a gap: wall film and probe
        follow late. [s]

    Returns
    -------
    ndarray of bool
        True where the sample is steady; False where throttle or speed was not seen.

    Raises
    ------
    ValueError
        If the clock does not ascend, the lengths differ, or a choice is below 0.

    Notes
    -----
    Windows are counted in samples of the median interval, three at least, so the answer does not
    hang on the logging rate from about 5 Hz upwards.

    Examples
    --------
    >>> time = np.arange(0.0, 4.0, 0.1)
    >>> steady = steady_mask(time, np.where(time < 2.0, 10.0, 20.0), np.full(40, 4000.0))
    >>> bool(steady[15]), bool(steady[21]), bool(steady[35])
    (True, False, True)
    """
    time, throttle, speed = _one_clock(
        time_s, throttle_pct=throttle_pct, engine_speed_rpm=engine_speed_rpm
    )
    _check_choices(window_s, most_throttle_change_pct, most_speed_change_rpm, settle_s)
    count = _window_samples(time, window_s)
    moving = (_change(throttle, count) > most_throttle_change_pct) | (
        _change(speed, count) > most_speed_change_rpm
    )
    seen = np.isfinite(throttle) & np.isfinite(speed)
    return seen & ~moving & ~_lately(time, moving | ~seen | _starts(time), settle_s)


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
    probe: str = "collector",
    warm_coolant_k: float = 343.0,
    closed_throttle_pct: float = 2.0,
    cut_lambda: float = 1.25,
    cut_after_s: float = 0.5,
    least_speed_rpm: float = 1500.0,
    least_roller_speed_m_s: float = 1.5,
    most_ratio_change_share: float = 0.06,
    roller_resolution_m_s: float = 0.3,
    window_s: float = 0.5,
    most_throttle_change_pct: float = 2.0,
    most_speed_change_rpm: float = 200.0,
    settle_s: float = 0.5,
    low_flow_rpm: float = 900.0,
    full_throttle_pct: float = 90.0,
) -> NDArray[np.str_]:
    """Return for each sample why it is not steady evidence of the mixture, or "".

    Parameters
    ----------
    time_s : array_like
        Clock of the log, ascending. [s]
    throttle_pct : array_like
        Throttle opening. [%]
    engine_speed_rpm : array_like
        Engine speed. [rpm]
    coolant_temp_k : array_like, optional
        Coolant temperature; without it no sample is cold. [K]
    lambda_aligned : array_like, optional
        Lambda from `aligned_lambda`; without it there is no evidence at all. [1]
    injector_time_s : array_like, optional
        Injector opening time. [s]
    gear : array_like, optional
        Gear; only its changes are used.
    roller_speed_m_s : array_like, optional
        Speed of roller or road. [m/s]
    probe : str, default "collector"
        The probe's place: "port", "header", "collector" or "tailpipe".
    warm_coolant_k : float, default 343
        70 degC: below it most engines still enrich for warming up. [K]
    closed_throttle_pct : float, default 2
        Opening that counts as closed: the play of a worn throttle sensor. [%]
    cut_lambda : float, default 1.25
        With a closed throttle, leaner than any engine runs: fuel is cut. [1]
    cut_after_s : float, default 0.5
        Time after a cut in which air is still leaving the exhaust. [s]
    least_speed_rpm : float, default 1500
        Engine speed below which the engine idles. [rpm]
    least_roller_speed_m_s : float, default 1.5
        Speed below which the bike is standing or being paddled. [m/s]
    most_ratio_change_share : float, default 0.06
        Greatest change of engine speed over roller speed in the window: half of the smallest
        step between two gears. [1]
    roller_resolution_m_s : float, default 0.3
        Step of a speed logged in whole km/h, allowed on top. [m/s]
    window_s, most_throttle_change_pct, most_speed_change_rpm, settle_s : float
        As in `steady_mask`.
    low_flow_rpm : float, default 900
        With a tailpipe probe, the throttle's share of engine speed below which outside air gets
        to the probe: the exhaust then flows as at this speed with the throttle open. That it
        reads lean there is common practice, no source; where it begins is our judgement. [rpm]
    full_throttle_pct : float, default 90
        Opening that is judged in pulls, against another target. [%]

    Returns
    -------
    ndarray of str
        One of `REASONS` each; where several hold, the first in that order.

    Raises
    ------
    ValueError
        If the clock does not ascend, the lengths differ, or a choice is below 0.

    Notes
    -----
    Thresholds are common practice, no source. A gauge below 0.5 is dead and counts as no
    lambda. A sample whose coolant, injector, gear or roller speed was not logged is not judged
    by it. Without roller speed and gear, a clutch pulled at steady engine speed goes unseen.

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
    _check_choices(window_s, most_throttle_change_pct, most_speed_change_rpm, settle_s)
    absent = np.full(time.shape, np.nan)
    coolant, mixture, injector, gears, roller = (
        absent if channel is None else _one_clock(time_s, **{name: channel})[1]
        for name, channel in (
            ("coolant_temp_k", coolant_temp_k),
            ("lambda_aligned", lambda_aligned),
            ("injector_time_s", injector_time_s),
            ("gear", gear),
            ("roller_speed_m_s", roller_speed_m_s),
        )
    )
    require("coolant_temp_k", coolant, above=0.0, unit="K")

    # Comparisons with NaN are false: what was not logged excludes nothing.
    count = _window_samples(time, window_s)
    cut = ((throttle <= closed_throttle_pct) & (mixture > cut_lambda)) | (injector <= 0.0)
    rolling = np.where(roller >= least_roller_speed_m_s, roller, np.nan)
    ratio = speed / rolling
    allowed = (most_ratio_change_share + roller_resolution_m_s / rolling) * ratio
    shifting = (_change(ratio, count) > allowed) | (_change(gears, count) > 0.0)
    throttle_moves = _change(throttle, count) > most_throttle_change_pct
    speed_moves = _change(speed, count) > most_speed_change_rpm
    unseen = ~(np.isfinite(throttle) & np.isfinite(speed))
    unsettled = shifting | throttle_moves | speed_moves | unseen | _starts(time)

    holds = {
        "no lambda": ~(mixture >= LEAST_LAMBDA),
        "no throttle or speed": unseen,
        "cold engine": coolant < warm_coolant_k,
        "fuel cut": _lately(time, cut, cut_after_s),
        "stopped or idling": (speed < least_speed_rpm) | (roller < least_roller_speed_m_s),
        "gear change or clutch": shifting,
        "throttle moving": throttle_moves,
        "speed moving": speed_moves,
        "settling": _lately(time, unsettled, settle_s),
        "low flow at the tailpipe": (throttle / 100.0 * speed < low_flow_rpm)
        & (probe == "tailpipe"),
        "full throttle": throttle >= full_throttle_pct,
    }
    code = np.zeros(time.shape, dtype=np.intp)
    for reason in reversed(REASONS[1:]):
        code[holds[reason]] = REASONS.index(reason)
    # As objects: every sample of a long ride as text of its own would fill the memory.
    return np.array(REASONS, dtype=object)[code]


def weighted_median(values: ArrayLike, weights: ArrayLike) -> float:
    """Return the value with half of the weight on either side.

    Merges the medians of several rides in one cell when weighted by their dwell.

    Parameters
    ----------
    values : array_like
        Values; those that are NaN are left out.
    weights : array_like
        Their weights.

    Returns
    -------
    float
        Weighted median; the middle of two values where half of the weight ends between them, as
        in the plain median of an even number; NaN if no value has weight.

    Raises
    ------
    ValueError
        If the lengths differ, or a weight is below 0 or not seen.

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


def cruise_cells(
    time_s: ArrayLike,
    throttle_pct: ArrayLike,
    engine_speed_rpm: ArrayLike,
    lambda_aligned: ArrayLike,
    reasons: ArrayLike,
    *,
    throttle_edges_pct: ArrayLike = THROTTLE_EDGES_PCT,
    speed_edges_rpm: ArrayLike = SPEED_EDGES_RPM,
    band: tuple[float, float] = (0.94, 1.00),
) -> list[Cell]:
    r"""Return the steady mixture of a ride, cell by cell.

    Parameters
    ----------
    time_s : array_like
        Clock of the log, ascending. [s]
    throttle_pct : array_like
        Throttle opening. [%]
    engine_speed_rpm : array_like
        Engine speed. [rpm]
    lambda_aligned : array_like
        Lambda from `aligned_lambda`. [1]
    reasons : array_like of str
        From `exclusion_reasons`; only samples with "" count.
    throttle_edges_pct : array_like, default THROTTLE_EDGES_PCT
        Edges of the throttle cells, ascending. [%]
    speed_edges_rpm : array_like, default SPEED_EDGES_RPM
        Edges of the speed cells, ascending. [rpm]
    band : (float, float), default (0.94, 1.00)
        Lambda wanted at cruise, both ends included; common practice, no source. [1]

    Returns
    -------
    list of Cell
        Cells that were visited, by ascending throttle, then speed.

    Raises
    ------
    ValueError
        If the clock or edges do not ascend, the lengths differ, or the band is upside down.

    Notes
    -----
    Each sample weighs as much as the time it stands for (`sample_duration_s`), so a logger that
    speeds up or stutters does not move the median. The spread is 1.4826 times the median
    distance from the median: for normal scatter its standard deviation, and blind to a few
    stray samples. Samples outside the edges are left out.

    Assumes that the probe's place is fit for the flow; `exclusion_reasons` sees to that.

    Examples
    --------
    >>> time = np.arange(0.0, 1.0, 0.1)
    >>> ten = np.ones(10)
    >>> cell = cruise_cells(time, 12.0 * ten, 4200.0 * ten, 0.97 * ten, [""] * 10)[0]
    >>> cell.throttle_from_pct, cell.speed_to_rpm, cell.lambda_median, cell.dwell_s
    (10.0, 5000.0, 0.97, 0.9)
    """
    time, throttle, speed, mixture = _one_clock(
        time_s,
        throttle_pct=throttle_pct,
        engine_speed_rpm=engine_speed_rpm,
        lambda_aligned=lambda_aligned,
    )
    why = np.asarray(reasons)
    if why.shape != time.shape:
        raise ValueError(f"reasons must match time_s in length, got {why.shape} for {time.shape}")
    low, high = band
    require("band", low, above=0.0, at_most=high)
    edges = []
    for name, given in (
        ("throttle_edges_pct", throttle_edges_pct),
        ("speed_edges_rpm", speed_edges_rpm),
    ):
        edge = np.asarray(given, dtype=float)
        if edge.size < 2 or not np.all(np.diff(edge) > 0.0):
            raise ValueError(f"{name} must ascend and hold at least 2 edges, got {edge}")
        edges.append(edge)
    throttle_edges, speed_edges = edges

    weight = sample_duration_s(time)
    row, column = _cell_of(throttle, throttle_edges), _cell_of(speed, speed_edges)
    kept = (why == "") & np.isfinite(mixture) & (row >= 0) & (column >= 0) & (weight > 0.0)
    if not kept.any():
        return []
    columns = speed_edges.size - 1
    cells, group = np.unique(row[kept] * columns + column[kept], return_inverse=True)
    value, weight = mixture[kept], weight[kept]
    median = _medians(value, weight, group)
    spread = 1.4826 * _medians(np.abs(value - median[group]), weight, group)
    hits = np.bincount(group)
    dwell = np.bincount(group, weight)
    in_band = np.bincount(group, weight * ((value >= low) & (value <= high))) / dwell
    return [
        Cell(
            throttle_from_pct=float(throttle_edges[cell // columns]),
            throttle_to_pct=float(throttle_edges[cell // columns + 1]),
            speed_from_rpm=float(speed_edges[cell % columns]),
            speed_to_rpm=float(speed_edges[cell % columns + 1]),
            lambda_median=float(median[place]),
            lambda_spread=float(spread[place]),
            hits=int(hits[place]),
            dwell_s=float(dwell[place]),
            in_band_share=float(in_band[place]),
        )
        for place, cell in enumerate(cells)
    ]


def band_error_pct(lambda_value: ArrayLike, band: tuple[float, float] = (0.94, 1.00)) -> FloatArray:
    """Return the lean error against the nearer edge of the cruise band.

    Parameters
    ----------
    lambda_value : array_like
        Lambda, of a cell for one. [1]
    band : (float, float), default (0.94, 1.00)
        Lambda wanted, both ends included. [1]

    Returns
    -------
    ndarray
        0 inside the band, positive above it, negative below it. [%]

    Raises
    ------
    ValueError
        If a lambda is not above 0, or the band is upside down.

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


def _check_choices(
    window_s: float, most_throttle_change_pct: float, most_speed_change_rpm: float, settle_s: float
) -> None:
    require("window_s", window_s, at_least=0.0, unit="s")
    require("most_throttle_change_pct", most_throttle_change_pct, at_least=0.0, unit="%")
    require("most_speed_change_rpm", most_speed_change_rpm, at_least=0.0, unit="rpm")
    require("settle_s", settle_s, at_least=0.0, unit="s")


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
    order = np.lexsort((value, group))
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
