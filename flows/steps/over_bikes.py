"""A change over all bikes that had it: by model, over speed, and which bikes do not fit the others.

What is quoted, with borrowing, stands in `effects`; here each model speaks for itself.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable
from typing import Any

import duckdb
import numpy as np

from flows.metrics.mixture import LEAN_LEVELS
from flows.metrics.notes import Note, note
from flows.metrics.over_bikes import OverBikes, against_others, by_bike, over_bikes
from flows.metrics.pooling import SpreadPrior, bike_means
from flows.steps.effects import ALL_MODELS, ASSUMED_DOF, ONE_MODEL, VARIANCE_DOF, prior_of
from flows.steps.engine import Given, Inputs, Records, Step, by_key
from flows.steps.refresh import arrays_of, grouped, in_percent
from warehouse import store

SPEED_STEP_RPM = 250.0
"""Curves are smoothed over more than half of it: nothing is lost between."""
SHARE_STEP = 0.025
"""The same on the speed over that at peak power."""
LEAST_SEEN_SHARE = 0.5
"""A speed is drawn where half of the bikes were seen: no jumps where bikes come and go."""
LEAST_OTHERS = 3
"""Bikes that must be there to call another one odd."""
ODD_P = 0.05


def _inputs(connection: duckdb.DuckDBPyConnection, _: Given) -> Inputs:
    """Return the gains that may be pooled by what changed, with what may make one odd."""
    gains = store.rows(
        connection,
        "SELECT gain.gain_id, gain.job_id, gain.bike_id, gain.model_id, gain.run_on, "  # noqa: S608
        "gain.change_key, gain.change_label, gain.made_from, log_mean_gain, log_mean_gain_sd, "
        "mean_gain_lower_pct, mean_gain_upper_pct, log_peak_gain_sd, peak_gain_lower_pct, "
        "peak_gain_upper_pct, before.peak_power_speed_rpm, "
        "date_diff('day', before.run_on, gain.run_on) AS days, "
        "(SELECT count(*) FROM out.session_pull AS pull WHERE pull.odd IS NOT NULL "
        "AND pull.stage_id IN (gain.before_stage_id, gain.after_stage_id)) AS odd_pulls, "
        "mixture.level, mixture.worst_lean_error_pct, "
        f"{VARIANCE_DOF} AS variance_dof "
        "FROM out.gain AS gain "
        "JOIN out.session AS before ON gain.before_stage_id = before.stage_id "
        "LEFT JOIN out.stage_mixture AS mixture ON gain.after_stage_id = mixture.stage_id "
        "CROSS JOIN out.trust AS trust WHERE is_pooled "
        "ORDER BY gain.change_key, gain.model_id, gain.bike_id, gain.run_on, gain.gain_id",
        ASSUMED_DOF,
    )

    def curves(due: list[str]) -> Callable[[str], dict[str, Any]]:
        wanted = gains.filter(gains["change_key"].is_in(due))["gain_id"].to_list()
        of_gain = arrays_of(
            connection,
            "gain_id",
            "SELECT gain_id, engine_speed_rpm, gain_pct, lower_pct, upper_pct "
            "FROM out.gain_curve WHERE gain_pct IS NOT NULL AND gain_id IN (SELECT unnest(?)) "
            "ORDER BY gain_id, engine_speed_rpm",
            wanted,
        )
        of_key = dict(gains.group_by("change_key").agg("gain_id").iter_rows())
        return lambda key: {"curves": {one: of_gain[one] for one in of_key[key] if one in of_gain}}

    return by_key("change_key", {"gains": gains}, curves)


def _make(_: Given, payloads: list[dict[str, Any]]) -> Records:
    """Pool the gains of kinds of change, and hold each bike against the others."""
    heads: list[dict[str, Any]] = []
    curves: list[dict[str, Any]] = []
    bikes: list[dict[str, Any]] = []
    for payload in payloads:
        rows = payload["gains"]
        prior = prior_of(rows)
        for model_id, members in grouped(rows, lambda row: row["model_id"]).items():
            heads.append(_head(model_id, members, prior))
            curves += _curve(members, payload["curves"], prior, model_id)
        curves += _curve(rows, payload["curves"], prior, None)
        bikes += _against(rows, prior)
    return {
        "out.measured_change": heads,
        "out.pooled_curve": curves,
        "out.bike_against_others": bikes,
    }


OVER_BIKES = Step(
    name="hold bikes together",
    doing="holding bikes together",
    version=3,
    key="change_key",
    tables=("out.measured_change", "out.pooled_curve", "out.bike_against_others"),
    reads=(
        "out.gain", "out.gain_curve", "out.trust", "out.session", "out.session_pull",
        "out.stage_mixture",
    ),
    inputs=_inputs,
    make=_make,
    batch=20,
)  # fmt: skip


def _head(model_id: str, rows: list[dict[str, Any]], prior: SpreadPrior) -> dict[str, Any]:
    means = bike_means(*_figures(rows), [row["bike_id"] for row in rows])
    found = over_bikes(means.effect[:, None], means.variance[:, None], prior)
    lower, upper = found.ends
    return {
        "change_key": rows[0]["change_key"],
        "model_id": model_id,
        "bikes": means.bike.size,
        "jobs": len({row["job_id"] for row in rows}),
        "own_mean_pct": in_percent(found.centre[0]),
        "own_lower_pct": in_percent(lower[0]),
        "own_upper_pct": in_percent(upper[0]),
        "own_p": float(found.p[0]),
    }


def _figures(rows: list[dict[str, Any]]) -> tuple[np.ndarray, np.ndarray]:
    effect = np.array([row["log_mean_gain"] for row in rows])
    return effect, np.array([row["log_mean_gain_sd"] ** 2 for row in rows])


def _curve(
    rows: list[dict[str, Any]],
    curves: dict[str, np.ndarray],
    prior: SpreadPrior,
    model_id: str | None,
) -> list[dict[str, Any]]:
    """Return the pooled curve of a model by rpm, or of all models by the speed at peak power."""
    known = [row for row in rows if row["gain_id"] in curves]
    if model_id is None:
        known = [row for row in known if row["peak_power_speed_rpm"]]
    if not known:
        return []
    laid = [
        _laid(row, curves[row["gain_id"]], row["peak_power_speed_rpm"] if model_id is None else 1.0)
        for row in known
    ]
    step = SHARE_STEP if model_id is None else SPEED_STEP_RPM
    places = np.arange(
        math.ceil(min(speed[0] for speed, _, _ in laid) / step),
        math.floor(max(speed[-1] for speed, _, _ in laid) / step) + 1,
    )
    effect, variance = (
        np.array([np.interp(places * step, one[0], one[at], np.nan, np.nan) for one in laid])
        for at in (1, 2)
    )
    names, effect, variance = by_bike(effect, variance, [row["bike_id"] for row in known])
    seen = np.isfinite(effect).sum(axis=0)
    kept = seen >= max(1.0, LEAST_SEEN_SHARE * len(names))
    of_bike = {row["bike_id"]: row["model_id"] for row in known}
    found = over_bikes(
        effect[:, kept],
        variance[:, kept],
        prior,
        model=[of_bike[name] for name in names] if model_id is None else None,
    )
    return _points(rows[0]["change_key"], model_id, places[kept] * step, seen[kept], found)


def _laid(
    row: dict[str, Any], curve: np.ndarray, unit_rpm: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return speed, ln gain and its variance; the band is as many standard errors as the peak's.

    Where a peak was not reached, as many as those of the mean, which has about the same degrees of
    freedom.
    """
    figure = "mean" if row["log_peak_gain_sd"] is None else "peak"
    ends = (row[f"{figure}_gain_lower_pct"], row[f"{figure}_gain_upper_pct"])
    half = 0.5 * (math.log1p(ends[1] / 100) - math.log1p(ends[0] / 100))
    critical = half / row[f"log_{figure}_gain_sd"]
    log_ratio = np.log1p(curve[:, 1:] / 100)
    sd = 0.5 * (log_ratio[:, 2] - log_ratio[:, 1]) / critical
    return curve[:, 0] / unit_rpm, log_ratio[:, 0], np.square(sd)


def _points(
    change_key: str, model_id: str | None, speed: np.ndarray, seen: np.ndarray, found: OverBikes
) -> list[dict[str, Any]]:
    lines = [found.centre, *found.ends, *found.next_ends]
    names = ("mean_pct", "lower_pct", "upper_pct", "next_lower_pct", "next_upper_pct")
    is_all = model_id is None
    return [
        {
            "change_key": change_key,
            "scope": ALL_MODELS if is_all else ONE_MODEL,
            "model_id": model_id,
            "engine_speed_rpm": None if is_all else float(speed[at]),
            "peak_speed_share": float(speed[at]) if is_all else None,
            "bikes": int(seen[at]),
            **{name: in_percent(line[at]) for name, line in zip(names, lines, strict=True)},
        }
        for at in range(speed.size)
    ]


def _against(rows: list[dict[str, Any]], prior: SpreadPrior) -> list[dict[str, Any]]:
    """Hold each bike against the others of its model; where these are few, against all."""
    means = bike_means(*_figures(rows), [row["bike_id"] for row in rows])
    last = {row["bike_id"]: row for row in rows}
    model = [last[bike]["model_id"] for bike in means.bike]
    count = Counter(model)
    fitted: dict[str, set[str]] = {}
    for row in rows:
        for part in _fitted(row):
            fitted.setdefault(part, set()).add(row["bike_id"])
    made: list[dict[str, Any]] = []
    for model_id in (*count, None):
        of_model = [at for at, one in enumerate(model) if model_id in (one, None)]
        is_few = {one: count[one] <= LEAST_OTHERS for one in count}
        asked = [n for n, at in enumerate(of_model) if is_few[model[at]] == (model_id is None)]
        if not asked or len(of_model) <= LEAST_OTHERS:
            continue
        found = against_others(
            means.effect[of_model],
            means.variance[of_model],
            prior,
            model=None if model_id else model,
            asked=asked,
        )
        for number, place in enumerate(asked):
            at = of_model[place]
            row, p = last[means.bike[at]], float(found.p[number])
            made.append(
                {
                    "change_key": row["change_key"],
                    "bike_id": row["bike_id"],
                    "model_id": row["model_id"],
                    "gain_id": row["gain_id"],
                    "scope": ONE_MODEL if model_id else ALL_MODELS,
                    "bikes": len(of_model) - 1,
                    "gain_pct": in_percent(means.effect[at]),
                    "foretold_lower_pct": in_percent(found.lower[number]),
                    "foretold_upper_pct": in_percent(found.upper[number]),
                    "off_sd": float(found.off_sd[number]),
                    "odd_p": p,
                    "look_at": _look_at(row, fitted) if p < ODD_P else [],
                }
            )
    return made


def _look_at(row: dict[str, Any], fitted: dict[str, set[str]]) -> list[Note]:
    """Return what on record may make a bike odd, the likeliest first; parts by who has them."""
    found = []
    if row["odd_pulls"]:
        found.append(note("odd bike pulls", pulls=row["odd_pulls"]))
    if row["level"] in LEAN_LEVELS:
        found.append(note("odd bike lean", error_pct=row["worst_lean_error_pct"]))
    if strange := [part for part in _fitted(row) if fitted[part] == {row["bike_id"]}]:
        found.append(note("odd bike parts", parts=strange))
    if row["days"]:
        found.append(note("odd bike days", days=row["days"]))
    return found or [note("odd bike nothing")]


def _fitted(row: dict[str, Any]) -> list[str]:
    return [said[2:] for said in row["change_label"].split("; ") if said.startswith("+ ")]
