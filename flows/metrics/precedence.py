r"""Tells when the latest of a row of values lie beyond those before, whatever their distribution.

The derivation. Let n values of the past and w new ones be exchangeable: nothing changed. Then all
:math:`\binom{n+w}{w}` ways to mix past and new in the order of size are equally likely. In
:math:`\binom{w-1+j}{j}` of them exactly j of the past lie above the least new one: the w - 1 other
new ones and these j stand above it in any order, the rest below. Summed over j = 0 to k that is
:math:`\binom{w+k}{k}`, so

.. math:: P(\text{at most } k \text{ of the past above all new}) = \binom{w+k}{k} / \binom{n+w}{w}

which holds for any distribution, with ties too (a tie counts against a change). It is the
precedence test of L. S. Nelson ("Tables for a precedence life test", Technometrics 5, 1963,
pp. 491-499), here with the roles of its samples so that few new values suffice. No test without a
law of the values can tell a change from fewer: with all new beyond all past its chance is
:math:`1/\binom{n+w}{w}`, and nothing more extreme can be seen.
"""

from __future__ import annotations

import math
from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import ArrayLike

PAST = 100
"""So many values before the new ones are looked at: older ones tell of another time."""
NEW = (5, 8)
"""So many new ones are looked at: eight while the past is short."""


@cache
def most_beyond(past: int, new: int, chance: float) -> int:
    """Return how many of the past may lie beyond the new values for a change to be told.

    Parameters
    ----------
    past, new : int. How many values of each there are.
    chance : float. Greatest chance of a false alarm. [1]

    Returns
    -------
    int. -1 if no order of the values would do.

    Examples
    --------
    >>> most_beyond(24, 5, 1e-5), most_beyond(100, 5, 1e-5), most_beyond(20, 5, 1e-5)
    (0, 7, -1)
    """
    allowed = chance * math.comb(past + new, new)
    beyond = -1
    while beyond < past and math.comb(new + beyond + 1, beyond + 1) <= allowed:
        beyond += 1
    return beyond


class Look(NamedTuple):
    """Where so many new values can tell a change, and by how many exceptions at most.

    Attributes
    ----------
    new : int. How many of the latest values are held against those before them.
    places : ndarray. Places of the latest value.
    most : ndarray. How many of the past may lie beyond the new ones, by place.
    """

    new: int
    places: np.ndarray
    most: np.ndarray


def looks(of_whom: ArrayLike, chance: float) -> list[Look]:
    """Return at which places something can be told, by the fewest new values that will do.

    What comes of one subject is no independent evidence: past and new are counted by subjects, and
    what several values of one say counts once.

    Parameters
    ----------
    of_whom : array_like. Of which subject each value is, in the order of time; whole numbers from
        0 on.
    chance : float. Greatest chance of a false alarm at one place. [1]

    Returns
    -------
    list of Look. One for each number of new values in `NEW`.

    Examples
    --------
    >>> [(look.new, look.places[:3].tolist()) for look in looks(np.arange(40), 1e-5)]
    [(5, [28, 29, 30]), (8, [19, 20, 21])]
    """
    subject = np.asarray(of_whom, dtype=int)
    padded = np.concatenate((np.full(PAST, -1), subject))
    found, told = [], np.zeros(subject.size, dtype=bool)
    for new in NEW:
        if subject.size < new:
            continue
        count = subject.size - new + 1
        known = _counted(sliding_window_view(padded, PAST)[:count])
        fresh = _counted(sliding_window_view(subject, new))
        pairs, where = np.unique(np.stack((known, fresh)), axis=1, return_inverse=True)
        each = [most_beyond(int(past), int(few), chance) for past, few in pairs.T]
        most = np.array(each, dtype=int)[where.ravel()]
        places = np.arange(new - 1, subject.size)
        use = (most >= 0) & ~told[places]
        told[places[use]] = True
        found.append(Look(new, places[use], most[use]))
    return found


def beyond_past(values: ArrayLike, look: Look) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return how far the latest values lie beyond those before them, at each place of a look.

    Parameters
    ----------
    values : array_like. In the order of time, finite.
    look : Look. Where to look.

    Returns
    -------
    tuple of ndarray. By place, in the unit of `values`: how far the least of the new lies above
    the past that counts; how far the greatest of them lies below it; from where to where that past
    goes.

    Examples
    --------
    >>> five, _ = looks(np.arange(35), 1e-5)
    >>> above, _, span = beyond_past([1.0, 2.0] * 15 + [9.0] * 5, five)
    >>> float(above[-1]), float(span[-1])
    (7.0, 1.0)
    """
    column = np.asarray(values, dtype=float)
    rows = look.places - (look.new - 1)
    padded = np.concatenate((np.full(PAST, np.nan), column))
    # Sorted, what is not there stands last.
    pasts = np.sort(sliding_window_view(padded, PAST)[rows], axis=1)
    there = np.minimum(rows, PAST)
    at = np.arange(rows.size)
    top, bottom = pasts[at, there - 1 - look.most], pasts[at, look.most]
    fresh = sliding_window_view(column, look.new)[rows]
    return fresh.min(axis=1) - top, bottom - fresh.max(axis=1), top - bottom


def _counted(windows: np.ndarray) -> np.ndarray:
    """Return how many different subjects each window holds; -1 is none."""
    ordered = np.sort(windows, axis=1)
    is_next = ordered[:, 1:] != ordered[:, :-1]
    return is_next.sum(axis=1) + (ordered[:, 0] != -1)
