"""Teaching a layout: draft one for a file, try it on the file, save it for the shop."""

from __future__ import annotations

import json
import re
import tempfile
from collections.abc import Collection, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from flows import apart
from flows.guess import UNITS, Draft, guess
from flows.layout_text import layout_text, tables_text
from flows.metrics.clocks import rising_part
from flows.metrics.curve import smoothed_curve, speed_grid_rpm
from flows.metrics.sweep import sweep_slice
from flows.privacy import private_by_values
from flows.readers import formats
from flows.readers.source import UnreadableError
from flows.steps.convert import PLACE
from flows.steps.read import Reading, read_one, recognise
from schemas.columns import CHANNELS
from schemas.layout import Layout, new_layout_file, read_layouts
from schemas.settings import ShopSettings
from schemas.toml_text import MistakesError, read_toml
from warehouse.shop import ShopFolder
from warehouse.whole_file import write_whole

MOST_POINTS = 1_500
"""Points of a channel that a picture of it needs at most."""

MOST_TOLD = 20
MOST_LONG_ROWS = 200_000
LONGEST_KEY = 60


class TeachError(ValueError):
    """A layout cannot be saved or tried, with the reason."""


def draft(
    path: Path,
    name: str = "new layout",
    equipment: str = "",
    private: Collection[str] = (),
    not_private: Collection[str] = (),
) -> Draft:
    """Return a proposed layout for a file; UnreadableError if there is no table in it."""
    return guess(formats.look(path), name, equipment, private, not_private)


def draft_as_json(found: Draft) -> dict[str, Any]:
    """Return a proposal as plain values, for pages and other programs."""
    try:
        text, mistakes = layout_text(found.layout(), found.assumed), []
    except ValueError as error:
        text, mistakes = tables_text(found.tables, found.assumed, _to_complete(found)), []
        mistakes = _mistakes(error)
    return {
        "format": found.look.format,
        "where": found.look.where,
        "rows": found.look.frame.height,
        "doubts": found.doubts,
        "lacking": found.lacking,
        "head": head_of_draft(found),
        "assumed": found.assumed,
        "kind": found.kind,
        "columns": [
            {
                **{k: v for k, v in asdict(column).items() if k != "extras"},
                "words": column.words,
            }
            for column in found.columns
        ],
        "questions": [asdict(question) for question in found.questions],
        "tables": found.tables,
        "toml": text,
        "mistakes": mistakes,
    }


def head_of_draft(found: Draft) -> list[dict[str, str]]:
    """Return each entry above the table with what it was taken for, "" where it is not used.

    What an entry says is told of those only that are used: the others may name a person.
    """
    fields = found.tables.get("metadata", {}).get("fields", {})
    used = {entry["key"]: field for field, entry in fields.items()}
    if key := found.tables.get("power", {}).get("factor_key"):
        used[key] = "correction factor"
    return [
        {"key": key, "read_as": used.get(key, ""), "says": text if key in used else ""}
        for key, text in found.look.head.items()
        if key in used or _is_a_word(key)
    ]


def _is_a_word(key: str) -> bool:
    """Whether a key may be shown: rows of numbers above a table have marks in them too."""
    return (
        len(key) <= LONGEST_KEY
        and bool(re.match(r"[\W_]*[^\W\d_]{2,}", key))
        and not (private_by_values(pl.DataFrame({"key": [key]}), set()))
    )


def _head_of_trial(layout: Layout, facts: dict[str, Any]) -> list[dict[str, Any]]:
    """Return each head entry that the layout asks for, what it is read as, and if it was there."""
    asked = {field: entry.key for field, entry in layout.metadata.fields.items()}
    if layout.power is not None and layout.power.factor_key is not None:
        asked["correction factor"] = layout.power.factor_key
    lacking = facts.get("lacking_head", [])
    return [
        {"key": key, "read_as": field, "found": key not in lacking} for field, key in asked.items()
    ]


def _to_complete(found: Draft) -> list[str]:
    """Return the lines of a draft that a person has to complete."""
    lines = []
    for words in found.lacking:
        first = words.split(" or ")[0]
        unit = "" if first == "time" else UNITS[first][0]
        lines += [
            f"Needed for a {found.kind}, and no column was taken for it: {words}. Name its column,",
            "and take the signs # off the three lines:",
            f"[channels.{first}]",
            'column = ""',
            f'unit = "{unit or "s"}"',
        ]
    if found.lacking and found.left_over:
        lines.append(f"Columns that are left: {', '.join(found.left_over)}")
    return lines


def layout_of(tables: dict[str, Any] | str) -> Layout:
    """Return a layout from its tables or its text.

    Raises MistakesError: With every mistake, in plain words.
    """
    if isinstance(tables, str):
        return read_toml(tables, Layout, "the layout")
    try:
        return Layout.model_validate(tables)
    except ValueError as error:
        raise MistakesError("the layout", _mistakes(error)) from None


def _mistakes(error: ValueError) -> list[str]:
    import pydantic

    if isinstance(error, MistakesError):
        return error.mistakes
    if not isinstance(error, pydantic.ValidationError):
        return [str(error)]
    told = []
    for problem in error.errors():
        where = ".".join(str(step) for step in problem["loc"])
        context = problem.get("ctx", {})
        said = str(context["error"]) if "error" in context else problem["msg"]
        told.append(f"{where}: {said}" if where else said)
    return list(dict.fromkeys(told))


def tried(
    path: Path,
    layout: Layout,
    settings: ShopSettings | None = None,
    others: Sequence[Layout] = (),
    came_as: str = "",
) -> dict[str, Any]:
    """Return what comes out of a file read with a layout beside the shop's others.

    `verdict` is that of the intake: it is made by the same steps. Raises UnreadableError where the
    file is not of the layout at all.
    """
    names = [came_as or path.name]
    settings = settings or ShopSettings()
    others = [known for known in others if known.name != layout.name]
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        scratch = ShopFolder(Path(folder))
        scratch.samples.mkdir(parents=True)
        opened = read_one(path, names, [*others, layout], settings, scratch)
        verdict = _verdict(opened.reading)
        if opened.reading.layout != layout.name:
            opened = read_one(path, names, [layout], settings, scratch)
        if opened.reading.layout is None:
            raise _does_not_fit(opened.reading, layout)
        values, line_no, clock_no = _kept_rows(opened, scratch)
    facts = json.loads(opened.reading.facts)
    return {
        "verdict": verdict,
        "rows_read": opened.reading.rows_read,
        "rows_kept": line_no.size
        if opened.reading.sample_path is None
        else opened.reading.rows_kept,
        "rows_rejected": opened.reading.rows_rejected,
        "rejected": [
            {"line": row.line_no, "column": row.column, "rule": row.rule, "found": row.found}
            for row in opened.bad_rows[:MOST_TOLD]
        ],
        "notes": facts.get("notes", []),
        "facts": {k: v for k, v in facts.items() if k not in ("notes", "marks")},
        "head": _head_of_trial(layout, facts),
        "lacking_columns": facts.get("lacking_columns", []),
        "channels": _channels(values, line_no),
        "curve": _curve(values, clock_no, layout) if line_no.size else None,
    }


def _verdict(reading: Reading) -> dict[str, str]:
    """Return what the intake would say of a file, in the words of the list of files."""
    states = {"read": "taken in", "untaught": "waiting", "refused": "refused"}
    return {
        "state": states[reading.state],
        "layout": reading.layout or "",
        "code": reading.reason_code,
        "reason": reading.reason,
        "remedy": reading.remedy,
    }


def _does_not_fit(reading: Reading, layout: Layout) -> UnreadableError:
    if reading.state == "refused":
        return UnreadableError(reading.reason_code, reading.reason, reading.remedy)
    return UnreadableError(
        "layout does not fit",
        f"the layout is not of this file: {reading.reason.partition('; ')[2] or reading.reason}",
        "Correct recognise.columns or the text's marks; the columns that must be there are "
        f"{', '.join(layout.recognise.columns)}.",
    )


def _kept_rows(opened: Any, scratch: ShopFolder) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return values, lines and clocks of the rows that were kept, of a long log evenly taken."""
    if opened.reading.sample_path is None:
        return opened.values, opened.line_no, opened.clock_no
    every = max(1, opened.reading.rows_kept // MOST_LONG_ROWS)
    rows = pl.scan_parquet(scratch.root / opened.reading.sample_path).gather_every(every).collect()
    return rows.select(CHANNELS).to_numpy(), rows["line_no"].to_numpy(), rows["clock_no"].to_numpy()


def _channels(rows: np.ndarray, line_no: np.ndarray) -> list[dict[str, Any]]:
    time = rows[:, PLACE["time_s"]]
    shown = []
    for name, place in PLACE.items():
        seen = np.isfinite(rows[:, place])
        if not seen.any():
            continue
        values = rows[seen, place]
        stride = max(1, -(-values.size // MOST_POINTS))
        at = time[seen] if np.isfinite(time[seen]).all() else line_no[seen].astype(float)
        shown.append(
            {
                "channel": name,
                "unit": CHANNELS[name].unit,
                "low": float(values.min()),
                "middle": float(np.median(values)),
                "high": float(values.max()),
                "at": np.round(at[::stride], 4).tolist(),
                "values": np.round(values[::stride], 5).tolist(),
            }
        )
    return shown


def _curve(rows: np.ndarray, clock_no: np.ndarray, layout: Layout) -> dict[str, Any] | None:
    """Return the power as the file states it over engine speed, smoothed as pulls are."""
    if layout.layout.kind != "pull":
        return None
    column = {name: rows[clock_no == 0, place] for name, place in PLACE.items()}
    power = column["wheel_power_w"]
    speed, throttle = column["engine_speed_rpm"], column["throttle_pct"]
    if not np.isfinite(power).any():
        power = column["wheel_torque_nm"] * speed * np.pi / 30
    grip = throttle if np.isfinite(throttle).any() else None
    try:
        if np.isfinite(column["time_s"]).all():
            part = sweep_slice(column["time_s"], speed, grip)
        else:
            part = rising_part(speed, grip)
        grid = speed_grid_rpm(float(np.nanmin(speed[part])), float(np.nanmax(speed[part])))
        smooth = smoothed_curve(speed[part], power[part], grid)
    except ValueError as error:
        return {"trouble": str(error)}
    good = np.isfinite(smooth.value)
    if not good.any():
        return {"trouble": "no curve could be drawn"}
    curve: dict[str, Any] = {
        "trouble": "",
        "engine_speed_rpm": grid[good].tolist(),
        "power_w": np.round(smooth.value[good], 1).tolist(),
    }
    # Beside the power, so that a column taken for another is seen.
    for name in ("wheel_torque_nm", "lambda_wide", "lambda_wide_2", "throttle_pct"):
        if np.isfinite(column[name][part]).sum() < MOST_TOLD:
            continue
        values = smoothed_curve(speed[part], column[name][part], grid).value[good]
        curve[name] = [round(v, 4) if np.isfinite(v) else None for v in values.tolist()]
    return curve


def save(shop: ShopFolder, layout: Layout) -> Path:
    """Write a layout into the shop's layouts; what stands there is never overwritten.

    Raises TeachError if its name is taken.
    """
    target = new_layout_file(shop.layouts, layout.name)
    if target is None:
        raise TeachError(
            f"a layout named {layout.name!r} is there already; give this one a new name"
        )
    target.parent.mkdir(parents=True, exist_ok=True)
    write_whole(target, layout_text(layout))
    return target


def known_layouts(path: Path, shop: ShopFolder, came_as: str = "") -> list[str]:
    """Return the names of the taught layouts that a file is of."""
    taught, _ = read_layouts(shop.layouts)
    return [layout.name for layout in recognise(path, taught, [came_as or path.name])]


def rivals(path: Path, layout: Layout, shop: ShopFolder, came_as: str = "") -> list[str]:
    """Return taught layouts that would keep a new one from having its file."""
    taught, _ = read_layouts(shop.layouts)
    # One of its own name is the one that it takes the place of.
    others = [known for known in taught if known.name != layout.name]
    fitting = recognise(path, [*others, layout], [came_as or path.name])
    return [found.name for found in fitting if found is not layout]


def waiting_files(shop: ShopFolder, layout: Layout) -> list[str]:
    """Return the files that wait for a layout and would be read with this one."""
    from warehouse.snapshot import current, open_reader

    snapshot = current(shop.root)
    if snapshot is None:
        return []
    with open_reader(snapshot.path) as reader:
        waiting = reader.execute(
            "SELECT job_folder, file_name, file_sha256 FROM out.file "
            "WHERE reason_code = 'layout not taught' ORDER BY job_folder, file_name"
        ).fetchall()
    found = []
    with apart.worker() as worker:
        for folder, name, sha in waiting:
            path = shop.archive / sha[:2] / sha
            try:
                if apart.call_on(path, worker, recognise, path, [layout], [name]):
                    found.append(f"{folder}/{name}")
            except (UnreadableError, OSError):
                continue
    return found
