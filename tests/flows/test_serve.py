"""Serving: ports are judged first, and the dashboard answers a browser on this machine only."""

import socket
import subprocess
import time

import pytest

from flows.serve import PortTakenError, dashboard_command, free_or_refuse, serve_shop
from flows.settings import EXAMPLE_CARD, init_shop
from schemas.card import read_card
from schemas.settings import ShopSettings


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def answer(port, path, host, **more):
    """Return the first line that the server answers to a plain HTTP request."""
    headers = {"Host": host, "Connection": "close", **more}
    lines = [f"GET {path} HTTP/1.1", *(f"{name}: {value}" for name, value in headers.items())]
    with socket.create_connection(("127.0.0.1", port), timeout=10) as line:
        line.sendall(("\r\n".join(lines) + "\r\n\r\n").encode())
        return line.recv(200).decode().split("\r\n")[0]


def upgrade(port, host):
    wished = {
        "Connection": "Upgrade",
        "Upgrade": "websocket",
        "Sec-WebSocket-Version": "13",
        "Sec-WebSocket-Key": "dGhlIHNhbXBsZSBub25jZQ==",
    }
    return answer(port, "/_stcore/stream", host, Origin=f"http://{host}", **wished).split()[1]


@pytest.fixture(scope="module")
def dashboard_port(tmp_path_factory):
    shop = init_shop(tmp_path_factory.mktemp("served"))
    port = free_port()
    command, environment = dashboard_command(shop, port)
    process = subprocess.Popen(
        command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        try:
            answer(port, "/_stcore/health", f"127.0.0.1:{port}")
            break
        except OSError:
            time.sleep(0.3)
    yield port
    process.terminate()
    process.wait()


# Bug: with the hosts given as one option every page stayed empty, its websocket refused.
@pytest.mark.parametrize("name", ["127.0.0.1", "localhost"])
def test_a_page_on_this_machine_is_let_in(dashboard_port, name):
    assert upgrade(dashboard_port, f"{name}:{dashboard_port}") == "101"


def test_a_page_of_another_host_is_not(dashboard_port):
    assert upgrade(dashboard_port, "workshop.invalid") == "403"


def test_a_taken_port_is_refused_before_anything_starts():
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(PortTakenError, match=f"port {port} for the dashboard is taken"):
            free_or_refuse(port, "dashboard", "--port")


def test_one_port_for_two_servers_is_refused(tmp_path):
    port = free_port()
    ports = {"dashboard_port": port, "server_port": port}
    with pytest.raises(PortTakenError, match="cannot share"):
        serve_shop(init_shop(tmp_path), ShopSettings(), say=print, **ports)


def test_the_card_to_copy_is_a_right_one(tmp_path):
    assert read_card(EXAMPLE_CARD).bike.reference == "B-0001"
    example = init_shop(tmp_path).root / "card-example.toml"
    assert example.read_text(encoding="utf-8") == EXAMPLE_CARD
