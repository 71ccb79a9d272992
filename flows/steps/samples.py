"""Reads stored samples for deriving: channels brought onto one clock, on purpose and only here."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import polars as pl

from flows.metrics.clocks import aligned_to
from schemas.channels import CHANNELS
from warehouse.damage import DamagedError, file_sha256, put_aside
from warehouse.shop import ShopFolder

MANY_ROWS = 2_000_000
"""A log of more rows is thinned while it is read: it need not fit into memory."""

THINNED_HZ = 50.0
"""Part-throttle evidence changes within tenths of a second; means over 20 ms lose none of it."""

MOST_THINNED_ROWS = 750_000
"""Of a day-long log means over 120 ms: it is looked at as a whole, and must fit into memory."""

BATCH_ROWS = 200_000

LEAST_SPARSE = 10
"""Fewer readings of a channel are drawn through nothing."""

SPARSE_SHARE = 0.7
"""A channel seen in fewer of the rows was logged at a slower rate and is drawn through."""


Channels = dict[str, np.ndarray]
"""A log's channels by name, one value a row; not to be written into, for logs share them."""


class DamagedSamplesError(DamagedError):
    """A file of samples is gone or is not as it was written; intake reads its logs again."""


def content_name(kind: str, path: Path) -> str:
    """Return the name of a file of samples: by it a changed byte shows wherever it is opened."""
    return f"{kind}-{file_sha256(path)[:20]}-{path.stat().st_size}.parquet"


def is_whole(path: Path) -> bool:
    """Whether a file of samples holds, byte for byte, what its name says."""
    return path.is_file() and content_name(path.name.partition("-")[0], path) == path.name


def forget_lost_samples(connection: duckdb.DuckDBPyConnection, shop: ShopFolder) -> list[str]:
    """Have logs read again whose samples are gone or cut; return a sentence for each such file."""
    named = connection.execute(
        "SELECT DISTINCT sample_path FROM raw.reading WHERE sample_path IS NOT NULL ORDER BY ALL"
    ).fetchall()
    with os.scandir(shop.samples) as entries:
        held = {
            entry.name
            for entry in entries
            if entry.is_file() and entry.name.endswith(f"-{entry.stat().st_size}.parquet")
        }
    lost = [path for (path,) in named if path.rpartition("/")[2] not in held]
    if lost:
        connection.execute(
            "UPDATE raw.reading SET read_with = '', recognised_with = '' "
            "WHERE sample_path IN (SELECT unnest(?))",
            [lost],
        )
    return [
        f"The samples {path} were lost; they were read again from the archive." for path in lost
    ]


def sound_samples(shop: ShopFolder, path: str) -> Path:
    """Return where samples lie; whoever finds them damaged puts them aside, to be made again."""
    place = shop.root / path
    if is_whole(place):
        return place
    if place.exists():
        put_aside(shop, place, "samples.parquet")
    raise DamagedSamplesError(
        f"the samples {path} are lost or damaged; run `rollbook update` to make them again from "
        "the archive"
    )


def put_damaged_samples_aside(shop: ShopFolder) -> None:
    """Read every file of samples and put aside what is not whole: the next intake misses it."""
    for path in sorted(shop.samples.glob("*.parquet")):
        if not is_whole(path):
            put_aside(shop, path, "samples.parquet")


def read_samples(
    shop: ShopFolder, logs: list[dict[str, Any]], channels: Iterable[str]
) -> dict[str, Channels]:
    """Return channels of some logs, by sample_id, in the order of their lines, on one clock.

    Channels that run on a clock of their own, or were logged at a slower rate, are brought onto
    the engine speed's clock by straight lines over no more than a lost sample. What was not seen
    is NaN.
    """
    names = list(channels)
    wanted: dict[str, dict[str, dict[str, Any]]] = {}
    for log in logs:
        wanted.setdefault(log["sample_path"], {})[log["sample_id"]] = log
    found: dict[str, Channels] = {}
    for path, of_path in sorted(wanted.items()):
        if any(log["rows_kept"] > MANY_ROWS for log in of_path.values()):
            frame = _thinned(sound_samples(shop, path))
        else:
            frame = _held_columns(sound_samples(shop, path), names)
        found |= _split(frame, of_path, names)
    return found


def _held_columns(path: Path, names: list[str]) -> pl.DataFrame:
    """Return some channels of a file; one written before there was a channel has none of it."""
    held = pl.read_parquet_schema(path)
    columns = ["sample_id", "clock_no", *(name for name in names if name in held)]
    frame = pl.read_parquet(path, columns=columns)
    lacking = [pl.lit(None, pl.Float64).alias(name) for name in names if name not in held]
    return frame.with_columns(lacking)


def _split(
    frame: pl.DataFrame, logs: dict[str, dict[str, Any]], names: list[str]
) -> dict[str, Channels]:
    """Return the channels of each log of a file; only what is odd is looked at by itself."""
    # Intake writes log after log, each in the order of its lines: cut at the runs.
    runs = frame["sample_id"].rle().struct.unnest()
    rows = runs["len"].to_numpy().astype(np.int64)
    starts = np.cumsum(rows) - rows
    columns = {name: frame[name].to_numpy() for name in names}
    is_odd = np.logical_or.reduceat(frame["clock_no"].to_numpy() != 0, starts)
    for name in set(names) - {"time_s", "engine_speed_rpm"}:
        seen = np.add.reduceat(~np.isnan(columns[name]), starts, dtype=np.int64)
        is_odd |= (seen >= LEAST_SPARSE) & (seen < SPARSE_SHARE * rows)
    found: dict[str, Channels] = {}
    for sample_id, start, stop, odd in zip(
        runs["value"], starts.tolist(), (starts + rows).tolist(), is_odd.tolist(), strict=True
    ):
        if sample_id not in logs:
            continue
        marks = logs[sample_id].get("marks") or {}
        if odd or marks:
            found[sample_id] = _on_one_clock(frame[start:stop], marks, names)
        else:
            found[sample_id] = {name: columns[name][start:stop] for name in names}
    return found


def _thinned(path: Path) -> pl.DataFrame:
    """Return a very long log as means over equal steps of time, of all clocks together.

    Only the sums stand in memory, never the log.
    """
    import pyarrow.parquet as pq

    with pq.ParquetFile(path, pre_buffer=False) as file:
        last_s = max(
            float(file.metadata.row_group(group).column(_place(file, "time_s")).statistics.max)
            for group in range(file.num_row_groups)
        )
        first_s = min(
            float(file.metadata.row_group(group).column(_place(file, "time_s")).statistics.min)
            for group in range(file.num_row_groups)
        )
        rate_hz = min(THINNED_HZ, MOST_THINNED_ROWS / max(last_s - first_s, 1.0))
        bins = int((last_s - first_s) * rate_hz) + 1
        sums = {name: np.zeros(bins) for name in _held(file)}
        counts = {name: np.zeros(bins, dtype=np.int32) for name in sums}
        line_no = np.zeros(bins, dtype=np.int64)
        sample_id = ""
        for batch in file.iter_batches(
            batch_size=BATCH_ROWS, columns=["sample_id", "line_no", *sums]
        ):
            frame = pl.DataFrame(batch)
            sample_id = frame["sample_id"][0]
            at = ((frame["time_s"].to_numpy() - first_s) * rate_hz).astype(np.int64)
            start, stop = int(at.min()), int(at.max()) + 1
            line_no[at] = frame["line_no"].to_numpy()
            for name in sums:
                values = frame[name].to_numpy()
                seen = np.isfinite(values)
                weights = np.where(seen, values, 0.0)
                sums[name][start:stop] += np.bincount(at - start, weights, stop - start)
                counts[name][start:stop] += np.bincount(
                    at[seen] - start, minlength=stop - start
                ).astype(np.int32)
    kept = counts["engine_speed_rpm"] > 0
    columns: dict[str, pl.Series] = {}
    for name in CHANNELS:
        if name in sums:
            with np.errstate(invalid="ignore"):
                mean = sums[name][kept] / counts[name][kept]
            columns[name] = pl.Series(name, mean, nan_to_null=True)
        else:
            columns[name] = pl.Series(name, [None], dtype=pl.Float64).new_from_index(
                0, int(kept.sum())
            )
    return pl.DataFrame(
        {
            "sample_id": pl.Series("sample_id", [sample_id]).new_from_index(0, int(kept.sum())),
            "line_no": line_no[kept],
            "clock_no": np.zeros(int(kept.sum()), dtype=np.int64),
            **columns,
        }
    )


def _place(file: Any, name: str) -> int:
    return file.schema_arrow.names.index(name)


def _held(file: Any) -> list[str]:
    """Return the channels of which the file holds anything at all."""
    held = []
    for name in [name for name in CHANNELS if name in file.schema_arrow.names]:
        place = _place(file, name)
        groups = [file.metadata.row_group(at).column(place) for at in range(file.num_row_groups)]
        if any(g.statistics is None or g.statistics.null_count < g.num_values for g in groups):
            held.append(name)
    return held


def _on_one_clock(frame: pl.DataFrame, marks: dict[str, str], names: list[str]) -> Channels:
    """Return the channels of a log at the times of its main clock."""
    main = frame.filter(pl.col("clock_no") == 0)
    found = {name: main[name].to_numpy() for name in names}
    time = found["time_s"]
    for name in names:
        if name in marks:
            found[name] = np.full(main.height, np.nan)
            continue
        if name in ("time_s", "engine_speed_rpm") or not np.isfinite(time).all():
            continue
        elsewhere = main.height < frame.height and frame[name].count() > main[name].count()
        seen = main[name].count()
        if not elsewhere and not LEAST_SPARSE <= seen < SPARSE_SHARE * main.height:
            continue
        own = (
            frame.select("time_s", name)
            .drop_nulls()
            .sort("time_s")
            .unique("time_s", keep="first", maintain_order=True)
        )
        own_s, values = own["time_s"].to_numpy(), own[name].to_numpy()
        if CHANNELS[name].is_steady:  # the last value stands, no line is drawn between two
            place = np.searchsorted(own_s, time, side="right") - 1
            found[name] = np.where(place >= 0, values[np.maximum(place, 0)], np.nan)
        else:
            found[name] = aligned_to(own_s, values, time)
    return found
