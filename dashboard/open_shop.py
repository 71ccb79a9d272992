"""Opens the shop's published snapshot for one run of a page, and remembers its answers."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import streamlit as st

from dashboard import export, past
from dashboard.look import DARK, LIGHT, Limits, Look
from dashboard.settings_shown import in_force
from schemas.settings import ShopSettings
from schemas.units import shown_power
from warehouse import takeaway, wording
from warehouse.damage import DamagedError, first_line, is_damage
from warehouse.find import Group, Index, find
from warehouse.fuel_table import FuelTable, read_fuel_table
from warehouse.history import HistoryError
from warehouse.questions import ask
from warehouse.quote import Quote, read_quote
from warehouse.shop import NewerShopError, ShopFolder
from warehouse.snapshot import Snapshot, open_reader
from warehouse.why import Why, read_why

SHOP_VARIABLE = "ROLLBOOK_SHOP"


@dataclass(frozen=True)
class OpenShop:
    """One shop at one snapshot: every answer of a page comes from the same one."""

    folder: Path
    settings: ShopSettings
    snapshot: Snapshot

    def ask(self, question: str, **given: Any) -> pl.DataFrame:
        """Return the answer to one of the questions in warehouse/questions."""
        with _told_if_damaged():
            return _answer(str(self.snapshot.path), question, given)

    def fuel_table(self, stage_id: str) -> FuelTable:
        """Return the suggested fuel change of a stage."""
        with _told_if_damaged():
            return _fuel_table(str(self.snapshot.path), stage_id)

    def quote(self, model_id: str, model_label: str, change_key: str, figure: str) -> Quote:
        """Return what may be quoted for a model and a change."""
        with _told_if_damaged():
            return _quote(str(self.snapshot.path), model_id, model_label, change_key, figure)

    def why(self, figure: str) -> Why:
        """Return what stands behind a figure, by its address or by its kind and key."""
        with _told_if_damaged(), _reader(str(self.snapshot.path)).cursor() as cursor:
            return read_why(cursor, figure, self.settings)

    def find(self, asked: str) -> list[Group]:
        """Return what fits a few words, in groups, the best first."""
        path = str(self.snapshot.path)
        with _told_if_damaged(), _reader(path).cursor() as cursor:
            return find(cursor, _index(path), asked)

    def look(self) -> Look:
        """Return how charts should look: the shop's units, the reader's light or dark theme."""
        return look_of(self.settings)

    def power_at(self, *, is_corrected: bool = True) -> str:
        """Return what air a power is stated at."""
        air = self.settings.figures.reference_air
        return wording.power_at(air, is_corrected=is_corrected)

    def power(self, power_w: float | None) -> str:
        """Return a power in the unit that the shop chose."""
        unit = self.settings.show.power
        shown = None if power_w is None else shown_power(power_w, unit)
        return f"{wording.number(shown, 1)} {unit}"

    def mixture_of(self, stage_id: str) -> dict[str, Any] | None:
        """Return how the full-throttle mixture of a stage stands, if it is known."""
        return next(iter(self.ask("stage_mixtures", stage_ids=[stage_id]).to_dicts()), None)

    def advice(self, stage_id: str) -> wording.Advice:
        """Return whether it is safe to keep pulling at a stage."""
        return wording.advice(self.mixture_of(stage_id))

    def limits(self) -> Limits:
        """Return the shop's lean levels."""
        mixture = self.settings.mixture
        return Limits(mixture.notice_pct, mixture.warn_pct, mixture.stop_pct)


def look_of(settings: ShopSettings) -> Look:
    """Return how charts of a shop should look, also before anything is published."""
    return Look(
        palette=DARK if st.context.theme.type == "dark" else LIGHT,
        power_unit=settings.show.power,
        mixture=settings.show.mixture,
        afr_scale=settings.show.afr_scale,
    )


def shop_folder() -> Path:
    """Return the folder of the shop that the pages show."""
    return Path(os.environ.get(SHOP_VARIABLE) or Path.cwd())


def standing() -> tuple[ShopSettings | None, Snapshot | None]:
    """Return the settings shown and the snapshot, None where one cannot be read, for the frame."""
    folder = shop_folder()
    snapshot = None
    with contextlib.suppress(DamagedError, HistoryError, NewerShopError):
        snapshot = past.shown(folder)
    return in_force(folder, snapshot).settings, snapshot


def open_shop() -> OpenShop:
    """Return the shop for this run of the page; say what to do and stop when there is none."""
    folder = shop_folder()
    with _told_if_damaged():
        try:
            snapshot = past.shown(folder)
        except HistoryError as why:
            past.refuse(why)
            raise
    held = in_force(folder, snapshot)
    if held.settings is None and not ShopFolder(folder).exists():
        st.warning("This folder holds no shop yet: it has no rollbook.toml.")
        _commands()
        st.stop()
    if held.settings is None:
        st.error("The shop's settings have mistakes. Put them right in rollbook.toml:")
        st.text(held.mistakes)
        st.stop()
    if snapshot is None:
        st.info("Nothing is published yet. Begin on one of these two pages:")
        with st.container(horizontal=True):
            st.page_link("views/bring_in_job.py", label="Bring in a job: a bike and its files")
            st.page_link("views/teach_layout.py", label="Teach a layout: how a file is read")
        st.caption(
            "What lies in the inbox is taken in by itself while `rollbook serve` runs, and stands "
            "here soon after. Without it, in a terminal:"
        )
        _commands()
        st.stop()
    with _told_if_damaged():
        _reader(str(snapshot.path))
    zone, air = held.settings.shop.timezone, held.settings.figures.reference_air
    which = takeaway.which_snapshot(snapshot.number, snapshot.published_at, zone)
    # What is taken away says what it is of, also when the page has gone on to another snapshot.
    st.session_state[export.SHOWN] = takeaway.About(held.settings.shop.name, which, air, zone)
    return OpenShop(folder, held.settings, snapshot)


@contextlib.contextmanager
def _told_if_damaged() -> Iterator[None]:
    """Stop the page with a sentence where the snapshot is damaged; a block shows when read."""
    try:
        yield
    except NewerShopError as error:
        st.error(str(error))
        st.stop()
    except (DamagedError, duckdb.Error) as error:
        if not isinstance(error, DamagedError) and not is_damage(error):
            raise
        st.error("The published snapshot is lost or damaged. Nothing else is; publish it again:")
        st.code("rollbook update DIR", language=None)
        st.text(first_line(error))
        st.stop()


def _commands() -> None:
    st.code("rollbook update DIR", language=None)
    st.text("DIR is the shop's folder.")


# A snapshot's file never changes, so its path is all that an answer depends on.
@st.cache_resource(max_entries=3, show_spinner=False, on_release=lambda reader: reader.close())
def _reader(path: str) -> duckdb.DuckDBPyConnection:
    return open_reader(Path(path))


@st.cache_resource(max_entries=2, show_spinner=False)
def _index(path: str) -> Index:
    with _reader(path).cursor() as cursor:
        return Index(cursor)


# Kept as they are and not as copies: nothing changes a frame of polars in its place.
@st.cache_resource(max_entries=256, show_spinner=False)
def _answer(path: str, question: str, given: dict[str, Any]) -> pl.DataFrame:
    with _reader(path).cursor() as cursor:
        return ask(cursor, question, **given)


@st.cache_data(max_entries=32, show_spinner=False)
def _fuel_table(path: str, stage_id: str) -> FuelTable:
    with _reader(path).cursor() as cursor:
        return read_fuel_table(cursor, stage_id)


@st.cache_data(max_entries=32, show_spinner=False)
def _quote(path: str, model_id: str, model_label: str, change_key: str, figure: str) -> Quote:
    with _reader(path).cursor() as cursor:
        return read_quote(cursor, model_id, model_label, change_key, figure)
