"""Delimited text: finds the header row that a layout describes and reads the rows below it."""

from __future__ import annotations

import codecs
import csv
import io
import re
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np
import polars as pl

from flows.metrics.notes import Note, note
from flows.readers.columns import Columns, Heading, match_columns
from flows.readers.formats import open_bytes, start_of
from flows.readers.head import numbered_entries
from flows.readers.source import (
    HEAD_LINES,
    PIECE_BYTES,
    BadRow,
    Grid,
    Source,
    SourceTable,
    UnreadableError,
)
from schemas.layout import WHITESPACE, Layout

COMPLETE_ROW = "row has as many cells as the header"
CLOSED_QUOTE = "a quote that opens is closed"
ENDED_LINE = "the last line is ended"
CELL_MARK = "\x1f"
"""Stands between cells once they are told apart: no text file has it."""
LONGEST_CELL_LINES = 20
_NUMBERED = re.compile(r" #\d+$")
"""What is added to a column's name that stands again (source.REPEATED_NAME)."""
DIVIDERS = (";", "\t", ",", "|", WHITESPACE)
_ESCAPED = re.compile("[\udc80-\udcff]")
_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)


class Header(NamedTuple):
    """Where the header row stands, its cells, and which of them are the layout's columns."""

    line_no: int
    cells: list[str]
    columns: Columns


class Opening(NamedTuple):
    """What stands above the rows: the header, units by column, entries, and the lines in all."""

    header: Header
    codec: str
    units: dict[str, str]
    head: dict[str, str]
    lines: int


def codec_of(start: bytes, encoding: str) -> str:
    """Return the codec that a file is in: its byte order mark says more than any layout."""
    for mark, codec in _MARKS:
        if start.startswith(mark):
            return codec
    first, second = start[:4000:2].count(0), start[1:4000:2].count(0)
    if encoding == "utf-16" or max(first, second) > 0.3 * len(start[:4000]):
        # Without a mark the place of the zeros tells which byte comes first.
        return "utf-16-be" if first > second else "utf-16-le"
    return {"utf-8": "utf-8", "windows-1252": "cp1252"}.get(encoding, encoding)


def fits(path: Path, start: bytes, layout: Layout) -> bool:  # noqa: ARG001 - as every reader
    """Whether a file has the header row that the layout describes."""
    return header(start, layout) is not None


def header(start: bytes, layout: Layout) -> Header | None:
    """Return the header row that the layout describes, if this file has it."""
    text = plain_ends(start.decode(codec_of(start, layout.text.encoding), errors="replace"))
    # Most lines are rows of numbers: told by a look before any is taken apart.
    wanted = [_NUMBERED.sub("", name) for name in layout.recognise.columns if '"' not in name]
    if not all(name in text for name in wanted):
        return None
    rows = text.split("\n", HEAD_LINES)[:HEAD_LINES]
    first = layout.recognise.first_line
    if first is not None and not rows[0].strip().startswith(first):
        return None
    for number, row in enumerate(rows, start=1):
        if all(name in row for name in wanted):
            cells = split_cells(row, layout.text.delimiter)
            columns = match_columns(cells, layout)
            if columns is not None:
                return Header(number, cells, columns)
    return None


def headings(path: Path, start: bytes, layout: Layout) -> Iterator[Heading]:  # noqa: ARG001
    """Yield the lines that may name a layout's columns, taken apart by any mark."""
    codec = codec_of(start, layout.text.encoding)
    rows = plain_ends(start.decode(codec, errors="replace")).split("\n")[:HEAD_LINES]
    first = layout.recognise.first_line
    is_other = first is not None and not rows[0].strip().startswith(first)
    names = [_NUMBERED.sub("", name).casefold() for name in layout.recognise.columns]
    for number, row in enumerate(rows, start=1):
        plain = row.casefold()
        if sum(name in plain for name in names) <= 0.5 * len(names):
            continue  # cheaper than taking the line apart
        for delimiter in dict.fromkeys((layout.text.delimiter, *DIVIDERS)):
            cells = split_cells(row, delimiter)
            told = note("divided otherwise", by=delimiter, layout_says=layout.text.delimiter)
            if len(cells) > 1:
                otherwise = told if delimiter != layout.text.delimiter else None
                yield Heading(note("line", line=number), cells, otherwise, is_other)


def read(path: Path, layout: Layout) -> Source:
    """Return the table of a delimited text, piece by piece.

    Raises UnreadableError if the file is damaged beyond single rows; also while its pieces are gone
    through.
    """
    start = start_of(path)
    found = header(start, layout)
    if found is None:
        raise UnreadableError(
            "no header row", within=HEAD_LINES, columns=layout.recognise.columns, is_sheet=False
        )
    opening = opened_at(found, start, layout)
    notes: list[Note] = []
    rows = _Rows(path, opening, layout, notes)
    return Source(head=opening.head, units=opening.units, pieces=rows.pieces(), notes=notes)


def opened_at(found: Header, start: bytes, layout: Layout) -> Opening:
    """Return what stands above the rows of a file with this header.

    Raises UnreadableError if a column stands twice, or no row of units where one should be.
    """
    found.columns.refuse_doubled(note("line", line=found.line_no), layout)
    codec = codec_of(start, layout.text.encoding)
    text = plain_ends(start.decode(codec, errors="replace"))
    lines = text.split("\n", found.line_no + 1)[: found.line_no + 1]
    units = dict(found.columns.units)
    above = found.line_no
    if layout.text.unit_row:
        row = lines[above] if above < len(lines) else ""
        units.update(_row_of_units(row, above + 1, found.columns, layout))
        above += 1
    head = head_entries(lines[: found.line_no - 1], layout.metadata.separator)
    return Opening(found, codec, units, head, above)


def regular_body(data: bytes, opening: Opening, layout: Layout) -> bytes | None:
    """Return the rows of a whole file as plain lines of numbers in ASCII, each with its end.

    None where there is anything else: such a file is read piece by piece, row by row if need be.
    """
    delimiter = layout.text.delimiter
    if delimiter == WHITESPACE or not delimiter.isascii():
        return None
    if opening.codec.startswith("utf-16"):
        try:
            data = data.decode(opening.codec).encode()
        except UnicodeDecodeError:
            return None
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    at = 0
    for _ in range(opening.lines):
        at = data.find(b"\n", at) + 1
        if not at:
            return None
    body = data[at:]
    if b"\0" in data or b'"' in body or not body.isascii() or not body.endswith(b"\n"):
        return None
    mark = _thousands_mark(layout)
    if mark and mark.encode() in body:
        return None
    cuts, rows = body.count(delimiter.encode()), body.count(b"\n")
    return body if cuts == rows * (len(opening.header.cells) - 1) else None


def regular_rows(bodies: list[bytes], opening: Opening, layout: Layout) -> pl.DataFrame | None:
    """Return the rows of some regular bodies, one behind the other, with their columns as numbers.

    None where a row has more or fewer cells than another, or a cell is no number.
    """
    width, kept = len(opening.header.cells), opening.header.columns.kept
    joined = b"".join(bodies)
    # The parser sees a cell too many itself, but not where it need not parse the whole row.
    if len(kept) < width:
        even = _regular_rows(joined, layout.text.delimiter, width)
        if even is None or even[1] != width:
            return None
    try:
        return _parsed(joined, layout.text.delimiter, width, kept, layout, pl.Float64)
    except (pl.exceptions.ComputeError, pl.exceptions.SchemaError):
        return None


@dataclass
class _Rows:
    """The rows of one file, read piece by piece."""

    path: Path
    opening: Opening
    layout: Layout
    notes: list[Note]
    repeated_headers: int = 0
    last_line: str = ""
    example: tuple[int, int] = (0, 0)
    whole_rows: int = 0
    bad_rows: int = 0

    def pieces(self) -> Iterator[SourceTable]:
        """Yield the rows below the header; raise if there are none."""
        line_no = 1
        seen_any = False
        for text, is_last in self._texts():
            if (place := text.find("\0")) >= 0:
                line = line_no + text.count("\n", 0, place)
                raise UnreadableError("nul bytes", line=line)
            lines = text.count("\n") + (not text.endswith("\n"))
            start = _line_start(text, max(0, self.opening.lines - line_no + 1))
            body, first = text[start:], max(line_no, self.opening.lines + 1)
            line_no += lines
            if not body.strip():
                continue
            if not body.isascii() and (other := _ESCAPED.search(body)):
                raise self._other_encoding(first + body.count("\n", 0, other.start()))
            seen_any = True
            yield self._table(body, first, is_last=is_last)
        if not seen_any:
            raise UnreadableError("no rows", header=note("line", line=self.opening.header.line_no))
        if not self.whole_rows:
            line, cells = self.example
            width = len(self.opening.header.cells)
            doubled = self.layout.text.delimiter == "," and cells > width
            raise UnreadableError(
                "no whole row",
                rows=self.bad_rows,
                width=width,
                line=line,
                cells=cells,
                is_comma_both=doubled,
            )
        if self.repeated_headers:
            self.notes.append(note("header repeated", times=self.repeated_headers))

    def _texts(self) -> Iterator[tuple[str, bool]]:
        """Yield the file as text in pieces that end with a line, and whether it is the last."""
        # Bytes of another encoding in the head are remarks; only among the rows do they matter.
        errors = "surrogateescape" if not self.opening.codec.startswith("utf-16") else "strict"
        decoder = codecs.getincrementaldecoder(self.opening.codec)(errors=errors)
        held, bytes_done, lines_done = "", 0, 0
        try:
            with open_bytes(self.path) as file:
                following = file.read(PIECE_BYTES)
                while following:
                    data, following = following, file.read(PIECE_BYTES)
                    try:
                        text = held + decoder.decode(data, final=not following)
                    except UnicodeDecodeError as error:
                        before = data[: error.start].count(b"\n")
                        raise self._other_encoding(lines_done + before + 1) from None
                    bytes_done += len(data)
                    lines_done += data.count(b"\n")
                    if not following:
                        yield plain_ends(text), True
                        return
                    # A line end of two characters may be cut in the middle.
                    cut = max(text.rfind("\n"), text.rfind("\r", 0, len(text) - 1)) + 1
                    if '"' in text:
                        cut = _end_outside_quotes(text, cut)
                    held, text = text[cut:], text[:cut]
                    if text:
                        yield plain_ends(text), False
        except (EOFError, OSError, zlib.error) as error:
            raise UnreadableError(
                "damaged packing", after_bytes=bytes_done, why=str(error)
            ) from None

    def _other_encoding(self, line_no: int) -> UnreadableError:
        return UnreadableError("encoding", line=line_no, encoding=self.layout.text.encoding)

    def _table(self, body: str, first_line_no: int, *, is_last: bool) -> SourceTable:
        width = len(self.opening.header.cells)
        separator = self.layout.text.delimiter
        bad_rows: list[BadRow] = []
        end_line = first_line_no + body.count("\n") if not body.endswith("\n") else 0
        if is_last:
            body, unended = self._without_torn_end(body, first_line_no)
            bad_rows += unended
        else:
            self.last_line = body[body.rfind("\n", 0, len(body) - 1) + 1 :].rstrip("\n")
        regular = None
        if separator != WHITESPACE:
            regular = _regular_rows(body.encode(), separator, width) if body.strip() else None
        if regular is not None:
            rows, width = regular
            line_no = np.arange(first_line_no, first_line_no + rows)
        else:
            whole, torn = _split(body, first_line_no, separator, width)
            bad_rows += torn
            if torn and not self.bad_rows:
                self.example = (torn[0].line_no or 0, _cells_told(torn[0].found))
            line_no = np.array([number for number, _ in whole], dtype=np.int64)
            separator, body = CELL_MARK, "\n".join(row for _, row in whole)
        if is_last and any(row.line_no == end_line for row in bad_rows):
            self.notes.append(note("cut short", line=end_line))
        self.whole_rows += line_no.size
        self.bad_rows += len(bad_rows)
        frame = _frame(body, separator, width, self.opening.header.columns.kept, self.layout)
        frame, line_no = self._without_headers(frame, line_no)
        return SourceTable(
            frame=frame,
            line_no=pl.Series("line_no", line_no, dtype=pl.Int64),
            bad_rows=bad_rows,
        )

    def _without_torn_end(self, body: str, first_line_no: int) -> tuple[str, list[BadRow]]:
        """Set the last line aside if it has no end and its last cell is shorter than usual."""
        if body.endswith("\n"):
            return body, []
        rest, _, last = body.rpartition("\n")
        before = rest.rpartition("\n")[2] or self.last_line
        delimiter = self.layout.text.delimiter
        cells, usual = split_cells(last, delimiter), split_cells(before, delimiter)
        if len(cells) != len(usual) or not cells or not _is_shorter(cells[-1], usual[-1]):
            return body, []
        line_no = first_line_no + body.count("\n")
        row = BadRow(line_no, "", ENDED_LINE, "a line without its end, its last cell cut short")
        return rest + "\n" if rest else "", [row]

    def _without_headers(
        self, frame: pl.DataFrame, line_no: np.ndarray
    ) -> tuple[pl.DataFrame, np.ndarray]:
        """Leave out rows that are the header row over again."""
        texts = [name for name in frame.columns if frame[name].dtype == pl.String]
        if not texts or len(texts) < min(2, frame.width):
            return frame, line_no
        names = {name: cell for cell, name in self.opening.header.columns.cells.items()}
        again = frame.select(
            pl.all_horizontal(pl.col(name).str.strip_chars(' "') == names[name] for name in texts)
        ).to_series()
        again = again.fill_null(value=False)
        if not again.any():
            return frame, line_no
        self.repeated_headers += int(again.sum())
        return frame.filter(~again), line_no[~again.to_numpy()]


def _is_shorter(cell: str, usual: str) -> bool:
    """Whether a cell may have been cut: fewer figures behind the point, or fewer in all."""
    behind, usually = (re.split("[.,]", text)[1:] for text in (cell, usual))
    if usually:
        return len(behind[-1] if behind else "") < len(usually[-1])
    return len(cell) < len(usual)


def _cells_told(found: str) -> int:
    digits = re.match(r"\d+", found)
    return int(digits[0]) if digits else 0


def plain_ends(text: str) -> str:
    """Return text with plain line ends and without a byte order mark."""
    text = text.removeprefix("\ufeff")
    return text.replace("\r\n", "\n").replace("\r", "\n") if "\r" in text else text


def _end_outside_quotes(text: str, cut: int) -> int:
    """Return the last line end up to a place with no quote open there.

    An unclosed quote must not take in the rest of the file: after some lines it is ignored.
    """
    end = cut
    for _ in range(LONGEST_CELL_LINES):
        if text.count('"', 0, end) % 2 == 0:
            return end
        earlier = text.rfind("\n", 0, max(end - 1, 0)) + 1
        if earlier <= 0:
            break
        end = earlier
    return cut


def _line_start(text: str, lines_before: int) -> int:
    """Return where a line begins, the end of the text if there are not so many."""
    place = 0
    for _ in range(lines_before):
        place = text.find("\n", place) + 1
        if place == 0:
            return len(text)
    return place


def _regular_rows(body: bytes, separator: str, width: int) -> tuple[int, int] | None:
    """Return the numbers of rows and cells if every line has the same plain cells, else None.

    One empty cell more than the header has, on every line, is a delimiter at its end.
    """
    if b'"' in body or not separator.isascii():
        return None
    marks = np.frombuffer(body, dtype=np.uint8)
    ends = np.flatnonzero(marks == ord("\n"))
    if marks[-1] != ord("\n"):
        ends = np.append(ends, marks.size)
    cuts = np.diff(np.searchsorted(np.flatnonzero(marks == ord(separator)), ends), prepend=0)
    if (cuts == width - 1).all():
        return ends.size, width
    if (cuts == width).all() and (marks[ends - 1] == ord(separator)).all():
        return ends.size, width + 1
    return None


def _split(
    body: str, first_line_no: int, separator: str, width: int
) -> tuple[list[tuple[int, str]], list[BadRow]]:
    """Return whole rows with their lines, cells divided by a control mark, and the rest.

    The control mark takes the delimiter's place, so that quoted delimiters stay text.
    """
    whole: list[tuple[int, str]] = []
    bad_rows: list[BadRow] = []
    lines = body.split("\n")
    at = 0
    while at < len(lines):
        line, number = lines[at], first_line_no + at
        at += 1
        if not line.strip():
            continue
        # A quoted cell may hold line ends; one never closed must not take in the rest of the file.
        taken = 1
        while line.count('"') % 2 and taken < LONGEST_CELL_LINES and at + taken - 1 < len(lines):
            line = "\n".join(lines[at - 1 : at + taken])
            taken += 1
        if line.count('"') % 2:
            bad_rows.append(BadRow(number, "", CLOSED_QUOTE, "a line with one quote only"))
            continue
        at += taken - 1
        cells = split_cells(line, separator)
        if len(cells) == width + 1 and cells[-1] == "":
            cells.pop()
        if len(cells) == width:
            plain = (cell.replace("\n", " ").replace(CELL_MARK, " ") for cell in cells)
            whole.append((number, CELL_MARK.join(plain)))
        else:
            # Not the row itself: a column that nobody asked for may hold a position.
            found = f"{len(cells)} cells where the header has {width}"
            bad_rows.append(BadRow(number, "", COMPLETE_ROW, found))
    return whole, bad_rows


def _frame(
    body: str, separator: str, width: int, kept: dict[int, str], layout: Layout
) -> pl.DataFrame:
    """Return the kept columns as numbers, or as text where a cell of them is no number."""
    if not body.strip():
        return pl.DataFrame({name: pl.Series(name, [], dtype=pl.Float64) for name in kept.values()})
    # The parser would take a thousands point for a decimal one: such texts are judged by us.
    mark = _thousands_mark(layout)
    if not (mark and mark in body):
        try:
            return _parsed(body.encode(), separator, width, kept, layout, pl.Float64)
        except (pl.exceptions.ComputeError, pl.exceptions.SchemaError):
            pass
    return _parsed(body.encode(), separator, width, kept, layout, pl.String)


def _thousands_mark(layout: Layout) -> str:
    return layout.text.thousands or ("." if layout.text.decimal == "," else "")


def _parsed(
    body: bytes,
    separator: str,
    width: int,
    kept: dict[int, str],
    layout: Layout,
    kind: type[pl.DataType],
) -> pl.DataFrame:
    # The header's own names may stand twice in columns nobody asked for: number them instead.
    names = {index: f"cell_{index}" for index in range(width)}
    return pl.read_csv(
        body,
        has_header=False,
        separator=separator,
        schema={name: kind if index in kept else pl.String for index, name in names.items()},
        columns=list(kept),
        quote_char=None,
        null_values=layout.text.missing or None,
        decimal_comma=layout.text.decimal == ",",
    ).rename({names[index]: cell for index, cell in kept.items()})


def split_cells(line: str, delimiter: str) -> list[str]:
    """Return the cells of one row, without the blanks around them."""
    if '"' in line:
        divider = " " if delimiter == WHITESPACE else delimiter
        try:
            row = next(csv.reader(io.StringIO(line), delimiter=divider, skipinitialspace=True), [])
        except csv.Error:
            row = line.split(divider)
    elif delimiter == WHITESPACE:
        row = line.split()
    else:
        row = line.split(delimiter)
    return [cell.strip() for cell in row]


def _row_of_units(row: str, line_no: int, columns: Columns, layout: Layout) -> dict[str, str]:
    """Return what the row of units says of the columns that are kept."""
    cells = split_cells(row, layout.text.delimiter)
    told = {name: cells[index].strip("[](){}") for index, name in columns.kept.items()
            if index < len(cells)}  # fmt: skip
    if told and all(re.fullmatch(r"[+-]?\d+([.,]\d+)?", cell) for cell in told.values()):
        raise UnreadableError("no row of units", line=line_no)
    return {name: cell for name, cell in told.items() if cell}


def head_entries(lines: list[str], separator: str) -> dict[str, str]:
    """Return the entries above a table."""
    entries: dict[str, str] = {}
    for line in lines:
        key, mark, value = line.partition(separator)
        if mark:
            numbered_entries(entries, key.strip().strip('"'), value.strip().strip('";,\t '))
    return entries


def shown(path: Path) -> list[Grid]:
    """Return what a text shows of itself: its rows as each mark would divide them."""
    from flows.readers.text_grids import text_grids

    return text_grids(path)
