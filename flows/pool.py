"""Pool: the share files of many shops, held together with this shop's own bikes.

Files of others are hostile bytes: read apart with limits, judged by the contract, and each shop
held against itself and the others before it counts.
"""

from __future__ import annotations

import re
import stat
from io import BytesIO
from pathlib import Path
from typing import NamedTuple

import numpy as np
import polars as pl

from flows.apart import Limits, Worker, worker
from flows.metrics.chain import Chain, agrees_too_well, chain, offsets
from flows.readers.source import UnreadableError
from flows.share import BETWEEN_PARTS, NAMES, SUFFIX, names_of, to_share
from flows.steps.everywhere import FIGURES_SCHEMA
from flows.terminal import prose, say
from schemas.share import (
    SHARE_VERSION,
    SHARED,
    Judged,
    NameBook,
    folded,
    judge_share,
    spellings,
)
from warehouse.questions import ask
from warehouse.shop import ShopFolder
from warehouse.snapshot import Snapshot, open_reader
from warehouse.whole_file import write_whole
from warehouse.wording import counted, number, signed

MOST_BYTES = 64_000_000
MOST_ROWS = 300_000
"""A shop of ten years has 5,000 bikes and some 15,000 rows."""
LIMITS = Limits(memory_mb=700.0, processor_s=10.0)
SAME_ROWS_SHARE = 0.5
LEAST_SAME_ROWS = 5
"""Shops that hold so many rows alike to the last digit are one: chance gives a few in ten years."""
ODD_SD_FACTOR = 5.0
"""Sound shops state scatters within a factor of two or three of each other: common practice, no
source."""
LEAST_SHOPS = 4
"""That must be there before one of them is called odd."""
ODD_P = 0.05
"""Of any shop being called odd by chance, over all of them."""
NEAR_SCORE = 85.0
MOST_LISTED = 12
FIGURES = {"mean gain over the riding range": "mean", "peak against peak": "peak"}
OWN = "this shop"
_YEARS = re.compile(r"\b(\d{4})-(\d{4})\b")
_COUNTED = [
    "shop_id", "dyno_id", "bike_id", "model", "change", "parts", "log_mean_gain",
    "mean_gain_variance", "log_peak_gain", "peak_gain_variance",
]  # fmt: skip
_KEPT = ["share_no", "year", "quarter", *_COUNTED]
_ALIKE = ["model", "change", "year", "quarter", "log_mean_gain", "mean_gain_variance"]


class Pooled(NamedTuple):
    """What the pool says, and what stands about it in words."""

    figures: pl.DataFrame
    shops: int
    bikes: int
    refused: list[str]
    left_out: list[str]
    odd: list[str]
    unresolved: list[str]
    """Lines for the dictionary of names, with what each may be."""


class ShareRefusedError(ValueError):
    """A file in the pool's folder is no share file of this version."""


def pool(folder: Path, shop: Path, snapshot: Snapshot) -> Pooled:
    """Pool the share files of a folder with the shop's own bikes, and keep it in the shop.

    Raises MistakesError if the dictionary of names has mistakes.
    """
    book = names_of(folder / NAMES)
    own = to_share(shop, snapshot).rows
    with open_reader(snapshot.path) as reader:
        own_models = ask(reader, "quote_models")["model_id"].to_list()
    files, refused = read_files(folder)
    rows, left_out = one_file_a_shop(own, files)
    files.clear()  # half of the memory
    rows, odd_ones = sound_shops(rows)
    named, unresolved = with_names(rows, book)
    figures, odd = pooled_figures(named, own)
    figures = _as_spelt_here(figures, own_models, book)
    held = BytesIO()
    figures.write_parquet(held)
    if (folder / NAMES).is_file():
        write_whole(ShopFolder(shop).pool / NAMES, (folder / NAMES).read_bytes())
    # Last: whoever sees the figures may share by the names behind them.
    write_whole(ShopFolder(shop).everywhere, held.getvalue())
    return Pooled(
        figures,
        rows["shop_id"].n_unique(),
        rows.select("shop_id", "bike_id").n_unique(),
        refused,
        left_out + odd_ones,
        odd,
        unresolved,
    )


def read_files(folder: Path) -> tuple[dict[str, pl.DataFrame], list[str]]:
    """Return the rows of each share file, and why others, or some of their rows, do not count."""
    found, refused = {}, []
    with worker(_ready) as apart:
        for path in sorted(folder.glob(f"*{SUFFIX}")):
            try:
                judged = _read_apart(path, apart)
            except (UnreadableError, ShareRefusedError) as error:
                refused.append(f"{path.name}: {error}")
                continue
            except OSError as error:  # gone since it was listed, or a disk that fails
                refused.append(f"{path.name}: cannot be read ({error.strerror})")
                continue
            if judged.rejected:
                told = ", ".join(f"{name} in {count}" for name, count in judged.rejected.items())
                refused.append(f"{path.name}: rows with impossible values left out: {told}")
            rows = judged.kept.unique(maintain_order=True)
            if again := judged.kept.height - rows.height:
                refused.append(f"{path.name}: {counted(again, 'row')} said again, each counts once")
            found[path.name] = rows.select(_KEPT)
    return found, refused


def _read_apart(path: Path, apart: Worker) -> Judged:
    told = path.lstat()
    if not stat.S_ISREG(told.st_mode):
        raise ShareRefusedError("a link or no plain file")
    if told.st_size > MOST_BYTES:
        raise ShareRefusedError("larger than any shop's share file")
    return apart.call(LIMITS, read_share, str(path))


def _ready() -> None:
    """Load what reading takes, at nobody's charge."""
    import pyarrow.parquet  # noqa: F401


def read_share(path: str) -> Judged:
    """Return the rows of one share file that keep the contract. Runs apart.

    Raises ShareRefusedError if it is none.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        # By its bytes: pyarrow takes no name that is no text.
        file = pq.ParquetFile(BytesIO(Path(path).read_bytes()))
        if file.metadata.num_rows > MOST_ROWS:
            raise ShareRefusedError("more rows than any shop has")
        names = file.schema_arrow.names
        if "share_version" in names and len(names) == len(set(names)):
            versions = file.read(["share_version"]).column(0).unique().to_pylist()
            if versions and versions != [SHARE_VERSION]:
                raise ShareRefusedError(
                    f"of form {versions[0]!r:.20}, this program reads form {SHARE_VERSION}: share "
                    "and pool by the same version"
                )
        if names != list(SHARED):
            raise ShareRefusedError("no share file: its columns are others")
        frame = pl.from_arrow(file.read())
        assert isinstance(frame, pl.DataFrame)  # noqa: S101 - of a table
        judged = judge_share(frame)
    except (pa.ArrowException, OSError, TypeError, pl.exceptions.PolarsError) as error:
        raise ShareRefusedError(f"no share file ({type(error).__name__})") from None
    if judged.kept["shop_id"].n_unique() > 1:
        raise ShareRefusedError("holds more than one shop")
    return judged


def one_file_a_shop(
    own: pl.DataFrame, files: dict[str, pl.DataFrame]
) -> tuple[pl.DataFrame, list[str]]:
    """Return the rows of one file a shop, the newest; this shop's own go before any file of it."""
    newest = sorted(
        ((name, rows) for name, rows in files.items() if rows.height),
        key=lambda pair: (pair[1]["share_no"].max(), pair[1].height),
        reverse=True,
    )
    offered = ([(OWN, own)] if own.height else []) + newest
    twins = _twins(offered)
    told: list[str] = []
    chosen: list[pl.DataFrame] = []
    by_id: dict[str, str] = {}
    for name, rows in offered:
        shop_id = rows["shop_id"][0]
        if shop_id in by_id:
            other = f"the same shop as {by_id[shop_id]}, which counts instead"
            own_now = "this shop's own: its figures of today count instead"
            told.append(f"{name}: {own_now if by_id[shop_id] == OWN else other}")
        elif twin := next((kept for kept in by_id.values() if (kept, name) in twins), None):
            told.append(f"{name}: holds the same rows as {twin}, which counts instead")
        else:
            by_id[shop_id] = name
            chosen.append(rows.select(_COUNTED).with_columns(file=pl.lit(name)))
    empty = own.clear().select(_COUNTED).with_columns(file=pl.lit(""))
    return pl.concat([empty, *chosen]), told


def _twins(offered: list[tuple[str, pl.DataFrame]]) -> set[tuple[str, str]]:
    """Return which files hold the same rows: one shop that lost its secret, or a copy."""
    hashed = [rows.select(_ALIKE).unique().hash_rows() for _, rows in offered]
    names = [name for name, _ in offered]
    every = pl.concat(
        [pl.DataFrame({"row": rows, "file": [at] * rows.len()}) for at, rows in enumerate(hashed)]
        or [pl.DataFrame({"row": [], "file": []})]
    )
    pairs = (
        every.join(every, on="row", suffix="_later")
        .filter(pl.col("file") < pl.col("file_later"))
        .group_by("file", "file_later")
        .len()
    )
    return {
        (names[one], names[other])
        for one, other, same in pairs.iter_rows()
        if same
        >= max(LEAST_SAME_ROWS, SAME_ROWS_SHARE * min(hashed[one].len(), hashed[other].len()))
    }


def sound_shops(rows: pl.DataFrame) -> tuple[pl.DataFrame, list[str]]:
    """Return the rows of shops whose stated scatter can be, and which were left out and why."""
    told: list[str] = []
    bad: list[str] = []
    coded = rows.with_columns(group=pl.struct("model", "change").rank("dense").cast(pl.Int64))
    stated = dict(rows.group_by("shop_id").agg(pl.col("mean_gain_variance").median()).iter_rows())
    for (shop_id,), of_shop in coded.group_by("shop_id", maintain_order=True):
        name = of_shop["file"][0]
        others = [value for other, value in stated.items() if other != shop_id]
        ratio = (stated[shop_id] / np.median(others)) ** 0.5 if others else 1.0
        group = of_shop["group"].rank("dense").to_numpy() - 1
        figures = of_shop["log_mean_gain"].to_numpy(), of_shop["mean_gain_variance"].to_numpy()
        if agrees_too_well(*figures, group):
            bad.append(str(shop_id))
            told.append(
                f"{name}: its bikes agree far better than its own stated scatter allows: made up, "
                "or not measured as it says; left out"
            )
        elif len(others) >= LEAST_SHOPS and not 1 / ODD_SD_FACTOR < ratio < ODD_SD_FACTOR:
            bad.append(str(shop_id))
            told.append(
                f"{name}: states {number(ratio, 2)} times the scatter that others do; left out"
            )
    return rows.filter(~pl.col("shop_id").is_in(bad)), told


def with_names(rows: pl.DataFrame, book: NameBook) -> tuple[pl.DataFrame, list[str]]:
    """Return rows with names as the dictionary has them, and which it does not know.

    Names that it does not know are one where they differ by case, blanks and punctuation only.
    """
    models = rows.group_by("model").agg(pl.col("shop_id").n_unique()).sort("model")
    parts = (
        rows.select("shop_id", pl.col("parts").str.split(BETWEEN_PARTS))
        .explode("parts")
        .drop_nulls()
        .group_by("parts")
        .agg(pl.col("shop_id").n_unique())
        .sort("parts")
    )
    of_model, to_add = _meant("models", dict(models.iter_rows()), book.models)
    of_part, more = _meant("parts", dict(parts.iter_rows()), book.parts)

    def all_parts(text: str) -> str:
        return BETWEEN_PARTS.join(sorted(of_part[one] for one in text.split(BETWEEN_PARTS)))

    whole = {text: all_parts(text) for text in rows["parts"].drop_nulls().unique()}
    named = rows.with_columns(
        pl.col("model").replace_strict(of_model, return_dtype=pl.String),
        pl.col("parts").replace_strict(whole, default=None, return_dtype=pl.String),
    )
    return named, to_add + more


def _meant(
    kind: str, shops: dict[str, int], known: dict[str, list[str]]
) -> tuple[dict[str, str], list[str]]:
    """Return what each spelling means, and a line for each that the dictionary does not know."""
    from rapidfuzz import fuzz, process

    by_spelling = spellings(known)
    unknown: dict[str, str] = {}
    for name in sorted(shops, key=lambda one: (-shops[one], one)):
        if folded(name) not in by_spelling:
            unknown.setdefault(folded(name), name)
    meant = {name: (by_spelling | unknown)[folded(name)] for name in shops}
    lines = []
    for plain, name in unknown.items():
        others = [
            one
            for one, other in (by_spelling | unknown).items()
            if one != plain and not _years_apart(name, other)
        ]
        near = process.extractOne(  # pyrefly: ignore[no-matching-overload]
            plain, others, scorer=fuzz.ratio, score_cutoff=NEAR_SCORE
        )
        like = f"  # or another spelling of {(by_spelling | unknown)[near[0]]!r}?" if near else ""
        lines.append(f'[{kind}] "{name}" = []{like}')
    return meant, lines


def _years_apart(name: str, other: str) -> bool:
    """Whether two models were built in other years: generations of one name, no spellings."""
    one, two = _YEARS.search(name), _YEARS.search(other)
    return bool(one and two and (one[2] < two[1] or two[2] < one[1]))


def pooled_figures(rows: pl.DataFrame, own: pl.DataFrame) -> tuple[pl.DataFrame, list[str]]:
    """Return what each change gave everywhere, by model, and which shops stand off the others."""
    own_id = own["shop_id"][0] if own.height else ""
    here = own_id + own["dyno_id"].mode().sort()[0] if own.height else ""
    # A dyno is a shop's own: whoever writes another's id gets nothing of its bikes.
    rows = rows.with_columns(
        dyno_id=pl.col("shop_id") + pl.col("dyno_id"),
        bike=(pl.col("shop_id") + pl.col("bike_id")).rank("dense"),
    )
    rows = rows.with_columns(dyno=pl.col("dyno_id").rank("dense").cast(pl.Int64))
    dynos = rows.select("dyno", "dyno_id", "shop_id", "file").unique("dyno")
    at_here = dict(dynos.select("dyno_id", "dyno").iter_rows()).get(here, -1)
    frames, odd = [], []
    for figure, short in FIGURES.items():
        # By parts the range alone: it is what is quoted.
        bikes, heads = _bikes(rows, short, by_parts=short == "mean")
        if heads.is_empty():
            continue
        y, v, group, dyno = (
            bikes[name].to_numpy() for name in ("effect", "variance", "group", "dyno")
        )
        found = chain(y, v, group, dyno, at_here)
        whose = bikes.select("group", "dyno").join(dynos, on="dyno")
        counts = whose.group_by("group").agg(
            shops=pl.col("shop_id").n_unique(), own_bikes=(pl.col("shop_id") == own_id).sum()
        )
        frames.append(_figures(figure, heads.join(counts, on="group").sort("group"), found))
        if short == "mean":
            is_whole = heads["parts"].is_null().to_numpy()
            odd = _odd(found, is_whole, dict(dynos.select("dyno", "file").iter_rows()))
    if not frames:
        return pl.DataFrame(schema=FIGURES_SCHEMA), []
    return pl.concat(frames), odd


def _as_spelt_here(figures: pl.DataFrame, own_models: list[str], book: NameBook) -> pl.DataFrame:
    """Return figures with the shop's own model ids, so that its pages find them."""
    by_spelling = spellings(book.models)
    meant = [folded(by_spelling.get(folded(name), name)) for name in own_models]
    own = pl.DataFrame(
        [pl.Series("plain", meant, pl.String), pl.Series("own", own_models, pl.String)]
    )
    plain = pl.col("model_id").map_elements(folded, pl.String)
    return (
        figures.with_columns(plain=plain)
        .join(own, on="plain", how="left", maintain_order="left")
        .with_columns(model_id=pl.coalesce("own", "model_id"))
        .drop("plain", "own")
    )


def _bikes(rows: pl.DataFrame, short: str, *, by_parts: bool) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return one row a bike on a dyno in each group, and what each group is: model, change, parts.

    A group is over all parts; `by_parts` adds those of a change with its parts by name.
    """
    y, v = pl.col(f"log_{short}_gain"), pl.col(f"{short}_gain_variance")
    key = ["model", "change", "parts"]
    known = rows.select(*key, "dyno", "bike", y=y, v=v).drop_nulls(["y", "v"])
    named = [known.filter(pl.col("parts").is_not_null())] if by_parts else []
    every = pl.concat([known.with_columns(parts=pl.lit(None, pl.String)), *named])
    heads = every.select(key).unique().sort(key).with_row_index("group")
    heads = heads.with_columns(pl.col("group").cast(pl.Int64))
    bikes = (
        every.join(heads, on=key, nulls_equal=True)
        .select("group", "dyno", "bike", "y", "v")
        # In order, so that sums come out the same to the last digit each time.
        .sort("group", "dyno", "bike", "y", "v")
        .group_by("group", "dyno", "bike", maintain_order=True)
        .agg(
            effect=(pl.col("y") / pl.col("v")).sum() / (1 / pl.col("v")).sum(),
            variance=1 / (1 / pl.col("v")).sum(),
        )
    )
    return bikes, heads


def _figures(figure: str, heads: pl.DataFrame, found: Chain) -> pl.DataFrame:
    def pct(values: np.ndarray) -> pl.Series:
        return pl.Series(100 * np.expm1(values), nan_to_null=True)

    return heads.select(
        pl.lit(figure).alias("figure"),
        pl.col("model").alias("model_id"),
        pl.col("change").alias("change_key"),
        pl.col("parts").alias("fitted_parts"),
        pl.col("shops").cast(pl.Int64),
        pl.Series("dynos", found.dynos),
        pl.Series("bikes", found.bikes),
        pl.col("own_bikes").cast(pl.Int64),
        pct(found.mean).alias("mean_pct"),
        pct(found.lower).alias("lower_pct"),
        pct(found.upper).alias("upper_pct"),
        pct(found.next_lower).alias("next_lower_pct"),
        pct(found.next_upper).alias("next_upper_pct"),
        pl.Series("between_bikes_sd_pct", 100 * found.between_bikes),
        pl.Series("between_dynos_sd_pct", 100 * found.between_dynos, nan_to_null=True),
    )


def _odd(found: Chain, is_whole: np.ndarray, whose: dict[int, str]) -> list[str]:
    """Say which dynos stand off the others over all models and changes."""
    counts = is_whole[found.cell_group] & (found.dynos[found.cell_group] >= LEAST_SHOPS)
    cells = np.bincount(found.cell_dyno[counts])
    dynos, far, p = offsets(
        found.cell_off[counts], found.cell_variance[counts], found.cell_dyno[counts]
    )
    return [
        f"{whose[int(dyno)]}: its gains stand {signed(100 * np.expm1(far[at]))} % off the others' "
        f"over {counted(int(cells[dyno]), 'model and change', 'models and changes')}; it counts "
        "all the same, and widens the spread between dynos"
        for at, dyno in enumerate(dynos)
        if p[at] * dynos.size < ODD_P
    ]


def print_pooled(found: Pooled) -> None:
    """Print what the pool holds, which files and shops do not count, and which names to add."""
    changes = found.figures.select("model_id", "change_key").unique().height
    prose(
        f"Pooled: {counted(found.shops, 'shop')}, {counted(found.bikes, 'bike')}, "
        f"{counted(changes, 'model and change', 'models and changes')}.",
        style="bold",
    )
    for told, what in ((found.refused, "Not read"), (found.left_out, "Left out")):
        for sentence in told:
            prose(f"{what}: {sentence}.", style="yellow")
    for sentence in found.odd:
        prose(f"Odd one out: {sentence}.", style="yellow")
    if found.unresolved:
        prose(f"{counted(len(found.unresolved), 'name')} that {NAMES} does not know; to add:")
        for line in found.unresolved[:MOST_LISTED]:
            say(f"  {line}")
        if (more := len(found.unresolved) - MOST_LISTED) > 0:
            say(f"  and {more} more")
