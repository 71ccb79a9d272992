"""What the commands say when they are asked for what cannot be."""

import subprocess
import sys
from pathlib import Path

import pytest


def _said(*arguments: object) -> tuple[int, str]:
    command = [sys.executable, "-c", "from flows.cli import main; main()", *map(str, arguments)]
    ran = subprocess.run(command, capture_output=True, text=True, encoding="utf-8", check=False)
    return ran.returncode, " ".join((ran.stdout + ran.stderr).replace("│", " ").split())


@pytest.fixture
def plain_file(tmp_path: Path) -> Path:
    path = tmp_path / "plain"
    path.write_text("a file", encoding="utf-8")
    return path


@pytest.mark.parametrize("command", ["init", "demo", "update", "dashboard"])
def test_a_file_given_for_the_shop_folder_is_refused_in_a_sentence(command, plain_file):
    code, said = _said(command, plain_file)
    assert code != 0
    assert "is a file" in said
    assert "Traceback" not in said
    assert plain_file.read_text(encoding="utf-8") == "a file"


@pytest.mark.parametrize("port", [0, 65536, 99999])
def test_a_port_that_no_machine_has_is_refused_in_a_sentence(port, tmp_path):
    # RFC 6335 section 6: port numbers are 16 bits, and 0 is reserved.
    code, said = _said("dashboard", tmp_path, "--port", port)
    assert code != 0
    assert "--port" in said
    assert "Traceback" not in said


def test_a_folder_given_for_a_file_to_draft_is_called_a_folder(tmp_path):
    code, said = _said("layout", "draft", tmp_path)
    assert code != 0
    assert "is a directory" in said
    assert "gzip" not in said


def test_the_plan_is_printed_from_what_is_published_and_else_says_what_to_do(shop):
    code, said = _said("plan", shop.folder.root)
    assert code == 1
    assert "Nothing is published yet" in said
    shop.job(1)
    shop.update()
    code, said = _said("plan", shop.folder.root, "--gain", "2.5")
    assert code == 0
    assert "* sees 2.5 %" in said
    # Three pulls each and the stated default: rows 1 to 10 stand there, more pulls see less.
    assert [line for line in range(1, 11) if f" {line} " in said] == list(range(1, 11))
