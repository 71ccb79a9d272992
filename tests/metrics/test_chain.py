"""Bikes within dynos within a chain: held against one-stage models that others wrote."""

import numpy as np
import pytest
from scipy import optimize, stats

from flows.metrics.chain import agrees_too_well, chain, offsets

WITHIN_SD = 0.01
"""What two ways to one mean may differ by, in its own standard errors."""


def drawn(seed, dynos=6, bikes=(2, 9), tau=0.008, sigma=0.006, equal=None):
    rng = np.random.default_rng(seed)
    sizes = rng.integers(*bikes, dynos)
    dyno = np.repeat(np.arange(dynos), sizes)
    v = np.full(dyno.size, equal) if equal else rng.uniform(0.003, 0.012, dyno.size) ** 2
    y = 0.04 + rng.normal(0, sigma, dynos)[dyno] + rng.normal(0, np.sqrt(tau**2 + v))
    return y, v, dyno


def one_stage(y, v, dyno):
    """Return mean and standard error by the dense covariance of all bikes, with scipy."""

    def parts(spreads):
        covariance = np.diag(v + spreads[0] ** 2) + spreads[1] ** 2 * (dyno[:, None] == dyno)
        inverse = np.linalg.inv(covariance)
        total = inverse.sum()
        mean = (inverse @ y).sum() / total
        rest = y - mean
        minus = np.linalg.slogdet(covariance)[1] + np.log(total) + rest @ inverse @ rest
        return 0.5 * minus, mean, total**-0.5

    starts = [(a, b) for a in (0.0005, 0.01) for b in (0.0005, 0.01)]
    best = min(
        (
            optimize.minimize(
                lambda s: parts(s)[0], start, method="L-BFGS-B", bounds=[(0, 0.2)] * 2,
                options={"ftol": 1e-14, "gtol": 1e-9, "eps": 1e-8},
            )
            for start in starts
        ),
        key=lambda found: found.fun,
    )  # fmt: skip
    return parts(best.x)[1:]


def of_one(y, v, dyno, here=0):
    return chain(y, v, np.zeros(y.size, dtype=int), dyno, here)


@pytest.mark.parametrize("seed", range(8))
def test_the_mean_is_that_of_one_likelihood_over_all_bikes(seed):
    y, v, dyno = drawn(seed, tau=[0.008, 0.0][seed % 2], sigma=[0.006, 0.0, 0.02, 0.006][seed % 4])
    mean, sd = one_stage(y, v, dyno)
    found = of_one(y, v, dyno)
    assert abs(found.mean[0] - mean) < WITHIN_SD * sd
    assert found.sd[0] == pytest.approx(sd, rel=0.01)


def test_with_equal_variances_it_is_the_mixed_model_of_statsmodels():
    import statsmodels.api as sm

    # MixedLM knows one residual variance: with equal stated ones it is theirs and tau's together.
    y, v, dyno = drawn(3, dynos=12, bikes=(5, 12), equal=2.5e-5)
    fitted = sm.MixedLM(100 * y, np.ones((y.size, 1)), groups=dyno).fit(reml=True)
    found = of_one(y, v, dyno)
    assert abs(found.mean[0] - fitted.params[0] / 100) < WITHIN_SD * fitted.bse[0] / 100
    assert found.sd[0] == pytest.approx(fitted.bse[0] / 100, rel=0.01)
    assert found.between_dynos[0] == pytest.approx(
        float(fitted.cov_re[0, 0]) ** 0.5 / 100, rel=0.03
    )
    assert found.between_bikes[0] ** 2 + 2.5e-5 == pytest.approx(fitted.scale / 1e4, rel=0.03)


def test_groups_pooled_together_are_as_pooled_alone():
    sets = [drawn(seed, dynos=4 + seed) for seed in range(4)]
    group = np.repeat(np.arange(4), [y.size for y, _, _ in sets])
    shuffled = np.random.default_rng(1).permutation(group.size)
    y, v, dyno = (np.concatenate(parts)[shuffled] for parts in zip(*sets, strict=True))
    together = chain(y, v, group[shuffled], dyno, here=1)
    for number, (y, v, dyno) in enumerate(sets):
        alone = of_one(y, v, dyno, here=1)
        for name in ("mean", "lower", "upper", "next_lower", "next_upper", "bikes", "dynos"):
            assert getattr(together, name)[number] == pytest.approx(getattr(alone, name)[0]), name


def test_equal_dynos_give_the_t_interval_of_their_means():
    # By hand: dynos of equal precision and far apart weigh alike, so that the interval is that of
    # their means: 0.01, 0.03, 0.08 have mean 0.04 and SD 0.036056; t with 2 degrees of freedom is
    # 4.3027 at 97.5 %.
    y = np.repeat([0.01, 0.03, 0.08], 4)
    found = of_one(y, np.full(12, 1e-6), np.repeat([0, 1, 2], 4))
    assert found.mean[0] == pytest.approx(0.04)
    half = 4.3027 * 0.036056 / 3**0.5
    assert found.upper[0] - found.mean[0] == pytest.approx(half, rel=WITHIN_SD)


def test_few_dynos_widen_and_one_tells_nothing_of_others():
    y, v, dyno = drawn(1, dynos=2, bikes=(30, 31))
    two = of_one(y, v, dyno)
    assert two.upper[0] - two.mean[0] >= stats.t.ppf(0.975, 1) * two.sd[0] * 0.999
    one = of_one(*drawn(1, dynos=1, bikes=(30, 31)))
    assert np.isnan([one.lower[0], one.upper[0]]).all()
    assert np.isfinite([one.next_lower[0], one.next_upper[0]]).all()


def test_with_many_bikes_here_the_next_one_goes_by_them_and_without_by_all():
    rng = np.random.default_rng(5)
    dyno = np.repeat(np.arange(9), 200)
    level = np.array([0.08, *rng.normal(0.04, 0.004, 8)])
    y, v = level[dyno] + rng.normal(0, 0.006, dyno.size), np.full(dyno.size, 1e-6)
    here, new = of_one(y, v, dyno, here=0), of_one(y, v, dyno, here=99)
    assert here.next_mean[0] == pytest.approx(0.08, abs=0.001)
    # By hand: 1.96 SD of a bike, 0.006; the dyno is known to 0.006 / sqrt(200).
    assert here.next_upper[0] - here.next_mean[0] == pytest.approx(1.96 * 0.006, rel=0.06)
    assert new.next_mean[0] == pytest.approx(new.mean[0], abs=0.001)
    assert new.next_upper[0] - new.next_lower[0] > 2 * (here.next_upper[0] - here.next_lower[0])


def test_a_dyno_that_states_too_little_scatter_cannot_outweigh_the_others():
    y, v, dyno = drawn(2, dynos=8, bikes=(6, 7))
    sound = of_one(y, v, dyno)
    y, v = np.where(dyno == 0, 0.10, y), np.where(dyno == 0, 1e-8, v)
    # By hand: one of eight alike moves their mean by at most an eighth of what it is off, and by
    # the little that its own level weighed before.
    assert of_one(y, v, dyno).mean[0] - sound.mean[0] < 0.07 / 8 * 1.2


def test_the_odd_dyno_is_that_of_the_studentised_residual():
    import statsmodels.api as sm

    # With measurements without error: statsmodels' own external residuals of a mean alone.
    off = np.array([0.004, -0.003, 0.001, 0.012, -0.002, 0.0])
    fitted = sm.OLS(off, np.ones(off.size)).fit()
    outside = fitted.get_influence().resid_studentized_external
    dynos, far, p = offsets(off, np.full(6, 1e-12), np.arange(6))
    assert far == pytest.approx(off)
    assert p == pytest.approx(2 * stats.t.sf(np.abs(outside), 4), rel=1e-4)
    assert list(dynos) == list(range(6))


def test_what_a_dyno_is_off_by_in_all_changes_alike_counts_once():
    rng = np.random.default_rng(4)
    level = rng.normal(0, 0.004, 12)
    few, many = (
        offsets(np.tile(level, groups), np.full(12 * groups, 1e-10), np.tile(np.arange(12), groups))
        for groups in (1, 100)
    )
    assert many[2] == pytest.approx(few[2], rel=1e-3)


def test_made_up_agreement_is_told_and_a_careful_shop_is_not():
    rng = np.random.default_rng(8)
    group = np.repeat(np.arange(20), 4)
    assert agrees_too_well(np.zeros(80), np.full(80, 2.5e-5), group)
    assert agrees_too_well(np.repeat(rng.normal(0.03, 0.01, 20), 4), np.full(80, 2.5e-5), group)
    assert not agrees_too_well(rng.normal(0, 0.005, 80), np.full(80, 2.5e-5), group)
    assert not agrees_too_well(rng.normal(0, 0.0025, 80), np.full(80, 2.5e-5), group)
    assert not agrees_too_well([0.0, 0.0], [2.5e-5] * 2, [0, 0])


def test_what_cannot_be_is_refused():
    for bad in ({"variance": [0.0]}, {"effect": []}, {"dyno": [0, 1]}):
        with pytest.raises(ValueError, match="must"):
            chain(**{"effect": [0.1], "variance": [1e-4], "group": [0], "dyno": [0]} | bad, here=0)
