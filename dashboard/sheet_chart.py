"""The one picture of a customer's sheet: power before and after with its range, mixture below."""

from __future__ import annotations

import polars as pl

from dashboard.charts import Drawn, lines, over_speed, power_band
from dashboard.drawing import Chart, Item, Line, Note, Panel, Stretch
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
    drawn = [Drawn(after[1], after[0], palette.after, 2.6)]
    if before is not None:
        drawn.insert(0, Drawn(before[1], before[0], palette.before, 2.0, "dash"))
    power = power_band(difference, look, "its range at each speed")
    power += lines(drawn, "power_w", look.shown_power)
    panels = [Panel(f"Power at the wheel [{look.power_unit}]", power, weight=0.58)]
    seen = [one for one in drawn if not one.curve["lambda_wide"].is_null().all()]
    if seen:
        mixture = lines(seen, "lambda_wide", look.shown_mixture)
        mixture += _levels(after[1], windows, look, limits)
        panels.append(Panel(look.mixture_title, mixture, weight=0.42))
    said = "Power and mixture at full throttle over engine speed, before and after"
    return over_speed(panels, palette, HEIGHT_PX, said, below_px=96)


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
