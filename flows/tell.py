"""Sends news to people by mail or chat, each once, where the settings name an address.

Sending never stops anything: what failed is said, and tried again after the next publish. A kill
between sending and remembering has it sent twice, which is better than not at all.
"""

from __future__ import annotations

import datetime as dt
import importlib.util
import json
import logging
import shutil
from collections.abc import Iterable, Sequence
from pathlib import Path

from flows.apart import Limits, Worker, worker
from flows.readers.source import UnreadableError
from flows.steps.refresh import short_hash
from schemas.settings import ShopSettings
from warehouse import disk, wording
from warehouse.questions import ask
from warehouse.shop import ShopFolder
from warehouse.snapshot import Snapshot, open_reader
from warehouse.whole_file import write_whole

KINDS = {"left lean": "stop", "left perhaps lean": "stop", "logger": "logger"}
"""What each kind of news counts as in the settings."""
AT_ONCE = 10
"""So many are sent in one message; the pages show all."""
WAIT_S = 20.0
LIMITS = Limits(memory_mb=600.0, processor_s=WAIT_S, clock_s=2 * WAIT_S)
"""Of sending to one address: what answers there may never end."""
NOT_INSTALLED = "news are not sent: `pip install rollbook[tell]` brings what sends them"


def tell_people(shop: ShopFolder, settings: ShopSettings, snapshot: Snapshot) -> str:
    """Send what is new since the last time; return what could not be done, '' if all was.

    The first time nothing is sent: what stood there before is no news.
    """
    if not settings.tell.urls:
        return ""
    kept = shop.warehouse / "told.json"
    wanted = dict(_worth_telling(shop, settings, snapshot))
    urls = {short_hash(url): url for one in settings.tell.urls if (url := one.get_secret_value())}
    before = _known(kept, urls)
    # An address that is new, or corrected, hears what nobody was told yet.
    anyone = set().union(*before.values()) if before else set(wanted)
    known = {mark: before.get(mark, anyone) for mark in urls}
    failed, told = 0, {}
    with worker() as apart:
        for mark, url in urls.items():
            fresh = [said for key, said in wanted.items() if key not in known[mark]]
            if fresh and importlib.util.find_spec("apprise") is None:
                return NOT_INSTALLED
            is_told = not fresh or _is_sent(apart, url, settings.shop.name, fresh)
            failed += not is_told
            told[mark] = known[mark] | wanted.keys() if is_told else known[mark]
    if told != before:
        write_whole(kept, json.dumps({mark: sorted(keys) for mark, keys in told.items()}))
    if not failed:
        return ""
    of_all = wording.counted(len(urls), "address", "addresses")
    return f"news could not be sent to {failed} of {of_all} under [tell]; tried again later"


def _known(kept: Path, marks: Iterable[str]) -> dict[str, set[str]]:
    """Return what each address was told; nothing is known of an address that is new."""
    try:
        told = json.loads(kept.read_bytes())
        # As it was kept before there was a list for each address.
        told = dict.fromkeys(marks, told) if isinstance(told, list) else told
        return {mark: set(keys) for mark, keys in told.items()}
    except (OSError, ValueError, TypeError, AttributeError):
        return {}


def _worth_telling(
    shop: ShopFolder, settings: ShopSettings, snapshot: Snapshot
) -> Iterable[tuple[str, str]]:
    """Yield what could be told, each with a key that stays the same."""
    what, today = settings.tell.what, dt.datetime.now(dt.UTC).date()
    with open_reader(snapshot.path) as reader:
        for news in ask(reader, "news", day=today).iter_rows(named=True):
            if KINDS.get(news["news_kind"]) in what and not news["is_over"]:
                yield news["news_id"], news["sentence"]
        if "waits" in what:
            for file in ask(reader, "files_in_need").iter_rows(named=True):
                name = f"{file['job_folder']}/{file['file_name']}"
                yield f"waits {name}", f"{name} is {file['state']}: {file['reason']}"
        if "disk" in what:
            days = ask(reader, "bytes_by_day").rows()
            free = shutil.disk_usage(shop.root).free
            if told := disk.forecast(free, days, today):
                # Once a month: the day moves with every file.
                yield f"disk {today:%Y-%m}", told


def _is_sent(apart: Worker, url: str, title: str, said: Sequence[str]) -> bool:
    """Send sentences as one message to one address, apart: its answer may be endless."""
    lines = [*said[:AT_ONCE], *[f"and {len(said) - AT_ONCE} more"] * (len(said) > AT_ONCE)]
    try:
        return apart.call(LIMITS, send, url, title, "\n".join(lines))
    except (UnreadableError, RuntimeError, OSError):  # a limit, or no process to send from
        return False


def send(url: str, title: str, text: str) -> bool:
    """Send a message to an address; whether it went out. Runs apart."""
    import apprise

    # Its own words on a failure may quote an address.
    logging.getLogger("apprise").disabled = True
    place = apprise.Apprise()
    try:
        return bool(
            place.add(url)
            and place.notify(
                text, title=title, body_format=apprise.NotifyFormat.TEXT, timeout=WAIT_S
            )
        )
    except Exception:  # noqa: BLE001 - a library of a hundred services; nothing may stop
        return False
