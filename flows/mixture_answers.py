"""The mixture's answers in the terminal: what a map needs, what to expect, which maps miss."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.text import Text

from flows.answers import CAUTION, show, table_of
from warehouse.fuel_table import CAUTIONS, NoSuggestionError, fuel_table_csv
from warehouse.snapshot import Snapshot, open_reader
from warehouse.whole_file import write_whole


class NothingKnownError(ValueError):
    """Nothing of what was asked is known; the words say what is."""


def print_fuel_change(console: Console, snapshot: Snapshot, stage_id: str) -> None:
    """Print the fuel change that a stage's map seems to need, with the cautions.

    Parameters
    ----------
    console : rich.console.Console
        Where to.
    snapshot : Snapshot
        What to read.
    stage_id : str
        Job and number of the stage, such as "J-0012/2".

    Raises
    ------
    NothingKnownError
        If the stage has no suggested change.
    """
    with open_reader(snapshot.path) as reader:
        head = reader.execute(
            "SELECT sentence, axes_origin, throttle_axis, speed_axis, left_out, "
            "step_to_blank_pct FROM out.fuel_change WHERE stage_id = ?",
            [stage_id],
        ).fetchone()
        cells = {
            (throttle, speed): (change, held)
            for throttle, speed, change, held in reader.execute(
                "SELECT throttle_pct, speed_rpm, suggested_pct, held_by "
                "FROM out.fuel_change_cell WHERE stage_id = ?",
                [stage_id],
            ).fetchall()
        }
        checks = reader.execute(
            "SELECT sentence FROM out.fuel_change_check WHERE stage_id = ?", [stage_id]
        ).fetchall()
        if head is None:
            raise NothingKnownError(_stages_with_a_change(reader, stage_id))
    sentence, origin, throttle_axis, speed_axis, left_out, step_pct = head
    console.print(Text(sentence, style="bold"))
    for (said,) in checks:
        console.print(Text(said))
    used = {speed for _, speed in cells}
    speeds = [speed for speed in json.loads(speed_axis) if speed in used]
    table = table_of(
        f"Fuel to add in percent, on {origin} breakpoints; * held by a limit, blank not seen",
        [("throttle %", "right"), *((f"{speed:g}", "right") for speed in speeds)],
    )
    rows = []
    for throttle in reversed(json.loads(throttle_axis)):
        row = [cells.get((throttle, speed)) for speed in speeds]
        if any(row):
            written = ["" if c is None else f"{c[0]:+.1f}{'*' * bool(c[1])}" for c in row]
            rows.append((f"{throttle:g}", *written))
    show(console, table, rows)
    if step_pct:
        console.print(
            Text(f"Beside a blank cell up to {step_pct:g} % is to be entered: smooth that edge.")
        )
    if left_out:
        console.print(Text(f"Readings left out: {left_out}.", style="dim"))
    for caution in CAUTIONS:
        console.print(Text(caution, style="yellow"))


def write_fuel_change(snapshot: Snapshot, stage_id: str, path: Path, *, replace: bool) -> None:
    """Write a suggested fuel change as delimited text, cautions on top.

    Parameters
    ----------
    snapshot : Snapshot
        What to read.
    stage_id : str
        The stage.
    path : Path
        The file.
    replace : bool
        Whether a file that stands there may go.

    Raises
    ------
    NothingKnownError
        If the stage has no suggested change.
    FileExistsError
        If the file stands there and may not go.
    """
    if path.exists() and not replace:
        raise FileExistsError(f"{path} is there already: add --force to write over it")
    with open_reader(snapshot.path) as reader:
        try:
            text = fuel_table_csv(reader, stage_id, snapshot.number)
        except NoSuggestionError:
            raise NothingKnownError(_stages_with_a_change(reader, stage_id)) from None
    write_whole(path, text.encode())


def print_expected(
    console: Console, snapshot: Snapshot, model: str, parts: str, map_label: str
) -> None:
    """Print the mixture to expect of models whose name holds some words.

    Parameters
    ----------
    console : rich.console.Console
        Where to.
    snapshot : Snapshot
        What to read.
    model : str
        Part of the model's name; empty for all.
    parts : str
        Categories of parts as a build writes them, such as "full exhaust"; empty for all.
    map_label : str
        The map, such as "stock" or "road r2"; empty for all.

    Raises
    ------
    NothingKnownError
        If nothing fits; the words list what there is.
    """
    with open_reader(snapshot.path) as reader:
        found = reader.execute(
            "SELECT expected_id, sentence FROM out.expected_mixture "
            "WHERE contains(lower(model_label), lower(?)) AND (? = '' OR parts_key = ?) "
            "AND (? = '' OR map_label = ?) ORDER BY model_label, parts_key, map_label",
            [model, parts, parts, map_label, map_label],
        ).fetchall()
        if not found:
            known = reader.execute(
                "SELECT DISTINCT model_label || ' with ' || parts_key || ' on ' || map_label "
                "FROM out.expected_mixture ORDER BY 1 LIMIT 40"
            ).fetchall()
            listed = "\n".join(f"  {line}" for (line,) in known) or "  nothing yet"
            raise NothingKnownError(f"Nothing is known of such a build. Known are:\n{listed}")
        speeds = (
            reader.execute(
                "SELECT engine_speed_rpm, expected_error_pct, lower_pct, upper_pct "
                "FROM out.expected_mixture_speed WHERE expected_id = ? ORDER BY engine_speed_rpm",
                [found[0][0]],
            ).fetchall()
            if len(found) == 1
            else []
        )
    for _, sentence in found:
        console.print(Text(sentence))
    if speeds:
        table = table_of(
            "Full throttle, lean error to expect in percent",
            [("rpm", "right"), ("expected", "right"), ("19 of 20 bikes", "right")],
        )
        show(console, table, [_speed_row(row) for row in speeds[::2]])
    console.print(Text(CAUTION, style="yellow"))


def print_maps(console: Console, snapshot: Snapshot, *, every: bool) -> None:
    """Print the map revisions that still miss their target, and where.

    Parameters
    ----------
    console : rich.console.Console
        Where to.
    snapshot : Snapshot
        What to read.
    every : bool
        Whether those on target are printed too.
    """
    with open_reader(snapshot.path) as reader:
        rows = reader.execute(
            "SELECT sentence FROM out.map_revision WHERE (is_missing OR ?) "
            "ORDER BY map_name = 'stock', is_missing DESC, bikes DESC, model_label, map_label",
            [every],
        ).fetchall()
    if not rows:
        console.print(Text("No map misses its target over the bikes that carry it."))
    for (sentence,) in rows:
        console.print(Text(sentence))
    console.print(Text(CAUTION, style="yellow"))


def _speed_row(row: tuple[Any, ...]) -> tuple[str, str, str]:
    speed, expected, lower, upper = row
    span = "" if lower is None else f"{lower:+.1f} to {upper:+.1f}"
    return f"{speed:,.0f}", f"{expected:+.1f}", span


def _stages_with_a_change(reader: Any, stage_id: str) -> str:
    latest = reader.execute(
        "SELECT change.stage_id FROM out.fuel_change AS change JOIN out.stage USING (stage_id) "
        "ORDER BY received_on DESC, change.stage_id DESC LIMIT 8"
    ).fetchall()
    listed = ", ".join(name for (name,) in latest) or "none yet"
    return f"Stage {stage_id!r} has no suggested fuel change. The latest that have: {listed}"
