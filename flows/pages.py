"""The dashboard's server behind the door: `python -m flows.pages SCRIPT PORT`."""

from __future__ import annotations

import sys

import streamlit as st
from starlette.middleware import Middleware

from flows.door import LOOPBACK, Door


def main() -> None:
    """Serve the pages on loopback until told to end."""
    script, port = sys.argv[1], int(sys.argv[2])
    # The pages' settings lie beside their script, and are looked for beside what was started.
    sys.argv = [script]
    app = st.App(script, middleware=[Middleware(Door, port=port)])
    app.run(config={"server.address": LOOPBACK, "server.port": port})


if __name__ == "__main__":
    main()
