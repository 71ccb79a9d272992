"""The simulation study of the dyno's charts: stable dynos, and dynos that change.

`python -m tests.studies.chart_study --shops 1000` writes chart_study.md beside this text. Weather
and control sessions are drawn here, of the size of a shop's own; nothing is taken from the demo.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import Any, NamedTuple, cast

import numpy as np
from scipy import optimize, stats

from flows.metrics import stability
from flows.metrics.notes import note
from flows.steps.engine import Given
from flows.steps.stability import STABILITY
from schemas.settings import Shop, ShopSettings
from tests.result_table import write_beside
from warehouse.shop import ShopFolder

MADE = """\
Control sessions scatter by 0.5 % and follow the one before by a lag-1 correlation φ. Known: the
shop's own scatter of strapping down and pulls is 0.5 %; unknown: the chart has its sessions alone.

"""
SEED = 20_261_130
"""Any number; fixed, so that the table can be made again."""

SD_PCT = 0.5
PULL_SD_PCT = 0.4
MOST_SIGNALS = 1.0
"""The promise: signals of a stable dyno in two years, all that is watched together."""
SESSIONS_A_YEAR = (12, 24, 52)
FOLLOWS = (0.0, 0.2, 0.4)
BEFORE, AFTER = 20, 26
"""Sessions before and after a change."""
START = date(2024, 1, 8)
LOOKS = 12
"""So often in two years the whole step is asked."""
CUSTOMER_DAYS = 3
"""Days a week on which customers' bikes are run."""


class Change(NamedTuple):
    """What happens to a dyno: its name, and what it adds to each session. [%]."""

    name: str
    added_pct: np.ndarray


def _since(size_pct: float) -> np.ndarray:
    return np.repeat([0.0, size_pct], [BEFORE, AFTER])


def _odd(size_pct: float) -> np.ndarray:
    return size_pct * (np.arange(BEFORE + AFTER) == BEFORE)


CHANGES = (
    *(Change(f"a shift of {size:g} %", _since(size)) for size in (0.5, 1.0, 1.25, 1.5, 2.0)),
    *(
        Change(
            f"a ramp of {size:g} % in 26 sessions",
            size * np.clip((np.arange(BEFORE + AFTER) - BEFORE + 1) / 26.0, 0.0, None),
        )
        for size in (1.0, 2.0)
    ),
    *(Change(f"one odd session, {size:g} % off", _odd(size)) for size in (1.5, 2.0, 3.0)),
    Change(
        "a wave of ± 0.5 % in 26 sessions",
        0.5 * np.sin(2.0 * np.pi * np.arange(BEFORE + AFTER) / 26.0),
    ),
)


def levels(chance: np.random.Generator, sessions: int, follows: float) -> np.ndarray:
    """Return the level of control sessions of a stable dyno. [%]."""
    new = chance.normal(0.0, 1.0, sessions)
    made = new.copy()
    for place in range(1, sessions):
        made[place] = follows * made[place - 1] + math.sqrt(1.0 - follows**2) * new[place]
    return SD_PCT * made


def chart_of(
    values: np.ndarray, sessions_a_year: float, is_known: bool, relative: np.ndarray | None = None
) -> stability.ControlChart:
    """Return the chart of one control bike."""
    return stability.control_chart(
        values,
        stability.signal_limits(sessions_a_year),
        relative_sd=np.ones(values.size) if relative is None else relative,
        least_sd=SD_PCT if is_known else 0.0,
    )


def stable_charts(chance: np.random.Generator, shops: int) -> list[str]:
    """Return the rows of charts of stable dynos over two years."""
    lines = []
    for a_year in SESSIONS_A_YEAR:
        for follows in FOLLOWS:
            for is_known in (True, False):
                made = [
                    chart_of(levels(chance, 2 * a_year, follows), a_year, is_known)
                    for _ in range(shops)
                ]
                lines.append(_stable_row(f"{a_year} | {follows:g} | {_word(is_known)}", made))
    # Two to six pulls of 1 % each, and a mounting of 0.2 %: sessions that scatter unlike.
    made = []
    for _ in range(shops):
        sd = np.hypot(0.2, 1.0 / np.sqrt(chance.integers(2, 7, 48)))
        usual = float(np.median(sd))
        values = levels(chance, 48, 0.0) * sd / usual
        made.append(chart_of(values, 24, True, sd / usual))
    lines.append(_stable_row("24, of 2 to 6 pulls | 0 | known", made))
    return lines


def _word(is_known: bool) -> str:
    return "known" if is_known else "unknown"


def _stable_row(name: str, made: Sequence[stability.ControlChart]) -> str:
    shifts = [len(chart.shifts) for chart in made]
    odd = [int(chart.is_odd.sum()) for chart in made]
    either = [one + other for one, other in zip(shifts, odd, strict=True)]
    shares = [100.0 * float(np.mean(np.array(one) > 0)) for one in (either, shifts, odd)]
    said = " | ".join(f"{share:.1f}" for share in shares)
    return f"| {name} | {said} | {float(np.mean(either)):.2f} |"


def changed_charts(chance: np.random.Generator, shops: int) -> list[str]:
    """Return the rows of charts of dynos that change, 26 sessions a year."""
    lines = []
    for change in CHANGES:
        for follows, is_known in ((0.0, True), (0.0, False), (0.4, True), (0.4, False)):
            charts = []
            for _ in range(shops):
                added = levels(chance, BEFORE + AFTER, follows) + change.added_pct
                charts.append(chart_of(added, 26, is_known))
            lines.append(
                f"| {change.name} | {follows:g} | {_word(is_known)} | {_found(change, charts)} |"
            )
    return lines


def _found(change: Change, charts: Sequence[stability.ControlChart]) -> str:
    """Return how soon signals came, and how well size and day are told."""
    waits, sizes, days, odd = [], [], [], []
    truth = float(change.added_pct[-1])
    for chart in charts:
        if any(shift.seen < BEFORE for shift in chart.shifts):
            continue
        seen = [shift.seen - BEFORE + 1 for shift in chart.shifts]
        waits.append(seen[0] if seen else math.inf)
        odd.append(bool(chart.is_odd[BEFORE]))
        if seen:
            last, first = chart.shifts[-1], chart.shifts[0]
            sizes.append(abs(last.size - truth) <= last.half)
            days.append(first.earliest <= BEFORE <= first.latest)
    wait = np.array(waits)
    told = [f"{100.0 * float(np.mean(wait <= within)):.0f}" for within in (4, 8, 13, 26)]
    told.append(f"{100.0 * float(np.mean(odd)):.0f}")
    is_shift = change.name.startswith("a shift")
    held = [
        f"{100.0 * float(np.mean(hits)):.0f}" if is_shift and hits else "" for hits in (sizes, days)
    ]
    return " | ".join([*told, *held])


# What the best chart could do that knows level, scatter and correlation from the start.


def shifts_seen(follows: float, sessions: int, shift: float = 2.0) -> np.ndarray:
    """Return how far what the session before does not foretell lies off, after a shift. [SD].

    Of x - φ x', whose scatter is the root of 1 - φ²: the first in full, later ones by 1 - φ.
    """
    off = np.full(sessions, shift * (1.0 - follows))
    off[0] = shift
    return off / math.sqrt(1.0 - follows**2)


def most_found(run_length: float, seen: np.ndarray) -> float:
    """Return the share of shifts that no chart can pass, found within so many sessions.

    A chart that signals once in L sessions signals somewhere with a chance of m / L at most within
    m of them (were it more everywhere, it would signal sooner: T. L. Lai, IEEE Trans. Inf. Theory
    44, 1998, from memory). There it is a test of that size, half of it each way, and Neyman and
    Pearson's lemma bounds what a test finds.
    """
    size = len(seen) / run_length / 2.0
    return float(stats.norm.cdf(math.sqrt(float(seen @ seen)) - stats.norm.isf(size)))


class BestChart:
    """The sums of both sides with known level: Brook and Evans' chain (Biometrika 59, 1972)."""

    def __init__(self, allowance: float, limit: float, states: int = 80) -> None:
        self.allowance, self.states = allowance, states
        self.width = 2.0 * limit / (2 * states - 1)

    def moves(self, off: float) -> np.ndarray:
        """Return the chances from state to state of one side, for a value so far off."""
        at = np.arange(self.states)
        to = (at[None, :] - at[:, None]) * self.width + self.allowance - off
        chances = stats.norm.cdf(to + self.width / 2.0) - stats.norm.cdf(to - self.width / 2.0)
        chances[:, 0] = stats.norm.cdf(to[:, 0] + self.width / 2.0)
        return chances

    def run_length(self, off: float = 0.0) -> float:
        """Return the average run length of both sides, whose rates add up."""
        ones = np.ones(self.states)
        sides = [np.linalg.solve(np.eye(self.states) - self.moves(o), ones)[0] for o in (off, -off)]
        return 1.0 / sum(1.0 / side for side in sides)

    def found(self, seen: np.ndarray) -> np.ndarray:
        """Return the share of shifts found within 1, 2, … sessions, by the side they are on."""
        state, shares = np.eye(self.states)[0], []
        for off in seen:
            state = state @ self.moves(off)
            shares.append(1.0 - float(state.sum()))
        return np.array(shares)


def best_chart(run_length: float, seen: np.ndarray) -> np.ndarray:
    """Return what the sums find, of the allowance that finds most within four sessions."""
    made = []
    for allowance in (0.5, 0.75, 1.0, 1.25):
        limit = optimize.brentq(
            lambda h, k=allowance: BestChart(k, h).run_length() - run_length, 0.3, 9.0, xtol=1e-3
        )
        made.append(BestChart(allowance, limit).found(seen))
    return max(made, key=lambda found: found[3])


def at_best() -> list[str]:
    """Return the rows of the best charts for a shift of 1 %, 26 sessions a year."""
    lines = []
    of_chart = (1.0 - stability.ODD_SHARE) * stability.SIGNALS_IN_TWO_YEARS
    for signals in (of_chart, MOST_SIGNALS):
        for follows in FOLLOWS:
            seen, run_length = shifts_seen(follows, 60), 52.0 / signals
            found = best_chart(run_length, seen)
            shares = [most_found(run_length, seen[:4]), *found[[3, 7]]]
            said = " | ".join(f"{100.0 * share:.0f}" for share in shares)
            nine_of_ten = int(np.argmax(found >= 0.9)) + 1
            lines.append(f"| {signals:.2f} | {follows:g} | {said} | {nine_of_ten} |")
    return lines


# The whole step: control bike, customers' bikes and a sound weather station.


def shop(
    chance: np.random.Generator, a_year: int, follows: float
) -> tuple[list[dict[str, Any]], dict[str, np.ndarray], dict[str, list[float]]]:
    """Return two years of a stable shop: sessions, control curves, levels of control pulls."""
    days = np.unique(np.linspace(0, 729, 2 * a_year).astype(int))
    weather = _weather(chance, 730)
    level = levels(chance, days.size, follows)
    sessions, curves, pulls = [], {}, {}
    for number, day in enumerate(days.tolist()):
        row = _session(f"c{number:03}", "control", day, weather[day])
        sessions.append(row)
        speed = np.arange(3000.0, 6000.0, 50.0)
        power = np.full(speed.size, 4e4 * math.exp(level[number] / 100.0))
        curves[row["stage_id"]] = np.column_stack([speed, power])
        pulls[row["stage_id"]] = chance.normal(0.0, PULL_SD_PCT, 3).tolist()
    sessions += [
        _session(f"x{day:03}", f"customer {day}", day, weather[day])
        for day in range(730)
        if day % 7 < CUSTOMER_DAYS
    ]
    sessions.sort(key=lambda row: (row["run_on"], row["stage_id"]))
    return sessions, curves, pulls


def _weather(chance: np.random.Generator, days: int) -> np.ndarray:
    """Return temperature [K], pressure [Pa] and humidity [%] of each day, as a station shows them.

    Fronts pass in some four days; winters are colder and more changeable. Common practice.
    """
    air, made = np.zeros(3), []
    for day in range(days):
        winter = math.cos(2.0 * math.pi * day / 365.25)
        for place, (keeps, sd) in enumerate(
            ((0.7, 2.5), (0.8, 850.0 + 250.0 * winter), (0.6, 9.0))
        ):
            air[place] = keeps * air[place] + math.sqrt(1 - keeps**2) * chance.normal(0.0, sd)
        made.append(
            (
                round(294.0 - 5.0 * winter + air[0], 1),
                round(97_660.0 + air[1], -1),
                float(np.clip(round(45.0 + air[2]), 15, 95)),
            )
        )
    return np.array(made)


def _session(stage_id: str, bike_id: str, day: int, air: np.ndarray) -> dict[str, Any]:
    temperature, pressure, humidity = air.tolist()
    return {
        "stage_id": stage_id, "job_id": stage_id, "bike_id": bike_id, "made_from": "study",
        "run_on": START + timedelta(days=day), "is_control": bike_id == "control",
        "air_density_kg_m3": pressure / 287.05 / temperature, "has_air_doubt": False,
        "is_corrected": True, "pulls_effective": 3.0, "reference_air": "SAE J1349", "dyno": "main",
        "gear": None, "build_id": "plain", "fuel": "E5", "ethanol_share": None,
        "parts_label": "standard parts", "map_name": "stock", "map_revision": None,
        "equipment": "bench", "ambient_temp_k": temperature, "ambient_pressure_pa": pressure,
        "ambient_humidity_pct": humidity, "factor_disagreement_pct": 0.0, "doubt": None,
    }  # fmt: skip


def told_of(
    sessions: list[dict[str, Any]],
    curves: dict[str, np.ndarray],
    pulls: dict[str, list[float]],
    is_known: bool,
) -> set[str]:
    """Return the kinds of events and oddities that the step tells of some sessions."""
    given = Given(ShopFolder(Path()), ShopSettings(shop=Shop(altitude_m=310.0)))
    mounting = math.sqrt(SD_PCT**2 - PULL_SD_PCT**2 / 3.0)
    shares = {"repeatability": PULL_SD_PCT, "remount": mounting, "day": 0.0, "other_day": mounting}
    trust: dict[str, Any] = {f"{name}_share": sd / 100.0 for name, sd in shares.items()}
    for name in shares:
        trust |= {f"{name}_origin": note("trust assumed"), f"is_{name}_assumed": not is_known}
    trust |= {"remount_pairs": 12, "default_told": []}
    made = cast(
        "dict[str, list[dict[str, Any]]]", STABILITY.make(given, [(sessions, trust, curves, pulls)])
    )
    told = {event["event_kind"] for event in made["out.dyno_event"]}
    verdicts = made["out.dyno_verdict"]
    if any(row["subject"].startswith("reference") and row["state"] != "good" for row in verdicts):
        told.add("odd session in the reference")
    if any(row["subject"] == "weather station" and row["state"] != "good" for row in verdicts):
        told.add("weather")
    return told


def stable_shops(chance: np.random.Generator, shops: int) -> list[str]:
    """Return the rows of whole shops over two years."""
    kinds = ("shift", "odd day", "weather", "correction", "odd session in the reference")
    lines = []
    for a_year in SESSIONS_A_YEAR:
        for follows, is_known in ((0.0, True), (0.0, False), (0.4, True), (0.4, False)):
            found = [_told_in_two_years(chance, a_year, follows, is_known) for _ in range(shops)]
            groups = [({"shift", "drift"} if kind == "shift" else {kind}) for kind in kinds]
            shares = [np.mean([bool(one & group) for one in found]) for group in groups]
            shares.insert(0, np.mean([bool(one) for one in found]))
            said = " | ".join(f"{100.0 * float(share):.1f}" for share in shares)
            lines.append(f"| {a_year} | {follows:g} | {_word(is_known)} | {said} |")
    return lines


def _told_in_two_years(
    chance: np.random.Generator, a_year: int, follows: float, is_known: bool
) -> set[str]:
    sessions, curves, pulls = shop(chance, a_year, follows)
    told: set[str] = set()
    for look in range(1, LOOKS + 1):
        told |= told_of(
            [dict(row) for row in sessions[: len(sessions) * look // LOOKS]],
            curves,
            pulls,
            is_known,
        )
    return told


def table(shops: int, seed: int = SEED) -> str:
    """Return the study's tables in markdown."""
    chance = np.random.default_rng(seed)
    whole = max(shops // 10, 1)
    return "\n".join(
        [
            f"## Charts of stable dynos over two years ({shops} shops a line; % of shops)",
            "",
            "| sessions a year | φ | scatter | any signal | a change | an odd session | signals |",
            "| --: | --: | --- | --: | --: | --: | --: |",
            *stable_charts(chance, shops),
            "",
            f"## All that is watched, over two years ({whole} shops a line; % of shops)",
            "",
            f"Control bike, weather station and air correction, looked at {LOOKS} times.",
            "",
            "| sessions a year | φ | scatter | anything | a change | an odd session | weather | "
            "correction | odd in the reference |",
            "| --: | --: | --- | --: | --: | --: | --: | --: | --: |",
            *stable_shops(chance, whole),
            "",
            f"## Dynos that change after {BEFORE} sessions ({shops} shops a line; % of them)",
            "",
            "Found within so many sessions, the first of the new state being 1, where nothing was "
            "told before; the odd session itself told as odd; intervals that held the truth.",
            "",
            "| what happens | φ | scatter | within 4 | 8 | 13 | 26 | told as odd | size held | day "
            "held |",
            "| --- | --: | --- | --: | --: | --: | --: | --: | --: | --: |",
            *changed_charts(chance, shops),
            "",
            "## What the best chart could find of a shift of 1 %, 26 sessions a year",
            "",
            "By theory, of level, scatter and φ known from the start, which no shop has. No chart: "
            "the bound by Neyman and Pearson's lemma for any chart with so few false signals. "
            "Sums: cumulative sums, the best for the longest expected wait (Moustakides 1986, from "
            "memory), of the allowance that finds most within 4; exact by Markov chain.",
            "",
            "| false signals in two years | φ | no chart passes, within 4 | sums, within 4 | 8 | "
            "sessions until nine in ten are found |",
            "| --: | --: | --: | --: | --: | --: |",
            *at_best(),
            "",
        ]
    )


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the study, print its tables and keep them."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--shops", type=int, default=1000, help="shops of each line")
    given = parser.parse_args(arguments)
    found = table(given.shops)
    sys.stdout.write(found)
    write_beside(__file__, "The simulation study of the dyno's charts", MADE + found)


if __name__ == "__main__":
    main()
