"""The gate behind the door: who is there, and may they ask for this, before anything answers.

What is not named here is refused: a new version of the page server may bring new ways in.
"""

from __future__ import annotations

from urllib.parse import quote

from starlette.responses import PlainTextResponse, Response

from flows.door import Application, Message, Receive, Send
from flows.people import Person
from flows.sign_in import SIGN_IN, SIGN_OUT, SignIn, sign_in_first
from flows.tries import Allowance
from schemas.network import Network
from schemas.people import PERSON_HEADER, ROLE_HEADER, may

HEALTH = "/health"
FOR_ALL = (HEALTH, SIGN_IN, SIGN_OUT)
STREAM = "/_stcore/stream"
UPLOAD = "/_stcore/upload_file/"
_INSIDE = ("/_stcore/health", "/_stcore/host-config", "/_stcore/bidi-components/")
_FILES = ("/_stcore/", "/static/", "/media/", "/component/")
_KEPT_BY_BROWSERS = ("/static/", "/component/")


class Gate:
    """Stands between the door and the pages where these are open to the network."""

    def __init__(self, application: Application, sign_in: SignIn, network: Network) -> None:
        self._application = application
        self._sign_in = sign_in
        self._allowance = Allowance(network.uploads_an_hour, network.upload_mb_an_hour)

    async def __call__(self, scope: Message, receive: Receive, send: Send) -> None:
        """Let a request through as its person, or refuse it."""
        if scope["type"] == "lifespan" or (scope["type"] == "http" and scope["path"] in FOR_ALL):
            await self._application(scope, receive, send)
            return
        cookies = [value.decode("latin-1") for name, value in scope["headers"] if name == b"cookie"]
        token = self._sign_in.token_in(cookies)
        person = self._sign_in.person_of(token)
        answer = _stranger(scope) if person is None else self._refusal(scope, person)
        if person is not None and answer is None:
            scope = {**scope, "headers": [*scope["headers"], *_told(person)]}
            await self._let_through(scope, receive, send, token, person)
        elif scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008})  # the server answers 403
        elif answer is not None:
            await answer(scope, receive, send)

    def _refusal(self, scope: Message, person: Person) -> Response | None:
        """Return the answer to what a person may not ask for."""
        path = scope["path"]
        if scope["type"] == "websocket":
            return None if path == STREAM else _refused("there is nothing here", 404)
        if path.startswith(UPLOAD):
            return self._refused_upload(scope, person)
        if scope["method"] not in ("GET", "HEAD"):
            return _refused("pages are read here, nothing else", 405)
        if path.startswith("/_stcore") and not path.startswith(_INSIDE):
            return _refused("there is nothing here", 404)
        return None

    def _refused_upload(self, scope: Message, person: Person) -> Response | None:
        if not may(person.role, "add"):
            return _refused("your sign-in may look and not add", 403)
        if scope["method"] == "DELETE":
            return None
        if scope["method"] != "PUT":
            return _refused("files are put here, nothing else", 405)
        sizes = [value for name, value in scope["headers"] if name == b"content-length"]
        if len(sizes) != 1 or not sizes[0].isdigit():
            return _refused("the file does not say how long it is", 411)
        if not self._allowance.takes(person.name, int(sizes[0])):
            return _refused("so much may not come from one person within an hour", 429)
        return None

    async def _let_through(
        self, scope: Message, receive: Receive, send: Send, token: str, person: Person
    ) -> None:
        """Pass on; a page that stays open is closed once its sign-in ends."""
        has_ended = False

        async def still() -> bool:
            nonlocal has_ended
            if not has_ended and self._sign_in.person_of(token) != person:
                has_ended = True
                await send({"type": "websocket.close", "code": 1008})
            return not has_ended

        async def hear() -> Message:
            message = await receive()
            if message["type"] == "websocket.receive" and not await still():
                return {"type": "websocket.disconnect", "code": 1008}
            return message

        async def say(message: Message) -> None:
            if message["type"] == "http.response.start" and not scope["path"].startswith(
                _KEPT_BY_BROWSERS
            ):
                # What a browser kept would be read by the next person at it.
                rest = [pair for pair in message["headers"] if pair[0].lower() != b"cache-control"]
                message["headers"] = [*rest, (b"cache-control", b"no-store")]
            if message["type"] != "websocket.send" or await still():
                await send(message)

        await self._application(scope, hear, say)


def _stranger(scope: Message) -> Response | None:
    """Return the answer to somebody who is not signed in."""
    path = scope["path"]
    is_page = scope["type"] == "http" and scope["method"] in ("GET", "HEAD")
    if is_page and not path.startswith(_FILES):
        return sign_in_first(path, scope.get("query_string", b"").decode("latin-1"))
    return _refused("sign in first", 403)


def _refused(reason: str, status: int) -> Response:
    # The connection ends: what is still on its way is not read.
    return PlainTextResponse(f"Refused: {reason}.\n", status, {"connection": "close"})


def _told(person: Person) -> list[tuple[bytes, bytes]]:
    return [
        (PERSON_HEADER.encode(), quote(person.name).encode()),
        (ROLE_HEADER.encode(), person.role.encode()),
    ]
