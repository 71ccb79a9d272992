"""The words and number forms that pages and sheets share. Nothing here draws."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

CAUTION_LINE = "A lean full-throttle mixture can destroy an engine in one pull."

CAUTIONS = (
    "A lean full-throttle mixture can destroy an engine in one pull. When the lean window says "
    "stop, stop.",
    "A dyno throws straps, tyres and stones. Guards on, extraction running, hearing protection "
    "on, a second person in the room.",
    "Removing a catalyst or silencer, or changing the map, may be unlawful on the road and may "
    "void the type approval. Local law decides.",
    "Log on the road only at speeds that the road allows.",
    "The figures are this shop's own comparisons, not a certified rating.",
    "A suggested fuel change is checked by a qualified tuner before anyone uses it.",
)

LEVELS = ("stop", "warn", "notice", "none", "unknown")
"""Mixture levels, worst first; `unknown` is a mixture that nobody measured."""

LEAST_LEARNT_PCT = 0.5
"""A long-term trim below it is not worth a word: less than one step of its byte, 0.78 %."""

_MARKDOWN_SIGNS = re.compile(r"([\\`*_{}\[\]()<>#+\-.!|~$:&@^=\"'])")


class Advice(NamedTuple):
    """What the mixture says about pulling again."""

    level: str
    headline: str
    what_to_do: str


def escaped(text: object) -> str:
    r"""Return text so that markdown shows it letter for letter.

    >>> escaped("run_1 [new]")
    'run\\_1 \\[new\\]'
    """
    return _MARKDOWN_SIGNS.sub(r"\\\1", " ".join(str(text).split()))


def number(value: float | None, digits: int = 0, *, signed: bool = False) -> str:
    """Return a number as people read it.

    >>> number(7450.0)
    '7,450'
    >>> number(-1.25, 1, signed=True)
    '−1.2'
    >>> number(None)
    '–'
    """
    if value is None or math.isnan(value):
        return "–"
    text = f"{value:{'+' if signed else ''},.{digits}f}"
    if float(text.replace(",", "")) == 0:
        return "0"
    return text.replace("-", "−")


def counted(count: int | None, one: str, many: str = "") -> str:
    """Return a count with its noun.

    >>> counted(1, "bike"), counted(3, "bike"), counted(0, "body", "bodies")
    ('1 bike', '3 bikes', '0 bodies')
    """
    return f"{number(count or 0)} {one if count == 1 else many or one + 's'}"


def between(lower: float | None, upper: float | None) -> str:
    """Return an interval in words.

    >>> between(2.9, 5.5)
    '+2.9 to +5.5'
    >>> between(None, 5.5)
    'no interval'
    """
    if lower is None or upper is None:
        return "no interval"
    return f"{number(lower, 1, signed=True)} to {number(upper, 1, signed=True)}"


def gain_sentence(gain: Mapping[str, Any]) -> str:
    """Return the verdict on a gain as one sentence.

    >>> gain_sentence({"verdict": "real gain", "mean_gain_pct": 4.2, "mean_gain_lower_pct": 2.9,
    ...                "mean_gain_upper_pct": 5.5, "smallest_detectable_pct": 1.9})
    'Real gain: +4.2 % over the riding range, 95 % between +2.9 and +5.5 %'
    """
    if gain["verdict"] == "not comparable":
        return (
            "Not comparable: only one side is at the reference air, and the weather alone moves "
            "power by percents"
        )
    if gain["mean_gain_pct"] is None:
        return (
            "Cannot be told: no air. Neither side gives the air's temperature, pressure and "
            "humidity, and the weather alone moves power by percents"
        )
    low = number(gain["mean_gain_lower_pct"], 1, signed=True)
    high = number(gain["mean_gain_upper_pct"], 1, signed=True)
    sentence = (
        f"{gain['verdict'].capitalize()}: {number(gain['mean_gain_pct'], 1, signed=True)} % over "
        f"the riding range, 95 % between {low} and {high} %"
    )
    if gain["verdict"] == "within noise":
        smallest = number(gain["smallest_detectable_pct"], 1)
        sentence += f". These pulls could have shown {smallest} % or more"
    if gain.get("air_state") == "observed":
        sentence += (
            ". Power as observed: no correction holds for forced induction; what the weather may "
            "have done is in the interval"
        )
    return sentence


def uncorrected_sentence(notes: str) -> str:
    """Return why a power is shown as measured, from what was noted on its pulls.

    >>> uncorrected_sentence("no weather in the file: power is as observed")
    "Power as measured: the files lack the air's temperature, pressure or humidity, so it cannot \
be corrected. Figures of different days cannot be compared."
    """
    if "forced induction" in notes:
        return (
            "Power as measured: the air correction holds for naturally aspirated engines, not for "
            "forced induction."
        )
    if "no weather" in notes:
        return (
            "Power as measured: the files lack the air's temperature, pressure or humidity, so it "
            "cannot be corrected. Figures of different days cannot be compared."
        )
    return "Power as measured, not corrected: the notes on the pulls below say why."


def drift_sentence(gain: Mapping[str, Any]) -> str:
    """Return what drifted while a change was on the bike.

    >>> drift_sentence({"pulls_again": 3, "drift_pct": -0.62, "drift_lower_pct": -1.1,
    ...                 "drift_upper_pct": -0.1})
    'Put back and pulled 3 times more: −0.6 % since the start, 95 % between −1.1 and −0.1 %. A \
steady drift is out of the gain.'
    """
    low = number(gain["drift_lower_pct"], 1, signed=True)
    high = number(gain["drift_upper_pct"], 1, signed=True)
    again = counted(gain["pulls_again"], "time")
    return (
        f"Put back and pulled {again} more: {number(gain['drift_pct'], 1, signed=True)} % since "
        f"the start, 95 % between {low} and {high} %. A steady drift is out of the gain."
    )


def plan_words(is_put_back: bool, is_strapped_once: bool) -> str:
    """Return how the bike is handled in a planned comparison.

    >>> plan_words(False, True), plan_words(True, False)
    ('Before and after, strapped once', 'Put back and pulled again, taken off between')
    """
    sessions = "Put back and pulled again" if is_put_back else "Before and after"
    return f"{sessions}, {'strapped once' if is_strapped_once else 'taken off between'}"


def plan_sentence(plans: Sequence[Mapping[str, Any]], wanted_pct: float) -> str:
    """Return how many pulls it takes to see a gain, handled one way.

    >>> plan_sentence([{"is_put_back": False, "is_strapped_once": True, "pulls": 1,
    ...     "smallest_detectable_pct": 1.8, "floor_pct": 0.2},
    ...     {"is_put_back": False, "is_strapped_once": True, "pulls": 2,
    ...     "smallest_detectable_pct": 1.1, "floor_pct": 0.2}], 1.5)
    'Before and after, strapped once: 2 pulls each, 4 in all'
    """
    words = plan_words(plans[0]["is_put_back"], plans[0]["is_strapped_once"])
    enough = [one["pulls"] for one in plans if one["smallest_detectable_pct"] <= wanted_pct]
    if enough:
        in_all = enough[0] * (3 if plans[0]["is_put_back"] else 2)
        return f"{words}: {counted(enough[0], 'pull')} each, {in_all} in all"
    if plans[-1]["floor_pct"] >= wanted_pct:
        floor = number(plans[-1]["floor_pct"], 1)
        return f"{words}: no number of pulls; even endless ones see {floor} % at the least"
    return f"{words}: more than {counted(plans[-1]['pulls'], 'pull')} each"


def evidence_sentence(change: Mapping[str, Any]) -> str:
    """Return what a suggested fuel change rests on.

    >>> evidence_sentence({"part_throttle_readings": 31, "trim_readings": 0,
    ...                    "full_throttle_readings": 1, "earlier_rounds": 0,
    ...                    "left_out": "too short 4"})
    'Rests on 31 part-throttle cells and 1 speed of full throttle. Left out: too short 4.'
    """
    kinds = [
        counted(change["part_throttle_readings"], "part-throttle cell"),
        counted(change["trim_readings"], "cell of trims", "cells of trims"),
        counted(
            change["full_throttle_readings"], "speed of full throttle", "speeds of full throttle"
        ),
    ]
    names = ("part_throttle_readings", "trim_readings", "full_throttle_readings")
    told = [kind for kind, name in zip(kinds, names, strict=True) if change[name]]
    said = f"Rests on {' and '.join(told) or 'nothing of its own'}"
    if change["earlier_rounds"]:
        said += f", and on {counted(change['earlier_rounds'], 'earlier round')} of this job"
    return f"{said}." + (f" Left out: {change['left_out']}." if change["left_out"] else "")


def cells_sentence(cells: Sequence[Mapping[str, Any]]) -> str:
    """Say what cells alone do not show: outside air at the probe, and fuel the ECU has learnt.

    >>> cells_sentence([
    ...     {"outside_air_most_pct": 1.4, "long_trim_pct": None, "is_closed_loop": False}])
    'The probe sat in the tailpipe: outside air may make a cell read up to 1.4 % too lean.'
    """
    said = []
    air = max((cell["outside_air_most_pct"] for cell in cells), default=0.0)
    if air > 0.0:
        said.append(
            "The probe sat in the tailpipe: outside air may make a cell read up to "
            f"{number(air, 1)} % too lean."
        )
    learnt = [
        cell["long_trim_pct"]
        for cell in cells
        if not cell["is_closed_loop"] and abs(cell["long_trim_pct"] or 0.0) >= LEAST_LEARNT_PCT
    ]
    if learnt:
        most = max(learnt, key=abs)
        said.append(
            f"Open-loop cells ran with a long-term trim of up to {number(most, 1, signed=True)} %: "
            "the suggested fuel change counts it as missing from the map."
        )
    return " ".join(said)


def advice(mixture: Mapping[str, Any] | None) -> Advice:
    """Return whether it is safe to keep pulling, from the full-throttle mixture of a stage.

    What to do at each level is common practice of the trade; the levels are the shop's own.

    >>> advice({"level": "stop", "worst_lean_error_pct": 17.2, "worst_speed_rpm": 7450.0,
    ...         "is_near_peak_torque": False, "probe_place": "header", "reason": ""}).headline
    'STOP: 17 % lean at 7,450 rpm'
    """
    if mixture is None or mixture["worst_lean_error_pct"] is None:
        return Advice(
            "unknown",
            "MIXTURE NOT MEASURED",
            "No wideband reading at full throttle: nothing here says that another pull is safe. "
            "Fit a probe first.",
        )
    level = mixture["level"] if mixture["level"] in LEVELS else "unknown"
    worst = mixture["worst_lean_error_pct"]
    where = f"{number(worst)} % lean at {number(mixture['worst_speed_rpm'])} rpm"
    near = " That is within 500 rpm of peak torque, where knock bites." * bool(
        mixture["is_near_peak_torque"]
    )
    if level == "stop":
        return Advice(
            level, f"STOP: {where}", f"No further pull before the fuel is put right.{near}"
        )
    if level == "warn":
        return Advice(
            level, f"WARNING: {where}", f"Put the fuel right before the next full pull.{near}"
        )
    if level == "notice":
        return Advice(
            level,
            f"LEAN: {where}",
            f"Pull only with the gauge in sight and a hand on the clutch.{near}",
        )
    side = "lean" if worst > 0 else "rich of target even there"
    return Advice(
        level,
        "NO LEAN WINDOW SEEN",
        f"Leanest: {number(abs(worst), 1)} % {side}, at {number(mixture['worst_speed_rpm'])} rpm. "
        "True of the pulls below and of nothing else: keep watching the gauge.",
    )
