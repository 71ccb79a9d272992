"""One store, many writers: what is appended is there once, and a state stays as it was."""

import ast
import datetime as dt
import sys
from pathlib import Path

import duckdb
import pytest

from flows.lake import opened
from tests.studies import lake_study
from tests.studies.lake_study import client_python, content_of, invented, server_programs
from warehouse.many import Batch, ManyShopsError, OtherContentError
from warehouse.many.embedded import Embedded
from warehouse.many.lake import CLIENT

needs_lake = pytest.mark.skipif(
    not client_python() or server_programs() is None,
    reason="no lake here: needs PostgreSQL, and ROLLBOOK_LAKE_PYTHON with lake_client.lock",
)


@pytest.fixture(scope="module")
def server():
    with lake_study.place() as (found, folder):
        yield found, folder


@pytest.fixture(params=["embedded", pytest.param("lake", marks=needs_lake)])
def many(request, tmp_path):
    if request.param == "embedded":
        found = Embedded(tmp_path / "many")
    else:
        found = lake_study.lake_at(*request.getfixturevalue("server"))
    yield found
    found.close()


def test_a_number_is_added_once_whole_and_a_state_stays_as_it_was(many, tmp_path):
    ((one, two),) = invented(tmp_path / "given", 1, 2)
    assert many.append(one)
    state = many.state()
    between = dt.datetime.now(dt.UTC)
    then = content_of(many, tmp_path, state, "comparisons")
    assert many.append(two)
    assert not many.append(two)
    assert not many.append(one)
    assert content_of(many, tmp_path, state, "comparisons") == then
    assert many.state(between) == state < many.state()
    many.read("comparisons", tmp_path / "all.parquet", many.state())
    # The first batch has a column that the second lacks: its rows are there all the same.
    rows = duckdb.read_parquet(str(tmp_path / "all.parquet"))
    counted = rows.aggregate("number, count(*), count(is_tuned)").order("number").fetchall()
    assert counted == [(1, lake_study.ROWS, lake_study.ROWS), (2, lake_study.ROWS, 0)]

    # In the same store, so that a lake is set up once: what must be refused adds nothing.
    before = many.state()
    with pytest.raises(OtherContentError, match="publish 2 of shop shop 0 stands with other rows"):
        many.append(two._replace(content_hash="another"))
    with pytest.raises(ValueError, match="can be named"):
        many.append(Batch("shop 0", 3, "x", {"a; DROP TABLE ledger": one.tables["comparisons"]}))
    odd = Batch("it's", 1, "x", {"comparisons": one.tables["comparisons"]})
    assert many.append(odd)
    assert not many.append(odd)
    assert many.state() > before


def test_a_batch_of_which_one_table_cannot_be_read_adds_nothing(tmp_path):
    ((one,),) = invented(tmp_path / "given", 1, 1)
    torn = tmp_path / "torn.parquet"
    torn.write_bytes(one.tables["comparisons"].read_bytes()[:300])
    many = Embedded(tmp_path / "many")
    with pytest.raises(duckdb.Error):
        many.append(one._replace(tables={**one.tables, "others": torn}))
    assert many.state() == 0
    assert many.append(one)
    assert many.read("comparisons", tmp_path / "all.parquet", 1) == lake_study.ROWS


def test_the_client_of_a_lake_imports_nothing_of_ours():
    tree = ast.parse(CLIENT.read_text())
    names = {
        name.split(".")[0]
        for node in ast.walk(tree)
        if isinstance(node, ast.Import | ast.ImportFrom)
        for name in (
            [node.module] if isinstance(node, ast.ImportFrom) else [a.name for a in node.names]
        )
    }
    theirs = {"duckdb", "duckdb_extension_ducklake", "duckdb_extension_postgres_scanner"}
    assert names <= theirs | sys.stdlib_module_names


@pytest.mark.parametrize("text", ["", 'catalogue = "x"\npython = "y"', "catalogue = 1", "= ["])
def test_a_shared_folder_says_where_the_lake_is_and_nothing_that_runs_here(tmp_path, text):
    (tmp_path / "lake.toml").write_text(text)
    with pytest.raises(ManyShopsError, match=r"lake\.toml"):
        opened(tmp_path, Path(sys.executable))
    (tmp_path / "lake.toml").write_text('catalogue = "dbname=x"')
    with pytest.raises(ManyShopsError, match="--client"):
        opened(tmp_path, None)


@needs_lake
@pytest.mark.long
def test_nothing_is_lost_or_doubled_while_writers_clients_and_server_are_killed():
    told = lake_study.under_kills(shops=4, batches=50, kills=25, server_stops=2, seed=2)
    assert (told.kills, told.server_stops) == (25, 2)
    assert (told.lost, told.doubled, told.states_changed) == (0, 0, 0)
    assert told.is_equal
    assert told.given_twice > 0


@needs_lake
@pytest.mark.long
def test_two_that_give_one_number_at_once_add_it_once(server, tmp_path):
    from concurrent.futures import ThreadPoolExecutor

    (batches,) = invented(tmp_path / "given", 1, 3)
    both = [lake_study.lake_at(*server) for _ in range(2)]
    with ThreadPoolExecutor(2) as hands:
        for batch in batches:
            at_once = batch._replace(shop="at once")
            added = list(hands.map(lambda one, given=at_once: one.append(given), both))
            assert sorted(added) == [False, True]
    for one in both:
        one.close()
