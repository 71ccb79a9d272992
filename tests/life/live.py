"""Lives many histories of a shop: `python -m tests.life.live --histories 10000`.

With `--faults` each fault is planted too, and the table is written; with `--true-kills` one beside.
A seed and a commit live the same histories again: both are printed when one fails.
"""

import argparse
import contextlib
import multiprocessing
import re
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path
from typing import NamedTuple

from hypothesis import HealthCheck, Phase, seed, settings
from hypothesis.stateful import get_state_machine_test

from tests.life import house, machine
from tests.life.faults import FAULTS
from tests.life.machine import Life
from tests.result_table import write_beside

HISTORIES, SEED = 200, 20250602
STEPS = 12
"""Acts of one history. An update costs 0.1 s, all else nearly nothing."""


class Lived(NamedTuple):
    """What came of some histories."""

    seed: int
    histories: int
    acts: int
    updates: int
    seconds: float
    """Of the processor."""
    broken: str
    """What the last of them found broken, "" for nothing."""


def live(histories: int, number: int, fault=None, killing=machine.killed_here) -> Lived:
    """Live so many histories, or until one breaks a promise; it is not made shorter, only told."""
    asked = settings(
        max_examples=histories, stateful_step_count=STEPS, phases=[Phase.generate], deadline=None,
        database=None, derandomize=False, suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    Life.lived = Life.acts = Life.all_updates = 0
    Life.wanted = histories
    machine.KILLING = killing
    began, broken = time.process_time(), ""
    for how in machine.BEGINNINGS:
        with house.small_house():
            machine.beginning(how)  # before anything is planted
    with house.small_house() as patch:
        if fault is not None:
            fault(patch)
        try:
            seed(number)(get_state_machine_test(Life, settings=asked))()
        except BaseException as error:
            if isinstance(error, KeyboardInterrupt):
                raise
            is_end = Life.lived > histories  # Hypothesis may have an error of its own to tell then
            broken = "" if is_end else told_of(error)
    lasted = time.process_time() - began
    return Lived(number, min(Life.lived, histories), Life.acts, Life.all_updates, lasted, broken)


def told_of(error: BaseException) -> str:
    """Return what was found broken, with the acts that led there."""
    first = str(error).splitlines()[0] if str(error) else type(error).__name__
    return "\n".join([first, *getattr(error, "__notes__", ())])


def promised(fault: Callable) -> str:
    """Return the numbers of the promises that a fault says it breaks, as a pattern."""
    return "|".join(re.findall(r"\d+", (fault.__doc__ or "").partition(":")[0]))


def replay(lived: Lived) -> str:
    """Say how these histories are lived again."""
    return f"{lived.broken}\n\nagain, at commit {commit()}: --life-seed {lived.seed}"


def commit() -> str:
    """Return which commit this is."""
    done = subprocess.run(
        ["git", "rev-parse", "--short", "HEAD"],  # noqa: S607
        cwd=Path(__file__).parent, capture_output=True, text=True, check=False,
    )  # fmt: skip
    return done.stdout.strip() or "unknown"


def table(sound: Lived, found: list[tuple[str, Lived]]) -> str:
    """Return what was lived and found, in Markdown."""
    lines = [
        f"{sound.histories} histories of up to {STEPS} acts, {sound.updates} updates, seed "
        f"{sound.seed}, {sound.seconds:.0f} s of processor: "
        + (f"broken: {sound.broken.splitlines()[0]}" if sound.broken else "no promise broken"),
    ]
    if found:
        lines += [
            "",
            "| fault planted: the promise that it breaks | found after histories | told as |",
            "| --- | --: | --- |",
        ]
    for told, lived in found:
        after = str(lived.histories) if lived.broken else f"not in {lived.histories}"
        said = lived.broken.splitlines()[0] if lived.broken else ""
        lines.append(f"| {told} | {after} | {said[:90].replace('|', '/')} |")
    return "\n".join(lines)


def main() -> None:
    """Run from the command line."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--histories", type=int, default=HISTORIES)
    asked.add_argument("--life-seed", type=int, default=SEED)
    asked.add_argument("--faults", action="store_true", help="plant each fault too")
    asked.add_argument("--true-kills", action="store_true", help="kill processes, not only updates")
    given = asked.parse_args()
    killing = machine.killed_apart if given.true_kills else machine.killed_here
    sound = live(given.histories, given.life_seed, killing=killing)
    if sound.broken:
        sys.exit(replay(sound))
    found = list(planted(given.life_seed)) if given.faults else []
    told = table(sound, found)
    print(told)
    with contextlib.suppress(OSError):
        if given.faults:
            write_beside(__file__, "A machine that lives a shop's life", told)
        elif given.true_kills:
            beside = str(Path(__file__).with_name("true_kills.py"))
            command = f"python -m tests.life.live --true-kills --histories {given.histories}"
            write_beside(beside, "A shop's life in which processes are killed", told, command)


def planted(number: int) -> Iterator[tuple[str, Lived]]:
    """Yield what came of each fault, planted in a process of its own: none outlives its turn."""
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(mp_context=spawn, max_tasks_per_child=1) as pool:
        begun = {pool.submit(live, HISTORIES, number, fault): fault for fault in FAULTS}
        for lived in as_completed(begun):
            print(begun[lived].__name__, *lived.result(), file=sys.stderr, flush=True)
        for lived, fault in begun.items():
            yield (fault.__doc__ or "").rstrip("."), lived.result()


if __name__ == "__main__":
    main()
