"""An update must not come to read more long tables whole for one more job than is known."""

import duckdb
import pytest

from tests.bench.growth import REST
from tests.bench.reads import Counting, Read, measure, read_whole

KNOWN = {
    ("average sessions", "out.pull_curve"): 1,
    ("chart the control bike", "out.session_curve"): 1,
    ("compare stages", "out.gain_curve"): 2,
    ("compare stages", "out.pull_curve"): 2,
    ("find similar builds", "out.session_curve"): 1,
    ("hold bikes against siblings", "out.session_curve"): 1,
    ("hold bikes together", "out.gain_curve"): 1,
    ("hold bikes together", "out.pooled_curve"): 1,
    ("judge maps", "out.session_curve"): 2,
    ("judge the dyno's repeatability", "out.session_curve"): 3,
    ("work out what to expect", "out.expected_mixture_speed"): 1,
    ("work out what to expect", "out.session_curve"): 5,
    # The sums by which a change is seen, and the checks: over all rows by intent.
    (REST, "out.expected_mixture_speed"): 3,
    (REST, "out.gain_curve"): 2,
    (REST, "out.health_curve"): 2,
    (REST, "out.pooled_curve"): 1,
    (REST, "out.pull_curve"): 3,
    (REST, "out.session_curve"): 4,
}
"""How often all rows of a long table are passed today: lower one where a step reads less."""


@pytest.fixture
def counting():
    connection = duckdb.connect()
    # Three parts of 122,880 rows; every key's rows lie in all of them, so no part is spared.
    connection.execute(
        "CREATE TABLE curve AS SELECT (i % 1000)::VARCHAR AS id, i AS speed FROM range(368640) t(i)"
    )
    connection.execute("CREATE TABLE head (id VARCHAR PRIMARY KEY)")
    connection.execute("INSERT INTO head SELECT range::VARCHAR FROM range(1000)")
    return Counting(connection)


def test_a_few_keys_of_a_table_without_an_index_are_told_as_a_whole_read(counting):
    assert counting.execute(
        "SELECT count(*) FROM curve WHERE id IN (SELECT unnest(?))", [["3", "4"]]
    ).fetchall() == [(738,)]  # 368,640 rows: 368 of each id, one more below 640
    scanned, by_index = counting.take()
    assert scanned == {"main.curve": 368_640}
    assert not by_index


def test_a_key_found_by_its_index_is_told_apart(counting):
    counting.sql("SELECT * FROM head WHERE id = '7'").fetchall()
    scanned, by_index = counting.take()
    assert not scanned
    assert by_index == {"main.head": 1}


def test_each_query_counts_once(counting):
    for _ in range(2):
        counting.execute("SELECT max(speed) FROM curve WHERE speed % 7 = 1").fetchall()
    assert counting.take()[0] == {"main.curve": 2 * 368_640}
    assert not counting.take()[0]


def test_only_long_tables_of_which_half_is_passed_are_told():
    found = {
        ("a", "long"): Read(scanned=5_000, by_index=0, holds=10_000, pulls=1_000),
        ("a", "spared"): Read(scanned=4_000, by_index=0, holds=10_000, pulls=1_000),
        ("a", "short"): Read(scanned=9_000, by_index=0, holds=1_000, pulls=1_000),
    }
    assert read_whole(found) == {("a", "long"): 0.5}


@pytest.mark.long
def test_one_more_job_reads_no_long_table_whole_beyond_those_known():
    found = read_whole(measure(1_000))
    assert found, "nothing was counted"
    # Rounded: rows that were deleted just now are passed too.
    more = {
        key: times for key, times in found.items() if key not in KNOWN or round(times) > KNOWN[key]
    }
    assert not more
