"""Writes a job card as the text that people and intake read."""

from __future__ import annotations

import json
from collections.abc import Iterable

from schemas.card import JobCard, Part, Stage

CARD_NAME = "card.toml"
"""The name under which intake looks for a job's card."""

LONGEST_LINE = 100


def card_text(card: JobCard) -> str:
    """Return the text of a job card, its keys in the order in which people fill one in.

    What a card may leave out and this one does is left out.

    >>> from schemas.card import read_card
    >>> card = read_card('''
    ... job = "J-1"
    ... received = 2026-03-14
    ... stage = [{ name = "as arrived", fuel = "E5", pulls = ["run_1.csv"] }]
    ... [bike]
    ... reference = "B-1"
    ... make = "Corvane"
    ... model = "Strada 690"
    ... generation = [2016, 2019]
    ... displacement_cc = 690
    ... ''')
    >>> print(card_text(card), end="")
    job = "J-1"
    received = 2026-03-14
    <BLANKLINE>
    [bike]
    reference = "B-1"
    make = "Corvane"
    model = "Strada 690"
    generation = [2016, 2019]
    displacement_cc = 690
    <BLANKLINE>
    [[stage]]
    name = "as arrived"
    map = "stock"
    fuel = "E5"
    pulls = ["run_1.csv"]
    """
    bike = card.bike
    lines = [
        f"job = {_quoted(card.job)}",
        f"received = {card.received.isoformat()}",
        *_given("note", card.note or None),
        "",
        "[bike]",
        f"reference = {_quoted(bike.reference)}",
        f"make = {_quoted(bike.make)}",
        f"model = {_quoted(bike.model)}",
        f"generation = [{bike.generation[0]}, {bike.generation[1]}]",
        *_given("year", bike.year),
        f"displacement_cc = {_number(bike.displacement_cc)}",
        *_given("cylinders", bike.cylinders),
        *_given("induction", bike.induction if bike.induction != "natural" else None),
        *_given("owner", bike.owner),
        *(["control = true"] if bike.control else []),
    ]
    for stage in card.stage:
        lines += ["", *_stage_lines(stage)]
    return "\n".join(lines) + "\n"


def _stage_lines(stage: Stage) -> list[str]:
    return [
        "[[stage]]",
        f"name = {_quoted(stage.name)}",
        f"map = {_map(stage)}",
        f"fuel = {_quoted(stage.fuel)}",
        *_given("gear", stage.gear),
        *_given("tyre", stage.tyre),
        *_given("dyno", stage.dyno),
        *_given("mounting", stage.mounting),
        *_given("target_lambda", stage.target_lambda),
        *(["suggestion_entered = true"] if stage.suggestion_entered else []),
        *_listed("parts", [_part(part) for part in stage.parts], always_down=True),
        *_listed("pulls", map(_quoted, stage.pulls)),
        *_listed("rides", map(_quoted, stage.rides)),
        *_given("note", stage.note or None),
    ]


def _map(stage: Stage) -> str:
    if stage.map == "stock":
        return '"stock"'
    origin = "" if stage.map.from_revision is None else f", from = {stage.map.from_revision}"
    return f"{{ name = {_quoted(stage.map.name)}, revision = {stage.map.revision}{origin} }}"


def _part(part: Part) -> str:
    return (
        f"{{ category = {_quoted(part.category)}, maker = {_quoted(part.maker)}, "
        f"name = {_quoted(part.name)} }}"
    )


def _listed(key: str, entries: Iterable[str], *, always_down: bool = False) -> list[str]:
    """Return a list on one line where it fits, else an entry a line; nothing when it is empty."""
    entries = list(entries)
    if not entries:
        return []
    line = f"{key} = [{', '.join(entries)}]"
    if len(line) <= LONGEST_LINE and not always_down:
        return [line]
    return [f"{key} = [", *(f"    {entry}," for entry in entries), "]"]


def _given(key: str, value: str | float | None) -> list[str]:
    if value is None:
        return []
    return [f"{key} = {_quoted(value) if isinstance(value, str) else _number(value)}"]


def _number(value: float) -> str:
    return str(int(value)) if float(value).is_integer() else repr(value)


def _quoted(text: str) -> str:
    # JSON's escapes are all TOML's too; TOML wants one more sign escaped.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
