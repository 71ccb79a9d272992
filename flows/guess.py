"""Guesses the layout of a file that nobody has taught: which column is what, in which unit.

Each pair of column and channel collects evidence in natural logarithms of odds: words of the
header, units, ranges of values, relations between columns. The best assignment of columns to
channels is taken as a whole, one column one channel; its lead over the column's next best use is
the confidence. The weights are judgement, tried on translated headers and unit variants
(tests/flows/test_guess.py), not fitted.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import math
import re
from collections.abc import Collection
from dataclasses import dataclass, field
from functools import cached_property
from itertools import product
from typing import Any, Literal

import numpy as np
import polars as pl

from flows.privacy import private_by_name, private_by_values
from flows.readers.head import bare_key, is_relative, unit_behind, unit_of_key
from flows.readers.source import EARLIEST_S, LATEST_S, Look
from flows.readers.words import known_unit, name_and_unit, number, other_unit, plain_words
from schemas import desk
from schemas.channels import BY_WORD, CHANNELS, Channel
from schemas.desk import Question
from schemas.layout import Layout
from schemas.units import Conversion, conversion

WORD_SURE, WORD_HINT, UNIT_OWN, UNIT_SHARED, UNIT_WRONG = 5.0, 2.5, 2.0, 1.0, -8.0
RANGE_FITS, RANGE_MISSES, RELATION, RELATION_BROKEN = 1.0, -4.0, 2.5, -6.0
NO_WORD = -1.5
LEAST_SCORE = 1.0
"""Below, a column is left alone: a wrong channel is worse than a missing one."""
SURE_FROM, LIKELY_FROM = 0.95, 0.75
MOST_PULL_ROWS = 6_000
USED_FROM = 0.6
"""Confidence below which a column is left alone and its guess only told."""
MOST_OF_ONE_VALUE = 0.7
"""Confidence in a column that holds one value only: its name is all there is."""
LEAST_STEP_MS = 4.5
MOST_STANDING = 0.9
"""A clock of whole seconds stands still within one: in nine of ten rows at ten a second."""
NO_UNIT = ("", "-", "–", "—", "1")
NEEDED = ("time", "engine_speed", "wheel_power", "wheel_torque")
"""Channels without which there is no layout: their guess stands, marked as one."""
STILL_SHARE, STILL_K = 0.005, 1.5
"""Air of a room changes less than this within a log; air in an intake more (common practice, no
source)."""

STARTED_AT = (
    r"(date|datum|date time|begun|begin|beginn|start|started|recorded|ride begun)( at| time)?",
    r"(fecha|data|zeitpunkt|datum zeit|run date|test date)",
)
FACTOR = r"(correction|korrektur|corr)( ?faktor| ?factor)?|cf|facteur( de correction)?|fattore"
_NO_OTHER = r"\b(?![ -]*(?:en )?[a-z]?\d)"
"""SAE 10W-40, ISO 9141, DIN A4 and DIN EN 228 are other standards."""
STANDARDS = {
    "ISO 4106": r"iso ?4106",
    "SAE J1349": rf"j ?1349|\bsae{_NO_OTHER}(?!.*j ?607)",
    "SAE J607": rf"j ?607|\bstd{_NO_OTHER}",
    "DIN 70020": rf"\bdin{_NO_OTHER}|(?<!\d)70020(?!\d)",
    "ISO 1585": rf"(?<!\d)1585(?!\d)|\biso{_NO_OTHER}",
}
OF_POWER = (
    r"1349|1585|4106|70020|607|corr|korr|norm|standard|fa[ck]t|power|leistung|puissance|potenza"
    r"|potencia|vermogen"
)
"""A standard beside none of these, as in "lambda std", is no word on the power."""
NOT_CORRECTED = r"un(corr|korr)|non corr|sin corr|ohne korr"
OBSERVED = rf"{NOT_CORRECTED}|\b(obs|observed|raw|measured|gemessen)\b"
TIME_FORMATS = (
    "%Y-%m-%d %H:%M:%S", "%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M:%S", "%d.%m.%Y %H:%M:%S",
    "%d.%m.%Y %H:%M", "%d/%m/%Y %I:%M:%S %p", "%d/%m/%Y %I:%M %p", "%m/%d/%Y %I:%M:%S %p",
    "%m/%d/%Y %I:%M %p", "%Y/%m/%d %H:%M:%S", "%Y/%m/%d %H:%M", "%d/%m/%Y %H:%M:%S",
    "%d/%m/%Y %H:%M",
    "%m/%d/%Y %H:%M:%S", "%m/%d/%Y %H:%M", "%Y-%m-%d", "%d.%m.%Y",
)  # fmt: skip


_CLOCK_TEXT = r"\d{1,2}:\d{2}(:\d{2})?([.,:]\d+)?\s*(Z|[+-]\d{2}:?\d{2}|[AaPp][Mm])?$"


@dataclass
class GuessedColumn:
    """A column of the file, what it was taken for, how surely, and why."""

    name: str
    stated_unit: str
    series: pl.Series
    is_private: bool = False
    channel: str | None = None
    unit: str = ""
    confidence: float = 0.0
    why: list[str] = field(default_factory=list)
    extras: dict[str, Any] = field(default_factory=dict)
    scores: dict[str, float] = field(default_factory=dict)
    """Evidence for each channel."""

    @cached_property
    def values(self) -> np.ndarray:
        """Its numbers; NaN for all else."""
        if self.series.dtype.is_numeric():
            return self.series.cast(pl.Float64).to_numpy()
        return np.full(self.series.len(), np.nan)

    @cached_property
    def seen(self) -> np.ndarray:
        """Its numbers where it has any."""
        return self.values[np.isfinite(self.values)]

    @cached_property
    def named(self) -> str:
        """Its name in plain words, without its unit."""
        return plain_words(name_and_unit(self.name)[0].split(" #")[0])

    @cached_property
    def said_unit(self) -> str | None:
        """Our word for the unit that the file says, in its own place or as the name's last word."""
        if self.stated_unit and self.stated_unit not in NO_UNIT:
            return known_unit(self.stated_unit)
        _, blank, last = self.name.rpartition(" ")
        # A letter or two alone is as often a mark of the channel; those meant stand in _LAST_WORDS.
        return _unit_in_words(self.named) or (known_unit(last) if blank and len(last) > 2 else None)

    @property
    def unknown_unit(self) -> str:
        """What the file states for a unit where nobody knows that word, "" otherwise."""
        is_unknown = self.stated_unit not in NO_UNIT and self.said_unit is None
        return self.stated_unit if is_unknown else ""

    @property
    def only_value(self) -> float | None:
        """The value of a column that holds no other, in enough rows to show one."""
        return float(self.seen[0]) if self.seen.size > 5 and np.ptp(self.seen) == 0.0 else None

    @property
    def example(self) -> str:
        """First, middle and last of its numbers; nothing of a private column."""
        numbers = self.series.drop_nulls()
        if self.is_private or not self.series.dtype.is_numeric() or not numbers.len():
            return ""
        return ", ".join(f"{v:g}" for v in (numbers[0], numbers[numbers.len() // 2], numbers[-1]))

    @property
    def words(self) -> str:
        """How sure this is, in a word or two."""
        if self.is_private:
            return "left in the archive"
        if self.channel is None:
            return "not used"
        if self.confidence >= SURE_FROM:
            return "sure"
        return "likely" if self.confidence >= LIKELY_FROM else "a guess"

    def told(self) -> desk.GuessedColumn:
        """Return what pages and the terminal are told of it."""
        fields = desk.GuessedColumn.model_fields
        return desk.GuessedColumn.model_validate({name: getattr(self, name) for name in fields})


@dataclass
class Draft:
    """A proposed layout as its tables, with the guess behind every column."""

    look: Look
    kind: Literal["pull", "ride"]
    columns: list[GuessedColumn]
    questions: list[Question]
    tables: dict[str, Any]
    doubts: list[str] = field(default_factory=list)

    @property
    def lacking(self) -> list[str]:
        """Channels without which there is no layout, and that no column was taken for."""
        held = set(self.tables["channels"])
        needed = [["engine_speed"]]
        if self.kind == "ride":
            needed += [["throttle"], *([["time"]] if self.look.format != "mdf" else [])]
        else:
            needed.append(["wheel_power", "wheel_torque"])
        return [" or ".join(words) for words in needed if not held & set(words)]

    @property
    def left_over(self) -> list[str]:
        """Names of the columns that a person might choose from for what is lacking."""
        return [c.name for c in self.columns if c.channel is None and not c.is_private]

    def layout(self) -> Layout:
        """Return it as a layout; raises ValueError where a needed channel was not found."""
        return Layout.model_validate(self.tables)


def guess(
    look: Look,
    name: str = "new layout",
    equipment: str = "",
    private: Collection[str] = (),
    not_private: Collection[str] = (),
) -> Draft:
    """Return a proposed layout for a file; a person's word on what is private rules."""
    kept_back = _private(look) | dict.fromkeys(private, "a person said so")
    for column_name in not_private:
        kept_back.pop(column_name, None)
    columns = [_column(look, column, kept_back.get(column, "")) for column in look.frame.columns]
    for column in columns:
        column.scores = {} if column.is_private else _scores(column)
    _relations(columns)
    _assign(columns)
    _units_of_power(columns)
    _set_aside(columns)
    kind = _kind(columns)
    questions: list[Question] = []
    tables = _tables(look, columns, kind, name, equipment or name, questions)
    if private:
        tables["layout"]["private"] = [column for column in look.frame.columns if column in private]
    doubts = [*look.doubts, *_doubts_of_clock(look, columns), *_doubts_of_power(columns)]
    _mark_assumed(tables, columns)
    return Draft(look, kind, columns, questions, tables, doubts)


def _doubts_of_clock(look: Look, columns: list[GuessedColumn]) -> list[str]:
    """Return what is to be said of a clock that is too coarse for most of what is worked out."""
    time = next((column for column in columns if column.channel == "time"), None)
    if time is None:
        return []
    if time.seen.size:
        seconds = time.seen * conversion(time.unit or "s", "s").factor
        is_whole = bool((seconds == np.round(seconds)).all())
    else:
        written = look.frame[time.name].cast(pl.String).drop_nulls()
        is_whole = written.len() > 0 and not written.str.contains(r":\d{2}[.,]\d*[1-9]").any()
    if not is_whole:
        return []
    return [
        f"the times of {time.name!r} are whole seconds: the log is kept with them, and used only "
        "where one sample a second is evidence enough"
    ]


def _doubts_of_power(columns: list[GuessedColumn]) -> list[str]:
    """Return what is to be said of a file with several columns of power."""
    others = " and ".join(map(repr, _power_beside(columns)))
    return [
        f"{column.name!r} was taken for the power, and {others} not: say whether the one that is "
        "taken is observed or corrected"
        for column in columns
        if column.channel == "wheel_power" and others
    ]


def _mark_assumed(tables: dict[str, Any], columns: list[GuessedColumn]) -> None:
    """Name in each table the entries that neither the file nor its values say."""
    # Also as the last word of its name: "Power hp".
    stated = {column.channel for column in columns if column.said_unit is not None}
    unknown = {column.channel for column in columns if column.unknown_unit}
    for word, channel in tables["channels"].items():
        asked = ("probe", "shaft", "gauge_scale", "day_first")
        assumed = [key for key in asked if key in channel]
        if word not in stated and (BY_WORD[word].asked or _is_unknown(word, unknown)):
            assumed.append("unit")
        if assumed:
            channel["assumed"] = assumed
    power = tables.get("power", {})
    if tables.get("power") and not power.pop("is_told", False):
        power["assumed"] = [key for key in ("state", "standard") if key in power]


def _private(look: Look) -> dict[str, str]:
    """Return the columns that are private by name or by values, with what they are."""
    by_name = {name: what for name in look.frame.columns if (what := private_by_name(name))}
    rest = look.frame.select(name for name in look.frame.columns if name not in by_name)
    named = {name for name in rest.columns if _names_a_channel(name)}
    return by_name | private_by_values(rest, named)


def _names_a_channel(name: str) -> bool:
    words = plain_words(name_and_unit(name)[0].split(" #")[0])
    return any(_word_score(channel, words) > 0 for channel in BY_WORD.values())


def _column(look: Look, name: str, private: str) -> GuessedColumn:
    why = [f"{private}: stays in the archive unless you say otherwise"] if private else []
    stated = look.units.get(name, "")
    return GuessedColumn(name, stated, look.frame[name], bool(private), why=why)


def _scores(column: GuessedColumn) -> dict[str, float]:
    """Return the evidence for each channel by words, units and range."""
    stated = column.stated_unit if column.stated_unit not in NO_UNIT else ""
    if stated and other_unit(stated) is not None and known_unit(stated) is None:
        column.why.append(f"{stated!r} measures what no channel is")
        return {}
    if column.only_value is not None:
        said = f"holds {column.only_value:g} only, which says nothing of what it is"
        column.why.append(said)
    scores: dict[str, float] = {}
    for word, channel in BY_WORD.items():
        score = _word_score(channel, column.named)
        is_named = score == WORD_SURE
        if stated and not _measures(channel, column.said_unit, is_named=is_named):
            continue
        if column.only_value is not None:
            # Its name is all that speaks for it; a room at zero degrees is a sensor that is off.
            if is_named and (column.only_value != 0.0 or not word.startswith("ambient_")):
                scores[word] = WORD_SURE
            continue
        if word == "lambda_wide_2" and column.name.endswith(" #2"):
            score = max(score, _word_score(BY_WORD["lambda_wide"], column.named) - 0.5)
        score += _unit_score(channel, column.said_unit, has_word=score > 0)
        if word == "time" and not column.seen.size and _is_clock(column.series):
            score += RELATION
        elif column.seen.size < 2:
            continue
        else:
            fit = best_unit(channel, column.values, column.said_unit)
            score += RANGE_FITS if fit else RANGE_MISSES
        scores[word] = score
    return scores


def _measures(channel: Channel, unit: str | None, *, is_named: bool) -> bool:
    """Whether the unit that a file states may be a channel's; an unknown one only by its name."""
    return is_named if unit is None else _step(unit, channel) is not None


def _step(unit: str, channel: Channel) -> Conversion | None:
    """Return how a unit becomes a channel's own, None where it measures something else."""
    try:
        return conversion(unit, channel.unit)
    except ValueError:
        return None


def _word_score(channel: Channel, words: str) -> float:
    if any(re.fullmatch(pattern, words) for pattern in channel.sure):
        return WORD_SURE
    if any(re.search(pattern, words) for pattern in channel.hints):
        return WORD_HINT
    return NO_WORD


_LAST_WORDS = {
    "rpm", "kmh", "mph", "kw", "hp", "ps", "nm", "pct", "kpa", "mbar", "hpa", "ms", "s", "c", "f",
    "degc", "degf", "v",
}  # fmt: skip


def _unit_in_words(words: str) -> str | None:
    """Return the unit that a name ends with: "coolant_c", "wheel kW"."""
    last = words.rpartition(" ")[2]
    return known_unit(last) if last in _LAST_WORDS else None


def _unit_score(channel: Channel, unit: str | None, *, has_word: bool) -> float:
    if unit == "%" and channel.unit in ("1", "") and not has_word:
        return UNIT_WRONG  # a percentage is a share of something, and no mixture or gear
    if unit is None or unit in ("lambda", "1", ""):
        return 0.0
    if _step(unit, channel) is None:
        return UNIT_WRONG
    shared = sum(one.unit == channel.unit for one in CHANNELS.values())
    return UNIT_OWN if shared <= 2 else UNIT_SHARED


def best_unit(channel: Channel, values: np.ndarray, stated: str | None) -> str | None:
    """Return the unit in which values are usual for a channel."""
    seen = values[np.isfinite(values)]
    if channel.word == "time" and seen.size and (epoch := _epoch_unit(float(seen[0]))):
        return epoch
    if channel.word == "time" and stated is None and seen.size > 2:
        # Loggers sample once in two seconds or faster, and slower than 200 times a second.
        return "ms" if np.median(np.diff(seen)) >= LEAST_STEP_MS else "s"
    shown = np.quantile(seen, [0.05, 0.95])
    for unit in (stated, *channel.units):
        step = None if unit is None else _step(unit, channel)
        if step is None:
            continue
        low, high = shown * step.factor + step.offset
        # What fits by being small says nothing: a power that never passes 100 W.
        if channel.usual[0] <= low and channel.dull_below <= high <= channel.usual[1]:
            return unit
    if channel.word.startswith("lambda_wide") and shown[0] >= 8.5 and shown[1] <= 25.0:
        return "AFR"
    return None


def _is_clock(series: pl.Series) -> bool:
    if series.dtype in (pl.Time, pl.Duration) or isinstance(series.dtype, pl.Datetime):
        return True
    if series.dtype != pl.String:
        return False
    some = series.drop_nulls().head(50)
    return bool(some.len() and some.str.contains(_CLOCK_TEXT).all())


def _relations(columns: list[GuessedColumn]) -> None:
    """Add what columns say of each other."""
    for column in columns:
        of, seen = column.scores, column.seen
        if "time" in of and seen.size > 5:
            steps = np.diff(seen)
            if (steps > 0).all() and np.std(steps) < 0.5 * np.mean(steps):
                of["time"] += RELATION
                column.why.append("rises evenly from row to row")
            elif (steps < 0).mean() > 0.02 or (steps <= 0).mean() > MOST_STANDING:
                of["time"] += RELATION_BROKEN
        if seen.size > 5 and np.ptp(seen) > 0.0:
            _still_air(column)
        if "gear" in of and seen.size:
            of["gear"] += (
                0.5 if np.unique(seen).size <= 8 and (seen == seen.round()).all() else -4.0
            )
        if "engine_speed" in of and seen.size and np.ptp(seen) > 500.0:
            # Nothing else that is logged runs over thousands and falls again.
            is_rpm = 1000.0 < np.median(seen) < 15_000.0 and bool((np.diff(seen) < 0).any())
            of["engine_speed"] += RELATION if is_rpm else 0.0
    words = ("wheel_power", "wheel_torque", "engine_speed")
    for three in product(*([c for c in columns if c.scores.get(w, -9.0) > 0] for w in words)):
        if len({column.name for column in three}) == 3 and _is_product(*three):
            for column, word in zip(three, words, strict=True):
                column.scores[word] += 1.0


def _still_air(column: GuessedColumn) -> None:
    """Take air that stands still for that of the room, not of the intake."""
    of, seen = column.scores, column.seen
    for room, intake, most in (
        ("ambient_pressure", "map_pressure", STILL_SHARE * float(np.median(seen))),
        ("ambient_temp", "intake_air_temp", STILL_K),
    ):
        unit = best_unit(BY_WORD[room], seen, column.said_unit)
        if unit is None or room not in of:
            continue
        factor = conversion(unit, BY_WORD[room].unit).factor
        is_pressure = room == "ambient_pressure"
        is_still = float(np.ptp(seen)) * factor <= most * (factor if is_pressure else 1.0)
        # Without a unit of pressure a throttle held at 100 would be one too.
        is_meant = is_pressure and unit == column.said_unit
        if is_still and (is_meant or _word_score(BY_WORD[room], column.named) > 0):
            of[room] += RELATION
            of[intake] = of.get(intake, 0.0) - RELATION
            column.why.append("stands still, as the air of a room does")


def _is_product(power: GuessedColumn, torque: GuessedColumn, speed: GuessedColumn) -> bool:
    """Whether one column is proportional to the product of two others."""
    ratios = _power_ratios(power, torque, speed)
    return bool(ratios.size >= 20 and np.std(ratios) < 0.05)


def _power_ratios(power: GuessedColumn, torque: GuessedColumn, speed: GuessedColumn) -> np.ndarray:
    """Return ln of power over torque times speed, where the engine pulls."""
    p, t, n = power.values, torque.values, speed.values
    loaded = (t > 0.2 * np.nanmax(t)) & (n > 0) & (p > 0)
    return np.log(p[loaded] / (t[loaded] * n[loaded]))


def _assign(columns: list[GuessedColumn]) -> None:
    """Give each column its channel so that all together fit best."""
    from scipy.optimize import linear_sum_assignment

    channels = list(BY_WORD)
    gains = np.zeros((len(columns), len(channels) + len(columns)))
    for row, column in enumerate(columns):
        for place, channel in enumerate(channels):
            gains[row, place] = column.scores.get(channel, -9.0) - LEAST_SCORE
    rows, places = linear_sum_assignment(gains, maximize=True)
    taken = {row: place for row, place in zip(rows, places, strict=True) if place < len(channels)}
    for row, place in taken.items():
        column, channel = columns[row], channels[place]
        score = column.scores.get(channel, -9.0)
        if score <= LEAST_SCORE:
            continue
        others = [other for word, other in column.scores.items() if word != channel]
        rivals = [
            other.scores.get(channel, -9.0) for at, other in enumerate(columns) if at not in taken
        ]
        lead = score - max(0.0, LEAST_SCORE, *others, *rivals)
        column.channel = channel
        column.confidence = 1.0 / (1.0 + math.exp(-1.2 * lead))
        if column.only_value is not None:
            column.confidence = min(column.confidence, MOST_OF_ONE_VALUE)
        _choose_unit(column, BY_WORD[channel])


def _set_aside(columns: list[GuessedColumn]) -> None:
    """Leave columns alone whose guess is little better than none, and tell the guess."""
    for column in columns:
        word = column.channel
        if word is None or word in NEEDED or column.confidence >= USED_FROM:
            continue
        column.why.insert(0, f"perhaps {word}, {column.confidence:.0%}: choose it if it is")
        column.channel, column.extras = None, {}


def _choose_unit(column: GuessedColumn, channel: Channel) -> None:
    if channel.word == "time" and not column.seen.size:
        column.unit = "s"
        column.why.append("holds times of day")
        return
    stated = column.said_unit
    unit = best_unit(channel, column.values, stated)
    if unit == "AFR":
        column.unit, column.extras = "1", {"gauge_scale": 14.7}
        column.why.append("values are air-fuel ratios, not lambda")
    else:
        column.unit = unit or stated or channel.units[0]
        if unit is not None and unit == stated:
            said = unit if column.stated_unit in NO_UNIT else column.stated_unit
            column.why.append(f"the file states {said!r} and the values fit")
        elif unit is not None:
            column.why.append(f"values fit {unit}")
        elif stated is not None:
            column.confidence = min(column.confidence, 0.6)
            column.why.append(f"values do not fit {stated}: look at them")
    if _word_score(channel, column.named) >= WORD_SURE:
        column.why.insert(0, "its name says so")


POWER_AND_TORQUE = (
    ("kW", "Nm"), ("PS", "Nm"), ("hp", "lbf*ft"), ("hp", "Nm"), ("PS", "lbf*ft"),
)  # fmt: skip
"""Pairs that files write, the commonest first; PS with Nm and kW with lbf*ft lie 0.3 % apart."""


def _units_of_power(columns: list[GuessedColumn]) -> None:
    """Choose the units of power and torque by which power is torque times speed."""
    found = {column.channel: column for column in columns}
    power, torque, speed = map(found.get, ("wheel_power", "wheel_torque", "engine_speed"))
    if power is None or torque is None or speed is None or not _is_product(power, torque, speed):
        return
    stated = (known_unit(power.stated_unit), known_unit(torque.stated_unit))
    ratio = np.median(_power_ratios(power, torque, speed))
    for watts, newtons in POWER_AND_TORQUE:
        if (stated[0] or watts) != watts or (stated[1] or newtons) != newtons:
            continue
        factor = conversion(newtons, "N·m").factor / conversion(watts, "W").factor
        if abs(ratio - math.log(factor * math.pi / 30.0)) < 0.008:
            power.unit, torque.unit = watts, newtons
            for column in (power, torque):
                column.why.append("power is torque times speed in these units")
            return


def _kind(columns: list[GuessedColumn]) -> Literal["pull", "ride"]:
    found = {column.channel for column in columns}
    rows = max((column.series.len() for column in columns), default=0)
    has_power = bool(found & {"wheel_power", "wheel_torque"})
    return "pull" if has_power and rows <= MOST_PULL_ROWS else "ride"


def _tables(
    look: Look,
    columns: list[GuessedColumn],
    kind: str,
    name: str,
    equipment: str,
    questions: list[Question],
) -> dict[str, Any]:
    layout: dict[str, Any] = {"name": name, "kind": kind, "equipment": equipment}
    if look.format != "text":
        layout["format"] = look.format
    used = {column.channel: column for column in columns if column.channel}
    channels: dict[str, dict[str, Any]] = {}
    for word in BY_WORD:
        if (column := used.get(word)) is None:
            continue
        channel: dict[str, Any] = {"column": column.name, "unit": column.unit, **column.extras}
        if word == "time":
            channel |= _time_words(look, column, questions)
        if word.startswith("lambda_wide"):
            channel["probe"] = "collector"
        if word == "wheel_torque":
            channel["shaft"] = "engine"
        channels[word] = channel
    _ask(columns, channels, questions)
    named = [channel["column"] for channel in channels.values()]
    tables: dict[str, Any] = {
        "layout": layout,
        "recognise": {"columns": named[:8] if len(named) >= 2 else list(look.frame.columns)[:3]},
        "channels": channels,
    }
    if look.text:
        tables["text"] = dict(look.text)
    if look.sheet is not None:
        tables["sheet"] = {"name": look.sheet}
    if kind == "pull" and {"wheel_power", "wheel_torque"} & set(channels):
        tables["power"] = _power(look, columns, questions)
    if fields := _head_fields(look, questions):
        separator = {"separator": look.separator} if look.separator != ":" else {}
        tables["metadata"] = {**separator, "fields": fields}
    return tables


def _time_words(look: Look, column: GuessedColumn, questions: list[Question]) -> dict[str, Any]:
    """Return how the times are written, in the words of a layout."""
    series = look.frame[column.name]
    if series.dtype.is_numeric():
        first = series.drop_nulls()
        unit = _epoch_unit(float(first[0])) if first.len() else None
        return {"form": "epoch", "unit": unit} if unit else {}
    if isinstance(series.dtype, pl.Datetime):
        return {"form": "date and time"}
    if series.dtype == pl.Duration:
        return {}
    some = series.cast(pl.String).str.strip_chars().drop_nulls()
    first = str(some[0]) if some.len() else ""
    if named := re.match(r"\d{1,2}([-./ ])[A-Za-z]{3}\1(\d{4}|\d{2})([ T])", first):
        year = "%Y" if len(named[2]) == 4 else "%y"
        date = named[1].join(("%d", "%b", year))
        fraction = "%.f" if re.search(r":\d{2}\.\d", first) else ""
        return {"form": "date and time", "format": f"{date}{named[3]}%H:%M:%S{fraction}"}
    if not re.search(r"\d[-./]\d+[-./]\d", first):
        return {"form": "clock"}
    if not re.match(r"\d{1,2}[/-]\d{1,2}[/-]", first):
        return {"form": "date and time"}
    parts = some.str.extract_groups(r"^(\d{1,2})[/-](\d{1,2})").struct.unnest()
    highest = [parts.to_series(at).cast(pl.Int64, strict=False).max() for at in (0, 1)]
    if any(isinstance(one, int) and one > 12 for one in highest):
        return {"form": "date and time"}  # the dates themselves tell what stands first
    text = f"Is the day first in {first!r}?"
    questions.append(
        Question(key="channels.time.day_first", text=text, choices=("true", "false"), chosen="true")
    )
    return {"form": "date and time", "day_first": True}


def _epoch_unit(first: float) -> str | None:
    """Return the unit in which a number is a date after 1985, None if it is none."""
    units = {"s": 1.0, "ms": 1e-3, "us": 1e-6}
    return next((u for u, step in units.items() if EARLIEST_S < first * step < LATEST_S), None)


def _ask(
    columns: list[GuessedColumn],
    channels: dict[str, dict[str, Any]],
    questions: list[Question],
) -> None:
    """Ask what values cannot tell."""

    def ask(word: str, key: str, text: str, choices: tuple[str, ...], chosen: str) -> None:
        questions.append(
            Question(key=f"channels.{word}.{key}", text=text, choices=choices, chosen=chosen)
        )

    stated = {column.channel for column in columns if column.stated_unit}
    unknown = {column.channel: column.unknown_unit for column in columns if column.unknown_unit}
    for word, channel in BY_WORD.items():
        if word not in channels:
            continue
        if _is_unknown(word, unknown):
            text = (
                f"{channel.label}: in which unit is it? The file says {unknown[word]!r}, which is "
                "no unit known here."
            )
            ask(word, "unit", text, channel.units, channels[word]["unit"])
        elif channel.asked and word not in stated:
            ask(word, "unit", channel.asked, channel.units[:3], channels[word]["unit"])
    if "wheel_torque" in channels:
        text = "At which shaft is the torque stated?"
        ask("wheel_torque", "shaft", text, ("engine", "wheel"), "engine")
    for word in ("lambda_wide", "lambda_wide_2"):
        if word not in channels:
            continue
        column = channels[word]["column"]
        text = f"Where does the mixture probe of {column!r} sit?"
        ask(word, "probe", text, ("port", "header", "collector", "tailpipe"), "collector")
        if "gauge_scale" in channels[word]:
            text = f"What does the gauge of {column!r} show at lambda 1?"
            ask(word, "gauge_scale", text, ("14.7", "14.6", "14.57", "14.1", "9.0"), "14.7")


def _is_unknown(word: str, unknown: Collection[str | None]) -> bool:
    """Whether a file states a unit that nobody knows where another would be another value."""
    return word in unknown and len(BY_WORD[word].units) > 1


def standard_in(said: str) -> str | None:
    """Return the standard that a text names as what power is corrected to."""
    return next((name for name, p in STANDARDS.items() if re.search(p, said.lower())), None)


def _power_beside(columns: list[GuessedColumn]) -> list[str]:
    """Return columns that are power by their names and were not taken: the other of two."""
    by_name = [c for c in columns if _word_score(BY_WORD["wheel_power"], c.named) > 0]
    is_taken = any(column.channel == "wheel_power" for column in columns)
    return [c.name for c in by_name if c.channel is None and is_taken and not c.is_private]


def _power(look: Look, columns: list[GuessedColumn], questions: list[Question]) -> dict[str, Any]:
    """Return what the head, or the column that was taken, says of power; no other column may."""
    own = [c.name for c in columns if c.channel in ("wheel_power", "wheel_torque")]
    texts = [*(f"{key} {value}" for key, value in look.head.items()), *own]
    naming = {text.lower(): name for text in texts if (name := standard_in(text))}
    told = {
        text: name
        for text, name in naming.items()
        if re.search(OF_POWER, text) and not re.search(NOT_CORRECTED, text)
    }
    standard = next((name for name in STANDARDS if name in (told or naming).values()), None)
    power: dict[str, Any] = {"state": "corrected" if standard else "observed"}
    if standard:
        power |= {"standard": standard, "is_told": bool(told)}
    of_own = " ".join(own).lower()
    if re.search(OBSERVED, of_own):
        power = {"state": "observed", "is_told": True}
    elif re.search(r"corr|korr|norm", of_own):
        power |= {"state": "corrected", "standard": standard or "SAE J1349"}
    elif _power_beside(columns) and not (own and standard_in(of_own)):
        # Of two columns it is the other that a standard above the table is about.
        power = {"state": "observed"}
    for key, value in look.head.items():
        is_factor = re.fullmatch(FACTOR, plain_words(bare_key(key)))
        decimal = str(look.text.get("decimal", "."))
        shown = number(value.split(" ")[0], decimal) if value else None
        if is_factor and shown is not None and 0.7 < shown < 1.4:
            if "standard" in power or not _power_beside(columns):
                power["factor_key"] = key
            if "factor_key" in power and "standard" not in power:
                power |= {"state": "corrected", "standard": "SAE J1349"}
    questions.append(
        Question(
            key="power",
            text="Is the power observed, or corrected, and to which standard?",
            choices=("observed", "SAE J1349", "ISO 1585", "ISO 4106", "DIN 70020", "SAE J607"),
            chosen=power.get("standard", "observed"),
        )
    )
    return power


def _head_fields(look: Look, questions: list[Question]) -> dict[str, dict[str, Any]]:
    fields: dict[str, dict[str, Any]] = {}
    decimal = str(look.text.get("decimal", "."))
    patterns = {c.word: (*c.sure, *c.head) for c in CHANNELS.values() if c.in_head}
    for key, value in look.head.items():
        words, stated = plain_words(bare_key(key)), unit_of_key(key)
        for name, named in (patterns | {"started_at": STARTED_AT}).items():
            if name in fields or not any(re.fullmatch(pattern, words) for pattern in named):
                continue
            if name == "started_at":
                if forms := _time_formats(value):
                    fields[name] = {"key": key, "format": forms[0]}
                if len(forms) > 1:
                    fields[name]["assumed"] = ["format"]
                    text = f"Is the day first in {value.strip()!r}, or the month?"
                    asked = f"metadata.fields.{name}.format"
                    questions.append(Question(key=asked, text=text, choices=forms, chosen=forms[0]))
            elif not BY_WORD[name].unit:
                if number(value, decimal) is not None:
                    fields[name] = {"key": key}
            elif unit := _head_unit(
                name, value, said := stated or _unit_in_words(words) or "", decimal
            ):
                fields[name] = {"key": key, "unit": unit}
                is_percent = name == "ambient_humidity" and unit == "%"
                if not (is_percent or unit_behind(value) or known_unit(said)):
                    fields[name]["assumed"] = ["unit"]
            break
    return fields


def _head_unit(name: str, value: str, stated: str, decimal: str) -> str | None:
    shown = value.strip().partition(" ")[0]
    found = number(shown.rstrip("%°"), decimal)
    if found is None:
        return None
    unit = unit_behind(value) or known_unit(stated)
    if name == "ambient_humidity":
        if not is_relative(value) or unit not in (None, "%"):
            return None
        return "1" if found <= 1.0 and unit is None and "%" not in shown else "%"
    return best_unit(BY_WORD[name], np.array([found, found]), unit)


def _time_formats(value: str) -> tuple[str, ...]:
    """Return the form of a time; two where the day could be the month, and is another day then."""
    fits: dict[dt.datetime, str] = {}
    for form in TIME_FORMATS:
        with contextlib.suppress(ValueError):
            at = dt.datetime.strptime(value.strip(), form)  # noqa: DTZ007 - the file gives no zone
            fits.setdefault(at, form)
    return tuple(fits.values())
