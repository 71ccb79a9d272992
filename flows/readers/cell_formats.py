"""How a sheet shows its numbers: as percent, in thousands; and which formulas hold no value."""

from __future__ import annotations

import html
import posixpath
import re
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

MOST_REPEATED = 100_000
"""A row or cell said to stand more often than this fills a sheet, and is no log."""
_PERCENT_BUILT_IN: tuple[int, ...] = (9, 10)
"""Numbers of the formats 0% and 0.00% (ECMA-376, part 1, 18.8.30)."""
_CELL = re.compile(rb"<(?:\w+:)?(row|c|f|v)\b([^>]*?)(/?)>")
_OPEN_CELL = re.compile(
    rb"<table:(table|table-row|table-cell|covered-table-cell)(?=[\s/>])([^>]*?)/?>|</table:(table)>"
)


@dataclass
class CellFormats:
    """Cells of one sheet by column and row, both from 0, that are not shown as they are held.

    `scales` tells by what a cell's number is multiplied to be what is shown, `empty_formulas`
    how many cells of a column are formulas whose value was not stored.
    """

    scales: dict[int, dict[int, float]] = field(default_factory=dict)
    empty_formulas: dict[int, int] = field(default_factory=dict)


def cell_formats(path: Path, sheet: str) -> CellFormats:
    """Return how a sheet shows its cells; nothing where the file's parts are not those expected."""
    try:
        with zipfile.ZipFile(path) as packed:
            if "content.xml" in packed.namelist():
                return _of_open_document(packed, sheet)
            part = _part_of(packed, sheet)
            return _of_workbook(packed, part) if part else CellFormats()
    except (zipfile.BadZipFile, KeyError, OSError, ValueError):
        return CellFormats()  # whatever cannot be opened was refused before, with its reason


def scale_of(code: str) -> float:
    """Return by what a number format multiplies what a cell holds.

    >>> scale_of("0.0%"), scale_of("#,##0.0,"), scale_of("#,##0"), scale_of('0.0"%"')
    (100.0, 0.001, 1.0, 1.0)
    """
    # Texts in quotes, escaped signs and [colours] are shown as they stand; ; ends the first form.
    plain = re.sub(r'"[^"]*"|\\.|_.|\*.|\[[^\]]*\]', "", code).split(";")[0]
    behind = re.search(r"[0#?](,+)(?=\.|[^0#?,]|$)", plain)
    return 100.0 ** plain.count("%") * 1000.0 ** -len(behind[1] if behind else "")


def _attribute(text: bytes, name: str) -> str | None:
    found = re.search(rf"(?:^|\s){name}\s*=\s*[\"']([^\"']*)[\"']".encode(), text)
    return html.unescape(found[1].decode("utf-8", errors="replace")) if found else None


def _part_of(packed: zipfile.ZipFile, sheet: str) -> str | None:
    """Return the part of a workbook that holds a sheet."""
    for found in re.finditer(rb"<(?:\w+:)?sheet\b([^>]*)>", packed.read("xl/workbook.xml")):
        if _attribute(found[1], "name") == sheet:
            number = _attribute(found[1], r"(?:\w+:)?id")
            break
    else:
        return None
    links = packed.read("xl/_rels/workbook.xml.rels")
    for found in re.finditer(rb"<(?:\w+:)?Relationship\b([^>]*)>", links):
        if _attribute(found[1], "Id") == number:
            target = _attribute(found[1], "Target") or ""
            return posixpath.normpath(posixpath.join("/xl", target)).lstrip("/")
    return None


def _of_workbook(packed: zipfile.ZipFile, part: str) -> CellFormats:
    styles = _scales_of_styles(packed)
    data = packed.read(part)
    found = CellFormats()
    if not styles and re.search(rb"<(?:\w+:)?f\b", data) is None:
        return found
    formula: tuple[int, int] | None = None
    for row, column, tag, style in _cells(data):
        if tag == "c":
            if formula is not None:
                _count(found.empty_formulas, formula[1])
            formula = None
            if style in styles:
                found.scales.setdefault(column, {})[row] = styles[style]
        elif tag == "f":
            formula = row, column
        else:
            formula = None
    if formula is not None:
        _count(found.empty_formulas, formula[1])
    return found


def _count(counts: dict[int, int], column: int) -> None:
    counts[column] = counts.get(column, 0) + 1


def _cells(data: bytes) -> Iterator[tuple[int, int, str, int]]:
    """Yield row, column, tag (c, f, v) and style; a v only where a value stands in it."""
    row, column, style = -1, -1, 0
    for found in _CELL.finditer(data):
        tag, said = found[1].decode(), found[2]
        if tag == "row":
            number = _attribute(said, "r")
            row, column = int(number) - 1 if number else row + 1, -1
        elif tag == "c":
            place = re.fullmatch(r"([A-Z]+)(\d+)", _attribute(said, "r") or "")
            column = _column_number(place[1]) if place else column + 1
            style = int(_attribute(said, "s") or 0)
            yield row, column, tag, style
        elif tag == "f" or (not found[3] and data[found.end() : found.end() + 1] != b"<"):
            yield row, column, tag, style


def _column_number(letters: str) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + ord(letter) - ord("A") + 1
    return number - 1


def _scales_of_styles(packed: zipfile.ZipFile) -> dict[int, float]:
    """Return the numbers of styles that show another number than the cell holds."""
    if "xl/styles.xml" not in packed.namelist():
        return {}
    data = packed.read("xl/styles.xml")
    codes: dict[int, float] = dict.fromkeys(_PERCENT_BUILT_IN, 100.0)
    for found in re.finditer(rb"<(?:\w+:)?numFmt\b([^>]*)>", data):
        number, code = _attribute(found[1], "numFmtId"), _format_code(found[1])
        if number and code is not None:
            codes[int(number)] = scale_of(code)
    section = re.search(rb"<(?:\w+:)?cellXfs\b.*?</(?:\w+:)?cellXfs>", data, re.DOTALL)
    used = re.findall(rb"<(?:\w+:)?xf\b([^>]*)>", section[0]) if section else []
    scales = [codes.get(int(_attribute(one, "numFmtId") or 0), 1.0) for one in used]
    return {style: scale for style, scale in enumerate(scales) if scale != 1.0}


def _format_code(said: bytes) -> str | None:
    # A format's text may hold the other kind of quotes.
    found = re.search(rb"formatCode\s*=\s*(?:\"([^\"]*)\"|'([^']*)')", said)
    return html.unescape((found[1] or found[2] or b"").decode()) if found else None


def _of_open_document(packed: zipfile.ZipFile, sheet: str) -> CellFormats:
    """Return the cells of an OpenDocument table that are percentages by their own word."""
    data = packed.read("content.xml")
    found = CellFormats()
    if b'"percentage"' not in data and b"'percentage'" not in data:
        return found
    is_ours, row, column, rows = False, 0, 0, 0
    for tag in _OPEN_CELL.finditer(data):
        name, said = tag[1], tag[2] or b""
        if name == b"table":
            is_ours, row, column, rows = _attribute(said, "table:name") == sheet, 0, 0, 0
        elif tag[3]:
            is_ours = False
        elif is_ours and name == b"table-row":
            row, column = row + rows, 0
            rows = int(_attribute(said, "table:number-rows-repeated") or 1)
        elif is_ours:
            wide = int(_attribute(said, "table:number-columns-repeated") or 1)
            if _attribute(said, "office:value-type") == "percentage":
                for at in range(column, column + min(wide, MOST_REPEATED)):
                    shown = dict.fromkeys(range(row, row + min(rows, MOST_REPEATED)), 100.0)
                    found.scales.setdefault(at, {}).update(shown)
            column += wide
    return found
