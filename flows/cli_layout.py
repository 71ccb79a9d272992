"""`rollbook layout`: draft a layout for a file, try one, list those the shop has."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich import box
from rich.table import Table
from rich.text import Text

from flows.terminal import console, say, write_text

if TYPE_CHECKING:
    from schemas.desk import Drafted, HeadEntry, Trial, Tried

layout_app = typer.Typer(
    help="Teach the shop how a kind of file is to be read.", no_args_is_help=True
)

File = Annotated[
    Path,
    typer.Argument(help="A file as the equipment wrote it.", exists=True, dir_okay=False),
]
CameAs = Annotated[
    str, typer.Option(help="Name under which the file came, where it is kept under another.")
]
MOST_UNUSED = 12
"""Entries above a table that are not used and still listed: all of it is to fit on a screen."""
HEAD_STYLES = {"not used": "dim", "not found": "yellow", "left out": "red"}
BARS, BARS_A_ROW = "▁▂▃▄▅▆▇█", 32


@layout_app.command()
def draft(
    file: File,
    shop: Annotated[Path | None, typer.Option(help="The shop's folder.")] = None,
    name: Annotated[str, typer.Option(help="Name of the layout.")] = "new layout",
    equipment: Annotated[str, typer.Option(help="What wrote the file.")] = "",
    save: Annotated[bool, typer.Option("--save", help="Save it into the shop's layouts.")] = False,
    private: Annotated[
        list[str] | None, typer.Option(help="A column that is to be shown nowhere.")
    ] = None,
    not_private: Annotated[
        list[str] | None, typer.Option(help="A column that was taken for private and is not.")
    ] = None,
    came_as: CameAs = "",
    full: Annotated[
        bool, typer.Option("--full", help="With examples, reasons, courses and the layout's text.")
    ] = False,
) -> None:
    """Propose a layout for a file and show what comes out of it."""
    from flows import apart, teach
    from schemas.desk import AskDraft, AskTrial, Trial

    asked = AskDraft(
        file=file,
        shop=shop,
        came_as=came_as,
        name=name,
        equipment=equipment,
        private=tuple(private or ()),
        not_private=tuple(not_private or ()),
    )
    with apart.worker(teach.ready) as worker:
        made = apart.call_on(file, worker, teach.drafted, asked)
        found = Trial(mistakes=made.mistakes)
        if not made.mistakes:
            to_try = AskTrial(file=file, layout=made.toml, shop=shop, came_as=came_as)
            found = apart.call_on(file, worker, teach.trial, to_try)
    _show_draft(file, made, is_full=full)
    _show_trial(found, is_full=full)
    # A draft that lacks something is there to be completed by hand.
    if full or made.mistakes:
        console.print()
        write_text(made.toml)
    else:
        say("Examples, reasons and the layout's text: --full. To keep it: --save.", style="dim")
    if save:
        _save(made, found, shop)


@layout_app.command(name="try")
def try_layout(
    file: File,
    layout: Annotated[Path, typer.Argument(help="The layout as TOML; - reads it from the input.")],
    shop: Annotated[Path | None, typer.Option(help="The shop's folder: tells rivals.")] = None,
    came_as: CameAs = "",
) -> None:
    """Read a file with a layout and show what comes out of it."""
    from flows import apart, teach
    from schemas.desk import AskTrial

    text = sys.stdin.read() if str(layout) == "-" else layout.read_text(encoding="utf-8")
    asked = AskTrial(file=file, layout=text, shop=shop, came_as=came_as)
    with apart.worker(teach.ready) as worker:
        found = apart.call_on(file, worker, teach.trial, asked)
    _show_head(found.tried.head if found.tried else ())
    _show_trial(found, is_full=True)
    if found.mistakes or found.trouble:
        raise typer.Exit(1)


@layout_app.command(name="list")
def list_layouts(shop: Annotated[Path, typer.Argument(help="The shop's folder.")]) -> None:
    """List the shop's layouts and how many files each has read."""
    from flows.settings import open_shop
    from schemas.layout import read_layouts
    from warehouse.snapshot import current, open_reader

    folder, _ = open_shop(shop)
    layouts, mistakes = read_layouts(folder.layouts)
    snapshot = current(folder.root)
    counts: dict[str, int] = {}
    if snapshot is not None:
        with open_reader(snapshot.path) as reader:
            counts = dict(
                reader.execute(
                    "SELECT layout, count(*) FROM out.file WHERE layout IS NOT NULL GROUP BY layout"
                ).fetchall()
            )
    table = Table("Layout", "Kind", "Format", "Equipment", "Files read")
    for layout in layouts:
        about = layout.layout
        table.add_row(
            about.name, about.kind, about.format, about.equipment, str(counts.get(about.name, 0))
        )
    console.print(table)
    for name, found in mistakes.items():
        say(f"layouts/{name} has mistakes and recognises nothing:", style="red")
        for mistake in found:
            say(f"  {mistake}", style="red")


def _save(made: Drafted, found: Trial, shop: Path | None) -> None:
    from flows import apart, teach
    from flows.settings import open_shop
    from warehouse.wording import counted

    if shop is None:
        raise teach.TeachError("--save needs --shop: into which shop's layouts?")
    if made.mistakes:
        raise teach.TeachError(
            "the draft lacks a needed channel and cannot be saved; save its text by hand and "
            "complete it"
        )
    folder, _ = open_shop(shop)
    if found.rivals:
        raise teach.TeachError(
            f"layout {found.rivals[0]!r} fits this file as well or better; the file would wait. "
            "Name a column under recognise that only one of them has"
        )
    layout = teach.layout_of(made.toml)
    say(f"Saved: {teach.save(folder, layout)}")
    with apart.worker() as worker:
        waiting = teach.waiting_files(folder, layout, worker)
    if waiting:
        say(
            f"{counted(len(waiting), 'file')} of this layout waited for it: the next update reads "
            "them, and takes in those that a card names."
        )


def _show_draft(file: Path, made: Drafted, *, is_full: bool) -> None:
    say(f"{file.name}: {made.format}, {made.where}; taken for a {made.log_kind}.")
    for known in made.known:
        say(f"The shop knows this file: {known}.", style="yellow")
    more = ("Examples", "Why") if is_full else ()
    table = Table("Column", "Channel", "Unit", "How sure", *more, box=box.SIMPLE_HEAD)
    styles = {"sure": "green", "likely": "yellow", "a guess": "red"}
    for column in made.columns:
        how = f"{column.words} ({column.confidence:.0%})" if column.channel else column.words
        cells = [
            Text(column.name),
            Text(column.channel or ""),
            Text(column.unit),
            Text(how, style=styles.get(column.words, "dim")),
        ]
        if is_full:
            cells += [Text(column.example), Text("; ".join(column.why))]
        table.add_row(*cells)
    console.print(table)
    _show_head(made.head)
    for doubt in made.doubts:
        say(f"Look twice: {doubt}", style="yellow")
    if made.questions:
        say("Only you know (what was put in, to be corrected in the layout's text):")
        for question in made.questions:
            say(f"  {question.key}: {question.text}  now {question.chosen!r}")


def _show_head(entries: Sequence[HeadEntry]) -> None:
    """List what stands above the table in the order of the file, and what does not."""
    unused = [entry.key for entry in entries if entry.state == "not used"]
    for entry in entries:
        if entry.key not in unused[MOST_UNUSED:]:
            say(f"Above the table: {entry.sentence}", style=HEAD_STYLES.get(entry.state, ""))
    if more := len(unused[MOST_UNUSED:]):
        say(f"Above the table: {more} more, not used")


def _show_trial(trial: Trial, *, is_full: bool) -> None:
    for mistake in trial.mistakes:
        say(f"To be completed: {mistake}", style="red")
    if trial.trouble:
        say(f"It would be refused: {trial.trouble}", style="red")
    for rival in trial.rivals:
        say(f"Layout {rival!r} fits this file as well.", style="yellow")
    if trial.tried is not None:
        _show_tried(trial.tried, is_full=is_full)


def _show_tried(found: Tried, *, is_full: bool) -> None:
    say(
        f"Read with it: {found.rows_kept} of {found.rows_read} rows kept, "
        f"{found.rows_rejected} rejected."
    )
    for name in found.lacking_columns:
        say(f"Column {name!r} of the layout: NOT FOUND in this file", style="yellow")
    for row in found.rejected[:5]:
        say(f"  line {row.line}, {row.column}: {row.rule}; {row.found}")
    for note in found.notes:
        say(f"  {note}", style="yellow")
    if is_full:
        _show_courses(found)
    curve = found.curve
    if curve and curve.trouble:
        say(f"No curve: {curve.trouble}", style="yellow")
    elif curve:
        power = curve.power_w
        top = max(range(len(power)), key=power.__getitem__)
        say(
            f"Curve as the file states it: {power[top] / 1000:.1f} kW at "
            f"{curve.engine_speed_rpm[top]:.0f} rpm  {_course(power)}"
        )


def _show_courses(found: Tried) -> None:
    table = Table("Channel", "Unit", "Lowest", "Middle", "Highest", "Course")
    for channel in found.channels:
        table.add_row(
            channel.label,
            channel.unit,
            *(f"{value:.4g}" for value in (channel.low, channel.middle, channel.high)),
            _course(channel.values),
        )
    console.print(table)


def _course(values: Sequence[float]) -> str:
    """Return a row of bars."""
    if len(values) < 2:
        return ""
    low, high = min(values), max(values)
    places = [values[round(at * (len(values) - 1) / (BARS_A_ROW - 1))] for at in range(BARS_A_ROW)]
    span = (high - low) or 1.0
    return "".join(BARS[round((value - low) / span * (len(BARS) - 1))] for value in places)
