"""What the control bike and the weather say of the dyno, from sessions whose truth is known."""

import json
import re
from datetime import date, timedelta
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
import pytest
from scipy import stats

from flows.metrics.notes import note
from flows.metrics.stability import drift_of_pair
from flows.steps import engine
from flows.steps.progress import quietly
from flows.steps.stability import STABILITY, drifts_of
from schemas.settings import Shop, ShopSettings
from warehouse import store, wording
from warehouse.sentences import in_words, remedy_in_words
from warehouse.shop import ShopFolder
from warehouse.store import kept

START = date(2025, 1, 7)
SPEED = np.arange(3000.0, 9000.0, 50.0)
OWN = '{"code": "own sessions", "sessions": 20}'
TRUST = {
    "repeatability_share": 0.004, "repeatability_dof": 20.0, "repeatability_origin": OWN,
    "remount_share": 0.005, "remount_pairs": 20, "remount_origin": OWN,
    "is_repeatability_assumed": False, "is_remount_assumed": False, "is_day_assumed": False,
    "day_share": 0.0, "day_dof": 9.0, "day_origin": OWN, "other_day_share": 0.005,
    "other_day_dof": 19.0, "is_other_day_assumed": False, "air_exponent_share": 0.17,
    "air_exponent_origin": OWN,
    "default_told": "[]",
}  # fmt: skip
TABLES = ("core.bike", "core.build", "core.stage", "core.pull", "out.pull", "out.session",
          "out.session_curve", "out.session_pull")  # fmt: skip


class Bench:
    """A store with sessions put straight into it."""

    def __init__(self):
        self._connection = duckdb.connect()
        self._rows = {}
        self.connection.execute("SET TimeZone = 'UTC'")
        store.create(self.connection)
        for table in TABLES:
            self.connection.execute(f"CREATE TABLE loose AS FROM {table}")
            self.connection.execute(f"DROP TABLE {table} CASCADE")
            self.connection.execute(f"CREATE TABLE {table} AS FROM loose")
            self.connection.execute("DROP TABLE loose")
        self.draw = np.random.default_rng(5)
        for bike_id, is_control in (("control", True), ("customer", False)):
            self.put("core.bike", bike_id=bike_id, is_control=is_control)
        for build_id, parts, fuel in (
            ("plain", "standard parts", "E5"),
            ("silencer", "silencer: Halden S2 slip-on", "E5"),
            ("other fuel", "standard parts", "E10"),
        ):
            self.put("core.build", build_id=build_id, map_name="stock", fuel=fuel,
                     parts_label=parts)  # fmt: skip

    def put(self, table, **row):
        self._rows.setdefault(table, []).append(row)

    @property
    def connection(self):
        """The store with all that was put into it: a statement a row were most of these tests."""
        for table, rows in self._rows.items():
            cursor = self._connection.cursor()  # an answer may be half read
            cursor.register("put", pl.DataFrame(rows, infer_schema_length=None))
            cursor.execute(f"INSERT INTO {table} BY NAME FROM put")
        self._rows = {}
        return self._connection

    def run(self, stage_id, on, *, bike="control", level_pct=0.0, station="bench", note="",
            build="plain", gear=None, dyno="main", **air):  # fmt: skip
        factor = {"temperature": 294.0 + self.draw.normal(0, 3),
                  "pressure": 97_660.0 + self.draw.normal(0, 700),
                  "humidity": 45.0 + self.draw.normal(0, 6)} | air  # fmt: skip
        density = factor["pressure"] / 287.05 / factor["temperature"]
        self.put("core.stage", stage_id=stage_id, dyno=dyno, build_id=build, gear=gear)
        for number in (1, 2, 3):
            pull_id = f"{stage_id}/{number}"
            self.put("core.pull", pull_id=pull_id, equipment=station)
            self.put(
                "out.pull", pull_id=pull_id, stage_id=stage_id, pull_no=number, is_used=True,
                notes=kept([doubt(note)] if note else []), ambient_temp_k=factor["temperature"],
                ambient_pressure_pa=factor["pressure"], ambient_humidity_pct=factor["humidity"],
                factor_disagreement_pct=3.7 if note else 0.0,
            )  # fmt: skip
            self.put("out.session_pull", pull_id=pull_id, stage_id=stage_id,
                     level_pct=float(self.draw.normal(0, 0.4)))  # fmt: skip
        self.put(
            "out.session", stage_id=stage_id, job_id=stage_id, bike_id=bike, run_on=on,
            made_from="m", air_density_kg_m3=density, has_air_doubt=bool(note), is_corrected=True,
            pulls_used=3, pulls_agreeing=3, pulls_effective=3.0, reference_air="SAE J1349",
        )  # fmt: skip
        power = 40e3 * float(np.exp(level_pct / 100))
        for rpm in SPEED.tolist():
            self.put("out.session_curve", stage_id=stage_id, engine_speed_rpm=rpm, power_w=power)

    def control_runs(self, levels, **air):
        for number, level in enumerate(levels):
            self.run(f"c{number:02}", START + timedelta(days=14 * number), level_pct=level, **air)

    def judge(self, altitude_m=310.0, **trust):
        """Take the step; return how many sessions are charted, 0 where nothing was to be done."""
        self.connection.execute("DELETE FROM out.trust")
        self.put("out.trust", remount_dof=19.0, made_from="t", **TRUST | trust)
        given = engine.Given(ShopFolder(Path()), ShopSettings(shop=Shop(altitude_m=altitude_m)))
        made = engine.bring_one_up(self.connection, STABILITY, given, quietly)
        counted = self.connection.execute("SELECT count(*) FROM out.dyno_check").fetchall()
        return made * counted[0][0]

    def events(self, kind):
        return said_of(
            store.rows(self.connection, "SELECT * FROM out.dyno_event WHERE event_kind = ?", kind)
        )

    def verdicts(self, subject):
        return said_of(
            store.rows(
                self.connection,
                "SELECT * FROM out.dyno_verdict WHERE subject = ? ORDER BY verdict_no",
                subject,
            )
        )

    def sentences(self):
        told = self.connection.execute(
            "SELECT told FROM out.dyno_verdict UNION ALL SELECT told FROM out.dyno_event"
        ).fetchall()
        return [say(kept) for (kept,) in told for say in (in_words, remedy_in_words)]

    def in_short(self):
        query = "SELECT state, subject, is_of_dyno FROM out.dyno_verdict"
        return wording.dyno_in_short(store.rows(self.connection, query).to_dicts())

    def head(self):
        query = "SELECT * FROM out.dyno_verdict WHERE verdict_no = 1"
        return said_of(store.rows(self.connection, query))[0]


def said_of(rows):
    """Return rows with what they tell in words."""
    return [row | {"sentence": in_words(row["told"])} for row in rows.to_dicts()]


def doubt(why):
    """Return a note that the air of a pull is in doubt."""
    return note("air in doubt", why=note("refused", why=why.split("air in doubt: ")[-1]))


@pytest.fixture
def bench():
    made = Bench()
    yield made
    made.connection.close()


def steady(count, seed=1):
    return np.random.default_rng(seed).normal(0.0, 0.5, count)


def steady_level(bench):
    return bench.connection.execute(
        "SELECT shift_pct FROM out.dyno_check ORDER BY run_on LIMIT 1"
    ).fetchone()[0]


def test_a_steady_dyno_is_in_control(bench):
    bench.control_runs(steady(20))
    assert bench.judge() == 20
    head = bench.head()
    assert head["state"] == "good"
    assert head["sentence"].startswith("In control: 20 runs of the control bike")
    assert bench.events("shift") == []
    assert drifts_of(bench.connection) == {}


def test_nothing_is_made_again_while_nothing_changed(bench):
    bench.control_runs(steady(12))
    assert bench.judge() == 12
    assert bench.judge() == 0


def test_a_shift_is_dated_sized_and_widens_what_lies_across_it(bench):
    # The dyno reads 3 % more from the fifteenth control run on.
    levels = steady(26)
    levels[14:] += 3.0
    bench.control_runs(levels)
    day = START + timedelta(days=14 * 14)
    for name, days in (("before", -60), ("between", -7), ("also between", -7), ("later", 30),
                       ("last", 60)):  # fmt: skip
        bench.run(name, day + timedelta(days=days), bike="customer")
    bench.judge()
    (event,) = bench.events("shift")
    assert event["begins_after"] < day <= event["first_on"]
    assert event["last_on"] is None
    assert event["event_pct"] == pytest.approx(3.0, abs=1.5 * event["event_half_pct"])
    assert bench.head()["state"] == "act"
    assert bench.head()["sentence"] == event["sentence"]
    half = event["event_half_pct"]
    assert f"changed by +{event['event_pct']:.1f} ± {half:.1f} %" in event["sentence"]
    assert event["sentence"].endswith("that still holds.")
    # The size of the change stands once: of the bike that tells of it no second one is stated.
    (of_bike,) = bench.connection.execute(
        "SELECT told, figure FROM out.dyno_verdict WHERE subject LIKE 'control bike%'"
    ).fetchall()
    assert "%" not in in_words(of_bike[0])
    assert of_bike[1] == event["event_pct"]
    # The chart draws the same level, from within the days that the event names.
    changed_on = bench.connection.execute(
        "SELECT min(run_on), any_value(shift_pct) FROM out.dyno_check WHERE shift_pct > 1"
    ).fetchone()
    assert event["begins_after"] < changed_on[0] <= event["first_on"]
    assert changed_on[1] - steady_level(bench) == pytest.approx(event["event_pct"])
    drifts = drifts_of(bench.connection)
    size = event["dyno_drift_sd"]
    assert size >= event["event_pct"] / 100

    def added(one, other):
        return drift_of_pair(drifts.get(one, {}), drifts.get(other, {}))

    assert "before" not in drifts
    assert added("before", "later") == added("later", "before") == pytest.approx(size)
    assert added("later", "last") == 0.0
    # It began before or after that day: both chances together are one.
    either = added("before", "between") ** 2 + added("between", "last") ** 2
    assert either == pytest.approx(size**2)
    # Whatever the dyno read that day, it read for both.
    assert added("between", "also between") == 0.0


def test_a_shift_that_ended_leaves_the_dyno_in_control(bench):
    levels = steady(40, seed=2)
    levels[14:24] -= 3.0
    bench.control_runs(levels)
    bench.judge()
    (event,) = bench.events("shift")
    assert event["last_on"] is not None
    last = event["last_on"]
    assert event["sentence"].endswith(f"that held until {last.day} {last:%b %Y}.")
    assert bench.head()["state"] == "good"


def test_one_bad_control_session_is_an_odd_day_not_a_shift(bench):
    levels = steady(24)
    levels[15] = -4.0
    bench.control_runs(levels)
    bench.judge()
    (event,) = bench.events("odd day")
    assert event["first_on"] == event["last_on"] == START + timedelta(days=14 * 15)
    assert bench.events("shift") == []


def test_limits_are_not_narrower_than_the_shops_own_scatter(bench):
    # Runs that lie close by chance; strapping down and pulls alone give
    # sqrt(0.5^2 + 0.4^2 / 3) = 0.5508 %. 12 runs in the first year, rounded up 20, are 40 in two:
    # each may be odd by chance once in 40 / 0.057, on either side. The last has eleven before it.
    bench.control_runs(0.05 * steady(12))
    bench.judge()
    (width,) = bench.connection.execute(
        "SELECT arg_max(level_upper_pct - level_lower_pct, run_on) FROM out.dyno_check"
    ).fetchone()
    single = stats.norm.isf(0.0285 / 40)
    assert width / 2 == pytest.approx(single * 0.5508 * np.sqrt(12 / 11), rel=1e-3)


def test_a_default_that_the_shop_contradicts_stands_among_the_verdicts(bench):
    told = {"code": "worse than default", "is_remount": True, "times": 2.04, "default_pct": 0.8,
            "share_pct": 1.63, "is_control_run": True}  # fmt: skip
    bench.judge(default_told=json.dumps([told]))
    (verdict,) = bench.verdicts("stated default")
    assert verdict["state"] == "watch"
    assert "scatter 2.0 times as much as the stated default of 0.80 %" in verdict["sentence"]


def test_a_default_is_no_scatter_of_the_shops_own(bench):
    bench.control_runs(0.05 * steady(12))
    bench.judge(is_remount_assumed=True, is_day_assumed=True)
    (upper,) = bench.connection.execute(
        "SELECT arg_max(level_upper_pct, run_on) FROM out.dyno_check"
    ).fetchone()
    assert upper < 0.5


def test_weather_that_files_speak_against_is_an_event_with_its_reason(bench):
    bench.control_runs(steady(12))
    for number in range(4):
        bench.run(f"d{number}", date(2025, 6, 20) + timedelta(days=number), bike="customer",
                  note="engine cold; air in doubt: the pressure looks like one at sea level",
                  )  # fmt: skip
    bench.judge()
    (event,) = bench.events("weather")
    assert (event["first_on"], event["last_on"]) == (date(2025, 6, 20), date(2025, 6, 23))
    assert "4 sessions carry weather in doubt: the pressure looks like one at" in event["sentence"]
    # The files' own disagreement is the size.
    assert event["event_pct"] == pytest.approx(3.7)
    assert bench.head()["sentence"].startswith("Weather station in doubt since 20 Jun 2025. 4")
    drifts = drifts_of(bench.connection)
    assert drift_of_pair(drifts["d0"], drifts["d3"]) == 0.0
    assert drift_of_pair({}, drifts["d3"]) == pytest.approx(0.037)


def test_a_stuck_thermometer_is_named(bench):
    bench.control_runs(steady(12))
    for number in range(8):
        bench.run(f"s{number}", date(2025, 3, 10) + timedelta(days=number), bike="customer",
                  temperature=296.4)  # fmt: skip
    bench.judge()
    (event,) = bench.events("weather")
    # 296.4 K are 23.25 °C.
    assert "temperature of the station of bench stood at 23.2 °C on 8 days" in event["sentence"]
    (verdict,) = bench.verdicts("weather station")
    assert verdict["state"] == "watch"  # the control bike last ran on 10 Jun, 85 days later
    assert event["sentence"] in verdict["sentence"]
    assert verdict["sentence"].endswith("None since 17 Mar 2025.")
    # SAE J1349 goes by the root of temperature: 3 K of usual scatter are about 0.6 %.
    assert 0.2 < event["event_pct"] < 1.2


def test_two_stations_that_disagree_are_named_and_widen_across_them(bench):
    bench.control_runs(steady(12))
    for number in range(3):
        on = date(2025, 3, 10) + timedelta(days=number)
        for station, pressure in (("bench", 97_500.0), ("door", 98_700.0)):
            bench.run(f"{station}{number}", on, bike="customer", station=station,
                      pressure=pressure + 100 * number)  # fmt: skip
    bench.judge()
    (event,) = bench.events("weather")
    assert "bench and door read the pressure 1.20 kPa apart on 3 days" in event["sentence"]
    drifts = drifts_of(bench.connection)
    assert drift_of_pair(drifts["bench0"], drifts["bench1"]) == 0.0
    # SAE J1349: 1.18 percent for each percent of dry pressure; 1.2 of 97 kPa are 1.24 %.
    assert drift_of_pair(drifts["bench0"], drifts["door0"]) == pytest.approx(0.0150, abs=0.0015)


def test_power_that_follows_the_air_is_told_with_its_cause(bench):
    draw = np.random.default_rng(8)
    for number in range(24):
        temperature = 294.0 + draw.uniform(-10, 10)
        bench.run(f"c{number:02}", START + timedelta(days=14 * number),
                  level_pct=-100 * (temperature - 294) / 294 + draw.normal(0, 0.3),
                  temperature=temperature, pressure=97_660.0 + draw.normal(0, 100))  # fmt: skip
    bench.judge()
    (event,) = bench.events("correction")
    assert "as if it had not been corrected at all" in event["sentence"]
    assert event["sentence"] in bench.head()["sentence"]
    (air,) = bench.verdicts("air correction")
    assert (air["state"], air["sentence"]) == ("watch", event["sentence"])
    # The station behind it is not called good beside that.
    (station,) = bench.verdicts("weather station")
    assert station["state"] == "watch"
    assert drifts_of(bench.connection) == {}


def test_a_station_in_doubt_of_late_calls_for_action(bench):
    bench.control_runs(steady(12))
    for number in range(8):
        bench.run(f"s{number}", date(2025, 6, 3) + timedelta(days=number), bike="customer",
                  temperature=296.4)  # fmt: skip
    bench.judge()
    (verdict,) = bench.verdicts("weather station")
    assert verdict["state"] == "act"
    assert bench.events("weather")[0]["sentence"] in verdict["sentence"]


def test_a_part_on_the_control_bike_is_no_session_of_its_chart(bench):
    # Silencer tried on in the eighth of the first ten: +5 %, as a part may give.
    levels = steady(30)
    bench.control_runs(levels[:7])
    day = START + timedelta(days=14 * 7)
    bench.run("a1", day, level_pct=levels[7])
    bench.run("b", day, level_pct=5.0, build="silencer")
    bench.run("a2", day, level_pct=levels[8])
    # A true step of the dyno of 2.2 %, from the sixteenth on.
    for number in range(9, 30):
        bench.run(f"d{number:02}", START + timedelta(days=14 * number),
                  level_pct=levels[number] + (2.2 if number >= 15 else 0.0))  # fmt: skip
    assert bench.judge() == 30
    charted = [s for (s,) in bench.connection.execute("SELECT stage_id FROM out.dyno_check")
               .fetchall()]  # fmt: skip
    assert "b" not in charted
    assert {"a1", "a2"} <= set(charted)
    (verdict,) = bench.verdicts("control bike control")
    assert "1 session is left out" in verdict["sentence"]
    assert (
        "parts 'silencer: Halden S2 slip-on' instead of 'standard parts' (15 Apr 2025)"
        in verdict["sentence"]
    )
    assert bench.events("odd day") == []
    (event,) = bench.events("shift")
    assert event["event_pct"] == pytest.approx(2.2, abs=1.5 * event["event_half_pct"])


def test_another_gear_and_another_fuel_are_left_out_and_told(bench):
    bench.control_runs(steady(12), gear=4)
    day = START + timedelta(days=14 * 12)
    bench.run("g", day, gear=5, level_pct=-3.0)
    bench.run("f", day, gear=4, build="other fuel", level_pct=1.0)
    bench.run("not said", day + timedelta(days=1))
    assert bench.judge() == 13
    (verdict,) = bench.verdicts("control bike control")
    assert "2 sessions are left out" in verdict["sentence"]
    assert "gear 5 instead of 4 (24 Jun 2025)" in verdict["sentence"]
    assert "fuel 'E10' instead of 'E5' (24 Jun 2025)" in verdict["sentence"]
    assert "Put it back" not in verdict["sentence"]


def test_a_control_bike_that_stays_changed_watches_nothing(bench):
    bench.control_runs(steady(12))
    for number in range(12, 18):
        bench.run(f"n{number}", START + timedelta(days=14 * number), build="silencer",
                  level_pct=4.0)  # fmt: skip
    assert bench.judge() == 12
    (verdict,) = bench.verdicts("control bike control")
    assert verdict["state"] == "watch"
    assert "and 3 more" in verdict["sentence"]
    assert "Put it back as it was: until then nothing watches the dyno." in verdict["sentence"]


def test_air_that_stands_still_judges_no_correction(bench):
    bench.control_runs(steady(12), temperature=294.0, pressure=97_660.0, humidity=45.0)
    bench.judge()
    (verdict,) = bench.verdicts("air correction")
    assert verdict["state"] == "unknown"
    assert "cannot be judged from control: the air's density stood still" in verdict["sentence"]
    assert verdict["figure"] is None
    assert not any(re.search(r"\bnan\b", sentence) for sentence in bench.sentences())


def test_no_slope_is_told_with_what_it_could_be(bench):
    bench.control_runs(steady(30))
    bench.judge()
    (verdict,) = bench.verdicts("air correction")
    most = max(-verdict["figure_lower"], verdict["figure_upper"])
    assert verdict["sentence"].endswith(f"no slope to be seen; it could be up to {most:.2f} %.")
    assert verdict["state"] == "good"


def test_few_sessions_do_not_call_a_correction_good(bench):
    draw = np.random.default_rng(4)
    for number in range(9):
        # Scatter of 1.5 % against air that moves by a third of a percent.
        bench.run(f"c{number}", START + timedelta(days=14 * number),
                  level_pct=draw.normal(0, 1.5), temperature=294.0 + draw.normal(0, 1),
                  pressure=97_660.0)  # fmt: skip
    bench.judge()
    (verdict,) = bench.verdicts("air correction")
    assert verdict["figure_lower"] < 0 < verdict["figure_upper"]
    assert verdict["state"] == "unknown"
    assert "cannot be told yet" in verdict["sentence"]


def two_dynos(bench, slopes, count=24):
    """Run the control bike on two dynos whose power follows the air by these slopes."""
    draw = np.random.default_rng(11)
    for dyno, slope in slopes.items():
        for number in range(count):
            temperature = 294.0 + draw.uniform(-10, 10)
            bench.run(f"{dyno}{number:02}", START + timedelta(days=14 * number), dyno=dyno,
                      level_pct=-100 * slope * np.log(temperature / 294) + draw.normal(0, 0.3),
                      temperature=temperature, pressure=97_660.0)  # fmt: skip


def test_one_bike_on_two_dynos_with_like_slopes_tells_one_cause(bench):
    two_dynos(bench, {"left": 0.85, "right": 0.80})
    bench.judge()
    (verdict,) = bench.verdicts("air correction")
    assert verdict["sentence"].startswith("Corrected power of control on left and right moves by")
    assert verdict["figure"] == pytest.approx(0.825, abs=0.06)
    events = bench.events("correction")
    assert {event["dyno"] for event in events} == {"left", "right"}
    assert {event["sentence"] for event in events} == {verdict["sentence"]}


def test_two_dynos_with_unlike_slopes_are_told_apart(bench):
    two_dynos(bench, {"left": 1.0, "right": 0.0})
    bench.judge()
    left, right = bench.verdicts("air correction")
    assert "as if it had not been corrected at all" in left["sentence"]
    assert "on left" in left["sentence"]
    assert "no slope to be seen" in right["sentence"]
    (event,) = bench.events("correction")
    assert event["dyno"] == "left"


def test_days_and_minus_signs_are_written_as_on_the_pages(bench):
    levels = steady(30)
    levels[14:] -= 3.0
    levels[22] = -9.0
    bench.control_runs(levels)
    for number in range(4):
        bench.run(f"d{number}", date(2025, 6, 20) + timedelta(days=number), bike="customer",
                  pressure=88_000.0 + number, note="air in doubt: odd")  # fmt: skip
    bench.judge()
    assert bench.events("odd day")
    for sentence in bench.sentences():
        assert not re.search(r"\d{4}-\d{2}-\d{2}", sentence), sentence
        assert not re.search(r"(^|[ (])-\d", sentence), sentence


@pytest.mark.parametrize("sessions", [1, 6])
def test_without_a_control_bike_nobody_says_that_the_dyno_holds(bench, sessions):
    for number in range(sessions):
        bench.run(f"x{number}", START + timedelta(days=number), bike="customer")
    assert bench.judge() == 0
    head = bench.head()
    assert (head["state"], head["is_of_dyno"]) == ("unknown", True)
    assert head["sentence"].startswith("Whether it holds cannot be told: no control bike")
    # What there is to say: the shop's own unchanged repeats, 20 pairs of 0.5 %.
    assert "scatters by 0.50 % (1 SD, 20 pairs)" in head["sentence"]
    assert bench.in_short() == ("whether the dyno holds cannot be told: no control bike watches it")


def test_an_assumed_scatter_is_not_told_as_what_repeats_say(bench):
    bench.run("x", START, bike="customer")
    bench.judge(is_remount_assumed=True, is_day_assumed=True)
    assert "No sessions repeated without a change speak for it" in bench.head()["sentence"]


def test_a_control_bike_that_is_run_no_more_says_nothing_of_today(bench):
    bench.control_runs(steady(12))
    last = START + timedelta(days=14 * 11)
    bench.run("x", last + timedelta(days=60), bike="customer")
    bench.judge()
    assert bench.head()["state"] == "good"
    assert bench.in_short() == "the dyno holds"
    bench.run("y", last + timedelta(days=61), bike="customer")
    bench.judge()
    assert bench.head()["state"] == "unknown"
    assert "the control bike last ran on 10 Jun 2025, 61 days before" in bench.head()["sentence"]
    assert bench.in_short().startswith("whether the dyno holds cannot be told")


def test_more_sessions_a_year_have_wider_limits(bench):
    # The promise is by the year: who looks more often needs a limit further off.
    limits = []
    for count in (12, 48):
        for number in range(count - len(limits) * 12):
            on = START + timedelta(days=number * 364 // (count - len(limits) * 12))
            bench.run(f"{count} {number:02}", on, level_pct=bench.draw.normal(0, 0.5))
        bench.judge()
        limits += bench.connection.execute(
            "SELECT any_value(sum_limit) FROM out.dyno_check"
        ).fetchone()
    assert limits[0] < limits[1]


def test_a_slope_that_may_be_chance_is_no_signal(bench):
    # Slope 0.5 with p of about 0.01: one look in a hundred shows so much, and there are many.
    draw = np.random.default_rng(0)
    air, noise = np.linspace(-6, 6, 20), draw.normal(0.0, 1.0, 20)
    noise -= np.polyval(np.polyfit(air, noise, 1), air)
    # t = slope / (s / sqrt(Sxx)) = 2.9 at 18 degrees of freedom: p 0.0095.
    noise /= np.sqrt(noise @ noise / 18)
    slope = 2.9 / np.sqrt(air @ air)
    for number in draw.permutation(20):
        bench.run(f"c{number:02}", START + timedelta(days=14 * int(number)),
                  level_pct=noise[number] * 0.3 + 0.3 * slope * air[number],
                  temperature=294.0 * np.exp(-air[number] / 100), pressure=97_660.0)  # fmt: skip
    bench.judge()
    (verdict,) = bench.verdicts("air correction")
    assert verdict["figure_lower"] > 0.0
    assert "that may be chance, for it is looked at with every session" in verdict["sentence"]
    assert bench.events("correction") == []


def test_a_shop_without_a_session_is_told_what_to_do(bench):
    assert bench.judge(None) == 0
    told = bench.connection.execute("SELECT told FROM out.dyno_verdict").fetchall()
    assert any("No control bike has been run" in in_words(sentence) for (sentence,) in told)


def test_every_check_holds_on_what_was_made(bench):
    levels = steady(26)
    levels[14:] += 3.0
    bench.control_runs(levels)
    bench.judge()
    own = ("out.dyno_event", "out.session_drift", "out.dyno_check", "out.dyno_verdict")
    assert [check.name for check, _ in store.failed_checks(bench.connection)
            if check.table in own] == []  # fmt: skip
