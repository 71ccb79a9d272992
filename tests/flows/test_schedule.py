"""The served flows: thin wrappers that report what they did, in states and artifacts."""

import datetime as dt
import re
import shutil
import sqlite3
import time
from contextlib import closing

import pytest

from flows.derive import DeriveResult
from flows.intake import IntakeResult
from flows.watch import DAMAGE_LOOK_S, Watch
from tests.flows import test_terminal as terminal
from warehouse import snapshot, store


@pytest.fixture(scope="module")
def published_root(tmp_path_factory, open_little_shop):
    shop = open_little_shop(tmp_path_factory.mktemp("published") / "shop")
    shop.job(1)
    shop.update()
    return shop.folder.root


@pytest.fixture
def published(published_root, open_little_shop, tmp_path):
    """Copy the published shop, for a test to change."""
    return open_little_shop(shutil.copytree(published_root, tmp_path / "published"))


EVIL = "![x](http:__example.invalid_x.png) <b>|`$.csv"


def newest_artifact(key):
    from prefect.client.orchestration import get_client
    from prefect.client.schemas.filters import ArtifactFilter, ArtifactFilterKey
    from prefect.client.schemas.sorting import ArtifactSort

    with get_client(sync_client=True) as client:
        found = client.read_artifacts(
            artifact_filter=ArtifactFilter(key=ArtifactFilterKey(any_=[key])),
            sort=ArtifactSort.CREATED_DESC,
            limit=1,
        )
    return found[0].data


def runs(name):
    """Return the runs of a flow that the scheduler knows, the newest first."""
    from prefect.client.orchestration import get_client
    from prefect.client.schemas.filters import FlowFilter, FlowFilterName
    from prefect.client.schemas.sorting import FlowRunSort

    with get_client(sync_client=True) as client:
        return client.read_flow_runs(
            flow_filter=FlowFilter(name=FlowFilterName(any_=[name])),
            sort=FlowRunSort.EXPECTED_START_TIME_DESC,
        )


def test_an_update_reports_what_waits_and_publishes(schedule, shop):
    shop.job(1)
    shop.put(f"job 1/{EVIL}", "nothing known\n")
    state = schedule.update_flow(str(shop.folder.root), return_state=True)
    assert state.name == "CompletedWithRefusals"
    assert "6 files arrived, 5 read; 1 wait or are refused" in state.message
    assert "snapshot 1 is published" in state.message
    assert snapshot.current(shop.folder.root).number == 1
    report = newest_artifact("update")
    assert "| taken in | 4 |" in report
    assert "| compare stages | 1 |" in report
    assert "layout not taught" not in report
    assert "\\!\\[x\\]\\(http:" in report
    assert "](" not in report.replace("\\]\\(", "")


def test_a_look_that_finds_nothing_new_starts_nothing_and_writes_nothing(schedule, shop):
    shop.job(1)
    shop.take_in()
    root, watch = shop.folder.root, Watch(shop.folder)
    schedule.look(watch, str(root))
    before = len(runs("update"))

    def stamps():
        return {path: path.stat().st_mtime_ns for path in root.rglob("*")}

    standing = stamps()
    schedule.look(watch, str(root))
    assert len(runs("update")) == before
    assert stamps() == standing
    shop.put("job 2/pull_1.csv", "nothing known\n")
    schedule.look(watch, str(root))
    assert len(runs("update")) == before + 1


def test_a_busy_shop_is_left_alone_and_looked_at_again(schedule, shop):
    shop.job(1)
    watch = Watch(shop.folder)
    with store.writer(shop.folder):
        schedule.look(watch, str(shop.folder.root))
    assert "another intake, derive or publish is at work" in runs("update")[0].state.message
    assert watch.is_new(watch.given())


def test_of_what_was_missed_only_the_newest_run_is_made(schedule, published):
    from prefect.client.orchestration import get_client
    from prefect.states import Scheduled

    flows = schedule.deploy(str(published.folder.root), "UTC")
    (nightly,) = [place for place, flow in flows.items() if flow.name == "check"]
    days_ago = [dt.datetime.now(dt.UTC) - dt.timedelta(days=days) for days in (3, 2, 1)]
    with get_client(sync_client=True) as client:
        asked = [
            client.create_flow_run_from_deployment(nightly, state=Scheduled(scheduled_time=at)).id
            for at in days_ago
        ]
        schedule.run_due(flows)
        states = [client.read_flow_run(run).state.name for run in asked]
    assert states == ["Cancelled", "Cancelled", "Completed"]


def test_what_an_earlier_version_had_scheduled_is_forgotten(schedule, shop):
    from prefect.client.orchestration import get_client

    old = schedule.check_flow.to_deployment(name="every-few-minutes", interval=300)
    old.apply()
    schedule.deploy(str(shop.folder.root), "UTC")
    with get_client(sync_client=True) as client:
        names = {deployment.name for deployment in client.read_deployments()}
    assert names == {"by-hand", "nightly", "quarter-end"}


def test_a_morning_file_is_written_where_the_settings_ask_for_one(schedule, shop):
    from prefect.client.orchestration import get_client

    schedule.deploy(str(shop.folder.root), "Europe/Vienna", "06:45")
    with get_client(sync_client=True) as client:
        plans = {one.name: one.schedules for one in client.read_deployments()}
    (planned,) = plans["every-morning"]
    assert (planned.schedule.cron, planned.schedule.timezone) == ("45 6 * * *", "Europe/Vienna")


def test_what_changes_in_a_shop_is_seen_by_names_sizes_and_times(published):
    folder, watch = published.folder, Watch(published.folder)
    pull = next(folder.inbox.rglob("*.csv"))
    changes = {
        "a new file": lambda: published.put("job 9/pull_1.csv", "new"),
        "another card": lambda: (pull.parent / "card.toml").write_text("changed"),
        "a file taken out": pull.unlink,
        "a layout": lambda: next(folder.layouts.iterdir()).write_text("changed"),
        "the settings": lambda: folder.settings.write_text("[shop]\nname = 'Other'\n"),
        "samples lost": next(folder.samples.iterdir()).unlink,
        "the pointer lost": (folder.published / "current.json").unlink,
        "the ledger cut": lambda: (folder.archive / "arrivals.jsonl").write_text(""),
        "the database lost": folder.database.unlink,
    }
    for what, change in changes.items():
        watch.done(watch.given())
        assert not watch.is_new(watch.given()), what
        change()
        assert watch.is_new(watch.given()), what


def test_what_comes_while_an_update_is_at_work_is_seen_after_it(published):
    watch = Watch(published.folder)
    given = watch.given()
    published.put("job 9/pull_1.csv", "came meanwhile")
    watch.done(given)
    assert watch.is_new(watch.given())


def test_damage_is_looked_for_once_an_hour(published, monkeypatch):
    watch = Watch(published.folder)
    watch.done(watch.given())
    monkeypatch.setattr(time, "monotonic", lambda: watch._at + DAMAGE_LOOK_S + 1)
    assert watch.is_new(watch.given())


def test_a_check_that_finds_something_fails_and_names_it(schedule, published):
    shop = published
    assert schedule.check_flow(str(shop.folder.root), return_state=True).message == "all is well"
    ((sha,),) = shop.rows("SELECT file_sha256 FROM core.pull LIMIT 1")
    for kept in (shop.folder.archive / sha[:2]).glob(f"{sha}*"):  # plain or packed
        kept.unlink()
    for pull in shop.folder.inbox.rglob("*.csv"):
        pull.unlink()  # else it would be archived again from there
    state = schedule.check_flow(str(shop.folder.root), return_state=True)
    assert state.is_failed()
    assert sha in newest_artifact("check")


def markup_left(text):
    """Return what a markdown reader would still take for markup."""
    return re.findall(r"(?<!\\)[`*_\[\]()!<>#|~$]", text)


@pytest.mark.parametrize(
    "name",
    [
        EVIL,
        "[click](javascript:alert(1)).csv",
        "<script>alert(1)</script>.csv",
        "# heading | cell *bold* _it_ `code` ~~gone~~ $x^2$",
        "a\\](b",
        "two\nlines | more",
    ],
)
def test_an_evil_name_is_a_name_and_nothing_else(schedule, name):
    safe = schedule.escaped(name)
    assert markup_left(safe.replace("\\\\", "")) == []
    assert "\n" not in safe
    assert re.sub(r"\\(.)", r"\1", safe) == name.replace("\n", " ")


def test_a_report_passes_no_code_of_a_terminal_on(schedule):
    # Here and not beside the like in test_terminal: one worker alone starts the scheduler.
    assert terminal.acting(schedule.escaped(terminal.EVIL)) == []


def test_a_report_keeps_evil_names_and_reasons_inside_their_cells(schedule):
    result = IntakeResult(2, 1, ["job"], {"waiting": 1}, {"x](y).toml": ["line 1: a|b"]})
    waiting = [("job|x", EVIL, "waiting", "begins with '|---|'", "![y](http://example.invalid)")]
    report = schedule.intake_report(result, waiting)
    row = report.splitlines()[-1]
    assert len(re.findall(r"(?<!\\)\|", row)) == 5
    assert "![" not in report
    assert "](" not in report.replace("\\]\\(", "")


def test_a_derive_report_counts_what_was_made_and_names_what_is_broken(schedule):
    result = DeriveResult({"draw curves": 3}, ["out.pull: x_y (2 rows): *look*"])
    report = schedule.derive_report(result, 7, {"draw curves": 0.154})
    assert report.startswith("Snapshot 7.")
    assert "| draw curves | 3 | 0.15 |" in report
    assert "\\*look\\*" in report


def test_the_schedulers_database_gives_back_room_when_that_is_worth_it(schedule, tmp_path):
    from flows.scheduler import LEAST_FREED_BYTES, make_smaller

    sizes = {}
    for name, freed in (("little", LEAST_FREED_BYTES // 4), ("much", 2 * LEAST_FREED_BYTES)):
        path = tmp_path / f"{name}.db"
        with closing(sqlite3.connect(path)) as database:
            database.execute("CREATE TABLE run (told BLOB)")
            database.execute("INSERT INTO run VALUES (zeroblob(?)), (zeroblob(100))", [freed])
            database.execute("DELETE FROM run WHERE length(told) > 100")
            database.commit()
        before = path.stat().st_size
        make_smaller(path)
        sizes[name] = path.stat().st_size / before
        with closing(sqlite3.connect(path)) as database:
            assert database.execute("SELECT count(*) FROM run").fetchone() == (1,)
    assert sizes["little"] == 1.0
    assert sizes["much"] < 0.01
    make_smaller(tmp_path / "not there.db")
    assert not (tmp_path / "not there.db").exists()
