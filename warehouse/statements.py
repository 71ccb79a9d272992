"""Reads the SQL files of this folder; holds no SQL of its own."""

from __future__ import annotations

import hashlib
import re
from functools import cache
from importlib.resources import files
from typing import NamedTuple

LAYERS = ("raw", "core", "out")

# Views that read later views come last.
_VIEWS_LAST = (
    "out.pull_source",
    "out.stage",
    "out.quarter",
    "out.comeback",
    "out.quarter_gain",
    "out.quarter_figure",
    "out.map_revision_rank",
)


class Check(NamedTuple):
    """A named query that selects the rows which break a rule."""

    table: str
    name: str
    severity: str
    reason: str
    query: str


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
    """Return a hash of all definitions: two databases with the same one have the same tables."""
    return hashlib.sha256("\n".join(definitions().values()).encode()).hexdigest()


def is_view(statement: str) -> bool:
    """Whether a definition is a view.

    >>> is_view("CREATE OR REPLACE VIEW out.x AS SELECT 1")
    True
    """
    return re.search(r"^CREATE OR REPLACE VIEW", statement, re.MULTILINE) is not None


@cache
def grain(name: str) -> str:
    """Return the grain that a definition states in its header.

    >>> grain("out.pull_curve")
    'one row per pull_id and engine_speed_rpm.'
    """
    header = definitions()[name].split("CREATE", maxsplit=1)[0]
    lines = [line.removeprefix("--").strip() for line in header.splitlines()]
    text: list[str] = []
    for line in lines:
        if line.startswith("Grain:"):
            text.append(line.removeprefix("Grain:").strip())
        elif text and not re.match(r"[A-Z][a-z]+:", line):
            text.append(line)
        elif text:
            break
    return " ".join(part for part in text if part)


@cache
def purpose(name: str) -> str:
    """Return the first sentence of a definition's header.

    >>> purpose("out.trust")
    'how well the dyno repeats itself, as used in every interval.'
    """
    header = definitions()[name].split("-- Grain:", maxsplit=1)[0]
    lines = [line.removeprefix("--").strip() for line in header.splitlines()]
    return " ".join(line for line in lines if line).split(": ", maxsplit=1)[1]


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
                    found.append(
                        Check(table, match["name"], match["severity"], reason, match["query"])
                    )
    return tuple(found)
