"""The picture of the latest pull: its power and mixture against the pull before, in thick lines."""

from __future__ import annotations

import polars as pl

from dashboard.charts import SPEED_FORMAT, SPEED_TITLE
from dashboard.drawing import Chart, Item, Line, Note, Panel
from dashboard.look import Limits, Look

THICK, THIN = 5.0, 3.0


def latest_pull_chart(
    latest: pl.DataFrame, before: pl.DataFrame, look: Look, limits: Limits, *, power_at: str
) -> Chart:
    """Draw power, and the mixture with its target and lean levels where any was seen."""
    palette = look.palette
    drawn = [(before, "the pull before", palette.before, THIN, "dash")] if before.height else []
    drawn.append((latest, "this pull", palette.after, THICK, "solid"))
    power: list[Item] = [
        Line(c["engine_speed_rpm"], look.shown_power(c["power_w"]), colour, name, width, dash)
        for c, name, colour, width, dash in drawn
    ]
    panels = [Panel(f"Wheel power [{look.power_unit}]", power, f".1f {look.power_unit}", 0.6)]
    seen = [one for one in drawn if one[0]["lambda_wide"].is_not_null().any()]
    if seen:
        unit = "AFR" if look.mixture == "afr" else "λ"
        mixture: list[Item] = [
            Line(c["engine_speed_rpm"], look.shown_mixture(c["lambda_wide"]), colour, name, w, dash)
            for c, name, colour, w, dash in seen
        ]
        wanted = latest.drop_nulls("lambda_target")
        for level, at in (("target", 0.0), *limits.levels()) if wanted.height else ():
            speed = wanted["engine_speed_rpm"]
            line = look.shown_mixture(wanted["lambda_target"] * (1 + at / 100))
            colour = palette.level(level) if at else palette.text
            mixture.append(Line(speed, line, colour, width=2, dash="dash" if at else "dot"))
            mixture.append(Note(speed[0], line[0], f"{level} {at:g} %" if at else level))
        panels.append(Panel(look.mixture_title, mixture, f".2f {unit}", 0.4))
    return Chart(
        panels,
        SPEED_TITLE,
        palette,
        480,
        "The latest pull against the pull before",
        x_format=SPEED_FORMAT,
        corner=power_at,
    )
