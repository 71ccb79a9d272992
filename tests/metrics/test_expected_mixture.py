"""The next bike's mixture: hand calculations, scipy's t, laws, and models of known truth."""

import numpy as np
import pytest
from scipy import stats

from flows.metrics.expected_mixture import (
    LEAST_MODELS,
    expected_of_groups,
    expected_of_unseen,
    lean_ranges,
)

NAN = float("nan")
SEEN = [[8.0, 10.0, 12.0], [6.0, 7.0, 8.0], [9.0, 11.0, 10.0], [14.0]]


def percent(logs):
    return 100.0 * np.expm1(logs)


def turned(groups):
    """Return errors as far to the other side: what was lean by a factor is rich by it."""
    return [[100.0 * (1.0 / (1.0 + error / 100.0) - 1.0) for error in group] for group in groups]


def mirrors(one, other):
    """Return whether two expectations are each other's mirror image in logarithms."""
    here, there = (np.log1p(np.array(each[:3]) / 100.0) for each in (one, other))
    return here == pytest.approx(-there[[0, 2, 1]], rel=1e-6, abs=1e-9)


def fleet(chance, sizes, models_sd, bikes_sd, error_sd=0.0):
    """Return the errors seen in each group and what its next bike truly has, mean log 0.03."""
    group = 0.03 + models_sd * chance.standard_normal(len(sizes))
    spread = np.hypot(bikes_sd, error_sd)
    seen = [
        percent(m + spread * chance.standard_normal(size))
        for m, size in zip(group, sizes, strict=True)
    ]
    return seen, percent(group + bikes_sd * chance.standard_normal(len(sizes)))


@pytest.mark.parametrize("level", [0.8, 0.95])
def test_a_group_alone_has_the_prediction_of_t_when_its_bikes_are_measured_exactly(level):
    errors = np.array([4.0, 7.0, 9.0, 5.0, 12.0, 6.0])
    (found,) = expected_of_groups([errors], 1e-4, level=level)
    # scipy's t; under a flat prior on the spread of k bikes it has k - 2 degrees of freedom, and
    # its scale is the sum of squares over them (Gelman 2006).
    logs = np.log1p(errors / 100.0)
    scale = (np.sum((logs - logs.mean()) ** 2) / 4 * (1 + 1 / 6)) ** 0.5
    low, high = percent(np.array(stats.t.interval(level, 4, logs.mean(), scale)))
    assert found.bikes == 6
    assert found.expected_pct == pytest.approx(100 * (stats.gmean(1 + errors / 100) - 1))
    assert (found.lower_pct, found.upper_pct) == pytest.approx((low, high), rel=0.01)


def test_two_groups_do_not_borrow():
    found = expected_of_groups([[10.0, 21.0], [4.0, 2.0, 3.0]])
    # Hand calculation: the geometric mean of 1.1 and 1.21.
    assert found[0].expected_pct == pytest.approx(100 * (1.331**0.5 - 1))
    assert [one.bikes for one in found] == [2, 3]
    assert np.isnan([one.borrowed_share for one in found]).all()


def test_two_single_bikes_say_nothing_of_the_next():
    for one, error in zip(expected_of_groups([[4.0], [9.0]]), (4.0, 9.0), strict=True):
        # Law: from two groups no spread is known, and a bike's best guess is its own figure.
        assert one.expected_pct == pytest.approx(error)
        assert np.isnan([one.lower_pct, one.upper_pct]).all()


def test_a_thin_group_is_drawn_to_the_others_and_more_than_a_thick_one():
    found = expected_of_groups(SEEN)
    # Law: between its own 14 % and the least of the others, for nothing else is mixed in.
    assert 7.0 < found[3].expected_pct < 14.0
    shares = [one.borrowed_share for one in found]
    assert all(0.0 < share < 1.0 for share in shares)
    assert max(shares) == shares[3]


def test_a_group_with_many_bikes_is_left_to_itself():
    shares = []
    chance = np.random.default_rng(1)
    for count in (1, 4, 40):
        own = 14.0 + 2.0 * stats.zscore(chance.standard_normal(count)) if count > 1 else [14.0]
        shares.append(expected_of_groups([*SEEN[:3], own])[3].borrowed_share)
    # Law: the mean of ever more bikes needs no help.
    assert shares[0] > shares[1] > shares[2]
    assert shares[2] < 0.1


def test_less_is_borrowed_from_models_that_differ():
    near, far = (
        expected_of_groups([[8.0, 12.0], [c + 9.0, c + 13.0], [7.0 - c, 11.0 - c], [10.0]])[3]
        for c in (0.0, 20.0)
    )
    # Law: what models differ by is what one of them does not say of another.
    assert far.borrowed_share < near.borrowed_share


def test_more_error_in_a_bike_s_figure_draws_it_further_to_the_others():
    sure, doubtful = (expected_of_groups([[4.0], [5.0], [6.0], [14.0]], sd)[3] for sd in (0.1, 4.0))
    # Law: weights go by the inverse of the variance.
    assert sure.borrowed_share < doubtful.borrowed_share
    assert sure.expected_pct > doubtful.expected_pct


def test_the_order_of_groups_and_of_bikes_does_not_matter():
    there = expected_of_groups(SEEN)
    back = expected_of_groups([group[::-1] for group in SEEN[::-1]])[::-1]
    # Law: groups and bikes have no order.
    for one, other in zip(there, back, strict=True):
        assert one == pytest.approx(other)


def test_lean_and_rich_are_alike_for_groups():
    there, back = expected_of_groups(SEEN), expected_of_groups(turned(SEEN))
    # Law: in logarithms a factor and its inverse are as far from 0.
    assert all(mirrors(one, other) for one, other in zip(there, back, strict=True))


def test_lean_and_rich_are_alike_for_single_bikes():
    groups = [[8.0], [10.0], [12.0]]
    there, back = expected_of_groups(groups), expected_of_groups(turned(groups))
    # Law: in logarithms a factor and its inverse are as far from 0.
    assert all(mirrors(one, other) for one, other in zip(there, back, strict=True))


def test_no_bike_is_expected_below_a_lambda_of_0():
    found = expected_of_groups([[-25.0], [5.0], [45.0]])
    # Law: 1 + e / 100 is a ratio of two lambdas, and above 0.
    assert all(one.lower_pct > -100.0 for one in found)


FLEETS = pytest.mark.parametrize("fleets", [80, pytest.param(300, marks=pytest.mark.long)])


@FLEETS
@pytest.mark.parametrize(("models_sd", "bikes_sd"), [(0.02, 0.02), (0.005, 0.03)])
def test_the_next_bike_of_a_group_is_held_in_95_of_100(models_sd, bikes_sd, fleets):
    chance = np.random.default_rng(2)
    held = []
    for _ in range(fleets):
        seen, following = fleet(chance, [1, 2, 4, 6, 3, 5, 2, 4], models_sd, bikes_sd, 0.005)
        found = expected_of_groups(seen, 0.5)
        held += [
            one.lower_pct <= y <= one.upper_pct for one, y in zip(found, following, strict=True)
        ]
    # Eight bikes a fleet: 4.5 standard errors of as many trials on either side.
    assert abs(np.mean(held) - 0.95) < 0.02 * (300 / fleets) ** 0.5


@FLEETS
@pytest.mark.parametrize(("models_sd", "bikes_sd"), [(0.02, 0.02), (0.005, 0.03)])
def test_the_next_bike_is_held_in_95_of_100_where_each_model_had_one_bike(
    models_sd, bikes_sd, fleets
):
    chance = np.random.default_rng(3)
    held = []
    for _ in range(fleets):
        seen, following = fleet(chance, [1] * 10, models_sd, bikes_sd, 0.005)
        found = expected_of_groups(seen, 0.5)
        held += [
            one.lower_pct <= y <= one.upper_pct for one, y in zip(found, following, strict=True)
        ]
    # A floor alone: single bikes cannot tell models from bikes, and wide is safe (no source).
    assert np.mean(held) > 0.95 - 0.02 * (300 / fleets) ** 0.5


@pytest.mark.parametrize("level", [0.8, 0.95])
def test_a_model_never_seen_has_the_prediction_of_t_from_single_bikes(level):
    logs = np.array([0.02, 0.05, 0.03, 0.09])
    found = expected_of_unseen([[e] for e in percent(logs)], level=level)
    # scipy; one further observation has the variance s^2 (1 + 1/k).
    scale = (logs.var(ddof=1) * 1.25) ** 0.5
    low, high = percent(np.array(stats.t.interval(level, 3, logs.mean(), scale)))
    assert found[:3] == pytest.approx((percent(logs.mean()), low, high))
    assert (found.bikes, found.borrowed_share) == (0, 1.0)


def test_a_model_never_seen_by_hand():
    found = expected_of_unseen([[e] for e in percent(np.array([0.02, 0.04, 0.06]))])
    # Hand calculation: s = 0.02, half 4.30265 * 0.02 * sqrt(4/3) = 0.099366; exp(-0.059366) is
    # 0.942362, exp(0.139366) is 1.149545 and exp(0.04) 1.040811.
    assert found[:3] == pytest.approx((4.0811, -5.7638, 14.9545), abs=2e-4)


def test_each_model_counts_once_however_many_bikes_it_had():
    found = expected_of_unseen([[10.0], [21.0] * 5, [33.1] * 2])
    # Hand calculation: the geometric mean of 1.1, 1.1^2 and 1.1^3.
    assert found.expected_pct == pytest.approx(21.0)
    # Law: where bikes of one model do not differ, one of them says as much as five.
    assert found == pytest.approx(expected_of_unseen([[10.0], [21.0], [33.1]]))


def test_bikes_that_differ_widen_what_is_expected_of_another_model():
    # The same models' means each time, and bikes of a model further and further apart.
    alike, apart, far = (
        expected_of_unseen([percent(np.array([m - d, m + d])) for m in (0.02, 0.04, 0.06)])
        for d in (0.0, 0.03, 0.08)
    )
    assert far.expected_pct == pytest.approx(alike.expected_pct)
    # Law: scatter on top of the models' own never narrows, but for rounding.
    assert apart.lower_pct <= alike.lower_pct + 1e-9
    assert apart.upper_pct >= alike.upper_pct - 1e-9
    # Hand calculation: with normal quantiles alone the half is 1.96 * 0.08 = 0.157 against 0.099.
    assert far.lower_pct < percent(0.04 - 0.157)
    assert far.upper_pct > percent(0.04 + 0.157)


def test_lean_and_rich_are_alike_for_a_model_never_seen():
    # Law: in logarithms a factor and its inverse are as far from 0.
    assert mirrors(expected_of_unseen(SEEN), expected_of_unseen(turned(SEEN)))


def test_fewer_than_three_models_say_nothing_of_another():
    for groups in ([], [[8.0, 9.0]], [[8.0, 9.0], [10.0, 11.0]]):
        found = expected_of_unseen(groups)
        assert np.isnan([*found[:3], found.borrowed_share]).all()
        assert found.bikes == 0
    assert LEAST_MODELS == 3  # common practice, no source


@pytest.mark.parametrize("sizes", [[1] * 5, [3] * 5, [1, 2, 6, 2]])
@pytest.mark.parametrize(("models_sd", "bikes_sd"), [(0.02, 0.02), (0.005, 0.03)])
def test_a_bike_of_a_model_never_seen_is_held_in_95_of_100(sizes, models_sd, bikes_sd):
    chance = np.random.default_rng(4)
    held = 0
    for _ in range(2000):
        seen, _ = fleet(chance, sizes, models_sd, bikes_sd)
        other = percent(0.03 + np.hypot(models_sd, bikes_sd) * chance.standard_normal())
        found = expected_of_unseen(seen)
        held += found.lower_pct <= other <= found.upper_pct
    assert 0.93 < held / 2000 < 0.97


ROAD = np.arange(4000.0, 7001.0, 250.0)


def ranges(expected, **changes):
    expected = np.asarray(expected, dtype=float)
    return lean_ranges(ROAD, expected, expected - 2.0, expected + 3.0, **changes)


def test_lean_ranges_have_their_ends_their_worst_speed_and_its_interval():
    expected = np.zeros(ROAD.size)
    expected[1:4], expected[8:10] = (6.0, 11.0, 7.0), (5.0, 9.0)
    # Hand calculation: the speeds are 4000 + 250 i, the ends 2 below and 3 above.
    assert ranges(expected) == [
        (4250.0, 4750.0, 4500.0, 11.0, 9.0, 14.0),
        (6000.0, 6250.0, 6250.0, 9.0, 7.0, 12.0),
    ]


def test_a_range_may_fill_all_speeds_and_a_rich_one_is_none():
    (found,) = ranges(np.full(ROAD.size, 7.0))
    assert (found.from_rpm, found.to_rpm) == (4000.0, 7000.0)  # hand calculation
    assert ranges(np.full(ROAD.size, -7.0)) == []  # law: rich is not lean


@pytest.mark.parametrize("gap", [4.9, NAN])
def test_a_speed_that_is_not_lean_or_not_known_parts_a_range(gap):
    expected = np.full(ROAD.size, 6.0)
    expected[6] = gap
    # Hand calculation: place 6 is 5500 rpm.
    ends = [(one.from_rpm, one.to_rpm) for one in ranges(expected)]
    assert ends == [(4000.0, 5250.0), (5750.0, 7000.0)]


def test_narrow_lean_ranges_are_left_out_and_the_limits_themselves_are_kept():
    expected = np.zeros(ROAD.size)
    expected[2], expected[5:7] = 20.0, 5.0
    # Hand calculation: one speed has no width, two have 250 rpm; 5 % is reached.
    assert [one.from_rpm for one in ranges(expected)] == [5250.0]
    assert [one.from_rpm for one in ranges(expected, least_width_rpm=0.0)] == [4500.0, 5250.0]
    assert ranges(expected, least_width_rpm=251.0) == []
    assert ranges(expected, notice_pct=5.001) == []


def test_a_range_with_no_known_interval_is_still_lean():
    whole = np.full(ROAD.size, 8.0)
    (found,) = lean_ranges(ROAD, whole, NAN * whole, NAN * whole)
    assert found.expected_pct == 8.0  # hand calculation
    assert np.isnan([found.lower_pct, found.upper_pct]).all()


def test_no_groups_have_no_answers():
    assert expected_of_groups([]) == []  # law: one for each group


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: expected_of_groups([[1.0], []]), "at least 1 bike, got 0"),
        (lambda: expected_of_groups([[1.0, NAN]]), "must be finite, got nan"),
        (lambda: expected_of_groups([[1.0]], 0.0), "error_sd_pct must be above 0 %, got 0"),
        (lambda: expected_of_groups([[1.0]], level=1.0), "level must be below 1, got 1"),
        (lambda: expected_of_unseen([[1.0]] * 3, level=0.0), "level must be above 0, got 0"),
        (lambda: expected_of_unseen([], level=95.0), "level must be below 1, got 95"),
        (lambda: lean_ranges([2.0, 1.0], *[[1.0] * 2] * 3), "engine_speed_rpm must ascend"),
        (lambda: lean_ranges([1.0, 1.0], *[[1.0] * 2] * 3), "engine_speed_rpm must ascend"),
        (lambda: lean_ranges([[1.0]], *[[1.0]] * 3), "engine_speed_rpm must ascend"),
        (lambda: lean_ranges([1.0, 2.0], [1.0], [1.0] * 2, [1.0] * 2), "expected_pct must match"),
        (lambda: lean_ranges([1.0, 2.0], [1.0] * 2, [1.0], [1.0] * 2), "lower_pct must match"),
        (lambda: lean_ranges([1.0, 2.0], [1.0] * 2, [1.0] * 2, [1.0]), "upper_pct must match"),
    ],
)
def test_impossible_calls_are_refused_in_words(call, message):
    with pytest.raises(ValueError, match=message):
        call()
