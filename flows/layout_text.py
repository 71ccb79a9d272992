"""Writes a layout as the TOML that a person would have written."""

from __future__ import annotations

import json

from schemas.layout import Channel, Layout

_COMMENTS = {
    "layout": "what kind of file this is",
    "recognise": "a file is of this kind if one line names all these columns",
    "text": "how the text is written",
    "sheet": "which sheet of the spreadsheet",
    "power": "whether power is observed, or corrected and to what",
    "metadata": "entries above the table",
}


def layout_text(layout: Layout) -> str:
    """Return a layout as TOML, defaults left out.

    Parameters
    ----------
    layout : Layout
        The layout.

    Returns
    -------
    str
        Text that reads back as the same layout.
    """
    given = layout.model_dump(exclude_defaults=True, mode="json")
    lines: list[str] = []
    for section in ("layout", "recognise", "text", "sheet"):
        if values := given.get(section):
            lines += [*_header(section), *_pairs(values), ""]
    for word, channel in layout.channels.items():
        lines += [f"[channels.{word}]", *_pairs(_channel(channel)), ""]
    if layout.power is not None:
        lines += [*_header("power"), *_pairs(given["power"]), ""]
    metadata = given.get("metadata", {})
    if metadata:
        lines += _header("metadata")
        if "separator" in metadata:
            lines += _pairs({"separator": metadata["separator"]})
        lines.append("")
        for field, entry in metadata.get("fields", {}).items():
            lines += [f"[metadata.fields.{field}]", *_pairs(entry), ""]
    return "\n".join(lines).rstrip() + "\n"


def _header(section: str) -> list[str]:
    return [f"[{section}]  # {_COMMENTS[section]}"]


def _channel(channel: Channel) -> dict[str, object]:
    values = channel.model_dump(exclude_defaults=True, mode="json")
    return {"column": channel.column, **{k: v for k, v in values.items() if k != "column"}}


def _pairs(values: dict[str, object]) -> list[str]:
    return [f"{name} = {_value(value)}" for name, value in values.items() if value is not None]


def _value(value: object) -> str:
    # JSON's strings, numbers and lists of them are TOML's; true and false are written alike.
    text = json.dumps(value, ensure_ascii=False)
    return text.replace("\x7f", "\\u007F")
