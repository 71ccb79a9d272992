"""Answers "can the dyno be trusted, and how far?"."""

import polars as pl
import streamlit as st

from dashboard import address, charts, kept_chart, pieces, why_panel
from dashboard.open_shop import open_shop
from warehouse import wording

RUN_A_CONTROL_BIKE = (
    "Mark one bike `control = true` on its card and run it unchanged every week or two."
)
BOXES = {"good": st.success, "watch": st.warning, "act": st.error}

shop = open_shop()

# Read
verdicts = shop.ask("dyno_verdicts")
checks = shop.ask("dyno_checks")
events = shop.ask("dyno_events")
trust = shop.ask("trust")
if verdicts.is_empty() and checks.is_empty() and trust.is_empty():
    pieces.nothing(f"Nothing is known of the dyno yet. {RUN_A_CONTROL_BIKE}")

# Show: what asks for something in boxes, what is well in a line each.
is_well = pl.col("state") == "good"
for verdict in verdicts.filter(~is_well).iter_rows(named=True):
    BOXES.get(verdict["state"], st.info)(wording.dyno_markdown(verdict))
    if verdict["is_of_dyno"]:
        why_panel.behind(shop, "dyno", str(verdict["verdict_no"]))
well = verdicts.filter(is_well)
if not well.is_empty():
    with st.expander(f"Well: {wording.escaped(', '.join(well['subject']))}"):
        for verdict in well.iter_rows(named=True):
            st.markdown(wording.dyno_markdown(verdict))
            if verdict["is_of_dyno"]:
                why_panel.behind(shop, "dyno", str(verdict["verdict_no"]))

part = address.segments(
    "part", "Show", ("Control bike", "What happened", "What intervals rest on", "Sessions in doubt")
)
if part == "Control bike":
    if checks.is_empty():
        so_far = wording.control_so_far(verdicts.to_dicts())
        st.info(
            f"No chart yet: {so_far}. Run it unchanged every week or two."
            if so_far
            else f"No chart yet: too few sound sessions of a control bike. {RUN_A_CONTROL_BIKE}"
        )
    else:
        # Levels of two dynos are not one: each has its own limits.
        charted = {
            " on ".join(filter(None, bike_and_dyno)): bike_and_dyno
            for bike_and_dyno in checks.select("bike_id", "dyno").unique(maintain_order=True).rows()
        }
        names = list(charted)
        name = names[0]
        if len(names) > 1:
            name = address.select("control", "Control bike", names)
        bike_id, dyno = charted[name]
        of_bike = checks.filter((pl.col("bike_id") == bike_id) & (pl.col("dyno") == dyno))
        pictures = ("Session by session", "Changes of level", "Against the air")
        picture = address.segments("picture", "Picture", pictures)
        if picture == "Session by session":
            kept_chart.draw(
                shop,
                "dyno_trust_control",
                (bike_id, dyno),
                lambda: charts.control_chart(of_bike, shop.look()),
            )
            st.caption(
                f"Mean power {shop.power_at()} against the reference period. The limits are made "
                "for each session from those before it; one beyond them is a signal, and so is one "
                "within them at which small departures have added up (see changes of level): find "
                "the cause before trusting gains across that day."
            )
            signals = of_bike.filter(pl.col("signal") != "")
            sessions = wording.counted(of_bike.height, "session")
            with st.expander(f"{wording.counted(signals.height, 'signal')} in {sessions}"):
                pieces.table(
                    of_bike.sort("run_on", descending=True),
                    "run_on job_id level_pct signal has_air_doubt is_reference air_density_kg_m3",
                )
        elif picture == "Changes of level":
            of_dyno = events.filter(pl.col("dyno") == dyno)
            kept_chart.draw(
                shop,
                "dyno_trust_level",
                (bike_id, dyno),
                lambda: charts.level_chart(of_bike, of_dyno, shop.look()),
            )
            st.caption(
                "Small departures add up until chance cannot explain them. Beyond a limit the "
                "level has changed, and the sums start again about the new one. A diamond stands "
                "where that most likely began and at what size, with its ± if it began then; the "
                "pale bar spans the days on which it may have begun. A steady dyno has one false "
                "signal in two years at most, mostly fewer. Where sessions scatter by 0.5 %, each "
                "by itself, a change of 1.5 % is found within four sessions in nine of ten, one of "
                "1 % within four in half and within 13 in nearly nine of ten (simulated). Where "
                "they hang together it takes longer: no chart with so few false signals can then "
                "find 1 % within four in nine of ten."
            )
        else:
            kept_chart.draw(
                shop,
                "dyno_trust_density",
                (bike_id, dyno),
                lambda: charts.density_chart(of_bike, shop.look()),
            )
            st.caption(
                "Corrected power must not follow the air's density: the marks should lie level. "
                "The slope stated above is taken within each steady spell of the level, so that a "
                "change of the dyno does not pass for weather."
            )
elif part == "What happened":
    if events.is_empty():
        st.text("Nothing that the control bike or the weather station would show.")
    else:
        st.caption(
            "No figure is ever rescaled for an event. A comparison of sessions on both sides of "
            "one is widened by its size; one within a steady spell is not. Without an end it still "
            "holds."
        )
        pieces.table(
            events,
            "dyno event_kind begins_after first_on last_on event_pct event_half_pct sentence "
            "remedy sessions_affected gains_touched",
            sentence="What",
        )
        drifted = shop.ask("sessions_in_drift")
        if not drifted.is_empty():
            count = drifted["stage_id"].n_unique()
            with st.expander(f"{wording.counted(count, 'session')} in these events"):
                pieces.table(drifted, sentence="Because")
        touched = shop.ask("gains_in_drift")
        if not touched.is_empty():
            count = touched["gain_id"].n_unique()
            with st.expander(f"{wording.counted(count, 'gain')} across these events"):
                pieces.table(touched, sentence="Because")
elif part == "What intervals rest on":
    for used in trust.iter_rows(named=True):
        pieces.cards(
            (
                (
                    "Pull to pull, 1 SD",
                    wording.share(used["repeatability_share"], 2),
                    f"{wording.number(used['repeatability_dof'])} deg. of freedom",
                ),
                (
                    "Strapping down, 1 SD",
                    wording.share(used["remount_share"], 2),
                    "assumed" if used["is_remount_assumed"] else "measured",
                ),
                (
                    "Another day, 1 SD",
                    wording.share(used["day_share"], 2),
                    "assumed" if used["is_day_assumed"] else "measured",
                ),
                (
                    "Strapped down on another day, 1 SD",
                    wording.share(used["other_day_share"], 2),
                    f"{wording.number(used['other_day_dof'])} deg. of freedom",
                ),
            )
        )
        st.text(wording.trust_sentence(used))
        with st.container(horizontal=True):
            for part in ("pull-to-pull", "strapping-down", "another-day"):
                why_panel.behind(shop, "trust", part, f"Why {part.replace('-', ' ')}?")
        with st.expander("Strapping down, by speed"):
            pieces.table(shop.ask("remount_regions"))
else:
    doubtful = shop.ask("doubtful_sessions")
    st.subheader("Sessions with air readings in doubt", anchor=False)
    if doubtful.is_empty():
        st.text("None.")
    else:
        counted = wording.counted(doubtful.height, "session")
        st.caption(f"{counted}. Their gains carry the doubt with them.")
        pieces.table(doubtful)

    unsettled = shop.ask("unsettled_sessions")
    st.subheader("Sessions that did not settle", anchor=False)
    if unsettled.is_empty():
        st.text("None.")
    else:
        st.caption(
            f"{wording.counted(unsettled.height, 'session')} whose last two pulls do not agree, or "
            "whose power went up or down from pull to pull. With so few pulls only a clear trend "
            "shows."
        )
        pieces.table(unsettled)
