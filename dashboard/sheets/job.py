"""Writes a customer's sheet of a job, one page.

It says the same, byte for byte, whenever it is made from the same snapshot and logo.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import duckdb
import polars as pl

from dashboard.file_names import safe_folder, safe_name
from dashboard.look import Limits, Look
from dashboard.settings_shown import in_force
from dashboard.sheet_chart import Named, sheet_chart
from dashboard.sheets.document import (
    Block,
    Box,
    Column,
    Document,
    Heading,
    Picture,
    Table,
    Text,
    as_html,
    as_pdf,
)
from dashboard.sheets.logo import read_logo
from schemas.settings import ShopSettings
from schemas.units import shown_power
from warehouse import sheet_words, wording
from warehouse.acts import at_terminal, sheet_given_out
from warehouse.near import nearest_names
from warehouse.questions import ask
from warehouse.sheet_words import cut
from warehouse.shop import ShopFolder
from warehouse.snapshot import Snapshot, current, open_reader
from warehouse.whole_file import write_whole

Row = dict[str, Any]

HEIGHTS_MM = (118.0, 95.0, 75.0)
"""Of the picture: the first at which all stands on one page is taken."""
CELL_SIGNS = (110, 60, 30)
"""Of a text in the table, at each of these heights."""


class NoSheetError(ValueError):
    """There is no sheet of what was asked; the message says what it lacks."""


@dataclass(frozen=True)
class JobFacts:
    """All that a sheet says."""

    job_id: str
    settings: ShopSettings
    snapshot: Snapshot
    stages: list[Row]
    before: Row | None
    after: Row
    gain: Row | None
    mixtures: dict[str, Row]
    curves: pl.DataFrame
    difference: pl.DataFrame
    windows: pl.DataFrame

    @property
    def left(self) -> Row:
        """The state that the bike leaves in."""
        return self.stages[-1]

    @property
    def power_at(self) -> str:
        """What air its powers are stated at."""
        run = [stage for stage in (self.before, self.after) if stage]
        air = self.after["reference_air"]
        return wording.power_at(air, is_corrected=all(one["is_corrected"] for one in run))


def gather(
    reader: duckdb.DuckDBPyConnection,
    settings: ShopSettings,
    snapshot: Snapshot,
    job_id: str,
    before_no: int = 0,
    after_no: int = 0,
) -> JobFacts:
    """Collect what a sheet says of two stages of a job: its first and last, unless numbered.

    Raises NoSheetError if there is no such job, stage or comparison, or no pull that counts.
    """
    stages = ask(reader, "sheet_stages", job_id=job_id).to_dicts()
    if not stages:
        raise NoSheetError(_nearest(reader, job_id))
    run = [stage for stage in stages if stage["pulls_used"]]
    if not run:
        raise NoSheetError(_lacking(job_id, stages))
    gains = ask(reader, "gains_of_bike", bike_id=stages[0]["bike_id"]).to_dicts()
    before, after, gain = _chosen(job_id, run, gains, before_no, after_no)
    ids = [stage["stage_id"] for stage in (before, after, stages[-1]) if stage]
    mixtures = ask(reader, "stage_mixtures", stage_ids=ids)
    gain_id = gain["gain_id"] if gain else ""
    return JobFacts(
        job_id,
        settings,
        snapshot,
        stages,
        before,
        after,
        gain,
        {row["stage_id"]: row for row in mixtures.to_dicts()},
        ask(reader, "session_curves", stage_ids=ids),
        ask(reader, "gain_curve", gain_id=gain_id),
        ask(reader, "lean_windows", stage_ids=[after["stage_id"]]),
    )


def _chosen(
    job_id: str, run: list[Row], gains: list[Row], before_no: int, after_no: int
) -> tuple[Row | None, Row, Row | None]:
    """Return the two stages that a sheet compares, and their gain."""
    numbers = {stage["stage_no"]: stage for stage in run}
    for number in (before_no, after_no):
        if number and number not in numbers:
            counted = ", ".join(map(str, numbers))
            raise NoSheetError(f"{job_id} has no pull that counts in a stage {number}: only in "
                               f"{counted}")  # fmt: skip
    first, last = numbers[before_no or run[0]["stage_no"]], numbers[after_no or run[-1]["stage_no"]]
    by_pair = {(gain["before_stage_id"], gain["after_stage_id"]): gain for gain in gains}
    by_again = {(gain["before_stage_id"], gain["again_stage_id"]): gain for gain in gains}
    if len(run) == 1 and not before_no:
        return None, last, None
    pair = (first["stage_id"], last["stage_id"])
    gain = by_pair.get(pair)
    if gain is None and not after_no and pair in by_again:
        # Put back as it was at the end: what was tried between is the change.
        gain = by_again[pair]
        last = next(stage for stage in run if stage["stage_id"] == gain["after_stage_id"])
    if gain is None and (before_no or after_no):
        of_job = {stage["stage_id"]: stage["stage_no"] for stage in run}
        known = ", ".join(
            f"{of_job[before]} and {of_job[after]}"
            for before, after in by_pair
            if before in of_job and after in of_job
        )
        raise NoSheetError(
            f"stages {first['stage_no']} and {last['stage_no']} of {job_id} are not held against "
            f"each other; these are: {known or 'none'}"
        )
    return first, last, gain


def _nearest(reader: duckdb.DuckDBPyConnection, job_id: str) -> str:
    known = ask(reader, "known_jobs")["job_id"].to_list()
    near = nearest_names(job_id, known)
    said = f"no job is called {cut(job_id)!r}"
    return f"{said}; the nearest: {', '.join(near)}" if near else f"{said}: there is no job yet"


def _lacking(job_id: str, stages: list[Row]) -> str:
    pulls = sum(stage["pulls_run"] for stage in stages)
    names = ", ".join(f"{stage['stage_no']} {cut(stage['stage_name'])}" for stage in stages[:6])
    what = (
        f"none of its {wording.counted(pulls, 'pull')} counts: the page of the bike says why"
        if pulls
        else "no pull of it was taken in: see its files on the page 'What came in?'"
    )
    return f"{job_id} has no sheet, because {what}. Its stages: {names}"


def document(facts: JobFacts, logo: bytes | None, tightness: int) -> Document:
    """Return a sheet as a document; a tighter one has a smaller picture and shorter cells."""
    settings, after = facts.settings, facts.after
    left = facts.left
    advice = wording.advice(facts.mixtures.get(left["stage_id"]))
    said = sheet_words.three_sentences(
        facts.gain,
        (facts.before, after),
        (_mixture(facts, facts.before), _mixture(facts, after)),
        (left, advice),
    )
    level = advice.shown if advice.shown in wording.LEAN_LEVELS else "warn"
    opening: Block = (
        Box(said[0], level) if advice.is_alarm else Text(said[0], is_strong=True)  # type: ignore[arg-type]
    )
    year = f", {after['model_year']}" if after["model_year"] else ""
    zone = ZoneInfo(settings.shop.timezone)
    day = f"{facts.snapshot.published_at.astimezone(zone):%d %b %Y}"
    signs = CELL_SIGNS[tightness]
    blocks: list[Block] = [
        Text(
            f"{cut(after['model_label'], 90)}{year} · bike {cut(after['bike_id'])} · received "
            f"{after['received_on']:%d %b %Y}"
        ),
        opening,
        *(Text(sentence) for sentence in said[1:]),
        Picture(_chart(facts), HEIGHTS_MM[tightness]),
        Heading("What was done", 3),
        *(Text(cut(line, 2 * signs + 40), is_small=True)
          for line in sheet_words.what_was_done(facts.stages)),
        _conditions(facts, signs),
        Text(
            f"Power at the wheel, {facts.power_at}; torque is that power over the engine's speed. "
            f"Figures as of {day}.",
            is_small=True,
        ),
    ]  # fmt: skip
    shop = "\n".join(cut(line, 80) for line in (settings.shop.name, *settings.shop.address))
    title = f"Dyno sheet {cut(facts.job_id)}"
    return Document(title, shop, blocks, sheet_words.CAUTIONS, logo)


def _mixture(facts: JobFacts, stage: Row | None) -> Row | None:
    return facts.mixtures.get(stage["stage_id"]) if stage else None


def _chart(facts: JobFacts) -> Any:
    settings = facts.settings
    look = Look(
        power_unit=settings.show.power,
        mixture=settings.show.mixture,
        afr_scale=settings.show.afr_scale,
    )
    limits = Limits(
        settings.mixture.notice_pct, settings.mixture.warn_pct, settings.mixture.stop_pct
    )

    def named(stage: Row, when: str) -> Named:
        curve = facts.curves.filter(pl.col("stage_id") == stage["stage_id"])
        return f"{when}: {cut(stage['stage_name'])}", curve

    return sheet_chart(
        named(facts.before, "before") if facts.before else None,
        named(facts.after, "after" if facts.before else "as run"),
        facts.difference,
        facts.windows,
        look,
        limits,
    )


def _conditions(facts: JobFacts, signs: int) -> Table:
    """Return what was run and in what air, a column a stage."""
    stages = [stage for stage in (facts.before, facts.after) if stage]
    heads = ["Before", "After"] if facts.before else ["As run"]
    columns = [Column(""), *(Column(head) for head in heads)]
    rows = [
        [name, *(cut(tell(stage), signs) for stage in stages)]
        for name, tell in (
            ("Stage", lambda one: f"{one['stage_no']}, {one['stage_name']}"),
            ("Parts", lambda one: one["parts_label"]),
            ("Map, fuel, gear", _set_up),
            ("Run", _run),
            ("Air", _air),
            ("Peak power", lambda one: _peak(facts.settings, one)),
        )
    ]
    return Table(columns, rows, (1, *[4] * len(stages)))


def _set_up(stage: Row) -> str:
    gear = "not told" if stage["gear"] is None else stage["gear"]
    return f"{cut(stage['map_label'])}, {cut(stage['fuel'], 20)}, gear {gear}"


def _run(stage: Row) -> str:
    counts = f"{wording.counted(stage['pulls_used'], 'pull')}"
    if stage["pulls_run"] != stage["pulls_used"]:
        counts += f" of {stage['pulls_run']}"
    return f"{stage['run_on']:%d %b %Y}, {counts}"


def _air(stage: Row) -> str:
    air = [
        f"{wording.number(stage[name], digits)} {unit}"
        for name, digits, unit in (
            ("ambient_temp_degc", 1, "°C"),
            ("ambient_pressure_kpa", 1, "kPa"),
            ("ambient_humidity_pct", 0, "% humidity"),
        )
        if stage[name] is not None
    ]
    said = ", ".join(air) or "not measured"
    if stage["is_corrected"] and stage["reference_factor"] is not None:
        said += f"; power × {stage['reference_factor']:.3f} to {stage['reference_air']}"
    else:
        said += "; power not corrected"
    return said + ", weather in doubt" * bool(stage["has_air_doubt"])


def _peak(settings: ShopSettings, stage: Row) -> str:
    if stage["peak_power_w"] is None:
        return "not told"
    unit = settings.show.power
    power = wording.number(shown_power(stage["peak_power_w"], unit), 1)
    rising = "" if stage["is_peak_reached"] else ", still rising"
    torque = f"; {wording.number(stage['peak_torque_nm'], 1)} N·m"
    return f"{power} {unit} at {wording.number(stage['peak_power_speed_rpm'])} rpm{rising}{torque}"


@dataclass(frozen=True)
class Made:
    """A sheet as its two files, what kept the logo off, and what the settings say by now."""

    job_id: str
    pdf: bytes
    html: bytes
    trouble: str
    told: str = ""


def make(shop: Path, job_id: str, before_no: int = 0, after_no: int = 0) -> Made:
    """Make the sheet of a job.

    Raises FileNotFoundError if nothing is published. Raises NoSheetError if there is no such sheet.
    """
    snapshot = current(shop)
    if snapshot is None:
        raise FileNotFoundError("nothing is published yet: run `rollbook publish DIR` first")
    shown = in_force(shop, snapshot)
    settings = shown.settings or ShopSettings()
    with open_reader(snapshot.path) as reader:
        facts = gather(reader, settings, snapshot, job_id, before_no, after_no)
    logo, trouble = read_logo(shop, settings.shop.logo)
    return Made(facts.job_id, *files(facts, logo), trouble, shown.told)


def files(facts: JobFacts, logo: bytes | None) -> tuple[bytes, bytes]:
    """Return a sheet as PDF of one page and as HTML, as loosely set as that allows."""
    for tightness in range(len(HEIGHTS_MM) - 1):
        sheet = document(facts, logo, tightness)
        if pages(pdf := as_pdf(sheet)) == 1:
            return pdf, as_html(sheet).encode()
    sheet = document(facts, logo, len(HEIGHTS_MM) - 1)
    return as_pdf(sheet), as_html(sheet).encode()


def pages(pdf: bytes) -> int:
    """Return how many pages a file of ours has: each is an object of its own in plain text."""
    return len(re.findall(rb"/Type\s*/Page\b", pdf))


def sheet_stem(job_id: str) -> str:
    """Return what the files of a sheet are called, without their ending.

    >>> sheet_stem("2026/14")
    'sheet-2026-14'
    """
    return safe_name(f"sheet-{safe_folder(job_id)}")


def write_sheet(shop: Path, made: Made) -> list[Path]:
    """Write a sheet into `reports/`, each file whole or not at all."""
    name = sheet_stem(made.job_id)
    paths = [ShopFolder(shop).reports / f"{name}{ending}" for ending in (".pdf", ".html")]
    for path, content in zip(paths, (made.pdf, made.html), strict=True):
        write_whole(path, content)
    return paths


def written(shop: Path, job_id: str, before_no: int, after_no: int) -> list[str]:
    """Make and write a sheet; return what is to be said of it."""
    made = make(shop, job_id, before_no, after_no)
    written = [f"Written: {path}" for path in write_sheet(shop, made)]
    sheet_given_out(ShopFolder(shop), made.job_id, at_terminal(), made.pdf)
    no_logo = f"The sheet has no logo: {made.trouble}" if made.trouble else ""
    return [*filter(None, (no_logo, made.told)), *written]
