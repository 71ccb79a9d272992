"""Reads stored samples for deriving: channels brought onto one clock, on purpose and only here."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl

from flows.metrics.clocks import aligned_to
from schemas.columns import CHANNELS
from schemas.samples import KEY_COLUMNS
from warehouse.shop import ShopFolder

MANY_ROWS = 2_000_000
"""A log of more rows is thinned while it is read: it need not fit into memory."""

THINNED_HZ = 50.0
"""Part-throttle evidence changes within tenths of a second; means over 20 ms lose none of it."""

STEADY_CHANNELS = {"gear"}
"""Channels that jump from value to value: the last one stands, no line is drawn between two."""

SPARSE_SHARE = 0.7
"""A channel seen in fewer of the rows was logged at a slower rate and is drawn through."""


def read_samples(shop: ShopFolder, logs: list[dict[str, Any]]) -> dict[str, pl.DataFrame]:
    """Return the samples of some logs, by sample_id, in the order of their lines, on one clock.

    Channels that run on a clock of their own, or were logged at a slower rate, are brought onto
    the engine speed's clock by straight lines over no more than a lost sample.

    Parameters
    ----------
    shop : ShopFolder
        The shop.
    logs : list of dict
        Rows with sample_id, sample_path and rows_kept; `marks` may name channels that are no
        evidence, which come back empty.

    Returns
    -------
    dict of str to polars.DataFrame
        Canonical channels, float columns in the order of the dictionary.
    """
    wanted: dict[str, dict[str, dict[str, Any]]] = {}
    for log in logs:
        wanted.setdefault(log["sample_path"], {})[log["sample_id"]] = log
    found: dict[str, pl.DataFrame] = {}
    for path, of_path in sorted(wanted.items()):
        if any(log["rows_kept"] > MANY_ROWS for log in of_path.values()):
            (sample_id,) = of_path
            found[sample_id] = _thinned(shop, path)
            continue
        frame = pl.read_parquet(shop.root / path)
        # Intake writes log after log, each in the order of its lines: cut at the runs.
        runs = frame["sample_id"].rle().struct.unnest()
        start = 0
        for length, sample_id in runs.iter_rows():
            if sample_id in of_path:
                found[sample_id] = frame.slice(start, length)
            start += length
    marks = {log["sample_id"]: log.get("marks") or {} for log in logs}
    return {sample_id: _on_one_clock(frame, marks[sample_id]) for sample_id, frame in found.items()}


def _thinned(shop: ShopFolder, path: str) -> pl.DataFrame:
    """Return a very long log as means over steps of 1 / THINNED_HZ, of all clocks together."""
    bins = (pl.col("time_s") * THINNED_HZ).floor()
    return (
        pl.scan_parquet(shop.root / path)
        .group_by(bins.alias("bin"))
        .agg(
            pl.col("sample_id").first(),
            pl.col("line_no").min(),
            pl.col("clock_no").min(),
            *(pl.col(name).mean() for name in CHANNELS),
        )
        .sort("bin")
        .select(*KEY_COLUMNS, *CHANNELS)
        .collect(engine="streaming")
    )


def _on_one_clock(frame: pl.DataFrame, marks: dict[str, str]) -> pl.DataFrame:
    """Return the rows of the main clock with every channel at their times."""
    main = frame.filter(pl.col("clock_no") == 0)
    time = main["time_s"].to_numpy()
    changed: list[pl.Series] = []
    for name in CHANNELS:
        if name in marks:
            changed.append(pl.Series(name, [None] * main.height, dtype=pl.Float64))
            continue
        if name in ("time_s", "engine_speed_rpm") or not np.isfinite(time).all():
            continue
        elsewhere = main.height < frame.height and frame[name].count() > main[name].count()
        seen = main[name].count()
        if not elsewhere and not 10 <= seen < SPARSE_SHARE * main.height:
            continue
        own = (
            frame.select("time_s", name)
            .drop_nulls()
            .sort("time_s")
            .unique("time_s", keep="first", maintain_order=True)
        )
        values = own[name].to_numpy()
        if name in STEADY_CHANNELS:
            place = np.searchsorted(own["time_s"].to_numpy(), time, side="right") - 1
            brought = np.where(place >= 0, values[np.maximum(place, 0)], np.nan)
        else:
            brought = aligned_to(own["time_s"].to_numpy(), values, time)
        changed.append(pl.Series(name, brought, nan_to_null=True))
    return main.with_columns(changed) if changed else main
