"""The mixture's answers in the terminal: what a map needs, what to expect, which maps miss."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
from rich.text import Text

from flows.answers import print_cautions, show, table_of
from flows.terminal import console, prose
from warehouse import wording
from warehouse.fuel_table import FuelTable, NoSuggestionError, fuel_csv, read_fuel_table
from warehouse.questions import ask
from warehouse.snapshot import Snapshot, open_reader
from warehouse.whole_file import write_whole

LINES_OF_BUILDS = 26
"""Of a screen of 40: the rest is for what to name next and the cautions."""


class CannotWriteError(ValueError):
    """A table cannot be written where it was asked for."""


class NothingKnownError(ValueError):
    """Nothing fits what was asked; the message says what is known."""


def print_fuel_change(snapshot: Snapshot, stage_id: str) -> None:
    """Print the fuel change that a stage's map seems to need, with the cautions.

    Raises NothingKnownError if the stage has no suggested change.
    """
    with open_reader(snapshot.path) as reader:
        found = _table_of_stage(reader, stage_id)
        mixtures = ask(reader, "stage_mixtures", stage_ids=[stage_id]).to_dicts()
        checks = ask(reader, "fuel_change_checks", stage_id=stage_id).filter(
            pl.col("stage_id") == stage_id
        )
    advice = wording.advice(mixtures[0] if mixtures else None)
    if advice.is_alarm:
        prose(f"{advice.headline}. {advice.what_to_do}", "bold red")
        prose(advice.judged)
    prose(found.sentence, style="bold")
    for said in (found.later, found.round_note, *checks["sentence"]):
        if said:
            prose(said)
    _print_breakpoints(found)
    if found.left_out:
        prose(f"Readings left out: {found.left_out}.", style="dim")
    for caution in wording.FUEL_CAUTIONS:
        prose(caution, style="yellow")


def _print_breakpoints(found: FuelTable) -> None:
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
        show(table, rows)
    if speeds:
        prose(f"* held by a limit. ? not seen: half of what is added beside it. {found.limits}")


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
    snapshot: Snapshot,
    model: str,
    parts: str,
    map_label: str,
    fuel: str = "",
    *,
    full: bool = False,
) -> None:
    """Print the mixture to expect of models whose name holds some words, the leanest first.

    Raises NothingKnownError if nothing fits; the words list what there is.
    """
    with open_reader(snapshot.path) as reader:
        every = ask(reader, "expected_mixtures").to_dicts()
        found = [
            row
            for row in every
            if model.casefold() in row["model_label"].casefold()
            and (not parts or _parts_of(row["parts_key"]) == _parts_of(parts))
            and (not map_label or row["map_label"].casefold() == map_label.casefold())
            and (not fuel or row["fuel"].casefold() == fuel.casefold())
        ]
        if not found:
            raise NothingKnownError(_builds_known(every, model, parts))
        speeds = ask(reader, "expected_mixture_speed", expected_id=found[0]["expected_id"])
    _print_builds(found, full=full)
    if len(found) == 1 and not speeds.is_empty():
        table = table_of(
            "Full throttle, lean error to expect in percent",
            [("rpm", "right"), ("expected", "right"), ("19 of 20 bikes at most", "right")],
        )
        rows = [_speed_row(row) for row in speeds.to_dicts()[::2]]
        enough = found[0]["enough_pct"]
        show(table, [*rows, ("all at once", "", "" if enough is None else wording.signed(enough))])
    elif len(found) > 1:
        prose(f"Name one build to see it by engine speed: {_still_open(found)}.")
    print_cautions()


def _print_builds(found: list[dict[str, Any]], *, full: bool) -> None:
    """Print as many builds as a screen holds beside the cautions, what can hurt most first."""
    found = sorted(found, key=lambda row: -(row["worst_error_pct"] or 0.0))
    if len(found) > 1:
        prose(f"{len(found):,} builds are known. The leanest to expect come first:", style="bold")
    room = LINES_OF_BUILDS
    for at, row in enumerate(found):
        room -= len(Text(row["sentence"]).wrap(console, console.width))
        if room < 0 and not full:
            prose(f"and {len(found) - at:,} more: --full", style="dim")
            return
        prose(row["sentence"])


def _still_open(found: list[dict[str, Any]]) -> str:
    """Return the options that tell some builds apart: what is named already is not asked again."""
    options = {
        "model_label": "--model with the whole name",
        "parts_key": "--parts",
        "map_label": "--map",
        "fuel": "--fuel",
    }
    return ", ".join(
        option for name, option in options.items() if len({row[name] for row in found}) > 1
    )


def _parts_of(text: str) -> frozenset[str]:
    """Return categories of parts as a set, however they are strung together."""
    return frozenset(re.split(r"\s*(?:[+,;&]|\band\b)\s*", text.strip().casefold())) - {""}


def _builds_known(every: list[dict[str, Any]], model: str, parts: str) -> str:
    if not every:
        return (
            "Nothing is known of any build yet: that takes pulls with a wideband reading, and of "
            "each model a session on the untouched map."
        )
    near = [row for row in every if model.casefold() in row["model_label"].casefold()]
    if not near:
        models = "\n".join(f"  {label}" for label in dict.fromkeys(r["model_label"] for r in every))
        return f"No model is called like {model!r}. Known are:\n{models}"
    wanted = _parts_of(parts)
    near.sort(key=lambda row: -len(wanted & _parts_of(row["parts_key"])))
    listed = [
        f"  --parts {row['parts_key']!r} --map {row['map_label']!r} --fuel {row['fuel']!r}: "
        f"{row['model_label']}"
        for row in near
    ]
    more = f"\n  and {len(listed) - 12} more" if len(listed) > 12 else ""
    return "Nothing is known of such a build. Known are:\n" + "\n".join(listed[:12]) + more


def print_maps(snapshot: Snapshot, *, every: bool) -> None:
    """Print the map revisions that still miss their target, and where."""
    with open_reader(snapshot.path) as reader:
        rows = ask(reader, "map_revisions")
    rows = rows.sort(pl.col("map_name") == "stock", maintain_order=True)
    shown = rows if every else rows.filter("is_missing", "is_newest")
    if rows.is_empty():
        prose("No map can be judged yet: that takes pulls with a wideband reading.")
    elif shown.is_empty():
        prose("No map misses its target over the bikes that carry it.")
    for sentence in shown["sentence"]:
        prose(sentence)
    replaced = rows.filter("is_missing", ~pl.col("is_newest")).height
    if replaced and not every:
        prose(f"{replaced} replaced since miss too: --all has them.", style="dim")
    print_cautions()


def _speed_row(row: dict[str, Any]) -> tuple[str, str, str]:
    upper = "" if row["upper_pct"] is None else wording.signed(row["upper_pct"])
    return wording.number(row["engine_speed_rpm"]), wording.signed(row["error_pct"]), upper


def _table_of_stage(reader: duckdb.DuckDBPyConnection, stage_id: str) -> FuelTable:
    try:
        return read_fuel_table(reader, stage_id)
    except NoSuggestionError:
        latest = ask(reader, "fuel_changes", job_id=None)["stage_id"].head(8)
        raise NothingKnownError(
            f"Stage {stage_id!r} has no suggested fuel change. The latest that have: "
            f"{', '.join(latest) or 'none yet'}"
        ) from None
