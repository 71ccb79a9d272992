"""The suggested fuel change of a stage as a table to carry away, cautions on top."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator
from typing import NamedTuple

import duckdb

from warehouse import wording
from warehouse.questions import ask


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
        return wording.round_limits(self.most_enrichment_pct, self.most_enleanment_pct)

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
            return wording.fuel_to_enter(cell.suggested_pct, cell.held_by)
        return f"{self.seams[place]:+.1f}?" if place in self.seams else ""


def read_fuel_table(reader: duckdb.DuckDBPyConnection, stage_id: str) -> FuelTable:
    """Return a suggested fuel change.

    Raises NoSuggestionError if the stage has none.
    """
    heads = ask(reader, "fuel_table", stage_id=stage_id)
    if heads.is_empty():
        raise NoSuggestionError(f"stage {stage_id!r} has no suggested fuel change")
    head = heads.row(0, named=True)
    later = ask(reader, "last_stage_of_bike", stage_id=stage_id).to_dicts()
    cells = ask(reader, "fuel_change_cells", stage_id=stage_id).select(
        "throttle_pct", "speed_rpm", "suggested_pct", "needed_pct", "lower_pct", "upper_pct",
        "evidence_share", "held_by",
    )  # fmt: skip
    seams = ask(reader, "fuel_change_seams", stage_id=stage_id)
    return FuelTable(
        head["sentence"],
        f"{head['model_label']}, bike {head['bike_id']}, job {head['job_id']}, stage {stage_id} "
        f"({head['stage_name']}), map {head['map_label']}",
        head["round_note"],
        wording.later_stage_sentence(later[0]) if later else "",
        head["axes_origin"],
        json.loads(head["throttle_axis"]),
        json.loads(head["speed_axis"]),
        {(row[0], row[1]): FuelCell(*row[2:]) for row in cells.iter_rows()},
        {(row[0], row[1]): row[2] for row in seams.iter_rows()},
        head["left_out"],
        head["most_enrichment_pct"],
        head["most_enleanment_pct"],
    )


def fuel_csv(found: FuelTable, snapshot_no: int, *, as_list: bool = False) -> str:
    """Return a suggested fuel change as delimited text, to type in or with its evidence."""
    text = io.StringIO()
    table = csv.writer(text, lineterminator="\n")
    how = wording.how_to_enter(len(found.seams), as_list=as_list)
    for line in filter(None, (*wording.FUEL_CAUTIONS, *_about(found, snapshot_no), how)):
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
            rest = (*figures, f"{cell.evidence_share:.2f}", wording.HELD_BY[cell.held_by])
        else:
            rest = (f"{found.seams[place]:.1f}", "", "", "", "", "not seen")
        yield (f"{throttle:g}", f"{speed:g}", *rest)
