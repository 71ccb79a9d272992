"""Answers "how do I teach the shop a kind of file that it does not know?"."""

import hashlib
import tempfile
from pathlib import Path
from typing import Any

import polars as pl
import streamlit as st

from dashboard import charts, pieces, queries, run_command, teach_desk, wording
from dashboard.open_shop import open_shop
from warehouse.shop import ShopFolder

MOST_MB = 200
shop = open_shop()
folder = ShopFolder(shop.folder)
memory = st.session_state


def kept_upload(uploaded: Any) -> Path:
    """Return an uploaded file on disk, in a folder that goes when the session does."""
    if "teach_folder" not in memory:
        memory["teach_folder"] = tempfile.TemporaryDirectory(ignore_cleanup_errors=True)
    data = uploaded.getvalue()
    name = hashlib.sha256(data).hexdigest()
    path = Path(memory["teach_folder"].name) / name
    if not path.is_file():
        path.write_bytes(data)
    return path


@st.cache_data(max_entries=16, show_spinner=False)
def guess_for(path: str) -> dict[str, Any]:
    """Return the guess for a file; its name is the hash of its bytes."""
    return teach_desk.drafted(Path(path))


@st.cache_data(max_entries=32, show_spinner=False)
def trial_of(path: str, tables: dict[str, Any], snapshot: int) -> dict[str, Any]:  # noqa: ARG001
    """Return what comes out; what waits depends on the snapshot."""
    return teach_desk.tried(Path(path), tables, shop.folder)


def draw_trial(trial: dict[str, Any], kind: str) -> None:
    """Draw what came out of the file."""
    for mistake in trial["mistakes"]:
        st.error(wording.escaped(mistake))
    if trial["trouble"]:
        st.error(f"It would be refused: {wording.escaped(trial['trouble'])}")
    found = trial["tried"]
    if found is None:
        return
    for note in found["notes"]:
        st.warning(wording.escaped(note))
    st.caption(
        f"{wording.number(found['rows_kept'])} of {wording.number(found['rows_read'])} rows kept, "
        f"{wording.number(found['rows_rejected'])} rejected."
    )
    curve = found["curve"]
    if curve and curve["trouble"]:
        st.warning(f"No curve yet: {wording.escaped(curve['trouble'])}")
    if found["channels"]:
        pieces.chart(charts.trial_chart(found, kind, shop.look()), key="teach_chart")
    if found["rejected"]:
        with st.expander("First rejected rows"):
            pieces.table(
                pl.DataFrame(found["rejected"], infer_schema_length=None),
                {
                    "line": "Line",
                    "column": "Column",
                    "rule": pieces.wide("Rule it broke"),
                    "found": "Text as it came",
                },
            )
    with st.expander("Every channel"):
        pieces.table(
            pl.DataFrame(
                [
                    {key: channel[key] for key in ("channel", "unit", "low", "middle", "high")}
                    for channel in found["channels"]
                ]
            ),
            {
                "channel": "Channel",
                "unit": "Unit",
                "low": pieces.figures("Lowest", 3),
                "middle": pieces.figures("Middle", 3),
                "high": pieces.figures("Highest", 3),
            },
        )


# Choose: the file
waiting = shop.ask(queries.untaught_files)
asked = st.query_params.get("file", "")
uploaded = st.file_uploader(
    f"Drop a file as the equipment wrote it (up to {MOST_MB} MB)",
    max_upload_size=MOST_MB,
    key="teach_upload",
)
if uploaded is not None:
    path = kept_upload(uploaded)
elif waiting.height:
    shas = waiting["file_sha256"].to_list()
    labels = dict(waiting.select("file_sha256", "label").iter_rows())
    chosen = str(
        st.selectbox(
            f"Or one that waits: {wording.counted(len(shas), 'file')}",
            shas,
            index=shas.index(asked) if asked in shas else 0,
            format_func=lambda sha: labels[sha],
            key="teach_waiting",
        )
    )
    path = folder.archive / chosen[:2] / chosen
else:
    st.info("No file waits for a layout. Drop one to teach the shop a new kind of file.")
    st.stop()

# Read
try:
    with st.status("Looking at the file", expanded=False) as looking:
        guess = guess_for(str(path))
        looking.update(label=f"Found: {guess['where']}", state="complete")
except teach_desk.DeskError as trouble:
    st.error(wording.escaped(str(trouble)))
    st.stop()
for doubt in guess["doubts"]:
    st.warning(f"Look twice: {wording.escaped(doubt)}")

# Choose: what the columns are
st.subheader("What is what", anchor=False)
left, middle, right = st.columns([2, 2, 1])
name = left.text_input(
    "Name of the layout", "", placeholder="main dyno", key=f"teach_name_{path.name}"
)
equipment = middle.text_input(
    "What wrote it", "", placeholder="dyno in hall 2", key=f"teach_equipment_{path.name}"
)
kind = right.radio(
    "It is a",
    ("pull", "ride"),
    index=("pull", "ride").index(guess["kind"]),
    horizontal=True,
    key=f"teach_kind_{path.name}",
)
open_columns = [column for column in guess["columns"] if not column["is_private"]]
private = [column["name"] for column in guess["columns"] if column["is_private"]]
edited = st.data_editor(
    [
        {
            "name": column["name"],
            "example": column["example"],
            "channel": column["channel"] or teach_desk.NOT_USED,
            "unit": column["unit"],
            "sure": f"{column['words']}, {column['confidence']:.0%}" if column["channel"] else "",
            "why": "; ".join(column["why"]),
        }
        for column in open_columns
    ],
    hide_index=True,
    disabled=["name", "example", "sure", "why"],
    column_config={
        "name": st.column_config.TextColumn("Column", width=150),
        "example": st.column_config.TextColumn("First, middle, last", width=150),
        "channel": st.column_config.SelectboxColumn(
            "Channel", options=teach_desk.CHANNELS, required=True, width=150
        ),
        "unit": st.column_config.SelectboxColumn("Unit", options=teach_desk.UNITS, width=90),
        "sure": st.column_config.TextColumn("How sure", width=110),
        "why": st.column_config.TextColumn("Why", width=320),
    },
    key=f"teach_columns_{path.name}",
)
if private:
    listed = wording.escaped(", ".join(private))
    st.caption(f"Left in the archive, never shown: {listed} (positions, names).")
unsure = [q["key"].split(".")[1] for q in guess["questions"] if q["key"].endswith(".unit")]
if unsure:
    st.warning(
        "The file does not state these units, and values cannot tell them: please check "
        f"{wording.escaped(', '.join(unsure))} in the table."
    )
answers: dict[str, str] = {}
questions = [
    q
    for q in guess["questions"]
    if not q["key"].endswith(".unit") and (kind == "pull" or q["key"] != "power")
]
if questions:
    st.subheader("Only you know", anchor=False)
    places = st.columns(min(len(questions), 3))
    for at, question in enumerate(questions):
        choices = question["choices"]
        answers[question["key"]] = places[at % len(places)].selectbox(
            question["text"],
            choices,
            index=choices.index(question["chosen"]) if question["chosen"] in choices else 0,
            key=f"teach_{question['key']}_{path.name}",
        )
about = {
    "name": name.strip() or "new layout",
    "kind": kind,
    "equipment": equipment.strip() or name.strip() or "not named",
}
rows = edited.to_dicts() if isinstance(edited, pl.DataFrame) else list(edited)
tables = teach_desk.corrected(guess, about, rows, answers)

# Show
st.subheader("What comes out", anchor=False)
try:
    with st.spinner("Reading the file with it"):
        trial = trial_of(str(path), tables, shop.snapshot.number)
except teach_desk.DeskError as trouble:
    st.error(wording.escaped(str(trouble)))
    st.stop()
draw_trial(trial, kind)
for rival in trial["rivals"]:
    st.error(
        f"Layout {wording.escaped(rival)} fits this file as well, and two that fit make it wait. "
        "Leave that one, or use a column here that it does not name."
    )
is_good = bool(trial["tried"]) and not trial["rivals"] and not trial["mistakes"]
if is_good and trial["waiting"]:
    st.success(
        f"{wording.counted(len(trial['waiting']), 'waiting file')} of this kind will be taken in."
    )
if st.button(
    "Save this layout",
    type="primary",
    width="stretch",
    disabled=not (is_good and name.strip()),
    key="teach_save",
):
    try:
        target = teach_desk.saved(shop.folder, name.strip(), trial["toml"])
    except teach_desk.DeskError as trouble:
        st.error(wording.escaped(str(trouble)))
    else:
        memory["teach_saved"] = target.name
if is_good and not name.strip():
    st.caption("Give the layout a name, and it can be saved.")
with st.expander("The layout as text"):
    st.code(trial["toml"] or "Not complete yet.", language="toml")

if memory.get("teach_saved"):
    st.success(f"Saved as layouts/{wording.escaped(memory['teach_saved'])}.")
    run = memory.get("teach_run")
    if run is None and st.button(
        "Take the waiting files in now", width="stretch", key="teach_take_in"
    ):
        memory["teach_run"] = run_command.start_update(shop.folder)
        st.rerun()
    elif run is not None and not run.is_over:
        pieces.follow(run)
    elif run is not None and run.error:
        st.error("They could not be taken in; nothing is lost.")
        st.text(run.error)
    elif run is not None:
        st.success("Done.")
        st.page_link("views/what_came_in.py", label="See what became of them")
