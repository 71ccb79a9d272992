"""Opens a shop: its folder, its settings, and the environment that flows run in."""

from __future__ import annotations

import contextlib
import json
import os
import secrets
from pathlib import Path

from flows.door import SIGN_IN_HEADER
from schemas.settings import ShopSettings, read_settings
from schemas.toml_text import MistakesError
from warehouse.shop import ShopFolder, is_private_file
from warehouse.whole_file import write_whole

NEW_SETTINGS = """\
# Settings of this shop. Every line may be left out; these are the defaults.

[shop]
name = "My shop"
# altitude_m = 310.0            # height above sea level: catches pressures reduced to sea level
timezone = "UTC"               # such as "Europe/Vienna"

[figures]
reference_air = "SAE J1349"    # or "ISO 1585", "ISO 4106"
bandwidth_rpm = 150.0

[mixture]
notice_pct = 5.0
warn_pct = 10.0
stop_pct = 15.0
target_full_throttle = 0.87
cruise_low = 0.94
cruise_high = 1.00
gauge_accuracy_pct = 1.0       # greatest error of the mixture gauge, of its reading

# A fuel of the shop's own: what it is made of, and targets that differ from those above.
# [[fuel]]
# name = "E10"                 # as cards name it
# ethanol_volume_share = 0.10  # or mass_shares = { gasoline = 0.8, methanol = 0.2 }
# target_full_throttle = 0.88

# The breakpoints of your fuel map, for suggested changes; for all maps, or of one map or model.
# [[map_axes]]
# map = "road"
# throttle_pct = [0, 5, 10, 20, 40, 70, 100]
# speed_rpm = [1500, 3000, 4500, 6000, 7500, 9000]
# step_pct = 0.5

[suggestion]                   # the most that a suggested fuel change asks for
most_enrichment_pct = 8.0
most_enleanment_pct = 5.0
most_total_pct = 20.0          # over all rounds of a job

[trust]                        # until the shop has measured its own
repeatability_share = 0.005
remount_share = 0.008

[show]
power = "kW"                   # kW, PS or hp
mixture = "lambda"             # or "afr", on the scale below
afr_scale = 14.7

[intake]
most_rejected_share = 0.05
settle_s = 2.0                 # a file written to just now must rest so long before it is read

[schedule]
intake_minutes = 5
"""


EXAMPLE_CARD = """\
# A job card: copy it into the job's folder in inbox/, beside the files, under the name card.toml.
job = "J-0001"                  # your own number of this job
received = 2026-03-14           # year-month-day, without quotes

[bike]
reference = "B-0001"            # your own number of the bike
make = "Corvane"
model = "Strada 690"
generation = [2016, 2019]       # first and last model year
year = 2017                     # may be left out, as may cylinders, induction, owner, control
displacement_cc = 690
cylinders = 1
induction = "natural"           # or "forced"
owner = "C-0204"                # a reference, never a name

[[stage]]                       # one for each state of the bike, in order
name = "as arrived"
map = "stock"
fuel = "E5"
pulls = ["run_01.csv", "run_02.csv", "run_03.csv"]

[[stage]]
name = "silencer fitted, remapped"
map = { name = "road", revision = 2, from = 1 }
fuel = "E5"
gear = 4                        # may be left out, as may tyre, dyno, mounting, target_lambda
suggestion_entered = true       # the fuel change suggested for the stage before was entered
# All parts fitted in this stage, not only the new ones. Categories: silencer, headers,
# full exhaust, catalyst removed, air filter, airbox, intake length, cams, compression,
# displacement, final drive, other.
parts = [
    { category = "silencer", maker = "Halden", name = "S2 slip-on" },
]
pulls = ["after_*.csv"]         # names or patterns
rides = ["ride.txt"]
"""


class NotAShopError(ValueError):
    """The folder is not a shop's."""


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


def init_shop(folder: Path) -> ShopFolder:
    """Make an empty shop; what stands there is left as it is."""
    shop = ShopFolder(folder.resolve())
    shop.make()
    if not shop.settings.exists():
        write_whole(shop.settings, NEW_SETTINGS)
    example = shop.root / "card-example.toml"
    if not example.exists():
        write_whole(example, EXAMPLE_CARD)
    return shop


SIGN_IN_VARIABLE = "ROLLBOOK_SIGN_IN"
"""Environment variable in which the sign-in travels; command lines can be read by others."""


def sign_in_of(shop: ShopFolder) -> str:
    """Return the shop's sign-in to its own scheduler; made once, readable by its owner only."""
    path = shop.sign_in
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
            # Sent to our door with each request and each websocket,
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
