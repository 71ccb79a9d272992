"""Answers "which headline sentences changed since a day, and why?"."""

import datetime as dt

import polars as pl
import streamlit as st

from dashboard import address, past, pieces
from dashboard.open_shop import open_shop
from warehouse import wording
from warehouse.headlines import Changes, changes_since
from warehouse.history import HistoryError
from warehouse.snapshot import Snapshot

MOST_CHANGED = 6

shop = open_shop()


# A day and a snapshot tell the whole answer; its rows are read only.
@st.cache_resource(max_entries=8, show_spinner=False)
def changes(_shown: Snapshot, path: str, since: str) -> Changes:  # noqa: ARG001 the path is the key
    """Return what changed between a day and what is shown."""
    return changes_since(shop.folder, dt.date.fromisoformat(since), _shown)


# Read
shown_on = (past.day() or dt.date.max).isoformat()
days = [day for day in past.days(shop.folder) if day < shown_on]
if len(days) < 1 + (past.day() is None):
    pieces.nothing("History holds one day only: nothing can be set beside it yet.")

# Choose
since = address.select("since", "Since the end of", days if past.day() else days[1:])

# Show
try:
    found = changes(shop.snapshot, str(shop.snapshot.path), since)
except HistoryError as why:
    past.refuse(why)
    raise
st.markdown(f"## {wording.escaped(found.sentence)}")
for one in found.changed[:MOST_CHANGED]:
    st.markdown(
        f"**{one.now.kind.capitalize()}**: {wording.escaped(one.now.about)} · "
        f"*{wording.escaped(one.reason)}*"
    )
    then, now = st.columns(2)
    then.caption(f"Then: {wording.escaped(one.then)}")
    now.markdown(f"Now: {wording.escaped(one.now.sentence)}")
if found.changed:
    with st.expander("Every sentence that changed"):
        rows = [
            (one.now.kind, one.now.about, one.reason, one.then, one.now.sentence)
            for one in found.changed
        ]
        names = ["Sentence", "Of", "Why", "Then", "Now"]
        frame = pl.DataFrame(rows, schema=names, orient="row")
        pieces.table(frame, {name: name for name in names}, wraps=True)
for title, others in (("New sentences", found.new), ("Sentences that went", found.gone)):
    if others:
        with st.expander(f"{title}: {len(others)}"):
            rows = [(one.kind, one.about, one.sentence) for one in others]
            names = ["Sentence", "Of", "What it says"]
            frame = pl.DataFrame(rows, schema=names, orient="row")
            pieces.table(frame, {name: name for name in names}, wraps=True)
