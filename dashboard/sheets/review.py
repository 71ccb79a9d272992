"""Writes the review of a quarter as PDF and HTML.

Both say the same, byte for byte, whenever they are written from the same snapshot. The PDF is for
the table: its lists are short; the HTML file has all of them.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, NamedTuple
from zoneinfo import ZoneInfo

import duckdb
import polars as pl
import polars.selectors as cs

from dashboard import charts
from dashboard.look import Look
from dashboard.settings_shown import in_force
from dashboard.sheets.document import (
    Block,
    Box,
    Column,
    Document,
    Figure,
    Figures,
    Heading,
    Link,
    NewPage,
    Picture,
    Table,
    Text,
    as_html,
    as_pdf,
)
from schemas.settings import ShopSettings
from schemas.units import shown_power
from warehouse import noted, review_words, wording
from warehouse.history import as_of
from warehouse.questions import ask, behind
from warehouse.shop import ShopFolder
from warehouse.snapshot import Snapshot, current, open_reader
from warehouse.titles import COLUMNS
from warehouse.whole_file import write_whole

MOST_NEEDS = 8
"""Combinations written out with their members; the pages show all of them."""
MOST_ROWS, MOST_CHANGES = 25, 100
"""Rows of a list in the PDF; the HTML file has all."""
FOOT = (wording.CAUTIONS[0], wording.CAUTIONS[2], wording.CAUTIONS[4])
"""What every printed page says, as pages are handed on alone."""

PAPER = Look()
"""Charts on paper hold no power and no mixture: no unit of the shop's stands in them."""

DRAWN_DIGITS = 4

Row = dict[str, Any]


class PrintedColumn(NamedTuple):
    """A column of a printed table."""

    name: str
    unit: str
    """The shop's unit of power."""

    @property
    def title(self) -> str:
        """What stands above it."""
        return COLUMNS[self.name].title.format(power=self.unit)

    @property
    def kind(self) -> Literal["words", "figure", "level", "code"]:
        """How it is set."""
        if COLUMNS[self.name].digits is not None:
            return "figure"
        if self.name.startswith("level"):
            return "level"
        is_reference = self.name.endswith(("_id", "_on")) or self.name == "sha256_start"
        return "code" if is_reference else "words"

    def text(self, row: Row) -> str:
        """Return a cell's text."""
        value, column = row.get(self.name), COLUMNS[self.name]
        if value is None or value == "":
            return "–"
        if isinstance(value, bool):
            return "yes" if value else "no"
        if isinstance(value, dt.date):
            return f"{value:%d %b %Y}"
        if column.digits is None or isinstance(value, str):
            return str(value)
        if "{power}" in column.title:
            value = shown_power(value, self.unit)
        return wording.number(value * column.times, column.digits, signed=column.signed)


ON_PAPER = {
    "changes": "job_id bike_id change_key level_after mean_gain_pct mean_gain_lower_pct "
    "mean_gain_upper_pct verdict",
    "steps": "job_id stages_named change_key level_after mean_gain_pct mean_gain_lower_pct "
    "mean_gain_upper_pct verdict",
    "members": "bike_id job_id stage_name received_on level level_not_excluded "
    "worst_lean_error_pct worst_speed_rpm",
    "off_target": "map_label model_label bike_id job_id level level_not_excluded "
    "worst_lean_error_pct worst_speed_rpm",
    "jobs": "received_on job_id bike_id model_label stage_name map_label fuel parts_label",
    "pulls": "job_id bike_id stage_name pull_no is_used peak_power_w trouble file_name",
    "rides": "job_id bike_id stage_name duration_s steady_s in_band_share trouble file_name",
    "control sessions": "run_on job_id bike_id pulls pulls_used peak_power_w has_air_doubt notes",
    "stages lean at warn or stop": "job_id model_label map_label parts_label level "
    "level_not_excluded worst_lean_error_pct worst_speed_rpm",
}
"""Columns that a sheet of paper has room for, of lists that have more: the HTML file has all."""
GAINS_MM, GAIN_ROW_MM = 24.0, 14.0
"""Of the chart of gains: around its rows, and a row with the intervals of its bikes."""
ELSEWHERE = {
    "real gains": "gains",
    "maps of ours still lean": "maps",
    "comebacks within 60 days": "comebacks",
}
"""Figures whose list stands in a part of its own."""


class Behind(NamedTuple):
    """The list behind one figure."""

    figure: str
    figure_value: float
    rows: list[Row]


@dataclass(frozen=True)
class ReviewData:
    """All that a review says."""

    shop_name: str
    quarter: str
    reference_air: str
    power_unit: str
    snapshot_number: int
    published_at: str
    owner_figures: list[Row]
    figures: list[Row]
    summary_of_gains: list[Row]
    gains: list[Row]
    """What each job gave as a whole."""
    steps: list[Row]
    """What else was measured of a change: steps of these jobs, and against earlier jobs."""
    notice_pct: float
    needs: list[Row]
    needs_without_map: list[Row]
    missing_maps: list[Row]
    off_target: list[Row]
    comebacks: list[Row]
    verdicts: list[Row]
    checks: list[Row]
    trust: Row | None
    behind: list[Behind]
    earlier_pulls: list[Row]
    notes: list[Row]
    """What people wrote in the quarter."""
    facts: list[Row]

    @property
    def previous(self) -> str:
        """What the quarter before is called."""
        return self.owner_figures[0]["previous_label"] or "the quarter before"

    @property
    def year_ago(self) -> str:
        """What the same quarter of the year before is called."""
        return self.owner_figures[0]["year_ago_label"] or "a year before"

    @property
    def summary(self) -> str:
        """The quarter in one sentence."""
        return wording.quarter_sentence(
            {row["figure"]: row["figure_value"] for row in self.figures},
            self.gains,
            wording.counted_lean(self.off_target)[0],
            len(self.comebacks),
            self.verdicts,
        )

    @property
    def decisions(self) -> list[tuple[str, str]]:
        """What needs a decision, and where it stands."""
        files = next((one for one in self.behind if one.figure == "files refused or waiting"), None)
        return review_words.decisions(
            self.needs_without_map,
            self.missing_maps,
            self.verdicts,
            len(files.rows) if files else 0,
            self.comebacks,
            self.notice_pct,
        )


def gather(
    reader: duckdb.DuckDBPyConnection,
    settings: ShopSettings,
    snapshot: Snapshot,
    quarter: str | None = None,
) -> ReviewData:
    """Collect what a review says from a snapshot.

    Raises ValueError if nothing came in during that quarter.
    """
    known: list[str] = ask(reader, "quarters")["quarter_label"].to_list()
    if not known:
        raise ValueError("the snapshot holds no job yet: there is nothing to review")
    quarter = known[0] if quarter is None else quarter
    if quarter not in known:
        raise ValueError(f"quarter must be one of {', '.join(known)}, got {quarter!r}")
    owner_figures = ask(reader, "review_figures", quarter=quarter).to_dicts()
    figures = ask(reader, "quarter_figures", quarter=quarter).to_dicts()
    year_ago = owner_figures[0]["year_ago_label"] or ""
    then = dict(
        ask(reader, "quarter_figures", quarter=year_ago)
        .select("figure", "figure_value")
        .iter_rows()
    )
    for row in figures:
        row["year_ago_value"] = then.get(row["figure"])
    gains = ask(reader, "changes_in_quarter", quarter=quarter).to_dicts()
    measured = ask(reader, "gains_in_quarter", quarter=quarter).to_dicts()
    whole = {(row["before_stage_id"], row["after_stage_id"]) for row in gains}
    control = ask(reader, "known_bikes").filter(pl.col("is_control"))["bike_id"].to_list()
    steps = [
        row
        for row in measured
        if (row["before_stage_id"], row["after_stage_id"]) not in whole
        and row["change_kind"] != "nothing"
        and row["bike_id"] not in control
    ]
    needs = ask(reader, "remap_needs").head(MOST_NEEDS).to_dicts()
    for need in needs:
        need["members"] = ask(reader, "need_members", need_id=need["need_id"]).to_dicts()
    behind_of = []
    for figure in figures:
        rows = ask(reader, behind(figure["figure"]), quarter=quarter).to_dicts()
        behind_of.append(Behind(figure["figure"], figure["figure_value"], rows))
    shown = [*gains, *steps]
    after = {row["after_stage_id"] for row in shown}
    before = sorted({row["before_stage_id"] for row in shown} - after)
    run_now = {
        (row["job_id"], row["file_name"])
        for list_ in behind_of
        if list_.figure == "pulls"
        for row in list_.rows
    }
    earlier = [
        row
        for row in ask(reader, "pulls", stage_ids=list(before)).to_dicts()
        if (row["job_id"], row["file_name"]) not in run_now
    ]
    notes = noted.with_subjects(ask(reader, "notes_in_quarter", quarter=quarter))
    zone = ZoneInfo(settings.shop.timezone)
    return ReviewData(
        shop_name=settings.shop.name,
        quarter=quarter,
        reference_air=settings.figures.reference_air,
        power_unit=settings.show.power,
        snapshot_number=snapshot.number,
        published_at=f"{snapshot.published_at.astimezone(zone):%d %b %Y, %H:%M}",
        owner_figures=owner_figures,
        figures=figures,
        summary_of_gains=ask(reader, "quarter_gains", quarter=quarter).to_dicts(),
        gains=gains,
        steps=steps,
        notice_pct=settings.mixture.notice_pct,
        needs=needs,
        needs_without_map=ask(reader, "needs_without_map").to_dicts(),
        missing_maps=review_words.missing_maps(ask(reader, "map_revisions").to_dicts()),
        off_target=ask(reader, "maps_off_target", quarter=quarter).to_dicts(),
        comebacks=ask(reader, "behind_comebacks_within_60_days", quarter=quarter).to_dicts(),
        verdicts=ask(reader, "dyno_verdicts").to_dicts(),
        checks=ask(reader, "dyno_checks").to_dicts(),
        trust=next(iter(ask(reader, "trust").to_dicts()), None),
        behind=behind_of,
        earlier_pulls=earlier,
        notes=notes.select("noted_on", "noted_about", "noted_by", "note_text").to_dicts(),
        facts=ask(reader, "shop_facts").to_dicts(),
    )


def _frame(rows: list[Row]) -> pl.DataFrame:
    """Return rows to draw, in digits that history keeps: a past review is the same."""
    frame = pl.DataFrame(rows, infer_schema_length=None)
    return frame.with_columns(cs.float().round_sig_figs(DRAWN_DIGITS))


def document(data: ReviewData, *, is_whole: bool) -> Document:
    """Return a review: whole, or with its lists cut short for the PDF."""
    blocks = [
        *_first_page(data),
        NewPage(),
        *_pictures(data),
        *_maps(data, is_whole=is_whole),
        *_lists(data, is_whole=is_whole),
    ]
    return Document(f"Review of {data.quarter}", data.shop_name, blocks, FOOT)


def _first_page(data: ReviewData) -> Iterator[Block]:
    """Yield what the owner reads: five figures, what needs a decision, and the cautions."""
    yield Text(data.summary, is_strong=True)
    yield Figures(
        [
            Figure(
                review_words.FIGURE_NAMES[row["figure"]],
                wording.number(row["figure_value"]),
                [
                    *filter(None, [review_words.COUNTED.get(row["figure"])]),
                    review_words.beside(row["previous_value"], data.previous),
                    review_words.beside(row["year_ago_value"], data.year_ago),
                ],
                ELSEWHERE.get(row["figure"], _anchor(row["figure"])),
            )
            for row in data.owner_figures
        ]
    )
    yield Heading("What needs a decision")
    if not data.decisions:
        yield Text(review_words.NOTHING_TO_DECIDE)
    else:
        rows = [
            [f"{at}.", said, Link("why", to)] for at, (said, to) in enumerate(data.decisions, 1)
        ]
        yield Table(
            [Column(""), Column(f"As of {data.published_at}"), Column("")], rows, [4, 88, 8]
        )
    yield Heading("What came in")
    yield _figures_table(data)
    yield Box("Before anyone runs an engine on these figures", "stop", wording.CAUTIONS)
    yield Text(
        f"Power at {data.reference_air} reference air. Made from snapshot {data.snapshot_number}, "
        f"published {data.published_at}. {review_words.HOW_GAINS_COUNT}",
        is_small=True,
    )


def _figures_table(data: ReviewData) -> Table:
    columns = [
        Column("Figure"),
        Column(data.quarter, "figure"),
        Column(data.previous, "figure"),
        Column(data.year_ago, "figure"),
        Column("List"),
    ]
    rows: list[Sequence[str | Link]] = [
        [
            row["figure"].capitalize(),
            *(wording.number(row[f"{when}_value"]) for when in ("figure", "previous", "year_ago")),
            Link("behind it", _anchor(row["figure"])),
        ]
        for row in data.figures
    ]
    return Table(columns, rows)


def _pictures(data: ReviewData) -> Iterator[Block]:
    yield Heading("What it gained")
    measured = [*data.gains, *data.steps]
    pooled = [row for row in measured if row["is_pooled"]]
    if data.summary_of_gains:
        frames = _frame(data.summary_of_gains), _frame(pooled)
        rows = min(len(data.summary_of_gains), charts.MOST_ROWS)
        height = GAINS_MM + GAIN_ROW_MM * rows
        yield Picture(charts.quarter_gain_chart(*frames, PAPER), height)
        apart = len(measured) - len(pooled)
        yield Text(
            f"Of {wording.counted(len(measured), 'comparison')}, steps of a job and the job as a "
            f"whole each for itself, {apart} in no mean: not like for like, or against an earlier "
            "job.",
            is_small=True,
        )
    else:
        yield Text("No like-for-like gain was measured.")
    yield Heading("Which combinations need a remap", anchor="needs")
    if data.needs:
        yield Text(data.needs[0]["sentence"])
        yield Picture(charts.need_chart(_frame(data.needs), PAPER))
        yield Text("Over all quarters, ranked by what is sure.", is_small=True)
    else:
        yield Text("Nothing can be ranked yet.")
    yield Heading("Can the dyno be trusted?", anchor="dyno")
    if data.checks:
        bikes = [row["bike_id"] for row in data.checks]
        most = max(sorted(set(bikes)), key=bikes.count)
        of_bike = [row for row in data.checks if row["bike_id"] == most]
        yield Picture(charts.control_chart(_frame(of_bike), PAPER))
    yield from _dyno(data)


def _dyno(data: ReviewData) -> Iterator[Block]:
    if data.verdicts:
        rows = [[wording.dyno_state(row), row["subject"], row["sentence"]] for row in data.verdicts]
        columns = [Column("State", "level"), Column("Of"), Column("What is known")]
        yield Table(columns, rows, [14, 20, 66])
    else:
        yield Text("Whether it holds cannot be told: nothing has been run on it.")
    if data.trust:
        yield Text(wording.trust_sentence(data.trust), is_small=True)


def _maps(data: ReviewData, *, is_whole: bool) -> Iterator[Block]:
    yield Heading("Maps that still miss the target", anchor="maps")
    said = wording.off_target_sentence(data.off_target)
    if data.off_target:
        yield Box(f"{said} {wording.CAUTIONS[0]}")
        yield from _list(data.off_target, "off_target", data.power_unit, is_whole=is_whole)
    else:
        yield Text(said)
    if data.missing_maps:
        misses = review_words.off_target(data.notice_pct)
        said = f"Over all quarters, the newest revision of each map that misses ({misses}):"
        yield Text(said, is_small=True)
        shown = data.missing_maps if is_whole else data.missing_maps[:MOST_ROWS]
        yield Table([Column("Map revision")], [[row["sentence"]] for row in shown])
        yield from _more(len(data.missing_maps) - len(shown))


def _lists(data: ReviewData, *, is_whole: bool) -> Iterator[Block]:
    unit = data.power_unit
    yield Heading("What came back", anchor="comebacks")
    if data.comebacks:
        yield from _list(data.comebacks, "comebacks", unit, is_whole=is_whole)
    else:
        yield Text("No bike came back within 60 days on the build it had left with.")
    yield Heading("What each job gave, first stage to last", anchor="gains")
    yield Text(review_words.HOW_GAINS_COUNT, is_small=True)
    if noise := wording.noise_apart_from_0(data.gains):
        yield Text(noise, is_small=True)
    yield from _list(data.gains, "changes", unit, is_whole=is_whole)
    yield Heading("Steps of these jobs, and changes against earlier jobs: not counted", 3)
    yield from _list(data.steps, "steps", unit, is_whole=is_whole)
    yield Heading("The bikes behind the need of a remap")
    for need in data.needs:
        yield Heading(f"{need['need_rank']}. {need['sentence']}", 3)
        yield from _list(need["members"], "members", unit, is_whole=is_whole)
    yield Heading("The list behind each figure")
    for figure, value, rows in data.behind:
        yield Heading(f"{figure.capitalize()}: {wording.number(value)}", 3, _anchor(figure))
        yield from _list(rows, figure, unit, is_whole=is_whole)
    yield Heading("Pulls behind the gains that were run before this quarter", 3)
    yield from _list(data.earlier_pulls, "pulls", unit, is_whole=is_whole)
    yield Heading("Notes of the quarter", anchor="notes")
    yield from _list(data.notes, "notes", unit, is_whole=is_whole)
    yield Heading("Settings behind the figures")
    if is_whole:
        yield from _list(data.facts, "facts", unit, is_whole=True)
    else:
        yield Text("In the HTML file of this review.")


def _list(rows: list[Row], name: str, unit: str, *, is_whole: bool) -> Iterator[Block]:
    """Yield a table, on paper its first rows and how many there are more."""
    if not rows:
        yield Text("None.")
        return
    names = [each for each in rows[0] if each in COLUMNS]
    if not is_whole and name in ON_PAPER:
        names = [each for each in ON_PAPER[name].split() if each in rows[0]]
    held = [PrintedColumn(each, unit) for each in names]
    shown = rows if is_whole else rows[: MOST_CHANGES if name == "changes" else MOST_ROWS]
    columns = [Column(each.title, each.kind) for each in held]
    yield Table(columns, [[each.text(row) for each in held] for row in shown])
    yield from _more(len(rows) - len(shown))


def _more(count: int) -> Iterator[Block]:
    if count > 0:
        said = f"{wording.counted(count, 'more row')} in the HTML file of this review."
        yield Text(said, is_small=True)


def _anchor(figure: str) -> str:
    return f"behind-{figure.replace(' ', '-')}"


def read_review(shop: Path, quarter: str | None = None, day: dt.date | None = None) -> ReviewData:
    """Return what the review of a quarter says, of the latest without one; of a day as it stood.

    Raises FileNotFoundError if the shop has no settings or nothing is published yet. Raises
    ValueError if nothing came in during that quarter, HistoryError if the day cannot be told.
    """
    snapshot = as_of(shop, day) if day else current(shop)
    if snapshot is None:
        raise FileNotFoundError("nothing is published yet: run `rollbook publish DIR` first")
    settings, mistakes, _ = in_force(shop, snapshot)
    if settings is None:
        raise ValueError(f"{ShopFolder(shop).settings.name}: {mistakes}")
    with open_reader(snapshot.path) as reader:
        return gather(reader, settings, snapshot, quarter)


def review_stem(quarter: str) -> str:
    """Return what the files of a review are called, without their ending."""
    return f"review-{quarter.replace(' ', '-')}"


def review_of(shop: Path, quarter: str, day: dt.date | None = None) -> bytes:
    """Return the review of a quarter as PDF; raises what `read_review` raises."""
    return as_pdf(document(read_review(shop, quarter, day), is_whole=False))


def write_review(
    shop: Path, quarter: str | None = None, day: dt.date | None = None
) -> tuple[Path, Path]:
    """Write the review of a quarter as PDF and as HTML, each whole or not at all.

    Raises what `read_review` raises.
    """
    data = read_review(shop, quarter, day)
    folder = ShopFolder(shop)
    name = review_stem(data.quarter) + (f"-as-of-{day}" if day else "")
    pdf, html = folder.reports / f"{name}.pdf", folder.reports / f"{name}.html"
    write_whole(pdf, as_pdf(document(data, is_whole=False)))
    write_whole(html, as_html(document(data, is_whole=True)))
    return pdf, html
