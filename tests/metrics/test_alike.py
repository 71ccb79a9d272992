"""Similar builds: Gower's coefficient by hand, partial credits, shapes, and the words for them."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flows.metrics.alike import (
    RELATIVE_SPEED,
    WEIGHTS,
    Features,
    highest_similarity,
    mixture_shape,
    population,
    ranges_of,
    similarity,
    torque_shape,
    why,
)
from tests.in_words import words

RANGES = {"displacement_cc": 800.0, "cylinders": 3.0, "ethanol_share": 0.85}
HALDEN = ("silencer", "Halden", "S2")
ORVO = ("silencer", "Orvo", "T1")


def build(**changes):
    """Return a build of which everything is known, with what matters changed."""
    flat = np.ones(RELATIVE_SPEED.size)
    plain = Features(
        model_key=("Corvane", "Strada 690"),
        generation=(2016, 2019),
        displacement_cc=690.0,
        cylinders=1,
        parts=(HALDEN,),
        map_name="stock",
        map_revision=None,
        ethanol_share=0.05,
        torque_shape=flat,
        mixture_shape=2.0 * flat,
    )
    return dataclasses.replace(plain, **changes)


def scores_of(target, candidate):
    return similarity(target, [candidate], ranges=RANGES)[0].scores


# Gower 1971, the coefficient: rows of two numbers over ranges of 399 and 11. The displacement
# counts 1 and the cylinders 1/2. By hand, for a and b: (1 - 50/399 + (1 - 4/11)/2)/1.5 = 0.795246.
GOWER_ROWS = {"a": (599.0, 8.0), "b": (649.0, 12.0), "c": (998.0, 15.0), "d": (689.0, 19.0)}


@pytest.mark.parametrize(
    ("pair", "expected"),
    [
        ("ab", 0.795246),
        ("ac", 0.121212),
        ("ad", 0.516291),
        ("bc", 0.325966),
        ("bd", 0.721045),
        ("cd", 0.362497),
    ],
)
def test_numbers_match_gower_by_hand(pair, expected):
    one, other = (
        Features(displacement_cc=size, cylinders=number)
        for size, number in (GOWER_ROWS[name] for name in pair)
    )
    ranges = {"displacement_cc": 399.0, "cylinders": 11.0, "ethanol_share": 0.0}
    found = similarity(one, [other], ranges=ranges).similarity
    assert found[0] == pytest.approx(expected, abs=5e-7)


def test_a_build_is_wholly_like_itself():
    ours = build()
    found = similarity(ours, [ours], ranges=RANGES)
    assert found.similarity[0] == pytest.approx(1.0)
    assert len(found[0].scores) == 8


@pytest.mark.parametrize(
    ("term", "changes", "score"),
    [
        ("model", {"generation": (2020, 2023)}, 0.6),
        ("model", {"model_key": ("Corvane", "Tarn 890")}, 0.0),
        ("model", {"model_key": ("Other", "Strada 690")}, 0.0),
        ("displacement", {"displacement_cc": 890.0}, 0.75),
        ("displacement", {"displacement_cc": 1990.0}, 0.0),
        ("cylinders", {"cylinders": 4}, 0.0),
        ("part: silencer", {"parts": (ORVO,)}, 0.6),
        ("part: silencer", {"parts": ()}, 0.0),
        ("part: airbox", {"parts": (HALDEN, ("airbox", "Orvo", "open"))}, 0.0),
        ("map", {"map_name": "Kestrel road", "map_revision": 3}, 0.0),
        ("fuel", {"ethanol_share": 0.85}, 1 - 0.80 / 0.85),
    ],
)
def test_a_difference_costs_its_credit(term, changes, score):
    # Credits are the trade's judgement, no source; the numbers by hand from the ranges.
    there = build(**changes)
    assert scores_of(build(), there)[term] == pytest.approx(score)
    assert scores_of(there, build())[term] == pytest.approx(score)


@pytest.mark.parametrize(
    ("here", "there", "score"),
    [
        (("stock", None), ("stock", None), 1.0),
        (("Kestrel", 3), ("Kestrel", 3), 1.0),
        (("Kestrel", 3), ("Kestrel", 2), 0.7),
        (("Kestrel", 3), ("Merlin", 3), 0.3),
        (("stock", None), ("Kestrel", 3), 0.0),
        (("Kestrel", 3), ("stock", None), 0.0),
    ],
)
def test_maps_are_alike_by_name_then_revision(here, there, score):
    builds = [build(map_name=name, map_revision=revision) for name, revision in (here, there)]
    assert scores_of(*builds)["map"] == score


def test_two_different_other_parts_have_nothing_in_common():
    ours, theirs = (build(parts=(("other", "Halden", name),)) for name in ("x", "y"))
    assert scores_of(ours, theirs)["part: other"] == 0.0
    assert scores_of(ours, ours)["part: other"] == 1.0


def test_a_part_neither_has_is_no_likeness():
    bare = build(parts=())
    assert not any(term.startswith("part: ") for term in scores_of(bare, bare))
    # Another candidate's airbox is nothing between these two.
    found = similarity(bare, [bare, build(parts=(("airbox", "Orvo", "open"),))], ranges=RANGES)
    assert "part: airbox" not in found[0].scores
    assert found[1].scores["part: airbox"] == 0.0


def test_order_of_the_parts_does_not_matter():
    two = (HALDEN, ("silencer", "Halden", "S2 left"))
    assert scores_of(build(parts=two), build(parts=two[::-1]))["part: silencer"] == 1.0


@pytest.mark.parametrize(
    "unknown",
    [
        "model_key",
        "displacement_cc",
        "cylinders",
        "map_name",
        "ethanol_share",
        "torque_shape",
        "mixture_shape",
    ],
)
def test_what_is_not_known_is_not_held_against_a_build(unknown):
    there = build(**{unknown: None})
    for pair in ((build(), there), (there, build())):
        found = similarity(pair[0], [pair[1]], ranges=RANGES)[0]
        assert found.similarity == pytest.approx(1.0)
        assert len(found.scores) == 7


def test_builds_of_which_nothing_is_known_are_not_compared():
    assert np.isnan(similarity(Features(), [Features()], ranges=RANGES).similarity[0])


def test_similarity_is_the_weighted_mean_by_hand():
    ours = Features(displacement_cc=600.0, map_name="stock")
    theirs = Features(displacement_cc=800.0, map_name="stock")
    found = similarity(ours, [theirs], ranges=RANGES)
    # By hand: displacement scores 1 - 200/800, once; the map 1, one and a half times; over 2.5.
    assert found.similarity[0] == pytest.approx(2.25 / 2.5)


def test_range_comes_from_the_population_not_the_pair():
    ours = Features(displacement_cc=600.0)
    near, far = Features(displacement_cc=700.0), Features(displacement_cc=1000.0)
    ranges = ranges_of([ours, near, far])
    assert ranges["displacement_cc"] == 400.0
    assert similarity(ours, [near, far], ranges=ranges).similarity == pytest.approx([0.75, 0.0])


def test_torque_shape_ignores_size_and_speed_of_the_engine():
    small_rpm = np.arange(2000.0, 10_001.0, 50.0)
    torque = 60.0 + 20.0 * np.sin(small_rpm / 2000.0)
    small = torque_shape(small_rpm, torque, 9000.0)
    large = torque_shape(0.7 * small_rpm, 2.4 * torque, 0.7 * 9000.0)
    assert large == pytest.approx(small)
    assert np.nanmean(small) == pytest.approx(1.0)
    assert small.size == 14
    # A straight line scaled by hand: at 0.40 and 1.05 of the speed, over its mean at 0.725.
    line = torque_shape(small_rpm, small_rpm, 9000.0)
    assert line[[0, -1]] == pytest.approx([0.40 / 0.725, 1.05 / 0.725])


def test_a_shape_is_not_made_up_where_nothing_was_seen():
    grid = np.arange(4500.0, 9001.0, 50.0)
    shape = torque_shape(grid, np.full(grid.size, 60.0), 9000.0)
    # Seen from 0.50 to 1.00.
    assert np.isnan(shape).tolist() == [True] * 2 + [False] * 11 + [True]
    torque = np.full(grid.size, 60.0)
    torque[40:60] = np.nan
    assert np.isnan(torque_shape(grid, torque, 9000.0)[2:13]).any()


def test_shapes_score_by_their_rms_difference():
    flat = np.ones(RELATIVE_SPEED.size)
    wave = np.where(np.arange(14) % 2 == 0, 1.1, 0.9)
    # By hand: rms 0.1 of 0.25; lean errors 6 points apart of 15.
    assert scores_of(build(torque_shape=flat), build(torque_shape=wave))[
        "torque shape"
    ] == pytest.approx(0.6)
    assert scores_of(build(mixture_shape=2 * flat), build(mixture_shape=8 * flat))[
        "mixture shape"
    ] == pytest.approx(0.6)
    assert (
        scores_of(build(mixture_shape=0 * flat), build(mixture_shape=20 * flat))["mixture shape"]
        == 0.0
    )


def test_curves_seen_over_unlike_ranges_are_compared_where_both_were_seen():
    slope = np.linspace(0.8, 1.2, 14)
    short = slope[:9] / slope[:9].mean()
    cut = np.concatenate([short, np.full(5, np.nan)])
    # The same line, scaled to the mean of the part that was seen: no difference.
    assert scores_of(build(torque_shape=slope), build(torque_shape=cut))[
        "torque shape"
    ] == pytest.approx(1.0)
    scrap = np.where(np.arange(14) < 4, 1.0, np.nan)
    assert "torque shape" not in scores_of(build(), build(torque_shape=scrap))


def test_mixture_shape_reads_the_lean_error_at_relative_speed():
    grid = np.arange(3000.0, 9001.0, 50.0)
    shape = mixture_shape(grid, grid / 1000.0, 8000.0)
    assert shape == pytest.approx(8.0 * RELATIVE_SPEED)


builds = st.builds(
    build,
    model_key=st.sampled_from([("A", "1"), ("A", "2"), None]),
    generation=st.sampled_from([(2016, 2019), (2020, 2023)]),
    displacement_cc=st.sampled_from([390.0, 690.0, 1190.0, None]),
    parts=st.lists(
        st.sampled_from([HALDEN, ORVO, ("airbox", "Orvo", "open")]), unique=True, max_size=3
    ).map(tuple),
    map_name=st.sampled_from(["stock", "Kestrel", "Merlin", None]),
    map_revision=st.sampled_from([1, 2]),
    torque_shape=st.sampled_from([None, np.ones(14), np.linspace(0.8, 1.2, 14)]),
)


@given(builds, builds)
def test_likeness_is_mutual_and_between_0_and_1(one, other):
    there = similarity(one, [other], ranges=RANGES)[0]
    back = similarity(other, [one], ranges=RANGES)[0]
    assert there.similarity == pytest.approx(back.similarity, nan_ok=True)
    assert there.scores == pytest.approx(back.scores)
    assert 0.0 <= there.similarity <= 1.0 + 1e-12


@given(st.lists(builds, min_size=1, max_size=8), builds)
def test_a_candidate_scores_the_same_alone_and_among_others(candidates, target):
    among = similarity(target, population(candidates), ranges=RANGES)
    assert len(among) == len(candidates)
    for place, candidate in enumerate(candidates):
        alone = similarity(target, [candidate], ranges=RANGES)[0]
        assert among[place].similarity == pytest.approx(alone.similarity)
        assert among[place].scores == pytest.approx(alone.scores)


@given(st.lists(builds, min_size=1, max_size=8), builds)
def test_no_likeness_is_beyond_the_most_that_it_can_be(candidates, target):
    pool = population(candidates)
    most = highest_similarity(target, pool, ranges=RANGES)
    assert np.all(most >= np.nan_to_num(similarity(target, pool, ranges=RANGES).similarity) - 1e-12)


def test_results_read_one_candidate_after_another():
    found = similarity(build(), [build(), build(parts=())], ranges=RANGES)
    assert [each.similarity for each in found] == pytest.approx(found.similarity.tolist())


def test_words_name_what_matches_and_what_differs():
    here = build()
    there = build(
        generation=(2020, 2023),
        parts=(ORVO, ("airbox", "Halden", "open")),
        map_name="Kestrel road",
        map_revision=3,
        mixture_shape=14.0 * np.ones(RELATIVE_SPEED.size),
    )
    matches, differs = (
        [words(one) for one in told] for told in why(here, there, scores_of(here, there))
    )
    assert matches == [
        "same model, other generation",
        "fuel: 5 % ethanol",
        "torque curve of like shape",
    ]
    assert differs == [
        "generation: 2016-2019 here, 2020-2023 there",
        "airbox: none here, Halden open there",
        "silencer: Halden S2 here, Orvo T1 there",
        "map: stock here, Kestrel road r3 there",
        "mixture off by another pattern",
    ]


def test_words_of_another_model_name_both():
    here, there = build(), build(model_key=("Orvo", "Tarn 890"), displacement_cc=890.0)
    matches, differs = (
        [words(one) for one in told] for told in why(here, there, scores_of(here, there))
    )
    assert "model: Corvane Strada 690 2016-2019 here, Orvo Tarn 890 2016-2019 there" in differs
    assert "displacement: 690 cc here, 890 cc there" in differs
    assert "cylinders: 1" in matches
    assert "silencer: Halden S2" in matches


def test_what_was_not_judged_is_in_neither_list():
    matches, differs = why(Features(), Features(), {"map": float("nan")})
    assert matches == differs == []


def test_the_model_counts_for_more_than_any_other_term():
    assert max(WEIGHTS, key=WEIGHTS.__getitem__) == "model"


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: similarity(build(), [build()], ranges={**RANGES, "cylinders": -1.0}),
            r"ranges\[cylinders\] must be at least 0, got -1",
        ),
        (lambda: torque_shape([1.0, 2.0], [1.0], 1.0), "torque_nm must match grid_rpm"),
        (
            lambda: torque_shape([1.0, 2.0], [1.0, 1.0], 0.0),
            "speed_at_peak_power_rpm must be above 0 rpm, got 0",
        ),
        (lambda: mixture_shape([2.0, 1.0], [1.0, 1.0], 1.0), "grid_rpm must ascend"),
    ],
)
def test_impossible_builds_are_refused_in_words(call, message):
    with pytest.raises(ValueError, match=message):
        call()
