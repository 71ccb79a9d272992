"""What pages draw so that a person can set a pull aside or put a card back, and see it done."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import polars as pl
import streamlit as st

from dashboard import desk, hand_desk
from dashboard.intake_desk import NotWrittenError
from dashboard.open_shop import OpenShop
from dashboard.who import is_signed_in, refusal, who
from schemas.card import SetAside
from warehouse import wording

SECONDS_BETWEEN_LOOKS = 0.5
_WHO = "hand_person"
"""Who is at this browser, kept for as long as the page is open."""


@st.fragment
def set_aside_form(shop: OpenShop, job_id: str, pulls: pl.DataFrame, key: str = "aside") -> None:
    """Draw the pulls of a job to choose from, the reason, and those that are set aside already.

    `pulls` are rows of the question `pulls`. The address may name one: `pull=run_2.csv`.
    """
    draw_progress(f"{key}_{job_id}")
    standing = hand_desk.set_aside_on_card(shop, job_id)
    if refusal("add"):
        for one in standing:
            st.markdown(_aside(one))
        return
    aside = {one.file for one in standing}
    names = {
        row["file_name"]: f"{row['stage_name']} · pull {row['pull_no']}"
        for row in pulls.unique("file_name", maintain_order=True).iter_rows(named=True)
        if row["file_name"] not in aside
    }
    asked = st.query_params.get("pull")
    chosen = st.pills(
        "Set a pull aside: it counts in no figure and stays to be seen",
        list(names),
        default=asked if asked in names else None,
        format_func=lambda name: wording.escaped(f"{names[name]} ({name})"),
        key=f"{key}_{job_id}_pull",
    )
    if chosen:
        # A form: Enter in the reason writes it, without a way to the button.
        with st.form(f"{key}_{job_id}_form", border=False):
            left, right = st.columns([3, 1])
            reason = left.text_input(
                "Why it does not count", key=f"{key}_{job_id}_why_{chosen}", max_chars=200
            )
            by = person(right, f"{key}_{job_id}_who")
            is_said = st.form_submit_button("Set this pull aside", type="primary")
        if is_said:
            write(
                shop,
                f"{key}_{job_id}",
                f"{chosen} is set aside",
                lambda: hand_desk.set_aside(shop, job_id, chosen, reason, by),
            )
    for at, one in enumerate(standing):
        with st.container(horizontal=True, vertical_alignment="center"):
            st.markdown(_aside(one))
            if st.button("Take it back", key=f"{key}_{job_id}_back_{at}"):
                write(
                    shop,
                    f"{key}_{job_id}",
                    f"{one.file} counts again",
                    lambda file=one.file: hand_desk.take_back(shop, job_id, file),
                )


@st.fragment
def jobs_out(shop: OpenShop) -> None:
    """Draw the jobs that left the shop with a change of a card, and the way back of each."""
    for row in shop.ask("jobs_out").iter_rows(named=True):
        key = f"out_{row['job_folder']}"
        sentence, remedy = (wording.escaped(row[name]) for name in ("reason", "remedy"))
        st.error(f"**{sentence}.** {remedy}", icon=":material/error:")
        draw_progress(key)
        if row["as_it_was"] is None or refusal("add"):
            continue
        job = wording.escaped(row["job_id"])
        if st.button(f"Put the card of {job} back as it was", key=f"{key}_back"):
            write(
                shop,
                key,
                f"{row['job_id']} has its card back",
                lambda row=row: hand_desk.put_card_back(shop, row["job_folder"], row["as_it_was"]),
            )


def _aside(one: SetAside) -> str:
    by = f", by {wording.escaped(one.by)}" if one.by else ""
    return f"Set aside: {wording.escaped(one.file)}: {wording.escaped(one.reason)}{by}"


def correct_card_link(job_id: str) -> None:
    """Draw the way to a job's card, filled in."""
    if refusal("add"):
        return
    query = {"job": job_id}
    st.page_link("views/bring_in_job.py", label="Correct this card", query_params=query)


def person(place: Any, key: str) -> str:
    """Draw the field for who is at this browser, asked for once; who signed in is known."""
    if is_signed_in():
        return who()
    said = place.text_input(
        "Who: a reference, no name", st.session_state.get(_WHO, ""), key=key, max_chars=60
    )
    st.session_state[_WHO] = said
    return said


def write(shop: OpenShop, key: str, done: str, write: Callable[[], None]) -> None:
    """Write into the inbox, start the update, and draw the form again to follow it."""
    try:
        write()
    except NotWrittenError as trouble:
        st.error(f"Not written: {wording.escaped(trouble)}.")
    except OSError as trouble:
        st.error(f"The disk did not take it: {wording.escaped(trouble.strerror or trouble)}.")
    else:
        run = desk.start_update(shop.folder)
        st.session_state[f"{key}_written"] = {"run": run, "done": done, "shop": shop.folder}
        st.rerun()


def draw_progress(key: str) -> None:
    """Draw how far the update is that followed the last writing, and how it ended."""
    written = st.session_state.get(f"{key}_written")
    if written is None:
        return
    if not written["run"].is_over:
        _follow(written["run"])
    elif written["run"].error:
        st.error("It is written, and safe in the inbox. The figures could not be made again:")
        st.text(written["run"].error)
        if st.button("Try again now", key=f"{key}_again"):
            written["run"] = desk.start_update(written["shop"])
            st.rerun()
    else:
        st.success(f"Done: {wording.escaped(written['done'])}.")


@st.fragment(run_every=SECONDS_BETWEEN_LOOKS)
def _follow(run: desk.UpdateRun) -> None:
    """Draw how far an update is, and the page again at its end, holding up nothing below it."""
    step = next(run.steps(), None)
    if step is None:
        st.rerun()
    st.progress(step.share, text=step.sentence)
