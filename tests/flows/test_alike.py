"""Lists of similar builds: the ten most alike, found by few comparisons, and kept up job by job."""

import duckdb
import numpy as np
import polars as pl
import pytest

from flows.metrics import alike
from flows.steps import alike as step
from flows.steps import engine
from flows.steps.link import link_jobs
from flows.steps.progress import quietly
from flows.steps.sessions import SESSIONS
from schemas.settings import ShopSettings
from tests.bench.filled_shop import fill_curves, fill_ledger
from warehouse import store


@pytest.fixture
def connection():
    with duckdb.connect() as made:
        store.create(made)
        yield made


def add_jobs(connection, jobs):
    settings = ShopSettings.model_validate(
        {"shop": {"name": "Filled", "altitude_m": 310.0, "timezone": "UTC"}}
    )
    fill_ledger(connection, jobs)
    link_jobs(connection, quietly)
    fill_curves(connection, jobs)
    given = engine.Given(None, settings)
    engine.bring_one_up(connection, SESSIONS, given, quietly)
    engine.bring_one_up(connection, step.ALIKE, given, quietly)


def lists(connection):
    return store.rows(connection, "FROM out.similar_build ORDER BY stage_id, likeness_rank")


def by_all_pairs(connection):
    """Return the lists as the definition has them: every stage against every other."""
    builds = step._Builds(connection)
    builds.see(list(builds.place))
    stages, features = builds._stages, builds._features
    found = {}
    for here, stage in enumerate(stages):
        size = features[here].displacement_cc
        others = [
            (
                float(alike.similarity(features[here], [other]).agreeing[0]),
                at,
            )
            for at, other in enumerate(features)
            if stages[at]["made_from"]
            and stages[at]["bike_id"] != stage["bike_id"]
            and 0.65 * size <= other.displacement_cc <= 1.35 * size
        ]
        best = {}
        for share, at in sorted(others, key=lambda pair: (-pair[0], pair[1])):
            best.setdefault(stages[at]["job_id"], (stages[at]["stage_id"], share))
        found[stage["stage_id"]] = list(best.values())[:10]
    return found


def test_a_list_holds_the_ten_most_alike_of_all_pairs_and_stays_right_as_jobs_come(connection):
    for jobs in (range(30), range(30, 31), range(31, 36)):
        add_jobs(connection, jobs)
        found = lists(connection)
        wanted = by_all_pairs(connection)
        rows = [(stage, *other) for stage in sorted(wanted) for other in wanted[stage]]
        assert found.select("stage_id", "other_stage_id").rows() == [row[:2] for row in rows]
        np.testing.assert_allclose(
            found["similarity_share"].to_numpy(), [row[2] for row in rows], rtol=1e-12
        )
    kept = lists(connection)
    connection.execute("DELETE FROM out.likeness; DELETE FROM out.similar_build")
    add_jobs(connection, range(36, 36))
    assert lists(connection).equals(kept)


def test_a_job_that_goes_leaves_no_list(connection):
    add_jobs(connection, range(20))
    connection.execute("DELETE FROM raw.card WHERE job_id = 'J-00003'")
    connection.execute(
        "DELETE FROM raw.arrival WHERE job_folder = 'J-00003' AND file_name = 'card.toml'"
    )
    link_jobs(connection, quietly)
    connection.execute("DELETE FROM out.pull WHERE stage_id LIKE 'J-00003/%'")
    add_jobs(connection, range(20, 20))
    found = lists(connection)
    assert not found.filter(pl.col("other_job_id") == "J-00003").height
    assert not found.filter(pl.col("stage_id").str.starts_with("J-00003")).height
    wanted = by_all_pairs(connection)
    rows = [(stage, other) for stage in sorted(wanted) for other, _ in wanted[stage]]
    assert found.select("stage_id", "other_stage_id").rows() == rows
