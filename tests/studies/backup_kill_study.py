"""Kills backups at random moments, and holds every backup that was finished before to its shop.

    python -m tests.studies.backup_kill_study --kills 50 --seed 1

A shop grows between two rounds. In each round a backup runs in a process of its own and is killed
before a random one of the files that it opens, moves or deletes; every third is then run again to
its end. After each round the newest finished backups, and at the end all, are brought back and held
byte by byte against the shop of their day; last, all blobs are read back.
"""

import argparse
import datetime as dt
import hashlib
import multiprocessing
import os
import random
import shutil
import signal
import sys
import tempfile
from pathlib import Path
from typing import NamedTuple

from flows.backup import back_up, not_to_be_had, read_back
from flows.backup_folder import BackupFolder
from flows.restore import restore
from tests.conftest import LittleShop, pull_text
from tests.result_table import write_beside
from warehouse.shop import ShopFolder

LEFT_OUT = {"warehouse", "published", "refused"}
EVENTS = {"open", "os.rename", "os.remove", "os.mkdir"}
"""Audit events of Python that precede what changes a folder; a killed one was not carried out."""
FIRST_DAY = dt.datetime(2025, 6, 2, tzinfo=dt.UTC)


class Outcome(NamedTuple):
    """What came of all kills."""

    kills: int
    torn: int
    """Kills that struck before the backup's list was written."""
    finished: int
    lost: list[str]


def sums_of(root):
    """Return the hash of each file that a shop cannot make again."""
    return {
        path.relative_to(root).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in root.rglob("*")
        if path.is_file() and path.relative_to(root).parts[0] not in LEFT_OUT
    }


def run(root, to, now):
    """Back up, undisturbed."""
    back_up(ShopFolder(root), to, now, lambda *_: None)


def run_until(root, to, now, last, told):
    """Back up, counting what is done to files of shop and backup; killed just before the last."""
    done = 0

    def count(event, arguments):
        nonlocal done
        if event in EVENTS and str(arguments[0]).startswith((str(to), str(root))):
            done += 1
            if done == last:
                os.kill(os.getpid(), signal.SIGKILL)

    sys.addaudithook(count)
    run(root, to, now)
    told.put(done)


def in_a_process(root, to, now, last):
    """Return how much a backup did to its files; None if it was killed before its end."""
    context = multiprocessing.get_context("fork")
    told = context.SimpleQueue()
    process = context.Process(target=run_until, args=(root, to, now, last, told))
    process.start()
    process.join()
    return None if process.exitcode else told.get()


def lost_of(to, days, place, newest=0):
    """Return the finished backups, of the newest or of all, that do not give their day's shop."""
    lost = []
    folder = BackupFolder(to)
    for path in list(folder.numbers().values())[-newest:]:
        manifest = folder.read(path)
        if manifest is None:
            lost.append(f"{path.name}: list damaged")
            continue
        done = restore(to, place, manifest.made_at, lambda *_: None)
        if done.lost or done.manifest != manifest or sums_of(place) != days[manifest.made_at]:
            lost.append(f"{path.name}: {done.lost or 'other files'}")
        shutil.rmtree(place)
    return lost


def study(place, kills, seed):
    """Kill so many backups of a growing shop."""
    chance = random.Random(seed)
    shop, to = LittleShop(place / "shop"), place / "to"
    days, torn, lost = {}, 0, []
    shop.job(0)
    shop.take_in()
    for number in range(1, kills + 1):
        for pull in range(3):
            shop.put(f"job 0/more {number} {pull}.csv", pull_text(1 + number / 500 + pull / 5000))
        if number % 2:
            shop.take_in()
        now = FIRST_DAY + dt.timedelta(days=number)
        days[now] = sums_of(shop.folder.root)
        # The same backup into a copy tells how many moments there are to be killed at.
        shutil.copytree(to, place / "copy") if to.exists() else None
        moments = in_a_process(shop.folder.root, place / "copy", now, 0)
        shutil.rmtree(place / "copy")
        chosen = chance.randint(1, moments)
        finished = len(BackupFolder(to).numbers())
        if in_a_process(shop.folder.root, to, now, chosen) is not None:
            raise AssertionError(f"move {chosen} of {moments} was not reached")
        torn += len(BackupFolder(to).numbers()) == finished
        if number % 3 == 0:
            run(shop.folder.root, to, now)
        lost += lost_of(to, days, place / "back", newest=2)
    now = FIRST_DAY + dt.timedelta(days=kills + 1)
    days[now] = sums_of(shop.folder.root)
    run(shop.folder.root, to, now)
    lost += lost_of(to, days, place / "back")
    folder = BackupFolder(to)
    lost += [f"{count} blobs damaged" for count in [read_back(folder, lambda *_: None)] if count]
    return Outcome(kills, torn, len(folder.numbers()), lost + not_to_be_had(folder))


def main():
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--kills", type=int, default=50)
    asked.add_argument("--seed", type=int, default=1)
    given = asked.parse_args()
    with tempfile.TemporaryDirectory() as place:
        found = study(Path(place), given.kills, given.seed)
    text = (
        "| kills | of these before the list was written | backups finished | lost |\n"
        "| --- | --- | --- | --- |\n"
        f"| {found.kills} | {found.torn} | {found.finished} | {len(found.lost)} |"
    )
    print(text, *found.lost, sep="\n")
    write_beside(__file__, "Backups killed at a moment of their work", text)


if __name__ == "__main__":
    main()
