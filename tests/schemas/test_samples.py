"""The contracts of the samples: for each rule a frame that breaks it, and only it."""

import pandera.errors
import polars as pl
import pytest

from schemas.columns import CHANNELS
from schemas.samples import (
    CLOCK_RULE,
    KEY_COLUMNS,
    NEEDED,
    bounds_rule,
    is_suspect,
    judge_samples,
    needed_rule,
    sample_contract,
)

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
    "exhaust_co_pct": 4.0,
    "exhaust_co2_pct": 12.0,
    "exhaust_o2_pct": 0.3,
    "exhaust_hc_ppm": 250.0,
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
        "clock_no": [0] * rows,
        "time_s": [0.1 * row for row in range(rows)],
        **{name: [value] * rows for name, value in PLAUSIBLE.items()},
    } | changes
    types = KEY_COLUMNS | dict.fromkeys(CHANNELS, pl.Float64())
    return pl.DataFrame({name: columns[name] for name in types}, schema=types)


def broken_rules(kind, frame):
    """Return the rules that a frame breaks, with the rows that break them.

    The quick look must say the same as pandera of every frame here.
    """
    found = set()
    try:
        sample_contract(kind).validate(frame, lazy=True)
    except pandera.errors.SchemaErrors as errors:
        found = {
            (row["column"], row["check"], row["index"])
            for row in errors.failure_cases.iter_rows(named=True)
        }
    assert is_suspect(kind, frame) == bool(found)
    return found


@pytest.mark.parametrize("kind", KINDS)
def test_sound_samples_break_no_rule(kind):
    assert broken_rules(kind, samples()) == set()


OTHERS = [name for name in CHANNELS if name != "time_s"]
"""Each is broken in a row of its own: the contract takes 50 ms a frame, the look one."""


def one_a_row(value_of):
    """Return samples of which each row has another channel's value changed."""
    columns = {}
    for at, name in enumerate(OTHERS):
        columns[name] = [PLAUSIBLE[name]] * len(OTHERS)
        columns[name][at] = value_of(name)
    return samples(len(OTHERS), ["a"] * len(OTHERS), **columns)


def alone(name, value):
    return samples(**{name: [PLAUSIBLE[name], value, PLAUSIBLE[name], PLAUSIBLE[name]]})


@pytest.mark.parametrize("end", ["low", "high"])
def test_a_value_past_a_bound_breaks_that_bound_only(end):
    kind = "pull" if end == "low" else "ride"

    def past(name):
        channel = CHANNELS[name]
        return channel.low - 0.01 if end == "low" else channel.high + 0.01

    assert broken_rules(kind, one_a_row(past)) == {
        (name, bounds_rule(name, CHANNELS[name]), at) for at, name in enumerate(OTHERS)
    }
    assert [name for name in OTHERS if not is_suspect(kind, alone(name, past(name)))] == []


def test_a_value_on_a_bound_is_still_good():
    ends = {name: [CHANNELS[name].low, CHANNELS[name].high] * 2 for name in OTHERS}
    time = CHANNELS["time_s"]
    assert broken_rules("pull", samples(**ends, time_s=[time.low, 0.0, 1.0, time.high])) == set()


@pytest.mark.parametrize("end", ["low", "high"])
def test_a_time_past_a_bound_breaks_that_bound_only(end):
    time = CHANNELS["time_s"]
    times = [time.low - 1, 0.0, 1.0, 2.0] if end == "low" else [0.0, 1.0, 2.0, time.high + 1]
    found = broken_rules("pull", samples(time_s=times))
    assert {rule for _, rule, _ in found} == {bounds_rule("time_s", time)}


@pytest.mark.parametrize("kind", KINDS)
def test_only_a_needed_channel_must_have_a_value(kind):
    found = broken_rules(kind, one_a_row(lambda _: None))
    for at, name in enumerate(OTHERS):
        needed = {rule for _, rule, row in found if row == at}
        wanted = ({needed_rule(name)}, {"not_nullable"}) if name in NEEDED[kind] else (set(),)
        assert needed in wanted, name
        assert is_suspect(kind, alone(name, None)) == (name in NEEDED[kind]), name
    found = broken_rules(kind, samples(time_s=[0.0, 0.1, None, 0.3]))
    # A clock that is missing cannot be seen to rise either; nothing else may follow.
    assert {row for *_, row in found} == {2}
    assert {rule for _, rule, _ in found} - {CLOCK_RULE} in (
        {needed_rule("time_s")}, {"not_nullable"}
    )  # fmt: skip


def test_a_pull_may_have_no_clock_and_a_ride_may_not():
    empty = [None] * 4
    assert broken_rules("pull", samples(time_s=empty)) == set()
    assert broken_rules("ride", samples(time_s=empty)) != set()


def test_channels_on_clocks_of_their_own_have_rows_of_their_own():
    frame = samples(
        clock_no=[0, 0, 1, 1],
        time_s=[0.0, 0.1, 0.0, 0.05],
        engine_speed_rpm=[3000.0, 3100.0, None, None],
        throttle_pct=[None, None, 12.0, 12.0],
    )
    assert broken_rules("ride", frame) == set()
    alone = samples(throttle_pct=[None] * 4)
    assert {rule for _, rule, _ in broken_rules("ride", alone)} == {needed_rule("throttle_pct")}


def test_failures_are_told_in_the_order_of_rows_with_what_was_found():
    frame = samples(engine_speed_rpm=[3000.0, 99_999.0, None, 3000.0], time_s=[0.0, 0.1, 0.2, 0.1])
    assert judge_samples("ride", frame) == [
        (1, "engine_speed_rpm", bounds_rule("engine_speed_rpm", CHANNELS["engine_speed_rpm"]),
         "99999.0"),
        (2, "engine_speed_rpm", needed_rule("engine_speed_rpm"), "nothing"),
        (3, "time_s", CLOCK_RULE, "0.1 s"),
    ]  # fmt: skip


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
