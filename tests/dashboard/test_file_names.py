"""Names made safe: whatever a browser sends becomes one plain name in one folder.

What each system refuses is documented by its maker: reserved device names, signs and endings in
Microsoft's "Naming Files, Paths, and Namespaces"; 255 bytes a name in Linux's NAME_MAX.
"""

import unicodedata
from pathlib import Path, PurePosixPath, PureWindowsPath

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from dashboard.file_names import (
    MOST_NAME_BYTES,
    free_name,
    one_on_disk,
    safe_folder,
    safe_name,
)

WINDOWS_DEVICES = [
    "CON", "PRN", "AUX", "NUL", *(f"COM{n}" for n in range(10)), *(f"LPT{n}" for n in range(10)),
    "COM¹", "COM²", "COM³", "LPT¹", "LPT²", "LPT³",
]  # fmt: skip
NASTY = [
    "", ".", "..", "...", "/", "\\", "../../etc/passwd", "..\\..\\boot.ini", "C:\\x\\run.csv",
    "C:run.csv", "\\\\server\\share\\a.csv", "run.csv/", "a/../..", "~", " ", ". .", "run.csv ",
    "run.csv.", " run.csv", ".hidden", "..csv", "a\x00b.csv", "a\nb", "\u202egnp.csv", "\ufeff",
    "\ud800", "con", "Con.txt", "NUL .csv", "com1.tar.gz", "x" * 400, "é" * 300 + ".csv",
    "👍" * 90, "a." + "b" * 300, "run?.csv", "run*.csv", 'a"b|c<d>e.csv', "e\u0301.csv",
    "card.toml\u200b", "aux.", "-rf", "$HOME", "%TEMP%", "a\tb.csv", "a\u00a0b", "a\u3000b",
]  # fmt: skip
# Strings such as a hostile browser may send: separators, points and controls come often.
nasty_names = st.one_of(
    st.sampled_from(NASTY),
    st.text(alphabet=st.sampled_from('./\\:*?"<>| \x00\n\u202e\u200bcCoOnN1éa\u0301')),
    st.text(),
)


@given(nasty_names)
@example("\\\\?\\C:\\x")
def test_a_safe_name_stays_one_name_in_its_folder_on_every_system(raw):
    name = safe_name(raw)
    for system in (PurePosixPath, PureWindowsPath):
        path = system("inbox") / "job" / name
        assert path.parent == system("inbox") / "job", name
        assert path.name == name
        assert not system(name).is_absolute()


@given(nasty_names)
def test_no_system_refuses_hides_or_changes_a_safe_name(raw):
    name = safe_name(raw)
    assert 0 < len(name.encode()) <= MOST_NAME_BYTES
    assert name.isprintable()
    assert not set(name) & set('<>:"/\\|?*')
    assert name[0] not in " ."
    assert name[-1] not in " ."
    assert name.split(".")[0].strip().upper() not in WINDOWS_DEVICES
    assert unicodedata.normalize("NFC", name) == name


@given(nasty_names)
def test_a_safe_name_is_its_own_safe_name(raw):
    assert safe_name(safe_name(raw)) == safe_name(raw)


@given(nasty_names)
def test_a_safe_name_can_really_be_written(tmp_path_factory, raw):
    folder = tmp_path_factory.getbasetemp() / "written"
    folder.mkdir(exist_ok=True)
    path = folder / safe_name(raw)
    path.write_bytes(b"x")
    assert path in folder.iterdir()
    path.unlink()


@pytest.mark.parametrize("name", ["run_01.csv", "Lauf 3 (warm).TXT", "öl.csv", "run[1].csv", "a"])
def test_an_ordinary_name_stays_as_it_is(name):
    assert safe_name(name) == name


@pytest.mark.parametrize("device", WINDOWS_DEVICES)
def test_a_name_that_opens_a_device_on_windows_is_another_name(device):
    for name in (device, device.lower(), f"{device}.csv", f"{device}.tar.gz", f"{device} .csv"):
        assert safe_name(name).startswith("_")


def test_long_names_that_differ_at_their_end_stay_two():
    first, second = (safe_name("x" * 300 + end + ".csv") for end in "12")
    assert first != second
    assert first.endswith(".csv")


def test_a_folder_is_named_after_all_of_the_job_number():
    assert safe_folder("2026/014") != safe_folder("2025/014")
    assert safe_folder("J-0124") == "J-0124"


@given(nasty_names, st.lists(nasty_names, max_size=6))
def test_a_free_name_is_safe_and_taken_by_nobody(raw, others):
    taken = [safe_name(other) for other in others]
    name = free_name(safe_name(raw), [*taken, safe_name(raw)])
    assert one_on_disk(name) not in {one_on_disk(other) for other in [*taken, safe_name(raw)]}
    assert safe_name(name) == name


def test_a_free_name_keeps_its_ending():
    assert Path(free_name("run_01.csv.gz", ["run_01.csv.gz"])).suffixes == [".csv", ".gz"]
