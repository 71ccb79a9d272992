"""Answers "what did it gain, is that real, and is it safe to keep pulling?"."""

from typing import Any

import polars as pl
import streamlit as st

from dashboard import charts, pieces
from dashboard.open_shop import open_shop
from warehouse import wording

BOXES = {"stop": st.error, "warn": st.error, "none": st.success}

shop = open_shop()

# Read
bikes = shop.ask("bikes")
if bikes.is_empty():
    pieces.nothing("No bike has a usable pull yet.")

# Choose
left, right = st.columns([2, 3])
bike = pieces.choose(
    "Bike (type to search)",
    bikes,
    lambda row: f"{row['bike_id']} · {row['model_label']}" + " · control bike" * row["is_control"],
    "before_and_after_bike",
    ("bike", "bike_id"),
    left,
)
bike_id = bike["bike_id"]
gains = shop.ask("gains_of_bike", bike_id=bike_id)
measured = {
    row["stage_id"]: row for row in shop.ask("sessions_of_bike", bike_id=bike_id).to_dicts()
}
alone = [stage for stage in measured if stage not in gains["after_stage_id"].to_list()]
choices: list[dict[str, Any]] = gains.to_dicts()
lone = [{**measured[stage], "after_stage_id": stage, "gain_id": None} for stage in alone]
# A stage that was run after the last gain is what stands on the dyno now: it comes first.
latest = next(iter(measured))
choices = [*lone[:1], *choices, *lone[1:]] if latest in alone else [*choices, *lone]


def choice_label(choice: dict[str, Any]) -> str:
    """Return what a gain, or a stage alone, is called in the list."""
    if choice["gain_id"] is None:
        return f"{choice['job_id']}: {choice['stage_name']}, alone"
    same_job = choice["before_job_id"] == choice["job_id"]
    origin = "" if same_job else f"{choice['before_job_id']} "
    return (
        f"{choice['job_id']}: {origin}{choice['before_name']} → {choice['after_name']} "
        f"({choice['change_key']})"
    )


asked_stage = st.query_params.get("stage")
ends = [choice["after_stage_id"] for choice in choices]
chosen = choices[
    right.selectbox(
        "Job and stages",
        range(len(choices)),
        index=ends.index(asked_stage) if asked_stage in ends else 0,
        format_func=lambda at: choice_label(choices[at]),
        key=f"before_and_after_pair_{bike_id}",
    )
]
gain = chosen if chosen["gain_id"] else None
after_id = chosen["after_stage_id"]
before_id = gain["before_stage_id"] if gain else None
again_id = gain["again_stage_id"] if gain else None
shown = [stage_id for stage_id in (before_id, after_id, again_id) if stage_id]
session = measured.get(after_id)

# Show: the mixture first, because it decides whether there is a next pull.
mixture = shop.mixture_of(after_id)
advice = wording.advice(mixture)
BOXES.get(advice.level, st.warning)(f"## {advice.headline}\n{advice.what_to_do}")
if before_id:
    place = (mixture or {}).get("probe_place")
    st.caption(
        f"That is the stage after the change. Before it: {shop.advice(before_id).headline}. "
        + (f"Probe: {wording.escaped(place)}." if place else "")
    )
if advice.judged:
    st.caption(advice.judged)
if advice.is_alarm:
    pieces.cautions()

pulls = shop.ask("pulls", stage_ids=shown)
if gain:
    st.markdown(f"### {wording.gain_sentence(gain)}")
    st.caption(f"What changed: {wording.escaped(gain['change_label'])}.")
    if gain["all_pulls_gain_pct"] is not None:
        odd = pulls.filter(pl.col("odd").fill_null("") != "").to_dicts()
        st.warning(wording.escaped(wording.odd_pulls_sentence(odd, gain["all_pulls_gain_pct"])))
    budget = shop.ask("gain_budget", gain_id=gain["gain_id"])
    st.caption(wording.budget_sentence(budget.to_dicts(), gain["trend_pct"]))
    if gain["would_cut"]:
        st.caption(f"{gain['would_cut']}.")
    if gain["on_mounting"]:
        st.caption(f"{gain['on_mounting']}.")
    pieces.chart(charts.budget_chart(budget, shop.look()), "before_and_after_budget")
    if gain["drift_pct"] is not None:
        st.caption(wording.drift_sentence(gain))
    if not gain["is_like_for_like"]:
        st.warning(
            f"**Not like for like:** {wording.escaped(gain['unlike_reason'])}. "
            "This gain is kept out of every pooled figure."
        )
if session and not session["is_corrected"]:
    st.warning(wording.uncorrected_sentence(session["uncorrected_reason"]))
for stage_id in shown:
    if measured.get(stage_id) and measured[stage_id]["has_air_doubt"]:
        notes = pulls.filter((pl.col("stage_id") == stage_id) & (pl.col("notes") != ""))["notes"]
        st.warning(
            f"**Weather in doubt, {wording.escaped(measured[stage_id]['stage_name'])}:** "
            + wording.escaped(notes[0] if len(notes) else measured[stage_id]["notes"])
        )

power_at = shop.power_at(is_corrected=bool(session and session["is_corrected"]))
peak = shop.power(session["peak_power_w"] if session else None)
pieces.cards(wording.gain_figures(session, gain, peak))
if session or gain:
    at_peak = f" Peak against peak: {gain['verdict_at_peak']}." if gain else ""
    st.caption(f"Power {power_at}.{at_peak}")

look = shop.look()
curves = shop.ask("session_curves", stage_ids=shown)
windows = shop.ask("lean_windows", stage_ids=shown)
after_curve = curves.filter(pl.col("stage_id") == after_id)
if after_curve.is_empty():
    st.info("This stage has no usable pull: there is no curve to draw.")
else:
    drawn = charts.comparison_chart(
        shop.ask("gain_curve", gain_id=gain["gain_id"]) if gain else pl.DataFrame(),
        curves.filter(pl.col("stage_id") == before_id) if before_id else None,
        after_curve,
        windows.filter(pl.col("stage_id") == after_id),
        look,
        shop.limits(),
        names=(gain["before_name"], gain["after_name"])
        if gain
        else ("", session["stage_name"] if session else "this stage"),
        power_at=power_at,
    )
    pieces.chart(drawn, "before_and_after_chart")
    st.caption(
        f"Power {power_at}. Shaded columns: lean windows of the later stage. Bands hold all parts "
        "of the budget above, and the scatter of each speed."
        + (" The line before is the first session; the gain is against both." if again_id else "")
    )

st.subheader("Lean and rich windows at full throttle", anchor=False)
if windows.is_empty():
    st.text("None beyond the notice level.")
else:
    pieces.table(windows, duration_s="Lasts [s]")
    knocks = shop.ask("window_knock", stage_ids=shown)
    for knock in knocks.filter("is_told").iter_rows(named=True):
        (st.error if knock["is_loud"] else st.info)(
            f"{wording.escaped(knock['stage_name'])}, {wording.number(knock['from_rpm'])} to "
            f"{wording.number(knock['to_rpm'])} rpm: {wording.escaped(knock['sentence'])}."
        )
    if knocks.height and not knocks["is_told"].any():
        st.text("Knock and ignition were logged and stand out in none of these windows.")
if mixture:
    st.page_link(
        "views/fuel_change.py",
        label="What does this map need, cell by cell? →",
        query_params={"stage": after_id},
    )

st.subheader("Pulls", anchor=False)
unused = pulls.filter(~pl.col("is_used")).height
st.caption(
    f"{wording.counted(pulls.height, 'pull')}, "
    + (f"{wording.number(unused)} left out of the mean curve" if unused else "all used")
)
pieces.table(
    pulls,
    "stage_name pull_no is_used weight odd trouble notes peak_power_w peak_power_mid_w "
    "peak_power_lower_w peak_power_upper_w peak_power_speed_rpm peak_torque_nm "
    "peak_torque_speed_rpm reference_air "
    "reference_factor file_standard file_factor factor_disagreement_pct probe_place file_name "
    "sha256_start",
    shop.settings,
)

st.subheader("Part throttle, from rides", anchor=False)
cells = shop.ask("cruise_cells", stage_id=after_id)
rides = shop.ask("rides", stage_id=after_id)
if cells.is_empty():
    st.text("No ride of this stage has steady samples with a wideband reading.")
else:
    choice = pieces.switch("Show", ("Lean error", "Time seen"), "before_and_after_cells")
    show_time = choice == "Time seen"
    drawn = charts.cell_chart(cells, look, show_time=show_time)
    pieces.chart(drawn, "before_and_after_cell_chart")
    band = shop.settings.mixture
    st.caption(
        "Seconds of steady riding in each cell. Blank: never visited."
        if show_time
        else f"Lean error in % against the wanted band, λ {band.cruise_low:g} to "
        f"{band.cruise_high:g} at cruise, going to the full-throttle target from 40 to 85 %: 0 "
        "inside it. In brackets: seen for under 3 s. c: closed loop. Blank: never visited. "
        + wording.cells_sentence(cells.to_dicts())
    )
if not rides.is_empty():
    pieces.table(rides)
