"""Which files the names and patterns of a card take, and in which order."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection
from fnmatch import fnmatchcase


def one_form(name: str) -> str:
    """Return a name in one form: some systems write ö as o and two dots."""
    return unicodedata.normalize("NFC", name)


def is_pattern(entry: str) -> bool:
    """Return whether an entry of a card stands for any number of files."""
    return any(mark in entry for mark in "*?")


def takes(entry: str, name: str, written: Collection[str]) -> bool:
    """Return whether an entry of a card takes a file.

    >>> takes("run_*.csv", "run_1.csv", {"run_*.csv"})
    True
    >>> takes("run_*.csv", "run_1.csv", {"run_*.csv", "run_1.csv"})
    False
    """
    plain = one_form(name)
    if plain == one_form(entry):
        return True
    return plain not in written and fnmatchcase(plain, one_form(entry))


def in_number_order(name: str) -> list[tuple[int, str]]:
    """Return a key by which run_2 comes before run_10: the order of heat.

    >>> sorted(["run_10", "run_2"], key=in_number_order)
    ['run_2', 'run_10']
    """
    steps = re.split(r"(\d+)", name)
    return [(int(step), "") if step.isdecimal() else (-1, step) for step in steps]
