"""The door of both servers: what a browser elsewhere sends is refused before anything reads it.

A page of another site can make this machine's browser send requests here, and a name of its own
can be made to point here (DNS rebinding). So a request must name this machine as its host, and
what comes from a page must come from a page of this very server. A server for programs of ours
alone lets no page in at all, and asks each request for the shop's sign-in. Pages that are open to
the network have a gate behind the door, which asks who is there.
"""

from __future__ import annotations

import hmac
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any

from schemas.network import LOOPBACK, Network
from schemas.people import PERSON_HEADER, ROLE_HEADER

NAMES = (LOOPBACK, "localhost")
SIGN_IN_HEADER = "rollbook-sign-in"

Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
Application = Callable[[Message, Receive, Send], Awaitable[None]]

# Pages of other sites may neither frame ours, where a click could be led astray, nor embed files.
_FOR_BROWSERS = [
    (b"content-security-policy", b"frame-ancestors 'self'"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"x-content-type-options", b"nosniff"),
]


# Only our own server says who is there.
_OURS = {PERSON_HEADER.encode(), ROLE_HEADER.encode()}
_OF_PROXIES = {"forwarded", "via", "x-forwarded-for", "x-forwarded-host", "x-forwarded-proto",
               "x-real-ip"}  # fmt: skip


class Door:
    """Stands before an ASGI application on a port: of loopback, or as the settings open it."""

    def __init__(
        self,
        application: Application,
        port: int,
        sign_in: str | None = None,
        network: Network | None = None,
    ) -> None:
        self._application = application
        self._sign_in = sign_in
        self._hosts = {f"{name}:{port}" for name in NAMES}
        if port == 80:
            self._hosts |= set(NAMES)
        self._origins = {f"http://{host}" for host in self._hosts}
        self._is_open = network is not None and network.is_open
        if network is not None and network.is_open:
            elsewhere = network.hosts(port)
            self._hosts |= elsewhere
            scheme = "https" if network.https else "http"
            self._origins |= {f"{scheme}://{host}" for host in elsewhere}

    async def __call__(self, scope: Message, receive: Receive, send: Send) -> None:
        """Let a request in or refuse it."""
        if scope["type"] == "lifespan":
            await self._application(scope, receive, send)
            return
        headers: dict[str, list[str]] = {}
        for name, value in scope["headers"]:
            headers.setdefault(name.decode("latin-1").lower(), []).append(value.decode("latin-1"))
        reason = self.refusal(scope, headers)
        if reason is not None:
            await _refuse(scope["type"], reason, send)
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message.get("headers", ()), *_FOR_BROWSERS]
            await send(message)

        rest = [pair for pair in scope["headers"] if pair[0].lower() not in _OURS]
        await self._application({**scope, "headers": rest}, receive, send_guarded)

    def refusal(self, scope: Message, headers: dict[str, list[str]]) -> str | None:
        """Return why a request is refused, or None."""
        hosts = headers.get("host", [])
        if len(hosts) != 1 or hosts[0].lower() not in self._hosts:
            return "this server answers to its own address only"
        if not self._is_open and not _OF_PROXIES.isdisjoint(headers):
            # Whoever stands behind the proxy would be taken for somebody at this machine.
            return "this came by way of a proxy; name it under [network] in rollbook.toml"
        if self._sign_in is not None:
            return self._no_program_of_ours(headers)
        if any(origin.lower() not in self._origins for origin in headers.get("origin", [])):
            return "this page does not belong to this server"
        # Browsers say where a request comes from (W3C Fetch Metadata); other programs do not.
        sites = set(headers.get("sec-fetch-site", []))
        if not sites <= {"same-origin", "none"} and not _is_link(scope, headers):
            return "this request comes from another site"
        return None

    def _no_program_of_ours(self, headers: dict[str, list[str]]) -> str | None:
        assert self._sign_in is not None  # noqa: S101 asked for above
        if "origin" in headers or any(name.startswith("sec-fetch-") for name in headers):
            return "no browser is served here"
        shown = "".join(headers.get(SIGN_IN_HEADER, []))
        if not hmac.compare_digest(shown.encode(), self._sign_in.encode()):
            return "the shop's sign-in is missing"
        return None


def _is_link(scope: Message, headers: dict[str, list[str]]) -> bool:
    """Whether a person followed a link here: that opens a page and changes nothing."""
    return (
        scope.get("method") == "GET"
        and headers.get("sec-fetch-mode") == ["navigate"]
        and headers.get("sec-fetch-dest") == ["document"]
    )


async def _refuse(kind: str, reason: str, send: Send) -> None:
    if kind == "websocket":
        # Closed before it was accepted: the server answers 403.
        await send({"type": "websocket.close", "code": 1008, "reason": reason})
        return
    body = f"Refused: {reason}.\n".encode()
    headers = [
        (b"content-type", b"text/plain; charset=utf-8"),
        (b"content-length", str(len(body)).encode()),
        (b"connection", b"close"),
    ]
    await send({"type": "http.response.start", "status": 403, "headers": headers})
    await send({"type": "http.response.body", "body": body})
