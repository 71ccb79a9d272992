"""Published snapshots: immutable, swapped in whole, and shut against everything but reading."""

import datetime as dt
import json
import random
import threading
from pathlib import Path

import duckdb
import pytest

from flows.publish import meanings, publish_snapshot
from schemas.columns import COLUMNS
from warehouse import snapshot, statements, store
from warehouse.contents import Contents
from warehouse.damage import DamagedError
from warehouse.shop import ShopFolder
from warehouse.whole_file import write_whole

NOW = dt.datetime(2025, 6, 2, 9, 30, tzinfo=dt.UTC)
FEW = ("raw.finished", "out.shop_fact", "out.likeness")


@pytest.fixture
def folder(tmp_path):
    return ShopFolder(tmp_path / "shop")


@pytest.fixture
def connection(folder, monkeypatch):
    """Open a store of a few tables: publishing all of 80 costs a test half a second each time."""
    few = {name: sql for name, sql in statements.definitions().items() if name in FEW}
    monkeypatch.setattr(statements, "definitions", lambda: few)
    forget_definitions()
    with store.writer(folder) as writer:
        yield writer
    forget_definitions()


def forget_definitions():
    """Keep nothing that was worked out of other tables."""
    for function in (statements.fingerprint, statements.rests_on, statements.checks):
        function.cache_clear()


def set_facts(connection, count):
    """Fill two tables alike, so that a torn snapshot would show."""
    connection.execute("DELETE FROM out.shop_fact")
    connection.execute("DELETE FROM out.likeness")
    connection.execute(
        "INSERT INTO out.shop_fact SELECT 'fact ' || i, 'value', 'meaning' FROM range(?) AS t(i)",
        [count],
    )
    connection.execute(
        "INSERT INTO out.likeness SELECT 'stage ' || i, 'x' FROM range(?) AS t(i)", [count]
    )


def facts_in(reader):
    return reader.execute(
        "SELECT (SELECT count(*) FROM out.shop_fact), (SELECT count(*) FROM out.likeness)"
    ).fetchone()


def test_before_the_first_publish_there_is_no_snapshot(folder):
    assert snapshot.current(folder.root) is None


def test_nothing_new_makes_no_new_snapshot(connection, folder):
    set_facts(connection, 3)
    first = publish_snapshot(connection, folder, now=NOW)
    again = publish_snapshot(connection, folder, now=NOW + dt.timedelta(hours=1))
    assert again == first
    assert snapshot.current(folder.root) == first
    assert len(list(folder.published.glob("snap-*"))) == 1


def test_the_order_of_rows_makes_no_new_snapshot(connection, folder):
    set_facts(connection, 3)
    first = publish_snapshot(connection, folder, now=NOW)
    connection.execute("CREATE TEMP TABLE kept AS SELECT * FROM out.shop_fact")
    connection.execute("DELETE FROM out.shop_fact")
    connection.execute("INSERT INTO out.shop_fact SELECT * FROM kept ORDER BY fact DESC")
    assert publish_snapshot(connection, folder, now=NOW) == first


def test_something_new_makes_a_snapshot_of_the_next_number(connection, folder):
    set_facts(connection, 3)
    first = publish_snapshot(connection, folder, now=NOW)
    set_facts(connection, 4)
    second = publish_snapshot(connection, folder, now=NOW)
    assert second.number == first.number + 1
    assert second.path != first.path
    assert snapshot.current(folder.root) == second
    with snapshot.open_reader(second.path) as reader:
        assert facts_in(reader) == (4, 4)


def test_a_snapshot_that_was_lost_is_published_again(connection, folder):
    set_facts(connection, 3)
    first = publish_snapshot(connection, folder, now=NOW)
    first.path.unlink()
    again = publish_snapshot(connection, folder, now=NOW)
    assert again.path.is_file()
    assert again.number > first.number


def test_three_snapshots_are_kept_and_older_ones_swept(connection, folder):
    for count in range(1, 6):
        set_facts(connection, count)
        publish_snapshot(connection, folder, now=NOW)
    names = sorted(path.name for path in folder.published.glob("snap-*"))
    assert names == [f"snap-{number:08d}.duckdb" for number in (3, 4, 5)]


def test_what_a_killed_publish_left_is_swept(connection, folder):
    folder.published.mkdir(parents=True, exist_ok=True)
    (folder.published / "making-00000001.duckdb").write_bytes(b"half of it")
    set_facts(connection, 1)
    publish_snapshot(connection, folder, now=NOW)
    assert list(folder.published.glob("making-*")) == []


def test_a_reader_of_an_old_snapshot_keeps_its_state_while_new_ones_come(connection, folder):
    set_facts(connection, 1)
    old = publish_snapshot(connection, folder, now=NOW)
    reader = snapshot.open_reader(old.path)
    for count in (2, 3):
        set_facts(connection, count)
        publish_snapshot(connection, folder, now=NOW)
        assert facts_in(reader) == (1, 1)
    reader.close()


def test_a_reader_never_sees_half_of_a_snapshot(connection, folder):
    set_facts(connection, 1)
    publish_snapshot(connection, folder, now=NOW)
    seen, torn, done = set(), [], threading.Event()

    def read():
        while not done.is_set():
            with snapshot.open_reader(snapshot.current(folder.root).path) as reader:
                facts, lists = facts_in(reader)
            seen.add(facts)
            if facts != lists:
                torn.append((facts, lists))

    thread = threading.Thread(target=read)
    thread.start()
    for count in range(2, 7):
        set_facts(connection, count)
        publish_snapshot(connection, folder, now=NOW)
    done.set()
    thread.join()
    assert torn == []
    assert len(seen) > 1


@pytest.fixture(scope="module")
def all_tables(tmp_path_factory):
    with store.writer(ShopFolder(tmp_path_factory.mktemp("all") / "shop")) as writer:
        set_facts(writer, 1)
        yield writer


@pytest.fixture(scope="module")
def reader(all_tables, tmp_path_factory):
    """Read a snapshot of every table; no test may change it."""
    folder = ShopFolder(tmp_path_factory.mktemp("published") / "shop")
    with snapshot.open_reader(publish_snapshot(all_tables, folder, now=NOW).path) as opened:
        yield opened


@pytest.mark.parametrize(
    "forbidden",
    [
        "SELECT * FROM read_csv('{file}')",
        "SELECT * FROM read_text('{file}')",
        "SELECT * FROM '{file}'",
        "SELECT * FROM glob('*')",
        "COPY out.shop_fact TO '{file}'",
        "EXPORT DATABASE '{file}'",
        "ATTACH '{file}.duckdb' AS other",
        "INSTALL httpfs",
        "LOAD httpfs",
        "SET enable_external_access = true",
        "SET memory_limit = '8GB'",
        "RESET lock_configuration",
        "CREATE TABLE out.mine (a INTEGER)",
        "DELETE FROM out.shop_fact",
        "UPDATE out.shop_fact SET fact_value = '1'",
        "DROP TABLE out.shop_fact",
    ],
)
def test_a_reader_can_only_read(reader, tmp_path, forbidden):
    secret = tmp_path / "secret.csv"
    secret.write_text("a\n1\n", encoding="utf-8")
    with pytest.raises(duckdb.Error, match=r"(?i)permission|disabled|locked|read-only|cannot"):
        reader.execute(forbidden.format(file=secret.as_posix()))
    assert secret.read_text(encoding="utf-8") == "a\n1\n"
    assert facts_in(reader) == (1, 1)


def test_a_snapshot_holds_all_of_out_and_no_other_layer(reader):
    found = {
        f"{schema}.{name}"
        for schema, name in reader.execute(
            "SELECT schema_name, table_name FROM duckdb_tables()"
        ).fetchall()
    }
    assert found == {n for n in statements.definitions() if n.startswith("out.")} | {
        "out.column_meaning",
        "main.gone",
        "main.part",
    }


def test_published_numbers_are_of_types_that_every_reader_knows(reader):
    types = {t for (t,) in reader.execute("SELECT DISTINCT data_type FROM duckdb_columns() "
                                          "WHERE schema_name = 'out'").fetchall()}  # fmt: skip
    assert types <= set(store.POLARS_TYPES)


def test_the_dictionary_travels_with_the_snapshot(reader):
    rows = reader.execute(
        "SELECT columns.table_name, columns.column_name, meaning, unit "
        "FROM duckdb_columns() AS columns LEFT JOIN out.column_meaning AS told "
        "ON told.table_name = 'out.' || columns.table_name "
        "AND told.column_name = columns.column_name "
        "WHERE schema_name = 'out' AND columns.table_name <> 'column_meaning'"
    ).fetchall()
    assert len(rows) > 200
    for _, column, meaning, unit in rows:
        assert meaning == COLUMNS[column].meaning
        assert unit == COLUMNS[column].unit


def test_every_published_column_has_its_meaning(all_tables):
    told = {(table, column) for table, column, _, _ in meanings(all_tables)}
    assert told == {
        (table, column)
        for table in statements.definitions()
        if table.startswith("out.")
        for column in store.columns(all_tables, table)
    }


def test_another_meaning_makes_a_new_snapshot(connection, folder):
    told = meanings(connection)
    first = snapshot.publish(connection, folder, told, NOW, Contents(connection))
    table, column, unit, meaning = told[0]
    changed = [(table, column, unit, meaning + "!"), *told[1:]]
    second = snapshot.publish(connection, folder, changed, NOW, Contents(connection))
    assert second.number == first.number + 1


def test_the_pointer_says_when_it_was_published(connection, folder):
    publish_snapshot(connection, folder, now=NOW)
    pointer = json.loads((folder.published / snapshot.POINTER).read_text(encoding="utf-8"))
    assert dt.datetime.fromisoformat(pointer["published_at"]) == NOW
    assert snapshot.current(folder.root).published_at == NOW


def test_a_failed_write_leaves_the_old_text_and_no_litter(tmp_path):
    path = tmp_path / "note.txt"
    write_whole(path, "old")
    with pytest.raises(UnicodeEncodeError):
        write_whole(path, "new \ud800")
    assert path.read_text(encoding="utf-8") == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["note.txt"]


def test_a_shop_whose_path_holds_a_quote_can_publish(tmp_path):
    folder = ShopFolder(tmp_path / "Rider's shop")
    with store.writer(folder) as connection:
        assert publish_snapshot(connection, folder, now=NOW).path.is_file()


def test_numbers_go_on_after_the_pointer_is_lost(connection, folder):
    for count in (1, 2):
        set_facts(connection, count)
        publish_snapshot(connection, folder, now=NOW)
    (folder.published / snapshot.POINTER).unlink()
    assert publish_snapshot(connection, folder, now=NOW).number == 3


@pytest.fixture
def small_parts(monkeypatch):
    """Let tables of more than six values be long, and a part hold twelve of them: four facts."""
    monkeypatch.setattr(snapshot, "LONG_VALUES", 6)
    monkeypatch.setattr(snapshot, "PART_VALUES", 12)


def parts_in(folder):
    return {path.name: path.stat().st_mtime_ns for path in folder.published.glob("part-*")}


def shown(published):
    with snapshot.open_reader(published.path) as reader:
        return sorted(reader.execute("SELECT * FROM out.shop_fact").fetchall())


def test_a_long_table_is_shown_whole_from_its_parts(connection, folder, small_parts):
    set_facts(connection, 10)
    published = publish_snapshot(connection, folder, now=NOW)
    assert [p.table for p in published.parts].count("out.shop_fact") == 3
    assert shown(published) == sorted(connection.execute("FROM out.shop_fact").fetchall())


def test_only_the_part_with_a_changed_key_is_written_anew(connection, folder, small_parts):
    set_facts(connection, 12)
    first = publish_snapshot(connection, folder, now=NOW)
    before = parts_in(folder)
    connection.execute("UPDATE out.shop_fact SET fact_value = 'other' WHERE fact = 'fact 5'")
    second = publish_snapshot(connection, folder, now=NOW)
    assert len(set(second.parts) - set(first.parts)) == 1
    assert len(set(first.parts) - set(second.parts)) == 1
    assert before.items() <= parts_in(folder).items()
    assert ("fact 5", "other", "meaning") in shown(second)
    assert ("fact 5", "value", "meaning") in shown(first)


def test_new_rows_go_into_the_part_that_is_not_full(connection, folder, small_parts):
    set_facts(connection, 9)
    first = publish_snapshot(connection, folder, now=NOW)
    connection.execute("INSERT INTO out.shop_fact VALUES ('late', 'value', 'meaning')")
    second = publish_snapshot(connection, folder, now=NOW)
    assert len(second.parts) == len(first.parts)
    assert len(set(first.parts) & set(second.parts)) == len(first.parts) - 1
    assert ("late", "value", "meaning") in shown(second)


def test_a_table_that_grows_day_by_day_is_written_again_seldom_and_has_few_small_parts():
    # By hand: small parts stand apart by a factor of 8 at least, between 3 and 50,000 rows, so
    # there are log8(50,000 / 3) + 1 < 6 of them; a row is written once when it comes and at each of
    # these sizes up to 8 times. Written anew each day a row would be written up to 5,000 times.
    full, parts, written, came, most = 100_000, {}, 0, 0, 0
    for day in range(5_000):
        new = (3, 10, 10, 10, 40)[day % 5]
        left = snapshot._left(parts, full, new)
        again = sum(rows for at, rows in parts.items() if at not in left)
        parts = {at: parts[at] for at in left} | {day: new + again}
        came, written = came + new, written + new + again
        most = max(most, sum(2 * rows <= full for rows in parts.values()))
    assert sum(parts.values()) == came
    assert most <= 6
    assert written <= (1 + 8 * 6) * came


def test_rows_that_are_gone_leave_their_part(connection, folder, small_parts):
    set_facts(connection, 12)
    publish_snapshot(connection, folder, now=NOW)
    connection.execute("DELETE FROM out.shop_fact WHERE fact IN ('fact 1', 'fact 11')")
    second = publish_snapshot(connection, folder, now=NOW)
    assert shown(second) == sorted(connection.execute("FROM out.shop_fact").fetchall())


def test_a_part_of_which_few_keys_are_gone_is_kept_and_shows_none_of_them(
    connection, folder, monkeypatch
):
    monkeypatch.setattr(snapshot, "LONG_VALUES", 6)
    monkeypatch.setattr(snapshot, "PART_VALUES", 300)
    set_facts(connection, 100)  # three values a fact: one part
    draw, kept, written = random.Random(6), [], set()
    for day in range(16):
        for _ in range(draw.randrange(1, 4)):
            name = f"fact {draw.randrange(100)}"
            # Values come back too: a row that a part still holds, and that stands in another.
            value = draw.choice(["value", "other", "third"])
            store.delete(connection, "out.shop_fact", "fact", [name])
            if day % 3:
                connection.execute("INSERT INTO out.shop_fact VALUES (?, ?, 'm')", [name, value])
        published = publish_snapshot(connection, folder, now=NOW)
        assert shown(published) == sorted(connection.execute("FROM out.shop_fact").fetchall())
        facts = [part for part in published.parts if part.table == "out.shop_fact"]
        kept.append({part.file for part in facts} & written)
        written |= {part.file for part in facts}
        for part in facts:
            gone, rows = lost_of(published, part.file)
            assert gone <= rows / 8
    assert sum(map(bool, kept)) >= 10
    assert len(facts) <= 6


def lost_of(published, file):
    with snapshot.open_reader(published.path) as reader:
        return reader.execute(
            "SELECT (SELECT count(*) FROM main.gone WHERE file = ?), count(*) "  # noqa: S608
            f'FROM "{Path(file).stem}".main.rows',
            [file],
        ).fetchone()


def test_where_a_snapshot_was_lost_no_row_that_is_gone_comes_back(connection, folder, monkeypatch):
    monkeypatch.setattr(snapshot, "LONG_VALUES", 6)
    monkeypatch.setattr(snapshot, "PART_VALUES", 300)
    set_facts(connection, 100)
    publish_snapshot(connection, folder, now=NOW)
    store.delete(connection, "out.shop_fact", "fact", ["fact 7"])
    lost = publish_snapshot(connection, folder, now=NOW)
    assert lost_of(lost, lost.parts[0].file)[0] + lost_of(lost, lost.parts[-1].file)[0] == 1
    lost.path.write_bytes(b"")
    connection.execute("UPDATE out.likeness SET made_from = 'y' WHERE stage_id = 'stage 3'")
    again = publish_snapshot(connection, folder, now=NOW, heal=[].append)
    assert shown(again) == sorted(connection.execute("FROM out.shop_fact").fetchall())


def test_of_long_tables_only_those_that_changed_are_looked_through(
    connection, folder, small_parts, monkeypatch
):
    set_facts(connection, 12)
    first = publish_snapshot(connection, folder, now=NOW)
    looked_through, list_keys = [], snapshot._list_keys
    monkeypatch.setattr(
        snapshot, "_list_keys", lambda c, name: looked_through.append(name) or list_keys(c, name)
    )
    connection.execute("UPDATE out.likeness SET made_from = 'y' WHERE stage_id = 'stage 3'")
    second = publish_snapshot(connection, folder, now=NOW)
    assert looked_through == ["out.likeness"]
    assert second.number == first.number + 1
    assert shown(second) == sorted(connection.execute("FROM out.shop_fact").fetchall())


def test_a_lost_part_of_a_table_that_did_not_change_is_made_again(connection, folder, small_parts):
    set_facts(connection, 12)
    first = publish_snapshot(connection, folder, now=NOW)
    lost = next(part for part in first.parts if part.table == "out.shop_fact")
    (folder.published / lost.file).unlink()
    connection.execute("UPDATE out.likeness SET made_from = 'y' WHERE stage_id = 'stage 3'")
    second = publish_snapshot(connection, folder, now=NOW, heal=[].append)
    assert shown(second) == sorted(connection.execute("FROM out.shop_fact").fetchall())


def test_a_counted_long_table_is_looked_through_when_its_named_one_changed(
    connection, folder, small_parts
):
    def published():
        contents = Contents(connection, {"out.shop_fact": "out.likeness"})
        return publish_snapshot(connection, folder, contents, now=NOW)

    set_facts(connection, 12)
    published()
    connection.execute("UPDATE out.shop_fact SET fact_value = 'other' WHERE fact = 'fact 5'")
    connection.execute("UPDATE out.likeness SET made_from = 'y' WHERE stage_id = 'stage 5'")
    assert ("fact 5", "other", "meaning") in shown(published())


def test_a_part_is_swept_when_no_kept_snapshot_names_it(connection, folder, small_parts):
    for count in range(8, 20):
        set_facts(connection, count)
        published = publish_snapshot(connection, folder, now=NOW)
    named = set()
    for path in folder.published.glob("snap-*"):
        with duckdb.connect(str(path), read_only=True) as database:
            named |= {file for (file,) in database.execute("FROM main.part").fetchall()}
    assert set(parts_in(folder)) == named
    assert {part.file for part in published.parts} < named


@pytest.mark.parametrize("spoil", ["lost", "cut", "changed"])
def test_a_damaged_part_is_told_and_made_again(connection, folder, small_parts, spoil):
    set_facts(connection, 12)
    first = publish_snapshot(connection, folder, now=NOW)
    part = folder.published / first.parts[0].file
    data = part.read_bytes()
    part.unlink()
    if spoil != "lost":
        part.write_bytes(data[:-4096] if spoil == "cut" else data[:-9] + b"x" + data[-8:])
    assert part.name in snapshot.damage(folder)
    if spoil != "changed":  # seen without a byte of it being read
        with pytest.raises(DamagedError, match=part.name):
            snapshot.current(folder.root)
    told = []
    again = publish_snapshot(connection, folder, now=NOW, heal=told.append)
    assert "it was published again" in told[0]
    assert snapshot.damage(folder) == ""
    assert len(set(again.parts) & set(first.parts)) == len(first.parts) - 1
    assert shown(again) == sorted(connection.execute("FROM out.shop_fact").fetchall())


def test_a_reader_of_parts_can_only_read_and_a_second_one_reads_too(
    connection, folder, small_parts, tmp_path
):
    set_facts(connection, 12)
    published = publish_snapshot(connection, folder, now=NOW)
    part = (folder.published / published.parts[0].file).as_posix()
    with snapshot.open_reader(published.path) as one, snapshot.open_reader(published.path) as two:
        for forbidden in (
            f"COPY (SELECT 1) TO '{part}' (FORMAT csv)",
            f"COPY (SELECT 1) TO '{tmp_path.as_posix()}/out.csv'",
            f'DELETE FROM "{Path(part).stem}".main.rows',  # noqa: S608
            f"ATTACH '{tmp_path.as_posix()}/x.duckdb' AS other",
            "SELECT * FROM glob('*')",
        ):
            with pytest.raises(duckdb.Error):
                one.execute(forbidden)
        assert facts_in(one) == facts_in(two) == (12, 12)


def test_a_snapshot_of_before_there_were_parts_is_read(tmp_path):
    path = tmp_path / "snap-00000001.duckdb"
    with duckdb.connect(str(path)) as database:
        database.execute("CREATE SCHEMA out; CREATE TABLE out.shop_fact AS SELECT 'old' AS fact")
    with snapshot.open_reader(path) as reader:
        assert reader.execute("SELECT fact FROM out.shop_fact").fetchall() == [("old",)]


@pytest.mark.parametrize("at", [3, 10, 5000, 9000])
def test_a_part_that_cannot_be_opened_costs_the_part_and_not_the_database(
    connection, folder, small_parts, at
):
    # Bug: its error was taken for one of the shop's database, which was put aside at every update.
    set_facts(connection, 12)
    first = publish_snapshot(connection, folder, now=NOW)
    part = folder.published / first.parts[0].file
    data = bytearray(part.read_bytes())
    data[at] ^= 255
    part.write_bytes(data)
    set_facts(connection, 13)
    told = []
    again = publish_snapshot(connection, folder, now=NOW, heal=told.append)
    assert snapshot.damage(folder) == ""
    assert shown(again) == sorted(connection.execute("FROM out.shop_fact").fetchall())
    assert part.name not in {one.file for one in again.parts}
    assert told or at == 3


def test_names_that_are_not_ours_stop_no_publishing(connection, folder, small_parts):
    set_facts(connection, 12)
    publish_snapshot(connection, folder, now=NOW)
    (folder.published / "my-copy.duckdb").touch()
    (folder.published / "snap-old.duckdb").touch()
    (folder.published / "making-00000002.duckdb").mkdir()
    set_facts(connection, 13)
    assert publish_snapshot(connection, folder, now=NOW).number == 2
    assert (folder.published / "snap-old.duckdb").exists()


def test_a_pointer_nested_without_end_is_a_damaged_one(connection, folder):
    publish_snapshot(connection, folder, now=NOW)
    (folder.published / snapshot.POINTER).write_text("[" * 100_000, encoding="utf-8")
    with pytest.raises(DamagedError):
        snapshot.current(folder.root)
