"""What becomes of a pull whose power and torque part, or whose throttle signal fails."""

import numpy as np
import pytest

from fixtures.broken_files import SoundLog, layout_text, sound_log


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
        shop.work()
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
    assert "wheel_torque_nm is cut off at" in found["notes"]
    assert found["peak_power_w"] == pytest.approx(sound["peak_power_w"], rel=1e-6)


def test_a_power_that_copies_another_column_is_worked_out_from_the_torque(pulled):
    sound = pulled()

    def spoil(channels):
        channels["wheel_power_w"] = 9.5 * channels["engine_speed_rpm"]

    found = pulled(spoil)
    assert found["is_used"], found["trouble"]
    assert "wheel_power_w is a copy of engine_speed_rpm" in found["notes"]
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
    assert "wheel_power_w is cut off at" in found["trouble"]
