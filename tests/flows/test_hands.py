"""Whoever does the work, the same comes of it; and whoever is lost at it, the shop goes on."""

import multiprocessing
import os
import subprocess
import sys
from concurrent.futures import CancelledError
from pathlib import Path

import numpy as np
import pytest

from flows import hands
from flows.steps import read
from schemas.settings import ShopSettings, read_settings
from schemas.toml_text import MistakesError
from tests.bench import logs
from tests.broken.broken_files import parquet_bytes, sound_log

PULLS, RIDES = 20, 2


@pytest.fixture
def filled(open_little_shop, tmp_path):
    """Return a function that gives a shop of many small batches, none of it taken in yet."""

    def give(name, scheduler=""):
        shop = open_little_shop(tmp_path / name)
        made = logs.write_bench_shop(shop.folder.root, PULLS, RIDES, 1500)
        random = np.random.default_rng(1)
        made.pulls[0].with_suffix(".parquet").write_bytes(parquet_bytes(sound_log("pull", random)))
        made.pulls[1].with_name("odd.csv").write_bytes(made.pulls[1].read_bytes()[:9000] + b"x,,\n")
        if scheduler:
            with shop.folder.settings.open("a", encoding="utf-8") as file:
                file.write(f'\n[scale]\nscheduler = "{scheduler}"\n')
        return shop

    return give


@pytest.fixture
def small_batches(monkeypatch):
    monkeypatch.setattr(read, "BATCH_FILES", 5)
    monkeypatch.setattr(hands, "LEAST_TO_READ", 2)
    monkeypatch.setattr(hands, "_processes", lambda units: min(2, units))


@pytest.fixture(scope="module")
def loops():
    """Keep what the loop leaves, which every other way is held against."""
    return {}


@pytest.fixture
def loop(loops, filled, small_batches):
    """Return what reading leaves where this process does all of it."""
    if not loops:
        with pytest.MonkeyPatch.context() as patched:
            patched.setattr(hands, "LEAST_TO_READ", 1000)
            loops.update(taken_in(filled("loop")))
    return loops


def taken_in(shop):
    """Return what reading leaves: its rows, which hold by their names the sums of the samples."""
    shop.take_in()
    contents = shop.contents("raw")
    return {table: contents[table] for table in ("raw.reading", "raw.rejected_row")}


@pytest.mark.slow
def test_a_pool_leaves_what_the_loop_leaves(filled, small_batches, loop):
    assert taken_in(filled("pool")) == loop


CLUSTER = """
import sys
from distributed import LocalCluster
with LocalCluster(
    n_workers=1, threads_per_worker=1, dashboard_address=None, host="127.0.0.1"
) as cluster:
    print(cluster.scheduler_address, flush=True)
    sys.stdin.read()
"""
REPOSITORY = Path(__file__).parents[2]


@pytest.mark.slow
def test_a_cluster_leaves_what_the_loop_leaves(filled, small_batches, loop):
    pytest.importorskip("distributed")
    # A cluster is never a child of the process that uses it.
    cluster = subprocess.Popen(
        [sys.executable, "-c", CLUSTER],
        cwd=REPOSITORY,
        env={**os.environ, "PYTHONPATH": str(REPOSITORY)},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        encoding="utf-8",
    )
    with cluster:
        assert cluster.stdout is not None
        address = cluster.stdout.readline().strip()
        found = taken_in(filled("cluster", address))
        assert cluster.stdin is not None
        cluster.stdin.close()
    assert found == loop


def _dies(*_):
    os._exit(9)


def _one_more(number):
    return number + 1


@pytest.mark.slow
def test_a_reader_that_dies_costs_no_other_file(filled, small_batches, loop, monkeypatch):
    # The whole of a batch is feared then, and read file by file in a process with limits.
    submitted = []

    class Fragile(hands._Pool):
        def submit(self, function, /, *arguments):
            submitted.append(function)
            return super().submit(_dies if len(submitted) == 2 else function, *arguments)

    monkeypatch.setattr(hands, "_Pool", Fragile)
    found = taken_in(filled("pool"))
    assert len(submitted) > 5  # what stood behind was handed out anew
    assert found == loop


def _no_worker_survives(number):
    if multiprocessing.parent_process() is not None and number == 5:
        os._exit(9)
    return number + 1


@pytest.mark.slow
@pytest.mark.parametrize("function", [_one_more, _no_worker_survives])
def test_units_come_back_in_order_even_where_a_worker_dies(function, monkeypatch):
    monkeypatch.setattr(hands, "_processes", lambda units: min(2, units))
    units = hands.LEAST_TO_DERIVE + hands.MOST_AHEAD
    with hands.Spread(ShopSettings()) as spread:
        assert list(spread.map(function, iter(range(units)), units)) == list(range(1, units + 1))
        assert list(spread.map(function, [4, 5], 2)) == [5, 6]


def test_few_units_are_taken_one_by_one_as_they_are_asked_for(monkeypatch):
    monkeypatch.setattr(hands, "executor", None)
    givens = iter([1, 2])
    with hands.Spread(ShopSettings()) as spread:
        assert next(spread.map(_one_more, givens, 2)) == 2
    assert next(givens) == 2


def test_work_here_is_done_when_its_result_is_fetched_and_fails_there():
    with hands.executor(ShopSettings(), 1, 2) as here:
        assert here.submit(_one_more, 1).result() == 2
        failing = here.submit(_one_more, "one")
        with pytest.raises(TypeError):
            failing.result()


def test_a_cluster_that_is_not_there_is_told_with_what_to_do(monkeypatch):
    settings = ShopSettings.model_validate({"scale": {"scheduler": "tcp://127.0.0.1:9"}})
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(MistakesError, match="install rollbook"), hands.executor(settings, 3, 2):
        pass


def test_a_scheduler_is_an_address(tmp_path):
    path = tmp_path / "rollbook.toml"
    path.write_text('[scale]\nscheduler = "yes"\n', encoding="utf-8")
    with pytest.raises(MistakesError):
        read_settings(path)


def test_a_cluster_whose_scheduler_goes_away_leaves_the_work_to_us():
    # distributed's executor cancels then what it was asked: seen when one was ended at work.
    assert hands.is_crash(CancelledError())
    assert not hands.is_crash(ValueError())
