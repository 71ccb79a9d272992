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
    similarity,
    torque_shape,
    why,
)
from tests.in_words import words

HALDEN = ("silencer", "Halden", "S2")
ORVO = ("silencer", "Orvo", "T1")


def build(**changes):
    """Return a build of which everything is known, with what matters changed."""
    flat = np.ones(RELATIVE_SPEED.size)
    plain = Features(
        model_key=("Corvane", "Strada 690"),
        generation=(2016, 2019),
        displacement_cc=690.0,
        parts=(HALDEN,),
        map_name="stock",
        map_revision=None,
        ethanol_share=0.05,
        torque_shape=flat,
        mixture_shape=2.0 * flat,
        peak_power_w=58_800.0,
        peak_power_speed_rpm=9000.0,
        peak_torque_nm=70.0,
        worst_lean_error_pct=4.0,
    )
    return dataclasses.replace(plain, **changes)


def scores_of(target, candidate):
    return similarity(target, [candidate])[0].scores


# Gower 1971, the coefficient: four rows of a number over a range of 399 and two names, which are
# the same or not. The number stands in for the ethanol, 399 for the 0.85 that is its range; the
# exhaust is of no category, so that another one has nothing in common. Weights 3, 1 and 1: by hand,
# for b and d, 3 (1 - 40/399), 1 and 1 over 5.
GOWER_ROWS = {
    "a": (599.0, "stock", "stock"),
    "b": (649.0, "slip", "road"),
    "c": (998.0, "full", "stock"),
    "d": (689.0, "slip", "road"),
}


@pytest.mark.parametrize(
    ("pair", "expected"),
    [
        ("ab", 0.524812),
        ("ac", 0.2),
        ("ad", 0.464662),
        ("bc", 0.075188),
        ("bd", 0.939850),
        ("cd", 0.135338),
    ],
)
def test_numbers_and_names_match_gower_by_hand(pair, expected):
    one, other = (
        Features(
            ethanol_share=0.85 * (number - 599.0) / 399.0,
            parts=(("other", "", exhaust),),
            map_name=map_name,
            map_revision=1,
        )
        for number, exhaust, map_name in (GOWER_ROWS[name] for name in pair)
    )
    assert similarity(one, [other]).similarity[0] == pytest.approx(expected, abs=5e-7)


def test_a_build_is_wholly_like_itself():
    ours = build()
    found = similarity(ours, [ours])
    assert found.similarity[0] == pytest.approx(1.0)
    assert len(found[0].scores) == 7


@pytest.mark.parametrize(
    ("term", "changes", "score"),
    [
        ("model", {"generation": (2020, 2023)}, 0.6),
        ("model", {"model_key": ("Corvane", "Tarn 890")}, 0.0),
        ("model", {"model_key": ("Other", "Strada 690")}, 0.0),
        # Levels: 1 up to ln 0.05, 0 from 0.25 on. By hand: ln(1.15) is 0.139762 of which 0.089762
        # is beyond 0.05, of 0.20.
        ("power level", {"peak_power_w": 58_800.0 * 1.15, "peak_torque_nm": 70.0}, 0.551190),
        ("power level", {"peak_torque_nm": 70.0 * 1.15}, 0.551190),
        ("power level", {"peak_power_w": 58_800.0 * 1.04, "peak_torque_nm": 67.5}, 1.0),
        ("power level", {"peak_power_w": 32_000.0}, 0.0),
        # As much per litre as there: nothing in it.
        (
            "power level",
            {"displacement_cc": 1380.0, "peak_power_w": 117_600.0, "peak_torque_nm": 140.0},
            1.0,
        ),
        ("model", {"peak_power_w": 32_000.0}, 0.0),
        ("model", {"peak_power_w": 58_800.0 * 1.15}, 0.551190),
        ("part: silencer", {"parts": (ORVO,)}, 0.6),
        ("part: silencer", {"parts": ()}, 0.0),
        ("part: airbox", {"parts": (HALDEN, ("airbox", "Orvo", "open"))}, 0.0),
        ("map", {"map_name": "Kestrel road", "map_revision": 3}, 0.0),
        ("fuel", {"ethanol_share": 0.85}, 1 - 0.80 / 0.85),
    ],
)
def test_a_difference_costs_its_credit(term, changes, score):
    # Credits are the trade's judgement, no source.
    there = build(**changes)
    assert scores_of(build(), there)[term] == pytest.approx(score, abs=1e-6)
    assert scores_of(there, build())[term] == pytest.approx(score, abs=1e-6)


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
    found = similarity(bare, [bare, build(parts=(("airbox", "Orvo", "open"),))])
    assert "part: airbox" not in found[0].scores
    assert found[1].scores["part: airbox"] == 0.0


def test_order_of_the_parts_does_not_matter():
    two = (HALDEN, ("silencer", "Halden", "S2 left"))
    assert scores_of(build(parts=two), build(parts=two[::-1]))["part: silencer"] == 1.0


@pytest.mark.parametrize(
    ("changes", "terms"),
    [
        ({"model_key": None}, ["model"]),
        ({"displacement_cc": None}, ["power level"]),
        ({"peak_power_w": None, "peak_torque_nm": None}, ["power level"]),
        ({"map_name": None}, ["map"]),
        ({"ethanol_share": None}, ["fuel"]),
        ({"torque_shape": None}, ["torque shape"]),
        ({"mixture_shape": None}, ["mixture shape"]),
        ({"mixture_shape": None, "ethanol_share": None}, ["fuel", "mixture shape"]),
    ],
)
def test_what_is_not_known_agrees_in_nothing_and_is_named(changes, terms):
    there = build(**changes)
    # One part category: all that counts is the sum of the weights.
    missing = sum(WEIGHTS[term] for term in terms) / sum(WEIGHTS.values())
    for one, other in ((build(), there), (there, build())):
        found = similarity(one, [other])
        assert found[0].similarity == pytest.approx(1.0)
        assert found[0].known == pytest.approx(1.0 - missing)
        assert found.agreeing[0] == pytest.approx(1.0 - missing)
        assert why(one, other, found[0].scores)[2] == [
            {"code": "not known of both", "terms": terms}
        ]


def test_a_bike_of_which_little_is_known_is_not_told_nearly_wholly_alike():
    bare = Features(model_key=("Corvane", "Strada 690"), generation=(2016, 2019), map_name="stock")
    found = similarity(build(parts=()), [bare])
    assert found.similarity[0] == pytest.approx(1.0)
    assert found.agreeing[0] < 0.3


def test_a_power_known_by_torque_alone_is_held_by_that():
    there = build(peak_power_w=None, peak_torque_nm=40.0)
    assert scores_of(build(), there)["power level"] == 0.0


def test_a_bike_at_half_the_power_is_behind_any_sibling_and_far_from_wholly_alike():
    restricted = build(peak_power_w=32_000.0, peak_torque_nm=55.0, peak_power_speed_rpm=6500.0)
    other_part = build(parts=(ORVO,))
    other_map = build(map_name="Kestrel road", map_revision=3)
    found = similarity(build(), [restricted, other_part, other_map]).agreeing
    assert found[0] < 0.8
    assert found[0] < found[1:].min()
    _, differs, _ = why(build(), restricted, scores_of(build(), restricted))
    assert [words(one) for one in differs] == [
        "peak power: 58.8 kW here, 32.0 kW there: 46 % less",
        "peak torque: 70.0 N·m here, 55.0 N·m there: 21 % less",
        "peak power 2,500 rpm earlier there than at 9,000 rpm here",
    ]


def test_power_of_another_size_is_told_per_litre():
    there = build(
        model_key=("Orvo", "Tarn 890"), displacement_cc=890.0, peak_power_w=70_000.0,
        peak_torque_nm=100.0,
    )  # fmt: skip
    _, differs, _ = why(build(), there, scores_of(build(), there))
    # By hand: 70.0/58.8 is 1.19048, over 890/690 is 0.92295; 100/70 over the same 1.10754.
    assert "peak power: 58.8 kW here, 70.0 kW there: 19 % more (per litre 8 % less)" in [
        words(one) for one in differs
    ]
    assert "peak torque: 70.0 N·m here, 100.0 N·m there: 43 % more (per litre 11 % more)" in [
        words(one) for one in differs
    ]


def test_builds_of_which_nothing_is_known_are_not_compared():
    assert np.isnan(similarity(Features(), [Features()]).similarity[0])


def test_similarity_is_the_weighted_mean_by_hand():
    ours = Features(ethanol_share=0.0, map_name="stock")
    theirs = Features(ethanol_share=0.17, map_name="stock")
    found = similarity(ours, [theirs])
    # By hand: the fuel scores 1 - 0.17/0.85 = 0.8, thrice; the map 1, once; over 4.
    assert found.similarity[0] == pytest.approx(3.4 / 4.0)


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
    peak_power_w=st.sampled_from([None, 32_000.0, 58_800.0, 61_000.0]),
    peak_torque_nm=st.sampled_from([None, 55.0, 70.0]),
)


@given(builds, builds)
def test_likeness_is_mutual_and_between_0_and_1(one, other):
    there = similarity(one, [other])[0]
    back = similarity(other, [one])[0]
    assert there.similarity == pytest.approx(back.similarity, nan_ok=True)
    assert there.scores == pytest.approx(back.scores)
    assert 0.0 <= there.similarity <= 1.0 + 1e-12


@given(st.lists(builds, min_size=1, max_size=8), builds)
def test_a_candidate_scores_the_same_alone_and_among_others(candidates, target):
    among = similarity(target, population(candidates))
    assert len(among) == len(candidates)
    for place, candidate in enumerate(candidates):
        alone = similarity(target, [candidate])[0]
        assert among[place].similarity == pytest.approx(alone.similarity)
        assert among[place].scores == pytest.approx(alone.scores)


@given(st.lists(builds, min_size=1, max_size=8), builds)
def test_no_likeness_is_beyond_the_most_that_it_can_be(candidates, target):
    pool = population(candidates)
    most = highest_similarity(target, pool)
    assert np.all(most >= np.nan_to_num(similarity(target, pool).agreeing) - 1e-12)


def test_results_read_one_candidate_after_another():
    found = similarity(build(), [build(), build(parts=())])
    assert [each.similarity for each in found] == pytest.approx(found.similarity.tolist())


def test_words_name_what_matches_and_what_differs():
    here = build()
    there = build(
        generation=(2020, 2023),
        parts=(ORVO, ("airbox", "Halden", "open")),
        map_name="Kestrel road",
        map_revision=3,
        mixture_shape=9.0 * np.ones(RELATIVE_SPEED.size),
        worst_lean_error_pct=11.0,
        peak_power_w=59_900.0,
    )
    matches, differs, not_known = (
        [words(one) for one in told] for told in why(here, there, scores_of(here, there))
    )
    assert matches == [
        "same model, other generation",
        "fuel: 5 % ethanol",
        "peak power: 58.8 kW here, 59.9 kW there",
        "torque curve of like shape, 0 % apart",
    ]
    assert differs == [
        "generation: 2016-2019 here, 2020-2023 there",
        "airbox: none here, Halden open there",
        "silencer: Halden S2 here, Orvo T1 there",
        "map: stock here, Kestrel road r3 there",
        "worst lean error: +4 % here, +11 % there; mixture 7.0 points apart over the speed range",
    ]
    assert not_known == []


def test_words_of_another_model_name_both():
    here, there = build(), build(model_key=("Orvo", "Tarn 890"), displacement_cc=890.0)
    matches, differs, _ = (
        [words(one) for one in told] for told in why(here, there, scores_of(here, there))
    )
    assert "model: Corvane Strada 690 2016-2019 here, Orvo Tarn 890 2016-2019 there" in differs
    assert "displacement: 690 cc here, 890 cc there" in differs
    assert "silencer: Halden S2" in matches


def test_a_spike_of_lean_is_told_where_the_mixture_is_alike_on_the_whole():
    there = build(worst_lean_error_pct=9.0)
    _, differs, _ = why(build(), there, scores_of(build(), there))
    assert [words(one) for one in differs] == [
        "worst lean error: +4 % here, +9 % there; mixture 0.0 points apart over the speed range"
    ]


def test_shapes_with_nothing_in_common_are_told_by_the_least_they_are_apart():
    there = build(
        torque_shape=np.where(np.arange(14) % 2 == 0, 1.4, 0.6),
        mixture_shape=30.0 * np.ones(RELATIVE_SPEED.size),
        worst_lean_error_pct=None,
    )
    _, differs, _ = why(build(), there, scores_of(build(), there))
    assert [words(one) for one in differs] == [
        "torque curve of another shape, at least 25 % apart",
        "mixture at least 15.0 points apart over the speed range",
    ]


@pytest.mark.parametrize(
    ("call", "message"),
    [
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
