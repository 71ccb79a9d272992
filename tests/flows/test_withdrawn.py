"""Files that are taken out of the inbox, renamed, or have names that few expect."""

import os
import shutil
import sys
import unicodedata

import pytest

from flows.steps.notes import note_name
from warehouse.store import DamagedError


@pytest.fixture(autouse=True)
def another_job(shop):
    """Keep a job in the inbox: one without any file is taken for a disk that is not there."""
    shop.job(9)


def note(shop, place):
    return shop.folder.refused / note_name(*place.rsplit("/", 1))


def test_a_waiting_file_that_is_taken_out_waits_no_more(shop, make):
    path = shop.put("walk-in/pull_1.csv", make.pull())
    shop.take_in()
    assert note(shop, "walk-in/pull_1.csv").is_file()
    path.unlink()
    shop.take_in()
    outcome = shop.outcome("walk-in/pull_1.csv")
    assert outcome.state == "withdrawn"
    assert "no card" in outcome.reason or "card.toml" in outcome.reason
    assert not note(shop, "walk-in/pull_1.csv").exists()


def test_put_back_it_waits_again(shop, make):
    path = shop.put("walk-in/pull_1.csv", make.pull())
    shop.take_in()
    path.unlink()
    shop.take_in()
    shop.put("walk-in/pull_1.csv", make.pull())
    shop.take_in()
    assert shop.outcome("walk-in/pull_1.csv").state == "waiting"


def test_what_was_taken_in_stays_when_the_inbox_is_tidied(shop):
    shop.job(1)
    shop.work()
    before = shop.contents("core", "out")
    for path in (shop.folder.inbox / "job 1").iterdir():
        path.unlink()
    shop.work()
    assert shop.contents("core", "out") == before


def test_a_shop_with_files_taken_out_is_made_again_the_same(shop, make):
    shop.job(1)
    gone = shop.put("job 1/extra.csv", make.pull(1.3))
    bad = shop.put("job 1/bad.csv", "seconds,crank rpm,wheel kW,lambda\n1,x,y,z\n")
    shop.work()
    gone.unlink()
    bad.unlink()
    (shop.folder.inbox / "job 1" / "s1_1.csv").unlink()
    shop.work()
    before = shop.contents("raw", "core", "out")
    shop.forget_warehouse()
    shop.work()
    assert shop.contents("raw", "core", "out") == before


def test_an_inbox_that_is_not_there_takes_nothing_back(shop, make):
    shop.put("walk-in/pull_1.csv", make.pull())
    shop.take_in()
    shop.folder.inbox.rename(shop.folder.root / "elsewhere")
    shop.take_in()
    assert shop.outcome("walk-in/pull_1.csv").state == "waiting"


def test_a_renamed_file_is_known_by_its_bytes(shop, make):
    path = shop.put("job/pull_1.csv", make.pull())
    shop.put("job/card.toml", make.card())
    shop.take_in()
    path.rename(path.with_name("first pull.csv"))
    shop.take_in()
    assert shop.rows("SELECT count(*) FROM core.pull WHERE stage_id = 'J-1/1'") == [(1,)]
    assert shop.outcome("job/first pull.csv").state == "duplicate"
    shop.put("job/card.toml", make.card(stages=[make.stage(pulls=["first pull.csv"])]))
    shop.take_in()
    assert shop.outcome("job/first pull.csv").state == "taken in"
    assert shop.outcome("job/pull_1.csv").state == "withdrawn"


def test_a_refused_file_corrected_under_another_name_leaves_no_trouble(shop, make):
    bad = shop.put("job/pull_1.csv", make.pull().replace(",100", ",x"))
    shop.put("job/card.toml", make.card(stages=[make.stage(pulls=["*.csv"])]))
    shop.take_in()
    assert shop.outcome("job/pull_1.csv").state == "refused"
    bad.unlink()
    shop.put("job/pull_1b.csv", make.pull())
    shop.take_in()
    assert shop.outcome("job/pull_1b.csv").state == "taken in"
    assert shop.outcome("job/pull_1.csv").state == "withdrawn"
    assert list(shop.folder.refused.rglob("*.txt")) == []


def test_brackets_in_a_name_are_part_of_it(shop, make):
    shop.put("job/run[1].csv", make.pull())
    stages = [make.stage(pulls=["run[1].csv", "run[2].csv"])]
    shop.put("job/card.toml", make.card(stages=stages))
    shop.take_in()
    assert shop.outcome("job/run[1].csv").state == "taken in"
    assert shop.outcome("job/run[2].csv").state == "missing"


def test_one_name_in_two_unicode_forms_is_one_name(shop, make):
    name = "Lüfter.csv"
    shop.put(f"job/{unicodedata.normalize('NFD', name)}", make.pull())
    stages = [make.stage(pulls=[unicodedata.normalize("NFC", name)])]
    shop.put("job/card.toml", make.card(stages=stages))
    shop.take_in()
    assert shop.rows("SELECT count(*) FROM core.pull WHERE stage_id = 'J-1/1'") == [(1,)]


@pytest.mark.skipif(sys.platform != "linux", reason="other systems allow no such name")
def test_a_name_that_is_no_text_is_told_and_holds_nothing_up(shop):
    shop.job(1)
    (shop.folder.inbox / "job 1" / os.fsdecode(b"caf\xe9.csv")).write_bytes(b"x")
    result = shop.take_in()
    assert result.states["taken in"] == 8
    assert "rename it" in result.unreadable[0]


def test_touching_a_folder_keeps_its_place_in_first_come(shop, make):
    for folder, job in (("a", "J-1"), ("b", "J-2")):
        shop.put(f"{folder}/pull_1.csv", make.pull())
        shop.put(f"{folder}/card.toml", make.card(job, bike=f"B-{job}"))
        shop.take_in()
    for path in (shop.folder.inbox / "a").iterdir():
        os.utime(path, ns=(1, 1))
    shop.take_in()
    before = shop.contents("core")
    shop.forget_warehouse()
    shop.take_in()
    assert shop.contents("core") == before
    assert shop.rows("SELECT stage_id FROM core.pull WHERE stage_id NOT LIKE 'J-9%'") == [
        ("J-1/1",)
    ]


def test_a_damaged_line_of_the_ledger_is_named(shop):
    shop.job(1)
    shop.take_in()
    ledger = shop.folder.archive / "arrivals.jsonl"
    lines = ledger.read_text(encoding="utf-8").splitlines(keepends=True)
    lines[1] = '{"arrival_no": 2, "job_fol\n'
    ledger.write_text("".join(lines), encoding="utf-8")
    shop.forget_warehouse()
    with pytest.raises(DamagedError, match=r"line 2 is damaged.*backups"):
        shop.take_in()


def test_a_damaged_database_is_told_with_the_remedy(shop):
    shop.job(1)
    shop.take_in()
    shop.folder.database.write_bytes(b"this is no database" * 1000)
    with pytest.raises(DamagedError, match="Nothing is lost"):
        shop.take_in()


def test_bytes_gone_from_the_archive_are_told(shop, make):
    shop.job(1)
    shop.take_in()
    sha = shop.rows("SELECT file_sha256 FROM core.pull ORDER BY pull_id")[0][0]
    (shop.folder.archive / sha[:2] / sha).unlink()
    shop.forget_warehouse()
    shutil.rmtree(shop.folder.inbox)
    shop.take_in()
    assert shop.rows("SELECT DISTINCT reason_code FROM raw.outcome WHERE state = 'refused'") == [
        ("archived bytes gone",)
    ]
