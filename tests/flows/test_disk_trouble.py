"""A full disk, one that can only be read, one that is gone: a sentence, and nothing half-done."""

import errno
import gzip
import hashlib
import os
import shutil
import subprocess
import sys

import duckdb
import polars as pl
import pytest

from flows.steps import ledger, read
from tests.conftest import LittleShop
from tests.flows.test_damage import build, run
from warehouse import snapshot, store, whole_file

PLACES = ("warehouse", "published", "archive", "backups")


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    shop = build(tmp_path_factory.mktemp("sound") / "shop")
    return shop, shop.contents("core", "out")


@pytest.fixture
def copy(sound, tmp_path):
    return LittleShop(shutil.copytree(sound[0].folder.root, tmp_path / "shop"))


@pytest.fixture
def fresh(sound, tmp_path):
    """Copy the shop as it was before its first update."""
    left_out = shutil.ignore_patterns(*PLACES)
    return LittleShop(shutil.copytree(sound[0].folder.root, tmp_path / "fresh", ignore=left_out))


@pytest.fixture
def small_disk(tmp_path):
    """Mount a disk of so many kilobytes; whoever may not mount skips the test."""
    place = tmp_path / "disk"
    place.mkdir()

    def mount(options):
        done = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(place)],  # noqa: S607
            check=False,
            capture_output=True,
        )
        if done.returncode:
            pytest.skip("no disk can be mounted here")
        return place

    if sys.platform != "linux" or shutil.which("mount") is None:
        pytest.skip("disks are mounted otherwise here")
    yield mount
    subprocess.run(["umount", str(place)], check=False, capture_output=True)  # noqa: S607


def no_room(*arguments, **named):
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def no_room_in_duckdb(*arguments, **named):
    raise duckdb.TransactionException("Failed to commit: could not write: No space left on device")


def full_at(monkeypatch, place):
    """Let one place that writes find the disk full."""
    if place == "archive":
        monkeypatch.setattr("flows.steps.archive.write_whole", no_room)
    elif place == "ledger":
        monkeypatch.setattr(ledger.os, "fsync", no_room)
    elif place == "samples":
        monkeypatch.setattr(pl.DataFrame, "write_parquet", no_room)
    elif place == "a transaction":
        monkeypatch.setattr(store, "insert", no_room_in_duckdb)
    elif place == "notes":
        monkeypatch.setattr("flows.intake.write_notes", no_room)
    elif place == "snapshot":
        monkeypatch.setattr(snapshot, "_fill", no_room_in_duckdb)
    else:
        monkeypatch.setattr(snapshot, "write_whole", no_room)


WRITES = ("archive", "ledger", "a transaction", "samples", "notes", "snapshot", "pointer")
"""In the order in which an update comes to them."""


@pytest.mark.parametrize(
    "places",
    [
        # One update after the other comes a write further; in the long run each write has its shop.
        pytest.param(WRITES, id="one after the other"),
        *(pytest.param((place,), marks=pytest.mark.long, id=place) for place in WRITES),
    ],
)
def test_a_disk_that_is_full_at_any_write_is_told_and_the_next_update_goes_on(
    places, fresh, sound, monkeypatch
):
    for place in places:
        with monkeypatch.context() as patched:
            full_at(patched, place)
            code, said = run(fresh, "update")
        assert code == 1, place
        assert "the disk is full: make room" in said, place
        assert "Traceback" not in said, place
        assert not list(fresh.folder.root.rglob(".making-*")), place
    assert run(fresh, "update")[0] == 0
    assert fresh.contents("core", "out") == sound[1]
    assert run(fresh, "check") == (0, "All is well.")


@pytest.mark.slow
@pytest.mark.parametrize(
    "size_kb",
    [pytest.param(200, marks=pytest.mark.long), pytest.param(280, marks=pytest.mark.long),
     pytest.param(400, marks=pytest.mark.long), pytest.param(700, marks=pytest.mark.long), 1_400],
)  # fmt: skip
def test_a_disk_that_is_really_full_is_told_and_the_next_update_goes_on(size_kb, sound, small_disk):
    disk = small_disk(f"size={size_kb}k")
    left_out = shutil.ignore_patterns(*PLACES)
    shop = LittleShop(shutil.copytree(sound[0].folder.root, disk / "shop", ignore=left_out))
    code, said = run(shop, "update")
    assert code == 1
    assert "No space left" in said
    assert "the disk is full: make room" in said
    small_disk("remount,size=200m")
    assert run(shop, "update")[0] == 0
    assert shop.contents("core", "out") == sound[1]
    assert run(shop, "check") == (0, "All is well.")


def test_a_shop_on_a_disk_that_can_only_be_read_is_told_and_still_answers(sound, small_disk):
    disk = small_disk("size=200m")
    shop = LittleShop(shutil.copytree(sound[0].folder.root, disk / "shop"))
    small_disk("remount,ro")
    for command in ("update", "intake", "derive", "publish", "check"):
        code, said = run(shop, command)
        assert (code, "the disk can only be read" in said) == (1, True), (command, said)
    assert run(shop, "answers")[0] == 0
    small_disk("remount,rw")
    assert run(shop, "update")[0] == 0
    assert shop.contents("core", "out") == sound[1]


def test_what_may_not_be_written_is_told_with_its_name(copy, monkeypatch):
    def forbidden(path, *arguments, **named):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))

    copy.put("job 1/new.csv", "x")
    monkeypatch.setattr("flows.steps.archive.write_whole", forbidden)
    code, said = run(copy, "update")
    assert code == 1
    assert "archive" in said
    assert "not permitted" in said


@pytest.mark.parametrize("how", [
    "emptied",
    pytest.param("emptied, database gone", marks=pytest.mark.long),
    "no bytes, database gone",
])  # fmt: skip
def test_an_archive_whose_disk_is_gone_stops_everything_and_nothing_is_published(how, copy, sound):
    published = sorted(path.name for path in copy.folder.published.iterdir())
    aside = copy.folder.root / "elsewhere"
    aside.mkdir()
    for path in list(copy.folder.archive.iterdir()):
        if how.startswith("emptied") or path.is_dir():
            path.rename(aside / path.name)
    shutil.move(copy.folder.inbox, aside / "inbox")
    if "database" in how:
        copy.forget_warehouse()
    for _ in range(2):
        code, said = run(copy, "update")
        assert code == 1
        assert "connect its disk" in said
    assert sorted(path.name for path in copy.folder.published.iterdir()) == published
    shutil.rmtree(copy.folder.archive)
    shutil.rmtree(copy.folder.inbox)
    (aside / "inbox").rename(copy.folder.inbox)
    aside.rename(copy.folder.archive)
    assert run(copy, "update")[0] == 0
    assert copy.contents("core", "out") == sound[1]


def test_a_fault_of_our_own_is_told_as_one_and_kept_whole_in_a_log(copy, monkeypatch):
    def faulty(*arguments):
        raise ZeroDivisionError("division by zero")

    monkeypatch.setattr("flows.steps.engine.bring_up", faulty)
    code, said = run(copy, "update")
    assert code == 70
    assert "This is a fault of Rollbook, not of your files (ZeroDivisionError:" in said
    assert "Traceback" not in said
    log = copy.folder.warehouse / "logs" / "fault.txt"
    assert "Traceback" in log.read_text(encoding="utf-8")
    assert "ZeroDivisionError" in log.read_text(encoding="utf-8")


def test_a_file_that_cannot_be_written_leaves_nothing_behind(tmp_path, monkeypatch):
    monkeypatch.setattr(whole_file.os, "fsync", no_room)
    with pytest.raises(OSError, match="No space"):
        whole_file.write_whole(tmp_path / "x.txt", "text")
    assert list(tmp_path.iterdir()) == []


def test_a_disk_that_fills_while_a_file_is_read_apart_refuses_no_file(copy):
    # Else the file would be refused for good, for what was the disk's doing.
    class FullWorker:
        call = staticmethod(no_room)

    ride = next(copy.folder.inbox.rglob("ride.csv")).read_bytes()
    sha = hashlib.sha256(ride).hexdigest()
    path = copy.folder.archive / sha[:2] / sha
    path.write_bytes(gzip.compress(ride))  # packed files are read apart
    rules = read.Rules([], copy.settings, {sha: ["ride.csv"]})
    with pytest.raises(OSError, match="No space"):
        read.open_guarded(FullWorker(), sha, copy.folder, rules, None, is_feared=True)


def test_a_file_where_a_folder_belongs_is_told(copy):
    for name in ("refused", "published", "layouts", "backups"):
        place = copy.folder.root / name
        kept = place.rename(place.with_name("kept"))
        place.write_text("hello", encoding="utf-8")
        code, said = run(copy, "update")
        assert code == 1, name
        assert f"{place} is in the way" in said
        place.unlink()
        kept.rename(place)
    assert run(copy, "update")[0] == 0
