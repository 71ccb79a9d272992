"""Power against torque over the whole sweep: what must be told, and what sound files must not be.

The generator of sound sweeps below is written from what a dyno and a logger do (noise, filters,
rounding, a brake or none, torque at either shaft, losses, slip), not from the repository's own
simulator. Its figures are common practice, no source.
"""

import math

import numpy as np
import pytest

from flows.metrics.power_course import believed, copied_from, cut_off_at, power_course
from flows.steps.doubts import doubts
from schemas.layout import Layout
from schemas.toml_text import read_toml
from tests.broken.broken_files import layout_text
from tests.in_words import words

AT_ENGINE = read_toml(layout_text("pull"), Layout, "x")
AT_WHEEL = read_toml(layout_text("pull").replace('"engine"', '"wheel"'), Layout, "x")
SPOILT = 60


def first_order(values, rate_hz, tau_s):
    """Return values behind a filter of one time constant."""
    if tau_s <= 0:
        return values
    share = 1.0 - math.exp(-1.0 / (rate_hz * tau_s))
    out = np.empty_like(values)
    out[0] = values[0]
    for place in range(1, values.size):
        out[place] = out[place - 1] + share * (values[place] - out[place - 1])
    return out


def true_torque(speed, random, top):
    """Return a torque curve with a rise, a fall and two humps or dips."""
    share = speed / top
    curve = 1.0 - random.uniform(0.3, 1.2) * (share - random.uniform(0.6, 0.8)) ** 2
    for _ in range(2):
        centre, width = random.uniform(0.35, 0.95), random.uniform(0.04, 0.12)
        curve += random.uniform(-0.1, 0.1) * np.exp(-(((share - centre) / width) ** 2))
    return random.uniform(35.0, 140.0) * curve


def sound_pull(random):
    """Return channels of a sound pull, and whether its torque is that at the wheel."""
    rate = float(random.choice([10.0, 20.0, 50.0, 100.0]))
    low, top = random.uniform(2300, 4000), random.uniform(7000, 13_500)
    wait, lasts = 1.0, random.uniform(3.5, 12.0)
    time = np.arange(0.0, wait + lasts + 2.5, 1.0 / rate)
    torque_at = np.linspace(low, top, 400)
    shape = true_torque(torque_at, random, top)
    is_braked = random.random() < 0.4
    pace = np.ones(400) if is_braked else shape / shape.mean()
    passed = np.concatenate(([0.0], np.cumsum(2.0 / (pace[1:] + pace[:-1]))))
    passed *= lasts / passed[-1]
    speed = np.interp(time - wait, passed, torque_at)
    coasts = time > wait + lasts
    speed[coasts] = top - (top - low) * (time[coasts] - wait - lasts) / 4.0
    opened = np.clip((time - wait + 0.1) / random.uniform(0.1, 0.3), 0, 1) * ~coasts
    torque = np.interp(speed, torque_at, shape) * np.where(opened > 0, opened, 0.05)
    torque = np.maximum(torque, 0.6)
    power = torque * speed * math.pi / 30.0
    power *= random.uniform(0.96, 1.0) if random.random() < 0.3 else 1.0
    is_at_wheel = random.random() < 0.3
    if is_at_wheel:
        slip = 1.0 + random.uniform(0.0, 0.03) * speed / top
        torque = torque * random.uniform(4.0, 12.0) * slip
    lag_s = random.uniform(0.0, 0.12)
    if random.random() < 0.5:
        power = first_order(power, rate, lag_s)
    else:
        torque = first_order(torque, rate, lag_s)
    power *= 1 + random.uniform(0, 0.03) * random.normal(size=time.size)
    torque *= 1 + random.uniform(0, 0.03) * random.normal(size=time.size)
    steps = random.choice([1.0, 10.0, 100.0]), random.choice([0.01, 0.1, 0.5])
    return {
        "time_s": time,
        "engine_speed_rpm": np.round(speed + random.uniform(2, 15) * random.normal(size=time.size)),
        "wheel_power_w": np.round(power / steps[0]) * steps[0],
        "wheel_torque_nm": np.round(torque / steps[1]) * steps[1],
        "throttle_pct": np.clip(100.0 * opened, 12.0, 99.0) + 0.2 * random.normal(size=time.size),
    }, is_at_wheel


def told(channels, is_at_wheel):
    """Return what is said of the power, its grade, and what is marked."""
    found = doubts(channels, AT_WHEEL if is_at_wheel else AT_ENGINE)
    told = [doubt for doubt in found.doubts if doubt.channel.startswith(("wheel_p", "wheel_t"))]
    return (words(told[0].note) if told else ""), told and told[0].grade, found.marks


@pytest.mark.parametrize("sound", [250, pytest.param(1000, marks=pytest.mark.long)])
def test_at_most_one_sound_pull_in_a_thousand_is_told(sound):
    # At one in a thousand, 250 pulls of another seed would show one in every fifth run.
    alarms = []
    for number in range(sound):
        channels, is_at_wheel = sound_pull(np.random.default_rng([7, number]))
        sentence, _, marks = told(channels, is_at_wheel)
        # A level of 0.96 to 1 with a flat course is a note about one correction, rightly so.
        if marks:
            alarms.append((number, sentence))
    assert len(alarms) <= sound // 1000, alarms


def swept(channels):
    """Return the rows of the sweep, as the throttle tells them."""
    return np.flatnonzero(channels["throttle_pct"] > 90)


def spoil_jump(channels, random):
    rows = swept(channels)
    channels["wheel_power_w"][rows[len(rows) // 2] :] *= random.choice([0.75, 1.3])


def spoil_course(channels, random):
    rows = swept(channels)
    channels["wheel_power_w"][rows] *= np.linspace(0.58, 1.49, rows.size)


def spoil_delay(channels, random):
    late = channels["time_s"] - random.uniform(0.5, 0.9)
    channels["wheel_power_w"] = np.interp(late, channels["time_s"], channels["wheel_power_w"])


def spoil_saturated(channels, random):
    rows = swept(channels)
    end = 0.75 * np.quantile(channels["wheel_torque_nm"][rows], 0.98)
    channels["wheel_torque_nm"] = np.minimum(channels["wheel_torque_nm"], end)


def spoil_copy(channels, random):
    channels["wheel_power_w"] = np.round(9.0 * channels["engine_speed_rpm"])


def spoil_noise(channels, random):
    rows = swept(channels)
    power = channels["wheel_power_w"]
    power[rows] = power[rows].mean() * np.exp(0.4 * random.normal(size=rows.size))


@pytest.mark.parametrize(
    ("spoil", "least_share", "said"),
    [
        (spoil_course, 1.0, "they part between"),
        (spoil_jump, 0.98, "they part between"),
        # On sweeps of 7 s and more a delay moves the ratio by less than tyres and filters do.
        (spoil_delay, 0.75, ""),
        (spoil_saturated, 0.98, ""),
        (spoil_copy, 0.98, ""),
        (spoil_noise, 0.98, ""),
    ],
)
def test_a_power_that_leaves_its_torque_is_told_and_no_evidence(spoil, least_share, said):
    caught = 0
    for number in range(SPOILT):
        random = np.random.default_rng([11, number])
        channels, is_at_wheel = sound_pull(random)
        spoil(channels, random)
        sentence, grade, marks = told(channels, is_at_wheel)
        # Far off at all speeds alike the file is refused for its units: that is told too.
        caught += grade == "refuse" or bool({"wheel_power_w", "wheel_torque_nm"} & set(marks))
    assert caught >= least_share * SPOILT
    assert said in sentence or not sentence


def test_the_delay_that_is_told_is_the_one_that_was_made():
    random = np.random.default_rng(3)
    speed = np.linspace(3000, 9000, 300)
    time = np.arange(300) / 50.0
    torque = true_torque(speed, random, 9000.0)
    power = np.interp(time - 0.5, time, torque * speed * math.pi / 30)
    found = power_course(speed, power, torque, time)
    assert found.kind == "delayed"
    assert found.delay_s == pytest.approx(0.5, abs=0.051)


def test_the_acceleration_of_a_roller_without_brake_says_which_is_right():
    # P = J omega d omega / dt: speed rises by J d omega / dt = T with J = 1 in these units.
    speed_of = np.linspace(3000, 9000, 600)
    torque_of = 60.0 + 15.0 * np.sin(speed_of / 900.0)
    passed = np.concatenate(([0.0], np.cumsum(np.diff(speed_of) / torque_of[1:])))
    time = np.linspace(0.0, passed[-1], 300)
    speed = np.interp(time, passed, speed_of)
    torque = np.interp(speed, speed_of, torque_of)
    power = torque * speed * math.pi / 30
    half = np.where(speed > 6000, 1.4, 1.0)
    assert believed(speed, power * half, torque, time) == "torque"
    assert believed(speed, power, torque * half, time) == "power"
    # A brake that holds the pace says nothing of either.
    steady = np.linspace(3000, 9000, 300)
    wavy = 60.0 + 15.0 * np.sin(steady / 400.0)
    own = wavy * steady * math.pi / 30
    assert believed(steady, own * half, wavy, np.arange(300) / 50.0) == ""


def test_a_constant_factor_between_two_shafts_is_no_fault():
    speed = np.linspace(3000, 9000, 200)
    power = 60.0 * speed * math.pi / 30
    assert power_course(speed, power, np.full(200, 540.0), is_level_known=False).kind == "holds"
    # Where it should be 1, the same is a fault of 60 / 540.
    assert power_course(speed, power, np.full(200, 540.0)).highest == pytest.approx(60 / 540)


def test_too_few_samples_tell_nothing():
    speed = np.linspace(3000, 9000, 20)
    assert power_course(speed, speed, speed) is None
    assert believed(speed, speed, speed, np.arange(20.0)) == ""
    assert math.isnan(cut_off_at(speed))
    assert copied_from(speed, {"x": speed}) == ""


def test_numbers_of_a_broken_file_are_believed_of_nobody():
    # Bug: a time of 1e308 seconds among the others ended the reading of the file.
    time_s = np.linspace(0.0, 6.0, 240)
    speed_rpm = 3000.0 + 1500.0 * time_s
    time_s[100] = 1e308
    assert believed(speed_rpm, 5.0 * speed_rpm, 40.0 + time_s[::-1], time_s) == ""
