"""What the terminal says of backups and restores."""

from __future__ import annotations

import datetime as dt
import time
from pathlib import Path
from typing import NamedTuple

from flows.backup import back_up, not_to_be_had, read_back
from flows.backup_folder import BackupFolder
from flows.restore import moment, restore
from flows.settings import open_shop
from flows.steps.progress import Progress
from warehouse import acts
from warehouse.acts import Act, at_terminal
from warehouse.shop import ShopFolder
from warehouse.wording import counted


class Told(NamedTuple):
    """What was done in a sentence, what is not in the backup, and what is lost."""

    done: str
    left_out: list[str]
    lost: list[str]


def run_backup(folder: Path, to: Path, progress: Progress, *, verify: bool) -> Told:
    """Make a backup and say what it holds; `verify` reads all back and copies damaged files anew.

    Raises what `back_up` raises, and NotAShopError.
    """
    started = time.monotonic()
    shop = ShopFolder(folder.resolve())
    if not shop.exists():
        open_shop(folder)  # says what is missing; mistakes in settings do not stop a backup
    done = back_up(shop, to, dt.datetime.now(dt.UTC), progress)
    kept = BackupFolder(to.resolve())
    acts.write(shop, [Act("backup made", str(to), at_terminal(), detail=done.manifest.name)])
    said = (
        f"Backup {done.manifest.number} in {to}: {counted(done.files, 'file')}, of these "
        f"{done.copied} new ({_size(done.copied_bytes)} compressed; "
        f"{time.monotonic() - started:.1f} s)."
    )
    lost = done.lost
    if verify:
        damaged = read_back(kept, progress)
        if damaged:
            again = back_up(shop, to, dt.datetime.now(dt.UTC), progress)
            lost = again.lost
        lost = [*lost, *not_to_be_had(kept)]
        said += f" All of it read back ({time.monotonic() - started:.1f} s)"
        said += f"; {damaged} damaged, copied anew where the shop has them." if damaged else "."
    if to.stat().st_dev == folder.stat().st_dev:
        said += " It lies on the shop's own disk: good against a slip, not against a dead disk."
    return Told(said, done.left_out, lost)


def run_restore(source: Path, folder: Path, at: str, progress: Progress) -> Told:
    """Bring a shop back and say what came.

    Raises what `restore` raises.
    """
    started = time.monotonic()
    done = restore(source, folder, moment(at), progress)
    when = done.manifest.made_at.astimezone()
    shop = ShopFolder(folder.resolve())
    acts.write(shop, [Act("shop restored", str(source), at_terminal(), done.manifest.name)])
    said = (
        f"Brought back into {folder}: {counted(done.files, 'file')} as of {when:%Y-%m-%d %H:%M} "
        f"(backup {done.manifest.number}, shop {done.manifest.shop}), each held against its hash "
        f"({time.monotonic() - started:.1f} s)."
    )
    return Told(said, [], done.lost)


def _size(count: int) -> str:
    return f"{count / 1e6:.1f} MB" if count >= 1e5 else f"{count / 1e3:.1f} kB"
