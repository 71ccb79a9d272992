"""Tables as files that people take away, CSV, XLSX and Parquet: no cell of them can act.

A text that begins like a formula is run by spreadsheets that open a CSV. What the OWASP page "CSV
Injection" lists (= + - @, tab, carriage return, line feed and the full-width forms), and a null
character (OWASP ASVS 5.0, 1.2.10), gets an apostrophe before it. A cell of an XLSX file has a type,
so there the text itself stays as it is.
"""

from __future__ import annotations

import datetime as dt
import io
import json
import re
from collections.abc import Mapping
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import polars as pl

MOST_XLSX_ROWS = 1_048_575
"""Below the headings; the format has 1,048,576 rows in all."""
MOST_CELL_SIGNS = 32_767
"""A cell of the format holds no more; a longer text is cut, and ends in a sign for it."""
_NUMBER = r"^[+-]?\d+([.,]\d+)?$"
"""A text that is a plain number is no formula."""
_SKIPPED = "[\\s\\x00\"'\u200b\ufeff]*"
_ACTS = f"(^|[;|\\t\\r\\n])({_SKIPPED}[=+\\-@＝＋－＠])|^([\\t\\r\\n\\x00])"
"""Also behind signs that a program with other habits takes for the end of a cell: where numbers are
written with a comma, semicolons part the cells, and quotes inside a line do not hold."""
_UNSAFE = re.compile(_ACTS)
_SIGNS = {code: 0x2400 + code for code in range(0x20) if chr(code) not in "\t\n"}
_SIGNS |= dict.fromkeys((0xFFFE, 0xFFFF), 0xFFFD)
"""In place of what an XLSX file cannot hold stand Unicode's pictures of it."""


class TooLongError(ValueError):
    """A table has more rows than a format holds."""


class About(NamedTuple):
    """What a table is of, for the second sheet."""

    shop: str
    snapshot: str
    reference_air: str
    zone: str
    """The time zone that moments are told in."""


def which_snapshot(number: int, published_at: dt.datetime, zone: str) -> str:
    """Return which snapshot a table is of."""
    return f"{number}, published {published_at.astimezone(ZoneInfo(zone)):%d %b %Y, %H:%M}"


def as_parquet(frame: pl.DataFrame) -> bytes:
    """Return a table as Parquet: names, types and SI units as published."""
    buffer = io.BytesIO()
    frame.write_parquet(buffer)
    return buffer.getvalue()


def as_csv(frame: pl.DataFrame, headings: Mapping[str, str], about: About) -> bytes:
    """Return a table as CSV in UTF-8 with a mark that spreadsheets know it by.

    A null is an empty cell, an empty text a pair of quotes.
    """
    named = _headings(frame, headings)
    safe = [
        _safe(_flat(column, about.zone)).alias(_safe_text(name))
        for column, name in zip(frame, named, strict=True)
    ]
    buffer = io.BytesIO()
    pl.DataFrame(safe).write_csv(buffer, include_bom=True, quote_style="non_numeric")
    return buffer.getvalue()


def _safe(column: pl.Series) -> pl.Series:
    if column.dtype != pl.String:
        return column
    number = column.str.contains(_NUMBER)
    return column.str.replace_all(_ACTS, "${1}'${2}${3}").zip_with(
        ~number | column.is_null(), column
    )


def _safe_text(text: str) -> str:
    return _UNSAFE.sub(r"\1'\2\3", text)


def _flat(column: pl.Series, zone: str) -> pl.Series:
    """Return a column of what a CSV can hold: moments with their zone, lists as JSON."""
    if isinstance(column.dtype, pl.Datetime):
        offset = ""
        if column.dtype.time_zone:
            column, offset = column.dt.convert_time_zone(zone), "%:z"
        return column.dt.to_string(f"%Y-%m-%dT%H:%M:%S%.f{offset}")
    return _json(column)


def _json(column: pl.Series) -> pl.Series:
    if not column.dtype.is_nested():
        return column
    texts = [
        None if value is None else json.dumps(value, ensure_ascii=False, default=str)
        for value in column.to_list()
    ]
    return pl.Series(column.name, texts, dtype=pl.String)


def as_xlsx(
    frame: pl.DataFrame,
    headings: Mapping[str, str],
    about: About,
    meanings: Mapping[str, str] | None = None,
) -> bytes:
    """Return a table as XLSX: typed cells, and a second sheet that says what they are of.

    Raises TooLongError if the table is longer than a sheet.
    """
    from openpyxl import Workbook

    if frame.height > MOST_XLSX_ROWS:
        raise TooLongError(
            f"{frame.height:,} rows are more than the {MOST_XLSX_ROWS:,} of an XLSX sheet; take "
            "csv or parquet"
        )
    book = Workbook(write_only=True)
    named = _headings(frame, headings)
    sheet = book.create_sheet("Table")
    sheet.freeze_panes = "A2"
    for place, (column, name) in enumerate(zip(frame, named, strict=True), start=1):
        letter = _letters(place)
        sheet.column_dimensions[letter].width = _width(column, name)
    sheet.append([_cell(sheet, name, is_heading=True) for name in named])
    columns = [_typed(column, about.zone) for column in frame]
    for row in zip(*columns, strict=True):
        sheet.append([_cell(sheet, value) for value in row])
    _tell(book, about, named, frame.columns, meanings or {})
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()


def _tell(
    book: Any, about: About, named: list[str], columns: list[str], meanings: Mapping[str, str]
) -> None:
    sheet = book.create_sheet("About")
    sheet.column_dimensions["A"].width, sheet.column_dimensions["B"].width = 34, 100
    rows = [
        ("Shop", about.shop),
        ("Snapshot", about.snapshot),
        ("Reference air", about.reference_air),
        ("Time zone", about.zone),
        ("What it is", "The shop's own comparisons, not a certified rating."),
        *((name, meanings.get(column, "")) for name, column in zip(named, columns, strict=True)),
    ]
    for row in rows:
        sheet.append([_cell(sheet, row[0], is_heading=True), _cell(sheet, row[1])])


def _typed(column: pl.Series, zone: str) -> list[Any]:
    """Return a column's values as the format knows them; it knows no zones, no lists and no NaN."""
    if isinstance(column.dtype, pl.Datetime):
        if column.dtype.time_zone:
            column = column.dt.convert_time_zone(zone).dt.replace_time_zone(None)
        return column.to_list()
    if column.dtype.is_float():
        return column.replace([float("nan"), float("inf"), float("-inf")], None).to_list()
    return _json(column).to_list()


def _cell(sheet: Any, value: Any, *, is_heading: bool = False) -> Any:
    """Return a cell; a text is one, whatever it begins with, also once a person has edited it."""
    if not isinstance(value, str) and not is_heading:
        return value
    from openpyxl.cell import WriteOnlyCell
    from openpyxl.styles import Font

    text = value.translate(_SIGNS)
    if len(text) > MOST_CELL_SIGNS:
        text = text[: MOST_CELL_SIGNS - 1] + "…"
    if not is_heading and not _UNSAFE.search(text) and not text.startswith("#"):
        return text
    cell = WriteOnlyCell(sheet, value="")
    cell.value = text
    cell.data_type = "s"
    if _UNSAFE.search(text):
        cell.quotePrefix = True
    if is_heading:
        cell.font = Font(bold=True)
    return cell


def _headings(frame: pl.DataFrame, headings: Mapping[str, str]) -> list[str]:
    """Return what stands above each column, each once: a CSV with one name twice is ambiguous."""
    named: list[str] = []
    for column in frame.columns:
        name = headings.get(column) or column
        known = named.count(name)
        named.append(f"{name} ({column})" if known else name)
    return named


def _width(column: pl.Series, name: str) -> float:
    longest = column.str.len_chars().max() if column.dtype == pl.String else 0
    return float(min(max(len(name), int(longest or 0) if isinstance(longest, int) else 0, 8), 60))


def _letters(place: int) -> str:
    from openpyxl.utils import get_column_letter

    return get_column_letter(place)
