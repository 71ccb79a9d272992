"""The served flows: thin wrappers that report what they did, in states and artifacts."""

import re

import pytest

from flows.derive import DeriveResult
from flows.intake import IntakeResult
from warehouse import snapshot, store

EVIL = "![x](http:__example.invalid_x.png) <b>|`$.csv"


@pytest.fixture
def asked(schedule, monkeypatch):
    """Deployments that a flow asked to be run."""
    names = []
    monkeypatch.setattr(schedule, "run_deployment", lambda name, **_: names.append(name))
    return names


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


def test_an_intake_reports_what_waits_and_asks_for_a_derive_until_it_is_published(
    schedule, asked, shop
):
    shop.job(1)
    shop.put(f"job 1/{EVIL}", "nothing known\n")
    state = schedule.intake_flow(str(shop.folder.root), return_state=True)
    assert state.name == "CompletedWithRefusals"
    assert "6 files arrived, 5 read; 1 wait or are refused" in state.message
    assert asked == ["derive/after-intake"]
    report = newest_artifact("intake")
    assert "| taken in | 4 |" in report
    assert "layout not taught" not in report
    assert "\\!\\[x\\]\\(http:" in report
    assert "](" not in report.replace("\\]\\(", "")

    state = schedule.derive_flow(str(shop.folder.root), return_state=True)
    assert state.message == "snapshot 1"
    assert snapshot.current(shop.folder.root).number == 1
    assert "| compare stages | 1 |" in newest_artifact("derive")

    schedule.intake_flow(str(shop.folder.root), return_state=True)
    assert asked == ["derive/after-intake"]


def test_a_busy_shop_is_left_alone_and_the_state_says_so(schedule, asked, shop):
    shop.job(1)
    with store.writer(shop.folder):
        state = schedule.intake_flow(str(shop.folder.root), return_state=True)
    assert state.name == "ShopWasBusy"
    assert "another intake, derive or publish is at work" in state.message
    assert asked == []


def test_a_check_that_finds_something_fails_and_names_it(schedule, shop):
    shop.job(1)
    shop.update()
    assert schedule.check_flow(str(shop.folder.root), return_state=True).message == "all is well"
    ((sha,),) = shop.rows("SELECT file_sha256 FROM core.pull LIMIT 1")
    (shop.folder.archive / sha[:2] / sha).unlink()
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
    report = schedule.derive_report(result, 7)
    assert report.startswith("Snapshot 7.")
    assert "| draw curves | 3 |" in report
    assert "\\*look\\*" in report
