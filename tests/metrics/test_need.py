"""Remap need: posterior of a share, the shop's prior, shares seen, ranks; SciPy and laws."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from flows.metrics.need import (
    Prior,
    leading_since,
    rank_by_lower,
    share_seen,
    shop_prior,
    warn_probability,
)


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


@pytest.mark.parametrize(
    ("lean", "bikes"),
    [([4, 0, 5, 1], [5, 6, 5, 6]), ([1, *[0] * 30], [1] * 31), ([0, 1, 0, 2], [3, 1, 2, 2])],
)
def test_the_prior_has_the_mean_and_spread_of_the_whole_posterior(lean, bikes):
    # The next build's share, by scipy's beta-binomial and a plain sum over a finer raster than
    # the code's, in the share itself: nothing of the code is used.
    share = (np.arange(800) + 0.5) / 800
    strength = np.exp((np.arange(60) + 0.5) / 60 * np.log(20.0))
    a, b = share[:, None] * strength, (1 - share)[:, None] * strength
    log = stats.beta(0.5, 0.5).logpdf(share)[:, None] + sum(
        stats.betabinom.logpmf(x, n, a, b) for x, n in zip(lean, bikes, strict=True)
    )
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    mean = np.sum(weight * share[:, None])
    square = np.sum(weight * a * (a + 1) / (strength * (strength + 1)))
    prior = shop_prior(lean, bikes)
    found = stats.beta(
        prior.prior_share * prior.prior_strength, (1 - prior.prior_share) * prior.prior_strength
    )
    assert found.mean() == pytest.approx(mean, abs=0.004)
    assert found.std() == pytest.approx((square - mean**2) ** 0.5, rel=0.03)


def test_a_lean_shop_map_among_thirty_sound_ones_is_not_told_as_a_coin_toss():
    # With the stock maps in one pot it was told 48 %.
    prior = shop_prior([1, *[0] * 30], [1] * 31)
    chance = warn_probability(1, 1, prior)
    assert chance.mean < 0.35
    # By hand: the next of 30 sound ones, (0 + 1/2) / (30 + 1) by Jeffreys, is at 1.6 %; the lower
    # end, by which builds are ranked, is not far above it.
    assert chance.lower < 0.05
    # Where each build had four bikes, their agreement is known too.
    many = shop_prior([1, *[0] * 30], [1, *[4] * 30])
    assert warn_probability(0, 4, many).upper < 0.1


def test_builds_that_are_all_alike_make_a_strong_prior_and_unlike_ones_a_weak_one():
    alike = shop_prior([3, 3, 3, 3, 3, 3], [6, 6, 6, 6, 6, 6])
    unlike = shop_prior([6, 0, 6, 0, 6, 0], [6, 6, 6, 6, 6, 6])
    # What builds say of one is worth 1 to 20 bikes, less what the share itself is unsure by.
    assert unlike.prior_strength < 1.2 < 5.0 < alike.prior_strength < 20.0
    assert alike.prior_share == pytest.approx(0.5, abs=1e-3)


def test_too_few_builds_start_from_a_stated_prior_told_as_assumed():
    # Law: what a build itself showed must not stand in its own prior.
    assert shop_prior([2, 0], [3, 1]) == shop_prior([], [])
    assert shop_prior([], []).is_assumed
    assert not shop_prior([2, 0, 1], [3, 1, 1]).is_assumed
    assert not Prior(0.5, 2.0).is_assumed  # one that is stated
    # By hand: Jeffreys has mean 1/2 and variance 1/8; E 1/(s + 1) with ln s even on 0 to ln 20 is
    # 1 - ln(21/2) / ln 20 = 0.2151, and E p(1 - p) = 1/8: in all 0.1519, of a beta with strength
    # 0.25 / 0.1519 - 1 = 0.646.
    assert shop_prior([], [])[:2] == pytest.approx((0.5, 0.646), abs=0.01)


@pytest.mark.parametrize(("lean", "bikes"), [(1, 9), (4, 7), (12, 12), (0, 5)])
def test_a_share_seen_has_jeffreys_interval(lean, bikes):
    found = share_seen(lean, bikes)
    # Brown, Cai and DasGupta 2001, by scipy's beta; 0 and 1 are ends by themselves.
    posterior = stats.beta(lean + 0.5, bikes - lean + 0.5)
    low = posterior.ppf(0.05) if lean else 0.0
    high = posterior.ppf(0.95) if lean < bikes else 1.0
    assert found == pytest.approx((lean / bikes, low, high))


def test_a_shop_that_saw_no_lean_bike_does_not_rule_one_out():
    prior = shop_prior([0, 0, 0, 0], [4, 4, 4, 4])
    assert 0.0 < prior.prior_share < 0.15


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


def test_a_stay_among_the_first_begins_anew_after_a_break():
    # By hand: build 0 leads at times 0 and 1, is overtaken at 2, and leads again from 3 on.
    bounds = [[0.5, 0.1], [0.5, 0.4], [0.5, 0.6], [0.7, 0.6], [0.7, 0.6]]
    assert leading_since(bounds, places=1).tolist() == [3, -1]
    assert leading_since(bounds, places=2).tolist() == [0, 0]


def test_nothing_known_leads_nothing():
    nan = float("nan")
    assert leading_since([[nan, 0.2], [nan, 0.2]], places=3).tolist() == [-1, 0]
    assert leading_since(np.empty((0, 2)), places=3).tolist() == [-1, -1]
    with pytest.raises(ValueError, match="table"):
        leading_since([0.1, 0.2], places=1)
    with pytest.raises(ValueError, match="places"):
        leading_since([[0.1]], places=0)


def test_a_build_of_which_nothing_is_known_takes_no_place():
    # By hand: of two builds one is known; it holds the one place, from the first time on.
    assert leading_since([[0.5, np.nan], [0.4, np.nan]], 1).tolist() == [0, -1]


def test_equals_lead_together():
    assert leading_since([[0.3, 0.3, 0.1]], places=1).tolist() == [0, 0, -1]
