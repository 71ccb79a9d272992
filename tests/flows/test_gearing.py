"""Miles for kilometres: one file cannot tell, other logs of the model can."""

import math

import numpy as np
import pytest

from flows.metrics.plausibility import speed_mix_ups

# Gear ratios of a six-speed box with its primary and final drive, by hand: rpm per m/s.
GEARS = (760.0, 545.0, 430.0, 362.0, 318.0, 290.0)


def log(seed, factor=1.0, gears=(1, 2, 3, 4)):
    random = np.random.default_rng(seed)
    lines = ["seconds,crank,km/h,grip,lambda"]
    time = 0.0
    for gear in gears:
        for _ in range(150):
            road = 14.0 + 3.0 * np.sin(time / 3.0)
            speed = GEARS[gear] * road * (1 + 0.002 * random.normal())
            grip = 12.0 + random.normal()
            lines.append(
                f"{time:.1f},{speed:.0f},{road * 3.6 * factor:.2f},{grip:.1f},"
                f"{0.98 + 0.01 * random.normal():.3f}"
            )
            time += 0.1
    return "\n".join(lines) + "\n"


def job(shop, make, number, text, model="Strada 690"):
    shop.put(f"job {number}/ride.csv", text)
    stage = make.stage(pulls=[], rides=["ride.csv"])
    card = make.card(f"J-{number}", [stage], bike=f"B-{number}", model=model)
    shop.put(f"job {number}/card.toml", card)


def doubts(shop):
    shop.work_out("out.log_doubt")
    return shop.rows(
        "SELECT job_folder, doubt.reason FROM out.log_doubt AS doubt "
        "JOIN raw.outcome USING (file_sha256) ORDER BY job_folder"
    )


def test_a_ride_in_miles_is_found_out_by_its_siblings(shop, make):
    for number in (1, 2, 3):
        job(shop, make, number, log(number))
    assert doubts(shop) == []
    job(shop, make, 4, log(4, factor=1 / 1.609344))
    ((folder, reason),) = doubts(shop)
    assert folder == "job 4"
    assert "1.609 times" in reason
    assert "miles read as kilometres" in reason


def pull_in(gear, seed, slip=1.0):
    """Return a pull with the roller's speed, in a gear of GEARS."""
    random = np.random.default_rng(seed)
    speed = np.linspace(3000.0, 8000.0, 200) * (1 + 0.001 * random.normal(size=200))
    power = 40.0 * (1 - ((speed - 7500.0) / 7000.0) ** 2)
    road = 3.6 * speed / (GEARS[gear] * slip) * (1 + 0.001 * random.normal(size=200))
    rows = zip(np.arange(200) * 0.05, speed, power, road, strict=True)
    lines = ["seconds,crank rpm,wheel kW,roller km/h,opening %"]
    lines += [f"{t:.2f},{n:.0f},{p:.3f},{v:.3f},100" for t, n, p, v in rows]
    return "\n".join(lines) + "\n"


LAYOUT = """
[layout]
name = "pull with roller"
kind = "pull"
equipment = "main dyno"
[recognise]
columns = ["seconds", "crank rpm", "wheel kW", "roller km/h", "opening %"]
[channels]
time = { column = "seconds", unit = "s" }
engine_speed = { column = "crank rpm", unit = "rpm" }
wheel_power = { column = "wheel kW", unit = "kW" }
roller_speed = { column = "roller km/h", unit = "km/h" }
throttle = { column = "opening %", unit = "%" }
[power]
state = "observed"
"""


def test_a_pull_in_another_gear_than_the_card_says_is_found_out_by_the_bikes_others(shop, make):
    (shop.folder.layouts / "roller.toml").write_text(LAYOUT, encoding="utf-8")
    stages = []
    for gear in (4, 5):
        names = [f"g{gear}_{pull}.csv" for pull in range(4)]
        for pull, name in enumerate(names):
            # The last one on the card's fourth gear was run in the fifth.
            driven = 5 if (gear, pull) == (4, 3) else gear
            shop.put(f"J-1/{name}", pull_in(driven, 10 * gear + pull))
        stages.append(make.stage(f"gear {gear}", names, more=f"gear = {gear}"))
    shop.put("J-1/card.toml", make.card("J-1", stages))
    shop.work_out("out.log_doubt", "out.gain")
    found = shop.rows(
        "SELECT file_name, reason_code, reason, reason AS remedy FROM out.log_doubt AS doubt "
        "JOIN out.pull USING (file_sha256)"
    )
    ((name, code, reason, remedy),) = found
    assert (name, code) == ("g4_3.csv", "wrong gear")
    # 290 / 318 of the turns for the same roller speed: 8.8 % fewer.
    assert "8.8 % slower" in reason
    assert remedy.startswith("Correct the gear on the job card")
    ((is_pooled, unlike),) = shop.rows("SELECT is_pooled, unlike_reason FROM out.gain")
    assert not is_pooled
    assert unlike.startswith("gear 4 before, 5 after; wrong gear among the pulls before;")
    ratios = shop.rows("SELECT DISTINCT round(engine_roller_ratio) FROM out.pull ORDER BY 1")
    assert ratios == [(GEARS[5],), (GEARS[4],)]


def test_a_pull_that_slips_from_start_to_end_is_a_wrong_ratio(shop, make):
    (shop.folder.layouts / "roller.toml").write_text(LAYOUT, encoding="utf-8")
    names = [f"p_{pull}.csv" for pull in range(4)]
    for pull, name in enumerate(names):
        shop.put(f"J-1/{name}", pull_in(4, pull, slip=1.05 if pull == 2 else 1.0))
    shop.put("J-1/card.toml", make.card("J-1", [make.stage("as it came", names, more="gear = 4")]))
    shop.work_out("out.log_doubt")
    ((code, reason),) = shop.rows("SELECT reason_code, reason FROM out.log_doubt")
    assert code == "wrong ratio"
    assert "5.0 % faster" in reason or "4.9 % faster" in reason or "5.1 % faster" in reason


def split_job(shop, make, driven, stages=1):
    """Put one bike's pulls into the inbox, all on the card as fourth gear."""
    (shop.folder.layouts / "roller.toml").write_text(LAYOUT, encoding="utf-8")
    made = []
    for stage in range(stages):
        names = []
        for pull, gear in enumerate(driven[stage::stages]):
            names.append(f"s{stage}_{pull}.csv")
            shop.put(f"J-1/{names[-1]}", pull_in(gear, 10 * stage + pull))
        made.append(make.stage(f"stage {stage}", names, more="gear = 4"))
    shop.put("J-1/card.toml", make.card("J-1", made))
    shop.work_out("out.log_doubt")
    return shop.rows(
        "SELECT pull.stage_id, file_name, reason_code, reason, reason AS remedy "
        "FROM out.log_doubt AS doubt JOIN out.pull USING (file_sha256) ORDER BY 1, 2"
    )


@pytest.mark.parametrize("each", [1, 3, 4])
def test_pulls_half_in_another_gear_are_told_once_with_both_ratios(shop, make, each):
    found = split_job(shop, make, [4] * each + [5] * each)
    ((_, name, code, reason, remedy),) = found
    assert (name, code) == ("s0_0.csv", "several gears")
    assert reason.startswith("these pulls, on the card as gear 4, were run in two gears: ")
    assert f"{each} at 318, {each} at 290 rpm per m/s" in reason
    assert remedy.startswith("Correct the gear on the card")


def test_two_sessions_in_two_gears_under_one_name_are_told_once_each(shop, make):
    found = split_job(shop, make, [4, 5] * 4, stages=2)
    assert [(name, code) for _, name, code, _, _ in found] == [
        ("s0_0.csv", "several gears"),
        ("s1_0.csv", "several gears"),
    ]
    for _, _, _, reason, _ in found:
        assert reason.startswith("this bike's pulls of all its sessions, on the card as gear 4")
        assert "4 at 318, 4 at 290 rpm per m/s" in reason


@pytest.mark.parametrize(
    ("share", "told"),
    [
        (0.25, "0.25 times"),  # the roller's diameter for its radius
        (2.59, "2.59 times"),  # miles for kilometres, by the square
        (0.735, None),  # kW for PS: no more than a tired engine, which health tells
        (1.3, None),
    ],
)
def test_a_power_that_no_part_explains_is_told_once_by_other_bikes_of_the_model(
    shop, make, share, told
):
    for number, level in enumerate((0.99, 1.0, 1.01, share)):
        for pull in (1, 2):
            begun = f"2025-03-{10 + number} 09:{10 * pull}"
            text = make.pull(level, begun=begun)
            shop.put(f"J-{number}/pull_{pull}.csv", text)
        stage = make.stage(pulls=["pull_1.csv", "pull_2.csv"])
        shop.put(f"J-{number}/card.toml", make.card(f"J-{number}", [stage], bike=f"B-{number}"))
    shop.work_out("out.log_doubt")
    found = shop.rows(
        "SELECT job_folder, file_name, doubt.reason_code, doubt.reason "
        "FROM out.log_doubt AS doubt JOIN raw.outcome USING (file_sha256)"
    )
    if told is None:
        assert found == []
        return
    ((folder, name, code, reason),) = found
    assert (folder, name, code) == ("J-3", "pull_1.csv", "power unlike its model's")
    assert f"{told} what 3 other bikes of this model make" in reason


def test_a_gain_with_a_pull_that_slips_on_its_way_is_kept_out_of_the_pool(shop, make):
    (shop.folder.layouts / "roller.toml").write_text(LAYOUT, encoding="utf-8")
    stages = []
    for stage in ("came", "fitted"):
        names = [f"{stage}_{pull}.csv" for pull in (1, 2)]
        for pull, name in enumerate(names):
            text = pull_in(4, 10 * len(stages) + pull)
            if name == "fitted_2.csv":
                # From 6000 rpm on the roller falls behind, up to 12 %.
                head, *rows = text.splitlines()
                cells = [row.split(",") for row in rows]
                for row in cells:
                    late = max(float(row[1]) - 6000.0, 0.0) / 2000.0
                    row[3] = f"{float(row[3]) / (1 + 0.12 * late):.3f}"
                text = "\n".join([head, *(",".join(row) for row in cells)]) + "\n"
            shop.put(f"J-1/{name}", text)
        parts = [make.part()] if stage == "fitted" else []
        stages.append(make.stage(stage, names, parts=parts))
    shop.put("J-1/card.toml", make.card("J-1", stages))
    shop.work_out("out.gain")
    kinds = dict(shop.rows("SELECT file_name, ratio_kind FROM out.pull"))
    assert kinds.pop("fitted_2.csv") == "slip"
    assert set(kinds.values()) == {"constant"}
    ((is_pooled, unlike),) = shop.rows("SELECT is_pooled, unlike_reason FROM out.gain")
    assert not is_pooled
    assert unlike.startswith("slip among the pulls after")


def test_another_models_gears_say_nothing(shop, make):
    job(shop, make, 1, log(1))
    job(shop, make, 2, log(2))
    job(shop, make, 3, log(3, factor=1 / 1.609344), model="Vent 300")
    assert doubts(shop) == []


def test_the_doubt_goes_when_the_siblings_go(shop, make):
    for number in (1, 2, 3):
        job(shop, make, number, log(number))
    job(shop, make, 4, log(4, factor=1 / 1.609344))
    assert len(doubts(shop)) == 1
    for number in (2, 3):
        job(shop, make, number, log(number), model="Vent 300")
    assert doubts(shop) == []


@pytest.mark.parametrize(
    ("factor", "said"),
    [
        (1.609344, "miles read as kilometres"),
        (1 / 1.609344, "kilometres read as miles"),
        (3.6, "m/s read as km/h"),
        (1 / 3.6, "km/h read as m/s"),
        (1.0, None),
        (1.05, None),
    ],
)
def test_each_mix_up_has_its_name(factor, said):
    siblings = [GEARS, GEARS[1:], GEARS[:4]]
    assert speed_mix_ups([[ratio * factor for ratio in GEARS], *siblings])[0] == said


def test_two_gears_prove_nothing():
    two = [GEARS[1] / 1.609344, GEARS[2] / 1.609344]
    assert speed_mix_ups([two, GEARS, GEARS]) == [None] * 3


def test_other_sprockets_are_no_mix_up():
    # One tooth less in front and two more behind, 15/45 to 14/47: 12 % shorter.
    shorter = [ratio * 47 / 45 * 15 / 14 for ratio in GEARS]
    assert speed_mix_ups([shorter, *[GEARS] * 5]) == [None] * 6


def told_one_by_one(logs):
    """Return the mix-ups by their definition: each log against each other one, gear by gear."""
    factors = {
        "miles read as kilometres": 1 / 1.609344, "kilometres read as miles": 1.609344,
        "m/s read as km/h": 1 / 3.6, "km/h read as m/s": 3.6,
    }  # fmt: skip

    def agreeing(number, factor):
        count = 0
        for other in logs[:number] + logs[number + 1 :]:
            near = [any(abs(math.log(own * factor / one)) < 0.03 for one in other)
                    for own in logs[number]]  # fmt: skip
            count += bool(other) and sum(near) / len(near) >= 0.6
        return count

    told = []
    for number, own in enumerate(logs):
        told.append(None)
        if len(own) < 3 or agreeing(number, 1.0):
            continue
        best = max(factors, key=lambda name: agreeing(number, factors[name]))
        if agreeing(number, factors[best]) >= 2:
            told[-1] = best
    return told


@pytest.mark.parametrize("seed", range(12))
def test_logs_held_against_a_few_first_are_told_as_if_held_against_all(seed):
    # Two gearboxes in one model, logs of no to six gears, and every mix-up: no few agree with all.
    rng = np.random.default_rng(seed)
    boxes = (np.array(GEARS), 1.12 * np.array(GEARS[1:]))
    logs = []
    for number in range(60):
        box = boxes[int(number == 3 or rng.random() < 0.2 * (seed % 3))]
        shown = rng.choice(box, rng.integers(0, box.size + 1), replace=False)
        factor = rng.choice([1.0, 1.609344, 1 / 1.609344, 3.6, 1 / 3.6, 1.05], p=[0.7, *[0.06] * 5])
        logs.append((shown * factor * np.exp(rng.normal(0, 0.006, shown.size))).tolist())
    assert speed_mix_ups(logs) == told_one_by_one(logs)
