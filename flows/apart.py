"""Runs functions on foreign bytes in a process apart, with limits: a crash or a hang is an answer.

Libraries that read files abort, hang or ask for all memory on bytes made or broken that way. Here
that ends one process and refuses one file; the shop goes on with the next.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import sys
import threading
import time
import types
from collections.abc import Callable, Iterator
from multiprocessing.connection import Connection, wait
from pathlib import Path
from typing import Any, NamedTuple, TypeVar

import psutil

from flows.readers import formats
from flows.readers.source import UnreadableError

Result = TypeVar("Result")

LOOK_S = 0.005
"""How often memory and time are looked at: memory grows by some 30 MB meanwhile."""
BEHIND = getattr(psutil, "BELOW_NORMAL_PRIORITY_CLASS", 5)
"""A worker stands behind its watcher, or grows on while a busy machine lets nobody look."""
START_S = 120.0
"""A worker on a slow disk takes long to start; that is not the file's fault."""


class Limits(NamedTuple):
    """What one file may take. Time is the processor's: on a busy machine the clock says little."""

    memory_mb: float = 1200.0
    processor_s: float = 6.0
    clock_s: float = 120.0

    @classmethod
    def for_bytes(cls, size_bytes: int) -> Limits:
        """Return the limits of a file by its size; sound ones take a tenth of the time."""
        seconds = 6.0 + 0.5 * size_bytes / 1e6
        return cls(processor_s=seconds, clock_s=100.0 + 3.0 * seconds)


class Worker:
    """A process that calls functions one after the other; started when first needed.

    `ready` is called there as it starts, without limits: what it loads, no file is charged for.
    """

    def __init__(self, ready: Callable[[], None] | None = None) -> None:
        self._ready = ready
        self._process: Any = None
        self._pipe: Connection | None = None

    def call(self, limits: Limits, function: Callable[..., Result], *arguments: Any) -> Result:
        """Return what a function of a module returns, or raise what it raises.

        Function, arguments and result are pickled. UnreadableError says so where a limit is
        passed or the process ends by itself.
        """
        if self._process is None:
            self.start()
        try:
            return self._ask(limits, function, arguments)
        except (EOFError, ConnectionError):
            # Once more: something else may have ended the process.
            self.start()
        try:
            return self._ask(limits, function, arguments)
        except (EOFError, ConnectionError):
            raise UnreadableError("reader crashed") from None

    def _ask(
        self, limits: Limits, function: Callable[..., Result], arguments: tuple[Any, ...]
    ) -> Result:
        assert self._pipe is not None  # noqa: S101 - made by start()
        try:
            self._pipe.send((limits, function, arguments))
            self._wait(limits)
            succeeded, answer = self._pipe.recv()
        except BaseException:
            self.close()
            raise
        if not succeeded:
            raise answer
        return answer

    def close(self) -> None:
        """End the process, whatever it does."""
        if self._process is None:
            return
        if self._pipe is not None:
            self._pipe.close()
        self._process.kill()
        self._process.join()
        self._process = self._pipe = None

    def start(self) -> None:
        """Start the process and wait until it is ready."""
        # Spawned: a forked copy of a process that has used polars hangs.
        context = multiprocessing.get_context("spawn")
        self._pipe, far_end = context.Pipe()
        self._process = context.Process(target=_serve, args=(far_end, self._ready), daemon=True)
        with without_main(), _children_allowed():
            self._process.start()
        far_end.close()
        if self._pipe.poll(START_S):
            with contextlib.suppress(EOFError, OSError):
                self._pipe.recv()
                return
        self.close()
        raise RuntimeError("the process that reads files did not start")

    def _wait(self, limits: Limits) -> None:
        """Wait for an answer; raise where the process takes more than it may."""
        assert self._pipe is not None  # noqa: S101 - as above
        began = time.monotonic()
        watched = psutil.Process(self._process.pid)
        with contextlib.suppress(psutil.NoSuchProcess):
            used_before = _processor_s(watched)
            while not self._pipe.poll(LOOK_S):
                if not self._process.is_alive() and not self._pipe.poll(0.0):
                    raise EOFError
                if watched.memory_info().rss > limits.memory_mb * 1e6:
                    raise UnreadableError("too much memory", most_mb=limits.memory_mb)
                if (
                    _processor_s(watched) - used_before > limits.processor_s
                    or time.monotonic() - began > limits.clock_s
                ):
                    raise UnreadableError("takes too long", most_s=limits.processor_s)


@contextlib.contextmanager
def without_main() -> Iterator[None]:
    """Keep a new process from running this one's main program again: it calls modules only."""
    main = sys.modules["__main__"]
    sys.modules["__main__"] = types.ModuleType("__main__")
    try:
        yield
    finally:
        sys.modules["__main__"] = main


@contextlib.contextmanager
def _children_allowed() -> Iterator[None]:
    """Let a cluster's worker start a process, which Python forbids: ours ends with its starter."""
    told = multiprocessing.current_process()._config  # type: ignore[attr-defined]
    is_daemon = told.pop("daemon", None)
    try:
        yield
    finally:
        if is_daemon is not None:
            told["daemon"] = is_daemon


@contextlib.contextmanager
def worker(ready: Callable[[], None] | None = None) -> Iterator[Worker]:
    """Give a worker that ends with the block."""
    made = Worker(ready)
    try:
        yield made
    finally:
        made.close()


def call_on(
    path: Path, called_by: Worker, function: Callable[..., Result], *arguments: Any
) -> Result:
    """Return what a function makes of a file, where it can do no harm.

    Small plain text is read here, in bounded time and memory; all else by the worker.
    """
    if formats.is_small_text(path):
        return function(*arguments)
    return called_by.call(Limits.for_bytes(path.stat().st_size), function, *arguments)


def _processor_s(process: psutil.Process) -> float:
    used = process.cpu_times()
    return used.user + used.system


def stand_apart() -> None:
    """Make this process one that reads foreign bytes: it ends with its parent and is silent."""
    threading.Thread(target=_end_with_parent, daemon=True).start()
    with contextlib.suppress(psutil.Error, OSError):
        psutil.Process().nice(BEHIND)
    # Libraries print what a broken file made of them; the reason is told by whoever called.
    with Path(os.devnull).open("wb") as silence:
        for told in (1, 2):
            os.dup2(silence.fileno(), told)


def _serve(pipe: Connection, ready: Callable[[], None] | None) -> None:
    """Answer calls until the other end is gone."""
    stand_apart()
    if ready is not None:
        ready()
    pipe.send("ready")
    while True:
        try:
            limits, function, arguments = pipe.recv()
        except (EOFError, OSError):
            return
        _limit_processor(limits)
        try:
            answer = (True, function(*arguments))
        except Exception as error:  # noqa: BLE001 - told where the function was called
            answer = (False, error)
        try:
            pipe.send(answer)
        except (BrokenPipeError, ConnectionError):
            return


def _limit_processor(limits: Limits) -> None:
    """Let the system end an endless loop whose parent is gone, where the system can."""
    with contextlib.suppress(ImportError, ValueError, OSError):
        import resource

        used = int(_processor_s(psutil.Process()) + limits.processor_s)
        _, most = resource.getrlimit(resource.RLIMIT_CPU)
        resource.setrlimit(resource.RLIMIT_CPU, (used + 10, most))


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        wait([parent.sentinel])
        os._exit(1)
