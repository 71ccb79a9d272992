"""Tests of which files a card's names and patterns take."""

from __future__ import annotations

import pytest

from schemas.card_files import in_number_order, is_pattern, takes


@pytest.mark.parametrize(
    ("entry", "name", "others", "expected"),
    [
        ("run_1.csv", "run_1.csv", (), True),
        ("run_1.csv", "run_2.csv", (), False),
        ("run_1.csv", "RUN_1.csv", (), False),
        ("h\u00f6he.csv", "ho\u0308he.csv", (), True),
        ("run_*.csv", "run_1.csv", (), True),
        ("run_*.csv", "run_1.csv", ("run_1.csv",), False),
        ("run_?.csv", "run_10.csv", (), False),
        ("run[1].csv", "run[1].csv", (), True),
        ("run[1].csv", "run1.csv", (), True),
    ],
)
def test_an_entry_takes_its_name_and_what_no_other_entry_names(entry, name, others, expected):
    assert takes(entry, name, {entry, *others}) is expected


def test_brackets_alone_make_no_pattern():
    assert [is_pattern(entry) for entry in ("run[1].csv", "run_*.csv", "run_?.csv")] == [
        False, True, True,
    ]  # fmt: skip


def test_files_stand_in_the_order_of_their_numbers():
    assert sorted(["r10.csv", "r9.csv", "r1.csv", "q.csv"], key=in_number_order) == [
        "q.csv", "r1.csv", "r9.csv", "r10.csv",
    ]  # fmt: skip
