"""What a page asks the process that looks at files, and what it answers: a line of JSON each way.

The command line asks the same functions with the same records.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

import pydantic
from pydantic import Field

WAITING = "waiting for the shop"
"""What an update says until it has the shop's writer to itself."""


class _Record(pydantic.BaseModel):
    # Bytes of a layout's text count: nothing is stripped.
    model_config = pydantic.ConfigDict(extra="forbid", frozen=True)


# What is asked


class AskDraft(_Record):
    """A guess for a file; what a person says of columns that are private or are not rules."""

    kind: Literal["draft"] = "draft"
    file: Path
    shop: Path | None = None
    came_as: str = ""
    name: str = "new layout"
    equipment: str = ""
    private: tuple[str, ...] = ()
    not_private: tuple[str, ...] = ()


class AskTrial(_Record):
    """What comes out of a file read with a layout, given as its text or its tables."""

    kind: Literal["trial"] = "trial"
    file: Path
    layout: str | dict[str, Any]
    shop: Path | None = None
    came_as: str = ""


class AskUpdate(_Record):
    """Take in, derive and publish."""

    kind: Literal["update"] = "update"
    shop: Path


Asked = Annotated[AskDraft | AskTrial | AskUpdate, Field(discriminator="kind")]

# A guess


class GuessedColumn(_Record):
    """What one column was taken for, how surely, and why."""

    name: str
    example: str
    is_private: bool
    channel: str | None
    unit: str
    confidence: float
    words: str
    why: tuple[str, ...]


class Question(_Record):
    """What only a person knows: the key in the layout, the choices, and what was put there."""

    key: str
    text: str
    choices: tuple[str, ...]
    chosen: str


class HeadEntry(_Record):
    """An entry above the table, or one that is looked for there in vain.

    What it says is told where it is used, or a number: else it may name a person. `unit` is that
    of a reading or the form of a time; `instead` is the nearest key of one that was not found, or
    why one was left out.
    """

    key: str
    read_as: str = ""
    says: str = ""
    unit: str = ""
    state: Literal["read", "not used", "not found", "left out"] = "not used"
    instead: str = ""

    @property
    def sentence(self) -> str:
        """The same in a line."""
        says = f" = {self.says!r}" if self.says else ""
        read_as = f"read as {self.read_as}" + (f" [{self.unit}]" if self.unit else "")
        if self.state == "not found":
            near = f"; nearest: {self.instead!r}" if self.instead else ""
            return f"expected {self.key!r}, {read_as}, NOT FOUND in this file{near}"
        if self.state == "left out":
            return f"{self.key!r}{says}, {read_as}, LEFT OUT: {self.instead}"
        return f"{self.key!r}{says}, {read_as if self.state == 'read' else 'not used'}"


class Drafted(_Record):
    """A proposed layout, as tables and as text, with the guess behind every column.

    `known` are the taught layouts that the file is of, `is_taught` that one of them is shown here
    in the place of the guess, and `mistakes` what keeps the draft from being a layout.
    """

    kind: Literal["drafted"] = "drafted"
    format: str
    where: str
    log_kind: Literal["pull", "ride"]
    columns: tuple[GuessedColumn, ...]
    questions: tuple[Question, ...]
    head: tuple[HeadEntry, ...]
    doubts: tuple[str, ...]
    tables: dict[str, Any]
    toml: str
    mistakes: tuple[str, ...] = ()
    known: tuple[str, ...] = ()
    is_taught: bool = False


# A trial


class Verdict(_Record):
    """What the intake would say of a file, in the words of the list of files."""

    state: str
    layout: str
    code: str
    reason: str
    remedy: str

    @property
    def trouble(self) -> str:
        """Why the file would not be taken in; rivals are told apart from it."""
        if self.state == "taken in" or self.code == "two layouts fit":
            return ""
        return f"{self.reason}. {self.remedy}"


class RejectedRow(_Record):
    """A row that broke a rule."""

    line: int | None
    column: str
    rule: str
    found: str


class Course(_Record):
    """A channel as it was read: its range, and some of its points over time or line."""

    channel: str
    label: str
    unit: str
    low: float
    middle: float
    high: float
    at: tuple[float, ...]
    values: tuple[float, ...]


class Curve(_Record):
    """Power as the file states it over engine speed, and other channels beside it."""

    trouble: str = ""
    engine_speed_rpm: tuple[float, ...] = ()
    power_w: tuple[float, ...] = ()
    beside: dict[str, tuple[float | None, ...]] = {}


class Tried(_Record):
    """What came out of a file."""

    verdict: Verdict
    rows_read: int
    rows_kept: int
    rows_rejected: int
    rejected: tuple[RejectedRow, ...]
    notes: tuple[str, ...]
    head: tuple[HeadEntry, ...]
    lacking_columns: tuple[str, ...]
    channels: tuple[Course, ...]
    curve: Curve | None


class Trial(_Record):
    """What came of a trial: what was read, or why nothing could be.

    `rivals` are taught layouts that fit the file as well, `waiting` the files that would be taken
    in with this one.
    """

    kind: Literal["trial"] = "trial"
    toml: str = ""
    mistakes: tuple[str, ...] = ()
    trouble: str = ""
    tried: Tried | None = None
    rivals: tuple[str, ...] = ()
    waiting: tuple[str, ...] = ()


# An update


class Step(_Record):
    """How far an update is."""

    kind: Literal["step"] = "step"
    word: str = ""
    done: int = 0
    total: int = 0

    @property
    def share(self) -> float:
        """How much of this step is done, 0 to 1."""
        return min(max(self.done / self.total, 0.0), 1.0) if self.total > 0 else 0.0

    @property
    def sentence(self) -> str:
        """The same in words."""
        if not self.word:
            return "Starting"
        if self.word == WAITING:
            return "Waiting for the shop. If another command is at work in it: up to a minute"
        counted = f": {self.done:,} of {self.total:,}" if self.total > 1 else ""
        return self.word[:1].upper() + self.word[1:] + counted


class Updated(_Record):
    """An update's good end."""

    kind: Literal["updated"] = "updated"
    snapshot: int


class Failed(_Record):
    """Why there is no answer, in plain words."""

    kind: Literal["failed"] = "failed"
    reason: str


Said = Annotated[Drafted | Trial | Step | Updated | Failed, Field(discriminator="kind")]

ASKED: pydantic.TypeAdapter[AskDraft | AskTrial | AskUpdate] = pydantic.TypeAdapter(Asked)
SAID: pydantic.TypeAdapter[Drafted | Trial | Step | Updated | Failed] = pydantic.TypeAdapter(Said)
