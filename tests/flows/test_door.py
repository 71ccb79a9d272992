"""The door: who is let in and who is not, request by request, without any server."""

import asyncio

import pytest

from flows.door import SIGN_IN_HEADER, Door

PORT = 8501
SIGN_IN = "f" * 64
HERE = f"127.0.0.1:{PORT}"


def knock(door_for, kind="http", method="GET", **headers):
    """Return the status that a request gets; 200 or 101 from the application itself."""
    door_headers = [
        (name.replace("_", "-").encode(), value.encode())
        for name, values in headers.items()
        for value in ([values] if isinstance(values, str) else values)
    ]
    scope = {"type": kind, "method": method, "path": "/", "headers": door_headers}
    said = []

    async def application(scope, receive, send):
        if kind == "websocket":
            await send({"type": "websocket.accept"})
        else:
            await send({"type": "http.response.start", "status": 200, "headers": []})

    async def send(message):
        said.append(message)

    asyncio.run(door_for(application)(scope, None, send))
    first = said[0]
    status = {"websocket.accept": 101, "websocket.close": 403}.get(first["type"])
    return status or first["status"], dict(first.get("headers", []))


def pages(application):
    return Door(application, PORT)


def api(application):
    return Door(application, PORT, SIGN_IN)


FROM_HERE = {"host": HERE, "origin": f"http://{HERE}", "sec_fetch_site": "same-origin"}
LINK = {"host": HERE, "sec_fetch_mode": "navigate", "sec_fetch_site": "cross-site"}


@pytest.mark.parametrize(
    "headers",
    [
        pytest.param({"host": HERE}, id="a program"),
        pytest.param(FROM_HERE, id="a page of this server"),
        pytest.param({"host": f"LOCALHOST:{PORT}"}, id="the other name of this machine"),
        pytest.param({"host": HERE, "sec_fetch_site": "none"}, id="typed by a person"),
        pytest.param({**LINK, "sec_fetch_dest": "document"}, id="a link that was followed"),
    ],
)
def test_a_browser_of_this_machine_sees_the_pages(headers):
    assert knock(pages, **headers)[0] == 200


@pytest.mark.parametrize("kind", ["http", "websocket"])
@pytest.mark.parametrize(
    "headers",
    [
        pytest.param({}, id="no host"),
        pytest.param({"host": f"evil.example:{PORT}"}, id="a foreign name for this machine"),
        pytest.param({"host": "127.0.0.1"}, id="another port"),
        pytest.param({"host": f"127.0.0.1.evil.example:{PORT}"}, id="a name that begins alike"),
        pytest.param({"host": f"evil@{HERE}"}, id="a user before the host"),
        pytest.param({"host": [HERE, f"evil.example:{PORT}"]}, id="two hosts"),
        pytest.param({"host": HERE, "origin": "http://evil.example"}, id="a foreign page"),
        pytest.param({"host": HERE, "origin": "null"}, id="a page without origin"),
        pytest.param({"host": HERE, "origin": "http://127.0.0.1:9"}, id="a page on another port"),
        pytest.param({"host": HERE, "origin": f"https://{HERE}"}, id="another scheme"),
        pytest.param({"host": HERE, "sec_fetch_site": "cross-site"}, id="an image on a page"),
        pytest.param({**LINK, "sec_fetch_dest": "iframe"}, id="a frame on a page"),
        pytest.param({"host": HERE, "sec_fetch_site": "same-site"}, id="another port's image"),
    ],
)
def test_what_is_not_of_this_server_never_reaches_the_pages(kind, headers):
    assert knock(pages, kind, **headers)[0] == 403


def test_a_form_of_another_site_is_no_link():
    assert knock(pages, method="POST", **LINK, sec_fetch_dest="document")[0] == 403


def test_no_other_site_may_frame_the_pages():
    assert knock(pages, host=HERE)[1][b"content-security-policy"] == b"frame-ancestors 'self'"


@pytest.mark.parametrize("kind", ["http", "websocket"])
def test_the_scheduler_hears_only_programs_that_know_the_sign_in(kind):
    signed = {"host": HERE, SIGN_IN_HEADER: SIGN_IN}
    assert knock(api, kind, **signed)[0] in (200, 101)
    for wrong in (
        {"host": HERE},
        {"host": HERE, SIGN_IN_HEADER: "e" * 64},
        {"host": HERE, SIGN_IN_HEADER: ""},
        {"host": HERE, SIGN_IN_HEADER: "ü"},
        {**signed, "host": f"evil.example:{PORT}"},
        # A browser is not heard even where it knows the sign-in.
        {**signed, "origin": f"http://{HERE}"},
        {**signed, "sec_fetch_site": "same-origin"},
    ):
        assert knock(api, kind, **wrong)[0] == 403, wrong
