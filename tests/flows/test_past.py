"""What stood on a day, in the terminal and in a review; why it changed; and history in a backup."""

import datetime as dt
import re

import pytest

from dashboard.sheets.review import write_review
from flows.backup import back_up
from flows.restore import restore
from flows.steps.progress import quietly
from tests.conftest import LittleShop, card_text, command_line, part, stage_text
from warehouse import history, sentences, touched
from warehouse.snapshot import current, open_reader

FIRST = dt.datetime(2025, 6, 2, 9, 30, tzinfo=dt.UTC)
DAY = "2025-06-02"


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """Make a shop of two days: on the second a job came in and a card was corrected."""
    shop = LittleShop(tmp_path_factory.mktemp("past") / "shop")
    shop.job(1)
    shop.job(2, bike="B-2", model="Tour 900", cc=900)
    shop.update(now=FIRST)
    shop.as_it_was = [path.read_bytes() for path in write_review(shop.folder.root)]
    shop.job(3, levels=(1.0, 1.2))
    stages = [
        stage_text("stage 1", ["s1_1.csv", "s1_2.csv"]),
        stage_text("stage 2", ["s2_1.csv", "s2_2.csv"], parts=[part("airbox")]),
    ]
    text = card_text("J-2", stages, bike="B-2", model="Tour 900", cc=900)
    shop.put("job 2/card.toml", text)
    shop.update(now=FIRST + dt.timedelta(days=40))
    return shop


def test_the_review_of_a_day_comes_out_byte_for_byte_as_on_that_day(shop):
    now = [path.read_bytes() for path in write_review(shop.folder.root)]
    assert now != shop.as_it_was
    then = write_review(shop.folder.root, day=FIRST.date())
    assert [path.read_bytes() for path in then] == shop.as_it_was
    assert then[0].name.endswith(f"-as-of-{DAY}.pdf")


def test_of_a_correction_and_a_new_job_the_nearer_one_is_the_cause(shop):
    causes = history.why_changed(shop.folder.root, FIRST.date())
    # Its own card, its own files; and a ranking by model, to which either came alone.
    assert causes["stage", "J-2/2"] == "corrected card"
    assert causes["gain", "J-2/1 → J-2/2"] == "corrected card"
    assert causes["stage", "J-3/1"] == "new evidence"
    with open_reader(current(shop.folder.root).path) as reader:
        needs = reader.execute("SELECT need_id, model_id FROM out.remap_need").fetchall()
    of_model = {(model, causes.get(("need_member", need))) for need, model in needs}
    assert {why for model, why in of_model if "Strada" in model} == {"new evidence"}
    of_tour = {why for model, why in of_model if "Tour" in model}
    assert of_tour - {None} == {"corrected card"}


def test_answers_of_a_day_know_nothing_of_later_jobs(shop):
    code, said = command_line("find", shop.folder.root, "B-3", "--as-of", DAY)
    assert (code, "Nothing fits" in said) == (1, True)
    code, said = command_line("answers", shop.folder.root, "--as-of", DAY)
    assert code == 0
    assert f"As it stood on {DAY}: snapshot 1" in said
    assert command_line("job", shop.folder.root, "J-2", "--as-of", DAY)[1].count("silencer") >= 1
    assert command_line("job", shop.folder.root, "J-2")[1].count("airbox") >= 1


def test_what_changed_is_told_then_and_now_with_the_card_or_job_behind_it(shop):
    code, said = command_line("changed", shop.folder.root, DAY, "--full")
    assert code == 0
    assert "headline sentences changed" in said
    # To Tour 900 only J-2's card came, to Strada 690 only J-3; a quote for any model hangs on both.
    assert re.search(
        r"remap need: \w+ Tour 900.{,60} why corrected card of J-2 \(bike B-2\) then", said
    )
    assert re.search(r"map: \w+ Strada 690.{,60} why new evidence of J-3 \(bike B-3\) then", said)
    assert (
        "another model, silencer, map untouched why corrected card of J-2 (bike B-2), else" in said
    )
    assert "New, gain: J-3, " in said
    assert re.search(r"Gone, remap need: \w+ Tour 900.{,20}, silencer", said)


def test_a_changed_setting_is_named_with_both_its_values():
    was, is_now = (
        {"a.b": "1.5", "long": '"x"', "same": "1"},
        {"a.b": "2.0", "long": f'"{"y" * 99}"'},
    )
    told = touched._settings(was, is_now | {"same": "1"})
    assert told == ["a.b 1.5 → 2", "long"]
    note = touched.Touched([], told).note("changed setting", touched.Owner())
    assert sentences.said(note) == "changed setting long and a.b 1.5 → 2"
    # What cannot be named is said by its kind alone.
    assert touched.Touched([], []).note("changed setting", touched.Owner()) is None


def test_a_day_before_history_or_no_day_gets_a_plain_answer(shop):
    code, said = command_line("answers", shop.folder.root, "--as-of", "2019-01-01")
    assert (code, said) == (
        1, "history begins on 2025-06-02 11:30: what stood on 2019-01-01 cannot be told",
    )  # fmt: skip
    code, said = command_line("answers", shop.folder.root, "--as-of", "")
    assert code == 2
    assert "name a day such as 2026-03-31" in said
    assert command_line("changed", shop.folder.root, "yesterday") == (
        1, "'yesterday' is no day such as 2026-03-31",
    )  # fmt: skip


def test_a_day_that_has_not_come_is_not_told_as_if_it_stood(shop):
    code, said = command_line("answers", shop.folder.root, "--as-of", "2199-01-01")
    assert (code, said) == (
        1, "2199-01-01 has not come yet: leave the day out for what stands now",
    )  # fmt: skip


@pytest.mark.long
def test_a_restored_shop_still_tells_the_days_before(shop, tmp_path):
    back_up(shop.folder, tmp_path / "backups", FIRST, quietly)
    restore(tmp_path / "backups", tmp_path / "again", None, quietly)
    again = LittleShop(tmp_path / "again")
    again.update(now=FIRST + dt.timedelta(days=50))
    with open_reader(history.as_of(again.folder.root, FIRST.date()).path) as reader:
        jobs = reader.execute("SELECT DISTINCT job_id FROM out.stage ORDER BY 1").fetchall()
    assert jobs == [("J-1",), ("J-2",)]
