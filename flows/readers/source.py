"""What every reader gives: a file's rows in the source's own words, or the reason why not.

A reader is a module with four functions:

- `fits(path, start, layout) -> bool`: whether the file has the columns that the layout names;
- `headings(path, start, layout)`: the rows that may name its columns, to tell what keeps a file
  from it (`columns.nearest`);
- `read(path, layout) -> Source`: head, units and rows of a file that fits;
- `shown(path)`: what a file of no taught layout shows of itself: a `Look` where its columns have
  names and types of their own, else the grids of cells in which `look.py` finds the table.

`start` holds the first `START_BYTES` of the file, unpacked if the file is packed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import polars as pl

from flows.metrics.notes import Note, note
from warehouse.sentences import remedy_of, said

HEAD_LINES = 200
"""The header row must stand within this many lines; longer heads were never seen."""
START_BYTES = 128 * 1024
PIECE_BYTES = 2 * 1024 * 1024
"""Readers give a large file in pieces of about this much source text."""
LOOKED_ROWS = 20_000
"""Rows of a file that no layout describes that are looked at."""
EARLIEST_S, LATEST_S = 473_385_600.0, 4_102_444_800.0
"""Seconds from 1970 to the beginnings of 1985 and 2100: between them a time is a date."""

MOST_ROWS = 250_000_000
"""A log of more rows was never seen: ten hours at 5 kHz are 180 million."""

REPEATED_NAME = "{name} #{number}"
"""A column name that stands again gets its number: "lambda", "lambda #2"."""


class UnreadableError(ValueError):
    """A file cannot be read, with what a person can do about it."""

    def __init__(self, code: str, **figures: object) -> None:
        self.note = note(code, **figures)
        super().__init__(code)

    def __reduce__(self) -> tuple[Callable[[], UnreadableError], tuple[()]]:
        """Be raised whole in another process."""
        return partial(type(self), **self.note), ()

    def __str__(self) -> str:
        """Why it cannot be read."""
        return said(self.note)

    @property
    def code(self) -> str:
        """Which refusal it is."""
        return self.note["code"]

    @property
    def remedy(self) -> str:
        """What a person can do about it."""
        return remedy_of(self.note)


def first_words(error: BaseException) -> str:
    """Return how a library says why it gave up on a file."""
    return str(error).splitlines()[0][:160] if str(error) else type(error).__name__


def stamp(path: Path) -> tuple[int, int]:
    """Return what changes when a file does: with it, what was read of one can be kept at hand."""
    stat = path.stat()
    return stat.st_size, stat.st_mtime_ns


def refuse_endless(rows: int) -> None:
    """Refuse a file that claims more rows than any log has, before one of them is read."""
    if not 0 <= rows <= MOST_ROWS:
        raise UnreadableError("too many rows", rows=rows, most=MOST_ROWS)


@dataclass(frozen=True)
class BadRow:
    """A row that could not be read: its line, what should hold, and what stood there."""

    line_no: int | None
    column: str
    rule: str
    found: str


@dataclass(frozen=True)
class SourceTable:
    """Some rows of a file, one after the other, before anything was converted.

    `frame` holds the columns under the source's own names (texts, or numbers and times where the
    format has them), `line_no` the source line of each row from 1, `bad_rows` what could not be
    made a row at all. A format whose channel groups run on clocks of their own gives each group
    as tables with another `clock`, and its seconds in `time_s`.
    """

    frame: pl.DataFrame
    line_no: pl.Series
    bad_rows: list[BadRow] = field(default_factory=list)
    clock: int = 0
    time_s: pl.Series | None = None


@dataclass(frozen=True)
class Source:
    """An opened file: entries of its head, units it states itself, and its rows.

    `pieces` is gone through once; reading goes on while it is. It may raise `UnreadableError`.
    `units` holds the unit of each column as the file writes it, in the header or in a row of
    units, where it does. `notes` says what the reader left out.
    """

    head: dict[str, str]
    units: dict[str, str]
    pieces: Iterable[SourceTable]
    notes: list[Note] = field(default_factory=list)
    started_at: str = ""
    """When the recording began, ISO 8601, where the format itself knows it."""


@dataclass(frozen=True)
class Grid:
    """Rows of cells in which a table may stand; `top` has the first of them as texts.

    `columns` gives the columns below a line by their names, told of their units; it adds to the
    units and doubts what the cells show. `head` gives the entries above a line and the mark between
    key and value, `text` what a layout must say of it already.
    """

    format: str
    where: str
    top: list[list[str]]
    columns: Callable[[int, list[str], dict[str, str], list[str]], list[pl.Series]]
    head: Callable[[int], tuple[dict[str, str], str]]
    text: dict[str, object] = field(default_factory=dict)
    sheet: str | None = None
    delimiter: str = ";"
    doubts: list[str] = field(default_factory=list)
    weight: float = 1.0


@dataclass(frozen=True)
class Look:
    """What a file shows of itself, to draft a layout from."""

    format: str
    where: str
    frame: pl.DataFrame
    units: dict[str, str] = field(default_factory=dict)
    head: dict[str, str] = field(default_factory=dict)
    text: dict[str, object] = field(default_factory=dict)
    sheet: str | None = None
    doubts: list[str] = field(default_factory=list)
    separator: str = ":"
