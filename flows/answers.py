"""The three answers in the terminal: what needs a remap, what was built before, how it went."""

from __future__ import annotations

from typing import Any

import duckdb
from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from schemas.settings import ShopSettings
from warehouse import store
from warehouse.snapshot import Snapshot, open_reader

CAUTION = (
    "Cautions: a lean full-throttle mixture can destroy an engine in one pull. A dyno throws "
    "straps, tyres and stones: guards, extraction, hearing protection, a second person. Taking "
    "off a catalyst or silencer or changing the map may be unlawful on the road: local law "
    "decides. These figures are the shop's own comparisons, not a certified rating; a qualified "
    "tuner checks them before anyone acts on them."
)


def print_answers(console: Console, snapshot: Snapshot, settings: ShopSettings) -> None:
    """Print the three answers from a snapshot."""
    reader = open_reader(snapshot.path)
    try:
        _need(console, reader)
        _alike(console, reader)
        _quarter(console, reader)
    finally:
        reader.close()
    console.print()
    console.print(Text(CAUTION, style="yellow"))
    air = settings.figures.reference_air
    console.print(
        Text(
            f"Power is wheel power at the reference air of {air}; intervals are 95 %.", style="dim"
        )
    )


def print_plan(console: Console, snapshot: Snapshot, wanted_pct: float) -> None:
    """Print the gain that each number of pulls could see, and which of them see enough."""
    with open_reader(snapshot.path) as reader:
        rows = reader.execute(
            "SELECT pulls, is_put_back, is_strapped_once, smallest_detectable_pct FROM out.plan"
        ).fetchall()
    seen = {(pulls, back, once): gain for pulls, back, once, gain in rows}
    console.print(
        Text(
            f"Smallest mean gain that is called real four times in five, in %. * sees "
            f"{wanted_pct:g} %."
        )
    )
    console.print(
        Text(
            "Strapped once: stages with the same mounting number on the card; without one each "
            "stage counts as taken off.",
            style="dim",
        )
    )
    table = table_of(
        "",
        [
            ("pulls in each session", "right"),
            ("before and after, strapped once", "right"),
            ("before and after, taken off between", "right"),
            ("put back and pulled again, strapped once", "right"),
            ("put back and pulled again, taken off between", "right"),
        ],
    )
    ways = ((False, True), (False, False), (True, True), (True, False))
    show(
        console,
        table,
        [
            (
                pulls,
                *(
                    f"{seen[pulls, *way]:.2f}{'*' if seen[pulls, *way] <= wanted_pct else ' '}"
                    for way in ways
                ),
            )
            for pulls in sorted({pulls for pulls, *_ in seen})
        ],
    )


def table_of(title: str, columns: list[tuple[str, str]]) -> Table:
    """Return an empty table for the terminal."""
    table = Table(title=title, title_justify="left", title_style="bold", box=box.SIMPLE_HEAD)
    for name, justify in columns:
        table.add_column(name, justify=justify, overflow="fold")  # type: ignore[arg-type]
    return table


def show(console: Console, table: Table, rows: list[tuple[Any, ...]]) -> None:
    """Print a table with its rows."""
    for row in rows:
        # Text, not markup: a part may be called [anything].
        table.add_row(*(Text(str(cell)) for cell in row))
    console.print(table)


def _heading(console: Console, text: str) -> None:
    console.print()
    console.print(Text(text, style="bold"))


def _need(console: Console, reader: duckdb.DuckDBPyConnection) -> None:
    rows = store.rows(
        reader,
        "SELECT need.*, stage.model_label FROM out.remap_need AS need "
        "JOIN (SELECT DISTINCT model_id, model_label FROM out.stage) AS stage USING (model_id) "
        "WHERE is_stock_map ORDER BY need_rank LIMIT 6",
    ).to_dicts()
    _heading(console, "1. Which combinations need a remap most?")
    if not rows:
        console.print(Text("No pull with a wideband gauge has been taken in yet.", style="dim"))
        return
    console.print(Text(rows[0]["sentence"]))
    table = table_of(
        "",
        [
            ("lean", "right"),
            ("surely above", "right"),
            ("worst", "right"),
            ("remap gave", "right"),
            ("on the stock map", "left"),
        ],
    )
    show(
        console,
        table,
        [
            (
                f"{row['lean_bikes']} of {row['bikes']}",
                f"{row['warn_lower_share']:.0%}",
                f"{row['worst_error_pct']:.0f} %",
                "–" if row["given_back_pct"] is None else f"{row['given_back_pct']:+.1f} %",
                f"{row['model_label']}, {row['parts_key']}",
            )
            for row in rows
        ],
    )


def _alike(console: Console, reader: duckdb.DuckDBPyConnection) -> None:
    newest = store.first(
        reader,
        "SELECT stage.stage_id, stage.bike_id, stage.model_label, stage.parts_label, "
        "stage.map_label FROM out.stage AS stage "
        "JOIN (SELECT DISTINCT stage_id FROM out.similar_build) USING (stage_id) "
        "ORDER BY stage.parts_key = 'standard parts', stage.received_on DESC, stage.job_id DESC, "
        "stage.stage_no DESC LIMIT 1",
    )
    _heading(console, "2. Have we built this before?")
    if newest is None:
        console.print(Text("There are not two bikes to compare yet.", style="dim"))
        return
    console.print(
        Text(
            f"The newest build, {newest[1]}: {newest[2]}; {newest[3]}; map {newest[4]}. Most alike:"
        )
    )
    for job, share, matches, differs, ended_on, gained, went_wrong in reader.execute(
        "SELECT other_job_id, similarity_share, matches, differs, ended_on, gained, went_wrong "
        "FROM out.similar_build WHERE stage_id = ? ORDER BY likeness_rank LIMIT 3",
        [newest[0]],
    ).fetchall():
        console.print(Text(f"  {share:4.0%}  {job}: {gained}; ended on {ended_on}"))
        for word, text in (("same", matches), ("differs", differs), ("went wrong", went_wrong)):
            if text:
                console.print(Text(f"          {word}: {text}", style="dim"))


def _quarter(console: Console, reader: duckdb.DuckDBPyConnection) -> None:
    latest = store.first(reader, "SELECT max(quarter_label) FROM out.quarter_figure")
    label = latest[0] if latest else None
    figures = reader.execute(
        "SELECT figure, figure_value::BIGINT, coalesce(previous_value::BIGINT::VARCHAR, '–') "
        "FROM out.quarter_figure WHERE quarter_label = ? ORDER BY figure",
        [label],
    ).fetchall()
    _heading(console, f"3. How did {label or 'the quarter'} go?")
    if not figures:
        console.print(Text("No job has been taken in yet.", style="dim"))
        return
    show(console, table_of("", [("", "left"), (str(label), "right"), ("before", "right")]), figures)
    gains = reader.execute(
        "SELECT change_key, bikes, printf('%+.1f %%', mean_gain_pct), "
        "CASE WHEN previous_mean_gain_pct IS NULL THEN '–' "
        "ELSE printf('%+.1f %% (%d)', previous_mean_gain_pct, previous_bikes) END "
        "FROM out.quarter_gain WHERE quarter_label = ? ORDER BY bikes DESC, change_key LIMIT 6",
        [label],
    ).fetchall()
    if gains:
        table = table_of(
            "",
            [
                ("what changed", "left"),
                ("bikes", "right"),
                ("mean gain", "right"),
                ("before (bikes)", "right"),
            ],
        )
        show(console, table, gains)
    for (sentence,) in reader.execute(
        "SELECT sentence FROM out.dyno_verdict WHERE state IN ('act', 'watch') ORDER BY verdict_no"
    ).fetchall():
        console.print(Text(f"Dyno: {sentence}"))
