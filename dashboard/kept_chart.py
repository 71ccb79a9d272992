"""Draws charts that are built once a snapshot and look, because building one is what costs."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from typing import Any

import plotly.graph_objects as go
import polars as pl
import streamlit as st

from dashboard import charts, export, on_page
from dashboard.drawing import CellTable, Chart
from dashboard.open_shop import OpenShop
from warehouse import wording

MOST_LINES = 60
"""Of stages over one another: more are a grey mass, and take seconds to build."""


class _Ready(go.Figure):
    """A figure that was checked once, and goes to the browser as it then was.

    Plotly copies a figure through and through each time it is sent, half of what a page cost.
    """

    def __init__(self, checked: go.Figure) -> None:
        super().__init__()
        self._ready = checked.to_dict()
        # Plotly adds its own look, which ours says all of. The frame draws each picture twice;
        # the second time is all work again for whoever brings a look, and nothing else.
        self._ready["layout"].pop("template", None)

    def to_dict(self) -> dict[str, Any]:
        return self._ready


@st.cache_resource(max_entries=96, show_spinner=False)
def _figure(
    depends: tuple[Any, ...],
    _make: Callable[[], Chart | CellTable],
    layout: dict[str, Any],
) -> _Ready:
    return _ready(depends, _make(), layout)


def _ready(depends: tuple[Any, ...], drawn: Chart | CellTable, layout: dict[str, Any]) -> _Ready:
    # By this the browser knows that the second drawing is of the same figures: nothing is redone.
    state = hashlib.blake2b(repr(depends).encode(), digest_size=8).hexdigest()
    return _Ready(go.Figure(on_page.figure(drawn)).update_layout(layout, datarevision=state))


def draw_in_hand(key: str, depends: tuple[Any, ...], drawn: Chart | CellTable) -> None:
    """Draw a chart of a file in somebody's hand, which no snapshot has."""
    figure = _ready((key, *depends), drawn, {})
    st.plotly_chart(figure, theme=None, config=export.picture_config(key), key=key)
    export.picture(lambda: drawn, key)


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


def members(shop: OpenShop, key: str, stages: pl.DataFrame, *, as_error: bool) -> None:
    """Draw the mixture of the first of some stages over one another, and say how many."""
    drawn = stages.head(MOST_LINES)
    stage_ids = drawn["stage_id"].to_list()

    def make() -> Chart:
        curves = shop.ask("session_curves", stage_ids=stage_ids)
        return charts.member_chart(curves, drawn, shop.look(), shop.limits(), as_error=as_error)

    draw(shop, key, (tuple(stage_ids), as_error), make)
    if stages.height > MOST_LINES:
        st.caption(wording.lines_left(MOST_LINES, stages.height))
