"""The mixture at both ends of a sweep is no evidence until the probe has settled, and that is said.

The pulls are made here: a throttle that opens at a known moment, a true mixture, and a probe that
is late by transport and a first-order lag.
"""

import numpy as np
import pytest

RATE_HZ, OPENS_S, PACE_RPM_S, FROM_RPM, TO_RPM = 100.0, 1.5, 900.0, 3000.0, 8400.0
TARGET = 0.87


def pull(true=lambda _: TARGET, transport_s=0.1, lag_s=0.08, before=1.05, opens_s=OPENS_S,
         has_throttle=True, pace_rpm_s=PACE_RPM_S, seed=1):  # fmt: skip
    """Return a pull in the layout plain-pull; the sweep begins as the throttle opens, or later."""
    rng = np.random.default_rng(seed)
    sweeps_s = (TO_RPM - FROM_RPM) / pace_rpm_s
    time = np.arange(0.0, OPENS_S + sweeps_s + 1.2, 1.0 / RATE_HZ)
    speed = np.interp(time, [OPENS_S, OPENS_S + sweeps_s, time[-1]], [FROM_RPM, TO_RPM, 6000.0])
    is_open = (time >= opens_s) & (time < OPENS_S + sweeps_s)
    mixture = np.where(is_open, [true(one) for one in speed], before)
    mixture[time >= OPENS_S + sweeps_s] = 1.4
    late = np.interp(time - transport_s, time, mixture)
    shown, keep = np.empty_like(late), np.exp(-1.0 / RATE_HZ / lag_s)
    shown[0] = late[0]
    for at in range(1, late.size):
        shown[at] = keep * shown[at - 1] + (1.0 - keep) * late[at]
    shown *= 1.0 + 0.002 * rng.standard_normal(time.size)
    power = np.where(is_open, 50.0 * (1 - ((speed - 7500) / 7000) ** 2), 2.0)
    grip = np.where(is_open, 100, 15)
    heads = "seconds,crank rpm,wheel kW,lambda" + ",opening %" * has_throttle
    rows = [
        f"{t:.2f},{n:.0f},{p:.3f},{m:.4f}" + f",{g}" * has_throttle
        for t, n, p, m, g in zip(time, speed, power, shown, grip, strict=True)
    ]
    return "\n".join(["begun: 2025-03-14 10:40", heads, *rows]) + "\n"


def judged(shop, make, texts, delay="delay_s = 0.18\n"):
    """Take pulls in by a layout that says this of the delay, and give what is told of them."""
    layout = shop.folder.layouts / "plain-pull.toml"
    text = layout.read_text(encoding="utf-8").replace("delay_s = 0.0\n", delay)
    if "opening %" not in texts[0]:
        text = text.replace('[channels.throttle]\ncolumn = "opening %"\nunit = "%"\n', "")
    layout.write_text(text, encoding="utf-8")
    names = [f"pull_{number}.csv" for number in range(len(texts))]
    for name, one in zip(names, texts, strict=True):
        shop.put(f"job/{name}", one)
    shop.put("job/card.toml", make.card(stages=[make.stage(pulls=names)]))
    shop.work_out("out.session")
    names = (
        "level, worst_lean_error_pct, worst_speed_rpm, judged_from_rpm, judged_to_rpm, settling_s, "
        "level_not_excluded, worst_lower_pct, worst_upper_pct, is_scatter_assumed, reason"
    )
    ((*told,),) = shop.rows(f"SELECT {names} FROM out.stage_mixture")  # noqa: S608
    return dict(zip(names.split(", "), told, strict=True))


def test_a_sound_map_is_not_told_lean_where_the_probe_still_shows_part_throttle(shop, make):
    told = judged(shop, make, [pull(seed=seed) for seed in range(3)])
    assert told["level"] == "none"
    # 20 % richer than before the opening: what were left of it would be told as percents.
    assert told["worst_lean_error_pct"] < 0.3
    # 0.18 s and three lags of 0.1 s; 0.18 s of them are taken out, 0.30 s at 900 rpm/s hidden.
    assert told["settling_s"] == pytest.approx(0.48)
    assert told["judged_from_rpm"] == pytest.approx(FROM_RPM + 0.30 * PACE_RPM_S, abs=60)
    # The delay before the sweep's end, which itself is cut 0.1 s before the throttle shuts.
    assert told["judged_to_rpm"] == pytest.approx(TO_RPM - 0.28 * PACE_RPM_S, abs=60)


def test_a_probe_that_stood_still_is_not_told_as_none(shop, make):
    still = [
        ",".join([*line.split(",")[:3], "0.950", *line.split(",")[4:]]) if "," in line else line
        for line in pull().splitlines()
    ]
    still[1] = pull().splitlines()[1]
    told = judged(shop, make, ["\n".join(still) + "\n"])
    assert told["reason"] == "the wideband reading stood still at 0.95"
    assert told["level"] == "unknown"


def test_the_deepest_lean_window_says_the_same_figures_as_the_stage(shop, make):
    def peaked(rpm):
        return TARGET * (1.0 + 0.14 * np.exp(-(((rpm - 5600.0) / 350.0) ** 2)))

    told = judged(shop, make, [pull(peaked, seed=seed) for seed in range(3)])
    (window,) = shop.rows(
        "SELECT worst_error_pct, worst_speed_rpm, worst_lower_pct, worst_upper_pct "
        "FROM out.lean_window WHERE side = 'lean' ORDER BY worst_error_pct DESC LIMIT 1"
    )
    names = ("worst_lean_error_pct", "worst_speed_rpm", "worst_lower_pct", "worst_upper_pct")
    assert window == tuple(told[name] for name in names)


def test_what_was_set_aside_is_counted_and_kept_in_the_samples(shop, make):
    judged(shop, make, [pull()])
    ((count, from_rpm, first_rpm),) = shop.rows(
        "SELECT unsettled_samples, mixture_from_rpm, min(engine_speed_rpm) "
        "FROM out.pull JOIN out.pull_curve USING (pull_id) GROUP BY ALL"
    )
    # Of 0.30 s at 100 Hz the first 0.1 s is cut off the sweep, as its last is.
    assert count == pytest.approx(20, abs=4)
    assert from_rpm >= first_rpm + 150


def test_a_lean_range_that_lasts_is_told_from_where_it_is_judged(shop, make):
    texts = [pull(lambda n: TARGET * (1.12 if n < 4500 else 1.0), seed=s) for s in range(3)]
    told = judged(shop, make, texts)
    assert told["level"] == "warn"
    ((low, high),) = shop.rows("SELECT from_rpm, to_rpm FROM out.lean_window WHERE level = 'warn'")
    assert low == told["judged_from_rpm"]
    assert high == pytest.approx(4500, abs=150)


def test_a_delay_that_nobody_stated_counts_as_long(shop, make):
    told = judged(shop, make, [pull(transport_s=0.2, seed=seed) for seed in range(3)], delay="")
    assert told["settling_s"] == pytest.approx(0.6)
    assert told["level"] == "none"
    assert told["worst_lean_error_pct"] < 1.0


def test_an_assumed_delay_is_no_stated_one(shop, make):
    assumed = 'delay_s = 0.1\nassumed = ["delay_s"]\n'
    told = judged(shop, make, [pull(transport_s=0.2, seed=s) for s in range(3)], delay=assumed)
    assert told["settling_s"] == pytest.approx(0.6)
    assert told["level"] == "none"


def test_a_throttle_open_long_before_the_sweep_hides_nothing(shop, make):
    told = judged(shop, make, [pull(opens_s=0.6)])
    ((first_rpm,),) = shop.rows("SELECT min(engine_speed_rpm) FROM out.pull_curve")
    assert told["judged_from_rpm"] <= first_rpm + 50


def test_without_a_throttle_the_sweeps_start_counts_as_its_opening(shop, make):
    told = judged(shop, make, [pull(has_throttle=False, seed=seed) for seed in range(3)])
    assert told["level"] == "none"
    assert told["worst_lean_error_pct"] < 0.6


def test_a_sweep_that_is_over_before_the_probe_settles_tells_no_mixture_and_why(shop, make):
    told = judged(shop, make, [pull(pace_rpm_s=4500.0)], delay="delay_s = 0.9\n")
    assert told["level"] == "unknown"
    assert "1.20 s" in told["reason"]
    assert told["worst_lean_error_pct"] is None


def test_one_pull_is_told_with_an_assumed_scatter(shop, make):
    told = judged(shop, make, [pull(lambda _: TARGET * 1.08)])
    assert (told["level"], told["level_not_excluded"]) == ("notice", "warn")
    assert told["is_scatter_assumed"]
    assert told["worst_lower_pct"] < told["worst_lean_error_pct"] < told["worst_upper_pct"]
