"""Keeps what a person chose in the page's address: a view can be sent and comes back on reload.

A first view writes nothing. A choice is one step of the browser's history, so that the way back
takes it back, and what hangs on the choice leaves the address with it (`drops`). What the address
asks for and is gone falls back to what is shown at first.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping, Sequence
from typing import Any

import streamlit as st

from warehouse.wording import escaped, number

MOST_OPTIONS = 500
"""Of a list that are sent to the browser, the first of them: 12,000 are over a megabyte."""


def select(
    name: str,
    label: str,
    options: Sequence[str],
    named: Callable[[str], str] = str,
    *,
    default: str | None = None,
    drops: Collection[str] = (),
    place: Any = st,
    **how: Any,
) -> str:
    """Draw a list to choose one from; at first the one that the address asks for.

    With `accept_new_options` anything may be written instead.
    """
    if how.get("accept_new_options"):
        options = list(dict.fromkeys([*filter(None, [st.query_params.get(name)]), *options]))

    def is_one(held: Any) -> bool:
        return held in options or (bool(held) and bool(how.get("accept_new_options")))

    first = default or next(iter(options), "")
    key, shown = _settle(name, first, is_one, str)
    chosen = _list(label, options, named, key, place, **how)
    _keep(name, shown, chosen, chosen, drops)
    return chosen


def _list(
    label: str,
    options: Sequence[str],
    named: Callable[[str], str],
    key: str,
    place: Any,
    **how: Any,
) -> str:
    """Draw a list; of a long one the first and the one that is chosen, wherever it stands."""
    shown = options
    if len(options) > MOST_OPTIONS:
        held = st.session_state.get(key)
        shown = list(options[:MOST_OPTIONS])
        if isinstance(held, str) and held in options and held not in shown:
            shown.append(held)
        label = f"{label}, the first {MOST_OPTIONS} of {number(len(options))}"
        how["help"] = "Find, at the side, leads to all others."
    return place.selectbox(label, shown, format_func=named, key=key, **how)


def segments(
    name: str,
    label: str,
    options: Sequence[str],
    named: Callable[[str], str] = str,
    *,
    drops: Collection[str] = (),
    **how: Any,
) -> str:
    """Draw words side by side to choose one from."""
    by_word = {_as_word(option): option for option in options}
    key, shown = _settle(name, options[0], lambda one: one in options, by_word.get)
    chosen = st.segmented_control(
        label, options, format_func=lambda one: escaped(named(one)), key=key, required=True, **how
    )
    _keep(name, shown, chosen, _as_word(str(chosen)), drops)
    return str(chosen)


def several(
    name: str,
    label: str,
    options: Sequence[str],
    named: Callable[[str], str] = str,
    *,
    default: Collection[str],
) -> list[str]:
    """Draw words side by side to choose some from, in the order of the options."""

    def is_some(held: Any) -> bool:
        return isinstance(held, list) and set(held) <= set(options)

    def read(text: str) -> list[str]:
        return text.split(",") if text else []

    key, shown = _settle(name, list(default), is_some, read)
    chosen = st.pills(
        label,
        options,
        selection_mode="multi",
        format_func=lambda one: escaped(named(one)),
        key=key,
    )
    kept = [one for one in options if one in chosen]
    _keep(name, shown, kept, ",".join(kept))
    return kept


def figure(
    name: str, label: str, *, default: float | None = None, place: Any = st, **how: Any
) -> float | None:
    """Draw a field for a number; without a default it is empty at first."""
    kind, least, most = type(how["min_value"]), how["min_value"], how["max_value"]

    def read(text: str) -> float | None:
        try:
            given = float(text)
        except ValueError:
            return None
        return kind(given) if math.isfinite(given) else None

    def fits(held: Any) -> bool:
        return held is None or least <= held <= most

    key, shown = _settle(name, default, fits, read)
    given = place.number_input(label, key=key, value=None, **how)
    _keep(name, shown, given, None if given is None else f"{given:g}")
    return given


def line(name: str, label: str, *, place: Any = st, **how: Any) -> str:
    """Draw a field for words, empty at first."""
    key, shown = _settle(name, "", lambda _: True, str)
    given = place.text_input(label, key=key, **how)
    _keep(name, shown, given, given or None)
    return given


def go(words: Mapping[str, str | None]) -> None:
    """Write words of the address, or take them out, as one step of its history."""
    now = st.query_params.to_dict()
    asked = {word: text for word, text in {**now, **words}.items() if text is not None}
    if asked != now:
        st.query_params.from_dict(asked)


def _settle(
    name: str, default: Any, is_one: Callable[[Any], bool], read: Callable[[str], Any]
) -> tuple[str, Any]:
    """Return the key of a widget, and what the address asks it to show.

    The widget is set to that where the address, or what it leads to, is new since last time: by a
    link, by the way back, or because what is shown at first is another now.
    """
    key, asked = f"address_{name}", st.query_params.get(name)
    wanted = None if asked is None else read(asked)
    shown = wanted if wanted is not None and is_one(wanted) else default
    is_new = st.session_state.get(f"{key}_seen") != (asked, shown)
    if is_new or key not in st.session_state or not is_one(st.session_state[key]):
        st.session_state[key] = shown
    st.session_state[f"{key}_seen"] = (asked, shown)
    return key, shown


def _keep(
    name: str, shown: Any, chosen: Any, text: str | None, drops: Collection[str] = ()
) -> None:
    """Write what a person chose, where it is another than the address asked for."""
    if chosen == shown:
        return
    go({**dict.fromkeys(drops), name: text})
    st.session_state[f"address_{name}_seen"] = (text, chosen)


def _as_word(choice: str) -> str:
    """Return a choice as an address has it.

    >>> _as_word("Newest revisions")
    'newest-revisions'
    """
    return "-".join(choice.casefold().split())
