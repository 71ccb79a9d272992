"""What was touched between two snapshots: the cards, files and settings behind a cause, by name."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any, NamedTuple

import duckdb
import polars as pl

from warehouse.causes import CARD, EVIDENCE, SETTING, VERSION
from warehouse.in_force import kept_settings
from warehouse.questions import ask

MOST_NAMED = 2
"""Jobs, or settings, that a sentence names; of others it tells how many."""
LONGEST_VALUE = 24
"""Signs of a setting's value that is worth showing; of a longer one only the name is told."""


class Owner(NamedTuple):
    """Whose a sentence is, as far as it is somebody's."""

    job_id: str | None = None
    bike_id: str | None = None
    model_id: str | None = None


class Touched(NamedTuple):
    """What differs between two snapshots."""

    jobs: list[tuple[str, Owner, str]]
    """The cause, whose, and the job's name: its folder's where nothing of it is in the book."""
    settings: list[str]

    def note(self, cause: str, owner: Owner) -> dict[str, Any] | None:
        """Return what is behind a cause, the nearest to an owner: its job, its bike, its model."""
        if cause == SETTING:
            if not self.settings:
                return None
            named, more = _named(self.settings)
            return {"code": "because of settings", "settings": named, "more": more}
        if cause == VERSION:
            return {"code": "because of a version"}
        of_cause = [(whose, name) for of, whose, name in self.jobs if of == cause]
        model = owner.model_id or next(
            (w.model_id for _, w, _ in self.jobs if owner.bike_id and w.bike_id == owner.bike_id),
            None,
        )
        wanted = owner._replace(model_id=model)
        for level, value in wanted._asdict().items():
            near = [name for whose, name in of_cause if value and getattr(whose, level) == value]
            if near:
                return _of_jobs(cause, near, is_near=True)
        return _of_jobs(cause, [name for _, name in of_cause], is_near=False)


def _of_jobs(cause: str, names: list[str], *, is_near: bool) -> dict[str, Any] | None:
    if not names:
        return None
    named, more = _named(names)
    if cause == CARD:
        return {"code": "because of cards", "jobs": named, "more": more, "is_near": is_near}
    return {"code": "because of files", "jobs": named, "more": more, "is_near": is_near}


def _named(names: list[str]) -> tuple[list[str], int]:
    """Return the latest of some names, and how many there are beside."""
    return names[-MOST_NAMED:][::-1], max(len(names) - MOST_NAMED, 0)


def touched_between(then: duckdb.DuckDBPyConnection, now: duckdb.DuckDBPyConnection) -> Touched:
    """Return what differs between two snapshots."""
    was, is_now = (_marks(reader) for reader in (then, now))
    jobs = []
    for folder in sorted(was.keys() | is_now.keys()):
        before, after = was.get(folder, {}), is_now.get(folder, {})
        told = after if after.get("job_id") else before
        owner = Owner(told.get("job_id"), told.get("bike_id"), told.get("model_id"))
        name = f"{owner.job_id} (bike {owner.bike_id})" if owner.job_id else folder
        cards = before.get("card_sha256"), after.get("card_sha256")
        if cards[0] and cards[0] != cards[1]:
            jobs.append((CARD, owner, name))
        if before.get("of_files") != after.get("of_files") or (cards[1] and not cards[0]):
            jobs.append((EVIDENCE, owner, name))
    return Touched(jobs, _settings(dict(kept_settings(then)), dict(kept_settings(now))))


def _marks(reader: duckdb.DuckDBPyConnection) -> dict[str, dict[str, Any]]:
    try:
        found = ask(reader, "job_marks")
    except (duckdb.CatalogException, duckdb.BinderException):  # of another version
        found = pl.DataFrame()
    return {row["job_folder"]: row for row in found.iter_rows(named=True)}


def _settings(before: Mapping[str, str], now: Mapping[str, str]) -> list[str]:
    """Return the settings that differ, with both values where these are short."""
    told = []
    for name in sorted(before.keys() | now.keys()):
        values = [_written(side.get(name)) for side in (before, now)]
        if before.get(name) != now.get(name):
            shown = max(map(len, values)) <= LONGEST_VALUE
            told.append(f"{name} {values[0]} → {values[1]}" if shown else name)
    return told


def _written(value: str | None) -> str:
    found = json.loads(value) if value else None
    return f"{found:g}" if isinstance(found, float) else "nothing" if found is None else str(found)
