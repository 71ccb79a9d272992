"""Contracts of the samples: what one row of a pull or of a ride must be.

Key of both: `sample_id`, `clock_no`, `line_no`. Times must rise within a sample_id and clock_no:
channels that were logged on another clock than the engine speed (clock 0) have rows of their own.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from functools import cache
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np
import polars as pl

from schemas.columns import CHANNELS, Column

if TYPE_CHECKING:
    from pandera.polars import DataFrameSchema, PolarsData

SampleKind = Literal["pull", "ride"]

NEEDED: dict[str, tuple[str, ...]] = {
    "pull": ("engine_speed_rpm",),
    "ride": ("time_s", "engine_speed_rpm", "throttle_pct"),
}
"""Channels without which a row of the main clock says nothing. A pull's file may have no clock."""

FULL_CONTRACT = "ROLLBOOK_FULL_CONTRACT"
"""With this in the environment, as in tests, the whole contract judges whatever it is given."""

CLOCK_RULE = "time rises from row to row"
KEY_COLUMNS = {"sample_id": pl.String(), "line_no": pl.Int64(), "clock_no": pl.Int64()}


def bounds_rule(name: str, column: Column) -> str:
    """Return a channel's bounds as the statement that a row may break.

    >>> bounds_rule("throttle_pct", CHANNELS["throttle_pct"])
    'throttle_pct is between -5 and 110 %'
    """
    unit = f" {column.unit}" if column.unit not in ("", "1") else ""
    return f"{name} is between {column.low:g} and {column.high:g}{unit}"


def needed_rule(name: str) -> str:
    """Return the statement that a needed channel has a value."""
    return f"{name} has a value"


_RULES: dict[str, pl.Expr] = {
    CLOCK_RULE: pl.col("time_s")
    .diff()
    .over("sample_id", "clock_no")
    .pipe(lambda step: step.is_null() | (step > 0)),
    needed_rule("time_s"): pl.col("time_s").is_not_null()
    | ~pl.col("time_s").is_not_null().any().over("sample_id"),
    needed_rule("engine_speed_rpm"): pl.col("engine_speed_rpm").is_not_null()
    | (pl.col("clock_no") > 0),
    # With several clocks the throttle may run on one of its own.
    needed_rule("throttle_pct"): pl.col("throttle_pct").is_not_null()
    | (pl.col("clock_no").max().over("sample_id") > 0),
}
"""Rules over whole rows."""


def _given(kind: SampleKind) -> list[str]:
    """Return the channels that a row-wise rule asks for; a ride's time is given in every row."""
    return [*NEEDED[kind], "time_s"] if kind == "pull" else [*NEEDED[kind][1:]]


@cache
def sample_contract(kind: SampleKind) -> DataFrameSchema:
    """Return the contract of one kind of samples."""
    # Imported when a batch is judged: it brings pandas, which most commands never need.
    import pandera.polars as pa

    columns: dict[str, pa.Column] = {
        name: pa.Column(dtype, nullable=False) for name, dtype in KEY_COLUMNS.items()
    }
    for name, meaning in CHANNELS.items():
        columns[name] = pa.Column(
            pl.Float64(),
            nullable=not (kind == "ride" and name == "time_s"),
            # A failed case is told by the error text, not the name: both are the rule.
            checks=pa.Check.between(
                meaning.low,
                meaning.high,
                name=bounds_rule(name, meaning),
                error=bounds_rule(name, meaning),
            ),
            description=meaning.meaning,
            metadata={"unit": meaning.unit, "why": meaning.why},
        )

    def check(rule: str) -> pa.Check:
        def holds(data: PolarsData) -> pl.LazyFrame:
            return data.lazyframe.select(_RULES[rule])

        return pa.Check(holds, name=rule)

    return pa.DataFrameSchema(
        columns,
        checks=[check(rule) for rule in (CLOCK_RULE, *map(needed_rule, _given(kind)))],
        strict=True,
        ordered=True,
        name=f"{kind}_sample",
    )


class Failure(NamedTuple):
    """A row that broke a rule: its place in the frame, the column, the rule, what was found."""

    row: int
    column: str
    rule: str
    found: str


_RULE_COLUMNS = {
    needed_rule(name): name for names in NEEDED.values() for name in (*names, "time_s")
}


def judge_samples(kind: SampleKind, frame: pl.DataFrame) -> list[Failure]:
    """Return every failure of some samples, in the order of rows.

    Raises TypeError if the frame does not have the contract's columns.
    """
    if FULL_CONTRACT in os.environ:
        failures = _failures(kind, frame)
        if bool(failures) != is_suspect(kind, frame):
            raise AssertionError(f"the look at {kind} samples and their contract disagree")
        return failures
    return _failures(kind, frame) if is_suspect(kind, frame) else []


def is_suspect(kind: SampleKind, frame: pl.DataFrame) -> bool:
    """Whether a row breaks the contract; the rows of a sample stand together.

    A look by the same bounds and rules that costs a hundredth of what naming each failure does.
    """
    if frame.schema != {**KEY_COLUMNS, **dict.fromkeys(CHANNELS, pl.Float64())}:
        return True
    column = pl.col("sample_id")
    seen = frame.select(
        pl.all_horizontal(
            pl.col(name).is_between(meaning.low, meaning.high).all()
            for name, meaning in CHANNELS.items()
        ).alias("in bounds"),
        pl.sum_horizontal(pl.col(*KEY_COLUMNS).null_count()).alias("keys missing"),
        pl.col(*dict.fromkeys(("time_s", *NEEDED[kind]))).null_count(),
        pl.col("clock_no").max(),
        ((pl.col("time_s").diff() <= 0) & (column == column.shift())).any().alias("falls"),
    ).row(0, named=True)
    if not seen["in bounds"] or seen["keys missing"] or (kind == "ride" and seen["time_s"]):
        return True
    doubtful = [needed_rule(name) for name in _given(kind) if seen[name]]
    doubtful += [CLOCK_RULE] if seen["falls"] or seen["clock_no"] else []
    if not doubtful:
        return False
    return not all(frame.select(_RULES[rule].all().alias(rule) for rule in doubtful).row(0))


def _failures(kind: SampleKind, frame: pl.DataFrame) -> list[Failure]:
    import pandera.errors

    try:
        sample_contract(kind).validate(frame, lazy=True)
    except pandera.errors.SchemaErrors as errors:
        cases = errors.failure_cases
    else:
        return []
    if cases["index"].null_count():
        raise TypeError(f"samples of a {kind} do not have the contract's columns: {cases}")
    failures = []
    for row, column, check, value in (
        cases.sort("index", "check").select("index", "column", "check", "failure_case").iter_rows()
    ):
        # A rule over whole rows gives the contract's name in place of a column.
        name = column if column in CHANNELS else _RULE_COLUMNS.get(check, "time_s")
        found = str(value)
        if check == "not_nullable" or check in _RULE_COLUMNS:
            check, found = needed_rule(name), "nothing"
        elif check == CLOCK_RULE:
            found = f"{frame['time_s'][row]:g} s"
        failures.append(Failure(row, name, check, found[:200]))
    return failures


def samples_frame(
    sample_ids: list[str],
    channels: list[Mapping[str, np.ndarray]],
    line_no: list[np.ndarray],
    clock_no: list[np.ndarray],
) -> pl.DataFrame:
    """Return the rows of some logs as the contract wants them, in the order of the logs."""
    sizes = [rows.size for rows in line_no]
    ids = pl.Series("sample_id", sample_ids, dtype=pl.String)
    nothing = pl.Series([None], dtype=pl.Float64).new_from_index(0, sum(sizes))
    columns = []
    for name in CHANNELS:
        parts = [of_log.get(name) for of_log in channels]
        if all(part is None for part in parts):
            columns.append(nothing.alias(name))
            continue
        values = _joined(
            [
                np.full(size, np.nan) if part is None else part
                for part, size in zip(parts, sizes, strict=True)
            ]
        )
        columns.append(pl.Series(name, values, nan_to_null=bool(np.isnan(values).any())))
    return pl.DataFrame(
        [
            ids.gather(np.repeat(np.arange(len(sizes)), sizes)),
            pl.Series("line_no", _joined(line_no)),
            pl.Series("clock_no", _joined(clock_no)),
            *columns,
        ]
    )


def _joined(parts: list[np.ndarray]) -> np.ndarray:
    return np.concatenate(parts) if len(parts) > 1 else np.ascontiguousarray(parts[0])
