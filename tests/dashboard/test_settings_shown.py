"""Pages, sheets and terminal go by the snapshot's settings, whatever rollbook.toml says now."""

from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

import dashboard
from dashboard.open_shop import SHOP_VARIABLE
from dashboard.settings_shown import in_force
from dashboard.sheets.review import write_review
from tests.conftest import SETTINGS, command_line
from warehouse.snapshot import current

APP = Path(dashboard.__file__).with_name("app.py")


@pytest.fixture
def shop(shop_of_one_job):
    return shop_of_one_job


def rewrite(shop, more):
    shop.folder.settings.write_text(SETTINGS + more, encoding="utf-8")


def page(shop, monkeypatch):
    monkeypatch.setenv(SHOP_VARIABLE, str(shop.folder.root))
    app = AppTest.from_file(APP, default_timeout=30).run()
    assert not app.exception
    return app


def held(shop):
    return in_force(shop.folder.root, current(shop.folder.root))


def test_a_level_changed_without_an_update_is_shown_as_published_and_told(shop, monkeypatch):
    rewrite(shop, "[mixture]\nwarn_pct = 14.0\n")
    assert held(shop).settings.mixture.warn_pct == 10.0
    warnings = [warning.value for warning in page(shop, monkeypatch).warning]
    assert any("warn\\_pct 10 → 14" in w and "Run an update" in w for w in warnings)


def test_a_unit_changed_without_an_update_is_that_of_the_snapshot_until_published(shop):
    with shop.folder.settings.open("a", encoding="utf-8") as settings:
        settings.write('[show]\npower = "PS"\n')
    assert held(shop).settings.show.power == "kW"
    assert "show.power kW → PS" in held(shop).told
    code, said = command_line("update", shop.folder.root)
    assert code == 0, said
    assert (held(shop).settings.show.power, held(shop).told) == ("PS", "")


@pytest.mark.parametrize("slip", ['[show]\npower = "horses"\n', "[mixture\n", None])
def test_a_slip_in_the_settings_stops_no_page(slip, shop, monkeypatch):
    if slip is None:
        shop.folder.settings.unlink()
    else:
        rewrite(shop, slip)
    app = page(shop, monkeypatch)
    assert not app.error
    assert any("Figures are those of the last publish" in one.value for one in app.warning)
    assert "Little shop" in [one.value for one in app.sidebar.subheader]


def test_a_slip_in_the_settings_stops_neither_the_answers_nor_the_review(shop):
    rewrite(shop, '[show]\npower = "horses"\n')
    code, said = command_line("answers", shop.folder.root)
    assert code == 0
    assert "Figures are those of the last publish" in " ".join(said.split())
    assert all(path.is_file() for path in write_review(shop.folder.root))


@pytest.mark.own_process
@pytest.mark.parametrize("command", [("review",), ("morning",), ("sheet", "J-1")])
def test_a_slip_in_the_settings_stops_no_paper(shop, command):
    # Bug: the review and the morning file asked the file of this minute first.
    rewrite(shop, '[show]\npower = "horses"\n')
    name, *more = command
    code, said = command_line(name, shop.folder.root, *more)
    assert code == 0, said
    assert "ritten: " in said


def test_when_the_work_is_done_and_who_does_it_is_no_change_of_the_figures(shop):
    rewrite(shop, '[schedule]\nintake_minutes = 60\n[scale]\nscheduler = "tcp://10.0.0.1:8786"\n')
    assert held(shop).told == ""


def test_a_fuel_told_anew_is_named(shop):
    rewrite(shop, '[[fuel]]\nname = "E20"\nethanol_volume_share = 0.2\n')
    assert "fuel nothing → 1 told" in held(shop).told
