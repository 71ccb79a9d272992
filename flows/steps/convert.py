"""Turns a source table into canonical channels: dictionary names, SI units, texts into numbers."""

from __future__ import annotations

import datetime as dt
import math
from typing import NamedTuple

import numpy as np
import polars as pl

from flows.readers.source import BadRow, SourceTable, UnreadableError
from schemas.columns import CHANNELS
from schemas.layout import CHANNEL_COLUMNS, HEAD_FIELDS, Channel, Layout
from schemas.samples import NEEDED
from schemas.units import conversion

SET_ASIDE_SHARE = 0.5
"""An optional channel with more of its values out of bounds is dead as a whole: its rows are still
good rows, so the channel is set aside with a note instead of all the rows being rejected."""

POWER_TORQUE_SHARE = 0.12
"""P = T·ω must hold within this: nearer than any two power units of the trade but hp and PS."""


class Converted(NamedTuple):
    """Canonical rows of one file, what was rejected on the way, and what its head says."""

    frame: pl.DataFrame
    bad_rows: list[BadRow]
    facts: dict[str, object]


def canonical(table: SourceTable, layout: Layout, sample_id: str) -> Converted:
    """Return a source table in canonical channels.

    Parameters
    ----------
    table : SourceTable
        As read.
    layout : Layout
        What its columns mean.
    sample_id : str
        Key of the samples.

    Returns
    -------
    Converted
        Frame with every canonical channel in the dictionary's order; those that the file does
        not have are null.

    Raises
    ------
    UnreadableError
        If a needed column is missing, or power and torque contradict each other.
    """
    _refuse_missing_columns(table, layout)
    bad_rows = list(table.bad_rows)
    present = {
        CHANNEL_COLUMNS[word]: channel
        for word, channel in layout.channels.items()
        if channel.column in table.frame.columns
    }
    # One pass over all columns: a call of its own for each would cost more than the work.
    made = table.frame.select(
        expression
        for name, channel in present.items()
        for expression in _channel_expressions(table, layout, name, channel)
    )
    odd = [f"{name}{_ODD}" for name in present if made[f"{name}{_ODD}"].any()]
    for mark in odd:
        name = mark.removesuffix(_ODD)
        column = present[name].column
        bad_rows += [
            BadRow(table.line_no[index], column, f"{name} is a number", str(text)[:200])
            for index, text in zip(
                made[mark].arg_true(), table.frame[column].filter(made[mark]), strict=True
            )
        ]
    frame = made.select(
        pl.lit(sample_id).alias("sample_id"),
        table.line_no.alias("line_no"),
        *(
            pl.col(name) if name in present else pl.lit(None, dtype=pl.Float64).alias(name)
            for name in CHANNELS
        ),
    )
    if odd:
        frame = frame.filter(~made.select(pl.any_horizontal(odd)).to_series())
    frame, notes = _set_dead_channels_aside(frame, layout)
    if frame.height and layout.layout.kind == "pull":
        _refuse_power_against_torque(frame, layout)
    facts = _facts(table, layout, notes)
    for name in HEAD_FIELDS.values():
        # Without a head entry, a logged channel of the room's air says the same.
        if name not in facts and (middle := frame[name].median()) is not None:
            facts[name] = float(middle)  # type: ignore[arg-type]
    return Converted(frame, bad_rows, facts)


_ODD = " is odd"


def _channel_expressions(
    table: SourceTable, layout: Layout, name: str, channel: Channel
) -> tuple[pl.Expr, pl.Expr]:
    """Return the channel in SI, and where its cells hold something else than a number."""
    cell = pl.col(channel.column)
    if table.frame.schema[channel.column].is_numeric():
        value = cell.cast(pl.Float64)
        given = cell.is_not_null()
    else:
        text = cell.str.strip_chars()
        given = cell.is_not_null() & (text != "")
        if layout.text.missing:
            given = given & ~text.is_in(layout.text.missing)
        if layout.text.decimal == ",":
            text = text.str.replace(",", ".", literal=True)
        value = text.cast(pl.Float64, strict=False)
    is_number = value.is_not_null() & value.is_finite()
    step = conversion(channel.unit, CHANNELS[name].unit)
    scaled = (value * step.factor + step.offset) / (channel.gauge_scale or 1.0)
    return (
        pl.when(given & is_number).then(scaled).alias(name),
        (given & ~is_number.fill_null(value=False)).fill_null(value=False).alias(f"{name}{_ODD}"),
    )


def _refuse_missing_columns(table: SourceTable, layout: Layout) -> None:
    needed = set(NEEDED[layout.layout.kind])
    present = {
        CHANNEL_COLUMNS[word]
        for word, channel in layout.channels.items()
        if channel.column in table.frame.columns
    }
    if layout.layout.kind == "pull" and not present & {"wheel_power_w", "wheel_torque_nm"}:
        needed |= {"wheel_power_w"}
    for word, channel in layout.channels.items():
        name = CHANNEL_COLUMNS[word]
        if name in needed and name not in present:
            raise UnreadableError(
                "column missing",
                f"column {channel.column!r} ({name}) is missing",
                "Export the file again with that column, or correct the layout.",
            )


def _set_dead_channels_aside(
    frame: pl.DataFrame, layout: Layout
) -> tuple[pl.DataFrame, list[str]]:
    needed = {*NEEDED[layout.layout.kind]}
    if layout.layout.kind == "pull":
        needed |= {"wheel_power_w", "wheel_torque_nm"}
    optional = [name for name in CHANNELS if name not in needed]
    seen = frame.select(
        expression
        for name in optional
        for expression in (
            pl.col(name).count().alias(f"{name} given"),
            (~pl.col(name).is_between(CHANNELS[name].low, CHANNELS[name].high))  # type: ignore[arg-type]
            .sum()
            .alias(f"{name} outside"),
        )
    ).row(0, named=True)
    notes = []
    for name in optional:
        given, outside = seen[f"{name} given"], seen[f"{name} outside"] or 0
        if outside <= SET_ASIDE_SHARE * given:
            continue
        meaning = CHANNELS[name]
        values = frame[name].filter(~frame[name].is_between(meaning.low, meaning.high))
        low, high = values.min(), values.max()
        spread = f"{low:g}" if low == high else f"{low:g} to {high:g}"
        notes.append(
            f"{name} set aside: {outside} of {given} values are {spread}, outside "
            f"{meaning.low:g} to {meaning.high:g}"
        )
        frame = frame.with_columns(pl.lit(None, dtype=pl.Float64).alias(name))
    return frame, notes


def _refuse_power_against_torque(frame: pl.DataFrame, layout: Layout) -> None:
    torque = layout.channels.get("wheel_torque")
    if torque is None or torque.shaft == "wheel":
        return
    loaded = frame.filter((pl.col("wheel_torque_nm") > 5) & (pl.col("engine_speed_rpm") > 1500))
    if loaded["wheel_power_w"].drop_nulls().len() < 20:
        return
    omega = loaded["engine_speed_rpm"].to_numpy() * 2 * np.pi / 60
    torque_power = loaded["wheel_torque_nm"].to_numpy() * omega
    ratio = float(np.nanmedian(loaded["wheel_power_w"].to_numpy() / torque_power))
    if abs(ratio - 1) <= POWER_TORQUE_SHARE:
        return
    # A number in PS read as kW comes out 1 / 0.7355 = 1.36 times too large, and so on.
    likely = {
        "power in PS where the layout says kW": 1 / 0.73549875,
        "power in kW where the layout says PS": 0.73549875,
        "power in hp where the layout says kW": 1 / 0.7456998716,
        "power in kW where the layout says hp": 0.7456998716,
        "torque in lbf·ft where the layout says N·m": 1.3558179483,
        "torque in N·m where the layout says lbf·ft": 1 / 1.3558179483,
    }
    cause = min(likely, key=lambda word: abs(math.log(ratio / likely[word])))
    raise UnreadableError(
        "power and torque disagree",
        f"power is {ratio:.3f} times torque × engine speed, where it must be 1",
        f"Check the units in the layout; likely {cause}.",
    )


def _facts(table: SourceTable, layout: Layout, notes: list[str]) -> dict[str, object]:
    facts: dict[str, object] = {"notes": notes}
    for field, entry in layout.metadata.fields.items():
        text = table.head.get(entry.key)
        if text is None or not text.strip():
            continue
        if field in HEAD_FIELDS:
            name = HEAD_FIELDS[field]
            value = _head_number(text, layout)
            if value is None:
                notes.append(f"{entry.key}: {text!r} is not a number and was left out")
                continue
            step = conversion(entry.unit or "1", CHANNELS[name].unit)
            value = value * step.factor + step.offset
            meaning = CHANNELS[name]
            if not meaning.low <= value <= meaning.high:  # type: ignore[operator]
                notes.append(
                    f"{entry.key}: {text} means {value:.6g} {meaning.unit}, outside "
                    f"{meaning.low:g} to {meaning.high:g}, and was left out"
                )
                continue
            facts[name] = value
        elif field == "started_at":
            try:
                started = dt.datetime.strptime(text.strip(), entry.format or "")  # noqa: DTZ007
                facts["started_at"] = started.isoformat()
            except ValueError:
                notes.append(f"{entry.key}: {text!r} is not a time of the form {entry.format}")
        elif field == "gear":
            gear = _head_number(text, layout)
            if gear is not None:
                facts["file_gear"] = int(gear)
    if layout.power is not None:
        facts["power_state"] = layout.power.state
        facts["file_standard"] = layout.power.standard
        if layout.power.factor_key is not None:
            text = table.head.get(layout.power.factor_key)
            factor = _head_number(text, layout) if text else None
            if factor is not None and 0.5 < factor < 2.0:
                facts["file_factor"] = factor
            elif text:
                notes.append(f"{layout.power.factor_key}: {text!r} is no correction factor")
    for word in ("lambda_wide", "lambda_wide_2"):
        if word in layout.channels:
            facts.setdefault("probe_place", layout.channels[word].probe)
            facts.setdefault("probe_delay_s", layout.channels[word].delay_s)
    return facts


def _head_number(text: str, layout: Layout) -> float | None:
    # The unit may be glued behind: "24.5 degC", "978 mbar".
    word = text.strip().split()[0] if text.strip() else ""
    if layout.text.decimal == ",":
        word = word.replace(",", ".")
    try:
        value = float(word.rstrip("%°"))
    except ValueError:
        return None
    return value if math.isfinite(value) else None
