"""A shop is backed up while it works, and brought back equal; whatever cannot be is named."""

import datetime as dt
import errno
import hashlib
import json
import os
import shutil
import subprocess
import sys

import duckdb
import filelock
import pytest

from flows import backup, restore
from flows.backup_folder import BackupFolder, FileKept
from flows.restore import is_name_here
from flows.steps.ledger import LEDGER, append, sealed
from tests.conftest import LittleShop, card_text, command_line, pull_text, ride_text, stage_text
from tests.flows.test_disk_trouble import small_disk  # noqa: F401
from warehouse.acts import JOURNAL, entries_of

OF_BACKUPS = ("backup made", "shop restored")

LATER = dt.datetime(2025, 6, 3, 9, 30, tzinfo=dt.UTC)
ODD_NAMES = (
    "sheet of J-1.pdf", "Prüfbogen Ä.html", "-rf.txt", "CON.txt", "a:b.txt", "point.", "two\nlines",
    "表 😀.csv", "%2e%2e", "[red]", "n" * 200,
)  # fmt: skip
"""Names that a POSIX system takes; Windows takes the first three and the last five."""


@pytest.fixture(scope="module")
def lived(tmp_path_factory):
    """Return a shop with a past: a card corrected, bytes twice, files replaced and taken out."""
    shop = LittleShop(tmp_path_factory.mktemp("lived") / "shop")
    shop.job(1)
    shop.job(2, levels=(1.0,))
    shop.put("job 2/ride.csv", ride_text())
    shop.put("job 2/waits.csv", pull_text(1.3))
    shop.update()
    names = ["s1_1.csv", "s1_2.csv"]
    shop.put(
        "job 2/card.toml",
        card_text(job="J-2", bike="B-2", stages=[stage_text("again", names, ["ride.csv"])]),
    )
    shop.put("job 1/s2_2.csv", pull_text(1.12))
    shop.put("job 2/copy of s1_1.csv", pull_text(1.0002))
    (shop.folder.inbox / "job 2" / "waits.csv").unlink()
    shop.update(now=LATER)
    shop.folder.reports.joinpath("2025 Q2.html").write_text("as it was", encoding="utf-8")
    shop.put("not yet taken in.csv", "1;2")
    return shop


@pytest.fixture
def own(lived, tmp_path):
    """Return a copy of it, times and all, for a test to spoil."""
    return LittleShop(shutil.copytree(lived.folder.root, tmp_path / "own"))


@pytest.fixture
def to(tmp_path):
    return tmp_path / "disk" / "backups of the shop"


def back_up(shop, to, *ways, code=0):
    got, said = command_line("backup", shop.folder.root, to, *ways)
    assert got == code, said
    return said


def bring_back(to, place, *ways, code=0):
    got, said = command_line("restore", to, place, *ways)
    assert got == code, said
    return LittleShop(place), said


def files_of(root, *left_out):
    """Return each file of a folder with its bytes and its time."""
    found = {}
    for path in sorted(root.rglob("*")):
        name = path.relative_to(root).as_posix()
        if path.is_file() and name.split("/")[0] not in left_out:
            found[name] = (path.read_bytes(), path.stat().st_mtime_ns * (name[:5] == "inbox"))
    return found


def kept_of(shop):
    """Return what a backup must keep; that it was made is a line of the journal by itself."""
    found = files_of(shop.folder.root, "warehouse", "published", "refused")
    told = entries_of(found[f"archive/{JOURNAL}"][0])[0]
    acts = [{**one, "no": 0, "last": ""} for one in told if one["code"] not in OF_BACKUPS]
    return found | {f"archive/{JOURNAL}": acts}


def blob_of(to, path):
    """Return where a backup keeps the bytes of a file."""
    sha = hashlib.sha256(path.read_bytes()).hexdigest()
    return to / "blobs" / sha[:2] / f"{sha}.zst"


def spoil(path):
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)


def test_a_shop_brought_back_has_the_same_files_and_the_same_figures(lived, to, tmp_path):
    back_up(lived, to)
    back, _ = bring_back(to, tmp_path / "new house" / "shop")
    assert kept_of(back) == kept_of(lived)
    back.update(now=LATER)
    lived_again = LittleShop(shutil.copytree(lived.folder.root, tmp_path / "stayed"))
    lived_again.update(now=LATER)
    assert back.contents("core", "out") == lived_again.contents("core", "out")
    assert back.rows("SELECT count(*) FROM out.gain")[0][0] > 0


def test_update_after_a_restore_takes_nothing_in_twice(own, to, tmp_path):
    (own.folder.inbox / "not yet taken in.csv").unlink()
    back_up(own, to)
    _, said = bring_back(to, tmp_path / "back", "--update")
    assert "Intake: 0 files arrived" in said
    assert "Published" in said


def test_whoever_has_only_the_disk_left_reads_there_what_to_do(lived, to):
    back_up(lived, to)
    guide = (to / "DISASTER.md").read_text(encoding="utf-8")
    assert "rollbook restore BACKUPS SHOP --update" in guide
    assert len(guide.encode()) <= 2048


def test_a_second_backup_copies_only_what_is_new(own, to):
    assert ", of these 0 new" not in back_up(own, to)
    # The journal's last piece: it tells of the backup before.
    assert ", of these 1 new" in back_up(own, to)
    own.put("job 2/more.csv", pull_text(1.4))
    own.take_in(now=LATER)
    # The pull and both ledgers' last pieces; "not yet taken in.csv" was copied as it lay there.
    assert ", of these 3 new" in back_up(own, to)


def test_blobs_are_plain_zstd_that_another_program_opens(lived, to, tmp_path):
    back_up(lived, to)
    pull = lived.folder.inbox / "job 1" / "s1_1.csv"
    blob = blob_of(to, pull)
    assert blob.read_bytes()[:4] == bytes.fromhex("28b52ffd")  # RFC 8878, 3.1.1: magic number
    lines = duckdb.sql(
        "FROM read_csv(?, columns = {'line': 'VARCHAR'}, header = false, delim = '\x01', "
        "quote = '', compression = 'zstd')",
        params=[str(blob)],
    ).fetchall()
    assert [line for (line,) in lines] == pull.read_text(encoding="utf-8").splitlines()
    if program := shutil.which("zstd"):
        opened = subprocess.run([program, "-dc", blob], capture_output=True, check=True).stdout
        assert opened == pull.read_bytes()


def test_an_older_day_comes_back_as_it_was(own, to, tmp_path, monkeypatch):
    day = dt.datetime.now(dt.UTC) - dt.timedelta(days=9)
    backup.back_up(own.folder, to, day, lambda *_: None)
    before = kept_of(own)
    own.put("job 2/more.csv", pull_text(1.4))
    own.folder.settings.write_bytes(b"# another\n" + own.folder.settings.read_bytes())
    own.take_in(now=LATER)
    back_up(own, to)
    noon = day + dt.timedelta(hours=1)
    back, _ = bring_back(to, tmp_path / "a", "--at", f"{noon.astimezone():%Y-%m-%dT%H:%M}")
    assert kept_of(back) == before
    back, _ = bring_back(to, tmp_path / "b")
    assert kept_of(back) == kept_of(own)
    _, said = command_line("restore", to, tmp_path / "c", "--at", "2001-01-01")
    assert "is so old" in said
    _, said = command_line("restore", to, tmp_path / "c", "--at", "last week")
    assert "'last week' is no day" in said
    assert not (tmp_path / "c").exists()


def test_a_clock_set_back_does_not_make_an_old_backup_the_newest(own, to, tmp_path):
    backup.back_up(own.folder, to, dt.datetime(2031, 1, 1, tzinfo=dt.UTC), lambda *_: None)
    own.folder.reports.joinpath("new.txt").write_text("x", encoding="utf-8")
    back_up(own, to)
    back, _ = bring_back(to, tmp_path / "back")
    assert (back.folder.reports / "new.txt").is_file()


def test_a_line_that_an_intake_is_writing_comes_with_the_next_backup(own, to, tmp_path):
    whole = (own.folder.archive / LEDGER).read_bytes()
    with (own.folder.archive / LEDGER).open("ab") as ledger:
        ledger.write(b'{"arrival_no": 99, "job_fol')
    back_up(own, to)
    back, _ = bring_back(to, tmp_path / "back")
    assert (back.folder.archive / LEDGER).read_bytes() == whole


def test_an_intake_in_the_middle_of_a_backup_leaves_it_one_moment(own, to, tmp_path, monkeypatch):
    before = kept_of(own)
    copy = BackupFolder.put
    done = []

    def put(self, sha256, source):
        if len(done) == 3:
            done.append("once")
            own.put("job 1/while.csv", pull_text(1.7))
            own.take_in(now=LATER)  # with its lock, as `serve` would
        done.append(source)
        return copy(self, sha256, source)

    monkeypatch.setattr(BackupFolder, "put", put)
    back_up(own, to)
    assert "once" in done
    back, _ = bring_back(to, tmp_path / "back")
    found = kept_of(back)
    # Of what came meanwhile only the inbox is seen, for that is looked at last.
    assert found.pop("inbox/job 1/while.csv")[0] == pull_text(1.7).encode()
    assert found == before
    own.take_in(now=LATER)
    back.take_in(now=LATER)
    assert back.contents("core") == own.contents("core")


def test_a_file_that_changes_while_it_is_copied_is_copied_as_it_then_is(own, to, monkeypatch):
    report = own.folder.reports / "2025 Q2.html"
    real, times = backup.file_sha256, []

    def changing(path):
        sha = real(path)
        if path == report and len(times) < changes:
            times.append(1)
            path.write_text(f"changed {len(times)} of {changes}", encoding="utf-8")
        return sha

    monkeypatch.setattr(backup, "file_sha256", changing)
    changes = 2
    assert "still being written" not in back_up(own, to)
    assert blob_of(to, report).is_file()
    times.clear()
    changes = 99
    report.write_text("not in any backup yet", encoding="utf-8")
    said = back_up(own, to)
    assert "not in it: reports/2025 Q2.html: is still being written" in said


def test_links_are_named_and_not_followed_but_the_shops_own_folders_are(own, to, tmp_path):
    secret = tmp_path / "secret.txt"
    secret.write_text("nobody's business", encoding="utf-8")
    elsewhere = tmp_path / "other disk"
    shutil.move(own.folder.reports, elsewhere)
    try:
        own.folder.reports.symlink_to(elsewhere, target_is_directory=True)
        (own.folder.root / "tmp").symlink_to(tmp_path, target_is_directory=True)
    except OSError:
        pytest.skip("no links here")
    (elsewhere / "link.pdf").symlink_to(secret)
    said = back_up(own, to)
    assert "reports/link.pdf: is a link" in said
    assert "tmp: is a link" in said
    assert not blob_of(to, secret).exists()
    back, _ = bring_back(to, tmp_path / "back")
    assert (back.folder.reports / "2025 Q2.html").read_text(encoding="utf-8") == "as it was"


@pytest.mark.skipif(os.name == "nt", reason="some of these names cannot be made there")
def test_names_of_every_system_come_back(own, to, tmp_path):
    names = [*ODD_NAMES, "é composed", "e\u0301 in two"]
    for name in names:
        (own.folder.reports / name).write_text(name, encoding="utf-8")
    unreadable = os.fsencode(own.folder.reports) + b"/\xff.txt"
    if sys.platform == "linux":
        with open(unreadable, "wb"):  # noqa: PTH123 a name of bytes
            pass
        assert "its name is not readable text" in back_up(own, to)
        os.unlink(unreadable)  # noqa: PTH108
    back_up(own, to)
    back, _ = bring_back(to, tmp_path / "back")
    assert {name: (back.folder.reports / name).read_text(encoding="utf-8") for name in names} == {
        name: name for name in names
    }


def test_windows_is_spared_names_that_it_does_not_take():
    # "Naming Files, Paths, and Namespaces" of Windows' documentation, from memory:
    # < > : " / \ | ? *, signs below 32, devices with any ending, a point or a space at the end.
    taken = [is_name_here(f"reports/{name}", on_windows=True) for name in ODD_NAMES]
    assert taken == [True, True, True, False, False, False, False, True, True, True, True]


@pytest.mark.parametrize(
    "path",
    [
        "../out.txt",
        "/out.txt",
        "reports/../../out.txt",
        "",
        "a//b",
        "reports/\0",
        "reports/" + 256 * "n",
    ],
)
def test_a_list_cannot_write_outside_the_shop(own, to, tmp_path, path):
    back_up(own, to)
    folder = BackupFolder(to)
    manifest = folder.newest()
    file = next(f for f in manifest.files if f.path == "rollbook.toml")
    folder.write(manifest._replace(number=2, files=[*manifest.files, file._replace(path=path)]))
    before = files_of(tmp_path, "back")
    _, said = bring_back(to, tmp_path / "back", code=1)
    assert "this system takes no such name" in said
    assert files_of(tmp_path, "back") == before


def test_two_names_that_are_one_here_do_not_write_over_each_other(own, to, tmp_path):
    # As on a system that takes "A.txt" and "a.txt" for the same: here, the same name twice.
    back_up(own, to)
    folder = BackupFolder(to)
    manifest = folder.newest()
    other = next(f for f in manifest.files if f.path.startswith("layouts/"))
    twice = FileKept("reports/2025 Q2.html", other.sha256, 0)
    folder.write(manifest._replace(number=2, files=[*manifest.files, twice]))
    back, said = bring_back(to, tmp_path / "back", code=1)
    assert "reports/2025 Q2.html: for this system another file has the same name" in said
    assert (back.folder.reports / "2025 Q2.html").read_text(encoding="utf-8") == "as it was"


def test_a_restore_writes_over_nothing(own, to, tmp_path):
    back_up(own, to)
    place = tmp_path / "full"
    place.mkdir()
    (place / "mine.txt").write_text("mine", encoding="utf-8")
    code, said = command_line("restore", to, place)
    assert (code, "holds something" in said) == (1, True)
    assert files_of(place) == {"mine.txt": (b"mine", 0)}
    code, said = command_line("restore", to, to / "shop")
    assert (code, "in the backups themselves" in said) == (1, True)


def test_a_restore_that_was_stopped_leaves_no_shop(own, to, tmp_path, monkeypatch):
    back_up(own, to)

    def stop(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr(restore, "write_whole", stop)
    with pytest.raises(KeyboardInterrupt):
        restore.restore(to, tmp_path / "back", None, lambda *_: None)
    assert command_line("update", tmp_path / "back")[0] == 1
    assert "delete" in command_line("restore", to, tmp_path / "back")[1]


# What is damaged


def test_a_damaged_blob_is_named_and_the_rest_comes_back(own, to, tmp_path):
    back_up(own, to)
    spoil(blob_of(to, own.folder.inbox / "job 1" / "s1_1.csv"))
    blob_of(to, own.folder.inbox / "job 1" / "s2_1.csv").unlink()
    blob_of(to, own.folder.inbox / "job 1" / "s1_2.csv").write_bytes(b"")
    back, said = bring_back(to, tmp_path / "back", code=1)
    gone = {"s1_1.csv", "s2_1.csv", "s1_2.csv"}
    for name in gone:
        assert f"job 1/{name}: gone from the backup or damaged there" in said
    whole, found = kept_of(own), kept_of(back)
    assert found.items() <= whole.items()
    lost = {name for name in whole.keys() - found.keys() if name.startswith("inbox")}
    assert lost == {f"inbox/job 1/{name}" for name in gone}
    assert len(whole) - len(found) == 6


def test_verify_finds_every_damage_and_copies_it_anew(own, to, tmp_path):
    back_up(own, to)
    # The shop's journal has grown since: its last piece of then cannot be copied from there.
    ((journal, _),) = BackupFolder(to).newest().acts
    blobs = [path for path in sorted((to / "blobs").rglob("*.zst")) if path.stem != journal]
    assert len(blobs) > 10
    for blob in blobs[::2]:
        spoil(blob)
    said = back_up(own, to, "--verify")
    assert f"{len(blobs[::2])} damaged, copied anew" in said
    assert "damaged" not in back_up(own, to, "--verify")
    back, _ = bring_back(to, tmp_path / "back")
    assert kept_of(back) == kept_of(own)


def test_verify_names_what_neither_backup_nor_shop_holds(own, to):
    back_up(own, to)
    pull = own.folder.inbox / "job 1" / "s1_1.csv"
    sha = hashlib.sha256(pull.read_bytes()).hexdigest()
    spoil(blob_of(to, pull))
    spoil(own.folder.archive / sha[:2] / sha)
    said = back_up(own, to, "--verify", code=1)
    assert "job 1/s1_1.csv: the archive lost it" in said
    assert "job 1/s1_1.csv of" in said


def test_damaged_bytes_of_the_archive_are_named_and_never_kept_under_their_hash(own, to):
    pull = own.folder.inbox / "job 1" / "s1_1.csv"
    sha = hashlib.sha256(pull.read_bytes()).hexdigest()
    spoil(own.folder.archive / sha[:2] / sha)
    said = back_up(own, to, code=1)
    assert "lost: job 1/s1_1.csv: the archive lost it or holds other bytes" in said
    assert not blob_of(to, pull).exists()
    shutil.copy(pull, own.folder.archive / sha[:2] / sha)
    assert ", of these 2 new" in back_up(own, to)  # it, and the line on the backup before


def test_what_the_archive_lost_and_the_backup_holds_is_not_missed(own, to, tmp_path):
    back_up(own, to)
    whole = kept_of(own)
    pull = own.folder.inbox / "job 1" / "s1_1.csv"
    sha = hashlib.sha256(pull.read_bytes()).hexdigest()
    (own.folder.archive / sha[:2] / sha).unlink()
    back_up(own, to)
    assert kept_of(bring_back(to, tmp_path / "back")[0]) == whole


def test_a_damaged_list_is_told_and_the_backup_before_it_counts(own, to, tmp_path):
    back_up(own, to)
    before = kept_of(own)
    own.folder.reports.joinpath("new.txt").write_text("x", encoding="utf-8")
    back_up(own, to)
    newest = BackupFolder(to).numbers()[2]
    said = json.loads(newest.read_text(encoding="utf-8"))
    said["files"].pop()
    newest.write_text(json.dumps(said), encoding="utf-8")
    back, told = bring_back(to, tmp_path / "back", code=1)
    assert f"{newest.name}: its list is damaged; the one before was taken" in told
    assert kept_of(back) == before
    assert "this backup's list is damaged" in back_up(own, to, "--verify", code=1)


def test_a_damaged_piece_of_the_ledger_costs_only_what_it_told(own, to, tmp_path, monkeypatch):
    monkeypatch.setattr(backup, "PIECE_BYTES", 1000)
    back_up(own, to)
    folder = BackupFolder(to)
    pieces = folder.newest().ledger
    assert len(pieces) > 3
    folder.path_of(pieces[1][0]).unlink()
    back, said = bring_back(to, tmp_path / "back", code=1)
    assert "a piece of the ledger" in said
    assert back.take_in(now=LATER)
    arrived = back.rows("SELECT count(*) FROM raw.arrival")[0][0]
    # 1,000 bytes hold three whole lines at most, and each seam tears one more.
    assert arrived >= own.rows("SELECT count(*) FROM raw.arrival")[0][0] - 5


def test_a_damaged_ledger_is_not_backed_up_as_if_it_were_whole(own, to):
    ledger = own.folder.archive / LEDGER
    lines = ledger.read_bytes().split(b"\n")
    lines[1] = lines[1].replace(b"job", b"j0b", 1)
    ledger.write_bytes(b"\n".join(lines))
    assert "line 2 is damaged" in back_up(own, to, code=1)
    assert not to.exists()


# Where it may not, or cannot, be written


def test_a_folder_of_another_shop_is_refused(own, to, tmp_path):
    back_up(own, to)
    before = files_of(to)
    other = LittleShop(tmp_path / "other")
    assert "it is another shop" in back_up(other, to, code=1)  # an empty one
    other.job(1)
    other.take_in()
    assert "it is another shop" in back_up(other, to, code=1)
    assert files_of(to) == before
    back_up(own, to)


def test_a_folder_of_a_shop_into_which_nothing_came_yet_is_no_other_shops(own, to, tmp_path):
    # Bug: an empty ledger begins every ledger, and the owner was locked out of its own folder.
    empty = LittleShop(tmp_path / "empty")
    back_up(empty, to)
    assert "holds backups of empty" in back_up(own, to, code=1)
    back_up(empty, to)


def test_a_plain_backup_copies_anew_what_the_disk_emptied(own, to, tmp_path):
    back_up(own, to)
    blob_of(to, own.folder.inbox / "job 1" / "s1_1.csv").write_bytes(b"")
    back_up(own, to)
    back, _ = bring_back(to, tmp_path / "back")
    assert kept_of(back) == kept_of(own)


def test_a_shop_that_goes_on_in_two_places_is_told_so(own, to, tmp_path):
    back_up(own, to)
    twin, _ = bring_back(to, tmp_path / "twin")
    back_up(twin, to)  # as long as nothing came, they are one
    for shop, level in ((own, 1.5), (twin, 1.6)):
        shop.put("job 1/new.csv", pull_text(level))
        shop.take_in(now=LATER)
    back_up(own, to)
    assert "one that went on elsewhere" in back_up(twin, to, code=1)
    back_up(twin, tmp_path / "its own")


def test_a_shop_whose_archive_is_not_there_makes_no_empty_backup(own, to):
    back_up(own, to)
    shutil.move(own.folder.archive, own.folder.root.parent / "unplugged")
    assert "archive is not there" in back_up(own, to, code=1)


def test_an_empty_shop_can_be_backed_up_and_brought_back(tmp_path, to):
    shop = LittleShop(tmp_path / "shop")
    back_up(shop, to)
    back, _ = bring_back(to, tmp_path / "back")
    assert back.folder.settings.read_bytes() == shop.folder.settings.read_bytes()
    assert command_line("update", back.folder.root)[0] == 0


def test_settings_with_a_mistake_do_not_stop_a_backup(own, to, tmp_path):
    own.folder.settings.write_text("[shop\n", encoding="utf-8")
    back_up(own, to)
    back, _ = bring_back(to, tmp_path / "back")
    assert back.folder.settings.read_text(encoding="utf-8") == "[shop\n"


def test_a_backup_goes_neither_into_the_shop_nor_among_other_things(own, tmp_path):
    inside = own.folder.backups / "mine"
    assert "lies in the shop itself" in back_up(own, inside, code=1)
    assert not inside.exists()
    desk = tmp_path / "desk"
    desk.mkdir()
    (desk / "letter.txt").write_text("x", encoding="utf-8")
    assert "holds other things" in back_up(own, desk, code=1)
    assert [path.name for path in desk.iterdir()] == ["letter.txt"]
    assert "has no rollbook.toml" in command_line("backup", tmp_path, desk / "b")[1]


def test_two_backups_at_once_are_one_after_the_other(own, to):
    back_up(own, to)
    with filelock.FileLock(to / "one-at-a-time.lock"):
        assert "another backup into" in back_up(own, to, code=1)
    back_up(own, to)


def test_a_share_without_locks_is_written_all_the_same(own, to, monkeypatch, tmp_path):
    def no_lock(*_, **__):
        raise NotImplementedError

    monkeypatch.setattr(backup.filelock.FileLock, "acquire", no_lock)
    back_up(own, to)
    assert kept_of(bring_back(to, tmp_path / "back")[0]) == kept_of(own)


@pytest.mark.parametrize("number", [1, 2, 12])
def test_a_full_disk_is_told_and_the_next_backup_goes_on(own, to, tmp_path, monkeypatch, number):
    back_up(own, to)
    before = kept_of(own)
    for count in range(12):
        own.put(f"job 1/more{count}.csv", pull_text(1.5 + count / 100))
    own.take_in(now=LATER)
    calls = []

    def full(handle):
        calls.append(handle)
        if len(calls) == number:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patched:
        patched.setattr("flows.backup_folder.os.fsync", full)
        assert "the disk is full: make room" in back_up(own, to, code=1)
    assert not list(to.rglob(".making-*"))
    assert kept_of(bring_back(to, tmp_path / "then")[0]) == before
    back_up(own, to)
    assert kept_of(bring_back(to, tmp_path / "now")[0]) == kept_of(own)


def test_a_disk_that_is_really_full_or_shut_is_told(own, small_disk, tmp_path):  # noqa: F811
    disk = small_disk("size=60k")
    assert "the disk is full: make room" in back_up(own, disk / "b", code=1)
    small_disk("remount,size=100m")
    back_up(own, disk / "b")
    small_disk("remount,ro")
    assert "the disk can only be read" in back_up(own, disk / "b", code=1)
    back, _ = bring_back(disk / "b", tmp_path / "back")  # a backup needs no write to come back
    assert kept_of(back) == kept_of(own)


def test_a_report_that_may_not_be_read_is_named_and_the_rest_is_kept(own, to, monkeypatch):
    shut = own.folder.reports / "2025 Q2.html"
    real = backup.file_sha256

    def reading(path):
        if path == shut:
            raise PermissionError(errno.EACCES, "Permission denied", str(path))
        return real(path)

    monkeypatch.setattr(backup, "file_sha256", reading)
    assert "lost: reports/2025 Q2.html: Permission denied" in back_up(own, to, code=1)
    assert blob_of(to, own.folder.settings).is_file()


def test_an_inbox_that_is_not_there_comes_back_as_the_ledger_tells(own, to, tmp_path):
    (own.folder.inbox / "not yet taken in.csv").unlink()
    whole = kept_of(own)
    shutil.rmtree(own.folder.inbox)
    own.folder.inbox.mkdir()
    back_up(own, to)
    assert kept_of(bring_back(to, tmp_path / "back")[0]) == whole


def test_an_inbox_tidied_since_the_last_update_comes_back_tidied(own, to, tmp_path):
    shutil.rmtree(own.folder.inbox / "job 2")
    back_up(own, to)
    assert kept_of(bring_back(to, tmp_path / "back")[0]) == kept_of(own)


def test_a_card_corrected_since_the_last_update_comes_back_corrected(own, to, tmp_path):
    # Bug: the version that had been taken in came back, and the correction was called lost.
    card = own.folder.inbox / "job 1" / "card.toml"
    card.write_text(card.read_text(encoding="utf-8") + "# corrected\n", encoding="utf-8")
    back_up(own, to)
    assert kept_of(bring_back(to, tmp_path / "back")[0]) == kept_of(own)


def test_the_ledger_of_years_costs_each_backup_only_its_end(tmp_path, to):
    shop = LittleShop(tmp_path / "shop")
    data = b"1"
    sha = hashlib.sha256(data).hexdigest()
    (shop.folder.archive / sha[:2]).mkdir()
    (shop.folder.archive / sha[:2] / sha).write_bytes(data)
    line = {"job_folder": ".", "file_sha256": sha, "size_bytes": 1, "modified_ns": 1}
    for count in (8500, 1):
        first = len((shop.folder.archive / LEDGER).read_bytes().splitlines()) if count == 1 else 0
        append(
            shop.folder,
            [
                sealed({"arrival_no": n, "file_name": f"{n}.csv", **line, "received_at": "2025"})
                for n in range(first + 1, first + count + 1)
            ],
        )
        said = back_up(shop, to)
    assert ", of these 2 new" in said  # the last pieces of both ledgers
    assert len(BackupFolder(to).newest().ledger) == 2  # 8,501 lines of some 240 bytes
