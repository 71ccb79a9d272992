"""The suggested fuel change of a stage as a table to carry away, cautions on top."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator
from typing import NamedTuple

import duckdb

CAUTIONS = (
    "A suggestion with its evidence, not a calibration: a qualified tuner checks it before use.",
    "A lean full-throttle mixture can destroy an engine in one pull: after entering it, pull with "
    "the gauge in sight.",
    "Changing the map may be unlawful on the road and may void the type approval: local law "
    "decides.",
)
HOW_TO_ENTER = (
    "Each figure is fuel to add in percent, on the map as it stands at this stage: multiply the "
    "cell by 1 + figure / 100. Empty cells stay as they are."
)
SEAMS = (
    "Of the figures {count} stand in cells that were not seen: half of what is added beside them, "
    "so that the engine meets no cliff. The list says which."
)
HELD_BY = {
    "": "",
    "step": "limit of one round",
    "total": "limit of all rounds together",
    "guard": "kept rich: it feeds full throttle or a lean window",
    "slope": "raised towards a richer neighbour",
}
"""What held a suggestion back or raised it, in words."""


class NoSuggestionError(ValueError):
    """The stage has no suggested fuel change."""


class FuelCell(NamedTuple):
    """What is suggested at one breakpoint, and what it rests on."""

    suggested_pct: float
    needed_pct: float
    lower_pct: float
    upper_pct: float
    evidence_share: float
    held_by: str


class FuelTable(NamedTuple):
    """A suggested fuel change as it is read from a snapshot."""

    sentence: str
    about: str
    round_note: str
    later: str
    origin: str
    throttle_pct: list[float]
    speed_rpm: list[float]
    cells: dict[tuple[float, float], FuelCell]
    seams: dict[tuple[float, float], float]
    left_out: str
    most_enrichment_pct: float
    most_enleanment_pct: float

    @property
    def limits(self) -> str:
        """The limits of one round, in words."""
        return (
            f"One round adds {self.most_enrichment_pct:g} % at most and takes "
            f"{self.most_enleanment_pct:g} % at most: enter, run again, and the next asks for the "
            "rest."
        )

    @property
    def entered_pct(self) -> dict[tuple[float, float], float]:
        """All fuel to add by throttle and speed, suggestions and seams. [%]."""
        return {place: cell.suggested_pct for place, cell in self.cells.items()} | self.seams

    @property
    def seen_speeds_rpm(self) -> list[float]:
        """Speed breakpoints with a figure in any row. [rpm]."""
        used = {speed for _, speed in self.entered_pct}
        return [speed for speed in self.speed_rpm if speed in used]

    def written(self, throttle_pct: float, speed_rpm: float) -> str:
        """Return what is to be entered in a cell, in words for people.

        A star where a limit holds it, a question mark where it was not seen, empty where nothing
        is to be entered.
        """
        place = (throttle_pct, speed_rpm)
        if cell := self.cells.get(place):
            change = f"{cell.suggested_pct:+.1f}" if cell.suggested_pct else "0"
            return f"{change}{'*' * bool(cell.held_by)}"
        return f"{self.seams[place]:+.1f}?" if place in self.seams else ""


def read_fuel_table(reader: duckdb.DuckDBPyConnection, stage_id: str) -> FuelTable:
    """Return a suggested fuel change.

    Raises NoSuggestionError if the stage has none.
    """
    head = reader.execute(
        "SELECT change.sentence, change.axes_origin, change.throttle_axis, change.speed_axis, "
        "change.left_out, change.round_note, change.most_enrichment_pct, "
        "change.most_enleanment_pct, "
        "stage.model_label, stage.bike_id, stage.job_id, stage.stage_name, stage.map_label "
        "FROM out.fuel_change AS change JOIN out.stage AS stage USING (stage_id) "
        "WHERE change.stage_id = ?",
        [stage_id],
    ).fetchone()
    if head is None:
        raise NoSuggestionError(f"stage {stage_id!r} has no suggested fuel change")
    sentence, origin, throttle, speed, left_out, note, more, less, *who = head
    model, bike, job, name, label = who
    cells = reader.execute(
        "SELECT throttle_pct, speed_rpm, suggested_pct, needed_pct, lower_pct, upper_pct, "
        "evidence_share, held_by FROM out.fuel_change_cell WHERE stage_id = ?",
        [stage_id],
    ).fetchall()
    seams = reader.execute(
        "SELECT throttle_pct, speed_rpm, seam_pct FROM out.fuel_change_seam WHERE stage_id = ?",
        [stage_id],
    ).fetchall()
    return FuelTable(
        sentence,
        f"{model}, bike {bike}, job {job}, stage {stage_id} ({name}), map {label}",
        note,
        _later_stage(reader, stage_id),
        origin,
        json.loads(throttle),
        json.loads(speed),
        {(row[0], row[1]): FuelCell(*row[2:]) for row in cells},
        {(row[0], row[1]): row[2] for row in seams},
        left_out,
        more,
        less,
    )


def _later_stage(reader: duckdb.DuckDBPyConnection, stage_id: str) -> str:
    """Say that a bike has been run otherwise since a stage; empty for its last one."""
    found = reader.execute(
        "SELECT later.stage_id, later.stage_name, later.map_label "
        "FROM out.stage AS stage JOIN out.stage AS later USING (bike_id) "
        "WHERE stage.stage_id = ? AND (later.received_on, later.job_id, later.stage_no) "
        "> (stage.received_on, stage.job_id, stage.stage_no) "
        "ORDER BY later.received_on DESC, later.job_id DESC, later.stage_no DESC LIMIT 1",
        [stage_id],
    ).fetchone()
    if found is None:
        return ""
    later_id, name, label = found
    on_map = "the stock map" if label == "stock" else f"map {label}"
    return (
        f"The bike has been run since: its last stage is {later_id} ({name}) on {on_map}. "
        "Enter this only into the map of this stage."
    )


def fuel_csv(found: FuelTable, snapshot_no: int, *, as_list: bool = False) -> str:
    """Return a suggested fuel change as delimited text, to type in or with its evidence."""
    how = [HOW_TO_ENTER]
    if as_list:
        how.append(
            "enter_pct: fuel to add in this round. needed_pct with its 95 % interval: the whole "
            "change, before limits. Not seen: half of what is added beside it."
        )
    elif found.seams:
        how.append(SEAMS.format(count=len(found.seams)))
    text = io.StringIO()
    table = csv.writer(text, lineterminator="\n")
    for line in filter(None, (*CAUTIONS, *_about(found, snapshot_no), *how)):
        # One cell a line, whatever is written in it.
        table.writerow((f"# {' '.join(line.split())}",))
    table.writerows(_list_rows(found) if as_list else _grid_rows(found))
    return text.getvalue()


def _about(found: FuelTable, snapshot_no: int) -> tuple[str, ...]:
    return (
        f"{found.about}, snapshot {snapshot_no}",
        f"{found.sentence} Breakpoints: {found.origin}.",
        found.later,
        found.round_note,
        found.limits,
    )


def _grid_rows(found: FuelTable) -> Iterator[tuple[str, ...]]:
    entered = found.entered_pct
    yield ("throttle_pct / speed_rpm", *(f"{speed:g}" for speed in found.speed_rpm))
    for throttle in found.throttle_pct:
        row = [entered.get((throttle, speed)) for speed in found.speed_rpm]
        yield (f"{throttle:g}", *("" if one is None else f"{one:.1f}" for one in row))


def _list_rows(found: FuelTable) -> Iterator[tuple[str, ...]]:
    yield (
        "throttle_pct", "speed_rpm", "enter_pct", "needed_pct", "lower_pct", "upper_pct",
        "told_by_evidence", "held_by",
    )  # fmt: skip
    for throttle, speed in sorted(found.entered_pct):
        place = (throttle, speed)
        if cell := found.cells.get(place):
            figures = (f"{value + 0.0:.1f}" for value in cell[:4])
            rest = (*figures, f"{cell.evidence_share:.2f}", HELD_BY[cell.held_by])
        else:
            rest = (f"{found.seams[place]:.1f}", "", "", "", "", "not seen")
        yield (f"{throttle:g}", f"{speed:g}", *rest)
