"""Draws charts that are built once a snapshot and look, because building one is what costs."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import plotly.graph_objects as go
import streamlit as st

from dashboard import export, on_page
from dashboard.drawing import CellTable, Chart
from dashboard.open_shop import OpenShop


@st.cache_resource(max_entries=48, show_spinner=False)
def _figure(
    depends: tuple[Any, ...],  # noqa: ARG001 - it is what the figure is kept by
    _make: Callable[[], Chart | CellTable],
    layout: dict[str, Any],
) -> go.Figure:
    # A figure of plotly's own is checked once here and not on every run of a page.
    return go.Figure(on_page.figure(_make())).update_layout(layout)


def draw(
    shop: OpenShop,
    key: str,
    depends: tuple[Any, ...],
    make: Callable[[], Chart | CellTable],
    *,
    layout: dict[str, Any] | None = None,
    place: Any = st,
    **how: Any,
) -> None:
    """Draw a chart; beside the snapshot and the look it hangs on nothing but what is named."""
    given = (str(shop.snapshot.path), shop.look(), shop.limits(), shop.power_at())
    kept = _figure((key, *depends, *given), make, layout or {})
    place.plotly_chart(kept, theme=None, config=export.picture_config(key), key=key, **how)
    export.picture(make, key, place)
