"""Writes a layout as the TOML that a person would have written."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from schemas.layout import Layout
from schemas.toml_text import spaced, toml_item, written_over

ASSUMED = "# nobody said so: look, then take it off"
_COMMENTS = {
    "layout": "what kind of file this is",
    "recognise": "a file is of this kind if one line names all these columns",
    "text": "how the text is written",
    "sheet": "which sheet of the spreadsheet",
    "channels": "",
    "power": "whether power is observed, or corrected and to what",
    "metadata": "entries above the table",
}
"""Tables in the order in which they stand, with what is said of each."""


def layout_text(
    layout: Layout | Mapping[str, Any],
    lacking: Sequence[str] = (),
    over: str = "",
) -> str:
    """Return a layout, or tables that are none yet, as TOML, defaults left out.

    `lacking` are lines to be completed by hand, as comments. Written over a standing text, what a
    person put there beside the values stays.
    """
    import tomlkit

    given = tables_of(layout) if isinstance(layout, Layout) else layout
    if over and isinstance(layout, Layout):
        return written_over(over, given, layout)
    document = tomlkit.document()
    for name, comment in _COMMENTS.items():
        if given.get(name):
            table = toml_item(given[name])
            if comment and not table.is_super_table():
                table.comment(comment)
                table.trivia.comment_ws = "  "
            document.add(name, table)
        if name == "channels" and lacking:
            document.add(tomlkit.nl())
            for line in lacking:
                document.add(tomlkit.comment(line))
    _mark_assumed(document)
    return spaced(tomlkit.dumps(document))


def tables_of(layout: Layout) -> dict[str, Any]:
    """Return what a layout says, defaults left out, the column first and what is assumed last."""
    given = _assumed_last(layout.model_dump(exclude_defaults=True, mode="json"))
    for word, channel in given["channels"].items():
        given["channels"][word] = {"column": layout.channels[word].column, **channel}
    return given


def _assumed_last(table: dict[str, Any]) -> dict[str, Any]:
    ordered = {k: _assumed_last(v) if isinstance(v, dict) else v for k, v in table.items()}
    if "assumed" in ordered:
        ordered["assumed"] = ordered.pop("assumed")
    return ordered


def _mark_assumed(table: Any) -> None:
    """Say beside each list of what is assumed what is to be done about it."""
    for key, value in table.items():
        if key == "assumed":
            table.item(key).comment(ASSUMED)
            table.item(key).trivia.comment_ws = "  "
        elif isinstance(value, dict):
            _mark_assumed(value)
