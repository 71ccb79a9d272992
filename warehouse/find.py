"""Finds bikes, jobs, models, parts, maps, fuels, files and notes by a few words, as people type.

Accents, case and signs count for nothing, zeros in front neither, one wrong letter little.
"""

from __future__ import annotations

import re
import unicodedata
from collections import defaultdict
from typing import Any, NamedTuple

import duckdb
from rapidfuzz import fuzz, process

from warehouse import noted
from warehouse.questions import ask
from warehouse.wording import counted

MOST_HITS = 8
"""Of one kind: more are counted."""
LEAST_ALIKE = 80.0
"""Of 100: one letter in five may be wrong. Common practice, no source."""
LEAST_LETTERS = 4
"""A shorter word with a letter changed is another word."""
LEAST_LETTERS_WITHIN = 2
"""A single letter stands within nearly every word."""
MISSPELT = 40
BY_PART, BY_WORD, BY_WORDS, BY_BEGINNING, BY_NAME, EXACT = 50, 60, 70, 80, 90, 100
"""How well a hit fits, worst first."""
KINDS = {
    "bike": "Bikes",
    "job": "Jobs",
    "model": "Models",
    "part": "Parts",
    "map": "Maps",
    "fuel": "Fuels",
    "file": "Files",
    "note": "Notes",
}
"""The kinds of hits, and what each is called."""

_SIGNS = re.compile(r"[\W_]+")
_ZEROS = re.compile(r"(?<![0-9])0+(?=[0-9])")


class Hit(NamedTuple):
    """One thing found."""

    kind: str
    name: str
    about: str
    score: int
    row: dict[str, Any]
    """Its ids, those that it has: bike_id, job_id, stage_id, model_id, map_id."""


class Group(NamedTuple):
    """The best hits of one kind, and how many there are."""

    kind: str
    hits: list[Hit]
    found: int


class _Subject(NamedTuple):
    row: dict[str, Any]
    name: str
    words: frozenset[str]
    text: str


class Index:
    """All names and notes of one snapshot, folded once."""

    def __init__(self, reader: duckdb.DuckDBPyConnection) -> None:
        notes = ask(reader, "find_notes").rename({"remark": "name"}).to_dicts()
        for row in notes:
            row |= {"kind": "note", "about": _where(row)}
        rows = [*ask(reader, "find_subjects").to_dicts(), *_written(reader), *notes]
        self.subjects = [_subject(row) for row in rows]
        self.having: dict[str, list[int]] = defaultdict(list)
        for place, subject in enumerate(self.subjects):
            for word in subject.words:
                self.having[word].append(place)
        self._numbered: dict[str, list[str]] = defaultdict(list)
        for word in self.having:
            self._numbered[_without_zeros(word)].append(word)
        self._letters = [word for word in self.having if len(word) >= LEAST_LETTERS]

    def scores(self, asked: str) -> dict[int, int]:
        """Return which subjects fit all words, by place, and how well."""
        words = _words(asked)
        if not words:
            return {}
        found: dict[int, int] | None = None
        for word in words:
            of_word = self._of_word(word)
            both = of_word if found is None else {
                place: min(found[place], of_word[place]) for place in found.keys() & of_word.keys()
            }  # fmt: skip
            found = both
        together = " ".join(words)
        return {
            place: max(score, _as_whole(self.subjects[place], asked, together))
            for place, score in (found or {}).items()
        }

    def _of_word(self, word: str) -> dict[int, int]:
        near: dict[str, int] = {}
        for known in self._numbered.get(_without_zeros(word), ()):
            near[known] = BY_WORD
        if len(word) >= LEAST_LETTERS_WITHIN:
            for known in self.having:
                if word in known and known not in near:
                    near[known] = BY_PART
        if not near and len(word) >= LEAST_LETTERS and not _digits(word):
            alike = process.extract(  # pyrefly: ignore[no-matching-overload]
                word, self._letters, scorer=fuzz.ratio, score_cutoff=LEAST_ALIKE, limit=MOST_HITS
            )
            near = {known: MISSPELT for known, _, _ in alike if not _digits(known)}
        found: dict[int, int] = {}
        for known, score in near.items():
            for place in self.having[known]:
                found[place] = max(score, found.get(place, 0))
        return found


def find(reader: duckdb.DuckDBPyConnection, index: Index, asked: str) -> list[Group]:
    """Return what fits some words, in groups: the best group first, the best hit first in it."""
    of_kind: dict[str, list[Hit]] = defaultdict(list)
    # The order of the index is the latest first, and sorting keeps it.
    for place, score in sorted(index.scores(asked).items()):
        row = index.subjects[place].row
        of_kind[row["kind"]].append(Hit(row["kind"], row["name"], row["about"], score, row))
    groups = [
        Group(kind, sorted(hits, key=lambda hit: -hit.score)[:MOST_HITS], len(hits))
        for kind, hits in of_kind.items()
    ]
    groups = [_with_stages(reader, group) if group.kind == "part" else group for group in groups]
    groups += _files(reader, asked)
    order = list(KINDS)
    return sorted(groups, key=lambda group: (-group.hits[0].score, order.index(group.kind)))


def folded(text: str) -> str:
    """Return text without accents and case.

    >>> folded("Größe ÉCHAPPEMENT")
    'grosse echappement'
    """
    if text.isascii():
        return text.casefold()
    apart = unicodedata.normalize("NFKD", text.casefold())
    return "".join(sign for sign in apart if not unicodedata.combining(sign))


def _words(text: str) -> list[str]:
    """Return the words of a text without signs: what stands together is one word.

    >>> _words("J-0042, S2 slip-on")
    ['j0042', 's2', 'slipon']
    """
    words = (_SIGNS.sub("", word) for word in folded(text).split())
    return [word for word in words if word]


def _without_zeros(word: str) -> str:
    """Return a word whose numbers have no zeros in front.

    >>> _without_zeros("j0042")
    'j42'
    """
    return _ZEROS.sub("", word)


def _digits(word: str) -> bool:
    return any(sign.isdecimal() for sign in word)


def _subject(row: dict[str, Any]) -> _Subject:
    said = _words(f"{row['name']} {row['about'] or ''} {row['kind']}")
    return _Subject(row, folded(row["name"]).strip(), frozenset(said), " ".join(said))


def _as_whole(subject: _Subject, asked: str, together: str) -> int:
    """Return how well what was asked fits a name as a whole."""
    plain, name = folded(asked).strip(), " ".join(_words(subject.name))
    if plain == subject.name:
        return EXACT
    if _without_zeros(together) == _without_zeros(name):
        return BY_NAME
    if subject.name.startswith(plain):
        return BY_BEGINNING
    return BY_WORDS if together in subject.text else 0


def _where(row: dict[str, Any]) -> str:
    """Return where a note stands."""
    times = counted(row["times"], "time")
    return f"{times}, last on {row['file_name']}" + (f" of {row['job_id']}" * bool(row["job_id"]))


def _written(reader: duckdb.DuckDBPyConnection) -> list[dict[str, Any]]:
    """Return what people wrote, as subjects."""
    rows = ask(reader, "find_shop_notes").to_dicts()
    for row in rows:
        told = row | {"job_id": row["noted_job_id"]}
        row |= {"kind": "note", "name": noted.text(row), "about": noted.wrote(told)}
    return rows


def _with_stages(reader: duckdb.DuckDBPyConnection, group: Group) -> Group:
    """Return parts with the stage that had each last."""
    stages = ask(reader, "stages_with_parts", parts=[hit.name for hit in group.hits])
    last = dict(stages.iter_rows())
    hits = [hit._replace(row=hit.row | {"stage_id": last.get(hit.name)}) for hit in group.hits]
    return group._replace(hits=hits)


def _files(reader: duckdb.DuckDBPyConnection, asked: str) -> list[Group]:
    text = unicodedata.normalize("NFD", asked.strip().lower())
    text = "".join(sign for sign in text if not unicodedata.combining(sign))
    if not text:
        return []
    rows = ask(reader, "find_files", text=text).to_dicts()
    hits = [
        Hit(
            "file",
            row["file_name"],
            f"{row['job_folder']}, {row['state']}, SHA-256 {row['sha256_start'] or 'not known'}",
            EXACT if row["is_exact"] else BY_PART,
            row,
        )
        for row in rows[:MOST_HITS]
    ]
    return [Group("file", hits, rows[0]["found"])] if hits else []
