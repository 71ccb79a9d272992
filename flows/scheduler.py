"""The scheduler's API behind the door: `python -m flows.scheduler PORT`, run by `rollbook serve`.

Its environment must be set before it starts (see flows/settings.py); the sign-in travels there.
"""

from __future__ import annotations

import os
import sys

import uvicorn
from prefect.server.api.server import create_app

from flows.door import LOOPBACK, Door
from flows.settings import SIGN_IN_VARIABLE


def main() -> None:
    """Serve the API on loopback until told to end."""
    port = int(sys.argv[1])
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
