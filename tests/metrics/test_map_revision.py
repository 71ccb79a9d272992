"""A map over its bikes: hand calculations, scipy's intervals, laws, and fleets of known truth."""

import numpy as np
import pytest
from scipy import stats

from flows.metrics.map_revision import change_between, mean_by_speed, missed_ranges
from flows.metrics.session import PooledSd, pooled_sd

NAN = float("nan")


def named(values, first=1):
    return [(f"B-{first + i}", float(value)) for i, value in enumerate(values)]


@pytest.mark.parametrize("level", [0.8, 0.95, 0.99])
def test_mean_and_interval_at_each_speed_are_those_of_t(level):
    errors = np.random.default_rng(1).normal(3.0, 2.0, (6, 4))
    found = mean_by_speed(errors, level=level)
    sem = stats.sem(errors, axis=0)
    low, high = stats.t.interval(level, 5, errors.mean(axis=0), sem)  # scipy
    assert found.mean_pct == pytest.approx(errors.mean(axis=0))
    assert found.sd_pct == pytest.approx(sem * 6**0.5)
    assert found.lower_pct == pytest.approx(low)
    assert found.upper_pct == pytest.approx(high)


def test_a_bike_that_did_not_see_a_speed_does_not_count_there():
    errors = [[1.0, NAN, NAN, 2.0], [3.0, 4.0, NAN, 4.0], [8.0, NAN, NAN, NAN]]
    found = mean_by_speed(errors)
    # Hand calculation: sums 12, 4, none and 6; squares 9 + 1 + 16 = 26 over 2, and 2 over 1.
    assert found.bikes.tolist() == [3, 1, 0, 2]
    assert found.mean_pct == pytest.approx([4.0, 4.0, NAN, 3.0], nan_ok=True)
    assert found.sd_pct == pytest.approx([13**0.5, NAN, NAN, 2**0.5], nan_ok=True)
    # Tables: t of 1 degree of freedom is 12.706, of 2 is 4.303; sem of the last is 1.
    assert found.upper_pct == pytest.approx(
        [4 + 4.303 * (13 / 3) ** 0.5, NAN, NAN, 3 + 12.706], rel=1e-4, nan_ok=True
    )
    # Law: Student's interval is even about the mean.
    assert (found.upper_pct + found.lower_pct)[[0, 3]] == pytest.approx([8.0, 6.0])
    assert np.isnan(found.lower_pct).tolist() == [False, True, True, False]


def test_the_interval_of_the_mean_holds_the_truth_in_95_of_100():
    chance = np.random.default_rng(2)
    errors = chance.normal(4.0, 3.0, (5, 20_000))
    errors[2:, ::2] = np.where(chance.random((3, 10_000)) < 0.3, NAN, errors[2:, ::2])
    found = mean_by_speed(errors)
    held = (found.lower_pct <= 4.0) & (found.upper_pct >= 4.0)
    for part in (slice(0, None, 2), slice(1, None, 2)):
        assert 0.93 < held[part].mean() < 0.97


SPEED = np.arange(4000.0, 8001.0, 250.0)


def test_lean_and_rich_ranges_are_found_with_their_ends_and_worst_place():
    error = np.zeros(SPEED.size)
    error[2:5] = -6.0, -9.0, -7.0
    error[10:14] = 5.0, 6.0, 12.0, 8.0
    rich, lean = missed_ranges(SPEED, [error, error])
    # Hand calculation: the speeds are 4000 + 250 i.
    assert rich == ("rich", 4500.0, 5000.0, 6.0, 9.0, 4750.0, 2, 2)
    assert lean == ("lean", 6500.0, 7250.0, 5.0, 12.0, 7000.0, 2, 2)


def test_a_map_too_rich_mirrors_a_map_too_lean():
    errors = np.array([[1.0], [0.9], [1.2]]) * (10.0 * np.sin(SPEED / 500.0))
    errors[1, 4:9] = NAN
    other = {"lean": "rich", "rich": "lean"}
    as_it_is, turned = missed_ranges(SPEED, errors), missed_ranges(SPEED, -errors)
    # Law: the sign of the error says the side and nothing else.
    assert {one.side for one in as_it_is} == set(other)
    assert [one._replace(side=other[one.side]) for one in as_it_is] == turned


def test_ranges_ascend_whatever_their_side():
    error = np.repeat([6.0, -6.0, 6.0, -6.0, 0.0], [2, 3, 4, 5, 3])
    found = missed_ranges(SPEED, error)
    # Hand calculation: runs begin at places 0, 2, 5 and 9; lean next to rich is two ranges.
    assert [one.side for one in found] == ["lean", "rich", "lean", "rich"]
    assert [one.from_rpm for one in found] == [4000.0, 4500.0, 5250.0, 6250.0]


def test_a_range_may_begin_and_end_with_the_speeds():
    (found,) = missed_ranges(SPEED, np.full(SPEED.size, 7.0))
    assert (found.from_rpm, found.to_rpm) == (4000.0, 8000.0)  # hand calculation


@pytest.mark.parametrize("gap", [4.9, NAN])
def test_a_speed_within_the_target_or_never_seen_parts_a_range(gap):
    error = np.full(SPEED.size, 6.0)
    error[8] = gap
    found = missed_ranges(SPEED, error)
    # Hand calculation: place 8 is 6000 rpm.
    assert [(one.from_rpm, one.to_rpm) for one in found] == [(4000, 5750), (6250, 8000)]


def test_narrow_ranges_are_left_out_and_the_limit_itself_is_kept():
    error = np.zeros(SPEED.size)
    error[3], error[6:8] = 20.0, 20.0
    # Hand calculation: one speed has no width, two have 250 rpm.
    assert [one.from_rpm for one in missed_ranges(SPEED, error)] == [5500.0]
    wide = missed_ranges(SPEED, error, least_width_rpm=0.0)
    assert [one.from_rpm for one in wide] == [4750.0, 5500.0]
    assert missed_ranges(SPEED, error, least_width_rpm=251.0) == []


def test_the_error_that_matters_is_missed_when_reached():
    for error, count in ((4.999, 0), (5.0, 1)):  # hand calculation
        assert len(missed_ranges(SPEED, np.full(SPEED.size, error))) == count
    assert len(missed_ranges(SPEED, np.full(SPEED.size, 3.0), notice_pct=3.0)) == 1


def test_bikes_that_saw_a_range_and_those_that_miss_in_it_are_counted():
    errors = np.full((4, SPEED.size), NAN)
    errors[:, 4:8] = [[9.0, 9.0, 9.0, NAN], [4.0, 4.0, 4.0, 16.0], [4.0] * 4, [NAN] * 4]
    (found,) = missed_ranges(SPEED, errors)
    # Hand calculation: means 17/3 thrice and 20/2; own means 9, 7 and 4, and one saw nothing.
    assert (found.least_pct, found.most_pct) == pytest.approx((17 / 3, 10.0))
    assert (found.bikes, found.bikes_missing) == (3, 2)
    assert found.worst_speed_rpm == 5750.0


def test_errors_that_cancel_over_the_bikes_are_no_fault_of_the_map():
    # Law: the mean of one bike lean and one as rich is 0.
    assert missed_ranges(SPEED, [[10.0] * SPEED.size, [-10.0] * SPEED.size]) == []


@pytest.mark.parametrize("level", [0.8, 0.95])
def test_the_same_bikes_on_both_revisions_are_paired(level):
    chance = np.random.default_rng(4)
    before = chance.normal(8.0, 3.0, 7)
    after = before - chance.normal(2.0, 0.5, 7)
    # The order of the bikes differs, and bikes on one revision alone are not in it.
    found = change_between(
        [("A", 30.0), *named(before)], [*reversed(named(after)), ("Z", 0.1)], level=level
    )
    ends = stats.ttest_rel(after, before).confidence_interval(level)  # scipy
    assert found.is_paired
    assert found.change_pct == pytest.approx((after - before).mean())
    assert (found.lower_pct, found.upper_pct) == pytest.approx(tuple(ends))


@pytest.mark.parametrize("shared", [0, 1])
@pytest.mark.parametrize("level", [0.8, 0.95])
def test_other_bikes_on_the_later_revision_are_two_groups(shared, level):
    chance = np.random.default_rng(5)
    before, after = chance.normal(8.0, 3.0, 7), chance.normal(5.0, 1.0, 4)
    found = change_between(named(before), named(after, first=8 - shared), level=level)
    test = stats.ttest_ind(after, before, equal_var=False)  # scipy
    assert not found.is_paired
    assert found.change_pct == pytest.approx(after.mean() - before.mean())
    assert (found.lower_pct, found.upper_pct) == pytest.approx(
        tuple(test.confidence_interval(level))
    )


def test_two_shared_bikes_are_enough_to_pair():
    found = change_between(named([4.0, 9.0]), named([3.0, 6.0]))
    # Hand calculation: -1 and -3, mean -2, standard error 1; t of 1 degree of freedom 12.706. Means
    # of 6.5 and 4.5 can fall by no more, and have risen by no more.
    assert found == pytest.approx((-2.0, -6.5, 4.5, True), rel=1e-4)


def test_the_scatter_of_many_maps_is_pooled_by_their_degrees_of_freedom():
    groups = [[1.0, 2.0, 4.0], [3.0, 3.5], [8.0]]
    # Hand calculation: squares 14/3 and 1/8 over 2 + 1 degrees of freedom.
    assert pooled_sd(groups) == pytest.approx((((14 / 3 + 1 / 8) / 3) ** 0.5, 3.0))
    of_two = pooled_sd([groups[0], [5.0, 9.0, 1.0]])
    test = stats.f_oneway(groups[0], [5.0, 9.0, 1.0])  # scipy: its error is the pooled variance
    means = np.array([7 / 3, 5.0])
    between = 3.0 * np.sum((means - means.mean()) ** 2)
    assert between / of_two.sd**2 == pytest.approx(test.statistic)
    assert np.isnan(pooled_sd([[1.0], []]).sd)


@pytest.mark.parametrize(("before", "after"), [([6.0], [4.0]), ([6.0, 6.0], [4.0, 4.0])])
def test_the_shops_scatter_stands_in_where_a_map_has_few_bikes(before, after):
    found = change_between(named(before), named(after, first=9), scatter=PooledSd(1.0, 20))
    # Student's t of 20 degrees of freedom is 2.086 (any table of it).
    half = 2.086 * (1 / len(before) + 1 / len(after)) ** 0.5
    assert found == pytest.approx((-2.0, -2.0 - half, -2.0 + half, False), rel=1e-3)


def test_many_bikes_on_both_maps_speak_for_themselves():
    scatter = PooledSd(5.0, 30)
    few, many = ([3.0, 5.0, 4.0], [3.0, 5.0, 4.0, 6.0])
    for sizes, is_paired in ((few, False), (many, True)):
        later = named([size - 1.0 for size in sizes])
        assert change_between(named(sizes), later, scatter=scatter).is_paired is is_paired


def test_one_bike_on_a_side_gives_a_change_without_an_interval():
    for earlier, later in (([6.0, 8.0], [3.0]), ([7.0], [2.0, 4.0]), ([7.0], [3.0])):
        found = change_between(named(earlier), named(later, first=10))
        assert found.change_pct == pytest.approx(-4.0)  # hand calculation
        assert np.isnan([found.lower_pct, found.upper_pct]).all()
        assert not found.is_paired


def test_one_bike_on_both_revisions_and_no_other_gives_no_interval():
    found = change_between([("B-1", 7.0)], [("B-1", 3.0)])
    assert found.change_pct == pytest.approx(-4.0)  # hand calculation
    assert np.isnan([found.lower_pct, found.upper_pct]).all()


def test_an_empty_side_says_nothing():
    for earlier, later in (([], [("B-1", 2.0)]), ([("B-1", 2.0)], []), ([], [])):
        found = change_between(earlier, later)
        assert np.isnan(found[:3]).all()
        assert not found.is_paired


@pytest.mark.parametrize("first", [1, 4, 30])
def test_turned_round_the_change_has_the_other_sign(first):
    chance = np.random.default_rng(6)
    a, b = named(chance.normal(6, 2, 8)), named(chance.normal(5, 1, 6), first=first)
    there, back = change_between(a, b), change_between(b, a)
    # Law: b less a is the opposite of a less b.
    assert back[:3] == pytest.approx((-there.change_pct, -there.upper_pct, -there.lower_pct))
    assert there.is_paired is back.is_paired is (first < 30)


@pytest.mark.parametrize(("paired", "later_sd"), [(True, 0.0), (False, 1.0), (False, 4.0)])
def test_the_interval_of_the_change_holds_the_truth_in_95_of_100(paired, later_sd):
    chance = np.random.default_rng(7)
    held = 0
    for _ in range(4000):
        before = chance.normal(9.0, 2.0, 6)
        if paired:
            later = named(before - 3.0 + chance.normal(0.0, 0.8, 6))
        else:
            later = named(chance.normal(6.0, later_sd, 9), first=7)
        found = change_between(named(before), later)
        held += found.lower_pct <= -3.0 <= found.upper_pct
    assert 0.93 < held / 4000 < 0.97


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: mean_by_speed([[1.0]], level=0.0), "level must be above 0, got 0"),
        (lambda: mean_by_speed([[1.0]], level=1.0), "level must be below 1, got 1"),
        (lambda: change_between([], [], level=95.0), "level must be below 1, got 95"),
        (lambda: missed_ranges([2.0, 1.0], [[1.0, 2.0]]), "engine_speed_rpm must ascend"),
        (lambda: missed_ranges([1.0, 1.0], [[1.0, 2.0]]), "engine_speed_rpm must ascend"),
        (lambda: missed_ranges([1.0, NAN], [[1.0, 2.0]]), "engine_speed_rpm must ascend"),
        (lambda: missed_ranges([[1.0, 2.0]], [[1.0, 2.0]]), "engine_speed_rpm must ascend"),
        (lambda: missed_ranges([1.0, 2.0], [[1.0]]), "a column for each speed, got 1 for 2"),
        (
            lambda: missed_ranges([1.0], [[1.0]], notice_pct=0.0),
            "notice_pct must be above 0 %, got 0",
        ),
        (
            lambda: missed_ranges([1.0], [[1.0]], least_width_rpm=-1.0),
            "least_width_rpm must be at least 0 rpm, got -1",
        ),
    ],
)
def test_impossible_calls_are_refused_in_words(call, message):
    with pytest.raises(ValueError, match=message):
        call()
