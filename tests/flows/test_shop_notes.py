"""Notes of people: one file each in the inbox, kept in every version, told where they are wrong."""

import shutil

import pytest

from flows.derive import is_behind
from flows.steps import archive
from flows.steps.selfcheck import self_check
from tests.conftest import LittleShop
from warehouse import store
from warehouse.snapshot import current

DAY = "on = 2026-03-14\n"
PART = '[part]\ncategory = "silencer"\nmaker = "Halden"\nname = "S2 slip-on"\n'


def said(about='job = "J-1"', text="the belt slips", more=""):
    return f'{about}\n{DAY}by = "mk"\ntext = "{text}"\n{more}'


@pytest.fixture(scope="module")
def book(tmp_path_factory):
    """Return a shop with every kind of note, published."""
    shop = LittleShop(tmp_path_factory.mktemp("noted") / "shop")
    shop.job(1)
    shop.job(2)
    shop.put("_notes/job.toml", said())
    shop.put("_notes/stage.toml", said('job = "J-1"\nstage = 2'))
    shop.put("_notes/part.toml", said("", more=PART))
    shop.put("_notes/nobody.toml", said('job = "J-9"'))
    shop.put("_notes/no stage.toml", said('job = "J-1"\nstage = 7'))
    shop.put("_notes/other part.toml", said("", more=PART.replace("S2", "S3")))
    shop.put("_notes/slip.toml", said(text="x" * 501))
    shop.put("_notes/log.csv", "rpm;power\n" * 4000)
    shop.put("_notes/latin.toml", said(text="ü").encode("latin-1"))
    shop.put("_notes/card.toml", said(text="named as a card"))
    shop.update()
    return shop


def states(shop):
    return dict(
        shop.rows("SELECT file_name, state FROM out.file WHERE job_folder = '_notes' ORDER BY ALL")
    )


def test_each_note_stands_as_it_should_and_none_is_a_log_or_a_card(book):
    good = dict.fromkeys(("card.toml", "job.toml", "part.toml", "stage.toml"), "note")
    waits = dict.fromkeys(("no stage.toml", "nobody.toml", "other part.toml"), "waiting")
    bad = dict.fromkeys(("latin.toml", "log.csv", "slip.toml"), "refused")
    assert states(book) == good | waits | bad
    assert book.rows("SELECT count(*) FROM raw.card WHERE job_folder = '_notes'") == [(0,)]
    assert book.rows("SELECT count(*) FROM raw.reading") == [(8,)]


def test_a_note_is_about_the_stages_that_it_names(book):
    found = book.rows("SELECT note_name, stage_id FROM out.shop_note_stage ORDER BY ALL")
    # By the cards of these two jobs: the part is fitted on stage 2 of each.
    assert found == [
        ("card.toml", "J-1/1"),
        ("card.toml", "J-1/2"),
        ("job.toml", "J-1/1"),
        ("job.toml", "J-1/2"),
        ("part.toml", "J-1/2"),
        ("part.toml", "J-2/2"),
        ("stage.toml", "J-1/2"),
    ]


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("nobody.toml", "no card in force names job J-9"),
        ("no stage.toml", "no card in force names job J-1, stage 7"),
        ("other part.toml", "no card in force names part Halden S3 slip-on"),
        ("slip.toml", "line 4: text"),
        ("log.csv", "a note has at most 500 letters, this file has 40,000 bytes"),
        ("latin.toml", "line 4: must be UTF-8 text"),
    ],
)
def test_what_cannot_be_shown_is_told_with_what_to_do(book, name, told):
    outcome = book.outcome(f"_notes/{name}")
    assert told in outcome.reason
    assert outcome.remedy


def test_a_shop_with_notes_is_well(book):
    with store.writer(book.folder) as connection:
        assert self_check(connection, book.folder, lambda *_: None) == []


@pytest.fixture(scope="module")
def one_job(tmp_path_factory):
    made = LittleShop(tmp_path_factory.mktemp("little") / "shop")
    made.job(1)
    made.update()
    return made.folder.root


@pytest.fixture
def little(one_job, tmp_path):
    """Copy the published shop of one job, for a test to write notes in."""
    return LittleShop(shutil.copytree(one_job, tmp_path / "shop"))


def shown(shop):
    query = "SELECT note_name, note_text, is_taken_back FROM out.shop_note ORDER BY ALL"
    return shop.rows(query)


def behind(shop):
    with store.writer(shop.folder) as connection:
        return is_behind(connection, shop.settings)


def test_a_note_alone_is_published_and_makes_no_figure_again(little):
    number = current(little.folder.root).number
    little.put("_notes/a.toml", said())
    little.take_in()
    assert behind(little)
    result = little.update()
    assert sum(result.made.values()) == 0
    assert current(little.folder.root).number == number + 1
    little.update()
    assert current(little.folder.root).number == number + 1
    assert not behind(little)


def test_a_note_waits_for_its_job_and_is_shown_once_that_comes(little):
    little.put("_notes/a.toml", said('job = "J-2"'))
    little.take_in()
    assert states(little) == {"a.toml": "waiting"}
    little.job(2)
    little.take_in()
    assert states(little) == {"a.toml": "note"}


def test_taken_back_a_note_is_kept_with_the_version_before_it(little):
    little.put("_notes/a.toml", said())
    little.take_in()
    little.put("_notes/a.toml", said(more="taken_back = true\n"))
    little.take_in()
    assert shown(little) == [("a.toml", "the belt slips", True)]
    assert little.rows("SELECT count(*) FROM raw.shop_note") == [(2,)]
    # And back again: the bytes of the first version came once more.
    little.put("_notes/a.toml", said())
    little.take_in()
    assert shown(little) == [("a.toml", "the belt slips", False)]


def test_a_slip_in_the_next_version_leaves_the_one_before_standing(little):
    little.put("_notes/a.toml", said())
    little.take_in()
    little.put("_notes/a.toml", said(text="x" * 501))
    little.take_in()
    assert shown(little) == [("a.toml", "the belt slips", False)]
    assert little.outcome("_notes/a.toml").reason.endswith("the version before it stands")


def test_a_note_stays_when_the_inbox_is_tidied_and_a_broken_one_waits_no_more(little):
    paths = [
        little.put("_notes/a.toml", said()),
        little.put("_notes/b.toml", "no note"),
        little.put("_notes/c.toml", said('job = "J-9"')),
    ]
    little.take_in()
    for path in paths:
        path.unlink()
    little.take_in()
    assert states(little) == {"a.toml": "note", "b.toml": "withdrawn", "c.toml": "withdrawn"}
    assert ("a.toml", "the belt slips", False) in shown(little)


def test_a_note_whose_archived_bytes_are_gone_is_healed_from_the_inbox(little):
    little.put("_notes/a.toml", said())
    little.take_in()
    (sha,) = little.rows("SELECT file_sha256 FROM raw.shop_note")[0]
    archive.archived_path(little.folder, sha).unlink()
    little.forget_warehouse()
    assert little.take_in().mended
    assert shown(little) == [("a.toml", "the belt slips", False)]


def test_a_note_that_is_lost_everywhere_is_named_and_the_rest_goes_on(little):
    path = little.put("_notes/a.toml", said())
    little.take_in()
    (sha,) = little.rows("SELECT file_sha256 FROM raw.shop_note")[0]
    path.unlink()
    archive.archived_path(little.folder, sha).unlink()
    little.forget_warehouse()
    lost = little.take_in().lost
    assert len(lost) == 1
    assert lost[0].startswith("_notes/a.toml")


def test_a_log_that_also_lies_among_the_notes_is_still_read_from_its_job(little, make):
    data = make.pull(1.3)
    little.put("_notes/run.csv", data)
    little.put("job 3/run.csv", data)
    little.put("job 3/card.toml", make.card("J-3", [make.stage("x", ["run.csv"])], "B-3"))
    little.take_in()
    assert little.outcome("job 3/run.csv").state == "taken in"
    assert little.outcome("_notes/run.csv").state == "refused"


def test_a_link_among_the_notes_is_not_followed(little, tmp_path):
    secret = tmp_path / "secret.toml"
    secret.write_text(said(), encoding="utf-8")
    little.put("_notes/a.toml", said())
    (little.folder.inbox / "_notes" / "b.toml").symlink_to(secret)
    little.take_in()
    assert [name for name, *_ in shown(little)] == ["a.toml"]
