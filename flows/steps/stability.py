"""Dyno stability: the control bike charted, the weather read over, and what that says in words."""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Callable, Iterable
from datetime import date
from functools import partial
from itertools import groupby
from typing import Any, NamedTuple

import duckdb
import numpy as np
import polars as pl

from flows.metrics import air, session, stability
from flows.metrics.notes import Note, note
from flows.steps.engine import Given, Inputs, Records, Step, marks, whole
from flows.steps.refresh import fingerprint
from flows.steps.sessions import on_one_grid
from flows.steps.trust import rounded_up, session_curves, trust_of
from warehouse import store

REFERENCE_SESSIONS = 10
"""The chart's zero is the mean of the control bike's first sessions in sound air."""
LEAST_FOR_SLOPE = 8
ALARM_P = 0.001
"""A slope is a signal below this chance: it is looked at with every session, and looks add up to
some ten times the chance of one (`tests/studies/chart_study.md`)."""
UNWATCHED_DAYS = 60
"""So long after its last run the control bike no longer says how the dyno stands."""
LEAST_SESSIONS_A_YEAR = 10
LEAST_DENSITY_SD_PCT = 0.2
"""Air that moves by less is no test of a correction: a station's last digits make so much."""
MOST_SLOPE = 0.5
"""Half of what uncorrected power would follow the air by (common practice, no source)."""
ALIKE_P = 0.05
NOW_DAYS = 14
"""Weather in doubt within so many days of the last session is in doubt now."""
RECENT_DAYS = 60
"""Doubts older than so many days are shown as past: nothing is to be done on the dyno."""
MOST_DAYS_NAMED = 3
READINGS = ("temperature", "pressure", "humidity")
READ_AS = {"temperature": "ambient_temp_k", "pressure": "ambient_pressure_pa",
           "humidity": "ambient_humidity_pct"}  # fmt: skip
USUAL = {"temperature": 5.0, "pressure": 900.0, "humidity": 12.0}
"""What readings move by over a year, 1 SD, where too few are at hand (common practice)."""
SHOWN_TIMES = {"temperature": 1.0, "pressure": 1e-3, "humidity": 1.0}
"""Readings are told in °C, kPa and %."""
ZERO_OF = {"temperature": 273.15, "pressure": 0.0, "humidity": 0.0}


class Chart(NamedTuple):
    """The sessions of one control bike on one dyno, and the rows that chart them."""

    bike_id: str
    dyno: str
    sessions: list[dict[str, Any]]
    rows: list[dict[str, Any]]


Pairs = dict[int, list[tuple[dict[str, Any], dict[str, Any]]]]
"""Sound sessions with their rows, by the number of their chart."""


def _inputs(connection: duckdb.DuckDBPyConnection, _: Given) -> Inputs:
    sessions, trust = _sessions(connection), trust_of(connection)

    def load() -> Any:
        rows = sessions.to_dicts()
        control = [s["stage_id"] for s in rows if s["is_control"]]
        curves = session_curves(connection, control)
        return rows, trust, curves, _levels(connection, control)

    return whole(fingerprint(marks(sessions, "stage_id"), trust), load)


def _make(given: Given, payloads: list[Any]) -> Records:
    """Chart the control bike and read over the weather."""
    ((sessions, trust, curves, levels),) = payloads
    altitude_m = given.settings.shop.altitude_m
    checks: list[dict[str, Any]] = []
    events: list[dict[str, Any]] = []
    verdicts = [
        _trusted(trust, "repeatability", (0.7, 1.5), "back-to-back pulls"),
        _trusted(trust, "remount", (1.0, 2.0), "taking the bike off and on"),
        _trusted(trust, "day", (0.5, 1.0), "another day"),
        *(
            _verdict("stated default", "watch", told, told["share_pct"])
            for told in trust["default_told"]
        ),
    ]
    control = [s for s in sessions if s["is_control"]]
    limits = stability.signal_limits(_sessions_a_year(control))
    charts: list[Chart] = []
    for (bike_id, dyno), of_bike in _grouped(control, "bike_id", "dyno"):
        alike, left_out = _as_at_first(list(of_bike))
        rows, found, half = _chart(alike, curves, trust, limits)
        charts.append(Chart(bike_id, dyno, alike, rows))
        checks += rows
        events += found
        several = len({s["dyno"] for s in control if s["bike_id"] == bike_id}) > 1
        name = f"{bike_id} on {_subject(dyno)}" if several else bike_id
        verdicts.append(_bike_verdict(name, alike, rows, left_out, found, half))
        verdicts += _reference(name, rows, levels)
    said, found = _air_correction(charts)
    verdicts += said
    events += found
    if not control:
        verdicts.append(
            _verdict("control bike", "unknown", note("no control bike", **_repeats(trust)))
        )
    events += _weather_events(sessions, altitude_m)
    events.sort(
        key=lambda event: (
            event["first_on"],
            event["dyno"],
            event["event_kind"],
            json.dumps(event["told"]),
        )
    )
    affected = _affected(sessions, events)
    verdicts = [
        *_heads(sessions, checks, events, trust),
        *verdicts,
        _weather(sessions, events, altitude_m),
    ]
    tables = {
        "out.dyno_check": checks,
        "out.dyno_event": events[::-1],
        "out.session_drift": affected,
        "out.dyno_verdict": verdicts,
    }
    for event in events:
        event.pop("is_of_files")
    for name, number in (("out.dyno_event", "event_no"), ("out.dyno_verdict", "verdict_no")):
        for place, row in enumerate(tables[name], start=1):
            row[number] = place
    return tables


STABILITY = Step(
    name="chart the control bike",
    doing="charting the control bike",
    version=12,
    # Only of the verdicts there is always one.
    tables=("out.dyno_verdict", "out.dyno_check", "out.dyno_event", "out.session_drift"),
    reads=(
        "out.session", "out.session_curve", "out.session_pull", "out.pull", "out.trust",
        "out.remount_region",
        "core.bike", "core.stage", "core.build", "core.pull",
    ),
    inputs=_inputs,
    make=_make,
    set_by=lambda settings: settings.shop.altitude_m,
)  # fmt: skip


def drifts_of(connection: duckdb.DuckDBPyConnection) -> dict[str, dict[str, tuple[float, float]]]:
    """Return the events of the dyno that each session stands in."""
    found: dict[str, dict[str, tuple[float, float]]] = {}
    for stage_id, event, share, size in connection.execute(
        "SELECT stage_id, dyno_event, in_event_share, dyno_drift_sd FROM out.session_drift "
        "ORDER BY stage_id, dyno_event"
    ).fetchall():
        found.setdefault(stage_id, {})[event] = (share, size)
    return found


def _sessions(connection: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    return store.rows(
        connection,
        "SELECT session.stage_id, session.job_id, session.bike_id, session.run_on, "
        "session.made_from, session.air_density_kg_m3, session.has_air_doubt, "
        "session.is_corrected, session.pulls_effective, session.reference_air, bike.is_control, "
        "coalesce(any_value(stage.dyno), min(source.equipment), '') AS dyno, "
        "coalesce(any_value(stage.gear), min(source.file_gear)) AS gear, "
        "stage.build_id, build.fuel, build.ethanol_share, build.parts_label, build.map_name, "
        "build.map_revision, "
        # In a fixed order: sums of floats differ by it, and a warehouse made again must not.
        "min(source.equipment) AS equipment, "
        "avg(pull.ambient_temp_k ORDER BY pull.pull_id) AS ambient_temp_k, "
        "avg(pull.ambient_pressure_pa ORDER BY pull.pull_id) AS ambient_pressure_pa, "
        "avg(pull.ambient_humidity_pct ORDER BY pull.pull_id) AS ambient_humidity_pct, "
        "max(abs(pull.factor_disagreement_pct)) AS factor_disagreement_pct, "
        "min(note.why) AS doubt FROM out.session AS session "
        "JOIN core.bike AS bike USING (bike_id) JOIN core.stage AS stage USING (stage_id) "
        "LEFT JOIN core.build AS build ON stage.build_id = build.build_id "
        "JOIN out.pull AS pull ON session.stage_id = pull.stage_id AND pull.is_used "
        "JOIN core.pull AS source ON pull.pull_id = source.pull_id "
        "LEFT JOIN LATERAL (SELECT (told -> '$.why')::VARCHAR AS why "
        "FROM (SELECT unnest(from_json(pull.notes, '[\"JSON\"]')) AS told) "
        "WHERE told ->> '$.code' = 'air in doubt') AS note ON TRUE "
        "GROUP BY ALL ORDER BY session.run_on, session.stage_id",
    )


def _grouped(
    sessions: list[dict[str, Any]], *names: str
) -> Iterable[tuple[tuple[Any, ...], Iterable[dict[str, Any]]]]:
    """Return sessions by some of their columns, in each group still in order of time."""

    def key(row: dict[str, Any]) -> tuple[Any, ...]:
        return tuple(row[name] or "" for name in names)

    return groupby(sorted(sessions, key=key), key)


def _as_at_first(
    sessions: list[dict[str, Any]],
) -> tuple[list[dict[str, Any]], list[tuple[dict[str, Any], list[Note]]]]:
    """Return the sessions in the state of the first ones, and the others, each with its reasons.

    A part, a map, a fuel or a gear moves the level more than the dyno does.
    """
    sound = [s for s in sessions if s["is_corrected"] and not s["has_air_doubt"]]
    first = (sound or sessions)[:REFERENCE_SESSIONS]
    # The commonest, not the very first: that one may be the exception.
    build_id = Counter(s["build_id"] for s in first).most_common(1)[0][0]
    usual = next(s for s in first if s["build_id"] == build_id)
    gears = Counter(s["gear"] for s in first if s["build_id"] == build_id and s["gear"] is not None)
    gear = gears.most_common(1)[0][0] if gears else None
    alike, left_out = [], []
    for s in sessions:
        reasons = []
        if s["build_id"] != build_id:
            reasons += _other_build(s, usual)
        if s["gear"] != gear and None not in (s["gear"], gear):
            reasons.append(note("other gear", gear=s["gear"], usual=gear))
        if reasons:
            left_out.append((s, reasons))
        else:
            alike.append(s)
    return alike, left_out


def _other_build(one: dict[str, Any], usual: dict[str, Any]) -> list[Note]:
    def fuel(s: dict[str, Any]) -> str:
        share = s["ethanol_share"]
        return f"{s['fuel']}" + ("" if share is None else f" ({100 * share:.0f} % ethanol)")

    def mapped(s: dict[str, Any]) -> str:
        return f"{s['map_name']}" + (f" r{s['map_revision']}" if s["map_revision"] else "")

    told = (
        ("parts", one["parts_label"], usual["parts_label"]),
        ("map", mapped(one), mapped(usual)),
        ("fuel", fuel(one), fuel(usual)),
    )
    found = [
        note("instead of", what=name, now=now, then=then) for name, now, then in told if now != then
    ]
    return found or [note("another build")]


def _left_out(left_out: list[tuple[dict[str, Any], list[Note]]], is_changed: bool) -> Note | None:
    """Return which sessions of the control bike are not on its chart, and why."""
    if not left_out:
        return None
    days: dict[str, list[date]] = {}
    for s, reasons in left_out:
        days.setdefault(json.dumps(reasons), []).append(s["run_on"])
    told = [
        note(
            "left out on",
            why=json.loads(reasons),
            days=on[:MOST_DAYS_NAMED],
            more=max(len(on) - MOST_DAYS_NAMED, 0),
        )
        for reasons, on in days.items()
    ]
    count = len(left_out)
    return note("sessions left out", sessions=count, reasons=told, is_changed=is_changed)


def _verdict(
    subject: str,
    state: str,
    told: Note,
    figure: float | None = None,
    lower: float | None = None,
    upper: float | None = None,
    *,
    is_of_dyno: bool = False,
) -> dict[str, Any]:
    return {
        "subject": subject,
        "is_of_dyno": is_of_dyno,
        "state": state,
        "told": told,
        "figure": figure,
        "figure_lower": lower,
        "figure_upper": upper,
    }


def _trusted(
    trust: dict[str, Any], name: str, most_pct: tuple[float, float], subject: str
) -> dict[str, Any]:
    """Say what a share of the trust is, and where it comes from."""
    share, origin = 100 * trust[f"{name}_share"], trust[f"{name}_origin"]
    state = "good" if share <= most_pct[0] else "watch" if share <= most_pct[1] else "act"
    told = note("scatter", part=name, share_pct=share, origin=origin)
    return _verdict(subject, "unknown" if trust[f"is_{name}_assumed"] else state, told, share)


def _weather(
    sessions: list[dict[str, Any]], events: list[dict[str, Any]], altitude_m: float | None
) -> dict[str, Any]:
    verdict = partial(_verdict, "weather station")
    doubted = [s for s in sessions if s["has_air_doubt"]]
    daily = {s["run_on"]: s["ambient_pressure_pa"] for s in sessions}
    unfit = stability.usual_pressure_doubt(
        [math.nan if pressure is None else pressure for pressure in daily.values()], altitude_m
    )
    if unfit:
        return verdict("act", unfit)
    # What the files say of their own air is counted below; the station may err besides.
    of_station = [e for e in events if e["event_kind"] == "weather" and not e["is_of_files"]]
    if not (doubted or of_station):
        if any(event["event_kind"] == "correction" for event in events):
            return verdict("watch", note("station may err"), 0.0)
        if altitude_m is None:
            return verdict("unknown", note("altitude not set"))
        return verdict("good", note("weather sound"), 0.0)
    last_on = max([s["run_on"] for s in doubted[-1:]] + [event["last_on"] for event in of_station])
    is_recent = (sessions[-1]["run_on"] - last_on).days <= RECENT_DAYS
    told = note(
        "weather was in doubt",
        sessions=len(doubted),
        jobs=len({s["job_id"] for s in doubted}),
        is_one_day=len({s["run_on"] for s in doubted}) == 1,
        first_on=doubted[0]["run_on"] if doubted else None,
        last_on=doubted[-1]["run_on"] if doubted else None,
        latest=of_station[-1]["told"] if of_station else None,
        more=max(len(of_station) - 1, 0),
        none_since=None if is_recent else last_on,
    )
    return verdict("act" if is_recent else "watch", told, float(len(doubted)))


def _sessions_a_year(control: list[dict[str, Any]]) -> float:
    """Return how many control sessions a year are charted, on all charts together.

    Rounded up to tens: a new session must not move the limits, and wider ones keep the promise.
    """
    sound = [s["run_on"] for s in control if _is_sound(s)]
    if len(sound) < 2:
        return LEAST_SESSIONS_A_YEAR
    # The days after the last one belong to it as much as those between.
    years = max((sound[-1] - sound[0]).days * len(sound) / (len(sound) - 1), 1.0) / 365.25
    return max(10.0 * math.ceil(len(sound) / max(years, 1.0) / 10.0), LEAST_SESSIONS_A_YEAR)


def _is_sound(s: dict[str, Any]) -> bool:
    return s["is_corrected"] and not s["has_air_doubt"]


def _scatter(sessions: list[dict[str, Any]], trust: dict[str, Any]) -> tuple[np.ndarray, float]:
    """Return each session's scatter against the usual one's, and that of the usual one. [1] [%].

    Strapping down and pulls alone make so much. What is only assumed of them says neither; nor does
    the day, whose scatter is learnt from this very bike and would hide a shift in itself.
    """
    if trust["is_remount_assumed"] or trust["is_repeatability_assumed"]:
        return np.ones(len(sessions)), 0.0
    pulls = np.array([s["pulls_effective"] for s in sessions])
    sd = np.hypot(trust["remount_share"], trust["repeatability_share"] / np.sqrt(pulls))
    usual = float(np.median(sd))
    return (sd / usual, 100 * usual) if usual > 0.0 else (np.ones(len(sessions)), 0.0)


def _chart(
    sessions: list[dict[str, Any]],
    curves: dict[str, np.ndarray],
    trust: dict[str, Any],
    limits: stability.Limits,
) -> tuple[list[dict[str, Any]], list[dict[str, Any]], float]:
    """Return the chart of one control bike on one dyno, its events, how well its level is known."""
    sound = np.array([_is_sound(s) for s in sessions])
    reference = sound & (np.cumsum(sound) <= REFERENCE_SESSIONS)
    if reference.sum() < stability.LEAST_LEARNT:
        return [], [], math.nan
    _, power = on_one_grid([curves[s["stage_id"]] for s in sessions], 1)
    levels = 100 * session.pull_levels(power)
    levels = levels - np.mean(levels[reference])
    # A session in doubtful air says nothing of the dyno: it is shown, but not judged.
    judged = np.where(sound, levels, np.nan)
    relative, known = _scatter(sessions, trust)
    chart = stability.control_chart(judged, limits, relative_sd=relative, least_sd=known)
    told = stability.signals(judged, chart, limits)
    rows = [
        {
            "stage_id": s["stage_id"],
            "bike_id": s["bike_id"],
            "dyno": s["dyno"],
            "run_on": s["run_on"],
            "level_pct": float(levels[i]),
            "level_lower_pct": _finite(chart.lower[i]),
            "level_upper_pct": _finite(chart.upper[i]),
            "sum_above": float(chart.high[i]),
            "sum_below": float(chart.low[i]),
            "sum_limit": limits.sums,
            "shift_pct": float(chart.level[i]),
            "is_reference": bool(reference[i]),
            "air_density_kg_m3": s["air_density_kg_m3"],
            "has_air_doubt": s["has_air_doubt"],
            "signal": told[i],
        }
        for i, s in enumerate(sessions)
    ]
    days = [s["run_on"] for s in sessions]
    dyno = sessions[0]["dyno"]
    events = _shift_events(dyno, days, judged, chart.shifts)
    events += _odd_days(dyno, days, judged, chart)
    return rows, events, chart.half


def _levels(connection: duckdb.DuckDBPyConnection, stage_ids: list[str]) -> dict[str, list[float]]:
    """Return the levels of the pulls of some sessions."""
    pulls: dict[str, list[float]] = {}
    for stage_id, level_pct in connection.execute(
        "SELECT stage_id, level_pct FROM out.session_pull "
        "WHERE stage_id IN (SELECT unnest(?)) AND level_pct IS NOT NULL "
        "ORDER BY stage_id, pull_id",
        [stage_ids],
    ).fetchall():
        pulls.setdefault(stage_id, []).append(level_pct)
    return pulls


def _reference(
    name: str, rows: list[dict[str, Any]], pulls: dict[str, list[float]]
) -> list[dict[str, Any]]:
    """Say whether the sessions that set the limits belong together."""
    reference = [row for row in rows if row["is_reference"]]
    if not reference:
        return []
    groups = [
        row["level_pct"] + np.array(own) - np.mean(own)
        for row in reference
        if (own := pulls.get(row["stage_id"]))
    ]
    # Some ten sessions are judged at once, by two statistics: a thousandth each.
    found = session.mandel(groups, false_alarm_share=0.001)
    days = [row["run_on"] for row in reference if pulls.get(row["stage_id"])]
    odd = [
        note("session lies apart", on=day, h=h, most=found.h_critical)
        for day, h in zip(days, found.h, strict=True)
        if abs(h) > found.h_critical
    ]
    odd += [
        note("session scatters", on=day, k=k, most=most)
        for day, k, most in zip(days, found.k, found.k_critical, strict=True)
        if k > most
    ]
    told = note("reference", sessions=len(groups), odd=odd)
    return [_verdict(f"reference of {name}", "watch" if odd else "good", told)]


def _event(
    dyno: str,
    kind: str,
    first_on: date,
    last_on: date | None,
    size_pct: float | None,
    told: Note,
    *,
    begins_after: date | None = None,
    half_pct: float | None = None,
) -> dict[str, Any]:
    return {
        "dyno": dyno,
        "event_kind": kind,
        "begins_after": begins_after,
        "first_on": first_on,
        "last_on": last_on,
        "event_pct": size_pct,
        "event_half_pct": half_pct,
        "dyno_drift_sd": 0.0 if size_pct is None else rounded_up(abs(size_pct) / 100),
        "told": told,
        "is_of_files": False,
    }


def _shift_events(
    dyno: str, days: list[date], judged: np.ndarray, shifts: list[stability.Shift]
) -> list[dict[str, Any]]:
    events: list[dict[str, Any]] = []
    seen = np.flatnonzero(np.isfinite(judged))
    size_before = 0.0
    for number, shift in enumerate(shifts):
        before = seen[seen < shift.earliest]
        begins_after = days[before[-1]] if before.size else None
        first_on = days[shift.latest]
        if events and events[-1]["last_on"] is not None:
            # What was run between the last high and the first low control run may be either.
            events[-1]["next_on"] = first_on
        if shift.is_away:
            lasts = number == len(shifts) - 1
            same_way = shift.size * size_before > 0 and abs(shift.size) > abs(size_before)
            kind = "drift" if same_way else "shift"
            last_on = None if lasts else days[shift.last]
            told = note(
                "level changed",
                size_pct=shift.size,
                half_pct=shift.half,
                first_on=first_on,
                begins_after=begins_after,
                likely_on=days[shift.first] if shift.earliest < shift.latest else None,
                goes_on=same_way,
                last_on=last_on,
            )
            event = _event(
                dyno,
                kind,
                first_on,
                last_on,
                shift.size,
                told,
                begins_after=begins_after,
                half_pct=shift.half,
            )
            events.append(event)
        size_before = shift.size if shift.is_away else 0.0
    return events


def _odd_days(
    dyno: str, days: list[date], judged: np.ndarray, chart: stability.ControlChart
) -> list[dict[str, Any]]:
    """Return single control sessions far from what those before them foretold."""
    # Where the level changed, the first sessions of the new one are no odd days of the old one.
    begun = {place for shift in chart.shifts for place in range(shift.first, shift.seen + 1)}
    places = [place for place in np.flatnonzero(chart.is_odd).tolist() if place not in begun]
    off = judged - chart.level
    return [
        _event(
            dyno,
            "odd day",
            days[place],
            days[place],
            float(off[place]),
            note("odd day", off_pct=off[place], on=days[place]),
        )
        for place in places
    ]


def _air_correction(
    charts: list[Chart],
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Say whether corrected power still follows the air: a verdict and events, of one slope."""
    verdicts, events = [], []
    pairs = {
        number: [
            (s, row)
            for s, row in zip(chart.sessions, chart.rows, strict=True)
            if not s["has_air_doubt"] and s["is_corrected"] and s["air_density_kg_m3"] is not None
        ]
        for number, chart in enumerate(charts)
        if chart.rows
    }
    for numbers in _of_one_slope(charts, pairs):
        own = [pair for number in numbers for pair in pairs[number]]
        bikes = _listed(charts[number].bike_id for number in numbers)
        dynos = _listed(_subject(charts[number].dyno) for number in numbers)
        several = len({charts[number].dyno for number in pairs}) > 1
        name = f"{bikes} on {dynos}" if several else bikes
        verdict, size = _slope_verdict(name, own, pairs, numbers)
        verdicts.append(verdict)
        if size is None:
            continue
        events += [
            _event(
                dyno,
                "correction",
                min(s["run_on"] for s, _ in own if s["dyno"] == dyno),
                None,
                size,
                verdict["told"],
            )
            for dyno in sorted({s["dyno"] for s, _ in own})
        ]
    return verdicts, events


def _slope_verdict(
    name: str, own: list[tuple[dict[str, Any], dict[str, Any]]], pairs: Pairs, numbers: list[int]
) -> tuple[dict[str, Any], float | None]:
    """Return what the slope says, and its size in power over the air met, if it is one. [%]."""
    verdict = partial(_verdict, "air correction")
    if len(own) < LEAST_FOR_SLOPE:
        few = note("few sessions for a slope", name=name, sessions=len(own), needed=LEAST_FOR_SLOPE)
        return verdict("unknown", few), None
    density = np.array([_density(s) for s, _ in own])
    slope = _slope_of(pairs, numbers, _density)[0]
    moved = _density_sd(pairs, numbers)
    if moved < LEAST_DENSITY_SD_PCT or not math.isfinite(slope.lower):
        still = note("density stood still", name=name, moved_sd_pct=moved, sessions=len(own))
        return verdict("unknown", still), None
    figures = (slope.slope, slope.lower, slope.upper)
    moves = {"name": name, "slope": slope.slope, "lower": slope.lower, "upper": slope.upper}
    cause = stability.correction_cause(
        slope,
        _slope_of(pairs, numbers, lambda s: s["ambient_temp_k"])[0],
        _slope_of(pairs, numbers, lambda s: s["ambient_pressure_pa"])[0],
    )
    if cause and slope.p < ALARM_P:
        size = slope.slope * float(np.std(density, ddof=1))
        return verdict("watch", note("power follows the air", **moves, cause=cause), *figures), size
    most = max(-slope.lower, slope.upper)
    told = note("no slope", **moves, most_pct=most, is_small=most <= MOST_SLOPE, leans=bool(cause))
    return verdict("good" if told["is_small"] else "unknown", told, *figures), None


def _of_one_slope(charts: list[Chart], pairs: Pairs) -> list[list[int]]:
    """Return the charts in sets whose slopes are alike: all, else by bike, else each alone."""

    def alike(numbers: list[int]) -> bool:
        # Slopes that cannot be told apart count as alike, or near-equal ones would get two causes.
        _, p = _slope_of(pairs, numbers, _density)
        return not p < ALIKE_P

    everything = [number for number in pairs if pairs[number]]
    if not everything:
        return []
    if alike(everything):
        return [everything]
    sets = []
    for bike_id in dict.fromkeys(charts[number].bike_id for number in everything):
        own = [number for number in everything if charts[number].bike_id == bike_id]
        sets += [own] if alike(own) else [[number] for number in own]
    return sets


def _slope_of(
    pairs: Pairs, numbers: list[int], influence: Callable[[dict[str, Any]], float | None]
) -> tuple[stability.Slope, float]:
    """Return the slope of corrected power that charts share, each spell about its own level."""
    own = [(number, s, row) for number in numbers for s, row in pairs[number]]
    read = [influence(s) for _, s, _ in own]
    return stability.common_slope(
        [math.nan if value is None else value for value in read],
        [row["level_pct"] for _, _, row in own],
        [_spell(number, row) for number, _, row in own],
        [f"{number}" for number, _, _ in own],
    )


def _density_sd(pairs: Pairs, numbers: list[int]) -> float:
    """Return how far the air's density moved within the steady spells, 1 SD. [%]."""
    spells: dict[str, list[float]] = {}
    for number in numbers:
        for s, row in pairs[number]:
            spells.setdefault(_spell(number, row), []).append(_density(s))
    away = np.concatenate([np.array(read) - np.mean(read) for read in spells.values()])
    return float(np.sqrt(away @ away / max(away.size - len(spells), 1)))


def _spell(number: int, row: dict[str, Any]) -> str:
    return f"{number} {row['shift_pct']}"


def _density(s: dict[str, Any]) -> float:
    """Return ln air density. [%]."""
    return 100 * math.log(s["air_density_kg_m3"])


def _listed(names: Iterable[str]) -> str:
    return " and ".join(dict.fromkeys(names))


def _weather_events(
    sessions: list[dict[str, Any]], altitude_m: float | None
) -> list[dict[str, Any]]:
    events = []
    for (dyno,), of_dyno in _grouped(sessions, "dyno"):
        own = list(of_dyno)
        events += _doubt_events(dyno, own)
        for (station,), of_station in _grouped(own, "equipment"):
            events += _station_events(dyno, station, list(of_station), altitude_m)
    return events + _disagreement_events(sessions)


def _weather_event(
    dyno: str, rows: list[dict[str, Any]], size_pct: float, told: Note
) -> dict[str, Any]:
    """Return an event of the weather over some sessions, which alone it touches."""
    first, last = rows[0]["run_on"], rows[-1]["run_on"]
    event = _event(dyno, "weather", first, last, size_pct, told)
    return event | {"only": {s["stage_id"] for s in rows}}


def _doubt_events(dyno: str, sessions: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return an event for each stretch of sessions whose files speak against their own air."""
    events = []
    for doubted, stretch in groupby(sessions, lambda s: s["has_air_doubt"]):
        if not doubted:
            continue
        rows = list(stretch)
        why = next((json.loads(s["doubt"]) for s in rows if s["doubt"]), None)
        sizes = [s["factor_disagreement_pct"] for s in rows if s["factor_disagreement_pct"]]
        size = max(sizes, default=0.0)
        if size < 1.0:
            # Then the file agrees with itself, and pressure or height must tell the size.
            size = max((abs(_pressure_effect_pct(s, sessions)) for s in rows), default=0.0)
        told = note("sessions with weather in doubt", sessions=len(rows), why=why)
        event = _weather_event(dyno, rows, size, told)
        events.append(event | {"is_of_files": True})
    return events


def _readings(sessions: list[dict[str, Any]], quantity: str) -> np.ndarray:
    """Return one reading a session, NaN where there was none."""
    read = [s[READ_AS[quantity]] for s in sessions]
    return np.array([math.nan if value is None else value for value in read])


def _pressure_effect_pct(one: dict[str, Any], sessions: list[dict[str, Any]]) -> float:
    """Return what the session's pressure does to its factor, against the shop's usual one."""
    usual = np.median(
        [
            s["ambient_pressure_pa"]
            for s in sessions
            if s["ambient_pressure_pa"] is not None and not s["has_air_doubt"]
        ]
        or [math.nan]
    )
    read = [one[READ_AS[name]] for name in READINGS]
    if None in read or not math.isfinite(usual):
        return 0.0
    return _effect_pct(one, "pressure", float(usual) - read[1])


def _effect_pct(one: dict[str, Any], quantity: str, change: float) -> float:
    """Return what a change of one reading does to the session's correction. [%]."""
    read = {name: one[READ_AS[name]] for name in READINGS}
    if None in read.values():
        return 0.0
    moved = read | {quantity: read[quantity] + change}
    factors = []
    for state in (read, moved):
        vapour = air.vapour_pressure_pa(
            state["temperature"], min(max(state["humidity"], 0.0), 100.0)
        )
        factors.append(
            float(
                air.correction_factor(
                    one["reference_air"], state["temperature"], state["pressure"], vapour
                )
            )
        )
    return 100 * math.log(factors[1] / factors[0])


def _station_events(
    dyno: str, station: str, sessions: list[dict[str, Any]], altitude_m: float | None
) -> list[dict[str, Any]]:
    """Return where one station's readings stood still or stepped."""
    events = []
    # Forced induction needs no correction, but its files read the same station.
    days = np.array([s["run_on"].toordinal() for s in sessions])
    for quantity in READINGS:
        readings = _readings(sessions, quantity)
        for run in stability.stuck_runs(readings, days):
            rows = sessions[run.first : run.last + 1]
            others = np.delete(readings, slice(run.first, run.last + 1))
            others = others[np.isfinite(others)]
            usual = (
                float(others.std()) if others.size >= stability.LEAST_LEARNT else USUAL[quantity]
            )
            shown = (run.value - ZERO_OF[quantity]) * SHOWN_TIMES[quantity]
            told = note(
                "reading stood still",
                quantity=quantity,
                station=station,
                shown=note("reading", quantity=quantity, value=shown),
                days=run.days,
            )
            size = abs(_effect_pct(rows[0], quantity, usual))
            events.append(_weather_event(dyno, rows, size, told))
    pressure = _readings(sessions, "pressure")
    for spell in stability.pressure_spells(pressure, days, altitude_m):
        rows = sessions[spell.first : spell.last + 1]
        if all(s["has_air_doubt"] for s in rows):
            continue
        told = note(
            "pressure stood off",
            station=station,
            off_kpa=spell.departure_pa / 1000,
            days=spell.days,
            is_reduced=spell.is_reduced,
        )
        size = abs(_effect_pct(rows[0], "pressure", -spell.departure_pa))
        events.append(_weather_event(dyno, rows, size, told))
    return events


def _disagreement_events(sessions: list[dict[str, Any]]) -> list[dict[str, Any]]:
    with_station = [s for s in sessions if s["equipment"]]
    events = []
    for found in stability.station_differences(
        [s["equipment"] for s in with_station],
        [s["run_on"].toordinal() for s in with_station],
        *(_readings(with_station, quantity) for quantity in READINGS),
    ):
        first, last = date.fromordinal(found.first_day), date.fromordinal(found.last_day)
        both = [
            s
            for s in with_station
            if s["equipment"] in (found.station, found.other) and first <= s["run_on"] <= last
        ]
        apart = abs(found.difference) * SHOWN_TIMES[found.quantity]
        told = note(
            "stations disagree",
            station=found.station,
            other=found.other,
            quantity=found.quantity,
            apart=note("reading", quantity=found.quantity, value=apart),
            days=found.days,
        )
        for (dyno,), rows in _grouped(both, "dyno"):
            own = list(rows)
            event = _event(
                dyno,
                "weather",
                first,
                last,
                abs(_effect_pct(own[0], found.quantity, found.difference)),
                told,
            )
            event["only"] = {s["stage_id"] for s in own}
            event["spell_of"] = {s["stage_id"]: s["equipment"] for s in own}
            events.append(event)
    return events


def _affected(sessions: list[dict[str, Any]], events: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return which session stands in which event; each event gets the count of its own."""
    rows = []
    known: set[str] = set()
    for event in events:
        only, stations = event.pop("only", None), event.pop("spell_of", {})
        next_on = event.pop("next_on", None)
        begins = event["begins_after"] or event["first_on"]
        ends = event["last_on"] or date.max
        # It changes with the weather: no single figure can widen a comparison by it.
        always = event["event_kind"] == "correction"
        # Not by number, which a later find may change: gains hang on it.
        key = f"{event['dyno']}: {event['event_kind']} {event['first_on']}"
        while key in known:
            key += ", another"
        known.add(key)
        count = 0
        for s in sessions:
            if s["dyno"] != event["dyno"] or (only is not None and s["stage_id"] not in only):
                continue
            inside = event["first_on"] <= s["run_on"] <= ends
            # Between two control runs that differ it may have been there or not.
            maybe = begins < s["run_on"] < event["first_on"] or (
                next_on is not None and ends < s["run_on"] < next_on
            )
            if not inside and not maybe:
                continue
            count += 1
            if always:
                continue
            share = 1.0
            if not inside:
                # The later between the two control runs, the likelier it had begun, or ended.
                rising = s["run_on"] < event["first_on"]
                start, end = (begins, event["first_on"]) if rising else (ends, next_on or ends)
                share = (s["run_on"] - start).days / (end - start).days
                share = share if rising else 1.0 - share
            elif stations:
                # Of two stations one errs; which, is not known.
                share = float(stations[s["stage_id"]] == min(stations.values()))
            rows.append(
                {
                    "stage_id": s["stage_id"],
                    "dyno_event": key,
                    "in_event_share": share,
                    "dyno_drift_sd": event["dyno_drift_sd"],
                    "told": event["told"],
                }
            )
        event["dyno_event"] = key
        event["sessions_affected"] = count
    return rows


def _heads(
    sessions: list[dict[str, Any]],
    checks: list[dict[str, Any]],
    events: list[dict[str, Any]],
    trust: dict[str, Any],
) -> list[dict[str, Any]]:
    """Return the state of each dyno."""
    charted = {row["stage_id"] for row in checks}
    verdicts = []
    for (dyno,), of_dyno in _grouped(sessions, "dyno"):
        own = list(of_dyno)
        watched = [s for s in own if s["stage_id"] in charted]
        ours = [event for event in events if event["dyno"] == dyno]
        found = _head(own, watched, ours, trust)
        verdicts.append(_verdict(_subject(dyno), *found, is_of_dyno=True))
    return verdicts


def _head(
    sessions: list[dict[str, Any]],
    watched: list[dict[str, Any]],
    events: list[dict[str, Any]],
    trust: dict[str, Any],
) -> tuple[Any, ...]:
    """Return state, what it is and figures of one dyno."""
    by_kind = {kind: list(of_kind) for (kind,), of_kind in _grouped(events, "event_kind")}
    moved = [e for e in events if e["event_kind"] in ("shift", "drift") and not e["last_on"]]
    if moved:
        size, half = moved[-1]["event_pct"], moved[-1]["event_half_pct"]
        return "act", moved[-1]["told"], size, size - half, size + half
    last_on = sessions[-1]["run_on"]
    weather = [
        e
        for e in by_kind.get("weather", ())
        if (last_on - (e["last_on"] or last_on)).days <= NOW_DAYS
    ]
    if weather:
        since = weather[-1]["first_on"]
        return "act", note("station in doubt", since=since, why=weather[-1]["told"])
    if slope := by_kind.get("correction"):
        return "watch", note("station in doubt", since=None, why=slope[-1]["told"])
    if not watched:
        return "unknown", note("not watched", needed=stability.LEAST_LEARNT, **_repeats(trust))
    run_last = watched[-1]["run_on"]
    if (last_on - run_last).days > UNWATCHED_DAYS:
        return "unknown", note(
            "not watched since", last_on=run_last, days=(last_on - run_last).days
        )
    last = max((e["last_on"] for e in events if e["event_kind"] != "weather"), default=None)
    return "good", note("in control", runs=len(watched), last_on=run_last, quiet_since=last)


def _repeats(trust: dict[str, Any]) -> dict[str, Any]:
    """Return what sessions repeated without a change say, the best there is for a control bike."""
    is_known = not (trust["is_remount_assumed"] and trust["is_day_assumed"])
    return {
        "pairs": trust["remount_pairs"] if is_known else 0,
        "share_pct": 100 * trust["other_day_share"] if is_known else None,
    }


def _subject(dyno: str) -> str:
    return dyno or "the dyno"


def _bike_verdict(
    bike: str,
    sessions: list[dict[str, Any]],
    rows: list[dict[str, Any]],
    left_out: list[tuple[dict[str, Any], list[Note]]],
    events: list[dict[str, Any]],
    half_pct: float,
) -> dict[str, Any]:
    """Say where a control bike stands, and which of its sessions do not count."""
    name = f"control bike {bike}"
    is_changed = bool(left_out) and left_out[-1][0]["run_on"] > sessions[-1]["run_on"]
    about = {"bike": bike, "left_out": _left_out(left_out, is_changed)}
    if not rows:
        return _verdict(
            name, "unknown", note("no chart yet", needed=stability.LEAST_LEARNT, **about)
        )
    level, signals = rows[-1]["shift_pct"], [row for row in rows if row["signal"]]
    held = [e for e in events if e["event_kind"] in ("shift", "drift") and not e["last_on"]]
    if held:
        # Its size is told once, of the dyno: the mean since then is another estimate of the same.
        level = held[-1]["event_pct"]
    state = "act" if held else "watch" if signals or is_changed else "good"
    told = note(
        "control bike stands",
        is_told=bool(held),
        adds_up=all(
            fact["code"] == "sum beyond limit" for row in signals for fact in row["signal"]
        ),
        level_pct=level,
        half_pct=_finite(half_pct),
        reference=sum(row["is_reference"] for row in rows),
        on=rows[-1]["run_on"],
        signals=len(signals),
        sessions=len(rows),
        first_signal_on=signals[0]["run_on"] if signals else None,
        **about,
    )
    return _verdict(name, state, told, level)


def _finite(value: float) -> float | None:
    """Return a figure, or None for one that is not to be had."""
    return None if math.isnan(value) else float(value)
