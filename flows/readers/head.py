"""Entries above a table: a layout's key is found whatever sign, case or unit stands by it."""

from __future__ import annotations

import difflib
import re
from collections.abc import Collection, Mapping
from functools import lru_cache
from typing import NamedTuple

from flows.readers.source import REPEATED_NAME
from flows.readers.words import known_unit, name_and_unit, plain_words

_SIGNS = " \t\r\n\f\v\u00a0\ufeff#;%*'\"/!>:=-"
"""What makes a line a remark in one program or another, or divides a key from its value."""
_NUMBERED = re.compile(re.escape(REPEATED_NAME).replace(r"\{name\}", "(.+)")
                       .replace(r"\{number\}", r"\d+"))  # fmt: skip
LEAST_LIKE = 0.7
"""Likeness of two keys, as difflib tells it, from which one is shown beside the other; at 0.6, its
own default, an operator is like a temperature."""
LEAST_LETTERS = 3
"""Shorter words, such as "of" or "no", tell nothing."""


@lru_cache(maxsize=4096)
def bare_key(key: str) -> str:
    """Return a key in small letters, one blank between words, without remark signs and unit.

    Only a unit that is known is left out: "(room)" tells one temperature from another.

    >>> bare_key("# Pressure  hPa"), bare_key("pressure hPa:"), bare_key("; Humidity [%]")
    ('pressure hpa', 'pressure hpa', 'humidity')
    """
    plain = key.strip(_SIGNS)
    if unit_of_key(key):
        plain = name_and_unit(plain)[0].strip(_SIGNS)
    return re.sub(r"\s+", " ", plain).casefold()


@lru_cache(maxsize=4096)
def unit_of_key(key: str) -> str | None:
    """Return the known unit that stands in brackets behind a key, in our word.

    >>> unit_of_key("# Baro [mbar]:"), unit_of_key("Air (room)")
    ('mbar', None)
    """
    name, unit = name_and_unit(key.strip(_SIGNS))
    return known_unit(unit) if name and unit else None


_OF_NUMBERS = " \t\u00a0+-−0123456789.,'"


def unit_behind(text: str) -> str | None:
    """Return the known unit that stands behind an entry's number, whatever comes after it.

    >>> unit_behind("50.0 deg F (10 degC)"), unit_behind("955hPa QFE"), unit_behind("955 (QFE)")
    ('degF', 'hPa', None)
    """
    words = [word.strip(",;") for word in text.lstrip(_OF_NUMBERS).split()]
    parts = (" ".join(words[:length]) for length in range(len(words), 0, -1))
    return next((unit for part in parts if (unit := known_unit(part))), None)


_RELATIVE = re.compile(r"[-+\d.,' ]*(%|r\.? ?[hf]\b|rel|pct|percent|prozent|$)", re.IGNORECASE)


def is_relative(text: str) -> bool:
    """Whether an entry's number may be a relative humidity: no other quantity stands behind it.

    >>> is_relative("47"), is_relative("47 %RH"), is_relative("9.5 g/kg"), is_relative("14 dew")
    (True, True, False, False)
    """
    return _RELATIVE.match(text.strip()) is not None


class Entry(NamedTuple):
    """What stands above a table for a layout's key."""

    key: str
    """As the file writes it."""
    text: str
    keys: tuple[str, ...] = ()
    """Several entries that say different things, none of them written as the layout has it."""


def entry_of(head: Mapping[str, str], key: str) -> Entry | None:
    """Return what stands behind a key: the very one first, else the one that is alike.

    Entries that say nothing do not count. Where several say different things none is chosen.
    """
    wanted = bare_key(key)
    alike = [
        found
        for found, text in head.items()
        if text.strip() and bare_key(_once(head, found)) == wanted
    ]
    exact = [found for found in alike if _once(head, found) == key]
    found = exact or alike
    if not found:
        return None
    if len({head[one].strip() for one in found}) > 1:
        return Entry(found[0], "", tuple(found))
    return Entry(found[0], head[found[0]])


def _once(head: Mapping[str, str], key: str) -> str:
    """Return a key without the number that `numbered_entries` gave it."""
    again = _NUMBERED.fullmatch(key)
    return again[1] if again and again[1] in head else key


def numbered_entries(head: dict[str, str], key: str, text: str) -> None:
    """Add an entry; a key that stands again and says something else gets its number."""
    name, number = key, 1
    while head.get(name, text) != text:
        number += 1
        name = REPEATED_NAME.format(name=key, number=number)
    head[name] = text


def _begun(words: str) -> set[str]:
    """Return how the words begin that are long enough to tell: "baro" of barometer."""
    return {word[:4] for word in words.split() if len(word) >= LEAST_LETTERS}


def nearest_key(keys: Collection[str], key: str) -> str:
    """Return the one of a file's keys that comes nearest to a layout's, "" if none is like it.

    >>> nearest_key(["Operator", "# rel humidity"], "Humidity"), nearest_key(["Gear"], "Humidity")
    ('# rel humidity', '')
    """
    wanted = plain_words(bare_key(key))
    scores = {}
    for other in keys:
        words = plain_words(bare_key(other))
        like = difflib.SequenceMatcher(None, wanted, words).ratio()
        shared = _begun(wanted) & _begun(words)
        scores[other] = max(like, LEAST_LIKE) if shared else like
    best = max(scores, key=lambda one: scores[one], default="")
    return best if best and scores[best] >= LEAST_LIKE else ""
