"""Rides through the pipeline: each trap changes what is left out, never what the cells say."""

import numpy as np
import pytest

from tests.in_words import read_out
from warehouse import store

PLAIN_LAMBDA = {(3000, 12.0): 1.03, (4000, 22.0): 0.97, (5000, 12.0): 1.00}
"""What the engine burns at the speeds and openings held in every ride here."""
LAYOUT = """\
[layout]
name = "trap-ride"
kind = "ride"
equipment = "trap logger"

[recognise]
file_name = "*.trap"
columns = ["s", "rpm", "open", "mix"]

[text]
delimiter = ","

[channels.time]
column = "s"
unit = "s"
[channels.engine_speed]
column = "rpm"
unit = "rpm"
[channels.roller_speed]
column = "kmh"
unit = "km/h"
[channels.throttle]
column = "open"
unit = "%"
[channels.lambda_wide]
column = "mix"
probe = "{probe}"
[channels.coolant_temp]
column = "water"
unit = "degC"
[channels.o2_narrow]
column = "volts"
unit = "V"
[channels.fuel_trim_short]
column = "short"
unit = "%"
[channels.fuel_trim_long]
column = "long"
unit = "%"
[channels.map_pressure]
column = "kpa"
unit = "kPa"
"""
COLUMNS = ("s", "rpm", "kmh", "open", "mix", "water", "volts", "short", "long", "kpa")


def ride(*, delay_s=0.1, change=None, closed=None, seed=1):
    """Return a ride of 400 s at 20 Hz over three states, each held for 8.7 s, 0.3 s between.

    `change` takes and may change the columns by name; `closed` is a base map error in percent that
    the ECU holds at lambda 1 with its trims.
    """
    rng = np.random.default_rng(seed)
    fine = np.arange(0.0, 400.0, 0.01)
    states = list(PLAIN_LAMBDA.items())
    turn = fine / 9.0
    place, into = turn.astype(int) % len(states), np.minimum((fine % 9.0) / 0.3, 1.0)
    before = (place - 1) % len(states)

    def held(values):
        values = np.array(values, dtype=float)
        return values[before] + (values[place] - values[before]) * into

    speed = held([key[0] for key, _ in states])
    opening = held([key[1] for key, _ in states])
    burnt = held([value for _, value in states])
    shown = np.interp(fine - delay_s, fine, burnt)
    step = slice(None, None, 5)
    size = fine[step].size
    columns = {
        "s": fine[step],
        "rpm": speed[step] + 6 * rng.standard_normal(size),
        "kmh": speed[step] / 50.0,
        "open": opening[step] + 0.1 * rng.standard_normal(size),
        "mix": shown[step] * (1 + 0.004 * rng.standard_normal(size)),
        "water": np.full(size, 86.0),
        "volts": np.full(size, 0.8),
        "short": np.zeros(size),
        "long": np.zeros(size),
        "kpa": 30.0 + opening[step] + 0.1 * rng.standard_normal(size),
    }
    if closed is not None:
        swing = np.sin(2 * np.pi * fine[step])
        columns["mix"] = 1.0 + 0.01 * swing + 0.003 * rng.standard_normal(size)
        columns["volts"] = 0.45 - 0.4 * swing
        columns["short"] = closed - 5.0 + 1.0 * swing
        columns["long"] = np.full(size, 100 * ((1 + closed / 100) / (1 + (closed - 5) / 100) - 1))
    if change is not None:
        change(columns)
    lines = [",".join(COLUMNS)]
    lines += [
        ",".join(f"{value:.4f}" for value in row)
        for row in zip(*(columns[name] for name in COLUMNS), strict=True)
    ]
    return "\n".join(lines) + "\n"


def table(shop, query):
    """Return rows as dictionaries."""
    with store.writer(shop.folder) as connection:
        rows = store.rows(connection, query).to_dicts()
    return [{name: read_out(value) for name, value in row.items()} for row in rows]


def looking_at(shop, make):
    """Return a function that takes a ride in and gives its line, exclusions and cells."""

    def look(text, probe="header", fuel="E5"):
        (shop.folder.layouts / "trap-ride.toml").write_text(
            LAYOUT.format(probe=probe), encoding="utf-8"
        )
        shop.put("job/ride_1.trap", text)
        stage = make.stage(pulls=[], rides=["ride_1.trap"], fuel=fuel)
        shop.put("job/card.toml", make.card(stages=[stage]))
        shop.work_out("out.ride", "out.fuel_change")
        (line,) = table(shop, "SELECT * FROM out.ride")
        left_out = dict(
            tuple(row.values())
            for row in table(shop, "SELECT exclusion_reason, excluded_s FROM out.ride_exclusion")
        )
        cells = {
            (row["speed_from_rpm"], row["throttle_from_pct"]): row
            for row in table(
                shop, "SELECT * FROM out.cruise_cell WHERE NOT is_closed_loop AND dwell_s >= 5"
            )
        }
        return line, left_out, cells

    return look


@pytest.fixture
def seen(shop, make):
    return looking_at(shop, make)


@pytest.fixture(scope="module")
def plain(tmp_path_factory, make, open_little_shop):
    """Return a shop with the ride that has no trap, and what is seen of it; for reading only."""
    shop = open_little_shop(tmp_path_factory.mktemp("plain") / "shop")
    return shop, *looking_at(shop, make)(ride())


def medians(cells):
    return {place: row["lambda_median"] for place, row in cells.items()}


def agree(cells, others, share=0.01):
    """Whether cells seen both times agree within a share of lambda, and there are some."""
    a, b = medians(cells), medians(others)
    shared = a.keys() & b.keys()
    return bool(shared) and all(abs(a[at] / b[at] - 1) < share for at in shared)


def test_the_plain_ride_gives_the_mixture_that_was_burnt(plain):
    _, line, _, cells = plain
    assert line["lambda_from"] == "wideband"
    found = medians(cells)
    for (speed, opening), truth in PLAIN_LAMBDA.items():
        at = (float(speed), 20.0 if opening == 22.0 else 10.0)
        assert found[at] == pytest.approx(truth, rel=0.01)
        assert cells[at]["lambda_lower"] < truth < cells[at]["lambda_upper"]
    # The leanest is held against the edge of the cruise band, 1.00 (common practice, no source).
    assert cells[3000.0, 10.0]["lean_error_pct"] == pytest.approx(3.0, abs=0.5)


@pytest.mark.parametrize("delay_s", [0.08, pytest.param(0.15, marks=pytest.mark.long), 0.3])
def test_a_late_probe_is_brought_forward_with_its_doubt(seen, delay_s):
    line, _, cells = seen(ride(delay_s=delay_s))
    assert line["delay_s"] == pytest.approx(delay_s, abs=0.020)
    assert line["delay_lower_s"] <= delay_s <= line["delay_upper_s"]
    for (speed, opening), truth in PLAIN_LAMBDA.items():
        at = (float(speed), 20.0 if opening == 22.0 else 10.0)
        assert cells[at]["lambda_median"] == pytest.approx(truth, rel=0.01)


def cold(columns):
    columns["water"][:2400] = 45.0
    columns["mix"][:2400] *= 0.9


def overrun(columns):
    shut = (columns["s"] > 200.0) & (columns["s"] < 230.0)
    columns["open"][shut], columns["mix"][shut] = 0.0, 1.6


def unplugged(columns):
    columns["mix"][4000:4500] = 0.45


def clutch_in(columns):
    # The engine stays where it is and the road speed falls and comes back, again and again.
    slipping = (columns["s"] > 100.0) & (columns["s"] < 130.0)
    columns["kmh"][slipping] *= 0.75 + 0.25 * np.cos(2 * np.pi * columns["s"][slipping] / 2.0)
    columns["mix"][slipping] *= 1.12


@pytest.mark.parametrize(
    ("trap", "reason", "least_s"),
    [
        (cold, "cold engine", 100.0),
        (overrun, "fuel cut", 20.0),
        (unplugged, "no lambda", 20.0),
        (clutch_in, "gear change or clutch", 15.0),
    ],
)
def test_a_trap_is_counted_by_its_reason_and_leaves_the_cells_alone(
    seen, plain, trap, reason, least_s
):
    _, _, left_out_plain, cells = plain
    _, left_out, trapped = seen(ride(change=trap))
    assert left_out.get(reason, 0.0) - left_out_plain.get(reason, 0.0) > least_s
    assert agree(trapped, cells)


def test_low_flow_at_a_tailpipe_is_no_evidence(seen):
    def thinned(columns):
        low = columns["open"] / 100.0 * columns["rpm"] < 1500.0
        columns["mix"][low] *= 1.05

    _, left_out, cells = seen(ride(change=thinned), probe="tailpipe")
    # 12 % of 3,000 and of 5,000 rpm flow like 360 and 600 rpm wide open; 22 % of 4,000 like 880.
    assert left_out["low flow at the tailpipe"] > 200.0
    assert cells == {}


def test_a_wrong_gauge_scale_shows_in_closed_loop_and_nothing_is_made_of_it(seen):
    def scaled(columns):
        columns["mix"] *= 14.7 / 14.1

    _, left_out, cells = seen(ride(closed=4.0, change=scaled))
    assert left_out["lambda in doubt"] > 300.0
    assert cells == {}


def test_a_narrowband_taken_for_wideband_is_no_evidence(seen):
    def narrow(columns):
        columns["mix"] = np.where(columns["s"] % 1.0 < 0.5, 0.42, 0.8)

    line, left_out, cells = seen(ride(change=narrow))
    assert cells == {}
    doubted = left_out.get("lambda in doubt", 0.0) + left_out.get("no lambda", 0.0)
    assert line["trouble"] or doubted > 390.0


@pytest.mark.parametrize("base_pct", [8.0, -6.0])
def test_in_closed_loop_the_trims_tell_of_the_base_map(seen, shop, base_pct):
    line, _, cells = seen(ride(closed=base_pct))
    assert line["closed_loop_s"] > 300.0
    assert cells == {}
    trims = table(shop, "SELECT * FROM out.trim_cell WHERE dwell_s >= 5")
    # Definition of a trim: what is added to the base map to hold lambda 1.
    assert trims
    for cell in trims:
        assert cell["trim_pct"] == pytest.approx(base_pct, abs=0.5)
    (line,) = table(shop, "SELECT * FROM out.fuel_change")
    assert line["trim_readings"] == len(
        table(shop, "SELECT * FROM out.trim_cell WHERE dwell_s >= 2")
    )
    if base_pct > 0:
        assert line["most_change_pct"] == pytest.approx(base_pct, abs=1.5)


@pytest.mark.parametrize(("learnt_pct", "lacking_pct"), [(0.0, 0.0), (8.0, 5.8)])
def test_what_the_ecu_has_learnt_is_lacking_in_the_map_where_it_acts_in_open_loop(
    seen, shop, learnt_pct, lacking_pct
):
    def learnt(columns):
        columns["long"][:] = learnt_pct
        columns["mix"] *= 0.98 / np.interp(columns["open"], [12.0, 22.0], [1.015, 0.97])

    _, _, cells = seen(ride(change=learnt))
    assert all(row["long_trim_pct"] == pytest.approx(learnt_pct) for row in cells.values())
    needed = [
        row["needed_pct"]
        for row in table(
            shop,
            "SELECT needed_pct FROM out.fuel_change_cell "
            "WHERE speed_rpm BETWEEN 4000 AND 4500 AND throttle_pct BETWEEN 15 AND 25",
        )
    ]
    # Without the trim 0.98 would be 0.98 * 1.08 = 1.058: 5.8 % beyond the band's edge of 1.00.
    assert needed
    assert needed == pytest.approx([lacking_pct] * len(needed), abs=1.0)


def test_trims_tell_of_the_map_without_a_wideband_too(seen, shop):
    def unseen(columns):
        columns["mix"][:] = np.nan

    text = ride(closed=6.0, change=unseen).replace("nan", "")
    line, _, cells = seen(text)
    assert (line["lambda_from"], line["trouble"]) == ("narrowband", None)
    assert cells == {}
    trims = table(shop, "SELECT trim_pct FROM out.trim_cell WHERE dwell_s >= 5")
    assert trims
    assert [cell["trim_pct"] for cell in trims] == pytest.approx([6.0] * len(trims), abs=0.5)
    (change,) = table(shop, "SELECT * FROM out.fuel_change")
    assert change["trim_readings"] >= len(trims)
    assert change["most_change_pct"] == pytest.approx(6.0, abs=1.5)


def test_the_end_of_a_gauges_scale_is_no_mixture(seen):
    def railed(columns):
        slow = columns["rpm"] < 3500
        columns["mix"][slow] = np.minimum(1.5 * columns["mix"][slow], 1.36)

    _, left_out, cells = seen(ride(change=railed))
    assert left_out["lambda in doubt"] > 60.0
    assert all(row["lambda_median"] < 1.1 for row in cells.values())
    assert (3000.0, 10.0) not in cells


@pytest.mark.parametrize(
    ("factor", "trouble", "note"),
    [(1.02, False, False), (1.06, False, True), (1.3, True, False)],
)
def test_two_probes_that_differ_are_told(shop, make, factor, trouble, note):
    rows = ride().splitlines()
    rows[0] += ",mix2"
    rows[1:] = [f"{row},{factor * float(row.split(',')[4]):.4f}" for row in rows[1:]]
    layout = LAYOUT.format(probe="header") + '[channels.lambda_wide_2]\ncolumn = "mix2"\n'
    (shop.folder.layouts / "trap-ride.toml").write_text(layout, encoding="utf-8")
    shop.put("job/ride_1.trap", "\n".join(rows) + "\n")
    stage = make.stage(pulls=[], rides=["ride_1.trap"])
    shop.put("job/card.toml", make.card(stages=[stage]))
    shop.work_out("out.ride", "out.fuel_change")
    (line,) = table(shop, "SELECT * FROM out.ride")
    assert ("differ by 30 %" in (line["trouble"] or "")) is trouble
    assert ("differ by 6 %: the leaner counts" in line["notes"]) is note


def test_a_throttle_that_reads_below_nothing_is_shut(seen):
    def low(columns):
        columns["open"] -= 12.5

    line, left_out, _ = seen(ride(change=low))
    counted = line["steady_s"] + sum(left_out.values())
    assert counted == pytest.approx(line["duration_s"], rel=0.01)


def test_pressure_makes_cells_of_its_own_with_the_same_mixture(plain):
    shop, *_ = plain
    found = {
        (row["speed_from_rpm"], row["pressure_from_pa"]): row["lambda_median"]
        for row in table(shop, "SELECT * FROM out.pressure_cell WHERE dwell_s >= 5")
    }
    # 12 and 22 % throttle stand for 42 and 52 kPa in this engine.
    assert found[3000.0, 40e3] == pytest.approx(1.03, rel=0.01)
    assert found[4000.0, 50e3] == pytest.approx(0.97, rel=0.01)


def test_heat_is_that_of_the_warm_cruise(seen, shop):
    seen(ride(change=cold))
    (heat,) = table(shop, "SELECT * FROM out.stage_heat")
    assert heat["coolant_cruise_k"] == pytest.approx(273.15 + 86.0, abs=0.01)
    assert heat["oil_cruise_k"] is None


GAS = (
    LAYOUT.split("[channels.lambda_wide]")[0]
    + """\
[channels.exhaust_co]
column = "co"
unit = "vol%"
[channels.exhaust_co2]
column = "co2"
unit = "% vol"
delay_s = 2.0
[channels.exhaust_o2]
column = "o2"
unit = "%"
[channels.exhaust_hc]
column = "hc"
unit = "ppm"
[channels.coolant_temp]
column = "water"
unit = "degC"
"""
)


@pytest.fixture
def analysed(shop, make):
    """Return a function that takes in a ride of four gases and gives its line.

    `gases` gives CO, CO2, O2 [%] and HC [ppm] for each of 2,400 steps, as they are written.
    """

    def look(gases, fuel="E5"):
        layout = GAS.replace('"open", "mix"]', '"open", "co"]')
        (shop.folder.layouts / "trap-ride.toml").write_text(layout, encoding="utf-8")
        lines = ["s,rpm,kmh,open,co,co2,o2,hc,water"]
        for step in range(2400):
            written = ",".join(gases(step))
            lines.append(f"{0.1 * step:.1f},4000,80.0,{15 + 0.01 * (step % 7):.2f},{written},86.0")
        shop.put("job/ride_1.trap", "\n".join(lines) + "\n")
        stage = make.stage(pulls=[], rides=["ride_1.trap"], fuel=fuel)
        shop.put("job/card.toml", make.card(stages=[stage]))
        shop.work_out("out.ride", "out.fuel_change")
        (line,) = table(shop, "SELECT * FROM out.ride")
        return line

    return look


def test_four_gases_stand_in_for_a_wideband(shop, analysed):
    # References: Brettschneider's balance for CO2 12.0, CO 4.0, O2 0.3 vol-%, HC 250 ppm as hexane
    # gives 0.8905 with H/C 1.73 and O/C 0.02; E0 here is CH1.85, some 0.3 % away.
    rng = np.random.default_rng(1)

    def gases(_step):
        noise = 1 + 0.01 * rng.standard_normal(4)
        return [f"{value:.4f}" for value in np.array([4.0, 12.0, 0.3, 250.0]) * noise]

    line = analysed(gases, fuel="E0")
    assert (line["lambda_from"], line["trouble"]) == ("exhaust gas", None)
    assert line["delay_s"] == 2.0
    (cell,) = table(shop, "SELECT * FROM out.cruise_cell")
    assert cell["lambda_median"] == pytest.approx(0.8905, rel=0.01)


@pytest.mark.parametrize(
    ("gases", "said"),
    [
        ({"o2": ""}, "the log lacks O2"),
        ({"co": "0.0", "co2": "0.0", "o2": "20.9"}, "hangs in free air"),
    ],
)
def test_gases_that_give_no_lambda_say_why(analysed, gases, said):
    def written(step):
        values = {"co": "4.0", "co2": "12.0", "o2": str(0.3 + 0.01 * (step % 5)), "hc": "250"}
        return (values | gases).values()

    assert said in analysed(written)["trouble"]


def test_a_zero_that_is_a_little_off_refuses_no_gas_log(shop, analysed):
    rng = np.random.default_rng(2)

    def gases(_step):
        oxygen, carbon = 0.02 * rng.standard_normal(2)
        return [f"{4.0 + carbon:.3f}", "12.0", f"{oxygen:.3f}", "250"]

    line = analysed(gases)
    assert shop.outcome("job/ride_1.trap").state == "taken in"
    assert (line["lambda_from"], line["trouble"]) == ("exhaust gas", None)
