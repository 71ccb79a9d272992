"""How alike two builds are, term by term, and in words: a distance over mixed kinds of facts."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flows.metrics.domain_checks import require
from flows.metrics.notes import Note, note

FloatArray = NDArray[np.float64]

RELATIVE_SPEED = np.round(np.arange(0.40, 1.051, 0.05), 2)
"""Engine speed over the speed at peak power, on which shapes are compared. [1]"""

WEIGHTS: Mapping[str, float] = {
    "model": 1.0,
    "power level": 1.0,
    "parts": 1.0,
    "map": 1.0,
    "fuel": 3.0,
    "torque shape": 0.5,
    "mixture shape": 2.0,
}
"""What each term counts for; each part category that either build has is a term of weight `parts`.
Round figures near where the most alike foretell best what came of a bike: its gain, its map, how
lean it arrived (tests/studies/similar_study.md). Displacement and cylinders did not help there."""

SAME_MODEL_OTHER_GENERATION = 0.6
OTHER_PART_OF_THE_CATEGORY = 0.6
OTHER_REVISION_OF_THE_MAP = 0.7
OTHER_MAP_OF_THE_SHOP = 0.3
"""Partial credits: what carries over between relatives, by the trade's judgement, no source."""

LARGEST_ETHANOL_DIFFERENCE = 0.85
"""Petrol without ethanol against E85. [1]"""

LARGEST_TORQUE_DIFFERENCE = 0.25
"""Root-mean-square difference of scaled torque at which two shapes have nothing in common. [1]"""

LARGEST_MIXTURE_DIFFERENCE_PCT = 15.0
"""The same for lean errors: the distance from on target to stop. [%]"""

SOUND_LEVEL_DIFFERENCE = 0.05
"""Difference of ln power or torque per litre that two sound bikes of a model may have: each strays
by 1 SD of 2 %, common practice, no source. It says nothing of what they are. [1]"""

LARGEST_LEVEL_DIFFERENCE = 0.25
"""The difference at which two engines have nothing in common. [1]"""

ALIKE_SCORE = 0.8
"""Shapes that score so are said to match: torque within 5 %, mixture within 3 points."""

LEAN_ERRORS_APART_PCT = 3.0
"""Worst lean errors this far apart are said to differ: half way from lean to stop. [%]"""

PEAK_SPEEDS_APART_SHARE = 0.05
"""Speeds of peak power this far apart are said to differ: one step of `RELATIVE_SPEED`. [1]"""

LEAST_COMMON_POINTS = 5
"""Points both curves must have: a quarter of the riding range says something of the shape."""

_NO_CATEGORY = "other"
_STOCK = "stock"


@dataclass(frozen=True, eq=False)
class Features:
    """What is known of a build. None, NaN or an empty text means "not known".

    Attributes
    ----------
    model_key : tuple of str. Make and model.
    generation : tuple of int. First and last model year.
    displacement_cc : float. Displacement. [cm^3]
    parts : tuple of (str, str, str). Category, maker and name of each part fitted.
    map_name : str. "stock" or the shop's name of the map.
    map_revision : int or None. Revision of a shop map.
    ethanol_share : float. Ethanol in the fuel by volume. [1]
    torque_shape, mixture_shape : ndarray or None. From `torque_shape` and `mixture_shape`.
    peak_power_w : float. Peak power as run on this build. [W]
    peak_power_speed_rpm : float. Where it is. [rpm]
    peak_torque_nm : float. Peak torque. [N*m]
    worst_lean_error_pct : float. Leanest place of the full-throttle mixture. [%]
    """

    model_key: tuple[str, str] | None = None
    generation: tuple[int, int] | None = None
    displacement_cc: float | None = None
    parts: tuple[tuple[str, str, str], ...] = ()
    map_name: str | None = None
    map_revision: int | None = None
    ethanol_share: float | None = None
    torque_shape: FloatArray | None = None
    mixture_shape: FloatArray | None = None
    peak_power_w: float | None = None
    peak_power_speed_rpm: float | None = None
    peak_torque_nm: float | None = None
    worst_lean_error_pct: float | None = None


class Likeness(NamedTuple):
    """How alike one candidate is.

    Attributes
    ----------
    similarity : float. 0 to 1; NaN if the two have no known fact in common. [1]
    known : float. Share of the weight that is known of both. [1]
    scores : dict of str to float
        0 to 1 for each term that could be judged, by name; parts as "part: " and category.
    """

    similarity: float
    known: float
    scores: dict[str, float]


@dataclass(frozen=True, eq=False)
class Similarities:
    """How alike each candidate is: arrays, which read as one `Likeness` after another.

    Attributes
    ----------
    similarity : ndarray. Of what is known of both, one for each candidate, in order. [1]
    known : ndarray. Share of the weight that is known of both. [1]
    scores : dict of str to ndarray. One array for each term; NaN where it could not be judged. [1]
    """

    similarity: FloatArray
    known: FloatArray
    scores: dict[str, FloatArray]

    @property
    def agreeing(self) -> FloatArray:
        """Share of all weight that is known to agree [1]; what is not known agrees in nothing."""
        return self.similarity * self.known

    def __len__(self) -> int:
        """Return the number of candidates."""
        return self.similarity.size

    def __getitem__(self, place: int) -> Likeness:
        """Return the likeness of one candidate."""
        known = {term: float(score[place]) for term, score in self.scores.items()}
        return Likeness(
            float(self.similarity[place]),
            float(self.known[place]),
            {term: score for term, score in known.items() if not math.isnan(score)},
        )


@dataclass(frozen=True, eq=False)
class Population:
    """Builds laid out as arrays, so that one target meets thousands at once."""

    _columns: dict[str, NDArray[Any]]
    _codes: dict[str, dict[Hashable, int]]

    def __len__(self) -> int:
        """Return the number of builds."""
        return len(self._columns["map"])

    @property
    def displacement_cc(self) -> FloatArray:
        """Displacement of each build [cm^3]; NaN where not known."""
        return self._columns["displacement_cc"]

    def take(self, places: NDArray[np.int64]) -> Population:
        """Return some of the builds, in the order of their places."""
        columns = {name: column[places] for name, column in self._columns.items()}
        return Population(columns, self._codes)

    def see_levels(self, power_w: FloatArray, torque_nm: FloatArray) -> None:
        """Add the peaks of builds that were laid out without them; NaN where not known."""
        self._columns["level"] = _levels(power_w, torque_nm, self.displacement_cc)

    def see_shapes(self, place: int, torque: FloatArray | None, mixture: FloatArray | None) -> None:
        """Add the shapes of a build that was laid out without them."""
        for name, shape in (("torque_shape", torque), ("mixture_shape", mixture)):
            self._columns[name][place] = np.nan if shape is None else shape


def torque_shape(
    grid_rpm: ArrayLike, torque_nm: ArrayLike, speed_at_peak_power_rpm: float
) -> FloatArray:
    r"""Return the shape of a torque curve, free of its size and of the engine's speed.

    Parameters
    ----------
    grid_rpm : array_like. Engine speeds, ascending. [rpm]
    torque_nm : array_like. Torque; NaN where it was not seen. [N*m]
    speed_at_peak_power_rpm : float. Engine speed at peak power. [rpm]

    Returns
    -------
    ndarray. Torque over its mean at each `RELATIVE_SPEED`; NaN where it was not seen. [1]

    Raises
    ------
    ValueError. If the lengths differ, the grid does not ascend, or the speed is not above 0.

    Notes
    -----
    .. math:: t(\rho) = T(\rho\, r_p) / \overline{T}, \qquad \rho = 0.40, 0.45 \dots 1.05

    so that a large engine and a small one of like character have one shape.

    Examples
    --------
    >>> torque_shape([4000.0, 10000.0], [50.0, 80.0], 10000.0).round(2)[[0, 12]]
    array([0.77, 1.23])
    """
    shape = _on_relative_speed("torque_nm", grid_rpm, torque_nm, speed_at_peak_power_rpm)
    seen = np.isfinite(shape)
    return shape / shape[seen].mean() if seen.any() else shape


def mixture_shape(
    grid_rpm: ArrayLike, lean_error_pct: ArrayLike, speed_at_peak_power_rpm: float
) -> FloatArray:
    """Return the lean error on relative engine speed.

    Parameters
    ----------
    grid_rpm : array_like. Engine speeds, ascending. [rpm]
    lean_error_pct : array_like. Lean error; NaN where it was not seen. [%]
    speed_at_peak_power_rpm : float. Engine speed at peak power. [rpm]

    Returns
    -------
    ndarray. Lean error at each `RELATIVE_SPEED`; NaN where it was not seen. [%]

    Raises
    ------
    ValueError. If the lengths differ, the grid does not ascend, or the speed is not above 0.

    Examples
    --------
    >>> float(mixture_shape([4000.0, 8000.0], [0.0, 10.0], 8000.0)[2])
    0.0
    """
    return _on_relative_speed("lean_error_pct", grid_rpm, lean_error_pct, speed_at_peak_power_rpm)


def population(builds: Sequence[Features]) -> Population:
    """Return builds laid out for many calls of `similarity`.

    Parameters
    ----------
    builds : sequence of Features. The candidates.

    Returns
    -------
    Population. The same builds, as arrays.

    Examples
    --------
    >>> len(population([Features(), Features()]))
    2
    """
    columns: dict[str, NDArray[Any]] = {}
    codes: dict[str, dict[Hashable, int]] = {}
    for name, facts in (
        ("make and model", [build.model_key for build in builds]),
        ("generation", [build.generation for build in builds]),
        ("map", [build.map_name or None for build in builds]),
        ("revision", [build.map_revision for build in builds]),
    ):
        columns[name], codes[name] = _coded(facts)
    for category in sorted({part[0] for build in builds for part in build.parts}):
        name = f"part: {category}"
        columns[name], codes[name] = _coded([_parts_of(build, category) for build in builds])
    for name in ("displacement_cc", "ethanol_share"):
        columns[name] = _numbers(builds, name)
    columns["level"] = _levels(
        *(_numbers(builds, name) for name in ("peak_power_w", "peak_torque_nm", "displacement_cc"))
    )
    for name in ("torque_shape", "mixture_shape"):
        rows = [getattr(build, name) for build in builds]
        unseen = np.full(RELATIVE_SPEED.shape, np.nan)
        columns[name] = np.array(
            [unseen if row is None else row for row in rows], dtype=float
        ).reshape(-1, RELATIVE_SPEED.size)
    return Population(columns, codes)


def similarity(target: Features, candidates: Sequence[Features] | Population) -> Similarities:
    r"""Return how alike each candidate is to a target, term by term.

    Parameters
    ----------
    target : Features. The build asked about.
    candidates : sequence of Features, or Population
        The builds to compare it with; a `Population` where many targets meet the same builds.

    Returns
    -------
    Similarities. Similarity and scores of each candidate, in order.

    Notes
    -----
    Gower's coefficient [1]_

    .. math:: S = \frac{\sum_k w_k\, s_k}{\sum_k w_k}

    over the terms known of both. Level: the greater difference d of ln peak power and ln peak
    torque, each per displacement, 1 up to 0.05 and 0 from 0.25 on. Model: 1, or 0.6 for another
    generation of it, times the level's score where that is known: a name does not outvote what was
    measured. Each part category: 1 for the same part, 0.6 for another part of it ("other" is no
    category: 0), 0 if one has none, no term if neither has. Map: 1 for the same map and revision
    or both stock, 0.7 for another revision, 0.3 for two shop maps, 0 for stock against a shop map.
    Fuel: 1 - d/0.85 of the ethanol. Shapes: root-mean-square difference d over the points seen in
    both, :math:`\max(0, 1 - d/0.25)` for torque, each scaled to its mean there, and
    :math:`\max(0, 1 - d/15)` for the lean error in points.

    Partial credits are judgement, no source; the weights are held to what came of builds. A
    candidate of which little is known can be very similar in that little, so what is shown and
    ranked by is `Similarities.agreeing`.

    Examples
    --------
    >>> ours = Features(model_key=("Corvane", "Strada 690"), generation=(2016, 2019))
    >>> theirs = Features(model_key=("Corvane", "Strada 690"), generation=(2020, 2023))
    >>> similarity(ours, [ours, theirs]).similarity
    array([1. , 0.6])

    References
    ----------
    .. [1] J. C. Gower, "A general coefficient of similarity and some of its properties,"
       Biometrics, vol. 27, pp. 857-871, 1971.
    """
    pool = candidates if isinstance(candidates, Population) else population(candidates)
    facts, level = _fact_scores(target, pool), _level_scores(target, pool)
    scores = facts | {
        "model": facts["model"] * np.nan_to_num(level, nan=1.0),
        "power level": level,
        "torque shape": _shape_scores(
            target.torque_shape,
            pool._columns["torque_shape"],
            LARGEST_TORQUE_DIFFERENCE,
            scaled=True,
        ),
        "mixture shape": _shape_scores(
            target.mixture_shape,
            pool._columns["mixture_shape"],
            LARGEST_MIXTURE_DIFFERENCE_PCT,
            scaled=False,
        ),
    }
    agreed, known, whole = _weights(scores)
    nothing = np.full(known.shape, np.nan)
    return Similarities(
        np.divide(agreed, known, out=nothing, where=known > 0.0), known / whole, scores
    )


def highest_similarity(target: Features, candidates: Population) -> FloatArray:
    """Return the most that can be known to agree of each candidate, whatever the curves.

    Parameters
    ----------
    target : Features. The build asked about.
    candidates : Population. The builds to compare it with.

    Returns
    -------
    ndarray. At least what `similarity` finds to be agreeing. [1]

    Notes
    -----
    What the target has of level and shapes counts as wholly alike, which nothing else can better;
    what it has not agrees with nothing.

    Examples
    --------
    >>> ours = Features(model_key=("Corvane", "Strada 690"), generation=(2016, 2019))
    >>> theirs = Features(model_key=("Corvane", "Strada 690"), generation=(2020, 2023))
    >>> highest_similarity(ours, population([theirs]))
    array([0.07058824])
    """
    has = {
        "power level": np.isfinite(_levels_of(target)).any(),
        "torque shape": target.torque_shape is not None,
        "mixture shape": target.mixture_shape is not None,
    }
    best = {term: np.full(len(candidates), 1.0 if known else np.nan) for term, known in has.items()}
    agreed, _, whole = _weights(_fact_scores(target, candidates) | best)
    return agreed / whole


def why(
    target: Features, candidate: Features, scores: Mapping[str, float]
) -> tuple[list[Note], list[Note], list[Note]]:
    """Return what matches, what differs and what is not known between two builds.

    Parameters
    ----------
    target : Features. The build asked about: "here".
    candidate : Features. The build it is compared with: "there".
    scores : mapping of str to float. The candidate's scores from `similarity`.

    Returns
    -------
    (list of dict, list of dict, list of dict). Matches, differences and what was not judged, as
        notes.

    Notes
    -----
    Another generation of the model stands in both lists: findings carry over only in part. What was
    measured is told in figures: peaks are alike within 5 % per litre.

    Examples
    --------
    >>> here = Features(parts=(("silencer", "Halden", "S2"),), map_name="stock")
    >>> there = Features(map_name="stock")
    >>> scores = similarity(here, [there])[0].scores
    >>> same, other, _ = why(here, there, scores)
    >>> same[0]["value"], other[0]["here"], other[0]["there"]
    ('stock', 'Halden S2', 'none')
    """
    known = {term: score for term, score in scores.items() if not math.isnan(score)}
    told = [one for term, score in known.items() for one in _told(term, score, target, candidate)]
    missing = [term for term in WEIGHTS if term not in known and term != "parts"]
    return (
        [said for is_alike, said in told if is_alike],
        [said for is_alike, said in told if not is_alike],
        [note("not known of both", terms=missing)] if missing else [],
    )


def _told(term: str, score: float, here: Features, there: Features) -> list[tuple[bool, Note]]:
    """Return what is said of a term, and whether it says that the two are alike."""
    if term == "model":
        return _model_told(here, there)
    if term == "power level":
        return _level_told(here, there)
    if term == "torque shape":
        apart_pct = 100.0 * (1.0 - score) * LARGEST_TORQUE_DIFFERENCE
        is_alike = score >= ALIKE_SCORE
        told = note("torque shape", is_alike=is_alike, apart_pct=apart_pct, is_least=score == 0.0)
        return [(is_alike, told)]
    if term == "mixture shape":
        return [_mixture_told(score, here, there)]
    name, ours, theirs = _named(term, here, there)
    if score == 1.0:
        return [(True, note("same", what=name, value=ours))]
    return [(False, note("build differs", what=name, here=ours, there=theirs))]


def _model_told(here: Features, there: Features) -> list[tuple[bool, Note]]:
    years = [_years(build.generation) for build in (here, there)]
    if here.model_key == there.model_key:
        is_same = here.generation == there.generation
        told = [(True, note("same model", is_same_generation=is_same))]
        other = note("build differs", what="generation", here=years[0], there=years[1])
        return told if is_same else [*told, (False, other)]
    names = [" ".join([*(build.model_key or ()), year]).strip()
             for build, year in zip((here, there), years, strict=True)]  # fmt: skip
    told = [(False, note("build differs", what="model", here=names[0], there=names[1]))]
    sizes = [here.displacement_cc, there.displacement_cc]
    if None not in sizes and sizes[0] != sizes[1]:
        said = [f"{size:g} cc" for size in sizes]
        told.append(
            (False, note("build differs", what="displacement", here=said[0], there=said[1]))
        )
    return told


def _level_told(here: Features, there: Features) -> list[tuple[bool, Note]]:
    """Return power, torque where it differs or stands alone, and the peak's speed if it moved."""
    per_litre = (there.displacement_cc or 1.0) / (here.displacement_cc or 1.0)
    told = []
    for name, unit in (("peak_power_w", 1e-3), ("peak_torque_nm", 1.0)):
        ours, theirs = getattr(here, name), getattr(there, name)
        if ours is None or theirs is None:
            continue
        ratio, is_torque = theirs / ours, name == "peak_torque_nm"
        is_alike = abs(math.log(ratio / per_litre)) <= SOUND_LEVEL_DIFFERENCE
        said = note(
            "peaks",
            is_torque=is_torque,
            here=unit * ours,
            there=unit * theirs,
            is_alike=is_alike,
            change_pct=100.0 * (ratio - 1.0),
            is_other_size=per_litre != 1.0,
            per_litre_pct=100.0 * (ratio / per_litre - 1.0),
        )
        if not (told and is_torque and is_alike):
            told.append((is_alike, said))
    ours, theirs = here.peak_power_speed_rpm, there.peak_power_speed_rpm
    if ours and theirs and abs(theirs - ours) >= PEAK_SPEEDS_APART_SHARE * ours:
        told.append(
            (
                False,
                note(
                    "peak speed", here_rpm=ours, by_rpm=abs(theirs - ours), is_earlier=theirs < ours
                ),
            )
        )
    return told


def _mixture_told(score: float, here: Features, there: Features) -> tuple[bool, Note]:
    ours, theirs = here.worst_lean_error_pct, there.worst_lean_error_pct
    apart_pct = None if ours is None or theirs is None else abs(ours - theirs)
    is_near = apart_pct is None or apart_pct < LEAN_ERRORS_APART_PCT
    return is_near and score >= ALIKE_SCORE, note(
        "mixtures",
        is_worst_known=apart_pct is not None,
        here_pct=ours,
        there_pct=theirs,
        apart_pct=(1.0 - score) * LARGEST_MIXTURE_DIFFERENCE_PCT,
        is_least=score == 0.0,
    )


def _named(term: str, target: Features, candidate: Features) -> tuple[str, str, str]:
    """Return a term's name and its value here and there, in words."""
    if term.startswith("part: "):
        name = term.removeprefix("part: ")
        here, there = (_part_words(build, name) for build in (target, candidate))
        return name, here, there
    return term, _words(term, target), _words(term, candidate)


def _words(term: str, build: Features) -> str:
    if term == "fuel":
        return f"{100.0 * (build.ethanol_share or 0.0):.0f} % ethanol"
    revision = "" if build.map_revision is None else f" r{build.map_revision}"
    return f"{build.map_name}{revision}"


def _part_words(build: Features, category: str) -> str:
    found = [f"{maker} {name}".strip() for part, maker, name in build.parts if part == category]
    return " and ".join(sorted(found)) or "none"


def _years(generation: tuple[int, int] | None) -> str:
    return "" if generation is None else f"{generation[0]}-{generation[1]}"


def _on_relative_speed(
    name: str, grid_rpm: ArrayLike, value: ArrayLike, speed_at_peak_power_rpm: float
) -> FloatArray:
    grid = np.asarray(grid_rpm, dtype=float)
    values = np.asarray(value, dtype=float)
    if grid.ndim != 1 or grid.shape != values.shape:
        raise ValueError(
            f"{name} must match grid_rpm in length, got {values.shape} for {grid.shape}"
        )
    if grid.size == 0 or not np.all(np.diff(grid) > 0.0):
        raise ValueError("grid_rpm must ascend and not be empty")
    require("speed_at_peak_power_rpm", speed_at_peak_power_rpm, above=0.0, unit="rpm")
    # Rounding keeps a grid point that is meant to be met from being missed by a hair.
    speed = np.round(RELATIVE_SPEED * speed_at_peak_power_rpm, 6)
    return np.interp(speed, grid, values, left=np.nan, right=np.nan)


def _numbers(builds: Sequence[Features], name: str) -> FloatArray:
    facts = [getattr(build, name) for build in builds]
    return np.array([np.nan if fact is None else fact for fact in facts], dtype=float)


def _coded(facts: Sequence[Hashable]) -> tuple[NDArray[np.intp], dict[Hashable, int]]:
    """Return whole numbers that are equal where facts are; -1 for None."""
    codes: dict[Hashable, int] = {}
    column = [-1 if fact is None else codes.setdefault(fact, len(codes)) for fact in facts]
    return np.array(column, dtype=np.intp), codes


def _same(fact: Hashable, name: str, pool: Population) -> NDArray[np.bool_]:
    # -2 is no candidate's code: a fact that none of them has.
    code = -1 if fact is None else pool._codes[name].get(fact, -2)
    return pool._columns[name] == code


def _parts_of(build: Features, category: str) -> frozenset[tuple[str, str]] | None:
    found = frozenset((maker, name) for part, maker, name in build.parts if part == category)
    return found or None


def _fact_scores(target: Features, pool: Population) -> dict[str, FloatArray]:
    ours = np.nan if target.ethanol_share is None else target.ethanol_share
    apart = np.abs(pool._columns["ethanol_share"] - ours) / LARGEST_ETHANOL_DIFFERENCE
    return {
        "model": _model_scores(target, pool),
        **_part_scores(target, pool),
        "map": _map_scores(target, pool),
        "fuel": np.maximum(0.0, 1.0 - apart),
    }


def _model_scores(target: Features, pool: Population) -> FloatArray:
    same_model = _same(target.model_key, "make and model", pool)
    same_generation = _same(target.generation, "generation", pool)
    score = np.where(same_model, np.where(same_generation, 1.0, SAME_MODEL_OTHER_GENERATION), 0.0)
    unknown = (pool._columns["make and model"] == -1) | (target.model_key is None)
    return np.where(unknown, np.nan, score)


def _map_scores(target: Features, pool: Population) -> FloatArray:
    name = target.map_name or None
    same_map = _same(name, "map", pool)
    same_revision = _same(target.map_revision, "revision", pool)
    their_stock = _same(_STOCK, "map", pool)
    score = np.where(
        same_map,
        np.where(same_revision | their_stock, 1.0, OTHER_REVISION_OF_THE_MAP),
        np.where(their_stock | (name == _STOCK), 0.0, OTHER_MAP_OF_THE_SHOP),
    )
    unknown = (pool._columns["map"] == -1) | (name is None)
    return np.where(unknown, np.nan, score)


def _part_scores(target: Features, pool: Population) -> dict[str, FloatArray]:
    theirs = {name.removeprefix("part: ") for name in pool._columns if name.startswith("part: ")}
    scores = {}
    for category in sorted(theirs | {part[0] for part in target.parts}):
        ours = _parts_of(target, category)
        other_part = 0.0 if category == _NO_CATEGORY else OTHER_PART_OF_THE_CATEGORY
        if category not in theirs:
            scores[f"part: {category}"] = np.zeros(len(pool))
            continue
        name = f"part: {category}"
        they_have = pool._columns[name] != -1
        if ours is None:
            scores[name] = np.where(they_have, 0.0, np.nan)
        else:
            same = _same(ours, name, pool)
            scores[name] = np.where(same, 1.0, np.where(they_have, other_part, 0.0))
    return scores


def _shape_scores(
    ours: FloatArray | None, theirs: FloatArray, largest: float, *, scaled: bool
) -> FloatArray:
    if ours is None:
        return np.full(theirs.shape[0], np.nan)
    common = np.isfinite(theirs) & np.isfinite(ours)
    points = np.sum(common, axis=1)
    enough = points >= LEAST_COMMON_POINTS
    count = np.where(enough, points, 1)
    mine = np.where(common, ours, 0.0)
    yours = np.where(common, theirs, 0.0)
    if scaled:
        # Means over unlike parts of two curves would make a difference of their own.
        mine = mine * (count / np.where(enough, mine.sum(axis=1), 1.0))[:, None]
        yours = yours * (count / np.where(enough, yours.sum(axis=1), 1.0))[:, None]
    rms = np.sqrt(np.sum(np.square(mine - yours), axis=1) / count)
    return np.where(enough, np.maximum(0.0, 1.0 - rms / largest), np.nan)


def _levels(power_w: FloatArray, torque_nm: FloatArray, displacement_cc: FloatArray) -> FloatArray:
    """Return ln of peak power and torque per displacement, a row for each build."""
    with np.errstate(divide="ignore", invalid="ignore"):
        levels = np.log(np.column_stack([power_w, torque_nm]) / displacement_cc[:, None])
    return np.where(np.isfinite(levels), levels, np.nan)


def _levels_of(build: Features) -> FloatArray:
    names = ("peak_power_w", "peak_torque_nm", "displacement_cc")
    return _levels(*(_numbers([build], name) for name in names))


def _level_scores(target: Features, pool: Population) -> FloatArray:
    distance = np.abs(pool._columns["level"] - _levels_of(target))
    beyond = np.fmax(*distance.T) - SOUND_LEVEL_DIFFERENCE
    return 1.0 - np.clip(beyond / (LARGEST_LEVEL_DIFFERENCE - SOUND_LEVEL_DIFFERENCE), 0.0, 1.0)


def _weights(scores: dict[str, FloatArray]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the weight that agrees, that which is known of both, and all that counts.

    A part of a category that neither has is nothing to know, so it counts in none of them.
    """
    score = np.array(list(scores.values()))
    is_part = np.array([term.startswith("part: ") for term in scores])
    weight = np.array([WEIGHTS["parts" if term.startswith("part: ") else term] for term in scores])
    known = np.where(np.isnan(score), 0.0, weight[:, None])
    agreed = np.sum(known * np.nan_to_num(score), axis=0)
    whole = np.where(is_part[:, None], known, weight[:, None]).sum(axis=0)
    return agreed, known.sum(axis=0), whole
