"""The served flows: thin Prefect wrappers around update, check and review, and what starts them.

Run as `python -m flows.schedule SHOP` beside the scheduler; `rollbook serve` does that. This one
process looks at the inbox and does the work itself: what the steps need is imported once. The
scheduler says when check and review are due, and keeps the record of every run.
The environment must be set before this module is imported (see flows/settings.py).
"""

from __future__ import annotations

import datetime as dt
import logging
import signal
import sys
import time
from collections.abc import Callable, Collection
from pathlib import Path
from typing import Any
from uuid import UUID

import duckdb
import httpx
from prefect import Flow, flow, get_run_logger, task
from prefect.artifacts import create_markdown_artifact
from prefect.cache_policies import NO_CACHE
from prefect.client.orchestration import get_client
from prefect.client.schemas.filters import FlowRunFilter, FlowRunFilterState, FlowRunFilterStateType
from prefect.client.schemas.objects import State, StateType
from prefect.exceptions import PrefectException
from prefect.flow_engine import run_flow
from prefect.schedules import Cron
from prefect.states import Cancelled, Completed, Crashed

from flows import derive as derivation
from flows import intake as intaking
from flows.event_log import event, keep_events
from flows.papers import quarter_before, write_morning, write_review
from flows.publish import is_snapshot_lost, publish_snapshot
from flows.settings import open_shop
from flows.steps.inbox import Entry
from flows.steps.progress import Runner, quietly
from flows.steps.selfcheck import self_check
from flows.tell import tell_people
from flows.update import healing
from flows.watch import Glance, Watch
from schemas.settings import ShopSettings
from schemas.visible import visible
from warehouse import store
from warehouse.archived import PACK_AT_NIGHT_S, pack
from warehouse.sentences import in_words, remedy_in_words
from warehouse.shop import ShopFolder
from warehouse.snapshot import current

LOCK_WAIT_S = 600.0
"""Check waits this long for a one-shot command in a terminal; an update comes again anyway."""
ASK_EVERY_S = 30.0
"""How often the scheduler is asked what is due."""
GLANCE_EVERY_S = 1.0
"""How often the inbox is glanced at: some milliseconds where nothing is new."""
AGAIN_AFTER_S = 30.0
"""After an update that found the shop busy, or files that still came."""
MOST_RESTED = 250
BUSY = "ShopWasBusy"
AGAIN = "CompletedWhileFilesArrive"


def as_task(name: str, function: Callable[..., Any], *arguments: Any, **named: Any) -> Any:
    """Run a stage as a Prefect task, with its own time and state; each costs some 30 ms."""
    # A stage holds the writer's connection: nothing of it can be cached or stored.
    made = task(name=name, cache_policy=NO_CACHE, persist_result=False)(function)
    return made(*arguments, **named)


def timed(seconds: dict[str, float]) -> Runner:
    """Return what runs a step and notes how long it took."""

    def run(name: str, function: Callable[..., Any], *arguments: Any) -> Any:
        began = time.monotonic()
        try:
            return function(*arguments)
        finally:
            seconds[name] = seconds.get(name, 0.0) + time.monotonic() - began

    return run


@flow(name="update", persist_result=False)
def update_flow(
    shop_folder: str, rested: list[tuple[str, str, int, int]] | None = None
) -> State[Any]:
    """Take in what lies in the inbox; where something is behind, make it again and publish it.

    Files that were seen at rest, with these sizes and times, are not waited for.
    """
    shop, settings = open_shop(Path(shop_folder))
    seconds: dict[str, float] = {}
    run = timed(seconds)
    ways = {"settle_s": settings.intake.settle_s, "rested": {tuple(one) for one in rested or ()}}

    def work(connection: duckdb.DuckDBPyConnection) -> tuple[intaking.IntakeResult, str, str]:
        given = (connection, shop, settings)
        result = as_task("intake", intaking.take_in, *given, run=run, **ways)
        published = told = ""
        if derivation.is_behind(connection, settings) or is_snapshot_lost(shop):
            made = as_task("derive", derivation.derive, *given, run=run)
            snapshot = as_task("publish", publish_snapshot, connection, shop, made.contents)
            published = f"snapshot {snapshot.number} is published"
            told = derive_report(made, snapshot.number, seconds)
        return result, published, f"{intake_report(result, _waiting(connection))}\n\n{told}"

    try:
        result, published, report = healing(shop, work, get_run_logger().warning)
    except store.ShopIsBusyError as busy:
        get_run_logger().warning(str(busy))
        return Completed(name=BUSY, message=str(busy))
    refused = sum(result.states.get(s, 0) for s in ("refused", "waiting", "missing"))
    message = f"{result.arrived} files arrived, {result.read} read; {refused} wait or are refused"
    if result.arrived or published:
        message = f"{message}; {published}" if published else message
        create_markdown_artifact(report, key="update")
        _log("update", message, seconds={step: round(s, 3) for step, s in seconds.items()})
    if published:
        _tell(shop, settings)
    name = AGAIN if result.unsettled else "CompletedWithRefusals" if refused else "Completed"
    return Completed(name=name, message=message)


@flow(name="check", persist_result=False)
def check_flow(shop_folder: str) -> State[Any]:
    """Check nightly that archive, samples, store and snapshot are whole."""
    shop, _ = open_shop(Path(shop_folder))
    with store.writer(shop, wait_s=LOCK_WAIT_S) as connection:
        heal = get_run_logger().warning
        problems = as_task("check", self_check, connection, shop, quietly, heal)
        as_task("pack the archive", pack, shop, PACK_AT_NIGHT_S)
    create_markdown_artifact(
        "\n".join(f"- {escaped(p)}" for p in problems) or "All is well.", key="check"
    )
    _log("check", "; ".join(problems) or "all is well")
    if problems:
        raise RuntimeError(f"{len(problems)} problems; the first: {problems[0]}")
    return Completed(message="all is well")


@flow(name="review", persist_result=False)
def review_flow(shop_folder: str) -> State[Any]:
    """Write the review of the quarter that has ended."""
    shop, _ = open_shop(Path(shop_folder))
    quarter = quarter_before(dt.datetime.now(dt.UTC).date())
    path, _ = as_task("write the review", write_review, shop, quarter)
    create_markdown_artifact(f"Review of {quarter}: `{escaped(path.name)}`", key="review")
    _log("review", f"{quarter} is written: {path.name}")
    return Completed(message=path.name)


@flow(name="morning", persist_result=False)
def morning_flow(shop_folder: str) -> State[Any]:
    """Write what needs somebody today."""
    shop, settings = open_shop(Path(shop_folder))
    path = as_task("write the morning file", write_morning, shop, settings)
    create_markdown_artifact(f"`{escaped(path.name)}`", key="morning")
    _log("morning", f"{path.name} is written")
    return Completed(message=path.name)


def _tell(shop: ShopFolder, settings: ShopSettings) -> None:
    """Send what is new to the people whom the settings name; that it failed stops nothing."""
    try:
        snapshot = current(shop.root)
        failed = tell_people(shop, settings, snapshot) if snapshot else ""
    except Exception as error:  # noqa: BLE001 - the shop is up to date, whoever hears of it
        failed = f"news could not be sent ({type(error).__name__})"
    if failed:
        _log("tell", failed, logging.WARNING)


def _log(flow_name: str, message: str, level: int = logging.INFO, **figures: Any) -> None:
    """Write a line of what was done; the runner's own output is the log that `serve` names."""
    event(flow_name, message, level, **figures)
    at = dt.datetime.now().astimezone()
    sys.stdout.write(f"{at:%Y-%m-%d %H:%M:%S} {flow_name}: {message}\n")
    sys.stdout.flush()


def escaped(text: str) -> str:
    r"""Return a text that people typed, made safe for a markdown report.

    >>> escaped("![x](http://example.invalid)")
    '\\!\\[x\\]\\(http://example.invalid\\)'
    """
    marks = "\\`*_[]()!<>#|~$"
    return visible("".join(f"\\{c}" if c in marks else c for c in text).replace("\n", " "))


def intake_report(
    result: intaking.IntakeResult, waiting: list[tuple[str, str, str, str, str]]
) -> str:
    """Return what came in, what was refused and why, as markdown."""
    lines = [
        f"{result.arrived} files arrived, {result.read} were read, "
        f"{len(result.linked)} jobs linked.",
        "",
        "| state | files |",
        "| --- | --- |",
        *(f"| {state} | {count} |" for state, count in sorted(result.states.items())),
    ]
    lines += [f"\n{escaped(told)}" for told in (*result.mended, *result.lost)]
    lines += [f"\nStill being written: {escaped(name)}" for name in result.unsettled]
    lines += [f"\nCould not be read yet: {escaped(name)}" for name in result.unreadable]
    for name, mistakes in result.layout_mistakes.items():
        lines += ["", f"Layout {escaped(name)} recognises nothing: {escaped('; '.join(mistakes))}"]
    if waiting:
        lines += ["", "| file | state | why | what to do |", "| --- | --- | --- | --- |"]
        lines += [
            f"| {escaped(folder)}/{escaped(name)} | {state} | {escaped(reason)} | {escaped(todo)} |"
            for folder, name, state, reason, todo in waiting
        ]
    return "\n".join(lines)


def derive_report(result: derivation.DeriveResult, number: int, seconds: dict[str, float]) -> str:
    """Return what was made again, and how long each step took, as markdown."""
    lines = [f"Snapshot {number}.", "", "| step | made again | s |", "| --- | --- | --- |"]
    lines += [f"| {name} | {result.made.get(name, '')} | {s:.2f} |" for name, s in seconds.items()]
    lines += ["", *(f"- {escaped(broken)}" for broken in result.broken_checks)]
    return "\n".join(lines)


def _waiting(connection: Any) -> list[tuple[str, str, str, str, str]]:
    found = connection.execute(
        "SELECT job_folder, file_name, state, reason FROM out.file "
        "WHERE state IN ('refused', 'waiting', 'missing') ORDER BY ALL LIMIT 200"
    ).fetchall()
    return [(*about, in_words(reason), remedy_in_words(reason)) for *about, reason in found]


def mark_dead_runs() -> int:
    """Mark runs that an earlier process left as running as crashed."""
    unfinished = FlowRunFilter(
        state=FlowRunFilterState(
            type=FlowRunFilterStateType(any_=[StateType.RUNNING, StateType.PENDING])
        )
    )
    with get_client(sync_client=True) as client:
        runs = client.read_flow_runs(flow_run_filter=unfinished, limit=200)
        for run in runs:
            client.set_flow_run_state(
                run.id, Crashed(message="its process was gone when serving began again"), force=True
            )
    return len(runs)


def deploy(shop_folder: str, zone: str, morning: str = "") -> dict[UUID, Flow[..., Any]]:
    """Tell the scheduler what it may ask for, and nothing else; return the flows by its ids."""
    plan = [
        (update_flow, "by-hand", []),  # the inbox tells when
        (check_flow, "nightly", [Cron("30 2 * * *", timezone=zone)]),
        (review_flow, "quarter-end", [Cron("0 6 1 1,4,7,10 *", timezone=zone)]),
    ]
    if morning:
        hour, minute = map(int, morning.split(":"))
        daily = Cron(f"{minute} {hour} * * *", timezone=zone)
        plan.append((morning_flow, "every-morning", [daily]))
    given = {"shop_folder": shop_folder}
    found: dict[UUID, Flow[..., Any]] = {}
    for served, name, schedules in plan:
        made: Any = served.to_deployment(name=name, parameters=given, schedules=schedules)
        found[made.apply()] = served
    with get_client(sync_client=True) as client:
        for known in client.read_deployments():
            if known.id not in found:  # of an earlier version
                client.delete_deployment(known.id)
    return found


def run_due(flows: dict[UUID, Flow[..., Any]]) -> None:
    """Run what the scheduler says is due: of what was missed, the newest run of each flow."""
    now = dt.datetime.now(dt.UTC)
    with get_client(sync_client=True) as client:
        due = client.get_scheduled_flow_runs_for_deployments(list(flows), scheduled_before=now)
        newest = {run.deployment_id: run.id for run in sorted(due, key=_scheduled)}
        for run in due:
            if run.id not in newest.values():
                missed = Cancelled(message="a later run of the same flow was due")
                client.set_flow_run_state(run.id, missed, force=True)
        runs = [(flows[place], client.read_flow_run(run)) for place, run in newest.items() if place]
    for served, run in runs:
        run_flow(served, flow_run=run, parameters=run.parameters, return_type="state")


def _scheduled(run: Any) -> dt.datetime:
    return run.next_scheduled_start_time or run.expected_start_time


def look(watch: Watch, shop_folder: str, rested: Collection[Entry] = ()) -> bool:
    """Bring the shop up to date if anything in it is new; else start nothing and write nothing.

    Return whether the shop stands as it should.
    """
    given = watch.given()
    if not watch.is_new(given):
        return True
    # The scheduler keeps what a run was given: of a heap, each file is waited for instead.
    seen = [list(one) for one in rested] if len(rested) <= MOST_RESTED else []
    state = update_flow(shop_folder, seen, return_state=True)  # pyrefly: ignore
    if state.is_completed() and state.name not in (BUSY, AGAIN):
        watch.done(given)
        return True
    watch.again()
    return False


def serve_flows(shop_folder: Path) -> None:
    """Look at the inbox, and run what is due, until stopped."""
    # A run in the middle of its work is ended in order, and told as crashed.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    shop, settings = open_shop(shop_folder)
    keep_events(shop)
    mark_dead_runs()
    flows = deploy(str(shop.root), settings.shop.timezone, settings.schedule.morning)
    watch, glance = Watch(shop), Glance(shop)
    next_look = next_ask = 0.0
    while True:
        try:
            rested = glance.rested(settings.intake.settle_s)
            if rested is not None or time.monotonic() >= next_look:
                is_done = look(watch, str(shop.root), rested or ())
                pause_s = 60.0 * settings.schedule.intake_minutes
                next_look = time.monotonic() + (pause_s if is_done else min(AGAIN_AFTER_S, pause_s))
            if time.monotonic() >= next_ask:
                next_ask = time.monotonic() + ASK_EVERY_S
                run_due(flows)
        except (PrefectException, httpx.HTTPError) as error:
            # It is started again by `rollbook serve`; what is new is found by the next look.
            next_ask = time.monotonic() + ASK_EVERY_S
            _log("schedule", f"the scheduler did not answer ({type(error).__name__})")
        time.sleep(GLANCE_EVERY_S)


if __name__ == "__main__":
    serve_flows(Path(sys.argv[1]))
