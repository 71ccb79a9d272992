"""Reads the shop's logo for paper: a picture of sane size, or a sentence on why there is none."""

from __future__ import annotations

import io
import warnings
from pathlib import Path

from PIL import Image

MOST_BYTES = 2_000_000
MOST_PIXELS = 12_000_000
"""Told by the picture's head, before anything of it is unpacked."""
MOST_SIDE_PX = 600
"""On paper it is at most 40 mm wide: 380 dots an inch."""
KINDS = ("PNG", "JPEG")


def read_logo(folder: Path, name: str) -> tuple[bytes | None, str]:
    """Return the logo as a PNG of our own making, and what kept it off the sheet, if anything."""
    if not name:
        return None, ""
    path = folder / name
    try:
        if path.is_symlink() or not path.is_file():
            return None, f"no file {name} is in the shop's folder"
        if path.stat().st_size > MOST_BYTES:
            return None, f"{name} has more than {MOST_BYTES // 1_000_000} MB"
        return _small(path.read_bytes()), ""
    except _TooLargeError:
        return None, f"{name} has more than {MOST_PIXELS // 1_000_000} million pixels"
    except OSError as trouble:
        return None, f"{name} cannot be read ({trouble.strerror or 'it is no sound PNG or JPEG'})"
    except (ValueError, SyntaxError, EOFError, MemoryError, OverflowError, IndexError, TypeError):
        # What pillow raises of damaged pictures.
        return None, f"{name} cannot be read (it is no sound PNG or JPEG)"


class _TooLargeError(Exception):
    """The picture would take too much room unpacked."""


def _small(content: bytes) -> bytes:
    """Return a picture no larger than paper needs, without whatever else its file held."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", Image.DecompressionBombWarning)
        try:
            picture = Image.open(io.BytesIO(content), formats=KINDS)
        except Image.DecompressionBombError:
            raise _TooLargeError from None
    with picture:
        if picture.width * picture.height > MOST_PIXELS:
            raise _TooLargeError
        plain = picture.convert("RGBA")
    plain.thumbnail((MOST_SIDE_PX, MOST_SIDE_PX))
    ground = Image.new("RGB", plain.size, "white")
    ground.paste(plain, mask=plain.getchannel("A"))
    made = io.BytesIO()
    ground.save(made, "PNG")
    return made.getvalue()
