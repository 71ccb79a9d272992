"""Logs that need not fit into memory give what the same log gives when it is read whole."""

import json

import numpy as np
import polars as pl
import pytest

from flows.steps import long_logs, read


@pytest.fixture
def short_is_long(monkeypatch):
    """Take every file for a long one, read in small pieces."""
    monkeypatch.setattr(read, "LONG_BYTES", 0)
    monkeypatch.setattr("flows.readers.text.PIECE_BYTES", 4000)


def long_ride(make, seconds=120, change=None):
    lines = make.ride(seconds=seconds).splitlines()
    for at, text in (change or {}).items():
        lines[at] = text
    return "\n".join(lines) + "\n"


def take_in(shop, make, text):
    shop.put("job/ride.csv", text)
    stage = make.stage(pulls=[], rides=["ride.csv"])
    shop.put("job/card.toml", make.card(stages=[stage]))
    shop.work_out("out.cruise_cell")
    outcome = shop.outcome("job/ride.csv")
    readings = shop.rows(
        "SELECT rows_read, rows_kept, rows_rejected, facts, sample_path FROM raw.reading"
    )
    cells = shop.rows("SELECT * FROM out.cruise_cell ORDER BY ALL")
    return outcome, readings[0], cells


@pytest.mark.parametrize(
    "change",
    [
        {},
        {5: "0.4,not a number,60,10,0.97,0,0"},
        {300: "1,2"},
        {600: "2.0,3000,60.0,10.0,0.97,-41.87,-112.25"},
    ],
)
def test_piece_by_piece_is_as_whole(shop, make, open_little_shop, tmp_path, monkeypatch, change):
    text = long_ride(make, change=change)
    whole = take_in(shop, make, text)
    monkeypatch.setattr(read, "LONG_BYTES", 0)
    monkeypatch.setattr("flows.readers.text.PIECE_BYTES", 4000)
    other = open_little_shop(tmp_path / "other")
    pieces = take_in(other, make, text)
    assert pieces[0].state == whole[0].state == "taken in"
    assert pieces[1][:3] == whole[1][:3]
    assert json.loads(pieces[1][3]) == json.loads(whole[1][3])
    assert pieces[2] == whole[2]
    one, two = (
        pl.read_parquet(s.folder.root / r[1][4]).drop("sample_id")
        for s, r in ((shop, whole), (other, pieces))
    )
    assert one.equals(two)
    rejected = "SELECT line_no, column_name, rule, found FROM raw.rejected_row ORDER BY ALL"
    assert other.rows(rejected) == shop.rows(rejected)


def test_a_clock_that_goes_back_between_two_pieces_is_seen(shop, make, short_is_long):
    lines = make.ride(seconds=60).splitlines()
    lines[300:310] = [lines[10]] * 10
    outcome, reading, _ = take_in(shop, make, "\n".join(lines) + "\n")
    assert outcome.state == "taken in"
    assert reading[2] == 10
    assert shop.rows("SELECT DISTINCT rule FROM raw.rejected_row") == [
        ("time rises from row to row",)
    ]


def test_too_many_bad_rows_leave_no_samples(shop, make, short_is_long):
    text = make.ride(seconds=60).replace(",0.9", ",x")
    outcome, reading, _ = take_in(shop, make, text)
    assert (outcome.state, outcome.code) == ("refused", "too many bad rows")
    assert reading[4] is None
    assert list(shop.folder.samples.iterdir()) == []


def test_a_file_that_breaks_off_leaves_no_half_of_its_samples(shop, make, short_is_long):
    text = make.ride(seconds=60)
    half = len(text) // 2
    shop.put("job/ride.csv", text[:half].encode() + b"\0" * 50 + text[half:].encode())
    shop.put("job/card.toml", make.card(stages=[make.stage(pulls=[], rides=["ride.csv"])]))
    shop.take_in()
    assert shop.outcome("job/ride.csv").state == "refused"
    assert list(shop.folder.samples.iterdir()) == []


def test_judged_rows_are_taken_evenly_and_bounded(monkeypatch, shop, make, short_is_long):
    monkeypatch.setattr(long_logs, "JUDGED_ROWS", 50)
    seen = []
    standing = long_logs.judge_whole
    monkeypatch.setattr(
        long_logs,
        "judge_whole",
        lambda values, *rest: seen.append(values[:, 0].copy()) or standing(values, *rest),
    )
    take_in(shop, make, make.ride(seconds=60))
    (times,) = seen
    assert 50 <= times.size <= 100
    assert times[0] < 2.0
    assert times[-1] > 57.0
    assert np.diff(times).max() < 3.0
