"""The words that pages and terminal make from an act of the journal."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

KINDS = {
    "backup made": "backup made",
    "card corrected": "card corrected",
    "card saved": "card written",
    "card taken out": "card taken out of the inbox",
    "layout changed": "layout put right",
    "layout taken out": "layout taken out",
    "layout taught": "layout taught",
    "note corrected": "note written anew",
    "note holds again": "note holds again",
    "note taken back": "note taken back",
    "note taken out": "note taken out of the inbox",
    "note written": "note written",
    "person added": "may sign in",
    "person changed": "has another password or role",
    "person removed": "signs in no more",
    "pull set aside": "pull set aside",
    "pull taken back": "pull counts again",
    "settings changed": "settings changed",
    "settings written": "settings written",
    "sheet given out": "customer's sheet made",
    "shop restored": "shop brought back from a backup",
    "suggestion entered": "suggested fuel change entered",
}
"""What was done, by its code."""


def act_in_words(entry: Mapping[str, Any]) -> str:
    """Return what was done, to what, and why.

    >>> act_in_words(
    ...     {"code": "pull set aside", "about": "inbox/J-1/card.toml", "detail": "a.csv",
    ...      "reason": "belt slipped"}
    ... )
    'pull set aside: J-1, a.csv (belt slipped)'
    """
    about = entry["about"].removeprefix("inbox/").removesuffix("/card.toml")
    told = f"{KINDS.get(entry['code'], entry['code'])}: {about}"
    told += f", {entry['detail']}" * bool(entry["detail"])
    return told + f" ({entry['reason']})" * bool(entry["reason"])
