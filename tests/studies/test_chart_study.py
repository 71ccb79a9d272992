"""The simulation study of the dyno's charts: a small run of it holds."""

import numpy as np
import pytest

from tests.studies import chart_study as study


def numbers_of(line):
    return [float(cell) for cell in line.strip("| ").split("|")[3:] if cell.strip()]


def test_the_same_seed_gives_the_same_rows():
    rows = [study.stable_charts(np.random.default_rng(seed), 2) for seed in (1, 1, 2)]
    assert rows[0] == rows[1] != rows[2]
    # Three rates, three correlations, scatter known or not; and sessions of unlike pulls.
    assert len(rows[0]) == 3 * 3 * 2 + 1


def test_a_sound_shop_as_it_is_drawn_is_told_of_nothing_in_its_first_months():
    sessions, curves, pulls = study.shop(np.random.default_rng(3), 24, 0.0)
    # A spring of 110 days has too few control sessions for a chart, and the weather is sound.
    assert study.told_of([dict(row) for row in sessions[:55]], curves, pulls, True) == set()


def test_a_planted_fault_of_the_station_is_told_by_the_whole_step():
    sessions, curves, pulls = study.shop(np.random.default_rng(3), 24, 0.0)
    for row in sessions[100:112]:
        row["ambient_temp_k"] = 296.4
    assert "weather" in study.told_of([dict(row) for row in sessions], curves, pulls, True)


def test_the_best_chart_of_the_theory_has_the_published_run_lengths():
    # Lucas and Crosier, Technometrics 24, 1982, k 0.5 and h 4, both sides (from memory).
    chart = study.BestChart(0.5, 4.0)
    published = {0.0: 168.0, 0.5: 26.6, 1.0: 8.38, 2.0: 3.34}
    for off, length in published.items():
        assert chart.run_length(off) == pytest.approx(length, rel=5e-3)
    # A run length is the sum of the shares not found yet (of the side it is on).
    left = 1.0 + float((1.0 - chart.found(np.full(60, 2.0))).sum())
    assert left == pytest.approx(3.34, rel=5e-3)


def test_no_chart_passes_the_bound_of_a_test_on_the_same_sessions():
    # By hand: 4 sessions of 2 SD, one false signal in 52: Phi(sqrt(4 * 2^2) - z(1 - 4/52/2)), with
    # z(0.9615) = 1.769: Phi(2.231) = 0.987.
    seen = study.shifts_seen(0.0, 4)
    assert study.most_found(52.0, seen) == pytest.approx(0.987, abs=1e-3)
    for follows in (0.0, 0.4):
        seen = study.shifts_seen(follows, 8)
        assert study.best_chart(200.0, seen)[3] < study.most_found(200.0, seen[:4])


@pytest.mark.long
def test_the_promise_holds_on_every_line():
    chance = np.random.default_rng(study.SEED + 1)
    for line in study.stable_charts(chance, 300):
        *_, signals = numbers_of(line)
        # Counts of 300 shops know their mean within 0.08 where it is greatest.
        assert signals <= study.MOST_SIGNALS + 2 * 0.08, line
    for line in study.stable_shops(chance, 40):
        anything, *_ = numbers_of(line)
        # One signal in two years on average is told to 63 % of shops (Poisson).
        assert anything <= 63.0, line
