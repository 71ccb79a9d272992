"""Pulls drawn and logs read many at once: each comes out as it does alone."""

import numpy as np
import polars as pl
import pytest

from flows.steps import samples
from flows.steps.curves import USED_CHANNELS, make_curves
from schemas.columns import CHANNELS

ROW = dict.fromkeys(
    ("started_at", "file_standard", "file_factor", "ambient_temp_k", "ambient_pressure_pa",
     "ambient_humidity_pct", "probe_place", "probe_delay_s", "is_delay_assumed",
     "delay_by_rides_s", "reading_notes", "roller_mass_kg")
) | {
    "stage_id": "s", "pull_no": 1, "file_name": "p.csv", "file_sha256": "x", "layout": "dyno",
    "power_state": "observed", "rows_rejected": 0, "induction": "natural", "marks": {},
    "displacement_cc": 650.0,
}  # fmt: skip


def sound(chance, rows=600):
    """Return a pull of ten seconds between two stretches with the throttle shut."""
    time = np.arange(rows) / 50.0
    speed = np.interp(time, [1.0, 10.0, 12.0], [2600.0, 9800.0, 7000.0])
    is_open = (time >= 1.0) & (time <= 10.0)
    channel = {name: np.full(rows, np.nan) for name in USED_CHANNELS}
    return channel | {
        "time_s": time,
        "engine_speed_rpm": speed + chance.normal(0.0, 4.0, rows),
        "roller_speed_m_s": speed / 190.0,
        "throttle_pct": np.where(is_open, 100.0, 5.0),
        "wheel_power_w": np.where(is_open, 6.0 * speed, 200.0) * chance.normal(1.0, 0.004, rows),
        "lambda_wide": 0.9 + 0.02 * np.sin(speed / 900.0) + chance.normal(0.0, 0.004, rows),
    }


def spoilt(chance):
    """Return sound pulls and odd ones: each course goes its own way through the code."""
    pulls = [sound(chance) for _ in range(14)]
    rows = pulls[0]["time_s"].size
    pulls[1]["time_s"] = np.full(rows, np.nan)
    pulls[2]["lambda_wide"] = np.full(rows, 0.912)
    pulls[3]["lambda_wide_2"] = pulls[3]["lambda_wide"] * 1.03
    pulls[4]["engine_speed_rpm"] = np.full(rows, 4000.0)
    pulls[5]["wheel_power_w"] = np.full(rows, np.nan)
    pulls[6]["throttle_pct"] = np.where(np.arange(rows) % 97 < 3, 0.0, pulls[6]["throttle_pct"])
    pulls[7] = {name: np.concatenate((each, each)) for name, each in pulls[7].items()}
    pulls[7]["time_s"] = np.arange(2 * rows) / 50.0
    pulls[8] = {name: each[::25] for name, each in pulls[8].items()}
    pulls[9]["knock"] = chance.random(rows)
    pulls[9]["ignition_advance_deg"] = 20.0 + chance.normal(0.0, 0.5, rows)
    pulls[10]["wheel_power_w"] = np.where(chance.random(rows) < 0.5, np.nan, 4e4)
    pulls[11]["throttle_pct"] = np.full(rows, np.nan)
    pulls[12]["roller_speed_m_s"] = pulls[12]["roller_speed_m_s"] * np.where(
        pulls[12]["time_s"] > 6.0, 1.15, 1.0
    )
    pulls[13]["time_s"] = pulls[13]["time_s"][::-1]
    return pulls


def test_pulls_drawn_together_are_each_as_drawn_alone(shop):
    pulls = {f"p{number}": one for number, one in enumerate(spoilt(np.random.default_rng(5)))}
    rows = [ROW | {"pull_id": name, "sample_id": name} for name in pulls]
    heads, curves = make_curves(rows, pulls, shop.settings)
    assert {head["is_used"] for head in heads} == {True, False}
    for row, head in zip(rows, heads, strict=True):
        (alone,), curve = make_curves([row], pulls, shop.settings)
        assert head == alone
        assert (row["pull_id"] in curves) == bool(curve) == head["is_used"]
        for name, values in curve.get(row["pull_id"], {}).items():
            np.testing.assert_allclose(
                curves[row["pull_id"]][name], values, rtol=1e-9, atol=1e-9, err_msg=name
            )


@pytest.mark.parametrize("channel", ["coolant_temp_k", "gear"])
@pytest.mark.parametrize("kind", ["regular", "sparse", "empty", "other clock", "marked"])
def test_a_log_cut_from_its_file_is_as_the_careful_way_reads_it(kind, channel):
    chance = np.random.default_rng(3)
    parts, logs = [], {}
    for number, one in enumerate(("regular", kind, "regular")):
        rows = 200
        given = {name: np.full(rows, np.nan) for name in CHANNELS} | {
            "time_s": np.arange(rows) / 20.0,
            "engine_speed_rpm": chance.uniform(2000.0, 9000.0, rows),
            channel: np.round(chance.uniform(1.0, 6.0, rows)),
        }
        clock = np.zeros(rows, dtype=np.int64)
        if one == "sparse":
            given[channel][chance.random(rows) < 0.7] = np.nan
        elif one == "empty":
            given[channel][:] = np.nan
        elif one == "other clock":
            clock[1::2] = 1
            given["engine_speed_rpm"][1::2] = np.nan
            given[channel][::2] = np.nan
        logs[f"log{number}"] = {"marks": {channel: "stuck"} if one == "marked" else {}}
        parts.append(
            pl.DataFrame(given, nan_to_null=True).with_columns(
                sample_id=pl.lit(f"log{number}"), clock_no=clock
            )
        )
    names = list(CHANNELS)
    found = samples._split(pl.concat(parts), logs, names)
    for part, (sample_id, log) in zip(parts, logs.items(), strict=True):
        careful = samples._on_one_clock(part, log["marks"], names)
        for name in names:
            np.testing.assert_array_equal(found[sample_id][name], careful[name])
