"""A job card while it is filled in, with blanks and mistakes; each mistake names its field."""

from __future__ import annotations

import datetime as dt
import math
import re
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields
from typing import Any, NamedTuple

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from dashboard.shop_words import USUAL_STAGES, Known, close_word, plainly
from schemas.card import JobCard
from schemas.card_files import is_pattern, one_form, takes

_Mistake = tuple[str, str]
"""The field and what is wrong with it."""
_PART = ("category", "maker", "name")
_ASIDE = ("file", "reason", "by")
BIKE = (
    "reference", "make", "model", "year", "displacement_cc", "cylinders", "induction", "owner",
    "control",
)  # fmt: skip


@dataclass
class StageDraft:
    """One stage as the form holds it, blanks included."""

    name: str = ""
    map_name: str = "stock"
    map_revision: int | None = None
    map_from: int | None = None
    fuel: str = ""
    gear: int | None = None
    tyre: str = ""
    dyno: str = ""
    mounting: int | None = None
    target_lambda: float | None = None
    suggestion_entered: bool = False
    parts: list[tuple[str, str, str]] = field(default_factory=list)
    pulls: list[str] = field(default_factory=list)
    rides: list[str] = field(default_factory=list)
    note: str = ""

    def content(self) -> dict[str, Any]:
        """Return the stage as it stands in a card, blanks left out."""
        shop_map = _filled(
            {"name": self.map_name, "revision": self.map_revision, "from": self.map_from}
        )
        return _filled(
            {key: value for key, value in vars(self).items() if not key.startswith("map_")}
            | {
                "map": "stock" if self.map_name == "stock" else shop_map,
                "suggestion_entered": self.suggestion_entered or None,
                "parts": [dict(zip(_PART, part, strict=True)) for part in self.parts],
            }
        )


@dataclass
class Draft:
    """A job card as the form holds it, blanks included."""

    job: str = ""
    received: dt.date | None = None
    note: str = ""
    reference: str = ""
    make: str = ""
    model: str = ""
    first_year: int | None = None
    last_year: int | None = None
    displacement_cc: float | None = None
    year: int | None = None
    cylinders: int | None = None
    induction: str = "natural"
    owner: str = ""
    control: bool = False
    stages: list[StageDraft] = field(default_factory=lambda: [StageDraft(name=USUAL_STAGES[0])])
    set_aside: list[tuple[str, str, str]] = field(default_factory=list)
    """File, reason and by whom."""

    def content(self) -> dict[str, Any]:
        """Return the card's content, blanks left out."""
        years = [self.first_year, self.last_year]
        bike: dict[str, Any] = {key: getattr(self, key) for key in BIKE}
        bike["generation"] = None if None in years else years
        return _filled(
            {
                "job": self.job,
                "received": self.received,
                "note": self.note,
                "bike": _filled(bike),
                "stage": [stage.content() for stage in self.stages],
                "set_aside": [
                    _filled(dict(zip(_ASIDE, one, strict=True))) for one in self.set_aside
                ],
            }
        )

    @classmethod
    def from_content(cls, content: Mapping[str, Any]) -> Draft:
        """Return the draft of a card, as far as it can be made out; the rest is blank."""
        bike = _table(content.get("bike"))
        years = bike.get("generation")
        first, last = years if isinstance(years, list) and len(years) == 2 else (None, None)
        stages = [_stage_draft(_table(stage)) for stage in _entries(content.get("stage"))]
        received = content.get("received")
        draft = cls(
            **_plain(cls, {key: bike.get(key) for key in BIKE} | {"job": content.get("job")}),
            # A date with a time of day is a date too, and not one for the card.
            received=received if type(received) is dt.date else None,
            note=_text(content.get("note")),
            first_year=_whole(first),
            last_year=_whole(last),
            stages=stages or [StageDraft()],
            set_aside=[
                (_text(one.get("file")), _text(one.get("reason")), _text(one.get("by")))
                for one in map(_table, _entries(content.get("set_aside")))
            ],
        )
        if draft.induction not in ("natural", "forced"):
            draft.induction = "natural"
        return draft


def _stage_draft(stage: dict[str, Any]) -> StageDraft:
    given = stage.get("map", "stock")
    shop_map = _table(given)
    own = ("map_name", "map_revision", "map_from", "parts", "pulls", "rides")
    return StageDraft(
        **_plain(StageDraft, {key: value for key, value in stage.items() if key not in own}),
        map_name="stock" if given == "stock" else _text(shop_map.get("name")),
        map_revision=_whole(shop_map.get("revision")),
        map_from=_whole(shop_map.get("from")),
        parts=[
            (_text(part.get("category")), _text(part.get("maker")), _text(part.get("name")))
            for part in map(_table, _entries(stage.get("parts")))
        ],
        pulls=[_text(name) for name in _entries(stage.get("pulls"))],
        rides=[_text(name) for name in _entries(stage.get("rides"))],
    )


def _plain(kind: type, content: Mapping[str, Any]) -> dict[str, Any]:
    """Return the entries that a draft has a field of this name for, each as its kind of value."""
    read = {"str": _text, "int | None": _whole, "float | None": _figure}
    read["bool"] = lambda value: value is True
    kinds = {one.name: one.type for one in fields(kind)}
    return {key: read[str(kinds[key])](value) for key, value in content.items() if key in kinds}


def _filled(content: Mapping[str, Any]) -> dict[str, Any]:
    """Return what is not blank; a list may be empty, and `false` is an answer."""
    stripped = {
        key: value.strip() if isinstance(value, str) else value for key, value in content.items()
    }
    return {key: value for key, value in stripped.items() if value is not None and value != ""}


def _table(value: object) -> dict[str, Any]:
    return value if isinstance(value, dict) else {}


def _entries(value: object) -> list[Any]:
    return value if isinstance(value, list) else []


def _text(value: object) -> str:
    return value.strip() if isinstance(value, str) else ""


def _whole(value: object) -> int | None:
    # Beyond this a browser cannot hold a whole number.
    whole = isinstance(value, int) and not isinstance(value, bool) and abs(value) < 2**53
    return value if whole else None  # type: ignore[return-value]


def _figure(value: object) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float) or abs(value) >= 2**53:
        return None
    return None if math.isnan(value) else float(value)


def for_bike(draft: Draft, bike: Mapping[str, Any]) -> None:
    """Fill the model and its facts into a draft from a bike of the book."""
    draft.make, draft.model = bike["make"], bike["model"]
    draft.first_year, draft.last_year = bike["first_year"], bike["last_year"]
    draft.displacement_cc = bike["displacement_cc"]
    draft.cylinders, draft.induction = bike["cylinders"], bike["induction"]


class Judged(NamedTuple):
    """A draft held against the rules of a card, the book and the files."""

    card: JobCard | None
    """None while anything is wrong with it by itself."""
    mistakes: dict[str, list[str]]
    """Field, such as "bike.year" or "stage.0.fuel" → what is wrong with it."""
    blanks: set[str]
    """Fields that only wait to be filled in."""
    cautions: list[str]
    """What may be right but is worth a look."""


def judged(
    draft: Draft,
    known: Known,
    *,
    folder: str | None = None,
    files: Sequence[str] = (),
    today: dt.date | None = None,
    is_new_bike: bool = False,
    opened: Draft | None = None,
    last_owner: str = "",
) -> Judged:
    """Return everything that is wrong with a draft at once, in plain words, field by field."""
    mistakes: dict[str, list[str]] = defaultdict(list)
    blanks: set[str] = set()
    card = None
    try:
        card = JobCard.model_validate(draft.content())
    except ValidationError as error:
        for problem in error.errors(include_url=False):
            if problem["type"] == "literal_error" and isinstance(problem["input"], dict):
                continue  # the other half of a choice: a map of the shop's own is not "stock"
            where, said = _in_form_words(problem)
            mistakes[where] = list(dict.fromkeys([*mistakes[where], said]))
            if problem["type"] == "missing":
                blanks.add(where)
    for where, sentence in _against_the_book(draft, known, folder, is_new_bike):
        mistakes[where].append(sentence)
    for where, sentence in _about_files(draft, files):
        mistakes[where].append(sentence)
    cautions = _cautions(draft, known, today)
    if said := _other_bike(draft, known, folder, opened):
        cautions.append(said)
    owner = draft.owner.strip()
    if last_owner and owner and plainly(owner) != plainly(last_owner):
        cautions.append(
            f"The owner of {draft.reference} was {last_owner} the last time, and is {owner} on "
            "this card: was it sold, or is it another bike?"
        )
    return Judged(card, dict(mistakes), blanks, cautions)


def _in_form_words(problem: ErrorDetails) -> tuple[str, str]:
    # The names of a choice's halves are no fields.
    steps = [
        step for step in problem["loc"] if isinstance(step, int) or re.fullmatch("[a-z_]+", step)
    ]
    where = ".".join(map(str, steps))
    kind, given, context = problem["type"], problem.get("input"), problem.get("ctx", {})
    if kind == "missing":
        return where, "Fill this in."
    if kind == "value_error":
        said = str(context.get("error", problem["msg"]))
    elif kind == "string_too_long":
        said = f"at most {context['max_length']} letters, this has {len(str(given))}"
    else:
        said = problem["msg"].replace("Input should be", "must be").replace("Input", "it")
        said += f", not {str(given)[:60]}"
    return where, said[:1].upper() + said[1:] + ("" if said.endswith(".") else ".")


def _against_the_book(
    draft: Draft, known: Known, folder: str | None, is_new_bike: bool
) -> list[_Mistake]:
    found: list[_Mistake] = []
    job, reference = draft.job.strip(), draft.reference.strip()
    for where, name in (("job", job), ("bike.reference", reference)):
        if name and not plainly(name):
            found.append((where, f"{name} has no letter and no digit to tell it by."))
    holder = {**known.claimed_jobs, **known.jobs}.get(job, folder)
    if holder != folder:
        where = "is in the book already, from" if job in known.jobs else "is on the card in"
        found.append(
            (
                "job",
                f"Job {job} {where} folder {holder}. Give this one another number, or correct "
                "that card.",
            )
        )
    # The bike of a single job may have been entered wrongly, and is corrected with its card.
    bike = known.bikes.get(reference)
    if bike is not None and bike["job_folder"] != folder:
        found += _against_the_bike(draft, bike)
    bearer = known.holder_of(reference) if is_new_bike and plainly(reference) else ""
    if bearer and not found:
        where = known.claimed.get(bearer) or known.bikes[bearer]["job_folder"]
        if where != folder:
            found.append(
                (
                    "bike.reference",
                    f"The shop has a bike {bearer}, on the card in folder {where}. Choose it above "
                    "if it is this one, or give this one another reference.",
                )
            )
    sibling = next(
        (
            other
            for other in known.bikes.values()
            if _model_of(other) == _model(draft) and other["job_folder"] != folder
        ),
        None,
    )
    if sibling is not None and sibling["induction"] != draft.induction:
        found.append(
            (
                "bike.induction",
                f"A {_model(draft)} has {sibling['induction']} induction in the book.",
            )
        )
    return found


def _against_the_bike(draft: Draft, bike: Mapping[str, Any]) -> Iterator[_Mistake]:
    """Yield what a draft says otherwise than the book of a bike, and no bike can change."""
    reference, of_job = bike["bike_id"], f"by job {bike['job_id']}"
    either = (
        "Correct that card if it is wrong there; if this is another bike, give it another "
        "reference."
    )
    if _model(draft) != _model_of(bike):
        yield (
            "bike.reference",
            f"{reference} is a {_model_of(bike)} in the book. Choose that bike, or give this one "
            "another reference.",
        )
        return
    if None not in (draft.year, bike["model_year"]) and draft.year != bike["model_year"]:
        yield (
            "bike.year",
            f"{reference} is of model year {bike['model_year']} {of_job}. {either}",
        )
    if None not in (draft.cylinders, bike["cylinders"]) and draft.cylinders != bike["cylinders"]:
        yield (
            "bike.cylinders",
            f"{reference} has {bike['cylinders']} cylinders {of_job}. {either}",
        )


def _other_bike(draft: Draft, known: Known, folder: str | None, opened: Draft | None) -> str:
    """Return what is to be known before a corrected card names another bike than it did."""
    reference = draft.reference.strip()
    if opened is None or reference == opened.reference or not plainly(reference):
        return ""
    holder = known.holder_of(reference)
    if not holder or known.bikes.get(holder, {}).get("job_folder") == folder:
        return ""
    if holder != reference:
        return f"The reference {reference} is much like {holder}: is it the same?"
    return f"{reference} is another bike of the shop: this job will stand among that one's jobs."


def _model(draft: Draft) -> str:
    cc = draft.displacement_cc
    return (
        f"{draft.make.strip()} {draft.model.strip()} {draft.first_year}-{draft.last_year} "
        f"{'?' if cc is None else format(cc, 'g')}"
    )


def _model_of(bike: Mapping[str, Any]) -> str:
    return (
        f"{bike['make']} {bike['model']} {bike['first_year']}-{bike['last_year']} "
        f"{bike['displacement_cc']:g}"
    )


def _about_files(draft: Draft, files: Sequence[str]) -> Iterator[_Mistake]:
    entries = [
        (f"stage.{number}.{kind}", entry)
        for number, stage in enumerate(draft.stages)
        for kind, listed in (("pulls", stage.pulls), ("rides", stage.rides))
        for entry in listed
    ]
    written = {one_form(entry) for _, entry in entries}
    for name in files:
        if one_form(name) in written:
            continue
        takers = [(where, entry) for where, entry in entries if takes(entry, name, written)]
        if not takers:
            yield (
                "files",
                f"{name} stands under no stage: put it under one, or take it out of the files.",
            )
        # Brackets mean a choice of letters to intake: "run[1].csv" takes in "run1.csv" too.
        elif not is_pattern(takers[0][1]):
            yield takers[0][0], f"The name {takers[0][1]} would take in {name} as well: rename one."


def field_words(field: str) -> str:
    """Return what a field is called on the page.

    >>> field_words("bike.displacement_cc"), field_words("stage.1.map.name")
    ('displacement', 'map of stage 2')
    """
    steps = field.split(".")
    words = {
        "job": "job number",
        "received": "day it came in",
        "reference": "bike reference",
        "displacement_cc": "displacement",
        "revision": "revision of the map",
        "reason": "reason why a pull is set aside",
    }
    last = "map" if steps[-2:] == ["map", "name"] else steps[-1]
    of_stage = f" of stage {int(steps[1]) + 1}" if steps[0] == "stage" and len(steps) > 2 else ""
    return words.get(last, last.replace("_", " ")) + of_stage


def pull_files(draft: Draft, files: Sequence[str]) -> list[str]:
    """Return the pulls of a draft one by one: those named, and the files that patterns take."""
    pulls = [entry for stage in draft.stages for entry in stage.pulls]
    written = {one_form(entry) for stage in draft.stages for entry in stage.pulls + stage.rides}
    named = [entry for entry in pulls if not is_pattern(entry)]
    taken = [name for name in files if any(takes(entry, name, written) for entry in pulls)]
    return list(dict.fromkeys([*named, *taken]))


def unplaced(draft: Draft, files: Sequence[str]) -> list[str]:
    """Return the files that no name or pattern of a draft takes."""
    entries = [one_form(entry) for stage in draft.stages for entry in stage.pulls + stage.rides]
    return [name for name in files if not any(takes(entry, name, entries) for entry in entries)]


def _cautions(draft: Draft, known: Known, today: dt.date | None) -> list[str]:
    said = []
    if draft.received and today and draft.received > today:
        said.append(f"The job comes in on {draft.received:%d %b %Y}, which is still to come.")
    for field_name, what in (("make", "make"), ("model", "model")):
        typed = getattr(draft, field_name).strip()
        if other := close_word(typed, {bike[field_name] for bike in known.bikes.values()}):
            said.append(f"The {what} {typed} is much like {other}: is it the same?")
    for number, stage in enumerate(draft.stages, start=1):
        for subject, typed in (("fuel", stage.fuel), ("tyre", stage.tyre), ("dyno", stage.dyno)):
            if other := close_word(typed.strip(), known.offered(subject)):
                said.append(
                    f"Stage {number}: the {subject} {typed} is much like {other}: is it the same?"
                )
        if other := close_word(stage.map_name.strip(), ["stock", *known.maps]):
            said.append(
                f"Stage {number}: the map {stage.map_name} is much like {other}: is it the same?"
            )
        if not stage.pulls and not stage.rides:
            said.append(f"Stage {number} has no file yet.")
        if stage.pulls and {file for file, _, _ in draft.set_aside}.issuperset(stage.pulls):
            said.append(
                f"Every pull of stage {number} is set aside: it will have no curve and no gain."
            )
    return said
