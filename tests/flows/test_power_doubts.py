"""What becomes of a pull whose power and torque part, or whose throttle signal fails."""

import numpy as np
import pytest

from tests.broken.broken_files import SoundLog, layout_text, sound_log


@pytest.fixture
def pulled(shop, make):
    """Take in one sound pull, spoilt on the way; return its line in out.pull."""
    (shop.folder.layouts / "sound.toml").write_text(layout_text("pull"), encoding="utf-8")

    def run(spoil=None):
        log = sound_log("pull", np.random.default_rng(5))
        if spoil is not None:
            spoil(log.truth)
        shop.put("J-1/pull.dat", SoundLog("pull", log.truth).text())
        shop.put("J-1/card.toml", make.card("J-1", [make.stage("s", ["pull.dat"])]))
        shop.work_out("out.pull")
        names = "is_used, trouble, notes, peak_power_w, sweep_to_rpm"
        [row] = shop.rows(f"SELECT {names} FROM out.pull")  # noqa: S608
        return dict(zip(names.split(", "), row, strict=True))

    return run


def on_sweep(channels):
    return np.flatnonzero(channels["throttle_pct"] > 90)


def test_power_that_fits_torque_only_in_the_middle_makes_no_curve(pulled):
    # The ratio goes from 0.58 to 1.49 over the sweep, its median is 1: the sweep of the sound log
    # is run at an even pace, so its acceleration says nothing of either.
    def spoil(channels):
        rows = on_sweep(channels)
        channels["wheel_power_w"][rows] *= np.linspace(0.58, 1.49, rows.size)

    found = pulled(spoil)
    assert not found["is_used"]
    assert "they part between" in found["trouble"]
    assert "cannot be told: neither is evidence" in found["trouble"]


def test_a_torque_that_is_cut_off_leaves_the_power_standing(pulled):
    sound = pulled()

    def spoil(channels):
        end = np.quantile(channels["wheel_torque_nm"], 0.75)
        channels["wheel_torque_nm"] = np.minimum(channels["wheel_torque_nm"], end)

    found = pulled(spoil)
    assert found["is_used"], found["trouble"]
    assert "wheel torque is cut off at" in found["notes"]
    assert found["peak_power_w"] == pytest.approx(sound["peak_power_w"], rel=1e-6)


def test_a_power_that_copies_another_column_is_worked_out_from_the_torque(pulled):
    sound = pulled()

    def spoil(channels):
        channels["wheel_power_w"] = 9.5 * channels["engine_speed_rpm"]

    found = pulled(spoil)
    assert found["is_used"], found["trouble"]
    assert "wheel power is a copy of engine speed" in found["notes"]
    assert found["peak_power_w"] == pytest.approx(sound["peak_power_w"], rel=0.002)


def test_a_power_cut_off_without_torque_to_hold_it_against_is_told(pulled, shop):
    layout = layout_text("pull")
    start = layout.index("[channels.wheel_torque]")
    text = layout[:start] + layout[layout.index("[channels.lambda_wide]") :]
    (shop.folder.layouts / "sound.toml").write_text(text, encoding="utf-8")

    def spoil(channels):
        end = 0.8 * channels["wheel_power_w"].max()
        channels["wheel_power_w"] = np.minimum(channels["wheel_power_w"], end)

    found = pulled(spoil)
    assert not found["is_used"]
    assert "wheel power is cut off at" in found["trouble"]


def test_a_throttle_signal_that_fails_in_mid_pull_does_not_cut_the_curve(pulled):
    sound = pulled()

    def spoil(channels):
        rows = on_sweep(channels)
        channels["throttle_pct"][rows[len(rows) // 2] :] = 0.0

    found = pulled(spoil)
    assert found["is_used"], found["trouble"]
    assert "drops to shut from" in found["notes"]
    assert found["peak_power_w"] == pytest.approx(sound["peak_power_w"], rel=1e-3)
    assert found["sweep_to_rpm"] == pytest.approx(sound["sweep_to_rpm"], rel=0.03)


def shut_at(share, low=3000.0, high=9000.0):
    """Return a pull in the layout plain-pull whose rider shuts the throttle at a share of the way.

    Power rises to 8,500 rpm, the rollers slow down after it.
    """
    lines = ["pressure hPa: 978", "room degC: 22", "humidity %: 45"]
    lines += ["seconds,crank rpm,wheel kW,lambda,opening %"]
    lines += [f"{0.05 * step:.2f},{low:.0f},4.0,0.970,15" for step in range(20)]
    top = low + share * (high - low)
    rows = int(160 * share)
    for step in range(rows + 60):
        is_open = step < rows
        speed = low + (high - low) * step / 160 if is_open else top - 40.0 * (step - rows)
        power = (
            (125.0 + 0.1 * np.sin(low + step)) * (1 - ((speed - 8500) / 7500) ** 2)
            if is_open
            else 0.5
        )
        opening = 100 if is_open else 0
        lines.append(f"{0.05 * (step + 20):.2f},{speed:.1f},{power:.4f},0.870,{opening}")
    return "\n".join(lines) + "\n"


def pulls_of(shop, make, *shares):
    """Take in a session of pulls that end at these shares of the way to 9,000 rpm."""
    names = [f"pull_{number}.csv" for number, _ in enumerate(shares, start=1)]
    for number, (name, share) in enumerate(zip(names, shares, strict=True)):
        shop.put(f"J-1/{name}", shut_at(share, low=3000.0 + 7 * number))
    shop.put("J-1/card.toml", make.card("J-1", [make.stage("s", names)]))
    shop.work_out("out.gain")
    return shop.rows(
        "SELECT is_used, trouble, missing_speed_share, sweep_end, is_peak_at_end FROM out.pull "
        "ORDER BY pull_no"
    )


def test_a_pull_broken_off_below_its_power_is_told_with_what_is_missing_and_left_out(shop, make):
    full, again, short = pulls_of(shop, make, 1.0, 1.0, 0.6)
    assert full[:3] == again[:3] == (True, None, None)
    assert not short[0]
    # 6,600 of 3,000 to 9,000 rpm; the last hundreds of each are trimmed.
    assert short[1].startswith("broken off at 6,")
    assert short[2] == pytest.approx(0.4, abs=0.02)
    assert "% of the speeds of the other pulls are missing" in short[1]
    assert short[3:] == ("throttle shut", True)
    [(peak, pulls)] = shop.rows("SELECT peak_power_w, pulls_used FROM out.session")
    assert pulls == 2
    # 125 kW at some 3 % of factor.
    assert peak == pytest.approx(128_500, rel=0.02)


def test_what_was_broken_off_counts_again_once_the_full_pulls_are_gone(shop, make):
    pulls_of(shop, make, 1.0, 0.6)
    (shop.folder.inbox / "J-1/pull_1.csv").unlink()
    shop.put("J-1/card.toml", make.card("J-1", [make.stage("s", ["pull_2.csv"])]))
    shop.work_out("out.gain")
    assert shop.rows("SELECT is_used, trouble, missing_speed_share FROM out.pull") == [
        (True, None, None)
    ]


def test_no_peak_is_held_against_one_that_was_not_reached(shop, make):
    for stage, share in (("a", 1.0), ("b", 0.6)):
        for pull in (1, 2):
            shop.put(f"J-1/{stage}_{pull}.csv", shut_at(share, low=3000.0 + 7 * pull))
    stages = [
        make.stage("as it came", ["a_1.csv", "a_2.csv"]),
        make.stage("slip-on", ["b_1.csv", "b_2.csv"], parts=[make.part()]),
    ]
    shop.put("J-1/card.toml", make.card("J-1", stages=stages))
    shop.work_out("out.gain")
    [(reached, notes)] = shop.rows(
        "SELECT is_peak_reached, notes FROM out.session WHERE stage_id = 'J-1/2'"
    )
    assert not reached
    assert "the power still rises where the sweeps end" in notes
    assert shop.rows("SELECT is_peak_reached FROM out.session WHERE stage_id = 'J-1/1'") == [
        (True,)
    ]
    assert shop.rows(
        "SELECT verdict_at_peak, peak_gain_pct, log_peak_gain, mean_gain_pct IS NOT NULL "
        "FROM out.gain"
    ) == [("cannot be told: peak not reached", None, None, True)]


CURVES_LAYOUT = """
[layout]
name = "no-clock"
kind = "pull"
equipment = "plain dyno"
[recognise]
columns = ["turns", "kilowatts"]
[channels.engine_speed]
column = "turns"
unit = "rpm"
[channels.wheel_power]
column = "kilowatts"
unit = "kW"
[power]
state = "observed"
"""


def curves_without_clock(*levels, falls=True):
    """Return curves of power one behind the other, each from 3,000 to 9,000 rpm."""
    lines = ["turns,kilowatts"]
    for level in levels:
        lines += [
            f"{speed},{level * (1 - ((speed - 8000) / 8000) ** 2):.3f}"
            for speed in range(3000, 9001, 50)
        ]
        if falls:
            lines += [f"{speed},0.5" for speed in range(8900, 2999, -300)]
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize("falls", [True, False])
@pytest.mark.parametrize("levels", [(50, 62, 71), (50, 50.2)])
def test_curves_of_several_engines_without_a_clock_are_no_pull(shop, make, levels, falls):
    (shop.folder.layouts / "no-clock.toml").write_text(CURVES_LAYOUT, encoding="utf-8")
    shop.put("J-1/many.txt", curves_without_clock(*levels, falls=falls))
    shop.put("J-1/one.txt", curves_without_clock(55, falls=falls))
    shop.put("J-1/card.toml", make.card("J-1", [make.stage("s", ["many.txt", "one.txt"])]))
    shop.work_out("out.gain")
    many = shop.outcome("J-1/many.txt")
    assert (many.state, many.code) == ("refused", "several sweeps without a clock")
    assert f"{len(levels)} times" in many.reason
    assert "file of its own" in many.remedy
    assert shop.outcome("J-1/one.txt").state == "taken in"
