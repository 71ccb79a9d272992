"""What is dropped on a page goes into one folder, whole, over nothing, and the card last."""

import datetime as dt
import hashlib
import itertools
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard import intake_desk
from dashboard.intake_desk import (
    Dropped,
    Held,
    NotWrittenError,
    Places,
    folder_in_the_way,
    guessed_kind,
    guessed_places,
    job_folder,
    standing_card,
    stowing,
    write_job,
)
from tests.dashboard.test_file_names import nasty_names

CARD = 'job = "J-7"\n'


def dropped(*files):
    """Return files as a page gives them, from (name, bytes)."""
    return [Dropped(f"key{at}", name, data) for at, (name, data) in enumerate(files)]


def bring_in(inbox, folder, *files, text=CARD, replaces=None):
    stowed = stowing(dropped(*files), inbox / folder)
    return write_job(inbox, folder, stowed, text, replaces=replaces)


def sha(data):
    return hashlib.sha256(data).hexdigest()


@pytest.fixture
def inbox(tmp_path):
    path = tmp_path / "shop" / "inbox"
    path.mkdir(parents=True)
    return path


def under(root):
    return {path.relative_to(root).as_posix() for path in root.rglob("*") if path.is_file()}


def without_journal(root):
    """Return what lies below a folder beside the line on it and the card's archived bytes."""
    own = re.compile(r"(shop/)?(archive/acts\.jsonl|archive/../[0-9a-f]{64}|warehouse/acts\.lock)")
    return {path for path in under(root) if not own.fullmatch(path)}


# Writing


def test_a_job_is_its_files_and_its_card_and_nothing_else(inbox):
    bring_in(inbox, "J-7", ("run_1.csv", b"one"), ("ride.txt", b"two"))
    assert without_journal(inbox.parent) == {
        f"inbox/J-7/{n}" for n in ("run_1.csv", "ride.txt", "card.toml")
    }
    assert (inbox / "J-7" / "run_1.csv").read_bytes() == b"one"
    assert (inbox / "J-7" / "card.toml").read_bytes() == CARD.encode()


def test_bytes_as_an_upload_lends_them_are_written_letter_for_letter(inbox):
    data = bytes(range(256)) * 40
    bring_in(inbox, "J-7", ("run_1.csv", memoryview(data)))
    assert (inbox / "J-7" / "run_1.csv").read_bytes() == data


def test_the_card_is_the_last_thing_written(inbox, monkeypatch):
    written = []
    whole = intake_desk.write_whole
    monkeypatch.setattr(
        intake_desk,
        "write_whole",
        lambda path, data: (written.append(path.name), whole(path, data)),
    )
    bring_in(inbox, "J-7", ("b.csv", b"1"), ("a.csv", b"2"))
    assert written == ["b.csv", "a.csv", "card.toml"]


KILLED = """
import os, sys
from pathlib import Path
from dashboard.intake_desk import Dropped, stowing, write_job

inbox, at = Path(sys.argv[1]), int(sys.argv[2])
put, done = Path.replace, []
def replace(self, target):
    if len(done) == at:
        os._exit(9)  # as a power cut: nothing is cleaned up
    done.append(target)
    return put(self, target)
Path.replace = replace
files = [Dropped(str(n), f"run_{n}.csv", b"%d" % n * 5000) for n in (1, 2)]
write_job(inbox, "J-7", stowing(files, inbox / "J-7"), 'job = "J-7"')
"""


@pytest.mark.parametrize("at", [0, 1, 2])
def test_a_kill_at_any_write_leaves_no_card_and_no_file_by_half(inbox, at):
    done = subprocess.run(
        [sys.executable, "-c", KILLED, str(inbox), str(at)],
        cwd=Path(__file__).parents[2], check=False,
    )  # fmt: skip
    assert done.returncode == 9
    files = {path.name: path for path in (inbox / "J-7").iterdir()}
    seen = {name for name in files if not name.startswith(".")}  # intake passes over the others
    assert seen == {f"run_{number}.csv" for number in range(1, at + 1)}
    assert all(files[name].stat().st_size == 5000 for name in seen)
    # Pressed once more, it goes on where it was.
    bring_in(inbox, "J-7", ("run_1.csv", b"1" * 5000), ("run_2.csv", b"2" * 5000))
    visible = {n for n in under(inbox / "J-7") if not n.startswith(".")}
    assert visible == {"run_1.csv", "run_2.csv", "card.toml"}


def test_a_job_cut_short_waits_at_intake_and_counts_once_completed(shop, make):
    text = make.pull().encode()
    files = [("run_1.csv", text), ("run_2.csv", text.replace(b"0.970", b"0.971"))]
    stowed = stowing(dropped(*files), shop.folder.inbox / "J-1")
    shop.put("J-1/run_1.csv", files[0][1])
    shop.put("J-1/.making-1-abc", files[1][1][:500])
    shop.take_in()
    assert shop.outcome("J-1/run_1.csv").code == "no card"
    stage = make.stage(pulls=["run_1.csv", "run_2.csv"])
    write_job(shop.folder.inbox, "J-1", stowed, make.card(stages=[stage]))
    shop.take_in()
    assert {shop.outcome(f"J-1/{name}").state for name, _ in files} == {"taken in"}


def test_another_file_of_the_same_name_is_never_written_over(inbox):
    bring_in(inbox, "J-7", ("run_1.csv", b"old"))
    (inbox / "J-7" / "card.toml").unlink()
    stowed = stowing(dropped(("a.csv", b"x"), ("run_1.csv", b"new")), inbox / "J-7")
    assert [one.state for one in stowed] == ["new", "name taken"]
    assert stowed[1].proposed == "run_1-2.csv"
    with pytest.raises(NotWrittenError, match=r"another file named run_1\.csv"):
        write_job(inbox, "J-7", stowed, CARD)
    assert under(inbox / "J-7") == {"run_1.csv"}
    assert (inbox / "J-7" / "run_1.csv").read_bytes() == b"old"


def test_a_file_that_came_meanwhile_is_not_written_over_either(inbox):
    stowed = stowing(dropped(("run_1.csv", b"new")), inbox / "J-7")
    (inbox / "J-7").mkdir()
    (inbox / "J-7" / "run_1.csv").write_bytes(b"theirs")
    with pytest.raises(NotWrittenError, match="nothing was written"):
        write_job(inbox, "J-7", stowed, CARD)
    assert (inbox / "J-7" / "run_1.csv").read_bytes() == b"theirs"
    assert not (inbox / "J-7" / "card.toml").exists()


def test_a_person_may_give_the_second_file_another_name(inbox):
    bring_in(inbox, "J-7", ("run_1.csv", b"old"))
    (inbox / "J-7" / "card.toml").unlink()
    files = dropped(("run_1.csv", b"new"))
    stowed = stowing(files, inbox / "J-7", {"key0": "../run_1 again.csv"})
    assert [(one.state, one.name) for one in stowed] == [("new", "run_1 again.csv")]
    write_job(inbox, "J-7", stowed, CARD)
    assert (inbox / "J-7" / "run_1 again.csv").read_bytes() == b"new"


def test_a_new_job_never_takes_the_place_of_a_standing_card(inbox):
    bring_in(inbox, "J-7", ("run_1.csv", b"1"))
    with pytest.raises(NotWrittenError, match="holds a card already"):
        bring_in(inbox, "J-7", ("run_2.csv", b"2"), text='job = "J-8"\n')
    assert (inbox / "J-7" / "card.toml").read_bytes() == CARD.encode()
    assert not (inbox / "J-7" / "run_2.csv").exists()


def test_a_card_is_replaced_only_by_who_has_seen_it(inbox):
    bring_in(inbox, "J-7", ("run_1.csv", b"1"))
    opened = standing_card(inbox, "J-7")
    (inbox / "J-7" / "card.toml").write_bytes(b'job = "by hand"\n')
    with pytest.raises(NotWrittenError, match="somebody else changed this card"):
        bring_in(inbox, "J-7", text='job = "J-8"\n', replaces=opened.sha256)
    assert (inbox / "J-7" / "card.toml").read_bytes() == b'job = "by hand"\n'
    bring_in(inbox, "J-7", text='job = "J-8"\n', replaces=sha(b'job = "by hand"\n'))
    assert (inbox / "J-7" / "card.toml").read_bytes() == b'job = "J-8"\n'


def test_a_card_that_is_gone_is_not_replaced(inbox):
    (inbox / "J-7").mkdir()
    with pytest.raises(NotWrittenError, match="gone from the folder"):
        bring_in(inbox, "J-7", replaces=sha(b"x"))


@pytest.mark.parametrize(
    "folder",
    ["", ".", "..", "../outside", "/outside", "a/../../outside", "a/b", "J-7/", " J-7", "C:x",
     "NUL", "x\x00", "inbox/../.."],
)  # fmt: skip
def test_a_folder_that_is_no_plain_name_is_refused(inbox, folder):
    with pytest.raises(NotWrittenError, match="no folder of this inbox"):
        write_job(inbox, folder, stowing(dropped(("a.csv", b"1")), None), CARD)
    assert under(inbox.parents[1]) == set()


def test_a_link_in_the_inbox_leads_nowhere(inbox, tmp_path):
    outside = tmp_path / "outside"
    outside.mkdir()
    try:
        (inbox / "J-7").symlink_to(outside, target_is_directory=True)
    except OSError:
        pytest.skip("this system lets only some people make links")
    with pytest.raises(NotWrittenError, match="no folder of this inbox"):
        write_job(inbox, "J-7", stowing(dropped(("a.csv", b"1")), inbox / "J-7"), CARD)
    with pytest.raises(NotWrittenError):
        standing_card(inbox, "J-7")
    assert under(outside) == set()


counter = itertools.count()


@given(
    nasty_names, st.lists(st.tuples(nasty_names, st.binary(max_size=3)), max_size=5), nasty_names
)
def test_whatever_the_names_are_nothing_is_written_outside_the_jobs_own_folder(
    tmp_path_factory, job, files, new_name
):
    root = tmp_path_factory.getbasetemp() / f"nasty-{next(counter)}"
    inbox = root / "shop" / "inbox"
    inbox.mkdir(parents=True)
    folder = job_folder(inbox, job)
    stowed = stowing(dropped(*files), inbox / folder, {"key0": new_name})
    try:
        write_job(inbox, folder, stowed, CARD)
    except NotWrittenError:
        written = set()
    else:
        written = {one.name for one in stowed if one.state == "new"} | {"card.toml"}
    assert without_journal(root) == {f"shop/inbox/{folder}/{name}" for name in written}
    found = without_journal(root)
    assert all(len(Path(path).relative_to("shop/inbox").parts) == 2 for path in found)


@given(nasty_names)
def test_a_raw_name_that_reaches_the_writing_is_refused_there_too(tmp_path_factory, raw):
    inbox = tmp_path_factory.getbasetemp() / "raw-inbox"
    inbox.mkdir(exist_ok=True)
    one = Dropped("k", raw, b"1")
    stowed = intake_desk.Stowed(one, raw, "new")
    if intake_desk.safe_name(raw) == raw:
        return
    with pytest.raises(NotWrittenError):
        write_job(inbox, "J-7", [stowed], CARD)
    assert under(inbox) == set()


# What becomes of dropped files


def test_a_file_that_lies_there_already_is_not_written_again(inbox):
    bring_in(inbox, "J-7", ("run_1.csv", b"1"))
    before = (inbox / "J-7" / "run_1.csv").stat().st_mtime_ns
    stowed = stowing(dropped(("run_1.csv", b"1")), inbox / "J-7")
    assert [one.state for one in stowed] == ["there already"]
    write_job(inbox, "J-7", stowed, CARD, replaces=sha(CARD.encode()))
    assert (inbox / "J-7" / "run_1.csv").stat().st_mtime_ns == before


def test_names_that_differ_in_case_alone_are_one_name(inbox):
    # On Windows and macOS the second would be written over the first.
    stowed = stowing(dropped(("Run.csv", b"1"), ("run.CSV", b"2")), inbox / "J-7")
    assert [one.state for one in stowed] == ["new", "name taken"]


def test_the_same_file_dropped_twice_is_taken_once_and_said(inbox):
    stowed = stowing(dropped(("run.csv", b"1"), ("run.csv", b"1"), ("copy.csv", b"1")), None)
    assert [one.state for one in stowed] == ["new", "left out", "new"]
    assert "dropped twice" in stowed[1].said
    assert "the same as run.csv" in stowed[2].said


@pytest.mark.parametrize("name", ["card.toml", "CARD.TOML", "card.toml.txt", "x/card.toml",
                                  "Thumbs.db", ".DS_Store", "desktop.ini", "", "  "])  # fmt: skip
def test_what_is_no_log_is_left_out_and_said(name, inbox):
    stowed = stowing(dropped((name, b"1")), None)
    assert stowed[0].state == "left out"
    assert stowed[0].said
    write_job(inbox, "J-7", stowed, CARD)
    assert under(inbox / "J-7") == {"card.toml"}


def test_a_name_that_had_to_be_changed_is_told():
    (one,) = stowing(dropped(("run:1?.csv", b"1")), None)
    assert (one.name, one.state) == ("run_1_.csv", "new")
    assert "run_1_.csv" in one.said


# The folder


def test_a_job_gets_its_own_number_as_folder(inbox):
    assert job_folder(inbox, "J-7") == "J-7"
    assert job_folder(inbox, "2026/14") == "2026-14"


def test_a_folder_that_differs_in_case_alone_is_the_same_folder(inbox):
    (inbox / "J-7").mkdir()
    assert job_folder(inbox, "j-7") == "J-7"


def test_what_stands_in_the_way_of_a_new_job_is_told(inbox):
    files = dropped(("run_1.csv", b"1"))
    assert folder_in_the_way(inbox / "J-7", stowing(files, inbox / "J-7")) == ""
    (inbox / "J-7").mkdir()
    (inbox / "J-7" / "run_1.csv").write_bytes(b"1")
    # Half-way written, then pressed once more.
    assert folder_in_the_way(inbox / "J-7", stowing(files, inbox / "J-7")) == ""
    (inbox / "J-7" / "other.csv").write_bytes(b"2")
    assert "without a card" in folder_in_the_way(inbox / "J-7", stowing(files, inbox / "J-7"))
    (inbox / "J-7" / "card.toml").write_bytes(b"")
    assert "a card already" in folder_in_the_way(inbox / "J-7", [])
    (inbox / "J-8").write_bytes(b"")
    assert "A file named J-8" in folder_in_the_way(inbox / "J-8", [])


# The card that stands


def put_card(inbox, data):
    (inbox / "J-7").mkdir(exist_ok=True)
    (inbox / "J-7" / "card.toml").write_bytes(data)
    return standing_card(inbox, "J-7")


def test_a_standing_card_is_read_with_its_mistakes(inbox, make):
    right = put_card(inbox, make.card().encode())
    assert right.mistakes == []
    assert right.content["job"] == "J-1"
    wrong = put_card(inbox, make.card().replace("690", "-690").encode())
    assert any("displacement_cc" in mistake for mistake in wrong.mistakes)
    assert wrong.content["bike"]["make"] == "Corvane"


def test_a_card_that_is_no_toml_or_no_text_is_told_and_not_run_over(inbox):
    assert put_card(inbox, b"job = ").content is None
    assert put_card(inbox, b"job = ").mistakes
    assert put_card(inbox, 'job = "Ä"'.encode("latin-1")).mistakes == ["must be UTF-8 text"]
    assert put_card(inbox, b"[" * 5000).content is None


def test_no_card_is_none(inbox):
    (inbox / "J-7").mkdir()
    assert standing_card(inbox, "J-7") is None


# Guesses


@pytest.mark.parametrize(
    ("file", "kind"),
    [
        # Common practice, no source: a pull is a small file, a ride a large one.
        (Held("log_0007.csv", 40_000), "pull"),
        (Held("log_0007.csv", 4_000_000), "ride"),
        (Held("log_0007.csv.gz", 30_000), "pull"),
        (Held("log_0007.mf4", 900_000), "ride"),
        (Held("Heimfahrt.csv", 10), "ride"),
        (Held("run_3.csv", 4_000_000), "pull"),
        (Held("run_3.csv", 10, "ride"), "ride"),
        (Held("ride.csv", 10, "pull"), "pull"),
    ],
)
def test_a_kind_is_guessed_by_layout_then_name_then_size(file, kind):
    assert guessed_kind(file) == kind


def places(names, stages):
    return guessed_places([Held(name, 20_000) for name in names], stages)


def test_one_stage_takes_all_files_in_the_order_of_their_numbers():
    assert places(["run_10.csv", "run_9.csv", "ride.csv"], 1) == [
        Places(["run_9.csv", "run_10.csv"], ["ride.csv"])
    ]


@pytest.mark.parametrize(
    ("names", "stages"),
    [
        (["s1 run 1.csv", "s1 run 2.csv"], ["s2 run 1.csv", "s2 run 2.csv"]),
        (["run_11.csv", "run_12.csv"], ["run_21.csv", "run_22.csv"]),
        (["run_1.csv", "run_2.csv", "run_3.csv"], ["run_8.csv", "run_9.csv"]),
        (["before_1.csv", "before_2.csv"], ["after_1.csv", "after_2.csv"]),
        (["stock 1.csv"], ["tuned 1.csv", "tuned 2.csv"]),
    ],
)
def test_names_that_tell_the_stages_are_followed(names, stages):
    for order in (names + stages, stages + names):
        assert [place.pulls for place in places(order, 2)] == [names, stages]


@pytest.mark.parametrize(
    "names",
    [
        ["run_1.csv", "run_2.csv", "run_3.csv", "run_4.csv"],
        ["lauf 1.csv", "run 1.csv"],
        ["run a.csv", "run b.csv", "run c.csv"],
    ],
)
def test_where_names_do_not_tell_a_person_decides(names):
    assert [place.pulls for place in places(names, 2)] == [[], []]


def test_a_ride_is_put_under_the_last_stage():
    found = places(["run_11.csv", "run_21.csv", "ride.csv"], 2)
    assert [place.rides for place in found] == [[], ["ride.csv"]]


@given(st.lists(nasty_names, max_size=12, unique=True), st.integers(1, 5))
def test_a_guess_puts_no_file_twice_and_makes_none_up(names, stages):
    found = guessed_places([Held(name, 20_000) for name in names], stages)
    put = [name for place in found for name in place.pulls + place.rides]
    assert len(found) == stages
    assert len(put) == len(set(put))
    assert set(put) <= set(names)


WHOLE_CARD = """
job = "{job}"
received = 2026-06-01
stage = [{{ name = "as arrived", fuel = "E5" }}]
[bike]
reference = "{bike}"
make = "Corvane"
model = "Strada 690"
generation = [2016, 2019]
displacement_cc = 690
"""


def test_cards_that_the_book_does_not_hold_are_found_right_or_wrong(tmp_path):
    for folder, text in (
        ("new", WHOLE_CARD.format(job="J-7", bike="B-7")),
        ("held", WHOLE_CARD.format(job="J-1", bike="B-1")),
        ("wrong", 'job = "J-8"\n[bike]\nreference = "B-8"\n'),
        ("broken", "job = \n"),
    ):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "card.toml").write_text(text, encoding="utf-8")
    (tmp_path / "no card").mkdir()
    long_ago = dt.datetime(2020, 1, 1, tzinfo=dt.UTC)
    os.utime(tmp_path / "held" / "card.toml", (long_ago.timestamp(),) * 2)
    published = long_ago + dt.timedelta(days=30)
    found = intake_desk.cards_lying(tmp_path, ["held"], published)
    assert sorted(found) == ["broken", "new", "wrong"]
    assert intake_desk.claimed_elsewhere(found, "mine", "J-9", "B-9") == ""
    assert "folder wrong" in intake_desk.claimed_elsewhere(found, "mine", "J-9", "B-8")
    assert "folder new" in intake_desk.claimed_elsewhere(found, "mine", "j-7", "")
    assert intake_desk.claimed_elsewhere(found, "new", "J-7", "B-7") == ""
    # A card of the book that was written since may say otherwise by now.
    assert "held" in intake_desk.cards_lying(tmp_path, ["held"], long_ago)


def test_what_speaks_against_a_card_while_it_is_written_keeps_everything_out(tmp_path):
    with pytest.raises(NotWrittenError, match="B-7 too"):
        write_job(tmp_path, "J-9", [], "job = 1", objection=lambda: "names its bike B-7 too")
    assert list(tmp_path.iterdir()) == []
