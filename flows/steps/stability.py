"""Dyno stability: the control bike charted, and what it says of the dyno in sentences."""

from __future__ import annotations

import math
from typing import Any

import duckdb
import numpy as np

from flows.metrics import session, stability
from flows.steps.refresh import fingerprint, outdated, replace
from flows.steps.sessions import on_one_grid
from flows.steps.trust import session_curves
from flows.steps.wording import signed_pct
from warehouse import store

STABILITY_VERSION = 3
"""Raise it when this step changes what it gives for the same sessions."""

REFERENCE_SESSIONS = 10
"""The limits come from the control bike's first sessions in sound air, and are then frozen."""
LEAST_REFERENCE = 5


def derive_stability(
    connection: duckdb.DuckDBPyConnection, trust: dict[str, Any], altitude_m: float | None
) -> int:
    """Chart the control bike anew when it has new sessions.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        Writer.
    trust : dict
        Row of out.trust.
    altitude_m : float or None
        Height of the shop above sea level, if it is set. [m]

    Returns
    -------
    int
        Sessions charted; 0 when nothing had changed.
    """
    sessions = store.rows(
        connection,
        "SELECT session.stage_id, session.bike_id, session.run_on, session.made_from, "
        "session.air_density_kg_m3, session.has_air_doubt, session.is_corrected "
        "FROM out.session AS session JOIN core.bike AS bike USING (bike_id) WHERE bike.is_control "
        "ORDER BY session.bike_id, session.run_on, session.stage_id",
    ).to_dicts()
    doubts = store.rows(
        connection,
        "SELECT min(run_on) AS first_on, max(run_on) AS last_on, count(*) AS sessions, "
        "count(DISTINCT job_id) AS jobs FROM out.session WHERE has_air_doubt",
    ).to_dicts()[0]
    made_from = fingerprint(STABILITY_VERSION, sessions, doubts, trust, altitude_m)
    to_make, to_delete = outdated(
        connection, "out.dyno_verdict", "made_from", {made_from: made_from}
    )
    if not to_make:
        return 0
    checks: list[dict[str, Any]] = []
    verdicts = [_repeatability(trust), _remount(trust)]
    for bike_id in dict.fromkeys(s["bike_id"] for s in sessions):
        own = [s for s in sessions if s["bike_id"] == bike_id]
        rows = _chart(connection, own, made_from)
        checks += rows
        verdicts += _bike_verdicts(bike_id, rows)
    if not sessions:
        verdicts.append(
            _verdict(
                "control bike",
                "unknown",
                "No control bike has been run: run one bike unchanged every two weeks, and mark it "
                "control = true on its card, to see the dyno drift.",
            )
        )
    verdicts.append(_weather(doubts, altitude_m))
    for number, verdict in enumerate(verdicts, start=1):
        verdict["verdict_no"] = number
        verdict["made_from"] = made_from
    replace(connection, "made_from", to_delete, {"out.dyno_check": [], "out.dyno_verdict": []})
    replace(connection, "made_from", [], {"out.dyno_check": checks, "out.dyno_verdict": verdicts})
    return len(checks)


def _verdict(
    subject: str,
    state: str,
    sentence: str,
    figure: float | None = None,
    lower: float | None = None,
    upper: float | None = None,
) -> dict[str, Any]:
    return {
        "subject": subject,
        "state": state,
        "sentence": sentence,
        "figure": figure,
        "figure_lower": lower,
        "figure_upper": upper,
    }


def _repeatability(trust: dict[str, Any]) -> dict[str, Any]:
    share = 100 * trust["repeatability_share"]
    state = "good" if share <= 0.7 else "watch" if share <= 1.5 else "act"
    if "default" in trust["repeatability_origin"]:
        state = "unknown"
    return _verdict(
        "back-to-back pulls",
        state,
        f"Pulls run back to back scatter by {share:.2f} % (1 SD; {trust['repeatability_origin']}).",
        share,
    )


def _remount(trust: dict[str, Any]) -> dict[str, Any]:
    share = 100 * trust["remount_share"]
    state = "good" if share <= 1.0 else "watch" if share <= 2.0 else "act"
    if "default" in trust["remount_origin"]:
        state = "unknown"
    return _verdict(
        "taking the bike off and on",
        state,
        f"Taking a bike off and strapping it down again adds {share:.2f} % "
        f"(1 SD; {trust['remount_origin']}).",
        share,
    )


def _weather(doubts: dict[str, Any], altitude_m: float | None) -> dict[str, Any]:
    if not doubts["sessions"] and altitude_m is None:
        return _verdict(
            "weather station",
            "unknown",
            "Set altitude_m in rollbook.toml: without it a pressure reduced to sea level cannot be "
            "told from the station's own.",
        )
    if not doubts["sessions"]:
        return _verdict("weather station", "good", "No session's weather is in doubt.", 0.0)
    return _verdict(
        "weather station",
        "act",
        f"{doubts['sessions']} sessions of {doubts['jobs']} jobs between {doubts['first_on']} and "
        f"{doubts['last_on']} carry weather that is in doubt; they are kept, marked, and left out "
        "of pooling. Look at the station and how its pressure is entered.",
        float(doubts["sessions"]),
    )


def _chart(
    connection: duckdb.DuckDBPyConnection, sessions: list[dict[str, Any]], made_from: str
) -> list[dict[str, Any]]:
    curves = session_curves(connection, [s["stage_id"] for s in sessions])
    sound = np.array([s["is_corrected"] and not s["has_air_doubt"] for s in sessions])
    reference = sound & (np.cumsum(sound) <= REFERENCE_SESSIONS)
    if reference.sum() < LEAST_REFERENCE:
        return []
    _, power = on_one_grid([curves[s["stage_id"]] for s in sessions], 1)
    levels = 100 * session.pull_levels(power)
    levels = levels - np.mean(levels[reference])
    chart = stability.individuals_chart(levels, reference=reference)
    # A session in doubtful air says nothing of the dyno: it is shown, and judged by nobody.
    judged = np.where(sound, levels, np.nan)
    ewma = stability.ewma_chart(judged, centre=chart.centre, sd=chart.sd)
    told = stability.signals(judged, chart, ewma)
    return [
        {
            "stage_id": s["stage_id"],
            "bike_id": s["bike_id"],
            "run_on": s["run_on"],
            "level_pct": float(levels[i]),
            "individual_centre_pct": chart.centre,
            "individual_lower_pct": chart.lower,
            "individual_upper_pct": chart.upper,
            "ewma_pct": float(ewma.values[i]),
            "ewma_lower_pct": float(ewma.lower[i]),
            "ewma_upper_pct": float(ewma.upper[i]),
            "is_reference": bool(reference[i]),
            "air_density_kg_m3": s["air_density_kg_m3"],
            "has_air_doubt": s["has_air_doubt"],
            "signal": told[i],
            "made_from": made_from,
        }
        for i, s in enumerate(sessions)
    ]


def _bike_verdicts(bike_id: str, rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    name = f"control bike {bike_id}"
    if not rows:
        return [
            _verdict(
                name,
                "unknown",
                f"{bike_id} has too few sound sessions for a chart: {LEAST_REFERENCE} are needed.",
            )
        ]
    verdicts = []
    last, signals = rows[-1], [row for row in rows if row["signal"]]
    where = (
        f"{bike_id} stands at {signed_pct(last['ewma_pct'])} % against its first "
        f"{REFERENCE_SESSIONS} sessions (moving average, {last['run_on']})"
    )
    inside = last["ewma_lower_pct"] <= last["ewma_pct"] <= last["ewma_upper_pct"]
    if not signals:
        verdicts.append(_verdict(name, "good", f"{where}; no signal in {len(rows)} sessions."))
    else:
        first = next((row for row in signals), signals[0])
        verdicts.append(
            _verdict(
                name,
                "watch" if inside else "act",
                f"{where}; {len(signals)} of {len(rows)} sessions signal, the first on "
                f"{first['run_on']}. Compare bikes within one day; look for what changed on the "
                "dyno then.",
            )
        )
    verdicts[-1]["figure"] = last["ewma_pct"]
    sound = [r for r in rows if not r["has_air_doubt"] and r["air_density_kg_m3"] is not None]
    if len(sound) >= 8:
        density = np.array([r["air_density_kg_m3"] for r in sound])
        slope = stability.slope_against(density, np.array([r["level_pct"] for r in sound]))
        # Shown per percent of air density, as a tuner thinks of it.
        scale = float(np.mean(density)) / 100
        figures = [slope.slope * scale, slope.lower * scale, slope.upper * scale]
        shown = [f"{figure:+.2f}".replace("-", "−") for figure in figures]
        holds = slope.lower <= 0 <= slope.upper
        verdicts.append(
            _verdict(
                "air correction",
                "good" if holds else "watch",
                f"Corrected power of {bike_id} moves by {shown[0]} % for each percent of "
                f"air density ({shown[1]} to {shown[2]}): "
                + (
                    "the correction does its work."
                    if holds
                    else "the correction leaves some of the weather in, or the dyno drifted with "
                    "the seasons."
                ),
                *[f if math.isfinite(f) else None for f in figures],
            )
        )
    return verdicts
