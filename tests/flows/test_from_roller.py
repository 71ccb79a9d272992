"""Pulls of an inertia roller: power from its motion, or the reason why there is none."""

import math

import numpy as np
import polars as pl
import pytest
from scipy import integrate

from flows.steps.curves import pull_curve
from schemas.columns import CHANNELS

MASS_KG = 158.02469
RPM_PER_M_S = 190.0
ROW = dict.fromkeys(
    ("started_at", "file_standard", "file_factor", "ambient_temp_k", "ambient_pressure_pa",
     "ambient_humidity_pct", "probe_place", "probe_delay_s", "reading_notes")
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
    return pl.DataFrame(
        {
            name: pl.Series(name, given.get(name, [None] * rows), dtype=pl.Float64)
            for name in CHANNELS
        }
    )


@pytest.mark.parametrize("noise_m_s", [0.0, 0.02])
def test_the_power_is_that_which_sped_the_roller_up(shop, noise_m_s):
    head, points = pull_curve(ROW, samples(*pulled(noise_m_s)), shop.settings)
    assert head["trouble"] == ""
    speed = points["engine_speed_rpm"]
    inner = (speed > 3600) & (speed < 9200)
    truth = tyre_power_w(speed / RPM_PER_M_S)
    assert points["power_w"][inner] == pytest.approx(truth[inner], rel=0.01)
    assert head["peak_power_w"] == pytest.approx(40e3, rel=0.01)
    assert head["peak_power_lower_w"] <= 40e3 <= head["peak_power_upper_w"]
    assert "power worked out from the roller's speed with 158.0 kg" in head["notes"]
    assert head["power_state"] == "from roller"


def test_a_coast_down_is_told_and_not_added(shop):
    with_it, _ = pull_curve(ROW, samples(*pulled()), shop.settings)
    # By hand: the clutch is out 0.2 s after the top, at 49.8 m/s; half a window in, 158.02 N at
    # 49.55 m/s are 7.83 kW at 178 km/h.
    assert "the coast-down after it shows 7.8 kW lost at 178 km/h" in with_it["notes"]
    in_gear, _ = pull_curve(ROW, samples(*pulled(clutch=False)), shop.settings)
    assert "coast-down" not in in_gear["notes"]
    assert in_gear["peak_power_w"] == with_it["peak_power_w"]


def test_twice_the_mass_is_twice_the_power(shop):
    _, single = pull_curve(ROW, samples(*pulled()), shop.settings)
    _, double = pull_curve(ROW | {"roller_mass_kg": 2 * MASS_KG}, samples(*pulled()), shop.settings)
    assert double["power_w"] == pytest.approx(2 * single["power_w"])


def test_without_the_mass_or_the_speed_there_is_no_power_and_it_says_why(shop):
    head, points = pull_curve(ROW | {"roller_mass_kg": None}, samples(*pulled()), shop.settings)
    assert not head["is_used"]
    assert "its mass is not known" in head["trouble"]
    assert points == {}
    time_s, engine, roller, throttle = pulled()
    head, _ = pull_curve(
        ROW, samples(time_s, engine, np.full(roller.size, math.nan), throttle), shop.settings
    )
    assert head["trouble"] == "power is to come from the roller, and its speed was not recorded"


def test_a_clutch_that_slips_is_told_with_the_speed_where_it_starts(shop):
    time_s, engine, roller, throttle = pulled(noise_m_s=0.01)
    sound, _ = pull_curve(ROW, samples(time_s, engine, roller, throttle), shop.settings)
    assert "slip" not in sound["notes"]
    assert "could not be checked" not in sound["notes"]
    # From 7,000 rpm on the engine runs ahead by up to 8 %.
    climbing = throttle > 50
    ahead = np.clip((engine - 7000.0) / 2500.0, 0.0, 1.0) * 0.08
    engine = np.where(climbing, engine * (1.0 + ahead), engine)
    slipping, _ = pull_curve(ROW, samples(time_s, engine, roller, throttle), shop.settings)
    (note,) = [note for note in slipping["notes"].split("; ") if "slips" in note]
    start = float(note.split("From about ")[1].split(" rpm")[0])
    assert 6500 < start < 7800


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
    shop.work()
    rows = shop.rows("SELECT is_used, trouble, power_state, peak_power_w, notes FROM out.pull")
    ((is_used, trouble, state, power_w, notes),) = rows
    assert is_used, trouble
    assert state == "from roller"
    assert power_w == pytest.approx(40e3, rel=0.01)
    assert "with 158.0 kg" in notes
