"""Shops that a kill left half-made: the next update makes them whole, without a hand."""

import dataclasses
import os
import shutil
import time

import pytest

from flows import derive as derivation
from flows.steps import link, refresh
from flows.steps.gains import GAINS
from flows.steps.sweep import LEAST_AGE_S, sweep_half_made
from warehouse import statements, store

RIDDEN = ("out.ride", "out.ride_exclusion")


def assert_equal(after, before):
    for table in before:
        assert after[table] == before[table], table


@pytest.fixture(scope="module")
def whole(tmp_path_factory, make, open_little_shop):
    """Derive a shop with pulls, a ride and two comparable stages."""
    shop = open_little_shop(tmp_path_factory.mktemp("whole") / "shop")
    shop.job(1)
    shop.put("job 2/ride.csv", make.ride())
    shop.put("job 2/card.toml", make.card("J-2", bike="B-2", stages=[make.stage(rides=["*.csv"])]))
    shop.work()
    return shop, shop.contents("core", "out")


@pytest.fixture
def ridden(whole, open_little_shop, tmp_path):
    """Copy the derived shop, for a test to spoil."""
    return open_little_shop(shutil.copytree(whole[0].folder.root, tmp_path / "ridden"))


@pytest.fixture
def kept(whole):
    return whole[1]


# A shop that an older version's kill left torn


def test_a_stage_whose_rides_were_lost_to_a_kill_is_made_again(ridden, kept):
    # Bug: the stage's line, with its fingerprint, was kept before its rides were.
    for table in RIDDEN:
        ridden.rows(f"DELETE FROM {table}")  # noqa: S608
    ridden.rows("DELETE FROM raw.finished WHERE flow_name = 'derive'")
    result = ridden.work()
    assert_equal(ridden.contents("core", "out"), kept)
    assert result.broken_checks[0].startswith(f"{derivation.REMADE}: out.ride: every_ride_is")
    assert ridden.work().broken_checks == result.broken_checks[1:]


def test_what_is_left_over_without_its_fingerprint_is_made_again(ridden, kept):
    ridden.rows("DELETE FROM out.stage_cruise")
    ridden.work()
    assert_equal(ridden.contents("core", "out"), kept)


EMPTIED = (
    "out.pull", "out.session_curve", "out.plan", "out.cruise_cell", "out.dyno_verdict",
    "out.pull_curve", "out.trust", "out.gain_curve", "out.likeness",
)  # fmt: skip


@pytest.mark.parametrize(
    "tables",
    [
        # No two tables of one step; each alone in the long run.
        pytest.param(EMPTIED[:5], id="some"),
        pytest.param(EMPTIED[5:], id="others"),
        *(pytest.param((table,), marks=pytest.mark.long, id=table) for table in EMPTIED),
    ],
)
def test_a_table_that_lost_its_rows_is_filled_again(ridden, kept, tables):
    for table in tables:
        assert kept[table]
        ridden.rows(f"DELETE FROM {table}")  # noqa: S608
    ridden.derive()
    assert_equal(ridden.contents("core", "out"), kept)


def test_links_that_do_not_hold_together_are_made_again(ridden, kept):
    ridden.rows("DELETE FROM core.stage WHERE stage_id = 'J-1/2'")
    ridden.work()
    assert_equal(ridden.contents("core", "out"), kept)


def broken_for_good(monkeypatch):
    (rule, *_) = [check for check in statements.checks() if check.severity == "fail"]
    monkeypatch.setattr(statements, "checks", lambda: (rule._replace(query="SELECT 1"),))


def test_what_making_all_again_does_not_mend_is_told_with_what_to_do(ridden, monkeypatch):
    broken_for_good(monkeypatch)
    with pytest.raises(derivation.BrokenRuleError, match="to be reported with this sentence"):
        ridden.work()


def test_all_is_made_again_once_for_a_trouble_not_at_every_update(ridden, monkeypatch):
    broken_for_good(monkeypatch)
    emptied = []
    monkeypatch.setattr(
        derivation, "forget_derived", lambda c: (emptied.append(1), refresh.forget_derived(c))
    )
    for _ in range(3):
        with pytest.raises(derivation.BrokenRuleError):
            ridden.work()
    assert len(emptied) == 1
    monkeypatch.undo()
    ridden.work()
    finished = {name for (name,) in ridden.rows("SELECT flow_name FROM raw.finished")}
    steps = {f"derive: {step.name}" for step in derivation.STEPS}
    assert finished == {"derive", "ledger", "checks", "acts", *steps}


def test_a_fault_of_a_step_is_told_as_what_it_is(ridden, monkeypatch):
    def faulty(*_):
        raise KeyError("a fault of ours")

    faulty_gains = dataclasses.replace(GAINS, version=99, make=faulty)
    steps = [faulty_gains if step is GAINS else step for step in derivation.STEPS]
    monkeypatch.setattr(derivation, "STEPS", steps)
    with pytest.raises(KeyError, match="a fault of ours"):
        ridden.work()


# Linking in several batches


class Stopped(BaseException):
    """The run ends here, whatever it was about to do."""


def test_a_card_that_another_kept_out_is_let_in_though_a_kill_came_between(shop, make, monkeypatch):
    # Bug: of the folders still to be linked only those whose own card changed were found again.
    shop.put("a/pull.csv", make.pull())
    shop.put("a/card.toml", make.card("J-1", cc=690, stages=[make.stage(pulls=["*.csv"])]))
    shop.put("b/pull.csv", make.pull(1.1))
    shop.put("b/card.toml", make.card("J-2", cc=700, stages=[make.stage(pulls=["*.csv"])]))
    shop.take_in()
    assert shop.outcome("b/card.toml").code == link.CONTRADICTS
    shop.put("a/card.toml", make.card("J-1", cc=700, stages=[make.stage(pulls=["*.csv"])]))
    monkeypatch.setattr(link, "BATCH_FOLDERS", 1)

    def stop(done, _total, word):
        if word == "linking" and done == 1:
            raise Stopped

    with pytest.raises(Stopped):
        shop.take_in(progress=stop)
    shop.take_in()
    assert shop.outcome("b/card.toml").state == "card"


# Half-made files


def put(path, age_s=0.0):
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(b"half")
    os.utime(path, (time.time() - age_s,) * 2)
    return path


def test_half_made_files_of_a_killed_writer_go_at_the_next_intake(shop):
    shop.job(1)
    shop.update()
    folder, name = shop.folder, ".making-4711-0123456789ab"
    torn = [
        put(folder.archive / name), put(folder.refused / name),
        put(folder.published / name), put(folder.published / "making-00000007.duckdb"),
        put(folder.published / "making-00000007.duckdb.wal"), put(folder.samples / name),
        put(folder.samples / "ride-0123456789abcdef.making"),
        put(folder.archive / "large-file.arriving"),
    ]  # fmt: skip
    # A folder among the samples stops nothing, and stays.
    (folder.samples / "somebody's").mkdir()
    shop.update()
    assert [path for path in torn if path.exists()] == []
    assert (folder.samples / "somebody's").is_dir()


def test_a_file_that_a_page_writes_now_is_left_alone_and_an_old_one_goes(shop):
    folder, name = shop.folder, ".making-4711-0123456789ab"
    places = [
        folder.inbox / "job 1", folder.layouts, folder.reports, folder.backups / "layouts",
        folder.root, folder.warehouse, folder.pool,
    ]  # fmt: skip
    fresh = [put(place / name) for place in places]
    old = [put(place / name.replace("4711", "4712"), LEAST_AGE_S + 60) for place in places]
    shop.take_in()
    assert all(path.exists() for path in fresh)
    assert not any(path.exists() for path in old)


def test_no_file_of_a_person_is_swept(shop):
    names = [".making-notes", "making-00000001.txt", ".making-1-0123456789ab.csv", "x.making"]
    own = [put(shop.folder.inbox / "job 1" / name, 1e6) for name in names]
    own += [put(shop.folder.refused / name, 1e6) for name in names]
    assert sweep_half_made(shop.folder) == 0
    assert all(path.exists() for path in own)


# One transaction a unit of work


def test_no_step_writes_outside_of_a_transaction_but_whole_units(ridden, make, monkeypatch):
    """What is kept by itself, outside of any transaction, must be complete by itself."""
    from tests.studies.kill_study import Points, WatchedConnection

    points = Points(None)
    connect = store._connected
    monkeypatch.setattr(
        store, "_connected", lambda *given: WatchedConnection(connect(*given), points)
    )
    ridden.job(3)
    ridden.update()
    bare = {name.rsplit(" ", 1)[0] for name in points.names if ":bare " in name}
    assert bare == {
        # The mark of what the journal was told; lost, the next update finds the same acts told.
        "acts.write_acts:bare insert",
        "snapshot.made:bare attach",
        "snapshot.made:bare detach",
        "publish.publish_snapshot:bare insert",
        # Temporary tables, which go with the connection.
        "contents.rows_of:bare create",
        "snapshot.know_gone:bare create",
    }
