"""What may stand in a share file: closed codes, ids and names, and nothing else that was typed."""

import re

import pytest

from flows.steps.gains import change_of
from schemas.card import CATEGORIES
from schemas.share import (
    CHANGE,
    SCHEMA,
    SHARED,
    NameBook,
    folded,
    judge_share,
    may_be_name,
    read_names,
    spellings,
)
from schemas.toml_text import MistakesError
from tests.studies.pooled_shops import share_frame

NAMES = {"model", "parts"}
"""The only texts that a person wrote; both go through the dictionary of names."""


def rows(**fixed):
    import numpy as np

    return share_frame(np.random.default_rng(0), 1, bikes=2, changes=2, **fixed)


def test_every_text_is_a_code_an_id_or_a_name_of_the_dictionary():
    for name, column in SHARED.items():
        if str(SCHEMA[name]) != "String":
            assert column.kind == "number", name
        elif column.kind == "name":
            assert name in NAMES & {"model", "parts"}, name
        else:
            assert column.kind in ("code", "id"), name
            assert column.codes or column.pattern in (r"[0-9a-f]{16}", CHANGE), name


def test_no_column_says_who_where_which_job_or_which_day():
    for name in SHARED:
        assert not re.search(
            r"owner|customer|name|plate|vin|job|file|note|lat|lon|day|date|run_on|phone|address",
            name,
        ), name


def test_a_column_more_is_refused():
    import polars as pl

    with pytest.raises(TypeError):
        judge_share(rows().with_columns(note=pl.lit("call Huber")))


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("change", "silencer, map untouched; for Huber"),
        ("shop_id", "Huber's garage 01"),
        ("fuel", "Huber's mix"),
        ("model", "Strada\n690"),
        ("model", "a" * 241),
        ("parts", "=cmd()"),
        ("lean_grade", "see note"),
        ("log_mean_gain", float("nan")),
        ("log_mean_gain", 3.0),
        ("mean_gain_variance", 0.0),
        ("mean_gain_variance", 1e9),
        ("year", 20250314),
        ("mounting", None),
    ],
)
def test_a_row_with_what_cannot_be_is_kept_out(column, value):
    assert judge_share(rows()).rejected == {}
    judged = judge_share(rows(**{column: value}))
    assert judged.kept.is_empty()
    assert judged.rejected == {column: 4}


def stage(parts, map_name="stock", revision=None, fuel="E5"):
    built = [(category, "Halden", "S2") for category in parts]
    return {"parts": built, "map_name": map_name, "map_revision": revision, "fuel": fuel}


def test_every_kind_of_change_that_the_shop_makes_has_a_place():
    ways = [
        stage(parts, *shop_map, fuel=fuel)
        for parts in ((), ("silencer",), ("full exhaust", "airbox"), (CATEGORIES[-1],))
        for shop_map in (("stock", None), ("road", 1), ("road", 2))
        for fuel in ("E5", "E10")
    ]
    swapped = stage(("silencer",)) | {"parts": [("silencer", "Orvo", "T1")]}
    for before in ways:
        for after in (*ways, swapped):
            kind, key, _ = change_of(before, after)
            if kind != "nothing":
                assert re.fullmatch(CHANGE, key), key


def test_names_are_one_without_case_blanks_and_punctuation():
    assert folded("Halden  S-2 slip_on!") == folded("HALDEN s2 Slip-On")
    assert folded("S2") != folded("S3")
    book = read_names('[parts]\n"Halden S2" = ["Halden Stwo"]\n', "names.toml")
    assert spellings(book.parts)[folded("halden STWO")] == "Halden S2"


def test_a_spelling_under_two_names_is_a_mistake():
    with pytest.raises(MistakesError, match="S2"):
        read_names('[parts]\n"Halden S2" = ["S2"]\n"Orvo T1" = ["s-2"]\n', "names.toml")
    assert NameBook().models == {}


def test_a_name_is_one_short_line():
    assert may_be_name("Halden S2 slip-on")
    assert may_be_name("Ostrel Calmera 850 2018-2022 849")
    for text in ("", "two\nlines", "<b>", "=1+1", "a@b.org", "x" * 241, "\u202eabc"):
        assert not may_be_name(text), text
