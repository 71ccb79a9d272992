"""Reads regular text files of one layout all at once; what is odd is left to the careful way.

Their rows are parsed, converted and looked at as one table. A file in which anything must be told,
rejected or doubted on its way is not among the files that come out: it is read by itself.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import NamedTuple

import numpy as np
import polars as pl

from flows.readers import formats, text
from flows.readers.source import PIECE_BYTES, START_BYTES, Source, UnreadableError
from flows.steps.convert import Converter
from flows.steps.doubts import doubts
from flows.steps.judge import Judgement, facts_of, notes_of
from flows.steps.opened import Opened, Rules, columns_of, fitting_layouts, recognised, told_facts
from flows.steps.screen import Heap, needless_looks, plain_files
from schemas.columns import CHANNELS
from schemas.layout import Layout


class _Regular(NamedTuple):
    """A text of one layout whose lines all have as many plain cells as its header."""

    sha: str
    layout: Layout
    opening: text.Opening
    body: bytes


def open_together(
    held: Mapping[str, bytes], rules: Rules, read_with: Mapping[str, str | None]
) -> dict[str, Opened | None]:
    """Return the regular files among some; None where one still is what it was read as."""
    found: dict[str, Opened | None] = {}
    groups: dict[object, list[_Regular]] = {}
    for sha, data in held.items():
        known = _recognised(data, rules.names[sha], rules.layouts)
        if known is None:
            continue
        layout, header = known
        if read_with[sha] == rules.with_layout(layout):
            found[sha] = None
            continue
        try:
            opening = text.opened_at(header, data[:START_BYTES], layout)
        except UnreadableError:
            continue
        body = text.regular_body(data, opening, layout)
        if body is not None:
            alike = (layout.name, tuple(header.cells), tuple(opening.units.items()))
            groups.setdefault(alike, []).append(_Regular(sha, layout, opening, body))
    for files in groups.values():
        found.update((opened.reading.file_sha256, opened) for opened in _opened(files, rules))
    return found


def _recognised(
    data: bytes, names: list[str], layouts: list[Layout]
) -> tuple[Layout, text.Header] | None:
    """Return the one layout that a plain text is of, with its header."""
    start = data[:START_BYTES]
    if formats.is_packed(start):
        return None
    try:
        if formats.format_of(start) != "text":
            return None
    except UnreadableError:
        return None
    headers: dict[str, text.Header] = {}

    def fits(layout: Layout) -> bool:
        header = text.header(start, layout)
        if header is not None:
            headers[layout.name] = header
        return header is not None

    fitting = fitting_layouts(layouts, names, "text", fits)
    return (fitting[0], headers[fitting[0].name]) if len(fitting) == 1 else None


def _opened(files: list[_Regular], rules: Rules) -> Iterator[Opened]:
    """Yield the plain files of those that have one layout, header and units."""
    layout, opening = files[0].layout, files[0].opening
    try:
        converter = Converter(Source({}, opening.units, ()), layout, rules.settings.shop.timezone)
    except UnreadableError:
        return
    if not converter.is_row_by_row:
        return
    for some, frame in _parsed(files):
        channels, odd = converter.channels_of(frame)
        try:
            converter.refuse_missing_columns()
        except UnreadableError:
            return
        if "time_s" in channels:
            yield from _plain(some, channels, odd, converter, rules)


def _parsed(files: list[_Regular]) -> Iterator[tuple[list[_Regular], pl.DataFrame]]:
    """Yield rows of files; those are halved in which one cannot be parsed, until it is alone."""
    frame = text.regular_rows([one.body for one in files], files[0].opening, files[0].layout)
    if frame is not None:
        yield files, frame
    elif len(files) > 1:
        middle = len(files) // 2
        yield from _parsed(files[:middle])
        yield from _parsed(files[middle:])


def _plain(
    files: list[_Regular],
    channels: dict[str, np.ndarray],
    odd: np.ndarray,
    converter: Converter,
    rules: Rules,
) -> Iterator[Opened]:
    layout = converter.layout
    rows = np.array([one.body.count(b"\n") for one in files])
    stops = np.cumsum(rows)
    heap = Heap({name: channels[name] for name in CHANNELS if name in channels}, stops - rows, rows)
    in_pieces = np.array([len(one.body) > PIECE_BYTES // 2 for one in files])
    with np.errstate(all="ignore"):  # what is no number, or too large for one, is not plain
        plain = plain_files(heap, layout, odd, in_pieces)
        needless = needless_looks(heap, layout)
    for place in np.flatnonzero(plain):
        own = slice(int(stops[place] - rows[place]), int(stops[place]))
        seen = {
            name: column[own] for name, column in heap.channels.items() if heap.given[name][place]
        }
        one = files[place]
        try:
            found = doubts(seen, layout, needless[place])
            judgement = Judgement([], found.marks, notes_of(found), found.facts, no_clock=False)
            source = Source(one.opening.head, one.opening.units, ())
            facts = facts_of(source, layout, converter, judgement, seen)
        except Exception:  # noqa: BLE001, S112 - refused, or failed on, by the careful way
            continue
        reading = recognised(one.sha, layout, rules)
        reading.rows_read = int(rows[place])
        reading.facts = told_facts(facts)
        first = one.opening.lines + 1
        yield Opened(
            reading,
            seen,
            np.arange(first, first + rows[place]),
            np.zeros(rows[place], dtype=np.int64),
            source=columns_of(layout),
        )
