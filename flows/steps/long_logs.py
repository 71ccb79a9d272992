"""Reads logs that need not fit into memory: twice over the file, piece by piece.

The first time to judge its channels as a whole on evenly taken rows, the second to convert, judge
by contract and write.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import polars as pl

from flows.metrics.notes import note
from flows.readers import formats
from flows.readers.source import BadRow
from flows.steps.convert import Converted, Converter
from flows.steps.judge import Judgement, facts_of, judge_whole, seen_channels
from schemas.layout import CHANNEL_COLUMNS, Layout
from schemas.samples import CLOCK_RULE, judge_samples, samples_frame

LONG_BYTES = 48 * 1024 * 1024
"""A larger file is read piece by piece; at 50 bytes a row it has a million rows."""

PACKED_SHARE = 0.15
"""Packed text and Parquet take about this share of the text's size."""

JUDGED_ROWS = 200_000
MOST_TOLD = 1_000
"""Rejected rows that are kept word for word; all are counted."""


class LongLog(NamedTuple):
    """What came of a long log."""

    rows_read: int
    rows_kept: int
    rows_rejected: int
    facts: dict[str, object]
    bad_rows: list[BadRow]
    head: dict[str, str]


def read_long_log(
    path: Path, layout: Layout, shop_zone: str, sample_id: str, target: Path
) -> LongLog:
    """Read a long log into a Parquet file of samples.

    Raises UnreadableError if the file cannot be read, or its channels cannot be as labelled.
    """
    import pyarrow.parquet as pq

    judgement, facts = _first_look(path, layout, shop_zone)
    source = formats.reader_of(layout.layout.format).read(path, layout)
    converter = Converter(source, layout, shop_zone)
    columns = {CHANNEL_COLUMNS[word]: channel.column for word, channel in layout.channels.items()}
    told: list[BadRow] = []
    seen_rules: Counter[str] = Counter()
    rows_read = rows_kept = rows_rejected = 0
    last_s: dict[int, float] = {}
    writer: Any = None
    made = target.with_suffix(".making")
    try:
        for table in source.pieces:
            piece = converter.convert(table)
            rows_read += piece.line_no.size + len({row.line_no for row in piece.bad_rows})
            judgement.apply(piece.values)
            bad_rows, kept = _judged(piece, layout, columns, sample_id, last_s)
            rows_rejected += len({row.line_no for row in bad_rows})
            for row in bad_rows:
                seen_rules[row.rule] += 1
                if len(told) < MOST_TOLD:
                    told.append(row)
            if not kept.height:
                continue
            rows_kept += kept.height
            arrow = kept.to_arrow()
            writer = writer or pq.ParquetWriter(made, arrow.schema, compression="zstd")
            writer.write_table(arrow)
        if writer is not None:
            writer.close()
            writer = None
            made.replace(target)
    finally:
        if writer is not None:
            writer.close()
        made.unlink(missing_ok=True)
    if rows_rejected > len(told):
        facts_notes = facts["notes"]
        assert isinstance(facts_notes, list)  # noqa: S101 - made so by facts_of
        rules = [note("rule broken", rule=r, rows=n) for r, n in seen_rules.most_common(5)]
        facts_notes.append(
            note("first rejected rows kept", rows=rows_rejected, kept=len(told), rules=rules)
        )
    return LongLog(rows_read, rows_kept, rows_rejected, facts, told, source.head)


def _first_look(path: Path, layout: Layout, shop_zone: str) -> tuple[Judgement, dict[str, object]]:
    """Judge a file as a whole on rows taken evenly from all of it."""
    source = formats.reader_of(layout.layout.format).read(path, layout)
    converter = Converter(source, layout, shop_zone)
    taken: list[np.ndarray] = []
    clocks: list[np.ndarray] = []
    stride, held = 1, 0
    for table in source.pieces:
        piece = converter.convert(table)
        # Copies: a view would keep the whole piece in memory.
        taken.append(piece.values[::stride].copy())
        clocks.append(piece.clock_no[::stride].copy())
        held += taken[-1].shape[0]
        while held > 2 * JUDGED_ROWS:
            stride *= 2
            taken = [rows[::2].copy() for rows in taken]
            clocks = [rows[::2].copy() for rows in clocks]
            held = sum(rows.shape[0] for rows in taken)
    converter.refuse_missing_columns()
    if not held:
        # Every row is bad: the second time over the file counts and names them.
        nothing = Judgement([], {}, [], {}, no_clock=False)
        return nothing, facts_of(source, layout, converter, nothing, {})
    values, clock_no = np.concatenate(taken), np.concatenate(clocks)
    judgement = judge_whole(values, clock_no, layout)
    judgement.apply(values)
    return judgement, facts_of(source, layout, converter, judgement, seen_channels(values))


def _judged(
    piece: Converted,
    layout: Layout,
    columns: dict[str, str],
    sample_id: str,
    last_s: dict[int, float],
) -> tuple[list[BadRow], pl.DataFrame]:
    """Return the rejected rows of a piece and the kept ones as samples."""
    bad_rows = list(piece.bad_rows)
    frame = samples_frame(
        [sample_id], [seen_channels(piece.values)], [piece.line_no], [piece.clock_no]
    )
    found = judge_samples(layout.layout.kind, frame)
    rejected = np.zeros(frame.height, dtype=bool)
    for row, name, rule, value in found:
        rejected[row] = True
        bad_rows.append(BadRow(frame["line_no"][row], columns.get(name, name), rule, value))
    # The contract sees a piece at a time: time must also go on from the piece before.
    time, clock_no = frame["time_s"].to_numpy(), frame["clock_no"].to_numpy()
    for clock in np.unique(clock_no):
        of_clock = (clock_no == clock) & ~rejected
        times = np.where(of_clock, time, -np.inf)
        highest = np.maximum.accumulate(np.concatenate(([last_s.get(int(clock), -np.inf)], times)))
        back = of_clock & (time <= highest[:-1])
        for row in np.flatnonzero(back):
            rejected[row] = True
            bad_rows.append(
                BadRow(
                    frame["line_no"][int(row)],
                    columns.get("time_s", "time_s"),
                    CLOCK_RULE,
                    f"{time[row]:g} s",
                )
            )
        last_s[int(clock)] = float(highest[-1])
    return bad_rows, frame.filter(~pl.Series(rejected))
