"""Files that need someone: which of them are asked for, grouped by what is wrong with them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Mapping
from typing import NamedTuple

import polars as pl

IN_NEED = ("refused", "waiting", "missing")
AGES = ("any time", "last 7 days", "last 30 days", "before that")

JOB_OUT = "job out of the shop"
"""A job left the shop with a change of a card: nothing else that waits is as heavy."""

FOR_A_LAYOUT = {"layout not taught"}
"""Reasons that go away once the file's layout is taught."""

FOR_A_NEW_CARD = {"no card"}
FOR_A_CARD = {
    "card has mistakes",
    "card not usable",
    "card contradicts another",
    JOB_OUT,
    "not on the card",
    "file missing",
    "named as the wrong kind",
}
"""Reasons that go away once the folder's card is corrected."""

Key = tuple[str, str]
"""A file by its folder and name."""


class Trouble(NamedTuple):
    """Files with one and the same thing to do."""

    state: str
    code: str
    remedy: str
    files: pl.DataFrame
    """Rows of `files_in_need`, latest first."""
    reasons: list[tuple[str, int]]
    """What is said of them, and of how many, commonest first."""


def asked_for(
    in_need: pl.DataFrame,
    *,
    states: Collection[str] = IN_NEED,
    layout: str | None = None,
    text: str = "",
    age: str = AGES[0],
    now: dt.datetime,
) -> pl.DataFrame:
    """Return the files that a person asked for."""
    place = pl.format("{}/{}", "job_folder", "file_name").str.to_lowercase()
    wanted = pl.col("state").is_in(list(states)) & place.str.contains(text.lower(), literal=True)
    if layout is not None:
        wanted &= pl.col("layout").fill_null("") == layout
    if age != AGES[0]:
        days = {AGES[1]: 7, AGES[2]: 30, AGES[3]: 30}[age]
        # The store's instants bear the machine's own name of a zone, such as Etc/UTC.
        is_young = pl.col("received_at").dt.convert_time_zone("UTC") >= now - dt.timedelta(
            days=days
        )
        wanted &= ~is_young if age == AGES[3] else is_young
    return in_need.filter(wanted)


def troubles(in_need: pl.DataFrame) -> list[Trouble]:
    """Return the files by what is to be done about them: jobs lost first, then the most files."""
    found = [
        Trouble(
            str(state),
            str(code),
            str(remedy),
            files,
            [
                (str(reason), int(count))
                for reason, count in files.group_by("reason", maintain_order=True)
                .len()
                .sort("len", descending=True, maintain_order=True)
                .iter_rows()
            ],
        )
        for (state, code, remedy), files in in_need.group_by(
            "state", "reason_code", "remedy", maintain_order=True
        )
    ]
    return sorted(found, key=lambda one: (one.code != JOB_OUT, -one.files.height))


class Retried(NamedTuple):
    """What a new try did to the files that waited or were refused."""

    tried: int
    taken_in: int

    @property
    def sentence(self) -> str:
        """The same in words."""
        if not self.tried:
            return "No file was waiting."
        if not self.taken_in:
            return f"None of {self.tried} is taken in yet: what is said of each still holds."
        return f"{self.taken_in} of {self.tried} now taken in."


def retried(before: Collection[Key], states: Mapping[Key, str]) -> Retried:
    """Return what became of the files that needed someone."""
    return Retried(len(before), sum(states.get(key) == "taken in" for key in before))
