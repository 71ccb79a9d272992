"""Writes a layout as the TOML that a person would have written."""

from __future__ import annotations

import json
from collections.abc import Collection, Sequence
from typing import Any

from schemas.layout import Channel, Layout

ASSUMED = "  # assumed: nobody said it"
_COMMENTS = {
    "layout": "what kind of file this is",
    "recognise": "a file is of this kind if one line names all these columns",
    "text": "how the text is written",
    "sheet": "which sheet of the spreadsheet",
    "power": "whether power is observed, or corrected and to what",
    "metadata": "entries above the table",
}


def layout_text(layout: Layout, assumed: Collection[str] = ()) -> str:
    """Return a layout as TOML that reads back as the same layout, defaults left out.

    `assumed` names entries that nobody said, such as "channels.lambda_wide.probe": they are marked.
    """
    given = layout.model_dump(exclude_defaults=True, mode="json")
    given["channels"] = {word: _channel(channel) for word, channel in layout.channels.items()}
    return tables_text(given, assumed)


def tables_text(
    given: dict[str, Any], assumed: Collection[str] = (), lacking: Sequence[str] = ()
) -> str:
    """Return a layout's tables as TOML; `lacking` are lines to be completed by hand, as remarks."""
    lines: list[str] = []
    for section in ("layout", "recognise", "text", "sheet"):
        if values := given.get(section):
            lines += [*_header(section), *_pairs(values, section, assumed), ""]
    for word, channel in given.get("channels", {}).items():
        key = f"channels.{word}"
        lines += [f"[{key}]", *_pairs(channel, key, assumed), ""]
    if lacking:
        lines += [*(f"# {line}".rstrip() for line in lacking), ""]
    if power := given.get("power"):
        lines += [*_header("power"), *_pairs(power, "power", assumed), ""]
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


def _pairs(
    values: dict[str, object], section: str = "", assumed: Collection[str] = ()
) -> list[str]:
    return [
        f"{name} = {_value(value)}" + (ASSUMED if f"{section}.{name}" in assumed else "")
        for name, value in values.items()
        if value is not None
    ]


def _value(value: object) -> str:
    # JSON's strings, numbers and lists of them are TOML's; true and false are written alike.
    text = json.dumps(value, ensure_ascii=False)
    return text.replace("\x7f", "\\u007F")
