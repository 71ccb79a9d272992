"""Pooled effects: what a change gives over all bikes that had it, and what may be quoted."""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import duckdb
import numpy as np

from flows.metrics import pooling
from flows.steps.engine import Given, Inputs, Records, Step, by_key
from flows.steps.refresh import fingerprint, grouped, in_percent
from warehouse import store

FIGURES = {"mean gain over the riding range": "mean", "peak against peak": "peak"}
ONE_MODEL, ALL_MODELS = "one model", "all models"
BETWEEN_MODELS = 2 * pooling.BETWEEN_BIKES_SHARE
"""The same for models: engines differ more than two of one kind. Common practice, no source."""
ASSUMED_DOF = 0.5
"""Behind a scatter of mounting that is assumed: two times in three it is right within a
factor of 2.7. Our judgement, no source; tests/studies/quote_study.md has what it costs."""

VARIANCE_DOF = (
    "CASE WHEN trust.is_remount_assumed "
    # Bikes that agree cannot tell how they differ from how they were strapped down.
    "OR coalesce((trust.remount_origin ->> '$.control_sessions')::INT, 0) = 0 "
    "AND coalesce((trust.remount_origin ->> '$.repeats')::INT, 0) = 0 "
    "THEN ? ELSE trust.remount_dof END"
)
"""SQL of how well the variances of gains are known; asks for `ASSUMED_DOF`."""


def _inputs(connection: duckdb.DuckDBPyConnection, _: Given) -> Inputs:
    """Return the gains that may be pooled by what changed, and how well variances are known."""
    gains = store.rows(
        connection,
        "SELECT gain_id, job_id, bike_id, model_id, run_on, change_kind, change_key, made_from, "  # noqa: S608
        "log_mean_gain, log_mean_gain_sd, log_peak_gain, log_peak_gain_sd, "
        f"{VARIANCE_DOF} AS variance_dof FROM out.gain "
        "CROSS JOIN (SELECT * EXCLUDE made_from FROM out.trust) AS trust WHERE is_pooled "
        "ORDER BY change_key, model_id, bike_id, gain_id",
        ASSUMED_DOF,
    )
    return by_key("change_key", {"gains": gains})


def _make(_: Given, payloads: list[dict[str, Any]]) -> Records:
    """Pool the gains of kinds of change.

    Several jobs of one bike count as one bike. A model with few bikes borrows from the other
    models that had the same change, and says how much.
    """
    heads: list[dict[str, Any]] = []
    members: list[dict[str, Any]] = []
    for payload in payloads:
        for figure, column in FIGURES.items():
            if not (seen := with_figure(payload["gains"], column)):
                continue
            made = _pool(seen, figure, column)
            heads += made[0]
            members += made[1]
    return {"out.pooled_effect": heads, "out.pooled_member": members}


EFFECTS = Step(
    name="pool effects",
    doing="pooling effects",
    version=4,
    key="change_key",
    tables=("out.pooled_effect", "out.pooled_member"),
    through={"out.pooled_member": ("effect_id", "out.pooled_effect")},
    reads=("out.gain", "out.trust"),
    inputs=_inputs,
    make=_make,
    batch=50,
)


def with_figure(rows: list[dict[str, Any]], column: str) -> list[dict[str, Any]]:
    """Return the gains that have a figure: one whose peak was not reached has no peak gain."""
    return [row for row in rows if row[f"log_{column}_gain"] is not None]


class Seen(NamedTuple):
    """Bikes that had a change, by model, and how their next one is foretold."""

    bikes: dict[str, pooling.BikeMeans]
    prior: pooling.SpreadPrior
    planned_variance: float
    """The next one is measured as these were on average: whatever stands in their variances, the
    shop's usual number of pulls and way of strapping down among it, stands in its plan."""

    @property
    def effects(self) -> list[tuple[np.ndarray, np.ndarray]]:
        """Effect and variance of each bike of each model."""
        return [(of_model.effect, of_model.variance) for of_model in self.bikes.values()]

    def by_model(self, asked: list[str]) -> dict[str, pooling.Borrowed]:
        """Return what the next bike of some models may see."""
        place = {model: at for at, model in enumerate(self.bikes)}
        found = pooling.borrowed(
            self.effects,
            prior=self.prior,
            planned_variance=self.planned_variance,
            asked=[place[model] for model in asked],
        )
        return dict(zip(asked, found, strict=True))

    def of_another(self) -> pooling.Borrowed:
        """Return what a bike of another model may see."""
        return pooling.of_unseen(self.effects, self.prior, planned_variance=self.planned_variance)


def variance_of(row: dict[str, Any], column: str) -> float:
    """Return the stated variance of a gain's figure."""
    return row[f"log_{column}_gain_sd"] ** 2


def prior_of(rows: list[dict[str, Any]]) -> pooling.SpreadPrior:
    """Return what is assumed of the spreads behind some gains, which carry `VARIANCE_DOF`."""
    dof = rows[0]["variance_dof"]
    return pooling.SpreadPrior(pooling.BETWEEN_BIKES_SHARE, BETWEEN_MODELS, dof)


def _pool(
    rows: list[dict[str, Any]], figure: str, column: str
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    groups = grouped(rows, lambda row: row["model_id"])
    seen = Seen(
        {model: bikes_of(members, column) for model, members in groups.items()},
        prior_of(rows),
        float(np.mean([variance_of(row, column) for row in rows])),
    )
    planned_sd_pct = 100 * math.sqrt(seen.planned_variance)
    heads = [
        _effect(ONE_MODEL, model, groups[model], seen.bikes[model], foretold, figure)
        for model, foretold in seen.by_model(list(groups)).items()
    ]
    every = bikes_of(rows, column)
    heads.append(_effect(ALL_MODELS, None, rows, every, seen.of_another(), figure))
    for head in heads:
        head["planned_sd_pct"] = planned_sd_pct
    members = [
        {
            "effect_id": head["effect_id"],
            "gain_id": row["gain_id"],
            "bike_id": row["bike_id"],
            "gain_pct": in_percent(row[f"log_{column}_gain"]),
            "gain_sd_pct": 100 * row[f"log_{column}_gain_sd"],
        }
        for head in heads
        for row in (groups[head["model_id"]] if head["model_id"] else rows)
    ]
    return heads, members


def bikes_of(rows: list[dict[str, Any]], column: str) -> pooling.BikeMeans:
    """Return one effect a bike."""
    return pooling.bike_means(
        np.array([row[f"log_{column}_gain"] for row in rows]),
        np.array([variance_of(row, column) for row in rows]),
        [row["bike_id"] for row in rows],
    )


def _effect(
    scope: str,
    model_id: str | None,
    rows: list[dict[str, Any]],
    bikes: pooling.BikeMeans,
    shown: pooling.Borrowed,
    figure: str,
) -> dict[str, Any]:
    own = pooling.pooled(bikes.effect, bikes.variance)
    return {
        "effect_id": fingerprint(scope, model_id, rows[0]["change_key"], figure),
        "scope": scope,
        "model_id": model_id,
        "change_kind": rows[0]["change_kind"],
        "change_key": rows[0]["change_key"],
        "figure": figure,
        "bikes": own.bikes,
        "jobs": len({row["job_id"] for row in rows}),
        "own_mean_pct": in_percent(own.mean),
        "own_lower_pct": in_percent(own.lower),
        "own_upper_pct": in_percent(own.upper),
        "mean_pct": in_percent(shown.mean),
        "lower_pct": in_percent(shown.lower),
        "upper_pct": in_percent(shown.upper),
        "next_lower_pct": in_percent(shown.next_lower),
        "next_upper_pct": in_percent(shown.next_upper),
        "measured_lower_pct": in_percent(shown.measured_lower),
        "measured_upper_pct": in_percent(shown.measured_upper),
        "between_bikes_sd_pct": 100 * shown.tau,
        "i2_share": own.i2_share,
        "borrowed_share": shown.borrowed_share,
        "prior_share": shown.prior_share,
    }
