"""What reading makes of one file, what it is read with, and which layout it is of."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable, Iterable
from fnmatch import fnmatchcase
from functools import cached_property
from pathlib import Path

import numpy as np

from flows.metrics.notes import Note
from flows.readers import formats
from flows.readers.source import BadRow, UnreadableError
from flows.steps.refresh import short_hash
from schemas.columns import CHANNELS
from schemas.layout import CHANNEL_COLUMNS, Layout
from schemas.settings import ShopSettings

READ_VERSION = 9
"""Raise it when a reader, a conversion or a contract changes what it gives for the same bytes."""


@dataclasses.dataclass
class Reading:
    """What came of one file; the fields are those of raw.reading."""

    file_sha256: str
    sample_id: str
    state: str
    read_with: str
    recognised_with: str
    reason_code: str = ""
    layout: str | None = None
    layout_kind: str | None = None
    equipment: str | None = None
    reason: Note | None = None
    rows_read: int = 0
    rows_kept: int = 0
    rows_rejected: int = 0
    facts: str = "{}"
    sample_path: str | None = None

    def refuse(self, error: UnreadableError) -> None:
        """Mark the file as refused, with its reason."""
        self.state = "refused"
        self.say(error.note)

    def say(self, reason: Note) -> None:
        """Say why the file is refused or waits."""
        self.reason_code, self.reason = reason["code"], reason


@dataclasses.dataclass
class Opened:
    """A file between conversion and verdict; `source` names each channel's own column.

    `head` has the entries above its table where it was read by itself.
    """

    reading: Reading
    channels: dict[str, np.ndarray] = dataclasses.field(default_factory=dict)
    line_no: np.ndarray = dataclasses.field(default_factory=lambda: np.empty(0, dtype=np.int64))
    clock_no: np.ndarray = dataclasses.field(default_factory=lambda: np.empty(0, dtype=np.int64))
    bad_rows: list[BadRow] = dataclasses.field(default_factory=list)
    source: dict[str, str] = dataclasses.field(default_factory=dict)
    head: dict[str, str] = dataclasses.field(default_factory=dict)
    is_judged: bool = False
    """A long log is judged and written piece by piece, while it is read."""

    @property
    def values(self) -> np.ndarray:
        """All channels of the dictionary side by side, NaN where the file has nothing."""
        nothing = np.full(self.line_no.size, np.nan)
        return np.column_stack([self.channels.get(name, nothing) for name in CHANNELS])


@dataclasses.dataclass(frozen=True)
class Rules:
    """What a file is read with."""

    layouts: list[Layout]
    settings: ShopSettings
    names: dict[str, list[str]]

    def with_layout(self, layout: Layout) -> str:
        """Return the fingerprint of reading a file with this layout."""
        return short_hash(f"{self._common}|{layout.fingerprint}")

    def recognition(self, sha: str) -> str:
        """Return the fingerprint of deciding which of these layouts a file is of."""
        return short_hash(f"{self.taught}|{'|'.join(sorted(self.names[sha]))}")

    def of(self, shas: Iterable[str]) -> Rules:
        """Return the same for some files: what another process must be told."""
        some = Rules(self.layouts, self.settings, {sha: self.names[sha] for sha in shas})
        # What they share was worked out once.
        some.__dict__.update(_common=self._common, taught=self.taught)
        return some

    @cached_property
    def _common(self) -> str:
        """What every reading depends on."""
        zone = self.settings.shop.timezone
        return f"{READ_VERSION}|{zone}|{self.settings.intake.model_dump_json(exclude={'settle_s'})}"

    @cached_property
    def taught(self) -> str:
        """What deciding of which layout a file is depends on, besides its names."""
        return f"{self._common}|{'|'.join(x.fingerprint for x in self.layouts)}"


def recognise(path: Path, layouts: Iterable[Layout], names: Iterable[str]) -> list[Layout]:
    """Return the layouts that a file is of: one if all is well.

    Raises UnreadableError if the file is of no format that is read here.
    """
    start = formats.start_of(path)
    found_format = formats.format_of(start)
    reader = formats.reader_of(found_format)
    return fitting_layouts(
        layouts, names, found_format, lambda layout: reader.fits(path, start, layout)
    )


def fitting_layouts(
    layouts: Iterable[Layout],
    names: Iterable[str],
    found_format: str,
    fits: Callable[[Layout], bool],
) -> list[Layout]:
    """Return the layouts of a format that a file of these names fits by most rules."""
    lowered = [name.lower() for name in names]
    fitting: list[Layout] = []
    for layout in layouts:
        if layout.layout.format != found_format:
            continue
        pattern = layout.recognise.file_name
        if pattern is not None and not any(fnmatchcase(n, pattern.lower()) for n in lowered):
            continue
        if fits(layout):
            fitting.append(layout)
    most = max(map(_rules_of, fitting), default=None)
    return [layout for layout in fitting if _rules_of(layout) == most]


def _rules_of(layout: Layout) -> tuple[int, int]:
    asked = layout.recognise
    return len(asked.columns), (asked.file_name is not None) + (asked.first_line is not None)


def unrecognised(sha: str, rules: Rules) -> Reading:
    """Return what stands of a file as long as no layout recognises it."""
    with_these = rules.recognition(sha)
    return Reading(sha, short_hash(f"{sha}|{with_these}"), "untaught", with_these, with_these)


def recognised(sha: str, layout: Layout, rules: Rules) -> Reading:
    """Return what stands of a file of a layout before its rows are read."""
    with_layout = rules.with_layout(layout)
    return Reading(
        sha,
        short_hash(f"{sha}|{with_layout}"),
        "read",
        with_layout,
        rules.recognition(sha),
        layout=layout.name,
        layout_kind=layout.layout.kind,
        equipment=layout.layout.equipment,
    )


def told_facts(facts: dict[str, object]) -> str:
    """Return facts as they are kept."""
    return json.dumps(facts, ensure_ascii=False, sort_keys=True)


def columns_of(layout: Layout) -> dict[str, str]:
    """Return channel → column of a layout."""
    return {CHANNEL_COLUMNS[word]: channel.column for word, channel in layout.channels.items()}
