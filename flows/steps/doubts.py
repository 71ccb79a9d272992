"""What speaks against a file's channels as they are labelled, and which are no evidence."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property
from typing import Literal, NamedTuple

import numpy as np

from flows.metrics import plausibility, power_course, stuck
from flows.metrics.clocks import sweeps_in_a_row
from flows.metrics.notes import Note, note
from flows.metrics.sweep import failing_throttle, sweeps
from schemas.columns import CHANNELS
from schemas.layout import CHANNEL_COLUMNS, Layout

STILL_SPREAD = 0.002
"""A live lambda moves more than this over a whole log, whatever the engine does."""
RAIL_SHARE = 0.5
"""With more of its samples at one end of its range, a sensor is saturated."""
RICHEST_RAIL, LEANEST_RAIL = 0.72, 1.3
"""Gauges end at 0.68 or below and at 1.36 or above (common practice, no source); between, a
mixture that is held is no rail."""
FREE_AIR_LAMBDA = 1.6
"""Free air, not a mixture that would burn (common practice, no source)."""
RATIO_MEDIAN = 5.0
"""No mixture burns at such a lambda; air-fuel ratios start at twice that."""
LEAST_TURNING_RPM = 400.0
"""An engine idles above it; a log that never comes there is not in rpm."""
FASTEST_RISE_RPM_S = 40_000.0
"""A free engine races up slower; on the road or a dyno it is a tenth of that (common practice)."""
SLOWEST_RISE_RPM_S = 5.0
"""A pull that takes ten minutes is none."""
SLOWEST_STEP_S = 2.0
"""A log with fewer samples shows no engine at work."""
LEAST_OPENING_PCT = 2.0
"""A log whose throttle never opens further is in shares or volts, or was never ridden."""
OPEN_SHARE = 0.9
"""The throttle counts as open from this share of its greatest opening."""
ALL_ONES_COOLANT_K = (215.0 + 273.15, 214.0 + 273.15)
"""All bits set in an OBD reading of temperature, A - 40 with A = 255 (SAE J1979), and one less."""

LONGEST_GEAR, SHORTEST_GEAR, SHORTEST_TOP_GEAR = 20.0, 420.0, 100.0
"""Engine speed over road speed [rpm a km/h]: a big twin's top gear, a small single's first, and a
small single's top, which is what a log of three gears or more has for its longest (common practice,
no source). Within them mph and km/h cannot be told apart by one file alone."""

MOVING_RPM = 300.0
"""1 SD of the engine speed of a bike that is ridden, whatever its closed throttle says."""
MOST_AT_TOP = 0.08
"""Nobody rides so much of a log at the very same greatest speed, to the last digit."""
MOST_IN_GEAR = 0.05
"""Engine over road speed scatters by less within a gear: tyre, rounding, clutch."""

FEW_SAMPLES, STANDARDISED, ENGINE_SPEED, DOUBLED, CLOCK, MIXTURE, THROTTLE = (
    "few samples", "standardised", "engine speed", "doubled", "clock", "mixture", "throttle"
)  # fmt: skip
TEMPERATURES, PRESSURE, STUCK, INVERTED = "temperatures", "pressure", "stuck", "inverted"
"""Looks that can be spared where the least, the greatest and a few counts say enough."""

Grade = Literal["refuse", "set aside", "note"]
LAMBDAS = ("lambda_wide", "lambda_wide_2")


class Doubt(NamedTuple):
    """One thing that speaks against a channel as it is labelled."""

    channel: str
    grade: Grade
    note: Note
    likely_unit: str = ""


class Doubts(NamedTuple):
    """All doubts of a file, the channels that are no evidence with their reason, and facts."""

    doubts: list[Doubt]
    marks: dict[str, Note]
    facts: dict[str, object]


class _Seen(dict[str, np.ndarray]):
    """A file's channels of twenty samples or more, and what several looks at them rest on."""

    @cached_property
    def failing(self) -> list[tuple[int, int]]:
        """Where the throttle's signal fails, as `failing_throttle` tells it."""
        return failing_throttle(
            self["time_s"],
            self["engine_speed_rpm"],
            self["throttle_pct"],
            self.get("wheel_power_w"),
        )

    @cached_property
    def pulling(self) -> np.ndarray:
        """Where a pull's engine drives the roller."""
        return _pulling(self)


def doubts(
    channels: Mapping[str, np.ndarray], layout: Layout, needless: frozenset[str] = frozenset()
) -> Doubts:
    """Return what speaks against a file's channels.

    `needless` names the looks of which it is known that they would find nothing (screen.py).
    """
    found: list[Doubt] = []
    marks: dict[str, Note] = {}
    facts: dict[str, object] = {}
    seen = _Seen(channels)
    if FEW_SAMPLES not in needless:
        seen = _Seen({n: values for n, values in seen.items() if np.isfinite(values).sum() >= 20})
    if STANDARDISED not in needless and plausibility.is_standardised(
        [values for name, values in seen.items() if name not in ("time_s", "gear")]
    ):
        found.append(Doubt("", "refuse", note("standardised data")))
        return Doubts(found, marks, facts)
    if ENGINE_SPEED not in needless:
        _engine_speed(seen, layout, found)
    _sweeps_in_a_row(seen, layout, found)
    if DOUBLED not in needless:
        _doubled(seen, found)
    if CLOCK not in needless:
        _clock(seen, layout, found)
    if not _power_course(seen, layout, found, marks):
        _power(seen, layout, found)
    if MIXTURE not in needless:
        _mixture(seen, layout, found, marks)
    if THROTTLE not in needless:
        _throttle(seen, layout, found, marks)
    if TEMPERATURES not in needless:
        _temperatures(seen, layout, found, marks)
    if PRESSURE not in needless:
        _pressure(seen, layout, found, marks)
    _road_speed(seen, layout, found, facts)
    if STUCK not in needless:
        _stuck(seen, found, marks)
    _failing_throttle(seen, layout, found, marks, is_upright=INVERTED in needless)
    _road_in_gear(seen, found)
    return Doubts(found, marks, facts)


def _word(name: str) -> str:
    return next(word for word, column in CHANNEL_COLUMNS.items() if column == name)


def _unit(layout: Layout, name: str) -> str:
    word = _word(name)
    return layout.channels[word].unit if word in layout.channels else ""


def _wrong_unit(layout: Layout, name: str, grade: Grade, what: Note, likely: str) -> Doubt:
    told = note(
        "unit is wrong",
        channel=name,
        what=what,
        likely=likely,
        word=_word(name),
        unit=_unit(layout, name),
        layout=layout.name,
        in_percent=name == "throttle_pct",
    )
    return Doubt(name, grade, told, likely)


def _engine_speed(seen: Mapping[str, np.ndarray], layout: Layout, found: list[Doubt]) -> None:
    speed = seen.get("engine_speed_rpm")
    if speed is None:
        return
    top = float(np.nanquantile(speed, 0.98))
    if 0 < top < LEAST_TURNING_RPM:
        likely = "turns a second" if top > 20 else "thousands of rpm"
        found.append(
            _wrong_unit(
                layout, "engine_speed_rpm", "refuse", note("reaches at most", top_rpm=top), likely
            )
        )
    elif top == 0:
        found.append(Doubt("engine_speed_rpm", "refuse", note("engine does not turn")))


def _sweeps_in_a_row(seen: Mapping[str, np.ndarray], layout: Layout, found: list[Doubt]) -> None:
    """Refuse a pull file without a clock in which the engine speed goes up more than once."""
    if layout.layout.kind != "pull" or "time_s" in seen or "engine_speed_rpm" not in seen:
        return
    count = sweeps_in_a_row(seen["engine_speed_rpm"], seen.get("throttle_pct"))
    if count > 1:
        several = note("several sweeps without a clock", sweeps=count)
        found.append(Doubt("engine_speed_rpm", "refuse", several))


def _clock(seen: Mapping[str, np.ndarray], layout: Layout, found: list[Doubt]) -> None:
    if "time_s" not in seen or "engine_speed_rpm" not in seen:
        return
    time = seen["time_s"]
    step = float(np.nanmedian(np.diff(time[np.isfinite(time)])))
    if step > SLOWEST_STEP_S:
        found.append(
            _wrong_unit(
                layout,
                "time_s",
                "refuse",
                note("steps too slow", step_s=step),
                "ms" if _unit(layout, "time_s") == "s" else "",
            )
        )
        return
    if (np.diff(time[np.isfinite(time)]) <= 0).any():
        return  # the contract judges a clock that does not go on, row by row
    rate = plausibility.fastest_rise(time, seen["engine_speed_rpm"])
    if not np.isfinite(rate):
        return
    if rate > FASTEST_RISE_RPM_S:
        found.append(
            _wrong_unit(
                layout,
                "time_s",
                "refuse",
                note("rise too fast", step_s=step, rise_rpm_s=rate),
                "seconds" if _unit(layout, "time_s") == "ms" else "",
            )
        )
    elif rate < SLOWEST_RISE_RPM_S and layout.layout.kind == "pull":
        found.append(
            _wrong_unit(
                layout,
                "time_s",
                "refuse",
                note("pull too long", step_s=step, lasts_s=np.nanmax(time) - np.nanmin(time)),
                "ms" if _unit(layout, "time_s") == "s" else "",
            )
        )


def _power(seen: Mapping[str, np.ndarray], layout: Layout, found: list[Doubt]) -> None:
    torque = layout.channels.get("wheel_torque")
    power = layout.channels.get("wheel_power")
    needed = ("engine_speed_rpm", "wheel_power_w", "wheel_torque_nm")
    if torque is None or power is None or torque.shaft == "wheel":
        return
    if not all(name in seen for name in needed):
        return
    if power.unit not in plausibility.POWER_UNITS_W:
        return
    torque_unit = "lbf*ft" if torque.unit == "lb-ft" else torque.unit
    torque_unit = "Nm" if torque_unit in ("N*m", "N·m") else torque_unit
    if torque_unit not in plausibility.TORQUE_UNITS_NM:
        return
    off = plausibility.power_over_torque(
        *(seen[name] for name in needed), power_unit=power.unit, torque_unit=torque_unit
    )
    if off is None:
        return
    likely = note("one filtered or at the wheel")
    if off.power_unit != power.unit:
        likely = note("unit likely", what="power", likely=off.power_unit, unit=power.unit)
    elif off.torque_unit != torque_unit:
        likely = note("unit likely", what="torque", likely=off.torque_unit, unit=torque.unit)
    told = note("power and torque disagree", ratio=off.ratio, likely=likely, layout=layout.name)
    # Exports round, filter or correct one of the two: below a unit's step that is no mix-up.
    is_small = abs(np.log(off.ratio)) < 0.1
    grade: Grade = "note" if is_small else "refuse"
    found.append(Doubt("wheel_power_w", grade, told, off.power_unit))


PAIR = ("wheel_power_w", "wheel_torque_nm")
OPENING_S = 0.3
"""What is filtered still comes up so long after the throttle opened: three times a common lag."""


def _power_course(seen: _Seen, layout: Layout, found: list[Doubt], marks: dict[str, Note]) -> bool:
    """Tell where power and torque part within a pull, and which is no evidence there.

    False where they keep to one course: then their level tells of units.
    """
    given = [name for name in PAIR if name in seen]
    if layout.layout.kind != "pull" or "engine_speed_rpm" not in seen or not given:
        return False
    swept = _swept(seen)
    torque = layout.channels.get("wheel_torque")
    at_engine = torque is None or torque.shaft != "wheel"
    course = None
    if len(given) == 2:
        course = power_course.power_course(
            swept["engine_speed_rpm"],
            swept[PAIR[0]],
            swept[PAIR[1]],
            swept.get("time_s"),
            is_level_known=at_engine,
        )
    parted = None if course is None or course.kind == "holds" else _parted(course)
    cut = {name: power_course.cut_off_at(swept[name]) for name in given}
    cut = {name: value for name, value in cut.items() if np.isfinite(value)}
    copies = _copies(swept) if len(given) == 2 else {}
    if not (parted or cut or copies):
        return False
    wrong, why = _who_is_wrong(swept, cut, copies)
    lost = [wrong] if wrong else given
    # Torque at the wheel's own shaft gives no power at engine speed.
    if not at_engine and "wheel_power_w" in lost:
        lost = given
    kept = next((name for name in given if name not in lost), None)
    if not why and parted:
        why = note("cannot be told which")
    reasons = [one for one in (parted, why) if one]
    told = note("power and torque part", why=reasons, believed=kept)
    marks |= dict.fromkeys(lost, told)
    found.append(Doubt(lost[0], "set aside", told))
    return True


def _swept(seen: _Seen) -> dict[str, np.ndarray]:
    """Return the channels over the longest sweep, past the opening of the throttle."""
    part = _longest_run(seen.pulling)
    swept = {name: values[part] for name, values in seen.items()}
    time = swept.get("time_s")
    if time is None or not time.size:
        return swept
    past = time > time[0] + OPENING_S
    return {name: values[past] for name, values in swept.items()}


def _parted(course: power_course.Course) -> Note:
    if course.kind == "delayed":
        return note("one comes later", power_later_s=course.delay_s)
    span = {"lowest": course.lowest, "highest": course.highest}
    if course.kind == "scatters":
        return note("ratio scatters", **span, scatter_share=course.scatter)
    return note("ratio leaves", **span, from_rpm=course.from_rpm, to_rpm=course.to_rpm)


def _copies(swept: Mapping[str, np.ndarray]) -> dict[str, str]:
    """Return power or torque where it repeats another column, and which."""
    power, torque = (swept[name] for name in PAIR)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = power / (torque * swept["engine_speed_rpm"])
    ratio = ratio[np.isfinite(ratio)]
    if not ratio.size or np.std(ratio) <= 3.0 * power_course.COPY_SPREAD * abs(np.mean(ratio)):
        return {}  # torque that does not move at all makes power follow the speed
    others = {n: values for n, values in swept.items() if n not in (*PAIR, "time_s", "gear")}
    found = {name: power_course.copied_from(swept[name], others) for name in PAIR}
    return {name: source for name, source in found.items() if source}


def _who_is_wrong(
    swept: Mapping[str, np.ndarray], cut: dict[str, float], copies: dict[str, str]
) -> tuple[str, Note | None]:
    """Return power or torque, whichever is a copy, cut off or against the engine's acceleration.

    Empty where it is both or cannot be told; then why, as far as it is known.
    """
    if copies:
        told = [note("is a copy", channel=name, source=source) for name, source in copies.items()]
        return next(iter(copies)) if len(copies) == 1 else "", note("both", what=told)
    if cut:
        told = [note("is cut off", channel=name, at=value) for name, value in cut.items()]
        return next(iter(cut)) if len(cut) == 1 else "", note("both", what=told)
    if "time_s" not in swept:
        return "", None
    kept = power_course.believed(
        swept["engine_speed_rpm"], swept[PAIR[0]], swept[PAIR[1]], swept["time_s"]
    )
    if not kept:
        return "", None
    return PAIR[kept == "power"], note("acceleration follows", what=kept)


def _longest_run(inside: np.ndarray) -> slice:
    """Return the longest stretch of rows that are all inside."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], inside.astype(np.int8), [0]))))
    if not edges.size:
        return slice(0, 0)
    lengths = edges[1::2] - edges[::2]
    place = int(np.argmax(lengths))
    return slice(int(edges[2 * place]), int(edges[2 * place + 1]))


def _mixture(
    seen: Mapping[str, np.ndarray],
    layout: Layout,
    found: list[Doubt],
    marks: dict[str, Note],
) -> None:
    for name in LAMBDAS:
        if name not in seen:
            continue
        values = seen[name][np.isfinite(seen[name])]
        middle, spread = float(np.median(values)), float(np.ptp(values))
        rail, share = plausibility.rail_share(values)
        if middle > RATIO_MEDIAN and spread > 0.5:
            read = note("ratio read as lambda", channel=name, value=middle, layout=layout.name)
            found.append(Doubt(name, "refuse", read, "air-fuel ratio"))
        elif middle < 0.2 and spread > 0 and layout.channels[name].gauge_scale:
            read = note("lambda read as ratio", channel=name, value=middle, layout=layout.name)
            found.append(Doubt(name, "set aside", read, "lambda"))
            marks[name] = note("gauge scale not needed", channel=name)
        elif plausibility.switches_between_two_levels(values):
            marks[name] = note("narrowband volts", channel=name)
        elif spread < STILL_SPREAD:
            marks[name] = note("lambda stands still", channel=name, value=middle)
        elif share > RAIL_SHARE and not RICHEST_RAIL < rail < LEANEST_RAIL:
            marks[name] = note("gauge saturated", channel=name, value=rail, share=share)
        elif middle > FREE_AIR_LAMBDA:
            marks[name] = note("lambda reads free air", channel=name, value=middle)
        if name in marks and not any(doubt.channel == name for doubt in found):
            found.append(Doubt(name, "set aside", marks[name]))


def _throttle(
    seen: Mapping[str, np.ndarray],
    layout: Layout,
    found: list[Doubt],
    marks: dict[str, Note],
) -> None:
    throttle = seen.get("throttle_pct")
    if throttle is None:
        return
    top, spread = float(np.nanmax(throttle)), float(np.nanmax(throttle) - np.nanmin(throttle))
    if spread == 0 and layout.layout.kind == "ride":
        # On a dyno the throttle may be held by a screw: said, not refused.
        held = note("throttle stands still", value_pct=top, is_ride=True)
        found.append(Doubt("throttle_pct", "note", held))
    elif spread == 0:
        marks["throttle_pct"] = note("throttle stands still", value_pct=top, is_ride=False)
        found.append(Doubt("throttle_pct", "set aside", marks["throttle_pct"]))
    elif top <= LEAST_OPENING_PCT:
        grade: Grade = "refuse" if layout.layout.kind == "ride" else "set aside"
        likely = "a share of 1" if top <= 1.1 else ""
        opens = note("opens to", top_pct=top)
        found.append(_wrong_unit(layout, "throttle_pct", grade, opens, likely))
        if grade == "set aside":
            marks["throttle_pct"] = found[-1].note


def _temperatures(
    seen: Mapping[str, np.ndarray],
    layout: Layout,
    found: list[Doubt],
    marks: dict[str, Note],
) -> None:
    for name in ("coolant_temp_k", "oil_temp_k", "intake_air_temp_k"):
        if name not in seen:
            continue
        values = seen[name][np.isfinite(seen[name])]
        middle, spread = float(np.median(values)), float(np.ptp(values))
        celsius = middle - 273.15
        if any(abs(middle - code) < 0.01 for code in ALL_ONES_COOLANT_K) and spread < 0.01:
            marks[name] = note("code for not available", channel=name, value_degc=celsius)
        elif (
            name != "intake_air_temp_k"
            and _unit(layout, name) in ("degC", "°C")
            and (130.0 < celsius < 240.0)
        ):
            marks[name] = _other_degrees(layout, name, celsius, "°F", (celsius - 32) / 1.8)
        elif (
            name == "coolant_temp_k"
            and _unit(layout, name) in ("degF", "°F")
            and (-6.0 > celsius > -25.0 or celsius < 45.0)
            and 60.0 < celsius * 1.8 + 32 < 115.0
        ):
            marks[name] = _other_degrees(layout, name, celsius, "°C", celsius * 1.8 + 32)
        elif spread == 0 and values.size > 100:
            marks[name] = note("temperature stands still", channel=name, value_degc=celsius)
        if name in marks:
            likely_unit = "degF" if marks[name].get("likely") == "°F" else ""
            found.append(Doubt(name, "set aside", marks[name], likely_unit))


def _other_degrees(layout: Layout, name: str, shown: float, likely: str, would_be: float) -> Note:
    return note(
        "other degrees",
        channel=name,
        value_degc=shown,
        likely=likely,
        would_be_degc=would_be,
        word=_word(name),
        layout=layout.name,
    )


def _pressure(
    seen: Mapping[str, np.ndarray],
    layout: Layout,
    found: list[Doubt],
    marks: dict[str, Note],
) -> None:
    values = seen.get("map_pressure_pa")
    if values is None:
        return
    low, high = (float(np.nanquantile(values, q)) for q in (0.02, 0.98))
    bounds = CHANNELS["map_pressure_pa"]
    assert bounds.low is not None  # noqa: S101 - every channel is bounded
    assert bounds.high is not None  # noqa: S101
    what = note("runs from", low_kpa=low / 1000, high_kpa=high / 1000)
    likely = ""
    scales = {"kPa": 1000.0, "mbar": 100.0, "bar": 100_000.0, "psi": 6894.757, "hPa": 100.0}
    unit = _unit(layout, "map_pressure_pa")
    if unit in scales and not (15_000 < high < 260_000):
        shown = high / scales[unit]
        fitting = [w for w, pa in scales.items() if 25_000 < shown * pa < 115_000 and w != "hPa"]
        likely = fitting[0] if fitting else ""
    if high < 15_000 or high > 260_000:
        found.append(_wrong_unit(layout, "map_pressure_pa", "set aside", what, likely))
        marks["map_pressure_pa"] = found[-1].note
    elif np.nanmax(values) - np.nanmin(values) == 0:
        marks["map_pressure_pa"] = note("pressure stands still", value_kpa=high / 1000)
        found.append(Doubt("map_pressure_pa", "set aside", marks["map_pressure_pa"]))


def _road_speed(
    seen: _Seen,
    layout: Layout,
    found: list[Doubt],
    facts: dict[str, object],
) -> None:
    if "roller_speed_m_s" not in seen or "engine_speed_rpm" not in seen:
        return
    geared = np.ones(seen["engine_speed_rpm"].size, dtype=bool)
    if layout.layout.kind == "pull":
        geared = seen.pulling
    ratios = plausibility.speed_ratios(
        seen["engine_speed_rpm"][geared], seen["roller_speed_m_s"][geared]
    )
    if not ratios:
        return
    facts["speed_ratio_rpm_per_m_s"] = [round(ratio, 2) for ratio, _ in ratios]
    per_km_h = [ratio / 3.6 for ratio, _ in ratios]
    longest, shortest = min(per_km_h), max(per_km_h)
    unit = _unit(layout, "roller_speed_m_s")
    what = note("no such gearing", longest=longest, shortest=shortest)
    likely = ""
    if longest < LONGEST_GEAR:
        likely = "km/h" if unit == "m/s" else ""
    elif shortest > SHORTEST_GEAR or (len(ratios) >= 3 and longest > SHORTEST_TOP_GEAR):
        likely = "m/s" if unit == "km/h" else ""
    else:
        return
    found.append(_wrong_unit(layout, "roller_speed_m_s", "note", what, likely))


def _doubled(seen: Mapping[str, np.ndarray], found: list[Doubt]) -> None:
    """Refuse an engine speed that is counted twice, or by half, from somewhere on."""
    if "time_s" not in seen or "engine_speed_rpm" not in seen:
        return
    speed = seen["engine_speed_rpm"]
    row = stuck.doubled_from(seen["time_s"], speed, seen.get("gear"))
    if row >= 0:
        doubled = note("engine speed doubled", to_rpm=speed[row])
        found.append(Doubt("engine_speed_rpm", "refuse", doubled))


def _stuck(seen: Mapping[str, np.ndarray], found: list[Doubt], marks: dict[str, Note]) -> None:
    """Mark mixture and intake pressure that hold one value for a part of the log."""
    for name in (*LAMBDAS, "map_pressure_pa"):
        if name not in seen or name in marks:
            continue
        run = stuck.longest_still_run(seen[name])
        # At the end of its range a gauge stands still and is right: how much of that, told above.
        if run is None or (name in LAMBDAS and not RICHEST_RAIL < run.value < LEANEST_RAIL):
            continue
        share = (run.stop - run.start) / seen[name].size
        marks[name] = note("channel stuck", channel=name, value=run.value, share=share)
        found.append(Doubt(name, "set aside", marks[name]))


def _failing_throttle(
    seen: _Seen,
    layout: Layout,
    found: list[Doubt],
    marks: dict[str, Note],
    *,
    is_upright: bool,
) -> None:
    """Tell a throttle that is upside down, or whose signal is gone while the engine pulls."""
    throttle = seen.get("throttle_pct")
    if throttle is None or "throttle_pct" in marks:
        return
    is_ride = layout.layout.kind == "ride"
    load = seen.get("map_pressure_pa")
    if load is None or "map_pressure_pa" in marks:
        load = seen.get("wheel_power_w")
    told = None
    if not is_ride and (places := _failing_at(seen)):
        found.append(Doubt("throttle_pct", "note", note("throttle drops out", places=places)))
        return
    if not is_upright and load is not None and stuck.runs_against(throttle, load):
        told = note("throttle inverted", layout=layout.name)
    elif is_ride and (run := stuck.longest_still_run(throttle)):
        moves = float(np.nanstd(seen["engine_speed_rpm"][run.start : run.stop]))
        if moves > MOVING_RPM:
            share = (run.stop - run.start) / throttle.size
            held = {"value_pct": run.value, "share": share}
            told = note("throttle signal fails", **held, layout=layout.name)
    if told is None:
        return
    if not is_ride:
        marks["throttle_pct"] = told
    grade: Grade = "refuse" if is_ride else "set aside"
    found.append(Doubt("throttle_pct", grade, told))


def _failing_at(seen: _Seen) -> list[Note]:
    """Return the speeds over which a pull's throttle reads shut and the engine pulls on."""
    if "time_s" not in seen or "engine_speed_rpm" not in seen:
        return []
    time, speed = seen["time_s"], seen["engine_speed_rpm"]
    if np.any(np.diff(time[np.isfinite(time)]) <= 0.0):
        return []
    return [
        note("speed range", from_rpm=speed[start], to_rpm=speed[stop - 1])
        for start, stop in seen.failing
    ]


def _road_in_gear(seen: Mapping[str, np.ndarray], found: list[Doubt]) -> None:
    """Tell a road speed that does not keep to the engine's within the gears that the log names."""
    names = ("engine_speed_rpm", "roller_speed_m_s", "gear")
    if not all(name in seen for name in names):
        return
    scatter = stuck.ratio_scatter_in_gear(*(seen[name] for name in names))
    road = seen["roller_speed_m_s"]
    source = ""
    if np.nanmax(seen["gear"]) > np.nanmin(seen["gear"]):
        source = power_course.copied_from(road, {"engine_speed_rpm": seen["engine_speed_rpm"]})
    told = note("road speed copied", source=source) if source else None
    top, share = plausibility.rail_share(road)
    if share > MOST_AT_TOP and top >= np.nanmax(road):
        told = note("road speed cut off", at_m_s=top, share=share)
    if scatter > MOST_IN_GEAR:
        told = note("road speed strays", scatter_share=scatter)
    if told:
        found.append(Doubt(names[1], "note", told))


def _pulling(seen: _Seen) -> np.ndarray:
    """Return where a pull's engine drives the roller.

    Once the clutch is pulled the engine idles while the roller runs on: that is no gearing.
    """
    speed, throttle = seen["engine_speed_rpm"], seen.get("throttle_pct")
    pulling = np.zeros(speed.size, dtype=bool)
    if "time_s" in seen:
        try:
            if throttle is not None:
                throttle = throttle.copy()
                for start, stop in seen.failing:
                    throttle[start:stop] = np.nanmax(throttle)
            found = sweeps(seen["time_s"], speed, throttle)
        except ValueError:
            found = []  # a clock that cannot be followed is told elsewhere
        for one in found:
            if not one.why_not:
                pulling[one.start : one.stop] = True
    if pulling.any():
        return pulling
    if throttle is not None and np.nanmax(throttle) > np.nanmin(throttle):
        return throttle >= OPEN_SHARE * np.nanmax(throttle)
    # Without either, the roller is driven up to its highest speed and coasts from there on.
    driven = seen.get("roller_speed_m_s", speed)
    pulling[: int(np.nanargmax(driven)) + 1] = True
    return pulling
