"""What a role may not do, no page does: not by its buttons, and not by what writes behind them."""

import ast
import datetime as dt
import shutil
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from dashboard import desk, hand_desk, intake_desk, note_desk, teach_desk, who
from dashboard.intake_desk import NotWrittenError
from dashboard.open_shop import OpenShop
from flows import sign_in
from schemas.people import OPEN_VARIABLE, ROLES, may
from schemas.settings import read_settings
from schemas.shop_note import ShopNote
from tests import pictures as screenshots
from warehouse.shop import ShopFolder
from warehouse.snapshot import current

DASHBOARD = Path(who.__file__).parent
APP = DASHBOARD / "app.py"


pytestmark = pytest.mark.usefixtures("closed_snapshots")


@pytest.fixture
def as_role(monkeypatch):
    """Let the server say who is there."""

    def set_role(role):
        monkeypatch.setenv(OPEN_VARIABLE, "1")
        monkeypatch.setattr(who, "role", lambda: role)
        monkeypatch.setattr(who, "who", lambda: "Lena")

    return set_role


def test_each_role_may_what_the_one_before_it_may_and_nobody_nothing():
    found = {(had, asked) for had in ROLES for asked in ROLES if may(had, asked)}
    assert found == {
        ("look", "look"),
        ("add", "look"), ("add", "add"),
        ("administer", "look"), ("administer", "add"), ("administer", "administer"),
    }  # fmt: skip
    assert not any(may(odd, "look") for odd in (None, "", "Look", "administer "))


def test_at_this_computer_everything_goes_and_behind_a_gate_nothing_without_its_word(monkeypatch):
    assert (who.who(), who.role()) == ("at this computer", "administer")
    monkeypatch.setenv(OPEN_VARIABLE, "1")
    assert who.role() is None
    assert who.refusal("look")


def files_of(folder):
    return {path: path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def test_nothing_is_written_for_who_may_only_look(small_shop, tmp_path, as_role):
    root = shutil.copytree(small_shop, tmp_path / "shop")
    shop = OpenShop(root, read_settings(root / "rollbook.toml"), current(root))
    note = ShopNote.model_validate({"job": "J-1", "on": dt.date(2026, 1, 2), "text": "heard"})
    before = files_of(root)
    as_role("look")
    inbox = ShopFolder(root).inbox
    for write in (
        lambda: intake_desk.write_job(inbox, "new", [], "job = 'J-9'"),
        lambda: note_desk.write_note(shop, note),
        lambda: note_desk.set_taken_back(shop, {"note_name": "x.toml"}, is_taken_back=True),
    ):
        with pytest.raises(NotWrittenError, match="may look, not add"):
            write()
    with pytest.raises(desk.DeskError, match="may look, not add"):
        desk.start_update(root)
    as_role("add")
    with pytest.raises(desk.DeskError, match="those who administer"):
        teach_desk.saved(root, "mine", "x")
    with pytest.raises(desk.DeskError, match="those who administer"):
        teach_desk.put_right(root, teach_desk.Standing(root / "x.toml", "x"), "y")
    assert files_of(root) == before


def test_whatever_in_the_pages_writes_asks_for_the_role_first():
    writers = {}
    for path in sorted(DASHBOARD.rglob("*.py")):
        if path.parent.name == "sheets":
            continue  # papers, started by commands; what a page gives away is made in memory
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for function in ast.walk(tree):
            if isinstance(function, ast.FunctionDef):
                called = [
                    node.func.id if isinstance(node.func, ast.Name) else node.func.attr
                    for node in ast.walk(function)
                    if isinstance(node, ast.Call)
                    and isinstance(node.func, ast.Name | ast.Attribute)
                ]
                if {"write_whole", "write_bytes", "write_text", "UpdateRun"} & set(called):
                    writers[f"{path.stem}.{function.name}"] = set(called)
    asks = {"must_be_allowed_to_add", "_must_be_allowed_to_teach", "refusal"}
    # A dropped file is laid down for a trial, in a folder of its own that goes with the page.
    unasked = {name for name, called in writers.items() if not called & asks}
    assert unasked == {"teach_layout.kept_upload"}
    assert len(writers) >= 6
    assert hand_desk.write_job is intake_desk.write_job


@pytest.mark.parametrize("role", ROLES)
def test_a_page_that_a_role_may_not_use_says_so_and_the_list_leaves_it_out(
    role, small_shop, monkeypatch, as_role
):
    monkeypatch.setenv("ROLLBOOK_SHOP", str(small_shop))
    as_role(role)
    app = AppTest.from_file(str(APP), default_timeout=60).run()
    for view, needed in (("bring_in_job", "add"), ("teach_layout", "administer")):
        app.switch_page(f"views/{view}.py").run()
        assert not app.exception
        assert bool(app.get("file_uploader")) == may(role, needed)
        assert any("our sign-in" in info.value for info in app.info) != may(role, needed)
    assert any(f"Signed in as Lena, may {role}" in said.value for said in app.sidebar.caption)


@pytest.mark.browser
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_sign_in_can_be_read_by_everybody_and_fits_a_phone(scheme):
    pytest.importorskip("playwright", reason="playwright is not installed")
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe is missing")
    if screenshots.browser_path() is None:
        pytest.skip("no Chromium on this PATH")
    from playwright.sync_api import sync_playwright

    told = '<p class="told" role="alert">Name or password is wrong.</p>'
    body = sign_in._FORM.substitute(told=told, action="/sign-in", word="x", name="Lena")
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(
            executable_path=screenshots.browser_path(), args=["--no-sandbox"]
        )
        page = chromium.new_page(viewport={"width": 390, "height": 800}, color_scheme=scheme)
        page.set_content(sign_in.page("Sign in", body, 200).body.decode())
        # WCAG 2.2 as axe-core tells it: all of it, not what is serious alone.
        assert axe.Axe().run(page).response["violations"] == []
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        assert page.get_by_label("Name").input_value() == "Lena"
        page.get_by_label("Password").fill("x")
        heights = [
            one.bounding_box()["height"] for one in page.locator("input:visible,button").all()
        ]
        assert min(heights) >= 44, "for a glove"
        chromium.close()
