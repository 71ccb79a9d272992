"""The forms to sign in and out, and who a request comes from.

Each form carries a random word that a cookie of this server must carry too: a page of another site
can send neither (CSRF). A wrong name and a wrong password are answered alike.
"""

from __future__ import annotations

import asyncio
import hashlib
import html
import ipaddress
import os
import secrets
from collections.abc import Iterable
from pathlib import Path
from string import Template
from urllib.parse import parse_qs, quote, urlencode

import anyio.to_thread
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from flows.kept_json import NotPrivateError
from flows.people import LONGEST_PASSWORD, People, Person, hash_of_nobody, key_of
from flows.signed_in import SignedIn
from flows.tries import Tries
from schemas.network import Network
from warehouse.shop import ShopFolder

SIGN_IN, SIGN_OUT = "/sign-in", "/sign-out"
MOST_FORM_BYTES = 8 * LONGEST_PASSWORD
LONGEST_FORM_S = 10.0
HASHES_AT_ONCE, MOST_WAITING = 2, 16
"""A hash takes 64 MiB; who comes when so many wait is told to come again."""
FREE_BY_NAME, LONGEST_BY_NAME_S = 5, 60.0
"""Short, so that a stranger who tries a name does not lock its owner out for long."""
FREE_BY_ADDRESS, LONGEST_BY_ADDRESS_S = 20, 300.0
"""More: a whole shop may come from one address."""

_PAGE = Template(Path(__file__).with_name("sign_in_page.html").read_text(encoding="utf-8"))
_FORM = Template("""$told
<form method="post" action="$action">
<input type="hidden" name="form" value="$word">
<label for="name">Name</label>
<input id="name" name="name" value="$name" required autocomplete="username" maxlength="60">
<label for="password">Password</label>
<input id="password" name="password" type="password" required autocomplete="current-password">
<button type="submit">Sign in</button>
</form>
<p>No password yet, or forgotten? Whoever keeps this shop's computer gives you one.</p>""")
_OUT = Template("""<p>You are signed in as $name.</p>
<form method="post" action="$action"><input type="hidden" name="form" value="$word">
<button type="submit">Sign out</button></form><p><a href="/">Back to the pages</a></p>""")


class SignIn:
    """Signs people of one shop in and out, and knows them again."""

    def __init__(self, shop: ShopFolder, network: Network) -> None:
        self._people = People(shop)
        self._signed_in = SignedIn(shop.signed_in, self._people, network.hours)
        self._is_secure = network.https
        # A browser takes such a name only from a secure server, for it alone and all of its pages.
        prefix = "__Host-" if network.https else ""
        # Browsers keep cookies by host, not by port: two shops of one host must not share a name.
        self._cookie = f"{prefix}rollbook-{mark_of(shop)}"
        self._form_cookie = f"{self._cookie}-form"
        self._lasts_s = int(network.hours * 3600)
        self._by_name = Tries(FREE_BY_NAME, LONGEST_BY_NAME_S)
        self._by_address = Tries(FREE_BY_ADDRESS, LONGEST_BY_ADDRESS_S)
        self._hashes = anyio.CapacityLimiter(HASHES_AT_ONCE)
        hash_of_nobody()  # now, or the first unknown name would take longer than a known one

    def routes(self) -> list[Route]:
        """Return what the pages' server answers before anybody is signed in."""
        return [
            Route(SIGN_IN, self._show_form, methods=["GET"]),
            Route(SIGN_IN, self._sign_in, methods=["POST"]),
            Route(SIGN_OUT, self._show_way_out, methods=["GET"]),
            Route(SIGN_OUT, self._sign_out, methods=["POST"]),
        ]

    def token_in(self, cookies: Iterable[str]) -> str:
        """Return what a browser shows in its cookies, "" where it shows nothing or two things."""
        return _only(cookies, self._cookie)

    def person_of(self, token: str) -> Person | None:
        """Return whose sign-in a token is, None if nobody's; nobody's too if the files are odd."""
        try:
            return self._signed_in.person_of(token) if token else None
        except (NotPrivateError, OSError):
            return None

    def _person(self, request: Request) -> Person | None:
        return self.person_of(self.token_in(request.headers.getlist("cookie")))

    async def _show_form(self, request: Request) -> Response:
        to = way_back(request.query_params.get("to", ""))
        if self._person(request):
            return RedirectResponse(to, 303)
        return self._form(request, to)

    async def _sign_in(self, request: Request) -> Response:
        to = way_back(request.query_params.get("to", ""))
        sent = await self._sent(request)
        if isinstance(sent, Response):
            return sent
        name, password = sent.get("name", ""), sent.get("password", "")
        keys = (self._by_name, key_of(name)[:60]), (self._by_address, _network_of(request))
        if wait := max(tries.wait_s(key) for tries, key in keys):
            said = f"Too many wrong tries. Wait {wait:.0f} seconds, then try again."
            answer = self._form(request, to, said, 429, name)
            answer.headers["retry-after"] = f"{wait:.0f}"
            return answer
        if self._hashes.statistics().tasks_waiting >= MOST_WAITING:
            return self._form(request, to, "Many sign in just now. Try again.", 503, name)
        for tries, key in keys:
            tries.count(key)
        try:
            person = await anyio.to_thread.run_sync(
                self._people.check, name, password, limiter=self._hashes
            )
            token = self._begin(request, person) if person else ""
        except (NotPrivateError, OSError):
            said = "Nobody can sign in: whoever keeps this shop's computer must look after it."
            return self._form(request, to, said, 503, name)
        if not token:
            return self._form(request, to, "Name or password is wrong.", 403, name)
        self._by_name.forget(key_of(name)[:60])
        self._by_address.take_back(_network_of(request))
        answer = RedirectResponse(to, 303)
        self._set(answer, self._cookie, token, self._lasts_s)
        self._set(answer, self._form_cookie, "", 0)
        return answer

    async def _show_way_out(self, request: Request) -> Response:
        person = self._person(request)
        if person is None:
            return RedirectResponse(SIGN_IN, 303)
        body = {"name": html.escape(person.name), "action": SIGN_OUT}
        return self._page(request, "Sign out", _OUT, body)

    async def _sign_out(self, request: Request) -> Response:
        sent = await self._sent(request)
        if isinstance(sent, Response):
            return sent
        try:
            self._end(request)
        except (NotPrivateError, OSError):
            return Response("You are still signed in: this could not be written. Try again.\n", 503)
        answer = RedirectResponse(SIGN_IN, 303)
        self._set(answer, self._cookie, "", 0)
        # What stands in this browser's memory of the pages goes with the sign-in.
        answer.headers["clear-site-data"] = '"cache"'
        return answer

    async def _sent(self, request: Request) -> dict[str, str] | Response:
        """Return the fields of a form of ours; else the answer to what is none."""
        if request.headers.get("content-type", "").split(";")[0] != (
            "application/x-www-form-urlencoded"
        ):
            return Response("Refused: this is no form of this server.\n", 415)
        try:
            body = await asyncio.wait_for(_body(request), LONGEST_FORM_S)
        except (TimeoutError, ClientDisconnect):
            return Response("Refused: the form came too slowly.\n", 408)
        if body is None:
            return Response("Refused: the form is too long.\n", 413)
        try:
            found = parse_qs(body.decode(), keep_blank_values=True, max_num_fields=10)
        except ValueError:
            return Response("Refused: this is no form of this server.\n", 400)
        fields = {name: values[0] for name, values in found.items()}
        word = _only(request.headers.getlist("cookie"), self._form_cookie)
        if not word or not secrets.compare_digest(word.encode(), fields.get("form", "").encode()):
            to = way_back(request.query_params.get("to", ""))
            return self._form(request, to, "This form was old. Fill it in once more.", 403)
        return fields

    def _begin(self, request: Request, person: Person) -> str:
        # The sign-in of before would go on beside the new one.
        self._end(request)
        return self._signed_in.begin(person)

    def _end(self, request: Request) -> None:
        if token := self.token_in(request.headers.getlist("cookie")):
            self._signed_in.end(token)

    def _form(
        self, request: Request, to: str, told: str = "", status: int = 200, name: str = ""
    ) -> Response:
        body = {
            "told": f'<p class="told" role="alert">{html.escape(told)}</p>' if told else "",
            "action": html.escape(f"{SIGN_IN}?{urlencode({'to': to})}"),
            "name": html.escape(name[:60]),
        }
        return self._page(request, "Sign in", _FORM, body, status)

    def _page(
        self, request: Request, title: str, body: Template, given: dict[str, str], status: int = 200
    ) -> Response:
        """Return a page with a form in it, and the form's word as a cookie."""
        word = _only(request.headers.getlist("cookie"), self._form_cookie)
        fresh = word or secrets.token_urlsafe(32)
        answer = page(title, body.substitute(given, word=html.escape(fresh)), status)
        if not word:
            self._set(answer, self._form_cookie, fresh, None)
        return answer

    def _set(self, answer: Response, name: str, value: str, lasts_s: int | None) -> None:
        answer.set_cookie(
            name, value, max_age=lasts_s, httponly=True, secure=self._is_secure, samesite="strict"
        )


def mark_of(shop: ShopFolder) -> str:
    """Return what tells a shop from the others of a host, and nothing of where it lies."""
    return hashlib.sha256(os.fsencode(shop.root.resolve())).hexdigest()[:12]


def page(title: str, body: str, status: int, head: str = "") -> Response:
    """Return a page that loads nothing and stands in no frame."""
    nonce = secrets.token_urlsafe(16)
    text = _PAGE.substitute(title=title, body=body, nonce=nonce, head=head)
    policy = (
        f"default-src 'none'; style-src 'nonce-{nonce}'; form-action 'self'; base-uri 'none'; "
        "frame-ancestors 'none'"
    )
    headers = {
        "content-security-policy": policy,
        "cache-control": "no-store",
        "referrer-policy": "same-origin",
    }
    return HTMLResponse(text, status, headers)


def sign_in_first(path: str, query: str) -> Response:
    """Return the answer to a page that was asked for without a sign-in: it leads to the form.

    Not by a redirect: a browser that followed a link of another site shows its cookie only from
    the next page on, and who is signed in then goes straight back.
    """
    to = f"{SIGN_IN}?{urlencode({'to': f'{quote(path)}?{query}' if query else quote(path)})}"
    link = html.escape(to)
    return page(
        "Sign in first",
        f'<p><a href="{link}">Go to the sign-in</a></p>',
        403,
        f'<meta http-equiv="refresh" content="0; url={link}">\n',
    )


def way_back(to: str) -> str:
    """Return where to go after the sign-in: a page of this server and nowhere else.

    >>> way_back("/bike?bike=B-1"), way_back("//evil.example"), way_back("https://evil.example")
    ('/bike?bike=B-1', '/', '/')
    """
    is_ours = to.startswith("/") and not to.startswith(("//", SIGN_IN, SIGN_OUT))
    is_plain = to.isascii() and to.isprintable() and "\\" not in to
    return to if is_ours and is_plain else "/"


def _only(cookies: Iterable[str], name: str) -> str:
    """Return a cookie's value; "" where another site's page may have put a second one beside it."""
    pairs = (pair.partition("=") for line in cookies for pair in line.split(";"))
    found = [value.strip() for key, _, value in pairs if key.strip() == name]
    return found[0] if len(found) == 1 else ""


async def _body(request: Request) -> bytes | None:
    """Return a body, None as soon as it is too long."""
    body = b""
    async for chunk in request.stream():
        body += chunk
        if len(body) > MOST_FORM_BYTES:
            return None
    return body


def _network_of(request: Request) -> str:
    """Return where a request comes from: an address, of IPv6 the network that one person has."""
    host = request.client.host if request.client else ""
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return host
    if isinstance(address, ipaddress.IPv6Address):
        if address.ipv4_mapped:
            return str(address.ipv4_mapped)
        return str(ipaddress.ip_network((address, 64), strict=False))
    return host
