"""Answers "what does the fuel map need, cell by cell, and did the last change help?"."""

import json
from statistics import median

import polars as pl
import streamlit as st

from dashboard import charts, mixture_charts, pieces, queries, wording
from dashboard.file_names import safe_name
from dashboard.open_shop import open_shop
from warehouse.fuel_table import HELD_BY, fuel_csv

SHOWN = {"Change to enter": "enter", "How sure": "need", "Told by evidence": "evidence"}

shop = open_shop()

# Read
changes = shop.ask(queries.fuel_changes)
if changes.is_empty():
    st.info(
        "No stage has a mixture reading yet: that takes a pull or a ride with a wideband probe."
    )
    st.stop()

# Choose
only_entered = st.toggle(
    "Only stages on which a suggestion was entered",
    key="fuel_change_entered",
    help="Whether a suggestion helped is told on the stage after it.",
)
record = shop.ask(queries.suggestions_entered)
if only_entered:
    if record.is_empty():
        st.info("No card says yet that a suggestion was entered.")
        st.stop()
    changes = changes.filter(pl.col("stage_id").is_in(record["stage_id"].to_list()))
    told = record["removed_share"].drop_nulls().to_list()
    if told:
        st.caption(
            f"Entered suggestions removed {100 * median(told):.0f} % of the error (median of "
            f"{wording.counted(len(told), 'stage')} on "
            f"{wording.counted(record['bike_id'].n_unique(), 'bike')})."
        )
ids = changes["stage_id"].to_list()
asked = st.query_params.get("stage")
place = st.selectbox(
    "Bike, job and stage (type to search; the latest comes first)",
    range(changes.height),
    index=ids.index(asked) if asked in ids else 0,
    format_func=lambda at: (
        f"{changes['stage_id'][at]} {changes['stage_name'][at]} · {changes['bike_id'][at]} · "
        f"{changes['map_label'][at]} map · {changes['model_label'][at]}"
    ),
    key=f"fuel_change_stage_{only_entered}",
)
change = changes.row(place, named=True)
stage_id = change["stage_id"]
table = shop.fuel_table(stage_id)
cells = shop.ask(queries.fuel_change_cells, stage_id)
mixture = shop.ask(queries.stage_mixtures, (stage_id,))
cruise = shop.ask(queries.stage_cruise, stage_id)

# Show: whether it is safe to pull comes before any figure to enter.
advice = wording.advice(mixture.row(0, named=True) if mixture.height else None)
if advice.level in ("stop", "warn"):
    st.error(f"## {advice.headline}\n{advice.what_to_do}")
    st.markdown(" ".join(wording.CAUTIONS[:2]))
else:
    st.caption(f"Full throttle, against its target: {advice.headline}.")
if table.later:
    st.info(wording.escaped(table.later))
st.markdown(f"### {wording.escaped(change['sentence'])}")
st.text(wording.evidence_sentence(change))
if change["round_note"]:
    st.warning(wording.escaped(change["round_note"]))
for check in shop.ask(queries.fuel_change_checks, change["job_id"]).iter_rows(named=True):
    if check["stage_id"] == stage_id:
        st.markdown(f"**{wording.escaped(check['sentence'])}**")

if cells.is_empty():
    st.warning("Nothing was seen well enough for a change: ride and pull longer on this map.")
else:
    drawn = st.segmented_control(
        "Show", list(SHOWN), default="Change to enter", required=True, key="fuel_change_show"
    )
    pieces.chart(
        mixture_charts.fuel_change_chart(
            cells,
            json.loads(change["throttle_axis"]),
            json.loads(change["speed_axis"]),
            shop.look(),
            seams=table.seams,
            show=SHOWN[drawn],
        ),
        "fuel_change_chart",
    )
    st.caption(
        {
            "Change to enter": "Fuel to add in % of the cell, on "
            f"{change['axes_origin']} breakpoints"
            + (
                " (your map's own go into rollbook.toml, see the example there)"
                if change["axes_origin"] == "standard"
                else ""
            )
            + f". A star: a limit holds it. {table.limits} A question mark: not seen; half of what "
            "is added beside it, so that the engine meets no cliff. Blank: leave as it is.",
            "How sure": "Half width of the 95 % interval of the needed change, in points.",
            "Told by evidence": "Share of what could be unknown there that readings tell, in %.",
        }[drawn]
    )
    st.warning(
        f"**{wording.CAUTIONS[5]}** Nothing here writes to a control unit. After entering it, pull "
        "with the gauge in sight: a lean full-throttle mixture can destroy an engine in one pull."
    )
    with st.expander("The same as a grid that scrolls, for a small screen"):
        grid = pl.DataFrame(
            {"Throttle [%]": [f"{throttle:g}" for throttle in reversed(table.throttle_pct)]}
            | {
                f"{speed:,.0f} rpm": [
                    table.written(throttle, speed) for throttle in reversed(table.throttle_pct)
                ]
                for speed in table.seen_speeds_rpm
            }
        )
        pieces.grid(grid, "Throttle [%]")
    with st.expander("The same as a list, the greatest change first"):
        pieces.table(
            cells.sort(cells["suggested_pct"].abs(), descending=True).with_columns(
                pl.col("held_by").replace(HELD_BY)
            ),
            {
                "throttle_pct": pieces.figures("Throttle [%]"),
                "speed_rpm": pieces.figures("Speed [rpm]"),
                "suggested_pct": pieces.figures("Enter [%]", 1, signed=True),
                "needed_pct": pieces.figures("Needed [%]", 1, signed=True),
                "lower_pct": pieces.figures("95 % from", 1, signed=True),
                "upper_pct": pieces.figures("to", 1, signed=True),
                "held_by": "Held by",
                "evidence_share": pieces.figures("Told by evidence [1]", 2),
            },
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
checks = shop.ask(queries.fuel_change_checks, change["job_id"])
if checks.is_empty():
    st.text("No map was changed in this job with parts and fuel left alone and places seen twice.")
else:
    pieces.table(
        checks.with_columns((checks["came_share"] * 100).alias("came_share")),
        {
            "before_name": "From",
            "after_name": "To",
            "is_suggestion": "As suggested",
            "places": "Places seen twice",
            "before_error_pct": pieces.figures("Error before [%]", 1),
            "after_error_pct": pieces.figures("after [%]", 1),
            "came_share": pieces.figures("Of the fuel, came [%]"),
        },
    )
    for check in checks.iter_rows(named=True):
        st.markdown(f"**{wording.escaped(check['after_name'])}:** "
                    f"{wording.escaped(check['sentence'])}")  # fmt: skip

st.subheader("Part throttle, from rides", anchor=False)
throttle_cells = shop.ask(queries.cruise_cells, stage_id)
pressure_cells = shop.ask(queries.pressure_cells, stage_id)
if throttle_cells.is_empty():
    st.text("No ride of this stage has steady samples with a wideband reading.")
else:
    line = cruise.row(0, named=True)
    if line["covered_share"] is not None:
        closed = f", {wording.number(line['closed_loop_s'])} s of the rides in closed loop"
        st.caption(
            f"{100 * line['covered_share']:.0f} % of the riding cells were seen for 2 s or more"
            + (closed if line["closed_loop_s"] else "")
            + "."
        )
    by_pressure = False
    if pressure_cells.height:
        by_pressure = (
            st.segmented_control(
                "Over",
                ("Throttle", "Manifold pressure"),
                default="Throttle",
                required=True,
                key="fuel_change_axis",
            )
            == "Manifold pressure"
        )
    cells = pressure_cells if by_pressure else throttle_cells
    pieces.chart(
        charts.cell_chart(cells, shop.look(), by_pressure=by_pressure), "fuel_change_cells"
    )
    st.caption(
        "Lean error in % against the wanted band, which goes from the cruise band to the "
        "full-throttle target between 40 and 85 % throttle: 0 inside it. In brackets: seen for "
        "under 3 s. c: closed loop, where the trims tell of the map. "
        + wording.cells_sentence(cells.to_dicts())
    )
trims = shop.ask(queries.trim_cells, stage_id)
if trims.height:
    st.markdown(
        "**Trims in closed loop:** there the mixture is right by itself; what the ECU adds is what "
        "the base map lacks."
    )
    st.caption("Those seen for under 2 s have no say in the suggestion.")
    pieces.table(
        trims,
        {
            "throttle_from_pct": pieces.figures("Throttle from [%]"),
            "throttle_to_pct": pieces.figures("to [%]"),
            "speed_from_rpm": pieces.figures("Speed from [rpm]"),
            "speed_to_rpm": pieces.figures("to [rpm]"),
            "trim_pct": pieces.figures("Both trims add [%]", 1, signed=True),
            "trim_lower_pct": pieces.figures("95 % from", 1, signed=True),
            "trim_upper_pct": pieces.figures("to", 1, signed=True),
            "long_trim_pct": pieces.figures("Long-term alone [%]", 1, signed=True),
            "dwell_s": pieces.figures("Seen [s]", 1),
        },
    )

moves = shop.ask(queries.transients, stage_id)
if moves.height:
    st.subheader("Quick throttle movements", anchor=False)
    line = cruise.row(0, named=True)
    st.text(
        f"Opening: {wording.number(line['lean_tip_ins'])} of "
        f"{wording.counted(line['tip_ins'], 'judged tip-in')} went lean to warn level. Closing: "
        f"{wording.number(line['rich_lift_offs'])} of "
        f"{wording.counted(line['lift_offs'], 'judged lift-off')} went rich as far."
    )
    with st.expander("All movements, also those that could not be judged"):
        pieces.table(
            moves,
            {
                "kind": "Movement",
                "level": pieces.wide("Level", 220),
                "movements": "How many",
                "most_depth_pct": pieces.figures("Deepest [%]", 1),
                "most_excursion_s": pieces.figures("Longest [s]", 2),
            },
        )

heat = shop.ask(queries.heat_of_job, change["job_id"])
if heat.height:
    st.subheader("Heat, stage by stage", anchor=False)
    logged = [name for name in heat.columns if heat[name].null_count() < heat.height]
    pieces.table(
        heat.select(logged),
        {
            "stage_name": "Stage",
            "map_label": "Map",
            "coolant_cruise_degc": pieces.figures("Coolant at cruise [°C]", 1),
            "coolant_most_degc": pieces.figures("hottest [°C]", 1),
            "oil_cruise_degc": pieces.figures("Oil at cruise [°C]", 1),
            "oil_most_degc": pieces.figures("hottest [°C]", 1),
            "coolant_pull_degc": pieces.figures("Coolant after a pull [°C]", 1),
            "oil_pull_degc": pieces.figures("Oil after a pull [°C]", 1),
            "cruise_s": pieces.figures("Cruise behind it [s]"),
        },
    )
    st.caption("Medians over steady, warm cruising. Weather and load differ between days.")
