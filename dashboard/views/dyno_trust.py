"""Answers "can the dyno be trusted, and how far?"."""

import polars as pl
import streamlit as st

from dashboard import charts, pieces, queries, wording
from dashboard.open_shop import open_shop

shop = open_shop()

# Read
verdicts = shop.ask(queries.dyno_verdicts)
checks = shop.ask(queries.dyno_checks)
events = shop.ask(queries.dyno_events)
drifted = shop.ask(queries.sessions_in_drift)
unsettled = shop.ask(queries.unsettled_sessions)
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


def show(verdict: dict) -> None:
    """Show one sentence on the dyno in the box of its state."""
    boxes.get(verdict["state"], st.info)(
        f"**{words.get(verdict['state'], 'Not known')}, {wording.escaped(verdict['subject'])}:** "
        f"{wording.escaped(verdict['sentence'])}"
    )


for row in verdicts.iter_rows(named=True):
    show(row)

st.subheader("What happened, and what to do", anchor=False)
if events.is_empty():
    st.text("Nothing that the control bike or the weather station would show.")
else:
    st.caption(
        "No figure is ever rescaled for an event. A comparison of sessions on both sides of one is "
        "widened by its size; one within a steady spell is not. Without an end it still holds."
    )
    pieces.table(
        events.with_columns(event_half_pct=2 * pl.col("event_sd_pct")),
        {
            "dyno": "Dyno",
            "event_kind": "Kind",
            "begins_after": pieces.day("Began after"),
            "first_on": pieces.day("Began by"),
            "last_on": pieces.day("Held until"),
            "event_pct": pieces.figures("Size [%]", 1, signed=True),
            "event_half_pct": pieces.figures("± [%]", 1),
            "sentence": pieces.wide("What", 420),
            "remedy": pieces.wide("What to do", 420),
            "sessions_affected": pieces.figures("Sessions"),
        },
    )
    if not drifted.is_empty():
        count = drifted["stage_id"].n_unique()
        with st.expander(f"{wording.counted(count, 'session')} in these events"):
            pieces.table(
                drifted,
                {
                    "run_on": pieces.day("Day"),
                    "job_id": "Job",
                    "bike_id": "Bike",
                    "model_label": "Model",
                    "stage_name": "Stage",
                    "widened_pct": pieces.figures("Size [%]", 2),
                    "sure_pct": pieces.figures("Chance that it stands in it [%]"),
                    "sentence": pieces.wide("Because", 420),
                },
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
    with st.expander("Strapping down, by speed"):
        pieces.table(
            shop.ask(queries.remount_regions).with_columns(
                pl.col("^(from|to)_peak_speed_share|remount_share$") * 100
            ),
            {
                "from_peak_speed_share": pieces.figures("From [% of speed at peak]"),
                "to_peak_speed_share": pieces.figures("to"),
                "remount_share": pieces.figures("1 SD [%]", 2),
                "remount_pairs": "Pairs",
                "remount_origin": pieces.wide("Figure"),
            },
        )

st.subheader("The control bike over time", anchor=False)
if checks.is_empty():
    st.info(
        "No control bike has been run. Mark one bike `control = true` on its card and run it "
        "unchanged every week or two."
    )
else:
    # Levels of two dynos are not one: each has its own limits.
    charted = {
        " on ".join(filter(None, bike_and_dyno)): bike_and_dyno
        for bike_and_dyno in checks.select("bike_id", "dyno").unique(maintain_order=True).rows()
    }
    names = list(charted)
    name = (
        st.selectbox("Control bike", names, key="dyno_trust_bike") if len(names) > 1 else names[0]
    )
    bike_id, dyno = charted[name]
    of_bike = checks.filter((pl.col("bike_id") == bike_id) & (pl.col("dyno") == dyno))
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
    st.subheader("When did its level change?", anchor=False)
    of_dyno = events.filter(pl.col("dyno") == dyno)
    pieces.chart(charts.level_chart(of_bike, of_dyno, shop.look()), "dyno_trust_level")
    st.caption(
        "Small departures add up until chance cannot explain them. Beyond a limit the level has "
        "changed, and the sums start again about the new one. A diamond stands where that most "
        "likely began and at what size, with its ± if it began then; the pale bar spans the days "
        "on which it may have begun. With limits from ten runs, up to one steady dyno in four is "
        "wrongly told of a change within 52 runs. A change of two scatters is seen within nine "
        "runs nine times in ten, one of one scatter within 26 runs two times in three (simulated)."
    )
    st.subheader("Does the air correction correct?", anchor=False)
    pieces.chart(charts.density_chart(of_bike, shop.look()), "dyno_trust_density")
    st.caption(
        "Corrected power must not follow the air's density: the marks should lie level. The slope "
        "stated above is taken within each steady spell of the level, so that a change of the dyno "
        "does not pass for weather."
    )

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

st.subheader("Sessions that did not settle", anchor=False)
if unsettled.is_empty():
    st.text("None.")
else:
    st.caption(
        f"{wording.counted(unsettled.height, 'session')} whose last two pulls do not agree, or "
        "whose power went up or down from pull to pull. With so few pulls only a clear trend shows."
    )
    pieces.table(
        unsettled,
        {
            "run_on": pieces.day("Day"),
            "job_id": "Job",
            "bike_id": "Bike",
            "model_label": "Model",
            "stage_name": "Stage",
            "pulls_used": pieces.figures("Pulls"),
            "is_settled": "Settled",
            "drift_pct_per_pull": pieces.figures("A pull [%]", 2, signed=True),
            "drift_lower_pct_per_pull": pieces.figures("from [%]", 2, signed=True),
            "drift_upper_pct_per_pull": pieces.figures("to [%]", 2, signed=True),
            "notes": pieces.wide("Notes", 420),
        },
    )
