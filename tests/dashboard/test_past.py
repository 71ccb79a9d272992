"""Pages as of a day: the address asks, links carry it, every page says so."""

import datetime as dt
import json
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from tests.conftest import LittleShop

APP = Path(__file__).parents[2] / "dashboard" / "app.py"
FIRST = dt.datetime(2025, 6, 2, 9, 30, tzinfo=dt.UTC)


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    shop = LittleShop(tmp_path_factory.mktemp("past") / "shop")
    for number in (1, 2):
        shop.job(number)
        shop.update(now=FIRST + dt.timedelta(days=number))
    return shop


@pytest.fixture
def page(shop, monkeypatch):
    monkeypatch.setenv("ROLLBOOK_SHOP", str(shop.folder.root))
    return AppTest.from_file(str(APP), default_timeout=60)


def test_the_day_stands_in_the_address_on_every_page_until_it_is_left(page):
    page.query_params["as_of"] = "2025-06-03"
    page.run()
    assert "As it stood on 2025-06-03**: snapshot 1" in page.info[0].value
    page.switch_page("views/what_changed.py").run()
    assert page.query_params["as_of"] == "2025-06-03"
    assert "As it stood on 2025-06-03" in page.info[0].value
    page.sidebar.selectbox[0].set_value("now").run()
    assert "as_of" not in page.query_params
    page.switch_page("views/what_changed.py").run()
    assert "headline sentence" in page.markdown[0].value
    assert not page.exception


def test_a_day_that_cannot_be_told_is_refused_with_the_way_back(page):
    page.query_params["as_of"] = "2019-12-31"
    page.run()
    assert "History begins on 2025-06-03" in page.error[0].value
    page.button[-1].click().run()
    assert not page.error
    assert "as_of" not in page.query_params


def test_what_is_no_day_is_refused_and_not_taken_for_today(page):
    for text in ("2025-6-3", "last week", "[x](http://example.org)" + "9" * 9000):
        page.query_params["as_of"] = text
        page.run()
        assert not page.exception
        assert "is no day such as 2026-03-31" in page.error[0].value
        assert "](http" not in page.error[0].value
        assert len(page.error[0].value) < 200


def test_all_that_changed_stands_under_headings_that_say_what_it_is(page):
    page.query_params["since"] = "2025-06-03"
    page.run()
    page.switch_page("views/what_changed.py").run()
    assert not page.exception
    columns = json.loads(page.dataframe[0].proto.columns)
    labels = [columns[name]["label"] for name in page.dataframe[0].value.columns]
    assert labels == ["Sentence", "Of", "Why", "Then", "Now"]


def test_a_sheet_taken_from_a_past_page_says_that_it_is_of_today(page):
    for day, label in (("2025-06-03", "sheet of today"), ("", "sheet (PDF)")):
        page.query_params["as_of"] = day
        page.query_params["bike"] = "B-1"
        page.run()
        page.switch_page("views/bike.py").run()
        assert not page.exception
        papers = [one.proto.label for one in page.get("download_button")]
        assert any(label in one for one in papers)
        assert len([one for one in papers if "sheet" in one]) == 1
