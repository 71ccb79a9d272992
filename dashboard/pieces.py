"""The few pieces that every page draws with: tables, charts, figures in a frame."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from pathlib import Path
from typing import Any, NoReturn

import polars as pl
import streamlit as st

from dashboard import address, desk, export
from dashboard.who import refusal
from schemas.settings import ShopSettings
from schemas.units import shown_power
from warehouse import wording
from warehouse.titles import COLUMNS, Column

CARD_WIDTH_PX = 165
"""Two cards stand side by side on a phone."""

MOST_TABLE_HEIGHT_PX = 420

ROW_PX = 35
WRAPPED_ROW_PX = 70
"""Three lines; text wraps in rows higher than 4 rem only."""

MOST_ROWS = 500
"""Of a table that are sent to the browser; nobody scrolls through more, and all can be had."""


def table(
    frame: pl.DataFrame,
    shown: str | Mapping[str, Any] = "",
    settings: ShopSettings | None = None,
    *,
    wraps: bool = False,
    **titles: str,
) -> None:
    """Draw columns of a frame: those named, in that order, or all that have a title.

    Powers and instants are shown as the shop's settings ask for. A long table is cut and says so.
    Where it `wraps`, a sentence stands whole in its cell.
    """
    names = shown.split() if isinstance(shown, str) else list(shown)
    names = [name for name in names or COLUMNS.keys() & set(frame.columns) if name in frame.columns]
    if not shown:
        names.sort(key=frame.columns.index)
    config: dict[str, Any] = {}
    headings: dict[str, str] = {}
    published = frame
    for name in names:
        if isinstance(shown, Mapping):
            config[name] = shown[name]
            continue
        column = COLUMNS[name]
        title = titles.get(name, column.title)
        if "{power}" in column.title and settings:
            title = title.format(power=settings.show.power)
            power: Any = frame[name]
            frame = frame.with_columns(shown_power(power, settings.show.power))
        if column.times != 1:
            frame = frame.with_columns(pl.col(name) * column.times)
        config[name] = _column(column, title, frame[name], settings)
        headings[name] = title
    row_height = WRAPPED_ROW_PX if wraps else ROW_PX
    st.dataframe(
        frame.select(names).head(MOST_ROWS),
        hide_index=True,
        height=min(38 + row_height * max(frame.height, 1), MOST_TABLE_HEIGHT_PX),
        row_height=row_height,
        placeholder="–",
        column_config=config,
    )
    if frame.height > MOST_ROWS:
        st.caption(wording.rows_left(MOST_ROWS, frame.height))
    export.bar(frame.select(names), headings, published.select(names))


def _column(column: Column, title: str, values: pl.Series, settings: ShopSettings | None) -> Any:
    if values.dtype == pl.Date:
        return st.column_config.DateColumn(title, format="D MMM YYYY")
    if isinstance(values.dtype, pl.Datetime):
        return moment(title, settings.shop.timezone if settings else "UTC")
    if column.digits is not None and values.dtype.is_numeric():
        return figures(title, column.digits, signed=column.signed)
    # A column of sentences is narrow where nothing is said.
    is_said = values.dtype == pl.String and values.str.len_chars().max()
    return wide(title, column.width_px) if column.width_px and is_said else title


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


def choose(
    label: str,
    rows: pl.DataFrame,
    named: Callable[[dict[str, Any]], str],
    asked: tuple[str, str],
    drops: Collection[str] = (),
    place: Any = st,
) -> dict[str, Any]:
    """Return the row that a person chose; at first the one that the address asks for.

    `asked` names the word in the address and the column that tells rows apart.
    """
    word, column = asked
    # What tells no rows apart is no address: then the place in the list is.
    is_own = rows[column].n_unique() == rows.height
    values = [str(value) for value in (rows[column] if is_own else range(rows.height))]
    at = {value: row for row, value in enumerate(values)}
    chosen = address.select(
        word,
        label,
        values,
        lambda value: named(rows.row(at[value], named=True)),
        drops=drops,
        place=place,
    )
    return rows.row(at[chosen], named=True)


def nothing(said: str) -> NoReturn:
    """Say what is missing, and end the page."""
    st.info(said)
    st.stop()


def alarm(advice: wording.Advice, said_else: str) -> None:
    """Draw the advice on pulling again with the cautions where warn level is not excluded."""
    if advice.is_alarm:
        box = st.error if advice.shown in wording.LEAN_LEVELS else st.warning
        box(f"## {advice.headline}\n{advice.what_to_do}")
        cautions()
    else:
        st.caption(f"{said_else}: {advice.headline}.")


def cautions() -> None:
    """Draw the cautions that belong beside a danger."""
    st.markdown(" ".join(wording.CAUTIONS[:2]))


def figures(title: str, digits: int = 0, *, signed: bool = False) -> Any:
    """Return a column of figures with so many digits."""
    return st.column_config.NumberColumn(title, format=f"%{'+' if signed else ''}.{digits}f")


def wide(title: str, width_px: int = 320) -> Any:
    """Return a column for sentences."""
    return st.column_config.TextColumn(title, width=width_px)


def moment(title: str, zone: str) -> Any:
    """Return a column of instants, shown in a time zone."""
    return st.column_config.DatetimeColumn(title, format="D MMM YYYY, HH:mm", timezone=zone)


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


def follow(run: desk.UpdateRun, place: Any = st) -> None:
    """Show in a place of the page how far an update is, and draw the page again at its end."""
    bar = place.progress(0.0, text="Starting")
    for step in run.steps():
        bar.progress(step.share, text=step.sentence)
    st.rerun()


def take_in(written: dict[str, Any], shop: Path, label: str, failed: str, key: str) -> bool:
    """Draw the button that takes in what was written, how far that is, or why it failed.

    The update is kept in `written["run"]`. Return whether it came to a good end.
    """
    run = written["run"]
    if run is not None and not run.is_over:
        follow(run)
    if run is not None and not run.error:
        return True
    if run is not None:
        st.error(failed)
        st.text(run.error)
        label = "Try again now"
    if not refusal("add") and st.button(label, type="primary", width="stretch", key=key):
        written["run"] = desk.start_update(shop)
        st.rerun()
    return False
