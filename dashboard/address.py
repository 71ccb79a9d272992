"""Keeps what a person chose in the page's address: a view can be sent and comes back on reload."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from typing import Any

import streamlit as st

from warehouse.wording import escaped


def _settle(name: str, default: Any, is_one: Callable[[Any], bool], read: Callable) -> str:
    """Return the key of a widget whose value stands in the address under a name.

    An address that was changed from outside, by a link, wins over what the widget held.
    """
    key, asked = f"address_{name}", st.query_params.get(name)
    held = st.session_state.get(key)
    if (
        key not in st.session_state
        or asked != st.session_state.get(f"{key}_written")
        or not is_one(held)
    ):
        wanted = None if asked is None else read(asked)
        st.session_state[key] = wanted if wanted is not None and is_one(wanted) else default
    return key


def write(name: str, text: str | None) -> None:
    """Write a value into the address, or take it out."""
    st.session_state[f"address_{name}_written"] = text
    if st.query_params.get(name) == text:
        return
    if text is None:
        del st.query_params[name]
    else:
        st.query_params[name] = text


def select(
    name: str,
    label: str,
    options: Sequence[str],
    named: Callable[[str], str],
    *,
    default: str | None = None,
    place: Any = st,
    **how: Any,
) -> str:
    """Draw a list to choose one from; at first the one that the address asks for."""
    key = _settle(name, default or options[0], lambda one: one in options, str)
    chosen = place.selectbox(label, options, format_func=named, key=key, **how)
    write(name, chosen)
    return chosen


def segments(name: str, label: str, options: Sequence[str], named: Callable[[str], str]) -> str:
    """Draw words side by side to choose one from; they say by themselves what they are."""
    key = _settle(name, options[0], lambda one: one in options, str)
    chosen = st.segmented_control(
        label,
        options,
        format_func=lambda one: escaped(named(one)),
        key=key,
        required=True,
        label_visibility="collapsed",
    )
    write(name, chosen)
    return str(chosen)


def several(
    name: str,
    label: str,
    options: Sequence[str],
    named: Callable[[str], str],
    *,
    default: Collection[str],
) -> list[str]:
    """Draw words side by side to choose some from, in the order of the options."""

    def is_some(held: Any) -> bool:
        return isinstance(held, list) and set(held) <= set(options)

    key = _settle(name, list(default), is_some, lambda text: text.split(",") if text else [])
    chosen = st.pills(
        label,
        options,
        selection_mode="multi",
        format_func=lambda one: escaped(named(one)),
        key=key,
    )
    kept = [one for one in options if one in chosen]
    write(name, None if kept == list(default) else ",".join(kept))
    return kept


def figure(name: str, label: str, *, place: Any = st, **how: Any) -> float | None:
    """Draw a field for a number, empty at first unless the address gives one."""

    def read(text: str) -> int | None:
        return int(text) if text.isdecimal() else None

    least, most = how["min_value"], how["max_value"]
    key = _settle(name, None, lambda held: held is None or least <= held <= most, read)
    given = place.number_input(label, key=key, value=None, **how)
    write(name, None if given is None else str(given))
    return given


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
