"""Times of every form end as seconds since the log's start, or are told to be none."""

import datetime as dt

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flows.readers.source import UnreadableError
from flows.steps.clock_times import ClockTimes
from schemas.layout import Layout
from schemas.toml_text import read_toml
from tests.in_words import words


def times(rules="", unit="s", zone="UTC", decimal="."):
    text = f"""
    [layout]
    name = "x"
    kind = "pull"
    equipment = "x"
    [recognise]
    columns = ["t", "rpm"]
    [text]
    delimiter = ";"
    decimal = "{decimal}"
    [channels.time]
    column = "t"
    unit = "{unit}"
    {rules}
    [channels.engine_speed]
    column = "rpm"
    unit = "rpm"
    [channels.wheel_power]
    column = "kW"
    unit = "kW"
    [power]
    state = "observed"
    """
    layout = read_toml(text, Layout, "x.toml")
    return ClockTimes(layout.channels["time"], layout, unit, zone)


def seconds(cells, rules="", dates=None, **ways):
    reader = times(rules, **ways)
    found = reader.read(pl.Series("t", cells), None if dates is None else pl.Series("d", dates))
    return found.values.tolist(), found.odd.tolist(), reader


def test_elapsed_times_stand_as_they_are():
    assert seconds([1500.0, 1600.0], unit="ms")[0] == [1.5, 1.6]
    assert seconds(["0,5", "0,6"], decimal=",")[0] == pytest.approx([0.5, 0.6])


@pytest.mark.parametrize(
    ("cells", "wanted"),
    [
        (["0:00:01.5", "0:00:02.0"], [0.0, 0.5]),
        (["12:59:59", "13:00:01"], [0.0, 2.0]),
        (["01:02,25", "01:02,75"], [0.0, 0.5]),
        (["59:59.9", "1:00:00.1"], [0.0, 0.2]),
    ],
)
def test_clock_times_count_from_the_first(cells, wanted):
    found, odd, _ = seconds(cells, 'form = "clock"')
    assert found == pytest.approx(wanted)
    assert odd == [False, False]


def test_midnight_adds_a_day_and_says_so():
    found, _, reader = seconds(["23:59:59.5", "00:00:00.5"], 'form = "clock"')
    assert found == pytest.approx([0.0, 1.0])
    assert "midnight" in words(reader.notes[0])


def test_a_small_fall_back_is_not_taken_for_midnight():
    found, _, reader = seconds(["10:00:05", "10:00:04"], 'form = "clock"')
    assert found == pytest.approx([0.0, -1.0])
    assert reader.notes == []


@pytest.mark.parametrize("cell", ["12:61:00", "noon", "1:2:3:4", "00:00:75"])
def test_what_is_no_clock_time_is_odd(cell):
    found, odd, _ = seconds(["00:00:01", cell], 'form = "clock"')
    assert odd == [False, True]
    assert np.isnan(found[1])


@pytest.mark.parametrize(
    ("cells", "started"),
    [
        (["2025-03-14 10:40:00.0", "2025-03-14 10:40:00.5"], dt.datetime(2025, 3, 14, 10, 40)),
        (["2025-03-14T10:40:00,0", "2025-03-14T10:40:00,5"], dt.datetime(2025, 3, 14, 10, 40)),
        (["14.03.2025 10:40:00.0", "14.03.2025 10:40:00.5"], dt.datetime(2025, 3, 14, 10, 40)),
        (["03/14/2025 10:40:00.0 PM", "03/14/2025 10:40:00.5 PM"],
         dt.datetime(2025, 3, 14, 22, 40)),
        (["2025-03-14T10:40:00.0Z", "2025-03-14T10:40:00.5Z"], dt.datetime(2025, 3, 14, 10, 40)),
    ],
)  # fmt: skip
def test_dates_and_times_of_many_forms(cells, started):
    found, odd, reader = seconds(cells, 'form = "date and time"')
    assert found == pytest.approx([0.0, 0.5])
    assert not any(odd)
    assert reader.started_at == started


def test_a_year_of_two_digits_is_of_our_century_and_a_clock_never_set_is_no_day():
    cells = ["03.04.26 14:00:00.0", "03.04.26 14:00:00.5"]
    found, _, reader = seconds(cells, 'form = "date and time"')
    assert found == pytest.approx([0.0, 0.5])
    assert reader.started_at == dt.datetime(2026, 4, 3, 14)
    for cells, rules in (
        (["01.01.1970 00:00:01", "01.01.1970 00:00:02"], 'form = "date and time"'),
        ([1.0, 2.0], 'form = "epoch"'),
    ):
        found, _, reader = seconds(cells, rules)
        assert found == pytest.approx([0.0, 1.0])
        assert reader.started_at is None
        assert [told["code"] for told in reader.notes] == ["head entry clock never set"]


def test_clock_times_in_twelve_hours_run_over_noon_and_midnight():
    noon = ["11:59:59 AM", "12:00:00 PM", "12:59:59.5 pm", "1:00:00PM"]
    assert seconds(noon, 'form = "clock"')[0] == pytest.approx([0.0, 1.0, 3600.5, 3601.0])
    midnight = ["11:59:59 PM", "12:00:00 AM", "12:00:01.000 AM"]
    assert seconds(midnight, 'form = "clock"')[0] == pytest.approx([0.0, 1.0, 2.0])


def test_a_day_that_could_be_a_month_is_asked_for():
    cells = ["03/04/2025 10:40:00", "03/04/2025 10:40:01"]
    with pytest.raises(UnreadableError, match="day first or the month first"):
        seconds(cells, 'form = "date and time"')
    rules = 'form = "date and time"\nday_first = true'
    assert seconds(cells, rules)[2].started_at == dt.datetime(2025, 4, 3, 10, 40)
    rules = 'form = "date and time"\nday_first = false'
    assert seconds(cells, rules)[2].started_at == dt.datetime(2025, 3, 4, 10, 40)


def test_the_date_may_stand_in_a_column_of_its_own():
    rules = 'form = "date and time"\ndate_column = "d"'
    found, _, reader = seconds(
        ["23:59:59.5", "00:00:00.5"], rules, dates=["2025-03-14", "2025-03-15"]
    )
    assert found == pytest.approx([0.0, 1.0])
    assert reader.started_at == dt.datetime(2025, 3, 14, 23, 59, 59, 500_000)


def test_offsets_and_zones_are_told_in_the_shops_zone():
    # Vienna is an hour ahead of UTC in March, before the last Sunday (EU directive 2000/84/EC).
    cells = ["2025-03-14 10:40:00+00:00", "2025-03-14 10:40:01+00:00"]
    reader = seconds(cells, 'form = "date and time"', zone="Europe/Vienna")[2]
    assert reader.started_at == dt.datetime(2025, 3, 14, 11, 40)
    rules = 'form = "date and time"\ntimezone = "UTC"'
    reader = seconds(["2025-03-14 10:40:00"] * 2, rules, zone="Europe/Vienna")[2]
    assert reader.started_at == dt.datetime(2025, 3, 14, 11, 40)


def test_the_spring_change_is_an_hour_less():
    # At 01:00 UTC on the last Sunday of March clocks go from 02:00 to 03:00.
    rules = 'form = "date and time"\ntimezone = "Europe/Vienna"'
    cells = ["2025-03-30 01:59:59", "2025-03-30 03:00:01"]
    assert seconds(cells, rules)[0] == pytest.approx([0.0, 2.0])


def test_epoch_seconds_and_milliseconds():
    # 1741948800 s after 1970-01-01T00:00Z is 2025-03-14T10:40Z (POSIX time).
    found, _, reader = seconds([1741948800.0, 1741948800.5], 'form = "epoch"')
    assert found == pytest.approx([0.0, 0.5])
    assert reader.started_at == dt.datetime(2025, 3, 14, 10, 40)
    found, _, reader = seconds([1741948800000.0, 1741948800500.0], 'form = "epoch"', unit="ms")
    assert found == pytest.approx([0.0, 0.5])


def test_an_impossible_epoch_is_told():
    with pytest.raises(UnreadableError, match="no date"):
        seconds([1e30, 1e30], 'form = "epoch"')


def test_what_no_form_reads_is_told():
    with pytest.raises(UnreadableError, match="no date and time"):
        seconds(["the ides of March"] * 3, 'form = "date and time"')


def test_temporal_cells_of_spreadsheets():
    start = dt.datetime(2025, 3, 14, 10, 40)
    cells = [start, start + dt.timedelta(milliseconds=250)]
    found, _, reader = seconds(cells, 'form = "date and time"')
    assert found == pytest.approx([0.0, 0.25])
    assert reader.started_at == start
    found = seconds([dt.time(0, 0, 1), dt.time(0, 0, 2)], 'form = "clock"')[0]
    assert found == pytest.approx([0.0, 1.0])
    found = seconds([dt.timedelta(seconds=1), dt.timedelta(seconds=2)])[0]
    assert found == pytest.approx([1.0, 2.0])


@given(st.lists(st.integers(1, 43_199), min_size=1, max_size=30), st.integers(0, 86_399))
def test_a_clock_over_several_midnights_never_runs_back(steps, start):
    wanted = np.concatenate(([0], np.cumsum(steps)))
    moments = [int(second) + start for second in wanted]
    cells = [f"{m // 3600 % 24}:{m // 60 % 60:02d}:{m % 60:02d}" for m in moments]
    assert seconds(cells, 'form = "clock"')[0] == pytest.approx(wanted.tolist())


def test_pieces_of_one_file_count_from_one_start():
    reader = times('form = "clock"')
    first = reader.read(pl.Series("t", ["23:59:58"]))
    second = reader.read(pl.Series("t", ["00:00:02"]))
    assert first.values.tolist() == [0.0]
    assert second.values.tolist() == pytest.approx([4.0])
