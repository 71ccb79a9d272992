"""Judges a converted file as a whole: channels that are dead or lie, and what its head says."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from flows.metrics.clocks import is_whole_seconds, spread_seconds
from flows.metrics.notes import Note, note
from flows.metrics.ride_turns import turns
from flows.readers.source import BadRow, Source, UnreadableError
from flows.steps.convert import PLACE, Converted, Converter
from flows.steps.doubts import Doubts, doubts
from flows.steps.head_facts import LEAST_HUMIDITY_PCT, Gap, head_facts
from schemas.columns import CHANNELS
from schemas.layout import HEAD_FIELDS, Layout
from schemas.samples import NEEDED

SET_ASIDE_SHARE = 0.5
"""An optional channel with more of its values out of bounds is dead as a whole: its rows are still
good rows, so the channel is set aside with a note instead of all the rows being rejected."""

COARSE_SHARE = 0.5
"""With more rows than this on the time of the row before, the clock is coarser than the log."""


class WholeFile(NamedTuple):
    """Canonical rows of one file, what was rejected on the way, rows read, and its facts."""

    values: np.ndarray
    line_no: np.ndarray
    clock_no: np.ndarray
    bad_rows: list[BadRow]
    rows_read: int
    facts: dict[str, object]


class Judgement(NamedTuple):
    """What is to be done with a file's channels as a whole.

    `emptied` are channels out of bounds as a whole, `marks` channels that are kept and are no
    evidence, with the reason, and `no_clock` says that the times are worth nothing.
    """

    emptied: list[str]
    marks: dict[str, Note]
    notes: list[Note]
    extra_facts: dict[str, object]
    no_clock: bool

    def apply(self, values: np.ndarray) -> None:
        """Empty in place what cannot be kept."""
        for name in self.emptied:
            values[:, PLACE[name]] = np.nan
        if self.no_clock:
            values[:, PLACE["time_s"]] = np.nan


def canonical(source: Source, layout: Layout, shop_zone: str = "UTC") -> WholeFile:
    """Return a whole file in canonical channels, judged as a whole.

    Raises UnreadableError if a needed column is missing, or what its channels say cannot be as
    labelled.
    """
    converter = Converter(source, layout, shop_zone)
    pieces: list[Converted] = []
    rows = 0
    for table in source.pieces:
        piece = converter.convert(table)
        rows += piece.line_no.size + len({row.line_no for row in piece.bad_rows})
        pieces.append(piece)
    converter.refuse_missing_columns()
    values, line_no, clock_no = (
        np.concatenate([getattr(piece, name) for piece in pieces])
        if pieces
        else np.empty((0, len(CHANNELS)) if name == "values" else 0)
        for name in ("values", "line_no", "clock_no")
    )
    if len(np.unique(clock_no)) > 1:
        order = np.argsort(clock_no, kind="stable")
        values, line_no, clock_no = values[order], line_no[order], clock_no[order]
    rows_a_second = _spread_whole_seconds(values, clock_no, layout)
    judgement = judge_whole(values, clock_no, layout)
    judgement.apply(values)
    if rows_a_second is not None:
        _tell_whole_seconds(judgement, rows_a_second)
    bad_rows = [row for piece in pieces for row in piece.bad_rows]
    facts = facts_of(source, layout, converter, judgement, seen_channels(values))
    return WholeFile(
        values, line_no.astype(np.int64), clock_no.astype(np.int64), bad_rows, rows, facts
    )


def _spread_whole_seconds(values: np.ndarray, clock_no: np.ndarray, layout: Layout) -> float | None:
    """Put a ride's rows evenly within its clock's whole seconds; return the rows a second.

    In place; None where the clock shows more than whole seconds, or stood still.
    """
    at = np.flatnonzero(clock_no == 0)
    time = values[at, PLACE["time_s"]]
    if layout.layout.kind != "ride" or not is_whole_seconds(time):
        return None
    spread = spread_seconds(time)
    if not np.all(np.diff(spread) > 0.0):
        return None
    values[at, PLACE["time_s"]] = spread
    return float(at.size / (np.ptp(time) + 1.0))


def _tell_whole_seconds(judgement: Judgement, rows_a_second: float) -> None:
    judgement.extra_facts["clock_step_s"] = 1.0
    judgement.notes.append(
        note("whole seconds", rows_a_second=rows_a_second, is_spread=rows_a_second > 1.0)
    )


def judge_whole(values: np.ndarray, clock_no: np.ndarray, layout: Layout) -> Judgement:
    """Return what is wrong with a file's channels as a whole.

    Raises UnreadableError if the file must not be accepted as it is labelled.
    """
    notes: list[Note] = []
    no_clock = _clock_is_coarse(values, clock_no, layout, notes)
    kept = values.copy()
    if no_clock:
        kept[:, PLACE["time_s"]] = np.nan
    channels = {
        name: kept[:, PLACE[name]]
        for name in CHANNELS
        if name == "time_s" or np.isfinite(kept[:, PLACE[name]]).any()
    }
    found = doubts(channels, layout)
    notes += notes_of(found)
    emptied = _dead_channels(values, layout, found.marks, notes)
    return Judgement(emptied, found.marks, notes, found.facts, no_clock)


def notes_of(found: Doubts) -> list[Note]:
    """Return what is to be said of a file's channels.

    Raises UnreadableError if the file must not be accepted as it is labelled.
    """
    refusals = [doubt.note for doubt in found.doubts if doubt.grade == "refuse"]
    if refusals:
        raise UnreadableError(**refusals[0], also=refusals[1:])
    return [doubt.note for doubt in found.doubts]


def seen_channels(values: np.ndarray) -> dict[str, np.ndarray]:
    """Return the channels of which a file has anything."""
    return {
        name: column
        for name, place in PLACE.items()
        if np.isfinite(column := values[:, place]).any()
    }


def _dead_channels(
    values: np.ndarray, layout: Layout, marks: dict[str, Note], notes: list[Note]
) -> list[str]:
    """Return the optional channels that are out of bounds as a whole; say so in the notes.

    A channel that is no evidence is emptied as soon as one of its values is out of bounds: its
    rows are good rows.
    """
    needed = {*NEEDED[layout.layout.kind]}
    if layout.layout.kind == "pull":
        needed |= {"wheel_power_w", "wheel_torque_nm"}
    emptied = []
    for name, meaning in CHANNELS.items():
        column = values[:, PLACE[name]]
        given = column[np.isfinite(column)]
        if name in needed or not given.size:
            continue
        outside = given[(given < meaning.low) | (given > meaning.high)]
        if not outside.size or (outside.size <= SET_ASIDE_SHARE * given.size and name not in marks):
            continue
        emptied.append(name)
        if name in marks:
            continue
        notes.append(
            note(
                "channel set aside",
                channel=name,
                outside=outside.size,
                values=given.size,
                from_value=outside.min(),
                to_value=outside.max(),
                low=meaning.low,
                high=meaning.high,
            )
        )
    return emptied


def _clock_is_coarse(
    values: np.ndarray, clock_no: np.ndarray, layout: Layout, notes: list[Note]
) -> bool:
    """Whether most rows share their time with the one before; a ride is refused for it."""
    time = values[clock_no == 0, PLACE["time_s"]]
    time = time[np.isfinite(time)]
    if time.size < 20:
        return False
    if layout.layout.kind == "pull" and is_whole_seconds(time) and not (np.diff(time) < 0).any():
        notes.append(note("whole seconds only"))
        return True
    still = float((np.diff(time) == 0.0).mean())
    if still <= COARSE_SHARE:
        return False
    if layout.layout.kind == "ride":
        raise UnreadableError("clock too coarse", still_share=still, is_ride=True)
    notes.append(note("clock too coarse", still_share=still, is_ride=False))
    return True


def facts_of(
    source: Source,
    layout: Layout,
    converter: Converter,
    judgement: Judgement,
    channels: Mapping[str, np.ndarray],
) -> dict[str, object]:
    """Return what a file says of itself beside its rows."""
    notes = [*converter.all_notes(), *judgement.notes]
    facts: dict[str, object] = {"notes": notes, "marks": judgement.marks}
    facts.update(judgement.extra_facts)
    started = converter.started_at()
    if started is not None:
        facts["started_at"] = started.isoformat()
    said, told, gaps = head_facts(source.head, layout)
    facts.update(said)
    notes += told
    if gaps := [*gaps, *_open_columns(layout, converter), *_assumptions(layout)]:
        facts["gaps"] = gaps
    if layout.power is not None:
        facts["power_state"] = layout.power.state
        facts["file_standard"] = layout.power.standard
        if layout.power.mass_kg is not None:
            facts["roller_mass_kg"] = layout.power.mass_kg
    for word in ("lambda_wide", "lambda_wide_2", "exhaust_co2"):
        if word in layout.channels:
            facts.setdefault("probe_place", layout.channels[word].probe)
            facts.setdefault("probe_delay_s", layout.channels[word].delay_s)
            facts.setdefault("is_delay_assumed", "delay_s" in layout.channels[word].assumed)
    if layout.layout.kind == "ride":
        facts["channels_seen"] = len(channels)
        facts["turns"] = _turns(channels)
    for name in HEAD_FIELDS.values():
        # Without a head entry, a logged channel of the room's air says the same.
        if name not in facts and name in channels:
            middle = float(np.nanmedian(channels[name]))
            if name != "ambient_humidity_pct" or middle >= LEAST_HUMIDITY_PCT:
                facts[name] = middle
    return facts


def _turns(channels: Mapping[str, np.ndarray]) -> list[list[float]]:
    if not {"time_s", "engine_speed_rpm"} <= channels.keys():
        return []
    found = turns(channels["time_s"], channels["engine_speed_rpm"])
    return [[round(float(at), 1), round(float(speed))] for at, speed in zip(*found, strict=True)]


def _open_columns(layout: Layout, converter: Converter) -> list[Gap]:
    """Return the columns that the layout asks for and the file has not."""
    return [
        {"gap_kind": "column", "entry": channel.column, "instead": ""}
        for word, channel in layout.channels.items()
        if word != "time" and channel.column not in converter.checked_columns
    ]


def _assumptions(layout: Layout) -> list[Gap]:
    """Return what the layout says and nobody stated."""
    return [
        {"gap_kind": "assumed", "entry": f"{path} = {value!r}", "instead": ""}
        for path, value in layout.assumptions.items()
    ]
