"""Answers "what came in, what became of it, which files wait for a hand?"."""

from typing import Any

import polars as pl
import streamlit as st

from dashboard import pieces, queries, wording
from dashboard.open_shop import open_shop

TROUBLES_AT_ONCE = 5
NAMES_AT_ONCE = 4
STATES = ("taken in", "waiting", "refused", "missing", "duplicate", "card")

shop = open_shop()
zone = shop.settings.shop.timezone

# Read
counts = shop.ask(queries.file_counts)
if counts.is_empty():
    st.info("No file has come in yet. Drop job folders into the inbox, then run:")
    st.code("rollbook intake DIR\nrollbook derive DIR\nrollbook publish DIR", language=None)
    st.stop()
files_of = dict(counts.select("state", "files").iter_rows())
in_need = shop.ask(queries.files_in_need)
pulls = shop.ask(queries.pull_counts).row(0, named=True)


def draw_trouble(trouble: dict[str, Any]) -> None:
    """Draw what is wrong with one file or several, and what to do."""
    with st.container(border=True):
        names = ", ".join(trouble["files"][:NAMES_AT_ONCE])
        more = len(trouble["files"]) - NAMES_AT_ONCE
        st.markdown(
            f"**{wording.escaped(trouble['state']).capitalize()}: "
            f"{wording.escaped(names)}{f' and {more} more' if more > 0 else ''}**  \n"
            f"{wording.escaped(trouble['reason'])}  \n"
            f"What to do: {wording.escaped(trouble['remedy'])}"
        )


# Show
pieces.cards(
    (state.capitalize(), wording.number(files_of.get(state, 0)), "") for state in STATES[:5]
)
st.caption(
    f"Files since the shop's first day. {wording.counted(files_of.get('card', 0), 'job card')}; "
    f"{wording.counted(int(counts['rows_rejected'].sum()), 'row')} rejected inside files; "
    f"{wording.counted(pulls['pulls_excluded'], 'pull')} of "
    f"{wording.number(pulls['pulls'])} left out of every curve, each with its reason. "
    "Refused or waiting bytes lie safe in the archive."
)

st.subheader("Files that wait for a hand", anchor=False)
if in_need.is_empty():
    st.success("None: every file that came in has its place.")
else:
    # Files with the same trouble stand together: one look, one remedy.
    troubles = in_need.group_by("state", "reason", "remedy", maintain_order=True).agg(
        pl.format("{} / {}", "job_folder", "file_name").alias("files")
    )
    for trouble in troubles.head(TROUBLES_AT_ONCE).iter_rows(named=True):
        draw_trouble(trouble)
    if troubles.height > TROUBLES_AT_ONCE:
        with st.expander(f"{troubles.height - TROUBLES_AT_ONCE} more kinds of trouble"):
            for trouble in troubles.slice(TROUBLES_AT_ONCE).iter_rows(named=True):
                draw_trouble(trouble)
    with st.expander(f"As a table: {wording.counted(in_need.height, 'file')}"):
        pieces.table(
            in_need,
            {
                "state": "State",
                "job_folder": "Job",
                "file_name": pieces.wide("File", 150),
                "reason": pieces.wide("Why", 380),
                "remedy": pieces.wide("What to do", 380),
                "rows_rejected": "Rejected rows",
            },
        )

st.subheader("Rejected rows", anchor=False)
partly = shop.ask(queries.files_with_rejected_rows)
if partly.is_empty():
    st.text("No row of any file was rejected.")
else:
    place = st.selectbox(
        "File with rejected rows",
        range(partly.height),
        format_func=lambda at: (
            f"{partly['job_folder'][at]} / {partly['file_name'][at]}: "
            f"{partly['rows_rejected'][at]} of {partly['rows_read'][at]} rows, "
            f"{partly['state'][at]}"
        ),
        key="what_came_in_rejected",
    )
    rejected = shop.ask(queries.rejected_rows, partly["file_sha256"][place])
    pieces.table(
        rejected,
        {
            "line_no": "Line",
            "column_name": pieces.wide("Column", 170),
            "rule": pieces.wide("Rule it broke"),
            "found": pieces.wide("Text as it came", 200),
        },
    )
    st.caption("The first 20 of a file are shown; all of them are kept.")

st.subheader("Last job folders", anchor=False)
pieces.table(
    shop.ask(queries.job_folders),
    {
        "job_folder": "Job",
        "last_received_at": pieces.moment("Last file came", zone),
        "taken_in": "Taken in",
        "waiting": "Waiting",
        "refused": "Refused",
        "missing": "Missing",
        "duplicate": "Duplicate",
    },
)

st.subheader("All files", anchor=False)
# Choose
text = st.text_input("Job or file name holds", key="what_came_in_text")
states = st.pills(
    "State", STATES, selection_mode="multi", default=list(STATES), key="what_came_in_states"
)
found = shop.ask(queries.files, tuple(states), text)
total = int(found["found"][0]) if found.height else 0
shown = "" if total <= found.height else f", the latest {wording.number(found.height)} shown"
st.caption(f"{wording.counted(total, 'file')} found{shown}")
pieces.table(
    found.with_columns(pl.col("size_bytes") / 1024),
    {
        "job_folder": "Job",
        "file_name": pieces.wide("File", 180),
        "state": "State",
        "layout": "Layout",
        "rows_kept": "Rows kept",
        "rows_rejected": "Rows rejected",
        "size_bytes": pieces.figures("Size [KiB]"),
        "received_at": pieces.moment("Came", zone),
        "sha256_start": "SHA-256 begins",
    },
)
