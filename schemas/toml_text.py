"""Texts that people write in TOML: read with every mistake named at once, by line and key."""

from __future__ import annotations

import re
import tomllib
from functools import lru_cache
from typing import TypeVar

import pydantic
from pydantic_core import ErrorDetails

Model = TypeVar("Model", bound=pydantic.BaseModel)


MOST_CHARACTERS = 200_000
"""A card with a hundred stages has 50,000."""

MOST_DOTS = 1000
MOST_MISTAKES = 25


class MistakesError(ValueError):
    """Everything that is wrong with one text, a plain sentence each."""

    def __init__(self, source: str, mistakes: list[str]) -> None:
        self.source = source
        self.mistakes = mistakes
        super().__init__(f"{source}: " + "; ".join(mistakes))


class Strict(pydantic.BaseModel):
    """Base of all models here: an unknown key is a mistake."""

    model_config = pydantic.ConfigDict(extra="forbid", frozen=True, str_strip_whitespace=True)


def read_toml(text: str, model: type[Model], source: str) -> Model:
    """Return the text as a model.

    Raises MistakesError: With every mistake in the text, in the order of its lines.
    """
    if endless := _endless(text):
        raise MistakesError(source, [endless])
    try:
        content = tomllib.loads(text.removeprefix("\ufeff"))
    except RecursionError:
        raise MistakesError(source, ["not valid TOML: its brackets are nested too deep"]) from None
    except ValueError as error:
        # Not only TOML's own errors: Python refuses a number of thousands of digits.
        told = "a number has too many digits" if "set_int_max_str_digits" in str(error) else error
        raise MistakesError(source, [f"not valid TOML: {told}"]) from None
    try:
        return model.model_validate(content)
    except pydantic.ValidationError as error:
        problems = [problem for problem in error.errors() if not _is_noise(problem)]
        # Each is looked for in the whole text.
        found = [_sentence(text, problem) for problem in problems[:MOST_MISTAKES]]
        found.sort(key=lambda pair: pair[0])
        told = list(dict.fromkeys(sentence for _, sentence in found))
        if len(problems) > MOST_MISTAKES:
            told.append(f"and {len(problems) - MOST_MISTAKES} further mistakes")
        raise MistakesError(source, told) from None


def _endless(text: str) -> str:
    """Say what makes a text too large to be read: memory grows by the square of a key's dots."""
    if len(text) > MOST_CHARACTERS:
        return f"must be at most {MOST_CHARACTERS} characters long, got {len(text)}"
    for number, line in enumerate(text.split("\n"), start=1):
        if line.count(".") > MOST_DOTS:
            return f"line {number}: must have at most {MOST_DOTS} dots, got {line.count('.')}"
    return ""


def _is_noise(problem: ErrorDetails) -> bool:
    """Whether this is the other half of a choice: a map given as a table is not the word stock."""
    return problem["type"] == "literal_error" and isinstance(problem.get("input"), dict)


def _sentence(text: str, problem: ErrorDetails) -> tuple[int, str]:
    # Union members ("stock" or a map table) add their type's name to the location: drop those.
    location = [
        step
        for step in problem["loc"]
        if isinstance(step, int) or re.fullmatch(r"[a-z_0-9]+", str(step))
    ]
    line = line_of_key(text, location)
    key = ".".join(str(step + 1) if isinstance(step, int) else str(step) for step in location)
    message = _plain(problem)
    where = f"line {line}: " if line else ""
    return line or 10**9, f"{where}{key or 'the text'} {message}"


def _plain(problem: ErrorDetails) -> str:
    kind, given = problem["type"], problem.get("input")
    if kind == "missing":
        return "is missing"
    if kind == "extra_forbidden":
        return "is not a key that belongs here; check its spelling"
    if kind == "value_error":
        return str(problem["ctx"]["error"]) if "ctx" in problem else problem["msg"]
    message = problem["msg"].replace("Input should be", "must be").replace("Input", "it")
    shown = repr(given)
    return f"{message}, got {shown if len(shown) < 60 else shown[:57] + '...'}"


def line_of_key(text: str, location: list[str | int]) -> int | None:
    r"""Return the line where a key stands, or the nearest table above it.

    >>> line_of_key("a = 1\n[[stage]]\nname = 'x'\n[[stage]]\nname = 'y'", ["stage", 1, "name"])
    5
    """
    places = _places(text)
    for length in range(len(location), 0, -1):
        if (line := places.get(tuple(location[:length]))) is not None:
            return line
    return None


@lru_cache(maxsize=4)
def _places(text: str) -> dict[tuple[str | int, ...], int]:
    """Return the line of each table and key."""
    places: dict[tuple[str | int, ...], int] = {}
    table: tuple[str | int, ...] = ()
    counts: dict[str, int] = {}
    for number, whole in enumerate(text.splitlines(), start=1):
        line = whole.strip()
        if header := re.match(r"\[\[([^\]]+)\]\]", line):
            name = header[1].strip()
            counts[name] = counts.get(name, -1) + 1
            table = (name, counts[name])
            places.setdefault((name,), number)
        elif header := re.match(r"\[([^\[\]]+)\]\s*(#.*)?$", line):
            table = tuple(step.strip().strip("\"'") for step in header[1].split("."))
        elif pair := re.match(r"([A-Za-z0-9_\-\.\"']+)\s*=", line):
            keys = tuple(step.strip("\"'") for step in pair[1].split("."))
            places.setdefault(table + keys, number)
            continue
        else:
            continue
        places.setdefault(table, number)
    return places
