"""The one picture of a customer's sheet: power before and after with its range, mixture below."""

from __future__ import annotations

import polars as pl

from dashboard.charts import SPEED_FORMAT, SPEED_TITLE
from dashboard.drawing import Band, Chart, Item, Line, Note, Panel, Stretch
from dashboard.look import Limits, Look
from warehouse.wording import signed

HEIGHT_PX = 560.0

Named = tuple[str, pl.DataFrame]
"""A stage's name and its curve."""


def sheet_chart(
    before: Named | None,
    after: Named,
    difference: pl.DataFrame,
    windows: pl.DataFrame,
    look: Look,
    limits: Limits,
) -> Chart:
    """Draw a bike before and after; told apart in grey too, by dash and weight."""
    palette = look.palette
    drawn = [(*after, palette.after, 2.6, "solid")]
    if before is not None:
        drawn.insert(0, (*before, palette.before, 2.0, "dash"))
    power: list[Item] = []
    if not difference.is_empty():
        lower, upper = (
            look.shown_power(difference["before_w"] * (1 + difference[end] / 100))
            for end in ("lower_pct", "upper_pct")
        )
        name = "its range at each speed"
        power.append(Band(difference["engine_speed_rpm"], lower, upper, palette.after, 0.22, name))
    mixture: list[Item] = []
    for name, curve, colour, width, dash in drawn:
        speed, watts = curve["engine_speed_rpm"], look.shown_power(curve["power_w"])
        power.append(Line(speed, watts, colour, name, width, dash))
        if not curve["lambda_wide"].is_null().all():
            shown = look.shown_mixture(curve["lambda_wide"])
            mixture.append(Line(speed, shown, colour, name, width, dash))
    panels = [Panel(f"Power at the wheel [{look.power_unit}]", power, weight=0.58)]
    if mixture:
        mixture += _levels(drawn[-1][1], windows, look, limits)
        panels.append(Panel(look.mixture_title, mixture, weight=0.42))
    return Chart(
        panels,
        SPEED_TITLE,
        palette,
        HEIGHT_PX,
        "Power and mixture at full throttle over engine speed, before and after",
        x_format=SPEED_FORMAT,
    )


def _levels(curve: pl.DataFrame, windows: pl.DataFrame, look: Look, limits: Limits) -> list[Item]:
    """Return the wanted mixture, the levels that are too lean, and where the later stage is so."""
    palette, wanted = look.palette, curve.drop_nulls("lambda_target")
    if wanted.is_empty():
        return []
    speed, target = wanted["engine_speed_rpm"], look.shown_mixture(wanted["lambda_target"])
    items: list[Item] = [Line(speed, target, palette.text, "wanted", 1.2, "dot")]
    for level, at in limits.levels()[1:]:
        line = target * (1 + at / 100)
        items.append(Line(speed, line, palette.level(level), width=1, dash="dot"))
        items.append(Note(speed[0], line[0], f"{at:g} % lean: {level}"))
    for window in windows.filter(pl.col("side") == "lean").iter_rows(named=True):
        colour = palette.level(window["level"])
        items.append(Stretch(window["from_rpm"], window["to_rpm"], colour, 0.15))
        at, error = window["worst_speed_rpm"], window["worst_error_pct"]
        height = float(target[int((speed - at).abs().arg_min() or 0)]) * (1 + error / 100)
        said = f"{window['level']}: {signed(error, 0)} %"
        items.append(Note(at, height, said, is_bold=True, is_centred=True))
    return items
