"""The ratio check against gearing computed by hand, and against slip that was put in."""

import math

import numpy as np
import pytest

from flows.metrics.ratio import ratio_check

RATIO, CIRCUMFERENCE_M = 5.880, 1.96


def _pull(samples: int = 500, *, noise: float = 0.0, seed: int = 1):
    roller = np.linspace(15.0, 50.0, samples)
    # n = i v / U: revolutions a second of the wheel times the overall ratio.
    speed = 60.0 * RATIO * roller / CIRCUMFERENCE_M
    return speed * (1.0 + noise * np.random.default_rng(seed).standard_normal(samples)), roller


def test_the_ratio_is_that_of_gearing_and_tyre():
    # 9000 rpm at 180 km/h, tyre of 1.96 m, overall ratio 5.880: 50.000 rpm a km/h, by hand.
    found = ratio_check(*_pull())
    assert math.isclose(found.rpm_per_kmh, 50.0, rel_tol=1e-4)
    assert (found.kind, found.from_rpm) == ("constant", None)
    assert abs(found.drift_pct) < 1e-9


@pytest.mark.parametrize("seed", range(20))
def test_a_rough_pick_up_is_no_slip(seed):
    found = ratio_check(*_pull(noise=0.01, seed=seed))
    assert found.kind == "constant"
    assert math.isclose(found.sd_pct, 1.0, rel_tol=0.25)


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("slip_from_rpm", [4_500.0, 6_000.0, 7_500.0])
def test_slip_is_found_with_the_speed_where_it_starts(slip_from_rpm, seed):
    speed, roller = _pull(noise=0.004, seed=seed)
    true = 60.0 * RATIO * roller / CIRCUMFERENCE_M
    growing = np.clip((true - slip_from_rpm) / 1_000.0, 0.0, None) * 0.06
    found = ratio_check(speed * (1.0 + growing), roller)
    assert found.kind == "slip"
    # 2 % are reached a third of 1,000 rpm past the start.
    assert found.from_rpm is not None
    assert abs(found.from_rpm - slip_from_rpm * 1.02 - 333.0) < 250.0
    assert found.drift_pct > 4.0


def test_a_tyre_that_grows_is_no_slip():
    speed, roller = _pull(noise=0.003)
    grown = 1.0 + 0.015 * (roller / roller.max()) ** 2
    found = ratio_check(speed / grown, roller)
    assert found.kind == "constant"
    assert -2.0 < found.drift_pct < -0.5


@pytest.mark.parametrize("step", [0.80, 0.85, 1.2, 1.35])
def test_another_gear_mid_pull_is_called_one(step):
    speed, roller = _pull(noise=0.003)
    speed = np.where(np.arange(speed.size) < 250, speed, speed * step)
    found = ratio_check(speed, roller)
    assert found.kind == "gear change"
    assert found.from_rpm is not None
    assert (
        abs(found.from_rpm / speed[250] - 1.0) < 0.06
        or abs(found.from_rpm / speed[249] - 1.0) < 0.06
    )


def test_a_few_wrong_pulses_are_neither():
    speed, roller = _pull()
    speed = speed.copy()
    speed[300:305] *= 2.0
    assert ratio_check(speed, roller).kind == "constant"


def test_holes_are_left_out():
    speed, roller = _pull()
    speed[::3] = np.nan
    roller[1::3] = np.nan
    assert math.isclose(ratio_check(speed, roller).rpm_per_kmh, 50.0, rel_tol=1e-4)


@pytest.mark.parametrize(
    ("speed", "roller", "words"),
    [
        (np.ones(30), np.ones(29), "rows of one length"),
        (np.full(30, -1.0), np.full(30, 20.0), "engine_speed_rpm must be at least 0"),
        (np.full(30, 5000.0), np.full(30, 1.0), "no ratio: 0 samples"),
    ],
)
def test_what_gives_no_ratio_is_told(speed, roller, words):
    with pytest.raises(ValueError, match=words):
        ratio_check(speed, roller)
