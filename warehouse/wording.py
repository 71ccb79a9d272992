"""The words that pages, sheets and terminal make from facts: each sentence stands here once."""

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
    "The figures are this shop's own comparisons, not a certified rating; a qualified tuner checks "
    "them before anyone acts on them.",
    "A suggested fuel change is checked by a qualified tuner before anyone uses it.",
)

FUEL_CAUTIONS = (
    "A suggestion with its evidence, not a calibration: a qualified tuner checks it before use.",
    "A lean full-throttle mixture can destroy an engine in one pull: after entering it, pull with "
    "the gauge in sight.",
    "Changing the map may be unlawful on the road and may void the type approval: local law "
    "decides.",
)

WHERE_TO_LOOK = {
    "low": "A low bike is a reason to look before any remap and before any part is blamed: "
    "compression, valve clearance, clutch, tyre pressure, brake drag, air filter, fuel.",
    "high": "A high bike is a reason to look too: a map or a part that the card does not name, "
    "another gear, the weather station.",
    "another shape": "Another shape is a reason to look before any remap: what is low over one "
    "stretch only is often valve clearance, a clogged air filter, fuel delivery or ignition; what "
    "is high, a part or a map that the card does not name.",
    "leaner": "A leaner bike is a reason to look at fuel pressure, injectors, air leaks and the "
    "probe before any map is blamed.",
    "richer": "A richer bike is a reason to look at the air filter, fuel pressure, a leaking "
    "injector and the probe before any map is blamed.",
}
"""By how a bike stands among its siblings; common practice of the trade, no source."""
BOTH_WAYS = {"low and high": ("low", "high"), "richer and leaner": ("richer", "leaner")}
"""The states of a bike that stands out to either side."""

HELD_BY = {
    "": "",
    "step": "limit of one round",
    "total": "limit of all rounds together",
    "guard": "kept rich: it feeds full throttle or a lean window",
    "slope": "raised towards a richer neighbour",
}
"""What held a suggested fuel change back or raised it."""

WEATHER_STATION = "weather station"
"""Subject of the verdict on the air that was read."""
DYNO_STATES = {"good": "Good", "watch": "Watch", "act": "Act", "unknown": "Not known"}

LEVELS = ("stop", "warn", "notice", "none", "unknown")
"""Mixture levels, worst first; `unknown` is a mixture that nobody measured."""

LEAN_LEVELS = LEVELS[:2]
"""Too lean to be left so."""

LEAN_TO_DO = {
    "stop": "No further pull before the fuel is put right.",
    "warn": "Put the fuel right before the next full pull.",
    "notice": "Pull only with the gauge in sight and a hand on the clutch.",
}
"""What to do at each level: common practice of the trade, no source."""

LEAST_LEARNT_PCT = 0.5
"""A long-term trim below it is not worth a word: less than one step of its byte, 0.78 %."""

_ACTS_AS_LINK = re.compile(r"https?:(?=//)|www(?=[.])|(?<=\S)@(?=\w)", re.IGNORECASE)
"""Addresses become links in the browser even where every sign is escaped: a word joiner, which
nobody sees, keeps them text."""
_TURNS = re.compile("[\u202a-\u202e\u2066-\u2069]")
"""Signs that turn the reading order of all that stands behind them, our own words too."""
_MARKDOWN_SIGNS = re.compile(r"([\\`*_{}\[\]()<>#+\-.!|~$:&@^=\"'])")


Figure = tuple[str, str, str]
"""A title, the figure, and what qualifies it."""


class Advice(NamedTuple):
    """What the mixture says about pulling again."""

    level: str
    """The worst that is not excluded: cautions go by it."""
    headline: str
    what_to_do: str
    judged: str = ""
    """The leanest with its interval, and over which speeds the mixture was judged."""
    shown: str = "unknown"
    """The level that the pulls' mean shows."""

    @property
    def is_alarm(self) -> bool:
        """Whether warn level is not excluded."""
        return self.level in LEAN_LEVELS


def escaped(text: object) -> str:
    r"""Return text so that markdown shows it letter for letter.

    >>> escaped("run_1 [new]")
    'run\\_1 \\[new\\]'
    """
    held = _TURNS.sub("\N{REPLACEMENT CHARACTER}", " ".join(str(text).split()))
    plain = _ACTS_AS_LINK.sub("\\g<0>\u2060", held)
    return _MARKDOWN_SIGNS.sub(r"\\\1", plain)


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


def signed(value: float | None, digits: int = 1) -> str:
    """Return a figure with its sign."""
    return number(value, digits, signed=True)


def share(value: float | None, digits: int = 0) -> str:
    """Return a share of 1 in percent.

    >>> share(0.413), share(None)
    ('41 %', '–')
    """
    return "–" if value is None else f"{number(100 * value, digits)} %"


def counted(count: int | None, one: str, many: str = "") -> str:
    """Return a count with its noun.

    >>> counted(1, "bike"), counted(3, "bike"), counted(0, "body", "bodies")
    ('1 bike', '3 bikes', '0 bodies')
    """
    return f"{number(count or 0)} {one if count == 1 else many or one + 's'}"


def listed(lines: Sequence[str], most: int) -> str:
    r"""Return lines as points; one more than there is room for would be a line too, so it stands.

    >>> listed(["a", "b", "c", "d"], 2)
    '- a\n- b\n- and 2 more, in the table below'
    """
    shown = lines if len(lines) <= most + 1 else lines[:most]
    more = len(lines) - len(shown)
    points = [*shown, f"and {more} more, in the table below"] if more else shown
    return "\n".join(f"- {point}" for point in points)


def rows_left(shown: int, rows: int) -> str:
    """Return how much of a long table is shown, and how to have the rest.

    >>> rows_left(500, 4930)
    'The first 500 of 4,930 rows. 4,430 more: take it away.'
    """
    return (
        f"The first {number(shown)} of {number(rows)} rows. {number(rows - shown)} more: "
        "take it away."
    )


def lines_left(drawn: int, stages: int) -> str:
    """Return how many of the stages behind a figure a picture shows.

    >>> lines_left(60, 425)
    'Drawn are the 60 surest lean of 425 stages.'
    """
    return f"Drawn are the {number(drawn)} surest lean of {number(stages)} stages."


def waiting_files(files: int) -> str:
    """Return how many files somebody has to see to.

    >>> waiting_files(1), waiting_files(3)
    ('1 file waits or was refused', '3 files wait or were refused')
    """
    wait = "waits or was" if files == 1 else "wait or were"
    return f"{counted(files, 'file')} {wait} refused"


def between(lower: float | None, upper: float | None) -> str:
    """Return an interval in words.

    >>> between(2.9, 5.5)
    '+2.9 to +5.5'
    >>> between(None, 5.5)
    'no interval'
    """
    if lower is None or upper is None:
        return "no interval"
    return f"{signed(lower)} to {signed(upper)}"


def combination(row: Mapping[str, Any]) -> str:
    """Return what a build is called: its model, its parts and its map."""
    return f"{row['model_label']}, {row['parts_label']}, {row['map_label']} map"


def power_at(reference_air: str, *, is_corrected: bool) -> str:
    """Return what air a power is stated at.

    >>> power_at("SAE J1349", is_corrected=True)
    'at SAE J1349 reference air'
    """
    return f"at {reference_air} reference air" if is_corrected else "as measured, not corrected"


LEAST_TREND_PCT = 0.05
"""A smaller trend is not worth a word: figures are shown to a tenth of a percent."""
NO_AIR = "cannot be told: no air"
"""The verdict without air on one side or both."""


def gain_sentence(gain: Mapping[str, Any]) -> str:
    """Return the verdict on a gain as one sentence.

    >>> gain_sentence({"verdict": "real gain", "mean_gain_pct": 4.2, "mean_gain_lower_pct": 2.9,
    ...                "mean_gain_upper_pct": 5.5, "smallest_detectable_pct": 1.9})
    'Real gain: +4.2 % over the riding range, 95 % between +2.9 and +5.5 %'
    """
    low = signed(gain["mean_gain_lower_pct"])
    high = signed(gain["mean_gain_upper_pct"])
    if gain["verdict"] == NO_AIR:
        side = "one side does not give" if gain["air_state"] == "one side" else "neither side gives"
        return (
            f"Cannot be told: no air. Power as observed differs by {signed(gain['mean_gain_pct'])} "
            f"%, but {side} the air's temperature, pressure and humidity: with what may lie "
            f"between two airs, 95 % between {low} and {high} %. No gain is told from that"
        )
    sentence = (
        f"{gain['verdict'].capitalize()}: {signed(gain['mean_gain_pct'])} % over "
        f"the riding range, 95 % between {low} and {high} %"
    )
    if gain["verdict"] == "within noise":
        smallest = number(gain["smallest_detectable_pct"], 1)
        sentence += f". These pulls could have shown {smallest} % or more"
        if gain.get("is_real_alone"):
            together = counted(gain["verdicts_together"], "comparison")
            sentence += (
                f". Alone it would count as real; {together} of this card share one error rate, "
                "and among so many such a difference comes by chance"
            )
    if gain.get("air_state") == "observed":
        sentence += (
            ". Power as observed: no correction holds for forced induction; what the weather may "
            "have done is in the interval"
        )
    return sentence


def odd_pulls_sentence(odd: Sequence[Mapping[str, Any]], all_pulls_gain_pct: float) -> str:
    """Return which pulls a gain does not rest on, and what it would be with them.

    >>> odd_pulls_sentence([{"stage_name": "stock", "pull_no": 3, "odd": "4.0 % below"}], 0.6)
    'Pull 3 of stock: 4.0 % below. With all pulls counted alike: +0.6 %.'
    """
    named = [f"Pull {pull['pull_no']} of {pull['stage_name']}: {pull['odd']}" for pull in odd]
    return f"{'. '.join(named)}. With all pulls counted alike: {signed(all_pulls_gain_pct)} %."


def uncorrected_sentence(why: str) -> str:
    """Return why a power is shown as measured, from the code of its session.

    >>> uncorrected_sentence("forced induction")
    'Power as measured: the air correction holds for naturally aspirated engines, not for forced \
induction.'
    """
    return {
        "forced induction": "Power as measured: the air correction holds for naturally aspirated "
        "engines, not for forced induction.",
        "no weather": "Power as measured: the files lack the air's temperature, pressure or "
        "humidity, so it cannot be corrected. Figures of different days cannot be compared.",
    }.get(why, "Power as measured, not corrected: the notes on the pulls below say why.")


def drift_sentence(gain: Mapping[str, Any]) -> str:
    """Return what drifted while a change was on the bike.

    >>> drift_sentence({"pulls_again": 3, "drift_pct": -0.62, "drift_lower_pct": -1.1,
    ...                 "drift_upper_pct": -0.1})
    'Put back and pulled 3 times more: −0.6 % since the start, 95 % between −1.1 and −0.1 %. A \
steady drift is out of the gain.'
    """
    low = signed(gain["drift_lower_pct"])
    high = signed(gain["drift_upper_pct"])
    again = counted(gain["pulls_again"], "time")
    return (
        f"Put back and pulled {again} more: {signed(gain['drift_pct'])} % since "
        f"the start, 95 % between {low} and {high} %. A steady drift is out of the gain."
    )


def budget_sentence(budget: Sequence[Mapping[str, Any]], trend_pct: float | None) -> str:
    """Return what the uncertainty of a gain is made of, the greatest part first.

    >>> budget_sentence([{"component": "day", "sd_pct": 0.71, "origin": "stated default",
    ...     "is_assumed": True, "dof": 6.0}], -0.3)
    'The interval is made of (1 SD, % of power): day 0.71, assumed (stated default). A trend of \
−0.3 % that went on between the stages was taken off.'
    """
    parts = [
        f"{part['component']} {number(part['sd_pct'], 2)}"
        + (", assumed" if part["is_assumed"] else "")
        + f" ({part['origin']})"
        for part in budget
    ]
    said = f"The interval is made of (1 SD, % of power): {'; '.join(parts)}."
    if trend_pct is not None and abs(trend_pct) >= LEAST_TREND_PCT:
        said += f" A trend of {signed(trend_pct)} % that went on between the stages was taken off."
    return said


def plan_ways(is_put_back: bool) -> str:
    """Return which sessions a planned comparison has."""
    return "Put back and pulled again" if is_put_back else "Before and after"


def plan_words(is_put_back: bool, handling: str) -> str:
    """Return how the bike is handled in a planned comparison.

    >>> plan_words(False, "strapped once, rested"), plan_words(True, "taken off between")
    ('Before and after, strapped once, rested', 'Put back and pulled again, taken off between')
    """
    return f"{plan_ways(is_put_back)}, {handling}"


def plan_sentence(plans: Sequence[Mapping[str, Any]], wanted_pct: float) -> str:
    """Return how many pulls it takes to see a gain, handled one way.

    >>> plan_sentence([{"is_put_back": False, "handling": "taken off between", "pulls": 1,
    ...     "smallest_detectable_pct": 1.8, "floor_pct": 0.2},
    ...     {"is_put_back": False, "handling": "taken off between", "pulls": 2,
    ...     "smallest_detectable_pct": 1.1, "floor_pct": 0.2}], 1.5)
    'Before and after, taken off between: 2 pulls each, 4 in all'
    """
    words = plan_words(plans[0]["is_put_back"], plans[0]["handling"])
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
        most = max(learnt, key=lambda trim: float(abs(trim)))
        said.append(
            f"Open-loop cells ran with a long-term trim of up to {signed(most)} %: "
            "the suggested fuel change counts it as missing from the map."
        )
    return " ".join(said)


def advice(mixture: Mapping[str, Any] | None) -> Advice:
    """Return whether it is safe to keep pulling, from the full-throttle mixture of a stage.

    Beside the level that the pulls show stands a worse one that they do not exclude; what to do is
    that of the worse.

    >>> advice({"level": "notice", "worst_lean_error_pct": 8.2, "worst_speed_rpm": 7450.0,
    ...         "worst_lower_pct": 6.1, "worst_upper_pct": 10.3, "level_not_excluded": "warn",
    ...         "more_pulls": 2, "is_gauge_in_the_way": False, "is_scatter_assumed": False,
    ...         "judged_from_rpm": 2450.0, "judged_to_rpm": 9800.0, "settling_s": 0.46,
    ...         "is_near_peak_torque": False}).headline
    'NOTICE: 8 % lean at 7,450 rpm; warn cannot be excluded'
    """
    if mixture is None or mixture["worst_lean_error_pct"] is None:
        why, first = "no wideband lambda was logged", "Fit a probe first."
        if mixture and mixture["reason"]:
            why, first = mixture["reason"], mixture["remedy"]
        said = f"{why[:1].upper()}{why[1:]}: nothing here says that another pull is safe. {first}"
        return Advice("unknown", "MIXTURE NOT MEASURED", said)
    level = mixture["level"] if mixture["level"] in LEVELS else "unknown"
    beyond = mixture["level_not_excluded"]
    worst = mixture["worst_lean_error_pct"]
    where = f"{number(worst)} % lean at {number(mixture['worst_speed_rpm'])} rpm"
    if level in LEAN_TO_DO:
        headline = f"{level.upper()}: {where}"
    else:
        headline = "NO LEAN WINDOW SEEN"
        side = "lean" if worst > 0 else "rich of target even there"
        where = f"{number(abs(worst), 1)} % {side}, at {number(mixture['worst_speed_rpm'])} rpm"
    if beyond:
        headline += f"; {beyond} cannot be excluded"
    to_do = [_settled_by(mixture), LEAN_TO_DO.get(beyond or level, "")]
    if level not in LEAN_TO_DO:
        true_of = "True of the pulls below and of nothing else: keep watching the gauge."
        to_do = [f"Leanest: {where}.", *to_do, true_of]
    if mixture["is_near_peak_torque"]:
        to_do.append("That is within 500 rpm of peak torque, where knock bites.")
    said = " ".join(filter(None, to_do))
    return Advice(beyond or level, headline, said, _judged(mixture), level)


def _settled_by(mixture: Mapping[str, Any]) -> str:
    """Return what would tell whether a level that is not excluded is there.

    Where it is stop, no pull is proposed that would only find out.
    """
    beyond, more = mixture["level_not_excluded"], mixture["more_pulls"]
    if beyond is None:
        return ""
    if mixture["is_gauge_in_the_way"]:
        return (
            f"No number of pulls would settle whether it is {beyond}: the gauge's own accuracy is "
            "in the way."
        )
    if beyond == "stop":
        return "Take it as stop."
    if more is None:
        return f"Even ten more pulls would not settle whether it is {beyond}: these scatter a lot."
    told = f"{counted(more, 'more pull')} like these would settle whether it is {beyond}"
    if beyond == "notice":
        return f"{told}."
    return f"{told}, each with the gauge in sight and a hand on the clutch. Without:"


def _judged(mixture: Mapping[str, Any]) -> str:
    """Return how well the worst error is known, and over which speeds it was looked for."""
    ends = [signed(mixture[f"worst_{end}_pct"]) for end in ("lower", "upper")]
    told = (
        f"Leanest within {ends[0]} to {ends[1]} % (19 of 20), judged from "
        f"{number(mixture['judged_from_rpm'])} to {number(mixture['judged_to_rpm'])} rpm."
    )
    if mixture["is_scatter_assumed"]:
        told += " From one pull: the scatter between pulls is assumed."
    if mixture["settling_s"] is not None:
        told += (
            f" Below, nothing is judged: the probe needs {number(mixture['settling_s'], 2)} s "
            "after full throttle to settle."
        )
    return told


def dyno_sentence(verdict: Mapping[str, Any]) -> str:
    """Return one verdict on the dyno, the word of its state first.

    >>> dyno_sentence({"state": "act", "subject": "level", "sentence": "It reads high."})
    'Act, level: It reads high.'
    """
    return f"{dyno_state(verdict)}, {verdict['subject']}: {verdict['sentence']}"


def dyno_markdown(verdict: Mapping[str, Any]) -> str:
    """Return the same for a page, its first words bold."""
    head = f"{dyno_state(verdict)}, {escaped(verdict['subject'])}:"
    return f"**{head}** {escaped(verdict['sentence'])}"


def dyno_state(verdict: Mapping[str, Any]) -> str:
    """Return the word for the state of a verdict on the dyno."""
    return DYNO_STATES.get(verdict["state"], "Not known")


def trust_sentence(trust: Mapping[str, Any]) -> str:
    """Return what every interval rests on."""
    return (
        f"Rests on pull to pull {share(trust['repeatability_share'], 2)} (1 SD, "
        f"{trust['repeatability_origin']}), strapping down {share(trust['remount_share'], 2)} "
        f"(1 SD, {trust['remount_origin']}) and another day {share(trust['day_share'], 2)} "
        f"(1 SD, {trust['day_origin']}). For each % of air density the correction may leave "
        f"{number(trust['air_exponent_share'], 2)} % of power (1 SD, "
        f"{trust['air_exponent_origin']})."
    )


def counted_lean(stages: Sequence[Mapping[str, Any]]) -> tuple[int, int]:
    """Return how many stages are lean at warn or stop level, and in how many that may be."""
    lean = sum(stage["level"] in LEAN_LEVELS for stage in stages)
    return lean, len(stages) - lean


def off_target_sentence(stages: Sequence[Mapping[str, Any]]) -> str:
    """Return how many stages on the shop's own maps are lean, or may be.

    >>> off_target_sentence([{"level": "warn"}, {"level": "notice"}])
    "1 stage on the shop's own maps still runs lean at warn or stop level; in 1 more that cannot \
be excluded."
    >>> off_target_sentence([])
    "None of this quarter's stages on a shop map runs lean at warn or stop level."
    """
    lean, maybe = counted_lean(stages)
    also = f"; in {maybe} more that cannot be excluded" if lean and maybe else ""
    if not lean:
        also = f"; in {counted(maybe, 'stage')} that cannot be excluded" if maybe else ""
        return f"None of this quarter's stages on a shop map runs lean at warn or stop level{also}."
    runs = "runs" if lean == 1 else "run"
    return (
        f"{counted(lean, 'stage')} on the shop's own maps still {runs} lean at warn or stop "
        f"level{also}."
    )


def quarter_sentence(
    figures: Mapping[str, float],
    gains: Sequence[Mapping[str, Any]],
    off_target: int,
    comebacks: int,
    dyno_verdicts: Sequence[Mapping[str, Any]],
) -> str:
    """Return a quarter in one sentence, of the gain that each job gave as a whole."""
    real = sum(gain["verdict"] == "real gain" for gain in gains)
    untold = sum(gain["verdict"] == NO_AIR for gain in gains)
    came_in = [int(figures.get(name, 0)) for name in ("bikes", "jobs", "pulls")]
    return (
        f"{counted(came_in[0], 'bike')} in {counted(came_in[1], 'job')}, "
        f"{counted(came_in[2], 'pull')}; "
        f"{real} of {counted(len(gains), 'job')} measured before and after gave a real gain"
        + (f", {untold} cannot be told for want of the air" if untold else "")
        + f"; {counted(off_target, 'stage')} on our own maps still lean at warn or stop; "
        f"{counted(comebacks, 'comeback')}; {dyno_in_short(dyno_verdicts)}."
    )


def dyno_in_short(verdicts: Sequence[Mapping[str, Any]]) -> str:
    """Return the dyno's state in a few words; that it holds only a control bike can say.

    >>> dyno_in_short([{"state": "good", "subject": "air correction", "is_of_dyno": False}])
    'whether the dyno holds cannot be told: no control bike watches it'
    """
    states = {verdict["state"] for verdict in verdicts}
    if "act" in states:
        return "act on the dyno before trusting small gains"
    watched = {verdict["subject"] for verdict in verdicts if verdict["state"] == "watch"}
    watch = "the weather station" if watched == {WEATHER_STATION} else "the dyno"
    watch = f"{watch} needs watching" if watched else ""
    of_dyno = {verdict["state"] for verdict in verdicts if verdict["is_of_dyno"]}
    if not of_dyno or "unknown" in of_dyno:
        why = control_so_far(verdicts) or "no control bike watches it"
        before = f"{watch}; " if watch else ""
        return f"{before}whether the dyno holds cannot be told: {why}"
    if watched == {WEATHER_STATION}:
        return f"the dyno holds; {watch}"
    return watch or "the dyno holds"


def control_so_far(verdicts: Sequence[Mapping[str, Any]]) -> str:
    """Return how far a control bike is from watching its dyno; nothing where none is run.

    >>> control_so_far([{"is_of_dyno": True, "control_sessions": 7, "control_needed": 8}])
    'the control bike has 7 of the 8 sessions needed'
    """
    for verdict in verdicts:
        run, needed = verdict.get("control_sessions"), verdict.get("control_needed")
        if verdict["is_of_dyno"] and run and needed and run < needed:
            return f"the control bike has {run} of the {needed} sessions needed"
    return ""


def round_limits(most_enrichment_pct: float, most_enleanment_pct: float) -> str:
    """Return the limits of one round of fuel change."""
    return (
        f"One round adds {most_enrichment_pct:g} % at most and takes {most_enleanment_pct:g} % at "
        "most: enter, run again, and the next asks for the rest."
    )


def later_stage_sentence(later: Mapping[str, Any]) -> str:
    """Return that a bike has been run otherwise since a stage."""
    label = later["map_label"]
    on_map = "the stock map" if label == "stock" else f"map {label}"
    return (
        f"The bike has been run since: its last stage is {later['stage_id']} "
        f"({later['stage_name']}) on {on_map}. Enter this only into the map of this stage."
    )


def how_to_enter(seams: int, *, as_list: bool) -> str:
    """Return how a table of fuel to add is entered, with so many figures in unseen cells."""
    how = (
        "Each figure is fuel to add in percent, on the map as it stands at this stage: multiply "
        "the cell by 1 + figure / 100. Empty cells stay as they are."
    )
    if as_list:
        return (
            f"{how} enter_pct: fuel to add in this round. needed_pct with its 95 % interval: the "
            "whole change, before limits. Not seen: half of what is added beside it."
        )
    if not seams:
        return how
    return (
        f"{how} {counted(seams, 'figure stands in a cell', 'figures stand in cells')} not seen: "
        "half of what is added beside, so that the engine meets no cliff. The list says which."
    )


def gain_figures(
    session: Mapping[str, Any] | None, gain: Mapping[str, Any] | None, peak: str
) -> list[Figure]:
    """Return the figures of a stage and of what led to it, its peak power in the shop's unit."""
    found: list[Figure] = []
    if session and session["peak_power_w"] is not None:
        at = f"at {number(session['peak_power_speed_rpm'])} rpm"
        rising = "" if session["is_peak_reached"] else ", where the sweeps end: still rising"
        found.append(("Peak power", peak, at + rising))
    if not gain or gain["verdict"] == NO_AIR:
        return found
    if gain["peak_gain_pct"] is not None:
        span = between(gain["peak_gain_lower_pct"], gain["peak_gain_upper_pct"])
        found.append(("Peak against peak", f"{signed(gain['peak_gain_pct'])} %", f"{span} %"))
    for title, name in (("Greatest gain", "greatest_gain"), ("Greatest loss", "greatest_loss")):
        if gain[f"{name}_pct"]:
            span = between(gain[f"{name}_lower_pct"], gain[f"{name}_upper_pct"])
            at = f"{span} %, at {number(gain[f'{name}_speed_rpm'])} rpm"
            found.append((title, f"{signed(gain[f'{name}_pct'])} %", at))
    if gain["over_rev_rpm"]:
        found.append(("Over-rev", f"{number(gain['over_rev_rpm'])} rpm", "past the old limit"))
    return found


ASSUMED_PRIOR = (
    " Fewer than three builds on such maps and fuels were logged: the chance starts from an "
    "assumed share, anything from none to all."
)


def by_chance(real: int, kept: int, tried: int) -> str:
    """Return how many of many verdicts chance alone would give, and how many stand all the same.

    >>> by_chance(24, 19, 57)[:62]
    '57 combinations were measured; 24 show a real gain or loss eac'
    """
    chance = number(0.05 * tried, 0 if tried >= 100 else 1)
    one, stands = ("shows", "stands") if real == 1 else ("show", "stand")
    kept_stands = stands if kept != 1 else "stands"
    return (
        f"{counted(tried, 'combination')} {'was' if tried == 1 else 'were'} measured; "
        f"{number(real)} {one} a real gain or loss each by itself, where chance alone would make "
        f"{chance} of so many. {number(kept)} {kept_stands} with at most 1 in 20 of them wrong."
    )


def noise_apart_from_0(gains: Sequence[Mapping[str, Any]]) -> str:
    """Return why gains whose range leaves out 0 are told as noise; "" where there is none."""
    apart = sum(
        gain["verdict"] == "within noise"
        and gain["mean_gain_lower_pct"] is not None
        and gain["mean_gain_lower_pct"] * gain["mean_gain_upper_pct"] > 0
        for gain in gains
    )
    if not apart:
        return ""
    are = "is" if apart == 1 else "are"
    return (
        f"{counted(apart, 'gain')} whose range leaves out 0 {are} within noise: one of several "
        "comparisons on a card, which share one error rate."
    )


def real_by_chance(gains: Sequence[Mapping[str, Any]]) -> str:
    """Return how many verdicts of a list are real, and how many one would be by chance alone.

    Verdicts of one card share an error rate; what is held against an earlier job has its own.

    >>> real_by_chance([{"job_id": "J-1", "basis": "first stage", "verdict": "real gain"}])
    '1 of 1 verdict is real. If nothing had changed, chance would make some on at most 0.1 cards.'
    """
    real = sum(gain["verdict"].startswith("real") for gain in gains)
    alone = [gain["basis"] == "earlier job" for gain in gains]
    cards = {gain["job_id"] for gain, is_alone in zip(gains, alone, strict=True) if not is_alone}
    return (
        f"{number(real)} of {counted(len(gains), 'verdict')} {'is' if real == 1 else 'are'} real. "
        "If nothing had changed, chance would make some on at most "
        f"{number(0.05 * (len(cards) + sum(alone)), 1)} cards."
    )


def odd_sentence(odd: int, bikes: int) -> str:
    """Return how many bikes do not fit the others, and how many would not by chance.

    >>> odd_sentence(1, 20)
    '1 of 20 bikes lies outside what the others foretell; chance alone would put 1.0 there.'
    """
    if not bikes:
        return "No bike can be held against others yet: that takes four with the same change."
    lies = "lies" if odd == 1 else "lie"
    return (
        f"{number(odd)} of {counted(bikes, 'bike')} {lies} outside what the others foretell; "
        f"chance alone would put {number(0.05 * bikes, 1)} there."
    )


def apart_sentence(part: Mapping[str, Any]) -> str:
    """Return why a part's own effect cannot be told, and the one job that would tell it best."""
    return (
        f"What {part['part_change']} gives by itself cannot be separated"
        + (f" from {part['together_with']}" if part["together_with"] else "")
        + f", on {counted(part['bikes'], 'bike')}. Run one bike with the {part['next_job']} alone: "
        f"it would then be known to ±{number(part['half_width_then_pct'], 1)} %, "
        f"now ±{number(part['half_width_pct'], 1)} %."
    )


def selection(logged: Sequence[Mapping[str, Any]]) -> str:
    """Return how many bikes were logged, and what that does to a need.

    >>> selection([{"bikes": 1, "built_bikes": 2}]).split(".")[0]
    'Logged at full throttle: 1 of 2 bikes, each once a build'
    """
    bikes, built = (sum(row[name] for row in logged) for name in ("bikes", "built_bikes"))
    return (
        f"Logged at full throttle: {bikes} of {counted(built, 'bike')}, each once a build. "
        "A shop that logs only troubled bikes sees its need overstated."
    )


def arrived_and_left(quarters: Sequence[Mapping[str, Any]]) -> str:
    """Return how many bikes arrived and left lean in the newest quarter with a logged bike."""
    newest = max((row["quarter_label"] for row in quarters if row["bikes"]), default=None)
    if newest is None:
        return "no bike was logged at full throttle at either end of a job."
    found = {row["moment"]: row for row in quarters if row["quarter_label"] == newest}
    told = [
        f"{moment} needing {row['lean_bikes']} of {row['bikes']} "
        f"({number(100 * row['lean_lower_share'])} to {number(100 * row['lean_upper_share'])} %)"
        for moment in ("arrived", "left")
        if (row := found.get(moment)) and row["bikes"]
    ]
    return f"{newest}: {', '.join(told)}."


def lean_range(lower: float, upper: float) -> str:
    """Return a range of lean errors rounded outwards: its lower end never up to a level.

    >>> lean_range(9.74, 17.21), lean_range(9.96, 14.2)
    ('9.7 to 17.3', '9.9 to 14.2')
    """
    # 9.3 times 10 is not 93 in binary figures.
    low, high = (round(10 * end, 6) for end in (lower, upper))
    return f"{number(math.floor(low) / 10, 1)} to {number(math.ceil(high) / 10, 1)}"


def need_in_short(need: Mapping[str, Any]) -> str:
    """Return how lean a combination is and what a remap gave, on one line.

    >>> need_in_short({"lean_bikes": 7, "bikes": 7, "worst_error_lower_pct": 9.8,
    ...     "worst_error_upper_pct": 17.2, "given_back_pct": 2.9})
    '7 of 7 lean; the next 9.8 to 17.2 % at worst; a remap gave +2.9 %'
    """
    said = [f"{need['lean_bikes']} of {need['bikes']} lean"]
    if need["worst_error_lower_pct"] is not None:
        ends = (need[f"worst_error_{end}_pct"] for end in ("lower", "upper"))
        said.append(f"the next {lean_range(*ends)} % at worst")
    if need["given_back_pct"] is not None:
        said.append(f"a remap gave {signed(need['given_back_pct'])} %")
    return "; ".join(said)


def need_figures(need: Mapping[str, Any]) -> list[Figure]:
    """Return the figures of a combination that may need a remap."""
    lower, upper = need["worst_error_lower_pct"], need["worst_error_upper_pct"]
    # As the sentence above the figures rounds it, or the two would differ by a tenth.
    worst = between(lower, upper) if lower is None or lower < 0 else lean_range(lower, upper)
    gave = between(need["given_back_lower_pct"], need["given_back_upper_pct"])
    low, high = need["worst_speed_from_rpm"], need["worst_speed_to_rpm"]
    chance = [number(100 * need[f"warn_{end}_share"]) for end in ("lower", "upper")]
    return [
        (
            "Lean at warn level",
            f"{need['lean_bikes']} of {need['bikes']}",
            f"logged, of {need['built_bikes']} so built",
        ),
        (
            "Chance, next bike",
            share(need["warn_share"]),
            f"{' to '.join(chance)} %" + ", assumed" * need["is_prior_assumed"],
        ),
        ("Worst lean error", f"{number(need['worst_error_pct'], 1)} %", f"{worst} %, next bike"),
        ("Leanest at", number(low), "" if low is None else f"to {number(high)} rpm"),
        (
            "Remap gave back",
            f"{signed(need['given_back_pct'])} %",
            "not measured" if need["given_back_pct"] is None else f"{gave} %",
        ),
        (
            "Cruise off band",
            share(need["cruise_out_share"]),
            f"{counted(need['cruise_bikes'], 'bike')} ridden",
        ),
    ]


def health_figures(bike: Mapping[str, Any], peak: str) -> list[Figure]:
    """Return the figures of a bike beside its siblings, its peak power in the shop's unit."""
    at = f"at {number(bike['peak_power_speed_rpm'])} rpm"
    found = [("Peak power", peak, at)]
    against = f"against {counted(bike['siblings'], 'sibling')}"
    if bike["peak_change_pct"] is not None:
        found.append(("Peak power", f"{signed(bike['peak_change_pct'])} %", against))
    if bike["shape_distance_pct"] is not None:
        shape = f"{number(bike['shape_distance_pct'], 1)} %"
        found.append(("Shape off by", shape, "level taken out"))
    if bike["lean_change_pct"] is not None:
        against = f"against {counted(bike['mixture_siblings'], 'sibling')}"
        found.append(("Mixture", f"{signed(bike['lean_change_pct'])} points", against))
    return found


def where_to_look(states: Sequence[str]) -> str:
    """Return where to look on a bike that stands so among its siblings; "" if it is usual."""
    named = {word for state in states for word in BOTH_WAYS.get(state, (state,))}
    said = [sentence for word, sentence in WHERE_TO_LOOK.items() if word in named]
    return " ".join([*said, "Common practice, no source."]) if said else ""


def bikes_standing_out(unusual: int, bikes: int, not_compared: int) -> str:
    """Return how many bikes are not like their siblings.

    >>> bikes_standing_out(1, 29, 2)
    '1 bike of 29 stands out, 2 cannot be compared.'
    """
    stand = "stands" if unusual == 1 else "stand"
    return (
        f"{counted(unusual, 'bike')} of {number(bikes)} {stand} out, {number(not_compared)} cannot "
        "be compared."
    )


def maps_missing(missing: int, maps: int) -> str:
    """Return how many maps miss their target.

    >>> maps_missing(0, 1), maps_missing(2, 7)
    ('None of 1 map misses its target.', '2 of 7 maps still miss the target')
    """
    if not missing:
        return f"None of {counted(maps, 'map')} misses its target."
    miss = "misses" if missing == 1 else "miss"
    return f"{missing} of {counted(maps, 'map')} still {miss} the target"


def fuel_to_enter(suggested_pct: float, held_by: str) -> str:
    """Return what is to be entered in a cell, with a star where a limit holds it.

    A cell with nothing to enter has no star: there is nothing that a next round would add to.

    >>> fuel_to_enter(6.0, "step"), fuel_to_enter(0.02, "guard")
    ('+6.0*', '0')
    """
    change = signed(suggested_pct)
    return f"{change}*" if held_by and change != "0" else change


def fuel_change_caption(show: str, axes_origin: str, limits: str) -> str:
    """Return what the figures of a suggested fuel change say, as one of three things is shown."""
    if show == "need":
        return "Half width of the 95 % interval of the needed change, in points."
    if show == "evidence":
        return "Share of what could be unknown there that readings tell, in %."
    own = " (your map's own go into rollbook.toml, see the example there)"
    return (
        f"Fuel to add in % of the cell, on {axes_origin} breakpoints"
        f"{own if axes_origin == 'standard' else ''}. A star: a limit holds it. {limits} A "
        "question mark: not seen; half of what is added beside it, so that the engine meets no "
        "cliff. Blank: leave as it is."
    )


def coverage_sentence(cruise: Mapping[str, Any]) -> str:
    """Return how much of the riding cells the rides of a stage saw."""
    closed = f", {number(cruise['closed_loop_s'])} s of the rides in closed loop"
    return (
        f"{share(cruise['covered_share'])} of the riding cells were seen for 2 s or more"
        f"{closed if cruise['closed_loop_s'] else ''}."
    )


def movements_sentence(cruise: Mapping[str, Any]) -> str:
    """Return how many quick throttle movements went off the wanted mixture."""
    return (
        f"Opening: {number(cruise['lean_tip_ins'])} of "
        f"{counted(cruise['tip_ins'], 'judged tip-in')} went lean to warn level. Closing: "
        f"{number(cruise['rich_lift_offs'])} of "
        f"{counted(cruise['lift_offs'], 'judged lift-off')} went rich as far."
    )
