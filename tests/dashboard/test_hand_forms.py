"""A pull is set aside and taken back where it is looked at, in few clicks."""

import time

import pytest
from streamlit.testing.v1 import AppTest

from dashboard.open_shop import SHOP_VARIABLE

pytestmark = pytest.mark.usefixtures("commands_here")


def pulls_of_a_job():
    from dashboard.hand_forms import set_aside_form
    from dashboard.open_shop import open_shop

    shop = open_shop()
    set_aside_form(shop, "J-1", shop.ask("pulls", stage_ids=["J-1/1", "J-1/2"]))


@pytest.fixture
def shop(shop_of_one_job, monkeypatch):
    monkeypatch.setenv(SHOP_VARIABLE, str(shop_of_one_job.folder.root))
    return shop_of_one_job


def button(app, label):
    return next(one for one in app.button if one.label == label)


def settled(app):
    """Run the page again until the update that it started is over."""
    ends = time.monotonic() + 90
    while time.monotonic() < ends:
        if any("Done:" in one.value for one in app.success):
            return app
        time.sleep(0.2)
        app.run()
    raise AssertionError([one.value for one in app.error])


def counted(shop):
    found = shop.rows("SELECT file_name, is_used FROM out.pull")
    return {name for name, is_used in found if is_used}


def test_a_pull_is_set_aside_and_taken_back_on_a_page_and_the_figures_follow(shop):
    app = AppTest.from_function(pulls_of_a_job, default_timeout=60).run()
    # A pull, the reason, the button: two clicks on this page.
    app.button_group[0].set_value("s1_2.csv").run()
    next(one for one in app.text_input if one.label.startswith("Why")).set_value("the belt slipped")
    button(app, "Set this pull aside").click().run()
    settled(app)
    assert counted(shop) == {"s1_1.csv", "s2_1.csv", "s2_2.csv"}
    assert any("the belt slipped" in one.value for one in app.markdown)
    button(app, "Take it back").click().run()
    settled(app)
    assert counted(shop) == {"s1_1.csv", "s1_2.csv", "s2_1.csv", "s2_2.csv"}


def test_without_a_reason_nothing_is_written_and_the_page_says_why(shop):
    before = (shop.folder.inbox / "job 1" / "card.toml").read_bytes()
    app = AppTest.from_function(pulls_of_a_job, default_timeout=60).run()
    app.button_group[0].set_value("s1_2.csv").run()
    button(app, "Set this pull aside").click().run()
    assert "for a reason" in app.error[0].value
    assert (shop.folder.inbox / "job 1" / "card.toml").read_bytes() == before
