"""Which reader a file is for, told by its bytes: names in the archive say nothing."""

from __future__ import annotations

import gzip
import importlib
import zlib
from pathlib import Path
from types import ModuleType
from typing import BinaryIO, cast

from flows.readers.source import START_BYTES, UnreadableError

_READERS = {
    "text": "flows.readers.text",
    "parquet": "flows.readers.parquet",
    "spreadsheet": "flows.readers.spreadsheet",
    "mdf": "flows.readers.mdf",
}
_GZIP = b"\x1f\x8b"
SMALL_BYTES = 4 * 1024 * 1024
_COMPOUND = b"\xd0\xcf\x11\xe0"
_CONTROLS = bytes([*range(1, 9), *range(14, 27), 28, 29, 30])
_BYTE_ORDER_MARKS = (b"\xff\xfe", b"\xfe\xff", b"\xef\xbb\xbf")


def reader_of(format_name: str) -> ModuleType:
    """Return the reader of a format; its heavy libraries are loaded only now."""
    return importlib.import_module(_READERS[format_name])


def is_packed(start: bytes) -> bool:
    """Whether bytes are packed by gzip."""
    return start.startswith(_GZIP)


def open_bytes(path: Path) -> BinaryIO:
    """Open a file for reading, unpacking it on the way if it is packed by gzip."""
    handle = path.open("rb")
    packed = is_packed(handle.read(2))
    handle.seek(0)
    return cast(BinaryIO, gzip.GzipFile(fileobj=handle, mode="rb")) if packed else handle


def start_of(path: Path) -> bytes:
    """Return the first bytes of a file, unpacked.

    Raises UnreadableError if the file is packed and damaged from its start.
    """
    try:
        with open_bytes(path) as handle:
            return handle.read(START_BYTES)
    except (EOFError, OSError, zlib.error) as error:
        raise UnreadableError("damaged packing", after_bytes=0, why=str(error)) from None


def format_of(start: bytes) -> str:
    """Return the format that bytes are of.

    Raises UnreadableError if they are of none.
    """
    if start.startswith(b"PAR1"):
        return "parquet"
    if start.startswith((b"MDF ", b"UnFinMF ")):
        return "mdf"
    if start.startswith(b"PK\x03\x04"):
        return "spreadsheet"
    if start.startswith(_COMPOUND):
        raise UnreadableError("old spreadsheet")
    if not start.startswith(_BYTE_ORDER_MARKS) and _is_binary(start[:4096]):
        raise UnreadableError("binary data")
    return "text"


def is_small_text(path: Path) -> bool:
    """Whether a file is plain text of a size that is read in bounded time and memory."""
    if path.stat().st_size > SMALL_BYTES:
        return False
    with path.open("rb") as file:
        start = file.read(START_BYTES)
    try:
        return not is_packed(start) and format_of(start) == "text"
    except UnreadableError:
        return True  # refused by the same look, and read no further


def _is_binary(start: bytes) -> bool:
    """Whether bytes hold more control marks than any text does."""
    if not start:
        return False
    zeros = start.count(0)
    even = start[::2].count(0)
    if zeros > 0.3 * len(start) and (even < 0.02 * zeros or even > 0.98 * zeros):
        return False  # UTF-16 without its mark: a zero in every second place
    controls = len(start) - len(start.translate(None, _CONTROLS))
    return zeros > 0.05 * len(start) or controls > 0.01 * len(start)
