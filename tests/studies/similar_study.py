"""The study of similar builds: how well the five most alike foretell what a bike turned out to do.

`python -m tests.studies.similar_study --shops 12 --demo DEMO_SHOP` writes similar_study.md beside
this text. Each bike is left out with all its jobs; what came of the builds most like it is held
against what came of its model's other bikes, and of bikes drawn at random.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import duckdb
import numpy as np

from flows.metrics import alike
from flows.metrics.alike import RELATIVE_SPEED, Features
from flows.steps import alike as step
from tests.result_table import write_beside
from warehouse import store

MADE = """\
Of each stage the five builds of other bikes that are most alike, within ±35 % of displacement, say
by their mean (for the map: by their majority) what to expect. The model's mean is over all other
bikes of the model and generation that did the same, over all bikes where there is none (for the
map: the most common one); at random are five others that did the same. Errors are root mean
squares; for the map, the share foretold wrongly. Invented shops are of this study's own generator:
one bike in ten is restricted, one in twelve is worn, and no card says so; one in twenty runs on
E85.

A row without a term shows what the five most alike foretell when it counts for nothing.

"""
SEED = 20_261_130
"""Any number; fixed, so that the table can be made again."""
NEIGHBOURS = 5
"""As many as the page shows at first."""
AT_RANDOM = 20
"""So many draws of five at random: their error is then known to a few percent."""
WORST, GAIN, MAP = "worst lean error as arrived", "gain of the same change", "map it was given"


class Cases(NamedTuple):
    """What one shop's bikes were and what came of them, for one kind of outcome.

    Attributes
    ----------
    scores: by term, what each build scores against each other; NaN where not judged.
    usable: whether one build's outcome may foretell another's.
    kin: whether it is of the same model and generation, too.
    outcome: numbers, or names of maps.
    """

    scores: Mapping[str, np.ndarray]
    usable: np.ndarray
    kin: np.ndarray
    outcome: np.ndarray


class Case(NamedTuple):
    """One build, whose it is, what else must be the same, and what came of it."""

    features: Features
    bike: str
    alike_in: str
    outcome: float | str


# The generator: models, bikes, and what is done to them.

RECIPES = {
    "silencer": (("silencer", "Halm", "S1"),),
    "full": (("full exhaust", "Brenn", "B2"),),
    "full plus": (("full exhaust", "Brenn", "B2"), ("airbox", "Velt", "open")),
    "filter": (("air filter", "Velt", "F3"),),
}
GAIN_PCT = {"silencer": 1.0, "full exhaust": 3.5, "airbox": 3.0, "air filter": 0.8}
LEANS_BY_PCT = {"silencer": 0.7, "full exhaust": 2.5, "airbox": 4.0, "air filter": 1.0}
RESTRICTED, WORN = 0.10, 0.08
ON_ETHANOL = 0.05
"""Bikes that run on E85, which a map for petrol leaves far too lean."""
ETHANOL_LEANS_BY_PCT = 14.0
GAIN_SD_PCT = 0.7
"""Scatter of a measured gain: pulls and remounting."""


class Model(NamedTuple):
    """What the bikes of one invented model have in common."""

    key: tuple[str, str]
    generation: tuple[int, int]
    displacement_cc: float
    kw_per_litre: float
    peak_rpm: float
    bump: float
    lean_pct: float
    leaner_up_pct: float
    answers: Mapping[str, float]


def invented_models(draw: np.random.Generator) -> list[Model]:
    """Return six models, four of them in two generations that differ a little."""
    models = []
    # What parts give goes by the kind of engine as well, so that kin of other models can help.
    of_kind = {(n, part): draw.normal(0.0, 0.25) for n in range(1, 5) for part in GAIN_PCT}
    for place in range(6):
        size = float(draw.choice([390.0, 650.0, 690.0, 850.0, 1000.0, 1200.0]))
        lean, up = draw.normal(4.0, 2.5), draw.normal(0.0, 3.0)
        level, peak = draw.uniform(65.0, 125.0), draw.uniform(7000.0, 11500.0)
        bump, cylinders = draw.normal(0.0, 0.08), int(draw.integers(1, 5))
        answers = {
            part: float(np.exp(of_kind[cylinders, part] + draw.normal(0.0, 0.25)))
            for part in GAIN_PCT
        }
        models += [
            Model(
                (f"Make {place % 3}", f"Model {place}"),
                (2012 + 4 * generation, 2015 + 4 * generation),
                size,
                level * (1.0 + 0.06 * generation),
                peak + 300.0 * generation,
                bump + 0.02 * draw.normal(),
                lean + generation * draw.normal(1.0, 1.5),
                up + generation * draw.normal(0.0, 1.0),
                answers,
            )
            for generation in range(1 + (place < 4))
        ]
    return models


class Bike:
    """One bike: what it is, what of that nobody wrote down, and what it does on a build."""

    def __init__(self, draw: np.random.Generator, name: str, model: Model) -> None:
        self.name, self.model, self._draw = name, model, draw
        state = draw.random()
        self.is_restricted, is_worn = state < RESTRICTED, RESTRICTED <= state < RESTRICTED + WORN
        self._level = np.exp(draw.normal(0.0, 0.02)) * (0.85 if is_worn else 1.0)
        self.is_on_ethanol = draw.random() < ON_ETHANOL
        self._lean_pct = draw.normal(0.0, 1.5) + (2.0 if is_worn else 0.0)
        self._lean_pct += ETHANOL_LEANS_BY_PCT if self.is_on_ethanol else 0.0

    def lean_pct(self, parts: Sequence[tuple[str, str, str]], mapped: float) -> np.ndarray:
        """Return the lean error by relative speed; `mapped` is the share that the map mends."""
        by_parts = sum(LEANS_BY_PCT[part[0]] for part in parts)
        own = self.model.lean_pct + self.model.leaner_up_pct * (RELATIVE_SPEED - 0.7)
        own = own + by_parts * (1.0 + 0.5 * np.sin(6.0 * RELATIVE_SPEED)) + self._lean_pct
        return own * (1.0 - mapped) * (0.4 if self.is_restricted else 1.0)

    def part_gain_pct(self, parts: Iterable[tuple[str, str, str]]) -> float:
        """Return what parts give: next to nothing behind a restrictor."""
        given = sum(GAIN_PCT[part[0]] * self.model.answers[part[0]] for part in parts)
        return given * (0.15 if self.is_restricted else 1.0)

    def features(
        self, parts: tuple[tuple[str, str, str], ...], map_name: str, revision: int | None
    ) -> Features:
        """Return what the shop knows of it on a build."""
        model, draw = self.model, self._draw
        lean = self.lean_pct(parts, 0.0 if map_name == "stock" else 0.85)
        lean = lean + draw.normal(0.0, 0.5, lean.size)
        torque = 1.0 + model.bump * np.sin(9.0 * RELATIVE_SPEED) - 0.3 * (RELATIVE_SPEED - 0.8) ** 2
        if self.is_restricted:
            torque = torque * np.clip(1.6 - RELATIVE_SPEED, 0.5, 1.0)
        torque = torque * (1.0 + draw.normal(0.0, 0.008, torque.size))
        gained = 1.0 + self.part_gain_pct(parts) / 100.0
        level = self._level * (0.6 if self.is_restricted else 1.0) * gained
        power = 1000.0 * model.kw_per_litre * model.displacement_cc / 1000.0 * level
        peak_rpm = model.peak_rpm * (0.85 if self.is_restricted else 1.0)
        return Features(
            model_key=model.key,
            generation=model.generation,
            displacement_cc=model.displacement_cc,
            parts=parts,
            map_name=map_name,
            map_revision=revision,
            ethanol_share=0.85 if self.is_on_ethanol else 0.05,
            torque_shape=torque / torque.mean(),
            mixture_shape=lean,
            peak_power_w=power,
            peak_power_speed_rpm=peak_rpm,
            peak_torque_nm=power / (peak_rpm * np.pi / 30.0) * 1.12,
            worst_lean_error_pct=float(lean.max()),
        )


def invented_cases(seed: int, bikes: int = 120) -> dict[str, list[Case]]:
    """Return the cases of one invented shop, by kind of outcome."""
    draw = np.random.default_rng([SEED, seed])
    models = invented_models(draw)
    shares = draw.dirichlet(np.full(len(models), 2.0))
    found: dict[str, list[Case]] = {WORST: [], GAIN: [], MAP: []}
    for number in range(bikes):
        bike = Bike(draw, f"B-{number}", models[draw.choice(len(models), p=shares)])
        recipe = str(draw.choice(list(RECIPES)))
        parts, arrived = RECIPES[recipe], draw.random() < 0.3
        first = bike.features(parts if arrived else (), "stock", None)
        assert first.worst_lean_error_pct is not None
        found[WORST].append(Case(first, bike.name, "", first.worst_lean_error_pct))
        if not arrived:
            gain = bike.part_gain_pct(parts) + draw.normal(0.0, GAIN_SD_PCT)
            found[GAIN].append(Case(first, bike.name, recipe, gain))
        before = bike.features(parts, "stock", None)
        mended = np.mean(np.square(bike.lean_pct(parts, 0.0) / 10.0)) * 3.0
        name = f"{bike.model.key[1]} {'learner' if bike.is_restricted else recipe}"
        name += " ethanol" if bike.is_on_ethanol else ""
        found[MAP].append(Case(before, bike.name, "", name))
        gain = float(mended) + draw.normal(0.0, GAIN_SD_PCT)
        found[GAIN].append(Case(before, bike.name, "remap", gain))
    return found


def demo_cases(connection: duckdb.DuckDBPyConnection) -> dict[str, list[Case]]:
    """Return the cases of a shop that was derived."""
    builds = step._Builds(connection)
    builds.see(list(builds.place))
    features = {stage: builds._features[place] for stage, place in builds.place.items()}
    stages = store.rows(
        connection,
        "SELECT stage_id, bike_id FROM out.stage WHERE NOT is_control "
        "QUALIFY row_number() OVER (PARTITION BY job_id ORDER BY stage_no) = 1 ORDER BY stage_id",
    )
    gains = store.rows(
        connection,
        "SELECT before_stage_id, gain.bike_id, change_key, mean_gain_pct, change_kind, map_name "
        "FROM out.gain AS gain JOIN out.stage AS after ON gain.after_stage_id = after.stage_id "
        "WHERE basis = 'previous stage' AND mean_gain_pct IS NOT NULL ORDER BY gain_id",
    )
    first = [(features[row["stage_id"]], row) for row in stages.iter_rows(named=True)]
    return {
        WORST: [
            Case(build, row["bike_id"], "", build.worst_lean_error_pct)
            for build, row in first
            if build.worst_lean_error_pct is not None
        ],
        GAIN: [
            Case(features[stage], bike, change, gain)
            for stage, bike, change, gain, _, _ in gains.iter_rows()
            if stage in features
        ],
        MAP: [
            Case(features[stage], bike, "", map_name)
            for stage, bike, _, _, kind, map_name in gains.iter_rows()
            if stage in features and kind.startswith("map")
        ],
    }


# What foretells what.


def laid_out(kind: str, cases: Sequence[Case]) -> Cases:
    """Return cases with every build held against every other."""
    builds = [case.features for case in cases]
    if kind == WORST:
        # What is to be foretold must not be known.
        builds = [replace(build, mixture_shape=None) for build in builds]
    pool = alike.population(builds)
    rows = [alike.similarity(build, pool).scores for build in builds]
    terms = sorted({term for row in rows for term in row})
    unknown = np.full(len(builds), np.nan)
    scores = {term: np.array([row.get(term, unknown) for row in rows]) for term in terms}
    size = pool.displacement_cc
    others = np.array([case.bike for case in cases])[:, None] != [case.bike for case in cases]
    same = np.array([case.alike_in for case in cases])[:, None] == [case.alike_in for case in cases]
    near = np.abs(size[None, :] / size[:, None] - 1.0) <= step.DISPLACEMENT_SHARE
    whose = [f"{build.model_key} {build.generation}" for build in builds]
    kin = np.array(whose)[:, None] == whose
    usable = others & same & near
    return Cases(scores, usable, usable & kin, np.array([case.outcome for case in cases]))


def agreeing(cases: Cases, weights: Mapping[str, float]) -> np.ndarray:
    """Return the share of the weight that agrees, for each build against each other."""
    agreed, whole = (np.zeros(cases.usable.shape) for _ in range(2))
    for term, score in cases.scores.items():
        is_part = term.startswith("part: ")
        weight = weights["parts" if is_part else term]
        agreed += weight * np.nan_to_num(score)
        whole += weight * (np.isfinite(score) if is_part else 1.0)
    return agreed / np.maximum(whole, 1e-12)


def said_by(outcomes: np.ndarray) -> float | str:
    """Return what some outcomes foretell: their mean, or the name most of them bear."""
    if outcomes.dtype.kind in "US":
        return Counter(outcomes.tolist()).most_common(1)[0][0]
    return float(outcomes.mean())


def error(cases: Cases, choose: Callable[[int], np.ndarray | None]) -> tuple[float, int]:
    """Return the summed (squared) error of what chosen others foretell, and of how many."""
    summed, count = 0.0, 0
    for place in np.flatnonzero(cases.usable.any(axis=1)):
        chosen = choose(int(place))
        told, was = said_by(cases.outcome[chosen]), cases.outcome[place]
        summed += float(told != was) if isinstance(told, str) else (told - float(was)) ** 2
        count += 1
    return summed, count


def by_neighbours(shops: Sequence[Cases], weights: Mapping[str, float]) -> float:
    """Return the error of what the most alike foretell."""
    told = []
    for cases in shops:
        nearness = np.where(cases.usable, agreeing(cases, weights), -1.0)
        order = np.argsort(-nearness, axis=1, kind="stable")[:, :NEIGHBOURS]
        told.append(error(cases, lambda at, o=order, c=cases: o[at][c.usable[at, o[at]]]))
    return _whole(shops, told)


def by_model(shops: Sequence[Cases]) -> float:
    """Return the error of what the model's others foretell."""

    def choose(cases: Cases, at: int) -> np.ndarray:
        kin = cases.kin if cases.kin[at].any() else cases.usable
        return np.flatnonzero(kin[at])

    return _whole(shops, [error(cases, lambda at, c=cases: choose(c, at)) for cases in shops])


def at_random(shops: Sequence[Cases]) -> float:
    """Return the error of what others drawn at random foretell."""
    draw = np.random.default_rng(SEED)

    def choose(cases: Cases, at: int) -> np.ndarray:
        others = np.flatnonzero(cases.usable[at])
        return draw.choice(others, min(NEIGHBOURS, others.size), replace=False)

    told = [
        error(cases, lambda at, c=cases: choose(c, at)) for cases in shops for _ in range(AT_RANDOM)
    ]
    return _whole(shops, told)


def _whole(shops: Sequence[Cases], told: Sequence[tuple[float, int]]) -> float:
    mean = sum(summed for summed, _ in told) / max(sum(count for _, count in told), 1)
    return mean if shops[0].outcome.dtype.kind in "US" else float(np.sqrt(mean))


Laid = Mapping[str, Sequence[Cases]]


def lay_out(shops: Iterable[Mapping[str, Sequence[Case]]]) -> Laid:
    """Return the cases of some shops by kind of outcome, laid out."""
    every = list(shops)
    return {kind: [laid_out(kind, cases[kind]) for cases in every] for kind in (WORST, GAIN, MAP)}


def without(term: str) -> dict[str, float]:
    """Return the weights with one that counts for nothing."""
    return {**alike.WEIGHTS, term: 0.0}


def table(named: Mapping[str, Laid]) -> str:
    """Return the errors of each way of foretelling, in markdown."""
    columns = [(shop, kind) for shop in named for kind in (WORST, GAIN, MAP)]
    head = [f"{kind}, {shop}" for shop, kind in columns]
    rows = [f"| | {' | '.join(head)} |", "|---|" + "--:|" * len(head)]
    ways: list[tuple[str, Callable[[Sequence[Cases]], float]]] = [
        ("five most alike", lambda shops: by_neighbours(shops, alike.WEIGHTS)),
        ("the model's mean", by_model),
        ("five at random", at_random),
    ]
    ways += [
        (f"most alike, without {term}", lambda shops, t=term: by_neighbours(shops, without(t)))
        for term in alike.WEIGHTS
    ]
    for name, way in ways:
        found = [way(named[shop][kind]) for shop, kind in columns]
        cells = [
            f"{100 * value:.0f} %" if kind == MAP else f"{value:.2f}"
            for value, (_, kind) in zip(found, columns, strict=True)
        ]
        rows.append(f"| {name} | {' | '.join(cells)} |")
    return "\n".join(rows)


def main(arguments: list[str] | None = None) -> int:
    """Write the table of the study."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--shops", type=int, default=12)
    parser.add_argument("--demo", type=Path)
    options = parser.parse_args(arguments)
    named = {"invented": lay_out(invented_cases(seed) for seed in range(options.shops))}
    if options.demo is not None:
        with duckdb.connect(options.demo / "warehouse" / "shop.duckdb", read_only=True) as shop:
            named["demo"] = lay_out([demo_cases(shop)])
    command = f"python -m tests.studies.similar_study --shops {options.shops} --demo DEMO_SHOP"
    write_beside(__file__, "The study of similar builds", MADE + table(named), command)
    return 0


if __name__ == "__main__":
    sys.exit(main())
