"""Reads archived files: recognise the layout, convert, judge by contract, store the samples.

Reading needs bytes, layouts and settings only; which bike a file belongs to is decided later, from
the job cards. A batch of files is judged at once and becomes visible in one transaction.
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import json
import re
from collections import Counter
from collections.abc import Iterable
from fnmatch import fnmatchcase
from functools import cached_property, partial
from pathlib import Path

import duckdb
import numpy as np
import polars as pl

from flows import apart
from flows.readers import formats
from flows.readers.columns import nearest
from flows.readers.source import BadRow, UnreadableError
from flows.steps.archive import (
    ARCHIVE_DAMAGED,
    ARCHIVE_GONE,
    archived_path,
    is_archived,
    whole_archived,
)
from flows.steps.judge import canonical
from flows.steps.long_logs import LONG_BYTES, PACKED_SHARE, read_long_log
from flows.steps.progress import Progress
from flows.steps.samples import content_name
from schemas.card_text import CARD_NAME
from schemas.columns import CHANNELS
from schemas.layout import CHANNEL_COLUMNS, Layout
from schemas.samples import SampleKind, judge_samples, samples_frame
from schemas.settings import ShopSettings
from warehouse import store
from warehouse.damage import disk_trouble
from warehouse.shop import ShopFolder

READ_VERSION = 5
"""Raise it when a reader, a conversion or a contract changes what it gives for the same bytes."""

BATCH_FILES = 250
BATCH_ROWS = 150_000
FAULT = "fault of Rollbook"
TWO_LAYOUTS = "two layouts fit"

_GROUPED = re.compile(r"[+-]?\d{1,3}(?:([.,' \u00a0\u202f])\d{3})+(?:[.,]\d+)?")
UNTAUGHT_REMEDY = (
    'Teach its layout: on the page "Teach a layout", or with `rollbook layout draft FILE`; files '
    "that wait are then taken in by themselves."
)


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
    reason: str = ""
    remedy: str = ""
    rows_read: int = 0
    rows_kept: int = 0
    rows_rejected: int = 0
    facts: str = "{}"
    sample_path: str | None = None

    def refuse(self, error: UnreadableError) -> None:
        """Mark the file as refused, with its reason."""
        self.state = "refused"
        self.reason_code, self.reason, self.remedy = error.code, error.reason, error.remedy


@dataclasses.dataclass
class _Open:
    """A file between conversion and verdict; `source` names each channel's own column."""

    reading: Reading
    values: np.ndarray = dataclasses.field(default_factory=lambda: np.empty((0, len(CHANNELS))))
    line_no: np.ndarray = dataclasses.field(default_factory=lambda: np.empty(0, dtype=np.int64))
    clock_no: np.ndarray = dataclasses.field(default_factory=lambda: np.empty(0, dtype=np.int64))
    bad_rows: list[BadRow] = dataclasses.field(default_factory=list)
    source: dict[str, str] = dataclasses.field(default_factory=dict)


@dataclasses.dataclass(frozen=True)
class _Rules:
    """What a file is read with."""

    layouts: list[Layout]
    settings: ShopSettings
    names: dict[str, list[str]]

    def with_layout(self, layout: Layout) -> str:
        """Return the fingerprint of reading a file with this layout."""
        return _short(f"{self._common}|{layout.fingerprint}")

    def recognition(self, sha: str) -> str:
        """Return the fingerprint of deciding which of these layouts a file is of."""
        return _short(f"{self._taught}|{'|'.join(sorted(self.names[sha]))}")

    def of_one(self, sha: str) -> _Rules:
        """Return the same for one file: what another process must be told."""
        one = _Rules(self.layouts, self.settings, {sha: self.names[sha]})
        # What they share was worked out once.
        one.__dict__.update(_common=self._common, _taught=self._taught)
        return one

    @cached_property
    def _common(self) -> str:
        """What every reading depends on."""
        zone = self.settings.shop.timezone
        return f"{READ_VERSION}|{zone}|{self.settings.intake.model_dump_json(exclude={'settle_s'})}"

    @cached_property
    def _taught(self) -> str:
        return f"{self._common}|{'|'.join(x.fingerprint for x in self.layouts)}"


def read_files(
    connection: duckdb.DuckDBPyConnection,
    shop: ShopFolder,
    settings: ShopSettings,
    layouts: list[Layout],
    progress: Progress,
    keep_unknown: bool = False,
) -> int:
    """Read every archived file that has not been read with these layouts and rules."""
    standing = connection.execute(
        "SELECT file_sha256, list(DISTINCT arrival.file_name ORDER BY arrival.file_name), "
        "any_value(reading.state), any_value(reading.read_with), any_value(reading.layout), "
        "any_value(reading.recognised_with), any_value(reading.reason_code) "
        "FROM raw.arrival AS arrival "
        "LEFT JOIN raw.reading AS reading USING (file_sha256) WHERE arrival.file_name <> ? "
        "GROUP BY file_sha256 ORDER BY min(arrival.arrival_no)",
        [CARD_NAME],
    ).fetchall()
    rules = _Rules(layouts, settings, {sha: names for sha, names, *_ in standing})
    names = {layout.name for layout in layouts}
    todo = [
        (sha, read_with)
        for sha, _, _, read_with, layout, recognised_with, reason_code in standing
        if not (keep_unknown and layout is not None and layout not in names)
        if recognised_with != rules.recognition(sha)
        or (reason_code in (ARCHIVE_DAMAGED, ARCHIVE_GONE) and is_archived(shop, sha))
    ]
    batch: list[_Open] = []
    recognised: list[str] = []
    rows = read = 0
    with apart.worker() as worker:
        for done, (sha, read_with) in enumerate(todo, start=1):
            opened = open_guarded(worker, sha, shop, rules, read_with)
            if opened is None:
                recognised.append(sha)
            else:
                read += 1
                batch.append(opened)
                rows += opened.line_no.size
            if len(batch) >= BATCH_FILES or rows >= BATCH_ROWS or done == len(todo):
                _judge(batch, rules)
                _store(connection, shop, batch)
                _keep_recognised(connection, rules, recognised)
                batch, recognised, rows = [], [], 0
            progress(done, len(todo), "reading")
    return read


def open_guarded(
    worker: apart.Worker, sha: str, shop: ShopFolder, rules: _Rules, read_with: str | None
) -> _Open | None:
    """Open a file where it can do no harm: in another process, unless it is a small plain text."""
    path = archived_path(shop, sha)
    asked = (sha, shop, rules.of_one(sha), read_with)
    try:
        return apart.call_on(path, worker, _open, *asked) if path.is_file() else _open(*asked)
    except UnreadableError as error:
        told = error
    except Exception as error:
        if disk_trouble(error):
            raise  # of the shop's own disk: no fault of this file, and none of the others' either
        told = UnreadableError(
            FAULT,
            f"Rollbook failed on this file ({type(error).__name__}: {str(error)[:160]})",
            "This is a fault of Rollbook, not of the file: please report it, with the file.",
        )
    refused = _unknown(sha, rules)
    refused.refuse(told)
    return _Open(refused)


def _keep_recognised(connection: duckdb.DuckDBPyConnection, rules: _Rules, shas: list[str]) -> None:
    """Note that files were looked at again and are still of the layout they were read with."""
    with store.transaction(connection):
        for sha in shas:
            connection.execute(
                "UPDATE raw.reading SET recognised_with = ? WHERE file_sha256 = ?",
                [rules.recognition(sha), sha],
            )


def recognise(path: Path, layouts: Iterable[Layout], names: Iterable[str]) -> list[Layout]:
    """Return the layouts that a file is of: one if all is well.

    Raises UnreadableError if the file is of no format that is read here.
    """
    lowered = [name.lower() for name in names]
    start = formats.start_of(path)
    found_format = formats.format_of(start)
    reader = None
    fitting: list[Layout] = []
    for layout in layouts:
        if layout.layout.format != found_format:
            continue
        pattern = layout.recognise.file_name
        if pattern is not None and not any(fnmatchcase(n, pattern.lower()) for n in lowered):
            continue
        reader = reader or formats.reader_of(found_format)
        if reader.fits(path, start, layout):
            fitting.append(layout)
    most = max(map(_rules_of, fitting), default=None)
    return [layout for layout in fitting if _rules_of(layout) == most]


def _rules_of(layout: Layout) -> tuple[int, int]:
    asked = layout.recognise
    return len(asked.columns), (asked.file_name is not None) + (asked.first_line is not None)


def read_one(
    path: Path,
    names: list[str],
    layouts: list[Layout],
    settings: ShopSettings,
    scratch: ShopFolder,
) -> _Open:
    """Return what reading would make of a file that is not in the archive, by the same steps."""
    rules = _Rules(layouts, settings, {"": names})
    opened = _open("", scratch, rules, None, path)
    assert opened is not None  # noqa: S101 - it was read with nothing before
    _judge([opened], rules)
    return opened


def _open(
    sha: str, shop: ShopFolder, rules: _Rules, read_with: str | None, path: Path | None = None
) -> _Open | None:
    """Return a file read and converted; None if it still is what it was read as."""
    unknown = _unknown(sha, rules)
    try:
        path = path or whole_archived(shop, sha)
        if not path.stat().st_size:
            raise UnreadableError(
                "empty file",
                "the file holds no bytes",
                "Export the run again; nothing can be got from this file.",
            )
        fitting = recognise(path, rules.layouts, rules.names[sha])
    except UnreadableError as error:
        unknown.refuse(error)
        return _Open(unknown)
    if len(fitting) != 1:
        try:
            _tell_untaught(unknown, path, fitting, rules)
        except UnreadableError as error:
            unknown.refuse(error)
        return _Open(unknown)
    layout = fitting[0]
    if read_with == rules.with_layout(layout):
        return None
    reading = Reading(
        sha,
        _short(f"{sha}|{rules.with_layout(layout)}"),
        "read",
        rules.with_layout(layout),
        unknown.recognised_with,
    )
    reading.layout, reading.layout_kind = layout.name, layout.layout.kind
    reading.equipment = layout.layout.equipment
    zone = rules.settings.shop.timezone
    try:
        if _is_long(path):
            return _open_long(shop, path, layout, reading, rules)
        source = formats.reader_of(layout.layout.format).read(path, layout)
        whole = canonical(source, layout, zone)
    except UnreadableError as error:
        reading.refuse(error)
        return _Open(reading)
    reading.rows_read = whole.rows_read
    reading.facts = json.dumps(whole.facts, ensure_ascii=False, sort_keys=True)
    return _Open(
        reading,
        whole.values,
        whole.line_no,
        whole.clock_no,
        whole.bad_rows,
        _columns_of(layout),
    )


def _unknown(sha: str, rules: _Rules) -> Reading:
    """Return what stands of a file as long as no layout recognises it."""
    with_these = rules.recognition(sha)
    return Reading(
        sha, _short(f"{sha}|{with_these}"), "untaught", with_these, with_these, "layout not taught"
    )


def _columns_of(layout: Layout) -> dict[str, str]:
    return {CHANNEL_COLUMNS[word]: channel.column for word, channel in layout.channels.items()}


def _tell_untaught(unknown: Reading, path: Path, fitting: list[Layout], rules: _Rules) -> None:
    """Say why a file waits for a layout, without quoting it: it may hold positions or names."""
    names = rules.names[unknown.file_sha256]
    if fitting:
        both = " and ".join(repr(layout.name) for layout in fitting)
        unknown.reason_code = TWO_LAYOUTS
        unknown.reason = f"layouts {both} fit this file equally well"
        unknown.remedy = (
            "Tell them apart: under recognise, name a column that only one has, or set file_name "
            "or first_line."
        )
        return
    if any(name.lower().startswith(CARD_NAME) for name in names):
        unknown.reason_code = "card under another name"
        unknown.reason = "this looks like a job card under another name"
        unknown.remedy = f"Name it {CARD_NAME}, in small letters and with no ending behind it."
        return
    start = formats.start_of(path)
    found_format = formats.format_of(start)
    reader = formats.reader_of(found_format)
    taught = [layout for layout in rules.layouts if layout.layout.format == found_format]
    near = nearest(partial(reader.headings, path, start), taught)
    look = _appearance(start) if found_format == "text" else f"it is a {found_format} file"
    unknown.reason = f"no layout recognises this file; {look}" + (f"; {near}" if near else "")
    unknown.remedy = UNTAUGHT_REMEDY


def _is_long(path: Path) -> bool:
    size = path.stat().st_size
    with path.open("rb") as file:
        is_packed = file.read(4)[:2] in (b"\x1f\x8b", b"PA")
    return size > LONG_BYTES * (PACKED_SHARE if is_packed else 1.0)


def _open_long(
    shop: ShopFolder, path: Path, layout: Layout, reading: Reading, rules: _Rules
) -> _Open:
    """Read a log that need not fit into memory, straight into its own file of samples."""
    target = shop.samples / f"{layout.layout.kind}-{_short(reading.sample_id)}.parquet"
    found = read_long_log(path, layout, rules.settings.shop.timezone, reading.sample_id, target)
    reading.rows_read, reading.rows_kept = found.rows_read, found.rows_kept
    reading.rows_rejected = found.rows_rejected
    reading.facts = json.dumps(found.facts, ensure_ascii=False, sort_keys=True)
    if found.rows_kept:
        reading.sample_path = _named_by_content(shop, target, layout.layout.kind)
    opened = _Open(reading, bad_rows=found.bad_rows, source=_columns_of(layout))
    most = rules.settings.intake.most_rejected_share
    if found.rows_rejected > most * max(found.rows_read, 1) or not found.rows_kept:
        reading.sample_path, reading.rows_kept = None, 0
        reading.refuse(_too_many(opened, most))
    return opened


def _judge(batch: list[_Open], rules: _Rules) -> None:
    """Split every file's rows by the contract; refuse files that are bad as a whole."""
    for kind in ("pull", "ride"):
        files = [o for o in batch if o.reading.layout_kind == kind and o.line_no.size]
        if not files:
            continue
        for opened, bad_rows in _failures(kind, files):
            opened.bad_rows += bad_rows
            kept = ~np.isin(opened.line_no, [row.line_no or 0 for row in bad_rows])
            opened.values, opened.line_no = opened.values[kept], opened.line_no[kept]
            opened.clock_no = opened.clock_no[kept]
        # With times 5, 6, 0, 1 only the 0 fails first; the 1 fails once the 0 is gone.
        changed = [o for o in files if o.bad_rows and o.line_no.size]
        for opened, bad_rows in _failures(kind, changed) if changed else []:
            opened.reading.refuse(
                UnreadableError(
                    "clock jumps back",
                    f"line {bad_rows[0].line_no}: the clock does not go on after earlier rows were "
                    f"rejected ({bad_rows[0].rule}, found {bad_rows[0].found})",
                    "The log is spliced or its clock was reset; export it again as one run.",
                )
            )
    for opened in batch:
        reading = opened.reading
        if reading.sample_path is not None or reading.rows_rejected:
            continue  # a long log was judged piece by piece
        reading.rows_rejected = len({row.line_no for row in opened.bad_rows})
        if reading.state == "read":
            share = reading.rows_rejected / max(reading.rows_read, 1)
            if share > rules.settings.intake.most_rejected_share or not opened.line_no.size:
                reading.refuse(_too_many(opened, rules.settings.intake.most_rejected_share))
        reading.rows_kept = opened.line_no.size if reading.state == "read" else 0


def _samples(files: list[_Open]) -> pl.DataFrame:
    """Return the rows of some files as the contract wants them, in the order of the files."""
    return samples_frame(
        [opened.reading.sample_id for opened in files],
        [opened.values for opened in files],
        [opened.line_no for opened in files],
        [opened.clock_no for opened in files],
    )


def _too_many(opened: _Open, most: float) -> UnreadableError:
    if not opened.bad_rows:
        return UnreadableError(
            "no rows",
            f"none of {opened.reading.rows_read} rows holds a value that the layout asks for",
            "The recording was probably never started; export the run again.",
        )
    rule, count = Counter(row.rule for row in opened.bad_rows).most_common(1)[0]
    example = next(row for row in opened.bad_rows if row.rule == rule)
    column = f", column {example.column!r}" if example.column else ""
    remedy = "Look at the rejected rows; export the run again or correct the layout."
    if "is between" in rule and count > 0.5 * opened.reading.rows_read:
        remedy = "Nearly every row is out of range: check the unit of that column in the layout."
    if "is a number" in rule and _GROUPED.fullmatch(example.found):
        remedy = (
            "Its numbers carry a mark at the thousands: set text.thousands (and text.decimal) in "
            "the layout."
        )
    return UnreadableError(
        "too many bad rows",
        f"{opened.reading.rows_rejected} of {opened.reading.rows_read} rows are bad, where at most "
        f"{most:.0%} may be; most often broken: {rule} ({count} rows), first on line "
        f"{example.line_no}{column}: found {example.found!r}",
        remedy,
    )


def _failures(kind: SampleKind, files: list[_Open]) -> list[tuple[_Open, list[BadRow]]]:
    """Return the files with rows that break the contract, and those in the order of their lines."""
    frame = _samples(files)
    starts = np.cumsum([0, *(opened.line_no.size for opened in files)])
    found: dict[int, list[BadRow]] = {}
    for row, column, rule, value in judge_samples(kind, frame):
        file = int(np.searchsorted(starts, row, side="right")) - 1
        found.setdefault(file, []).append(
            BadRow(frame["line_no"][row], files[file].source.get(column, column), rule, value)
        )
    return [(files[file], rows) for file, rows in found.items()]


def _store(connection: duckdb.DuckDBPyConnection, shop: ShopFolder, batch: list[_Open]) -> None:
    """Write the samples, then make them visible together with their readings."""
    kept = [opened for opened in batch if opened.reading.state == "read"]
    pulls = [opened for opened in kept if opened.reading.layout_kind == "pull"]
    pulls = [opened for opened in pulls if opened.reading.sample_path is None]
    groups = ([pulls] if pulls else []) + [
        [opened]
        for opened in kept
        if opened.reading.layout_kind == "ride" and opened.reading.sample_path is None
    ]
    for group in groups:
        path = _write_samples(shop, group)
        for opened in group:
            opened.reading.sample_path = path
    readings = [dataclasses.asdict(opened.reading) for opened in batch]
    rejected = [
        {
            "file_sha256": opened.reading.file_sha256,
            "line_no": row.line_no,
            "column_name": row.column,
            "rule": row.rule,
            "found": row.found,
        }
        for opened in batch
        for row in opened.bad_rows
    ]
    shas = [opened.reading.file_sha256 for opened in batch]
    with store.transaction(connection):
        for table, records in (("raw.reading", readings), ("raw.rejected_row", rejected)):
            store.delete(connection, table, "file_sha256", shas)
            store.insert(connection, table, store.frame(connection, table, records))


def _write_samples(shop: ShopFolder, group: list[_Open]) -> str:
    made = shop.samples / f"{group[0].reading.sample_id}.making"
    _samples(group).write_parquet(made, compression="zstd", compression_level=3)
    return _named_by_content(shop, made, group[0].reading.layout_kind or "")


def _named_by_content(shop: ShopFolder, made: Path, kind: str) -> str:
    """Give a whole file of samples its place: its name tells its size and the sum of its bytes."""
    target = shop.samples / content_name(kind, made)
    made.replace(target)
    return target.relative_to(shop.root).as_posix()


def sweep_samples(connection: duckdb.DuckDBPyConnection, shop: ShopFolder) -> int:
    """Delete sample files that no reading names: orphans of a kill or of an older layout."""
    named = {
        path
        for (path,) in connection.execute(
            "SELECT DISTINCT sample_path FROM raw.reading WHERE sample_path IS NOT NULL"
        ).fetchall()
    }
    orphans = [
        path
        for path in shop.samples.iterdir()
        if path.is_file() and path.relative_to(shop.root).as_posix() not in named
    ]
    for path in orphans:
        # Held open by another program it is no harm: the next intake tries again.
        with contextlib.suppress(OSError):
            path.unlink()
    return len(orphans)


def _appearance(data: bytes) -> str:
    """Return what a text looks like without quoting it: it may hold positions or names."""
    codec = "utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    lines = [line for line in data[:65_536].decode(codec, errors="replace").splitlines() if line]
    marks = {mark: max((line.count(mark) for line in lines), default=0) for mark in ";,|\t"}
    mark, most = max(marks.items(), key=lambda pair: pair[1])
    if not most:
        return "it is text without columns"
    return f"it is text of up to {most + 1} columns, divided by {mark!r}"


def _short(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:16]
