"""Names that a person may have meant."""

from __future__ import annotations

from collections.abc import Iterable

MOST_NEAR = 3


def nearest_names(asked: str, known: Iterable[str]) -> list[str]:
    """Return the three names that are spelt most like one.

    >>> nearest_names("J-01", ["J-0001", "J-0010", "K-9"])[0]
    'J-0001'
    """
    # Heavy to import, and most runs make no slip.
    from rapidfuzz import process

    return [name for name, *_ in process.extract(asked, known, limit=MOST_NEAR)]
