"""One thing keeps one name: the next number, the part that was meant, the word that is a slip."""

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.shop_words import (
    Known,
    KnownPart,
    close_parts,
    close_word,
    next_reference,
    plainly,
)

PARTS = [
    KnownPart(*part)
    for part in (
        ("air filter", "Velmora", "P4 panel"),
        ("airbox", "Velmora", "open lid"),
        ("cams", "Dunvik", "grind 2"),
        ("full exhaust", "Brask", "B5 two-stage"),
        ("full exhaust", "Halden", "H9 full line"),
        ("silencer", "Halden", "S2 slip-on"),
        ("silencer", "Orvo", "T1 short can"),
    )
]


@pytest.mark.parametrize(
    ("used", "proposed"),
    [
        (["J-0123"], "J-0124"),
        (["J-0123", "J-0200", "J-0007"], "J-0201"),
        (["J-0999"], "J-1000"),
        (["J-9"], "J-10"),
        (["2026/014", "2026/013", "2025/300", "2025/299"], "2026/015"),
        (["12b", "11b"], "13b"),
        (["night run", "J-0002"], "J-0003"),
        (["night run"], "J-0001"),
        ([], "J-0001"),
    ],
)
def test_the_next_number_follows_the_shops_own_way(used, proposed):
    assert next_reference(used, "J-0001") == proposed


def test_the_commonest_way_of_numbering_is_the_shops():
    assert next_reference(["K-7", *(f"J-{n:04d}" for n in range(20, 10, -1))], "x") == "J-0021"


def test_a_number_that_lies_in_the_inbox_is_passed_over():
    assert next_reference(["J-0123"], "J-0001", ["j-0124", "J-0125"]) == "J-0126"
    assert next_reference([], "J-0001", ["J-0001"]) == "J-0002"


@given(st.lists(st.text(max_size=12), max_size=12), st.lists(st.text(max_size=12), max_size=4))
def test_a_proposal_is_nobodys_number(used, taken):
    assert plainly(next_reference(used, "J-0001", taken)) not in {
        plainly(one) for one in [*used, *taken]
    }


@pytest.mark.parametrize("part", PARTS, ids=lambda part: part.name)
def test_one_letter_wrong_still_finds_the_part_first(part):
    whole = f"{part.maker} {part.name}"
    for at in range(len(whole)):
        for slip in (whole[:at] + whole[at + 1 :], f"{whole[:at]}x{whole[at + 1 :]}"):
            assert close_parts(slip, PARTS)[0] == part, slip


@pytest.mark.parametrize(
    ("typed", "name"),
    [
        ("Haldn s2", "S2 slip-on"),
        ("slip on halden", "S2 slip-on"),
        ("s2", "S2 slip-on"),
        ("SHORT CAN", "T1 short can"),
        ("brask", "B5 two-stage"),
        ("air filter", "P4 panel"),
    ],
)
def test_a_part_is_found_by_whatever_of_it_is_typed(typed, name):
    assert close_parts(typed, PARTS)[0].name == name


@pytest.mark.parametrize("typed", ["", "  ", "--", "zzz", "quickshift"])
def test_what_is_like_no_part_finds_none(typed):
    assert close_parts(typed, PARTS) == []


def test_of_two_equally_alike_the_one_on_more_bikes_comes_first():
    parts = [KnownPart("silencer", "Halden", "S2", 1), KnownPart("headers", "Halden", "S2", 9)]
    assert close_parts("Halden S2", parts)[0].bikes == 9


@given(st.text(max_size=30))
def test_anything_may_be_typed(typed):
    assert set(close_parts(typed, PARTS)) <= set(PARTS)
    assert close_word(typed, ["worn sport", "E10"]) in {None, "worn sport", "E10"}


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("worn sprot", "worn sport"),
        ("Worn-Sport", "worn sport"),
        ("worn sport", None),
        ("new touring", None),
        ("", None),
        ("e10", "E10"),
    ],
)
def test_a_slip_is_told_from_another_word(typed, meant):
    assert close_word(typed, ["worn sport", "E5", "E10"]) == meant


@pytest.mark.parametrize("fuel", ["E15", "E85", "E1"])
def test_another_number_is_another_fuel_and_no_slip(fuel):
    assert close_word(fuel, ["E5", "E10", "E20"]) is None


def known(**frames):
    empty = {
        "jobs": pl.DataFrame(schema={"job_id": str, "job_folder": str}),
        "bikes": pl.DataFrame(schema={"bike_id": str, "model_id": str}),
        "parts": pl.DataFrame(
            schema={"category": str, "maker": str, "part_name": str, "bikes": int}
        ),
        "setups": pl.DataFrame(
            schema={
                "map_name": str, "map_revision": int, "fuel": str, "tyre": str, "dyno": str,
                "stage_name": str,
            }
        ),
    }  # fmt: skip
    return Known.of(**empty | frames)


def test_an_empty_book_offers_what_is_usual():
    book = known()
    assert book.models() == {}
    assert book.offered("fuel") == ["E0", "E5", "E10", "E15", "E20", "E85"]
    assert book.offered("stage_name")[0] == "as arrived"
    assert book.offered("tyre") == []


def test_the_shops_own_words_come_before_the_usual_ones():
    fuels = ["Super 98", "E5", "Super 98"]
    setups = pl.DataFrame(
        {
            "map_name": ["road", "road", "stock"], "map_revision": [2, 1, None], "fuel": fuels,
            "tyre": [None, "sport", None], "dyno": [None] * 3, "stage_name": ["a", "b", "b"],
        },
        schema_overrides={"dyno": str},
    )  # fmt: skip
    book = known(setups=setups)
    assert book.offered("fuel")[:3] == ["Super 98", "E5", "E0"]
    assert book.offered("tyre") == ["sport"]
    assert book.maps == {"road": [1, 2]}
