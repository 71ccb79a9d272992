"""A small "Why?" beside a headline: what the figure rests on, down to the files."""

from __future__ import annotations

import polars as pl
import streamlit as st

from dashboard import pieces
from dashboard.open_shop import OpenShop
from warehouse import wording
from warehouse.why import LEFT_OUT, NoSuchFigureError, Why

MOST_ROWS = 1_000
OF_PULLS = "run_on job_id bike_id stage_name pull_no role weight why file_name sha256_start"
OF_RIDES = "run_on job_id bike_id stage_name steady_s why file_name sha256_start"
OF_STAGES = "received_on job_id bike_id stage_name model_label role why"


@st.fragment
def behind(shop: OpenShop, kind: str, key: str, label: str = "Why?") -> None:
    """Draw the button that opens what stands behind a figure; before that nothing is asked."""
    if st.button(label, key=f"why {kind} {key}", type="tertiary", icon=":material/help:"):
        _opened(shop, f"{kind} {key}")


@st.dialog("What stands behind it", width="large")
def _opened(shop: OpenShop, figure: str) -> None:
    try:
        why = shop.why(figure)
    except NoSuchFigureError:
        st.info("There is no such figure in this snapshot.")
        return
    st.markdown(f"**{wording.escaped(why.value)}**  \n{wording.escaped(why.what.capitalize())}.")
    for caveat in why.caveats:
        st.warning(wording.escaped(caveat))
    st.markdown(f"**How:** {wording.escaped(why.method)}")
    st.markdown(f"**From:** {wording.escaped(why.counted)}")
    _evidence(why, shop)
    with st.expander("Settings in force, and the method's source"):
        for name, value in why.settings:
            st.text(f"{name} = {value}")
        if why.source:
            st.caption(f"Source: {wording.escaped(why.source)}.")
        if why.functions:
            st.caption(f"In flows/metrics: {wording.escaped(', '.join(why.functions))}.")
    st.caption("The same in a terminal: `rollbook why DIR` and this address.")
    st.code(why.figure, language=None, wrap_lines=True)


def _evidence(why: Why, shop: OpenShop) -> None:
    is_out = pl.col("standing") == LEFT_OUT
    listed = [
        ("Pulls used", why.pulls.filter(~is_out), OF_PULLS),
        ("Pulls left out", why.pulls.filter(is_out), OF_PULLS),
        ("Stages left out", why.stages.filter(is_out), OF_STAGES),
        ("Never taken in", why.files, "job_folder file_name state reason sha256_start"),
        ("Rides", why.rides, f"standing {OF_RIDES}"),
        ("The interval", why.budget, "component sd_pct share_of_variance dof origin"),
    ]
    listed = [(name, rows, columns) for name, rows, columns in listed if not rows.is_empty()]
    if not listed:
        return
    for tab, (_, rows, columns) in zip(
        st.tabs([f"{name} ({rows.height:,})" for name, rows, _ in listed]), listed, strict=True
    ):
        with tab:
            pieces.table(rows.head(MOST_ROWS), columns, shop.settings)
            if rows.height > MOST_ROWS:
                st.caption(f"The first {MOST_ROWS:,} of {rows.height:,}.")
