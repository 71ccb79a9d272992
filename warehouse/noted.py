"""Words around what people wrote; what they wrote stands letter for letter."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

import polars as pl

from warehouse.sentences import day

Row = Mapping[str, Any]

_JOINERS = "\u200c\u200d"
"""They act on the letters beside them only, and some scripts cannot do without."""


def about(row: Row, here: str | None = None) -> str:
    """Return what a note is about; the job that is looked at is not named again.

    >>> row = dict(job_id="J-1", stage_no=2, stage_name="open pipe", maker=None, model_id=None)
    >>> about(row), about(row, here="J-1")
    ('J-1, stage 2 (open pipe)', 'stage 2 (open pipe)')
    """
    if row["job_id"]:
        named = row["stage_name"]
        stage = f"stage {row['stage_no']}" + (f" ({named})" if named else "")
        job = "this job" if row["job_id"] == here else row["job_id"]
        if not row["stage_no"]:
            return _plain(job)
        return _plain(stage if row["job_id"] == here else f"{job}, {stage}")
    part = f"{row['maker']} {row['part_name']}" if row["maker"] else ""
    model = row["model_id"] and (row["model_label"] or row["model_id"])
    return _plain(" on ".join(filter(None, (part, model))))


def wrote(row: Row, here: str | None = None) -> str:
    """Return when somebody wrote a note, who, and about what.

    >>> wrote(dict(noted_on="2026-03-14", noted_by="mk", job_id="J-1", stage_no=None,
    ...            stage_name=None))
    '14 Mar 2026, mk, J-1'
    """
    on: str | dt.date = row["noted_on"]
    return ", ".join(filter(None, (day(on), _plain(row["noted_by"] or ""), about(row, here))))


def text(row: Row) -> str:
    r"""Return what somebody wrote, in one line, with a sign for what would act on a reader.

    >>> text({"note_text": "belt slips\n\x1b[31m"})
    'belt slips �[31m'
    """
    return _plain(" ".join(row["note_text"].split()))


def with_subjects(rows: pl.DataFrame) -> pl.DataFrame:
    """Return notes with a column of what each is about, to be shown as a table."""
    told = rows.to_dicts()
    return rows.with_columns(
        pl.Series("noted_about", [about(row) for row in told], dtype=pl.String),
        pl.Series("note_text", [text(row) for row in told], dtype=pl.String),
        pl.Series(
            "noted_by",
            [row["noted_by"] and _plain(row["noted_by"]) for row in told],
            dtype=pl.String,
        ),
    )


def _plain(text: str) -> str:
    """Return a text with a sign for each that would act on a screen or turn the reading order."""
    return "".join(
        sign if sign.isprintable() or sign in _JOINERS else "\N{REPLACEMENT CHARACTER}"
        for sign in text
    )
