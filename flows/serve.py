"""Keeps a shop running: Prefect server, served flows and dashboard, with one command."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path

from flows.settings import prefect_environment
from schemas.settings import ShopSettings
from warehouse.shop import ShopFolder

LOOPBACK = "127.0.0.1"
SERVER_START_S = 120.0
"""A first start on a slow disk takes tens of seconds."""
STOP_S = 15.0
RESTART_PAUSE_S = 5.0


class PortTakenError(RuntimeError):
    """Something else listens on the port."""


def free_or_refuse(port: int, what: str, option: str) -> None:
    """Refuse a port that is taken, before anything is started.

    Parameters
    ----------
    port : int
        Port on loopback.
    what : str
        What it is for.
    option : str
        Option that chooses another.

    Raises
    ------
    PortTakenError
        If something listens there.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.settimeout(0.5)
        if probe.connect_ex((LOOPBACK, port)) == 0:
            raise PortTakenError(
                f"port {port} for the {what} is taken on this machine; choose another with {option}"
            )


def dashboard_command(shop: ShopFolder, port: int) -> tuple[list[str], dict[str, str]]:
    """Return the command that runs the dashboard on loopback, and its environment.

    Parameters
    ----------
    shop : ShopFolder
        The shop.
    port : int
        Port.

    Returns
    -------
    command : list of str
        For subprocess.
    environment : dict of str to str
        The whole environment.
    """
    spec = find_spec("dashboard")
    if spec is None or spec.origin is None:
        raise RuntimeError("the dashboard is not installed beside the flows")
    script = Path(spec.origin).with_name("app.py")
    # All else that the pages need stands in dashboard/.streamlit/config.toml, beside the script.
    options = {
        "server.address": LOOPBACK,
        "server.port": str(port),
    }
    command = [sys.executable, "-m", "streamlit", "run", str(script)]
    for name, value in options.items():
        command += [f"--{name}", value]
    return command, {**os.environ, "ROLLBOOK_SHOP": str(shop.root), "PYTHONUTF8": "1"}


def serve_shop(
    shop: ShopFolder,
    settings: ShopSettings,
    *,
    dashboard_port: int,
    server_port: int,
    say: Callable[[str], None],
) -> None:
    """Run server, flows and dashboard until Ctrl-C or a termination signal; restart what dies.

    Parameters
    ----------
    shop : ShopFolder
        The shop.
    settings : ShopSettings
        Its settings.
    dashboard_port, server_port : int
        Ports on loopback.
    say : callable
        Told one line at a time.

    Raises
    ------
    PortTakenError
        If a port is taken.
    """
    if dashboard_port == server_port:
        raise PortTakenError(
            f"dashboard and Prefect server cannot share port {server_port}; choose another with "
            "--dashboard-port or --server-port"
        )
    free_or_refuse(dashboard_port, "dashboard", "--dashboard-port")
    free_or_refuse(server_port, "Prefect server", "--server-port")
    shop.make()
    environment = {**os.environ, **prefect_environment(shop, server_port)}
    logs = shop.warehouse / "logs"
    logs.mkdir(parents=True, exist_ok=True)
    panel, panel_environment = dashboard_command(shop, dashboard_port)
    server = [
        *(sys.executable, "-m", "prefect", "server", "start"),
        *("--host", LOOPBACK, "--port", str(server_port)),
    ]
    flows = [sys.executable, "-m", "flows.schedule", str(shop.root), str(server_port)]
    children = {
        "Prefect server": _Child(server, environment, logs / "server.log"),
        "dashboard": _Child(panel, panel_environment, logs / "dashboard.log"),
        "flows": _Child(flows, environment, logs / "flows.log"),
    }
    # A service manager's stop is a clean stop too.
    signal.signal(signal.SIGTERM, _as_interrupt)
    try:
        children["Prefect server"].start()
        children["dashboard"].start()
        say(f"Starting; logs are in {logs}")
        _wait_for_server(server_port, children["Prefect server"])
        children["flows"].start()
        say(f"Dashboard:      http://{LOOPBACK}:{dashboard_port}")
        say(f"Flows and runs: http://{LOOPBACK}:{server_port}")
        say(
            f"Intake looks into {shop.inbox} every {settings.schedule.intake_minutes} minutes. "
            "Ctrl-C ends it all."
        )
        while True:
            time.sleep(1.0)
            for name, child in children.items():
                if (code := child.ended()) is not None:
                    say(f"The {name} ended (code {code}); starting it again.")
                    time.sleep(RESTART_PAUSE_S)
                    child.start()
                    if name == "Prefect server":
                        _wait_for_server(server_port, child)
    except KeyboardInterrupt:
        say("Stopping.")
    finally:
        # Flows first: a run in the middle of its work is told to end while its server still hears.
        for name in ("flows", "dashboard", "Prefect server"):
            children[name].stop()
        say("Stopped.")


def run_dashboard(shop: ShopFolder, port: int) -> None:
    """Run the dashboard alone until Ctrl-C or a termination signal.

    Parameters
    ----------
    shop : ShopFolder
        The shop.
    port : int
        Port on loopback.

    Raises
    ------
    PortTakenError
        If the port is taken.
    """
    free_or_refuse(port, "dashboard", "--port")
    signal.signal(signal.SIGTERM, _as_interrupt)
    command, environment = dashboard_command(shop, port)
    process = subprocess.Popen(command, env=environment)
    try:
        process.wait()
    except KeyboardInterrupt:
        process.terminate()
        process.wait()


def _as_interrupt(signum: int, frame: object) -> None:  # noqa: ARG001
    raise KeyboardInterrupt


class _Child:
    """A process that is kept up."""

    def __init__(self, command: list[str], environment: dict[str, str], log: Path) -> None:
        self.command = command
        self.environment = environment
        self.log = log
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it on a leash, its output going to its log."""
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "flows.leash", *self.command],
                env=self.environment,
                # The leash: closed by `stop`, or by the system when this process is killed.
                stdin=subprocess.PIPE,
                stdout=log,
                stderr=subprocess.STDOUT,
                # Ctrl-C reaches this command only, which then stops the rest in order.
                start_new_session=True,
            )

    def ended(self) -> int | None:
        """Return its exit code if it ended."""
        return None if self.process is None else self.process.poll()

    def stop(self) -> None:
        """End it, kindly first."""
        if self.process is None or self.process.poll() is not None:
            return
        if self.process.stdin is not None:
            self.process.stdin.close()
        try:
            self.process.wait(STOP_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()


def _wait_for_server(port: int, child: _Child) -> None:
    deadline = time.monotonic() + SERVER_START_S
    while time.monotonic() < deadline:
        if child.ended() is not None:
            raise RuntimeError(f"the Prefect server did not start; see {child.log}")
        try:
            with urllib.request.urlopen(
                f"http://{LOOPBACK}:{port}/api/health", timeout=2
            ) as answer:
                if answer.status == 200:
                    return
        except (urllib.error.URLError, OSError):
            time.sleep(0.5)
    raise RuntimeError(
        f"the Prefect server did not answer within {SERVER_START_S:.0f} s; see {child.log}"
    )
