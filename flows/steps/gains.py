"""Gains: each stage against an earlier one of the same bike, with what changed between them."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import datetime
from itertools import pairwise
from typing import Any, NamedTuple

import duckdb
import numpy as np
import polars as pl

from flows.metrics import gain as gain_metric
from flows.metrics.budget import AIR_SHARES, HOUR_S, AirGap, Component, air_gap
from flows.metrics.family import family_p, joint_p
from flows.metrics.notes import Note, note
from flows.metrics.soak import Places, Slope, soak_places, usual_slope
from flows.metrics.stability import drift_of_pair
from flows.metrics.trust import remount_shapes
from flows.steps.builds import parts_of_builds
from flows.steps.engine import Given, Inputs, Records, Step, marks
from flows.steps.gearing import OTHER_UNIT
from flows.steps.refresh import fingerprint, or_none, stacked
from flows.steps.sessions import curves_of, on_one_grid
from flows.steps.stability import drifts_of
from flows.steps.trust import (
    DEFAULT,
    correction_share,
    mounting_and_day,
    nearest_step,
    rounded_up,
    trust_of,
    whole_dof,
)
from schemas.card import CATEGORIES
from schemas.settings import ShopSettings
from warehouse import store

NO_AIR = "cannot be told: no air"
"""Verdict where the weather may have moved power by percents, whatever the figures say."""
WITHOUT_AIR = ("one side", "none")
"""States of the air in which that is the verdict; in the others the figures decide."""
ERROR_RATE = 0.05
"""Chance of any false verdict on one card."""
DAY_WORK_S = 36_000.0
"""Sessions that begin within it are of one day, also across midnight: a day's work."""
DOMINATES_SHARE = 0.5
"""A part that holds more of the variance is worth a word on what would cut it."""
LONGEST_FITTING_S = 7200.0
"""What is fitted with the bike on the rollers takes two hours at most: common practice, no source.
Longer ago, a card that says one mounting is not believed."""
NO_PEAK = "cannot be told: peak not reached"
"""Verdict peak against peak where one side was shut off below its peak and the other went on."""
LIKE_TOP_SHARE = 0.97
"""Sweeps that end nearer to each other were run to the same speed: their peaks can be compared."""
PEAKS = (
    "peak_gain_pct",
    "peak_gain_lower_pct",
    "peak_gain_upper_pct",
    "peak_gain_w",
    "log_peak_gain",
    "log_peak_gain_sd",
)
FIGURES = (
    "mean_gain_pct",
    "mean_gain_lower_pct",
    "mean_gain_upper_pct",
    "peak_gain_pct",
    "peak_gain_lower_pct",
    "peak_gain_upper_pct",
    "gain_at_peak_pct",
    "gain_at_peak_w",
    "greatest_gain_pct",
    "greatest_gain_speed_rpm",
    "greatest_gain_lower_pct",
    "greatest_gain_upper_pct",
    "greatest_loss_pct",
    "greatest_loss_speed_rpm",
    "greatest_loss_lower_pct",
    "greatest_loss_upper_pct",
    "over_rev_rpm",
    "smallest_detectable_pct",
    "log_mean_gain",
    "log_mean_gain_sd",
    "log_peak_gain",
    "log_peak_gain_sd",
    "trend_pct",
)
DRIFTS = ("drift_pct", "drift_lower_pct", "drift_upper_pct")

PREVIOUS, FIRST, EARLIER = "previous stage", "first stage", "earlier job"


class Comparison(NamedTuple):
    """Two stages to be compared, and the stage that put the bike back as it was before."""

    before: dict[str, Any]
    after: dict[str, Any]
    basis: str
    again: dict[str, Any] | None = None
    is_counted: bool = False
    """Whether its job has measured the same change before."""

    @property
    def others(self) -> list[dict[str, Any]]:
        """All that the later stage is held against."""
        return [stage for stage in self.stages if stage is not self.after]

    @property
    def stages(self) -> list[dict[str, Any]]:
        """All of them, in the order of running."""
        return [stage for stage in (self.before, self.after, self.again) if stage is not None]


class Compared(NamedTuple):
    """A comparison made: its gain, the budget of that, and what is to be said of its mounting."""

    pair: Comparison
    gain: gain_metric.Gain
    budget: list[dict[str, Any]]
    on_mounting: Note | None


class Side(NamedTuple):
    """The pulls of a stage that count: curves, start times, factors to reference air, weights."""

    curves: list[np.ndarray]
    started_s: list[float]
    factors: list[float]
    weights: list[float]


class Known(NamedTuple):
    """What the shop knows beside the sessions that are compared."""

    trust: dict[str, Any]
    slope: Slope
    gaps: dict[str, AirGap]


def _inputs(connection: duckdb.DuckDBPyConnection, _: Given) -> Inputs:
    """Return what is compared, job by job: verdicts of one card are held to one error rate."""
    stages = _stages(connection)
    rows = stages.to_dicts()
    known = _known(trust_of(connection), rows)
    told = {
        name: value
        for name, value in known.trust.items()
        # What they are known from counts sessions; only the figures decide whether gains are made
        # again.
        if not name.endswith(("_origin", "_pairs", "_told"))
    }
    told["remount_regions"] = [region[:4] for region in known.trust["remount_regions"]]
    of_shop = fingerprint(told, known.slope)
    of_stage = marks(stages, "stage_id")
    parts, drifts = parts_of_builds(connection), drifts_of(connection)
    for stage in rows:
        stage["drifts"] = drifts.get(stage["stage_id"], {})
        stage["parts"] = sorted(
            parts.get(stage["build_id"], []), key=lambda part: CATEGORIES.index(part[0])
        )
        if stage["drifts"] or stage["parts"]:
            of_stage[stage["stage_id"]] += f" {stage['drifts']} {stage['parts']}"
    jobs: dict[str, list[Comparison]] = {}
    for pair in _pairs(rows):
        jobs.setdefault(pair.after["job_id"], []).append(pair)
    marked = {
        job_id: of_shop
        + "".join(
            f" {pair.basis} {pair.is_counted} "
            + " ".join(of_stage[stage["stage_id"]] for stage in pair.stages)
            + (f" {known.gaps}" if air_state(pair.stages) in WITHOUT_AIR else "")
            for pair in pairs
        )
        for job_id, pairs in jobs.items()
    }

    def load(due: list[str]) -> list[Any]:
        stage_ids = sorted({s["stage_id"] for job in due for p in jobs[job] for s in p.stages})
        curves = curves_of(connection, stage_ids)
        sides: dict[str, Side] = {stage_id: Side([], [], [], []) for stage_id in stage_ids}
        for stage_id, pull_id, started_s, factor, weight in connection.execute(
            "SELECT stage_id, pull_id, epoch(pull.started_at), pull.reference_factor, level.weight "
            "FROM out.pull AS pull JOIN out.session_pull AS level USING (stage_id, pull_id) "
            "WHERE pull.is_used AND stage_id IN (SELECT unnest(?)) ORDER BY stage_id, pull_no",
            [stage_ids],
        ).fetchall():
            side = sides[stage_id]
            side.curves.append(curves[pull_id])
            side.started_s.append(math.nan if started_s is None else started_s)
            side.factors.append(1.0 if factor is None else factor)
            side.weights.append(weight)
        return [
            [(pair, [sides[s["stage_id"]] for s in pair.stages], known) for pair in jobs[job]]
            for job in due
        ]

    return Inputs(marked, load)


def _known(trust: dict[str, Any], stages: list[dict[str, Any]]) -> Known:
    """Return trust, the usual slope of a session and what lies between two airs, all rounded.

    A new session then rarely changes every gain of the shop.
    """
    slope = slope_of(stages, trust)
    aired = [s for s in stages if s["reference_factor_sd"] is not None and not s["has_air_doubt"]]
    started = [_seconds(s["started_at"]) for s in aired]
    days = [s["run_on"].toordinal() for s in aired]
    factors = np.log([s["reference_factor"] for s in aired])
    found = {when: air_gap(when, started, days, factors) for when in AIR_SHARES}
    gaps = {
        when: gap._replace(share=rounded_up(gap.share), dof=whole_dof(gap.dof))
        for when, gap in found.items()
    }
    return Known(trust, slope, gaps)


def _seconds(moment: datetime | None) -> float:
    """Return seconds on one axis; `timestamp` fails for a clock that stands at its own zero."""
    return math.nan if moment is None else (moment - datetime(2000, 1, 1)).total_seconds()  # noqa: DTZ001


def slope_of(sessions: list[dict[str, Any]], trust: dict[str, Any]) -> Slope:
    """Return how power usually changes from pull to pull in this shop, rounded as trust is."""
    told = [s for s in sessions if s["pulls_used"] > 2 and s["drift_pct_per_pull"] is not None]
    counts = np.array([s["pulls_used"] for s in told], dtype=float)
    found = usual_slope(
        np.array([s["drift_pct_per_pull"] for s in told], dtype=float) / 100.0,
        trust["repeatability_share"] / np.sqrt(counts * (counts**2 - 1.0) / 12.0),
    )
    if found.is_assumed:
        return found
    return found._replace(mean=nearest_step(found.mean), sd=rounded_up(found.sd))


def _make(given: Given, payloads: list[Any]) -> Records:
    """Compare stages, and give the verdicts of each card."""
    heads: list[dict[str, Any]] = []
    budgets: list[dict[str, Any]] = []
    curves = {}
    for job in payloads:
        compared = [_gain(pair, sides, known, given.settings) for pair, sides, known in job]
        made = [one for one in compared if one is not None]
        for one, verdicts in zip(made, _verdicts(made), strict=True):
            pair = one.pair
            gain_id = f"{pair.before['stage_id']} → {pair.after['stage_id']}"
            heads.append(_head(gain_id, one) | verdicts)
            budgets += [{"gain_id": gain_id} | row for row in one.budget]
            if air_state(pair.stages) not in WITHOUT_AIR:
                curves[gain_id] = _points(one.gain)
    return {
        "out.gain": heads,
        "out.gain_budget": budgets,
        "out.gain_curve": stacked("gain_id", curves),
    }


GAINS = Step(
    name="compare stages",
    doing="comparing stages",
    version=15,
    key="job_id",
    tables=("out.gain", "out.gain_budget", "out.gain_curve"),
    through={
        "out.gain_budget": ("gain_id", "out.gain"),
        "out.gain_curve": ("gain_id", "out.gain"),
    },
    reads=(
        "out.session", "out.session_pull", "out.pull", "out.pull_curve", "out.log_doubt",
        "out.session_drift", "out.trust", "out.remount_region", "core.stage", "core.job",
        "core.bike", "core.model", "core.build", "core.build_part", "core.pull",
    ),
    inputs=_inputs,
    make=_make,
    set_by=lambda settings: settings.figures,
)  # fmt: skip


def _stages(connection: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    return store.rows(
        connection,
        "SELECT stage.stage_id, stage.job_id, stage.bike_id, stage.stage_no, stage.mounting, "
        "coalesce(any_value(stage.gear), min(pull.file_gear)) AS gear, stage.tyre, "
        "coalesce(any_value(stage.dyno), min(pull.equipment)) AS dyno, "
        "min(pull.started_at) AS started_at, "
        "list_sort(list(DISTINCT doubt.reason_code) FILTER (doubt.reason_code <> ?)) AS doubts, "
        "list_sort(list(DISTINCT made.ratio_kind) FILTER (made.is_used AND "
        "made.ratio_kind <> 'constant')) AS ratio_kinds, "
        "stage.build_id, build.map_name, build.map_revision, build.fuel, build.ethanol_share, "
        "session.model_id, session.run_on, job.received_on, session.pulls_used, "
        "session.is_corrected, session.has_air_doubt, session.reference_factor_sd, "
        "session.reference_factor, session.drift_pct_per_pull, session.pulls_effective, "
        "avg(pull.ambient_temp_k) FILTER (made.is_used) AS air_temp_k, "
        "session.air_density_kg_m3, session.is_peak_reached, session.made_from, bike.is_control, "
        "model.induction, "
        "bool_or(pull.power_state = 'from roller') AS is_from_roller "
        "FROM out.session AS session JOIN core.stage AS stage USING (stage_id) "
        "JOIN core.job AS job ON stage.job_id = job.job_id "
        "JOIN core.bike AS bike ON stage.bike_id = bike.bike_id "
        "JOIN core.model AS model ON bike.model_id = model.model_id "
        "JOIN core.build AS build USING (build_id) "
        "JOIN core.pull AS pull ON stage.stage_id = pull.stage_id "
        "LEFT JOIN out.pull AS made ON pull.pull_id = made.pull_id "
        "LEFT JOIN out.log_doubt AS doubt ON pull.file_sha256 = doubt.file_sha256 "
        "GROUP BY ALL ORDER BY stage.bike_id, job.received_on, stage.job_id, stage.stage_no",
        OTHER_UNIT,
    )


def _pairs(stages: list[dict[str, Any]]) -> list[Comparison]:
    """Return what is compared.

    Stage against stage in a job, its end against its start, and its start against the end of the
    bike's job before. Where a stage puts the bike back as it was two stages ago, both of these
    are held against the one between: what drifted meanwhile falls out. The way back is then no
    comparison of its own, nor are the two alike: nothing in them would tell drift from a change.
    """
    pairs: list[Comparison] = []
    jobs: dict[str, list[dict[str, Any]]] = {}
    for stage in stages:
        jobs.setdefault(stage["job_id"], []).append(stage)
    last_of_bike: dict[str, dict[str, Any]] = {}
    for job in jobs.values():
        first, last = job[0], job[-1]
        if (earlier := last_of_bike.get(first["bike_id"])) is not None:
            pairs.append(Comparison(earlier, first, EARLIER))
        again: dict[str, Any] | None = None
        is_whole_told = len(job) < 3
        counted: set[str] = set()
        for place, (before, after) in enumerate(pairwise(job), start=2):
            if again is after:
                again = None
                continue
            later = job[place] if place < len(job) else None
            again = later if _is_put_back(before, after, later) else None
            pairs.append(_counted_once(Comparison(before, after, PREVIOUS, again), counted))
            is_whole_told = is_whole_told or (before is first and again is last)
        if not is_whole_told:
            pairs.append(_counted_once(Comparison(first, last, FIRST), counted))
        last_of_bike[first["bike_id"]] = last
    return pairs


def _counted_once(pair: Comparison, counted: set[str]) -> Comparison:
    """Return a pair, marked where its job has measured the same change before.

    Comparisons of one job share sessions: to pool them all would make the pool too sure.
    """
    if _unlike(pair.before, pair.after):
        return pair
    key = change_of(pair.before, pair.after)[1]
    if key in counted:
        return pair._replace(is_counted=True)
    counted.add(key)
    return pair


def _is_put_back(
    before: dict[str, Any], after: dict[str, Any], later: dict[str, Any] | None
) -> bool:
    if later is None or not later["build_id"] == before["build_id"] != after["build_id"]:
        return False
    began = [stage["started_at"] for stage in (before, after, later)]
    # Drift is even from session to session only if they were run in that order.
    in_order = None in began or began == sorted(began)
    return in_order and not _unlike(before, later)


def _gain(
    pair: Comparison, sides: list[Side], known: Known, settings: ShopSettings
) -> Compared | None:
    """Return a gain and its budget; none where the sessions share too little of the range."""
    trust, state = known.trust, air_state(pair.stages)
    grid, power = on_one_grid([curve for side in sides for curve in side.curves], 1)
    weighed: list[gain_metric.Weighed] | None = [
        gain_metric.Weighed(np.array(side.weights), stage["pulls_effective"])
        for stage, side in zip(pair.stages, sides, strict=True)
    ]
    if state in WITHOUT_AIR:
        # The session's weights are those of the power at reference air.
        weighed = None
        # As observed on both sides: what was corrected on one would stand in the gain.
        power = power / np.concatenate([side.factors for side in sides])[:, None]
    laid = np.split(power, np.cumsum([len(side.curves) for side in sides])[:-1])
    days = _days(pair.stages)
    on_mounting = _on_mounting(pair, sides, days)
    places = _places(pair, sides, days)
    of_air, origins = _of_air(pair, days, known)
    try:
        made = gain_metric.gain(
            grid,
            laid[0],
            laid[1],
            again_curves=laid[2] if pair.again else None,
            repeatability_share=trust["repeatability_share"],
            repeatability_dof=trust["repeatability_dof"],
            **mounting_and_day(trust, is_one_day=len(set(days)) == 1),
            weighed_by_share=settings.trust.repeatability_share,
            weighed=weighed,
            remount_shapes=remount_shapes(
                grid / grid[np.nanargmax(laid[0]) % grid.size],
                trust["remount_regions"],
                remount_share=trust["remount_share"],
            ),
            correction_share=max(correction_share(pair.after, s) for s in pair.others),
            same_mounting=on_mounting.is_one,
            days=days,
            of_air=of_air,
            places=places,
            usual_slope=known.slope,
            bandwidth_rpm=settings.figures.bandwidth_rpm,
        )
    except ValueError:
        return None
    origins |= {
        "scatter of pulls": ("pulls and the shop's own", False),
        "remounting": _strapping_origin(trust, "remount", days),
        "day": _strapping_origin(trust, "day", days),
        "trend": _trend_origin(places, known.slope),
        "air instruments": ("station accuracy", False),
        "unsteady drift": ("pulls", False),
    }
    return Compared(pair, made, _budget(made, origins), on_mounting.told)


def _origin(is_assumed: bool) -> tuple[str, bool]:
    """Return where a figure comes from, and whether it is assumed."""
    return ("stated default" if is_assumed else "the shop's own", is_assumed)


def _strapping_origin(trust: dict[str, Any], part: str, days: list[int]) -> tuple[str, bool]:
    """Return where remounting or day is from: many shops know but the sum, and that is used."""
    is_of_sum = trust[f"is_{part}_assumed"] and len(set(days)) > 1
    if is_of_sum and not trust["is_other_day_assumed"]:
        return "the shop's own sum", False
    return _origin(trust[f"is_{part}_assumed"])


def _trend_origin(places: Places, slope: Slope) -> tuple[str, bool]:
    if places.is_assumed:
        return "start times unknown", True
    return ("pulls and stated default" if slope.is_assumed else "pulls and the shop's own", False)


def _budget(made: gain_metric.Gain, origins: dict[str, tuple[str, bool]]) -> list[dict[str, Any]]:
    """Return the parts of a gain's uncertainty that are not nothing, the greatest first."""
    variance = made.log_mean_gain_sd**2
    parts = sorted((part for part in made.budget if part.share > 0.0), key=lambda p: -p.share)
    return [
        {
            "component": part.name,
            "sd_pct": 100.0 * part.share,
            "dof": or_none(part.dof),
            "origin": origins[part.name][0],
            "share_of_variance": part.share**2 / variance,
            "is_assumed": origins[part.name][1],
        }
        for part in parts
    ]


class OnMounting(NamedTuple):
    """Whether sessions count as strapped down once, and how far the card was believed in that."""

    is_one: bool
    told: Note | None = None


def _on_mounting(pair: Comparison, sides: list[Side], days: list[int]) -> OnMounting:
    """Believe the card's one mounting as long as a fitting on the rollers takes.

    Strapped anew within that time against the card's word is seen in nothing.
    """
    if len({stage["mounting"] for stage in pair.stages}) > 1:
        return OnMounting(False)
    if len(set(days)) > 1:
        return OnMounting(False, note("one mounting overnight"))
    times = sorted((side.started_s for side in sides), key=lambda starts: starts[0])
    gaps_s = [after[0] - before[-1] for before, after in pairwise(times)]
    if any(math.isnan(gap) for gap in gaps_s):
        return OnMounting(True, note("one mounting believed"))
    if max(gaps_s) > LONGEST_FITTING_S:
        return OnMounting(False, note("one mounting doubted", between_h=max(gaps_s) / HOUR_S))
    return OnMounting(True)


def _days(stages: list[dict[str, Any]]) -> list[int]:
    """Return the day of each stage, as a number; one that ends past midnight is one day."""
    days: list[int] = []
    for stage in stages:
        day = stage["run_on"].toordinal()
        for other, same in zip(stages, days, strict=False):
            times = (stage["started_at"], other["started_at"])
            if None not in times and abs((times[0] - times[1]).total_seconds()) <= DAY_WORK_S:
                day = same
        days.append(day)
    return days


def _places(pair: Comparison, sides: list[Side], days: list[int]) -> Places:
    """Return where the pulls of all sessions stand on one course of heating."""
    began = [stage["started_at"] for stage in pair.stages]
    order = list(range(len(sides)))
    if None not in began:
        order.sort(key=lambda number: began[number])
    elif pair.again:
        order.sort(key=lambda number: pair.stages[number]["stage_no"])
    found = soak_places(
        [sides[number].started_s for number in order],
        [len(sides[number].curves) for number in order],
        [days[number] for number in order],
    )
    back = np.argsort(order)
    return found._replace(
        places=[found.places[number] for number in back],
        loose=[found.loose[number] for number in back],
    )


def _of_air(
    pair: Comparison, days: list[int], known: Known
) -> tuple[list[Component], dict[str, tuple[str, bool]]]:
    """Return what the air may put into the ratio of two sessions, and where each part is from."""
    trust = known.trust

    def most(share: Callable[[dict[str, Any], dict[str, Any]], float]) -> float:
        return max(share(pair.after, other) for other in pair.others)

    parts = {
        # What the dyno or its station drifted by is never rescaled: it widens.
        "weather in doubt": most(lambda a, b: drift_of_pair(a["drifts"], b["drifts"])),
        "air correction": trust["air_exponent_share"] * most(_air_apart),
        "air of a blown engine": most(observed_share),
    }
    origins = {
        "weather in doubt": ("dyno events", False),
        "air correction": _origin(trust["air_exponent_origin"] == DEFAULT),
        "air of a blown engine": ("both airs", True),
    }
    made = [Component(name, share, math.inf) for name, share in parts.items()]
    if air_state(pair.stages) in WITHOUT_AIR:
        gap = known.gaps[_when(pair.stages, days)]
        made.append(Component("air not known", gap.share, gap.dof))
        origins["air not known"] = _origin(gap.is_assumed)
    return made, origins


def _air_apart(one: dict[str, Any], other: dict[str, Any]) -> float:
    """Return how far apart two airs are that a correction has to bridge, on the ln scale."""
    figures = ("air_density_kg_m3", "air_temp_k")
    if not (one["is_corrected"] and other["is_corrected"]):
        return 0.0
    # Engines differ in how they follow the temperature; in the density a pressure may hide it.
    return max(
        (
            abs(math.log(one[name] / other[name]))
            for name in figures
            if None not in (one[name], other[name])
        ),
        default=0.0,
    )


def _when(stages: list[dict[str, Any]], days: list[int]) -> str:
    """Return how far apart in time sessions were run, as far as airs go."""
    if len(set(days)) > 1:
        return "other day"
    began = [stage["started_at"] for stage in stages]
    if None not in began and (max(began) - min(began)).total_seconds() <= HOUR_S:
        return "same hour"
    return "same day"


def _verdicts(made: list[Compared]) -> list[dict[str, Any]]:
    """Return the verdicts of one card, in order.

    Those on what the job did share one error rate. Whether the bike came back as it left is asked
    of two jobs, and for itself.
    """
    p_of_each = [_p_of(one.pair, one.gain) for one in made]
    together = [
        number for number, one in enumerate(made) if one.pair.basis != EARLIER and p_of_each[number]
    ]
    shared = family_p([p_of_each[number] for number in together])
    for number, adjusted in zip(together, shared, strict=True):
        p_of_each[number] = adjusted.tolist()
    found = []
    for number, one in enumerate(made):
        gain, each = one.gain, p_of_each[number]
        signs = (gain.log_mean_gain, gain.log_peak_gain)
        said = [verdict_of(p, sign) for p, sign in zip(each, signs, strict=False)]
        found.append(
            {
                "verdict": said[0] if said else NO_AIR,
                "verdict_at_peak": said[1] if len(said) > 1 else NO_PEAK if said else NO_AIR,
                "mean_verdict_p": each[0] if said else None,
                "peak_verdict_p": each[1] if len(said) > 1 else None,
                "verdicts_together": (len(together) if number in together else 1) if said else None,
                "is_real_alone": bool(said) and gain.verdict != "within noise",
            }
        )
    return found


def _p_of(pair: Comparison, gain: gain_metric.Gain) -> list[float]:
    """Return the p-values of mean and peak, as far as the air and the sweeps allow a verdict."""
    if air_state(pair.stages) in WITHOUT_AIR:
        return []
    if _has_peaks(pair, gain):
        return [gain.mean_p, gain.peak_p]
    return joint_p([gain.log_mean_gain / gain.log_mean_gain_sd], 1.0, [gain.dof])


def verdict_of(p: float, log_gain: float) -> str:
    """Return what a gain with this p is called."""
    if p > ERROR_RATE:
        return "within noise"
    return "real gain" if log_gain > 0.0 else "real loss"


def air_state(stages: list[dict[str, Any]]) -> str:
    """Return what the power of some stages is held against each other at."""
    corrected = {stage["is_corrected"] for stage in stages}
    if corrected == {True}:
        return "reference"
    if True in corrected:
        return "one side"
    blown = all(stage["induction"] == "forced" for stage in stages)
    seen = all(stage["air_density_kg_m3"] is not None for stage in stages)
    return "observed" if blown and seen else "none"


def observed_share(one: dict[str, Any], other: dict[str, Any]) -> float:
    """Return 1 SD of what the weather may put into the ratio of two powers as observed.

    A blown engine follows the air's density in full, not at all or anything between: evenly
    likely, hence the root of 3. A choice of ours, no source.
    """
    if air_state([one, other]) != "observed":
        return 0.0
    return abs(math.log(one["air_density_kg_m3"] / other["air_density_kg_m3"])) / math.sqrt(3.0)


def change_of(before: dict[str, Any], after: dict[str, Any]) -> tuple[str, str, str]:
    """Return what changed between two stages: kind, key to pool by, and full words."""
    had, has = before["parts"], after["parts"]
    added = [part for part in has if part not in had]
    removed = [part for part in had if part not in has]
    stayed = [part for part in has if part in had]
    map_changed = _map(before) != _map(after)
    fuel_changed = before["fuel"] != after["fuel"]
    words = [
        word
        for word, changed in (
            ("parts", added or removed),
            ("map", map_changed),
            ("fuel", fuel_changed),
        )
        if changed
    ]
    kind = "nothing"
    if words:
        kind = " and ".join(words) if len(words) > 1 else f"{words[0]} only"
    label = [f"+ {category}: {maker} {name}" for category, maker, name in added]
    label += [f"− {category}: {maker} {name}" for category, maker, name in removed]
    label.append(
        f"map {_map(before)} → {_map(after)}" if map_changed else f"map stays {_map(after)}"
    )
    if fuel_changed:
        label.append(f"fuel {before['fuel']} → {after['fuel']}")
    # From the maker's map to the shop's is one thing, from revision to revision another.
    map_step = ("remap" if before["map_name"] == "stock" else "revision") if map_changed else ""
    return kind, _key(added, removed, stayed, map_step, fuel_changed), "; ".join(label)


def _map(stage: dict[str, Any]) -> str:
    revision = stage["map_revision"]
    return stage["map_name"] + (f" r{revision}" if revision is not None else "")


def _key(
    added: list[tuple[str, str, str]],
    removed: list[tuple[str, str, str]],
    stayed: list[tuple[str, str, str]],
    map_step: str,
    fuel_changed: bool,
) -> str:
    def categories(parts: list[tuple[str, str, str]]) -> list[str]:
        return list(dict.fromkeys(part[0] for part in parts))

    more, less = categories(added), categories(removed)
    swapped = [category for category in more if category in less]
    steps = [f"{category} swapped" if category in swapped else category for category in more]
    steps += [f"{category} taken off" for category in less if category not in swapped]
    ground = " + ".join(categories(stayed))
    if not steps and not map_step:
        return ("fuel changed" if fuel_changed else "nothing changed") + (
            f", on {ground}" if ground else ""
        )
    if not steps:
        key = f"{map_step}, on {ground or 'standard parts'}"
    else:
        key = " + ".join(steps) + (f", on {ground}" if ground else "")
        key += f", with {map_step}" if map_step else ", map untouched"
    return key + (", other fuel" if fuel_changed else "")


def _unlike(before: dict[str, Any], after: dict[str, Any]) -> list[Note]:
    reasons = [
        note("one side other", what=name, before=before[name], after=after[name])
        for name in ("fuel", "gear", "dyno", "tyre")
        if before[name] != after[name] and None not in (before[name], after[name])
    ]
    if before["has_air_doubt"] or after["has_air_doubt"]:
        reasons.append(note("weather in doubt"))
    for stage, when in ((before, "before"), (after, "after")):
        if seen := [*(stage["doubts"] or ()), *(stage["ratio_kinds"] or ())]:
            reasons.append(note("among the pulls", what=seen, when=when))
    if before["is_from_roller"] != after["is_from_roller"]:
        reasons.append(note("roller on one side"))
    if not (before["is_corrected"] and after["is_corrected"]):
        reasons.append(note("not at reference air"))
    return reasons


def _head(gain_id: str, one: Compared) -> dict[str, Any]:
    pair, made = one.pair, one.gain
    before, after, basis = pair.before, pair.after, pair.basis
    kind, key, label = change_of(before, after)
    unlike = _unlike(before, after)
    pooled = not (unlike or pair.is_counted or basis == EARLIER or kind == "nothing")
    pooled = pooled and not after["is_control"]
    figures = dict.fromkeys(DRIFTS) | {name: or_none(getattr(made, name)) for name in FIGURES}
    figures["peak_gain_w"] = made.peak_gain_pct / 100 * _top(made.before_w)
    if pair.again is not None:
        figures |= {name: getattr(made, name) for name in DRIFTS}
    if not _has_peaks(pair, made):
        figures |= dict.fromkeys(PEAKS)
    leads = one.budget[0]
    cut = None
    if leads["share_of_variance"] > DOMINATES_SHARE:
        cut = note("part leads", component=leads["component"], share=leads["share_of_variance"])
    return {
        "gain_id": gain_id,
        "job_id": after["job_id"],
        "bike_id": after["bike_id"],
        "model_id": after["model_id"],
        "before_stage_id": before["stage_id"],
        "after_stage_id": after["stage_id"],
        "again_stage_id": pair.again["stage_id"] if pair.again else None,
        "basis": basis,
        "run_on": after["run_on"],
        "change_kind": kind,
        "change_key": key,
        "change_label": label,
        "is_like_for_like": not unlike,
        "unlike_reason": unlike,
        "is_pooled": pooled,
        "pulls_before": before["pulls_used"],
        "pulls_after": after["pulls_used"],
        "pulls_again": pair.again["pulls_used"] if pair.again else None,
        "riding_from_rpm": made.range_from_rpm,
        "riding_to_rpm": made.range_to_rpm,
        "air_state": air_state(pair.stages),
        "would_cut": cut,
        "on_mounting": one.on_mounting,
        **figures,
    }


def _has_peaks(pair: Comparison, made: gain_metric.Gain) -> bool:
    """Whether peak may be held against peak: both were reached, or both ended at one speed."""
    sides = ((pair.before, made.before_w), (pair.after, made.after_w))
    if all(stage["is_peak_reached"] for stage, _ in sides):
        return True
    ends = [float(made.grid_rpm[np.isfinite(power)].max()) for _, power in sides]
    return min(ends) >= LIKE_TOP_SHARE * max(ends)


def _top(power_w: Any) -> float:
    return float(np.nanmax(power_w))


def _points(made: gain_metric.Gain) -> dict[str, np.ndarray]:
    names = ("before_w", "after_w", "gain_pct", "lower_pct", "upper_pct")
    whole = ("whole_lower_pct", "whole_upper_pct")
    return {
        "engine_speed_rpm": made.grid_rpm,
        **{name: getattr(made, name) for name in names + whole},
    }
