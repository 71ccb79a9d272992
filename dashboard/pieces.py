"""The few pieces that every page draws with: tables, charts, figures in a frame."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import plotly.graph_objects as go
import polars as pl
import streamlit as st

from dashboard.desk import UpdateRun

CARD_WIDTH_PX = 165
"""Two cards stand side by side on a phone."""

MOST_TABLE_HEIGHT_PX = 420


def table(frame: pl.DataFrame, titles: dict[str, Any]) -> None:
    """Draw the titled columns of a frame, in the order of the titles; others stay out."""
    shown = [name for name in titles if name in frame.columns]
    st.dataframe(
        frame.select(shown),
        hide_index=True,
        height=min(38 + 35 * max(frame.height, 1), MOST_TABLE_HEIGHT_PX),
        placeholder="–",
        column_config={name: titles[name] for name in shown},
    )


def grid(frame: pl.DataFrame, pinned: str) -> None:
    """Draw a grid of short texts whose first column stays while the others scroll."""
    st.dataframe(
        frame,
        hide_index=True,
        height=38 + 35 * frame.height,
        column_config={
            name: st.column_config.TextColumn(
                name, width=110 if name == pinned else 80, pinned=name == pinned
            )
            for name in frame.columns
        },
    )


def figures(title: str, digits: int = 0, *, signed: bool = False) -> Any:
    """Return a column of figures with so many digits."""
    return st.column_config.NumberColumn(title, format=f"%{'+' if signed else ''}.{digits}f")


def wide(title: str, width_px: int = 320) -> Any:
    """Return a column for sentences."""
    return st.column_config.TextColumn(title, width=width_px)


def day(title: str) -> Any:
    """Return a column of days."""
    return st.column_config.DateColumn(title, format="D MMM YYYY")


def moment(title: str, zone: str) -> Any:
    """Return a column of instants, shown in a time zone."""
    return st.column_config.DatetimeColumn(title, format="D MMM YYYY, HH:mm", timezone=zone)


def chart(figure: go.Figure, key: str) -> None:
    """Draw a chart as charts.py dressed it."""
    st.plotly_chart(figure, theme=None, config={"displayModeBar": False}, key=key)


def cards(entries: Iterable[tuple[str, str, str]]) -> None:
    """Draw figures side by side: a title, the figure, and what qualifies it."""
    with st.container(horizontal=True):
        for title, value, below in entries:
            st.metric(
                title,
                value,
                below or None,
                delta_color="off",
                delta_arrow="off",
                border=True,
                width=CARD_WIDTH_PX,
                height="stretch",
            )


def follow(run: UpdateRun, place: Any = st) -> None:
    """Show in a place of the page how far an update is, and draw the page again at its end."""
    bar = place.progress(0.0, text="Starting")
    for step in run.steps():
        bar.progress(step.share, text=step.sentence)
    st.rerun()
