"""Who does units of work: this process, a pool of processes on all cores, or a Dask cluster.

A unit is a call of a module's function that rests on its arguments alone. Whoever does it, the
results are the same; gathering them in order is the caller's.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import (
    BrokenExecutor,
    CancelledError,
    Executor,
    Future,
    ProcessPoolExecutor,
)
from typing import Any, TypeVar

import psutil

from flows import apart
from schemas.settings import ShopSettings
from schemas.toml_text import MistakesError

Given = TypeVar("Given")
Result = TypeVar("Result")

LEAST_TO_READ = 16
"""With fewer a pool is not worth its start: a process loads for as long as it works at two."""
LEAST_TO_DERIVE = 4
"""The same of batches of a second, where the pool stays for the steps behind."""
MOST_AHEAD = 32
"""Units handed out before the first of them is fetched: payloads and results stand in memory."""
PROCESS_MB = 1000.0
"""What a unit may take at its peak."""
ONE_THREAD = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "POLARS_MAX_THREADS")
"""Processes that fill all cores need no threads beside them: those would only stand in each other's
way."""


@contextlib.contextmanager
def executor(settings: ShopSettings, work_units: int, least_units: int) -> Iterator[Executor]:
    """Give who does so many units of work best, by the settings."""
    processes = _processes(work_units)
    if settings.scale.scheduler:
        with _cluster(settings.scale.scheduler) as found:
            yield found
    elif work_units < least_units or processes == 1:
        yield _Here()
    else:
        with _threads_for_children("1"):
            pool = _Pool(processes)
            try:
                yield pool
            finally:
                pool.shutdown(cancel_futures=True)


class Spread(contextlib.ExitStack):
    """Maps functions over units of work, in order, for as long as it is entered.

    A pool starts with the first function that has enough units, and serves those after it.
    """

    def __init__(self, settings: ShopSettings) -> None:
        super().__init__()
        self._settings = settings
        self._workers: Executor | None = None

    def map(
        self, function: Callable[[Given], Result], givens: Iterable[Given], units: int
    ) -> Iterator[Result]:
        """Yield what a function gives for each of so many units; one alone is done here."""
        is_due = units >= LEAST_TO_DERIVE or self._settings.scale.scheduler
        if self._workers is None and units > 1 and is_due:
            self._workers = self.enter_context(executor(self._settings, units, LEAST_TO_DERIVE))
        if self._workers is None or units < 2:
            yield from map(function, givens)
            return
        waiting: deque[tuple[Given, Future[Result]]] = deque()
        for given in givens:
            waiting.append((given, self._asked(function, given)))
            if len(waiting) == MOST_AHEAD:
                yield self._answer(function, *waiting.popleft())
        while waiting:
            yield self._answer(function, *waiting.popleft())

    def _asked(self, function: Callable[[Given], Result], given: Given) -> Future[Result]:
        assert self._workers is not None  # noqa: S101 - found by map()
        try:
            return self._workers.submit(function, given)
        except Exception as error:
            if not is_crash(error):
                raise
            self._workers = _Here()
            return self._workers.submit(function, given)

    def _answer(
        self, function: Callable[[Given], Result], given: Given, asked: Future[Result]
    ) -> Result:
        """Return a result; where its process is gone, it and all that follows are done here."""
        try:
            return asked.result()
        except Exception as error:
            if not is_crash(error):
                raise
        self._workers = _Here()
        return function(given)


def is_crash(error: BaseException) -> bool:
    """Whether a unit of work did not fail, but whoever did it is gone."""
    # Dask's own error is told by its name: it must not be imported where nobody asked for it.
    # A cluster whose scheduler goes away cancels what it was asked; we ourselves cancel nothing.
    gone = isinstance(error, BrokenExecutor | CancelledError)
    return gone or type(error).__name__ == "KilledWorker"


def _processes(work_units: int) -> int:
    room = int(psutil.virtual_memory().available / 1e6 / PROCESS_MB)
    return max(1, min(os.cpu_count() or 1, work_units, room, 60))


class _Here(Executor):
    """Does the work in this process, when it is asked for."""

    def submit(  # type: ignore[override]
        self, function: Callable[..., Result], /, *arguments: Any
    ) -> Future[Result]:
        done: Future[Result] = _Asked(function, arguments)
        return done


class _Asked(Future[Result]):
    """Work that is done when its result is fetched: one result at a time stands in memory."""

    def __init__(self, function: Callable[..., Result], arguments: tuple[Any, ...]) -> None:
        super().__init__()
        self._work = (function, arguments)

    def result(self, timeout: float | None = None) -> Result:
        if not self.done():
            function, arguments = self._work
            try:
                self.set_result(function(*arguments))
            except BaseException as error:  # noqa: BLE001 - raised by the result
                self.set_exception(error)
        return super().result(timeout)


class _Pool(ProcessPoolExecutor):
    """Spawned processes: a forked copy of a process that has used polars hangs."""

    def __init__(self, processes: int) -> None:
        context = multiprocessing.get_context("spawn")
        super().__init__(processes, mp_context=context, initializer=apart.stand_apart)

    def submit(  # type: ignore[override]
        self, function: Callable[..., Result], /, *arguments: Any
    ) -> Future[Result]:
        with apart.without_main():  # processes start as work comes in
            return super().submit(function, *arguments)


@contextlib.contextmanager
def _threads_for_children(threads: str) -> Iterator[None]:
    """Tell processes that start meanwhile how many threads to use; this one has its own already."""
    before = {name: os.environ.get(name) for name in ONE_THREAD}
    os.environ.update(dict.fromkeys(ONE_THREAD, threads))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


@contextlib.contextmanager
def _cluster(address: str) -> Iterator[Executor]:
    """Give a Dask cluster's executor; its workers must see the shop under the same path."""
    try:
        from distributed import Client

        client = Client(address, timeout=30, set_as_default=False)
    except ImportError:
        raise _mistake(
            "the package that reaches it is missing: install rollbook[cluster]"
        ) from None
    except OSError:
        raise _mistake(f"nobody answers at {address}: start it there") from None
    with client, client.get_executor(pure=False) as found:
        yield found


def _mistake(told: str) -> MistakesError:
    remedy = "or take the line out, and this machine does the work alone"
    return MistakesError("rollbook.toml", [f"scale.scheduler: {told}, {remedy}"])
