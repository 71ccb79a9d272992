"""The simulation study of the watch on loggers: sound shops, and loggers that change.

`python -m tests.studies.logger_watch --files 40000` writes logger_watch.md beside this text. Shops,
bikes, riders and logs are drawn here, sample by sample; nothing is taken from the demo.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator, Sequence
from datetime import date, timedelta
from typing import Any

import numpy as np

from flows.metrics.logged import channel_figures, rate_and_gap
from flows.steps.log_quality import changes, series_of
from tests.result_table import write_beside

MADE = """\
A log is 120 rows at 20 Hz of six channels with heavy tails; what differs between bikes: rev limit,
idle, sensor offsets, level of the mixture, whether there is a pressure sensor (nine in ten), how
noisy the ignition is (rejected rows, pauses); between riders: how far the throttle is opened;
between days: season and weather. A road logger brings one log a bike, a dyno three to six pulls.

Where the watch would lie, listed before it was tried: another logger under an old layout (it *is* a
change, and is told); one odd bike; a bike without a sensor; cold days; riders who never open the
throttle; a run of bikes of one new model; the control bike on every third visit; old files that
come late, in any order; few files; two loggers that take turns under one layout (never told: both
are its past); a change of less than half of how far the shop's own bikes differ (never told).

What hangs on the bike is counted by bikes: on a dyno, with its several pulls a visit, it takes five
bikes and not five files (from n bikes before and w new ones the chance of any order is at best one
in C(n + w, w): five pulls of one bike could be that bike). Rate and steps are counted by files. A
file without a pressure sensor says nothing of its unit, so that five which have one may be six. A
column that a file does not name at all is told elsewhere, from three files on.

"""
SEED = 20_261_130
"""Any number; fixed, so that the table can be made again."""
ROWS, RATE_HZ = 120, 20.0
STEPS = {
    "engine_speed_rpm": 1.0, "lambda_wide": 0.001, "throttle_pct": 0.1, "coolant_temp_k": 0.1,
    "intake_air_temp_k": 0.1, "map_pressure_pa": 100.0,
}  # fmt: skip
BEFORE = 120
"""Files before a change."""
AFTER = 60

Log = dict[str, np.ndarray]
Change = Callable[[Log, np.random.Generator], Log]


def _bike(chance: np.random.Generator, model: int) -> dict[str, Any]:
    of_model = np.random.default_rng(model)
    return {
        "model": f"M{model}",
        "limit": of_model.uniform(8000, 13000) + chance.normal(0, 150),
        "idle": of_model.uniform(1000, 1400) + chance.normal(0, 60),
        "lambda": 0.95 + 0.05 * chance.standard_t(3),
        "coolant": 358 + 4 * chance.standard_t(3),
        "has_pressure": chance.random() < 0.9,
        "noise": chance.pareto(1.5) if chance.random() < 0.15 else 0.0,
    }


def _log(chance: np.random.Generator, bike: dict[str, Any], day: date, opens: float) -> Log:
    """Return the samples of one log, and what reading rejected of it."""
    time_s = np.arange(ROWS) / RATE_HZ
    if chance.random() < min(bike["noise"] / 4, 0.8):
        time_s[chance.integers(5, ROWS) :] += chance.pareto(1.0)
    opened = np.clip(opens * np.abs(np.sin(time_s * chance.uniform(0.6, 1.2))), 0, 100)
    speed = bike["idle"] + (bike["limit"] - bike["idle"]) * (opened / 100) ** 0.7
    season_k = 285 + 10 * np.sin(2 * np.pi * (day.timetuple().tm_yday - 110) / 365)
    log = {
        "time_s": time_s,
        "engine_speed_rpm": speed + 25 * chance.standard_t(3, ROWS),
        "lambda_wide": bike["lambda"] + 0.03 * chance.standard_t(3, ROWS),
        "throttle_pct": opened + 0.1 * chance.integers(0, 2, ROWS),
        "coolant_temp_k": bike["coolant"] + np.cumsum(0.05 * chance.normal(size=ROWS)),
        "intake_air_temp_k": season_k + 4 * chance.normal() + 0.5 * chance.normal(size=ROWS),
        "map_pressure_pa": 25e3 + 73e3 * (opened / 100) ** 0.5 + 900 * chance.normal(size=ROWS),
        "rejected": np.array([min(0.002 * chance.pareto(1.5) * (bike["noise"] > 0), 0.05)]),
    }
    if not bike["has_pressure"]:
        log["map_pressure_pa"] = np.full(ROWS, np.nan)
    return {name: _in_steps(name, values) for name, values in log.items()}


def _in_steps(name: str, values: np.ndarray, times: float = 1.0) -> np.ndarray:
    step = STEPS.get(name, 0.0) * times
    return np.round(values / step) * step if step else values


def figures_of(log: Log) -> dict[str, Any]:
    """Return what the step keeps of a log."""
    rate, gap = rate_and_gap(log["time_s"])
    channels = {
        name: list(channel_figures(values))
        for name, values in log.items()
        if name not in ("time_s", "rejected") and np.isfinite(values).any()
    }
    return {"rate": rate, "gap": gap, "rejected": float(log["rejected"][0]), "channels": channels}


class Shop:
    """Files of one layout as they come."""

    def __init__(self, chance: np.random.Generator, *, is_dyno: bool) -> None:
        self.chance = chance
        self.is_dyno = is_dyno
        self.day = date(2024, 1, 8) + timedelta(days=int(chance.integers(365)))
        self.bikes: list[dict[str, Any]] = []
        self.files: list[dict[str, Any]] = []
        self.figures: list[dict[str, Any]] = []
        self.models = 12

    def visit(
        self, bike: dict[str, Any] | None = None, change: Change | None = None, **ways: Any
    ) -> None:
        """Have a bike come in; now and then one that was here before."""
        chance = self.chance
        self.day += timedelta(days=int(chance.integers(0, 4)))
        if bike is None and self.bikes and chance.random() < 0.2:
            bike = self.bikes[int(chance.integers(len(self.bikes)))]
        if bike is None:
            bike = _bike(chance, int(chance.integers(self.models)))
        if "name" not in bike:
            bike["name"] = f"B{len(self.bikes)}"
            self.bikes.append(bike)
        logs = ways.get("logs") or (int(chance.integers(3, 7)) if self.is_dyno else 1)
        opens = ways.get("opens") or (100.0 if self.is_dyno else chance.uniform(40, 100))
        for _ in range(logs):
            log = _log(chance, bike, self.day, opens)
            self.figures.append(figures_of(change(log, chance) if change else log))
            self.files.append({"bike": bike["name"], "model": bike["model"], "seen_on": self.day})

    def told(self, **about: Any) -> list[Any]:
        """Return what the watch tells of all files; `about` limits it to a channel or quantity."""
        found = changes(series_of(self.figures), self.files)
        return [one for one in found if all(getattr(one, k) == v for k, v in about.items())]


# Sound shops.


def _plain(shop: Shop, files: int) -> None:
    while len(shop.files) < files:
        shop.visit()


def _odd_bike(shop: Shop, files: int) -> None:
    _plain(shop, files // 2)
    odd = _bike(shop.chance, 3) | {"lambda": 1.3, "coolant": 380.0, "noise": 9.0}
    odd["has_pressure"] = False
    shop.visit(odd, logs=20)
    _plain(shop, files)


def _gentle_riders(shop: Shop, files: int) -> None:
    while len(shop.files) < files:
        is_gentle = len(shop.files) // 40 % 2 == 1
        shop.visit(opens=shop.chance.uniform(15, 40) if is_gentle else None)


def _new_model(shop: Shop, files: int) -> None:
    while len(shop.files) < files:
        at = len(shop.files) // 50
        model = 100 + at if len(shop.files) % 50 > 40 else int(shop.chance.integers(shop.models))
        shop.visit(_bike(shop.chance, model))


def _control_bike(shop: Shop, files: int) -> None:
    control = _bike(shop.chance, 1)
    while len(shop.files) < files:
        for bike in (control, None, None):
            shop.visit(bike)


def _any_order(shop: Shop, files: int) -> None:
    _plain(shop, files)
    order = shop.chance.permutation(len(shop.files))
    shop.files = [shop.files[place] for place in order]
    shop.figures = [shop.figures[place] for place in order]


def _two_loggers(shop: Shop, files: int) -> None:
    while len(shop.files) < files:
        shop.visit(change=half_rate if shop.chance.random() < 0.4 else None)


SOUND: dict[str, Callable[[Shop, int], None]] = {
    "as it is drawn": _plain,
    "one odd bike in the middle": _odd_bike,
    "stretches of riders who never open": _gentle_riders,
    "runs of bikes of a new model": _new_model,
    "the control bike every third visit": _control_bike,
    "files in any order": _any_order,
    "two loggers that take turns": _two_loggers,
}


# Changes.


def half_rate(log: Log, _: np.random.Generator) -> Log:
    """Log every second row."""
    return {name: values if name == "rejected" else values[::2] for name, values in log.items()}


def coarse(log: Log, _: np.random.Generator) -> Log:
    """Give the mixture in steps of 0.01."""
    return log | {"lambda_wide": _in_steps("lambda_wide", log["lambda_wide"], 10)}


def gone(log: Log, _: np.random.Generator) -> Log:
    """Leave the mixture out."""
    return log | {"lambda_wide": np.full(log["time_s"].size, np.nan)}


def swapped(log: Log, _: np.random.Generator) -> Log:
    """Put coolant and intake air into each other's column."""
    return log | {
        "coolant_temp_k": log["intake_air_temp_k"], "intake_air_temp_k": log["coolant_temp_k"],
    }  # fmt: skip


def offset(log: Log, _: np.random.Generator) -> Log:
    """Lift the throttle by 6 %: closed is not closed any more."""
    return log | {"throttle_pct": log["throttle_pct"] + 6.0}


def other_unit(log: Log, _: np.random.Generator) -> Log:
    """Give the manifold's pressure in psi where kPa was said."""
    return log | {"map_pressure_pa": log["map_pressure_pa"] / 6.895}


def more_rejects(log: Log, chance: np.random.Generator) -> Log:
    """Lose 3 % of the rows, more or less."""
    return log | {"rejected": log["rejected"] + chance.uniform(0.02, 0.04)}


def clock_jumps(log: Log, chance: np.random.Generator) -> Log:
    """Let the clock jump by 1 to 5 s once a log."""
    time_s = log["time_s"].copy()
    time_s[int(chance.integers(10, ROWS - 10)) :] += chance.uniform(1, 5)
    return log | {"time_s": time_s}


def clipped(log: Log, _: np.random.Generator) -> Log:
    """Cut the engine speed at 5,000 rpm."""
    return log | {"engine_speed_rpm": np.minimum(log["engine_speed_rpm"], 5000.0)}


def repeated(log: Log, _: np.random.Generator) -> Log:
    """Give the mixture anew in every fourth row only."""
    return log | {"lambda_wide": np.repeat(log["lambda_wide"][::4], 4)[: log["time_s"].size]}


PLANTED: dict[str, tuple[Change, dict[str, str]]] = {
    "rate halved": (half_rate, {"channel": "", "quantity": "rate"}),
    "mixture in steps of 0.01, not 0.001": (coarse, {"channel": "lambda_wide"}),
    "column gone": (gone, {"channel": "lambda_wide", "quantity": "seen"}),
    "coolant and intake air swapped": (swapped, {"channel": "coolant_temp_k"}),
    "throttle lifted by 6 %": (offset, {"channel": "throttle_pct"}),
    "pressure in psi": (other_unit, {"channel": "map_pressure_pa"}),
    "3 % of rows rejected": (more_rejects, {"quantity": "rejected"}),
    "a clock that jumps": (clock_jumps, {"quantity": "gap"}),
    "engine speed clipped": (clipped, {"channel": "engine_speed_rpm"}),
    "mixture new in every fourth row": (repeated, {"channel": "lambda_wide"}),
}


def found_after(
    chance: np.random.Generator, change: Change, about: dict[str, str], *, is_dyno: bool
) -> tuple[int, int] | None:
    """Return after how many files, and bikes, a change is told; None if never."""
    shop = Shop(chance, is_dyno=is_dyno)
    while len(shop.files) < BEFORE * (4 if is_dyno else 1):
        shop.visit()
    first = len(shop.files)
    while len(shop.files) < first + AFTER:
        shop.visit(change=change)
    told = [one for one in shop.told(**about) if one.noticed >= first]
    if not told:
        return None
    last = min(one.noticed for one in told)
    bikes = {file["bike"] for file in shop.files[first : last + 1]}
    return last - first + 1, len(bikes)


def sound_rows(chance: np.random.Generator, files: int, each: int = 400) -> Iterator[str]:
    """Yield what sound shops tell: alarms, of which there should be none."""
    for name, fill in SOUND.items():
        for is_dyno in (False, True):
            alarms = looked = 0
            for _ in range(max(files // each, 1)):
                shop = Shop(chance, is_dyno=is_dyno)
                fill(shop, each)
                alarms += len(shop.told())
                looked += len(shop.files)
            kind = "dyno" if is_dyno else "road"
            yield f"| {name} | {kind} | {looked} | {alarms} | {1000 * alarms / looked:.2f} |"


def planted_rows(chance: np.random.Generator, shops: int) -> Iterator[str]:
    """Yield within how many files, and bikes, planted changes are told."""
    for name, (change, about) in PLANTED.items():
        for is_dyno in (False, True):
            found = [found_after(chance, change, about, is_dyno=is_dyno) for _ in range(shops)]
            told = [one for one in found if one]
            in_files = sum(files <= 5 for files, _ in told) / shops
            in_bikes = sum(bikes <= 5 for _, bikes in told) / shops
            middle = np.median([files for files, _ in told]) if told else np.nan
            yield (
                f"| {name} | {'dyno' if is_dyno else 'road'} | {100 * in_files:.0f} | "
                f"{100 * in_bikes:.0f} | {100 * len(told) / shops:.0f} | {middle:.0f} |"
            )


def table(files: int, seed: int = SEED) -> str:
    """Return the study's tables in markdown."""
    chance = np.random.default_rng(seed)
    shops = max(files // 2000, 2)
    return "\n".join(
        [
            "## Sound shops of 400 files: what is told and should not be",
            "",
            "| situation | logger | files | alarms | in 1,000 files |",
            "| --- | --- | --: | --: | --: |",
            *sound_rows(chance, files),
            "",
            f"## Planted changes ({shops} shops a line; % of them)",
            "",
            "| change | logger | within 5 files | 5 bikes | 60 files | files, middle |",
            "| --- | --- | --: | --: | --: | --: |",
            *planted_rows(chance, shops),
            "",
        ]
    )


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the study, print its tables and keep them."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=40_000, help="files of each sound situation")
    given = parser.parse_args(arguments)
    found = table(given.files)
    sys.stdout.write(found)
    write_beside(__file__, "The simulation study of the watch on loggers", MADE + found)


if __name__ == "__main__":
    main()
