"""Answers "what mixture will a bike show that was not run yet?"."""

import polars as pl
import streamlit as st

from dashboard import address, charts, kept_chart, pieces, why_panel
from dashboard.open_shop import open_shop
from warehouse import wording

shop = open_shop()

# Read
every = shop.ask("expected_mixtures")
if every.is_empty():
    pieces.nothing(
        "No build can be told of yet: that takes pulls with a wideband reading on bikes like it."
    )

# Choose
left, middle, right = st.columns([3, 3, 2])
models = every["model_label"].unique(maintain_order=True).to_list()
model = address.select("model", "Model", models, drops=("parts", "build"), place=left)
of_model = every.filter(pl.col("model_label") == model)
parts = address.select(
    "parts",
    "Parts fitted",
    of_model["parts_key"].unique(maintain_order=True).to_list(),
    drops=("build",),
    place=middle,
)
chosen = pieces.choose(
    "Map and fuel",
    of_model.filter(pl.col("parts_key") == parts),
    lambda row: f"{row['map_label']}, {row['fuel']}",
    ("build", "expected_id"),
    place=right,
)
expected_id = chosen["expected_id"]
speeds = shop.ask("expected_mixture_speed", expected_id=expected_id)
limits = shop.limits()

# Show
enough = chosen["enough_pct"]
box = st.success
if enough is None or enough > 0:
    box = st.warning
if max(enough or 0.0, chosen["worst_error_pct"] or 0.0) >= limits.warn_pct:
    box = st.error
box(f"## {wording.escaped(chosen['sentence'])}")
why_panel.behind(shop, "expected", expected_id)
if box is not st.success:
    pieces.cautions()
has_range = speeds["lower_pct"].is_not_null().any()
lean = (chosen["worst_from_rpm"], chosen["worst_to_rpm"])
kept_chart.draw(
    shop,
    "expected_mixture_chart",
    (expected_id,),
    lambda: charts.error_chart(
        [("expected", speeds)],
        shop.look(),
        limits,
        band="9 of 10 next bikes, at one speed" if has_range else "",
        regions=[lean] if lean[0] is not None else [],
    ),
)
st.caption(
    "Lean error at full throttle against the target, on like fuel. 19 of 20 next bikes stay below "
    "the band's upper edge at one speed; what is enough at all speeds stands above. Thin builds "
    "borrow from bikes of other models with the same parts, at the same share of the speed at "
    "peak power: "
    f"{wording.share(chosen['borrowed_share'])} of this is borrowed, from "
    f"{wording.counted(chosen['other_bikes'], 'other bike')}. An expectation is no measurement: "
    "the first pull is watched, with the gauge in sight."
    + ("" if has_range else " Too few bikes to say how far the next one may be off.")
)
cells = shop.ask("expected_mixture_cells", expected_id=expected_id)
st.subheader("Part throttle to expect", anchor=False)
if cells.is_empty():
    st.text("No bike so built was ridden with a wideband probe.")
else:
    kept_chart.draw(
        shop,
        "expected_mixture_cells",
        (expected_id,),
        lambda: charts.expected_cell_chart(cells, shop.look()),
    )
    st.caption("Lean error in % against the wanted band: 0 inside it. Point at a cell for more.")
st.subheader("The bikes behind it", anchor=False)
bikes = shop.ask("expected_mixture_bikes", expected_id=expected_id)
if bikes.is_empty():
    st.text("None of this model: all of it is from other models on the same parts.")
else:
    pieces.table(
        bikes,
        "bike_id job_id stage_name parts_label received_on level level_not_excluded "
        "worst_lean_error_pct worst_speed_rpm",
    )
    with st.expander("Their curves"):
        kept_chart.members(shop, "expected_mixture_members", bikes, as_error=True)
