"""Pages as of a day: `as_of=` in the address, carried along every link, told on every page."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import streamlit as st

from dashboard import address
from warehouse import history, wording
from warehouse.damage import DamagedError
from warehouse.shop import ShopFolder
from warehouse.snapshot import Snapshot, current

AS_OF = "as_of"
NOW = "now"
MOST_SHOWN = 40
"""Signs of an address that are shown where they name no day."""
_KEPT, _PAGE = "as_of_kept", "as_of_page"


def carry(page: str) -> None:
    """Keep the day when a link or the list of pages leads to another page: they do not name it."""
    kept = st.session_state.get(_KEPT)
    if kept and AS_OF not in st.query_params and st.session_state.get(_PAGE) != page:
        st.query_params[AS_OF] = kept
    st.session_state[_KEPT], st.session_state[_PAGE] = st.query_params.get(AS_OF), page


def day() -> dt.date | None:
    """Return the day that the address asks for; None for now, and for what is no day."""
    try:
        return dt.date.fromisoformat(st.query_params.get(AS_OF, ""))
    except ValueError:
        return None


def shown(folder: Path) -> Snapshot | None:
    """Return the snapshot that the pages show.

    Raises DamagedError where it is damaged, HistoryError where the day cannot be told or is none:
    today's figures are not shown to whoever asked for another day.
    """
    asked = day()
    if asked is None and (said := st.query_params.get(AS_OF)):
        raise history.HistoryError(
            f"{wording.escaped(repr(said[:MOST_SHOWN]))} is no day such as 2026-03-31"
        )
    return history.as_of(folder, asked) if asked else current(folder)


def days(folder: Path) -> list[str]:
    """Return the days that history can tell of, the latest first."""
    path = ShopFolder(folder).history / history.INDEX
    state = path.stat() if path.is_file() else None
    return _days(folder, state.st_mtime_ns if state else 0)


@st.cache_data(max_entries=2, show_spinner=False)
def _days(folder: Path, _changed_ns: int) -> list[str]:
    try:
        index = history.read_index(ShopFolder(folder).history)
    except DamagedError:
        return []
    places = index.ends_of_days() if index else []
    return [index.states[p][0][:10] for p in reversed(places) if index and p >= index.begins]


def choose(folder: Path, place: Any) -> None:
    """Draw the list of days to look back to, where there is more than one."""
    known = days(folder)
    asked = day()
    if len(known) > 1 or asked:
        looked_at = [asked.isoformat()] if asked else []
        options = [NOW, *dict.fromkeys([*looked_at, *known[1:]])]
        before = st.query_params.get(AS_OF)
        chosen = address.select(
            AS_OF, "As it stood at the end of", options, default=NOW, place=place
        )
        if st.query_params.get(AS_OF) != before:
            # What stands above was drawn of the other day.
            if chosen == NOW:
                back()
            st.rerun()


def strip(snapshot: Snapshot | None) -> None:
    """Say above a page that it shows the past."""
    if (asked := day()) and snapshot:
        st.info(
            f"**As it stood on {asked}**: snapshot {snapshot.number}. What came later is not in "
            f"it; what is entered here goes into the shop of today. {history.LEFT_OUT}"
        )


def refuse(why: history.HistoryError) -> None:
    """Say that a day cannot be shown, offer the way back, and stop."""
    st.error(f"{str(why)[:1].upper()}{str(why)[1:]}.")
    if st.button("Back to now"):
        back()
    st.stop()


def back() -> None:
    """Leave the past."""
    st.session_state.pop(_KEPT, None)
    st.query_params.pop(AS_OF, None)
    st.rerun()
