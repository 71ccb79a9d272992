"""Opens a shop: its folder, its settings, and the environment that flows run in."""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import os
import secrets
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from flows.door import SIGN_IN_HEADER
from schemas.settings import ShopSettings, changed_between, read_published, read_settings
from schemas.toml_text import MistakesError
from warehouse.shop import SETTINGS_NAME, ShopFolder, is_private_file
from warehouse.whole_file import write_whole

if TYPE_CHECKING:
    from warehouse.snapshot import Snapshot

NEW_SHOP = Path(__file__).parent / "new_shop"
"""What a new shop begins with: its settings and a job card to copy."""


class NotAShopError(ValueError):
    """The folder is not a shop's."""


def clock_of(shop: ShopFolder) -> dt.tzinfo | None:
    """Return the zone of the shop's days, as its pages tell them; None while settings are wrong."""
    try:
        return ZoneInfo(read_settings(shop.settings).shop.timezone)
    except (MistakesError, OSError):
        return None


def open_shop(folder: Path) -> tuple[ShopFolder, ShopSettings]:
    """Return a shop's folder and settings.

    Raises NotAShopError if there is no `rollbook.toml` in the folder. Raises MistakesError if it
    has mistakes.
    """
    shop = ShopFolder(folder.resolve())
    kept = shop.backups / shop.settings.name
    if not shop.exists() and kept.is_file():
        raise NotAShopError(f"{folder} has no {shop.settings.name} any more; copy {kept} there")
    if not shop.exists():
        raise NotAShopError(
            f"{folder} is not a shop's folder: it has no {shop.settings.name}; "
            f"make one with `rollbook init {folder}`"
        )
    try:
        return shop, read_settings(shop.settings)
    except MistakesError as error:
        if kept.is_file():
            error.mistakes.append(f"as it was at the last check without mistakes: {kept}")
        raise


def shown_settings(folder: Path, snapshot: Snapshot) -> tuple[ShopSettings, str]:
    """Return the settings that a snapshot was made with, and how the file differs from them now.

    Raises what open_shop raises where the snapshot is of a version that kept none.
    """
    # Databases are heavy to import; most commands open a shop without reading its snapshot.
    from warehouse.in_force import kept_settings, told_of_changes, told_of_mistakes
    from warehouse.snapshot import open_reader

    with open_reader(snapshot.path) as reader:
        kept = read_published(kept_settings(reader))
    try:
        _, now = open_shop(folder)
    except (NotAShopError, MistakesError) as error:
        if kept is None:
            raise
        return kept, told_of_mistakes(str(error).removeprefix(f"{SETTINGS_NAME}: "))
    return kept or now, told_of_changes(changed_between(kept or now, now))


def init_shop(folder: Path) -> ShopFolder:
    """Make an empty shop; what stands there is left as it is."""
    shop = ShopFolder(folder.resolve())
    shop.make()
    for pattern in sorted(NEW_SHOP.glob("*.toml")):
        if not (shop.root / pattern.name).exists():
            write_whole(shop.root / pattern.name, pattern.read_bytes())
    return shop


SIGN_IN_VARIABLE = "ROLLBOOK_SIGN_IN"
"""Environment variable in which the sign-in travels; command lines can be read by others."""


def sign_in_of(shop: ShopFolder) -> str:
    """Return the shop's sign-in to its own scheduler; made once, readable by its owner only."""
    return kept_secret(shop.sign_in)


def kept_secret(path: Path) -> str:
    """Return the secret that a file keeps; made once, readable by its owner only."""
    with contextlib.suppress(OSError, UnicodeDecodeError):
        # A file that others can read, or a link, is no secret: it is made anew.
        if is_private_file(path) and len(known := path.read_text(encoding="ascii")) == 64:
            return known
    fresh = secrets.token_hex(32)
    path.unlink(missing_ok=True)
    path.touch(mode=0o600, exist_ok=False)
    path.write_text(fresh, encoding="ascii")
    return fresh


_NOT_NEEDED = (
    "CANCELLATION_CLEANUP",
    "CLEANUP_RECONCILER",
    "FOREMAN",
    "LATE_RUNS",
    "PAUSE_EXPIRATIONS",
    "REPOSSESSOR",
    "TRIGGERS",
)
"""Services that watch over many workers, pauses and automations: there is one worker, no other."""


def prefect_environment(
    shop: ShopFolder, server_port: int, sign_in: str | None = None
) -> dict[str, str]:
    """Return what must stand in the environment before Prefect is imported.

    Nothing leaves this machine, everything lies inside the shop's folder, and with a sign-in no
    one else is answered.
    """
    environment = {
        "DO_NOT_TRACK": "1",
        "PREFECT_HOME": str(shop.prefect),
        "PREFECT_API_URL": f"http://127.0.0.1:{server_port}/api",
        "PREFECT_SERVER_UI_ENABLED": "false",
        "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
        "PREFECT_TELEMETRY_ENABLE_RESOURCE_METRICS": "false",
        "PREFECT_SERVER_EPHEMERAL_STARTUP_TIMEOUT_SECONDS": "120",
        "PREFECT_SERVER_LOGGING_LEVEL": "CRITICAL",
        "PREFECT_LOGGING_LEVEL": "WARNING",
        # Old runs are deleted; by default they are kept for ever.
        "PREFECT_SERVER_SERVICES_DB_VACUUM_ENABLED": "events,flow_runs",
        **{f"PREFECT_SERVER_SERVICES_{name}_ENABLED": "false" for name in _NOT_NEEDED},
        "PREFECT_SERVER_SERVICES_SCHEDULER_RECENT_DEPLOYMENTS_LOOP_SECONDS": "60",
        **child_environment(),
    }
    if sign_in is not None:
        environment |= {
            SIGN_IN_VARIABLE: sign_in,
            # Sent to our sign-in check with each request and each websocket,
            "PREFECT_CLIENT_CUSTOM_HEADERS": json.dumps({SIGN_IN_HEADER: sign_in}),
            # and behind it once more to Prefect's own checks.
            "PREFECT_API_AUTH_STRING": f"rollbook:{sign_in}",
            "PREFECT_SERVER_API_AUTH_STRING": f"rollbook:{sign_in}",
            "PREFECT_SERVER_CSRF_PROTECTION_ENABLED": "true",
            "PREFECT_CLIENT_CSRF_SUPPORT_ENABLED": "true",
            "PREFECT_SERVER_CORS_ALLOWED_ORIGINS": f"http://127.0.0.1:{server_port}",
        }
    return environment


def child_environment() -> dict[str, str]:
    """Return what every process that a shop's commands start needs in its environment."""
    return {
        "PYTHONUTF8": "1",
        # Else Python would import a file of the folder it is started in, such as the inbox.
        "PYTHONSAFEPATH": "1",
        # What is said on loopback never goes by way of a proxy.
        **{
            name: ",".join(filter(None, (os.environ.get(name), "127.0.0.1", "localhost")))
            for name in ("NO_PROXY", "no_proxy")
        },
    }
