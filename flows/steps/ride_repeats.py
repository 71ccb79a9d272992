"""Finds one ride that was exported more than once, in another layout, rate or name, shop-wide."""

from __future__ import annotations

import datetime as dt
import json
from typing import Any

import duckdb
import numpy as np

from flows.metrics.ride_turns import Turns, same_rides
from warehouse import store

MOST_ZONES_APART = dt.timedelta(hours=26)
"""From UTC+14 to UTC-12."""


def repeated(connection: duckdb.DuckDBPyConnection) -> dict[str, str]:
    """Return each ride that does not count, with a note, as JSON, on what it is a copy of."""
    found = connection.execute(
        "SELECT same.ride_id, min(json_object('code', 'the same ride', "
        "'file_name', kept.file_name, 'job_id', CASE WHEN kept.stage_id <> ride.stage_id "
        "THEN split_part(kept.stage_id, '/', 1) END, "
        "'is_same_layout', kept.layout = ride.layout)::VARCHAR) "
        "FROM out.same_ride AS same JOIN core.ride AS ride ON same.ride_id = ride.ride_id "
        "JOIN core.ride AS kept ON same.kept_ride_id = kept.ride_id GROUP BY same.ride_id"
    ).fetchall()
    return dict(found)


def find_repeats(connection: duckdb.DuckDBPyConnection, changed: list[str]) -> None:
    """Bring out.same_ride up to rides that came, changed or went."""
    # Of rides whose starts are days apart none is a copy: their turns are not read.
    rides = store.rows(
        connection,
        "WITH asked AS (SELECT started_at - $2 AS after, started_at + $2 AS before "
        "FROM core.ride WHERE ride_id IN (SELECT unnest($1))), "
        "near AS (SELECT * FROM core.ride AS ride WHERE started_at IS NULL "
        "OR EXISTS (FROM asked WHERE after IS NULL) "
        "OR EXISTS (FROM asked WHERE ride.started_at BETWEEN after AND before)) "
        "SELECT ride_id, ride.rows_kept, ride.started_at, reading.facts -> '$.turns' AS turns, "
        "coalesce(TRY_CAST(reading.facts ->> '$.channels_seen' AS BIGINT), 0) AS channels_seen, "
        "min(arrival_no) AS arrived FROM near AS ride "
        "JOIN raw.reading AS reading USING (file_sha256) "
        "JOIN raw.arrival AS arrival USING (file_sha256) GROUP BY ALL ORDER BY ride_id",
        changed,
        MOST_ZONES_APART,
    ).to_dicts()
    places = {ride["ride_id"]: place for place, ride in enumerate(rides)}
    asked = [places[ride_id] for ride_id in changed if ride_id in places]
    pairs = same_rides([_turns(ride["turns"]) for ride in rides], asked)
    ordered = [
        sorted((rides[a], rides[b]), key=_worth)
        for a, b in pairs
        if not _days_apart(rides[a]["started_at"], rides[b]["started_at"])
    ]
    with store.transaction(connection):
        connection.execute(
            "DELETE FROM out.same_ride WHERE ride_id IN (SELECT unnest($1)) "
            "OR kept_ride_id IN (SELECT unnest($1)) "
            "OR ride_id NOT IN (SELECT ride_id FROM core.ride) "
            "OR kept_ride_id NOT IN (SELECT ride_id FROM core.ride)",
            [changed],
        )
        if ordered:
            connection.executemany(
                "INSERT INTO out.same_ride VALUES (?, ?)",
                [[later["ride_id"], kept["ride_id"]] for kept, later in ordered],
            )


def _days_apart(one: dt.datetime | None, other: dt.datetime | None) -> bool:
    """Whether two starts are further apart than any two time zones: then it is another ride."""
    return one is not None and other is not None and abs(one - other) > MOST_ZONES_APART


def _worth(ride: dict[str, Any]) -> tuple[int, int, int]:
    """Order copies: the one with most channels counts, then most rows, then the first to come."""
    return -ride["channels_seen"], -ride["rows_kept"], ride["arrived"]


def _turns(text: str | None) -> Turns:
    found = np.array(json.loads(text) if text else [], dtype=float).reshape(-1, 2)
    return Turns(found[:, 0], found[:, 1])
