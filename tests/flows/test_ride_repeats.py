"""One ride that came more than once counts once, shop-wide, by its content alone."""

import numpy as np
import pytest

SLOW_RIDE = """
[layout]
name = "slow-ride"
kind = "ride"
equipment = "plain logger"
[recognise]
columns = ["stamp", "engine rpm", "opening"]
[channels.time]
column = "stamp"
form = "date and time"
timezone = "America/New_York"
[channels.engine_speed]
column = "engine rpm"
unit = "rpm"
[channels.throttle]
column = "opening"
unit = "%"
"""


def ridden(seed, lasts_s=600):
    """Return time, speed and throttle of a ride with steady stretches and turns between."""
    random = np.random.default_rng(seed)
    time = np.arange(0.0, lasts_s, 0.1)
    knots = np.arange(0.0, lasts_s + 20, 10.0)
    speed = np.interp(time, np.repeat(knots, 2)[1:-1] + np.tile([0.0, 3.0], knots.size)[1:-1],
                      np.repeat(random.uniform(2500, 6500, knots.size - 1), 2))  # fmt: skip
    return time, speed, 6.0 + speed / 500.0


def rich(time, speed, throttle):
    """Return the ride as the layout plain-ride writes it, at 10 Hz with a wideband."""
    lines = ["seconds,crank,km/h,grip,lambda"]
    shake = 0.002 * np.sin(time)
    lines += [
        f"{t:.1f},{s:.0f},{s / 50:.1f},{g:.1f},{0.97 + x:.4f}"
        for t, s, g, x in zip(time, speed, throttle, shake, strict=True)
    ]
    return "\n".join(lines) + "\n"


def slow(time, speed, throttle, cut=15):
    """Return the same in another zone at 2 Hz, without lambda, cut at both ends."""
    lines = ["stamp,engine rpm,opening"]
    for at in range(cut * 10, time.size - cut * 10, 5):
        clock = np.datetime64("2025-03-14T23:55:00.000") + np.timedelta64(
            int(time[at] * 1000), "ms"
        )
        stamp = str(clock).replace("T", " ")
        lines.append(f"{stamp},{speed[at]:.1f},{throttle[at]:.2f}")
    return "\n".join(lines) + "\n"


@pytest.fixture
def two_layouts(shop):
    (shop.folder.layouts / "slow-ride.toml").write_text(SLOW_RIDE, encoding="utf-8")
    return shop


def job(shop, make, number, rides):
    for name, text in rides.items():
        shop.put(f"job {number}/{name}", text)
    stage = make.stage(pulls=[], rides=list(rides))
    shop.put(f"job {number}/card.toml", make.card(f"J-{number}", [stage], bike=f"B-{number}"))


def told(shop):
    return shop.rows(
        "SELECT stage_id, file_name, trouble, steady_s FROM out.ride ORDER BY stage_id, file_name"
    )


def test_a_ride_in_two_layouts_counts_once_and_the_richer_export_stands(two_layouts, make):
    shop = two_layouts
    log = ridden(1)
    # The poorer one comes first, on another card.
    job(shop, make, 1, {"poor.csv": slow(*log)})
    shop.work_out("out.ride")
    job(shop, make, 2, {"rich.csv": rich(*log)})
    shop.work_out("out.ride")
    poor, full = told(shop)
    assert poor[2] == "the same ride as rich.csv of job J-2, exported in another layout"
    assert poor[3] == 0.0
    assert full[2] is None
    assert full[3] > 100.0
    assert shop.rows("SELECT count(*) FROM out.same_ride") == [(1,)]


def test_the_same_ride_twice_on_one_stage_adds_no_time(two_layouts, make):
    shop = two_layouts
    log = ridden(2)
    job(shop, make, 1, {"one.csv": rich(*log)})
    shop.work_out("out.stage_cruise")
    once = shop.rows("SELECT steady_s, cells FROM out.stage_cruise")
    job(shop, make, 1, {"one.csv": rich(*log), "again.csv": rich(*(part[50:] for part in log))})
    shop.work_out("out.quarter_figure", "out.stage_cruise")
    assert shop.rows("SELECT steady_s, cells FROM out.stage_cruise") == once
    assert [bool(trouble) for _, _, trouble, _ in told(shop)] == [True, False]
    rides = "SELECT figure_value FROM out.quarter_figure WHERE figure = 'rides'"
    assert shop.rows(rides) == [(1.0,)]


def test_a_copy_counts_once_the_other_is_gone_and_a_rebuild_says_the_same(two_layouts, make):
    shop = two_layouts
    log = ridden(3)
    job(shop, make, 1, {"one.csv": rich(*log), "again.csv": rich(*(part[50:] for part in log))})
    job(shop, make, 2, {"other.csv": rich(*ridden(4))})
    shop.work_out("out.stage_cruise")
    stood = shop.contents("out")
    shop.forget_warehouse()
    shop.work_out("out.stage_cruise")
    assert shop.contents("out") == stood
    (shop.folder.inbox / "job 1/one.csv").unlink()
    stage = make.stage(pulls=[], rides=["again.csv"])
    shop.put("job 1/card.toml", make.card("J-1", [stage], bike="B-1"))
    shop.work_out("out.stage_cruise")
    assert [trouble for _, _, trouble, _ in told(shop)] == [None, None]
    assert shop.rows("SELECT count(*) FROM out.same_ride") == [(0,)]


def test_a_ride_of_another_day_is_another_ride_however_alike(two_layouts, make):
    # Bug: two rides of two bikes, weeks apart, were taken for one, and one of them was lost.
    shop = two_layouts
    log = ridden(1)
    job(shop, make, 1, {"first.csv": slow(*log)})
    job(shop, make, 2, {"later.csv": slow(*log).replace("2025-03-1", "2025-04-1")})
    shop.work_out("out.ride")
    assert [trouble for _, _, trouble, _ in told(shop) if "the same ride" in (trouble or "")] == []
    assert shop.rows("SELECT count(*) FROM out.same_ride") == [(0,)]
