"""Answers "how do I teach the shop a kind of file that it does not know?"."""

import hashlib
import tempfile
from pathlib import Path
from typing import Any

import polars as pl
import streamlit as st

from dashboard import charts, desk, kept_chart, pieces, teach_desk
from dashboard.open_shop import look_of, open_shop, shop_folder, standing
from dashboard.troubles import retried
from schemas.desk import AskDraft, AskTrial, Drafted, HeadEntry, Trial
from schemas.layout import MOST_NAME
from warehouse import wording
from warehouse.archived import GoneError, plain_path
from warehouse.shop import ShopFolder

MOST_MB = 200
ROWS_SHOWN_AT_ONCE = 5
AS_IT_IS, ANEW = "Leave it as it is", "Teach a new layout"

memory = st.session_state
settings, snapshot = standing()
# A shop teaches its first layouts before anything is published; what else is missing is told there.
shop = open_shop() if snapshot or settings is None else None
root = shop_folder()
folder = ShopFolder(root)
desk.LOOKING.start()


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


def again_if_packed(path: Path) -> None:
    """Begin the page anew where an archived file was packed while it was read: it lies elsewhere.

    One that is gone has no path, so this comes to an end.
    """
    if not path.is_file():
        st.rerun()


def taught_as_of() -> tuple[tuple[str, int], ...]:
    """Return what changes when any layout of the shop does."""
    return tuple((path.name, path.stat().st_mtime_ns) for path in sorted(folder.layouts.glob("*")))


@st.cache_data(max_entries=16, show_spinner=False)
def guess_for(asked: str, taught: object) -> Drafted:  # noqa: ARG001
    """Return the guess for a file; its name is the hash of its bytes."""
    return desk.LOOKING.ask(AskDraft.model_validate_json(asked))


@st.cache_data(max_entries=32, show_spinner=False)
def trial_of(asked: str, snapshot_no: int, taught: object) -> Trial:  # noqa: ARG001
    """Return what comes out; what waits depends on the snapshot, what rivals on the layouts."""
    return desk.LOOKING.ask(AskTrial.model_validate_json(asked))


def draw_saved(saved: dict[str, Any]) -> None:
    """Draw what was saved, the button that takes its files in, and what became of them."""
    with st.container(border=True):
        st.success(saved["said"])
        waiting = saved["waiting"]
        label = "Read the shop's files of it again now"
        if waiting:
            label = f"Take {wording.counted(len(waiting), 'waiting file')} in now"
        failed = "They could not be taken in; nothing is lost."
        if not waiting and not saved["is_corrected"]:
            st.page_link("views/bring_in_job.py", label="Bring in a job with files of it")
        elif pieces.take_in(saved, root, label, failed, "teach_take_in"):
            draw_what_became(waiting)
        if st.button("Teach another", width="stretch", key="teach_another"):
            del memory["teach_saved"]
            st.rerun()


def draw_what_became(waiting: list[str]) -> None:
    """Draw what became of the files that waited for the layout."""
    if not waiting:
        st.success("The shop is up to date.")
    elif shop is not None:
        keys = [(place.partition("/")[0], place.partition("/")[2]) for place in waiting]
        folders = tuple(sorted({job for job, _ in keys}))
        found = shop.ask("states_in_folders", job_folders=folders)
        outcome = retried(keys, {(job, name): state for job, name, state in found.iter_rows()})
        (st.success if outcome.taken_in == outcome.tried else st.warning)(outcome.sentence)
    st.page_link("views/what_came_in.py", label="See what came in")


def draw_trial(trial: Trial, kind: str) -> None:
    """Draw what came out of the file."""
    for mistake in trial.mistakes:
        st.error(wording.escaped(mistake))
    if trial.trouble:
        st.error(f"It would be refused: {wording.escaped(trial.trouble)}")
    found = trial.tried
    if found is None:
        return
    for note in found.notes:
        st.warning(wording.escaped(note))
    st.caption(
        f"{wording.number(found.rows_kept)} of {wording.number(found.rows_read)} rows kept, "
        f"{wording.number(found.rows_rejected)} rejected."
    )
    draw_head(found.head)
    if found.lacking_columns:
        listed = wording.escaped(", ".join(found.lacking_columns))
        st.warning(f"Asked for by the layout and not in this file: {listed}.")
    if found.curve and found.curve.trouble:
        st.warning(f"No curve yet: {wording.escaped(found.curve.trouble)}")
    if found.channels and settings is not None:
        look = look_of(settings)
        drawn = charts.trial_chart(found, kind, look)
        kept_chart.draw_in_hand("teach_chart", (found, kind, look), drawn)
    if found.rejected:
        few = found.rows_rejected <= ROWS_SHOWN_AT_ONCE
        with st.expander("First rejected rows", expanded=few):
            pieces.table(
                pl.DataFrame(
                    [row.model_dump() for row in found.rejected], infer_schema_length=None
                ),
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
                    channel.model_dump(exclude={"channel", "at", "values"})
                    for channel in found.channels
                ]
            ),
            {
                "label": "Channel",
                "unit": "Unit",
                "low": pieces.figures("Lowest", 3),
                "middle": pieces.figures("Middle", 3),
                "high": pieces.figures("Highest", 3),
            },
        )


def draw_head(entries: tuple[HeadEntry, ...]) -> None:
    """Draw what stands above the table, what it is read as, and what was not found there."""
    if not entries:
        return
    for entry in entries:
        if entry.state in ("not found", "left out"):
            st.warning(wording.escaped(f"Above the table: {entry.sentence}."))
    label = f"Above the table: {wording.counted(len(entries), 'entry', 'entries')}"
    with st.expander(label, expanded=any(entry.state != "not used" for entry in entries)):
        pieces.table(
            pl.DataFrame([entry.model_dump() for entry in entries]),
            {
                "key": pieces.wide("Entry"),
                "says": "It says",
                "read_as": "Read as",
                "unit": "Unit",
                "state": "State",
                "instead": "Nearest, or why",
            },
        )


def pass_over(shas: list[str]) -> None:
    """Choose the waiting file behind the chosen one."""
    at = shas.index(memory["teach_waiting"])
    memory["teach_waiting"] = shas[(at + 1) % len(shas)]


# At the top: what was saved must stay in sight when something else is chosen.
if memory.get("teach_saved"):
    draw_saved(memory["teach_saved"])

# Choose: the file
waiting = shop.ask("untaught_files") if shop else pl.DataFrame({"file_sha256": []})
uploaded = st.file_uploader(
    f"Drop a file as the equipment wrote it (up to {MOST_MB} MB)",
    max_upload_size=MOST_MB,
    key="teach_upload",
)
st.caption("Leaving this page loses a dropped file and what is not saved.")
if uploaded is not None:
    path, came_as = kept_upload(uploaded), uploaded.name
elif waiting.height:
    shas = waiting["file_sha256"].to_list()
    labels = dict(waiting.select("file_sha256", "label").iter_rows())
    asked = st.query_params.get("file", "")
    if asked in shas and memory.get("teach_asked") != asked:
        memory["teach_waiting"] = asked
    memory["teach_asked"] = asked
    if memory.get("teach_waiting") not in shas:
        # The chosen file was just taken in: a person chooses the next one.
        is_first = "teach_waiting" not in memory and not memory.get("teach_saved")
        memory["teach_waiting"] = shas[0] if is_first else None
    chosen = st.selectbox(
        f"Or one that waits: {wording.counted(len(shas), 'file')}",
        shas,
        index=None,
        format_func=lambda sha: labels[sha],
        key="teach_waiting",
        placeholder="Choose a file",
    )
    if chosen is None:
        st.stop()
    if len(shas) > 1:
        st.button("Pass this one over", key="teach_pass", on_click=pass_over, args=(shas,))
    came_as = labels[chosen].partition(" / ")[2]
    try:
        path = plain_path(folder, chosen)
    except GoneError:
        st.error("The archive holds this file no more; put it into its job's folder again.")
        st.stop()
else:
    st.info("No file waits for a layout. Drop one to teach the shop a new kind of file.")
    st.stop()
saved = memory.get("teach_saved")
if saved and saved["file"] == path.name:
    st.info("The layout of this file is saved. Choose another file, or press Teach another.")
    st.stop()

# Read
try:
    with st.status("Looking at the file", expanded=False) as looking:
        hidden = tuple(memory.get(f"teach_private_{path.name}", ()))
        overruled = tuple(memory.get(f"teach_not_private_{path.name}", ()))
        asked = AskDraft(
            file=path, shop=root, came_as=came_as, private=hidden, not_private=overruled
        )
        guess = guess_for(asked.model_dump_json(), taught_as_of())
        looking.update(label=f"Found: {guess.where}", state="complete")
except desk.DeskError as trouble:
    again_if_packed(path)
    st.error(wording.escaped(str(trouble)))
    st.stop()
for doubt in guess.doubts:
    st.warning(f"Look twice: {wording.escaped(doubt)}")

# Choose: a new layout, or one that knows the file already
opened, begun = None, ""
if known := guess.known:
    listed = wording.escaped(", ".join(known))
    if len(known) == 1:
        st.success(f"The shop knows this file: {listed}.")
    else:
        st.error(f"Several layouts fit this file equally, so it waits: {listed}. Correct one.")
    ways = [AS_IT_IS, *(f"Correct {name}" for name in known), ANEW]
    way = st.radio("What to do", ways, format_func=wording.escaped, key=f"teach_way_{path.name}")
    if way == AS_IT_IS:
        st.stop()
    if way and way != ANEW:
        taught = known[ways.index(way) - 1]
        begun = f"teach_opened_{path.name}_{taught}"
        try:
            # As it was when the correction began: what another writes meanwhile is not lost.
            opened = memory.setdefault(begun, teach_desk.standing_layout(root, taught))
        except desk.DeskError as trouble:
            st.error(wording.escaped(str(trouble)))
            st.stop()
        guess = teach_desk.as_taught(guess, opened.tables, overruled)
of_this = f"{path.name}_{opened.path.stem if opened else ''}"

# Choose: what the columns are
st.subheader("What is what", anchor=False)
about = guess.tables["layout"]
left, middle, right = st.columns([2, 2, 1])
name = left.text_input(
    "Name of the layout",
    about["name"] if opened else "",
    placeholder="main dyno",
    max_chars=MOST_NAME,
    disabled=opened is not None,
    key=f"teach_name_{of_this}",
).strip()
equipment = middle.text_input(
    "What wrote it",
    about["equipment"] if opened else "",
    placeholder="dyno in hall 2",
    max_chars=80,
    key=f"teach_equipment_{of_this}",
).strip()
kind = right.radio(
    "It is a",
    ("pull", "ride"),
    index=("pull", "ride").index(guess.log_kind),
    horizontal=True,
    key=f"teach_kind_{of_this}",
)
name_trouble = teach_desk.name_trouble(root, name) if name and not opened else ""
if name_trouble:
    left.error(wording.escaped(name_trouble))
open_columns = [column for column in guess.columns if not column.is_private]
private = [column.name for column in guess.columns if column.is_private]
units = dict.fromkeys([*teach_desk.UNITS, *(column.unit for column in open_columns)])
edited = st.data_editor(
    [
        {
            "name": column.name,
            "example": column.example,
            "channel": column.channel or teach_desk.NOT_USED,
            "unit": column.unit,
            "sure": f"{column.words}, {column.confidence:.0%}" if column.channel else "",
            "why": "; ".join(column.why),
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
        "unit": st.column_config.SelectboxColumn("Unit", options=list(units), width=90),
        "sure": st.column_config.TextColumn("How sure", width=110),
        "why": st.column_config.TextColumn("Why", width=320),
    },
    # Its corrections go by the row: other rows are another table.
    key=f"teach_columns_{of_this}_{hidden}_{overruled}",
)
if private:
    listed = wording.escaped(", ".join(private))
    st.caption(f"Left in the archive, never shown: {listed} (positions, names).")
with st.expander("Private or not"):
    st.multiselect(
        "Taken for private, and is not",
        [name for name in dict.fromkeys([*overruled, *private]) if name not in hidden],
        help="Its values are then shown on this page, and it can be a channel.",
        key=f"teach_not_private_{path.name}",
    )
    st.multiselect(
        "To be shown nowhere",
        [*hidden, *(column.name for column in open_columns if column.name not in overruled)],
        key=f"teach_private_{path.name}",
    )
units_are_right = False
if unsure := teach_desk.assumed_units(guess.tables):
    listed = wording.escaped(", ".join(unsure))
    st.warning(f"The file does not state these units: {listed}. Please check them.")
    units_are_right = st.checkbox(
        "I have looked: these units are right", key=f"teach_units_{of_this}"
    )
answers: dict[str, str] = {}
questions = [
    q
    for q in guess.questions
    if not q.key.endswith(".unit") and (kind == "pull" or q.key != "power")
]
if questions:
    st.subheader("Only you know", anchor=False)
    places = st.columns(min(len(questions), 3))
    for at, question in enumerate(questions):
        choices = teach_desk.choices(question, guess.tables)
        # What a draft put in is no answer: the first choice says so.
        chosen = question.chosen if choices == question.choices else choices[0]
        answers[question.key] = places[at % len(places)].selectbox(
            wording.escaped(question.text),
            choices,
            index=choices.index(chosen) if chosen in choices else 0,
            key=f"teach_{question.key}_{of_this}",
        )
rows = edited.to_dicts() if isinstance(edited, pl.DataFrame) else list(edited)
# A name changes nothing of what comes out, so typing one does not read the file again.
unnamed = {"name": teach_desk.NO_NAME, "equipment": teach_desk.NO_NAME, "kind": kind}
if opened:
    unnamed["name"] = name
tables = teach_desk.corrected(guess, unnamed, rows, answers, units_are_right=units_are_right)

# Show
st.subheader("What comes out", anchor=False)
if doubled := teach_desk.doubled(guess, rows):
    for mistake in doubled:
        st.error(wording.escaped(mistake))
    st.stop()
try:
    with st.spinner("Reading the file with it"):
        to_try = AskTrial(file=path, layout=tables, shop=root, came_as=came_as)
        of_snapshot = snapshot.number if snapshot else 0
        trial = trial_of(to_try.model_dump_json(), of_snapshot, taught_as_of())
except desk.DeskError as trouble:
    again_if_packed(path)
    st.error(wording.escaped(str(trouble)))
    st.stop()
draw_trial(trial, kind)
if trial.tried is None:
    draw_head(guess.head)
if lacking := teach_desk.missing_air(tables):
    listed = wording.escaped(", ".join(lacking))
    st.warning(
        f"Not in this layout: {listed}. Without {'it' if len(lacking) == 1 else 'them'} power "
        "stays as measured and cannot be compared across days. What the file holds of this can be "
        "chosen above; the rest the equipment must write."
    )
for rival in trial.rivals:
    st.error(
        f"Layout {wording.escaped(rival)} fits this file as well, and two that fit make it wait. "
        "Leave that one, or use a column here that it does not name."
    )
is_good = trial.tried is not None and not (trial.rivals or trial.mistakes or trial.trouble)
if is_good and trial.waiting:
    st.success(
        f"{wording.counted(len(trial.waiting), 'waiting file')} of this kind will be taken in."
    )
text = ""
if trial.toml:
    try:
        text = teach_desk.named(trial.toml, name or "new layout", equipment or name or "?")
    except desk.DeskError as trouble:
        is_good = False
        if not name_trouble:
            st.error(wording.escaped(str(trouble)))
is_same = opened is not None and bool(text) and teach_desk.says_the_same(text, opened.text)
if is_same:
    st.info("Nothing is changed yet: the layout that stands says the same.")
if st.button(
    "Save the corrected layout" if opened else "Save this layout",
    type="primary",
    width="stretch",
    disabled=not (is_good and name and not name_trouble) or is_same,
    key="teach_save",
):
    try:
        if opened:
            kept = teach_desk.put_right(root, opened, text)
            said = f"layouts/{opened.path.name}; the one before is kept as backups/layouts/"
            said += kept.name
        else:
            said = f"layouts/{teach_desk.saved(root, name, text).name}"
    except desk.DeskError as trouble:
        st.error(wording.escaped(str(trouble)))
    except OSError as trouble:
        st.error(f"The disk did not take it: {wording.escaped(trouble.strerror or trouble)}.")
    else:
        memory["teach_saved"] = {
            "file": path.name,
            "said": f"Saved as {wording.escaped(said)}.",
            "waiting": list(trial.waiting),
            "is_corrected": opened is not None,
            "run": None,
        }
        if opened:
            del memory[begun]
        st.rerun()
if is_good and not name:
    st.caption("Give the layout a name, and it can be saved.")
with st.expander("The layout as text"):
    st.code(text or guess.toml, language="toml")
