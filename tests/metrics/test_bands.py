"""Bands of a whole curve hold what they say when mountings bend curves, in a generator of its own.

A pull is what the bike makes, a level and a bend of its mounting, a level of its own and short
waves. Nothing here is taken from the code that is judged; what it is told of remounting it learns
from sessions of the same generator.
"""

import datetime as dt
import math
from typing import Any

import numpy as np
import pytest

from flows.metrics.gain import gain
from flows.metrics.trust import RegionRemount, remount_shapes
from flows.steps import trust
from schemas.settings import ShopSettings

GRID_RPM = np.arange(2500.0, 9850.0, 50.0)
SPEED = GRID_RPM / 9000.0
RIDDEN = SPEED >= 0.4
PULL, WAVES = 0.0035, 0.0025
EDGES = (0.4, 0.65, 0.9, 1.15)


def tilted(rng):
    return rng.standard_normal() * (SPEED - SPEED[RIDDEN].mean()) / SPEED[RIDDEN].std()


def low_end(rng):
    """Return a bend that is only there below 0.65 of the speed at peak power."""
    bend = np.clip((0.65 - SPEED) / 0.25, 0.0, 1.0)
    return rng.standard_normal() * (bend - bend[RIDDEN].mean()) / bend[RIDDEN].std()


def waves(rng, pulls):
    kernel = np.exp(-0.5 * (np.arange(-12, 13) * 50.0 / 120.0) ** 2)
    kernel /= math.sqrt(float(kernel @ kernel))
    rows = rng.standard_normal((pulls, GRID_RPM.size + 24))
    return WAVES * np.array([np.convolve(row, kernel, mode="valid") for row in rows])


def session(rng, level, bend_sd, bend, day=0.0, pulls=3):
    mounted = level * rng.standard_normal() + bend_sd * bend(rng)
    return day + mounted + PULL * rng.standard_normal((pulls, 1)) + waves(rng, pulls)


def learnt(rng, level, bend_sd, bend, day_sd, days=20):
    """Return what a shop knows of remounting from a control bike, strapped down twice a day."""
    rows, power = [], []
    for day in range(days):
        of_day = day_sd * rng.standard_normal()
        for turn in range(2):
            power.append(session(rng, level, bend_sd, bend, of_day).mean(axis=0))
            rows.append(
                {"bike_id": "control", "is_control": True, "mounting": f"{day} {turn}",
                 "run_on": dt.date(2024, 1, 1) + dt.timedelta(days=day), "pulls_effective": 3.0,
                 "reference_factor_sd": 0.0, "air_density_kg_m3": None}
            )  # fmt: skip
    laid = [trust.Repeats(rows, SPEED, np.array(power))]

    class Given:
        settings = ShopSettings()

    usual = [{"repeatability_share": PULL, "pulls_agreeing": 3}] * 8
    given: Any = Given
    made: Any = trust._make(given, [(usual, laid, [])])
    regions = [
        RegionRemount(
            row["from_peak_speed_share"], row["to_peak_speed_share"], row["remount_share"],
            row["bend_share"], row["remount_dof"], 0, "",
        )
        for row in made["out.remount_region"]
    ]  # fmt: skip
    return made["out.trust"][0], regions


def compared(before, after, known, regions):
    return gain(
        GRID_RPM,
        5e4 * np.exp(before),
        5e4 * np.exp(after),
        repeatability_share=known["repeatability_share"],
        repeatability_dof=known["repeatability_dof"],
        remount_share=known["remount_share"],
        remount_dof=known["remount_dof"],
        remount_shapes=remount_shapes(SPEED, regions, remount_share=known["remount_share"]),
        correction_share=0.0,
        same_mounting=False,
    )


def held(found, truth_pct):
    """Return whether the mean's interval, a speed's on average, and the band hold the truth."""
    each = (found.lower_pct <= truth_pct) & (truth_pct <= found.upper_pct)
    whole = (found.whole_lower_pct <= truth_pct) & (truth_pct <= found.whole_upper_pct)
    mean = found.mean_gain_lower_pct <= truth_pct[RIDDEN].mean() <= found.mean_gain_upper_pct
    return float(mean), float(each[RIDDEN].mean()), float(whole[RIDDEN].all())


@pytest.mark.long
@pytest.mark.parametrize(
    ("level", "bend_sd", "bend"),
    [
        pytest.param(0.008, 0.004, tilted, id="as assumed"),
        pytest.param(0.004, 0.004, tilted, id="twice the tilt"),
        pytest.param(0.006, 0.003, low_end, id="at the low end alone"),
    ],
)
def test_the_band_holds_the_whole_curve_where_mountings_bend_it(level, bend_sd, bend):
    rng = np.random.default_rng(97)
    truth_pct = 2.0 + np.sin(3.0 * SPEED)
    truth = np.log1p(truth_pct / 100.0)
    shops = []
    for _ in range(20):
        known, regions = learnt(rng, level, bend_sd, bend, day_sd=level / 2)
        pairs = [
            (session(rng, level, bend_sd, bend), truth + session(rng, level, bend_sd, bend))
            for _ in range(16)
        ]
        shops.append(
            np.mean([held(compared(*pair, known, regions), truth_pct) for pair in pairs], axis=0)
        )
    # 320 pairs at 95 %: 2 standard errors of 1.2 points, and as much for what shops share.
    assert np.abs(np.mean(shops, axis=0) - 0.95).max() < 0.034


def test_a_tilt_goes_on_beyond_the_outer_regions():
    # By hand: 0.004 of level and 0.003 of tilt at the outer middles, 0.25 from the middle; at
    # 0.375 from it 0.0045, at the middle nothing.
    regions = [
        RegionRemount(low, high, math.hypot(0.004, bend), bend, 9.0, 9, "")
        for low, high, bend in zip(EDGES, EDGES[1:], (0.003, 0.0, 0.003), strict=False)
    ]
    found = remount_shapes([0.4, 0.525, 0.775, 1.15], regions, remount_share=0.004)
    by_hand = [16 + 4.5**2, 16 + 9, 16, 16 + 4.5**2]
    assert 1e6 * (found**2).sum(axis=0) == pytest.approx(by_hand)
    ends = found[:, [0, 3]]
    # Level in common, tilt against each other.
    assert 1e6 * float(ends[:, 0] @ ends[:, 1]) == pytest.approx(16 - 4.5**2)


def test_what_lifts_the_top_alone_leaves_the_rest():
    # By hand: 0, 0 and 0.009 have a mean of 0.003 and bends of -0.003, -0.003 and 0.006.
    rows = [(0.0, 0.003), (0.0, 0.003), (0.009, 0.006)]
    regions = [
        RegionRemount(low, high, *row, 9.0, 9, "")
        for low, high, row in zip(EDGES, EDGES[1:], rows, strict=False)
    ]
    found = remount_shapes([0.525, 0.775, 0.9, 1.025], regions, remount_share=0.003)
    sd = 1000 * np.sqrt((found**2).sum(axis=0))
    assert sd == pytest.approx([0.0, 0.0, 4.5, 9.0], abs=1e-6)


def test_bends_that_no_mounting_could_have_are_widened_and_never_narrowed():
    # Three deviations that add up to 0 cannot be 0.001, 0.001 and 0.01.
    rows = [(math.hypot(0.004, bend), bend) for bend in (0.001, 0.001, 0.01)]
    regions = [
        RegionRemount(low, high, *row, 9.0, 9, "")
        for low, high, row in zip(EDGES, EDGES[1:], rows, strict=False)
    ]
    found = remount_shapes([0.525, 0.775, 1.025], regions, remount_share=0.004)
    assert (np.sqrt((found**2).sum(axis=0)) >= [0.9999 * share for share, _ in rows]).all()


def test_three_regions_are_needed():
    one = RegionRemount(0.4, 0.65, 0.004, 0.0, 9.0, 9, "")
    with pytest.raises(ValueError, match="must be 3 regions"):
        remount_shapes([0.5], [one], remount_share=0.004)
