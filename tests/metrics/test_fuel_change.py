"""The suggested fuel change: its surface against other methods, its limits, invented bikes.

`study_table` prints what the invented bikes show, as the table of the documents.
"""

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import interpolate, special, stats

from flows.metrics import fuel_change
from flows.metrics.cruise import SPEED_EDGES_RPM, THROTTLE_EDGES_PCT
from flows.metrics.fuel_change import (
    LEVEL_SD_PCT,
    STANDARD_THROTTLE_PCT,
    TYPICAL_SHAPE,
    Evidence,
    SurfaceShape,
    correlation,
    fitted_shape,
    full_throttle_evidence,
    log_likelihood,
    part_throttle_evidence,
    removed_share,
    surface_posterior,
    throttle_place,
)
from flows.metrics.mixture import mixture_windows

SHAPE = SurfaceShape(4.0, 0.8, 1200.0, 0.5)


FIXED = (
    "confidence", "least_evidence_share", "widest_half_interval_pct", "reach_rpm",
    "reach_throttle", "most_guarded_enleanment_pct", "guarded_from_throttle_pct",
    "most_neighbour_step_pct", "most_over_need_pct", "least_change_pct",
)  # fmt: skip


def suggested_fuel_change(given, **choices):
    """Return the change under other fixed figures than the stated ones, where a test names them."""
    with pytest.MonkeyPatch.context() as patch:
        for name in FIXED:
            if name in choices:
                patch.setattr(fuel_change, name.upper(), choices.pop(name))
        return fuel_change.suggested_fuel_change(given, **choices)


def evidence(throttle_pct, speed_rpm, change_pct, error_pct=0.3, *, gauge="one", gauge_error=0.5):
    columns = np.broadcast_arrays(*np.atleast_1d(throttle_pct, speed_rpm, change_pct, error_pct))
    return Evidence(*(column.astype(float) for column in columns), gauge, gauge_error, {})


# --- What the evidence says ---------------------------------------------------------------------


def test_a_lambda_of_fourteen_seven_on_a_target_of_twelve_eight_asks_for_fifteen_percent():
    # Rule of thumb of the trade, no source: 14.7 shown against 12.8 wanted is about 15 % lean.
    found = part_throttle_evidence([90.0], [6000.0], [14.7 / 14.7], 0.003, 8.0,
                                   target=(12.8 / 14.7, 12.8 / 14.7))  # fmt: skip
    assert found.change_pct[0] == pytest.approx(15.0, abs=0.5)


def test_a_cell_in_the_band_asks_for_no_change_and_others_for_the_nearer_edge():
    found = part_throttle_evidence([10.0] * 3, [3000.0] * 3, [0.893, 0.97, 1.05], 0.01, 8.0)
    # 0.893 / 0.94 = 0.95, 1.05 / 1.00 = 1.05; the standard error is of the target too.
    assert found.change_pct == pytest.approx([-5.0, 0.0, 5.0])
    assert found.standard_error_pct == pytest.approx([1.0 / 0.94, 1.0 / 0.97, 1.0])


def test_each_cell_may_have_its_own_target():
    found = part_throttle_evidence([10.0, 60.0], [3000.0, 6000.0], [0.96, 0.96], 0.01, 8.0,
                                   target=([0.96, 0.90], [0.96, 0.90]))  # fmt: skip
    assert found.change_pct == pytest.approx([0.0, 100.0 * 0.06 / 0.90])


def test_what_is_no_evidence_is_left_out_and_counted_by_why():
    nan = math.nan
    found = part_throttle_evidence(
        throttle_pct=[10, nan, 10, 10, 10, 10, 10, 10, 10],
        speed_rpm=[3000.0] * 9,
        lambda_measured=[0.9, 0.9, nan, 0.9, 0.9, 0.9, 0.59, 1.41, 0.9],
        lambda_standard_error=[0.01, 0.01, 0.01, nan, 0.01, 0.01, 0.01, 0.01, 0.01],
        dwell_s=[2.0, 9, 9, 9, 9, 1.9, 9, 9, nan],
        is_closed_loop=[False, False, False, False, True, False, False, False, False],
    )
    assert found.change_pct.size == 1
    assert found.left_out == {
        "place not seen": 1,
        "no lambda": 1,
        "no standard error": 1,
        "closed loop": 1,
        "too short": 2,
        "no burning mixture": 2,
    }


def test_a_closed_loop_cell_moves_nothing():
    def suggested(closed, mixture):
        cells = part_throttle_evidence([10.0, 10.0, 12.0], [3000.0, 3500.0, 3200.0],
                                       [1.05, mixture, 1.04], 0.004, 9.0,
                                       is_closed_loop=[False, closed, False])  # fmt: skip
        return suggested_fuel_change([cells], throttle_pct=[10.0], speed_rpm=[3500.0], shape=SHAPE,
                                     widest_half_interval_pct=30.0).needed_pct  # fmt: skip

    assert suggested(True, 0.80) == pytest.approx(suggested(True, 1.2))
    assert suggested(False, 0.80) < suggested(False, 1.2) - 1.0


def test_full_throttle_points_that_share_their_smoothing_count_once():
    speed = np.arange(4000.0, 7001.0, 50.0)
    found = full_throttle_evidence(speed, np.zeros(speed.size), 0.5)
    assert found.speed_rpm == pytest.approx(np.arange(4000.0, 7001.0, 300.0))
    assert np.all(found.throttle_pct == 100.0)
    assert found.left_out == {"repeats its neighbour": speed.size - 11}


@pytest.mark.parametrize("at_rpm", [4000.0, 4850.0, 5900.0, 7000.0])
def test_thinning_keeps_the_leanest_point(at_rpm):
    speed = np.arange(4000.0, 7001.0, 50.0)
    found = full_throttle_evidence(speed, np.where(speed == at_rpm, 12.0, 1.0), 0.5)
    assert found.change_pct.max() == 12.0
    assert np.all(np.diff(np.sort(found.speed_rpm)) >= 300.0)
    assert np.all(np.diff(np.sort(found.speed_rpm)) < 600.0)


def test_points_are_thinned_from_the_leanest_that_was_seen():
    found = full_throttle_evidence(
        [4000.0, 4100.0, 4300.0, 4400.0], [1.0, 5.0, math.nan, 2.0], [0.5, 0.5, 0.5, 0.5]
    )
    # Hand calculation: the leanest is at 4100, 4400 is 300 rpm off and 4000 only 100.
    assert found.speed_rpm.tolist() == [4100.0, 4400.0]
    assert found.left_out == {"no lambda": 1, "repeats its neighbour": 1}


def test_a_gauge_is_taken_to_be_right_to_half_a_percent_where_nothing_is_said():
    # The stated default.
    ride = part_throttle_evidence([10.0], [4000.0], [1.05], 0.004, 8.0)
    curve = full_throttle_evidence([5000.0], [0.0], [0.5])
    assert (ride.gauge_error_pct, curve.gauge_error_pct) == (0.5, 0.5)


def test_a_cell_without_weight_is_no_cell_of_the_removed_share():
    found = removed_share([8.0, 6.0, 4.0], [2.0, 3.0, 4.0], [1.0, 1.0, 0.0])
    # Hand calculation: 1 - 5 / 14, of two cells.
    assert (found.removed_share, found.cells) == (pytest.approx(9.0 / 14.0), 2)


def test_unseen_full_throttle_points_are_left_out():
    found = full_throttle_evidence(
        [4000.0, 4500.0, 5000.0], [math.nan, 2.0, 3.0], [0.5, math.nan, 0.5]
    )
    assert (found.speed_rpm, found.left_out) == (
        [5000.0],
        {"no lambda": 1, "no standard error": 1},
    )
    nothing = full_throttle_evidence([4000.0, 4500.0], [math.nan, math.nan], 0.5)
    assert (nothing.change_pct.size, nothing.left_out) == (0, {"no lambda": 2})


# --- The surface, against other methods ---------------------------------------------------------


def test_the_correlation_is_the_matern_function():
    # The general Matern function with Bessel's K, order 3/2 (Rasmussen and Williams, eq. 4.14,
    # from memory).
    distance = np.array([1.0, 250.0, 1000.0, 4000.0])
    scaled = math.sqrt(3.0) * distance / 900.0
    general = 2.0**-0.5 / special.gamma(1.5) * scaled**1.5 * special.kv(1.5, scaled)
    found, slope = correlation(distance, 900.0)
    assert found == pytest.approx(general, rel=1e-9)
    # The slope by the length's logarithm, by central differences.
    ends = (correlation(distance, 900.0 * math.exp(step))[0] for step in (1e-5, -1e-5))
    assert slope == pytest.approx(np.subtract(*ends) / 2e-5, rel=1e-5)


def test_equal_ratios_of_opening_are_equal_steps_once_off_idle():
    place = throttle_place([5.0, 15.0, 35.0, 75.0])  # 5 + these: 10, 20, 40, 80
    assert np.diff(place) == pytest.approx([math.log(2.0)] * 3)


def covariance(places_a, places_b, shape):
    u_a, u_b = (np.log(1.0 + p[0] / 5.0) for p in (places_a, places_b))
    d_u = math.sqrt(3.0) * np.abs(np.subtract.outer(u_a, u_b)) / shape.throttle_length
    d_n = math.sqrt(3.0) * np.abs(np.subtract.outer(places_a[1], places_b[1]))
    d_n /= shape.speed_length_rpm
    return LEVEL_SD_PCT**2 + shape.sd_pct**2 * (
        (1.0 + d_u) * np.exp(-d_u) * (1.0 + d_n) * np.exp(-d_n)
    )


def two_gauges(seed, count=9):
    rng = np.random.default_rng(seed)
    ride = evidence(rng.uniform(2.0, 60.0, count), rng.uniform(2000.0, 7000.0, count),
                    rng.normal(2.0, 4.0, count), rng.uniform(0.2, 1.0, count),
                    gauge="ride", gauge_error=0.6)  # fmt: skip
    pulls = evidence(100.0, np.arange(4000.0, 9000.0, 700.0),
                     rng.normal(2.0, 4.0, 8), 0.5, gauge="dyno", gauge_error=1.1)  # fmt: skip
    return [ride, pulls]


@pytest.mark.parametrize("seed", range(4))
def test_mean_and_error_are_those_of_generalised_least_squares(seed):
    # Bayes' rule with a Gaussian prior is generalised least squares with the prior as further
    # readings: unknowns are the surface at all places and the two gauges' errors.
    given_evidence = two_gauges(seed)
    asked = (np.array([5.0, 30.0, 100.0, 100.0]), np.array([3000.0, 5000.0, 5000.0, 12000.0]))
    seen = tuple(
        np.concatenate([getattr(each, name) for each in given_evidence])
        for name in ("throttle_pct", "speed_rpm")
    )
    places = tuple(np.concatenate(pair) for pair in zip(asked, seen, strict=True))
    count, n_asked = places[0].size, 4
    n_seen = count - n_asked
    reads_place = np.hstack([np.zeros((n_seen, n_asked)), np.eye(n_seen)])
    reads_gauge = np.zeros((n_seen, 2))
    reads_gauge[:9, 0] = reads_gauge[9:, 1] = 1.0
    design = np.vstack([np.hstack([reads_place, reads_gauge]), np.eye(count + 2)])
    readings = np.concatenate([*(each.change_pct for each in given_evidence), np.zeros(count + 2)])
    sigma = np.zeros((n_seen + count + 2,) * 2)
    errors = np.concatenate([each.standard_error_pct for each in given_evidence])
    sigma[:n_seen, :n_seen] = np.diag(errors**2 + SHAPE.nugget_pct**2)
    sigma[n_seen:-2, n_seen:-2] = covariance(places, places, SHAPE)
    sigma[-2, -2], sigma[-1, -1] = 0.6**2, 1.1**2
    fitted = sm.GLS(readings, design, sigma=sigma).fit()
    mean, sd = surface_posterior(given_evidence, *asked, SHAPE)
    assert mean == pytest.approx(fitted.params[:n_asked], abs=1e-7)
    expected = np.sqrt(np.diag(fitted.normalized_cov_params)[:n_asked])
    assert sd == pytest.approx(expected, abs=1e-7)


def test_two_readings_by_hand():
    # Same place, own gauges without error: prior variance 36 + 64 = 100, noise 25 + 0.25 each.
    # Mean of two has noise 12.625: m = y * 100 / 112.625, s^2 = 100 * 12.625 / 112.625.
    shape = SurfaceShape(8.0, 1.0, 1000.0, 0.5)
    pair = [evidence(20.0, 4000.0, change, 5.0, gauge=gauge, gauge_error=0.0)
            for gauge, change in (("a", 4.0), ("b", 8.0))]  # fmt: skip
    mean, sd = surface_posterior(pair, [20.0], [4000.0], shape)
    assert mean == pytest.approx([6.0 * 100.0 / 112.625])
    assert sd**2 == pytest.approx([100.0 * 12.625 / 112.625])


def test_the_likelihood_is_that_of_the_multivariate_normal():
    given_evidence = two_gauges(5)
    seen = tuple(
        np.concatenate([getattr(each, name) for each in given_evidence])
        for name in ("throttle_pct", "speed_rpm")
    )
    errors = np.concatenate([each.standard_error_pct for each in given_evidence])
    whole = covariance(seen, seen, SHAPE) + np.diag(errors**2 + 0.5**2)
    whole[:9, :9] += 0.6**2
    whole[9:, 9:] += 1.1**2
    expected = stats.multivariate_normal(np.zeros(17), whole).logpdf(
        np.concatenate([each.change_pct for each in given_evidence])
    )
    assert log_likelihood(given_evidence, SHAPE) == pytest.approx(expected, abs=1e-8)


def drawn(shape, seed, count=70):
    """Return evidence drawn by chance from a surface of the shape."""
    rng = np.random.default_rng(seed)
    places = (rng.uniform(2.0, 90.0, count), rng.uniform(2000.0, 9000.0, count))
    whole = covariance(places, places, shape) + (0.3**2 + shape.nugget_pct**2) * np.eye(count)
    change = np.linalg.cholesky(whole) @ rng.normal(0.0, 1.0, count)
    return [evidence(*places, change, 0.3, gauge_error=0.0)]


@pytest.mark.parametrize("kind", ["at a bound", "between the bounds"])
def test_the_shape_is_the_most_probable_one_within_bounds(kind):
    # Another search from other starts must not find a better one; the prior is restated here.
    nugget_pct = 6.0 if kind == "at a bound" else 0.8
    given_evidence = drawn(SurfaceShape(4.0, 0.7, 1100.0, nugget_pct), 7)
    found = fitted_shape(given_evidence)
    typical = np.array([3.5, 0.8, 1200.0, 0.4])
    bounds = np.array([[1.5, 20.0], [0.3, 1.5], [300.0, 3000.0], [0.2, 2.0]])

    def score(figures):
        away = np.log(figures / typical) / np.array([0.5, 0.4, 0.4, 0.5])
        return log_likelihood(given_evidence, SurfaceShape(*figures)) - 0.5 * away @ away

    best = np.array([found.sd_pct, found.throttle_length, found.speed_length_rpm,
                     found.nugget_pct])  # fmt: skip
    assert np.all(best >= bounds[:, 0] - 1e-9)
    assert np.all(best <= bounds[:, 1] + 1e-9)
    inside = np.all((best > 1.01 * bounds[:, 0]) & (best < 0.99 * bounds[:, 1]))
    assert inside == (kind == "between the bounds")
    rng = np.random.default_rng(7)
    for spread in (0.02, 0.2, 1.0):
        for _ in range(60):
            near = np.clip(best * np.exp(rng.normal(0.0, spread, 4)), *bounds.T)
            assert score(near) <= score(best) + 1e-3


def test_many_cells_make_their_own_shape_and_few_keep_the_typical():
    rng = np.random.default_rng(3)
    speed = np.arange(2000.0, 11000.0, 300.0)
    rough = 6.0 * np.sin(2.0 * math.pi * speed / 1500.0) + rng.normal(0.0, 0.3, speed.size)
    even = 1.0 * (speed - 6000.0) / 4000.0
    assert fitted_shape([evidence(100.0, speed, rough)]).speed_length_rpm < 800.0
    assert fitted_shape([evidence(100.0, speed, even)]).speed_length_rpm > 1500.0
    # However even it looks where it was seen: a stray of 1.5 % is left between (our judgement).
    level = [evidence(load, speed, 0.0 * speed) for load in (20.0, 50.0, 100.0)]
    assert fitted_shape(level).sd_pct == pytest.approx(1.5, rel=1e-6)
    one = fitted_shape([evidence(100.0, 5000.0, 1.0)])
    assert one.speed_length_rpm == pytest.approx(TYPICAL_SHAPE.speed_length_rpm, rel=0.05)


def test_no_number_of_readings_makes_a_gauge_better_than_it_is():
    def known_to(count, gauges):
        each = [evidence(30.0, 5000.0, np.zeros(count), 0.3, gauge=f"{g}", gauge_error=1.0)
                for g in range(gauges)]  # fmt: skip
        return surface_posterior(each, [30.0], [5000.0], SHAPE)[1][0]

    assert 0.95 < known_to(400, 1) < known_to(4, 1)
    # Two gauges err apart: 1 / sqrt(2).
    assert known_to(400, 2) == pytest.approx(math.sqrt(0.5), abs=0.03)


def test_readings_without_noise_are_met_and_nothing_seen_is_no_change():
    exact = evidence([10.0, 40.0], [3000.0, 6000.0], [5.0, -3.0], 0.0, gauge_error=0.0)
    tight = SurfaceShape(4.0, 0.8, 1200.0, 1e-4)
    mean, sd = surface_posterior([exact], [10.0, 40.0], [3000.0, 6000.0], tight)
    assert mean == pytest.approx([5.0, -3.0], abs=1e-4)
    assert sd == pytest.approx([0.0, 0.0], abs=1e-3)
    mean, sd = surface_posterior([], [10.0], [3000.0], SHAPE)
    assert (mean[0], sd[0]) == (0.0, pytest.approx(math.hypot(LEVEL_SD_PCT, 4.0)))


@given(st.integers(0, 10_000))
@settings(max_examples=20, deadline=None)
def test_the_order_of_evidence_does_not_matter_and_more_never_blurs(seed):
    ride, pulls = two_gauges(seed)
    asked = ([8.0, 60.0, 100.0], [3000.0, 6000.0, 8000.0])
    mean, sd = surface_posterior([ride, pulls], *asked, SHAPE)
    turned, turned_sd = surface_posterior([pulls, ride], *asked, SHAPE)
    assert mean == pytest.approx(turned, abs=1e-7)
    assert sd == pytest.approx(turned_sd, abs=1e-7)
    assert np.all(sd <= surface_posterior([ride], *asked, SHAPE)[1] + 1e-9)


# --- From the surface to the map ----------------------------------------------------------------

AXES = {"throttle_pct": [5.0, 20.0, 60.0, 100.0], "speed_rpm": [3000.0, 4000.0, 5000.0, 6000.0]}


def everywhere(change_pct, error_pct=0.1, gauge_error=0.1):
    """Return evidence at every cell of the axes."""
    throttle, speed = np.meshgrid(AXES["throttle_pct"], AXES["speed_rpm"], indexing="ij")
    change = np.broadcast_to(np.asarray(change_pct, dtype=float), throttle.shape)
    return [evidence(throttle.ravel(), speed.ravel(), change.ravel(), error_pct,
                     gauge_error=gauge_error)]  # fmt: skip


def test_what_was_not_seen_is_blank():
    light = evidence(10.0, np.arange(2500.0, 4600.0, 200.0), 4.0)
    found = suggested_fuel_change([light], shape=SHAPE)
    row = list(STANDARD_THROTTLE_PCT).index(9.0)
    seen = found.speed_rpm[np.isfinite(found.suggested_pct[row])]
    # The ends of what was seen, and what reaches 750 rpm beyond at most.
    assert 2500.0 in seen
    assert 4500.0 in seen
    assert seen.min() >= 2500.0 - 750.0
    assert seen.max() <= 4500.0 + 750.0
    assert np.all(np.isnan(found.suggested_pct[list(STANDARD_THROTTLE_PCT).index(40.0)]))
    blank = found.held_by == "blank"
    for figures in (found.suggested_pct, found.needed_pct, found.low_pct, found.high_pct):
        assert np.array_equal(np.isnan(figures), blank)


def test_without_any_evidence_all_is_blank():
    nothing = part_throttle_evidence([10.0], [3000.0], [0.9], 0.01, 9.0, is_closed_loop=True)
    for given_evidence in ([], [nothing]):
        found = suggested_fuel_change(given_evidence, **AXES)
        assert np.isnan(found.suggested_pct).all()
        assert np.all(found.evidence_share == 0.0)
        assert np.isnan(found.seam_pct).all()
        assert np.all(found.entered_pct == 0.0)
    assert found.left_out == {"closed loop": 1}


@pytest.mark.parametrize(
    ("rule", "loose", "strict"),
    [
        ("reach_rpm", 1000.0, 999.0),
        ("reach_throttle", math.log(13 / 10) + 1e-9, math.log(13 / 10) - 1e-9),
        ("least_evidence_share", 0.0, 1.0),
        ("widest_half_interval_pct", 30.0, 0.1),
    ],
)
def test_each_rule_alone_can_blank_a_cell(rule, loose, strict):
    # Reading and cell: 1000 rpm apart, and openings of 5 and 8 %, (5 + 8) / (5 + 5) = 1.3.
    choices = {"reach_rpm": 1500.0, "reach_throttle": 1.0, "least_evidence_share": 0.0,
               "widest_half_interval_pct": 30.0}  # fmt: skip
    reading = [evidence(5.0, 4000.0, 3.0)]
    for value, blank in ((loose, False), (strict, True)):
        found = suggested_fuel_change(reading, throttle_pct=[8.0], speed_rpm=[5000.0], shape=SHAPE,
                                      **{**choices, rule: value})  # fmt: skip
        assert np.isnan(found.suggested_pct[0, 0]) == blank


def test_the_interval_is_that_of_the_surface():
    found = suggested_fuel_change(everywhere(2.0), **AXES, shape=SHAPE)
    mean, sd = surface_posterior(everywhere(2.0), [20.0], [5000.0], SHAPE)
    assert found.needed_pct[1, 2] == pytest.approx(mean[0])
    # Two-sided 95 % of the normal: 1.959964 standard deviations (any table).
    assert found.high_pct[1, 2] - mean[0] == pytest.approx(1.959964 * sd[0], rel=1e-6)
    assert mean[0] - found.low_pct[1, 2] == pytest.approx(1.959964 * sd[0], rel=1e-6)
    assert found.evidence_share[1, 2] == pytest.approx(1.0 - (sd[0] / 4.0) ** 2)
    wide = suggested_fuel_change(everywhere(2.0), **AXES, shape=SHAPE, confidence=0.99)
    assert wide.high_pct[1, 2] - mean[0] == pytest.approx(2.575829 * sd[0], rel=1e-6)


def test_a_round_changes_a_cell_no_more_than_its_limit():
    richer = suggested_fuel_change(everywhere(14.0), **AXES)
    assert np.all(richer.suggested_pct == 8.0)
    assert np.all(richer.held_by == "step")
    leaner = suggested_fuel_change(everywhere(-14.0), **AXES)
    assert np.all(leaner.suggested_pct[:2] == -5.0)
    assert np.all(leaner.held_by[:2] == "step")
    # Full throttle, and the row at 60 % that is mixed into what lies above 80 %.
    assert np.all(leaner.suggested_pct[2:] == -2.0)
    assert np.all(leaner.held_by[2:] == "guard")
    assert np.all(leaner.is_guarded[2:])
    assert not leaner.is_guarded[:2].any()


def test_a_lean_window_guards_all_cells_that_feed_it():
    found = suggested_fuel_change(everywhere(-4.0), **AXES, lean_windows_rpm=[(4200.0, 4700.0)])
    assert found.is_guarded[0].tolist() == [False, True, True, False]
    assert found.suggested_pct[0] == pytest.approx([-4.0, -2.0, -2.0, -4.0], abs=0.5)
    edge = suggested_fuel_change(everywhere(-4.0), **AXES, lean_windows_rpm=[(4000.0, 5000.0)])
    assert edge.is_guarded[0].tolist() == [False, True, True, False]
    beyond = suggested_fuel_change(everywhere(-4.0), **AXES, lean_windows_rpm=[(6500.0, 9000.0)])
    assert beyond.is_guarded[0].tolist() == [False, False, False, True]


def test_a_guarded_cell_is_made_leaner_only_as_far_as_is_sure():
    found = suggested_fuel_change(everywhere(-1.5, 0.4, gauge_error=0.5), **AXES)
    sure = found.high_pct[3]
    assert np.all((sure < 0.0) & (sure > -1.5))
    assert np.all(found.suggested_pct[3] >= sure)
    assert np.all(found.suggested_pct[3] < sure + 0.5)
    assert np.all(found.held_by[3] == "guard")
    unsure = suggested_fuel_change(everywhere(-0.8, 0.4, gauge_error=0.5), **AXES)
    assert np.all(unsure.high_pct[3] > 0.0)
    assert np.all(unsure.suggested_pct[3] == 0.0)
    # A lean cell is given all that its mean asks for, guarded or not.
    lean = suggested_fuel_change(everywhere(1.5, 0.4, gauge_error=0.5), **AXES)
    assert np.all(lean.suggested_pct >= lean.needed_pct - 1e-9)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_all_rounds_together_stay_within_the_total(sign):
    already = sign * 18.0
    found = suggested_fuel_change(everywhere(sign * 14.0), **AXES, already_pct=already)
    total = 100.0 * ((1.0 + already / 100.0) * (1.0 + found.suggested_pct / 100.0) - 1.0)
    assert np.all(np.abs(total) <= 20.0 + 1e-9)
    # 1.20 / 1.18 = 1.0169 and 0.80 / 0.82 = 0.9756: in steps of 0.5 %, 1.5 and -2.0.
    assert np.all(found.suggested_pct == (1.5 if sign > 0.0 else -2.0))
    assert np.all(found.held_by[:2] == "total")


def test_a_map_beyond_the_total_is_not_driven_back_by_it():
    found = suggested_fuel_change(everywhere(3.0), **AXES, already_pct=30.0)
    assert np.all(found.suggested_pct == 0.0)
    assert np.all(found.held_by == "total")
    found = suggested_fuel_change(everywhere(-3.0), **AXES, already_pct=-30.0)
    assert np.all(found.suggested_pct == 0.0)


def test_rounding_is_to_the_nearest_step_and_towards_rich_where_it_guards():
    found = suggested_fuel_change(everywhere(2.4), **AXES, map_step_pct=1.0)
    assert np.all(found.suggested_pct == np.where(found.is_guarded, 3.0, 2.0))
    leaner = suggested_fuel_change(everywhere(-2.4), **AXES, map_step_pct=1.0)
    assert np.all(leaner.suggested_pct[~leaner.is_guarded] == -2.0)
    # Limits that are no whole step hold nevertheless.
    limited = suggested_fuel_change(everywhere(14.0), **AXES, map_step_pct=0.75)
    assert np.all(limited.suggested_pct == 7.5)
    limited = suggested_fuel_change(everywhere(-14.0), **AXES, map_step_pct=0.75)
    assert np.all(limited.suggested_pct[0] == -4.5)


@pytest.mark.parametrize(("error_pct", "entered"), [(0.8, 0.0), (-0.8, 0.0), (1.6, 1.5)])
def test_a_small_change_that_may_be_none_is_left(error_pct, entered):
    # A gauge of 1.2 % (1 SD) cannot tell 0.8 from 0; from 1 % on the change is entered anyway.
    found = suggested_fuel_change(everywhere(error_pct, 0.1, 1.2), **AXES, shape=SHAPE)
    at = ~found.is_guarded
    assert np.all(found.low_pct * found.high_pct < 0.0)
    assert np.all(found.suggested_pct[at] == entered)


def test_a_small_change_that_is_sure_is_entered():
    smooth = SurfaceShape(4.0, 0.8, 1200.0, 0.1)
    found = suggested_fuel_change(everywhere(0.8, 0.05, 0.05), **AXES, shape=smooth)
    assert np.all(found.low_pct > 0.0)
    assert np.all(found.suggested_pct >= 0.5)


def test_a_whole_number_of_steps_is_not_rounded_further():
    # 0.7 / 0.1 is a little less than 7 in binary; that must not cost a step.
    found = suggested_fuel_change(everywhere(14.0), **AXES, map_step_pct=0.1,
                                  most_enrichment_pct=0.7)  # fmt: skip
    assert found.suggested_pct == pytest.approx(np.full((4, 4), 0.7))
    # -0.3 / 0.1 is a little more than -3, and that must not cost a step towards rich either.
    leaner = suggested_fuel_change(
        everywhere(-14.0),
        **AXES,
        map_step_pct=0.1,
        most_enleanment_pct=0.3,
        most_guarded_enleanment_pct=0.3,
    )
    assert leaner.suggested_pct == pytest.approx(np.full((4, 4), -0.3))


def test_neighbours_that_differ_too_much_meet_by_raising_the_leaner():
    change = np.full((4, 4), -4.0)
    change[1, 1] = 7.5
    sharp = SurfaceShape(8.0, 0.2, 300.0, 0.2)
    free = suggested_fuel_change(everywhere(change), **AXES, shape=sharp,
                                 most_neighbour_step_pct=30.0)  # fmt: skip
    assert free.suggested_pct[1, 1] - free.suggested_pct[1, 0] > 8.0
    for most in (4.0, 6.0):
        found = suggested_fuel_change(everywhere(change), **AXES, shape=sharp,
                                      most_neighbour_step_pct=most,
                                      most_over_need_pct=20.0)  # fmt: skip
        for axis in (0, 1):
            assert np.all(np.abs(np.diff(found.suggested_pct, axis=axis)) <= most + 1e-9)
        assert np.all(found.suggested_pct >= free.suggested_pct)
        assert found.suggested_pct[1, 1] == free.suggested_pct[1, 1]
        assert found.suggested_pct[1, 0] == pytest.approx(free.suggested_pct[1, 1] - most)
        assert found.held_by[1, 0] == "slope"
        assert np.all(found.held_by[found.suggested_pct == free.suggested_pct] != "slope")


def test_the_slope_is_that_of_all_rounds_together_and_gives_way_to_the_step_limit():
    already = np.zeros((4, 4))
    already[:, :2] = 12.0
    sharp = SurfaceShape(12.0, 0.2, 200.0, 0.1)

    def suggested(**limits):
        # All cells are right as they are, with a cliff in what was put in.
        found = suggested_fuel_change(everywhere(-0.2, 0.01, 0.01), **AXES, shape=sharp,
                                      already_pct=already, **limits)  # fmt: skip
        return found.suggested_pct[0].tolist()

    # 8 % of the 12 may stay.
    assert suggested() == [0.0, 0.0, 4.0, 0.0]
    assert suggested(most_enrichment_pct=1.0) == [0.0, 0.0, 1.0, 0.0]
    assert suggested(most_over_need_pct=2.0) == [0.0, 0.0, 2.0, 0.0]
    # What is raised raises in its turn: 12 against 10, 8 and 6 left of it.
    assert suggested(most_neighbour_step_pct=2.0, most_over_need_pct=20.0, most_total_pct=50.0,
                     most_enrichment_pct=20.0) == [0.0, 0.0, 10.0, 8.0]  # fmt: skip


def test_a_cell_is_not_raised_beyond_the_total_for_its_neighbour():
    already = np.full((4, 4), 18.0)
    already[:, 1] = 40.0
    found = suggested_fuel_change(everywhere(0.0, 0.01, 0.01), **AXES, already_pct=already,
                                  shape=SurfaceShape(12.0, 0.2, 200.0, 0.1))  # fmt: skip
    # 1.20 / 1.18 = 1.0169, of which 1.5 % are whole steps; 40 - 8 = 32 % would be out of reach.
    assert np.all(found.suggested_pct[:, [0, 2]] == 1.5)


def test_a_blank_cell_gets_half_of_the_fuel_added_beside_it():
    row = evidence(5.0, [3000.0, 4000.0], [2.0, 6.0], 0.05, gauge_error=0.1)
    found = suggested_fuel_change([row], **AXES, shape=SHAPE, reach_rpm=100.0)
    told = np.isfinite(found.suggested_pct)
    assert told.sum() == 2
    assert found.suggested_pct[0, :2] == pytest.approx([2.0, 6.0])
    # Beside 6 % at 4,000 rpm: the next speed and the next throttle; beside 2 % the next throttle.
    assert found.seam_pct[0, 2] == found.seam_pct[1, 1] == 3.0
    assert found.seam_pct[1, 0] == 1.0
    assert np.isfinite(found.seam_pct).sum() == 3
    assert found.entered_pct[0].tolist() == [*found.suggested_pct[0, :2], 3.0, 0.0]
    assert np.isnan(suggested_fuel_change(everywhere(6.0), **AXES).seam_pct).all()


def test_a_blank_cell_looks_to_all_four_sides():
    row = evidence(20.0, [4000.0, 5000.0], [6.0, 6.0], 0.05, gauge_error=0.1)
    found = suggested_fuel_change([row], **AXES, shape=SHAPE, reach_rpm=100.0, reach_throttle=0.1)
    told = np.argwhere(np.isfinite(found.suggested_pct)).tolist()
    assert told == [[1, 1], [1, 2]]
    sides = [[0, 1], [0, 2], [1, 0], [1, 3], [2, 1], [2, 2]]
    assert np.argwhere(found.seam_pct == 3.0).tolist() == sides


def test_no_unseen_cell_is_leaned_or_filled_beyond_the_total():
    row = evidence(5.0, [3000.0, 4000.0], [-4.0, -4.0], 0.05, gauge_error=0.1)
    found = suggested_fuel_change([row], **AXES, shape=SHAPE, reach_rpm=100.0)
    assert np.nanmax(found.suggested_pct) < 0.0
    assert np.isnan(found.seam_pct).all()
    already = np.zeros((4, 4))
    already[1] = 19.0
    row = evidence(5.0, [3000.0, 4000.0], [6.0, 6.0], 0.05, gauge_error=0.1)
    found = suggested_fuel_change([row], **AXES, shape=SHAPE, reach_rpm=100.0, already_pct=already)
    # 1.20 / 1.19 leaves 0.8 %, a whole step of 0.5.
    assert np.nanmax(found.seam_pct[1]) == 0.5


@given(
    st.lists(st.floats(-25.0, 25.0), min_size=16, max_size=16),
    st.lists(st.floats(-40.0, 40.0), min_size=16, max_size=16),
    st.sampled_from([0.25, 0.5, 1.0]),
)
@settings(max_examples=60, deadline=None)
def test_no_limit_is_ever_passed(change, already, step):
    already = np.reshape(already, (4, 4))
    sharp = SurfaceShape(8.0, 0.3, 400.0, 0.2)
    found = suggested_fuel_change(everywhere(np.reshape(change, (4, 4))), **AXES, shape=sharp,
                                  already_pct=already, map_step_pct=step,
                                  least_change_pct=0.0)  # fmt: skip
    got = found.suggested_pct
    assert np.isfinite(got).all()
    assert np.all((got <= 8.0) & (got >= np.where(found.is_guarded, -2.0, -5.0)))
    assert got / step == pytest.approx(np.round(got / step), abs=1e-6)
    total = (1.0 + already / 100.0) * (1.0 + got / 100.0) - 1.0
    # Sums may miss a limit by rounding: a millionth of a step of the map, 1e-8 of the fuel.
    assert np.all(total <= np.maximum(0.2, already / 100.0) + 1e-7)
    assert np.all(total >= np.minimum(-0.2, already / 100.0) - 1e-7)
    # Only a limit of the round or of all rounds may leave a cell leaner than it asks for, but for
    # rounding where nothing is guarded.
    held = np.isin(found.held_by, ["step", "total"])
    room = np.where(found.is_guarded, 0.0, 0.5 * step)
    assert np.all((got >= found.needed_pct - room - 1e-5) | held)
    # A cell far below its neighbour is at a limit of its own, 4 % above its need for one.
    cap = np.minimum(8.0, 100.0 * np.maximum(0.0, 1.2 / (1.0 + already / 100.0) - 1.0))
    sure = np.minimum(0.0, found.high_pct)
    need = np.where(found.is_guarded & (found.needed_pct < 0.0), sure, found.needed_pct)
    short = np.minimum(cap, need + 4.0) - got
    for axis in (0, 1):
        gap = np.diff(total, axis=axis)
        lower = np.where(gap > 0.0, *(np.delete(short, end, axis) for end in (-1, 0)))
        assert np.all((np.abs(gap) <= 0.08 + 1e-7) | (lower < step + 1e-5))


def test_a_map_changed_since_is_read_through_its_own_interpolation():
    # Fuel is right everywhere for the first map. 10 % were then put into one column; on it and
    # halfway beside it the mixture now reads rich, and out there it is right.
    already = np.zeros((4, 4))
    already[:, 1] = 10.0
    at = np.array([3000.0, 3500.0, 4000.0, 4500.0, 5000.0, 6000.0])
    factor = np.array([1.0, 1.05, 1.10, 1.05, 1.0, 1.0])
    readings = [evidence(throttle, at, 100.0 * (1.0 / factor - 1.0), 0.1, gauge_error=0.1)
                for throttle in AXES["throttle_pct"]]  # fmt: skip
    found = suggested_fuel_change(readings, **AXES, already_pct=already)
    # 1 / 1.10 - 1 = -9.09 %.
    assert found.needed_pct[0] == pytest.approx([0.0, -9.0909, 0.0, 0.0], abs=0.02)


def test_one_reading_on_a_changed_map_by_hand():
    # 4 % lean on a map with 25 % more: 1.04 * 1.25 - 1 = 30 % on the first one, and the standard
    # error 2 * 1.25 = 2.5. Prior variance 36 + 64, noise 6.25 + 0.25; then back by 1.25.
    found = suggested_fuel_change([evidence(20.0, 4000.0, 4.0, 2.0, gauge_error=0.0)],
                                  throttle_pct=[20.0], speed_rpm=[4000.0], already_pct=25.0,
                                  shape=SurfaceShape(8.0, 1.0, 1000.0, 0.5),
                                  widest_half_interval_pct=30.0)  # fmt: skip
    mean, sd = 30.0 * 100.0 / 106.5, math.sqrt(100.0 * 6.5 / 106.5)
    assert found.needed_pct[0, 0] == pytest.approx(100.0 * ((1.0 + mean / 100.0) / 1.25 - 1.0))
    half = 0.5 * (found.high_pct - found.low_pct)[0, 0]
    assert half == pytest.approx(1.959964 * sd / 1.25, rel=1e-6)


def test_earlier_rounds_count_as_what_they_say_of_the_first_map():
    # 6 % lean on the first map, 3.92 % richer since: 1.06 / 1.0392 = 1.02.
    before, now = everywhere(6.0, 1.0), everywhere(2.0, 1.0)
    alone = suggested_fuel_change(now, **AXES, shape=SHAPE, already_pct=3.9216)
    both = suggested_fuel_change(now, **AXES, shape=SHAPE, already_pct=3.9216,
                                 earlier=[(before, 0.0)])  # fmt: skip
    assert both.needed_pct == pytest.approx(np.full((4, 4), 2.0), abs=0.05)
    assert np.all(both.high_pct - both.low_pct < alone.high_pct - alone.low_pct)


# --- How much was removed -----------------------------------------------------------------------


def test_the_share_removed_by_hand():
    # |before| weighs 3*8 + 1*4 = 28, |after| 3*1 + 1*4 = 7: a quarter is left.
    found = removed_share([8.0, -4.0, math.nan, 5.0], [-1.0, 4.0, 3.0, math.nan], [3, 1, 9, 9])
    assert found.removed_share == pytest.approx(0.75)
    assert found.cells == 2


def test_lean_turned_into_as_much_rich_removes_nothing_and_worse_is_below_nothing():
    assert removed_share([5.0, 5.0], [-5.0, -5.0]).removed_share == pytest.approx(0.0)
    assert removed_share([2.0, 3.0], [4.0, 6.0]).removed_share == pytest.approx(-1.0)


def test_the_interval_is_that_of_weighted_least_squares_with_unequal_scatter():
    # With weight 1/b the slope of a on b is sum(a) / sum(b), and White's estimate with the
    # small-sample factor (HC1) its linearised variance.
    rng = np.random.default_rng(2)
    before = rng.uniform(1.0, 10.0, 15)
    after = 0.2 * before + np.abs(rng.normal(0.0, 0.5, 15))
    fitted = sm.WLS(after, before, weights=1.0 / before).fit(cov_type="HC1", use_t=True)
    low, high = fitted.conf_int()[0]
    found = removed_share(before, after)
    assert found.removed_share == pytest.approx(1.0 - fitted.params[0])
    assert (found.low_share, found.high_share) == pytest.approx((1.0 - high, 1.0 - low))


def test_the_interval_holds_the_true_share_as_often_as_it_says():
    rng = np.random.default_rng(8)
    held = 0
    for _ in range(400):
        before = rng.uniform(2.0, 12.0, 40)
        after = before * rng.uniform(0.0, 0.4, 40)  # four fifths removed on average
        found = removed_share(before, after, rng.uniform(0.5, 1.5, 40))
        held += found.low_share <= 0.8 <= found.high_share
    low, high = stats.binom.ppf([0.001, 0.999], 400, 0.95)
    assert low <= held <= high


def test_weights_that_lie_on_one_cell_give_no_interval():
    alone = removed_share([5.0, 5.0], [1.0, 4.0], [1.0, 0.0])
    assert alone.removed_share == pytest.approx(0.8)
    assert math.isnan(alone.low_share)
    assert math.isnan(alone.high_share)
    uneven = removed_share([5.0, 5.0], [1.0, 4.0], [100.0, 1.0])
    assert math.isnan(uneven.low_share)
    for before, after in (([0.0, 0.0], [0.0, 1.0]), ([math.nan], [1.0])):
        assert math.isnan(removed_share(before, after).removed_share)


# --- Refusals -----------------------------------------------------------------------------------


def cells(**changes):
    given_cells = {
        "throttle_pct": [10.0, 20.0], "speed_rpm": [3000.0, 4000.0],
        "lambda_measured": [0.95, 0.97], "lambda_standard_error": 0.004, "dwell_s": 8.0,
    }  # fmt: skip
    return part_throttle_evidence(**{**given_cells, **changes})


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"throttle_pct": [10.0, 120.0]}, "throttle_pct must be at most 100 %, got 120"),
        ({"speed_rpm": [-1.0, 4000.0]}, "speed_rpm must be at least 0 rpm, got -1"),
        ({"speed_rpm": [3000.0]}, r"speed_rpm must match throttle_pct in length, got \(1,\)"),
        ({"lambda_measured": [0.0, 1.0]}, "lambda_measured must be above 0, got 0"),
        ({"lambda_measured": [math.inf, 1.0]}, "lambda_measured must be finite"),
        ({"lambda_standard_error": -0.1}, "lambda_standard_error must be at least 0"),
        ({"least_dwell_s": -1.0}, "least_dwell_s must be at least 0 s"),
        ({"least_dwell_s": math.nan}, "least_dwell_s must be known and finite"),
        ({"dwell_s": -1.0}, "dwell_s must be at least 0 s"),
        ({"target": (1.0, 0.94)}, "target must be at most 0.94, got 1"),
        ({"target": (math.nan, 1.0)}, "target must be known and finite"),
        ({"is_closed_loop": [math.nan, 0.0]}, "is_closed_loop must be known and finite"),
        ({"gauge_error_pct": -0.5}, "gauge_error_pct must be at least 0 %, got -0.5"),
        ({"gauge_error_pct": math.nan}, "gauge_error_pct must be known and finite"),
    ],
)
def test_impossible_cells_are_refused(changes, message):
    with pytest.raises(ValueError, match=message):
        cells(**changes)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (([5000.0, 5000.0], [0.0, 0.0], 0.5), "speed_rpm must ascend"),
        (([5000.0], [-100.0], 0.5), "lean_error_pct must be above -100 %"),
        (([5000.0], [0.0], -0.5), "standard_error_pct must be at least 0 %"),
        (([-1.0], [0.0], 0.5), "speed_rpm must be at least 0 rpm"),
        (([5000.0], [0.0, 1.0], 0.5), "lean_error_pct must match speed_rpm"),
    ],
)
def test_impossible_curves_are_refused(arguments, message):
    with pytest.raises(ValueError, match=message):
        full_throttle_evidence(*arguments)


def test_a_spacing_that_cannot_be_is_refused():
    with pytest.raises(ValueError, match="spacing_rpm must be at least 0 rpm"):
        full_throttle_evidence([5000.0], [0.0], 0.5, spacing_rpm=-1.0)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"throttle_pct": [5.0, 5.0]}, "throttle_pct must ascend"),
        ({"throttle_pct": []}, "throttle_pct must be a list of at least 1 known breakpoint"),
        ({"speed_rpm": [3000.0, math.nan]}, "speed_rpm must be a list of at least 1 known"),
        ({"throttle_pct": [5.0, 110.0]}, "throttle_pct must be at most 100 %"),
        ({"speed_rpm": [-5.0, 3000.0]}, "speed_rpm must be at least 0 rpm"),
        ({"already_pct": [1.0, 2.0]}, "already_pct must be one figure or 4 throttle rows by 4"),
        ({"already_pct": math.nan}, "already_pct must be known and finite"),
        ({"already_pct": -100.0}, "already_pct must be above -100 %"),
        ({"lean_windows_rpm": [(5000.0, 4000.0)]}, "lean_windows_rpm must be at most 4000 rpm"),
        ({"map_step_pct": 0.0}, "map_step_pct must be above 0 %"),
        ({"map_step_pct": 9.0}, "map_step_pct must be at most 8 %"),
        ({"most_enrichment_pct": 0.1}, "most_enrichment_pct must be at least 0.5 %"),
        ({"most_enleanment_pct": 1.0}, "most_enleanment_pct must be at least 2 %"),
        ({"most_total_pct": 100.0}, "most_total_pct must be below 100 %"),
        ({"shape": SurfaceShape(0.0, 1.0, 1000.0, 0.5)}, "shape.sd_pct must be above 0 %"),
        ({"shape": SurfaceShape(4.0, math.nan, 1000.0, 0.5)}, "shape must be known and finite"),
        ({"shape": SurfaceShape(4.0, 0.0, 1000.0, 0.5)}, "shape.throttle_length must be above 0"),
        ({"shape": SurfaceShape(4.0, 1.0, 0.0, 0.5)}, "shape.speed_length_rpm must be above 0"),
        ({"shape": SurfaceShape(4.0, 1.0, 1000.0, 0.0)}, "shape.nugget_pct must be above 0 %"),
    ],
)
def test_impossible_choices_are_refused(changes, message):
    with pytest.raises(ValueError, match=message):
        suggested_fuel_change(everywhere(1.0), **{**AXES, **changes})


@pytest.mark.parametrize(
    "name",
    ["most_enrichment_pct", "most_enleanment_pct", "map_step_pct", "most_total_pct"],
)
def test_a_limit_that_is_not_known_limits_nothing_and_is_refused(name):
    with pytest.raises(ValueError, match=f"{name} must be known and finite"):
        suggested_fuel_change(everywhere(1.0), **AXES, **{name: math.nan})


def test_a_lean_window_without_an_end_is_refused():
    with pytest.raises(ValueError, match="lean_windows_rpm must be known and finite"):
        suggested_fuel_change(everywhere(1.0), **AXES, lean_windows_rpm=[(5000.0, math.nan)])


@pytest.mark.parametrize(
    ("columns", "message"),
    [
        (([10.0], [3000.0, 4000.0], [1.0], [0.3]), r"speed_rpm must match throttle_pct in length"),
        (([10.0], [3000.0], [math.nan], [0.3]), "change_pct must be known and finite"),
        (([10.0], [3000.0], [1.0], [math.inf]), "standard_error_pct must be known and finite"),
        (([101.0], [3000.0], [1.0], [0.3]), "throttle_pct must be at most 100 %"),
        (([10.0], [-1.0], [1.0], [0.3]), "speed_rpm must be at least 0 rpm"),
        (([10.0], [3000.0], [-100.0], [0.3]), "change_pct must be above -100 %"),
        (([10.0], [3000.0], [1.0], [-0.3]), "standard_error_pct must be at least 0 %"),
    ],
)
def test_evidence_entered_as_it_is_must_be_possible(columns, message):
    with pytest.raises(ValueError, match=message):
        Evidence(*(np.array(column) for column in columns), "trims", 0.5)


def test_one_gauge_with_two_errors_is_refused():
    pair = [evidence(10.0, 3000.0, 1.0, gauge_error=0.5), evidence(9.0, 3000.0, 1.0, gauge_error=1)]
    with pytest.raises(ValueError, match="must be the same wherever gauge 'one' is named"):
        suggested_fuel_change(pair, **AXES)


def test_impossible_weights_are_refused():
    with pytest.raises(ValueError, match="weights must be at least 0, got -1"):
        removed_share([1.0], [1.0], [-1.0])
    with pytest.raises(ValueError, match="weights must be known and finite"):
        removed_share([1.0], [1.0], [math.nan])
    with pytest.raises(ValueError, match="after_error_pct must match before_error_pct in length"):
        removed_share([1.0, 2.0], [1.0, 2.0, 3.0])


# --- Invented bikes -----------------------------------------------------------------------------

MAP_THROTTLE = np.array(STANDARD_THROTTLE_PCT)
MAP_SPEED = np.arange(1000.0, 12_001.0, 500.0)
GAUGE_ERROR_PCT = 0.5


def bell(value, centre, width):
    return np.exp(-0.5 * ((value - centre) / width) ** 2)


# True fuel change that each bike's first map needs, over throttle [%] and speed [rpm]. [%]
BIKES = {
    "right already": lambda t, n: 0.0 * t * n,
    "lean throughout": lambda t, n: 6.0 + 0.0 * t * n,
    "tilted with speed": lambda t, n: -3.0 + (n - 2000.0) / 1000.0 + 0.0 * t,
    "lean at light throttle, rich wide open": lambda t, n: 7.0 - 3.2 * throttle_place(t) + 0.0 * n,
    "narrow lean window at high speed": lambda t, n: (
        1.0 + 12.0 * bell(n, 8800.0, 450.0) / (1.0 + np.exp((45.0 - t) / 8.0))
    ),
    "rich dip in the middle": lambda t, n: (
        2.0
        - 6.0 * bell(n, 5000.0, 1100.0) * bell(throttle_place(t), 1.4, 0.6)
        + 3.0 * bell(n, 7500.0, 1500.0)
    ),
    "ripple of the exhaust": lambda t, n: (
        2.0 + 2.5 * np.sin(2.0 * math.pi * (n - 1500.0) / 3200.0) * (0.4 + 0.006 * t)
    ),
}


def chance_bike(seed):
    """Return a true needed change made of a level and a few hills, by chance."""
    rng = np.random.default_rng(seed)
    level = rng.normal(0.0, 3.0)
    hills = [
        (rng.normal(0.0, 4.0), rng.uniform(0.0, 3.1), rng.uniform(0.4, 1.2),
         rng.uniform(1500.0, 11_500.0), rng.uniform(500.0, 2000.0))
        for _ in range(rng.integers(2, 6))
    ]  # fmt: skip

    def needed(t, n):
        height = level + sum(
            a * bell(throttle_place(t), u, w) * bell(n, at, width) for a, u, w, at, width in hills
        )
        return np.clip(height, -8.0, 14.0) + 0.0 * t * n

    return needed


def mixture_ratio(bike, made_pct, throttle, speed):
    """Return lambda over its target: the first map's, thinned by what was put into the map."""
    made = interpolate.RegularGridInterpolator((MAP_THROTTLE, MAP_SPEED), made_pct)
    places = np.stack(np.broadcast_arrays(throttle, speed), -1)
    return (1.0 + bike(throttle, speed) / 100.0) / (1.0 + made(places) / 100.0)


def ridden(bike, made_pct, gauge, rng, minutes=40.0):
    """Return cells of a ride: mostly light throttle at middling speed, little else."""
    rows = []
    for t_low, t_high in pairwise(THROTTLE_EDGES_PCT):
        for n_low, n_high in pairwise(SPEED_EDGES_RPM[1:12]):
            t, n = 0.5 * (t_low + t_high), 0.5 * (n_low + n_high)
            liking = bell(throttle_place(t), 1.1, 0.75) * bell(n, 3000.0 + 35.0 * t, 1400.0)
            dwell_s = 2.4 * minutes * liking * rng.exponential()
            if dwell_s < 2.0:
                continue
            stays = max(1, int(dwell_s / 4.0))
            at_t, at_n = rng.uniform(t_low, t_high, stays), rng.uniform(n_low, n_high, stays)
            error = math.hypot(0.003, 0.011 / math.sqrt(dwell_s))
            seen = 0.97 * np.mean(mixture_ratio(bike, made_pct, at_t, at_n)) * (1.0 + gauge)
            rows.append((at_t.mean(), at_n.mean(), seen + rng.normal(0.0, error), error, dwell_s))
    return part_throttle_evidence(*np.transpose(rows), target=(0.97, 0.97), gauge="the only one",
                                  gauge_error_pct=GAUGE_ERROR_PCT)  # fmt: skip


def pulled(bike, made_pct, gauge, rng, error_pct=0.5):
    """Return the lean error of a session: smoothed by 150 rpm, and so is its noise."""
    speed = np.arange(3000.0, 11_501.0, 50.0)
    wide = np.arange(2500.0, 12_001.0, 50.0)
    kernel = bell(np.arange(-10, 11) * 50.0, 0.0, 150.0 / math.sqrt(2.0))
    ratio = mixture_ratio(bike, made_pct, np.full(wide.shape, 100.0), wide)
    smooth = np.convolve(ratio, kernel / kernel.sum(), "valid") * (1.0 + gauge)
    noise = np.convolve(rng.normal(0.0, 1.0, wide.size), kernel, "valid")
    error = 100.0 * (smooth - 1.0) + error_pct * noise / math.sqrt(kernel @ kernel)
    return speed, error, error_pct


def two_rounds(bike, seed, gauge):
    """Return for each round: the change, what was truly needed then, and what was after it."""
    rng = np.random.default_rng(seed)
    every_throttle, every_speed = np.meshgrid(MAP_THROTTLE, MAP_SPEED, indexing="ij")
    made, earlier, rounds = np.zeros(every_throttle.shape), [], []

    def needed():
        return 100.0 * (mixture_ratio(bike, made, every_throttle, every_speed) - 1.0)

    for _ in range(2):
        speed, error, error_pct = pulled(bike, made, gauge, rng)
        now = [
            ridden(bike, made, gauge, rng),
            replace(
                full_throttle_evidence(speed, error, error_pct, gauge_error_pct=GAUGE_ERROR_PCT),
                gauge="the only one",
            ),
        ]  # fmt: skip
        windows = [(w.from_rpm, w.to_rpm) for w in mixture_windows(speed, error)
                   if w.side == "lean" and w.level in ("warn", "stop")]  # fmt: skip
        before = needed()
        change = suggested_fuel_change(
            now, throttle_pct=MAP_THROTTLE, speed_rpm=MAP_SPEED, already_pct=made, earlier=earlier,
            lean_windows_rpm=windows,
        )  # fmt: skip
        earlier = [*earlier, (now, made)]
        entered = change.entered_pct
        made = 100.0 * ((1.0 + made / 100.0) * (1.0 + entered / 100.0) - 1.0)
        rounds.append((change, before, needed()))
    return rounds


def studied(bikes, first_seed):
    """Return figures over bikes: coverage by round and cells within 2 %, in per cent.

    Gauges' errors are the evenly spaced quantiles of their normal spread, so that a few bikes
    speak for many.
    """
    count = len(bikes)
    gauges = GAUGE_ERROR_PCT / 100.0 * special.ndtri((np.arange(count) + 0.5) / count)
    np.random.default_rng(first_seed).shuffle(gauges)
    held, within, free, rms, leanest, cells, share = [], [], [], [], [], [], []
    for place, bike in enumerate(bikes):
        rounds = two_rounds(bike, first_seed + place, gauges[place])
        covered = np.isfinite(rounds[0][0].needed_pct)
        cells.append(covered.sum())
        by_round = []
        for change, before, _ in rounds:
            seen = np.isfinite(change.needed_pct)
            inside = (before >= change.low_pct) & (before <= change.high_pct)
            by_round.append(inside[seen].mean())
        held.append(by_round)
        stages = (rounds[0][1], rounds[0][2], rounds[1][2])
        within.append([np.mean(np.abs(stage[covered]) <= 2.0) for stage in stages])
        rms.append([np.mean(stage[covered] ** 2) for stage in stages])
        is_free = covered & ~np.isin(rounds[1][0].held_by, ["guard", "step", "total", "slope"])
        free.append(np.mean(np.abs(stages[2][is_free]) <= 2.0))
        leanest.append(stages[2][covered].max())
        if stages[0][covered].any():
            share.append(removed_share(stages[0][covered], stages[2][covered]).removed_share)
    return {
        "cells": float(np.mean(cells)),
        "held": 100.0 * np.mean(held, axis=0),
        "within": 100.0 * np.mean(within, axis=0),
        "free": 100.0 * float(np.mean(free)),
        "rms": np.sqrt(np.mean(rms, axis=0)),
        "leanest": float(np.mean(leanest)),
        "removed": 100.0 * float(np.mean(share)) if share else math.nan,
    }


def study_table(bikes_each):
    """Return the study as a table in Markdown: a row for each kind of bike, `bikes_each` of it."""
    lines = [
        "| bike | maps | covered cells | error before → round 1 → round 2, RMS % "
        "| cells within ±2 %: before → 1 → 2 | of those no limit held, round 2 "
        "| leanest cell left, mean % | interval holds the truth, rounds 1, 2 |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    kinds = {name: [bike] * bikes_each for name, bike in BIKES.items()}
    kinds["hills by chance"] = [chance_bike(10_000 + i) for i in range(3 * bikes_each)]
    for place, (name, bikes) in enumerate(kinds.items()):
        found = studied(bikes, 1_000_000 * (place + 1))
        rms = " → ".join(f"{value:.2f}" for value in found["rms"])
        within = " → ".join(f"{value:.1f}" for value in found["within"])
        held = ", ".join(f"{value:.1f}" for value in found["held"])
        lines.append(
            f"| {name} | {len(bikes)} | {found['cells']:.0f} | {rms} | {within} "
            f"| {found['free']:.1f} | {found['leanest']:.1f} | {held} |"
        )
    return "\n".join(lines)


@pytest.mark.parametrize("name", BIKES)
def test_two_rounds_bring_an_invented_bike_within_two_percent(name):
    # Held by the limit on leaning at full throttle: there the second round may stop short.
    found = studied([BIKES[name]] * 6, 40)
    assert found["within"][2] >= (95.0 if name.endswith("rich wide open") else 98.0)
    assert found["free"] >= 98.0
    assert found["rms"][2] <= 1.0
    assert found["cells"] >= 150


def test_the_interval_holds_the_truth_as_often_as_it_says():
    # Not binomial: cells of a bike share its gauge. Spaced gauges and 48 bikes leave about 1 %.
    found = studied([chance_bike(500 + i) for i in range(48)], 500)
    assert np.all((found["held"] >= 93.0) & (found["held"] <= 97.0))
    assert found["within"][2] >= 96.0
