"""A glance at the inbox sees what comes, waits until it rests, and costs next to nothing."""

import os
import time
from types import SimpleNamespace

import pytest

from flows import watch
from flows.watch import ALL_FOLDERS_S, YOUNG_FOLDERS, Glance, Watch
from warehouse.shop import ShopFolder

SETTLE_S = 2.0
MOST_GLANCE_S = 0.01
"""Of a shop of ten years on a busy machine."""


@pytest.fixture
def folder(tmp_path):
    made = ShopFolder(tmp_path / "shop")
    made.make()
    made.settings.write_text("", encoding="utf-8")
    return made


@pytest.fixture
def clock(monkeypatch):
    """Let a test say what time it is; files' own times are the disk's."""
    at = SimpleNamespace(now=1000.0)
    monkeypatch.setattr(watch, "time", SimpleNamespace(monotonic=lambda: at.now))
    return at


def put(folder, place, text="new"):
    path = folder.inbox / place
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return path


def old(folder, place):
    """Put a file into a folder that nobody has touched for a year."""
    path = put(folder, place)
    year_ago = time.time() - 365 * 86400
    os.utime(path, (year_ago, year_ago))
    os.utime(path.parent, (year_ago, year_ago))
    return path


def names(entries):
    return {f"{place}/{name}" for place, name, *_ in entries}


def test_a_file_is_told_once_it_has_rested_and_only_once(folder, clock):
    glance = Glance(folder)
    assert glance.rested(SETTLE_S) is None
    put(folder, "job 1/run.csv", "a")
    assert glance.rested(SETTLE_S) is None
    clock.now += 1.0
    put(folder, "job 1/run.csv", "a and more")
    assert glance.rested(SETTLE_S) is None
    clock.now += 1.9
    assert glance.rested(SETTLE_S) is None
    clock.now += 0.2
    found = glance.rested(SETTLE_S)
    assert names(found) == {"job 1/run.csv"}
    ((_, _, size, _),) = found
    assert size == len("a and more")
    clock.now += 100.0
    assert glance.rested(SETTLE_S) is None


def test_every_way_in_which_people_change_the_inbox_is_seen(folder, clock):
    for number in range(YOUNG_FOLDERS + 5):
        old(folder, f"old {number}/run.csv")
    lying = put(folder, "job 1/card.toml")
    glance = Glance(folder)
    glance.rested(SETTLE_S)
    changes = {
        "a file in a new folder": lambda: put(folder, "job 2/run.csv"),
        "one in a folder within": lambda: put(folder, "job 2/day 2/run.csv"),
        "one in a folder of last year": lambda: put(folder, "old 1/run_2.csv"),
        "one beside the folders": lambda: put(folder, "run.csv"),
        "a card saved in its place": lambda: lying.write_text("other", encoding="utf-8"),
        "a file put over another": lambda: put(folder, "job 1/next").replace(lying),
        "a file taken out": (folder.inbox / "old 2/run.csv").unlink,
        "a folder renamed": lambda: (folder.inbox / "job 2").rename(folder.inbox / "job 3"),
        "a layout": lambda: (folder.layouts / "a.toml").write_text("", encoding="utf-8"),
        "the settings": lambda: folder.settings.write_text("[shop]\n", encoding="utf-8"),
    }
    for what, change in changes.items():
        change()
        told = []
        for _ in range(12):
            told.append(glance.rested(SETTLE_S))
            clock.now += 1.0
        assert sum(one is not None for one in told) == 1, what
        assert told[0] is None, what
        assert any(one is not None for one in told[: int(SETTLE_S + ALL_FOLDERS_S) + 1]), what


def test_an_inbox_that_goes_away_and_comes_back_is_no_trouble(folder, clock):
    put(folder, "job 1/run.csv")
    glance = Glance(folder)
    glance.rested(SETTLE_S)
    aside = folder.root / "aside"
    folder.inbox.rename(aside)
    glance.rested(SETTLE_S)
    clock.now += SETTLE_S
    assert glance.rested(SETTLE_S) == frozenset()
    aside.rename(folder.inbox)
    glance.rested(SETTLE_S)
    clock.now += SETTLE_S
    assert names(glance.rested(SETTLE_S)) == {"job 1/run.csv"}


@pytest.mark.skipif(os.name == "nt", reason="links need rights there")
def test_a_link_is_not_followed(folder, clock, tmp_path):
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "secret.csv").write_text("x", encoding="utf-8")
    glance = Glance(folder)
    glance.rested(SETTLE_S)
    (folder.inbox / "way out").symlink_to(elsewhere)
    put(folder, "job 1/run.csv")
    glance.rested(SETTLE_S)
    clock.now += SETTLE_S
    assert names(glance.rested(SETTLE_S)) == {"job 1/run.csv"}


def test_a_systems_own_file_wakes_nobody(folder, clock):
    put(folder, "job 1/run.csv")
    glance, whole = Glance(folder), Watch(folder)
    glance.rested(SETTLE_S)
    given = whole.given()
    put(folder, "job 1/.making-1-abc")
    clock.now += SETTLE_S
    glance.rested(SETTLE_S)
    # The folder was touched; what lies in it, which an update would be started for, is the same.
    assert whole.given() == given


def test_a_glance_at_ten_years_of_jobs_takes_milliseconds(folder):
    for number in range(5000):
        (folder.inbox / f"J-{number:05d}").mkdir()
        (folder.inbox / f"J-{number:05d}" / "run_1.csv").touch()
    glance = Glance(folder)
    glance.rested(SETTLE_S)
    times = []
    for _ in range(5):
        began = time.process_time()
        glance.rested(SETTLE_S)
        times.append(time.process_time() - began)
    print(f"a glance at 5,000 folders: {1000 * min(times):.1f} ms of the processor")
    assert min(times) < MOST_GLANCE_S
