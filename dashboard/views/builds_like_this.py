"""Answers "have we built this before, what did it end on, what went wrong?"."""

from typing import Any

import polars as pl
import streamlit as st

from dashboard import charts, pieces, queries, wording
from dashboard.open_shop import open_shop

CARDS_AT_ONCE = 5

shop = open_shop()

# Read
stages = shop.ask(queries.stages).filter(pl.col("alike") > 0)
if stages.is_empty():
    st.info("No stage has another bike's build to stand beside yet.")
    st.stop()

# Choose
ids = stages["stage_id"].to_list()
asked = st.query_params.get("stage")
place = st.selectbox(
    "Bike, job and stage (type to search)",
    range(stages.height),
    index=ids.index(asked) if asked in ids else 0,
    format_func=lambda at: (
        f"{stages['bike_id'][at]} · {stages['job_id'][at]} · {stages['stage_name'][at]} · "
        f"{stages['model_label'][at]} · {stages['parts_label'][at]} · {stages['map_label'][at]} map"
    ),
    key="builds_like_this_stage",
)
stage = stages.row(place, named=True)
st.text(
    f"{stage['model_label']}, {stage['parts_label']}, {stage['map_label']} map, {stage['fuel']}. "
    f"Came {stage['received_on']:%d %b %Y}."
)
alike = shop.ask(queries.similar_builds, stage["stage_id"])
opened = st.session_state.get("builds_like_this_opened")
if opened not in alike["other_stage_id"].to_list():
    opened = alike["other_stage_id"][0]


def draw_card(build: dict[str, Any]) -> None:
    """Draw one build with its reasons and the button that draws its curves."""
    with st.container(border=True):
        title = (
            f"{100 * build['similarity_share']:.0f} % alike · {build['other_bike_id']} · "
            f"{build['other_job_id']} · {build['stage_name']}"
        )
        told = (
            (
                "Built",
                f"{build['model_label']}, {build['parts_label']}, {build['map_label']} map",
            ),
            ("Matches", build["matches"]),
            ("Differs", build["differs"]),
            ("Ended on", build["ended_on"]),
            ("Gained", build["gained"]),
        )
        st.markdown(
            "  \n".join(
                [f"**{wording.escaped(title)}**"]
                + [f"{what}: {wording.escaped(said)}" for what, said in told if said]
            )
        )
        if build["went_wrong"]:
            st.warning(f"Went wrong: {wording.escaped(build['went_wrong'])}")
        if st.button(
            "Curves are drawn" if build["other_stage_id"] == opened else "Draw its curves",
            key=f"builds_like_this_open_{build['likeness_rank']}",
            disabled=build["other_stage_id"] == opened,
        ):
            st.session_state["builds_like_this_opened"] = build["other_stage_id"]
            st.rerun()


cards, beside = st.columns([5, 6], gap="large")

# Show
with cards:
    st.subheader("Most alike", anchor=False)
    for build in alike.head(CARDS_AT_ONCE).iter_rows(named=True):
        draw_card(build)
    if alike.height > CARDS_AT_ONCE:
        with st.expander(f"{alike.height - CARDS_AT_ONCE} more, less alike"):
            for build in alike.slice(CARDS_AT_ONCE).iter_rows(named=True):
                draw_card(build)

with beside:
    other = alike.filter(pl.col("other_stage_id") == opened).row(0, named=True)
    st.subheader("Curves of both", anchor=False)
    curves = shop.ask(queries.session_curves, (stage["stage_id"], opened))
    own = curves.filter(pl.col("stage_id") == stage["stage_id"])
    theirs = curves.filter(pl.col("stage_id") == opened)
    if own.is_empty() or theirs.is_empty():
        st.info("One of the two has no usable pull: there is nothing to overlay.")
    else:
        shown = (stage["stage_id"], opened)
        as_measured = shop.ask(queries.uncorrected_stages, shown).height
        power_at = "as measured, not corrected" if as_measured else f"at {shop.air()} reference air"
        mixture = shop.ask(queries.stage_mixtures, (opened,))
        said = wording.advice(mixture.row(0, named=True) if mixture.height else None)
        st.text(f"Full throttle on {other['other_bike_id']}: {said.headline}")
        pieces.chart(
            charts.comparison_chart(
                pl.DataFrame(),
                own,
                theirs,
                shop.ask(queries.lean_windows, (opened,)),
                shop.look(),
                shop.limits(),
                names=(
                    f"{stage['bike_id']} {stage['stage_name']}",
                    f"{other['other_bike_id']} {other['stage_name']}",
                ),
                power_at=power_at,
            ),
            "builds_like_this_chart",
        )
        st.caption(
            f"Power {power_at}; two bikes differ by a few percent even when "
            "built alike. Shaded: lean windows of the other bike."
        )
        st.page_link(
            "views/before_and_after.py",
            label=f"What did {wording.escaped(other['other_bike_id'])} gain? →",
            query_params={"bike": other["other_bike_id"]},
        )
