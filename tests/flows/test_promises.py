"""The promises: all of it can be made again, nothing twice, small change makes small work."""

import json
import os
import random
import shutil
import subprocess
import sys
import time
from itertools import zip_longest
from pathlib import Path

import pytest

from flows.derive import STEPS

REPOSITORY = Path(__file__).parents[2]


def same_again(shop):
    """Return core and out before and after the warehouse was made again from the archive."""
    before = shop.contents("core", "out")
    shop.forget_warehouse()
    shop.work()
    return before, shop.contents("core", "out")


def assert_equal(after, before):
    for table in before:
        assert after[table] == before[table], table


# All of it can be made again


@pytest.fixture(scope="session")
def old_root(tmp_path_factory, make, open_little_shop):
    """Make a shop with a past: corrected cards, refused files, a late layout, a ride."""
    shop = open_little_shop(tmp_path_factory.mktemp("old") / "shop")
    layout = shop.folder.layouts / "plain-ride.toml"
    taught = layout.read_text(encoding="utf-8")
    layout.unlink()
    for number in (1, 2, 3):
        shop.job(number)
    shop.put("job 3/empty.csv", b"")
    shop.put("job 3/copy.csv", (shop.folder.inbox / "job 1" / "s1_1.csv").read_bytes())
    shop.put("job 4/ride_1.csv", make.ride())
    shop.put("job 4/card.toml", make.card("J-4", bike="B-1", stages=[make.stage(rides=["*.csv"])]))
    shop.work()
    layout.write_text(taught, encoding="utf-8")
    shop.job(2, levels=(1.0, 1.2))
    shop.work()
    shop.put("job 1/card.toml", make.card("J-1", bike="B-1", received="2025-03-15", stages=[
        make.stage("stage 1", ["s1_1.csv", "s1_2.csv"]),
        make.stage("stage 2", ["s2_1.csv", "s2_2.csv", "late.csv"], parts=[make.part("airbox")]),
    ]))  # fmt: skip
    shop.put("job 3/card.toml", "job = 3")
    shop.work()
    return shop.folder.root


@pytest.fixture
def old_shop(old_root, open_little_shop, tmp_path):
    """Copy the shop with a past, for a test to work on."""
    return open_little_shop(shutil.copytree(old_root, tmp_path / "old"))


@pytest.fixture(scope="session")
def old_contents(old_root, open_little_shop):
    """Return what core and out of the shop with a past hold."""
    return open_little_shop(old_root).contents("core", "out")


def test_archive_layouts_and_settings_are_enough_to_make_it_again_row_for_row(
    old_shop, old_contents
):
    hangs_on_when = ("linked_from", "modified_ns")
    ledger = old_shop.contents("raw", without=hangs_on_when)
    shutil.rmtree(old_shop.folder.inbox)
    old_shop.forget_warehouse()
    old_shop.work()
    assert len(old_contents["out.gain"]) == 3
    assert len(old_contents["out.stage_cruise"]) == 1
    assert_equal(old_shop.contents("core", "out"), old_contents)
    # Which pulls share a sample file hangs on when they came; the samples do not.
    after = old_shop.contents("raw", without=hangs_on_when)
    for table in ("raw.arrival", "raw.file", "raw.card", "raw.outcome", "raw.rejected_row"):
        assert after[table] == ledger[table], table


# Five ways in which two claims disagree. Each has bikes, jobs and pulls of its own, so that one
# shop holds all of them; each hangs on what came first, and is taken in piece by piece.


def two_cards_with_one_number(shop, make):
    # Bug: the first folder to arrive lost its number to one that had a card before it did.
    shop.put("number a/pull_1.csv", make.pull(1.01))
    yield
    shop.put("number b/pull_1.csv", make.pull(1.02))
    shop.put("number b/card.toml", make.card("N-1", bike="B-N"))
    yield
    shop.put("number a/card.toml", make.card("N-1", bike="B-N"))


def two_cards_that_name_one_bike_two_models(shop, make):
    shop.put("model a/pull_1.csv", make.pull(1.03))
    yield
    shop.put("model b/pull_1.csv", make.pull(1.04))
    shop.put("model b/card.toml", make.card("M-2", bike="B-M", model="Strada 790"))
    yield
    shop.put("model a/card.toml", make.card("M-1", bike="B-M", model="Strada 690"))


def two_years_given_for_one_bike(shop, make):
    # Bug: the card that was linked last decided, and that hangs on when cards were corrected.
    for folder, job, year, level in (("a", "Y-1", 2017, 1.05), ("b", "Y-2", 2018, 1.06)):
        shop.put(f"year {folder}/pull_1.csv", make.pull(level))
        shop.put(f"year {folder}/card.toml", make.card(job, bike="B-Y", more=f"year = {year}"))
    yield
    later = make.card("Y-1", bike="B-Y", more="year = 2017", received="2025-03-15")
    shop.put("year a/card.toml", later)


def two_origins_given_for_one_map(shop, make):
    def card(job, origin, received="2025-03-14"):
        mapped = f'map = {{ name = "Kestrel", revision = 3, from = {origin} }}'
        return make.card(job, bike=f"B-{job}", received=received, stages=[make.stage(more=mapped)])

    for folder, job, origin, level in (("a", "O-1", 1, 1.07), ("b", "O-2", 2, 1.08)):
        shop.put(f"origin {folder}/pull_1.csv", make.pull(level))
        shop.put(f"origin {folder}/card.toml", card(job, origin))
    yield
    shop.put("origin a/card.toml", card("O-1", 1, received="2025-03-15"))


def two_claims_on_the_same_bytes(shop, make):
    def claim(job, **stages):
        shop.put(f"bytes {job}/pull_1.csv", make.pull(1.09))
        shop.put(f"bytes {job}/card.toml", make.card(job, bike=f"B-{job}", **stages))

    claim("C-1")
    yield
    claim("C-2")
    yield
    claim("C-3")
    yield
    claim("C-1", stages=[make.stage(pulls=[])])


def test_of_two_claims_that_disagree_the_same_stands_again(shop, make):
    disagreeing = (
        two_cards_with_one_number,
        two_cards_that_name_one_bike_two_models,
        two_years_given_for_one_bike,
        two_origins_given_for_one_map,
        two_claims_on_the_same_bytes,
    )
    for _ in zip_longest(*(claims(shop, make) for claims in disagreeing)):
        shop.take_in()
    shop.work_out("out.map_revision", "out.gain")
    bytes_of = "SELECT stage_id FROM core.pull WHERE stage_id LIKE 'C-%'"
    assert shop.rows(bytes_of) == [("C-2/1",)]
    before = shop.contents("core", "out")
    shop.forget_warehouse()
    shop.work_out("out.map_revision", "out.gain")
    assert_equal(shop.contents("core", "out"), before)


def test_a_bike_of_another_size_leaves_the_likenesses_of_others_as_they_are(shop, make):
    # Bug: likeness had a scale that spanned all sizes, yet far sizes did not make a list anew.
    for number, size in ((1, 690), (2, 750), (3, 800)):
        shop.job(number, levels=(1.0,), cc=size)
    shop.work_out("out.similar_build")
    before = shop.rows("SELECT similarity_share FROM out.similar_build ORDER BY ALL")
    # Nothing was run on it: no session and no gain changes with it.
    small = make.card("J-4", bike="B-4", cc=125, stages=[make.stage(pulls=[])])
    shop.put("job 4/card.toml", small)
    shop.work_out("out.similar_build")
    assert shop.rows("SELECT similarity_share FROM out.similar_build ORDER BY ALL") == before
    shop.forget_warehouse()
    shop.work_out("out.similar_build")
    assert shop.rows("SELECT similarity_share FROM out.similar_build ORDER BY ALL") == before


def test_an_order_of_arrival_does_not_change_a_figure(shop, open_little_shop, tmp_path):
    other = open_little_shop(tmp_path / "other")
    shop.job(1)
    shop.work()
    for number in (2, 3):
        shop.job(number)
    shop.work()
    for number in (1, 2, 3):
        other.job(number)
    other.work()
    assert_equal(other.contents("core", "out"), shop.contents("core", "out"))


# Nothing twice, also after a kill


def test_deriving_and_publishing_twice_changes_nothing(shop):
    for number in (1, 2):
        shop.job(number)
    shop.update()
    before = shop.contents("raw", "core", "out", without=())

    def published_files():
        return sorted((p.name, p.stat().st_mtime_ns) for p in shop.folder.published.iterdir())

    published = published_files()
    again = shop.update()
    assert shop.contents("raw", "core", "out", without=()) == before
    assert published_files() == published
    assert set(again.made.values()) == {0}


class Stopped(BaseException):
    """The run ends here, whatever it was about to do."""


@pytest.fixture
def torn_shops(old_root, open_little_shop, tmp_path):
    """Copy the shop with a past, its warehouse gone."""

    def copy(name):
        shop = open_little_shop(shutil.copytree(old_root, tmp_path / name))
        shop.forget_warehouse()
        return shop

    return copy


@pytest.fixture(scope="module")
def undisturbed(old_root, open_little_shop, tmp_path_factory):
    """Return the steps of a whole run, and the words of its progress, in order."""
    shop = open_little_shop(shutil.copytree(old_root, tmp_path_factory.mktemp("whole") / "shop"))
    shop.forget_warehouse()
    names, told = [], []

    def count(name, function, *arguments):
        names.append(name)
        return function(*arguments)

    shop.work(run=count, progress=lambda *tale: told.append(tale[2]))
    return names, list(dict.fromkeys(told))


# One shop is stopped at one place after another, each run going on where the one before was
# stopped; in the long run every place has a shop of its own, made good at once.
EACH_ITS_OWN = pytest.mark.parametrize(
    "each_its_own", [False, pytest.param(True, marks=pytest.mark.long)]
)


def stopped_at(places, stop, torn_shops, old_contents, each_its_own):
    shop = torn_shops("torn")
    for place in places:
        if each_its_own:
            shop = torn_shops(f"torn {place}")
        with pytest.raises(Stopped):
            shop.work(**stop(place))
        if each_its_own:
            shop.work()
            assert_equal(shop.contents("core", "out"), old_contents)
    shop.work()
    assert_equal(shop.contents("core", "out"), old_contents)


@EACH_ITS_OWN
def test_a_run_stopped_between_two_steps_is_made_good_by_the_next(
    undisturbed, torn_shops, old_contents, each_its_own
):
    names, _ = undisturbed
    assert len(names) == 7 + len(STEPS)

    def stop(before):
        def run(name, function, *arguments):
            if name == before:
                raise Stopped
            return function(*arguments)

        return {"run": run}

    places = names[2 :: 1 if each_its_own else 4]
    stopped_at(places, stop, torn_shops, old_contents, each_its_own)


@EACH_ITS_OWN
def test_a_run_stopped_within_a_step_is_made_good_by_the_next(
    undisturbed, torn_shops, old_contents, each_its_own
):
    _, words = undisturbed
    assert {"reading", "linking", "drawing curves", "comparing stages"} <= set(words)

    def stop(word):
        def progress(done, total, said):
            if said == word and 2 * done >= total:
                raise Stopped

        return {"progress": progress}

    places = words if each_its_own else words[:: len(words) // 5]
    stopped_at(places, stop, torn_shops, old_contents, each_its_own)


@pytest.mark.long
def test_a_killed_update_run_again_gives_what_an_undisturbed_one_gives(torn_shops, old_contents):
    command = [sys.executable, "-m", "flows.cli", "update"]
    environment = {**os.environ, "PYTHONUTF8": "1"}
    draw = random.Random(20250314)
    shop = torn_shops("undisturbed")
    started = time.monotonic()
    subprocess.run(
        [*command, str(shop.folder.root)], cwd=REPOSITORY, env=environment, check=True,
        stdout=subprocess.DEVNULL,
    )  # fmt: skip
    lasted = time.monotonic() - started
    assert_equal(shop.contents("core", "out"), old_contents)
    shop = torn_shops("torn")
    killed = 0
    for _ in range(3):
        process = subprocess.Popen(
            [*command, str(shop.folder.root)], cwd=REPOSITORY, env=environment,
            stdout=subprocess.DEVNULL,
        )  # fmt: skip
        try:
            process.wait(lasted * draw.uniform(0.4, 0.95))
        except subprocess.TimeoutExpired:
            process.kill()
            killed += 1
        process.wait()
    assert killed
    shop.update()
    assert_equal(shop.contents("core", "out"), old_contents)
    assert [path.name for path in shop.folder.root.rglob("*making*")] == []


def test_a_line_of_the_ledger_torn_by_a_kill_is_written_again(shop):
    shop.job(1)
    shop.take_in()
    ledger = shop.folder.archive / "arrivals.jsonl"
    lines = ledger.read_text(encoding="utf-8").splitlines(keepends=True)
    before = shop.contents("raw", "core")
    ledger.write_text("".join(lines[:-1]) + lines[-1][:40], encoding="utf-8")
    shop.forget_warehouse()
    shop.take_in()
    again = [json.loads(line) for line in ledger.read_text(encoding="utf-8").splitlines()]
    assert [entry["arrival_no"] for entry in again] == list(range(1, len(lines) + 1))
    assert shop.contents("core") == {k: v for k, v in before.items() if k.startswith("core.")}


def test_a_kill_between_derive_and_publish_leaves_the_shop_behind(shop):
    # Bug: derive had ended, so the next intake saw nothing to do and readers kept the old state.
    from flows.derive import is_behind
    from flows.publish import publish_snapshot
    from warehouse import store

    shop.job(1)
    shop.take_in()
    shop.derive()
    with store.writer(shop.folder) as connection:
        assert is_behind(connection, shop.settings)
        publish_snapshot(connection, shop.folder)
        assert not is_behind(connection, shop.settings)


# Small change, small work


def made_again(before, after, table):
    """Return the rows of a table that are not as they were."""
    return len(set(after[table]) - set(before[table]))


@pytest.fixture(scope="session")
def two_sizes_root(tmp_path_factory, open_little_shop):
    """Derive three jobs of one size class and one of another."""
    shop = open_little_shop(tmp_path_factory.mktemp("two sizes") / "shop")
    for number in (1, 2, 3):
        shop.job(number)
    shop.job(4, cc=125, model="Sprint 125")
    shop.work()
    return shop.folder.root


@pytest.fixture
def two_sizes(two_sizes_root, open_little_shop, tmp_path):
    """Copy the shop with two sizes of bike, for a test to work on."""
    return open_little_shop(shutil.copytree(two_sizes_root, tmp_path / "two sizes"))


def test_one_new_pull_makes_its_own_curve_session_and_gains_anew_and_no_other(two_sizes, make):
    before = two_sizes.contents("out")
    names = ["s2_1.csv", "s2_2.csv", "s2_3.csv"]
    two_sizes.put("job 2/s2_3.csv", make.pull(1.1025))
    two_sizes.put("job 2/card.toml", make.card("J-2", bike="B-2", stages=[
        make.stage("stage 1", ["s1_1.csv", "s1_2.csv"]),
        make.stage("stage 2", names, parts=[make.part()]),
    ]))  # fmt: skip
    result = two_sizes.work()
    after = two_sizes.contents("out")
    steps = ("draw curves", "average sessions", "compare stages", "read rides")
    assert [result.made[step] for step in steps] == [1, 1, 1, 0]
    for table, rows in (("out.pull", 1), ("out.session", 1), ("out.gain", 1)):
        assert made_again(before, after, table) == rows, table
    # What is told of the job's two stages is new; the lists of others follow (test_alike).
    assert result.made["find similar builds"] == 2


def test_a_new_job_of_another_change_leaves_the_pooled_effects_of_others(two_sizes, make):
    before = dict(two_sizes.rows("SELECT effect_id, made_from FROM out.pooled_effect"))
    two_sizes.put("new/pull_1.csv", make.pull(1.003))
    two_sizes.put("new/pull_2.csv", make.pull(1.203))
    two_sizes.put("new/card.toml", make.card("J-9", bike="B-9", stages=[
        make.stage(pulls=["pull_1.csv"]),
        make.stage("airbox open", ["pull_2.csv"], parts=[make.part("airbox")]),
    ]))  # fmt: skip
    assert two_sizes.work().made["pool effects"] == 1
    after = dict(two_sizes.rows("SELECT effect_id, made_from FROM out.pooled_effect"))
    assert before.items() < after.items()


def test_another_warning_threshold_makes_no_curve_and_no_gain_anew(two_sizes):
    before = two_sizes.contents("out")
    with two_sizes.folder.settings.open("a", encoding="utf-8") as settings:
        settings.write("[mixture]\nwarn_pct = 9.0\n")
    result = two_sizes.work()
    assert result.made["draw curves"] == 0
    assert result.made["average sessions"] == 8
    after = two_sizes.contents("out")
    assert after["out.pull"] == before["out.pull"]
    assert after["out.pull_curve"] == before["out.pull_curve"]
    facts = dict(two_sizes.rows("SELECT fact, fact_value FROM out.shop_fact"))
    assert facts["mixture.warn_pct"] == "9.0"


def test_another_unit_to_show_makes_nothing_anew(two_sizes):
    with two_sizes.folder.settings.open("a", encoding="utf-8") as settings:
        settings.write('[show]\npower = "PS"\n')
    made = two_sizes.work().made
    assert {step for step, count in made.items() if count} <= {"write down settings"}


def test_another_reference_air_makes_every_curve_anew(two_sizes):
    with two_sizes.folder.settings.open("a", encoding="utf-8") as settings:
        settings.write('[figures]\nreference_air = "ISO 1585"\n')
    assert two_sizes.work().made["draw curves"] == 16
    assert two_sizes.rows("SELECT DISTINCT reference_air FROM out.pull") == [("ISO 1585",)]


def test_a_job_taken_off_the_cards_leaves_no_row_behind(two_sizes, make):
    two_sizes.put("job 2/card.toml", make.card("J-2", bike="B-2", stages=[make.stage(pulls=[])]))
    two_sizes.work()
    for table in ("pull", "session", "stage_mixture"):
        query = f"SELECT * FROM out.{table} WHERE stage_id LIKE 'J-2/%'"  # noqa: S608
        assert not two_sizes.rows(query), table
    assert not two_sizes.rows("SELECT * FROM out.gain WHERE bike_id = 'B-2'")
    assert not two_sizes.rows("SELECT * FROM out.similar_build WHERE other_bike_id = 'B-2'")
    assert not two_sizes.rows("SELECT * FROM out.pooled_member WHERE bike_id = 'B-2'")
    before, after = same_again(two_sizes)
    assert_equal(after, before)
