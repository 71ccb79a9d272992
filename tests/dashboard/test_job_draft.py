"""A card while it is filled in: every mistake at once, at its field; nothing lost on the way."""

import datetime as dt
import re
import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.job_draft import (
    Draft,
    StageDraft,
    field_words,
    for_bike,
    judged,
    pull_files,
    unplaced,
)
from dashboard.shop_words import Known
from schemas.card import JobCard
from schemas.card_text import card_text
from tests.schemas.test_card_text import contents

TODAY = dt.date(2026, 6, 1)
BIKE = {
    "bike_id": "B-1", "model_id": "Corvane Strada 690 2016-2019 690", "make": "Corvane",
    "model": "Strada 690", "first_year": 2016, "last_year": 2019, "displacement_cc": 690.0,
    "cylinders": 1, "induction": "natural", "model_year": 2017, "is_control": False,
    "job_id": "J-1", "job_folder": "J-1", "received_on": dt.date(2025, 3, 14),
}  # fmt: skip
BOOK = Known(jobs={"J-1": "J-1"}, bikes={"B-1": BIKE}, maps={"road": [1, 2]})


def stage(**changes):
    return StageDraft(**{"name": "as arrived", "fuel": "E5", "pulls": ["run_1.csv"]} | changes)


def draft(stages=None, **changes):
    return Draft(
        **{
            "job": "J-2", "received": TODAY, "reference": "B-2", "make": "Corvane",
            "model": "Strada 690", "first_year": 2016, "last_year": 2019, "displacement_cc": 690.0,
            "stages": [stage()] if stages is None else stages,
        }
        | changes
    )  # fmt: skip


def mistakes(of, **ways):
    return judged(of, BOOK, today=TODAY, **ways).mistakes


@given(contents())
def test_a_card_goes_through_the_form_and_comes_out_the_same(content):
    card = JobCard.model_validate(content)
    form = Draft.from_content(tomllib.loads(card_text(card)))
    assert JobCard.model_validate(form.content()) == card


anything = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text() | st.dates()
    | st.datetimes(),
    lambda inner: st.lists(inner, max_size=3)
    | st.dictionaries(
        st.sampled_from(
            ["job", "received", "bike", "stage", "map", "parts", "pulls", "name", "revision",
             "generation", "displacement_cc", "induction", "category", "file", "reason", "by"]
        ),
        inner,
        max_size=5,
    ),
    max_leaves=20,
)  # fmt: skip


@given(
    st.dictionaries(st.sampled_from(["job", "received", "bike", "stage", "set_aside"]), anything)
)
def test_a_card_of_any_nonsense_opens_as_a_form_that_can_be_judged(content):
    form = Draft.from_content(content)
    assert form.stages
    assert judged(form, BOOK).card is None or judged(form, BOOK).mistakes == {}


def test_a_draft_without_a_mistake_gives_the_card():
    verdict = judged(draft(), BOOK, files=["run_1.csv"], today=TODAY)
    assert verdict.mistakes == {}
    assert verdict.card.stage[0].pulls == ["run_1.csv"]
    assert verdict.cautions == []


def test_a_blank_form_says_what_to_fill_in_field_by_field():
    verdict = judged(Draft(), Known())
    assert verdict.card is None
    assert verdict.blanks == {
        "job", "received", "bike.reference", "bike.make", "bike.model", "bike.generation",
        "bike.displacement_cc", "stage.0.fuel",
    }  # fmt: skip
    assert verdict.blanks == set(verdict.mistakes)


@pytest.mark.parametrize(
    ("changes", "field", "said"),
    [
        ({"year": 2020}, "bike", "2016-2019"),
        ({"first_year": 2020}, "bike.generation", r"\[2020, 2019\]"),
        ({"displacement_cc": -690.0}, "bike.displacement_cc", "greater than 20"),
        ({"cylinders": 12}, "bike.cylinders", "less than or equal to 8, not 12"),
        ({"owner": "x" * 61}, "bike.owner", "at most 60 letters, this has 61"),
        ({"job": "J-1"}, "job", "in the book already, from folder J-1"),
        ({"reference": "B-1", "model": "Strada 790"}, "bike.reference", "Choose that bike"),
        ({"induction": "forced"}, "bike.induction", "natural induction in the book"),
        ({"stages": [stage(gear=9)]}, "stage.0.gear", "less than or equal to 8"),
        ({"stages": [stage(target_lambda=14.7)]}, "stage.0.target_lambda", "1.05, not 14.7"),
        ({"stages": [stage(map_name="road")]}, "stage.0.map.revision", "Fill this in"),
        ({"stages": [stage(map_name="", map_revision=1)]}, "stage.0.map.name", "Fill this in"),
        ({"stages": [stage(map_name="Stock", map_revision=1)]}, "stage.0.map.name", "untouched"),
        (
            {"stages": [stage(map_name="road", map_revision=2, map_from=2)]},
            "stage.0.map.from", "earlier revision than 2",
        ),
        ({"stages": [stage(parts=[("loud", "Halden", "S2")])]}, "stage.0.parts.0.category",
         "not loud"),
        ({"stages": [stage(parts=[("silencer", "Orvo", "")])]}, "stage.0.parts.0.name", "least 1"),
        ({"stages": [stage(parts=[("silencer", "a", "b")] * 2)]}, "stage.0.parts", "part twice"),
        ({"stages": [stage(pulls=["../run_1.csv"])]}, "stage.0.pulls", "beside the card"),
        ({"stages": [stage(), stage(name="")]}, "stage.1.name", "Fill this in"),
        ({"stages": [stage(), stage()]}, "", "stage 1 and stage 2"),
        ({"stages": [stage(suggestion_entered=True)]}, "", "no stage of this job came before"),
    ],
)  # fmt: skip
def test_a_mistake_stands_at_its_own_field_and_no_other(changes, field, said):
    found = mistakes(draft(**changes), files=["run_1.csv"] if "stages" not in changes else [])
    assert list(found) == [field]
    assert len(found[field]) == 1
    assert re.search(said, found[field][0], re.IGNORECASE), found


def test_all_mistakes_are_told_at_once():
    wrong = draft(job="J-1", make="", year=1990, stages=[stage(fuel="", gear=9)])
    assert set(mistakes(wrong)) == {
        "job", "bike.make", "stage.0.fuel", "stage.0.gear",
    }  # fmt: skip


def test_a_card_that_is_corrected_may_keep_its_job_and_change_its_bikes_model():
    assert mistakes(draft(job="J-1", reference="B-1", model="Strada 690"), folder="J-1") == {}
    assert mistakes(draft(job="J-1", reference="B-1", model="Strada 790"), folder="J-1") == {}
    assert "job" in mistakes(draft(job="J-1"), folder="another")


def test_every_dropped_file_must_find_a_stage():
    found = mistakes(draft(), files=["run_1.csv", "run_2.csv"])
    assert found["files"][0].startswith("run_2.csv stands under no stage")
    assert mistakes(draft([stage(pulls=["run_*.csv"])]), files=["run_1.csv", "run_2.csv"]) == {}


def test_a_name_with_brackets_does_not_take_another_file_unsaid():
    # Intake reads run[1].csv as a pattern too, and run1.csv fits it.
    found = mistakes(draft([stage(pulls=["run[1].csv"])]), files=["run[1].csv", "run1.csv"])
    assert "would take in run1.csv as well" in found["stage.0.pulls"][0]


def test_files_under_no_stage_are_found_whatever_form_their_letters_have():
    one = draft([stage(pulls=["o\u0308l_1.csv"], rides=["ride_*.csv"])])
    assert unplaced(one, ["öl_1.csv", "ride_1.csv", "x.csv"]) == ["x.csv"]


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"received": dt.date(2026, 6, 2)}, "still to come"),
        ({"make": "Corvanne"}, "Corvanne is much like Corvane"),
        ({"stages": [stage(map_name="Road", map_revision=3)]}, "Road is much like road"),
        ({"stages": [stage(fuel="e5")]}, "e5 is much like E5"),
        ({"stages": [stage(pulls=[])]}, "no file yet"),
    ],
)
def test_what_may_be_a_slip_is_worth_a_word_and_no_mistake(changes, said):
    verdict = judged(draft(**changes), BOOK, today=TODAY)
    assert verdict.mistakes == {}
    assert any(said in caution for caution in verdict.cautions), verdict.cautions


def test_spaces_around_what_is_typed_are_no_part_of_it():
    verdict = judged(draft(job=" J-2 ", stages=[stage(fuel=" E5 ")]), BOOK)
    assert (verdict.card.job, verdict.card.stage[0].fuel) == ("J-2", "E5")


def test_a_bike_of_the_book_brings_its_model_along():
    form = Draft()
    for_bike(form, BIKE)
    form.job, form.received, form.reference, form.stages = "J-2", TODAY, "B-1", [stage()]
    assert judged(form, BOOK).mistakes == {}


@pytest.mark.parametrize(
    ("field", "words"),
    [
        ("job", "job number"),
        ("bike.make", "make"),
        ("stage.1.fuel", "fuel of stage 2"),
        ("stage.0.map.revision", "revision of the map of stage 1"),
    ],
)
def test_a_field_is_called_as_on_the_page(field, words):
    assert field_words(field) == words


def test_a_new_bike_under_a_reference_of_the_shop_is_a_mistake():
    # Same model, nothing else objects: two machines would become one.
    same = draft(reference="b-1 ")
    assert "card in folder J-1" in mistakes(same, is_new_bike=True)["bike.reference"][0]
    assert mistakes(draft(reference="B-1")) == {}


def test_a_bike_on_a_card_that_was_not_taken_in_is_known_and_its_reference_taken():
    card = JobCard.model_validate(draft(reference="B-2").content())
    book = BOOK.with_lying({"J-2": card, "J-3": {"job": "J-3", "bike": {"reference": "B-3"}}})
    assert list(book.bikes) == ["B-2", "B-1"]
    assert book.bikes["B-2"].keys() == BIKE.keys()
    for reference, folder in (("B-2", "J-2"), ("B-3", "J-3")):
        found = judged(draft(job="J-4", reference=reference), book, is_new_bike=True).mistakes
        assert f"card in folder {folder}" in found["bike.reference"][0]
    assert judged(draft(job="J-4", reference="B-2"), book).mistakes == {}
    found = judged(draft(job="J-3", reference="B-4"), book).mistakes["job"][0]
    assert "is on the card in folder J-3" in found
    assert (book.next_job([]), book.next_bike()) == ("J-4", "B-4")


def test_a_slip_on_a_card_that_waits_does_not_decide_the_next_numbers():
    slip = {"J-9001": {"job": "J-9001", "bike": {"reference": "B-9001"}}}
    book = BOOK.with_lying(slip)
    assert (book.next_job(["J-2"]), book.next_bike()) == ("J-3", "B-2")
    assert (Known().with_lying(slip).next_job([]), Known().next_bike()) == ("J-9002", "B-0001")


@pytest.mark.parametrize(("field", "value"), [("year", 2018), ("cylinders", 2)])
def test_what_no_bike_can_change_is_held_against_its_earlier_card(field, value):
    found = mistakes(draft(reference="B-1", **{field: value}))
    assert "by job J-1" in found[f"bike.{field}"][0]
    assert mistakes(draft(reference="B-1", **{field: BIKE.get(field) or 2017})) == {}
    # The card that said so may be put right.
    assert mistakes(draft(job="J-1", reference="B-1", **{field: value}), folder="J-1") == {}


def test_another_owner_is_worth_a_look_and_no_mistake():
    sold = judged(draft(reference="B-1", owner="C-9"), BOOK, last_owner="C-4")
    assert sold.mistakes == {}
    assert any("C-4 the last time" in said for said in sold.cautions)
    same = judged(draft(reference="B-1", owner="c-4"), BOOK, last_owner="C-4")
    assert not any("the last time" in said for said in same.cautions)


def test_a_card_that_is_corrected_to_another_bike_says_whose_jobs_it_joins():
    opened = draft(reference="B-2")
    moved = judged(draft(reference="B-1"), BOOK, folder="J-2", opened=opened)
    assert any("B-1 is another bike of the shop" in said for said in moved.cautions)
    spelt = judged(draft(reference="b-1"), BOOK, folder="J-2", opened=opened)
    assert any("much like B-1" in said for said in spelt.cautions)


@pytest.mark.parametrize("name", ["..", "---", "/"])
def test_a_number_needs_a_letter_or_a_digit(name):
    assert "no letter and no digit" in mistakes(draft(job=name))["job"][0]
    assert "no letter and no digit" in mistakes(draft(reference=name))["bike.reference"][0]


def test_a_pull_set_aside_needs_a_reason_at_its_own_field():
    assert mistakes(draft(set_aside=[("run_1.csv", " ", "MK")])) == {
        "set_aside.0.reason": ["Fill this in."]
    }
    assert field_words("set_aside.0.reason") == "reason why a pull is set aside"


def test_a_stage_left_without_a_pull_that_counts_is_worth_a_word():
    found = judged(draft(set_aside=[("run_1.csv", "clutch slipped", "")]), BOOK, today=TODAY)
    assert not found.mistakes
    assert found.cautions == [
        "Every pull of stage 1 is set aside: it will have no curve and no gain."
    ]


def test_pulls_that_a_pattern_takes_are_offered_one_by_one():
    form = draft([stage(pulls=["run_*.csv", "last.csv"], rides=["run_9.csv"])])
    files = ["run_1.csv", "run_2.csv", "run_9.csv", "note.txt"]
    assert pull_files(form, files) == ["last.csv", "run_1.csv", "run_2.csv"]
