"""Remap need: fuels and kinds of map apart, what a remap gave, and quarters; counted by hand."""

from datetime import date
from pathlib import Path
from typing import Any

import pytest

from flows.steps.engine import Given
from flows.steps.need import NEED, _Seen
from schemas.settings import ShopSettings
from warehouse.shop import ShopFolder


def stage(
    bike, level="none", error=2.0, *, map_label="stock", fuel="E5", parts="full exhaust",
    on="2025-02-01",
):  # fmt: skip
    return {
        "run_on": date.fromisoformat(on),
        "stage_id": f"{bike} {map_label} {fuel}", "bike_id": bike, "model_id": "m",
        "model_label": "M", "parts_key": parts, "map_label": map_label, "fuel": fuel,
        "level": level, "worst_lean_error_pct": error, "worst_speed_rpm": 6000.0,
        "in_band_share": None,
    }  # fmt: skip


def effect(mean_pct):
    return {"bikes": 4, "mean_pct": mean_pct, "next_lower_pct": 1.0, "next_upper_pct": 5.0}


def visit(job, stage_no, bike, level, *, on="2025-02-01", map_label="stock"):
    day = date.fromisoformat(on)
    return {
        "job_id": job, "stage_no": stage_no, "bike_id": bike, "received_on": day,
        "quarter_label": f"{day.year} Q{(day.month + 2) // 3}", "model_id": "m",
        "parts_key": "standard parts", "map_label": map_label, "fuel": "E5", "level": level,
    }  # fmt: skip


def made(stages=(), visits=(), remaps=None, built=None):
    counts = {}
    for row in stages:
        key = (row["model_id"], row["parts_key"], row["map_label"], row["fuel"])
        counts[key] = counts.get(key, 0) + 1
    seen = _Seen(list(stages), counts | (built or {}), list(visits), remaps or {})
    found: Any = NEED.make(Given(ShopFolder(Path()), ShopSettings()), [seen])
    return found


def test_two_fuels_on_one_map_are_two_builds():
    lean = [stage(f"B{n}", "stop", 30.0, fuel="E85") for n in range(3)]
    sound = [stage(f"B{n}") for n in range(3)]
    rows = {row["fuel"]: row for row in made(lean + sound)["out.remap_need"]}
    assert (rows["E5"]["lean_bikes"], rows["E85"]["lean_bikes"]) == (0, 3)
    # E85 on the untouched map says nothing of the part: the sound builds do not move towards it.
    alone = made(sound)["out.remap_need"][0]
    for name in ("warn_share", "worst_error_pct", "worst_error_upper_pct"):
        assert rows["E5"][name] == alone[name]


def test_lean_stock_maps_do_not_make_a_shop_map_suspect():
    stock = [
        stage(f"S{part}{n}", "warn", 12.0, parts=part)
        for part in ("silencer", "airbox", "headers", "full exhaust") for n in range(4)
    ]  # fmt: skip
    sound = [stage(f"B{n}", map_label=f"own r{n}") for n in range(30)]
    odd = stage("odd", "warn", 11.0, map_label="odd r1")
    ranked = made([*stock, *sound, odd])["out.remap_need"]
    (found,) = (row for row in ranked if row["map_label"] == "odd r1")
    assert found["warn_share"] < 0.35
    assert not found["is_prior_assumed"]
    assert sorted(row["need_rank"] for row in ranked) == list(range(1, 36))
    # The four stock maps of which every bike was lean are surer than one bike's map.
    assert found["need_rank"] == 5


@pytest.mark.parametrize("stages", [[], [stage("B1")], [stage(f"B{n}", error=n) for n in range(9)]])
def test_an_empty_shop_and_one_with_stock_maps_alone_are_ranked(stages):
    rows = made(stages)["out.remap_need"]
    assert [row["need_rank"] for row in rows] == list(range(1, len(rows) + 1))
    assert all(row["is_prior_assumed"] for row in rows)


def test_one_bike_tells_no_range_for_the_next():
    (row,) = made([stage("B1", error=9.0)])["out.remap_need"]
    assert row["worst_error_pct"] == pytest.approx(9.0)
    assert row["worst_error_lower_pct"] is None


def test_a_remap_and_a_later_revision_do_not_mix():
    remaps = {("m", f"{step}, on full exhaust"): effect(gave)
              for step, gave in (("remap", 3.05), ("revision", 0.2))}  # fmt: skip
    stages = [stage(f"B{n}", map_label=m) for n in range(4) for m in ("stock", "own r2")]
    rows = {row["map_label"]: row for row in made(stages, remaps=remaps)["out.remap_need"]}
    assert rows["stock"]["given_back_pct"] == 3.05
    assert rows["own r2"]["given_back_pct"] is None


def test_bikes_that_nobody_logged_stand_beside_those_that_were():
    key = ("m", "full exhaust", "stock", "E5")
    (row,) = made([stage("B1", "warn", 12.0)], built={key: 7})["out.remap_need"]
    assert (row["bikes"], row["built_bikes"]) == (1, 7)


def test_a_quarter_tells_who_arrived_lean_and_who_left_so():
    visits = [
        visit("J1", 1, "A", "warn"), visit("J1", 2, "A", "none", map_label="own r1"),
        visit("J2", 1, "B", "none"), visit("J2", 2, "B", None, map_label="own r1"),
        # A again in the quarter: its first arrival counts, and its last leaving.
        visit("J3", 1, "A", "none", on="2025-03-01", map_label="own r1"),
        visit("J3", 2, "A", "stop", on="2025-03-01", map_label="own r2"),
        visit("J4", 1, "C", "stop", on="2025-04-01"),
    ]  # fmt: skip
    rows = {
        (row["quarter_label"], row["moment"]): row
        for row in made(visits=visits)["out.need_quarter"]
        if row["need_id"] is None
    }
    counted = {
        where: (row["lean_bikes"], row["bikes"], row["built_bikes"]) for where, row in rows.items()
    }
    assert counted == {
        ("2025 Q1", "arrived"): (1, 2, 2),
        ("2025 Q1", "left"): (1, 1, 2),
        ("2025 Q2", "arrived"): (1, 1, 1),
        ("2025 Q2", "left"): (1, 1, 1),
    }
    # One of two by Jeffreys, Beta(1.5, 1.5), scipy.stats: 5 % point 0.0973.
    assert rows["2025 Q1", "arrived"]["lean_lower_share"] == pytest.approx(0.0973, abs=5e-4)


def _leading(stages):
    return {row["parts_key"]: row["leading_since"] for row in made(stages)["out.remap_need"]}


def test_a_build_leads_from_the_day_on_which_the_third_place_became_its_own():
    # Four builds. By 3 March each of a, b and c has two lean bikes, d one sound one: d is behind.
    # On 1 May its third lean bike lifts d over c, whose third bike of 1 April was not lean: with
    # any prior 3 lean of 4 is surer than 2 of 3 from one prior, for it adds a lean bike to it.
    stages = [
        stage(f"{part}{day}", "warn", 12.0, parts=part, on=f"2025-03-0{day}")
        for part in "abc" for day in (1, 2)
    ]  # fmt: skip
    stages += [stage("d1", parts="d", on="2025-03-03"), stage("c3", parts="c", on="2025-04-01")]
    stages += [stage(f"d{n}", "warn", 12.0, parts="d", on=f"2025-05-0{n - 1}") for n in (2, 3, 4)]
    before = _leading([row for row in stages if row["run_on"] < date(2025, 5, 1)])
    assert before == {"a": date(2025, 3, 1), "b": date(2025, 3, 1), "c": date(2025, 3, 1),
                      "d": None}  # fmt: skip
    after = _leading(stages)
    assert after["c"] is None
    assert date(2025, 5, 1) <= after["d"] <= date(2025, 5, 3)
    assert after["a"] == date(2025, 3, 1)
    # In whatever order they are read, the days are the same.
    assert _leading(stages[::-1]) == after
