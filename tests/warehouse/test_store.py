"""The store: tables from SQL files, one writer at a time, frames that fit their table."""

import datetime as dt
import re
import subprocess
import sys
from importlib.resources import files
from pathlib import Path

import duckdb
import polars as pl
import pytest

from tests.describe_tables import grain, purpose
from warehouse import statements, store
from warehouse.shop import ShopFolder

REPOSITORY = Path(__file__).parents[2]
DEFINITIONS = statements.definitions()


@pytest.fixture(scope="module")
def connection():
    with duckdb.connect() as made:
        store.create(made)
        yield made


def header_of(name):
    return DEFINITIONS[name].split("CREATE", maxsplit=1)[0]


def test_creating_twice_changes_nothing(connection):
    before = connection.execute("SELECT * FROM duckdb_columns() ORDER BY ALL").fetchall()
    store.create(connection)
    assert connection.execute("SELECT * FROM duckdb_columns() ORDER BY ALL").fetchall() == before


@pytest.mark.parametrize("name", list(DEFINITIONS))
def test_a_table_can_be_read_and_uses_plain_types_only(connection, name):
    found = connection.execute(f"SELECT count(*) FROM {name}").fetchall()  # noqa: S608
    assert found == [(0,)]
    assert set(store.columns(connection, name).values()) <= set(store.POLARS_TYPES)


@pytest.mark.parametrize("name", list(DEFINITIONS))
def test_a_header_says_what_a_row_is_and_where_it_comes_from(name):
    header = header_of(name)
    assert header.startswith(f"-- {name}: ")
    assert grain(name).startswith("one row")
    assert re.search(r"^-- (Reads|Writes):", header, re.MULTILINE)
    assert purpose(name).endswith(".")


@pytest.mark.parametrize("name", [n for n in DEFINITIONS if "-- Writes:" in DEFINITIONS[n]])
def test_the_file_that_a_header_names_writes_the_table(name):
    written_by = re.findall(r"flows/[\w/]+\.py", header_of(name).split("Writes:")[1])
    assert written_by
    for path in written_by:
        assert name in (REPOSITORY / path).read_text(encoding="utf-8"), path


@pytest.mark.parametrize("name", [n for n in DEFINITIONS if statements.is_view(DEFINITIONS[n])])
def test_a_view_reads_what_its_header_says(name):
    header, body = DEFINITIONS[name].split("CREATE", maxsplit=1)
    said = set(re.findall(r"\b(?:raw|core|out)\.\w+", header.split("Reads:")[1]))
    read = set(re.findall(r"(?:FROM|JOIN) ((?:raw|core|out)\.\w+)", body))
    # A view may name a table only by a view it reads; what it reads itself must all be said.
    assert read <= said | {"core.job", "raw.outcome"}
    assert said <= set(DEFINITIONS)


@pytest.mark.parametrize("name", [n for n in DEFINITIONS if n.startswith("out.")])
def test_every_table_that_is_shown_has_checks(name):
    assert [check for check in statements.checks() if check.table == name]


def test_every_checks_file_is_read_whole():
    told = statements.checks()
    for layer in statements.LAYERS:
        for path in files("warehouse").joinpath(layer).iterdir():
            if path.name.endswith(".checks.sql"):
                table = f"{layer}.{path.name.removesuffix('.checks.sql')}"
                assert table in DEFINITIONS
                written = path.read_text("utf-8").count("-- check:")
                assert len([check for check in told if check.table == table]) == written, table


def test_every_check_has_a_name_of_its_own_and_a_reason():
    names = [(check.table, check.name) for check in statements.checks()]
    assert len(names) == len(set(names))
    for check in statements.checks():
        assert check.severity in ("fail", "warn")
        assert check.reason.endswith(".")


def test_an_empty_store_breaks_no_rule(connection):
    assert store.failed_checks(connection) == []


def test_a_frame_has_exactly_the_table_s_columns_and_no_nan(connection):
    record = {"stage_id": "J-1/1", "made_from": "x"}
    frame = store.frame(connection, "out.likeness", [record])
    assert frame.to_dicts() == [record]
    gain = dict.fromkeys(store.columns(connection, "out.gain_curve"))
    made = store.frame(connection, "out.gain_curve", [gain | {"gain_pct": float("nan")}])
    assert made["gain_pct"].to_list() == [None]


@pytest.mark.parametrize(
    ("record", "said"),
    [
        ({"stage_id": "a"}, r"out.likeness: missing \['made_from'\]"),
        ({"stage_id": "a", "made_from": "b", "rank": 1}, r"unknown \['rank'\]"),
    ],
)
def test_a_record_that_does_not_fit_its_table_is_refused(connection, record, said):
    with pytest.raises(KeyError, match=said):
        store.frame(connection, "out.likeness", [record])


def test_a_value_of_another_type_is_refused(connection):
    with pytest.raises(TypeError):
        store.frame(connection, "out.likeness", [{"stage_id": 7, "made_from": "x"}])


def test_columns_go_in_by_name_not_by_place(connection):
    frame = pl.DataFrame({"made_from": ["made"], "stage_id": ["stage"]})
    store.insert(connection, "out.likeness", frame)
    assert connection.execute("SELECT stage_id FROM out.likeness").fetchall() == [("stage",)]
    store.delete(connection, "out.likeness", "stage_id", ["stage"])
    assert connection.execute("SELECT * FROM out.likeness").fetchall() == []


def test_a_transaction_that_fails_leaves_nothing(connection):
    def break_off():
        with store.transaction(connection):
            connection.execute("INSERT INTO out.likeness VALUES ('a', 'b')")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        break_off()
    assert connection.execute("SELECT * FROM out.likeness").fetchall() == []


def test_instants_are_utc(tmp_path):
    with store.writer(ShopFolder(tmp_path / "shop")) as connection:
        instant = dt.datetime(2025, 6, 2, 9, 30, tzinfo=dt.UTC)
        shown = connection.execute("SELECT ?::TIMESTAMPTZ::VARCHAR", [instant]).fetchone()
    assert shown == ("2025-06-02 09:30:00+00",)


def test_a_second_writer_is_refused_with_a_plain_sentence(tmp_path):
    shop = ShopFolder(tmp_path / "My shop")
    with (
        store.writer(shop),
        pytest.raises(
            store.ShopIsBusyError,
            match="another intake, derive or publish is at work in My shop; wait for it to end",
        ),
        store.writer(shop),
    ):
        pass  # pragma: no cover
    with store.writer(shop) as connection:
        assert connection.execute("SELECT 1").fetchone() == (1,)


HOLD = """
import sys, time
from pathlib import Path
from warehouse import store
from warehouse.shop import ShopFolder
with store.writer(ShopFolder(Path(sys.argv[1]))) as connection:
    connection.execute("INSERT INTO raw.linked VALUES ('kept', 'x')")
    connection.execute("BEGIN TRANSACTION")
    connection.execute("INSERT INTO raw.linked VALUES ('lost', 'x')")
    print("held", flush=True)
    time.sleep(60)
"""


def test_a_writer_of_another_process_is_waited_for_and_a_killed_one_leaves_the_lock(tmp_path):
    shop = ShopFolder(tmp_path / "shop")
    process = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(shop.root)],
        cwd=REPOSITORY, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        assert process.stdout.readline() == "held\n"
        with pytest.raises(store.ShopIsBusyError), store.writer(shop, wait_s=0.2):
            pass  # pragma: no cover
    finally:
        process.kill()
        process.wait()
        process.stdout.close()
    with store.writer(shop) as connection:
        found = connection.execute("SELECT job_folder FROM raw.linked").fetchall()
    assert found == [("kept",)]


def test_tables_of_an_older_version_are_made_anew(tmp_path, monkeypatch):
    shop = ShopFolder(tmp_path / "shop")
    with store.writer(shop) as connection:
        connection.execute("INSERT INTO raw.linked VALUES ('kept', 'x')")
    with store.writer(shop) as connection:
        assert connection.execute("SELECT count(*) FROM raw.linked").fetchall() == [(1,)]
    monkeypatch.setattr(statements, "fingerprint", lambda: "another version")
    with store.writer(shop) as connection:
        assert connection.execute("SELECT count(*) FROM raw.linked").fetchall() == [(0,)]
