"""Spreadsheets (.xlsx, .xlsm, .ods): finds the sheet and the header row, wherever they stand."""

from __future__ import annotations

import datetime as dt
import re
import zipfile
from collections.abc import Iterator
from functools import lru_cache, partial
from pathlib import Path
from typing import Any, NamedTuple

import polars as pl

from flows.metrics.notes import Note, note
from flows.readers.cell_formats import CellFormats, cell_formats
from flows.readers.columns import Columns, Heading, match_columns
from flows.readers.head import numbered_entries
from flows.readers.source import (
    HEAD_LINES,
    LOOKED_ROWS,
    Grid,
    Source,
    SourceTable,
    UnreadableError,
    first_words,
    stamp,
)
from flows.readers.words import known_unit
from schemas.columns import CHANNELS
from schemas.layout import AS_STATED, CHANNEL_COLUMNS, Layout
from schemas.units import conversion
from warehouse.sentences import said

MOST_BYTES = 300 * 1024 * 1024
"""More text than this inside a spreadsheet is a log that belongs into text or Parquet."""
SHARE_LIMIT = 2.0
"""Cells that never pass this may hold shares of 1, as those beside them that are shown as %."""
LOOKED_PERCENT = 200.0
"""No channel is more than this in percent; what would be is held in percent already."""
MOST_WITHIN = 0.95
"""As shown or as held: what lies within the channel's range with this share of its cells counts."""
_PLAIN_NUMBER = re.compile(r"[+-]?[\d.,]*\d")

Cell = Any


class _Sheet(NamedTuple):
    """One sheet: its name and all its rows from A1 on."""

    name: str
    rows: list[list[Cell]]


class _Place(NamedTuple):
    """Where a header row was found."""

    sheet: _Sheet
    row: int
    cells: list[str]


def fits(path: Path, start: bytes, layout: Layout) -> bool:  # noqa: ARG001 - as every reader
    """Whether a sheet of the file has a row that names the layout's columns."""
    return _find(path, layout) is not None


def headings(path: Path, start: bytes, layout: Layout) -> Iterator[Heading]:  # noqa: ARG001
    """Yield the rows that may name a layout's columns."""
    for sheet in _sheets(path, *stamp(path)):
        for number, row in enumerate(sheet.rows[:HEAD_LINES], start=1):
            where = note("row of sheet", row=number, sheet=sheet.name)
            yield Heading(where, [_text(cell) for cell in row])


def read(path: Path, layout: Layout) -> Source:
    """Return the table of a spreadsheet.

    Raises UnreadableError if the file is damaged, locked by a password, too large or has no rows.
    """
    place = _find(path, layout)
    if place is None:
        raise UnreadableError(
            "no header row", within=HEAD_LINES, columns=layout.recognise.columns, is_sheet=True
        )
    columns = match_columns(place.cells, layout)
    assert columns is not None  # noqa: S101 - _find() found them
    where = note("row of sheet", row=place.row + 1, sheet=place.sheet.name)
    columns.refuse_doubled(where, layout)
    units = dict(columns.units)
    first = place.row + 1
    if layout.text.unit_row:
        row = place.sheet.rows[first] if first < len(place.sheet.rows) else []
        units |= {
            name: _text(row[at]) for at, name in columns.kept.items() if at < len(row) and row[at]
        }
        first += 1
    body = [
        (number, row)
        for number, row in enumerate(place.sheet.rows[first:], start=first + 1)
        if any(at < len(row) and row[at] != "" for at in columns.kept)
    ]
    if not body:
        raise UnreadableError("no rows", header=where)
    notes: list[Note] = []
    series = _shown_columns(path, place, body, columns, units, layout, notes)
    table = SourceTable(
        pl.DataFrame(series),
        pl.Series("line_no", [number for number, _ in body], dtype=pl.Int64),
        [],
    )
    return Source(_head(place, layout.metadata.separator), units, [table], notes)


def _shown_columns(
    path: Path,
    place: _Place,
    body: list[tuple[int, list[Cell]]],
    columns: Columns,
    units: dict[str, str],
    layout: Layout,
    notes: list[Note],
) -> list[pl.Series]:
    """Return the columns of the layout as the sheet shows them."""
    formats = cell_formats(path, place.sheet.name)
    percent = _percent_bounds(units, layout)
    series = []
    for at, name in columns.kept.items():
        cells, scales = _cells_of(at, body, formats)
        cells = _as_shown(name, cells, scales, percent.get(name), notes)
        if at in formats.empty_formulas:
            empty = formats.empty_formulas[at]
            notes.append(note("formulas without value", column=name, cells=empty))
        series.append(_column(name, cells, layout.text.decimal))
    return series


def _cells_of(
    at: int, body: list[tuple[int, list[Cell]]], formats: CellFormats
) -> tuple[list[Cell], dict[int, float]]:
    """Return the cells of a column, and by place what those are multiplied by to be as shown."""
    scales = formats.scales.get(at, {})
    return [row[at] if at < len(row) else "" for _, row in body], {
        place: scales[number - 1] for place, (number, _) in enumerate(body) if number - 1 in scales
    }


def shown(path: Path) -> list[Grid]:
    """Return the sheets of a spreadsheet."""
    return [
        Grid(
            "spreadsheet",
            f"sheet {sheet.name!r}, row",
            [[_text(cell) for cell in row] for row in sheet.rows[: HEAD_LINES + 60]],
            partial(_looked_columns, path, sheet),
            partial(_looked_head, sheet),
            sheet=sheet.name,
        )
        for sheet in _sheets(path, *stamp(path))
    ]


def _looked_head(sheet: _Sheet, at: int) -> tuple[dict[str, str], str]:
    return _head(_Place(sheet, at, []), ":"), ":"


def _looked_columns(
    path: Path,
    sheet: _Sheet,
    first: int,
    names: list[str],
    units: dict[str, str],
    doubts: list[str],
) -> list[pl.Series]:
    """Return the first cells of each column as they are shown; percentages state their unit."""
    formats = cell_formats(path, sheet.name)
    looked = enumerate(sheet.rows[first : first + LOOKED_ROWS], start=first + 1)
    body = [(number, row) for number, row in looked if any(cell != "" for cell in row)]
    columns, notes = [], []
    for at, name in enumerate(names):
        if not name:
            continue
        cells, scales = _cells_of(at, body, formats)
        bounds = None
        if any(scale > 1.0 for scale in scales.values()) and units.get(name, "") in ("", "%"):
            units[name], bounds = "%", (-LOOKED_PERCENT, LOOKED_PERCENT)
        columns.append(_column(name, _as_shown(name, cells, scales, bounds, notes), "."))
    doubts += [said(one) for one in notes]
    return columns


@lru_cache(maxsize=2)
def _sheets(path: Path, size: int, modified_ns: int) -> list[_Sheet]:  # noqa: ARG001 - the key
    """Return all visible sheets; the last files stay at hand while layouts are tried on them."""
    from python_calamine import CalamineError, CalamineWorkbook, PasswordError, SheetVisibleEnum

    _refuse_other_zips(path)
    try:
        with path.open("rb") as file:
            book = CalamineWorkbook.from_filelike(file)
            found = []
            for sheet in book.sheets_metadata:
                if sheet.visible != SheetVisibleEnum.Visible:
                    continue
                opened = book.get_sheet_by_name(sheet.name)
                rows = opened.to_python(skip_empty_area=False)
                _fill_merged(rows, opened.merged_cell_ranges or [])
                found.append(_Sheet(sheet.name, rows))
            return found
    except PasswordError:
        raise UnreadableError("locked spreadsheet") from None
    except (CalamineError, OSError, ValueError, MemoryError) as error:
        raise UnreadableError("damaged spreadsheet", why=first_words(error)) from None
    except BaseException as error:
        # The library panics on some torn files with an exception of its own kind.
        if type(error).__name__ != "PanicException":
            raise
        raise UnreadableError("damaged spreadsheet", why=first_words(error)) from None


def _refuse_other_zips(path: Path) -> None:
    try:
        with zipfile.ZipFile(path) as packed:
            names = {entry.filename: entry.file_size for entry in packed.infolist()}
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError) as error:
        raise UnreadableError("damaged spreadsheet", why=first_words(error)) from None
    is_sheet = "content.xml" in names or any(name.startswith("xl/") for name in names)
    if not is_sheet:
        raise UnreadableError("packed files", files=len(names))
    if sum(names.values()) > MOST_BYTES:
        held_mb = sum(names.values()) / 1e6
        raise UnreadableError(
            "too large for a spreadsheet", size_mb=held_mb, most_mb=MOST_BYTES / 1e6
        )


def _fill_merged(rows: list[list[Cell]], ranges: list[Any]) -> None:
    """Give the text of a merged cell to every cell it covers, in the rows of the head."""
    for (top, left), (bottom, right) in ranges:
        if top >= min(HEAD_LINES, len(rows)) or left >= len(rows[top]):
            continue
        value = rows[top][left]
        if not isinstance(value, str):
            continue
        for row in rows[top : bottom + 1]:
            for at in range(left, min(right + 1, len(row))):
                if row[at] == "":
                    row[at] = value


def _find(path: Path, layout: Layout) -> _Place | None:
    for sheet in _sheets(path, *stamp(path)):
        if layout.sheet.name is not None and sheet.name != layout.sheet.name:
            continue
        above: list[str] = []
        for number, row in enumerate(sheet.rows[:HEAD_LINES]):
            cells = [_text(cell) for cell in row]
            if number == 0 and layout.recognise.first_line is not None:
                first = next((cell for cell in cells if cell), "")
                if not first.startswith(layout.recognise.first_line):
                    break
            if match_columns(cells, layout) is not None:
                return _Place(sheet, number, cells)
            # Names of two rows: the group above, often merged, and the column below.
            joined = [
                f"{above[at]} {cell}".strip() if at < len(above) and above[at] != cell else cell
                for at, cell in enumerate(cells)
            ]
            if match_columns(joined, layout) is not None:
                return _Place(sheet, number, joined)
            above = cells
    return None


def _text(cell: Cell) -> str:
    if isinstance(cell, float) and cell.is_integer() and abs(cell) < 1e15:
        return str(int(cell))
    return str(cell).strip()


def _column(name: str, cells: list[Cell], decimal: str) -> pl.Series:
    """Return a column as numbers or times where all its cells are, as text otherwise."""
    given = [cell for cell in cells if cell != ""]
    if all(isinstance(cell, (int, float)) and not isinstance(cell, bool) for cell in given):
        values = [float(cell) if cell != "" else None for cell in cells]
        return pl.Series(name, values, dtype=pl.Float64)
    for kind, dtype in (
        (dt.datetime, pl.Datetime("us")),
        (dt.time, pl.Time()),
        (dt.timedelta, pl.Duration("us")),
    ):
        if all(type(cell) is kind for cell in given):
            return pl.Series(name, [cell if cell != "" else None for cell in cells], dtype=dtype)
    if all(isinstance(cell, dt.date) for cell in given):
        days = [cell.strftime("%Y-%m-%d") if cell != "" else None for cell in cells]
        return pl.Series(name, days, dtype=pl.String)
    texts = [
        str(cell).replace(".", decimal) if isinstance(cell, float) else str(cell) for cell in cells
    ]
    return pl.Series(name, [text if text != "" else None for text in texts], dtype=pl.String)


def _as_shown(
    name: str,
    cells: list[Cell],
    scales: dict[int, float],
    bounds: tuple[float, float] | None,
    notes: list[Note],
) -> list[Cell]:
    """Return the cells of a column as the sheet shows them, decided for the column as a whole.

    `scales` has the place of each cell that is shown otherwise than it is held; `bounds` are those
    of the channel in the column's unit, None where percent is not what is asked for.
    """
    percent = bounds is not None
    if not percent:
        # A percentage that is not asked for in percent is the share that the cell holds.
        scales = {at: scale for at, scale in scales.items() if scale < 1.0}
    held = [cell for at, cell in enumerate(cells) if at in scales and _is_number(cell)]
    if not held:
        return cells
    if percent:
        low, high = bounds
        largest = max(abs(cell) for cell in held)
        shown = [cell * scales[at] for at, cell in enumerate(cells) if at in scales
                 and _is_number(cell)]  # fmt: skip
        if _share_within(shown, low, high) < MOST_WITHIN <= _share_within(held, low, high):
            notes.append(note("percent read as held", column=name, largest=largest))
            return cells
    plain = [at for at, cell in enumerate(cells) if _is_number(cell) and at not in scales]
    # A format that was given to a part of a column: the others are shares too if they are as small.
    alike = percent and bool(plain) and max(abs(cells[at]) for at in plain) <= SHARE_LIMIT
    if alike:
        scales = scales | dict.fromkeys(plain, 100.0)
    notes.append(
        note(
            "cells read as shown",
            column=name,
            cells=len(held),
            is_percent=percent,
            alike=len(plain) if alike else 0,
        )
    )
    return [
        cell * scales[at]
        if at in scales and _is_number(cell)
        else f"{cell} as text"
        if percent and isinstance(cell, str) and _PLAIN_NUMBER.fullmatch(cell.strip())
        else cell
        for at, cell in enumerate(cells)
    ]


def _is_number(cell: Cell) -> bool:
    return isinstance(cell, (int, float)) and not isinstance(cell, bool)


def _share_within(values: list[float], low: float, high: float) -> float:
    return sum(low <= value <= high for value in values) / len(values)


def _percent_bounds(units: dict[str, str], layout: Layout) -> dict[str, tuple[float, float]]:
    """Return the columns that are read in percent, with the bounds of their channel in percent."""
    found = {}
    for word, channel in layout.channels.items():
        unit = channel.unit
        if unit == AS_STATED:
            unit = known_unit(units.get(channel.column, "")) or ""
        meaning = CHANNELS[CHANNEL_COLUMNS[word]]
        if unit == "%" and meaning.low is not None and meaning.high is not None:
            factor = conversion("%", meaning.unit).factor
            found[channel.column] = meaning.low / factor, meaning.high / factor
    return found


def _head(place: _Place, separator: str) -> dict[str, str]:
    """Return what stands above the header row: "Pressure | 978.2 | hPa" and "Pressure: 978.2"."""
    entries: dict[str, str] = {}
    for row in place.sheet.rows[: place.row]:
        texts = [_text(cell) for cell in row if cell != ""]
        if not texts:
            continue
        key, mark, value = texts[0].partition(separator)
        if mark and value.strip():
            numbered_entries(entries, key.strip(), value.strip())
        elif len(texts) > 1:
            numbered_entries(entries, texts[0].strip(" :"), " ".join(texts[1:]))
    return entries
