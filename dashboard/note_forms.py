"""What pages draw of notes: what people wrote, and a small form to write one."""

from __future__ import annotations

import datetime as dt
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl
import streamlit as st

from dashboard import hand_forms, note_desk
from dashboard.intake_desk import NotWrittenError
from dashboard.story.one_job import OneJob
from dashboard.who import refusal
from schemas.shop_note import MOST_LETTERS, ShopNote
from warehouse import noted, story
from warehouse.wording import counted, escaped

NOTES_AT_ONCE = 5


def lines(notes: pl.DataFrame) -> None:
    """Draw what people wrote, a line each; where there is nothing, nothing."""
    rows = notes.to_dicts()
    for row in rows[:NOTES_AT_ONCE]:
        st.markdown(_line(row))
    if rows[NOTES_AT_ONCE:]:
        with st.expander(counted(len(rows) - NOTES_AT_ONCE, "older note")):
            for row in rows[NOTES_AT_ONCE:]:
                st.markdown(_line(row))


@st.fragment
def notes(one: OneJob) -> None:
    """Draw the notes to a job, its stages, parts and model, and the form for a new one."""
    job_id = one.job["job_id"]
    key = f"notes_{job_id}"
    subjects = _subjects(one)
    st.subheader("Notes", anchor=False)
    hand_forms.draw_progress(key)
    known = list(subjects.values())
    rows = note_desk.notes_of_job(
        one.shop, job_id, lambda note: _about(note) in known or note.job == job_id
    )
    gone = sum(row["is_taken_back"] for row in rows)
    shows_all = bool(gone) and st.toggle(f"Show {gone} taken back", key=f"{key}_gone")
    for row in rows:
        if shows_all or not row["is_taken_back"]:
            _draw_note(one, row, key)
    if refusal("add"):
        return
    with st.expander("Write a note: the shop reads it, the customer's sheet never shows it"):
        _draw_form(one, subjects, key)


def _draw_note(one: OneJob, row: dict[str, Any], key: str) -> None:
    with st.container(horizontal=True, vertical_alignment="center"):
        st.markdown(_line(row, one.job["job_id"]))
        if row["is_waiting"] or refusal("add"):
            return
        taken = row["is_taken_back"]
        if st.button(
            "Let it hold again" if taken else "Take it back",
            key=f"{key}_{row['note_name']}",
            type="tertiary",
        ):
            hand_forms.write(
                one.shop,
                key,
                "the note holds again" if taken else "the note is taken back",
                lambda: note_desk.set_taken_back(one.shop, row, is_taken_back=not taken),
            )


def _line(row: dict[str, Any], here: str | None = None) -> str:
    text = escaped(noted.text(row))
    if row.get("is_taken_back"):
        text = f"~~{text}~~ (taken back)"
    waiting = " *(being taken in)*" if row.get("is_waiting") else ""
    return f"**{escaped(noted.wrote(row, here))}:** {text}{waiting}"


def _draw_form(one: OneJob, subjects: dict[str, dict[str, Any]], key: str) -> None:
    # A new key empties the field once its text is written, and only then.
    written = st.session_state.get(f"{key}_count", 0)
    left, right = st.columns([2, 1])
    about = left.selectbox("About", list(subjects), key=f"{key}_about")
    who = hand_forms.person(right, f"{key}_who")
    text = st.text_area("Note", key=f"{key}_text_{written}", max_chars=MOST_LETTERS, height=90)
    if st.button("Write this note", type="primary", key=f"{key}_write"):

        def write() -> None:
            if not text.strip():
                raise NotWrittenError("a note needs its words; write them down")
            zone = ZoneInfo(one.shop.settings.shop.timezone)
            today = dt.datetime.now(zone).date()
            said = {"on": today, "by": who.strip() or None, "text": text}
            try:
                note = ShopNote.model_validate(subjects[about] | said)
            except ValueError:
                raise NotWrittenError(
                    f"a note may have {MOST_LETTERS} characters, the person's reference 60, and no "
                    "NUL among them"
                ) from None
            note_desk.write_note(one.shop, note)
            st.session_state[f"{key}_count"] = written + 1

        hand_forms.write(one.shop, key, "the note stands in the book", write)


def _subjects(one: OneJob) -> dict[str, dict[str, Any]]:
    """Return what a note can be about here, each as the keys of its file."""
    job_id, model_id = one.job["job_id"], one.bike["model_id"]
    model = one.bike["model_label"]
    found: dict[str, dict[str, Any]] = {f"This job, {job_id}": {"job": job_id}}
    for stage in one.stages:
        found[f"Stage {story.stage_label(stage)}"] = {"job": job_id, "stage": stage["stage_no"]}
    for row in one.shop.ask("parts_of_job", job_id=job_id).to_dicts():
        part = {"category": row["category"], "maker": row["maker"], "name": row["part_name"]}
        name = f"{row['maker']} {row['part_name']}"
        found[f"{name} on any {model}"] = {"part": part, "model": model_id}
        found[f"{name} on any bike"] = {"part": part}
    found[f"Any {model}"] = {"model": model_id}
    return found


def _about(note: ShopNote) -> dict[str, Any]:
    return note.model_dump(include={"job", "stage", "part", "model"}, exclude_none=True)
