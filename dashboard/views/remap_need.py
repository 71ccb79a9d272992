"""Answers "which combinations of parts and map leave a model in need of a remap?"."""

import polars as pl
import streamlit as st

from dashboard import address, charts, kept_chart, note_forms, pieces, why_panel
from dashboard.open_shop import open_shop
from warehouse import wording

shop = open_shop()

# Read
every = shop.ask("remap_needs")
if every.is_empty():
    pieces.nothing(
        "No combination can be ranked yet: that takes a stage with a wideband reading at full "
        "throttle."
    )

# Choose
kinds = {
    "Untouched map": pl.col("is_stock_map"),
    "Shop maps": ~pl.col("is_stock_map"),
    "All maps": pl.lit(True),
}
which = address.segments("maps", "Map", list(kinds), drops=("need",))
needs = every.filter(kinds[which])
if needs.is_empty():
    pieces.nothing("No combination on such a map has a wideband reading at full throttle yet.")
# The places among those shown: a list of some maps has no gaps.
needs = needs.with_columns(need_rank=pl.int_range(1, pl.len() + 1))
logged = shop.ask("logged_bikes").filter(kinds[which])

# Show
st.markdown(f"#### {wording.escaped(needs['sentence'][0])}")
why_panel.behind(shop, "need", needs["need_id"][0])
kept_chart.draw(shop, "remap_need_chart", (which,), lambda: charts.need_chart(needs, shop.look()))
st.caption(
    "Ranked by what is sure, the heavy bar: one odd bike does not top the list. Warn level here "
    f"is {shop.settings.mixture.warn_pct:g} % lean or more, held over a range of speed. "
    + wording.selection(logged.to_dicts())
)
with st.expander(f"The whole ranking: {wording.counted(needs.height, 'combination')}"):
    pieces.table(
        needs,
        "need_rank model_label parts_label map_label fuel bikes built_bikes lean_bikes "
        "warn_lower_share warn_share warn_upper_share worst_error_pct worst_error_lower_pct "
        "worst_error_upper_pct given_back_pct given_back_lower_pct given_back_upper_pct "
        "given_back_bikes "
        "cruise_out_share cruise_bikes",
    )


@st.fragment
def draw_one() -> None:
    """Draw one combination of those shown, closer."""
    st.subheader("One combination, closer", anchor=False)
    need = pieces.choose(
        "Combination",
        needs,
        lambda row: f"{row['need_rank']}. {wording.combination(row)}, {row['fuel']}",
        asked=("need", "need_id"),
    )
    if need["need_id"] != needs["need_id"][0]:
        st.markdown(f"#### {wording.escaped(need['sentence'])}")
        why_panel.behind(shop, "need", need["need_id"])
    note_forms.lines(shop.ask("notes_of_need", need_id=need["need_id"]))
    part = address.segments("part", "Of it", ("Its bikes", "Arrived and left", "What to quote"))
    if part == "Its bikes":
        pieces.cards(wording.need_figures(need))
        st.caption(
            "The worst lean error is that of the next such bike: 9 of 10 fall into the range, and "
            "one wild reading is drawn towards the others. Power given: over the riding range "
            f"{shop.power_at()}, from {wording.counted(need['given_back_bikes'], 'bike')}"
            + ", from the untouched map alone: a later revision is a change of its own."
            + (wording.ASSUMED_PRIOR if need["is_prior_assumed"] else "")
        )

        members = shop.ask("need_members", need_id=need["need_id"])
        shown_as = ("Lean error", "Mixture")
        seen_as = address.segments("as", "Mixture of its stages as", shown_as)
        as_error = seen_as == "Lean error"
        kept_chart.members(shop, "remap_need_members", members, as_error=as_error)
        st.caption("Positive is lean: the fuel increase that would meet the target.")
        pieces.table(
            members,
            "bike_id job_id stage_name received_on level level_not_excluded worst_lean_error_pct "
            "worst_speed_rpm",
        )
        for leanest in members.head(1).iter_rows(named=True):
            st.page_link(
                "views/bike.py",
                label="Curves and pulls of the surest lean: "
                f"{wording.escaped(leanest['bike_id'])}, {wording.escaped(leanest['job_id'])} →",
                query_params={
                    "bike": leanest["bike_id"],
                    "job": leanest["job_id"],
                    "part": "gain",
                    "stage": leanest["stage_id"],
                },
            )
    elif part == "Arrived and left":
        for title, need_id in (("All bikes", None), ("This combination", need["need_id"])):
            quarters = shop.ask("need_quarters", need_id=need_id)
            st.markdown(f"**{title}**: {wording.arrived_and_left(quarters.to_dicts())}")
            pieces.table(
                quarters,
                "quarter_label moment lean_bikes bikes built_bikes lean_share lean_lower_share "
                "lean_upper_share",
            )
        st.caption(
            "Arrived: the first stage of a job. Left: its last. In a quarter a bike counts once, "
            "and only where it was logged at full throttle; the range holds the true share of a "
            "quarter like it in 9 of 10, so a few bikes say little."
        )
    else:
        effects = shop.ask("need_effects", need_id=need["need_id"])
        if effects.is_empty():
            st.text("No gain to or from this combination was measured like for like yet.")
        for leads_on, title in ((True, "Going on from here"), (False, "Getting here")):
            part = effects.filter(pl.col("leads_on") == leads_on)
            if not part.is_empty():
                st.markdown(f"**{title}**")
            for effect in part.iter_rows(named=True):
                st.text(f"{effect['change_key']} ({effect['figure']}): {effect['sentence']}")
        if not effects.is_empty():
            st.caption(f"Power {shop.power_at()}. Quote the range for the next bike, not the mean.")


draw_one()
