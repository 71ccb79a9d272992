"""Answers "which pulls stand behind the job, which were left out, and why?"."""

from __future__ import annotations

import polars as pl
import streamlit as st

from dashboard import address, hand_forms, pieces
from dashboard.story.one_job import OneJob
from warehouse import story, wording

ALL = "all"


def draw(one: OneJob) -> None:
    """Draw the pulls of the job, to the file."""
    names = {stage["stage_id"]: story.stage_label(stage) for stage in one.stages}
    found = address.select(
        "stage", "Stage", [ALL, *names], (names | {ALL: "All stages"}).__getitem__, width=360
    )
    pulls = one.shop.ask("pulls", stage_ids=one.stage_ids if found == ALL else [found])
    if pulls.is_empty():
        pieces.nothing("No pull stands on the card here.")
    unused = pulls.filter(~pl.col("is_used"))
    odd = pulls.filter(pl.col("is_used") & (pl.col("odd").fill_null("") != ""))
    left = "all used" if unused.is_empty() else f"{unused.height} left out of the mean curve"
    st.markdown(f"#### {wording.counted(pulls.height, 'pull')}, {left}")
    for pull in pl.concat([unused, odd]).iter_rows(named=True):
        why = pull["trouble"] or pull["odd"] or pull["notes"] or "no reason was kept"
        out = "left out" if not pull["is_used"] else "stands apart"
        st.markdown(
            f"- {wording.escaped(pull['stage_name'])}, pull {pull['pull_no']}, {out}: "
            f"{wording.escaped(why)}"
        )
    power_at = one.power_at([one.stage(stage_id) for stage_id in set(pulls["stage_id"])])
    st.caption(f"Peak power {power_at}.")
    pieces.table(
        pulls,
        "stage_name pull_no is_used weight odd trouble notes peak_power_w peak_power_mid_w "
        "peak_power_lower_w peak_power_upper_w peak_power_speed_rpm peak_torque_nm "
        "peak_torque_speed_rpm reference_air reference_factor file_standard file_factor "
        "factor_disagreement_pct probe_place file_name sha256_start",
        one.shop.settings,
    )
    hand_forms.set_aside_form(one.shop, one.job["job_id"], pulls)
    hand_forms.correct_card_link(one.job["job_id"])
