"""Plans: what a number of pulls could see, by how well the shop's dyno repeats itself."""

from __future__ import annotations

import math
from statistics import median
from typing import Any

import duckdb

from flows.metrics import planner
from flows.steps.engine import Given, Inputs, Records, Step, whole
from flows.steps.refresh import fingerprint
from flows.steps.trust import correction_share, rounded_up, trust_of
from warehouse import store

MOST_PULLS = 10
"""Of one session: further ones are run on a heat-soaked engine. Common practice, no source."""


def _inputs(connection: duckdb.DuckDBPyConnection, _: Given) -> Inputs:
    usual_sd = store.rows(
        connection,
        "SELECT reference_factor_sd FROM out.session "
        "WHERE is_corrected AND reference_factor_sd IS NOT NULL",
    )["reference_factor_sd"].to_list()
    side = {"reference_factor_sd": median(usual_sd) if usual_sd else 0.0}
    trust = trust_of(connection)
    shares = ("repeatability_share", "repeatability_dof", "remount_share", "remount_dof")
    known = {name: trust[name] for name in shares}
    # Rounded as the trust is: a new session then rarely moves every plan.
    known["correction_share"] = rounded_up(correction_share(side, side))
    return whole(fingerprint(known), lambda: known)


def _make(_: Given, payloads: list[dict[str, float]]) -> Records:
    (known,) = payloads
    rows: list[dict[str, Any]] = []
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
                    }
                )
    return {"out.plan": rows}


PLANS = Step(
    name="plan comparisons",
    doing="planning comparisons",
    version=1,
    tables=("out.plan",),
    reads=("out.session", "out.trust", "out.remount_region"),
    inputs=_inputs,
    make=_make,
)
