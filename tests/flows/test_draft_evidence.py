"""What a draft may rest on: no column that stands still, no unit of another quantity."""

import numpy as np
import pytest

from flows import teach
from flows.guess import guess
from flows.readers.look import look
from schemas.desk import AskDraft
from tests.broken.broken_files import sound_log

KINDS = {"pull": "wheel_power_w", "ride": "roller_speed_m_s"}


def a_file(tmp_path, extra, kind="pull", headers=None, units=None):
    """Write a sound log with further columns: name → values or one value."""
    log = sound_log(kind, np.random.default_rng(5))
    names = {
        "time_s": "Time",
        "engine_speed_rpm": "Engine speed",
        "wheel_power_w": "Power [kW]",
        "roller_speed_m_s": "Vehicle speed [km/h]",
        "throttle_pct": "Throttle [%]",
    }
    kept = [at for at, channel in enumerate(log.truth) if channel in names]
    head = [names[list(log.truth)[at]] for at in kept] + list(extra)
    lines = [";".join(head)]
    for number, row in enumerate(log.rows):
        more = [v[number] if isinstance(v, np.ndarray) else v for v in extra.values()]
        lines.append(";".join([*(row[at] for at in kept), *(f"{value:g}" for value in more)]))
    path = tmp_path / "log.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def column(found, name):
    return next(one for one in found.columns if one.name == name)


@pytest.mark.parametrize(
    "name", ["Ambient temp", "Ambient temp [°C]", "Room temperature", "T amb", "AUX 1 [°C]", "x",
             "Air [°C]", "Baro [kPa]", "Ambient humidity"],
)  # fmt: skip
def test_a_column_of_zeros_is_evidence_of_nothing(tmp_path, name):
    found = guess(look(a_file(tmp_path, {name: 0.0})))
    odd = column(found, name)
    assert odd.channel is None
    assert "holds 0 only" in odd.why[0]


@pytest.mark.parametrize(
    ("name", "value", "channel"),
    [("Baro [hPa]", 981.0, "ambient_pressure"), ("Ambient temp [°C]", 21.5, "ambient_temp"),
     ("Lambda", 0.0, "lambda_wide"), ("Gear", 4.0, "gear")],
)  # fmt: skip
def test_a_column_of_one_value_is_at_most_a_guess_by_its_name(tmp_path, name, value, channel):
    odd = column(guess(look(a_file(tmp_path, {name: value}))), name)
    assert odd.channel == channel
    assert odd.words == "a guess"


@pytest.mark.parametrize("name", ["AUX 3", "value", "Sensor 2 [°C]", "T1", "mean [kPa]"])
@pytest.mark.parametrize("value", [1.0, 14.7, 21.5, 98.1, 981.0, 4000.0])
def test_a_column_of_one_value_without_a_name_is_left_alone(tmp_path, name, value):
    assert column(guess(look(a_file(tmp_path, {name: value}))), name).channel is None


WAVY = 4000 + 1500 * np.sin(np.arange(900) / 20)


@pytest.mark.parametrize(
    "name", ["Weight (lb)", "Weight [lb]", "weight [lbs]", "Load [kg]", "Distance [m]",
             "Air mass [kg/h]", "Fuel flow [cc/min]", "Current [mA]", "Frequency [Hz]",
             "Altimeter [ft]", "Force [N]", "Speed [furlong]", "Rate [deg/s]"],
)  # fmt: skip
@pytest.mark.parametrize("kind", ["pull", "ride"])
def test_a_weight_is_no_engine_speed_whatever_its_values(tmp_path, name, kind):
    path = a_file(tmp_path, {name: WAVY}, kind)
    # Without a column of that name nothing else may be the engine's speed either.
    text = path.read_text(encoding="utf-8").replace("Engine speed", "quux [kg]")
    path.write_text(text, encoding="utf-8")
    found = guess(look(path))
    assert column(found, name).channel is None
    assert column(found, "quux [kg]").channel is None
    assert "engine_speed" not in found.tables["channels"]


@pytest.mark.parametrize(
    ("name", "not_these"),
    [("Engine load [kPa]", {"engine_speed"}), ("Throttle [V]", {"throttle"}),
     ("Crank angle [°]", {"engine_speed"}), ("Vehicle speed [rpm]", {"roller_speed"}),
     ("Coolant [%]", {"coolant_temp"})],
)  # fmt: skip
def test_a_stated_unit_of_another_quantity_rules_a_channel_out(tmp_path, name, not_these):
    found = guess(look(a_file(tmp_path, {name: WAVY / 100})))
    assert column(found, name).channel not in not_these


def test_an_injector_time_in_microseconds_is_one(tmp_path):
    odd = column(guess(look(a_file(tmp_path, {"Injector time [µs]": WAVY}))), "Injector time [µs]")
    assert (odd.channel, odd.unit) == ("injector_time", "us")


def test_a_unit_that_the_name_states_is_not_called_assumed(tmp_path):
    file = tmp_path / "run.txt"
    rows = [
        f"{3000 + 50 * step},{20 + 0.5 * step:.1f},{40 + 0.2 * step:.1f}" for step in range(100)
    ]
    file.write_text("\n".join(["RPM,Power hp,Torque Nm", *rows]) + "\n", encoding="utf-8")
    drafted = teach.drafted(AskDraft(file=file)).toml
    (line,) = [line for line in drafted.splitlines() if line.startswith('unit = "hp"')]
    assert "assumed" not in line
