"""Delimited text: finds the header row that a layout describes and reads the rows below it."""

from __future__ import annotations

import csv
import io
from typing import NamedTuple

import numpy as np
import polars as pl

from flows.readers.source import BadRow, SourceTable, UnreadableError
from schemas.layout import Layout

HEAD_LINES = 200
"""The header row must stand within this many lines; longer heads were never seen."""
HEAD_BYTES = 128 * 1024
COMPLETE_ROW = "row has as many cells as the header"


class Header(NamedTuple):
    """Where the header row stands, and its cells."""

    line_no: int
    cells: list[str]


def _codec(encoding: str) -> str:
    """Return Python's name of a layout's encoding; that of UTF-8 drops a byte order mark."""
    return {"utf-8": "utf-8-sig", "windows-1252": "cp1252"}.get(encoding, encoding)


def decoded(data: bytes, encoding: str) -> str:
    """Return bytes as text with plain line ends.

    Parameters
    ----------
    data : bytes
        The file.
    encoding : str
        As in layouts.

    Returns
    -------
    str
        Text without byte order mark.

    Raises
    ------
    UnreadableError
        If the bytes are not of this encoding.
    """
    try:
        text = data.decode(_codec(encoding))
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise UnreadableError(
            "encoding",
            f"line {line}: the bytes are not {encoding} text, as the layout says",
            "Export the file again, or correct text.encoding in the layout.",
        ) from None
    return text.replace("\r\n", "\n").replace("\r", "\n")


def header(data: bytes, layout: Layout) -> Header | None:
    """Return the header row that the layout describes, if this file has it.

    Parameters
    ----------
    data : bytes
        The file.
    layout : Layout
        The layout.

    Returns
    -------
    Header or None
        None if the file is of another layout.
    """
    start = data[:HEAD_BYTES]
    if layout.text.encoding == "utf-16":
        if not data.startswith((b"\xff\xfe", b"\xfe\xff")):
            return None
        start = start[: len(start) // 2 * 2]
    lines = (
        start.decode(_codec(layout.text.encoding), errors="replace")
        .replace("\r\n", "\n")
        .replace("\r", "\n")
    )
    rows = lines.split("\n")[:HEAD_LINES]
    first = layout.recognise.first_line
    if first is not None and not rows[0].strip().startswith(first):
        return None
    wanted = set(layout.recognise.columns)
    for number, row in enumerate(rows, start=1):
        cells = _cells(row, layout.text.delimiter)
        if wanted <= set(cells):
            return Header(number, cells)
    return None


def nearest(data: bytes, layouts: list[Layout]) -> str:
    """Return what keeps a file from being recognised by the layout it comes nearest to.

    Parameters
    ----------
    data : bytes
        The file.
    layouts : list of Layout
        Taught layouts.

    Returns
    -------
    str
        A sentence, "" if no layout is near: at least half of its column names in one line.
    """
    best, sentence = 0.5, ""
    for layout in layouts:
        codec = _codec(layout.text.encoding)
        start = data[: HEAD_BYTES // 2 * 2].decode(codec, errors="replace")
        for number, row in enumerate(start.splitlines()[:HEAD_LINES], start=1):
            lacking = [name for name in layout.recognise.columns if name not in row]
            share = 1 - len(lacking) / len(layout.recognise.columns)
            if share > best:
                best = share
                sentence = f"line {number} comes nearest to layout {layout.name!r}, but " + (
                    f"column {', '.join(map(repr, lacking))} is missing"
                    if lacking
                    else f"its cells are not divided by {layout.text.delimiter!r}"
                )
    return sentence


def read(data: bytes, layout: Layout) -> SourceTable:
    """Return the table of a delimited text.

    Parameters
    ----------
    data : bytes
        The file.
    layout : Layout
        A layout whose header row the file has.

    Returns
    -------
    SourceTable
        Every column as text, in the source's own names.

    Raises
    ------
    UnreadableError
        If the file is damaged beyond single rows.
    """
    found = header(data, layout)
    if found is None:
        raise UnreadableError(
            "no header row",
            f"no line within the first {HEAD_LINES} names {', '.join(layout.recognise.columns)}",
            "Export the file again, or correct recognise.columns in the layout.",
        )
    text = decoded(data, layout.text.encoding)
    if (place := text.find("\0")) >= 0:
        line = text.count("\n", 0, place) + 1
        raise UnreadableError(
            "nul bytes",
            f"line {line}: holds NUL bytes, as a failing memory card or a broken copy leaves them",
            "Copy the file again from the logger; check its memory card.",
        )
    _refuse_doubled_columns(found, layout)
    first_row = found.line_no + (1 if layout.text.unit_row else 0)
    start = _line_start(text, first_row)
    head, body = text[: _line_start(text, found.line_no - 1)], text[start:]
    if not body.strip():
        raise UnreadableError(
            "no rows",
            f"line {found.line_no} is the header row and nothing follows it",
            "The recording was probably never started; export the run again.",
        )
    width = len(found.cells)
    separator = layout.text.delimiter
    bad_rows: list[BadRow] = []
    rows = _regular_rows(body, separator, width)
    if rows is not None:
        line_no = np.arange(first_row + 1, first_row + 1 + rows)
    else:
        whole, bad_rows = _split(body, first_row + 1, separator, width)
        if not whole:
            raise UnreadableError(
                "no whole row",
                f"none of {len(bad_rows)} rows has {width} cells as the header row does; "
                f"line {bad_rows[0].line_no} has {bad_rows[0].found}",
                "Export the file again, or correct text.delimiter in the layout.",
            )
        line_no = np.array([number for number, _ in whole])
        separator, body = "\x1f", "\n".join(row for _, row in whole)
    used = {channel.column for channel in layout.channels.values()}
    keep = {index: cell for index, cell in enumerate(found.cells) if cell in used}
    return SourceTable(
        frame=_frame(body.encode(), separator, width, keep, layout),
        line_no=pl.Series("line_no", line_no, dtype=pl.Int64),
        head=_head(head.split("\n"), layout.metadata.separator),
        bad_rows=bad_rows,
    )


def _line_start(text: str, lines_before: int) -> int:
    """Return where a line begins, the end of the text if there are not so many."""
    place = 0
    for _ in range(lines_before):
        place = text.find("\n", place) + 1
        if place == 0:
            return len(text)
    return place


def _regular_rows(body: str, separator: str, width: int) -> int | None:
    """Return the number of rows if every line has the same plain cells, else None."""
    if '"' in body or not separator.isascii():
        return None
    marks = np.frombuffer(body.encode(), dtype=np.uint8)
    ends = np.flatnonzero(marks == ord("\n"))
    if marks[-1] != ord("\n"):
        ends = np.append(ends, marks.size)
    cuts = np.searchsorted(np.flatnonzero(marks == ord(separator)), ends)
    return ends.size if (np.diff(cuts, prepend=0) == width - 1).all() else None


def _split(
    body: str, first_line_no: int, separator: str, width: int
) -> tuple[list[tuple[int, str]], list[BadRow]]:
    """Return whole rows with their lines, cells divided by a control mark, and the rest.

    The control mark takes the delimiter's place, so that quoted delimiters stay text.
    """
    whole: list[tuple[int, str]] = []
    bad_rows: list[BadRow] = []
    for number, line in enumerate(body.split("\n"), start=first_line_no):
        if not line.strip():
            continue
        cells = _cells(line, separator)
        if len(cells) == width:
            whole.append((number, "\x1f".join(cells)))
        else:
            # Not the row itself: a column that nobody asked for may hold a position.
            found = f"{len(cells)} cells where the header has {width}"
            bad_rows.append(BadRow(number, "", COMPLETE_ROW, found))
    return whole, bad_rows


def _frame(
    body: bytes, separator: str, width: int, keep: dict[int, str], layout: Layout
) -> pl.DataFrame:
    """Return the kept columns as numbers, or as text where a cell of them is no number."""
    # The header's own names may stand twice in columns nobody asked for: number them instead.
    names = {index: f"cell_{index}" for index in range(width)}

    def parsed(kind: type[pl.DataType]) -> pl.DataFrame:
        return pl.read_csv(
            io.BytesIO(body),
            has_header=False,
            separator=separator,
            schema={name: kind if index in keep else pl.String for index, name in names.items()},
            columns=list(keep),
            quote_char=None,
            null_values=layout.text.missing or None,
            decimal_comma=layout.text.decimal == ",",
        ).rename({names[index]: cell for index, cell in keep.items()})

    try:
        return parsed(pl.Float64)
    except pl.exceptions.ComputeError:
        return parsed(pl.String)


def _cells(line: str, delimiter: str) -> list[str]:
    if '"' in line:
        row = next(csv.reader([line], delimiter=delimiter), [])
    else:
        row = line.split(delimiter)
    return [cell.strip() for cell in row]


def _refuse_doubled_columns(found: Header, layout: Layout) -> None:
    for word, channel in layout.channels.items():
        if found.cells.count(channel.column) > 1:
            raise UnreadableError(
                "doubled column",
                f"line {found.line_no}: column {channel.column!r} ({word}) stands "
                f"{found.cells.count(channel.column)} times; which one is meant cannot be told",
                "Export the file with that column once.",
            )


def _head(lines: list[str], separator: str) -> dict[str, str]:
    entries: dict[str, str] = {}
    for line in lines:
        key, mark, value = line.partition(separator)
        if mark:
            entries.setdefault(key.strip().strip('"'), value.strip().strip('";,\t '))
    return entries
