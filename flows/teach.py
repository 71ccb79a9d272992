"""Teaching a layout: draft one for a file, try it on the file, save it for the shop."""

from __future__ import annotations

import contextlib
import json
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from pydantic import ValidationError

from flows import apart
from flows.guess import Draft, guess
from flows.heads import head_of_draft, head_of_trial
from flows.metrics.clocks import rising_part
from flows.metrics.curve import smoothed_curve, speed_grid_rpm
from flows.metrics.notes import note_of
from flows.metrics.sweep import sweep_slice
from flows.readers.look import look
from flows.readers.source import UnreadableError
from flows.settings import open_shop
from flows.steps.convert import PLACE
from flows.steps.read import Reading, read_one, recognise
from schemas.channels import BY_WORD, CHANNELS
from schemas.desk import (
    AskDraft,
    AskTrial,
    Course,
    Curve,
    Drafted,
    RejectedRow,
    Trial,
    Tried,
    Verdict,
)
from schemas.layout import Layout, new_layout_file, read_layouts
from schemas.layout_text import layout_text
from schemas.settings import ShopSettings
from schemas.toml_text import MistakesError, mistakes_of, read_toml
from schemas.units import conversion
from warehouse.acts import at_terminal, layout_saved
from warehouse.archived import GoneError, read_by_path
from warehouse.sentences import remedy_of, rule_in_words, said
from warehouse.shop import ShopFolder
from warehouse.whole_file import write_whole

MOST_POINTS = 1_500
"""Points of a channel that a picture of it needs at most."""

SHOWN_AS = {"degC": "°C", "Nm": "N·m", "deg": "°", "1": ""}
"""Unit words as people write them, where layouts have plainer ones."""
MOST_TOLD = 20
MOST_LONG_ROWS = 200_000


class TeachError(ValueError):
    """A layout cannot be saved or tried, with the reason."""


def drafted(asked: AskDraft) -> Drafted:
    """Return a proposal for a file as pages and the terminal show it.

    Raises UnreadableError if there is no table in it.
    """
    found = guess(look(asked.file), asked.name, asked.equipment, asked.private, asked.not_private)
    try:
        layout, mistakes, lacking = found.layout(), (), []
    except ValidationError as error:
        layout, mistakes, lacking = found.tables, tuple(mistakes_of(error)), _to_complete(found)
    return Drafted(
        format=found.look.format,
        where=found.look.where,
        log_kind=found.kind,
        columns=tuple(column.told() for column in found.columns),
        questions=tuple(found.questions),
        head=head_of_draft(found),
        doubts=tuple(found.doubts),
        tables=found.tables,
        toml=layout_text(layout, lacking),
        mistakes=mistakes,
        known=known_layouts(asked) if asked.shop else (),
    )


def _to_complete(found: Draft) -> list[str]:
    """Return the lines of a draft that a person has to complete."""
    lines = []
    for words in found.lacking:
        first = words.split(" or ")[0]
        lines += [
            f"Needed for a {found.kind}, and no column was taken for it: {words}. Name its column,",
            "and take the signs # off the three lines:",
            f"[channels.{first}]",
            'column = ""',
            f'unit = "{BY_WORD[first].units[0]}"',
        ]
    if found.lacking and found.left_over:
        lines.append(f"Columns that are left: {', '.join(found.left_over)}")
    return lines


def trial(asked: AskTrial) -> Trial:
    """Return what comes out of a file with a layout; mistakes and refusals are told in it."""
    folder, settings, others = None, None, []
    try:
        layout = layout_of(asked.layout)
        if asked.shop is not None:
            folder, settings = open_shop(asked.shop)
            others = read_layouts(folder.layouts)[0]
    except MistakesError as error:
        return Trial(mistakes=tuple(error.mistakes))
    text = layout_text(layout)
    try:
        found = tried(asked.file, layout, settings, others, asked.came_as)
        beside = rivals(asked.file, layout, folder, asked.came_as) if folder else []
    except UnreadableError as error:
        return Trial(toml=text, trouble=f"{error}. {error.remedy}")
    return Trial(toml=text, tried=found, trouble=found.verdict.trouble, rivals=tuple(beside))


def layout_of(tables: dict[str, Any] | str) -> Layout:
    """Return a layout from its tables or its text.

    Raises MistakesError: With every mistake, in plain words.
    """
    if isinstance(tables, str):
        return read_toml(tables, Layout, "the layout")
    try:
        return Layout.model_validate(tables)
    except ValidationError as error:
        raise MistakesError("the layout", mistakes_of(error)) from None


def tried(
    path: Path,
    layout: Layout,
    settings: ShopSettings | None = None,
    others: Sequence[Layout] = (),
    came_as: str = "",
) -> Tried:
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
        reading = opened.reading
        if reading.layout is None:
            raise _does_not_fit(reading, layout)
        values, line_no, clock_no = _kept_rows(opened, scratch)
    facts = json.loads(reading.facts)
    return Tried(
        verdict=verdict,
        rows_read=reading.rows_read,
        rows_kept=line_no.size if reading.sample_path is None else reading.rows_kept,
        rows_rejected=reading.rows_rejected,
        rejected=tuple(
            RejectedRow(
                line=row.line_no, column=row.column, rule=rule_in_words(row.rule), found=row.found
            )
            for row in opened.bad_rows[:MOST_TOLD]
        ),
        notes=tuple(map(said, facts.get("notes", ()))),
        head=head_of_trial(layout, opened.head, facts.get("gaps", [])),
        lacking_columns=tuple(
            gap["entry"] for gap in facts.get("gaps", ()) if gap["gap_kind"] == "column"
        ),
        channels=tuple(_courses(values, line_no)),
        curve=_curve(values, clock_no, layout) if line_no.size else None,
    )


def _verdict(reading: Reading) -> Verdict:
    states = {"read": "taken in", "untaught": "waiting", "refused": "refused"}
    return Verdict(
        state=states[reading.state],
        layout=reading.layout or "",
        code=reading.reason_code,
        reason=said(reading.reason) if reading.reason else "",
        remedy=remedy_of(reading.reason) if reading.reason else "",
    )


def _does_not_fit(reading: Reading, layout: Layout) -> UnreadableError:
    assert reading.reason is not None  # noqa: S101 - it is not read
    if reading.state == "refused":
        return UnreadableError(**reading.reason)
    why = reading.reason.get("near") or reading.reason
    return UnreadableError("layout does not fit", why=why, columns=layout.recognise.columns)


def _kept_rows(opened: Any, scratch: ShopFolder) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return values, lines and clocks of the rows that were kept, of a long log evenly taken."""
    if opened.reading.sample_path is None:
        return opened.values, opened.line_no, opened.clock_no
    every = max(1, opened.reading.rows_kept // MOST_LONG_ROWS)
    rows = pl.scan_parquet(scratch.root / opened.reading.sample_path).gather_every(every).collect()
    return rows.select(CHANNELS).to_numpy(), rows["line_no"].to_numpy(), rows["clock_no"].to_numpy()


def _courses(rows: np.ndarray, line_no: np.ndarray) -> Iterator[Course]:
    time = rows[:, PLACE["time_s"]]
    for name, place in PLACE.items():
        seen = np.isfinite(rows[:, place])
        if not seen.any():
            continue
        shown = CHANNELS[name].units[0]
        size = conversion(shown, CHANNELS[name].unit)
        values = (rows[seen, place] - size.offset) / size.factor
        stride = max(1, -(-values.size // MOST_POINTS))
        at = time[seen] if np.isfinite(time[seen]).all() else line_no[seen].astype(float)
        yield Course(
            channel=name,
            label=CHANNELS[name].label,
            unit=SHOWN_AS.get(shown, shown),
            low=float(values.min()),
            middle=float(np.median(values)),
            high=float(values.max()),
            at=tuple(np.round(at[::stride], 4).tolist()),
            values=tuple(np.round(values[::stride], 5).tolist()),
        )


def _curve(rows: np.ndarray, clock_no: np.ndarray, layout: Layout) -> Curve | None:
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
        return Curve(trouble=said(note_of(error)))
    good = np.isfinite(smooth.value)
    if not good.any():
        return Curve(trouble="no curve could be drawn")
    # Beside the power, so that a column taken for another is seen.
    beside = {}
    for name in ("wheel_torque_nm", "lambda_wide", "lambda_wide_2", "throttle_pct"):
        if np.isfinite(column[name][part]).sum() < MOST_TOLD:
            continue
        values = smoothed_curve(speed[part], column[name][part], grid).value[good]
        beside[name] = tuple(round(v, 4) if np.isfinite(v) else None for v in values.tolist())
    return Curve(
        engine_speed_rpm=tuple(grid[good].tolist()),
        power_w=tuple(np.round(smooth.value[good], 1).tolist()),
        beside=beside,
    )


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
    layout_saved(shop, target, at_terminal())
    return target


def known_layouts(asked: AskDraft) -> tuple[str, ...]:
    """Return the names of the taught layouts that a file is of."""
    taught, _ = read_layouts(ShopFolder(asked.shop or Path()).layouts)
    names = [asked.came_as or asked.file.name]
    return tuple(layout.name for layout in recognise(asked.file, taught, names))


def rivals(path: Path, layout: Layout, shop: ShopFolder, came_as: str = "") -> list[str]:
    """Return taught layouts that would keep a new one from having its file."""
    taught, _ = read_layouts(shop.layouts)
    # One of its own name is the one that it takes the place of.
    others = [known for known in taught if known.name != layout.name]
    fitting = recognise(path, [*others, layout], [came_as or path.name])
    return [found.name for found in fitting if found is not layout]


def waiting_files(shop: ShopFolder, layout: Layout, worker: apart.Worker) -> list[str]:
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
    for folder, name, sha in waiting:

        def fits(path: Path, name: str = name) -> list[Layout]:
            return apart.call_on(path, worker, recognise, path, [layout], [name])

        with contextlib.suppress(UnreadableError, OSError, GoneError):
            if read_by_path(shop, sha, fits):
                found.append(f"{folder}/{name}")
    return found


def ready() -> None:
    """Load what drafts and trials need, by making one: a file's own limits count its work only."""
    rows = "".join(f"{n / 10},{3000 + 60 * n},{20 + n % 7},{60 + n % 9}\n" for n in range(60))
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        path = Path(folder) / "pull.csv"
        path.write_text(f"time [s],rpm,power [kW],throttle [%]\n{rows}", encoding="utf-8")
        trial(AskTrial(file=path, layout=drafted(AskDraft(file=path)).toml))
