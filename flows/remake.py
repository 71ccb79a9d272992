"""The shop of any day made again, from its archive, its ledger of arrivals and its journal."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterator
from pathlib import Path

from flows.backup_folder import BackupError, FileKept, Manifest, NotThoseBytesError
from flows.restore import Work
from flows.settings import open_shop
from flows.steps.ledger import LEDGER
from flows.steps.progress import Progress
from warehouse import acts
from warehouse.archived import GoneError, pieces
from warehouse.shop import SETTINGS_NAME, ShopFolder


def remake(folder: Path, target: Path, at: dt.datetime, progress: Progress) -> list[str]:
    """Make a shop's inbox, layouts, settings and archive as they stood; return what is lost.

    The figures are made by the next update. What was taken in and written down until then counts:
    a card that lay in the inbox and was not taken in yet is none. Raises BackupError if the journal
    does not reach back so far, or the folder holds anything.
    """
    shop = ShopFolder(folder.resolve())
    if not shop.exists():
        open_shop(folder)
    whole = acts.journal(shop)
    # Or the journal's last day: a clock may have been set back.
    came = [dt.datetime.fromisoformat(entry["at"]) for entry in acts.entries_of(whole)[0][-1:]]
    if at.date() > max(
        one.astimezone(at.tzinfo).date() for one in (dt.datetime.now(dt.UTC), *came)
    ):
        raise BackupError(f"{at.date()} has not come yet: copy the folder for the shop of now")
    if target.exists() and any(target.iterdir()):
        raise BackupError(
            f"{target} holds something, and nothing is written over: name a new folder"
        )
    if shop.root in target.resolve().parents:
        raise BackupError(f"{target} lies in the shop itself: name another folder")
    journal = _until(whole, ("at",), at)
    files = _standing(journal, at)
    if SETTINGS_NAME not in {file.path for file in files}:
        first = next(iter(acts.entries_of(acts.journal(shop))[0]), {"at": "the next update"})
        raise BackupError(
            f"the journal of acts begins at {first['at'][:16]}: which settings and layouts the "
            "shop had before, nobody wrote down"
        )
    arrivals = _until((shop.archive / LEDGER).read_bytes(), ("received_at", "taken_out_at"), at)
    manifest = Manifest(0, at, shop.root.name, [(LEDGER, 0)], files, [], [(acts.JOURNAL, 0)])
    made = ShopFolder(target.resolve())
    made.make()
    work = Work(_Archive(shop, {LEDGER: arrivals, acts.JOURNAL: journal}), made, progress)
    work.archive(manifest)
    for file in sorted(files, key=lambda file: file.path == SETTINGS_NAME):
        work.bring(file.sha256, file.path, file.modified_ns)
    return work.lost


class _Archive:
    """A shop's archive in the place of a folder of backups."""

    def __init__(self, shop: ShopFolder, ledgers: dict[str, bytes]) -> None:
        self._shop = shop
        self._ledgers = ledgers

    def pieces(self, sha256: str) -> Iterator[bytes]:
        """Yield the bytes of a hash. Raises NotThoseBytesError if they are gone or damaged."""
        try:
            yield from pieces(self._shop, sha256)
        except (GoneError, OSError):
            raise NotThoseBytesError(sha256) from None

    def ledger_of(self, pieces: list[tuple[str, int]]) -> tuple[bytes, list[str]]:
        """Return a ledger by its name."""
        return b"".join(self._ledgers[name] for name, _ in pieces), []


def _until(ledger: bytes, moments: tuple[str, ...], at: dt.datetime) -> bytes:
    """Return a ledger's lines up to the last one of a time.

    Their order counts before their clock: what stands before that line had happened.
    """
    lines = ledger.split(b"\n")[:-1]
    end = 0
    for place, line in enumerate(lines, start=1):
        try:
            entry = json.loads(line)
        except ValueError:
            continue
        written = next(entry[name] for name in moments if name in entry)
        if dt.datetime.fromisoformat(written) <= at:
            end = place
    return b"".join(line + b"\n" for line in lines[:end])


def _standing(journal: bytes, at: dt.datetime) -> list[FileKept]:
    """Return settings and layouts as they were last written down."""
    found: dict[str, str | None] = {}
    for entry in acts.entries_of(journal)[0]:
        if entry["about"] == SETTINGS_NAME or entry["about"].startswith("layouts/"):
            found[entry["about"]] = entry["after"]
    moment_ns = int(at.timestamp() * 1e9)
    return [FileKept(path, sha, moment_ns) for path, sha in found.items() if sha]
