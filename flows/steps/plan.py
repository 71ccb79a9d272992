"""Plans: what a number of pulls could see, by how well the shop's dyno repeats itself."""

from __future__ import annotations

import math
from itertools import accumulate
from statistics import median, stdev
from typing import Any, NamedTuple

import duckdb

from flows.metrics import planner
from flows.steps.engine import Given, Inputs, Records, Step, whole
from flows.steps.gains import slope_of
from flows.steps.refresh import fingerprint
from flows.steps.trust import correction_share, mounting_and_day, rounded_up, trust_of
from warehouse import store

MOST_PULLS = 10
"""Of one session: further ones are run on a heat-soaked engine. Common practice, no source."""
USUAL_AIR_SD = 0.025
"""1 SD of ln air density from day to day, until the shop has two sessions: about 7 K."""


class Handling(NamedTuple):
    """How a bike is handled between the sessions of a plan."""

    is_strapped_once: bool
    is_one_day: bool
    is_rested: bool


HANDLINGS = {
    "strapped once, at once": Handling(True, True, False),
    "strapped once, rested": Handling(True, True, True),
    "taken off between": Handling(False, True, True),
    "on another day": Handling(False, False, True),
}


def _inputs(connection: duckdb.DuckDBPyConnection, _: Given) -> Inputs:
    sessions = store.rows(
        connection,
        "SELECT pulls_used, drift_pct_per_pull, is_corrected, reference_factor_sd, "
        "air_density_kg_m3 FROM out.session ORDER BY stage_id",
    ).to_dicts()
    corrected = [s for s in sessions if s["is_corrected"] and s["reference_factor_sd"] is not None]
    usual_sd = [s["reference_factor_sd"] for s in corrected]
    side = {"reference_factor_sd": median(usual_sd) if usual_sd else 0.0}
    airs = [math.log(s["air_density_kg_m3"]) for s in corrected if s["air_density_kg_m3"]]
    air_sd = stdev(airs) if len(airs) > 1 else USUAL_AIR_SD
    trust = trust_of(connection)
    known = {name: trust[name] for name in ("repeatability_share", "repeatability_dof")}
    # Rounded as the trust is: a new session then rarely moves every plan.
    known["correction_share"] = rounded_up(correction_share(side, side))
    known["slope_share"] = slope_of(sessions, trust).sd
    form_share = rounded_up(trust["air_exponent_share"] * math.sqrt(2.0) * air_sd)
    one_day, other_day = (known | mounting_and_day(trust, is_one_day=one) for one in (True, False))
    # Within a day airs are alike enough for any form of the correction.
    other_day["correction_share"] = math.hypot(known["correction_share"], form_share)
    return whole(fingerprint(one_day, other_day), lambda: (one_day, other_day))


def _make(_: Given, payloads: list[tuple[dict[str, float], dict[str, float]]]) -> Records:
    one_day, other_day = (planner.ShopScatter(**known) for known in payloads[0])
    rows: list[dict[str, Any]] = []
    for is_put_back in (False, True):
        for handling, how in HANDLINGS.items():
            # Of a bike that is put back, a steady trend falls out: a rest gives nothing.
            if is_put_back and how.is_strapped_once and how.is_rested:
                continue
            plans = [
                planner.planned(
                    pulls,
                    one_day if how.is_one_day else other_day,
                    is_put_back=is_put_back,
                    **how._asdict(),
                )
                for pulls in range(1, MOST_PULLS + 1)
            ]
            # Where mounting is all, Satterthwaite's t grows as the pulls drop out; pulls that would
            # not help need not be run, and so neither endless ones.
            seen = list(accumulate((planner.detectable_pct(plan) for plan in plans), min))
            floor_pct = min(planner.floor_pct(plans[0]), seen[-1])
            rows += [
                {
                    "is_put_back": is_put_back,
                    "handling": handling,
                    "pulls": pulls,
                    "smallest_detectable_pct": seen_pct,
                    "floor_pct": floor_pct,
                }
                for pulls, seen_pct in enumerate(seen, 1)
            ]
    return {"out.plan": rows}


PLANS = Step(
    name="plan comparisons",
    doing="planning comparisons",
    version=3,
    tables=("out.plan",),
    reads=("out.session", "out.trust", "out.remount_region"),
    inputs=_inputs,
    make=_make,
)
