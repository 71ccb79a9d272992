"""Charts: what is drawn, its units, and whether every eye can tell the colours apart."""

import dataclasses
import itertools
import json
from datetime import date

import numpy as np
import plotly.graph_objects as go
import polars as pl
import pytest

from dashboard import charts, on_page, on_paper
from dashboard.drawing import Marks, RowName
from dashboard.look import DARK, LIGHT, Limits, Look
from dashboard.on_page import literal
from schemas.desk import Tried
from warehouse.questions import ask

LIMITS = Limits(5.0, 10.0, 15.0)
LOOK = Look()
PALETTES = [pytest.param(LIGHT, id="light"), pytest.param(DARK, id="dark")]
LINES = ("text", "muted", "before", "after", "notice", "warn", "stop", "rich", "good")


def _linear(colour: str) -> np.ndarray:
    coded = np.array([int(colour[at : at + 2], 16) for at in (1, 3, 5)]) / 255
    return np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)


# WCAG 2.1, "relative luminance" and "contrast ratio" in its glossary.
def _contrast(one: str, other: str) -> float:
    light = sorted(float(_linear(colour) @ [0.2126, 0.7152, 0.0722]) for colour in (one, other))
    return (light[1] + 0.05) / (light[0] + 0.05)


# Machado, Oliveira and Fernandes, "A physiologically-based model for simulation of color vision
# deficiency," IEEE TVCG 15(6), 2009, table of matrices at severity 1.0 (from memory).
SEEN_BY = {
    "normal": np.eye(3),
    "protanopia": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "deuteranopia": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
}


# CIE 1976 L*a*b* under D65, by way of the sRGB primaries of IEC 61966-2-1.
def _lab(linear: np.ndarray) -> np.ndarray:
    to_xyz = np.array(
        [
            [0.4124564, 0.3575761, 0.1804375],
            [0.2126729, 0.7151522, 0.0721750],
            [0.0193339, 0.1191920, 0.9503041],
        ]
    )
    relative = to_xyz @ linear / np.array([0.95047, 1.0, 1.08883])
    bent = np.where(relative > 216 / 24389, np.cbrt(relative), (24389 / 27 * relative + 16) / 116)
    return np.array([116 * bent[1] - 16, 500 * (bent[0] - bent[1]), 200 * (bent[1] - bent[2])])


def _difference(one: str, other: str, eye: str) -> float:
    first, second = (_lab(np.clip(SEEN_BY[eye] @ _linear(colour), 0, 1)) for colour in (one, other))
    return float(np.linalg.norm(first - second))


def test_contrast_of_black_on_white_is_the_published_greatest():
    # WCAG 2.1: contrast ratios range from 1:1 to 21:1.
    assert _contrast("#000000", "#FFFFFF") == pytest.approx(21.0)
    assert _contrast("#123456", "#123456") == pytest.approx(1.0)


@pytest.mark.parametrize("palette", PALETTES)
def test_text_stands_out_from_its_ground(palette):
    # WCAG 2.1, success criterion 1.4.3: 4.5 to 1 for text.
    assert _contrast(palette.text, palette.paper) >= 4.5
    assert _contrast(palette.muted, palette.paper) >= 4.5


@pytest.mark.parametrize("palette", PALETTES)
@pytest.mark.parametrize("name", LINES)
def test_lines_stand_out_from_their_ground(palette, name):
    # WCAG 2.1, success criterion 1.4.11: 3 to 1 for graphical objects.
    assert _contrast(getattr(palette, name), palette.paper) >= 3.0


@pytest.mark.parametrize("palette", PALETTES)
@pytest.mark.parametrize("eye", SEEN_BY)
@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("before", "after"),
        ("notice", "warn"),
        ("warn", "stop"),
        ("notice", "stop"),
        ("rich", "warn"),
        ("rich", "stop"),
        ("after", "stop"),
    ],
)
def test_colours_that_mean_different_things_differ_for_every_eye(palette, eye, one, other):
    # A difference of about 2.3 is only just noticed; lines need far more (common practice).
    assert _difference(getattr(palette, one), getattr(palette, other), eye) >= 15


@pytest.mark.parametrize("palette", PALETTES)
def test_levels_stand_out_more_the_worse_they_are(palette):
    contrasts = [
        _contrast(getattr(palette, name), palette.paper) for name in ("notice", "warn", "stop")
    ]
    assert contrasts == sorted(contrasts)


def test_palettes_have_the_same_names():
    assert {field.name for field in dataclasses.fields(LIGHT)} >= set(LINES)


def _titles(figure: go.Figure) -> list[str]:
    return [
        axis.title.text
        for axis in itertools.chain(figure.select_xaxes(), figure.select_yaxes())
        if axis.title.text
    ]


def _drawn(chart) -> go.Figure:
    # Plotly's own schema judges what we hand to pages as a dict.
    return go.Figure(on_page.figure(chart))


def _comparison(reader, look: Look = LOOK) -> go.Figure:
    gain = ask(reader, "gains_of_bike", bike_id="B-103").filter(
        pl.col("change_kind") == "parts only"
    )
    before, after = gain["before_stage_id"][0], gain["after_stage_id"][0]
    curves = ask(reader, "session_curves", stage_ids=[before, after])
    chart = charts.comparison_chart(
        ask(reader, "gain_curve", gain_id=gain["gain_id"][0]),
        curves.filter(pl.col("stage_id") == before),
        curves.filter(pl.col("stage_id") == after),
        ask(reader, "lean_windows", stage_ids=[after]),
        look,
        LIMITS,
        names=("before", "after"),
        power_at="at SAE J1349 reference air",
    )
    return _drawn(chart)


def _health(reader, bike_id: str, look: Look = LOOK) -> go.Figure:
    chart = charts.health_chart(
        ask(reader, "health_curve", bike_id=bike_id),
        ask(reader, "health_regions", bike_id=bike_id),
        look,
        LIMITS,
        power_at="at SAE J1349 reference air",
    )
    return _drawn(chart)


def _all_figures(reader) -> dict[str, go.Figure]:
    needs = ask(reader, "remap_needs")
    members = ask(reader, "need_members", need_id=needs["need_id"][0])
    curves = ask(reader, "session_curves", stage_ids=members["stage_id"].to_list())
    checks = ask(reader, "dyno_checks")
    cells = ask(reader, "cruise_cells", stage_id="J-0026/3")
    pooled = ask(reader, "pooled_curve", change_key="+silencer", model_id="corvane-strada-690-2016")
    made = {
        "need": charts.need_chart(needs, LOOK),
        "error": charts.member_chart(curves, members, LOOK, LIMITS, as_error=True),
        "mixture": charts.member_chart(curves, members, LOOK, LIMITS, as_error=False),
        "cells": charts.cell_chart(cells, LOOK),
        "time": charts.cell_chart(cells, LOOK, show_time=True),
        "control": charts.control_chart(checks, LOOK),
        "level": charts.level_chart(checks, ask(reader, "dyno_events"), LOOK),
        "over speed": charts.pooled_curve_chart(pooled, LOOK),
        "over its share": charts.pooled_curve_chart(
            pooled.with_columns(
                engine_speed_rpm=pl.lit(None, pl.Float64),
                peak_speed_share=pl.col("engine_speed_rpm") / 8000,
            ),
            LOOK,
        ),
        "density": charts.density_chart(checks, LOOK),
        "quarter": charts.quarter_gain_chart(
            ask(reader, "quarter_gains", quarter="2026 Q2"),
            ask(reader, "gains_in_quarter", quarter="2026 Q2"),
            LOOK,
        ),
    }
    figures = {name: _drawn(chart) for name, chart in made.items()}
    return figures | {"comparison": _comparison(reader), "health": _health(reader, "B-203")}


def test_every_axis_title_carries_its_unit(reader):
    for name, figure in _all_figures(reader).items():
        titles = _titles(figure)
        assert titles, name
        assert all(title.endswith("]") and "[" in title for title in titles), (name, titles)


def test_every_chart_draws_something(reader):
    for name, figure in _all_figures(reader).items():
        assert any(
            trace.type == "heatmap" or (trace.x is not None and len(trace.x))
            for trace in figure.data
        ), name


def test_no_chart_reaches_for_anything_outside(reader):
    for name, figure in _all_figures(reader).items():
        assert "http" not in figure.to_json(), name


def test_the_comparison_has_four_panels_on_one_speed_axis(reader):
    figure = _comparison(reader)
    assert len({trace.yaxis for trace in figure.data}) == 4
    assert len({trace.xaxis for trace in figure.data}) == 1
    speed_axes = {note.xref for note in figure.layout.shapes if note.type == "rect"}
    assert speed_axes == {figure.data[0].xaxis}


def test_the_comparison_shows_both_bands_and_the_target(reader):
    names = {trace.name for trace in _comparison(reader).data}
    assert {"95 % at each speed", "95 % for the whole curve", "target mixture"} <= names


def test_a_stop_window_is_shaded_and_named(reader):
    figure = _comparison(reader)
    assert any(shape.fillcolor == LOOK.palette.stop for shape in figure.layout.shapes)
    assert any("STOP +1" in note.text for note in figure.layout.annotations)


def _shaded(figure: go.Figure) -> list[tuple]:
    return [
        (note.yref.split(" ")[0], note.x0, note.x1, note.fillcolor)
        for note in figure.layout.shapes
        if note.type == "rect"
    ]


def test_a_low_bike_is_shaded_in_power_and_a_lean_one_in_mixture(reader):
    # The small shop calls B-203 6 % low and B-205 7 points lean, both from 8,000 to 8,800 rpm.
    low, lean = _health(reader, "B-203"), _health(reader, "B-205")
    colour = LOOK.palette.warn
    assert sorted(_shaded(low)) == [("y", 8000, 8800, colour), ("y2", 8000, 8800, colour)]
    assert _shaded(lean) == [("y3", 8000, 8800, colour)]
    assert any("−6.0 %" in note.text for note in low.layout.annotations)
    assert any("+7.0" in note.text for note in lean.layout.annotations)


def test_the_difference_from_the_siblings_is_in_percent_of_their_median(reader):
    # The small shop's siblings stand 2 % above each bike: 100 / 1.02 is 1.96 % below.
    difference = next(
        trace
        for trace in _health(reader, "B-204").data
        if trace.name == "this bike" and trace.yaxis == "y2"
    )
    assert np.allclose(difference.y, -1.960784, atol=1e-5)


def test_a_bike_without_siblings_has_its_own_curve_and_no_empty_panel(reader):
    figure = _health(reader, "B-401")
    assert {trace.yaxis for trace in figure.data} == {"y", "y2"}
    assert {trace.name for trace in figure.data} == {"this bike"}


def test_power_is_drawn_in_the_unit_the_shop_chose(reader):
    def peak(look):
        figure = _comparison(reader, look)
        return max(
            max(trace.y) for trace in figure.data if trace.yaxis == "y" and trace.fill is None
        )

    # 1 PS is 75 kgf·m/s, with g of 9.806 65 m/s²: 735.498 75 W.
    assert peak(Look(power_unit="PS")) / peak(LOOK) == pytest.approx(1000 / 735.49875)
    assert "Wheel power [PS]" in _titles(_comparison(reader, Look(power_unit="PS")))


def test_mixture_is_drawn_on_the_gauge_the_shop_chose(reader):
    look = Look(mixture="afr", afr_scale=14.7)
    assert "Mixture [AFR, 14.7 at λ 1]" in _titles(_comparison(reader, look))
    target = next(
        trace for trace in _comparison(reader, look).data if trace.name == "target mixture"
    )
    assert target.y[0] == pytest.approx(0.87 * 14.7)
    # By hand: lambda 0.88 shows 12.936 on a 14.7 scale, whatever the fuel.
    assert look.shown_mixture(0.88) == pytest.approx(12.936)


def test_a_stage_without_a_mixture_still_has_its_power_drawn(reader):
    # J-0030 was run without a wideband probe.
    curves = ask(reader, "session_curves", stage_ids=["J-0030/1"])
    windows = ask(reader, "lean_windows", stage_ids=["J-0030/1"])
    chart = charts.comparison_chart(
        pl.DataFrame(), None, curves, windows, LOOK, LIMITS, names=("", "x"), power_at=""
    )
    figure = _drawn(chart)
    assert len({trace.yaxis for trace in figure.data}) == 3
    assert len(figure.data[0].y)


def test_text_that_people_typed_is_literal_in_labels():
    assert literal("<b>x</b>") == "&lt;b&gt;x&lt;/b&gt;"
    assert "%{" not in literal("%{y}")


def test_a_control_chart_marks_signals_and_the_reference_period():
    day = [date(2025, 1, 1 + at) for at in range(4)]
    checks = pl.DataFrame(
        {
            "run_on": day,
            "level_pct": [0.0, 0.1, 0.2, 3.0],
            "level_lower_pct": [None, None, -1.0, -1.0],
            "level_upper_pct": [None, None, 1.0, 1.0],
            "signal": ["", "", "", "beyond its limits"],
            "is_reference": [True, True, False, False],
            "has_air_doubt": [False] * 4,
        }
    )
    figure = _drawn(charts.control_chart(checks, LOOK))
    signals = [trace for trace in figure.data if trace.name == "signal"]
    assert [list(trace.x) for trace in signals] == [[day[3]]]
    shaded = [shape for shape in figure.layout.shapes if shape.type == "rect"]
    assert {(shape.x0, shape.x1) for shape in shaded} == {(day[0], day[1])}


def test_a_chart_of_nothing_still_has_its_axes():
    nothing = Tried.model_construct(channels=(), curve=None)
    assert _titles(_drawn(charts.trial_chart(nothing, "ride", LOOK))) == [
        "Time [s]",
        "Engine speed [rpm]",
    ]


def test_page_and_paper_are_drawn_from_one_description(reader):
    needs = ask(reader, "remap_needs")
    chart = charts.need_chart(needs, LOOK)
    paper, page = str(on_paper.drawing(chart)), json.dumps(on_page.figure(chart), default=str)
    for name in ("sure of (lower bound)", "may be (90 % interval)", "best estimate"):
        assert name in paper
        assert name in page
    # The heavy bar of the first row ends at its lower bound on both: here by hand from the scale.
    low = 100 * needs["warn_lower_share"][0]
    left, right = 290, 680 - 12
    assert f"{left + (right - left) * (low + 1) / 102:.1f}," in paper


def test_the_lowest_bike_of_a_row_stays_above_the_name_of_the_next_row():
    """84 pixels a row, up to three lines of 15 in a name: nothing of a bike may lie in them."""
    keys = ("remap", "revision")
    summary = pl.DataFrame([
        {"change_kind": "map only", "change_key": key, "bikes": 9, "mean_gain_pct": 2.0,
         "mean_gain_lower_pct": 1.0, "mean_gain_upper_pct": 3.0, "previous_bikes": None,
         "previous_mean_gain_pct": None}
        for key in keys
    ])  # fmt: skip
    gains = pl.DataFrame([
        {"change_kind": "map only", "change_key": key, "bike_id": f"B-{at}", "job_id": f"J-{at}",
         "is_pooled": True, "mean_gain_pct": 2.0, "mean_gain_lower_pct": 1.0,
         "mean_gain_upper_pct": 3.0}
        for key in keys for at in range(9)
    ])  # fmt: skip
    items = charts.quarter_gain_chart(summary, gains, Look()).panels[0].items
    name = next(item.y for item in items if isinstance(item, RowName) and item.title == "revision")
    bikes = next(item for item in items if isinstance(item, Marks) and item.name == "each bike")
    assert min(y for y in bikes.y if y > 0.5) > name + 3 * 15 / 84
