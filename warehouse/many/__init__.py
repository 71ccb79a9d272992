"""Rows of many shops in one store: two verbs, append with a ledger line, and read as of a state."""

from __future__ import annotations

import datetime as dt
import re
from pathlib import Path
from typing import NamedTuple, Protocol

LEDGER = "ledger"
_TABLE = re.compile(r"[a-z][a-z_]*")


class Batch(NamedTuple):
    """What one publish of one shop gives, each table as a Parquet file."""

    shop: str
    number: int
    content_hash: str
    tables: dict[str, Path]


class ManyShops(Protocol):
    """A store that several shops write and anyone reads; a state's number only ever grows."""

    def append(self, batch: Batch) -> bool:
        """Add rows and ledger line, both or neither; return False where the number stands already.

        Raises OtherContentError if it stands with other rows.
        """
        ...

    def state(self, at: dt.datetime | None = None) -> int:
        """Return the number of the newest state, or of the one that stood at a time."""
        ...

    def read(self, table: str, into: Path, state: int) -> int:
        """Write a table as it stood in a state to a Parquet file; return how many rows it has."""
        ...

    def close(self) -> None:
        """Let go of what is open."""
        ...


class ManyShopsError(ValueError):
    """The store cannot be reached, or cannot do what is asked."""


class OtherContentError(ManyShopsError):
    """A shop's number was given before, for other rows."""

    def __init__(self, batch: Batch) -> None:
        super().__init__(
            f"publish {batch.number} of shop {batch.shop} stands with other rows; nothing was added"
        )


def table_names(batch: Batch) -> list[str]:
    """Return the tables of a batch; their names go into SQL, so they are looked at here."""
    for name in batch.tables:
        if name == LEDGER or not _TABLE.fullmatch(name):
            raise ValueError(f"no table of many shops can be named {name!r}")
    return list(batch.tables)
