"""The served flows: thin Prefect wrappers around intake, derive, publish, check and review.

Run as `python -m flows.schedule SHOP` beside the scheduler; `rollbook serve` does that.
The environment must be set before this module is imported (see flows/settings.py).
"""

from __future__ import annotations

import datetime as dt
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from prefect import flow, get_run_logger, serve, task
from prefect.artifacts import create_markdown_artifact
from prefect.cache_policies import NO_CACHE
from prefect.client.orchestration import get_client
from prefect.client.schemas.filters import FlowRunFilter, FlowRunFilterState, FlowRunFilterStateType
from prefect.client.schemas.objects import (
    ConcurrencyLimitConfig,
    ConcurrencyLimitStrategy,
    State,
    StateType,
)
from prefect.deployments import run_deployment
from prefect.schedules import Cron, Interval
from prefect.states import Completed, Crashed

from flows import derive as derivation
from flows import intake as intaking
from flows.publish import is_snapshot_lost, publish_snapshot
from flows.review import quarter_before, write_review
from flows.settings import open_shop
from flows.steps.progress import quietly
from flows.steps.selfcheck import self_check
from schemas.visible import visible
from warehouse import store

LOCK_WAIT_S = 600.0
"""Derive waits this long for a one-shot command in a terminal; intake comes again anyway."""


def as_task(name: str, function: Callable[..., Any], *arguments: Any) -> Any:
    """Run a step as a Prefect task, so that each stage shows with its own time and state."""
    # A step holds the writer's connection: nothing of it can be cached or stored.
    return task(name=name, cache_policy=NO_CACHE, persist_result=False)(function)(*arguments)


@flow(name="intake", persist_result=False)
def intake_flow(shop_folder: str) -> State[Any]:
    """Take in what lies in the inbox; ask for a derive when something is behind."""
    shop, settings = open_shop(Path(shop_folder))
    try:
        with store.writer(shop, heal=get_run_logger().warning) as connection:
            result = intaking.take_in(
                connection, shop, settings, run=as_task, settle_s=settings.intake.settle_s
            )
            behind = derivation.is_behind(connection, settings) or is_snapshot_lost(shop)
            waiting = _waiting(connection)
    except store.ShopIsBusyError as busy:
        get_run_logger().warning(str(busy))
        return Completed(name="ShopWasBusy", message=str(busy))
    create_markdown_artifact(intake_report(result, waiting), key="intake")
    if behind:
        run_deployment("derive/after-intake", parameters={"shop_folder": shop_folder}, timeout=0)
    refused = sum(result.states.get(s, 0) for s in ("refused", "waiting", "missing"))
    message = f"{result.arrived} files arrived, {result.read} read; {refused} wait or are refused"
    if result.arrived or behind:
        _log("intake", message)
    return Completed(name="CompletedWithRefusals" if refused else "Completed", message=message)


@flow(name="derive", persist_result=False)
def derive_flow(shop_folder: str) -> State[Any]:
    """Make what changed again and publish it."""
    shop, settings = open_shop(Path(shop_folder))
    with store.writer(shop, wait_s=LOCK_WAIT_S) as connection:
        result = derivation.derive(connection, shop, settings, run=as_task)
        snapshot = as_task("publish", publish_snapshot, connection, shop)
    create_markdown_artifact(derive_report(result, snapshot.number), key="derive")
    _log("derive", f"snapshot {snapshot.number} is published")
    return Completed(message=f"snapshot {snapshot.number}")


@flow(name="check", persist_result=False)
def check_flow(shop_folder: str) -> State[Any]:
    """Check nightly that archive, samples, store and snapshot are whole."""
    shop, _ = open_shop(Path(shop_folder))
    with store.writer(shop, wait_s=LOCK_WAIT_S) as connection:
        heal = get_run_logger().warning
        problems = as_task("check", self_check, connection, shop, quietly, heal)
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
    path = as_task("write the review", write_review, shop, quarter)
    create_markdown_artifact(f"Review of {quarter}: `{escaped(path.name)}`", key="review")
    _log("review", f"{quarter} is written: {path.name}")
    return Completed(message=path.name)


def _log(flow_name: str, message: str) -> None:
    """Write a line of what was done; the runner's own output is the log that `serve` names."""
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


def derive_report(result: derivation.DeriveResult, number: int) -> str:
    """Return what was made again, as markdown."""
    lines = [f"Snapshot {number}.", "", "| step | made again |", "| --- | --- |"]
    lines += [f"| {name} | {count} |" for name, count in result.made.items()]
    lines += ["", *(f"- {escaped(broken)}" for broken in result.broken_checks)]
    return "\n".join(lines)


def _waiting(connection: Any) -> list[tuple[str, str, str, str, str]]:
    return connection.execute(
        "SELECT job_folder, file_name, state, reason, remedy FROM out.file "
        "WHERE state IN ('refused', 'waiting', 'missing') ORDER BY ALL LIMIT 200"
    ).fetchall()


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


def serve_flows(shop_folder: Path) -> None:
    """Register the deployments and run them until stopped."""
    shop, settings = open_shop(shop_folder)
    mark_dead_runs()
    zone = settings.shop.timezone
    given = {"shop_folder": str(shop.root)}
    skip = ConcurrencyLimitConfig(limit=1, collision_strategy=ConcurrencyLimitStrategy.CANCEL_NEW)
    queue = ConcurrencyLimitConfig(limit=1, collision_strategy=ConcurrencyLimitStrategy.ENQUEUE)
    every = dt.timedelta(minutes=settings.schedule.intake_minutes)
    # Called outside a running loop these give deployments, though their type says they might not.
    deployments: list[Any] = [
        intake_flow.to_deployment(
            name="every-few-minutes",
            parameters=given,
            schedules=[Interval(every, anchor_date=dt.datetime.now(dt.UTC), timezone=zone)],
            concurrency_limit=skip,
        ),
        derive_flow.to_deployment(name="after-intake", parameters=given, concurrency_limit=queue),
        check_flow.to_deployment(
            name="nightly",
            parameters=given,
            schedules=[Cron("30 2 * * *", timezone=zone)],
            concurrency_limit=skip,
        ),
        review_flow.to_deployment(
            name="quarter-end",
            parameters=given,
            schedules=[Cron("0 6 1 1,4,7,10 *", timezone=zone)],
            concurrency_limit=skip,
        ),
    ]
    serve(*deployments, limit=4, print_starting_message=False)


if __name__ == "__main__":
    serve_flows(Path(sys.argv[1]))
