"""Texts that people write in TOML: read with every mistake named at once, by line and key.

Written by tomlkit, which keeps the comments and the order of a text that is written over.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, MutableMapping
from functools import lru_cache
from typing import Any, TypeVar

import pydantic
from pydantic_core import ErrorDetails

Model = TypeVar("Model", bound=pydantic.BaseModel)


MOST_CHARACTERS = 200_000
"""A card with a hundred stages has 50,000."""

LONGEST_LINE = 100
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
        raise MistakesError(source, mistakes_of(error, text)) from None


def mistakes_of(error: pydantic.ValidationError, text: str = "") -> list[str]:
    """Return what is wrong in plain words, in the order of the text's lines if there is one."""
    problems = [problem for problem in error.errors() if not _is_noise(problem)]
    # Each is looked for in the whole text.
    found = [_sentence(text, problem) for problem in problems[:MOST_MISTAKES]]
    found.sort(key=lambda pair: pair[0])
    told = list(dict.fromkeys(sentence for _, sentence in found))
    if len(problems) > MOST_MISTAKES:
        told.append(f"and {len(problems) - MOST_MISTAKES} further mistakes")
    return told


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
    return line or 10**9, where + f"{key} {message}".strip()


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


def toml_item(value: Any, *, is_within: bool = False) -> Any:
    """Return a value as tomlkit writes it: tables on lines of their own, within lists in one."""
    import tomlkit

    if isinstance(value, Mapping):
        table = tomlkit.inline_table() if is_within else tomlkit.table()
        if not is_within and value and all(isinstance(v, Mapping) for v in value.values()):
            table = tomlkit.table(is_super_table=True)
        for key, entry in value.items():
            table.add(key, toml_item(entry, is_within=is_within))
        return table
    if isinstance(value, list) and value and isinstance(value[0], Mapping) and not is_within:
        tables = tomlkit.aot()
        for entry in value:
            tables.append(_entry(entry))
        return tables
    if isinstance(value, list):
        listed = tomlkit.array()
        listed.extend(toml_item(entry, is_within=True) for entry in value)
        is_long = len(listed.as_string()) > LONGEST_LINE - 10
        return listed.multiline(is_long or any(isinstance(entry, Mapping) for entry in value))
    return tomlkit.item(value)


def _entry(values: Mapping[str, Any]) -> Any:
    """Return one table of a list of tables; what it holds stands in lines."""
    import tomlkit

    table = tomlkit.table()
    for key, entry in values.items():
        table.add(key, toml_item(entry, is_within=True))
    return table


def toml_text(content: Mapping[str, Any]) -> str:
    """Return a new text that says this, a blank line before each table."""
    import tomlkit

    document = tomlkit.document()
    for key, value in content.items():
        document.add(key, toml_item(value))
    return spaced(tomlkit.dumps(document))


def spaced(text: str) -> str:
    """Return a text of ours with one blank line before each table."""
    return re.sub(r"\n+(?=\[\[?[a-z_]+(?:\.[^\n\]]+)?\]\]?(?: +#[^\n]*)?\n)", "\n\n", text).lstrip(
        "\n"
    )


def written_over(text: str, content: Mapping[str, Any], model: pydantic.BaseModel) -> str:
    """Return a text made to say a model: its comments stay with what stays, and so does its order.

    `content` is what the model says beyond its defaults; a default that the text spells out stays.
    Comments on what is taken out go with it. A text that cannot be changed so is written anew.
    """
    import tomlkit

    try:
        standing = tomlkit.parse(text.removeprefix("\ufeff"))
        _take_over(standing, content, model.model_dump(by_alias=True, mode="json"))
        written = tomlkit.dumps(standing)
        if read_toml(written, type(model), "") == model:
            return written
    except (ValueError, RecursionError, LookupError, AttributeError, TypeError):
        pass  # no TOML, or of a form that cannot be changed: what is said counts more
    return toml_text(content)


def with_value(text: str, section: str, key: str, value: Any) -> str:
    """Return a text in which one key of a section has another value, all else as it stands.

    Raises TypeError if the section is a list of entries, ValueError if the text is no TOML.
    """
    import tomlkit

    document = tomlkit.parse(text.removeprefix("\ufeff"))
    if section not in document:
        document.add(section, tomlkit.table())
    table = document[section]
    if not isinstance(table, MutableMapping):
        raise TypeError(section)
    if key in table:
        table[key] = value
    else:
        _add(table, key, toml_item(value))
    return tomlkit.dumps(document)


def _take_over(
    table: Any, content: Mapping[str, Any], whole: Mapping[str, Any], *, is_within: bool = False
) -> None:
    """Make a table say what it should, changing as little as may be."""
    for key in [key for key in table if key not in content]:
        if key not in whole or table[key].unwrap() != whole[key]:
            del table[key]
    for key, value in content.items():
        if key not in table:
            _add(table, key, toml_item(value, is_within=is_within))
        elif table[key].unwrap() == value:
            continue
        elif isinstance(value, Mapping) and isinstance(table[key], MutableMapping):
            _take_over(table[key], value, whole[key], is_within=is_within)
        elif isinstance(value, list) and isinstance(table[key], list):
            _take_over_list(table, key, value, whole[key])
        else:
            table[key] = toml_item(value, is_within=is_within)


def _add(table: Any, key: str, item: Any) -> None:
    """Add an entry before the blank lines and comments that lead to the next table."""
    from tomlkit.container import Container
    from tomlkit.items import Table

    body = table.value.body if isinstance(table, Table) else getattr(table, "body", [])
    tail = []
    while isinstance(table, Table | Container) and body and body[-1][0] is None:
        tail.append(body.pop())
    table.add(key, item)
    body.extend(reversed(tail))


def _take_over_list(table: Any, key: str, wanted: list[Any], whole: list[Any]) -> None:
    """Change a list entry by entry, so that each keeps its own comments."""
    from tomlkit.items import AoT

    standing = table[key]
    if isinstance(standing, AoT):
        for at, values in enumerate(wanted[: len(standing)]):
            _take_over(standing[at], values, whole[at], is_within=True)
        for _ in range(len(standing) - len(wanted)):
            del standing[-1]
        for values in wanted[len(standing) :]:
            standing.append(_entry(values))
        return
    for at in reversed(range(len(standing))):
        if standing[at] not in wanted:
            del standing[at]
    kept = len(standing)
    if standing.unwrap() == wanted[:kept]:
        for value in wanted[kept:]:
            standing.append(toml_item(value, is_within=True))
    else:
        table[key] = toml_item(wanted, is_within=True)
