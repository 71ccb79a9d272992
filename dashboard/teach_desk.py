"""What the page that teaches layouts does: asks for a guess, tries a layout, saves it."""

from __future__ import annotations

import copy
import json
import subprocess
from pathlib import Path
from typing import Any

from dashboard.run_command import in_utf8, rollbook_command
from schemas.layout import CHANNEL_COLUMNS, new_layout_file
from schemas.units import known_units
from warehouse.shop import ShopFolder
from warehouse.whole_file import write_whole

LONGEST_WAIT_S = 120
NOT_USED = "not used"
CHANNELS = (NOT_USED, *sorted(CHANNEL_COLUMNS))
UNITS = tuple(word for word in known_units() if word != "lambda")


class DeskError(RuntimeError):
    """The guess or the trial could not be made, in plain words."""


def drafted(file: Path) -> dict[str, Any]:
    """Return the guess for a file.

    Parameters
    ----------
    file : Path
        The file.

    Returns
    -------
    dict
        As `rollbook layout draft --json` tells it.

    Raises
    ------
    DeskError
        With the reason.
    """
    return _asked(["layout", "draft", str(file), "--json"])


def tried(file: Path, tables: dict[str, Any], shop: Path) -> dict[str, Any]:
    """Return what comes out of a file read with a layout.

    Parameters
    ----------
    file : Path
        The file.
    tables : dict
        The layout.
    shop : Path
        The shop's folder.

    Returns
    -------
    dict
        As `rollbook layout try --json` tells it.

    Raises
    ------
    DeskError
        With the reason.
    """
    command = ["layout", "try", str(file), "-", "--json", "--shop", str(shop)]
    return _asked(command, json.dumps(tables))


def _asked(arguments: list[str], given: str = "") -> dict[str, Any]:
    # A process of its own: pages import nothing of the flows.
    try:
        done = subprocess.run(
            rollbook_command(*arguments),
            input=given,
            capture_output=True,
            encoding="utf-8",
            errors="replace",
            timeout=LONGEST_WAIT_S,
            check=False,
            env=in_utf8(),
        )
    except subprocess.TimeoutExpired:
        raise DeskError(f"looking at the file took longer than {LONGEST_WAIT_S} s") from None
    for line in reversed(done.stdout.splitlines()):
        if line.startswith("{"):
            return json.loads(line)
    said = (done.stdout + done.stderr).strip().splitlines()
    raise DeskError(" ".join(said[-3:]) if said else "the command said nothing")


def corrected(
    guess: dict[str, Any],
    about: dict[str, str],
    rows: list[dict[str, Any]],
    answers: dict[str, str],
) -> dict[str, Any]:
    """Return the layout's tables as the form says.

    Parameters
    ----------
    guess : dict
        The guess.
    about : dict of str to str
        name, kind and equipment.
    rows : list of dict
        One a column, with name, channel and unit.
    answers : dict of str to str
        Key of a question → answer.

    Returns
    -------
    dict
        Tables of a layout.
    """
    tables = copy.deepcopy(guess["tables"])
    tables["layout"] |= about
    before = {c["column"]: (word, c) for word, c in tables["channels"].items()}
    channels: dict[str, dict[str, Any]] = {}
    for row in rows:
        word = row["channel"]
        if word in (None, "", NOT_USED):
            continue
        # What was said of a column's probe or clock stays with it as long as it is that channel.
        standing = before.get(row["name"])
        kept = standing[1] if standing and standing[0] == word else {}
        if word in channels:
            word = f"{word} (again)"  # told as a mistake: one channel, two columns
        channels[word] = {**kept, "column": row["name"], "unit": row["unit"] or "1"}
    tables["channels"] = channels
    used = [channel["column"] for channel in channels.values()]
    if len(used) >= 2:
        tables["recognise"] = {**tables["recognise"], "columns": used[:8]}
    for key, answer in answers.items():
        _answer(tables, key, answer)
    if about["kind"] != "pull":
        tables.pop("power", None)
    elif "power" not in tables:
        tables["power"] = {"state": "observed"}
    for word, channel in channels.items():
        if word.startswith("lambda_wide"):
            channel.setdefault("probe", "collector")
            channel.setdefault("delay_s", 0.1)
        if word == "wheel_torque":
            channel.setdefault("shaft", "engine")
    return tables


def _answer(tables: dict[str, Any], key: str, answer: str) -> None:
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


def saved(shop: Path, name: str, text: str) -> Path:
    """Write a layout into the shop; what stands there is never overwritten.

    Parameters
    ----------
    shop : Path
        The shop's folder.
    name : str
        The layout's name.
    text : str
        Its text.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    DeskError
        If the name is taken.
    """
    target = new_layout_file(ShopFolder(shop).layouts, name)
    if target is None:
        raise DeskError(f"A layout named {name!r} is there already: give this one another name.")
    target.parent.mkdir(parents=True, exist_ok=True)
    write_whole(target, text)
    return target
