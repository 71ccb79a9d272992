"""Pages that are open to the network: nothing answers before somebody signs in, and then by role.

Most of it is tried from outside, byte for byte, on the pages' real server, as an attacker would.
"""

import asyncio
import json
import os
import stat
import sys
from types import SimpleNamespace

import httpx
import pytest
from argon2 import extract_parameters
from argon2.profiles import RFC_9106_LOW_MEMORY
from starlette.applications import Starlette

from flows import people as people_file
from flows import sign_in as forms
from flows import tries as tries_of
from flows.door import Door
from flows.gate import Gate
from flows.kept_json import NotPrivateError
from flows.people import People, PeopleError
from flows.serve import ServingError, dashboard_command, where
from flows.settings import init_shop
from flows.sign_in import SignIn, mark_of, way_back
from schemas.network import Network
from schemas.toml_text import MistakesError
from tests import pictures as screenshots
from tests.conftest import command_line
from tests.flows.sign_in_routes import (
    FORGED_HEADERS,
    METHODS,
    NETWORK,
    PASSWORD,
    PATHS,
    SNEAKY,
    answers_to_strangers,
    ask,
    every_answer,
    is_let_in,
    make_old,
    no_good_cookies,
    raw,
    serving,
    status_of,
    upgrade,
)


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    with serving(tmp_path_factory.mktemp("open")) as running:
        yield running


def cookie_of(served, name):
    name_of_ours = f"rollbook-{mark_of(served.shop)}"
    return {"Cookie": f"{name_of_ours}={served.signed_in.begin(served.people.find(name))}"}


# A stranger


def test_no_way_in_answers_a_stranger(served):
    cookies = no_good_cookies(served)
    few = {name: cookies[name] for name in ("none", "expired")}
    found = [
        *answers_to_strangers(served, PATHS, ["GET", "PUT", "POST"], cookies=few),
        *answers_to_strangers(served, ["/", "/_stcore/host-config"], ["GET"], cookies=cookies),
        *answers_to_strangers(served, ["/", "/media/x"], METHODS, cookies={"none": {}}),
        *answers_to_strangers(served, SNEAKY, ["GET"], cookies={"none": {}}),
        *answers_to_strangers(served, ["/", "/_stcore/stream"], ["GET"], FORGED_HEADERS, {}),
    ]
    assert len(found) > 300
    assert [one for one in found if is_let_in(*one)] == []
    # The server is none the worse for it, and lets in whom it knows.
    assert ask(served.port, "GET", "/_stcore/host-config", **cookie_of(served, "Lena")) == 200


@pytest.mark.long
def test_no_way_in_answers_a_stranger_with_every_method_and_every_odd_path(served):
    assert [one for one in every_answer(served) if is_let_in(*one)] == []


def test_a_stranger_learns_that_the_server_is_well_and_nothing_else(served):
    assert raw(served.port, "GET", "/health").endswith(b"\r\n\r\nok\n")
    for path in ("/", "/bike", "/sign-in"):
        assert served.shop.root.name.encode() not in raw(served.port, "GET", path)
        assert b"Snapshot" not in raw(served.port, "GET", path)


@pytest.mark.parametrize("host", ["evil.example", "rollbook.test.evil.example", "rollbook.test:1"])
def test_another_name_for_this_machine_is_refused_also_with_a_sign_in(served, host):
    known = cookie_of(served, "Ruth")
    assert ask(served.port, "GET", "/", Host=host, **known) == 403
    assert ask(served.port, "GET", "/health", Host=host) == 403
    assert upgrade(served.port, Host=host, **known) == 403


def test_a_page_of_another_site_is_refused_also_in_the_browser_of_somebody_signed_in(served):
    known = cookie_of(served, "Ruth")
    for origin in ("http://evil.example", "null", "https://rollbook.test"):
        assert upgrade(served.port, Origin=origin, **known) == 403
        assert ask(served.port, "POST", "/sign-out", Origin=origin, **known) == 403
    assert upgrade(served.port, **known) == 101


# Roles


def opened(served, name):
    """Open a page as a browser does; return the socket, the session and the word of its forms."""
    from streamlit.proto.BackMsg_pb2 import BackMsg
    from streamlit.proto.ForwardMsg_pb2 import ForwardMsg
    from websockets.sync.client import connect

    cookie = cookie_of(served, name)["Cookie"]
    index = raw(served.port, "GET", "/_stcore/health", Cookie=cookie).decode("latin-1")
    words = [
        line.split("_streamlit_xsrf=")[1].split(";")[0]
        for line in index.splitlines()
        if "_streamlit_xsrf=" in line
    ]
    line = connect(
        f"ws://127.0.0.1:{served.port}/_stcore/stream",
        origin=f"http://127.0.0.1:{served.port}",
        additional_headers={"Cookie": cookie, "rollbook-role": "administer"},
        subprotocols=["streamlit"],
        max_size=None,
        proxy=None,
    )
    asked = BackMsg()
    asked.rerun_script.query_string = ""
    line.send(asked.SerializeToString())
    said, session = [], ""
    while True:
        message = ForwardMsg()
        message.ParseFromString(line.recv(timeout=30))
        said.append(str(message))
        session = session or message.new_session.initialize.session_id
        if message.WhichOneof("type") == "script_finished":
            break
    word = words[0] if words else ""
    return SimpleNamespace(
        line=line, session=session, asked=asked, said="".join(said), word=word, cookie=cookie
    )


def put(served, page, size=4):
    boundary = b'--b\r\nContent-Disposition: form-data; name="f"; filename="a.csv"\r\n\r\n'
    body = boundary + b"x" * size + b"\r\n--b--\r\n"
    cookies = f"{page.cookie}; _streamlit_xsrf={page.word}"
    sent = {
        "Cookie": cookies, "X-Xsrftoken": page.word, "Content-Length": str(len(body)),
        "Content-Type": "multipart/form-data; boundary=b",
    }  # fmt: skip
    path = f"/_stcore/upload_file/{page.session}/one"
    return status_of(raw(served.port, "PUT", path, body, **sent))


def test_who_may_add_drops_a_file_and_who_may_look_does_not(served):
    looking, adding = opened(served, "Lena"), opened(served, "Ada")
    with looking.line, adding.line:
        # The header that the first browser sent of itself is not believed.
        assert "Signed in as Lena, may look" in looking.said
        assert "Signed in as Ada, may add" in adding.said
        assert put(served, adding) == 204
        assert put(served, looking) == 403
        # Neither into somebody else's page.
        theirs = SimpleNamespace(**{**vars(looking), "session": adding.session})
        assert put(served, theirs) == 403
        for method in ("DELETE", "OPTIONS", "POST"):
            path = f"/_stcore/upload_file/{looking.session}/one"
            assert ask(served.port, method, path, Cookie=looking.cookie) == 403
        # A file above the settings' size, and one that does not say its size.
        assert put(served, adding, NETWORK.most_upload_mb * 1024 * 1024 + 1) == 413
        path = f"/_stcore/upload_file/{adding.session}/one"
        sent = {"Cookie": adding.cookie, "Transfer-Encoding": "chunked"}
        assert ask(served.port, "PUT", path, **sent) == 411
        # As many as an hour allows, and no more.
        found = [put(served, adding) for _ in range(NETWORK.uploads_an_hour)]
        assert found[-1] == 429
        assert found.count(204) == NETWORK.uploads_an_hour - 2


def _hear_to_the_end(line):
    for _ in range(100):
        line.recv(timeout=10)


@pytest.mark.parametrize(
    "way", ["sign-out", "hours", "another password", "another role", "removed"]
)
def test_an_open_page_closes_when_its_sign_in_ends(served, way):
    from websockets.exceptions import ConnectionClosed

    served.people.add("Bo", "look", PASSWORD)
    page = opened(served, "Bo")
    token = page.cookie.partition("=")[2]
    if way == "sign-out":
        served.signed_in.end(token)
    elif way == "hours":
        make_old(served, token)
    elif way == "another password":
        served.people.add("Bo", "look", PASSWORD + "8")
    elif way == "another role":
        served.people.add("Bo", "add", PASSWORD)
    else:
        served.people.remove("Bo")
    with page.line:
        page.line.send(page.asked.SerializeToString())
        with pytest.raises(ConnectionClosed):
            _hear_to_the_end(page.line)
        assert ask(served.port, "GET", "/", Cookie=page.cookie) == 403


def test_the_page_servers_own_inside_is_nobodys(served):
    known = cookie_of(served, "Ruth")
    for path in ("/_stcore/metrics", "/_stcore/agent/mcp", "/_stcore/script-health-check"):
        assert ask(served.port, "GET", path, **known) == 404
    for method in ("POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE"):
        assert ask(served.port, method, "/", **known) == 405
    assert upgrade(served.port, "/bike/_stcore/stream", **known) == 403


# The forms


@pytest.fixture
def shop(tmp_path):
    return init_shop(tmp_path)


class Browser:
    """Asks an application without a server and keeps its cookies."""

    def __init__(self, application, base):
        self._application, self._base, self.cookies = application, base, httpx.Cookies()

    def get(self, path, **more):
        return asyncio.run(self._ask("GET", path, more))

    def post(self, path, **more):
        return asyncio.run(self._ask("POST", path, more))

    async def _ask(self, method, path, more):
        asked = httpx.AsyncClient(
            transport=httpx.ASGITransport(self._application), base_url=self._base,
            cookies=None if "cookie" in (more.get("headers") or {}) else self.cookies,
        )  # fmt: skip
        async with asked:
            answer = await asked.request(method, path, **more)
            self.cookies.update(asked.cookies)
        return answer


@pytest.fixture
def site(shop, monkeypatch):
    """Return the forms with one person, at a clock that a test can put on."""
    clock = SimpleNamespace(now=1_000.0)
    monkeypatch.setattr(tries_of, "monotonic", lambda: clock.now)
    # Cheap hashes: what is tried here is what stands around them.
    monkeypatch.setattr(people_file, "_HASHER", people_file.PasswordHasher(1, 8, 1))
    people_file.hash_of_nobody.cache_clear()
    People(shop).add("Lena", "look", PASSWORD)
    network = Network(names=["rollbook.test"])
    sign_in = SignIn(shop, network)

    async def inside(scope, receive, send):
        await Starlette(routes=sign_in.routes())(scope, receive, send)

    async def door(scope, receive, send):
        gate = Gate(inside, sign_in, network)
        await Door(gate, 8501, network=network)(scope, receive, send)

    client = Browser(door, "http://rollbook.test:8501")
    cookie = f"rollbook-{mark_of(shop)}"
    yield SimpleNamespace(client=client, clock=clock, sign_in=sign_in, door=door, cookie=cookie)
    people_file.hash_of_nobody.cache_clear()


def fill_in(site, name="Lena", password=PASSWORD, to="/", **headers):
    word = site.client.get("/sign-in").text.split('name="form" value="')[1].split('"')[0]
    return site.client.post(
        "/sign-in", params={"to": to}, headers=headers,
        data={"form": word, "name": name, "password": password},
    )  # fmt: skip


def test_a_right_password_leads_back_to_the_page_that_was_asked_for(site):
    first = site.client.get("/bike?bike=B-0001")
    assert first.status_code == 403
    assert "url=/sign-in?to=%2Fbike%3Fbike%3DB-0001" in first.text
    answer = fill_in(site, to="/bike?bike=B-0001")
    assert (answer.status_code, answer.headers["location"]) == (303, "/bike?bike=B-0001")
    # By RFC 6265 and its successor's SameSite.
    told = next(c for c in answer.headers.get_list("set-cookie") if c.startswith(f"{site.cookie}="))
    assert {"HttpOnly", "SameSite=strict", "Path=/"} <= set(told.split("; "))
    assert site.client.get("/sign-in?to=/bike").headers["location"] == "/bike"


def test_behind_https_the_cookie_is_for_secure_pages_of_this_server_alone(shop):
    network = Network(names=["rollbook.test"], https=True)
    site = Browser(Starlette(routes=SignIn(shop, network).routes()), "https://rollbook.test")
    told = site.get("/sign-in").headers["set-cookie"]
    assert told.startswith(f"__Host-rollbook-{mark_of(shop)}-form=")
    assert "Secure" in told.split("; ")


@pytest.mark.parametrize(
    "to", ["//evil.example", "https://evil.example", "/\\evil.example", "javascript:alert(1)",
           "/a\r\nset-cookie: x=y", "/\tevil", "", "/sign-out", "\\\\evil"],
)  # fmt: skip
def test_no_form_leads_to_another_site(to):
    assert way_back(to) == "/"


def test_a_form_of_another_site_signs_nobody_in_or_out(site):
    fields = {"name": "Lena", "password": PASSWORD}
    for extra in ({}, {"form": ""}, {"form": "guessed"}):
        assert site.client.post("/sign-in", data=fields | extra).status_code == 403
    assert fill_in(site, origin="http://evil.example").status_code == 403
    assert fill_in(site, **{"sec-fetch-site": "cross-site"}).status_code == 403
    assert fill_in(site).status_code == 303
    assert site.client.post("/sign-out", data={"form": "guessed"}).status_code == 403
    assert site.client.get("/sign-in").status_code == 303, "still signed in"


def test_who_signs_out_is_out(site):
    fill_in(site)
    kept = site.client.cookies[site.cookie]
    word = site.client.get("/sign-out").text.split('name="form" value="')[1].split('"')[0]
    assert site.client.post("/sign-out", data={"form": word}).status_code == 303
    assert site.client.get("/bike", headers={"cookie": f"{site.cookie}={kept}"}).status_code == 403


def test_a_wrong_name_is_answered_as_a_wrong_password_after_as_much_work(site, monkeypatch):
    worked = []
    verify = people_file.PasswordHasher.verify
    monkeypatch.setattr(
        people_file.PasswordHasher, "verify", lambda *given: worked.append(1) or verify(*given)
    )
    known, unknown = fill_in(site, password="x" * 20), fill_in(site, name="Nina")
    assert known.status_code == unknown.status_code == 403
    assert (
        known.text.replace("Lena", "").split("<body>")[1]
        == (unknown.text.replace("Nina", "").split("<body>")[1])
    )
    assert len(worked) == 2


def test_wrong_tries_by_name_wait_longer_and_longer_and_not_for_ever(site):
    waits = []
    for _ in range(14):
        answer = fill_in(site, password="wrong " * 4)
        if answer.status_code == 429:
            waits.append(int(answer.headers["retry-after"]))
            # Even the right password is not heard meanwhile: else guessing could go on.
            assert fill_in(site).status_code == 429
            site.clock.now += waits[-1]
            answer = fill_in(site, password="wrong " * 4)
        assert answer.status_code == 403
    # Doubled each time from one second (2^0) on, up to a minute: the owner is kept out no longer.
    assert waits == [1, 2, 4, 8, 16, 32, 60, 60, 60]
    site.clock.now += 60
    assert fill_in(site).status_code == 303
    site.client.cookies.clear()
    assert fill_in(site, password="wrong " * 4).status_code == 403, "counted anew"


def test_one_address_that_tries_many_names_waits_too(site):
    found = [fill_in(site, name=f"nobody {n}").status_code for n in range(30)]
    assert found == [403] * 20 + [429] * 10
    assert fill_in(site).status_code == 429
    # What a request says of where it comes from changes nothing.
    assert fill_in(site, **{"x-forwarded-for": "203.0.113.9"}).status_code == 429
    site.clock.now += 900
    assert fill_in(site).status_code == 303


def test_an_overlong_form_is_not_read_and_a_slow_one_not_waited_for(site, monkeypatch):
    assert fill_in(site, password="x" * 20_000).status_code == 413
    kind = {"content-type": "application/json"}
    assert site.client.post("/sign-in", content=b"{}", headers=kind).status_code == 415
    monkeypatch.setattr(forms, "LONGEST_FORM_S", 0.05)
    said = []

    async def never():
        await asyncio.sleep(5)

    async def send(message):
        said.append(message)

    headers = [(b"host", b"rollbook.test:8501"), (b"content-type", next(iter(FORM)))]
    scope = {"type": "http", "method": "POST", "path": "/sign-in", "headers": headers,
             "query_string": b""}  # fmt: skip
    asyncio.run(site.door(scope, never, send))
    assert said[0]["status"] == 408


FORM = {b"application/x-www-form-urlencoded"}


# Bug: cookies go by host and not by port; signing in to one shop signed out of the other.
def test_two_shops_on_one_host_leave_each_others_sign_ins_alone(site, tmp_path):
    fill_in(site)
    other = init_shop(tmp_path / "other")
    People(other).add("Lena", "look", PASSWORD)
    sign_in = SignIn(other, Network(names=["rollbook.test"]))
    second = Browser(Starlette(routes=sign_in.routes()), "http://rollbook.test:8502")
    second.cookies = site.client.cookies  # one browser
    assert second.get("/sign-in").status_code == 200, "a stranger to the second shop"
    fill_in(SimpleNamespace(client=second))
    assert second.get("/sign-in").status_code == 303
    assert site.client.get("/sign-in").status_code == 303, "still signed in to the first"


def test_a_second_cookie_beside_ours_opens_nothing(site):
    fill_in(site)
    good = site.client.cookies[site.cookie]
    twice = {"cookie": f"{site.cookie}={good}; {site.cookie}=planted"}
    assert site.client.get("/bike", headers=twice).status_code == 403


def test_only_our_own_server_says_who_is_there(site):
    heard = []

    async def application(scope, receive, send):
        heard.extend(scope["headers"])

    door = Door(application, 8501)
    claims = [(b"Rollbook-Role", b"administer"), (b"rollbook-person", b"Ruth")]
    scope = {"type": "http", "method": "GET", "path": "/",
             "headers": [(b"host", b"127.0.0.1:8501"), *claims]}  # fmt: skip
    asyncio.run(door(scope, None, None))
    assert heard == [(b"host", b"127.0.0.1:8501")]


@pytest.mark.parametrize("header", ["forwarded", "via", "x-forwarded-for", "x-real-ip"])
def test_pages_of_this_machine_alone_are_not_reached_by_way_of_a_proxy(header):
    said = []

    async def send(message):
        said.append(message)

    scope = {"type": "http", "method": "GET", "path": "/",
             "headers": [(b"host", b"127.0.0.1:8501"), (header.encode(), b"x")]}  # fmt: skip
    asyncio.run(Door(None, 8501, network=Network())(scope, None, send))
    assert said[0]["status"] == 403


# What stands on disk, and the settings


def test_neither_passwords_nor_tokens_stand_on_disk(shop):
    people = People(shop)
    people.add("Lena", "look", PASSWORD)
    from flows.signed_in import SignedIn

    token = SignedIn(shop.signed_in, people, 1).begin(people.find("lena"))
    for path in (shop.people, shop.signed_in):
        text = path.read_text(encoding="utf-8")
        assert PASSWORD not in text
        assert token not in text
        if os.name != "nt":
            assert stat.S_IMODE(path.stat().st_mode) == 0o600
    held = json.loads(shop.people.read_text(encoding="utf-8"))["lena"]["hash"]
    # argon2id, 64 MiB, 3 passes, 4 lanes: RFC 9106, section 4, second recommended option.
    assert held.startswith("$argon2id$v=19$m=65536,t=3,p=4$")
    assert extract_parameters(held) == RFC_9106_LOW_MEMORY


@pytest.mark.skipif(os.name == "nt", reason="rights of another kind")
def test_a_password_file_that_others_can_read_or_that_is_damaged_lets_nobody_in(shop):
    people = People(shop)
    people.add("Lena", "look", PASSWORD)
    sign_in = SignIn(shop, NETWORK)
    token = sign_in._signed_in.begin(people.find("Lena"))
    assert sign_in.person_of(token).name == "Lena"
    shop.people.chmod(0o644)
    assert sign_in.person_of(token) is None
    shop.people.chmod(0o600)
    assert sign_in.person_of(token).name == "Lena"
    told = json.loads(shop.people.read_text(encoding="utf-8"))["lena"]
    other_shapes = [
        "5", "null", "[]", '{"lena": 5}', '{"lena": {}}', "[" * 100_000,
        json.dumps({"lena": told | {"hash": 5}}),
    ]  # fmt: skip
    for text in ("{", "", *other_shapes):
        shop.people.write_text(text, encoding="utf-8")
        assert sign_in.person_of(token) is None
        with pytest.raises(NotPrivateError, match="damaged"):
            People(shop).check("Lena", PASSWORD)


@pytest.mark.parametrize("text", ["", "[]", "5", '{"x": 5}', '{"x": {"began": "then"}}'])
def test_a_damaged_file_of_sign_ins_keeps_nobody_out_and_nobody_in(site, shop, text):
    fill_in(site)
    shop.signed_in.write_text(text, encoding="utf-8")
    assert site.client.get("/bike").status_code == 403
    assert fill_in(site).status_code == 303
    assert site.client.get("/sign-in").status_code == 303
    word = site.client.get("/sign-out").text.split('name="form" value="')[1].split('"')[0]
    shop.signed_in.write_text(text, encoding="utf-8")
    assert site.client.post("/sign-out", data={"form": word}).status_code == 303


@pytest.mark.skipif(os.name == "nt", reason="rights of another kind")
def test_sign_ins_that_cannot_be_written_are_said_to_be_so(site, shop):
    fill_in(site)
    word = site.client.get("/sign-out").text.split('name="form" value="')[1].split('"')[0]
    shop.signed_in.chmod(0o644)
    assert site.client.post("/sign-out", data={"form": word}).status_code == 503
    site.client.cookies.clear()
    assert fill_in(site).status_code == 503


@pytest.mark.parametrize(
    ("name", "password"),
    [("Lena", "short"), ("Lena", "x" * 1001), ("", PASSWORD), (" Lena", PASSWORD),
     ("a\nb", PASSWORD), ("x" * 61, PASSWORD), ("Lena\x1b[31m", PASSWORD),
     ("Lena", "this is lena speaking")],
)  # fmt: skip
def test_a_poor_name_or_password_is_refused(shop, name, password):
    with pytest.raises(PeopleError):
        People(shop).add(name, "look", password)
    assert People(shop).all() == []


def test_people_are_added_listed_and_removed_from_the_terminal(shop, tmp_path):
    secret = tmp_path / "secret"
    secret.write_text(f"{PASSWORD}\nand more\n", encoding="utf-8")
    told = ["--role", "add", "--password-file", secret]
    assert command_line("person", "add", "Ada", shop.root, *told)[0] == 0
    code, said = command_line("person", "list", shop.root)
    assert code == 0
    assert "Ada" in said
    assert PASSWORD not in said
    assert People(shop).check("ADA", PASSWORD).role == "add"
    assert command_line("person", "remove", "ada", shop.root)[0] == 0
    code, said = command_line("person", "remove", "ada", shop.root)
    assert code == 1
    assert "nobody is called 'ada'" in said


def test_the_network_is_not_opened_before_somebody_can_sign_in(shop):
    for network in (
        Network(address="192.0.2.7"),
        Network(names=["rollbook.test"]),
        Network(https=True, names=["rollbook.test"]),
        Network(address="::", names=["rollbook.test"]),
    ):
        with pytest.raises(ServingError, match="nobody can sign in yet"):
            dashboard_command(shop, 8501, network)
    assert dashboard_command(shop, 8501, Network())[0][0] == sys.executable


def test_what_goes_over_a_readable_network_is_said_to_be_readable():
    assert len(where(8501, Network())) == 1
    assert "readable by anybody" in where(8501, Network(names=["rollbook.test"]))[1]
    secure = where(8501, Network(names=["rollbook.test"], https=True))
    assert secure == ["Dashboard, for people who sign in: https://rollbook.test, "
                      "https://rollbook.test:8501"]  # fmt: skip


@pytest.mark.parametrize(
    "told",
    [{"address": "::"}, {"address": "everywhere"}, {"names": ["http://x/"]}, {"proxy": "any"},
     {"proxy": "*"}, {"names": ["*"]}, {"address": "10.0.0.0/8"}, {"hours": 0}],
)  # fmt: skip
def test_settings_that_open_more_than_they_say_are_refused(told):
    with pytest.raises((ValueError, MistakesError)):
        Network(**told)


@pytest.mark.browser
@pytest.mark.slow
@pytest.mark.own_process
@pytest.mark.skipif(screenshots.browser_path() is None, reason="no Chromium on this PATH")
def test_a_person_signs_in_comes_by_a_link_of_another_site_and_signs_out(served):
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    base = f"http://127.0.0.1:{served.port}"
    with sync_api.sync_playwright() as playwright:
        chromium = playwright.chromium.launch(
            executable_path=screenshots.browser_path(), args=["--no-sandbox"]
        )
        page = chromium.new_page()
        page.set_default_timeout(60_000)
        page.goto(f"{base}/how-many-pulls")
        page.get_by_label("Name").fill("Lena")
        page.get_by_label("Password").fill(PASSWORD)
        page.get_by_role("button", name="Sign in").click()
        page.get_by_text("Signed in as Lena, may look").wait_for()
        assert page.url.startswith(f"{base}/how-many-pulls")
        # localhost is another site than 127.0.0.1, so the browser keeps its strict cookie back
        # at first, as for a link in a mail.
        page.goto(f"http://localhost:{served.port}/sign-in")
        page.evaluate("to => { location.href = to }", f"{base}/map-revisions")
        page.get_by_text("Signed in as Lena, may look").wait_for()
        assert page.url.startswith(f"{base}/map-revisions")
        page.get_by_role("link", name="Sign out").click()
        page.get_by_role("button", name="Sign out").click()
        page.get_by_label("Password").wait_for()
        page.goto(f"{base}/map-revisions")
        page.get_by_label("Password").wait_for()
        chromium.close()
