"""Runs a command that must not outlive whoever started it: `python -m flows.leash COMMAND...`.

The starter holds the other end of standard input. When that closes, because the starter closed it
or was killed, the command is told to end, and what it started ends with it. Works alike on every
system. What the command says is passed on with its control characters made visible: it may quote
a card, and logs are read in terminals.
"""

from __future__ import annotations

import io
import os
import signal
import subprocess
import sys
import threading
from typing import IO

from schemas.visible import visible

KIND_S = 10.0
LISTEN_S = 5.0


def main() -> int:
    """Run the command until it ends or the starter is gone; return its exit code."""
    process = subprocess.Popen(
        sys.argv[1:],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
    )
    # Ctrl-C is left to the starter; SIGTERM is passed on.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, lambda *_: process.terminate())
    threading.Thread(target=_end_with_starter, args=(process,), daemon=True).start()
    assert process.stdout is not None  # noqa: S101 asked for above
    listener = threading.Thread(target=_pass_on, args=(process.stdout,), daemon=True)
    listener.start()
    code = process.wait()
    _tell_group(signal.SIGTERM)
    listener.join(LISTEN_S)
    if listener.is_alive():
        # Something that the command started holds the pipe open and ignores SIGTERM.
        _tell_group(getattr(signal, "SIGKILL", signal.SIGTERM))
    return code


def _pass_on(said: IO[bytes]) -> None:
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(encoding="utf-8", errors="replace")
    for line in io.TextIOWrapper(said, encoding="utf-8", errors="replace"):
        sys.stdout.write(visible(line))
        sys.stdout.flush()


def _end_with_starter(process: subprocess.Popen[bytes]) -> None:
    # Not by `sys.stdin`: its lock, held here, would abort Python at its end.
    while os.read(sys.stdin.fileno(), 1024):
        pass
    if os.name == "nt":
        # Windows has no request to end; /T ends the children too, which would stay otherwise.
        command = ["taskkill", "/T", "/F", "/PID", str(process.pid)]
        subprocess.run(command, check=False, capture_output=True)
        return
    process.terminate()
    try:
        process.wait(KIND_S)
    except subprocess.TimeoutExpired:
        process.kill()


def _tell_group(sign: int) -> None:
    """Signal all that the command started; the leash leads the group and ignores it itself."""
    if os.name != "nt" and os.getpgrp() == os.getpid():
        signal.signal(signal.SIGTERM, signal.SIG_IGN)
        os.killpg(os.getpid(), sign)


if __name__ == "__main__":
    sys.exit(main())
