"""The three answers in the terminal: what needs a remap, what was built before, how it went."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import duckdb
import polars as pl
from rich import box
from rich.table import Table
from rich.text import Text

from flows.terminal import console, line, prose
from schemas.settings import ShopSettings
from warehouse import wording
from warehouse.questions import ask
from warehouse.quote import score_sentence
from warehouse.snapshot import Snapshot, open_reader
from warehouse.story import build_ended

MOST_ROWS = 6
MOST_ALIKE = 3
MOST_IN_SHORT, MOST_AFTER_UPDATE = 3, 1
"""Rows of each answer where all three are to fit a terminal of 80 by 40."""
ENDS = ("lower", "upper")


def print_in_short(snapshot: Snapshot, rows: int = MOST_IN_SHORT) -> None:
    """Print the three answers on one screen, so many rows of each."""
    with open_reader(snapshot.path) as reader:
        _need_in_short(reader, rows)
        for build in _most_alike(reader, rows):
            likeness = f"{build['similarity_share']:4.0%}"
            line(f"  {likeness}  {build['other_job_id']}: {build_ended(build)}")
        _quarter_in_short(reader, rows)
    console.print()
    print_cautions()
    prose(
        "A range of gains holds 19 of 20, others 9 of 10. More: `rollbook answers DIR --full`.",
        style="dim",
    )


def _need_in_short(reader: duckdb.DuckDBPyConnection, rows: int) -> None:
    needs = ask(reader, "remap_needs").filter("is_stock_map").to_dicts()
    _heading("1. Which combinations need a remap most, on the untouched map?")
    if not needs:
        prose("No pull with a wideband gauge has been taken in yet.", style="dim")
    for need in needs[:rows]:
        line(f"{need['model_label']}, {need['parts_key']}, {need['fuel']}")
        line(f"   {wording.need_in_short(need)}")
    if needs:
        quarters = ask(reader, "need_quarters", need_id=None).to_dicts()
        prose(wording.arrived_and_left(quarters))


def _quarter_in_short(reader: duckdb.DuckDBPyConnection, rows: int) -> None:
    if not (quarter := _last_quarter(reader)):
        return
    figures = ask(reader, "quarter_figures", quarter=quarter)
    told = [
        f"{figure} {wording.number(value)} ({wording.number(before)})"
        for figure, value, before in figures.iter_rows()
    ]
    prose(f"{', '.join(told).capitalize()}. In brackets: the quarter before.")
    gains = ask(reader, "quarter_gains", quarter=quarter).head(rows)
    for gain in gains.iter_rows(named=True):
        line(
            f"  {gain['change_key']}: {wording.signed(gain['mean_gain_pct'])} % on "
            f"{wording.counted(gain['bikes'], 'bike')} "
            f"({wording.between(gain['mean_gain_lower_pct'], gain['mean_gain_upper_pct'])})"
        )
    verdicts = ask(reader, "dyno_verdicts").to_dicts()
    prose(f"Dyno: {wording.dyno_in_short(verdicts)}.")
    _print_score(reader)


def _last_quarter(reader: duckdb.DuckDBPyConnection) -> str:
    """Ask how the last quarter went; return it, "" where there is none yet."""
    quarter = next(iter(ask(reader, "quarters")["quarter_label"]), "")
    _heading(f"3. How did {quarter or 'the quarter'} go?")
    if not quarter:
        prose("No job has been taken in yet.", style="dim")
    return quarter


def _print_score(reader: duckdb.DuckDBPyConnection) -> None:
    for score in ask(reader, "promise_scores", model_id="", change_key="").head(1).to_dicts():
        prose(f"Quotes: {score_sentence(score)}")


def _most_alike(reader: duckdb.DuckDBPyConnection, rows: int) -> Iterator[dict[str, Any]]:
    """Name the newest build, one with parts if there is any; yield so many that are most alike."""
    _heading("2. Have we built this before?")
    stages = ask(reader, "stages").filter(pl.col("alike") > 0)
    with_parts = stages.filter(pl.col("parts_key") != "standard parts")
    found = stages if with_parts.is_empty() else with_parts
    if found.is_empty():
        prose("There are not two bikes to compare yet.", style="dim")
        return
    newest = found.row(0, named=True)
    prose(f"The newest build, {newest['bike_id']}: {wording.combination(newest)}. Most alike:")
    alike = ask(reader, "similar_builds", stage_id=newest["stage_id"]).head(rows)
    yield from alike.iter_rows(named=True)


def print_answers(snapshot: Snapshot, settings: ShopSettings) -> None:
    """Print the three answers from a snapshot, in full."""
    with open_reader(snapshot.path) as reader:
        _need(reader)
        _alike(reader)
        _quarter(reader)
    console.print()
    print_cautions()
    air = wording.power_at(settings.figures.reference_air, is_corrected=True)
    prose(f"Power is wheel power {air}; intervals are 95 %, of a chance 90 %.", style="dim")


def print_plan(snapshot: Snapshot, wanted_pct: float) -> None:
    """Print the gain that each number of pulls could see, and which of them see enough."""
    with open_reader(snapshot.path) as reader:
        plans = ask(reader, "plans").to_dicts()
    prose(
        f"Smallest mean gain that is called real four times in five, in %. * sees {wanted_pct:g} %."
    )
    prose(
        "Strapped once: stages within two hours of each other with the same mounting number on the "
        "card; without one each stage counts as taken off. Rested: an hour before the first pull "
        "of a stage.",
        style="dim",
    )
    for is_put_back in (False, True):
        own = [plan for plan in plans if plan["is_put_back"] == is_put_back]
        handlings = list(dict.fromkeys(plan["handling"] for plan in own))
        seen = {(p["pulls"], p["handling"]): p["smallest_detectable_pct"] for p in own}
        heads = [(name, "right") for name in ("pulls in each session", *handlings)]
        rows = [
            (pulls, *(_seen(seen[pulls, handling], wanted_pct) for handling in handlings))
            for pulls in sorted({pulls for pulls, _ in seen})
        ]
        show(table_of(wording.plan_ways(is_put_back), heads), rows)


def _seen(detectable_pct: float, wanted_pct: float) -> str:
    return f"{detectable_pct:.2f}{'*' if detectable_pct <= wanted_pct else ' '}"


def print_cautions() -> None:
    """Print the cautions that stand below every answer."""
    prose(f"Cautions: {' '.join(wording.CAUTIONS)}", style="yellow")


def table_of(title: str, columns: list[tuple[str, str]]) -> Table:
    """Return an empty table for the terminal."""
    table = Table(title=title, title_justify="left", title_style="bold", box=box.SIMPLE_HEAD)
    for name, justify in columns:
        table.add_column(name, justify=justify, overflow="fold")  # type: ignore[arg-type]
    return table


def show(table: Table, rows: list[tuple[Any, ...]]) -> None:
    """Print a table with its rows."""
    for row in rows:
        # Text, not markup: a part may be called [anything].
        table.add_row(*(Text(str(cell)) for cell in row))
    console.print(table)


def _heading(text: str) -> None:
    console.print()
    prose(text, style="bold")


def _need(reader: duckdb.DuckDBPyConnection) -> None:
    needs = ask(reader, "remap_needs").filter("is_stock_map").head(MOST_ROWS).to_dicts()
    _heading("1. Which combinations need a remap most?")
    if not needs:
        prose("No pull with a wideband gauge has been taken in yet.", style="dim")
        return
    prose(needs[0]["sentence"])
    table = table_of(
        "",
        [
            ("lean", "right"),
            ("chance", "right"),
            ("next worst, %", "right"),
            ("remap gave, %", "right"),
            ("on the stock map", "left"),
        ],
    )
    show(table, [_need_row(need) for need in needs])
    logged = ask(reader, "logged_bikes").filter("is_stock_map")
    prose(wording.selection(logged.to_dicts()), style="dim")
    prose(wording.arrived_and_left(ask(reader, "need_quarters", need_id=None).to_dicts()))


def _need_row(need: dict[str, Any]) -> tuple[str, ...]:
    chance = " to ".join(wording.number(100 * need[f"warn_{end}_share"]) for end in ENDS)
    worst = "too few bikes"
    if need["worst_error_lower_pct"] is not None:
        worst = " to ".join(wording.number(need[f"worst_error_{end}_pct"]) for end in ENDS)
    gave = wording.signed(need["given_back_pct"])
    if need["given_back_pct"] is not None:
        gave += f" ({wording.between(*(need[f'given_back_{end}_pct'] for end in ENDS))})"
    return (
        f"{need['lean_bikes']} of {need['bikes']}",
        f"{wording.share(need['warn_share'])} ({chance})",
        f"{wording.number(need['worst_error_pct'])} ({worst})",
        gave,
        f"{need['model_label']}, {need['parts_key']}, {need['fuel']}",
    )


def _alike(reader: duckdb.DuckDBPyConnection) -> None:
    for build in _most_alike(reader, MOST_ALIKE):
        prose(f"  {build['similarity_share']:4.0%}  {build['other_job_id']}: {build_ended(build)}")
        for word, name in (
            ("same", "matches"), ("differs", "differs"), ("not known", "not_known"),
            ("went wrong", "went_wrong"),
        ):  # fmt: skip
            if build[name]:
                prose(f"          {word}: {build[name]}", style="dim")


def _quarter(reader: duckdb.DuckDBPyConnection) -> None:
    if not (quarter := _last_quarter(reader)):
        return
    figures = ask(reader, "quarter_figures", quarter=quarter)
    show(
        table_of("", [("", "left"), (quarter, "right"), ("before", "right")]),
        [
            (figure, wording.number(value), wording.number(before))
            for figure, value, before in figures.iter_rows()
        ],
    )
    gains = ask(reader, "quarter_gains", quarter=quarter).head(MOST_ROWS).to_dicts()
    if gains:
        table = table_of(
            "",
            [
                ("what changed", "left"),
                ("bikes", "right"),
                ("mean gain, %", "right"),
                ("95 %", "right"),
                ("before, % (bikes)", "right"),
            ],
        )
        show(table, [_gain_row(gain) for gain in gains])
    for verdict in ask(reader, "dyno_verdicts").iter_rows(named=True):
        # That a dyno cannot be told to hold is an answer too.
        if verdict["state"] in ("act", "watch") or verdict["is_of_dyno"]:
            prose(f"Dyno: {wording.dyno_sentence(verdict)}")
    _print_score(reader)


def _gain_row(gain: dict[str, Any]) -> tuple[str, ...]:
    before = wording.signed(gain["previous_mean_gain_pct"])
    if gain["previous_bikes"]:
        before += f" ({gain['previous_bikes']})"
    return (
        gain["change_key"],
        str(gain["bikes"]),
        wording.signed(gain["mean_gain_pct"]),
        wording.between(*(gain[f"mean_gain_{end}_pct"] for end in ENDS)),
        before,
    )
