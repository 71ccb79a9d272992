"""Answers "have we built this before, what did it end on, what went wrong?"."""

from typing import Any

import polars as pl
import streamlit as st

from dashboard import address, charts, kept_chart, note_forms, pieces, why_panel
from dashboard.open_shop import open_shop
from warehouse import story, wording

CARDS_AT_ONCE = 5
# What a share means, and how well the most alike foretell: tests/studies/similar_study.md.
WHAT_IT_MEANS = (
    "**Alike** is a share of weight: of all that counts, what is known to agree. The model's name "
    "counts only as far as the measured power bears it out; what is not known agrees in nothing. "
    "The weights were held to what came of builds, one bike left out at a time: in "
    "the demo shop the five most alike foretold the gain of the same change within 1.01 points "
    "(the model's mean 1.15, five at random 1.18), the worst lean error on arrival within 2.47 "
    "points (2.69, 3.62), and missed the map it was given in 14 % (78 %, 96 %). Expect no more of "
    "them in your shop."
)

shop = open_shop()

# Read
stages = shop.ask("stages").filter(pl.col("alike") > 0)
if stages.is_empty():
    pieces.nothing("No stage has another bike's build to stand beside yet.")

# Choose
stage = pieces.choose(
    "Bike, job and stage (type to search)",
    stages,
    lambda row: (
        f"{row['bike_id']} · {row['job_id']} · {row['stage_name']} · {row['model_label']} · "
        f"{row['parts_label']} · {row['map_label']} map"
    ),
    ("stage", "stage_id"),
    drops=("beside",),
)
st.text(f"{wording.combination(stage)}, {stage['fuel']}. Came {stage['received_on']:%d %b %Y}.")
alike = shop.ask("similar_builds", stage_id=stage["stage_id"])
notes = shop.ask("shop_notes", job_ids=alike["other_job_id"].unique().to_list()).filter(
    pl.col("job_id").is_not_null() & ~pl.col("is_taken_back")
)
opened = st.query_params.get("beside")
if opened not in alike["other_stage_id"].to_list():
    opened = alike["other_stage_id"][0]


def draw_card(build: dict[str, Any]) -> None:
    """Draw one build with its reasons and the button that draws its curves."""
    with st.container(border=True):
        unknown = wording.share(build["unknown_share"])
        title = (
            f"{wording.share(build['similarity_share'])} alike"
            f"{f', {unknown} not known' if build['not_known'] else ''} · "
            f"{build['other_bike_id']} · "
            f"{build['other_job_id']} · {build['stage_name']}"
        )
        told = (
            ("Built", wording.combination(build)),
            ("Matches", build["matches"]),
            ("Differs", build["differs"]),
            ("Not known of both", build["not_known"]),
            ("Ended on", build["ended_on"]),
            ("Gained", build["gained"]),
        )
        lines = [f"{what}: {wording.escaped(said)}" for what, said in told if said]
        if story.is_lean(build):
            st.error(f"Left with {wording.escaped(story.lean_in_short(build))}")
        st.markdown("  \n".join([f"**{wording.escaped(title)}**", *lines]))
        if build["went_wrong"]:
            st.warning(f"Went wrong: {wording.escaped(build['went_wrong'])}")
        note_forms.lines(notes.filter(pl.col("at_job_id") == build["other_job_id"]))
        is_drawn = build["other_stage_id"] == opened
        if st.button(
            "Curves are drawn" if is_drawn else "Draw its curves",
            key=f"builds_like_this_open_{build['likeness_rank']}",
            disabled=is_drawn,
        ):
            address.go({"beside": build["other_stage_id"]})
            st.rerun()


cards, beside = st.columns([5, 6], gap="large")

# Show
with cards:
    st.subheader("Most alike", anchor=False)
    why_panel.behind(shop, "alike", stage["stage_id"])
    for build in alike.head(CARDS_AT_ONCE).iter_rows(named=True):
        draw_card(build)
    if alike.height > CARDS_AT_ONCE:
        with st.expander(f"{alike.height - CARDS_AT_ONCE} more, less alike"):
            for build in alike.slice(CARDS_AT_ONCE).iter_rows(named=True):
                draw_card(build)
    with st.expander("What alike means, and how well it foretells"):
        st.markdown(WHAT_IT_MEANS)

with beside:
    other = alike.row(by_predicate=pl.col("other_stage_id") == opened, named=True)
    st.subheader("Curves of both", anchor=False)
    both = [stage["stage_id"], opened]
    curves = shop.ask("session_curves", stage_ids=both)
    own, theirs = (curves.filter(pl.col("stage_id") == one) for one in both)
    if own.is_empty() or theirs.is_empty():
        st.info("One of the two has no usable pull: there is nothing to overlay.")
    else:
        as_measured = shop.ask("uncorrected_stages", stage_ids=both)
        power_at = shop.power_at(is_corrected=as_measured.is_empty())
        said = shop.advice(other["other_stage_id"])
        st.text(f"Full throttle on {other['other_bike_id']}: {said.headline}")
        names = (
            f"{stage['bike_id']} {stage['stage_name']}",
            f"{other['other_bike_id']} {other['stage_name']}",
        )
        kept_chart.draw(
            shop,
            "builds_like_this_chart",
            tuple(both),
            lambda: charts.comparison_chart(
                pl.DataFrame(),
                own,
                theirs,
                shop.ask("lean_windows", stage_ids=[opened]),
                shop.look(),
                shop.limits(),
                names=names,
                power_at=power_at,
            ),
        )
        st.caption(
            f"Power {power_at}; two bikes differ by a few percent even when "
            "built alike. Shaded: lean windows of the other bike."
        )
        st.page_link(
            "views/bike.py",
            label=f"The story of {wording.escaped(other['other_bike_id'])} →",
            query_params={
                "bike": other["other_bike_id"],
                "job": other["other_stage_id"].rpartition("/")[0],
            },
        )
