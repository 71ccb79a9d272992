"""Simulates shops whose bikes have known gains, quotes each next bike, and keeps the score.

`python -m tests.studies.quote_study --shops 400` replays what `out.promise` replays and writes its
table beside this program. Nothing of the demo shop is in it.
"""

from __future__ import annotations

import argparse
import datetime as dt
import math
import sys
from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np

from flows.steps.effects import ASSUMED_DOF
from flows.steps.promises import promises
from tests.result_table import write_beside

MADE = """\
A shop has 3 to 6 models, and 30 to 60 bikes that had one and the same change. What the change gives
differs from model to model by 0.3 to 2.5 %, from bike to bike of a model by 0.7 % (half of shops
between 0.5 and 1.05 %, the furthest 2.5 %). Bikes are measured before and after with 3 + 3 pulls
that scatter by 0.3 to 0.6 %, in each shop four of five remounted or four of five strapped once;
mountings scatter by 0.3 to 1.0 %, days by up to 0.4 %. Of these two the shop has an estimate of 6
to 30 degrees of freedom (learnt), or nothing but a stated default of 0.8 % a mounting; in one kind
of shop that is at least twice what is true, and all bikes are remounted. Shops of one model have
nothing to borrow from.

As measured: the quote of what will be measured, held against what was. As it is: that of the bike's
own gain, held against its true one. Ideal: the width with which the bike's gain could be foretold
if the spread between bikes and all variances were known and nothing were borrowed.
"""
SEED = 20261130
DEFAULT_REMOUNT = 0.008
KINDS = ("learnt", "stated default", "default twice too large", "one model")
BANDS = ((0, 0), (1, 2), (3, 3), (3, 4), (5, 9), (10, 999))


class Shop(NamedTuple):
    """What is true of a shop, and what it knows of its dyno."""

    tau: float
    omega: float
    pull_sd: float
    mounting_sd: float
    day_sd: float
    known_variance: float
    known_dof: float
    remounted_share: float
    models: int


class Kept(NamedTuple):
    """One quote and what came of it."""

    kind: str
    bikes: int
    is_measured_held: bool
    is_true_held: bool
    width: float
    ideal: float


def shop_of(chance: np.random.Generator, kind: str) -> Shop:
    """Return a shop of one kind."""
    mounting, day = chance.uniform(0.003, 0.010), chance.uniform(0.0, 0.004)
    is_too_large = kind == "default twice too large"
    if is_too_large:
        mounting, day = chance.uniform(0.0025, 0.0035), chance.uniform(0.0, 0.002)
    if is_too_large or kind == "stated default":
        known, dof = DEFAULT_REMOUNT**2, ASSUMED_DOF
    else:
        dof = float(chance.integers(6, 31))
        known = (mounting**2 + day**2) * chance.chisquare(dof) / dof
    return Shop(
        tau=min(0.025, 0.007 * math.exp(0.55 * chance.standard_normal())),
        omega=chance.uniform(0.003, 0.025),
        pull_sd=chance.uniform(0.003, 0.006),
        mounting_sd=mounting,
        day_sd=day,
        known_variance=known,
        known_dof=dof,
        remounted_share=1.0 if is_too_large else float(chance.choice([0.2, 0.8])),
        models=1 if kind == "one model" else int(chance.integers(3, 7)),
    )


def gains_of(chance: np.random.Generator, shop: Shop) -> list[dict[str, Any]]:
    """Return the gains of a shop's bikes as the pooling is handed them, with what is true."""
    mean = chance.uniform(-0.01, 0.08)
    models = mean + shop.omega * chance.standard_normal(shop.models)
    popular = chance.dirichlet(np.full(models.size, 1.5))
    day = dt.date(2020, 1, 6)
    rows = []
    for number in range(int(chance.integers(30, 61))):
        day += dt.timedelta(days=int(chance.integers(0, 12)))
        model = int(chance.choice(models.size, p=popular))
        truth = models[model] + shop.tau * chance.standard_normal()
        # Strapped once, before and after are of one mounting and one day.
        is_remounted = chance.random() < shop.remounted_share
        pulls = 2 * shop.pull_sd**2 / 3
        between = 2 * (shop.mounting_sd**2 + shop.day_sd**2) if is_remounted else 0.0
        stated = pulls + (2 * shop.known_variance if is_remounted else 0.0)
        rows.append(
            {
                "gain_id": f"G-{number:03d}",
                "bike_id": f"B-{number:03d}",
                "model_id": f"M-{model}",
                "run_on": day,
                "change_key": "a change",
                "log_mean_gain": truth + math.sqrt(pulls + between) * chance.standard_normal(),
                "log_mean_gain_sd": math.sqrt(stated),
                "variance_dof": shop.known_dof,
                "true": truth,
                "true_variance": pulls + between,
            }
        )
    return rows


def kept_of(rows: list[dict[str, Any]], shop: Shop, kind: str) -> list[Kept]:
    """Quote each next bike of a shop from those before it, and hold it against what came."""
    by_id = {row["gain_id"]: row for row in rows}
    found = []
    for promise in promises(rows, "mean", "mean", by_id):
        row = by_id[promise["gain_id"]]
        lower, upper = (math.log1p(promise[f"next_{end}_pct"] / 100) for end in ("lower", "upper"))
        before = [
            shop.tau**2 + other["true_variance"]
            for other in rows
            if other["run_on"] < row["run_on"] and other["model_id"] == row["model_id"]
        ]
        mean_variance = 1.0 / sum(1.0 / each for each in before) if before else math.nan
        ideal = 2 * 1.959964 * math.sqrt(shop.tau**2 + mean_variance)
        found.append(
            Kept(
                kind,
                promise["bikes"],
                promise["is_held"],
                lower <= row["true"] <= upper,
                upper - lower,
                ideal,
            )
        )
    return found


def replay(shops: int, seed: int = SEED) -> list[Kept]:
    """Simulate shops, as many of each kind, and return the score of every quote."""
    if shops < 1:
        raise ValueError(f"shops must be at least 1, got {shops}")
    chance = np.random.default_rng(seed)
    kept: list[Kept] = []
    for number in range(shops):
        kind = KINDS[number % len(KINDS)]
        shop = shop_of(chance, kind)
        kept += kept_of(gains_of(chance, shop), shop, kind)
    return kept


def _line(kind: str, name: str, group: Sequence[Kept]) -> str:
    measured, true = (
        f"{100 * np.mean([getattr(one, hit) for one in group]):.1f}"
        for hit in ("is_measured_held", "is_true_held")
    )
    ratios = [one.width / one.ideal for one in group if one.bikes]
    ratio = f"{np.median(ratios):.2f}" if ratios else ""
    return f"| {kind} | {name} | {len(group)} | {measured} | {true} | {ratio} |"


def table(kept: Sequence[Kept]) -> str:
    """Return the study's table in markdown."""
    lines = [
        "| shops | bikes of the model before | quotes | held as measured, % | held as it is, % | "
        "width over ideal, median |",
        "| --- | --- | --: | --: | --: | --: |",
    ]
    bands = {
        **{f"{low} to {high}" if high > low else f"{low}": (low, high) for low, high in BANDS},
        "any": (0, BANDS[-1][1]),
    }
    for kind in (*KINDS, "all"):
        for name, (low, high) in bands.items():
            group = [one for one in kept if kind in (one.kind, "all") and low <= one.bikes <= high]
            if group:
                lines.append(_line(kind, name.replace(" to 999", " and more"), group))
    return "\n".join(lines) + "\n"


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the study, print its table and keep it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--shops", type=int, default=400, help="how many shops")
    given = parser.parse_args(arguments)
    if given.shops < 1:
        parser.error(f"--shops must be at least 1, got {given.shops}")
    found = table(replay(given.shops))
    sys.stdout.write(found)
    write_beside(__file__, "The simulation study of quotes", MADE + "\n" + found)


if __name__ == "__main__":
    main()
