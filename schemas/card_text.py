"""Writes a job card as the text that people and intake read."""

from __future__ import annotations

from typing import Any

from schemas.card import JobCard, Stage
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
    bike = card.bike
    content = _given(
        job=card.job,
        received=card.received,
        note=card.note,
        bike=_given(
            reference=bike.reference,
            make=bike.make,
            model=bike.model,
            generation=list(bike.generation),
            year=bike.year,
            displacement_cc=bike.displacement_cc,
            cylinders=bike.cylinders,
            induction=bike.induction if bike.induction != "natural" else None,
            owner=bike.owner,
            control=bike.control,
        ),
        stage=[_stage(stage) for stage in card.stage],
    )
    return written_over(over, content, card) if over else toml_text(content)


def _stage(stage: Stage) -> dict[str, Any]:
    shop_map: Any = stage.map
    if shop_map != "stock":
        shop_map = shop_map.model_dump(by_alias=True, exclude_none=True)
    return _given(
        name=stage.name,
        map=shop_map,
        fuel=stage.fuel,
        gear=stage.gear,
        tyre=stage.tyre,
        dyno=stage.dyno,
        mounting=stage.mounting,
        target_lambda=stage.target_lambda,
        suggestion_entered=stage.suggestion_entered,
        parts=[part.model_dump() for part in stage.parts],
        pulls=list(stage.pulls),
        rides=list(stage.rides),
        note=stage.note,
    )


def _given(**values: Any) -> dict[str, Any]:
    """Return what is said at all, whole numbers without a point."""
    return {
        key: int(value) if isinstance(value, float) and value.is_integer() else value
        for key, value in values.items()
        if value not in (None, "", False, [])
    }
