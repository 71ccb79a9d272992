"""The headline sentences of a snapshot, and which of them read otherwise in another."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import duckdb
import polars as pl

from warehouse import history, wording
from warehouse.questions import ask
from warehouse.quote import FIGURES, Quote
from warehouse.snapshot import Snapshot, open_reader
from warehouse.wording import counted

KINDS = ("lean grade", "map", "gain", "remap need", "quote")
"""The weightiest first: what can hurt an engine stands before what is told to a customer."""


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


class Changed(NamedTuple):
    """A sentence that reads otherwise than it did."""

    now: Headline
    then: str
    cause: str
    is_turned: bool
    """Whether its verdict is another, not only its figures."""


class Changes(NamedTuple):
    """What changed since a day."""

    then: Snapshot
    changed: list[Changed]
    """The weightiest first."""
    new: int
    gone: int

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
        return f"{told}. {self.new} came new, {self.gone} went."


def headlines(reader: duckdb.DuckDBPyConnection) -> dict[tuple[str, str], Headline]:
    """Return the headline sentences of a snapshot by kind and key."""
    return {(one.kind, one.key): one for one in _headlines(reader)}


def _headlines(reader: duckdb.DuckDBPyConnection) -> Iterator[Headline]:
    for row in ask(reader, "headline_mixtures").iter_rows(named=True):
        told = wording.advice(row)
        about = f"{row['bike_id']}, stage {row['stage_id']}"
        said = f"{told.shown}; {told.level}"
        yield Headline("lean grade", row["stage_id"], about, said, told.headline, "stage_mixture")
    for row in ask(reader, "map_revisions").iter_rows(named=True):
        verdict = f"{row['is_missing']} {row['side']}"
        about = f"{row['model_label']}, {row['map_label']}"
        yield Headline("map", row["map_id"], about, verdict, row["sentence"], "map_revision")
    for row in ask(reader, "headline_gains").iter_rows(named=True):
        about = f"{row['job_id']}, {row['change_key']}"
        said = wording.gain_sentence(row)
        yield Headline("gain", row["gain_id"], about, row["verdict"], said, "gain")
    for row in ask(reader, "remap_needs").filter("is_stock_map").iter_rows(named=True):
        about = f"{row['model_label']}, {row['parts_key']}, {row['fuel']}"
        rank = str(row["need_rank"])
        said = f"{rank}. {row['sentence']}"
        yield Headline("remap need", row["need_id"], about, rank, said, "remap_need")
    yield from _quotes(reader)


def _quotes(reader: duckdb.DuckDBPyConnection) -> Iterator[Headline]:
    figure = next(iter(FIGURES))
    changes = ask(reader, "quote_changes").filter(pl.col("bikes") > 0)["change_key"]
    for change in changes:
        for row in ask(reader, "quotes", change_key=change, figure=figure).iter_rows(named=True):
            label = row["model_label"] or "another model"
            said = Quote(label, change, figure, row, None, pl.DataFrame(), []).sentences[0]
            verdict = str(row["next_lower_pct"] > 0)
            about = f"{label}, {change}"
            yield Headline("quote", row["effect_id"], about, verdict, said, "pooled_effect")


def changes_since(root: Path, day: dt.date, now: Snapshot) -> Changes:
    """Return which headline sentences read otherwise than at a day's end, and why."""
    past = history.as_of(root, day)
    with open_reader(past.path) as reader:
        then = headlines(reader)
    with open_reader(now.path) as reader:
        standing = headlines(reader)
    causes = history.why_changed(root, day)
    changed = [
        Changed(
            one,
            then[key].sentence,
            causes.get((one.table, one.key)) or _by_table(causes, one.table),
            one.verdict != then[key].verdict,
        )
        for key, one in standing.items()
        if key in then and one.sentence != then[key].sentence
    ]
    changed.sort(key=lambda one: (not one.is_turned, KINDS.index(one.now.kind)))
    return Changes(
        past, changed, len(standing.keys() - then.keys()), len(then.keys() - standing.keys())
    )


def _by_table(causes: dict[tuple[str, str], str], table: str) -> str:
    """Return the cause that most rows beside a sentence have, whose own row stayed as it was."""
    found = [cause for (of, _), cause in causes.items() if of == table] or list(causes.values())
    return max(sorted(set(found)), key=found.count) if found else ""
