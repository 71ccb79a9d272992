"""What the page that teaches layouts does: a guess and a form become a layout, which is saved."""

from __future__ import annotations

import copy
import hashlib
from collections.abc import Collection
from pathlib import Path
from typing import Any, NamedTuple

from dashboard.desk import DeskError
from dashboard.file_names import safe_name
from dashboard.who import refusal, who
from schemas.channels import CHANNEL_COLUMNS
from schemas.desk import Drafted, Question
from schemas.layout import AIR, AS_STATED, Layout, name_mistake, new_layout_file
from schemas.layout_text import layout_text, tables_of
from schemas.toml_text import MistakesError, read_toml
from schemas.units import known_units
from warehouse.acts import layout_saved
from warehouse.shop import ShopFolder
from warehouse.whole_file import write_whole

NOT_USED = "not used"
CHANNELS = (NOT_USED, *sorted(CHANNEL_COLUMNS))
UNITS = (*(word for word in known_units() if word != "lambda"), AS_STATED)
NOT_SAID = "nobody knows: {value} for now"
"""The choice that leaves what a draft put in, marked as assumed."""
NO_NAME = "not named yet"
"""Stands for name and equipment while a layout is tried: neither changes what comes out."""


def as_taught(guess: Drafted, tables: dict[str, Any], not_private: Collection[str] = ()) -> Drafted:
    """Return a guess with what a standing layout says put in the place of what was guessed.

    What the layout says of columns that this file lacks stays in it.
    """
    said = {channel["column"]: (word, channel) for word, channel in tables["channels"].items()}
    asked = guess.tables["layout"].get("private", [])
    hidden = [*tables["layout"].get("private", []), *asked]
    hidden = [name for name in dict.fromkeys(hidden) if name not in not_private]
    about = {key: value for key, value in tables["layout"].items() if key != "private"}
    if hidden:
        about["private"] = hidden
    tables = tables | {"layout": about}
    columns = []
    for column in guess.columns:
        word, channel = said.get(column.name, (None, {}))
        is_hidden = column.name in hidden
        changed = {
            "channel": word,
            "unit": channel.get("unit", "1") if word else column.unit,
            "confidence": 1.0 if word else 0.0,
            "words": "as taught" if word else "",
            "is_private": not word and (column.is_private or is_hidden),
            "example": "" if is_hidden else column.example,
            "why": () if word else column.why,
        }
        columns.append(column.model_copy(update=changed))
    questions = []
    for question in guess.questions:
        answer = _answer_in(tables, question.key)
        if answer is not None:
            choices = tuple(dict.fromkeys([*question.choices, answer]))
            questions.append(question.model_copy(update={"choices": choices, "chosen": answer}))
    return guess.model_copy(
        update={
            "columns": tuple(columns),
            "questions": tuple(questions),
            "tables": tables,
            "log_kind": tables["layout"]["kind"],
            "is_taught": True,
        }
    )


def _answer_in(tables: dict[str, Any], key: str) -> str | None:
    """Return what a layout says to a question, in the words of its choices."""
    if key == "power":
        power = tables.get("power", {})
        return {"observed": "observed"}.get(power.get("state"), power.get("standard"))
    found: Any = tables
    for step in key.split("."):
        if not isinstance(found, dict) or step not in found:
            return None
        found = found[step]
    return str(found).lower() if isinstance(found, bool) else str(found)


def choices(question: Question, tables: dict[str, Any]) -> tuple[str, ...]:
    """Return what a question may be answered with; first of all that nobody knows."""
    table, name = _place_of(tables, question.key)
    if name not in table.get("assumed", ()):
        return question.choices
    return (NOT_SAID.format(value=question.chosen), *question.choices)


def _place_of(tables: dict[str, Any], key: str) -> tuple[dict[str, Any], str]:
    """Return the table that an entry stands in, and the entry's name there."""
    *path, name = ("power", "state") if key == "power" else key.split(".")
    table: Any = tables
    for step in path:
        table = table.get(step, {})
    return table, name


def assumed_units(tables: dict[str, Any]) -> list[str]:
    """Return the channels and head entries whose units nobody has stated."""
    entries = {**tables["channels"], **tables.get("metadata", {}).get("fields", {})}
    return [word for word, entry in entries.items() if "unit" in entry.get("assumed", ())]


def _confirm(table: dict[str, Any], *names: str) -> None:
    """Take the mark off entries that somebody has stated."""
    left = [name for name in table.get("assumed", ()) if name not in names]
    table.pop("assumed", None)
    if left:
        table["assumed"] = left


def doubled(guess: Drafted, rows: list[dict[str, Any]]) -> list[str]:
    """Return what is wrong where several columns are one channel."""
    standing: dict[str, list[str]] = {}
    for word, channel in _beside(guess.tables, rows).items():
        standing.setdefault(word, []).append(channel["column"])
    for row in rows:
        if row["channel"] not in (None, "", NOT_USED):
            standing.setdefault(row["channel"], []).append(row["name"])
    return [
        f"{word} stands on {' and '.join(names)}: leave one."
        for word, names in standing.items()
        if len(names) > 1
    ]


def _beside(tables: dict[str, Any], rows: list[dict[str, Any]]) -> dict[str, Any]:
    """Return the channels whose columns are not in the form: this file may lack them."""
    in_form = {row["name"] for row in rows}
    channels = tables["channels"].items()
    return {word: channel for word, channel in channels if channel["column"] not in in_form}


def missing_air(tables: dict[str, Any]) -> list[str]:
    """Return the readings of the air that a layout lacks and its power needs to be corrected."""
    if tables["layout"]["kind"] != "pull" or tables.get("power", {}).get("state") == "corrected":
        return []
    held = {*tables["channels"], *tables.get("metadata", {}).get("fields", {})}
    return [words for name, words in AIR.items() if name not in held]


def corrected(
    guess: Drafted,
    about: dict[str, str],
    rows: list[dict[str, Any]],
    answers: dict[str, str],
    *,
    units_are_right: bool = False,
) -> dict[str, Any]:
    """Return the layout's tables as the form says; what it leaves open stays marked as assumed."""
    tables = copy.deepcopy(guess.tables)
    tables["layout"] |= about
    before = {c["column"]: (word, c) for word, c in tables["channels"].items()}
    channels: dict[str, dict[str, Any]] = _beside(tables, rows)
    for row in rows:
        word = row["channel"]
        if word in (None, "", NOT_USED):
            continue
        # What was said of a column's probe or clock stays with it as long as it is that channel.
        standing = before.get(row["name"])
        kept = standing[1] if standing and standing[0] == word else {}
        unit = row["unit"] or "1"
        channels[word] = {**kept, "column": row["name"], "unit": unit}
        if unit != kept.get("unit", "1"):
            _confirm(channels[word], "unit")
    tables["channels"] = channels
    if units_are_right:
        for entry in [*channels.values(), *tables.get("metadata", {}).get("fields", {}).values()]:
            _confirm(entry, "unit")
    used = [channel["column"] for channel in channels.values()]
    if len(used) >= 2 and not guess.is_taught:
        tables["recognise"] = {**tables["recognise"], "columns": used[:8]}
    for key, answer in answers.items():
        _answer(tables, key, answer)
    if about["kind"] != "pull":
        tables.pop("power", None)
    elif "power" not in tables:
        tables["power"] = {"state": "observed", "assumed": ["state"]}
    for word, channel in channels.items():
        if word.startswith("lambda_wide"):
            _assume(channel, "probe", "collector")
        if word == "wheel_torque":
            _assume(channel, "shaft", "engine")
    return tables


def _assume(table: dict[str, Any], name: str, value: str) -> None:
    if name not in table:
        table[name] = value
        table["assumed"] = [*table.get("assumed", ()), name]


def _answer(tables: dict[str, Any], key: str, answer: str) -> None:
    if answer.startswith(NOT_SAID.partition("{")[0]):
        return
    table, name = _place_of(tables, key)
    _confirm(table, name, *(["standard"] if key == "power" else []))
    if key == "power":
        if answer == "observed":
            tables["power"] = {"state": "observed"}
        else:
            tables["power"] = {**tables.get("power", {}), "state": "corrected", "standard": answer}
        return
    *path, last = key.split(".")
    table = tables
    for step in path:
        if step not in table:
            return
        table = table[step]
    if last in ("gauge_scale", "delay_s"):
        table[last] = float(answer)
    elif last == "day_first":
        table[last] = answer == "true"
    else:
        table[last] = answer


def name_trouble(shop: Path, name: str) -> str:
    """Return why a new layout cannot have a name, "" if it can."""
    if mistake := name_mistake(name):
        return f"The name {mistake}."
    if new_layout_file(ShopFolder(shop).layouts, name) is None:
        return (
            f"A layout named like {name} is there already: correct that one, or give this one "
            "another name."
        )
    return ""


def named(text: str, name: str, equipment: str) -> str:
    """Return a layout's text with its name and equipment put in.

    Raises DeskError: With every mistake.
    """
    try:
        tables = tables_of(read_toml(text, Layout, "the layout"))
        tables["layout"] |= {"name": name, "equipment": equipment}
        return layout_text(read_toml(layout_text(tables), Layout, "the layout"))
    except MistakesError as error:
        raise DeskError("; ".join(error.mistakes)) from None


class Standing(NamedTuple):
    """A layout's file as it lies in the shop."""

    path: Path
    text: str

    @property
    def tables(self) -> dict[str, Any]:
        """What it says, defaults left out."""
        return tables_of(read_toml(self.text, Layout, self.path.name))


def standing_layout(shop: Path, name: str) -> Standing:
    """Return the file of a layout that the shop has.

    Raises DeskError if there is none.
    """
    for path in sorted(ShopFolder(shop).layouts.glob("*.toml")):
        try:
            text = path.read_text(encoding="utf-8")
            if read_toml(text, Layout, path.name).name == name:
                return Standing(path, text)
        except (OSError, ValueError):
            continue
    raise DeskError(f"The layout {name!r} is gone from the shop's layouts.")


def says_the_same(text: str, other: str) -> bool:
    """Return whether two texts are one layout."""
    return read_toml(text, Layout, "the layout") == read_toml(other, Layout, "the layout")


def _must_be_allowed_to_teach() -> None:
    if said := refusal("administer"):
        raise DeskError(f"Not saved: {said}.")


def put_right(shop: Path, opened: Standing, text: str) -> Path:
    """Write a corrected layout over the standing one, which is kept among the backups.

    Comments that a person wrote into it stay. Raises DeskError if somebody else changed it
    meanwhile; nothing is written then.
    """
    _must_be_allowed_to_teach()
    try:
        now = opened.path.read_text(encoding="utf-8")
    except (OSError, ValueError):
        now = ""
    if now != opened.text:
        raise DeskError(
            f"Somebody else changed layouts/{opened.path.name} meanwhile; nothing was written. "
            "Load the page again and correct it once more."
        )
    mark = hashlib.sha256(now.encode()).hexdigest()[:12]
    kept = ShopFolder(shop).backups / "layouts" / safe_name(f"{opened.path.stem}-{mark}.toml")
    write_whole(kept, opened.path.read_bytes())
    layout = read_toml(text, Layout, "the layout")
    before = opened.path.read_bytes()
    write_whole(opened.path, layout_text(layout, over=opened.text))
    layout_saved(ShopFolder(shop), opened.path, who(), before)
    return kept


def saved(shop: Path, name: str, text: str) -> Path:
    """Write a layout into the shop; what stands there is never overwritten.

    Raises DeskError if the name is taken.
    """
    _must_be_allowed_to_teach()
    target = new_layout_file(ShopFolder(shop).layouts, name)
    if target is None:
        raise DeskError(name_trouble(shop, name))
    target.parent.mkdir(parents=True, exist_ok=True)
    write_whole(target, text)
    layout_saved(ShopFolder(shop), target, who())
    return target
