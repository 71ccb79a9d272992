"""Health against siblings: scale against a reference library, alarms by simulation, laws."""

import math

import numpy as np
import pytest
from scipy import stats
from statsmodels.robust.scale import qn_scale

from flows.metrics.siblings import (
    Family,
    health_notes,
    mixture_health,
    mixture_state,
    power_health,
    power_state,
    standing,
)
from tests.in_words import words


def in_words(*found):
    """Return what is told of a bike, sentence by sentence."""
    return [words(one) for one in health_notes(*found)]


GRID_RPM = np.arange(3_500.0, 11_001.0, 50.0)
USUAL_W = 70_000.0 * np.sin(GRID_RPM / 7_500.0)

_BUMPS = np.exp(-0.5 * np.square((GRID_RPM[:, None] - np.arange(3_000.0, 11_600.0, 400.0)) / 500.0))
_BUMPS /= np.sqrt(np.square(_BUMPS).sum(axis=1))[:, None]


def _sound(chance: np.random.Generator, bikes: int, level: float = 0.012, local: float = 0.008):
    """Give ln deviations of sound bikes: one level each, and wiggles some 500 rpm wide."""
    wiggle = chance.standard_normal((bikes, _BUMPS.shape[1])) @ _BUMPS.T
    return level * chance.standard_normal((bikes, 1)) + local * wiggle


def _siblings_w(bikes: int = 11, seed: int = 1) -> np.ndarray:
    return USUAL_W * np.exp(_sound(np.random.default_rng(seed), bikes, 0.008, 0.003))


# Factors d_n for odd and even n, Croux and Rousseeuw 1992 (from memory); Qn itself is statsmodels'.
@pytest.mark.parametrize(
    ("count", "small"),
    [
        (5, 0.844),
        (8, 0.669),
        (11, 11.0 / 12.4),
        (14, 14.0 / 17.8),
        (101, 101.0 / 102.4),
        (150, 150.0 / 153.8),
    ],
)
def test_scatter_is_the_qn_of_the_reference_library(count, small):
    row = np.random.default_rng(count).normal(80.0, 3.0, count)
    assert math.isclose(standing(80.0, row).sd, small * float(qn_scale(row)), rel_tol=1e-6)


@pytest.mark.parametrize("count", [5, 6, 7, 8, 9, 10, 11, 16, 25])
def test_scatter_has_no_bias_in_small_numbers(count):
    # Definition of d_n: the mean over normal samples is their standard deviation.
    rows = np.random.default_rng(count).normal(50.0, 2.0, (6_000, count))
    mean = np.mean([standing(50.0, row).sd for row in rows])
    assert math.isclose(mean, 2.0, rel_tol=0.03)


@pytest.mark.parametrize("count", [5, 6, 8, 11, 20, 30])
def test_the_chance_is_that_of_a_sound_bike(count):
    chance = np.random.default_rng(100 + count)
    found = [
        standing(own, row).p
        for own, row in zip(
            chance.standard_normal(8_000), chance.standard_normal((8_000, count)), strict=True
        )
    ]
    assert 0.004 < np.mean(np.array(found) < 0.01) < 0.016
    assert 0.030 < np.mean(np.array(found) < 0.05) < 0.062


def test_distance_counts_the_siblings_own_uncertainty():
    # By hand: median 3 and third smallest distance 1, so s = 2.219144 * 0.844; n = 5.
    found = standing(9.0, [1.0, 2.0, 3.0, 4.0, 5.0])
    assert found.centre == 3.0
    assert math.isclose(found.sd, 2.219144 * 0.844, rel_tol=1e-9)
    assert math.isclose(found.z, 6.0 / (2.219144 * 0.844 * math.sqrt(1.0 + math.pi / 10.0)))


def test_a_regions_distance_is_that_of_one_speed_where_all_speeds_scatter_alike():
    # By hand: five siblings 1 % apart on the ln scale, so s = 2.219144 * 0.844 * 0.01.
    siblings = USUAL_W * np.exp([[-0.02], [-0.01], [0.0], [0.01], [0.02]])
    (region,) = power_health(GRID_RPM, USUAL_W * math.exp(-0.2), siblings).regions
    assert math.isclose(
        region.z, -0.2 / (0.01 * 2.219144 * 0.844 * math.sqrt(1.0 + math.pi / 10.0)), rel_tol=1e-6
    )
    assert math.isclose(region.change_pct, 100.0 * math.expm1(-0.2), rel_tol=1e-9)


def test_a_region_starts_beyond_the_chance_that_is_left_to_it():
    # A third of 5 %, to either side, over 7,500 rpm in stretches of 1,500; t of the reference
    # library with four degrees of freedom for five siblings.
    bound = stats.t.isf(0.05 / 3 / 2 / 5, 4)
    siblings = USUAL_W * np.exp([[-0.02], [-0.01], [0.0], [0.01], [0.02]])
    error = 0.01 * 2.219144 * 0.844 * math.sqrt(1.0 + math.pi / 10.0)
    within = power_health(GRID_RPM, USUAL_W * math.exp(-0.99 * bound * error), siblings)
    beyond = power_health(GRID_RPM, USUAL_W * math.exp(-1.01 * bound * error), siblings)
    assert within.regions == ()
    assert len(beyond.regions) == 1


def test_four_faulty_siblings_of_eleven_do_not_hide_a_fault():
    sound = [98.0, 98.5, 99.0, 100.0, 100.5, 101.0, 102.0]
    clean = standing(85.0, sound)
    # An ordinary z would be within 2.
    soiled = standing(85.0, [*sound, 60.0, 62.0, 64.0, 66.0])
    assert abs(85.0 - np.mean([*sound, 60, 62, 64, 66])) < 2 * np.std([*sound, 60, 62, 64, 66])
    assert clean.z < -5.0
    assert soiled.z < -1.5
    assert abs(soiled.centre - clean.centre) < 1.6


def test_what_was_not_seen_does_not_count():
    row = [1.0, 2.0, 3.0, 4.0, 5.0]
    assert standing(9.0, [*row, math.nan, math.nan]) == standing(9.0, row)
    few = standing(9.0, [*row[:4], math.nan])
    assert few.siblings == 4
    assert math.isnan(few.p)
    unseen = standing(math.nan, row)
    assert math.isnan(unseen.z)
    assert unseen.centre == 3.0


def test_a_fault_in_the_top_end_is_told_as_the_trade_says_it():
    tired = USUAL_W * np.where(GRID_RPM >= 8_000.0, 0.94, 1.0)
    found = power_health(GRID_RPM, tired, _siblings_w())
    (region,) = found.regions
    assert abs(region.from_rpm - 8_000.0) <= 150.0
    assert region.reaches_top
    assert abs(region.change_pct - -6.0) < 1.0
    assert region.z < -4.0
    assert found.is_unusual
    said = in_words(found)
    assert said[0].startswith(f"Down {-region.change_pct:.1f} % on 11 siblings above ")
    assert said[0].endswith("look for a fault before tuning.")


def test_a_hole_and_a_hump_are_two_regions():
    odd = USUAL_W.copy()
    odd[(GRID_RPM >= 5_000.0) & (GRID_RPM <= 6_000.0)] *= 0.90
    odd[(GRID_RPM >= 8_000.0) & (GRID_RPM <= 9_000.0)] *= 1.10
    low, high = power_health(GRID_RPM, odd, _siblings_w()).regions
    assert (low.from_rpm, low.to_rpm) == (5_000.0, 6_000.0)
    assert (high.from_rpm, high.to_rpm) == (8_000.0, 9_000.0)
    # Against the median of eleven sound siblings, 0.9 % apart: within three of its errors.
    assert abs(low.change_pct - -10.0) < 1.0
    assert abs(high.change_pct - 10.0) < 1.0
    assert not high.reaches_top
    assert "from 5,000 to 6,000 rpm" in in_words(power_health(GRID_RPM, odd, _siblings_w()))[0]


def test_two_neighbouring_faults_of_unlike_depth_are_both_told():
    siblings = USUAL_W * (1.0 + np.linspace(-0.008, 0.008, 11)[:, None])
    odd = USUAL_W.copy()
    odd[(GRID_RPM >= 5_000.0) & (GRID_RPM < 6_000.0)] *= 0.75
    odd[(GRID_RPM >= 6_000.0) & (GRID_RPM < 6_500.0)] *= 0.975
    odd[(GRID_RPM >= 6_500.0) & (GRID_RPM < 7_500.0)] *= 0.952
    regions = power_health(GRID_RPM, odd, siblings).regions
    assert len(regions) == 2
    covered = sum(
        ((region.from_rpm <= GRID_RPM) & (region.to_rpm >= GRID_RPM)).astype(int)
        for region in regions
    )
    assert np.array_equal(covered == 1, (GRID_RPM >= 5_000.0) & (GRID_RPM < 7_500.0))
    assert np.max(covered) == 1


def test_a_blip_is_no_region():
    odd = USUAL_W.copy()
    odd[(GRID_RPM >= 6_000.0) & (GRID_RPM <= 6_250.0)] *= 0.90
    assert power_health(GRID_RPM, odd, _siblings_w()).regions == ()
    odd[(GRID_RPM >= 6_000.0) & (GRID_RPM <= 6_300.0)] *= 0.90
    assert len(power_health(GRID_RPM, odd, _siblings_w()).regions) == 1


def test_a_region_does_not_go_over_a_hole():
    tired = USUAL_W * np.where(GRID_RPM >= 7_000.0, 0.93, 1.0)
    tired[(GRID_RPM > 8_500.0) & (GRID_RPM < 9_000.0)] = np.nan
    first, second = power_health(GRID_RPM, tired, _siblings_w()).regions
    assert first.to_rpm == 8_500.0
    assert second.from_rpm == 9_000.0


@pytest.mark.parametrize(
    "bikes",
    [5, pytest.param(8, marks=pytest.mark.long), pytest.param(11, marks=pytest.mark.long), 20],
)
def test_sound_bikes_are_seldom_called_unusual(bikes):
    chance = np.random.default_rng(500 + bikes)
    called = in_region = 0
    for _ in range(300):
        away = _sound(chance, bikes + 1)
        curves = USUAL_W * np.exp(away)
        found = power_health(GRID_RPM, curves[0], curves[1:], least_sd_share=1e-4)
        called += bool(found.is_unusual)
        in_region += bool(found.regions)
    # Promised at most 5 %; 0.074 is 5 % and two standard errors of 300 bikes.
    assert called / 300 < 0.074
    # A third of that is the regions' own: 1.7 %, and two standard errors.
    assert in_region / 300 < 0.032


def test_sound_mixtures_are_seldom_called_unusual():
    chance = np.random.default_rng(77)
    called = 0
    for _ in range(300):
        error = 200.0 * _sound(chance, 12)
        called += bool(mixture_health(GRID_RPM, error[0], error[1:]).is_unusual)
    assert called / 300 < 0.074


def test_a_tired_bike_is_mostly_found():
    chance = np.random.default_rng(9)
    fault = np.where(GRID_RPM >= 8_000.0, 0.94, 1.0)
    found = []
    for _ in range(100):
        curves = USUAL_W * np.exp(_sound(chance, 12))
        found.append(power_health(GRID_RPM, curves[0] * fault, curves[1:]))
    assert np.mean([bool(one.is_unusual) for one in found]) > 0.9
    assert np.mean([bool(one.regions) for one in found]) > 0.6


def test_level_is_no_shape_and_tilt_is():
    siblings = _siblings_w()
    sound = power_health(GRID_RPM, USUAL_W, siblings)
    level = power_health(GRID_RPM, 0.90 * USUAL_W, siblings)
    assert math.isclose(level.shape_distance_pct, sound.shape_distance_pct, rel_tol=1e-9)
    assert level.shape.p > 0.1
    assert math.isclose(
        (1.0 + level.peak_change_pct / 100.0) / (1.0 + sound.peak_change_pct / 100.0), 0.90
    )
    assert level.peak.p < 0.001
    tilt = power_health(GRID_RPM, USUAL_W * np.linspace(1.06, 0.94, GRID_RPM.size), siblings)
    assert tilt.shape.p < 0.01
    # A line from +6 to -6 %: root mean square 12/sqrt(12).
    assert abs(tilt.shape_distance_pct - 12.0 / math.sqrt(12.0)) < 0.4


def test_siblings_shapes_are_held_against_the_others_alone():
    # By the definition: each curve against the median of the rest, where both were seen.
    siblings = _siblings_w(8)
    siblings[2, :20] = np.nan
    siblings[5, 60:90] = np.nan
    siblings[6, 30:] = np.nan  # less than half of the range: no shape
    siblings[:4, 140:145] = np.nan  # four left: a speed that is not compared
    logs = np.log(siblings)
    logs = logs[:, np.isfinite(logs).sum(axis=0) >= 5]
    distances = []
    for place in (0, 1, 2, 3, 4, 5, 7):
        away = logs[place] - np.nanmedian(np.delete(logs, place, axis=0), axis=0)
        distances.append(float(np.nanstd(away)))
    found = power_health(GRID_RPM, USUAL_W, siblings, least_sd_share=1e-6).shape
    assert found.siblings == 7
    assert math.isclose(found.centre, float(np.median(np.log(distances))), rel_tol=1e-9)


def _flat(found):
    return [part for one in found for part in (_flat(one) if isinstance(one, tuple) else [one])]


@pytest.mark.parametrize("bikes", [6, 7, 12, 75])
def test_a_bike_among_its_family_is_held_against_the_others_as_if_it_were_none_of_it(bikes):
    # Another method: the row is taken out, and everything is worked out anew without it.
    chance = np.random.default_rng(bikes)
    curves = USUAL_W * np.exp(_sound(chance, bikes))
    curves[0] *= np.where(GRID_RPM >= 8_000.0, 0.9, 1.0)
    for row in curves[1:]:
        row[: chance.integers(0, 30)] = np.nan
        row[GRID_RPM.size - chance.integers(0, 60) :] = np.nan
    curves[1, 40:60] = np.nan
    curves[2:5] = np.round(curves[2:5], -3)  # equal figures and equal distances
    error = 100.0 * (curves / USUAL_W - 1.0)
    in_power, in_mixture = Family(curves), Family(error)
    for place in range(min(bikes, 12)):
        among = power_health(GRID_RPM, curves[place], in_power, place=place)
        alone = power_health(GRID_RPM, curves[place], np.delete(curves, place, axis=0))
        np.testing.assert_allclose(
            np.array(_flat(among), dtype=float), np.array(_flat(alone), dtype=float), rtol=1e-9
        )
        among = mixture_health(GRID_RPM, error[place], in_mixture, place=place)
        alone = mixture_health(GRID_RPM, error[place], np.delete(error, place, axis=0))
        np.testing.assert_allclose(
            np.array(_flat(among), dtype=float), np.array(_flat(alone), dtype=float), rtol=1e-9
        )


@pytest.mark.parametrize("bikes", [6, 13, 90])
def test_quartiles_of_the_others_are_those_of_the_reference_library(bikes):
    curves = _siblings_w(bikes)
    curves[1:4, :50] = np.nan
    family = Family(curves)
    for place in (None, 0, 2):
        others = curves if place is None else np.delete(curves, place, axis=0)
        for share in (0.25, 0.5, 0.75):
            np.testing.assert_allclose(
                family.quantile(place, share), np.nanquantile(others, share, axis=0), rtol=1e-12
            )


def test_where_only_the_shape_is_off_the_words_say_where():
    # Bikes that differ by 5 % in level hide 6 % at the top, but not the step in the curve.
    siblings = USUAL_W * np.exp(0.05 * np.linspace(-1.0, 1.0, 11))[:, None]
    siblings *= np.exp(_sound(np.random.default_rng(8), 11, 0.0, 0.002))
    tired = USUAL_W * np.where(GRID_RPM >= 8_000.0, 0.94, 1.0)
    found = power_health(GRID_RPM, tired, siblings)
    assert found.regions == ()
    assert power_state(found) == "another shape"
    bend = found.shape_region
    assert abs(bend.from_rpm - 8_000.0) <= 50.0
    assert bend.reaches_top
    assert abs(bend.change_pct - -6.0) < 0.5
    assert bend.z == -found.shape.z
    (said,) = in_words(found)
    assert said.startswith(f"Down {-bend.change_pct:.1f} % on 11 siblings above 8,0")
    assert said.endswith("its curve has another shape, look for a fault before tuning.")
    # A hump is up, and a difference over all speeds is no place to look at.
    humped = USUAL_W * np.where((GRID_RPM >= 5_000.0) & (GRID_RPM <= 6_000.0), 1.06, 1.0)
    bend = power_health(GRID_RPM, humped, siblings).shape_region
    assert (bend.from_rpm, bend.to_rpm, bend.reaches_top) == (5_000.0, 6_000.0, False)
    assert bend.z > 0.0
    assert power_health(GRID_RPM, 0.90 * USUAL_W, siblings).shape_region is None
    tired[(GRID_RPM > 9_000.0) & (GRID_RPM < 9_500.0)] = np.nan
    bend = power_health(GRID_RPM, tired, siblings).shape_region
    assert bend.to_rpm <= 9_000.0 or bend.from_rpm >= 9_500.0
    blip = USUAL_W * np.where((GRID_RPM >= 5_000.0) & (GRID_RPM <= 5_250.0), 1.06, 1.0)
    assert power_health(GRID_RPM, blip, siblings).shape_region is None


def test_a_word_says_how_a_bike_stands():
    siblings = _siblings_w()
    level = power_health(GRID_RPM, USUAL_W, siblings)
    assert power_state(level) == "as its siblings"
    assert power_state(power_health(GRID_RPM, 0.9 * USUAL_W, siblings)) == "low"
    assert power_state(power_health(GRID_RPM, 1.1 * USUAL_W, siblings)) == "high"
    odd = USUAL_W * np.where(GRID_RPM < 6_000.0, 0.9, 1.1)
    assert power_state(power_health(GRID_RPM, odd, siblings)) == "low and high"
    assert power_state(power_health(GRID_RPM, USUAL_W, siblings[:4])) == "not compared"
    far = level.peak._replace(p=1e-4)
    assert power_state(level._replace(is_unusual=True, peak=far, peak_change_pct=-4.0)) == "low"
    assert power_state(level._replace(is_unusual=True, peak=far, peak_change_pct=4.0)) == "high"

    errors = 150.0 * _sound(np.random.default_rng(4), 9)
    states = {
        "leaner": np.full(GRID_RPM.size, 14.0),
        "richer": np.full(GRID_RPM.size, -14.0),
        "richer and leaner": np.where(GRID_RPM < 6_000.0, -14.0, 14.0),
        "as its siblings": np.zeros(GRID_RPM.size),
    }
    for word, own in states.items():
        assert mixture_state(mixture_health(GRID_RPM, own, errors)) == word
    assert mixture_state(mixture_health(GRID_RPM, states["leaner"], errors[:4])) == "not compared"
    level = mixture_health(GRID_RPM, states["as its siblings"], errors)
    assert mixture_state(level._replace(is_unusual=True, level_change_pct=3.0)) == "leaner"


def test_a_shape_nearer_than_usual_is_not_unusual():
    found = power_health(
        GRID_RPM, USUAL_W, USUAL_W * np.exp(_sound(np.random.default_rng(3), 15, 0.01, 0.03))
    )
    assert found.shape.z < 0.0
    assert found.shape.p > 0.5
    assert not found.is_unusual


def test_unit_and_order_of_siblings_change_nothing():
    siblings = _siblings_w()
    tired = USUAL_W * np.where(GRID_RPM >= 8_000.0, 0.94, 1.0)
    first = power_health(GRID_RPM, tired, siblings)
    other = power_health(GRID_RPM, 7.0 * tired, 7.0 * siblings[::-1])
    assert math.isclose(first.peak.z, other.peak.z, rel_tol=1e-9)
    assert math.isclose(first.shape.z, other.shape.z, rel_tol=1e-9)
    assert first.regions[0].from_rpm == other.regions[0].from_rpm
    assert math.isclose(first.regions[0].change_pct, other.regions[0].change_pct, rel_tol=1e-9)


def test_siblings_that_agree_by_luck_do_not_make_one_percent_a_fault():
    same = np.tile(USUAL_W, (6, 1))
    assert not power_health(GRID_RPM, 0.99 * USUAL_W, same).is_unusual
    assert power_health(GRID_RPM, 0.90 * USUAL_W, same).is_unusual


def test_a_curve_that_stops_before_the_peak_has_none():
    short = np.where(GRID_RPM <= 8_000.0, USUAL_W, np.nan)
    found = power_health(GRID_RPM, short, _siblings_w())
    assert math.isnan(found.peak.z)
    assert math.isnan(found.peak_change_pct)
    assert found.is_unusual is False
    siblings = _siblings_w()
    siblings[:3, GRID_RPM > 7_000.0] = np.nan
    assert power_health(GRID_RPM, USUAL_W, siblings).peak.siblings == 8


def test_a_speed_with_too_few_siblings_is_not_judged():
    siblings = _siblings_w()
    siblings[:7, GRID_RPM > 9_000.0] = np.nan
    tired = USUAL_W * np.where(GRID_RPM > 9_000.0, 0.80, 1.0)
    assert power_health(GRID_RPM, tired, siblings).regions == ()
    siblings = _siblings_w(12)
    siblings[:7, GRID_RPM > 9_000.0] = np.nan
    (region,) = power_health(GRID_RPM, tired, siblings).regions
    assert region.siblings == 5


def test_too_few_siblings_are_not_compared():
    power = power_health(GRID_RPM, USUAL_W, _siblings_w(4))
    assert power.is_unusual is None
    assert power.regions == ()
    mixture = mixture_health(GRID_RPM, np.zeros(GRID_RPM.size), np.zeros((4, GRID_RPM.size)))
    assert mixture.is_unusual is None
    (said,) = in_words(power, mixture)
    assert said.startswith("Not compared")
    empty = power_health(GRID_RPM, USUAL_W, np.empty((0, GRID_RPM.size)))
    assert empty.is_unusual is None


def test_a_lean_stretch_is_found_with_its_sign():
    chance = np.random.default_rng(4)
    siblings = 150.0 * _sound(chance, 9)
    lean = np.where((GRID_RPM >= 6_000.0) & (GRID_RPM <= 7_500.0), 14.0, 0.0)
    found = mixture_health(GRID_RPM, lean, siblings)
    (region,) = found.regions
    assert abs(region.from_rpm - 6_000.0) <= 100.0
    assert abs(region.to_rpm - 7_500.0) <= 100.0
    assert abs(region.change_pct - 14.0) < 3.0
    said = in_words(power_health(GRID_RPM, USUAL_W, _siblings_w()), found)
    assert said[0].startswith("Leaner by 1")
    rich = in_words(
        power_health(GRID_RPM, USUAL_W, _siblings_w()),
        mixture_health(GRID_RPM, -lean, siblings),
    )
    assert rich[0].startswith("Richer by 1")


def test_a_sibling_seen_over_another_range_is_not_leaner_by_that():
    # All alike, leaner with speed; half of them were seen over the upper two thirds only.
    slope = np.linspace(0.0, 30.0, GRID_RPM.size)
    siblings = np.tile(slope, (10, 1)) + np.linspace(-0.5, 0.5, 10)[:, None]
    siblings[::2, : GRID_RPM.size // 3] = np.nan
    found = mixture_health(GRID_RPM, slope, siblings)
    assert abs(found.level_change_pct) < 0.2
    assert found.level.sd == 1.0  # the least one: the true scatter of 0.3 is below it
    assert found.is_unusual is False


def test_nothing_unusual_is_said_too():
    (said,) = in_words(power_health(GRID_RPM, USUAL_W, _siblings_w()))
    assert said.startswith("As its siblings: nothing in power stands out that 11 siblings could")


@pytest.mark.parametrize("bikes", [5, 7, 20])
def test_from_what_is_said_to_show_it_shows_and_below_it_does_not(bikes):
    # A lean injector: so much leaner from 5,000 rpm on.
    spread = np.linspace(-2.0, 2.0, bikes)[:, None] + np.zeros(GRID_RPM.size)
    least = mixture_health(GRID_RPM, np.zeros(GRID_RPM.size), spread).least_shown_pct
    for times, is_told in ((1.02, True), (0.95, False)):
        lean = np.where(GRID_RPM >= 5_000.0, times * least, 0.0)
        assert bool(mixture_health(GRID_RPM, lean, spread).regions) == is_told
    few = mixture_health(GRID_RPM, np.zeros(GRID_RPM.size), spread[:4])
    assert np.isnan(few.least_shown_pct)


def test_peak_alone_and_shape_alone_have_words():
    siblings = _siblings_w(11)
    power = power_health(GRID_RPM, USUAL_W, siblings)
    far = power.peak._replace(p=1e-4)
    (said,) = in_words(power._replace(is_unusual=True, peak=far, peak_change_pct=-4.0))
    assert said.startswith("Peak power down 4.0 % on 11 siblings")
    odd = power.shape._replace(p=1e-4)
    nowhere = power._replace(is_unusual=True, shape=odd, shape_distance_pct=3.0, shape_region=None)
    (said,) = in_words(nowhere)
    assert said.startswith("Shape of the power curve is 3.0 % off that of 11 siblings")


@pytest.mark.parametrize(
    ("own", "siblings", "words"),
    [
        (USUAL_W[:-1], _siblings_w(), "power_w must match grid_rpm"),
        (USUAL_W, _siblings_w()[:, :-1], "sibling_power_w must be siblings by 151"),
        (USUAL_W, USUAL_W, "sibling_power_w must be siblings by 151"),
        (-USUAL_W, _siblings_w(), "power_w must be above 0 W"),
        (USUAL_W, 0.0 * _siblings_w(), "sibling_power_w must be above 0 W"),
        (USUAL_W * np.inf, _siblings_w(), "power_w must be finite"),
        (USUAL_W, _siblings_w() * np.inf, "sibling_power_w must be finite"),
    ],
)
def test_curves_that_cannot_be_are_refused(own, siblings, words):
    with pytest.raises(ValueError, match=f"^{words}"):
        power_health(GRID_RPM, own, siblings)


def test_wrong_grids_and_choices_are_refused():
    with pytest.raises(ValueError, match="grid_rpm must be one row, ascend"):
        power_health(GRID_RPM[::-1], USUAL_W, _siblings_w())
    with pytest.raises(ValueError, match="least_sd_share must be above 0"):
        power_health(GRID_RPM, USUAL_W, _siblings_w(), least_sd_share=0.0)
    error = np.zeros((6, GRID_RPM.size))
    with pytest.raises(ValueError, match=r"^lean_error_pct must be above -100"):
        mixture_health(GRID_RPM, error[0] - 100.0, error)
    with pytest.raises(ValueError, match="sibling_values must be one row"):
        standing(1.0, error)
    with pytest.raises(ValueError, match="value must be finite"):
        standing(math.inf, error[0])
    with pytest.raises(ValueError, match="least_sd must be at least 0"):
        standing(1.0, error[0], least_sd=-1.0)
