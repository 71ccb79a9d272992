"""Asks the snapshot: one SQL file a question, shared by the pages, the sheets and the terminal."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, partial
from importlib.resources import files
from typing import Any

import duckdb
import polars as pl

from warehouse import sentences

NOTES: dict[str, Callable[[str | None], str]] = {
    **dict.fromkeys(
        ("air_exponent_origin", "day_origin", "differs", "gained", "left_out",
         "look_at", "matches", "not_known", "notes", "odd", "on_mounting", "reason",
         "remark", "remount_origin", "repeatability_origin", "rests_on", "round_note",
         "sentence", "signal", "trouble", "unlike_reason", "went_wrong", "would_cut"),
        sentences.in_words,
    ),
    "further": partial(sentences.in_words, between=" "),
    "remedy": sentences.remedy_in_words,
    "rule": sentences.rule_in_words,
}  # fmt: skip
"""The columns of answers that hold notes, and how they are said."""
OF_ROWS = {
    "expected_mixtures": sentences.expected_sentence,
    "fuel_change_checks": sentences.check_sentence,
    "map_revision_regions": sentences.region_sentence,
    "map_revisions": sentences.map_sentence,
    "need_effects": sentences.effect_sentence,
    "remap_needs": sentences.need_sentence,
    "window_knock": sentences.knock_sentence,
}
"""The questions whose rows are said in a sentence of their own columns."""


@cache
def text(question: str) -> str:
    """Return the SQL of a question."""
    return files("warehouse").joinpath("questions", f"{question}.sql").read_text("utf-8")


def ask(reader: duckdb.DuckDBPyConnection, question: str, **given: Any) -> pl.DataFrame:
    """Return the answer to a question, its notes in words; its file says which values it takes."""
    found = worded(reader.sql(text(question), params=given).pl())
    if question not in OF_ROWS:
        return found
    said = [OF_ROWS[question](row) for row in found.iter_rows(named=True)]
    return found.with_columns(pl.Series("sentence", said, dtype=pl.String))


def worded(found: pl.DataFrame) -> pl.DataFrame:
    """Return rows with their notes in words."""
    return found.with_columns(
        _worded(found[name], say) for name, say in NOTES.items() if name in found.columns
    )


def _worded(notes: pl.Series, say: Callable[[str | None], str]) -> pl.Series:
    words = {kept: say(kept) for kept in notes.unique()}
    return pl.Series(notes.name, [words[kept] for kept in notes], dtype=pl.String)


def behind(figure: str) -> str:
    """Return the question that lists what stands behind a figure of a quarter.

    >>> behind("control sessions")
    'behind_control_sessions'
    """
    return f"behind_{figure.replace(' ', '_')}"
