"""Pooled effects: what a change gives over all bikes that had it, and what the next will see."""

from __future__ import annotations

import math
from typing import Any

import duckdb
import numpy as np

from flows.metrics import pooling
from flows.steps.engine import Given, Inputs, Records, Step, by_key
from flows.steps.refresh import fingerprint
from warehouse import store

FIGURES = {"mean gain over the riding range": "mean", "peak against peak": "peak"}
ONE_MODEL, ALL_MODELS = "one model", "all models"


def _inputs(connection: duckdb.DuckDBPyConnection, _: Given) -> Inputs:
    gains = store.rows(
        connection,
        "SELECT gain_id, job_id, bike_id, model_id, change_kind, change_key, made_from, "
        "log_mean_gain, log_mean_gain_sd, log_peak_gain, log_peak_gain_sd FROM out.gain "
        "WHERE is_pooled ORDER BY change_key, model_id, bike_id, gain_id",
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
            # A gain whose peak was not reached has none.
            seen = [row for row in payload["gains"] if row[f"log_{column}_gain"] is not None]
            if not seen:
                continue
            made = _pool(seen, figure, f"log_{column}_gain")
            heads += made[0]
            members += made[1]
    return {"out.pooled_effect": heads, "out.pooled_member": members}


EFFECTS = Step(
    name="pool effects",
    doing="pooling effects",
    version=2,
    key="change_key",
    tables=("out.pooled_effect", "out.pooled_member"),
    through={"out.pooled_member": ("effect_id", "out.pooled_effect")},
    reads=("out.gain",),
    inputs=_inputs,
    make=_make,
)


def _pool(
    rows: list[dict[str, Any]], figure: str, column: str
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    groups: dict[str, list[dict[str, Any]]] = {}
    for row in rows:
        groups.setdefault(row["model_id"], []).append(row)
    bikes = {model: _bikes(members, column) for model, members in groups.items()}
    borrowed = pooling.borrowed([(b.effect, b.variance) for b in bikes.values()])
    heads = [
        _effect(ONE_MODEL, model, groups[model], bikes[model], shrunk, figure)
        for model, shrunk in zip(groups, borrowed, strict=True)
    ]
    every = _bikes(rows, column)
    # One group has nobody to borrow from; its next-bike interval is still the sounder one.
    (alone,) = pooling.borrowed([(every.effect, every.variance)])
    heads.append(_effect(ALL_MODELS, None, rows, every, alone, figure))
    members = [
        {
            "effect_id": head["effect_id"],
            "gain_id": row["gain_id"],
            "bike_id": row["bike_id"],
            "gain_pct": _pct(row[column]),
            "gain_sd_pct": 100 * row[f"{column}_sd"],
        }
        for head in heads
        for row in (groups[head["model_id"]] if head["model_id"] else rows)
    ]
    return heads, members


def _bikes(rows: list[dict[str, Any]], column: str) -> pooling.BikeMeans:
    return pooling.bike_means(
        np.array([row[column] for row in rows]),
        np.array([row[f"{column}_sd"] ** 2 for row in rows]),
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
        "own_mean_pct": _pct(own.mean),
        "own_lower_pct": _pct(own.lower),
        "own_upper_pct": _pct(own.upper),
        "mean_pct": _pct(shown.mean),
        "lower_pct": _pct(shown.lower),
        "upper_pct": _pct(shown.upper),
        "next_lower_pct": _pct(shown.next_lower),
        "next_upper_pct": _pct(shown.next_upper),
        "between_bikes_sd_pct": 100 * shown.tau,
        "i2_share": own.i2_share,
        "borrowed_share": shown.borrowed_share,
    }


def _pct(log_ratio: float) -> float:
    return 100 * math.expm1(log_ratio)
