"""Files that need someone: each in one group, the biggest first, and none lost by a filter."""

import datetime as dt

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.troubles import AGES, IN_NEED, asked_for, retried, troubles

NOW = dt.datetime(2026, 6, 30, 12, tzinfo=dt.UTC)
SCHEMA = {
    "job_folder": pl.String, "file_name": pl.String, "state": pl.String, "reason_code": pl.String,
    "reason": pl.String, "remedy": pl.String, "layout": pl.String,
    "received_at": pl.Datetime("us", "UTC"),
}  # fmt: skip


def files(*rows):
    plain = {
        "job_folder": "J-1", "file_name": "run_1.csv", "state": "waiting",
        "reason_code": "layout not taught", "reason": "no layout", "remedy": "Teach it.",
        "layout": None, "received_at": NOW,
    }  # fmt: skip
    return pl.DataFrame([plain | row for row in rows], schema=SCHEMA, orient="row")


def names(frame):
    return frame["file_name"].to_list()


def test_files_with_the_same_thing_to_do_stand_together_the_most_first():
    found = troubles(
        files(
            {
                "file_name": "a",
                "state": "refused",
                "reason_code": "empty file",
                "remedy": "Export.",
            },
            {"file_name": "b", "reason": "text by '|'"},
            {"file_name": "c", "reason": "text by ','"},
            {"file_name": "d", "reason": "text by ','"},
        )
    )
    assert [names(trouble.files) for trouble in found] == [["b", "c", "d"], ["a"]]
    assert found[0].reasons == [("text by ','", 2), ("text by '|'", 1)]
    assert (found[1].state, found[1].code, found[1].remedy) == ("refused", "empty file", "Export.")


def test_no_file_makes_no_group():
    assert troubles(files()) == []


rows = st.fixed_dictionaries(
    {
        "state": st.sampled_from(IN_NEED),
        "reason_code": st.sampled_from(["x", "y"]),
        "reason": st.sampled_from(["r", "s", "t"]),
        "remedy": st.sampled_from(["m", "n"]),
        "layout": st.sampled_from([None, "dyno", "logger"]),
        "received_at": st.none()
        | st.datetimes(dt.datetime(2025, 1, 1), dt.datetime(2026, 6, 30)).map(
            lambda at: at.replace(tzinfo=dt.UTC)
        ),
    }
)


@given(st.lists(rows, max_size=20))
def test_every_file_is_in_one_group_and_every_reason_is_counted(given_rows):
    frame = files(*({**row, "file_name": str(at)} for at, row in enumerate(given_rows)))
    found = troubles(frame)
    assert sorted(name for one in found for name in names(one.files)) == sorted(names(frame))
    for one in found:
        assert sum(count for _, count in one.reasons) == one.files.height
        assert one.files["remedy"].unique().to_list() == [one.remedy]
    sizes = [one.files.height for one in found]
    assert sizes == sorted(sizes, reverse=True)


@given(st.lists(rows, max_size=20))
def test_the_parts_of_a_filter_make_up_the_whole(given_rows):
    frame = files(*({**row, "file_name": str(at)} for at, row in enumerate(given_rows)))
    assert names(asked_for(frame, now=NOW)) == names(frame)
    by_state = [asked_for(frame, states=[state], now=NOW).height for state in IN_NEED]
    assert sum(by_state) == frame.height
    layouts = ["", "dyno", "logger"]
    assert sum(asked_for(frame, layout=one, now=NOW).height for one in layouts) == frame.height
    came = frame.filter(pl.col("received_at").is_not_null()).height
    young, old = (asked_for(frame, age=age, now=NOW).height for age in AGES[2:])
    assert young + old == came


@pytest.mark.parametrize(
    ("age", "found"),
    [
        ("any time", ["6 days", "8 days", "29 days", "31 days", "never came"]),
        ("last 7 days", ["6 days"]),
        ("last 30 days", ["6 days", "8 days", "29 days"]),
        ("before that", ["31 days"]),
    ],
)
def test_files_are_asked_for_by_age(age, found):
    frame = files(
        *({"file_name": f"{days} days", "received_at": NOW - dt.timedelta(days=days)}
          for days in (6, 8, 29, 31)),
        {"file_name": "never came", "received_at": None},
    )  # fmt: skip
    assert names(asked_for(frame, age=age, now=NOW)) == found


def test_files_are_asked_for_by_age_whatever_the_machine_calls_its_zone():
    frame = files({}).with_columns(pl.col("received_at").dt.convert_time_zone("Etc/UTC"))
    assert asked_for(frame, age="last 7 days", now=NOW).height == 1


@pytest.mark.parametrize("text", ["j-1/RUN", "run_1.c", "J-1"])
def test_files_are_asked_for_by_any_part_of_folder_and_name(text):
    assert asked_for(files({}), text=text, now=NOW).height == 1


def test_signs_in_what_is_asked_for_stand_for_themselves():
    frame = files({"file_name": "run(1).csv"}, {"file_name": "run1.csv"})
    assert names(asked_for(frame, text="run(1)", now=NOW)) == ["run(1).csv"]
    assert names(asked_for(frame, text=".*", now=NOW)) == []


@pytest.mark.parametrize(
    ("states", "sentence"),
    [
        ({("J-1", "a"): "taken in", ("J-1", "b"): "waiting"}, "1 of 2 now taken in."),
        ({("J-1", "a"): "taken in", ("J-1", "b"): "taken in"}, "2 of 2 now taken in."),
        ({("J-1", "a"): "refused"}, "None of 2 is taken in yet"),
    ],
)
def test_a_try_says_what_changed(states, sentence):
    assert retried([("J-1", "a"), ("J-1", "b")], states).sentence.startswith(sentence)


def test_a_try_with_nothing_waiting_says_so():
    assert retried([], {}).sentence == "No file was waiting."
