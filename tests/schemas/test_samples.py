"""The contracts of the samples: for each rule a frame that breaks it, and only it."""

import pandera.errors
import polars as pl
import pytest

from schemas.columns import CHANNELS
from schemas.samples import CLOCK_RULE, KEY_COLUMNS, NEEDED, bounds_rule, sample_contract

PLAUSIBLE = {
    "engine_speed_rpm": 5000.0,
    "roller_speed_m_s": 30.0,
    "wheel_power_w": 40_000.0,
    "wheel_torque_nm": 60.0,
    "lambda_wide": 0.88,
    "lambda_wide_2": 0.88,
    "o2_narrow_v": 0.7,
    "throttle_pct": 100.0,
    "map_pressure_pa": 95_000.0,
    "intake_air_temp_k": 300.0,
    "coolant_temp_k": 360.0,
    "oil_temp_k": 370.0,
    "ignition_advance_deg": 28.0,
    "injector_time_s": 0.008,
    "fuel_trim_short_pct": 1.0,
    "fuel_trim_long_pct": 1.0,
    "knock": 0.0,
    "gear": 4.0,
    "battery_v": 14.0,
    "ambient_temp_k": 295.0,
    "ambient_pressure_pa": 98_000.0,
    "ambient_humidity_pct": 45.0,
}
KINDS = ("pull", "ride")


def samples(rows=4, sample_id=None, **changes):
    """Return sound samples with some columns changed."""
    columns = {
        "sample_id": sample_id or ["a"] * rows,
        "line_no": list(range(2, rows + 2)),
        "time_s": [0.1 * row for row in range(rows)],
        **{name: [value] * rows for name, value in PLAUSIBLE.items()},
    } | changes
    types = KEY_COLUMNS | dict.fromkeys(CHANNELS, pl.Float64())
    return pl.DataFrame({name: columns[name] for name in types}, schema=types)


def broken_rules(kind, frame):
    """Return the rules that a frame breaks, with the rows that break them."""
    try:
        sample_contract(kind).validate(frame, lazy=True)
    except pandera.errors.SchemaErrors as errors:
        return {
            (row["column"], row["check"], row["index"])
            for row in errors.failure_cases.iter_rows(named=True)
        }
    return set()


@pytest.mark.parametrize("kind", KINDS)
def test_sound_samples_break_no_rule(kind):
    assert broken_rules(kind, samples()) == set()


@pytest.mark.parametrize("name", [name for name in CHANNELS if name != "time_s"])
@pytest.mark.parametrize("end", ["low", "high"])
def test_a_value_past_a_bound_breaks_that_bound_only(name, end):
    channel = CHANNELS[name]
    kind = "pull" if end == "low" else "ride"
    value = channel.low - 0.01 if end == "low" else channel.high + 0.01
    values = [PLAUSIBLE[name], value, PLAUSIBLE[name], PLAUSIBLE[name]]
    assert broken_rules(kind, samples(**{name: values})) == {(name, bounds_rule(name, channel), 1)}


@pytest.mark.parametrize("name", list(CHANNELS))
def test_a_value_on_a_bound_is_still_good(name):
    channel = CHANNELS[name]
    values = (
        [channel.low, 0.0, 1.0, channel.high]
        if name == "time_s"
        else [channel.low, channel.high, channel.low, channel.high]
    )
    assert broken_rules("pull", samples(**{name: values})) == set()


@pytest.mark.parametrize("end", ["low", "high"])
def test_a_time_past_a_bound_breaks_that_bound_only(end):
    time = CHANNELS["time_s"]
    times = [time.low - 1, 0.0, 1.0, 2.0] if end == "low" else [0.0, 1.0, 2.0, time.high + 1]
    found = broken_rules("pull", samples(time_s=times))
    assert {rule for _, rule, _ in found} == {bounds_rule("time_s", time)}


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("name", list(CHANNELS))
def test_only_a_needed_channel_must_have_a_value(kind, name):
    values = samples()[name].to_list()
    values[2] = None
    found = broken_rules(kind, samples(**{name: values}))
    expected = {(name, "not_nullable", 2)} if name in NEEDED[kind] else set()
    assert {case for case in found if case[0] == name} == expected
    # A clock that is missing cannot be seen to rise either; nothing else may follow.
    assert {case for case in found if case[0] != name} <= {(None, CLOCK_RULE, 2)}


@pytest.mark.parametrize("times", [[0.0, 0.2, 0.2, 0.3], [0.0, 0.2, 0.1, 0.3]])
def test_a_clock_that_stands_or_runs_back_breaks_the_clock_rule_only(times):
    found = broken_rules("pull", samples(time_s=times))
    assert {(rule, row) for _, rule, row in found} == {(CLOCK_RULE, 2)}


def test_each_log_has_a_clock_of_its_own():
    frame = samples(sample_id=["a", "a", "b", "b"], time_s=[5.0, 6.0, 0.0, 1.0])
    assert broken_rules("pull", frame) == set()


def test_a_column_too_many_a_missing_one_and_another_order_are_refused():
    frame = samples()
    for changed in (
        frame.with_columns(pl.lit(1.0).alias("latitude")),
        frame.drop("lambda_wide"),
        frame.select(list(reversed(frame.columns))),
    ):
        with pytest.raises(pandera.errors.SchemaErrors):
            sample_contract("pull").validate(changed, lazy=True)


def test_a_number_of_another_type_is_refused():
    with pytest.raises(pandera.errors.SchemaErrors):
        sample_contract("pull").validate(
            samples().with_columns(pl.col("gear").cast(pl.Int64)), lazy=True
        )


def test_a_bound_without_a_unit_reads_as_a_sentence():
    assert bounds_rule("gear", CHANNELS["gear"]) == "gear is between 0 and 8"
