"""Answers "how does it run at part throttle?": cells, trims, quick movements and heat."""

from __future__ import annotations

import polars as pl
import streamlit as st

from dashboard import address, charts, kept_chart, pieces
from dashboard.story.one_job import OneJob
from warehouse import wording

WAYS = ("Lean error", "Time seen", "Lean error over manifold pressure")


def draw(one: OneJob) -> None:
    """Draw the part throttle of a stage of the job."""
    ridden = [stage["stage_id"] for stage in one.stages if stage["rides"]]
    stage_id = one.choose_stage(ridden or one.stage_ids)["stage_id"]
    cruise = one.shop.ask("stage_cruise", stage_id=stage_id).to_dicts()
    moves = one.shop.ask("transients", stage_id=stage_id)
    is_lean_on_opening = bool(cruise and cruise[0]["lean_tip_ins"])
    if is_lean_on_opening:
        said = f"**Quick throttle movements.** {wording.movements_sentence(cruise[0])}"
        st.warning(f"{said} {wording.CAUTIONS[0]} {wording.CAUTIONS[3]}")
    cells = one.shop.ask("cruise_cells", stage_id=stage_id)
    if cells.is_empty():
        st.info("No ride of this stage has steady samples with a wideband reading.")
    else:
        _cells(one, stage_id, cells)
        if cruise and cruise[0]["covered_share"] is not None:
            st.caption(wording.coverage_sentence(cruise[0]))
    if moves.height:
        if not is_lean_on_opening:
            st.markdown(f"**Quick throttle movements.** {wording.movements_sentence(cruise[0])}")
        with st.expander("All movements, also those that could not be judged"):
            pieces.table(moves)
    trims = one.shop.ask("trim_cells", stage_id=stage_id)
    if trims.height:
        with st.expander(f"Trims in closed loop: {wording.counted(trims.height, 'cell')}"):
            st.markdown(
                "There the mixture is right by itself; what the ECU adds is what the base map "
                "lacks. Those seen for under 2 s have no say in the suggestion."
            )
            pieces.table(trims)
    rides = one.shop.ask("rides", stage_id=stage_id)
    if not rides.is_empty():
        with st.expander(f"Its rides, to the file: {rides.height}"):
            pieces.table(rides)
    _heat(one)


@st.fragment
def _cells(one: OneJob, stage_id: str, cells: pl.DataFrame) -> None:
    """Draw the steady mixture on speed and throttle, or pressure where a sensor saw it."""
    by_pressure = one.shop.ask("pressure_cells", stage_id=stage_id)
    way = address.segments("show", "Show", WAYS if by_pressure.height else WAYS[:2])
    is_time, is_pressure = way == WAYS[1], way == WAYS[2]
    shown = by_pressure if is_pressure else cells
    band = one.shop.settings.mixture
    st.markdown(
        "Seconds of steady riding in each cell. Blank: never visited."
        if is_time
        else f"Lean error in % against the wanted band, λ {band.cruise_low:g} to "
        f"{band.cruise_high:g} at cruise, going to the full-throttle target from 40 to 85 %: 0 "
        "inside it. In brackets: seen for under 3 s. c: closed loop, where the trims tell of the "
        "map. Blank: never visited. " + wording.cells_sentence(shown.to_dicts())
    )
    kept_chart.draw(
        one.shop,
        "rides_cell_chart",
        (stage_id, way),
        lambda: charts.cell_chart(
            shown, one.shop.look(), show_time=is_time, by_pressure=is_pressure
        ),
    )


def _heat(one: OneJob) -> None:
    heat = one.shop.ask("heat_of_job", job_id=one.job["job_id"])
    if heat.height:
        with st.expander("Heat, stage by stage"):
            logged = [name for name in heat.columns if heat[name].null_count() < heat.height]
            pieces.table(heat.select(logged))
            st.caption("Medians over steady, warm cruising. Weather and load differ between days.")
