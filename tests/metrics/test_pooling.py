"""Pooling over bikes: published reviews, another library, laws, and a fleet of known truth."""

import warnings

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import integrate, optimize, special, stats
from statsmodels.stats.meta_analysis import combine_effects

from flows.metrics import pooling
from flows.metrics.pooling import bike_means, borrowed, pooled, tau_squared

# Colditz et al. 1994, BCG vaccine, 13 trials: ill and well, vaccinated and not.
_BCG = np.array(
    [
        [4, 119, 11, 128],
        [6, 300, 29, 274],
        [3, 228, 11, 209],
        [62, 13536, 248, 12619],
        [33, 5036, 47, 5761],
        [180, 1361, 372, 1079],
        [8, 2537, 10, 619],
        [505, 87886, 499, 87892],
        [29, 7470, 45, 7232],
        [17, 1699, 65, 1600],
        [186, 50448, 141, 27197],
        [5, 2493, 3, 2338],
        [27, 16886, 29, 17825],
    ],
    dtype=float,
)


def bcg_log_risk_ratio():
    ill, well, ill_without, well_without = _BCG.T
    treated, untreated = ill + well, ill_without + well_without
    effect = np.log((ill / treated) / (ill_without / untreated))
    return effect, 1 / ill - 1 / treated + 1 / ill_without - 1 / untreated


def bcg_log_odds_ratio():
    return np.log(_BCG[:, 0] * _BCG[:, 3] / (_BCG[:, 1] * _BCG[:, 2])), (1 / _BCG).sum(axis=1)


# Riley, Higgins and Deeks 2011 (BMJ), systolic blood pressure, ten trials.
RILEY = (
    np.array([0, 0.10, -0.40, -0.80, -0.63, 0.22, -0.34, -0.51, 0.03, -0.81]),
    np.array(
        [
            0.423477,
            0.219392,
            0.025511,
            0.198983,
            0.301026,
            0.301026,
            0.071430,
            0.102043,
            0.122451,
            0.301026,
        ]
    )
    ** 2,
)
# Kacker 2004 (Metrologia 41:132), nine laboratories.
KACKER = (
    np.array([61.00, 61.40, 62.21, 62.30, 62.34, 62.60, 62.70, 62.84, 65.90]),
    np.array([0.2025, 1.21, 0.09, 0.2025, 0.3844, 0.5625, 0.0676, 0.0225, 1.8225]),
)
# Raudenbush 1985 and 2009, nineteen studies.
RAUDENBUSH = (
    np.array(
        [
            0.03,
            0.12,
            -0.14,
            1.18,
            0.26,
            -0.06,
            -0.02,
            -0.32,
            0.27,
            0.80,
            0.54,
            0.18,
            -0.02,
            0.23,
            -0.18,
            -0.06,
            0.30,
            0.07,
            -0.07,
        ],
    ),
    np.array(
        [
            0.0156,
            0.0216,
            0.0279,
            0.1391,
            0.1362,
            0.0106,
            0.0106,
            0.0484,
            0.0269,
            0.0630,
            0.0912,
            0.0497,
            0.0835,
            0.0841,
            0.0253,
            0.0279,
            0.0193,
            0.0088,
            0.0303,
        ],
    ),
)
# Viechtbauer 2005, pages 271 and 272, examples 1 and 2.
VIECHTBAUER_1 = (
    np.array([-0.581, 0.530, 0.771, 1.031, 0.553, 0.295, 0.078, 0.573, -0.176, -0.232]),
    np.array([0.023, 0.052, 0.060, 0.115, 0.095, 0.203, 0.200, 0.211, 0.051, 0.040]),
)
VIECHTBAUER_2 = (
    np.array(
        [
            0.100,
            -0.162,
            -0.090,
            -0.049,
            -0.046,
            -0.010,
            -0.431,
            -0.261,
            0.134,
            0.019,
            0.175,
            0.056,
            0.045,
            0.103,
            0.121,
            -0.482,
            0.290,
            0.342,
        ],
    ),
    np.array(
        [
            0.016,
            0.015,
            0.050,
            0.050,
            0.032,
            0.052,
            0.036,
            0.024,
            0.034,
            0.033,
            0.031,
            0.034,
            0.039,
            0.167,
            0.134,
            0.096,
            0.016,
            0.035,
        ],
    ),
)


# DerSimonian and Kacker 2007, CLASP: events and women, treated and not.
def clasp():
    events, women = np.array([5, 5, 12, 69, 9, 313]), np.array([156, 303, 565, 1570, 103, 4659])
    without, others = np.array([8, 17, 9, 94, 11, 352]), np.array([74, 303, 477, 1565, 105, 4650])
    table = np.array([events, women - events, without, others - without], dtype=float)
    return np.log(table[0] * table[3] / (table[1] * table[2])), (1 / table).sum(axis=0)


# Borenstein et al., "Introduction to Meta-Analysis", six studies, Hedges' g.
BORENSTEIN = (
    np.array([0.094524, 0.277356, 0.366546, 0.664385, 0.461808, 0.185165]),
    np.array([0.033372, 0.031074, 0.050883, 0.010557, 0.043393, 0.023633]),
)
# Normand 1999, length of stay, in days.
NORMAND = (
    np.array([-20.0, -2, -55, -71, -4, 1, 11, -10, 7]),
    np.array([40.5863, 2.0468, 15.2809, 150.2222, 20.1923, 1.2235, 95.3756, 8.0321, 20.6936]),
)
# Made-up effects of four bikes in percent, reckoned with PyMARE and statsmodels.
FOUR_BIKES = (np.array([3.1, 2.4, 4.0, 1.8]), np.array([0.6, 0.5, 0.8, 0.4]) ** 2)


@pytest.mark.parametrize(
    ("data", "expected", "tolerance"),
    [
        # BCG: published with the R package metafor's tests and reckoned with PyMARE.
        pytest.param(bcg_log_risk_ratio(), 0.313243, 1e-6, id="BCG"),
        pytest.param(RILEY, 0.069959, 1e-6, id="Riley"),
        pytest.param(KACKER, 0.294343, 1e-6, id="Kacker"),
        pytest.param(RAUDENBUSH, 0.0188, 5e-5, id="Raudenbush"),
        pytest.param(VIECHTBAUER_1, 0.2232, 5e-5, id="Viechtbauer 1"),
        pytest.param(VIECHTBAUER_2, 0.0157, 5e-5, id="Viechtbauer 2"),
        pytest.param(clasp(), 0.1843**2, 5e-5, id="CLASP"),
        pytest.param(BORENSTEIN, 0.0321, 5e-5, id="Borenstein"),
        pytest.param(NORMAND, 685.20, 5e-3, id="Normand"),
        pytest.param(FOUR_BIKES, 0.464428, 1e-6, id="four bikes"),
    ],
)
def test_variance_between_bikes_matches_the_published_one(data, expected, tolerance):
    assert tau_squared(*data) == pytest.approx(expected, abs=tolerance)


# Paule and Mandel's; CLASP's paper prints tau.
@pytest.mark.parametrize(
    ("data", "expected", "tolerance"),
    [
        pytest.param(bcg_log_risk_ratio(), 0.318068, 5e-7, id="BCG"),
        pytest.param(KACKER, 0.705395309224248, 1e-10, id="Kacker"),
        pytest.param(VIECHTBAUER_1, 0.1920, 5e-5, id="Viechtbauer 1"),
        pytest.param(VIECHTBAUER_2, 0.0104, 5e-5, id="Viechtbauer 2"),
        pytest.param(clasp(), 0.3681**2, 1e-4, id="CLASP"),
        pytest.param(BORENSTEIN, 0.0226, 5e-5, id="Borenstein"),
        pytest.param(FOUR_BIKES, 0.503079, 1e-6, id="four bikes"),
    ],
)
def test_the_single_estimate_of_a_group_matches_the_published_one(data, expected, tolerance):
    (alone,) = borrowed([data])
    assert alone.tau**2 == pytest.approx(expected, abs=tolerance)


@pytest.mark.parametrize(
    ("data", "mean", "tolerance"),
    [
        # Sources as above.
        pytest.param(bcg_log_risk_ratio(), -0.714532, 5e-7, id="BCG"),
        pytest.param(RILEY, -0.328740, 1e-6, id="Riley"),
        pytest.param(RAUDENBUSH, 0.0837, 5e-5, id="Raudenbush"),
        pytest.param(clasp(), -0.2980, 1e-4, id="CLASP"),
        pytest.param(NORMAND, -15.122, 5e-4, id="Normand"),
        pytest.param(FOUR_BIKES, 2.661135, 1e-6, id="four bikes"),
    ],
)
def test_mean_over_bikes_matches_the_published_one(data, mean, tolerance):
    assert pooled(*data).mean == pytest.approx(mean, abs=tolerance)


@pytest.mark.parametrize(
    ("data", "mean", "sd", "tolerance"),
    [
        pytest.param(bcg_log_risk_ratio(), -0.4303, 0.040499, 5e-5, id="BCG"),
        pytest.param(RAUDENBUSH, 0.0604, None, 5e-5, id="Raudenbush"),
        pytest.param(BORENSTEIN, 0.4150, None, 5e-5, id="Borenstein"),
        # Its variances are printed to four decimals, the smallest of them is 1.2.
        pytest.param(NORMAND, -3.4939, None, 2e-4, id="Normand"),
        pytest.param(FOUR_BIKES, 2.4476, 0.2618, 5e-5, id="four bikes"),
    ],
)
def test_jobs_of_one_bike_are_joined_as_in_a_fixed_effect_review(data, mean, sd, tolerance):
    joined = bike_means(*data, ["B-1"] * data[0].size)
    assert joined.effect == pytest.approx(mean, abs=tolerance)
    if sd is not None:
        assert np.sqrt(joined.variance) == pytest.approx(sd, abs=5e-5)


# Sources as above; Borenstein's book prints 58 %.
@pytest.mark.parametrize(
    ("data", "i2_pct", "tolerance"),
    [
        pytest.param(bcg_log_risk_ratio(), 92.1173, 5e-5, id="BCG"),
        pytest.param(bcg_log_odds_ratio(), 92.6455, 5e-5, id="BCG odds"),
        pytest.param(KACKER, 67.744403741711, 1e-9, id="Kacker"),
        pytest.param(BORENSTEIN, 58.02, 5e-3, id="Borenstein"),
        pytest.param(FOUR_BIKES, 60.41, 5e-3, id="four bikes"),
    ],
)
def test_heterogeneity_matches_the_published_one(data, i2_pct, tolerance):
    assert 100 * pooled(*data).i2_share == pytest.approx(i2_pct, abs=tolerance)


@pytest.mark.parametrize(
    ("data", "lower", "upper", "tolerance"),
    [
        # Knapp-Hartung intervals; sources as above.
        pytest.param(bcg_log_risk_ratio(), -1.10844, -0.32062, 1e-5, id="BCG"),
        pytest.param(RAUDENBUSH, -0.0457, 0.2131, 5e-5, id="Raudenbush"),
    ],
)
def test_interval_of_the_mean_matches_the_published_one(data, lower, upper, tolerance):
    result = pooled(*data)
    assert (result.lower, result.upper) == pytest.approx((lower, upper), abs=tolerance)


def test_three_bikes_that_agree_by_luck_do_not_get_a_narrower_interval():
    # By hand: v 0.04, three bikes: se sqrt(0.04/3), t2 4.302653.
    result = pooled([1.0, 1.1, 0.9], [0.04] * 3)
    se = (0.04 / 3) ** 0.5
    assert result.upper == pytest.approx(1.0 + 4.302653 * se, abs=1e-5)


def test_one_bike_has_the_interval_of_its_own_measurement_and_promises_nothing():
    result = pooled([0.03], [1e-4])
    # 1.959964: two-sided 95 % of the normal distribution.
    assert (result.lower, result.upper) == pytest.approx((0.03 - 0.01959964, 0.03 + 0.01959964))
    assert np.isnan(result.i2_share)


def test_bikes_that_are_all_alike_have_no_variance_between_them():
    alike = [0.02, 0.02, 0.02], [1e-4, 2e-4, 3e-4]
    assert tau_squared(*alike) == borrowed([alike])[0].tau == 0.0


@given(
    rows=st.lists(st.tuples(st.floats(-0.2, 0.2), st.floats(1e-5, 1e-2)), min_size=3, max_size=12)
)
@settings(max_examples=40, deadline=None)
def test_spread_and_heterogeneity_agree_with_statsmodels(rows):
    effect, variance = np.array(rows).T
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        other = combine_effects(effect, variance, method_re="iterated", use_t=True, atol=1e-14)
    # Of bikes that are all alike its Q may round below 0, and its I² is then beyond any share.
    i2_share = max(0.0, other.i2) if other.q > 0.0 else 0.0
    assert pooled(effect, variance).i2_share == pytest.approx(i2_share, abs=1e-9)
    if other.tau2 == 0.0:
        # It also gives up at 0 when a step overshoots; then it has solved nothing.
        assume(other.q <= effect.size - 1)
    (alone,) = borrowed([(effect, variance)])
    # It lets a variance go below 0; there we stop.
    assert alone.tau**2 == pytest.approx(max(0.0, other.tau2), abs=1e-6)


@given(
    rows=st.lists(st.tuples(st.floats(-0.2, 0.2), st.floats(1e-5, 1e-2)), min_size=3, max_size=10),
    shift=st.floats(-1.0, 1.0),
    scale=st.floats(0.1, 100.0),
)
@settings(max_examples=25, deadline=None)
def test_unit_and_origin_of_the_effect_do_not_matter(rows, shift, scale):
    effect, variance = np.array(rows).T
    plain = pooled(effect, variance)
    other = pooled(shift + scale * effect, scale**2 * variance)
    # A maximum is known to the root of the rounding of its likelihood.
    assert (other.mean - shift) / scale == pytest.approx(plain.mean, abs=1e-4)
    assert (other.upper - shift) / scale == pytest.approx(plain.upper, abs=2e-3)


@given(
    rows=st.lists(st.tuples(st.floats(-0.2, 0.2), st.floats(1e-5, 1e-2)), min_size=2, max_size=10)
)
@settings(max_examples=40, deadline=None)
def test_order_of_the_bikes_does_not_matter(rows):
    effect, variance = np.array(rows).T
    there, back = pooled(effect, variance), pooled(effect[::-1], variance[::-1])
    assert there.mean == pytest.approx(back.mean, abs=1e-6)
    assert there.upper == pytest.approx(back.upper, abs=1e-5)


def test_the_highest_top_of_the_likelihood_is_found():
    effect, variance = RAUDENBUSH
    tau2 = tau_squared(effect, variance)

    def log_likelihood(at):
        w = 1 / (variance + at)
        mean = (w * effect).sum() / w.sum()
        normal = stats.norm.logpdf(effect, mean, np.sqrt(variance + at)).sum()
        return normal - 0.5 * np.log(w.sum())

    assert all(log_likelihood(tau2) >= log_likelihood(at) for at in np.linspace(0.0, 0.5, 2001))


def test_a_bike_that_came_twice_counts_once():
    means = bike_means([0.02, 0.04, 0.05], [1e-4, 3e-4, 2e-4], ["B-1", "B-1", "B-2"])
    # By hand: weights 3 and 1 make (3*0.02 + 0.04)/4 = 0.025, variance 3e-4/4.
    assert means.bike.tolist() == ["B-1", "B-2"]
    assert means.effect == pytest.approx([0.025, 0.05])
    assert means.variance == pytest.approx([0.75e-4, 2e-4])


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: pooled([], []), "effect must hold at least 1 bike"),
        (lambda: pooled([0.1], [0.0]), "variance must be above 0, got 0"),
        (lambda: pooled([0.1, np.nan], [1.0, 1.0]), "effect must be finite, got nan"),
        (lambda: pooled([0.1, 0.2], [1.0]), "variance must match effect in length"),
        (lambda: tau_squared([0.1], [1.0]), "effect must hold at least 2 bikes, got 1"),
        (lambda: bike_means([0.1], [1.0], []), "bike must name a bike for each of 1"),
        (lambda: borrowed([([0.1], [1.0]), ([], [])]), "effect must hold at least 1 bike"),
    ],
)
def test_what_cannot_be_pooled_is_refused_in_words(call, message):
    with pytest.raises(ValueError, match=message):
        call()


def test_a_thin_group_borrows_more_than_a_full_one():
    thin, full, other = borrowed(
        [
            ([0.06], [4e-4]),
            ([0.02, 0.03, 0.01, 0.025, 0.02], [4e-4] * 5),
            ([0.03, 0.04, 0.035, 0.02], [4e-4] * 4),
        ]
    )
    assert thin.borrowed_share > other.borrowed_share > full.borrowed_share > 0.0
    assert 0.03 < thin.mean < 0.06


def test_two_groups_have_too_little_to_borrow_from():
    first, second = borrowed([([0.06, 0.05], [1e-4] * 2), ([0.02], [1e-4])])
    assert np.isnan(first.borrowed_share)
    # Own means: nothing moved.
    assert (first.mean, second.mean) == pytest.approx((0.055, 0.02))


@pytest.mark.parametrize("bikes", [4, 6, 12])
def test_exact_measurements_of_one_group_give_the_closed_form(bikes):
    # Flat prior on a standard deviation: Student's t with k - 2 degrees of freedom, and
    # S^2 = sum of squares over k - 2 (Gelman et al., Bayesian Data Analysis, section 3.2, with
    # p(sigma) constant in place of 1/sigma).
    effect = np.random.default_rng(bikes).normal(0.04, 0.01, bikes)
    (alone,) = borrowed([(effect, np.full(bikes, 1e-12))])
    s = np.sqrt(np.sum((effect - effect.mean()) ** 2) / (bikes - 2))
    reach = stats.t.ppf(0.975, bikes - 2) * s
    assert alone.mean == pytest.approx(effect.mean())
    assert alone.upper - alone.mean == pytest.approx(reach / np.sqrt(bikes), rel=3e-3)
    next_reach = alone.next_upper - alone.mean
    assert next_reach == pytest.approx(reach * np.sqrt(1 + 1 / bikes), rel=3e-3)


def test_many_bikes_of_one_group_give_the_pooled_effect():
    rng = np.random.default_rng(13)
    variance = rng.uniform(0.5e-4, 2e-4, 200)
    effect = 0.04 + 0.02 * rng.standard_normal(200) + np.sqrt(variance) * rng.standard_normal(200)
    (alone,) = borrowed([(effect, variance)])
    other = pooled(effect, variance)
    assert alone.mean == pytest.approx(other.mean, abs=1e-4)
    assert alone.upper - alone.mean == pytest.approx(other.upper - other.mean, rel=0.02)
    # Higgins, Thompson and Spiegelhalter 2009: the next bike of many.
    reach = stats.t.ppf(0.975, 198) * np.sqrt(alone.tau**2 + alone.sd**2)
    assert alone.next_upper - alone.mean == pytest.approx(reach, rel=0.02)


def test_borrowing_agrees_with_integration_over_the_whole_covariance():
    # Another method: all effects as one normal vector, its covariance built from both
    # deviations, a very wide prior on the overall mean, and a raster over both deviations.
    groups = [[0.06], [0.02, 0.05], [0.03, 0.01, 0.035], [0.045, 0.03, 0.05, 0.04]]
    effect = np.concatenate(groups)
    member = np.repeat(np.eye(4), [len(group) for group in groups], axis=0)
    sd = 0.01
    raster = np.concatenate([[0.0], np.geomspace(3e-4, 2.0, 80)])
    width = np.gradient(raster)
    tau, omega = (each.ravel() for each in np.meshgrid(raster, raster, indexing="ij"))
    fixed = np.eye(effect.size) * sd**2 + 100.0
    cover = (
        fixed
        + tau[:, None, None] ** 2 * np.eye(effect.size)
        + omega[:, None, None] ** 2 * (member @ member.T)
    )
    solved = np.linalg.solve(cover, np.broadcast_to(effect[:, None], (tau.size, effect.size, 1)))
    log_fit = -0.5 * (np.linalg.slogdet(cover)[1] + (effect @ solved)[:, 0])
    weight = np.exp(log_fit - log_fit.max()) * np.outer(width, width).ravel()
    weight /= weight.sum()
    with_group = 100.0 + omega[:, None, None] ** 2 * member.T
    means = (with_group @ solved)[..., 0]
    expected = weight @ means
    inner = with_group @ np.linalg.solve(cover, np.swapaxes(with_group, 1, 2))
    own = 100.0 + omega[:, None] ** 2 - np.diagonal(inner, axis1=1, axis2=2)
    spread = np.sqrt(weight @ (own + (means - expected) ** 2))

    found = borrowed([(group, [sd**2] * len(group)) for group in groups])
    assert [group.mean for group in found] == pytest.approx(expected, abs=2e-4)
    assert [group.sd for group in found] == pytest.approx(spread, rel=0.02)


def test_two_bikes_in_all_promise_nothing_for_the_next():
    (alone,) = borrowed([([0.02, 0.05], [1e-4, 1e-4])])
    assert np.isnan(alone.next_lower)
    assert alone.lower < alone.mean < alone.upper


def test_single_bikes_of_many_groups_promise_nothing_for_the_next():
    groups = borrowed([([0.01], [1e-4]), ([0.02], [1e-4]), ([0.06], [1e-4])])
    assert all(np.isnan(group.tau) and np.isnan(group.next_lower) for group in groups)
    assert all(0.0 < group.borrowed_share < 1.0 for group in groups)


@given(
    groups=st.lists(st.lists(st.floats(-0.2, 0.2), min_size=1, max_size=5), min_size=3, max_size=6)
)
@settings(max_examples=40, deadline=None)
def test_borrowing_never_leaves_the_range_of_the_groups(groups):
    results = borrowed([(group, [1e-4] * len(group)) for group in groups])
    own = [np.mean(group) for group in groups]
    for result in results:
        assert min(own) - 1e-9 <= result.mean <= max(own) + 1e-9
        assert 0.0 <= result.borrowed_share <= 1.0


@pytest.mark.parametrize(
    ("bikes", "between", "most"),
    [
        pytest.param(6, 0.012, 0.98, id="six bikes that differ"),
        pytest.param(12, 0.012, 0.98, id="twelve bikes that differ"),
        # Little is known of the spread: too wide is the honest side to err on.
        pytest.param(4, 0.012, 1.0, id="four bikes"),
        pytest.param(8, 0.006, 1.0, id="eight bikes that differ less than they are measured"),
    ],
)
def test_one_group_holds_the_next_bike_as_often_as_it_says(bikes, between, most):
    # 95 % nominal.
    rng = np.random.default_rng(11)
    inside = []
    for _ in range(600):
        sd = rng.uniform(0.005, 0.012, bikes)
        truth = 0.04 + between * rng.standard_normal(bikes + 1)
        (group,) = borrowed([(truth[:-1] + sd * rng.standard_normal(bikes), sd**2)])
        inside.append(group.next_lower <= truth[-1] <= group.next_upper)
    assert 0.92 <= np.mean(inside) <= most


def test_mean_over_bikes_is_held_as_often_as_it_says():
    rng = np.random.default_rng(15)
    inside = []
    for _ in range(800):
        sd = rng.uniform(0.005, 0.012, 6)
        effect = 0.04 + 0.012 * rng.standard_normal(6) + sd * rng.standard_normal(6)
        result = pooled(effect, sd**2)
        inside.append(result.lower <= 0.04 <= result.upper)
    assert 0.92 <= np.mean(inside) <= 0.98


def test_thin_groups_hold_the_next_bike_and_their_mean_as_often_as_they_say():
    rng = np.random.default_rng(12)
    next_inside, mean_inside, closer = [], [], []
    for _ in range(250):
        truth = 0.04 + 0.012 * rng.standard_normal(8)
        groups = []
        for mean, bikes in zip(truth, (1, 1, 2, 2, 3, 4, 6, 8), strict=True):
            sd = np.full(bikes, 0.009)
            own = mean + 0.010 * rng.standard_normal(bikes) + sd * rng.standard_normal(bikes)
            groups.append((own, sd**2))
        following = truth + 0.010 * rng.standard_normal(8)
        for group, (own, _), mean, bike in zip(
            borrowed(groups), groups, truth, following, strict=True
        ):
            next_inside.append(group.next_lower <= bike <= group.next_upper)
            mean_inside.append(group.lower <= mean <= group.upper)
            if group.bikes == 1:
                closer.append(abs(group.mean - mean) - abs(own[0] - mean))
    assert 0.92 <= np.mean(next_inside) <= 0.98
    assert 0.92 <= np.mean(mean_inside) <= 0.98
    assert np.mean(closer) < 0.0


def searched(chance_below, weight, mean, sd):
    """Return the quantile of one mixture by scipy's search on scipy's normal distribution."""
    return optimize.brentq(
        lambda x: weight @ stats.norm.cdf(x, mean, sd) - chance_below, -999.0, 999.0, xtol=1e-13
    )


@settings(max_examples=20, deadline=None)
@given(
    st.integers(0, 2**32 - 1),
    st.sampled_from([0.001, 0.025, 0.5, 0.975]),
    st.sampled_from([(1e-14, 1e-10), (1e-3, 2e-3)]),
)
def test_the_quantile_of_a_mixture_is_that_of_scipy_s_search(seed, chance_below, reach):
    chance, (near, tolerance) = np.random.default_rng(seed), reach
    mean, sd = chance.normal(size=(12, 3)), chance.uniform(0.2, 2.0, (12, 3))
    weight = chance.dirichlet(np.ones(12), size=3).T
    found = pooling.quantile(chance_below, weight, mean, sd, near=near)
    one_for_all = pooling.quantile(chance_below, weight[:, :1], mean, sd, near=near)
    for at in range(3):
        wanted = searched(chance_below, weight[:, at], mean[:, at], sd[:, at])
        assert found[at] == pytest.approx(wanted, abs=tolerance)
        wanted = searched(chance_below, weight[:, 0], mean[:, at], sd[:, at])
        assert one_for_all[at] == pytest.approx(wanted, abs=tolerance)


def test_the_quantile_of_a_mixture_is_as_near_wherever_it_lies():
    # 99 parts in 100 a normal that stands in column 0 where the search begins; a far lump in
    # column 1. No column may end the search of the other, and no distance from 0 may loosen it.
    weight = np.array([[0.99], [0.01]])
    mean, sd = np.array([[0.0, 0.0], [0.0, 0.4]]) + 5.0, np.full((2, 2), 0.01)
    found = pooling.quantile(0.95, weight, mean, sd, near=1e-3)
    for at in (0, 1):
        wanted = searched(0.95, weight[:, 0], mean[:, at], sd[:, at])
        # Within a thousandth of the column's own SD: of a point of one percent, and in column 1 of
        # its root with 0.01 * 0.99 * 40^2.
        own = 0.01 * (1.0 + 0.0099 * (0.0, 40.0)[at] ** 2) ** 0.5
        assert abs(found[at] - wanted) < 1e-3 * own


def test_the_quantile_of_a_mixture_is_found_by_newton_s_method_in_few_steps(monkeypatch):
    # It squares the error at each step: from a tenth of an SD three steps are far below 1e-6.
    monkeypatch.setattr(pooling, "_MOST_STEPS", 3)
    weight, mean = np.array([[0.5], [0.5]]), np.array([[-0.002], [0.002]])
    sd = np.full((2, 1), 0.01)
    found = pooling.quantile(0.975, weight, mean, sd, near=1e-14)
    assert found[0] == pytest.approx(searched(0.975, weight[:, 0], mean[:, 0], sd[:, 0]), abs=1e-9)


# Rubin 1981, coaching in eight schools: effects in points and their standard errors, as printed in
# Gelman et al., "Bayesian Data Analysis," table 5.2.
EIGHT_SCHOOLS = (
    np.array([28.0, 8, -3, 7, -1, 1, 18, 12]),
    np.array([15.0, 10, 16, 11, 9, 11, 10, 18]) ** 2,
)


def half_t(at, scale):
    return stats.t.pdf(at / scale, pooling.PRIOR_DOF)


def test_eight_schools_under_a_half_t_prior_agree_with_plain_quadrature():
    # Another method: the joint density of mean and spread, as it is written down, integrated by
    # scipy over both; nothing is integrated on paper first.
    y, v = EIGHT_SCHOOLS
    (schools,) = borrowed(
        [(y, v)],
        prior=pooling.SpreadPrior(10.0, 20.0, np.inf),
        planned_variance=144.0,
    )
    root = 1.0 / np.sqrt(2.0 * np.pi)

    def density(mean, tau):
        each = v + tau * tau
        return half_t(tau, 10.0) * np.prod(root * np.exp(-0.5 * (y - mean) ** 2 / each) / each**0.5)

    def over_all(value):
        return integrate.dblquad(
            lambda mean, tau: density(mean, tau) * value(mean, tau), 0.0, 80.0, -40.0, 60.0,
            epsabs=0.0, epsrel=1e-4,
        )[0]  # fmt: skip

    whole = over_all(lambda *_: 1.0)
    mean = over_all(lambda mean, _: mean) / whole
    assert schools.mean == pytest.approx(mean, abs=5e-3)
    assert schools.tau == pytest.approx(over_all(lambda _, tau: tau) / whole, rel=5e-3)
    for end, planned in ((schools.next_upper, 0.0), (schools.measured_upper, 144.0)):
        below = over_all(
            lambda mean, tau, end=end, planned=planned: special.ndtr(
                (end - mean) / np.sqrt(tau * tau + planned + 1e-12)
            )
        )
        assert below / whole == pytest.approx(0.975, abs=1e-3)


def test_quotes_agree_with_draws_from_the_whole_model():
    # Another method: spreads and the scale drawn from their priors, all effects and the next bikes
    # as one normal vector, weighted by how well each draw fits. Monte Carlo: 300,000 draws.
    rng = np.random.default_rng(21)
    groups = [[0.06], [0.02, 0.045], [0.03, 0.01, 0.035, 0.03]]
    y = np.concatenate(groups)
    v = np.array([1.0, 0.5, 0.8, 1.2, 0.9, 0.6, 0.7]) * 1e-4
    prior, planned = pooling.SpreadPrior(0.008, 0.016, 4.0), 1.5e-4
    draws = 300_000
    tau, omega = (
        np.abs(scale * rng.standard_t(pooling.PRIOR_DOF, draws))
        for scale in (prior.tau_scale, prior.omega_scale)
    )
    factor = np.exp(np.sqrt(2.0 / prior.variance_dof) * rng.standard_normal(draws))
    # The next bike of the first group, and one of a group not seen.
    member = np.repeat(np.eye(4), [1, 2, 4, 0], axis=0)
    wide = 1.0  # a prior on the mean so wide that it says nothing: 1 SD of 100 %
    cover = omega[:, None, None] ** 2 * (member @ member.T) + wide**2
    diagonal = factor[:, None] * v + tau[:, None] ** 2
    cover[:, np.arange(y.size), np.arange(y.size)] += diagonal
    solved = np.linalg.solve(cover, np.broadcast_to(y[:, None], (draws, y.size, 1)))[..., 0]
    weight = np.exp(-0.5 * (np.linalg.slogdet(cover)[1] + solved @ y))
    weight /= weight.sum()

    mine = [
        (group, v[start : start + len(group)])
        for start, group in zip((0, 1, 3), groups, strict=True)
    ]
    found = borrowed(mine, prior=prior, planned_variance=planned)[0]
    unseen = pooling.of_unseen(mine, prior, planned_variance=planned)
    for quote, column in ((found, 0), (unseen, 3)):
        shared = wide**2 + omega[:, None] ** 2 * member[:, column]
        mean = np.sum(shared * solved, axis=1)
        inner = np.linalg.solve(cover, shared[..., None])[..., 0]
        own = wide**2 + omega**2 - np.sum(shared * inner, axis=1)
        for ends, more in (
            ((quote.next_lower, quote.next_upper), 0.0),
            ((quote.measured_lower, quote.measured_upper), factor * planned),
        ):
            sd = np.sqrt(own + tau**2 + more)
            low, high = (float(weight @ special.ndtr((end - mean) / sd)) for end in ends)
            assert high - low == pytest.approx(0.95, abs=4e-3)
            # Borrowing joins what it averages over the spread between groups into one mean and
            # variance: a bike far off its category then has a little too much above or below.
            assert low == pytest.approx(0.025, abs=4e-3 if quote is unseen else 8e-3)


@pytest.mark.parametrize("prior", [None, pooling.SpreadPrior(0.008, 0.016, 4.0)])
@pytest.mark.parametrize("size", [1, 2, 7])
def test_some_groups_asked_for_are_told_as_among_all(prior, size):
    random = np.random.default_rng(size)
    groups = [
        (random.normal(0.03, 0.01, bikes), random.uniform(2e-5, 2e-4, bikes))
        for bikes in random.integers(1, 6, size)
    ]
    every = borrowed(groups, prior=prior, planned_variance=1e-4)
    for asked in ([size - 1], [0, size - 1]):
        some = borrowed(groups, prior=prior, planned_variance=1e-4, asked=asked)
        for one, place in zip(some, asked, strict=True):
            np.testing.assert_allclose(one, every[place], rtol=1e-10)


PRIOR = pooling.SpreadPrior(0.008, 0.016, 10.0)


def test_three_bikes_with_nothing_to_borrow_from_give_a_range_of_use():
    # By hand: bikes known to 0.9 %, differing by 0.8 %: 2 * 1.96 * sqrt(0.8^2 + (0.8^2 + 0.9^2)/3)
    # = 4.2 % if both were known.
    three = [([0.03, 0.04, 0.05], [0.81e-4] * 3)]
    (quote,) = borrowed(three, prior=PRIOR)
    assert 0.03 < quote.next_upper - quote.next_lower < 0.07
    (flat,) = borrowed(three)
    assert flat.next_upper - flat.next_lower > 0.15


def test_one_bike_gives_a_range_and_says_that_the_spread_is_all_assumed():
    (one,) = borrowed([([0.04], [0.81e-4])], prior=PRIOR, planned_variance=0.81e-4)
    assert one.prior_share == pytest.approx(1.0)
    assert -0.01 < one.next_lower < one.mean < one.next_upper < 0.09
    assert one.measured_upper > one.next_upper
    assert np.isnan(one.borrowed_share)


def test_the_more_bikes_the_less_is_assumed():
    rng = np.random.default_rng(4)
    effect = 0.04 + 0.012 * rng.standard_normal(40)
    shares = [
        borrowed([(effect[:bikes], np.full(bikes, 0.25e-4))], prior=PRIOR)[0].prior_share
        for bikes in (1, 4, 12, 40)
    ]
    assert shares == sorted(shares, reverse=True)
    assert shares[-1] < 0.35


def test_variances_stated_too_large_do_not_hide_what_bikes_differ_by():
    # Bikes differ by 0.43 % and are measured to 0.5 %, stated to be 1.13 %: a default of 0.8 % a
    # mounting where 0.35 % is true. Q/(k - 1) is about 0.33.
    rng = np.random.default_rng(8)
    told, eaten, held, measured = [], [], [], []
    for _ in range(150):
        truth = 0.04 + 0.0043 * rng.standard_normal(13)
        seen = truth + 0.005 * rng.standard_normal(13)
        group = [(seen[:12], np.full(12, 0.0113**2))]
        (quote,) = borrowed(
            group, prior=PRIOR._replace(variance_dof=0.5), planned_variance=0.0113**2
        )
        told.append(quote.tau)
        eaten.append(borrowed(group)[0].tau)
        held.append(quote.next_lower <= truth[12] <= quote.next_upper)
        measured.append(quote.measured_lower <= seen[12] <= quote.measured_upper)
    assert np.median(eaten) == 0.0
    assert 0.002 < np.median(told) < 0.006
    # 150 of them: 1.8 points of standard error.
    assert np.mean(held) > 0.95 - 3 * 0.018
    assert np.mean(measured) > 0.95 - 3 * 0.018


@given(
    rows=st.lists(st.tuples(st.floats(-0.2, 0.2), st.floats(1e-5, 1e-3)), min_size=1, max_size=6),
    scale=st.floats(0.1, 100.0),
)
@settings(max_examples=15, deadline=None)
def test_under_a_prior_too_the_unit_does_not_matter(rows, scale):
    effect, variance = np.array(rows).T
    (plain,) = borrowed([(effect, variance)], prior=PRIOR, planned_variance=1e-4)
    scaled = PRIOR._replace(tau_scale=scale * 0.008, omega_scale=scale * 0.016)
    (other,) = borrowed(
        [(scale * effect, scale**2 * variance)], prior=scaled, planned_variance=scale**2 * 1e-4
    )
    assert other.next_lower / scale == pytest.approx(plain.next_lower, abs=1e-9)
    assert other.measured_upper / scale == pytest.approx(plain.measured_upper, abs=1e-9)
    assert other.prior_share == pytest.approx(plain.prior_share)


def test_two_groups_lend_to_each_other_where_what_groups_differ_by_has_a_prior():
    first, second = borrowed([([0.06], [1e-4]), ([0.02, 0.03, 0.02], [1e-4] * 3)], prior=PRIOR)
    assert 0.0 < second.borrowed_share < first.borrowed_share < 1.0
    assert 0.025 < first.mean < 0.06


def test_a_bike_of_another_model_is_less_certain_than_one_of_a_model_seen():
    groups = [([0.03, 0.04, 0.035, 0.04], [1e-4] * 4), ([0.05, 0.045, 0.06], [1e-4] * 3)]
    seen = borrowed(groups, prior=PRIOR)
    unseen = pooling.of_unseen(groups, PRIOR)
    width = unseen.next_upper - unseen.next_lower
    assert all(width > group.next_upper - group.next_lower for group in seen)
    assert unseen.bikes == 7
    assert unseen.borrowed_share == 1.0


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: pooling.of_unseen([], PRIOR), "effects_by_group must hold at least 1 group"),
        (
            lambda: borrowed([([0.1], [1.0])], prior=PRIOR._replace(tau_scale=0.0)),
            "tau_scale must be above 0, got 0",
        ),
        (
            lambda: borrowed([([0.1], [1.0])], prior=PRIOR._replace(variance_dof=0.0)),
            "variance_dof must be above 0, got 0",
        ),
    ],
)
def test_a_prior_that_is_none_is_refused_in_words(call, message):
    with pytest.raises(ValueError, match=message):
        call()
