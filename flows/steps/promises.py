"""The score of quotes: each that could have been given, replayed by date, with what then came.

A quote rests on the gains of earlier days: one new job is one new quote, and leaves the others.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from itertools import groupby
from typing import Any

import duckdb

from flows.metrics import pooling
from flows.steps.effects import (
    ASSUMED_DOF,
    FIGURES,
    VARIANCE_DOF,
    Seen,
    bikes_of,
    prior_of,
    variance_of,
    with_figure,
)
from flows.steps.engine import Given, Inputs, Records, Step, marks
from flows.steps.refresh import grouped, in_percent, short_hash
from warehouse import store


def _inputs(connection: duckdb.DuckDBPyConnection, _: Given) -> Inputs:
    """Return each gain that could have been quoted, by itself and all gains of earlier days."""
    gains = store.rows(
        connection,
        "SELECT gain_id, bike_id, model_id, run_on, change_key, log_mean_gain, "  # noqa: S608
        f"log_mean_gain_sd, log_peak_gain, log_peak_gain_sd, {VARIANCE_DOF} AS variance_dof "
        "FROM out.gain CROSS JOIN (SELECT * EXCLUDE made_from FROM out.trust) AS trust "
        "WHERE is_pooled ORDER BY change_key, run_on, gain_id",
        ASSUMED_DOF,
    )
    by_change = grouped(gains.iter_rows(named=True), lambda row: row["change_key"])
    told = marks(gains, "gain_id")
    wanted: dict[str, str] = {}
    change_of: dict[str, str] = {}
    for change_key, rows in by_change.items():
        quoted = _marks_by_day(rows, told)
        wanted |= quoted
        change_of |= {gain_id: str(change_key) for gain_id in quoted}

    def load(due: list[str]) -> list[dict[str, Any]]:
        asked = grouped(due, lambda gain_id: change_of[gain_id])
        return [{"gains": by_change[key], "asked": set(ids)} for key, ids in asked.items()]

    return Inputs(wanted, load)


def _marks_by_day(rows: list[dict[str, Any]], told: dict[str, str]) -> dict[str, str]:
    """Return of each gain of one change that could have been quoted what its quote rests on."""
    quoted = {
        row["gain_id"]
        for column in FIGURES.values()
        for fresh, _ in next_bikes(with_figure(rows, column))
        for row in fresh
    }
    before = ""
    found: dict[str, str] = {}
    for _, of_day in groupby(rows, key=lambda row: row["run_on"]):
        own = {row["gain_id"]: told[row["gain_id"]] for row in of_day}
        found |= {
            gain_id: short_hash(f"{before} {mark}")
            for gain_id, mark in own.items()
            if gain_id in quoted
        }
        before = short_hash(f"{before} {' '.join(own.values())}")
    return found


def _make(_: Given, payloads: list[dict[str, Any]]) -> Records:
    """Replay quotes of kinds of change."""
    made = [
        promise
        for payload in payloads
        for figure, column in FIGURES.items()
        for promise in promises(
            with_figure(payload["gains"], column), figure, column, payload["asked"]
        )
    ]
    return {"out.promise": made}


PROMISES = Step(
    name="replay quotes",
    doing="replaying quotes",
    version=1,
    key="gain_id",
    tables=("out.promise",),
    reads=("out.gain", "out.trust"),
    inputs=_inputs,
    make=_make,
)


def next_bikes(
    rows: list[dict[str, Any]],
) -> Iterator[tuple[list[dict[str, Any]], list[dict[str, Any]]]]:
    """Yield of each day the gains that others came before, one a bike, and all gains.

    A bike that comes again is no next bike. Rows come by day.
    """
    known: set[str] = set()
    for _, of_day in groupby(rows, key=lambda row: row["run_on"]):
        today = list(of_day)
        first = {row["bike_id"]: row for row in reversed(today)}
        fresh = [
            row for row in today if first[row["bike_id"]] is row and row["bike_id"] not in known
        ]
        yield (fresh if known else []), today
        known |= first.keys()


def promises(
    rows: list[dict[str, Any]], figure: str, column: str, asked: Collection[str]
) -> list[dict[str, Any]]:
    """Return what would have been quoted for the next bikes of one change, and what they showed.

    From the bikes of earlier days alone. What the dyno scatters by is taken as it is known now:
    what was known of it then was not kept.
    """
    made: list[dict[str, Any]] = []
    before = _Before(column)
    for fresh, today in next_bikes(rows):
        if due := [row for row in fresh if row["gain_id"] in asked]:
            made += _quoted(due, before.seen(), figure, column)
        before.add(today)
    return made


class _Before:
    """The gains of earlier days, as they grow: a day makes the models anew that it has bikes of."""

    def __init__(self, column: str) -> None:
        self._column = column
        self._rows: dict[str, list[dict[str, Any]]] = {}
        self._bikes: dict[str, pooling.BikeMeans] = {}
        self._changed: dict[str, None] = {}
        self._variances: list[float] = []

    def add(self, rows: list[dict[str, Any]]) -> None:
        for row in rows:
            self._rows.setdefault(row["model_id"], []).append(row)
            self._changed[row["model_id"]] = None
            self._variances.append(variance_of(row, self._column))

    def seen(self) -> Seen:
        for model_id in self._changed:
            self._bikes[model_id] = bikes_of(self._rows[model_id], self._column)
        self._changed.clear()
        first = next(iter(self._rows.values()))
        planned = sum(self._variances) / len(self._variances)
        return Seen(self._bikes, prior_of(first), planned)


def _quoted(
    fresh: list[dict[str, Any]], seen: Seen, figure: str, column: str
) -> list[dict[str, Any]]:
    models = dict.fromkeys(row["model_id"] for row in fresh)
    quotes: dict[str, pooling.Borrowed] = {}
    # Each by itself: in the last digit, a quote does not hang on who else came that day.
    for model_id in [one for one in models if one in seen.bikes]:
        quotes |= seen.by_model([model_id])
    if len(quotes) < len(models):
        another = seen.of_another()
        quotes |= {model_id: another for model_id in models if model_id not in quotes}
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
                "next_lower_pct": in_percent(quote.next_lower),
                "next_upper_pct": in_percent(quote.next_upper),
                "measured_lower_pct": in_percent(quote.measured_lower),
                "measured_upper_pct": in_percent(quote.measured_upper),
                "shown_pct": in_percent(came),
                "is_held": quote.measured_lower <= came <= quote.measured_upper,
            }
        )
    return made
