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
