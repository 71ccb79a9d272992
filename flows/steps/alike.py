"""Similar builds: for every stage, the builds on other bikes most like it, with reasons."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import pairwise
from typing import Any

import duckdb
import numpy as np
import polars as pl

from flows.metrics import alike
from flows.metrics.notes import Note, note
from flows.steps.builds import parts_of_builds
from flows.steps.engine import Given, Inputs, Records, Step, marks, rows_by
from flows.steps.trust import session_curves
from warehouse import store

SHOWN = 10
DISPLACEMENT_SHARE = 0.35
"""Builds further apart in displacement than this are never looked at: they teach little, and a new
job then touches the lists of its own size class only."""


KIND = (
    "make",
    "model",
    "first_year",
    "last_year",
    "displacement_cc",
    "parts",
    "map_name",
    "map_revision",
    "ethanol_share",
)
"""What is known of a stage without its curves."""
AS_RUN = ("peak_power_w", "peak_power_speed_rpm", "peak_torque_nm", "worst_lean_error_pct")
"""What its run tells of a stage besides its curves."""
MOST_AT_FIRST = 32
"""So many candidates are looked at closely at first, and twice as many while they do not do."""
SLACK = 1e-9


def _inputs(connection: duckdb.DuckDBPyConnection, _: Given) -> Inputs:
    """Return what is told of each stage in its own list and in those of others."""
    stages = _stages(connection)
    told = [stages.select("job_id", "map_label", "parts_label"), *_outcomes(connection)]
    of_jobs = [marks(frame, "job_id") for frame in told]
    jobs = {
        job_id: ";".join(of_job.get(job_id, "") for of_job in of_jobs)
        for job_id in stages["job_id"].unique().to_list()
    }
    of_job = pl.col("job_id").replace_strict(jobs, return_dtype=pl.String)
    own = stages.filter(~pl.col("is_control")).with_columns(job=of_job)
    return Inputs(marks(own, "stage_id"), list)


def _make(_: Given, payloads: list[Any]) -> Records:
    return {"out.likeness": [{"stage_id": stage_id} for stage_id in payloads]}


def _bring_up_lists(
    connection: duckdb.DuckDBPyConnection, made: list[str], gone: list[str]
) -> None:
    """Make the lists of stages that changed, and those that such a stage stood in or comes into.

    A list changes with a stage that stands in it, or by one that is more alike than its last. All
    other lists stay as they are, whatever else came or went.
    """
    builds = _Builds(connection)
    changed = [*made, *gone]
    holding = connection.execute(
        "SELECT DISTINCT stage_id FROM out.similar_build "
        "WHERE other_stage_id IN (SELECT unnest(?))",
        [changed],
    ).fetchall()
    due = {*made, *(stage_id for (stage_id,) in holding)} & builds.place.keys()
    due |= builds.reached(connection, [m for m in made if m in builds.place], due)
    builds.see(sorted(due))
    rows = [row for stage_id in sorted(due) for row in builds.most_alike(stage_id)]
    told = _told(connection, sorted({row["other_job_id"] for row in rows}))
    rows = [row | told[row["other_job_id"]] for row in rows]
    store.delete(connection, "out.similar_build", "stage_id", [*due, *gone])
    store.insert(
        connection, "out.similar_build", store.frame(connection, "out.similar_build", rows)
    )


ALIKE = Step(
    name="find similar builds",
    doing="finding similar builds",
    version=4,
    key="stage_id",
    tables=("out.likeness",),
    beside=("out.similar_build",),
    reads=(
        "out.stage", "out.session", "out.session_curve", "out.gain", "out.stage_mixture",
        "out.comeback", "core.stage", "core.build", "core.build_part",
    ),
    inputs=_inputs,
    make=_make,
    within=_bring_up_lists,
    batch=100_000,
)  # fmt: skip


class _Builds:
    """All stages but the control bike's, and what is known of them, to find the most alike.

    Stages of one kind are told apart by their curves alone. Kinds are looked at by how alike their
    stages can be at the most, until no further one can come into the list.
    """

    def __init__(self, connection: duckdb.DuckDBPyConnection) -> None:
        self._connection = connection
        stages = _stages(connection).filter(~pl.col("is_control"))
        names = ("stage_id", "job_id", "bike_id", "made_from", "first_run_id", *AS_RUN)
        self._stages = stages.select(names).to_dicts()
        self.place = {stage["stage_id"]: place for place, stage in enumerate(self._stages)}
        kinds = stages.select(KIND).unique(maintain_order=True).with_row_index("kind")
        placed = stages.join(kinds, on=KIND, nulls_equal=True, maintain_order="left")
        self._kind = placed["kind"].to_numpy().astype(np.int64)
        of_kind = [_facts(row) for row in kinds.iter_rows(named=True)]
        self._kinds = alike.population(of_kind)
        self._pool = self._kinds.take(self._kind)
        peaks = stages.select("peak_power_w", "peak_torque_nm").cast(pl.Float64).fill_null(np.nan)
        self._pool.see_levels(*(peak.to_numpy() for peak in peaks))
        self._features = [of_kind[kind] for kind in self._kind]
        self._seen = np.zeros(len(self._stages), dtype=bool)
        self._is_run = stages["made_from"].is_not_null().to_numpy()
        order = np.argsort(self._kind, kind="stable")
        order = order[self._is_run[order]]
        starts = np.searchsorted(self._kind[order], np.arange(len(of_kind) + 1))
        self._members = [order[a:b] for a, b in pairwise(starts)]
        self._orders: dict[tuple[Any, ...], tuple[np.ndarray, np.ndarray]] = {}

    def see(self, stage_ids: list[str]) -> None:
        """Read the shapes of some stages' curves."""
        places = [self.place[stage_id] for stage_id in stage_ids]
        places = [place for place in places if not self._seen[place]]
        stages = [self._stages[place] for place in places]
        needed = {s["stage_id"] for s in stages if s["made_from"]}
        needed |= {s["first_run_id"] for s in stages if s["first_run_id"]}
        curves = session_curves(self._connection, sorted(needed)) if needed else {}
        for place, stage in zip(places, stages, strict=True):
            # The first stage of the job that was run tells what engine this is, whatever was
            # fitted later.
            own, first = (curves.get(stage[name]) for name in ("stage_id", "first_run_id"))
            torque = mixture = None
            if first is not None:
                peak = first[np.argmax(first[:, 1]), 0]
                torque = alike.torque_shape(first[:, 0], first[:, 2], peak)
            if own is not None:
                peak = own[np.argmax(own[:, 1]), 0]
                mixture = alike.mixture_shape(own[:, 0], own[:, 3], peak)
            self._pool.see_shapes(place, torque, mixture)
            self._features[place] = replace(
                self._features[place],
                torque_shape=torque,
                mixture_shape=mixture,
                **{name: stage[name] for name in AS_RUN},
            )
            self._seen[place] = True

    def most_alike(self, stage_id: str) -> list[dict[str, Any]]:
        """Return the rows of a stage's list."""
        here = self.place[stage_id]
        kinds, bounds = self._by_bound(here)
        sizes = np.cumsum([self._members[kind].size for kind in kinds])
        wanted = MOST_AT_FIRST
        while True:
            taken = int(np.searchsorted(sizes, wanted)) + 1
            members = [self._members[kind] for kind in kinds[:taken]]
            places = np.sort(np.concatenate([*members, np.empty(0, dtype=np.int64)]))
            found = self._similarity(here, places)
            best = self._best(here, places, found.agreeing)
            last = found.agreeing[best[-1]] if len(best) == SHOWN else -1.0
            if taken >= kinds.size or last > bounds[taken] + SLACK:
                return self._rows(here, places, found, best)
            wanted *= 2

    def reached(
        self, connection: duckdb.DuckDBPyConnection, changed: list[str], due: set[str]
    ) -> set[str]:
        """Return whose list one of some stages comes into, besides those that are due already."""
        last = np.full(len(self._stages), -1.0)
        for stage_id, least in connection.execute(
            "SELECT stage_id, min(similarity_share) FROM out.similar_build "
            "GROUP BY stage_id HAVING count(*) = ?",
            [SHOWN],
        ).fetchall():
            if stage_id in self.place:
                last[self.place[stage_id]] = least
        open_ones = np.ones(len(self._stages), dtype=bool)
        open_ones[[self.place[stage_id] for stage_id in due]] = False
        found: set[str] = set()
        self.see(changed)
        for stage_id in changed:
            there = self.place[stage_id]
            if not self._is_run[there] or not open_ones.any():
                continue
            features = self._features[there]
            bounds = alike.highest_similarity(features, self._kinds)
            size, sizes = features.displacement_cc, self._pool.displacement_cc
            near = (size >= sizes * (1 - DISPLACEMENT_SHARE)) & (
                size <= sizes * (1 + DISPLACEMENT_SHARE)
            )
            places = np.flatnonzero(open_ones & near & (bounds[self._kind] >= last - SLACK))
            if not places.size:
                continue
            agreeing = self._similarity(there, places).agreeing
            comes_in = places[agreeing >= last[places] - SLACK]
            open_ones[comes_in] = False
            found |= {self._stages[place]["stage_id"] for place in comes_in}
        return found

    def _similarity(self, here: int, places: np.ndarray) -> alike.Similarities:
        self.see([self._stages[place]["stage_id"] for place in (here, *places)])
        return alike.similarity(self._features[here], self._pool.take(places))

    def _by_bound(self, here: int) -> tuple[np.ndarray, np.ndarray]:
        """Return the kinds near enough in size, most alike at the most first, and that most."""
        features = self._features[here]
        known = [shape is not None for shape in (features.torque_shape, features.mixture_shape)]
        kind = (int(self._kind[here]), *known, self._is_run[here])
        if kind not in self._orders:
            bounds = alike.highest_similarity(
                replace(features, peak_power_w=1.0 if self._is_run[here] else None), self._kinds
            )
            size, sizes = features.displacement_cc or 0.0, self._kinds.displacement_cc
            low, high = size * (1 - DISPLACEMENT_SHARE), size * (1 + DISPLACEMENT_SHARE)
            has_any = np.array([members.size > 0 for members in self._members])
            kinds = np.flatnonzero((sizes >= low) & (sizes <= high) & has_any)
            kinds = kinds[np.argsort(-bounds[kinds], kind="stable")]
            self._orders[kind] = kinds, bounds[kinds]
        return self._orders[kind]

    def _best(self, here: int, places: np.ndarray, agreeing: np.ndarray) -> list[int]:
        """Return which are the most alike, one of a job and none of the bike itself."""
        best: list[int] = []
        jobs: set[str] = set()
        for at in np.argsort(-np.nan_to_num(agreeing, nan=-1.0), kind="stable"):
            other = self._stages[places[at]]
            if (
                other["bike_id"] != self._stages[here]["bike_id"]
                and other["job_id"] not in jobs
                and np.isfinite(agreeing[at])
            ):
                jobs.add(other["job_id"])
                best.append(int(at))
                if len(best) == SHOWN:
                    break
        return best

    def _rows(
        self, here: int, places: np.ndarray, found: alike.Similarities, best: list[int]
    ) -> list[dict[str, Any]]:
        rows = []
        for rank, at in enumerate(best, start=1):
            other = self._stages[places[at]]
            matches, differs, not_known = alike.why(
                self._features[here], self._features[places[at]], found[at].scores
            )
            rows.append(
                {
                    "stage_id": self._stages[here]["stage_id"],
                    "likeness_rank": rank,
                    "other_stage_id": other["stage_id"],
                    "other_job_id": other["job_id"],
                    "other_bike_id": other["bike_id"],
                    "similarity_share": float(found.agreeing[at]),
                    "unknown_share": float(1.0 - found.known[at]),
                    "matches": matches,
                    "differs": differs,
                    "not_known": not_known,
                }
            )
        return rows


def _stages(connection: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    stages = store.rows(
        connection,
        "SELECT stage.stage_id, stage.job_id, stage.bike_id, stage.stage_no, stage.build_id, "
        "stage.received_on, stage.is_control, stage.make, stage.model, stage.first_year, "
        "stage.last_year, stage.displacement_cc, stage.map_name, "
        "stage.map_revision, stage.map_label, stage.parts_label, build.ethanol_share, "
        "session.made_from, session.peak_torque_nm, mixture.worst_lean_error_pct, "
        "CASE WHEN session.is_peak_reached THEN session.peak_power_w END AS peak_power_w, "
        "CASE WHEN session.is_peak_reached THEN session.peak_power_speed_rpm END "
        "AS peak_power_speed_rpm, "
        "arg_min(session.made_from, stage.stage_no) OVER of_job AS first_run, "
        "arg_min(session.stage_id, stage.stage_no) OVER of_job AS first_run_id "
        "FROM out.stage AS stage JOIN core.build AS build USING (build_id) "
        "LEFT JOIN out.session AS session USING (stage_id) "
        "LEFT JOIN out.stage_mixture AS mixture USING (stage_id) "
        "WINDOW of_job AS (PARTITION BY stage.job_id) "
        "ORDER BY stage.received_on, stage.job_id, stage.stage_no",
    )
    parts = parts_of_builds(connection)
    told = [json.dumps(parts.get(build_id, [])) for build_id in stages["build_id"]]
    return stages.with_columns(parts=pl.Series(told, dtype=pl.String))


def _facts(stage: dict[str, Any]) -> alike.Features:
    """Return what is known of a stage without its curves."""
    return alike.Features(
        model_key=(stage["make"], stage["model"]),
        generation=(stage["first_year"], stage["last_year"]),
        displacement_cc=stage["displacement_cc"],
        parts=tuple(
            (category, maker, name) for category, maker, name in json.loads(stage["parts"])
        ),
        map_name=stage["map_name"],
        map_revision=stage["map_revision"],
        ethanol_share=stage["ethanol_share"],
    )


def _outcomes(connection: duckdb.DuckDBPyConnection) -> list[pl.DataFrame]:
    """Return by job its gains, its lean stages, and whether its bike came back."""
    gains = store.rows(
        connection,
        "SELECT job_id, basis, if(verdict = 'cannot be told: no air', NULL, mean_gain_pct) "
        "AS mean_gain_pct, mean_gain_lower_pct, mean_gain_upper_pct, "
        "change_label, verdict, air_state FROM out.gain WHERE basis <> 'earlier job' "
        "ORDER BY gain_id",
    )
    lean = store.rows(
        connection,
        "SELECT mixture.job_id, stage.stage_name, level, worst_lean_error_pct, worst_speed_rpm "
        "FROM out.stage_mixture AS mixture JOIN core.stage AS stage USING (stage_id) "
        "WHERE level IN ('warn', 'stop') ORDER BY mixture.job_id, stage.stage_no",
    )
    back = store.rows(
        connection,
        "SELECT earlier_job_id AS job_id, min(days_between) AS days FROM out.comeback "
        "GROUP BY earlier_job_id ORDER BY earlier_job_id",
    )
    return [gains, lean, back]


def _told(connection: duckdb.DuckDBPyConnection, job_ids: list[str]) -> dict[str, dict[str, Any]]:
    """Return what some jobs ended on, what they gained and what went wrong."""
    gains, lean, back = (rows_by(frame, "job_id", job_ids) for frame in _outcomes(connection))
    ended = connection.execute(
        "SELECT job_id, concat(arg_max(map_label, stage_no), '; ', arg_max(parts_label, stage_no)) "
        "FROM out.stage WHERE job_id IN (SELECT unnest(?)) GROUP BY job_id",
        [job_ids],
    ).fetchall()
    found = {}
    for job_id, ended_on in ended:
        made = gains.get(job_id, [])
        whole = next((g for g in made if g["basis"] == "first stage"), made[-1] if made else None)
        wrong = [
            note(
                "went lean",
                worst_pct=stage["worst_lean_error_pct"],
                at_rpm=stage["worst_speed_rpm"],
                stage=stage["stage_name"],
                level=stage["level"],
            )
            for stage in lean.get(job_id, [])
        ]
        wrong += [note("came back", days=again["days"]) for again in back.get(job_id, [])]
        found[job_id] = {
            "ended_on": ended_on,
            "gained": note("gain not measured") if whole is None else _gained(whole),
            "went_wrong": wrong,
        }
    return found


def _gained(gain: dict[str, Any]) -> Note:
    return note(
        "gained",
        verdict=gain["verdict"],
        mean_pct=gain["mean_gain_pct"],
        lower_pct=gain["mean_gain_lower_pct"],
        upper_pct=gain["mean_gain_upper_pct"],
        is_observed=gain["air_state"] == "observed",
    )
