"""One job in the terminal: its stages in order, what each change gave, and how lean it runs."""

from __future__ import annotations

from typing import Any

import duckdb
import polars as pl

from flows.answers import print_cautions
from flows.mixture_answers import NothingKnownError
from flows.terminal import prose
from schemas.settings import ShopSettings
from schemas.units import shown_power
from warehouse import noted, wording
from warehouse.near import nearest_names
from warehouse.questions import ask
from warehouse.snapshot import Snapshot, open_reader


def print_job(snapshot: Snapshot, job_id: str, settings: ShopSettings) -> None:
    """Print one job on one screen.

    Raises NothingKnownError if there is no such job.
    """
    with open_reader(snapshot.path) as reader:
        stages = ask(reader, "stages_of_job", job_id=job_id).to_dicts()
        if not stages:
            raise NothingKnownError(_not_known(reader, job_id))
        bike_id = stages[-1]["bike_id"]
        mixtures = {
            row["stage_id"]: row
            for row in ask(
                reader, "stage_mixtures", stage_ids=[stage["stage_id"] for stage in stages]
            ).to_dicts()
        }
        gains = ask(reader, "gains_of_bike", bike_id=bike_id).filter(pl.col("job_id") == job_id)
        noted_here = ask(reader, "shop_notes", job_ids=[job_id]).filter(~pl.col("is_taken_back"))
    first = stages[0]
    prose(f"{job_id}: {bike_id}, {first['model_label']}, {first['received_on']:%d %b %Y}", "bold")
    advice = wording.advice(mixtures.get(stages[-1]["stage_id"]))
    if advice.is_alarm or advice.level == "unknown":
        prose(f"{advice.headline}. {advice.what_to_do}", "bold red")
    for stage in stages:
        _print_stage(stage, mixtures, settings)
    if gains.is_empty():
        prose("No two of its stages can be compared.", style="dim")
    for gain in gains.iter_rows(named=True):
        origin = "" if gain["before_job_id"] == job_id else f"{gain['before_job_id']} "
        prose(f"{origin}{gain['before_name']} → {gain['after_name']}", "bold")
        prose(f"  {wording.gain_sentence(gain)}.")
        if not gain["is_like_for_like"]:
            prose(f"  Not like for like: {gain['unlike_reason']}.", "yellow")
    for row in noted_here.iter_rows(named=True):
        prose(f"{noted.wrote(row, here=job_id)}: {noted.text(row)}")
    print_cautions()


def _print_stage(
    stage: dict[str, Any],
    mixtures: dict[str, dict[str, Any]],
    settings: ShopSettings,
) -> None:
    said = [f"{stage['parts_label']}, {stage['map_label']} map, {stage['fuel']}"]
    if stage["peak_power_w"] is not None:
        unit = settings.show.power
        peak = wording.number(shown_power(stage["peak_power_w"], unit), 1)
        speed = wording.number(stage["peak_power_speed_rpm"])
        at = "" if stage["is_corrected"] else ", as observed"
        said.append(f"{peak} {unit} at {speed} rpm{at}")
    said.append(wording.advice(mixtures.get(stage["stage_id"])).headline)
    prose(f"{stage['stage_no']} {stage['stage_name']}: {'; '.join(said)}")


def _not_known(reader: duckdb.DuckDBPyConnection, job_id: str) -> str:
    for row in ask(reader, "jobs_out").filter(pl.col("job_id") == job_id).to_dicts():
        return f"{row['reason']}. {row['remedy']}"
    known = ask(reader, "known_jobs")["job_id"].to_list()
    if not known:
        return "no job has been taken in yet"
    near = ", ".join(nearest_names(job_id, known))
    return f"job must be one that was taken in, such as {near}; got {job_id!r}"
