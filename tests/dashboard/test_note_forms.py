"""A note is written and taken back where the bike is looked at, and nobody's words are lost."""

import datetime as dt
import threading
import time

import pytest
from streamlit.testing.v1 import AppTest

from dashboard import note_desk
from dashboard.intake_desk import NotWrittenError
from dashboard.open_shop import SHOP_VARIABLE, OpenShop
from schemas.shop_note import NOTES_FOLDER, ShopNote, read_shop_note
from warehouse.snapshot import current

pytestmark = pytest.mark.usefixtures("commands_here", "closed_snapshots")

HOSTILE = '"""\n[job]\n\x1b[31m <script>alert(1)</script> **b** \u202eabc'


def story_of_a_job():
    import polars as pl

    from dashboard.note_forms import notes
    from dashboard.open_shop import open_shop
    from dashboard.story.one_job import OneJob

    shop = open_shop()
    bike = shop.ask("bikes").row(0, named=True)
    jobs = shop.ask("jobs_of_bike", bike_id=bike["bike_id"])
    stages = shop.ask("stages_of_job", job_id="J-1").to_dicts()
    notes(OneJob(shop, bike, jobs.row(0, named=True), jobs, stages, pl.DataFrame()))


@pytest.fixture
def shop(shop_of_one_job, monkeypatch):
    monkeypatch.setenv(SHOP_VARIABLE, str(shop_of_one_job.folder.root))
    return shop_of_one_job


def opened(shop):
    return OpenShop(shop.folder.root, shop.settings, current(shop.folder.root))


def files_of(shop):
    return sorted((shop.folder.inbox / NOTES_FOLDER).glob("*"))


def note(text="the belt slips", **about):
    return ShopNote(on=dt.date(2026, 3, 14), text=text, **about or {"job": "J-1"})


def button(app, label):
    return next(one for one in app.button if one.label == label)


def settled(app):
    ends = time.monotonic() + 90
    while time.monotonic() < ends:
        if any("Done:" in one.value for one in app.success):
            return app
        time.sleep(0.2)
        app.run()
    raise AssertionError([one.value for one in app.error])


def said(app):
    return "\n".join(one.value for one in app.markdown)


def test_a_note_is_written_shown_at_once_taken_in_and_taken_back_on_a_page(shop):
    app = AppTest.from_function(story_of_a_job, default_timeout=60).run()
    about = app.selectbox[0]
    assert any("S2 slip-on on any bike" in one for one in about.options)
    about.set_value(next(one for one in about.options if one.startswith("Stage 2")))
    app.text_area[0].set_value("the belt slips")
    app.text_input[0].set_value("mk")
    button(app, "Write this note").click().run()
    assert "the belt slips" in said(app)
    settled(app)
    assert app.text_area[0].value == ""
    assert ", mk, stage 2 \\(stage 2\\):** the belt slips" in said(app)
    assert shop.rows("SELECT stage_id FROM out.shop_note_stage") == [("J-1/2",)]
    button(app, "Take it back").click().run()
    settled(app)
    ends = time.monotonic() + 30
    while "the belt slips" in said(app) and time.monotonic() < ends:
        app.run()
    assert "the belt slips" not in said(app)
    assert shop.rows("SELECT note_text, is_taken_back FROM out.shop_note") == [
        ("the belt slips", True)
    ]


def test_without_words_nothing_is_written_and_the_page_says_so(shop):
    app = AppTest.from_function(story_of_a_job, default_timeout=60).run()
    app.text_area[0].set_value("  \n ")
    button(app, "Write this note").click().run()
    assert "needs its words" in app.error[0].value
    assert files_of(shop) == []


def test_notes_written_at_one_moment_are_all_kept(shop):
    seen = opened(shop)
    texts = [f"note {number}" for number in range(40)]
    hands = [
        threading.Thread(target=note_desk.write_note, args=(seen, note(text))) for text in texts
    ]
    for hand in hands:
        hand.start()
    for hand in hands:
        hand.join()
    found = [read_shop_note(path.read_text("utf-8"), path.name).text for path in files_of(shop)]
    assert sorted(found) == sorted(texts)
    shop.take_in()
    assert shop.rows("SELECT count(*) FROM out.shop_note") == [(40,)]


def test_hostile_words_are_kept_letter_for_letter(shop):
    note_desk.write_note(opened(shop), note(HOSTILE))
    shop.take_in()
    assert shop.rows("SELECT note_text FROM out.shop_note") == [(HOSTILE,)]


def rows_of(shop):
    return note_desk.notes_of_job(opened(shop), "J-1", lambda one: one.job == "J-1")


def test_what_lies_in_the_inbox_is_shown_before_it_is_taken_in_and_once_after(shop):
    note_desk.write_note(opened(shop), note())
    note_desk.write_note(opened(shop), note(job="J-2"))
    (shop.folder.inbox / NOTES_FOLDER / "broken.toml").write_text("no note", encoding="utf-8")
    assert [(row["note_text"], row["is_waiting"]) for row in rows_of(shop)] == [
        ("the belt slips", True)
    ]
    shop.show()
    assert [(row["note_text"], row["is_waiting"]) for row in rows_of(shop)] == [
        ("the belt slips", False)
    ]


def test_a_note_taken_back_after_the_inbox_was_tidied_is_written_anew(shop):
    note_desk.write_note(opened(shop), note(HOSTILE, job="J-1", stage=2))
    shop.show()
    files_of(shop)[0].unlink()
    note_desk.set_taken_back(opened(shop), rows_of(shop)[0], is_taken_back=True)
    shop.show()
    assert [(row["note_text"], row["is_taken_back"]) for row in rows_of(shop)] == [(HOSTILE, True)]
    note_desk.set_taken_back(opened(shop), rows_of(shop)[0], is_taken_back=False)
    shop.show()
    assert [row["is_taken_back"] for row in rows_of(shop)] == [False]


def test_a_note_that_somebody_changed_meanwhile_is_not_written_over(shop):
    note_desk.write_note(opened(shop), note())
    shop.show()
    row = rows_of(shop)[0]
    path = files_of(shop)[0]
    theirs = path.read_text("utf-8") + "# mine\n"
    path.write_text(theirs, encoding="utf-8")
    with pytest.raises(NotWrittenError, match="not taken in yet"):
        note_desk.set_taken_back(opened(shop), row, is_taken_back=True)
    assert path.read_text("utf-8") == theirs


def test_a_comment_beside_a_note_stays_when_it_is_taken_back(shop):
    note_desk.write_note(opened(shop), note())
    path = files_of(shop)[0]
    path.write_text("# ask the maker\n" + path.read_text("utf-8"), encoding="utf-8")
    shop.show()
    note_desk.set_taken_back(opened(shop), rows_of(shop)[0], is_taken_back=True)
    assert "# ask the maker" in path.read_text("utf-8")


def test_nothing_is_written_through_a_link(shop, tmp_path):
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (shop.folder.inbox / NOTES_FOLDER).symlink_to(elsewhere)
    with pytest.raises(NotWrittenError, match="is a link"):
        note_desk.write_note(opened(shop), note())
    assert list(elsewhere.iterdir()) == []


@pytest.mark.parametrize("name", ["../out.toml", "/out.toml", "a/b.toml"])
def test_a_name_that_leads_elsewhere_is_refused(shop, name):
    row = {"note_name": name, "file_sha256": "x"}
    with pytest.raises(NotWrittenError, match="no note of this inbox"):
        note_desk.set_taken_back(opened(shop), row, is_taken_back=True)
