"""Sweeps in whole logs: stabs, aborted and repeated pulls, gear changes, limiters, roll-out."""

import numpy as np
import pytest

from flows.metrics.sweep import chosen_sweep, sweep_slice, sweeps
from tests.in_words import refused, words

LOW_RPM, TOP_RPM = 3000.0, 10_400.0
SEEDS = range(6)
INSIDE_S = 0.65
"""The sweep found may begin and end this much inside the true one, and never outside it by more
than a sample."""


class Log:
    """A log put together piece by piece, at a sampling rate, with the truth beside it."""

    def __init__(self, rate_hz=50.0, low_rpm=LOW_RPM):
        self.step_s = 1.0 / rate_hz
        self.speed, self.throttle, self.ratio = [low_rpm], [10.0], [200.0]
        self.true_s = []

    @property
    def now_s(self):
        return (len(self.speed) - 1) * self.step_s

    def _add(self, speeds, throttle, ratio=None):
        self.speed += list(speeds)
        self.throttle += [throttle] * len(speeds)
        self.ratio += [ratio or self.ratio[-1]] * len(speeds)

    def steady(self, seconds, throttle=10.0):
        self._add([self.speed[-1]] * round(seconds / self.step_s), throttle)
        return self

    def to(self, speed_rpm, seconds, throttle, ratio=None):
        count = round(seconds / self.step_s)
        self._add(np.linspace(self.speed[-1], speed_rpm, count + 1)[1:], throttle, ratio)
        return self

    def pull(self, to_rpm=TOP_RPM, pace=1.0, throttle=98.0):
        """Climb as an engine does: slower where the torque is low, at both ends."""
        begun = self.now_s
        speeds = []
        speed = self.speed[-1]
        while speed < to_rpm:
            torque = 1.0 - 0.6 * ((speed - 7000.0) / 4000.0) ** 2
            speed += 1100.0 * pace * max(torque, 0.35) * self.step_s
            speeds.append(min(speed, to_rpm))
        self._add(speeds, throttle)
        self.true_s.append((begun, self.now_s))
        return self

    def limiter(self, seconds, fall_rpm, rate_hz, throttle=98.0):
        """Bounce: the cut takes the speed down, the engine climbs back, like a saw."""
        time = np.arange(1, round(seconds / self.step_s) + 1) * self.step_s
        phase = (time * rate_hz) % 1.0
        self._add(self.speed[-1] - fall_rpm * np.minimum(phase / 0.4, (1 - phase) / 0.6), throttle)
        return self

    def columns(self, seed, noise_rpm=8.0):
        chance = np.random.default_rng(seed)
        time = np.arange(len(self.speed)) * self.step_s
        speed = np.array(self.speed)
        roller = speed / np.array(self.ratio)
        speed = speed + chance.normal(0.0, noise_rpm, time.size)
        throttle = np.array(self.throttle) + chance.normal(0.0, 0.4, time.size)
        return time, speed, throttle, roller * (1 + chance.normal(0.0, 0.001, time.size))


def plain():
    return Log().steady(2).pull().to(2500, 4, 0.0).steady(2, 0.0)


def stabs_before():
    log = Log(low_rpm=1500).steady(1)
    for _ in range(3):
        log.to(7000, 0.35, 99.0).to(1500, 0.9, 0.0).steady(0.5, 0.0)
    return log.to(LOW_RPM, 4, 20.0).steady(1.5).pull().to(2000, 4, 0.0)


def one_stab_in_a_short_log():
    return (
        Log(low_rpm=1500)
        .to(9500, 0.4, 99.0)
        .to(1500, 1.2, 0.0)
        .to(LOW_RPM, 2, 20.0)
        .steady(1)
        .pull()
    )


def aborted_before():
    log = Log().steady(2).pull(to_rpm=6500).to(LOW_RPM, 5, 0.0)
    del log.true_s[:]
    return log.steady(1).pull().to(2500, 4, 0.0)


def aborted_before_from_lower():
    # The aborted one spans more, and has no peak.
    log = Log(low_rpm=2200).steady(2).pull(to_rpm=9300).to(4000, 5, 0.0)
    del log.true_s[:]
    return log.steady(1).pull().to(2500, 4, 0.0)


def aborted_after():
    log = plain().to(LOW_RPM, 1, 15.0).steady(1).pull(to_rpm=7000).to(2000, 3, 0.0)
    del log.true_s[1:]
    return log


def limiter_bouncing():
    return Log().steady(2).pull().limiter(2.5, 450.0, 5.0).to(2500, 4, 0.0)


def limiter_bouncing_hard():
    return Log().steady(2).pull().limiter(4.0, 1100.0, 1.5).to(2500, 4, 0.0)


def limiter_bouncing_fast():
    return Log(rate_hz=100).steady(2).pull().limiter(2.5, 250.0, 11.0).to(2500, 4, 0.0)


def limiter_held():
    return Log().steady(2).pull().limiter(3.0, 40.0, 3.0).to(2500, 4, 0.0)


def downshifts_after():
    log = plain()
    for speed in (6500, 5500, 5000):
        log.to(speed, 0.25, 40.0).to(speed - 3000, 2.0, 0.0)
    return log


def slow_loaded():
    return Log().steady(2).pull(pace=0.3).to(2500, 6, 0.0)


def fast_low_gear():
    return Log(rate_hz=100).steady(2).pull(pace=2.5).to(2500, 3, 0.0)


def coarse_record():
    return Log(rate_hz=10).steady(2).pull().to(2500, 4, 0.0)


def slow_one_after_a_fast_one():
    # Stabs and a quick pull in a low gear must not decide what a slow ramp has to reach.
    log = Log().steady(1).pull(to_rpm=8000, pace=3.0).to(LOW_RPM, 3, 0.0).steady(1)
    del log.true_s[:]
    return log.pull(pace=0.3).to(2500, 5, 0.0)


def rolling_up_part_open():
    return Log(low_rpm=1800).to(LOW_RPM, 12, 25.0).pull().to(2500, 4, 0.0)


CLASSES = (
    plain,
    stabs_before,
    one_stab_in_a_short_log,
    aborted_before,
    aborted_before_from_lower,
    aborted_after,
    limiter_bouncing,
    limiter_bouncing_hard,
    limiter_bouncing_fast,
    limiter_held,
    downshifts_after,
    slow_loaded,
    fast_low_gear,
    coarse_record,
    slow_one_after_a_fast_one,
    rolling_up_part_open,
)


@pytest.mark.parametrize("has_throttle", [True, False])
@pytest.mark.parametrize("made", CLASSES)
def test_the_true_sweep_is_found(made, has_throttle):
    log = made()
    ((begun_s, over_s),) = log.true_s
    for seed in SEEDS:
        time, speed, throttle, _ = log.columns(seed)
        found = sweep_slice(time, speed, throttle if has_throttle else None)
        assert begun_s - log.step_s <= time[found][0] <= begun_s + INSIDE_S, seed
        assert over_s - INSIDE_S <= time[found][-1] <= over_s + log.step_s, seed


@pytest.mark.parametrize("made", [plain, limiter_bouncing, limiter_held, limiter_bouncing_fast])
def test_a_clean_record_loses_little_at_its_ends(made):
    log = made()
    ((begun_s, over_s),) = log.true_s
    time, speed, throttle, _ = log.columns(0, noise_rpm=1.0)
    found = sweep_slice(time, speed, throttle)
    assert time[found][0] <= begun_s + 0.22
    assert time[found][-1] >= over_s - 0.22


@pytest.mark.parametrize("has_throttle", [True, False])
def test_every_sweep_of_a_file_is_listed_and_the_choice_said(has_throttle):
    log = Log().steady(2).pull(to_rpm=9900).to(LOW_RPM, 6, 0.0).steady(2)
    log.pull().to(LOW_RPM, 6, 0.0).steady(2).pull(to_rpm=8000).to(2500, 4, 0.0)
    for seed in SEEDS:
        time, speed, throttle, _ = log.columns(seed)
        found = sweeps(time, speed, throttle if has_throttle else None)
        usable = [one for one in found if not one.why_not]
        assert len(usable) == 3
        for one, (begun_s, over_s) in zip(usable, log.true_s, strict=True):
            assert begun_s - log.step_s <= one.from_s <= begun_s + INSIDE_S
            assert over_s - INSIDE_S <= one.to_s <= over_s + log.step_s
            assert one.from_s == time[one.start]
            assert one.to_s == time[one.stop - 1]
            assert one.follows == ""
        choice = chosen_sweep(found)
        assert choice.sweep == usable[1]
        assert choice.trouble is None
        note = words(choice.notes)
        assert note.startswith("3 sweeps in this file: the second, from 3,")
        # The top is 10,400 rpm; with the throttle logged little of it is lost.
        assert note.endswith((" to 10,300 rpm, was used", " to 10,400 rpm, was used"))


@pytest.mark.parametrize(
    ("throttle", "has_roller", "told"),
    [
        # The ratio after the change is that of the next gear: 200 to 165 rpm per m/s.
        (98.0, False, "gear change"),
        (0.0, False, "gear change or lift"),
        (98.0, True, "gear change"),
        (0.0, True, "gear change"),
    ],
)
def test_a_gear_change_below_the_top_is_told_and_the_part_above_used(throttle, has_roller, told):
    log = Log().steady(2).pull(to_rpm=6000).to(6000 * 0.825, 0.3, throttle, 165.0)
    log.pull().to(2500, 4, 0.0)
    for seed in SEEDS:
        time, speed, opening, roller = log.columns(seed)
        found = sweeps(time, speed, opening, roller if has_roller else None)
        choice = chosen_sweep(found)
        assert choice.sweep.follows == told
        assert choice.trouble is None
        assert choice.sweep.from_s >= log.true_s[1][0] - log.step_s
        (note,) = [note for note in choice.notes if note.get("how") == told]
        assert 5750 <= note["at_rpm"] <= 6050


def test_without_throttle_and_roller_a_gear_change_may_be_a_lift():
    log = Log().steady(2).pull(to_rpm=6000).to(6000 * 0.825, 0.3, 98.0, 165.0)
    time, speed, _, _ = log.pull().to(2500, 4, 0.0).columns(0)
    assert [one.follows for one in sweeps(time, speed)] == ["", "gear change or lift"]


def test_a_gear_change_that_cuts_the_top_off_is_a_trouble():
    log = Log().steady(2).pull(to_rpm=9500).to(9500 * 0.825, 0.3, 0.0, 165.0)
    log.pull().to(2500, 4, 0.0)
    for seed in SEEDS:
        time, speed, throttle, roller = log.columns(seed)
        choice = chosen_sweep(sweeps(time, speed, throttle, roller))
        # The part above spans less than half of the one below: neither shows the whole curve.
        assert choice.sweep.from_rpm < 5000.0
        assert words(choice.trouble).startswith("gear change at 9,")
        assert "went on to 10," in words(choice.trouble)
        assert any(words(note).startswith("gear change at 9,") for note in choice.notes)


def test_a_throttle_lifted_and_opened_again_is_not_called_a_gear_change():
    log = Log().steady(2).pull(to_rpm=6000).to(5200, 0.6, 0.0).pull().to(2500, 4, 0.0)
    for seed in SEEDS:
        time, speed, throttle, roller = log.columns(seed)
        found = [one for one in sweeps(time, speed, throttle, roller) if not one.why_not]
        assert [one.follows for one in found] == ["", "lift"]


def test_a_lower_gear_taken_on_the_way_up_breaks_the_sweep():
    log = Log().steady(2).pull(to_rpm=5000).to(6200, 0.15, 98.0, 248.0).pull().to(2500, 4, 0.0)
    for seed in SEEDS:
        time, speed, throttle, _ = log.columns(seed)
        found = [one for one in sweeps(time, speed, throttle) if not one.why_not]
        assert [one.follows for one in found] == ["", "jump"]
        assert chosen_sweep(found).sweep == found[1]
        assert found[0].to_rpm < 5150.0
        assert found[1].from_rpm > 6000.0


@pytest.mark.parametrize(
    "made", [limiter_bouncing, limiter_bouncing_hard, limiter_bouncing_fast, limiter_held]
)
def test_a_limiter_is_no_gear_change_and_no_second_sweep(made):
    for seed in SEEDS:
        time, speed, throttle, roller = made().columns(seed)
        for channels in ((), (throttle,), (throttle, roller)):
            found = sweeps(time, speed, *channels)
            choice = chosen_sweep(found)
            assert (choice.notes, choice.trouble) == ((), None)
            assert len(found) == 1


def test_a_second_pull_is_not_called_a_gear_change():
    log = plain().to(LOW_RPM, 1.0, 15.0).steady(1).pull().to(2500, 4, 0.0)
    time, speed, throttle, roller = log.columns(0)
    assert [one.follows for one in sweeps(time, speed, throttle, roller) if not one.why_not] == [
        "",
        "",
    ]


def test_a_hole_or_a_misfire_near_the_top_is_a_trouble():
    # Cut at 8,500 rpm: what remains has no peak, whichever way it was cut.
    log = Log().steady(2).pull(to_rpm=8500).to(8300, 0.3, 98.0).pull().to(2500, 4, 0.0)
    time, speed, throttle, _ = log.columns(0)
    choice = chosen_sweep(sweeps(time, speed, throttle))
    assert words(choice.trouble).startswith("break at 8,")
    hole = np.abs(time - log.true_s[0][1]) > 0.4
    choice = chosen_sweep(sweeps(time[hole], speed[hole], throttle[hole]))
    assert words(choice.trouble).startswith(("break at 7,9", "break at 8,0"))
    assert "went on to 10," in words(choice.trouble)


def test_a_misfire_low_down_is_told_and_rolling_up_to_the_start_is_not():
    log = Log().steady(2).pull(to_rpm=5000).to(4900, 0.3, 98.0).pull().to(2500, 4, 0.0)
    time, speed, _, _ = log.columns(0)
    choice = chosen_sweep(sweeps(time, speed))
    assert choice.trouble is None
    assert [words(note)[:11] for note in choice.notes if note.get("how") == "break"] in (
        ["break at 4,"],
        ["break at 5,"],
    )
    for made in (stabs_before, one_stab_in_a_short_log, rolling_up_part_open):
        for seed in SEEDS:
            time, speed, _, _ = made().columns(seed)
            assert chosen_sweep(sweeps(time, speed)).notes == ()


def test_rejected_rises_say_why():
    log = Log().steady(2).to(3900, 1.0, 98.0).to(LOW_RPM, 2, 0.0)  # too narrow
    log.to(6500, 0.8, 98.0).to(LOW_RPM, 2, 0.0)  # too quick
    log.to(8000, 5.0, 50.0).to(LOW_RPM, 3, 0.0)  # part open
    time, speed, throttle, _ = log.columns(0, noise_rpm=2.0)
    narrow, quick, part_open = (words(one.why_not) for one in sweeps(time, speed, throttle))
    assert narrow.endswith("rpm, 1500 rpm needed")
    assert quick.endswith("s, 1 s needed")
    assert part_open == "the throttle is not open to 88 %"
    with refused("no usable sweep: the longest rise with the throttle open"):
        sweep_slice(time, speed, throttle)


def test_a_spike_of_the_throttle_does_not_raise_what_counts_as_open():
    log = plain()
    log.throttle = [min(opening, 85.0) for opening in log.throttle]
    time, speed, throttle, _ = log.columns(1)
    usual = sweep_slice(time, speed, throttle)
    throttle[10:14] = 110.0
    assert sweep_slice(time, speed, throttle) == usual


def test_a_lost_throttle_sample_does_not_break_the_sweep():
    time, speed, throttle, _ = plain().columns(1)
    usual = sweep_slice(time, speed, throttle)
    throttle[250:253] = 0.0
    assert sweep_slice(time, speed, throttle) == usual


def test_a_channel_of_another_length_is_refused():
    time = np.arange(0.0, 6.0, 0.02)
    speed = 3000.0 + 1000.0 * time
    with pytest.raises(ValueError, match="throttle_pct must have the length of time_s"):
        sweeps(time, speed, np.ones(5))
    with pytest.raises(ValueError, match="roller_speed_m_s must have the length of time_s"):
        sweeps(time, speed, None, np.ones(5))
