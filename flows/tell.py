"""Sends news to people by mail or chat, each once, where the settings name an address.

Sending never stops anything: what failed is said, and tried again after the next publish. A kill
between sending and remembering has it sent twice, which is better than not at all.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import logging
import shutil
from collections.abc import Iterable

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
NOT_INSTALLED = "news are not sent: `pip install rollbook[tell]` brings what sends them"


def tell_people(shop: ShopFolder, settings: ShopSettings, snapshot: Snapshot) -> str:
    """Send what is new since the last time; return what could not be done, '' if all was.

    The first time nothing is sent: what stood there before is no news.
    """
    if not settings.tell.urls:
        return ""
    kept = shop.warehouse / "told.json"
    wanted = dict(_worth_telling(shop, settings, snapshot))
    known: set[str] | None = None
    with contextlib.suppress(OSError, ValueError, TypeError):
        known = set(json.loads(kept.read_bytes()))
    fresh = [] if known is None else [said for key, said in wanted.items() if key not in known]
    if fresh and (failed := send(settings, fresh)):
        return failed
    if known is None or not wanted.keys() <= known:
        write_whole(kept, json.dumps(sorted(wanted.keys() | (known or set()))))
    return ""


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


def send(settings: ShopSettings, said: list[str]) -> str:
    """Send sentences as one message to each address; return what failed, without the addresses."""
    try:
        import apprise
    except ImportError:
        return NOT_INSTALLED
    # Its own words on a failure may quote an address.
    logging.getLogger("apprise").disabled = True
    lines = said[:AT_ONCE] + [f"and {len(said) - AT_ONCE} more"] * (len(said) > AT_ONCE)
    failed = 0
    for url in settings.tell.urls:
        place = apprise.Apprise()
        try:
            is_sent = place.add(url.get_secret_value()) and place.notify(
                "\n".join(lines), title=settings.shop.name, body_format=apprise.NotifyFormat.TEXT,
                timeout=WAIT_S,
            )  # fmt: skip
        except Exception:  # noqa: BLE001 - a library of a hundred services; nothing may stop
            is_sent = False
        failed += not is_sent
    if not failed:
        return ""
    of_all = wording.counted(len(settings.tell.urls), "address", "addresses")
    return f"news could not be sent to {failed} of {of_all} under [tell]; tried again later"
