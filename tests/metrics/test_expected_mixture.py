"""The next bike's mixture: hand calculations, scipy's t, laws, and bikes of known truth."""

import numpy as np
import pytest
from scipy import integrate, stats

from flows.metrics.expected_mixture import expected_of_groups, lean_ranges
from flows.metrics.next_bike import next_bikes

NAN = float("nan")
SEEN = [[8.0, 10.0, 12.0], [6.0, 7.0, 8.0], [9.0, 11.0, 10.0], [14.0]]


def percent(logs):
    return 100.0 * np.expm1(logs)


def turned(groups):
    """Return errors as far to the other side: what was lean by a factor is rich by it."""
    return [[100.0 * (1.0 / (1.0 + error / 100.0) - 1.0) for error in group] for group in groups]


def test_one_build_has_the_t_prediction_of_one_more_observation():
    errors = np.array([4.0, 7.0, 9.0, 5.0, 12.0, 6.0])
    found = expected_of_groups([errors])[0]
    # scipy's t; Hahn and Meeker, Statistical Intervals, section 4.8 (from memory).
    logs = np.log1p(errors / 100.0)
    scale = logs.std(ddof=1) * (1 + 1 / 6) ** 0.5
    low, high = percent(np.array(stats.t.interval(0.9, 5, logs.mean(), scale)))
    assert (found.lower_pct, found.upper_pct) == pytest.approx((low, high), rel=1e-6)
    assert (found.bikes, found.borrowed_share) == (6, 0.0)


def test_one_build_by_hand():
    found = next_bikes([[2.0, 4.0, 6.0]])
    # Hand calculation: s = 2, t of 2 degrees at 95 % is 2.91999, so 4 ± 2.91999 * 2 * sqrt(4/3).
    assert found.quantile(0.95)[0] == pytest.approx(4.0 + 6.7434, abs=1e-3)
    assert found.chance_below(4.0)[0] == pytest.approx(0.5)


def test_the_next_bike_agrees_with_the_posterior_by_quadrature():
    groups = [[1.0, 3.0, 2.5], [4.0, 6.0], [9.0]]
    found = next_bikes(groups)
    y = np.concatenate(groups)
    group = np.repeat([0, 1, 2], [3, 2, 1])

    # Another way: the joint normal of the six bikes and the next of the last group, its covariance
    # written out, tau by scipy's quadrature, what typical groups borrow on a raster of its own.
    typical = 3 / (1 / 3 + 1 / 2 + 1)
    alike = np.append(group, 2)

    def joint(tau, share):
        ratio2 = (1 / share - 1) / typical
        cov = tau**2 * (np.eye(7) + ratio2 * (alike[:, None] == alike))
        own = np.linalg.inv(cov[:6, :6])
        ones = np.ones(6)
        info = ones @ own @ ones
        mu = ones @ own @ y / info
        rest = y - mu
        fit = -0.5 * (np.linalg.slogdet(cov[:6, :6])[1] + np.log(info) + rest @ own @ rest)
        to_next = cov[6, :6] @ own
        mean = mu + to_next @ rest
        var = cov[6, 6] - to_next @ cov[:6, 6] + (1 - to_next.sum()) ** 2 / info
        return np.exp(fit) / tau, mean, var

    def moment(take):
        return sum(
            integrate.quad(lambda t, s=share: take(*joint(t, s)), 0.05, 40, limit=200)[0]
            for share in (np.arange(60) + 0.5) / 60
        )

    total = moment(lambda weight, *_: weight)
    mean = moment(lambda weight, m, _: weight * m) / total
    assert found.mean[2] == pytest.approx(mean, rel=0.01)
    # A t of v degrees has the variance v / (v - 2) of its squared scale: 5/3.
    variance = moment(lambda weight, m, v: weight * (v + (m - mean) ** 2)) / total
    middles = moment(lambda weight, m, _: weight * (m - mean) ** 2) / total
    scale2 = (variance - middles) * 3 / 5 + middles
    # Six bikes of three groups hold 3 within groups: no floor binds.
    assert found.scale[2] ** 2 == pytest.approx(scale2, rel=0.03)


def by_covariance(groups, steps=1500):
    """Return middle, spread and borrowed share of each group and of one never seen.

    Every bike's covariance is written out and the spread is integrated by the normal theory of
    generalised least squares (Gelman et al., Bayesian Data Analysis, chapter 14); what a typical
    group borrows goes evenly over a raster of its own.
    """
    y, sizes = np.concatenate(groups), np.array([len(group) for group in groups])
    of = np.repeat(np.arange(sizes.size), sizes)
    ones, next_of = np.ones(y.size), np.arange(sizes.size + 1)[:, None]
    rows = []
    for borrowed in (np.arange(steps) + 0.5) / steps:
        ratio2 = (1.0 / borrowed - 1.0) * np.mean(1.0 / sizes)
        own = np.linalg.inv(np.eye(y.size) + ratio2 * np.equal.outer(of, of))
        info = ones @ own @ ones
        mu = ones @ own @ y / info
        squares = (y - mu) @ own @ (y - mu)
        fit = 0.5 * (np.linalg.slogdet(own)[1] - np.log(info) - (y.size - 1) * np.log(squares))
        cross = ratio2 * (next_of == of)
        to_next = cross @ own
        middle = mu + to_next @ (y - mu)
        spread = 1.0 + ratio2 - np.sum(to_next * cross, axis=1)
        spread += (1.0 - to_next @ ones) ** 2 / info
        lent = np.append(1.0 / (1.0 + sizes * ratio2), 1.0)
        rows.append((fit, middle, spread * squares / (y.size - 1), lent))
    fit, middle, scale2, lent = (np.array(each) for each in zip(*rows, strict=True))
    weight = np.exp(fit - fit.max())
    weight /= weight.sum()
    mean = weight @ middle
    return mean, np.sqrt(weight @ (scale2 + (middle - mean) ** 2)), weight @ lent


@pytest.mark.parametrize(
    "groups",
    [
        [[1.0, 3.0, 2.5, 2.0], [4.0, 6.0], [9.0, 8.0, 8.5], [3.0]],
        [[0.0, 4.0], [1.0, 6.0, 2.0, 5.0], [3.5, -1.0], [2.0, 7.0], [2.5]],
    ],
)
def test_every_group_and_one_never_seen_agree_with_the_whole_covariance(groups):
    found, (mean, scale, lent) = next_bikes(groups), by_covariance(groups)
    assert found.mean == pytest.approx(mean, abs=2e-3 * np.ptp(mean))
    assert found.borrowed_share == pytest.approx(lent, abs=2e-3)
    # Groups whose bikes tell their scatter have no floor; one never seen has that of the means.
    assert found.scale[:-1] == pytest.approx(scale[:-1], rel=2e-3)
    means = np.array([np.mean(group) for group in groups])
    floor = means.std(ddof=1) * (1 + 1 / means.size) ** 0.5
    assert found.scale[-1] == pytest.approx(max(scale[-1], floor), rel=2e-3)
    bikes = sum(len(group) for group in groups)
    assert found.degrees.tolist() == [bikes - 1.0] * means.size + [means.size - 1.0]


def test_three_bikes_of_three_builds_have_the_scatter_of_any_two():
    found = next_bikes([[-10.0], [0.0], [10.0]])
    # Hand calculation: variance 100 of all; times 1 + 1/1 for each, times 1 + 1/3 for another.
    assert found.scale == pytest.approx(np.sqrt([200.0, 200.0, 200.0, 400.0 / 3.0]))


def test_two_pairs_do_not_tell_the_scatter_within_builds_and_three_do():
    two = next_bikes([[0.0, 0.1], [10.0, 10.1], [-10.0], [20.0]])
    # Hand calculation: squares sum to 702.02, less 30.2² / 6 = 152.0067, over 5: 110.0027.
    every = (702.02 - 30.2**2 / 6) / 5
    assert two.scale[:-1] == pytest.approx(np.sqrt(every * np.array([1.5, 1.5, 2.0, 2.0])))
    pairs = [[0.0, 0.1], [1.0, 1.1], [-1.0, -0.9]]
    three = next_bikes(pairs)
    assert three.scale[:-1] == pytest.approx(by_covariance(pairs)[1][:-1], rel=5e-3)
    # Hand calculation: three means 1 apart have the variance 1, and a fourth 1 + 1/3 of it.
    assert three.scale[-1] == pytest.approx((4.0 / 3.0) ** 0.5)


def test_the_unit_does_not_matter_however_many_bikes_there_are():
    chance = np.random.default_rng(8)
    groups = [chance.normal(level, 1.0, 150) for level in (0.0, 30.0, 50.0)]
    found, small = next_bikes(groups), next_bikes([1e-6 * group for group in groups])
    # Law: in another unit it is the same.
    assert 1e6 * small.scale == pytest.approx(found.scale)
    assert 1e6 * small.mean == pytest.approx(found.mean)


def test_less_than_three_bikes_tell_nothing_of_the_next():
    for groups in ([[4.0]], [[4.0, 9.0]], [[4.0], [9.0]]):
        for one in expected_of_groups(groups):
            assert np.isnan([one.lower_pct, one.upper_pct, one.within_share]).all()


def test_fewer_than_three_models_say_nothing_of_another():
    assert np.isnan(expected_of_groups([[8.0, 9.0, 7.0], [10.0, 11.0]])[-1].upper_pct)
    assert np.isfinite(expected_of_groups([[8.0, 9.0], [10.0], [9.0]])[-1].upper_pct)


def test_a_thin_group_is_drawn_to_the_others_and_more_than_a_thick_one():
    found = expected_of_groups(SEEN)[:-1]
    # Law: between its own 14 % and the least of the others, for nothing else is mixed in.
    assert 7.0 < found[3].expected_pct < 14.0
    shares = [one.borrowed_share for one in found]
    assert all(0.0 < share < 1.0 for share in shares)
    assert max(shares) == shares[3]


def test_less_is_borrowed_from_models_that_differ():
    near, far = (
        expected_of_groups([[8.0, 12.0], [c + 9.0, c + 13.0], [7.0 - c, 11.0 - c], [10.0]])[3]
        for c in (0.0, 20.0)
    )
    # Law: what models differ by is what one of them does not say of another.
    assert far.borrowed_share < near.borrowed_share


def test_the_order_of_groups_and_of_bikes_does_not_matter():
    there = expected_of_groups(SEEN)[:-1]
    back = expected_of_groups([group[::-1] for group in SEEN[::-1]])[-2::-1]
    # Law: groups and bikes have no order.
    for one, other in zip(there, back, strict=True):
        assert one == pytest.approx(other)


def test_lean_and_rich_are_alike():
    for one, other in zip(expected_of_groups(SEEN), expected_of_groups(turned(SEEN)), strict=True):
        # Law: in logarithms a factor and its inverse are as far from 0.
        here, there = (np.log1p(np.array(each[:3]) / 100.0) for each in (one, other))
        assert here == pytest.approx(-there[[0, 2, 1]], rel=1e-6, abs=1e-9)


def test_no_bike_is_expected_below_a_lambda_of_0():
    # Law: 1 + e / 100 is a ratio of two lambdas, and above 0.
    assert all(one.lower_pct > -100.0 for one in expected_of_groups([[-25.0], [5.0], [45.0]]))


OTHERS = [2, 3, 1, 5]
"""Bikes of the other builds of the shop."""
FLEETS = pytest.mark.parametrize("fleets", [800, pytest.param(6000, marks=pytest.mark.long)])


def curves(chance, build, bikes, *, bikes_sd):
    """Return lean errors by speed of bikes of a build: level and shape differ, and the gauge."""
    place = np.linspace(0.0, 1.0, 25)
    level = bikes_sd * chance.standard_normal((bikes, 1))
    tilt = 0.5 * bikes_sd * chance.standard_normal((bikes, 1)) * (place - 0.5)
    wave = 0.4 * bikes_sd * chance.standard_normal((bikes, 1)) * np.sin(9.0 * place)
    hump = build * np.exp(-(((place - 0.6) / 0.2) ** 2))
    return hump + level + tilt + wave + 0.5 * chance.standard_normal((bikes, 1))


@FLEETS
@pytest.mark.parametrize("bikes", [1, 2, 4, 8, 20])
def test_the_next_bike_is_held_as_often_as_told_and_fuel_is_enough_everywhere(bikes, fleets):
    chance = np.random.default_rng(100 + bikes)
    held = enough = 0
    for _ in range(fleets):
        builds = 9.0 + 3.0 * chance.standard_normal(1 + len(OTHERS))
        seen = [
            curves(chance, build, count, bikes_sd=2.0).max(axis=1)
            for build, count in zip(builds, [bikes, *OTHERS], strict=True)
        ]
        found = expected_of_groups(seen)[0]
        following = curves(chance, builds[0], 1, bikes_sd=2.0)[0]
        held += found.lower_pct <= following.max() <= found.upper_pct
        enough += bool(np.all(following <= found.upper_pct))
    # 90 of 100 meant: 87 to 93; 95 of 100 enough at every speed: 93 to 97; and 2.5 standard errors
    # of as many trials.
    reach = 2.5 / fleets**0.5
    assert abs(held / fleets - 0.90) < 0.03 + 0.30 * reach * (fleets < 1000)
    assert abs(enough / fleets - 0.95) < 0.02 + 0.22 * reach * (fleets < 1000)


@pytest.mark.parametrize("bikes", [4, 8, 20])
def test_the_next_bike_of_the_only_build_is_held_as_often_as_told(bikes):
    chance = np.random.default_rng(200 + bikes)
    seen = 0.1 + 0.03 * chance.standard_normal((3000, bikes + 1))
    held = 0
    for row in seen:
        found = next_bikes([row[:-1]])
        held += found.quantile(0.05)[0] <= row[-1] <= found.quantile(0.95)[0]
    # Exact by theory; 3.5 standard errors of 3,000 trials.
    assert abs(held / 3000 - 0.90) < 0.019


@pytest.mark.parametrize("builds_sd", [0.005, 0.02, 0.08])
def test_where_each_build_had_one_bike_the_next_is_held_and_may_be_held_wide(builds_sd):
    chance = np.random.default_rng(3)
    held = []
    for _ in range(400):
        builds = 0.03 + builds_sd * chance.standard_normal(8)
        found = next_bikes([[b + 0.02 * chance.standard_normal()] for b in builds])
        following = builds + 0.02 * chance.standard_normal(8)
        held += list(following <= found.quantile(0.95)[:-1])
    # A floor alone: single bikes cannot tell builds from bikes, and wide is safe (no source).
    assert np.mean(held) > 0.94


@pytest.mark.parametrize("sizes", [[1] * 5, [3] * 5, [1, 2, 6, 2]])
@pytest.mark.parametrize(("models_sd", "bikes_sd"), [(0.02, 0.02), (0.005, 0.03), (0.08, 0.02)])
def test_fuel_told_for_a_model_never_seen_is_enough_in_19_of_20(sizes, models_sd, bikes_sd):
    chance = np.random.default_rng(4)
    enough = 0
    for _ in range(800):
        models = 0.03 + models_sd * chance.standard_normal(len(sizes) + 1)
        seen = [
            m + bikes_sd * chance.standard_normal(size)
            for m, size in zip(models[1:], sizes, strict=True)
        ]
        following = models[0] + bikes_sd * chance.standard_normal()
        enough += following <= next_bikes(seen).quantile(0.95)[-1]
    # Never less than told, within 2.5 standard errors of 800 trials; few models are held wide.
    assert 0.93 < enough / 800 <= 1.0


def test_the_chance_of_a_limit_is_that_of_the_range():
    found = expected_of_groups(SEEN, limit_pct=expected_of_groups(SEEN)[0].upper_pct)
    assert found[0].within_share == pytest.approx(0.95)  # by the meaning of both


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


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: expected_of_groups([[1.0], []]), "at least 1 bike in each group, got 0"),
        (lambda: expected_of_groups([]), "at least 1 bike in each group, got 0"),
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
