"""Answers "how many pulls does it take to see a gain?" before any of them is run."""

from functools import partial

import polars as pl
import streamlit as st

from dashboard import address, charts, kept_chart, pieces
from dashboard.open_shop import open_shop
from warehouse import wording

USUAL_GAIN_PCT = 1.5

shop = open_shop()

# Read
plans = shop.ask("plans")
if plans.is_empty():
    pieces.nothing("Nothing was derived yet: run `rollbook update` on the shop.")

# Choose
wanted_pct = address.figure(
    "gain",
    "Gain to be seen [%]",
    default=USUAL_GAIN_PCT,
    min_value=0.1,
    max_value=20.0,
    step=0.1,
    format="%.1f",
    help="Mean over the riding range. A change that truly gives this much is called real four "
    "times in five; the usual figure.",
)

wanted_pct = wanted_pct or USUAL_GAIN_PCT

# Show
ways = ("is_put_back", "handling")
st.markdown(f"### To see {wording.number(wanted_pct, 1)} %")
for _, way in plans.group_by(ways, maintain_order=True):
    st.markdown(f"- {wording.plan_sentence(way.to_dicts(), wanted_pct)}")
st.caption(
    "One session as it came, one with the change, and when put back one more as it came: a steady "
    "drift of bike and dyno then falls out. Taking the bike off between sessions costs more than "
    "pulls can buy back: leave it strapped down where the change allows it, and give those stages "
    "the same mounting number on the card, or they count as taken off, as they do after two hours. "
    "Run at once, heating that goes on must be told from the change; an hour of rest spares most "
    "of that. Another day adds the dyno's own level of that day."
)
kept_chart.draw(
    shop,
    "plan_pulls_chart",
    (wanted_pct,),
    partial(charts.plan_chart, plans, wanted_pct, shop.look()),
)
for trust in shop.ask("trust").iter_rows(named=True):
    st.caption(wording.escaped(wording.trust_sentence(trust)))
with st.expander("All figures"):
    named = [wording.plan_words(*way) for way in plans.select(ways).iter_rows()]
    pieces.table(
        plans.with_columns(pl.Series("way", named)),
        "way pulls smallest_detectable_pct floor_pct",
        pulls="Pulls in each session",
    )
