"""Writes a file so that a reader, or the next run after a kill, sees all of it or nothing."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path


def write_whole(
    path: Path, content: str | bytes, *, to_disk: bool = True, made_in: Path | None = None
) -> None:
    """Write a file beside its place, or in another folder of that disk; then put it there."""
    path.parent.mkdir(parents=True, exist_ok=True)
    # The process id keeps two commands apart; mkstemp would make a file that only its owner reads.
    digest = hashlib.sha256(path.name.encode()).hexdigest()[:12]
    made = (made_in or path.parent) / f".making-{os.getpid()}-{digest}"
    try:
        with made.open("wb") as file:
            file.write(content.encode() if isinstance(content, str) else content)
            if to_disk:
                file.flush()
                os.fsync(file.fileno())
        made.replace(path)
    except BaseException:
        made.unlink(missing_ok=True)
        raise
