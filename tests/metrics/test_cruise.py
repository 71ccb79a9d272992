"""Part-throttle evidence from a ride: delay, what is left out and why, cells; known truths."""

import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flows.metrics.cruise import (
    OUTSIDE_AIR_PCT,
    REASONS,
    SPEED_EDGES_RPM,
    THROTTLE_EDGES_PCT,
    aligned_lambda,
    band_error_pct,
    cell_medians,
    estimated_delay_s,
    exclusion_reasons,
    outside_air_most_pct,
    sample_duration_s,
    steady_cells,
    weighted_median,
)

RATE_HZ = 20.0


def clock(seconds=20.0, rate_hz=RATE_HZ):
    return np.arange(round(seconds * rate_hz)) / rate_hz


def steady_ride(seconds=20.0, **changes):
    """Channels of a warm engine at constant cruise, with what matters changed."""
    time_s = clock(seconds)
    whole = np.ones(time_s.size)
    ride = {
        "throttle_pct": 18.0 * whole,
        "engine_speed_rpm": 4500.0 * whole,
        "lambda_aligned": 0.97 * whole,
        "coolant_temp_k": 358.0 * whole,
        "roller_speed_m_s": 22.0 * whole,
    }
    return time_s, {**ride, **{name: np.asarray(value) for name, value in changes.items()}}


def reasons_at(moment_s, **changes):
    time_s, ride = steady_ride(**changes)
    return str(exclusion_reasons(time_s, **ride)[np.searchsorted(time_s, moment_s)])


def surface(throttle_pct, engine_speed_rpm):
    """Return the true steady lambda of an invented bike."""
    return 0.97 + 0.0025 * (throttle_pct - 15.0) + 0.03 * np.sin(engine_speed_rpm / 1500.0)


def invented_ride(seed, delay_s, *, lag_s=0.03, minutes=5.0):
    """Return a ride of held throttle openings with ramps between, 20 Hz of a 200-Hz truth."""
    rng = np.random.default_rng(seed)
    fine_hz = 200
    count = int(minutes * 60 * fine_hz)
    pieces, now, length = [], 10.0, 0
    while length < count:
        following = rng.choice([4.0, 8.0, 12.0, 18.0, 25.0, 35.0])
        ramp = np.linspace(now, following, int(rng.uniform(0.2, 0.5) * fine_hz))
        held = np.full(int(rng.uniform(1.5, 7.0) * fine_hz), following)
        pieces += [ramp, held]
        length += ramp.size + held.size
        now = following
    throttle = np.concatenate(pieces)[:count]
    time_s = np.arange(count) / fine_hz

    def lagged(value, constant_s):
        out = np.empty_like(value)
        share, last = 1.0 - np.exp(-1.0 / (fine_hz * constant_s)), value[0]
        for i, each in enumerate(value):
            last += share * (each - last)
            out[i] = last
        return out

    speed = lagged(2000.0 + 110.0 * throttle, 1.5)
    opening = np.clip(np.gradient(throttle, time_s), 0.0, None)
    mixture = lagged(surface(throttle, speed) + 0.0008 * opening, lag_s)
    late = round(delay_s * fine_hz)
    shown = np.concatenate([np.full(late, mixture[0]), mixture[: count - late]])
    at = slice(0, count, int(fine_hz / RATE_HZ))
    size = time_s[at].size
    return (
        time_s[at],
        throttle[at] + 0.2 * rng.standard_normal(size),
        speed[at] + 15.0 * rng.standard_normal(size),
        shown[at] * (1.0 + 0.005 * rng.standard_normal(size)),
    )


def test_delay_of_a_pulse_is_found_between_two_samples():
    # Gaussian pulse of 0.5 s delayed by 0.173 s at 50 Hz: 0.1730 s by a parabola (reckoned with
    # NumPy); whole samples would give 0.18 s.
    time_s = np.arange(0.0, 10.0, 0.02)
    push = np.exp(-0.5 * ((time_s - 4.0) / 0.5) ** 2)
    shown = 1.0 + 0.1 * np.exp(-0.5 * ((time_s - 4.173) / 0.5) ** 2)
    assert estimated_delay_s(time_s, push, shown).delay_s == pytest.approx(0.1730, abs=1e-4)


def test_two_trends_do_not_hide_the_delay():
    # A random walk delayed by nine samples: raw correlation peaks at none, differenced at nine.
    walk = np.random.default_rng(3).standard_normal(600).cumsum()
    shown = 1.0 + 0.001 * np.concatenate([np.full(9, walk[0]), walk[:-9]])
    assert np.abs(shown - 1.0).max() < 0.25
    delay = estimated_delay_s(np.arange(600) / 20.0, walk, shown)
    assert delay.delay_s * 20.0 == pytest.approx(9.0, abs=0.05)


def test_delay_of_a_ride_is_found_within_twenty_milliseconds():
    # The truth: transport, plus the time in which half of a change gets through the probe's
    # lag of 30 ms, which is ln 2 of it.
    misses = []
    for seed, delay_s in enumerate((0.08, 0.12, 0.16, 0.20, 0.25)):
        time_s, throttle, _, shown = invented_ride(seed, delay_s)
        misses.append(
            estimated_delay_s(time_s, throttle, shown).delay_s - (delay_s + 0.03 * np.log(2.0))
        )
    assert np.max(np.abs(misses)) < 0.020


def test_unrelated_channels_have_no_delay():
    rng = np.random.default_rng(4)
    time_s = clock(300.0)
    for _ in range(10):
        push = rng.standard_normal(time_s.size).cumsum()
        shown = 1.0 + 0.02 * np.tanh(rng.standard_normal(time_s.size).cumsum() / 30.0)
        assert np.isnan(estimated_delay_s(time_s, push, shown).delay_s)


def test_a_throttle_that_never_moves_has_no_delay():
    time_s, throttle, _, shown = invented_ride(1, 0.15, minutes=1.0)
    assert np.isnan(estimated_delay_s(time_s, np.full(throttle.size, 20.0), shown).delay_s)
    assert np.isnan(estimated_delay_s(time_s[:20], throttle[:20], shown[:20]).delay_s)


def test_shifted_clock_and_unit_of_the_driver_do_not_matter():
    time_s, throttle, _, shown = invented_ride(2, 0.15, minutes=2.0)
    plain = estimated_delay_s(time_s, throttle, shown)
    other = estimated_delay_s(time_s + 1000.0, 0.01 * throttle, shown)
    assert other.delay_s == pytest.approx(plain.delay_s, abs=1e-4)


def test_alignment_undoes_a_delay():
    time_s = clock()
    engine = 1.0 + 0.1 * np.sin(time_s)
    shown = 1.0 + 0.1 * np.sin(time_s - 0.13)
    aligned = aligned_lambda(time_s, shown, 0.13)
    # A straight line across 50 ms of this sine errs by at most 0.1*0.05**2/8 = 3.1e-5.
    assert np.nanmax(np.abs(aligned - engine)) < 3.2e-5
    assert np.isnan(aligned[-1])
    assert np.isfinite(aligned[:-3]).all()


def test_no_delay_leaves_lambda_as_it_is():
    time_s = clock()
    shown = 1.0 + 0.1 * np.sin(time_s)
    assert aligned_lambda(time_s, shown, 0.0) == pytest.approx(shown, abs=1e-12)


def test_alignment_never_crosses_a_gap():
    time_s = np.concatenate([clock(2.0), 2.6 + clock(2.0)])
    aligned = aligned_lambda(time_s, np.full(time_s.size, 0.9), 0.1)
    # The log is silent from 1.95 s to 2.6 s: what belongs to 1.85 s and after is not known.
    assert np.isnan(aligned[(time_s > 1.86) & (time_s < 2.0)]).all()
    assert np.isfinite(aligned[time_s <= 1.85]).all()


def test_a_short_dropout_of_the_gauge_is_crossed_and_a_long_one_is_not():
    time_s = clock(4.0)
    shown = np.full(time_s.size, 0.9)
    shown[20:24] = np.nan
    assert np.isfinite(aligned_lambda(time_s, shown, 0.1)[15:25]).all()
    shown[20:40] = np.nan
    assert np.isnan(aligned_lambda(time_s, shown, 0.1)[20:35]).all()


def test_steady_cruise_is_evidence_once_it_has_settled():
    time_s, ride = steady_ride()
    reasons = exclusion_reasons(time_s, **ride)
    assert set(reasons[time_s <= 0.5]) == {"settling"}
    assert set(reasons[time_s > 0.5]) == {""}


@pytest.mark.parametrize(
    ("reason", "changes"),
    [
        ("no lambda", {"lambda_aligned": np.full(400, np.nan)}),
        ("no lambda", {"lambda_aligned": np.zeros(400)}),
        ("no throttle or speed", {"throttle_pct": np.full(400, np.nan)}),
        ("cold engine", {"coolant_temp_k": np.full(400, 342.0)}),
        (
            "fuel cut",
            {"throttle_pct": np.zeros(400), "lambda_aligned": np.full(400, 1.4)},
        ),
        ("fuel cut", {"injector_time_s": np.zeros(400)}),
        ("stopped or idling", {"engine_speed_rpm": np.full(400, 1200.0)}),
        ("stopped or idling", {"roller_speed_m_s": np.zeros(400)}),
        ("gear change or clutch", {"gear": np.where(clock() < 10.0, 4, 5)}),
        ("gear change or clutch", {"roller_speed_m_s": np.where(clock() < 10.0, 22.0, 26.0)}),
        ("throttle moving", {"throttle_pct": 18.0 + 5.0 * np.sin(3.0 * (clock() - 10.0))}),
        (
            "speed moving",
            {
                "engine_speed_rpm": 4500.0 + 600.0 * (clock() - 10.0),
                "roller_speed_m_s": 22.0 / 4500.0 * (4500.0 + 600.0 * (clock() - 10.0)),
            },
        ),
        ("full throttle", {"throttle_pct": np.full(400, 95.0)}),
    ],
)
def test_each_exclusion_is_named(reason, changes):
    assert reasons_at(10.0, **changes) == reason


def test_low_flow_counts_only_for_a_probe_in_the_tailpipe():
    time_s, ride = steady_ride(
        throttle_pct=np.full(400, 6.0),
        engine_speed_rpm=np.full(400, 2500.0),
    )
    for probe, reason in (("tailpipe", "low flow at the tailpipe"), ("collector", "")):
        assert exclusion_reasons(time_s, **ride, probe=probe)[200] == reason


def test_outside_air_is_a_smaller_share_the_more_exhaust_flows_and_none_before_the_tailpipe():
    # The same air in twice the exhaust is half the share: 3000, 6000 and 1500 rpm wide open.
    most = outside_air_most_pct([50.0, 60.0, 1.0], [6000.0, 10_000.0, 3000.0], "tailpipe")
    assert most == pytest.approx([OUTSIDE_AIR_PCT / 2, OUTSIDE_AIR_PCT / 4, OUTSIDE_AIR_PCT])
    assert not outside_air_most_pct([50.0, 2.0], 3000.0, "collector").any()


def test_the_median_of_a_cell_is_that_of_its_steady_samples_by_their_time():
    # Of 10 s at 1 and 1 s at 9 half the time is at 1; what was left out has no say.
    time_s = np.concatenate([np.arange(0.0, 10.0, 0.1), np.arange(10.0, 11.0, 0.02)])
    value = np.where(time_s < 10.0, 1.0, 9.0)
    reasons = np.where(time_s < 0.5, "settling", "").astype(object)
    value[time_s < 0.5] = 99.0
    ones = np.ones(time_s.size)
    (found,) = cell_medians(time_s, 12.0 * ones, 4200.0 * ones, [value], reasons)
    assert found == {(10.0, 15.0, 4000.0, 5000.0): 1.0}
    assert cell_medians(time_s, 12.0 * ones, 4200.0 * ones, [np.nan * ones], reasons) == [{}]


def test_an_open_throttle_with_lean_mixture_is_evidence_not_a_fuel_cut():
    assert reasons_at(10.0, lambda_aligned=np.full(400, 1.3)) == ""


def test_the_half_second_after_a_fuel_cut_is_left_out():
    time_s = clock()
    cut = (time_s >= 8.0) & (time_s < 9.0)
    changes = {"injector_time_s": np.where(cut, 0.0, 0.004)}
    # The last sample with the injector shut stands at 8.95 s.
    assert reasons_at(9.40, **changes) == "fuel cut"
    assert reasons_at(9.50, **changes) == ""


def test_settling_lasts_half_a_second_after_the_throttle_has_come_to_rest():
    time_s = clock()
    changes = {"throttle_pct": np.where(time_s < 10.0, 18.0, 22.0)}
    assert reasons_at(9.50, **changes) == ""
    assert reasons_at(10.05, **changes) == "throttle moving"
    assert reasons_at(10.50, **changes) == "settling"
    assert reasons_at(11.0, **changes) == ""


def test_the_first_half_second_after_a_gap_is_settling():
    time_s, ride = steady_ride()
    time_s = np.where(np.arange(400) < 200, time_s, time_s + 30.0)
    reasons = exclusion_reasons(time_s, **ride)
    assert set(reasons[200:211]) == {"settling"}
    assert reasons[212] == ""


def test_the_first_reason_in_the_order_wins():
    changes = {
        "lambda_aligned": np.full(400, 1.4),
        "throttle_pct": np.zeros(400),
        "coolant_temp_k": np.full(400, 300.0),
        "engine_speed_rpm": np.full(400, 1000.0),
    }
    assert reasons_at(10.0, **changes) == "cold engine"
    changes["lambda_aligned"] = np.full(400, np.nan)
    assert reasons_at(10.0, **changes) == "no lambda"


def test_without_lambda_nothing_is_evidence():
    time_s, ride = steady_ride()
    del ride["lambda_aligned"]
    assert set(exclusion_reasons(time_s, **ride)) == {"no lambda"}


def test_every_reason_is_one_of_the_list():
    time_s, throttle, speed, shown = invented_ride(5, 0.15, minutes=1.0)
    reasons = exclusion_reasons(
        time_s,
        throttle_pct=throttle,
        engine_speed_rpm=speed,
        lambda_aligned=aligned_lambda(time_s, shown, 0.15),
    )
    assert set(reasons.tolist()) <= set(REASONS)
    assert 0.3 < np.mean(reasons == "") < 0.95


def test_speed_logged_in_whole_km_h_is_no_gear_change():
    time_s = clock()
    # At 3 m/s a step of 1 km/h is 9 % of the speed.
    ground = 2.8 + 0.03 * time_s
    speed = ground * 700.0
    logged = np.round(ground * 3.6) / 3.6
    time_s, ride = steady_ride(engine_speed_rpm=speed, roller_speed_m_s=logged)
    assert "gear change or clutch" not in exclusion_reasons(time_s, **ride)


def is_steady(time_s, throttle_pct):
    reasons = exclusion_reasons(
        time_s,
        throttle_pct=throttle_pct,
        engine_speed_rpm=np.full(time_s.size, 4500.0),
        lambda_aligned=np.full(time_s.size, 0.97),
    )
    return reasons == ""


@pytest.mark.parametrize("rate_hz", [10.0, 20.0, 50.0, 100.0])
def test_what_is_steady_does_not_hang_on_the_logging_rate(rate_hz):
    time_s = clock(20.0, rate_hz)
    steady = is_steady(time_s, np.where(time_s < 10.0, 18.0, 25.0))
    # Lost: half a second at the start; a quarter before and three quarters after the step.
    assert np.sum(steady) / rate_hz == pytest.approx(20.0 - 0.5 - 1.0, abs=3.0 / rate_hz)


def test_a_sample_not_seen_is_not_steady():
    time_s = clock()
    throttle = np.full(time_s.size, 18.0)
    throttle[200] = np.nan
    assert not is_steady(time_s, throttle)[200:211].any()


def test_time_of_the_samples_adds_up_to_the_ride_without_its_gaps():
    time_s = np.concatenate([clock(5.0), 60.0 + clock(5.0, 50.0)])
    # By hand: 4.95 s and 4.98 s from first to last sample of either piece.
    assert sample_duration_s(time_s).sum() == pytest.approx(4.95 + 4.98)


def test_a_slow_logger_keeps_its_time():
    assert sample_duration_s(np.arange(0.0, 60.0, 1.0)).sum() == pytest.approx(59.0)


def test_cells_hold_the_median_the_truth_was_made_of():
    # Truth: the invented surface at the samples of each cell, without gauge noise or delay.
    worst, visited = 0.0, 0
    for seed, delay_s in ((6, 0.10), (7, 0.20)):
        time_s, throttle, speed, shown = invented_ride(seed, delay_s)
        found = estimated_delay_s(time_s, throttle, shown).delay_s
        aligned = aligned_lambda(time_s, shown, found)
        reasons = exclusion_reasons(
            time_s, throttle_pct=throttle, engine_speed_rpm=speed, lambda_aligned=aligned
        )
        for cell in steady_cells(time_s, throttle, speed, aligned, reasons):
            if cell.dwell_s < 3.0:
                continue
            inside = (
                (throttle >= cell.load_from)
                & (throttle < cell.load_to)
                & (speed >= cell.speed_from_rpm)
                & (speed < cell.speed_to_rpm)
                & (reasons == "")
            )
            truth = np.median(surface(throttle[inside], speed[inside]))
            worst = max(worst, abs(cell.median / truth - 1.0))
            visited += 1
    assert visited >= 10
    assert worst < 0.01


def test_binning_without_alignment_and_exclusion_is_worse():
    time_s, throttle, speed, shown = invented_ride(7, 0.25)
    raw = steady_cells(time_s, throttle, speed, shown, np.full(time_s.size, ""))
    aligned = aligned_lambda(time_s, shown, 0.28)
    reasons = exclusion_reasons(
        time_s, throttle_pct=throttle, engine_speed_rpm=speed, lambda_aligned=aligned
    )
    clean = steady_cells(time_s, throttle, speed, aligned, reasons)
    spread = {cell[:4]: cell.spread for cell in raw}
    common = [(cell.spread, spread[cell[:4]]) for cell in clean if cell.dwell_s > 3.0]
    assert len(common) >= 5
    assert sum(a for a, _ in common) < sum(b for _, b in common)


def test_cells_count_hits_dwell_and_band_by_hand():
    # Ten samples of 0.1 s; the first and last stand for half. Lambda 0.93, then 0.97 from 0.5 s:
    # in band 4*0.1 + 0.05 = 0.45 s of 0.9 s.
    time_s = np.arange(10) / 10.0
    mixture = np.where(time_s < 0.45, 0.93, 0.97)
    (cell,) = steady_cells(
        time_s,
        np.full(10, 12.0),
        np.full(10, 4200.0),
        mixture,
        np.full(10, ""),
        band=(0.94, 1.00),
    )
    assert cell[:4] == (10.0, 15.0, 4000.0, 5000.0)
    assert cell.hits == 10
    assert cell.dwell_s == pytest.approx(0.9)
    assert cell.in_band_share == pytest.approx(0.5)
    # Half of the time on either side: the middle of the two, 0.02 from both.
    assert cell.median == pytest.approx(0.95)
    assert cell.spread == pytest.approx(1.4826 * 0.02)


def test_both_ends_of_the_band_are_in_it():
    time_s = np.arange(10) / 10.0
    mixture = np.where(time_s < 0.45, 0.94, 1.00)
    (cell,) = steady_cells(
        time_s,
        np.full(10, 12.0),
        np.full(10, 4200.0),
        mixture,
        np.full(10, ""),
        band=(0.94, 1.00),
    )
    assert cell.in_band_share == 1.0


def test_a_logger_that_speeds_up_does_not_move_the_median():
    # Two thirds of the time at 0.95 at 10 Hz, one third at 1.05 at 100 Hz: time decides.
    time_s = np.concatenate([np.arange(0.0, 20.0, 0.1), np.arange(20.0, 30.0, 0.01)])
    mixture = np.where(time_s < 20.0, 0.95, 1.05)
    size = time_s.size
    (cell,) = steady_cells(
        time_s, np.full(size, 12.0), np.full(size, 4200.0), mixture, np.full(size, "")
    )
    assert cell.median == 0.95
    assert np.median(mixture) == 1.05


def test_edges_belong_to_the_cell_above_and_the_last_to_the_last():
    time_s = np.arange(4) / 10.0
    cells = steady_cells(
        time_s,
        np.array([0.0, 5.0, 80.0, 100.0]),
        np.array([0.0, 1000.0, 13_000.0, 14_000.0]),
        np.full(4, 0.97),
        np.full(4, ""),
    )
    assert [(cell.load_from, cell.speed_from_rpm) for cell in cells] == [
        (0.0, 0.0),
        (5.0, 1000.0),
        (80.0, 13_000.0),
    ]


def test_samples_outside_the_edges_or_excluded_are_in_no_cell():
    time_s = np.arange(4) / 10.0
    cells = steady_cells(
        time_s,
        np.array([-1.0, 101.0, np.nan, 20.0]),
        np.full(4, 4000.0),
        np.full(4, 0.97),
        np.array(["", "", "", "settling"]),
    )
    assert cells == []


@given(
    rows=st.lists(
        st.tuples(st.floats(0.0, 100.0), st.floats(0.0, 14_000.0), st.floats(0.7, 1.3)),
        min_size=2,
        max_size=80,
    )
)
@settings(deadline=None)
def test_no_time_is_lost_or_counted_twice_between_cells(rows):
    throttle, speed, mixture = np.array(rows).T
    time_s = np.arange(len(rows)) / 20.0
    cells = steady_cells(time_s, throttle, speed, mixture, np.full(len(rows), ""))
    assert sum(cell.hits for cell in cells) == len(rows)
    assert sum(cell.dwell_s for cell in cells) == pytest.approx(time_s[-1] - time_s[0])
    assert len({cell[:4] for cell in cells}) == len(cells)
    for cell in cells:
        # The last cell of either axis holds its upper edge too.
        top_pct = cell.load_to + (cell.load_to == 100.0)
        top_rpm = cell.speed_to_rpm + (cell.speed_to_rpm == 14_000.0)
        inside = (
            (throttle >= cell.load_from)
            & (throttle < top_pct)
            & (speed >= cell.speed_from_rpm)
            & (speed < top_rpm)
        )
        weight = sample_duration_s(time_s)[inside]
        assert cell.median == pytest.approx(weighted_median(mixture[inside], weight))


@given(st.lists(st.floats(-10.0, 10.0), min_size=1, max_size=40))
def test_equal_weights_give_the_plain_median(values):
    weights = np.full(len(values), 0.1)
    assert weighted_median(values, weights) == pytest.approx(np.median(values))


@given(st.lists(st.tuples(st.floats(-10.0, 10.0), st.integers(1, 9)), min_size=1, max_size=20))
def test_a_whole_weight_is_that_many_copies(rows):
    values, weights = np.array(rows).T
    copies = np.repeat(values, weights.astype(int))
    assert weighted_median(values, weights) == pytest.approx(np.median(copies))


def test_values_without_weight_or_not_seen_have_no_say():
    assert weighted_median([0.9, 5.0, np.nan], [1.0, 0.0, 9.0]) == 0.9
    assert np.isnan(weighted_median([0.9], [0.0]))


def test_error_against_the_band_is_nothing_inside_it():
    # By hand: 1.05/1.00 and 0.893/0.94 - 1 = -5 %.
    assert band_error_pct([0.893, 0.94, 1.00, 1.05]) == pytest.approx([-5.0, 0.0, 0.0, 5.0])


def test_default_cells_are_those_of_the_tables_in_use():
    assert THROTTLE_EDGES_PCT == (0, 2, 5, 10, 15, 20, 30, 40, 60, 80, 100)
    assert tuple(range(0, 14_001, 1000)) == SPEED_EDGES_RPM


@pytest.mark.slow
def test_a_long_ride_takes_well_under_a_second():
    size = 60_000
    rng = np.random.default_rng(8)
    time_s = np.arange(size) / 50.0
    throttle, speed = rng.uniform(0, 100, size), rng.uniform(1500, 12_000, size)
    started = time.perf_counter()
    steady_cells(time_s, throttle, speed, rng.uniform(0.8, 1.1, size), np.full(size, ""))
    assert time.perf_counter() - started < 0.5


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: aligned_lambda([0.0, 0.0], [1.0, 1.0], 0.1), "time_s must ascend"),
        (lambda: aligned_lambda([0.0, 0.1], [1.0], 0.1), "lambda_wide must match time_s"),
        (
            lambda: aligned_lambda([0.0, 0.1], [1.0, 1.0], -0.1),
            "delay_s must be at least 0 s, got -0.1",
        ),
        (
            lambda: exclusion_reasons(
                [0.0], throttle_pct=[1.0], engine_speed_rpm=[1.0], window_s=-1.0
            ),
            "window_s must be at least 0 s, got -1",
        ),
        (
            lambda: steady_cells([0.0], [1.0], [1.0], [1.0], [""], band=(1.0, 0.9)),
            "band must be at most 0.9, got 1",
        ),
        (
            lambda: steady_cells([0.0], [1.0], [1.0], [1.0], [""], speed_edges_rpm=[0.0]),
            "speed_edges_rpm must ascend and hold at least 2",
        ),
        (lambda: steady_cells([0.0], [1.0], [1.0], [1.0], []), "reasons must match time_s"),
        (lambda: weighted_median([1.0], [-1.0]), "weights must be at least 0, got -1"),
        (lambda: weighted_median([1.0], [np.nan]), "weights must be seen"),
    ],
)
def test_impossible_rides_are_refused_in_words(call, message):
    with pytest.raises(ValueError, match=message):
        call()
