"""Answers "how many pulls does it take to see a gain?" before any of them is run."""

import polars as pl
import streamlit as st

from dashboard import charts, pieces, queries, wording
from dashboard.open_shop import open_shop

shop = open_shop()

# Read
plans = shop.ask(queries.plans)
if plans.is_empty():
    st.info("Nothing was derived yet: run `rollbook update` on the shop.")
    st.stop()

# Choose
wanted_pct = st.number_input(
    "Gain to be seen [%]",
    min_value=0.1,
    max_value=20.0,
    value=1.5,
    step=0.1,
    format="%.1f",
    key="plan_pulls_wanted",
    help="Mean over the riding range. A change that truly gives this much is called real four "
    "times in five; the usual figure.",
)

# Show
ways = [part.to_dicts() for _, part in plans.group_by(
    "is_put_back", "is_strapped_once", maintain_order=True
)]  # fmt: skip
st.markdown(f"### To see {wording.number(wanted_pct, 1)} %")
for way in ways:
    st.markdown(f"- {wording.plan_sentence(way, wanted_pct)}")
st.caption(
    "One session as it came, one with the change, and when put back one more as it came: a steady "
    "drift of bike and dyno then falls out. Taking the bike off between sessions costs more than "
    "pulls can buy back: leave it strapped down where the change allows it, and give those stages "
    "the same mounting number on the card, or they count as taken off."
)
pieces.chart(charts.plan_chart(plans, wanted_pct, shop.look()), "plan_pulls_chart")
trust = shop.ask(queries.trust)
if not trust.is_empty():
    used = trust.row(0, named=True)
    st.caption(
        f"Rests on pull to pull {100 * used['repeatability_share']:.2f} % (1 SD, "
        f"{wording.escaped(used['repeatability_origin'])}) and strapping down "
        f"{100 * used['remount_share']:.2f} % ({wording.escaped(used['remount_origin'])})."
    )
with st.expander("All figures"):
    pieces.table(
        plans.with_columns(
            pl.struct("is_put_back", "is_strapped_once")
            .map_elements(
                lambda row: wording.plan_words(row["is_put_back"], row["is_strapped_once"]),
                return_dtype=pl.String,
            )
            .alias("way")
        ),
        {
            "way": pieces.wide("How", 300),
            "pulls": "Pulls in each session",
            "smallest_detectable_pct": pieces.figures("Seen 4 times in 5 [%]", 2),
            "floor_pct": pieces.figures("Endless pulls [%]", 2),
        },
    )
