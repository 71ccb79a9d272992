"""Runs a `rollbook` command as a process of its own and tells how far it is. Draws nothing."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, NamedTuple

TELL_AT_LEAST_EVERY_S = 0.4
"""A page that follows a command comes to life this often, also when nothing is told."""

WAITING = "waiting for the shop"
"""What the command says until it has the shop's writer to itself."""

_LAST_LINES = 12


class Step(NamedTuple):
    """How far a command is."""

    word: str
    done: int
    total: int

    @property
    def share(self) -> float:
        """How much of this step is done, 0 to 1."""
        return min(max(self.done / self.total, 0.0), 1.0) if self.total > 0 else 0.0

    @property
    def sentence(self) -> str:
        """The same in words."""
        if not self.word:
            return "Starting"
        if self.word == WAITING:
            return "Waiting for the shop. If another command is at work in it: up to a minute"
        counted = f": {self.done:,} of {self.total:,}" if self.total > 1 else ""
        return self.word[:1].upper() + self.word[1:] + counted


class CommandRun:
    """A command that was started, how far it is, and how it ended.

    It goes on when nobody follows it: pages come and go.
    """

    def __init__(self, command: Sequence[str]) -> None:
        self._news = threading.Condition()
        self._step = Step("", 0, 0)
        self._answer: dict[str, Any] | None = None
        self._error: str | None = None
        self._is_over = False
        self._process = _started(command)
        threading.Thread(target=self._listen, daemon=True).start()

    @property
    def is_over(self) -> bool:
        """Whether the command has ended."""
        return self._is_over

    @property
    def error(self) -> str | None:
        """Why it failed, in its own words; None while it runs or when it did not."""
        return self._error

    @property
    def answer(self) -> dict[str, Any]:
        """What it said at its good end; empty before."""
        return self._answer or {}

    def steps(self) -> Iterator[Step]:
        """Follow the command until it is over."""
        while True:
            with self._news:
                if self._is_over:
                    return
                step = self._step
            yield step
            with self._news:
                if not self._is_over and self._step == step:
                    self._news.wait(TELL_AT_LEAST_EVERY_S)

    def _listen(self) -> None:
        assert self._process.stdout is not None  # noqa: S101 it was asked for above
        unlooked_for: deque[str] = deque(maxlen=_LAST_LINES)
        error = None
        for line in self._process.stdout:
            told = _told(line)
            if told is None:
                unlooked_for.append(line.rstrip())
            elif "error" in told:
                error = str(told["error"])
            elif told.get("finished"):
                self._answer = told
            else:
                with self._news:
                    self._step = Step(str(told["word"]), int(told["done"]), int(told["total"]))
                    self._news.notify_all()
        code = self._process.wait()
        if error is None and (code != 0 or self._answer is None):
            said = "\n".join(unlooked_for) or "It said nothing."
            error = f"The command stopped before its end (code {code}). Its last words:\n{said}"
        with self._news:
            self._error = error
            self._is_over = True
            self._news.notify_all()


def _started(command: Sequence[str]) -> subprocess.Popen[str]:
    return subprocess.Popen(
        list(command),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        encoding="utf-8",
        errors="replace",
        env=in_utf8(),
        # On Windows a window of its own would open; elsewhere there is no such flag.
        creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
    )


def _told(line: str) -> dict[str, Any] | None:
    """Return what a line tells, or None when it is no line of ours."""
    try:
        told = json.loads(line)
    except (ValueError, RecursionError):
        return None
    if not isinstance(told, dict):
        return None
    is_end = "error" in told or told.get("finished")
    is_step = all(isinstance(told.get(name), int) for name in ("done", "total")) and "word" in told
    return told if is_end or is_step else None


_UPDATES: dict[Path, CommandRun] = {}
_STARTING = threading.Lock()


def rollbook_command(*arguments: str) -> list[str]:
    """Return the program and the arguments of a `rollbook` command, run by this Python."""
    return [sys.executable, "-m", "flows.cli", *arguments]


def in_utf8() -> dict[str, str]:
    """Return the environment in which a command speaks UTF-8 and imports nothing lying about."""
    return {**os.environ, "PYTHONUTF8": "1", "PYTHONSAFEPATH": "1"}


def update_command(shop: Path) -> list[str]:
    """Return the command that takes in, derives and publishes."""
    return rollbook_command("update", str(shop.resolve()), "--tell")


def start_update(shop: Path) -> CommandRun:
    """Return the update that runs for a shop, started now if none does."""
    with _STARTING:
        run = running_update(shop)
        if run is None:
            run = _UPDATES[shop.resolve()] = CommandRun(update_command(shop))
        return run


def running_update(shop: Path) -> CommandRun | None:
    """Return the update that some page started for a shop and that still runs."""
    run = _UPDATES.get(shop.resolve())
    return run if run is not None and not run.is_over else None
