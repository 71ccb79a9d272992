"""How well the dyno repeats itself: within a session, and from one mounting to the next."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import duckdb
import numpy as np

from flows.metrics import trust as metric
from flows.metrics.notes import note
from flows.steps.engine import Given, Inputs, Records, Step, marks, whole
from flows.steps.refresh import fingerprint, parts_of
from flows.steps.sessions import on_one_grid
from schemas.settings import ShopSettings
from warehouse import store

SHARE_STEP = 0.0005
"""Shares are rounded to this: a new session then rarely moves every interval in the shop."""
MOST_DOF = 30.0
DEFAULT_DOF = 4.0
"""What the stated default is worth until the shop has its own: as much as a five-pull session."""
DEFAULT_REMOUNT_DOF = 6.0
"""The same for remounting: as much as the fewest pairs that would replace it."""
INSTRUMENT_CORRELATION = 0.9
"""The same weather station errs alike before and after; what is left differs from hour to hour.
Our judgement: no source gives a figure for a shop's own station."""
LEAST_SESSIONS = 8
LEAST_PAIRS = 6
DEFAULT = note("trust assumed")


def _inputs(connection: duckdb.DuckDBPyConnection, _: Given) -> Inputs:
    sessions = store.rows(
        connection,
        "SELECT session.stage_id, session.bike_id, session.run_on, session.pulls_used, "
        "session.repeatability_share, session.reference_factor_sd, session.has_air_doubt, "
        "session.is_corrected, session.made_from, stage.build_id, stage.stage_no, stage.gear, "
        "stage.dyno, stage.tyre, stage.mounting FROM out.session AS session "
        "JOIN core.stage AS stage USING (stage_id) "
        "ORDER BY session.bike_id, session.run_on, session.stage_id",
    )

    def load() -> Any:
        rows = sessions.to_dicts()
        found = _unchanged(rows)
        curves = session_curves(connection, [s["stage_id"] for pair in found for s in pair])
        return rows, found, curves

    return whole(fingerprint(marks(sessions, "stage_id")), load)


def _make(given: Given, payloads: list[Any]) -> Records:
    """Return the one row of out.trust, and out.remount_region."""
    ((sessions, unchanged, curves),) = payloads
    settings = given.settings
    shares = [s for s in sessions if s["repeatability_share"] is not None]
    usual = metric.shop_repeatability(
        np.array([s["repeatability_share"] for s in shares]),
        np.array([s["pulls_used"] - 1 for s in shares]),
    )
    own = len(shares) >= LEAST_SESSIONS and math.isfinite(usual.sd)
    repeatability = rounded_up(usual.sd) if own else settings.trust.repeatability_share
    dof = whole_dof(usual.dof) if own else DEFAULT_DOF
    pairs = _pairs(unchanged, curves)
    # What the pulls and the correction put into a pair is counted for themselves in every gain.
    variance = [
        repeatability**2 * (1 / a["pulls_used"] + 1 / b["pulls_used"]) / 2
        + correction_share(a, b) ** 2 / 2
        for a, b, _, _ in pairs
    ]
    remount = metric.remount_share(
        np.array([np.nanmean(ratio) for _, _, _, ratio in pairs]),
        np.array(variance),
        default_share=settings.trust.remount_share,
        least_pairs=LEAST_PAIRS,
    )
    row: dict[str, Any] = {
        "repeatability_share": repeatability,
        "repeatability_dof": dof,
        "repeatability_origin": note("own sessions", sessions=len(shares)) if own else DEFAULT,
        "is_repeatability_assumed": not own,
        # To the nearest step: its degrees of freedom already say how little is known of it.
        "remount_share": nearest_step(remount.share) if not remount.is_default else remount.share,
        "remount_dof": DEFAULT_REMOUNT_DOF if remount.is_default else whole_dof(remount.dof),
        "remount_pairs": len(pairs),
        "remount_origin": DEFAULT
        if remount.is_default
        else note("own mountings", control_sessions=0, repeats=len(pairs), bikes=0),
        "is_remount_assumed": remount.is_default,
        "day_share": settings.trust.day_share,
        "day_dof": DEFAULT_REMOUNT_DOF,
        "day_origin": DEFAULT,
        "is_day_assumed": True,
        "other_day_dof": DEFAULT_REMOUNT_DOF,
        "air_exponent_share": metric.DEFAULT_AIR_EXPONENT_SHARE,
        "air_exponent_origin": DEFAULT,
        "default_told": None,
    }
    row["other_day_share"] = math.hypot(row["remount_share"], row["day_share"])
    regions = _regions(pairs, variance, row, settings)
    rows = [
        {
            "from_peak_speed_share": region.from_share,
            "to_peak_speed_share": region.to_share,
            "remount_share": region.share,
            "remount_dof": whole_dof(region.dof),
            "remount_pairs": region.pairs,
            "remount_origin": _ORIGINS[region.origin],
        }
        for region in regions
    ]
    return {"out.trust": [row], "out.remount_region": rows}


def trust_of(connection: duckdb.DuckDBPyConnection) -> dict[str, Any]:
    """Return the row of out.trust with the regions of remounting.

    Without `made_from`: most new sessions move no figure of it, and then nothing that rests on it.
    """
    (row,) = store.rows(connection, "SELECT * EXCLUDE (made_from) FROM out.trust").to_dicts()
    regions = connection.execute(
        "SELECT from_peak_speed_share, to_peak_speed_share, remount_share, remount_dof, "
        "remount_pairs, remount_origin FROM out.remount_region ORDER BY from_peak_speed_share"
    ).fetchall()
    return row | {"remount_regions": [metric.RegionRemount(*region) for region in regions]}


_ORIGINS = {
    "region": note("of this region"),
    "whole curve": note("of all speeds"),
    "default": DEFAULT,
}


def _regions(
    pairs: list[tuple[dict[str, Any], dict[str, Any], np.ndarray, np.ndarray]],
    variance: list[float],
    row: dict[str, Any],
    settings: ShopSettings,
) -> list[metric.RegionRemount]:
    """Return remounting by region of speed; the one share of all speeds where there is none."""
    longest = max((ratio.size for _, _, _, ratio in pairs), default=0)

    def laid(values: np.ndarray) -> np.ndarray:
        return np.pad(values, (0, longest - values.size), constant_values=np.nan)

    found = metric.remount_by_region(
        np.array([laid(shares) for _, _, shares, _ in pairs]),
        np.array([laid(ratio) for _, _, _, ratio in pairs]),
        np.array(variance),
        default_share=settings.trust.remount_share,
        least_pairs=LEAST_PAIRS,
    )
    return [
        region._replace(share=nearest_step(region.share))
        if region.origin == "region"
        else region._replace(share=row["remount_share"], dof=row["remount_dof"])
        for region in found
    ]


def correction_share(before: dict[str, Any], after: dict[str, Any]) -> float:
    """Return 1 SD of what the correction leaves in the ratio of two sessions."""
    a, b = (side["reference_factor_sd"] or 0.0 for side in (before, after))
    return math.sqrt(max(a * a + b * b - 2 * INSTRUMENT_CORRELATION * a * b, 0.0))


def rounded_up(share: float) -> float:
    """Return a share rounded up to the next step."""
    return round(math.ceil(round(share / SHARE_STEP, 6)) * SHARE_STEP, 6)


def nearest_step(share: float) -> float:
    """Return a share rounded to the nearest step."""
    return round(round(share / SHARE_STEP) * SHARE_STEP, 6)


def whole_dof(dof: float) -> float:
    """Return degrees of freedom as whole ones, from 1 to the most that are told apart."""
    return float(min(max(round(min(dof, MOST_DOF)), 1), MOST_DOF))


def _unchanged(
    sessions: list[dict[str, Any]],
) -> list[tuple[dict[str, Any], dict[str, Any]]]:
    """Return successive sessions of a bike between which nothing changed but the mounting."""
    found = []
    for before, after in pairwise(sessions):
        same = all(
            before[name] == after[name] for name in ("bike_id", "build_id", "gear", "dyno", "tyre")
        )
        sound = all(s["is_corrected"] and not s["has_air_doubt"] for s in (before, after))
        if same and sound and before["mounting"] != after["mounting"]:
            found.append((before, after))
    return found


def _pairs(
    found: list[tuple[dict[str, Any], dict[str, Any]]], curves: dict[str, np.ndarray]
) -> list[tuple[dict[str, Any], dict[str, Any], np.ndarray, np.ndarray]]:
    """Return each pair with its speeds, as shares of that at peak power, and the ln ratio there."""
    pairs = []
    for before, after in found:
        grid, power = on_one_grid([curves[before["stage_id"]], curves[after["stage_id"]]], 1)
        ratio = np.log(power[1] / power[0])
        if np.isfinite(ratio).sum() >= 20:
            pairs.append((before, after, grid / grid[np.nanargmax(power[0])], ratio))
    return pairs


def session_curves(
    connection: duckdb.DuckDBPyConnection,
    stage_ids: list[str],
    columns: tuple[str, ...] = ("power_w", "torque_nm", "lean_error_pct"),
) -> dict[str, np.ndarray]:
    """Return session curves."""
    parts = parts_of(
        connection,
        "stage_id",
        f"SELECT stage_id, engine_speed_rpm, {', '.join(columns)} "  # noqa: S608
        "FROM out.session_curve WHERE stage_id IN (SELECT unnest(?)) "
        "ORDER BY stage_id, engine_speed_rpm",
        stage_ids,
    )
    return {stage_id: part.to_numpy() for stage_id, part in parts.items()}


TRUST = Step(
    name="judge the dyno's repeatability",
    doing="judging the dyno's repeatability",
    version=4,
    tables=("out.trust", "out.remount_region"),
    reads=("out.session", "out.session_curve", "core.stage"),
    inputs=_inputs,
    make=_make,
    set_by=lambda settings: settings.trust,
)
