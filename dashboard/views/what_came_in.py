"""Answers "what came in, what became of it, which files need someone?"."""

import datetime as dt

import polars as pl
import streamlit as st

from dashboard import acts_shown, address, desk, hand_forms, pieces
from dashboard.open_shop import open_shop
from dashboard.troubles import (
    AGES,
    FOR_A_CARD,
    FOR_A_LAYOUT,
    FOR_A_NEW_CARD,
    IN_NEED,
    Trouble,
    asked_for,
    retried,
    troubles,
)
from dashboard.who import refusal
from warehouse import wording
from warehouse.sentences import day

TROUBLES_AT_ONCE = 4
REASONS_AT_ONCE = 3
NAMES_AT_ONCE = 4
STATES = ("taken in", "waiting", "refused", "missing", "duplicate", "card", "note", "withdrawn")
ANY_LAYOUT, NO_LAYOUT = "Any layout", "None recognised"

shop = open_shop()
memory = st.session_state

# Read
counts = shop.ask("file_counts")
files_of = dict(counts.select("state", "files").iter_rows())
in_need = shop.ask("files_in_need")


def start_again() -> None:
    """Start the update that tries all of them, and remember which ones there were."""
    memory["what_came_in_try"] = (
        desk.start_update(shop.folder),
        list(in_need.select("job_folder", "file_name").iter_rows()),
    )


def draw_last_try() -> desk.UpdateRun | None:
    """Draw what the last try did; return the one that still runs."""
    running = desk.running_update(shop.folder)
    if running and memory.get("what_came_in_try", (None,))[0] is not running:
        start_again()  # another page asked for it: this one follows it too
    if "what_came_in_try" not in memory:
        return None
    run, before = memory["what_came_in_try"]
    if not run.is_over:
        return run
    if run.error:
        st.error("The try ended early. Nothing is lost; put this right and try again:")
        st.text(run.error)
    else:
        folders = sorted({folder for folder, _ in before})
        standing = shop.ask("states_in_folders", job_folders=folders)
        states = {(folder, name): state for folder, name, state in standing.iter_rows()}
        outcome = retried(before, states)
        (st.success if outcome.taken_in == outcome.tried else st.info)(outcome.sentence)
    return None


def draw_trouble(trouble: Trouble, key: str) -> None:
    """Draw what is wrong with one file or several and what to do; the rest behind one click."""
    files = trouble.files
    told, ways = st.columns((3, 2), vertical_alignment="center")
    with told:
        st.markdown(
            f"**{wording.counted(files.height, 'file')} {wording.escaped(trouble.state)}: "
            f"{wording.escaped(trouble.code)}**  \n"
            f"What to do: {wording.escaped(trouble.remedy)}"
        )
    with ways:
        draw_ways(trouble, key)
    first = wording.escaped(" / ".join(files.select("job_folder", "file_name").row(0)))
    more = f" and {files.height - 1} more" if files.height > 1 else ""
    with st.expander(f"{first}{more}: why", key=f"{key}_list"):
        draw_reasons(trouble)


def draw_reasons(trouble: Trouble) -> None:
    """Draw why the files are in need, their first bad rows, and the list of them."""
    files = trouble.files
    said = [
        (f"{count} × " if len(trouble.reasons) > 1 else "") + wording.escaped(reason)
        for reason, count in trouble.reasons[:REASONS_AT_ONCE]
    ]
    if more := len(trouble.reasons) - len(said):
        said.append(f"and {wording.counted(more, 'other finding')}, in the list below")
    st.markdown("  \n".join(said))
    with_rows = files.filter(pl.col("rows_rejected") > 0).head(NAMES_AT_ONCE)
    if with_rows.height:
        shas = with_rows["file_sha256"].to_list()
        bad = shop.ask("first_bad_rows", file_sha256s=shas).join(
            with_rows.select("file_sha256", "file_name"),
            on="file_sha256",
            maintain_order="left",
        )
        st.text("The first bad rows of each file; all of them are kept.")
        pieces.table(bad, "file_name line_no column_name rule found")
    if files.height > 1:
        pieces.table(
            files, "job_folder file_name reason layout size_bytes received_at", shop.settings
        )


def draw_ways(trouble: Trouble, key: str) -> None:
    """Draw a button for each place where this can be corrected."""
    ways: list[tuple[str, str, dict[str, str]]] = []
    if trouble.code in FOR_A_LAYOUT:
        if not refusal("administer"):
            desk.LOOKING.start()  # takes a second, and is probably asked next
        # One for each kind of file that nobody has taught.
        for reason, count in trouble.reasons[:REASONS_AT_ONCE]:
            first = trouble.files.filter(pl.col("reason") == reason).row(0, named=True)
            like_it = f" and {count - 1} like it" if count > 1 else ""
            label = f"Teach the layout of {wording.escaped(first['file_name'])}{like_it}"
            ways.append((label, "views/teach_layout.py", {"file": first["file_sha256"]}))
    elif trouble.code in FOR_A_CARD | FOR_A_NEW_CARD:
        word = "Write the card" if trouble.code in FOR_A_NEW_CARD else "Correct the card"
        folders = trouble.files["job_folder"].unique(maintain_order=True).head(NAMES_AT_ONCE)
        for folder in folders:
            label = f"{word} of {wording.escaped(folder)}"
            ways.append((label, "views/bring_in_job.py", {"folder": folder}))
    with st.container(horizontal=True):
        for at, (label, page, query) in enumerate(ways):
            if st.button(label, key=f"{key}_way_{at}"):
                st.switch_page(page, query_params=query)


if counts.is_empty():
    st.info("No file has come in yet. Bring in a job, or drop its folder into the inbox, then:")
    st.page_link("views/bring_in_job.py", label="Bring in a job")
    st.button(
        "Look into the inbox now",
        type="primary",
        width="stretch",
        key="what_came_in_first",
        on_click=start_again,
    )
    trying = draw_last_try()
    if trying:
        pieces.follow(trying, st.empty())
    st.stop()

# Show
hand_forms.jobs_out(shop)
each = [f"{in_need.filter(pl.col('state') == state).height} {state}" for state in IN_NEED]
st.subheader(
    f"Files that need someone: {in_need.height}" + f" ({', '.join(each)})" * bool(in_need.height),
    anchor=False,
)
st.button(
    "Try again now",
    type="primary",
    width="stretch",
    key="what_came_in_again",
    on_click=start_again,
    help="After a layout or a card was put right. Takes in new files too.",
)
progress = st.empty()
trying = draw_last_try()
if in_need.is_empty():
    st.success("None: every file that came in has its place.")
else:
    # Choose
    with st.expander("Show some of them only"):
        states_wanted = address.several("need", "State", IN_NEED, default=IN_NEED)
        layouts = sorted(set(in_need["layout"].drop_nulls().to_list()))
        layout = address.select("layout", "Layout", [ANY_LAYOUT, NO_LAYOUT, *layouts])
        age = address.segments("came", "Came", AGES)
        holds = address.line("holds", "Job or file name holds")
    asked = asked_for(
        in_need,
        states=states_wanted,
        layout={ANY_LAYOUT: None, NO_LAYOUT: ""}.get(layout, layout),
        text=holds,
        age=age,
        now=dt.datetime.now(dt.UTC),
    )
    # Show
    if left_out := in_need.height - asked.height:
        st.text(f"{wording.counted(asked.height, 'file')} asked for, {left_out} not")
    found = troubles(asked)
    for at, trouble in enumerate(found[:TROUBLES_AT_ONCE]):
        draw_trouble(trouble, f"what_came_in_trouble_{at}")
    if len(found) > TROUBLES_AT_ONCE:
        with st.expander(f"{len(found) - TROUBLES_AT_ONCE} more kinds of trouble"):
            for at, trouble in enumerate(found[TROUBLES_AT_ONCE:], start=TROUBLES_AT_ONCE):
                draw_trouble(trouble, f"what_came_in_trouble_{at}")

st.subheader("What came in", anchor=False)
pulls = shop.ask("pull_counts").row(0, named=True)
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

gaps = shop.ask("layout_gaps")
for is_problem, heading in ((True, "Asked for and not found"), (False, "Assumed, never confirmed")):
    told = gaps.filter(pl.col("is_problem") == is_problem).drop("is_problem")
    if told.is_empty():
        continue
    if is_problem:
        st.error(f"{wording.counted(told.height, 'entry', 'entries')} asked for in vain.")
    with st.expander(f"{heading}: {told.height}", expanded=is_problem):
        st.text('To be put right on the page "Teach a layout": drop one of its files there.')
        pieces.table(told, settings=shop.settings, last_received_at="Last came")

changed = shop.ask("logger_changes")
fresh = changed.filter(pl.col("is_fresh"))
for row in fresh.head(NAMES_AT_ONCE).iter_rows(named=True):
    st.warning(
        f"Files of layout {wording.escaped(row['layout'])} come otherwise since "
        f"{day(row['since_on'])}: {wording.escaped(row['sentence'])}.",
        icon=":material/visibility:",
    )
loggers = shop.ask("loggers")
if not loggers.is_empty():
    with st.expander("What the last files of each layout show of its logger"):
        if not changed.is_empty():
            pieces.table(changed.drop("is_fresh"), settings=shop.settings)
        pieces.table(loggers, settings=shop.settings)
        st.text("Middle values of the last 20 files, each channel in the unit its name ends on.")

remarked = shop.ask("remarks")
if not remarked.is_empty():
    found = int(remarked["found"][0])
    shown = f", {remarked.height} shown" if found > remarked.height else ""
    with st.expander(f"Taken in with a remark: {found}{shown}"):
        others = pl.format("{} and {} more", "file_name", pl.col("files") - 1)
        named = pl.when(pl.col("files") > 1).then(others).otherwise("file_name")
        pieces.table(
            remarked.with_columns(named.alias("file_name")),
            "job_folder file_name standing remark remedy",
        )

partly = shop.ask("files_with_rejected_rows")
if not partly.is_empty():
    with st.expander(f"Rejected rows: in {wording.counted(partly.height, 'file')}"):
        chosen = pieces.choose(
            "File with rejected rows",
            partly,
            lambda row: (
                f"{row['job_folder']} / {row['file_name']}: {row['rows_rejected']} of "
                f"{wording.counted(row['rows_read'], 'row')}, {row['state']}"
            ),
            ("rejected", "file_sha256"),
        )
        pieces.table(shop.ask("rejected_rows", file_sha256=chosen["file_sha256"]))
        st.text("The first 20 of a file are shown; all of them are kept.")

with st.expander("Last job folders"):
    pieces.table(shop.ask("job_folders"), settings=shop.settings)

with st.expander("All files"):
    # Choose
    text = address.line("text", "Job or file name holds")
    states = address.several("states", "State", STATES, default=STATES)
    listed = shop.ask("files", states=states, text=text)
    total = int(listed["found"][0]) if listed.height else 0
    shown = "" if total <= listed.height else f", the latest {wording.number(listed.height)} shown"
    st.text(f"{wording.counted(total, 'file')} found{shown}")
    pieces.table(
        listed,
        "job_folder file_name state layout rows_kept rows_rejected size_bytes received_at "
        "sha256_start",
        shop.settings,
    )
acts_shown.lately(shop)
# Last, so that all of the page stands there while it is followed.
if trying:
    pieces.follow(trying, progress)
