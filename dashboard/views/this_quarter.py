"""Answers "what came in this quarter, what did it gain, what drifted, what came back?"."""

import polars as pl
import streamlit as st

from dashboard import charts, pieces, queries, wording
from dashboard.open_shop import open_shop

MOST_CHANGES = 12

shop = open_shop()

# Read
quarters = shop.ask(queries.quarters)["quarter_label"].to_list()
if not quarters:
    st.info("No job has been taken in yet, so there is no quarter to look at.")
    st.stop()

# Choose
quarter = st.selectbox("Quarter", quarters, key="this_quarter_quarter")
figures = shop.ask(queries.quarter_figures, quarter)

# Show
SHORT = {
    "files refused or waiting": "Refused, waiting",
    "stages lean at warn or stop": "Lean, warn or stop",
    "comebacks within 60 days": "Back in 60 days",
}
pieces.cards(
    (
        SHORT.get(figure["figure"]) or figure["figure"].capitalize(),
        wording.number(figure["figure_value"]),
        "first quarter"
        if figure["previous_value"] is None
        else f"{wording.number(figure['previous_value'])} before",
    )
    for figure in figures.iter_rows(named=True)
)
names = figures["figure"].to_list()
opened = st.pills("The list behind a figure", names, default=names[0], key="this_quarter_figure")
TITLES = {
    "job_folder": "Job folder",
    "received_on": pieces.day("Came"),
    "run_on": pieces.day("Day"),
    "job_id": "Job",
    "earlier_job_id": "Job before",
    "days_between": "Days between",
    "bike_id": "Bike",
    "model_label": "Model",
    "jobs": "Jobs",
    "stages": "Stages",
    "job_ids": "Jobs by name",
    "stage_no": "No.",
    "stage_name": "Stage",
    "map_label": "Map",
    "fuel": "Fuel",
    "parts_label": "Parts",
    "level": "Level",
    "worst_lean_error_pct": pieces.figures("Worst error [%]", 1),
    "worst_speed_rpm": pieces.figures("at [rpm]"),
    "is_near_peak_torque": "Near peak torque",
    "pull_no": "Pull",
    "is_used": "Used",
    "pulls": "Pulls",
    "pulls_used": "Pulls used",
    "peak_power_w": pieces.figures(f"Peak [{shop.settings.show.power}]", 1),
    "reference_air": "Reference air",
    "has_air_doubt": "Air in doubt",
    "duration_s": pieces.figures("Length [s]"),
    "steady_s": pieces.figures("Evidence [s]"),
    "in_band_share": pieces.figures("In band [1]", 2),
    "trouble": "Trouble",
    "notes": "Notes",
    "state": "State",
    "reason": pieces.wide("Why"),
    "remedy": pieces.wide("What to do"),
    "file_name": "File",
    "sha256_start": "SHA-256 begins",
}

if opened:
    behind = shop.ask(queries.behind_figure, quarter, opened)
    if behind.is_empty():
        st.text("Nothing stands behind it.")
    else:
        if "peak_power_w" in behind.columns:
            behind = behind.with_columns(shop.look().shown_power(pl.col("peak_power_w")))
        st.caption(wording.counted(behind.height, "row"))
        pieces.table(behind, TITLES)

st.subheader("Gains by change", anchor=False)
summary = shop.ask(queries.quarter_gains, quarter)
gains = shop.ask(queries.gains_in_quarter, quarter)
if gains.is_empty():
    st.text("No gain was measured this quarter.")
else:
    if not summary.is_empty():
        pieces.chart(
            charts.quarter_gain_chart(summary, gains, shop.look(), most=MOST_CHANGES),
            "this_quarter_gains",
        )
    unlike = gains.filter(~pl.col("is_pooled")).height
    undrawn = max(summary.height - MOST_CHANGES, 0)
    st.caption(
        f"Power at {shop.air()} reference air. "
        + (f"{wording.counted(undrawn, 'rarer change')} not drawn. " if undrawn else "")
        + f"{wording.counted(gains.height, 'gain')}, of which "
        f"{wording.number(unlike)} not like for like and left out of the means."
    )
    with st.expander("The gains, one by one"):
        pieces.table(
            gains,
            {
                "change_key": "Kind of change",
                "change_label": "What changed",
                "bike_id": "Bike",
                "job_id": "Job",
                "model_label": "Model",
                "run_on": pieces.day("Day"),
                "mean_gain_pct": pieces.figures("Gain [%]", 1, signed=True),
                "mean_gain_lower_pct": pieces.figures("from [%]", 1, signed=True),
                "mean_gain_upper_pct": pieces.figures("to [%]", 1, signed=True),
                "verdict": "Verdict",
                "is_pooled": "In the mean",
                "unlike_reason": "Not like for like",
                "pulls_before": "Pulls before",
                "pulls_after": "Pulls after",
                "stages_named": "Stages",
            },
        )

st.subheader("Maps that still miss the target", anchor=False)
missing = shop.ask(queries.maps_off_target, quarter)
if missing.is_empty():
    st.success("None of this quarter's stages on a shop map runs lean at warn or stop level.")
else:
    st.error(
        f"**{wording.counted(missing.height, 'stage')} on the shop's own maps still "
        f"{'runs' if missing.height == 1 else 'run'} lean at warn or stop level.** "
        f"{wording.CAUTIONS[0]}"
    )
    pieces.table(missing, TITLES)

st.subheader("Came back within 60 days", anchor=False)
back = shop.ask(queries.comebacks, quarter)
if back.is_empty():
    st.text("No bike came back on the build it had left with.")
else:
    pieces.table(back, TITLES)

st.subheader("Remap need, over all quarters", anchor=False)
needs = shop.ask(queries.remap_needs).head(5)
if needs.is_empty():
    st.text("Nothing can be ranked yet.")
for need in needs.iter_rows(named=True):
    st.markdown(f"{need['need_rank']}\\. {wording.escaped(need['sentence'])}")
st.page_link("views/remap_need.py", label="The whole ranking →")

st.subheader("The dyno", anchor=False)
verdicts = shop.ask(queries.dyno_verdicts)
if verdicts.is_empty():
    st.text("Nothing is known of it yet.")
for verdict in verdicts.iter_rows(named=True):
    st.markdown(
        f"**{wording.escaped(verdict['state']).capitalize()}, "
        f"{wording.escaped(verdict['subject'])}:** {wording.escaped(verdict['sentence'])}"
    )
st.page_link("views/dyno_trust.py", label="Charts and sessions →")

with st.expander("What stands behind the figures"):
    st.markdown("**Settings they were made with**")
    pieces.table(
        shop.ask(queries.shop_facts),
        {"fact": "Setting", "fact_value": "Value", "meaning": pieces.wide("Meaning", 420)},
    )
    st.markdown("**What every published column means**")
    pieces.table(
        shop.ask(queries.column_meanings),
        {
            "table_name": "Table",
            "column_name": "Column",
            "unit": "Unit",
            "meaning": pieces.wide("Meaning", 480),
        },
    )
