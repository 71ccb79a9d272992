"""What each note's code is in words: every sentence on a fact is made here, and nowhere else.

A note is a code with figures, as steps and readers keep it: JSON in the tables, NULL where there is
nothing to say, a list where there may be several. Its words are a template in sentences.toml, or a
function below where words hang on what the figures are.
"""

from __future__ import annotations

import datetime as dt
import json
import math
import re
import string
import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from importlib.resources import files
from typing import Any, NamedTuple

from warehouse.wording import counted, lean_range, number

Note = Mapping[str, Any]
Said = str | Callable[[Note], str]


class Words(NamedTuple):
    """How a code is said, and what a person can do about it: a template, or a function."""

    sentence: Said
    remedy: Said = ""


SENTENCES: dict[str, Words] = {
    code: Words(**words)
    for code, words in tomllib.loads(
        files("warehouse").joinpath("sentences.toml").read_text("utf-8")
    ).items()
}
"""All codes: those of sentences.toml, and below those whose words hang on their figures."""


def _said(code: str, remedy: Said = "") -> Callable[[Callable[[Note], str]], Callable[[Note], str]]:
    """Declare a code that is said by a function of its figures."""

    def declared(function: Callable[[Note], str]) -> Callable[[Note], str]:
        SENTENCES[code] = Words(function, remedy)
        return function

    return declared


_CHANNEL = re.compile(r"^[a-z]+[0-9]?(?:_[a-z0-9]+)+\b")
_UNIT_IN_NAME = re.compile(r"_(rpm|pct|degc|deg|ppm|mv|nm|pa|kpa|k|m_s|s|w|v|m)$")
_SPOKEN = {
    "lambda_wide": "mixture",
    "lambda_wide_2": "mixture of the second probe",
    "map_pressure": "manifold pressure",
    "o2_narrow": "narrowband sensor",
}


def _as_words(channel: re.Match[str]) -> str:
    """Return a channel as pages call it, else its name without its unit, its words apart."""
    name = _UNIT_IN_NAME.sub("", channel.group())
    return _SPOKEN.get(name, name.replace("_", " "))


def rule_in_words(rule: str | None) -> str:
    """Return the rule that a row broke, its channel in words.

    >>> rule_in_words("engine_speed_rpm is between 0 and 20000 rpm")
    'engine speed is between 0 and 20000 rpm'
    """
    return _CHANNEL.sub(_as_words, rule or "", count=1)


class _Template(string.Formatter):
    """Fills in figures; beside the usual signs it knows those of `format_field`."""

    def format_field(self, value: Any, format_spec: str) -> str:
        """Return a figure as it is said.

        `?yes¦no` says one of two, `<less¦more` by the sign, `1 is/are` by the number; `n row`
        counts rows, `th` numbers them; `+.1f` has a true minus and none before nothing, `a.1f`
        no sign at all; `c` begins with a capital. Lists are joined by `, `, or by the word given,
        `r` quotes what is in them; notes are said. `words` says a channel's name as words.
        """
        sign, rest = format_spec[:1], format_spec[1:]
        if sign in ("?", "<"):
            first, _, second = rest.partition("¦")
            return first if (value if sign == "?" else value < 0) else second
        if value is None or isinstance(value, Mapping):
            return said(value) if value else ""
        if isinstance(value, list):
            return _listed(value, format_spec)
        if format_spec in _SIGNS:
            return _SIGNS[format_spec](value)
        if format_spec == "words":
            return rule_in_words(value)
        if sign == "+":
            return signed(value, int(rest[1]))
        if sign == "a":
            return super().format_field(abs(value), rest)
        if format_spec[:2] in ("n ", "1 "):
            one, _, many = format_spec[2:].partition("/")
            return counted(value, one, many) if sign == "n" else one if value == 1 else many
        return super().format_field(value, format_spec)

    def vformat(self, format_string: Any, args: Any, kwargs: Any) -> Any:
        """Fill in a template; a choice may stand within a choice."""
        return self._vformat(format_string, args, kwargs, set(), 4)[0]  # type: ignore[attr-defined]

    def get_value(self, key: Any, args: Any, kwargs: Mapping[str, Any]) -> Any:  # noqa: ARG002
        """Return a figure; one that a note has not is as one that is not known."""
        return kwargs.get(str(key))


def _listed(values: list[Any], format_spec: str) -> str:
    if format_spec == "day":
        return ", ".join(map(day, values))
    if format_spec.startswith("r"):
        values, format_spec = [repr(value) for value in values], format_spec[2:]
    between = {"": ", ", ";": "; "}.get(format_spec, f" {format_spec} ")
    return joined(values, between)


_TEMPLATE = _Template()


def said(note: Note) -> str:
    """Return a note in words.

    >>> said({"code": "rows rejected", "rows": 1})
    '1 row rejected'
    """
    return "; ".join([_filled(SENTENCES[note["code"]].sentence, note), *map(said, _also(note))])


def remedy_of(note: Note) -> str:
    """Return what a person can do about what a note says, "" where nothing is to be done."""
    told = [_filled(SENTENCES[note["code"]].remedy, note), *map(remedy_of, _also(note))]
    return " ".join(dict.fromkeys(filter(None, told)))


def in_words(text: str | None, between: str = "; ") -> str:
    """Return a note, or a list of notes, as a table keeps it, in words.

    >>> in_words('[{"code": "no clock"}, {"code": "rates of their own"}]').count(";")
    2
    """
    told = json.loads(text) if text else []
    return joined(told if isinstance(told, list) else [told], between)


def remedy_in_words(text: str | None) -> str:
    """Return what can be done about a note, as a table keeps it."""
    return remedy_of(json.loads(text)) if text else ""


def joined(values: Iterable[Any], between: str) -> str:
    """Return notes, or plain values, one after the other."""
    return between.join(said(v) if isinstance(v, Mapping) else str(v) for v in values)


def day(on: str | dt.date) -> str:
    """Return a day as the pages write it.

    >>> day("2026-03-07")
    '7 Mar 2026'
    """
    given = dt.date.fromisoformat(on) if isinstance(on, str) else on
    return f"{given.day} {given:%b %Y}"


def signed(value: float, digits: int = 1) -> str:
    """Return a figure with its sign; what rounds to nothing has none.

    >>> signed(-0.04), signed(2.14), signed(-1.0)
    ('0.0', '+2.1', '−1.0')
    """
    rounded = round(value, digits)
    # A rounded nothing may be below nothing.
    return f"{rounded:+.{digits}f}".replace("-", "−") if rounded else f"{0:.{digits}f}"


def _filled(words: Said, note: Note) -> str:
    return _TEMPLATE.vformat(words, (), note) if isinstance(words, str) else words(note)


def _also(note: Note) -> Sequence[Note]:
    """Return what else is said with a note, in its own words."""
    return note.get("also", ())


def _ends(lower: float, upper: float) -> str:
    return f"{signed(lower)} to {signed(upper)}"


def _which_map(label: str) -> str:
    return "the stock map" if label == "stock" else f"map {label}"


_ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth")


def _ordinal(place: int) -> str:
    return _ORDINALS[place - 1] if place <= len(_ORDINALS) else f"{place}th"


_SIGNS: dict[str, Callable[[Any], str]] = {
    "hundreds": lambda value: number(round(value, -2)),
    "day": day,
    "th": _ordinal,
    "c": lambda value: f"{value[:1].upper()}{value[1:]}",
}


# Files: why one was refused or waits.


@_said("column missing", "Export the file again with that column, or correct the layout.")
def _column_missing(f: Note) -> str:
    if f.get("column"):
        return f"column {f.get('column')!r} ({f['channel']}) is missing"
    near = f.get("near")
    return said(near) if near else "the file lacks the layout's columns"


def _mark(delimiter: str) -> str:
    return {"\t": "tabs", "whitespace": "blanks"}.get(delimiter, repr(delimiter))


@_said("own mountings")
def _own_mountings(f: Note) -> str:
    known = [
        f["control_sessions"]
        and f"{counted(f['control_sessions'], 'session')} of the control bike",
        f["repeats"] and counted(f["repeats"], "unchanged repeat"),
        f["bikes"] and f"the agreement of {counted(f['bikes'], 'bike')} with one change",
    ]
    told = "from " + joined(filter(None, known), ", ")
    if f["is_sum_known"]:
        return f"{told}; never twice on one day, so only strapping down and day together are known"
    return f"{told}; so few that the stated default still weighs more" if f["is_assumed"] else told


@_said("scatter")
def _scatter_sentence(f: Note) -> str:
    what = {
        "repeatability": "Pulls run back to back scatter by",
        "remount": "Strapping a bike down again adds",
        "day": "Another day adds",
    }[f["part"]]
    return f"{what} {number(f['share_pct'], 2)} % (1 SD; {said(f['origin'])})."


@_said("divided otherwise")
def _divided(f: Note) -> str:
    return f"its cells are divided by {_mark(f['by'])}, the layout says {_mark(f['layout_says'])}"


@_said(
    "layout not taught",
    'Teach its layout: press "Teach the layout of …" on the page "What came in?"; files that wait '
    "are then taken in by themselves.",
)
def _not_taught(f: Note) -> str:
    look = f"it is a {f['format']} file"
    if f["format"] == "text":
        look = "it is text without columns"
        if f["divided_by"]:
            look = f"it is text of up to {f['columns']} columns, divided by {f['divided_by']!r}"
    return f"no layout recognises this file; {look}" + (f"; {said(f['near'])}" if f["near"] else "")


def _contradicts_remedy(f: Note) -> str:
    if f["what"] == "job":
        return f"Give this job a number of its own, or move its files into {f['folder']!r}."
    if f["what"] == "induction":
        return f"Correct bike.induction here or in {f['folder']!r}."
    return (
        "Two bikes: give one of them a new reference. One bike: correct what is wrong here or in "
        f"{f['folder']!r}."
    )


@_said("card contradicts another", _contradicts_remedy)
def _contradicts(f: Note) -> str:
    if f["what"] == "job":
        return f"job {f['which']!r} is already in the book, from folder {f['folder']!r}"
    known, said_here = {
        "model": ("is {known!r}", "{said!r}"),
        "model year": ("is of model year {known}", "of {said}"),
        "cylinders": ("has {known} cylinders", "{said}"),
        "induction": ("has {known} induction", "{said}"),
    }[f["what"]]
    of = "a {which}" if f["what"] == "induction" else "bike {which!r}"
    return _filled(
        f"{of} {known} by the card in folder {{folder!r}}, and {said_here} by this one", f
    )


def _job_out_remedy(f: Note) -> str:
    where = f" in {f['of']!r}" if f["of"] else ""
    kept = f" (archive/{f['as_it_was'][:2]}/{f['as_it_was'][:12]}…)" if f["as_it_was"] else ""
    back = f"If the change{where} was a slip, put that card back as it was{kept}: so is the job."
    return f"{back} If not: {remedy_of(f['why'])}"


@_said("job out of the shop", _job_out_remedy)
def _job_out(f: Note) -> str:
    whose = "its card" if f["of"] is None else f"the card in folder {f['of']!r}"
    return f"{f['job']} is out of the shop since {whose} was changed: {said(f['why'])}"


def _card_mistakes_remedy(f: Note) -> str:
    kept = " An earlier card without mistakes stays in force." if f["has_earlier"] else ""
    fixes = " ".join(dict.fromkeys(filter(None, map(remedy_of, f["mistakes"]))))
    return fixes or (f"Correct these lines in card.toml and save it; nothing else is needed.{kept}")


@_said("card has mistakes", _card_mistakes_remedy)
def _card_mistakes(f: Note) -> str:
    return joined(f["mistakes"], "; ")


def _note_mistakes_remedy(f: Note) -> str:
    fixes = " ".join(dict.fromkeys(filter(None, map(remedy_of, f["mistakes"]))))
    return fixes or (
        "Correct the file in the inbox's folder _notes, or take it out and write the note anew on "
        "the page of the bike. A log belongs into the folder of its job."
    )


@_said("note has mistakes", _note_mistakes_remedy)
def _note_has_mistakes(f: Note) -> str:
    stands = "; the version before it stands" if f["has_earlier"] else ""
    return joined(f["mistakes"], "; ") + stands


# Channels of a file: what was left out of them, and what speaks against their labels.


@_said("channel set aside")
def _set_aside(f: Note) -> str:
    spread = (
        f"{f['from_value']:g}"
        if f["from_value"] == f["to_value"]
        else f"{f['from_value']:g} to {f['to_value']:g}"
    )
    return (
        f"{f['channel']} set aside: {f['outside']} of {f['values']} values are {spread}, outside "
        f"{f['low']:g} to {f['high']:g}"
    )


# Pulls: how the curve came about, and what speaks against it.


_FOLLOWS = {
    "gear change": "gear change",
    "gear change or lift": "gear change or lifted throttle",
    "lift": "throttle lifted",
    "break": "break",
    "jump": "the engine speed leaps (gear, clutch or tyre)",
}


@_said("sweep follows")
def _follows(f: Note) -> str:
    return f"{_FOLLOWS[f['how']]} at {number(round(f['at_rpm'], -2))} rpm"


@_said("ratio changes")
def _ratio_changes(f: Note) -> str:
    size = f"{abs(f['change_pct']):.1f} %"
    failing = ", unless a speed signal fails" if f["may_be_signal"] else ""
    start = "" if f["from_rpm"] is None else f"From about {f['from_rpm']:.0f} rpm on "
    ahead = f"{start}the engine runs ahead of the roller by up to {size}"
    if f["kind"] == "slip" and f["is_early"]:
        return (
            f"{ahead} and is caught up later: clutch or tyre slips at the start of the pull"
            f"{failing}, look at straps, tyre and clutch, and do not trust the curve there"
        )
    if f["kind"] == "slip":
        return (
            f"{ahead}: clutch or tyre slips{failing}, look at straps, tyre and clutch, and do not "
            "trust the curve from there on"
        )
    at_once = "for the same roller speed, at once and for good"
    if f["kind"] == "gear change":
        return (
            f"{start}the engine turns {size} slower {at_once}: another gear (or a clutch that "
            f"slipped evenly up to there){failing}, pull again in one gear"
        )
    if f["kind"] == "slip or gear change":
        return (
            f"{start}the engine turns {size} faster {at_once}: a lower gear or a slipping clutch, "
            f"which the two speeds cannot tell apart{failing}, ask the rider, look at the clutch "
            "and pull again"
        )
    return (
        f"{start}the roller outruns the engine by up to {size}: throttle shut, a tyre that grows, "
        "a clutch that slipped before, or a speed signal that fails, look at both speed signals "
        "and pull again"
    )


_SEVERAL = {2: "two", 3: "three"}


def _several_ratios_remedy(f: Note) -> str:
    if f["are_gears"]:
        return (
            "Correct the gear on the card, or give the pulls of each gear a stage of their own; "
            "until then do not compare them."
        )
    return "Look at sprockets, tyre, clutch and straps before comparing these pulls."


@_said("several ratios", _several_ratios_remedy)
def _several_ratios(f: Note) -> str:
    whose = "these pulls" if f["of_stage"] else "this bike's pulls of all its sessions"
    in_gear = "on the card as one gear" if f["gear"] is None else f"on the card as gear {f['gear']}"
    count = _SEVERAL.get(len(f["ratios"]), str(len(f["ratios"])))
    does = f"were run in {count} gears" if f["are_gears"] else f"keep {count} ratios"
    levels = ", ".join(
        f"{n} at {ratio:.0f}" for n, ratio in zip(f["pulls"], f["ratios"], strict=True)
    )
    cause = "" if f["are_gears"] else ": other sprockets or another tyre, or a clutch that slips"
    return (
        f"{whose}, {in_gear}, {does}: {levels} rpm per m/s{cause}; which of them is right cannot "
        "be told from the numbers"
    )


@_said("power trend")
def _trend(f: Note) -> str:
    falls = f["slope_pct"] < 0.0
    moves = f"power {'falls' if falls else 'rises'} {abs(f['slope_pct']):.1f} % a pull"
    if f["kind"] in ("heat soak", "warming up"):
        what = "heat soak, let it cool"
        if f["kind"] == "warming up":
            what = "warm the engine through before the first pull"
        if f["air_alone_pct"] is not None:
            alone = f["air_alone_pct"]
            what += (
                f", but the air alone would take {alone:.1f} to {2 * alone:.1f} %, so look at "
                "fuel, tyre and clutch too"
            )
        return f"{moves} while the {f['warmed']} rises {f['rise_k']:.1f} K a pull: {what}"
    if f["kind"] == "not heat" and falls:
        return (
            f"{moves} while intake air and coolant hold: not heat, look at tyre, straps, clutch "
            "and fuel"
        )
    if f["kind"] == "not heat":
        return (
            f"{moves} while the coolant holds: not the warming engine, look at tyre, straps and "
            "clutch"
        )
    cause = "heat soak" if falls else "a warming engine"
    return (
        f"{moves}, and the temperature of {' and '.join(f['missing'])} was not logged: {cause} "
        "cannot be told from tyre or clutch"
    )


_CUTS = {
    "scatter of pulls": "is the pulls' own scatter: one more pull on each side would cut it",
    "remounting": "is strapping the bike down again: leave it strapped where the change allows it",
    "day": "is the dyno's own level from day to day: run the control bike today, or both stages on "
    "one day",
    "trend": "is heating that may go on from one session into the next: let the engine rest 20 "
    "minutes before the changed stage, or put it back and pull again",
    "air instruments": "is the accuracy of the weather station: read the weather station anew for "
    "each stage",
    "air correction": "is the form of the air correction: run both stages in like air",
    "weather in doubt": "is doubt in the dyno or its weather: settle that, then pull again",
    "air not known": "is the air, which is not known: read the weather station for each stage",
    "air of a blown engine": "is the air, which no correction takes out of a blown engine: run "
    "both stages in like air",
    "unsteady drift": "is a drift that need not have been steady: pull all stages anew",
}


@_said("part leads")
def _part_leads(f: Note) -> str:
    return f"{f['share']:.0%} of the doubt {_CUTS[f['component']]}"


@_said("gained")
def _gained(f: Note) -> str:
    if f["mean_pct"] is None or f["lower_pct"] is None or f["upper_pct"] is None:
        return f["verdict"]
    observed = ", power as observed" * f["is_observed"]
    ends = _ends(f["lower_pct"], f["upper_pct"])
    return f"{signed(f['mean_pct'])} % ({ends} %), {f['verdict']}{observed}"


# Siblings.

_POWER_ADVICE = {
    False: "look for a fault before tuning",
    True: "check weather and gear, and for a map or part that the card does not name",
}


@_said("region unlike siblings")
def _region_unlike(f: Note) -> str:
    is_up = f["change_pct"] > 0.0
    where = f"above {f['from_rpm']:,.0f} rpm"
    if f["to_rpm"] is not None:
        where = f"from {f['from_rpm']:,.0f} to {f['to_rpm']:,.0f} rpm"
    size = f"{abs(f['change_pct']):.1f}"
    what = f"{'Up' if is_up else 'Down'} {size} %"
    advice = _POWER_ADVICE[is_up]
    if f["quantity"] == "shape":
        advice = f"its curve has another shape, {advice}"
    if f["quantity"] == "mixture":
        what = f"{'Leaner' if is_up else 'Richer'} by {size} points of lean error"
        advice = "check the probe and for air leaks or fuel pressure before tuning"
    return f"{what} on {counted(f['siblings'], 'sibling')} {where}: {advice}."


_POWER_FROM = {
    "roller": "worked out from the roller's speed",
    "file": "from the file",
    "both": "in some of its pulls worked out from the roller's speed, in some from the file",
}


@_said("sibling's power from")
def _sibling_power(f: Note) -> str:
    own = f", this bike's {_POWER_FROM[f['ours']]}" if f["ours"] else ""
    return f"power {_POWER_FROM[f['theirs']]}{own}"


# The dyno.


_SHOWN = {"temperature": ("°C", 1), "pressure": ("kPa", 2), "humidity": ("%", 0)}


@_said("reading")
def _reading(f: Note) -> str:
    unit, digits = _SHOWN[f["quantity"]]
    return f"{f['value']:.{digits}f} {unit}"


# Loggers.

_LOGGER_NOW = {
    "seen": "{} in {after:.0%} of the rows, in {before:.0%} before",
    "rate": "{after:,.6g} rows a second, {before:,.6g} before",
    "step": "{} in steps of {after:,.6g}{}, of {before:,.6g} before",
    "rejected": "{after:.1%} of the rows rejected, {before:.1%} before",
    "gap": "pauses of {after:,.6g} steps of the clock, of {before:,.6g} before",
    "top": "{} at its greatest value in {after:.0%} of the rows, in {before:.0%} before",
    "held": "{} repeats its last value in {after:.0%} of the rows, in {before:.0%} before",
    "middle": "{} lies at {after:,.6g}{} in the middle, at {before:,.6g} before",
    "low": "{} goes down to {after:,.6g}{}, to {before:,.6g} before",
    "high": "{} goes up to {after:,.6g}{}, to {before:,.6g} before",
}


@_said("logger now")
def _logger_now(f: Note) -> str:
    told = _LOGGER_NOW[f["watched"]]
    unit = f" {f['unit']}" if f["unit"] else ""
    return told.format(f["channel"], unit, before=f["before"], after=f["after"])


# Fuel.

_NOT_COUNTED = {
    "nothing before": "no mixture of the stage before is known",
    "other build": "fuel or parts were changed",
    "same map": "the card names the same map as before",
    "other breakpoints": "the map's breakpoints are others",
    "other target": "the wanted mixture is another",
    "other change": "the mixture shows a change that is {:.0f} % of fuel away from it on average",
}


@_said("suggestion not counted")
def _not_counted(f: Note) -> str:
    told = _NOT_COUNTED[f["why"]].format(f["off_pct"])
    return f"The suggestion before is not counted, though the card says entered: {told}."


@_said("fuel needed")
def _fuel_needed(f: Note) -> str:
    span = f"{_ends(f['lower_pct'], f['upper_pct'])}, so perhaps none"
    if f["lower_pct"] * f["upper_pct"] > 0:
        ends = sorted((abs(f["lower_pct"]), abs(f["upper_pct"])))
        span = f"{ends[0]:.1f} to {ends[1]:.1f}"
    told = (
        f"Needs up to {abs(f['needed_pct']):.1f} % {'more' if f['needed_pct'] > 0 else 'less'} "
        f"fuel ({span}) at {f['throttle_pct']:g} % throttle and {f['speed_rpm']:,.0f} rpm"
    )
    if f["is_held"] or abs(f["suggested_pct"] - f["needed_pct"]) > 1.0:
        now = f", of which {signed(f['suggested_pct'])} % in this round"
        told += now if f["suggested_pct"] else ", none of it for certain"
    return f"{told}. {f['cells_told']} of {f['cells_of_map']} breakpoints have a figure."


# Rows whose own columns are the figures.

Row = Mapping[str, Any]


def effect_sentence(row: Row) -> str:
    """Return what a change gives, what the next bike gains, and what it will be measured at."""
    told = f"{counted(row['bikes'], 'bike')}: {signed(row['mean_pct'])} %"
    told += (
        f"; the next one gains {_ends(row['next_lower_pct'], row['next_upper_pct'])} %, measured "
    )
    told += f"it shows {_ends(row['measured_lower_pct'], row['measured_upper_pct'])} %"
    if (borrowed := row["borrowed_share"]) is not None and borrowed >= 0.05:
        told += f" ({borrowed:.0%} of the mean borrowed from other models)"
    return told


def need_sentence(row: Row) -> str:
    """Return how lean bikes of a combination ran, and what their next map gave."""
    told = (
        f"{row['model_label']} with {row['parts_key']} on {_which_map(row['map_label'])}, "
        f"{row['fuel']}: {row['lean_bikes']} of {counted(row['bikes'], 'logged bike')} went lean "
        f"past the warning; {_worst_of_next(row)}"
    )
    low, high = (round(row[f"worst_speed_{end}_rpm"], -2) for end in ("from", "to"))
    told += (
        f", around {low:,.0f} rpm" if low == high else f", between {low:,.0f} and {high:,.0f} rpm"
    )
    if row["given_back_pct"] is not None:
        told += f". A remap gave {signed(row['given_back_pct'])} %"
        if row["given_back_lower_pct"] is not None:
            ends = _ends(row["given_back_lower_pct"], row["given_back_upper_pct"])
            told += f" (the next bike: {ends} %)"
    return f"{told}."


def _worst_of_next(row: Row) -> str:
    lower, upper = row["worst_error_lower_pct"], row["worst_error_upper_pct"]
    if lower is None:
        seen = f"{row['worst_error_pct']:.0f} % lean at the worst on average"
        return f"{seen}, too few bikes to say what the next will be"
    if upper <= 0:
        return f"9 of 10 next bikes will be lean nowhere ({_ends(lower, upper)} % at the leanest)"
    ends = lean_range(lower, upper) if lower >= 0 else _ends(lower, upper)
    return f"9 of 10 next bikes will be {ends} % lean at their worst"


def region_sentence(row: Row) -> str:
    """Return by how much a map misses its target over a range."""
    least, most = round(row["least_error_pct"]), round(row["most_error_pct"])
    size = f"{most}" if least == most else f"{least} to {most}"
    return (
        f"{size} % {row['side']} from {row['from_rpm']:,.0f} to {row['to_rpm']:,.0f} rpm on "
        f"{row['bikes_missing']} of {counted(row['bikes'], 'bike')}"
    )


def map_sentence(row: Row) -> str:
    """Return where a map misses its target, and whether it is nearer than the one before."""
    which = row["map_label"] + ("" if row["is_newest"] else " (replaced since)")
    if row["map_name"] == "stock":
        which = f"stock map with {row['parts_seen']}"
    which += f", {row['fuel']}"
    missed: Sequence[Row] = row["missed"] or ()
    told = "; ".join(map(region_sentence, missed))
    if not missed:
        told = "on target at full throttle" + " on average" * (row["bikes"] > 1)
        if row["lean_bikes"]:
            are = "is" if row["lean_bikes"] == 1 else "are"
            told += f", but {row['lean_bikes']} of {row['bikes']} {are} lean to warn level"
        elif row["bikes"] == 1:
            told += ", one bike only"
    return f"{row['model_label']}, {which}: {told}{_against_before(row)}."


def _against_before(row: Row) -> str:
    change, lower, upper = (row[f"size_change{end}_pct"] for end in ("", "_lower", "_upper"))
    if change is None:
        return ""
    word = "smaller" if change < 0 else "greater"
    told = f". Against r{row['map_from']} its mean error is {abs(change):.1f} points {word}"
    if lower is None:
        return f"{told}, on too few bikes to tell"
    if upper < 0 or lower > 0:
        ends = sorted((abs(lower), abs(upper)))
        return f"{told} ({ends[0]:.1f} to {ends[1]:.1f})"
    return f"{told}, within scatter ({_ends(lower, upper)})"


def knock_sentence(row: Row) -> str:
    """Return what knock and ignition do in a lean window."""
    told = []
    if row["knock_ratio"] is not None:
        told.append(
            f"knock {row['knock_ratio']:.1f} times that of the speeds beside it"
            + _span(row["knock_ratio_lower"], row["knock_ratio_upper"])
        )
    if (later := row["ignition_retard_deg"]) is not None:
        told.append(
            f"ignition {abs(later):.1f}° {'later' if later > 0 else 'earlier'} than the line "
            f"beside it{_span(row['retard_lower_deg'], row['retard_upper_deg'])}"
        )
    return ", ".join(told)


def _span(lower: float | None, upper: float | None) -> str:
    return " (one pull)" if lower is None or upper is None else f" ({lower:.1f} to {upper:.1f})"


def check_sentence(row: Row) -> str:
    """Return how much of the error a change of the map removed."""
    what = "last suggestion" if row["is_suggestion"] else "last change of the map"
    before, after = row["before_error_pct"], row["after_error_pct"]
    if row["removed_share"] is None:
        then = f"it grew to {after:.1f} %." if after >= before + 0.1 else f"{after:.1f} % after."
        return (
            f"There was hardly an error for the {what} to remove: {before:.1f} % on average; {then}"
        )
    share = 100.0 * row["removed_share"]
    low, high = (
        math.nan if end is None else 100.0 * end
        for end in (row["removed_lower_share"], row["removed_upper_share"])
    )
    told = f"It cannot be told whether the {what} helped"
    if low > 0:
        told = f"The {what} removed {share:.0f} % of the error ({low:.0f} to {high:.0f} %)"
    elif high < 0:
        told = f"The {what} made the error {-share:.0f} % greater ({-high:.0f} to {-low:.0f} %)"
    told += f": from {before:.1f} to {after:.1f} % on average"
    if row["came_share"] is not None:
        told += f"; {100 * row['came_share']:.0f} % of the fuel it asked for shows in the mixture"
    return f"{told}."


def expected_sentence(row: Row) -> str:
    """Return what lean range to expect of a combination, and from how many bikes."""
    told = said(json.loads(row["told"]) | {"row": row})
    which = f"{_which_map(row['map_label'])}, {row['fuel']}"
    return f"{row['model_label']} with {row['parts_key']} on {which}: {told}."


@_said("to expect")
def _to_expect(f: Note) -> str:
    row = f["row"]
    told = f"{_lean_to_expect(row, f)}. {_enough(row)}"
    if row["bikes"] == 0:
        lent = f"from {counted(row['other_bikes'], 'bike')} of other models"
        return f"{told}. No bike of this model was run so: all of this is borrowed, {lent}"
    share = row["borrowed_share"]
    borrowed = f"; {100 * share:.0f} % of this is from other models" if share >= 0.05 else ""
    return f"{told}. From {counted(row['bikes'], 'bike')}{borrowed}"


def _lean_to_expect(row: Row, f: Note) -> str:
    if not f["lean_ranges"]:
        at_most = f"{signed(f['most_pct'], 0)} % at the leanest speed"
        return f"no lean range to expect on average, {at_most}"
    span = f"from {row['worst_from_rpm']:,.0f} to {row['worst_to_rpm']:,.0f} rpm"
    if row["worst_from_rpm"] == row["worst_to_rpm"]:
        span = f"around {row['worst_from_rpm']:,.0f} rpm"
    told = f"expect some {row['worst_error_pct']:.0f} % lean {span} on average"
    if (more := f["lean_ranges"] - 1) > 0:
        told += f", and look out in {counted(more, 'more range')}"
    return told


def _enough(row: Row) -> str:
    """Return how much more fuel is enough on 19 of 20 such bikes, rounded to the safe side."""
    enough, limit = row["enough_pct"], row["limit_pct"]
    if enough is None:
        return (
            "How much more fuel is enough for the next one cannot be told: too few bikes. Watch "
            "the gauge from the first pull"
        )
    if enough <= 0:
        return "On 19 of 20 such bikes no more fuel is needed anywhere"
    if math.ceil(enough) <= limit:
        return f"On 19 of 20 such bikes {math.ceil(enough)} % more fuel is enough everywhere"
    of_20 = math.floor(20 * row["within_limit_share"])
    return (
        f"19 of 20 such bikes would take up to {math.ceil(enough)} % more fuel somewhere. Your "
        f"limit of {limit:g} % a round is enough everywhere on {of_20} of 20 only. Enter no "
        "more than that, and end the pull where the gauge says lean"
    )
