"""Reads archived files: recognise the layout, convert, judge by contract, store the samples.

Reading needs bytes, layouts and settings only; which bike a file belongs to is decided later, from
the job cards. A batch of files is judged at once and becomes visible in one transaction.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
from collections import Counter
from collections.abc import Iterable
from fnmatch import fnmatchcase
from functools import cached_property

import duckdb
import numpy as np
import polars as pl

from flows.readers import delimited
from flows.readers.source import BadRow, UnreadableError
from flows.steps.archive import archived_path
from flows.steps.convert import PLACE, canonical
from flows.steps.progress import Progress
from schemas.columns import CHANNELS
from schemas.layout import CHANNEL_COLUMNS, Layout
from schemas.samples import CLOCK_RULE, SampleKind, needed_rule, sample_contract
from schemas.settings import ShopSettings
from warehouse import store
from warehouse.shop import ShopFolder

READ_VERSION = 1
"""Raise it when a reader, a conversion or a contract changes what it gives for the same bytes."""

BATCH_FILES = 250
BATCH_ROWS = 150_000
CARD_NAME = "card.toml"

UNTAUGHT_REMEDY = (
    "Write a layout for this kind of file into layouts/ (those of the demo shop show how); "
    "files that wait are then taken in by themselves."
)


@dataclasses.dataclass
class Reading:
    """What came of one file; the fields are those of raw.reading."""

    file_sha256: str
    sample_id: str
    state: str
    read_with: str
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
        return _short(f"{self.common}|{layout.fingerprint}")

    def untaught(self) -> str:
        """Return the fingerprint of not knowing a file under any of these layouts."""
        return _short(f"{self.common}|{'|'.join(x.fingerprint for x in self.layouts)}")

    @cached_property
    def common(self) -> str:
        """What every reading depends on."""
        return f"{READ_VERSION}|{self.settings.intake.model_dump_json()}"


def read_files(
    connection: duckdb.DuckDBPyConnection,
    shop: ShopFolder,
    settings: ShopSettings,
    layouts: list[Layout],
    progress: Progress,
    keep_unknown: bool = False,
) -> int:
    """Read every archived file that has not been read with these layouts and rules.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        Writer.
    shop : ShopFolder
        The shop.
    settings : ShopSettings
        Its settings.
    layouts : list of Layout
        Its taught layouts.
    progress : callable
        Called with done, total and a word.
    keep_unknown : bool, default False
        Keep what was read with a layout that is not among these: one of them has mistakes now.

    Returns
    -------
    int
        Files read.
    """
    standing = connection.execute(
        "SELECT file_sha256, list(DISTINCT arrival.file_name ORDER BY arrival.file_name), "
        "any_value(reading.state), any_value(reading.read_with), any_value(reading.layout) "
        "FROM raw.arrival AS arrival "
        "LEFT JOIN raw.reading AS reading USING (file_sha256) WHERE arrival.file_name <> ? "
        "GROUP BY file_sha256 ORDER BY min(arrival.arrival_no)",
        [CARD_NAME],
    ).fetchall()
    rules = _Rules(layouts, settings, {sha: names for sha, names, *_ in standing})
    valid = {rules.with_layout(layout) for layout in layouts}
    untaught = rules.untaught()
    names = {layout.name for layout in layouts}
    todo = [
        sha
        for sha, _, state, read_with, layout in standing
        if not (keep_unknown and layout is not None and layout not in names)
        if state is None
        or (read_with != untaught if state == "untaught" else read_with not in valid | {untaught})
    ]
    batch: list[_Open] = []
    rows = 0
    for done, sha in enumerate(todo, start=1):
        batch.append(_open(sha, shop, rules))
        rows += batch[-1].line_no.size
        if len(batch) >= BATCH_FILES or rows >= BATCH_ROWS or done == len(todo):
            _judge(batch, rules)
            _store(connection, shop, batch)
            batch, rows = [], 0
        progress(done, len(todo), "reading")
    return len(todo)


def recognise(data: bytes, layouts: Iterable[Layout], names: Iterable[str]) -> Layout | None:
    """Return the layout that a file is of.

    Parameters
    ----------
    data : bytes
        The file.
    layouts : iterable of Layout
        Taught layouts.
    names : iterable of str
        Names under which the file stands in the inbox.

    Returns
    -------
    Layout or None
        The layout whose every rule holds; of several the one that names most columns, then the
        first by name. None if there is none.
    """
    lowered = [name.lower() for name in names]
    fitting = [
        layout
        for layout in layouts
        if (
            layout.recognise.file_name is None
            or any(fnmatchcase(name, layout.recognise.file_name.lower()) for name in lowered)
        )
        and delimited.header(data, layout) is not None
    ]
    fitting.sort(key=lambda layout: (-len(layout.recognise.columns), layout.name))
    return fitting[0] if fitting else None


def _open(sha: str, shop: ShopFolder, rules: _Rules) -> _Open:
    data = archived_path(shop, sha).read_bytes()
    unknown = Reading(
        sha, _short(f"{sha}|{rules.untaught()}"), "untaught", rules.untaught(), "layout not taught"
    )
    if not data:
        unknown.state, unknown.reason_code = "refused", "empty file"
        unknown.reason = "the file holds no bytes"
        unknown.remedy = "Export the run again; nothing can be got from this file."
        return _Open(unknown)
    layout = recognise(data, rules.layouts, rules.names[sha])
    if layout is None:
        if _is_binary(data):
            unknown.state, unknown.reason_code = "refused", "binary data"
            unknown.reason = "the file is binary data, not text"
            unknown.remedy = "Export the run as text; if it should be text, copy the file again."
            return _Open(unknown)
        if any(name.lower().startswith(CARD_NAME) for name in rules.names[sha]):
            unknown.reason_code = "card under another name"
            unknown.reason = "this looks like a job card under another name"
            unknown.remedy = f"Name it {CARD_NAME}, in small letters and with no ending behind it."
            return _Open(unknown)
        near = delimited.nearest(data, rules.layouts)
        unknown.reason = f"no layout recognises this file; {_appearance(data)}" + (
            f"; {near}" if near else ""
        )
        unknown.remedy = UNTAUGHT_REMEDY
        return _Open(unknown)
    read_with = rules.with_layout(layout)
    reading = Reading(sha, _short(f"{sha}|{read_with}"), "read", read_with)
    reading.layout, reading.layout_kind = layout.name, layout.layout.kind
    reading.equipment = layout.layout.equipment
    try:
        table = delimited.read(data, layout)
        reading.rows_read = table.frame.height + len(table.bad_rows)
        converted = canonical(table, layout)
    except UnreadableError as error:
        reading.refuse(error)
        return _Open(reading)
    reading.facts = json.dumps(converted.facts, ensure_ascii=False, sort_keys=True)
    source = {CHANNEL_COLUMNS[word]: channel.column for word, channel in layout.channels.items()}
    return _Open(reading, converted.values, converted.line_no, converted.bad_rows, source)


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
        reading.rows_rejected = len({row.line_no for row in opened.bad_rows})
        if reading.state == "read":
            share = reading.rows_rejected / max(reading.rows_read, 1)
            if share > rules.settings.intake.most_rejected_share or not opened.line_no.size:
                reading.refuse(_too_many(opened, rules.settings.intake.most_rejected_share))
        reading.rows_kept = opened.line_no.size if reading.state == "read" else 0


def _samples(files: list[_Open]) -> pl.DataFrame:
    """Return the rows of some files as the contract wants them, in the order of the files."""
    sizes = [opened.line_no.size for opened in files]
    ids = pl.Series("sample_id", [opened.reading.sample_id for opened in files], dtype=pl.String)
    values = np.concatenate([opened.values for opened in files])
    return pl.DataFrame(
        {
            "sample_id": ids.gather(np.repeat(np.arange(len(files)), sizes)),
            "line_no": np.concatenate([opened.line_no for opened in files]),
            **{name: values[:, place] for name, place in PLACE.items()},
        },
        nan_to_null=True,
    )


def _too_many(opened: _Open, most: float) -> UnreadableError:
    rule, count = Counter(row.rule for row in opened.bad_rows).most_common(1)[0]
    example = next(row for row in opened.bad_rows if row.rule == rule)
    column = f", column {example.column!r}" if example.column else ""
    remedy = "Look at the rejected rows; export the run again or correct the layout."
    if "is between" in rule and count > 0.5 * opened.reading.rows_read:
        remedy = "Nearly every row is out of range: check the unit of that column in the layout."
    return UnreadableError(
        "too many bad rows",
        f"{opened.reading.rows_rejected} of {opened.reading.rows_read} rows are bad, where at most "
        f"{most:.0%} may be; most often broken: {rule} ({count} rows), first on line "
        f"{example.line_no}{column}: found {example.found!r}",
        remedy,
    )


def _failures(kind: SampleKind, files: list[_Open]) -> list[tuple[_Open, list[BadRow]]]:
    """Return the files with rows that break the contract, and those in the order of their lines."""
    import pandera.errors

    frame = _samples(files)
    try:
        sample_contract(kind).validate(frame, lazy=True)
    except pandera.errors.SchemaErrors as errors:
        cases = errors.failure_cases
    else:
        return []
    if cases["index"].null_count():
        raise TypeError(f"samples of a {kind} do not have the contract's columns: {cases}")
    starts = np.cumsum([0, *(opened.line_no.size for opened in files)])
    at = cases["index"].to_numpy()
    order = np.lexsort((cases["check"].to_numpy(), at))
    found: dict[int, list[BadRow]] = {}
    for place in order:
        row = int(at[place])
        file = int(np.searchsorted(starts, row, side="right")) - 1
        name = cases["column"][int(place)] or "time_s"
        check, value = cases["check"][int(place)], str(cases["failure_case"][int(place)])
        if check == "not_nullable":
            check, value = needed_rule(name), "nothing"
        elif check == CLOCK_RULE:
            value = f"{frame['time_s'][row]:g} s"
        found.setdefault(file, []).append(
            BadRow(frame["line_no"][row], files[file].source.get(name, name), check, value[:200])
        )
    return [(files[file], rows) for file, rows in found.items()]


def _store(connection: duckdb.DuckDBPyConnection, shop: ShopFolder, batch: list[_Open]) -> None:
    """Write the samples, then make them visible together with their readings."""
    kept = [opened for opened in batch if opened.reading.state == "read"]
    pulls = [opened for opened in kept if opened.reading.layout_kind == "pull"]
    groups = ([pulls] if pulls else []) + [
        [opened] for opened in kept if opened.reading.layout_kind == "ride"
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
    kind = group[0].reading.layout_kind
    name = _short("|".join(opened.reading.sample_id for opened in group))
    target = shop.samples / f"{kind}-{name}.parquet"
    made = target.with_suffix(".making")
    _samples(group).write_parquet(made, compression="zstd", compression_level=3)
    made.replace(target)
    return target.relative_to(shop.root).as_posix()


def sweep_samples(connection: duckdb.DuckDBPyConnection, shop: ShopFolder) -> int:
    """Delete sample files that no reading names: orphans of a kill or of an older layout.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        Writer.
    shop : ShopFolder
        The shop.

    Returns
    -------
    int
        Files deleted.
    """
    named = {
        path
        for (path,) in connection.execute(
            "SELECT DISTINCT sample_path FROM raw.reading WHERE sample_path IS NOT NULL"
        ).fetchall()
    }
    orphans = [
        path
        for path in shop.samples.iterdir()
        if path.relative_to(shop.root).as_posix() not in named
    ]
    for path in orphans:
        path.unlink()
    return len(orphans)


def _is_binary(data: bytes) -> bool:
    return b"\0" in data[:4096] and data[:2] not in (b"\xff\xfe", b"\xfe\xff")


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
