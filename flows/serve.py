"""Keeps a shop running: scheduler, served flows and dashboard, with one command."""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator, Sequence
from importlib.util import find_spec
from pathlib import Path
from types import FrameType

import filelock

from flows.door import SIGN_IN_HEADER
from flows.settings import child_environment, prefect_environment, sign_in_of
from schemas.network import LOOPBACK, Network
from schemas.settings import ShopSettings
from warehouse.shop import ShopFolder

SCHEDULER_START_S = 120.0
"""A first start on a slow disk takes tens of seconds."""
STOP_S = 20.0
"""A leash takes up to 15 s to end what it holds."""
LOOK_EVERY_S = 0.5
RESTART_PAUSE_S = 5.0
"""Seconds before the next start; doubled with each end in a row."""
STEADY_S = 600.0
"""What ran for so long before it ended counts as ended for the first time."""
MOST_ENDS = 5
LONGEST_QUOTE = 200


class PortTakenError(RuntimeError):
    """Something else listens on the port."""


class ServingError(RuntimeError):
    """Serving cannot begin or go on, with what to do about it."""


def free_or_refuse(port: int, what: str, option: str, address: str = LOOPBACK) -> None:
    """Refuse a port that is taken or not ours to take, before anything is started."""
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.settimeout(0.5)
        is_taken = probe.connect_ex((LOOPBACK, port)) == 0
    if not is_taken:
        with socket.socket(family, socket.SOCK_STREAM) as probe:
            if os.name != "nt":  # there it would share the port
                probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind((address, port))
                return
            except PermissionError:
                raise PortTakenError(
                    f"port {port} for the {what} is not open to this account; choose another with "
                    f"{option}"
                ) from None
            except OSError:
                pass
    raise PortTakenError(
        f"port {port} for the {what} is taken on this machine; choose another with {option}"
    )


def dashboard_command(
    shop: ShopFolder, port: int, network: Network | None = None
) -> tuple[list[str], dict[str, str]]:
    """Return the command that serves the pages, and its whole environment.

    On loopback for this machine alone unless the network's settings say otherwise. Raises
    ServingError if they open the pages and nobody can sign in yet.
    """
    network = network or Network()
    if network.is_open:
        _must_have_people(shop)
    spec = find_spec("dashboard")
    if spec is None or spec.origin is None:
        raise RuntimeError("the dashboard is not installed beside the flows")
    # All that the pages need stands in dashboard/.streamlit/config.toml, beside the script.
    script = Path(spec.origin).with_name("app.py")
    told = network.model_dump_json()
    command = [sys.executable, "-m", "flows.pages", str(script), str(port), told]
    return command, {**os.environ, **child_environment(), "ROLLBOOK_SHOP": str(shop.root)}


def _must_have_people(shop: ShopFolder) -> None:
    from flows.people import People

    if not People(shop).all():
        raise ServingError(
            "[network] in rollbook.toml opens the pages to others, and nobody can sign in yet: "
            f"they stay closed. First: rollbook person add NAME {shop.root} --role administer"
        )


def where(port: int, network: Network) -> list[str]:
    """Return what to say of where the pages are, and who can come in."""
    if not network.is_open:
        return [f"Dashboard: http://{LOOPBACK}:{port}"]
    scheme = "https" if network.https else "http"
    named = ", ".join(f"{scheme}://{host}" for host in sorted(network.hosts(port)))
    told = [f"Dashboard, for people who sign in: {named or f'http://{LOOPBACK}:{port}'}"]
    if not network.https:
        told.append(
            "Passwords and pages cross the network readable by anybody on it: put a proxy that "
            "speaks TLS before the pages, then set https = true under [network]."
        )
    return told


def serve_shop(
    shop: ShopFolder,
    settings: ShopSettings,
    *,
    dashboard_port: int,
    server_port: int,
    say: Callable[[str], None],
) -> None:
    """Run scheduler, flows and dashboard until Ctrl-C or a termination signal.

    Raises PortTakenError if a port is taken. Raises ServingError if the shop is served already or
    cannot be written, or if one of the three does not start or does not stay up.
    """
    with _the_only_one(shop):
        if dashboard_port == server_port:
            raise PortTakenError(
                f"dashboard and scheduler cannot share port {server_port}; choose another with "
                "--dashboard-port or --server-port"
            )
        network = settings.network
        free_or_refuse(dashboard_port, "dashboard", "--dashboard-port", network.address)
        free_or_refuse(server_port, "scheduler", "--server-port")
        children = _children(shop, dashboard_port, server_port, network)
        with _interrupted_by_service_managers():
            try:
                say(f"Starting; logs are in {shop.logs}")
                for child in children:
                    child.start()
                    if (code := child.ended()) is not None:
                        raise ServingError(
                            f"the {child.name} did not start, it ended with code {code}"
                            f"{child.last_words()}"
                        )
                for told in where(dashboard_port, network):
                    say(told)
                say(
                    f"What comes into {shop.inbox} is taken in once it rests, and every "
                    f"{settings.schedule.intake_minutes} minutes all of it is looked through; what "
                    f"was done is in {shop.logs / 'flows.log'}. "
                    "Ctrl-C ends it all."
                )
                keep_up(children, say)
            except KeyboardInterrupt:
                say("Stopping.")
            finally:
                # Flows first: a run in the middle of its work is told to end while its scheduler
                # still hears.
                for child in reversed(children):
                    child.stop()
                say("Stopped.")


def run_dashboard(shop: ShopFolder, port: int, network: Network | None = None) -> int:
    """Run the dashboard alone until Ctrl-C or a termination signal; return its exit code."""
    free_or_refuse(port, "dashboard", "--port", network.address if network else LOOPBACK)
    pages = Child("dashboard", *dashboard_command(shop, port, network))
    with _interrupted_by_service_managers():
        try:
            pages.start()
            return pages.wait()
        except KeyboardInterrupt:
            return 0
        finally:
            pages.stop()


def keep_up(children: Sequence[Child], say: Callable[[str], None]) -> None:
    """Start again what ends, later each time, until one does not stay up.

    Raises ServingError: Naming what ended again and again, with its last words.
    """
    due: dict[Child, float] = {}
    while True:
        time.sleep(LOOK_EVERY_S)
        for child in children:
            if child in due:
                if time.monotonic() >= due[child]:
                    del due[child]
                    child.start()
            elif (code := child.ended()) is not None:
                ends = child.count_end()
                if ends >= MOST_ENDS:
                    raise ServingError(
                        f"the {child.name} ended {ends} times in a row, at last with code {code}"
                        f"{child.last_words()}. Nothing more is tried"
                    )
                pause_s = RESTART_PAUSE_S * 2 ** (ends - 1)
                say(f"The {child.name} ended (code {code}); it starts again in {pause_s:.0f} s.")
                due[child] = time.monotonic() + pause_s


def _children(
    shop: ShopFolder, dashboard_port: int, server_port: int, network: Network
) -> list[Child]:
    """Return what is served, in the order in which it starts."""
    sign_in = sign_in_of(shop)
    environment = {**os.environ, **prefect_environment(shop, server_port, sign_in)}
    scheduler = [sys.executable, "-m", "flows.scheduler", str(server_port)]
    flows = [sys.executable, "-m", "flows.schedule", str(shop.root)]
    return [
        Child(
            "dashboard",
            *dashboard_command(shop, dashboard_port, network),
            shop.logs / "dashboard.log",
        ),
        Child(
            "scheduler",
            scheduler,
            environment,
            shop.logs / "scheduler.log",
            until_ready=lambda child: _wait_for_scheduler(server_port, sign_in, child),
        ),
        Child("flows", flows, environment, shop.logs / "flows.log"),
    ]


@contextlib.contextmanager
def _the_only_one(shop: ShopFolder) -> Iterator[None]:
    """Hold the lock of the shop's serving; the system frees it when this process is killed."""
    lock = filelock.FileLock(shop.serving_lock)
    try:
        shop.make()
        shop.logs.mkdir(exist_ok=True)
        lock.acquire(timeout=0)
    except filelock.Timeout:
        raise ServingError(
            f"{shop.root} is served already, by another `rollbook serve` on this machine; end that "
            "one first. It was not disturbed"
        ) from None
    except OSError as error:
        raise ServingError(
            f"{error.filename or shop.root} cannot be written ({error.strerror}); serving needs a "
            "shop that this account may write to"
        ) from None
    try:
        yield
    finally:
        lock.release()


@contextlib.contextmanager
def _interrupted_by_service_managers() -> Iterator[None]:
    """Take a service manager's stop for Ctrl-C: it is a clean stop too."""

    def interrupt(signum: int, frame: FrameType | None) -> None:  # noqa: ARG001
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, interrupt)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


class Child:
    """A process that is kept up, on a leash: it ends with this one, however this one ends."""

    def __init__(
        self,
        name: str,
        command: list[str],
        environment: dict[str, str],
        log: Path | None = None,
        until_ready: Callable[[Child], None] | None = None,
    ) -> None:
        self.name = name
        self.log = log
        self._command = command
        self._environment = environment
        self._until_ready = until_ready
        self._process: subprocess.Popen[bytes] | None = None
        self._started_at = 0.0
        self._ends = 0

    def start(self) -> None:
        """Start it, its output going to its log or to this terminal; wait until it is ready."""
        with contextlib.ExitStack() as opened:
            log = opened.enter_context(self.log.open("ab")) if self.log else None
            self._process = subprocess.Popen(
                [sys.executable, "-m", "flows.leash", *self._command],
                env=self._environment,
                # The leash: closed by `stop`, or by the system when this process is killed.
                stdin=subprocess.PIPE,
                stdout=log,
                stderr=subprocess.STDOUT if log else None,
                # Ctrl-C reaches this command only, which then stops the rest in order.
                start_new_session=True,
            )
        self._started_at = time.monotonic()
        if self._until_ready is not None:
            self._until_ready(self)

    def ended(self) -> int | None:
        """Return its exit code if it ended."""
        return None if self._process is None else self._process.poll()

    def count_end(self) -> int:
        """Return how many times in a row it has ended, this one included."""
        stood = time.monotonic() - self._started_at
        self._ends = 1 if stood >= STEADY_S else self._ends + 1
        return self._ends

    def wait(self) -> int:
        """Return its exit code once it ends."""
        assert self._process is not None  # noqa: S101 started before
        return self._process.wait()

    def last_words(self) -> str:
        """Return what it said last and where the rest stands, to be put behind a sentence."""
        if self.log is None:
            return ""
        with contextlib.suppress(OSError):
            lines = self.log.read_text(encoding="utf-8", errors="replace").split("\n")
            said = next((line.strip() for line in reversed(lines) if line.strip()), "")
            if said:
                return f": {said[:LONGEST_QUOTE]!r}; all that it said is in {self.log}"
        return f"; it said nothing in {self.log}"

    def stop(self) -> None:
        """Ask it to end, then kill it."""
        if self._process is None or self._process.poll() is not None:
            return
        if self._process.stdin is not None:
            self._process.stdin.close()
        try:
            self._process.wait(STOP_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()


def _wait_for_scheduler(port: int, sign_in: str, child: Child) -> None:
    request = urllib.request.Request(
        f"http://{LOOPBACK}:{port}/api/health", headers={SIGN_IN_HEADER: sign_in}
    )
    # Straight there: a proxy of this machine must not see the sign-in.
    straight = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    deadline = time.monotonic() + SCHEDULER_START_S
    while child.ended() is None and time.monotonic() < deadline:
        try:
            with straight.open(request, timeout=2) as answer:
                if answer.status == 200:
                    return
        except (urllib.error.URLError, OSError):
            time.sleep(LOOK_EVERY_S)
    if child.ended() is not None:
        return  # whoever started it sees that
    raise ServingError(
        f"the scheduler did not answer within {SCHEDULER_START_S:.0f} s{child.last_words()}. If "
        "this machine was busy, run the same command again; `rollbook dashboard` and `rollbook "
        "update` work without it"
    )
