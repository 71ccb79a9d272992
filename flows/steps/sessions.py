"""Sessions: the pulls of one stage as one result, with the full-throttle mixture beside it."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import duckdb
import numpy as np

from flows.metrics import curve, heat, mixture, session
from flows.metrics.notes import Note, note
from flows.steps.engine import Given, Inputs, Records, Step, by_key, with_settings
from flows.steps.refresh import or_none, stacked
from schemas.settings import Mixture, ShopSettings
from warehouse import store

LEAST_WINDOW_RPM = 150.0
"""Width over which a lean error must hold: one bandwidth, so that no wiggle makes a window."""
RUN_WITHIN_DAYS = (-1, 366)
"""Of the day on which the bike came, by the card: no bike is run before it came, but a clock of
another zone may say so; a job that is open for over a year is rare (our judgement, no source)."""
HIGH_START_SHARE = 1.2
"""Pulls of one session start at like speeds; one that starts this much higher is told."""
LEAST_FOR_GRUBBS = 4
"""Of three values Grubbs' statistic can hardly pass its critical value."""


CURVE_COLUMNS = (
    "engine_speed_rpm",
    "power_w",
    "lambda_wide",
    "elapsed_s",
    "knock",
    "ignition_advance_deg",
)


def _inputs(connection: duckdb.DuckDBPyConnection, given: Given) -> Inputs:
    """Return the stages that have pulls which count, each with the pulls that it is made from."""
    stages = store.rows(
        connection,
        "SELECT stage.stage_id, stage.job_id, stage.bike_id, stage.build_id, "
        "stage.target_lambda, build.fuel, bike.model_id, model.induction, job.received_on, "
        "list(struct_pack(pull_id := pull.pull_id, made_from := pull.made_from, "
        "is_used := pull.is_used, trouble := pull.trouble) "
        "ORDER BY pull.pull_no, pull.pull_id) AS pulls "
        "FROM core.stage AS stage JOIN core.job AS job ON stage.job_id = job.job_id "
        "JOIN core.bike AS bike ON stage.bike_id = bike.bike_id "
        "JOIN core.model AS model USING (model_id) "
        "JOIN core.build AS build ON stage.build_id = build.build_id "
        "JOIN out.pull AS pull ON stage.stage_id = pull.stage_id "
        "GROUP BY ALL HAVING bool_or(pull.is_used) ORDER BY stage.stage_id",
    )
    stages = with_settings(stages, ("fuel",), given.settings.mixture_on)

    def more(due: list[str]) -> Callable[[str], dict[str, Any]]:
        heads, curves = _pulls_of(connection, due)

        def of_stage(stage_id: str) -> dict[str, Any]:
            own = heads[stage_id]
            used = [head["pull_id"] for head in own if head["is_used"]]
            return {"heads": own, "curves": {pull_id: curves[pull_id] for pull_id in used}}

        return of_stage

    return by_key("stage_id", {"stage": stages}, more)


def _make(given: Given, payloads: list[dict[str, Any]]) -> Records:
    """Average the pulls of each stage."""
    made: dict[str, list[dict[str, Any]]] = {}
    curves = {}
    for payload in payloads:
        (stage,) = payload["stage"]
        own, curve = _session(stage, payload["heads"], payload["curves"], given.settings)
        curves[stage["stage_id"]] = curve
        for table, rows in own.items():
            made.setdefault(table, []).extend(rows)
    return {**made, "out.session_curve": stacked("stage_id", curves)}


SESSIONS = Step(
    name="average sessions",
    doing="averaging sessions",
    version=9,
    key="stage_id",
    tables=(
        "out.session", "out.session_pull", "out.stage_mixture", "out.lean_window",
        "out.window_knock", "out.session_curve",
    ),
    reads=(
        "out.pull", "out.pull_curve", "core.stage", "core.job", "core.bike", "core.model",
        "core.build",
    ),
    inputs=_inputs,
    make=_make,
    set_by=lambda settings: [settings.figures, settings.trust.repeatability_share],
)  # fmt: skip


def _pulls_of(
    connection: duckdb.DuckDBPyConnection, stage_ids: list[str]
) -> tuple[dict[str, list[dict[str, Any]]], dict[str, np.ndarray]]:
    heads: dict[str, list[dict[str, Any]]] = {}
    for row in store.rows(
        connection,
        "SELECT * FROM out.pull WHERE stage_id IN (SELECT unnest(?)) ORDER BY stage_id, pull_no",
        stage_ids,
    ).iter_rows(named=True):
        heads.setdefault(row["stage_id"], []).append(row)
    return heads, curves_of(connection, stage_ids)


def curves_of(connection: duckdb.DuckDBPyConnection, stage_ids: list[str]) -> dict[str, np.ndarray]:
    """Return the curves of the used pulls of some stages."""
    points = store.rows(
        connection,
        f"SELECT pull_id, {', '.join(CURVE_COLUMNS)} FROM out.pull_curve "  # noqa: S608
        "JOIN out.pull USING (pull_id) WHERE is_used AND stage_id IN (SELECT unnest(?)) "
        "ORDER BY pull_id, engine_speed_rpm",
        stage_ids,
    )
    runs = points["pull_id"].rle().struct.unnest()
    cuts = np.cumsum(runs["len"].to_numpy())[:-1]
    parts = np.split(points.select(CURVE_COLUMNS).to_numpy(), cuts)
    return dict(zip(runs["value"].to_list(), parts, strict=bool(len(runs))))


def on_one_grid(curves: list[np.ndarray], column: int) -> tuple[np.ndarray, np.ndarray]:
    """Lay curves on the grid that covers them all."""
    low = min(part[0, 0] for part in curves)
    high = max(part[-1, 0] for part in curves)
    grid = curve.speed_grid_rpm(low, high)
    values = np.full((len(curves), grid.size), np.nan)
    for index, part in enumerate(curves):
        at = np.rint((part[:, 0] - grid[0]) / curve.SPEED_STEP_RPM).astype(int)
        values[index, at] = part[:, column]
    return grid, values


def _session(
    stage: dict[str, Any],
    heads: list[dict[str, Any]],
    points: dict[str, np.ndarray],
    settings: ShopSettings,
) -> tuple[dict[str, list[dict[str, Any]]], dict[str, np.ndarray]]:
    used = [head for head in heads if head["is_used"]]
    of_used = [points[head["pull_id"]] for head in used]
    grid, power = on_one_grid(of_used, 1)
    lambdas, elapsed, knock, advance = (
        on_one_grid(of_used, column)[1] for column in range(2, len(CURVE_COLUMNS))
    )
    wanted = settings.mixture_on(stage["fuel"], stage["target_lambda"])
    levels = session.pull_levels(power)
    usual = settings.trust.repeatability_share
    mean, weights, effective = session.robust_mean(power, repeatability_share=usual)
    odd = session.odd_pulls(levels, weights, repeatability_share=usual)
    agreeing = levels[weights >= session.BELONGS_FROM]
    all_pulls_pct = None
    if agreeing.size < np.isfinite(levels).sum():
        all_pulls_pct = _all_pulls_pct(power, mean)
    trend = session.heat_soak(
        # A pull that does not belong is no trend.
        np.where([bool(why) for why in odd], np.nan, levels),
        repeatability_share=usual,
        intake_air_start_k=_starts(used, "intake_air_start_k"),
        coolant_start_k=_starts(used, "coolant_start_k"),
    )
    settled = session.settled(levels, repeatability_share=usual)
    seen = np.isfinite(mean)
    grid, mean = grid[seen], mean[seen]
    lambdas, elapsed, knock, advance = (
        each[:, seen] for each in (lambdas, elapsed, knock, advance)
    )
    torque = curve.torque_nm(mean, grid)
    top, pull = curve.peak(grid, mean), curve.peak(grid, torque)
    lean = _mean_lambda(lambdas)
    target = mixture.full_throttle_target(grid, wanted.target_full_throttle)
    error = mixture.lean_error_pct(lean, target)
    by_pull = mixture.lean_error_pct(lambdas, target)
    scatter_pct = mixture.error_scatter_pct(by_pull)
    with_lambda = np.isfinite(lambdas).sum(axis=0)
    accuracy = settings.mixture.gauge_accuracy_pct / 100.0
    known = mixture.lean_error_interval_pct(
        error,
        target,
        gauge_accuracy=accuracy * target,
        depth_sd_pct=scatter_pct,
        pulls=np.maximum(with_lambda, 1),
    )
    notes = [
        note("pull is odd", pull_no=head["pull_no"], why=why)
        for head, why in zip(used, odd, strict=True)
        if why
    ]
    notes += _apart(used, levels, odd)
    # A trend makes pulls differ, and says more of them.
    disagree = None
    if trend.kind == "none":
        disagree = session.pulls_disagree(levels, weights, repeatability_share=usual)
    if disagree:
        notes.append(disagree)
    elif settled.is_settled is False:
        apart = {"difference_pct": settled.difference_pct, "usual_pct": settled.limit_pct}
        notes.append(note("not settled", **apart))
    if trend.kind != "none":
        notes.append(trend.told)
    left_out = [head for head in heads if not head["is_used"]]
    notes += [
        note("pull left out", pull_no=head["pull_no"], why=json.loads(head["trouble"]))
        for head in left_out
    ]
    said = [one for head in used for one in json.loads(head["notes"])]
    doubt = any(one["code"] == "air in doubt" for one in said)
    if doubt:
        notes.append(note("air of session in doubt"))
    factor = [head["reference_factor"] for head in used if head["reference_factor"] is not None]
    started = [head["started_at"] for head in used if head["started_at"] is not None]
    corrected = len(factor) == len(used) and stage["induction"] == "natural"
    if 0 < len(factor) < len(used):
        notes.append(note("air of some pulls", with_air=len(factor), pulls=len(used)))
    run_on = min(started).date() if started else stage["received_on"]
    if not RUN_WITHIN_DAYS[0] <= (run_on - stage["received_on"]).days <= RUN_WITHIN_DAYS[1]:
        received = stage["received_on"].isoformat()
        notes.append(note("day in doubt", on=run_on.isoformat(), received=received))
    lowest_rpm = min(head["sweep_from_rpm"] for head in used)
    notes += [
        note(
            "pull starts high",
            pull_no=head["pull_no"],
            from_rpm=head["sweep_from_rpm"],
            other_rpm=lowest_rpm,
        )
        for head in used
        if head["sweep_from_rpm"] > HIGH_START_SHARE * lowest_rpm
    ]
    is_reached = not all(head["is_peak_at_end"] for head in used)
    if not is_reached:
        notes.append(note("peak not reached", at_rpm=grid[-1]))
    row = {
        "stage_id": stage["stage_id"],
        "job_id": stage["job_id"],
        "bike_id": stage["bike_id"],
        "model_id": stage["model_id"],
        "run_on": run_on,
        "pulls": len(heads),
        "pulls_used": len(used),
        "pulls_agreeing": agreeing.size,
        "pulls_effective": effective,
        "all_pulls_pct": all_pulls_pct,
        "peak_power_w": top.value,
        "peak_power_speed_rpm": top.speed_rpm,
        "peak_torque_nm": pull.value,
        "peak_torque_speed_rpm": pull.speed_rpm,
        "repeatability_share": float(np.std(agreeing, ddof=1)) if agreeing.size > 1 else None,
        "drift_pct_per_pull": or_none(trend.slope_pct),
        "drift_lower_pct_per_pull": or_none(trend.lower_pct),
        "drift_upper_pct_per_pull": or_none(trend.upper_pct),
        "heat_soak": trend.told,
        "is_settled": settled.is_settled,
        "settled_after_pull": None
        if settled.after_place is None
        else used[settled.after_place]["pull_no"],
        "reference_air": settings.figures.reference_air,
        "reference_factor": float(np.mean(factor)) if corrected else None,
        "reference_factor_sd": _mean_of(used, "reference_factor_sd") if corrected else None,
        "air_density_kg_m3": _mean_of(used, "air_density_kg_m3"),
        "is_corrected": corrected,
        "is_peak_reached": is_reached,
        "has_air_doubt": doubt,
        "notes": notes,
    }
    windows = mixture.mixture_windows(
        grid,
        error,
        notice_pct=wanted.notice_pct,
        warn_pct=wanted.warn_pct,
        stop_pct=wanted.stop_pct,
        least_width_rpm=LEAST_WINDOW_RPM,
        speed_at_peak_torque_rpm=pull.speed_rpm,
    )
    guarded = _guarded(grid, error, by_pull, windows, wanted)
    made = {
        "out.session": [row],
        "out.session_pull": [
            {
                "pull_id": head["pull_id"],
                "stage_id": stage["stage_id"],
                "level_pct": 100 * float(level),
                "weight": float(weight),
                "odd": why,
            }
            for head, level, weight, why in zip(used, levels, weights, odd, strict=True)
        ],
        "out.stage_mixture": [
            {
                **_mixture(stage, used, grid, error, torque, windows),
                **guarded,
            }
        ],
        "out.lean_window": [
            {
                "stage_id": stage["stage_id"],
                **window._asdict(),
                **_told_of_window(
                    window, grid, by_pull, elapsed, target, accuracy, pull.speed_rpm, wanted
                ),
                **_worst_of_stage(window, guarded),
            }
            for window in windows
        ],
        "out.window_knock": [
            {
                "stage_id": stage["stage_id"],
                "side": window.side,
                "from_rpm": window.from_rpm,
                **told,
            }
            for window in windows
            if (told := _knock(window, grid, knock, advance))
        ],
    }
    return made, {
        "engine_speed_rpm": grid,
        "power_w": mean,
        "torque_nm": torque,
        "lambda_wide": lean,
        "lambda_target": np.broadcast_to(target, grid.shape),
        "lean_error_pct": error,
        "lean_error_se_pct": scatter_pct / np.sqrt(np.maximum(with_lambda, 1)),
        "lean_error_lower_pct": known.low_pct,
        "lean_error_upper_pct": known.high_pct,
    }


def _all_pulls_pct(power: np.ndarray, mean: np.ndarray) -> float:
    """Return how far the mean of all pulls alike lies from the session's, at all speeds."""
    return 100 * float(np.expm1(np.nanmean(np.log(session.session_mean(power) / mean))))


def _guarded(
    grid: np.ndarray,
    error: np.ndarray,
    by_pull: np.ndarray,
    windows: list[mixture.Window],
    wanted: Mixture,
) -> dict[str, Any]:
    """Return the worst lean error with its interval, and which level beyond is not excluded."""
    worst = mixture.worst_lean_error(
        grid,
        error,
        by_pull,
        least_width_rpm=LEAST_WINDOW_RPM,
        gauge_accuracy_pct=wanted.gauge_accuracy_pct,
    )
    limits = {f"{level}_pct": getattr(wanted, f"{level}_pct") for level in mixture.LEVELS[1:]}
    told: dict[str, Any] = {
        "worst_lean_error_pct": or_none(worst.error_pct),
        "worst_speed_rpm": or_none(worst.speed_rpm),
        "worst_lower_pct": or_none(worst.lower_pct),
        "worst_upper_pct": or_none(worst.upper_pct),
        "is_scatter_assumed": worst.is_scatter_assumed,
        "level_not_excluded": None,
        "more_pulls": None,
        "is_gauge_in_the_way": None,
    }
    if not np.isfinite(worst.error_pct):
        return told
    beyond = mixture.level_of_error(worst.upper_pct, **limits)
    if mixture.LEVELS.index(beyond) > mixture.LEVELS.index(mixture.mixture_level(windows)):
        limit = limits[f"{beyond}_pct"]
        told["level_not_excluded"] = beyond
        told["more_pulls"] = mixture.pulls_to_exclude(worst, limit)
        told["is_gauge_in_the_way"] = mixture.is_gauge_in_the_way(worst, limit)
    return told


def _told_of_window(
    window: mixture.Window,
    grid: np.ndarray,
    by_pull: np.ndarray,
    elapsed: np.ndarray,
    target: np.ndarray,
    accuracy: float,
    peak_torque_rpm: float,
    wanted: Mixture,
) -> dict[str, Any]:
    """Return how long a pull stays in a window, how often it is there, and how sure it is."""
    seen_in = mixture.window_repeatability(
        window, grid, by_pull, notice_pct=wanted.notice_pct, least_width_rpm=LEAST_WINDOW_RPM
    )
    there = float(np.interp(window.worst_speed_rpm, grid, target))
    known = mixture.lean_error_interval_pct(
        window.worst_error_pct,
        there,
        gauge_accuracy=accuracy * there * (1.0 + window.worst_error_pct / 100.0),
        depth_sd_pct=seen_in.depth_sd_pct,
        pulls=max(seen_in.pulls, 1),
    )
    durations = [_seconds_within(window, one, grid) for one in elapsed]
    # A pull that never got there says nothing of how long one stays.
    durations = [seconds for seconds in durations if seconds > 0.0]
    distance = mixture.distance_from_peak_torque_rpm(window, peak_torque_rpm)
    return {
        "worst_lower_pct": float(known.low_pct),
        "worst_upper_pct": float(known.high_pct),
        "pulls_seen": seen_in.pulls,
        "pulls_showing": seen_in.seen_in,
        "duration_s": float(np.median(durations)) if durations else None,
        "peak_torque_distance_rpm": distance,
    }


def _worst_of_stage(window: mixture.Window, guarded: dict[str, Any]) -> dict[str, Any]:
    """Return the stage's worst lean error for the window that it stands in: one figure, told twice.

    It is held over LEAST_WINDOW_RPM, where a window's own is that of its one highest point.
    """
    at_rpm = guarded["worst_speed_rpm"]
    is_there = (
        window.side == "lean"
        and at_rpm is not None
        and window.from_rpm <= at_rpm <= window.to_rpm
        and window.to_rpm - window.from_rpm >= LEAST_WINDOW_RPM
    )
    if not is_there:
        return {}
    return {
        "worst_error_pct": guarded["worst_lean_error_pct"],
        "worst_speed_rpm": at_rpm,
        "worst_lower_pct": guarded["worst_lower_pct"],
        "worst_upper_pct": guarded["worst_upper_pct"],
    }


def _seconds_within(window: mixture.Window, elapsed: np.ndarray, grid: np.ndarray) -> float:
    """Return the time a pull spends in a window; NaN without a clock."""
    seen = np.isfinite(elapsed)
    time, speed = elapsed[seen], grid[seen]
    # Speeds that ripple passes at one and the same moment count once.
    first = np.concatenate([[True], np.diff(time) > 0.0]) if time.size else seen[:0]
    return mixture.window_duration_s(window, time[first], speed[first])


def _knock(
    window: mixture.Window, grid: np.ndarray, knock: np.ndarray, advance: np.ndarray
) -> dict[str, Any]:
    """Return what knock and ignition do in a window; empty where neither was logged."""
    ends = (window.from_rpm, window.to_rpm)
    knocks = heat.window_standout(grid, knock, *ends)
    timing = heat.window_standout(grid, advance, *ends)
    if not knocks.pulls and not timing.pulls:
        return {}
    return {
        "to_rpm": window.to_rpm,
        "pulls_seen": max(knocks.pulls, timing.pulls),
        "knock_inside": or_none(knocks.inside),
        "knock_beside": or_none(knocks.beside),
        "knock_ratio": or_none(knocks.ratio),
        "knock_ratio_lower": or_none(knocks.ratio_lower),
        "knock_ratio_upper": or_none(knocks.ratio_upper),
        "ignition_retard_deg": or_none(-timing.difference),
        "retard_lower_deg": or_none(-timing.difference_upper),
        "retard_upper_deg": or_none(-timing.difference_lower),
    }


def _starts(heads: list[dict[str, Any]], name: str) -> np.ndarray:
    return np.array([np.nan if head[name] is None else head[name] for head in heads])


def _apart(used: list[dict[str, Any]], levels: np.ndarray, odd: list[Note | None]) -> list[Note]:
    """Say which pull the shop's usual scatter lets pass and its own session does not."""
    found = session.grubbs(levels, false_alarm_share=0.01)
    if len(used) < LEAST_FOR_GRUBBS or not found.is_outlier or odd[found.place]:
        return []
    others = np.delete(levels, found.place)
    away_pct = 100 * (levels[found.place] - np.nanmean(others))
    return [note("pull apart", pull_no=used[found.place]["pull_no"], away_pct=away_pct)]


def _mean_lambda(lambdas: np.ndarray) -> np.ndarray:
    seen = np.isfinite(lambdas).sum(axis=0)
    total = np.nansum(lambdas, axis=0)
    # As for power: a speed counts if at least half of the pulls with a gauge saw it.
    with_gauge = int(np.isfinite(lambdas).any(axis=1).sum())
    enough = (seen > 0) & (seen >= with_gauge / 2)
    return np.divide(total, seen, out=np.full(total.shape, np.nan), where=enough)


def _mean_of(heads: list[dict[str, Any]], name: str) -> float | None:
    values = [head[name] for head in heads if head[name] is not None]
    return float(np.mean(values)) if values else None


def _mixture(
    stage: dict[str, Any],
    used: list[dict[str, Any]],
    grid: np.ndarray,
    error: np.ndarray,
    torque: np.ndarray,
    windows: list[mixture.Window],
) -> dict[str, Any]:
    seen = grid[np.isfinite(error)]
    has_lambda = seen.size > 0
    settling = [head["settling_s"] for head in used if head["settling_s"] is not None]
    reason = note("probe not settled", settling_s=max(settling)) if settling else _no_lambda(used)
    lean = [window for window in windows if window.side == "lean"]
    return {
        "stage_id": stage["stage_id"],
        "job_id": stage["job_id"],
        "bike_id": stage["bike_id"],
        "model_id": stage["model_id"],
        "build_id": stage["build_id"],
        "level": mixture.mixture_level(windows) if has_lambda else "unknown",
        "torque_weighted_error_pct": mixture.torque_weighted_error_pct(grid, error, torque)
        if has_lambda
        else None,
        "is_near_peak_torque": any(window.is_near_peak_torque for window in lean),
        "probe_place": next((head["probe_place"] for head in used if head["has_lambda"]), None),
        "judged_from_rpm": float(seen[0]) if has_lambda else None,
        "judged_to_rpm": float(seen[-1]) if has_lambda else None,
        "settling_s": max(settling, default=None),
        "reason": None if has_lambda else reason,
    }


def _no_lambda(used: list[dict[str, Any]]) -> Note:
    """Return why no pull tells the mixture: what was logged and is no evidence, or nothing was."""
    for head in used:
        for one in json.loads(head["notes"]):
            if one["code"] == "lambda stands still":
                return note("probe stood still", value=one["value"])
            if one["code"] == "lambda reads free air":
                return note("probe in free air", value=one["value"])
    return note("no wideband")
