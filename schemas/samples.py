"""Contracts of the samples: what one row of a pull or of a ride must be.

Key of both: `sample_id`, `line_no`. Times must rise within a sample_id.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Literal

import polars as pl

from schemas.columns import CHANNELS, Column

if TYPE_CHECKING:
    from pandera.polars import DataFrameSchema, PolarsData

SampleKind = Literal["pull", "ride"]

NEEDED: dict[str, tuple[str, ...]] = {
    "pull": ("time_s", "engine_speed_rpm"),
    "ride": ("time_s", "engine_speed_rpm", "throttle_pct"),
}
"""Channels without which a row says nothing."""

CLOCK_RULE = "time rises from row to row"
KEY_COLUMNS = {"sample_id": pl.String(), "line_no": pl.Int64()}


def bounds_rule(name: str, column: Column) -> str:
    """Return a channel's bounds as the statement that a row may break.

    Parameters
    ----------
    name : str
        Column.
    column : Column
        Its entry in the dictionary.

    Returns
    -------
    str
        Statement.

    Examples
    --------
    >>> bounds_rule("throttle_pct", CHANNELS["throttle_pct"])
    'throttle_pct is between -5 and 110 %'
    """
    unit = f" {column.unit}" if column.unit not in ("", "1") else ""
    return f"{name} is between {column.low:g} and {column.high:g}{unit}"


def needed_rule(name: str) -> str:
    """Return the statement that a needed channel has a value.

    Parameters
    ----------
    name : str
        Column.

    Returns
    -------
    str
        Statement.
    """
    return f"{name} has a value"


def _time_rises(data: PolarsData) -> pl.LazyFrame:
    step = pl.col("time_s").diff().over("sample_id")
    return data.lazyframe.select(step.is_null() | (step > 0))


@cache
def sample_contract(kind: SampleKind) -> DataFrameSchema:
    """Return the contract of one kind of samples.

    Parameters
    ----------
    kind : {"pull", "ride"}
        What was logged.

    Returns
    -------
    pandera.polars.DataFrameSchema
        Strict and ordered; judge an eager frame with `lazy=True`.
    """
    # Imported when a batch is judged: it brings pandas, which most commands never need.
    import pandera.polars as pa

    columns: dict[str, pa.Column] = {
        name: pa.Column(dtype, nullable=False) for name, dtype in KEY_COLUMNS.items()
    }
    for name, meaning in CHANNELS.items():
        columns[name] = pa.Column(
            pl.Float64(),
            nullable=name not in NEEDED[kind],
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
    return pa.DataFrameSchema(
        columns,
        checks=pa.Check(_time_rises, name=CLOCK_RULE),
        strict=True,
        ordered=True,
        name=f"{kind}_sample",
    )
