"""The study of grades: simulated sessions of known mixture, graded with their guard band.

`python -m tests.studies.grades_study --sessions 3000` writes grades_study.md beside this text.
Maps, scatter and gauges are drawn here; nothing of the demo shop's simulator is in it.
"""

from __future__ import annotations

import argparse
import sys
from typing import NamedTuple

import numpy as np

from flows.metrics.mixture import (
    LEVELS,
    is_gauge_in_the_way,
    level_of_error,
    pulls_to_exclude,
    worst_lean_error,
)
from tests.result_table import write_beside

SEED = 20_261_130
GRID = np.arange(2500.0, 10_001.0, 50.0)
HELD_RPM = 150.0
GAUGE_PCT = 1.0
LIMITS = {"notice": 5.0, "warn": 10.0, "stop": 15.0}

MADE = """\
Sessions of two to five pulls over maps of known error: a hump, a wave, a slope, a flat map, all
raised to a worst error that is evenly spread from -2 to 18 %. Pulls differ in level by 0.4 % (1 SD)
and in shape by 0.15 % over 200 rpm; the gauge is off by one factor for the whole session, normal
with the standard deviation that its accuracy of 1 % stands for (1/√3 %), or evenly over ±1 %.
Shares in %, the true worst error being that held over 150 rpm anywhere in the range.

'Told as less' counts sessions truly past warn (or stop) whose grade is below, and which do not say
that it cannot be excluded; 'by the mean' is the same without the guard band. 'Sound' is a worst
error truly below 5 %, 'safe' one below 8 %. 'Settled' is the share of grades with a worse level not
excluded that up to ten more pulls would settle, 'gauge' of those in whose way the gauge stands.
"""


class Map(NamedTuple):
    """A kind of map: the shape of its lean error, and how pulls scatter about it."""

    shape: str
    level_sd_pct: float = 0.4
    wiggle_sd_pct: float = 0.15
    is_gauge_even: bool = False

    def true_error_pct(self, rng: np.random.Generator, most_pct: float) -> np.ndarray:
        """Return a lean error over the grid whose greatest value is given."""
        at = rng.uniform(3500.0, 9500.0)
        curve = {
            "hump": -8.0 + 8.0 * np.exp(-0.5 * ((GRID - at) / rng.uniform(250.0, 900.0)) ** 2),
            "wave": 2.0 * np.sin(GRID / 400.0 + at),
            "slope": (GRID - GRID[0]) / 1000.0 * rng.choice([-1.0, 1.0]),
            "flat": np.zeros(GRID.size),
        }[self.shape]
        return curve - truly_worst_pct(curve) + most_pct

    def session(
        self, rng: np.random.Generator, pulls: int, most_pct: float | None = None
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return a true error and what each pull shows of it."""
        most = float(rng.uniform(-2.0, 18.0)) if most_pct is None else most_pct
        true = self.true_error_pct(rng, most)
        off = rng.uniform(-1.0, 1.0) if self.is_gauge_even else rng.normal(0.0, 3.0**-0.5)
        level = self.level_sd_pct * rng.standard_normal((pulls, 1))
        shown = true + level + self.wiggle_sd_pct * _wiggles(rng, pulls)
        return true, (100.0 + shown) * (1.0 + GAUGE_PCT * off / 100.0) - 100.0


def _wiggles(rng: np.random.Generator, pulls: int) -> np.ndarray:
    """Return noise of standard deviation 1 whose neighbours are alike over 200 rpm."""
    reach = np.arange(-12, 13) * 50.0
    kernel = np.exp(-((reach / 200.0) ** 2))
    kernel /= np.sqrt(np.sum(kernel**2))
    white = rng.standard_normal((pulls, GRID.size + reach.size - 1))
    return np.array([np.convolve(row, kernel, mode="valid") for row in white])


def truly_worst_pct(error_pct: np.ndarray) -> float:
    """Return the greatest error held over the width: a sliding least on the grid's own points."""
    steps = round(HELD_RPM / 50.0) + 1
    windows = np.lib.stride_tricks.sliding_window_view(error_pct, steps)
    return float(windows.min(axis=1).max())


MAPS = {shape: Map(shape) for shape in ("hump", "wave", "slope", "flat")}
ROWS = {
    **{f"{shape}, {pulls} pulls": (MAPS[shape], pulls) for shape in MAPS for pulls in (2, 3, 5)},
    "hump, 3 pulls, gauge evenly spread": (Map("hump", is_gauge_even=True), 3),
    "hump, 3 pulls, level 1 %": (Map("hump", level_sd_pct=1.0), 3),
    "wave, 3 pulls, shape 0.4 %": (Map("wave", wiggle_sd_pct=0.4), 3),
    "flat, 3 pulls, shape 0.4 %": (Map("flat", wiggle_sd_pct=0.4), 3),
    "hump, 1 pull, scatter assumed": (MAPS["hump"], 1),
}


class Session(NamedTuple):
    """What is true of a session and what was told."""

    true_pct: float
    error_pct: float
    lower_pct: float
    upper_pct: float
    is_settled: bool
    is_gauge: bool

    @property
    def level(self) -> str:
        """Grade by the mean."""
        return level_of_error(self.error_pct)

    @property
    def beyond(self) -> str:
        """Grade by the upper end."""
        return level_of_error(self.upper_pct)


def sessions(rng: np.random.Generator, kind: Map, pulls: int, count: int) -> list[Session]:
    """Return graded sessions of one kind of map."""
    found = []
    for _ in range(count):
        true, seen = kind.session(rng, pulls)
        told = worst_lean_error(GRID, seen.mean(axis=0), seen, gauge_accuracy_pct=GAUGE_PCT)
        beyond = level_of_error(told.upper_pct)
        limit = LIMITS.get(beyond, -np.inf)
        is_more = told.error_pct < limit
        found.append(
            Session(
                truly_worst_pct(true),
                told.error_pct,
                told.lower_pct,
                told.upper_pct,
                is_more and pulls_to_exclude(told, limit) is not None,
                is_more and is_gauge_in_the_way(told, limit),
            )
        )
    return found


def told_as_less(found: list[Session], level: str, *, guarded: bool) -> float:
    """Return the share of sessions truly past a level that are told as less."""
    past = [one for one in found if one.true_pct >= LIMITS[level]]
    told = [one.beyond if guarded else one.level for one in past]
    return float(np.mean([LEVELS.index(name) < LEVELS.index(level) for name in told]))


def _row(name: str, found: list[Session]) -> str:
    inside = np.mean([one.lower_pct <= one.true_pct <= one.upper_pct for one in found])
    own = np.mean([one.lower_pct <= one.error_pct <= one.upper_pct for one in found])
    less = [
        f"{100 * told_as_less(found, level, guarded=guarded):.1f}"
        for level in ("warn", "stop")
        for guarded in (False, True)
    ]
    sound = np.mean([one.beyond != "none" for one in found if one.true_pct < 5.0])
    safe = np.mean([one.beyond in ("warn", "stop") for one in found if one.true_pct < 8.0])
    open_ = [one for one in found if one.beyond != one.level]
    width = np.mean([one.upper_pct - one.error_pct for one in found])
    cells = [
        f"{100 * inside:.1f}", f"{100 * own:.0f}", *less, f"{100 * sound:.1f}", f"{100 * safe:.1f}",
        f"{100 * len(open_) / len(found):.0f}",
        f"{100 * np.mean([one.is_settled for one in open_]):.0f}",
        f"{100 * np.mean([one.is_gauge for one in open_]):.0f}", f"{width:.2f}",
    ]  # fmt: skip
    return f"| {name} | " + " | ".join(cells) + " |"


def table(count: int) -> str:
    """Return the table of the study, so many sessions a row."""
    heads = (
        "truth in interval", "own figure in it", "past warn told as less, by the mean", "guarded",
        "past stop, by the mean", "guarded", "sound: notice not excluded",
        "safe: warn not excluded", "worse not excluded", "settled", "gauge", "upper end above [%]",
    )  # fmt: skip
    lines = [f"| | {' | '.join(heads)} |", "| --- |" + " --: |" * len(heads)]
    rng = np.random.default_rng(SEED)
    lines += [_row(name, sessions(rng, *row, count)) for name, row in ROWS.items()]
    return "\n".join(lines)


def main() -> int:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sessions", type=int, default=3000, help="sessions a row")
    asked = parser.parse_args()
    told = table(asked.sessions)
    foot = f"\n\n{asked.sessions} sessions a row, seed {SEED}.\n"
    print(write_beside(__file__, "The study of grades", f"{MADE}\n{told}{foot}"))
    return 0


if __name__ == "__main__":
    sys.exit(main())
