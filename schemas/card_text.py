"""Writes a job card as the text that people and intake read."""

from __future__ import annotations

from typing import Any

from schemas.card import JobCard
from schemas.toml_text import toml_text, written_over

CARD_NAME = "card.toml"
"""The name under which intake looks for a job's card."""


def card_text(card: JobCard, over: str = "") -> str:
    """Return the text of a job card, its keys in the order in which people fill one in.

    What a card may leave out and this one does is left out. Written over a standing text, what a
    person put there beside the values stays.

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
    content = _said(card.model_dump(by_alias=True))
    if card.bike.induction == "natural":
        del content["bike"]["induction"]
    return written_over(over, content, card) if over else toml_text(content)


def _said(value: Any) -> Any:
    """Return what is said at all, whole numbers without a point."""
    if isinstance(value, dict):
        said = {key: _said(entry) for key, entry in value.items()}
        return {
            key: entry
            for key, entry in said.items()
            if entry is not None and entry is not False and entry not in ("", [])
        }
    if isinstance(value, list | tuple):
        return [_said(entry) for entry in value]
    return int(value) if isinstance(value, float) and value.is_integer() else value
