"""How far the dyno is trusted: its pulls, one mounting, one day, and the correction for the air."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from functools import partial
from itertools import groupby, pairwise
from typing import Any, NamedTuple

import duckdb
import numpy as np

from flows.metrics import session
from flows.metrics import trust as metric
from flows.metrics.notes import Note, note
from flows.metrics.soak import less_trend, pulls_together
from flows.steps.engine import Given, Inputs, Records, Step, marks, whole
from flows.steps.gearing import OTHER_UNIT
from flows.steps.refresh import arrays_of, fingerprint
from flows.steps.sessions import on_one_grid
from schemas.settings import Trust
from warehouse import store

SHARE_STEP = 0.0005
"""Shares are rounded to this: a new session then rarely moves every interval in the shop."""
EXPONENT_STEP = 0.05
DEFAULT_DOF = 4.0
"""What the stated default is worth until the shop has its own: as much as a five-pull session."""
INSTRUMENT_CORRELATION = 0.9
"""The same weather station errs alike before and after; what is left differs from hour to hour.
Our judgement: no source gives a figure for a shop's own station."""
LEAST_SESSIONS = 8
USUAL_PULLS = 3
LEAST_POINTS = 20
"""Points of the grid at which sessions must be seen to be held against each other: 1000 rpm."""
LEAST_OF_REGION = 5
"""Points at which a pair must be seen within a region of speed to count there: 250 rpm."""
LONGEST_GAP_DAYS = 180
"""Engine, tyre and chain wear meanwhile: later sessions are no repeats (our judgement)."""
LEAST_BIKES = 3
MOST_AGREEMENTS = 200
"""Of the largest; what bounds the cost in a shop of many years."""
SURE = 0.975
LESS, MORE = 2.0, 1.5
"""Times by which the shop's own scatter must differ from a default for that to be told."""
DEFAULT = note("trust assumed")


class Repeats(NamedTuple):
    """Sessions of one bike between which nothing changed, and their curves on one grid."""

    sessions: list[dict[str, Any]]
    speed_share: np.ndarray
    log_power: np.ndarray

    @property
    def is_control(self) -> bool:
        """Whether the bike is the control bike."""
        return self.sessions[0]["is_control"]


class Known(NamedTuple):
    """What is known of the scatter before mountings and days are looked at."""

    repeatability_share: float
    exponent_share: float


def _inputs(connection: duckdb.DuckDBPyConnection, _: Given) -> Inputs:
    sessions = store.rows(
        connection,
        "SELECT session.stage_id, session.job_id, session.bike_id, session.model_id, "
        "session.run_on, session.pulls_used, session.pulls_agreeing, session.pulls_effective, "
        "session.repeatability_share, session.drift_pct_per_pull, "
        "session.reference_factor_sd, session.air_density_kg_m3, session.has_air_doubt, "
        "session.is_corrected, session.made_from, stage.build_id, stage.stage_no, stage.gear, "
        "stage.dyno, stage.tyre, stage.mounting, bike.is_control, build.parts_key, "
        "build.map_name, build.map_revision, build.fuel, "
        "EXISTS (SELECT 1 FROM core.pull AS pull JOIN out.log_doubt USING (file_sha256) "
        "WHERE pull.stage_id = session.stage_id "
        "AND reason_code <> ?) AS is_doubted "
        "FROM out.session AS session JOIN core.stage AS stage USING (stage_id) "
        "JOIN core.bike AS bike ON stage.bike_id = bike.bike_id "
        "JOIN core.build AS build ON stage.build_id = build.build_id "
        "ORDER BY session.bike_id, session.run_on, session.job_id, stage.stage_no",
        OTHER_UNIT,
    )

    def load() -> Any:
        rows = sessions.to_dicts()
        sound = [
            s for s in rows
            if s["is_corrected"] and not s["has_air_doubt"] and not s["is_doubted"]
        ]  # fmt: skip
        found = _unchanged(sound)
        curves = session_curves(connection, [s["stage_id"] for of_bike in found for s in of_bike])
        return rows, [_laid(of_bike, curves) for of_bike in found], _agreeing(connection, sound)

    return whole(fingerprint(marks(sessions, "stage_id")), load)


def _make(given: Given, payloads: list[Any]) -> Records:
    """Return the one row of out.trust, and out.remount_region."""
    ((sessions, laid, agreeing),) = payloads
    defaults = given.settings.trust
    row, known = _pulls(sessions, defaults.repeatability_share)
    repeats = [part for one in laid if one is not None for part in _spells(one)]
    air = metric.air_exponent([_series(one, known) for one in repeats if one.is_control])
    is_own = math.isfinite(air.slope)
    row["air_exponent_share"] = (
        _stepped(air.share, EXPONENT_STEP) if is_own else metric.DEFAULT_AIR_EXPONENT_SHARE
    )
    row["air_exponent_origin"] = note("own exponent", slope=air.slope) if is_own else DEFAULT
    known = known._replace(exponent_share=row["air_exponent_share"])
    agreements = [_agreement(pairs, known) for pairs in agreeing]

    fitted = partial(
        metric.session_scatter,
        exponent_sd=known.exponent_share,
        pulls_variance=known.repeatability_share**2 / USUAL_PULLS,
    )
    found = fitted(
        [_series(one, known) for one in repeats],
        agreements,
        default_remount_share=defaults.remount_share,
        default_day_share=defaults.day_share,
        held_times=metric.HELD_TIMES,
    )
    bikes = sum(one.gain.size for one in agreements)
    row |= _parts(found, defaults, repeats, bikes)
    row["default_told"] = _contradicted(found, defaults, row)
    return {"out.trust": [row], "out.remount_region": _regions(repeats, row, found, known)}


def trust_of(connection: duckdb.DuckDBPyConnection) -> dict[str, Any]:
    """Return the row of out.trust with the regions of remounting.

    Without `made_from`: most new sessions move no figure of it, and then nothing that rests on it.
    """
    (row,) = store.rows(connection, "SELECT * EXCLUDE (made_from) FROM out.trust").to_dicts()
    row |= {name: json.loads(row[name]) for name in row if name.endswith("_origin")}
    row["default_told"] = json.loads(row["default_told"])
    regions = connection.execute(
        "SELECT from_peak_speed_share, to_peak_speed_share, remount_share, bend_share, "
        "remount_dof, remount_pairs, remount_origin FROM out.remount_region "
        "ORDER BY from_peak_speed_share"
    ).fetchall()
    return row | {"remount_regions": [metric.RegionRemount(*region) for region in regions]}


def mounting_and_day(trust: dict[str, Any], *, is_one_day: bool) -> dict[str, float]:
    """Return what one mounting and one day put into a session, with the freedom behind each.

    Of another day their sum is often better known than either.
    """
    share = trust["remount_share"]
    dof = trust["remount_dof" if is_one_day else "other_day_dof"]
    day = 0.0 if is_one_day else math.sqrt(max(trust["other_day_share"] ** 2 - share**2, 0.0))
    return {"remount_share": share, "remount_dof": dof, "day_share": day, "day_dof": dof}


def _pulls(sessions: list[dict[str, Any]], default: float) -> tuple[dict[str, Any], Known]:
    """Return the usual scatter of back-to-back pulls."""
    shares = [s for s in sessions if s["repeatability_share"] is not None]
    pulls = np.array([s["pulls_agreeing"] for s in shares])
    sds = np.array([s["repeatability_share"] for s in shares])
    slopes = np.array([_slope(s) for s in shares])
    usual = metric.shop_repeatability(less_trend(sds, slopes, pulls), pulls - 1)
    own = len(shares) >= LEAST_SESSIONS and math.isfinite(usual.sd)
    times = pulls_together(sds, slopes, pulls)
    share = rounded_up(times * usual.sd) if own else default
    origin = note("own sessions", sessions=len(shares))
    if times > 1.0:
        origin = note("own sessions together", sessions=len(shares), times=times)
    row = {
        "repeatability_share": share,
        "repeatability_dof": whole_dof(usual.dof) if own else DEFAULT_DOF,
        "repeatability_origin": origin if own else DEFAULT,
        "is_repeatability_assumed": not own,
    }
    return row, Known(share, metric.DEFAULT_AIR_EXPONENT_SHARE)


def _slope(one: dict[str, Any]) -> float:
    """Return the trend of a session, where it is of all the pulls that its scatter is of."""
    slope_pct = one["drift_pct_per_pull"]
    if slope_pct is None or one["pulls_agreeing"] != one["pulls_used"]:
        return math.nan
    return slope_pct / 100.0


def _parts(
    found: metric.SessionScatter, defaults: Trust, repeats: list[Repeats], bikes: int
) -> dict[str, Any]:
    """Return the figures of mounting and day, each with what it is known from."""
    row: dict[str, Any] = {}
    is_one_a_day = not any(
        len({s["run_on"] for s in one.sessions}) < _mountings(one) for one in repeats
    )
    is_sum_known = is_one_a_day and found.both.prior_weight <= 0.5
    for name, part in (("remount", found.remount), ("day", found.day)):
        is_assumed = part.prior_weight > 0.5
        told = [one for one in repeats if _differ(one.sessions, name)]
        counts = {
            "control_sessions": sum(len(one.sessions) for one in told if one.is_control),
            "repeats": sum(len(one.sessions) - 1 for one in told if not one.is_control),
            "bikes": bikes if name == "remount" else 0,
        }
        row |= {
            f"{name}_share": nearest_step(part.share),
            f"{name}_dof": handy_dof(part.dof),
            f"{name}_origin": note(
                "own mountings",
                **counts,
                is_assumed=is_assumed,
                is_sum_known=is_assumed and is_sum_known,
            )
            if any(counts.values())
            else note("widened default", default_pct=100 * getattr(defaults, f"{name}_share")),
            f"is_{name}_assumed": is_assumed,
        }
    row["remount_pairs"] = sum(_mountings(one) - 1 for one in repeats)
    both = max(nearest_step(found.both.share), row["remount_share"], row["day_share"])
    return row | {
        "other_day_share": both,
        "other_day_dof": handy_dof(found.both.dof),
        "is_other_day_assumed": found.both.prior_weight > 0.5,
    }


def _differ(sessions: list[dict[str, Any]], name: str) -> bool:
    """Whether sessions differ in their mounting, or their day."""
    return len({s["mounting" if name == "remount" else "run_on"] for s in sessions}) > 1


def _mountings(one: Repeats) -> int:
    return len({s["mounting"] for s in one.sessions})


def _contradicted(found: metric.SessionScatter, defaults: Trust, row: dict[str, Any]) -> list[Note]:
    """Say which stated default the shop's own sessions do not bear out."""
    told = []
    for name, part in (("remount", found.remount), ("day", found.day)):
        default = getattr(defaults, f"{name}_share")
        counts = row[f"{name}_origin"]
        figures = {
            "is_remount": name == "remount",
            "default_pct": 100 * default,
            "share_pct": 100 * part.median_share,
            "is_control_run": counts.get("control_sessions", 0) >= LEAST_SESSIONS,
        }
        share = max(part.median_share, SHARE_STEP)
        if part.below > SURE and default >= LESS * share:
            told.append(note("better than default", times=default / share, **figures))
        # Bikes may differ for another reason than their straps: that blames nobody.
        is_seen = counts.get("control_sessions") or counts.get("repeats")
        if is_seen and part.above > SURE and share >= MORE * default:
            told.append(note("worse than default", times=share / default, **figures))
    return told


def _regions(
    repeats: list[Repeats],
    row: dict[str, Any],
    whole_curve: metric.SessionScatter,
    known: Known,
) -> list[dict[str, Any]]:
    """Return remounting by region of speed: what it adds to the level, and its bend there.

    The bend is told from the regions' distances within each session: no day and no air is in
    them. Its prior is the default's bend for the shop's own level, as far as that is learnt.
    """
    told = [found for one in repeats if (found := _bends(one)) is not None]
    level, learnt = row["remount_share"], nearest_step(whole_curve.remount.learnt_share)
    is_own = row["remount_origin"]["code"] == "own mountings"
    rows = []
    edges = pairwise(metric.REGION_EDGES)
    for number, ((low, high), times) in enumerate(zip(edges, metric.REGION_BENDS, strict=True)):
        bend, dof, tie = nearest_step(times * learnt), row["remount_dof"], 0.0
        origin = note("of all speeds") if is_own else row["remount_origin"]
        if is_own and told:
            bends = [one.in_region[number] for one in told]
            part = metric.session_scatter(
                bends,
                default_remount_share=max(times * whole_curve.remount.median_share, SHARE_STEP),
                default_day_share=SHARE_STEP,
                exponent_sd=known.exponent_share,
                # It comes on top of the level: their sum is what must be right.
                pulls_variance=known.repeatability_share**2 / USUAL_PULLS + learnt**2,
            ).remount
            bend = nearest_step(part.share)
            tie = metric.tie_to_level(bends, [one.level for one in told])
            if part.prior_weight <= 0.5:
                dof, origin = handy_dof(part.dof), note("of this region")
        rows.append(
            {
                "from_peak_speed_share": low,
                "to_peak_speed_share": high,
                "remount_share": math.sqrt(level**2 + 2 * tie * level * bend + bend**2),
                "bend_share": bend,
                "remount_dof": dof,
                "remount_pairs": sum(np.unique(one.in_region[0].mounting).size - 1 for one in told),
                "remount_origin": origin,
            }
        )
    return rows


class Bends(NamedTuple):
    """Sessions' levels, and how far each region of speed lies above the mean of the three."""

    level: np.ndarray
    in_region: list[metric.Series]


def _bends(one: Repeats) -> Bends | None:
    """Return the bends of repeats; none where a region was not seen.

    What the pulls leave on them is small and not known: it counts as bend.
    """
    edges = np.digitize(one.speed_share, metric.REGION_EDGES)
    regions = [one.log_power[:, edges == number] for number in (1, 2, 3)]
    # Where all sessions were seen, so that each is held against the same.
    seen = [np.isfinite(region).all(axis=0) for region in regions]
    if min(at.sum() for at in seen) < LEAST_OF_REGION or _mountings(one) < 2:
        return None
    level = np.stack([region[:, at].mean(axis=1) for region, at in zip(regions, seen, strict=True)])
    mounting = np.unique([s["mounting"] for s in one.sessions], return_inverse=True)[1]
    nothing = np.zeros(mounting.shape)
    middle = level.mean(axis=0)
    return Bends(
        middle,
        [metric.Series(of - middle, nothing, mounting, nothing, nothing) for of in level],
    )


def _series(one: Repeats, known: Known) -> metric.Series:
    """Return repeats as figures: a level a session, and what is known of its scatter."""
    variance = [
        known.repeatability_share**2 / s["pulls_effective"]
        + (1.0 - INSTRUMENT_CORRELATION) * (s["reference_factor_sd"] or 0.0) ** 2
        for s in one.sessions
    ]
    density = [s["air_density_kg_m3"] for s in one.sessions]
    level = session.pull_levels(np.exp(one.log_power))
    seen = np.isfinite(level)
    return metric.Series(
        level[seen],
        np.array(variance)[seen],
        np.unique([s["mounting"] for s in one.sessions], return_inverse=True)[1][seen],
        np.array([s["run_on"].toordinal() for s in one.sessions])[seen],
        np.log([math.nan if value is None else value for value in density])[seen],
    )


def _spells(one: Repeats) -> list[Repeats]:
    """Return the control bike's sessions cut where the dyno moved; others as they are."""
    if not one.is_control:
        return [one]
    spell = metric.steady_spells(session.pull_levels(np.exp(one.log_power)))
    return [
        Repeats(
            [s for s, of in zip(one.sessions, spell, strict=True) if of == number],
            one.speed_share,
            one.log_power[spell == number],
        )
        for number in np.unique(spell)
    ]


def _unchanged(sessions: list[dict[str, Any]]) -> list[list[dict[str, Any]]]:
    """Return sessions of a bike between which nothing changed but mounting and day.

    Whatever stood between them: a bike that was put back as it was is a repeat.
    """
    states: dict[tuple[Any, ...], list[dict[str, Any]]] = {}
    for s in sessions:
        state = tuple(s[name] for name in ("bike_id", "build_id", "gear", "dyno", "tyre"))
        states.setdefault(state, []).append(s)
    found = []
    for of_state in states.values():
        part: list[dict[str, Any]] = []
        for s in of_state:
            if part and (s["run_on"] - part[-1]["run_on"]).days > LONGEST_GAP_DAYS:
                found.append(part)
                part = []
            part.append(s)
        found.append(part)
    return [part for part in found if _differ(part, "remount") or _differ(part, "day")]


def _laid(sessions: list[dict[str, Any]], curves: dict[str, np.ndarray]) -> Repeats | None:
    """Return sessions with their curves, of those that were seen where the first was."""
    grid, power = on_one_grid([curves[s["stage_id"]] for s in sessions], 1)
    seen = np.isfinite(power)
    enough = (seen & seen[0]).sum(axis=1) >= LEAST_POINTS
    enough &= np.isfinite(session.pull_levels(power))
    if enough.sum() < 2:
        return None
    kept = [s for s, is_seen in zip(sessions, enough, strict=True) if is_seen]
    return Repeats(kept, grid / grid[np.nanargmax(power[0])], np.log(power[enough]))


def _agreeing(
    connection: duckdb.DuckDBPyConnection, sessions: list[dict[str, Any]]
) -> list[list[tuple[dict[str, Any], dict[str, Any], float]]]:
    """Return changes that several bikes of a model had, each with the bikes' ln ratios.

    Only bikes strapped down anew on the same day; each bike once.
    """
    changes: dict[tuple[Any, ...], dict[str, Any]] = {}
    for _, job in groupby(sessions, lambda s: (s["bike_id"], s["job_id"])):
        stages = list(job)
        # Neighbours that share a session would say twice what chance did to it.
        for pair in zip(stages[::2], stages[1::2], strict=False):
            if (change := _change(*pair)) is not None:
                changes.setdefault(change, {}).setdefault(pair[0]["bike_id"], pair)
    found = [list(of.values()) for of in changes.values() if len(of) >= LEAST_BIKES]
    found = sorted(found, key=len, reverse=True)[:MOST_AGREEMENTS]
    ratios = _ratios(connection, (pair for of in found for pair in of))
    known = [
        [(*pair, ratios[pair[1]["stage_id"]]) for pair in of if pair[1]["stage_id"] in ratios]
        for of in found
    ]
    return [of for of in known if len(of) >= LEAST_BIKES]


def _change(before: dict[str, Any], after: dict[str, Any]) -> tuple[Any, ...] | None:
    """Return what names the change between two sessions of a job, if they tell of remounting."""
    is_like = all(
        before[name] == after[name] for name in ("run_on", "gear", "dyno", "tyre", "fuel")
    )
    is_changed = before["build_id"] != after["build_id"]
    if after["is_control"] or not (is_like and is_changed):
        return None
    if before["mounting"] == after["mounting"]:
        return None
    maps = [(side["map_name"], side["map_revision"]) for side in (before, after)]
    parts = before["parts_key"], after["parts_key"]
    return (after["model_id"], after["dyno"], *parts, after["fuel"], maps[0] != maps[1])


def _ratios(
    connection: duckdb.DuckDBPyConnection,
    pairs: Iterable[tuple[dict[str, Any], dict[str, Any]]],
) -> dict[str, float]:
    """Return the mean ln ratio of power of some pairs of sessions, by the later one."""
    stage_ids = [[side["stage_id"] for side in pair] for pair in pairs]
    if not stage_ids:
        return {}
    befores, afters = (list(side) for side in zip(*stage_ids, strict=True))
    return dict(
        connection.execute(
            "SELECT pair.after_id, "
            # In a fixed order: sums of floats differ by it.
            "avg(ln(later.power_w / earlier.power_w) ORDER BY later.engine_speed_rpm) "
            "FROM (SELECT unnest(?) AS before_id, unnest(?) AS after_id) AS pair "
            "JOIN out.session_curve AS earlier ON earlier.stage_id = pair.before_id "
            "JOIN out.session_curve AS later ON later.stage_id = pair.after_id "
            "AND later.engine_speed_rpm = earlier.engine_speed_rpm "
            "WHERE later.power_w > 0 AND earlier.power_w > 0 "
            "GROUP BY pair.after_id HAVING count(*) >= ?",
            [befores, afters, LEAST_POINTS],
        ).fetchall()
    )


def _agreement(
    pairs: list[tuple[dict[str, Any], dict[str, Any], float]], known: Known
) -> metric.Agreement:
    """Return bikes with one change as figures."""
    variance = [
        known.repeatability_share**2 * (1 / a["pulls_effective"] + 1 / b["pulls_effective"])
        + correction_share(a, b) ** 2
        + (known.exponent_share * _density_change(a, b)) ** 2
        for a, b, _ in pairs
    ]
    return metric.Agreement(np.array([ratio for _, _, ratio in pairs]), np.array(variance))


def _density_change(a: dict[str, Any], b: dict[str, Any]) -> float:
    densities = a["air_density_kg_m3"], b["air_density_kg_m3"]
    return 0.0 if None in densities else math.log(densities[1] / densities[0])


def correction_share(before: dict[str, Any], after: dict[str, Any]) -> float:
    """Return 1 SD of what the correction leaves in the ratio of two sessions."""
    a, b = (side["reference_factor_sd"] or 0.0 for side in (before, after))
    return math.sqrt(max(a * a + b * b - 2 * INSTRUMENT_CORRELATION * a * b, 0.0))


def rounded_up(share: float) -> float:
    """Return a share rounded up to the next step."""
    return round(math.ceil(round(share / SHARE_STEP, 6)) * SHARE_STEP, 6)


def nearest_step(share: float) -> float:
    """Return a share rounded to the nearest step."""
    return _stepped(share, SHARE_STEP)


def _stepped(value: float, step: float) -> float:
    return round(round(value / step) * step, 6)


def whole_dof(dof: float) -> float:
    """Return degrees of freedom as whole ones, from 1 to the most that are told apart."""
    return float(min(max(round(min(dof, metric.MOST_DOF)), 1), metric.MOST_DOF))


def handy_dof(dof: float) -> float:
    """Return degrees of freedom as whole ones, and few ones by halves: there each counts."""
    return whole_dof(dof) if dof >= 10 else max(round(2 * dof) / 2, 1.0)


def session_curves(
    connection: duckdb.DuckDBPyConnection,
    stage_ids: list[str],
    columns: tuple[str, ...] = ("power_w", "torque_nm", "lean_error_pct"),
) -> dict[str, np.ndarray]:
    """Return session curves."""
    return arrays_of(
        connection,
        "stage_id",
        f"SELECT stage_id, engine_speed_rpm, {', '.join(columns)} "  # noqa: S608
        "FROM out.session_curve WHERE stage_id IN (SELECT unnest(?)) "
        "ORDER BY stage_id, engine_speed_rpm",
        stage_ids,
    )


TRUST = Step(
    name="judge the dyno's repeatability",
    doing="judging the dyno's repeatability",
    version=14,
    tables=("out.trust", "out.remount_region"),
    reads=(
        "out.session",
        "out.session_curve",
        "core.stage",
        "core.bike",
        "core.build",
        "core.pull",
        "out.log_doubt",
    ),
    inputs=_inputs,
    make=_make,
    set_by=lambda settings: settings.trust,
)
