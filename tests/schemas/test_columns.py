"""The column dictionary: every name has one meaning and unit, and every bound a reason."""

import duckdb
import pytest

from schemas.columns import CHANNELS, COLUMNS
from warehouse import statements, store

DICTIONARY_OF_THE_SNAPSHOT = {"table_name", "column_name", "unit", "meaning"}
# The unit that a name's ending promises; the longest ending that fits counts.
UNIT_BY_SUFFIX = {
    "_rpm": "rpm", "_nm": "N·m", "_w": "W", "_k": "K", "_pa": "Pa", "_kg_m3": "kg/m³",
    "_m_s": "m/s", "_s": "s", "_ns": "ns", "_v": "V", "_cc": "cm³", "_deg": "°", "_pct": "%",
    "_ppm": "ppm", "_share": "1", "_bytes": "B",
}  # fmt: skip


def unit_of(name):
    fitting = [suffix for suffix in UNIT_BY_SUFFIX if name.endswith(suffix)]
    return UNIT_BY_SUFFIX[max(fitting, key=len)] if fitting else ""


@pytest.fixture(scope="module")
def warehouse():
    with duckdb.connect() as connection:
        store.create(connection)
        yield connection


def test_every_column_of_a_table_has_a_meaning(warehouse):
    for table in statements.definitions():
        names = store.columns(warehouse, table)
        assert names, table
        for name in names:
            assert name in COLUMNS, (table, name)
            assert len(COLUMNS[name].meaning) > 4, (table, name)


def test_no_column_is_described_that_no_table_has(warehouse):
    used = {name for table in statements.definitions() for name in store.columns(warehouse, table)}
    assert COLUMNS.keys() - used - CHANNELS.keys() - DICTIONARY_OF_THE_SNAPSHOT == set()


def test_the_ending_of_a_name_promises_its_unit():
    for name, column in COLUMNS.items():
        if promised := unit_of(name):
            assert column.unit == promised, name


def test_a_unit_shows_in_the_ending_of_the_name():
    for name, column in COLUMNS.items():
        # Pure numbers are often counts and ratios of old standing, such as lambda.
        if column.unit in UNIT_BY_SUFFIX.values() and column.unit != "1":
            assert unit_of(name.split("_per_")[0]) == column.unit, name


def test_a_meaning_is_a_sentence():
    for name, column in COLUMNS.items():
        assert column.meaning.endswith("."), name
        assert column.meaning == column.meaning.strip(), name


@pytest.mark.parametrize("name", list(CHANNELS))
def test_every_channel_is_bounded_and_says_why(name):
    channel = CHANNELS[name]
    assert channel.low < channel.high
    assert len(channel.why) > 8


@pytest.mark.parametrize(
    ("name", "usual"),
    [
        # Common practice, no source: what a sound log of the trade shows.
        ("engine_speed_rpm", (800, 13_000)),
        ("wheel_power_w", (-5_000, 160_000)),
        ("lambda_wide", (0.7, 1.3)),
        ("throttle_pct", (0, 100)),
        ("coolant_temp_k", (273.15, 388.15)),
        # Standard atmosphere: 4,000 m and sea level, rounded outwards.
        ("ambient_pressure_pa", (61_640, 101_325)),
    ],
)
def test_bounds_leave_room_for_what_is_usual(name, usual):
    assert CHANNELS[name].low <= usual[0]
    assert usual[1] <= CHANNELS[name].high


def test_no_name_stands_for_a_percent_and_a_share_at_once():
    stems = {name.removesuffix("_pct") for name in COLUMNS if name.endswith("_pct")}
    shares = {name.removesuffix("_share") for name in COLUMNS if name.endswith("_share")}
    assert stems & shares == set()


def test_positions_and_owners_are_no_columns():
    for name in COLUMNS:
        assert not any(word in name for word in ("latitude", "longitude", "owner", "customer"))
