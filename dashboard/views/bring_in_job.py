"""Answers "how do I bring in this bike's files, and how do I put a card right?"."""

from __future__ import annotations

import datetime as dt
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl
import streamlit as st

from dashboard import intake_desk, pieces
from dashboard.intake_desk import Dropped, Held, NotWrittenError, StandingCard, Stowed
from dashboard.job_draft import (
    Draft,
    StageDraft,
    field_words,
    for_bike,
    judged,
    pull_files,
    unplaced,
)
from dashboard.job_form import JobForm
from dashboard.open_shop import OpenShop, open_shop, shop_folder, standing
from dashboard.shop_words import Known, close_parts, plainly
from schemas.card import CATEGORIES, read_card
from schemas.card_files import in_number_order
from schemas.card_text import CARD_NAME, card_text
from warehouse import wording
from warehouse.shop import ShopFolder

MOST_MB = 200
NEW_JOB, CORRECT = "New job", "Correct a card"

memory = st.session_state
settings, snapshot = standing()
# A shop's first job comes in before anything is published; what else is missing is told there.
shop = open_shop() if snapshot or settings is None else None
zone = settings.shop.timezone if settings else "UTC"
today = dt.datetime.now(ZoneInfo(zone)).date()
inbox = ShopFolder(shop_folder()).inbox


def draw_after_writing(written: dict[str, Any]) -> None:
    """Draw what was written, the button that takes it in, and what became of it."""
    st.success(f"**Written.** {wording.escaped(written['said'])}")
    failed = "It could not be taken in. Files and card are safe in the inbox."
    if pieces.take_in(written, shop_folder(), "Take it in now", failed, "bring_in_job_take_in"):
        draw_what_became(written)
    if st.button("Bring in another job", width="stretch", key="bring_in_job_another"):
        del memory["bring_in_job_written"]
        memory["bring_in_job_mode"] = NEW_JOB
        st.query_params.clear()
        st.rerun()


def draw_what_became(written: dict[str, Any]) -> None:
    """Draw what became of each file of the job."""
    files = open_shop().ask("files_of_folder", job_folder=written["folder"], with_card=True)
    logs = files.filter(pl.col("state") != "card")
    taken = logs.filter(pl.col("state") == "taken in").height
    said = f"{taken} of {wording.counted(logs.height, 'file')} taken in."
    (st.success if taken == logs.height else st.warning)(said)
    # A column that says nothing of any file takes the place of those that do.
    names = ["file_name", "state", "reason", "remedy", "layout", "rows_kept", "rows_rejected"]
    filled = [name for name in names if any(cell not in (None, "", 0) for cell in files[name])]
    pieces.table(files, " ".join(filled))
    untaught = open_shop().ask("untaught_files")
    untaught = untaught.filter(pl.col("label").str.starts_with(f"{written['folder']} / "))
    with st.container(horizontal=True):
        if untaught.height:
            query = {"file": untaught["file_sha256"][0]}
            label = f"Teach the layout of {wording.counted(untaught.height, 'file')}"
            st.page_link("views/teach_layout.py", label=label, query_params=query)
        if taken:
            query = {"bike": written["bike"]}
            st.page_link("views/bike.py", label="See the curves", query_params=query)
        if taken < logs.height:
            st.page_link("views/what_came_in.py", label="See what waits")


if memory.get("bring_in_job_written"):
    draw_after_writing(memory["bring_in_job_written"])
    st.stop()


# Read
@st.cache_resource(max_entries=2, show_spinner=False)
def in_the_shop(_shop: OpenShop, snapshot: str) -> tuple[Known, dict[str, Any], list[str]]:  # noqa: ARG001
    """Return what is known at a snapshot, its cards, and the folders without one; to be read only.

    Made of 5,000 bikes it is half of what the page takes.
    """
    known = Known.of(
        jobs=_shop.ask("known_jobs"),
        bikes=_shop.ask("known_bikes"),
        parts=_shop.ask("known_parts"),
        setups=_shop.ask("stage_setups"),
    )
    cards = {row["job_folder"]: row for row in _shop.ask("cards").iter_rows(named=True)}
    return known, cards, _shop.ask("folders_without_card")["job_folder"].to_list()


if shop:
    known, cards, without_card = in_the_shop(shop, str(shop.snapshot.path))
else:
    known, cards, without_card = Known(), {}, []
in_the_book = [folder for folder, job in cards.items() if job["job_id"] is not None]
published_at = snapshot.published_at if snapshot else None
known = known.with_lying(intake_desk.cards_lying(inbox, in_the_book, published_at))
form = JobForm(known)


def files_in(folder: str) -> list[Held]:
    """Return the logs that lie in a folder of the inbox, as of the snapshot."""
    if shop is None:
        return []
    return [
        Held(row["file_name"], row["size_bytes"], row["layout_kind"])
        for row in shop.ask("files_of_folder", job_folder=folder, with_card=False).iter_rows(
            named=True
        )
        if row["state"] not in ("missing", "withdrawn")
    ]


def last_card(bike_id: str | None) -> Draft | None:
    """Return the last card of a bike of the book, if it lies in its folder and is right."""
    if not bike_id:
        return None
    try:
        card = intake_desk.standing_card(inbox, known.bikes[bike_id]["job_folder"])
    except (NotWrittenError, OSError):
        return None
    return Draft.from_content(card.content) if card and card.content and not card.mistakes else None


def take_bike() -> None:
    """Fill in the chosen bike; its owner stands on its last card only."""
    card = last_card(form.get("bike_choice"))
    form.take_bike(card.owner if card else "")


def named_job(folder: str) -> str:
    """Return a folder with its job, as the list shows it."""
    job = cards[folder]
    if job["job_id"] is None:
        return f"{folder} · not in the book"
    return (
        f"{job['job_id']} · {job['bike_id']} · {job['model_label']} · {job['received_on']:%d %b %Y}"
    )


def open_card(folder: str) -> StandingCard:
    """Draw what is to be known of a standing card; fill the form when it was just chosen."""
    try:
        card = intake_desk.standing_card(inbox, folder)
    except (NotWrittenError, OSError) as trouble:
        st.error(f"The card cannot be read: {wording.escaped(trouble)}")
        st.stop()
    if card is None:
        job = wording.escaped(cards[folder]["job_id"] or folder)
        st.warning(
            "This card is no longer in the inbox. Put it back, or bring the job in anew under its "
            f"number, {job}: the new card then takes the old one's place."
        )
        st.stop()
    if memory.get("bring_in_job_in_hand") != folder:
        form.take(Draft.from_content(card.content or {}))
        form.set("opened_sha256", card.sha256)
        memory["bring_in_job_in_hand"] = folder
    if card.mistakes:
        st.error("The card that lies there has mistakes. What can be read of it stands below.")
        st.text("\n".join(card.mistakes))
    return card


def draw_part_search(stage_id: int) -> None:
    """Draw the line that finds a part in any spelling, and the way to add a new one."""
    typed = st.text_input(
        "Maker and name, roughly", key=form.key(f"{stage_id}_typed"), placeholder="Haldn s2"
    )
    if not typed:
        return
    parts = form.parts()
    for at, part in enumerate(close_parts(typed, parts)):
        st.button(
            wording.escaped(part.label),
            key=form.key(f"{stage_id}_close_{at}"),
            on_click=form.fit_part,
            args=(stage_id, part.key),
            width="stretch",
        )
    st.caption("None of these? Then it is new to the shop:")
    category = st.selectbox("Category", CATEGORIES, key=form.key(f"{stage_id}_category"))
    left, right = st.columns(2)
    maker = left.text_input("Maker", key=form.key(f"{stage_id}_maker"), max_chars=200).strip()
    name = right.text_input("Name", key=form.key(f"{stage_id}_part_name"), max_chars=200).strip()
    spelt = plainly(f"{category}{maker}{name}")
    same = next((part for part in parts if plainly(part.label) == spelt), None)
    if same:
        st.info(f"The shop has that part already: {wording.escaped(same.label)}.")
    st.button(
        "Fit that part" if same else "Add as a new part",
        key=form.key(f"{stage_id}_add"),
        on_click=form.fit_part,
        args=(stage_id, same.key if same else (category, maker, name)),
        disabled=not (maker and name),
        width="stretch",
    )


def draw_stage(stage_id: int, at: int, choices: list[str], sizes: dict[str, int]) -> StageDraft:
    """Draw one stage; return what stands in its fields."""
    where = f"stage.{at}"
    stage = StageDraft()

    def file_label(name: str) -> str:
        return f"{name} · {sizes[name] / 1024:,.0f} KiB" if name in sizes else name

    left, right = st.columns(2)
    stage.name = form.word("What was done", f"{where}.name", known.offered("stage_name"), left)
    stage.fuel = form.word("Fuel", f"{where}.fuel", known.offered("fuel"), right)
    stage.map_name = form.word("Map", f"{where}.map", ["stock", *known.maps])
    if stage.map_name != "stock":
        left, right = st.columns(2)
        stage.map_revision = form.whole("Revision of the map", f"{where}.map.revision", left)
        stage.map_from = form.whole("Made from revision", f"{where}.map.from", right)
        if revisions := known.maps.get(stage.map_name):
            st.caption(f"Revisions so far: {', '.join(map(str, revisions))}")
    stage.parts = form.several(
        "Parts fitted: all of them, not only the new ones",
        f"{where}.parts",
        [part.key for part in form.parts()],
        format_func=lambda part: f"{part[1]} · {part[2]} ({part[0]})",
        placeholder="Standard parts",
    )
    with st.expander("Find or add a part"):
        draw_part_search(stage_id)
    for kind, label in (("pulls", "Pulls, in the order they were run"), ("rides", "Rides")):
        elsewhere = form.elsewhere(stage_id, kind)
        free = [name for name in choices if name not in elsewhere]
        listed = form.several(
            label, f"{where}.{kind}", free, format_func=file_label, placeholder="None"
        )
        setattr(stage, kind, listed)
    with st.expander("Gear, tyre, dyno, mounting, target, note"):
        left, right = st.columns(2)
        stage.gear = form.whole("Gear", f"{where}.gear", left)
        for subject in ("tyre", "dyno"):
            field, offered = f"{where}.{subject}", known.offered(subject)
            setattr(stage, subject, form.word(subject.capitalize(), field, offered, left))
        stage.mounting = form.whole(
            "Mounting: same number, bike stayed on the dyno", f"{where}.mounting", right
        )
        stage.target_lambda = form.figure(
            "Full-throttle target λ, if not the shop's", f"{where}.target_lambda", right, step=0.01
        )
        if at or form.get(f"{stage_id}_suggestion_entered"):
            stage.suggestion_entered = form.tick(
                "The fuel change suggested for the stage before was entered as it was",
                f"{where}.suggestion_entered",
                right,
            )
        stage.note = form.text("Note on the stage", f"{where}.note", right)
    if len(form.stage_ids) > 1:
        with st.container(horizontal=True):
            ways = [("Take this stage out", "out", form.remove_stage)]
            for label, key, move in [("Move up", "up", form.move_up)][: bool(at)] + ways:
                st.button(label, key=form.key(f"{stage_id}_{key}"), on_click=move, args=(stage_id,))
    return stage


def draw_dropped(stowed: list[Stowed]) -> None:
    """Draw what is to be said of dropped files, and the field that gives one another name."""
    for one in stowed:
        if one.state == "name taken":
            with st.container(border=True):
                st.warning(f"{wording.escaped(one.name)}: {wording.escaped(one.said)}.")
                name = st.text_input(
                    "Keep it under the name", one.proposed, key=form.key(f"name_{one.dropped.key}")
                )
                if st.button(
                    "Use this name", key=form.key(f"use_{one.dropped.key}"), width="stretch"
                ):
                    form.set("new_names", {**form.get("new_names"), one.dropped.key: name})
                    st.rerun()
        elif one.said:
            st.caption(wording.escaped(f"{one.dropped.name}: {one.said}"))


# Choose: what to do, and in which folder
asked = known.jobs.get(st.query_params.get("job", ""), st.query_params.get("folder", ""))
if asked and memory.get("bring_in_job_asked") != asked:
    memory["bring_in_job_mode"] = CORRECT if asked in cards else NEW_JOB
    memory["bring_in_job_folder" if asked in cards else "bring_in_job_waiting"] = asked
memory["bring_in_job_asked"] = asked
if memory.get("bring_in_job_mode") not in (NEW_JOB, CORRECT):
    memory["bring_in_job_mode"] = NEW_JOB
mode = NEW_JOB
if cards:
    mode = st.segmented_control(
        "What to do",
        (NEW_JOB, CORRECT),
        key="bring_in_job_mode",
        required=True,
        persist_state="session",
        width="stretch",
    )
chosen, card = "", None
held: list[Held] = []
if mode == CORRECT:
    if memory.get("bring_in_job_folder") not in cards:
        memory["bring_in_job_folder"] = next(iter(cards))
    chosen = str(
        st.selectbox(
            "Job (type to search)",
            list(cards),
            format_func=named_job,
            key="bring_in_job_folder",
            persist_state="session",
        )
    )
    card = open_card(chosen)
    held = files_in(chosen)
elif memory.get("bring_in_job_in_hand") != "":
    lying = [path.name for path in inbox.iterdir()] if inbox.is_dir() else []
    form.take(
        Draft(
            job=known.next_job(lying),
            received=today,
            reference=known.next_bike(),
        )
    )
    memory["bring_in_job_in_hand"] = ""
is_kept = True
if card is not None and shop is not None:
    versions = shop.ask("card_versions", job_folder=chosen)
    is_kept = card.sha256 in versions["file_sha256"].to_list()
    with st.expander(f"Versions of this card so far: {versions.height}"):
        st.caption("Each one is kept in the archive, letter for letter.")
        pieces.table(versions, "received_at is_in_force is_current", settings)

# Choose: the files
st.subheader("Files", anchor=False)
if mode == NEW_JOB and without_card:
    if memory.get("bring_in_job_waiting", "") not in ["", *without_card]:
        memory["bring_in_job_waiting"] = ""
    chosen = st.selectbox(
        "Files that wait in the inbox without a card",
        ["", *without_card],
        format_func=lambda folder: f"Folder {folder}" if folder else "None of them",
        key="bring_in_job_waiting",
        persist_state="session",
    )
    held = files_in(chosen) if chosen else []
uploads = st.file_uploader(
    f"Drop logs here or tap to choose (each up to {MOST_MB} MB)",
    accept_multiple_files=True,
    max_upload_size=MOST_MB,
    key=form.key("uploads"),
)
st.caption(
    "Larger files: copy them into the job's folder in the inbox yourself. Leaving this page drops "
    "the files from the form; the card stays."
)
typed_job = str(form.get("job", "")).strip()
# A job whose card is gone from the inbox is brought in anew, in the folder that the book knows.
comes_again = known.jobs.get(typed_job, "") if mode == NEW_JOB and not chosen else ""
if comes_again and (inbox / comes_again / CARD_NAME).exists():
    comes_again = ""
folder = chosen or comes_again
if not folder and typed_job:
    folder = intake_desk.job_folder(inbox, typed_job)
if comes_again and (inbox / comes_again).is_dir():
    held = files_in(comes_again)
stowed = intake_desk.stowing(
    [Dropped(one.file_id, one.name, one.getbuffer()) for one in uploads],
    inbox / folder if folder else None,
    form.get("new_names"),
)
form.slot("files")
draw_dropped(stowed)
dropped = [one for one in stowed if one.state in ("new", "there already")]
lying = {one.name for one in held}
held += [Held(one.name, len(one.dropped.data)) for one in dropped if one.name not in lying]
held.sort(key=lambda one: in_number_order(one.name))

# Choose: the job and the bike
st.subheader("Job and bike", anchor=False)
draft = Draft(stages=[])
left, right = st.columns(2)
draft.job = form.text("Job number", "job", left)
draft.received = form.day("Came in on", "received", right)
bike_choice = model_choice = ""
if mode == NEW_JOB and known.bikes:
    bike_choice = st.selectbox(
        "Bike (type to search)",
        ["", *known.bikes],
        format_func=lambda one: (
            f"{one} · {known.bikes[one]['make']} {known.bikes[one]['model']} "
            f"({known.bikes[one]['first_year']}–{known.bikes[one]['last_year']})"
            + (" · not taken in yet" if one in known.claimed else "")
            if one
            else "A bike new to the shop"
        ),
        key=form.key("bike_choice"),
        on_change=take_bike,
        persist_state="session",
    )
    if not bike_choice:
        models = known.models()
        model_choice = st.selectbox(
            "Model (type to search)",
            ["", *models],
            format_func=lambda one: (
                f"{models[one]['make']} {models[one]['model']} ({models[one]['first_year']}–"
                f"{models[one]['last_year']}), {models[one]['displacement_cc']:g} cm³"
                if one
                else "A model new to the shop"
            ),
            key=form.key("model_choice"),
            on_change=form.take_model,
            persist_state="session",
        )
if bike_choice:
    draft.reference = bike_choice
    form.slot("bike.reference")
else:
    draft.reference = form.text("Bike reference, the shop's own number of it", "bike.reference")
if bike_choice or model_choice:
    for_bike(draft, known.bikes[bike_choice] if bike_choice else known.models()[model_choice])
    st.text(
        f"{draft.make} {draft.model} ({draft.first_year}–{draft.last_year}), "
        f"{draft.displacement_cc:g} cm³, {draft.induction} induction"
    )
else:
    left, right = st.columns(2)
    makes = sorted({bike["make"] for bike in known.bikes.values()})
    draft.make = form.word("Make", "bike.make", makes, left)
    draft.model = form.text("Model", "bike.model", right)
    left, middle, right = st.columns(3)
    draft.first_year = form.whole("First model year of the generation", "bike.generation", left)
    draft.last_year = form.whole("Last model year of the generation", "bike.generation.1", middle)
    draft.displacement_cc = form.figure(
        "Displacement [cm³]", "bike.displacement_cc", right, step=1.0
    )
    left, right = st.columns(2)
    draft.cylinders = form.whole("Cylinders", "bike.cylinders", left)
    draft.induction = form.either("Induction", "bike.induction", ("natural", "forced"), right)
left, right = st.columns(2)
draft.year = form.whole("Model year of this bike", "bike.year", left)
draft.owner = form.text("Owner's reference: a number, no name", "bike.owner", right)
draft.control = form.tick("Control bike: run unchanged to watch the dyno", "bike.control")
form.slot("bike")
draft.note = form.text("Note on the job", "note")
if before := last_card(bike_choice):
    st.button(
        f"First stage: as it left on job {wording.escaped(before.job)}",
        key=form.key("as_it_left"),
        on_click=form.start_from,
        args=(before.stages[-1],),
        width="stretch",
    )

# Choose: the stages, and which file belongs to which
st.subheader("Stages, in the order they were run", anchor=False)
choices = form.sort_files(held, anew=mode == NEW_JOB)
sizes = {one.name: one.size_bytes for one in held}
for at, stage_id in enumerate(form.stage_ids):
    with st.container(border=True):
        st.markdown(f"**Stage {at + 1}**")
        form.slot(f"stage.{at}")
        draft.stages.append(draw_stage(stage_id, at, choices, sizes))
st.button("Add a stage", key=form.key("add_stage"), on_click=form.add_stage, width="stretch")
with st.expander("Set a pull aside: it counts in no figure, and stays to be seen"):
    draft.set_aside = form.set_aside(pull_files(draft, list(sizes)))

# Show: the card, and everything that is wrong with it
st.subheader("The card", anchor=False)
new_bike = "" if card is not None or bike_choice else draft.reference
verdict = judged(
    draft,
    known,
    folder=chosen or comes_again or None,
    files=[one.name for one in dropped],
    today=today,
    is_new_bike=bool(new_bike),
    opened=Draft.from_content(card.content or {}) if card is not None else None,
    last_owner=before.owner if before else "",
)
mistakes = dict(verdict.mistakes)
if taken := [one for one in stowed if one.state == "name taken"]:
    names = ", ".join(one.name for one in taken)
    mistakes["files"] = [*mistakes.get("files", []), f"Give another name to: {names}."]
is_new_folder = bool(folder) and not (chosen or comes_again)
in_the_way = intake_desk.folder_in_the_way(inbox / folder, stowed) if is_new_folder else None
if in_the_way:
    mistakes["job"] = [*mistakes.get("job", []), in_the_way]
if not is_kept:
    mistakes["the card"] = [
        "The card in the folder was changed and is not in the archive yet. Take it in first, so "
        "that it is kept: What came in?, Try again now."
    ]
if comes_again:
    bike = cards.get(comes_again, {}).get("bike_id")
    st.warning(
        f"Job {wording.escaped(draft.job)} is in the book"
        + (f", of bike {wording.escaped(bike)}" if bike else "")
        + ", and its card is gone from the inbox. What is written here takes its place; for "
        "another job, give another number."
    )
hidden = set() if form.get("has_tried") else verdict.blanks
form.tell(mistakes, hidden)
for caution in verdict.cautions:
    st.warning(wording.escaped(caution))
mine = {one.name for one in dropped}
left_over = [name for name in unplaced(draft, [one.name for one in held]) if name not in mine]
if left_over:
    more = f" and {len(left_over) - 6} more" if len(left_over) > 6 else ""
    shown = ", ".join(left_over[:6]) + more
    st.warning(
        f"{wording.counted(len(left_over), 'file')} in the folder under no stage: "
        f"{wording.escaped(shown)}"
    )
text = card_text(verdict.card, card.text if card else "") if verdict.card else ""
new = sum(one.state == "new" for one in stowed)
if card is not None and not card.mistakes and verdict.card == read_card(card.text):
    text = card.text  # nothing changed: the standing card, with its comments, is kept
is_same = card is not None and text == card.text and not new
if text:
    st.caption(f"This will stand in inbox / {wording.escaped(folder)} / card.toml:")
    st.code(text, language="toml")
if is_same:
    st.info("Nothing is changed yet: the card that lies there says the same.")
blanks = [field_words(field) for field in mistakes if field in verdict.blanks]
wrong = len(mistakes) - len(blanks)
if blanks:
    st.info(f"To fill in: {', '.join(blanks)}.")
if wrong:
    st.error(f"{wording.counted(wrong, 'mistake')}, each beside its field.")
if st.button(
    "Write card and files" if mode == NEW_JOB else "Write the new card",
    type="primary",
    width="stretch",
    key=form.key("write"),
    disabled=is_same,
):
    if mistakes or not text:
        form.set("has_tried", True)
        st.rerun()
    opened = form.get("opened_sha256") if mode == CORRECT else None
    try:
        intake_desk.write_job(
            inbox,
            folder,
            stowed,
            text,
            replaces=opened,
            objection=lambda: intake_desk.claimed_elsewhere(
                intake_desk.cards_lying(inbox, in_the_book, published_at),
                folder,
                draft.job,
                new_bike,
            ),
        )
    except NotWrittenError as trouble:
        st.error(wording.escaped(f"Not written: {trouble}."))
    except OSError as trouble:
        st.error(
            f"The disk did not take it all: {wording.escaped(trouble.strerror or trouble)}. The "
            "card was not written, so nothing is taken in by half. Put that right and press "
            "again; it goes on where it was."
        )
    else:
        said = f"The card of job {draft.job} lies in the inbox, folder {folder}"
        said += f", with {wording.counted(new, 'file')} beside it." if new else "."
        if mode == CORRECT:
            said += " The card before it is kept in the archive."
        memory["bring_in_job_written"] = {
            "folder": folder,
            "bike": draft.reference,
            "said": said,
            "run": None,
        }
        memory["bring_in_job_in_hand"] = None
        st.rerun()
