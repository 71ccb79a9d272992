"""Share: what a shop gives away of its bikes, as one file, after it was shown what that is."""

from __future__ import annotations

import datetime as dt
import hashlib
import hmac
import math
from collections import Counter
from collections.abc import Callable
from io import BytesIO
from pathlib import Path
from typing import NamedTuple

import polars as pl

from flows.answers import show, table_of
from flows.settings import kept_secret
from flows.terminal import prose
from schemas.card import ETHANOL_SHARE
from schemas.share import (
    LEAST_BIKES,
    OTHER_FUEL,
    SCHEMA,
    SHARE_VERSION,
    SHARED,
    NameBook,
    folded,
    judge_share,
    may_be_name,
    read_names,
    spellings,
)
from schemas.toml_text import MOST_CHARACTERS
from warehouse import wording
from warehouse.questions import ask
from warehouse.shop import ShopFolder
from warehouse.snapshot import Snapshot, open_reader
from warehouse.whole_file import write_whole

SECRET = "share-secret"  # noqa: S105 - the name of a file
NAMES = "names.toml"
DIGITS_GAIN = 4
"""0.01 %: no comparison is better, and a customer's own sheet would not find its row."""
DIGITS_VARIANCE = 2
MOST_SHOWN = 3
SUFFIX = ".parquet"
BETWEEN_PARTS = " + "


class ToShare(NamedTuple):
    """What would leave the shop, and what stays for its name."""

    rows: pl.DataFrame
    stay: dict[str, int]
    """Names that stay here, with the bikes that carry them."""
    rows_left_behind: int


def to_share(shop: Path, snapshot: Snapshot) -> ToShare:
    """Return what a shop may give away, from its published snapshot."""
    with open_reader(snapshot.path) as reader:
        found = ask(reader, "to_share")
    book = names_of(ShopFolder(shop).pool / NAMES)
    counts = _bikes_by_name(found)
    names = {kind: _names_that_leave(counts[kind], getattr(book, kind)) for kind in counts}
    known = found.filter(pl.col("model_id").is_in(list(names["models"])))
    stay = {
        name: bikes
        for kind, of_kind in counts.items()
        for name, bikes in of_kind.items()
        if name not in names[kind]
    }
    judged = judge_share(_rows(known, names, _ids(shop), snapshot.number))
    return ToShare(judged.kept, stay, found.height - judged.kept.height)


def names_of(path: Path) -> NameBook:
    """Return a dictionary of names; an empty one where there is none.

    Raises MistakesError: With every mistake in it.
    """
    # A folder that many write to may hold a pipe that never ends, or a file of gigabytes.
    if not path.is_file():
        return NameBook()
    with path.open("rb") as file:
        text = file.read(4 * MOST_CHARACTERS + 1).decode(errors="replace")
    return read_names(text, path.name)


def _bikes_by_name(found: pl.DataFrame) -> dict[str, Counter[str]]:
    """Return how many bikes carry each model and each part."""
    bikes = found.select("bike_id", "model_id").unique()
    parts = found.select("bike_id", "parts").explode("parts").drop_nulls().unique()
    return {"models": Counter(bikes["model_id"]), "parts": Counter(parts["parts"])}


def _names_that_leave(counts: Counter[str], known: dict[str, list[str]]) -> dict[str, str]:
    """Return how each name leaves: as the dictionary has it, or as it is where several have it."""
    by_spelling = spellings(known)
    return {
        name: by_spelling.get(folded(name), name)
        for name, bikes in counts.items()
        if folded(name) in by_spelling or (bikes >= LEAST_BIKES and may_be_name(name))
    }


def _ids(shop: Path) -> Callable[[str, str], str]:
    """Return what makes ids: without the shop's secret they cannot be turned back."""
    folder = ShopFolder(shop).pool
    folder.mkdir(mode=0o700, exist_ok=True)
    secret = kept_secret(folder / SECRET).encode()

    def made(kind: str, name: str) -> str:
        return hmac.new(secret, f"{kind}:{name}".encode(), hashlib.sha256).hexdigest()[:16]

    return made


def _rows(
    found: pl.DataFrame,
    names: dict[str, dict[str, str]],
    id_of: Callable[[str, str], str],
    share_no: int,
) -> pl.DataFrame:
    """Return the rows of a share file, in an order that says nothing."""
    made = [
        {
            "share_version": SHARE_VERSION,
            "share_no": share_no,
            "shop_id": id_of("shop", ""),
            "dyno_id": id_of("dyno", row["dyno"]),
            "bike_id": id_of("bike", row["bike_id"]),
            "model": names["models"][row["model_id"]],
            "change": row["change_key"],
            "parts": _parts(row["parts"], names["parts"]),
            "fuel": row["fuel"].upper() if row["fuel"].upper() in ETHANOL_SHARE else OTHER_FUEL,
            "reference_air": row["reference_air"],
            "air_state": row["air_state"],
            "mounting": row["mounting"],
            **_quarter(row["run_on"]),
            "lean_grade": row["level"],
            **{
                name: _rounded(name, row[name]) for name in SCHEMA if name in row and "gain" in name
            },
        }
        for row in found.iter_rows(named=True)
    ]
    return pl.DataFrame(made, schema=SCHEMA).sort("bike_id", "change", "log_mean_gain")


def _parts(parts: list[str] | None, names: dict[str, str]) -> str | None:
    """Return all parts by name; of a change of which one part's name stays, none."""
    if not parts or any(part not in names for part in parts):
        return None
    joined = BETWEEN_PARTS.join(sorted(names[part] for part in parts))
    return joined if may_be_name(joined) else None


def _quarter(day: dt.date) -> dict[str, int]:
    return {"year": day.year, "quarter": (day.month + 2) // 3}


def _rounded(name: str, value: float | None) -> float | None:
    if value is None:
        return None
    return round(value, DIGITS_GAIN) if name.startswith("log_") else float(
        f"{value:.{DIGITS_VARIANCE - 1}e}"
    )  # fmt: skip


def print_preview(found: ToShare) -> None:
    """Print what leaves the shop, and what stays."""
    rows = found.rows
    prose(
        f"This is all that leaves: {wording.counted(rows.height, 'row')} on "
        f"{wording.counted(rows['bike_id'].n_unique(), 'bike')}, "
        f"{wording.counted(rows['model'].n_unique(), 'model')} and "
        f"{wording.counted(rows['change'].n_unique(), 'kind')} of change. No owner, bike "
        "reference, job, file, position, note or day.",
        style="bold",
    )
    for kind, column in (("Models", "model"), ("Parts", "parts")):
        named = rows[column].drop_nulls().unique().sort().to_list()
        prose(f"{kind} by name: {'; '.join(named) or 'none'}.")
    if found.stay:
        prose(
            f"Names that stay here, as fewer than {LEAST_BIKES} bikes carry them and {NAMES} does "
            f"not know them: {'; '.join(sorted(found.stay))}.",
            style="dim",
        )
    if found.rows_left_behind:
        prose(
            f"{wording.counted(found.rows_left_behind, 'row')} stay: their model's name stays, or "
            "a figure is outside what any engine does.",
            style="dim",
        )
    if rows.is_empty():
        return
    prose("All that the first row says:")
    for name, value in rows.row(0, named=True).items():
        meaning = SHARED[name].meaning.removesuffix(".").replace("[1]", "").strip()
        prose(f"  {meaning}: {'not told' if value is None else value}")
    titles = [("model", "left"), ("change", "left"), ("gain, %", "right")]
    shown = [
        (row["model"], row["change"], wording.signed(100 * math.expm1(row["log_mean_gain"])))
        for row in rows.slice(1, MOST_SHOWN).iter_rows(named=True)
    ]
    show(table_of("The next ones", titles), shown)


def write_share(path: Path, rows: pl.DataFrame) -> None:
    """Write a share file; it says no more than its rows."""
    held = BytesIO()
    rows.write_parquet(held, compression="zstd")
    write_whole(path, held.getvalue())
