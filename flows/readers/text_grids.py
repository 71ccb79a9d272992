"""Takes a delimited text that no layout describes apart: its encoding, and rows by each mark."""

from __future__ import annotations

import re
from functools import partial
from pathlib import Path

import polars as pl

from flows.readers.formats import open_bytes
from flows.readers.source import HEAD_LINES, LOOKED_ROWS, Grid
from flows.readers.text import DIVIDERS, codec_of, head_entries, plain_ends, split_cells
from schemas.layout import WHITESPACE

LOOKED_BYTES = 2 * 1024 * 1024


def text_grids(path: Path) -> list[Grid]:
    """Return the rows of a text as each mark would divide them."""
    with open_bytes(path) as file:
        data = file.read(LOOKED_BYTES)
    encoding, codec, doubts = _encoding_of(data)
    whole = data if len(data) < LOOKED_BYTES else data[: data.rfind(b"\n") + 1]
    lines = plain_ends(whole.decode(codec, errors="replace")).split("\n")[: LOOKED_ROWS + 300]
    said: dict[str, object] = {"encoding": encoding} if encoding != "utf-8" else {}
    return [
        Grid(
            "text",
            "header row on line",
            [split_cells(line, delimiter) for line in lines[: HEAD_LINES + 60]],
            partial(_columns, lines, delimiter),
            partial(_head, lines),
            said | ({"delimiter": delimiter} if delimiter != "," else {}),
            delimiter=delimiter,
            doubts=doubts,
            weight=0.6 if delimiter == WHITESPACE else 1.0,
        )
        for delimiter in DIVIDERS
    ]


def _columns(
    lines: list[str],
    delimiter: str,
    first: int,
    names: list[str],
    units: dict[str, str],  # noqa: ARG001 - as of every grid
    doubts: list[str],  # noqa: ARG001
) -> list[pl.Series]:
    rows = [
        row
        for line in lines[first:]
        if line.strip() and len(row := split_cells(line, delimiter)) in (len(names), len(names) + 1)
    ]
    return [
        pl.Series(name, [row[place] for row in rows], dtype=pl.String)
        for place, name in enumerate(names)
        if name
    ]


def _encoding_of(data: bytes) -> tuple[str, str, list[str]]:
    """Return the encoding as layouts name it, Python's codec, and doubts."""
    codec = codec_of(data[:4000], "utf-8")
    if codec.startswith("utf-16"):
        return "utf-16", codec, []
    try:
        data[: data.rfind(b"\n") + 1 or None].decode("utf-8")
    except UnicodeDecodeError:
        pass
    else:
        return "utf-8", codec, []
    from charset_normalizer import from_bytes

    best = from_bytes(data[:200_000], cp_isolation=["cp1252", "latin_1"]).best()
    encoding = "windows-1252"
    if best is not None and best.encoding == "latin_1" and not re.search(rb"[\x80-\x9f]", data):
        encoding = "iso-8859-1"
    return (
        encoding,
        codec_of(b"", encoding),
        [f"the text is not UTF-8; read as {encoding}: look at the letters with accents"],
    )


def _head(lines: list[str], at: int) -> tuple[dict[str, str], str]:
    """Return the entries above a line, and the mark that stands in most of them behind the key."""
    above = lines[:at]
    counts = {mark: sum(mark in line for line in above) for mark in (":", "=", ";", "\t", ",")}
    separator = max(counts, key=lambda mark: counts[mark]) if any(counts.values()) else ":"
    return head_entries(above, separator), separator
