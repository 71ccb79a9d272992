"""Answers "what does the fuel map need, cell by cell, and did the last change help?"."""

import json
from statistics import median

import polars as pl
import streamlit as st

from dashboard import charts, pieces
from dashboard.file_names import safe_name
from dashboard.open_shop import open_shop
from warehouse import wording
from warehouse.fuel_table import fuel_csv

SHOWN = {"Change to enter": "enter", "How sure": "need", "Told by evidence": "evidence"}

shop = open_shop()

# Read
changes = shop.ask("fuel_changes")
if changes.is_empty():
    pieces.nothing(
        "No stage has a mixture reading yet: that takes a pull or a ride with a wideband probe."
    )

# Choose
only_entered = st.toggle(
    "Only stages on which a suggestion was entered",
    key="fuel_change_entered",
    help="Whether a suggestion helped is told on the stage after it.",
)
if only_entered:
    record = shop.ask("suggestions_entered")
    if record.is_empty():
        pieces.nothing("No card says yet that a suggestion was entered.")
    changes = changes.join(record, on="stage_id", how="semi", maintain_order="left")
    told = record["removed_share"].drop_nulls().to_list()
    if told:
        st.caption(
            f"Entered suggestions removed {wording.share(median(told))} of the error (median of "
            f"{wording.counted(len(told), 'stage')} on "
            f"{wording.counted(record['bike_id'].n_unique(), 'bike')})."
        )
change = pieces.choose(
    "Bike, job and stage (type to search; the latest comes first)",
    changes,
    lambda row: (
        f"{row['stage_id']} {row['stage_name']} · {row['bike_id']} · {row['map_label']} map · "
        f"{row['model_label']}"
    ),
    f"fuel_change_stage_{only_entered}",
    ("stage", "stage_id"),
)
stage_id = change["stage_id"]
table = shop.fuel_table(stage_id)
cells = shop.ask("fuel_change_cells", stage_id=stage_id)
checks = shop.ask("fuel_change_checks", stage_id=stage_id)

# Show: whether it is safe to pull comes before any figure to enter.
pieces.alarm(shop.advice(stage_id), "Full throttle, against its target")
if table.later:
    st.info(wording.escaped(table.later))
st.markdown(f"### {wording.escaped(change['sentence'])}")
st.text(wording.evidence_sentence(change))
if change["round_note"]:
    st.warning(wording.escaped(change["round_note"]))
for sentence in checks.filter(pl.col("stage_id") == stage_id)["sentence"]:
    st.markdown(f"**{wording.escaped(sentence)}**")

if cells.is_empty():
    st.warning("Nothing was seen well enough for a change: ride and pull longer on this map.")
else:
    show = SHOWN[pieces.switch("Show", list(SHOWN), "fuel_change_show")]
    drawn = charts.fuel_change_chart(
        cells,
        json.loads(change["throttle_axis"]),
        json.loads(change["speed_axis"]),
        shop.look(),
        seams=table.seams,
        show=show,
    )
    pieces.chart(drawn, "fuel_change_chart")
    st.caption(wording.fuel_change_caption(show, change["axes_origin"], table.limits))
    st.warning(
        f"**{wording.CAUTIONS[5]}** Nothing here writes to a control unit. After entering it, pull "
        "with the gauge in sight: a lean full-throttle mixture can destroy an engine in one pull."
    )
    with st.expander("The same as a grid that scrolls, for a small screen"):
        throttles = list(reversed(table.throttle_pct))
        columns = {
            f"{speed:,.0f} rpm": [table.written(throttle, speed) for throttle in throttles]
            for speed in table.seen_speeds_rpm
        }
        names = {"Throttle [%]": [f"{throttle:g}" for throttle in throttles]}
        pieces.grid(pl.DataFrame(names | columns), "Throttle [%]")
    with st.expander("The same as a list, the greatest change first"):
        pieces.table(
            cells.sort(pl.col("suggested_pct").abs(), descending=True).with_columns(
                pl.col("held_by").replace(wording.HELD_BY)
            )
        )
    left, right = st.columns(2)
    for column, as_list, label in (
        (left, False, "The grid as CSV, to type in"),
        (right, True, "The list as CSV, with its evidence"),
    ):
        kind = "list" if as_list else "grid"
        column.download_button(
            label,
            fuel_csv(table, shop.snapshot.number, as_list=as_list),
            file_name=safe_name(f"fuel-change {kind} {stage_id.replace('/', ' stage ')}.csv"),
            mime="text/csv",
            key=f"fuel_change_{kind}",
        )

st.subheader("What each change of this job's map removed", anchor=False)
if checks.is_empty():
    st.text("No map was changed in this job with parts and fuel left alone and places seen twice.")
else:
    pieces.table(
        checks, "before_name after_name is_suggestion places before_error_pct after_error_pct "
        "came_share",
    )  # fmt: skip
for name, sentence in checks.select("after_name", "sentence").iter_rows():
    st.markdown(f"**{wording.escaped(name)}:** {wording.escaped(sentence)}")

st.subheader("Part throttle, from rides", anchor=False)
rides = shop.ask("stage_cruise", stage_id=stage_id).to_dicts()
throttle_cells = shop.ask("cruise_cells", stage_id=stage_id)
pressure_cells = shop.ask("pressure_cells", stage_id=stage_id)
if throttle_cells.is_empty():
    st.text("No ride of this stage has steady samples with a wideband reading.")
else:
    if rides and rides[0]["covered_share"] is not None:
        st.caption(wording.coverage_sentence(rides[0]))
    by_pressure = pressure_cells.height > 0 and (
        pieces.switch("Over", ("Throttle", "Manifold pressure"), "fuel_change_axis") != "Throttle"
    )
    shown = pressure_cells if by_pressure else throttle_cells
    drawn = charts.cell_chart(shown, shop.look(), by_pressure=by_pressure)
    pieces.chart(drawn, "fuel_change_cells")
    st.caption(
        "Lean error in % against the wanted band, which goes from the cruise band to the "
        "full-throttle target between 40 and 85 % throttle: 0 inside it. In brackets: seen for "
        "under 3 s. c: closed loop, where the trims tell of the map. "
        + wording.cells_sentence(shown.to_dicts())
    )
trims = shop.ask("trim_cells", stage_id=stage_id)
if trims.height:
    st.markdown(
        "**Trims in closed loop:** there the mixture is right by itself; what the ECU adds is what "
        "the base map lacks."
    )
    st.caption("Those seen for under 2 s have no say in the suggestion.")
    pieces.table(trims)

moves = shop.ask("transients", stage_id=stage_id)
if moves.height:
    st.subheader("Quick throttle movements", anchor=False)
    st.text(wording.movements_sentence(rides[0]))
    with st.expander("All movements, also those that could not be judged"):
        pieces.table(moves)

heat = shop.ask("heat_of_job", job_id=change["job_id"])
if heat.height:
    st.subheader("Heat, stage by stage", anchor=False)
    logged = [name for name in heat.columns if heat[name].null_count() < heat.height]
    pieces.table(heat.select(logged))
    st.caption("Medians over steady, warm cruising. Weather and load differ between days.")
