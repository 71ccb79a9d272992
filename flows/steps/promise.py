"""Promises kept: each quote that could have been given, replayed by date, and what then came."""

from __future__ import annotations

from itertools import groupby
from typing import Any

from flows.steps.effects import FIGURES, pct, pooled_gains, seen_of, with_figure
from flows.steps.engine import Given, Records, Step


def _make(_: Given, payloads: list[dict[str, Any]]) -> Records:
    """Return the quotes for each bike that had a change, from the bikes that had it before."""
    return {
        "out.promise": [
            promise
            for payload in payloads
            for figure, column in FIGURES.items()
            for promise in promises(with_figure(payload["gains"], column), figure, column)
        ]
    }


def promises(rows: list[dict[str, Any]], figure: str, column: str) -> list[dict[str, Any]]:
    """Return what would have been quoted for each next bike of one change, and what it showed.

    From the bikes of earlier days alone. A bike that comes again is no next bike. What the dyno
    scatters by is taken as it is known now: what was known of it then was not kept.
    """
    made: list[dict[str, Any]] = []
    before: list[dict[str, Any]] = []
    known: set[str] = set()
    by_day = sorted(rows, key=lambda row: (row["run_on"], row["gain_id"]))
    for _, of_day in groupby(by_day, key=lambda row: row["run_on"]):
        today = list(of_day)
        first = {row["bike_id"]: row for row in reversed(today)}
        fresh = [
            row for row in today if first[row["bike_id"]] is row and row["bike_id"] not in known
        ]
        if before and fresh:
            made += _quoted(fresh, before, figure, column)
        before += today
        known |= first.keys()
    return made


def _quoted(
    fresh: list[dict[str, Any]], before: list[dict[str, Any]], figure: str, column: str
) -> list[dict[str, Any]]:
    seen = seen_of(before, column)
    is_seen = {row["model_id"] in seen.bikes for row in fresh}
    quotes = seen.by_model() if True in is_seen else {}
    if False in is_seen:
        another = seen.of_another()
        quotes |= {row["model_id"]: another for row in fresh if row["model_id"] not in seen.bikes}
    bikes = sum(of_model.bike.size for of_model in seen.bikes.values())
    made = []
    for row in fresh:
        quote = quotes[row["model_id"]]
        of_model = quote.bikes if row["model_id"] in seen.bikes else 0
        came = row[f"log_{column}_gain"]
        made.append(
            {
                "gain_id": row["gain_id"],
                "figure": figure,
                "change_key": row["change_key"],
                "model_id": row["model_id"],
                "bike_id": row["bike_id"],
                "run_on": row["run_on"],
                "bikes": of_model,
                "other_bikes": bikes - of_model,
                "next_lower_pct": pct(quote.next_lower),
                "next_upper_pct": pct(quote.next_upper),
                "measured_lower_pct": pct(quote.measured_lower),
                "measured_upper_pct": pct(quote.measured_upper),
                "came_pct": pct(came),
                "is_held": quote.measured_lower <= came <= quote.measured_upper,
            }
        )
    return made


PROMISES = Step(
    name="replay quotes",
    doing="replaying quotes",
    version=1,
    key="change_key",
    tables=("out.promise",),
    reads=("out.gain", "out.trust"),
    inputs=pooled_gains,
    make=_make,
    batch=5,
)
