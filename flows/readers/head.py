"""Entries above a table: a layout's key is found whatever sign, case or blanks stand around it."""

from __future__ import annotations

import re
from collections.abc import Mapping

_SIGNS = " \t#;%*'\"/!>-"
"""What makes a line a remark in one program or another."""


def bare_key(key: str) -> str:
    """Return a key without remark signs and in small letters, one blank between words.

    >>> bare_key("# Pressure  hPa"), bare_key("pressure hPa:")
    ('pressure hpa', 'pressure hpa')
    """
    return re.sub(r"\s+", " ", key.lstrip(_SIGNS).rstrip(" \t:=\"'")).casefold()


def entry_of(head: Mapping[str, str], key: str) -> str | None:
    """Return what stands behind a key: the very one first, else the first that is alike."""
    if key in head:
        return head[key]
    wanted = bare_key(key)
    return next((text for found, text in head.items() if bare_key(found) == wanted), None)
