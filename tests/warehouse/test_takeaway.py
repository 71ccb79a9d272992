"""Tables taken away: read back by other programs' readers, and no cell that acts.

What may act is from the OWASP page "CSV Injection" and from ASVS 5.0, requirement 1.2.10; the
escape for a cell that holds quotes is RFC 4180, 2.7. How a program reads that parts cells at
semicolons is written out below.
"""

import csv
import datetime as dt
import io

import openpyxl
import polars as pl
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from polars.testing import assert_frame_equal
from python_calamine import CalamineWorkbook

from warehouse import takeaway

ABOUT = takeaway.About("Test shop", "12, published 1 Jul 2026", "SAE J1349", "Europe/Vienna")
TRIGGERS = ("=", "+", "-", "@", "\t", "\r", "\n", "\0", "＝", "＋", "－", "＠")
FORMULA_SIGNS = tuple(sign for sign in TRIGGERS if sign.isprintable())
HOSTILE = [f"{sign}SUM(1;2)" for sign in TRIGGERS]
HOSTILE += [
    "  =1+1",
    "\ufeff=1",
    "\u200b@x",
    "a;=1+1",
    'a;"=1+1"',
    "a\n=1+1",
    "a\t@x",
    "'=1",
    '"=1"',
]
HOSTILE += ['=HYPERLINK("http://example.invalid";"x")', "-2+3", "+1 234", "--1"]
HARMLESS = ["as arrived", "Ostrel Vanta 900 (2018–2023)", "a; b", "−3 %", "", "3 = 3", "1-2", "λ"]


def _frame(texts: list[str | None]) -> pl.DataFrame:
    return pl.DataFrame({"stage_name": texts, "peak_w": [1.5] * len(texts)})


def _rows(text: bytes, separator: str) -> list[list[str]]:
    """Return the cells that a program sees which parts them at a separator."""
    decoded = text.decode("utf-8-sig")
    return list(csv.reader(io.StringIO(decoded, newline=""), delimiter=separator))


def _acts(cell: str) -> bool:
    """Whether a spreadsheet would run a cell; blanks and quotes before the sign may be dropped."""
    if cell.startswith("'"):
        return False
    return cell.startswith(("\t", "\r", "\n", "\0")) or cell.lstrip(
        "\ufeff\u200b \t\r\n\"'"
    ).startswith(FORMULA_SIGNS)


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("text", HOSTILE)
def test_no_cell_of_a_csv_begins_like_a_formula(text, separator):
    rows = _rows(takeaway.as_csv(_frame([text]), {}, ABOUT), separator)
    assert not [cell for row in rows for cell in row if _acts(cell)]


@given(st.text(alphabet=[*TRIGGERS, ";", '"', "'", " ", ",", "a", "1"], max_size=12))
@example('";=1')
def test_no_mixture_of_signs_makes_a_cell_that_acts(text):
    for separator in (",", ";"):
        for row in _rows(takeaway.as_csv(_frame([text]), {}, ABOUT), separator):
            for cell in row:
                assert not _acts(cell) or cell.lstrip("+-").replace(",", "").isdigit(), row


@pytest.mark.parametrize("text", HARMLESS)
def test_a_harmless_text_is_left_as_it_is(text):
    assert _rows(takeaway.as_csv(_frame([text]), {}, ABOUT), ",")[1][0] == text


@pytest.mark.parametrize("text", ["-1.5", "+2", "-1,5", "-430"])
def test_a_text_that_is_a_number_stays_one(text):
    assert _rows(takeaway.as_csv(_frame([text]), {}, ABOUT), ",")[1][0] == text


def test_numbers_stay_numbers_also_below_zero():
    frame = pl.DataFrame({"gain": [-1.25, 3.0, None], "pulls": [-3, 2, 7]})
    text = takeaway.as_csv(frame, {}, ABOUT)
    assert text.decode("utf-8-sig").splitlines() == ['"gain","pulls"', "-1.25,-3", "3.0,2", ",7"]
    sheet = openpyxl.load_workbook(io.BytesIO(takeaway.as_xlsx(frame, {}, ABOUT)))["Table"]
    assert [[cell.value for cell in row] for row in sheet.iter_rows(min_row=2)] == [
        [-1.25, -3], [3, 2], [None, 7]
    ]  # fmt: skip
    assert {cell.data_type for cell in sheet["A"][1:]} == {"n"}


@pytest.mark.parametrize("text", [*HOSTILE, "#REF!"])
def test_a_hostile_text_in_a_spreadsheet_is_a_text_word_for_word(text):
    book = openpyxl.load_workbook(io.BytesIO(takeaway.as_xlsx(_frame([text]), {}, ABOUT)))
    cell = book["Table"]["A2"]
    assert cell.data_type == "s"
    assert cell.value.replace("␀", "\0").replace("␍", "\r") == text


def test_a_hostile_text_stays_a_text_when_a_person_edits_its_cell():
    book = openpyxl.load_workbook(io.BytesIO(takeaway.as_xlsx(_frame(["=1+1", "a"]), {}, ABOUT)))
    assert [cell.quotePrefix for cell in book["Table"]["A"][1:]] == [True, False]


def test_headings_cannot_act_either_and_stand_once_each():
    frame = pl.DataFrame({"a": [1], "b": [2], "c": [3]})
    headings = {"a": "=1+1", "b": "to [%]", "c": "to [%]"}
    assert _rows(takeaway.as_csv(frame, headings, ABOUT), ",")[0] == [
        "'=1+1", "to [%]", "to [%] (c)"
    ]  # fmt: skip
    sheet = openpyxl.load_workbook(io.BytesIO(takeaway.as_xlsx(frame, headings, ABOUT)))["Table"]
    assert [(cell.value, cell.data_type) for cell in sheet[1]] == [
        ("=1+1", "s"), ("to [%]", "s"), ("to [%] (c)", "s")
    ]  # fmt: skip


def test_the_second_sheet_says_what_the_table_is_of():
    made = takeaway.as_xlsx(_frame(["a"]), {}, ABOUT, {"peak_w": "Highest power."})
    sheet = openpyxl.load_workbook(io.BytesIO(made))["About"]
    told = dict(sheet.iter_rows(values_only=True))
    assert told["Shop"] == "Test shop"
    assert told["Snapshot"] == "12, published 1 Jul 2026"
    assert told["Reference air"] == "SAE J1349"
    assert told["peak_w"] == "Highest power."
    assert "not a certified rating" in told["What it is"]


# Vienna is one hour ahead of UTC in winter and two in summer (IANA, from memory).
MOMENTS = [
    dt.datetime(2026, 1, 5, 8, 0, tzinfo=dt.UTC),
    None,
    dt.datetime(2026, 7, 5, 22, 30, 15, 250_000, tzinfo=dt.UTC),
]


def test_moments_keep_their_instant_in_a_csv_and_the_shops_clock_in_a_spreadsheet():
    frame = pl.DataFrame({"received_at": MOMENTS, "files": [1, 2, 3]})
    cells = [row[0] for row in _rows(takeaway.as_csv(frame, {}, ABOUT), ",")[1:]]
    assert cells == ["2026-01-05T09:00:00+01:00", "", "2026-07-06T00:30:15.250+02:00"]
    assert [dt.datetime.fromisoformat(cell) if cell else None for cell in cells] == MOMENTS
    sheet = openpyxl.load_workbook(io.BytesIO(takeaway.as_xlsx(frame, {}, ABOUT)))["Table"]
    assert [cell.value for cell in sheet["A"][1:]] == [
        dt.datetime(2026, 1, 5, 9, 0), None, dt.datetime(2026, 7, 6, 0, 30, 15, 250_000)
    ]  # fmt: skip


def test_twenty_thousand_rows_come_back_as_they_were():
    rows = 20_000
    frame = pl.DataFrame(
        {
            "speed_rpm": pl.int_range(rows, eager=True).cast(pl.Float64) * 0.37 - 900.0,
            "pulls": [None if at % 7 == 0 else at for at in range(rows)],
            "run_on": [dt.date(2020, 1, 1) + dt.timedelta(days=at % 3000) for at in range(rows)],
            "stage_name": [None if at % 11 == 0 else f"stage {at}" for at in range(rows)],
            "is_used": [at % 3 == 0 for at in range(rows)],
        }
    )
    back = pl.read_csv(io.BytesIO(takeaway.as_csv(frame, {}, ABOUT)), try_parse_dates=True)
    assert_frame_equal(back, frame)
    assert_frame_equal(pl.read_parquet(io.BytesIO(takeaway.as_parquet(frame))), frame)
    book = CalamineWorkbook.from_filelike(io.BytesIO(takeaway.as_xlsx(frame, {}, ABOUT)))
    cells = book.get_sheet_by_name("Table").to_python()[1:]
    # This reader tells an empty cell as an empty text.
    told = [[None if value == "" else value for value in row] for row in cells]
    assert_frame_equal(pl.DataFrame(told, schema=frame.schema, orient="row", strict=False), frame)


def test_lists_are_told_as_json_and_infinite_figures_are_blank():
    frame = pl.DataFrame(
        {"missed": [[{"a": 1}], None], "share": [float("inf"), float("nan")], "bikes": 1}
    )
    assert _rows(takeaway.as_csv(frame, {}, ABOUT), ",")[1][0] == '[{"a": 1}]'
    sheet = openpyxl.load_workbook(io.BytesIO(takeaway.as_xlsx(frame, {}, ABOUT)))["Table"]
    assert [cell.value for cell in sheet["A"][1:]] == ['[{"a": 1}]', None]
    assert [cell.value for cell in sheet["B"][1:]] == [None, None]


def test_a_text_longer_than_a_cell_is_cut_and_shows_it():
    # 32,767 characters a cell: the format's published limit, from memory.
    made = takeaway.as_xlsx(_frame(["x" * 40_000]), {}, ABOUT)
    text = openpyxl.load_workbook(io.BytesIO(made))["Table"]["A2"].value
    assert len(text) == 32_767
    assert text.endswith("…")


def test_a_table_longer_than_a_sheet_is_refused_in_a_sentence():
    frame = pl.DataFrame({"at": pl.int_range(1_048_576, eager=True)})
    with pytest.raises(takeaway.TooLongError, match="take csv or parquet"):
        takeaway.as_xlsx(frame, {}, ABOUT)
