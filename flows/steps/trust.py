"""How well the dyno repeats itself: within a session, and from one mounting to the next."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import duckdb
import numpy as np

from flows.metrics import session
from flows.steps.refresh import fingerprint, outdated, replace
from flows.steps.sessions import on_one_grid
from schemas.settings import ShopSettings
from warehouse import store

TRUST_VERSION = 1
"""Raise it when this step changes what it gives for the same sessions."""

SHARE_STEP = 0.0005
"""Shares are rounded up to this: a new session then rarely moves every interval in the shop."""
MOST_DOF = 30.0
DEFAULT_DOF = 4.0
"""What the stated default is worth until the shop has its own: as much as a five-pull session."""
INSTRUMENT_CORRELATION = 0.9
"""The same weather station errs alike before and after; what is left differs from hour to hour.
Our judgement: no source gives a figure for a shop's own station."""
LEAST_SESSIONS = 8
LEAST_PAIRS = 6
OWN = "the shop's own"
DEFAULT = "stated default, common practice, until the shop has its own"


def derive_trust(connection: duckdb.DuckDBPyConnection, settings: ShopSettings) -> dict[str, Any]:
    """Make the one row of out.trust.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        Writer.
    settings : ShopSettings
        The shop's settings.

    Returns
    -------
    dict
        The row.
    """
    sessions = store.rows(
        connection,
        "SELECT session.stage_id, session.bike_id, session.run_on, session.pulls_used, "
        "session.repeatability_share, session.reference_factor_sd, session.has_air_doubt, "
        "session.is_corrected, stage.build_id, stage.stage_no, stage.gear, stage.dyno, stage.tyre, "
        "stage.mounting FROM out.session AS session "
        "JOIN core.stage AS stage USING (stage_id) "
        "ORDER BY session.bike_id, session.run_on, session.stage_id",
    ).to_dicts()
    shares = [s for s in sessions if s["repeatability_share"] is not None]
    usual = session.shop_repeatability(
        np.array([s["repeatability_share"] for s in shares]),
        np.array([s["pulls_used"] - 1 for s in shares]),
    )
    own = len(shares) >= LEAST_SESSIONS and math.isfinite(usual.sd)
    repeatability = _up(usual.sd) if own else settings.trust.repeatability_share
    dof = float(round(min(usual.dof, MOST_DOF))) if own else DEFAULT_DOF
    pairs = _unchanged_pairs(connection, sessions)
    # What the pulls and the correction put into a pair is counted for themselves in every gain.
    variance = [
        repeatability**2 * (1 / a["pulls_used"] + 1 / b["pulls_used"]) / 2
        + correction_share(a, b) ** 2 / 2
        for a, b, _ in pairs
    ]
    remount = session.remount_share(
        np.array([difference for _, _, difference in pairs]),
        np.array(variance),
        default_share=settings.trust.remount_share,
        least_pairs=LEAST_PAIRS,
    )
    row: dict[str, Any] = {
        "repeatability_share": repeatability,
        "repeatability_dof": max(dof, 1.0),
        "repeatability_origin": f"{OWN}, from {len(shares)} sessions" if own else DEFAULT,
        "remount_share": _up(remount.share) if not remount.is_default else remount.share,
        "remount_pairs": len(pairs),
        "remount_origin": DEFAULT
        if remount.is_default
        else f"{OWN}, from {len(pairs)} unchanged repeats",
    }
    # The words count sessions; only the figures decide whether gains are made again.
    row["made_from"] = fingerprint(
        TRUST_VERSION,
        {k: row[k] for k in ("repeatability_share", "repeatability_dof", "remount_share")},
    )
    standing = store.rows(connection, "SELECT * FROM out.trust").to_dicts()
    if standing != [row]:
        _, gone = outdated(connection, "out.trust", "made_from", {})
        replace(connection, "made_from", gone, {"out.trust": [row]})
    return row


def correction_share(before: dict[str, Any], after: dict[str, Any]) -> float:
    """Return 1 SD of what the correction leaves in the ratio of two sessions.

    Parameters
    ----------
    before, after : dict
        Rows of out.session.

    Returns
    -------
    float
        Standard uncertainty of the ratio of the two factors, relative. [1]
    """
    a, b = (side["reference_factor_sd"] or 0.0 for side in (before, after))
    return math.sqrt(max(a * a + b * b - 2 * INSTRUMENT_CORRELATION * a * b, 0.0))


def _up(share: float) -> float:
    return round(math.ceil(round(share / SHARE_STEP, 6)) * SHARE_STEP, 6)


def _unchanged_pairs(
    connection: duckdb.DuckDBPyConnection, sessions: list[dict[str, Any]]
) -> list[tuple[dict[str, Any], dict[str, Any], float]]:
    """Return successive sessions of a bike between which nothing changed but the mounting."""
    found = []
    for before, after in pairwise(sessions):
        same = all(
            before[name] == after[name] for name in ("bike_id", "build_id", "gear", "dyno", "tyre")
        )
        sound = all(s["is_corrected"] and not s["has_air_doubt"] for s in (before, after))
        if same and sound and before["mounting"] != after["mounting"]:
            found.append((before, after))
    curves = session_curves(connection, [s["stage_id"] for pair in found for s in pair])
    pairs = []
    for before, after in found:
        _, power = on_one_grid([curves[before["stage_id"]], curves[after["stage_id"]]], 1)
        ratio = np.log(power[1] / power[0])
        if np.isfinite(ratio).sum() >= 20:
            pairs.append((before, after, float(np.nanmean(ratio))))
    return pairs


def session_curves(
    connection: duckdb.DuckDBPyConnection, stage_ids: list[str]
) -> dict[str, np.ndarray]:
    """Return session curves.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        Any connection to the warehouse.
    stage_ids : list of str
        Stages.

    Returns
    -------
    dict of str to ndarray
        stage_id → columns engine speed [rpm], power [W], torque [N·m], lean error [%].
    """
    frame = store.rows(
        connection,
        "SELECT stage_id, engine_speed_rpm, power_w, torque_nm, lean_error_pct "
        "FROM out.session_curve WHERE stage_id IN (SELECT unnest(?)) "
        "ORDER BY stage_id, engine_speed_rpm",
        stage_ids,
    )
    return {
        str(key[0]): part.drop("stage_id").to_numpy()
        for key, part in frame.group_by("stage_id", maintain_order=True)
    }
