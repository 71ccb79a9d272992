"""The ratio check against gearing computed by hand, and against faults that were put in."""

import dataclasses
import math
from pathlib import Path

import numpy as np
import pytest

from flows.metrics import ratio
from flows.metrics.ratio import KINDS, against_others, ratio_check, split_ratios
from tests.in_words import refused
from tests.in_words import words as words_of

# 9000 rpm at 180 km/h (50 m/s), tyre of 1.96 m, overall ratio 5.880: 180 rpm per m/s, by hand.
RATIO, CIRCUMFERENCE_M, RPM_PER_M_S = 5.880, 1.96, 180.0


def _pull(samples: int = 500, *, noise: float = 0.0, seed: int = 1):
    roller = np.linspace(15.0, 50.0, samples)
    # n = i v / U: revolutions a second of the wheel times the overall ratio.
    speed = 60.0 * RATIO * roller / CIRCUMFERENCE_M
    return speed * (1.0 + noise * np.random.default_rng(seed).standard_normal(samples)), roller


def _drawn_pull(chance: np.random.Generator):
    """Return a true engine speed, a roller speed on a growing tyre, and scatter, all drawn."""
    samples, top_rpm = int(chance.integers(120, 900)), chance.uniform(7_500.0, 13_000.0)
    run = np.linspace(0.0, 1.0, samples) ** chance.uniform(0.7, 1.3)
    speed = 3_000.0 + (top_rpm - 3_000.0) * run
    growth = chance.uniform(0.0, 0.015) * (speed / top_rpm) ** 2
    return speed, speed / RPM_PER_M_S * (1.0 + growth), chance.uniform(0.003, 0.01)


def _logged(chance: np.random.Generator, speed: np.ndarray, noise: float) -> np.ndarray:
    return np.round(speed * (1.0 + noise * chance.standard_normal(speed.size)), -1)  # 10 rpm


def _ramp(speed, start_rpm, end_rpm):
    return np.clip((speed - start_rpm) / (end_rpm - start_rpm), 0.0, 1.0)


# What is put in: factor on the engine speed, and the true speed where it starts.


def _late_slip(share, size):
    def fault(speed):
        start = speed[0] + share * np.ptp(speed)
        return 1.0 + size * _ramp(speed, start, min(start + 1_000.0, speed[-1])), start

    return fault


def _slip_that_grips(size):
    def fault(speed):
        return 1.0 + size * (1.0 - _ramp(speed, 3_000.0, 4_500.0)), speed[0] * (1.0 + size)

    return fault


def _slip_at_peak_torque(size):
    def fault(speed):
        start = speed[0] + 0.4 * np.ptp(speed)
        up, down = _ramp(speed, start, start + 800.0), _ramp(speed, start + 800.0, start + 1_600.0)
        return 1.0 + size * (up - down), start

    return fault


def _clutch_lets_go_and_takes_up(share, size):
    def fault(speed):
        at = round(share * speed.size)
        factor = np.ones(speed.size)
        factor[at:] += size * np.linspace(1.0, 0.4, speed.size - at)
        return factor, speed[at - 1]

    return fault


def _jump(share, factor):
    def fault(speed):
        at = round(share * speed.size)
        return np.where(np.arange(speed.size) < at, 1.0, factor), speed[at - 1]

    return fault


def _share_found(fault, kind, *, pulls=80, within_rpm=300.0):
    chance = np.random.default_rng(20_240_601)
    right = 0
    for _ in range(pulls):
        speed, roller, noise = _drawn_pull(chance)
        factor, start = fault(speed)
        found = ratio_check(_logged(chance, speed * factor, noise), roller)
        right += (
            found.kind == kind
            and found.from_rpm is not None
            and abs(found.from_rpm - start) <= within_rpm
        )
    return right / pulls


def test_the_ratio_is_that_of_gearing_and_tyre():
    found = ratio_check(*_pull())
    assert math.isclose(found.rpm_per_m_s, RPM_PER_M_S, rel_tol=1e-4)
    assert (found.kind, found.from_rpm) == ("constant", None)
    assert abs(found.change_pct) < 1e-9


def test_the_result_cannot_be_changed_and_its_kinds_are_told():
    found = ratio_check(*_pull())
    with pytest.raises(dataclasses.FrozenInstanceError):
        found.kind = "slip"
    assert all(f"- {kind}: " in _text_after_kinds() for kind in KINDS)


def _text_after_kinds() -> str:
    source = Path(ratio.__file__).read_text(encoding="utf-8")
    return source.partition("KINDS = (")[2].partition("@dataclass")[0]


def test_at_most_one_clean_pull_in_a_hundred_is_called_anything():
    chance = np.random.default_rng(1)
    kinds = []
    for _ in range(500):
        speed, roller, noise = _drawn_pull(chance)
        kinds.append(ratio_check(_logged(chance, speed, noise), roller).kind)
    assert kinds.count("constant") >= 495


@pytest.mark.parametrize("samples", [30, 60, 120, 250])
def test_nor_is_one_of_few_samples(samples):
    kinds = [ratio_check(*_pull(samples, noise=0.01, seed=seed)).kind for seed in range(200)]
    assert kinds.count("constant") >= 198


@pytest.mark.parametrize("noise", [0.03, 0.08])
def test_a_very_rough_pick_up_is_no_slip(noise):
    found = [ratio_check(*_pull(noise=noise, seed=seed)) for seed in range(100)]
    assert sum(one.kind == "constant" for one in found) >= 98
    assert all(math.isclose(one.sd_pct, 100.0 * noise, rel_tol=0.25) for one in found)


def test_scatter_that_lasts_is_no_slip():
    # Each sample keeps nine tenths of the one before: a pick-up behind a slow filter.
    kinds = []
    for seed in range(100):
        shocks = 0.005 * math.sqrt(1.0 - 0.9**2) * np.random.default_rng(seed).normal(size=500)
        wander = np.zeros(500)
        for at in range(1, 500):
            wander[at] = 0.9 * wander[at - 1] + shocks[at]
        speed, roller = _pull()
        kinds.append(ratio_check(speed * (1.0 + wander), roller).kind)
    assert kinds.count("constant") >= 99


def test_a_tyre_that_grows_is_no_fault():
    speed, roller = _pull(noise=0.003)
    grown = 1.0 + 0.015 * (roller / roller.max()) ** 2
    found = ratio_check(speed / grown, roller)
    assert found.kind == "constant"


def test_a_fall_at_low_speed_is_not_excused_by_growth():
    # At half its top speed a tyre that grows by 1.5 % has grown by 0.4 %, not by 2.8 %.
    speed, roller = _pull(noise=0.001)
    shrunk = 1.0 - 0.028 * _ramp(roller, 18.0, 25.0)
    assert ratio_check(speed * shrunk, roller).kind != "constant"
    grown = 1.0 - 0.028 * (roller / roller.max()) ** 2
    assert ratio_check(speed * grown, roller).kind == "constant"


@pytest.mark.parametrize("share", [0.15, 0.4, 0.6, 0.8])
@pytest.mark.parametrize("size", [0.04, 0.06, 0.20])
def test_slip_is_found_with_the_speed_where_it_starts(share, size):
    assert _share_found(_late_slip(share, size), "slip") >= 0.95


@pytest.mark.parametrize("size", [0.04, 0.08, 0.15])
def test_slip_that_grips_is_found_from_the_start(size):
    assert _share_found(_slip_that_grips(size), "slip") >= 0.95


@pytest.mark.parametrize("size", [0.045, 0.08, 0.15])
def test_slip_at_peak_torque_only_is_found(size):
    assert _share_found(_slip_at_peak_torque(size), "slip") >= 0.95


@pytest.mark.parametrize("share", [0.2, 0.5])
def test_a_clutch_that_lets_go_and_takes_up_again_is_no_gear(share):
    assert _share_found(_clutch_lets_go_and_takes_up(share, 0.18), "slip") >= 0.95


def test_a_lesser_jump_up_is_slip():
    assert _share_found(_jump(0.5, 1.04), "slip") >= 0.95


@pytest.mark.parametrize("share", [0.05, 0.5, 0.95])
@pytest.mark.parametrize("factor", [0.70, 0.85, 0.92])
def test_another_gear_is_called_one_wherever_it_is_put_in(share, factor):
    assert _share_found(_jump(share, factor), "gear change") >= 0.95


@pytest.mark.parametrize("share", [0.05, 0.5, 0.95])
@pytest.mark.parametrize("factor", [1.08, 1.15, 1.35])
def test_what_may_be_a_gear_or_a_clutch_is_called_both(share, factor):
    assert _share_found(_jump(share, factor), "slip or gear change") >= 0.95


@pytest.mark.parametrize("size", [-0.04, -0.06, -0.08])
def test_a_ratio_that_falls_is_found(size):
    assert _share_found(_late_slip(0.6, size), "ratio falls") >= 0.95


def test_a_lesser_jump_down_is_a_falling_ratio():
    assert _share_found(_jump(0.45, 0.955), "ratio falls") >= 0.95


@pytest.mark.parametrize(
    ("fault", "change_pct", "geared"),
    [
        (_late_slip(0.5, 0.06), 6.0, 180.0),
        (_slip_that_grips(0.08), 7.8, 180.0),
        (_late_slip(0.6, -0.06), -6.0, 180.0),
        (_jump(0.5, 0.85), -15.0, 180.0),
        (_jump(0.5, 1.15), 15.0, 180.0),
    ],
)
def test_the_size_and_the_ratio_before_are_told(fault, change_pct, geared):
    speed, roller = _pull(noise=0.002)
    found = ratio_check(speed * fault(_pull()[0])[0], roller)
    assert abs(found.change_pct - change_pct) < 0.7
    assert math.isclose(found.rpm_per_m_s, geared, rel_tol=0.004)


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        (_jump(0.5, 1.0), "keep the same ratio over the whole pull; a change of less than 2.0"),
        (_late_slip(0.5, 0.06), "runs ahead of the roller by up to"),
        (_slip_that_grips(0.08), "is caught up later"),
        (_jump(0.5, 0.85), "another gear (or a clutch that slipped evenly up to there), pull"),
        (_jump(0.5, 1.15), "cannot tell apart, ask"),
        (_jump(0.5, 2.0), "cannot tell apart, unless a speed signal fails, ask"),
        (_late_slip(0.6, -0.06), "roller outruns the engine"),
    ],
)
def test_the_reason_is_one_sentence_with_the_speed_and_what_to_do(fault, words):
    speed, roller = _pull(noise=0.002)
    found = ratio_check(speed * fault(_pull()[0])[0], roller)
    assert found.kind in KINDS
    said = words_of(found.reason)
    assert words in said
    assert ". " not in said
    assert "{" not in said
    if found.from_rpm is not None:
        assert f"From about {found.from_rpm:.0f} rpm" in said


def test_a_few_wrong_pulses_are_neither():
    speed, roller = _pull()
    speed = speed.copy()
    speed[300:305] *= 2.0
    assert ratio_check(speed, roller).kind == "constant"


@pytest.mark.parametrize(("factor", "kind"), [(1.15, "slip"), (0.85, "ratio falls")])
def test_a_jump_that_comes_back_is_no_gear(factor, kind):
    speed, roller = _pull(noise=0.004)
    speed[200:280] *= factor
    found = ratio_check(speed, roller)
    assert found.kind == kind
    assert found.from_rpm is not None
    assert abs(found.from_rpm - 180.0 * roller[200]) < 300.0


def test_holes_are_left_out():
    speed, roller = _pull()
    speed[::3] = np.nan
    roller[1::3] = np.nan
    assert math.isclose(ratio_check(speed, roller).rpm_per_m_s, RPM_PER_M_S, rel_tol=1e-4)


def _run_down(speed, roller):
    return speed[::-1] * np.linspace(1.0, 1.08, speed.size), roller[::-1]


def _run_up_and_down(speed, roller):
    return np.concatenate((speed, speed[::-1])), np.concatenate((roller, roller[::-1]))


@pytest.mark.parametrize("record", [_run_down, _run_up_and_down])
def test_a_falling_speed_is_refused(record):
    with refused(r"engine and roller slow down from (49|50)"):
        ratio_check(*record(*_pull()))


@pytest.mark.parametrize(
    ("speed", "roller", "words"),
    [
        (np.ones(30), np.ones(29), "rows of one length"),
        (np.ones((5, 6)), np.ones((5, 6)), "rows of one length"),
        (np.full(30, -1.0), np.full(30, 20.0), "engine_speed_rpm must be at least 0"),
        (np.full(30, 1.0), np.full(30, -20.0), "roller_speed_m_s must be at least 0"),
        (np.full(30, 5000.0), np.full(30, 1.0), "no ratio: 0 samples"),
        (np.full(30, 0.0), np.full(30, 20.0), "no ratio: 0 samples"),
        (*_pull(29), "no ratio: 29 samples"),
        (_pull()[0], np.full(500, 20.0), "roller stays between 20.0 and 20.0 m/s"),
    ],
)
def test_what_gives_no_ratio_is_told(speed, roller, words):
    with refused(words):
        ratio_check(speed, roller)


@pytest.mark.parametrize(
    ("high", "low", "is_split"),
    [(1, 1, True), (2, 1, True), (3, 1, False), (3, 3, True), (4, 4, True), (4, 2, True),
     (5, 2, False), (2, 7, False), (8, 4, True), (9, 4, False), (6, 0, False)],
)  # fmt: skip
def test_a_third_of_the_pulls_in_another_gear_leaves_none_certain(high, low, is_split):
    # 318 and 290 rpm per m/s are 9.7 % apart: two neighbouring gears. 0.2 % from pull to pull.
    chance = np.random.default_rng(high * 10 + low)
    levels = np.array([318.0] * high + [290.0] * low) * (1 + 0.002 * chance.normal(size=high + low))
    split = split_ratios(chance.permutation(levels))
    verdicts = [
        against_others(level, np.delete(levels, place), gears_rpm_per_m_s=[290.0])
        for place, level in enumerate(levels)
    ]
    if is_split:
        assert [count for _, count in split] == [high, low]
        assert [ratio for ratio, _ in split] == pytest.approx([318.0, 290.0], rel=0.005)
        assert verdicts == [None] * len(levels)
    else:
        assert split == []
        # The few are told, none of the many is.
        few = slice(high, None) if low < high else slice(0, high)
        told = np.array([verdict is not None for verdict in verdicts])
        assert told[few].all()
        assert told.sum() == min(high, low)


def test_tyres_and_noise_split_nothing():
    chance = np.random.default_rng(7)
    for _ in range(200):
        levels = 318.0 * (1 + 0.003 * chance.normal(size=8))
        assert split_ratios(levels) == []


def test_a_ratio_of_nothing_is_refused():
    with pytest.raises(ValueError, match="ratios must be above 0"):
        split_ratios([318.0, 0.0])
