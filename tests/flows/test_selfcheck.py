"""The nightly self-check finds what is no longer as it was promised, and backs up what it must."""

import hashlib
import os
import shutil

import pytest

from flows.steps import ledger as ledgers
from flows.steps.progress import quietly
from flows.steps.selfcheck import self_check
from warehouse import snapshot, store


@pytest.fixture(scope="module")
def published_root(tmp_path_factory, make, open_little_shop):
    shop = open_little_shop(tmp_path_factory.mktemp("published") / "shop")
    shop.job(1)
    shop.put("job 2/ride_1.csv", make.ride())
    shop.put("job 2/card.toml", make.card("J-2", stages=[make.stage(pulls=[], rides=["*.csv"])]))
    shop.update()
    return shop.folder.root


@pytest.fixture
def published(published_root, open_little_shop, tmp_path):
    """Copy the published shop, for a test to spoil."""
    return open_little_shop(shutil.copytree(published_root, tmp_path / "published"))


def check(shop):
    with store.writer(shop.folder) as connection:
        return self_check(connection, shop.folder, quietly)


def test_a_sound_shop_has_no_problem(published):
    assert check(published) == []


def test_a_changed_byte_in_the_archive_is_found(published):
    ((sha,),) = published.rows("SELECT file_sha256 FROM core.ride")
    path = published.folder.archive / sha[:2] / sha
    data = bytearray(path.read_bytes())
    data[100] ^= 1
    path.write_bytes(bytes(data))
    (published.folder.inbox / "job 2" / "ride_1.csv").unlink()
    (problem,) = check(published)
    assert f"{sha} no longer holds the bytes that came (job 2/ride_1.csv)" in problem


def test_a_file_gone_from_the_archive_is_found(published):
    ((sha,),) = published.rows("SELECT file_sha256 FROM core.ride")
    (published.folder.archive / sha[:2] / sha).unlink()
    (published.folder.inbox / "job 2" / "ride_1.csv").unlink()
    (problem,) = check(published)
    assert sha in problem
    assert "Put the original file back into the inbox" in problem


def test_what_the_archive_lost_and_the_inbox_still_holds_is_archived_again(published):
    ((sha,),) = published.rows("SELECT file_sha256 FROM core.ride")
    path = published.folder.archive / sha[:2] / sha
    path.write_bytes(path.read_bytes()[:-100])
    told = []
    with store.writer(published.folder) as connection:
        assert self_check(connection, published.folder, quietly, told.append) == []
    assert told == ["The archive had lost job 2/ride_1.csv; the inbox still held it."]
    assert hashlib.sha256(path.read_bytes()).hexdigest() == sha


def test_a_missing_sample_file_is_found_and_the_remedy_helps(published):
    before = published.contents("core", "out")
    ((path,),) = published.rows("SELECT sample_path FROM raw.reading WHERE layout_kind = 'ride'")
    (published.folder.root / path).unlink()
    (problem,) = check(published)
    assert path in problem
    assert "run `rollbook update`" in problem
    published.update()
    assert check(published) == []
    assert published.contents("core", "out") == before


def test_a_rule_that_is_broken_is_told_with_its_reason(published):
    published.rows("UPDATE out.shop_fact SET meaning = '' WHERE fact = 'shop.name'")
    (problem,) = check(published)
    assert "every_fact_has_a_value_and_a_meaning: 1 rows break it" in problem


def test_a_snapshot_that_cannot_be_read_is_found(published):
    snapshot.current(published.folder.root).path.write_bytes(b"not a database")
    (problem,) = check(published)
    assert "is not whole" in problem
    assert "rollbook publish" in problem


def test_a_damaged_layout_is_told_and_does_not_take_its_copys_place(published):
    check(published)
    layout = published.folder.layouts / "plain-pull.toml"
    kept = published.folder.backups / "layouts-plain-pull.toml"
    whole = layout.read_bytes()
    layout.write_bytes(whole[: len(whole) // 2])
    (problem,) = check(published)
    assert problem.startswith("layouts/plain-pull.toml has mistakes")
    assert kept.read_bytes() == whole


def test_settings_layouts_and_ledger_are_backed_up(published):
    check(published)
    kept = published.folder.backups
    assert (kept / "rollbook.toml").read_bytes() == published.folder.settings.read_bytes()
    ledger = published.folder.archive / "arrivals.jsonl"
    assert (kept / "arrivals.jsonl").read_bytes() == ledger.read_bytes()
    layout = published.folder.layouts / "plain-pull.toml"
    assert (kept / "layouts-plain-pull.toml").read_bytes() == layout.read_bytes()


def test_a_ledger_that_nobody_wrote_to_is_read_from_where_it_was(published, monkeypatch):
    ledger = published.folder.archive / "arrivals.jsonl"
    standing = ledger.stat().st_size
    read = []
    lines_of = ledgers.lines_of
    monkeypatch.setattr(ledgers, "lines_of", lambda *told: read.append(told[0]) or lines_of(*told))
    published.put("job 3/pull_1.csv", "nothing known\n")
    assert published.take_in().arrived == 1
    assert b"".join(read) == ledger.read_bytes()[standing:]
    ((arrivals,),) = published.rows("SELECT count(*) FROM raw.ledger")
    assert arrivals == len(ledger.read_text(encoding="utf-8").splitlines())


def test_a_letter_of_the_ledgers_past_is_noticed_by_its_time_or_by_the_nightly_check(published):
    ledger = published.folder.archive / "arrivals.jsonl"
    stat, text = ledger.stat(), ledger.read_bytes()
    spoilt = text.replace(b"job 1", b"job 7", 1)
    ledger.write_bytes(spoilt)
    os.utime(ledger, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    # As a failing disk does it: neither size nor time tells, and reading all of it each time would.
    assert published.take_in().mended == ()
    assert any("the ledger" in problem for problem in check(published))
    os.utime(ledger)
    assert "was damaged (1 lines); it was made whole" in published.take_in().mended[0]
    assert ledger.read_bytes() == text
