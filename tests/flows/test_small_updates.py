"""A small change costs a small update: what did not change is not asked, summed or made again."""

import datetime as dt
import shutil

import pytest

from flows.derive import STEPS
from flows.publish import publish_snapshot
from flows.steps import checks
from flows.steps.refresh import parts_of
from tests.conftest import NOW
from warehouse import snapshot, statements, store

LATER = NOW + dt.timedelta(hours=1)


@pytest.fixture(scope="module")
def whole(tmp_path_factory, open_little_shop):
    """Publish a shop of one job."""
    shop = open_little_shop(tmp_path_factory.mktemp("whole") / "shop")
    shop.job(1)
    shop.update()
    return shop


@pytest.fixture
def connection(whole, open_little_shop, tmp_path):
    """Open a copy of the shop, for a test to spoil."""
    shop = open_little_shop(shutil.copytree(whole.folder.root, tmp_path / "copy"))
    with store.writer(shop.folder) as writer:
        yield writer


@pytest.fixture
def folder(connection, open_little_shop, tmp_path):
    return open_little_shop(tmp_path / "copy").folder


def asked(connection, monkeypatch):
    """Return the names of the checks that are asked, and of those that found rows."""
    names, ask = [], store.failed_checks

    def noted(connection, wanted, told):
        names.extend(check.name for check in wanted)
        return ask(connection, wanted, told)

    with monkeypatch.context() as patched:
        patched.setattr(store, "failed_checks", noted)
        found = checks.broken(connection, STEPS, checks.contents_of(connection, STEPS))
    return names, [check.name for check, _ in found]


# Checks


def test_only_what_found_rows_is_asked_again_of_the_same_rows(connection, monkeypatch):
    assert asked(connection, monkeypatch) == ([], [])
    connection.execute("DELETE FROM out.gain_curve")
    for _ in range(2):
        again, found = asked(connection, monkeypatch)
        assert "every_gain_has_its_curve" in found
    assert again == found


@pytest.mark.parametrize(
    ("change", "check"),
    [
        ("UPDATE raw.reading SET rows_read = rows_read + 1", "every_row_read_is_kept_or_rejected"),
        ("UPDATE core.bike SET is_control = TRUE", "only_control_bikes_watch_the_dyno"),
        ("UPDATE out.gain SET change_kind = 'x'", "every_pooled_change_stands_in_its_quarter"),
        ("DELETE FROM out.gain_curve", "every_gain_has_its_curve"),
    ],
    ids=["what was read", "a fact of the shop", "a row under a view", "rows beside another's"],
)
def test_a_check_is_asked_again_when_what_it_reads_is_other(connection, monkeypatch, change, check):
    connection.execute(change)
    names, _ = asked(connection, monkeypatch)
    assert check in names
    assert len(names) < len(statements.checks()) / 2


# Publish


def test_what_is_published_of_a_view_is_what_the_warehouse_shows(connection, folder):
    # Published views are worked out of what is published already.
    published = snapshot.open_reader(snapshot.current(folder.root).path)
    for name, statement in statements.definitions().items():
        if name.startswith("out.") and statements.is_view(statement):
            for asked in (f"DESCRIBE {name}", f"SELECT * FROM {name} ORDER BY ALL"):  # noqa: S608
                shown = published.execute(asked).fetchall()
                kept = connection.execute(asked).fetchall()
                if asked.startswith("DESCRIBE"):  # keys are no part of what is published
                    shown, kept = [row[:2] for row in shown], [row[:2] for row in kept]
                assert shown == kept, name
    published.close()


def test_what_shows_nowhere_makes_no_snapshot_and_is_looked_at_once(
    connection, folder, monkeypatch
):
    before = snapshot.current(folder.root)
    connection.execute("UPDATE raw.reading SET read_with = 'another version'")
    publish_snapshot(connection, folder, now=LATER)
    found = snapshot.current(folder.root)
    assert (found.path, found.published_at) == (before.path, before.published_at)
    assert [path.name for path in folder.published.glob("snap-*")] == [before.path.name]
    monkeypatch.setattr(snapshot, "_fill", None)
    publish_snapshot(connection, folder, now=LATER)


def test_what_shows_nowhere_hides_no_damage(connection, folder):
    before = snapshot.current(folder.root)
    content = bytearray(before.path.read_bytes())
    content[len(content) // 2] ^= 255
    before.path.write_bytes(content)
    connection.execute("UPDATE raw.reading SET read_with = 'another version'")
    publish_snapshot(connection, folder, now=LATER)
    assert snapshot.current(folder.root).number > before.number
    assert snapshot.damage(folder) == ""


# Definitions


def test_a_reworded_comment_makes_no_shop_again_and_another_column_does(monkeypatch):
    def told(statement):
        monkeypatch.setattr(statements, "definitions", lambda: {"out.x": statement})
        return statements.fingerprint.__wrapped__()

    plain = told("-- Grain: one row.\nCREATE TABLE out.x (a BIGINT -- of a\n);")
    assert told("-- Grain: a row a day.\nCREATE TABLE out.x (a BIGINT -- of it\n);") == plain
    assert told("-- Grain: one row.\nCREATE TABLE out.x (b BIGINT -- of a\n);") != plain


# Gathering


def test_rows_are_cut_by_their_key_as_they_come(connection):
    query = (
        "SELECT * FROM (VALUES ('b', 1, 2.0), ('b', 2, NULL), ('a', 3, 4.0)) AS t (key, one, two)"
    )
    found = parts_of(connection, "key", query)
    assert {key: part.rows() for key, part in found.items()} == {
        "b": [(1, 2.0), (2, None)],
        "a": [(3, 4.0)],
    }
    assert found["a"].columns == ["one", "two"]
    assert parts_of(connection, "key", query + " WHERE FALSE") == {}
