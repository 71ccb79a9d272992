"""Channels at rates of their own keep their own times until they are brought together."""

import numpy as np
import polars as pl
import pytest

from flows.steps.samples import read_samples
from schemas.columns import CHANNELS

RIDE = """
[layout]
name = "two-clocks"
kind = "ride"
equipment = "another logger"
[recognise]
columns = ["t", "rpm", "grip", "t2", "lambda"]
[channels.time]
column = "t"
unit = "s"
[channels.engine_speed]
column = "rpm"
unit = "rpm"
[channels.throttle]
column = "grip"
unit = "%"
[channels.lambda_wide]
column = "lambda"
clock = "t2"
probe = "collector"
delay_s = 0.0
"""


def taken_in(shop, make, layout, text):
    (shop.folder.layouts / "two-clocks.toml").write_text(layout, encoding="utf-8")
    shop.put("job/ride.csv", text)
    stage = make.stage(pulls=[], rides=["ride.csv"])
    shop.put("job/card.toml", make.card(stages=[stage]))
    shop.take_in()
    assert shop.outcome("job/ride.csv").state == "taken in", shop.outcome("job/ride.csv").reason
    (row,) = shop.rows("SELECT sample_id, sample_path, rows_kept FROM raw.reading")
    log = dict(zip(("sample_id", "sample_path", "rows_kept"), row, strict=True))
    stored = pl.read_parquet(shop.folder.root / log["sample_path"])
    return stored, read_back(shop, log)


def read_back(shop, log):
    channels = read_samples(shop.folder, [log], CHANNELS)[log["sample_id"]]
    return pl.DataFrame(channels, nan_to_null=True)


def mixture(time):
    return 0.95 + 0.03 * np.sin(2 * np.pi * 0.2 * np.asarray(time))


def test_a_channel_with_a_clock_of_its_own(shop, make):
    lines = ["t,rpm,grip,t2,lambda"]
    for step in range(1000):
        own = 0.013 + 0.1 * step
        mine = f"{own:.3f},{mixture(own):.5f}" if step < 500 else ","
        lines.append(f"{0.05 * step:.2f},{3000 + step % 7},12.0,{mine}")
    stored, aligned = taken_in(shop, make, RIDE, "\n".join(lines) + "\n")
    assert stored.filter(pl.col("clock_no") == 1).height == 500
    assert stored.filter(pl.col("clock_no") == 0)["lambda_wide"].null_count() == 1000
    assert aligned.height == 1000
    time = aligned["time_s"].to_numpy()
    got = aligned["lambda_wide"].to_numpy()
    inside = (time > 0.02) & (time < 49.9)
    # Straight lines over 0.1 s on a 0.2 Hz wave: at most h² max|f''| / 8 off.
    assert np.abs(got[inside] - mixture(time[inside])).max() < 0.01 * 0.03 * 1.58 / 8 + 2e-5


def test_channels_row_by_row_at_their_own_rates(shop, make):
    layout = RIDE.replace('clock = "t2"\n', "").replace('"t2", ', "")
    lines = ["t,rpm,grip,lambda"]
    for step in range(2000):
        time = 0.02 * step
        if step % 2:
            lines.append(f"{time:.2f},,,{mixture(time):.5f}")
        else:
            lines.append(f"{time:.2f},{3000 + step % 7},12.0,")
    _, aligned = taken_in(shop, make, layout, "\n".join(lines) + "\n")
    assert shop.rows("SELECT rows_rejected FROM raw.reading") == [(0,)]
    assert "rates of their own" in shop.rows("SELECT facts FROM raw.reading")[0][0]
    assert aligned.height == 1000
    got, time = aligned["lambda_wide"].to_numpy(), aligned["time_s"].to_numpy()
    assert np.isfinite(got[1:-1]).all()
    assert np.abs(got[1:-1] - mixture(time[1:-1])).max() < 1e-4


def test_a_slow_channel_is_drawn_through_and_a_dead_stretch_is_not(shop, make):
    layout = RIDE.replace('clock = "t2"\n', "").replace('"t2", ', "")
    lines = ["t,rpm,grip,lambda"]
    for step in range(1000):
        time = 0.05 * step
        shown = f"{mixture(time):.5f}" if step % 4 == 0 and not 400 <= step < 600 else ""
        lines.append(f"{time:.2f},{3000 + step % 7},12.0,{shown}")
    _, aligned = taken_in(shop, make, layout, "\n".join(lines) + "\n")
    got = aligned["lambda_wide"].to_numpy()
    assert np.isfinite(got[:396]).all()
    assert np.isnan(got[405:595]).all()


def test_a_pull_without_a_clock_gives_its_curve_and_says_so(shop, make):
    text = (shop.folder.layouts / "plain-pull.toml").read_text(encoding="utf-8")
    start = text.index("[channels.time]")
    end = text.index("[channels.engine_speed]")
    text = text[:start] + text[end:]
    text = text.replace('"plain-pull"', '"no-clock"').replace('"seconds", ', "")
    (shop.folder.layouts / "plain-pull.toml").write_text(text, encoding="utf-8")
    body = make.pull().splitlines()
    bare = [line.split(",", 1)[1] if line.count(",") == 4 else line for line in body]
    shop.put("job/pull_1.csv", "\n".join(bare) + "\n")
    shop.put("job/card.toml", make.card())
    shop.work_out("out.pull", "out.ride")
    assert shop.outcome("job/pull_1.csv").state == "taken in"
    rows = shop.rows("SELECT peak_power_w, sweep_s, notes, is_used FROM out.pull")
    power, sweep_s, notes, is_used = rows[0]
    # The hump of make.pull is 50 kW at 7,500 rpm, observed; the reference air's factor is near 1.
    assert power == pytest.approx(50_000 * 1.03, rel=0.03)
    assert sweep_s is None
    assert is_used
    assert "no clock" in notes


def obd_ride(rows_a_second, seconds=240):
    """Return a ride as every plain OBD log shows it: a clock of whole seconds, steady stretches."""
    lines = ["seconds,crank,km/h,grip,lambda"]
    for row in range(seconds * rows_a_second):
        second, part = divmod(row, rows_a_second)
        leg = second // 60
        shake = 0.002 * ((row * 7) % 5 - 2)
        engine, road, grip = 3000 + 500 * leg, 60 + 10 * leg, 10 + 3 * leg
        lines.append(f"{second},{engine},{road}.0,{grip}.{part},{0.97 + shake:.4f}")
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize("rows_a_second", [1, 2, 3, 20])
def test_a_ride_with_a_clock_of_whole_seconds_is_evidence_of_steady_riding_only(
    shop, make, rows_a_second
):
    shop.put("job/ride.csv", obd_ride(rows_a_second))
    shop.put("job/card.toml", make.card(stages=[make.stage(pulls=[], rides=["ride.csv"])]))
    shop.work_out("out.pull", "out.ride")
    outcome = shop.outcome("job/ride.csv")
    assert outcome.state == "taken in", outcome.reason
    [(kept, rejected, step)] = shop.rows(
        "SELECT rows_kept, rows_rejected, facts ->> '$.clock_step_s' FROM raw.reading "
        "WHERE layout = 'plain-ride'"
    )
    assert (kept, rejected, float(step)) == (240 * rows_a_second, 0, 1.0)
    [(steady_s, notes, origin, moves)] = shop.rows(
        "SELECT steady_s, notes, delay_origin, probe_moves FROM out.ride"
    )
    # Four stretches of 60 s, of which the settling and the ends are left out.
    assert 200 < steady_s < 240
    assert "the clock shows whole seconds" in notes
    assert ("assumed" in notes) == (rows_a_second > 1)
    assert (origin, moves) == ("the layout's", 0)
    assert shop.rows("SELECT count(*) FROM out.transient") == [(0,)]
    medians = shop.rows("SELECT DISTINCT round(lambda_median, 2) FROM out.cruise_cell")
    assert medians == [(0.97,)]


def test_a_pull_with_a_clock_of_whole_seconds_keeps_its_order_and_no_rate(shop, make):
    lines = make.pull().splitlines()
    for at, line in enumerate(lines):
        cells = line.split(",")
        if len(cells) == 5 and cells[0] != "seconds":
            lines[at] = ",".join([str(int(float(cells[0]))), *cells[1:]])
    shop.put("job/pull_1.csv", "\n".join(lines) + "\n")
    shop.put("job/card.toml", make.card())
    shop.work_out("out.pull", "out.ride")
    [(is_used, sweep_s, notes)] = shop.rows("SELECT is_used, sweep_s, notes FROM out.pull")
    assert is_used
    assert sweep_s is None
    assert "the clock shows whole seconds only; the pull is read without its times" in notes


def test_a_clock_that_stands_still_among_whole_seconds_is_refused(shop, make):
    lines = obd_ride(1).splitlines()
    lines = [*lines[:60], *(["58," + line.split(",", 1)[1] for line in lines[60:]])]
    shop.put("job/ride.csv", "\n".join(lines) + "\n")
    shop.put("job/card.toml", make.card(stages=[make.stage(pulls=[], rides=["ride.csv"])]))
    shop.take_in()
    outcome = shop.outcome("job/ride.csv")
    assert (outcome.state, outcome.code) == ("refused", "clock too coarse")


def test_a_very_long_log_is_thinned_to_the_same_means(shop, make, monkeypatch):
    layout = RIDE.replace('clock = "t2"\n', "").replace('"t2", ', "")
    random = np.random.default_rng(8)
    time = np.arange(4000) * 0.01
    speed = 3000 + 400 * np.sin(time) + 5 * random.normal(size=time.size)
    lines = ["t,rpm,grip,lambda"] + [
        f"{t:.2f},{s:.1f},{12 + 0.2 * (i % 3)},{mixture(t):.4f}"
        for i, (t, s) in enumerate(zip(time, speed, strict=True))
    ]
    _, whole = taken_in(shop, make, layout, "\n".join(lines) + "\n")
    monkeypatch.setattr("flows.steps.samples.MANY_ROWS", 100)
    monkeypatch.setattr("flows.steps.samples.THINNED_HZ", 20.0)
    row = shop.rows("SELECT sample_id, sample_path, rows_kept FROM raw.reading")[0]
    log = dict(zip(("sample_id", "sample_path", "rows_kept"), row, strict=True))
    thinned = read_back(shop, log)
    # By hand with the reference library: means over equal steps of time.
    steps = np.floor(np.round(whole["time_s"].to_numpy() * 20.0, 9)).astype(int)
    wanted = (
        whole.with_columns(pl.Series("step", steps))
        .group_by("step")
        .agg(pl.col("engine_speed_rpm", "lambda_wide", "time_s").mean())
        .sort("step")
    )
    assert thinned.height == wanted.height == 800
    for name in ("engine_speed_rpm", "lambda_wide", "time_s"):
        np.testing.assert_allclose(
            np.abs(thinned[name].to_numpy() - wanted[name].to_numpy()).mean(), 0, atol=0.5
        )
    assert thinned["gear"].null_count() == thinned.height
