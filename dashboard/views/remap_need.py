"""Answers "which combinations of parts and map leave a model in need of a remap?"."""

import polars as pl
import streamlit as st

from dashboard import charts, pieces, queries, wording
from dashboard.open_shop import open_shop

shop = open_shop()

# Read
every = shop.ask(queries.remap_needs)
if every.is_empty():
    st.info(
        "No combination can be ranked yet: that takes a stage with a wideband reading at full "
        "throttle."
    )
    st.stop()

# Choose
which = st.segmented_control(
    "Map",
    ("Untouched map", "Shop maps", "All maps"),
    default="Untouched map",
    required=True,
    key="remap_need_map",
)
needs = {
    "Untouched map": every.filter(pl.col("is_stock_map")),
    "Shop maps": every.filter(~pl.col("is_stock_map")),
    "All maps": every,
}[which]
if needs.is_empty():
    st.info("No combination on such a map has a wideband reading at full throttle yet.")
    st.stop()

# Show
st.markdown(f"#### {wording.escaped(needs['sentence'][0])}")
pieces.chart(charts.need_chart(needs, shop.look()), "remap_need_chart")
st.caption(
    "Ranked by what is sure, the heavy bar: one odd bike does not top the list. Warn level here "
    f"is {shop.settings.mixture.warn_pct:g} % lean or more, held over a range of speed."
)
with st.expander(f"The whole ranking: {wording.counted(needs.height, 'combination')}"):
    pieces.table(
        needs.with_columns(pl.col("^(warn|cruise_out)_.*share$") * 100),
        {
            "need_rank": "Rank",
            "model_label": "Model",
            "parts_label": "Parts",
            "map_label": "Map",
            "bikes": "Bikes",
            "lean_bikes": "Bikes lean",
            "warn_lower_share": pieces.figures("Chance, at least [%]"),
            "warn_share": pieces.figures("Chance [%]"),
            "warn_upper_share": pieces.figures("Chance, at most [%]"),
            "worst_error_pct": pieces.figures("Worst error [%]", 1),
            "worst_error_lower_pct": pieces.figures("from [%]", 1),
            "worst_error_upper_pct": pieces.figures("to [%]", 1),
            "given_back_pct": pieces.figures("Remap gave back [%]", 1),
            "given_back_lower_pct": pieces.figures("at least [%]", 1),
            "given_back_upper_pct": pieces.figures("at most [%]", 1),
            "given_back_bikes": "Bikes remapped",
            "cruise_out_share": pieces.figures("Cruise out of band [%]"),
            "cruise_bikes": "Bikes ridden",
        },
    )

st.subheader("Open one combination", anchor=False)
place = st.selectbox(
    "Combination",
    range(needs.height),
    format_func=lambda at: (
        f"{needs['need_rank'][at]}. {needs['model_label'][at]}, {needs['parts_label'][at]}, "
        f"{needs['map_label'][at]} map"
    ),
    key="remap_need_open",
)
need = needs.row(place, named=True)
if place:
    st.markdown(f"#### {wording.escaped(need['sentence'])}")
speeds = (
    "–"
    if need["worst_speed_from_rpm"] is None
    else f"{wording.number(need['worst_speed_from_rpm'])} to "
    f"{wording.number(need['worst_speed_to_rpm'])} rpm"
)
gave_back = wording.between(need["given_back_lower_pct"], need["given_back_upper_pct"])
worst = wording.between(need["worst_error_lower_pct"], need["worst_error_upper_pct"])
pieces.cards(
    (
        ("Lean at warn level", f"{need['lean_bikes']} of {need['bikes']}", "bikes, each once"),
        (
            "Chance, next bike",
            f"{100 * need['warn_share']:.0f} %",
            f"{100 * need['warn_lower_share']:.0f} to {100 * need['warn_upper_share']:.0f} %",
        ),
        ("Worst lean error", f"{wording.number(need['worst_error_pct'], 1)} %", f"{worst} %"),
        (
            "Leanest at",
            speeds.split(" to ")[0],
            "" if speeds == "–" else f"to {speeds.split(' to ')[1]}",
        ),
        (
            "Remap gave back",
            f"{wording.number(need['given_back_pct'], 1, signed=True)} %",
            f"{gave_back} %" if need["given_back_pct"] is not None else "not measured",
        ),
        (
            "Cruise off band",
            "–" if need["cruise_out_share"] is None else f"{100 * need['cruise_out_share']:.0f} %",
            f"{wording.counted(need['cruise_bikes'], 'bike')} ridden",
        ),
    )
)
st.caption(
    "The worst lean error is what to expect of such a bike: one wild reading is drawn towards the "
    f"others. Power given back: over the riding range at {shop.air()} reference air, from "
    f"{wording.counted(need['given_back_bikes'], 'bike')}."
)

members = shop.ask(queries.need_members, need["need_id"])
seen_as = st.segmented_control(
    "Mixture of its stages as",
    ("Lean error", "Mixture"),
    default="Lean error",
    required=True,
    key="remap_need_shown",
)
pieces.chart(
    charts.member_chart(
        shop.ask(queries.session_curves, tuple(members["stage_id"].to_list())),
        members,
        shop.look(),
        shop.limits(),
        as_error=seen_as == "Lean error",
    ),
    "remap_need_members",
)
st.caption("Positive is lean: the fuel increase that would meet the target.")
pieces.table(
    members,
    {
        "bike_id": "Bike",
        "job_id": "Job",
        "stage_name": "Stage",
        "received_on": pieces.day("Came"),
        "level": "Level",
        "worst_lean_error_pct": pieces.figures("Worst error [%]", 1),
        "worst_speed_rpm": pieces.figures("at [rpm]"),
    },
)

if not members.is_empty():
    leanest = members.row(0, named=True)
    st.page_link(
        "views/before_and_after.py",
        label=f"Curves and pulls of the leanest: {wording.escaped(leanest['bike_id'])}, "
        f"{wording.escaped(leanest['job_id'])} →",
        query_params={"bike": leanest["bike_id"], "stage": leanest["stage_id"]},
    )

st.subheader("What to quote for the next bike", anchor=False)
effects = shop.ask(queries.need_effects, need["need_id"])
if effects.is_empty():
    st.text("No gain to or from this combination was measured like for like yet.")
for leads_on, title in ((True, "Going on from here"), (False, "Getting here")):
    part = effects.filter(pl.col("leads_on") == leads_on)
    if part.is_empty():
        continue
    st.markdown(f"**{title}**")
    for effect in part.iter_rows(named=True):
        st.text(f"{effect['change_key']} ({effect['figure']}): {effect['sentence']}")
if not effects.is_empty():
    st.caption(
        f"Power at {shop.air()} reference air. Quote the range for the next bike, not the mean."
    )
