"""Reads archived files: recognise the layout, convert, judge by contract, store the samples.

Reading needs bytes, layouts and settings only; which bike a file belongs to is decided later, from
the job cards. A batch of files is judged at once and becomes visible in one transaction.
"""

from __future__ import annotations

import contextlib
import os
import re
from collections import Counter
from collections.abc import Iterable, Iterator
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple, cast

import duckdb
import numpy as np
import polars as pl

from flows import apart, hands
from flows.metrics.notes import note
from flows.readers import formats
from flows.readers.columns import nearest
from flows.readers.source import BadRow, UnreadableError
from flows.steps.archive import ARCHIVE_LOST, whole_archived
from flows.steps.judge import canonical, seen_channels
from flows.steps.long_logs import LONG_BYTES, PACKED_SHARE, read_long_log
from flows.steps.opened import (
    Opened,
    Reading,
    Rules,
    columns_of,
    recognise,
    recognised,
    told_facts,
    unrecognised,
)
from flows.steps.progress import Progress
from flows.steps.refresh import short_hash
from flows.steps.samples import content_name
from flows.steps.together import open_together
from schemas.card_text import CARD_NAME
from schemas.layout import Layout
from schemas.samples import SampleKind, judge_samples, samples_frame
from schemas.settings import ShopSettings
from schemas.shop_note import NOTES_FOLDER
from warehouse import store
from warehouse.archived import (
    GoneError,
    forget_unpacked,
    is_archived,
    plain_path,
    size_of,
    whole,
)
from warehouse.damage import disk_trouble
from warehouse.shop import ShopFolder

BATCH_FILES, BATCH_BYTES = 250, 16_000_000
BATCH_ROWS = 150_000
"""With so many rows in hand they are judged and written, whatever their files' size."""

_GROUPED = re.compile(r"[+-]?\d{1,3}(?:([.,' \u00a0\u202f])\d{3})+(?:[.,]\d+)?")


def read_files(
    connection: duckdb.DuckDBPyConnection,
    shop: ShopFolder,
    settings: ShopSettings,
    layouts: list[Layout],
    progress: Progress,
    keep_unknown: bool = False,
) -> int:
    """Read every archived file that has not been read with these layouts and rules."""
    rules, todo = files_due(connection, shop, settings, layouts, keep_unknown)
    done = read = 0
    for batch, result in _read_all(shop, rules, list(_batches(shop, todo))):
        _keep(connection, result, rules)
        done += len(batch)
        read += len(result.readings)
        progress(done, len(todo), "reading")
    return read


def files_due(
    connection: duckdb.DuckDBPyConnection,
    shop: ShopFolder,
    settings: ShopSettings,
    layouts: list[Layout],
    keep_unknown: bool = False,
) -> tuple[Rules, dict[str, str | None]]:
    """Return what files are read with, and those to be read, each with what it was read with."""
    rules = Rules(layouts, settings, {})
    # Told in the database, as `Rules.recognition` does: of the files of ten years few are due.
    standing = connection.execute(
        "SELECT file_sha256, names, read_with, layout, reason_code, recognised_with IS DISTINCT "
        "FROM left(sha256(concat_ws('|', ?, array_to_string(names, '|'))), 16) AS is_other FROM ("
        "SELECT file_sha256, list(DISTINCT file_name ORDER BY file_name) AS names, "
        "min(arrival_no) AS came FROM raw.arrival "
        "WHERE file_name <> ? AND job_folder <> ? GROUP BY file_sha256) "
        "LEFT JOIN raw.reading USING (file_sha256) "
        "WHERE is_other OR list_contains(?, reason_code) ORDER BY came",
        [rules.taught, CARD_NAME, NOTES_FOLDER, list(ARCHIVE_LOST)],
    ).fetchall()
    rules.names.update({sha: names for sha, names, *_ in standing})
    known = {layout.name for layout in layouts}
    todo = {
        sha: read_with
        for sha, _, read_with, layout, _, is_other in standing
        if not (keep_unknown and layout is not None and layout not in known)
        if is_other or is_archived(shop, sha)
    }
    return rules, todo


def _read_all(
    shop: ShopFolder, rules: Rules, batches: list[dict[str, str | None]]
) -> Iterator[tuple[dict[str, str | None], Batch]]:
    """Yield what comes of batches, in their order, whoever reads them."""
    done = 0
    while done < len(batches):
        with hands.executor(rules.settings, len(batches) - done, hands.LEAST_TO_READ) as readers:
            results = [readers.submit(read_batch, shop, rules.of(b), b) for b in batches[done:]]
            for result in results:
                try:
                    read = result.result()
                except Exception as error:
                    if not hands.is_crash(error):
                        raise
                    break
                yield batches[done], read
                done += 1
            else:
                return
        # A file brought its reader down: perhaps one of these, and then only that one is refused.
        yield batches[done], read_batch(shop, rules, batches[done], True)
        done += 1


class Batch(NamedTuple):
    """What came of some files: readings, rejected rows, and files still of the layout before."""

    readings: list[Reading]
    rejected: list[dict[str, object]]
    still: list[str]


def _batches(shop: ShopFolder, todo: dict[str, str | None]) -> Iterator[dict[str, str | None]]:
    """Yield files in the order in which they came, as many as are well read at once."""
    batch: dict[str, str | None] = {}
    size = 0
    for sha, read_with in todo.items():
        own = size_of(shop, sha)
        if batch and (len(batch) >= BATCH_FILES or size + own > BATCH_BYTES):
            yield batch
            batch, size = {}, 0
        batch[sha] = read_with
        size += own
    if batch:
        yield batch


def read_batch(
    shop: ShopFolder, rules: Rules, batch: dict[str, str | None], is_feared: bool = False
) -> Batch:
    """Read, convert and judge some archived files, and write their samples.

    Rests on nothing but the archived bytes and what it is given, so that any process can do it:
    the samples that it writes are nobody's until its readings are kept. `is_feared` has each file
    read by itself in a process with limits.
    """
    opened = {} if is_feared else _open_regular(shop, rules, batch)
    files: list[Opened] = []
    waiting: list[Opened] = []
    rows = 0
    still: list[str] = []
    with apart.worker() as worker:
        for sha, read_with in batch.items():
            if sha in opened:
                one = opened.pop(sha)
            else:
                one = open_guarded(worker, sha, shop, rules, read_with, is_feared)
            if one is None:
                still.append(sha)
                continue
            files.append(one)
            waiting.append(one)
            rows += one.line_no.size
            if rows >= BATCH_ROWS:
                _settle(shop, waiting, rules)
                waiting, rows = [], 0
        _settle(shop, waiting, rules)
    forget_unpacked(shop, iter(batch))
    rejected: list[dict[str, object]] = [
        {
            "file_sha256": one.reading.file_sha256,
            "line_no": row.line_no,
            "column_name": row.column,
            "rule": row.rule,
            "found": row.found,
        }
        for one in files
        for row in one.bad_rows
    ]
    return Batch([one.reading for one in files], rejected, still)


def _open_regular(
    shop: ShopFolder, rules: Rules, batch: dict[str, str | None]
) -> dict[str, Opened | None]:
    """Return the files that can be read at once; none of them where that fails."""
    try:
        return open_together(_held(shop, batch), rules, batch)
    except Exception as error:
        if disk_trouble(error):
            raise
        return {}  # read one by one, the file that it fails on is refused alone


def _held(shop: ShopFolder, batch: Iterable[str]) -> dict[str, bytes]:
    """Return the bytes of small files that are whole: what else there is, is met one by one."""
    held = {}
    for sha in batch:
        with contextlib.suppress(OSError, GoneError):
            most = min(formats.SMALL_BYTES, LONG_BYTES)
            if size_of(shop, sha) <= 2 * most and len(data := whole(shop, sha)) <= most:
                held[sha] = data
    return held


def open_guarded(
    worker: apart.Worker,
    sha: str,
    shop: ShopFolder,
    rules: Rules,
    read_with: str | None,
    is_feared: bool,
) -> Opened | None:
    """Open a file where it can do no harm: in another process, unless it is a small plain text."""
    asked = (sha, shop, rules.of([sha]), read_with)
    try:
        try:
            path = plain_path(shop, sha)
        except GoneError:
            return _open(*asked)
        if not path.is_file():
            return _open(*asked)
        if is_feared:
            return worker.call(apart.Limits.for_bytes(path.stat().st_size), _open, *asked)
        return apart.call_on(path, worker, _open, *asked)
    except UnreadableError as error:
        told = error
    except Exception as error:
        if disk_trouble(error):
            raise  # of the shop's own disk: no fault of this file, and none of the others' either
        failed = f"{type(error).__name__}: {str(error)[:160]}"
        told = UnreadableError("fault of Rollbook", error=failed)
    refused = unrecognised(sha, rules)
    refused.refuse(told)
    return Opened(refused)


def _keep(connection: duckdb.DuckDBPyConnection, batch: Batch, rules: Rules) -> None:
    """Make a batch's samples visible, together with its readings."""
    readings = [vars(reading) for reading in batch.readings]
    shas = [reading.file_sha256 for reading in batch.readings]
    with store.transaction(connection):
        for table, records in (("raw.reading", readings), ("raw.rejected_row", batch.rejected)):
            store.delete(connection, table, "file_sha256", shas)
            store.insert(connection, table, store.frame(connection, table, records))
        for sha in batch.still:  # looked at again, and still of the layout it was read with
            connection.execute(
                "UPDATE raw.reading SET recognised_with = ? WHERE file_sha256 = ?",
                [rules.recognition(sha), sha],
            )


def read_one(
    path: Path,
    names: list[str],
    layouts: list[Layout],
    settings: ShopSettings,
    scratch: ShopFolder,
) -> Opened:
    """Return what reading would make of a file that is not in the archive, by the same steps."""
    rules = Rules(layouts, settings, {"": names})
    opened = _open("", scratch, rules, None, path)
    assert opened is not None  # noqa: S101 - it was read with nothing before
    kind = opened.reading.layout_kind
    if kind is not None and not opened.is_judged:
        _judge(cast(SampleKind, kind), [opened], rules)
    return opened


def _open(
    sha: str, shop: ShopFolder, rules: Rules, read_with: str | None, path: Path | None = None
) -> Opened | None:
    """Return a file read and converted; None if it still is what it was read as."""
    unknown = unrecognised(sha, rules)
    try:
        path = path or whole_archived(shop, sha)
        if not path.stat().st_size:
            raise UnreadableError("empty file")
        fitting = recognise(path, rules.layouts, rules.names[sha])
    except UnreadableError as error:
        unknown.refuse(error)
        return Opened(unknown)
    if len(fitting) != 1:
        try:
            _tell_untaught(unknown, path, fitting, rules)
        except UnreadableError as error:
            unknown.refuse(error)
        return Opened(unknown)
    layout = fitting[0]
    if read_with == rules.with_layout(layout):
        return None
    reading = recognised(sha, layout, rules)
    zone = rules.settings.shop.timezone
    try:
        if _is_long(path):
            return _open_long(shop, path, layout, reading, rules)
        source = formats.reader_of(layout.layout.format).read(path, layout)
        whole = canonical(source, layout, zone)
    except UnreadableError as error:
        reading.refuse(error)
        return Opened(reading)
    reading.rows_read = whole.rows_read
    reading.facts = told_facts(whole.facts)
    return Opened(
        reading,
        seen_channels(whole.values),
        whole.line_no,
        whole.clock_no,
        whole.bad_rows,
        columns_of(layout),
        source.head,
    )


def _tell_untaught(unknown: Reading, path: Path, fitting: list[Layout], rules: Rules) -> None:
    """Say why a file waits for a layout, without quoting it: it may hold positions or names."""
    names = rules.names[unknown.file_sha256]
    if fitting:
        unknown.say(note("two layouts fit", layouts=[layout.name for layout in fitting]))
        return
    if any(name.lower().startswith(CARD_NAME) for name in names):
        unknown.say(note("card under another name", name=CARD_NAME))
        return
    start = formats.start_of(path)
    found_format = formats.format_of(start)
    reader = formats.reader_of(found_format)
    taught = [layout for layout in rules.layouts if layout.layout.format == found_format]
    near = nearest(partial(reader.headings, path, start), taught)
    look = _appearance(start) if found_format == "text" else {"columns": None, "divided_by": None}
    unknown.say(note("layout not taught", format=found_format, **look, near=near))


def _is_long(path: Path) -> bool:
    size = path.stat().st_size
    with path.open("rb") as file:
        is_packed = file.read(4)[:2] in (b"\x1f\x8b", b"PA")
    return size > LONG_BYTES * (PACKED_SHARE if is_packed else 1.0)


def _open_long(
    shop: ShopFolder, path: Path, layout: Layout, reading: Reading, rules: Rules
) -> Opened:
    """Read a log that need not fit into memory, straight into its own file of samples."""
    target = shop.samples / f"{layout.layout.kind}-{short_hash(reading.sample_id)}.parquet"
    found = read_long_log(path, layout, rules.settings.shop.timezone, reading.sample_id, target)
    reading.rows_read, reading.rows_kept = found.rows_read, found.rows_kept
    reading.rows_rejected = found.rows_rejected
    reading.facts = told_facts(found.facts)
    if found.rows_kept:
        reading.sample_path = _named_by_content(shop, target, layout.layout.kind)
    opened = Opened(
        reading,
        bad_rows=found.bad_rows,
        source=columns_of(layout),
        head=found.head,
        is_judged=True,
    )
    most = rules.settings.intake.most_rejected_share
    if found.rows_rejected > most * max(found.rows_read, 1) or not found.rows_kept:
        reading.sample_path, reading.rows_kept = None, 0
        reading.refuse(_too_many(opened, most))
    return opened


def _judge(kind: SampleKind, files: list[Opened], rules: Rules) -> pl.DataFrame:
    """Split the rows of files of one kind by the contract; refuse files that are bad as a whole.

    Returns the kept rows of those that are read.
    """
    with_rows = [opened for opened in files if opened.line_no.size]
    frame = _samples(with_rows)
    for opened, bad_rows in _failures(kind, with_rows, frame):
        opened.bad_rows += bad_rows
        kept = ~np.isin(opened.line_no, [row.line_no or 0 for row in bad_rows])
        opened.channels = {name: values[kept] for name, values in opened.channels.items()}
        opened.line_no, opened.clock_no = opened.line_no[kept], opened.clock_no[kept]
    # With times 5, 6, 0, 1 only the 0 fails first; the 1 fails once the 0 is gone.
    changed = [opened for opened in with_rows if opened.bad_rows and opened.line_no.size]
    for opened, bad_rows in _failures(kind, changed, _samples(changed)):
        opened.reading.refuse(
            UnreadableError(
                "clock jumps back",
                line=bad_rows[0].line_no,
                rule=bad_rows[0].rule,
                found=bad_rows[0].found,
            )
        )
    for opened in files:
        _judge_as_a_whole(opened, rules.settings.intake.most_rejected_share)
    kept = [opened for opened in files if opened.reading.state == "read"]
    is_whole = sum(opened.line_no.size for opened in kept) == frame.height
    return frame if is_whole else _samples(kept)


def _judge_as_a_whole(opened: Opened, most: float) -> None:
    """Count rows rejected and kept; refuse a file with too many bad rows, or without good ones."""
    reading = opened.reading
    reading.rows_rejected = len({row.line_no for row in opened.bad_rows})
    share = reading.rows_rejected / max(reading.rows_read, 1)
    if reading.state == "read" and (share > most or not opened.line_no.size):
        reading.refuse(_too_many(opened, most))
    reading.rows_kept = opened.line_no.size if reading.state == "read" else 0


def _samples(files: list[Opened]) -> pl.DataFrame:
    """Return the rows of some files as the contract wants them, in the order of the files."""
    if not files:
        return pl.DataFrame()
    return samples_frame(
        [opened.reading.sample_id for opened in files],
        [opened.channels for opened in files],
        [opened.line_no for opened in files],
        [opened.clock_no for opened in files],
    )


def _too_many(opened: Opened, most: float) -> UnreadableError:
    if not opened.bad_rows:
        return UnreadableError("no rows", rows=opened.reading.rows_read)
    rule, count = Counter(row.rule for row in opened.bad_rows).most_common(1)[0]
    example = next(row for row in opened.bad_rows if row.rule == rule)
    is_grouped = "is a number" in rule and _GROUPED.fullmatch(example.found) is not None
    return UnreadableError(
        "too many bad rows",
        rejected=opened.reading.rows_rejected,
        rows=opened.reading.rows_read,
        most_share=most,
        rule=rule,
        breaks=count,
        line=example.line_no,
        column=example.column,
        found=example.found,
        is_unit="is between" in rule and count > 0.5 * opened.reading.rows_read,
        is_grouped=is_grouped,
    )


def _failures(
    kind: SampleKind, files: list[Opened], frame: pl.DataFrame
) -> list[tuple[Opened, list[BadRow]]]:
    """Return the files with rows that break the contract, and those in the order of their lines."""
    if not files:
        return []
    starts = np.cumsum([0, *(opened.line_no.size for opened in files)])
    found: dict[int, list[BadRow]] = {}
    for row, column, rule, value in judge_samples(kind, frame):
        file = int(np.searchsorted(starts, row, side="right")) - 1
        found.setdefault(file, []).append(
            BadRow(frame["line_no"][row], files[file].source.get(column, column), rule, value)
        )
    return [(files[file], rows) for file, rows in found.items()]


def _settle(shop: ShopFolder, batch: list[Opened], rules: Rules) -> None:
    """Judge some files and write their samples: pulls together, each ride by itself."""
    for kind in ("pull", "ride"):
        files = [o for o in batch if o.reading.layout_kind == kind and not o.is_judged]
        for group in [files] if kind == "pull" else [[one] for one in files]:
            samples = _judge(kind, group, rules)
            kept = [opened.reading for opened in group if opened.reading.state == "read"]
            if kept:
                path = _write_samples(shop, kind, kept[0].sample_id, samples)
                for reading in kept:
                    reading.sample_path = path
    for opened in batch:
        opened.channels = {}  # written, and large


def _write_samples(shop: ShopFolder, kind: str, name: str, frame: pl.DataFrame) -> str:
    made = shop.samples / f"{name}.making"
    frame.write_parquet(made, compression="zstd", compression_level=3)
    return _named_by_content(shop, made, kind)


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
    place = shop.samples.relative_to(shop.root).as_posix()
    with os.scandir(shop.samples) as entries:
        names = [e.name for e in entries if f"{place}/{e.name}" not in named and e.is_file()]
    orphans = [shop.samples / name for name in names]
    for path in orphans:
        # Held open by another program it is no harm: the next intake tries again.
        with contextlib.suppress(OSError):
            path.unlink()
    return len(orphans)


def _appearance(data: bytes) -> dict[str, Any]:
    """Return what a text looks like without quoting it: it may hold positions or names."""
    codec = "utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    lines = [line for line in data[:65_536].decode(codec, errors="replace").splitlines() if line]
    marks = {mark: max((line.count(mark) for line in lines), default=0) for mark in ";,|\t"}
    mark, most = max(marks.items(), key=lambda pair: pair[1])
    return {"columns": most + 1, "divided_by": mark} if most else {"columns": 1, "divided_by": None}
