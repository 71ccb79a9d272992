"""Looks at a file that no layout describes: finds its table, the names, units and marks in it."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path

import polars as pl

from flows.readers import formats
from flows.readers.columns import numbered
from flows.readers.source import HEAD_LINES, Grid, Look, UnreadableError
from flows.readers.words import is_unit_word, mostly_numbers, name_and_unit, nothing_words

MANY_UNITS, LEAST_UNITS, LONGEST_UNIT = 0.5, 0.25, 12
"""Shares of a row's words that are known units, and the longest of a unit that is not."""
UNITS_WITHIN = 3
"""Lines below the names in which the row of units is looked for."""


def look(path: Path) -> Look:
    """Return what a file shows of itself.

    Raises UnreadableError if there is no table in it.
    """
    shown = formats.reader_of(formats.format_of(formats.start_of(path))).shown(path)
    return shown if isinstance(shown, Look) else _looked_at(shown)


def _looked_at(grids: Sequence[Grid]) -> Look:
    """Return the table in one of some grids: its names, units, marks and columns."""
    best: tuple[float, Grid, int] | None = None
    for grid in grids:
        for at in range(min(HEAD_LINES, len(grid.top))):
            score = grid.weight * _score(grid.top, at)
            if score and (best is None or score > best[0] * 1.001):
                best = score, grid, at
    if best is None:
        raise UnreadableError("no header")
    _, grid, at = best
    names, first = numbered(grid.top[at]), at + 1
    text, doubts, units = dict(grid.text), list(grid.doubts), {}
    unit_row = _unit_row(grid.top, at)
    if unit_row is not None:
        stated = zip(names, grid.top[unit_row], strict=False)
        units = {name: unit.strip("[](){}") for name, unit in stated if unit}
        first = max(first, unit_row + 1)
        if unit_row == at + 1:
            text["unit_row"] = True
        elif unit_row < at:
            doubts.append(f"the units stand on line {unit_row + 1}, above the names")
        else:
            doubts.append(
                f"the units stand on line {unit_row + 1}, apart from the names on line {at + 1}: "
                "they are used here, and the lines in between and that one count as rejected rows"
            )
    for name, cell in zip(names, grid.top[at], strict=True):
        if unit := name_and_unit(cell)[1]:
            units[name] = unit
    columns = grid.columns(first, names, units, doubts)
    texts = {one.name: one.drop_nulls().to_list() for one in columns if one.dtype == pl.String}
    decimal, thousands, more = marks_of(texts, str(grid.text.get("delimiter", grid.delimiter)))
    if decimal != ".":
        # In a spreadsheet nothing is divided by commas: two words that must differ.
        text = {"delimiter": grid.delimiter} | text | {"decimal": decimal}
    if thousands:
        text["thousands"] = thousands
    if missing := nothing_words(texts.values()):
        text["missing"] = missing
    columns = [
        mostly_numbers(one, decimal, thousands, missing) if one.dtype == pl.String else one
        for one in columns
    ]
    head, separator = grid.head(at)
    return Look(
        grid.format,
        f"{grid.where} {at + 1}",
        pl.DataFrame(columns),
        units,
        head,
        text,
        grid.sheet,
        doubts=[*doubts, *more],
        separator=separator,
    )


def _score(rows: Sequence[Sequence[str]], at: int) -> float:
    """Return how well a row names the columns of a table below it, 0 where it does not."""
    cells = rows[at]
    under = [place for place, cell in enumerate(cells) if cell]
    named = [place for place in under if not is_numberlike(cells[place])]
    if len(cells) < 2 or len(named) < max(2, 0.7 * len(under)) or states_units(rows, at):
        return 0.0
    has_units = at + 1 < len(rows) and states_units(rows, at + 1)
    below = [row for row in rows[at + 1 + has_units : at + 41] if any(row)]
    fitting = [row for row in below if len(row) in (len(cells), len(cells) + 1)]
    filled = [row[place] for row in fitting for place in under if row[place]]
    numeric = sum(is_numberlike(cell) for cell in filled)
    if len(fitting) < max(2, 0.7 * len(below)) or numeric < 0.5 * len(filled):
        return 0.0
    # Whole rows count more than many cells: a decimal comma doubles the cells.
    return numeric / max(len(filled), 1) * len(fitting) / len(below) * min(len(cells), 12)


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
