"""The one door to archived bytes: where they lie, how they are kept and read."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path

from warehouse.damage import file_sha256
from warehouse.shop import ShopFolder
from warehouse.whole_file import write_whole

PIECE_BYTES = 1 << 20


def archived_path(shop: ShopFolder, sha256: str) -> Path:
    """Return where the archive keeps bytes."""
    return shop.archive / sha256[:2] / sha256


def is_archived(shop: ShopFolder, sha: str) -> bool:
    """Whether the archive holds these bytes, whole: a damaged copy is written over."""
    target = archived_path(shop, sha)
    return target.is_file() and file_sha256(target) == sha


class GoneError(ValueError):
    """Archived bytes are gone, or are no longer those that came."""


def pieces(shop: ShopFolder, sha256: str) -> Iterator[bytes]:
    """Yield archived bytes; raises GoneError, at their end at the latest, if they are others."""
    digest = hashlib.sha256()
    try:
        with archived_path(shop, sha256).open("rb") as file:
            while piece := file.read(PIECE_BYTES):
                digest.update(piece)
                yield piece
    except FileNotFoundError:
        raise GoneError(sha256) from None
    if digest.hexdigest() != sha256:
        raise GoneError(sha256)


def keep(shop: ShopFolder, data: bytes) -> str:
    """Archive a small text that a person wrote; return its hash."""
    sha = hashlib.sha256(data).hexdigest()
    if not is_archived(shop, sha):
        write_whole(archived_path(shop, sha), data, made_in=shop.archive)
    return sha
