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
from markupsafe import Markup

from dashboard import queries, wording
from dashboard.sheets import drawing
from schemas.settings import ShopSettings, read_settings
from schemas.units import shown_power
from warehouse.damage import DamagedError, plainly
from warehouse.shop import ShopFolder
from warehouse.snapshot import Snapshot, current, open_reader
from warehouse.whole_file import write_whole

MOST_NEEDS = 8
"""Combinations written out with their members; the pages show all of them."""

Row = dict[str, Any]


class Column(NamedTuple):
    """A column of a printed table."""

    name: str
    title: str
    digits: int | None = None
    signed: bool = False

    @property
    def is_figure(self) -> bool:
        """Whether it stands to the right."""
        return self.digits is not None

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
        return self.name == "level"

    def text(self, row: Row) -> str:
        """Return a cell's text."""
        value = row.get(self.name)
        if value is None or value == "":
            return "–"
        if isinstance(value, bool):
            return "yes" if value else "no"
        if isinstance(value, dt.date):
            return f"{value:%d %b %Y}"
        if self.digits is not None:
            return wording.number(value, self.digits, signed=self.signed)
        return str(value)


# Every column that a printed list may have; a list shows those that it holds, in this order.
COLUMNS = (
    Column("received_on", "Came"),
    Column("run_on", "Day"),
    Column("job_folder", "Job folder"),
    Column("job_id", "Job"),
    Column("earlier_job_id", "Job before"),
    Column("days_between", "Days between", 0),
    Column("bike_id", "Bike"),
    Column("model_label", "Model"),
    Column("jobs", "Jobs", 0),
    Column("stages", "Stages", 0),
    Column("job_ids", "Jobs by name"),
    Column("stage_name", "Stage"),
    Column("stages_named", "Stages"),
    Column("change_label", "What changed"),
    Column("change_kind", "Change"),
    Column("map_label", "Map"),
    Column("fuel", "Fuel"),
    Column("parts_label", "Parts"),
    Column("level", "Level"),
    Column("worst_lean_error_pct", "Worst error [%]", 1, signed=True),
    Column("worst_speed_rpm", "at [rpm]", 0),
    Column("is_near_peak_torque", "Near peak torque"),
    Column("mean_gain_pct", "Gain [%]", 1, signed=True),
    Column("mean_gain_lower_pct", "from [%]", 1, signed=True),
    Column("mean_gain_upper_pct", "to [%]", 1, signed=True),
    Column("verdict", "Verdict"),
    Column("is_pooled", "In the mean"),
    Column("unlike_reason", "Not like for like"),
    Column("pulls_before", "Pulls before", 0),
    Column("pulls_after", "Pulls after", 0),
    Column("pull_no", "Pull", 0),
    Column("pulls", "Pulls", 0),
    Column("is_used", "Used"),
    Column("pulls_used", "Used", 0),
    Column("peak_power", "Peak", 1),
    Column("reference_air", "Reference air"),
    Column("has_air_doubt", "Air in doubt"),
    Column("duration_s", "Length [s]", 0),
    Column("steady_s", "Evidence [s]", 0),
    Column("in_band_share", "In band [1]", 2),
    Column("state", "State"),
    Column("reason", "Why"),
    Column("remedy", "What to do"),
    Column("trouble", "Trouble"),
    Column("notes", "Notes"),
    Column("file_name", "File"),
    Column("sha256_start", "SHA-256 begins"),
    Column("fact", "Setting"),
    Column("fact_value", "Value"),
    Column("meaning", "Meaning"),
)


# What a sheet of paper has no room for; the pages show it.
TOO_WIDE = {
    "gains": ("run_on", "model_label", "change_kind", "pulls_before", "pulls_after"),
    "pulls": ("received_on",),
    "stages lean at warn or stop": ("received_on", "is_near_peak_torque"),
    "off_target": ("is_near_peak_torque",),
}


class Behind(NamedTuple):
    """The list behind one figure."""

    figure: str
    figure_value: float
    rows: list[Row]
    columns: list[Column]


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
        value = {row["figure"]: int(row["figure_value"]) for row in self.figures}
        states = {row["state"] for row in self.verdicts}
        dyno = next(
            (
                said
                for state, said in (
                    ("act", "act on the dyno before trusting small gains"),
                    ("watch", "the dyno needs watching"),
                    ("good", "the dyno holds"),
                )
                if state in states
            ),
            "nothing is known of the dyno",
        )
        real = sum(row["verdict"] == "real gain" for row in self.gains)
        untold = sum(row["mean_gain_pct"] is None for row in self.gains)
        return (
            f"{wording.counted(value.get('bikes', 0), 'bike')} in "
            f"{wording.counted(value.get('jobs', 0), 'job')}, "
            f"{wording.counted(value.get('pulls', 0), 'pull')}; "
            f"{real} of {wording.counted(len(self.gains), 'measured change')} a real gain"
            + (f", {untold} cannot be told for want of the air" if untold else "")
            + "; "
            f"{wording.counted(len(self.off_target), 'stage')} on our own maps still lean; "
            f"{wording.counted(len(self.comebacks), 'comeback')}; {dyno}."
        )

    @property
    def gain_drawing(self) -> Markup:
        """Gains by change."""
        return drawing.gain_drawing(self.summary_of_gains, self.gains)

    @property
    def need_drawing(self) -> Markup:
        """Remap need."""
        return drawing.need_drawing(self.needs)

    @property
    def level_drawing(self) -> Markup:
        """Level of the control bike that was run most."""
        if not self.checks:
            return Markup("")
        bikes = [row["bike_id"] for row in self.checks]
        most = max(sorted(set(bikes)), key=bikes.count)
        return drawing.level_drawing([row for row in self.checks if row["bike_id"] == most])


def gather(
    reader: duckdb.DuckDBPyConnection,
    settings: ShopSettings,
    snapshot: Snapshot,
    quarter: str | None = None,
) -> ReviewData:
    """Collect what a review says from a snapshot.

    Raises ValueError if nothing came in during that quarter.
    """
    known: list[str] = queries.quarters(reader)["quarter_label"].to_list()
    if not known:
        raise ValueError("the snapshot holds no job yet: there is nothing to review")
    quarter = known[0] if quarter is None else quarter
    if quarter not in known:
        raise ValueError(f"quarter must be one of {', '.join(known)}, got {quarter!r}")
    place = known.index(quarter)
    unit = settings.show.power
    figures = queries.quarter_figures(reader, quarter).to_dicts()
    gains = queries.gains_in_quarter(reader, quarter).to_dicts()
    needs = queries.remap_needs(reader).head(MOST_NEEDS).to_dicts()
    for need in needs:
        need["members"] = queries.need_members(reader, need["need_id"]).to_dicts()
    behind = []
    for figure in figures:
        rows = _with_power(
            queries.behind_figure(reader, quarter, figure["figure"]).to_dicts(), unit
        )
        behind.append(
            Behind(
                figure["figure"],
                figure["figure_value"],
                rows,
                _columns_of(rows, unit, figure["figure"]),
            )
        )
    after = {row["after_stage_id"] for row in gains}
    before = sorted({row["before_stage_id"] for row in gains} - after)
    run_now = {
        (row["job_id"], row["file_name"])
        for list_ in behind
        if list_.figure == "pulls"
        for row in list_.rows
    }
    earlier = [
        row
        for row in queries.pulls(reader, tuple(before)).to_dicts()
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
        summary_of_gains=queries.quarter_gains(reader, quarter).to_dicts(),
        gains=gains,
        needs=needs,
        off_target=queries.maps_off_target(reader, quarter).to_dicts(),
        comebacks=queries.comebacks(reader, quarter).to_dicts(),
        verdicts=queries.dyno_verdicts(reader).to_dicts(),
        checks=queries.dyno_checks(reader).to_dicts(),
        trust=next(iter(queries.trust(reader).to_dicts()), None),
        behind=behind,
        earlier_pulls=_with_power(earlier, unit),
        facts=queries.shop_facts(reader).to_dicts(),
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


def write_review(shop: Path, *, quarter: str | None = None, out: Path | None = None) -> Path:
    """Write the review of a quarter, whole or not at all.

    Raises FileNotFoundError if the shop has no settings or nothing is published yet. Raises
    ValueError if nothing came in during that quarter.
    """
    folder = ShopFolder(shop)
    settings = read_settings(folder.settings)
    snapshot = current(shop)
    if snapshot is None:
        raise FileNotFoundError("nothing is published yet: run `rollbook publish DIR` first")
    with open_reader(snapshot.path) as reader:
        data = gather(reader, settings, snapshot, quarter)
    target = out or folder.reports / f"review-{data.quarter.replace(' ', '-')}.html"
    write_whole(target, render(data))
    return target


def main() -> int:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description="Write the review of a quarter as one HTML file.")
    parser.add_argument("shop", type=Path, help="the shop's folder")
    parser.add_argument("--quarter", help='such as "2026 Q2"; default: the latest')
    parser.add_argument("--out", type=Path, help="file to write; default: in the shop's reports")
    asked = parser.parse_args()
    try:
        written = write_review(asked.shop, quarter=asked.quarter, out=asked.out)
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


def _columns_of(rows: list[Row], unit: str, name: str) -> list[Column]:
    held = rows[0].keys() - set(TOO_WIDE.get(name, ())) if rows else ()
    return [
        column._replace(title=f"Peak [{unit}]") if column.name == "peak_power" else column
        for column in COLUMNS
        if column.name in held
    ]


def _with_power(rows: list[Row], unit: str) -> list[Row]:
    for row in rows:
        if "peak_power_w" in row:
            power_w = row["peak_power_w"]
            row["peak_power"] = None if power_w is None else shown_power(power_w, unit)
    return rows


if __name__ == "__main__":
    sys.exit(main())
