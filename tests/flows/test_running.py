"""What keeps a shop running day and night: the units, the container file, and other systems."""

import ast
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from flows.cli import app

ROOT = Path(__file__).parents[2]
SERVICE = ROOT / "flows" / "service"
UNITS = sorted(path.name for path in SERVICE.glob("rollbook*.*"))
COMMANDS = {one.name or one.callback.__name__ for one in app.registered_commands}

POSIX_MODULES = {"fcntl", "grp", "pty", "pwd", "resource", "termios"}
POSIX_NAMES = {
    "os": (
        "chown fchmod fork forkpty geteuid getpgid getpgrp getuid killpg mkfifo setpgid setsid "
        "statvfs sysconf uname wait4"
    ),
    "signal": "SIGHUP SIGKILL SIGUSR1 SIGUSR2 SIGCHLD SIGSTOP SIGALRM alarm setitimer",
    "time": "tzset",
}
"""Which names Windows has not: Python's own documentation ("Availability: Unix")."""


def told(name):
    return (SERVICE / name).read_text(encoding="utf-8")


@pytest.mark.skipif(not shutil.which("systemd-analyze"), reason="no systemd-analyze here")
def test_the_units_are_sound_to_systemd_itself(tmp_path):
    program = tmp_path / "rollbook"
    program.write_text("#!/bin/sh\n", encoding="utf-8")
    program.chmod(0o755)
    for name in UNITS:
        text = told(name).replace("/opt/rollbook/.venv/bin/rollbook", str(program))
        (tmp_path / name).write_text(text.replace("User=rollbook\n", ""), encoding="utf-8")
    done = subprocess.run(
        ["systemd-analyze", "verify", *(str(tmp_path / name) for name in UNITS)],  # noqa: S607
        capture_output=True,
        text=True,
        check=False,
        env=os.environ | {"SYSTEMD_UNIT_PATH": f"{tmp_path}:"},
    )
    complaints = [line for line in done.stderr.splitlines() if "rollbook" in line]
    assert (done.returncode, complaints) == (0, [])


def test_every_command_of_the_units_and_the_container_is_one_of_ours():
    said = re.findall(r"bin/rollbook (\S+)", "".join(map(told, UNITS)))
    said += re.findall(r'CMD \["(\S+?)"', told("Containerfile"))
    assert sorted(said) == ["backup", "serve", "serve"]
    assert set(said) <= COMMANDS
    assert {f"rollbook {one}" for one in COMMANDS} & set(
        re.findall(r"rollbook \w+", told("RUNNING.md"))
    )


def test_a_unit_may_write_where_its_command_writes_and_nowhere_else():
    for name in ("rollbook.service", "rollbook-backup.service"):
        (command,) = re.findall(r"^ExecStart=(.+)$", told(name), re.M)
        (may,) = re.findall(r"^ReadWritePaths=(.+)$", told(name), re.M)
        assert command.split()[2:] == may.split()
        assert "ProtectSystem=strict" in told(name)


def test_the_container_file_copies_all_that_the_program_is_made_of():
    copied = set(re.findall(r"^COPY (?!requirements|pyproject)(\S+) ", told("Containerfile"), re.M))
    packages = re.search(r"^packages = (.+)$", (ROOT / "pyproject.toml").read_text("utf-8"), re.M)
    assert copied == set(ast.literal_eval(packages[1]))
    assert all((ROOT / one).is_dir() for one in copied)


def builder():
    """Return podman or docker, where one answers."""
    for name in ("podman", "docker"):
        if (found := shutil.which(name)) and not subprocess.run(
            [found, "info"], capture_output=True, check=False
        ).returncode:
            return found
    return None


@pytest.mark.long
@pytest.mark.skipif(builder() is None, reason="neither podman nor docker answers here")
def test_the_container_is_built_and_runs_the_demo():
    tool = builder()
    build = [tool, "build", "-q", "-t", "rollbook-test", "-f", str(SERVICE / "Containerfile"), "."]
    subprocess.run(build, check=True, cwd=ROOT)
    run = [tool, "run", "--rm", "rollbook-test", "demo", "/tmp/demo", "--scale", "0.02"]  # noqa: S108
    done = subprocess.run(run, check=True, capture_output=True, text=True)
    assert "Done in" in done.stdout


def posix_only(text):
    """Yield what Windows has not, where its function asks nowhere which system it is on."""
    tree = ast.parse(text)
    guarded = [
        range(one.lineno, one.end_lineno + 1)
        for one in ast.walk(tree)
        if isinstance(one, ast.FunctionDef)
        and re.search(r"os\.name|suppress\(ImportError|sys\.platform", ast.unparse(one))
    ]
    for one in ast.walk(tree):
        names = []
        if isinstance(one, ast.Import):
            names = [alias.name for alias in one.names if alias.name in POSIX_MODULES]
        elif isinstance(one, ast.ImportFrom):
            names = [one.module] if one.module in POSIX_MODULES else []
        elif isinstance(one, ast.Attribute) and isinstance(one.value, ast.Name):
            names = [one.attr] if one.attr in POSIX_NAMES.get(one.value.id, "").split() else []
        elif isinstance(one, ast.Constant) and isinstance(one.value, str):
            names = [one.value] if re.match(r"/(tmp|dev|proc|etc|usr)/", one.value) else []
        if names and not any(one.lineno in lines for lines in guarded):
            yield one.lineno, *names


def test_nothing_is_called_that_only_some_systems_have():
    planted = "import os\nos.fork()\nopen('/tmp/x')\nimport fcntl"
    assert sorted(posix_only(planted)) == [(2, "fork"), (3, "/tmp/x"), (4, "fcntl")]  # noqa: S108
    found = {
        f"{path.relative_to(ROOT)}:{line}": names
        for room in ("flows", "schemas", "warehouse", "dashboard", "fixtures")
        for path in (ROOT / room).rglob("*.py")
        for line, *names in posix_only(path.read_text(encoding="utf-8"))
    }
    assert found == {}


@pytest.mark.own_process
@pytest.mark.skipif(sys.platform == "win32", reason="of Linux")
def test_a_shop_is_worked_on_where_home_is_no_folder_and_only_the_shop_may_be_written(tmp_path):
    shop = tmp_path / "shop"
    run = [sys.executable, "-m", "flows.cli"]
    env = os.environ | {
        "HOME": "/nonexistent",
        "PYTHONPATH": str(ROOT),
        "TMPDIR": str(tmp_path / "t"),
    }
    (tmp_path / "t").mkdir()
    for given in (["init", str(shop)], ["update", str(shop)]):
        done = subprocess.run(
            [*run, *given], capture_output=True, text=True, check=False, env=env, cwd="/"
        )
        assert done.returncode == 0, done.stdout + done.stderr
