"""Trust: published variance components, and what simulated shops find of their own scatter."""

import math
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import scipy.stats
from scipy import integrate, optimize, special, stats
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import connected_components

from flows.metrics.trust import (
    DEFAULT_AIR_EXPONENT_SHARE,
    HELD_TIMES,
    MOST_DOF,
    PRIOR_LN_SD,
    REGION_EDGES,
    Agreement,
    RegionRemount,
    Series,
    _dof_of,
    _finer,
    _hanging_together,
    agreement_fit,
    air_exponent,
    remount_shapes,
    restricted_log_likelihood,
    session_scatter,
    shop_repeatability,
    steady_spells,
    tie_to_level,
)

PULLS_VARIANCE = 0.004**2 / 3
"""Three pulls of 0.4 %."""
KNOWN = {
    "default_remount_share": 0.008,
    "default_day_share": 0.005,
    "exponent_sd": 0.17,
    "pulls_variance": PULLS_VARIANCE,
}


def series(level, mounting, day, variance=0.0, density=math.nan):
    level = np.asarray(level, dtype=float)
    return Series(
        level,
        np.broadcast_to(variance, level.shape).astype(float),
        np.asarray(mounting),
        np.asarray(day),
        np.broadcast_to(density, level.shape).astype(float),
    )


def one_way(groups):
    """Take groups as days and values as mountings: the day is the scatter between groups."""
    values = np.concatenate(groups)
    day = np.repeat(np.arange(len(groups)), [len(group) for group in groups])
    return series(values, np.arange(values.size), day)


def most_likely(one, near):
    """Return the SDs of mounting and day at the top of the likelihood, without a prior."""

    def below(logs):
        remount, day = np.exp(2.0 * logs)
        return -restricted_log_likelihood([one], [remount], [day], exponent_sd=0.0)[0]

    fine = {"xatol": 1e-11, "fatol": 1e-13, "maxiter": 4000}
    return np.exp(optimize.minimize(below, np.log(near), method="Nelder-Mead", options=fine).x)


def parsed(text):
    return [np.array(group.split(), dtype=float) for group in text.split("|")]


def nist(name):
    """Return the groups of a NIST StRD set, from the text that scipy carries."""
    at = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_anova" / f"{name}.dat"
    groups = {}
    for line in at.read_text().splitlines()[60:]:
        group, value = line.split()
        groups.setdefault(group, []).append(float(value))
    return [np.array(values) for values in groups.values()]


# Pinheiro and Bates 2000 (Rail), lme4's Dyestuff: the REML figures that both packages print.
RAIL = "55 53 54|26 37 32|78 91 85|92 100 96|49 51 50|80 85 83"
DYESTUFF = (
    "1545 1440 1440 1520 1580|1540 1555 1490 1560 1495|1595 1550 1605 1510 1560"
    "|1445 1440 1595 1465 1545|1595 1630 1515 1635 1625|1520 1455 1450 1480 1445"
)


@pytest.mark.parametrize(
    ("text", "within", "between", "digit"),
    [(RAIL, 4.020779, 24.80547, 1e-5), (DYESTUFF, 49.510, 42.000, 1e-3)],
)
def test_mounting_and_day_are_the_variance_components_of_published_mixed_models(
    text, within, between, digit
):
    remount, day = most_likely(one_way(parsed(text)), (within * 1.3, between * 0.8))
    assert remount == pytest.approx(within, abs=digit)
    assert day == pytest.approx(between, abs=digit)


@pytest.mark.parametrize("name", ["SiRstv", "AtmWtAg"])
def test_mounting_and_day_follow_the_certified_squares_of_nist(name):
    # Balanced: the REML figures are MSW and (MSB - MSW) / n, of the certified mean squares.
    certified = {
        "SiRstv": (5, 5.11462616e-2 / 4, 2.1663656e-1 / 20),
        "AtmWtAg": (24, 3.638341875e-9, 1.04951729166667e-8 / 46),
    }
    count, between, within = certified[name]
    remount, day = most_likely(
        one_way(nist(name)), (1.2 * math.sqrt(within), math.sqrt(between / count))
    )
    assert remount == pytest.approx(math.sqrt(within), rel=1e-6)
    assert day == pytest.approx(math.sqrt((between - within) / count), rel=1e-5)


def test_with_known_variances_the_scatter_is_that_of_published_meta_analyses():
    # BCG vaccine, 13 trials (Colditz 1994), REML tau^2 0.3132 (metafor); y and v to four digits.
    y = [-.8893, -1.5854, -1.3481, -1.4416, -.2175, -.7861, -1.6209, .0120, -.4694, -1.3713,
         -.3394, .4459, -.0173]  # fmt: skip
    v = [
        0.3256,
        0.1946,
        0.4154,
        0.0200,
        0.0512,
        0.0069,
        0.2230,
        0.0040,
        0.0564,
        0.0730,
        0.0124,
        0.5325,
        0.0714,
    ]
    one = series(y, np.arange(13), np.arange(13), np.array(v))

    def below(variance):
        return -restricted_log_likelihood([one], [variance], [0.0], exponent_sd=0.0)[0]

    found = optimize.minimize_scalar(below, bounds=(0.01, 2.0), options={"xatol": 1e-9}).x
    assert found == pytest.approx(0.3132, abs=2e-4)


def test_the_likelihood_is_that_of_the_contrasts_which_no_level_can_explain():
    # Patterson and Thompson's own definition: K'y with K'1 = 0 is normal of covariance K'VK.
    rng = np.random.default_rng(4)
    mounting, day = np.array([0, 0, 1, 2, 2, 3, 4]), np.array([0, 0, 0, 1, 2, 2, 3])
    y, variance, line = rng.normal(0, 1, 7), rng.uniform(0.1, 1, 7), rng.normal(0, 1, 7)
    tried = [(0.5, 0.2), (2.0, 0.01), (0.03, 1.4)]
    contrasts = np.linalg.svd(np.ones((1, 7)))[2][1:]
    expected = []
    for remount, of_day in tried:
        covariance = np.diag(variance) + 0.3**2 * np.outer(line, line)
        covariance += remount * np.equal.outer(mounting, mounting)
        covariance += of_day * np.equal.outer(day, day)
        of_contrasts = contrasts @ covariance @ contrasts.T
        expected.append(scipy.stats.multivariate_normal.logpdf(contrasts @ y, None, of_contrasts))
    one = series(y, mounting, day, variance, line)
    got = restricted_log_likelihood([one], *np.transpose(tried), exponent_sd=0.3)
    assert np.diff(got) == pytest.approx(np.diff(expected), rel=1e-9)


def test_one_mounting_tells_of_the_day_only_and_one_day_of_mounting_only():
    level, apart = [0.0, 0.01, -0.004], np.arange(3)
    tried = [1e-6, 1e-4]
    strapped = series(level, [7, 7, 7], apart, 1e-6)
    same_day = series(level, apart, [7, 7, 7], 1e-6)
    for one, other in ((strapped, same_day), (same_day, strapped)):
        of_other = [0.0, 0.0]
        first = one is strapped
        args = (tried, of_other) if first else (of_other, tried)
        assert np.ptp(restricted_log_likelihood([one], *args, exponent_sd=0.1)) == pytest.approx(0)
        assert np.ptp(restricted_log_likelihood([other], *args, exponent_sd=0.1)) > 0.1


def test_without_a_session_each_figure_is_its_default_and_all_prior():
    found = session_scatter([], **KNOWN)
    assert found.remount.median_share == pytest.approx(0.008)
    assert found.day.median_share == pytest.approx(0.005)
    assert found.remount.prior_weight == found.day.prior_weight == 1.0
    assert found.remount.below + found.remount.above == pytest.approx(1.0)
    # By Simpson's rule over the prior, apart: an error of SD 0.8 % times 2 to a normal power, with
    # pulls of 0.23 %, exceeds 2.6499 % once in 40; over t of 6, less the pulls: 1.0580 %.
    assert found.remount.share == pytest.approx(0.010580, abs=1e-5)


def shops(count, remount, day, days, mountings_a_day, pairs=1, seed=20):
    """Series as a shop with that scatter would run them, `pairs` bikes a shop."""
    rng = np.random.default_rng(seed)
    for _ in range(count):
        made = []
        for _ in range(pairs):
            on = np.repeat(np.arange(days), mountings_a_day)
            level = rng.normal(0, remount, on.size) + rng.normal(0, day, days)[on]
            level += rng.normal(0, math.sqrt(PULLS_VARIANCE), on.size)
            made.append(series(level, np.arange(on.size), on, PULLS_VARIANCE))
        yield made


def held(part, true_variance):
    """Chance that the 95 % interval of two sessions' difference holds it, by Satterthwaite."""
    variance = 2 * (PULLS_VARIANCE + part.share**2)
    dof = variance**2 / ((2 * part.share**2) ** 2 / part.dof)
    half = special.stdtrit(min(dof, 1e6), 0.975) * math.sqrt(variance)
    return 2 * special.ndtr(half / math.sqrt(2 * (PULLS_VARIANCE + true_variance))) - 1


def test_who_knows_nothing_is_given_intervals_that_hold_at_twice_the_default():
    found = session_scatter([], **KNOWN, held_times=2.0).remount
    # By hand: 1.95996 sqrt(0.016^2 + 0.004^2 / 3) = 3.16844 %; over t of 6, 2.44691: 1.29487 %;
    # less the pulls' 0.23094 %: 1.27411 %, of 6 (1.27411 / 1.29487)^4 = 5.6243 degrees of freedom.
    assert found.share == pytest.approx(0.0127411, abs=1e-7)
    assert found.dof == pytest.approx(5.6243, abs=1e-4)
    assert held(found, 0.016**2) == pytest.approx(0.95, abs=1e-6)
    # What is learnt, nothing, stays what it is by Simpson's rule (above).
    assert found.learnt_share == pytest.approx(0.010580, abs=1e-5)


def same_day_pairs(pairs, scatter, chance):
    """Return pairs strapped anew, whose differences are as great as `chance` of shops have less.

    All equal: of pairs of known variance only the sum of the squares tells, a chi-square.
    """
    whole = 2 * (PULLS_VARIANCE + scatter**2)
    apart = math.sqrt(whole * stats.chi2.ppf(chance, pairs) / pairs)
    return [series([0.0, apart], [0, 1], [5, 5], PULLS_VARIANCE)] * pairs


@pytest.mark.parametrize("pairs", [2, 3, 6])
def test_a_shop_of_twice_the_default_with_few_pairs_of_its_own_holds_93_of_100(pairs):
    # Every shop counts by the quantiles of its chi-square: no luck of draws is in it.
    chances = [
        held(
            session_scatter(
                same_day_pairs(pairs, 0.016, (place + 0.5) / 40), **KNOWN, held_times=2.0
            ).remount,
            0.016**2,
        )
        for place in range(40)
    ]
    assert 0.925 < np.mean(chances) < 0.97


def by_quadrature(pairs, scatter, chance):
    """Return half an interval over the posterior of such pairs, and what they leave of 16 in 100.

    So likely is more than twice the default before a pair is seen.
    """
    (first, *_) = same_day_pairs(pairs, scatter, chance)
    squares = pairs * (first.level[1] - first.level[0]) ** 2
    ln = np.linspace(-5.0, 5.0, 4001) * PRIOR_LN_SD
    total = PULLS_VARIANCE + (0.008 * np.exp(ln)) ** 2
    prior = stats.norm.pdf(ln / PRIOR_LN_SD)
    after = prior * np.exp(-squares / 4 / total) / total ** (pairs / 2)
    after /= after.sum()
    half = optimize.brentq(lambda q: after @ stats.norm.sf(q / np.sqrt(total)) - 0.025, 0, 0.5)
    return half, after[ln > math.log(2)].sum() / stats.norm.sf(1.0)


@pytest.mark.parametrize(
    ("pairs", "scatter", "chance"),
    [(1, 0.002, 0.5), (2, 0.008, 0.5), (3, 0.012, 0.4), (4, 0.02, 0.9)],
)
def test_twice_the_default_is_held_as_far_as_the_sessions_leave_it(pairs, scatter, chance):
    one = same_day_pairs(pairs, scatter, chance)
    plain, wide = (
        session_scatter(one, **KNOWN, **more).remount for more in ({}, {"held_times": 2.0})
    )
    half, left = by_quadrature(pairs, scatter, chance)
    assert half_of(plain) == pytest.approx(half, rel=0.002)
    lacking = max(1.959964 * math.hypot(0.016, 0.004 / math.sqrt(3)) - half, 0.0)
    assert half_of(wide) == pytest.approx(half + min(left, 1.0) * lacking, rel=0.01)
    # What was learnt is told as it was learnt.
    told = ("learnt_share", "median_share", "prior_weight", "below", "above")
    assert [getattr(wide, name) for name in told] == [getattr(plain, name) for name in told]


def half_of(part):
    """Half an interval of one session, by the degrees of freedom that were handed on."""
    whole = PULLS_VARIANCE + part.share**2
    return special.stdtrit(part.dof * whole**2 / part.share**4, 0.975) * math.sqrt(whole)


@pytest.mark.parametrize("pairs", [0, 2, 4, 8])
def test_over_shops_of_half_once_and_twice_the_default_intervals_of_95_hold_so_often(pairs):
    # One shop's chance hangs on its own scatter, which nobody knows without pairs: the mean holds.
    chances = [
        held(session_scatter(made, **KNOWN).remount, true**2)
        for true in (0.004, 0.008, 0.016)
        for made in shops(30 if pairs else 1, true, 0.0, 1, 2, pairs, seed=pairs)
    ]
    assert 0.935 < np.mean(chances) < 0.975


@pytest.mark.parametrize("day", [0.0, 0.005, 0.010])
def test_a_control_bike_mounted_once_a_day_makes_other_days_hold(day):
    chances = [
        held(session_scatter(made, **KNOWN).both, 0.006**2 + day**2)
        for made in shops(30, 0.006, day, 24, 1)
    ]
    assert 0.93 < np.mean(chances) < 0.975


def test_of_one_mounting_a_day_only_the_sum_is_known():
    (made,) = shops(1, 0.006, 0.006, 40, 1)
    found = session_scatter(made, **KNOWN)
    assert found.both.share == pytest.approx(0.006 * math.sqrt(2), rel=0.25)
    assert found.both.prior_weight < 0.1
    assert found.remount.prior_weight > 3 * found.both.prior_weight
    assert found.day.prior_weight > 3 * found.both.prior_weight
    (made,) = shops(1, 0.006, 0.006, 20, 2)
    assert session_scatter(made, **KNOWN).remount.prior_weight < found.remount.prior_weight / 3


def test_many_pairs_find_what_made_them():
    (made,) = shops(1, 0.003, 0.009, 200, 3)
    found = session_scatter(made, **KNOWN)
    # 400 and 199 degrees of freedom: 1 SD of an SD is 4 and 5 %.
    assert found.remount.share == pytest.approx(0.003, rel=0.12)
    assert found.day.share == pytest.approx(0.009, rel=0.15)
    assert found.day.above > 0.99
    assert found.remount.below > 0.99


def changes(groups, bikes, mounting, between, seed):
    """Return changes that bikes had, strapped down anew for each; 1 SD of both in ln."""
    rng = np.random.default_rng(seed)
    sd = math.sqrt(2 * PULLS_VARIANCE + 2 * mounting**2 + between**2)
    known = np.full(bikes, 2 * PULLS_VARIANCE)
    return [Agreement(rng.normal(0.03, sd, bikes), known) for _ in range(groups)]


def test_bikes_that_agree_lower_a_default():
    found = session_scatter([], changes(3, 12, 0.0, 0.0, 3), **KNOWN).remount
    assert found.median_share < 0.004
    assert found.below > 0.975


def test_bikes_that_differ_as_bikes_do_say_little_of_remounting():
    found = session_scatter([], changes(3, 12, 0.005, 0.009, 3), **KNOWN).remount
    assert 0.004 < found.median_share < 0.009


@pytest.mark.parametrize("groups", [40, 160])
@pytest.mark.parametrize("mounting", [0.004, 0.008, 0.016])
def test_remounting_does_not_fall_as_more_changes_agree_by_chance(groups, mounting):
    # With a spread of its own best fit for each change, 160 changes brought it to a half.
    found = session_scatter([], changes(groups, 5, mounting, 0.0, 7), **KNOWN).remount
    assert 0.7 * mounting < found.median_share < 1.3 * mounting


def test_how_well_bikes_agree_is_the_integral_over_all_they_may_differ_by():
    # The same model by scipy's distributions and quadrature.
    gain, known = np.array([0.021, 0.034, 0.029, 0.040]), 1.2e-5
    residual = gain - gain.mean()

    def chance(mounting):
        def at(ln_tau, ln_usual):
            variance = known + 2 * mounting**2 + math.exp(2 * ln_tau)
            likelihood = math.exp(-float(residual @ residual) / 2 / variance) / variance**1.5
            usual, tau = math.exp(ln_usual), math.exp(ln_tau)
            spread = stats.halfnorm.pdf(tau, scale=usual) * tau
            return likelihood * spread * stats.t.pdf(usual / 0.008, 4) * usual

        low, high = math.log(1e-5), math.log(0.3)
        differ = integrate.dblquad(at, low, high, low, high, epsrel=1e-3)[0]
        variance = known + 2 * mounting**2
        alike = math.exp(-float(residual @ residual) / 2 / variance) / variance**1.5
        # Half of changes do the same to every bike; the half-t over usual has an area of 1/2.
        return 0.5 * differ + 0.5 * alike * 0.5 * 0.008

    tried = np.array([0.002, 0.006, 0.012])
    found = agreement_fit([Agreement(gain, np.full(4, known))], tried**2)
    by_scipy = np.log([chance(one) for one in tried])
    assert np.diff(found) == pytest.approx(np.diff(by_scipy), abs=0.03)


def test_how_bikes_differ_is_half_normal_about_what_is_usual():
    # The same by Simpson's rule on 401 by 401 points, of bikes that differ by far more than pulls.
    gain, known = np.array([0.0, 0.03, 0.06, 0.01]), 1.2e-5
    squares = float(((gain - gain.mean()) ** 2).sum())
    ln = np.linspace(math.log(1e-5), math.log(0.5), 401)
    spread, usual = np.exp(ln)[:, None], np.exp(ln)
    density = stats.halfnorm.pdf(spread, scale=usual) * spread
    density *= 2.0 * stats.t.pdf(usual / 0.008, 4) / 0.008 * usual

    def likelihood(variance):
        return np.exp(-squares / 2 / variance) / variance**1.5

    tried = np.array([0.002, 0.006, 0.012])
    by_simpson = [
        integrate.simpson(
            integrate.simpson(density * likelihood(known + 2 * m**2 + spread**2), x=ln, axis=1),
            x=ln,
        )
        + likelihood(known + 2 * m**2)
        for m in tried
    ]
    found = agreement_fit([Agreement(gain, np.full(4, known))], tried**2)
    assert np.diff(found) == pytest.approx(np.diff(np.log(by_simpson)), abs=0.02)


def test_a_dyno_that_moved_once_is_no_dyno_that_scatters():
    rng = np.random.default_rng(11)
    levels = np.r_[rng.normal(0, 0.003, 14), rng.normal(0.03, 0.003, 10)]
    assert steady_spells(levels).tolist() == [0] * 14 + [1] * 10


def test_steady_rows_are_seldom_cut():
    rng = np.random.default_rng(9)
    cut = [steady_spells(rng.normal(0, 1, count)).max() > 0 for count in (12, 24, 60) * 200]
    assert np.mean(cut) < 0.02


def test_a_mounting_that_lifts_the_top_alone_does_so_at_the_middles():
    # By hand: level m, bends -m, -m, 2 m; so nothing below, and 3 m at the top.
    m = 0.003
    regions = [
        RegionRemount(low, high, share, bend, 9.0, 9, "")
        for (low, high), share, bend in zip(
            pairwise(REGION_EDGES), (0.0, 0.0, 3 * m), (m, m, 2 * m), strict=True
        )
    ]
    found = remount_shapes([0.525, 0.775, 1.025], regions, remount_share=m)
    assert (found**2).sum(axis=0) == pytest.approx([0.0, 0.0, 9 * m**2], abs=1e-12)


def test_a_row_is_cut_where_two_means_differ_most():
    # Searched by brute force over every cut that leaves four on either side.
    rng = np.random.default_rng(12)
    for step in (0.9, -1.1, 1.3, -1.4):
        row = rng.normal(2.0, 0.2, 23) + step * (np.arange(23) >= 9)
        cuts = range(4, 20)
        apart = [
            abs(row[:at].mean() - row[at:].mean()) / math.sqrt(1 / at + 1 / (23 - at))
            for at in cuts
        ]
        spells = steady_spells(row)
        assert int(np.argmax(spells > 0)) == cuts[int(np.argmax(apart))]


def test_three_sessions_are_no_spell_of_their_own():
    # By the statement that four make one (our judgement): a fourth goes with the three.
    row = np.random.default_rng(14).normal(0.0, 0.1, 20) + 3.0 * (np.arange(20) >= 17)
    assert np.bincount(steady_spells(row)).tolist() == [16, 4]


def test_a_bend_s_tie_to_the_level_is_the_correlation_about_each_series_own_means():
    rng = np.random.default_rng(13)
    bends, levels, left = [], [], []
    for at in (3.0, -1.0):
        level = rng.normal(0.0, 1.0, 30)
        bend = 0.7 * level + rng.normal(0.0, 0.6, 30)
        left.append(np.stack([bend - bend.mean(), level - level.mean()]))
        bends.append(series(bend + at, np.arange(30), np.zeros(30)))
        levels.append(level - 2.0 * at)
    by_numpy = np.corrcoef(np.concatenate(left, axis=1))[0, 1]
    assert tie_to_level(bends, levels) == pytest.approx(by_numpy, rel=1e-9)


def test_levels_in_two_rows_are_refused():
    with pytest.raises(ValueError, match="one row"):
        steady_spells([[0.0]])


def control_run(slope, count, seed):
    rng = np.random.default_rng(seed)
    density = rng.normal(0, 0.025, count)
    level = slope * density + rng.normal(0, 0.006, count)
    return [series(level, np.arange(count), np.arange(count), PULLS_VARIANCE, density)]


def test_a_slope_that_the_control_bike_proves_counts_in_full():
    found = air_exponent(control_run(0.6, 60, 2))
    # 1 SD of the slope: 0.006 / 0.025 / sqrt(60) = 0.03.
    assert found.share == pytest.approx(0.6, abs=0.08)
    assert found.slope == pytest.approx(found.share, abs=0.01)


def test_a_slope_that_chance_explains_leaves_the_default():
    shares = [air_exponent(control_run(0.0, 24, seed)).share for seed in range(40)]
    assert np.mean(np.array(shares) == DEFAULT_AIR_EXPONENT_SHARE) > 0.9
    assert min(shares) == DEFAULT_AIR_EXPONENT_SHARE
    assert air_exponent(control_run(0.9, 5, 1)).share == DEFAULT_AIR_EXPONENT_SHARE


def test_air_that_stood_still_is_no_test_of_the_correction():
    (one,) = control_run(0.9, 24, 1)
    still = one._replace(density=one.density * 0.01)
    assert math.isnan(air_exponent([still]).slope)


def test_a_session_prior_recovers_the_scatter_and_the_spread_that_made_it():
    # s_g^2 = s_0^2 (d_0 / chi2(d_0)) (chi2(d) / d): Smyth 2004. Truth 0.4 %, 6 dof.
    rng = np.random.default_rng(31)
    true = 0.004**2 * 6.0 / rng.chisquare(6.0, 3000)
    sd = np.sqrt(true * rng.chisquare(2.0, 3000) / 2.0)
    got = shop_repeatability(sd, np.full(3000, 2.0))
    assert got.sd == pytest.approx(0.004, rel=0.05)
    assert got.dof == pytest.approx(6.0, rel=0.25)


def test_sessions_that_scatter_alike_make_a_prior_without_doubt():
    rng = np.random.default_rng(32)
    sd = 0.004 * np.sqrt(rng.chisquare(4.0, 5000) / 4.0)
    got = shop_repeatability(sd, np.full(5000, 4.0))
    assert got.sd == pytest.approx(0.004, rel=0.03)
    assert got.dof > 50.0


def test_a_few_sessions_make_no_prior():
    got = shop_repeatability([0.004, 0.005, 0.0], [2, 2, 2])
    assert math.isnan(got.sd)
    assert got.dof == 0.0


def test_the_usual_scatter_is_smyth_s_fit_to_the_last_digit():
    # Section 6.2 of the paper (from memory), by scipy's own root of trigamma: a prior of 7 or so.
    sd, dof = np.array([0.002, 0.007, 0.004, 0.003, 0.009]), np.array([2, 3, 2, 4, 2])
    height = 2 * np.log(sd) - special.digamma(dof / 2) + np.log(dof / 2)
    excess = np.var(height, ddof=1) - special.polygamma(1, dof / 2).mean()
    half = optimize.brentq(lambda h: special.polygamma(1, h) - excess, 0.1, 1e4, xtol=1e-13)
    usual = shop_repeatability(sd, dof)
    assert usual.dof == pytest.approx(2 * half, rel=1e-9)
    level = height.mean() + special.digamma(half) - math.log(half)
    assert usual.sd == pytest.approx(math.exp(level / 2), rel=1e-9)


@pytest.mark.parametrize("count", [8, 12])
@pytest.mark.parametrize(("p", "is_shown"), [(0.06, False), (0.04, True)])
def test_a_slope_counts_from_where_least_squares_give_it_a_p_of_0_05(count, p, is_shown):
    line = np.random.default_rng(8).normal(0.0, 0.02, count)
    noise = np.random.default_rng(9).normal(0.0, 0.005, count)
    left = noise - np.polyval(np.polyfit(line, noise, 1), line)

    def p_of(slope):
        return stats.linregress(line, slope * line + left).pvalue

    slope = optimize.brentq(lambda b: p_of(b) - p, 1e-6, 5.0)
    apart = np.arange(count)
    found = air_exponent([series(slope * line + left, apart, apart, density=line)])
    assert math.isfinite(found.slope) == is_shown


def test_bends_are_distances_from_the_mean_of_the_regions_whatever_was_learnt():
    # So the mean of a mounting over the three middles is its level, and no tie can change that; the
    # little that no three bends could have is left out.
    regions = [
        RegionRemount(low, high, share, bend, 9.0, 9, "")
        for (low, high), share, bend in zip(
            pairwise(REGION_EDGES), (0.002, 0.005, 0.009), (0.003, 0.001, 0.004), strict=True
        )
    ]
    at_middles = remount_shapes([0.525, 0.775, 1.025], regions, remount_share=0.006)
    assert (at_middles.mean(axis=1) ** 2).sum() == pytest.approx(0.006**2, rel=0.01)


def test_two_pulls_a_session_are_enough_for_the_usual_scatter():
    got = shop_repeatability([0.004, 0.005, 0.006, 0.005], [1, 1, 1, 1])
    # Hand calculation: less than pi^2 / 2 apart, so all alike; the geometric mean 0.004949, and for
    # one degree of freedom exp((ln(1/2) - psi(1/2)) / 2) = exp(0.6352) = 1.8873 of it.
    assert got.sd == pytest.approx(0.004949 * 1.8873, rel=1e-3)
    assert got.dof == math.inf


def test_regions_are_as_wide_as_each_other_and_the_top_one_holds_the_peak():
    assert np.diff(REGION_EDGES) == pytest.approx([0.25] * 3)  # law: no speed counts twice
    assert REGION_EDGES[-2] < 1.0 < REGION_EDGES[-1]


@pytest.mark.parametrize(("sd", "dof"), [(0.0, 2), (math.nan, 2), (0.02, 0)])
def test_a_session_that_tells_no_scatter_changes_nothing(sd, dof):
    sds, dofs = [0.004, 0.009, 0.002, 0.005, 0.012], [4, 4, 6, 5, 4]
    # Law: what says nothing of the scatter has no say in it.
    assert shop_repeatability([*sds, sd], [*dofs, dof]) == shop_repeatability(sds, dofs)


def test_pairs_of_one_day_leave_the_day_to_its_prior_and_days_of_one_mounting_the_mounting():
    rng = np.random.default_rng(12)
    level, apart = rng.normal(0.0, 0.002, 40), np.arange(40)
    of_day = session_scatter([series(level, apart, np.zeros(40), PULLS_VARIANCE)], **KNOWN)
    of_mounting = session_scatter([series(level, np.zeros(40), apart, PULLS_VARIANCE)], **KNOWN)
    untold = session_scatter([], **KNOWN)
    # Law: what no session tells apart stays as it was assumed.
    for part, before in ((of_day.day, untold.day), (of_mounting.remount, untold.remount)):
        assert part == pytest.approx(before, rel=2e-3)
    assert of_day.remount.prior_weight < 0.5
    assert of_mounting.day.prior_weight < 0.5


@pytest.mark.parametrize(("sd", "dof"), [([0.01] * 4, [2] * 5), ([[0.01] * 4], [[2] * 4])])
def test_rows_of_scatter_that_do_not_match_are_refused(sd, dof):
    with pytest.raises(ValueError, match="must be rows of one length"):
        shop_repeatability(sd, dof)


@pytest.mark.parametrize("seed", range(20))
def test_rows_that_hang_together_are_those_of_a_library_of_graphs(seed):
    # Long chains too: a day ties two mountings, the next day the second to a third.
    random = np.random.default_rng(seed)
    size = int(random.integers(1, 30))
    tied = np.triu(random.random((size, size)) < random.choice([0.02, 0.08, 0.3]))
    tied |= np.eye(size, k=int(seed % 3 == 0), dtype=bool) & (random.random(size) < 0.9)
    tied = tied | tied.T | np.eye(size, dtype=bool)
    count, wanted = connected_components(csr_matrix(tied), directed=False)
    found = _hanging_together(tied)
    assert np.array_equal(np.unique(found, return_inverse=True)[1], wanted)
    assert np.unique(found).size == count


def test_what_is_held_of_an_unknown_dyno_and_told_apart_of_t_are_the_stated_shares():
    # By the normal: five shops in six lie within what is held of a default.
    assert stats.norm.cdf(math.log(HELD_TIMES) / PRIOR_LN_SD) == pytest.approx(5 / 6, abs=0.01)
    # Tables of Student's t, 97.5 %: 2.042 at 30, 4 % above the normal's 1.960.
    assert stats.t.ppf(0.975, MOST_DOF) == pytest.approx(2.042, abs=5e-4)
    assert [_dof_of(critical) for critical in (1.96, 2.228, 12.7)] == pytest.approx(
        [30.0, 10.0, 6.0], abs=0.01
    )


@pytest.mark.parametrize("count", [0, 1, 7])
def test_a_row_too_short_to_have_two_spells_is_one(count):
    assert steady_spells(np.arange(count) ** 2.0).tolist() == [0] * count


@pytest.mark.parametrize(("size", "is_cut"), [(4.3, False), (4.7, True)])
def test_a_row_is_cut_from_four_and_a_half_standard_errors_on(size, is_cut):
    # Brute force: a step's greatest distance of two means, over the scatter of differences.
    noise = np.random.default_rng(15).normal(0.0, 0.2, 24)

    def standard_errors(step):
        row = noise + step * (np.arange(24) >= 10)
        sd = np.median(np.abs(np.diff(row))) / (stats.norm.ppf(0.75) * math.sqrt(2.0))
        return max(
            abs(row[:at].mean() - row[at:].mean()) / math.sqrt(1 / at + 1 / (24 - at)) / sd
            for at in range(4, 21)
        )

    step = optimize.brentq(lambda one: standard_errors(one) - size, 0.05, 5.0)
    assert (steady_spells(noise + step * (np.arange(24) >= 10)).max() > 0) == is_cut


def test_two_sessions_a_spell_tell_the_slope_of_their_differences():
    # Least squares of differences through 0, by hand: sum of x y over sum of x squared.
    rng = np.random.default_rng(16)
    x = rng.normal(0.0, 0.03, 12)
    y = 0.8 * x + rng.normal(0.0, 0.002, 12)
    pairs = [
        series([0.0, b], [0, 1], [0, 1], density=np.array([1.0, 1.0 + a]))
        for a, b in zip(x, y, strict=True)
    ]
    assert air_exponent(pairs).slope == pytest.approx(float(x @ y / (x @ x)), rel=1e-9)


def test_an_axis_is_drawn_anew_over_what_carries_a_millionth_of_the_greatest_weight():
    # By hand: of the greatest 1e-5 stays and 1e-7 is left out; a step more on either side.
    found = _finer(np.arange(6.0), 0.01 * np.array([0.0, 1e-7, 1e-5, 1.0, 1e-7, 0.0]))
    assert found[[0, -1]].tolist() == [1.0, 4.0]


def test_a_session_of_unknown_air_stands_at_the_mean_of_the_others():
    density = np.array([0.05, -0.03, 0.01])
    known = series([0.0, 0.01, 0.02, -0.01], np.arange(4), np.zeros(4), 1e-5,
                   np.array([*density, density.mean()]))  # fmt: skip
    unknown = known._replace(density=np.array([*density, math.nan]))
    tried = [1e-6, 1e-4], [0.0, 0.0]
    # Law: at the mean no exponent moves it, and more than that nobody knows of it.
    found = [restricted_log_likelihood([one], *tried, exponent_sd=0.3) for one in (unknown, known)]
    assert np.diff(found[0]) == pytest.approx(np.diff(found[1]), rel=1e-9)


def test_a_step_that_mounting_or_day_may_have_made_leaves_each_no_more_than_its_prior():
    # Which of the two it was, nobody can tell: each is less sure than before, its prior all of it.
    one = series([0.0, 0.2], [0, 1], [0, 1], 1e-8)
    found = session_scatter([one], **KNOWN)
    assert found.remount.prior_weight == 1.0 or found.day.prior_weight == 1.0
