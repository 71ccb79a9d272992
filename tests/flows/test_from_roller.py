"""Pulls of an inertia roller: power from its motion, or the reason why there is none."""

import math

import numpy as np
import pytest
from scipy import integrate

from flows.steps.curves import make_curves
from schemas.columns import CHANNELS
from tests.in_words import words

MASS_KG = 158.02469
RPM_PER_M_S = 190.0
ROW = dict.fromkeys(
    ("started_at", "file_standard", "file_factor", "ambient_temp_k", "ambient_pressure_pa",
     "ambient_humidity_pct", "probe_place", "probe_delay_s", "is_delay_assumed",
     "delay_by_rides_s", "reading_notes")
) | {
    "pull_id": "p", "stage_id": "s", "pull_no": 1, "file_name": "p.csv", "file_sha256": "x",
    "layout": "inertia-roller", "power_state": "from roller", "rows_rejected": 0,
    "induction": "natural", "roller_mass_kg": MASS_KG,
}  # fmt: skip


def tyre_power_w(speed_m_s):
    """Return the made-up power at the tyre: 40 kW at its top, at 42 m/s."""
    return 40e3 * (1.0 - ((speed_m_s - 42.0) / 45.0) ** 2)


def pulled(noise_m_s=0.0, clutch=True):
    """Run the roller up from 16 to 50 m/s by scipy's integrator, then let it run down."""
    time_s = np.arange(0.0, 30.0, 0.02)
    steady = time_s[time_s < 1.0]
    run = integrate.solve_ivp(
        lambda _, v: tyre_power_w(v) / (MASS_KG * v),
        (0.0, 20.0),
        [16.0],
        dense_output=True,
        rtol=1e-10,
        events=_at_top,
    )
    lasts = run.t_events[0][0]
    rising = (time_s >= 1.0) & (time_s < 1.0 + lasts)
    speed = np.full(time_s.size, 16.0)
    speed[rising] = run.sol(time_s[rising] - 1.0)[0]
    after = time_s >= 1.0 + lasts
    # Down by a steady 158 N: 1 m/s in a second, 7.9 kW at 50 m/s.
    speed[after] = 50.0 - (time_s[after] - 1.0 - lasts)
    engine = speed * RPM_PER_M_S
    if clutch:
        engine[time_s >= 1.2 + lasts] = 1400.0
    speed = speed + np.random.default_rng(2).normal(0.0, noise_m_s, time_s.size)
    throttle = np.where(rising, 100.0, 0.0)
    assert steady.size == 50
    return time_s, engine, speed, throttle


def _at_top(_, speed):
    return speed[0] - 50.0


_at_top.terminal = True


def samples(time_s, engine_rpm, roller_m_s, throttle_pct):
    given = {
        "time_s": time_s,
        "engine_speed_rpm": engine_rpm,
        "roller_speed_m_s": roller_m_s,
        "throttle_pct": throttle_pct,
    }
    rows = len(time_s)
    return {name: np.asarray(given.get(name, np.full(rows, np.nan)), float) for name in CHANNELS}


def pull_curve(row, channels, settings):
    heads, curves = make_curves([row | {"sample_id": "p"}], {"p": channels}, settings)
    return heads[0], curves.get("p", {})


def steady_pull(kind, rate_hz, has_throttle, shift_s=0.0):
    """Run 250 kg up under 60 kW or under 2,000 N, from a steady start to a coast-down.

    The throttle is a step, the roller runs down by 1.2 m/s in a second from its top, and the clutch
    is pulled 0.2 s after it. All in closed form.
    """
    low, top, mass = 15.8, 47.4, 250.0
    begins = 2.0 + shift_s
    ends = begins + {
        "power": (top**2 - low**2) * mass / 2 / 60e3, "torque": (top - low) * mass / 2000.0
    }[kind]  # fmt: skip
    time_s = np.arange(0.0, ends + 12.0, 1.0 / rate_hz)
    since = np.maximum(time_s - begins, 0.0)
    rising = {
        "power": np.sqrt(low**2 + 2 * 60e3 / mass * since), "torque": low + 2000.0 / mass * since
    }[kind]  # fmt: skip
    roller = np.where(time_s > ends, top - 1.2 * (time_s - ends), rising)
    engine = np.where(time_s > ends + 0.2, 1400.0, roller * RPM_PER_M_S)
    throttle = np.where((time_s >= begins) & (time_s <= ends), 100.0, 8.0)
    return time_s, engine, roller, throttle if has_throttle else np.full(time_s.size, math.nan)


@pytest.mark.parametrize("has_throttle", [True, False])
@pytest.mark.parametrize("rate_hz", [8.0, 20.0, 50.0, 100.0])
@pytest.mark.parametrize("kind", ["power", "torque"])
def test_neither_end_of_the_sweep_smears_the_power(shop, kind, rate_hz, has_throttle):
    for shift_s in (0.0, 0.0113, 0.037):
        given = steady_pull(kind, rate_hz, has_throttle, shift_s)
        head, points = pull_curve(ROW | {"roller_mass_kg": 250.0}, samples(*given), shop.settings)
        assert head["trouble"] is None
        speed = points["engine_speed_rpm"]
        truth = np.full(speed.size, 60e3) if kind == "power" else 2000.0 * speed / RPM_PER_M_S
        assert points["power_w"] == pytest.approx(truth, rel=0.005)
        if rate_hz >= 50:
            # 3,002 to 9,006 rpm, less what is trimmed.
            assert speed[0] <= 3450
            assert speed[-1] >= 8850


@pytest.mark.parametrize("noise_m_s", [0.0, 0.02])
def test_the_power_is_that_which_sped_the_roller_up(shop, noise_m_s):
    head, points = pull_curve(ROW, samples(*pulled(noise_m_s)), shop.settings)
    assert head["trouble"] is None
    speed = points["engine_speed_rpm"]
    inner = (speed > 3600) & (speed < 9200)
    truth = tyre_power_w(speed / RPM_PER_M_S)
    assert points["power_w"][inner] == pytest.approx(truth[inner], rel=0.01)
    assert head["peak_power_w"] == pytest.approx(40e3, rel=0.01)
    assert head["peak_power_lower_w"] <= 40e3 <= head["peak_power_upper_w"]
    assert "power worked out from the roller's speed with 158.0 kg" in words(head["notes"])
    assert head["power_state"] == "from roller"


def test_a_coast_down_is_told_and_not_added(shop):
    with_it, _ = pull_curve(ROW, samples(*pulled()), shop.settings)
    # By hand: the clutch is out 0.2 s after the top, at 49.8 m/s; half a window in, 158.02 N at
    # 49.55 m/s are 7.83 kW at 178 km/h.
    assert "the coast-down after it shows 7.8 kW lost at 178 km/h" in words(with_it["notes"])
    in_gear, _ = pull_curve(ROW, samples(*pulled(clutch=False)), shop.settings)
    assert "coast-down" not in words(in_gear["notes"])
    assert in_gear["peak_power_w"] == with_it["peak_power_w"]


def test_twice_the_mass_is_twice_the_power(shop):
    _, single = pull_curve(ROW, samples(*pulled()), shop.settings)
    _, double = pull_curve(ROW | {"roller_mass_kg": 2 * MASS_KG}, samples(*pulled()), shop.settings)
    assert double["power_w"] == pytest.approx(2 * single["power_w"])


def test_without_the_mass_or_the_speed_there_is_no_power_and_it_says_why(shop):
    head, points = pull_curve(ROW | {"roller_mass_kg": None}, samples(*pulled()), shop.settings)
    assert not head["is_used"]
    assert "its mass is not known" in words(head["trouble"])
    assert points == {}
    time_s, engine, roller, throttle = pulled()
    head, _ = pull_curve(
        ROW, samples(time_s, engine, np.full(roller.size, math.nan), throttle), shop.settings
    )
    assert (
        words(head["trouble"]) == "power is to come from the roller, and its speed was not recorded"
    )


def test_a_clutch_that_slips_is_told_with_the_speed_where_it_starts(shop):
    time_s, engine, roller, throttle = pulled(noise_m_s=0.01)
    sound, _ = pull_curve(ROW, samples(time_s, engine, roller, throttle), shop.settings)
    assert "slip" not in words(sound["notes"])
    assert "could not be checked" not in words(sound["notes"])
    # From 7,000 rpm on the engine runs ahead by up to 8 %.
    climbing = throttle > 50
    ahead = np.clip((engine - 7000.0) / 2500.0, 0.0, 1.0) * 0.08
    engine = np.where(climbing, engine * (1.0 + ahead), engine)
    slipping, _ = pull_curve(ROW, samples(time_s, engine, roller, throttle), shop.settings)
    (note,) = [note for note in map(words, slipping["notes"]) if "slips" in note]
    start = float(note.split("From about ")[1].split(" rpm")[0])
    assert 6500 < start < 7800


@pytest.mark.parametrize(
    ("mass_share", "speed_share", "litre_kw"),
    [
        # By hand, of 40 kW from 690 cc: 58 kW a litre.
        (0.25, 1.0, 14),  # a diameter for the radius
        (1.0, 1.609344, 150),  # miles an hour for kilometres: 2.59 times the power, 150 kW a litre
        (3.0, 1.609344, 451),
        (23.73, 1.0, 1376),  # lb ft^2 for kg m^2
    ],
)
def test_a_power_that_no_engine_of_that_size_gives_is_in_doubt(
    shop, mass_share, speed_share, litre_kw
):
    time_s, engine, roller, throttle = pulled()
    row = ROW | {"displacement_cc": 690.0, "roller_mass_kg": MASS_KG * mass_share}
    head, _ = pull_curve(
        row, samples(time_s, engine, roller * speed_share, throttle), shop.settings
    )
    doubts = [note for note in map(words, head["notes"]) if note.startswith("power in doubt")]
    if 20 <= litre_kw <= 200:
        assert doubts == []
        return
    (doubt,) = doubts
    told = float(doubt.split(" cc are ")[1].split(" kW a litre")[0])
    assert told == pytest.approx(litre_kw, abs=0.01 * litre_kw + 1)
    assert "20 to 200 expected" in doubt
    assert "the roller's inertia and radius" in doubt
    assert head["is_used"]


def test_a_blown_engine_may_give_more_a_litre_and_no_less(shop):
    row = ROW | {"displacement_cc": 690.0, "induction": "forced"}
    heavy, _ = pull_curve(row | {"roller_mass_kg": 6 * MASS_KG}, samples(*pulled()), shop.settings)
    assert "power in doubt" not in words(heavy["notes"])
    light, _ = pull_curve(
        row | {"roller_mass_kg": 0.2 * MASS_KG}, samples(*pulled()), shop.settings
    )
    assert "at least 20 expected" in words(light["notes"])


LAYOUT = """
[layout]
name = "inertia-roller"
kind = "pull"
equipment = "inertia roller"
[recognise]
columns = ["t", "rpm", "roller", "grip"]
[channels.time]
column = "t"
unit = "s"
[channels.engine_speed]
column = "rpm"
unit = "rpm"
[channels.roller_speed]
column = "roller"
unit = "km/h"
[channels.throttle]
column = "grip"
unit = "%"
[power]
state = "from roller"
roller_inertia_kg_m2 = 8.0
roller_radius_m = 0.225
"""


def test_a_file_with_roller_and_engine_speed_only_becomes_a_curve(shop, make):
    (shop.folder.layouts / "inertia.toml").write_text(LAYOUT, encoding="utf-8")
    lines = ["t,rpm,roller,grip"]
    lines += [
        f"{t:.2f},{n:.1f},{3.6 * v:.3f},{grip:.0f}" for t, n, v, grip in zip(*pulled(), strict=True)
    ]
    shop.put("job/pull_1.csv", "\n".join(lines) + "\n")
    shop.put("job/card.toml", make.card())
    shop.work_out("out.pull")
    rows = shop.rows("SELECT is_used, trouble, power_state, peak_power_w, notes FROM out.pull")
    ((is_used, trouble, state, power_w, notes),) = rows
    assert is_used, trouble
    assert state == "from roller"
    assert power_w == pytest.approx(40e3, rel=0.01)
    assert "with 158.0 kg" in notes
