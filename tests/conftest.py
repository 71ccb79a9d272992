"""A little shop that a test fills by hand, and the demo shop, taken in and published once."""

import contextlib
import datetime as dt
import functools
import gc
import io
import json
import math
import os
import pickle
import shutil
import sys
import tempfile
from pathlib import Path
from types import SimpleNamespace

if "PYTEST_XDIST_WORKER" in os.environ:
    # Read when polars is imported. Workers share the cores; threads of each would wait for another.
    os.environ.setdefault("POLARS_MAX_THREADS", "1")

import duckdb
import pytest
from filelock import FileLock
from hypothesis import settings

from fixtures.demo_shop import demo_shop, write_shop
from fixtures.odd_files import FOLDER as ODD
from flows import cli
from flows.derive import STEPS, derive
from flows.intake import take_in
from flows.metrics import planner
from flows.publish import publish_snapshot
from flows.settings import open_shop
from flows.steps import engine, plan
from flows.steps.progress import plainly, quietly
from schemas.samples import FULL_CONTRACT
from schemas.settings import read_settings
from tests.in_words import read_out
from warehouse import statements, store
from warehouse.sentences import in_words, remedy_in_words
from warehouse.shop import ShopFolder

# How fast an example runs says nothing about what it gives. The same examples every time, so that a
# red run is a change's doing; `--hypothesis-profile=random` looks for new ones.
settings.register_profile("same", deadline=None, derandomize=True)
settings.register_profile("random", deadline=None)
settings.load_profile("same")

# What these tests take in is judged by the whole contract, and the quick look held against it: they
# bring what is odd. Elsewhere the look alone, as in a shop: the contract is half of an intake.
JUDGED_WHOLE = (
    "broken", "fixtures", "readers", "schemas", "test_doubts.py", "test_odd_files.py",
    "test_pulls_in_batches.py",
)  # fmt: skip

# A new shop asks 80 times what a plan could see, 5 ms each, and nearly always the same: kept here.
plan.planner = SimpleNamespace(
    **vars(planner)
    | {name: functools.cache(vars(planner)[name]) for name in ("detectable_pct", "floor_pct")}
)


def _on_one_thread(connect=duckdb.connect):
    """Open databases for one thread, as polars works: starting more is a third of a tiny update."""

    def connected(*given, config=None, **named):
        return connect(*given, config={"threads": "1"} | (config or {}), **named)

    return connected


if "PYTEST_XDIST_WORKER" in os.environ:
    duckdb.connect = _on_one_thread()

# What takes longest goes first, or one worker ends long after the other. Whoever has a browser or a
# server waits for it half of its time: one such file after another, beside those that only compute.
LONG_FILES = [
    "browser",
    "damage",
    "promises",
    "bring_in_job",
    "life",
    "torn_shops",
    "backup",
    "health",
    "pages",
    "attack",
    "cli",
    "broken_files",
    "intake",
    "engine",
    "ride_traps",
    "kills",
    "hostile_files",
    "latest_pull",
    "mixture_answers",
    "teach_desk",
    "disk_trouble",
    "schedule",
    "note_forms",
    "head_keys",
    "path",
    "hands",
    "desk",
    "serve",
    "derive",
    "acts",
    "hand_forms",
    "hand_desk",
    "story",
    "probe_response",
    "demo_shop",
    "assumed",
    "snapshot",
    "gearing",
    "gain_budget",
    "comparisons",
    "long_logs",
    "mixture_study",
    "power_doubts",
    "checks",
]

NOW = dt.datetime(2025, 6, 2, 9, 30, tzinfo=dt.UTC)
DEMO_SCALE = 0.02
# Files rest for no time: what tests bring is written whole, and each drop would wait 2 s for it.
SETTINGS = """
[intake]
settle_s = 0.0

[shop]
name = "Little shop"
altitude_m = 310.0
timezone = "Europe/Vienna"
"""
"""Whoever tests that files are let rest says so; all else would wait 2 s for each drop."""


def pytest_addoption(parser):
    """Let somebody live a shop's life again as it was."""
    parser.addoption("--life-seed", type=int, help="of the histories in tests/life, as printed")


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers():
    """Let one work while another waits for a server or a browser: a fifth of the time."""
    return (os.cpu_count() or 1) + 1


def pytest_collection_modifyitems(items):
    """Begin with the files that take longest."""
    place = {f"test_{name}.py": number for number, name in enumerate(LONG_FILES)}
    items.sort(key=lambda item: place.get(item.path.name, len(place)))


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item):
    """Let a test that brings what is odd have it judged by the whole contract."""
    os.environ.pop(FULL_CONTRACT, None)
    if not set(JUDGED_WHOLE).isdisjoint(item.path.parts):
        os.environ[FULL_CONTRACT] = "yes"


def pytest_collection_finish():
    """Search for garbage less often, and never through what collecting made: 7,000 tests."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(10_000)


def pull_text(level=1.0, mixture=None, air=(978.0, 22.0, 45), begun="2025-03-14 10:40", rows=101):
    """Return a pull in the layout plain-pull: a hump of power from 3,000 to 8,000 rpm.

    Lambda is 0.87 and a little more at high speed, or what `mixture` gives for a speed; `air` is
    the room's pressure [hPa], temperature [°C] and humidity [%], None for none.
    """
    heads = ("pressure hPa", "room degC", "humidity %")
    lines = [f"{head}: {value}" for head, value in zip(heads, air or (), strict=bool(air))]
    lines += [f"begun: {begun}", "seconds,crank rpm,wheel kW,lambda,opening %"]
    lines += [f"{0.05 * step:.2f},3000,4.0,0.970,15" for step in range(8)]
    for step in range(rows):
        speed = 3000 + 5000 * step / (rows - 1)
        power = level * 50.0 * (1 - ((speed - 7500) / 7000) ** 2)
        lean = 0.87 + 0.006 * speed / 8000 if mixture is None else mixture(speed)
        lines.append(f"{0.05 * (step + 8):.2f},{speed:.0f},{power:.3f},{lean:.4f},100")
    return "\n".join(lines) + "\n"


def ride_text(lean=0.97, seconds=60):
    """Return a ride in the layout plain-ride: two steady stretches at part throttle."""
    lines = ["seconds,crank,km/h,grip,lambda,latitude,longitude"]
    for step in range(seconds * 10):
        speed, grip = (3000, 10.0) if step < seconds * 5 else (4000, 14.0)
        shake = 0.002 * math.sin(step / 3)
        lines.append(
            f"{0.1 * step:.1f},{speed},{speed / 50:.1f},{grip},{lean + shake:.4f},"
            f"{-41.87 - step * 1e-5:.5f},{-112.25 - step * 1e-5:.5f}"
        )
    return "\n".join(lines) + "\n"


def part(category="silencer", maker="Halden", name="S2 slip-on"):
    """Return a part as a card writes it."""
    values = zip(("category", "maker", "name"), (category, maker, name), strict=True)
    return "{ " + ", ".join(f"{key} = {json.dumps(value)}" for key, value in values) + " }"


def stage_text(name="as arrived", pulls=("pull_1.csv",), rides=(), parts=(), fuel="E5", more=""):
    """Return one stage of a card; `more` takes further lines."""
    lines = [
        "[[stage]]",
        f"name = {json.dumps(name)}",
        f"fuel = {json.dumps(fuel)}",
        f"parts = [{', '.join(parts)}]",
        f"pulls = {json.dumps(list(pulls))}",
        f"rides = {json.dumps(list(rides))}",
        more,
    ]
    return "\n".join(lines)


def card_text(
    job="J-1", stages=None, bike="B-1", received="2025-03-14", model="Strada 690", cc=690, more=""
):
    """Return a job card; `more` takes further lines of the bike."""
    lines = [
        f"job = {json.dumps(job)}",
        f"received = {received}",
        "",
        "[bike]",
        f"reference = {json.dumps(bike)}",
        'make = "Corvane"',
        f"model = {json.dumps(model)}",
        "generation = [2016, 2019]",
        f"displacement_cc = {cc}",
        more,
        "",
    ]
    return "\n".join([*lines, *([stage_text()] if stages is None else stages)]) + "\n"


def command_line(*arguments):
    """Run a command in this process as from a terminal; return its exit code and what it said.

    What was said comes in one line. Starting a process for it takes a second and more.
    """
    said, before, rights = io.StringIO(), sys.argv, os.umask(0o077)
    os.umask(rights)
    sys.argv = ["rollbook", *map(str, arguments)]
    try:
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
            cli.main()
        code = 0
    except SystemExit as ended:
        code = ended.code or 0
    finally:
        sys.argv = before
        os.umask(rights)
    return code, " ".join(said.getvalue().replace("│", " ").split())


@functools.cache
def empty_database():
    """Return the bytes of a database without rows: 90 tables cost more to make than to copy."""
    with tempfile.TemporaryDirectory() as place:
        folder = ShopFolder(Path(place))
        with store.writer(folder):
            pass
        return folder.database.read_bytes()


@functools.cache
def needed(*tables):
    """Return the steps that make some tables, with all that these rest on."""
    wanted = {*statements.of_tables(tables)}
    steps = []
    for step in reversed(engine.ordered(STEPS)):
        if wanted & {*step.tables, *step.beside}:
            steps.append(step)
            wanted |= {*statements.of_tables(step.reads)}
    return tuple(reversed(steps))


class LittleShop:
    """A shop in a folder, made if it is not there, with the steps that a test drives by hand."""

    def __init__(self, root):
        self.folder = ShopFolder(root)
        if self.folder.exists():
            return
        self.folder.make()
        self.folder.database.write_bytes(empty_database())
        self.folder.settings.write_text(SETTINGS, encoding="utf-8")
        for name in ("plain-pull.toml", "plain-ride.toml"):
            shutil.copy(ODD / "layouts" / name, self.folder.layouts / name)

    @property
    def settings(self):
        return read_settings(self.folder.settings)

    def put(self, place, content):
        path = self.folder.inbox / place
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return path

    def job(self, number, levels=(1.0, 1.1), begun="2025-03-14 10:40", **changes):
        """Put a whole job into the inbox: two pulls a stage, a stage for each power level."""
        folder = f"job {number}"
        stages = []
        for stage, level in enumerate(levels, start=1):
            names = [f"s{stage}_{pull}.csv" for pull in (1, 2)]
            for pull, name in enumerate(names):
                # Each job's pulls differ a little: equal bytes would be one pull.
                text = pull_text(level * (1 + 0.001 * pull + 0.0001 * number), begun=begun)
                self.put(f"{folder}/{name}", text)
            fitted = [part()] if stage > 1 else []
            stages.append(stage_text(f"stage {stage}", names, parts=fitted))
        given = {"job": f"J-{number}", "bike": f"B-{number}", "stages": stages} | changes
        self.put(f"{folder}/card.toml", card_text(**given))
        return folder

    def take_in(self, now=NOW, **ways):
        with store.writer(self.folder) as connection:
            return take_in(connection, self.folder, self.settings, now=now, **ways)

    def derive(self, **ways):
        with store.writer(self.folder) as connection:
            return derive(connection, self.folder, self.settings, **ways)

    def work(self, now=NOW, **ways):
        """Take in and derive, without publishing."""
        with store.writer(self.folder) as connection:
            take_in(connection, self.folder, self.settings, now=now, **ways)
            return derive(connection, self.folder, self.settings, **ways)

    def work_out(self, *tables, now=NOW):
        """Take in, derive some tables and what they rest on; return what was made of each step.

        No check is asked, and what comes of these tables is not seen: a third of the work.
        """
        given = engine.Given(self.folder, self.settings)
        with store.writer(self.folder) as connection:
            take_in(connection, self.folder, self.settings, now=now)
            return engine.bring_up(connection, needed(*tables), given, plainly, quietly)

    def show(self, *tables, now=NOW):
        """Publish with some tables worked out as `work_out` does; all others as they stood."""
        self.work_out(*tables, now=now)
        with store.writer(self.folder) as connection:
            publish_snapshot(connection, self.folder, now=now)

    def update(self, now=NOW, **ways):
        with store.writer(self.folder) as connection:
            take_in(connection, self.folder, self.settings, now=now, **ways)
            result = derive(connection, self.folder, self.settings, **ways)
            publish_snapshot(connection, self.folder, now=now)
        return result

    def rows(self, query, *params):
        """Return a query's rows, with notes as people read them."""
        with store.writer(self.folder) as connection:
            done = connection.execute(query, list(params))
            names = [column[0] for column in done.description or ()]
            found = done.fetchall()
        say = [remedy_in_words if name == "remedy" else read_out for name in names]
        return [tuple(one(value) for one, value in zip(say, row, strict=True)) for row in found]

    def outcome(self, place):
        folder, name = place.rsplit("/", 1)
        with store.writer(self.folder) as connection:
            ((state, code, reason),) = connection.execute(
                "SELECT state, reason_code, reason FROM raw.outcome "
                "WHERE job_folder = ? AND file_name = ?",
                [folder, name],
            ).fetchall()
        remedy = remedy_in_words(reason)
        return SimpleNamespace(state=state, code=code, reason=in_words(reason), remedy=remedy)

    def contents(self, *layers, without=("received_at",)):
        """Return every table of some layers as sorted rows, to compare warehouses by."""
        left_out = ", ".join(f"'{name}'" for name in without)
        with store.writer(self.folder) as connection:
            found = {}
            for table in statements.definitions():
                if table.split(".")[0] in layers:
                    names = f"lambda name: name NOT IN ({left_out})" if without else "*"
                    query = f"SELECT COLUMNS({names}) FROM {table}"  # noqa: S608
                    rows = connection.execute(query).fetchall()
                    found[table] = sorted(map(repr, rows))
            return found

    def forget_warehouse(self):
        shutil.rmtree(self.folder.warehouse)


@pytest.fixture(scope="session")
def make():
    """Write files and cards: make.pull(), make.ride(), make.stage(), make.card(), make.part()."""
    return SimpleNamespace(
        pull=pull_text, ride=ride_text, stage=stage_text, card=card_text, part=part
    )


@pytest.fixture
def shop(tmp_path):
    """Make an empty shop with the layouts plain-pull and plain-ride."""
    return LittleShop(tmp_path / "shop")


@pytest.fixture(scope="session")
def open_little_shop():
    """Open any folder as a little shop."""
    return LittleShop


@pytest.fixture(scope="session")
def demo(tmp_path_factory, worker_id):
    """Take in, derive and publish the demo shop, small; for reading only.

    All workers share one: whoever needs it first makes it, the others wait.
    """
    base = tmp_path_factory.getbasetemp()
    place = (base if worker_id == "master" else base.parent) / "demo shop"
    place.mkdir(exist_ok=True)
    root, known = place / "shop", place / "known.pickle"
    invented = demo_shop(scale=DEMO_SCALE)
    with FileLock(place / "making.lock"):
        if not known.exists():
            write_shop(root, invented)
            folder, settings = open_shop(root)
            with store.writer(folder) as connection:
                taken = take_in(connection, folder, settings, now=NOW)
                derived = derive(connection, folder, settings)
                snapshot = publish_snapshot(connection, folder, now=NOW)
            known.write_bytes(pickle.dumps((taken, derived._replace(contents=None), snapshot)))
    folder, settings = open_shop(root)
    taken, derived, snapshot = pickle.loads(known.read_bytes())  # noqa: S301 written just now
    return SimpleNamespace(
        folder=folder, settings=settings, truth=invented, taken=taken, derived=derived,
        snapshot=snapshot,
    )  # fmt: skip


@pytest.fixture
def demo_copy(demo, tmp_path):
    """Copy the demo shop, for a test to spoil."""
    root = tmp_path / "demo"
    shutil.copytree(demo.folder.root, root)
    return ShopFolder(root)


@pytest.fixture
def read_demo(demo):
    """Run a query on the published snapshot of the demo shop."""
    from warehouse.snapshot import open_reader

    reader = open_reader(demo.snapshot.path)
    yield lambda query, *params: reader.execute(query, list(params)).fetchall()
    reader.close()
