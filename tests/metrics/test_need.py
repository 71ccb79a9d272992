"""Remap need: posterior of a share, the shop's prior, shrunk errors, ranks; SciPy and laws."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from flows.metrics.need import Prior, rank_by_lower, shop_prior, shrunk_error, warn_probability
from flows.metrics.pooling import borrowed


@given(
    bikes=st.integers(0, 60),
    lean_share=st.floats(0.0, 1.0),
    prior_share=st.floats(0.05, 0.95),
    strength=st.floats(1.0, 20.0),
)
def test_chance_is_the_beta_posterior(bikes, lean_share, prior_share, strength):
    lean = round(lean_share * bikes)
    found = warn_probability(lean, bikes, Prior(prior_share, strength))
    # Gelman et al., Bayesian Data Analysis, section 2.4; quantiles by scipy.stats.
    posterior = stats.beta(
        strength * prior_share + lean, strength * (1 - prior_share) + bikes - lean
    )
    assert found.mean == pytest.approx(posterior.mean())
    assert found.lower == pytest.approx(posterior.ppf(0.05), abs=1e-8)
    assert found.upper == pytest.approx(posterior.ppf(0.95), abs=1e-8)


def test_chance_under_a_flat_prior_matches_the_closed_form():
    # By hand: one lean bike of one under Beta(1, 1) is Beta(2, 1), whose 5 % point is sqrt(0.05).
    assert warn_probability(1, 1, Prior(0.5, 2.0)).lower == pytest.approx(0.05**0.5)
    # Nine of nine: Beta(10, 1), 0.05**(1/10).
    assert warn_probability(9, 9, Prior(0.5, 2.0)).lower == pytest.approx(0.05**0.1)


def test_one_odd_bike_does_not_top_nine_of_ten():
    one = warn_probability(1, 1, Prior(0.5, 2.0))
    many = warn_probability(9, 10, Prior(0.5, 2.0))
    assert many.lower > one.lower
    assert rank_by_lower([one.lower, many.lower], [1, 10]).tolist() == [2, 1]


@given(bikes=st.integers(1, 40), prior_share=st.floats(0.05, 0.95))
def test_another_lean_bike_raises_the_chance_and_a_fine_one_lowers_it(bikes, prior_share):
    lean = bikes // 2
    before = warn_probability(lean, bikes, Prior(prior_share, 2.0))
    assert warn_probability(lean + 1, bikes + 1, Prior(prior_share, 2.0)).lower > before.lower
    assert warn_probability(lean, bikes + 1, Prior(prior_share, 2.0)).upper < before.upper


def test_chance_holds_the_truth_as_often_as_it_says():
    # 90 % nominal when the truth comes from the prior.
    rng = np.random.default_rng(21)
    share, strength = 0.4, 4.0
    truth = rng.beta(share * strength, (1 - share) * strength, 2000)
    bikes = rng.integers(1, 15, 2000)
    lean = rng.binomial(bikes, truth)
    found = [
        warn_probability(int(x), int(n), Prior(share, strength))
        for x, n in zip(lean, bikes, strict=True)
    ]
    inside = [f.lower <= t <= f.upper for f, t in zip(found, truth, strict=True)]
    assert 0.88 <= np.mean(inside) <= 0.92


def test_prior_finds_the_spread_the_builds_were_drawn_from():
    rng = np.random.default_rng(22)
    share, strength = 0.3, 5.0
    truth = rng.beta(share * strength, (1 - share) * strength, 800)
    bikes = rng.integers(2, 15, 800)
    prior = shop_prior(rng.binomial(bikes, truth), bikes)
    assert prior.prior_share == pytest.approx(share, abs=0.03)
    assert prior.prior_strength == pytest.approx(strength, rel=0.25)


@given(
    st.lists(
        st.integers(2, 12).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))),
        min_size=3,
        max_size=8,
    )
)
@settings(max_examples=30, deadline=None)
def test_no_prior_on_a_raster_is_likelier(rows):
    lean, bikes = np.array(rows).T
    prior = shop_prior(lean, bikes)

    def fit(share, strength):
        # Half a bike on either side keeps the share inside 0 and 1.
        penalty = 0.5 * np.log(share * (1 - share))
        a, b = share * strength, (1 - share) * strength
        return stats.betabinom.logpmf(lean, bikes, a, b).sum() + penalty

    best = max(fit(a, s) for a in np.linspace(0.02, 0.98, 25) for s in np.geomspace(1, 20, 12))
    assert fit(*prior) >= best - 1e-4
    assert 1.0 - 1e-9 <= prior.prior_strength <= 20.0 + 1e-9


def test_builds_that_are_all_alike_make_a_strong_prior_and_unlike_ones_a_weak_one():
    alike = shop_prior([3, 3, 3, 3, 3, 3], [6, 6, 6, 6, 6, 6])
    unlike = shop_prior([6, 0, 6, 0, 6, 0], [6, 6, 6, 6, 6, 6])
    assert alike.prior_strength == pytest.approx(20.0)
    assert unlike.prior_strength == pytest.approx(1.0)
    assert alike.prior_share == pytest.approx(0.5, abs=1e-3)


def test_too_few_builds_fall_back_on_the_overall_share():
    # By hand: (2 + 1/2)/(4 + 1); with no bike, Jeffreys' prior Beta(1/2, 1/2).
    assert shop_prior([2, 0], [3, 1]) == pytest.approx((0.5, 1.0))
    assert shop_prior([], []) == (0.5, 1.0)


def test_a_shop_that_saw_no_lean_bike_does_not_rule_one_out():
    prior = shop_prior([0, 0, 0, 0], [4, 4, 4, 4])
    assert 0.0 < prior.prior_share < 0.15


def test_shrunk_errors_are_the_pooled_ones():
    builds = [[12.0, 14.0, 11.0], [6.0, np.nan, 7.0], [16.0]]
    found = shrunk_error(builds, 1.5)
    other = borrowed(
        [([12.0, 14.0, 11.0], [2.25] * 3), ([6.0, 7.0], [2.25] * 2), ([16.0], [2.25])], level=0.90
    )
    assert found == other


def test_one_very_lean_bike_is_drawn_towards_the_others():
    builds = [[20.0], [8.0, 9.0, 7.5, 8.5], [10.0, 9.0, 11.0], [7.0, 8.0, 6.0]]
    alone = shrunk_error(builds, 1.5)[0]
    assert 8.0 < alone.mean < 20.0
    assert alone.lower < alone.mean < alone.upper


@given(st.lists(st.floats(-50.0, 50.0), min_size=1, max_size=20))
def test_ranks_follow_the_lower_bound(lower):
    rank = rank_by_lower(lower, np.zeros(len(lower)))
    assert sorted(rank.tolist()) == list(range(1, len(lower) + 1))
    # Among equals the order given decides: scipy's ordinal ranks do the same.
    assert rank.tolist() == stats.rankdata(-np.array(lower), method="ordinal").tolist()


def test_ties_are_broken_and_the_unknown_comes_last():
    assert rank_by_lower([0.2, np.nan, 0.2, 0.9], [1.0, 9.0, 2.0, 0.0]).tolist() == [3, 4, 2, 1]


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: warn_probability(3, 2, Prior(0.5, 2.0)),
            "lean_bikes must be at most 2, got 3",
        ),
        (lambda: warn_probability(0, 2, Prior(0.0, 2.0)), "prior_share must be above 0, got 0"),
        (
            lambda: warn_probability(0, 2, Prior(0.5, 0.0)),
            "prior_strength must be above 0, got 0",
        ),
        (lambda: shop_prior([3], [2]), "lean_bikes_by_group must be at most 2, got 3"),
        (lambda: shop_prior([1], [2, 3]), "bikes_by_group must match"),
        (
            lambda: shrunk_error([[1.0], [np.nan]], 1.0),
            r"error_pct_by_group\[1\] must hold at least 1 bike",
        ),
        (lambda: shrunk_error([[1.0]], 0.0), "measurement_sd_pct must be above 0 %, got 0"),
        (lambda: rank_by_lower([1.0], [1.0, 2.0]), "tie_break must match lower"),
    ],
)
def test_impossible_counts_are_refused_in_words(call, message):
    with pytest.raises(ValueError, match=message):
        call()


def test_an_interval_holds_its_mean_also_where_none_of_many_is_lean():
    # Beta(0.0135, 37): by scipy its 95 % point lies below its mean of 0.00036.
    lean, fine = 1.0 * 0.0135, 1.0 - 0.0135 + 36.0
    assert stats.beta.ppf(0.95, lean, fine) < stats.beta.mean(lean, fine)
    for lean_bikes, share in ((0, 0.0135), (36, 1.0 - 0.0135)):
        found = warn_probability(lean_bikes, 36, Prior(share, 1.0))
        assert found.lower <= found.mean <= found.upper


@pytest.mark.parametrize(("builds", "bikes"), [(2, 18), (30, 3), (3, 40)])
def test_a_shop_without_a_lean_bike_has_chances_in_their_order(builds, bikes):
    prior = shop_prior([0] * builds, [bikes] * builds)
    found = warn_probability(0, bikes, prior)
    assert 0.0 <= found.lower <= found.mean <= found.upper < 0.2
