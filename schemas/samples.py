"""Contracts of the samples: what one row of a pull or of a ride must be.

Key of both: `sample_id`, `clock_no`, `line_no`. Times must rise within a sample_id and clock_no:
channels that were logged on another clock than the engine speed (clock 0) have rows of their own.
"""

from __future__ import annotations

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


def _time_rises(data: PolarsData) -> pl.LazyFrame:
    step = pl.col("time_s").diff().over("sample_id", "clock_no")
    return data.lazyframe.select(step.is_null() | (step > 0))


def _time_given(data: PolarsData) -> pl.LazyFrame:
    given = pl.col("time_s").is_not_null()
    return data.lazyframe.select(given | ~given.any().over("sample_id"))


def _engine_speed_given(data: PolarsData) -> pl.LazyFrame:
    return data.lazyframe.select(
        pl.col("engine_speed_rpm").is_not_null() | (pl.col("clock_no") > 0)
    )


def _throttle_given(data: PolarsData) -> pl.LazyFrame:
    # With several clocks the throttle may run on one of its own.
    return data.lazyframe.select(
        pl.col("throttle_pct").is_not_null() | (pl.col("clock_no").max().over("sample_id") > 0)
    )


_GIVEN = {
    "time_s": _time_given,
    "engine_speed_rpm": _engine_speed_given,
    "throttle_pct": _throttle_given,
}


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
    given = [*NEEDED[kind], *(["time_s"] if kind == "pull" else [])]
    return pa.DataFrameSchema(
        columns,
        checks=[
            pa.Check(_time_rises, name=CLOCK_RULE),
            *(
                pa.Check(_GIVEN[name], name=needed_rule(name))
                for name in given
                if not (kind == "ride" and name == "time_s")
            ),
        ],
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
    values: list[np.ndarray],
    line_no: list[np.ndarray],
    clock_no: list[np.ndarray],
) -> pl.DataFrame:
    """Return the rows of some logs as the contract wants them, in the order of the logs."""
    sizes = [rows.shape[0] for rows in line_no]
    ids = pl.Series("sample_id", sample_ids, dtype=pl.String)
    stacked = np.concatenate(values)
    return pl.DataFrame(
        {
            "sample_id": ids.gather(np.repeat(np.arange(len(sizes)), sizes)),
            "line_no": np.concatenate(line_no),
            "clock_no": np.concatenate(clock_no),
            **{name: stacked[:, place] for place, name in enumerate(CHANNELS)},
        },
        nan_to_null=True,
    )
