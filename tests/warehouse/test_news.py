"""News: each on the day of its evidence, told once, over when later evidence took its place.

Days, counts and levels are set by hand; what must come of them is counted by hand.
"""

import json
from datetime import date

import pytest

from warehouse.questions import ask

WARN = {"fact": "mixture.warn_pct", "fact_value": "10.0", "meaning": "x"}


def put_job(loose, job, bike, on, *stages, is_control=False):
    """Put a job of stages: each a level with its worst error and lower end, or None unread."""
    loose.loosen("out.stage")
    for no, told in enumerate(stages, start=1):
        about = {"stage_id": f"{job}/{no}", "job_id": job, "bike_id": bike, "model_id": "m"}
        loose.put("out.stage", about | {
            "stage_no": no, "stage_name": f"stage {no}", "received_on": on,
            "is_control": is_control, "model_label": "Corvane Strada (2016–2019)",
        })  # fmt: skip
        loose.put("out.session", about | {"run_on": on, "pulls": 3, "pulls_used": 3})
        if told:
            level, beyond, worst, lower = told
            loose.put("out.stage_mixture", about | {
                "level": level, "level_not_excluded": beyond, "worst_lean_error_pct": worst,
                "worst_lower_pct": lower, "worst_upper_pct": 2 * worst - lower,
                "worst_speed_rpm": 7400,
            })  # fmt: skip


LEAN = ("warn", None, 12.0, 11.0)
DOUBTFUL = ("warn", "stop", 11.0, 7.0)
FINE = ("none", None, 1.0, 0.0)


def news(loose, columns="news_id, news_kind, gravity, certainty, news_on, is_over"):
    return loose.rows(f"SELECT {columns} FROM out.news ORDER BY ALL")  # noqa: S608


def test_a_bike_is_told_by_the_stage_it_left_with(loose):
    loose.put("out.shop_fact", WARN)
    put_job(loose, "J-1", "B-1", "2025-03-01", LEAN, FINE)
    put_job(loose, "J-2", "B-2", "2025-03-02", FINE, LEAN)
    put_job(loose, "J-3", "B-3", "2025-03-03", DOUBTFUL)
    put_job(loose, "J-4", "B-4", "2025-03-04", ("notice", "warn", 9.0, 7.0))
    put_job(loose, "J-5", "B-5", "2025-03-05", LEAN, is_control=True)
    assert news(loose) == [
        ("left J-2", "left lean", "act", "sure", date(2025, 3, 2), False),
        ("left J-3", "left lean", "act", "likely", date(2025, 3, 3), False),
        ("left J-4", "left perhaps lean", "look", "likely", date(2025, 3, 4), False),
    ]


@pytest.mark.parametrize(
    ("later", "is_over"), [((FINE,), True), ((LEAN, None), False), ((None,), False)]
)
def test_an_alarm_ends_only_when_the_bike_left_again_and_was_read(loose, later, is_over):
    put_job(loose, "J-1", "B-1", "2025-03-01", LEAN)
    put_job(loose, "J-2", "B-1", "2025-04-01", *later)
    told = {row[0]: row[1] for row in news(loose, "news_id, is_over")}
    assert told["left J-1"] is is_over


def put_map(loose, bikes, *, is_newest=True, side="lean"):
    loose.put("out.map_revision", {
        "map_id": "r", "model_label": "M", "map_label": "road r2", "map_name": "road",
        "map_from": 1, "fuel": "E5", "bikes": len(bikes), "lean_bikes": 0, "is_missing": True,
        "is_newest": is_newest,
    })  # fmt: skip
    loose.put("out.map_revision_rank", {
        "map_id": "r", "side": side, "most_error_pct": 7.0, "worst_speed_rpm": 7000,
        "bikes_missing": sum(is_off for _, is_off in bikes),
    })  # fmt: skip
    loose.loosen("out.lean_window")
    for no, (on, is_off) in enumerate(bikes):
        stage = f"J-{no}/1"
        loose.put("out.map_revision_bike", {"map_id": "r", "stage_id": stage, "level": "none"})
        loose.put("out.session", {"stage_id": stage, "run_on": on})
        if is_off:
            loose.put("out.lean_window", {
                "stage_id": stage, "side": "lean", "from_rpm": 6500, "to_rpm": 7500,
            })  # fmt: skip


@pytest.mark.parametrize(
    ("bikes", "since"),
    [
        ([("2025-03-01", True)], date(2025, 3, 1)),
        # Half of the bikes so far, and from then on: 1 of 1, 1 of 2, 2 of 3.
        ([("2025-03-01", True), ("2025-03-05", False), ("2025-03-09", True)], date(2025, 3, 1)),
        # 0 of 1, 1 of 2: the day of the second.
        ([("2025-03-01", False), ("2025-03-05", True)], date(2025, 3, 5)),
        # 1 of 1, 1 of 2, 1 of 3, 2 of 4: it began anew with the fourth.
        ([("2025-03-01", True), ("2025-03-05", False), ("2025-03-07", False),
          ("2025-03-09", True)], date(2025, 3, 9)),
        # One far off makes the mean miss though two are not: known with the last of them.
        ([("2025-03-01", True), ("2025-03-05", False), ("2025-03-07", False)], date(2025, 3, 7)),
    ],
)  # fmt: skip
def test_a_map_misses_since_half_of_its_bikes_showed_it(loose, bikes, since):
    put_map(loose, bikes)
    assert news(loose, "news_id, news_on, is_over") == [("map r", since, False)]


def test_a_replaced_map_is_past_news_and_one_bike_makes_it_only_likely(loose):
    put_map(loose, [("2025-03-01", True)], is_newest=False)
    assert news(loose, "certainty, is_over") == [("likely", True)]


def test_the_dyno_moved_on_the_day_its_chart_said_so(loose):
    event = {
        "event_no": 1, "dyno_event": "roll: shift 2025-03-01", "dyno": "roll",
        "event_kind": "shift", "first_on": "2025-03-01", "event_pct": -1.5, "event_half_pct": 0.5,
        "sessions_affected": 9, "told": json.dumps({"code": "no control bike"}),
    }  # fmt: skip
    weather = {
        "event_no": 2, "dyno_event": "roll: weather", "event_kind": "weather",
        "event_half_pct": None, "last_on": "2025-02-03", "first_on": "2025-02-02",
    }  # fmt: skip
    loose.put("out.dyno_event", event, event | weather)
    signals = {"2025-02-20": True, "2025-03-01": False, "2025-04-02": True, "2025-05-02": True}
    for on, is_signal in signals.items():
        loose.put("out.dyno_check", {
            "stage_id": on, "dyno": "roll", "run_on": on,
            "signal": '[{"code": "x"}]' if is_signal else "[]",
        })  # fmt: skip
    assert news(loose) == [
        ("dyno roll: shift 2025-03-01", "dyno", "act", "sure", date(2025, 4, 2), False),
        ("dyno roll: weather", "dyno", "look", "likely", date(2025, 2, 2), True),
    ]


def put_reading(loose, sha, on, gaps, layout="bench"):
    told = [{"gap_kind": "head entry", "entry": name, "instead": ""} for name in gaps]
    loose.put("raw.arrival", {
        "job_folder": f"J {sha}", "file_name": "log.csv", "file_sha256": sha,
        "received_at": f"{on} 09:00:00+00",
    })  # fmt: skip
    loose.put("raw.reading", {
        "file_sha256": sha, "layout": layout, "state": "read", "facts": json.dumps({"gaps": told}),
    })  # fmt: skip


def test_a_logger_changed_with_the_first_file_that_lacks_what_those_before_had(loose):
    loose.loosen("out.file")
    for no, gaps in enumerate([(), ("Luft",), (), *[("Luft",)] * 6], start=1):
        put_reading(loose, f"b{no}", f"2025-03-0{no}", gaps)
    put_reading(loose, "n1", "2025-04-01", ("Datum",), layout="never had it")
    told = news(loose, "news_id, news_on, gravity, told")
    assert [row[:3] for row in told] == [
        ("logger bench: head entry: Luft", date(2025, 3, 4), "act"),
        ("logger never had it: head entry: Datum", date(2025, 4, 1), "act"),
    ]
    assert [json.loads(row[3])["had_it"] for row in told] == [True, False]


def test_files_in_other_units_are_one_piece_of_news_a_layout(loose):
    first = json.dumps({"code": "unit differs", "column": "P", "stated": "hp", "unit": "kW"})
    for no, (state, code) in enumerate(
        [("refused", "unit differs"), ("waiting", "unit differs"), ("taken in", "unit differs"),
         ("refused", "no rows")], start=1,
    ):  # fmt: skip
        loose.put("out.file", {
            "file_sha256": f"f{no}", "layout": "bench", "state": state, "reason_code": code,
            "reason": first if no == 1 else "{}", "received_at": f"2025-03-0{no} 09:00:00+00",
        })  # fmt: skip
    ((news_id, on, told),) = news(loose, "news_id, news_on, told")
    assert (news_id, on) == ("units bench: unit differs", date(2025, 3, 1))
    assert (json.loads(told)["files"], json.loads(told)["first"]["stated"]) == (2, "hp")


def test_a_leading_build_is_news_only_where_more_bikes_are_lean_than_not(loose):
    put_job(loose, "J-1", "B-1", "2025-03-01", FINE)
    for name, share, lower in (("n1", 0.8, 0.6), ("n2", 0.6, 0.2), ("n3", 0.1, 0.01)):
        loose.put("out.remap_need", {
            "need_id": name, "model_id": "m", "warn_share": share, "warn_lower_share": lower,
            "leading_since": "2025-03-01", "bikes": 4, "lean_bikes": 3, "map_label": "stock",
        })  # fmt: skip
    assert news(loose, "news_id, certainty") == [("need n1", "sure"), ("need n2", "likely")]


def test_news_are_said_in_words_and_none_is_from_the_future(loose):
    loose.put("out.shop_fact", WARN)
    put_job(loose, "J-1", "B-1", "2025-03-01", LEAN)
    put_job(loose, "J-2", "B-2", "2099-01-01", LEAN)
    (row,) = ask(loose.connection, "news", day=date(2025, 3, 2)).to_dicts()
    assert row["sentence"] == "B-1 left lean, at warn: 12 % at 7,400 rpm"
    assert row["rests_on"] == "rests on 3 pulls"
    assert json.loads(row["page_query"]) == {"bike": "B-1", "job": "J-1", "stage": "J-1/1"}
