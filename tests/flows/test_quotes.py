"""Quotes by date: what would have been told of each bike, from the bikes of earlier days alone."""

import datetime as dt
import math
import random
from unittest import mock

import pytest

from flows import quote_answers
from flows.mixture_answers import NothingKnownError
from flows.quote_answers import print_quote
from flows.steps import effects
from flows.steps.promises import PROMISES, _marks_by_day, promises
from flows.terminal import console
from warehouse.snapshot import current

FIGURE = "mean gain over the riding range"


def gain(number, day, effect_pct, model="M-1", bike=None, sd=0.008):
    return {
        "gain_id": f"G-{number}", "job_id": f"J-{number}", "bike_id": bike or f"B-{number}",
        "model_id": model, "run_on": dt.date(2025, 3, day), "change_key": "silencer",
        "change_kind": "parts only", "log_mean_gain": math.log1p(effect_pct / 100),
        "log_mean_gain_sd": sd, "log_peak_gain": None, "log_peak_gain_sd": None,
        "variance_dof": 8.0,
    }  # fmt: skip


def replayed(rows):
    ids = {row["gain_id"] for row in rows}
    return {made["gain_id"]: made for made in promises(rows, FIGURE, "mean", ids)}


ROWS = [
    gain(1, 3, 3.1), gain(2, 4, 4.2), gain(3, 4, 2.9), gain(4, 6, 3.8, "M-2"), gain(5, 9, 3.5),
    gain(6, 12, 9.0, "M-3"),
]  # fmt: skip


def test_the_first_bikes_have_no_quote_and_those_of_one_day_do_not_tell_of_each_other():
    made = replayed(ROWS)
    assert set(made) == {"G-2", "G-3", "G-4", "G-5", "G-6"}
    assert [made[f"G-{n}"]["bikes"] for n in (2, 3, 4, 5, 6)] == [1, 1, 0, 3, 0]
    assert [made[f"G-{n}"]["other_bikes"] for n in (2, 3, 4, 5, 6)] == [0, 0, 3, 1, 5]


@pytest.mark.parametrize("later", [4, 5])
def test_what_came_later_changes_no_quote(later):
    other = [*ROWS[:later], *(row | {"log_mean_gain": 0.3} for row in ROWS[later:])]
    ends = ("next_lower_pct", "next_upper_pct", "measured_lower_pct", "measured_upper_pct")
    for number in range(2, later + 2):
        before, after = (replayed(rows)[f"G-{number}"] for rows in (ROWS, other))
        assert [before[end] for end in ends] == [after[end] for end in ends]


def test_what_is_quoted_now_is_what_the_next_bike_is_held_against():
    heads = effects._pool(ROWS[:5], FIGURE, "mean")[0]
    known = next(head for head in heads if head["model_id"] == "M-1")
    other = next(head for head in heads if head["model_id"] is None)
    made = replayed([*ROWS[:5], gain(7, 20, 3.0), gain(8, 20, 3.0, "M-9")])
    for promise, head in ((made["G-7"], known), (made["G-8"], other)):
        for end in ("next_lower_pct", "next_upper_pct", "measured_lower_pct", "measured_upper_pct"):
            assert promise[end] == pytest.approx(head[end], rel=1e-9)


def test_a_bike_that_comes_again_is_no_next_bike():
    made = replayed([*ROWS[:3], gain(4, 8, 3.0, bike="B-1"), gain(5, 9, 3.0)])
    assert "G-4" not in made
    assert made["G-5"]["bikes"] == 3


def test_a_quote_is_held_where_what_came_lies_in_the_measured_range():
    made = replayed(ROWS)
    assert made["G-5"]["is_held"]
    assert not made["G-6"]["is_held"]
    for promise in made.values():
        low, high = promise["measured_lower_pct"], promise["measured_upper_pct"]
        assert promise["is_held"] == (low <= promise["shown_pct"] <= high)
        assert low < promise["next_lower_pct"] < promise["next_upper_pct"] < high


def test_a_gain_whose_peak_was_not_reached_makes_no_promise_of_a_peak():
    asked = {row["gain_id"] for row in ROWS}
    made = PROMISES.make(None, [{"gains": ROWS, "asked": asked}])
    assert {promise["figure"] for promise in made["out.promise"]} == {FIGURE}


def test_one_quote_asked_for_alone_is_what_the_pool_of_its_day_would_have_told():
    # Bikes that come again, several a day, models that come late: the pool grows by all of them.
    chance = random.Random(4)
    rows = [
        gain(n, 1 + n // 3, chance.gauss(4, 1.5), f"M-{chance.randint(1, 1 + n // 6)}",
             f"B-{chance.randint(0, n)}", chance.uniform(0.004, 0.02))
        for n in range(80)
    ]  # fmt: skip
    every = replayed(rows)
    assert len(every) > 30
    for gain_id, promise in every.items():
        assert promises(rows, FIGURE, "mean", {gain_id}) == [promise]
        earlier = [row for row in rows if row["run_on"] < promise["run_on"]]
        heads = {head["model_id"]: head for head in effects._pool(earlier, FIGURE, "mean")[0]}
        head = heads.get(promise["model_id"], heads[None])
        for end in ("next_lower_pct", "next_upper_pct", "measured_lower_pct", "measured_upper_pct"):
            assert promise[end] == pytest.approx(head[end], rel=1e-9)


def test_a_later_gain_leaves_what_the_quotes_before_it_rest_on():
    told = {row["gain_id"]: str(row) for row in ROWS}
    marks = [_marks_by_day(rows, told) for rows in (ROWS[:5], ROWS)]
    assert [set(of_day) for of_day in marks] == [set(replayed(rows)) for rows in (ROWS[:5], ROWS)]
    assert marks[0].items() < marks[1].items()
    # Of one day none tells of another; of later days all rest on it.
    other = _marks_by_day(ROWS, told | {"G-3": "corrected"})
    assert {one for one in other if other[one] != marks[1][one]} == {"G-3", "G-4", "G-5", "G-6"}


@pytest.fixture(scope="module")
def little(tmp_path_factory, make, open_little_shop):
    """Take in three bikes of one model, each before and after a slip-on."""
    shop = open_little_shop(tmp_path_factory.mktemp("quotes") / "shop")
    for bike in (1, 2, 3):
        day = f"2025-03-{10 + bike}"
        stages = []
        for name, level in (("came", 1.0), ("fitted", 1.03 + 0.004 * bike)):
            files = [f"{name}_{bike}_{pull}.csv" for pull in (1, 2)]
            for pull, file in enumerate(files):
                text = make.pull(level * (1 + 0.001 * pull), begun=f"{day} 10:4{pull}")
                shop.put(f"J-{bike}/{file}", text)
            parts = [make.part()] if name == "fitted" else []
            stages.append(make.stage(name, files, parts=parts))
        shop.put(f"J-{bike}/card.toml", make.card(f"J-{bike}", bike=f"B-{bike}", stages=stages))
    shop.update()
    return shop


def said(*arguments):
    with mock.patch.object(console, "_width", 80), console.capture() as written:
        print_quote(*arguments, of_peak=False)
    return written.get()


def test_each_next_bike_of_a_shop_was_promised_something(little):
    rows = little.rows(
        "SELECT bikes, is_held FROM out.promise WHERE figure LIKE 'mean%' ORDER BY run_on"
    )
    assert rows == [(1, True), (2, True)]


def change_of(little):
    ((change,),) = little.rows("SELECT DISTINCT change_key FROM out.pooled_effect")
    return change


def test_a_quote_fits_the_terminal_and_carries_its_cautions(little):
    text = said(current(little.folder.root), "", change_of(little))
    assert "19 of 20" in text
    assert "3 bikes of this model had it" in text
    assert "2 of the last 2 quotes came true" in text
    assert "Cautions:" in text
    lines = text.splitlines()
    assert len(lines) <= 40
    assert max(map(len, lines)) <= 80


def test_a_model_and_a_change_that_never_were_are_answered(little):
    snapshot = current(little.folder.root)
    assert "We have never measured this change" in said(snapshot, "Nosuch 900", change_of(little))
    assert "cannot be told" in said(snapshot, "", "turbo kit")


def test_a_name_that_fits_several_lists_them():
    with pytest.raises(NothingKnownError, match=r"'a' fits 2 changes; name one:\n  a b\n  a c"):
        quote_answers._named("a", ["a b", "a c"], "changes")
    assert quote_answers._named("A B", ["a b", "a b c"], "changes") == "a b"
    assert quote_answers._named("turbo", ["a b"], "changes") == "turbo"


def test_a_typed_hyphen_finds_a_name_with_a_dash():
    # Bug: the shop's own bikes were told as those of another model.
    known = ["Calmera (2018–2022)", "Calmera (2013–2017)"]
    assert quote_answers._named("calmera (2018-2022)", known, "models") == known[0]
