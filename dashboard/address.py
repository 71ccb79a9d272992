"""Choices stand in the page's address: it can be sent, and comes back on reload.

What stands there wins whenever it changed by itself: a link, or the browser's way back. A choice
writes one word, and nothing is written for what is shown at first: each writing is a step of the
browser's way back.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import streamlit as st


def pick(
    label: str,
    options: Sequence[str],
    key: str,
    word: str = "",
    *,
    named: Callable[[str], str] = str,
    place: Any = st,
    **more: Any,
) -> str:
    """Return the option that a person chose from a list; at first the one in the address."""
    word = word or key
    _from_address(word, options, key)
    chosen = place.selectbox(label, options, format_func=named, key=key, **more)
    _to_address(word, chosen, options, key)
    return chosen


def switch(label: str, choices: Sequence[str], key: str, word: str = "") -> str:
    """Return which of a few views a person chose; at first the one in the address."""
    word, written = word or key, [_as_word(choice) for choice in choices]
    asked = st.query_params.get(word)
    at = written.index(asked) if asked in written else 0
    _take(key, word, asked, choices[at] if asked in written else None, choices)
    default: dict[str, Any] = {} if key in st.session_state else {"default": choices[0]}
    chosen = str(st.segmented_control(label, choices, required=True, key=key, **default))
    if chosen != choices[at]:
        _write(word, _as_word(chosen), key)
    return chosen


def _from_address(word: str, options: Sequence[str], key: str) -> None:
    asked = st.query_params.get(word)
    _take(key, word, asked, asked if asked in options else None, options)


def _take(
    key: str, word: str, asked: str | None, fitting: str | None, options: Sequence[str]
) -> None:
    """Set a choice to what the address asks for, where that is new since it was last looked at."""
    seen = _seen(key, word)
    if st.session_state.get(key) is not None and st.session_state[key] not in options:
        del st.session_state[key]
    if key not in st.session_state or asked != st.session_state.get(seen):
        if fitting is not None:
            st.session_state[key] = fitting
        elif key in st.session_state and asked is None:
            # The way back to before the first choice.
            del st.session_state[key]
    st.session_state[seen] = asked


def _to_address(word: str, chosen: str | None, options: Sequence[str], key: str) -> None:
    asked = st.query_params.get(word)
    shown_anyway = asked if asked in options else next(iter(options), None)
    if chosen is not None and chosen != shown_anyway:
        _write(word, chosen, key)


def _write(word: str, value: str, key: str) -> None:
    st.query_params[word] = value
    st.session_state[_seen(key, word)] = value


def _seen(key: str, word: str) -> str:
    return f"{key}, {word} in the address"


def _as_word(choice: str) -> str:
    """Return a choice as an address has it.

    >>> _as_word("Newest revisions")
    'newest-revisions'
    """
    return "-".join(choice.casefold().split())
