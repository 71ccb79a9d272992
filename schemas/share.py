"""What a shop gives away of a bike, and what it takes from others: the contract of a share file.

Every text is a code of a closed list, an id that cannot be turned back, or a name that stands in
the dictionary of names or on several bikes. Nothing else that a person wrote has a place here.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping
from typing import Literal, NamedTuple, get_args

import polars as pl
from pydantic import Field, model_validator

from schemas.card import CATEGORIES, ETHANOL_SHARE
from schemas.settings import Figures
from schemas.toml_text import MistakesError, Strict, read_toml

SHARE_VERSION = 1
"""Raise it when a column comes or goes; an older file is refused with what to do."""
LEAST_BIKES = 3
"""A name that fewer bikes carry and the dictionary does not know may be one customer's: it stays.
Our judgement, no source."""
OTHER_FUEL = "other"
LEAST_SD_SHARE = 0.0005
"""No dyno compares to better than 0.05 %. Common practice, no source."""
MOST_SD_SHARE = 0.2
MOST_LOG_GAIN = 0.7
"""Twice the power or half of it: no change of parts and map on one engine."""

Kind = Literal["id", "code", "name", "number"]


class Shared(NamedTuple):
    """One column: what it means, and what of it may be in a file."""

    kind: Kind
    meaning: str
    codes: tuple[str, ...] = ()
    pattern: str = ""
    low: float = 0.0
    high: float = 0.0
    whole: bool = False
    nullable: bool = False


_ID = r"[0-9a-f]{16}"
_NAME = r"[\w][\w .,/()&'+–-]*"
MOST_SIGNS = 240
_STEP = rf"(?:{'|'.join(CATEGORIES)})"
_GROUND = rf"(?:standard parts|{_STEP}(?: \+ {_STEP})*)"
_CHANGED = rf"{_STEP}(?: swapped| taken off)?"
CHANGE = (
    rf"(?:(?:remap|revision), on {_GROUND}|fuel changed(?:, on {_GROUND})?"
    rf"|{_CHANGED}(?: \+ {_CHANGED})*(?:, on {_GROUND})?, "
    r"(?:map untouched|with (?:remap|revision)))(?:, other fuel)?"
)
"""A kind of change, made of categories of parts and fixed words only."""
_AIR = get_args(Figures.model_fields["reference_air"].annotation)


def _gain(meaning: str, *, nullable: bool = False) -> Shared:
    return Shared("number", meaning, low=-MOST_LOG_GAIN, high=MOST_LOG_GAIN, nullable=nullable)


def _variance(meaning: str, *, nullable: bool = False) -> Shared:
    return Shared(
        "number", meaning, low=LEAST_SD_SHARE**2, high=MOST_SD_SHARE**2, nullable=nullable
    )


SHARED: dict[str, Shared] = {
    "share_version": Shared("number", "Version of this form.", low=1, high=999, whole=True),
    "share_no": Shared(
        "number", "Rises with each file of a shop: the highest counts.", high=1e9, whole=True
    ),
    "shop_id": Shared("id", "The shop, drawn by lot.", pattern=_ID),
    "dyno_id": Shared("id", "The dyno, by the shop's own secret.", pattern=_ID),
    "bike_id": Shared("id", "The bike, by the shop's own secret.", pattern=_ID),
    "model": Shared(
        "name", "Make, model, first and last year, displacement [cm^3].", pattern=_NAME
    ),
    "change": Shared("code", "Kind of change: categories and map.", pattern=CHANGE),
    "parts": Shared(
        "name", "Makers and names of the parts that were fitted.", pattern=_NAME, nullable=True
    ),
    "fuel": Shared("code", "Fuel in the tank after it.", codes=(*ETHANOL_SHARE, OTHER_FUEL)),
    "reference_air": Shared("code", "Standard of the air correction.", codes=_AIR),
    "air_state": Shared(
        "code", "Whether the weather of both sides is known.", codes=("reference", "observed")
    ),
    "mounting": Shared(
        "code", "How the bike was handled.", codes=("stayed strapped", "taken off", "put back")
    ),
    "year": Shared("number", "Year of the last run.", low=1980, high=2200, whole=True),
    "quarter": Shared("number", "Quarter of the last run.", low=1, high=4, whole=True),
    "lean_grade": Shared(
        "code", "Lean grade after it.", codes=("none", "notice", "warn", "stop"), nullable=True
    ),
    "log_mean_gain": _gain("Log of the gain over the riding range [1]."),
    "mean_gain_variance": _variance("Its variance, from measurement [1]."),
    "log_peak_gain": _gain("Log of the gain at the peak [1].", nullable=True),
    "peak_gain_variance": _variance("Its variance [1].", nullable=True),
}


SCHEMA: dict[str, pl.DataType] = {
    name: pl.String() if of.kind != "number" else pl.Int64() if of.whole else pl.Float64()
    for name, of in SHARED.items()
}
"""How each column is stored."""


class Judged(NamedTuple):
    """Rows that keep the contract, and how many broke which rule."""

    kept: pl.DataFrame
    rejected: dict[str, int]


def judge_share(frame: pl.DataFrame) -> Judged:
    """Return the rows that keep the contract.

    Raises TypeError if the frame does not have the contract's columns.
    """
    if dict(frame.schema) != SCHEMA:
        raise TypeError("not the columns of a share file")
    keeps = frame.select(_keeps(name, column) for name, column in SHARED.items())
    rejected = {name: int((~keeps[name]).sum()) for name in sorted(SHARED)}
    kept = frame.filter(keeps.select(pl.all_horizontal(pl.all())).to_series())
    return Judged(kept, {name: count for name, count in rejected.items() if count})


def _keeps(name: str, column: Shared) -> pl.Expr:
    """Tell of each value whether it may stand in its column."""
    values = pl.col(name)
    if column.codes:
        keeps = values.is_in(column.codes)
    elif column.pattern:
        is_short = values.str.len_chars() <= MOST_SIGNS
        keeps = values.str.contains(f"^{column.pattern}$") & is_short
    else:
        keeps = values.is_between(column.low, column.high)
    return keeps.fill_null(value=column.nullable)


def may_be_name(text: str) -> bool:
    """Whether a text has the form of a name: one line of letters, digits and few signs."""
    return len(text) <= MOST_SIGNS and bool(re.fullmatch(_NAME, text))


class NameBook(Strict):
    """The dictionary of names that shops share: each with its other spellings."""

    models: dict[str, list[str]] = Field(default_factory=dict)
    parts: dict[str, list[str]] = Field(default_factory=dict)

    @model_validator(mode="after")
    def each_spelling_means_one_name(self) -> NameBook:
        """Refuse a spelling that stands under two names: either would be wrong for somebody."""
        for kind in (self.models, self.parts):
            seen: dict[str, str] = {}
            for name, others in kind.items():
                for spelling in (name, *others):
                    if seen.setdefault(folded(spelling), name) != name:
                        raise ValueError(
                            f"{spelling!r} stands under {seen[folded(spelling)]!r} and {name!r}"
                        )
        return self


def read_names(text: str, source: str) -> NameBook:
    """Return a dictionary of names.

    Raises MistakesError: With every mistake in the text.
    """
    book = read_toml(text, NameBook, source)
    odd = [name for kind in (book.models, book.parts) for name in kind if not may_be_name(name)]
    if odd:
        raise MistakesError(source, [f"{name!r} is no name of one short line" for name in odd])
    return book


def folded(name: str) -> str:
    """Return a name without case, blanks, accents and punctuation.

    >>> folded("Halden S-2 Slip-On") == folded("halden s2 slip on")
    True
    """
    plain = unicodedata.normalize("NFKD", name).casefold()
    return "".join(sign for sign in plain if sign.isalnum())


def spellings(known: Mapping[str, Iterable[str]]) -> dict[str, str]:
    """Return the name in the dictionary by each folded spelling of it."""
    return {folded(one): name for name, others in known.items() for one in (name, *others)}
