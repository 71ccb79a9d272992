"""What a file's head says of it, and which of its layout's wishes the file leaves open."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping
from typing import Any

from flows.metrics.notes import Note, note
from flows.readers.head import (
    Entry,
    entry_of,
    is_relative,
    nearest_key,
    unit_behind,
    unit_of_key,
)
from flows.readers.words import known_unit
from flows.steps.clock_times import FIRST_YEAR
from flows.steps.convert import is_same_unit
from schemas.card import GEARS
from schemas.columns import CHANNELS
from schemas.layout import FACTOR, HEAD_FIELDS, HeadField, Layout
from schemas.units import conversion

FACTORS = (0.5, 2.0)
"""What is no correction factor lies beyond these (common practice, no source)."""

LEAST_HUMIDITY_PCT = 2.0
"""No workshop's air is as dry: it is a share of 1, or a sensor that is off (common practice, no
source)."""

Gap = dict[str, str]
"""What a layout asks for and a file does not give: `gap_kind`, `entry`, and what is `instead`."""


def head_facts(
    head: Mapping[str, str], layout: Layout
) -> tuple[dict[str, object], list[Note], list[Gap]]:
    """Return what the entries of a head say, what is told of them, and which are lacking."""
    facts: dict[str, object] = {}
    notes: list[Note] = []
    gaps: list[Gap] = []
    found = {field: entry_of(head, asked.key) for field, asked in layout.head_asked.items()}
    for field, asked in layout.head_asked.items():
        entry = found[field]
        if entry is None:
            unused = head.keys() - {one.key for one in found.values() if one}
            near = nearest_key([key for key in head if key in unused], asked.key)
            gaps.append({"gap_kind": "head entry", "entry": asked.key, "instead": near})
        elif entry.keys:
            notes.append(note("head entry twice", key=asked.key, keys=list(entry.keys)))
        else:
            said = _said(field, asked, entry, layout)
            if "code" in said:
                notes.append(said)
            facts |= {} if "code" in said else said
    gaps += [
        {"gap_kind": told["code"], "entry": told["key"], "instead": _instead(told)}
        for told in notes
    ]
    return facts, notes, gaps


def _instead(told: Note) -> str:
    if told["code"] == "head entry twice":
        return " and ".join(map(repr, told["keys"]))
    return str(told["found"])


def _said(field: str, asked: HeadField, entry: Entry, layout: Layout) -> dict[str, Any]:
    """Return the fact that an entry states, or a note on why it states none."""
    if field == "started_at":
        return _started_at(asked, entry)
    value = _number(entry.text, layout)
    if field == FACTOR:
        is_factor = value is not None and FACTORS[0] < value < FACTORS[1]
        given = {"file_factor": value}
        return given if is_factor else note("no factor", key=asked.key, found=entry.text)
    if value is None:
        return note("head entry no number", key=asked.key, found=entry.text)
    if field == "gear":
        if value in GEARS:
            return {"file_gear": int(value)}
        ends = {"low": GEARS[0], "high": GEARS[-1]}
        return note("head entry no gear", key=asked.key, found=entry.text, **ends)
    return _reading(field, asked, entry, value)


def _started_at(asked: HeadField, entry: Entry) -> dict[str, Any]:
    try:
        begun = dt.datetime.strptime(entry.text.strip(), asked.format or "")  # noqa: DTZ007
    except ValueError:
        return note("head entry no time", key=asked.key, found=entry.text, form=asked.format)
    if begun.year < FIRST_YEAR:
        return note("head entry clock never set", key=asked.key, found=entry.text)
    return {"started_at": begun.replace(tzinfo=None).isoformat()}


def _reading(field: str, asked: HeadField, entry: Entry, value: float) -> dict[str, Any]:
    """Return a reading of the air in SI, where its unit is the layout's and its size can be."""
    name = HEAD_FIELDS[field]
    meaning = CHANNELS[name]
    stated = unit_behind(entry.text)
    if entry.key != asked.key:
        # A key that is as the layout has it was read by a person, with the unit beside it.
        stated = stated or unit_of_key(entry.key)
    is_other = bool(stated) and not is_same_unit(stated or "", asked.unit or "1", meaning.unit)
    if is_other or (field == "ambient_humidity" and not is_relative(entry.text)):
        found = entry.text if entry.key == asked.key else f"{entry.key}: {entry.text}"
        return note("head entry in other unit", key=asked.key, found=found, unit=asked.unit)
    step = conversion(asked.unit or "1", meaning.unit)
    value = value * step.factor + step.offset
    low = LEAST_HUMIDITY_PCT if field == "ambient_humidity" else meaning.low
    if not low <= value <= meaning.high:  # type: ignore[operator]
        return note(
            "head entry out of range",
            key=asked.key,
            found=entry.text,
            value=value,
            unit=meaning.unit,
            low=low,
            high=meaning.high,
        )
    return {name: value}


def _number(text: str, layout: Layout) -> float | None:
    # The unit may be glued behind: "24.5 degC", "978mbar".
    word = text.strip().split()[0]
    glued = word.lstrip("+-0123456789.,")
    if known_unit(glued):
        word = word.removesuffix(glued)
    if layout.text.decimal == ",":
        word = word.replace(",", ".")
    try:
        value = float(word.rstrip("%°"))
    except ValueError:
        return None
    return value if math.isfinite(value) else None
