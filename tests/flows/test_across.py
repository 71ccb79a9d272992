"""Across bikes: curves over speed, each part by itself, odd bikes, and many verdicts at once."""

import datetime as dt
import itertools
import json
import math

import duckdb
import numpy as np
import pytest
from statsmodels.stats.multitest import multipletests

from flows.steps import attribution, over_bikes
from warehouse import statements, store, wording
from warehouse.questions import ask
from warehouse.sentences import in_words

SD, CRITICAL = 0.006, 2.2
SILENCER, FILTER, EXHAUST = ("silencer", "Orvo", "S2"), ("air filter", "Dorn", "F1"), (
    "full exhaust", "Orvo", "E9",
)  # fmt: skip


def gain(number, effect, model="M-1", bike=None, **changes):
    """Return a pooled gain with the interval of a t of 2.2 standard errors."""
    ends = [100 * math.expm1(effect + sign * CRITICAL * SD) for sign in (-1, 1)]
    return {
        "gain_id": f"G-{number:02d}", "job_id": f"J-{number}", "bike_id": bike or f"B-{number:02d}",
        "model_id": model, "run_on": dt.date(2025, 3, 1), "change_key": "silencer, map untouched",
        "change_label": "+ silencer: Orvo S2; map stays stock", "made_from": "x",
        "log_mean_gain": effect, "log_mean_gain_sd": SD, "mean_gain_lower_pct": ends[0],
        "mean_gain_upper_pct": ends[1], "log_peak_gain_sd": None, "peak_gain_lower_pct": None,
        "peak_gain_upper_pct": None, "peak_power_speed_rpm": 8000.0, "days": 0, "odd_pulls": 0,
        "level": "none", "worst_lean_error_pct": 1.0, "variance_dof": math.inf,
    } | changes  # fmt: skip


def curve(effect, low=3000.0, high=9000.0, slope=0.0, sd=SD):
    """Return a gain curve that rises evenly, with its band."""
    speed = np.arange(low, high + 1.0, 50.0)
    middle = effect + slope * (speed - 6000.0) / 1000.0
    lines = [100 * np.expm1(middle + sign * CRITICAL * sd) for sign in (0, -1, 1)]
    return np.column_stack([speed, *lines])


def made(gains, curves=None):
    curves = {row["gain_id"]: curve(row["log_mean_gain"]) for row in gains} | (curves or {})
    found = over_bikes._make(None, [{"gains": gains, "curves": curves}])
    return found["out.measured_change"], found["out.pooled_curve"], found["out.bike_against_others"]


def test_a_curve_of_one_model_is_told_by_rpm_and_that_of_all_by_the_speed_at_peak_power():
    gains = [gain(1, 0.03), gain(2, 0.03), gain(3, 0.05, "M-2", peak_power_speed_rpm=10_000.0)]
    _, points, _ = made(gains)
    of_model = [row for row in points if row["model_id"] == "M-1"]
    assert [row["engine_speed_rpm"] for row in of_model] == list(np.arange(3000.0, 9001.0, 250.0))
    assert {round(row["mean_pct"], 6) for row in of_model} == {round(100 * math.expm1(0.03), 6)}
    of_all = [row for row in points if row["model_id"] is None]
    shares = [row["peak_speed_share"] for row in of_all]
    # By hand: half of 3 bikes are 2. 3,000 to 9,000 of 8,000 rpm are 0.375 to 1.125; the third
    # bike alone begins at 0.3.
    assert (shares[0], shares[-1]) == pytest.approx((0.375, 1.125))
    assert {row["bikes"] for row in of_all if row["peak_speed_share"] > 0.91} == {2}


def test_bands_come_from_the_standard_error_of_each_speed():
    # One bike, a prior apart: the band of its mean is its own, 1.96 standard errors either way.
    wide = curve(0.03, sd=3 * SD)
    _, points, _ = made([gain(1, 0.03)], {"G-01": wide})
    row = points[3]
    half = 0.5 * (math.log1p(row["upper_pct"] / 100) - math.log1p(row["lower_pct"] / 100))
    assert half == pytest.approx(1.959964 * math.hypot(3 * SD, 0.0), rel=0.25)
    assert half > 1.959964 * 3 * SD
    assert row["next_upper_pct"] - row["next_lower_pct"] > row["upper_pct"] - row["lower_pct"]


def test_a_gain_that_rises_over_speed_is_drawn_so():
    gains = [gain(n, 0.03) for n in range(3)]
    _, points, _ = made(gains, {row["gain_id"]: curve(0.03, slope=0.01) for row in gains})
    at = {row["engine_speed_rpm"]: row["mean_pct"] for row in points if row["model_id"]}
    assert at[4000.0] == pytest.approx(100 * math.expm1(0.01), abs=1e-6)
    assert at[8000.0] == pytest.approx(100 * math.expm1(0.05), abs=1e-6)


def test_a_bike_back_three_times_is_one_bike_in_curve_and_head():
    gains = [gain(n, 0.03, bike="B-9") for n in range(3)] + [gain(5, 0.05)]
    heads, points, _ = made(gains)
    assert [(row["bikes"], row["jobs"]) for row in heads] == [(2, 4)]
    assert {row["bikes"] for row in points} == {2}


def test_a_bike_far_from_the_others_is_odd_with_what_to_look_at():
    gains = [gain(n, 0.03 + 0.001 * n) for n in range(5)]
    strange = gain(
        9, 0.13, odd_pulls=1, level="warn", worst_lean_error_pct=11.2, days=2,
        change_label="+ silencer: Yarrow T5; map stays stock",
    )  # fmt: skip
    _, _, against = made([*gains, strange])
    odd = [row for row in against if row["odd_p"] < 0.05]
    assert [row["bike_id"] for row in odd] == ["B-09"]
    assert odd[0]["foretold_upper_pct"] < odd[0]["gain_pct"]
    assert odd[0]["off_sd"] > 2.0
    said = in_words(json.dumps(odd[0]["look_at"]))
    for word in ("1 odd pull", "lean by 11.2 %", "Yarrow T5", "2 days"):
        assert word in said
    assert all(row["look_at"] == [] for row in against if row["odd_p"] >= 0.05)
    plain = made([*gains, gain(9, 0.13)])[2]
    assert [row["look_at"][0]["code"] for row in plain if row["odd_p"] < 0.05] == [
        "odd bike nothing"
    ]


@pytest.mark.parametrize(
    ("of_model", "of_others", "told"),
    [
        (4, 0, {("M-1", "one model", 3)}),
        (3, 0, set()),
        (3, 1, {("M-1", "all models", 3), ("M-2", "all models", 3)}),
        (4, 1, {("M-1", "one model", 3), ("M-2", "all models", 4)}),
    ],
)
def test_a_bike_is_held_against_three_others_at_least(of_model, of_others, told):
    gains = [gain(n, 0.03) for n in range(of_model)]
    gains += [gain(50 + n, 0.03, "M-2") for n in range(of_others)]
    _, _, against = made(gains)
    assert {(row["model_id"], row["scope"], row["bikes"]) for row in against} == told


def test_what_changed_is_told_part_by_part():
    def steps(had, has, old=("stock", None), new=("stock", None)):
        maps = {"old_map": old[0], "old_revision": old[1], "new_map": new[0],
                "new_revision": new[1]}  # fmt: skip
        return attribution._steps(maps, had, has)

    own = ("own", 1)
    assert steps([], [SILENCER], new=own) == {"silencer": 1, "remap": 1}
    assert steps([SILENCER], [EXHAUST]) == {"full exhaust": 1, "silencer": -1}
    assert steps([SILENCER], [("silencer", "Yarrow", "T5")]) == {"silencer swapped": 1}
    assert steps([], [], old=own, new=("own", 2)) == {"revision": 1}
    assert steps([FILTER], [FILTER], old=own) == {"remap": -1}


def compared(rows):
    """Return comparisons of (bike, model, what changed, effect)."""
    count = itertools.count(1)
    return [
        {
            "bike_id": bike, "model_id": model, "job_id": f"J-{bike}", "steps": steps,
            "before_stage_id": f"J-{bike}/{at}", "after_stage_id": f"J-{bike}/{at + 1}",
            "log_mean_gain": effect, "log_mean_gain_sd": SD, "variance_dof": math.inf,
        }
        for (bike, model, steps, effect), at in zip(rows, count, strict=False)
    ]  # fmt: skip


def told(rows):
    found = attribution._make(None, [compared(rows)])["out.attribution"]
    return {row["part_change"]: row for row in found}


BOTH = {"silencer": 1, "remap": 1}


def test_parts_always_fitted_together_name_the_job_that_would_tell_them_apart():
    found = told([(n, f"M-{n}", BOTH, 0.05) for n in range(6)])
    assert list(found) == ["silencer", "remap", "silencer + remap"]
    alone, together = found["silencer"], found["silencer + remap"]
    assert (alone["verdict"], alone["mean_pct"]) == ("cannot be separated", None)
    assert (alone["together_with"], alone["next_job"], alone["alone_bikes"]) == (
        "remap", "silencer", 0,
    )  # fmt: skip
    assert together["verdict"] == "real gain"
    assert together["mean_pct"] == pytest.approx(100 * math.expm1(0.05), abs=0.05)
    assert together["next_job"] is None
    said = wording.apart_sentence(alone)
    assert "cannot be separated from remap" in said
    assert "Run one bike with the silencer alone" in said


def test_one_bike_with_the_part_alone_begins_to_tell_them_apart():
    rows = [(n, f"M-{n}", BOTH, 0.05) for n in range(6)]
    before = told(rows)["silencer"]
    after = told([*rows, (9, "M-9", {"silencer": 1}, 0.02)])["silencer"]
    half = 0.5 * (after["upper_pct"] - after["lower_pct"])
    assert before["half_width_pct"] > 4 * half
    # What was promised of that job came, but for what it taught of the spreads.
    assert half == pytest.approx(before["half_width_then_pct"], rel=0.5)
    assert after["alone_bikes"] == 1


def test_a_shop_without_any_pooled_comparison_has_no_attribution():
    assert attribution._make(None, [[]]) == {"out.attribution": []}


@pytest.fixture
def shelf():
    """Open an empty database with all tables."""
    with duckdb.connect() as connection:
        for layer in statements.LAYERS:
            connection.execute(f"CREATE SCHEMA {layer}")
        for statement in statements.definitions().values():
            connection.execute(statement)
        yield connection


def fill(shelf, p_values):
    rows = [
        {"change_key": f"c{n}", "model_id": "m", "bikes": 1, "jobs": 1, "own_mean_pct": 1.0,
         "own_lower_pct": 0.0, "own_upper_pct": 2.0, "own_p": p, "made_from": "x"}
        for n, p in enumerate(p_values)
    ]  # fmt: skip
    store.insert(shelf, "out.measured_change", store.frame(shelf, "out.measured_change", rows))
    shelf.execute("CREATE OR REPLACE VIEW out.stage AS SELECT 'm' AS model_id, 'M' AS model_label")
    found = ask(shelf, "measured_changes")
    return {row["change_key"]: row for row in found.iter_rows(named=True)}


# The 15 comparisons of two treatments that Benjamini and Hochberg 1995 work through; from memory.
WORKED = [
    0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719,
    0.6528, 0.7590, 1.0,
]  # fmt: skip


def test_the_worked_example_of_benjamini_and_hochberg_keeps_four(shelf):
    found = fill(shelf, WORKED)
    assert [found[f"c{n}"]["is_held_by_fdr"] for n in range(15)] == [True] * 4 + [False] * 11
    assert sum(row["is_real_alone"] for row in found.values()) == 9


def test_shares_of_wrong_ones_are_those_of_a_statistics_library(shelf):
    rng = np.random.default_rng(4)
    p_values = [*rng.uniform(size=20) ** 3, 0.01, 0.01, 0.01]  # ties among them
    rng.shuffle(p_values)
    found = fill(shelf, p_values)
    wanted = multipletests(p_values, method="fdr_bh")[1]
    got = [found[f"c{n}"]["false_share"] for n in range(len(p_values))]
    assert got == pytest.approx(list(wanted))


def test_of_combinations_that_do_nothing_few_lists_hold_a_wrong_one(shelf):
    # 100 shops of 20 changes that do nothing: one list in twenty may hold a wrong one; 3 SD of
    # that are 6.5 lists.
    rng = np.random.default_rng(8)
    wrong = 0
    for _ in range(100):
        found = fill(shelf, rng.uniform(size=20))
        wrong += any(row["is_held_by_fdr"] for row in found.values())
        shelf.execute("DELETE FROM out.measured_change")
    assert wrong <= 5 + 6.5


def test_chance_is_told_beside_many_verdicts():
    assert "chance alone would make 2.9 of so many" in wording.by_chance(24, 19, 57)
    assert "19 stand with at most 1 in 20" in wording.by_chance(24, 19, 57)
    assert wording.by_chance(1, 1, 1).startswith("1 combination was measured; 1 shows")
    assert "four with the same change" in wording.odd_sentence(0, 0)
