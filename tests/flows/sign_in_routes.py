"""Every way into pages that are open to the network, tried without and with several sign-ins.

`python -m tests.flows.sign_in_routes` tries the long list and writes `sign_in_routes.md`.
"""

import contextlib
import hashlib
import json
import os
import socket
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from types import SimpleNamespace

from flows.people import People
from flows.serve import dashboard_command
from flows.settings import init_shop
from flows.sign_in import mark_of
from flows.signed_in import SignedIn
from schemas.network import Network

PASSWORD = "quiet harbour lantern 7"  # noqa: S105 of invented people
NETWORK = Network(names=["rollbook.test"], most_upload_mb=1, uploads_an_hour=20)
PEOPLE = {"Lena": "look", "Ada": "add", "Ruth": "administer"}

# Taken from the page server's own list of routes, and what an attacker would guess beside them.
PATHS = [
    "/", "/bike", "/bike?bike=B-0001", "/teach-a-layout", "/today", "/index.html", "/favicon.png",
    "/_stcore/health", "/_stcore/host-config", "/_stcore/metrics", "/_stcore/script-health-check",
    "/_stcore/stream", "/_stcore/upload_file/s/f", "/_stcore/bidi-components/x/y.js",
    "/_stcore/agent/interact", "/_stcore/agent/openapi.json", "/_stcore/agent/mcp",
    "/media/0123.csv", "/static/js/index.js", "/component/x/index.html", "/app/static/x.png",
    "/auth/login?provider=x", "/auth/logout", "/oauth2callback?state=x&code=y",
    "/bike/_stcore/stream", "/bike/_stcore/health",
]  # fmt: skip
SNEAKY = [
    "//_stcore/host-config", "/./_stcore/host-config", "/health/../_stcore/host-config",
    "/sign-in/../_stcore/host-config", "/sign-in%2f..%2f_stcore/host-config", "/health/",
    "/health;/_stcore/host-config", "/health%00", "/HEALTH", "/sign-in/", "/sign-in%3fx",
    "/%5fstcore/host-config", "/_stcore/%68ost-config", "/static/../../../../etc/passwd",
    "/static/..%2f..%2f..%2fetc/passwd", "/media/..%2f..%2fwarehouse%2fpeople.json",
    "/component/..%5c..%5cpeople.json", "/\\\\host\\share", "/warehouse/people.json",
    "http://rollbook.test/_stcore/host-config", "*",
]  # fmt: skip
METHODS = ["GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "PROPFIND", "get"]
FORGED_HEADERS = {
    "says who it is": {"rollbook-person": "Ruth", "rollbook-role": "administer"},
    "says so oddly": {"ROLLBOOK-ROLE": "administer", "rollbook_role": "administer"},
    "claims the proxy's place": {"X-Forwarded-For": "127.0.0.1", "X-Forwarded-Proto": "https"},
    "claims another host": {"X-Forwarded-Host": "rollbook.test", "Forwarded": "host=rollbook.test"},
    "claims another path": {"X-Original-URL": "/health", "X-Rewrite-URL": "/health"},
    "overrides the method": {"X-HTTP-Method-Override": "GET"},
    "basic sign-in": {"Authorization": "Basic UnV0aDp4"},
    "a page server's own user": {"Cookie": "_streamlit_user=x; _streamlit_session=y"},
}


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@contextlib.contextmanager
def serving(folder, network=NETWORK):
    """Serve a new shop's pages with three people to sign in."""
    shop = init_shop(folder)
    people = People(shop)
    for name, role in PEOPLE.items():
        people.add(name, role, PASSWORD)
    port = free_port()
    command, environment = dashboard_command(shop, port, network)
    with (shop.root / "pages.log").open("wb") as log:
        process = subprocess.Popen(
            command, env={**os.environ, **environment}, stdout=log, stderr=log
        )
        try:
            until = time.monotonic() + 60
            while ask(port, "GET", "/health") != 200:
                assert process.poll() is None, (shop.root / "pages.log").read_text(encoding="utf-8")
                assert time.monotonic() < until
                time.sleep(0.05)
            signed_in = SignedIn(shop.signed_in, people, network.hours)
            yield SimpleNamespace(
                shop=shop, people=people, port=port, signed_in=signed_in, process=process
            )
        finally:
            process.terminate()
            process.wait(30)


def raw(port, method, path, body=b"", **headers):
    """Return what a server answers to a request as it is written here, whatever that is."""
    sent = {"Host": f"127.0.0.1:{port}", "Connection": "close", **headers}
    lines = [f"{method} {path} HTTP/1.1", *(f"{name}: {value}" for name, value in sent.items())]
    with socket.create_connection(("127.0.0.1", port), timeout=10) as line:
        line.sendall("\r\n".join([*lines, "", ""]).encode() + body)
        answer = b""
        with contextlib.suppress(OSError):
            while chunk := line.recv(65536):
                answer += chunk
    return answer


def status_of(answer):
    return int(answer.split(b" ", 2)[1]) if answer.startswith(b"HTTP/") else 0


def ask(port, method, path, **headers):
    try:
        return status_of(raw(port, method, path, **headers))
    except OSError:
        return 0


def upgrade(port, path="/_stcore/stream", **headers):
    """Return the status of a websocket's upgrade: 101 where it opens."""
    wished = {
        "Connection": "Upgrade", "Upgrade": "websocket", "Sec-WebSocket-Version": "13",
        "Sec-WebSocket-Key": "dGhlIHNhbXBsZSBub25jZQ==", "Origin": f"http://127.0.0.1:{port}",
    }  # fmt: skip
    sent = {"Host": f"127.0.0.1:{port}", **wished, **headers}
    lines = [f"GET {path} HTTP/1.1", *(f"{name}: {value}" for name, value in sent.items())]
    with socket.create_connection(("127.0.0.1", port), timeout=10) as line:
        line.sendall(("\r\n".join(lines) + "\r\n\r\n").encode())
        return status_of(line.recv(200))


def make_old(served, token):
    """Let a sign-in be as old as its hours, on disk, as if they had passed."""
    path = served.shop.signed_in
    records = json.loads(path.read_text(encoding="utf-8"))
    records[hashlib.sha256(token.encode()).hexdigest()]["began"] -= NETWORK.hours * 3600 + 1
    path.write_text(json.dumps(records), encoding="utf-8")


def no_good_cookies(served):
    """Return the cookies that must open nothing, by what is wrong with them."""
    ours = f"rollbook-{mark_of(served.shop)}"
    good, late, gone = (served.signed_in.begin(served.people.find("Ruth")) for _ in range(3))
    served.signed_in.end(gone)
    on_disk = hashlib.sha256(good.encode()).hexdigest()
    make_old(served, late)
    return {
        "none": {},
        "empty": {"Cookie": f"{ours}="},
        "forged": {"Cookie": f"{ours}={'A' * 43}"},
        "the hash that stands on disk": {"Cookie": f"{ours}={on_disk}"},
        "one letter off": {"Cookie": f"{ours}={good[:-1]}{'A' if good[-1] != 'A' else 'B'}"},
        "expired": {"Cookie": f"{ours}={late}"},
        "signed out": {"Cookie": f"{ours}={gone}"},
        "two at once": {"Cookie": f"{ours}={good}; {ours}={'A' * 43}"},
        "another name": {"Cookie": f"__Host-{ours}={good}"},
        "odd bytes": {"Cookie": f"{ours}=\xff\xfe;;=;{ours}"},
    }


def answers_to_strangers(served, paths, methods, headers=None, cookies=None):
    """Yield what was asked without a good sign-in, and the answer."""
    ways = (no_good_cookies(served) if cookies is None else cookies) | (headers or {})
    for way, sent in ways.items():
        for path in paths:
            for method in methods:
                yield way, method, path, ask(served.port, method, path, **sent)
            yield way, "websocket", path, upgrade(served.port, path.split("?")[0] or "/", **sent)


def every_answer(served):
    """Return the answers of the long list: odd headers by two methods, odd cookies by all."""
    paths = [*PATHS, *SNEAKY]
    return [
        *answers_to_strangers(served, paths, METHODS),
        *answers_to_strangers(served, paths, ["GET", "POST"], FORGED_HEADERS, {}),
    ]


def main():
    """Try all, and write what came of it."""
    with tempfile.TemporaryDirectory() as folder, serving(Path(folder)) as served:
        found = every_answer(served)
    counts = Counter((way, status) for way, _, _, status in found)
    let_in = [one for one in found if is_let_in(*one)]
    lines = [
        "# Ways in, tried without a good sign-in", "",
        "Made by `python -m tests.flows.sign_in_routes`; a short list runs with every test.",
        "", f"{len(found):,} requests on {len(PATHS) + len(SNEAKY)} paths, by {len(METHODS)} "
        f"methods and as a websocket; {len(let_in)} let in. 0 is a line that was closed.", "",
        "| what was shown | answers, and how often |", "| --- | --- |",
    ]  # fmt: skip
    for way in dict.fromkeys(way for way, *_ in found):
        told = ", ".join(
            f"{status} × {count}" for (of, status), count in sorted(counts.items()) if of == way
        )
        lines.append(f"| {way} | {told} |")
    lines += ["", *(f"LET IN: {one}" for one in let_in)]
    text = "\n".join(lines).rstrip() + "\n"
    Path(__file__).with_suffix(".md").write_text(text, encoding="utf-8")
    sys.stdout.write(text)


def is_let_in(_way, _method, _path, status):
    """Whether an answer is more than the sign-in, the health, or a refusal."""
    return not (status >= 400 or status == 0)


if __name__ == "__main__":
    main()
