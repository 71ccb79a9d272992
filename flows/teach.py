"""Teaching a layout: draft one for a file, try it on the file, save it for the shop."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from flows.guess import Draft, guess
from flows.layout_text import layout_text
from flows.metrics.clocks import rising_part
from flows.metrics.curve import smoothed_curve, speed_grid_rpm
from flows.metrics.sweep import sweep_slice
from flows.readers import formats
from flows.readers.source import UnreadableError
from flows.steps.convert import PLACE
from flows.steps.judge import WholeFile, canonical
from flows.steps.read import recognise
from schemas.columns import CHANNELS
from schemas.layout import Layout, new_layout_file, read_layouts
from schemas.samples import judge_samples, samples_frame
from schemas.toml_text import MistakesError, read_toml
from warehouse.shop import ShopFolder
from warehouse.whole_file import write_whole

MOST_POINTS = 1_500
"""Points of a channel that a picture of it needs at most."""

MOST_TOLD = 20


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
    """Return a proposal as plain values, for pages and other programs.

    Parameters
    ----------
    found : Draft
        The proposal.

    Returns
    -------
    dict
        Where the table stands, the columns, the questions, the layout's tables and its text; no
        value of a private column.
    """
    try:
        text, mistakes = layout_text(found.layout()), []
    except ValueError as error:
        text, mistakes = "", _mistakes(error)
    return {
        "format": found.look.format,
        "where": found.look.where,
        "rows": found.look.frame.height,
        "doubts": found.look.doubts,
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


def layout_of(tables: dict[str, Any] | str) -> Layout:
    """Return a layout from its tables or its text.

    Parameters
    ----------
    tables : dict or str
        As in TOML.

    Returns
    -------
    Layout
        The layout.

    Raises
    ------
    MistakesError
        With every mistake, in plain words.
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


def tried(path: Path, layout: Layout, shop_zone: str = "UTC") -> dict[str, Any]:
    """Return what comes out of a file read with a layout, as plain values.

    Parameters
    ----------
    path : Path
        The file.
    layout : Layout
        The layout.
    shop_zone : str, default "UTC"
        Time zone that starts are told in.

    Returns
    -------
    dict
        Whether it would be taken in, rows and the first rejected ones, channels with their ranges
        and some of their points, notes, and for a pull its curve.

    Raises
    ------
    UnreadableError
        If the file cannot be read with this layout; the message says why and what to do.
    """
    start = formats.start_of(path)
    found_format = formats.format_of(start)
    reader = formats.reader_of(layout.layout.format)
    if found_format != layout.layout.format or not reader.fits(path, start, layout):
        raise UnreadableError(
            "layout does not fit",
            f"the layout is not of this file: no line names {', '.join(layout.recognise.columns)}",
            "Correct recognise.columns or the text's marks.",
        )
    whole = canonical(reader.read(path, layout), layout, shop_zone)
    frame = samples_frame(["tried"], [whole.values], [whole.line_no], [whole.clock_no])
    failures = judge_samples(layout.layout.kind, frame)
    rejected = {row.line_no for row in whole.bad_rows} | {
        int(whole.line_no[failure.row]) for failure in failures
    }
    told = [
        {"line": row.line_no, "column": row.column, "rule": row.rule, "found": row.found}
        for row in whole.bad_rows
    ] + [
        {
            "line": int(whole.line_no[failure.row]),
            "column": failure.column,
            "rule": failure.rule,
            "found": failure.found,
        }
        for failure in failures
    ]
    kept = np.ones(whole.line_no.size, dtype=bool)
    kept[[failure.row for failure in failures]] = False
    return {
        "rows_read": whole.rows_read,
        "rows_kept": int(kept.sum()),
        "rows_rejected": len(rejected),
        "rejected": told[:MOST_TOLD],
        "notes": whole.facts["notes"],
        "facts": {k: v for k, v in whole.facts.items() if k not in ("notes", "marks")},
        "channels": _channels(whole, kept),
        "curve": _curve(whole, kept, layout),
    }


def _channels(whole: WholeFile, kept: np.ndarray) -> list[dict[str, Any]]:
    time = whole.values[:, PLACE["time_s"]]
    shown = []
    for name, place in PLACE.items():
        seen = kept & np.isfinite(whole.values[:, place])
        if not seen.any():
            continue
        values = whole.values[seen, place]
        stride = max(1, -(-values.size // MOST_POINTS))
        at = time[seen] if np.isfinite(time[seen]).all() else whole.line_no[seen].astype(float)
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


def _curve(whole: WholeFile, kept: np.ndarray, layout: Layout) -> dict[str, Any] | None:
    """Return the power as the file states it over engine speed, smoothed as pulls are."""
    if layout.layout.kind != "pull":
        return None
    main = kept & (whole.clock_no == 0)
    column = {name: whole.values[main, place] for name, place in PLACE.items()}
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

    Parameters
    ----------
    shop : ShopFolder
        The shop.
    layout : Layout
        The layout.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    TeachError
        If its name is taken.
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
    """Return the names of the taught layouts that a file is of.

    Parameters
    ----------
    path : Path
        The file.
    shop : ShopFolder
        The shop.
    came_as : str, optional
        Name under which the file came, where it is kept under another.

    Returns
    -------
    list of str
        One if all is well; none where nobody taught it, several where they fit equally.
    """
    taught, _ = read_layouts(shop.layouts)
    return [layout.name for layout in recognise(path, taught, [came_as or path.name])]


def rivals(path: Path, layout: Layout, shop: ShopFolder, came_as: str = "") -> list[str]:
    """Return taught layouts that would keep a new one from having its file.

    Parameters
    ----------
    path : Path
        The file it was drafted from.
    layout : Layout
        The new layout.
    shop : ShopFolder
        The shop.
    came_as : str, optional
        Name under which the file came, where it is kept under another.

    Returns
    -------
    list of str
        Names of layouts that fit the file as well as the new one or better.
    """
    taught, _ = read_layouts(shop.layouts)
    # One of its own name is the one that it takes the place of.
    others = [known for known in taught if known.name != layout.name]
    fitting = recognise(path, [*others, layout], [came_as or path.name])
    return [found.name for found in fitting if found is not layout]


def waiting_files(shop: ShopFolder, layout: Layout) -> list[str]:
    """Return the files that wait for a layout and would be read with this one.

    Parameters
    ----------
    shop : ShopFolder
        The shop.
    layout : Layout
        The layout.

    Returns
    -------
    list of str
        Job folder and name of each, by the published snapshot.
    """
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
    for folder, name, sha in waiting:
        path = shop.archive / sha[:2] / sha
        try:
            if recognise(path, [layout], [name]):
                found.append(f"{folder}/{name}")
        except (UnreadableError, OSError):
            continue
    return found
