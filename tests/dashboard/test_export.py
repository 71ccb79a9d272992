"""What pages give away: made only on a click, what the page shows, and what it is of."""

import io
from pathlib import Path
from xml.etree import ElementTree as ET

import openpyxl
import polars as pl
import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

from dashboard import export, on_page
from dashboard.drawing import Chart, Line, Panel
from dashboard.look import DARK, LIGHT
from tests.dashboard.opened import open_page
from warehouse import snapshot, takeaway
from warehouse.titles import COLUMNS

APP = Path(__file__).resolve().parents[2] / "dashboard" / "app.py"


pytestmark = pytest.mark.usefixtures("closed_snapshots")


@pytest.fixture
def given(small_shop, monkeypatch):
    """Return what the page on remap need gives away: names of files, and what makes each."""
    found: list[tuple[str, object]] = []
    kept = st.download_button

    def keep(label, data, **how):
        if str(how.get("key", "")).startswith("take "):
            found.append((how["file_name"], data))
        return kept(label, data, **how)

    monkeypatch.setattr(export.st, "download_button", keep)
    open_page("remap_need", small_shop, monkeypatch)
    return found


def _first(given, ending: str) -> bytes:
    return next(make for name, make in given if name.endswith(ending))().read()


def test_every_longer_table_can_be_taken_away_in_three_kinds_and_every_picture_as_a_drawing(given):
    endings = [Path(name).suffix for name, _ in given]
    assert endings.count(".csv") == endings.count(".xlsx") == endings.count(".parquet") >= 1
    assert ".svg" in endings


def test_nothing_is_made_before_somebody_clicks(small_shop, monkeypatch):
    def never(*_, **__):
        raise AssertionError("made without a click")

    for name in ("as_csv", "as_xlsx", "as_parquet"):
        monkeypatch.setattr(takeaway, name, never)
    monkeypatch.setattr(export, "drawing", never)
    open_page("remap_need", small_shop, monkeypatch)


def test_what_is_taken_away_is_what_the_page_shows_in_its_units(given, small_shop):
    shown = pl.read_csv(io.BytesIO(_first(given, ".csv")))
    published = pl.read_parquet(io.BytesIO(_first(given, ".parquet")))
    assert shown.height == published.height >= export.LEAST_ROWS
    names = [name for name in published.columns if COLUMNS[name].times == 100]
    assert names
    for name in names:
        # The page shows shares in percent; the store keeps them from 0 to 1.
        ours = [None if one is None else 100 * one for one in published[name]]
        assert shown[COLUMNS[name].title].to_list() == pytest.approx(ours)
        assert (published[name].drop_nulls() <= 1).all()


def test_a_spreadsheet_from_a_page_says_which_shop_and_snapshot_it_is_of(given, small_shop):
    book = openpyxl.load_workbook(io.BytesIO(_first(given, ".xlsx")))
    told = dict(row[:2] for row in book["About"].iter_rows(values_only=True))
    assert told["Shop"] == "Test shop"
    number = snapshot.current(small_shop).number
    # Published 2026-06-27 18:30 UTC; Vienna is then two hours ahead.
    assert told["Snapshot"] == f"{number}, published 27 Jun 2026, 20:30"
    assert told["Reference air"] == "SAE J1349"


def test_streamlits_own_csv_which_holds_cells_as_they_are_is_off():
    text = (APP.parent / ".streamlit" / "config.toml").read_text(encoding="utf-8")
    assert "disableDataExport = true" in text


def test_two_tables_alike_on_one_page_can_both_be_taken_away():
    def page():
        import polars as pl

        from dashboard import pieces

        frame = pl.DataFrame({"bike_id": [f"B-{at}" for at in range(9)]})
        pieces.table(frame)
        pieces.table(frame)

    app = AppTest.from_function(page).run()
    assert not app.exception
    assert len(app.get("download_button")) == 6


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
def test_a_picture_keeps_the_ground_that_its_colours_are_for(palette):
    panel = Panel("Power [kW]", [Line([1, 2], [3, 4], palette.after, "a < b")])
    chart = Chart([panel], "Speed [rpm]", palette, 200, "Power <over> speed")
    root = ET.fromstring(export.drawing(chart))  # noqa: S314 our own file
    ground = next(iter(root))
    assert ground.tag.endswith("rect")
    assert ground.attrib["fill"] == palette.paper
    assert on_page.figure(chart)["layout"]["paper_bgcolor"] == palette.paper


def test_a_picture_is_made_by_the_browser_alone_at_twice_its_size():
    config = export.picture_config("dyno_trust_level")
    assert config["modeBarButtons"] == [["toImage"]]
    wanted = {"format": "png", "filename": "rollbook-dyno-trust-level", "scale": 2}
    assert config["toImageButtonOptions"] == wanted
