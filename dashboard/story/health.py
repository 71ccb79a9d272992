"""Answers "is this bike sound, before any part is blamed or praised?"."""

from __future__ import annotations

from typing import Any

import polars as pl
import streamlit as st

from dashboard import charts, kept_chart, pieces, why_panel
from dashboard.story.one_job import OneJob
from warehouse import wording


def draw(one: OneJob) -> None:
    """Draw how the bike stands among its siblings."""
    bikes = one.shop.ask("healths")
    mine = bikes.filter(pl.col("bike_id") == one.bike["bike_id"]).to_dicts()
    if not mine:
        st.info(
            "This bike has no usable pull. Run each bike as it came, on the untouched map with "
            "standard parts, and put those pulls on its card as a stage of their own."
        )
    else:
        _bike(one, mine[0])
    if not bikes.is_empty():
        _all_bikes(bikes)


def _bike(one: OneJob, bike: dict[str, Any]) -> None:
    regions = one.shop.ask("health_regions", bike_id=bike["bike_id"])
    states = (bike["power_health"], bike["mixture_health"])
    advice = one.shop.advice(bike["stage_id"]) if bike["stage_id"] is not None else None
    if not bike["is_unusual"]:
        # Usual is not safe: siblings can all be lean together.
        is_lean = advice is not None and advice.is_alarm
        box = st.warning if is_lean else st.success if "not compared" not in states else st.info
    else:
        weak = regions.filter(pl.col("quantity") != "mixture", pl.col("change_pct") < 0)
        is_low = states[0] == "low" or not weak.is_empty()
        box = st.error if is_low and not bike["has_air_doubt"] else st.warning
    box(f"## {wording.escaped(bike['sentence'])}\n{wording.escaped(bike['further'])}")
    if said := wording.where_to_look(states):
        st.markdown(said)
    why_panel.behind(one.shop, "health", bike["bike_id"])
    if advice is not None:
        pieces.alarm(advice, "Full throttle on this baseline, against its target")
        _curve(one, bike, regions)
    _siblings(one, bike["bike_id"])


def _curve(one: OneJob, bike: dict[str, Any], regions: pl.DataFrame) -> None:
    as_measured = one.shop.ask("uncorrected_stages", stage_ids=[bike["stage_id"]])
    power_at = one.shop.power_at(is_corrected=as_measured.is_empty())
    pieces.cards(wording.health_figures(bike, one.shop.power(bike["peak_power_w"])))
    st.text(
        f"Baseline: {bike['job_id']}, {bike['stage_name']}, {bike['run_on']:%d %b %Y}, "
        f"{bike['fuel']}, untouched map, standard parts."
    )
    curve = one.shop.ask("health_curve", bike_id=bike["bike_id"])
    kept_chart.draw(
        one.shop,
        "health_chart",
        (bike["bike_id"],),
        lambda: charts.health_chart(
            curve, regions, one.shop.look(), one.shop.limits(), power_at=power_at
        ),
    )
    has_band = not curve["siblings"].is_null().all()
    st.caption(
        f"Power {power_at}."
        + (
            " Band: the middle half of the siblings; a quarter lie above it and a quarter below. "
            "Shaded columns: where this bike stands out; the figure in them is the mean "
            "difference, in points of lean error for the mixture. Of a hundred sound bikes up to "
            "five are called unusual in power, and up to five in mixture."
        )
        * has_band
    )


def _siblings(one: OneJob, bike_id: str) -> None:
    siblings = one.shop.ask("health_siblings", bike_id=bike_id)
    with st.expander(f"Its siblings: {siblings.height or 'none'}"):
        if siblings.is_empty():
            st.text("None.")
            return
        counted = siblings.filter("is_power_sibling").height
        st.caption(
            f"{wording.counted(siblings.height, 'other bike')} of this model with a baseline, "
            f"{wording.number(counted)} counted for power: same model and generation, fuel, gear "
            "and dyno as far as known, weather not in doubt. This bike is not among them."
        )
        pieces.table(
            siblings,
            "other_bike_id run_on peak_power_w peak_power_speed_rpm torque_weighted_error_pct "
            "is_power_sibling is_mixture_sibling left_out job_id",
            one.shop.settings,
            left_out="Left out because",
        )


def _all_bikes(bikes: pl.DataFrame) -> None:
    not_compared = pl.all_horizontal(pl.col("power_health", "mixture_health") == "not compared")
    said = wording.bikes_standing_out(
        bikes.filter("is_unusual").height, bikes.height, bikes.filter(not_compared).height
    )
    with st.expander(f"All bikes, the unusual first: {said}"):
        furthest = pl.max_horizontal(pl.col("peak_z", "shape_z", "lean_z").abs())
        pieces.table(
            bikes.sort(
                "is_unusual",
                not_compared,
                furthest,
                descending=[True, False, True],
                nulls_last=True,
                maintain_order=True,
            ),
            "bike_id model_label power_health mixture_health siblings peak_change_pct "
            "lean_change_pct run_on sentence",
            run_on="Baseline",
        )
