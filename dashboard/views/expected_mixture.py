"""Answers "what mixture will a bike show that was not run yet?"."""

import streamlit as st

from dashboard import charts, mixture_charts, pieces, queries, wording
from dashboard.open_shop import open_shop

shop = open_shop()

# Read
every = shop.ask(queries.expected_mixtures)
if every.is_empty():
    st.info(
        "No build can be told of yet: that takes pulls with a wideband reading on bikes like it."
    )
    st.stop()

# Choose
left, middle, right = st.columns([3, 3, 2])
models = every["model_label"].unique(maintain_order=True).to_list()
model = left.selectbox("Model", models, key="expected_mixture_model")
of_model = every.filter(every["model_label"] == model)
parts = middle.selectbox(
    "Parts fitted",
    of_model["parts_key"].unique(maintain_order=True).to_list(),
    key=f"expected_mixture_parts_{models.index(model)}",
)
of_parts = of_model.filter(of_model["parts_key"] == parts)
label = right.selectbox(
    "Map",
    of_parts["map_label"].to_list(),
    key=f"expected_mixture_map_{models.index(model)}_{parts}",
)
chosen = of_parts.filter(of_parts["map_label"] == label).row(0, named=True)
expected_id = chosen["expected_id"]
speeds = shop.ask(queries.expected_mixture_speed, expected_id)
limits = shop.limits()

# Show
upper = chosen["worst_upper_pct"]
worst = max(filter(None, (upper, chosen["worst_error_pct"])), default=0.0)
box = st.error if worst >= limits.warn_pct else st.warning if worst else st.success
box(f"## {wording.escaped(chosen['sentence'])}")
if worst:
    st.markdown(" ".join(wording.CAUTIONS[:2]))
has_range = speeds["lower_pct"].is_not_null().any()
pieces.chart(
    mixture_charts.error_chart(
        [("expected", speeds)],
        shop.look(),
        limits,
        band="19 of 20 next bikes" if has_range else "",
        regions=[(chosen["worst_from_rpm"], chosen["worst_to_rpm"])]
        if chosen["worst_from_rpm"] is not None
        else [],
    ),
    "expected_mixture_chart",
)
st.caption(
    "Lean error at full throttle against the target. Thin builds borrow from bikes of other models "
    "with the same parts, at the same share of the speed at peak power: "
    f"{100 * chosen['borrowed_share']:.0f} % of this is borrowed, from "
    f"{wording.counted(chosen['other_bikes'], 'other bike')}. An expectation is no measurement: "
    "the first pull is watched, with the gauge in sight."
    + ("" if has_range else " Too few bikes to say how far the next one may be off.")
)
cells = shop.ask(queries.expected_mixture_cells, expected_id)
st.subheader("Part throttle to expect", anchor=False)
if cells.is_empty():
    st.text("No bike so built was ridden with a wideband probe.")
else:
    pieces.chart(mixture_charts.expected_cell_chart(cells, shop.look()), "expected_mixture_cells")
    st.caption("Lean error in % against the wanted band: 0 inside it. Point at a cell for more.")
st.subheader("The bikes behind it", anchor=False)
bikes = shop.ask(queries.expected_mixture_bikes, expected_id)
if bikes.is_empty():
    st.text("None of this model: all of it is from other models on the same parts.")
else:
    pieces.table(
        bikes,
        {
            "bike_id": "Bike",
            "job_id": "Job",
            "stage_name": "Stage",
            "parts_label": pieces.wide("Parts"),
            "received_on": pieces.day("Came"),
            "level": "Level",
            "worst_lean_error_pct": pieces.figures("Worst error [%]", 1, signed=True),
            "worst_speed_rpm": pieces.figures("at [rpm]"),
        },
    )
    curves = shop.ask(queries.session_curves, tuple(bikes["stage_id"]))
    with st.expander("Their curves"):
        pieces.chart(
            charts.member_chart(curves, bikes, shop.look(), limits), "expected_mixture_members"
        )
