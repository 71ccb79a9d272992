"""Answers "what did it gain, is that real, and is it safe to keep pulling?"."""

from __future__ import annotations

from functools import partial
from typing import Any

import polars as pl
import streamlit as st

from dashboard import address, charts, kept_chart, pieces, why_panel
from dashboard.drawing import Chart
from dashboard.story.one_job import OneJob
from warehouse import story, wording

BOXES = {"stop": st.error, "warn": st.error, "none": st.success}


def draw(one: OneJob) -> None:
    """Draw a gain of the job, or a stage that nothing is held against."""
    if not one.pulled:
        pieces.nothing("No stage of this job has a usable pull: there is no gain to tell.")
    after_id, gain = _choose(one)
    before_id = gain["before_stage_id"] if gain else None
    again_id = gain["again_stage_id"] if gain else None
    shown = [stage_id for stage_id in (before_id, after_id, again_id) if stage_id]
    sessions = one.shop.ask("sessions_of_bike", bike_id=one.bike["bike_id"]).to_dicts()
    measured = {row["stage_id"]: row for row in sessions}
    pulls = one.shop.ask("pulls", stage_ids=shown)
    session = measured.get(after_id)
    power_at = one.shop.power_at(is_corrected=bool(session and session["is_corrected"]))
    judged = _draw_advice(one, after_id, before_id)
    if gain:
        st.markdown(f"### {wording.gain_sentence(gain)}")
        st.caption(f"What changed: {wording.escaped(gain['change_label'])}.")
        why_panel.behind(one.shop, "gain", gain["gain_id"])
    _doubts(gain, measured, shown, pulls)
    peak = one.shop.power(session["peak_power_w"] if session else None)
    pieces.cards(wording.gain_figures(session, gain, peak))
    kept_chart.draw(
        one.shop,
        "gain_chart",
        (before_id, after_id),
        partial(_chart, one, gain, after_id, before_id, power_at),
    )
    at_peak = f" Peak against peak: {gain['verdict_at_peak']}." if gain else ""
    st.caption(
        f"Power {power_at}.{at_peak} Shaded columns: lean windows of the later stage. Bands hold "
        "all parts of the interval, and the scatter of each speed."
        + (" The line before is the first session; the gain is against both." if again_id else "")
    )
    st.caption(judged)
    if gain:
        _budget(one, gain)
    _windows(one, shown)
    with st.container(horizontal=True):
        one.link("What does this map need, cell by cell? →", "map", stage=after_id)
        one.link("Its pulls, to the file →", "pulls", stage=after_id)


def _choose(one: OneJob) -> tuple[str, dict[str, Any] | None]:
    """Return the later stage, and the gain over the stage it is held against, if there is one."""
    compared = one.gains.filter(pl.col("job_id") == one.job["job_id"]).to_dicts()
    known = {gain["after_stage_id"] for gain in compared}
    alone = [stage["stage_id"] for stage in reversed(one.pulled) if stage["stage_id"] not in known]
    choices: dict[str, tuple[str, dict[str, Any] | None]] = {
        f"{gain['before_stage_id']}~{gain['after_stage_id']}": (gain["after_stage_id"], gain)
        for gain in compared
    }
    lone = {stage_id: (stage_id, None) for stage_id in alone}
    # A stage that was run after the last gain is what stands on the dyno now: it comes first.
    latest = one.pulled[-1]["stage_id"]
    choices = lone | choices if latest in lone else choices | lone
    asked = st.query_params.get("stage")
    of_asked = [pair for pair, (after_id, _) in choices.items() if after_id == asked]

    def named(pair: str) -> str:
        after_id, gain = choices[pair]
        if gain is None:
            return f"{story.stage_label(one.stage(after_id))}, alone"
        is_own = gain["before_job_id"] == one.job["job_id"]
        before = (
            story.stage_label(one.stage(gain["before_stage_id"]))
            if is_own
            else f"{gain['before_job_id']} {gain['before_name']}"
        )
        after = story.stage_label(one.stage(after_id))
        return f"{before} → {after} ({gain['change_key']})"

    pair = address.select(
        "pair", "From which stage to which", list(choices), named,
        default=of_asked[0] if of_asked else None,
    )  # fmt: skip
    return choices[pair]


def _draw_advice(one: OneJob, after_id: str, before_id: str | None) -> str:
    """Draw the mixture first, because it decides whether there is a next pull.

    Return how well it is known, to be told below.
    """
    mixture = one.shop.mixture_of(after_id)
    advice = wording.advice(mixture)
    BOXES.get(advice.level, st.warning)(f"## {advice.headline}\n{advice.what_to_do}")
    if advice.is_alarm:
        pieces.cautions()
    said = [f"Mixture of the later stage. {advice.judged}"]
    if before_id:
        said.append(f"Before the change: {one.shop.advice(before_id).headline}.")
    if place := (mixture or {}).get("probe_place"):
        said.append(f"Probe: {wording.escaped(place)}.")
    return " ".join(said)


def _doubts(
    gain: dict[str, Any] | None,
    measured: dict[str, dict[str, Any]],
    shown: list[str],
    pulls: pl.DataFrame,
) -> None:
    """Draw what speaks against a gain, or against one of its sessions."""
    if gain and gain["all_pulls_gain_pct"] is not None:
        odd = pulls.filter(pl.col("odd").fill_null("") != "").to_dicts()
        st.warning(wording.escaped(wording.odd_pulls_sentence(odd, gain["all_pulls_gain_pct"])))
    if gain and not gain["is_like_for_like"]:
        st.warning(
            f"**Not like for like:** {wording.escaped(gain['unlike_reason'])}. "
            "This gain is kept out of every pooled figure."
        )
    later = measured.get(gain["after_stage_id"] if gain else shown[0])
    if later and not later["is_corrected"]:
        st.warning(wording.uncorrected_sentence(later["uncorrected_reason"]))
    for stage_id in shown:
        session = measured.get(stage_id)
        if session and session["has_air_doubt"]:
            notes = pulls.filter((pl.col("stage_id") == stage_id) & (pl.col("notes") != ""))
            said = notes["notes"][0] if notes.height else session["notes"]
            st.warning(
                f"**Weather in doubt, {wording.escaped(session['stage_name'])}:** "
                + wording.escaped(said)
            )


def _chart(
    one: OneJob, gain: dict[str, Any] | None, after_id: str, before_id: str | None, power_at: str
) -> Chart:
    curves = one.shop.ask("session_curves", stage_ids=[after_id, before_id or after_id])
    return charts.comparison_chart(
        one.shop.ask("gain_curve", gain_id=gain["gain_id"]) if gain else pl.DataFrame(),
        curves.filter(pl.col("stage_id") == before_id) if before_id else None,
        curves.filter(pl.col("stage_id") == after_id),
        one.shop.ask("lean_windows", stage_ids=[after_id]),
        one.shop.look(),
        one.shop.limits(),
        names=(gain["before_name"], gain["after_name"])
        if gain
        else ("", one.stage(after_id)["stage_name"]),
        power_at=power_at,
    )


def _budget(one: OneJob, gain: dict[str, Any]) -> None:
    """Draw what the interval of a gain is made of, and what would make it narrower."""
    with st.expander("What the interval is made of"):
        budget = one.shop.ask("gain_budget", gain_id=gain["gain_id"])
        st.markdown(wording.escaped(wording.budget_sentence(budget.to_dicts(), gain["trend_pct"])))
        for said in (gain["would_cut"], gain["on_mounting"]):
            if said:
                st.markdown(f"{wording.escaped(said)}.")
        if gain["drift_pct"] is not None:
            st.markdown(wording.drift_sentence(gain))
        kept_chart.draw(
            one.shop,
            "gain_budget",
            (gain["gain_id"],),
            lambda: charts.budget_chart(budget, one.shop.look()),
        )


def _windows(one: OneJob, shown: list[str]) -> None:
    """Draw the lean and rich windows, and what knock and ignition do in them."""
    windows = one.shop.ask("lean_windows", stage_ids=shown)
    knocks = one.shop.ask("window_knock", stage_ids=shown)
    for knock in knocks.filter("is_told").iter_rows(named=True):
        (st.error if knock["is_loud"] else st.info)(
            f"{wording.escaped(knock['stage_name'])}, {wording.number(knock['from_rpm'])} to "
            f"{wording.number(knock['to_rpm'])} rpm: {wording.escaped(knock['sentence'])}."
        )
    found = wording.counted(windows.height, "window") if windows.height else "none"
    with st.expander(f"Lean and rich windows at full throttle: {found}"):
        if windows.is_empty():
            st.text("None beyond the notice level.")
        else:
            pieces.table(windows, duration_s="Lasts [s]")
        if knocks.height and not knocks["is_told"].any():
            st.text("Knock and ignition were logged and stand out in none of these windows.")
