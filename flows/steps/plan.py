"""Plans: what a number of pulls could see, by how well the shop's dyno repeats itself."""

from __future__ import annotations

import math
from statistics import median
from typing import Any

import duckdb

from flows.metrics import planner
from flows.steps.refresh import fingerprint, outdated, replace
from flows.steps.trust import correction_share, rounded_up
from warehouse import store

PLAN_VERSION = 1
"""Raise it when this step changes what it gives for the same trust."""

MOST_PULLS = 10
"""Of one session: further ones are run on a heat-soaked engine. Common practice, no source."""


def derive_plans(connection: duckdb.DuckDBPyConnection, trust: dict[str, Any]) -> int:
    """Make the rows of out.plan when the trust or the usual air uncertainty changed."""
    usual_sd = store.rows(
        connection,
        "SELECT reference_factor_sd FROM out.session "
        "WHERE is_corrected AND reference_factor_sd IS NOT NULL",
    )["reference_factor_sd"].to_list()
    side = {"reference_factor_sd": median(usual_sd) if usual_sd else 0.0}
    known = {
        "repeatability_share": trust["repeatability_share"],
        "repeatability_dof": trust["repeatability_dof"],
        "remount_share": trust["remount_share"],
        "remount_dof": trust["remount_dof"],
        # Rounded as the trust is: a new session then rarely moves every plan.
        "correction_share": rounded_up(correction_share(side, side)),
    }
    made_from = fingerprint(PLAN_VERSION, known)
    to_make, gone = outdated(connection, "out.plan", "made_from", {made_from: made_from})
    if not to_make:
        return 0
    rows = []
    for is_put_back in (False, True):
        for is_strapped_once in (True, False):
            seen_pct = math.inf
            for pulls in range(1, MOST_PULLS + 1):
                plan = planner.planned(
                    pulls,
                    planner.ShopScatter(**known),
                    is_put_back=is_put_back,
                    is_strapped_once=is_strapped_once,
                )
                # Where mounting is all, Satterthwaite's t grows as the pulls drop out; pulls that
                # would not help need not be run.
                seen_pct = min(seen_pct, planner.detectable_pct(plan))
                rows.append(
                    {
                        "is_put_back": is_put_back,
                        "is_strapped_once": is_strapped_once,
                        "pulls": pulls,
                        "smallest_detectable_pct": seen_pct,
                        "floor_pct": planner.floor_pct(plan),
                        "made_from": made_from,
                    }
                )
    replace(connection, "made_from", gone, {"out.plan": rows})
    return len(rows)
