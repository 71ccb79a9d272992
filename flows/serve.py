"""Keeps a shop running: scheduler, served flows and dashboard, with one command."""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import subprocess
import sys
import time
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
from warehouse.whole_file import write_whole

SCHEDULER_START_S = 120.0
"""A first start on a slow disk takes tens of seconds; the next one is given twice as long."""
STOP_S = 20.0
"""A leash takes up to 15 s to end what it holds."""
LOOK_EVERY_S = 0.5
RESTART_PAUSE_S = 5.0
"""Seconds before the next start; doubled with each end in a row."""
MOST_DOUBLINGS = 7
"""The longest pause is some ten minutes: what was in the way may be gone any time."""
STANDS_S = 30.0
"""What ended before counts as up again once it has stood so long."""
STEADY_S = 600.0
"""What ran for so long before it ended counts as ended for the first time."""
LONGEST_QUOTE = 200
STATE_VARIABLE = "ROLLBOOK_SERVING_STATE"
"""Names to the pages the file with what is served beside them and not up."""


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

    What does not start or stay up is tried again and again, and the others stand meanwhile. Raises
    PortTakenError if a port is taken. Raises ServingError if the shop is served already or cannot
    be written.
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
                for told in where(dashboard_port, network):
                    say(told)
                all_up = (
                    f"What comes into {shop.inbox} is taken in once it rests, and every "
                    f"{settings.schedule.intake_minutes} minutes all of it is looked through; what "
                    f"was done is in {shop.logs / 'flows.log'}. "
                    "Ctrl-C ends it all."
                )
                keep_up(children, say, state_file(shop), all_up)
            except KeyboardInterrupt:
                say("Stopping.")
            finally:
                # Flows first: a run in the middle of its work is told to end while its scheduler
                # still hears.
                for child in reversed(children):
                    child.stop()
                with contextlib.suppress(OSError):
                    state_file(shop).unlink(missing_ok=True)
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


def keep_up(
    children: Sequence[Child], say: Callable[[str], None], state: Path, all_up: str
) -> None:
    """Start what is served, and again what ends, later each time; write down what is not up."""
    due = dict.fromkeys(children, 0.0)
    wrong: dict[Child, str] = {}
    written, was_all_up = None, False
    while True:
        for child in children:
            if trouble := _look_after(child, due):
                pause_s = RESTART_PAUSE_S * 2 ** min(child.count_end() - 1, MOST_DOUBLINGS)
                due[child] = time.monotonic() + pause_s
                at = time.strftime("%H:%M:%S", time.localtime(time.time() + pause_s))
                wrong[child] = f"{trouble}, next start {at}"
                say(
                    f"The {child.name} {trouble}{child.last_words()}. It starts again in "
                    f"{pause_s:.0f} s; the rest stays up."
                )
            elif child in wrong and child.has_stood(STANDS_S):
                del wrong[child]
                say(f"The {child.name} is up again.")
        told = [
            f"{child.name}: {wrong.get(child) or child.waits}"
            for child in children
            if child in wrong or not child.is_up
        ]
        if not told and not was_all_up:
            was_all_up = True
            say(all_up)
        if told != written:
            written = told
            # On a full disk the terminal alone tells it.
            with contextlib.suppress(OSError):
                write_whole(state, "".join(f"{line}\n" for line in told), to_disk=False)
        time.sleep(LOOK_EVERY_S)


def _look_after(child: Child, due: dict[Child, float]) -> str:
    """Start what is due; return what is wrong with it, "" if nothing is."""
    if child not in due:
        return child.trouble()
    if time.monotonic() >= due[child] and (child.after is None or child.after.is_up):
        del due[child]
        try:
            child.start()
        except OSError as error:
            return f"could not be started ({error.strerror})"
    return ""


def state_file(shop: ShopFolder) -> Path:
    """Return the file in which what is served and not up stands, a line each."""
    return shop.warehouse / "serving.txt"


def _children(
    shop: ShopFolder, dashboard_port: int, server_port: int, network: Network
) -> list[Child]:
    """Return what is served, in the order in which it starts."""
    sign_in = sign_in_of(shop)
    environment = {**os.environ, **prefect_environment(shop, server_port, sign_in)}
    scheduler = [sys.executable, "-m", "flows.scheduler", str(server_port)]
    flows = [sys.executable, "-m", "flows.schedule", str(shop.root)]
    command, of_pages = dashboard_command(shop, dashboard_port, network)
    # Only pages that are served beside the others can say how these are.
    of_pages[STATE_VARIABLE] = str(state_file(shop))
    pages = Child("dashboard", command, of_pages, shop.logs / "dashboard.log")
    scheduling = Child(
        "scheduler",
        scheduler,
        environment,
        shop.logs / "scheduler.log",
        answers=lambda: _answers(server_port, sign_in),
    )
    running = Child("flows", flows, environment, shop.logs / "flows.log", after=scheduling)
    return [pages, scheduling, running]


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
        answers: Callable[[], bool] | None = None,
        after: Child | None = None,
    ) -> None:
        self.name = name
        self.log = log
        self.after = after
        self.is_up = False
        self._command = command
        self._environment = environment
        self._answers = answers
        self._process: subprocess.Popen[bytes] | None = None
        self._started_at = 0.0
        self._ends = 0

    def start(self) -> None:
        """Start it, its output going to its log or to this terminal."""
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
        self.is_up = self._answers is None

    def ended(self) -> int | None:
        """Return its exit code if it ended."""
        return None if self._process is None else self._process.poll()

    @property
    def waits(self) -> str:
        """What it does before it is up."""
        is_waiting = self._process is None and self.after is not None
        return f"waits for the {self.after.name}" if is_waiting and self.after else "is starting"

    def trouble(self) -> str:
        """Return what is wrong with it, "" if it is up or may still come up."""
        if (code := self.ended()) is not None:
            return f"ended (code {code})"
        if not self.is_up and self._answers is not None:
            self.is_up = self._answers()
        # Twice as long each time: a machine too slow for it must not end it for ever.
        patience_s = SCHEDULER_START_S * 2 ** min(self._ends, MOST_DOUBLINGS)
        if self.is_up or not self._has_run(patience_s):
            return ""
        self.stop()
        return f"did not answer within {patience_s:.0f} s"

    def has_stood(self, seconds: float) -> bool:
        """Whether it has been up for so long, its start counted."""
        return self.is_up and self._has_run(seconds)

    def _has_run(self, seconds: float) -> bool:
        return time.monotonic() - self._started_at >= seconds

    def count_end(self) -> int:
        """Return how many times in a row it has ended, this one included."""
        self._ends = 1 if self.has_stood(STEADY_S) else self._ends + 1
        self.is_up = False
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


def _answers(port: int, sign_in: str) -> bool:
    """Whether the scheduler answers."""
    request = urllib.request.Request(
        f"http://{LOOPBACK}:{port}/api/health", headers={SIGN_IN_HEADER: sign_in}
    )
    # Straight there: a proxy of this machine must not see the sign-in.
    straight = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    try:
        with straight.open(request, timeout=2) as answer:
            return answer.status == 200
    except OSError:
        return False
