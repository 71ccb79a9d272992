"""One writer of the lake's study: a process that imports little, as it is started 100 times."""

from __future__ import annotations

import hashlib
import os
import sys
import time
from pathlib import Path

from warehouse.many import Batch
from warehouse.many.lake import Lake

GOES_BACK = 3
"""Batches that a writer started anew gives a second time, as one that lost its notes would."""


def client_python() -> str:
    """Return the Python of the lake's client, or nothing."""
    return os.environ.get("ROLLBOOK_LAKE_PYTHON", "")


def write(catalogue: str, folder: Path, shop: int, batches: int) -> None:
    """Be a writer: give batch after batch, and note each that was taken, with its seconds."""
    notes = folder / f"notes-{shop}"
    begun = max(1, len(noted(notes)) - GOES_BACK + 1)
    files = [(n, folder / "given" / f"{shop}-{n}.parquet") for n in range(begun, batches + 1)]
    lake = Lake(catalogue, folder / "rows", Path(client_python()))
    lake.state()  # starting the client is no commit
    for number, path in files:
        content = hashlib.sha256(path.read_bytes()).hexdigest()
        started = time.monotonic()
        is_new = lake.append(Batch(f"shop {shop}", number, content, {"comparisons": path}))
        with notes.open("a") as file:
            file.write(f"{number} {time.monotonic() - started:.4f} {is_new:d} {lake.repeats}\n")
    lake.close()


def noted(notes: Path) -> set[int]:
    lines = notes.read_text().splitlines() if notes.exists() else []
    return {int(line.split()[0]) for line in lines if len(line.split()) == 4}


if __name__ == "__main__":
    catalogue, folder, shop, batches = sys.argv[1:]
    write(catalogue, Path(folder), int(shop), int(batches))
