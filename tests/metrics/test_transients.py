"""Tip-in and lift-off excursions: known shapes, what is not judged, and the delay before all."""

from collections import Counter

import numpy as np
import pytest
from scipy.signal import lfilter

from flows.metrics.cruise import (
    aligned_lambda,
    exclusion_reasons,
    steady_cells,
)
from flows.metrics.transients import transients


def clock(seconds=20.0, rate_hz=50.0):
    return np.arange(round(seconds * rate_hz)) / rate_hz


def one_move(height, *, opens=True, width_s=0.3, rate_hz=50.0, before=0.95, after=0.95, **changes):
    """Return what a throttle movement at 10 s with a rectangle of excursion gives."""
    time_s = clock(rate_hz=rate_hz)
    ends = [10.0, 30.0] if opens else [30.0, 10.0]
    throttle = np.interp(time_s, [10.0, 10.2], ends)
    mixture = np.where(time_s < 10.1, before, after)
    inside = (time_s >= 10.1 - 1e-9) & (time_s < 10.1 + width_s - 1e-9)
    mixture = np.where(inside, (max if opens else min)(before, after) * (1 + height), mixture)
    given = {"lambda_aligned": mixture, "reasons": np.full(time_s.size, ""), **changes}
    return transients(time_s, throttle, np.full(time_s.size, 4000.0), **given)


@pytest.mark.parametrize(
    ("height", "level"),
    [
        (0.0, "none"),
        (0.049, "none"),
        (0.06, "notice"),
        (0.11, "warn"),
        (0.19, "warn"),
        (0.3, "stop"),
    ],
)
@pytest.mark.parametrize("opens", [True, False])
def test_depth_held_makes_the_level_on_either_side(height, level, opens):
    (found,) = one_move(height if opens else -height, opens=opens)
    assert found.kind == ("tip-in" if opens else "lift-off")
    assert (found.outcome, found.level) == ("", level)
    assert found.depth_pct == pytest.approx(100 * height * (1 if opens else -1))


def test_a_spike_shorter_than_the_hold_makes_no_level_but_is_shown():
    (found,) = one_move(0.3, width_s=0.06)
    assert found.level == "none"
    assert found.depth_pct == pytest.approx(30.0)
    assert found.duration_s < 0.1


@pytest.mark.parametrize("rate_hz", [20.0, 50.0, 100.0])
def test_duration_does_not_hang_on_the_logging_rate(rate_hz):
    # A triangle of 20 % with a foot of 0.8 s passes 5 % for 0.6 s.
    time_s = clock(rate_hz=rate_hz)
    lean = 0.95 * (1 + 0.2 * np.maximum(0.0, 1 - np.abs(time_s - 10.5) / 0.4))
    (found,) = one_move(0.0, rate_hz=rate_hz, lambda_aligned=lean)
    assert found.duration_s == pytest.approx(0.6, abs=0.005)
    assert found.level == "warn"


def test_a_rich_tip_in_and_a_lean_lift_off_are_not_what_is_sought():
    assert one_move(-0.2, opens=True)[0].level == "none"
    assert one_move(0.2, opens=False)[0].level == "none"


def test_going_to_a_leaner_place_of_the_map_is_no_excursion():
    assert one_move(0.0, before=0.88, after=1.0)[0].depth_pct == 0.0
    assert one_move(0.0, opens=False, before=1.0, after=0.88)[0].depth_pct == 0.0
    # 0.06 above the leaner of the two.
    assert one_move(0.06, before=0.88, after=1.0)[0].depth_pct == pytest.approx(6.0)


def test_where_and_how_fast_the_throttle_moved():
    (found,) = one_move(0.0)
    assert (found.start_s, found.end_s) == pytest.approx((10.0, 10.2), abs=0.07)
    assert (found.throttle_from_pct, found.throttle_to_pct) == pytest.approx((10, 30), abs=1.0)
    assert found.engine_speed_rpm == 4000.0


def test_slow_or_small_movements_are_not_transients():
    time_s = clock()
    whole = np.ones(time_s.size)
    for throttle in (
        np.interp(time_s, [8.0, 12.0], [10.0, 50.0]),
        np.interp(time_s, [10.0, 10.1], [10.0, 13.0]),
    ):
        assert transients(time_s, throttle, 4000 * whole, 0.95 * whole, np.full(1000, "")) == []


@pytest.mark.parametrize("reason", ["cold engine", "fuel cut", "gear change or clutch"])
def test_what_is_excluded_is_told_and_not_judged(reason):
    reasons = np.where(np.abs(clock() - 10.5) < 0.1, reason, "")
    found = one_move(0.3, reasons=reasons)
    assert (found[0].outcome, found[0].level) == (reason, "none")
    assert np.isnan(found[0].depth_pct)


def test_a_lift_off_into_a_fuel_cut_is_no_rich_excursion():
    time_s = clock()
    mixture = np.where((time_s > 10.5) & (time_s < 13.0), 1.6, 0.95)
    assert one_move(0.0, opens=False, lambda_aligned=mixture)[0].outcome == "fuel cut"
    # A tip-in as lean as that is an excursion, and the worst.
    mixture = np.where((time_s > 10.1) & (time_s < 10.6), 1.6, 0.95)
    assert one_move(0.0, lambda_aligned=mixture)[0].level == "stop"


def test_a_dead_or_doubtful_gauge_is_not_judged():
    assert one_move(0.0, lambda_aligned=np.zeros(1000))[0].outcome == "no lambda"
    doubt = np.full(1000, "lambda in doubt")
    assert one_move(0.3, reasons=doubt)[0].outcome == "no lambda"


def test_a_blip_of_the_throttle_cannot_be_told_apart():
    time_s = clock()
    throttle = np.interp(time_s, [10.0, 10.2, 10.4, 10.6], [10.0, 30.0, 30.0, 10.0])
    whole = np.ones(1000)
    found = transients(time_s, throttle, 4000 * whole, 0.95 * whole, np.full(1000, ""))
    assert [each.outcome for each in found] == ["too short", ""]


def test_a_movement_at_the_end_of_the_log_is_not_judged():
    time_s = clock(10.3)
    whole = np.ones(time_s.size)
    throttle = np.interp(time_s, [10.0, 10.2], [10.0, 30.0])
    found = transients(time_s, throttle, 4000 * whole, 0.95 * whole, np.full(time_s.size, ""))
    assert [each.outcome for each in found] == ["too short"]


def jerky_ride(delay_s, tip_in):
    """Return a ride of 24 tip-ins and lift-offs, every second one with an excursion, 50 Hz."""
    time_s = clock(24 * 8.0)
    phase = time_s % 8.0
    throttle = np.interp(phase, [2.0, 2.2, 6.0, 6.2], [10.0, 25.0, 25.0, 10.0])
    odd = (time_s // 8.0) % 2 == 1
    bump = tip_in * odd * ((phase > 2.1) & (phase < 2.5))
    # Both openings have the same steady mixture.
    true = 0.95 * (1.0 + bump)
    late = np.interp(time_s - delay_s, time_s, true)
    keep = np.exp(-0.02 / 0.06)
    shown = lfilter([1 - keep], [1, -keep], late, zi=[keep * late[0]])[0]
    noise = 1.0 + 0.005 * np.random.default_rng(1).standard_normal(time_s.size)
    return time_s, throttle, np.full(time_s.size, 4200.0), shown * noise


def test_alignment_comes_before_the_count(monkeypatch):
    # Looked for close to the movement, so that other movements do not get in the way.
    monkeypatch.setattr("flows.metrics.transients.WATCH_S", 0.35)
    time_s, throttle, speed, shown = jerky_ride(0.3, 0.14)
    warned = {}
    for delay_s in (0.0, 0.36):
        aligned = aligned_lambda(time_s, shown, delay_s)
        reasons = exclusion_reasons(
            time_s, throttle_pct=throttle, engine_speed_rpm=speed, lambda_aligned=aligned
        )
        found = transients(time_s, throttle, speed, aligned, reasons)
        levels = Counter((one.kind, one.level) for one in found if not one.outcome)
        warned[delay_s] = levels["tip-in", "warn"]
        assert {level for kind, level in levels if kind == "lift-off"} == {"none"}
    assert levels["tip-in", "none"] == 12
    assert warned == {0.0: 0, 0.36: 12}


def test_excursions_do_not_touch_the_steady_cells():
    cells = []
    for tip_in in (0.0, 0.25):
        time_s, throttle, speed, shown = jerky_ride(0.3, tip_in)
        aligned = aligned_lambda(time_s, shown, 0.36)
        reasons = exclusion_reasons(
            time_s, throttle_pct=throttle, engine_speed_rpm=speed, lambda_aligned=aligned
        )
        cells.append(steady_cells(time_s, throttle, speed, aligned, reasons))
    assert len(cells[0]) == len(cells[1]) > 0
    for calm, jerky in zip(*cells, strict=True):
        assert jerky.median == pytest.approx(0.95, rel=0.002)
        assert jerky.hits == calm.hits


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: transients([0.0, 0.0], [1] * 2, [1] * 2, [1] * 2, [""] * 2), "time_s must ascend"),
        (
            lambda: transients([0.0, 1.0], [1], [1] * 2, [1] * 2, [""] * 2),
            "throttle_pct must match",
        ),
        (lambda: transients([0.0, 1.0], [1] * 2, [1] * 2, [1] * 2, [""]), "reasons must match"),
    ],
)
def test_impossible_calls_are_refused_in_words(call, message):
    with pytest.raises(ValueError, match=message):
        call()
