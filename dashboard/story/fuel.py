"""Answers "what does the fuel map need, cell by cell, and did the last change help?"."""

from __future__ import annotations

import json
from functools import partial
from statistics import median
from typing import Any

import polars as pl
import streamlit as st

from dashboard import address, charts, export, kept_chart, pieces, why_panel
from dashboard.drawing import CellTable
from dashboard.story.one_job import OneJob
from warehouse import wording
from warehouse.fuel_table import FuelTable, fuel_csv

SHOWN = {"Change to enter": "enter", "How sure": "need", "Told by evidence": "evidence"}


def draw(one: OneJob) -> None:
    """Draw the suggested fuel change of a stage of the job."""
    found = one.shop.ask("fuel_changes", job_id=one.job["job_id"])
    changes = {row["stage_id"]: row for row in found.to_dicts()}
    if changes:
        offered = [stage_id for stage_id in one.stage_ids if stage_id in changes]
        _stage(one, changes[one.choose_stage(offered)["stage_id"]])
    else:
        st.info(
            "No stage of this job has a mixture reading yet: that takes a pull or a ride with a "
            "wideband probe."
        )
    _entered(one)


def _stage(one: OneJob, change: dict[str, Any]) -> None:
    stage_id = change["stage_id"]
    table = one.shop.fuel_table(stage_id)
    cells = one.shop.ask("fuel_change_cells", stage_id=stage_id)
    checks = one.shop.ask("fuel_change_checks", stage_id=stage_id)
    # Whether it is safe to pull comes before any figure to enter.
    pieces.alarm(one.shop.advice(stage_id), "Full throttle, against its target")
    if table.later:
        st.info(wording.escaped(table.later))
    st.markdown(f"### {wording.escaped(change['sentence'])}")
    why_panel.behind(one.shop, "fuel", stage_id)
    st.text(wording.evidence_sentence(change))
    if change["round_note"]:
        st.warning(wording.escaped(change["round_note"]))
    for sentence in checks.filter(pl.col("stage_id") == stage_id)["sentence"]:
        st.markdown(f"**{wording.escaped(sentence)}**")
    if cells.is_empty():
        st.warning("Nothing was seen well enough for a change: ride and pull longer on this map.")
    else:
        _cells(one, change, table, cells)
        _carry_away(one, stage_id, table)
    _checks(checks)
    one.link("The rides and trims behind it →", "rides", stage=stage_id)


@st.fragment
def _cells(one: OneJob, change: dict[str, Any], table: FuelTable, cells: pl.DataFrame) -> None:
    """Draw the change on the map's own breakpoints, with what holds it back."""
    show = SHOWN[address.segments("show", "Show", list(SHOWN))]
    kept_chart.draw(
        one.shop,
        "fuel_change_chart",
        (change["stage_id"], show),
        partial(_chart, one, change, table, cells, show),
    )
    st.caption(wording.fuel_change_caption(show, change["axes_origin"], table.limits))
    st.warning(
        f"**{wording.CAUTIONS[5]}** Nothing here writes to a control unit. After entering it, pull "
        "with the gauge in sight: a lean full-throttle mixture can destroy an engine in one pull."
    )


def _chart(
    one: OneJob, change: dict[str, Any], table: FuelTable, cells: pl.DataFrame, show: str
) -> CellTable:
    return charts.fuel_change_chart(
        cells,
        json.loads(change["throttle_axis"]),
        json.loads(change["speed_axis"]),
        one.shop.look(),
        seams=table.seams,
        show=show,
    )


def _carry_away(one: OneJob, stage_id: str, table: FuelTable) -> None:
    """Draw the change as files to take along, as a grid for a small screen and as a list."""
    left, right = st.columns(2)
    for column, as_list, label in (
        (left, False, "The grid as CSV, to type in"),
        (right, True, "The list as CSV, with its evidence"),
    ):
        kind = "list" if as_list else "grid"
        export.on_click(
            label,
            lambda as_list=as_list: fuel_csv(
                table, one.shop.snapshot.number, as_list=as_list
            ).encode(),
            f"fuel-change {kind} {stage_id.replace('/', ' stage ')}.csv",
            "text/csv",
            f"fuel_change_{kind}",
            column,
        )
    with st.expander("The same as a grid that scrolls, for a small screen"):
        throttles = list(reversed(table.throttle_pct))
        columns = {
            f"{speed:,.0f} rpm": [table.written(throttle, speed) for throttle in throttles]
            for speed in table.seen_speeds_rpm
        }
        names = {"Throttle [%]": [f"{throttle:g}" for throttle in throttles]}
        pieces.grid(pl.DataFrame(names | columns), "Throttle [%]")
    with st.expander("The same as a list, the greatest change first"):
        cells = one.shop.ask("fuel_change_cells", stage_id=stage_id)
        pieces.table(
            cells.sort(pl.col("suggested_pct").abs(), descending=True).with_columns(
                pl.col("held_by").replace(wording.HELD_BY)
            )
        )


def _checks(checks: pl.DataFrame) -> None:
    """Draw what each change of the job's map removed of the error."""
    if checks.is_empty():
        st.caption(
            "No map was changed in this job with parts and fuel left alone and places seen twice."
        )
        return
    with st.expander("What each change of this job's map removed"):
        pieces.table(
            checks, "before_name after_name is_suggestion places before_error_pct "
            "after_error_pct came_share",
        )  # fmt: skip
        for name, sentence in checks.select("after_name", "sentence").iter_rows():
            st.markdown(f"**{wording.escaped(name)}:** {wording.escaped(sentence)}")


def _entered(one: OneJob) -> None:
    """Draw the stages of all bikes on which a suggestion was entered, and what that removed."""
    record = one.shop.ask("suggestions_entered")
    with st.expander(f"Suggestions that were entered, on all bikes: {record.height or 'none'}"):
        if record.is_empty():
            st.text("No card says yet that a suggestion was entered.")
            return
        told = record["removed_share"].drop_nulls().to_list()
        if told:
            st.markdown(
                f"They removed {wording.share(median(told))} of the error (median of "
                f"{wording.counted(len(told), 'stage')} on "
                f"{wording.counted(record['bike_id'].n_unique(), 'bike')})."
            )
        found = pieces.choose(
            "Stage on which one was entered (type to search)",
            record,
            lambda row: (
                f"{row['stage_id']} {row['stage_name']} · {row['bike_id']} · {row['map_label']} "
                f"map · {row['model_label']}"
            ),
            ("entered", "stage_id"),
        )
        one.link(
            "Open it →", "map",
            bike=found["bike_id"], job=found["job_id"], stage=found["stage_id"],
        )  # fmt: skip
