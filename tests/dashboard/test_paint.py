"""The pages stay light: at ten years of a shop they send no more than a screen can use."""

import gc
import json
from pathlib import Path

import plotly.graph_objects as go
import plotly.io
import plotly.tools
import polars as pl
import pytest
from streamlit.testing.v1 import AppTest

from dashboard import kept_chart
from tests.bench.many_times import multiply
from tests.bench.visitor import Visitor, processor_s
from tests.dashboard.opened import open_page
from tests.pictures import PAGES, serving

APP = Path(__file__).resolve().parents[2] / "dashboard" / "app.py"
FILES = {"bring-in-a-job": "bring_in_job", "teach-a-layout": "teach_layout",
         "how-many-pulls": "plan_pulls"}  # fmt: skip
"""Views whose file has another name than their address."""
BIKES_AT_TEN_YEARS = 5_000
MOST_ELEMENTS = 400
"""A page of three screens has a hundred; thousands mean that a list was drawn row by row."""
MOST_KB = 1_000
"""Sent for a page that is opened: half a second on a shop's slow wireless (16 Mbit/s)."""
MOST_WARM_S, MOST_CHOICE_S = 0.100, 0.150
CAREFUL = 2.0
"""Another machine, or one with other work on it, may take twice as long."""


pytestmark = pytest.mark.usefixtures("closed_snapshots")


def _opened(shop: Path, path: str, monkeypatch: pytest.MonkeyPatch) -> AppTest:
    name, _, query = path.partition("?")
    view = FILES.get(name, name.replace("-", "_")) or "today"
    given = dict(pair.split("=") for pair in filter(None, query.split("&")))
    return open_page(view, shop, monkeypatch, **given)


# Lists


def _long_list() -> None:
    # A script of its own: it brings its imports along.
    import streamlit as st

    from dashboard import address

    options = [f"B-{no}" for no in range(1_000)]
    st.text(address.select("bike", "Bike", options))


def _list(asked: str = "") -> AppTest:
    app = AppTest.from_function(_long_list)
    if asked:
        app.query_params["bike"] = asked
    return app.run()


def test_a_long_list_sends_its_first_and_says_how_many_there_are():
    app = _list()
    assert app.selectbox[0].options == [f"B-{no}" for no in range(500)]
    assert app.selectbox[0].label == "Bike, the first 500 of 1,000"
    assert app.text[0].value == "B-0"


def test_one_far_down_a_long_list_is_chosen_by_the_address_and_left_again():
    app = _list("B-900")
    assert app.text[0].value == "B-900"
    assert app.selectbox[0].options[500:] == ["B-900"]
    app.selectbox[0].set_value("B-7").run()
    assert app.text[0].value == "B-7"
    assert app.query_params["bike"] == "B-7"
    assert len(app.selectbox[0].options) == 500


def test_an_address_that_names_nothing_in_a_long_list_is_passed_over():
    assert _list("B-9999").text[0].value == "B-0"


# Tables


def _long_table() -> None:
    import polars as pl

    from dashboard import pieces

    pieces.table(pl.DataFrame({"bike_id": [f"B-{no}" for no in range(4_930)]}), "bike_id")


def test_a_long_table_sends_its_first_rows_says_so_and_gives_all_away():
    app = AppTest.from_function(_long_table).run()
    assert app.dataframe[0].value.shape[0] == 500
    assert app.caption[0].value == "The first 500 of 4,930 rows. 4,430 more: take it away."
    assert len(app.get("download_button")) == 3


# Figures


def _sent(figure: go.Figure) -> str:
    given = plotly.tools.return_figure_from_figure_or_data(figure, validate_figure=True)
    return plotly.io.to_json(given, validate=False)


def test_a_kept_figure_goes_to_the_browser_as_plotly_itself_would_send_it():
    lines = pl.Series([1.0, 2.0, float("nan")])
    figure = go.Figure(
        {"data": [{"type": "scatter", "x": lines.to_numpy(), "y": [1, None, 3], "name": "<b>"}],
         "layout": {"height": 300, "shapes": [{"type": "line", "x0": 1, "x1": 2}]}}
    )  # fmt: skip
    ready, plain = kept_chart._Ready(figure), json.loads(_sent(figure))
    del plain["layout"]["template"]
    assert json.loads(_sent(ready)) == plain
    assert _sent(ready) == _sent(ready)


def _no_typed_arrays(value) -> bool:
    if isinstance(value, dict):
        return "bdata" not in value and all(map(_no_typed_arrays, value.values()))
    return not isinstance(value, list) or all(map(_no_typed_arrays, value))


@pytest.mark.parametrize("path", ["bike", "what-may-i-quote", "dyno-trust"])
def test_a_picture_tells_the_browser_that_its_second_drawing_holds_nothing_new(
    path, small_shop, monkeypatch
):
    # plotly.js redraws when `template` is another object or a data array another one; where there
    # is a `datarevision`, arrays go by that alone (plotly.js reference, layout.datarevision).
    app = _opened(small_shop, path, monkeypatch)
    sent = [json.loads(chart.proto.spec) for chart in app.get("plotly_chart")]
    assert sent
    for figure in sent:
        assert figure["layout"]["datarevision"]
        assert "template" not in figure["layout"]
        assert _no_typed_arrays(figure)


def test_a_picture_of_hundreds_of_stages_draws_the_surest_lean_and_says_so(small_shop, monkeypatch):
    monkeypatch.setattr(kept_chart, "MOST_LINES", 2)
    app = _opened(small_shop, "remap-need", monkeypatch)
    told = [caption.value for caption in app.caption if "surest lean of" in caption.value]
    assert told
    assert told[0].startswith("Drawn are the 2 surest lean of ")


def test_a_page_takes_the_libraries_out_of_the_collectors_rounds(small_shop, monkeypatch):
    _opened(small_shop, "", monkeypatch)
    assert gc.get_freeze_count() > 100_000


# Shops of every age


def test_every_page_stands_on_a_shop_with_one_job(shop_of_one_job, monkeypatch):
    for path in PAGES.values():
        _opened(shop_of_one_job.folder.root, path, monkeypatch)


@pytest.fixture(scope="module")
def shop_of_ten_years(small_shop, tmp_path_factory):
    return multiply(small_shop, tmp_path_factory.mktemp("ten") / "shop", BIKES_AT_TEN_YEARS)


@pytest.fixture(scope="module")
def server(shop_of_ten_years):
    with serving(shop_of_ten_years) as (at, process), Visitor(at) as first:
        first.open("find")
        yield at, process


@pytest.mark.long
@pytest.mark.parametrize("name", PAGES)
def test_a_page_of_ten_years_stands_is_short_and_quick(name, server):
    at, process = server
    with Visitor(at) as visitor:
        visitor.open(PAGES[name])
        kinds = [kind for kind, *_ in visitor.elements]
        assert "exception" not in kinds
        assert len(kinds) <= MOST_ELEMENTS
        assert visitor.received_bytes <= 1_000 * MOST_KB
        spent = []
        for _ in range(3):
            before = processor_s(process)
            visitor.run()
            spent.append(processor_s(process) - before)
        assert min(spent) <= CAREFUL * MOST_WARM_S
        choices = visitor.choices()
        for _, choice, fragment in choices[1:2]:
            before = processor_s(process)
            visitor.run(choice, fragment=fragment)
            assert processor_s(process) - before <= CAREFUL * MOST_CHOICE_S
