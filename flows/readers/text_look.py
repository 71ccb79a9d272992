"""Looks at a delimited text that no layout describes: encoding, marks, header row, units."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path

import polars as pl

from flows.readers.columns import numbered
from flows.readers.formats import open_bytes
from flows.readers.source import Look, UnreadableError
from flows.readers.text import DIVIDERS, HEAD_LINES, codec_of, head_entries, plain_ends, split_cells
from flows.readers.words import is_unit_word, mostly_numbers, name_and_unit, nothing_words
from schemas.layout import WHITESPACE

LOOKED_BYTES = 2 * 1024 * 1024
LOOKED_ROWS = 20_000
MANY_UNITS, LEAST_UNITS, LONGEST_UNIT = 0.5, 0.25, 12
"""Shares of a row's words that are known units, and the longest of a unit that is not."""
UNITS_WITHIN = 3
"""Lines below the names in which the row of units is looked for."""


def look_at_text(path: Path) -> Look:
    """Return what a text shows of itself: its encoding, marks, header row and units.

    Raises UnreadableError if there is no table with a header row in it.
    """
    with open_bytes(path) as file:
        data = file.read(LOOKED_BYTES)
    encoding, codec, doubts = _encoding_of(data)
    whole = data if len(data) < LOOKED_BYTES else data[: data.rfind(b"\n") + 1]
    lines = plain_ends(whole.decode(codec, errors="replace")).split("\n")[: LOOKED_ROWS + 300]
    found = _table_of(lines)
    if found is None:
        raise UnreadableError(
            "no header",
            "no line of names with rows of numbers below it was found",
            "Export the run with its column names in one line; a table without them cannot be "
            "recognised again.",
        )
    delimiter, at = found
    cells = split_cells(lines[at], delimiter)
    names = numbered(cells)
    text: dict[str, object] = {}
    if encoding != "utf-8":
        text["encoding"] = encoding
    if delimiter != ",":
        text["delimiter"] = delimiter
    first = at + 1
    units = {}
    split = [split_cells(line, delimiter) for line in lines[: at + 1 + UNITS_WITHIN]]
    unit_row = _unit_row(split, at)
    if unit_row is not None:
        stated = split_cells(lines[unit_row], delimiter)
        units = {n: u.strip("[](){}") for n, u in zip(names, stated, strict=False) if u}
        first = unit_row + 1
        if unit_row == at + 1:
            text["unit_row"] = True
        elif unit_row < at:
            doubts = [*doubts, f"the units stand on line {unit_row + 1}, above the names"]
            first = at + 1
        else:
            doubts = [
                *doubts,
                f"the units stand on line {unit_row + 1}, apart from the names on line {at + 1}: "
                "they are used here, and the lines in between and that one count as rejected rows",
            ]
    for name, cell in zip(names, cells, strict=True):
        if unit := name_and_unit(cell)[1]:
            units[name] = unit
    rows = [
        row
        for line in lines[first:]
        if line.strip() and len(row := split_cells(line, delimiter)) in (len(cells), len(cells) + 1)
    ]
    columns = {name: [row[place] for row in rows] for place, name in enumerate(names) if name}
    decimal, thousands, more = marks_of(columns, delimiter)
    doubts += more
    if decimal != ".":
        text["decimal"] = decimal
    if thousands:
        text["thousands"] = thousands
    missing = nothing_words(columns.values())
    if missing:
        text["missing"] = missing
    frame = pl.DataFrame(
        {
            name: mostly_numbers(
                pl.Series(name, cells_of, dtype=pl.String), decimal, thousands, missing
            )
            for name, cells_of in columns.items()
        }
    )
    separator = _head_separator(lines[:at])
    return Look(
        "text",
        f"header row on line {at + 1}",
        frame,
        units,
        head_entries(lines[:at], separator),
        text,
        doubts=doubts,
        separator=separator,
    )


def _encoding_of(data: bytes) -> tuple[str, str, list[str]]:
    """Return the encoding as layouts name it, Python's codec, and doubts."""
    codec = codec_of(data[:4000], "utf-8")
    if codec.startswith("utf-16"):
        return "utf-16", codec, []
    try:
        data[: data.rfind(b"\n") + 1 or None].decode("utf-8")
    except UnicodeDecodeError:
        pass
    else:
        return "utf-8", codec, []
    from charset_normalizer import from_bytes

    best = from_bytes(data[:200_000], cp_isolation=["cp1252", "latin_1"]).best()
    encoding = "windows-1252"
    if best is not None and best.encoding == "latin_1" and not re.search(rb"[\x80-\x9f]", data):
        encoding = "iso-8859-1"
    return (
        encoding,
        codec_of(b"", encoding),
        [f"the text is not UTF-8; read as {encoding}: look at the letters with accents"],
    )


def _table_of(lines: list[str]) -> tuple[str, int] | None:
    """Return the delimiter, and the place of the line of names above the rows of numbers."""
    best: tuple[float, str, int] | None = None
    for delimiter in DIVIDERS:
        split = [split_cells(line, delimiter) for line in lines[: HEAD_LINES + 60]]
        for at, cells in enumerate(split[:HEAD_LINES]):
            named = [cell for cell in cells if cell and not is_numberlike(cell)]
            if len(cells) < 2 or len(named) < max(2, 0.7 * len([c for c in cells if c])):
                continue
            if states_units(split, at):
                continue
            has_units = at + 1 < len(split) and states_units(split, at + 1)
            below = [row for row in split[at + 1 + has_units : at + 41] if any(row)]
            fitting = [row for row in below if len(row) in (len(cells), len(cells) + 1)]
            numeric = sum(is_numberlike(cell) for row in fitting for cell in row)
            filled = sum(bool(cell) for row in fitting for cell in row) or 1
            if len(fitting) < max(2, 0.7 * len(below)) or numeric < 0.5 * filled:
                continue
            # Whole rows count more than many cells: a decimal comma doubles the cells.
            score = numeric / filled * len(fitting) / max(len(below), 1) * min(len(cells), 12)
            score *= 0.6 if delimiter == WHITESPACE else 1.0
            if best is None or score > best[0] * 1.001:
                best = score, delimiter, at
    return None if best is None else (best[1], best[2])


def is_numberlike(cell: str) -> bool:
    """Whether a cell begins as a number, a date or a time does, and is no long word."""
    return bool(re.match(r"[+\-−]?[\d.,' \u00a0\u202f:/-]*\d", cell)) and not re.match(
        r"[+-]?\d*\s*[A-Za-z]{4,}", cell
    )


def states_units(rows: Sequence[Sequence[str]], at: int) -> bool:
    """Whether a row of words states units: names stand just above it, or right below.

    Below names a quarter of its words need be units that are known; "rpm" and "kW" alone, with
    numbers below and nothing above, are the names themselves.
    """
    given = [cell for cell in rows[at] if cell]
    if not given or any(_is_value(cell) for cell in given):
        return False
    share = sum(is_unit_word(cell) for cell in given) / len(given)
    above = [place for place in range(max(at - UNITS_WITHIN, 0), at) if any(rows[place])]
    if any(_are_names(rows[place], rows[at]) for place in above):
        return share >= LEAST_UNITS and max(map(len, given)) <= LONGEST_UNIT
    below = rows[at + 1] if at + 1 < len(rows) else []
    return share >= MANY_UNITS and _are_names(below, rows[at])


def _is_value(cell: str) -> bool:
    # "1/min" begins as a number does.
    return is_numberlike(cell) and not is_unit_word(cell)


def _are_names(names: Sequence[str], units: Sequence[str]) -> bool:
    """Whether a row names what another may give the units of."""
    given = [cell for cell in names if cell]
    if abs(len(names) - len(units)) > 1 or len(given) < max(2, sum(map(bool, units)) - 1):
        return False
    is_odd = [is_numberlike(cell) or is_unit_word(cell) for cell in given]
    return sum(is_odd) < MANY_UNITS * len(given)


def _unit_row(rows: list[list[str]], at: int) -> int | None:
    """Return the place of the row of units: below the names, behind a remark or two, or above."""
    for place in range(at + 1, min(at + 1 + UNITS_WITHIN, len(rows))):
        if abs(len(rows[place]) - len(rows[at])) > 1:
            continue
        if states_units(rows, place):
            return place
        if any(_is_value(cell) for cell in rows[place]):
            break  # the rows of numbers have begun
    return at - 1 if at and states_units(rows, at - 1) else None


def marks_of(columns: Mapping[str, list[str]], delimiter: str) -> tuple[str, str, list[str]]:
    """Return decimal and thousands marks, and what could be otherwise."""
    cells = [cell for cells_of in columns.values() for cell in cells_of[:500]]

    def count(pattern: str) -> int:
        return sum(bool(re.fullmatch(pattern, cell)) for cell in cells)

    commas, points = count(r"[+-]?\d+,\d+"), count(r"[+-]?\d+\.\d+")
    both_comma = count(r"[+-]?\d{1,3}(\.\d{3})+,\d+")
    both_point = count(r"[+-]?\d{1,3}(,\d{3})+\.\d+")
    blanks = count(r"[+-]?\d{1,3}([ \u00a0\u202f]\d{3})+([.,]\d+)?")
    only_groups = {mark: count(rf"[+-]?[1-9]\d{{0,2}}(\{mark}\d{{3}})+") for mark in (".", ",")}
    doubts = []
    decimal = (
        "," if (commas or both_comma) and commas + both_comma > points and delimiter != "," else "."
    )
    thousands = ""
    if both_comma and decimal == ",":
        thousands = "."
    elif both_point and decimal == ".":
        thousands = ","
    elif blanks:
        thousands = " "
    other = "," if decimal == "." else "."
    if not thousands and only_groups[other] and delimiter != other:
        loose = points if other == "." else commas
        if loose == only_groups[other]:
            thousands = other
            doubts.append(
                f"numbers such as 1{other}234 were taken for thousands; if the mark is a decimal "
                "one, correct text.decimal"
            )
    return decimal, thousands, doubts


def _head_separator(lines: list[str]) -> str:
    """Return the mark that stands between key and value in most lines of the head."""
    counts = {mark: sum(mark in line for line in lines) for mark in (":", "=", ";", "\t", ",")}
    return max(counts, key=lambda mark: counts[mark]) if any(counts.values()) else ":"
