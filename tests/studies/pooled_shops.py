"""Made-up chains of shops with known truth: what the pool says, and in which situations it lies.

`python -m tests.studies.pooled_shops` writes the table of pooled_shops.md; `--bench SHOP` times 50
shops of ten years against a shop as well.
Everything here is invented and no check value.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

import numpy as np
import polars as pl

from flows.metrics.chain import chain, offsets
from flows.pool import LEAST_SHOPS, ODD_P, pool
from flows.share import write_share
from schemas.share import SCHEMA, SHARE_VERSION
from tests.result_table import write_beside
from warehouse.snapshot import current

MEAN, BIKES_SD, DYNOS_SD = 0.04, 0.006, 0.004
"""A good change: 4 %; bikes differ by 0.6 %, dynos by 0.4 %."""
GROUPS = 20
"""Models and changes in one chain."""
CHAINS = 30
HERE = 0


class Situation(NamedTuple):
    """How a chain is made."""

    name: str
    sizes: tuple[int, ...]
    """Bikes of each shop in each group; the first is this shop."""
    dyno_scale_sd: float = 0.0
    is_level_shared: bool = False
    """A shop's own level is the same in all groups, not drawn for each."""
    understated: int = 1
    """One shop states its scatter so many times too small."""
    wrong_air_sd: float = 0.0
    """One shop corrects by another hour's weather: a scatter that it does not state."""
    kept_share: float = 1.0
    """Every shop shares only its best runs."""
    is_bike_twice: bool = False
    """Half of the bikes of the second shop were bikes of the third before."""
    off: float = 0.0
    """The last shop is off by so much in all groups."""


EVEN = (8,) * 12
READ_SO = f"""\
{CHAINS} chains of {GROUPS} models and changes each: a true mean of {100 * MEAN:g} %; bikes differ
by {100 * BIKES_SD:g} % (1 SD), dynos by {100 * DYNOS_SD:g} %. 95 % is meant; chance alone moves a
share by 2 points. ± is half the interval, by its median.

It lies in two situations. Where one shop has most of the bikes, the mean over dynos is held less
often than is said: the spread between the small ones is then poorly known. And where shops share
their best runs only, the mean is too high by what they left out and its range too narrow; nothing
in the files tells, so the page says so beside the figure.
"""
SITUATIONS = (
    Situation("12 shops, 8 bikes each", EVEN),
    Situation("the same, none here yet", (0, *EVEN)),
    Situation("50 shops, 3 bikes each", (3,) * 50),
    Situation("one big shop of 8", (4, 200, 4, 4, 4, 4, 4, 4)),
    Situation("two shops", (6, 6)),
    Situation("three shops, none here", (0, 6, 6, 6)),
    Situation("a dyno's scale, 5 % SD", EVEN, dyno_scale_sd=0.05),
    Situation("a shop's level in all changes alike", EVEN, is_level_shared=True),
    Situation("one shop with the wrong air, 2 %", EVEN, wrong_air_sd=0.02),
    Situation("one shop states a third of its scatter", EVEN, understated=3),
    Situation("bikes in two shops", EVEN, is_bike_twice=True),
    Situation("only the best two thirds shared", EVEN, kept_share=2 / 3),
    Situation("one shop off by 3 % throughout", EVEN, off=0.03),
)


class Drawn(NamedTuple):
    """A chain: what is shared, and what the next bike here will gain in each group."""

    effect: np.ndarray
    variance: np.ndarray
    group: np.ndarray
    dyno: np.ndarray
    next_here: np.ndarray


def drawn(rng: np.random.Generator, how: Situation) -> Drawn:
    """Draw a chain."""
    shops = len(how.sizes)
    level = rng.normal(0, DYNOS_SD, (1 if how.is_level_shared else GROUPS, shops))
    level = np.broadcast_to(level, (GROUPS, shops)).copy()
    level[:, -1] += how.off
    level += MEAN * rng.normal(0, how.dyno_scale_sd, shops) if how.dyno_scale_sd else 0.0
    next_here = MEAN + level[:, HERE] + rng.normal(0, BIKES_SD, GROUPS)
    parts = []
    for group in range(GROUPS):
        lent: np.ndarray = np.zeros(0)
        for shop, size in enumerate(how.sizes):
            made = int(np.ceil(size / how.kept_share))
            bikes = rng.normal(0, BIKES_SD, made)
            if how.is_bike_twice and shop == 2:
                bikes[: lent.size // 2] = lent[: lent.size // 2]
            lent = bikes if shop == 1 else lent
            sd = rng.uniform(0.003, 0.010, made)
            more = how.wrong_air_sd if shop == shops - 1 else 0.0
            y = MEAN + level[group, shop] + bikes + rng.normal(0, np.hypot(sd, more))
            best = np.argsort(-y)[:size]
            stated = sd / (how.understated if shop == shops - 1 else 1)
            places = np.full(size, group), np.full(size, shop)
            parts.append((y[best], np.square(stated[best]), *places))
    return Drawn(*(np.concatenate(column) for column in zip(*parts, strict=True)), next_here)


def tried(how: Situation, seed: int, chains: int = CHAINS) -> dict[str, float]:
    """Return how often the pool was right over some chains."""
    rng = np.random.default_rng(seed)
    right, half, next_right, next_half, bias, odd, last_odd = [], [], [], [], [], [], []
    for _ in range(chains):
        made = drawn(rng, how)
        found = chain(made.effect, made.variance, made.group, made.dyno, HERE)
        right += list((found.lower <= MEAN) & (found.upper >= MEAN))
        half += list(0.5 * (found.upper - found.lower))
        next_right += list(
            (found.next_lower <= made.next_here) & (found.next_upper >= made.next_here)
        )
        next_half += list(0.5 * (found.next_upper - found.next_lower))
        bias += list(found.mean - MEAN)
        named = odd_dynos(found)
        last = len(how.sizes) - 1
        odd.append(bool(named - ({last} if how.off else set())))
        last_odd.append(last in named)
    return {
        "mean_held": float(np.mean(right)),
        "mean_half_pct": 100 * float(np.median(half)),
        "bias_pct": 100 * float(np.mean(bias)),
        "next_held": float(np.mean(next_right)),
        "next_half_pct": 100 * float(np.median(next_half)),
        "falsely_odd": float(np.mean(odd)),
        "last_odd": float(np.mean(last_odd)),
    }


def odd_dynos(found) -> set[int]:
    """Return the dynos that the pool would call odd."""
    dynos, _, p = offsets(found.cell_off, found.cell_variance, found.cell_dyno)
    if dynos.size < LEAST_SHOPS:
        return set()
    return {int(dyno) for dyno in dynos[p * dynos.size < ODD_P]}


def share_frame(
    rng: np.random.Generator, shop: int, bikes: int = 5000, changes: int = 3, **fixed: object
) -> pl.DataFrame:
    """Return a share file's rows of an invented shop; `fixed` columns hold one value."""
    rows = bikes * changes
    model = rng.integers(0, 40, bikes).repeat(changes)
    change = rng.integers(0, 12, rows)
    parts = ["Brask B5 two-stage", "Halden S2 slip-on", None]
    categories = ["silencer", "full exhaust", "airbox", "air filter", "cams", "headers"]
    steps = [f"{one}, {how}" for one in categories for how in ("map untouched", "with remap")]
    sd = rng.uniform(0.003, 0.010, rows)
    gain = 0.01 + 0.004 * change + rng.normal(0, np.hypot(sd, BIKES_SD))
    made = {
        "share_version": SHARE_VERSION,
        "share_no": 7,
        "shop_id": f"{shop:016x}",
        "dyno_id": f"{shop:016x}",
        "bike_id": [f"{shop * 100_000 + row // changes:016x}" for row in range(rows)],
        "model": [f"Corvane Model {one} 2016-2019 690" for one in model],
        "change": [steps[one] for one in change],
        "parts": [parts[one] for one in rng.integers(0, 3, rows)],
        "fuel": "E5",
        "reference_air": "SAE J1349",
        "air_state": "reference",
        "mounting": "taken off",
        "year": rng.integers(2016, 2026, rows),
        "quarter": rng.integers(1, 5, rows),
        "lean_grade": "none",
        "log_mean_gain": np.round(gain, 4),
        "mean_gain_variance": sd**2,
        "log_peak_gain": np.round(gain, 4),
        "peak_gain_variance": sd**2,
    }  # fmt: skip
    whole = {name: value if np.ndim(value) else [value] * rows for name, value in made.items()}
    whole |= {name: [value] * rows for name, value in fixed.items()}
    return pl.DataFrame(whole, schema=SCHEMA)


def bench(shop: Path, shops: int = 50) -> str:
    """Return what pooling so many shops of ten years takes."""
    rng = np.random.default_rng(1)
    with tempfile.TemporaryDirectory() as place:
        for number in range(1, shops + 1):
            write_share(Path(place) / f"{number:02d}.parquet", share_frame(rng, number))
        snapshot = current(shop)
        assert snapshot is not None
        started, used = time.monotonic(), time.process_time()
        found = pool(Path(place), shop, snapshot)
        children = resource.getrusage(resource.RUSAGE_CHILDREN)
        used = time.process_time() - used
        most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
        return (
            f"{found.shops} shops, {found.bikes:,} bikes, {found.figures.height:,} figures: "
            f"{used:.1f} s of processor here and {children.ru_utime + children.ru_stime:.1f} s "
            f"apart, {time.monotonic() - started:.1f} s by the clock; {most:.0f} MB here, "
            f"{children.ru_maxrss / 1e3:.0f} MB apart"
        )


def main() -> None:
    """Print the table, or what pooling takes."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--bench", type=Path, metavar="SHOP")
    given = parser.parse_args()
    lines = [
        "| situation | mean held % | ± % | bias % | next bike here held % | ± % | "
        "a sound shop called odd, % of chains | the last shop called odd % |",
        "| --- |" + " ---: |" * 7,
    ]
    for seed, how in enumerate(SITUATIONS):
        found = tried(how, seed)
        lines.append(
            f"| {how.name} | {100 * found['mean_held']:.1f} | {found['mean_half_pct']:.2f} "
            f"| {found['bias_pct']:+.2f} | {100 * found['next_held']:.1f} "
            f"| {found['next_half_pct']:.2f} | {100 * found['falsely_odd']:.0f} "
            f"| {100 * found['last_odd']:.0f} |"
        )
        print(lines[-1], flush=True)
    text = "\n".join([READ_SO, *lines])
    if given.bench:
        text += f"\n\nPooling {bench(given.bench)}."
    command = "python -m tests.studies.pooled_shops --bench SHOP"
    print(write_beside(__file__, "Pooled shops", text, command))


if __name__ == "__main__":
    main()
