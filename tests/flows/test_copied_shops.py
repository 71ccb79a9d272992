"""A shop that was copied, and one that lost what names its bytes: nothing begins anew unasked."""

import os
import shutil

import pytest

from tests.conftest import LittleShop, command_line, pull_text
from warehouse.archived import archived_path
from warehouse.damage import DamagedError


def lines(shop):
    return (shop.folder.archive / "arrivals.jsonl").read_text(encoding="utf-8").splitlines()


def copied(shop, root):
    """Copy a shop as `cp -r` does: the bytes, and no file's time."""
    shutil.copytree(shop.folder.root, root, copy_function=shutil.copyfile)
    return LittleShop(root)


@pytest.fixture
def filled(shop):
    shop.job(1)
    shop.take_in()
    return shop


def test_a_shop_copied_without_its_times_counts_no_file_anew(filled, tmp_path):
    before, told = filled.contents("raw", "core", without=()), lines(filled)
    copy = copied(filled, tmp_path / "copy")
    taken = copy.take_in()
    assert (taken.arrived, taken.read, taken.linked) == (0, 0, [])
    assert lines(copy) == told
    after = copy.contents("raw", "core", without=())
    moved = {name for name in before if before[name] != after[name]}
    # The known time, and the mark of how far which ledger file was read.
    assert moved == {"raw.arrival", "raw.finished"}


def test_a_moved_time_is_looked_at_once(filled, monkeypatch):
    path = next(filled.folder.inbox.glob("job 1/*.csv"))
    os.utime(path, ns=(1, 1))
    assert filled.take_in().arrived == 0

    def read_again(*_):
        raise AssertionError("it was read again")

    monkeypatch.setattr("flows.steps.archive.file_sha256", read_again)
    monkeypatch.setattr("flows.steps.archive._keep", read_again)
    assert filled.take_in().arrived == 0


def test_other_bytes_of_the_same_name_and_size_are_another_file(filled):
    path = filled.folder.inbox / "job 1/s1_1.csv"
    data = path.read_bytes()
    path.write_bytes(data.replace(b"978.0", b"979.0"))
    os.utime(path, ns=(1, 1))
    assert filled.take_in().arrived == 1
    assert len(lines(filled)) == 6


def test_a_file_laid_into_the_inbox_again_mends_an_archive_that_lost_it(filled):
    path = filled.folder.inbox / "job 1/s1_1.csv"
    ((sha,),) = filled.rows("SELECT file_sha256 FROM raw.arrival WHERE file_name = 's1_1.csv'")
    archived_path(filled.folder, sha).unlink()
    os.utime(path, ns=(1, 1))
    filled.take_in()
    assert archived_path(filled.folder, sha).read_bytes() == path.read_bytes()


EMPTIED = {
    "missing": lambda ledger: ledger.unlink(),
    "empty": lambda ledger: ledger.write_bytes(b""),
    "one torn line": lambda ledger: ledger.write_bytes(ledger.read_bytes()[:20]),
}


@pytest.fixture(params=EMPTIED)
def nameless(request, filled):
    """Make an archive whose bytes nothing names, and an inbox that no longer has all of them."""
    shutil.rmtree(filled.folder.warehouse)
    shutil.rmtree(filled.folder.backups, ignore_errors=True)
    EMPTIED[request.param](filled.folder.archive / "arrivals.jsonl")
    (filled.folder.inbox / "job 1/s1_1.csv").unlink()
    return filled


def state_of(shop):
    return {path: path.read_bytes() for path in shop.folder.archive.rglob("*") if path.is_file()}


def test_an_archive_without_ledger_and_database_is_told_and_nothing_is_begun(nameless, tmp_path):
    before = state_of(nameless)
    # In this order, and again: one must not make the next think that all is well.
    for command in ("derive", "check", "update", "intake", "backup", "check", "update"):
        more = [tmp_path / "to"] if command == "backup" else []
        code, said = command_line(command, nameless.folder.root, *more)
        assert code == 1, (command, said)
        # The card's bytes are named by the journal of acts.
        only_sent_on = command in ("derive", "backup")
        told = "rollbook update" if only_sent_on else "names 4 files that the archive holds"
        assert told in said, said
    assert state_of(nameless) == before
    assert not [*nameless.folder.published.glob("*")]


def test_it_begins_anew_once_a_person_has_moved_the_archive_away(nameless):
    nameless.folder.archive.rename(nameless.folder.root / "archive of before")
    assert nameless.take_in().arrived == 4


def test_it_begins_anew_where_the_inbox_holds_all_of_it_and_says_so(filled):
    shutil.rmtree(filled.folder.warehouse)
    (filled.folder.archive / "arrivals.jsonl").write_bytes(b"")
    taken = filled.take_in()
    assert taken.arrived == 5
    assert any("begins anew" in told for told in taken.mended)


def test_a_first_intake_that_was_stopped_is_no_lost_ledger(shop, monkeypatch):
    path = shop.put("job 1/pull_1.csv", pull_text())
    with monkeypatch.context() as patched:
        patched.setattr("flows.steps.archive.append", lambda *_: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            shop.take_in()
    path.write_text(pull_text(1.1), encoding="utf-8")
    assert shop.take_in().arrived == 1
    # From here on it is one that had begun.
    shop.forget_warehouse()
    (shop.folder.archive / "arrivals.jsonl").write_bytes(b"")
    with pytest.raises(DamagedError, match=" 2 files that the archive holds"):
        shop.take_in()
