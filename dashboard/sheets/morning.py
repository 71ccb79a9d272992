"""Writes the morning file of a day.

It says what the start page says, on one sheet, without script or any request; the same, byte for
byte, whenever it is written of the same day from the same snapshot.
"""

from __future__ import annotations

import datetime as dt
from functools import partial
from pathlib import Path

import jinja2
from markupsafe import Markup

from dashboard.day import Day, read_day
from dashboard.settings_shown import in_force
from dashboard.sheets.letters import isolated
from schemas.settings import ShopSettings
from schemas.units import shown_power
from warehouse import day_words, noted, wording
from warehouse.questions import ask
from warehouse.sentences import day as said_day
from warehouse.shop import ShopFolder
from warehouse.snapshot import Snapshot, current, open_reader
from warehouse.whole_file import write_whole

# So many of each fit on one sheet of A4 with the cautions, also where words are long.
MOST_BIKES, MOST_TROUBLES, MOST_GAPS, MOST_NEWS, MOST_NOTES = 6, 5, 3, 8, 5


def render(shop_day: Day, settings: ShopSettings, snapshot: Snapshot) -> str:
    """Return a day as HTML."""
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(Path(__file__).parent, encoding="utf-8"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        keep_trailing_newline=True,
        finalize=lambda value: value if isinstance(value, Markup) else isolated(value),
    )

    def power(power_w: float | None) -> str:
        unit = settings.show.power
        shown = None if power_w is None else shown_power(power_w, unit)
        return f"{wording.number(shown, 1)} {unit}"

    others = shop_day.troubles[MOST_TROUBLES:]
    return environment.get_template("morning.html.j2").render(
        shop_name=settings.shop.name,
        shop_day=shop_day,
        day=said_day(shop_day.day),
        said_day=said_day,
        bikes=shop_day.bikes[:MOST_BIKES],
        troubles=shop_day.troubles[:MOST_TROUBLES],
        other_files=sum(trouble.files.height for trouble in others),
        gaps=shop_day.gaps[:MOST_GAPS],
        news=(shop_day.fresh + shop_day.lately)[:MOST_NEWS],
        notes=[(noted.text(row), noted.wrote(row)) for row in shop_day.notes[:MOST_NOTES]],
        other_notes=len(shop_day.notes[MOST_NOTES:]),
        gravities=day_words.GRAVITIES,
        news_below=day_words.news_below,
        counted=wording.counted,
        power=power,
        reference_air=settings.figures.reference_air,
        snapshot_number=snapshot.number,
        cautions=wording.CAUTIONS,
    )


def write_morning(shop: Path, day: dt.date) -> Path:
    """Write the morning file of a day, whole or not at all.

    Raises FileNotFoundError if the shop has no settings or nothing is published yet.
    """
    folder = ShopFolder(shop)
    snapshot = current(shop)
    if snapshot is None:
        raise FileNotFoundError("nothing is published yet: run `rollbook publish DIR` first")
    settings, mistakes, _ = in_force(shop, snapshot)
    if settings is None:
        raise ValueError(f"{folder.settings.name}: {mistakes}")
    with open_reader(snapshot.path) as reader:
        shop_day = read_day(partial(ask, reader), day, settings.shop.timezone)
        text = render(shop_day, settings, snapshot)
    target = folder.reports / f"morning-{day.isoformat()}.html"
    write_whole(target, text)
    return target
