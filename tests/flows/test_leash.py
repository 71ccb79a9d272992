"""A leash: what runs on it ends with its starter, with all that it started, and speaks plainly."""

import os
import signal
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import pytest

WITHIN_S = 15.0


def leashed(script, *arguments, **more):
    command = [sys.executable, "-m", "flows.leash", sys.executable, "-c", textwrap.dedent(script)]
    return subprocess.Popen(
        [*command, *map(str, arguments)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, start_new_session=True, **more,
    )  # fmt: skip


def is_there(pid):
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    # The dead that nobody has asked after yet are dead.
    return Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rsplit(")", 1)[1].split()[0] != "Z"


def gone(pid):
    until = time.monotonic() + WITHIN_S
    while time.monotonic() < until:
        try:
            if not is_there(pid):
                return True
        except (FileNotFoundError, ProcessLookupError):
            return True
        time.sleep(0.05)
    return False


FAMILY = """
    import os, signal, subprocess, sys, time
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    child = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(600)"])
    print(os.getpid(), child.pid, flush=True)
    time.sleep(600)
"""
STARTER = """
    import os, subprocess, sys, time
    leash = subprocess.Popen(
        [sys.executable, "-m", "flows.leash", sys.executable, "-c", sys.argv[1]],
        stdin=subprocess.PIPE, start_new_session=True,
    )
    time.sleep(600)
"""
on_linux = pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc")


@on_linux
def test_a_killed_starter_leaves_no_orphan():
    starter = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(STARTER), textwrap.dedent(FAMILY)],
        stdout=subprocess.PIPE,
    )
    family = [int(pid) for pid in starter.stdout.readline().split()]
    starter.kill()
    starter.wait()
    assert len(family) == 2
    assert all(gone(pid) for pid in family)


@on_linux
@pytest.mark.parametrize("how", ["killed", "told"])
def test_what_the_command_started_ends_with_it(how):
    leash = leashed(FAMILY)
    command, child = (int(pid) for pid in leash.stdout.readline().split())
    if how == "killed":
        os.kill(command, signal.SIGKILL)
    else:
        leash.terminate()
    assert gone(command)
    assert gone(child)
    leash.stdin.close()
    assert leash.wait(WITHIN_S) != 0


# Bug: the leash itself was aborted at its end, by the lock on its standard input.
def test_the_exit_code_is_the_commands_own():
    leash = leashed("raise SystemExit(7)")
    assert leash.wait(WITHIN_S) == 7
    leash.stdin.close()


def test_what_a_command_says_acts_on_no_terminal():
    leash = leashed(r"""print("a\x1b]52;c;YQ==\x07\x9b2J\u202eb\nsecond line")""", env={
        **os.environ, "PYTHONUTF8": "1",
    })  # fmt: skip
    said = leash.stdout.read()
    leash.communicate()
    assert said.decode() == "a␛]52;c;YQ==␇�2J�b\nsecond line\n"
