"""The day of a shop and its two faces: the start page and the morning file."""

import datetime as dt
import html
import json
import re
from pathlib import Path

import polars as pl
import pytest

from dashboard import links
from dashboard.day import read_day
from dashboard.sheets.morning import write_morning
from warehouse import statements, wording

DAY = dt.date(2026, 6, 23)
NO_FILES = pl.DataFrame(
    schema=dict.fromkeys(
        ("job_folder", "file_name", "state", "reason_code", "reason", "remedy"), pl.String
    )
)


class Told:
    """Answers as a test puts them."""

    def __init__(self, news=(), bikes=(), last_on=DAY, needs=()):
        self.given = {}
        came = {"last_on": last_on, "files_since": 0} | {
            f"{name}_{which}": 1 for name in ("bikes", "jobs", "pulls")
            for which in ("since", "last")
        }  # fmt: skip
        self.answers = {
            "day_came": pl.DataFrame([came]),
            "files_in_need": NO_FILES,
            "jobs_out": pl.DataFrame(schema={"reason": pl.String}),
            "notes_lately": pl.DataFrame(),
            "layout_gaps": pl.DataFrame(schema={"is_problem": pl.Boolean}),
            "news": pl.DataFrame(list(news), infer_schema_length=None),
            "remap_needs": pl.DataFrame(
                list(needs), schema={"is_stock_map": pl.Boolean, "lean_bikes": pl.Int64}
            ),
            "on_the_dyno": pl.DataFrame(list(bikes), infer_schema_length=None),
        }

    def ask(self, question, **given):
        self.given[question] = given
        return self.answers[question]


def test_what_needs_a_remap_most_is_the_first_lean_combination_on_an_untouched_map():
    needs = [
        {"is_stock_map": False, "lean_bikes": 9},
        {"is_stock_map": True, "lean_bikes": 0},
        {"is_stock_map": True, "lean_bikes": 3},
        {"is_stock_map": True, "lean_bikes": 7},
    ]
    assert read_day(Told(needs=needs).ask, DAY, "UTC").need == needs[2]
    assert read_day(Told(needs=needs[:2]).ask, DAY, "UTC").need is None


def piece(news_id, days_ago, gravity="look", *, kind="comeback", is_over=False, bike="B-1"):
    return {
        "news_id": news_id, "news_kind": kind, "gravity": gravity, "is_over": is_over,
        "news_on": DAY - dt.timedelta(days=days_ago), "page_query": json.dumps({"bike": bike}),
    }  # fmt: skip


def bike(bike_id, level, beyond=None, *, is_control=False):
    return {
        "bike_id": bike_id, "job_id": f"J {bike_id}", "model_label": "M", "is_control": is_control,
        "level": level, "level_not_excluded": beyond, "more_pulls": 1,
        "is_gauge_in_the_way": False, "worst_lean_error_pct": 9.0, "worst_speed_rpm": 7000.0,
        "worst_lower_pct": 8.0, "worst_upper_pct": 10.0, "is_scatter_assumed": False,
        "judged_from_rpm": 3000.0, "judged_to_rpm": 9000.0, "settling_s": None,
        "is_near_peak_torque": False,
    }  # fmt: skip


def names(news):
    return [row["news_id"] for row in news]


def test_news_of_the_week_come_first_and_the_weightiest_of_them():
    told = Told(
        [piece("a", 0, "know"), piece("b", 1, "look"), piece("c", 2, "act"),
         piece("d", 3, "look", is_over=True), piece("e", 6, "act"), piece("f", 7, "act"),
         piece("g", 66, "look"), piece("h", 67, "act")]
    )  # fmt: skip
    day = read_day(told.ask, DAY, "UTC")
    assert names(day.fresh) == ["c", "e", "b", "a"]
    # The sixty days before the week; what is older, or over, stands in the list of all alone.
    assert names(day.lately) == ["f", "g"]
    assert names(day.news) == list("abcdefgh")


def test_the_week_is_that_of_the_shops_last_day_not_of_the_clock():
    day = read_day(Told([piece("a", 2)]).ask, DAY + dt.timedelta(days=200), "UTC")
    assert names(day.fresh) == ["a"]
    assert day.heading == "News: 1 in the 7 days up to 23 Jun 2026"


def test_a_bike_that_may_be_lean_stands_first_and_the_control_bike_last():
    day = read_day(
        Told(bikes=[bike("B-1", "none"), bike("B-2", "notice", "warn"), bike("B-3", "stop"),
                    bike("B-4", "warn", is_control=True)]).ask,
        DAY, "UTC",
    )  # fmt: skip
    assert [one.row["bike_id"] for one in day.bikes] == ["B-3", "B-2", "B-1", "B-4"]
    assert "B-3 and B-2" in day.lean


def test_a_bike_on_the_dyno_has_not_left_yet():
    news = [piece("left J B-1", 0, "act", kind="left lean"),
            piece("left J B-9", 40, "act", kind="left lean", bike="B-9")]  # fmt: skip
    day = read_day(Told(news, [bike("B-1", "stop")]).ask, DAY, "UTC")
    assert names(day.news) == ["left J B-9"]
    assert day.lean == (
        "On the dyno B-1 is lean, or may be. 1 bike left lean, not measured since: B-9."
    )


def test_yesterday_begins_at_midnight_on_the_shops_own_clock():
    told = Told()
    read_day(told.ask, DAY, "Europe/Vienna")
    given = told.given["day_came"]
    # Vienna is two hours ahead in summer.
    assert given["since_at"] == dt.datetime(2026, 6, 21, 22, tzinfo=dt.UTC)
    assert given["until_at"] == dt.datetime(2026, 6, 23, 22, tzinfo=dt.UTC)


def test_the_morning_file_says_the_day_asks_nothing_and_is_the_same_twice(small_shop):
    path = write_morning(small_shop, DAY)
    first = path.read_bytes()
    assert path.name == "morning-2026-06-23.html"
    assert write_morning(small_shop, DAY).read_bytes() == first
    text = html.unescape(first.decode("utf-8"))
    assert all(caution in text for caution in wording.CAUTIONS)
    # What a note says is letters; tags alone could run or ask for anything.
    assert not re.search(r"<[^>]*(script|https?:|src=|href=)|url\(", first.decode("utf-8"))
    assert "On the dyno" in text
    assert "23 Jun 2026" in text


def test_a_morning_before_the_first_day_and_on_an_empty_shop_is_written_too(small_shop, empty_shop):
    for shop in (small_shop, empty_shop):
        text = write_morning(shop, dt.date(2001, 1, 1)).read_text(encoding="utf-8")
        assert "Nothing has been run on the dyno yet." in text


@pytest.mark.parametrize("address", sorted(links.PAGES))
def test_every_address_that_news_name_has_its_page(address):
    root = Path(links.__file__).parent
    assert (root / links.PAGES[address]).is_file()


def test_news_name_no_other_address():
    named = re.findall(r"'([\w-]+)' AS page_address", statements.definitions()["out.news"])
    assert named
    assert set(named) == set(links.PAGES)


def test_notes_of_the_last_14_days_stand_in_the_morning_file_but_none_taken_back(small_shop):
    # The shop's notes are of 20 Jun 2026, one of them taken back; its last day is 23 Jun.
    text = html.unescape(write_morning(small_shop, DAY).read_text(encoding="utf-8"))
    assert "Noted lately" in text
    assert "chain rattles" in text
    assert "withdrawn words" not in text
    before = write_morning(small_shop, dt.date(2026, 6, 19)).read_text(encoding="utf-8")
    assert "chain rattles" not in before


def test_notes_are_asked_for_the_14_days_up_to_the_shops_last_day():
    told = Told()
    read_day(told.ask, DAY + dt.timedelta(days=30), "UTC")
    asked = told.given["notes_lately"]
    # 10 to 23 June are fourteen days.
    assert asked == {"since": dt.date(2026, 6, 10), "day": dt.date(2026, 7, 23)}
