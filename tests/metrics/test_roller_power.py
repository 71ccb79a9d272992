"""Power from a roller's motion: closed forms, the balance of energy, and the noise it carries."""

import math

import numpy as np
import pytest
from scipy import integrate
from statsmodels.regression.linear_model import WLS

from flows.metrics.roller_power import (
    Losses,
    coast_down,
    coasting_part,
    equivalent_mass_kg,
    roller_power,
)
from tests.in_words import refused

STEP_S = 0.02
TIME_S = np.arange(0.0, 6.0, STEP_S)
INNER = slice(20, -20)


def test_the_equivalent_mass_is_inertia_over_radius_squared():
    # By hand: 8 kg m^2 at 0.225 m are 158.024691 kg.
    assert equivalent_mass_kg(8.0, 0.225) == pytest.approx(158.024691, abs=1e-6)
    # A wheel of 0.7 kg m^2 on a tyre of 0.312 m radius rides on the same surface.
    whole = equivalent_mass_kg([8.0, 0.7], [0.225, 0.312])
    assert whole == pytest.approx(158.024691 + 0.7 / 0.312**2)


def test_a_wheel_is_reflected_by_the_square_of_the_ratio_of_speeds():
    # Kinetic energy is the law: 1/2 J_w w_w^2 = 1/2 (J_w n^2) w_r^2 with n = r_r / r_w.
    ratio = 0.225 / 0.312
    reflected = 0.7 * ratio**2
    assert equivalent_mass_kg(0.7, 0.312) == pytest.approx(reflected / 0.225**2)


def test_a_steady_acceleration_is_inertia_times_both_speeds():
    # By hand: 8 kg m^2, 100 to 180 rad/s in 5 s: 16 rad/s^2, 128 N m, at 140 rad/s 17,920 W.
    time_s = np.arange(0.0, 5.0 + 1e-9, STEP_S)
    speed = 0.225 * (100.0 + 16.0 * time_s)
    found = roller_power(time_s, speed, equivalent_mass_kg(8.0, 0.225))
    assert np.interp(2.5, time_s, found.power_w) == pytest.approx(17_920.0, rel=1e-6)
    assert found.power_w == pytest.approx(128.0 * speed / 0.225)
    # Kinetic energy gained: 89,600 J.
    assert integrate.trapezoid(found.power_w, time_s) == pytest.approx(89_600.0, rel=1e-6)


@pytest.mark.parametrize("rate_hz", [20.0, 50.0, 200.0])
def test_constant_power_comes_back(rate_hz):
    # v = sqrt(v0^2 + 2 P t / m): 250 kg, 60 kW, from 15 m/s; 51.234754 m/s after 5 s.
    time_s = np.arange(0.0, 5.0 + 1e-9, 1.0 / rate_hz)
    speed = np.sqrt(15.0**2 + 2.0 * 60e3 * time_s / 250.0)
    assert speed[-1] == pytest.approx(51.234754, abs=1e-5)
    found = roller_power(time_s, speed, 250.0)
    inner = (time_s > 0.5) & (time_s < 4.5)
    assert found.power_w[inner] == pytest.approx(60e3, rel=1e-9)


def test_a_loss_that_grows_with_speed_is_added_back():
    # m v' = F - k v from rest: v = F/k (1 - exp(-k t/m)); the tyre pushes with F all the time.
    mass, push, drag = 250.0, 1500.0, 12.0
    speed = push / drag * (1.0 - np.exp(-drag * TIME_S / mass))
    losses = Losses(0.0, drag, 0.0, 0.0, 60.0, 0.0)
    found = roller_power(TIME_S, speed, mass, losses=losses)
    assert found.power_w[INNER] == pytest.approx(push * speed[INNER], abs=8.0)  # of 40 kW
    bare = roller_power(TIME_S, speed, mass)
    assert bare.power_w[INNER] == pytest.approx(((push - drag * speed) * speed)[INNER], abs=8.0)


def test_an_absorber_takes_what_the_roller_does_not():
    # Held at 30 m/s by 1,200 N: 36 kW, and no acceleration at all.
    found = roller_power(
        TIME_S, np.full(TIME_S.size, 30.0), 250.0, absorber_force_n=np.full(TIME_S.size, 1200.0)
    )
    assert found.power_w == pytest.approx(36_000.0)


def test_the_energy_is_that_gained_braked_and_lost():
    # int P dt = m (v2^2 - v1^2)/2 + int F_b v dt + int (A + B v + C v^2) v dt, for any motion.
    speed = 15.0 + 6.0 * TIME_S - 0.2 * TIME_S**2 + 0.8 * np.sin(1.5 * TIME_S)
    braking = 100.0 + 30.0 * TIME_S
    losses = Losses(20.0, 0.7, 0.3, 10.0, 60.0, 0.0)
    found = roller_power(TIME_S, speed, 250.0, absorber_force_n=braking, losses=losses)
    kinetic = 250.0 * (speed[-1] ** 2 - speed[0] ** 2) / 2.0
    braked = integrate.simpson(braking * speed, x=TIME_S)
    lost = integrate.simpson((20.0 + 0.7 * speed + 0.3 * speed**2) * speed, x=TIME_S)
    gained = integrate.trapezoid(found.power_w, TIME_S)
    assert gained == pytest.approx(kinetic + braked + lost, rel=2e-3)


def test_speed_and_slope_are_those_of_weighted_parabolas():
    # statsmodels WLS on uneven times, one fitted parabola a sample.
    chance = np.random.default_rng(3)
    time_s = np.cumsum(chance.uniform(0.01, 0.03, 120))
    speed = 20.0 + 5.0 * np.sin(time_s) + chance.normal(0.0, 0.05, 120)
    found = roller_power(time_s, speed, 250.0)
    for at in (0, 3, 40, 119):
        # Half a window inside, a whole one to the one side at an end.
        to_end = min(time_s[at] - time_s[0], time_s[-1] - time_s[at])
        weight = np.clip(1.0 - ((time_s - time_s[at]) / (0.5 - min(to_end, 0.25))) ** 2, 0.0, None)
        near = weight > 0.0
        away = time_s[near] - time_s[at]
        design = np.column_stack((np.ones(away.size), away, away**2))
        plain = WLS(speed[near], design, weights=weight[near]).fit()
        squared = WLS(speed[near] ** 2, design, weights=weight[near]).fit()
        assert found.speed_m_s[at] == pytest.approx(plain.params[0], rel=1e-9)
        assert found.power_w[at] == pytest.approx(250.0 / 2.0 * squared.params[1], rel=1e-7)


def test_the_bias_of_the_slope_is_the_one_stated():
    # Kernel moments of Epanechnikov: mu_4 / mu_2 / 3! = (3/35) / (1/5) / 6 = 1/14.
    fourth, _ = integrate.quad(lambda u: 0.75 * (1 - u**2) * u**4, -1, 1)
    second, _ = integrate.quad(lambda u: 0.75 * (1 - u**2) * u**2, -1, 1)
    assert fourth / second / 6.0 == pytest.approx(1.0 / 14.0)
    # v^2 = 400 + 100 t + 20 (t - 2)^3: P = m/2 (100 + 60 (t - 2)^2), and P'' = m/2 120.
    time_s = np.arange(0.0, 4.0, 0.001)
    speed = np.sqrt(400.0 + 100.0 * time_s + 20.0 * (time_s - 2.0) ** 3)
    found = roller_power(time_s, speed, 250.0)
    bias = found.power_w[2000] - 125.0 * 100.0
    assert bias == pytest.approx(0.25**2 * 125.0 * 120.0 / 14.0, rel=0.01)


def test_the_noise_of_power_is_that_of_the_slope_by_mass_and_speed():
    # Epanechnikov slope: int (u K)^2 / mu_2^2 = 15/7, so sd(v') = sigma sqrt(15 dt / (7 h^3)).
    # At a steady speed nothing else comes in.
    sigma = 0.03
    chance = np.random.default_rng(5)
    time_s = np.arange(0.0, 20.0, 0.005)
    found = roller_power(time_s, 30.0 + chance.normal(0.0, sigma, time_s.size), 250.0)
    expected = 250.0 * 30.0 * sigma * math.sqrt(15.0 * 0.005 / (7.0 * 0.25**3))
    assert np.median(found.sd_w) == pytest.approx(expected, rel=0.03)


def test_the_noise_is_not_understated_where_few_samples_carry_a_parabola():
    # Nine samples a window: what the parabola swallows of the noise must be given back.
    chance = np.random.default_rng(8)
    time_s = np.arange(0.0, 400.0, 0.05)
    found = roller_power(time_s, 30.0 + chance.normal(0.0, 0.03, time_s.size), 250.0)
    inner = slice(20, -20)
    assert np.sqrt(np.mean(found.sd_w[inner] ** 2)) == pytest.approx(
        found.power_w[inner].std(), rel=0.05
    )


def test_the_noise_of_speed_reaches_power_through_the_forces_too():
    # All force, no mass to speak of: P = v (A + B v + C v^2) + F v moves by its derivative,
    # A + F + 2 B v + 3 C v^2; a level's noise is sigma sqrt(5/4 dt / h).
    sigma, speed = 0.03, 30.0
    chance = np.random.default_rng(5)
    time_s = np.arange(0.0, 20.0, 0.005)
    found = roller_power(
        time_s,
        speed + chance.normal(0.0, sigma, time_s.size),
        1e-6,
        absorber_force_n=np.full(time_s.size, 150.0),
        losses=Losses(40.0, 3.0, 0.5, 0.0, 60.0, 0.0),
    )
    derivative = 40.0 + 150.0 + 2.0 * 3.0 * speed + 3.0 * 0.5 * speed**2
    expected = derivative * sigma * math.sqrt(1.25 * 0.005 / 0.25)
    assert np.median(found.sd_w) == pytest.approx(expected, rel=0.03)


@pytest.mark.parametrize("half_width_s", [0.15, 0.25, 0.5])
def test_the_stated_uncertainty_is_the_scatter_of_many_runs(half_width_s):
    chance = np.random.default_rng(6)
    truth = np.sqrt(15.0**2 + 2.0 * 60e3 * TIME_S / 250.0)
    losses = Losses(30.0, 1.0, 0.4, 10.0, 60.0, 0.0)
    runs = [
        roller_power(
            TIME_S,
            truth + chance.normal(0.0, 0.02, TIME_S.size),
            250.0,
            losses=losses,
            half_width_s=half_width_s,
        )
        for _ in range(300)
    ]
    at = [0, 60, 150, 290]
    seen = np.std([run.power_w[at] for run in runs], axis=0)
    stated = np.sqrt(np.mean([run.sd_w[at] ** 2 for run in runs], axis=0))
    # A standard deviation of 300 is good to 4 %; three of those.
    assert stated == pytest.approx(seen, rel=0.125)


def coasting(mass, constant, square, from_m_s, seconds, step_s=0.05):
    """Run down under A + C v^2 in closed form: v = sqrt(A/C) tan(phi - t sqrt(A C) / m)."""
    time_s = np.arange(0.0, seconds, step_s)
    begun = math.atan(from_m_s * math.sqrt(square / constant))
    angle = begun - time_s * math.sqrt(constant * square) / mass
    return time_s, math.sqrt(constant / square) * np.tan(angle)


# 40 CFR 86.529-98, figure F98-9: A [N], C [N/(km/h)^2], and the 70 to 60 km/h coast-down time [s]
# of motorcycles of 150, 200, 250 and 300 kg.
@pytest.mark.parametrize(
    ("mass", "constant", "square_kmh", "published_s"),
    [
        (150.0, 4.32, 0.0238, 3.99),
        (200.0, 8.69, 0.0252, 4.85),
        (250.0, 13.06, 0.0266, 5.57),
        (300.0, 17.43, 0.0279, 6.18),
    ],
)
def test_a_published_road_load_is_found_from_its_coast_down(
    mass, constant, square_kmh, published_s
):
    square = square_kmh * 3.6**2
    time_s, speed = coasting(mass, constant, square, 110.0 / 3.6, 30.0)
    # The motion is the published one: its 70 to 60 km/h takes as long.
    taken = np.interp(-60.0 / 3.6, -speed, time_s) - np.interp(-70.0 / 3.6, -speed, time_s)
    assert taken == pytest.approx(published_s, abs=0.02)
    found = coast_down(time_s, speed, mass)
    at = np.array([60.0, 80.0, 100.0])
    assert found.force_n(at / 3.6) == pytest.approx(constant + square_kmh * at**2, rel=2e-3)
    assert found.from_m_s < 60.0 / 3.6
    assert found.to_m_s == pytest.approx(110.0 / 3.6, rel=0.05)


def test_the_three_terms_of_a_coast_down_are_told_apart():
    # m v' = -(A + B v + C v^2) by scipy's integrator.
    terms = (60.0, 2.0, 0.25)
    time_s = np.arange(0.0, 40.0, 0.05)
    run = integrate.solve_ivp(
        lambda _, v: -(terms[0] + terms[1] * v + terms[2] * v**2) / 250.0,
        (0.0, 40.0),
        [55.0],
        t_eval=time_s,
        rtol=1e-10,
        atol=1e-10,
    )
    found = coast_down(time_s, run.y[0], 250.0)
    assert found[:3] == pytest.approx(terms, rel=0.02)
    assert found.scatter_n < 0.5


def test_losses_found_make_a_run_whole_again():
    # Constant 60 kW at the tyre, of which A + C v^2 is lost: power and coast-down give it back.
    constant, square, mass = 40.0, 0.35, 250.0
    run = integrate.solve_ivp(
        lambda _, v: (60e3 / v - constant - square * v**2) / mass,
        (0.0, 6.0),
        [15.0],
        t_eval=TIME_S,
        rtol=1e-10,
        atol=1e-10,
    )
    losses = coast_down(*coasting(mass, constant, square, run.y[0][-1], 20.0), mass)
    found = roller_power(TIME_S, run.y[0], mass, losses=losses)
    assert found.power_w[40:-20] == pytest.approx(60e3, rel=2e-3)


def test_the_coast_down_is_where_the_engine_no_longer_turns_with_the_roller():
    time_s = np.arange(0.0, 30.0, 0.05)
    roller = np.interp(time_s, [0, 2, 10, 14, 30], [15.0, 15.0, 50.0, 46.0, 20.0])
    engine = np.where(time_s < 14.0, 200.0 * roller, 1400.0)
    sweep = slice(40, 200)
    part = coasting_part(time_s, roller, engine, sweep)
    assert part is not None
    assert time_s[part.start] == pytest.approx(14.0, abs=0.06)
    assert part.stop == time_s.size
    # Nothing of the sweep is coast-down, whatever its ratio.
    late = coasting_part(time_s, roller, engine, slice(40, 400))
    assert late == slice(400, time_s.size)
    # In gear to the end, the engine brakes: no coast-down.
    assert coasting_part(time_s, roller, 200.0 * roller, sweep) is None
    # Nor is one of a second.
    assert coasting_part(time_s[:300], roller[:300], engine[:300], sweep) is None
    assert coasting_part(time_s, np.zeros(time_s.size), engine, sweep) is None


def test_samples_not_seen_give_no_power_and_disturb_none():
    speed = 15.0 + 6.0 * TIME_S
    holed = speed.copy()
    holed[50:53] = np.nan
    found = roller_power(TIME_S, holed, 250.0)
    assert np.isnan(found.power_w[50:53]).all()
    rest = np.isfinite(holed)
    assert found.power_w[rest] == pytest.approx(250.0 * 6.0 * speed[rest])


@pytest.mark.parametrize(
    ("arguments", "options", "words"),
    [
        ((TIME_S, TIME_S[1:], 250.0), {}, "rows of one length"),
        ((TIME_S, TIME_S, 0.0), {}, "mass_kg must be above 0 kg"),
        ((TIME_S, TIME_S, 250.0), {"half_width_s": 0.0}, "half_width_s must be above 0 s"),
        ((TIME_S[::-1], TIME_S, 250.0), {}, "the clock does not go on"),
        ((TIME_S[:4], TIME_S[:4], 250.0), {}, "only 4 samples of the roller's speed, 5 needed"),
        ((TIME_S, TIME_S, 250.0), {"absorber_force_n": [1.0]}, "absorber_force_n must have"),
    ],
)
def test_what_makes_no_power_is_refused(arguments, options, words):
    with refused(words):
        roller_power(*arguments, **options)


@pytest.mark.parametrize(
    ("time_s", "speed", "words"),
    [
        (TIME_S[:90], 30.0 - 5.0 * TIME_S[:90], "lasts 1.8 s, 2 s needed"),
        (TIME_S, 30.0 - 0.5 * TIME_S, "loses 9 % of its speed, 20 % needed"),
        (TIME_S, 10.0 + TIME_S, "loses -[0-9]+ % of its speed"),
    ],
)
def test_a_coast_down_that_tells_nothing_is_refused(time_s, speed, words):
    with pytest.raises(ValueError, match=words):
        coast_down(time_s, speed, 250.0)


def test_a_coast_down_of_just_over_two_seconds_is_enough():
    # 250 kg at 5 m/s^2: 1,250 N.
    assert coast_down(TIME_S[:110], 30.0 - 5.0 * TIME_S[:110], 250.0).force_n(25.0) == (
        pytest.approx(1250.0)
    )


@pytest.mark.parametrize("wrong", [(0.0, 0.2), (-1.0, 0.2), (8.0, 0.0), ([8.0, 0.7], [0.2, -0.3])])
def test_an_inertia_or_radius_that_cannot_be_is_refused(wrong):
    with pytest.raises(ValueError, match="must be above 0"):
        equivalent_mass_kg(*wrong)


def test_the_uncertainty_told_holds_at_the_ends_too():
    # 400 draws of the noise: their spread, known to some 4 %, is the told one, ends and middle.
    true = np.sqrt(15.0**2 + 2.0 * 60e3 / 250.0 * TIME_S)
    draws = [
        roller_power(TIME_S, true + np.random.default_rng(seed).normal(0.0, 0.02, TIME_S.size), 250)
        for seed in range(400)
    ]
    spread = np.std([draw.power_w for draw in draws], axis=0)
    told = np.mean([draw.sd_w for draw in draws], axis=0)
    for at in (0, 1, 150, -1):
        assert spread[at] == pytest.approx(told[at], rel=0.15)
    # A parabola that looks to one side only carries a few times the noise, no more.
    assert 2.5 < (told[-1] / true[-1]) / (told[150] / true[150]) < 5.0
