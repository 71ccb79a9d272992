"""How alike two builds are, term by term, and in words: a distance over mixed kinds of facts."""

from __future__ import annotations

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
    "model": 3.0,
    "displacement": 1.0,
    "cylinders": 0.5,
    "parts": 1.5,
    "map": 1.5,
    "fuel": 1.0,
    "torque shape": 1.0,
    "mixture shape": 1.0,
}
"""What each term counts for. The model leads, since an ECU's stock map goes with it; each part
category that either build has counts as one term of weight `parts`."""

SAME_MODEL_OTHER_GENERATION = 0.6
OTHER_PART_OF_THE_CATEGORY = 0.6
OTHER_REVISION_OF_THE_MAP = 0.7
OTHER_MAP_OF_THE_SHOP = 0.3
"""Partial credits: what carries over between relatives, by the trade's judgement, no source."""

LARGEST_TORQUE_DIFFERENCE = 0.25
"""Root-mean-square difference of scaled torque at which two shapes have nothing in common. [1]"""

LARGEST_MIXTURE_DIFFERENCE_PCT = 15.0
"""The same for lean errors: the distance from on target to stop. [%]"""

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
    cylinders : float. Number of cylinders.
    parts : tuple of (str, str, str). Category, maker and name of each part fitted.
    map_name : str. "stock" or the shop's name of the map.
    map_revision : int or None. Revision of a shop map.
    ethanol_share : float. Ethanol in the fuel by volume. [1]
    torque_shape, mixture_shape : ndarray or None. From `torque_shape` and `mixture_shape`.
    """

    model_key: tuple[str, str] | None = None
    generation: tuple[int, int] | None = None
    displacement_cc: float | None = None
    cylinders: float | None = None
    parts: tuple[tuple[str, str, str], ...] = ()
    map_name: str | None = None
    map_revision: int | None = None
    ethanol_share: float | None = None
    torque_shape: FloatArray | None = None
    mixture_shape: FloatArray | None = None


class Likeness(NamedTuple):
    """How alike one candidate is.

    Attributes
    ----------
    similarity : float. 0 to 1; NaN if the two have no known fact in common. [1]
    scores : dict of str to float
        0 to 1 for each term that could be judged, by name; parts as "part: " and category.
    """

    similarity: float
    scores: dict[str, float]


@dataclass(frozen=True, eq=False)
class Similarities:
    """How alike each candidate is: arrays, which read as one `Likeness` after another.

    Attributes
    ----------
    similarity : ndarray. One for each candidate, in order. [1]
    scores : dict of str to ndarray. One array for each term; NaN where it could not be judged. [1]
    """

    similarity: FloatArray
    scores: dict[str, FloatArray]

    def __len__(self) -> int:
        """Return the number of candidates."""
        return self.similarity.size

    def __getitem__(self, place: int) -> Likeness:
        """Return the likeness of one candidate."""
        known = {term: float(score[place]) for term, score in self.scores.items()}
        return Likeness(
            float(self.similarity[place]),
            {term: score for term, score in known.items() if not np.isnan(score)},
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


def ranges_of(builds: Sequence[Features]) -> dict[str, float]:
    """Return the range of each number over a population, for `similarity`.

    Parameters
    ----------
    builds : sequence of Features
        The reference population: all builds of the shop, not the two compared.

    Returns
    -------
    dict of str to float
        Widths of "displacement_cc", "cylinders" and "ethanol_share"; 0 where all are equal.

    Examples
    --------
    >>> ranges_of([Features(displacement_cc=390.0), Features(displacement_cc=1290.0)])
    {'displacement_cc': 900.0, 'cylinders': 0.0, 'ethanol_share': 0.0}
    """
    widths = {}
    for name in ("displacement_cc", "cylinders", "ethanol_share"):
        column = _numbers(builds, name)
        known = column[np.isfinite(column)]
        widths[name] = float(np.ptp(known)) if known.size else 0.0
    return widths


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
    for name in ("displacement_cc", "cylinders", "ethanol_share"):
        columns[name] = _numbers(builds, name)
    for name in ("torque_shape", "mixture_shape"):
        rows = [getattr(build, name) for build in builds]
        unseen = np.full(RELATIVE_SPEED.shape, np.nan)
        columns[name] = np.array(
            [unseen if row is None else row for row in rows], dtype=float
        ).reshape(-1, RELATIVE_SPEED.size)
    return Population(columns, codes)


def similarity(
    target: Features, candidates: Sequence[Features] | Population, *, ranges: Mapping[str, float]
) -> Similarities:
    r"""Return how alike each candidate is to a target, term by term.

    Parameters
    ----------
    target : Features. The build asked about.
    candidates : sequence of Features, or Population
        The builds to compare it with; a `Population` where many targets meet the same builds.
    ranges : mapping of str to float. From `ranges_of` over the reference population.

    Returns
    -------
    Similarities. Similarity and scores of each candidate, in order.

    Raises
    ------
    ValueError. If a range is below 0.

    Notes
    -----
    Gower's coefficient [1]_

    .. math:: S = \frac{\sum_k w_k\, s_k}{\sum_k w_k}

    over the terms known of both. Numbers score :math:`1 - |x - y| / \text{range}`, held at 0
    or more. Model: 1, or 0.6 for another generation of it. Each part category: 1 for the same
    part, 0.6 for another part of it ("other" is no category: 0), 0 if one has none, no term if
    neither has. Map: 1 for the same map and revision or both stock, 0.7 for another revision,
    0.3 for two shop maps, 0 for stock against a shop map. Shapes: root-mean-square difference d
    over the points seen in both, :math:`\max(0, 1 - d/0.25)` for torque, each scaled to its
    mean there, and :math:`\max(0, 1 - d/15)` for the lean error in points.

    Partial credits and weights are judgement, no source. A candidate of which little is known
    can score high on that little; the scores show how many terms there were.

    Examples
    --------
    >>> ours = Features(model_key=("Corvane", "Strada 690"), generation=(2016, 2019))
    >>> theirs = Features(model_key=("Corvane", "Strada 690"), generation=(2020, 2023))
    >>> similarity(ours, [ours, theirs], ranges=ranges_of([ours, theirs])).similarity
    array([1. , 0.6])

    References
    ----------
    .. [1] J. C. Gower, "A general coefficient of similarity and some of its properties,"
       Biometrics, vol. 27, pp. 857-871, 1971.
    """
    pool = candidates if isinstance(candidates, Population) else population(candidates)
    scores = _fact_scores(target, pool, ranges) | {
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
    return Similarities(_weighted_mean(scores), scores)


def highest_similarity(
    target: Features, candidates: Population, *, ranges: Mapping[str, float]
) -> FloatArray:
    """Return the most that each candidate's similarity can be, whatever the shapes.

    Parameters
    ----------
    target : Features. The build asked about.
    candidates : Population. The builds to compare it with.
    ranges : mapping of str to float. From `ranges_of` over the reference population.

    Returns
    -------
    ndarray. At least what `similarity` gives. [1]

    Raises
    ------
    ValueError. If a range is below 0.

    Notes
    -----
    Both shapes count as wholly alike: a term that scores 1 never lowers a mean of scores.

    Examples
    --------
    >>> ours = Features(model_key=("Corvane", "Strada 690"), generation=(2016, 2019))
    >>> theirs = Features(model_key=("Corvane", "Strada 690"), generation=(2020, 2023))
    >>> highest_similarity(ours, population([theirs]), ranges=ranges_of([ours, theirs]))
    array([0.76])
    """
    alike = np.ones(len(candidates))
    scores = _fact_scores(target, candidates, ranges)
    return _weighted_mean(scores | {"torque shape": alike, "mixture shape": alike})


def why(
    target: Features, candidate: Features, scores: Mapping[str, float]
) -> tuple[list[Note], list[Note]]:
    """Return what matches and what differs between two builds.

    Parameters
    ----------
    target : Features. The build asked about: "here".
    candidate : Features. The build it is compared with: "there".
    scores : mapping of str to float. The candidate's scores from `similarity`.

    Returns
    -------
    (list of dict, list of dict). Matches and differences, as notes. Terms that were not judged are
        in neither.

    Notes
    -----
    Another generation of the model stands in both lists: findings carry over only in part.
    Shapes are named when they are close (0.8 and more) or far apart (below 0.5).

    Examples
    --------
    >>> here = Features(parts=(("silencer", "Halden", "S2"),), map_name="stock")
    >>> there = Features(map_name="stock")
    >>> scores = similarity(here, [there], ranges=ranges_of([here, there]))[0].scores
    >>> same, other = why(here, there, scores)
    >>> same[0]["value"], other[0]["here"], other[0]["there"]
    ('stock', 'Halden S2', 'none')
    """
    matches: list[Note] = []
    differs: list[Note] = []
    for term, score in scores.items():
        if np.isnan(score):
            continue
        if term in ("torque shape", "mixture shape"):
            if score >= 0.8:
                matches.append(note("shape alike", is_torque=term == "torque shape"))
            elif score < 0.5:
                differs.append(note("shape other", is_torque=term == "torque shape"))
            continue
        if term == "model" and score == SAME_MODEL_OTHER_GENERATION:
            matches.append(note("same model", is_same_generation=False))
            here, there = (_years(build.generation) for build in (target, candidate))
            differs.append(note("build differs", what="generation", here=here, there=there))
            continue
        name, here, there = _named(term, target, candidate)
        if score == 1.0:
            if term in ("displacement", "cylinders") and scores.get("model", 0.0) > 0.0:
                continue  # the model says it
            same = note("same model", is_same_generation=True)
            matches.append(same if term == "model" else note("same", what=name, value=here))
        else:
            differs.append(note("build differs", what=name, here=here, there=there))
    return matches, differs


def _named(term: str, target: Features, candidate: Features) -> tuple[str, str, str]:
    """Return a term's name and its value here and there, in words."""
    if term.startswith("part: "):
        name = term.removeprefix("part: ")
        here, there = (_part_words(build, name) for build in (target, candidate))
        return name, here, there
    return term, _words(term, target), _words(term, candidate)


def _words(term: str, build: Features) -> str:
    if term == "model":
        make_model = " ".join(build.model_key or ())
        return f"{make_model} {_years(build.generation)}".strip()
    if term == "displacement":
        return f"{build.displacement_cc:g} cc"
    if term == "cylinders":
        return f"{build.cylinders:g}"
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


def _fact_scores(
    target: Features, pool: Population, ranges: Mapping[str, float]
) -> dict[str, FloatArray]:
    for name, width in ranges.items():
        require(f"ranges[{name}]", width, at_least=0.0)
    numbers = {
        name: _number_scores(getattr(target, name), pool._columns[name], ranges[name])
        for name in ("displacement_cc", "cylinders", "ethanol_share")
    }
    return {
        "model": _model_scores(target, pool),
        "displacement": numbers["displacement_cc"],
        "cylinders": numbers["cylinders"],
        **_part_scores(target, pool),
        "map": _map_scores(target, pool),
        "fuel": numbers["ethanol_share"],
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


def _number_scores(ours: float | None, theirs: FloatArray, width: float) -> FloatArray:
    mine = np.nan if ours is None else float(ours)
    distance = np.abs(theirs - mine)
    if width == 0.0:
        return np.where(np.isnan(distance), np.nan, np.where(distance == 0.0, 1.0, 0.0))
    return np.maximum(0.0, 1.0 - distance / width)


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


def _weighted_mean(scores: dict[str, FloatArray]) -> FloatArray:
    score = np.array(list(scores.values()))
    weight = np.array([WEIGHTS["parts" if term.startswith("part: ") else term] for term in scores])
    weight = np.where(np.isnan(score), 0.0, weight[:, None])
    total = weight.sum(axis=0)
    summed = np.sum(weight * np.nan_to_num(score), axis=0)
    return np.divide(summed, total, out=np.full(total.shape, np.nan), where=total > 0.0)
