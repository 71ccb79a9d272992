"""Settings as a snapshot holds them, and the words on how rollbook.toml stands to them now."""

from __future__ import annotations

from collections.abc import Mapping

import duckdb

from warehouse.questions import ask
from warehouse.shop import SETTINGS_NAME


def kept_settings(reader: duckdb.DuckDBPyConnection) -> list[tuple[str, str]]:
    """Return the settings of a snapshot, each as JSON; none of one published before they were."""
    try:
        return ask(reader, "settings").rows()
    except duckdb.CatalogException:
        return []


def told_of_mistakes(mistakes: str) -> str:
    """Say that the settings cannot be read now, and what the reader sees instead."""
    if not mistakes:
        return ""
    return f"{SETTINGS_NAME} has a mistake: {mistakes}. Figures are those of the last publish."


def told_of_changes(changes: Mapping[str, tuple[str, str]]) -> str:
    """Say which settings were changed since a snapshot.

    >>> told_of_changes({"mixture.warn_pct": ("10", "14")})
    'Changed since this snapshot: mixture.warn_pct 10 → 14. Run an update.'
    """
    if not changes:
        return ""
    told = [
        f"{name} {before} → {now}" if before != now else name
        for name, (before, now) in changes.items()
    ]
    return f"Changed since this snapshot: {', '.join(told)}. Run an update."
