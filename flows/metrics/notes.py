"""Facts as codes with figures; what a code is in words stands in warehouse/sentences.py."""

from __future__ import annotations

import datetime as dt
import math
from typing import Any

import numpy as np

Note = dict[str, Any]
"""Its "code", and the figures that belong to it; a figure may be a note, or a list of notes."""


class NotToldError(ValueError):
    """What was asked cannot be told from the record; `note` says why."""

    def __init__(self, code: str, **figures: object) -> None:
        self.note = note(code, **figures)
        super().__init__(str(self.note))


def note_of(error: ValueError) -> Note:
    """Return why something could not be told, also where a figure was refused.

    Parameters
    ----------
    error : ValueError
        As it was raised.

    Returns
    -------
    dict
        Its note.

    Examples
    --------
    >>> note_of(NotToldError("time does not increase"))
    {'code': 'time does not increase'}
    """
    return error.note if isinstance(error, NotToldError) else note("refused", why=str(error))


def note(code: str, **figures: object) -> Note:
    """Return a fact as it is kept and compared.

    Parameters
    ----------
    code : str
        Which fact; each code is declared once, with its words.
    figures : object
        Figures, names and other notes of it. Arrays' own numbers become plain ones, and what is
        not known becomes None, so that every note can be written as JSON.

    Returns
    -------
    dict
        Code and figures.

    Examples
    --------
    >>> note("engine cold", coolant_degc=np.float64(41.5))
    {'code': 'engine cold', 'coolant_degc': 41.5}
    """
    return {"code": code} | {name: _plain(value) for name, value in figures.items()}


def _plain(value: Any) -> Any:
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, dt.date):
        return value.isoformat()
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    return value
