"""Answers "can the dyno be trusted, and how far?"."""

import polars as pl
import streamlit as st

from dashboard import charts, pieces, queries, wording
from dashboard.open_shop import open_shop

shop = open_shop()

# Read
verdicts = shop.ask(queries.dyno_verdicts)
checks = shop.ask(queries.dyno_checks)
trust = shop.ask(queries.trust)
doubtful = shop.ask(queries.doubtful_sessions)
if verdicts.is_empty() and checks.is_empty() and trust.is_empty():
    st.info(
        "Nothing is known of the dyno yet. Mark one bike `control = true` on its card and run it "
        "unchanged every week or two."
    )
    st.stop()

# Show
boxes = {"good": st.success, "watch": st.warning, "act": st.error}
words = {"good": "Good", "watch": "Watch", "act": "Act", "unknown": "Not known"}
for verdict in verdicts.iter_rows(named=True):
    boxes.get(verdict["state"], st.info)(
        f"**{words.get(verdict['state'], 'Not known')}, {wording.escaped(verdict['subject'])}:** "
        f"{wording.escaped(verdict['sentence'])}"
    )

if not trust.is_empty():
    st.subheader("What every interval rests on", anchor=False)
    used = trust.row(0, named=True)
    pieces.cards(
        (
            (
                "Pull to pull, 1 SD",
                f"{100 * used['repeatability_share']:.2f} %",
                f"{wording.number(used['repeatability_dof'])} deg. of freedom",
            ),
            (
                "Strapping down, 1 SD",
                f"{100 * used['remount_share']:.2f} %",
                wording.counted(used["remount_pairs"], "pair"),
            ),
        )
    )
    st.text(
        f"Pull to pull: {used['repeatability_origin']}. Strapping down: {used['remount_origin']}."
    )

st.subheader("The control bike over time", anchor=False)
if checks.is_empty():
    st.info(
        "No control bike has been run. Mark one bike `control = true` on its card and run it "
        "unchanged every week or two."
    )
else:
    bikes = checks["bike_id"].unique(maintain_order=True).to_list()
    bike_id = (
        st.selectbox("Control bike", bikes, key="dyno_trust_bike") if len(bikes) > 1 else bikes[0]
    )
    of_bike = checks.filter(pl.col("bike_id") == bike_id)
    pieces.chart(charts.control_chart(of_bike, shop.look()), "dyno_trust_control")
    st.caption(
        f"Mean power at {shop.air()} reference air against the reference period. A point beyond "
        "its limits is a signal: find the cause before trusting gains across that day."
    )
    signals = of_bike.filter(pl.col("signal") != "")
    with st.expander(f"{wording.counted(signals.height, 'signal')} in {of_bike.height} sessions"):
        pieces.table(
            of_bike.sort("run_on", descending=True),
            {
                "run_on": pieces.day("Day"),
                "job_id": "Job",
                "level_pct": pieces.figures("Level [%]", 2, signed=True),
                "ewma_pct": pieces.figures("Weighted average [%]", 2, signed=True),
                "signal": pieces.wide("Signal", 260),
                "has_air_doubt": "Air in doubt",
                "is_reference": "Reference",
                "air_density_kg_m3": pieces.figures("Air density [kg/m³]", 3),
            },
        )
    st.subheader("Does the air correction correct?", anchor=False)
    pieces.chart(charts.density_chart(of_bike, shop.look()), "dyno_trust_density")
    st.caption("Corrected power must not follow the air's density: the marks should lie level.")

st.subheader("Sessions with air readings in doubt", anchor=False)
if doubtful.is_empty():
    st.text("None.")
else:
    st.caption(
        f"{wording.counted(doubtful.height, 'session')}. Their gains carry the doubt with them."
    )
    pieces.table(
        doubtful,
        {
            "run_on": pieces.day("Day"),
            "job_id": "Job",
            "bike_id": "Bike",
            "model_label": "Model",
            "stage_name": "Stage",
            "factor_disagreement_pct": pieces.figures("Factors differ by up to [%]", 2),
            "notes": pieces.wide("Notes", 360),
        },
    )
