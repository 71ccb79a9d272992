"""The fuel change a map seems to need, cell by cell, from part-throttle and full-throttle evidence.

For a map that meters fuel in open loop by speed and density or by speed and throttle: there fuel
mass is the map's cell times what air it stands for, and lambda falls as the cell grows. Where a
lambda control is at work the mixture says nothing about the cell, and a mask leaves it out. A
suggestion with its evidence; nothing here writes to a control unit, and a qualified tuner checks
it before use.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import astuple, dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import linalg, optimize, special
from scipy.linalg import get_lapack_funcs

from flows.metrics.domain_checks import require

FloatArray = NDArray[np.float64]

CONFIDENCE = 0.95
"""Share of needed changes, and of removed shares, that lie within their interval."""
LEAST_EVIDENCE_SHARE = 0.5
"""A cell is blank where the evidence removed less of the shape's variance."""
WIDEST_HALF_INTERVAL_PCT = 3.0
"""A cell is blank where the interval reaches further than this to either side: as far as the
cruise band is wide, so that the change might as well be left."""
REACH_RPM, REACH_THROTTLE = 750.0, 0.4
"""A cell is blank where no reading is as near as this in speed and along `throttle_place`: from
10 % opening, that reaches 5 and 17 %."""
MOST_GUARDED_ENLEANMENT_PCT = 2.0
"""Most fuel taken from a guarded cell in a round; this and what follows: common practice, no
source."""
GUARDED_FROM_THROTTLE_PCT = 80.0
"""Throttle from which cells are guarded: from there on the engine takes nearly all the air it does
at full throttle."""
MOST_NEIGHBOUR_STEP_PCT = 8.0
"""Most difference of the change over all rounds between neighbours along one axis: a map with
cliffs stumbles."""
MOST_OVER_NEED_PCT = 4.0
"""Most that a cell is raised beyond what it needs for its neighbours' sake, so that a cliff which
the engine truly has is not filled with fuel."""
LEAST_CHANGE_PCT = 1.0
"""A smaller change whose interval holds 0 is not entered: it is within the gauge's accuracy, and a
map is done some time."""
STANDARD_THROTTLE_PCT = (
    0.0, 2.0, 4.0, 6.0, 9.0, 12.0, 16.0, 20.0, 25.0, 30.0, 40.0, 50.0, 60.0, 80.0, 100.0,
)  # fmt: skip
"""Throttle breakpoints where the shop gives none: finer where a small opening changes the air most.
Ours. [%]"""

STANDARD_SPEED_RPM = tuple(float(speed) for speed in range(1000, 14_001, 500))
"""Speed breakpoints where the shop gives none. Ours. [rpm]"""

LEAST_BURNING_LAMBDA = 0.6
"""A cell below it is a dead gauge or liquid fuel on the probe; common practice, no source. [1]"""

MOST_BURNING_LAMBDA = 1.4
"""A cell above it misfires, or is air from a leak; common practice, no source. [1]"""

THROTTLE_BEND_PCT = 5.0
"""Opening at which `throttle_place` turns from even steps to even ratios: about that of a warm idle
with the leak past the plate, below which ratios of openings mean little; common practice, no
source. [%]"""

LEVEL_SD_PCT = 6.0
"""Standard deviation of the level that a whole map is off by: fuel pressure, injectors, another
airbox; common practice, no source. [%]"""

_POTRF, _POTRS = get_lapack_funcs(("potrf", "potrs"), dtype=np.float64)

_ROOM = 1e-6
"""Rounding of sums, as a share of a step of the map, that must not count as a further step."""


@dataclass(frozen=True)
class Evidence:
    """Fuel changes that single readings ask for, all from one gauge.

    Refuses columns of unequal length, and figures that are impossible or not known. Beside the
    two functions that make it from mixtures, other readings can be entered as they are: a settled
    long-term trim is the change that its closed-loop cell asks for.

    Attributes
    ----------
    throttle_pct : ndarray. Throttle opening of each reading. [%]
    speed_rpm : ndarray. Engine speed of each. [rpm]
    change_pct : ndarray
        Fuel change that would meet the target there; positive where the mixture is lean. [%]
    standard_error_pct : ndarray. Its standard error, the gauge's own accuracy left out. [%]
    gauge : str. Which gauge. Readings of one gauge share one error; those of two do not.
    gauge_error_pct : float
        Standard uncertainty of that gauge's level, the same for all its readings. [%]
    left_out : dict of str to int. Readings that are no evidence, counted by why.
    """

    throttle_pct: FloatArray
    speed_rpm: FloatArray
    change_pct: FloatArray
    standard_error_pct: FloatArray
    gauge: str
    gauge_error_pct: float
    left_out: dict[str, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        columns = {
            name: getattr(self, name)
            for name in ("throttle_pct", "speed_rpm", "change_pct", "standard_error_pct")
        }
        for name, column in columns.items():
            if np.ndim(column) != 1 or len(column) != len(self.throttle_pct):
                raise ValueError(
                    f"{name} must match throttle_pct in length, got {np.shape(column)} for "
                    f"{np.shape(self.throttle_pct)}"
                )
        _require_known(**columns, gauge_error_pct=self.gauge_error_pct)
        require("throttle_pct", self.throttle_pct, at_least=0.0, at_most=100.0, unit="%")
        require("speed_rpm", self.speed_rpm, at_least=0.0, unit="rpm")
        require("change_pct", self.change_pct, above=-100.0, unit="%")
        require("standard_error_pct", self.standard_error_pct, at_least=0.0, unit="%")
        require("gauge_error_pct", self.gauge_error_pct, at_least=0.0, unit="%")


@dataclass(frozen=True)
class SurfaceShape:
    """How far the needed change strays from the map's level, and what distances share a stray.

    Attributes
    ----------
    sd_pct : float. Standard deviation of the needed change about the level of the whole map. [%]
    throttle_length : float. Correlation length along `throttle_place`. [1]
    speed_length_rpm : float. Correlation length along engine speed. [rpm]
    nugget_pct : float
        Scatter of readings beyond their standard error: their place within the cell, the day. [%]
    """

    sd_pct: float
    throttle_length: float
    speed_length_rpm: float
    nugget_pct: float


TYPICAL_SHAPE = SurfaceShape(3.5, 0.8, 1200.0, 0.4)
"""What a shape is taken to be until evidence says otherwise: an exhaust shifts the needed change
by some 3.5 % over some 1200 rpm; common practice, no source."""

_SPREAD_OF_SHAPES = (0.5, 0.4, 0.4, 0.5)
"""Standard deviations of the natural logarithms of a shape's four figures about the typical."""

_SHAPE_BOUNDS = ((1.5, 20.0), (0.3, 1.5), (300.0, 3000.0), (0.2, 2.0))
"""Beyond these a shape claims too much: that a map is even between its seen cells, that light
throttle tells of full throttle, or that cells repeat better than engines do."""


@dataclass(frozen=True)
class FuelChange:
    """A suggested fuel change on a map's axes: throttle by row, speed by column; NaN where blank.

    Attributes
    ----------
    throttle_pct : ndarray. Throttle breakpoints. [%]
    speed_rpm : ndarray. Speed breakpoints. [rpm]
    needed_pct : ndarray. Change that the evidence asks for, before limits. [%]
    low_pct, high_pct : ndarray. Interval of the needed change. [%]
    suggested_pct : ndarray. Change to enter, within all limits and on the map's steps. [%]
    evidence_share : ndarray
        Share of the shape's variance that the evidence removed, also where blank. [0..1]
    held_by : ndarray of str. Limit that moved the suggestion from the needed change: "", "step",
        "total", "guard" or "slope", the last one that did; "blank" where nothing is suggested.
    is_guarded : ndarray of bool. Cells that feed full throttle or a lean window.
    seam_pct : ndarray. Fuel to add to blank cells beside told ones, so that the engine meets no
        cliff there; NaN elsewhere. Not evidence: half of the greatest change beside the cell. [%]
    shape : SurfaceShape. Shape of the surface that was used.
    left_out : dict of str to int. Readings that were no evidence, of all rounds, counted by why.
    """

    throttle_pct: FloatArray
    speed_rpm: FloatArray
    needed_pct: FloatArray
    low_pct: FloatArray
    high_pct: FloatArray
    suggested_pct: FloatArray
    evidence_share: FloatArray
    held_by: NDArray[np.str_]
    is_guarded: NDArray[np.bool_]
    seam_pct: FloatArray
    shape: SurfaceShape
    left_out: dict[str, int]

    @property
    def entered_pct(self) -> FloatArray:
        """The whole table as it is typed in: suggestion, seams, and 0 for all other cells. [%]."""
        seams = np.nan_to_num(self.seam_pct)
        return np.where(np.isfinite(self.suggested_pct), self.suggested_pct, seams)


@dataclass(frozen=True)
class RemovedShare:
    """How much of the mixture error a change removed.

    Attributes
    ----------
    removed_share : float
        Share of the mean size of the error that is gone; below 0 where it grew. [1]
    low_share, high_share : float. Its interval; NaN where too few cells carry the weight. [1]
    cells : int. Cells seen both before and after.
    """

    removed_share: float
    low_share: float
    high_share: float
    cells: int


def part_throttle_evidence(
    throttle_pct: ArrayLike,
    speed_rpm: ArrayLike,
    lambda_measured: ArrayLike,
    lambda_standard_error: ArrayLike,
    dwell_s: ArrayLike,
    *,
    target: tuple[ArrayLike, ArrayLike] = (0.94, 1.00),
    is_closed_loop: ArrayLike = False,
    least_dwell_s: float = 2.0,
    gauge: str = "ride",
    gauge_error_pct: float = 0.5,
) -> Evidence:
    r"""Return what steady cells say about the map.

    Parameters
    ----------
    throttle_pct : array_like
        Throttle opening of each cell: the mean over its samples, else its middle. [%]
    speed_rpm : array_like. Engine speed of each, likewise. [rpm]
    lambda_measured : array_like. Lambda of each; NaN where it was not seen. [1]
    lambda_standard_error : array_like. Standard error of that lambda, autocorrelation counted. [1]
    dwell_s : array_like. Steady time spent in each. [s]
    target : (array_like, array_like), default (0.94, 1.00)
        Lambda wanted: lowest and highest, for all cells or each; twice the same for one value.
        `mixture.part_throttle_band` gives that of each opening. [1]
    is_closed_loop : array_like of bool, default False. Cells where a lambda control was at work.
    least_dwell_s : float, default 2. Cells passed through for less have no say. [s]
    gauge : str, default "ride". Name of the gauge; give that of the pulls if it was the same one.
    gauge_error_pct : float, default 0.5
        Standard uncertainty of the gauge's level, of the reading. [%]

    Returns
    -------
    Evidence. Cells that count, and the others counted by why.

    Raises
    ------
    ValueError. If lengths differ, a figure is impossible, or the target is upside down.

    Notes
    -----
    .. math:: c = 100 \left( \frac{\lambda}{\lambda_t} - 1 \right)

    with :math:`\lambda_t` the nearest lambda that the target allows. At unchanged air
    :math:`1 + c/100` is the factor for the map's cell; in open loop only. A wrong dead time of the
    injector makes the true factor larger than this at light load.

    Examples
    --------
    >>> cells = part_throttle_evidence(
    ...     [10.0, 20.0], [4000.0, 4000.0], [1.05, 1.0], 0.004, 8.0,
    ...     is_closed_loop=[False, True])
    >>> cells.change_pct, cells.left_out
    (array([5.]), {'closed loop': 1})
    """
    throttle, speed, mixture, error, dwell, closed, low, high = _same_length(
        throttle_pct=throttle_pct,
        speed_rpm=speed_rpm,
        lambda_measured=lambda_measured,
        lambda_standard_error=lambda_standard_error,
        dwell_s=dwell_s,
        is_closed_loop=is_closed_loop,
        target_low=target[0],
        target_high=target[1],
    )
    require("throttle_pct", throttle, at_least=0.0, at_most=100.0, unit="%")
    require("speed_rpm", speed, at_least=0.0, unit="rpm")
    require("lambda_measured", mixture, above=0.0)
    require("lambda_standard_error", error, at_least=0.0)
    require("dwell_s", dwell, at_least=0.0, unit="s")
    require("target", low, above=0.0, at_most=high)
    require("least_dwell_s", least_dwell_s, at_least=0.0, unit="s")
    _require_known(target=[low, high], is_closed_loop=closed, least_dwell_s=least_dwell_s)
    aim = np.clip(mixture, low, high)
    reasons = {
        "place not seen": np.isnan(throttle) | np.isnan(speed),
        "no lambda": np.isnan(mixture),
        "no standard error": np.isnan(error),
        "closed loop": closed != 0.0,
        "too short": ~(dwell >= least_dwell_s),
        "no burning mixture": (mixture < LEAST_BURNING_LAMBDA) | (mixture > MOST_BURNING_LAMBDA),
    }
    kept, left_out = _sorted_out(reasons)
    return Evidence(
        throttle[kept],
        speed[kept],
        100.0 * (mixture[kept] / aim[kept] - 1.0),
        100.0 * error[kept] / aim[kept],
        gauge,
        gauge_error_pct,
        left_out,
    )


def full_throttle_evidence(
    speed_rpm: ArrayLike,
    lean_error_pct: ArrayLike,
    standard_error_pct: ArrayLike,
    *,
    spacing_rpm: float = 300.0,
    gauge_error_pct: float = 0.5,
) -> Evidence:
    """Return what a full-throttle curve says about the map's top throttle row.

    Parameters
    ----------
    speed_rpm : array_like. Engine speeds of the curve, ascending. [rpm]
    lean_error_pct : array_like
        Lean error at each (`mixture.lean_error_pct`); NaN where it was not seen. [%]
    standard_error_pct : array_like. Its standard error, from the session's pulls. [%]
    spacing_rpm : float, default 300. Least distance between two points that count as two: twice the
        half width of the curve's smoothing, where its points share an eighth of their noise. [rpm]
    gauge_error_pct : float, default 0.5
        Standard uncertainty of the dyno's gauge, of the reading. [%]

    Returns
    -------
    Evidence. Points that count; those in between are counted as repeating their neighbours.

    Raises
    ------
    ValueError. If lengths differ, speeds do not ascend, or a figure is impossible.

    Notes
    -----
    The points are taken outwards from the leanest, so that thinning cannot hide it. Of noise
    alone that picks the leanest of the noise: an error towards rich.

    Examples
    --------
    >>> curve = full_throttle_evidence(
    ...     [5000.0, 5200.0, 5400.0, 5600.0], [0.0, 3.0, 9.0, 3.0], 0.5)
    >>> curve.speed_rpm, curve.change_pct
    (array([5000., 5400.]), array([0., 9.]))
    """
    speed, change, error = _same_length(
        speed_rpm=speed_rpm, lean_error_pct=lean_error_pct, standard_error_pct=standard_error_pct
    )
    require("speed_rpm", speed, at_least=0.0, unit="rpm")
    if not np.all(np.diff(speed) > 0.0):
        raise ValueError("speed_rpm must ascend, got a speed that does not")
    require("lean_error_pct", change, above=-100.0, unit="%")
    require("standard_error_pct", error, at_least=0.0, unit="%")
    require("spacing_rpm", spacing_rpm, at_least=0.0, unit="rpm")
    _require_known(spacing_rpm=spacing_rpm)
    seen = np.isfinite(change) & np.isfinite(error)
    thinned = np.zeros(speed.shape, dtype=bool)
    if seen.any():
        leanest = int(np.argmax(np.where(seen, change, -np.inf)))
        thinned[leanest] = True
        for places in (range(leanest + 1, speed.size), range(leanest - 1, -1, -1)):
            last = speed[leanest]
            for place in places:
                if seen[place] and abs(speed[place] - last) >= spacing_rpm - _ROOM:
                    thinned[place] = True
                    last = speed[place]
    kept, left_out = _sorted_out(
        {
            "no lambda": np.isnan(change),
            "no standard error": np.isnan(error),
            "repeats its neighbour": ~thinned,
        }
    )
    return Evidence(
        np.full(int(kept.sum()), 100.0),
        speed[kept],
        change[kept],
        error[kept],
        "dyno",
        gauge_error_pct,
        left_out,
    )


def throttle_place(throttle_pct: ArrayLike) -> FloatArray:
    r"""Return the place of a throttle opening on a scale where equal steps are about equal air.

    Parameters
    ----------
    throttle_pct : array_like. Throttle opening. [%]

    Returns
    -------
    ndarray. Place: 0 for shut, 3.04 for wide open. [1]

    Raises
    ------
    ValueError. If an opening is not from 0 to 100 %.

    Notes
    -----
    .. math:: u = \ln \left( 1 + \theta / \theta_0 \right), \qquad \theta_0 = 5\ \%

    Examples
    --------
    >>> throttle_place([0.0, 5.0, 100.0]).tolist()
    [0.00, 0.69, 3.04]
    """
    throttle = np.asarray(throttle_pct, dtype=float)
    require("throttle_pct", throttle, at_least=0.0, at_most=100.0, unit="%")
    return np.log1p(throttle / THROTTLE_BEND_PCT)


def correlation(distance: FloatArray, length: float) -> tuple[FloatArray, FloatArray]:
    r"""Return how much two places a distance apart have in common.

    Parameters
    ----------
    distance : ndarray. Distance, not below 0.
    length : float. Correlation length, above 0, in the same unit.

    Returns
    -------
    (ndarray, ndarray)
        Correlation, 1 at no distance, and its slope by the logarithm of the length. [1]

    Notes
    -----
    .. math:: \rho(d) = \left( 1 + \sqrt{3} d / \ell \right) e^{-\sqrt{3} d / \ell}

    The Matern function of order 3/2 [1]_, eq. 4.17: a surface that has a slope everywhere but no
    definite bend, so that a narrow lean window is not smoothed away as a Gaussian one would.

    Examples
    --------
    >>> correlation(np.array([0.0, 1000.0]), 1000.0)[0].tolist()
    [1.00, 0.48]

    References
    ----------
    .. [1] C. E. Rasmussen and C. K. I. Williams, Gaussian Processes for Machine Learning, 2006,
       chapters 2, 4 and 5 (from memory).
    """
    scaled = math.sqrt(3.0) * distance / length
    fading = np.exp(-scaled)
    return (1.0 + scaled) * fading, scaled**2 * fading


def log_likelihood(evidence: Sequence[Evidence], shape: SurfaceShape) -> float:
    r"""Return the log likelihood of the evidence, were the surface of this shape.

    Parameters
    ----------
    evidence : sequence of Evidence. Evidence, one for each gauge or kind.
    shape : SurfaceShape. Shape.

    Returns
    -------
    float. Log marginal likelihood; 0 without evidence.

    Raises
    ------
    ValueError. If a figure of the shape is not above 0.

    Notes
    -----
    .. math:: \ln p(y) = -\tfrac12 y^\top C^{-1} y - \tfrac12 \ln |C| - \tfrac n2 \ln 2\pi

    eq. 2.30 of [1]_ with the covariance of `surface_posterior`.

    Examples
    --------
    >>> one = full_throttle_evidence([5000.0], [0.0], [0.0], gauge_error_pct=0.0)
    >>> log_likelihood([one], SurfaceShape(8.0, 1.0, 1000.0, 7.5))  # -ln(12.5 sqrt(2 pi))
    -3.4447

    References
    ----------
    .. [1] C. E. Rasmussen and C. K. I. Williams, Gaussian Processes for Machine Learning, 2006,
       chapters 2, 4 and 5 (from memory).
    """
    _check_shape(shape)
    change = _joined(evidence, "change_pct")
    if not change.size:
        return 0.0
    return _log_likelihood(change, _distances(evidence), _noise(evidence), shape)[0]


def fitted_shape(evidence: Sequence[Evidence]) -> SurfaceShape:
    r"""Return the shape that the evidence speaks for, held near the typical one.

    Parameters
    ----------
    evidence : sequence of Evidence. Evidence, one for each gauge or kind.

    Returns
    -------
    SurfaceShape. The most probable shape; `TYPICAL_SHAPE` without evidence.

    Raises
    ------
    ValueError. If a gauge has two errors.

    Notes
    -----
    .. math:: \max_{\phi} \; \ln p(y \mid \phi)
              - \tfrac12 \sum_k \left( \frac{\ln \phi_k - \ln \phi_{0k}}{s_k} \right)^2

    Marginal likelihood ([1]_, section 5.4.1) with a weak lognormal prior about the typical shape
    and hard bounds, so that three cells do not make a shape of their own and a hundred do. The
    search starts at the typical shape and uses no chance: the same evidence, the same answer.
    The uncertainty of the shape itself is left out of the intervals.

    Examples
    --------
    >>> fitted_shape([]) == TYPICAL_SHAPE
    True

    References
    ----------
    .. [1] C. E. Rasmussen and C. K. I. Williams, Gaussian Processes for Machine Learning, 2006,
       chapters 2, 4 and 5 (from memory).
    """
    change = _joined(evidence, "change_pct")
    if not change.size:
        return TYPICAL_SHAPE
    distances, noise = _distances(evidence), _noise(evidence)
    typical = np.log(astuple(TYPICAL_SHAPE))

    spread = np.asarray(_SPREAD_OF_SHAPES)

    def cost(logs: FloatArray) -> tuple[float, FloatArray]:
        away = (logs - typical) / spread
        shape = SurfaceShape(*(float(figure) for figure in np.exp(logs)))
        height, slopes = _log_likelihood(change, distances, noise, shape)
        return 0.5 * float(away @ away) - height, away / spread - slopes

    found = optimize.minimize(
        cost,
        typical,
        method="L-BFGS-B",
        jac=True,
        bounds=[tuple(np.log(pair)) for pair in _SHAPE_BOUNDS],
    )
    return SurfaceShape(*(float(figure) for figure in np.exp(found.x)))


def surface_posterior(
    evidence: Sequence[Evidence],
    throttle_pct: ArrayLike,
    speed_rpm: ArrayLike,
    shape: SurfaceShape,
) -> tuple[FloatArray, FloatArray]:
    r"""Return the needed change at places of the map, and how well it is known.

    Parameters
    ----------
    evidence : sequence of Evidence. Evidence, one for each gauge or kind.
    throttle_pct : array_like. Throttle opening of each place. [%]
    speed_rpm : array_like. Engine speed of each. [rpm]
    shape : SurfaceShape. Shape, from `fitted_shape` or fixed.

    Returns
    -------
    (ndarray, ndarray). Posterior mean and standard deviation at each place; without evidence no
        change and the prior's standard deviation. [%]

    Raises
    ------
    ValueError. If lengths differ, an opening or a figure of the shape is impossible.

    Notes
    -----
    A Gaussian process [1]_ about no change: a level of the whole map, plus strays whose covariance
    is that of throttle times that of speed. With gauge error g, standard error e, nugget
    :math:`\tau` and L `LEVEL_SD_PCT`,

    .. math:: k(x, x') &= L^2 + \sigma^2 \, \rho(|u - u'|; \ell_u) \, \rho(|n - n'|; \ell_n) \\
              C_{ij} &= k(x_i, x_j) + g_i g_j [\mathrm{same\ gauge}]
          + (e_i^2 + \tau^2) \delta_{ij} \\
              m &= k_*^\top C^{-1} y, \qquad s^2 = L^2 + \sigma^2 - k_*^\top C^{-1} k_*

    (eq. 2.25 and 2.26). However many cells one gauge has read, s stays near that gauge's error.

    Examples
    --------
    One reading of 10 %, prior and noise alike: half of it is believed.

    >>> one = full_throttle_evidence([5000.0], [10.0], [8.0], gauge_error_pct=0.0)
    >>> surface_posterior([one], [100.0], [5000.0], SurfaceShape(8.0, 1.0, 1000.0, 6.0))
    (array([5.0]), array([7.07]))

    References
    ----------
    .. [1] C. E. Rasmussen and C. K. I. Williams, Gaussian Processes for Machine Learning, 2006,
       chapters 2, 4 and 5 (from memory).
    """
    throttle, speed = _same_length(throttle_pct=throttle_pct, speed_rpm=speed_rpm)
    place = throttle_place(throttle)
    _check_shape(shape)
    change = _joined(evidence, "change_pct")
    prior = LEVEL_SD_PCT**2 + shape.sd_pct**2
    if not change.size:
        return np.zeros(place.shape), np.full(place.shape, math.sqrt(prior))
    own_place = throttle_place(_joined(evidence, "throttle_pct"))
    own_speed = _joined(evidence, "speed_rpm")
    lengths = (shape.throttle_length, shape.speed_length_rpm)
    in_throttle, in_speed = (
        correlation(np.abs(there[:, None] - own[None, :]), length)[0]
        for there, own, length in zip((place, speed), (own_place, own_speed), lengths, strict=True)
    )
    common = LEVEL_SD_PCT**2 + shape.sd_pct**2 * (in_throttle * in_speed)
    between_throttles, between_speeds = (
        correlation(distance, length)[0]
        for distance, length in zip(_distances(evidence), lengths, strict=True)
    )
    covariance = _covariance(between_throttles, between_speeds, _noise(evidence), shape)
    factor = linalg.cholesky(covariance, lower=True)
    solved = np.asarray(linalg.solve_triangular(factor, common.T, lower=True))
    mean = solved.T @ linalg.solve_triangular(factor, change, lower=True)
    variance = prior - np.sum(solved**2, axis=0)
    return mean, np.sqrt(np.maximum(variance, 0.0))


def suggested_fuel_change(
    evidence: Sequence[Evidence],
    *,
    throttle_pct: ArrayLike = STANDARD_THROTTLE_PCT,
    speed_rpm: ArrayLike = STANDARD_SPEED_RPM,
    shape: SurfaceShape | None = None,
    already_pct: ArrayLike = 0.0,
    earlier: Iterable[tuple[Sequence[Evidence], ArrayLike]] = (),
    lean_windows_rpm: Iterable[tuple[float, float]] = (),
    most_enrichment_pct: float = 8.0,
    most_enleanment_pct: float = 5.0,
    most_total_pct: float = 20.0,
    map_step_pct: float = 0.5,
) -> FuelChange:
    r"""Return the fuel change to enter on the map's own axes, within limits.

    The mixture that follows can destroy an engine if it is wrong: a qualified tuner checks the
    change before use, and the next pull is watched.

    Parameters
    ----------
    evidence : sequence of Evidence
        From `part_throttle_evidence` and `full_throttle_evidence`, all on the map as it is now.
    throttle_pct : array_like, default STANDARD_THROTTLE_PCT. Throttle breakpoints, ascending. [%]
    speed_rpm : array_like, default STANDARD_SPEED_RPM. Speed breakpoints, ascending. [rpm]
    shape : SurfaceShape, optional. Shape of the surface; by default that of `fitted_shape`.
    already_pct : array_like, default 0. Change already in the map against the first one of the job,
        for all cells or each; 0 where there was none. [%]
    earlier : iterable of (sequence of Evidence, array_like), default none
        Evidence of earlier rounds on the same build, each with what `already_pct` then was.
    lean_windows_rpm : iterable of (float, float), default none
        Speeds from and to of full-throttle lean windows at warn or stop level. [rpm]
    most_enrichment_pct : float, default 8. Most fuel added to a cell in a round; this and the other
        limits: common practice, no source. [%]
    most_enleanment_pct : float, default 5. Most fuel taken from a cell in a round. [%]
    most_total_pct : float, default 20
        Most change over all rounds: beyond it a fault is likelier than the map. [%]
    map_step_pct : float, default 0.5. Step in which the map takes changes. [%]

    Returns
    -------
    FuelChange. Needed and suggested change with interval, evidence and limits.

    Raises
    ------
    ValueError
        If breakpoints do not ascend, a limit is not what it can be, or a gauge has two errors.

    Notes
    -----
    In this order:

    1. Needed change and interval, :math:`m \pm z s`, from `surface_posterior`; blank where not
       known well enough. The surface is that of the first map: what rounds have put in since is
       taken out of each reading by the map's own interpolation, and off the result.
    2. A guarded cell, one that the map's interpolation mixes into full throttle or a lean window,
       is made leaner by no more than :math:`\min(0, m + z s)`.
    3. What is small and not sure is left. Rounding to the map's step, towards rich in guarded
       cells; limits are rounded to the side that limits more.
    4. Limits for the round, less for leaner than for richer, and for all rounds together,
       :math:`(1 + a)(1 + c) - 1`. A map already beyond the total is never driven back by it.
    5. Where neighbours differ too much the leaner is raised within its limits, never the richer
       lowered. Blank cells beside one that gets more fuel are told half of it as a seam, since the
       engine runs between breakpoints; unseen cells are never leaned.

    Assumes one map with multiplying cells. Two cylinders with maps of their own need two calls.

    Examples
    --------
    >>> curve = full_throttle_evidence([5000.0, 5500.0, 6000.0], [4.3, 4.3, 4.3], 0.2)
    >>> change = suggested_fuel_change(
    ...     [curve], throttle_pct=[5.0, 100.0], speed_rpm=[5000.0, 6000.0])
    >>> change.suggested_pct.tolist()
    [[nan, nan], [4.5, 4.5]]
    >>> change.held_by[0].tolist()
    ['blank', 'blank']
    """
    throttle, speed = _axis("throttle_pct", throttle_pct), _axis("speed_rpm", speed_rpm)
    require("throttle_pct", throttle, at_least=0.0, at_most=100.0, unit="%")
    require("speed_rpm", speed, at_least=0.0, unit="rpm")
    size = (throttle.size, speed.size)
    already = _made(already_pct, size)
    of_first_map = [
        _against_first_map(each, throttle, speed, made)
        for group, made in [(evidence, already), *((e, _made(a, size)) for e, a in earlier)]
        for each in group
    ]
    windows = list(lean_windows_rpm)
    _require_known(
        lean_windows_rpm=windows,
        most_enrichment_pct=most_enrichment_pct,
        most_enleanment_pct=most_enleanment_pct,
        most_total_pct=most_total_pct,
        map_step_pct=map_step_pct,
    )
    require("map_step_pct", map_step_pct, above=0.0, at_most=MOST_NEIGHBOUR_STEP_PCT, unit="%")
    require("most_enrichment_pct", most_enrichment_pct, at_least=map_step_pct, unit="%")
    require(
        "most_enleanment_pct",
        most_enleanment_pct,
        at_least=MOST_GUARDED_ENLEANMENT_PCT,
        below=100.0,
        unit="%",
    )
    require("most_total_pct", most_total_pct, at_least=map_step_pct, below=100.0, unit="%")

    if shape is None:
        shape = fitted_shape(of_first_map)
    at_throttle, at_speed = (each.ravel() for each in np.meshgrid(throttle, speed, indexing="ij"))
    mean, sd = (
        each.reshape(size) for each in surface_posterior(of_first_map, at_throttle, at_speed, shape)
    )
    evidence_share = np.maximum(0.0, 1.0 - (sd / shape.sd_pct) ** 2)
    mean = 100.0 * ((1.0 + mean / 100.0) / (1.0 + already) - 1.0)
    half = float(special.ndtri(0.5 + 0.5 * CONFIDENCE)) * sd / (1.0 + already)
    known = (
        (evidence_share >= LEAST_EVIDENCE_SHARE)
        & (half <= WIDEST_HALF_INTERVAL_PCT)
        & _near(of_first_map, at_throttle, at_speed, REACH_THROTTLE, REACH_RPM).reshape(size)
    )
    mean, half = np.where(known, mean, np.nan), np.where(known, half, np.nan)

    guarded = np.zeros(size, dtype=bool)
    guarded[_feeding(throttle, GUARDED_FROM_THROTTLE_PCT, 100.0), :] = True
    for start, end in windows:
        require("lean_windows_rpm", start, at_most=end, unit="rpm")
        guarded[:, _feeding(speed, start, end)] = True
    held_by = np.where(known, "", "blank").astype("<U5")

    wanted = np.where(guarded & (mean < 0.0), np.minimum(0.0, mean + half), mean)
    held_by[known & (wanted != mean)] = "guard"

    wanted = np.where(np.abs(mean) < np.minimum(half, LEAST_CHANGE_PCT), 0.0, wanted)
    nearest = np.round(wanted / map_step_pct) * map_step_pct + 0.0
    asked = np.where(guarded, _rounded_up(wanted, map_step_pct), nearest)
    least = np.where(guarded, -MOST_GUARDED_ENLEANMENT_PCT, -most_enleanment_pct)
    least = _rounded_up(least, map_step_pct)
    most = _rounded_down(np.full(size, most_enrichment_pct), map_step_pct)
    of_round = np.clip(asked, least, most)
    held_by[of_round < asked] = "step"
    held_by[of_round > asked] = np.where(guarded, "guard", "step")[of_round > asked]

    ends = np.array([1.0 - most_total_pct / 100.0, 1.0 + most_total_pct / 100.0])
    down, up = (100.0 * (end / (1.0 + already) - 1.0) for end in ends)
    down = _rounded_up(np.minimum(down, 0.0), map_step_pct)
    up = _rounded_down(np.maximum(up, 0.0), map_step_pct)
    change = np.clip(of_round, down, up)
    held_by[(change < of_round) | (change > of_round)] = "total"

    raised_to = np.minimum(np.minimum(most, up), asked + MOST_OVER_NEED_PCT)
    level = _with_even_neighbours(change, already, raised_to, MOST_NEIGHBOUR_STEP_PCT, map_step_pct)
    held_by[level > change] = "slope"
    return FuelChange(
        throttle_pct=throttle,
        speed_rpm=speed,
        needed_pct=mean,
        low_pct=mean - half,
        high_pct=mean + half,
        suggested_pct=level,
        evidence_share=evidence_share,
        held_by=held_by,
        is_guarded=guarded,
        seam_pct=_seams(level, up, map_step_pct),
        shape=shape,
        left_out=_counted(of_first_map),
    )


def removed_share(
    before_error_pct: ArrayLike,
    after_error_pct: ArrayLike,
    weights: ArrayLike = 1.0,
) -> RemovedShare:
    r"""Return how much of the mixture error the last change removed.

    Parameters
    ----------
    before_error_pct : array_like. Lean error of each cell before; NaN where it was not seen. [%]
    after_error_pct : array_like. Lean error of the same cells after. [%]
    weights : array_like, default 1. Weight of each cell: time spent there, or torque.

    Returns
    -------
    RemovedShare. Share with its interval; all NaN if there was no error, or no cell was seen twice.

    Raises
    ------
    ValueError. If lengths differ, or a weight is below 0 or not known.

    Notes
    -----
    .. math:: s = 1 - r, \qquad r = \frac{\sum w_i |a_i|}{\sum w_i |b_i|}, \qquad
              s_r^2 = \frac{n}{n - 1}
              \frac{\sum w_i^2 (|a_i| - r |b_i|)^2}{\left( \sum w_i |b_i| \right)^2},
              \qquad n = \frac{(\sum w_i)^2}{\sum w_i^2}

    the linearised error of a ratio of two means [1]_, with Student's t on n - 1 degrees of freedom.
    Sizes are compared: turning lean into as much rich removes nothing, and noise makes a perfect
    change show less than all. Neighbouring cells err together, so the interval is rather narrow.

    Examples
    --------
    >>> removed_share([8.0, 6.0, -4.0, 2.0], [2.0, -1.0, 1.0, 0.0]).removed_share
    0.80

    References
    ----------
    .. [1] W. G. Cochran, Sampling Techniques, 3rd ed., 1977, section 2.11 (from memory).
    """
    before, after, weight = _same_length(
        before_error_pct=before_error_pct, after_error_pct=after_error_pct, weights=weights
    )
    require("weights", weight, at_least=0.0)
    _require_known(weights=weight)
    kept = np.isfinite(before) & np.isfinite(after) & (weight > 0.0)
    was, left, weight = np.abs(before[kept]), np.abs(after[kept]), weight[kept]
    cells = int(kept.sum())
    whole = float(weight @ was)
    if whole == 0.0:
        return RemovedShare(float("nan"), float("nan"), float("nan"), cells)
    ratio = float(weight @ left) / whole
    count = float(weight.sum() ** 2 / (weight @ weight))
    if count < 2.0:
        return RemovedShare(1.0 - ratio, float("nan"), float("nan"), cells)
    away = weight * (left - ratio * was)
    error = math.sqrt(count / (count - 1.0) * float(away @ away)) / whole
    half = float(special.stdtrit(count - 1.0, 0.5 + 0.5 * CONFIDENCE)) * error
    return RemovedShare(1.0 - ratio, 1.0 - ratio - half, 1.0 - ratio + half, cells)


def _same_length(**columns: ArrayLike) -> list[FloatArray]:
    """Return all as columns of the first one's length; single figures stand for each row."""
    arrays = {name: np.asarray(column, dtype=float) for name, column in columns.items()}
    first, *_ = arrays
    size = np.atleast_1d(arrays[first]).shape
    for name, array in arrays.items():
        if array.ndim > 1 or array.shape not in ((), size):
            raise ValueError(f"{name} must match {first} in length, got {array.shape} for {size}")
        if np.isinf(array).any():
            raise ValueError(f"{name} must be finite or not seen, got inf")
    return [np.broadcast_to(array, size) for array in arrays.values()]


def _sorted_out(reasons: dict[str, NDArray[np.bool_]]) -> tuple[NDArray[np.bool_], dict[str, int]]:
    """Return which rows no reason holds for, and the others counted by their first reason."""
    kept = ~np.zeros_like(next(iter(reasons.values())))
    left_out = {}
    for reason, holds in reasons.items():
        if count := int(np.sum(kept & holds)):
            left_out[reason] = count
        kept = kept & ~holds
    return kept, left_out


def _require_known(**figures: ArrayLike) -> None:
    """Refuse what is not a number, which no bound does."""
    for name, figure in figures.items():
        if not np.all(np.isfinite(np.asarray(figure, dtype=float))):
            raise ValueError(f"{name} must be known and finite, got nan or inf")


def _joined(evidence: Sequence[Evidence], name: str) -> FloatArray:
    return np.concatenate([np.zeros(0), *(getattr(each, name) for each in evidence)])


def _counted(evidence: Sequence[Evidence]) -> dict[str, int]:
    counts: dict[str, int] = {}
    for each in evidence:
        for reason, count in each.left_out.items():
            counts[reason] = counts.get(reason, 0) + count
    return counts


def _distances(evidence: Sequence[Evidence]) -> tuple[FloatArray, FloatArray]:
    place = throttle_place(_joined(evidence, "throttle_pct"))
    speed = _joined(evidence, "speed_rpm")
    return np.abs(place[:, None] - place[None, :]), np.abs(speed[:, None] - speed[None, :])


def _noise(evidence: Sequence[Evidence]) -> FloatArray:
    """Return the covariance of the readings' errors, but for the nugget."""
    errors: dict[str, float] = {}
    for each in evidence:
        if errors.setdefault(each.gauge, each.gauge_error_pct) != each.gauge_error_pct:
            raise ValueError(
                f"gauge_error_pct must be the same wherever gauge {each.gauge!r} is named, "
                f"got {errors[each.gauge]:g} and {each.gauge_error_pct:g}"
            )
    gauge = np.repeat(
        [each.gauge for each in evidence], [each.change_pct.size for each in evidence]
    )
    level = np.array([errors[name] for name in gauge])
    shared = np.where(gauge[:, None] == gauge[None, :], level[:, None] * level[None, :], 0.0)
    return shared + np.diag(_joined(evidence, "standard_error_pct") ** 2)


def _check_shape(shape: SurfaceShape) -> None:
    _require_known(shape=astuple(shape))
    require("shape.sd_pct", shape.sd_pct, above=0.0, unit="%")
    require("shape.throttle_length", shape.throttle_length, above=0.0)
    require("shape.speed_length_rpm", shape.speed_length_rpm, above=0.0, unit="rpm")
    require("shape.nugget_pct", shape.nugget_pct, above=0.0, unit="%")


def _covariance(
    in_throttle: FloatArray, in_speed: FloatArray, noise: FloatArray, shape: SurfaceShape
) -> FloatArray:
    """Return the readings' covariance from what their places have in common along each axis."""
    surface = shape.sd_pct**2 * (in_throttle * in_speed)
    return LEVEL_SD_PCT**2 + surface + noise + shape.nugget_pct**2 * np.eye(noise.shape[0])


def _log_likelihood(
    change: FloatArray,
    distances: tuple[FloatArray, FloatArray],
    noise: FloatArray,
    shape: SurfaceShape,
) -> tuple[float, FloatArray]:
    """Return the log likelihood and its slopes by the logarithms of the shape's figures."""
    in_throttle, throttle_slope = correlation(distances[0], shape.throttle_length)
    in_speed, speed_slope = correlation(distances[1], shape.speed_length_rpm)
    # LAPACK itself: called some ten times a map, its wrapper's checks would cost more than it.
    factor, failed = _POTRF(_covariance(in_throttle, in_speed, noise, shape), lower=1)
    if failed:
        raise linalg.LinAlgError("the readings' covariance is not positive definite")
    weight = _POTRS(factor, change, lower=1)[0]
    height = -float(
        0.5 * change @ weight
        + np.sum(np.log(np.diag(factor)))
        + 0.5 * change.size * math.log(2.0 * math.pi)
    )
    # Each slope is half the trace of this times the covariance's own slope (eq. 5.9).
    pull = np.outer(weight, weight) - _POTRS(factor, np.eye(change.size), lower=1)[0]
    own = shape.sd_pct**2
    covariance_slopes = (
        2.0 * own * in_throttle * in_speed,
        own * throttle_slope * in_speed,
        own * in_throttle * speed_slope,
        2.0 * shape.nugget_pct**2 * np.eye(change.size),
    )
    return height, np.array([0.5 * float(np.sum(pull * each)) for each in covariance_slopes])


def _axis(name: str, breakpoints: ArrayLike) -> FloatArray:
    axis = np.asarray(breakpoints, dtype=float)
    if axis.ndim != 1 or axis.size == 0 or not np.all(np.isfinite(axis)):
        raise ValueError(f"{name} must be a list of at least 1 known breakpoint, got {axis}")
    if not np.all(np.diff(axis) > 0.0):
        raise ValueError(f"{name} must ascend, got {axis}")
    return axis


def _made(already_pct: ArrayLike, size: tuple[int, int]) -> FloatArray:
    already = np.asarray(already_pct, dtype=float)
    if already.shape not in ((), size):
        raise ValueError(
            f"already_pct must be one figure or {size[0]} throttle rows by {size[1]} speeds, "
            f"got {already.shape}"
        )
    _require_known(already_pct=already)
    require("already_pct", already, above=-100.0, unit="%")
    return np.broadcast_to(already, size) / 100.0


def _against_first_map(
    evidence: Evidence, throttle: FloatArray, speed: FloatArray, already: FloatArray
) -> Evidence:
    along_speed = np.array([np.interp(evidence.speed_rpm, speed, row) for row in already])
    made = np.array(
        [
            np.interp(opening, throttle, column)
            for opening, column in zip(evidence.throttle_pct, along_speed.T, strict=True)
        ]
    )
    return replace(
        evidence,
        change_pct=100.0 * ((1.0 + evidence.change_pct / 100.0) * (1.0 + made) - 1.0),
        standard_error_pct=evidence.standard_error_pct * (1.0 + made),
    )


def _near(
    evidence: Sequence[Evidence],
    throttle: FloatArray,
    speed: FloatArray,
    reach_throttle: float,
    reach_rpm: float,
) -> NDArray[np.bool_]:
    own_place = throttle_place(_joined(evidence, "throttle_pct"))
    own_speed = _joined(evidence, "speed_rpm")
    place = throttle_place(throttle)
    beside = np.abs(place[:, None] - own_place[None, :]) <= reach_throttle
    return np.any(beside & (np.abs(speed[:, None] - own_speed[None, :]) <= reach_rpm), axis=1)


def _feeding(axis: FloatArray, low: float, high: float) -> NDArray[np.bool_]:
    """Return which breakpoints are mixed into places from low to high."""
    first = max(int(np.searchsorted(axis, low, side="right")) - 1, 0)
    last = min(int(np.searchsorted(axis, high, side="left")), axis.size - 1)
    places = np.arange(axis.size)
    return (places >= first) & (places <= last)


def _rounded_up(value: FloatArray, step: float) -> FloatArray:
    return np.ceil(value / step - _ROOM) * step + 0.0


def _rounded_down(value: FloatArray, step: float) -> FloatArray:
    return np.floor(value / step + _ROOM) * step + 0.0


def _with_even_neighbours(
    change: FloatArray, already: FloatArray, raised_to: FloatArray, slope: float, step: float
) -> FloatArray:
    """Return the change with leaner neighbours raised until none is too far below another."""
    change = change.copy()
    while True:
        # Each pass raises some cell by a step or more, and none above its limit: it ends.
        total = np.where(np.isnan(change), -np.inf, (1.0 + already) * (1.0 + change / 100.0))
        padded = np.pad(total, 1, constant_values=-np.inf)
        highest = np.maximum.reduce(
            [padded[:-2, 1:-1], padded[2:, 1:-1], padded[1:-1, :-2], padded[1:-1, 2:]]
        )
        floor = 100.0 * ((highest - slope / 100.0) / (1.0 + already) - 1.0)
        raised = np.minimum(_rounded_up(floor, step), _rounded_down(raised_to, step))
        low = raised > change + 0.5 * step
        if not low.any():
            return change
        change[low] = raised[low]


def _seams(change: FloatArray, most: FloatArray, step: float) -> FloatArray:
    """Return half of the greatest fuel added beside each blank cell, NaN where none is."""
    added = np.pad(np.nan_to_num(change), 1, constant_values=0.0)
    beside = np.maximum.reduce(
        [added[:-2, 1:-1], added[2:, 1:-1], added[1:-1, :-2], added[1:-1, 2:]]
    )
    half = _rounded_down(np.minimum(0.5 * beside, most), step)
    return np.where(np.isnan(change) & (half > 0.0), half, np.nan)
