"""The suggested fuel change of a stage as a table to carry away, cautions on top."""

from __future__ import annotations

import csv
import io
import json

import duckdb

CAUTIONS = (
    "A suggestion with its evidence, not a calibration: a qualified tuner checks it before use.",
    "A lean full-throttle mixture can destroy an engine in one pull: after entering it, pull with "
    "the gauge in sight.",
    "Changing the map may be unlawful on the road and may void the type approval: local law "
    "decides.",
    "Cells without a figure were not seen: leave them, and smooth the edge by hand.",
)


class NoSuggestionError(ValueError):
    """The stage has no suggested fuel change."""


def fuel_table_csv(reader: duckdb.DuckDBPyConnection, stage_id: str, snapshot_no: int) -> str:
    """Return a suggested fuel change as delimited text.

    Parameters
    ----------
    reader : duckdb.DuckDBPyConnection
        A published snapshot.
    stage_id : str
        The stage.
    snapshot_no : int
        Number of the snapshot, so that the table can be traced.

    Returns
    -------
    str
        Lines that begin with # carry the cautions and the origin; then a header and a row for
        each breakpoint of the map, empty where nothing is suggested.

    Raises
    ------
    NoSuggestionError
        If the stage has none.
    """
    head = reader.execute(
        "SELECT change.throttle_axis, change.speed_axis, change.sentence, change.axes_origin, "
        "stage.bike_id, stage.job_id, stage.stage_name, stage.map_label "
        "FROM out.fuel_change AS change JOIN out.stage AS stage USING (stage_id) "
        "WHERE change.stage_id = ?",
        [stage_id],
    ).fetchone()
    if head is None:
        raise NoSuggestionError(f"stage {stage_id!r} has no suggested fuel change")
    throttle_axis, speed_axis, sentence, origin, bike_id, job_id, stage_name, map_label = head
    cells = {
        (throttle, speed): rest
        for throttle, speed, *rest in reader.execute(
            "SELECT throttle_pct, speed_rpm, suggested_pct, lower_pct, upper_pct, "
            "evidence_share, held_by FROM out.fuel_change_cell WHERE stage_id = ?",
            [stage_id],
        ).fetchall()
    }
    text = io.StringIO()
    about = (
        f"bike {bike_id}, job {job_id}, stage {stage_id} ({stage_name}), map {map_label}, "
        f"snapshot {snapshot_no}",
        f"{sentence} Breakpoints: {origin}.",
        "change_pct: fuel to add in this round. lower_pct, upper_pct: 95 % interval of the whole "
        "change that is needed.",
    )
    for line in (*CAUTIONS, *about):
        text.write(f"# {' '.join(line.split())}\n")
    table = csv.writer(text, lineterminator="\n")
    table.writerow(
        (
            "throttle_pct",
            "speed_rpm",
            "change_pct",
            "lower_pct",
            "upper_pct",
            "evidence_share",
            "held_by",
        )
    )
    for throttle in json.loads(throttle_axis):
        for speed in json.loads(speed_axis):
            change, lower, upper, share, held_by = cells.get((throttle, speed), [None] * 5)
            table.writerow(
                (
                    f"{throttle:g}",
                    f"{speed:g}",
                    *("" if v is None else f"{v:.1f}" for v in (change, lower, upper)),
                    "" if share is None else f"{share:.2f}",
                    held_by or "",
                )
            )
    return text.getvalue()
