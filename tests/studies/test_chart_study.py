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
