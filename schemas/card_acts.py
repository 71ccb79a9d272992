"""Tells what a person did by writing a job's card: saved, corrected, a pull set aside or back."""

from __future__ import annotations

from typing import NamedTuple

from schemas.card import JobCard, read_card
from schemas.card_files import one_form
from schemas.toml_text import MistakesError


class CardAct(NamedTuple):
    """One thing that a new card does, to which pull or stage, and the reason it gives."""

    code: str
    detail: str = ""
    reason: str = ""


def card_acts(before: str | None, after: str) -> list[CardAct]:
    """Return what a card's text does beside the one before it, None for a first card."""
    try:
        new = read_card(after)
        old = read_card(before) if before is not None else None
    except MistakesError:
        return [CardAct("card saved" if before is None else "card corrected")]
    found = [*_set_aside(old, new), *_suggestions(old, new)]
    if old is None:
        return [CardAct("card saved"), *found]
    return found if found and _rest(old) == _rest(new) else [CardAct("card corrected"), *found]


def _set_aside(old: JobCard | None, new: JobCard) -> list[CardAct]:
    before = {one_form(one.file): one for one in (old.set_aside if old else ())}
    now = {one_form(one.file): one for one in new.set_aside}
    return [
        *(
            CardAct("pull set aside", one.file, one.reason)
            for name, one in now.items()
            if name not in before or before[name].reason != one.reason
        ),
        *(CardAct("pull taken back", one.file) for name, one in before.items() if name not in now),
    ]


def _suggestions(old: JobCard | None, new: JobCard) -> list[CardAct]:
    before = [stage.suggestion_entered for stage in old.stage] if old else []
    return [
        CardAct("suggestion entered", f"stage {number}")
        for number, stage in enumerate(new.stage, start=1)
        if stage.suggestion_entered and not any(before[number - 1 : number])
    ]


def _rest(card: JobCard) -> object:
    """Return what a card says beside what is told as an act of its own."""
    said = card.model_dump(exclude={"set_aside"})
    for stage in said["stage"]:
        del stage["suggestion_entered"]
    return said
