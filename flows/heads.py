"""What stands above a table, as drafts and trials list it: found, read as, expected and not found.

In the order of the file; what was looked for in vain comes last.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

import polars as pl

from flows.guess import Draft, standard_in
from flows.privacy import private_by_values
from flows.readers.head import Entry, entry_of, nearest_key
from flows.readers.words import known_unit, number
from flows.steps.head_facts import Gap
from schemas.channels import BY_WORD
from schemas.desk import HeadEntry
from schemas.layout import AIR, FACTOR, HeadField, Layout

LONGEST_KEY, LONGEST_NUMBER = 60, 8
"""Longer keys are sentences; longer numbers may be a telephone's."""


def head_of_draft(found: Draft) -> tuple[HeadEntry, ...]:
    """Return each entry of a drafted file, and the readings of the air that were not found."""
    fields = found.tables.get("metadata", {}).get("fields", {})
    asked = {field: HeadField.model_validate(entry) for field, entry in fields.items()}
    if key := found.tables.get("power", {}).get("factor_key"):
        asked[FACTOR] = HeadField(key=key)
    head = found.look.head
    listed = [_told_standard(entry, head.get(entry.key, "")) for entry in _listed(head, asked, {})]
    if found.kind == "pull":
        unused = [entry.key for entry in listed if entry.state == "not used"]
        for field, words in AIR.items():
            if field not in asked and field not in found.tables["channels"]:
                near = nearest_key(unused, words) or nearest_key(unused, words.split()[-1])
                unit = BY_WORD[field].units[0]
                listed.append(_not_found(words, field, unit, near))
    return tuple(listed)


def head_of_trial(
    layout: Layout, head: Mapping[str, str], gaps: Sequence[Gap]
) -> tuple[HeadEntry, ...]:
    """Return each entry of a file as a layout reads it, and those that it asks for in vain."""
    of_key = {gap["entry"]: gap for gap in gaps if gap["gap_kind"] not in ("column", "assumed")}
    listed = list(_listed(head, layout.head_asked, of_key))
    for field, asked in layout.head_asked.items():
        if entry_of(head, asked.key) is None:
            near = of_key.get(asked.key, {}).get("instead", "")
            listed.append(_not_found(asked.key, field, asked.unit or asked.format or "", near))
    return tuple(listed)


def _told_standard(entry: HeadEntry, text: str) -> HeadEntry:
    """Return an entry that tells what power is corrected to as read, others as they are."""
    if entry.state != "not used" or not (standard := standard_in(text)):
        return entry
    return entry.model_copy(update={"says": standard, "read_as": "power standard", "state": "read"})


def _not_found(key: str, field: str, unit: str, near: str) -> HeadEntry:
    return HeadEntry(key=key, read_as=field, unit=unit, state="not found", instead=near)


def _listed(
    head: Mapping[str, str], asked: Mapping[str, HeadField], gaps: Mapping[str, Gap]
) -> Sequence[HeadEntry]:
    """Return what stands in a head, each with what it is read as."""
    used: dict[str, tuple[str, HeadField, Entry]] = {}
    for field, wanted in asked.items():
        if entry := entry_of(head, wanted.key):
            used |= dict.fromkeys(entry.keys or (entry.key,), (field, wanted, entry))
    listed = []
    for key, text in head.items():
        if key not in used:
            if _is_a_word(key):
                listed.append(HeadEntry(key=key, says=text if _is_a_number(text) else ""))
            continue
        field, wanted, entry = used[key]
        why = "two entries fit" if entry.keys else ""
        if not why and wanted.key in gaps:
            why = gaps[wanted.key]["gap_kind"].removeprefix("head entry ")
        listed.append(
            HeadEntry(
                key=key,
                read_as=field,
                says=text,
                unit=wanted.unit or wanted.format or "",
                state="left out" if why else "read",
                instead=why,
            )
        )
    return listed


def _is_a_word(key: str) -> bool:
    """Whether a key may be shown: rows of numbers above a table have marks in them too."""
    return (
        len(key) <= LONGEST_KEY
        and bool(re.match(r"[\W_]*[^\W\d_]{2,}", key))
        and not (private_by_values(pl.DataFrame({"key": [key]}), set()))
    )


def _is_a_number(text: str) -> bool:
    """Whether an entry says a number, with a unit or without, and so no name."""
    shown, _, unit = text.strip().partition(" ")
    is_short = len(shown) <= LONGEST_NUMBER and (not unit or known_unit(unit) is not None)
    return is_short and (number(shown) is not None or number(shown, ",") is not None)
