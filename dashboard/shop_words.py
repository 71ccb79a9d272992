"""What the shop has called its jobs, bikes, parts and maps: one thing keeps one name."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter, defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

import polars as pl
from rapidfuzz import fuzz, process, utils

from schemas.card import ETHANOL_SHARE, JobCard

FIRST_JOB = "J-0001"
FIRST_BIKE = "B-0001"
USUAL_STAGES = ("as arrived", "parts fitted", "remapped")

LEAST_ALIKE_PART = 65.0
"""Of 100. With one letter wrong the demo's parts stay above 80; other words are below 60."""

MOST_CLOSE = 5
LEAST_ALIKE_WORD = 75.0
"""Of 100: below it two words are two words."""

_NUMBERED = re.compile(r"(.*?)([0-9]+)([^0-9]*)", re.DOTALL)


class KnownPart(NamedTuple):
    """A part that a card in force names, and on how many bikes."""

    category: str
    maker: str
    name: str
    bikes: int = 0

    @property
    def key(self) -> tuple[str, str, str]:
        """What makes it this part."""
        return self.category, self.maker, self.name

    @property
    def label(self) -> str:
        """The part in words."""
        return f"{self.category}: {self.maker} {self.name}"


@dataclass(frozen=True)
class Known:
    """What the published snapshot knows of jobs, bikes, parts, maps and words."""

    jobs: dict[str, str] = field(default_factory=dict)
    """Job number → folder, latest first."""
    bikes: dict[str, dict[str, Any]] = field(default_factory=dict)
    """Bike reference → row of out.bike, latest first."""
    parts: list[KnownPart] = field(default_factory=list)
    """Most used first."""
    maps: dict[str, list[int]] = field(default_factory=dict)
    """Map name → its revisions."""
    claimed: dict[str, str] = field(default_factory=dict)
    """Bike reference on a card that lies in the inbox and is not in the book → folder."""
    claimed_jobs: dict[str, str] = field(default_factory=dict)
    """Job number on such a card → folder."""
    words: dict[str, list[str]] = field(default_factory=dict)
    """Fuel, tyre, dyno or stage name → what cards said so far, most used first."""

    @classmethod
    def of(
        cls, *, jobs: pl.DataFrame, bikes: pl.DataFrame, parts: pl.DataFrame, setups: pl.DataFrame
    ) -> Known:
        """Return what four answers of the snapshot say."""
        maps: dict[str, set[int]] = defaultdict(set)
        for name, revision in setups.select("map_name", "map_revision").iter_rows():
            if name != "stock" and revision is not None:
                maps[name].add(revision)
        words = {
            subject: [
                word
                for word, _ in Counter(setups[subject].drop_nulls().sort().to_list()).most_common()
            ]
            for subject in ("fuel", "tyre", "dyno", "stage_name")
        }
        return cls(
            jobs=dict(jobs.select("job_id", "job_folder").iter_rows()),
            bikes={row["bike_id"]: row for row in bikes.iter_rows(named=True)},
            parts=[
                KnownPart(*row)
                for row in parts.select("category", "maker", "part_name", "bikes").iter_rows()
            ],
            maps={name: sorted(revisions) for name, revisions in sorted(maps.items())},
            words=words,
        )

    def with_lying(self, cards: Mapping[str, JobCard | Mapping[str, Any]]) -> Known:
        """Return this with what cards say that were written and not taken in yet."""
        jobs: dict[str, str] = {}
        bikes: dict[str, dict[str, Any]] = {}
        claimed: dict[str, str] = {}
        for folder, card in cards.items():
            job, reference = claims_of(card)
            if job and job not in self.jobs:
                jobs[job] = folder
            if reference and reference not in self.bikes:
                claimed[reference] = folder
            if isinstance(card, JobCard) and reference not in self.bikes:
                bikes[reference] = _bike_of(card, folder)
        return replace(self, bikes=bikes | self.bikes, claimed=claimed, claimed_jobs=jobs)

    def next_job(self, folders: Collection[str]) -> str:
        """Return the job number that comes next."""
        used = list(self.jobs) or list(self.claimed_jobs)
        return next_reference(used, FIRST_JOB, [*folders, *self.claimed_jobs])

    def next_bike(self) -> str:
        """Return the bike reference that comes next, in the way of the book."""
        in_the_book = [one for one in self.bikes if one not in self.claimed]
        return next_reference(in_the_book or list(self.claimed), FIRST_BIKE, self.claimed)

    def holder_of(self, reference: str) -> str:
        """Return the reference in the book, or on a card, in any spelling of this one."""
        others = (*self.bikes, *self.claimed)
        return next((one for one in others if is_same_reference(one, reference)), "")

    def offered(self, subject: str) -> list[str]:
        """Return the words to offer for fuel, tyre, dyno or stage name."""
        usual = {"fuel": tuple(ETHANOL_SHARE), "stage_name": USUAL_STAGES}.get(subject, ())
        return list(dict.fromkeys([*self.words.get(subject, []), *usual]))

    def models(self) -> dict[str, dict[str, Any]]:
        """Return the models the shop has had in."""
        found = {bike["model_id"]: bike for bike in self.bikes.values()}
        return dict(sorted(found.items()))


def claims_of(card: JobCard | Mapping[str, Any]) -> tuple[str, str]:
    """Return the job number and the bike reference on a card, right or wrong."""
    if isinstance(card, JobCard):
        return card.job, card.bike.reference
    job, bike = card.get("job"), card.get("bike")
    reference = bike.get("reference") if isinstance(bike, dict) else None
    return tuple(one.strip() if isinstance(one, str) else "" for one in (job, reference))  # type: ignore[return-value]


def is_same_reference(one: str, other: str) -> bool:
    """Return whether two references differ by nothing but case and blanks.

    >>> is_same_reference("B-0042", "b-0042 "), is_same_reference("26/11", "261/1")
    (True, False)
    """
    return "".join(one.casefold().split()) == "".join(other.casefold().split())


def _bike_of(card: JobCard, folder: str) -> dict[str, Any]:
    """Return the row that out.bike will have for the bike of a card."""
    bike = card.bike
    return {
        "bike_id": bike.reference,
        "model_id": bike.model_id,
        "make": bike.make,
        "model": bike.model,
        "first_year": bike.generation[0],
        "last_year": bike.generation[1],
        "displacement_cc": bike.displacement_cc,
        "cylinders": bike.cylinders,
        "induction": bike.induction,
        "model_year": bike.year,
        "is_control": bike.control,
        "job_id": card.job,
        "job_folder": folder,
        "received_on": card.received,
    }


def next_reference(used: Sequence[str], first: str, taken: Collection[str] = ()) -> str:
    """Return the number that comes next in the shop's own way of numbering.

    >>> next_reference(["J-0123", "J-0122", "test"], "J-0001")
    'J-0124'
    >>> next_reference(["2026/99"], "J-0001")
    '2026/100'
    >>> next_reference([], "B-0001")
    'B-0001'
    """
    others = {plainly(reference) for reference in (*used, *taken)}
    numbered = [found for reference in used if (found := _NUMBERED.fullmatch(reference))]
    proposed = first
    if numbered:
        ways = Counter((found[1], found[3]) for found in numbered[:20])
        way, _ = ways.most_common(1)[0]
        alike = [found for found in numbered if (found[1], found[3]) == way]
        proposed = _after(max(alike, key=lambda found: int(found[2]))[0])
    while plainly(proposed) in others:
        proposed = _after(proposed)
    return proposed


def _after(reference: str) -> str:
    found = _NUMBERED.fullmatch(reference)
    if found is None:
        return f"{reference}-2"
    return f"{found[1]}{str(int(found[2]) + 1).zfill(len(found[2]))}{found[3]}"


def plainly(text: str) -> str:
    """Return text without case, spaces and signs: equal ones are spellings of one word.

    >>> plainly("Halden  S2 slip-on") == plainly("halden s2 Slip On")
    True
    """
    whole = unicodedata.normalize("NFKC", text).casefold()
    return "".join(sign for sign in whole if sign.isalnum())


def close_parts(typed: str, parts: Sequence[KnownPart]) -> list[KnownPart]:
    """Return the known parts that a person may have meant, likeliest first.

    >>> parts = [KnownPart("silencer", "Halden", "S2 slip-on"),
    ...          KnownPart("airbox", "Tessen", "open lid")]
    >>> [part.label for part in close_parts("Haldn s2", parts)]
    ['silencer: Halden S2 slip-on']
    """
    if not plainly(typed):
        return []
    asked = utils.default_process(typed)
    scores = []
    for part in parts:
        known = utils.default_process(f"{part.maker} {part.name} {part.category}")
        # As a whole, a part of a name is found in it; word by word, S2 is told from S3.
        score = (fuzz.partial_ratio(asked, known) + _word_by_word(asked, known)) / 2
        scores.append((score, part.bikes, part))
    scores.sort(key=lambda scored: scored[:2], reverse=True)
    return [part for score, _, part in scores[:MOST_CLOSE] if score >= LEAST_ALIKE_PART]


def _word_by_word(asked: str, known: str) -> float:
    """Return how well each word that was typed is found, 100 at best; a beginning is enough."""
    others = known.split()
    found = [
        max(max(fuzz.ratio(word, other), fuzz.ratio(word, other[: len(word)])) for other in others)
        for word in asked.split()
    ]
    return sum(found) / len(found) if found else 0.0


def close_word(typed: str, known: Collection[str]) -> str | None:
    """Return the known word that a typed one may be a slip of.

    >>> close_word("worn sprot", ["worn sport", "road"])
    'worn sport'
    >>> close_word("E10", ["E5", "E85"]) is None
    True
    """
    if not typed or typed in known:
        return None
    for word in known:
        if plainly(word) == plainly(typed):
            return word
    figures = re.findall(r"\d+", typed)
    alike = [word for word in known if re.findall(r"\d+", word) == figures]
    found = process.extractOne(  # pyrefly: ignore[no-matching-overload]
        typed,
        alike,
        scorer=fuzz.ratio,
        processor=utils.default_process,
        score_cutoff=LEAST_ALIKE_WORD,
    )
    return found[0] if found and len(plainly(typed)) > 2 else None
