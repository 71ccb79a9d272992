"""Remap need: which parts on which map and fuel leave a model too lean, ranked by what is sure."""

from __future__ import annotations

import datetime as dt
from functools import lru_cache
from typing import Any, NamedTuple

import duckdb
import numpy as np

from flows.metrics import need
from flows.metrics.expected_mixture import Expected, expected_of_groups
from flows.metrics.mixture import LEAN_LEVELS
from flows.steps.builds import fuel_kind
from flows.steps.engine import Given, Inputs, Records, Step, whole
from flows.steps.refresh import fingerprint, grouped, or_none
from warehouse import store

ARRIVED, LEFT = "arrived", "left"
LEADING_PLACES = 3
"""A build that comes among so many is told as news; the pages show all."""

# Of few bikes there are few ways to be lean, in thousands of builds and quarters.
_warn_probability = lru_cache(maxsize=10_000)(need.warn_probability)
_share_seen = lru_cache(maxsize=10_000)(need.share_seen)
_id_of = lru_cache(maxsize=10_000)(fingerprint)

Key = tuple[str, str, str, str]
"""Model, parts, map and fuel."""
Row = dict[str, Any]


class _Seen(NamedTuple):
    """What the ranking rests on."""

    stages: list[Row]
    built: dict[Key, int]
    visits: list[Row]
    remaps: dict[tuple[str, str], Row]
    """What a remap from the maker's map gave, by model and change: the figure that is quoted."""


def _inputs(connection: duckdb.DuckDBPyConnection, _: Given) -> Inputs:
    """Return the latest stage of each bike on each build, both ends of jobs, and remaps' gains."""
    stages = store.rows(
        connection,
        "SELECT stage.stage_id, stage.bike_id, stage.model_id, stage.model_label, "
        "stage.parts_key, stage.map_label, stage.fuel, mixture.level, "
        "mixture.worst_lean_error_pct, mixture.worst_speed_rpm, cruise.in_band_share, "
        "session.run_on "
        "FROM out.stage_mixture AS mixture JOIN out.stage AS stage USING (stage_id) "
        "JOIN out.session AS session USING (stage_id) "
        "LEFT JOIN out.stage_cruise AS cruise USING (stage_id) "
        "WHERE NOT stage.is_control AND mixture.worst_lean_error_pct IS NOT NULL "
        "QUALIFY row_number() OVER (PARTITION BY stage.bike_id, stage.model_id, stage.parts_key, "
        "stage.map_label, stage.fuel "
        "ORDER BY stage.received_on DESC, stage.job_id DESC, stage.stage_no DESC) = 1 "
        "ORDER BY stage.model_id, stage.parts_key, stage.map_label, stage.fuel, stage.bike_id",
    )
    built = connection.execute(
        "SELECT model_id, parts_key, map_label, fuel, count(DISTINCT bike_id) FROM out.stage "
        "WHERE NOT is_control GROUP BY ALL ORDER BY ALL"
    ).fetchall()
    visits = store.rows(
        connection,
        "SELECT stage.job_id, stage.stage_no, stage.bike_id, stage.quarter_label, "
        "stage.received_on, stage.model_id, stage.parts_key, stage.map_label, stage.fuel, "
        "if(mixture.worst_lean_error_pct IS NULL, NULL, mixture.level) AS level "
        "FROM out.stage AS stage LEFT JOIN out.stage_mixture AS mixture USING (stage_id) "
        "WHERE NOT stage.is_control ORDER BY stage.received_on, stage.job_id, stage.stage_no",
    )
    remaps = store.rows(
        connection,
        "SELECT model_id, change_key, bikes, mean_pct, next_lower_pct, next_upper_pct "
        "FROM out.pooled_effect WHERE scope = 'one model' AND change_kind = 'map only' "
        "AND figure = 'mean gain over the riding range' ORDER BY model_id, change_key",
    ).to_dicts()
    seen = _Seen(
        stages.to_dicts(), {row[:4]: row[4] for row in built}, visits.to_dicts(),
        {(row["model_id"], row["change_key"]): row for row in remaps},
    )  # fmt: skip
    # The priors are the whole shop's: a build is ranked anew when any build's evidence changes.
    return whole(fingerprint(seen.stages, built, seen.visits, remaps), lambda: seen)


def _make(given: Given, payloads: list[Any]) -> Records:
    """Rank every build of every model by the sure part of its need for a remap."""
    (seen,) = payloads
    groups = grouped(seen.stages, _key)

    def kind(key: Key) -> tuple[bool, str]:
        return key[2] == "stock", fuel_kind(key[3], given.settings)

    chances: dict[Key, tuple[need.Probability, bool]] = {}
    errors: dict[Key, Expected] = {}
    priors: dict[Key, need.Prior] = {}
    for keys in grouped(groups, kind).values():
        counts = [(_lean(groups[key]), len(groups[key])) for key in keys]
        prior = need.shop_prior([lean for lean, _ in counts], [bikes for _, bikes in counts])
        worst = expected_of_groups(
            [[member["worst_lean_error_pct"] for member in groups[key]] for key in keys]
        )
        for key, (lean, bikes), error in zip(keys, counts, worst, strict=False):
            chances[key] = _warn_probability(lean, bikes, prior), prior.is_assumed
            errors[key], priors[key] = error, prior
    rows = [
        _row(key, members, errors[key], *chances[key], seen.built[key], _remap(seen, key))
        for key, members in groups.items()
    ]
    ranks = need.rank_by_lower(
        np.array([row["warn_lower_share"] for row in rows]),
        np.array([row["worst_error_pct"] for row in rows]),
    )
    for row, rank in zip(rows, ranks, strict=True):
        row["need_rank"] = int(rank)
    for row, day in zip(rows, _leading_since(groups, priors), strict=True):
        row["leading_since"] = day
    named = ("stage_id", "bike_id", "worst_lean_error_pct", "worst_speed_rpm", "level")
    return {
        "out.remap_need": rows,
        "out.need_member": [
            {"need_id": _id_of(*key), **{name: member[name] for name in named}}
            for key, members in groups.items()
            for member in members
        ],
        "out.need_quarter": _by_quarter(seen.visits),
    }


NEED = Step(
    name="rank remap need",
    doing="ranking remap need",
    version=5,
    tables=("out.remap_need", "out.need_member", "out.need_quarter"),
    reads=(
        "out.stage_mixture",
        "out.stage",
        "out.stage_cruise",
        "out.session",
        "out.pooled_effect",
    ),
    inputs=_inputs,
    make=_make,
    set_by=lambda settings: [settings.mixture, settings.fuel],
)


def _key(row: Row) -> Key:
    return row["model_id"], row["parts_key"], row["map_label"], row["fuel"]


def _leading_since(
    groups: dict[Key, list[Row]], priors: dict[Key, need.Prior]
) -> list[dt.date | None]:
    """Return since which day each build leads, by its bikes in the order they were run.

    The prior is that of now: a build's place changes with its own evidence, not with the kind's.
    """
    days = sorted({member["run_on"] for members in groups.values() for member in members})
    at = {day: place for place, day in enumerate(days)}
    bounds = np.full((len(days), len(groups)), np.nan)
    for column, (key, members) in enumerate(groups.items()):
        known = sorted(members, key=lambda member: member["run_on"])
        lean = 0
        for bikes, member in enumerate(known, start=1):
            lean += member["level"] in LEAN_LEVELS
            chance = _warn_probability(lean, bikes, priors[key])
            bounds[at[member["run_on"]] :, column] = chance.lower
    since = need.leading_since(bounds, LEADING_PLACES)
    return [days[place] if place >= 0 else None for place in since]


def _lean(members: list[Row]) -> int:
    return sum(member["level"] in LEAN_LEVELS for member in members)


def _remap(seen: _Seen, key: Key) -> Row | None:
    """Return what a remap from the maker's map gave; a revision of the shop's own is no remap."""
    return seen.remaps.get((key[0], f"remap, on {key[1]}")) if key[2] == "stock" else None


def _by_quarter(visits: list[Row]) -> list[Row]:
    """Return how many bikes arrived and left lean in each quarter: of the shop, and by build.

    In a quarter a bike counts once: by its first arrival, and by its last leaving.
    """
    jobs = list(grouped(visits, lambda row: row["job_id"]).values())
    ends = [(ARRIVED, job[0]) for job in reversed(jobs)] + [(LEFT, job[-1]) for job in jobs]
    counted: dict[tuple[Key | None, str, str], dict[str, str | None]] = {}
    for moment, row in ends:
        for key in (None, _key(row)):
            bikes = counted.setdefault((key, row["quarter_label"], moment), {})
            bikes[row["bike_id"]] = row["level"]
    return [
        _quarter(key, quarter, moment, list(levels.values()))
        for (key, quarter, moment), levels in sorted(
            counted.items(), key=lambda item: (item[0][0] or (), *item[0][1:])
        )
    ]


def _quarter(key: Key | None, quarter: str, moment: str, levels: list[str | None]) -> Row:
    logged = [level for level in levels if level is not None]
    lean = sum(level in LEAN_LEVELS for level in logged)
    share = _share_seen(lean, len(logged)) if logged else None
    return {
        "need_quarter_id": fingerprint(key, quarter, moment),
        "need_id": _id_of(*key) if key else None,
        "quarter_label": quarter,
        "moment": moment,
        "bikes": len(logged),
        "lean_bikes": lean,
        "built_bikes": len(levels),
        "lean_share": lean / len(logged) if logged else None,
        "lean_lower_share": share.lower if share else None,
        "lean_upper_share": share.upper if share else None,
    }


def _row(
    key: Key,
    members: list[Row],
    error: Expected,
    chance: need.Probability,
    is_prior_assumed: bool,
    built_bikes: int,
    remap: Row | None,
) -> Row:
    speeds = [m["worst_speed_rpm"] for m in members if m["level"] in LEAN_LEVELS] or [
        m["worst_speed_rpm"] for m in members
    ]
    cruise = [1 - m["in_band_share"] for m in members if m["in_band_share"] is not None]
    return {
        "need_id": _id_of(*key),
        "model_id": key[0],
        "parts_key": key[1],
        "map_label": key[2],
        "fuel": key[3],
        "is_stock_map": key[2] == "stock",
        "bikes": len(members),
        "lean_bikes": _lean(members),
        "built_bikes": built_bikes,
        "is_prior_assumed": is_prior_assumed,
        "warn_share": chance.mean,
        "warn_lower_share": chance.lower,
        "warn_upper_share": chance.upper,
        "worst_error_pct": error.expected_pct,
        "worst_error_lower_pct": or_none(error.lower_pct),
        "worst_error_upper_pct": or_none(error.upper_pct),
        "worst_speed_from_rpm": min(speeds),
        "worst_speed_to_rpm": max(speeds),
        "cruise_bikes": len(cruise),
        "cruise_out_share": float(np.mean(cruise)) if cruise else None,
        "given_back_bikes": remap["bikes"] if remap else 0,
        "given_back_pct": remap["mean_pct"] if remap else None,
        "given_back_lower_pct": remap["next_lower_pct"] if remap else None,
        "given_back_upper_pct": remap["next_upper_pct"] if remap else None,
        "need_rank": 0,
        "leading_since": None,
    }
