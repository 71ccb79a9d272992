"""The headline sentences of a snapshot, and which of them read otherwise in another."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, NamedTuple

import duckdb
import polars as pl

from warehouse import history, wording
from warehouse.questions import ask
from warehouse.quote import FIGURES, Quote
from warehouse.sentences import said
from warehouse.snapshot import Snapshot, open_reader
from warehouse.touched import Owner, Touched, touched_between
from warehouse.wording import counted

KINDS = ("lean grade", "map", "gain", "remap need", "quote")
"""The weightiest first: what can hurt an engine stands before what is told to a customer."""


OTHER_COLUMNS = (duckdb.CatalogException, duckdb.BinderException, KeyError)
"""What asking a snapshot that another version of this program published ends with."""


class Headline(NamedTuple):
    """A sentence that people act on."""

    kind: str
    key: str
    about: str
    verdict: str
    """What it comes to: a change of it weighs more than one of its figures."""
    sentence: str
    table: str
    """Where its figures stand."""
    owner: Owner


class Changed(NamedTuple):
    """A sentence that reads otherwise than it did."""

    now: Headline
    then: str
    cause: str
    why: Mapping[str, Any] | None
    """The note on what is behind the cause; None where nothing can be named."""
    is_turned: bool
    """Whether its verdict is another, not only its figures."""

    @property
    def reason(self) -> str:
        """Why it changed, in words."""
        return said(self.why) if self.why else self.cause


class Changes(NamedTuple):
    """What changed since a day."""

    then: Snapshot
    changed: list[Changed]
    """The weightiest first."""
    new: list[Headline]
    gone: list[Headline]
    untold: list[str]
    """Kinds that cannot be compared: a version that kept other columns published them."""

    @property
    def sentence(self) -> str:
        """What changed, in a sentence."""
        turned = sum(one.is_turned for one in self.changed)
        if not self.changed:
            told = "No headline sentence reads otherwise"
        else:
            told = (
                f"{counted(len(self.changed), 'headline sentence')} changed: {turned} in the "
                f"verdict, {len(self.changed) - turned} in figures only"
            )
        return f"{told}. {len(self.new)} came new, {len(self.gone)} went.{self._not_told}"

    @property
    def _not_told(self) -> str:
        if not self.untold:
            return ""
        return (
            f" What was said of {', '.join(self.untold)} then cannot be compared: a version that "
            "kept other columns published it."
        )


def headlines(
    reader: duckdb.DuckDBPyConnection, untold: list[str] | None = None
) -> dict[tuple[str, str], Headline]:
    """Return the headline sentences of a snapshot by kind and key.

    Kinds that it cannot tell, of another version, are added to `untold` where that is given.
    """
    found: dict[tuple[str, str], Headline] = {}
    for kind in KINDS:
        try:
            found |= {(kind, one.key): one for one in _OF_KIND[kind](reader)}
        except OTHER_COLUMNS:
            if untold is None:
                raise
            untold.append(kind)
    return found


def _grades(reader: duckdb.DuckDBPyConnection) -> Iterator[Headline]:
    for row in ask(reader, "stage_mixtures", stage_ids=None).iter_rows(named=True):
        told = wording.advice(row)
        about = f"{row['bike_id']}, stage {row['stage_id']}"
        verdict = f"{told.shown}; {told.level}"
        owner = Owner(row["job_id"], row["bike_id"], row["model_id"])
        text = told.headline
        yield Headline("lean grade", row["stage_id"], about, verdict, text, "stage_mixture", owner)


def _maps(reader: duckdb.DuckDBPyConnection) -> Iterator[Headline]:
    for row in ask(reader, "map_revisions").iter_rows(named=True):
        verdict = f"{row['is_missing']} {row['side']}"
        about = f"{row['model_label']}, {row['map_label']}"
        owner = Owner(model_id=row["model_id"])
        text = row["sentence"]
        yield Headline("map", row["map_id"], about, verdict, text, "map_revision", owner)


def _gains(reader: duckdb.DuckDBPyConnection) -> Iterator[Headline]:
    for row in ask(reader, "headline_gains").iter_rows(named=True):
        about = f"{row['job_id']}, {row['change_key']}"
        text, owner = wording.gain_sentence(row), Owner(row["job_id"], row["bike_id"])
        yield Headline("gain", row["gain_id"], about, row["verdict"], text, "gain", owner)


def _needs(reader: duckdb.DuckDBPyConnection) -> Iterator[Headline]:
    for row in ask(reader, "remap_needs").filter("is_stock_map").iter_rows(named=True):
        about = f"{row['model_label']}, {row['parts_key']}, {row['fuel']}"
        rank, owner = str(row["need_rank"]), Owner(model_id=row["model_id"])
        text = f"{rank}. {row['sentence']}"
        yield Headline("remap need", row["need_id"], about, rank, text, "remap_need", owner)


def _quotes(reader: duckdb.DuckDBPyConnection) -> Iterator[Headline]:
    figure = next(iter(FIGURES))
    changes = ask(reader, "quote_changes").filter(pl.col("bikes") > 0)["change_key"]
    for change in changes:
        for row in ask(reader, "quotes", change_key=change, figure=figure).iter_rows(named=True):
            label = row["model_label"] or "another model"
            text = Quote(label, change, figure, row, None, pl.DataFrame(), []).sentences[0]
            verdict = str(row["next_lower_pct"] > 0)
            about = f"{label}, {change}"
            owner = Owner(model_id=row["model_id"])
            yield Headline("quote", row["effect_id"], about, verdict, text, "pooled_effect", owner)


_OF_KIND = {
    "lean grade": _grades,
    "map": _maps,
    "gain": _gains,
    "remap need": _needs,
    "quote": _quotes,
}


def changes_since(root: Path, day: dt.date, now: Snapshot) -> Changes:
    """Return which headline sentences read otherwise than at a day's end, and why."""
    return changes_between(history.as_of(root, day), now, history.why_changed(root, day))


def changes_between(then: Snapshot, now: Snapshot, causes: dict[tuple[str, str], str]) -> Changes:
    """Return which headline sentences read otherwise in another snapshot."""
    untold: list[str] = []
    with open_reader(then.path) as before, open_reader(now.path) as after:
        told = headlines(before, untold)
        standing = {key: one for key, one in headlines(after).items() if one.kind not in untold}
        other = [
            key
            for key, one in standing.items()
            if key in told and one.sentence != told[key].sentence
        ]
        touched = touched_between(before, after) if other and causes else Touched([], [])
    changed = []
    for key in other:
        one, was = standing[key], told[key]
        cause = causes.get((one.table, one.key)) or _by_table(causes, one.table)
        why = touched.note(cause, one.owner)
        changed.append(Changed(one, was.sentence, cause, why, one.verdict != was.verdict))
    changed.sort(key=lambda one: (not one.is_turned, KINDS.index(one.now.kind)))
    new = [one for key, one in standing.items() if key not in told]
    gone = [one for key, one in told.items() if key not in standing]
    return Changes(then, changed, new, gone, untold)


def _by_table(causes: dict[tuple[str, str], str], table: str) -> str:
    """Return the cause that most rows beside a sentence have, whose own row stayed as it was."""
    found = [cause for (of, _), cause in causes.items() if of == table] or list(causes.values())
    return max(sorted(set(found)), key=found.count) if found else ""
