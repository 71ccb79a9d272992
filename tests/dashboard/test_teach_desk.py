"""The desk behind "Teach a layout": from a guess and a form to a layout that reads the file."""

from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from dashboard import teach_desk
from dashboard.teach_desk import DeskError, corrected, drafted, saved, tried
from schemas.layout import Layout, read_layouts
from tests.conftest import pull_text

APP = str(Path(__file__).parents[2] / "dashboard" / "app.py")
ABOUT = {"name": "hall 2", "kind": "pull", "equipment": "dyno in hall 2"}


@pytest.fixture(scope="module")
def file(tmp_path_factory):
    path = tmp_path_factory.mktemp("file") / "pull.csv"
    path.write_text(pull_text(), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def guess(file):
    return drafted(file)


def rows(guess, **changes):
    return [
        {"name": c["name"], "channel": c["channel"], "unit": c["unit"]} | changes.get(c["name"], {})
        for c in guess["columns"]
    ]


def test_a_guess_left_as_it_is_is_a_layout(guess):
    tables = corrected(guess, ABOUT, rows(guess), {})
    layout = Layout.model_validate(tables)
    assert layout.name == "hall 2"
    assert set(layout.channels) == {
        "time", "engine_speed", "wheel_power", "lambda_wide", "throttle",
    }  # fmt: skip


def test_a_correction_counts_over_the_guess(guess):
    changes = {"wheel kW": {"unit": "PS"}, "lambda": {"channel": teach_desk.NOT_USED}}
    answers = {"power": "DIN 70020", "channels.lambda_wide.probe": "tailpipe"}
    tables = corrected(guess, ABOUT, rows(guess, **changes), answers)
    assert tables["channels"]["wheel_power"]["unit"] == "PS"
    assert "lambda_wide" not in tables["channels"]
    assert tables["power"] == {"state": "corrected", "standard": "DIN 70020"}
    assert "lambda" not in tables["recognise"]["columns"]


def test_an_answer_reaches_its_channel(guess):
    tables = corrected(guess, ABOUT, rows(guess), {"channels.lambda_wide.probe": "tailpipe"})
    assert tables["channels"]["lambda_wide"]["probe"] == "tailpipe"


def test_one_channel_on_two_columns_is_a_mistake_that_is_told(guess, file, shop):
    tables = corrected(guess, ABOUT, rows(guess, **{"opening %": {
        "channel": "lambda_wide"}}), {})  # fmt: skip
    answer = tried(file, tables, shop.folder.root)
    assert answer["tried"] is None
    assert any("again" in mistake for mistake in answer["mistakes"])


def test_a_trial_shows_the_curve_and_the_rivals(guess, file, shop):
    answer = tried(file, corrected(guess, ABOUT, rows(guess), {}), shop.folder.root)
    # The hump of pull_text is 50 kW at 7,500 rpm.
    assert max(answer["tried"]["curve"]["power_w"]) == pytest.approx(50_000, rel=0.01)
    # The shop's own plain-pull names four of these five columns: the new one wins.
    assert answer["rivals"] == []


def test_a_saved_layout_is_the_shops_and_no_other_is_overwritten(guess, file, shop):
    answer = tried(file, corrected(guess, ABOUT, rows(guess), {}), shop.folder.root)
    path = saved(shop.folder.root, "hall 2", answer["toml"])
    assert path.name == "hall-2.toml"
    names = [layout.name for layout in read_layouts(shop.folder.layouts)[0]]
    assert "hall 2" in names
    with pytest.raises(DeskError, match="another name"):
        saved(shop.folder.root, "hall 2", answer["toml"])


@pytest.mark.parametrize("name", ["../../evil", "a/b", "..", "con?*"])
def test_a_name_never_leads_out_of_the_layouts(guess, file, shop, name):
    path = saved(shop.folder.root, name, "x = 1\n")
    assert path.parent == shop.folder.layouts


def test_a_file_without_a_table_says_why(tmp_path):
    path = tmp_path / "words.txt"
    path.write_text("only words\nand more of them\n", encoding="utf-8")
    with pytest.raises(DeskError, match="no line of names"):
        drafted(path)


@pytest.mark.slow
def test_the_page_guesses_the_waiting_file_and_saves_its_layout(shop, make, monkeypatch):
    text = make.pull().replace("wheel kW", "Leistung [kW]").replace("crank rpm", "Drehzahl")
    shop.put("job/lauf.csv", text)
    shop.put("job/card.toml", make.card(stages=[make.stage(pulls=["lauf.csv"])]))
    shop.update()
    monkeypatch.setenv("ROLLBOOK_SHOP", str(shop.folder.root))
    page = AppTest.from_file(APP, default_timeout=90).run()
    page.switch_page("views/teach_layout.py").run()
    assert not page.exception
    assert page.button(key="teach_save").disabled
    name = next(field for field in page.text_input if field.label == "Name of the layout")
    name.set_value("hall 3").run()
    assert not page.exception
    page.button(key="teach_save").click().run()
    assert (shop.folder.layouts / "hall-3.toml").is_file()
    assert any("Saved" in said.value for said in page.success)
    shop.update()
    assert shop.outcome("job/lauf.csv").state == "taken in"


def test_the_page_says_when_nothing_waits(shop, make, monkeypatch):
    shop.job(1)
    shop.update()
    monkeypatch.setenv("ROLLBOOK_SHOP", str(shop.folder.root))
    page = AppTest.from_file(APP, default_timeout=60).run()
    page.switch_page("views/teach_layout.py").run()
    assert not page.exception
    assert any("No file waits" in said.value for said in page.info)
