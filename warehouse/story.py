"""The words that tell a job: what was done at each stage, what it gave, how it left."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from warehouse.wording import (
    LEAN_LEVELS,
    NO_AIR,
    between,
    counted,
    number,
    signed,
)

NOT_COMPARED = (
    "Not compared: a verdict is given of each stage over the one before, or over those around it "
    "where it was put back, and of the last over the first. The more verdicts, the more come by "
    "chance."
)
"""Why two stages may have no verdict."""
UNSEEN = "no lean window seen"
STANDARD = ("standard parts", "no parts")
"""What a bike without another part is called."""


def stage_label(stage: Mapping[str, Any]) -> str:
    """Return what a stage is called beside the others of its job.

    >>> stage_label({"stage_no": 2, "stage_name": "remapped"})
    '2 remapped'
    """
    return f"{stage['stage_no']} {stage['stage_name']}"


def stage_change(stage: Mapping[str, Any]) -> str:
    """Return in what a stage differs from the one before it in its job.

    >>> stage_change({"parts_label": "silencer: Halden S2", "parts_before": "standard parts",
    ...               "map_label": "Birch r3", "map_before": "stock", "fuel": "E5",
    ...               "fuel_before": "E5"})
    '+ silencer: Halden S2; map stock → Birch r3'
    """
    if stage["map_before"] is None:
        return f"{stage['parts_label']}; {stage['map_label']} map; {stage['fuel']}"
    now, before = (_parts(stage[name]) for name in ("parts_label", "parts_before"))
    said = [f"+ {part}" for part in now if part not in before]
    said += [f"− {part}" for part in before if part not in now]
    if stage["map_label"] != stage["map_before"]:
        said.append(f"map {stage['map_before']} → {stage['map_label']}")
    if stage["fuel"] != stage["fuel_before"]:
        said.append(f"fuel {stage['fuel_before']} → {stage['fuel']}")
    return "; ".join(said) or "nothing on the card"


def _parts(label: str) -> list[str]:
    return [] if label in STANDARD else label.split("; ")


def pulls_in_short(stage: Mapping[str, Any]) -> str:
    """Return how many of a stage's pulls count.

    >>> pulls_in_short({"pulls": 3, "pulls_used": 3}), pulls_in_short({"pulls": 3, "pulls_used": 2})
    ('3', '2 of 3')
    """
    used, run = number(stage["pulls_used"]), number(stage["pulls"])
    return run if used == run else f"{used} of {run}"


def lean_in_short(mixture: Mapping[str, Any] | None) -> str:
    """Return the full-throttle mixture of a stage in a few words, what may be wrong first.

    >>> lean_in_short({"level": "stop", "worst_lean_error_pct": 16.2, "worst_speed_rpm": 7200.0,
    ...                "level_not_excluded": None})
    'stop: 16 % lean at 7,200 rpm'
    """
    if mixture is None or mixture["worst_lean_error_pct"] is None:
        return "not measured"
    level, beyond = mixture["level"], mixture["level_not_excluded"]
    # A narrow column cuts the end: what is not excluded stands before it.
    danger = [f"{beyond} not excluded"] if beyond else []
    if level == "none":
        return ": ".join([*danger, UNSEEN])
    worst, place = number(mixture["worst_lean_error_pct"]), number(mixture["worst_speed_rpm"])
    return f"{'; '.join([level, *danger])}: {worst} % lean at {place} rpm"


def gain_in_short(gain: Mapping[str, Any] | None, ratio_pct: float | None = None) -> str:
    """Return a gain over the riding range with its verdict, or the ratio where none stands.

    >>> gain_in_short({"verdict": "real gain", "mean_gain_pct": 5.1, "mean_gain_lower_pct": 4.2,
    ...                "mean_gain_upper_pct": 6.0})
    'real gain, +5.1 % (+4.2 to +6.0)'
    >>> gain_in_short(None, 4.8)
    'not compared: +4.8 %, no verdict'
    >>> gain_in_short({"verdict": "within noise", "mean_gain_pct": 3.0, "mean_gain_lower_pct": 0.3,
    ...     "mean_gain_upper_pct": 5.7, "is_real_alone": True, "verdicts_together": 4})
    'within noise as one of 4 comparisons on this card, +3.0 % (+0.3 to +5.7)'
    """
    if gain is not None and gain["verdict"] == NO_AIR:
        return NO_AIR
    if gain is not None:
        span = between(gain["mean_gain_lower_pct"], gain["mean_gain_upper_pct"])
        return f"{verdict_in_short(gain)}, {signed(gain['mean_gain_pct'])} % ({span})"
    if ratio_pct is None:
        return "not compared"
    return f"not compared: {signed(ratio_pct)} %, no verdict"


def verdict_in_short(gain: Mapping[str, Any]) -> str:
    """Return a verdict, and why it is noise where the gain's own range leaves out 0."""
    if gain["verdict"] == "within noise" and gain.get("is_real_alone"):
        together = counted(gain["verdicts_together"], "comparison")
        return f"within noise as one of {together} on this card"
    return gain["verdict"]


def story_sentence(
    stages: Sequence[Mapping[str, Any]],
    gain: Mapping[str, Any] | None,
    powers: Sequence[str],
) -> str:
    """Return a job in one breath: from what power to what, how lean it ran on the way, how it left.

    `gain` is that of the last stage over the first; `powers` are the peaks of all stages.

    >>> lean = {"level": "stop", "worst_lean_error_pct": 16.2, "worst_speed_rpm": 7200.0,
    ...         "level_not_excluded": None, "stage_name": "pipe", "peak_power_w": 7e4}
    >>> good = {**lean, "level": "none", "stage_name": "remapped"}
    >>> story_sentence([{**good, "stage_name": "as arrived"}, lean, good], None,
    ...                ["71.2 kW", "70.0 kW", "74.9 kW"])
    'As arrived 71.2 kW → remapped 74.9 kW at the peak; not compared. Pipe: 16 % lean \
at 7,200 rpm, stop. It left with no lean window seen at full throttle.'
    """
    pulled = [at for at, stage in enumerate(stages) if stage["peak_power_w"] is not None]
    if not pulled:
        return f"{counted(len(stages), 'stage')}, no usable pull: only rides tell of this job."
    first, last = (f"{stages[at]['stage_name']} {powers[at]}" for at in (pulled[0], pulled[-1]))
    said = [_capital(first)]
    if len(pulled) > 1:
        share = "" if gain is None or gain["verdict"] == NO_AIR else ", 19 of 20"
        # Two peaks beside a mean over the riding range: each has to say which it is.
        told = gain_in_short(gain).replace(")", f"{share})")
        where = "" if gain is None or gain["verdict"] == NO_AIR else "over the riding range "
        said = [f"{said[0]} → {last} at the peak; {where}{told}"]
    for at in [at for at in pulled if at < len(stages) - 1]:
        if stages[at]["level"] in LEAN_LEVELS:
            worst, place = stages[at]["worst_lean_error_pct"], stages[at]["worst_speed_rpm"]
            name = stages[at]["stage_name"]
            said.append(
                f"{_capital(name)}: {number(worst)} % lean at {number(place)} rpm, "
                f"{stages[at]['level']}"
            )
    if pulled[-1] != len(stages) - 1:
        said.append(f"It left as {stages[-1]['stage_name']}, which was not pulled")
    elif is_lean(stages[-1]):
        # A gain in front would hide that the engine is in danger.
        said.insert(0, f"Left with {_left_with(stages[-1])}")
    else:
        said.append(f"It left with {_left_with(stages[-1])}")
    return f"{'. '.join(said)}."


def is_lean(stage: Mapping[str, Any]) -> bool:
    """Whether a mixture is lean at warn or stop level, or may be."""
    return stage["level"] in LEAN_LEVELS or stage["level_not_excluded"] in LEAN_LEVELS


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _left_with(stage: Mapping[str, Any]) -> str:
    told = lean_in_short(stage)
    if told == "not measured":
        return "its mixture not measured"
    return told.replace(": ", ", ", 1).replace(UNSEEN, f"{UNSEEN} at full throttle")


def build_ended(build: Mapping[str, Any]) -> str:
    """Return what a job gained and ended on; what it left with comes first where that is a danger.

    >>> build_ended({"level": "stop", "level_not_excluded": None, "worst_lean_error_pct": 16.2,
    ...     "worst_speed_rpm": 7200.0, "gained": "+3.1 %, real gain", "ended_on": "Birch r3; E5"})
    'left at stop, 16 % lean at 7,200 rpm; +3.1 %, real gain; ended on Birch r3; E5'
    """
    said = f"{build['gained']}; ended on {build['ended_on']}"
    return f"left at {_left_with(build)}; {said}" if is_lean(build) else said


def job_label(job: Mapping[str, Any]) -> str:
    """Return what a job is called in the list of a bike's jobs."""
    ways = job["first_name"]
    if job["last_stage_id"] != job["first_stage_id"]:
        ways = f"{ways} → {job['last_name']}"
    return f"{job['job_id']} · {job['received_on'].day} {job['received_on']:%b %Y} · {ways}"


def job_in_a_line(job: Mapping[str, Any], gain: Mapping[str, Any] | None) -> str:
    """Return how another job of a bike ended, and what it gave; a danger comes first."""
    said = [f"{job['parts_label']}, {job['map_label']} map"]
    if gain is not None:
        said.append(gain_in_short(gain))
    if job["level"] is not None:
        seen = f"{UNSEEN} at full throttle"
        lean = seen if job["level"] == "none" else f"mixture {job['level']}"
        if beyond := job["level_not_excluded"]:
            lean += f", {beyond} not excluded"
        said.insert(0 if is_lean(job) else len(said), f"left with {lean}")
    return "; ".join(said)


def range_sentence(found: Sequence[Mapping[str, Any]]) -> str:
    """Return what stages give over the base on the mean of a range of speeds.

    >>> range_sentence([{"stage_no": 2, "stage_name": "remapped", "seen_from_rpm": 5000.0,
    ...     "seen_to_rpm": 8000.0, "gain_pct": 5.1, "lower_pct": 3.9, "upper_pct": 6.3,
    ...     "ratio_pct": 5.1, "air_state": "reference"}])
    '5,000 to 8,000 rpm: 2 remapped +5.1 % (+3.9 to +6.3)'
    """
    places = [
        f"{number(row['seen_from_rpm'])} to {number(row['seen_to_rpm'])} rpm" for row in found
    ]
    told = [_over_range(row) for row in found]
    if len(set(places)) == 1:
        return f"{places[0]}: {' · '.join(told)}"
    return " · ".join(f"{place}: {said}" for place, said in zip(places, told, strict=True))


def _over_range(row: Mapping[str, Any]) -> str:
    said = f"{stage_label(row)} "
    if row["air_state"] in ("one side", "none"):
        return said + NO_AIR
    if row["gain_pct"] is not None:
        return f"{said}{signed(row['gain_pct'])} % ({between(row['lower_pct'], row['upper_pct'])})"
    if row["ratio_pct"] is None:
        return f"{said}cannot be told: one of the two is not at reference air"
    return f"{said}{signed(row['ratio_pct'])} %, not compared"
