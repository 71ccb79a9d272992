"""The three answers in the terminal: what needs a remap, what was built before, how it went."""

from __future__ import annotations

from typing import Any

import duckdb
from rich.console import Console
from rich.table import Table
from rich.text import Text

from schemas.settings import ShopSettings
from warehouse import store
from warehouse.snapshot import Snapshot, open_reader

CAUTION = (
    "Cautions: a lean full-throttle mixture can destroy an engine in one pull. A dyno throws straps, "
    "tyres and stones: guards, extraction, hearing protection, a second person. Taking off a "
    "catalyst or silencer or changing the map may be unlawful on the road: local law decides. "
    "These figures are the shop's own comparisons, not a certified rating; a qualified tuner "
    "checks them before anyone acts on them."
)


def print_answers(console: Console, snapshot: Snapshot, settings: ShopSettings) -> None:
    """Print the three answers from a snapshot.

    Parameters
    ----------
    console : rich.console.Console
        Where to.
    snapshot : Snapshot
        What to read.
    settings : ShopSettings
        The shop's settings.
    """
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


def _table(title: str, columns: list[tuple[str, str]]) -> Table:
    table = Table(title=title, title_justify="left", title_style="bold", expand=False)
    for name, justify in columns:
        table.add_column(name, justify=justify, overflow="fold")  # type: ignore[arg-type]
    return table


def _fill(console: Console, table: Table, rows: list[tuple[Any, ...]], nothing: str) -> None:
    console.print()
    if not rows:
        console.print(Text(nothing, style="dim"))
        return
    for row in rows:
        # Text, not markup: a part may be called [anything].
        table.add_row(*(Text(str(cell)) for cell in row))
    console.print(table)


def _need(console: Console, reader: duckdb.DuckDBPyConnection) -> None:
    rows = store.rows(
        reader,
        "SELECT need.*, stage.model_label FROM out.remap_need AS need "
        "JOIN (SELECT DISTINCT model_id, model_label FROM out.stage) AS stage USING (model_id) "
        "WHERE is_stock_map ORDER BY need_rank LIMIT 6",
    ).to_dicts()
    console.print()
    if rows:
        console.print(Text("1. Which combinations need a remap most?", style="bold"))
        console.print(Text(rows[0]["sentence"]))
    table = _table(
        "" if rows else "1. Which combinations need a remap most?",
        [
            ("model", "left"),
            ("parts, stock map", "left"),
            ("lean / bikes", "right"),
            ("chance, surely above", "right"),
            ("worst", "right"),
            ("remap gave", "right"),
        ],
    )
    _fill(
        console,
        table,
        [
            (
                row["model_label"],
                row["parts_key"],
                f"{row['lean_bikes']} / {row['bikes']}",
                f"{row['warn_share']:.0%}, {row['warn_lower_share']:.0%}",
                f"{row['worst_error_pct']:.0f} % lean",
                "–" if row["given_back_pct"] is None else f"{row['given_back_pct']:+.1f} %",
            )
            for row in rows
        ],
        "1. Remap need: no pull with a wideband gauge has been taken in yet.",
    )


def _alike(console: Console, reader: duckdb.DuckDBPyConnection) -> None:
    newest = reader.execute(
        "SELECT stage.stage_id, stage.bike_id, stage.model_label, stage.parts_label, "
        "stage.map_label FROM out.stage AS stage "
        "JOIN (SELECT DISTINCT stage_id FROM out.similar_build) USING (stage_id) "
        "ORDER BY stage.received_on DESC, stage.job_id DESC, stage.stage_no DESC LIMIT 1"
    ).fetchone()
    rows: list[tuple[Any, ...]] = []
    title = "2. Have we built this before?"
    if newest:
        title += f" {newest[1]}: {newest[2]}, {newest[3]}, map {newest[4]}"
        rows = reader.execute(
            "SELECT other_job_id, printf('%.0f %%', 100 * similarity_share), matches, differs, "
            "ended_on, gained, went_wrong FROM out.similar_build WHERE stage_id = ? "
            "ORDER BY likeness_rank LIMIT 3",
            [newest[0]],
        ).fetchall()
    table = _table(
        title,
        [
            ("job", "left"),
            ("alike", "right"),
            ("same", "left"),
            ("not the same", "left"),
            ("ended on", "left"),
            ("gained", "left"),
            ("went wrong", "left"),
        ],
    )
    _fill(console, table, rows, "2. Similar builds: there are not two bikes to compare yet.")


def _quarter(console: Console, reader: duckdb.DuckDBPyConnection) -> None:
    latest = reader.execute("SELECT max(quarter_label) FROM out.quarter_figure").fetchone()
    label = latest[0] if latest else None
    figures = reader.execute(
        "SELECT figure, figure_value::BIGINT, coalesce(previous_value::BIGINT::VARCHAR, '–') "
        "FROM out.quarter_figure WHERE quarter_label = ? ORDER BY figure",
        [label],
    ).fetchall()
    table = _table(
        f"3. How did {label} go?", [("", "left"), ("this quarter", "right"), ("before", "right")]
    )
    _fill(console, table, figures, "3. The quarter: no job has been taken in yet.")
    gains = reader.execute(
        "SELECT change_key, bikes, printf('%+.1f %%', mean_gain_pct), "
        "CASE WHEN previous_mean_gain_pct IS NULL THEN '–' "
        "ELSE printf('%+.1f %% (%d)', previous_mean_gain_pct, previous_bikes) END "
        "FROM out.quarter_gain WHERE quarter_label = ? ORDER BY bikes DESC, change_key LIMIT 6",
        [label],
    ).fetchall()
    if gains:
        table = _table(
            "",
            [
                ("what changed", "left"),
                ("bikes", "right"),
                ("mean gain", "right"),
                ("before (bikes)", "right"),
            ],
        )
        _fill(console, table, gains, "")
    for (sentence,) in reader.execute(
        "SELECT sentence FROM out.dyno_verdict WHERE state IN ('act', 'watch') ORDER BY verdict_no"
    ).fetchall():
        console.print(Text(f"Dyno: {sentence}"))
