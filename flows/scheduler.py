"""The scheduler's API behind the door: `python -m flows.scheduler PORT`, run by `rollbook serve`.

Its environment must be set before it starts (see flows/settings.py); the sign-in travels there.
"""

from __future__ import annotations

import datetime as dt
import functools
import os
import sqlite3
import sys
from contextlib import closing, suppress
from pathlib import Path

import uvicorn
from prefect.server.api import background_workers
from prefect.server.api.server import create_app

from flows.door import LOOPBACK, Door
from flows.settings import SIGN_IN_VARIABLE

LOOK_EVERY = dt.timedelta(seconds=5)
"""How often what is due inside the server is looked for: every quarter of a second by itself, which
costs more than all the rest of an idle shop."""

LEAST_FREED_BYTES = 16 * 1024 * 1024


def make_smaller(database: Path) -> None:
    """Give back the room of runs that were forgotten: SQLite keeps it until it is told to."""
    if not database.is_file():
        return
    # A database that is damaged or held open is the server's to tell of.
    with suppress(sqlite3.Error), closing(sqlite3.connect(database)) as opened:
        (free,) = opened.execute("PRAGMA freelist_count").fetchone()
        (page_bytes,) = opened.execute("PRAGMA page_size").fetchone()
        if free * page_bytes >= LEAST_FREED_BYTES:
            opened.execute("VACUUM")


def main() -> None:
    """Serve the API on loopback until told to end."""
    port = int(sys.argv[1])
    make_smaller(Path(os.environ["PREFECT_HOME"]) / "prefect.db")
    background_workers.Worker = functools.partial(  # pyrefly: ignore[bad-assignment]
        background_workers.Worker,
        minimum_check_interval=LOOK_EVERY,
        scheduling_resolution=LOOK_EVERY,
    )
    guarded = Door(create_app(final=True), port, os.environ[SIGN_IN_VARIABLE])
    uvicorn.run(
        guarded,
        host=LOOPBACK,
        port=port,
        proxy_headers=False,
        server_header=False,
        access_log=False,
        log_level="error",
    )


if __name__ == "__main__":
    main()
