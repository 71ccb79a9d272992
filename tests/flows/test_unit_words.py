"""A unit in a spelling nobody taught: read right, or asked for; never put in as if stated."""

import math
from types import SimpleNamespace

import numpy as np
import polars as pl
import pytest

from flows.guess import _head_fields, _power, guess
from flows.readers.look import look
from flows.readers.words import known_unit
from flows.steps.head_facts import head_facts
from schemas.layout import HeadField, TextRules

# NIST SP 811, appendix B (exact or to the last digit printed there).
FOOT_POUND_NM, HORSEPOWER_W, METRIC_HORSEPOWER_W = 1.3558179483314004, 745.6998715822702, 735.49875
INCH_MERCURY_PA, MILE_AN_HOUR_M_S = 3386.388640341, 0.44704

SPELLINGS = {
    "lbf*ft": "lb·ft, ft·lb, lbf·ft, lbs.ft, pound-feet, foot-pounds, ft lbs",
    "Nm": "N-m, newton metre, N.m, N m",
    "kgf*m": "kg-m, kgf·m, kg·m, m·kg, mkp",
    "PS": "metric hp, HP metric, hp(M), DIN PS, PS (DIN)",
    "hp": "SAE hp, HP SAE, horsepower, h.p., hp(I)",
    "mph": "mi/hr, miles/h, miles per hour, m.p.h.",
    "km/h": "km/hr, kmph, km-h, kilometres per hour",
    "m/s": "m/sec, m·s-1, m s-1",
    "inHg": 'in. Hg, "Hg, inches Hg, inches of mercury',
    "psi": "psi abs, PSI(a), lb/in2, lbf/in²",
    "degF": "deg.F, degrees F, ˚F, ℉, grad F",
    "degC": "deg.C, degrees C, ˚C, ℃",
    "rpm": "r.p.m., min⁻¹",
}
NO_SPELLINGS = "-, ., psig, kPa gauge, bar(g), N/m, kg/m, kWh, lb, ft, Nm/s"


def pull(tmp_path, column, values, power=False):
    """Write a pull of 200 rows with one more column, and draft a layout for it."""
    at = np.linspace(0.0, 8.0, 200)
    speed_rpm = 2500.0 + 850.0 * at
    rows = [
        f"{t:.2f},{n:.0f},{97 + 2 * (row % 2)},{v:.4f},{60 * n * math.pi / 3e4 * power:.3f}"
        for row, (t, n, v) in enumerate(zip(at, speed_rpm, values(at, speed_rpm), strict=True))
    ]
    path = tmp_path / "pull.csv"
    text = "\n".join(
        [f"Time [s],RPM,Throttle [%],{column},{'Power [kW]' if power else 'Spare'}", *rows]
    )
    path.write_text(text + "\n", encoding="utf-8")
    return guess(look(path))


def torque_nm(at, _):
    return 55.0 + 20.0 * np.sin(0.1 + at / 3.0)


def test_units_are_known_in_the_spellings_that_programs_write():
    wrong = {
        spelling: known_unit(spelling)
        for word, spellings in SPELLINGS.items()
        for spelling in spellings.split(", ")
        if known_unit(spelling) != word
    }
    assert wrong == {}
    assert {one: known_unit(one) for one in NO_SPELLINGS.split(", ") if known_unit(one)} == {}


@pytest.mark.parametrize(
    ("column", "channel", "unit", "size", "values"),
    [
        ("Torque [lb·ft]", "wheel_torque", "lbf*ft", FOOT_POUND_NM, torque_nm),
        ("Torque lb-ft", "wheel_torque", "lb-ft", FOOT_POUND_NM, torque_nm),
        ("Power [h.p.]", "wheel_power", "hp", HORSEPOWER_W,
         lambda at, n: torque_nm(at, n) * n * math.pi / 30.0),
        ("Power [metric hp]", "wheel_power", "PS", METRIC_HORSEPOWER_W,
         lambda at, n: torque_nm(at, n) * n * math.pi / 30.0),
    ],
)  # fmt: skip
def test_a_pull_in_such_a_unit_is_drafted_in_it(tmp_path, column, channel, unit, size, values):
    drafted = pull(tmp_path, column, lambda at, n: values(at, n) / size)
    assert drafted.tables["channels"][channel]["unit"] == unit


@pytest.mark.parametrize(
    ("column", "channel", "values"),
    [
        ("Torque [Kraftmomente]", "wheel_torque", lambda at, n: torque_nm(at, n) / FOOT_POUND_NM),
        ("MAP [Hg-Zoll]", "map_pressure", lambda at, _: (96e3 - 200 * at) / INCH_MERCURY_PA),
        ("Speed [Meilen]", "roller_speed", lambda _, n: n / 220.0 / MILE_AN_HOUR_M_S),
    ],
)
def test_a_unit_that_nobody_knows_is_asked_for_and_marked_as_assumed(
    tmp_path, column, channel, values
):
    drafted = pull(tmp_path, column, values, power=channel != "wheel_torque")
    asked = {question.key: question.text for question in drafted.questions}
    assert f"channels.{channel}.unit" in asked
    assert column.split("[")[1][:-1] in asked[f"channels.{channel}.unit"]
    assert "unit" in drafted.tables["channels"][channel]["assumed"]


HEAD = {"Pressure": "955.0 hPa", "Temp": "27.0 degC", "Humidity": "47 %"}
FIELDS = {
    "ambient_pressure": HeadField(key="Pressure", unit="hPa"),
    "ambient_temp": HeadField(key="Temp", unit="degC"),
    "ambient_humidity": HeadField(key="Humidity", unit="%"),
}


def air_of(**entries):
    """Return the facts and what is told of a head read by a layout in hPa, degC and percent."""
    layout = SimpleNamespace(head_asked=FIELDS, text=TextRules())
    facts, notes, _ = head_facts(HEAD | entries, layout)
    return facts, [told["code"] for told in notes]


def test_a_humidity_that_is_a_share_of_one_is_not_taken_for_percent():
    # At 27 degC and 955 hPa 47 % are 16.8 hPa of vapour: taken for 0.47 % power is 2 % low.
    facts, told = air_of(Humidity="0.47")
    assert "ambient_humidity_pct" not in facts
    assert told == ["head entry out of range"]
    drafted = drafted_head("Humidity: 0.47")
    assert drafted["ambient_humidity"]["unit"] == "1"
    assert drafted["ambient_humidity"]["assumed"] == ["unit"]
    assert drafted_head("Humidity: 47")["ambient_humidity"] == {"key": "Humidity", "unit": "%"}


def test_grams_of_water_and_a_dew_point_are_no_relative_humidity():
    # 9.5 g/kg at 27 degC and 955 hPa are 40 % (w = 0.622 e / (p - e)): power is 1.4 % low by 9.5 %.
    for text in ("9.5 g/kg", "10.2 g/m³", "13.9 dew", "13.9 degC"):
        facts, told = air_of(Humidity=text)
        assert "ambient_humidity_pct" not in facts, text
        assert told == ["head entry in other unit"], text
        assert "ambient_humidity" not in drafted_head(f"Humidity: {text}"), text
    for text in ("47", "47%", "47 % rH", "47 pct", "47 rel."):
        assert air_of(Humidity=text) == (air_of()[0], []), text


def test_the_unit_behind_a_reading_counts_whatever_stands_after_it():
    for text in ("50 °F (10 °C)", "50 deg F, room"):
        facts, told = air_of(Temp=text)
        assert "ambient_temp_k" not in facts, text
        assert told == ["head entry in other unit"], text
    for pressure, temp in (("955 hPa QFE", "27.0 C (sensor 2)"), ("955.0hPa", "27°C")):
        facts, told = air_of(Pressure=pressure, Temp=temp)
        assert (facts["ambient_pressure_pa"], facts["ambient_temp_k"]) == (95_500.0, 300.15)
        assert told == []
    assert air_of(Temp="80.6°F", Pressure="28.2inHg")[1] == ["head entry in other unit"] * 2
    assert air_of(Temp="12:30", Pressure="955x")[1] == ["head entry no number"] * 2


def test_a_date_above_the_table_that_could_be_two_days_is_asked_for():
    for text, forms in (
        ("03/04/2026 14:05", ("%d/%m/%Y %H:%M", "%m/%d/%Y %H:%M")),
        ("3/4/2026 2:05 PM", ("%d/%m/%Y %I:%M %p", "%m/%d/%Y %I:%M %p")),
    ):
        started = drafted_head(f"Date: {text}", questions := [])["started_at"]
        assert started == {"key": "Date", "format": forms[0], "assumed": ["format"]}
        assert [(q.key, q.choices) for q in questions] == [
            ("metadata.fields.started_at.format", forms)
        ]
    for sure in ("03.04.2026 14:05", "04/13/2026 14:05", "04/04/2026 14:05"):
        assert "assumed" not in drafted_head(f"Date: {sure}", questions := [])["started_at"]
        assert questions == []


def drafted_head(line, questions=None):
    """Return what a draft makes of one line above a table."""
    key, _, value = line.partition(": ")
    asked = [] if questions is None else questions
    return _head_fields(SimpleNamespace(head={key: value}, text={}), asked)


def test_power_is_said_to_be_corrected_only_where_the_file_says_so_of_power():
    # Taken for corrected, observed power stays as it is: 7 % low at 955 hPa and 27 degC.
    for line, state, is_told in (
        ("Oil: SAE 10W-40", "observed", False),
        ("Gearing: std", "corrected", False),
        ("Power: SAE, uncorrected", "corrected", False),
        ("Power to: SAE", "corrected", True),
        ("Correction: DIN 70020", "corrected", True),
    ):
        key, _, value = line.partition(": ")
        seen = SimpleNamespace(head={key: value}, frame=pl.DataFrame({"Power": [1.0]}), text={})
        made = _power(seen, [], [])
        assert (made["state"], made.get("is_told", False)) == (state, is_told), line


def test_of_two_columns_of_power_the_one_that_is_taken_says_what_it_is(tmp_path):
    for columns, head, taken, state, is_assumed in (
        ("Power [kW],Power SAE [kW]", "", "Power [kW]", "observed", True),
        ("Power [kW],Power SAE [kW]", "Correction factor: 1.069", "Power [kW]", "observed", True),
        ("Power obs [kW],Power SAE J1349 [kW]", "", "Power obs [kW]", "observed", False),
        ("Uncorrected power [kW],Corrected power [kW]", "", "Corrected power [kW]", "corrected",
         True),
        ("Power SAE J1349 [kW],Torque [Nm]", "", "Power SAE J1349 [kW]", "corrected", False),
    ):  # fmt: skip
        rows = "".join(f"{n / 25},{2600 + 28 * n},{98 + n % 3},{14 + n / 8},{15 + n / 8}\n"
                       for n in range(200))  # fmt: skip
        path = tmp_path / "pull.csv"
        path.write_text(f"{head}\nTime [s],RPM,Throttle [%],{columns}\n{rows}", encoding="utf-8")
        drafted = guess(look(path))
        power, said = drafted.tables["power"], f"{columns}; {head}"
        assert drafted.tables["channels"]["wheel_power"]["column"] == taken, said
        assert (power["state"], "state" in power.get("assumed", ())) == (state, is_assumed), said
        assert any("was taken for the power" in one for one in drafted.doubts) == (
            "Torque" not in columns
        ), said
