"""The one cycle of deriving: what is gathered, what is made again, in which order."""

import dataclasses
import pickle
import shutil

import polars as pl
import pytest

from flows import hands
from flows.derive import STEPS
from flows.steps import engine
from flows.steps.progress import plainly, quietly
from tests.studies.kill_study import fill_first, fill_second
from warehouse import statements, store

BY_NAME = {step.name: step for step in STEPS}


def assert_equal(after, before):
    for table in before:
        assert after[table] == before[table], table


@pytest.fixture(scope="module")
def full(tmp_path_factory, open_little_shop):
    """Derive a shop that has something for every step to do."""
    shop = open_little_shop(tmp_path_factory.mktemp("full") / "shop")
    fill_first(shop)
    shop.work()
    return shop


@pytest.fixture
def shop_of_all(full, open_little_shop, tmp_path):
    """Copy that shop, for a test to change."""
    return open_little_shop(shutil.copytree(full.folder.root, tmp_path / "full"))


def given(shop):
    return engine.Given(shop.folder, shop.settings)


def standing(connection, step):
    """Return the fingerprint of each key of a step."""
    key = step.key or "''"
    query = f"SELECT DISTINCT {key}, made_from FROM {step.tables[0]}"  # noqa: S608
    return dict(connection.execute(query).fetchall())


# Small change, small work: for every step one changed input, and the keys that it touches.
CHANGES = {
    "draw curves": (
        "UPDATE core.pull SET rows_rejected = 1 WHERE pull_no = 1 AND stage_id = 'J-2/2'",
        "SELECT pull_id FROM core.pull WHERE pull_no = 1 AND stage_id = 'J-2/2'",
    ),
    "hold logs against their model's": (
        "UPDATE out.pull SET engine_roller_ratio = 300 WHERE pull_no = 1 AND stage_id = 'J-2/2'",
        "SELECT model_id FROM out.session WHERE stage_id = 'J-2/2'",
    ),
    "average sessions": (
        "UPDATE out.pull SET made_from = 'x' WHERE pull_no = 1 AND stage_id = 'J-2/2'",
        "SELECT 'J-2/2'",
    ),
    "judge the dyno's repeatability": (
        "UPDATE out.session SET repeatability_share = 0.1 WHERE stage_id = 'J-2/2'",
        "SELECT ''",
    ),
    "chart the control bike": (
        "UPDATE out.session SET made_from = 'x' WHERE stage_id = 'J-2/2'",
        "SELECT ''",
    ),
    # Of one model, all of it is held against the bike whose baseline changed.
    "hold bikes against siblings": (
        "UPDATE out.session SET made_from = 'x' WHERE stage_id = 'J-2/1'",
        "SELECT DISTINCT bike_id FROM out.session "
        "WHERE model_id = (SELECT model_id FROM core.bike WHERE bike_id = 'B-2')",
    ),
    "plan comparisons": ("UPDATE out.trust SET remount_share = 0.02", "SELECT ''"),
    "compare stages": (
        "UPDATE out.session SET made_from = 'x' WHERE stage_id = 'J-2/2'",
        "SELECT DISTINCT job_id FROM out.gain "
        "WHERE 'J-2/2' IN (before_stage_id, after_stage_id, again_stage_id)",
    ),
    "read rides": (
        "UPDATE core.ride SET rows_rejected = 1 WHERE stage_id = 'J-7/1'",
        "SELECT 'J-7/1'",
    ),
    # What the second stage's map holds rests on what the first one's round gave.
    "suggest fuel changes": (
        "UPDATE out.stage_cruise SET made_from = 'x' WHERE stage_id = 'J-7/1'",
        "SELECT unnest(['J-7/1', 'J-7/2'])",
    ),
    "pool effects": (
        "UPDATE out.gain SET made_from = 'x' WHERE before_stage_id = 'J-2/1'",
        "SELECT change_key FROM out.gain WHERE before_stage_id = 'J-2/1'",
    ),
    # Of one kind of change each later quote rests on the gain that changed.
    "replay quotes": (
        "UPDATE out.gain SET log_mean_gain = log_mean_gain + 0.001 WHERE before_stage_id = 'J-2/1'",
        "SELECT gain_id FROM out.promise JOIN (SELECT gain_id AS first_id, change_key, run_on "
        "FROM out.gain WHERE before_stage_id = 'J-2/1') AS first USING (change_key) "
        "WHERE promise.run_on > first.run_on OR gain_id = first_id",
    ),
    "hold bikes together": (
        "UPDATE out.gain SET made_from = 'x' WHERE before_stage_id = 'J-2/1'",
        "SELECT change_key FROM out.gain WHERE before_stage_id = 'J-2/1'",
    ),
    "tell parts apart": (
        "UPDATE out.gain SET log_mean_gain = 0.5 WHERE before_stage_id = 'J-2/1'",
        "SELECT ''",
    ),
    "rank remap need": (
        "UPDATE out.stage_mixture SET worst_speed_rpm = 6543 WHERE stage_id = 'J-2/2'",
        "SELECT ''",
    ),
    # A kind of build is pooled over all models.
    "work out what to expect": (
        "UPDATE out.stage_mixture SET made_from = 'x' WHERE stage_id = 'J-2/2'",
        "SELECT expected_id FROM out.expected_mixture "
        "JOIN out.stage USING (parts_key) WHERE stage_id = 'J-2/2' "
        "AND (expected_mixture.map_label = 'stock') = (stage.map_label = 'stock')",
    ),
    # The second revision was made from the first.
    "judge maps": (
        "UPDATE out.stage_mixture SET made_from = 'x' WHERE stage_id = 'J-7/1'",
        "SELECT map_id FROM out.map_revision WHERE map_name = 'own'",
    ),
    "look at logs": (
        "UPDATE raw.reading SET rows_rejected = 1 WHERE file_sha256 = "
        "(SELECT min(file_sha256) FROM core.pull)",
        "SELECT min(file_sha256) FROM core.pull",
    ),
    "watch the loggers": (
        "UPDATE out.log_quality SET made_from = 'x' WHERE file_sha256 = "
        "(SELECT min(file_sha256) FROM core.ride)",
        "SELECT 'plain-ride/0'",
    ),
    # The lists that it stands in or comes into are kept up beside; test_alike holds them.
    "find similar builds": (
        "UPDATE out.session SET made_from = 'x' WHERE stage_id = 'J-2/2'",
        "SELECT 'J-2/2'",
    ),
}


def test_there_is_a_change_for_every_step_that_rests_on_tables():
    assert CHANGES.keys() == {step.name for step in STEPS if step.reads}


@pytest.mark.parametrize("name", CHANGES)
def test_one_changed_input_makes_its_own_keys_again_and_no_other(shop_of_all, name):
    step, (change, touched) = BY_NAME[name], CHANGES[name]
    with store.writer(shop_of_all.folder) as connection:
        before = standing(connection, step)
        asked = {key for (key,) in connection.execute(touched).fetchall()}
        assert asked <= before.keys()
        assert engine.bring_one_up(connection, step, given(shop_of_all), quietly) == 0
        connection.execute(change)
        made = engine.bring_one_up(connection, step, given(shop_of_all), quietly)
        after = standing(connection, step)
        assert made == len(asked)
        assert after.keys() == before.keys()
        assert {key for key in after if after[key] != before[key]} == asked
        assert engine.bring_one_up(connection, step, given(shop_of_all), quietly) == 0


def test_a_shop_changed_in_many_ways_is_as_if_derived_at_once(shop_of_all):
    fill_second(shop_of_all)
    result = shop_of_all.work()
    # All of them: the second filling brings a repeat, and few repeats move the trust.
    assert [name for name, made in result.made.items() if not made] == []
    after = shop_of_all.contents("core", "out")
    shop_of_all.forget_warehouse()
    shop_of_all.work()
    assert_equal(after, shop_of_all.contents("core", "out"))


def sent(_, function, batches, units):
    """Make batches as another process would: of what it is sent, in order."""
    for batch in batches:
        units -= 1
        make, payloads = pickle.loads(pickle.dumps((function, batch)))  # noqa: S301 our own
        yield pickle.loads(pickle.dumps(make(payloads)))  # noqa: S301
    assert units == 0


def test_what_a_step_is_handed_can_be_made_in_another_process(shop_of_all, monkeypatch):
    monkeypatch.setattr(hands.Spread, "map", sent)
    for step in STEPS:
        monkeypatch.setitem(step.__dict__, "batch", 1)
    before = shop_of_all.contents("core", "out")
    shop_of_all.forget_warehouse()
    shop_of_all.take_in()
    shop_of_all.derive()
    assert_equal(shop_of_all.contents("core", "out"), before)


@pytest.mark.long
def test_batches_of_one_made_by_a_pool_of_processes_give_the_same_rows(shop_of_all, monkeypatch):
    # Most payloads are loaded before what comes of the first is kept.
    before = shop_of_all.contents("core", "out")
    for step in STEPS:
        monkeypatch.setitem(step.__dict__, "batch", 1)
    monkeypatch.setattr(hands, "LEAST_TO_DERIVE", 2)
    monkeypatch.setattr(hands, "_processes", lambda units: min(2, units))
    pools = []

    class Counted(hands._Pool):
        def __init__(self, processes):
            pools.append(processes)
            super().__init__(processes)

    monkeypatch.setattr(hands, "_Pool", Counted)
    shop_of_all.forget_warehouse()
    shop_of_all.work()
    assert_equal(shop_of_all.contents("core", "out"), before)
    assert pools == [2]


def not_to_be_gathered(*_):
    raise AssertionError("gathered though nothing changed")


def test_what_did_not_change_is_not_even_gathered(shop_of_all):
    idle = [dataclasses.replace(step, inputs=not_to_be_gathered) for step in STEPS]
    with store.writer(shop_of_all.folder) as connection:
        made = engine.bring_up(connection, idle, given(shop_of_all), plainly, quietly)
    assert set(made.values()) == {0}


@pytest.mark.parametrize("table", ["core.pull", "raw.reading", "out.pull"])
def test_a_changed_row_of_any_table_is_seen_by_the_steps_that_read_it(shop_of_all, table):
    column = {"core.pull": "pull_no", "raw.reading": "rows_read", "out.pull": "pull_no"}[table]
    gathered = []

    def told(name, function, *arguments):
        gathered.append(name)
        return function(*arguments)

    with store.writer(shop_of_all.folder) as connection:
        connection.execute(f"UPDATE {table} SET {column} = {column} + 100")  # noqa: S608
        engine.bring_up(connection, STEPS, given(shop_of_all), told, quietly)
    assert {step.name for step in STEPS if table in step.reads} <= set(gathered)


class Listening:
    """A connection that notes which tables are read."""

    def __init__(self, connection):
        self._connection = connection
        self.tables = set()

    def execute(self, query, *values):
        self.tables |= statements.tables_named(query)
        return self._connection.execute(query, *values)

    def sql(self, query, **values):
        self.tables |= statements.tables_named(query)
        return self._connection.sql(query, **values)

    def __getattr__(self, name):
        return getattr(self._connection, name)


@pytest.mark.parametrize("name", BY_NAME)
def test_a_step_reads_what_it_declares_and_nothing_else(full, name):
    step = BY_NAME[name]
    with store.writer(full.folder) as connection:
        listening = Listening(connection)
        inputs = step.inputs(listening, given(full))
        assert inputs.load(list(inputs.marks))
    assert listening.tables - set(step.beside) - set(step.reads) == set()
    # Read within: raw.arrival by what is found out of copies, curves by what is found to be alike.
    assert set(step.reads) - listening.tables <= {"raw.arrival", "out.session_curve"}


def test_no_step_comes_before_one_that_makes_what_it_reads():
    for steps in (STEPS, STEPS[::-1]):
        made = set()
        derived = {table for step in steps for table in (*step.tables, *step.beside)}
        for step in engine.ordered(steps):
            read = {*statements.of_tables(step.reads)}
            assert read & derived - set(step.tables) <= made, step.name
            made |= {*step.tables, *step.beside}
        assert made == derived


def test_steps_that_rest_on_each_other_are_told():
    one = dataclasses.replace(BY_NAME["draw curves"], reads=("out.gain",))
    with pytest.raises(ValueError, match="rest on each other"):
        engine.ordered([one, BY_NAME["compare stages"]])


def test_every_derived_table_is_made_by_one_step():
    made = [table for step in STEPS for table in (*step.tables, *step.beside)]
    tables = {
        table
        for table, statement in statements.definitions().items()
        if table.startswith("out.") and not statements.is_view(statement)
    }
    assert len(made) == len(set(made))
    assert set(made) == tables


def marked(**columns):
    return engine.marks(pl.DataFrame({"key": ["a"], **columns}), "key")["a"]


def test_a_mark_hangs_on_every_value_its_kind_and_its_column():
    values = [None, "", "null", "1", 1, 1.5, True, [1], "a\nb", {"a": None}]
    seen = {marked(x=[value]) for value in values} | {marked(y=["1"]), marked()}
    assert len(seen) == len(values) + 2


def test_a_mark_hangs_on_the_order_of_rows_and_on_the_last_digit():
    rows = pl.DataFrame({"key": ["a", "a", "b"], "x": [0.1, 0.2, 0.1]})
    told = engine.marks(rows, "key")
    assert told["a"] != engine.marks(rows[[1, 0, 2]], "key")["a"]
    nudged = rows.with_columns(pl.Series("x", [0.1, 0.2, 0.1 + 2e-17]))
    assert engine.marks(nudged, "key")["a"] == told["a"]
    assert engine.marks(nudged, "key")["b"] != told["b"]
