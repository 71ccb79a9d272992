"""Derive: from samples to everything that may be shown; only what changed is made again."""

from __future__ import annotations

from typing import NamedTuple

import duckdb

from flows import hands
from flows.steps import (
    alike,
    attribution,
    checks,
    curves,
    effects,
    engine,
    everywhere,
    expected,
    facts,
    fuel_change,
    gains,
    gearing,
    health,
    log_quality,
    map_revisions,
    need,
    over_bikes,
    plan,
    promises,
    rides,
    sessions,
    stability,
    trust,
)  # fmt: skip
from flows.steps.link import link_jobs
from flows.steps.progress import Progress, Runner, plainly, quietly
from flows.steps.refresh import fingerprint, forget_derived
from flows.steps.times import Taken
from schemas.settings import ShopSettings, published
from warehouse import statements, store
from warehouse.contents import Contents
from warehouse.shop import ShopFolder

STEPS = (
    curves.CURVES, gearing.GEARING, sessions.SESSIONS, trust.TRUST, stability.STABILITY,
    health.HEALTH, plan.PLANS, gains.GAINS, rides.RIDES, fuel_change.FUEL_CHANGES,
    effects.EFFECTS, promises.PROMISES, over_bikes.OVER_BIKES, attribution.ATTRIBUTION, need.NEED,
    expected.EXPECTED, map_revisions.MAP_REVISIONS, alike.ALIKE, facts.FACTS,
    everywhere.EVERYWHERE, log_quality.LOG_QUALITY, log_quality.LOGGERS,
)  # fmt: skip
"""All that is derived; the engine takes them in the order of what they read."""


class DeriveResult(NamedTuple):
    """How many keys each step made again, by its name, and which checks found rows."""

    made: dict[str, int]
    broken_checks: list[str]
    contents: Contents | None = None
    """What tables hold now: publishing need not read them all again to see what changed."""


class BrokenRuleError(RuntimeError):
    """A check of severity `fail` found rows: what was derived must not be published."""


TORN = (LookupError, TypeError, ValueError, duckdb.ConstraintException)
"""What a step stops with where rows are missing, or left over, under a standing fingerprint."""
MADE_AGAIN = "derive all again"
REMADE = "the derived tables did not hold together and were all made again"


def derive(
    connection: duckdb.DuckDBPyConnection,
    shop: ShopFolder,
    settings: ShopSettings,
    *,
    run: Runner = plainly,
    progress: Progress = quietly,
) -> DeriveResult:
    """Bring every derived table up to the samples, cards and settings.

    Raises BrokenRuleError if a check that must hold does not.
    """
    given = engine.Given(shop, settings)
    taken = Taken(run)
    try:
        result, fatal = _derived(connection, given, taken.run, progress)
    except TORN as error:
        result, fatal = None, _left_torn(connection, error)
        # Of tables that hold together it is a fault of ours, to be seen as what it is.
        if not fatal:
            raise
    wanted = _wanted(connection, settings)
    if fatal and _finished(connection).get(MADE_AGAIN) != wanted:
        torn = "; ".join(fatal)
        # Kept until all is well: what made again is no better is not made again at every update.
        _keep_finished(connection, MADE_AGAIN, wanted)
        forget_derived(connection)
        run("link files to stages", link_jobs, connection, progress)
        result, fatal = _derived(connection, given, run, progress)
        result = result._replace(broken_checks=[f"{REMADE}: {torn}", *result.broken_checks])
    if fatal or result is None:
        raise BrokenRuleError(
            f"{'; '.join(fatal)}. All of it was made again and the rule is still broken: that is a "
            "fault of this program, to be reported with this sentence. Nothing was published; "
            "readers keep what they had"
        )
    with store.transaction(connection):
        connection.execute("DELETE FROM raw.finished WHERE flow_name = ?", [MADE_AGAIN])
        _keep_finished(connection, "derive", wanted)
    taken.keep(shop)
    return result


def _derived(
    connection: duckdb.DuckDBPyConnection,
    given: engine.Given,
    run: Runner,
    progress: Progress,
) -> tuple[DeriveResult, list[str]]:
    """Take every step; return what was made and the rules that must hold and do not."""
    contents = checks.contents_of(connection, STEPS)
    with hands.Spread(given.settings) as spread:
        made = engine.bring_up(connection, STEPS, given, run, progress, spread.map, contents)
    broken = checks.broken(connection, STEPS, contents)
    worth_a_look = [f"{check.reason} ({count})" for check, count in broken]
    return DeriveResult(made, worth_a_look, contents), _fatal(broken)


def _left_torn(connection: duckdb.DuckDBPyConnection, error: Exception) -> list[str]:
    """Say what does not hold together where a step stopped: nothing if the tables are sound."""
    fatal = _fatal(store.failed_checks(connection))
    if isinstance(error, duckdb.ConstraintException):
        fatal.append(str(error).splitlines()[0])
    return fatal


def _fatal(broken: list[tuple[statements.Check, int]]) -> list[str]:
    return [_told(check, count) for check, count in broken if check.severity == "fail"]


def _told(check: statements.Check, count: int) -> str:
    return f"{check.table}: {check.name} ({count} rows): {check.reason}"


def _finished(connection: duckdb.DuckDBPyConnection) -> dict[str, str]:
    return dict(connection.execute("SELECT flow_name, made_from FROM raw.finished").fetchall())


def _keep_finished(connection: duckdb.DuckDBPyConnection, flow_name: str, made_from: str) -> None:
    connection.execute("INSERT OR REPLACE INTO raw.finished VALUES (?, ?)", [flow_name, made_from])


def is_behind(connection: duckdb.DuckDBPyConnection, settings: ShopSettings) -> bool:
    """Whether what may be shown is older than what was taken in, set or coded."""
    finished = _finished(connection)
    wanted = _wanted(connection, settings)
    return any(finished.get(flow_name) != wanted for flow_name in ("derive", "publish"))


def _wanted(connection: duckdb.DuckDBPyConnection, settings: ShopSettings) -> str:
    linked = store.first(
        connection,
        "SELECT md5(string_agg(concat_ws('|', job_folder, linked_from), ';' ORDER BY job_folder)) "
        "FROM raw.linked",
    )
    versions = {step.name: step.version for step in STEPS}
    return fingerprint(versions, published(settings), linked)
