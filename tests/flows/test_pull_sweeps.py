"""Pull files that hold more than one sweep, or a sweep cut in two: what the shop is told."""

import re

import numpy as np
import pytest


def pull_of(turns, rate_hz=20.0, share=1.0):
    """Return a pull in the layout plain-pull that goes through (seconds, rpm, throttle) points."""
    seconds, speeds, _ = (np.array(column) for column in zip(*turns, strict=True))
    time = np.arange(0.0, seconds[-1], 1.0 / rate_hz)
    lines = ["begun: 2025-03-14 10:40", "seconds,crank rpm,wheel kW,lambda,opening %"]
    for at in time:
        speed = np.interp(at, seconds, speeds)
        leg = int(np.searchsorted(seconds, at, side="right"))
        grip = turns[min(leg, len(turns) - 1)][2]
        power = share * 50.0 * (1 - ((speed - 7500) / 7000) ** 2) if grip > 90 else 2.0
        lines.append(f"{at:.2f},{speed:.0f},{power:.3f},0.870,{grip}")
    return "\n".join(lines) + "\n"


def taken_in(shop, make, text):
    shop.put("job/pull_1.csv", text)
    shop.put("job/card.toml", make.card())
    shop.work_out("out.session")
    ((is_used, trouble, notes, low, high),) = shop.rows(
        "SELECT is_used, trouble, notes, sweep_from_rpm, sweep_to_rpm FROM out.pull"
    )
    return is_used, trouble, notes, low, high


TWO = [
    (0, 3000, 15),
    (1, 3000, 15),
    (5, 7000, 100),
    (8, 2900, 0),
    (9, 2900, 15),
    (16, 9000, 100),
    (18, 4000, 0),
]


def test_of_two_sweeps_the_complete_one_is_used_and_said(shop, make):
    is_used, trouble, notes, low, high = taken_in(shop, make, pull_of(TWO))
    assert is_used, trouble
    assert "2 sweeps in this file: the second, from 3," in notes
    assert 2900 <= low <= 3400
    assert 8500 <= high <= 9000
    peaks = shop.rows("SELECT peak_power_speed_rpm FROM out.pull")
    # The curve of the layout's made-up engine has its top at 7,500 rpm: the first never got there.
    assert abs(peaks[0][0] - 7500) < 60


def weaker_first(text, share):
    """Take a share off the power of what comes before the eighth second."""
    lines = text.splitlines()
    for place, line in enumerate(lines[2:], start=2):
        cells = line.split(",")
        if float(cells[0]) < 8:
            cells[2] = f"{float(cells[2]) * (1 - share):.3f}"
        lines[place] = ",".join(cells)
    return "\n".join(lines) + "\n"


def test_how_much_the_other_sweep_differs_is_said(shop, make):
    is_used, trouble, notes, _, _ = taken_in(shop, make, weaker_first(pull_of(TWO), 0.2))
    assert is_used, trouble
    assert "the first sweep made 20.0 % less power over the speeds that both went through" in notes


@pytest.mark.parametrize("rate_hz", [4.0, 5.0, 8.0])
def test_a_slow_log_becomes_a_curve_with_its_wider_window_said(shop, make, rate_hz):
    turns = [(0, 3000, 15), (1, 3000, 15), (7, 9000, 100), (9, 4000, 0)]
    is_used, trouble, notes, low, high = taken_in(shop, make, pull_of(turns, rate_hz))
    assert is_used, trouble
    assert low <= 3800
    assert high >= 8400
    assert "few samples: the curve is smoothed over" in notes
    ((peak_w, at_rpm),) = shop.rows("SELECT peak_power_w, peak_power_speed_rpm FROM out.pull")
    # The top of the made-up engine: 50 kW at 7,500 rpm.
    assert abs(peak_w - 50_000) < 400
    assert abs(at_rpm - 7500) <= 150


def test_a_coarse_tachometer_is_no_slow_log(shop, make):
    # 100 rpm a step, and at 50 Hz some five rows a step: samples enough within 150 rpm.
    turns = [(0, 3000, 15), (1, 3000, 15), (7, 9000, 100), (9, 4000, 0)]
    lines = pull_of(turns, 50.0).splitlines()
    for place, line in enumerate(lines[2:], start=2):
        cells = line.split(",")
        cells[1] = f"{round(float(cells[1]), -2):.0f}"
        lines[place] = ",".join(cells)
    is_used, trouble, notes, _, _ = taken_in(shop, make, "\n".join(lines) + "\n")
    assert is_used, trouble
    assert "few samples" not in notes


def test_a_log_too_slow_for_its_pull_is_refused_with_the_true_reason(shop, make):
    # 6,000 rpm in 3 s at 3 Hz: 667 rpm from sample to sample, so no four within 600 of a speed.
    turns = [(0, 3000, 15), (1, 3000, 15), (4, 9000, 100), (6, 4000, 0)]
    is_used, trouble, _, _, _ = taken_in(shop, make, pull_of(turns, 3.0))
    assert not is_used
    assert "never rises" not in trouble
    assert trouble.startswith(("too few samples over the sweep", "no usable sweep: the longest"))


def test_a_gear_change_that_cuts_off_the_top_leaves_the_pull_out_with_its_speed(shop, make):
    turns = [(0, 3000, 15), (1, 3000, 15), (7, 8000, 100), (7.3, 6600, 0), (10, 9200, 100)]
    is_used, trouble, _, _, _ = taken_in(shop, make, pull_of([*turns, (12, 4000, 0)]))
    assert not is_used
    assert trouble.startswith("gear change or lifted throttle at 7,")
    assert "went on to 9," in trouble


def test_a_gear_change_low_down_is_a_note_with_its_speed(shop, make):
    turns = [(0, 3000, 15), (1, 3000, 15), (4, 5000, 100), (4.3, 4000, 0), (10, 9000, 100)]
    is_used, trouble, notes, low, _ = taken_in(shop, make, pull_of([*turns, (12, 4000, 0)]))
    assert is_used, trouble
    assert re.search(r"gear change or lifted throttle at (4,[6-9]00|5,000) rpm", notes), notes
    assert low > 3900


def test_a_plain_pull_has_nothing_to_say_of_its_sweep(shop, make):
    turns = [(0, 3000, 15), (1, 3000, 15), (7, 9000, 100), (9, 4000, 0)]
    is_used, _, notes, _, _ = taken_in(shop, make, pull_of(turns))
    assert is_used
    assert "sweep" not in notes
    assert "gear" not in notes


def test_the_peak_has_an_interval_about_what_made_it(shop, make):
    turns = [(0, 3000, 15), (1, 3000, 15), (7, 9000, 100), (9, 4000, 0)]
    taken_in(shop, make, pull_of(turns))
    ((mid, lower, upper),) = shop.rows(
        "SELECT peak_power_mid_w, peak_power_lower_w, peak_power_upper_w FROM out.pull"
    )
    # The made-up engine's top is 50 kW, the file has no weather, so it stays as observed.
    assert lower < 50_000 < upper
    assert abs(mid - 50_000) < 250
    assert 100 < upper - lower < 1500


def test_what_the_probe_reads_of_the_shut_throttle_is_no_lean_window(shop, make):
    # Sound to 7,900 rpm; in the last 0.1 s of the sweep the probe mixes in what comes after it.
    def mixture(speed):
        return 0.87 if speed < 7900 else 1.1

    shop.put("J-1/pull_1.csv", make.pull(mixture=lambda speed: mixture(speed) + speed * 1e-6))
    shop.put("J-1/card.toml", make.card())
    shop.work_out("out.session")
    ((worst, top, last),) = shop.rows(
        "SELECT max(lambda_wide), max(engine_speed_rpm) FILTER (lambda_wide IS NOT NULL), "
        "max(engine_speed_rpm) FROM out.pull_curve"
    )
    assert worst < 0.88
    # Its power is known to the end, its mixture until 0.15 s before: 1,000 rpm a second.
    assert last - 250 <= top < last
    assert shop.rows("SELECT count(*) FROM out.lean_window") == [(0,)]
