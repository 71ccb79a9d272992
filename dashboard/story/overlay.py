"""The story: a sentence, all stages of the job over one another, a row a stage, the other jobs."""

from __future__ import annotations

from functools import partial
from typing import Any

import polars as pl
import streamlit as st

from dashboard import acts_shown, address, export, kept_chart, note_forms, past, pieces, why_panel
from dashboard.drawing import Chart
from dashboard.sheets.job import make, sheet_stem
from dashboard.sheets.letters import lacks_in_pdf
from dashboard.story.one_job import OneJob
from dashboard.story_chart import StageLine, gain_of_curves, story_chart
from dashboard.who import who
from warehouse import story, wording
from warehouse.acts import sheet_given_out
from warehouse.shop import ShopFolder

MOST_AT_ONCE = 5
"""Stages drawn at first: the first of them and the latest; the others are one press away."""
JOBS_AT_ONCE = 4
LIKE_IT = "views/builds_like_this.py"
STEP_RPM = 50
"""Of the grid that the curves stand on."""
HIGHEST_RPM = 30_000
NOT_IN_PDF = (
    "The PDF holds Latin, Greek and Cyrillic letters; others stand as ◊ in it. The HTML that "
    "`rollbook sheet` writes beside it holds them all."
)
RANGE_CAUTION = (
    "The span holds the truth 19 times in 20, of a stretch picked by eye too: it is the mean of "
    "the band of the whole curve, and may be too wide. No verdict."
)


def draw(one: OneJob) -> None:
    """Draw the story of a job."""
    calm = _head(one)
    if one.pulled:
        _picture(one)
    else:
        st.info("No stage of this job has a usable pull: there is no curve to draw.")
        pieces.table(_rows(one, None), _columns(one), one.shop.settings, wraps=True)
        _links(one)
    if calm:
        st.caption(calm)
    note_forms.notes(one)
    acts_shown.on_job(one.shop, one.job["job_id"])
    _other_jobs(one)


def _head(one: OneJob) -> str:
    """Draw the danger that the bike stands in now, and the job in one breath.

    Return how it stands now where nothing is to be done about it, to be told below.
    """
    last = one.stages[-1]
    later = one.shop.ask("last_stage_of_bike", stage_id=last["stage_id"]).to_dicts()
    stands = later[0]["stage_id"] if later else last["stage_id"]
    advice = one.shop.advice(stands)
    since = ""
    if later:
        since = f" It has been run since: {stands}, {wording.escaped(later[0]['stage_name'])}."
    told = f"{advice.headline}**, as it stands now. {advice.what_to_do}{since}"
    if advice.is_alarm:
        box = st.error if advice.shown in wording.LEAN_LEVELS else st.warning
        box(f"### {advice.headline}\nAs the bike stands now. {advice.what_to_do}{since}")
        pieces.cautions()
    elif advice.level == "unknown":
        st.warning(f"**{told}")
    pulled = one.pulled
    whole = one.gain(pulled[0]["stage_id"], pulled[-1]["stage_id"]) if len(pulled) > 1 else None
    powers = [one.shop.power(stage["peak_power_w"]) for stage in one.stages]
    sentence = story.story_sentence(one.stages, whole, powers)
    st.markdown(f"#### {wording.escaped(sentence)}")
    with st.container(horizontal=True):
        if whole:
            why_panel.behind(one.shop, "gain", whole["gain_id"], "Why this gain?")
        if one.shop.mixture_of(stands):
            why_panel.behind(one.shop, "lean", stands, "Why this mixture?")
    if advice.level == "notice":
        st.markdown(f"**{told}")
    return f"**{told}" if advice.level == "none" else ""


def _bases(one: OneJob) -> dict[str, str]:
    """Return the stages that gains can be told against: of this job, then of earlier ones."""
    found = {stage["stage_id"]: story.stage_label(stage) for stage in one.pulled}
    earlier = one.gains.filter(
        pl.col("after_stage_id").is_in(list(found)) & ~pl.col("before_stage_id").is_in(list(found))
    )
    for gain in earlier.iter_rows(named=True):
        found[gain["before_stage_id"]] = f"{gain['before_job_id']} {gain['before_name']}"
    return found


@st.fragment
def _picture(one: OneJob) -> None:
    """Draw the stages that are chosen, against the base that is chosen."""
    names = {stage["stage_id"]: story.stage_label(stage) for stage in one.pulled}
    ids = list(names)
    usual = ids if len(ids) <= MOST_AT_ONCE else [ids[0], *ids[1 - MOST_AT_ONCE :]]
    bases = _bases(one)
    # A bike that was run once is told against the job before.
    first = next(iter(bases)) if len(ids) > 1 else list(bases)[-1]
    shown = ids
    if len(ids) > 1:
        shown = address.several("stages", "Stages", ids, names.__getitem__, default=usual)
        shown = shown or ids[-1:]
    base, has_others = first, len(bases) > 1
    # A finger on a phone scrolls the page with the same stroke.
    can_drag = has_others and "Mobi" not in (st.context.headers.get("User-Agent") or "")
    # The picture stands first; what is read off it is asked for below.
    picture = st.container()
    controls = st.container(horizontal=True, vertical_alignment="center")
    if has_others:
        base = address.select(
            "base", "Gains over", list(bases), bases.__getitem__,
            default=first, place=controls, width=220,
        )  # fmt: skip
    if has_others:
        _range(one, shown, base, controls, can_drag=can_drag)
    kept_chart.draw(
        one.shop,
        "story_chart",
        (one.job["job_id"], tuple(shown), base),
        partial(_chart, one, shown, base, bases[base]),
        layout={"dragmode": "select", "selectdirection": "h"} if can_drag else None,
        place=picture,
        on_select=_picked if can_drag else "ignore",
        **({"selection_mode": "box"} if can_drag else {}),
    )
    rows = _rows(one, base)
    with st.container(key="wide_only"):
        pieces.table(
            rows, _columns(one), one.shop.settings,
            wraps=True, gain_said=f"Gain over {bases[base]}", cruise_out_share="Cruise off [%]",
        )  # fmt: skip
    with st.container(key="narrow_only"):
        st.markdown(_as_lines(one, rows, bases[base]))
    st.caption(
        f"Peak power {one.power_at(one.pulled)}. Gains: mean over the riding range, the span holds "
        "the truth 19 times in 20. Shaded in the picture: lean windows of the latest stage shown."
    )
    if rows["gain_said"].str.starts_with("not compared: ").any():
        st.caption(story.NOT_COMPARED)
    _links(one)


def _chart(one: OneJob, shown: list[str], base: str, base_name: str) -> Chart:
    """Return the picture of some stages."""
    drawn = shown if base in one.stage_ids else [base, *shown]
    curves = one.shop.ask("session_curves", stage_ids=list({*drawn, base}))
    of = {stage_id: curves.filter(pl.col("stage_id") == stage_id) for stage_id in (*drawn, base)}
    lines, ratios = [], _ratios(one, base)
    for stage_id in drawn:
        label, short = base_name, "before"
        if stage_id in one.stage_ids:
            stage = one.stage(stage_id)
            label, short = story.stage_label(stage), str(stage["stage_no"])
        gain = pl.DataFrame()
        if stage_id != base:
            compared = one.gain(base, stage_id)
            if compared:
                gain = one.shop.ask("gain_curve", gain_id=compared["gain_id"])
            elif ratios.get(stage_id) is not None:
                gain = gain_of_curves(of[base], of[stage_id])
        lines.append(StageLine(label, short, of[stage_id], gain))
    return story_chart(
        lines,
        one.shop.ask("lean_windows", stage_ids=drawn[-1:]),
        one.shop.look(),
        one.shop.limits(),
        base=str(one.stage(base)["stage_no"]) if base in one.stage_ids else "before",
        power_at=one.power_at(one.pulled),
    )


def _picked() -> None:
    """Take over the range of speeds that was dragged on the picture."""
    boxes = st.session_state["story_chart"]["selection"]["box"]
    if boxes:
        ends = sorted(STEP_RPM * round(end / STEP_RPM) for end in boxes[-1]["x"])
        kept = [str(min(max(end, 0), HIGHEST_RPM)) for end in ends]
        address.go(dict(zip(("from", "to"), kept, strict=True)))


def _range(one: OneJob, shown: list[str], base: str, place: Any, *, can_drag: bool) -> None:
    """Read the mean gain over a range of speeds."""
    how = {"min_value": 0, "max_value": HIGHEST_RPM, "step": STEP_RPM, "format": "%d", "width": 150}
    with place:
        start = address.figure("from", "From [rpm]", **how)
        end = address.figure("to", "To [rpm]", **how)
        st.markdown(_over_range(one, shown, base, (start, end), can_drag=can_drag))


def _over_range(
    one: OneJob,
    shown: list[str],
    base: str,
    ends: tuple[float | None, float | None],
    *,
    can_drag: bool,
) -> str:
    """Return the mean gains between two speeds, or how to read them."""
    others = [stage_id for stage_id in shown if stage_id != base]
    start, end = ends
    if start is None or end is None or start >= end or not others:
        way = "Drag over the picture, or type two speeds" if can_drag else "Type two speeds"
        return f"{way}, to read the mean gain between them."
    found = one.shop.ask(
        "gains_over_range",
        base_id=base, stage_ids=others, from_rpm=float(start), to_rpm=float(end),
    )  # fmt: skip
    if found.is_empty():
        return "No speed between them was seen on both."
    told = wording.escaped(story.range_sentence(found.to_dicts()))
    return f"**{told}**. {RANGE_CAUTION if found['gain_pct'].count() else ''}"


def _rows(one: OneJob, base: str | None) -> pl.DataFrame:
    """Return a row a stage: what was done, what it gave over the base, how it ran."""
    ratios = _ratios(one, base) if base else {}
    noted_of = one.notes_of_stages()
    rows = []
    for stage in one.stages:
        stage_id = stage["stage_id"]
        gain = one.gain(base, stage_id) if base else None
        said = "the base" if stage_id == base else story.gain_in_short(gain, ratios.get(stage_id))
        rows.append(
            stage
            | {
                "stage_name": story.stage_label(stage),
                "change_label": story.stage_change(stage),
                "gain_said": said,
                "mixture_said": story.lean_in_short(stage),
                "over_rev_rpm": gain["over_rev_rpm"] if gain else None,
                "pulls_said": story.pulls_in_short(stage),
                "noted_said": noted_of.get(stage["stage_no"]),
            }
        )
    return pl.DataFrame(rows, infer_schema_length=None)


def _as_lines(one: OneJob, rows: pl.DataFrame, base_name: str) -> str:
    """Return the table of stages as lines for a narrow screen."""
    lines = [f"Gains over {wording.escaped(base_name)}:"]
    for row in rows.iter_rows(named=True):
        told = [one.shop.power(row["peak_power_w"])] if row["peak_power_w"] is not None else []
        told += [row["gain_said"], row["mixture_said"]]
        pulls = f"{row['pulls_said']} pull" + ("" if row["pulls"] == 1 else "s")
        below = f"{row['change_label']} · {pulls}"
        lines.append(
            f"- **{wording.escaped(row['stage_name'])}**: {wording.escaped(', '.join(told))}  \n"
            f"  :small[{wording.escaped(below)}]"
        )
    return "\n".join(lines)


def _ratios(one: OneJob, base: str) -> dict[str, float | None]:
    """Return what the curves as they stand have over the base, on its riding range."""
    found = one.shop.ask(
        "gains_over_range",
        base_id=base, stage_ids=one.stage_ids, from_rpm=None, to_rpm=None,
    )  # fmt: skip
    return dict(found.select("stage_id", "ratio_pct").iter_rows())


def _columns(one: OneJob) -> str:
    """Return the columns of the table of stages; those that say nothing of any stage are left."""
    over = "over_rev_rpm " if (one.gains["over_rev_rpm"].fill_null(0.0) > 0).any() else ""
    rides = "cruise_out_share rides " if any(stage["rides"] for stage in one.stages) else ""
    noted = " noted_said" if one.notes_of_stages() else ""
    return (
        f"stage_name change_label peak_power_w gain_said mixture_said {over}{rides}"
        f"most_needed_pct pulls_said{noted}"
    )


def _links(one: OneJob) -> None:
    """Draw the ways from a stage to its gain, its map, its rides and its pulls."""
    names = {stage["stage_id"]: story.stage_label(stage) for stage in one.stages}
    with st.container(horizontal=True, vertical_alignment="bottom"):
        chosen = st.selectbox(
            "Look closer at", one.stage_ids, index=len(one.stages) - 1,
            format_func=names.__getitem__, key=f"story_closer_{one.job['job_id']}", width=260,
        )  # fmt: skip
        for label, part in (
            ("What it gained", "gain"),
            ("What its map needs", "map"),
            ("Its rides", "rides"),
            ("Its pulls", "pulls"),
        ):
            one.link(label, part, stage=chosen)
        if one.pulled:
            like = {"stage": chosen}
            st.page_link(LIKE_IT, label="Built like it before", query_params=like)
            _sheet(one)


def _sheet(one: OneJob) -> None:
    """Draw the way to the customer's sheet; it is made on the click."""
    job_id, person = one.job["job_id"], who()  # the click is answered where nobody knows who

    def given_out() -> bytes:
        pdf = make(one.shop.folder, job_id).pdf
        sheet_given_out(ShopFolder(one.shop.folder), job_id, person, pdf)
        return pdf

    # The paper goes out today, whatever day the page looks back to.
    label = "The customer's sheet of today (PDF)" if past.day() else "The customer's sheet (PDF)"
    export.on_click(
        label,
        given_out,
        f"{sheet_stem(job_id)}.pdf",
        "application/pdf",
        f"story_sheet_{job_id}",
        icon=":material/download:",
    )
    named = (one.bike["model_label"], *(
        stage[name] for stage in one.stages for name in ("stage_name", "parts_label", "map_label")
    ))  # fmt: skip
    if lacks_in_pdf(one.shop.settings.shop.name, *named):
        st.caption(NOT_IN_PDF)


def _other_jobs(one: OneJob) -> None:
    """Draw the other jobs of the bike, a line each."""
    others: list[dict[str, Any]] = one.jobs.filter(pl.col("job_id") != one.job["job_id"]).to_dicts()
    if not others:
        return
    st.subheader("Other jobs of this bike", anchor=False)
    for job in others[:JOBS_AT_ONCE]:
        whole = one.gain(job["first_stage_id"], job["last_stage_id"])
        one.link(story.job_label(job), "story", job=job["job_id"])
        st.caption(wording.escaped(story.job_in_a_line(job, whole)))
    if others[JOBS_AT_ONCE:]:
        with st.expander(f"{len(others) - JOBS_AT_ONCE} earlier"):
            pieces.table(
                pl.DataFrame(others[JOBS_AT_ONCE:]),
                "job_id received_on stages last_name map_label parts_label level",
            )
