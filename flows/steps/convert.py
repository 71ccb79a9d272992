"""Turns a source table into canonical channels: dictionary names, SI units, texts into numbers."""

from __future__ import annotations

import datetime as dt
import math
from typing import NamedTuple

import numpy as np
import polars as pl

from flows.readers.source import BadRow, SourceTable, UnreadableError
from schemas.columns import CHANNELS
from schemas.layout import CHANNEL_COLUMNS, HEAD_FIELDS, Layout
from schemas.samples import NEEDED
from schemas.units import conversion

SET_ASIDE_SHARE = 0.5
"""An optional channel with more of its values out of bounds is dead as a whole: its rows are still
good rows, so the channel is set aside with a note instead of all the rows being rejected."""

POWER_TORQUE_SHARE = 0.12
"""P = T·ω must hold within this: nearer than any two power units of the trade but hp and PS."""


class Converted(NamedTuple):
    """Canonical rows of one file, what was rejected on the way, and what its head says.

    `values` has one row a kept row and one column a channel, in the order of the dictionary, NaN
    where the file has nothing.
    """

    values: np.ndarray
    line_no: np.ndarray
    bad_rows: list[BadRow]
    facts: dict[str, object]


PLACE = {name: place for place, name in enumerate(CHANNELS)}
"""Column of each channel in `Converted.values`."""


def canonical(table: SourceTable, layout: Layout) -> Converted:
    """Return a source table in canonical channels.

    Parameters
    ----------
    table : SourceTable
        As read.
    layout : Layout
        What its columns mean.

    Returns
    -------
    Converted
        SI values of every canonical channel.

    Raises
    ------
    UnreadableError
        If a needed column is missing, or power and torque contradict each other.
    """
    _refuse_missing_columns(table, layout)
    bad_rows = list(table.bad_rows)
    values = np.full((table.frame.height, len(CHANNELS)), np.nan)
    broken = np.zeros(table.frame.height, dtype=bool)
    for word, channel in layout.channels.items():
        if channel.column not in table.frame.columns:
            continue
        name = CHANNEL_COLUMNS[word]
        shown, odd = _numbers(table.frame[channel.column], layout)
        step = conversion(channel.unit, CHANNELS[name].unit)
        values[:, PLACE[name]] = (shown * step.factor + step.offset) / (channel.gauge_scale or 1.0)
        if odd.any():
            broken |= odd
            bad_rows += [
                BadRow(
                    int(table.line_no[int(place)]),
                    channel.column,
                    f"{name} is a number",
                    str(table.frame[channel.column][int(place)])[:200],
                )
                for place in np.flatnonzero(odd)
            ]
    values, line_no = values[~broken], table.line_no.to_numpy()[~broken]
    notes = _set_dead_channels_aside(values, layout)
    if layout.layout.kind == "pull":
        _refuse_power_against_torque(values, layout)
    facts = _facts(table, layout, notes)
    for name in HEAD_FIELDS.values():
        # Without a head entry, a logged channel of the room's air says the same.
        if name not in facts and np.isfinite(values[:, PLACE[name]]).any():
            facts[name] = float(np.nanmedian(values[:, PLACE[name]]))
    return Converted(values, line_no, bad_rows, facts)


def _numbers(cells: pl.Series, layout: Layout) -> tuple[np.ndarray, np.ndarray]:
    """Return numbers, NaN where a cell says nothing, and where it says something else."""
    if cells.dtype.is_numeric():
        shown = cells.cast(pl.Float64).to_numpy()
        return shown, np.isinf(shown)
    text = cells.str.strip_chars()
    given = text.is_not_null() & (text != "")
    if layout.text.missing:
        given = given & ~text.is_in(layout.text.missing)
    if layout.text.decimal == ",":
        text = text.str.replace(",", ".", literal=True)
    number = text.cast(pl.Float64, strict=False)
    odd = (given & (number.is_null() | number.is_infinite())).fill_null(value=False).to_numpy()
    return number.to_numpy(), odd


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


def _set_dead_channels_aside(values: np.ndarray, layout: Layout) -> list[str]:
    """Empty the optional channels that are out of bounds as a whole; say so."""
    needed = {*NEEDED[layout.layout.kind]}
    if layout.layout.kind == "pull":
        needed |= {"wheel_power_w", "wheel_torque_nm"}
    notes = []
    for name, meaning in CHANNELS.items():
        column = values[:, PLACE[name]]
        given = column[np.isfinite(column)]
        if name in needed or not given.size:
            continue
        outside = given[(given < meaning.low) | (given > meaning.high)]
        if outside.size <= SET_ASIDE_SHARE * given.size:
            continue
        low, high = outside.min(), outside.max()
        spread = f"{low:g}" if low == high else f"{low:g} to {high:g}"
        notes.append(
            f"{name} set aside: {outside.size} of {given.size} values are {spread}, outside "
            f"{meaning.low:g} to {meaning.high:g}"
        )
        values[:, PLACE[name]] = np.nan
    return notes


def _refuse_power_against_torque(values: np.ndarray, layout: Layout) -> None:
    torque_channel = layout.channels.get("wheel_torque")
    if torque_channel is None or torque_channel.shaft == "wheel":
        return
    speed, power, torque = (
        values[:, PLACE[name]] for name in ("engine_speed_rpm", "wheel_power_w", "wheel_torque_nm")
    )
    loaded = (torque > 5) & (speed > 1500) & np.isfinite(power)
    if loaded.sum() < 20:
        return
    omega = speed[loaded] * 2 * math.pi / 60
    ratio = float(np.median(power[loaded] / (torque[loaded] * omega)))
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
