"""How well a cell is known, and what the ECU does by itself: reference sums and known truths."""

import numpy as np
import pytest
from scipy import signal, stats
from statsmodels.tsa.stattools import acf

from flows.metrics.cruise import (
    PRESSURE_EDGES_PA,
    closed_loop_mask,
    doubtful_lambda,
    exclusion_reasons,
    near_closed_loop_mask,
    steady_cells,
    trim_fuel_pct,
)


def clock(seconds, rate_hz=20.0):
    return np.arange(round(seconds * rate_hz)) / rate_hz


def doubts(time_s, shown, throttle, **choices):
    return doubtful_lambda(time_s, shown, throttle, np.full(time_s.size, 4000.0), **choices)


def remembering_noise(rng, size, keep):
    """Return a first-order process of standard deviation 1 with correlation `keep` a sample."""
    fresh = rng.standard_normal(size)
    start = [keep * rng.standard_normal()]
    return signal.lfilter([np.sqrt(1.0 - keep**2)], [1.0, -keep], fresh, zi=start)[0]


def one_cell(value, rate_hz=20.0, **choices):
    time_s = np.arange(value.size) / rate_hz
    whole = np.ones(value.size)
    (cell,) = steady_cells(
        time_s, 12.0 * whole, 4200.0 * whole, value, np.full(value.size, ""), **choices
    )
    return cell


def test_the_standard_error_is_that_of_theory_for_a_remembering_gauge():
    # Signs of a first-order normal process with correlation p correlate by 2/pi*arcsin(p^k)
    # (arcsine law), and a normal median errs sqrt(pi/2) times as much as a mean.
    rng = np.random.default_rng(1)
    keep, size = 0.8, 60_000
    cell = one_cell(0.97 + 0.01 * remembering_noise(rng, size, keep), longest_memory_s=2.0)
    lags = np.arange(1, 200)
    memory = 1.0 + 2.0 * np.sum(2.0 / np.pi * np.arcsin(keep**lags))
    assert cell.effective_samples == pytest.approx(size / memory, rel=0.08)
    assert cell.standard_error == pytest.approx(
        0.01 * np.sqrt(np.pi / 2.0 * memory / size), rel=0.05
    )


def test_the_memory_is_the_autocorrelation_of_the_signs():
    # statsmodels' acf, without its mean, unbiased for short lags, summed to its first zero.
    rng = np.random.default_rng(2)
    value = 0.97 + 0.01 * remembering_noise(rng, 4001, 0.7)
    found = acf(np.sign(value - np.median(value)), nlags=100, adjusted=True)[1:]
    positive = found[: int(np.argmax(found <= 0.0))]
    lags = np.arange(1, positive.size + 1)
    weight = np.full(value.size, 1.0)
    weight[[0, -1]] = 0.5
    pairs = sum(
        memory * np.sum(weight[lag:] * weight[:-lag])
        for lag, memory in zip(lags, positive, strict=True)
    )
    expected = weight.sum() ** 2 / (np.sum(weight**2) + 2.0 * pairs)
    assert one_cell(value).effective_samples == pytest.approx(expected, rel=0.01)


def test_independent_readings_count_one_each():
    cell = one_cell(np.random.default_rng(3).normal(0.97, 0.01, 20_000))
    assert cell.effective_samples == pytest.approx(20_000, rel=0.05)
    assert cell.standard_error == pytest.approx(0.01 * np.sqrt(np.pi / 2 / 20_000), rel=0.05)


@pytest.fixture(scope="module")
def covered():
    """Whether intervals of 5 to 30 s of dwell, by memory of the gauge, hold the truth."""
    rng = np.random.default_rng(4)
    hold = {}
    for memory_s in (0.05, 0.2, 0.5):
        rows = []
        for _ in range(60):
            # Twelve cells, visited in stretches of 2 to 6 s, with a level of their own.
            stretches, loads, values, reasons = 60, [], [], []
            level = rng.uniform(0.9, 1.05, 12)
            for _ in range(stretches):
                cell = int(rng.integers(12))
                size = int(rng.uniform(2.0, 6.0) * 20)
                noise = remembering_noise(rng, size, np.exp(-0.05 / memory_s))
                loads.append(np.full(size + 10, 10.5 + cell))
                values.append(np.concatenate([level[cell] + 0.01 * noise, np.ones(10)]))
                reasons += [""] * size + ["throttle moving"] * 10
            load = np.concatenate(loads)
            for cell in steady_cells(
                np.arange(load.size) / 20.0,
                load,
                np.full(load.size, 4500.0),
                np.concatenate(values),
                np.array(reasons, dtype=object),
                load_edges=np.arange(10.0, 23.0),
            ):
                if cell.dwell_s >= 5.0:
                    miss = abs(cell.median - level[int(cell.load_from) - 10])
                    plain = 1.96 * cell.spread * np.sqrt(np.pi / 2.0 / cell.hits)
                    rows.append((miss < cell.half_width, miss < plain))
        hold[memory_s] = np.mean(rows, axis=0)
    return hold


@pytest.mark.parametrize("memory_s", [0.05, 0.2, 0.5])
def test_intervals_of_a_cell_hold_the_truth_as_often_as_they_say(covered, memory_s):
    aware, _ = covered[memory_s]
    assert 0.93 <= aware <= 0.98


def test_counting_every_sample_would_say_far_too_much(covered):
    assert covered[0.5][1] < 0.6


def test_readings_apart_do_not_remember_one_another():
    # A hundred stretches of 1 s at a level each: as many pieces of evidence, not 2000.
    rng = np.random.default_rng(5)
    level = np.repeat(rng.normal(0.97, 0.01, 100), 20)
    reasons = np.tile(np.array([""] * 20 + ["settling"] * 5, dtype=object), 100)
    value = np.full(reasons.size, 1.5)
    value[reasons == ""] = level
    whole = np.ones(value.size)
    (cell,) = steady_cells(clock(125.0), 12.0 * whole, 4200.0 * whole, value, reasons)
    assert cell.effective_samples == pytest.approx(100.0, rel=0.1)


def test_an_excluded_stretch_ends_the_memory_even_if_short():
    # Levels of 1 s, seen in quarters of 5 samples with 3 excluded between: 400 stretches.
    rng = np.random.default_rng(12)
    reasons = np.tile(np.array([""] * 5 + ["settling"] * 3, dtype=object), 400)
    value = np.full(reasons.size, 1.5)
    value[reasons == ""] = np.repeat(rng.normal(0.97, 0.01, 100), 20)
    whole = np.ones(value.size)
    (cell,) = steady_cells(clock(160.0), 12.0 * whole, 4200.0 * whole, value, reasons)
    assert cell.effective_samples == pytest.approx(400.0, rel=0.1)


def test_a_coarse_logger_has_a_least_error():
    cell = one_cell(np.full(400, 0.97), resolution=0.01)
    # A step of 0.01 spreads evenly: 0.01/sqrt(12).
    assert cell.standard_error == pytest.approx(0.01 / np.sqrt(12.0))
    assert one_cell(np.full(400, 0.97)).standard_error == 0.0


def test_the_half_width_is_students():
    cell = one_cell(0.97 + 0.01 * remembering_noise(np.random.default_rng(6), 200, 0.8))
    student = stats.t.ppf(0.975, cell.effective_samples - 1.0)
    assert cell.half_width == pytest.approx(student * cell.standard_error)


def test_a_cell_knows_its_mean_place_by_time():
    # Three samples of 0.1 s at 11 % and 4,100 rpm, one of 0.2 s and a last of 0.1 s at 13 %, 4,300.
    time_s = np.array([0.0, 0.1, 0.2, 0.3, 0.5])
    throttle = np.array([11.0, 11.0, 11.0, 13.0, 13.0])
    (cell,) = steady_cells(time_s, throttle, 3000.0 + 100.0 * throttle, np.ones(5), [""] * 5)
    # Weights 0.05, 0.1, 0.1, 0.15, 0.1.
    mean = (0.25 * 11.0 + 0.25 * 13.0) / 0.5
    assert cell.load_mean == pytest.approx(mean)
    assert cell.speed_mean_rpm == pytest.approx(3000.0 + 100.0 * mean)


def test_the_band_may_move_from_sample_to_sample():
    time_s = clock(2.0)
    ten = np.ones(time_s.size)
    high = np.where(time_s < 1.0, 1.00, 0.90)
    (cell,) = steady_cells(
        time_s, 12.0 * ten, 4200.0 * ten, 0.95 * ten, [""] * time_s.size, band=(0.85 * ten, high)
    )
    assert cell.in_band_share == pytest.approx(0.5, abs=0.03)
    with pytest.raises(ValueError, match="band must be at most"):
        steady_cells(time_s, ten, ten, ten, [""] * time_s.size, band=(0.95, high))


def test_pressure_makes_cells_of_its_own():
    whole = np.ones(40)
    cells = steady_cells(
        clock(2.0),
        np.where(np.arange(40) < 20, 35e3, 65e3),
        4200.0 * whole,
        np.where(np.arange(40) < 20, 0.95, 0.90),
        np.full(40, ""),
        load_edges=PRESSURE_EDGES_PA,
    )
    assert [(cell.load_from, cell.load_to, cell.median) for cell in cells] == [
        (30e3, 40e3, 0.95),
        (60e3, 70e3, 0.90),
    ]
    assert np.isnan(cells[0].in_band_share)


def test_pressure_that_moves_is_not_steady():
    time_s = clock(20.0)
    whole = np.ones(400)
    reasons = exclusion_reasons(
        time_s,
        throttle_pct=18.0 * whole,
        engine_speed_rpm=4500.0 * whole,
        lambda_aligned=0.97 * whole,
        map_pressure_pa=np.where(time_s < 10.0, 40e3, 48e3),
    )
    assert reasons[200] == "pressure moving"
    assert reasons[212] == "settling"
    assert reasons[100] == reasons[230] == ""


@pytest.mark.parametrize("hertz", [0.6, 1.0, 2.0, 2.9])
@pytest.mark.parametrize("rate_hz", [10.0, 20.0, 50.0])
def test_a_switching_sensor_is_closed_loop(hertz, rate_hz):
    time_s = clock(60.0, rate_hz)
    rng = np.random.default_rng(8)
    phase = hertz * time_s + 0.03 * np.cumsum(rng.standard_normal(time_s.size)) / np.sqrt(rate_hz)
    swing = np.clip(0.5 + 0.9 * np.sin(2.0 * np.pi * phase), 0.1, 0.9)
    volts = np.where((time_s > 20.0) & (time_s < 40.0), swing, 0.85)
    closed = closed_loop_mask(time_s, o2_narrow_v=volts + 0.01 * rng.standard_normal(time_s.size))
    inside = (time_s > 22.0) & (time_s < 38.0)
    outside = (time_s < 19.0) | (time_s > 41.0)
    assert closed[inside].mean() > 0.9
    assert not closed[outside].any()


@pytest.mark.parametrize("hertz", [0.2, 5.0])
def test_switching_too_slow_or_too_fast_is_not(hertz):
    time_s = clock(60.0, 50.0)
    volts = 0.5 + 0.4 * np.sin(2.0 * np.pi * hertz * time_s)
    assert not closed_loop_mask(time_s, o2_narrow_v=volts).any()


def test_crossings_about_the_middle_are_not_switching():
    time_s = clock(60.0)
    volts = 0.45 + 0.1 * np.sin(2.0 * np.pi * time_s)
    assert not closed_loop_mask(time_s, o2_narrow_v=volts).any()


def test_two_cycles_by_chance_are_not_enough():
    time_s = clock(20.0)
    volts = np.where((time_s > 5.0) & (time_s < 7.9), 0.5 - 0.4 * np.cos(2 * np.pi * time_s), 0.1)
    assert not closed_loop_mask(time_s, o2_narrow_v=volts).any()
    volts = np.where((time_s > 5.0) & (time_s < 8.9), 0.5 - 0.4 * np.cos(2 * np.pi * time_s), 0.1)
    assert closed_loop_mask(time_s, o2_narrow_v=volts).any()


def test_the_trim_decides_where_it_was_logged():
    time_s = clock(60.0)
    volts = 0.5 + 0.4 * np.sin(2.0 * np.pi * time_s)
    trim = np.where(time_s < 30.0, 2.0 * np.sin(2.0 * np.pi * time_s), 0.0)
    for sensor in (volts, None):
        closed = closed_loop_mask(time_s, o2_narrow_v=sensor, fuel_trim_short_pct=trim)
        assert closed[(time_s > 1.5) & (time_s < 28.5)].all()
        assert not closed[time_s > 33.0].any()
    half = np.where(time_s < 30.0, trim, np.nan)
    assert closed_loop_mask(time_s, o2_narrow_v=volts, fuel_trim_short_pct=half)[1000]


def test_a_sensor_that_stops_switching_ends_closed_loop_before_the_trims_window_does():
    time_s = clock(60.0)
    trim = np.where(time_s < 30.0, 2.0 * np.sin(2.0 * np.pi * time_s), 0.0)
    volts = np.where(time_s < 30.0, 0.5 + 0.4 * np.sin(2.0 * np.pi * time_s), 0.1)
    alone = closed_loop_mask(time_s, fuel_trim_short_pct=trim)
    both = closed_loop_mask(time_s, o2_narrow_v=volts, fuel_trim_short_pct=trim)
    assert alone[(time_s > 30.5) & (time_s < 31.5)].all()
    assert not both[time_s > 30.1].any()


def test_what_is_near_closed_loop_reaches_beyond_either_end_by_a_slow_cycle():
    time_s = clock(60.0)
    inside = (time_s >= 20.0) & (time_s < 40.0)
    volts = np.where(inside, 0.5 + 0.4 * np.sin(2.0 * np.pi * time_s), 0.1)
    near = near_closed_loop_mask(time_s, o2_narrow_v=volts)
    # The controller works before the first turn that tells of it, and after the last.
    assert near[inside].all()
    assert not near[(time_s < 17.5) | (time_s > 42.5)].any()
    assert not near_closed_loop_mask(time_s).any()
    reasons = exclusion_reasons(
        time_s,
        throttle_pct=np.full(time_s.size, 12.0),
        engine_speed_rpm=np.full(time_s.size, 4000.0),
        lambda_aligned=np.ones(time_s.size),
        between_loops=near & ~closed_loop_mask(time_s, o2_narrow_v=volts),
    )
    assert set(reasons[near & ~closed_loop_mask(time_s, o2_narrow_v=volts)]) == {
        "between open and closed loop"
    }
    with pytest.raises(ValueError, match="between_loops must match time_s in length"):
        exclusion_reasons(
            time_s,
            throttle_pct=np.full(time_s.size, 12.0),
            engine_speed_rpm=np.full(time_s.size, 4000.0),
            between_loops=[True],
        )


def test_trims_multiply():
    # By hand: 1.10*1.05 = 1.155. Bytes 85 (hex) are +3.90625 % as on-board diagnosis has it.
    assert trim_fuel_pct(10.0, 5.0) == pytest.approx(15.5)
    assert trim_fuel_pct((0x85 - 128) * 100 / 128) == pytest.approx(3.90625)


def test_base_map_error_of_cells_is_found_with_lambda_at_one():
    # The map errs by +6 % at 15 % throttle and by -4 % at 25 %; the ECU hides both.
    time_s = clock(120.0)
    rng = np.random.default_rng(9)
    throttle = np.where(time_s % 40.0 < 20.0, 17.0, 25.0)
    error = np.where(throttle < 20.0, 6.0, -4.0)
    short = 1.5 * np.sign(np.sin(2.0 * np.pi * time_s)) + 0.2 * rng.standard_normal(time_s.size)
    closed = closed_loop_mask(time_s, fuel_trim_short_pct=short)
    fuel = np.where(closed, trim_fuel_pct(short, error), np.nan)
    reasons = np.where(time_s % 20.0 < 2.0, "settling", "")
    cells = steady_cells(time_s, throttle, np.full(time_s.size, 4500.0), fuel, reasons)
    assert [cell.median for cell in cells] == pytest.approx([6.0, -4.0], abs=2.0)


def test_a_narrowband_voltage_is_no_lambda_even_where_it_could_be_one():
    time_s = clock(60.0)
    volts = 0.5 + 0.39 * np.sign(np.sin(2.0 * np.pi * 0.2 * time_s))
    assert doubts(time_s, volts, np.full(time_s.size, 15.0)).all()


def test_a_gauge_that_stands_while_the_throttle_moves_is_dead():
    time_s = clock(60.0)
    rng = np.random.default_rng(10)
    throttle = 15.0 + 8.0 * np.sin(time_s)
    shown = 0.97 + 0.005 * rng.standard_normal(time_s.size)
    dead = (time_s >= 20.0) & (time_s < 30.0)
    doubt = doubts(time_s, np.where(dead, 0.95, shown), throttle)
    assert (doubt == dead).all()
    held = np.full(time_s.size, 15.0)
    assert not doubts(time_s, np.where(dead, 0.95, shown), held).any()


def test_a_single_dropout_does_not_spoil_its_neighbours():
    time_s = clock(60.0)
    shown = np.full(time_s.size, 0.97) + 0.001 * np.sin(time_s * 50)
    shown[600] = 0.0
    assert not doubts(time_s, shown, np.full(time_s.size, 15.0)).any()
    # A cut on a closed throttle reads free air, and is no fault.
    cut = (time_s > 20.0) & (time_s < 25.0)
    throttle = np.where(cut, 0.0, 15.0)
    assert not doubts(time_s, np.where(cut, 2.0, shown), throttle).any()
    assert doubts(time_s, np.where(cut, 2.0, shown), np.full(1200, 15.0))[450]


def test_closed_loop_tells_a_wrong_gauge_scale():
    time_s = clock(60.0)
    loop = time_s < 20.0
    throttle = np.full(time_s.size, 15.0)
    rng = np.random.default_rng(11)
    shown = np.where(loop, 1.0, 0.93) + 0.005 * rng.standard_normal(time_s.size)
    assert not doubts(time_s, shown, throttle, closed_loop=loop).any()
    # 14.7 for 14.1, as where the gauge was set to the fuel: 4 % off everywhere.
    wrong = shown * 14.7 / 14.1
    assert doubts(time_s, wrong, throttle, closed_loop=loop).all()
    assert not doubts(time_s, wrong, throttle).any()
    # In a tailpipe, 15 % of 4000 rpm is low flow, whose leanness is no scale.
    assert not doubts(time_s, wrong, throttle, closed_loop=loop, probe="tailpipe").any()
    few = time_s < 5.0
    assert not doubts(time_s, wrong, throttle, closed_loop=few).any()


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: steady_cells([0.0], [1.0], [1.0], [1.0], [""], load_edges=[0.0]),
            "load_edges must ascend and hold at least 2",
        ),
        (lambda: steady_cells([0.0], [1.0, 2.0], [1.0], [1.0], [""]), "load must match time_s"),
        (
            lambda: steady_cells([0.0], [1.0], [1.0], [1.0], [""], band=(1.0, 0.9)),
            "band must be at most 0.9",
        ),
        (
            lambda: steady_cells([0.0], [1.0], [1.0], [1.0], [""], resolution=-0.1),
            "resolution must be at least 0",
        ),
        (lambda: closed_loop_mask([0.0, 1.0], o2_narrow_v=[0.1]), "o2_narrow_v must match"),
        (lambda: trim_fuel_pct(-100.0), "fuel_trim_short_pct must be above -100 %"),
        (
            lambda: doubtful_lambda([0.0, 0.1, 0.2], *[[1.0] * 3] * 3, closed_loop=[True]),
            "closed_loop must match",
        ),
        (
            lambda: exclusion_reasons(
                [0.0], throttle_pct=[1.0], engine_speed_rpm=[1.0], doubtful=[True, False]
            ),
            "doubtful must match",
        ),
    ],
)
def test_impossible_calls_are_refused_in_words(call, message):
    with pytest.raises(ValueError, match=message):
        call()
