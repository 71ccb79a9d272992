"""Reads the SQL files of this folder; holds no SQL of its own."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable
from functools import cache
from importlib.resources import files
from typing import NamedTuple

LAYERS = ("raw", "core", "out")

# Views that read later views come last.
_VIEWS_LAST = (
    "out.layout_gap",
    "out.pull_source",
    "out.shop_note",
    "out.stage",
    "out.quarter",
    "out.comeback",
    "out.quarter_gain",
    "out.quarter_figure",
    "out.map_revision_rank",
    "out.news",
)


class Check(NamedTuple):
    """A named query that selects the rows which break a rule."""

    table: str
    name: str
    severity: str
    reason: str
    query: str
    names: frozenset[str]
    """The tables and views that the query reads."""


@cache
def definitions() -> dict[str, str]:
    """Return the defining statement of every table and view, in an order that can be executed."""
    found = {}
    for layer in LAYERS:
        for path in sorted(files("warehouse").joinpath(layer).iterdir(), key=lambda p: p.name):
            if path.name.endswith(".sql") and not path.name.endswith(".checks.sql"):
                found[f"{layer}.{path.name.removesuffix('.sql')}"] = path.read_text("utf-8")
    last = [name for name in _VIEWS_LAST if name in found]
    return {name: found[name] for name in [n for n in found if n not in last] + last}


@cache
def fingerprint() -> str:
    """Return a hash of all definitions: two databases with the same one have the same tables.

    Without comments: for a reworded one no shop is to be made again.
    """
    told = "\n".join(re.sub(r"--.*", "", statement) for statement in definitions().values())
    return hashlib.sha256(told.encode()).hexdigest()


def is_view(statement: str) -> bool:
    """Whether a definition is a view.

    >>> is_view("CREATE OR REPLACE VIEW out.x AS SELECT 1")
    True
    """
    return re.search(r"^CREATE OR REPLACE VIEW", statement, re.MULTILINE) is not None


def is_named_view(name: str) -> bool:
    """Whether a view has this name."""
    return name in definitions() and is_view(definitions()[name])


def tables_named(statement: str) -> set[str]:
    """Return the tables and views that a statement names, its comments aside.

    >>> tables_named("SELECT * FROM out.trust -- not core.job")
    {'out.trust'}
    """
    text = re.sub(r"--.*", "", statement)
    return set(re.findall(r"\b(?:raw|core|out)\.\w+", text)) & set(definitions())


@cache
def rests_on(name: str) -> tuple[str, ...]:
    """Return the tables that a view reads, through other views too; of a table, itself."""
    statement = definitions()[name]
    return of_tables(tables_named(statement) - {name}) if is_view(statement) else (name,)


def of_tables(names: Iterable[str]) -> tuple[str, ...]:
    """Return the tables that some tables and views rest on."""
    return tuple(sorted({table for name in names for table in rests_on(name)}))


@cache
def checks() -> tuple[Check, ...]:
    """Return every check that stands beside a table."""
    found = []
    pattern = re.compile(
        r"-- check: (?P<name>\w+) \((?P<severity>fail|warn)\)\n"
        r"(?P<reason>(?:--.*\n)+)(?P<query>[^;]+);"
    )
    for layer in LAYERS:
        for path in sorted(files("warehouse").joinpath(layer).iterdir(), key=lambda p: p.name):
            if path.name.endswith(".checks.sql"):
                table = f"{layer}.{path.name.removesuffix('.checks.sql')}"
                for match in pattern.finditer(path.read_text("utf-8")):
                    reason = " ".join(
                        line.removeprefix("--").strip() for line in match["reason"].splitlines()
                    )
                    query = match["query"]
                    named = frozenset(tables_named(query))
                    found.append(
                        Check(table, match["name"], match["severity"], reason, query, named)
                    )
    return tuple(found)
