"""Who did what, from the journal: behind a click, nothing of it is read before."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

import polars as pl
import streamlit as st

from dashboard import pieces
from dashboard.open_shop import OpenShop
from warehouse.act_words import act_in_words
from warehouse.acts import Entry, latest, of_job
from warehouse.shop import ShopFolder

MOST_ACTS = 50


def lately(shop: OpenShop) -> None:
    """Draw who did what lately in the whole shop."""
    folder = ShopFolder(shop.folder)
    st.fragment(draw)(shop, "Who did what lately", "acts_lately", lambda: latest(folder))


def on_job(shop: OpenShop, job_id: str) -> None:
    """Draw who did what on a job."""

    def read() -> list[Entry]:
        folders = dict(shop.ask("known_jobs").select("job_id", "job_folder").iter_rows())
        return of_job(ShopFolder(shop.folder), job_id, folders[job_id])

    st.fragment(draw)(shop, "Who did what on this job", f"acts_{job_id}", read)


def draw(shop: OpenShop, label: str, key: str, read: Callable[[], list[Entry]]) -> None:
    """Draw the acts; unlike figures they are told as of now, not as of the snapshot."""
    place = st.expander(label, key=key, on_change="rerun")
    if not place.open:
        return
    with place:
        found = read()
        if not found:
            st.text("Nothing is written down yet.")
            return
        shown = pl.DataFrame(
            {
                "When": [dt.datetime.fromisoformat(entry["at"]) for entry in found[:MOST_ACTS]],
                "Who": [entry["person"] for entry in found[:MOST_ACTS]],
                "What": [act_in_words(entry) for entry in found[:MOST_ACTS]],
            }
        )
        when = pieces.moment("When", shop.settings.shop.timezone)
        pieces.table(shown, {"When": when, "Who": "Who", "What": "What"})
        if len(found) > MOST_ACTS:
            st.text(f"The latest {MOST_ACTS}; all of them: rollbook acts")
