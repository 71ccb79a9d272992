"""What the commands say when they are asked for what cannot be."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.conftest import command_line

EACH = """
import sys
from flows.cli import main
_, shop, *commands = sys.argv
for sys.argv in (["rollbook", command, shop] for command in commands):
    try:
        main()
    except SystemExit as ended:
        if ended.code:
            raise
"""


def _said_apart(*arguments: object, shop: Path | None = None) -> tuple[int, str]:
    """Run a command in a process of its own: it gives itself other rights for new files.

    With a shop, several commands one after the other.
    """
    code = "from flows.cli import main; main()" if shop is None else EACH
    given = arguments if shop is None else (shop, *arguments)
    command = [sys.executable, "-c", code, *map(str, given)]
    ran = subprocess.run(command, capture_output=True, text=True, encoding="utf-8", check=False)
    return ran.returncode, " ".join((ran.stdout + ran.stderr).replace("│", " ").split())


@pytest.fixture
def plain_file(tmp_path: Path) -> Path:
    path = tmp_path / "plain"
    path.write_text("a file", encoding="utf-8")
    return path


@pytest.mark.parametrize("command", ["init", "demo", "update", "dashboard"])
def test_a_file_given_for_the_shop_folder_is_refused_in_a_sentence(command, plain_file):
    code, said = command_line(command, plain_file)
    assert code != 0
    assert "is a file" in said
    assert "Traceback" not in said
    assert plain_file.read_text(encoding="utf-8") == "a file"


def test_a_demo_shop_is_not_written_over_one_of_another_size(tmp_path):
    folder = tmp_path / "demo"
    assert command_line("demo", folder, "--scale", "0.01", "--files-only")[0] == 0
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    code, said = command_line("demo", folder, "--scale", "0.02", "--files-only")
    assert code == 1
    assert "name a new folder" in said
    assert {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()} == before
    # The same again goes on where it was left.
    assert command_line("demo", folder, "--scale", "0.01", "--files-only")[0] == 0


@pytest.mark.parametrize("port", [0, 65536, 99999])
def test_a_port_that_no_machine_has_is_refused_in_a_sentence(port, tmp_path):
    # RFC 6335 section 6: port numbers are 16 bits, and 0 is reserved.
    code, said = command_line("dashboard", tmp_path, "--port", port)
    assert code != 0
    assert "--port" in said
    assert "Traceback" not in said


def test_a_folder_given_for_a_file_to_draft_is_called_a_folder(tmp_path):
    code, said = command_line("layout", "draft", tmp_path)
    assert code != 0
    assert "is a directory" in said
    assert "gzip" not in said


def test_the_plan_is_printed_from_what_is_published_and_else_says_what_to_do(shop):
    code, said = command_line("plan", shop.folder.root)
    assert code == 1
    assert "Nothing is published yet" in said
    shop.job(1)
    shop.update()
    code, said = command_line("plan", shop.folder.root, "--gain", "2.5")
    assert code == 0
    assert "* sees 2.5 %" in said
    # Three pulls each and the stated default: rows 1 to 10 stand there, more pulls see less.
    assert [line for line in range(1, 11) if f" {line} " in said] == list(range(1, 11))


@pytest.mark.skipif(os.name == "nt", reason="no such rights on this system")
def test_nothing_that_a_command_leaves_in_a_shop_can_be_read_by_others(shop):
    before = os.umask(0)
    try:
        shop.forget_warehouse()
        shop.job(1)
        for path in shop.folder.root.rglob("*"):
            path.chmod(0o777 if path.is_dir() else 0o666)
        shop.folder.inbox.chmod(0o755)
        kept = {path for path in shop.folder.root.rglob("*") if path.is_file()}
        assert _said_apart("update", "check", "review", shop=shop.folder.root)[0] == 0
    finally:
        os.umask(before)
    # What people put into the inbox keeps its rights, behind the inbox's own.
    for folder in (path for path in shop.folder.root.glob("*") if path.is_dir()):
        assert not folder.stat().st_mode & 0o007, folder
    made = {path for path in shop.folder.root.rglob("*") if path.is_file()} - kept
    assert len(made) > 5
    assert [path for path in made if path.stat().st_mode & 0o077] == []


@pytest.mark.skipif(os.name == "nt", reason="no such rights on this system")
def test_a_file_asked_for_elsewhere_follows_the_persons_own_rights(demo, tmp_path):
    target = tmp_path / "change.csv"
    stage = _stage_with_a_change(demo)
    before = os.umask(0o022)
    try:
        code, said = _said_apart("fuel-change", demo.folder.root, stage, "--csv", target)
    finally:
        os.umask(before)
    assert code == 0, said
    assert target.stat().st_mode & 0o777 == 0o644


def _stage_with_a_change(demo):
    from warehouse.snapshot import open_reader

    with open_reader(demo.snapshot.path) as reader:
        return reader.execute(
            "SELECT stage_id FROM out.fuel_change WHERE most_change_pct IS NOT NULL LIMIT 1"
        ).fetchone()[0]


def test_init_says_of_a_shop_that_is_there_that_it_was_left(tmp_path):
    (first, said), (again, then) = (command_line("init", tmp_path / "shop") for _ in range(2))
    assert (first, again) == (0, 0)
    assert "Made a shop" in said
    assert "already; it was left as it is" in then
