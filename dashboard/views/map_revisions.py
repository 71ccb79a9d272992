"""Answers "which map revisions still miss their target, where, and did the last one help?"."""

import polars as pl
import streamlit as st

from dashboard import address, charts, kept_chart, pieces, why_panel
from dashboard.open_shop import open_shop
from warehouse import wording

MAPS_AT_ONCE = 5

shop = open_shop()

# Read
every = shop.ask("map_revisions")
if every.is_empty():
    pieces.nothing("No map can be judged yet: that takes pulls with a wideband reading.")

# Choose
is_stock = pl.col("map_name") == "stock"
kinds = {
    "Newest revisions": ~is_stock & pl.col("is_newest"),
    "All revisions": ~is_stock,
    "Untouched maps": is_stock,
}
which = address.segments("maps", "Maps", list(kinds), drops=("map",))
maps = every.filter(kinds[which])
if maps.is_empty():
    pieces.nothing("No bike with a wideband reading carries such a map yet.")

# Show
missing = maps.filter("is_missing")["sentence"]
said = wording.maps_missing(len(missing), maps.height)
if missing.is_empty():
    st.success(f"## {said}")
else:
    listed = wording.listed([wording.escaped(one) for one in missing], MAPS_AT_ONCE)
    st.warning(f"## {said}\n{listed}")
limits = shop.limits()
st.caption(
    f"A map misses where the mean over the bikes that carry it is {limits.notice_pct:g} % off its "
    "full-throttle target or more, or where half of them are lean to warn level. Of each bike its "
    "latest stage counts. Those furthest off come first"
    + (", the newest revisions before replaced ones." if which == "All revisions" else ".")
)
pieces.table(
    maps,
    "named most_error_pct side worst_speed_rpm bikes_missing bikes lean_bikes model_label fuel "
    "mean_size_pct torque_weighted_error_pct cruise_size_pct cruise_bikes size_change_pct "
    "size_change_lower_pct size_change_upper_pct parts_seen",
    named="Parts" if which == "Untouched maps" else "Map",
    bikes="of",
)


@st.fragment
def draw_one() -> None:
    """Draw one map, chosen from those shown."""
    st.subheader("Open one map", anchor=False)
    chosen = pieces.choose(
        "Map",
        maps,
        lambda row: (
            f"{row['model_label']}, {row['named']}, {row['fuel']}: "
            f"{wording.counted(row['bikes'], 'bike')}" + (", misses" if row["is_missing"] else "")
        ),
        asked=("map", "map_id"),
    )
    st.markdown(f"#### {wording.escaped(chosen['sentence'])}")
    why_panel.behind(shop, "map", chosen["map_id"])
    speeds = shop.ask("map_revision_speed", map_id=chosen["map_id"])
    before = every.filter(
        (pl.col("model_id") == chosen["model_id"])
        & (pl.col("map_name") == chosen["map_name"])
        & (pl.col("fuel") == chosen["fuel"])
        & (pl.col("map_revision") == pl.lit(chosen["map_from"], pl.Int64))
    )
    lines = [
        (f"r{row['map_revision']}", shop.ask("map_revision_speed", map_id=row["map_id"]))
        for row in before.iter_rows(named=True)
    ]
    regions = shop.ask("map_revision_regions", map_id=chosen["map_id"])
    kept_chart.draw(
        shop,
        "map_revisions_chart",
        (chosen["map_id"],),
        lambda: charts.error_chart(
            [*lines, (chosen["map_label"], speeds)],
            shop.look(),
            limits,
            band="95 % of the mean" if speeds["lower_pct"].is_not_null().any() else "",
            regions=regions.select("from_rpm", "to_rpm").rows(),
        ),
    )
    st.caption(
        "Mean over the bikes. Shaded: where it misses. Dashed: the revision it was made from."
    )
    bikes = shop.ask("map_revision_bikes", map_id=chosen["map_id"])
    pieces.table(
        bikes,
        "bike_id job_id stage_name parts_key received_on level level_not_excluded "
        "worst_lean_error_pct worst_speed_rpm",
    )
    with st.expander("Their curves"):
        kept_chart.members(shop, "map_revisions_members", bikes, as_error=True)


draw_one()
