"""A ride is known by where its engine speed turns: in any export, and never for another ride."""

import numpy as np
import pytest
from scipy import signal

from flows.metrics.ride_turns import Turns, _tops, same_rides, turns


def road(seed=1, lasts_s=1500.0, rate_hz=20.0):
    """Return a ride on one road: the road's bends and hills, and this day's traffic and gears.

    Written from what riding is, not from the repository's simulator: the same bends slow every
    ride down, but the rider's own throttle and stops are of the day.
    """
    time = np.arange(0.0, lasts_s, 1.0 / rate_hz)
    bends = np.random.default_rng(99)
    day = np.random.default_rng(seed)
    pace = 1.0 + 0.05 * day.normal()
    place = np.cumsum(np.clip(pace + 0.1 * _slow(day, time, 40.0), 0.3, 2.0)) / rate_hz
    speed = 4200 + 900 * _slow(bends, place, 25.0) + 650 * _slow(day, time, 12.0)
    return time, np.clip(speed + 8 * day.normal(size=time.size), 1100, 11_000)


def _slow(random, at, period):
    knots = np.arange(0.0, at[-1] + 2 * period, period)
    return np.interp(at, knots, random.normal(size=knots.size))


def test_one_ride_is_known_in_any_export():
    time, speed = road()
    whole = turns(time, speed)
    exports = {
        "at 10 Hz": (time[::2], speed[::2]),
        "at 1 Hz, whole seconds": (np.floor(time[::20]), np.round(speed[::20])),
        "an hour later": (time + 3600.0, speed),
        "cut at both ends": (time[1200:-1600], speed[1200:-1600]),
        "rounded to 50 rpm": (time, np.round(speed / 50) * 50),
        "rows lost": (np.delete(time, slice(9000, 9300)), np.delete(speed, slice(9000, 9300))),
    }
    for name, export in exports.items():
        assert same_rides([whole, turns(*export)], [1]) == [(0, 1)], name


def test_two_rides_on_one_road_are_two():
    rides = [turns(*road(seed)) for seed in range(60)]
    assert min(ride.at_s.size for ride in rides) > 30
    assert same_rides(rides, list(range(60))) == []


def test_of_many_rides_only_the_copy_is_found():
    rides = [turns(*road(seed)) for seed in range(20)]
    time, speed = road(7, rate_hz=20.0)
    rides.append(turns(time[600::4] - 30.0, speed[600::4]))
    assert same_rides(rides, [20]) == [(7, 20)]


@pytest.mark.parametrize("speed", [np.full(1000, 4000.0), np.full(1000, np.nan)])
def test_what_never_turns_cannot_be_known(speed):
    still = turns(np.arange(1000.0), speed)
    assert still.at_s.size == 0
    assert same_rides([still, still], [0, 1]) == []
    assert same_rides([], []) == []


def test_few_turns_are_no_proof():
    few = Turns(np.arange(0.0, 200.0, 20.0), np.tile([3000.0, 5000.0], 5))
    assert same_rides([few, few], [1]) == []


@pytest.mark.parametrize("digits", [0, 1, 6], ids=["flat tops", "some flat tops", "none flat"])
@pytest.mark.parametrize("seed", range(20))
def test_tops_are_those_of_scipys_signal_library(seed, digits):
    random = np.random.default_rng(seed)
    values = np.round(np.cumsum(random.normal(size=random.integers(3, 400))), digits)
    for least in (0.0, 0.5, 2.0):
        expected, _ = signal.find_peaks(values, prominence=least)
        assert _tops(values, least).tolist() == expected.tolist()


def test_a_level_line_has_no_tops():
    assert _tops(np.full(50, 3.0), 0.0).size == 0
