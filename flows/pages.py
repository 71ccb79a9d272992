"""The dashboard's server behind the door: `python -m flows.pages SCRIPT PORT NETWORK`."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import streamlit as st
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import PlainTextResponse
from starlette.routing import Route

from flows.door import Door
from flows.early import Early
from flows.gate import HEALTH, Gate
from flows.serve import STATE_VARIABLE
from flows.sign_in import SignIn
from schemas.network import Network
from schemas.people import OPEN_VARIABLE
from warehouse.shop import ShopFolder


def main() -> None:
    """Serve the pages until told to end."""
    script, port, network = sys.argv[1], int(sys.argv[2]), Network.model_validate_json(sys.argv[3])
    shop = ShopFolder(Path(os.environ["ROLLBOOK_SHOP"]))
    # The pages' settings lie beside their script, and are looked for beside what was started.
    sys.argv = [script]
    # The page server believes any proxy on this machine by itself; here only the one named.
    os.environ["FORWARDED_ALLOW_IPS"] = network.proxy
    app = pages(script, shop, port, network)
    hosts = sorted({host.rsplit(":", 1)[0] for host in network.hosts(port)})
    app.run(
        config={
            "server.address": network.address,
            "server.port": port,
            "server.maxUploadSize": network.most_upload_mb,
            "server.allowedHosts": ["127.0.0.1", "localhost", *hosts],
        }
    )


def pages(script: str, shop: ShopFolder, port: int, network: Network) -> st.App:
    """Return the pages behind their door, and behind a gate where others may come."""

    async def health(request: Request) -> PlainTextResponse:  # noqa: ARG001
        if not shop.exists():
            return PlainTextResponse("no shop\n", 503)
        # Not 503: the pages answer, and a proxy that looks here must not take them away.
        return PlainTextResponse(f"partly\n{lacks}" if (lacks := not_up()) else "ok\n")

    routes = [Route(HEALTH, health, methods=["GET"])]
    middleware = [Middleware(Door, port=port, network=network)]
    if network.is_open:
        os.environ[OPEN_VARIABLE] = "1"
        sign_in = SignIn(shop, network)
        routes += sign_in.routes()
        middleware.append(Middleware(Gate, sign_in=sign_in, network=network))
    # Innermost: whoever is turned away is told of no file.
    middleware.append(Middleware(Early))
    return st.App(script, routes=routes, middleware=middleware)


def not_up() -> str:
    """Return what is served beside these pages and is not up, a line each."""
    if not (state := os.environ.get(STATE_VARIABLE)):
        return ""
    try:
        return Path(state).read_text(encoding="utf-8")
    except OSError:
        return ""


if __name__ == "__main__":
    main()
