"""What stands behind a figure, and what fits a few words, in the terminal."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import Any

import polars as pl

from flows.answers import show, table_of
from flows.terminal import prose, say
from warehouse.find import KINDS as FOUND
from warehouse.find import Index, find
from warehouse.snapshot import Snapshot, open_reader
from warehouse.why import KINDS, LEFT_OUT, Why, figures, read_why

MOST_ROWS = 8
OF_STAGE = ("received_on", "stage_id", "bike_id", "stage_name", "role", "why")
OF_PULL = ("run_on", "stage_id", "pull_no", "file_name", "sha256_start", "why")
OF_RIDE = ("run_on", "stage_id", "standing", "file_name", "sha256_start", "why")


def print_figures(snapshot: Snapshot, folder: Path) -> None:
    """Print the kinds of figures that have an address, each with an example."""
    with open_reader(snapshot.path) as reader:
        known = figures(reader)
    rows = []
    for kind, told in KINDS.items():
        of_kind = known.filter(pl.col("kind") == kind)["figure"].to_list()
        if of_kind:
            rows.append((told["what"], len(of_kind), shlex.quote(of_kind[0])))
    if not rows:
        prose("No figure is published yet.")
        return
    show(table_of("", [("figure", "left"), ("of them", "right"), ("such as", "left")]), rows)
    prose(f"What stands behind one: rollbook why {shlex.quote(str(folder))} ADDRESS", style="dim")


def print_why(snapshot: Snapshot, settings: Any, figure: str, *, full: bool) -> None:
    """Print what stands behind a figure; raises NoSuchFigureError with the nearest."""
    with open_reader(snapshot.path) as reader:
        why = read_why(reader, figure, settings)
    prose(f"{why.value}", style="bold")
    prose(f"{why.what.capitalize()}. {why.figure}")
    for caveat in why.caveats:
        prose(caveat, style="yellow")
    prose(f"How: {why.method}" + f" ({why.source})" * bool(why.source))
    if why.functions:
        prose(f"flows/metrics: {', '.join(why.functions)}", style="dim")
    if why.settings:
        prose(f"Settings: {'; '.join(f'{name} {value}' for name, value in why.settings)}.")
    if not why.budget.is_empty():
        parts = why.budget.select("component", "sd_pct", "origin").iter_rows()
        told = "; ".join(f"{part} {sd:.2f} ({origin})" for part, sd, origin in parts)
        prose(f"The interval, 1 SD in %: {told}.")
    prose(f"From: {why.counted}", style="bold")
    _print_evidence(why, None if full else MOST_ROWS)


def _print_evidence(why: Why, most: int | None) -> None:
    is_out = pl.col("standing") == LEFT_OUT
    _list("Stages used", why.stages.filter(~is_out), OF_STAGE, most)
    _list("Stages left out", why.stages.filter(is_out), OF_STAGE, most)
    _list("Pulls used", why.pulls.filter(~is_out), OF_PULL, most)
    # Those of a stage left out are told with it.
    used = why.stages.filter(~is_out)["stage_id"].implode()
    own = (
        why.pulls.filter(is_out & pl.col("stage_id").is_in(used))
        if most
        else why.pulls.filter(is_out)
    )
    _list("Pulls left out", own, OF_PULL, most)
    if not why.rides.is_empty():
        _list("Rides", why.rides, OF_RIDE, most)
    _list("Never taken in", why.files, ("job_folder", "file_name", "state", "reason"), most)


def _list(title: str, rows: pl.DataFrame, columns: tuple[str, ...], most: int | None) -> None:
    if rows.is_empty():
        return
    shown = rows.head(most) if most else rows
    names = [
        name for name in columns if shown[name].cast(pl.String).fill_null("").str.len_chars().sum()
    ]
    heads = [
        (name.removesuffix("_start").removesuffix("_id").replace("_", " "), "left")
        for name in names
    ]
    cells = shown.select(pl.col(names).cast(pl.String).fill_null("")).rows()
    show(table_of(f"{title}: {rows.height:,}", heads), cells)
    if shown.height < rows.height:
        prose(f"  and {rows.height - shown.height:,} more: --full", style="dim")


def print_found(snapshot: Snapshot, asked: str) -> bool:
    """Print what fits a few words; whether anything does."""
    with open_reader(snapshot.path) as reader:
        groups = find(reader, Index(reader), asked)
    for group in groups:
        prose(f"{FOUND[group.kind]}: {group.found:,}", style="bold")
        for hit in group.hits:
            say(f"  {hit.name}" + (f"  ({hit.about})" if hit.about else ""))
        if group.found > len(group.hits):
            prose(f"  and {group.found - len(group.hits):,} more", style="dim")
    if not groups:
        prose(f"Nothing fits {asked!r}. Fewer words, or a part of one, may.")
    return bool(groups)
