"""Which cell of a header row is which column of a layout; the same for every format."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from flows.metrics.notes import Note, note
from flows.readers.source import REPEATED_NAME, UnreadableError
from flows.readers.words import name_and_unit
from schemas.layout import AS_STATED, Layout


@dataclass(frozen=True)
class Columns:
    """The columns that a layout uses, found in a header.

    `kept` tells place → the layout's name, `cells` the header's cell → the layout's name, `units`
    the unit that a cell states, `doubled` the names that stand more than once.
    """

    kept: dict[int, str]
    cells: dict[str, str]
    units: dict[str, str]
    doubled: dict[str, int]

    def refuse_doubled(self, where: Note, layout: Layout) -> None:
        """Refuse a used column that stands twice, unless the layout knows of the second.

        Raises UnreadableError: Naming the column.
        """
        for name, times in self.doubled.items():
            second = REPEATED_NAME.format(name=name, number=2)
            raise UnreadableError(
                "doubled column",
                where=where,
                column=name,
                times=times,
                second=second,
                layout=layout.name,
            )


def numbered(cells: Sequence[str]) -> list[str]:
    """Return header cells with every repeated name numbered.

    >>> numbered(["t", "lambda", "lambda"])
    ['t', 'lambda', 'lambda #2']
    """
    seen: dict[str, int] = {}
    names = []
    for cell in cells:
        seen[cell] = seen.get(cell, 0) + 1
        number = seen[cell]
        names.append(cell if number == 1 else REPEATED_NAME.format(name=cell, number=number))
    return names


def match_columns(cells: Sequence[str], layout: Layout) -> Columns | None:
    """Return a layout's columns in a header row.

    A cell is a column if it is equal to its name; or, where no cell is and the layout leaves the
    unit open, if it is equal without the unit in brackets behind it.
    """
    named = numbered(cells)
    by_name = {name: place for place, name in enumerate(named)}
    bare: dict[str, int] = {}
    open_names = {
        channel.column for channel in layout.channels.values() if channel.unit == AS_STATED
    }
    if open_names:
        for place, name in enumerate(named):
            bare.setdefault(name_and_unit(name)[0], place)

    def place_of(name: str) -> int | None:
        if name in by_name:
            return by_name[name]
        return bare.get(name) if name in open_names else None

    if any(place_of(name) is None for name in layout.recognise.columns):
        return None
    kept: dict[int, str] = {}
    texts: dict[str, str] = {}
    units: dict[str, str] = {}
    wanted = [
        name
        for channel in layout.channels.values()
        for name in (channel.column, channel.clock, channel.date_column)
        if name is not None
    ]
    for name in dict.fromkeys(wanted):
        place = place_of(name)
        if place is None:
            continue
        kept[place] = name
        texts[cells[place]] = name
        stated = name_and_unit(cells[place])[1]
        if stated:
            units[name] = stated
    counts = Counter(cells)
    doubled = {
        name: counts[name]
        for name in dict.fromkeys(wanted)
        if counts[name] > 1
        and REPEATED_NAME.format(name=name, number=2) not in {*wanted, *layout.recognise.columns}
    }
    return Columns(dict(sorted(kept.items())), texts, units, doubled)


class Heading(NamedTuple):
    """A row that may name the columns, where it stands, and what is otherwise about it."""

    where: Note
    cells: Sequence[str]
    otherwise: Note | None = None
    is_first_line_other: bool = False


def nearest(
    headings: Callable[[Layout], Iterable[Heading]], layouts: Sequence[Layout]
) -> Note | None:
    """Return what keeps a file from the layout that it comes nearest to, None if none is near."""
    best, found = 0.5, None
    for layout in layouts:
        for heading in headings(layout):
            share, why = lacks(heading.cells, layout)
            if share <= best:
                continue
            best = share
            reasons = [one for one in (heading.otherwise, why) if one]
            if not reasons and heading.is_first_line_other:
                reasons = [note("first line other", wanted=layout.recognise.first_line)]
            reasons = reasons or [other_rules(layout)]
            found = note("comes nearest", where=heading.where, layout=layout.name, but=reasons)
    return found


def lacks(cells: Sequence[str], layout: Layout) -> tuple[float, Note | None]:
    """Return the share of a layout's columns that a header has, and what it lacks."""
    asked = layout.recognise.columns
    named = numbered(cells)
    bare = {name_and_unit(cell)[0] for cell in named}
    other_case = {cell.casefold(): cell for cell in (*named, *bare)}
    missing = [name for name in asked if name not in named and name not in bare]
    in_other_case = [name for name in missing if name.casefold() in other_case]
    missing = [name for name in missing if name not in in_other_case]
    share = 1 - len(missing) / len(asked)
    if missing:
        return share, note("columns missing", columns=missing)
    if in_other_case:
        one = in_other_case[0]
        found = other_case[one.casefold()]
        return share, note("column in other case", column=one, stands_as=found)
    if match_columns(cells, layout) is None:
        one = next(name for name in asked if name not in named)
        return share, note("column with unit", column=one)
    return share, None


def other_rules(layout: Layout) -> Note:
    """Return what else keeps a file from a layout whose columns it has all."""
    if layout.recognise.file_name is not None:
        return note("name other", wanted=layout.recognise.file_name)
    if layout.sheet.name is not None:
        return note("sheet other", wanted=layout.sheet.name)
    if layout.recognise.first_line is not None:
        return note("first line other", wanted=layout.recognise.first_line)
    return note("another rule")
