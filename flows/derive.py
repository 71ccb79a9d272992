"""Derive: from samples to everything that may be shown; only what changed is made again."""

from __future__ import annotations

from typing import NamedTuple

import duckdb

from flows.steps.alike import ALIKE_VERSION, derive_alike
from flows.steps.curves import CURVES_VERSION, derive_curves
from flows.steps.effects import EFFECTS_VERSION, derive_effects
from flows.steps.expected import EXPECTED_VERSION, derive_expected
from flows.steps.facts import write_facts
from flows.steps.fuel_change import FUEL_CHANGE_VERSION, derive_fuel_changes
from flows.steps.gains import GAINS_VERSION, derive_gains
from flows.steps.gearing import GEARING_VERSION, derive_log_doubts
from flows.steps.health import HEALTH_VERSION, derive_health
from flows.steps.link import link_jobs
from flows.steps.map_revisions import MAP_REVISIONS_VERSION, derive_map_revisions
from flows.steps.need import NEED_VERSION, derive_need
from flows.steps.plan import PLAN_VERSION, derive_plans
from flows.steps.progress import Progress, Runner, plainly, quietly
from flows.steps.refresh import fingerprint, forget_derived
from flows.steps.rides import RIDES_VERSION, derive_rides
from flows.steps.sessions import SESSIONS_VERSION, derive_sessions
from flows.steps.stability import STABILITY_VERSION, derive_stability
from flows.steps.trust import TRUST_VERSION, derive_trust
from schemas.settings import ShopSettings
from warehouse import statements, store
from warehouse.shop import ShopFolder


class DeriveResult(NamedTuple):
    """How much of each layer was made again."""

    curves: int
    sessions: int
    gains: int
    ride_stages: int
    fuel_changes: int
    effects: int
    needs: int
    expected: int
    likenesses: int
    control_sessions: int
    healths: int
    broken_checks: list[str]


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
    try:
        result, fatal = _derived(connection, shop, settings, run, progress)
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
        result, fatal = _derived(connection, shop, settings, run, progress)
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
    return result


def _derived(
    connection: duckdb.DuckDBPyConnection,
    shop: ShopFolder,
    settings: ShopSettings,
    run: Runner,
    progress: Progress,
) -> tuple[DeriveResult, list[str]]:
    """Take every step; return what was made and the rules that must hold and do not."""
    curves = run("draw curves", derive_curves, connection, shop, settings, progress)
    run("hold logs against their model's", derive_log_doubts, connection)
    sessions = run("average sessions", derive_sessions, connection, settings, progress)
    trust = run("judge the dyno's repeatability", derive_trust, connection, settings)
    altitude_m = settings.shop.altitude_m
    control = run("chart the control bike", derive_stability, connection, trust, altitude_m)
    healths = run("hold bikes against siblings", derive_health, connection, trust, progress)
    run("plan comparisons", derive_plans, connection, trust)
    gains = run("compare stages", derive_gains, connection, settings, trust, progress)
    rides = run("read rides", derive_rides, connection, shop, settings, progress)
    changes = run("suggest fuel changes", derive_fuel_changes, connection, settings, progress)
    effects = run("pool effects", derive_effects, connection)
    needs = run("rank remap need", derive_need, connection, settings)
    expected = run("work out what to expect", derive_expected, connection, settings, progress)
    run("judge maps", derive_map_revisions, connection, settings, progress)
    alike = run("find similar builds", derive_alike, connection, progress)
    write_facts(connection, settings)
    broken = store.failed_checks(connection)
    result = DeriveResult(
        curves,
        sessions,
        gains,
        rides,
        changes,
        effects,
        needs,
        expected,
        alike,
        control,
        healths,
        [_told(*found) for found in broken],
    )
    return result, _fatal(broken)


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
    versions = (
        CURVES_VERSION,
        SESSIONS_VERSION,
        TRUST_VERSION,
        PLAN_VERSION,
        GAINS_VERSION,
        RIDES_VERSION,
        EFFECTS_VERSION,
        NEED_VERSION,
        ALIKE_VERSION,
        STABILITY_VERSION,
        HEALTH_VERSION,
        FUEL_CHANGE_VERSION,
        EXPECTED_VERSION,
        MAP_REVISIONS_VERSION,
        GEARING_VERSION,
    )
    linked = store.first(
        connection,
        "SELECT md5(string_agg(concat_ws('|', job_folder, linked_from), ';' ORDER BY job_folder)) "
        "FROM raw.linked",
    )
    return fingerprint(versions, settings.model_dump(exclude={"show", "schedule"}), linked)
