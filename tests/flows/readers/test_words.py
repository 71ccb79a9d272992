"""Numbers and units as files write them."""

import csv
import io

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flows.readers.words import known_unit, name_and_unit, number, numbers
from schemas.units import known_units


@pytest.mark.parametrize(
    ("cell", "decimal", "thousands", "wanted"),
    [
        ("1004", ".", "", 1004.0), (" 12 ", ".", "", 12.0), ("+5", ".", "", 5.0),
        ("-2.50", ".", "", -2.5), ("−4", ".", "", -4.0), ("1e3", ".", "", 1000.0),
        (".5", ".", "", 0.5), ("5.", ".", "", 5.0), ("1,5", ",", "", 1.5),
        ("1.234,5", ",", ".", 1234.5), ("1.234.567", ",", ".", 1_234_567.0),
        ("1,234.5", ".", ",", 1234.5), ("12 345,6", ",", " ", 12_345.6),
        ("12\u00a0345", ".", " ", 12_345.0), ("1'234.5", ".", "'", 1234.5),
    ],
)  # fmt: skip
def test_numbers_by_their_marks(cell, decimal, thousands, wanted):
    assert number(cell, decimal, thousands) == wanted


@pytest.mark.parametrize(
    ("cell", "decimal", "thousands"),
    [
        ("1.234", ",", ""), ("1,234", ".", ""), ("1.23", ",", "."), ("12.34", ",", "."),
        ("1.2345,0", ",", "."), ("1_000", ".", ""), ("0x1F", ".", ""), ("inf", ".", ""),
        ("1e999", ".", ""), ("12:30", ".", ""), ("1 234", ".", ""), ("1.2.3", ".", ""),
        ("--", ".", ""), ("4-5", ".", ""), ("12 monkeys", ".", ""), ("#DIV/0!", ".", ""),
    ],
)  # fmt: skip
def test_a_mark_that_was_not_agreed_on_makes_no_number(cell, decimal, thousands):
    assert number(cell, decimal, thousands) is None


def test_units_behind_the_numbers_are_told():
    cells = pl.Series(["12.5 kW", "13 kW", "14", "-"])
    values, odd, units = numbers(cells, decimal=".", thousands="", missing=["-"])
    np.testing.assert_array_equal(values, [12.5, 13.0, 14.0, np.nan])
    assert not odd.any()
    assert units == ["kW"]


def test_nothing_is_no_oddity_and_something_is():
    cells = pl.Series(["", None, "NaN", "n/a", "x"])
    values, odd, _ = numbers(cells, decimal=".", thousands="", missing=["n/a"])
    assert np.isnan(values).all()
    assert odd.tolist() == [False, False, False, False, True]


@given(
    st.lists(st.floats(-1e7, 1e7).map(lambda v: round(v, 3)), min_size=1, max_size=20),
    st.sampled_from([(".", ""), (",", ""), (",", "."), (".", ","), (",", " "), (".", "'")]),
)
def test_what_is_written_with_marks_reads_back(values, marks):
    decimal, thousands = marks
    cells = []
    for value in values:
        text = f"{value:,.3f}".replace(",", "\0").replace(".", decimal).replace("\0", thousands)
        cells.append(text)
    found, odd, _ = numbers(pl.Series(cells), decimal=decimal, thousands=thousands, missing=[])
    assert not odd.any()
    np.testing.assert_array_equal(found, values)


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("U/min", "rpm"), ("1/min", "1/min"), ("[hPa]", "hPa"), ("KM/H", "km/h"), ("kph", "km/h"),
        ("°C", "°C"), ("deg C", "degC"), ("ft-lb", "lbf*ft"), ("lbf ft", "lbf*ft"), ("CV", "CV"),
        ("bhp", "hp"),
        ("λ", "lambda"), ("sec", "s"), ("furlong", None), ("", None), ("km", None),
    ],
)  # fmt: skip
def test_units_in_many_spellings(text, word):
    assert known_unit(text) == word


def test_every_spelling_is_a_unit_that_layouts_know():
    from flows.readers.words import _SPELLINGS

    assert set(_SPELLINGS) <= set(known_units())


@pytest.mark.parametrize(
    ("cell", "name", "unit"),
    [
        ("Speed [km/h]", "Speed", "km/h"), ("Speed (mph)", "Speed", "mph"),
        ("Temp, °C", "Temp", "°C"),
        ("Lambda (filtered)", "Lambda (filtered)", ""), ("Speed", "Speed", ""),
        ("Power [my unit]", "Power", "my unit"), ("a, b", "a, b", ""),
    ],
)  # fmt: skip
def test_a_name_and_its_unit(cell, name, unit):
    assert name_and_unit(cell) == (name, unit)


@settings(deadline=None)
@given(
    st.lists(
        st.lists(st.integers(0, 9999).map(str), min_size=3, max_size=3), min_size=1, max_size=12
    ),
    st.sampled_from([",", ";", "\t", "|"]),
    st.sampled_from(["\n", "\r\n", "\r"]),
    st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252"]),
    st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]),
)
def test_a_table_in_any_dress_reads_back_as_the_csv_module_wrote_it(
    rows, delimiter, end, encoding, quoting
):
    from tests.flows.readers.test_text import layout, whole

    stream = io.StringIO()
    writer = csv.writer(stream, delimiter=delimiter, lineterminator=end, quoting=quoting)
    writer.writerow(["t", "rpm", "kW"])
    writer.writerows(rows)
    named = {"utf-8-sig": "utf-8", "utf-16-le": "utf-16", "cp1252": "windows-1252"}
    way = layout(
        f'encoding = "{named.get(encoding, encoding)}"\ndelimiter = "{delimiter}"'.replace(
            "\t", "\\t"
        )
    )
    found = whole(stream.getvalue().encode(encoding), way)
    assert found.bad_rows == []
    got = [[float(cell) for cell in row] for row in found.frame.rows()]
    assert got == [[float(cell) for cell in row] for row in rows]
    assert found.line_no.to_list() == list(range(2, len(rows) + 2))
