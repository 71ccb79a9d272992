"""Pooling at many places at once: against `pooling`, which is held to the published tables."""

import numpy as np
import pytest

from flows.metrics import pooling
from flows.metrics.over_bikes import against_others, by_bike, over_bikes

# Steps of the quadrature: two sound rules differ by no more of an interval's width.
QUADRATURE = 0.02
PRIORS = [pooling.SpreadPrior(0.008, 0.016, dof) for dof in (np.inf, 6.0, 0.5)]


def made_up(bikes, places, seed=1):
    rng = np.random.default_rng(seed)
    variance = 0.008**2 * rng.uniform(0.6, 1.6, (bikes, places))
    return 0.04 + rng.normal(0.0, 0.012, (bikes, places)), variance


def near(found, wanted, width):
    assert np.abs(np.asarray(found) - np.asarray(wanted)).max() < QUADRATURE * np.mean(width)


@pytest.mark.parametrize("prior", PRIORS)
@pytest.mark.parametrize("bikes", [1, 2, 5, 20])
def test_one_model_at_each_speed_is_as_pooling_has_it(prior, bikes):
    effect, variance = made_up(bikes, 6)
    found = over_bikes(effect, variance, prior)
    wanted = [
        pooling.borrowed([(effect[:, at], variance[:, at])], prior=prior, planned_variance=1e-4)[0]
        for at in range(6)
    ]
    for ends, name in (
        (found.ends, ""), (found.next_ends, "next_"), (found.measured_ends(1e-4), "measured_"),
    ):  # fmt: skip
        lower, upper = ([getattr(w, f"{name}{end}") for w in wanted] for end in ("lower", "upper"))
        near(ends[0], lower, np.subtract(upper, lower))
        near(ends[1], upper, np.subtract(upper, lower))
    near(found.centre, [w.mean for w in wanted], [w.sd for w in wanted])


@pytest.mark.parametrize("prior", PRIORS)
def test_a_model_not_seen_yet_is_as_pooling_has_it(prior):
    effect, variance = made_up(9, 4)
    model = np.array(list("aaaaaabbc"))
    found = over_bikes(effect, variance, prior, model=list(model))
    for at in range(4):
        groups = [(effect[model == one, at], variance[model == one, at]) for one in "abc"]
        wanted = pooling.of_unseen(groups, prior)
        width = wanted.next_upper - wanted.next_lower
        near(found.next_ends[0][at], wanted.next_lower, width)
        near(found.next_ends[1][at], wanted.next_upper, width)
        near(found.centre[at], wanted.mean, wanted.sd)


def test_a_bike_that_did_not_reach_a_speed_says_nothing_there():
    effect, variance = made_up(5, 2)
    effect[2:4, 1] = np.nan
    found = over_bikes(effect, variance, PRIORS[1])
    without = over_bikes(effect[[0, 1, 4], 1:], variance[[0, 1, 4], 1:], PRIORS[1])
    assert found.next_ends[0][1] == pytest.approx(without.next_ends[0][0], abs=3e-5)
    assert found.centre[1] == pytest.approx(without.centre[0], abs=1e-9)


def test_a_model_of_which_no_bike_reached_a_speed_is_no_model_there():
    effect, variance = made_up(5, 1)
    effect[3:] = np.nan
    found = over_bikes(effect, variance, PRIORS[0], model=list("aabcc"))
    without = over_bikes(effect[:3], variance[:3], PRIORS[0], model=list("aab"))
    assert found.next_ends[1] == pytest.approx(without.next_ends[1], rel=1e-9)


def test_many_jobs_of_one_bike_are_one_bike_at_every_speed():
    effect, variance = made_up(4, 3)
    effect[1, 2] = np.nan
    bike = ["B-2", "B-1", "B-1", "B-1"]
    names, merged, of_merged = by_bike(effect, variance, bike)
    assert names == ["B-1", "B-2"]
    for at in range(3):
        seen = np.isfinite(effect[:, at])
        wanted = pooling.bike_means(
            effect[seen, at], variance[seen, at], [b for b, s in zip(bike, seen, strict=True) if s]
        )
        assert merged[:, at] == pytest.approx(wanted.effect)
        assert of_merged[:, at] == pytest.approx(wanted.variance)


def test_p_is_below_five_percent_just_where_the_interval_is_off_nothing():
    shift = np.linspace(0.0, 0.03, 61)
    effect = np.array([[0.0], [0.01], [-0.01]]) + shift
    found = over_bikes(effect, np.full(effect.shape, 1e-4), PRIORS[1])
    assert ((found.p < 0.05) == (found.ends[0] > 0.0)).all()
    assert found.p[0] == pytest.approx(1.0)


def test_the_next_bike_falls_into_its_band_as_often_as_is_said():
    # Shops whose bikes differ as the prior has it, half-t of 4 degrees of freedom: by Bayes' rule
    # the coverage over them is the level itself. 3 SD of 4,000 draws are 1.0 %.
    rng = np.random.default_rng(7)
    shops, bikes, sd = 4000, 4, 0.006
    tau = 0.008 * np.abs(rng.standard_t(4, shops))
    effect = 0.03 + tau * rng.normal(size=(bikes + 1, shops)) + sd * rng.normal(
        size=(bikes + 1, shops)
    )  # fmt: skip
    prior = pooling.SpreadPrior(0.008, 0.016, np.inf)
    found = over_bikes(effect[:-1], np.full((bikes, shops), sd**2), prior)
    lower, upper = found.measured_ends(sd**2)
    assert np.mean((effect[-1] > lower) & (effect[-1] < upper)) == pytest.approx(0.95, abs=0.010)


@pytest.mark.parametrize("model", [None, list("aaaabbbc")])
def test_each_bike_is_held_against_the_pool_without_it(model, monkeypatch):
    monkeypatch.setattr("flows.metrics.over_bikes.MOST_AT_ONCE", 10_000)  # three at a time
    effect, variance = (one[:, 0] for one in made_up(8, 1))
    found = against_others(effect, variance, PRIORS[1], model=model)
    for bike in range(8):
        kept = np.arange(8) != bike
        if model is None:
            wanted = pooling.borrowed(
                [(effect[kept], variance[kept])], prior=PRIORS[1], planned_variance=variance[bike]
            )[0]
        else:
            of = np.array(model)
            groups = [(effect[kept & (of == one)], variance[kept & (of == one)]) for one in "abc"]
            groups = [group for group in groups if group[0].size]
            wanted = pooling.of_unseen(groups, PRIORS[1], planned_variance=variance[bike])
        width = wanted.measured_upper - wanted.measured_lower
        near(found.lower[bike], wanted.measured_lower, width)
        near(found.upper[bike], wanted.measured_upper, width)
    assert ((found.p < 0.05) == ((effect < found.lower) | (effect > found.upper))).all()
    some = against_others(effect, variance, PRIORS[1], model=model, asked=[5, 2])
    assert some.p == pytest.approx(found.p[[5, 2]])


@pytest.mark.parametrize(("most", "at_once"), [(1, 1), (3 * 24 * 13 * 8, 3)])
def test_no_more_is_held_at_once_than_is_said(most, at_once, monkeypatch):
    # A bike left out takes spreads x factors x bikes numbers: 24 x 13 x 8 here.
    widths, whole = [], over_bikes

    def seen(effect, *given, **named):
        widths.append(effect.shape[1])
        return whole(effect, *given, **named)

    monkeypatch.setattr("flows.metrics.over_bikes.over_bikes", seen)
    monkeypatch.setattr("flows.metrics.over_bikes.MOST_AT_ONCE", most)
    effect, variance = (one[:, 0] for one in made_up(8, 1))
    against_others(effect, variance, PRIORS[1])
    assert (max(widths), sum(widths)) == (at_once, 8)


def test_sound_bikes_are_odd_one_time_in_twenty_and_a_bike_far_off_is_found_among_few():
    # Bikes that differ as the prior has it; 3 SD of 1,600 are 1.6 %.
    rng = np.random.default_rng(9)
    prior, p, found = pooling.SpreadPrior(0.008, 0.016, np.inf), [], []
    for _ in range(200):
        tau = 0.008 * abs(rng.standard_t(4))
        effect = 0.03 + np.hypot(tau, 0.006) * rng.normal(size=8)
        p += against_others(effect, np.full(8, 0.006**2), prior).p.tolist()
        effect = 0.03 + 0.006 * rng.normal(size=5)
        effect[2] += 0.08
        found.append(against_others(effect, np.full(5, 0.006**2), prior).p[2] < 0.05)
    assert np.mean(np.array(p) < 0.05) == pytest.approx(0.05, abs=0.016)
    assert np.mean(found) > 0.95


@pytest.mark.parametrize(
    ("effect", "variance", "told"),
    [
        ([0.1], [0.1], "bikes by places"),
        ([[0.1, 0.2]], [[0.1]], "bikes by places"),
        ([[0.1, np.nan]], [[0.1, 0.1]], "at least 1 bike"),
        ([[0.1]], [[0.0]], "variance"),
    ],
)
def test_what_cannot_be_pooled_is_refused(effect, variance, told):
    with pytest.raises(ValueError, match=told):
        over_bikes(effect, variance, PRIORS[0])


@pytest.mark.parametrize("last", [-0.3, 0.3])
def test_a_bike_far_off_on_either_side_has_a_finite_distance(last):
    others = [0.030, 0.034, 0.032, 0.031, 0.033, 0.029, 0.035, 0.031, 0.030, 0.032]
    found = against_others([*others, last], [4e-6] * 11, PRIORS[1])
    assert np.isfinite(found.off_sd).all()
    assert np.sign(found.off_sd[-1]) == np.sign(last)
    assert ((found.p >= 0.0) & (found.p <= 1.0)).all()
