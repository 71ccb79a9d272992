"""The words of a customer's sheet: three sentences, and what was done, without any marketing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from warehouse.wording import NO_AIR, Advice, number, signed

Row = Mapping[str, Any]

MOST_STAGES_TOLD = 6
"""Of a longer job the stages in the middle are counted: the sheet is one page."""
MOST_NAME, MOST_CHANGE = 40, 110
"""Signs of a stage's name and of what was changed that a sheet has room for."""
CAUTIONS = (
    "A lean full-throttle mixture can destroy an engine in one pull.",
    "The figures are this shop's own comparison, not a certified rating.",
    "Removing a catalyst or silencer, or changing the map, may be unlawful on the road and may "
    "void the type approval: local law decides.",
    "Log on the road only at speeds that the road allows.",
)


def three_sentences(
    gain: Row | None,
    stages: tuple[Row | None, Row],
    mixtures: tuple[Row | None, Row | None],
    leaving: tuple[Row, Advice],
) -> list[str]:
    """Return what it gained and how sure, where the mixture was and is, and what to watch.

    `stages` are the ones before and after, `mixtures` theirs; `leaving` is the state that the bike
    leaves in, with what its mixture says. Where that may be too lean, this comes first.
    """
    gained = gain_sentence(gain, *stages)
    mixture = mixture_sentence(stages[0], *mixtures)
    watch = watch_sentence(*leaving, is_after=leaving[0]["stage_id"] == stages[1]["stage_id"])
    return [watch, gained, mixture] if leaving[1].is_alarm else [gained, mixture, watch]


def gain_sentence(gain: Row | None, before: Row | None, after: Row) -> str:
    """Return what was gained and how sure that is; where nothing can be told, that first."""
    if before is None:
        return (
            f"Only one state was run, {cut(after['stage_name'])}: there is nothing to compare it "
            "with, and no gain is claimed."
        )
    if gain is None:
        return "These two runs cannot be held against each other: no gain is claimed."
    told = _told(gain)
    if not gain["is_like_for_like"] and gain["verdict"] != NO_AIR:
        reason = cut(str(gain["unlike_reason"]).rstrip("."), 160)
        told = f"Not like for like ({reason}), so take it with care: {told[0].lower()}{told[1:]}"
    if gain["air_state"] == "observed":
        told += (
            " No air correction holds for forced induction: power is as observed, and the range "
            "holds what the weather may have done."
        )
    if gain["again_stage_id"] is not None:
        told += " It was then put back and run again; the figure is against both."
    return told


def _told(gain: Row) -> str:
    mean = gain["mean_gain_pct"]
    ends = f"{signed(gain['mean_gain_lower_pct'])} to {signed(gain['mean_gain_upper_pct'])} %"
    where = f"from {number(gain['riding_from_rpm'])} to {number(gain['riding_to_rpm'])} rpm"
    if gain["verdict"] == NO_AIR:
        which = "of one run" if gain["air_state"] == "one side" else "of both runs"
        return (
            f"Whether it gained cannot be told: the air {which} was not measured. As observed, "
            f"power at the wheel differs by {signed(mean)} % {where}; with what two airs may do to "
            f"it, 19 of 20 such ranges hold the true change, here {ends}."
        )
    if gain["verdict"] == "within noise":
        smallest = number(gain["smallest_detectable_pct"], 1)
        return (
            f"No gain and no loss can be told: {signed(mean)} % of power at the wheel {where} is "
            f"within what runs of one bike differ by; 19 of 20 such ranges hold the true change, "
            f"here {ends}. A change of about {smallest} % would most likely have been seen."
        )
    verb = "rose" if gain["verdict"] == "real gain" else "fell"
    return (
        f"Power at the wheel {verb} by {number(abs(mean), 1)} % on average {where}; 19 of 20 such "
        f"ranges hold the true change, here {ends}."
    )


def mixture_sentence(before: Row | None, was: Row | None, now: Row | None) -> str:
    """Return where the full-throttle mixture was and is."""
    if _is_unknown(was) and _is_unknown(now):
        return "The mixture at full throttle was not measured."
    if before is None:
        return f"Mixture at full throttle: {leanest(now)}."
    return f"Mixture at full throttle: before, {leanest(was)}; after, {leanest(now)}."


def leanest(mixture: Row | None) -> str:
    """Return how lean the mixture is at its leanest, with its range.

    >>> leanest({"worst_lean_error_pct": 12.3, "worst_speed_rpm": 7450.0, "worst_lower_pct": 10.1,
    ...          "worst_upper_pct": 14.2})
    '12 % leaner than wanted at its leanest, at 7,450 rpm (+10.1 to +14.2 %)'
    >>> leanest(None)
    'not measured'
    """
    if mixture is None or _is_unknown(mixture):
        return "not measured"
    worst = mixture["worst_lean_error_pct"]
    ends = f"{signed(mixture['worst_lower_pct'])} to {signed(mixture['worst_upper_pct'])} %"
    where = f"at {number(mixture['worst_speed_rpm'])} rpm ({ends})"
    if worst <= 0:
        return f"nowhere leaner than wanted, nearest to it {where}"
    return f"{number(worst)} % leaner than wanted at its leanest, {where}"


def watch_sentence(left: Row, advice: Advice, *, is_after: bool) -> str:
    """Return what to watch, from the state that the bike leaves in."""
    state = "" if is_after else f" as {cut(left['stage_name'])}, its last state"
    measured = advice.headline.lower()
    if advice.is_alarm:
        may = advice.shown not in ("warn", "stop")
        told = (
            f"That this bike leaves too lean{state} cannot be excluded"
            if may
            else f"This bike leaves lean{state}"
        )
        return (
            f"{told} ({measured}): no full throttle before a qualified tuner has put the "
            "fuel right."
        )
    if advice.shown == "unknown":
        return (
            f"Watch: the mixture at full throttle{state} is not known, so nothing here says that "
            "full throttle is safe for the engine."
        )
    if advice.shown == "notice" or advice.level == "notice":
        return (
            f"Watch: the mixture{state} is on the lean side ({measured}); have it looked at "
            "before hard use, and run again after any change of parts, map or fuel."
        )
    return (
        f"Watch: all this holds for the bike{state} with these parts, this map and this fuel; "
        "after a change of any of them have it run again."
    )


def what_was_done(stages: Sequence[Row]) -> list[str]:
    """Return the stages of a job in words, those in the middle of a long job counted."""
    told = [_stage(stage, is_first=place == 0) for place, stage in enumerate(stages)]
    if len(told) <= MOST_STAGES_TOLD:
        return told
    at_start, at_end = 2, MOST_STAGES_TOLD - 3
    between = f"… {len(told) - at_start - at_end} further stages …"
    return [*told[:at_start], between, *told[-at_end:]]


def _stage(stage: Row, *, is_first: bool) -> str:
    change = stage["change_label"]
    if is_first or not change:
        on_map = "stock map" if stage["map_label"] == "stock" else f"map {stage['map_label']}"
        change = f"{stage['parts_label']}; {on_map}; {stage['fuel']}"
    runs = "" if stage["pulls_used"] else " (not run at full throttle)"
    return f"{stage['stage_no']}. {cut(stage['stage_name'])}: {cut(change, MOST_CHANGE)}{runs}"


def cut(text: object, most: int = MOST_NAME) -> str:
    r"""Return a text on one line, no longer than there is room.

    >>> cut("a  very\nlong name", 8)
    'a very…'
    """
    line = " ".join(str(text).split())
    return line if len(line) <= most else line[: most - 1].rstrip() + "…"


def _is_unknown(mixture: Row | None) -> bool:
    return mixture is None or mixture["worst_lean_error_pct"] is None
