"""A file that is still being written is not taken for a whole one; a cut one is told."""

import os
import threading
import time

import pytest

from flows.steps import archive
from tests.conftest import command_line

SETTLE_S = 0.8


def must_not_wait(seconds):
    pytest.fail("it waited")


@pytest.fixture
def pull(make):
    return make.pull(rows=401).encode()


@pytest.fixture
def job(shop, make):
    """Put a card whose one pull has not come yet, and a file of long ago."""
    shop.put("job 1/card.toml", make.card())
    return shop


class SlowWriter:
    """Writes a file in a thread, some bytes at a time, as a slow copy does, until told to end."""

    def __init__(self, path, data, pause_s):
        path.parent.mkdir(parents=True, exist_ok=True)
        self.begun, self.may_end = threading.Event(), threading.Event()
        self.thread = threading.Thread(target=self.write, args=(path, data, pause_s))
        self.thread.start()
        self.begun.wait()

    def write(self, path, data, pause_s):
        with path.open("wb") as file:
            for byte in range(len(data) - 1):
                file.write(data[byte : byte + 1])
                file.flush()
                self.begun.set()
                if self.may_end.wait(pause_s):
                    break
            file.write(data[byte + 1 :])

    def end(self):
        self.may_end.set()
        self.thread.join()


@pytest.mark.parametrize("pause_s", [0.005, 0.05, 0.2])
def test_a_file_being_written_at_any_pace_waits_and_is_taken_in_whole_later(job, pull, pause_s):
    writer = SlowWriter(job.folder.inbox / "job 1" / "pull_1.csv", pull, pause_s)
    result = job.take_in(settle_s=SETTLE_S)
    assert result.unsettled == ("job 1/pull_1.csv",)
    assert result.arrived == 1
    assert job.rows("SELECT count(*) FROM raw.reading") == [(0,)]
    # The card names it; it is coming, not missing.
    assert "missing" not in result.states
    assert not list(job.folder.refused.iterdir())
    writer.end()
    assert job.take_in(settle_s=SETTLE_S).unsettled == ()
    assert job.rows("SELECT rows_read FROM raw.reading") == [(409,)]
    assert not list(job.folder.archive.glob("*.arriving"))


def test_of_a_file_whose_writer_pauses_for_longer_the_whole_one_takes_the_parts_place(job, pull):
    path = job.folder.inbox / "job 1" / "pull_1.csv"
    with path.open("wb") as writer:
        writer.write(pull[:6000])
        writer.flush()
        assert job.take_in(settle_s=SETTLE_S).unsettled == ()
        writer.write(pull[6000:])
    job.take_in(settle_s=SETTLE_S)
    job.derive()
    assert job.rows("SELECT count(*) FROM core.pull") == [(1,)]
    assert job.rows("SELECT count(*) FROM out.pull") == [(1,)]
    current = job.rows(
        "SELECT rows_read FROM raw.reading JOIN raw.arrival USING (file_sha256) "
        "WHERE is_current AND is_present"
    )
    assert current == [(409,)]
    assert job.rows("SELECT count(*) FROM raw.arrival WHERE NOT is_current") == [(1,)]


def test_a_file_that_grows_while_it_is_read_is_not_archived(job, pull, monkeypatch):
    path = job.put("job 1/pull_1.csv", pull[:5000])
    read = type(path).read_bytes

    def read_while_written(self):
        data = read(self)
        if self == path:
            with self.open("ab") as file:
                file.write(pull[5000:])
        return data

    monkeypatch.setattr(type(path), "read_bytes", read_while_written)
    assert job.take_in().unsettled == ("job 1/pull_1.csv",)
    monkeypatch.undo()
    job.take_in()
    assert job.rows("SELECT rows_read FROM raw.reading") == [(409,)]
    assert job.rows("SELECT count(*) FROM raw.file") == [(2,)]


def test_a_large_file_that_grows_while_it_is_copied_is_not_archived(job, pull, monkeypatch):
    monkeypatch.setattr(archive, "PIECE_BYTES", 4096)
    path = job.put("job 1/pull_1.csv", pull)
    fsync = os.fsync

    def fsync_while_written(handle):
        with path.open("ab") as file:
            file.write(b"30,8000,1,0.9,100\n")
        fsync(handle)

    monkeypatch.setattr(os, "fsync", fsync_while_written)
    assert "job 1/pull_1.csv" in job.take_in().unsettled
    assert not list(job.folder.archive.glob("*.arriving"))


@pytest.mark.skipif(os.name == "nt", reason="Windows keeps no time of change beside it")
def test_a_copy_that_keeps_the_time_of_its_original_is_looked_at_twice(job, pull, monkeypatch):
    path = job.put("job 1/pull_1.csv", pull)
    os.utime(path, ns=(1, 1))
    slept = []
    monkeypatch.setattr(archive.time, "sleep", slept.append)
    job.take_in(settle_s=SETTLE_S)
    assert slept == [SETTLE_S]


def test_files_that_nobody_touched_for_a_minute_cost_no_wait(job, pull, monkeypatch):
    job.put("job 1/pull_1.csv", pull)
    now = time.time()
    monkeypatch.setattr(archive.time, "time", lambda: now + 61)
    monkeypatch.setattr(archive.time, "sleep", must_not_wait)
    assert job.take_in(settle_s=SETTLE_S).arrived == 2


def test_an_intake_that_finds_nothing_new_does_not_wait(job, pull, monkeypatch):
    job.put("job 1/pull_1.csv", pull)
    job.take_in()
    monkeypatch.setattr(archive.time, "sleep", must_not_wait)
    assert job.take_in(settle_s=SETTLE_S).arrived == 0


def test_an_earlier_file_stays_current_while_its_successor_is_being_written(job, pull):
    path = job.put("job 1/pull_1.csv", pull)
    job.take_in()
    longer = pull + b"30.00,8100,1.0,0.870,100\n"
    writer = SlowWriter(path, longer, 0.01)
    assert job.take_in(settle_s=SETTLE_S).unsettled == ("job 1/pull_1.csv",)
    present = "SELECT rows_read FROM raw.reading JOIN raw.arrival USING (file_sha256) " \
        "WHERE is_current AND is_present"  # fmt: skip
    assert job.rows(present) == [(409,)]
    writer.end()
    job.take_in(settle_s=SETTLE_S)
    assert job.rows(present) == [(410,)]


@pytest.mark.parametrize("cut", [-3, -12, -19])
def test_a_text_that_ends_in_mid_row_is_told(job, pull, cut):
    # The last row is "20.40,8000,49.745,0.8760,100": cut in its last, third and second cell.
    job.put("job 1/pull_1.csv", pull.rstrip(b"\n")[:cut])
    job.take_in()
    ((notes,),) = job.rows("SELECT facts ->> '$.notes' FROM raw.reading")
    assert "the file ends within line 414, in mid-row" in notes
    assert job.rows("SELECT rows_rejected FROM raw.reading") == [(1,)]


def test_a_text_whose_last_line_is_whole_but_not_ended_is_not_called_cut(job, pull):
    job.put("job 1/pull_1.csv", pull.rstrip(b"\n"))
    job.take_in()
    ((notes,),) = job.rows("SELECT facts ->> '$.notes' FROM raw.reading")
    assert "mid-row" not in notes


@pytest.mark.parametrize(
    ("ways", "rests"), [((), [3.0]), (("--complete",), [])], ids=["as set", "complete"]
)
def test_an_update_lets_files_rest_as_long_as_the_settings_say(job, monkeypatch, ways, rests):
    settings = job.folder.settings
    told = settings.read_text(encoding="utf-8").replace("settle_s = 0.0", "settle_s = 3.0")
    settings.write_text(told, encoding="utf-8")
    slept = []
    monkeypatch.setattr(archive.time, "sleep", slept.append)
    assert command_line("update", *ways, job.folder.root)[0] == 0
    assert [pause_s for pause_s in slept if pause_s == 3.0] == rests
