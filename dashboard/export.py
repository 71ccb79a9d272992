"""What a page gives away: a table as a file, a chart as a drawing; made when somebody clicks."""

from __future__ import annotations

import io
from collections.abc import Callable
from functools import partial
from typing import Any

import polars as pl
import streamlit as st
from streamlit.errors import DuplicateWidgetID

from dashboard import on_paper
from dashboard.drawing import CellTable, Chart
from dashboard.file_names import safe_name
from warehouse import takeaway

LEAST_ROWS = 6
"""A shorter table is read, not taken away."""
MOST_ALIKE = 50
"""Tables on one page that may show the same columns."""
SHOWN = "about_what_is_shown"
"""In the session: what the page's figures are of, set when the shop is opened for it."""
MIME = {
    "csv": "text/csv",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    "parquet": "application/vnd.apache.parquet",
}
NOTHING_OPEN = takeaway.About("", "", "", "UTC")


def bar(
    shown: pl.DataFrame, headings: dict[str, str], published: pl.DataFrame, place: Any = st
) -> None:
    """Draw the way to take a table away.

    `shown` holds the values that the page shows, in its units; `published` the same columns by
    their own names in SI units, for programs.
    """
    if shown.height < LEAST_ROWS:
        return
    about: takeaway.About = st.session_state.get(SHOWN, NOTHING_OPEN)
    made: dict[str, Callable[[], bytes]] = {
        "csv": partial(takeaway.as_csv, shown, headings, about),
        "xlsx": partial(takeaway.as_xlsx, shown, headings, about),
        "parquet": partial(takeaway.as_parquet, published),
    }
    with place.popover("Take it away", icon=":material/download:", type="tertiary"):
        for kind, make in made.items():
            _button(kind.upper() if kind != "parquet" else "Parquet", make, kind, shown.columns)


def on_click(
    label: str,
    make: Callable[[], bytes],
    file_name: str,
    mime: str,
    key: str,
    place: Any = st,
    **how: Any,
) -> None:
    """Draw the way to take a file; it is made on the click, and nothing is drawn again for it."""
    place.download_button(
        label,
        lambda: io.BytesIO(make()),
        file_name=safe_name(file_name),
        mime=mime,
        on_click="ignore",
        key=key,
        **how,
    )


def _button(label: str, make: Callable[[], bytes], kind: str, columns: list[str]) -> None:
    """Draw one download; of tables with the same columns each gets a key of its own."""
    page = (st.context.url or "").partition("?")[0].rstrip("/").rpartition("/")[2] or "table"
    for number in range(MOST_ALIKE):
        try:
            key = f"take {kind} {' '.join(columns)} {number}"
            on_click(label, make, f"rollbook-{page}.{kind}", MIME[kind], key, width="stretch")
        except DuplicateWidgetID:
            continue
        return


def picture_config(key: str) -> dict[str, Any]:
    """Return plotly's own button for a picture as PNG, shown on hover; the browser makes it."""
    return {
        "displayModeBar": "hover",
        "displaylogo": False,
        "modeBarButtons": [["toImage"]],
        "toImageButtonOptions": {"format": "png", "filename": picture_name(key), "scale": 2},
    }


def picture_name(key: str) -> str:
    """Return what the file of a chart is called, without its ending.

    >>> picture_name("dyno_trust_chart")
    'rollbook-dyno-trust-chart'
    """
    return safe_name(f"rollbook-{key.replace('_', '-')}")


def picture(make: Callable[[], Chart | CellTable], key: str, place: Any = st) -> None:
    """Draw the way to take a chart away as a drawing for print; it is made on the click."""
    on_click(
        "SVG",
        lambda: drawing(make()),
        f"{picture_name(key)}.svg",
        "image/svg+xml",
        f"take svg {key}",
        place,
        type="tertiary",
        icon=":material/download:",
        help="This picture as a drawing for print; as PNG with the camera in its corner",
    )


def drawing(chart: Chart | CellTable) -> bytes:
    """Return a chart as an SVG file, on the ground that its colours are for."""
    start, end, rest = str(on_paper.drawing(chart)).partition(">")
    ground = f'<rect width="100%" height="100%" fill="{chart.palette.paper}"/>'
    return f"{start}{end}{ground}{rest}".encode()
