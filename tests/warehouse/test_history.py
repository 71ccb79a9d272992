"""Any past day can be opened again, as it was, with why it changed since."""

import datetime as dt
import json
import random
import re
import shutil
from dataclasses import replace
from importlib.resources import files

import duckdb
import polars as pl
import pytest

from flows.publish import publish_snapshot
from warehouse import history, snapshot, statements, store
from warehouse.damage import file_sha256
from warehouse.history import HistoryError
from warehouse.shop import ShopFolder

NOW = dt.datetime(2025, 6, 2, 9, 30, tzinfo=dt.UTC)
TABLES = {
    "shop_fact": "fact",
    "session_pull": "pull_id",
    "need_member": "need_id, stage_id",
    "gain_curve": "gain_id, engine_speed_rpm",
}
EXACT = tuple(TABLES)[:3]
KEYS = {"out.session_pull": "pull_id", "out.need_member": "need_id", "out.gain_curve": "gain_id"}


@pytest.fixture
def folder(tmp_path):
    return ShopFolder(tmp_path / "shop")


@pytest.fixture
def connection(folder):
    with store.writer(folder) as writer:
        yield writer


def fact(connection, name, value):
    connection.execute(
        "INSERT OR REPLACE INTO out.shop_fact VALUES (?, ?, 'meaning')", [name, value]
    )


def publish(connection, folder, day, told=None):
    told = [] if told is None else told
    now = NOW + dt.timedelta(days=day)
    return publish_snapshot(connection, folder, now=now, heal=told.append)


def on(folder, day):
    return history.as_of(folder.root, (NOW + dt.timedelta(days=day)).date())


def rows(found, tables=EXACT):
    with snapshot.open_reader(found.path) as reader:
        return {
            name: reader.execute(f"FROM out.{name} ORDER BY {TABLES.get(name, 2)}").fetchall()
            for name in tables
        }


def facts(found):
    return {name: value for name, value, _ in rows(found)["shop_fact"]}


def change_at_random(connection, draw):
    """Change, add and take out rows of four tables; some days nothing."""
    for _ in range(draw.randrange(4)):
        fact(connection, f"fact {draw.randrange(6)}", str(draw.randrange(3)))
    if draw.random() < 0.3:
        store.delete(connection, "out.shop_fact", "fact", [f"fact {draw.randrange(6)}"])
    for table, key in KEYS.items():
        if draw.random() < 0.5:
            continue
        one = f"{key} {draw.randrange(3)}"
        store.delete(connection, table, key, [one])
        for row in range(draw.randrange(1 if table == "out.session_pull" else 4) + 1):
            told = [draw.choice([0.0, 1 / 3, -1e-9, 12345.678, draw.random()]) for _ in range(7)]
            values = {
                "out.session_pull": (one, "s", *told[:2], None),
                "out.need_member": (one, f"stage {row}", "b", *told[:2], "warn"),
                "out.gain_curve": (one, 100.0 * row, *told),
            }[table]
            marks = ", ".join("?" * len(values))
            connection.execute(f"INSERT INTO {table} VALUES ({marks})", list(values))  # noqa: S608


def shown(found):
    """Return rows with their numbers rounded in each way that pages may round them."""
    return [
        [[f"{v:.{n}e}" for n in range(5)] if isinstance(v, float) else v for v in row]
        for row in found
    ]


def is_seen(was, told):
    """Whether a curve's row is as it was as far as an eye can tell."""
    # Powers to three digits, percent to one place: half a unit of the last is the most, both ways.
    return (
        was[:2] == told[:2]
        and list(told[2:4]) == pytest.approx(list(was[2:4]), rel=0.01 + 1e-9)
        and list(told[4:]) == pytest.approx(list(was[4:]), abs=0.1 + 1e-9)
    )


@pytest.mark.parametrize("is_in_parts", [False, True])
def test_every_day_comes_back_as_it_was_also_where_nothing_changed(
    connection, folder, monkeypatch, is_in_parts
):
    if is_in_parts:  # of three rows each
        monkeypatch.setattr(snapshot, "LONG_VALUES", 1)
        monkeypatch.setattr(snapshot, "PART_VALUES", 20)
    draw = random.Random(0)
    fact(connection, "first", "0")
    known = {}
    for day in range(5):
        change_at_random(connection, draw)
        published = publish(connection, folder, day)
        assert bool(published.parts) == is_in_parts
        known[day] = rows(published, TABLES)
    for day, then in known.items():
        found = rows(on(folder, day), TABLES)
        assert all(shown(found[name]) == shown(then[name]) for name in EXACT), day
        curves = {row[:2]: row for row in then["gain_curve"]}
        assert all(is_seen(curves[row[:2]], row) for row in found["gain_curve"])


def test_every_day_comes_back_where_keys_are_gone_from_parts_that_stay(
    connection, folder, monkeypatch
):
    monkeypatch.setattr(snapshot, "LONG_VALUES", 6)
    monkeypatch.setattr(snapshot, "PART_VALUES", 300)
    for number in range(60):
        fact(connection, f"fact {number}", "0")
    draw, known = random.Random(3), {}
    for day in range(6):
        fact(connection, f"fact {draw.randrange(60)}", str(draw.randrange(3)))
        if day % 2:
            store.delete(connection, "out.shop_fact", "fact", [f"fact {draw.randrange(60)}"])
        published = publish(connection, folder, day)
        known[day] = rows(published)["shop_fact"]
    with snapshot.open_reader(published.path) as reader:
        assert reader.execute("FROM main.gone").fetchall()
    assert all(rows(on(folder, day))["shop_fact"] == then for day, then in known.items())


def test_a_curve_of_which_an_eye_can_tell_that_it_changed_is_left_out_of_the_past(
    connection, folder
):
    names = ("as it was", "not to be seen", "band", "itself", "other speeds")
    for name in names:
        curve = (name, 3000.0, 50e3, 52e3, 4.0, 3.0, 5.0, 2.0, 6.0)
        connection.execute("INSERT INTO out.gain_curve VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", curve)
    publish(connection, folder, 0)
    for change, name in (
        ("upper_pct = 5.01", "not to be seen"),
        ("upper_pct = 5.5", "band"),
        ("gain_pct = 4.5", "itself"),
        ("engine_speed_rpm = 3100", "other speeds"),
    ):
        connection.execute(f"UPDATE out.gain_curve SET {change} WHERE gain_id = '{name}'")  # noqa: S608
    connection.execute("INSERT INTO out.gain_curve (gain_id, engine_speed_rpm) VALUES ('new', 1)")
    publish(connection, folder, 1)
    found = {row[0]: row[4:] for row in rows(on(folder, 0), TABLES)["gain_curve"]}
    assert found == {
        "as it was": (4.0, 3.0, 5.0, 2.0, 6.0),
        "not to be seen": (4.0, 3.0, 5.01, 2.0, 6.0),
    }


def test_years_that_are_over_lie_in_one_file_each(connection, folder):
    for day in (0, 1, 40, 80, 220, 600, 640, 1000):
        fact(connection, "one", str(day))
        publish(connection, folder, day)
    # 2025-06-02 and 03, 07, 08; 2026-01, 2027-01, 03 and 2028-02: what stood before is kept with
    # the day on which it went.
    files = history.read_index(folder.history).files
    assert [(file.first, file.last) for file in files] == [(1, 3), (4, 4), (5, 6), (7, 7)]
    assert [facts(on(folder, d))["one"] for d in (0, 1, 79, 599, 640)] == [
        "0",
        "1",
        "40",
        "220",
        "640",
    ]


def test_rows_made_again_alike_leave_no_history(connection, folder):
    connection.execute("INSERT INTO out.plan VALUES (true, 'strapped', 3, 1.0, 0.5, 'version 1')")
    publish(connection, folder, 0)
    connection.execute("UPDATE out.plan SET made_from = 'version 2'")
    assert publish(connection, folder, 1).number == 2
    assert len(history.read_index(folder.history).states) == 1
    assert history.read_index(folder.history).anchor.file == "snap-00000002.duckdb"


ODD = ["a b", 'say "so"', "[1, null]", "{}", "", "\x1f|\n\\", "Größe 5 µm", "null"]
"""Texts that could be taken for what stands between them."""


def test_texts_that_changed_at_once_come_back_whatever_is_in_them_also_packed(connection, folder):
    days = (0, 1, 2, 3, 40, 41, 80, 81)
    known = {}
    for number, day in enumerate(days):
        told = (ODD[number], None if number % 2 else 0.5, ODD[(3 * number + 1) % len(ODD)])
        store.delete(connection, "out.need_member", "need_id", ["need"])
        connection.execute(
            "INSERT INTO out.need_member VALUES ('need', 'stage', ?, ?, 1.0, ?)", list(told)
        )
        fact(connection, "day", str(day))
        known[day] = rows(publish(connection, folder, day))["need_member"]
    # June and July are over, and lie in one file each.
    assert len(history.read_index(folder.history).files) == 4
    assert {day: rows(on(folder, day))["need_member"] for day in days} == known


def test_changes_that_an_earlier_version_kept_are_read_alike(connection, folder):
    """They had a line for each column, and 32 digits of what tells the rows of a view apart."""
    known = {}
    for day in range(4):
        change_at_random(connection, random.Random(day))
        connection.execute("UPDATE raw.card SET is_in_force = false")
        connection.execute("INSERT INTO raw.card VALUES ('J', ?, '', 'J', '[]', true)", [str(day)])
        connection.execute(
            "INSERT INTO raw.arrival VALUES ('J', 'card.toml', ?, 1, 1, 1, 1, ?, true, true)",
            [str(day), NOW],
        )
        known[day] = rows(publish(connection, folder, day), (*EXACT, "card"))
    index = history.read_index(folder.history)
    for place, file in enumerate(index.files[:2]):
        path = folder.history / file.name
        old = duckdb.sql(
            "SELECT number, since, table_name, key, row || repeat('0', 16) AS row, "  # noqa: S608
            f"column_name, cause, held FROM ({history._by_column(folder.history, [file])})"
        ).pl()
        is_of_view = pl.col("table_name") == "card"
        old = old.with_columns(
            pl.when(is_of_view).then("row").otherwise(pl.col("row").str.head(-16)).alias("row")
        )
        old.write_parquet(path)
        index.files[place] = file._replace(size_bytes=path.stat().st_size, sha256=file_sha256(path))
    history._write_index(folder.history, index)
    for day, then in known.items():
        found = rows(on(folder, day), (*EXACT, "card"))
        assert all(shown(found[name]) == shown(then[name]) for name in (*EXACT, "card")), day


def test_the_figures_of_a_note_are_cut_and_what_a_person_wrote_is_not(connection, folder):
    note = '{"code": "part leads", "share": 0.74284295, "seen": [1234567, 12.00000049]}'
    person = '{"code": I paid 0.74284295'
    connection.execute(
        "INSERT INTO out.need_member VALUES ('need', 'a', ?, 1.0, 1.0, ?)", [note, person]
    )
    publish(connection, folder, 0)
    fact(connection, "day", "1")
    connection.execute("UPDATE out.need_member SET bike_id = 'b', level = 'c'")
    publish(connection, folder, 1)
    ((_, _, told, _, _, wrote),) = rows(on(folder, 0))["need_member"]
    # Six digits, the last neither 0 nor 5 where more followed: 12.0000|0049 is 12.0001.
    assert json.loads(told) == {"code": "part leads", "share": 0.742842, "seen": [1234567, 12.0001]}
    assert wrote == person


def test_of_what_no_question_asks_the_past_tells_nothing(connection, folder):
    connection.execute("INSERT INTO out.gearing VALUES ('model', 3, 'made')")
    connection.execute(
        "INSERT INTO out.pooled_member (effect_id, gain_id, bike_id, gain_pct, gain_sd_pct) "
        "VALUES ('e', 'g', 'b', 2.5, 0.5)"
    )
    for day, value in enumerate("ab"):
        fact(connection, "one", value)
        publish(connection, folder, day)
    with snapshot.open_reader(on(folder, 0).path) as reader:
        assert reader.execute("FROM out.gearing").fetchall() == []
        told = reader.execute("SELECT gain_id, gain_pct FROM out.pooled_member").fetchall()
        assert told == [("g", None)]


def answered(tables):
    """Return the columns of every question's answer, asked of empty tables."""
    found = {}
    with duckdb.connect() as asked:
        asked.execute("CREATE SCHEMA out")
        for table, columns in tables.items():
            listed = ", ".join(f"{name} {kind}" for name, kind in columns.items())
            asked.execute(f"CREATE TABLE out.{table} ({listed})")
        for path in files("warehouse").joinpath("questions").iterdir():
            if path.name.endswith(".sql"):
                sql = re.sub("--.*", "", path.read_text("utf-8")).strip().rstrip(";")
                takes = dict.fromkeys(re.findall(r"\$(\w+)", sql)) or None
                try:
                    told = asked.execute(f"DESCRIBE {sql}", takes).fetchall()
                except duckdb.Error as error:
                    told = str(error)
                found[path.name] = told
    return found


def test_no_question_asks_for_what_history_does_not_keep(connection, folder):
    fact(connection, "one", "a")
    published = publish(connection, folder, 0)
    with snapshot.open_reader(published.path) as reader:
        whole = history._tables(reader, published.path.stem)
    kept = {
        table: {n: k for n, k in columns.items() if n not in history.NOT_ASKED.get(table, ())}
        for table, columns in whole.items()
        if table not in history.NOT_KEPT - history.AS_TODAY
    }
    told = answered(whole)
    # `latest_pull` takes no NULL, and says so before anything else.
    assert sum(isinstance(answer, str) for answer in told.values()) <= 1
    assert answered(kept) == told
    # So would a column be found that is asked for.
    assert answered(kept | {"gain": {"gain_id": "VARCHAR"}}) != told


def test_a_row_that_goes_and_comes_back_is_there_on_its_days_only(connection, folder):
    for day, value in enumerate(("a", None, "a", "b")):
        if value is None:
            connection.execute("DELETE FROM out.shop_fact")
            fact(connection, "other", "x")
        else:
            fact(connection, "one", value)
        publish(connection, folder, day)
    assert [facts(on(folder, day)).get("one") for day in range(4)] == ["a", None, "a", "b"]


@pytest.mark.long
def test_of_two_publishes_in_one_second_the_last_counts(connection, folder):
    for value in "abc":
        fact(connection, "one", value)
        publish(connection, folder, 0)
    fact(connection, "one", "d")
    publish(connection, folder, 1)
    assert facts(on(folder, 0)) == {"one": "c"}


@pytest.mark.long
def test_a_clock_set_back_hides_only_what_it_went_over(connection, folder):
    # By the clock: day 0 "a", day 9 "b", and then day 3 "c", which is the last to hold.
    for day, value in ((0, "a"), (9, "b"), (3, "c")):
        fact(connection, "one", value)
        publish(connection, folder, day)
    assert [facts(on(folder, day))["one"] for day in (0, 2, 3, 9, 99)] == ["a", "a", "c", "c", "c"]


def test_a_day_before_the_first_is_refused_with_the_day_it_begins(connection, folder):
    fact(connection, "one", "a")
    publish(connection, folder, 0)
    with pytest.raises(
        HistoryError, match="history begins on 2025-06-02 09:30: what stood on 2025"
    ):
        on(folder, -1)


@pytest.mark.long
def test_a_shop_that_kept_no_history_begins_with_its_next_publish(connection, folder):
    fact(connection, "one", "a")
    publish(connection, folder, 0)
    shutil.rmtree(folder.history)
    with pytest.raises(HistoryError, match="no history yet"):
        on(folder, 0)
    publish(connection, folder, 5)
    assert facts(on(folder, 6)) == {"one": "a"}


class KillError(BaseException):
    """Stands for a kill: nothing may catch it."""


@pytest.mark.parametrize(
    "step",
    [
        pytest.param("_find_changes", marks=pytest.mark.long),
        "_write_index",
        pytest.param("_sweep", marks=pytest.mark.long),
    ],
)
def test_a_kill_at_any_step_is_made_good_by_the_next_publish(connection, folder, monkeypatch, step):
    fact(connection, "one", "a")
    publish(connection, folder, 0)
    fact(connection, "one", "b")
    publish(connection, folder, 1)

    def killed(*_, **__):
        raise KillError

    for value in "cdef":  # more publishes than snapshots are kept
        fact(connection, "one", value)
        with monkeypatch.context() as patch:
            patch.setattr(history, step, killed)
            with pytest.raises(KillError):
                publish(connection, folder, 40)
    publish(connection, folder, 41)
    assert [facts(on(folder, day))["one"] for day in (0, 1, 41)] == ["a", "b", "f"]
    assert facts(on(folder, 40))["one"] in "bcdef"
    named = {file.name for file in history.read_index(folder.history).files}
    assert {path.name for path in folder.history.glob("*.parquet")} == named


def test_a_full_disk_is_told_and_the_next_difference_covers_both(connection, folder, monkeypatch):
    fact(connection, "one", "a")
    publish(connection, folder, 0)
    told = []

    def full(*_, **__):
        raise OSError(28, "No space left on device")

    for day in range(1, 5):  # more publishes than snapshots are kept
        fact(connection, "one", str(day))
        with monkeypatch.context() as patch:
            patch.setattr(history, "_kept", full)
            assert publish(connection, folder, day, told).number == day + 1
    assert len(told) == 4
    assert "History could not be written" in told[0]
    publish(connection, folder, 6)
    assert [facts(on(folder, day))["one"] for day in (0, 3, 6)] == ["a", "a", "4"]


def test_a_history_file_that_is_gone_or_cut_is_told_and_later_days_still_answer(connection, folder):
    for day, value in enumerate("abcd"):
        fact(connection, "one", value)
        publish(connection, folder, day)
    path = folder.history / history.read_index(folder.history).files[1].name
    path.write_bytes(path.read_bytes()[:-1])
    assert facts(on(folder, 2)) == {"one": "c"}
    with pytest.raises(
        HistoryError, match=f"{path.name} is gone or damaged: days before 2025-06-04"
    ):
        on(folder, 0)
    assert "is damaged: days before 2025-06-04 09:30 cannot be shown" in history.damage(folder)[0]
    path.unlink()
    with pytest.raises(HistoryError, match="gone or damaged"):
        on(folder, 1)


def test_a_damaged_index_is_told_put_aside_and_begun_anew(connection, folder):
    fact(connection, "one", "a")
    publish(connection, folder, 0)
    (folder.history / history.INDEX).write_text('{"states": []}', encoding="utf-8")
    assert "is damaged" in history.damage(folder)[0]
    told = []
    fact(connection, "one", "b")
    publish(connection, folder, 1, told)
    assert "is damaged" in told[0]
    with pytest.raises(HistoryError, match="begins on 2025-06-03"):
        on(folder, 0)


@pytest.mark.long
def test_published_files_that_were_lost_break_nothing_where_the_same_rows_come_back(
    connection, folder
):
    for day, value in enumerate("ab"):
        fact(connection, "one", value)
        publish(connection, folder, day)
    shutil.rmtree(folder.published)
    publish(connection, folder, 7)
    assert [facts(on(folder, day))["one"] for day in (0, 1, 7)] == ["a", "b", "b"]


def test_published_files_that_were_lost_end_the_past_where_other_rows_come(connection, folder):
    fact(connection, "one", "a")
    publish(connection, folder, 0)
    shutil.rmtree(folder.published)
    fact(connection, "one", "b")
    told = []
    publish(connection, folder, 7, told)
    assert "History begins anew" in told[0]
    with pytest.raises(HistoryError, match="is gone"):
        on(folder, 3)


def test_columns_that_a_new_version_brought_or_took_are_empty_in_the_past(connection, folder):
    connection.execute("INSERT INTO out.gearing VALUES ('m', 3, 'x')")
    fact(connection, "one", "a")
    old = publish(connection, folder, 0)
    # As a version of before would have published it: another column, and one table less.
    with duckdb.connect(str(old.path)) as past:
        past.execute("ALTER TABLE out.shop_fact RENAME fact_value TO told_value")
        past.execute("DROP TABLE out.gearing")
    old = replace(old, size_bytes=old.path.stat().st_size, sha256=file_sha256(old.path))
    snapshot._point(folder.published, old)
    index = history.read_index(folder.history)
    anchor = index.anchor._replace(sha256=old.sha256)
    history._write_index(folder.history, replace(index, anchor=anchor))
    fact(connection, "one", "b")
    publish(connection, folder, 1)
    with snapshot.open_reader(on(folder, 0).path) as reader:
        facts_then = reader.execute("FROM out.shop_fact").fetchall()
        assert facts_then == [("one", None, "meaning")]
        assert reader.execute("FROM out.gearing").fetchall() == []
    assert history.why_changed(folder.root, NOW.date())["shop_fact", "one"] == "new version"


def test_a_changed_setting_is_the_cause_of_what_it_changed(connection, folder):
    connection.execute("INSERT INTO out.setting VALUES ('mixture.warn_pct', '10')")
    fact(connection, "one", "a")
    publish(connection, folder, 0)
    connection.execute("UPDATE out.setting SET setting_json = '14'")
    fact(connection, "one", "b")
    publish(connection, folder, 1)
    causes = history.why_changed(folder.root, NOW.date())
    assert set(causes.values()) == {"changed setting"}


@pytest.mark.long
def test_days_are_those_of_the_shop_s_own_clock(connection, folder):
    # 23:30 UTC on 2 June is 3 June in Vienna (UTC+2 in summer).
    connection.execute("INSERT INTO out.setting VALUES ('shop.timezone', '\"Europe/Vienna\"')")
    for hours, value in ((0, "a"), (14, "b")):
        fact(connection, "one", value)
        publish_snapshot(connection, folder, now=NOW + dt.timedelta(hours=hours))
    assert [facts(on(folder, day))["one"] for day in (0, 1)] == ["a", "b"]


def test_what_history_leaves_out_are_tables_of_ours():
    known = {name.removeprefix("out.") for name in statements.definitions()} | {"column_meaning"}
    assert known >= history.DRAWN | history.NOT_KEPT | history.NOT_ASKED.keys()
    assert set(statements.definitions()) >= {f"out.{table}" for table in history.NOT_ASKED}


def test_a_table_that_holds_what_it_held_is_not_read(connection, folder, monkeypatch):
    read, plain = [], history._where_to_look
    looked = lambda of, table, *more: read.append(table) or plain(of, table, *more)  # noqa: E731
    monkeypatch.setattr(history, "_where_to_look", looked)
    change_at_random(connection, random.Random(1))
    for day, value in enumerate("ab"):
        fact(connection, "one", value)
        publish(connection, folder, day)
    assert read == ["shop_fact"]


def test_what_a_kill_of_the_first_publish_left_half_made_is_swept(connection, folder):
    torn = folder.history / ".making-4711-0123456789ab"
    torn.write_bytes(b"half")
    fact(connection, "one", "a")
    publish(connection, folder, 0)
    assert not torn.exists()


@pytest.mark.long
def test_a_file_of_changes_named_by_no_index_is_swept(connection, folder):
    fact(connection, "one", "a")
    publish(connection, folder, 0)
    torn = folder.history / "rows-00000009-00000009.parquet"
    torn.write_bytes(b"half")
    fact(connection, "one", "b")
    publish(connection, folder, 1)
    assert not torn.exists()


def test_the_index_is_sealed(connection, folder):
    fact(connection, "one", "a")
    publish(connection, folder, 0)
    path = folder.history / history.INDEX
    said = json.loads(path.read_text(encoding="utf-8"))
    path.write_text(json.dumps(said | {"begins": 1}), encoding="utf-8")
    with pytest.raises(history.DamagedError):
        history.read_index(folder.history)
