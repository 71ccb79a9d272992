"""A served shop under attack: a page of another site in this machine's browser, and its rebinding.

The other site is this test itself under a name that Chromium is told to look up as loopback, which
is what an attacker's name server does in DNS rebinding. One start of `rollbook serve` serves all.
"""

import contextlib
import json
import os
import re
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from contextlib import closing
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from types import SimpleNamespace

import pytest

from flows.settings import init_shop
from tests import pictures as screenshots

pytest.importorskip("playwright", reason="playwright is not installed")
pytestmark = [
    pytest.mark.browser,
    pytest.mark.slow,
    pytest.mark.own_process,
    pytest.mark.skipif(screenshots.browser_path() is None, reason="no Chromium on this PATH"),
]

ATTACKER = "evil.example"
START_S = 120

# Asks for one thing after another; tells what could be read, or whether it was sent at all.
ASK = """async ([base, asked]) => {
    const found = {};
    for (const [path, method, body, mode] of asked) {
        const headers = body ? {"content-type": mode === "no-cors" ? "text/plain"
                                                                   : "application/json"} : {};
        try {
            const answer = await fetch(base + path, {method, headers, body, mode});
            found[`${method} ${path} ${mode}`] = [answer.type, answer.status];
        } catch (error) {
            found[`${method} ${path} ${mode}`] = ["blocked", 0];
        }
    }
    return found;
}"""
KNOCK = """url => new Promise(done => {
    const socket = new WebSocket(url, ["streamlit", "prefect"]);
    socket.onopen = () => done("open");
    socket.onerror = () => done("refused");
})"""
# The attack that ran a command on the machine: a deployment of ours gets a pull step of theirs.
STEAL = """async base => {
    const post = async (path, body) => {
        const headers = {"content-type": "application/json"};
        const answer = await fetch(base + path, {method: "POST", headers,
                                                 body: JSON.stringify(body)});
        return answer.json();
    };
    try {
        const flow = await post("/api/flows/", {name: "update"});
        const step = {"prefect.deployments.steps.run_shell_script": {script: "touch stolen"}};
        await post("/api/deployments/", {flow_id: flow.id, name: "by-hand",
                                         pull_steps: [step]});
    } catch (error) {}
}"""
OF_THE_API = ["/", "/ui-settings", "/docs", "/openapi.json", "/api/health", "/api/ready",
              "/api/admin/version", "/api/csrf-token?client=x", "/api/static/x"]  # fmt: skip
OF_THE_PAGES = ["/", "/health", "/_stcore/health", "/_stcore/host-config", "/_stcore/metrics",
                "/_stcore/upload_file/a/b", "/_stcore/agent/openapi.json", "/media/x"]  # fmt: skip


def free_ports(count):
    probes = [socket.socket() for _ in range(count)]
    for probe in probes:
        probe.bind(("127.0.0.1", 0))
    ports = [probe.getsockname()[1] for probe in probes]
    for probe in probes:
        probe.close()
    return ports


def serve_command(shop, pages, api):
    ports = ["--dashboard-port", str(pages), "--server-port", str(api)]
    return [sys.executable, "-m", "flows.cli", "serve", str(shop.root), *ports]


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    shop = init_shop(tmp_path_factory.mktemp("attacked"))
    pages, api = free_ports(2)
    # Started in the inbox, whose files are anybody's: none of them may be taken for a module.
    (shop.inbox / "uvicorn.py").write_text("raise SystemExit('taken')\n", encoding="utf-8")
    process = subprocess.Popen(
        serve_command(shop, pages, api), cwd=shop.inbox, encoding="utf-8", stdout=subprocess.PIPE,
        env={**os.environ, "PYTHONSAFEPATH": "1"}, stderr=subprocess.STDOUT,
    )  # fmt: skip
    said = []
    timer = threading.Timer(START_S, process.kill)
    timer.start()
    for line in process.stdout:
        said.append(line)
        if "Ctrl-C ends it all" in line:
            break
    timer.cancel()
    assert process.poll() is None, said
    _wait_for(lambda: deployments(shop), "the deployments")
    yield SimpleNamespace(shop=shop, pages=pages, api=api, process=process, said=said)
    left = family(process.pid) if sys.platform == "linux" else []
    process.terminate()
    assert process.wait(60) == 0
    assert [pid for pid in left if Path(f"/proc/{pid}").exists()] == []


def _wait_for(fact, what):
    until = time.monotonic() + 60
    while not fact():
        assert time.monotonic() < until, what
        time.sleep(0.2)


def deployments(shop):
    with closing(sqlite3.connect(shop.warehouse / "prefect" / "prefect.db")) as database:
        return dict(database.execute("SELECT name, pull_steps FROM deployment").fetchall())


def family(pid):
    """Return a process and all that came of it."""
    parents = {}
    for status in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = status.read_text(encoding="utf-8").rsplit(")", 1)[1].split()
        except OSError:
            continue
        parents.setdefault(int(fields[1]), []).append(int(status.parent.name))
    found = [pid]
    for member in found:
        found += parents.get(member, [])
    return found


@pytest.fixture(scope="module")
def browser():
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(
            executable_path=screenshots.browser_path(),
            args=["--no-sandbox", f"--host-resolver-rules=MAP {ATTACKER} 127.0.0.1"],
        )
        yield opened
        opened.close()


@pytest.fixture
def page(browser):
    opened = browser.new_page()
    yield opened
    opened.close()


class _Blank(BaseHTTPRequestHandler):
    def do_GET(self):
        self.send_response(200)
        self.send_header("content-type", "text/html")
        self.end_headers()
        self.wfile.write(b"<p>a page elsewhere</p>")

    def log_message(self, *_):
        pass


@pytest.fixture
def foreign_page(page):
    """Open a page of the other site in the browser."""
    with ThreadingHTTPServer(("127.0.0.1", 0), _Blank) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        page.goto(f"http://{ATTACKER}:{server.server_port}/")
        yield page
        server.shutdown()


def everything(paths):
    asked = [[path, "GET", None, mode] for path in paths for mode in ("cors", "no-cors")]
    asked += [[path, "POST", "{}", mode] for path in paths for mode in ("cors", "no-cors")]
    return asked + [[path, "PUT", "{}", "cors"] for path in paths]


def test_a_page_elsewhere_reaches_neither_scheduler_nor_pages(served, foreign_page):
    for port, paths in ((served.api, OF_THE_API), (served.pages, OF_THE_PAGES)):
        base = f"http://127.0.0.1:{port}"
        found = foreign_page.evaluate(ASK, [base, everything(paths)])
        # Nothing that it may read; what it sends blindly is refused, as the door's tests show.
        assert {kind for kind, _ in found.values()} <= {"blocked", "opaque"}
    foreign_page.evaluate(STEAL, f"http://127.0.0.1:{served.api}")
    assert not any(steps and steps != "[]" for steps in deployments(served.shop).values())


def test_a_name_that_was_made_to_point_here_reaches_nothing(served, page):
    for port, paths in ((served.api, OF_THE_API), (served.pages, OF_THE_PAGES)):
        base = f"http://{ATTACKER}:{port}"
        # Whatever stands there, it is a page of the other site's name: its script runs as one.
        assert page.goto(f"{base}/docs").status == 403
        asked = [entry for entry in everything(paths) if entry[3] == "cors"]
        found = page.evaluate(ASK, [base, asked])
        assert {tuple(answer) for answer in found.values()} == {("basic", 403)}
        page.evaluate(STEAL, base)
    assert not any(steps and steps != "[]" for steps in deployments(served.shop).values())


@pytest.mark.parametrize("name", ["127.0.0.1", ATTACKER])
def test_no_websocket_opens_for_a_page_elsewhere(name, served, foreign_page):
    for port, path in (
        (served.pages, "/_stcore/stream"),
        (served.api, "/api/events/in"),
        (served.api, "/api/events/out"),
        (served.api, "/api/logs/out"),
    ):
        url = f"ws://{name}:{port}{path}"
        assert foreign_page.evaluate(KNOCK, url) == "refused", url


def test_no_page_elsewhere_can_frame_the_pages(served, foreign_page):
    pages = f"http://127.0.0.1:{served.pages}/"
    with foreign_page.expect_response(pages) as answer:
        foreign_page.evaluate(
            "url => {document.body.append(Object.assign(document.createElement('iframe'),"
            " {src: url}))}",
            pages,
        )
    assert answer.value.status == 403


def test_even_this_machines_own_browser_gets_nothing_from_the_scheduler(served, page):
    base = f"http://127.0.0.1:{served.api}"
    assert page.goto(f"{base}/").status == 403
    found = page.evaluate(ASK, [base, everything(OF_THE_API)[:8]])
    assert {status for _, status in found.values()} == {403}


def test_the_pages_themselves_still_open_here(served, page):
    errors = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.goto(f"http://127.0.0.1:{served.pages}/")
    page.get_by_role("link", name="Bring in a job").first.wait_for(timeout=30_000)
    assert errors == []


def test_the_sign_in_is_the_owners_secret(served):
    path = served.shop.sign_in
    secret = path.read_text(encoding="ascii")
    assert re.fullmatch("[0-9a-f]{64}", secret)
    if os.name != "nt":
        assert path.stat().st_mode & 0o777 == 0o600
    told = "".join(served.said)
    told += "".join(log.read_text(encoding="utf-8") for log in served.shop.logs.glob("*.log"))
    if sys.platform == "linux":
        for pid in family(served.process.pid):
            told += Path(f"/proc/{pid}/cmdline").read_bytes().decode(errors="replace")
    assert secret not in told


@pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc")
def test_every_port_that_listens_is_accounted_for(served):
    ours = set()
    for pid in family(served.process.pid):
        # A process or a file may go while one looks; what listens stays.
        with contextlib.suppress(FileNotFoundError, ProcessLookupError):
            for handle in list(Path(f"/proc/{pid}/fd").iterdir()):
                with contextlib.suppress(FileNotFoundError):
                    ours.add(str(handle.readlink()))
    listening = set()
    for table in ("tcp", "tcp6"):
        for line in Path(f"/proc/net/{table}").read_text(encoding="utf-8").splitlines()[1:]:
            fields = line.split()
            if fields[3] == "0A" and f"socket:[{fields[9]}]" in ours:
                address, port = fields[1].split(":")
                assert address == "0100007F", "loopback"
                listening.add(int(port, 16))
    assert listening == {served.pages, served.api}


def test_a_second_serve_is_refused_in_a_sentence_and_disturbs_nothing(served):
    before = family(served.process.pid) if sys.platform == "linux" else []
    second = subprocess.run(
        serve_command(served.shop, *free_ports(2)), capture_output=True, encoding="utf-8",
        check=False,
    )  # fmt: skip
    assert second.returncode == 1
    assert "is served already" in second.stdout
    assert "Traceback" not in second.stdout + second.stderr
    assert served.process.poll() is None
    if before:
        assert set(before) <= set(family(served.process.pid))


def test_a_run_of_the_scheduler_works_behind_the_door(served):
    (served.shop.inbox / "job").mkdir(exist_ok=True)
    (served.shop.inbox / "job" / "what.csv").write_text("nothing known\n", encoding="utf-8")
    asking = (
        "import json, sys\n"
        "from prefect.deployments import run_deployment\n"
        "run = run_deployment('update/by-hand', timeout=90, poll_interval=0.5)\n"
        "print(json.dumps([run.state.name, run.state.message]))\n"
    )
    from flows.settings import prefect_environment, sign_in_of

    environment = prefect_environment(served.shop, served.api, sign_in_of(served.shop))
    done = subprocess.run(
        [sys.executable, "-c", asking], env={**os.environ, **environment}, capture_output=True,
        encoding="utf-8", check=True,
    )  # fmt: skip
    name, message = json.loads(done.stdout.splitlines()[-1])
    assert name == "CompletedWithRefusals", message
    log = (served.shop.logs / "flows.log").read_text(encoding="utf-8")
    # Who serves may have seen the file first: then this run finds it waiting.
    assert "wait or are refused" in message
    assert "2 wait or are refused" in log
