"""Gathers what was measured for a shop's years of service from the tables that programs wrote.

    python -m tests.service_figures

Nothing is typed by hand: a figure stands in its program's table, or the line says that it does not.
"""

from __future__ import annotations

import re
import subprocess
from pathlib import Path
from typing import NamedTuple

HERE = Path(__file__).resolve().parent
NO_TABLE = "no table yet: run the command"
HELD_BY_TEST = "held by a test that fails otherwise; it writes no table"


class Figure(NamedTuple):
    """What is shown, its program, and where the program's table, if any, holds it."""

    what: str
    command: str
    table: str
    pattern: str
    said: str
    """The groups of the pattern, by number."""


FIGURES = (
    Figure(
        "histories of a shop's life",
        "python -m tests.life.live --faults",
        "life/live.md",
        r"(\d[\d,]*) histories of .*?, (\d[\d,]*) updates,.*?: (broken[^\n]*|no promise broken)",
        "{1} histories, {2} updates: {3}",
    ),
    Figure(
        "histories in which processes were killed",
        "python -m tests.life.live --true-kills",
        "life/true_kills.md",
        r"(\d[\d,]*) histories of .*?, (\d[\d,]*) updates,.*?: (broken[^\n]*|no promise broken)",
        "{1} histories, {2} updates: {3}",
    ),
    Figure(
        "updates killed at a commit or a move of a file",
        "python -m tests.studies.kill_study --kills 500",
        "studies/kill_study.md",
        r"\*\*all\*\* *\| *\| *(\d+) *\| *(\d+) *\| *(\d+) *\| *(\d+) *\| *(\d+)",
        "{2} kills, of {1} points, {3} recoveries killed too: {4} unequal, {5} errors",
    ),
    Figure(
        "backups killed",
        "python -m tests.studies.backup_kill_study --kills 50",
        "studies/backup_kill_study.md",
        r"\| (\d+) \| \d+ \| \d+ \| (\d+) \|",
        "{1} kills: {2} lost",
    ),
    Figure(
        "a shop's own files damaged",
        "python -m tests.flows.test_damage",
        "flows/test_damage.md",
        r"(\d+) damages told; (\d+) healed by itself, (\d+) by the one act named; (.*?)\.\n",
        "{1} told, {2} healed by themselves, {3} by the one act named; {4}",
    ),
    Figure(
        "ways in without a good sign-in",
        "python -m tests.flows.sign_in_routes",
        "flows/sign_in_routes.md",
        r"(\d[\d,]*) requests on (\d+) paths.*?; (\d+) let in",
        "{1} requests on {2} paths: {3} let in",
    ),
    Figure(
        "history: its size",
        "python -m tests.bench.history DEMO",
        "bench/history.md",
        r"a month of (\d+) jobs[^|]*\| ([\d.]+%)",
        "{2} of what is published, for a month of {1} jobs",
    ),
    Figure(
        "history: the oldest day of ten years",
        "python -m tests.bench.history DEMO",
        "bench/history.md",
        r"the oldest day:[^|]*\| ([\d.]+ s), ([\d.]+ s)",
        "opened in {1} of processor, then three answers in {2}",
    ),
    Figure(
        "history: its part of a publish",
        "python -m tests.bench.history DEMO",
        "bench/history.md",
        r"a publish, of which history \| ([\d.]+ s), ([\d.]+ s)",
        "{2} of {1} of processor",
    ),
    Figure(
        "shops pooled",
        "python -m tests.studies.pooled_shops --bench SHOP",
        "studies/pooled_shops.md",
        r"Pooling (\d+) shops, ([\d,]+) bikes.*?: ([\d.]+ s) of processor here "
        r"and ([\d.]+ s) apart, ([\d.]+ s) by the clock; ([\d,]+ MB) here",
        "{1} shops, {2} bikes: {3} and {4} of processor, {5} by the clock, {6}",
    ),
    Figure(
        "a lake under kills",
        "python -m tests.studies.lake_study",
        "studies/lake_study.md",
        r"writer, client or both \| (\d+) \|.*?batches lost \| (\d+) \|.*?doubled \| (\d+) \|"
        r".*?embedded file's \| (\w+) \|",
        "{1} kills: {2} lost, {3} doubled; equal to the embedded file's: {4}",
    ),
    Figure(
        "hostile files and mutants within their limits",
        "python -m pytest -q -n0 -m long tests/broken/test_hostile_files.py",
        "",
        "",
        "",
    ),
    Figure(
        "a shop of an earlier version, brought up, is equal but for named columns",
        "python -m pytest -q -n0 tests/flows/test_old_shops.py",
        "",
        "",
        "",
    ),
    Figure(
        "a shop brought back is equal",
        "python -m pytest -q -n0 tests/flows/test_backup.py",
        "",
        "",
        "",
    ),
)


def found(figure: Figure, place: Path = HERE) -> tuple[str, str]:
    """Return what a table says, and on which day it was written."""
    if not figure.table:
        return HELD_BY_TEST, "–"
    path = place / figure.table
    if not path.exists():
        return NO_TABLE, "–"
    text = path.read_text(encoding="utf-8")
    match = re.search(figure.pattern, text, re.DOTALL)
    if not match:
        raise ValueError(f"{figure.table} does not say: {figure.what}")
    return figure.said.format("", *match.groups()), day_of(path, text)


def day_of(path: Path, text: str) -> str:
    """Return the day that a table names, or that of its commit."""
    named = re.search(r"Written by .*? on (\d{4}-\d{2}-\d{2})", text)
    if named:
        return named[1]
    asked = ["git", "log", "-1", "--format=%as", "--", path.name]
    told = subprocess.run(asked, cwd=path.parent, capture_output=True, text=True, check=False)
    return told.stdout.strip() or "–"


def table(place: Path = HERE) -> str:
    """Return a line for each figure as Markdown."""
    lines = [
        "# Years of service, in figures",
        "",
        "Gathered by `python -m tests.service_figures` from the tables that the programs wrote.",
        "",
        "| what | figure | day | command |",
        "| --- | --- | --- | --- |",
    ]
    for figure in FIGURES:
        said, day = found(figure, place)
        lines.append(f"| {figure.what} | {said} | {day} | `{figure.command}` |")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    HERE.joinpath("service_figures.md").write_text(table(), encoding="utf-8", newline="\n")
