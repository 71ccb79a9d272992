"""Effects of parts out of changes made together: published mixed models, dense algebra, hard cases.

The hard cases were listed before the code was run: parts always together, one bike doing
everything, a part seen once, unbalanced shops, a bike back three times.
"""

import numpy as np
import pytest
from scipy import optimize
from statsmodels.regression.mixed_linear_model import MixedLM, VCSpec
from statsmodels.stats.outliers_influence import variance_inflation_factor

from flows.metrics import attribution
from flows.metrics.attribution import attributed
from flows.metrics.pooling import SpreadPrior

PRIOR = SpreadPrior(0.008, 0.016, np.inf)
ALONE = -1

# Pinheiro & Bates 2000, data and REML estimates of the random intercept model.
RAIL = [[55, 53, 54], [26, 37, 32], [78, 91, 85], [92, 100, 96], [49, 51, 50], [80, 85, 83]]
# The same of lme4's documentation.
DYESTUFF = [
    [1545, 1440, 1440, 1520, 1580], [1540, 1555, 1490, 1560, 1495], [1595, 1550, 1605, 1510, 1560],
    [1445, 1440, 1595, 1465, 1545], [1595, 1630, 1515, 1635, 1625], [1520, 1455, 1450, 1480, 1445],
]  # fmt: skip
# Machines of Pinheiro & Bates, machine by worker: from memory, held to the published means below.
MACHINES = np.array([
    [[52.0, 52.8, 53.1], [51.8, 52.8, 53.1], [60.0, 60.2, 58.4],
     [51.1, 52.3, 50.3], [50.9, 51.8, 51.4], [46.4, 44.8, 49.2]],
    [[62.1, 62.6, 64.0], [59.7, 60.0, 59.0], [68.6, 65.8, 69.7],
     [63.2, 62.8, 62.2], [64.8, 65.0, 65.4], [43.7, 44.2, 43.0]],
    [[67.5, 67.2, 66.9], [61.5, 61.7, 62.3], [70.8, 70.6, 71.0],
     [64.1, 66.2, 64.0], [72.1, 72.0, 71.1], [62.0, 61.4, 60.5]],
])  # fmt: skip


def restricted(y, variance, x, bike):
    """Return the spread between bikes that fits best, the effects and their standard errors."""
    follows = np.full(len(y), ALONE)
    sums, _ = attribution._of_bikes(np.asarray(y, float), variance, x, follows, bike, bike)
    basis = attribution._row_space(x)

    def fit(tau):
        return attribution._at(attribution._spread(sums, tau), basis)

    scale = float(np.std(y))
    found = optimize.minimize_scalar(
        lambda tau: -fit(tau)[2], bounds=(1e-6 * scale, 5 * scale), method="bounded",
        options={"xatol": 1e-9 * scale},
    )  # fmt: skip
    effects, covariance, _ = fit(found.x)
    return found.x, basis @ effects, np.sqrt(np.diag(basis @ covariance @ basis.T))


@pytest.mark.parametrize(
    ("data", "mean", "between", "within"),
    [(RAIL, 66.5, 24.80547, 4.020779), (DYESTUFF, 1527.5, 42.0006, 49.5101)],
    ids=["Rail", "Dyestuff"],
)
def test_published_random_intercepts_come_out(data, mean, between, within):
    y = np.ravel(data)
    rail = np.repeat([f"B-{n}" for n in range(len(data))], len(data[0]))
    tau, effects, _ = restricted(y, np.full(y.size, within**2), np.ones((y.size, 1)), rail)
    assert tau == pytest.approx(between, rel=1e-4)
    assert effects == pytest.approx([mean])


def test_random_slopes_of_several_parts_are_those_of_a_mixed_model_library():
    # The published fixed effects and residual: 52.3556, +7.9667, +13.9167; 0.9616.
    means = MACHINES.mean(axis=(1, 2))
    assert [means[0], means[1] - means[0], means[2] - means[0]] == pytest.approx(
        [52.3556, 7.9667, 13.9167], abs=5e-5
    )
    assert MACHINES.var(axis=2, ddof=1).mean() ** 0.5 == pytest.approx(0.9616, abs=5e-5)
    machine, worker, _ = (axis.ravel() for axis in np.indices(MACHINES.shape))
    y, x = MACHINES.ravel(), np.eye(3)[machine]
    # Unbalanced on purpose: some of the runs are left out.
    kept = np.arange(y.size) % 7 != 3
    y, x, worker = y[kept], x[kept], worker[kept]
    slopes = {"part": {w: x[worker == w] for w in range(6)}}
    names = {"part": {w: ["A", "B", "C"] for w in range(6)}}
    spec = VCSpec(["part"], [[names["part"][w] for w in range(6)]],
                  [[slopes["part"][w] for w in range(6)]])  # fmt: skip
    fit = MixedLM(y, x, groups=worker, exog_vc=spec).fit(reml=True)
    tau, effects, errors = restricted(
        y, np.full(y.size, fit.scale), x, [f"B-{one}" for one in worker]
    )
    assert tau == pytest.approx(fit.vcomp[0] ** 0.5, rel=1e-3)
    assert effects == pytest.approx(fit.fe_params, rel=1e-4)
    assert errors == pytest.approx(fit.bse_fe, rel=1e-3)


def shop(rng, rows, parts=4):
    """Return comparisons of an unbalanced shop, some of which follow each other."""
    x = rng.choice([0.0, 0.0, 1.0, -1.0], (rows, parts))
    x[np.arange(parts), np.arange(parts)] = 1.0
    bike = np.sort(rng.integers(0, max(rows // 3, 1), rows))
    follows = np.array([n - 1 if n and bike[n] == bike[n - 1] and n % 2 else -1
                        for n in range(rows)])  # fmt: skip
    variance = rng.uniform(0.5, 2.0, rows) * 1e-4
    return rng.normal(0.03, 0.02, rows), variance, x, bike, bike // 2, follows


def test_sums_over_bikes_and_models_are_the_dense_matrices():
    rng = np.random.default_rng(3)
    y, v, x, bike, model, follows = shop(rng, 17)
    tau, omega = 0.011, 0.023
    same_bike, same_model = (one[:, None] == one for one in (bike, model))
    covariance = np.diag(v)
    for row, before in enumerate(follows):
        if before >= 0:
            covariance[row, before] = covariance[before, row] = -0.5 * np.sqrt(v[row] * v[before])
    covariance = covariance + x @ x.T * (tau**2 * same_bike + omega**2 * same_model)
    inverse = np.linalg.inv(covariance)
    information = x.T @ inverse @ x
    beta = np.linalg.solve(information, x.T @ inverse @ y)
    misfit = (y - x @ beta) @ inverse @ (y - x @ beta)
    wanted = -0.5 * (np.linalg.slogdet(covariance)[1] + np.linalg.slogdet(information)[1] + misfit)

    sums, of_model = attribution._of_bikes(y, v, x, follows, bike, model)
    found = attribution._Directions.of(sums, of_model).summed(1.0, np.array([tau]))
    models = attribution._Sums(*(one[0] for one in found))
    basis = attribution._row_space(x)
    effects, _, log_fit = attribution._at(attribution._spread(models, omega), basis)
    assert basis @ effects == pytest.approx(beta)
    assert log_fit == pytest.approx(wanted)


def test_inflation_is_that_of_a_statistics_library():
    # Uncentred, as statsmodels has it for a design without a constant.
    x = shop(np.random.default_rng(5), 40)[2]
    x[:, 3] = x[:, 2] + 0.2 * np.random.default_rng(6).normal(size=40)
    # So well measured that the weak bound on the effects counts for nothing.
    found = attribution._apart(1e12 * x.T @ x, 1.0)
    wanted = [variance_inflation_factor(x, part, standardize=False) for part in range(4)]
    assert [one.inflation for one in found] == pytest.approx(wanted, rel=1e-4)
    assert wanted[2] > attribution.MOST_INFLATION
    assert found[2].caught_with == (3,)


def test_the_next_job_is_the_best_of_all_by_brute_force():
    rng = np.random.default_rng(11)
    for _ in range(20):
        x = shop(rng, 8)[2]
        information = x.T @ x / 1e-4
        planned = 1.0 / 3e-4
        for part, found in enumerate(attribution._apart(information, planned)):
            bounded = information + np.eye(4) / attribution.LARGEST_SD**2
            left = [
                np.linalg.inv(bounded + planned * np.outer(job, job))[part, part]
                for job in np.eye(4)
            ]
            assert left[found.best] == pytest.approx(min(left))
            assert found.half_width_then == pytest.approx(1.959964 * min(left) ** 0.5)


def fitted(rows, effects=(0.02, 0.05, 0.01), prior=PRIOR, noise=0.0, seed=0):
    """Return what is told of rows of (bike, model, design row)."""
    x = np.array([row[2] for row in rows], dtype=float)
    rng = np.random.default_rng(seed)
    y = x @ np.array(effects[: x.shape[1]]) + noise * rng.normal(size=len(rows))
    return attributed(
        y, np.full(len(rows), 1e-4), x, [row[0] for row in rows], [row[1] for row in rows], prior,
        follows=np.full(len(rows), ALONE), planned_variance=1e-4,
    )  # fmt: skip


def test_parts_always_fitted_together_are_told_together_and_not_apart():
    found = fitted([(f"B-{n}", "M", (1, 1)) for n in range(12)])
    assert np.isnan(found.told.effect[:2]).all()
    assert found.told.contrasts[2].tolist() == [1, 1]
    assert found.told.effect[2] == pytest.approx(0.07, abs=1e-9)
    assert [one.caught_with for one in found.apart] == [(1,), (0,)]
    assert min(one.inflation for one in found.apart) > attribution.MOST_INFLATION
    # One bike with the first alone would tell it as well as such a bike is measured.
    assert found.apart[0].best == 0
    assert found.apart[0].half_width > 0.3
    assert found.apart[0].half_width_then < 0.1


def test_a_part_taken_off_whenever_another_is_fitted_is_told_with_it():
    found = fitted([(f"B-{n}", "M", (1, -1)) for n in range(5)])
    assert found.told.contrasts[2].tolist() == [1, -1]
    assert found.told.effect[2] == pytest.approx(-0.03, abs=1e-9)


def test_what_is_a_sum_of_others_is_caught_with_both_and_has_no_figure():
    # a + b are only ever changed in the proportions of c: rank 2 of 3.
    rows = [("B-1", "M", (1, 0, 1)), ("B-2", "M", (0, 1, 1)), ("B-3", "M", (1, 0, 1))]
    found = fitted(rows)
    assert np.isnan(found.told.effect).all()
    assert found.apart[0].caught_with == (1, 2)


def test_one_bike_that_did_everything_tells_each_but_not_surely():
    one = fitted([("B-1", "M", row) for row in np.eye(3)])
    many = fitted([(f"B-{n}", f"M-{n}", row) for n in range(8) for row in np.eye(3)])
    assert one.told.effect == pytest.approx([0.02, 0.05, 0.01], abs=1e-6)
    widths = [found.told.upper - found.told.lower for found in (one, many)]
    # With one bike nobody knows how bikes and models differ: wider than its own measurement.
    assert (widths[0] > 2 * 1.96 * 1e-2).all()
    assert (widths[0] > 2 * widths[1]).all()


def test_a_part_seen_once_is_no_surer_than_that_one_bike():
    rows = [(f"B-{n}", f"M-{n}", (1, 0)) for n in range(20)] + [("B-20", "M-0", (0, 1))]
    found = fitted(rows)
    width = found.told.upper - found.told.lower
    assert width[1] > 2 * 1.96 * 1e-2
    assert width[0] < 0.5 * width[1]
    assert found.apart[1].inflation < 1.5


def test_a_bike_back_three_times_counts_as_one_bike():
    # Measured so well that only the bikes' own differences count.
    def width(bikes):
        of_bike = {"B-1": 0.01, "B-2": 0.03, "B-3": 0.05, "B-4": 0.02, "B-5": 0.04, "B-6": 0.03}
        told = attributed(
            [of_bike[bike] for bike in bikes], [1e-8] * len(bikes), [[1.0]] * len(bikes), bikes,
            ["M"] * len(bikes), SpreadPrior(0.02, 1e-6, np.inf),
            follows=[ALONE] * len(bikes), planned_variance=1e-4,
        ).told  # fmt: skip
        return float(told.upper[0] - told.lower[0])

    four = ["B-1", "B-2", "B-3", "B-4"]
    assert width([*four, "B-3", "B-3"]) == pytest.approx(width(four), rel=1e-3)
    assert width([*four, "B-5", "B-6"]) < 0.85 * width(four)


def test_twenty_bikes_of_one_model_are_one_model():
    of_one = fitted([(f"B-{n}", "M-1", (1,)) for n in range(20)])
    of_many = fitted([(f"B-{n}", f"M-{n}", (1,)) for n in range(20)])
    widths = [float(f.told.upper[0] - f.told.lower[0]) for f in (of_one, of_many)]
    assert widths[0] > 1.5 * widths[1]


def test_effects_of_simulated_shops_lie_in_their_intervals():
    # Spreads drawn from the prior: by Bayes' rule coverage is the level itself, over shops.
    rng = np.random.default_rng(23)
    true, held = np.array([0.02, 0.03, 0.05]), []
    for _ in range(150):
        tau, omega = np.abs(rng.standard_t(4, 2)) * (0.008, 0.016)
        of_model = omega * rng.normal(size=(4, 3))
        x, bike, model, follows, y = [], [], [], [], []
        for number in range(14):
            own = true + of_model[number % 4] + tau * rng.normal(size=3)
            steps = [(1, 0, 0), (0, 0, 1)] if number % 3 else [(1, 1, 0), (0, 0, 1)]
            level = 0.007 * rng.normal(size=3)
            for place, step in enumerate(steps):
                follows.append(len(y) - 1 if place else ALONE)
                x.append(step)
                bike.append(f"B-{number}")
                model.append(f"M-{number % 4}")
                y.append(np.dot(step, own) + level[place + 1] - level[place])
        variance = np.full(len(y), 2 * 0.007**2)
        told = attributed(y, variance, x, bike, model, PRIOR,
                          follows=follows, planned_variance=1e-4).told  # fmt: skip
        held.append((told.lower[:3] < true) & (true < told.upper[:3]))
    # 3 SD of 450 intervals, taken as 300 that are independent: 3.8 %.
    assert np.mean(held) == pytest.approx(0.95, abs=0.038)


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        ({"effect": []}, "at least 1"),
        ({"effect": [np.nan, 0.1]}, "finite"),
        ({"variance": [1.0, 0.0]}, "variance"),
        ({"design": [[1.0, 0.0], [1.0, 0.0]]}, "at least once"),
        ({"bike": ["B-1"]}, "all must hold"),
    ],
)
def test_what_cannot_be_told_apart_is_refused(changed, told):
    given = {
        "effect": [0.1, 0.2], "variance": [1.0, 1.0], "design": np.eye(2), "bike": ["B-1", "B-2"],
        "model": ["M", "M"], "prior": PRIOR, "follows": [-1, -1], "planned_variance": 1.0,
    } | changed  # fmt: skip
    with pytest.raises(ValueError, match=told):
        attributed(**given)


def test_variances_known_from_little_widen_what_is_told():
    rows = [(f"B-{n}", f"M-{n}", (1, n % 2)) for n in range(4)]
    widths = []
    for dof in (np.inf, 6.0, 0.5):
        told = fitted(rows, prior=SpreadPrior(0.008, 0.016, dof), noise=0.01).told
        widths.append(float(told.upper[0] - told.lower[0]))
    assert widths[0] < widths[1] < widths[2]


def test_a_factor_on_all_variances_is_what_it_says():
    y, v, x, bike, model, follows = shop(np.random.default_rng(2), 9)
    sums, of_model = attribution._of_bikes(y, v, x, follows, bike, model)
    twice, _ = attribution._of_bikes(y, 2 * v, x, follows, bike, model)
    sd = np.array([0.01, 0.03])
    at_twice = attribution._Directions.of(sums, of_model).summed(2.0, sd)
    wanted = attribution._Directions.of(twice, of_model).summed(1.0, sd)
    for one, other in zip(at_twice, wanted, strict=True):
        assert one == pytest.approx(other)


def test_following_comparisons_of_a_job_share_their_session():
    # After minus before twice: the session between stands in both, so that their sum is known as
    # well as one comparison, not as two.
    first, second = (1.0, 0.0), (0.0, 1.0)
    widths = []
    for follows in ([-1, -1], [-1, 0]):
        told = attributed(
            [0.02, 0.03],
            [1e-4, 1e-4],
            [first, second],
            ["B", "B"],
            ["M", "M"],
            SpreadPrior(1e-7, 1e-7, np.inf),
            follows=follows,
            planned_variance=1e-4,
        )
        widths.append(float(told.told.upper[0] - told.told.lower[0]))  # fmt: skip
    assert widths[0] == pytest.approx(2 * 1.96e-2, rel=0.01)
    assert widths[1] == pytest.approx(widths[0], rel=0.01)
