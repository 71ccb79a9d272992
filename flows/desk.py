"""Answers what the pages ask: a process beside them that drafts, tries and updates.

It reads a line of JSON for each question and writes one for each answer (schemas/desk.py). Foreign
bytes are read by its worker, with limits; a worker that passes them is ended, and told.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from flows import apart, teach
from flows.cli import WAIT_S, told_of
from flows.readers.source import UnreadableError
from schemas.desk import (
    ASKED,
    WAITING,
    AskDraft,
    AskTrial,
    AskUpdate,
    Drafted,
    Failed,
    Step,
    Trial,
    Updated,
)
from warehouse.shop import ShopFolder, keep_to_owner

WARM = "warm"
"""The argument of a desk that is asked for drafts and trials: its worker is started at once."""
LEAST_TELLING_S = 0.1

Answer = Drafted | Trial | Step | Updated | Failed


def main() -> None:
    """Answer until the other end of the pipe is gone."""
    keep_to_owner()
    with os.fdopen(os.dup(1), "wb") as answers, Path(os.devnull).open("wb") as silence:
        # Libraries print; what they print is no answer.
        os.dup2(silence.fileno(), 1)

        def say(answer: Answer) -> None:
            answers.write(answer.model_dump_json().encode() + b"\n")
            answers.flush()

        with apart.worker(teach.ready) as worker:
            if sys.argv[1:] == [WARM]:
                worker.start()
            for line in sys.stdin.buffer:
                answer(ASKED.validate_json(line), worker, say)


def answer(
    asked: AskDraft | AskTrial | AskUpdate, worker: apart.Worker, say: Callable[[Answer], None]
) -> None:
    """Say what was asked for, or why it cannot be."""
    try:
        if isinstance(asked, AskUpdate):
            say(_updated(asked, say))
        elif isinstance(asked, AskDraft):
            say(_looked(worker, asked.file, teach.drafted, asked))
        else:
            say(_tried(asked, worker))
    except Exception as error:  # noqa: BLE001 - told, and where it is our fault kept in a log
        say(Failed(reason=told_of(error, asked.shop or Path())))


def _looked(worker: apart.Worker, file: Path, function: Callable[..., Any], asked: Any) -> Any:
    return worker.call(apart.Limits.for_bytes(file.stat().st_size), function, asked)


def _tried(asked: AskTrial, worker: apart.Worker) -> Trial:
    """Return a trial, with the files that wait in the shop and would be taken in with it."""
    try:
        trial = _looked(worker, asked.file, teach.trial, asked)
    except UnreadableError as error:  # it passed the limits: nothing more is known of it
        return Trial(trouble=f"{error}. {error.remedy}")
    if asked.shop is None or trial.tried is None:
        return trial
    layout = teach.layout_of(asked.layout)
    waiting = teach.waiting_files(ShopFolder(asked.shop), layout, worker)
    return trial.model_copy(update={"waiting": tuple(waiting)})


def _updated(asked: AskUpdate, say: Callable[[Answer], None]) -> Updated:
    """Take in, derive and publish, telling how far it is."""
    from flows.derive import derive
    from flows.intake import take_in
    from flows.publish import publish_snapshot
    from flows.settings import open_shop
    from flows.update import healing

    told_at: dict[str, float] = {}

    def tell(done: int, total: int, word: str) -> None:
        now = time.monotonic()
        if done >= total or now - told_at.get(word, 0.0) > LEAST_TELLING_S:
            told_at[word] = now
            say(Step(word=word, done=done, total=total))

    def work(connection: Any) -> Any:
        settle_s = settings.intake.settle_s
        take_in(connection, shop, settings, progress=tell, settle_s=settle_s)
        derived = derive(connection, shop, settings, progress=tell)
        return publish_snapshot(connection, shop, derived.contents)

    shop, settings = open_shop(asked.shop)
    say(Step(word=WAITING, total=1))
    snapshot = healing(shop, work, lambda _: None, wait_s=WAIT_S)
    return Updated(snapshot=snapshot.number)


if __name__ == "__main__":
    main()
