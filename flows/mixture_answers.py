"""The mixture's answers in the terminal: what a map needs, what to expect, which maps miss."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Any

import duckdb
from rich.console import Console
from rich.text import Text

from flows.answers import CAUTION, show, table_of
from warehouse.fuel_table import (
    CAUTIONS,
    FuelTable,
    NoSuggestionError,
    fuel_csv,
    read_fuel_table,
)
from warehouse.snapshot import Snapshot, open_reader
from warehouse.whole_file import write_whole


class CannotWriteError(ValueError):
    """A table cannot be written where it was asked for."""


class NothingKnownError(ValueError):
    """Nothing fits what was asked; the message says what is known."""


def print_fuel_change(console: Console, snapshot: Snapshot, stage_id: str) -> None:
    """Print the fuel change that a stage's map seems to need, with the cautions.

    Raises NothingKnownError if the stage has no suggested change.
    """
    with open_reader(snapshot.path) as reader:
        found = _table_of_stage(reader, stage_id)
        checks = reader.execute(
            "SELECT sentence FROM out.fuel_change_check WHERE stage_id = ?", [stage_id]
        ).fetchall()
        level = reader.execute(
            "SELECT level, worst_lean_error_pct, worst_speed_rpm FROM out.stage_mixture "
            "WHERE stage_id = ? AND level IN ('warn', 'stop')",
            [stage_id],
        ).fetchone()
    if level is not None:
        console.print(
            Text(f"{level[0].upper()}: {level[1]:.0f} % lean at {level[2]:,.0f} rpm.", "bold red")
        )
    console.print(Text(found.sentence, style="bold"))
    for said in (found.later, found.round_note, *(said for (said,) in checks)):
        if said:
            console.print(Text(said))
    _print_breakpoints(console, found)
    if found.left_out:
        console.print(Text(f"Readings left out: {found.left_out}.", style="dim"))
    for caution in CAUTIONS:
        console.print(Text(caution, style="yellow"))


def _print_breakpoints(console: Console, found: FuelTable) -> None:
    """Print the table in as many blocks of speeds as the terminal's width asks for."""
    speeds = found.seen_speeds_rpm
    fit = max(1, (console.width - 14) // 9)
    for start in range(0, len(speeds), fit):
        block = speeds[start : start + fit]
        table = table_of(
            f"Fuel to add in percent, on {found.origin} breakpoints" if start == 0 else "",
            [("throttle %", "right"), *((f"{speed:g}", "right") for speed in block)],
        )
        rows = []
        for throttle in reversed(found.throttle_pct):
            row = [found.written(throttle, speed) for speed in block]
            if any(row):
                rows.append((f"{throttle:g}", *row))
        show(console, table, rows)
    if speeds:
        console.print(
            Text(f"* held by a limit. ? not seen: half of what is added beside it. {found.limits}")
        )


def write_fuel_change(
    snapshot: Snapshot, stage_id: str, path: Path, *, replace: bool, as_list: bool = False
) -> None:
    """Write a suggested fuel change as delimited text, cautions on top.

    Raises NothingKnownError if the stage has no suggested change. Raises FileExistsError if the
    file stands there and may not go. Raises CannotWriteError if the file cannot be written.
    """
    # An impossible path does not exist here; writing to it then says what is wrong.
    if os.path.exists(path) and not replace:  # noqa: PTH110
        raise FileExistsError(f"{path} is there already: add --force to write over it")
    with open_reader(snapshot.path) as reader:
        found = _table_of_stage(reader, stage_id)
    text = fuel_csv(found, snapshot.number, as_list=as_list)
    try:
        write_whole(path, text.encode())
    except OSError as error:
        raise CannotWriteError(
            f"{path} cannot be written ({error.strerror}): name a file in a folder that is there"
        ) from None


def print_expected(
    console: Console, snapshot: Snapshot, model: str, parts: str, map_label: str
) -> None:
    """Print the mixture to expect of models whose name holds some words.

    Raises NothingKnownError if nothing fits; the words list what there is.
    """
    with open_reader(snapshot.path) as reader:
        every = reader.execute(
            "SELECT expected_id, sentence, model_label, parts_key, map_label "
            "FROM out.expected_mixture ORDER BY model_label, parts_key, map_label"
        ).fetchall()
        found = [
            row
            for row in every
            if model.casefold() in row[2].casefold()
            and (not parts or _parts_of(row[3]) == _parts_of(parts))
            and (not map_label or row[4].casefold() == map_label.casefold())
        ]
        if not found:
            raise NothingKnownError(_builds_known(every, model, parts))
        speeds = (
            reader.execute(
                "SELECT engine_speed_rpm, expected_error_pct, lower_pct, upper_pct "
                "FROM out.expected_mixture_speed WHERE expected_id = ? ORDER BY engine_speed_rpm",
                [found[0][0]],
            ).fetchall()
            if len(found) == 1
            else []
        )
    for _, sentence, *_ in found:
        console.print(Text(sentence))
    if speeds:
        table = table_of(
            "Full throttle, lean error to expect in percent",
            [("rpm", "right"), ("expected", "right"), ("19 of 20 bikes", "right")],
        )
        show(console, table, [_speed_row(row) for row in speeds[::2]])
    elif len(found) > 1:
        console.print(Text("Name one build with --parts and --map to see it by engine speed."))
    console.print(Text(CAUTION, style="yellow"))


def _parts_of(text: str) -> frozenset[str]:
    """Return categories of parts as a set, however they are strung together."""
    return frozenset(re.split(r"\s*(?:[+,;&]|\band\b)\s*", text.strip().casefold())) - {""}


def _builds_known(every: list[tuple[Any, ...]], model: str, parts: str) -> str:
    if not every:
        return (
            "Nothing is known of any build yet: that takes pulls with a wideband reading, and of "
            "each model a session on the untouched map."
        )
    near = [row for row in every if model.casefold() in row[2].casefold()]
    if not near:
        models = "\n".join(f"  {label}" for label in dict.fromkeys(row[2] for row in every))
        return f"No model is called like {model!r}. Known are:\n{models}"
    wanted = _parts_of(parts)
    near.sort(key=lambda row: -len(wanted & _parts_of(row[3])))
    listed = [f"  --parts {row[3]!r} --map {row[4]!r}: {row[2]}" for row in near]
    more = f"\n  and {len(listed) - 12} more" if len(listed) > 12 else ""
    return "Nothing is known of such a build. Known are:\n" + "\n".join(listed[:12]) + more


def print_maps(console: Console, snapshot: Snapshot, *, every: bool) -> None:
    """Print the map revisions that still miss their target, and where."""
    with open_reader(snapshot.path) as reader:
        rows = reader.execute(
            "SELECT map.sentence, map.is_missing, map.is_newest FROM out.map_revision AS map "
            "JOIN out.map_revision_rank USING (map_id) ORDER BY map.map_name = 'stock', map_rank"
        ).fetchall()
    shown = [said for said, missing, newest in rows if every or (missing and newest)]
    if not rows:
        console.print(Text("No map can be judged yet: that takes pulls with a wideband reading."))
    elif not shown:
        console.print(Text("No map misses its target over the bikes that carry it."))
    for sentence in shown:
        console.print(Text(sentence))
    replaced = sum(missing and not newest for _, missing, newest in rows)
    if replaced and not every:
        console.print(Text(f"{replaced} replaced since miss too: --all has them.", style="dim"))
    console.print(Text(CAUTION, style="yellow"))


def _speed_row(row: tuple[Any, ...]) -> tuple[str, str, str]:
    speed, expected, lower, upper = row
    span = "" if lower is None else f"{lower:+.1f} to {upper:+.1f}"
    return f"{speed:,.0f}", f"{expected:+.1f}", span


def _table_of_stage(reader: duckdb.DuckDBPyConnection, stage_id: str) -> FuelTable:
    try:
        return read_fuel_table(reader, stage_id)
    except NoSuggestionError:
        raise NothingKnownError(_stages_with_a_change(reader, stage_id)) from None


def _stages_with_a_change(reader: duckdb.DuckDBPyConnection, stage_id: str) -> str:
    latest = reader.execute(
        "SELECT change.stage_id FROM out.fuel_change AS change JOIN out.stage USING (stage_id) "
        "ORDER BY received_on DESC, change.stage_id DESC LIMIT 8"
    ).fetchall()
    listed = ", ".join(name for (name,) in latest) or "none yet"
    return f"Stage {stage_id!r} has no suggested fuel change. The latest that have: {listed}"
