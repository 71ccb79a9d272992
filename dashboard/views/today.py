"""Answers "what needs me today?"."""

import datetime as dt
import json
import shutil
from zoneinfo import ZoneInfo

import polars as pl
import streamlit as st

from dashboard import hand_forms, pieces
from dashboard.day import OnDyno, read_day
from dashboard.links import PAGES
from dashboard.open_shop import open_shop
from warehouse import day_words, disk, noted, wording
from warehouse.day_words import GRAVITIES, news_below

ROWS_AT_ONCE = 4
TROUBLES_AT_ONCE = 3
NEWS_AT_ONCE = 7
LEAN_AT_ONCE = 20
NOTES_AT_ONCE = 5
SIGNS = {"act": ":material/error:", "look": ":material/visibility:", "know": ":material/info:"}
LEVEL_SIGNS = {"stop": ":material/dangerous:", "warn": ":material/warning:",
               "notice": ":material/visibility:", "none": ":material/check:",
               "unknown": ":material/question_mark:"}  # fmt: skip
LABELS = {"dyno-trust": "Dyno", "map-revisions": "Map", "remap-need": "Ranking",
          "what-came-in": "Files", "what-may-i-quote": "Quote"}  # fmt: skip

shop = open_shop()

# Read
zone = shop.settings.shop.timezone
day = read_day(shop.ask, dt.datetime.now(ZoneInfo(zone)).date(), zone)


def draw_row(
    said: str, below: str, page: str, label: str, query: dict[str, str], wide: int = 3
) -> None:
    """Draw what is told in one line and a small one, and beside it where that is shown."""
    told, way = st.columns((wide, 1), gap="small", vertical_alignment="center")
    told.markdown(f"{said}  \n:small[{below}]")
    way.page_link(PAGES[page], label=f"{label} →", query_params=query)


def draw_bike(bike: OnDyno) -> None:
    """Draw a job on the dyno."""
    row = bike.row
    air = "" if row["is_corrected"] else " as observed"
    draw_row(
        f"{LEVEL_SIGNS[bike.advice.level]} **{wording.escaped(bike.name)}**  \n"
        f"{wording.escaped(bike.advice.headline)}",
        f"{row['run_on']:%d %b}, {wording.escaped(row['stage_name'])}: "
        f"{wording.escaped(shop.power(row['peak_power_w']) + air)}",
        "bike",
        wording.escaped(row["bike_id"]),
        {"bike": row["bike_id"], "job": row["job_id"], "stage": row["stage_id"]},
    )


def draw_news(row: dict) -> None:
    """Draw a piece of news."""
    query = json.loads(row["page_query"])
    draw_row(
        f"{SIGNS[row['gravity']]} **{GRAVITIES[row['gravity']]}:** "
        f"{wording.escaped(row['sentence'])}",
        wording.escaped(news_below(row)),
        row["page_address"],
        wording.escaped(query.get("bike", "")) or LABELS[row["page_address"]],
        query,
        wide=7,
    )


def draw_note(row: dict) -> None:
    """Draw what somebody wrote, in one line."""
    told, way = st.columns((7, 1), gap="small", vertical_alignment="center")
    said, below = (wording.escaped(each(row)) for each in (noted.text, noted.wrote))
    told.markdown(f":material/sticky_note_2: {said} :small[{below}]")
    if row["bike_id"]:
        query = {"bike": row["bike_id"], "job": row["at_job_id"]}
        way.page_link(
            PAGES["bike"], label=f"{wording.escaped(row['bike_id'])} →", query_params=query
        )


if day.is_empty:
    st.info("Nothing has come in yet. Bring in the first job, or teach a layout first:")
    with st.container(horizontal=True):
        st.page_link("views/bring_in_job.py", label="Bring in a job")
        st.page_link("views/teach_layout.py", label="Teach a layout")
    st.stop()

# Show
st.markdown(f"#### {wording.escaped(day.came)} {wording.escaped(day.waits)}")
hand_forms.jobs_out(shop)
if day.lean:
    st.error(f"**{wording.escaped(day.lean)}**", icon=":material/warning:")
if filling := disk.forecast(
    shutil.disk_usage(shop.folder).free, shop.ask("bytes_by_day").rows(), day.day
):
    st.warning(f"{wording.escaped(filling)}.", icon=":material/hard_drive:")
if day.need:
    told, way = st.columns((7, 1), gap="small", vertical_alignment="center")
    told.markdown(wording.escaped(day_words.need_sentence(day.need)))
    way.page_link(
        PAGES["remap-need"], label="Ranking →", query_params={"need": day.need["need_id"]}
    )

left, right = st.columns(2, gap="large")
with left:
    st.subheader("On the dyno", anchor=False)
    if not day.bikes:
        st.text("No bike yet.")
    for bike in day.bikes[:ROWS_AT_ONCE]:
        draw_bike(bike)
    if more := day.bikes[ROWS_AT_ONCE:]:
        with st.expander(f"{wording.counted(len(more), 'more bike')} of these days"):
            for bike in more:
                draw_bike(bike)
with right:
    st.subheader("What waits", anchor=False)
    if not day.troubles and not day.gaps:
        st.success("Nothing: every file that came in has its place.")
    for trouble in day.troubles[:TROUBLES_AT_ONCE]:
        files = wording.counted(trouble.files.height, "file")
        draw_row(
            f"**{files} {trouble.state}: {wording.escaped(trouble.code)}**",
            wording.escaped(trouble.remedy),
            "what-came-in",
            "Put right",
            {},
        )
    rest = sum(trouble.files.height for trouble in day.troubles[TROUBLES_AT_ONCE:])
    if rest or day.gaps:
        others = [wording.counted(rest, "more file")] if rest else []
        if day.gaps:
            others.append(wording.counted(len(day.gaps), "layout entry", "layout entries"))
        st.page_link(PAGES["what-came-in"], label=f"{' and '.join(others)} →")

if day.notes:
    st.subheader("Noted lately", anchor=False)
    for row in day.notes[:NOTES_AT_ONCE]:
        draw_note(row)
    if more := day.notes[NOTES_AT_ONCE:]:
        st.caption(f"{wording.counted(len(more), 'earlier note')} of these days.")

st.subheader(day.heading, anchor=False)
shown = (day.fresh + day.lately)[:NEWS_AT_ONCE]
if not shown:
    st.text("Nothing to tell yet: news come with the first bikes.")
for at, row in enumerate(shown):
    if at == len(day.fresh):
        st.markdown("**Before that, the weightiest first**")
    draw_news(row)
if len(day.lean_out) > sum(row["news_kind"] == "left lean" for row in shown):
    with st.expander(f"Left lean and not measured since: {len(day.lean_out)}"):
        for row in day.lean_out[:LEAN_AT_ONCE]:
            draw_news(row)
        if earlier := day.lean_out[LEAN_AT_ONCE:]:
            pieces.table(
                pl.DataFrame(earlier, infer_schema_length=None), "news_on sentence rests_on"
            )
if len(day.news) > len(shown):
    with st.expander(f"All {len(day.news)} news, also those that are over"):
        listed = pl.DataFrame(day.news, infer_schema_length=None)
        pieces.table(listed, "news_on sentence certainty rests_on")
