"""Answers "which map revisions still miss their target, where, and did the last one help?"."""

import polars as pl
import streamlit as st

from dashboard import charts, mixture_charts, pieces, queries, wording
from dashboard.open_shop import open_shop

shop = open_shop()

# Read
every = shop.ask(queries.map_revisions)
if every.is_empty():
    st.info("No map can be judged yet: that takes pulls with a wideband reading.")
    st.stop()

# Choose
which = st.segmented_control(
    "Maps",
    ("Newest revisions", "All revisions", "Untouched maps"),
    default="Newest revisions",
    required=True,
    key="map_revisions_which",
)
is_stock = pl.col("map_name") == "stock"
maps = every.filter(
    {
        "Newest revisions": ~is_stock & pl.col("is_newest"),
        "All revisions": ~is_stock,
        "Untouched maps": is_stock,
    }[which]
)
if maps.is_empty():
    st.info("No bike with a wideband reading carries such a map yet.")
    st.stop()

# Show
missing = maps.filter("is_missing")
counted = wording.counted(maps.height, "map")
if missing.is_empty():
    st.success(f"## None of {counted} misses its target.")
else:
    st.warning(
        f"## {wording.number(missing.height)} of {counted} still "
        f"{'misses' if missing.height == 1 else 'miss'} the target\n"
        + "\n".join(f"- {wording.escaped(said)}" for said in missing["sentence"].head(5))
    )
limits = shop.limits()
st.caption(
    f"A map misses where the mean over the bikes that carry it is {limits.notice_pct:g} % off its "
    "full-throttle target or more, or where half of them are lean to warn level. Of each bike its "
    "latest stage counts. Those furthest off come first"
    + (", the newest revisions before replaced ones." if which == "All revisions" else ".")
)
pieces.table(
    maps,
    {
        "named": pieces.wide("Parts" if which == "Untouched maps" else "Map", 170),
        "most_error_pct": pieces.figures("Worst, mean of bikes [%]", 1),
        "side": "Side",
        "worst_speed_rpm": pieces.figures("at [rpm]"),
        "bikes_missing": "Bikes off there",
        "bikes": "of",
        "lean_bikes": "Lean to warn level",
        "model_label": pieces.wide("Model", 220),
        "mean_size_pct": pieces.figures("Mean size of error [%]", 1),
        "torque_weighted_error_pct": pieces.figures("Mean error by torque [%]", 1, signed=True),
        "cruise_size_pct": pieces.figures("Part throttle, size [%]", 1),
        "cruise_bikes": "Bikes ridden",
        "size_change_pct": pieces.figures("Since the one before [points]", 1, signed=True),
        "size_change_lower_pct": pieces.figures("95 % from", 1, signed=True),
        "size_change_upper_pct": pieces.figures("to", 1, signed=True),
        "parts_seen": pieces.wide("Parts it was seen on"),
    },
)

st.subheader("Open one map", anchor=False)
place = st.selectbox(
    "Map",
    range(maps.height),
    format_func=lambda at: (
        f"{maps['model_label'][at]}, {maps['named'][at]}: "
        f"{wording.counted(maps['bikes'][at], 'bike')}"
        + (", misses" if maps["is_missing"][at] else "")
    ),
    key=f"map_revisions_open_{which}",
)
chosen = maps.row(place, named=True)
st.markdown(f"#### {wording.escaped(chosen['sentence'])}")
speeds = shop.ask(queries.map_revision_speed, chosen["map_id"])
before = every.filter(
    (pl.col("model_id") == chosen["model_id"])
    & (pl.col("map_name") == chosen["map_name"])
    & (pl.col("map_revision") == pl.lit(chosen["map_from"], pl.Int64))
)
lines = [
    (f"r{row['map_revision']}", shop.ask(queries.map_revision_speed, row["map_id"]))
    for row in before.iter_rows(named=True)
]
regions = shop.ask(queries.map_revision_regions, chosen["map_id"])
pieces.chart(
    mixture_charts.error_chart(
        [*lines, (chosen["map_label"], speeds)],
        shop.look(),
        limits,
        band="95 % of the mean" if speeds["lower_pct"].is_not_null().any() else "",
        regions=list(regions.select("from_rpm", "to_rpm").iter_rows()),
    ),
    "map_revisions_chart",
)
st.caption("Mean over the bikes. Shaded: where it misses. Dashed: the revision it was made from.")
bikes = shop.ask(queries.map_revision_bikes, chosen["map_id"])
pieces.table(
    bikes,
    {
        "bike_id": "Bike",
        "job_id": "Job",
        "stage_name": "Stage",
        "parts_key": pieces.wide("Parts", 220),
        "received_on": pieces.day("Came"),
        "level": "Level",
        "worst_lean_error_pct": pieces.figures("Worst error [%]", 1, signed=True),
        "worst_speed_rpm": pieces.figures("at [rpm]"),
    },
)
with st.expander("Their curves"):
    curves = shop.ask(queries.session_curves, tuple(bikes["stage_id"]))
    pieces.chart(charts.member_chart(curves, bikes, shop.look(), limits), "map_revisions_members")
