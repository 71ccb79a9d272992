"""The journal of hands: every act has its line, and the shop of any day comes back by it."""

import contextlib
import datetime as dt
import hashlib
import json
import os
import shutil
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from typer.testing import CliRunner

from dashboard import acts_shown, hand_desk, note_desk, teach_desk
from dashboard.open_shop import OpenShop
from flows.backup import back_up
from flows.backup_folder import BackupError
from flows.cli import app
from flows.people import People
from flows.remake import remake
from flows.restore import moment, restore
from flows.steps.progress import quietly
from flows.steps.selfcheck import self_check
from flows.terminal import console
from schemas.shop_note import ShopNote
from tests.conftest import LittleShop, command_line
from warehouse import acts, store
from warehouse.snapshot import current

JOURNAL = acts.journal
DAYS = [dt.datetime(2026, 5, day, 15, tzinfo=dt.UTC) for day in (4, 5, 6, 7)]


def written(shop):
    found, bad = acts.entries_of(acts.journal(shop.folder))
    assert not bad
    return found


def told(shop):
    return [(one["code"], one["about"].rpartition("/")[2], one["person"]) for one in written(shop)]


def card(shop):
    return shop.folder.inbox / "job 1" / "card.toml"


def changed(path, old, new):
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def opened(shop):
    return OpenShop(shop.folder.root, shop.settings, current(shop.folder.root))


@pytest.fixture(scope="module")
def lived(tmp_path_factory):
    """Make a shop live four days; return it with what it held at the end of each."""
    shop = LittleShop(tmp_path_factory.mktemp("lived") / "shop")
    layout = shop.folder.layouts / "plain-pull.toml"
    held = []
    with pytest.MonkeyPatch.context() as patch:

        def live(day, *deeds):
            patch.setattr(acts, "now", lambda: DAYS[day])
            for deed in deeds:
                deed()
            shop.show("out.session", "out.shop_note", now=DAYS[day])
            held.append(shop.contents("core", "out", without=()))

        live(0, lambda: shop.job(1))
        live(
            1,
            lambda: hand_desk.set_aside(opened(shop), "J-1", "s1_2.csv", "the belt slipped"),
            lambda: changed(shop.folder.settings, "310.0", "620.0"),
        )
        live(
            2,
            lambda: note_desk.write_note(
                opened(shop), ShopNote(job="J-1", on=dt.date(2026, 5, 6), text="belt looks worn")
            ),
            lambda: hand_desk.take_back(opened(shop), "J-1", "s1_2.csv"),
            lambda: changed(layout, "plain-pull", "plainer pull"),
        )
        live(
            3,
            lambda: changed(card(shop), "Corvane", "Corvana"),
            lambda: acts.sheet_given_out(shop.folder, "J-1", "mk", b"%PDF"),
            lambda: (shop.folder.layouts / "plain-ride.toml").unlink(),
        )
    return shop, held


def test_every_act_has_its_line_with_who_did_it(lived):
    shop, _ = lived
    by_hand, here = "somebody, by hand", "at this computer"
    assert [(code, person) for code, _, person in told(shop)] == [
        ("settings written", by_hand),
        ("layout taught", by_hand),
        ("layout taught", by_hand),
        ("card saved", by_hand),
        ("pull set aside", here),
        ("settings changed", by_hand),
        ("note written", here),
        ("pull taken back", here),
        ("layout changed", by_hand),
        ("sheet given out", "mk"),
        ("layout taken out", by_hand),
        ("card corrected", by_hand),
    ]
    aside = written(shop)[4]
    assert (aside["detail"], aside["reason"]) == ("s1_2.csv", "the belt slipped")


def test_what_stood_before_and_after_an_act_is_in_the_archive(lived):
    shop, _ = lived
    for entry in written(shop):
        for sha in (entry["before"], entry["after"]):
            if sha and entry["code"] != "sheet given out":
                data = (shop.folder.archive / sha[:2] / sha).read_bytes()
                assert hashlib.sha256(data).hexdigest() == sha
    assert written(shop)[5]["before"] == written(shop)[0]["after"]


@pytest.mark.parametrize("day", range(4))
def test_the_shop_of_any_day_is_made_again_with_the_figures_of_that_day(lived, day, tmp_path):
    shop, held = lived
    assert held[day] != held[day - 1]
    end = DAYS[day].replace(hour=23)
    assert remake(shop.folder.root, tmp_path / "then", end, quietly) == []
    then = LittleShop(tmp_path / "then")
    then.work_out("out.session", "out.shop_note", now=DAYS[day])
    assert then.contents("core", "out", without=()) == held[day]
    # It goes on as that shop: nothing is written down twice.
    assert written(then) == [e for e in written(shop) if e["at"] <= end.isoformat()]


# Bug: it told that "the database was gone", as if something were lost.
def test_a_shop_made_anew_on_purpose_is_not_told_of_a_lost_database(lived, tmp_path):
    shop, _ = lived
    code, said = command_line(
        "remake", shop.folder.root, tmp_path / "then", "--as-of", "2026-05-06"
    )
    assert code == 0, said
    assert "There is no database yet; all of it is made from the archive." in said
    assert "gone" not in said


def test_a_day_before_the_journal_begins_is_refused(lived, tmp_path):
    shop, _ = lived
    with pytest.raises(BackupError, match="begins at 2026-05-04"):
        remake(shop.folder.root, tmp_path / "then", DAYS[0] - dt.timedelta(days=1), quietly)
    for text, said in (("2999-12-31", "has not come yet"), ("9999-12-31 23:59-12:00", "is no day")):
        with pytest.raises(BackupError, match=said):
            remake(shop.folder.root, tmp_path / "then", moment(text, zone=dt.UTC), quietly)
    assert not (tmp_path / "then").exists()


def test_a_backup_carries_the_journal_and_what_it_names(lived, tmp_path):
    shop, _ = lived
    made = back_up(shop.folder, tmp_path / "kept", DAYS[3], quietly)
    assert made.lost == []
    restore(tmp_path / "kept", tmp_path / "back", None, quietly)
    back = LittleShop(tmp_path / "back")
    assert acts.journal(back.folder) == acts.journal(shop.folder)
    for sha in acts.kept_in(acts.journal(shop.folder)):
        assert (back.folder.archive / sha[:2] / sha).is_file()


def test_the_terminal_tells_the_acts_within_a_window(lived):
    shop, _ = lived
    code, said = command_line("acts", shop.folder.root, "--since", "2026-05-06", "--of", "J-1")
    assert code == 0
    assert "customer's sheet made" in said
    assert "belt slipped" not in said


def test_a_long_act_is_cut_and_not_its_moment_which_is_by_the_shops_clock(small, monkeypatch):
    monkeypatch.setattr(console, "_width", 80)
    at = dt.datetime(2026, 7, 1, 9, 30, tzinfo=dt.UTC)
    acts.write(small.folder, [acts.Act("backup made", "a" * 90, "somebody, by hand")], at)

    def said(*arguments):
        return CliRunner().invoke(app, ["acts", str(small.folder.root), *arguments]).output

    # Vienna keeps summer time in July: UTC + 2 h (EU directive 2000/84/EC).
    assert "2026-07-01 11:30  somebody, by hand" in said()
    assert "11:30" in said("--since", "2026-07-01 11:30")
    assert "11:30" not in said("--since", "2026-07-01 11:31")


def test_the_acts_of_a_job_are_found_by_card_note_and_paper(lived):
    shop, _ = lived
    found = [one["code"] for one in acts.of_job(shop.folder, "J-1", "job 1")]
    assert found == [
        "card corrected", "sheet given out", "pull taken back", "note written", "pull set aside",
        "card saved",
    ]  # fmt: skip
    assert acts.of_job(shop.folder, "J-2", "job 2") == []


@pytest.fixture
def small(lived, tmp_path):
    return LittleShop(shutil.copytree(lived[0].folder.root, tmp_path / "shop"))


@pytest.mark.parametrize("place", [0, 5, 11])
def test_a_line_that_was_removed_shows_and_comes_back_from_its_copy(small, place):
    path = small.folder.archive / acts.JOURNAL
    whole = path.read_bytes()
    (small.folder.backups / acts.JOURNAL).write_bytes(whole)
    lines = whole.splitlines(keepends=True)
    path.write_bytes(b"".join(lines[:place] + lines[place + 1 :]))
    if place < 11:
        assert acts.entries_of(path.read_bytes())[1] == [place + 1]
        with store.writer(small.folder) as connection:
            assert any("acts.jsonl" in one for one in self_check(connection, small.folder, quietly))
    (mended,) = small.take_in(now=DAYS[3]).mended
    assert "made whole" in mended
    assert path.read_bytes() == whole


def test_a_changed_letter_shows(small):
    path = small.folder.archive / acts.JOURNAL
    path.write_bytes(path.read_bytes().replace(b"belt slipped", b"belt snapped"))
    assert acts.entries_of(path.read_bytes())[1] != []


def test_lines_that_no_copy_has_are_told_as_lost_and_the_shop_goes_on(small):
    path = small.folder.archive / acts.JOURNAL
    path.unlink()
    (said,) = small.take_in(now=DAYS[3]).mended
    assert "12 are in no copy" in said
    # What stands is written down anew, so that from now on any day can be made again.
    assert {code for code, *_ in told(small)} >= {"settings written", "layout taught", "card saved"}
    assert small.take_in(now=DAYS[3]).mended == ()


def test_a_kill_between_act_and_line_is_made_good_by_the_next_update(small, monkeypatch):
    def killed(*_):
        raise KeyboardInterrupt

    seen = opened(small)
    before = len(written(small))
    with monkeypatch.context() as patch:
        patch.setattr("dashboard.intake_desk.file_written", killed)
        with pytest.raises(KeyboardInterrupt):
            hand_desk.set_aside(seen, "J-1", "s1_2.csv", "slipped")
    small.take_in(now=DAYS[3])
    (line,) = written(small)[before:]
    assert (line["code"], line["reason"]) == ("pull set aside", "slipped")
    assert line["person"] == "somebody, by hand"
    small.take_in(now=DAYS[3])
    assert len(written(small)) == before + 1


def test_a_line_torn_by_a_kill_is_dropped_by_the_next_writer(small):
    path = small.folder.archive / acts.JOURNAL
    whole = path.read_bytes()
    path.write_bytes(whole + b'{"no": 13, "at": "2026-0')
    assert small.take_in(now=DAYS[3]).mended == ()
    acts.sheet_given_out(small.folder, "J-1", "mk", b"%PDF 2")
    assert path.read_bytes().startswith(whole)
    assert written(small)[-1]["no"] == 13


def test_a_card_written_twice_before_it_is_taken_in_is_told_twice_and_kept_twice(small):
    seen = opened(small)
    before = len(written(small))
    hand_desk.set_aside(seen, "J-1", "s1_2.csv", "slipped")
    hand_desk.set_aside(seen, "J-1", "s2_1.csv", "wrong gear")
    small.take_in(now=DAYS[3])
    lines = written(small)[before:]
    assert [one["detail"] for one in lines] == ["s1_2.csv", "s2_1.csv"]
    sha = lines[0]["after"]
    assert (small.folder.archive / sha[:2] / sha).is_file()


def test_a_new_database_reads_the_journal_and_writes_nothing_down_again(small):
    before = acts.journal(small.folder)
    small.forget_warehouse()
    small.take_in(now=DAYS[3])
    assert acts.journal(small.folder) == before


def test_a_card_put_back_as_it_was_is_an_act_of_its_own(small):
    first = card(small).read_text(encoding="utf-8")
    before = len(written(small))
    for maker in ("Corvani", "Corvana"):
        card(small).write_text(first.replace("Corvana", maker), encoding="utf-8")
        small.take_in(now=DAYS[3])
    assert [code for code, *_ in told(small)[before:]] == ["card corrected"] * 2


def test_a_card_that_is_only_touched_is_no_act(small):
    small.take_in()
    changed(card(small), "Corvana", "Corvani")
    small.take_in()
    before = told(small)
    text = card(small).read_bytes()
    card(small).unlink()
    card(small).write_bytes(text)
    os.utime(card(small), (1_900_000_000, 1_900_000_000))
    small.take_in()
    assert told(small) == before


def test_a_layout_taught_on_a_page_of_a_new_shop_does_not_stand_in_its_way(shop):
    text = (shop.folder.layouts / "plain-pull.toml").read_text(encoding="utf-8")
    teach_desk.saved(shop.folder.root, "mine", text.replace("plain-pull", "mine"))
    shop.job(1)
    assert shop.take_in().mended == ()
    assert ("layout taught", "mine.toml", "at this computer") in told(shop)


def test_who_may_sign_in_is_written_down_without_the_password(shop, tmp_path):
    password = "four words in a row"  # noqa: S105 of nobody
    (tmp_path / "secret").write_text(password, encoding="utf-8")
    ways = ("--role", "look", "--password-file", tmp_path / "secret")
    command_line("person", "add", "mk", shop.folder.root, *ways)
    command_line("person", "remove", "mk", shop.folder.root)
    assert People(shop.folder).all() == []
    assert [(code, about) for code, about, _ in told(shop)] == [
        ("person added", "mk"),
        ("person removed", "mk"),
    ]
    assert password.encode() not in acts.journal(shop.folder)


def test_writers_at_the_same_time_keep_one_chain(shop):
    def write_many(person):
        for number in range(20):
            acts.sheet_given_out(shop.folder, f"J-{number}", person, b"%PDF")

    with ThreadPoolExecutor(2) as writers:
        list(writers.map(write_many, "ab"))
    assert [one["no"] for one in written(shop)] == list(range(1, 41))
    assert json.loads(acts.journal(shop.folder).splitlines()[0])["last"] == ""


def test_a_page_reads_the_journal_on_a_click_and_not_before(lived, monkeypatch):
    shop, _ = lived

    class Place(contextlib.nullcontext):
        open = False

    drawn, read = [], []
    monkeypatch.setattr(acts_shown.st, "expander", lambda *_, **__: Place())
    monkeypatch.setattr(acts_shown.st, "fragment", lambda function: function)
    monkeypatch.setattr(acts_shown.pieces, "table", lambda frame, *_: drawn.append(frame))
    monkeypatch.setattr(acts, "journal", lambda folder: read.append(folder) or JOURNAL(folder))
    acts_shown.on_job(opened(shop), "J-1")
    assert (drawn, read) == ([], [])
    Place.open = True
    acts_shown.on_job(opened(shop), "J-1")
    acts_shown.lately(opened(shop))
    assert "pull set aside: job 1, s1_2.csv (the belt slipped)" in drawn[0]["What"].to_list()
    assert drawn[1]["What"][1] == "layout taken out: layouts/plain-ride.toml"


@pytest.mark.parametrize("odd", ["x" * 300_000, "\x00\x1b[31m\n\u2028", "inbox/caf\udce9.csv"])
def test_no_act_is_too_long_or_too_odd_for_the_chain(shop, odd):
    for about, reason in (("a", ""), ("b", odd), ("c", "")):
        acts.write(shop.folder, [acts.Act("note", about, reason=reason)])
    place = acts.journal(shop.folder).index(acts.sealed(acts.latest(shop.folder)[0]))
    found, bad = acts.entries_of(acts.journal(shop.folder))
    assert (bad, [one["no"] for one in found]) == ([], [1, 2, 3])
    assert found[1]["reason"] == odd
    assert acts.sum_of_line_before(shop.folder, place) == found[2]["last"]


def test_whatever_was_left_torn_behind_the_last_line_takes_no_act_with_it(shop):
    acts.write(shop.folder, [acts.Act("note", "a")])
    with (shop.folder.archive / acts.JOURNAL).open("ab") as file:
        file.write(b"\0" * 200_000)
    acts.write(shop.folder, [acts.Act("note", "b")])
    found, bad = acts.entries_of(acts.journal(shop.folder))
    assert (bad, [one["about"] for one in found]) == ([], ["a", "b"])


def test_a_line_of_another_hand_with_a_good_sum_is_told_and_stops_nobody(shop):
    acts.write(shop.folder, [acts.Act("note", "a")])
    with (shop.folder.archive / acts.JOURNAL).open("ab") as file:
        for said in ({}, {"no": "x", "last": "", "at": "then", "about": 5}):
            file.write(acts.sealed(said) + b"\n")
    acts.write(shop.folder, [acts.Act("note", "b")])
    found, bad = acts.entries_of(acts.journal(shop.folder))
    assert ([one["about"] for one in found], bad) == (["a", "b"], [2, 3])
    assert [one["about"] for one in acts.latest(shop.folder)] == ["b", "a"]


@pytest.mark.skipif(sys.platform != "linux", reason="names of other systems are letters")
def test_a_layout_that_is_no_file_or_has_no_proper_name_stops_nobody(shop):
    layouts = shop.folder.layouts
    (layouts / "old.toml").mkdir()
    (layouts / "round.toml").symlink_to(layouts / "round.toml")
    odd = Path(os.fsdecode(os.fsencode(layouts) + b"/caf\xe9.toml"))
    odd.write_bytes((layouts / "plain-pull.toml").read_bytes())
    # Of the two that are alike the first by name is taken.
    assert set(shop.take_in().layout_mistakes) == {"plain-pull.toml"}
    shop.take_in()
    assert [e["code"] for e in acts.latest(shop.folder) if e["about"].endswith(odd.name)] == [
        "layout taught"
    ]
