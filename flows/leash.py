"""Runs a command that must not outlive whoever started it: `python -m flows.leash COMMAND...`.

The starter holds the other end of standard input. When that closes, because the starter closed it
or was killed, the command is told to end. Works alike on every system.
"""

from __future__ import annotations

import subprocess
import sys
import threading

KIND_S = 10.0


def main() -> int:
    """Run the command until it ends or the starter is gone.

    Returns
    -------
    int
        The command's exit code.
    """
    process = subprocess.Popen(sys.argv[1:], stdin=subprocess.DEVNULL)

    def end_with_starter() -> None:
        sys.stdin.buffer.read()
        process.terminate()
        try:
            process.wait(KIND_S)
        except subprocess.TimeoutExpired:
            process.kill()

    threading.Thread(target=end_with_starter, daemon=True).start()
    return process.wait()


if __name__ == "__main__":
    sys.exit(main())
