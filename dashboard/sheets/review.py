"""Writes the review of a quarter as one HTML file: `python -m dashboard.sheets.review SHOP`.

The file carries its own drawings and style, runs no script and asks nothing of any network. It
says the same, byte for byte, whenever it is written from the same snapshot.
"""

from __future__ import annotations

import argparse
import datetime as dt
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import duckdb
import jinja2
import polars as pl
from markupsafe import Markup

from dashboard import charts
from dashboard.look import Look
from dashboard.on_paper import drawing
from dashboard.settings_shown import in_force
from schemas.settings import ShopSettings
from schemas.units import shown_power
from warehouse import wording
from warehouse.damage import DamagedError, plainly
from warehouse.questions import ask, behind
from warehouse.shop import ShopFolder
from warehouse.snapshot import Snapshot, current, open_reader
from warehouse.titles import COLUMNS
from warehouse.whole_file import write_whole

MOST_NEEDS = 8
"""Combinations written out with their members; the pages show all of them."""

PAPER = Look()
"""Charts on paper hold no power and no mixture: no unit of the shop's stands in them."""

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
    def is_figure(self) -> bool:
        """Whether it stands to the right."""
        return COLUMNS[self.name].digits is not None

    @property
    def is_code(self) -> bool:
        """Whether it is read letter by letter."""
        return self.name == "sha256_start"

    @property
    def is_reference(self) -> bool:
        """Whether it is a reference that must not break."""
        return self.name.endswith(("_id", "_on"))

    @property
    def is_level(self) -> bool:
        """Whether its words are coloured by how bad they are."""
        return self.name.startswith("level")

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


# What a sheet of paper has no room for; the pages show it.
TOO_WIDE = {
    "gains": ("run_on", "model_label", "change_kind", "change_key", "pulls_before", "pulls_after"),
    "pulls": ("received_on",),
    "stages lean at warn or stop": ("received_on", "is_near_peak_torque"),
    "off_target": ("is_near_peak_torque",),
}


class Behind(NamedTuple):
    """The list behind one figure."""

    figure: str
    figure_value: float
    rows: list[Row]
    columns: list[PrintedColumn]


@dataclass(frozen=True)
class ReviewData:
    """All that a review says."""

    shop_name: str
    quarter: str
    previous: str | None
    reference_air: str
    power_unit: str
    snapshot_number: int
    published_at: str
    figures: list[Row]
    summary_of_gains: list[Row]
    gains: list[Row]
    needs: list[Row]
    off_target: list[Row]
    comebacks: list[Row]
    verdicts: list[Row]
    checks: list[Row]
    trust: Row | None
    behind: list[Behind]
    earlier_pulls: list[Row]
    facts: list[Row]
    cautions: tuple[str, ...] = wording.CAUTIONS

    @property
    def unlike(self) -> int:
        """How many gains stand in no mean."""
        return sum(not row["is_pooled"] for row in self.gains)

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
    def gain_drawing(self) -> Markup:
        """Gains by change."""
        gains = [row for row in self.gains if row["is_pooled"]]
        chart = charts.quarter_gain_chart(_frame(self.summary_of_gains), _frame(gains), PAPER)
        return drawing(chart)

    @property
    def need_drawing(self) -> Markup:
        """Remap need."""
        return drawing(charts.need_chart(_frame(self.needs), PAPER))

    @property
    def level_drawing(self) -> Markup:
        """Level of the control bike that was run most."""
        if not self.checks:
            return Markup("")
        bikes = [row["bike_id"] for row in self.checks]
        most = max(sorted(set(bikes)), key=bikes.count)
        of_bike = [row for row in self.checks if row["bike_id"] == most]
        return drawing(charts.control_chart(_frame(of_bike), PAPER))


def _frame(rows: list[Row]) -> pl.DataFrame:
    return pl.DataFrame(rows, infer_schema_length=None)


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
    place = known.index(quarter)
    unit = settings.show.power
    figures = ask(reader, "quarter_figures", quarter=quarter).to_dicts()
    gains = ask(reader, "gains_in_quarter", quarter=quarter).to_dicts()
    needs = ask(reader, "remap_needs").head(MOST_NEEDS).to_dicts()
    for need in needs:
        need["members"] = ask(reader, "need_members", need_id=need["need_id"]).to_dicts()
    behind_of = []
    for figure in figures:
        rows = ask(reader, behind(figure["figure"]), quarter=quarter).to_dicts()
        columns = _columns_of(rows, unit, figure["figure"])
        behind_of.append(Behind(figure["figure"], figure["figure_value"], rows, columns))
    after = {row["after_stage_id"] for row in gains}
    before = sorted({row["before_stage_id"] for row in gains} - after)
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
    zone = ZoneInfo(settings.shop.timezone)
    return ReviewData(
        shop_name=settings.shop.name,
        quarter=quarter,
        previous=known[place + 1] if place + 1 < len(known) else None,
        reference_air=settings.figures.reference_air,
        power_unit=unit,
        snapshot_number=snapshot.number,
        published_at=f"{snapshot.published_at.astimezone(zone):%d %b %Y, %H:%M}",
        figures=figures,
        summary_of_gains=ask(reader, "quarter_gains", quarter=quarter).to_dicts(),
        gains=gains,
        needs=needs,
        off_target=ask(reader, "maps_off_target", quarter=quarter).to_dicts(),
        comebacks=ask(reader, "behind_comebacks_within_60_days", quarter=quarter).to_dicts(),
        verdicts=ask(reader, "dyno_verdicts").to_dicts(),
        checks=ask(reader, "dyno_checks").to_dicts(),
        trust=next(iter(ask(reader, "trust").to_dicts()), None),
        behind=behind_of,
        earlier_pulls=earlier,
        facts=ask(reader, "shop_facts").to_dicts(),
    )


def render(data: ReviewData) -> str:
    """Return a review as HTML."""
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(Path(__file__).parent, encoding="utf-8"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        keep_trailing_newline=True,
    )
    return environment.get_template("review.html.j2").render(
        data=data,
        number=wording.number,
        counted=wording.counted,
        off_target=wording.off_target_sentence,
        trust_sentence=wording.trust_sentence,
        dyno_state=wording.dyno_state,
        columns={
            name: _columns_of(rows, data.power_unit, name)
            for name, rows in (
                ("gains", data.gains),
                ("members", [row for need in data.needs for row in need["members"]]),
                ("off_target", data.off_target),
                ("comebacks", data.comebacks),
                ("pulls", data.earlier_pulls),
                ("facts", data.facts),
            )
        },
    )


def write_review(shop: Path, *, quarter: str | None = None) -> Path:
    """Write the review of a quarter, whole or not at all.

    Raises FileNotFoundError if the shop has no settings or nothing is published yet. Raises
    ValueError if nothing came in during that quarter.
    """
    folder = ShopFolder(shop)
    snapshot = current(shop)
    if snapshot is None:
        raise FileNotFoundError("nothing is published yet: run `rollbook publish DIR` first")
    settings, mistakes, _ = in_force(shop, snapshot)
    if settings is None:
        raise ValueError(f"{folder.settings.name}: {mistakes}")
    with open_reader(snapshot.path) as reader:
        data = gather(reader, settings, snapshot, quarter)
    target = folder.reports / f"review-{data.quarter.replace(' ', '-')}.html"
    write_whole(target, render(data))
    return target


def main() -> int:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description="Write the review of a quarter as one HTML file.")
    parser.add_argument("shop", type=Path, help="the shop's folder")
    parser.add_argument("--quarter", help='such as "2026 Q2"; default: the latest')
    asked = parser.parse_args()
    try:
        written = write_review(asked.shop, quarter=asked.quarter)
    except (FileNotFoundError, ValueError, DamagedError) as trouble:
        sys.stderr.write(f"{trouble}\n")
        return 1
    except (OSError, duckdb.Error) as trouble:
        if not (told := plainly(trouble)):
            raise
        sys.stderr.write(f"{told}\n")
        return 1
    sys.stdout.write(f"{written}\n")
    return 0


def _columns_of(rows: list[Row], unit: str, name: str) -> list[PrintedColumn]:
    held = [column for column in rows[0] if column in COLUMNS] if rows else []
    wide = TOO_WIDE.get(name, ())
    return [PrintedColumn(column, unit) for column in held if column not in wide]


if __name__ == "__main__":
    sys.exit(main())
