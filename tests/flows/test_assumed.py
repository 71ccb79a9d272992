"""What a draft assumed is marked in the layout, counts for less than a log, and is told."""

import numpy as np
import pytest
from typer.testing import CliRunner

from flows import teach
from flows.cli import app
from flows.steps.layout_gaps import layout_gaps, never_confirmed
from flows.steps.rides import MOST_DELAY_SHIFT_S
from schemas.desk import AskDraft
from schemas.layout import Layout
from schemas.layout_text import layout_text, tables_of
from schemas.toml_text import MistakesError, read_toml
from tests.flows.test_ride_traps import LAYOUT, ride
from warehouse.store import writer

DELAYED = 'probe = "header"\n'
"""The line of the ride's layout below which its delay is put in."""


def taught(delay):
    """Return the text of the ride's layout with these lines on its probe's delay."""
    return LAYOUT.format(probe="header").replace(DELAYED, DELAYED + delay)


def ridden(shop, make, text, delays_s):
    """Take rides in whose probe is late by so much, and give their lines."""
    (shop.folder.layouts / "trap-ride.toml").write_text(text, encoding="utf-8")
    names = [f"ride_{number}.trap" for number in range(len(delays_s))]
    for number, (name, delay_s) in enumerate(zip(names, delays_s, strict=True)):
        shop.put(f"job/{name}", ride(delay_s=delay_s, seed=number))
    shop.put("job/card.toml", make.card(stages=[make.stage(pulls=[], rides=names)]))
    shop.work_out("out.pull", "out.ride")
    return shop.rows("SELECT delay_s, delay_origin, delay_by_log_s, notes FROM out.ride")


def told(shop):
    with writer(shop.folder) as connection:
        return never_confirmed(connection), layout_gaps(connection)


def test_a_log_that_tells_another_delay_wins_over_an_assumed_one(shop, make):
    text = taught('delay_s = 0.1\nassumed = ["delay_s"]\n')
    ((delay_s, origin, _, notes),) = ridden(shop, make, text, [0.3])
    assert delay_s == pytest.approx(0.3, abs=0.02)
    assert origin.startswith("estimated")
    assert "delay" not in notes
    confirm, gaps = told(shop)
    assert gaps == []
    assert [c.partition(". ")[0] for c in confirm] == [
        "assumed, never confirmed: channels.lambda_wide.delay_s = 0.1 in layout 'trap-ride'"
    ]


def test_a_stated_delay_keeps_its_weight_and_what_the_log_says_is_told(shop, make):
    assert MOST_DELAY_SHIFT_S < 0.2
    lines = ridden(shop, make, taught("delay_s = 0.1\n"), [0.3])
    ((delay_s, origin, by_log_s, notes),) = lines
    assert (delay_s, origin) == (0.1, "the layout's")
    assert by_log_s == pytest.approx(0.3, abs=0.02)
    assert "the log tells a probe's delay of 0.29 s, the layout states 0.10 s" in notes
    # One log may show a chance peak: nothing is said of the layout yet.
    assert told(shop) == ([], [])


@pytest.mark.parametrize(("stated", "is_told"), [("0.1", True), ("0.12", False)])
def test_a_delay_that_older_drafts_put_in_is_told_once_rides_say_otherwise(
    shop, make, stated, is_told
):
    ridden(shop, make, taught(f"delay_s = {stated}\n"), [0.29, 0.30, 0.31])
    confirm, gaps = told(shop)
    assert gaps == []
    assert len(confirm) == is_told
    if is_told:
        assert "says delay_s = 0.1, which drafts once put in unasked, and 3 rides" in confirm[0]


def test_rides_that_agree_with_the_stated_delay_say_nothing_of_it(shop, make):
    ridden(shop, make, taught("delay_s = 0.1\n"), [0.09, 0.10, 0.12])
    assert told(shop) == ([], [])


def test_where_no_log_tells_the_assumed_delay_stays_and_is_said(shop, make):
    def held(columns):
        columns["open"] = np.full(columns["s"].size, 20.0)
        columns["mix"] = 0.95 + 0.004 * np.random.default_rng(4).standard_normal(columns["s"].size)

    text = taught('delay_s = 0.1\nassumed = ["delay_s"]\n')
    (shop.folder.layouts / "trap-ride.toml").write_text(text, encoding="utf-8")
    shop.put("job/ride_1.trap", ride(change=held))
    shop.put("job/card.toml", make.card(stages=[make.stage(pulls=[], rides=["ride_1.trap"])]))
    shop.work_out("out.pull", "out.ride")
    ((delay_s, origin, notes),) = shop.rows("SELECT delay_s, delay_origin, notes FROM out.ride")
    assert (delay_s, origin) == (0.1, "assumed in the layout")
    assert "nobody stated the probe's delay and no log tells it: 0.10 s assumed" in notes


def pulls_layout(shop, equipment, delay):
    path = shop.folder.layouts / "plain-pull.toml"
    text = path.read_text(encoding="utf-8").replace('"odd dyno"', f'"{equipment}"')
    text = text.replace('probe = "collector"\ndelay_s = 0.0\n', f'probe = "header"\n{delay}')
    path.write_text(text, encoding="utf-8")


@pytest.mark.parametrize(
    ("delay", "said", "taken_s"),
    [("", "none taken out", None),
     ('delay_s = 0.1\nassumed = ["delay_s"]\n', "0.10 s assumed", 0.1),
     ("delay_s = 0.1\n", "", 0.1)],
)  # fmt: skip
def test_a_pull_without_rides_says_whose_its_probes_delay_is(shop, delay, said, taken_s):
    pulls_layout(shop, "odd dyno", delay)
    shop.job(1)
    shop.work_out("out.pull", "out.ride")
    for probe_delay_s, notes in shop.rows("SELECT probe_delay_s, notes FROM out.pull"):
        assert probe_delay_s == taken_s
        assert said in notes
        assert ("nobody stated" in notes) == bool(said)


def test_rides_of_the_same_probe_tell_a_pulls_delay_where_nobody_stated_it(shop, make):
    pulls_layout(shop, "trap logger", 'delay_s = 0.1\nassumed = ["delay_s"]\n')
    shop.job(2, bike="B-2")
    ridden(shop, make, taught(""), [0.3])
    found = shop.rows("SELECT probe_delay_s, notes FROM out.pull")
    assert len(found) == 4
    for delay_s, notes in found:
        # A step of 0.02 s and the estimate's own error.
        assert delay_s == pytest.approx(0.3, abs=0.03)
        assert "as rides with the same equipment tell it" in notes


@pytest.mark.parametrize(("delay", "off_rpm"), [("", 0.0), ("delay_s = 0.1\n", 200.0)])
def test_a_lean_spot_stands_where_the_engine_had_it_once_rides_tell_the_delay(
    shop, make, delay, off_rpm
):
    # The pull gains 1,000 rpm a second, so that 0.3 s are 300 rpm; 0.1 s stated leave 200 of them.
    def late(speed):
        return 0.87 + 0.06 * np.exp(-(((speed - 300.0 - 5500.0) / 300.0) ** 2))

    pulls_layout(shop, "trap logger", delay)
    shop.put("late/pull_1.csv", make.pull(mixture=late))
    shop.put("late/card.toml", make.card(job="J-2", bike="B-2"))
    ridden(shop, make, taught(""), [0.3])
    curve = shop.rows("SELECT engine_speed_rpm, lambda_wide FROM out.pull_curve")
    leanest = max((lean, speed) for speed, lean in curve if lean is not None)[1]
    # Half a step of the grid, and half of one of the delay with the estimate's own error.
    assert leanest == pytest.approx(5500.0 + off_rpm, abs=50.0)


def test_rides_of_another_probe_tell_nothing_of_a_pulls_delay(shop, make):
    pulls_layout(shop, "trap logger", "")
    ridden(shop, make, taught("").replace('"header"', '"tailpipe"'), [0.3])
    shop.job(2, bike="B-2")
    shop.work_out("out.pull", "out.ride")
    assert {delay_s for (delay_s,) in shop.rows("SELECT probe_delay_s FROM out.pull")} == {None}


def test_a_layout_cannot_call_assumed_what_it_does_not_say():
    for wrong in ("delay_s", "delay", "column"):
        with pytest.raises(MistakesError, match=f"assumed names '{wrong}'"):
            read_toml(taught(f'assumed = ["{wrong}"]\n'), Layout, "x")


def test_a_mark_survives_being_written_and_changes_what_files_are_read_with():
    marked = read_toml(taught('delay_s = 0.1\nassumed = ["delay_s"]\n'), Layout, "x")
    plain = read_toml(taught("delay_s = 0.1\n"), Layout, "x")
    assert read_toml(layout_text(marked), Layout, "x") == marked
    assert marked.assumptions == {"channels.lambda_wide.delay_s": 0.1}
    assert plain.assumptions == {}
    assert marked.fingerprint != plain.fingerprint
    assert "assumed" not in layout_text(plain)
    assert "nobody said so" in layout_text(marked)


DRAFTED = """\
Pressure: 978
Room: 22 degC
Correction factor: 1.021
time [s],rpm,power,torque,AFR
"""


def test_a_draft_marks_what_nobody_said(tmp_path):
    path = tmp_path / "pull.csv"
    rows = [
        f"{0.05 * n:.2f},{3000 + 50 * n},{(20 + 0.3 * n):.3f},"
        f"{(20 + 0.3 * n) * 9549.3 / (3000 + 50 * n):.3f},{12.8 + 0.2 * np.sin(n / 9):.3f}"
        for n in range(100)
    ]
    path.write_text(DRAFTED + "\n".join(rows) + "\n", encoding="utf-8")
    made = teach.drafted(AskDraft(file=path))
    layout = read_toml(made.toml, Layout, "draft")
    assert {path.rpartition("channels.")[2] for path in layout.assumptions} >= {
        "lambda_wide.probe", "lambda_wide.gauge_scale", "wheel_torque.shaft",
        "power.state", "power.standard", "metadata.fields.ambient_pressure.unit",
    }  # fmt: skip
    assert not [p for p in layout.assumptions if "ambient_temp" in p or "delay" in p]
    assert tables_of(layout)["channels"] == made.tables["channels"] | {
        word: {k: v for k, v in channel.items() if (k, v) != ("unit", "1")}
        for word, channel in made.tables["channels"].items()
    }


def test_check_says_what_was_never_confirmed_and_is_no_failure(shop, make):
    text = taught('assumed = ["probe"]\n')
    (shop.folder.layouts / "trap-ride.toml").write_text(text, encoding="utf-8")
    shop.put("job/ride_1.trap", ride())
    shop.put("job/card.toml", make.card(stages=[make.stage(pulls=[], rides=["ride_1.trap"])]))
    shop.update()
    done = CliRunner().invoke(app, ["check", str(shop.folder.root)])
    said = " ".join(done.output.split())
    assert done.exit_code == 0, said
    assert "assumed, never confirmed: channels.lambda_wide.probe = 'header' in layout" in said
    assert "All is well" not in said
