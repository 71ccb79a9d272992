"""`rollbook layout`: draft a layout for a file, try one, list those the shop has."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.table import Table
from rich.text import Text

from flows.terminal import console, write_json, write_text
from warehouse.shop import ShopFolder

layout_app = typer.Typer(
    help="Teach the shop how a kind of file is to be read.", no_args_is_help=True
)

File = Annotated[
    Path,
    typer.Argument(help="A file as the equipment wrote it.", exists=True, dir_okay=False),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print plain JSON, for other programs.")]
CameAs = Annotated[
    str, typer.Option(help="Name under which the file came, where it is kept under another.")
]
_NOTHING_TRIED: dict[str, Any] = {
    "mistakes": [],
    "trouble": "",
    "tried": None,
    "toml": "",
    "rivals": [],
    "waiting": [],
}
DRAFTED_HERE_BYTES = 256 * 1024
BARS = "▁▂▃▄▅▆▇█"


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
    as_json: AsJson = False,
) -> None:
    """Propose a layout for a file and show what comes out of it."""
    layout, answer = _on(
        file, _drafted, file, shop, name, equipment, private or (), not_private or (), came_as
    )
    if as_json:
        write_json(answer)
    else:
        _show_draft(file, answer)
    if save:
        _save(file, layout, shop, answer)


@layout_app.command(name="try")
def try_layout(
    file: File,
    layout: Annotated[
        Path, typer.Argument(help="The layout, as TOML or JSON; - reads it from the input.")
    ],
    shop: Annotated[
        Path | None, typer.Option(help="The shop's folder: tells rivals and waiting files.")
    ] = None,
    came_as: CameAs = "",
    as_json: AsJson = False,
) -> None:
    """Read a file with a layout and show what comes out of it."""
    text = sys.stdin.read() if str(layout) == "-" else layout.read_text(encoding="utf-8")
    answer = _tried_apart(file, shop, text, came_as)
    if as_json:
        write_json(answer)
    else:
        _show_tried(answer)
    if not as_json and (answer["mistakes"] or answer["trouble"]):
        raise typer.Exit(1)


def _on(file: Path, function: Callable[..., Any], *arguments: Any) -> Any:
    """Return what a function makes of a foreign file; it may end the process that reads it."""
    from flows import apart
    from flows.readers.formats import is_small_text

    size = file.stat().st_size
    if size <= DRAFTED_HERE_BYTES and is_small_text(file):
        return function(*arguments)
    limits = apart.Limits.for_bytes(size)
    with apart.worker() as worker:
        # What a draft needs beside reading is loaded within the call.
        return worker.call(
            limits._replace(processor_s=limits.processor_s + 6.0), function, *arguments
        )


def _drafted(
    file: Path,
    shop: Path | None,
    name: str,
    equipment: str,
    private: Sequence[str],
    not_private: Sequence[str],
    came_as: str,
) -> tuple[Any, dict[str, Any]]:
    """Return a drafted layout, None where it lacks a channel, and all that is told of it."""
    from flows import teach
    from flows.readers.source import UnreadableError

    found = teach.draft(file, name, equipment, private, not_private)
    answer: dict[str, Any] = teach.draft_as_json(found)
    answer["tried"], answer["trouble"], answer["known"] = None, "", []
    settings, others = _of_shop(shop)
    if shop is not None:
        answer["known"] = teach.known_layouts(file, ShopFolder(shop), came_as)
    if answer["mistakes"]:
        return None, answer
    layout = found.layout()
    try:
        answer["tried"] = teach.tried(file, layout, settings, others, came_as)
        answer["trouble"] = _trouble(answer["tried"]["verdict"])
    except UnreadableError as error:
        answer["trouble"] = f"{error.reason}. {error.remedy}"
    return layout, answer


def _tried_apart(file: Path, shop: Path | None, text: str, came_as: str) -> dict[str, Any]:
    from flows import teach
    from flows.readers.source import UnreadableError

    try:
        answer = _on(file, _tried, file, shop, text, came_as)
    except UnreadableError as error:  # it passed the limits: nothing more is known of it
        return _NOTHING_TRIED | {"trouble": f"{error.reason}. {error.remedy}"}
    if shop is not None and answer["tried"] is not None:
        layout = teach.layout_of(_tables(text))
        answer["waiting"] = teach.waiting_files(ShopFolder(shop), layout)
    return answer


def _tables(text: str) -> Any:
    return json.loads(text) if text.lstrip().startswith("{") else text


def _tried(file: Path, shop: Path | None, text: str, came_as: str) -> dict[str, Any]:
    """Return what comes out of a file with a layout, as a text of TOML or JSON."""
    from flows import teach
    from flows.readers.source import UnreadableError
    from schemas.toml_text import MistakesError

    answer = dict(_NOTHING_TRIED)
    try:
        described = teach.layout_of(_tables(text))
        answer["toml"] = teach.layout_text(described)
        settings, others = _of_shop(shop)
        answer["tried"] = teach.tried(file, described, settings, others, came_as)
        answer["trouble"] = _trouble(answer["tried"]["verdict"])
        if shop is not None:
            from flows.settings import open_shop

            folder, _ = open_shop(shop)
            answer["rivals"] = teach.rivals(file, described, folder, came_as)
    except MistakesError as error:
        answer["mistakes"] = error.mistakes
    except UnreadableError as error:
        answer["trouble"] = f"{error.reason}. {error.remedy}"
    return answer


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
        console.print(Text(f"layouts/{name} has mistakes and recognises nothing:", style="red"))
        for mistake in found:
            console.print(Text(f"  {mistake}", style="red"))


def _of_shop(shop: Path | None) -> tuple[Any, list[Any]]:
    """Return a shop's settings and layouts, with which its intake reads."""
    if shop is None:
        return None, []
    from flows.settings import open_shop
    from schemas.layout import read_layouts

    folder, settings = open_shop(shop)
    return settings, read_layouts(folder.layouts)[0]


def _trouble(verdict: dict[str, str]) -> str:
    """Return why the intake would not take the file in; rivals are told apart from it."""
    if verdict["state"] == "taken in" or verdict["code"] == "two layouts fit":
        return ""
    return f"{verdict['reason']}. {verdict['remedy']}"


def _save(file: Path, layout: Any, shop: Path | None, answer: dict[str, Any]) -> None:
    from flows import teach
    from flows.settings import open_shop

    if shop is None:
        raise teach.TeachError("--save needs --shop: into which shop's layouts?")
    if layout is None:
        raise teach.TeachError(
            "the draft lacks a needed channel and cannot be saved; save its text by hand and "
            "complete it"
        )
    folder, _ = open_shop(shop)
    rivals = teach.rivals(file, layout, folder)
    if rivals:
        raise teach.TeachError(
            f"layout {rivals[0]!r} fits this file as well or better; the file would wait. Name a "
            "column under recognise that only one of them has"
        )
    target = teach.save(folder, layout)
    waiting = teach.waiting_files(folder, layout)
    if not answer.get("quiet"):
        console.print(Text(f"Saved: {target}"), soft_wrap=True)
        if waiting:
            console.print(
                Text(
                    f"{len(waiting)} waiting files are of this layout and are read by the next "
                    "update; those that a card names are then taken in."
                )
            )


def _show_draft(file: Path, answer: dict[str, Any]) -> None:
    console.print(
        Text(f"{file.name}: {answer['format']}, {answer['where']}; taken for a {answer['kind']}.")
    )
    for known in answer["known"]:
        console.print(Text(f"The shop knows this file: {known}.", style="yellow"))
    table = Table("Column", "Examples", "Channel", "Unit", "How sure", "Why", show_lines=False)
    styles = {"sure": "green", "likely": "yellow", "a guess": "red"}
    for column in answer["columns"]:
        words = column["words"]
        how = f"{words} ({column['confidence']:.0%})" if column["channel"] else words
        table.add_row(
            Text(column["name"]),
            Text(column["example"]),
            Text(column["channel"] or ""),
            Text(column["unit"]),
            Text(how, style=styles.get(words, "dim")),
            Text("; ".join(column["why"])),
        )
    console.print(table)
    for entry in answer["head"]:
        told = f"read as {entry['read_as']}: {entry['says']}" if entry["read_as"] else "not used"
        console.print(Text(f"Above the table: {entry['key']}, {told}"))
    for doubt in answer["doubts"]:
        console.print(Text(f"Look twice: {doubt}", style="yellow"))
    if answer["questions"]:
        console.print("Only you know (what was put in, to be corrected in the text below):")
        for question in answer["questions"]:
            console.print(
                Text(f"  {question['key']}: {question['text']}  now {question['chosen']!r}")
            )
    _show_tried(answer)
    console.print()
    write_text(answer["toml"])


def _show_tried(answer: dict[str, Any]) -> None:
    for mistake in answer["mistakes"]:
        console.print(Text(f"To be completed: {mistake}", style="red"))
    if answer["trouble"]:
        console.print(Text(f"It would be refused: {answer['trouble']}", style="red"))
    found = answer["tried"]
    if found is None:
        return
    console.print(
        Text(
            f"Read with it: {found['rows_kept']} of {found['rows_read']} rows kept, "
            f"{found['rows_rejected']} rejected."
        )
    )
    for entry in found["head"]:
        told = "found" if entry["found"] else "NOT FOUND in this file"
        style = "" if entry["found"] else "yellow"
        said = f"Head entry {entry['key']!r}, read as {entry['read_as']}: {told}"
        console.print(Text(said, style=style))
    for name in found["lacking_columns"]:
        console.print(
            Text(f"Column {name!r} of the layout: NOT FOUND in this file", style="yellow")
        )
    for row in found["rejected"][:5]:
        console.print(Text(f"  line {row['line']}, {row['column']}: {row['rule']}; {row['found']}"))
    for note in found["notes"]:
        console.print(Text(f"  {note}", style="yellow"))
    table = Table("Channel", "Unit", "Lowest", "Middle", "Highest", "Course")
    for channel in found["channels"]:
        table.add_row(
            channel["channel"],
            channel["unit"],
            *(f"{channel[key]:.4g}" for key in ("low", "middle", "high")),
            _course(channel["values"]),
        )
    console.print(table)
    curve = found["curve"]
    if curve and curve["trouble"]:
        console.print(Text(f"No curve: {curve['trouble']}", style="yellow"))
    elif curve:
        power = curve["power_w"]
        top = max(range(len(power)), key=power.__getitem__)
        console.print(
            Text(
                f"Curve as the file states it: {power[top] / 1000:.1f} kW at "
                f"{curve['engine_speed_rpm'][top]:.0f} rpm  {_course(power)}"
            )
        )


def _course(values: list[float], width: int = 32) -> str:
    """Return a row of bars."""
    if len(values) < 2:
        return ""
    low, high = min(values), max(values)
    places = [values[round(at * (len(values) - 1) / (width - 1))] for at in range(width)]
    span = (high - low) or 1.0
    return "".join(BARS[round((value - low) / span * (len(BARS) - 1))] for value in places)
