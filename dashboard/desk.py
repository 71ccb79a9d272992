"""The process beside the pages that drafts, tries and updates: asked and answered in records.

Pages import nothing of the flows. One desk is kept warm for drafts and trials; an update has a desk
of its own, goes on after the page that started it is closed. Draws nothing.
"""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from dashboard.who import refusal
from schemas.desk import SAID, AskDraft, AskTrial, AskUpdate, Failed, Step

TELL_AT_LEAST_EVERY_S = 0.4
"""A page that follows an update comes to life this often, also when nothing is told."""

LONGEST_WAIT_S = 120.0
COMMAND = [sys.executable, "-m", "flows.desk"]


class DeskError(RuntimeError):
    """What was asked for could not be done, in plain words."""


class Desk:
    """A process that answers one question after the other; started again where it has ended."""

    def __init__(self, *arguments: str) -> None:
        self._arguments = arguments
        self._process: subprocess.Popen[bytes] | None = None
        self._busy = threading.Lock()
        self._starting = threading.Lock()

    def start(self) -> None:
        """Have it at work before something is asked."""
        with self._starting:
            if self._process is not None and self._process.poll() is None:
                return
            self._process = subprocess.Popen(
                [*COMMAND, *self._arguments],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                # Modules are not imported from the folder it is started in.
                env={**os.environ, "PYTHONUTF8": "1", "PYTHONSAFEPATH": "1"},
                # On Windows a window of its own would open; elsewhere there is no such flag.
                creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
            )

    def close(self) -> None:
        """End the process, whatever it does."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()

    def ask(
        self,
        asked: AskDraft | AskTrial | AskUpdate,
        tell: Callable[[Step], None] | None = None,
        within_s: float | None = LONGEST_WAIT_S,
    ) -> Any:
        """Return what was asked for, Drafted, Trial or Updated; told how far it is on the way.

        Raises DeskError with the reason if there is none.
        """
        with self._busy:
            self.start()
            process = self._process
            assert process is not None  # noqa: S101 - just started
            assert process.stdin is not None  # noqa: S101 - asked for
            assert process.stdout is not None  # noqa: S101 - as well
            alarm = threading.Timer(within_s, process.kill) if within_s else None
            if alarm is not None:
                alarm.start()
            try:
                process.stdin.write(asked.model_dump_json().encode() + b"\n")
                process.stdin.flush()
                for line in process.stdout:
                    said = SAID.validate_json(line)
                    if isinstance(said, Failed):
                        raise DeskError(said.reason)
                    if not isinstance(said, Step):
                        return said
                    if tell is not None:
                        tell(said)
            except (OSError, ValueError):
                pass  # it ended, or what it wrote is no answer
            except DeskError:
                raise
            except BaseException:
                self.close()  # what it still writes would be taken for the next answer
                raise
            finally:
                if alarm is not None:
                    alarm.cancel()
            self.close()
        raise DeskError(
            "the process that looks at files stopped before its end"
            + (f", or took longer than {within_s:.0f} s" if within_s else "")
        )


LOOKING = Desk("warm")
"""The desk of drafts and trials, one for all pages of this server."""


class UpdateRun:
    """An update that was started, how far it is, and how it ended."""

    def __init__(self, shop: Path) -> None:
        self._news = threading.Condition()
        self._step = Step()
        self.is_over = False
        self.error: str | None = None
        """Why it failed; None while it runs or when it did not."""
        threading.Thread(target=self._follow, args=(shop,), daemon=True).start()

    def steps(self) -> Iterator[Step]:
        """Follow the update until it is over."""
        while True:
            with self._news:
                if self.is_over:
                    return
                step = self._step
            yield step
            with self._news:
                if not self.is_over and self._step == step:
                    self._news.wait(TELL_AT_LEAST_EVERY_S)

    def _follow(self, shop: Path) -> None:
        desk = Desk()
        try:
            desk.ask(AskUpdate(shop=shop), self._tell, within_s=None)
        except DeskError as trouble:
            self.error = str(trouble)
        finally:
            desk.close()
            with self._news:
                self.is_over = True
                self._news.notify_all()

    def _tell(self, step: Step) -> None:
        with self._news:
            self._step = step
            self._news.notify_all()


_UPDATES: dict[Path, UpdateRun] = {}
_STARTING = threading.Lock()


def start_update(shop: Path) -> UpdateRun:
    """Return the update that runs for a shop, started now if none does.

    Raises DeskError if whoever is there may only look.
    """
    if said := refusal("add"):
        raise DeskError(said)
    with _STARTING:
        run = running_update(shop)
        if run is None:
            run = _UPDATES[shop.resolve()] = UpdateRun(shop.resolve())
        return run


def running_update(shop: Path) -> UpdateRun | None:
    """Return the update that some page started for a shop and that still runs."""
    run = _UPDATES.get(shop.resolve())
    return run if run is not None and not run.is_over else None
