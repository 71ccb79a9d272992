"""What every reader gives: a table in the source's own words, or the reason why not."""

from __future__ import annotations

from dataclasses import dataclass, field

import polars as pl


class UnreadableError(ValueError):
    """A file cannot be read, with what a person can do about it.

    Parameters
    ----------
    code : str
        The reason in one fixed word.
    reason : str
        What was expected and what was found, with line or column.
    remedy : str
        What to do.
    """

    def __init__(self, code: str, reason: str, remedy: str) -> None:
        super().__init__(reason)
        self.code = code
        self.reason = reason
        self.remedy = remedy


@dataclass(frozen=True)
class BadRow:
    """A row that could not be read: its line, what should hold, and what stood there."""

    line_no: int | None
    column: str
    rule: str
    found: str


@dataclass(frozen=True)
class SourceTable:
    """A file's table before anything was converted.

    `frame` holds the columns under the source's own names (texts, or numbers where the format
    has numbers), `line_no` the source line of each row, `head` the entries before the table,
    `bad_rows` what could not be made a row at all.
    """

    frame: pl.DataFrame
    line_no: pl.Series
    head: dict[str, str]
    bad_rows: list[BadRow] = field(default_factory=list)
