"""Notes in `refused/`: one a file, under a name that no disk refuses and no other file has."""

import re
import shutil
import unicodedata

from hypothesis import example, given

from flows.steps.notes import note_name
from tests.dashboard.test_file_names import nasty_names

# Microsoft, "Naming Files, Paths, and Namespaces", from memory.
WINDOWS_DEVICES = re.compile(r"(con|prn|aux|nul|com[0-9¹²³]|lpt[0-9¹²³])(\.|$)", re.IGNORECASE)


def notes(shop):
    """Return what the notes in `refused/` are about, by the first line of each."""
    paths = [path for path in shop.folder.refused.iterdir() if path.suffix == ".txt"]
    return sorted(path.read_text(encoding="utf-8").split("\n")[0] for path in paths)


def test_a_folder_named_like_another_files_note_stops_nothing(shop, make):
    # Bug: the note of `a` was a.txt, and that of b in folder a.txt wanted a folder of that name.
    shop.put("a", make.pull(1.0))
    shop.put("a.txt/b", make.pull(1.1))
    shop.put("x.txt/pull.csv", make.pull(1.2))
    shop.put("x.txt/deep/pull.csv", make.pull(1.3))
    for _ in range(2):
        shop.take_in()
        assert notes(shop) == [
            "./a: waiting", "a.txt/b: waiting", "x.txt/deep/pull.csv: waiting",
            "x.txt/pull.csv: waiting",
        ]  # fmt: skip
    shutil.rmtree(shop.folder.inbox / "x.txt")
    shop.take_in()
    assert notes(shop) == ["./a: waiting", "a.txt/b: waiting"]


def test_a_folder_named_like_its_own_files_note_stops_nothing(shop, make):
    # Bug: sweeping took the folder job.txt for a note, and a folder cannot be deleted as a file.
    shop.put("job.txt/pull.csv", make.pull())
    for _ in range(2):
        shop.take_in()
    assert notes(shop) == ["job.txt/pull.csv: waiting"]


def test_names_that_one_disk_or_another_takes_for_one_have_a_note_each():
    composed = unicodedata.normalize("NFC", "Köln.csv")
    apart = unicodedata.normalize("NFD", composed)
    alike = [
        ("job", "A.csv"), ("job", "a.csv"), ("JOB", "a.csv"), ("job", composed), ("job", apart),
        ("job/a", "csv"), ("job", "a csv"), ("job", "a-csv"), ("job-a", "csv"), (".", "job-a-csv"),
        ("job", "a.csv."), ("job", "a.csv "), ("x" * 250, "y1"), ("x" * 250, "y2"),
    ]  # fmt: skip
    on_disk = {unicodedata.normalize("NFC", note_name(*place)).casefold() for place in alike}
    assert len(on_disk) == len(alike)


@given(nasty_names, nasty_names)
@example(".", "con.csv")
@example(".", "...")
@example("com1", "x")
@example("x:y", "z. ")
@example("ö" * 300, "k")
def test_no_disk_refuses_or_changes_the_name_of_a_note(folder, name):
    noted = note_name(folder, name.replace("\ud800", ""))
    assert len(noted.encode()) <= 255
    assert re.fullmatch(r"[\w-]+\.txt", noted)
    assert not WINDOWS_DEVICES.match(noted)


def test_a_note_under_an_older_name_goes_and_peoples_own_files_stay(shop, make):
    refused = shop.folder.refused
    shop.put("job/pull.csv", make.pull())
    shop.take_in()
    (note,) = refused.iterdir()
    for older in ("job/pull.csv.txt", "2024/gone job/run.csv.txt", "shared/run.csv.txt"):
        (refused / older).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(note, refused / older)
    own = ["to do.txt", "shared/call the owner.txt", "scan.pdf", "mine/latin.txt"]
    for name in own:
        (refused / name).parent.mkdir(exist_ok=True)
        (refused / name).write_bytes(b"ask for the run again \xe9\n")
    (refused / "empty folder").mkdir()
    shop.take_in()
    found = {path.relative_to(refused).as_posix() for path in refused.rglob("*")}
    assert found == {note.name, *own, "shared", "mine", "empty folder"}


def test_a_note_that_stands_as_it_should_is_not_written_again(shop, make):
    shop.put("job/pull.csv", make.pull())
    shop.take_in()
    (note,) = shop.folder.refused.iterdir()
    written = note.stat().st_mtime_ns
    shop.take_in()
    assert note.stat().st_mtime_ns == written
    note.write_text("torn", encoding="utf-8")
    shop.take_in()
    assert notes(shop) == ["job/pull.csv: waiting"]
