"""Golden cases: a folder each under `cases/<layer>.<table>/`, inputs and what must come of them."""

import csv
from pathlib import Path

import pytest

from warehouse import store

CASES = Path(__file__).parent / "cases"


def expected(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def same(found, text):
    if isinstance(found, bool):
        return str(found).lower() == text
    if isinstance(found, float) and text:
        # A figure is right to half a unit in the last digit that the case prints.
        digits = len(text.split(".")[1]) if "." in text else 0
        return abs(found - float(text)) <= 0.5 * 10**-digits
    return ("" if found is None else str(found)) == text


@pytest.mark.parametrize(
    "case", sorted(CASES.glob("*/*")), ids=lambda case: f"{case.parent.name}-{case.name}"
)
def test_a_table_is_what_its_case_expects(case, loose):
    for path in sorted(case.glob("*.csv")):
        if path.stem != "expect":
            loose.put_csv(path.stem, path)
    rows = expected(case / "expect.csv")
    names = list(rows[0])
    assert set(names) <= set(store.columns(loose.connection, case.parent.name))
    query = f"SELECT {', '.join(names)} FROM {case.parent.name} ORDER BY ALL"  # noqa: S608
    found = loose.rows(query)
    assert len(found) == len(rows), found
    for row, wanted in zip(found, rows, strict=True):
        told = dict(zip(names, row, strict=True))
        assert all(same(told[name], wanted[name]) for name in names), (told, wanted)


def test_every_view_that_is_more_than_a_join_has_a_case():
    have = {path.name for path in CASES.iterdir()}
    assert have == {
        "out.comeback", "out.file", "out.layout_gap", "out.news", "out.quarter",
        "out.quarter_figure", "out.quarter_gain", "out.rejected_row", "out.stage",
    }  # fmt: skip
